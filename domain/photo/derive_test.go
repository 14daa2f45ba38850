package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"testing"

	"github.com/disintegration/imaging"
	"golang.org/x/image/tiff"

	"farthingale/domain"
)

func derive(t testing.TB, b []byte) Derived {
	t.Helper()
	d, err := Derive(context.Background(), bytes.NewReader(b), int64(len(b)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func picture(t testing.TB, p JPEGPicture) image.Image {
	t.Helper()
	m, err := jpeg.Decode(bytes.NewReader(p.Bytes))
	if err != nil {
		t.Fatal(err)
	}
	if m.Bounds().Dx() != p.WidthPX || m.Bounds().Dy() != p.HeightPX {
		t.Errorf("said %d × %d, is %v", p.WidthPX, p.HeightPX, m.Bounds())
	}
	return m
}

// stored turns the upright picture into what a camera held as orientation says would have stored.
// source: CIPA DC-008-2019 (EXIF 2.32), 4.6.4 A, Orientation: which side of the scene the first
// stored row and the first stored column are
func stored(m image.Image, orientation int) *image.NRGBA {
	w, h := m.Bounds().Dx(), m.Bounds().Dy()
	sides := map[int][2]string{
		1: {"top", "left"}, 2: {"top", "right"}, 3: {"bottom", "right"}, 4: {"bottom", "left"},
		5: {"left", "top"}, 6: {"right", "top"}, 7: {"right", "bottom"}, 8: {"left", "bottom"},
	}[orientation]
	size := image.Pt(w, h)
	if orientation > 4 {
		size = image.Pt(h, w)
	}
	out := image.NewNRGBA(image.Rectangle{Max: size})
	for row := range size.Y {
		for column := range size.X {
			at := image.Point{}
			for i, side := range sides {
				n := []int{row, column}[i] // distance from that side of the scene
				switch side {
				case "top":
					at.Y = n
				case "bottom":
					at.Y = h - 1 - n
				case "left":
					at.X = n
				case "right":
					at.X = w - 1 - n
				}
			}
			out.Set(column, row, m.At(at.X, at.Y))
		}
	}
	return out
}

func TestF2MadePicturesAreUprightForAllKindsAndOrientations(t *testing.T) {
	scene := quarters(96, 48)
	o := binary.BigEndian
	for orientation := 1; orientation <= 8; orientation++ {
		m := stored(scene, orientation)
		tag := short(o, tagOrientation, uint16(orientation))
		for kind, file := range map[Kind][]byte{
			JPEG: withEXIF(jpegBytes(t, m), exif(o, tag)),
			PNG:  afterIHDR(pngBytes(t, m), chunk("eXIf", exif(o, tag))...),
			TIFF: tiffOf{m: m, order: o, rows: 7, more: []entry{tag}}.bytes(),
		} {
			got := picture(t, derive(t, file).Screen)
			if got.Bounds().Dx() != 96 || got.Bounds().Dy() != 48 {
				t.Errorf("%s, orientation %d: %v", kind, orientation, got.Bounds())
				continue
			}
			for _, at := range []image.Point{{20, 10}, {70, 10}, {20, 40}, {70, 40}} {
				if d := distance(got.At(at.X, at.Y), scene.At(at.X, at.Y)); d > 12 {
					t.Errorf("%s, orientation %d: at %v the colour is off by %.0f", kind, orientation, at, d)
				}
			}
		}
	}
}

func distance(a, b color.Color) float64 {
	x, y := color.NRGBAModel.Convert(a).(color.NRGBA), color.NRGBAModel.Convert(b).(color.NRGBA)
	sq := func(p, q uint8) float64 { return (float64(p) - float64(q)) * (float64(p) - float64(q)) }
	return math.Sqrt(sq(x.R, y.R) + sq(x.G, y.G) + sq(x.B, y.B))
}

func TestDeriveSizes(t *testing.T) {
	for _, c := range []struct{ w, h, screenW, screenH, thumbW, thumbH int }{
		{3200, 800, 1600, 400, 320, 80},
		{800, 3200, 400, 1600, 80, 320},
		{1000, 500, 1000, 500, 320, 160},
		{100, 50, 100, 50, 100, 50},
		{5000, 3, 1600, 1, 320, 1},
		{1, 1, 1, 1, 1, 1},
	} {
		d := derive(t, jpegBytes(t, image.NewGray(image.Rect(0, 0, c.w, c.h))))
		got := [4]int{d.Screen.WidthPX, d.Screen.HeightPX, d.Thumbnail.WidthPX, d.Thumbnail.HeightPX}
		if got != [4]int{c.screenW, c.screenH, c.thumbW, c.thumbH} {
			t.Errorf("%d × %d gives %v", c.w, c.h, got)
		}
		picture(t, d.Screen)
		picture(t, d.Thumbnail)
	}
}

func TestF2MadePicturesCarryNoEXIF(t *testing.T) {
	o := binary.BigEndian
	file := withEXIF(jpegBytes(t, quarters(400, 300)), exif(o, text(271, "Werkstatt"),
		entry{tag: 0x8825, below: []entry{text(1, "N"), rational(o, 2, 59, 1, 3, 1, 0, 1)}}))
	d := derive(t, file)
	for _, b := range [][]byte{d.Screen.Bytes, d.Thumbnail.Bytes} {
		if bytes.Contains(b, []byte("Exif")) || bytes.Contains(b, []byte("Werkstatt")) {
			t.Error("a made picture carries EXIF")
		}
	}
}

// A TIFF is decoded in bands. Whatever the bands, the picture must be that of the whole.
func TestTIFFInBandsIsTheWhole(t *testing.T) {
	m := image.NewNRGBA(image.Rect(0, 0, 440, 300))
	for y := range 300 {
		for x := range 440 {
			m.SetNRGBA(x, y, color.NRGBA{uint8(x * y >> 6), uint8(x ^ y), uint8(x*3 + y*7), 255})
		}
	}
	for name, w := range map[string]tiffOf{
		"one large strip, 8 bits":           {m: m},
		"one large strip, 16 bits, big end": {m: m, bits: 16, order: binary.BigEndian},
		"strips of 33 rows":                 {m: m, rows: 33},
		"strips of a row, 16 bits":          {m: m, rows: 1, bits: 16},
		"deflated strips":                   {m: m, rows: 12, compression: 8},
		"one deflated strip":                {m: m, compression: 8, bits: 16},
		"packed strips":                     {m: m, rows: 100, compression: 32773},
		"tiles of 64":                       {m: m, tile: 64, bits: 16},
		"with an alpha channel":             {m: m, rows: 50, alpha: true},
	} {
		file := w.bytes()
		whole, err := tiff.Decode(bytes.NewReader(file))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		want := imaging.Resize(whole, 160, 109, imaging.Lanczos)
		in := &watched{ctx: context.Background(), r: bytes.NewReader(file), size: int64(len(file))}
		got, err := reducedTIFF(in, image.Pt(160, 109), 100_000)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if !bytes.Equal(got.(*image.NRGBA).Pix, want.Pix) {
			t.Errorf("%s: in bands it looks different", name)
		}
	}
}

func TestDeriveSixteenBitsTransparentAndFewColours(t *testing.T) {
	deep := image.NewNRGBA64(image.Rect(0, 0, 30, 30))
	clear := image.NewNRGBA(image.Rect(0, 0, 30, 30))
	few := image.NewPaletted(image.Rect(0, 0, 30, 30), color.Palette{color.Black, color.NRGBA{40, 90, 200, 255}})
	grey := image.NewGray16(image.Rect(0, 0, 30, 30))
	for y := range 30 {
		for x := range 30 {
			deep.Set(x, y, color.NRGBA64{40 << 8, 90 << 8, 200 << 8, 0xffff})
			few.SetColorIndex(x, y, 1)
			grey.SetGray16(x, y, color.Gray16{90 << 8})
		}
	}
	for name, c := range map[string]struct {
		m    image.Image
		want color.Color
	}{
		"16 bits":     {deep, color.NRGBA{40, 90, 200, 255}},
		"transparent": {clear, color.White},
		"two colours": {few, color.NRGBA{40, 90, 200, 255}},
		"grey":        {grey, color.Gray{90}},
	} {
		if d := distance(picture(t, derive(t, pngBytes(t, c.m)).Screen).At(15, 15), c.want); d > 6 {
			t.Errorf("%s: off by %.0f", name, d)
		}
	}
	var b bytes.Buffer
	if err := tiff.Encode(&b, grey, nil); err != nil {
		t.Fatal(err)
	}
	if d := distance(picture(t, derive(t, b.Bytes()).Screen).At(15, 15), color.Gray{90}); d > 6 {
		t.Errorf("a grey TIFF of 16 bits: off by %.0f", d)
	}
}

func TestColourProfileIsCarriedOver(t *testing.T) {
	profile := make([]byte, 70_000) // more than one segment holds
	copy(profile[16:], "RGB ")
	copy(profile[36:], "acsp")
	profile[69_999] = 77
	var b bytes.Buffer
	enc := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := enc.Encode(&b, quarters(800, 600)); err != nil {
		t.Fatal(err)
	}
	files := map[Kind][]byte{
		JPEG: withProfile(jpegBytes(t, quarters(800, 600)), profile),
		PNG:  afterIHDR(b.Bytes(), chunk("iCCP", append([]byte("p\x00\x00"), zlibbed(profile)...))...),
		TIFF: tiffOf{m: quarters(800, 600), more: []entry{{tagICC, 7, len(profile), profile, nil}}}.bytes(),
	}
	for kind, file := range files {
		d := derive(t, file)
		in := func(b []byte) []byte {
			return rgbProfile(&watched{ctx: context.Background(), r: bytes.NewReader(b), size: int64(len(b))}, JPEG)
		}
		if !bytes.Equal(in(d.Screen.Bytes), profile) {
			t.Errorf("%s: the profile is not in the screen picture", kind)
		}
		if in(d.Thumbnail.Bytes) != nil {
			t.Errorf("%s: the thumbnail carries a profile larger than itself", kind)
		}
		picture(t, d.Screen)
	}
	copy(profile[16:], "GRAY")
	if p := withProfile(jpegBytes(t, quarters(8, 8)), profile); rgbProfile(&watched{ctx: context.Background(), r: bytes.NewReader(p), size: int64(len(p))}, JPEG) != nil {
		t.Error("a profile for grey is carried over into an RGB picture")
	}
}

func TestDamageInsideThePixelsShowsWhenDeriving(t *testing.T) {
	file := jpegBytes(t, quarters(200, 200))
	scan := bytes.Index(file, []byte{0xff, 0xda}) + 14
	for i := scan; i < len(file)-2; i++ {
		file[i] = 0x55
	}
	if _, err := read(t, file); err != nil {
		t.Fatalf("its structure is whole: %v", err)
	}
	_, err := Derive(context.Background(), bytes.NewReader(file), int64(len(file)), DefaultLimits)
	var not *NotDrawn
	if !errors.As(err, &not) || not.Err == nil {
		t.Errorf("%v", err)
	}
}

func TestDeriveTellsFaultsOfTheStorageApart(t *testing.T) {
	file := jpegBytes(t, quarters(2000, 1000))
	r := &breaking{r: bytes.NewReader(file), good: int64(len(file)) * 2}
	_, err := Derive(context.Background(), r, int64(len(file)), DefaultLimits)
	var not *NotDrawn
	if err == nil || errors.As(err, &not) || domain.KindOf(err) != 0 {
		t.Errorf("a fault of the storage is told as %v", err)
	}
}

// breaking gives good bytes and then breaks.
type breaking struct {
	r    *bytes.Reader
	good int64
}

func (b *breaking) ReadAt(p []byte, off int64) (int, error) {
	if b.good -= int64(len(p)); b.good < 0 {
		return 0, errors.New("the disk is gone")
	}
	return b.r.ReadAt(p, off)
}
