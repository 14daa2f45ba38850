package document

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	_ "image/png" // a photograph may be one
	"math"
	"slices"
	"strconv"
	"sync"

	"github.com/go-fonts/liberation/liberationsansbold"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// Map is a photograph on which marks are drawn, each with a hatching and a number, and the legend that
// says what they mean: a condition map. Black lines with a white rim can be told on any photograph, and
// on a black and white print.
type Map struct {
	Picture       Picture // as shown: a JPEG or PNG
	Caption       string
	Width, Height float64 // pixels in which the marks are drawn, those of the upright original
	Marks         []MapMark
	Legend        []MapLine
}

// MapMark is one mark. A closed one of three or more points is hatched.
type MapMark struct {
	Number int // of its line in the legend
	Closed bool
	Points [][2]float64
	Hatch  Hatch
}

// MapLine is one line of the legend.
type MapLine struct {
	Number                       int
	Hatch                        Hatch
	Term, Extent, Severity, Note string
}

// Hatch is one of the Hatches; others are taken round again.
type Hatch int

// hatching is lines under angles, in degrees above the horizontal, a distance apart that is given in
// parts of the usual one. Dots are lines cut into pieces.
type hatching struct {
	name   string
	angles []float64
	apart  float64
	dashed bool
}

// hatchings are as different as lines can be. Tests of a legend in SVG hold it against these names.
var hatchings = []hatching{
	{"rising lines", []float64{45}, 1, false},
	{"falling lines", []float64{-45}, 1, false},
	{"level lines", []float64{0}, 1, false},
	{"upright lines", []float64{90}, 1, false},
	{"crossed slanting lines", []float64{45, -45}, 1.4, false},
	{"squares", []float64{0, 90}, 1.4, false},
	{"rising dashes", []float64{45}, 1, true},
	{"level dashes", []float64{0}, 1, true},
}

// Hatches is how many hatchings there are.
const Hatches = 8

func (h Hatch) hatching() hatching {
	return hatchings[((int(h)%len(hatchings))+len(hatchings))%len(hatchings)]
}

// Name says what the hatching looks like.
func (h Hatch) Name() string { return h.hatching().name }

// Blocks are the photograph with its marks, and the legend as a table. A picture that cannot be read
// shows as its description; the legend stands all the same.
func (m Map) Blocks() ([]Block, error) {
	picture := m.Picture
	drawn, err := m.draw()
	if err == nil {
		picture.Bytes = drawn
	} else if _, _, known := image.DecodeConfig(bytes.NewReader(picture.Bytes)); known == nil {
		return nil, fmt.Errorf("draw condition map: %w", err)
	}
	table := Table{Columns: []Column{{Title: "No.", WidthShare: 0.5, Align: Right}, {Title: "Hatching", WidthShare: 1.1}, {Title: "What", WidthShare: 2}, {Title: "Extent", WidthShare: 2}, {Title: "Severity", WidthShare: 1.4}, {Title: "Note", WidthShare: 2.2}}}
	swatches := map[string]*Picture{}
	for _, l := range m.Legend {
		name := l.Hatch.Name()
		if swatches[name] == nil {
			b, err := swatch(l.Hatch)
			if err != nil {
				return nil, err
			}
			swatches[name] = &Picture{Bytes: b, Alt: name}
		}
		table.Rows = append(table.Rows, []Cell{TextCell(strconv.Itoa(l.Number)), {Picture: swatches[name], Paragraphs: []Paragraph{Text(name)}}, TextCell(l.Term), TextCell(l.Extent), TextCell(l.Severity), TextCell(l.Note)})
	}
	blocks := []Block{Figure{Picture: picture, Caption: m.Caption}}
	if len(table.Rows) > 0 {
		blocks = append(blocks, table)
	}
	return blocks, nil
}

// The sides of a map as it is printed, in pixels: about 240 to the inch over the width of a page.
const (
	mapMost  = 1600
	mapLeast = 900 // a smaller photograph is enlarged, so that lines and numbers are as thin as on others
)

var (
	mapInk = color.RGBA{0, 0, 0, 255}
	mapRim = color.RGBA{255, 255, 255, 255}
)

