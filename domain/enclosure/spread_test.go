package enclosure_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"farthingale/domain/enclosure"
)

// TestCorners is B11.
//
// source: arithmetic on the steady level of one space, E·A/(N·V).
func TestCorners(t *testing.T) {
	l := levelIn(t, single(as(1), as(0.2).Between(0.1, 0.3), emitter(acetic, as(1), as(200).Between(100, 300))), "case", acetic)
	near(t, "least", l.UGM3.Least, 8_000, 1e-12)
	near(t, "greatest", l.UGM3.Greatest, 72_000, 1e-12)
	near(t, "middle", l.UGM3.Middle, 24_000, 1e-12)
	if l.How != "Corners: least and greatest of 4 combinations of the ends of 2 ranges." {
		t.Error(l.How)
	}
	l = levelIn(t, single(as(1), as(0.2), emitter(acetic, as(1), as(200))), "case", acetic)
	if l.UGM3.Least != l.UGM3.Greatest || !strings.HasPrefix(l.How, "No input states a range") {
		t.Errorf("%v %q", l.UGM3, l.How)
	}
}

// ranged gives a random network ranges, on all inputs or on some, and lists those that have one.
func ranged(seed uint64, most int) (enclosure.Network, []*enclosure.Quantity) {
	n, _ := randomNetwork(seed, 1e-2, 1)
	chance := rand.New(rand.NewPCG(seed, 1))
	var list []*enclosure.Quantity
	give := func(q *enclosure.Quantity) {
		if len(list) < most && q.Value > 0 {
			*q = q.Between(q.Value*(1-0.8*chance.Float64()), q.Value*(1+2*chance.Float64()))
			list = append(list, q)
		}
	}
	give(&n.Rooms[0].Levels[0].UGM3)
	for i := range n.Exchanges {
		give(&n.Exchanges[i].Rate.PerDay)
	}
	for i := range n.Spaces {
		give(&n.Spaces[i].VolumeM3)
		for j := range n.Spaces[i].Surfaces {
			s := &n.Spaces[i].Surfaces[j]
			give(&s.AreaM2)
			for k := range s.Emissions {
				give(&s.Emissions[k].RateUGM2H)
			}
			for k := range s.Uptakes {
				give(&s.Uptakes[k].VelocityCMS)
			}
		}
	}
	return n, list
}

// TestCornersAreTheWhole compares the short way, in which inputs of known direction go together, with
// every corner of the box, and with points inside it.
func TestCornersAreTheWhole(t *testing.T) {
	for seed := range uint64(60) {
		n, list := ranged(seed, 7)
		levels := steady(t, n)
		least, greatest := make([]float64, len(levels)), make([]float64, len(levels))
		for i := range least {
			least[i], greatest[i] = math.Inf(1), math.Inf(-1)
		}
		full := make([]enclosure.Quantity, len(list))
		for i, q := range list {
			full[i] = *q
		}
		chance := rand.New(rand.NewPCG(seed, 2))
		for corner := range 1<<len(list) + 200 {
			for i, q := range list {
				a, b := full[i].Ends()
				switch {
				case corner >= 1<<len(list):
					*q = as(a + (b-a)*chance.Float64())
				case corner>>i&1 == 0:
					*q = as(a)
				default:
					*q = as(b)
				}
			}
			for i, l := range steady(t, n) {
				if corner < 1<<len(list) {
					least[i], greatest[i] = math.Min(least[i], l.UGM3.Middle), math.Max(greatest[i], l.UGM3.Middle)
				} else if l.UGM3.Middle < levels[i].UGM3.Least*(1-1e-9) || l.UGM3.Middle > levels[i].UGM3.Greatest*(1+1e-9) {
					t.Errorf("network %d, %s: %g inside the ranges lies outside %v", seed, l.Space, l.UGM3.Middle, levels[i].UGM3)
				}
			}
		}
		for i, l := range levels {
			near(t, fmt.Sprintf("network %d, least in %s", seed, l.Space), l.UGM3.Least, least[i], 1e-10)
			near(t, fmt.Sprintf("network %d, greatest in %s", seed, l.Space), l.UGM3.Greatest, greatest[i], 1e-10)
		}
	}
}

// TestMonteCarlo: many ranges are drawn from, the same way each time, and say so.
func TestMonteCarlo(t *testing.T) {
	n := enclosure.Network{Rooms: []enclosure.Room{clean("room", acetic)}}
	for i := range 20 {
		name := fmt.Sprint("box ", i)
		n.Spaces = append(n.Spaces, enclosure.Space{Name: name, VolumeM3: as(1).Between(0.5, 1.5),
			Surfaces: []enclosure.Surface{emitter(acetic, as(1), as(200).Between(100, 300))}})
		outer := "room"
		if i > 0 {
			outer = fmt.Sprint("box ", i-1)
		}
		n.Exchanges = append(n.Exchanges, enclosure.Exchange{Name: name, Inner: name, Outer: outer, Rate: &enclosure.Rate{PerDay: as(50).Between(25, 75)}})
	}
	one, two := steady(t, n), steady(t, n)
	if !reflect.DeepEqual(one, two) {
		t.Error("the same inputs give other figures")
	}
	for _, l := range one {
		if !strings.HasPrefix(l.How, "Monte-Carlo: least and greatest hold the middle 95 of 100 of 1000 draws from the ranges of 60 inputs") || !strings.Contains(l.How, "fixed seed") {
			t.Fatal(l.How)
		}
		if !(l.UGM3.Least < l.UGM3.Middle && l.UGM3.Middle < l.UGM3.Greatest) {
			t.Errorf("%s: %v", l.Space, l.UGM3)
		}
	}
	// The first box gives all twenty emissions to the room: a sum of triangles over a product of two,
	// whose middle 95 of 100 were found with Python's random.triangular, 400 000 draws.
	near(t, "least", one[0].UGM3.Least, 1168, 0.06)
	near(t, "greatest", one[0].UGM3.Greatest, 3806, 0.06)
}
