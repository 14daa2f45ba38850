package align

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/photo/mark"
)

var square = mark.Size{Width: 4000, Height: 3000}

// Umeyama's example has a negative coordinate; moved by a hundred it lies in a picture, which changes
// only the shift.
//
// source: Umeyama 1991, Least-squares estimation of transformation parameters between two point patterns,
// IEEE Trans. PAMI 13(4), section III, figure 1: rotation [[0.832, 0.555], [−0.555, 0.832]], shift
// [−0.800, 0.400], scale 0.721; figures from memory. The mean square error of these figures is (0.80 + 0.64 + 0.16) / 3.
func TestUmeyama(t *testing.T) {
	small := mark.Size{Width: 3, Height: 3}
	ties := []Tie{{After: mark.Point{0, 0}, Before: mark.Point{1, 0}}, {After: mark.Point{1, 0}, Before: mark.Point{0, 0}}, {After: mark.Point{0, 2}, Before: mark.Point{1, 2}}}
	f, err := Of(Similarity, ties, small, small)
	if err != nil {
		t.Fatal(err)
	}
	k := f.Scale()
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"scale", k, 0.721}, {"r11", f.A / k, 0.832}, {"r12", f.C / k, 0.555}, {"r21", f.B / k, -0.555}, {"r22", f.D / k, 0.832},
		{"shift x", f.E - 1, -0.800}, {"shift y", f.F, 0.400}, {"mean square error", f.RMSPX * f.RMSPX, 1.6 / 3},
	} {
		if math.Abs(c.got-c.want) > 0.0006 {
			t.Errorf("%s: got %.4f, published %.3f", c.what, c.got, c.want)
		}
	}
	if f.Spare != 2 {
		t.Errorf("three pairs leave %d equations spare", f.Spare)
	}
}

// A picture that was moved, turned, scaled (and stretched) is laid back exactly, whatever pairs are taken.
func TestLaysBack(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 1))
	for range 500 {
		for _, kind := range []Kind{Similarity, Affine} {
			turn, k := random.Float64()*2*math.Pi, 0.4+random.Float64()
			true_ := Fit{A: k * math.Cos(turn), B: k * math.Sin(turn), C: -k * math.Sin(turn), D: k * math.Cos(turn)}
			if kind == Affine {
				true_.A, true_.C = true_.A*1.2, true_.C*1.2+0.1
			}
			var ties []Tie
			for range 3 + random.IntN(2) {
				p := mark.Point{random.Float64() * 4000, random.Float64() * 3000}
				q := true_.At(mark.Point{p[0] - 2000, p[1] - 1500})
				ties = append(ties, Tie{After: p, Before: mark.Point{q[0] + 10000, q[1] + 10000}})
			}
			f, err := Of(kind, ties, mark.Size{Width: 20000, Height: 20000}, square)
			if err != nil {
				continue // points that happened to lie badly
			}
			if f.RMSPX > 1e-6 || math.Abs(f.A-true_.A)+math.Abs(f.B-true_.B)+math.Abs(f.C-true_.C)+math.Abs(f.D-true_.D) > 1e-9 {
				t.Fatalf("%s: got %+v, drawn %+v", kind, f, true_)
			}
		}
	}
}

// No other similarity has a smaller residual than the one that is given.
func TestLeastSquares(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 2))
	sum := func(f Fit, ties []Tie) float64 { f.ResidualsPX = nil; f.rest(ties); return f.RMSPX }
	for range 200 {
		var ties []Tie
		for _, p := range []mark.Point{{300, 200}, {3500, 400}, {3300, 2600}, {500, 2500}} {
			ties = append(ties, Tie{Before: mark.Point{p[0] + 40*random.Float64(), p[1] + 40*random.Float64()}, After: p})
		}
		f, err := Of(Similarity, ties, square, square)
		if err != nil {
			t.Fatal(err)
		}
		if g, err := Of(Affine, ties, square, square); err != nil || g.RMSPX > f.RMSPX+1e-9 {
			t.Fatalf("affine %v is worse than similarity %v (%v)", g.RMSPX, f.RMSPX, err)
		}
		for range 20 {
			other := f
			turn, k := (random.Float64()-0.5)*0.001, 1+(random.Float64()-0.5)*0.001
			a, b := f.A, f.B
			other.A, other.B = k*(a*math.Cos(turn)-b*math.Sin(turn)), k*(a*math.Sin(turn)+b*math.Cos(turn))
			other.C, other.D = -other.B, other.A
			other.E += random.Float64() - 0.5
			if sum(other, ties) < f.RMSPX-1e-9 {
				t.Fatalf("%+v lies nearer than %+v", other, f)
			}
		}
	}
}

func TestTurnAndScale(t *testing.T) {
	// The later picture was turned a quarter clockwise and is half as large: back it is turned the other way.
	f, err := Of(Similarity, []Tie{{mark.Point{1000, 1000}, mark.Point{500, 500}}, {mark.Point{1000, 2000}, mark.Point{1000, 500}}}, square, square)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(f.Scale()-2) > 1e-12 || math.Abs(f.TurnDegrees()-90) > 1e-9 || f.Spare != 0 {
		t.Errorf("got scale %v, turn %v, spare %d", f.Scale(), f.TurnDegrees(), f.Spare)
	}
}

func TestRefusesBadTies(t *testing.T) {
	a, b, c, d := mark.Point{100, 100}, mark.Point{3000, 200}, mark.Point{2900, 2500}, mark.Point{200, 2400}
	same := func(points ...mark.Point) []Tie {
		var ties []Tie
		for _, p := range points {
			ties = append(ties, Tie{p, p})
		}
		return ties
	}
	for _, c := range []struct {
		name, says string
		kind       Kind
		ties       []Tie
	}{
		{"one pair", "2 to 4", Similarity, same(a)},
		{"five pairs", "2 to 4", Similarity, same(a, b, c, d, mark.Point{1500, 1500})},
		{"affine by two", "three pairs", Affine, same(a, b)},
		{"unknown kind", "similarity or affine", "free", same(a, b)},
		{"outside", "outside", Similarity, same(a, mark.Point{4001, 10})},
		{"not a number", "outside", Similarity, same(a, mark.Point{math.NaN(), 10})},
		{"on one line", "one line", Affine, same(mark.Point{100, 100}, mark.Point{1000, 1000}, mark.Point{2000, 2000}, mark.Point{2900, 2900})},
		{"on one line, similarity", "one line", Similarity, same(mark.Point{100, 100}, mark.Point{1000, 1000}, mark.Point{2000, 2010})},
		{"one point twice", "same place", Similarity, same(a, mark.Point{101, 99})},
		{"one on the same place after", "same place", Similarity, []Tie{{a, a}, {b, a}}},
		{"mirrored", "exchanged", Affine, []Tie{{a, b}, {b, a}, {c, c}}},
	} {
		_, err := Of(c.kind, c.ties, square, square)
		var e *domain.Error
		if !errors.As(err, &e) || e.Kind != domain.KindInvalid {
			t.Errorf("%s: got %v", c.name, err)
			continue
		}
		said := e.Message
		for _, f := range e.Fields {
			said += " " + f.Message
		}
		if !strings.Contains(said, c.says) {
			t.Errorf("%s says %q", c.name, said)
		}
	}
}
