package enclosure_test

import (
	"fmt"
	"testing"

	"farthingale/domain/enclosure"
)

// large is a network of so many spaces with five gases: bags in cases in a store, joined through gaps
// and rates, with emitters and sorbents throughout.
func large(spaces int, share float64) enclosure.Network {
	gases := []enclosure.Gas{acetic, enclosure.FormicAcid, enclosure.HydrogenChloride, enclosure.HydrogenSulfide, enclosure.NitrogenDioxide}
	q := func(v float64) enclosure.Quantity {
		if share == 0 {
			return as(v)
		}
		return as(v).Between(v*(1-share), v*(1+share))
	}
	n := enclosure.Network{Air: room20, Rooms: []enclosure.Room{clean("corridor", gases...)}}
	for i := range spaces {
		name, outer := fmt.Sprint("space ", i), fmt.Sprint("space ", i/3)
		volume, perDay := 0.002*float64(1+i%7), 0.02*float64(1+i%50)
		if i < spaces/4 {
			volume = float64(1 + i%5)
		}
		x := enclosure.Exchange{Name: name, Inner: name, Outer: outer, Rate: &enclosure.Rate{PerDay: q(perDay)}}
		switch {
		case i == 0:
			x.Outer = "corridor"
		case i%3 == 0:
			x.Rate, x.Gap = nil, &enclosure.Gap{Shape: enclosure.RingStanding, DiameterMM: as(100), WidthMM: q(1), DepthMM: as(10), TempDiffK: q(0.5)}
		}
		n.Exchanges = append(n.Exchanges, x)
		if i > 4 {
			n.Exchanges = append(n.Exchanges, enclosure.Exchange{Name: "beside " + name, Inner: name, Outer: fmt.Sprint("space ", i-1), Rate: &enclosure.Rate{PerDay: q(0.5)}})
		}
		space := enclosure.Space{Name: name, VolumeM3: as(volume)}
		for k, g := range gases {
			if (i+k)%2 == 0 {
				space.Surfaces = append(space.Surfaces, emitter(g, as(0.1), q(float64(1+k))))
			} else {
				space.Surfaces = append(space.Surfaces, sorbent(g, as(0.2), q(0.001*float64(1+k))))
			}
		}
		n.Spaces = append(n.Spaces, space)
	}
	return n.StartClean()
}

// BenchmarkSteady: 50 spaces, 5 gases; wanted in under 5 ms.
func BenchmarkSteady(b *testing.B) {
	n := large(50, 0)
	for b.Loop() {
		steady(b, n)
	}
}

// BenchmarkSteadyRanges: the same with 150 ranged inputs, by Monte-Carlo.
func BenchmarkSteadyRanges(b *testing.B) {
	n := large(50, 0.5)
	for b.Loop() {
		steady(b, n)
	}
}

// BenchmarkYear: 50 spaces, 5 gases, a year of hours; wanted in under 200 ms.
func BenchmarkYear(b *testing.B) {
	n, hours := large(50, 0), enclosure.Hourly(8760)
	for b.Loop() {
		over(b, n, hours...)
	}
}

// BenchmarkYearOfSixty: 60 spaces.
func BenchmarkYearOfSixty(b *testing.B) {
	n, hours := large(60, 0), enclosure.Hourly(8760)
	for b.Loop() {
		over(b, n, hours...)
	}
}

// BenchmarkWhatIf: a glove, its ring opened, with ranges: what a page asks for.
func BenchmarkWhatIf(b *testing.B) {
	n := closedGlove()
	g := ring(enclosure.RingLying, 3)
	g.WidthMM = as(3).Between(2, 4)
	n.Spaces[0].Surfaces[0].Emissions[0].RateUGM2H = as(0.5).Between(0.1, 1)
	for b.Loop() {
		if _, _, err := enclosure.WhatIf(n, []enclosure.Change{{Act: enclosure.SetGap, Exchange: "ring", Gap: &g}}); err != nil {
			b.Fatal(err)
		}
	}
}
