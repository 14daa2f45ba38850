package survey

import (
	"context"
	"errors"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/examination"
)

// Store keeps surveys.
type Store interface {
	// Draw reads the population: every object that is like that, with the stratum that it belongs to.
	Draw(ctx context.Context, p Population, dividedBy string) ([]Unit, error)
	// Hidden says whether a place is sensitive (P3).
	Hidden(ctx context.Context, placeID domain.ID) (bool, error)
	Add(ctx context.Context, s *Survey) error
	One(ctx context.Context, id domain.ID) (*Survey, error)
	// List lists surveys, the latest first.
	List(ctx context.Context, q domain.PageQuery) (domain.Page[Line], error)
	// Items lists the objects of a sample in the order of drawing; open: only those that still wait.
	Items(ctx context.Context, id domain.ID, open bool, q domain.PageQuery) (domain.Page[Item], error)
	Item(ctx context.Context, id, objectID domain.ID) (*Item, error)
	// Lock reads an object of a sample and holds it until the transaction ends.
	Lock(ctx context.Context, id, objectID domain.ID) (*Item, error)
	// Settle writes what became of an object of a sample: examined or missed.
	Settle(ctx context.Context, id domain.ID, i *Item, by domain.Actor, at time.Time, e domain.Event) error
	Counted(ctx context.Context, id domain.ID) ([]Counted, error)
}

// Examinations makes and signs examinations; all of it joins the transaction that the context carries.
type Examinations interface {
	Begin(ctx context.Context, by domain.Actor, objectID domain.ID, n examination.NewExamination) (*examination.Examination, error)
	Change(ctx context.Context, by domain.Actor, id domain.ID, version int64, c examination.Changes) (*examination.Examination, error)
	Set(ctx context.Context, by domain.Actor, id domain.ID, version int64, observationID domain.ID, f examination.Finding) (*examination.Examination, error)
	Sign(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*examination.Examination, error)
}

// Service knows the surveys.
type Service struct {
	store        Store
	examinations Examinations
	atomic       domain.Atomic
	now          func() time.Time
}

// NewService makes the service; now is the clock.
func NewService(store Store, examinations Examinations, atomic domain.Atomic, now func() time.Time) *Service {
	return &Service{store: store, examinations: examinations, atomic: atomic, now: now}
}

// mayName refuses a place that the person does not know of (P3).
func (s *Service) mayName(ctx context.Context, by domain.Actor, place *domain.ID) error {
	if place == nil {
		return nil
	}
	hidden, err := s.store.Hidden(ctx, *place)
	if domain.KindOf(err) == domain.KindNotFound || err == nil && hidden && !by.MaySeeValues("") {
		return domain.Invalid("/population/place_id", "known", "There is no such place.")
	}
	return err
}

// Plan says how many objects a population has and how many of them would be drawn. Nothing is kept.
func (s *Service) Plan(ctx context.Context, by domain.Actor, sc Scheme) (*Survey, error) {
	if err := by.May(Begin); err != nil {
		return nil, err
	}
	return s.drawn(ctx, by, NewSurvey{Title: "not drawn yet", Scheme: sc})
}

// Begin draws a survey and keeps it.
func (s *Service) Begin(ctx context.Context, by domain.Actor, n NewSurvey) (*Survey, error) {
	if err := by.May(Begin); err != nil {
		return nil, err
	}
	survey, err := s.drawn(ctx, by, n)
	if err != nil {
		return nil, err
	}
	return survey, s.store.Add(ctx, survey)
}

func (s *Service) drawn(ctx context.Context, by domain.Actor, n NewSurvey) (*Survey, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if err := s.mayName(ctx, by, n.Population.PlaceID); err != nil {
		return nil, err
	}
	population, err := s.store.Draw(ctx, n.Population, n.DividedBy)
	if err != nil {
		return nil, err
	}
	return New(by, n, population, s.now())
}

// One is a survey.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Survey, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	survey, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	if survey.Hidden && !by.MaySeeValues("") {
		survey.Population.PlaceID = nil
	}
	return survey, nil
}

// List lists surveys, the latest first.
func (s *Service) List(ctx context.Context, by domain.Actor, q domain.PageQuery) (domain.Page[Line], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Line]{}, err
	}
	return s.store.List(ctx, q)
}

