package mark

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"farthingale/domain"
)

var page = Size{4000, 6000}

func polygon(points ...Point) Shape { return Shape{Polygon, points}.Tidy() }

// circle is a regular polygon, as a hand draws a round stain.
func circle(x, y, r float64, n int) []Point {
	points := make([]Point, n)
	for i := range points {
		a := 2 * math.Pi * float64(i) / float64(n)
		points[i] = Point{x + r*math.Cos(a), y + r*math.Sin(a)}
	}
	return points
}

func TestAreaAndLengthOfKnownShapes(t *testing.T) {
	for name, c := range map[string]struct {
		shape        Shape
		area, length float64
	}{
		// source: worked by hand with the shoelace formula: ½ |Σ (x·y' − x'·y)|
		"quadrilateral": {polygon(Point{1210, 2280}, Point{1550, 2290}, Point{1540, 2375}, Point{1212, 2370}), 29_255, 340.147 + 85.586 + 328.038 + 90.022},
		// source: Euclid, Elements I.47 and I.41: a right triangle of sides 3, 4, 5
		"right triangle": {polygon(Point{0, 0}, Point{300, 0}, Point{0, 400}), 60_000, 1200},
		// source: Pick 1899: a lattice polygon with 9 points inside and 8 on its outline encloses 9 + 8/2 - 1 = 12
		"lattice polygon": {polygon(Point{0, 0}, Point{4, 0}, Point{4, 3}, Point{0, 3}), 12, 14},
		// source: a regular hexagon of side a encloses 3√3/2 a²; Beyer, CRC Standard Mathematical Tables, from memory
		"hexagon":   {Shape{Polygon, circle(500, 500, 100, 6)}, 25_980.762, 600},
		"rectangle": {Shape{Rectangle, []Point{{50, 90}, {10, 20}}}.Tidy(), 2800, 220},
		"line":      {Shape{Line, []Point{{0, 0}, {3, 4}, {3, 10}}}, 0, 11},
		"point":     {Shape{Place, []Point{{3, 4}}}, 0, 0},
	} {
		if got := c.shape.AreaPX2(); math.Abs(got-c.area) > 1e-3 {
			t.Errorf("%s: area %.4f, want %.4f", name, got, c.area)
		}
		if got := c.shape.LengthPX(); math.Abs(got-c.length) > 5e-3 {
			t.Errorf("%s: length %.4f, want %.4f", name, got, c.length)
		}
	}
}

// TestAreaIsWhatPointsFallInto holds the formula against throwing points at random outlines.
func TestAreaIsWhatPointsFallInto(t *testing.T) {
	chance := rand.New(rand.NewPCG(5, 6))
	for range 5 {
		points := circle(500, 500, 400, 40)
		for i, p := range points { // a star of uneven rays does not cross itself
			f := 0.3 + 0.7*chance.Float64()
			points[i] = Point{500 + f*(p[0]-500), 500 + f*(p[1]-500)}
		}
		s := polygon(points...)
		if err := s.Check(page); err != nil {
			t.Fatal(err)
		}
		hits, n := 0, 200_000
		for range n {
			if within(Point{1000 * chance.Float64(), 1000 * chance.Float64()}, s.Points) {
				hits++
			}
		}
		thrown := float64(hits) / float64(n) * 1e6
		if got := s.AreaPX2(); math.Abs(got-thrown) > 5*math.Sqrt(float64(hits))/float64(n)*1e6 {
			t.Errorf("area %.0f, thrown %.0f", got, thrown)
		}
	}
}

// Area neither depends on where an outline begins, nor in which direction it goes, nor where it lies.
func TestAreaIsTheShapesOwn(t *testing.T) {
	points := circle(300, 300, 200, 17)
	want := polygon(points...).AreaPX2()
	for turn := range points {
		turned := append(append([]Point{}, points[turn:]...), points[:turn]...)
		moved := make([]Point, len(turned))
		for i, p := range turned {
			moved[len(turned)-1-i] = Point{p[0] + 3000, p[1] + 5000}
		}
		if got := polygon(moved...).AreaPX2(); math.Abs(got-want) > 10 {
			t.Fatalf("turned by %d: %.3f, want %.3f", turn, got, want)
		}
	}
}

