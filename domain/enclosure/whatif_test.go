package enclosure_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"farthingale/domain/enclosure"
)

// closedGlove is G2: 2 L, 0.05 µg of HCl per hour (assumed), breathing 0.0167 per day.
func closedGlove() enclosure.Network {
	hcl := enclosure.HydrogenChloride
	return enclosure.Network{
		Air:    room20,
		Spaces: []enclosure.Space{{Name: "glove", VolumeM3: as(0.002), Surfaces: []enclosure.Surface{emitter(hcl, as(0.1), as(0.5))}}},
		Rooms:  []enclosure.Room{clean("case", hcl)},
		Exchanges: []enclosure.Exchange{
			{Name: "ring", Inner: "glove", Outer: "case", Rate: &enclosure.Rate{PerDay: as(0.0167)}},
		},
	}
}

// TestGapAtTheRing is G2: a closed glove, then a gap at its ring.
//
// source: Fick's law with the coefficient of Fuller et al. 1966; arithmetic.
func TestGapAtTheRing(t *testing.T) {
	n := closedGlove()
	kept, err := json.Marshal(n)
	if err != nil {
		t.Fatal(err)
	}
	for width, want := range map[float64]float64{0.1: 265.34, 0.3: 90.64, 0.5: 55.49, 1: 29.09, 2: 15.87, 3: 11.47, 5: 7.94} {
		g := ring(enclosure.RingLying, width)
		g.DailyTempK, g.DailyPressureHPa = as(2), as(10)
		differences, changed, err := enclosure.WhatIf(n, []enclosure.Change{{Act: enclosure.SetGap, Exchange: "ring", Gap: &g}})
		if err != nil {
			t.Fatal(err)
		}
		d := differences[0]
		printed(t, "closed", d.Before.UGM3.Middle, 35_928, 0.5)
		printed(t, fmt.Sprintf("%g mm", width), d.After.UGM3.Middle, want, 0.0101)
		near(t, "factor", d.Factor, d.After.UGM3.Middle/d.Before.UGM3.Middle, 1e-12)
		if !strings.HasPrefix(changed[0], "ring: a ring gap, the ring's axis upright; diameter 100 mm, assumed; width ") {
			t.Error(changed)
		}
		// The estimate of the coefficient alone makes the level uncertain.
		if d.After.UGM3.Least > 0.78*want || d.After.UGM3.Greatest < 1.4*want {
			t.Errorf("%g mm: %v", width, d.After.UGM3)
		}
	}
	if now, _ := json.Marshal(n); string(now) != string(kept) {
		t.Error("the network itself was changed")
	}
	var read enclosure.Network
	if err := json.Unmarshal(kept, &read); err != nil || !reflect.DeepEqual(steady(t, read), steady(t, n)) {
		t.Errorf("a network does not survive JSON: %v", err)
	}
}

