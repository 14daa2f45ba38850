package survey

import (
	"crypto/sha256"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"farthingale/domain"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v ± %v", what, got, want, within)
	}
}

// source: Cochran 1977, 4.4; the sizes for ± 5 points at 95 % are those that Krejcie & Morgan 1970,
// Determining sample size for research activities, table 1, print rounded to nearest (132, 217, 278, 322,
// 357), here rounded up.
func TestSize(t *testing.T) {
	for _, c := range []struct {
		population int
		margin     float64
		want       int
	}{{200, 0.05, 132}, {500, 0.05, 218}, {1000, 0.05, 278}, {2000, 0.05, 323}, {5000, 0.05, 357}, {40_000, 0.05, 381}, {1_000_000_000, 0.05, 385}, {1000, 0.03, 517}, {5000, 0.03, 880}, {0, 0.05, 0}, {1, 0.05, 1}, {3, 0.01, 3}} {
		if got := Size(c.population, c.margin, 0.5, 95); got != c.want {
			t.Errorf("N = %d, ± %v: %d, want %d", c.population, c.margin, got, c.want)
		}
	}
	for n := 1; n < 3000; n += 7 {
		if a, b := Size(n, 0.05, 0.5, 95), Size(n+1, 0.05, 0.5, 95); b < a || a > n {
			t.Fatalf("N = %d: %d, then %d", n, a, b)
		}
		if Size(n, 0.05, 0.5, 99) < Size(n, 0.05, 0.5, 95) || Size(n, 0.1, 0.5, 95) > Size(n, 0.05, 0.5, 95) {
			t.Fatalf("N = %d: surer or finer needs fewer", n)
		}
	}
}

// source: Wilson 1927; worked by hand: 78 of 300 out of 1200 gives 0.2136 to 0.3124 without and 0.2194 to
// 0.3051 with the finite correction; none of 60 gives at most 0.0602.
func TestWilson(t *testing.T) {
	s := Wilson(78, 300, 1200, 95)
	near(t, "share", s.Share, 0.26, 1e-12)
	near(t, "least", s.Least, 0.2194, 5e-5)
	near(t, "greatest", s.Greatest, 0.3051, 5e-5)
	s = Wilson(78, 300, 1<<40, 95)
	near(t, "least of many", s.Least, 0.2136, 5e-5)
	near(t, "greatest of many", s.Greatest, 0.3124, 5e-5)
	near(t, "none of 60", Wilson(0, 60, 1<<40, 95).Greatest, 0.0602, 5e-5)
	if s := Wilson(7, 20, 20, 95); s.Least != 0.35 || s.Greatest != 0.35 {
		t.Errorf("all were looked at: %+v", s)
	}
	dice := rand.New(rand.NewPCG(1, 2))
	for range 5000 {
		population := 1 + dice.IntN(5000)
		n := 1 + dice.IntN(population)
		s := Wilson(dice.IntN(n+1), n, population, 95)
		if !(s.Least >= 0 && s.Least <= s.Share+1e-12 && s.Share <= s.Greatest+1e-12 && s.Greatest <= 1) {
			t.Fatalf("%d of %d: %+v", n, population, s)
		}
	}
}

// The interval holds the truth about as often as it says.
func TestWilsonCovers(t *testing.T) {
	dice := rand.New(rand.NewPCG(3, 4))
	const population, poor, n, tries = 400, 60, 80, 3000
	held := 0
	for range tries {
		found := 0
		for _, i := range dice.Perm(population)[:n] {
			if i < poor {
				found++
			}
		}
		if s := Wilson(found, n, population, 95); s.Least <= float64(poor)/population && float64(poor)/population <= s.Greatest {
			held++
		}
	}
	near(t, "coverage", float64(held)/tries, 0.95, 0.02)
}

// source: Cochran 1977, 5.3 and 5.5; worked by hand for three strata: 0.2250, standard error 0.02451,
// 0.1770 to 0.2730.
func TestStratified(t *testing.T) {
	s, ok := Stratified([]Part{{400, 80, 28}, {600, 90, 9}, {200, 40, 14}}, 95)
	if !ok {
		t.Fatal("no estimate")
	}
	near(t, "share", s.Share, 0.225, 1e-9)
	near(t, "least", s.Least, 0.1770, 5e-5)
	near(t, "greatest", s.Greatest, 0.2730, 5e-5)
	if _, ok := Stratified([]Part{{400, 80, 28}, {600, 0, 0}}, 95); ok {
		t.Error("a stratum that nobody looked at")
	}
	if _, ok := Stratified([]Part{{400, 1, 1}}, 95); ok {
		t.Error("one object shows no spread")
	}
	if s, ok := Stratified([]Part{{10, 10, 3}, {1, 1, 1}}, 95); !ok || s.Least != s.Greatest {
		t.Errorf("all were looked at: %+v", s)
	}
}

