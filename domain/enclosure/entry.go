package enclosure

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"farthingale/domain"
)

// Measure is a kind of quantity as people type it: "2 l", "2 (1.8 to 2.2)", "1.5 to 2.5", "3 mm ± 1".
type Measure struct {
	Name  string // "a volume"
	Unit  string // taken when none is written
	Large string // unit in which it is shown from one of it on; empty: never
	units []unit // the first spelling of each is how it is shown
}

// unit is how much of the base unit one of it is, with its spellings.
type unit struct {
	factor    float64
	spellings []string
}

// The measures, each with the base unit in which Quantity holds it.
var (
	Volumes      = Measure{"a volume", "l", "m³", []unit{{0.001, []string{"l", "L", "litres", "litre", "dm³", "dm3"}}, {1e-6, []string{"ml", "mL", "cm³", "cm3"}}, {1, []string{"m³", "m3"}}}}
	Areas        = Measure{"an area", "cm²", "m²", []unit{{1e-4, []string{"cm²", "cm2"}}, {0.01, []string{"dm²", "dm2"}}, {1e-6, []string{"mm²", "mm2"}}, {1, []string{"m²", "m2"}}}}
	Lengths      = Measure{"a length", "mm", "", []unit{{1, []string{"mm"}}, {10, []string{"cm"}}, {1000, []string{"m"}}}}
	Temperatures = Measure{"a temperature", "°C", "", []unit{{1, []string{"°C", "C", "℃", "deg C"}}}}
	Differences  = Measure{"a difference of temperature", "K", "", []unit{{1, []string{"K", "°C", "C", "℃"}}}}
	EmissionRate = Measure{"an emission rate", "µg/(m²·h)", "", []unit{
		{1, []string{"µg/(m²·h)", "µg/(m² h)", "µg/(m2 h)", "µg/(m²h)", "µg/m²/h", "µg/m2/h", "µg/m²h", "ug/(m2 h)", "ug/m2/h", "ug/m2h"}},
		{1000, []string{"mg/(m²·h)", "mg/(m² h)", "mg/(m2 h)", "mg/m²/h", "mg/m2/h", "mg/m²h"}}}}
	AirLevels  = Measure{"a level", "µg/m³", "", []unit{{1, []string{"µg/m³", "µg/m3", "ug/m3"}}, {1000, []string{"mg/m³", "mg/m3"}}, {0.001, []string{"ng/m³", "ng/m3"}}}}
	Velocities = Measure{"a deposition velocity", "cm/s", "", []unit{{1, []string{"cm/s"}}, {0.1, []string{"mm/s"}}, {100, []string{"m/s"}}, {1.0 / 36, []string{"m/h"}}}}
	DailyRates = Measure{"an exchange of air", "per day", "", []unit{{1, []string{"per day", "a day", "/d", "1/d", "/day", "d⁻¹"}}, {24, []string{"per hour", "an hour", "/h", "1/h", "h⁻¹"}}}}
	Shares     = Measure{"a share", "%", "", []unit{{0.01, []string{"%", "per cent"}}}}
	Humidities = Measure{"a relative humidity", "%", "", []unit{{1, []string{"%", "% RH", "per cent"}}}}
	Pressures  = Measure{"a pressure", "hPa", "", []unit{{1, []string{"hPa", "mbar"}}, {0.01, []string{"Pa"}}, {10, []string{"kPa"}}}}
	Energies   = Measure{"an activation energy", "kJ/mol", "", []unit{{1, []string{"kJ/mol"}}}}
	PPM        = Measure{"a level of tracer", "ppm", "", []unit{{1, []string{"ppm"}}, {0.001, []string{"ppb"}}}}
)

var measures = []Measure{Volumes, Areas, Lengths, Temperatures, Differences, EmissionRate, AirLevels, Velocities, DailyRates, Humidities, Pressures, Energies, PPM}

// in turns v of the unit into the base unit, rounded once.
func (u unit) in(v float64) float64 {
	if u.factor < 1 {
		return v / math.Round(1/u.factor)
	}
	return v * u.factor
}

