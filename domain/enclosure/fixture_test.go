package enclosure_test

import (
	"math"
	"testing"

	"farthingale/domain/enclosure"
)

// Checks have numbers: U for units, B for the balance of spaces, T for tracer decay, G for gaps, X for
// effects. Each stands with its published source, or with the published law that it is arithmetic on.

// as is an input without a range.
func as(v float64) enclosure.Quantity { return enclosure.Assumed.Of(v, "test") }

// clean is a room without the gases named.
func clean(name string, gases ...enclosure.Gas) enclosure.Room {
	r := enclosure.Room{Name: name}
	for _, g := range gases {
		r.Levels = append(r.Levels, enclosure.GasLevel{Gas: g, UGM3: as(0)})
	}
	return r
}

// emitter is a surface that gives off a gas without slowing down.
func emitter(g enclosure.Gas, area, rate enclosure.Quantity) enclosure.Surface {
	return enclosure.Surface{Name: "emitter of " + g.String(), AreaM2: area, Emissions: []enclosure.Emission{{Gas: g, RateUGM2H: rate}}}
}

// sorbent is a surface that takes a gas up.
func sorbent(g enclosure.Gas, area, velocity enclosure.Quantity) enclosure.Surface {
	return enclosure.Surface{Name: "sorbent of " + g.String(), AreaM2: area, Uptakes: []enclosure.Uptake{{Gas: g, VelocityCMS: velocity}}}
}

// single is one space with an exchange of acetic acid with a clean room.
func single(volume, perDay enclosure.Quantity, surfaces ...enclosure.Surface) enclosure.Network {
	return enclosure.Network{
		Spaces: []enclosure.Space{{Name: "case", VolumeM3: volume, Surfaces: surfaces}},
		Rooms:  []enclosure.Room{clean("room", enclosure.AceticAcid)},
		Exchanges: []enclosure.Exchange{
			{Name: "joints", Inner: "case", Outer: "room", Rate: &enclosure.Rate{PerDay: perDay}},
		},
	}
}

func steady(t testing.TB, n enclosure.Network) []enclosure.Level {
	t.Helper()
	levels, err := enclosure.Steady(n)
	if err != nil {
		t.Fatal(err)
	}
	return levels
}

// levelIn is the level of the only gas, or of g, in a space.
func levelIn(t testing.TB, n enclosure.Network, space string, g enclosure.Gas) enclosure.Level {
	t.Helper()
	l, ok := enclosure.LevelIn(steady(t, n), space, g)
	if !ok {
		t.Fatalf("no level of %s in %s", g, space)
	}
	return l
}

// near fails unless got is want within a share of it.
func near(t testing.TB, what string, got, want, share float64) {
	t.Helper()
	if !(math.Abs(got-want) <= share*math.Abs(want)) {
		t.Errorf("%s: %.9g, want %.9g", what, got, want)
	}
}

// printed fails unless got rounds to the printed digits of want: within one of the last.
func printed(t testing.TB, what string, got, want, last float64) {
	t.Helper()
	if !(math.Abs(got-want) <= last*1.0000001) {
		t.Errorf("%s: %.9g, want %.9g", what, got, want)
	}
}
