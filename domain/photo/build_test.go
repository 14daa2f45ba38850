package photo

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"testing"
)

// quarters is a picture with four colours: red top left, green top right, blue bottom left, grey
// bottom right, and softer steps between, so that nothing about it is symmetric.
func quarters(width, height int) *image.NRGBA {
	m := image.NewNRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			c := color.NRGBA{R: 200, G: 30, B: 30, A: 255}
			switch {
			case x >= width/2 && y < height/2:
				c = color.NRGBA{R: 30, G: 180, B: 30, A: 255}
			case x < width/2 && y >= height/2:
				c = color.NRGBA{R: 30, G: 30, B: 200, A: 255}
			case x >= width/2:
				c = color.NRGBA{R: 128, G: 128, B: 128, A: 255}
			}
			m.SetNRGBA(x, y, c)
		}
	}
	return m
}

func jpegBytes(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func pngBytes(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// segment is a JPEG segment.
func segment(marker byte, body []byte) []byte {
	b := binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(body)+2))
	return append(b, body...)
}

// behindStart puts b behind a JPEG's start marker.
func behindStart(jpeg []byte, b ...byte) []byte {
	return append(append(append([]byte{}, jpeg[:2]...), b...), jpeg[2:]...)
}

// chunk is a PNG chunk with its checksum.
func chunk(name string, body []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	b = append(append(b, name...), body...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// afterIHDR puts chunks behind a PNG's header.
func afterIHDR(png []byte, chunks ...byte) []byte {
	const header = 8 + 12 + 13
	return append(append(append([]byte{}, png[:header]...), chunks...), png[header:]...)
}

// entry is a field of a TIFF or EXIF directory: values already in bytes, or a directory below.
type entry struct {
	tag   uint16
	kind  uint16
	count int
	value []byte
	below []entry
}

func text(tag uint16, s string) entry { return entry{tag, 2, len(s) + 1, append([]byte(s), 0), nil} }

func short(o byteOrder, tag uint16, vs ...uint16) entry {
	var b []byte
	for _, v := range vs {
		b = o.AppendUint16(b, v)
	}
	return entry{tag, 3, len(vs), b, nil}
}

func long(o byteOrder, tag uint16, vs ...uint32) entry {
	var b []byte
	for _, v := range vs {
		b = o.AppendUint32(b, v)
	}
	return entry{tag, 4, len(vs), b, nil}
}

func rational(o byteOrder, tag uint16, pairs ...uint32) entry {
	e := long(o, tag, pairs...)
	e.kind, e.count = 5, len(pairs)/2
	return e
}

// directory writes a directory that begins at position at, and everything it points to.
func directory(o byteOrder, at int, entries []entry, next uint32) []byte {
	b := o.AppendUint16(nil, uint16(len(entries)))
	behind := at + 2 + 12*len(entries) + 4
	var tail []byte
	for _, e := range entries {
		if e.below != nil {
			e.kind, e.count = 4, 1
			e.value = o.AppendUint32(nil, uint32(behind+len(tail)))
			tail = append(tail, directory(o, behind+len(tail), e.below, 0)...)
		}
		b = o.AppendUint16(b, e.tag)
		b = o.AppendUint16(b, e.kind)
		b = o.AppendUint32(b, uint32(e.count))
		if len(e.value) > 4 {
			b = o.AppendUint32(b, uint32(behind+len(tail)))
			tail = append(tail, e.value...)
			if len(tail)%2 == 1 {
				tail = append(tail, 0)
			}
			continue
		}
		b = append(append(b, e.value...), make([]byte, 4-len(e.value))...)
	}
	return append(o.AppendUint32(b, next), tail...)
}

func tiffHead(o byteOrder, first uint32) []byte {
	b := []byte("II\x2a\x00")
	if o == binary.BigEndian {
		b = []byte("MM\x00\x2a")
	}
	return o.AppendUint32(b, first)
}

// exif is an EXIF block (without the "Exif" mark that JPEG puts before it).
func exif(o byteOrder, entries ...entry) []byte {
	return append(tiffHead(o, 8), directory(o, 8, entries, 0)...)
}

func withEXIF(jpeg []byte, block []byte) []byte {
	return behindStart(jpeg, segment(0xe1, append([]byte("Exif\x00\x00"), block...))...)
}

// tiffOf describes a TIFF to write. The zero value of each field is the plainest choice.
type tiffOf struct {
	order       byteOrder
	m           image.Image
	bits        int // 8 or 16
	alpha       bool
	rows        int // per strip; 0: one strip
	tile        int // side; 0: strips
	compression int // 1 none, 8 deflate, 32773 pack bits
	more        []entry
}

// bytes writes the TIFF.
func (w tiffOf) bytes() []byte {
	if w.order == nil {
		w.order = binary.LittleEndian
	}
	if w.bits == 0 {
		w.bits = 8
	}
	if w.compression == 0 {
		w.compression = 1
	}
	o, size := w.order, w.m.Bounds().Size()
	samples := 3
	if w.alpha {
		samples = 4
	}
	pixels := func(x0, y0, x1, y1 int) []byte {
		var b []byte
		for y := y0; y < y1; y++ {
			for x := x0; x < x1; x++ {
				c := color.NRGBA64Model.Convert(w.m.At(min(x, size.X-1), min(y, size.Y-1))).(color.NRGBA64)
				for _, v := range []uint16{c.R, c.G, c.B, c.A}[:samples] {
					if w.bits == 16 {
						b = o.AppendUint16(b, v)
					} else {
						b = append(b, byte(v>>8))
					}
				}
			}
		}
		switch w.compression {
		case 8:
			var z bytes.Buffer
			zw := zlib.NewWriter(&z)
			_, _ = zw.Write(b)
			_ = zw.Close()
			return z.Bytes()
		case 32773: // literal runs only
			var p []byte
			for len(b) > 0 {
				n := min(128, len(b))
				p = append(append(p, byte(n-1)), b[:n]...)
				b = b[n:]
			}
			return p
		}
		return b
	}
	data := tiffHead(o, 0)
	var offsets, counts []uint32
	add := func(b []byte) {
		offsets, counts = append(offsets, uint32(len(data))), append(counts, uint32(len(b)))
		data = append(data, b...)
		if len(data)%2 == 1 {
			data = append(data, 0)
		}
	}
	if w.tile > 0 {
		for y := 0; y < size.Y; y += w.tile {
			for x := 0; x < size.X; x += w.tile {
				add(pixels(x, y, x+w.tile, y+w.tile))
			}
		}
	} else {
		if w.rows == 0 {
			w.rows = size.Y
		}
		for y := 0; y < size.Y; y += w.rows {
			add(pixels(0, y, size.X, min(y+w.rows, size.Y)))
		}
	}
	depth := []uint16{uint16(w.bits), uint16(w.bits), uint16(w.bits), uint16(w.bits)}[:samples]
	entries := []entry{
		long(o, tagWidth, uint32(size.X)), long(o, tagLength, uint32(size.Y)), short(o, tagBitsPerSample, depth...),
		short(o, tagCompression, uint16(w.compression)), short(o, tagPhotometric, 2),
		short(o, tagSamplesPerPixel, uint16(samples)), short(o, tagPlanar, 1),
	}
	if w.tile > 0 {
		entries = append(entries, long(o, tagTileWidth, uint32(w.tile)), long(o, tagTileLength, uint32(w.tile)),
			long(o, tagTileOffsets, offsets...), long(o, tagTileBytes, counts...))
	} else {
		entries = append(entries, long(o, tagStripOffsets, offsets...), long(o, tagRowsPerStrip, uint32(w.rows)), long(o, tagStripBytes, counts...))
	}
	if w.alpha {
		entries = append(entries, short(o, 338, 2))
	}
	return tiffFinish(o, data, append(entries, w.more...))
}

// tiffFinish puts a directory behind data. A later entry of the same tag replaces an earlier one.
func tiffFinish(o byteOrder, data []byte, entries []entry) []byte {
	byTag := map[uint16]entry{}
	for _, e := range entries {
		byTag[e.tag] = e
	}
	var sorted []entry
	for tag := range 1 << 16 {
		if e, ok := byTag[uint16(tag)]; ok {
			sorted = append(sorted, e)
		}
	}
	at := len(data)
	o.PutUint32(data[4:], uint32(at))
	return append(data, directory(o, at, sorted, 0)...)
}

func read(t testing.TB, b []byte) (Reading, error) {
	t.Helper()
	return Read(context.Background(), bytes.NewReader(b), int64(len(b)), DefaultLimits)
}

func zlibbed(b []byte) []byte {
	var z bytes.Buffer
	w := zlib.NewWriter(&z)
	_, _ = w.Write(b)
	_ = w.Close()
	return z.Bytes()
}
