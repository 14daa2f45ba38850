package enclosure_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"farthingale/domain/enclosure"
)

// readings are of check T1: made from 1.2 air changes per day, 420 ppm outside, and noise.
//
// source: arithmetic of ordinary and weighted least squares; method of ASTM E741 and ISO 12569.
var readings = []enclosure.Reading{
	{Hours: 0, PPM: 4012}, {Hours: 4, PPM: 3342}, {Hours: 8, PPM: 2835}, {Hours: 12, PPM: 2365}, {Hours: 16, PPM: 2037},
	{Hours: 20, PPM: 1732}, {Hours: 24, PPM: 1509}, {Hours: 30, PPM: 1212}, {Hours: 36, PPM: 1021},
}

func decay(background enclosure.Quantity, readings ...enclosure.Reading) enclosure.Decay {
	return enclosure.Decay{Tracer: enclosure.CarbonDioxide, Readings: readings, BackgroundPPM: background}
}

func fit(t *testing.T, d enclosure.Decay) enclosure.DecayResult {
	t.Helper()
	r, err := d.Fit()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func warned(r enclosure.DecayResult, words string) bool {
	return slices.ContainsFunc(r.Warnings, func(w string) bool { return strings.Contains(w, words) })
}

// TestDecay is T1.
func TestDecay(t *testing.T) {
	r := fit(t, decay(enclosure.Measured.Of(420, "logged beside the case").Between(410, 430), readings...))
	printed(t, "per day", r.Ordinary.PerDay, 1.19548, 1e-5)
	printed(t, "per hour", r.Ordinary.PerDay/24, 0.0498115, 1e-7)
	printed(t, "standard error", r.Ordinary.SE, 0.00627, 1e-5)
	printed(t, "95 %", r.Ordinary.Half95, 0.01483, 1e-5)
	printed(t, "start", r.Ordinary.StartPPM, 3574.60, 0.01)
	printed(t, "R²", r.Ordinary.RSquared, 0.999807, 1e-6)
	printed(t, "weighted per day", r.WeightedFit.PerDay, 1.20106, 1e-5)
	printed(t, "weighted per hour", r.WeightedFit.PerDay/24, 0.0500442, 1e-7)
	printed(t, "weighted 95 %", r.WeightedFit.Half95, 0.01523, 1e-5)
	if r.Preferred != "weighted" || len(r.Left) != 0 || len(r.Used) != 9 {
		t.Errorf("%+v", r)
	}
	for _, words := range []string{"bends", "Only", "fell only", "differ by more", "uncertain by more"} {
		if warned(r, words) {
			t.Errorf("warned without need: %q", r.Warnings)
		}
	}
	for _, words := range []string{"soda lime"} {
		if !warned(r, words) {
			t.Errorf("%q is not said", words)
		}
	}
	// The rate takes the fit and the background in, and goes straight into an exchange.
	q := r.Rate.PerDay
	if r.Rate.Tracer != enclosure.CarbonDioxide || q.Basis != enclosure.Measured || q.Value != r.WeightedFit.PerDay ||
		q.Least != r.LowBackground.PerDay-r.LowBackground.Half95 || q.Greatest != r.HighBackground.PerDay+r.HighBackground.Half95 {
		t.Errorf("%+v", r.Rate)
	}
	l := levelIn(t, enclosure.Network{
		Spaces:    []enclosure.Space{{Name: "case", VolumeM3: as(1), Surfaces: []enclosure.Surface{emitter(acetic, as(1), as(200))}}},
		Rooms:     []enclosure.Room{clean("room", acetic)},
		Exchanges: []enclosure.Exchange{{Name: "joints", Inner: "case", Outer: "room", Rate: &r.Rate}},
	}, "case", acetic)
	near(t, "level from a measured rate", l.UGM3.Greatest, 4800/q.Least, 1e-12)
}

// TestBackground is T2: a wrong background shifts the exchange, and R² does not show it.
func TestBackground(t *testing.T) {
	for ppm, want := range map[float64]float64{400: 1.17791, 440: 1.21368, 0: 0.91972} {
		r := fit(t, decay(as(ppm), readings...))
		printed(t, "T2", r.Ordinary.PerDay, want, 1e-5)
		if ppm == 0 {
			printed(t, "R² with no background", r.Ordinary.RSquared, 0.9957, 1e-4)
			if !warned(r, "bends more than noise explains") {
				t.Errorf("a wrong background is not seen: %q", r.Warnings)
			}
		}
		if !warned(r, "no uncertainty stated") {
			t.Error("a background without uncertainty is not spoken of")
		}
	}
	r := fit(t, decay(as(420).Between(300, 440), readings...))
	if r.LowBackground == nil || r.HighBackground == nil || r.HighBackground.PerDay < r.LowBackground.PerDay || warned(r, "uncertain by more than 5 %") {
		t.Errorf("%+v %q", r.LowBackground, r.Warnings)
	}
	if r = fit(t, decay(as(420).Between(200, 440), readings...)); !warned(r, "uncertain by more than 5 %") {
		t.Errorf("%q", r.Warnings)
	}
	if r = fit(t, decay(as(420).Between(400, 1100), readings...)); r.HighBackground != nil || !warned(r, "that end cannot be fitted") {
		t.Errorf("%+v %q", r.HighBackground, r.Warnings)
	}
	if r = fit(t, decay(as(1021), readings...)); !warned(r, "set too high") {
		t.Errorf("%q", r.Warnings)
	}
}

// TestTwoReadings is T3.
func TestTwoReadings(t *testing.T) {
	p := enclosure.Pair{Tracer: enclosure.CarbonDioxide, First: readings[0], Second: readings[6], BackgroundPPM: 420, ReadingSD: 15, BackgroundSD: 10}
	r, err := p.Fit()
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "T3", r.PerDay, 1.19345, 1e-5)
	printed(t, "T3 one standard uncertainty", r.SD, 0.01575, 1e-5)
	near(t, "range", r.Rate.PerDay.Greatest, r.PerDay+2*r.SD, 1e-12)
	for _, wrong := range []func(*enclosure.Pair){
		func(p *enclosure.Pair) { p.First, p.Second = p.Second, p.First },
		func(p *enclosure.Pair) { p.Second.PPM = 5000 },
		func(p *enclosure.Pair) { p.BackgroundPPM = 2000 },
		func(p *enclosure.Pair) { p.Tracer = "air" },
		func(p *enclosure.Pair) { p.ReadingSD = math.NaN() },
	} {
		q := p
		wrong(&q)
		if _, err := q.Fit(); err == nil {
			t.Errorf("%+v was taken", q)
		}
	}
}