func (u unit) out(v float64) float64 {
	if u.factor < 1 {
		return v * math.Round(1/u.factor)
	}
	return v / u.factor
}

// spelled finds the longest spelling that text begins with.
func (m Measure) spelled(text string) (u unit, long int) {
	for _, candidate := range m.units {
		for _, s := range candidate.spellings {
			if len(s) > long && strings.HasPrefix(text, s) && !goesOn(s, text[len(s):]) {
				u, long = candidate, len(s)
			}
		}
	}
	return u, long
}

// goesOn says whether a word does not end where the spelling does.
func goesOn(spelling, rest string) bool {
	last := []rune(spelling)[len([]rune(spelling))-1]
	for _, r := range rest {
		return unicode.IsLetter(last) && (unicode.IsLetter(r) || unicode.IsDigit(r) || r == '/' || r == '²' || r == '³')
	}
	return false
}

// typed reads what stands in a text, from left to right.
type typed struct {
	m    Measure
	rest string
	unit *unit // the one that was written
}

// Parse reads a value with its range. The quantity has no basis and no source yet; an empty text is a
// missing quantity. The error is one field with an empty pointer.
func (m Measure) Parse(text string) (Quantity, error) {
	t := &typed{m: m, rest: strings.NewReplacer("\u2212", "-", "\u00a0", " ", "+/-", "±", "–", " to ", "—", " to ", "…", " to ", "μ", "µ").Replace(text)}
	if t.skip(); t.rest == "" {
		return Quantity{}, nil
	}
	var q Quantity
	first, err := t.number()
	if err != nil {
		return q, err
	}
	q.Value = first
	switch {
	case t.take("±"):
		half, err := t.number()
		if err != nil {
			return q, err
		}
		q.Least, q.Greatest = first-half, first+half
	case t.take("("):
		if q.Least, err = t.number(); err != nil {
			return q, err
		}
		if !t.to() {
			return q, m.unread()
		}
		if t.skip(); t.rest == "" {
			return q, m.unread()
		}
		if q.Greatest, err = t.number(); err != nil {
			return q, err
		}
		if !t.take(")") {
			return q, m.unread()
		}
	case t.to():
		last, err := t.number()
		if err != nil {
			return q, err
		}
		q.Value, q.Least, q.Greatest = (first+last)/2, first, last
	}
	if t.skip(); t.rest != "" {
		if err := t.written(); err != nil { // a unit behind the whole
			return q, err
		}
	}
	if t.skip(); t.rest != "" {
		return q, m.unread()
	}
	if t.unit == nil {
		u, _ := m.spelled(m.Unit)
		t.unit = &u
	}
	q.Value, q.Least, q.Greatest = t.unit.in(q.Value), t.unit.in(q.Least), t.unit.in(q.Greatest)
	return q, nil
}

func (t *typed) skip() { t.rest = strings.TrimLeft(t.rest, " \t") }

func (t *typed) take(mark string) bool {
	t.skip()
	rest, ok := strings.CutPrefix(t.rest, mark)
	t.rest = rest
	return ok
}

// to takes what stands between the ends of a range.
func (t *typed) to() bool { return t.take("to ") || t.take("to") || t.take("-") }

// number reads a number and the unit behind it, when there is one.
func (t *typed) number() (float64, error) {
	t.skip()
	end := strings.IndexFunc(t.rest, func(r rune) bool { return !unicode.IsDigit(r) && !strings.ContainsRune("+-.,", r) })
	if end < 0 {
		end = len(t.rest)
	}
	digits := t.rest[:end]
	if at := strings.LastIndex(digits, "-"); at > 0 { // "2-4"
		digits = digits[:at]
	}
	if e, ok := exponent(t.rest[len(digits):]); ok && digits != "" {
		digits += e
	}
	v, err := strconv.ParseFloat(strings.Replace(digits, ",", ".", 1), 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, t.m.unread()
	}
	t.rest = t.rest[len(digits):]
	return v, t.written()
}

