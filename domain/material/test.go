package material

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// KeepTest is the act of recording a test of a mount or case material.
var KeepTest = domain.Act{Area: "collection", Name: "record a test of a material", Write: true, Roles: []domain.Role{domain.Conservator, domain.MountMaker}}

// Test is a test of a material for mounts and cases, of one product and batch (rule M4). It is never
// changed; a later one takes its place.
type Test struct {
	ID           domain.ID        `json:"id"`
	MaterialKey  string           `json:"material_key"`
	Kind         TestKind         `json:"kind"`
	Product      string           `json:"product"`
	Batch        string           `json:"batch"`
	TestedOn     string           `json:"tested_on"`   // a day, as 2026-02-06
	ValidUntil   string           `json:"valid_until"` // the last day
	TestedBy     string           `json:"tested_by"`
	Method       string           `json:"method"`
	Silver       Coupon           `json:"silver"` // of an accelerated corrosion test, as copper and lead
	Copper       Coupon           `json:"copper"`
	Lead         Coupon           `json:"lead"`
	PH           *decimal.Decimal `json:"ph,omitempty"`
	ColourBleeds bool             `json:"colour_bleeds"`         // of a pH test
	StripLevel   *decimal.Decimal `json:"strip_level,omitempty"` // of an indicator strip: 0, 1, 1.5, 2, 3
	Note         string           `json:"note"`
	RecordedByID domain.ID        `json:"recorded_by_id"`
	RecordedBy   string           `json:"recorded_by"`
	RecordedAt   time.Time        `json:"recorded_at"`
	Result       Coupon           `json:"result"` // of the whole
	Valid        bool             `json:"valid"`  // today
}

// TestKind is how a material was tested.
type TestKind string

// The kinds of tests.
const (
	AcceleratedCorrosion TestKind = "accelerated_corrosion" // with coupons of silver, copper and lead
	PH                   TestKind = "ph"                    // of a cloth or a board
	IndicatorStrip       TestKind = "indicator_strip"       // that turns with any acid vapour
)

// TestKinds lists them in the order in which they are shown.
var TestKinds = []TestKind{AcceleratedCorrosion, PH, IndicatorStrip}

// Coupon is how a metal coupon came out of an accelerated corrosion test against its control, and how a
// test came out as a whole: no change, a slight loss of gloss or tint, clear corrosion.
//
// source: Oddy 1973 and its successors as told in Materials 2023, 16, 7596: permanent, temporary, unsuitable
type Coupon string

// The classes.
const (
	Permanent  Coupon = "permanent"
	Temporary  Coupon = "temporary" // at most TemporaryMonths
	Unsuitable Coupon = "unsuitable"
)

// Coupons lists the classes, the best first.
var Coupons = []Coupon{Permanent, Temporary, Unsuitable}

const (
	// validMonths is for how long a test may hold: common practice is to test again after a year, at a
	// new batch or a change of recipe.
	validMonths = 12
	// TemporaryMonths is for how long a material of the class temporary may be near an object: common practice.
	TemporaryMonths = 6
)

// The acidity within which a cloth or a board may touch organic material.
//
// source: British Museum, selection of materials for storage and display: pH 5.5 to 9, no colour bleeds
var leastPH, greatestPH = decimal.RequireFromString("5.5"), decimal.RequireFromString("9")

// NewTest records a test. What belongs to another kind is left empty.
type NewTest struct {
	Kind         TestKind         `json:"kind" validate:"required,oneof=accelerated_corrosion ph indicator_strip"`
	Product      string           `json:"product" validate:"required,max=200"`
	Batch        string           `json:"batch" validate:"required,max=120"`
	TestedOn     string           `json:"tested_on" validate:"required,datetime=2006-01-02"`
	ValidUntil   string           `json:"valid_until" validate:"omitempty,datetime=2006-01-02"` // empty: a year
	TestedBy     string           `json:"tested_by" validate:"required,max=200"`
	Method       string           `json:"method" validate:"max=1000"`
	Silver       Coupon           `json:"silver" validate:"omitempty,oneof=permanent temporary unsuitable"`
	Copper       Coupon           `json:"copper" validate:"omitempty,oneof=permanent temporary unsuitable"`
	Lead         Coupon           `json:"lead" validate:"omitempty,oneof=permanent temporary unsuitable"`
	PH           *decimal.Decimal `json:"ph" validate:"omitempty,gte=0,lte=14"`
	ColourBleeds bool             `json:"colour_bleeds"`
	StripLevel   *decimal.Decimal `json:"strip_level"`
	Note         string           `json:"note" validate:"max=4000"`
}

