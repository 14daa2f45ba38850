package iiif

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"farthingale/domain"
)

// AreaMost is the most pixels of one answer. It bounds the memory that an answer takes; the original
// is there for whoever wants every pixel at once, and tiles give every pixel piece by piece.
const AreaMost = 1 << 23

// Plan is what a request asks for, in the order in which it is done: cut, resize, mirror, turn, drain
// of colour, encode. Sizes are in whole pixels.
type Plan struct {
	X, Y, RegionWidth, RegionHeight int // cut out of the upright original
	Width, Height                   int // resized to
	Mirror                          bool
	Turn                            int // clockwise: 0, 90, 180 or 270 degrees
	Gray                            bool
	Quality                         string // "default", "color" or "gray"
	Format                          string // "jpg" or "png"

	whole bool // the region is the whole picture
}

// bad is a request that cannot be read or answered.
// source: Image API 3.0, 7: 400 for parameters that cannot be parsed or have impossible values
func bad(message string, args ...any) error {
	return &domain.Error{Kind: domain.KindUnparseable, Code: "iiif", Message: fmt.Sprintf(message, args...)}
}

// Read reads the four parts of an image request, for a picture of this size. file is the last part:
// "default.jpg".
func Read(region, size, rotation, file string, width, height int) (Plan, error) {
	var p Plan
	if err := p.readRegion(region, width, height); err != nil {
		return p, err
	}
	if err := p.readSize(size); err != nil {
		return p, err
	}
	if err := p.readRotation(rotation); err != nil {
		return p, err
	}
	quality, format, ok := strings.Cut(file, ".")
	switch {
	case !ok || quality != "default" && quality != "color" && quality != "gray":
		return p, bad("The quality is default, color or gray, and the format follows behind a point: default.jpg.")
	case format != "jpg" && format != "png":
		return p, bad("The format is jpg or png.")
	}
	p.Quality, p.Format, p.Gray = quality, format, quality == "gray"
	return p, nil
}

// readRegion reads full, square, x,y,w,h or pct:x,y,w,h.
// source: Image API 3.0, 4.1
func (p *Plan) readRegion(text string, width, height int) error {
	switch {
	case text == "full":
		p.RegionWidth, p.RegionHeight = width, height
	case text == "square":
		side := min(width, height)
		p.X, p.Y, p.RegionWidth, p.RegionHeight = (width-side)/2, (height-side)/2, side, side
	default:
		n, err := p.regionNumbers(text, width, height)
		if err != nil {
			return err
		}
		if n[2] == 0 || n[3] == 0 || n[0] >= width || n[1] >= height {
			return bad("This region is empty or outside of the picture, which is %d × %d pixels.", width, height)
		}
		p.X, p.Y = n[0], n[1]
		p.RegionWidth, p.RegionHeight = min(n[2], width-n[0]), min(n[3], height-n[1])
	}
	p.whole = p.RegionWidth == width && p.RegionHeight == height
	return nil
}

func (p *Plan) regionNumbers(text string, width, height int) ([4]int, error) {
	var n [4]int
	share, percent := strings.CutPrefix(text, "pct:")
	words := strings.Split(share, ",")
	if len(words) != 4 {
		return n, bad("A region is full, square, x,y,w,h or pct:x,y,w,h.")
	}
	for i, w := range words {
		if !percent {
			v, err := whole(w)
			if err != nil {
				return n, bad("A region in pixels is four whole numbers: x,y,w,h.")
			}
			n[i] = v
			continue
		}
		v, err := fraction(w)
		if err != nil {
			return n, bad("A region in per cent is four numbers: pct:x,y,w,h.")
		}
		n[i] = int(math.Round(min(v, 1000) / 100 * float64([4]int{width, height, width, height}[i])))
	}
	return n, nil
}

// whole reads a whole number that is not negative. What is far outside of every picture is as far.
func whole(text string) (int, error) {
	if text == "" || strings.Trim(text, "0123456789") != "" {
		return 0, strconv.ErrSyntax
	}
	n, err := strconv.Atoi(text)
	if err != nil || n > math.MaxInt32 {
		n = math.MaxInt32
	}
	return n, nil
}

// fraction reads a decimal number that is not negative.
func fraction(text string) (float64, error) {
	if text == "" || strings.Trim(text, "0123456789.") != "" {
		return 0, strconv.ErrSyntax
	}
	return strconv.ParseFloat(text, 64)
}

