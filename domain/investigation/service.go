package investigation

import (
	"context"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/people"
)

// Filter narrows the list of questions; zero values do not.
type Filter struct {
	Words      string     `json:"q,omitempty" validate:"max=200"` // in the question
	State      string     `json:"state,omitempty" validate:"omitempty,oneof=open asked planned done given_up"`
	ObjectID   *domain.ID `json:"object_id,omitempty"`
	Department string     `json:"department,omitempty" validate:"max=120"`
	Technique  string     `json:"technique,omitempty" validate:"max=60"`
	Waiting    bool       `json:"consent_waiting,omitempty"` // a curator's consent is asked for
}

// Store keeps investigations.
type Store interface {
	// Add writes a question and gives it the next number of its object.
	Add(ctx context.Context, i *Investigation) error
	// Update changes an investigation under lock, and writes what is new of its parts and the events that it
	// raised. nextSample is the number that the next sample of the object gets.
	Update(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, i *Investigation, nextSample int) error) (*Investigation, error)
	One(ctx context.Context, id domain.ID) (*Investigation, error)
	// List lists investigations, the latest asked first.
	List(ctx context.Context, f Filter, q domain.PageQuery) (domain.Page[Line], error)
	// OfSample is the investigation that a sample belongs to.
	OfSample(ctx context.Context, sampleID domain.ID) (domain.ID, error)
}

// What this area asks of others. Each joins the transaction that its context carries.
type (
	// Objects knows and identifies the make-up of objects.
	Objects interface {
		Sheet(ctx context.Context, objectID domain.ID) (*collection.Sheet, error)
		Identify(ctx context.Context, by domain.Actor, componentID domain.ID, n collection.NewIdentification) (*collection.ComponentMaterial, error)
	}
	// Notices tells people at once.
	Notices interface {
		Notify(ctx context.Context, n agenda.Notice) error
	}
	// Curators lists the open curators of a department.
	Curators interface {
		CuratorsOf(ctx context.Context, department string) ([]people.Person, error)
	}
)

// Service knows the open questions.
type Service struct {
	store    Store
	objects  Objects
	notices  Notices
	curators Curators
	now      func() time.Time
}

// NewService makes the service; now is the clock. It fails when the list of techniques is damaged.
func NewService(store Store, objects Objects, notices Notices, curators Curators, now func() time.Time) (*Service, error) {
	if _, err := Techniques(); err != nil {
		return nil, err
	}
	return &Service{store: store, objects: objects, notices: notices, curators: curators, now: now}, nil
}

// Ask asks a question about an object.
func (s *Service) Ask(ctx context.Context, by domain.Actor, objectID domain.ID, n NewQuestion) (*Investigation, error) {
	if err := by.May(Ask); err != nil {
		return nil, err
	}
	sheet, err := s.objects.Sheet(ctx, objectID)
	if err != nil {
		return nil, err
	}
	i, err := New(by, n, sheet, s.now())
	if err != nil {
		return nil, err
	}
	if err := s.store.Add(ctx, i); err != nil {
		return nil, err
	}
	return s.One(ctx, by, i.ID)
}

// One is an investigation.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Investigation, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	i, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	return i.hide(by), nil
}

// List lists investigations, the latest asked first.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Line], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Line]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Line]{}, err
	}
	return s.store.List(ctx, f, q)
}

// update runs an act on an investigation with the sheet of its object.
func (s *Service) update(ctx context.Context, by domain.Actor, act domain.Act, id domain.ID, version int64,
	change func(ctx context.Context, i *Investigation, sheet *collection.Sheet, nextSample int, at time.Time) error) (*Investigation, error) {
	if err := by.May(act); err != nil {
		return nil, err
	}
	i, err := s.store.Update(ctx, id, version, func(ctx context.Context, i *Investigation, nextSample int) error {
		sheet, err := s.objects.Sheet(ctx, i.ObjectID)
		if err != nil {
			return err
		}
		return change(ctx, i, sheet, nextSample, s.now())
	})
	if err != nil {
		return nil, err
	}
	return i.hide(by), nil
}

// Plan says how a question is to be answered.
func (s *Service) Plan(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewPlan) (*Investigation, error) {
	return s.update(ctx, by, PlanIt, id, version, func(_ context.Context, i *Investigation, sheet *collection.Sheet, _ int, at time.Time) error {
		return i.SetPlan(by, n, sheet, at)
	})
}