// stripLevels are the steps of an indicator strip (bromocresol green), from blue to yellow.
//
// source: Image Permanence Institute, User's Guide to A-D Strips, 2001: 0, 1, 1.5, 2, 3
var stripLevels = []string{"0", "1", "1.5", "2", "3"}

// test makes the record; every fault at once.
func (n NewTest) test(by domain.Actor, key string, zone *time.Location, at time.Time) (*Test, error) {
	var fields []domain.Field
	if err := domain.Validate(n); err != nil {
		e, ok := err.(*domain.Error)
		if !ok {
			return nil, err
		}
		fields = e.Fields
	}
	fault := func(pointer, rule, message string) {
		fields = append(fields, domain.Field{Pointer: pointer, Rule: rule, Message: message})
	}
	n.of(fault)
	if tested, err := time.Parse(time.DateOnly, n.TestedOn); err == nil {
		last := tested.AddDate(0, validMonths, 0).Format(time.DateOnly)
		if n.ValidUntil == "" {
			n.ValidUntil = last
		}
		switch {
		case n.TestedOn > at.In(zone).Format(time.DateOnly):
			fault("/tested_on", "past", "A test is recorded when it is done, not before.")
		case n.TestedOn < "1973-01-01":
			fault("/tested_on", "range", "No such test was done so long ago.")
		}
		switch {
		case n.ValidUntil < n.TestedOn:
			fault("/valid_until", "order", "It holds at least on the day of the test.")
		case n.ValidUntil > last:
			fault("/valid_until", "range", fmt.Sprintf("A test holds for at most %d months, until %s.", validMonths, last))
		}
	}
	if err := domain.InvalidFields(fields); err != nil {
		return nil, err
	}
	t := &Test{ID: domain.NewID(), MaterialKey: key, Kind: n.Kind, Product: strings.TrimSpace(n.Product), Batch: strings.TrimSpace(n.Batch), TestedOn: n.TestedOn, ValidUntil: n.ValidUntil,
		TestedBy: strings.TrimSpace(n.TestedBy), Method: strings.TrimSpace(n.Method), Silver: n.Silver, Copper: n.Copper, Lead: n.Lead, PH: n.PH, ColourBleeds: n.ColourBleeds, StripLevel: n.StripLevel,
		Note: strings.TrimSpace(n.Note), RecordedByID: by.ID, RecordedBy: by.Name, RecordedAt: at}
	return t, nil
}

// of looks whether what belongs to the kind is there, and nothing else.
func (n NewTest) of(fault func(pointer, rule, message string)) {
	for pointer, c := range map[string]Coupon{"/silver": n.Silver, "/copper": n.Copper, "/lead": n.Lead} {
		switch {
		case n.Kind == AcceleratedCorrosion && c == "":
			fault(pointer, "required", "Say how this coupon came out; the worst of the three counts.")
		case n.Kind != AcceleratedCorrosion && c != "":
			fault(pointer, "excluded", "Only an accelerated corrosion test has coupons. Leave this empty.")
		}
	}
	switch {
	case n.Kind == PH && n.PH == nil:
		fault("/ph", "required", "Say which pH was measured.")
	case n.Kind != PH && n.PH != nil:
		fault("/ph", "excluded", "Only a pH test has this. Leave it empty.")
	case n.PH != nil && n.PH.Exponent() < -2:
		fault("/ph", "decimals", "At most two decimals.")
	}
	if n.Kind != PH && n.ColourBleeds {
		fault("/colour_bleeds", "excluded", "Only a pH test shows this. Leave it out.")
	}
	switch {
	case n.Kind == IndicatorStrip && n.StripLevel == nil:
		fault("/strip_level", "required", "Say which step the strip came to.")
	case n.Kind != IndicatorStrip && n.StripLevel != nil:
		fault("/strip_level", "excluded", "Only an indicator strip has steps. Leave this empty.")
	case n.StripLevel != nil && !slices.ContainsFunc(stripLevels, func(l string) bool { return n.StripLevel.Equal(decimal.RequireFromString(l)) }):
		fault("/strip_level", "oneof", "The steps are "+strings.Join(stripLevels, ", ")+".")
	}
}

