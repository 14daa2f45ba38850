package demo

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"time"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// picture is a schematic photograph: a thing on a grey ground with its number, a scale of 100 mm and
// colour patches. Everything on it is drawn to one scale, so that a length or an area that somebody
// measures on it is true.
type picture struct {
	number string    // as on the label in the picture
	drawn  thing     // what is seen
	taken  time.Time // by the camera's clock
	damage float64   // 0 (none) to 1, how far the damage has grown
	raking bool      // light from the side: creases and cracks stand out

	near        *window // what a detail shows; nil: the whole thing
	turnDegrees float64 // how the thing lies turned under the camera, clockwise; the scale beside it does not
	shift       point   // how far it lies from the middle, in millimetres
}

// window is the part of a thing that a detail shows.
type window struct {
	at       point
	mmAcross float64
}

// mmAcross is the width of what the picture shows, in millimetres.
func (p picture) mmAcross() float64 {
	if p.near != nil {
		return p.near.mmAcross
	}
	return p.drawn.mmAcross
}

// place gives where a point of the thing lies in the picture, in pixels.
func (p picture) place(q point) (x, y float64) {
	pxPerMM := pictureWidth / p.mmAcross()
	if p.near != nil {
		q = point{q.x - p.near.at.x, q.y - p.near.at.y}
	}
	sin, cos := math.Sincos(p.turnDegrees * math.Pi / 180)
	q = point{q.x*cos - q.y*sin + p.shift.x, q.x*sin + q.y*cos + p.shift.y}
	return pictureWidth/2 + q.x*pxPerMM, pictureHeight/2 - 60 + q.y*pxPerMM
}

// patch is the outline of a patch of damage in the picture, in pixels, and its true area in square
// millimetres.
func (p picture) patch(n int) (outline [][2]float64, areaMM2 float64) {
	s := p.drawn.marks[n]
	line := disc(s.at, s.radiusMM*math.Sqrt(p.damage))
	for i, q := range line {
		x, y := p.place(q)
		outline = append(outline, [2]float64{x, y})
		r := line[(i+1)%len(line)]
		areaMM2 += (q.x*r.y - r.x*q.y) / 2
	}
	return outline, math.Abs(areaMM2)
}

// bar is the scale in the picture: its two ends in pixels and its length in millimetres.
func (p picture) bar() (from, to [2]float64, lengthMM float64) {
	pxPerMM := pictureWidth / p.mmAcross()
	lengthMM = scaleMM(pxPerMM)
	return [2]float64{scaleLeft, scaleMiddle}, [2]float64{scaleLeft + lengthMM*pxPerMM, scaleMiddle}, lengthMM
}

// The scale begins here, in pixels.
const (
	scaleLeft   = 420
	scaleMiddle = pictureHeight - 120 + 47
)

// scaleMM is the length of the scale that fits into a picture.
func scaleMM(pxPerMM float64) float64 {
	switch {
	case 100*pxPerMM <= 700:
		return 100
	case 20*pxPerMM <= 700:
		return 20
	default:
		return 5
	}
}

// thing is something that can be drawn.
type thing struct {
	shape    []part
	marks    []spot  // where damage grows
	mmAcross float64 // width of what the picture shows, in millimetres
}

// part is an area of one colour; points are in millimetres from the centre of the picture, y downwards.
type part struct {
	colour color.RGBA
	points []point
	round  bool // the points are joined by a smooth line
}

type point struct{ x, y float64 }

// spot is damage: a round patch that grows with picture.damage up to radiusMM.
type spot struct {
	at       point
	radiusMM float64
	colour   color.RGBA
	crack    bool // lines across it instead of a patch
}

const (
	pictureWidth  = 1600
	pictureHeight = 1200
)

// jpeg draws the picture and wraps it as a camera would, with the time of the exposure.
func (p picture) jpeg() ([]byte, error) {
	img := image.NewRGBA(image.Rect(0, 0, pictureWidth, pictureHeight))
	ground(img)
	pxPerMM, to := pictureWidth/p.mmAcross(), p.place
	for _, s := range p.drawn.shape {
		fill(img, outline(s), to, s.colour)
		shade(img, outline(s), to, p.raking)
	}
	random := rand.New(rand.NewPCG(uint64(len(p.number)), 7)) // #nosec G404 -- a drawing, the same each time
	for _, s := range p.drawn.marks {
		if s.crack {
			cracks(img, s, p.damage, to, random, pxPerMM)
			continue
		}
		fill(img, disc(s.at, s.radiusMM*math.Sqrt(p.damage)), to, s.colour)
	}
	if err := furniture(img, p.number, pxPerMM); err != nil {
		return nil, err
	}
	var body bytes.Buffer
	if err := jpeg.Encode(&body, img, &jpeg.Options{Quality: 88}); err != nil {
		return nil, fmt.Errorf("encode a drawing: %w", err)
	}
	return withEXIF(body.Bytes(), p.taken), nil
}

