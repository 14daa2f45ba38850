package collection

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
)

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

// Change is what an act on the make-up writes, all of it or nothing. The pure rules of Sheet make it;
// a Change without anything changes nothing.
type Change struct {
	NewComponent   *Component
	Component      *Component // set anew
	Attribution    *AttributionLine
	Identification *ComponentMaterial
	Superseded     []domain.ID // identifications whose place it takes
	NewJoint       *Joint
	Joint          *Joint // set anew
	RemovedJoint   *domain.ID
	NewHazard      *Hazard
	Hazard         *Hazard // set anew
	Events         []domain.Event
}

func (s *Sheet) event(by domain.Actor, subject domain.ID, kind string, change any, at time.Time) domain.Event {
	return domain.Event{At: at, ActorID: &by.ID, Area: "collection", Subject: subject, Object: &s.Object.ID, Kind: kind, Change: change}
}

// Arrange puts components in order: parents before their parts, siblings by label. A component whose
// parent is not among them comes last.
func Arrange(components []Component) []Component {
	slices.SortStableFunc(components, func(a, b Component) int {
		return strings.Compare(Label(a.Label).SortKey(), Label(b.Label).SortKey())
	})
	return arrange(components)
}

// FromInside puts components in the order in which the object is made: parents before their parts,
// siblings from the wearer outwards.
func FromInside(components []Component) []Component {
	sorted := slices.Clone(components)
	slices.SortStableFunc(sorted, func(a, b Component) int {
		if a.LayerOrder != b.LayerOrder {
			return a.LayerOrder - b.LayerOrder
		}
		return strings.Compare(Label(a.Label).SortKey(), Label(b.Label).SortKey())
	})
	return arrange(sorted)
}

func arrange(sorted []Component) []Component {
	children := map[domain.ID][]Component{}
	var top []Component
	for _, c := range sorted {
		if c.ParentID == nil {
			top = append(top, c)
			continue
		}
		children[*c.ParentID] = append(children[*c.ParentID], c)
	}
	arranged := make([]Component, 0, len(sorted))
	placed := map[domain.ID]bool{}
	var put func(c Component)
	put = func(c Component) {
		if placed[c.ID] {
			return
		}
		placed[c.ID] = true
		arranged = append(arranged, c)
		for _, below := range children[c.ID] {
			put(below)
		}
	}
	for _, c := range top {
		put(c)
	}
	for _, c := range sorted { // read while somebody moved them
		put(c)
	}
	return arranged
}

// MaterialsOf lists the present materials of a component.
func (s *Sheet) MaterialsOf(id domain.ID) []ComponentMaterial {
	var of []ComponentMaterial
	for _, m := range s.Materials {
		if m.ComponentID == id {
			of = append(of, m)
		}
	}
	return of
}

// Whole is a sheet with its history, as the object's page shows it.
type Whole struct {
	Sheet
	Attributions []AttributionLine   `json:"attributions"` // all of all components, the newest first
	Superseded   []ComponentMaterial `json:"superseded"`   // identifications that others took the place of, the newest first
	Held         Held                `json:"-"`
}

// Held says what other areas hold of an object. Its page asks only those that have something to say; by the
// object's ID only the photographs are looked for.
type Held struct {
	Photographs, Stops, Incidents, Enclosures, Recommendations, Spots, Investigations, Loans, Treatments, Emergencies bool
}