// judge says how the test came out as a whole, and whether it holds on a day.
func (t *Test) judge(today string) {
	t.Valid = t.TestedOn <= today && today <= t.ValidUntil
	t.Result = Permanent
	switch t.Kind {
	case AcceleratedCorrosion: // the worst coupon counts
		for _, c := range []Coupon{t.Silver, t.Copper, t.Lead} {
			if slices.Index(Coupons, c) > slices.Index(Coupons, t.Result) {
				t.Result = c
			}
		}
	case PH:
		if t.PH == nil || t.PH.LessThan(leastPH) || t.PH.GreaterThan(greatestPH) || t.ColourBleeds {
			t.Result = Unsuitable
		}
	case IndicatorStrip:
		if t.StripLevel == nil || t.StripLevel.IsPositive() {
			t.Result = Unsuitable
		}
	}
}

// Planned is for what a material is planned.
type Planned string

// InContact touches the object; InClosedCase shares closed air with it.
const (
	InContact    Planned = "contact"
	InClosedCase Planned = "closed_case"
)

// Suitability says whether a material may be planned, and what is missing (rule M4).
type Suitability struct {
	Use         Planned  `json:"use"`
	MayBe       bool     `json:"may_be_planned"`
	AtMost      int      `json:"at_most_months"` // 0: no bound
	Because     string   `json:"because"`
	Missing     []string `json:"missing"`  // what must exist first
	Cautions    []string `json:"cautions"` // what to think of though it may
	MaterialKey string   `json:"material_key"`
}

// acidity says whether a material is a cloth or a board, whose acidity is measured before it touches an
// object.
func (m *Material) acidity() bool {
	return m.Category == Fibre || m.Category == Wood || m.Family == "wood-board" || m.Family == "paper"
}

// Suit is rule M4: whether a material may be planned in contact or in a closed case on a day. use says what the library
// thinks of it; tests are those of the material, of any product; product and batch, when given, are
// those that are to be used. The latest test of each kind counts.
func Suit(m Material, use CaseUse, planned Planned, tests []Test, product, batch, today string) Suitability {
	s := Suitability{Use: planned, MaterialKey: m.Key, Missing: []string{}, Cautions: []string{}}
	last := latest(tests, product, batch, today)
	of := "of " + m.Name
	if product != "" {
		of = "of " + product
	}
	if batch != "" {
		of += ", batch " + batch
	}
	missing := func(what string) { s.Missing = append(s.Missing, what+" "+of) }
	if use == NotMountMaterial {
		s.Because = "The library does not know it as a material for mounts and cases."
		s.Missing = append(s.Missing, "another material")
		return s
	}
	if use != Inert || last[AcceleratedCorrosion] != nil {
		switch t := last[AcceleratedCorrosion]; {
		case t == nil:
			missing("an accelerated corrosion test")
		case t.Result == Unsuitable:
			s.Because = "Its accelerated corrosion test of " + t.TestedOn + " (batch " + t.Batch + ") came out as unsuitable."
			missing("another material or batch instead")
		case !t.Valid:
			missing("a newer accelerated corrosion test than that of " + t.TestedOn + ", which held until " + t.ValidUntil + ",")
		case t.Result == Temporary:
			s.AtMost = TemporaryMonths
			s.Because = fmt.Sprintf("Its accelerated corrosion test of %s (batch %s) came out as temporary.", t.TestedOn, t.Batch)
		default:
			s.Because = fmt.Sprintf("Its accelerated corrosion test of %s (batch %s) came out as permanent, and holds until %s.", t.TestedOn, t.Batch, t.ValidUntil)
		}
	}
	if planned == InContact && use != Inert && m.acidity() {
		switch t := last[PH]; {
		case t == nil:
			missing("a pH test, because it is to touch the object,")
		case t.Result == Unsuitable:
			missing("a cloth or board of pH 5.5 to 9 whose colour does not bleed, instead")
		case !t.Valid:
			missing("a newer pH test than that of " + t.TestedOn)
		}
	}
	if t := last[IndicatorStrip]; t != nil && planned == InClosedCase {
		if t.Result == Unsuitable {
			missing("a material that gives off no acid (an indicator strip turned on " + t.TestedOn + "), instead")
		}
	}
	if use == Avoid {
		s.Cautions = append(s.Cautions, "The library advises against this material near objects. A test tells of this batch only.")
	}
	if s.MayBe = len(s.Missing) == 0; s.MayBe && s.Because == "" {
		s.Because = "It is of a documented inert class."
	}
	return s
}