// draw draws the marks into the picture.
func (m Map) draw() ([]byte, error) {
	conf, _, err := image.DecodeConfig(bytes.NewReader(m.Picture.Bytes))
	if err != nil {
		return nil, err
	}
	if conf.Width > mostPixels/max(1, conf.Height) {
		return nil, fmt.Errorf("picture of %d by %d pixels is too large", conf.Width, conf.Height)
	}
	photo, _, err := image.Decode(bytes.NewReader(m.Picture.Bytes))
	if err != nil {
		return nil, err
	}
	size := photo.Bounds().Size()
	scale := 1.0
	if longest := max(size.X, size.Y); longest > mapMost {
		scale = mapMost / float64(longest)
	} else if longest < mapLeast {
		scale = mapLeast / float64(longest)
	}
	s := newSheetOf(resized(photo, max(1, int(float64(size.X)*scale+0.5)), max(1, int(float64(size.Y)*scale+0.5))))
	across, down := float64(s.to.Rect.Dx())/m.Width, float64(s.to.Rect.Dy())/m.Height
	if !(m.Width > 0 && m.Height > 0) {
		across, down = 1, 1
	}
	var labels []label
	for _, k := range m.Marks {
		points := make([][2]float64, len(k.Points))
		for i, p := range k.Points {
			// A mark lies on its picture; what does not must not be drawn for ever.
			points[i] = [2]float64{min(max(p[0]*across, 0), float64(s.to.Rect.Dx())), min(max(p[1]*down, 0), float64(s.to.Rect.Dy()))}
		}
		s.mark(points, k.Closed, k.Hatch.hatching())
		if len(points) > 0 {
			labels = append(labels, label{strconv.Itoa(k.Number), points})
		}
	}
	s.ink()
	if err := s.numbers(labels); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, s.to, &jpeg.Options{Quality: 88}); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// resized is a picture in another size, by areas when smaller and by nearest pixels when larger.
func resized(m image.Image, width, height int) *image.RGBA {
	from := image.NewRGBA(image.Rectangle{Max: m.Bounds().Size()})
	draw.Draw(from, from.Rect, m, m.Bounds().Min, draw.Src)
	if from.Rect.Dx() == width && from.Rect.Dy() == height {
		return from
	}
	to := image.NewRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		y0 := y * from.Rect.Dy() / height
		y1 := max(y0+1, (y+1)*from.Rect.Dy()/height)
		for x := range width {
			x0 := x * from.Rect.Dx() / width
			x1 := max(x0+1, (x+1)*from.Rect.Dx()/width)
			var sum [3]int
			for v := y0; v < y1; v++ {
				for u := x0; u < x1; u++ {
					i := from.PixOffset(u, v)
					for c := range sum {
						sum[c] += int(from.Pix[i+c])
					}
				}
			}
			n, i := (y1-y0)*(x1-x0), to.PixOffset(x, y)
			for c := range sum {
				to.Pix[i+c] = byte(sum[c] / n) // #nosec G115 -- a mean of bytes
			}
			to.Pix[i+3] = 255
		}
	}
	return to
}

// sheetOf gathers strokes: all rims are laid first and all ink on top, so that marks that lie over each
// other stay readable.
type sheetOf struct {
	to       *image.RGBA
	unit     float64 // a thin line, in pixels
	rim, pen *vector.Rasterizer
}

func newSheetOf(to *image.RGBA) *sheetOf {
	w, h := to.Rect.Dx(), to.Rect.Dy()
	return &sheetOf{to: to, unit: float64(max(w, h)) / 800, rim: vector.NewRasterizer(w, h), pen: vector.NewRasterizer(w, h)}
}

// mark lays the strokes of one mark.
func (s *sheetOf) mark(points [][2]float64, closed bool, h hatching) {
	if len(points) == 1 {
		r := 4 * s.unit
		x, y := points[0][0], points[0][1]
		s.stroke([2]float64{x - r, y}, [2]float64{x + r, y}, 1)
		s.stroke([2]float64{x, y - r}, [2]float64{x, y + r}, 1)
		return
	}
	for i := 1; i < len(points); i++ {
		s.stroke(points[i-1], points[i], 1.2)
	}
	if !closed || len(points) < 3 {
		return
	}
	s.stroke(points[len(points)-1], points[0], 1.2)
	for _, angle := range h.angles {
		for _, piece := range hatchLines(points, angle, 11*s.unit*h.apart) {
			if h.dashed {
				for _, dash := range dashes(piece, 6*s.unit) {
					s.stroke(dash[0], dash[1], 0.7)
				}
				continue
			}
			s.stroke(piece[0], piece[1], 0.7)
		}
	}
}

