package enclosure_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"farthingale/domain/enclosure"
)

// known holds what a random network is made of, in m³/h and µg/h.
type known struct {
	between [][]float64
	sink    []float64 // out and taken up
	gain    []float64
}

// lost is all that leaves a space.
func (k known) lost(i int) float64 {
	sum := k.sink[i]
	for _, f := range k.between[i] {
		sum += f
	}
	return sum
}

// randomNetwork has 1 to 9 spaces whose flows lie spread, as powers of ten, on both sides of scale. The
// first space leads to the room, the others to some space before them.
func randomNetwork(seed uint64, scale, spread float64) (enclosure.Network, known) {
	chance := rand.New(rand.NewPCG(seed, 99))
	size := 1 + chance.IntN(9)
	k := known{between: make([][]float64, size), sink: make([]float64, size), gain: make([]float64, size)}
	n := enclosure.Network{Rooms: []enclosure.Room{{Name: "room", Levels: []enclosure.GasLevel{{Gas: acetic, UGM3: as(20 * chance.Float64())}}}}}
	flow := func() float64 { return scale * math.Pow(10, spread*(2*chance.Float64()-1)) }
	path := func(inner, outer string, volume, flow float64) {
		n.Exchanges = append(n.Exchanges, enclosure.Exchange{Name: inner + "–" + outer, Inner: inner, Outer: outer,
			Rate: &enclosure.Rate{PerDay: as(flow / volume * 24)}})
	}
	for i := range size {
		k.between[i] = make([]float64, size)
		volume := math.Pow(10, 3*chance.Float64()-3)
		space := enclosure.Space{Name: fmt.Sprint("space ", i), VolumeM3: as(volume),
			Start: []enclosure.GasLevel{{Gas: acetic, UGM3: as(1000 * chance.Float64())}}}
		if chance.IntN(2) == 0 || i == size-1 {
			area, rate := chance.Float64(), 100*chance.Float64()
			space.Surfaces = append(space.Surfaces, emitter(acetic, as(area), as(rate)))
			k.gain[i] += area * rate
		}
		if chance.IntN(3) == 0 {
			f := flow()
			area := f / (0.05 * 36) // at 0.05 cm/s
			space.Surfaces = append(space.Surfaces, sorbent(acetic, as(area), as(0.05)))
			k.sink[i] += f
		}
		n.Spaces = append(n.Spaces, space)
		if i == 0 || chance.IntN(4) == 0 {
			f := flow()
			path(space.Name, "room", volume, f)
			k.sink[i] += f
			k.gain[i] += f * n.Rooms[0].Levels[0].UGM3.Value
		}
		for j := range i {
			if j != i-1 && chance.IntN(3) > 0 {
				continue
			}
			f := flow()
			path(space.Name, n.Spaces[j].Name, volume, f)
			k.between[i][j] += f
			k.between[j][i] += f
		}
	}
	return n, k
}

// TestMassIsConserved: what is emitted, comes in and was there is what is taken up, leaves and is
// stored, to 1e-9, also where a flow of 1e3 m³/h stands beside a leak of 1e-9.
func TestMassIsConserved(t *testing.T) {
	worst := 0.0
	for seed := range uint64(400) {
		scale, spread := 1e-2, 1.0
		if seed%2 == 1 {
			scale, spread = 1e-3, 6
		}
		n, _ := randomNetwork(seed, scale, spread)
		if seed%4 == 3 {
			n.Spaces[0].Surfaces = append(n.Spaces[0].Surfaces, enclosure.Surface{Name: "slowing", AreaM2: as(1),
				Emissions: []enclosure.Emission{{Gas: acetic, RateUGM2H: as(50), EquilibriumUGM3: as(5000)}}})
		}
		check := func(what string, accounts []enclosure.Account, err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range accounts {
				worst = math.Max(worst, a.Fault())
				if !(a.Fault() <= 1e-9) {
					t.Errorf("network %d, %s: in %.17g, gone %.17g, fault %g", seed, what, a.In(), a.Gone(), a.Fault())
				}
			}
		}
		accounts, err := enclosure.AccountSteady(n)
		check("steady", accounts, err)
		for _, hour := range []float64{0, 1e-6, 0.01, 1, 24, 8760, 1e6} {
			accounts, err := enclosure.AccountOver(n, hour)
			check(fmt.Sprintf("%g h", hour), accounts, err)
		}
	}
	t.Logf("worst fault %.2g", worst)
}

