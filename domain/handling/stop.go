package handling

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Stop forbids planned handling of components, of what is below them and of what carries them, for
// everybody, until a conservator releases it (rules H2, H3). Its facts never change; the release and
// the notes stand beside them.
type Stop struct {
	ID           domain.ID   `json:"id"`
	ObjectID     domain.ID   `json:"object_id"`
	ObjectNumber string      `json:"object_number"` // as it was
	Department   string      `json:"department"`    // of the object, as it was
	HandlingID   *domain.ID  `json:"handling_id,omitempty"`
	Components   []Named     `json:"components"` // as they were called; empty: the whole object
	Signs        []string    `json:"signs"`      // what was noticed
	Note         string      `json:"note"`
	RaisedAt     time.Time   `json:"raised_at"`
	RaisedBy     Named       `json:"raised_by"`
	HandlerIDs   []domain.ID `json:"handler_ids"` // who had hands on it
	Notes        []Addendum  `json:"notes"`       // of curators
	Release      *Release    `json:"release,omitempty"`

	domain.Raised `json:"-" db:"-"`
}

// Release ends a stop. It stays on record with the stop, and is sealed.
type Release struct {
	At          time.Time `json:"at"`
	By          Named     `json:"by"`
	Reason      string    `json:"reason"`
	Found       string    `json:"found"`
	Limits      string    `json:"limits"`       // new limits of handling
	CuratorNote string    `json:"curator_note"` // that let the one release it whose handling raised it
	CuratorName string    `json:"curator_name"`
}

// Version rises with every note and with the release.
func (s *Stop) Version() int64 {
	v := 1 + int64(len(s.Notes))
	if s.Release != nil {
		v++
	}
	return v
}

// NewRelease is what a conservator says who releases a stop.
type NewRelease struct {
	Reason string `json:"reason" validate:"required,max=4000"`
	Found  string `json:"found" validate:"required,max=4000"`
	Limits string `json:"limits" validate:"required,max=4000"` // "none" is an answer
}

// NewNote is a curator's note on a stop.
type NewNote struct {
	Text string `json:"text" validate:"required,max=4000"`
}

// NewStop raises a stop by hand, without a handling.
type NewStop struct {
	ComponentIDs []domain.ID `json:"component_ids" validate:"max=200,unique"` // empty: the whole object
	Note         string      `json:"note" validate:"required,max=4000"`
}

func raise(by domain.Actor, e *Event, sheet *collection.Sheet, signs []string, at time.Time) *Stop {
	s := &Stop{
		ID: domain.NewID(), ObjectID: e.ObjectID, ObjectNumber: e.ObjectNumber, Department: sheet.Object.Department,
		HandlingID: &e.ID, Components: e.Components, Signs: signs, Note: e.Note, RaisedAt: at, RaisedBy: Named{by.ID, by.Name},
		Notes: []Addendum{},
	}
	for _, h := range e.Handlers {
		s.HandlerIDs = append(s.HandlerIDs, h.ID)
	}
	s.raised(by)
	return s
}

// RaiseStop makes a stop by hand.
func RaiseStop(by domain.Actor, n NewStop, sheet *collection.Sheet, at time.Time) (*Stop, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	s := &Stop{
		ID: domain.NewID(), ObjectID: sheet.Object.ID, ObjectNumber: sheet.Object.Number, Department: sheet.Object.Department,
		Components: []Named{}, Signs: []string{}, Note: strings.TrimSpace(n.Note), RaisedAt: at, RaisedBy: Named{by.ID, by.Name},
		HandlerIDs: []domain.ID{}, Notes: []Addendum{},
	}
	for _, id := range n.ComponentIDs {
		if sheet.Component(id) == nil {
			return nil, domain.Invalid("/component_ids", "component", "One of these is not a component of "+sheet.Object.Number+".")
		}
		s.Components = append(s.Components, Named{id, sheet.Called(id)})
	}
	s.raised(by)
	return s, nil
}

func (s *Stop) raised(by domain.Actor) {
	s.Raise(domain.Event{At: s.RaisedAt, ActorID: &by.ID, Area: "handling", Subject: s.ID, Object: &s.ObjectID, Kind: "stop_raised",
		Change: map[string]any{"components": s.Components, "signs": s.Signs, "note": s.Note}})
}

// On says what the stop stands on: "1968.14.2.3b cuff", or the number of the whole object.
func (s *Stop) On() string {
	if len(s.Components) == 0 {
		return s.ObjectNumber
	}
	names := make([]string, len(s.Components))
	for i, c := range s.Components {
		names[i] = c.Name
	}
	return strings.Join(names, ", ")
}

// Because says why it was raised: "noise, powder", or the note of a stop by hand.
func (s *Stop) Because() string {
	if len(s.Signs) > 0 {
		return strings.ReplaceAll(strings.Join(s.Signs, ", "), "_", " ")
	}
	return s.Note
}

