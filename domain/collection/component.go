package collection

import (
	"slices"
	"strconv"
	"strings"
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
	Family          string           `json:"family"`                 // of the material library; empty when unidentified
	HazardKinds     []string         `json:"hazard_kinds"`           // that the material library proposes for it
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

// Sides, removals, attributions, roles of a material, ways and degrees of knowing, in the order in
// which they are shown.
var (
	Sides         = []string{"left", "right", "none"}
	Removals      = []Removal{Freely, ByTwoPeople, Never}
	Attributions  = []Attribution{Original, ContemporaryReplacement, LaterReplacement, Reproduction, UnknownAttribution}
	MaterialRoles = []string{"body", "coating", "adhesive", "thread", "filler", "plating", "residue"}
	IdentifiedBys = []string{"label", "document", "sight", "test"}
	Confidences   = []string{"certain", "probable", "possible"}
)

// ComponentsMost is how many components an object may have.
const ComponentsMost = 1000

// Fragment is the function of a loose piece (C1).
const Fragment = "fragment"

// ComponentFacts are what a person says about a component. The label is not among them: it is given
// once (C1).
type ComponentFacts struct {
	ParentID      *domain.ID       `json:"parent_id"`
	Name          string           `json:"name" validate:"required,max=200"`
	Side          string           `json:"side" validate:"required,oneof=left right none"`
	LayerOrder    int              `json:"layer_order" validate:"min=0,max=99"`
	Function      string           `json:"function" validate:"required,oneof=gas_tight restraint cover lining padding insulation hardware closure seal harness container instrument label weight fragment other"`
	JoinedHow     string           `json:"joined_how" validate:"max=300"`
	Count         int              `json:"count" validate:"required,min=1,max=9999"`
	Dimensions    []Dimension      `json:"dimensions" validate:"max=40,dive"`
	MassKG        *decimal.Decimal `json:"mass_kg" validate:"omitempty,gt=0,lte=100000"`
	Removal       Removal          `json:"removal" validate:"required,oneof=freely by_two_people never"`
	RemovalReason string           `json:"removal_reason" validate:"max=1000"`
	CameFromID    *domain.ID       `json:"came_from_id"`
}

// NewComponent asks for the record of a component. Evidence is needed for every attribution but
// 'unknown'.
type NewComponent struct {
	ComponentFacts
	Label       string      `json:"label" validate:"required,max=60"`
	Attribution Attribution `json:"attribution" validate:"required,oneof=original contemporary_replacement later_replacement reproduction unknown"`
	Evidence    string      `json:"evidence" validate:"max=4000"`
}

// NewAttribution says anew whether a component belongs to the first make; what was said before stays
// (C3).
type NewAttribution struct {
	Attribution Attribution `json:"attribution" validate:"required,oneof=original contemporary_replacement later_replacement reproduction unknown"`
	Evidence    string      `json:"evidence" validate:"required,max=4000"`
}

// NewIdentification says of what a component is made. Without MaterialKey the material is
// unidentified. Supersedes are the present identifications of the component whose place it takes; they
// stay on record (C3).
type NewIdentification struct {
	MaterialKey  *string          `json:"material_key" validate:"omitempty,min=1,max=100"`
	Role         string           `json:"role" validate:"required,oneof=body coating adhesive thread filler plating residue"`
	SharePercent *decimal.Decimal `json:"share_percent" validate:"omitempty,gt=0,lte=100"`
	ThicknessMM  *decimal.Decimal `json:"thickness_mm" validate:"omitempty,gt=0,lte=10000"`
	IdentifiedBy string           `json:"identified_by" validate:"required,oneof=label document sight test"`
	Confidence   string           `json:"confidence" validate:"required,oneof=certain probable possible"`
	Evidence     string           `json:"evidence" validate:"max=4000"`
	Supersedes   []domain.ID      `json:"supersedes" validate:"max=20,unique"`
}

// Facts are the component as its facts are sent.
func (c *Component) Facts() ComponentFacts {
	return ComponentFacts{
		ParentID: c.ParentID, Name: c.Name, Side: c.Side, LayerOrder: c.LayerOrder, Function: c.Function, JoinedHow: c.JoinedHow,
		Count: c.Count, Dimensions: c.Dimensions, MassKG: c.MassKG, Removal: c.Removal, RemovalReason: c.RemovalReason, CameFromID: c.CameFromID,
	}
}

// check validates facts by themselves, with every fault at once. validated is what the command's own
// tags say.
func (f ComponentFacts) check(validated error) error {
	fields := measures(f.Dimensions, f.MassKG)
	if f.Removal == Never && strings.TrimSpace(f.RemovalReason) == "" {
		fields = append(fields, domain.Field{Pointer: "/removal_reason", Rule: "C2", Message: "Say why it can never be taken off (rule C2)."})
	}
	if f.CameFromID != nil && f.Function != Fragment {
		fields = append(fields, domain.Field{Pointer: "/came_from_id", Rule: "C1", Message: "Only a fragment came from another component (rule C1)."})
	}
	return together(validated, domain.InvalidFields(fields))
}

func (c *Component) set(f ComponentFacts) {
	c.ParentID, c.Name, c.Side, c.LayerOrder, c.Function = f.ParentID, strings.TrimSpace(f.Name), f.Side, f.LayerOrder, f.Function
	c.JoinedHow, c.Count, c.Dimensions, c.MassKG = strings.TrimSpace(f.JoinedHow), f.Count, tidyDimensions(f.Dimensions), f.MassKG
	c.Removal, c.RemovalReason, c.CameFromID = f.Removal, strings.TrimSpace(f.RemovalReason), f.CameFromID
}

// place checks where a component hangs in the tree: below a component of the same object, not below
// itself, and nothing deeper than DepthMost. id is the zero ID for a component that is new.
func (s *Sheet) place(id domain.ID, f ComponentFacts) error {
	var fields []domain.Field
	if f.CameFromID != nil {
		switch {
		case *f.CameFromID == id:
			fields = append(fields, domain.Field{Pointer: "/came_from_id", Rule: "C1", Message: "A fragment does not come from itself."})
		case s.Component(*f.CameFromID) == nil:
			fields = append(fields, domain.Field{Pointer: "/came_from_id", Rule: "component", Message: "This is not a component of " + s.Object.Number + "."})
		}
	}
	if f.ParentID != nil {
		above := append([]domain.ID{*f.ParentID}, s.Above(*f.ParentID)...)
		switch {
		case s.Component(*f.ParentID) == nil:
			fields = append(fields, domain.Field{Pointer: "/parent_id", Rule: "component", Message: "This is not a component of " + s.Object.Number + "."})
		case slices.Contains(above, id):
			fields = append(fields, domain.Field{Pointer: "/parent_id", Rule: "tree", Message: "A component cannot be a part of itself or of one of its own parts."})
		case len(above)+s.height(id) > DepthMost:
			fields = append(fields, domain.Field{Pointer: "/parent_id", Rule: "depth", Message: "Parts of parts go at most " + strconv.Itoa(DepthMost) + " levels deep."})
		}
	}
	return domain.InvalidFields(fields)
}

// height is how many levels the component and what is below it take up; 1 for one that is new.
func (s *Sheet) height(id domain.ID) int {
	levels := 1
	for _, below := range s.Below(id)[1:] {
		if at := slices.Index(s.Above(below), id); at >= 0 {
			levels = max(levels, at+2)
		}
	}
	return levels
}

// AddComponent records a component with its first attribution.
func (s *Sheet) AddComponent(by domain.Actor, n NewComponent, at time.Time) (Change, error) {
	label, labelErr := ParseLabel(n.Label)
	if n.Label == "" {
		labelErr = nil // said already
	}
	var fields []domain.Field
	if n.Attribution != UnknownAttribution && strings.TrimSpace(n.Evidence) == "" {
		fields = append(fields, domain.Field{Pointer: "/evidence", Rule: "C3", Message: "Say by what this is known (rule C3)."})
	}
	if err := together(n.ComponentFacts.check(domain.Validate(n)), labelErr, domain.InvalidFields(fields), s.place(domain.ID{}, n.ComponentFacts)); err != nil {
		return Change{}, err
	}
	for _, c := range s.Components {
		if Label(c.Label).Key() == label.Key() {
			return Change{}, domain.Conflict("label_taken", s.Called(c.ID)+" has this label already.")
		}
	}
	if len(s.Components) >= ComponentsMost {
		return Change{}, domain.Conflict("components_most", "An object has at most "+strconv.Itoa(ComponentsMost)+" components. Count equal parts together.")
	}
	c := &Component{ID: domain.NewID(), ObjectID: s.Object.ID, Label: string(label), Attribution: n.Attribution, Version: 1, CreatedAt: at}
	c.set(n.ComponentFacts)
	line := &AttributionLine{ID: domain.NewID(), ComponentID: c.ID, Attribution: n.Attribution, Evidence: strings.TrimSpace(n.Evidence), AuthorID: by.ID, AuthorName: by.Name, At: at}
	return Change{NewComponent: c, Attribution: line, Events: []domain.Event{s.event(by, c.ID, "component_added", n, at)}}, nil
}

// ChangeComponent sets the facts of a component, its place in the tree among them. Its label stays
// (C1).
func (s *Sheet) ChangeComponent(by domain.Actor, id domain.ID, version int64, f ComponentFacts, at time.Time) (Change, error) {
	c := s.Component(id)
	switch {
	case c == nil:
		return Change{}, notOfObject()
	case c.Version != version:
		return Change{}, domain.ErrStale
	}
	if err := together(f.check(domain.Validate(f)), s.place(id, f)); err != nil {
		return Change{}, err
	}
	after := *c
	after.set(f)
	changed := differences(*c, after)
	if len(changed) == 0 {
		return Change{}, nil
	}
	after.Version++
	return Change{Component: &after, Events: []domain.Event{s.event(by, id, "component_changed", changed, at)}}, nil
}

// Attribute says anew whether a component belongs to the first make. The line before it stays (C3).
func (s *Sheet) Attribute(by domain.Actor, id domain.ID, n NewAttribution, at time.Time) (Change, error) {
	if err := domain.Validate(n); err != nil {
		return Change{}, err
	}
	c := s.Component(id)
	if c == nil {
		return Change{}, notOfObject()
	}
	after := *c
	after.Attribution = n.Attribution
	after.Version++
	line := &AttributionLine{ID: domain.NewID(), ComponentID: id, Attribution: n.Attribution, Evidence: strings.TrimSpace(n.Evidence), AuthorID: by.ID, AuthorName: by.Name, At: at}
	return Change{Component: &after, Attribution: line, Events: []domain.Event{s.event(by, id, "attributed", n, at)}}, nil
}

// Identify says of what a component is made. Those whose place it takes stay on record (C3). Only
// sight needs no evidence besides.
func (s *Sheet) Identify(by domain.Actor, id domain.ID, n NewIdentification, at time.Time) (Change, error) {
	var fields []domain.Field
	if n.IdentifiedBy != "sight" && strings.TrimSpace(n.Evidence) == "" {
		fields = append(fields, domain.Field{Pointer: "/evidence", Rule: "C3", Message: "Say which label, document or test shows it (rule C3)."})
	}
	fields = append(fields, finer("/share_percent", n.SharePercent, 2)...)
	fields = append(fields, finer("/thickness_mm", n.ThicknessMM, 4)...)
	if err := together(domain.Validate(n), domain.InvalidFields(fields)); err != nil {
		return Change{}, err
	}
	if s.Component(id) == nil {
		return Change{}, notOfObject()
	}
	for i, old := range n.Supersedes {
		if !slices.ContainsFunc(s.Materials, func(m ComponentMaterial) bool { return m.ID == old && m.ComponentID == id }) {
			return Change{}, domain.Invalid("/supersedes/"+strconv.Itoa(i), "C3", "This is not a present identification of this component; somebody may have superseded it meanwhile.")
		}
	}
	m := &ComponentMaterial{
		ID: domain.NewID(), ComponentID: id, MaterialKey: n.MaterialKey, Role: n.Role, SharePercent: n.SharePercent, ThicknessMM: n.ThicknessMM,
		IdentifiedBy: n.IdentifiedBy, Confidence: n.Confidence, Evidence: strings.TrimSpace(n.Evidence), AuthorID: by.ID, AuthorName: by.Name, At: at,
	}
	return Change{Identification: m, Superseded: n.Supersedes, Events: []domain.Event{s.event(by, id, "identified", n, at)}}, nil
}

func notOfObject() error { return domain.NotFound("There is no such component.") }
