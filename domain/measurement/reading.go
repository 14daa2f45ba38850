package measurement

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/measurement/colour"
)

// Role is what a reading stands for in its series.
type Role string

// The roles. Without one a reading is one of the series.
const (
	Plain     Role = ""
	Baseline  Role = "baseline"       // what later readings are compared with, from here on
	Protected Role = "protected_area" // of the same material where light and touch did not reach
	Specified Role = "specified"      // a colour or figure that the maker gives
)

// Roles are in the order in which they are offered.
var Roles = []Role{Plain, Baseline, Protected, Specified}

// RoleWords says a role as people do.
var RoleWords = map[Role]string{Plain: "one of the series", Baseline: "baseline", Protected: "protected area", Specified: "as the maker specifies it"}

// Geometry is how an instrument lights and looks.
type Geometry string

// The geometries. Included takes in the gloss (what the pigment does), excluded leaves it out (what the eye
// sees); they are never compared with each other.
const (
	SpecularIncluded Geometry = "d8_specular_included"
	SpecularExcluded Geometry = "d8_specular_excluded"
	FortyFive        Geometry = "45_0"
)

// Geometries are in the order in which they are offered.
var Geometries = []Geometry{SpecularIncluded, SpecularExcluded, FortyFive}

// GeometryWords says a geometry as people do.
var GeometryWords = map[Geometry]string{SpecularIncluded: "d/8, gloss included (SCI)", SpecularExcluded: "d/8, gloss excluded (SCE)", FortyFive: "45/0"}

// Tint is a measured colour: the mean of n readings in CIELAB, or computed from a spectrum.
type Tint struct {
	L          decimal.Decimal   `json:"l"`
	A          decimal.Decimal   `json:"a"`
	B          decimal.Decimal   `json:"b"`
	SDL        *decimal.Decimal  `json:"sd_l,omitempty"` // sample standard deviation of the n readings
	SDA        *decimal.Decimal  `json:"sd_a,omitempty"`
	SDB        *decimal.Decimal  `json:"sd_b,omitempty"`
	BoundDE    *decimal.Decimal  `json:"bound_de,omitempty"` // ΔE*ab that the spread does not show
	Illuminant colour.Illuminant `json:"illuminant"`
	Observer   colour.Observer   `json:"observer"`
	Geometry   Geometry          `json:"geometry,omitempty"` // empty of a specified colour that does not say
	ApertureMM *decimal.Decimal  `json:"aperture_mm,omitempty"`
	Spectrum   []float64         `json:"spectrum,omitempty"` // reflectance at 400, 410 … 700 nm; L, a and b follow from it
}

// NewTint is a measured colour as it is entered: L, a and b, or a spectrum.
type NewTint struct {
	L          *decimal.Decimal  `json:"l" validate:"omitempty,gte=0,lte=110"`
	A          *decimal.Decimal  `json:"a" validate:"omitempty,gte=-150,lte=150"`
	B          *decimal.Decimal  `json:"b" validate:"omitempty,gte=-150,lte=150"`
	SDL        *decimal.Decimal  `json:"sd_l" validate:"omitempty,gte=0,lte=50"`
	SDA        *decimal.Decimal  `json:"sd_a" validate:"omitempty,gte=0,lte=50"`
	SDB        *decimal.Decimal  `json:"sd_b" validate:"omitempty,gte=0,lte=50"`
	BoundDE    *decimal.Decimal  `json:"bound_de" validate:"omitempty,gte=0,lte=50"`
	Illuminant colour.Illuminant `json:"illuminant" validate:"required,oneof=D65 D50 A C"`
	Observer   colour.Observer   `json:"observer" validate:"required,oneof=10 2"`
	Geometry   Geometry          `json:"geometry" validate:"omitempty,oneof=d8_specular_included d8_specular_excluded 45_0"`
	ApertureMM *decimal.Decimal  `json:"aperture_mm" validate:"omitempty,gt=0,lte=100"`
	Spectrum   []float64         `json:"spectrum" validate:"max=1000"`
}

// NewReading is a measurement as it is entered.
type NewReading struct {
	Quantity      Quantity         `json:"quantity" validate:"required,oneof=colour ph strip_level thickness_mm hardness_shore_a hardness_shore_d mass_g dimension_mm"`
	MeasuredOn    string           `json:"measured_on" validate:"required,datetime=2006-01-02"`
	Role          Role             `json:"role" validate:"omitempty,oneof=baseline protected_area specified"`
	Value         *decimal.Decimal `json:"value"`      // of all quantities but colour
	PlusMinus     *decimal.Decimal `json:"plus_minus"` // k = 2: holds 95 in 100
	N             *int             `json:"n" validate:"omitempty,gte=1,lte=1000"`
	Colour        *NewTint         `json:"colour"`
	Method        string           `json:"method" validate:"max=500"`
	Instrument    string           `json:"instrument" validate:"max=300"`
	Source        string           `json:"source" validate:"max=500"` // where the protected area lies, or which document specifies it
	Note          string           `json:"note" validate:"max=2000"`
	ExaminationID *domain.ID       `json:"examination_id"`
	Hands         *Hands           `json:"hands"` // hands were on the object; nil: without contact, or logged otherwise
}