// TestBesideALeak has an exact answer where plain elimination has none: a bag that is wide open to a
// nearly closed box.
func TestBesideALeak(t *testing.T) {
	const wide, leak = 1e3, 1e-9 // m³/h
	n := enclosure.Network{
		Spaces: []enclosure.Space{
			{Name: "bag", VolumeM3: as(0.01), Surfaces: []enclosure.Surface{emitter(acetic, as(1), as(3e-6))}},
			{Name: "box", VolumeM3: as(1)},
		},
		Rooms: []enclosure.Room{clean("room", acetic)},
		Exchanges: []enclosure.Exchange{
			{Name: "mouth", Inner: "box", Outer: "bag", Rate: &enclosure.Rate{PerDay: as(wide * 24)}},
			{Name: "leak", Inner: "box", Outer: "room", Rate: &enclosure.Rate{PerDay: as(leak * 24)}},
		},
	}
	near(t, "box", levelIn(t, n, "box", acetic).UGM3.Middle, 3000, 1e-12)
	near(t, "bag", levelIn(t, n, "bag", acetic).UGM3.Middle, 3000+3e-9, 1e-12)
	paces, err := enclosure.Paces(n)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pace", paces[0].PerHour, leak/1.01, 1e-10)
	hours := 1e6
	near(t, "course", over(t, n.StartClean(), hours)[1].Middle[0], -3000*math.Expm1(-leak/1.01*hours), 1e-10)
}

// TestOneSpaceIsTheClosedForm: any network of one space follows the closed form.
func TestOneSpaceIsTheClosedForm(t *testing.T) {
	chance := rand.New(rand.NewPCG(5, 6))
	for range 500 {
		v, area, rate, perDay, out := math.Exp(6*chance.Float64()-6), chance.Float64(), 300*chance.Float64(), 20*chance.Float64(), 10*chance.Float64()
		taken, velocity, start, hours := 5*chance.Float64(), 0.1*chance.Float64(), 1000*chance.Float64(), 500*chance.Float64()
		n := startAt(single(as(v), as(perDay), emitter(acetic, as(area), as(rate)), sorbent(acetic, as(taken), as(velocity))), 0, acetic, as(start))
		n.Rooms[0].Levels[0].UGM3 = as(out)
		k := perDay/24 + taken*velocity*36/v
		end := (area*rate/v + perDay/24*out) / k
		near(t, "steady", levelIn(t, n, "case", acetic).UGM3.Middle, end, 1e-12)
		near(t, "course", over(t, n, hours)[0].Middle[0], end+(start-end)*math.Exp(-k*hours), 1e-11)
	}
}

// TestOrderOfSpaces: shuffled spaces and paths, with inner and outer of a path changed about, give the
// same levels.
func TestOrderOfSpaces(t *testing.T) {
	for seed := range uint64(100) {
		n, _ := randomNetwork(seed, 1e-2, 3)
		other := enclosure.Network{Rooms: n.Rooms, Spaces: slices.Clone(n.Spaces), Exchanges: slices.Clone(n.Exchanges)}
		chance := rand.New(rand.NewPCG(seed, 7))
		chance.Shuffle(len(other.Spaces), func(i, j int) { other.Spaces[i], other.Spaces[j] = other.Spaces[j], other.Spaces[i] })
		chance.Shuffle(len(other.Exchanges), func(i, j int) {
			other.Exchanges[i], other.Exchanges[j] = other.Exchanges[j], other.Exchanges[i]
		})
		for i := range other.Exchanges {
			x := &other.Exchanges[i]
			at := func(name string) int {
				return slices.IndexFunc(n.Spaces, func(s enclosure.Space) bool { return s.Name == name })
			}
			if inner, outer := at(x.Inner), at(x.Outer); outer >= 0 && chance.IntN(2) == 0 {
				perDay := x.Rate.PerDay.Value * n.Spaces[inner].VolumeM3.Value / n.Spaces[outer].VolumeM3.Value
				x.Inner, x.Outer, x.Rate = x.Outer, x.Inner, &enclosure.Rate{PerDay: as(perDay)}
			}
		}
		for _, l := range steady(t, n) {
			near(t, "steady", levelIn(t, other, l.Space, acetic).UGM3.Middle, l.UGM3.Middle, 1e-12)
		}
		courses := over(t, other, 0.5, 50)
		for _, c := range over(t, n, 0.5, 50) {
			i := slices.IndexFunc(courses, func(o enclosure.Course) bool { return o.Space == c.Space })
			for k := range c.Middle {
				if math.Abs(courses[i].Middle[k]-c.Middle[k]) > 1e-10*1e3 {
					t.Errorf("network %d, %s: %v and %v", seed, c.Space, courses[i].Middle, c.Middle)
				}
			}
		}
	}
}