// exponent is the "e-3" that a text begins with.
func exponent(text string) (string, bool) {
	if len(text) < 2 || (text[0] != 'e' && text[0] != 'E') {
		return "", false
	}
	end := 1
	if text[end] == '-' || text[end] == '+' {
		end++
	}
	from := end
	for end < len(text) && text[end] >= '0' && text[end] <= '9' {
		end++
	}
	return text[:end], end > from
}

// written takes a unit. It must be the same wherever one stands.
func (t *typed) written() error {
	t.skip()
	if u, long := t.m.spelled(t.rest); long > 0 {
		t.rest = t.rest[long:]
		if t.unit != nil && t.unit.factor != u.factor {
			return domain.Invalid("", "unit", "Two units are mixed here. Give the value and its range in one unit.")
		}
		t.unit = &u
		return nil
	}
	if t.rest == "" || strings.HasPrefix(t.rest, "to") || strings.ContainsAny(t.rest[:1], "(±-)") || strings.HasPrefix(t.rest, "±") {
		return nil
	}
	for _, other := range measures {
		if _, long := other.spelled(t.rest); long > 0 {
			return domain.Invalid("", "unit", fmt.Sprintf("%q is a unit of %s; here stands %s. Write %s.", t.rest[:long], other.Name, t.m.Name, t.m.Units()))
		}
	}
	return domain.Invalid("", "unit", fmt.Sprintf("The unit is not known. Write %s.", t.m.Units()))
}

// Units names the units that may be written.
func (m Measure) Units() string {
	var names []string
	for _, u := range m.units {
		names = append(names, u.spellings[0])
	}
	if len(names) == 1 {
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}

func (m Measure) unread() error {
	return domain.Invalid("", "number", fmt.Sprintf("This cannot be read as %s. Write a number, such as 2, or with its range 2 (1.5 to 2.5); the unit is %s unless you write another.", m.Name, m.Unit))
}

// Text is the value and its range as Parse reads them back.
func (m Measure) Text(q Quantity) string {
	if !q.Given() {
		return ""
	}
	shown := m.Unit
	if m.Large != "" && q.Value >= 1 {
		shown = m.Large
	}
	u, _ := m.spelled(shown)
	write := func(v float64) string { return exact(u, v) }
	s := write(q.Value)
	if least, greatest := q.Ends(); least < greatest {
		s += " (" + write(least) + " to " + write(greatest) + ")"
	}
	return s + " " + shown
}

// Shown is the value and its range to be read, rounded: "2 (1.8 to 2.2) l".
func (m Measure) Shown(q Quantity) string {
	if !q.Given() {
		return ""
	}
	shown := m.Unit
	if m.Large != "" && q.Value >= 1 {
		shown = m.Large
	}
	u, _ := m.spelled(shown)
	q.Value, q.Least, q.Greatest = u.out(q.Value), u.out(q.Least), u.out(q.Greatest)
	return q.Range(shown)
}

// exact is v in the unit, with the fewest digits that are read back as v but for the last bits, which a
// change of unit may cost.
func exact(u unit, v float64) string {
	for digits := 6; digits < 17; digits++ {
		s := strconv.FormatFloat(u.out(v), 'g', digits, 64)
		if back, err := strconv.ParseFloat(s, 64); err == nil && math.Abs(u.in(back)-v) <= 1e-15*math.Abs(v) {
			return plainNumber(s)
		}
	}
	return plainNumber(strconv.FormatFloat(u.out(v), 'g', -1, 64))
}

// plainNumber writes 1e+06 as 1000000 where that is short.
func plainNumber(s string) string {
	if !strings.Contains(s, "e") {
		return s
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.Abs(v) >= 1e15 || math.Abs(v) < 1e-9 {
		return s
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// Bases lists how a quantity may be known, in the order in which they are shown.
var Bases = []Basis{Assumed, Measured, Published}

// Known gives a quantity that was typed its basis and source; a missing one stays missing.
func (q Quantity) Known(b Basis, source string) Quantity {
	if q == (Quantity{}) {
		return q
	}
	if !slices.Contains(Bases, b) {
		b = Assumed
	}
	q.Basis, q.Source = b, strings.TrimSpace(source)
	return q
}