// Withdrawal says why a reading counts no longer.
type Withdrawal struct {
	At     time.Time `json:"at"`
	By     Named     `json:"by"`
	Reason string    `json:"reason"`
}

// NewWithdrawal withdraws a reading.
type NewWithdrawal struct {
	Reason string `json:"reason" validate:"required,max=1000"`
}

// Reading is a measurement of one quantity at one spot. It is never changed.
type Reading struct {
	ID            domain.ID        `json:"id"`
	SpotID        domain.ID        `json:"spot_id"`
	ObjectID      domain.ID        `json:"object_id"`
	Quantity      Quantity         `json:"quantity"`
	MeasuredOn    string           `json:"measured_on"`
	Role          Role             `json:"role,omitempty"`
	Value         *decimal.Decimal `json:"value,omitempty"`
	Unit          string           `json:"unit,omitempty"`
	PlusMinus     *decimal.Decimal `json:"plus_minus,omitempty"`
	N             *int             `json:"n,omitempty"`
	Colour        *Tint            `json:"colour,omitempty"`
	Method        string           `json:"method"`
	Instrument    string           `json:"instrument"`
	Source        string           `json:"source"`
	Note          string           `json:"note"`
	ExaminationID *domain.ID       `json:"examination_id,omitempty"`
	HandlingID    *domain.ID       `json:"handling_id,omitempty"` // that was logged with it (H1)
	RecordedAt    time.Time        `json:"recorded_at"`
	RecordedBy    Named            `json:"recorded_by"`
	Withdrawn     *Withdrawal      `json:"withdrawn,omitempty"`

	domain.Raised `json:"-" db:"-"`
}

// Version is 1, and 2 when the reading is withdrawn.
func (r *Reading) Version() int64 {
	if r.Withdrawn != nil {
		return 2
	}
	return 1
}

// faults collects what is wrong with a command.
type faults []domain.Field

func (f *faults) add(pointer, rule, message string) {
	*f = append(*f, domain.Field{Pointer: pointer, Rule: rule, Message: message})
}

// NewReadingAt makes a reading at a spot. It refuses a day that has not come, a quantity without its
// figure, and figures that cannot be.
func NewReadingAt(by domain.Actor, n NewReading, spot *Spot, at time.Time) (*Reading, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	r := &Reading{ID: domain.NewID(), SpotID: spot.ID, ObjectID: spot.ObjectID, Quantity: n.Quantity, MeasuredOn: n.MeasuredOn, Role: n.Role, Unit: n.Quantity.Unit(),
		PlusMinus: n.PlusMinus, N: n.N, Method: strings.TrimSpace(n.Method), Instrument: strings.TrimSpace(n.Instrument), Source: strings.TrimSpace(n.Source),
		Note: strings.TrimSpace(n.Note), ExaminationID: n.ExaminationID, RecordedAt: at, RecordedBy: Named{by.ID, by.Name}}
	var bad faults
	if day, err := time.Parse(time.DateOnly, n.MeasuredOn); err != nil || day.After(at.AddDate(0, 0, 1)) || day.Year() < 1850 {
		bad.add("/measured_on", "range", "A day between 1850 and today.")
	}
	switch {
	case (n.Role == Protected) && r.Source == "":
		bad.add("/source", "required", "Say where the protected area lies.")
	case n.Role == Specified && r.Source == "":
		bad.add("/source", "required", "Say which document specifies it.")
	case n.Role == Specified && n.Hands != nil:
		bad.add("/hands", "role", "What the maker specifies is read in a document, without hands on the object.")
	case n.Role != Specified && r.Instrument == "":
		bad.add("/instrument", "required", "Say with what it was measured.")
	}
	if n.Quantity == Colour {
		r.tint(n, &bad)
	} else {
		r.figure(n, &bad)
	}
	if err := domain.InvalidFields(bad); err != nil {
		return nil, err
	}
	r.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "measurement", Subject: r.ID, Object: &r.ObjectID, Kind: "measured", Change: n})
	return r, nil
}

