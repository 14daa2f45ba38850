package mark

import (
	"fmt"
	"math"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// Scale says how long a stretch of the picture is: two points on a scale bar and the length between
// them. It holds in the plane of the bar only, and where the camera looked at it square.
type Scale struct {
	From     Point   `json:"from"`
	To       Point   `json:"to"`
	LengthMM float64 `json:"length_mm"` // between the two points
	PlusMM   float64 `json:"plus_mm"`   // standard uncertainty of the length
	ClickPX  float64 `json:"click_px"`  // standard uncertainty of each point, along either axis
}

// The bounds of a scale.
const (
	ScaleLeastPX = 10.0 // between the two points
	LengthMostMM = 100_000.0
	PrecisionMax = 500.0 // pixels, of a click or an outline
)

// Check says what is wrong with a scale on a picture of this size: all faults at once.
func (s Scale) Check(in Size) error {
	var fields []domain.Field
	fault := func(at, rule, message string) {
		fields = append(fields, domain.Field{Pointer: at, Rule: rule, Message: message})
	}
	for at, p := range map[string]Point{"/from": s.From, "/to": s.To} {
		if !inside(p, in) {
			fault(at, "inside", fmt.Sprintf("The point %s lies outside of the picture, which is %.0f × %.0f pixels.", p.words(), in.Width, in.Height))
		}
	}
	if d := s.From.distance(s.To); !(d >= ScaleLeastPX) {
		fault("/to", "apart", fmt.Sprintf("The two points are %.1f pixels apart; at least %.0f are needed. Choose two marks of the scale that are far from each other.", d, ScaleLeastPX))
	}
	if !(s.LengthMM > 0 && s.LengthMM <= LengthMostMM) {
		fault("/length_mm", "range", "Give the length between the two points in millimetres: more than 0, at most 100 000.")
	}
	if !(s.PlusMM >= 0 && s.PlusMM <= s.LengthMM/2) {
		fault("/plus_mm", "range", "Give how sure the length is, in millimetres: from 0 to half of the length.")
	}
	if !(s.ClickPX > 0 && s.ClickPX <= PrecisionMax) {
		fault("/click_px", "range", "Give how exactly the points were set, in pixels: more than 0, at most 500.")
	}
	return domain.InvalidFields(fields)
}

// MMPerPX is the scale as a factor, with its relative standard uncertainty. The clicks count along
// the bar only, once at each end: u(d) = √2 · u(click).
// source: JCGM 100:2008 (GUM), 5.1.2, law of propagation for m = L / d
func (s Scale) MMPerPX() (factor, relative float64) {
	d := s.From.distance(s.To)
	return s.LengthMM / d, math.Hypot(s.PlusMM/s.LengthMM, math.Sqrt2*s.ClickPX/d)
}

// Quantity is a figure with its standard uncertainty, in the same unit.
type Quantity struct {
	Value float64 `json:"value"`
	Plus  float64 `json:"plus"` // standard uncertainty (k = 1)
}

// Measure is what marks of one kind on one photograph come to. Millimetres are there when the
// picture has a scale; else WithoutScale says why not (E4).
type Measure struct {
	Of      string    `json:"of"` // "area", "length" or "count"
	Count   int       `json:"count"`
	PX      *Quantity `json:"px,omitempty"`      // pixels, of an area square pixels
	Percent *Quantity `json:"percent,omitempty"` // of the picture, for an area
	MM      *Quantity `json:"mm,omitempty"`      // millimetres, of an area square millimetres

	WithoutScale string `json:"without_scale,omitempty"`
}

// WithoutScale is what a measure says that has no scale (E4).
const WithoutScale = "No scale has been set on this photograph, so there are only pixels and a percentage of the picture (rule E4). Set the scale to have millimetres."

// Drawn is a shape and how exactly it was drawn.
type Drawn struct {
	Shape
	PrecisionPX float64 // standard uncertainty of the outline, or of each point along either axis
}

// MeasureOf is what the shapes on one photograph come to together. When any of them encloses an area,
// the area is meant; else the length when there is a line; else the number of points. Shapes that
// overlap count twice: one thing is marked once.
//
// Area: the outline is taken to run wide or narrow as a whole, as a hand does, so the whole perimeter
// P counts: u(A) = P · u(outline); with a scale m, A' = m² A and
// u(A')² = (2 A' u(m)/m)² + (m² P u(outline))².
// Length: points are taken to be set independently of each other: a vertex between two directions
// counts with the length of their difference, an end with 1; u(l')² = (l' u(m)/m)² + m² Σ c² u(point)².
// source: JCGM 100:2008 (GUM), 5.1.2, equation (10)
func MeasureOf(shapes []Drawn, in Size, scale *Scale) Measure {
	m := Measure{Of: "count", Count: len(shapes)}
	for _, s := range shapes {
		switch {
		case s.Kind.Encloses():
			m.Of = "area"
		case s.Kind == Line && m.Of != "area":
			m.Of = "length"
		}
	}
	var q Quantity
	power := 1.0
	switch m.Of {
	case "count":
		return m
	case "area":
		power = 2
		for _, s := range shapes {
			if s.Kind.Encloses() {
				q.Value += s.AreaPX2()
				q.Plus += s.LengthPX() * s.PrecisionPX
			}
		}
		all := in.Width * in.Height
		m.Percent = &Quantity{100 * q.Value / all, 100 * q.Plus / all}
	case "length":
		for _, s := range shapes {
			if s.Kind == Line {
				q.Value += s.LengthPX()
				q.Plus = math.Hypot(q.Plus, s.PrecisionPX*sensitivity(s.Points))
			}
		}
	}
	m.PX = &q
	if scale == nil {
		m.WithoutScale = WithoutScale
		return m
	}
	factor, relative := scale.MMPerPX()
	f := math.Pow(factor, power)
	m.MM = &Quantity{f * q.Value, math.Hypot(power*relative*f*q.Value, f*q.Plus)}
	return m
}

// sensitivity is √Σc² of a line's length for its points: how much the length changes when each is
// moved by one pixel in an unknown direction.
func sensitivity(points []Point) float64 {
	sum := 0.0
	for i := range points {
		var back, ahead Point
		if i > 0 {
			back = toward(points[i-1], points[i])
		}
		if i+1 < len(points) {
			ahead = toward(points[i+1], points[i])
		}
		c := math.Hypot(back[0]+ahead[0], back[1]+ahead[1])
		sum += c * c
	}
	return math.Sqrt(sum)
}

// toward is the direction from a to b, of length 1, or 0 when they are one.
func toward(a, b Point) Point {
	d := a.distance(b)
	if d == 0 {
		return Point{}
	}
	return Point{(b[0] - a[0]) / d, (b[1] - a[1]) / d}
}

// Better says whether m tells more than n: millimetres before pixels, then the smaller relative
// uncertainty.
func (m Measure) Better(n Measure) bool {
	if (m.MM != nil) != (n.MM != nil) {
		return m.MM != nil
	}
	a, b := m.relative(), n.relative()
	return a < b
}

func (m Measure) relative() float64 {
	q := m.MM
	if q == nil {
		q = m.PX
	}
	if q == nil || q.Value == 0 {
		return math.Inf(1)
	}
	return q.Plus / q.Value
}

// expanded is the figure with its expanded uncertainty (k = 2), as people are shown it.
//
// source: JCGM 100:2008 (GUM), 6.2 and 6.3.3
func (q Quantity) expanded() Quantity { return Quantity{q.Value, 2 * q.Plus} }

// Words is the measure as people write it, with expanded uncertainties: "2810 ± 190 mm²", "29255 ± 980 px², 0.1200 ±
// 0.0041 % of the picture".
func (m Measure) Words() string {
	unit := map[string]string{"area": "²"}[m.Of]
	switch {
	case m.Of == "count":
		if m.Count == 1 {
			return "1 point"
		}
		return fmt.Sprintf("%d points", m.Count)
	case m.MM != nil:
		return m.MM.expanded().words("mm" + unit)
	case m.Percent != nil:
		return m.PX.expanded().words("px"+unit) + ", " + m.Percent.expanded().words("%") + " of the picture"
	case m.PX != nil:
		return m.PX.expanded().words("px" + unit)
	}
	return ""
}

// words writes a figure with its uncertainty to two significant digits.
// source: JCGM 100:2008 (GUM), 7.2.6: at most two digits of an uncertainty
func (q Quantity) words(unit string) string {
	plus, places := domain.TwoDigits(q.Plus)
	if plus.IsZero() {
		return fmt.Sprintf("%.4g", q.Value) + " " + unit
	}
	return decimal.NewFromFloat(q.Value).Round(places).StringFixed(max(places, 0)) + " ± " + plus.StringFixed(max(places, 0)) + " " + unit
}
