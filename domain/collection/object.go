package collection

import (
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// The acts of this area. Whoever works here may note a danger; judging it is of the make-up.
var (
	Read     = domain.Act{Area: "collection", Name: "read the objects", Roles: domain.Readers}
	Describe = domain.Act{Area: "collection", Name: "describe an object", Write: true, Roles: []domain.Role{domain.Conservator, domain.Curator, domain.Registrar}}
	Withdraw = domain.Act{Area: "collection", Name: "take back an entry made by mistake", Write: true, Roles: []domain.Role{domain.Registrar, domain.Curator}}
	MakeUp   = domain.Act{Area: "collection", Name: "record the make-up of an object", Write: true, Roles: []domain.Role{domain.Conservator, domain.Curator}}
	Warn     = domain.Act{Area: "collection", Name: "record a hazard", Write: true, Roles: domain.Staff}
)

// LegalStatus says by what right an object is here.
type LegalStatus string

// The legal statuses. What left the collection is 'former'; its record stays (C4).
const (
	Accessioned LegalStatus = "accessioned"
	LoanToUs    LegalStatus = "on_loan_to_us"
	Deposit     LegalStatus = "deposit"
	Study       LegalStatus = "study"
	Former      LegalStatus = "former"
)

// LegalStatuses lists them in the order in which they are shown.
var LegalStatuses = []LegalStatus{Accessioned, LoanToUs, Deposit, Study, Former}

// Object is a thing of the collection with its own number.
type Object struct {
	ID            domain.ID        `json:"id"`
	Number        string           `json:"number"`
	FormerNumbers []string         `json:"former_numbers"`
	Title         string           `json:"title"`
	Description   string           `json:"description"`
	Kind          string           `json:"kind"` // from the general to the particular: "protective dress › diving dress"
	Makers        []string         `json:"makers"`
	DateMade      string           `json:"date_made"` // EDTF
	DateEarliest  *time.Time       `json:"date_earliest,omitempty"`
	DateLatest    *time.Time       `json:"date_latest,omitempty"`
	PlaceMade     string           `json:"place_made"`
	Subject       string           `json:"subject"`  // what it shows or stands for
	Features      string           `json:"features"` // what tells it from others of its kind
	Dimensions    []Dimension      `json:"dimensions"`
	MassKG        *decimal.Decimal `json:"mass_kg,omitempty"`
	LegalStatus   LegalStatus      `json:"legal_status"`
	Owner         string           `json:"owner,omitempty"` // when it is not the museum's own; absent for who may not see it (P3)
	Department    string           `json:"department"`
	Marks         []Inscription    `json:"marks"`
	NotKnown      []string         `json:"not_known"` // headings of the Object ID checklist answered 'none' or 'not known'
	FacePhotoID   *domain.ID       `json:"face_photo_id,omitempty"`
	Version       int64            `json:"version"`
	CreatedAt     time.Time        `json:"created_at"`
	CreatedBy     domain.ID        `json:"created_by"`

	domain.Raised `json:"-" db:"-"`
}

// Dimension is one measured length of a thing, in millimetres.
type Dimension struct {
	What string          `json:"what" validate:"required,oneof=height width depth length diameter circumference thickness"`
	MM   decimal.Decimal `json:"mm" validate:"gt=0,lte=100000"`
	Note string          `json:"note" validate:"max=200"` // "lying flat, helmet on"
}

// Inscription is a mark or an inscription on an object.
type Inscription struct {
	Kind          string `json:"kind" validate:"required,oneof=label stamp stencil engraving painted embroidered number other"`
	Where         string `json:"where" validate:"required,max=300"`
	Transcription string `json:"transcription" validate:"max=2000"`
	Meaning       string `json:"meaning" validate:"max=2000"`
}

// MarkKinds are what a mark or an inscription can be.
var MarkKinds = []string{"label", "stamp", "stencil", "engraving", "painted", "embroidered", "number", "other"}

// DimensionKinds are what can be measured of a thing.
var DimensionKinds = []string{"height", "width", "depth", "length", "diameter", "circumference", "thickness"}

// ObjectFacts are what a person says about an object.
type ObjectFacts struct {
	Number        string           `json:"number" validate:"required,max=200"`
	FormerNumbers []string         `json:"former_numbers" validate:"max=20,unique,dive,required,max=120"`
	Title         string           `json:"title" validate:"required,max=300"`
	Description   string           `json:"description" validate:"max=8000"`
	Kind          string           `json:"kind" validate:"max=200"`
	Makers        []string         `json:"makers" validate:"max=20,unique,dive,required,max=200"`
	DateMade      string           `json:"date_made" validate:"omitempty,max=500,edtf"`
	PlaceMade     string           `json:"place_made" validate:"max=200"`
	Subject       string           `json:"subject" validate:"max=2000"`
	Features      string           `json:"features" validate:"max=4000"`
	Dimensions    []Dimension      `json:"dimensions" validate:"max=40,dive"`
	MassKG        *decimal.Decimal `json:"mass_kg" validate:"omitempty,gt=0,lte=100000"`
	LegalStatus   LegalStatus      `json:"legal_status" validate:"required,oneof=accessioned on_loan_to_us deposit study former"`
	Owner         string           `json:"owner" validate:"max=300"`
	Department    string           `json:"department" validate:"required,max=120"`
	Marks         []Inscription    `json:"marks" validate:"max=100,dive"`
	NotKnown      []string         `json:"not_known" validate:"max=10,unique,dive,oneof=photograph type measurements materials inscriptions date maker subject features description"`
}

// NewObject asks for the record of an object.
type NewObject struct{ ObjectFacts }

// FaceChoice chooses the photograph that stands for the object; nil takes it away.
type FaceChoice struct {
	PhotoID *domain.ID `json:"photo_id"`
}

// NewObjectOf makes the record of an object. The error holds every fault of the facts.
func NewObjectOf(by domain.Actor, n NewObject, at time.Time) (*Object, error) {
	o := &Object{ID: domain.NewID(), Version: 1, CreatedAt: at, CreatedBy: by.ID}
	if err := n.check(); err != nil {
		return nil, err
	}
	if err := o.set(n.ObjectFacts); err != nil {
		return nil, err
	}
	o.Owner = strings.TrimSpace(n.Owner)
	if o.Owner == "" && (o.LegalStatus == LoanToUs || o.LegalStatus == Deposit) {
		return nil, ownerMissing()
	}
	facts := n.ObjectFacts
	facts.Owner = ""
	o.raise(by, "added", facts, at)
	o.raiseOwner(by, "", at)
	return o, nil
}

// Change sets the facts of an object. A number that is given up stays as a former number. What an
// object is here by right of is for the registrar and curators; the owner is for who may see it (P3).
func (o *Object) Change(by domain.Actor, f ObjectFacts, at time.Time) error {
	if err := f.check(); err != nil {
		return err
	}
	if f.LegalStatus != o.LegalStatus && !by.Has(domain.Registrar) && !by.Has(domain.Curator) {
		return domain.Forbidden("You may not change by what right an object is here. Ask a registrar or a curator.")
	}
	after := *o
	if err := after.set(f); err != nil {
		return err
	}
	if after.Number != o.Number && !slices.Contains(after.FormerNumbers, o.Number) {
		after.FormerNumbers = append(after.FormerNumbers, o.Number)
	}
	owner := strings.TrimSpace(f.Owner)
	switch sees := by.MaySeeValues(o.Department); {
	case !sees && owner != "" && owner != o.Owner:
		return domain.Forbidden("You may not change whose the object is (rule P3). Ask a registrar or the curator of " + o.Department + ".")
	case sees:
		after.Owner = owner
		if owner == "" && (after.LegalStatus == LoanToUs || after.LegalStatus == Deposit) {
			return ownerMissing()
		}
	}
	before := *o
	*o = after
	o.raiseOwner(by, before.Owner, at)
	shown := after
	before.Owner, shown.Owner = "", ""
	if changed := differences(before, shown); len(changed) > 0 {
		o.raise(by, "changed", changed, at)
	}
	return nil
}

// raiseOwner: a change of owner is an event of its own, so that the others can be shown to who may not see owners (P3).
func (o *Object) raiseOwner(by domain.Actor, before string, at time.Time) {
	if o.Owner != before {
		o.raise(by, "owner_changed", map[string]any{"owner": [2]string{before, o.Owner}}, at)
	}
}

func ownerMissing() error {
	return domain.Invalid("/owner", "required", "Say whose it is, because it is not the museum's own.")
}

// ChooseFace sets the photograph that stands for the object. That it is one of the object, the
// database knows.
func (o *Object) ChooseFace(by domain.Actor, choice FaceChoice, at time.Time) {
	o.FacePhotoID = choice.PhotoID
	o.raise(by, "face_chosen", choice, at)
}

// Deletable is rule C4. The record of an object is taken back only when it was made by mistake: as
// long as it has no component, joint or hazard and nothing about the object was ever signed. In every
// other case the record stays and the legal status becomes 'former'. The database refuses besides
// when any other record (a photograph, a treatment, a move) is about the object.
func (s *Sheet) Deletable(signed bool) error {
	switch {
	case signed:
		return domain.RefuseState("C4", "Something about "+s.Object.Number+" has been signed, so its record stays. When it left the collection, set its legal status to 'former'.")
	case len(s.Components)+len(s.Joints)+len(s.Hazards) > 0:
		return domain.RefuseState("C4", s.Object.Number+" has a make-up or hazards on record, so its record stays. When it left the collection, set its legal status to 'former'.")
	}
	return nil
}

// check validates the facts, with every fault at once.
func (f ObjectFacts) check() error {
	var fields []domain.Field
	_, numberErr := ParseNumber(f.Number)
	fields = append(fields, measures(f.Dimensions, f.MassKG)...)
	if strings.TrimSpace(f.Number) == "" {
		numberErr = nil // said already
	}
	return together(domain.Validate(f), numberErr, domain.InvalidFields(fields))
}

// set puts checked facts into the object, tidied.
func (o *Object) set(f ObjectFacts) error {
	number, err := ParseNumber(f.Number)
	if err != nil {
		return err
	}
	o.Number, o.FormerNumbers, o.Title = string(number), tidyList(f.FormerNumbers), strings.TrimSpace(f.Title)
	o.Description, o.Kind, o.Makers = strings.TrimSpace(f.Description), tidyKind(f.Kind), tidyList(f.Makers)
	o.DateMade, o.DateEarliest, o.DateLatest = "", nil, nil
	if strings.TrimSpace(f.DateMade) != "" {
		made, err := domain.ParseEDTF(f.DateMade)
		if err != nil {
			return err
		}
		o.DateMade, o.DateEarliest, o.DateLatest = made.Text, made.Earliest, made.Latest
	}
	o.PlaceMade, o.Subject, o.Features = strings.TrimSpace(f.PlaceMade), strings.TrimSpace(f.Subject), strings.TrimSpace(f.Features)
	o.Dimensions, o.MassKG = tidyDimensions(f.Dimensions), f.MassKG
	o.LegalStatus, o.Department = f.LegalStatus, strings.TrimSpace(f.Department)
	o.Marks = make([]Inscription, len(f.Marks))
	for i, m := range f.Marks {
		m.Where, m.Transcription, m.Meaning = strings.TrimSpace(m.Where), strings.TrimSpace(m.Transcription), strings.TrimSpace(m.Meaning)
		o.Marks[i] = m
	}
	o.NotKnown = slices.Clone(f.NotKnown)
	if o.NotKnown == nil {
		o.NotKnown = []string{}
	}
	return nil
}

// Facts are the object as its facts are sent.
func (o *Object) Facts() ObjectFacts {
	return ObjectFacts{
		Number: o.Number, FormerNumbers: o.FormerNumbers, Title: o.Title, Description: o.Description, Kind: o.Kind, Makers: o.Makers,
		DateMade: o.DateMade, PlaceMade: o.PlaceMade, Subject: o.Subject, Features: o.Features, Dimensions: o.Dimensions, MassKG: o.MassKG,
		LegalStatus: o.LegalStatus, Owner: o.Owner, Department: o.Department, Marks: o.Marks, NotKnown: o.NotKnown,
	}
}

func (o *Object) raise(by domain.Actor, kind string, change any, at time.Time) {
	o.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "collection", Subject: o.ID, Object: &o.ID, Kind: kind, Change: change})
}