// figure takes the value of any quantity but colour.
func (r *Reading) figure(n NewReading, bad *faults) {
	switch {
	case n.Colour != nil:
		bad.add("/colour", "quantity", "A "+n.Quantity.Words()+" has no colour. Enter the colour as a reading of its own.")
	case n.Value == nil:
		bad.add("/value", "required", "Give the figure that was read.")
	default:
		if wrong := n.Quantity.checkValue(*n.Value); wrong != "" {
			bad.add("/value", "range", wrong)
		}
	}
	if u := n.PlusMinus; u != nil && (u.IsNegative() || u.GreaterThan(decimal.New(1, 9)) || u.Exponent() < -6) {
		bad.add("/plus_minus", "range", "Not below 0, with at most 6 digits after the point.")
	}
	if n.Role != Specified && r.Method == "" {
		bad.add("/method", "required", "Say how it was measured.")
	}
	r.Value = n.Value
}

// tint takes a colour.
func (r *Reading) tint(n NewReading, bad *faults) {
	if n.Value != nil || n.PlusMinus != nil {
		bad.add("/value", "quantity", "A colour has L*, a* and b* or a spectrum, and no single figure.")
	}
	c := n.Colour
	if c == nil {
		bad.add("/colour", "required", "Give the colour.")
		return
	}
	if n.Role != Specified {
		if c.Geometry == "" {
			bad.add("/colour/geometry", "required", "Say how the instrument lights and looks: readings of different geometries are never compared.")
		}
		if c.ApertureMM == nil {
			bad.add("/colour/aperture_mm", "required", "Give the aperture: readings through different apertures are never compared.")
		}
		if n.N == nil {
			bad.add("/n", "required", "Say how many readings the figures are the mean of.")
		}
	}
	r.spread(n, bad)
	t := &Tint{SDL: c.SDL, SDA: c.SDA, SDB: c.SDB, BoundDE: c.BoundDE, Illuminant: c.Illuminant, Observer: c.Observer, Geometry: c.Geometry, ApertureMM: c.ApertureMM}
	if len(c.Spectrum) == 0 {
		if c.L == nil || c.A == nil || c.B == nil {
			bad.add("/colour/l", "required", "Give L*, a* and b*, or a spectrum.")
			return
		}
		t.L, t.A, t.B = *c.L, *c.A, *c.B
		r.Colour = t
		return
	}
	if c.L != nil || c.A != nil || c.B != nil {
		bad.add("/colour/spectrum", "once", "L*, a* and b* follow from the spectrum. Leave them out, or the spectrum.")
		return
	}
	_, lab, err := colour.FromSpectrum(c.Spectrum, c.Illuminant, c.Observer)
	if err != nil {
		var refused *domain.Error
		if !errors.As(err, &refused) {
			bad.add("/colour/spectrum", "spectrum", "The colour of this spectrum cannot be computed.")
			return
		}
		for _, f := range refused.Fields {
			bad.add("/colour"+f.Pointer, f.Rule, f.Message)
		}
		return
	}
	t.L, t.A, t.B, t.Spectrum = rounded(lab.L), rounded(lab.A), rounded(lab.B), slices.Clone(c.Spectrum)
	r.Colour = t
}

// spread checks the deviations of a colour against the number of its readings.
func (r *Reading) spread(n NewReading, bad *faults) {
	c := n.Colour
	given := 0
	for _, sd := range []*decimal.Decimal{c.SDL, c.SDA, c.SDB} {
		if sd != nil {
			given++
		}
	}
	switch {
	case given != 0 && given != 3:
		bad.add("/colour/sd_l", "spread", "Give the deviations of L*, a* and b*, or none of them.")
	case given == 3 && (n.N == nil || *n.N < 2):
		bad.add("/n", "spread", "One reading has no deviation: give two and more, or leave the deviations out.")
	}
}

// rounded keeps four digits after the point, more than any instrument has.
func rounded(v float64) decimal.Decimal { return decimal.NewFromFloat(v).Round(4) }

// Shown is the reading with its unit and its ±: "4.6 ± 0.3 pH".
func (r *Reading) Shown() string {
	if r.Colour != nil {
		c := r.Colour
		return fmt.Sprintf("L* %s, a* %s, b* %s", c.L.StringFixed(2), c.A.StringFixed(2), c.B.StringFixed(2))
	}
	if r.Value == nil {
		return ""
	}
	text := r.Value.String()
	if r.PlusMinus != nil {
		text += " ± " + r.PlusMinus.String()
	}
	return text + " " + r.Unit
}

// Withdraw says that a reading counts no longer. It stays on record.
func (r *Reading) Withdraw(by domain.Actor, n NewWithdrawal, at time.Time) error {
	if err := domain.Validate(n); err != nil {
		return err
	}
	if r.Withdrawn != nil {
		return domain.Conflict("withdrawn", r.Withdrawn.By.Name+" has withdrawn this reading already.")
	}
	r.Withdrawn = &Withdrawal{At: at, By: Named{by.ID, by.Name}, Reason: strings.TrimSpace(n.Reason)}
	r.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "measurement", Subject: r.ID, Object: &r.ObjectID, Kind: "withdrawn", Change: n})
	return nil
}
