package examination

import (
	"context"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/record"
)

// Line is an examination in a list.
type Line struct {
	ID           domain.ID  `json:"id"`
	ObjectID     domain.ID  `json:"object_id"`
	ObjectNumber string     `json:"object_number"`
	State        State      `json:"state"`
	Occasion     Occasion   `json:"occasion"`
	ExaminedOn   string     `json:"examined_on"`
	Examiner     Named      `json:"examiner"`
	Overall      Grade      `json:"overall"`
	Priority     string     `json:"priority"`
	NextCheckOn  string     `json:"next_check_on"`
	Observations int        `json:"observations"` // without those that are gone
	Addenda      int        `json:"addenda"`
	ChangedAt    time.Time  `json:"changed_at"`
	SignedAt     *time.Time `json:"signed_at,omitempty"`
	Alarm        string     `json:"alarm"`
	OpenSince    *time.Time `json:"open_since,omitempty"`
}

// Condition is what condition an object is in, as its last signed examination has it.
type Condition struct {
	ObjectID      domain.ID `json:"object_id"`
	ExaminationID domain.ID `json:"examination_id"`
	ExaminedOn    string    `json:"examined_on"`
	Overall       Grade     `json:"overall"`
	Priority      string    `json:"priority"`
	NextCheckOn   string    `json:"next_check_on"`
}

// Store keeps examinations and the words for damage.
type Store interface {
	Add(ctx context.Context, e *Examination) error
	// Update changes an examination under lock. Of a signed one only addenda and the answer are written.
	Update(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, e *Examination) error) (*Examination, error)
	// Delete takes a draft away, and writes the events that it raised.
	Delete(ctx context.Context, e *Examination) error
	One(ctx context.Context, id domain.ID) (*Examination, error)
	// OfAddendum is the examination that an addendum stands beside.
	OfAddendum(ctx context.Context, addendumID domain.ID) (*Examination, error)
	// Last is the last signed examination of an object; nil when there is none. Lock waits for other
	// signings of the object until the transaction ends.
	Last(ctx context.Context, objectID domain.ID) (*Examination, error)
	Lock(ctx context.Context, objectID domain.ID) error
	List(ctx context.Context, objectID domain.ID, q domain.PageQuery) (domain.Page[Line], error)
	// Some reads several examinations; one that is not there is left out.
	Some(ctx context.Context, ids []domain.ID) (map[domain.ID]*Examination, error)
	// Begun names for each observation of some examinations the first observation of its thread.
	Begun(ctx context.Context, examinationIDs ...domain.ID) (map[domain.ID]domain.ID, error)
	// Before lists the two last signed examinations of an object, the later first; with one named, that one, which
	// may be a draft, and the one before it.
	Before(ctx context.Context, objectID domain.ID, id *domain.ID) ([]domain.ID, error)
	// Earlier names for each of some examinations the signed one of its object before it; one that has none is left out.
	Earlier(ctx context.Context, ids []domain.ID) (map[domain.ID]domain.ID, error)
	Conditions(ctx context.Context, objectIDs []domain.ID) ([]Condition, error)
	// Marks are the marks of its observations, in the order of their ids.
	Marks(ctx context.Context, examinationID domain.ID) ([]Mark, error)
	// Hidden says whether a place is sensitive (P3).
	Hidden(ctx context.Context, placeID domain.ID) (bool, error)

	Terms(ctx context.Context) ([]Term, error)
	AddTerm(ctx context.Context, t *Term, event domain.Event) error
}

// What this area asks of others. Each joins the transaction that its context carries.
type (
	// Objects gives the make-up of an object.
	Objects interface {
		Sheet(ctx context.Context, objectID domain.ID) (*collection.Sheet, error)
	}
	// Hands refuses and logs what is done with hands (H1, H3).
	Hands interface {
		Refusal(ctx context.Context, objectID domain.ID, componentIDs []domain.ID) error
		Log(ctx context.Context, by domain.Actor, objectID domain.ID, l handling.Log) (*handling.Event, *handling.Stop, error)
	}
	// Notices tells people at once.
	Notices interface {
		Notify(ctx context.Context, n agenda.Notice) error
	}
	// Seals seals signed documents.
	Seals interface {
		Seal(ctx context.Context, actorID domain.ID, kind string, subjectID domain.ID, objectID *domain.ID, document any, at time.Time) (record.Seal, error)
	}
)

// Service keeps examinations.
type Service struct {
	store    Store
	objects  Objects
	hands    Hands
	notices  Notices
	seals    Seals
	outlines Outlines
	atomic   domain.Atomic
	zone     *time.Location
	now      func() time.Time
}

