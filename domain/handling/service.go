package handling

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/material"
	"farthingale/domain/record"
)

// Filter narrows a list of handlings; zero values do not narrow. From is included, Until is not.
type Filter struct {
	ObjectID    *domain.ID `json:"object_id,omitempty"`
	ComponentID *domain.ID `json:"component_id,omitempty"` // events that name it
	PersonID    *domain.ID `json:"person_id,omitempty"`
	Purpose     string     `json:"purpose,omitempty" validate:"omitempty,oneof=examination treatment mounting photography move loan research_visit other"`
	Sign        string     `json:"sign,omitempty" validate:"omitempty,oneof=nothing noise powder resistance loss tear odour tack liquid other"`
	From        *time.Time `json:"from,omitempty"`
	Until       *time.Time `json:"until,omitempty"`
}

// StopFilter narrows a list of stops.
type StopFilter struct {
	ObjectID *domain.ID `json:"object_id,omitempty"`
	State    string     `json:"state,omitempty" validate:"omitempty,oneof=standing released"`
}

// Store keeps handlings, stops and assessments.
type Store interface {
	// Lock makes acts with hands on one object follow one another, until the transaction ends.
	Lock(ctx context.Context, objectID domain.ID) error
	// Add writes an event and the stop that it raised; stop may be nil.
	Add(ctx context.Context, e *Event, stop *Stop) error
	One(ctx context.Context, id domain.ID) (*Event, error)
	List(ctx context.Context, f Filter, q domain.PageQuery) (domain.Page[Event], error)
	AddAddendum(ctx context.Context, e *Event, a Addendum) error
	AddPhoto(ctx context.Context, e *Event, photoID domain.ID) error
	// LastPosition is where the whole object was left by the last handling that says so; "" when none
	// does.
	LastPosition(ctx context.Context, objectID domain.ID) (string, error)
	// Totals sums up; zone says where months and years begin.
	Totals(ctx context.Context, q TotalsQuery, zone *time.Location) (Totals, error)

	AddStop(ctx context.Context, s *Stop) error
	Stop(ctx context.Context, id domain.ID) (*Stop, error)
	Stops(ctx context.Context, f StopFilter, q domain.PageQuery) (domain.Page[Stop], error)
	// Standing are the stops in force on the objects, in the order in which they were raised.
	Standing(ctx context.Context, objectIDs []domain.ID) ([]Stop, error)
	Release(ctx context.Context, s *Stop) error
	AddNote(ctx context.Context, s *Stop, n Addendum) error
	// OpenConservators counts the conservators with an open account, without some.
	OpenConservators(ctx context.Context, without []domain.ID) (int, error)

	AddAssessment(ctx context.Context, a *Assessment) error
	Assessments(ctx context.Context, objectID domain.ID) ([]Assessment, error)
	// MaterialHazards are the hazards that the present materials of an object's components call for.
	MaterialHazards(ctx context.Context, objectID domain.ID) ([]MaterialHazard, error)
}

// Objects knows the make-up of objects.
type Objects interface {
	Sheet(ctx context.Context, objectID domain.ID) (*collection.Sheet, error)
}

// Notices tells people what they must hear of at once.
type Notices interface {
	Notify(ctx context.Context, n agenda.Notice) error
}

// Seals seals what is signed.
type Seals interface {
	Seal(ctx context.Context, actorID domain.ID, kind string, subjectID domain.ID, objectID *domain.ID, document any, at time.Time) (record.Seal, error)
}

// Service keeps the log of handling.
type Service struct {
	store   Store
	objects Objects
	notices Notices
	seals   Seals
	usual   []material.Caution
	atomic  domain.Atomic
	zone    *time.Location
	now     func() time.Time
}

// NewService makes the service; usual is material.Cautions, zone is the site's, now is the clock.
func NewService(store Store, objects Objects, notices Notices, seals Seals, usual []material.Caution, atomic domain.Atomic, zone *time.Location, now func() time.Time) *Service {
	return &Service{store: store, objects: objects, notices: notices, seals: seals, usual: usual, atomic: atomic, zone: zone, now: now}
}

// Refusal is rule H3 for other areas: nil when no stop stands against a planned act on the
// components (none: the whole object), else a *domain.Error with the code H3 that names the stop.
// Inside a transaction it also makes sure that no stop is raised before the act is done.
func (s *Service) Refusal(ctx context.Context, objectID domain.ID, componentIDs []domain.ID) error {
	if err := s.store.Lock(ctx, objectID); err != nil {
		return err
	}
	standing, err := s.store.Standing(ctx, []domain.ID{objectID})
	if err != nil || len(standing) == 0 {
		return err
	}
	sheet, err := s.objects.Sheet(ctx, objectID)
	if err != nil {
		return err
	}
	return Refuse(sheet, standing, componentIDs, s.zone)
}