// readSize reads max, w,  ,h  pct:n  w,h  !w,h, each also with ^ for a picture that may be enlarged.
// source: Image API 3.0, 4.2
func (p *Plan) readSize(text string) error {
	rest, enlarge := strings.CutPrefix(text, "^")
	w, h := float64(p.RegionWidth), float64(p.RegionHeight)
	switch {
	case rest == "max":
		if f := math.Sqrt(AreaMost / (w * h)); enlarge || f < 1 {
			w, h = math.Floor(w*f), math.Floor(h*f)
		}
	case strings.HasPrefix(rest, "pct:"):
		n, err := fraction(rest[len("pct:"):])
		if err != nil || !enlarge && n > 100 {
			return bad("A size in per cent is more than 0 and at most 100; write ^pct: to enlarge.")
		}
		w, h = math.Round(w*n/100), math.Round(h*n/100)
		if w < 1 || h < 1 {
			return bad("A picture of this size would have no pixels.")
		}
	default:
		var err error
		if w, h, err = p.sizeNumbers(rest, enlarge); err != nil {
			return err
		}
		if !enlarge && (w > float64(p.RegionWidth) || h > float64(p.RegionHeight)) {
			return bad("This would enlarge the region, which is %d × %d pixels; write ^ before the size to enlarge.", p.RegionWidth, p.RegionHeight)
		}
	}
	w, h = max(1, w), max(1, h)
	if w*h > AreaMost {
		return bad("An answer has at most %d pixels (maxArea); ask for tiles, or take the original.", AreaMost)
	}
	p.Width, p.Height = int(w), int(h)
	return nil
}

func (p *Plan) sizeNumbers(text string, enlarge bool) (w, h float64, err error) {
	forms := bad("A size is max, w,  or ,h or w,h or !w,h or pct:n.")
	text, within := strings.CutPrefix(text, "!")
	across, down, ok := strings.Cut(text, ",")
	if !ok || across == "" && down == "" || within && (across == "" || down == "") {
		return 0, 0, forms
	}
	var n [2]int
	for i, word := range []string{across, down} {
		if word == "" {
			continue
		}
		if n[i], err = whole(word); err != nil {
			return 0, 0, forms
		}
		if n[i] == 0 {
			return 0, 0, bad("A picture of this size would have no pixels.")
		}
	}
	w, h = float64(n[0]), float64(n[1])
	rw, rh := float64(p.RegionWidth), float64(p.RegionHeight)
	switch {
	case within:
		f := min(w/rw, h/rh)
		if !enlarge {
			f = min(f, 1)
		}
		if bound := math.Sqrt(AreaMost / (rw * rh)); bound < f { // as large as possible within the server's bound too
			return math.Floor(rw * bound), math.Floor(rh * bound), nil
		}
		return math.Round(rw * f), math.Round(rh * f), nil
	case down == "":
		return w, math.Round(rh * w / rw), nil
	case across == "":
		return math.Round(rw * h / rh), h, nil
	}
	return w, h, nil
}

// readRotation reads n or !n, by quarters.
// source: Image API 3.0, 4.3
func (p *Plan) readRotation(text string) error {
	text, p.Mirror = strings.CutPrefix(text, "!")
	n, err := fraction(text)
	if err != nil || n > 360 {
		return bad("A rotation is a number from 0 to 360, with ! before it to mirror first.")
	}
	if n != 0 && n != 90 && n != 180 && n != 270 && n != 360 {
		return bad("A picture is turned by 0, 90, 180 or 270 degrees only.")
	}
	p.Turn = int(n) % 360
	return nil
}

// Canonical is the one address of what is asked for, behind the base of the picture.
// source: Image API 3.0, 4.7
func (p Plan) Canonical() string {
	region := fmt.Sprintf("%d,%d,%d,%d", p.X, p.Y, p.RegionWidth, p.RegionHeight)
	if p.whole {
		region = "full"
	}
	size := fmt.Sprintf("%d,%d", p.Width, p.Height)
	switch {
	case p.Width > p.RegionWidth || p.Height > p.RegionHeight:
		size = "^" + size
	case p.isMax():
		size = "max"
	}
	rotation := strconv.Itoa(p.Turn)
	if p.Mirror {
		rotation = "!" + rotation
	}
	quality := p.Quality
	if quality == "color" {
		quality = "default"
	}
	return "/" + region + "/" + size + "/" + rotation + "/" + quality + "." + p.Format
}

// isMax says whether the size is what max would give.
func (p Plan) isMax() bool {
	q := Plan{RegionWidth: p.RegionWidth, RegionHeight: p.RegionHeight}
	return q.readSize("max") == nil && q.Width == p.Width && q.Height == p.Height
}

// Reduced is by how much the region is reduced, at least 1: the smaller of both directions, so that no
// detail is lost.
func (p Plan) Reduced() float64 {
	return max(1, min(float64(p.RegionWidth)/float64(p.Width), float64(p.RegionHeight)/float64(p.Height)))
}

// AsIs says whether the resized region is the answer: not mirrored, turned or drained of colour.
func (p Plan) AsIs() bool { return !p.Mirror && p.Turn == 0 && !p.Gray && p.Format == "jpg" }
