package mark

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"farthingale/domain"
)

// Kind is what a mark looks like.
type Kind string

// The kinds of marks (F4).
const (
	Rectangle Kind = "rectangle" // two opposite corners, in whole pixels
	Polygon   Kind = "polygon"   // an outline of three or more corners, closed by itself
	Line      Kind = "line"      // two or more points, open
	Place     Kind = "point"     // one point
)

// Kinds lists every kind in the order in which they are offered.
var Kinds = []Kind{Rectangle, Polygon, Line, Place}

// Encloses says whether a mark of this kind has an area.
func (k Kind) Encloses() bool { return k == Rectangle || k == Polygon }

// Words is the kind as people write it.
func (k Kind) Words() string { return string(k) }

// PointsMost is the most points of one mark. An outline drawn by hand has some hundreds.
const PointsMost = 10_000

// Point is a place in a picture: pixels from the left edge and from the top edge of the upright
// original. Whole numbers lie on the corners of pixels, so a picture reaches from 0 to its width.
type Point [2]float64

// Size is the size of a picture in pixels.
type Size struct{ Width, Height float64 }

// Shape is the geometry of one mark.
type Shape struct {
	Kind   Kind    `json:"kind" validate:"required,oneof=rectangle polygon line point"`
	Points []Point `json:"points" validate:"required,max=10000"`
}

// Tidy gives the shape as it is kept: points to a hundredth of a pixel, of a rectangle the upper left
// and the lower right corner in whole pixels. No point is left out.
func (s Shape) Tidy() Shape {
	t := Shape{Kind: s.Kind, Points: slices.Clone(s.Points)}
	for i, p := range t.Points {
		t.Points[i] = Point{rounded(p[0], 100), rounded(p[1], 100)}
	}
	if s.Kind == Rectangle && len(s.Points) == 2 {
		a, b := s.Points[0], s.Points[1]
		t.Points[0] = Point{rounded(min(a[0], b[0]), 1), rounded(min(a[1], b[1]), 1)}
		t.Points[1] = Point{rounded(max(a[0], b[0]), 1), rounded(max(a[1], b[1]), 1)}
	}
	return t
}

// rounded is x to the nearest part of a pixel; never minus zero.
func rounded(x, parts float64) float64 { return math.Round(x*parts)/parts + 0 }

// Check says what is wrong with a tidy shape on a picture of this size, or nil. Every point outside of
// the picture is one fault; pointers begin at /shape.
func (s Shape) Check(in Size) error {
	if fault := s.count(); fault != nil {
		return fault
	}
	var fields []domain.Field
	for i, p := range s.Points {
		if !inside(p, in) && len(fields) < 20 {
			fields = append(fields, domain.Field{Pointer: "/shape/points/" + strconv.Itoa(i), Rule: "inside",
				Message: fmt.Sprintf("The point %s lies outside of the picture, which is %.0f × %.0f pixels. Put it inside.", p.words(), in.Width, in.Height)})
		}
	}
	if len(fields) > 0 {
		return domain.InvalidFields(fields)
	}
	switch s.Kind {
	case Rectangle:
		if a, b := s.Points[0], s.Points[1]; a[0] == b[0] || a[1] == b[1] {
			return wrong("size", "This rectangle has no width or no height. Drag it open, or mark a line instead.")
		}
	case Line:
		if s.LengthPX() == 0 {
			return wrong("size", "This line has no length. Mark a point instead.")
		}
	case Polygon:
		if at, crosses := crossing(s.Points); crosses {
			return wrong("crossing", "The outline crosses itself near "+at.words()+", so what it encloses is not clear. Take back the last corners, or draw it as two marks.")
		}
		if s.AreaPX2() == 0 {
			return wrong("size", "This outline encloses nothing. Draw it wider, or mark a line instead.")
		}
	}
	return nil
}

// count refuses the wrong number of points.
func (s Shape) count() error {
	n := len(s.Points)
	switch {
	case n > PointsMost:
		return wrong("max", fmt.Sprintf("This mark has %d points; at most %d can be kept. Draw it with fewer corners, or as several marks.", n, PointsMost))
	case s.Kind == Rectangle && n != 2:
		return wrong("count", fmt.Sprintf("A rectangle is two opposite corners; these are %d points.", n))
	case s.Kind == Polygon && n < 3:
		return wrong("count", fmt.Sprintf("An outline needs at least three corners; there are %d. Go on setting corners, or mark a line.", n))
	case s.Kind == Line && n < 2:
		return wrong("count", fmt.Sprintf("A line needs at least two points; there are %d.", n))
	case s.Kind == Place && n != 1:
		return wrong("count", fmt.Sprintf("A point is one point; these are %d.", n))
	case !slices.Contains(Kinds, s.Kind):
		return domain.Invalid("/shape/kind", "oneof", "One of: rectangle, polygon, line, point.")
	}
	return nil
}

func wrong(rule, message string) error { return domain.Invalid("/shape/points", rule, message) }

func inside(p Point, in Size) bool { // also false of what is no number
	return p[0] >= 0 && p[0] <= in.Width && p[1] >= 0 && p[1] <= in.Height
}