// NewService makes the service; zone is the site's, now is the clock.
func NewService(store Store, objects Objects, hands Hands, notices Notices, seals Seals, outlines Outlines, atomic domain.Atomic, zone *time.Location, now func() time.Time) *Service {
	return &Service{store: store, objects: objects, hands: hands, notices: notices, seals: seals, outlines: outlines, atomic: atomic, zone: zone, now: now}
}

// Begin begins a draft from the last signed examination of the object.
func (s *Service) Begin(ctx context.Context, by domain.Actor, objectID domain.ID, n NewExamination) (*Examination, error) {
	if err := by.May(Write); err != nil {
		return nil, err
	}
	var e *Examination
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		sheet, err := s.objects.Sheet(ctx, objectID)
		if err != nil {
			return err
		}
		last, err := s.store.Last(ctx, objectID)
		if err != nil {
			return err
		}
		if e, err = Begin(by, n, sheet, last, s.zone, s.now()); err != nil {
			return err
		}
		if err := s.store.Add(ctx, e); err != nil {
			return err
		}
		e, err = s.store.One(ctx, e.ID)
		return err
	})
	if err != nil {
		return nil, err
	}
	return e.visibleTo(by), nil
}

// One is an examination.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Examination, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	e, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	return e.visibleTo(by), nil
}

// List lists the examinations of an object, the newest first, drafts among them.
func (s *Service) List(ctx context.Context, by domain.Actor, objectID domain.ID, q domain.PageQuery) (domain.Page[Line], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Line]{}, err
	}
	return s.store.List(ctx, objectID, q)
}

// Latest is the last signed examination of an object; not found when there is none.
func (s *Service) Latest(ctx context.Context, by domain.Actor, objectID domain.ID) (*Examination, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	e, err := s.store.Last(ctx, objectID)
	if err != nil {
		return nil, err
	}
	if e == nil {
		return nil, domain.NotFound("No examination of this object is signed yet.")
	}
	return e.visibleTo(by), nil
}

// Conditions are the present conditions of objects; those never examined are left out.
func (s *Service) Conditions(ctx context.Context, by domain.Actor, objectIDs ...domain.ID) ([]Condition, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.Conditions(ctx, objectIDs)
}

// draft changes a draft with the make-up of its object at hand.
func (s *Service) draft(ctx context.Context, by domain.Actor, id domain.ID, version int64, change func(ctx context.Context, e *Examination, sheet *collection.Sheet) error) (*Examination, error) {
	if err := by.May(Write); err != nil {
		return nil, err
	}
	e, err := s.store.Update(ctx, id, version, func(ctx context.Context, e *Examination) error {
		sheet, err := s.objects.Sheet(ctx, e.ObjectID)
		if err != nil {
			return err
		}
		return change(ctx, e, sheet)
	})
	if err != nil {
		return nil, err
	}
	return e.visibleTo(by), nil
}

// Change sets groups of a draft anew.
func (s *Service) Change(ctx context.Context, by domain.Actor, id domain.ID, version int64, c Changes) (*Examination, error) {
	return s.draft(ctx, by, id, version, func(ctx context.Context, e *Examination, sheet *collection.Sheet) error {
		handled := e.Handles != nil && *e.Handles
		if c.Circumstances != nil {
			if err := s.mayName(ctx, by, e, c.Circumstances.PlaceID); err != nil {
				return err
			}
		}
		if err := e.Change(by, c, sheet, s.zone, s.now()); err != nil {
			return err
		}
		if handled || e.Handles == nil || !*e.Handles || e.HandlingID != nil {
			return nil
		}
		return s.mayHandle(ctx, e)
	})
}

// mayHandle is rule H3: an examination with hands is refused under a stop. What was done with hands all
// the same is logged as a handling, which is never refused, and named.
func (s *Service) mayHandle(ctx context.Context, e *Examination) error {
	var seen []domain.ID
	for _, c := range e.Components {
		if c.Seen != nil && *c.Seen {
			seen = append(seen, c.ComponentID)
		}
	}
	return s.hands.Refusal(ctx, e.ObjectID, seen)
}

// mayName refuses a place that the person does not know of (P3).
func (s *Service) mayName(ctx context.Context, by domain.Actor, e *Examination, place *domain.ID) error {
	if place == nil || e.PlaceID != nil && *e.PlaceID == *place {
		return nil
	}
	hidden, err := s.store.Hidden(ctx, *place)
	if domain.KindOf(err) == domain.KindNotFound || err == nil && hidden && !by.MaySeeValues("") {
		return domain.Invalid("/circumstances/place_id", "known", "There is no such place.")
	}
	return err
}

// Add writes down a damage that was not known before.
func (s *Service) Add(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewFinding) (*Examination, *Observation, error) {
	terms, err := s.terms(ctx)
	if err != nil {
		return nil, nil, err
	}
	var o *Observation
	e, err := s.draft(ctx, by, id, version, func(_ context.Context, e *Examination, sheet *collection.Sheet) error {
		var err error
		o, err = e.Add(by, n, terms, sheet, s.now())
		return err
	})
	return e, o, err
}

