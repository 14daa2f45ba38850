package enclosure

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"farthingale/domain"
)

// Basis says how an input is known (rule M3).
type Basis string

// Measured was measured on the thing itself; Published stands in the source named; Assumed is a
// person's guess or common practice.
const (
	Measured  Basis = "measured"
	Published Basis = "published"
	Assumed   Basis = "assumed"
)

// Quantity is one input with its range. Its unit stands in the name of the field that holds it. The
// zero Quantity is a missing input, which is never taken as zero. Least and Greatest both zero mean
// that no range is stated.
type Quantity struct {
	Value    float64 `json:"value"`
	Least    float64 `json:"least,omitzero"`
	Greatest float64 `json:"greatest,omitzero"`
	Basis    Basis   `json:"basis" validate:"omitempty,oneof=measured published assumed"`
	Source   string  `json:"source,omitempty" validate:"max=1000"` // needed when measured or published
}

// Of is a quantity without a range.
func (b Basis) Of(value float64, source string) Quantity {
	return Quantity{Value: value, Basis: b, Source: source}
}

// Between is the quantity with a range that must hold its value.
func (q Quantity) Between(least, greatest float64) Quantity {
	q.Least, q.Greatest = least, greatest
	return q
}

// Given says whether the input is there at all.
func (q Quantity) Given() bool { return q.Basis != "" }

// Ends are the least and the greatest value; both are the value when no range is stated.
func (q Quantity) Ends() (least, greatest float64) {
	if q.Least == 0 && q.Greatest == 0 {
		return q.Value, q.Value
	}
	return q.Least, q.Greatest
}

// Ranged says whether the ends differ.
func (q Quantity) Ranged() bool {
	least, greatest := q.Ends()
	return least < greatest
}

// String is the value, its range and how it is known: "0.3 (0.1 to 0.5), assumed".
func (q Quantity) String() string {
	if !q.Given() {
		return "missing"
	}
	return q.Range("") + ", " + string(q.Basis)
}

// Range is the value and its range with a unit: "0.3 (0.1 to 0.5) mm".
func (q Quantity) Range(unit string) string {
	s := Number(q.Value)
	if least, greatest := q.Ends(); Number(least) != Number(greatest) {
		s += fmt.Sprintf(" (%s to %s)", Number(least), Number(greatest))
	}
	if unit != "" {
		s += " " + unit
	}
	return s
}

// bounds is what a kind of quantity may be, and the usual slip when it is not.
type bounds struct {
	least, greatest float64
	above           bool   // the least itself is not allowed
	hint            string // a sentence about the unit
}

// The bounds are wide: they catch a wrong unit, not an unusual case.
var (
	boundsVolume   = bounds{0, 1e6, true, "Give the volume in cubic metres; 1 litre is 0.001."}
	boundsArea     = bounds{0, 1e6, false, "Give the area in square metres."}
	boundsEmission = bounds{0, 1e9, false, "Give micrograms per square metre and hour."}
	boundsLevel    = bounds{0, 1e10, false, "Give the level in micrograms per cubic metre."}
	boundsCeiling  = bounds{0, 1e10, true, "Give the level in micrograms per cubic metre."}
	boundsUptake   = bounds{0, 10, false, "Give the deposition velocity in centimetres per second."}
	boundsShare    = bounds{0, 1, false, "Give a share between 0 and 1."}
	boundsPerDay   = bounds{0, 1e9, false, "Give air changes per day."}
	boundsGap      = bounds{0, 1e5, false, "Give millimetres."}
	boundsLength   = bounds{0, 1e5, true, "Give millimetres."}
	boundsTempC    = bounds{-60, 100, false, "Give degrees Celsius, not kelvin."}
	boundsTempK    = bounds{0, 60, false, "Give the size of the difference in kelvin, without a sign."}
	boundsPressure = bounds{300, 1200, false, "Give hectopascal; 101 325 Pa is 1013.25 hPa."}
	boundsSwing    = bounds{0, 100, false, "Give the daily change of pressure in hectopascal."}
	boundsEnergy   = bounds{0, 300, false, "Give kilojoule per mole."}
	boundsRH       = bounds{0, 100, false, "Give the relative humidity in per cent."}
	boundsPPM      = bounds{0, 1e6, false, "Give parts per million."}
)

