// Package colour knows the arithmetic of measured colours: XYZ and CIELAB under a named illuminant and
// observer, colour from a reflectance spectrum, the differences ΔE*ab and CIEDE2000, and how sure a
// difference is. It knows nothing of objects; the area measurement uses it.
package colour

import (
	"math"
)

// Illuminant is a CIE illuminant.
type Illuminant string

// Observer is a CIE standard colorimetric observer, by its field of view.
type Observer string

// The illuminants and observers that are known.
var (
	Illuminants = []Illuminant{"D65", "D50", "A", "C"}
	Observers   = []Observer{"10", "2"}
)

// XYZ are tristimulus values; Y of the perfect diffuser is 100.
type XYZ struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
	Z float64 `json:"z"`
}

// Lab is a colour in CIELAB 1976.
type Lab struct {
	L float64 `json:"l"`
	A float64 `json:"a"`
	B float64 `json:"b"`
}

// whites are the perfect diffuser under each illuminant, for each observer.
//
// source: CIE 15:2004, table T.3 (A, C, D50, D65), as shipped in a public colour library.
var whites = map[Illuminant]map[Observer]XYZ{
	"D65": {"2": {95.047, 100, 108.883}, "10": {94.811, 100, 107.304}},
	"D50": {"2": {96.422, 100, 82.521}, "10": {96.720, 100, 81.427}},
	"A":   {"2": {109.850, 100, 35.585}, "10": {111.144, 100, 35.200}},
	"C":   {"2": {98.074, 100, 118.232}, "10": {97.285, 100, 116.145}},
}

// White is the perfect diffuser; false for an illuminant or observer that is not known.
func White(i Illuminant, o Observer) (XYZ, bool) {
	w, ok := whites[i][o]
	return w, ok
}

// The two numbers of the CIELAB function.
//
// source: ISO/CIE 11664-4, 3.2 (the fractions that make both branches meet).
const (
	epsilon = 216.0 / 24389
	kappa   = 24389.0 / 27
)

// Lab is the colour against a white.
//
// source: ISO/CIE 11664-4.
func (c XYZ) Lab(white XYZ) Lab {
	fx, fy, fz := compressed(c.X/white.X), compressed(c.Y/white.Y), compressed(c.Z/white.Z)
	return Lab{L: 116*fy - 16, A: 500 * (fx - fy), B: 200 * (fy - fz)}
}

func compressed(u float64) float64 {
	if u > epsilon {
		return math.Cbrt(u)
	}
	return (kappa*u + 16) / 116
}

// XYZ is the colour against a white.
func (c Lab) XYZ(white XYZ) XYZ {
	fy := (c.L + 16) / 116
	return XYZ{X: white.X * expanded(fy+c.A/500), Y: white.Y * expanded(fy), Z: white.Z * expanded(fy-c.B/200)}
}

func expanded(f float64) float64 {
	if u := f * f * f; u > epsilon {
		return u
	}
	return (116*f - 16) / kappa
}

// Chroma says how vivid the colour is.
func (c Lab) Chroma() float64 { return math.Hypot(c.A, c.B) }

// Hue is the angle of the colour in degrees, 0 to 360. It means nothing when the chroma is below 1.
func (c Lab) Hue() float64 { return angle(c.B, c.A) }

// angle is atan2 in degrees from 0 to 360; 0 when both are 0.
func angle(y, x float64) float64 {
	if y == 0 && x == 0 {
		return 0
	}
	if d := math.Atan2(y, x) * 180 / math.Pi; d >= 0 {
		return d
	} else {
		return d + 360
	}
}