// Set writes an observation anew, or answers one that was carried forward.
func (s *Service) Set(ctx context.Context, by domain.Actor, id domain.ID, version int64, observationID domain.ID, f Finding) (*Examination, error) {
	terms, err := s.terms(ctx)
	if err != nil {
		return nil, err
	}
	return s.draft(ctx, by, id, version, func(_ context.Context, e *Examination, sheet *collection.Sheet) error {
		return e.Set(by, observationID, f, terms, sheet, s.now())
	})
}

// Confirm answers several carried observations at once: they are as they were.
func (s *Service) Confirm(ctx context.Context, by domain.Actor, id domain.ID, version int64, n Confirmation) (*Examination, error) {
	return s.draft(ctx, by, id, version, func(_ context.Context, e *Examination, _ *collection.Sheet) error {
		return e.Confirm(by, n, s.now())
	})
}

// Drop takes a new observation back.
func (s *Service) Drop(ctx context.Context, by domain.Actor, id domain.ID, version int64, observationID domain.ID) (*Examination, error) {
	return s.draft(ctx, by, id, version, func(_ context.Context, e *Examination, _ *collection.Sheet) error {
		return e.Drop(by, observationID, s.now())
	})
}

// Handle logs the handling of an examination, which is then named in it: nothing is typed twice (H1). A
// sign that was noticed raises its stop.
func (s *Service) Handle(ctx context.Context, by domain.Actor, id domain.ID, version int64, l handling.Log) (*Examination, *handling.Event, *handling.Stop, error) {
	if err := by.May(handling.Record); err != nil {
		return nil, nil, nil, err
	}
	if err := domain.Validate(l); err != nil {
		return nil, nil, nil, err
	}
	if l.Purpose != "examination" {
		return nil, nil, nil, domain.Invalid("/purpose", "oneof", "The handling of an examination is for the purpose of examination.")
	}
	var event *handling.Event
	var stop *handling.Stop
	e, err := s.draft(ctx, by, id, version, func(ctx context.Context, e *Examination, _ *collection.Sheet) error {
		if err := e.MayWrite(by); err != nil {
			return err
		}
		if e.HandlingID != nil {
			return domain.Conflict("handled", "The handling of this examination is logged already. Further ones are logged on the object's page.")
		}
		var err error
		if event, stop, err = s.hands.Log(ctx, by, e.ObjectID, l); err != nil {
			return err
		}
		yes, at := true, s.now()
		e.Handles, e.HandlingID = &yes, &event.ID
		e.touched(by, at)
		e.raise(by, "handled", map[string]any{"handling": event.ID}, at)
		return nil
	})
	return e, event, stop, err
}

// Bring takes over what was found at an examination signed since the draft was begun.
func (s *Service) Bring(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*Examination, error) {
	return s.draft(ctx, by, id, version, func(ctx context.Context, e *Examination, _ *collection.Sheet) error {
		last, err := s.store.Last(ctx, e.ObjectID)
		if err != nil {
			return err
		}
		return e.Bring(by, last, s.now())
	})
}

// TakeOver makes a conservator the examiner of somebody else's draft.
func (s *Service) TakeOver(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*Examination, error) {
	return s.draft(ctx, by, id, version, func(_ context.Context, e *Examination, _ *collection.Sheet) error {
		return e.TakeOver(by, s.now())
	})
}

// Discard takes a draft away. What stood in it stays in the record of events.
func (s *Service) Discard(ctx context.Context, by domain.Actor, id domain.ID, version int64) error {
	if err := by.May(Write); err != nil {
		return err
	}
	return s.atomic.Do(ctx, func(ctx context.Context) error {
		e, err := s.store.One(ctx, id)
		if err != nil {
			return err
		}
		if err := e.MayWrite(by); err != nil {
			return err
		}
		if e.Version != version {
			return domain.ErrStale
		}
		e.raise(by, "discarded", *e, s.now())
		return s.store.Delete(ctx, e)
	})
}

