package document

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
)

const (
	mostPixels = 20_000_000
	kindJPEG   = "jpg"
	kindPNG    = "png"
)

// plate is a picture made ready to be embedded.
type plate struct {
	key    string // equal pictures have equal keys and are embedded once
	kind   string
	bytes  []byte
	width  int // pixels
	height int
}

// plates are the pictures of one document.
type plates struct {
	byKey map[string]*plate
	order []*plate // as they are met in the document
}

// add makes p ready, or says why it cannot be shown.
func (ps *plates) add(p Picture) (*plate, error) {
	sum := sha256.Sum256(p.Bytes)
	key := hex.EncodeToString(sum[:])
	if pl, known := ps.byKey[key]; known {
		if pl == nil {
			return nil, errors.New("picture cannot be read")
		}
		return pl, nil
	}
	if ps.byKey == nil {
		ps.byKey = map[string]*plate{}
	}
	pl, err := ready(p.Bytes)
	if err != nil {
		ps.byKey[key] = nil
		return nil, err
	}
	pl.key = key
	ps.byKey[key] = pl
	ps.order = append(ps.order, pl)
	return pl, nil
}

// ready passes a baseline or progressive JPEG in grey or colour, and a plain PNG, as they are.
// Others (16 bit, interlaced, see-through, four inks) are redrawn, because PDF readers or the PDF
// writer would refuse them or show them in wrong colours.
func ready(b []byte) (*plate, error) {
	conf, kind, err := image.DecodeConfig(bytes.NewReader(b))
	if err != nil {
		return nil, fmt.Errorf("read the picture's head: %w", err)
	}
	if conf.Width < 1 || conf.Height < 1 || conf.Width > mostPixels/conf.Height {
		return nil, fmt.Errorf("picture of %d by %d pixels is too large", conf.Width, conf.Height)
	}
	pl := &plate{bytes: b, width: conf.Width, height: conf.Height}
	switch kind {
	case "jpeg":
		pl.kind = kindJPEG
		if tail := b[max(0, len(b)-4096):]; bytes.LastIndex(tail, []byte{0xFF, 0xD9}) < 0 {
			return nil, errors.New("the JPEG is cut off")
		}
		if conf.ColorModel == color.YCbCrModel || conf.ColorModel == color.GrayModel {
			return pl, nil
		}
		img, err := jpeg.Decode(bytes.NewReader(b))
		if err != nil {
			return nil, fmt.Errorf("read the JPEG: %w", err)
		}
		var out bytes.Buffer
		if err := jpeg.Encode(&out, img, &jpeg.Options{Quality: 90}); err != nil {
			return nil, fmt.Errorf("redraw the JPEG: %w", err)
		}
		pl.bytes = out.Bytes()
	case "png":
		pl.kind = kindPNG
		img, err := png.Decode(bytes.NewReader(b))
		if err != nil {
			return nil, fmt.Errorf("read the PNG: %w", err)
		}
		if plainPNG(b) {
			return pl, nil
		}
		onWhite := image.NewRGBA(img.Bounds())
		draw.Draw(onWhite, onWhite.Rect, image.White, image.Point{}, draw.Src)
		draw.Draw(onWhite, onWhite.Rect, img, img.Bounds().Min, draw.Over)
		var out bytes.Buffer
		if err := png.Encode(&out, onWhite); err != nil { // opaque: written as 8 bit RGB
			return nil, fmt.Errorf("redraw the PNG: %w", err)
		}
		pl.bytes = out.Bytes()
	default:
		return nil, fmt.Errorf("a picture of kind %s is neither JPEG nor PNG", kind)
	}
	return pl, nil
}

// plainPNG says whether the PNG has at most 8 bits a channel, no interlace and no transparency.
func plainPNG(b []byte) bool {
	const ihdr = 8 + 8 // signature, then length and name of the first chunk
	depth, colour, interlace := b[ihdr+8], b[ihdr+9], b[ihdr+12]
	return depth <= 8 && interlace == 0 && (colour == 0 || colour == 2 || colour == 3) &&
		!bytes.Contains(b, []byte("tRNS"))
}

// fit is the size of the picture, in the unit of the limits, that fills the limits without
// distortion. A picture is never drawn at less than 100 pixels an inch only to fill the space.
func (pl *plate) fit(width, height float64) (float64, float64) {
	const ppi = 100.0
	scale := min(width/float64(pl.width), height/float64(pl.height), 72/ppi)
	return max(float64(pl.width)*scale, 0.5), max(float64(pl.height)*scale, 0.5)
}
