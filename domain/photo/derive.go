package photo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"

	"github.com/disintegration/imaging"
	"golang.org/x/image/tiff"
)

// The longest sides of the made pictures, in pixels. A smaller original is not enlarged.
const (
	ScreenPX    = 1600
	ThumbnailPX = 320
)

const (
	screenQuality    = 88
	thumbnailQuality = 82
	longestSidePX    = 65_535  // of an original that is drawn; the filter's table grows with it
	decodeMost       = 1 << 30 // bytes that decoding one original may take
)

// JPEGPicture is one made picture: JPEG, 8 bits, upright, no EXIF.
type JPEGPicture struct {
	Bytes             []byte
	WidthPX, HeightPX int
}

// Derived is what Derive makes.
type Derived struct {
	Screen    JPEGPicture
	Thumbnail JPEGPicture
}

// NotDrawn is the error of an original from which no picture can be made. Reason is a sentence for
// the pages; the original stays as it is.
type NotDrawn struct {
	Reason string
	Err    error // nil: known beforehand
}

func (e *NotDrawn) Error() string {
	if e.Err != nil {
		return e.Reason + ": " + e.Err.Error()
	}
	return e.Reason
}

func (e *NotDrawn) Unwrap() error { return e.Err }

// Derive makes the two pictures that the pages show: upright by the EXIF orientation of any kind of
// file, reduced by a Lanczos filter, transparent places white, the original's RGB colour profile
// kept so that a colour-managed screen shows its colours. It decodes one original and holds it in
// memory (3 bytes a pixel for most JPEGs, 4 or 8 for PNG, a band of a TIFF): the caller sees to it
// that not many run at once.
//
// A *NotDrawn says that there can be none; any other error is of r or ctx and worth another try.
func Derive(ctx context.Context, r io.ReaderAt, size int64, limits Limits) (d Derived, err error) {
	known, err := Read(ctx, r, size, limits)
	if err != nil {
		return d, err
	}
	if known.NoPreview != "" {
		return d, &NotDrawn{Reason: known.NoPreview}
	}
	defer func() {
		// The decoders are not ours; one that falls over must not take the program with it.
		if p := recover(); p != nil {
			d, err = Derived{}, notDecoded(fmt.Errorf("decoder fell over: %v", p))
		}
	}()
	in := &watched{ctx: ctx, r: r, size: size}
	box := fit(known.WidthPX, known.HeightPX, ScreenPX)
	if known.Orientation > 4 {
		box.X, box.Y = box.Y, box.X
	}
	small, err := reduced(in, known.MediaType, box)
	if err != nil {
		if in.err != nil {
			return d, in.err
		}
		return d, notDecoded(err)
	}
	screen := onWhite(upright(small, known.Orientation))
	profile := rgbProfile(in, known.MediaType)
	if d.Screen, err = encode(screen, screenQuality, profile); err != nil {
		return Derived{}, err
	}
	box = fit(screen.Rect.Dx(), screen.Rect.Dy(), ThumbnailPX)
	thumbnail := onWhite(imaging.Resize(screen, box.X, box.Y, imaging.Lanczos))
	if len(profile) > 8<<10 {
		profile = nil // a profile larger than the thumbnail helps nobody
	}
	if d.Thumbnail, err = encode(thumbnail, thumbnailQuality, profile); err != nil {
		return Derived{}, err
	}
	return d, nil
}

func notDecoded(err error) *NotDrawn {
	return &NotDrawn{
		Reason: "No picture for the pages can be made: the file is damaged inside, or of a rare kind. The original is kept as it came; compare it with the one on the card.",
		Err:    err,
	}
}

// fit is the size of a width × height picture inside a square of most pixels, never enlarged.
func fit(width, height, most int) image.Point {
	longest := max(width, height)
	if longest <= most {
		return image.Pt(width, height)
	}
	side := func(n int) int { return max(1, int(float64(n)*float64(most)/float64(longest)+0.5)) }
	return image.Pt(side(width), side(height))
}