// TestF4WhatIsNoMark: a mark that says nothing clear is refused with the reason.
func TestF4WhatIsNoMark(t *testing.T) {
	long := circle(2000, 3000, 1900, PointsMost)
	for name, c := range map[string]struct {
		shape Shape
		rule  string // "": it is kept
	}{
		"bow tie":                  {polygon(Point{0, 0}, Point{100, 100}, Point{100, 0}, Point{0, 100}), "crossing"},
		"pentagram":                {polygon(Point{500, 100}, Point{735, 823}, Point{120, 376}, Point{880, 376}, Point{265, 823}), "crossing"},
		"corner touches a side":    {polygon(Point{0, 0}, Point{100, 0}, Point{100, 100}, Point{50, 0}, Point{0, 100}), "crossing"},
		"corner visited twice":     {polygon(Point{0, 0}, Point{100, 0}, Point{50, 50}, Point{100, 100}, Point{0, 100}, Point{50, 50}), "crossing"},
		"spike":                    {polygon(Point{0, 0}, Point{100, 0}, Point{100, 50}, Point{200, 50}, Point{100, 50}, Point{100, 100}, Point{0, 100}), "crossing"},
		"side over a side":         {polygon(Point{0, 0}, Point{300, 0}, Point{300, 50}, Point{200, 0}, Point{100, 0}, Point{0, 50}), "crossing"},
		"outside":                  {polygon(Point{0, 0}, Point{4001, 0}, Point{0, 100}), "inside"},
		"below zero":               {Shape{Place, []Point{{-0.5, 3}}}, "inside"},
		"no number":                {Shape{Place, []Point{{math.NaN(), 3}}}, "inside"},
		"endless":                  {Shape{Place, []Point{{math.Inf(1), 3}}}, "inside"},
		"two corners":              {polygon(Point{0, 0}, Point{100, 100}), "count"},
		"nothing":                  {Shape{Polygon, nil}, "count"},
		"flat triangle":            {polygon(Point{0, 0}, Point{100, 100}, Point{200, 200}), "size"},
		"all corners one":          {polygon(Point{5, 5}, Point{5, 5}, Point{5, 5}), "size"},
		"flat rectangle":           {Shape{Rectangle, []Point{{10, 20}, {10, 90}}}, "size"},
		"rectangle of three":       {Shape{Rectangle, []Point{{10, 20}, {10, 90}, {3, 4}}}, "count"},
		"line of nothing":          {Shape{Line, []Point{{10, 20}, {10, 20}}}, "size"},
		"line of one":              {Shape{Line, []Point{{10, 20}}}, "count"},
		"two points":               {Shape{Place, []Point{{10, 20}, {11, 20}}}, "count"},
		"unknown kind":             {Shape{"ellipse", []Point{{10, 20}}}, "oneof"},
		"more points than kept":    {Shape{Polygon, append(long, Point{1, 1})}, "max"},
		"as many points as kept":   {polygon(long...), ""},
		"closed by its first":      {polygon(Point{0, 0}, Point{100, 0}, Point{100, 100}, Point{0, 0}), ""},
		"corner repeated":          {polygon(Point{0, 0}, Point{100, 0}, Point{100, 0}, Point{100, 100}), ""},
		"whole picture":            {Shape{Rectangle, []Point{{0, 0}, {4000, 6000}}}, ""},
		"concave":                  {polygon(Point{0, 0}, Point{100, 0}, Point{100, 100}, Point{50, 20}, Point{0, 100}), ""},
		"corner on a straight run": {polygon(Point{0, 0}, Point{50, 0}, Point{100, 0}, Point{100, 100}), ""},
		"line that crosses itself": {Shape{Line, []Point{{0, 0}, {10, 10}, {10, 0}, {0, 10}}}, ""},
		"comb":                     {polygon(comb(50)...), ""},
		"spiral":                   {polygon(spiral(200)...), ""},
	} {
		err := c.shape.Check(page)
		var e *domain.Error
		switch {
		case c.rule == "" && err != nil:
			t.Errorf("%s: %v", name, err)
		case c.rule != "" && (!errors.As(err, &e) || e.Kind != domain.KindInvalid || e.Fields[0].Rule != c.rule || !strings.HasSuffix(e.Fields[0].Message, ".")):
			t.Errorf("%s: %v, want %s", name, err, c.rule)
		}
	}
}

// comb is an outline of long narrow teeth side by side.
func comb(teeth int) []Point {
	points := []Point{{0, 2000}}
	for i := range teeth {
		x := float64(i) * 20
		points = append(points, Point{x, 0}, Point{x + 8, 1900}, Point{x + 16, 0})
	}
	return append(points, Point{float64(teeth) * 20, 2000})
}

// spiral is a band that winds about itself.
func spiral(n int) []Point {
	points := make([]Point, 2*n)
	for i := range n {
		a, r := float64(i)*0.15, 50+float64(i)*4
		points[i] = Point{2000 + r*math.Cos(a), 2000 + r*math.Sin(a)}
		points[2*n-1-i] = Point{2000 + (r+60)*math.Cos(a), 2000 + (r+60)*math.Sin(a)}
	}
	return points
}