// TestNoNoise is T4.
func TestNoNoise(t *testing.T) {
	r := fit(t, decay(as(410),
		enclosure.Reading{Hours: 0, PPM: 3410}, enclosure.Reading{Hours: 6, PPM: 3070.761}, enclosure.Reading{Hours: 12, PPM: 2769.884},
		enclosure.Reading{Hours: 24, PPM: 2266.350}, enclosure.Reading{Hours: 48, PPM: 1558.679}))
	printed(t, "T4", r.Ordinary.PerDay/24, 0.02, 1e-7)
	if warned(r, "bends") || !warned(r, "fell only to 38.3 %") {
		t.Errorf("%q", r.Warnings)
	}
	if r.Preferred != "ordinary" {
		t.Error(r.Preferred)
	}
}

// TestLeavingOut is T5 and the other rules for readings.
func TestLeavingOut(t *testing.T) {
	more := append(slices.Clone(readings), enclosure.Reading{Hours: 60, PPM: 612}, enclosure.Reading{Hours: 84, PPM: 453})
	d := decay(as(420).Between(410, 430), more...)
	r := fit(t, d)
	printed(t, "T5 with the 5 % rule", r.Ordinary.PerDay, 1.17421, 1e-5)
	if len(r.Left) != 1 || r.Left[0].Reading.Hours != 84 || r.Left[0].Why != "less than 5 % of the first excess above the background" {
		t.Errorf("%+v", r.Left)
	}
	d.KeepAll = true
	printed(t, "T5 all eleven", fit(t, d).Ordinary.PerDay, 1.29423, 1e-5)

	d.KeepAll, d.NoisePPM, d.MixingHours = false, 50, 3
	r = fit(t, d)
	if len(r.Left) != 3 || r.Left[0].Why != "taken before the tracer was mixed" || r.Left[1].Why != "less than five times the sensor's noise above the background" {
		t.Errorf("%+v", r.Left)
	}
	few := decay(as(420), readings[:4]...)
	if r = fit(t, few); !warned(r, "Only 4 readings") {
		t.Errorf("%q", r.Warnings)
	}
}

// TestDecayRefused: too few points, a level that rises, and what cannot be read.
func TestDecayRefused(t *testing.T) {
	rising := []enclosure.Reading{{Hours: 0, PPM: 1000}, {Hours: 1, PPM: 1100}, {Hours: 2, PPM: 1200}, {Hours: 3, PPM: 1300}}
	for words, d := range map[string]enclosure.Decay{
		"too few":                     decay(as(420), readings[:2]...),
		"does not fall":               decay(as(420), rising...),
		"The background is missing":   decay(enclosure.Quantity{}, readings...),
		"follow each other in time":   decay(as(420), readings[1], readings[0], readings[2]),
		"not below zero":              decay(as(420), enclosure.Reading{PPM: -1}),
		"0 usable readings":           decay(as(5000), readings...),
		`No gas "sf6" is known here.`: {Tracer: "sf6", Readings: readings, BackgroundPPM: as(420)},
	} {
		if _, err := d.Fit(); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
}
