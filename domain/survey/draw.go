package survey

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"

	"farthingale/domain"
)

// Unit is an object that may be drawn, with the stratum that it belongs to.
type Unit struct {
	ID      domain.ID
	Stratum string
}

// Algorithm is how a sample is drawn, in words, so that anybody can repeat it.
const Algorithm = "Each object of the population gets the SHA-256 of the seed, a zero byte and the 16 bytes of the object's identifier. Within each stratum the objects with the smallest hashes are drawn, compared byte by byte, as many as the stratum's size. The order of drawing is the order of the hashes. " +
	"The frame is the SHA-256 of the identifiers of the population, in ascending order, 16 bytes each."

// key is the place of an object in the draw.
func key(seed string, id domain.ID) [32]byte {
	return sha256.Sum256(append(append([]byte(seed), 0), id[:]...))
}

// Frame names the population that was drawn from.
func Frame(population []Unit) string {
	ids := make([]domain.ID, len(population))
	for i, u := range population {
		ids[i] = u.ID
	}
	slices.SortFunc(ids, func(a, b domain.ID) int { return bytes.Compare(a[:], b[:]) })
	h := sha256.New()
	for _, id := range ids {
		h.Write(id[:])
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Stratum is a part of a population with the size of its sample.
type Stratum struct {
	Name       string `json:"name"`
	Population int    `json:"population"`
	Sample     int    `json:"sample"`
}

// strataOf counts a population by stratum, by name.
func strataOf(population []Unit) []Stratum {
	counts := map[string]int{}
	for _, u := range population {
		counts[u.Stratum]++
	}
	var all []Stratum
	for name, n := range counts {
		all = append(all, Stratum{Name: name, Population: n})
	}
	slices.SortFunc(all, func(a, b Stratum) int { return strings.Compare(a.Name, b.Name) })
	return all
}

// leastInStratum is how many are looked at in each stratum at least, since one alone shows no spread.
const leastInStratum = 2

// Allot divides n over strata in proportion to their populations, by the largest remainders, with at least
// two in each (all of a stratum that is smaller). The whole may so come out larger than n.
//
// source: Cochran 1977, 5.9 (proportional allocation).
func Allot(strata []Stratum, n int) []Stratum {
	all, total := slices.Clone(strata), 0
	for _, s := range all {
		total += s.Population
	}
	if total == 0 {
		return all
	}
	n = min(n, total)
	type rest struct{ at, remainder int }
	rests, given := make([]rest, len(all)), 0
	for i := range all {
		share := n * all[i].Population
		all[i].Sample = share / total
		given += all[i].Sample
		rests[i] = rest{i, share % total}
	}
	slices.SortStableFunc(rests, func(a, b rest) int { return cmp.Compare(b.remainder, a.remainder) })
	for _, r := range rests {
		if given < n {
			all[r.at].Sample++
			given++
		}
	}
	for i := range all {
		all[i].Sample = max(all[i].Sample, min(leastInStratum, all[i].Population))
	}
	return all
}

// Draw draws a sample: of each stratum its size, in the order of drawing. The order of the population does
// not matter. A population of one stratum is drawn simply.
func Draw(seed string, population []Unit, strata []Stratum) []Unit {
	type drawn struct {
		Unit
		key [32]byte
	}
	by := map[string][]drawn{}
	for _, u := range population {
		by[u.Stratum] = append(by[u.Stratum], drawn{u, key(seed, u.ID)})
	}
	var sample []drawn
	for _, s := range strata {
		of := by[s.Name]
		slices.SortFunc(of, func(a, b drawn) int { return bytes.Compare(a.key[:], b.key[:]) })
		sample = append(sample, of[:min(s.Sample, len(of))]...)
	}
	slices.SortFunc(sample, func(a, b drawn) int { return bytes.Compare(a.key[:], b.key[:]) })
	units := make([]Unit, len(sample))
	for i, d := range sample {
		units[i] = d.Unit
	}
	return units
}