// AskConsent asks for a curator's consent (I1); the curators of the department hear of it.
func (s *Service) AskConsent(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewConsent) (*Investigation, error) {
	return s.update(ctx, by, PlanIt, id, version, func(ctx context.Context, i *Investigation, sheet *collection.Sheet, _ int, at time.Time) error {
		c, err := i.AskConsent(by, n, sheet, at)
		if err != nil {
			return err
		}
		return s.tell(ctx, i, at, by.Name+" asks for consent to "+TechniqueName(c.Technique)+" on "+i.ObjectNumber+": "+c.Sites[0].Place+", "+c.Sites[0].Size+".")
	})
}

// Decide grants or declines a consent (I1); who asked hears of it.
func (s *Service) Decide(ctx context.Context, by domain.Actor, id domain.ID, version int64, number int, n NewConsentDecision) (*Investigation, error) {
	return s.update(ctx, by, Grant, id, version, func(ctx context.Context, i *Investigation, _ *collection.Sheet, _ int, at time.Time) error {
		curators, err := s.curators.CuratorsOf(ctx, i.Department)
		if err != nil {
			return err
		}
		c, err := i.Decide(by, number, n, curators, at)
		if err != nil {
			return err
		}
		word := map[bool]string{true: " has consented to ", false: " has declined "}[n.Granted]
		return s.notices.Notify(ctx, agenda.Notice{At: at, People: []domain.ID{c.AskedBy.ID}, ObjectID: i.ObjectID, Area: "investigation", Subject: i.ID,
			Text: by.Name + word + TechniqueName(c.Technique) + " on " + i.ObjectNumber + "."})
	})
}

// Sample records a sample that was taken (I1). One without consent is told to the curators at once.
func (s *Service) Sample(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewSample) (*Investigation, error) {
	return s.update(ctx, by, Find, id, version, func(ctx context.Context, i *Investigation, sheet *collection.Sheet, next int, at time.Time) error {
		made, err := i.Take(by, n, next, sheet, at)
		if err != nil || made.ConsentID != nil {
			return err
		}
		return s.tell(ctx, i, at, i.unauthorised(by, made.Technique, made.Explanation))
	})
}

// Left says anew what is left of a sample, and where.
func (s *Service) Left(ctx context.Context, by domain.Actor, sampleID domain.ID, version int64, n NewRemainder) (*Investigation, error) {
	if err := by.May(Find); err != nil {
		return nil, err
	}
	id, err := s.store.OfSample(ctx, sampleID)
	if err != nil {
		return nil, err
	}
	return s.update(ctx, by, Find, id, version, func(_ context.Context, i *Investigation, _ *collection.Sheet, _ int, at time.Time) error {
		_, err := i.Left(by, sampleID, n, at)
		return err
	})
}

// Record keeps a finding. One that identifies a material updates the identification of its component in the
// same act, with the finding as its evidence; what it takes the place of stays on record (I2, C3).
func (s *Service) Record(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewFinding) (*Investigation, error) {
	return s.update(ctx, by, Find, id, version, func(ctx context.Context, i *Investigation, sheet *collection.Sheet, _ int, at time.Time) error {
		f, err := i.Record(by, n, sheet, at)
		if err != nil {
			return err
		}
		t, _ := technique(n.Technique)
		if t.NeedsConsent() && f.SampleID == nil && f.ConsentID == nil {
			if err := s.tell(ctx, i, at, i.unauthorised(by, f.Technique, f.Explanation)); err != nil {
				return err
			}
		}
		if n.Identifies == nil {
			return nil
		}
		m, err := s.objects.Identify(ctx, by, *f.ComponentID, collection.NewIdentification{MaterialKey: n.Identifies.MaterialKey, Role: n.Identifies.Role,
			SharePercent: n.Identifies.SharePercent, IdentifiedBy: "test", Confidence: n.Identifies.Confidence, Evidence: i.Evidence(f), Supersedes: n.Identifies.Supersedes})
		if err != nil {
			return below("/identifies", err)
		}
		f.IdentificationID = &m.ID
		return nil
	})
}

// Finish ends an investigation.
func (s *Service) Finish(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewEnd) (*Investigation, error) {
	return s.update(ctx, by, PlanIt, id, version, func(_ context.Context, i *Investigation, _ *collection.Sheet, _ int, at time.Time) error {
		return i.Finish(by, n, at)
	})
}

// tell gives a notice to the curators of the department.
func (s *Service) tell(ctx context.Context, i *Investigation, at time.Time, text string) error {
	return s.notices.Notify(ctx, agenda.Notice{At: at, Roles: []domain.Role{domain.Curator}, Department: i.Department, ObjectID: i.ObjectID, Area: "investigation", Subject: i.ID, Text: agenda.Fit(text)})
}