// source: Cochran 1977, 5.9: 210 over 400, 600 and 200 is 70, 105 and 35.
func TestAllot(t *testing.T) {
	all := Allot([]Stratum{{Name: "accessories", Population: 200}, {Name: "dress", Population: 400}, {Name: "hardware", Population: 600}}, 210)
	if all[0].Sample != 35 || all[1].Sample != 70 || all[2].Sample != 105 {
		t.Errorf("%+v", all)
	}
	dice := rand.New(rand.NewPCG(5, 6))
	for range 2000 {
		var strata []Stratum
		total, small := 0, 0
		for range 1 + dice.IntN(8) {
			p := 1 + dice.IntN(300)
			strata, total = append(strata, Stratum{Population: p}), total+p
		}
		n := 1 + dice.IntN(total)
		sum := 0
		for _, s := range Allot(strata, n) {
			if s.Sample > s.Population || s.Sample < min(leastInStratum, s.Population) {
				t.Fatalf("%+v of %d", s, n)
			}
			exact := float64(n*s.Population) / float64(total)
			if s.Sample > leastInStratum && math.Abs(float64(s.Sample)-exact) > 1 {
				t.Fatalf("%+v, exactly %v", s, exact)
			}
			if s.Sample <= leastInStratum {
				small += leastInStratum
			}
			sum += s.Sample
		}
		if sum < n || sum > n+small {
			t.Fatalf("%d of %d", sum, n)
		}
	}
}

// units are objects with fixed identifiers.
func units(n int, stratum func(i int) string) []Unit {
	all := make([]Unit, n)
	for i := range all {
		var b [16]byte
		binary.BigEndian.PutUint64(b[8:], uint64(i))
		all[i] = Unit{ID: domain.ID(b), Stratum: stratum(i)}
	}
	return all
}

func one(int) string { return "" }

// The draw can be repeated from what is written down, whatever the order of the population; another seed
// draws others.
func TestDrawCanBeRepeated(t *testing.T) {
	population := units(500, one)
	strata := Allot(strataOf(population), 40)
	first := Draw("2026-02-06 a", population, strata)
	shuffled := slices.Clone(population)
	rand.New(rand.NewPCG(7, 8)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	if again := Draw("2026-02-06 a", shuffled, strata); !slices.Equal(first, again) || len(first) != 40 {
		t.Errorf("%d drawn, another way %d", len(first), len(again))
	}
	if Frame(population) != Frame(shuffled) || Frame(population) == Frame(population[1:]) {
		t.Error("the frame does not name the population")
	}
	if other := Draw("2026-02-06 b", population, strata); slices.Equal(first, other) {
		t.Error("another seed draws the same")
	}
	// By hand, as Algorithm says: the first drawn has the smallest hash.
	least, lowest := domain.ID{}, [32]byte{0: 255}
	for _, u := range population {
		if k := sha256.Sum256(append([]byte("2026-02-06 a\x00"), u.ID[:]...)); slices.Compare(k[:], lowest[:]) < 0 {
			least, lowest = u.ID, k
		}
	}
	if first[0].ID != least {
		t.Errorf("%s is drawn first, not %s", first[0].ID, least)
	}
}

// Every object has the same chance, within the scatter of chance itself.
//
// source: χ² with 99 degrees of freedom lies below 148.2 in 999 of 1000 cases (tables, from memory). Without
// replacement the scatter is smaller by 1 − n/N.
func TestDrawIsFair(t *testing.T) {
	population := units(100, one)
	strata := []Stratum{{Population: 100, Sample: 20}}
	counts := map[domain.ID]int{}
	const draws = 3000
	for i := range draws {
		for _, u := range Draw(string(rune('a'+i%26))+string(rune('A'+i/26)), population, strata) {
			counts[u.ID]++
		}
	}
	chi, want := 0.0, draws*0.2
	for _, u := range population {
		chi += (float64(counts[u.ID]) - want) * (float64(counts[u.ID]) - want) / (want * 0.8)
	}
	if chi > 148.2 {
		t.Errorf("χ² = %v", chi)
	}
}

// A stratified draw takes of each stratum its size, each object once.
func TestDrawStratified(t *testing.T) {
	population := units(300, func(i int) string { return []string{"dress", "hardware", "masks"}[i%3] })
	strata := Allot(strataOf(population), 31)
	counts, seen := map[string]int{}, map[domain.ID]bool{}
	for _, u := range Draw("seed", population, strata) {
		counts[u.Stratum]++
		if seen[u.ID] {
			t.Errorf("%s twice", u.ID)
		}
		seen[u.ID] = true
	}
	for _, s := range strata {
		if counts[s.Name] != s.Sample {
			t.Errorf("%s: %d of %d", s.Name, counts[s.Name], s.Sample)
		}
	}
}