// reduced decodes the picture and reduces it to the size given, not yet upright.
func reduced(in *watched, kind Kind, to image.Point) (image.Image, error) {
	var whole image.Image
	var err error
	switch kind {
	case TIFF:
		return reducedTIFF(in, to, bandBytes)
	case PNG:
		whole, err = png.Decode(in.section())
	case JPEG:
		whole, err = jpeg.Decode(in.section())
	}
	if err != nil {
		return nil, err
	}
	return imaging.Resize(whole, to.X, to.Y, imaging.Lanczos), nil
}

// upright turns a picture as its EXIF orientation says.
// source: CIPA DC-008-2019 (EXIF 2.32), 4.6.4 A, Orientation
func upright(m image.Image, orientation int) image.Image {
	switch orientation {
	case 2:
		return imaging.FlipH(m)
	case 3:
		return imaging.Rotate180(m)
	case 4:
		return imaging.FlipV(m)
	case 5:
		return imaging.Transpose(m)
	case 6:
		return imaging.Rotate270(m) // it counts against the clock
	case 7:
		return imaging.Transverse(m)
	case 8:
		return imaging.Rotate90(m)
	}
	return m
}

func onWhite(m image.Image) *image.RGBA {
	white := image.NewRGBA(image.Rect(0, 0, m.Bounds().Dx(), m.Bounds().Dy()))
	draw.Draw(white, white.Rect, image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.Draw(white, white.Rect, m, m.Bounds().Min, draw.Over)
	return white
}

func encode(m *image.RGBA, quality int, profile []byte) (JPEGPicture, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		return JPEGPicture{}, fmt.Errorf("encode picture for the pages: %w", err)
	}
	return JPEGPicture{Bytes: withProfile(b.Bytes(), profile), WidthPX: m.Rect.Dx(), HeightPX: m.Rect.Dy()}, nil
}

// watched reads the original for a decoder. It keeps the errors of the storage apart from those of
// the file, and stops when nobody wants the answer any more.
type watched struct {
	ctx  context.Context
	r    io.ReaderAt
	size int64
	err  error
}

func (w *watched) ReadAt(p []byte, off int64) (int, error) {
	if err := w.ctx.Err(); err != nil {
		w.err = err
		return 0, err
	}
	n, err := w.r.ReadAt(p, off)
	if err != nil && !errors.Is(err, io.EOF) {
		w.err = fmt.Errorf("read original: %w", err)
	}
	return n, err
}

func (w *watched) section() *io.SectionReader { return io.NewSectionReader(w, 0, w.size) }

// bandBytes is how much of a TIFF is decoded at once, at 8 bytes a pixel.
const bandBytes = 16 << 20

// reducedTIFF decodes a TIFF in bands of at most most bytes, so that a master of 16 bits takes no more memory than a
// JPEG. The filter is applied along the rows of each band and then along the columns of what is left,
// which is what it does with a whole picture too.
func reducedTIFF(in *watched, to image.Point, most int64) (image.Image, error) {
	var narrow *image.NRGBA
	err := bands(in, most, func(band image.Image, row int, whole image.Point) {
		if narrow == nil {
			narrow = image.NewNRGBA(image.Rect(0, 0, to.X, whole.Y))
		}
		part := imaging.Resize(band, to.X, band.Bounds().Dy(), imaging.Lanczos)
		draw.Draw(narrow, part.Bounds().Add(image.Pt(0, row)), part, image.Point{}, draw.Src)
	})
	if err != nil {
		return nil, err
	}
	return imaging.Resize(narrow, to.X, to.Y, imaging.Lanczos), nil
}

// bands decodes a TIFF piece by piece, from top to bottom. Each band is given to the decoder as a TIFF
// of its own: the same file, with a directory that lists only the band's strips.
func bands(in *watched, most int64, see func(band image.Image, row int, whole image.Point)) error {
	t, first, err := openTIFF(&file{ctx: in.ctx, r: in, size: in.size, limits: Limits{Pixels: 1 << 40}})
	if err != nil {
		return err
	}
	d, _, err := t.directory(first)
	if err != nil {
		return err
	}
	s, err := t.shape(d)
	if err != nil {
		return err
	}
	for row := int64(0); row < s.height; {
		band, rows, err := t.band(d, s, row, most)
		if err != nil {
			return err
		}
		m, err := tiff.Decode(band)
		if err != nil {
			return err
		}
		see(m, int(row), image.Pt(int(s.width), int(s.height)))
		row += rows
	}
	return nil
}
