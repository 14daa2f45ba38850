package enclosure_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"farthingale/domain/enclosure"
)

var room20 = enclosure.Air{TempC: as(20), PressureHPa: as(enclosure.StandardHPa)}

func exchange(t testing.TB, g enclosure.Gap, gas enclosure.Gas, litres float64) enclosure.GapExchange {
	t.Helper()
	x, err := g.Exchange(gas, as(litres/1000), room20)
	if err != nil {
		t.Fatal(err)
	}
	if len(x.Missing) > 0 {
		t.Fatal(x.Missing)
	}
	return x
}

func ring(shape enclosure.Shape, widthMM float64) enclosure.Gap {
	return enclosure.Gap{Shape: shape, DiameterMM: as(100), WidthMM: as(widthMM), DepthMM: as(10)}
}

// TestRingGap is check G1: a ring of 100 mm, 10 mm deep, at 20 °C, in air changes per day by diffusion
// alone.
//
// source: Fick's law with the coefficients of Massman 1998 and Fuller et al. 1966; arithmetic.
func TestRingGap(t *testing.T) {
	columns := []struct {
		gas    enclosure.Gas
		litres float64
	}{
		{enclosure.HydrogenChloride, 1}, {enclosure.HydrogenChloride, 2}, {enclosure.HydrogenChloride, 3},
		{enclosure.AceticAcid, 2}, {enclosure.HydrogenSulfide, 2}, {enclosure.CarbonDioxide, 2},
	}
	for width, row := range map[float64][6]float64{
		0.1: {4.49, 2.24, 1.50, 1.51, 2.15, 2.11},
		0.3: {13.21, 6.60, 4.40, 4.44, 6.33, 6.20},
		0.5: {21.59, 10.80, 7.20, 7.25, 10.35, 10.14},
		1:   {41.22, 20.61, 13.74, 13.85, 19.75, 19.36},
		2:   {75.57, 37.78, 25.19, 25.39, 36.21, 35.50},
		3:   {104.63, 52.32, 34.88, 35.16, 50.14, 49.15},
		5:   {151.13, 75.57, 50.38, 50.78, 72.43, 71.00},
	} {
		for i, c := range columns {
			x := exchange(t, ring(enclosure.RingLying, width), c.gas, c.litres)
			printed(t, fmt.Sprintf("%s, %g L, %g mm", c.gas, c.litres, width), x.Diffusion.Middle, row[i], 0.01)
			near(t, "sum", x.PerDay.Middle, x.Diffusion.Middle+enclosure.BreathingPerDay, 1e-12)
			if x.Stack.Middle != 0 {
				t.Error("a lying ring has no stack")
			}
		}
	}
}

// TestDeepSpace is check G3: 0.25 m deep, HCl, diffusion alone; and mixing inside by itself.
//
// source: Crank 1975, The Mathematics of Diffusion: slowest mode of a slab closed at one end, π²D/4x²;
// its sum with the gap lies 1 to 5 % under the root of m·tan(m·x) = G/(D·A) (arithmetic).
func TestDeepSpace(t *testing.T) {
	exact := map[float64]float64{0.1: 2.173, 1: 15.705, 2: 23.802, 5: 34.093}
	for width, want := range map[float64]float64{0.1: 2.16, 1: 15.13, 2: 22.72, 5: 32.48} {
		g := ring(enclosure.RingLying, width)
		g.InnerDepthMM, g.InnerWidthMM = as(250), as(80)
		g.DailyTempK, g.DailyPressureHPa = as(0), as(0)
		x := exchange(t, g, enclosure.HydrogenChloride, 2)
		if !x.Deep {
			t.Fatal("a deep space is not seen as deep")
		}
		printed(t, fmt.Sprintf("G3 %g mm", width), x.PerDay.Middle, want, 0.01)
		printed(t, "mixing inside", x.Inside.Middle, 56.98, 0.01)
		if share := x.PerDay.Middle / exact[width]; share < 0.945 || share > 1 {
			t.Errorf("%g mm: %g of the exact root", width, share)
		}
	}
	g := ring(enclosure.RingLying, 1)
	g.InnerDepthMM, g.InnerWidthMM = as(600), as(80)
	printed(t, "mixing inside 0.6 m", exchange(t, g, enclosure.HydrogenChloride, 2).Inside.Middle, 9.892, 1e-3)
	g.InnerWidthMM = as(250)
	if x := exchange(t, g, enclosure.HydrogenChloride, 2); x.Deep || x.Inside.Middle != 0 {
		t.Error("600 mm is not deep behind 250 mm")
	}
}

