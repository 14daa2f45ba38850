package colour

import "math"

// Difference is how the second colour differs from the first, the earlier one.
type Difference struct {
	DL     float64 `json:"dl"`      // above 0: lighter
	DA     float64 `json:"da"`      // above 0: redder
	DB     float64 `json:"db"`      // above 0: yellower
	DC     float64 `json:"dc"`      // above 0: more vivid
	DEab   float64 `json:"de_ab"`   // ΔE*ab of 1976
	DE2000 float64 `json:"de_2000"` // CIEDE2000 with all three weights 1
}

// Between compares two colours under one illuminant and observer.
func Between(earlier, later Lab) Difference {
	return Difference{DL: later.L - earlier.L, DA: later.A - earlier.A, DB: later.B - earlier.B, DC: later.Chroma() - earlier.Chroma(),
		DEab: DEab(earlier, later), DE2000: DE2000(earlier, later)}
}

// DEab is the distance of two colours in CIELAB.
//
// source: ISO/CIE 11664-4, 4.3.
func DEab(a, b Lab) float64 {
	return math.Sqrt((b.L-a.L)*(b.L-a.L) + (b.A-a.A)*(b.A-a.A) + (b.B-a.B)*(b.B-a.B))
}

// halfTurn is 180 degrees with room for rounding: two hues exactly opposite come out of atan2 as
// 180 + 3e-14, and the mean hue would jump to the other side.
const halfTurn = 180 + 1e-9

// DE2000 is the colour difference CIEDE2000 with kL = kC = kH = 1.
//
// source: ISO/CIE 11664-6; Sharma, Wu & Dalal 2005, equations 2 to 22.
func DE2000(one, two Lab) float64 {
	meanC := (one.Chroma() + two.Chroma()) / 2
	g := 0.5 * (1 - math.Sqrt(seventh(meanC)))
	a1, a2 := (1+g)*one.A, (1+g)*two.A
	c1, c2 := math.Hypot(a1, one.B), math.Hypot(a2, two.B)
	h1, h2 := angle(one.B, a1), angle(two.B, a2)

	dL, dC := two.L-one.L, c2-c1
	dh, meanH := hues(c1*c2, h1, h2)
	dH := 2 * math.Sqrt(c1*c2) * sin(dh/2)

	meanL := (one.L + two.L) / 2
	meanC = (c1 + c2) / 2
	t := 1 - 0.17*cos(meanH-30) + 0.24*cos(2*meanH) + 0.32*cos(3*meanH+6) - 0.20*cos(4*meanH-63)
	sL := 1 + 0.015*(meanL-50)*(meanL-50)/math.Sqrt(20+(meanL-50)*(meanL-50))
	sC := 1 + 0.045*meanC
	sH := 1 + 0.015*meanC*t
	rT := -sin(60*math.Exp(-((meanH-275)/25)*((meanH-275)/25))) * 2 * math.Sqrt(seventh(meanC))
	l, c, h := dL/sL, dC/sC, dH/sH
	return math.Sqrt(math.Max(0, l*l+c*c+h*h+rT*c*h))
}

// seventh is C⁷ / (C⁷ + 25⁷).
func seventh(c float64) float64 {
	p := math.Pow(c, 7)
	return p / (p + math.Pow(25, 7))
}

// hues are the difference and the mean of two hues, the short way round. Of a colour without hue the
// other's counts.
func hues(product, h1, h2 float64) (difference, mean float64) {
	if product == 0 {
		return 0, h1 + h2
	}
	difference = h2 - h1
	switch {
	case difference > halfTurn:
		difference -= 360
	case difference < -halfTurn:
		difference += 360
	}
	switch {
	case math.Abs(h1-h2) <= halfTurn:
		mean = (h1 + h2) / 2
	case h1+h2 < 360:
		mean = (h1 + h2 + 360) / 2
	default:
		mean = (h1 + h2 - 360) / 2
	}
	return difference, mean
}

func sin(degrees float64) float64 { return math.Sin(degrees * math.Pi / 180) }
func cos(degrees float64) float64 { return math.Cos(degrees * math.Pi / 180) }
