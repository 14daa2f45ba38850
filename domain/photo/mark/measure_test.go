package mark

import (
	"math"
	"math/rand/v2"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance*math.Abs(want) {
		t.Errorf("%s: %.6g, want %.6g", what, got, want)
	}
}

// TestE4AreaInMillimetres: 0.31 mm a pixel makes 29 255 px² to 2811.4 mm².
// source: shoelace formula and 0.31² by hand
func TestE4AreaInMillimetres(t *testing.T) {
	s := polygon(Point{1210, 2280}, Point{1550, 2290}, Point{1540, 2375}, Point{1212, 2370})
	scale := Scale{From: Point{100, 100}, To: Point{1100, 100}, LengthMM: 310, ClickPX: 1}
	m := MeasureOf([]Drawn{{s, 0}}, page, &scale)
	near(t, "area", m.MM.Value, 2811.4, 1e-5)
	// u(A)/A = 2 · √2 · 1/1000
	near(t, "its uncertainty", m.MM.Plus, 2811.4*2*math.Sqrt2/1000, 1e-4)
}

// TestE4WithoutAScale: then there are pixels and a share of the picture, and it is said.
func TestE4WithoutAScale(t *testing.T) {
	m := MeasureOf([]Drawn{{Shape{Rectangle, []Point{{0, 0}, {400, 600}}}, 2}}, page, nil)
	if m.MM != nil || m.WithoutScale == "" || m.PX.Value != 240_000 || m.Percent.Value != 1 {
		t.Errorf("%+v", m)
	}
	near(t, "pixels", m.PX.Plus, 2000*2, 1e-9)
	if w := m.Words(); w != "240000 ± 8000 px², 1.000 ± 0.034 % of the picture" {
		t.Error(w)
	}
}

// TestUncertaintyAgainstThrowing holds the formulas against drawing the scale, the clicks and the
// outline anew many times, each with its own chance.
// source: JCGM 101:2008 (GUM, supplement 1), propagation of distributions by a Monte Carlo method
func TestUncertaintyAgainstThrowing(t *testing.T) {
	chance := rand.New(rand.NewPCG(3, 4))
	scale := Scale{From: Point{100, 5000}, To: Point{700, 5400}, LengthMM: 100, PlusMM: 0.5, ClickPX: 3}
	outline := circle(2000, 2000, 300, 180)
	line := []Point{{100, 100}, {600, 300}, {700, 900}, {1500, 1000}}
	const precision = 4.0
	var areas, lengths []float64
	for range 40_000 {
		s := scale
		jitter := func(p Point, u float64) Point {
			return Point{p[0] + u*chance.NormFloat64(), p[1] + u*chance.NormFloat64()}
		}
		s.From, s.To, s.LengthMM = jitter(s.From, s.ClickPX), jitter(s.To, s.ClickPX), s.LengthMM+s.PlusMM*chance.NormFloat64()
		factor, _ := s.MMPerPX()
		wide := precision * chance.NormFloat64() // the hand runs outside or inside all the way
		areas = append(areas, factor*factor*polygon(circle(2000, 2000, 300+wide, 180)...).AreaPX2())
		drawn := make([]Point, len(line))
		for i, p := range line {
			drawn[i] = jitter(p, precision)
		}
		lengths = append(lengths, factor*Shape{Line, drawn}.LengthPX())
	}
	area := MeasureOf([]Drawn{{polygon(outline...), precision}}, page, &scale)
	mean, spread := moments(areas)
	near(t, "area", area.MM.Value, mean, 0.002)
	near(t, "uncertainty of the area", area.MM.Plus, spread, 0.02)
	length := MeasureOf([]Drawn{{Shape{Line, line}, precision}}, page, &scale)
	mean, spread = moments(lengths)
	near(t, "length", length.MM.Value, mean, 0.002)
	near(t, "uncertainty of the length", length.MM.Plus, spread, 0.02)
}

func moments(xs []float64) (mean, spread float64) {
	for _, x := range xs {
		mean += x / float64(len(xs))
	}
	for _, x := range xs {
		spread += (x - mean) * (x - mean) / float64(len(xs)-1)
	}
	return mean, math.Sqrt(spread)
}