// TestStandingRing is check G4: a standing ring with 2 L behind it.
//
// source: Baker, Sharples & Ward 1987, Air flow through cracks (from memory), quadratic with C = 1.5;
// Sutherland's law; arithmetic.
func TestStandingRing(t *testing.T) {
	for _, c := range []struct{ width, diff, want, last float64 }{
		{1, 0.5, 1.9990, 1e-4}, {1, 2, 7.9931, 1e-4}, {0.3, 1, 0.10796, 1e-5}, {3, 1, 105.90, 0.01},
	} {
		g := ring(enclosure.RingStanding, c.width)
		g.TempDiffK = as(c.diff)
		printed(t, fmt.Sprintf("stack %g mm %g K", c.width, c.diff), exchange(t, g, enclosure.HydrogenChloride, 2).Stack.Middle, c.want, c.last)
	}
	g := ring(enclosure.RingStanding, 1)
	g.TempDiffK, g.DailyTempK, g.DailyPressureHPa = as(0.5), as(2), as(10)
	x := exchange(t, g, enclosure.HydrogenChloride, 2)
	printed(t, "flow in m³/s", x.Stack.Middle*0.002/86400*1e8, 4.62733, 1e-5)
	printed(t, "diffusion", x.Diffusion.Middle, 20.609, 1e-3)
	printed(t, "breathing", x.Breathing.Middle, 0.01669, 1e-5)
	printed(t, "total", x.PerDay.Middle, 22.625, 1e-3)
	near(t, "flow", x.FlowM3H.Middle, 22.625*0.002/24, 1e-4)
	g.InnerDepthMM, g.InnerWidthMM = as(250), as(80)
	printed(t, "total, deep", exchange(t, g, enclosure.HydrogenChloride, 2).PerDay.Middle, 16.352, 1e-3)
	g.DailyTempK, g.DailyPressureHPa = as(5), as(15)
	printed(t, "breathing 5 K, 15 hPa", exchange(t, g, enclosure.HydrogenChloride, 2).Breathing.Middle, 0.03186, 1e-5)
}

// TestHoles is checks G5 and G7.
//
// source: Brown & Escombe 1900 (from memory), a round hole of length L passes D·πr²/(L + πr/2); ASHRAE
// Handbook Fundamentals 1997, eq. 25.37, two wide holes, with 0.6; one tall opening with a third of it
// (from memory).
func TestHoles(t *testing.T) {
	hole := enclosure.Gap{Shape: enclosure.Hole, DiameterMM: as(10), DepthMM: as(5)}
	printed(t, "G5 hole", exchange(t, hole, enclosure.HydrogenChloride, 2).Diffusion.Middle, 4.4092, 1e-4)
	vents := enclosure.Gap{Shape: enclosure.Hole, DiameterMM: as(6), DepthMM: as(2), Count: 2}
	printed(t, "G5 vents, HCl", exchange(t, vents, enclosure.HydrogenChloride, 3).Diffusion.Middle, 4.0528, 1e-4)
	printed(t, "G5 vents, acetic acid", exchange(t, vents, enclosure.AceticAcid, 3).Diffusion.Middle, 2.7234, 1e-4)

	pair := enclosure.Gap{Shape: enclosure.HolePair, DiameterMM: as(20), DepthMM: as(5), HeightMM: as(500), TempDiffK: as(1)}
	x := exchange(t, pair, enclosure.CarbonDioxide, 100)
	printed(t, "G7 two holes, per day", x.Stack.Middle, 21.06, 0.01)
	printed(t, "G7 two holes, 1e-5 m³/s", x.Stack.Middle*0.1/86400*1e5, 2.43782, 1e-5)
	pair.UpperDiameterMM = as(20)
	near(t, "the same said twice", exchange(t, pair, enclosure.CarbonDioxide, 100).PerDay.Middle, x.PerDay.Middle, 1e-12)
	pair.UpperDiameterMM = as(40)
	a1, a2 := math.Pi*1e-4, math.Pi*4e-4
	near(t, "unlike holes", exchange(t, pair, enclosure.CarbonDioxide, 100).Stack.Middle,
		x.Stack.Middle*(a1*a2/math.Hypot(a1, a2))/(a1/math.Sqrt2), 1e-12)

	tall := enclosure.Gap{Shape: enclosure.TallOpening, WidthMM: as(50), HeightMM: as(200), DepthMM: as(5), TempDiffK: as(1)}
	printed(t, "G7 tall opening, 1e-4 m³/s", exchange(t, tall, enclosure.CarbonDioxide, 100).Stack.Middle*0.1/86400*1e4, 1.63591, 1e-5)
}