// latest is the last test of each kind, judged for a day, of the product and batch when they are given.
// Tests are in the order in which they were done and recorded.
func latest(tests []Test, product, batch, today string) map[TestKind]*Test {
	last := map[TestKind]*Test{}
	for i := range tests {
		t := tests[i]
		if product != "" && !strings.EqualFold(t.Product, product) || batch != "" && !strings.EqualFold(t.Batch, batch) {
			continue
		}
		t.judge(today)
		last[t.Kind] = &t
	}
	return last
}

// tests reads the tests of a material and judges them.
func (s *Service) tests(ctx context.Context, key string) ([]Test, error) {
	all, err := s.store.Tests(ctx, key)
	today := s.today()
	for i := range all {
		all[i].judge(today)
	}
	return all, err
}

func (s *Service) today() string { return s.now().In(s.zone).Format(time.DateOnly) }

// Tests are the tests of a material, in the order in which they were done.
func (s *Service) Tests(ctx context.Context, by domain.Actor, key string) ([]Test, error) {
	if _, err := s.One(ctx, by, key); err != nil {
		return nil, err
	}
	return s.tests(ctx, key)
}

// AddTest records a test of a material (M4).
func (s *Service) AddTest(ctx context.Context, by domain.Actor, key string, n NewTest) (*Test, error) {
	if err := by.May(KeepTest); err != nil {
		return nil, err
	}
	if _, err := s.One(ctx, by, key); err != nil {
		return nil, err
	}
	at := s.now()
	t, err := n.test(by, key, s.zone, at)
	if err != nil {
		return nil, err
	}
	event := domain.Event{At: at, ActorID: &by.ID, Area: "material", Subject: t.ID, Kind: "tested", Change: t}
	if err := s.store.AddTest(ctx, t, event); err != nil {
		return nil, err
	}
	t.judge(s.today())
	return t, nil
}

// PlanQuery asks whether a material may be planned.
type PlanQuery struct {
	Use     Planned `json:"use" validate:"required,oneof=contact closed_case"`
	Product string  `json:"product" validate:"max=200"`
	Batch   string  `json:"batch" validate:"max=120"`
}

// Suit says whether a material may be planned in contact or in a closed case today, and what is missing
// (M4).
func (s *Service) Suit(ctx context.Context, by domain.Actor, key string, q PlanQuery) (Suitability, error) {
	if err := domain.Validate(q); err != nil {
		return Suitability{}, err
	}
	e, err := s.One(ctx, by, key)
	if err != nil {
		return Suitability{}, err
	}
	all, err := s.tests(ctx, key)
	if err != nil {
		return Suitability{}, err
	}
	use := TestFirst // of the museum's own nothing else is known
	if b, ok := s.behaviours[key]; ok {
		use = b.CaseUse
	}
	return Suit(e.Material, use, q.Use, all, strings.TrimSpace(q.Product), strings.TrimSpace(q.Batch), s.today()), nil
}

// CaseUse is what the library thinks of a material near objects; the museum's own are tested first.
func (s *Service) CaseUse(key string) CaseUse {
	if b, ok := s.behaviours[key]; ok {
		return b.CaseUse
	}
	return TestFirst
}