// Cleared refuses a planned handling by these people while a hazard of class S on the components
// (none: the whole object) has no assessment.
func (s *Service) Cleared(ctx context.Context, objectID domain.ID, componentIDs, handlerIDs []domain.ID) error {
	sheet, err := s.objects.Sheet(ctx, objectID)
	if err != nil {
		return err
	}
	cautions, err := s.cautions(ctx, sheet)
	if err != nil {
		return err
	}
	return Clear(sheet, cautions, componentIDs, handlerIDs, s.now())
}

// cautions are the dangers of an object with what was assessed about each.
func (s *Service) cautions(ctx context.Context, sheet *collection.Sheet) ([]Caution, error) {
	var made []MaterialHazard
	var assessments []Assessment
	err := domain.Together(ctx, 2, func(i int) (err error) {
		if i == 0 {
			made, err = s.store.MaterialHazards(ctx, sheet.Object.ID)
			return err
		}
		assessments, err = s.store.Assessments(ctx, sheet.Object.ID)
		return err
	})
	if err != nil {
		return nil, err
	}
	cautions := Dangers(sheet, made, s.usual)
	for i := range cautions {
		c := &cautions[i]
		c.Assessments = []Assessment{}
		for _, a := range assessments {
			if a.Kind == c.Kind && (a.ComponentID == nil || c.ComponentID != nil && *a.ComponentID == *c.ComponentID) {
				c.Assessments = append(c.Assessments, a)
			}
		}
	}
	return cautions, nil
}

// Cautions are the dangers of an object with what was assessed about each, for pages and papers of other
// acts than handling.
func (s *Service) Cautions(ctx context.Context, by domain.Actor, sheet *collection.Sheet) ([]Caution, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.cautions(ctx, sheet)
}

// found is what a handling of the object meets.
func (s *Service) found(ctx context.Context, sheet *collection.Sheet) (Found, error) {
	standing, err := s.store.Standing(ctx, []domain.ID{sheet.Object.ID})
	if err != nil {
		return Found{}, err
	}
	cautions, err := s.cautions(ctx, sheet)
	return Found{Sheet: sheet, Standing: standing, Cautions: cautions}, err
}

// Before is what somebody must see who is about to handle an object.
type Before struct {
	Found
	LastPosition string // "" when none is known
}

// Before tells what stands against handling an object, its dangers, and how it lies.
func (s *Service) Before(ctx context.Context, by domain.Actor, objectID domain.ID) (Before, error) {
	if err := by.May(Read); err != nil {
		return Before{}, err
	}
	sheet, err := s.objects.Sheet(ctx, objectID)
	if err != nil {
		return Before{}, err
	}
	return s.BeforeSheet(ctx, by, sheet)
}

// BeforeSheet is Before for a sheet that was read already.
func (s *Service) BeforeSheet(ctx context.Context, by domain.Actor, sheet *collection.Sheet) (Before, error) {
	if err := by.May(Read); err != nil {
		return Before{}, err
	}
	found, err := s.found(ctx, sheet)
	if err != nil {
		return Before{}, err
	}
	last, err := s.store.LastPosition(ctx, sheet.Object.ID)
	return Before{found, last}, err
}

// Log records a handling, in the caller's transaction when there is one. A sign of H2 raises a stop
// in the same act. A stop that stands does not refuse the record; it is marked and told of.
func (s *Service) Log(ctx context.Context, by domain.Actor, objectID domain.ID, l Log) (*Event, *Stop, error) {
	if err := by.May(Record); err != nil {
		return nil, nil, err
	}
	var kept *Event
	var stop *Stop
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		if err := s.store.Lock(ctx, objectID); err != nil {
			return err
		}
		sheet, err := s.objects.Sheet(ctx, objectID)
		if err != nil {
			return err
		}
		found, err := s.found(ctx, sheet)
		if err != nil {
			return err
		}
		var e *Event
		if e, stop, err = New(by, l, found, s.now()); err != nil {
			return err
		}
		if err := s.store.Add(ctx, e, stop); err != nil {
			return err
		}
		if kept, err = s.store.One(ctx, e.ID); err != nil {
			return err
		}
		return s.tell(ctx, kept, stop, found.Sheet.Object.Department)
	})
	if err != nil {
		return nil, nil, err
	}
	return kept, stop, nil
}