// Binds says whether the stop forbids handling of the components: whether one of them is a component
// of the stop, is below one, or carries one. No components means the whole object, which carries them
// all.
func (s *Stop) Binds(sheet *collection.Sheet, componentIDs []domain.ID) bool {
	if s.Release != nil {
		return false
	}
	if len(s.Components) == 0 || len(componentIDs) == 0 {
		return true
	}
	for _, id := range componentIDs {
		near := append(append([]domain.ID{id}, sheet.Above(id)...), sheet.Below(id)...)
		if slices.ContainsFunc(s.Components, func(c Named) bool { return slices.Contains(near, c.ID) }) {
			return true
		}
	}
	return false
}

// Refuse is rule H3: nil when no stop binds the components, else the refusal naming the first of
// them in the order in which they were raised.
func Refuse(sheet *collection.Sheet, standing []Stop, componentIDs []domain.ID, zone *time.Location) error {
	for _, s := range standing {
		if s.Binds(sheet, componentIDs) {
			return s.refusal(zone)
		}
	}
	return nil
}

func (s *Stop) refusal(zone *time.Location) *domain.Error {
	return domain.Refuse("H3", "A stop has stood on "+s.On()+" since "+s.RaisedAt.In(zone).Format("2 January 2006")+" ("+strings.TrimRight(s.Because(), ".")+"; "+s.RaisedBy.Name+
		"). It binds everybody until a conservator releases it.")
}

// release ends the stop (H3). othersOpen is how many open conservators there are besides those whose
// handling raised it. Nothing changes when it is refused.
func (s *Stop) release(by domain.Actor, n NewRelease, othersOpen int, at time.Time) error {
	if s.Release != nil {
		return domain.RefuseState("H3", "This stop was released by "+s.Release.By.Name+" already.")
	}
	r := Release{At: at, By: Named{by.ID, by.Name}, Reason: strings.TrimSpace(n.Reason), Found: strings.TrimSpace(n.Found), Limits: strings.TrimSpace(n.Limits)}
	if s.raisedBy(by.ID) {
		switch {
		case othersOpen > 0:
			return domain.Refuse("H3", "Your own handling raised this stop; another conservator must look at it and release it.")
		case s.witness() == nil:
			return domain.Refuse("H3", "Your own handling raised this stop and there is no other conservator. A curator of "+s.Department+
				" must first write a note on it that they have seen the object with you.")
		}
		seen := s.witness()
		r.CuratorNote, r.CuratorName = seen.Text, seen.AuthorName
	}
	s.Release = &r
	s.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "handling", Subject: s.ID, Object: &s.ObjectID, Kind: "stop_released", Change: n})
	return nil
}

// witness is the last note of a curator whose handling did not raise the stop, or nil.
func (s *Stop) witness() *Addendum {
	for i := len(s.Notes) - 1; i >= 0; i-- {
		if !s.raisedBy(s.Notes[i].AuthorID) {
			return &s.Notes[i]
		}
	}
	return nil
}

func (s *Stop) raisedBy(id domain.ID) bool {
	return s.RaisedBy.ID == id || slices.Contains(s.HandlerIDs, id)
}

// Raisers are all whose handling raised the stop: who logged it and who had hands on it.
func (s *Stop) Raisers() []domain.ID {
	all := []domain.ID{s.RaisedBy.ID}
	for _, id := range s.HandlerIDs {
		if !slices.Contains(all, id) {
			all = append(all, id)
		}
	}
	return all
}

// Document is what is sealed when a stop is released: the stop and its release, from rows that never
// change. Notes written after the release are not part of it.
func (s *Stop) Document() any {
	type release struct {
		At          string `json:"at"`
		By          Named  `json:"by"`
		Reason      string `json:"reason"`
		Found       string `json:"found"`
		Limits      string `json:"limits"`
		CuratorNote string `json:"curator_note"`
		CuratorName string `json:"curator_name"`
	}
	return struct {
		Stop       domain.ID   `json:"stop"`
		Object     domain.ID   `json:"object"`
		Number     string      `json:"number"`
		Handling   *domain.ID  `json:"handling"`
		Components []Named     `json:"components"`
		Signs      []string    `json:"signs"`
		Note       string      `json:"note"`
		RaisedAt   string      `json:"raised_at"`
		RaisedBy   Named       `json:"raised_by"`
		Handlers   []domain.ID `json:"handlers"`
		Release    release     `json:"release"`
	}{s.ID, s.ObjectID, s.ObjectNumber, s.HandlingID, s.Components, s.Signs, s.Note, stamp(s.RaisedAt), s.RaisedBy, s.HandlerIDs,
		release{stamp(s.Release.At), s.Release.By, s.Release.Reason, s.Release.Found, s.Release.Limits, s.Release.CuratorNote, s.Release.CuratorName}}
}

// stamp is a time as the database keeps it, to the microsecond.
func stamp(t time.Time) string { return t.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano) }