// TestCaseOfGlass is check G6 against published figures, which it meets within a factor of three only:
// near 1 per day at gaps up to 0.3 mm, 20 or more at 1.5 to 2 mm.
//
// source: Marcon after Michalski 1994, leakage of a glass cube of 1 m³ (second-hand); the exact figures
// are arithmetic.
func TestCaseOfGlass(t *testing.T) {
	for _, c := range []struct{ width, diffusion, stack, published float64 }{
		{0.3, 0.316, 0.086, 1}, {1.5, 1.415, 10.594, 20}, {2, 1.808, 24.186, 20},
	} {
		g := enclosure.Gap{Shape: enclosure.SlitPair, WidthMM: as(c.width), LengthMM: as(4000), DepthMM: as(10), HeightMM: as(1000), TempDiffK: as(1)}
		x := exchange(t, g, enclosure.CarbonDioxide, 1000)
		printed(t, "diffusion", x.Diffusion.Middle, c.diffusion, 1e-3)
		printed(t, "stack", x.Stack.Middle, c.stack, 1e-3)
		if sum := x.Diffusion.Middle + x.Stack.Middle; sum < c.published/3 || sum > c.published*3 {
			t.Errorf("%g mm: %g per day against %g", c.width, sum, c.published)
		}
	}
	g := enclosure.Gap{Shape: enclosure.SlitPair, WidthMM: as(1.75), LengthMM: as(4000), DepthMM: as(10), HeightMM: as(1000), TempDiffK: as(1)}
	x := exchange(t, g, enclosure.CarbonDioxide, 1000)
	printed(t, "1.75 mm", x.Diffusion.Middle+x.Stack.Middle, 18.18, 0.01)
}

// TestGapMonotone: each part and the whole only grow with every length but the depth and with every
// difference, and only fall with the depth and the volume, for every shape: the directions that the
// ranges rely on.
func TestGapMonotone(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 2))
	between := func(a, b float64) float64 { return a * math.Pow(b/a, chance.Float64()) }
	fields := []struct {
		name string
		q    func(*enclosure.Gap) *enclosure.Quantity
		up   bool
	}{
		{"width", func(g *enclosure.Gap) *enclosure.Quantity { return &g.WidthMM }, true},
		{"length", func(g *enclosure.Gap) *enclosure.Quantity { return &g.LengthMM }, true},
		{"depth", func(g *enclosure.Gap) *enclosure.Quantity { return &g.DepthMM }, false},
		{"diameter", func(g *enclosure.Gap) *enclosure.Quantity { return &g.DiameterMM }, true},
		{"upper diameter", func(g *enclosure.Gap) *enclosure.Quantity { return &g.UpperDiameterMM }, true},
		{"height", func(g *enclosure.Gap) *enclosure.Quantity { return &g.HeightMM }, true},
		{"difference", func(g *enclosure.Gap) *enclosure.Quantity { return &g.TempDiffK }, true},
		{"daily temperature", func(g *enclosure.Gap) *enclosure.Quantity { return &g.DailyTempK }, true},
		{"daily pressure", func(g *enclosure.Gap) *enclosure.Quantity { return &g.DailyPressureHPa }, true},
		{"inner depth", func(g *enclosure.Gap) *enclosure.Quantity { return &g.InnerDepthMM }, false},
		{"inner width", func(g *enclosure.Gap) *enclosure.Quantity { return &g.InnerWidthMM }, true},
	}
	for range 3000 {
		g, litres := randomGap(between, chance), between(0.5, 2000)
		gas := enclosure.Substances[chance.IntN(6)].Gas
		if gas == enclosure.CarbonDisulfide {
			continue
		}
		before := exchange(t, g, gas, litres).PerDay.Middle
		for _, f := range fields {
			if !f.q(&g).Given() {
				continue
			}
			changed := g
			*f.q(&changed) = as(f.q(&g).Value * between(1, 4))
			if f.name == "difference" || strings.HasPrefix(f.name, "daily") {
				*f.q(&changed) = as(math.Min(f.q(&changed).Value, 60))
			}
			after := exchange(t, changed, gas, litres).PerDay.Middle
			if f.up && after < before*(1-1e-12) || !f.up && after > before*(1+1e-12) {
				t.Fatalf("%s of %+v: %g, then %g", f.name, g, before, after)
			}
		}
		if after := exchange(t, g, gas, litres*1.5).PerDay.Middle; after > before*(1+1e-12) {
			t.Fatalf("volume of %+v: %g, then %g", g, before, after)
		}
	}
}

