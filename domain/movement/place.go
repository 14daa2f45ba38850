package movement

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
)

// The acts of this area.
var (
	Read = domain.Act{Area: "movement", Name: "see where things are", Roles: domain.Readers}
	Keep = domain.Act{Area: "movement", Name: "keep the list of places", Write: true, Roles: []domain.Role{domain.Registrar}}
	Move = domain.Act{Area: "movement", Name: "record a move", Write: true, Roles: domain.Staff}
)

// Kinds are the kinds of place, from the largest to the smallest.
var Kinds = []string{"site", "building", "room", "unit", "case", "shelf", "crate"}

// Place is where things can be.
type Place struct {
	ID            domain.ID  `json:"id"`
	ParentID      *domain.ID `json:"parent_id,omitempty"`
	Kind          string     `json:"kind"`
	Name          string     `json:"name"`
	Code          string     `json:"code"` // on the label
	Path          string     `json:"path"` // from the site inwards: "Main house › Store 2 › Shelf 4"
	Sensitive     bool       `json:"sensitive"`
	Outside       bool       `json:"outside"` // a site of somebody else
	Conditions    string     `json:"conditions"`
	SecurityClass string     `json:"security_class"`
	Capacity      *int       `json:"capacity,omitempty"` // how many things have room
	ClosedAt      *time.Time `json:"closed_at,omitempty"`
	Version       int64      `json:"version"`
	CreatedAt     time.Time  `json:"created_at"`

	// Within says whether it or what it stands in is sensitive or outside.
	SensitiveWithin bool      `json:"-"`
	OutsideWithin   bool      `json:"-"`
	BuildingID      domain.ID `json:"-"` // its building, else its site

	domain.Raised `json:"-" db:"-"`
}

// PlaceFacts are what a registrar sets about a place.
type PlaceFacts struct {
	Kind          string `json:"kind" validate:"required,oneof=site building room unit shelf case crate"`
	Name          string `json:"name" validate:"required,max=200"`
	Code          string `json:"code" validate:"required,max=60"`
	Sensitive     bool   `json:"sensitive"`
	Outside       bool   `json:"outside"`
	Conditions    string `json:"conditions" validate:"max=2000"`
	SecurityClass string `json:"security_class" validate:"max=120"`
	Capacity      *int   `json:"capacity" validate:"omitempty,min=1,max=1000000"`
}

// NewPlace is a place to be made.
type NewPlace struct {
	PlaceFacts
	ParentID *domain.ID `json:"parent_id"` // needed for all but sites
}

// ChangedPlace sets the facts of a place and whether it is still in use.
type ChangedPlace struct {
	PlaceFacts
	Closed bool `json:"closed"` // nothing goes in any more
}

// MakePlace makes a place.
func MakePlace(by domain.Actor, n NewPlace, at time.Time) (*Place, error) {
	p := &Place{ID: domain.NewID(), ParentID: n.ParentID, Version: 1, CreatedAt: at}
	if err := p.set(n.PlaceFacts); err != nil {
		return nil, err
	}
	p.raise(by, "place_added", n, at)
	return p, nil
}

func (p *Place) set(f PlaceFacts) error {
	if err := domain.Validate(f); err != nil {
		return err
	}
	var faults []domain.Field
	bad := func(pointer, rule, message string) {
		faults = append(faults, domain.Field{Pointer: pointer, Rule: rule, Message: message})
	}
	p.Kind, p.Name, p.Code = f.Kind, strings.TrimSpace(f.Name), strings.TrimSpace(f.Code)
	p.Sensitive, p.Outside, p.Conditions, p.SecurityClass, p.Capacity = f.Sensitive, f.Outside, strings.TrimSpace(f.Conditions), strings.TrimSpace(f.SecurityClass), f.Capacity
	switch {
	case p.Name == "":
		bad("/name", "required", "This is needed.")
	case p.Code == "":
		bad("/code", "required", "This is needed.")
	}
	switch {
	case p.Kind == "site" && p.ParentID != nil:
		bad("/parent_id", "place", "A site stands in no other place.")
	case p.Kind != "site" && p.ParentID == nil:
		bad("/parent_id", "required", "Say in which place it stands.")
	}
	if p.Outside && p.Kind != "site" {
		bad("/outside", "place", "Only a site is outside; what stands in it is outside with it.")
	}
	return domain.InvalidFields(faults)
}