// stroke lays one straight piece, with its rim.
func (s *sheetOf) stroke(a, b [2]float64, thick float64) {
	straight(s.rim, a, b, s.unit*(thick+1.4))
	straight(s.pen, a, b, s.unit*thick)
}

// straight lays a piece with round-looking ends. All pieces turn the same way, so that they add up where
// they cross.
func straight(to *vector.Rasterizer, a, b [2]float64, thick float64) {
	dx, dy := b[0]-a[0], b[1]-a[1]
	d := math.Hypot(dx, dy)
	if d == 0 {
		dx, dy, d = 1, 0, 1
	}
	x, y := dx/d*thick/2, dy/d*thick/2
	corners := [][2]float64{{a[0] - x + y, a[1] - y - x}, {b[0] + x + y, b[1] + y - x}, {b[0] + x - y, b[1] + y + x}, {a[0] - x - y, a[1] - y + x}}
	to.MoveTo(float32(corners[0][0]), float32(corners[0][1]))
	for _, c := range corners[1:] {
		to.LineTo(float32(c[0]), float32(c[1]))
	}
	to.ClosePath()
}

// hatchLines are parallel lines inside an outline, by the rule of even and odd crossings.
func hatchLines(outline [][2]float64, degrees, apart float64) (pieces [][2][2]float64) {
	sin, cos := math.Sincos(-degrees * math.Pi / 180) // the picture's y goes down
	turned := make([][2]float64, len(outline))
	low, high := math.Inf(1), math.Inf(-1)
	for i, p := range outline { // so that the lines are level
		turned[i] = [2]float64{p[0]*cos + p[1]*sin, p[1]*cos - p[0]*sin}
		low, high = min(low, turned[i][1]), max(high, turned[i][1])
	}
	for n := math.Ceil(low / apart); n*apart < high; n++ { // on one grid, so that neighbours match
		y := n * apart
		var at []float64
		for i, a := range turned {
			b := turned[(i+1)%len(turned)]
			if (a[1] <= y) != (b[1] <= y) {
				at = append(at, a[0]+(y-a[1])/(b[1]-a[1])*(b[0]-a[0]))
			}
		}
		slices.Sort(at)
		for i := 0; i+1 < len(at); i += 2 {
			back := func(x float64) [2]float64 { return [2]float64{x*cos - y*sin, x*sin + y*cos} }
			pieces = append(pieces, [2][2]float64{back(at[i]), back(at[i+1])})
		}
	}
	return pieces
}

// dashes cuts a piece into dashes and gaps of one length.
func dashes(piece [2][2]float64, length float64) (all [][2][2]float64) {
	a, b := piece[0], piece[1]
	d := math.Hypot(b[0]-a[0], b[1]-a[1])
	at := func(t float64) [2]float64 { return [2]float64{a[0] + (b[0]-a[0])*t/d, a[1] + (b[1]-a[1])*t/d} }
	for t := 0.0; t < d; t += 2 * length {
		all = append(all, [2][2]float64{at(t), at(min(t+length, d))})
	}
	return all
}

// ink lays rims and then lines on the picture.
func (s *sheetOf) ink() {
	s.rim.Draw(s.to, s.to.Rect, image.NewUniform(mapRim), image.Point{})
	s.pen.Draw(s.to, s.to.Rect, image.NewUniform(mapInk), image.Point{})
	s.rim.Reset(s.to.Rect.Dx(), s.to.Rect.Dy())
	s.pen.Reset(s.to.Rect.Dx(), s.to.Rect.Dy())
}

// label is a number and the mark it is of.
type label struct {
	text   string
	points [][2]float64
}

var numberFont = sync.OnceValues(func() (*opentype.Font, error) { return opentype.Parse(liberationsansbold.TTF) })

