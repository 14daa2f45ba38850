// Package pyramid keeps a photograph as tiles of several sizes, so that a part of it can be shown at
// any zoom without decoding the whole: a pile of levels, each half as wide and high as the one below,
// each cut into square JPEG tiles. It is made once from the original and can be made again at any
// time, so nothing depends on its form.
//
// photo makes and keeps pyramids; everything here is pure computation.
package pyramid

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"io"
)

// TilePX is the side of a tile. Tiles at the right and lower edge are smaller.
const TilePX = 512

// quality of the tiles: that of the picture for a screen.
const quality = 88

// MediaType is what a kept pyramid is.
const MediaType = "application/octet-stream"

// A kept pyramid is: mark, width, height, number of tiles, length of the profile, where each tile ends
// behind the head (8 bytes each, from the largest level to the smallest, row by row), the colour
// profile, the tiles.
const (
	mark     = "tiles 1\n"
	headSize = int64(len(mark) + 4*4)
	tileMost = 16 << 20 // bytes of one tile
	sideMost = 1 << 20
)

// Levels are the sizes of the levels of a picture, the largest first. Each side is half of the one
// below, rounded up; the last fits into one tile.
func Levels(width, height int) []image.Point {
	levels := []image.Point{{X: width, Y: height}}
	for width > TilePX || height > TilePX {
		width, height = (width+1)/2, (height+1)/2
		levels = append(levels, image.Point{X: width, Y: height})
	}
	return levels
}

// grid is how many tiles a level has across and down.
func grid(level image.Point) image.Point {
	return image.Pt((level.X+TilePX-1)/TilePX, (level.Y+TilePX-1)/TilePX)
}

// Build makes the pyramid of an upright picture. profile, which may be nil, is its RGB colour profile.
func Build(m image.Image, profile []byte) (io.Reader, int64, error) {
	size := m.Bounds().Size()
	var tiles [][]byte
	for i, level := range Levels(size.X, size.Y) {
		if i > 0 {
			m = Halved(m)
		}
		n := grid(level)
		for y := range n.Y {
			for x := range n.X {
				var b bytes.Buffer
				at := image.Rect(x*TilePX, y*TilePX, min((x+1)*TilePX, level.X), min((y+1)*TilePX, level.Y))
				if err := jpeg.Encode(&b, Cropped(m, at), &jpeg.Options{Quality: quality}); err != nil {
					return nil, 0, fmt.Errorf("encode tile: %w", err)
				}
				tiles = append(tiles, b.Bytes())
			}
		}
	}
	head := []byte(mark)
	for _, n := range []int{size.X, size.Y, len(tiles), len(profile)} {
		head = binary.BigEndian.AppendUint32(head, uint32(n)) // #nosec G115 -- sizes of a picture that the limits bound
	}
	end := uint64(0)
	all := make([]io.Reader, 0, len(tiles)+2)
	for _, t := range tiles {
		end += uint64(len(t))
		head = binary.BigEndian.AppendUint64(head, end)
		all = append(all, bytes.NewReader(t))
	}
	head = append(head, profile...)
	return io.MultiReader(append([]io.Reader{bytes.NewReader(head)}, all...)...), int64(len(head)) + int64(end), nil // #nosec G115 -- bytes in memory
}

// Pyramid is a kept pyramid, open for reading.
type Pyramid struct {
	Width, Height int
	Profile       []byte // nil: none

	r      io.ReaderAt
	levels []image.Point
	ends   []int64
	first  int64 // where the first tile begins
}

// errDamaged is the fault of bytes that are no pyramid. It is made anew then.
var errDamaged = errors.New("this is no pyramid of tiles")