// Sign ends a draft, seals it, and tells conservators and curators at once of what cannot wait (E1, E5).
func (s *Service) Sign(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*Examination, error) {
	if err := by.May(Sign); err != nil {
		return nil, err
	}
	return s.seal(ctx, by, id, version, func(ctx context.Context, e *Examination) error {
		if err := s.store.Lock(ctx, e.ObjectID); err != nil {
			return err
		}
		sheet, err := s.objects.Sheet(ctx, e.ObjectID)
		if err != nil {
			return err
		}
		last, err := s.store.Last(ctx, e.ObjectID)
		if err != nil {
			return err
		}
		var lastID *domain.ID
		if last != nil {
			lastID = &last.ID
		}
		return e.Sign(by, sheet, lastID, s.zone, s.now())
	}, func(ctx context.Context, e *Examination) error {
		marks, err := s.store.Marks(ctx, e.ID)
		if err != nil {
			return err
		}
		if _, err := s.seals.Seal(ctx, by.ID, SealKind, e.ID, &e.ObjectID, e.Document(marks), *e.SignedAt); err != nil {
			return err
		}
		if e.Alarm == "" {
			return nil
		}
		return s.notices.Notify(ctx, agenda.Notice{At: *e.SignedAt, Roles: []domain.Role{domain.Conservator, domain.Curator}, Department: e.Identified.Department,
			ObjectID: e.ObjectID, Area: "examination", Subject: e.ID,
			Text: by.Name + " examined " + e.ObjectNumber + ": " + short(e.Alarm) + ". A conservator answers it with a treatment or says why nothing is done."})
	})
}

// seal changes an examination, and then seals what was written as it was read back.
func (s *Service) seal(ctx context.Context, by domain.Actor, id domain.ID, version int64, change, then func(ctx context.Context, e *Examination) error) (*Examination, error) {
	var e *Examination
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		var err error
		if e, err = s.store.Update(ctx, id, version, change); err != nil {
			return err
		}
		return then(ctx, e)
	})
	if err != nil {
		return nil, err
	}
	return e.visibleTo(by), nil
}

// Amend writes an addendum, and seals it.
func (s *Service) Amend(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewAddendum) (*Examination, error) {
	if err := by.May(Write); err != nil {
		return nil, err
	}
	return s.seal(ctx, by, id, version, func(_ context.Context, e *Examination) error {
		_, err := e.Amend(by, n, s.now())
		return err
	}, func(ctx context.Context, e *Examination) error {
		a := e.Addenda[len(e.Addenda)-1]
		_, err := s.seals.Seal(ctx, by.ID, AddendumSealKind, a.ID, &e.ObjectID, e.addendumDocument(a), a.At)
		return err
	})
}

// Respond answers an alarm (E5).
func (s *Service) Respond(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewAnswer) (*Examination, error) {
	if err := by.May(Answer); err != nil {
		return nil, err
	}
	e, err := s.store.Update(ctx, id, version, func(_ context.Context, e *Examination) error { return e.Respond(by, n, s.now()) })
	if err != nil {
		return nil, err
	}
	return e.visibleTo(by), nil
}

// Sealed gives back the document of a signed examination, for record.Service.Register.
func (s *Service) Sealed(ctx context.Context, id domain.ID) (any, error) {
	e, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	if e.State != Signed {
		return nil, domain.NotFound("This examination is not signed.")
	}
	marks, err := s.store.Marks(ctx, id)
	if err != nil {
		return nil, err
	}
	return e.Document(marks), nil
}

// SealedAddendum gives back the document of an addendum, for record.Service.Register.
func (s *Service) SealedAddendum(ctx context.Context, id domain.ID) (any, error) {
	e, err := s.store.OfAddendum(ctx, id)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(e.Addenda, func(a Addendum) bool { return a.ID == id })
	if i < 0 {
		return nil, domain.NotFound("There is no such addendum.")
	}
	return e.addendumDocument(e.Addenda[i]), nil
}

func (s *Service) terms(ctx context.Context) (*Terms, error) {
	all, err := s.store.Terms(ctx)
	return &Terms{All: all}, err
}

// Terms are the words for damage by name; with a word only those near it.
func (s *Service) Terms(ctx context.Context, by domain.Actor, word string) ([]Term, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	terms, err := s.terms(ctx)
	if err != nil || strings.TrimSpace(word) == "" {
		return terms.All, err
	}
	if !domain.CleanText(word) || len(word) > 200 {
		return nil, domain.Invalid("/q", "text", "A word of at most 200 letters.")
	}
	exact, near := terms.Find(word)
	if exact != nil {
		near = []Term{*exact}
	}
	if near == nil {
		near = []Term{}
	}
	return near, nil
}

// AddTerm adds a word of the museum's own.
func (s *Service) AddTerm(ctx context.Context, by domain.Actor, n NewTerm) (*Term, error) {
	if err := by.May(Extend); err != nil {
		return nil, err
	}
	terms, err := s.terms(ctx)
	if err != nil {
		return nil, err
	}
	at := s.now()
	t, err := n.term(by, terms, at)
	if err != nil {
		return nil, err
	}
	return t, s.store.AddTerm(ctx, t, domain.Event{At: at, ActorID: &by.ID, Area: "examination", Subject: subject(t.Key), Kind: "term_added", Change: n})
}

// short cuts a long text for a notice.
func short(text string) string { return domain.Cut(text, 600) }
