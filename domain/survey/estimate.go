package survey

import (
	"math"
)

// z is the factor of the normal distribution for a confidence in per cent.
//
// source: tables of the normal distribution (from memory): 1.6449, 1.9600, 2.5758.
func z(confidence int) float64 {
	switch confidence {
	case 90:
		return 1.6449
	case 99:
		return 2.5758
	}
	return 1.96
}

// Size is how many of population objects to look at, so that a share of about expected (0 to 1) comes out
// within margin (0 to 1) at a confidence in per cent. It is never more than there are, and at least 1 of a
// population that is not empty.
//
// source: Cochran, Sampling Techniques, 3rd ed. 1977, 4.4: n₀ = z²·p(1−p)/e², n = n₀/(1 + (n₀ − 1)/N),
// rounded up.
func Size(population int, margin, expected float64, confidence int) int {
	if population <= 0 {
		return 0
	}
	n0 := z(confidence) * z(confidence) * expected * (1 - expected) / (margin * margin)
	n := n0 / (1 + (n0-1)/float64(population))
	return max(1, min(population, int(math.Ceil(n-1e-9))))
}

// Share is a share of a population as a sample shows it.
type Share struct {
	Found    int     `json:"found"` // in the sample
	Of       int     `json:"of"`    // looked at
	Share    float64 `json:"share"` // 0 to 1
	Least    float64 `json:"least"`
	Greatest float64 `json:"greatest"`
}

// Wilson is the share of found among n looked at out of a population, with Wilson's interval; the finite
// population stands in it by n′ = n(N−1)/(N−n) in place of n. Where all were looked at it is exact. n is at
// least 1.
//
// source: Wilson 1927, Journal of the American Statistical Association 22:209–212 (interval); the finite
// correction after Cochran 1977, 2.6 (variance shrinks by (N−n)/(N−1)).
func Wilson(found, n, population, confidence int) Share {
	p := float64(found) / float64(n)
	s := Share{Found: found, Of: n, Share: p, Least: p, Greatest: p}
	if n >= population {
		return s
	}
	m := float64(n) * float64(population-1) / float64(population-n)
	q := z(confidence)
	centre := (p + q*q/(2*m)) / (1 + q*q/m)
	half := q / (1 + q*q/m) * math.Sqrt(p*(1-p)/m+q*q/(4*m*m))
	s.Least, s.Greatest = math.Max(0, centre-half), math.Min(1, centre+half)
	return s
}

// Part is one stratum of a sample: so many of a population, so many looked at, so many of those found.
type Part struct{ Population, Looked, Found int }

// Stratified is the share over all strata, each with the weight of its population; false when a stratum was
// not looked at, or only one of several in it, so that its spread is not known.
//
// source: Cochran 1977, 5.3 and 5.5: p = Σ W·p, variance = Σ W²·(1 − f)·p(1 − p)/(n − 1).
func Stratified(parts []Part, confidence int) (Share, bool) {
	total := 0
	for _, p := range parts {
		total += p.Population
	}
	s, variance := Share{}, 0.0
	for _, p := range parts {
		if p.Population == 0 {
			continue
		}
		if p.Looked == 0 || p.Looked == 1 && p.Population > 1 {
			return Share{}, false
		}
		w, share := float64(p.Population)/float64(total), float64(p.Found)/float64(p.Looked)
		s.Found, s.Of, s.Share = s.Found+p.Found, s.Of+p.Looked, s.Share+w*share
		if p.Looked < p.Population {
			f := float64(p.Looked) / float64(p.Population)
			variance += w * w * (1 - f) * share * (1 - share) / float64(p.Looked-1)
		}
	}
	half := z(confidence) * math.Sqrt(variance)
	s.Least, s.Greatest = math.Max(0, s.Share-half), math.Min(1, s.Share+half)
	return s, total > 0
}