func randomGap(between func(a, b float64) float64, chance *rand.Rand) enclosure.Gap {
	g := enclosure.Gap{Shape: enclosure.Shapes[chance.IntN(len(enclosure.Shapes))], DepthMM: as(between(1, 100))}
	switch g.Shape {
	case enclosure.Slit, enclosure.SlitPair:
		g.WidthMM, g.LengthMM = as(between(0.05, 20)), as(between(10, 4000))
	case enclosure.RingLying, enclosure.RingStanding:
		g.WidthMM, g.DiameterMM = as(between(0.05, 20)), as(between(30, 400))
	case enclosure.Hole:
		g.DiameterMM, g.Count = as(between(1, 50)), chance.IntN(5)
	case enclosure.HolePair:
		g.DiameterMM = as(between(10, 100))
		if chance.IntN(2) == 0 {
			g.UpperDiameterMM = as(between(10, 100))
		}
	case enclosure.TallOpening:
		g.WidthMM = as(between(10, 500))
	}
	if g.Shape == enclosure.SlitPair || g.Shape == enclosure.HolePair || g.Shape == enclosure.TallOpening {
		g.HeightMM = as(between(50, 3000))
	}
	if !slices.Contains([]enclosure.Shape{enclosure.Slit, enclosure.Hole, enclosure.RingLying}, g.Shape) {
		g.TempDiffK = as(between(0.01, 10))
	}
	if chance.IntN(2) == 0 {
		g.DailyTempK, g.DailyPressureHPa = as(between(0.5, 10)), as(between(1, 30))
	}
	if chance.IntN(2) == 0 {
		g.InnerDepthMM, g.InnerWidthMM = as(between(50, 1000)), as(between(20, 500))
	}
	return g
}

// TestGapRange: the known directions give the ends without trying every corner.
func TestGapRange(t *testing.T) {
	g := ring(enclosure.RingLying, 1)
	g.WidthMM = as(1).Between(0.5, 2)
	x, err := g.Exchange(enclosure.CarbonDioxide, as(0.002), room20)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "least", x.Diffusion.Least, 10.14, 0.01)
	printed(t, "middle", x.Diffusion.Middle, 19.36, 0.01)
	printed(t, "greatest", x.Diffusion.Greatest, 35.50, 0.01)
	// A coefficient that is only estimated brings its own 30 %.
	x, err = ring(enclosure.RingLying, 1).Exchange(enclosure.HydrogenChloride, as(0.002), room20)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "least with Fuller", x.Diffusion.Least, 0.7*x.Diffusion.Middle, 1e-12)
	near(t, "greatest with Fuller", x.Diffusion.Greatest, 1.3*x.Diffusion.Middle, 1e-12)
}

// TestGapWords covers what is said beside the figures, and what is missing (rule M3).
func TestGapWords(t *testing.T) {
	says := func(x enclosure.GapExchange, words string) {
		t.Helper()
		if !slices.ContainsFunc(x.Cautions, func(c string) bool { return strings.Contains(c, words) }) {
			t.Errorf("%q is not said in %q", words, x.Cautions)
		}
	}
	x := exchange(t, ring(enclosure.RingLying, 12), enclosure.HydrogenChloride, 2)
	for _, words := range []string{"dust, insects, ozone and damp", "never force a ring", "wind and handling", "0.02 air changes per day", "wider than 10 mm", "well mixed", "30 %", "Taken as stable"} {
		says(x, words)
	}
	g := ring(enclosure.RingLying, 1)
	g.Faces, g.Inside = enclosure.Up, enclosure.Warmer
	says(exchange(t, g, enclosure.HydrogenChloride, 2), "Unstable")
	g.Faces, g.Inside = enclosure.Down, enclosure.Warmer
	if x := exchange(t, g, enclosure.HydrogenChloride, 2); slices.ContainsFunc(x.Cautions, func(c string) bool { return strings.Contains(c, "table") }) {
		t.Error("warm air above cold is stable")
	}
	g.Blocked = true
	x = exchange(t, g, enclosure.HydrogenChloride, 2)
	says(x, "counts as closed")
	if x.PerDay.Middle != 0 {
		t.Error("a blocked gap is open")
	}
	x, err := enclosure.Gap{Shape: enclosure.RingStanding, DiameterMM: as(100), DepthMM: as(10)}.Exchange(enclosure.MercuryVapour, enclosure.Quantity{}, enclosure.Air{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"volume", "temperature", "diffusion coefficient of mercury vapour", "width of gap", "difference of temperature of gap"}
	if !slices.Equal(x.Missing, want) || x.PerDay != (enclosure.Figure{}) {
		t.Errorf("missing: %q, %v", x.Missing, x.PerDay)
	}
}
