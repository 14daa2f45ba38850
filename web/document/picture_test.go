package document

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"image/png"
	"strings"
	"testing"
)

func encoded(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// claims is a PNG that says in its head that it has other measures.
func claims(b []byte, width, height uint32) []byte {
	b = bytes.Clone(b)
	binary.BigEndian.PutUint32(b[16:], width)
	binary.BigEndian.PutUint32(b[20:], height)
	binary.BigEndian.PutUint32(b[29:], crc32.ChecksumIEEE(b[12:29]))
	return b
}

// threeInks marks a JPEG as red, green and blue without conversion.
// source: ITU-T T.872 (2012), 6.5.3 (APP14 marker segment, transform flag 0)
func threeInks(b []byte) []byte {
	marker := append([]byte{0xFF, 0xEE, 0, 14}, "Adobe\x00\x64\x00\x00\x00\x00\x00"...)
	return append(append(bytes.Clone(b[:2]), marker...), b[2:]...)
}

func TestPictures(t *testing.T) {
	seeThrough := image.NewNRGBA(image.Rect(0, 0, 9, 7))
	seeThrough.Set(3, 3, color.NRGBA{200, 10, 10, 128})
	deep := image.NewRGBA64(image.Rect(0, 0, 9, 7))
	palette := image.NewPaletted(image.Rect(0, 0, 9, 7), color.Palette{color.Black, color.White})
	clear := image.NewPaletted(image.Rect(0, 0, 9, 7), color.Palette{color.Transparent, color.White})
	var moving bytes.Buffer
	if err := gif.Encode(&moving, palette, nil); err != nil {
		t.Fatal(err)
	}
	jpg, plain := drawnJPEG(1, 40, 30), drawnPNG(1, 40, 30)
	for name, c := range map[string]struct {
		bytes      []byte
		shown, raw bool
	}{
		"JPEG":                      {jpg, true, true},
		"JPEG without conversion":   {threeInks(jpg), true, false},
		"JPEG cut off":              {jpg[:len(jpg)-9], false, false},
		"PNG":                       {plain, true, true},
		"PNG with a palette":        {encoded(t, palette), true, true},
		"PNG, grey":                 {encoded(t, image.NewGray(image.Rect(0, 0, 9, 7))), true, true},
		"PNG, see-through":          {encoded(t, seeThrough), true, false},
		"PNG, palette see-through":  {encoded(t, clear), true, false},
		"PNG of 16 bits":            {encoded(t, deep), true, false},
		"PNG cut off":               {plain[:len(plain)-40], false, false},
		"PNG of 100 000 by 100 000": {claims(plain, 100_000, 100_000), false, false},
		"PNG of no width":           {claims(plain, 0, 30), false, false},
		"GIF":                       {moving.Bytes(), false, false},
		"empty":                     {nil, false, false},
		"text":                      {[]byte("<svg/>"), false, false},
		"PNG's first bytes":         {plain[:20], false, false},
	} {
		pl, err := new(plates).add(Picture{Bytes: c.bytes})
		if (err == nil) != c.shown {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if c.shown && bytes.Equal(pl.bytes, c.bytes) != c.raw {
			t.Errorf("%s: passed as it is: %v", name, !c.raw)
		}
		d := Document{Created: made, Blocks: []Block{Figure{Picture{c.bytes, "the cuff"}, "c"}, Table{Columns: []Column{{"a", 1, Left}}, Rows: [][]Cell{{{Picture: &Picture{c.bytes, "the cuff"}}}}}}}
		pages := pdfPages(t, pdfOf(t, d))
		if said := strings.Contains(pages[0], "[Picture cannot be shown: the cuff]"); said == c.shown {
			t.Errorf("%s: the PDF says that it cannot be shown: %v", name, said)
		}
		body := parts(t, docxOf(t, d))["word/document.xml"]
		if said := strings.Contains(body, "[Picture cannot be shown: the cuff]"); said == c.shown {
			t.Errorf("%s: the DOCX says that it cannot be shown: %v", name, said)
		}
	}
}

func TestSeeThroughPicturesStandOnWhite(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 2, 1))
	img.Set(1, 0, color.NRGBA{200, 0, 0, 128})
	pl, err := new(plates).add(Picture{Bytes: encoded(t, img)})
	if err != nil {
		t.Fatal(err)
	}
	got, err := png.Decode(bytes.NewReader(pl.bytes))
	if err != nil {
		t.Fatal(err)
	}
	if r, g, b, a := got.At(0, 0).RGBA(); r != 0xFFFF || g != 0xFFFF || b != 0xFFFF || a != 0xFFFF {
		t.Errorf("clear became %v", got.At(0, 0))
	}
	if r, g, _, _ := got.At(1, 0).RGBA(); r>>8 < 225 || r>>8 > 229 || g>>8 < 125 || g>>8 > 129 {
		t.Errorf("half clear red became %v", got.At(1, 0))
	}
}

func TestFitKeepsTheShape(t *testing.T) {
	for _, c := range []struct{ px, py, w, h, wantW, wantH float64 }{
		{1000, 500, 100, 100, 100, 50}, {500, 1000, 100, 100, 50, 100}, {100, 50, 500, 500, 72, 36}, {20000, 1, 100, 100, 100, 0.5},
	} {
		pl := plate{width: int(c.px), height: int(c.py)}
		if w, h := pl.fit(c.w, c.h); w != c.wantW || h != c.wantH {
			t.Errorf("%v: %.1f × %.1f", c, w, h)
		}
	}
}
