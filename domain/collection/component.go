package collection

import (
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// DepthMost is how deep the tree of components may be.
const DepthMost = 8

// Removal says whether a component can be taken off.
type Removal string

// The answers to 'can it be taken off?'.
const (
	Freely      Removal = "freely"
	ByTwoPeople Removal = "by_two_people"
	Never       Removal = "never" // C2: not planned as detached anywhere
)

// Attribution says whether a component belongs to the object's first make.
type Attribution string

// The attributions.
const (
	Original                Attribution = "original"
	ContemporaryReplacement Attribution = "contemporary_replacement"
	LaterReplacement        Attribution = "later_replacement"
	Reproduction            Attribution = "reproduction"
	UnknownAttribution      Attribution = "unknown"
)

// Component is a part of an object; its label never changes (C1).
type Component struct {
	ID            domain.ID        `json:"id"`
	ObjectID      domain.ID        `json:"object_id"`
	ParentID      *domain.ID       `json:"parent_id,omitempty"`
	Label         string           `json:"label"` // below the object's number: "3b"
	Name          string           `json:"name"`
	Side          string           `json:"side"`        // left, right, none
	LayerOrder    int              `json:"layer_order"` // counted outwards from the wearer, 0 is innermost
	Function      string           `json:"function"`    // see Functions
	JoinedHow     string           `json:"joined_how"`
	Count         int              `json:"count"`
	Dimensions    []Dimension      `json:"dimensions"`
	MassKG        *decimal.Decimal `json:"mass_kg,omitempty"`
	Removal       Removal          `json:"removal"`
	RemovalReason string           `json:"removal_reason"`         // why never
	Attribution   Attribution      `json:"attribution"`            // the present one; earlier ones are kept (C3)
	CameFromID    *domain.ID       `json:"came_from_id,omitempty"` // of a fragment: the component it came from
	Version       int64            `json:"version"`
	CreatedAt     time.Time        `json:"created_at"`

	domain.Raised `json:"-" db:"-"`
}

// Functions are what a component is for.
var Functions = []string{"gas_tight", "restraint", "cover", "lining", "padding", "insulation", "hardware", "closure", "seal",
	"harness", "container", "instrument", "label", "weight", "fragment", "other"}

// AttributionLine is one attribution of a component; earlier ones stay (C3).
type AttributionLine struct {
	ID          domain.ID   `json:"id"`
	ComponentID domain.ID   `json:"component_id"`
	Attribution Attribution `json:"attribution"`
	Evidence    string      `json:"evidence"`
	AuthorID    domain.ID   `json:"author_id"`
	AuthorName  string      `json:"author_name"`
	At          time.Time   `json:"at"`
}

// ComponentMaterial is one identification of a material of a component. SupersededAt is set when a
// later identification took its place (C3).
type ComponentMaterial struct {
	ID              domain.ID        `json:"id"`
	ComponentID     domain.ID        `json:"component_id"`
	MaterialKey     *string          `json:"material_key,omitempty"` // nil: unidentified
	MaterialName    string           `json:"material_name"`          // 'unidentified' when MaterialKey is nil
	Role            string           `json:"role"`                   // body, coating, adhesive, thread, filler, plating, residue
	SharePercent    *decimal.Decimal `json:"share_percent,omitempty"`
	ThicknessMM     *decimal.Decimal `json:"thickness_mm,omitempty"`
	IdentifiedBy    string           `json:"identified_by"` // label, document, sight, test
	Confidence      string           `json:"confidence"`    // certain, probable, possible
	Evidence        string           `json:"evidence"`
	InvestigationID *domain.ID       `json:"investigation_id,omitempty"` // that proves it
	AuthorID        domain.ID        `json:"author_id"`
	AuthorName      string           `json:"author_name"`
	At              time.Time        `json:"at"`
	SupersededAt    *time.Time       `json:"superseded_at,omitempty"`
}

// Joint is where two components of an object meet.
type Joint struct {
	ID       domain.ID        `json:"id"`
	ObjectID domain.ID        `json:"object_id"`
	AID      domain.ID        `json:"a_id"`
	BID      domain.ID        `json:"b_id"`
	Meets    string           `json:"meets"`   // sewn, laced, glued, threaded, bayonet, ring_lock, zip, magnet, rests_on, hangs_from, loose
	Contact  string           `json:"contact"` // direct, barrier, gap
	GapMM    *decimal.Decimal `json:"gap_mm,omitempty"`
	GasTight bool             `json:"gas_tight"` // closed gas-tight
	State    string           `json:"state"`     // engaged, held_open, seized, missing
	Note     string           `json:"note"`
	Version  int64            `json:"version"`

	domain.Raised `json:"-" db:"-"`
}

// Hazard is a danger to people on an object or one of its components. It stays for ever; ruling it
// out or removing it is recorded beside it.
type Hazard struct {
	ID          domain.ID  `json:"id"`
	ObjectID    domain.ID  `json:"object_id"`
	ComponentID *domain.ID `json:"component_id,omitempty"`
	Kind        string     `json:"kind"`      // a caution of the material library: "radium"
	Certainty   string     `json:"certainty"` // certain, probable, possible, ruled_out
	KnownBy     string     `json:"known_by"`  // record, label, sight, test
	Where       string     `json:"where"`
	State       string     `json:"state"` // intact, damaged, loose, sealed, removed
	Controls    string     `json:"controls"`
	Note        string     `json:"note"`
	AuthorID    domain.ID  `json:"author_id"`
	At          time.Time  `json:"at"`
	ReviewOn    *time.Time `json:"review_on,omitempty"`
	Version     int64      `json:"version"`

	domain.Raised `json:"-" db:"-"`
}

// Sheet is an object with its whole make-up, as other areas need it to judge.
type Sheet struct {
	Object     Object              `json:"object"`
	Components []Component         `json:"components"` // parents before children, in the order of labels
	Materials  []ComponentMaterial `json:"materials"`  // the present ones
	Joints     []Joint             `json:"joints"`
	Hazards    []Hazard            `json:"hazards"`
}

// Component finds a component of the sheet by its ID; nil when it is not of this object.
func (s *Sheet) Component(id domain.ID) *Component {
	for i := range s.Components {
		if s.Components[i].ID == id {
			return &s.Components[i]
		}
	}
	return nil
}

// Above lists the component's ancestors, the nearest first.
func (s *Sheet) Above(id domain.ID) []domain.ID {
	var above []domain.ID
	for c := s.Component(id); c != nil && c.ParentID != nil && len(above) <= DepthMost; c = s.Component(*c.ParentID) {
		above = append(above, *c.ParentID)
	}
	return above
}

// Below lists the component and everything below it.
func (s *Sheet) Below(id domain.ID) []domain.ID {
	below := []domain.ID{id}
	seen := map[domain.ID]bool{id: true}
	for i := 0; i < len(below); i++ {
		for _, c := range s.Components {
			if c.ParentID != nil && *c.ParentID == below[i] && !seen[c.ID] {
				seen[c.ID] = true
				below = append(below, c.ID)
			}
		}
	}
	return below
}

// Called names a component as people do: "1968.14.2.3b cuff".
func (s *Sheet) Called(id domain.ID) string {
	c := s.Component(id)
	if c == nil {
		return "a component of another object"
	}
	return s.Object.Number + "." + c.Label + " " + c.Name
}
