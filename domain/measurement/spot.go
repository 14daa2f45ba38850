package measurement

import (
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Named is a person with what they are called.
type Named struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

// Spot is a place on an object where something is measured again and again. It is never changed, so
// that readings stay comparable; another place is another spot.
type Spot struct {
	ID           domain.ID  `json:"id"`
	ObjectID     domain.ID  `json:"object_id"`
	ObjectNumber string     `json:"object_number"`
	ComponentID  *domain.ID `json:"component_id,omitempty"` // nil: on the object as a whole
	Component    string     `json:"component,omitempty"`    // ".1a Cuff ring, left"
	Name         string     `json:"name"`
	Place        string     `json:"place"` // how to find it again
	PhotoID      *domain.ID `json:"photo_id,omitempty"`
	XPX          *int       `json:"x_px,omitempty"` // on the upright photograph, from its left edge
	YPX          *int       `json:"y_px,omitempty"` // from its upper edge
	MadeAt       time.Time  `json:"made_at"`
	MadeBy       Named      `json:"made_by"`

	domain.Raised `json:"-" db:"-"`
}

// NewSpot names a place to measure at.
type NewSpot struct {
	ComponentID *domain.ID `json:"component_id"`
	Name        string     `json:"name" validate:"required,max=200"`
	Place       string     `json:"place" validate:"required,max=1000"`
	PhotoID     *domain.ID `json:"photo_id"`
	XPX         *int       `json:"x_px" validate:"omitempty,gte=0,lte=100000"`
	YPX         *int       `json:"y_px" validate:"omitempty,gte=0,lte=100000"`
}

// NewSpotOf makes a spot of an object.
func NewSpotOf(by domain.Actor, n NewSpot, sheet *collection.Sheet, at time.Time) (*Spot, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	s := &Spot{ID: domain.NewID(), ObjectID: sheet.Object.ID, ObjectNumber: sheet.Object.Number, ComponentID: n.ComponentID, Name: strings.TrimSpace(n.Name),
		Place: strings.TrimSpace(n.Place), PhotoID: n.PhotoID, XPX: n.XPX, YPX: n.YPX, MadeAt: at, MadeBy: Named{by.ID, by.Name}}
	if n.ComponentID != nil {
		c := sheet.Component(*n.ComponentID)
		if c == nil {
			return nil, domain.Invalid("/component_id", "component", "This is not a component of "+sheet.Object.Number+".")
		}
		s.Component = "." + c.Label + " " + c.Name
	}
	switch {
	case (n.XPX == nil) != (n.YPX == nil):
		return nil, domain.Invalid("/y_px", "point", "Give both figures of the point, or none.")
	case n.XPX != nil && n.PhotoID == nil:
		return nil, domain.Invalid("/photo_id", "point", "Say on which photograph the point lies.")
	}
	s.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "measurement", Subject: s.ID, Object: &s.ObjectID, Kind: "spot_named", Change: n})
	return s, nil
}

// Line is a spot in a list, with what was read there last of each quantity.
type Line struct {
	Spot
	Last []Last `json:"last"`
}

// Last is the latest reading of a quantity at a spot, and how many stand.
type Last struct {
	Quantity   Quantity `json:"quantity"`
	Readings   int      `json:"readings"`
	MeasuredOn string   `json:"measured_on"`
	Shown      string   `json:"shown"` // "pH 4.6 ± 0.3"
}