// Open reads the head of a kept pyramid.
func Open(r io.ReaderAt) (*Pyramid, error) {
	head := make([]byte, headSize)
	if n, err := r.ReadAt(head, 0); int64(n) < headSize {
		return nil, fmt.Errorf("read pyramid: %w", err)
	}
	number := func(i int) int { return int(binary.BigEndian.Uint32(head[len(mark)+4*i:])) }
	p := &Pyramid{Width: number(0), Height: number(1), r: r}
	count, profile := number(2), number(3)
	if string(head[:len(mark)]) != mark || p.Width < 1 || p.Height < 1 || p.Width > sideMost || p.Height > sideMost || profile > 1<<20 {
		return nil, errDamaged
	}
	p.levels = Levels(p.Width, p.Height)
	want := 0
	for _, l := range p.levels {
		n := grid(l)
		want += n.X * n.Y
	}
	if count != want || count > 1<<20 {
		return nil, errDamaged
	}
	rest := make([]byte, 8*count+profile)
	if n, err := r.ReadAt(rest, headSize); n < len(rest) {
		return nil, fmt.Errorf("read pyramid: %w", err)
	}
	last := int64(0)
	for i := range count {
		end := int64(binary.BigEndian.Uint64(rest[8*i:])) // #nosec G115 -- checked below
		if end < last || end-last > tileMost {
			return nil, errDamaged
		}
		p.ends, last = append(p.ends, end), end
	}
	if profile > 0 {
		p.Profile = rest[8*count:]
	}
	p.first = headSize + int64(len(rest))
	return p, nil
}

// LevelOf is the smallest level that still has at least the detail of a picture reduced by a factor
// (of 1 or more), and how many times smaller than the original it is.
func (p *Pyramid) LevelOf(reduced float64) (level, factor int) {
	factor = 1
	for level+1 < len(p.levels) && float64(2*factor) <= reduced {
		level, factor = level+1, 2*factor
	}
	return level, factor
}

// Size is the size of a level.
func (p *Pyramid) Size(level int) image.Point { return p.levels[level] }

// Tile is the JPEG of one tile of a level, without colour profile.
func (p *Pyramid) Tile(level, x, y int) ([]byte, error) {
	at := 0
	for _, l := range p.levels[:level] {
		n := grid(l)
		at += n.X * n.Y
	}
	at += y*grid(p.levels[level]).X + x
	start := int64(0)
	if at > 0 {
		start = p.ends[at-1]
	}
	b := make([]byte, p.ends[at]-start)
	if n, err := p.r.ReadAt(b, p.first+start); n < len(b) {
		return nil, fmt.Errorf("read tile: %w", err)
	}
	return b, nil
}

// Region puts together a part of a level.
func (p *Pyramid) Region(level int, part image.Rectangle) (image.Image, error) {
	part = part.Intersect(image.Rectangle{Max: p.levels[level]})
	whole := image.NewRGBA(image.Rect(0, 0, part.Dx(), part.Dy()))
	for y := part.Min.Y / TilePX; y*TilePX < part.Max.Y; y++ {
		for x := part.Min.X / TilePX; x*TilePX < part.Max.X; x++ {
			b, err := p.Tile(level, x, y)
			if err != nil {
				return nil, err
			}
			tile, err := jpeg.Decode(bytes.NewReader(b))
			if err != nil {
				return nil, fmt.Errorf("decode tile: %w", err)
			}
			at := image.Pt(x*TilePX, y*TilePX).Sub(part.Min)
			draw.Draw(whole, tile.Bounds().Add(at), tile, image.Point{}, draw.Src)
		}
	}
	return whole, nil
}