// A crossing is found wherever it is, and the point is right.
func TestCrossingIsFoundAndPlaced(t *testing.T) {
	at, crosses := crossing([]Point{{0, 0}, {100, 100}, {100, 0}, {0, 100}})
	if !crosses || at != (Point{50, 50}) {
		t.Errorf("%v %v", at, crosses)
	}
	chance := rand.New(rand.NewPCG(1, 9))
	for range 300 { // against holding every side against every other
		points := make([]Point, 3+chance.IntN(8))
		for i := range points {
			points[i] = Point{float64(chance.IntN(12)), float64(chance.IntN(12))}
		}
		o := apart(points)
		want := false
		for i := range o {
			for j := range i {
				if len(o) < 3 {
					continue
				}
				e, f := edge{o[i], o[(i+1)%len(o)], i}, edge{o[j], o[(j+1)%len(o)], j}
				want = want || plainlyMeet(e, f, len(o))
			}
		}
		if _, got := crossing(points); got != want {
			t.Fatalf("%v: %v, want %v", points, got, want)
		}
	}
}

// plainlyMeet says the same of two sides whose ends are in no order, by its own reasoning; corners in whole
// numbers keep it exact.
func plainlyMeet(e, f edge, n int) bool {
	gap := (e.at - f.at + n) % n
	neighbours := gap == 1 || gap == n-1
	if neighbours && n == 3 {
		return false
	}
	on := func(s edge, p Point) bool {
		return turn(s.from, s.to, p) == 0 && p[0] >= min(s.from[0], s.to[0]) && p[0] <= max(s.from[0], s.to[0]) && p[1] >= min(s.from[1], s.to[1]) && p[1] <= max(s.from[1], s.to[1])
	}
	if neighbours {
		// Their common corner belongs to both; nothing else may.
		both := 0
		for _, end := range []Point{e.from, e.to} {
			if on(f, end) {
				both++
			}
		}
		for _, end := range []Point{f.from, f.to} {
			if on(e, end) {
				both++
			}
		}
		return both > 2
	}
	if on(e, f.from) || on(e, f.to) || on(f, e.from) || on(f, e.to) {
		return true
	}
	return turn(e.from, e.to, f.from)*turn(e.from, e.to, f.to) < 0 && turn(f.from, f.to, e.from)*turn(f.from, f.to, e.to) < 0
}

// BenchmarkCrossingOfTheWorstOutline: every side of the most points reaches from edge to edge, while a person waits.
func BenchmarkCrossingOfTheWorstOutline(b *testing.B) {
	flat := make([]Point, 0, PointsMost)
	for i := range PointsMost / 2 {
		y := float64(i) * 0.5
		flat = append(flat, Point{10, y}, Point{3990, y + 0.25})
	}
	for b.Loop() {
		if _, crosses := crossing(flat); !crosses {
			b.Fatal("the side that closes it crosses all others")
		}
	}
}

func BenchmarkCheckOutlineOf10000(b *testing.B) {
	s := polygon(circle(2000, 3000, 1900, PointsMost)...)
	for b.Loop() {
		if err := s.Check(page); err != nil {
			b.Fatal(err)
		}
	}
}

func TestAnchorLiesInTheShape(t *testing.T) {
	for name, s := range map[string]Shape{
		"round":    polygon(circle(500, 500, 100, 30)...),
		"crescent": polygon(Point{0, 0}, Point{100, 0}, Point{100, 100}, Point{90, 100}, Point{90, 10}, Point{10, 10}, Point{10, 100}, Point{0, 100}),
	} {
		a := s.Anchor()
		if !within(a, s.Points) && a != s.Points[0] {
			t.Errorf("%s: %v", name, a)
		}
	}
}

func FuzzParsePoints(f *testing.F) {
	f.Add("1,2 3,4")
	f.Add(" 1.5 2e3,\n-4,NaN")
	f.Fuzz(func(t *testing.T, text string) {
		points, err := ParsePoints(text)
		if err != nil {
			return
		}
		again, err := ParsePoints(PointsText(points))
		if err != nil || len(again) != len(points) {
			t.Fatalf("%q: %v", PointsText(points), err)
		}
		for i := range again {
			if again[i] != points[i] {
				t.Fatalf("%v, then %v", points[i], again[i])
			}
		}
		for _, k := range Kinds {
			if s := (Shape{k, points}.Tidy()); s.Check(page) == nil && s.AreaPX2() > page.Width*page.Height {
				t.Fatalf("%v encloses more than the picture", s)
			}
		}
	})
}