// nearlyZero is less than any true input; products and quotients of larger ones stay plain numbers.
const nearlyZero = 1e-12

// check adds a fault for each thing that is wrong with a quantity that is given; its pointer is at and
// name together. A missing one is no fault: the answer will say so.
func (q Quantity) check(at, name string, b bounds, faults *[]domain.Field) {
	if q == (Quantity{}) {
		return
	}
	fault := func(rule, message string) {
		*faults = append(*faults, domain.Field{Pointer: at + name, Rule: rule, Message: message})
	}
	switch q.Basis {
	case Assumed:
	case Measured, Published:
		if strings.TrimSpace(q.Source) == "" {
			*faults = append(*faults, domain.Field{Pointer: at + name + "/source", Rule: "source", Message: "Say who measured or published this value, or mark it as assumed."})
		}
	default:
		*faults = append(*faults, domain.Field{Pointer: at + name + "/basis", Rule: "basis", Message: "Say whether the value is measured, published or assumed."})
	}
	least, greatest := q.Ends()
	for _, v := range []float64{q.Value, least, greatest} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			fault("number", "Give a plain number.")
			return
		}
		if b.least == 0 && v > 0 && v < nearlyZero {
			fault("number", "This is nearly nothing. Give 0 if it is nothing, or look at the unit.")
			return
		}
	}
	switch {
	case least > q.Value || greatest < q.Value:
		fault("range", fmt.Sprintf("The range %s to %s does not hold the value %s.", Number(least), Number(greatest), Number(q.Value)))
	case b.above && least <= b.least:
		fault("least", fmt.Sprintf("This must be more than %s. %s", Number(b.least), b.hint))
	case least < b.least:
		fault("least", fmt.Sprintf("This cannot be less than %s. %s", Number(b.least), b.hint))
	case greatest > b.greatest:
		fault("greatest", fmt.Sprintf("%s is more than can be. %s", Number(greatest), b.hint))
	}
}

// Figure is a computed value: from the values of the inputs, and the least and greatest that follow
// from their ranges.
type Figure struct {
	Middle   float64 `json:"middle"`
	Least    float64 `json:"least"`
	Greatest float64 `json:"greatest"`
	// NoGreatest: somewhere in the ranges the value grows without limit. Greatest is then only the
	// greatest that was found to have one.
	NoGreatest bool `json:"no_greatest,omitzero"`
}

// Times is the figure in another unit; factor is not negative.
func (f Figure) Times(factor float64) Figure {
	f.Middle, f.Least, f.Greatest = f.Middle*factor, f.Least*factor, f.Greatest*factor
	return f
}

// String is "480 (300 to 900)", with three significant digits.
func (f Figure) String() string {
	switch {
	case f.NoGreatest:
		return fmt.Sprintf("%s (%s or more, without limit)", Number(f.Middle), Number(f.Least))
	case Number(f.Least) != Number(f.Greatest):
		return fmt.Sprintf("%s (%s to %s)", Number(f.Middle), Number(f.Least), Number(f.Greatest))
	}
	return Number(f.Middle)
}

// Number is v with three significant digits, whole thousands kept ("35928", "0.0215").
func Number(v float64) string {
	size := math.Abs(v)
	switch {
	case size == 0:
		return "0"
	case size >= 1e9 || size < 1e-6:
		return strconv.FormatFloat(v, 'e', 2, 64)
	case size >= 100:
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	digits := 2 - int(math.Floor(math.Log10(size)))
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}