// Items lists the objects of a sample in the order of drawing.
func (s *Service) Items(ctx context.Context, by domain.Actor, id domain.ID, open bool, q domain.PageQuery) (domain.Page[Item], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Item]{}, err
	}
	return s.store.Items(ctx, id, open, q)
}

// Item is one object of a sample.
func (s *Service) Item(ctx context.Context, by domain.Actor, id, objectID domain.ID) (*Item, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.Item(ctx, id, objectID)
}

// Results are what a survey says of its population.
func (s *Service) Results(ctx context.Context, by domain.Actor, id domain.ID) (Results, error) {
	survey, err := s.One(ctx, by, id)
	if err != nil {
		return Results{}, err
	}
	counted, err := s.store.Counted(ctx, id)
	if err != nil {
		return Results{}, err
	}
	return survey.ResultsOf(counted), nil
}

// Assess looks at one object of a survey: an examination is made and signed, and the object is done, all in
// one act.
func (s *Service) Assess(ctx context.Context, by domain.Actor, id, objectID domain.ID, a Assessment) (*Item, error) {
	if err := by.May(Assess); err != nil {
		return nil, err
	}
	if err := domain.Validate(a); err != nil {
		return nil, err
	}
	return s.settle(ctx, by, id, objectID, "assessed", a, func(ctx context.Context, i *Item) error {
		e, err := s.examinations.Begin(ctx, by, objectID, examination.NewExamination{Occasion: examination.Survey, ExaminedOn: a.ExaminedOn})
		if err != nil {
			return err
		}
		if e, err = s.examinations.Change(ctx, by, e.ID, e.Version, a.Changes(e)); err != nil {
			return onOneScreen(err)
		}
		for _, o := range e.Observations { // carried forward, to be answered
			f := o.Finding
			f.Status, f.Reason = examination.Confirmed, ""
			if !a.PartsSeen {
				f.Status, f.Reason = examination.NotSeen, overallLook
			}
			if e, err = s.examinations.Set(ctx, by, e.ID, e.Version, o.ID, f); err != nil {
				return err
			}
		}
		if e, err = s.examinations.Sign(ctx, by, e.ID, e.Version); err != nil {
			return err
		}
		i.ExaminationID, i.ExaminedOn, i.Overall, i.Priority = &e.ID, e.ExaminedOn, e.Overall, e.Priority
		i.Assessment = &Assessment{ExaminedOn: e.ExaminedOn, Place: e.Place, Overall: e.Overall, OverallReason: e.OverallReason, Priority: e.Priority, Note: e.Description, NextCheckOn: e.NextCheckOn, PartsSeen: a.PartsSeen}
		return nil
	})
}

// Miss says that an object of a survey could not be looked at, and why.
func (s *Service) Miss(ctx context.Context, by domain.Actor, id, objectID domain.ID, m Miss) (*Item, error) {
	if err := by.May(Assess); err != nil {
		return nil, err
	}
	if err := domain.Validate(m); err != nil {
		return nil, err
	}
	return s.settle(ctx, by, id, objectID, "missed", m, func(_ context.Context, i *Item) error {
		i.Missed = strings.TrimSpace(m.Reason)
		return nil
	})
}

func (s *Service) settle(ctx context.Context, by domain.Actor, id, objectID domain.ID, kind string, change any, act func(ctx context.Context, i *Item) error) (*Item, error) {
	var i *Item
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		var err error
		if i, err = s.store.Lock(ctx, id, objectID); err != nil {
			return err
		}
		if !i.Open() {
			return domain.Conflict("settled", i.ObjectNumber+" is done already in this survey. Another look at it is an examination of its own.")
		}
		if err := act(ctx, i); err != nil {
			return err
		}
		at := s.now()
		return s.store.Settle(ctx, id, i, by, at, domain.Event{At: at, ActorID: &by.ID, Area: "survey", Subject: id, Object: &objectID, Kind: kind, Change: change})
	})
	return i, err
}

// onOneScreen brings faults of the parts of an examination to the assessment's own fields.
func onOneScreen(err error) error {
	var known *domain.Error
	if !errors.As(err, &known) || len(known.Fields) == 0 {
		return err
	}
	copied := *known
	copied.Fields = make([]domain.Field, len(known.Fields))
	for i, f := range known.Fields {
		f.Pointer = strings.TrimPrefix(strings.TrimPrefix(f.Pointer, "/circumstances"), "/judgement")
		copied.Fields[i] = f
	}
	return &copied
}