// ground is a grey cloth, lighter in the middle.
func ground(img *image.RGBA) {
	for y := range pictureHeight {
		row := img.Pix[y*img.Stride:]
		dy := float64(y)/pictureHeight - 0.5
		for x := range pictureWidth {
			dx := float64(x)/pictureWidth - 0.5
			g := uint8(204 - 70*(dx*dx+dy*dy))
			row[4*x], row[4*x+1], row[4*x+2], row[4*x+3] = g, g, g-2, 255
		}
	}
}

func outline(p part) []point {
	if !p.round {
		return p.points
	}
	// Catmull-Rom through the points, closed.
	var line []point
	n := len(p.points)
	for i := range n {
		a, b, c, d := p.points[(i+n-1)%n], p.points[i], p.points[(i+1)%n], p.points[(i+2)%n]
		for step := range 12 {
			t := float64(step) / 12
			line = append(line, point{spline(a.x, b.x, c.x, d.x, t), spline(a.y, b.y, c.y, d.y, t)})
		}
	}
	return line
}

func spline(a, b, c, d, t float64) float64 {
	return 0.5 * (2*b + (c-a)*t + (2*a-5*b+4*c-d)*t*t + (3*b-a-3*c+d)*t*t*t)
}

func disc(at point, radius float64) []point {
	line := make([]point, 48)
	for i := range line {
		turn := 2 * math.Pi * float64(i) / 48
		line[i] = point{at.x + radius*math.Cos(turn), at.y + radius*math.Sin(turn)}
	}
	return line
}

func fill(img *image.RGBA, line []point, to func(point) (float64, float64), c color.RGBA) {
	r, at := raster(line, to)
	r.Draw(img, at, image.NewUniform(c), image.Point{})
}

// raster holds the area within a line, as far as it lies in the picture; at is the part of the picture that it
// covers, which may be empty.
func raster(line []point, to func(point) (float64, float64)) (r *vector.Rasterizer, at image.Rectangle) {
	var seen []point
	for _, q := range line {
		x, y := to(q)
		seen = append(seen, point{x, y})
	}
	seen = clipped(seen)
	left, right, top, bottom := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, q := range seen {
		left, right, top, bottom = math.Min(left, q.x), math.Max(right, q.x), math.Min(top, q.y), math.Max(bottom, q.y)
	}
	if len(seen) < 3 {
		return vector.NewRasterizer(0, 0), image.Rectangle{}
	}
	at = image.Rect(int(math.Floor(left)), int(math.Floor(top)), int(math.Ceil(right))+1, int(math.Ceil(bottom))+1).Intersect(image.Rect(0, 0, pictureWidth, pictureHeight))
	r = vector.NewRasterizer(at.Dx(), at.Dy())
	for i, q := range seen {
		x, y := float32(q.x)-float32(at.Min.X), float32(q.y)-float32(at.Min.Y)
		if i == 0 {
			r.MoveTo(x, y)
		} else {
			r.LineTo(x, y)
		}
	}
	r.ClosePath()
	return r, at
}

// clipped is the part of an area that lies in the picture.
//
// source: Sutherland and Hodgman 1974, Reentrant polygon clipping, Communications of the ACM 17(1)
func clipped(line []point) []point {
	for _, side := range []func(point) float64{
		func(q point) float64 { return q.x }, func(q point) float64 { return pictureWidth - q.x },
		func(q point) float64 { return q.y }, func(q point) float64 { return pictureHeight - q.y },
	} {
		var kept []point
		for i, q := range line {
			before := line[(i+len(line)-1)%len(line)]
			a, b := side(before), side(q)
			if a >= 0 != (b >= 0) {
				kept = append(kept, point{before.x + (q.x-before.x)*a/(a-b), before.y + (q.y-before.y)*a/(a-b)})
			}
			if b >= 0 {
				kept = append(kept, q)
			}
		}
		line = kept
	}
	return line
}

// shade darkens the right edge of an area a little, so that it looks round; raking light does more.
func shade(img *image.RGBA, line []point, to func(point) (float64, float64), raking bool) {
	r, at := raster(line, to)
	mask := image.NewAlpha(at)
	r.Draw(mask, at, image.Opaque, image.Point{})
	seen := at.Intersect(img.Bounds())
	strength := 60.0
	if raking {
		strength = 130
	}
	for y := seen.Min.Y; y < seen.Max.Y; y++ {
		weave := 0.0
		if raking {
			weave = 14 * math.Sin(float64(y)/23)
		}
		for x := seen.Min.X; x < seen.Max.X; x++ {
			if mask.AlphaAt(x, y).A < 128 {
				continue
			}
			dark := strength * (float64(x-at.Min.X)/float64(at.Dx()) - 0.35)
			if raking {
				dark += weave * math.Sin(float64(x)/9)
			}
			dot := img.Pix[y*img.Stride+4*x:]
			dot[0], dot[1], dot[2] = less(dot[0], dark), less(dot[1], dark), less(dot[2], dark)
		}
	}
}

func less(v uint8, by float64) uint8 { return uint8(math.Max(0, math.Min(255, float64(v)-by))) }

