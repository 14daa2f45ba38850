package enclosure_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

const acetic = enclosure.AceticAcid

// The checks B1 to B13 are arithmetic on the balance of one well-mixed space.
//
// source: Weschler & Shields balance as in Ryhl-Svendsen 2006, Indoor air pollution in museums: a
// review of prediction models and control strategies; arithmetic in double precision.

func TestOneSpace(t *testing.T) {
	plain := emitter(acetic, as(1), as(200))
	for perDay, want := range map[float64]float64{0.1: 48_000, 0.3: 16_000, 1: 4_800, 10: 480, 24: 200} {
		near(t, "B1", levelIn(t, single(as(1), as(perDay), plain), "case", acetic).UGM3.Middle, want, 1e-12)
	}
	printed(t, "B2", levelIn(t, single(as(1), as(0.3), plain, sorbent(acetic, as(6), as(0.001))), "case", acetic).UGM3.Middle, 875.27, 0.01)
	printed(t, "B2", levelIn(t, single(as(1), as(0.3), plain, sorbent(acetic, as(6), as(0.01))), "case", acetic).UGM3.Middle, 92.060, 1e-3)

	outside := single(as(1), as(0.3), sorbent(enclosure.NitrogenDioxide, as(8), as(0.004)))
	outside.Rooms[0].Levels = []enclosure.GasLevel{{Gas: enclosure.NitrogenDioxide, UGM3: as(20)}}
	got := levelIn(t, outside, "case", enclosure.NitrogenDioxide).UGM3.Middle
	printed(t, "B5", got, 0.21468, 1e-5)
	printed(t, "B5 ratio", got/20, 0.010734, 1e-6)

	near(t, "B6", levelIn(t, single(as(0.8), as(0.5),
		enclosure.Surface{Name: "lining", AreaM2: as(0.5), Emissions: []enclosure.Emission{{Gas: acetic, RateUGM2H: as(300)}}},
		enclosure.Surface{Name: "board", AreaM2: as(1), Emissions: []enclosure.Emission{{Gas: acetic, RateUGM2H: as(124)}}}), "case", acetic).UGM3.Middle, 16_440, 1e-12)

	slowing := plain
	slowing.Emissions = []enclosure.Emission{{Gas: acetic, RateUGM2H: as(200), EquilibriumUGM3: as(5000)}}
	printed(t, "B8", levelIn(t, single(as(1), as(0.1), slowing), "case", acetic).UGM3.Middle, 4528.30, 0.01)

	ratio := levelIn(t, single(as(1), as(0.1), plain), "case", acetic).UGM3.Middle / levelIn(t, single(as(1), as(12), plain), "case", acetic).UGM3.Middle
	near(t, "B10", ratio, 120, 1e-12)
	// source: Kim, Yu & Lee 2003, Indoor Air Quality in Museums and Historic Properties, no. 8: about 120.
	near(t, "B10 by the hourly figures", 0.5/0.004, 120, 0.05)

	for perDay, want := range map[float64]float64{0.02: 30_000, 1: 600, 20.61: 29.112} {
		printed(t, "B13", levelIn(t, single(as(0.002), as(perDay), emitter(acetic, as(0.1), as(0.5))), "case", acetic).UGM3.Middle, want, 1e-3)
	}
}

// TestPace is the loss k that the checks print beside the levels.
func TestPace(t *testing.T) {
	plain := emitter(acetic, as(1), as(200))
	slowing := plain
	slowing.Emissions = []enclosure.Emission{{Gas: acetic, RateUGM2H: as(200), EquilibriumUGM3: as(5000)}}
	for _, c := range []struct {
		what    string
		network enclosure.Network
		k, last float64
	}{
		{"B2", single(as(1), as(0.3), plain, sorbent(acetic, as(6), as(0.001))), 0.2285, 1e-9},
		{"B2", single(as(1), as(0.3), plain, sorbent(acetic, as(6), as(0.01))), 2.1725, 1e-9},
		{"B8", single(as(1), as(0.1), slowing), 0.0441667, 1e-7},
	} {
		paces, err := enclosure.Paces(c.network)
		if err != nil {
			t.Fatal(err)
		}
		printed(t, c.what, paces[0].PerHour, c.k, c.last)
	}
	paces, err := enclosure.Paces(single(as(1), as(1), plain))
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "B3 within 5 %", paces[0].Hours95, 71.898, 1e-3)
	printed(t, "B3 half-way", paces[0].HalfHour, 16.636, 1e-3)
	closed, err := enclosure.Paces(single(as(1), as(0), plain))
	if err != nil || closed[0].PerHour != 0 || closed[0].Hours95 != 0 {
		t.Errorf("a closed space has no pace: %+v, %v", closed, err)
	}
}