// Change sets the facts of a place. things is how many things and open places are in it: a place that
// is not empty is not closed.
func (p *Place) Change(by domain.Actor, c ChangedPlace, things int, at time.Time) error {
	if c.Closed && p.ClosedAt == nil && things > 0 {
		return domain.RefuseState("V1", "There are still things in "+p.Name+", or open places. Move them first, then close it.")
	}
	changed := *p
	if err := changed.set(c.PlaceFacts); err != nil {
		return err
	}
	if changed.ClosedAt = p.ClosedAt; c.Closed && p.ClosedAt == nil {
		changed.ClosedAt = &at
	} else if !c.Closed {
		changed.ClosedAt = nil
	}
	*p = changed
	p.raise(by, "place_changed", c, at)
	return nil
}

func (p *Place) raise(by domain.Actor, kind string, change any, at time.Time) {
	p.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "movement", Subject: p.ID, Kind: kind, Change: change})
}

// VisibleTo is rule P3 for places.
func (p *Place) VisibleTo(by domain.Actor) bool { return !p.SensitiveWithin || by.MaySeeValues("") }

// PlaceMove moves a place with what is in it (V2).
type PlaceMove struct {
	ToPlaceID      domain.ID  `json:"to_place_id" validate:"required"`
	At             *time.Time `json:"at"` // nil: now
	Reason         string     `json:"reason" validate:"required,max=1000"`
	AuthorisedByID *domain.ID `json:"authorised_by_id"` // nil: the one who records it
	Evacuation     string     `json:"evacuation" validate:"omitempty,oneof=fire flood threat_to_life"`
}

// movable are the places that go from room to room; others are moved only to correct the tree.
var movable = []string{"unit", "case", "shelf", "crate"}

// move puts a place into another. stopped names things in it that are under a stop; since is when it
// came to where it stands.
func (p *Place) move(by domain.Actor, m PlaceMove, from, to *Place, authoriser Authoriser, stopped []string, since, at time.Time, zone *time.Location) (PlaceStay, error) {
	if err := domain.Validate(m); err != nil {
		return PlaceStay{}, err
	}
	done, err := when(m.At, since, at, zone)
	switch {
	case err != nil:
		return PlaceStay{}, err
	case p.Kind == "site":
		return PlaceStay{}, domain.Invalid("/to_place_id", "place", "A site is not moved.")
	case to.ID == p.ID || p.ParentID != nil && to.ID == *p.ParentID:
		return PlaceStay{}, domain.Invalid("/to_place_id", "place", p.Name+" stands there already.")
	}
	if m.Evacuation == "" {
		if err := permit(by, authoriser, from.BuildingID != to.BuildingID); err != nil {
			return PlaceStay{}, err
		}
		switch {
		case !slices.Contains(movable, p.Kind) && !by.Has(domain.Registrar):
			return PlaceStay{}, domain.Refuse("V3", "Only a registrar moves a "+p.Kind+", to correct the list of places.")
		case len(stopped) > 0:
			return PlaceStay{}, domain.Refuse("H3", "A stop stands on "+strings.Join(stopped, ", ")+" in "+p.Name+". Nothing that holds it is moved until a conservator releases the stop.")
		case to.ClosedAt != nil:
			return PlaceStay{}, domain.RefuseState("V1", to.Name+" is closed. Choose another place.")
		}
	}
	p.ParentID = &to.ID
	p.raise(by, "place_moved", m, at)
	return PlaceStay{ID: domain.NewID(), PlaceID: p.ID, ParentID: &to.ID, From: done, Reason: strings.TrimSpace(m.Reason), AuthorisedByID: authoriser.ID,
		RecordedByID: by.ID, RecordedAt: at, Evacuation: m.Evacuation}, nil
}

// PlaceStay is in what a place stood from a time on.
type PlaceStay struct {
	ID             domain.ID
	PlaceID        domain.ID
	ParentID       *domain.ID
	From           time.Time
	Reason         string
	AuthorisedByID domain.ID
	RecordedByID   domain.ID
	RecordedAt     time.Time
	Evacuation     string
}