// TestChanges makes each change once.
func TestChanges(t *testing.T) {
	base := single(as(1), as(1), emitter(acetic, as(1), as(200)))
	base.Air.TempC = as(23)
	base.Spaces[0].Surfaces[0].Emissions[0].TempC = as(23)
	base.Spaces[0].Surfaces[0].Emissions[0].ActivationKJMol = as(74.349)
	slit := &enclosure.Gap{Shape: enclosure.Slit, WidthMM: as(1), LengthMM: as(4000), DepthMM: as(10)}
	trap := sorbent(acetic, as(6), as(0.001))
	source := "emitter of acetic acid"
	for _, c := range []struct {
		what    string
		changes []enclosure.Change
		want    float64
		said    string
	}{
		{"rate", []enclosure.Change{{Act: enclosure.SetRate, Exchange: "joints", PerDay: as(10)}}, 480, "joints: 10 air changes per day, assumed."},
		{"volume", []enclosure.Change{{Act: enclosure.SetVolume, Space: "case", VolumeM3: as(2)}}, 2400, "case: 2 m³, assumed."},
		{"temperature", []enclosure.Change{{Act: enclosure.SetTemp, TempC: as(5)}}, 4800 * 0.14171, "Temperature: 5 °C, assumed."},
		{"remove", []enclosure.Change{{Act: enclosure.RemoveSurface, Space: "case", Surface: source}}, 0, "case: emitter of acetic acid taken out."},
		{"cover", []enclosure.Change{{Act: enclosure.CoverSurface, Space: "case", Surface: source, Passing: as(0.05)}}, 240, "case: emitter of acetic acid covered, 5 % passes."},
		{"add", []enclosure.Change{{Act: enclosure.AddSurface, Space: "case", Add: &trap}}, 200 / (1/24. + 6*0.036), "case: sorbent of acetic acid added."},
		{"gap, then wider", []enclosure.Change{{Act: enclosure.SetGap, Exchange: "joints", Gap: slit}, {Act: enclosure.SetGap, Exchange: "joints", WidthMM: as(2)}},
			4800 / (1.122e-5*(296.15/293.15)*(296.15/293.15)*0.002*4/0.012*86400 + 0.02), ""},
	} {
		differences, changed, err := enclosure.WhatIf(base, c.changes)
		if err != nil {
			t.Fatal(c.what, err)
		}
		share := 1e-4
		if strings.HasPrefix(c.what, "gap") {
			share = 0.01
		}
		near(t, c.what, differences[0].After.UGM3.Middle, c.want, share)
		near(t, c.what+", before", differences[0].Before.UGM3.Middle, 4800, 1e-12)
		if c.said != "" && changed[0] != c.said {
			t.Errorf("%s: %q", c.what, changed)
		}
	}
	if slit.WidthMM.Value != 1 {
		t.Error("a change reached the gap that it was given")
	}
	none := enclosure.Quantity{}
	for words, c := range map[string]enclosure.Change{
		`There is no change "paint".`:              {Act: "paint"},
		`There is no exchange "lid".`:              {Act: enclosure.SetRate, Exchange: "lid", PerDay: as(1)},
		`There is no space "box".`:                 {Act: enclosure.SetVolume, Space: "box", VolumeM3: as(1)},
		`There is no surface "lid" in case.`:       {Act: enclosure.RemoveSurface, Space: "case", Surface: "lid"},
		"Give the new rate.":                       {Act: enclosure.SetRate, Exchange: "joints", PerDay: none},
		"Give the share that passes the cover":     {Act: enclosure.CoverSurface, Space: "case", Surface: source},
		`"joints" has no gap yet`:                  {Act: enclosure.SetGap, Exchange: "joints", WidthMM: as(1)},
		"Give the new width, or a whole gap.":      {Act: enclosure.SetGap, Exchange: "joints"},
		"not both":                                 {Act: enclosure.SetGap, Exchange: "joints", WidthMM: as(1), Gap: slit},
		"Give the volume in cubic metres":          {Act: enclosure.SetVolume, Space: "case", VolumeM3: as(-1)},
		"Give the surface to add":                  {Act: enclosure.AddSurface, Space: "case"},
		"Give the new volume":                      {Act: enclosure.SetVolume, Space: "case"},
		"Give the new temperature":                 {Act: enclosure.SetTemp},
		`"emitter of acetic acid" stands twice in`: {Act: enclosure.AddSurface, Space: "case", Add: &base.Spaces[0].Surfaces[0]},
	} {
		if _, _, err := enclosure.WhatIf(base, []enclosure.Change{c}); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
}

// TestWhatIfOver is B4 as a change: the source taken out at a steady 4800, under ten air changes a day.
func TestWhatIfOver(t *testing.T) {
	n := single(as(1), as(1), emitter(acetic, as(1), as(200)))
	changes := []enclosure.Change{
		{Act: enclosure.RemoveSurface, Space: "case", Surface: "emitter of acetic acid"},
		{Act: enclosure.SetRate, Exchange: "joints", PerDay: as(10)},
	}
	before, after, err := enclosure.WhatIfOver(n, changes, []float64{0, 6}, true)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "before stays", before[0].Middle[1], 4800, 1e-12)
	near(t, "after starts", after[0].Middle[0], 4800, 1e-12)
	printed(t, "B4", after[0].Middle[1], 394.008, 1e-3)
	// Where it rises without limit it starts from clean air, and the inputs say so.
	n.Exchanges[0].Rate.PerDay = as(0)
	before, after, err = enclosure.WhatIfOver(n, changes[1:], []float64{0, 24}, false)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "rises", before[0].Middle[1], 4800, 1e-12)
	if after[0].Middle[0] != 0 || after[0].Inputs[1].Quantity.Source != "starts from clean air" {
		t.Errorf("%+v", after[0])
	}
	// A gas whose only source is taken out, with no level in any room, is not lost from the answer.
	alone := single(as(1), as(0), emitter(acetic, as(1), as(200)))
	alone.Rooms[0].Levels = nil
	differences, _, err := enclosure.WhatIf(alone, changes[:1])
	if err != nil || len(differences) != 1 || differences[0].After.State != enclosure.Still || differences[0].Before.State != enclosure.Rising {
		t.Errorf("%+v, %v", differences, err)
	}
}
