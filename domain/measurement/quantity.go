package measurement

import (
	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// The acts of this area.
var (
	Read     = domain.Act{Area: "measurement", Name: "read what was measured", Roles: domain.Readers}
	Record   = domain.Act{Area: "measurement", Name: "record a measurement", Write: true, Roles: []domain.Role{domain.Conservator, domain.MountMaker, domain.Technician}}
	Withdraw = domain.Act{Area: "measurement", Name: "withdraw a measurement", Write: true, Roles: []domain.Role{domain.Conservator}}
)

// Quantity is what a reading is of, with its unit.
type Quantity string

// The quantities that are known.
const (
	Colour    Quantity = "colour"
	PH        Quantity = "ph"
	Strip     Quantity = "strip_level"
	Thickness Quantity = "thickness_mm"
	ShoreA    Quantity = "hardness_shore_a"
	ShoreD    Quantity = "hardness_shore_d"
	Mass      Quantity = "mass_g"
	Dimension Quantity = "dimension_mm"
)

// Quantities are in the order in which they are shown.
var Quantities = []Quantity{Colour, PH, Strip, Thickness, ShoreA, ShoreD, Mass, Dimension}

// facts are what is fixed of a quantity.
type facts struct {
	words, unit string
	more, less  string // what it is to be more of it, and less
	least, most string // inclusive, as decimal text; of nothing there is no length or mass, so 0 is left out there
	aboveZero   bool
	caution     string // what measuring may do to the object
	usual       string // usual ± and method, as help
}

var known = map[Quantity]facts{
	Colour: {words: "colour", caution: "The instrument rests on the surface: no pressure on what is soft, tacky or powdery.",
		usual: "Usually 5 readings, lifted and set down anew between them, with white tile and zero on the day."},
	PH: {words: "pH of a surface", unit: "pH", more: "less acid", less: "more acid", least: "0", most: "14",
		caution: "Water may leave a mark. Where marking is possible it needs consent first, as a technique that changes the object.",
		usual:   "Usually ± 0.3 with a surface electrode, ± 0.5 with a strip."},
	Strip: {words: "indicator strip level", unit: "steps", more: "more acid vapour", less: "less acid vapour", least: "0", most: "3",
		caution: "The strip lies beside the object, never on it.", usual: "Usually ± 0.5 of a step, read against the printed scale after the time that its maker gives."},
	Thickness: {words: "thickness", unit: "mm", more: "thicker", less: "thinner", least: "0", most: "1000", aboveZero: true,
		caution: "Soft material gives way under the foot of the gauge; note its load.", usual: "Note the foot's size and load with the method."},
	ShoreA: {words: "hardness, Shore A", unit: "Shore A", more: "harder", less: "softer", least: "0", most: "100",
		caution: "The point may leave a dent in aged rubber: measure where it is not seen, and ask first.", usual: "Usually ± 2 over 5 readings."},
	ShoreD: {words: "hardness, Shore D", unit: "Shore D", more: "harder", less: "softer", least: "0", most: "100",
		caution: "The point may leave a dent: measure where it is not seen, and ask first.", usual: "Usually ± 2 over 5 readings."},
	Mass: {words: "mass", unit: "g", more: "heavier", less: "lighter", least: "0", most: "1000000000", aboveZero: true,
		caution: "Weighing is a handling: lift with what carries the whole.", usual: "Note what lay on the balance with it."},
	Dimension: {words: "dimension", unit: "mm", more: "larger", less: "smaller", least: "0", most: "1000000", aboveZero: true,
		caution: "Hold the gauge off the surface where it flakes.", usual: "Say in the spot's place between which points."},
}

// Words is the quantity as people write it.
func (q Quantity) Words() string { return known[q].words }

// Unit is the unit of its values; "" for a colour.
func (q Quantity) Unit() string { return known[q].unit }

// Caution is what measuring it may do to the object. Local rules and qualified people decide.
func (q Quantity) Caution() string { return known[q].caution }

// Usual is how it is usually measured and how surely.
//
// source: common practice.
func (q Quantity) Usual() string { return known[q].usual }

// stepLevels are the steps that a strip's printed scale has and those between them.
var stepLevels = []string{"0", "0.5", "1", "1.5", "2", "2.5", "3"}

// checkValue says what is wrong with a value, or "".
func (q Quantity) checkValue(v decimal.Decimal) string {
	f := known[q]
	least, most := decimal.RequireFromString(f.least), decimal.RequireFromString(f.most)
	switch {
	case v.LessThan(least) || v.GreaterThan(most) || f.aboveZero && v.IsZero():
		if f.aboveZero {
			return "More than 0 and at most " + f.most + " " + f.unit + "."
		}
		return "Between " + f.least + " and " + f.most + "."
	case v.Exponent() < -6:
		return "At most 6 digits after the point."
	}
	if q != Strip {
		return ""
	}
	for _, level := range stepLevels {
		if v.Equal(decimal.RequireFromString(level)) {
			return ""
		}
	}
	return "A strip is read in whole or half steps: 0, 0.5, 1 … 3."
}
