package measurement

import (
	"math"
	"strconv"
	"strings"

	"farthingale/domain"
	"farthingale/domain/measurement/colour"
)

// Change is how a later reading differs from an earlier one, with how sure that is (rule E2).
type Change struct {
	FromID     domain.ID `json:"from_id"`
	ToID       domain.ID `json:"to_id"`
	FromOn     string    `json:"from_on"`
	ToOn       string    `json:"to_on"`
	Quantity   Quantity  `json:"quantity"`
	Difference float64   `json:"difference"` // of a colour CIEDE2000, else later − earlier in the unit
	PlusMinus  float64   `json:"plus_minus"` // k = 2; 0 when it is not known
	Known      bool      `json:"known"`      // how sure it is
	Proven     bool      `json:"proven"`

	Colour   *colour.Change `json:"colour,omitempty"`
	Said     string         `json:"said"`     // in a sentence
	Cautions []string       `json:"cautions"` // what was different in how they were measured
	Formula  string         `json:"formula"`
}

// The formulas by which a change is computed, as they are shown.
const (
	figureFormula = "Difference = later − earlier. Its ± is √(U₁² + U₂²), of both readings' ± (k = 2). A difference not larger than its ± is no proven change. Source: JCGM 100:2008 (GUM), 5.1.2."
	colourFormula = "CIEDE2000 between the means (ISO/CIE 11664-6). Its ± (k = 2) follows from the deviations of both series by first-order propagation, widened by Student's factor for few readings (JCGM 100:2008, 5.1.2 and table G.2); a bound b, such as the drift of the check tile, adds b/√3. " +
		"ΔE has no sign and is above zero by scatter alone. So a change is proven only when no change at all lies outside the region that holds 95 in 100 for L*, a* and b* together (k = 2.80, JCGM 102:2011), and ΔE is larger than its ±."
)

// Conditions says why two colours cannot be compared; "" when they can. A maker's colour that names no
// geometry or aperture is taken with any.
//
// source: ISO/CIE 11664-4 and CIE 15:2004 (one illuminant, observer and geometry); common practice for the
// aperture.
func Conditions(one, two *Tint) string {
	var differ []string
	if one.Illuminant != two.Illuminant {
		differ = append(differ, "the illuminant ("+string(one.Illuminant)+" and "+string(two.Illuminant)+")")
	}
	if one.Observer != two.Observer {
		differ = append(differ, "the observer ("+string(one.Observer)+"° and "+string(two.Observer)+"°)")
	}
	if one.Geometry != "" && two.Geometry != "" && one.Geometry != two.Geometry {
		differ = append(differ, "the geometry ("+GeometryWords[one.Geometry]+" and "+GeometryWords[two.Geometry]+")")
	}
	if one.ApertureMM != nil && two.ApertureMM != nil && !one.ApertureMM.Equal(*two.ApertureMM) {
		differ = append(differ, "the aperture ("+one.ApertureMM.String()+" mm and "+two.ApertureMM.String()+" mm)")
	}
	if len(differ) == 0 {
		return ""
	}
	return "These colours cannot be compared: they differ in " + strings.Join(differ, ", ") + ". The difference would be one of the measuring, not of the object."
}

// Compare says how the later reading differs from the earlier. It refuses readings of different
// quantities and objects, withdrawn ones, and colours under different conditions.
func Compare(earlier, later *Reading) (*Change, error) {
	refuse := func(message string) error {
		return &domain.Error{Kind: domain.KindRefused, Code: "not_comparable", Message: message}
	}
	switch {
	case earlier.ID == later.ID:
		return nil, refuse("This is one and the same reading. Choose two.")
	case earlier.ObjectID != later.ObjectID:
		return nil, refuse("These readings are of different objects.")
	case earlier.Quantity != later.Quantity:
		return nil, refuse("One of these is a " + earlier.Quantity.Words() + ", the other a " + later.Quantity.Words() + ".")
	case earlier.Withdrawn != nil || later.Withdrawn != nil:
		return nil, refuse("One of these readings is withdrawn: it counts no longer.")
	}
	c := &Change{FromID: earlier.ID, ToID: later.ID, FromOn: earlier.MeasuredOn, ToOn: later.MeasuredOn, Quantity: later.Quantity, Cautions: cautions(earlier, later)}
	if later.Quantity == Colour {
		if why := Conditions(earlier.Colour, later.Colour); why != "" {
			return nil, refuse(why)
		}
		c.ofColour(earlier, later)
		return c, nil
	}
	c.ofFigure(earlier, later)
	return c, nil
}