// TestChamber is B9, and the way back from a sampler.
func TestChamber(t *testing.T) {
	e, err := enclosure.EmissionFromChamber(enclosure.Published.Of(124, "E1 class"), as(1), as(1).Between(0.5, 2))
	if err != nil {
		t.Fatal(err)
	}
	if e.Value != 124 || e.Least != 62 || e.Greatest != 248 || e.Basis != enclosure.Assumed || !strings.Contains(e.Source, "E1 class") {
		t.Errorf("B9: %+v", e)
	}
	m := enclosure.Measured.Of(16_000, "sampler")
	e, err = enclosure.EmissionFromSampler(m, enclosure.Measured.Of(0.3, "tracer"), enclosure.Measured.Of(1, "rule"), enclosure.Measured.Of(1, "rule"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "B1 backwards", e.Value, 200, 1e-12)
	if e.Basis != enclosure.Measured {
		t.Error("measured factors give a measured rate")
	}
	if _, err := enclosure.EmissionFromChamber(m, enclosure.Quantity{}, as(1)); err == nil {
		t.Error("a missing rate was taken")
	}
}

// TestTemperature is B12.
//
// source: Smedemark et al. 2020, Heritage Science 8:58: half to a quarter between 23 and 10 °C; the
// factors are arithmetic on Arrhenius' law.
func TestTemperature(t *testing.T) {
	printed(t, "halving", enclosure.EmissionFactor(37.174, 23, 10), 0.5, 1e-4)
	printed(t, "quartering", enclosure.EmissionFactor(74.349, 23, 10), 0.25, 1e-4)
	for _, c := range []struct{ ea, to, want float64 }{{37.174, 5, 0.37645}, {74.349, 5, 0.14171}, {37.174, 18, 0.77162}, {74.349, 18, 0.59539}} {
		printed(t, "B12", enclosure.EmissionFactor(c.ea, 23, c.to), c.want, 1e-5)
		warm := emitter(acetic, as(1), as(200))
		warm.Emissions[0].TempC, warm.Emissions[0].ActivationKJMol = as(23), as(c.ea)
		n := single(as(1), as(1), warm)
		n.Air.TempC = as(c.to)
		printed(t, "B12 in a case", levelIn(t, n, "case", acetic).UGM3.Middle/4800, c.want, 1e-5)
	}
	cold := emitter(acetic, as(1), as(200))
	cold.Emissions[0].TempC = as(23)
	n := single(as(1), as(1), cold)
	n.Air.TempC = as(5)
	if l := levelIn(t, n, "case", acetic); l.UGM3.Middle < 4799 || !strings.Contains(strings.Join(l.Words, " "), "stands for 23 °C and is used at 5 °C as it is") {
		t.Errorf("%v %q", l.UGM3, l.Words)
	}
}

// glove is B14: a glove in a case in a clean room.
func glove(perDay float64, inCase ...enclosure.Surface) enclosure.Network {
	hcl := enclosure.HydrogenChloride
	return enclosure.Network{
		Spaces: []enclosure.Space{
			{Name: "glove", VolumeM3: as(0.002), Surfaces: []enclosure.Surface{emitter(hcl, as(0.1), as(0.5))}},
			{Name: "case", VolumeM3: as(1), Surfaces: inCase},
		},
		Rooms: []enclosure.Room{clean("room", hcl)},
		Exchanges: []enclosure.Exchange{
			{Name: "ring", Inner: "glove", Outer: "case", Rate: &enclosure.Rate{PerDay: as(perDay)}},
			{Name: "joints", Inner: "case", Outer: "room", Rate: &enclosure.Rate{PerDay: as(0.5)}},
		},
	}
}

// TestTwoSpaces is B14.
//
// source: arithmetic on two well-mixed spaces in series.
func TestTwoSpaces(t *testing.T) {
	hcl := enclosure.HydrogenChloride
	printed(t, "case", levelIn(t, glove(20.609), "case", hcl).UGM3.Middle, 2.4, 1e-12)
	printed(t, "glove", levelIn(t, glove(20.609), "glove", hcl).UGM3.Middle, 31.5133, 1e-3)
	printed(t, "case, glove closed", levelIn(t, glove(0.02), "case", hcl).UGM3.Middle, 2.4, 1e-12)
	printed(t, "glove, closed", levelIn(t, glove(0.02), "glove", hcl).UGM3.Middle, 30_002.4, 1e-6)
	printed(t, "case with uptake", levelIn(t, glove(20.609, sorbent(hcl, as(0.5), as(0.001))), "case", hcl).UGM3.Middle, 1.28755, 1e-5)
}

// TestNoSteadyState is B7 and its kin: words, never infinity.
func TestNoSteadyState(t *testing.T) {
	l := levelIn(t, single(as(1), as(0), emitter(acetic, as(1), as(200))), "case", acetic)
	if l.State != enclosure.Rising || l.UGM3 != (enclosure.Figure{}) {
		t.Errorf("%+v", l)
	}
	near(t, "rise per hour", l.RiseUGM3H.Middle, 200, 1e-12)
	if !strings.Contains(l.Answer, "rises by 200 µg/m³ in each hour") || strings.Contains(l.Answer, "Inf") {
		t.Error(l.Answer)
	}

	// Two closed spaces rise together; a third that is open apart from them does not.
	n := glove(20, emitter(enclosure.HydrogenChloride, as(1), as(1)))
	n.Exchanges[1].Rate.PerDay = as(0)
	for _, space := range []string{"glove", "case"} {
		l := levelIn(t, n, space, enclosure.HydrogenChloride)
		near(t, "rise together", l.RiseUGM3H.Middle, 1.05/1.002, 1e-12)
	}
	if _, err := enclosure.AccountSteady(n); domain.KindOf(err) != domain.KindConflict {
		t.Errorf("steady account of what rises: %v", err)
	}

	l = levelIn(t, single(as(1), as(0)), "case", acetic)
	if l.State != enclosure.Still || l.UGM3 != (enclosure.Figure{}) {
		t.Errorf("%+v", l)
	}

	// Only at one end of the range it is closed.
	l = levelIn(t, single(as(1), as(0.1).Between(0, 0.3), emitter(acetic, as(1), as(200))), "case", acetic)
	if l.State != enclosure.Settled || !l.UGM3.NoGreatest {
		t.Errorf("%+v", l)
	}
	near(t, "least", l.UGM3.Least, 16_000, 1e-12)
	if s := l.UGM3.String(); s != "48000 (16000 or more, without limit)" {
		t.Error(s)
	}
}

// TestMissing: rule M3, which input is missing, never zero.
func TestMissing(t *testing.T) {
	none := enclosure.Quantity{}
	sure := emitter(acetic, as(1), as(200))
	cases := map[string]enclosure.Network{
		"volume of case": single(none, as(1), sure),
		"emission of acetic acid from emitter of acetic acid in case":          single(as(1), as(1), emitter(acetic, as(1), none)),
		"area of emitter of acetic acid in case":                               single(as(1), as(1), emitter(acetic, none, as(1))),
		"exchange per day of joints":                                           single(as(1), none, sure),
		"deposition velocity of acetic acid on sorbent of acetic acid in case": single(as(1), as(1), sure, sorbent(acetic, as(1), none)),
	}
	room := single(as(1), as(1), sure)
	room.Rooms[0].Levels = nil
	cases["level of acetic acid in room"] = room
	covered := single(as(1), as(1), sure)
	covered.Spaces[0].Surfaces = []enclosure.Surface{sure}
	covered.Spaces[0].Surfaces[0].Covered = true
	cases["share that passes the cover of emitter of acetic acid in case"] = covered
	for missing, n := range cases {
		l := levelIn(t, n, "case", acetic)
		if l.State != enclosure.Unknown || !slices.Equal(l.Missing, []string{missing}) || l.UGM3 != (enclosure.Figure{}) || !strings.Contains(l.Answer, missing) {
			t.Errorf("%s: %+v", missing, l)
		}
		if _, err := enclosure.AccountSteady(n); err == nil || !strings.Contains(err.Error(), missing) {
			t.Errorf("account without %s: %v", missing, err)
		}
		courses, err := enclosure.Over(n.StartClean(), []float64{1}, true)
		if err != nil || courses[0].Middle != nil || !slices.Contains(courses[0].Missing, missing) {
			t.Errorf("course without %s: %+v, %v", missing, courses, err)
		}
	}
	// What is missing elsewhere does not matter here.
	n := single(as(1), as(1), sure)
	n.Spaces = append(n.Spaces, enclosure.Space{Name: "box", Surfaces: []enclosure.Surface{emitter(acetic, none, none)}})
	if l := levelIn(t, n, "case", acetic); l.State != enclosure.Settled {
		t.Errorf("%+v", l)
	}
	if l := levelIn(t, n, "box", acetic); l.State != enclosure.Unknown || len(l.Missing) != 3 {
		t.Errorf("%+v", l)
	}
	// A path that is closed for certain needs no level in the room.
	n = single(as(1), as(0), sure)
	n.Rooms[0].Levels = nil
	if l := levelIn(t, n, "case", acetic); l.State != enclosure.Rising {
		t.Errorf("%+v", l)
	}
}

// TestWords covers what a level says beside its figure.
func TestWords(t *testing.T) {
	n := single(as(1), as(0.3), emitter(acetic, as(1), as(200)))
	n.Air.TempC = as(20)
	l := levelIn(t, n, "case", acetic)
	words := strings.Join(l.Words, " ")
	for _, want := range []string{"No uptake by surfaces is given: the level is an upper bound.", "never slowing down", "above anything reported"} {
		if !strings.Contains(words, want) {
			t.Errorf("%q is not said: %q", want, words)
		}
	}
	if l.Answer != "Settles at 16000 µg/m³, which is 6409 ppb (at 20 °C, 1013 hPa)." {
		t.Error(l.Answer)
	}
	if len(l.Inputs) != 5 || l.Inputs[1].What != "area of emitter of acetic acid in case" || l.Inputs[1].Quantity.Basis != enclosure.Assumed {
		t.Errorf("%+v", l.Inputs)
	}
	n = single(as(1), as(10), emitter(acetic, as(1), as(200)), sorbent(acetic, as(1), as(1)))
	n.Air.TempC = as(20)
	words = strings.Join(levelIn(t, n, "case", acetic).Words, " ")
	if strings.Contains(words, "No uptake") || strings.Contains(words, "reported") || !strings.Contains(words, "about the most that still air can carry") {
		t.Error(words)
	}
	measured := single(as(1), as(10), emitter(acetic, as(1), as(200)))
	measured.Exchanges[0].Rate.Tracer = enclosure.CarbonDioxide
	if l := levelIn(t, measured, "case", acetic); l.UGM3.Middle != 480 || !strings.Contains(strings.Join(l.Words, " "), "measured with carbon dioxide") {
		t.Errorf("%v %q", l.UGM3, l.Words)
	}
	measured.Exchanges[0].Rate.Diffusive, measured.Air.TempC = true, as(20)
	// source: coefficients of acetic acid 1.122 and carbon dioxide 1.569 (Fuller et al. 1966, Massman 1998).
	near(t, "scaled", levelIn(t, measured, "case", acetic).UGM3.Middle, 480*1.569/1.122, 1e-3)
	measured.Exchanges[0].Rate.OpeningsPerDay = as(3)
	near(t, "openings count", levelIn(t, measured, "case", acetic).UGM3.Middle, 4800/(10*1.122/1.569+3), 1e-3)
}

// TestRefused covers what cannot be computed: all faults at once, by pointer.
func TestRefused(t *testing.T) {
	for want, change := range map[string]func(*enclosure.Network){
		"/spaces/0/volume_m3 least":                func(n *enclosure.Network) { n.Spaces[0].VolumeM3 = as(0) },
		"/spaces/0/volume_m3 greatest":             func(n *enclosure.Network) { n.Spaces[0].VolumeM3 = as(2e6) },
		"/spaces/0/volume_m3 range":                func(n *enclosure.Network) { n.Spaces[0].VolumeM3 = as(3).Between(1, 2) },
		"/spaces/0/volume_m3/source source":        func(n *enclosure.Network) { n.Spaces[0].VolumeM3 = enclosure.Measured.Of(1, " ") },
		"/spaces/0/volume_m3/basis basis":          func(n *enclosure.Network) { n.Spaces[0].VolumeM3 = enclosure.Quantity{Value: 1} },
		"/spaces/0/surfaces/0/area_m2 least":       func(n *enclosure.Network) { n.Spaces[0].Surfaces[0].AreaM2 = as(-1) },
		"/spaces/0/surfaces/0/emissions/0/gas gas": func(n *enclosure.Network) { n.Spaces[0].Surfaces[0].Emissions[0].Gas = "hcI" },
		"/spaces/0/surfaces/0/passing unused":      func(n *enclosure.Network) { n.Spaces[0].Surfaces[0].Passing = as(0.5) },
		"/air/temp_c greatest":                     func(n *enclosure.Network) { n.Air.TempC = as(293.15) },
		"/air/pressure_hpa greatest":               func(n *enclosure.Network) { n.Air.PressureHPa = as(101_325) },
		"/rooms/0/name unique":                     func(n *enclosure.Network) { n.Rooms[0].Name, n.Exchanges[0].Outer = "case", "room" },
		"/exchanges/0/outer other":                 func(n *enclosure.Network) { n.Exchanges[0].Outer = "case" },
		"/exchanges/0/outer known":                 func(n *enclosure.Network) { n.Exchanges[0].Outer = "hall" },
		"/exchanges/0 one":                         func(n *enclosure.Network) { n.Exchanges[0].Rate = nil },
		"/exchanges/0/rate/per_day least":          func(n *enclosure.Network) { n.Exchanges[0].Rate.PerDay = as(-0.1) },
		"/exchanges/0/rate/tracer required":        func(n *enclosure.Network) { n.Exchanges[0].Rate.Diffusive = true },
		"/exchanges/1 contradiction": func(n *enclosure.Network) {
			n.Exchanges = append(n.Exchanges, enclosure.Exchange{Name: "slit", Inner: "case", Outer: "room",
				Gap: &enclosure.Gap{Shape: enclosure.Slit, WidthMM: as(1), LengthMM: as(10), DepthMM: as(10)}})
		},
		"/exchanges/0/gap/length_mm unused": func(n *enclosure.Network) {
			g := ring(enclosure.RingLying, 1)
			g.LengthMM = as(1)
			n.Exchanges[0].Rate, n.Exchanges[0].Gap = nil, &g
		},
		"/spaces/0/surfaces/0/area_m2 number": func(n *enclosure.Network) { n.Spaces[0].Surfaces[0].AreaM2 = as(1e-300) },
		"/spaces/0/volume_m3 number":          func(n *enclosure.Network) { n.Spaces[0].VolumeM3 = as(1).Between(0.1, math.Inf(1)) },
		"/spaces count":                       func(n *enclosure.Network) { n.Spaces = nil },
	} {
		n := single(as(1), as(1), emitter(acetic, as(1), as(200)))
		change(&n)
		_, err := enclosure.Steady(n)
		e, ok := err.(*domain.Error)
		if !ok || e.Kind != domain.KindInvalid || !slices.ContainsFunc(e.Fields, func(f domain.Field) bool { return f.Pointer+" "+f.Rule == want && f.Message != "" }) {
			t.Errorf("%s: %v", want, err)
		}
	}
	// No path is no fault: it is closed.
	n := single(as(1), as(1), emitter(acetic, as(1), as(200)))
	n.Exchanges = nil
	if l := levelIn(t, n, "case", acetic); l.State != enclosure.Rising {
		t.Errorf("%+v", l)
	}
}

// TestNumber covers how figures are written.
func TestNumber(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 35_928.14: "35928", 480: "480", 29.112: "29.1", 0.010734: "0.0107", 1: "1", 2.5e10: "2.50e+10", -3.14159: "-3.14", 99.96: "100"} {
		if got := enclosure.Number(v); got != want {
			t.Errorf("%v: %s, want %s", v, got, want)
		}
	}
	if s := fmt.Sprint(as(0.3).Between(0.1, 0.5), enclosure.Quantity{}); s != "0.3 (0.1 to 0.5), assumed missing" {
		t.Error(s)
	}
}
