package collection

import (
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// The acts of this area.
var (
	Read     = domain.Act{Area: "collection", Name: "read the objects", Roles: domain.Readers}
	Describe = domain.Act{Area: "collection", Name: "describe an object", Write: true, Roles: []domain.Role{domain.Conservator, domain.Curator, domain.Registrar}}
	MakeUp   = domain.Act{Area: "collection", Name: "record the make-up of an object", Write: true, Roles: []domain.Role{domain.Conservator, domain.Curator}}
)

// LegalStatus says by what right an object is here.
type LegalStatus string

// The legal statuses.
const (
	Accessioned LegalStatus = "accessioned"
	LoanToUs    LegalStatus = "on_loan_to_us"
	Deposit     LegalStatus = "deposit"
	Study       LegalStatus = "study"
	Former      LegalStatus = "former" // left the collection; the record stays (C4)
)

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
	Owner         string           `json:"owner"` // when it is not the museum's own
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