// tell gives notice of what somebody must hear of at once: a stop raised, a handling under a stop,
// a danger not assessed, controls not kept, an evacuation.
func (s *Service) tell(ctx context.Context, e *Event, stop *Stop, department string) error {
	var said []string
	roles := []domain.Role{domain.Conservator, domain.Curator}
	if stop != nil {
		said = append(said, "It is stopped for everybody until a conservator releases it.")
	}
	if e.UnderStop {
		said = append(said, "A stop stood on it.")
	}
	if len(e.Unassessed) > 0 {
		said = append(said, "No competent person had assessed: "+strings.Join(e.Unassessed, ", ")+".")
	}
	if e.Controls == "not_kept" {
		said = append(said, "The usual controls for "+strings.Join(e.Hazards, ", ")+" were not kept.")
	}
	if e.Evacuation != "" {
		said = append(said, "It was an evacuation ("+strings.ReplaceAll(e.Evacuation, "_", " ")+").")
		roles = append(roles, domain.Registrar)
	}
	if len(said) == 0 {
		return nil
	}
	subject := e.ID
	if stop != nil {
		subject = stop.ID
	}
	return s.notices.Notify(ctx, agenda.Notice{At: e.RecordedAt, Roles: roles, Department: department, ObjectID: e.ObjectID,
		Area: "handling", Subject: subject, Text: short(e.Brief()) + " " + strings.Join(said, " ")})
}

// One is a handling.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Event, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.One(ctx, id)
}

// List lists handlings, the latest first.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Event], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Event]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Event]{}, err
	}
	return s.store.List(ctx, f, q)
}

// Amend adds an addendum to a handling, which itself stays as it was logged.
func (s *Service) Amend(ctx context.Context, by domain.Actor, id domain.ID, n NewAddendum) (*Event, error) {
	if err := by.May(Record); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	at := s.now()
	var e *Event
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		var err error
		if e, err = s.store.One(ctx, id); err != nil {
			return err
		}
		a := Addendum{At: at, AuthorID: by.ID, AuthorName: by.Name, Text: strings.TrimSpace(n.Text)}
		e.Addenda = append(e.Addenda, a)
		e.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "handling", Subject: e.ID, Object: &e.ObjectID, Kind: "amended", Change: n})
		return s.store.AddAddendum(ctx, e, a)
	})
	if err != nil {
		return nil, err
	}
	return e, nil
}

// Attach adds a photograph of the object to a logged handling. Adding it twice is a conflict.
func (s *Service) Attach(ctx context.Context, by domain.Actor, id domain.ID, n Attachment) (*Event, error) {
	if err := by.May(Record); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	var e *Event
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		var err error
		if e, err = s.store.One(ctx, id); err != nil {
			return err
		}
		e.PhotoIDs = append(e.PhotoIDs, n.PhotoID)
		e.Raise(domain.Event{At: s.now(), ActorID: &by.ID, Area: "handling", Subject: e.ID, Object: &e.ObjectID, Kind: "photo_attached", Change: n})
		return s.store.AddPhoto(ctx, e, n.PhotoID)
	})
	if err != nil {
		return nil, err
	}
	return e, nil
}

// Totals sums up handlings (H6).
func (s *Service) Totals(ctx context.Context, by domain.Actor, q TotalsQuery) (Totals, error) {
	if err := by.May(Read); err != nil {
		return Totals{}, err
	}
	if err := q.ready(); err != nil {
		return Totals{}, err
	}
	return s.store.Totals(ctx, q, s.zone)
}

// Stops lists stops, the latest first.
func (s *Service) Stops(ctx context.Context, by domain.Actor, f StopFilter, q domain.PageQuery) (domain.Page[Stop], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Stop]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Stop]{}, err
	}
	return s.store.Stops(ctx, f, q)
}

// Stop is one stop.
func (s *Service) Stop(ctx context.Context, by domain.Actor, id domain.ID) (*Stop, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.Stop(ctx, id)
}

// Standing are the stops in force on some objects, for lists and other areas. It takes no lock.
func (s *Service) Standing(ctx context.Context, objectIDs ...domain.ID) ([]Stop, error) {
	return s.store.Standing(ctx, objectIDs)
}

// RaiseStop raises a stop by hand. Everybody who may handle may also stop.
func (s *Service) RaiseStop(ctx context.Context, by domain.Actor, objectID domain.ID, n NewStop) (*Stop, error) {
	if err := by.May(Record); err != nil {
		return nil, err
	}
	var stop *Stop
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		if err := s.store.Lock(ctx, objectID); err != nil {
			return err
		}
		sheet, err := s.objects.Sheet(ctx, objectID)
		if err != nil {
			return err
		}
		if stop, err = RaiseStop(by, n, sheet, s.now()); err != nil {
			return err
		}
		if err := s.store.AddStop(ctx, stop); err != nil {
			return err
		}
		return s.notices.Notify(ctx, agenda.Notice{At: stop.RaisedAt, Roles: []domain.Role{domain.Conservator, domain.Curator}, Department: stop.Department,
			ObjectID: objectID, Area: "handling", Subject: stop.ID,
			Text: by.Name + " stopped " + stop.On() + ": " + short(stop.Note) + " It is stopped for everybody until a conservator releases it."})
	})
	if err != nil {
		return nil, err
	}
	return stop, nil
}