// A larger click, a rougher hand, a less known bar never make an area surer.
func TestUncertaintyGrows(t *testing.T) {
	s := []Drawn{{polygon(circle(2000, 2000, 300, 60)...), 2}}
	base := Scale{From: Point{0, 0}, To: Point{500, 0}, LengthMM: 50, PlusMM: 0.1, ClickPX: 1}
	plus := func(s []Drawn, scale Scale) float64 { return MeasureOf(s, page, &scale).MM.Plus }
	worse := map[string]Scale{"click": base, "bar": base, "short": base}
	for name, change := range map[string]func(*Scale){
		"click": func(s *Scale) { s.ClickPX = 2 }, "bar": func(s *Scale) { s.PlusMM = 0.5 },
		"short": func(s *Scale) { s.To[0], s.LengthMM = 250, 25 },
	} {
		scale := worse[name]
		change(&scale)
		if plus(s, scale) <= plus(s, base) {
			t.Errorf("%s: no less sure", name)
		}
	}
	if plus([]Drawn{{s[0].Shape, 5}}, base) <= plus(s, base) {
		t.Error("a rougher outline is no less sure")
	}
}

func TestScaleThatSaysNothing(t *testing.T) {
	good := Scale{From: Point{100, 100}, To: Point{600, 100}, LengthMM: 50, PlusMM: 0.1, ClickPX: 1}
	if err := good.Check(page); err != nil {
		t.Error(err)
	}
	for name, change := range map[string]func(*Scale){
		"no length":        func(s *Scale) { s.LengthMM = 0 },
		"less than none":   func(s *Scale) { s.LengthMM = -5 },
		"no number":        func(s *Scale) { s.LengthMM = math.NaN() },
		"one point":        func(s *Scale) { s.To = s.From },
		"outside":          func(s *Scale) { s.To[0] = 4001 },
		"surer than sure":  func(s *Scale) { s.PlusMM = -1 },
		"not sure at all":  func(s *Scale) { s.PlusMM = 26 },
		"perfect clicks":   func(s *Scale) { s.ClickPX = 0 },
		"point is nowhere": func(s *Scale) { s.From[1] = math.Inf(1) },
	} {
		s := good
		change(&s)
		if s.Check(page) == nil {
			t.Errorf("%s: taken", name)
		}
	}
}

func TestMeasureMixes(t *testing.T) {
	rectangle := Drawn{Shape{Rectangle, []Point{{0, 0}, {10, 10}}}, 1}
	line := Drawn{Shape{Line, []Point{{0, 0}, {10, 0}}}, 1}
	point := Drawn{Shape{Place, []Point{{0, 0}}}, 1}
	for want, shapes := range map[string][]Drawn{"area": {line, rectangle, point, rectangle}, "length": {point, line}, "count": {point, point}} {
		if m := MeasureOf(shapes, page, nil); m.Of != want {
			t.Errorf("%s, want %s", m.Of, want)
		}
	}
	if m := MeasureOf([]Drawn{rectangle, line, rectangle}, page, nil); m.PX.Value != 200 || m.PX.Plus != 80 {
		t.Errorf("%+v", m.PX)
	}
	if m := MeasureOf([]Drawn{point, point}, page, nil); m.Words() != "2 points" || m.PX != nil {
		t.Error(m.Words())
	}
}

// source: JCGM 100:2008 (GUM), 7.2.6: an uncertainty has at most two digits, and the value ends where it does
func TestWordsKeepTwoDigits(t *testing.T) {
	for want, q := range map[string]Quantity{
		"2811 ± 95 mm²":         {2811.4, 94.6},
		"2800 ± 130 mm²":        {2804.4, 123},
		"12.35 ± 0.13 mm²":      {12.3456, 0.123},
		"130000 ± 1100 mm²":     {129_960, 1100},
		"12.35 mm²":             {12.35, 0},
		"0.01200 ± 0.00099 mm²": {0.012, 0.00099},
	} {
		if got := q.words("mm²"); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
}
