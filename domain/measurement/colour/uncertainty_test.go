package colour

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The worked example: five readings each time, means and deviations given to three and four decimals.
//
// source: common practice (five readings, sample deviation, ΔE between the means); the figures were
// computed with two public libraries.
func TestWorkedExample(t *testing.T) {
	first := Mean([]Lab{{62.31, 5.42, 18.77}, {62.48, 5.36, 18.61}, {62.22, 5.51, 18.85}, {62.37, 5.40, 18.70}, {62.40, 5.47, 18.72}})
	second := Mean([]Lab{{63.95, 4.80, 16.92}, {64.10, 4.71, 16.80}, {63.88, 4.90, 17.05}, {64.02, 4.77, 16.88}, {63.99, 4.83, 16.95}})
	for _, c := range []struct{ got, want, within float64 }{
		{first.L, 62.356, 5e-4}, {first.A, 5.432, 5e-4}, {first.B, 18.730, 5e-4}, {second.L, 63.988, 5e-4}, {second.A, 4.802, 5e-4}, {second.B, 16.920, 5e-4},
		{first.SD.L, 0.0976, 5e-5}, {first.SD.A, 0.0589, 5e-5}, {first.SD.B, 0.0886, 5e-5}, {second.SD.L, 0.0817, 5e-5}, {second.SD.A, 0.0705, 5e-5}, {second.SD.B, 0.0919, 5e-5},
	} {
		near(t, "mean or deviation", c.got, c.want, c.within)
	}
	c := Compare(first, second)
	near(t, "ΔE*ab", c.DEab, 2.5172, 1e-4)
	near(t, "ΔE2000", c.DE2000, 1.7467, 1e-4)
	if !c.Known || !c.Proven {
		t.Errorf("the change is not proven: %+v", c)
	}
	// A difference within the spread is not.
	near0 := second
	near0.Lab = Lab{first.L + 0.05, first.A - 0.03, first.B + 0.04}
	if c := Compare(first, near0); !c.Known || c.Proven {
		t.Errorf("proven: %+v", c)
	}
}

// source: JCGM 102:2011, 6.5: χ² with three degrees of freedom; its distribution is
// erf(√(x/2)) − √(2x/π)·e^(−x/2).
func TestRegion(t *testing.T) {
	near(t, "χ²", math.Erf(math.Sqrt(region/2))-math.Sqrt(2*region/math.Pi)*math.Exp(-region/2), 0.95, 1e-4)
}

// source: JCGM 100:2008 (GUM), table G.2: the factor goes on falling towards 1.96 where the table ends.
func TestFewReadings(t *testing.T) {
	for n := 3; n < 200; n++ {
		if ofFew(n) > ofFew(n-1)+1e-9 || ofFew(n) < 1 {
			t.Fatalf("n = %d: %v after %v", n, ofFew(n), ofFew(n-1))
		}
	}
	near(t, "61 readings (t = 2.000)", ofFew(61), 2.000/1.96, 0.002)
}

// To first order the ± is what scatter of repeated measurements shows.
//
// source: JCGM 101:2008: propagation of distributions by drawing from them.
func TestPropagationAgainstDraws(t *testing.T) {
	dice := rand.New(rand.NewPCG(7, 8))
	one, two := Reading{Lab: Lab{45, 20, -12}, N: 400, SD: &Lab{3, 2, 4}}, Reading{Lab: Lab{52, 14, -3}, N: 400, SD: &Lab{2, 3, 2}}
	c := Compare(one, two)
	draw := func(r Reading) Lab {
		return Lab{r.L + dice.NormFloat64()*r.SD.L/20, r.A + dice.NormFloat64()*r.SD.A/20, r.B + dice.NormFloat64()*r.SD.B/20}
	}
	const n = 20000
	var sum, squares float64
	for range n {
		d := DE2000(draw(one), draw(two))
		sum, squares = sum+d, squares+d*d
	}
	sd := math.Sqrt(squares/n - sum/n*sum/n)
	near(t, "± against draws", c.PlusMinus, 2*sd, 0.05*2*sd)
}

// Where nothing has changed, a change is called proven in at most 5 of 100 cases, also with few
// readings; a large one nearly always.
func TestFalseAlarms(t *testing.T) {
	dice := rand.New(rand.NewPCG(9, 10))
	measure := func(at Lab, n int) Reading {
		all := make([]Lab, n)
		for i := range all {
			all[i] = Lab{at.L + dice.NormFloat64()*0.12, at.A + dice.NormFloat64()*0.06, at.B + dice.NormFloat64()*0.09}
		}
		return Mean(all)
	}
	for _, n := range []int{3, 5, 10, 25} {
		alarms, found := 0, 0
		const tries = 4000
		for range tries {
			at := Lab{55, 12, 18}
			if Compare(measure(at, n), measure(at, n)).Proven {
				alarms++
			}
			if Compare(measure(at, n), measure(Lab{57, 10, 16}, n)).Proven {
				found++
			}
		}
		if alarms > tries*5/100 {
			t.Errorf("n = %d: %d false alarms of %d", n, alarms, tries)
		}
		if found < tries*99/100 {
			t.Errorf("n = %d: a change of ΔE*ab 3.5 is found in %d of %d", n, found, tries)
		}
	}
}

// What is not known proves nothing, and a bound widens the answer.
func TestUnknownSpread(t *testing.T) {
	single := Reading{Lab: Lab{50, 0, 0}, N: 1}
	series := Reading{Lab: Lab{60, 0, 0}, N: 5, SD: &Lab{0.1, 0.1, 0.1}}
	if c := Compare(single, series); c.Known || c.Proven || c.DEab != 10 {
		t.Errorf("%+v", c)
	}
	given := Reading{Lab: Lab{59, 0, 0}, Exact: true}
	if c := Compare(given, series); !c.Known || !c.Proven {
		t.Errorf("%+v", c)
	}
	given.Bound = 2
	if c := Compare(given, series); c.Proven {
		t.Errorf("within the tolerance: %+v", c)
	}
	before := 0.0
	for _, bound := range []float64{0, 0.3, 1, 3} {
		series.Bound = bound
		c := Compare(Reading{Lab: Lab{50, 3, 2}, N: 5, SD: &Lab{0.1, 0.1, 0.1}}, series)
		if c.PlusMinus < before {
			t.Errorf("bound %v: ± %v after %v", bound, c.PlusMinus, before)
		}
		before = c.PlusMinus
	}
	if c := Compare(series, series); math.IsNaN(c.PlusMinus) || c.Proven {
		t.Errorf("the same twice: %+v", c)
	}
}