// cracks are thin lines across a spot; there are more and longer ones as damage grows.
func cracks(img *image.RGBA, s spot, damage float64, to func(point) (float64, float64), random *rand.Rand, pxPerMM float64) {
	for range int(3 + 12*damage) {
		turn, length := random.Float64()*math.Pi, s.radiusMM*damage*(0.4+0.6*random.Float64())
		from := point{s.at.x + (random.Float64()-0.5)*s.radiusMM*damage, s.at.y + (random.Float64()-0.5)*s.radiusMM*damage}
		end := point{from.x + length*math.Cos(turn), from.y + length*math.Sin(turn)}
		half := 1.1 / pxPerMM
		nx, ny := -math.Sin(turn)*half, math.Cos(turn)*half
		fill(img, []point{{from.x + nx, from.y + ny}, {end.x, end.y}, {from.x - nx, from.y - ny}}, to, s.colour)
	}
}

var inks = []color.RGBA{{245, 245, 240, 255}, {160, 160, 158, 255}, {40, 40, 42, 255}, {150, 42, 50, 255}, {52, 120, 70, 255}, {40, 70, 140, 255}, {220, 190, 60, 255}}

// furniture is what stands in a record photograph beside the thing: number, scale, colour patches.
func furniture(img *image.RGBA, number string, pxPerMM float64) error {
	top := pictureHeight - 120
	draw.Draw(img, image.Rect(0, top, pictureWidth, pictureHeight), image.NewUniform(color.RGBA{238, 238, 234, 255}), image.Point{}, draw.Src)
	unit := scaleMM(pxPerMM)
	words := fmt.Sprintf("%.0f mm", unit)
	black, white := image.NewUniform(color.RGBA{20, 20, 22, 255}), image.NewUniform(color.White)
	x0 := scaleLeft
	draw.Draw(img, image.Rect(x0-2, top+34, x0+int(unit*pxPerMM)+2, top+60), black, image.Point{}, draw.Src)
	for i := range 10 {
		a, b := x0+int(float64(i)*unit/10*pxPerMM), x0+int(float64(i+1)*unit/10*pxPerMM)
		ink := black
		if i%2 == 1 {
			ink = white
		}
		draw.Draw(img, image.Rect(a, top+36, b, top+58), ink, image.Point{}, draw.Src)
	}
	for i, c := range inks {
		draw.Draw(img, image.Rect(1180+i*56, top+30, 1180+i*56+50, top+80), image.NewUniform(c), image.Point{}, draw.Src)
	}
	face, err := textFace()
	if err != nil {
		return err
	}
	d := font.Drawer{Dst: img, Src: black, Face: face}
	d.Dot = fixed.P(40, top+72)
	d.DrawString(number)
	d.Dot = fixed.P(x0, top+100)
	d.DrawString(words)
	return nil
}

func textFace() (font.Face, error) {
	f, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("font of the drawings: %w", err)
	}
	return opentype.NewFace(f, &opentype.FaceOptions{Size: 34, DPI: 72})
}

// withEXIF puts an APP1 segment with the camera's name and time before the picture.
//
// source: CIPA DC-008 (Exif 2.32), sections 4.5 and 4.6: tags Make, Model, ExifIFD, DateTimeOriginal.
func withEXIF(body []byte, taken time.Time) []byte {
	const maker, model = "Drawn\x00", "farthingale demonstration\x00"
	stamp := taken.Format("2006:01:02 15:04:05") + "\x00"
	offset := taken.Format("-07:00") + "\x00"
	le := binary.LittleEndian
	var t bytes.Buffer
	put := func(v any) { _ = binary.Write(&t, le, v) } // a buffer takes everything
	entry := func(tag, kind uint16, count, value uint32) { put(tag); put(kind); put(count); put(value) }
	t.WriteString("II*\x00")
	put(uint32(8))
	makerAt := uint32(8 + 2 + 3*12 + 4)
	modelAt := makerAt + uint32(len(maker))
	exifAt := modelAt + uint32(len(model))
	put(uint16(3))
	entry(0x010F, 2, uint32(len(maker)), makerAt)
	entry(0x0110, 2, uint32(len(model)), modelAt)
	entry(0x8769, 4, 1, exifAt)
	put(uint32(0))
	t.WriteString(maker + model)
	stampAt := exifAt + 2 + 2*12 + 4
	put(uint16(2))
	entry(0x9003, 2, uint32(len(stamp)), stampAt)                     // #nosec G115 -- short texts of this file
	entry(0x9011, 2, uint32(len(offset)), stampAt+uint32(len(stamp))) // #nosec G115 -- short texts of this file
	put(uint32(0))
	t.WriteString(stamp + offset)
	segment := append([]byte("Exif\x00\x00"), t.Bytes()...)
	out := []byte{0xFF, 0xD8, 0xFF, 0xE1, byte((len(segment) + 2) >> 8), byte((len(segment) + 2) & 0xFF)} // #nosec G115 -- two bytes of a short length
	return append(append(out, segment...), body[2:]...)
}