// cautions say what was different in how two readings were made.
func cautions(earlier, later *Reading) []string {
	all := []string{}
	if earlier.SpotID != later.SpotID {
		all = append(all, "They were read at different spots.")
	}
	if earlier.Role == Specified || later.Role == Specified {
		return all
	}
	if !strings.EqualFold(earlier.Instrument, later.Instrument) {
		all = append(all, "They were read with different instruments; without a check of one against the other, part of the difference may be theirs.")
	}
	if !strings.EqualFold(earlier.Method, later.Method) {
		all = append(all, "They were read in different ways.")
	}
	return all
}

// sure is the ± of a reading; false when it is not known. What a maker specifies counts as exact where
// no tolerance is given.
func (r *Reading) sure() (float64, bool) {
	switch {
	case r.PlusMinus != nil:
		return r.PlusMinus.InexactFloat64(), true
	case r.Role == Specified:
		return 0, true
	}
	return 0, false
}

func (c *Change) ofFigure(earlier, later *Reading) {
	difference := later.Value.Sub(*earlier.Value)
	c.Difference, c.Formula = difference.InexactFloat64(), figureFormula
	u1, known1 := earlier.sure()
	u2, known2 := later.sure()
	c.Known = known1 && known2
	amount := difference.Abs().String() + " " + later.Unit
	if !c.Known {
		c.Said = amount + " " + c.direction() + "; how sure is not known, so no change is proven."
		if difference.IsZero() {
			c.Said = "The same figure; how sure is not known."
		}
		return
	}
	c.PlusMinus = math.Hypot(u1, u2)
	c.Proven = math.Abs(c.Difference) > c.PlusMinus
	within := " ± " + figure(c.PlusMinus) + " " + later.Unit
	switch {
	case c.Proven:
		c.Said = "Changed: " + difference.Abs().String() + within + " " + c.direction() + "."
	default:
		c.Said = "No proven change: " + difference.String() + within + "."
	}
}

// direction says which way a figure went.
func (c *Change) direction() string {
	if c.Difference < 0 {
		return known[c.Quantity].less
	}
	return known[c.Quantity].more
}

// reading is the colour as the arithmetic takes it.
func (r *Reading) reading() colour.Reading {
	c := r.Colour
	x := colour.Reading{Lab: colour.Lab{L: c.L.InexactFloat64(), A: c.A.InexactFloat64(), B: c.B.InexactFloat64()}, Exact: r.Role == Specified}
	if r.N != nil {
		x.N = *r.N
	}
	if c.SDL != nil && c.SDA != nil && c.SDB != nil {
		x.SD, x.Exact = &colour.Lab{L: c.SDL.InexactFloat64(), A: c.SDA.InexactFloat64(), B: c.SDB.InexactFloat64()}, false
	}
	if c.BoundDE != nil {
		x.Bound = c.BoundDE.InexactFloat64()
	}
	return x
}

func (c *Change) ofColour(earlier, later *Reading) {
	change := colour.Compare(earlier.reading(), later.reading())
	c.Colour, c.Formula = &change, colourFormula
	c.Difference, c.PlusMinus, c.Known, c.Proven = change.DE2000, change.PlusMinus, change.Known, change.Proven
	how := colourWords(change.Difference)
	switch {
	case !c.Known:
		c.Said = "ΔE2000 " + figure(c.Difference) + how + "; how sure is not known, since a series has no deviations, so no change is proven."
	case c.Proven:
		c.Said = "Changed: ΔE2000 " + figure(c.Difference) + " ± " + figure(c.PlusMinus) + how + "."
	default:
		c.Said = "No proven change: ΔE2000 " + figure(c.Difference) + " ± " + figure(c.PlusMinus) + "."
	}
}

// smallStep is what is too little to be said in words: below it nobody sees it.
const smallStep = 0.5

// colourWords says which way a colour went, the largest step first.
func colourWords(d colour.Difference) string {
	var all []string
	for _, step := range []struct {
		by         float64
		more, less string
	}{{d.DL, "lighter", "darker"}, {d.DC, "more vivid", "duller"}, {d.DB, "yellower", "bluer"}, {d.DA, "redder", "greener"}} {
		switch {
		case step.by > smallStep:
			all = append(all, step.more)
		case step.by < -smallStep:
			all = append(all, step.less)
		}
	}
	if len(all) == 0 {
		return ""
	}
	return " (" + strings.Join(all, ", ") + ")"
}

// figure writes a figure with two significant digits after what is certain: never an exponent.
func figure(v float64) string {
	decimals := 2
	if v != 0 && math.Abs(v) < 0.1 {
		decimals = min(6, 1-int(math.Floor(math.Log10(math.Abs(v)))))
	}
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}