func (p Point) words() string { return number(p[0]) + ", " + number(p[1]) }

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// Outline is the closed outline of a shape that encloses an area, the points of another.
func (s Shape) Outline() []Point {
	if s.Kind != Rectangle || len(s.Points) != 2 {
		return s.Points
	}
	a, b := s.Points[0], s.Points[1]
	return []Point{a, {b[0], a[1]}, b, {a[0], b[1]}}
}

// AreaPX2 is what the shape encloses, in square pixels: 0 for a line or a point.
// source: surveyor's (shoelace) formula; Meister, Generalia de genesi figurarum planarum, 1769
func (s Shape) AreaPX2() float64 {
	if !s.Kind.Encloses() {
		return 0
	}
	o := s.Outline()
	if len(o) < 3 {
		return 0
	}
	from, sum := o[0], 0.0 // taken from the first corner, so that far from the origin nothing is lost
	for i := 1; i+1 < len(o); i++ {
		a, b := o[i].less(from), o[i+1].less(from)
		sum += a[0]*b[1] - a[1]*b[0]
	}
	return math.Abs(sum) / 2
}

// LengthPX is the length of a line, or of the closed outline of a shape that encloses an area.
func (s Shape) LengthPX() float64 {
	o, sum := s.Outline(), 0.0
	for i := 1; i < len(o); i++ {
		sum += o[i].distance(o[i-1])
	}
	if s.Kind.Encloses() && len(o) > 2 {
		sum += o[0].distance(o[len(o)-1])
	}
	return sum
}

// Bounds are the upper left and the lower right corner of the smallest box around the shape.
func (s Shape) Bounds() (upper, lower Point) {
	if len(s.Points) == 0 {
		return upper, lower
	}
	upper, lower = s.Points[0], s.Points[0]
	for _, p := range s.Points[1:] {
		upper = Point{min(upper[0], p[0]), min(upper[1], p[1])}
		lower = Point{max(lower[0], p[0]), max(lower[1], p[1])}
	}
	return upper, lower
}

// Anchor is where a mark's number stands: inside an outline where there is room, on a line its middle.
func (s Shape) Anchor() Point {
	switch {
	case len(s.Points) == 0:
		return Point{}
	case s.Kind == Line:
		return s.Points[len(s.Points)/2]
	case s.Kind == Place:
		return s.Points[0]
	}
	o := s.Outline()
	if c, ok := centroid(o); ok && within(c, o) {
		return c
	}
	return o[0]
}

// centroid is the centre of what an outline encloses.
func centroid(o []Point) (Point, bool) {
	from, twice, x, y := o[0], 0.0, 0.0, 0.0
	for i := 1; i+1 < len(o); i++ {
		a, b := o[i].less(from), o[i+1].less(from)
		cross := a[0]*b[1] - a[1]*b[0]
		twice, x, y = twice+cross, x+cross*(a[0]+b[0]), y+cross*(a[1]+b[1])
	}
	if twice == 0 {
		return Point{}, false
	}
	return Point{from[0] + x/(3*twice), from[1] + y/(3*twice)}, true
}

// within says whether a point lies inside an outline, by the rule of even and odd crossings.
func within(p Point, o []Point) bool {
	in := false
	for i, j := 0, len(o)-1; i < len(o); j, i = i, i+1 {
		a, b := o[i], o[j]
		if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < (b[0]-a[0])*(p[1]-a[1])/(b[1]-a[1])+a[0] {
			in = !in
		}
	}
	return in
}

func (p Point) less(q Point) Point { return Point{p[0] - q[0], p[1] - q[1]} }

func (p Point) distance(q Point) float64 { return math.Hypot(p[0]-q[0], p[1]-q[1]) }

// ParsePoints reads points as people and SVG write them: "120,80 160,80 150.5,95". Commas and spaces
// both separate, and an even number of numbers makes points.
func ParsePoints(text string) ([]Point, error) {
	bad := domain.Invalid("/shape/points", "points", "Points are pairs of numbers: 120,80 160,80 150,95.")
	words := strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ' ' || r == '\n' || r == '\r' || r == '\t' || r == ';' })
	if len(words)%2 != 0 {
		return nil, bad
	}
	if len(words) > 2*PointsMost {
		return nil, wrong("max", fmt.Sprintf("This mark has %d points; at most %d can be kept. Draw it with fewer corners, or as several marks.", len(words)/2, PointsMost))
	}
	points := make([]Point, len(words)/2)
	for i, w := range words {
		x, err := finite(w)
		if err != nil {
			return nil, bad
		}
		points[i/2][i%2] = x
	}
	return points, nil
}

// PointsText writes points so that ParsePoints reads them.
func PointsText(points []Point) string {
	var b strings.Builder
	for i, p := range points {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(number(p[0]) + "," + number(p[1]))
	}
	return b.String()
}

// finite reads a plain number of a picture's coordinates.
func finite(text string) (float64, error) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(x) || math.Abs(x) > 1e7 || strings.ContainsAny(text, "xXpP_") {
		return 0, fmt.Errorf("no coordinate: %.40q", text)
	}
	return x, nil
}