// Plain gives a picture in one of the forms that Halved and Cropped work on without loss of a JPEG's
// own form: YCbCr, grey, or RGBA on white.
func Plain(m image.Image) image.Image {
	switch plain := m.(type) {
	case *image.YCbCr, *image.Gray:
		return m
	case *image.RGBA:
		if plain.Opaque() {
			return m
		}
	}
	white := image.NewRGBA(image.Rect(0, 0, m.Bounds().Dx(), m.Bounds().Dy()))
	draw.Draw(white, white.Rect, image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.Draw(white, white.Rect, m, m.Bounds().Min, draw.Over)
	return white
}

// Cropped is a part of a picture; it copies no pixels of a plain one.
func Cropped(m image.Image, part image.Rectangle) image.Image {
	part = part.Add(m.Bounds().Min).Intersect(m.Bounds())
	switch m := m.(type) {
	case *image.YCbCr:
		return m.SubImage(part)
	case *image.Gray:
		return m.SubImage(part)
	case *image.RGBA:
		return m.SubImage(part)
	}
	return Plain(m).(interface {
		SubImage(image.Rectangle) image.Image
	}).SubImage(part)
}

// Halved is a picture of half the width and height, rounded up: each pixel the mean of four.
func Halved(m image.Image) image.Image {
	size := m.Bounds().Size()
	half := image.Rect(0, 0, (size.X+1)/2, (size.Y+1)/2)
	switch m := m.(type) {
	case *image.YCbCr:
		to := image.NewYCbCr(half, m.SubsampleRatio)
		halve(to.Y, to.YStride, half.Max, m.Y[m.YOffset(m.Rect.Min.X, m.Rect.Min.Y):], m.YStride, size, 1)
		from, n := chroma(m), chroma(to)
		start := m.COffset(m.Rect.Min.X, m.Rect.Min.Y)
		halve(to.Cb, to.CStride, n, m.Cb[start:], m.CStride, from, 1)
		halve(to.Cr, to.CStride, n, m.Cr[start:], m.CStride, from, 1)
		return to
	case *image.Gray:
		to := image.NewGray(half)
		halve(to.Pix, to.Stride, half.Max, m.Pix[m.PixOffset(m.Rect.Min.X, m.Rect.Min.Y):], m.Stride, size, 1)
		return to
	case *image.RGBA:
		to := image.NewRGBA(half)
		halve(to.Pix, to.Stride, half.Max, m.Pix[m.PixOffset(m.Rect.Min.X, m.Rect.Min.Y):], m.Stride, size, 4)
		return to
	}
	return Halved(Plain(m))
}

// chroma is how many samples of colour a picture has across and down.
func chroma(m *image.YCbCr) image.Point {
	if m.Rect.Empty() {
		return image.Point{}
	}
	last := m.COffset(m.Rect.Max.X-1, m.Rect.Max.Y-1) - m.COffset(m.Rect.Min.X, m.Rect.Min.Y)
	across := m.COffset(m.Rect.Max.X-1, m.Rect.Min.Y) - m.COffset(m.Rect.Min.X, m.Rect.Min.Y)
	return image.Pt(across+1, (last-across)/m.CStride+1)
}

// halve means four samples into one, of as many channels as lie side by side. At an odd edge the last
// column or row counts twice.
func halve(to []byte, toStride int, half image.Point, from []byte, fromStride int, size image.Point, channels int) {
	for y := range half.Y {
		upper := from[min(2*y, size.Y-1)*fromStride:]
		lower := from[min(2*y+1, size.Y-1)*fromStride:]
		row := to[y*toStride : y*toStride+half.X*channels]
		whole := min(size.X/2, half.X) // pairs that are there whole
		if channels == 1 {
			upper, lower := upper[:2*whole], lower[:2*whole]
			for x := range whole {
				row[x] = byte((uint(upper[2*x]) + uint(upper[2*x+1]) + uint(lower[2*x]) + uint(lower[2*x+1]) + 2) / 4) // #nosec G115 -- a mean of bytes
			}
		} else {
			for x := range whole {
				for c := range channels {
					i, j := 2*x*channels+c, (2*x+1)*channels+c
					row[x*channels+c] = byte((uint(upper[i]) + uint(upper[j]) + uint(lower[i]) + uint(lower[j]) + 2) / 4) // #nosec G115 -- a mean of bytes
				}
			}
		}
		for x := whole; x < half.X; x++ {
			for c := range channels {
				i := (size.X-1)*channels + c
				row[x*channels+c] = byte((uint(upper[i]) + uint(lower[i]) + 1) / 2) // #nosec G115 -- a mean of bytes
			}
		}
	}
}