// numbers sets each number in a white disc beside its mark, where no other number is, and leads a line
// to it.
func (s *sheetOf) numbers(labels []label) error {
	known, err := numberFont()
	if err != nil {
		return fmt.Errorf("read the font of numbers: %w", err)
	}
	face, err := opentype.NewFace(known, &opentype.FaceOptions{Size: 15 * s.unit, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return fmt.Errorf("set the font of numbers: %w", err)
	}
	defer func() { _ = face.Close() }()
	r := 12 * s.unit
	places := make([][2]float64, len(labels))
	for i, l := range labels {
		places[i] = s.placeOf(l.points, places[:i], r)
		s.stroke(nearest(l.points, places[i]), places[i], 0.8)
	}
	s.ink()
	for i, l := range labels {
		s.disc(places[i], r+s.unit, mapInk)
		s.disc(places[i], r, mapRim)
		d := font.Drawer{Dst: s.to, Src: image.NewUniform(mapInk), Face: face}
		d.Dot = fixed.Point26_6{X: fixed.Int26_6((places[i][0])*64) - d.MeasureString(l.text)/2, Y: fixed.Int26_6((places[i][1] + 5.2*s.unit) * 64)}
		d.DrawString(l.text)
	}
	return nil
}

// disc lays a full circle.
func (s *sheetOf) disc(at [2]float64, r float64, c color.Color) {
	const corners = 40
	box := image.Rect(int(at[0]-r)-1, int(at[1]-r)-1, int(at[0]+r)+2, int(at[1]+r)+2)
	to := vector.NewRasterizer(box.Dx(), box.Dy())
	for i := range corners {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / corners)
		x, y := float32(at[0]+r*cos-float64(box.Min.X)), float32(at[1]+r*sin-float64(box.Min.Y))
		if i == 0 {
			to.MoveTo(x, y)
		} else {
			to.LineTo(x, y)
		}
	}
	to.ClosePath()
	mask := image.NewAlpha(image.Rectangle{Max: box.Size()})
	to.Draw(mask, mask.Rect, image.Opaque, image.Point{})
	draw.DrawMask(s.to, box, image.NewUniform(c), image.Point{}, mask, image.Point{}, draw.Over)
}

// placeOf finds a place for a number: beside the mark on the first side where it stays on the picture
// and off the other numbers, else inside.
func (s *sheetOf) placeOf(points [][2]float64, taken [][2]float64, r float64) [2]float64 {
	low, high := points[0], points[0]
	for _, p := range points {
		low = [2]float64{min(low[0], p[0]), min(low[1], p[1])}
		high = [2]float64{max(high[0], p[0]), max(high[1], p[1])}
	}
	w, h := float64(s.to.Rect.Dx()), float64(s.to.Rect.Dy())
	centre := [2]float64{(low[0] + high[0]) / 2, (low[1] + high[1]) / 2}
	kept := func(p [2]float64) [2]float64 { return [2]float64{min(max(p[0], r), w-r), min(max(p[1], r), h-r)} }
	for away := 2.0; away < 16; away += 2 {
		g := r * away
		for _, p := range [][2]float64{{high[0] + g, low[1] - g/2}, {low[0] - g, low[1] - g/2}, {high[0] + g, high[1] + g/2}, {low[0] - g, high[1] + g/2}, {centre[0], low[1] - g}, {centre[0], high[1] + g}, {high[0] + g, centre[1]}, {low[0] - g, centre[1]}} {
			free := p[0] >= r && p[1] >= r && p[0] <= w-r && p[1] <= h-r
			for _, q := range taken {
				free = free && math.Hypot(p[0]-q[0], p[1]-q[1]) > 2.3*r
			}
			if free {
				return p
			}
		}
	}
	return kept(centre)
}

// nearest is the corner of a mark that is nearest to a place.
func nearest(points [][2]float64, to [2]float64) [2]float64 {
	best := points[0]
	for _, p := range points {
		if math.Hypot(p[0]-to[0], p[1]-to[1]) < math.Hypot(best[0]-to[0], best[1]-to[1]) {
			best = p
		}
	}
	return best
}

// swatch is a hatching for the legend.
func swatch(h Hatch) ([]byte, error) {
	const w, high = 180, 96
	to := image.NewRGBA(image.Rect(0, 0, w, high))
	draw.Draw(to, to.Rect, image.White, image.Point{}, draw.Src)
	s := newSheetOf(to)
	s.unit = 2.2
	s.mark([][2]float64{{4, 4}, {w - 4, 4}, {w - 4, high - 4}, {4, high - 4}}, true, h.hatching())
	s.ink()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, to, &jpeg.Options{Quality: 90}); err != nil {
		return nil, fmt.Errorf("draw the legend: %w", err)
	}
	return b.Bytes(), nil
}
