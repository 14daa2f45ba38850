package pyramid

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"math"
	"testing"
)

// slope is a picture whose colours say where each pixel is.
func slope(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			m.SetRGBA(x, y, color.RGBA{uint8(x * 255 / w), uint8(y * 255 / h), 90, 255})
		}
	}
	return m
}

func asYCbCr(t testing.TB, m image.Image) image.Image {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	y, err := jpeg.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	return y
}

func kept(t testing.TB, m image.Image, profile []byte) *Pyramid {
	t.Helper()
	r, size, err := Build(m, profile)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(r)
	if err != nil || int64(len(b)) != size {
		t.Fatalf("%d bytes, said %d: %v", len(b), size, err)
	}
	p, err := Open(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func apart(a, b color.Color) float64 {
	ar, ag, ab, _ := a.RGBA()
	br, bg, bb, _ := b.RGBA()
	d := func(x, y uint32) float64 { return math.Abs(float64(x)-float64(y)) / 257 }
	return max(d(ar, br), d(ag, bg), d(ab, bb))
}

// Every part of every level shows what the picture shows there.
func TestPyramidShowsThePicture(t *testing.T) {
	for name, size := range map[string]image.Point{"odd": {1301, 977}, "small": {300, 200}, "narrow": {40, 1100}, "a pixel": {1, 1}, "a tile": {512, 512}, "a tile and a pixel": {513, 512}} {
		for form, m := range map[string]image.Image{"RGBA": slope(size.X, size.Y), "YCbCr": asYCbCr(t, slope(size.X, size.Y))} {
			p := kept(t, m, []byte("profile"))
			if p.Width != size.X || p.Height != size.Y || string(p.Profile) != "profile" {
				t.Fatalf("%s: %d × %d %q", name, p.Width, p.Height, p.Profile)
			}
			for level, s := range Levels(size.X, size.Y) {
				part, err := p.Region(level, image.Rectangle{Max: s})
				if err != nil || part.Bounds().Size() != s {
					t.Fatalf("%s %s level %d: %v", name, form, level, err)
				}
				for _, at := range []image.Point{{s.X / 2, s.Y / 2}, {s.X - 1, s.Y - 1}, {0, s.Y / 3}, {s.X / 5, 0}} {
					x, y := (2*at.X+1)<<level/2, (2*at.Y+1)<<level/2
					want := slope(size.X, size.Y).At(min(x, size.X-1), min(y, size.Y-1))
					// A step of the slope on a narrow picture is many shades.
					if d := apart(part.At(at.X, at.Y), want); d > 12+float64(int(255)<<level)/float64(min(size.X, size.Y)) {
						t.Errorf("%s %s level %d at %v: off by %.0f", name, form, level, at, d)
					}
				}
			}
		}
	}
}

// Halved is the mean of four pixels. source: its definition, worked by hand
func TestHalvedIsTheMean(t *testing.T) {
	g := &image.Gray{Pix: []byte{10, 20, 90, 30, 40, 70, 5, 6, 7}, Stride: 3, Rect: image.Rect(0, 0, 3, 3)}
	if got := Halved(g).(*image.Gray); !bytes.Equal(got.Pix, []byte{25, 80, 6, 7}) {
		t.Error(got.Pix)
	}
	part := Cropped(g, image.Rect(1, 1, 3, 3))
	if got := Halved(part).(*image.Gray); !bytes.Equal(got.Pix, []byte{(40 + 70 + 6 + 7 + 2) / 4}) {
		t.Error(got.Pix)
	}
	for _, ratio := range []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420, image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410} {
		for _, size := range []image.Point{{1, 1}, {2, 2}, {3, 5}, {17, 9}, {64, 33}} {
			m := image.NewYCbCr(image.Rectangle{Max: size}, ratio)
			for i := range m.Y {
				m.Y[i] = 100
			}
			for i := range m.Cb {
				m.Cb[i], m.Cr[i] = 50, 200
			}
			h := Halved(m).(*image.YCbCr)
			for _, v := range h.Y {
				if v != 100 {
					t.Fatalf("%v %v: a level picture has become uneven", ratio, size)
				}
			}
			for i := range h.Cb {
				if h.Cb[i] != 50 || h.Cr[i] != 200 {
					t.Fatalf("%v %v: the colour has changed", ratio, size)
				}
			}
		}
	}
}

func TestWhatIsNoPyramid(t *testing.T) {
	r, _, err := Build(slope(600, 600), nil)
	if err != nil {
		t.Fatal(err)
	}
	good, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{
		"nothing": nil, "another file": []byte("GIF89a and then more than a head has"), "cut in the head": good[:20], "cut in the list": good[:30],
		"another size": append(append([]byte{}, good[:9]...), append([]byte{9}, good[10:]...)...),
	} {
		if _, err := Open(bytes.NewReader(b)); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	p, err := Open(bytes.NewReader(good[:len(good)-10]))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Region(1, image.Rectangle{Max: p.Size(1)}); err == nil {
		t.Error("a tile that is cut off is shown")
	}
}

func FuzzOpen(f *testing.F) {
	r, _, err := Build(slope(600, 30), []byte("p"))
	if err != nil {
		f.Fatal(err)
	}
	good, _ := io.ReadAll(r)
	f.Add(good)
	f.Add(good[:40])
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := Open(bytes.NewReader(b))
		if err != nil {
			return
		}
		if p.Width*p.Height < 1<<20 {
			_, _ = p.Region(0, image.Rectangle{Max: p.Size(0)}) // must not fall over
		}
	})
}