// short cuts a long text for a notice.
func short(text string) string { return domain.Cut(text, 600) }

// Annotate writes a note of a curator of the object's department on a standing stop.
func (s *Service) Annotate(ctx context.Context, by domain.Actor, stopID domain.ID, n NewNote) (*Stop, error) {
	if err := by.May(Annotate); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	return s.change(ctx, stopID, func(ctx context.Context, stop *Stop) error {
		switch {
		case !by.CuratorOf(stop.Department):
			return domain.Forbidden("You may not write a note on this stop. Ask a curator of " + stop.Department + ".")
		case stop.Release != nil:
			return domain.RefuseState("H3", "This stop was released by "+stop.Release.By.Name+" already.")
		}
		at := s.now()
		note := Addendum{At: at, AuthorID: by.ID, AuthorName: by.Name, Text: strings.TrimSpace(n.Text)}
		stop.Notes = append(stop.Notes, note)
		stop.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "handling", Subject: stop.ID, Object: &stop.ObjectID, Kind: "stop_noted", Change: n})
		return s.store.AddNote(ctx, stop, note)
	})
}

// SealKind names the seals of released stops.
const SealKind = "stop_release"

// Release ends a stop (H3) and seals the release.
func (s *Service) Release(ctx context.Context, by domain.Actor, stopID domain.ID, n NewRelease) (*Stop, error) {
	if err := by.May(Lift); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	return s.change(ctx, stopID, func(ctx context.Context, stop *Stop) error {
		others, err := s.store.OpenConservators(ctx, stop.Raisers())
		if err != nil {
			return err
		}
		at := s.now()
		if err := stop.release(by, n, others, at); err != nil {
			return err
		}
		if err := s.store.Release(ctx, stop); err != nil {
			return err
		}
		if _, err := s.seals.Seal(ctx, by.ID, SealKind, stop.ID, &stop.ObjectID, stop.Document(), at); err != nil {
			return err
		}
		return s.notices.Notify(ctx, agenda.Notice{At: at, Department: stop.Department, People: stop.Raisers(), ObjectID: stop.ObjectID,
			Area: "handling", Subject: stop.ID, Text: by.Name + " released the stop on " + stop.On() + ". New limits: " + short(stop.Release.Limits)})
	})
}

func (s *Service) change(ctx context.Context, stopID domain.ID, change func(ctx context.Context, stop *Stop) error) (*Stop, error) {
	var stop *Stop
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		seen, err := s.store.Stop(ctx, stopID)
		if err != nil {
			return err
		}
		if err := s.store.Lock(ctx, seen.ObjectID); err != nil {
			return err
		}
		if stop, err = s.store.Stop(ctx, stopID); err != nil { // as it is now that nobody else can change it
			return err
		}
		return change(ctx, stop)
	})
	if err != nil {
		return nil, err
	}
	return stop, nil
}

// Sealed gives back the document of a released stop, for record.Service.Register.
func (s *Service) Sealed(ctx context.Context, stopID domain.ID) (any, error) {
	stop, err := s.store.Stop(ctx, stopID)
	if err != nil {
		return nil, err
	}
	if stop.Release == nil {
		return nil, domain.NotFound("This stop has no release.")
	}
	return stop.Document(), nil
}

// Assess records what a competent person found about a hazard.
func (s *Service) Assess(ctx context.Context, by domain.Actor, objectID domain.ID, n NewAssessment) (*Assessment, error) {
	if err := by.May(Assess); err != nil {
		return nil, err
	}
	sheet, err := s.objects.Sheet(ctx, objectID)
	if err != nil {
		return nil, err
	}
	a, err := NewAssessmentOf(by, n, sheet, s.now())
	if err != nil {
		return nil, err
	}
	return a, s.store.AddAssessment(ctx, a)
}

// Assessments lists what was assessed about an object, the latest first.
func (s *Service) Assessments(ctx context.Context, by domain.Actor, objectID domain.ID) ([]Assessment, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	all, err := s.store.Assessments(ctx, objectID)
	if err != nil {
		return nil, fmt.Errorf("assessments of %s: %w", objectID, err)
	}
	slices.Reverse(all)
	return all, nil
}
