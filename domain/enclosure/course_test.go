package enclosure_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

	"farthingale/domain/enclosure"
)

func over(t testing.TB, n enclosure.Network, hours ...float64) []enclosure.Course {
	t.Helper()
	courses, err := enclosure.Over(n, hours, false)
	if err != nil {
		t.Fatal(err)
	}
	return courses
}

// startAt is the network with one space's level at the start given.
func startAt(n enclosure.Network, space int, g enclosure.Gas, level enclosure.Quantity) enclosure.Network {
	n.Spaces[space].Start = []enclosure.GasLevel{{Gas: g, UGM3: level}}
	return n
}

// TestOneSpaceOverTime is B3, B4 and B7.
//
// source: closed form of one well-mixed space, C_ss + (C_0 − C_ss)·e^(−kt); arithmetic.
func TestOneSpaceOverTime(t *testing.T) {
	n := single(as(1), as(1), emitter(acetic, as(1), as(200)))
	c := over(t, n.StartClean(), 72, 6, 24, 0)[0] // in any order
	for i, want := range []float64{4561.022, 1061.756, 3034.179, 0} {
		printed(t, "B3", c.Middle[i], want, 1e-3)
	}
	printed(t, "B4", over(t, startAt(single(as(1), as(10)), 0, acetic, as(4800)), 6)[0].Middle[0], 394.008, 1e-3)
	closed := single(as(1), as(0), emitter(acetic, as(1), as(200)))
	near(t, "B7", over(t, closed.StartClean(), 24)[0].Middle[0], 4800, 1e-12)
	near(t, "B7 from a level", over(t, startAt(closed, 0, acetic, as(1000)), 24)[0].Middle[0], 5800, 1e-12)
	still := startAt(single(as(1), as(0)), 0, acetic, as(7))
	near(t, "nothing comes, nothing goes", over(t, still, 1e6)[0].Middle[0], 7, 1e-12)
}

// TestTwoSpacesOverTime compares with the closed form of two spaces: eigenvalues of a 2 × 2 matrix.
//
// source: Boyce & DiPrima, Elementary Differential Equations, systems of two linear equations (from
// memory); the glove and case of B14.
func TestTwoSpacesOverTime(t *testing.T) {
	n := glove(20.609)
	n = startAt(n, 0, enclosure.HydrogenChloride, as(100))
	n = startAt(n, 1, enclosure.HydrogenChloride, as(5))
	q, out := 20.609*0.002/24, 0.5/24
	a, b, c, d := -q/0.002, q/0.002, q, -(q + out) // dx/dt = a·x + b·y + 25, dy/dt = c·x + d·y
	mean, half := (a+d)/2, math.Sqrt((a-d)*(a-d)/4+b*c)
	xs, ys := 2.4+0.05/q, 2.4
	x0, y0 := 100-xs, 5-ys
	hours := []float64{0, 0.1, 1, 5, 24, 100, 1000}
	courses := over(t, n, hours...)
	for i, h := range hours {
		// e^(At) = e^(mean·t)·(cosh(half·t)·I + sinh(half·t)/half·(A − mean·I))
		l1, l2 := math.Exp((mean+half)*h), math.Exp((mean-half)*h)
		ch, sh := (l1+l2)/2, (l1-l2)/2/half
		near(t, "glove", courses[0].Middle[i], xs+ch*x0+sh*((a-mean)*x0+b*y0), 1e-11)
		near(t, "case", courses[1].Middle[i], ys+ch*y0+sh*(c*x0+(d-mean)*y0), 1e-11)
	}
}

// TestAgainstMatrixExponential solves and steps networks with another program's dense solver and matrix
// exponential.
//
// source: Al-Mohy & Higham 2009, A new scaling and squaring algorithm for the matrix exponential, and LU
// with partial pivoting, both as in gonum.
func TestAgainstMatrixExponential(t *testing.T) {
	for seed := range uint64(40) {
		n, flows := randomNetwork(seed, 1e-2, 1)
		size := len(n.Spaces)
		a, s := mat.NewDense(size+1, size+1, nil), mat.NewVecDense(size, nil)
		start := mat.NewVecDense(size+1, nil)
		k := mat.NewDense(size, size, nil)
		for i, space := range n.Spaces {
			v := space.VolumeM3.Value
			for j := range n.Spaces {
				a.Set(i, j, flows.between[i][j]/v)
				k.Set(i, j, -flows.between[i][j])
			}
			k.Set(i, i, flows.lost(i))
			a.Set(i, i, -flows.lost(i)/v)
			a.Set(i, size, flows.gain[i]/v)
			s.SetVec(i, flows.gain[i])
			start.SetVec(i, space.Start[0].UGM3.Value)
		}
		start.SetVec(size, 1)
		want := mat.NewVecDense(size, nil)
		if err := want.SolveVec(k, s); err != nil {
			t.Fatal(err)
		}
		for i, l := range steady(t, n) {
			near(t, fmt.Sprintf("steady %d, space %d", seed, i), l.UGM3.Middle, want.AtVec(i), 1e-9)
		}
		const hour = 7.5
		var at, e mat.Dense
		at.Scale(hour, a)
		e.Exp(&at)
		end := mat.NewVecDense(size+1, nil)
		end.MulVec(&e, start)
		for i, c := range over(t, n, hour) {
			near(t, fmt.Sprintf("course %d, space %d", seed, i), c.Middle[0], end.AtVec(i), 1e-9)
		}
	}
}

// TestCourseRange: the ends of a course come from the ends of the inputs.
func TestCourseRange(t *testing.T) {
	n := single(as(1), as(0.2).Between(0.1, 0.3), emitter(acetic, as(1), as(200).Between(100, 300)))
	hours := []float64{6, 48, 1e5}
	courses, err := enclosure.Over(n.StartClean(), hours, true)
	if err != nil {
		t.Fatal(err)
	}
	c := courses[0]
	for i, h := range hours {
		level := func(e, perDay float64) float64 { return -e * 24 / perDay * math.Expm1(-perDay/24*h) }
		near(t, "least", c.Least[i], level(100, 0.3), 1e-12)
		near(t, "middle", c.Middle[i], level(200, 0.2), 1e-12)
		near(t, "greatest", c.Greatest[i], level(300, 0.1), 1e-12)
	}
	if !strings.HasPrefix(c.How, "Corners") {
		t.Error(c.How)
	}
	for _, wrong := range [][]float64{nil, {-1}, {math.NaN()}, {1e9}} {
		if _, err := enclosure.Over(n, wrong, false); err == nil {
			t.Errorf("%v was taken", wrong)
		}
	}
	if _, err := enclosure.Over(n, enclosure.Hourly(30_000), true); err == nil {
		t.Error("too many points with ranges were taken")
	}
	// Without a start level there is no course, rather than one from zero.
	courses, err = enclosure.Over(n, hours, true)
	if err != nil || courses[0].Middle != nil || len(courses[0].Missing) != 1 || !strings.Contains(courses[0].Answer, "level of acetic acid at the start in case") {
		t.Errorf("%+v, %v", courses, err)
	}
}