// TestLargerGap: a larger gap to clean air never raises a level anywhere, at any time; a larger gap
// between two spaces never raises the higher of the two levels and never lowers the lower one.
func TestLargerGap(t *testing.T) {
	chance := rand.New(rand.NewPCG(8, 9))
	for seed := range uint64(300) {
		n, _ := randomNetwork(seed, 1e-3, 1.5)
		n.Air = room20
		n.Rooms[0].Levels[0].UGM3 = as(0)
		x := &n.Exchanges[chance.IntN(len(n.Exchanges))]
		gap := func(width float64) *enclosure.Gap {
			return &enclosure.Gap{Shape: enclosure.RingStanding, DiameterMM: as(100), WidthMM: as(width), DepthMM: as(10),
				TempDiffK: as(0.5), DailyTempK: as(2), DailyPressureHPa: as(10), InnerDepthMM: as(400), InnerWidthMM: as(100)}
		}
		width := 3 * chance.Float64()
		x.Rate, x.Gap = nil, gap(width)
		before, was := steady(t, n), over(t, n.StartClean(), 0.1, 3, 100)
		x.Gap = gap(width * (1 + 3*chance.Float64()))
		after, is := steady(t, n), over(t, n.StartClean(), 0.1, 3, 100)
		if x.Outer == "room" {
			for i := range before {
				if after[i].UGM3.Middle > before[i].UGM3.Middle*(1+1e-12) {
					t.Errorf("network %d, %s: %v, then %v", seed, before[i].Space, before[i].UGM3, after[i].UGM3)
				}
				for k := range was[i].Middle {
					if is[i].Middle[k] > was[i].Middle[k]*(1+1e-9)+1e-9 {
						t.Errorf("network %d, %s over time: %v, then %v", seed, was[i].Space, was[i].Middle, is[i].Middle)
					}
				}
			}
			continue
		}
		find := func(levels []enclosure.Level, space string) float64 {
			l, _ := enclosure.LevelIn(levels, space, acetic)
			return l.UGM3.Middle
		}
		high, low := x.Inner, x.Outer
		if find(before, high) < find(before, low) {
			high, low = low, high
		}
		if find(after, high) > find(before, high)*(1+1e-12) || find(after, low) < find(before, low)*(1-1e-12) {
			t.Errorf("network %d: %s %g to %g, %s %g to %g", seed, high, find(before, high), find(after, high), low, find(before, low), find(after, low))
		}
	}
}

// TestKnownDirections: a level never falls when an emission, a room's level, a start level or an
// equilibrium grows, and never rises when an uptake does; nor at any time. The ranges rely on it.
func TestKnownDirections(t *testing.T) {
	chance := rand.New(rand.NewPCG(3, 4))
	hours := []float64{0.05, 2, 300}
	for seed := range uint64(200) {
		n, _ := randomNetwork(seed, 1e-2, 2)
		n.Spaces[0].Surfaces = append(n.Spaces[0].Surfaces, enclosure.Surface{Name: "slowing", AreaM2: as(0.3),
			Emissions: []enclosure.Emission{{Gas: acetic, RateUGM2H: as(20), EquilibriumUGM3: as(500)}}})
		before, was := steady(t, n), over(t, n, hours...)
		grow := func(q *enclosure.Quantity, up bool) {
			t.Helper()
			old := *q
			*q = as(old.Value * (1 + chance.Float64()))
			after, is := steady(t, n), over(t, n, hours...)
			*q = old
			// The course is exact beside its own highest level only.
			fault := func(before, after, size float64) bool {
				return up && after < before-1e-12*size || !up && after > before+1e-12*size
			}
			for i := range before {
				if fault(before[i].UGM3.Middle, after[i].UGM3.Middle, before[i].UGM3.Middle) {
					t.Fatalf("network %d, %s: %v, then %v", seed, before[i].Space, before[i].UGM3, after[i].UGM3)
				}
				for k := range hours {
					if fault(was[i].Middle[k], is[i].Middle[k], 1e4) {
						t.Fatalf("network %d, %s over time: %v, then %v", seed, was[i].Space, was[i].Middle, is[i].Middle)
					}
				}
			}
		}
		grow(&n.Rooms[0].Levels[0].UGM3, true)
		for i := range n.Spaces {
			for j := range n.Spaces[i].Surfaces {
				surface := &n.Spaces[i].Surfaces[j]
				for k := range surface.Emissions {
					if e := &surface.Emissions[k]; e.EquilibriumUGM3.Given() {
						grow(&e.EquilibriumUGM3, true)
					} else {
						grow(&e.RateUGM2H, true)
						grow(&surface.AreaM2, true)
					}
				}
				for k := range surface.Uptakes {
					grow(&surface.Uptakes[k].VelocityCMS, false)
					grow(&surface.AreaM2, false)
				}
			}
			old := n.Spaces[i].Start[0].UGM3
			n.Spaces[i].Start[0].UGM3 = as(old.Value * 2)
			for s, c := range over(t, n, hours...) {
				for k := range hours {
					if c.Middle[k] < was[s].Middle[k]-1e-8 {
						t.Fatalf("network %d: a higher start lowers %s", seed, c.Space)
					}
				}
			}
			n.Spaces[i].Start[0].UGM3 = old
		}
	}
}
