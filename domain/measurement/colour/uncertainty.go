package colour

import (
	"math"
)

// Reading is the mean of n readings of one spot, lifted and set down anew between them.
type Reading struct {
	Lab
	N     int     // readings
	SD    *Lab    // sample standard deviation (n − 1) of each; nil: not known
	Bound float64 // ΔE*ab that the spread does not show: drift of the check tile, tolerance of a specified colour
	Exact bool    // no reading: the colour is given, with Bound as its tolerance
}

// Change is a difference with how sure it is.
type Change struct {
	Difference
	Known       bool    `json:"known"`         // the spread of both readings is known; else the two figures below are 0
	PlusMinus   float64 `json:"plus_minus"`    // of CIEDE2000, k = 2
	AbPlusMinus float64 `json:"ab_plus_minus"` // of ΔE*ab, k = 2
	Proven      bool    `json:"proven"`
}

// region is the square of the factor by which the standard uncertainties of three quantities are
// stretched so that their ellipsoid holds 95 in 100: 2.80².
//
// source: JCGM 102:2011, 6.5 (hyper-ellipsoidal coverage region): the 0.95 quantile of χ² with 3 degrees
// of freedom.
const region = 7.815

// student is the factor of Student's distribution for 95 % at 1, 2 … degrees of freedom.
//
// source: JCGM 100:2008 (GUM), table G.2.
var student = []float64{12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23, 2.20, 2.18, 2.16, 2.14, 2.13, 2.12, 2.11, 2.10, 2.09, 2.09}

// ofFew is how much wider an uncertainty from few readings is taken, since their spread is itself not
// well known: Student's factor for n − 1 degrees of freedom over that of very many.
func ofFew(n int) float64 {
	if n-1 > len(student) {
		return 1 + 1.25/float64(n-1) // falls on towards 1, as the series of Student's factor does
	}
	return student[n-2] / 1.96
}

// standard are the standard uncertainties of the mean; false when they are not known. One reading
// alone tells nothing of its spread.
func (r Reading) standard() (Lab, bool) {
	if r.Exact {
		return Lab{}, true
	}
	if r.SD == nil || r.N < 2 {
		return Lab{}, false
	}
	f := ofFew(r.N) / math.Sqrt(float64(r.N))
	return Lab{r.SD.L * f, r.SD.A * f, r.SD.B * f}, true
}

// Compare says how the later reading differs from the earlier, with its uncertainty.
//
// The uncertainty is propagated to first order: u² = Σ (∂ΔE/∂q)²·u(q)² over L*, a*, b* of both readings,
// the derivatives by central differences; to it comes that of each bound, taken as evenly likely up to
// the bound (u = bound/√3). Shown is ± 2 u.
//
// A difference has no sign, so it is never below zero, and between two readings of the same colour it
// is above zero by their scatter alone. So ΔE against its own uncertainty does not decide whether there
// is a change: that is proven when no change at all lies outside the region in L*, a*, b* that holds 95
// in 100 of what the true change may be, and ΔE is larger than its ± as well.
//
// source: JCGM 100:2008 (GUM), 5.1.2 (propagation), 4.3.7 (bounds); JCGM 102:2011, 6.5 (region).
func Compare(earlier, later Reading) Change {
	c := Change{Difference: Between(earlier.Lab, later.Lab)}
	u1, known1 := earlier.standard()
	u2, known2 := later.standard()
	if !known1 || !known2 {
		return c
	}
	c.Known = true
	bounds := (earlier.Bound*earlier.Bound + later.Bound*later.Bound) / 3
	ab := math.Sqrt(propagated(DEab, earlier.Lab, later.Lab, u1, u2) + bounds)
	// A bound is a ΔE*ab; in CIEDE2000 it is as much larger or smaller as the difference itself is.
	scale := 1.0
	if c.DEab > 0 {
		scale = c.DE2000 / c.DEab
	}
	c.AbPlusMinus = 2 * ab
	c.PlusMinus = 2 * math.Sqrt(propagated(DE2000, earlier.Lab, later.Lab, u1, u2)+bounds*scale*scale)
	c.Proven = outside(c.DL, u1.L, u2.L, bounds)+outside(c.DA, u1.A, u2.A, bounds)+outside(c.DB, u1.B, u2.B, bounds) > region &&
		c.DEab > c.AbPlusMinus && c.DE2000 > c.PlusMinus
	return c
}

// outside is a squared difference in units of its variance; each axis carries the bounds whole, which
// is the cautious reading of a bound that does not say its direction.
func outside(d, u1, u2, bounds float64) float64 {
	variance := u1*u1 + u2*u2 + bounds
	switch {
	case d == 0:
		return 0
	case variance == 0:
		return math.Inf(1)
	}
	return d * d / variance
}

// propagated is the variance of a difference to first order.
func propagated(difference func(a, b Lab) float64, one, two, u1, u2 Lab) float64 {
	const h = 1e-4
	sum := 0.0
	for k, u := range []float64{u1.L, u1.A, u1.B, u2.L, u2.A, u2.B} {
		if u == 0 {
			continue
		}
		slope := (difference(moved(one, two, k, h)) - difference(moved(one, two, k, -h))) / (2 * h)
		if one == two { // no slope at the bottom of the cone: it rises as steeply on every side
			slope = difference(moved(one, two, k, h)) / h
		}
		sum += slope * slope * u * u
	}
	return sum
}

// moved moves one of the six figures.
func moved(one, two Lab, k int, by float64) (Lab, Lab) {
	all := []*float64{&one.L, &one.A, &one.B, &two.L, &two.A, &two.B}
	*all[k] += by
	return one, two
}

// Mean is the mean and the sample standard deviation of repeated readings of one spot. Angles of hue
// are never averaged, a* and b* are.
func Mean(readings []Lab) Reading {
	r := Reading{N: len(readings)}
	if r.N == 0 {
		return r
	}
	n := float64(r.N)
	for _, x := range readings {
		r.L, r.A, r.B = r.L+x.L/n, r.A+x.A/n, r.B+x.B/n
	}
	if r.N < 2 {
		return r
	}
	var sd Lab
	for _, x := range readings {
		sd.L, sd.A, sd.B = sd.L+(x.L-r.L)*(x.L-r.L), sd.A+(x.A-r.A)*(x.A-r.A), sd.B+(x.B-r.B)*(x.B-r.B)
	}
	r.SD = &Lab{math.Sqrt(sd.L / (n - 1)), math.Sqrt(sd.A / (n - 1)), math.Sqrt(sd.B / (n - 1))}
	return r
}
