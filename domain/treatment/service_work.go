package treatment

import (
	"context"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// LogStep notes approved work. A stop on a component refuses it (T9, H3); the handling event is made
// in the same act (H1), and what came away becomes a component (T10).
func (s *Service) LogStep(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewStep) (*Treatment, error) {
	return s.change(ctx, by, id, version, n, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.workFacts(ctx, t.ObjectID, n.Done)
		if err != nil {
			return nil, err
		}
		w, err := t.LogStep(by, n, f, at)
		if err != nil {
			return nil, err
		}
		if err := s.Stops.Refusal(ctx, t.ObjectID, n.Components); err != nil {
			return nil, err
		}
		return nil, s.touched(ctx, by, w, "Step of "+t.Called()+": "+n.Method)
	})
}

// RecordDeparture notes what was done outside the approval; the curators of the department and the
// conservator in charge hear of it in the same act (T11).
func (s *Service) RecordDeparture(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewDeparture) (*Treatment, error) {
	return s.change(ctx, by, id, version, n, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.workFacts(ctx, t.ObjectID, n.Done)
		if err != nil {
			return nil, err
		}
		w, err := t.RecordDeparture(by, n, f, at)
		if err != nil {
			return nil, err
		}
		err = s.Notices.Notify(ctx, agenda.Notice{At: at, Roles: []domain.Role{domain.Curator}, Department: t.Department, People: []domain.ID{t.InCharge.ID},
			ObjectID: t.ObjectID, Area: "treatment", Subject: t.ID,
			Text: by.Name + " recorded a departure from " + t.Called() + ": " + brief(n.What) + " (" + brief(n.Why) + ")"})
		if err != nil {
			return nil, err
		}
		return nil, s.touched(ctx, by, w, "Departure from "+t.Called()+": "+brief(n.What))
	})
}

func (s *Service) workFacts(ctx context.Context, objectID domain.ID, d Done) (Facts, error) {
	return s.facts(ctx, objectID, names{people: d.PeopleIn(), materials: d.MaterialsIn(), photos: len(d.Photographs) > 0})
}

// brief is the beginning of a long text, for a notice; the record holds the whole.
func brief(text string) string {
	const most = 400
	if r := []rune(text); len(r) > most {
		return string(r[:most]) + " …"
	}
	return text
}

// touched makes fragments of what came away, and the handling event.
func (s *Service) touched(ctx context.Context, by domain.Actor, w *Work, note string) error {
	ids := make([]domain.ID, len(w.Components))
	for i, c := range w.Components {
		ids[i] = c.ID
	}
	for i, c := range w.CameAway {
		evidence := "Lay " + c.Where + "; that it belongs there is " + c.Belongs + "."
		if c.KeptAt != "" {
			evidence += " Kept " + c.KeptAt + "."
		}
		part, err := s.Fragments.Fragment(ctx, by, FragmentNote{ObjectID: w.ObjectID, FromID: c.FromID, Name: c.Name, Evidence: evidence})
		if err != nil {
			return err
		}
		w.CameAway[i].Part = part
	}
	return s.Handlings.FromTreatment(ctx, by, HandlingNote{WorkID: w.ID, ObjectID: w.ObjectID, At: w.HappenedAt, Hands: w.Hands, Components: ids,
		Minutes: w.Minutes, Gloves: w.Gloves, Noticed: w.Noticed, Controls: w.Controls, Note: note})
}

// Stabilise records an emergency stabilisation. Curators of the department, registrars and
// conservators hear of it in the same act (T6). Stops do not refuse it (T9).
func (s *Service) Stabilise(ctx context.Context, by domain.Actor, objectID domain.ID, n NewEmergency) (*Stabilisation, error) {
	if err := by.May(Rescue); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	at := s.at()
	var e *Stabilisation
	record := func(ctx context.Context, t *Treatment) error {
		f, err := s.workFacts(ctx, objectID, n.Done)
		if err != nil {
			return err
		}
		if e, err = Stabilise(by, n, t, f, at); err != nil {
			return err
		}
		if t != nil {
			t.Look(s.site, at)
		}
		return s.touched(ctx, by, &e.Work, "Emergency stabilisation: "+brief(n.Imminent))
	}
	err := s.Atomic.Do(ctx, func(ctx context.Context) error {
		var err error
		if n.TreatmentID != nil {
			_, err = s.store.Update(ctx, *n.TreatmentID, AnyVersion, record)
			if domain.KindOf(err) == domain.KindNotFound {
				err = domain.Invalid("/treatment_id", "treatment", "There is no such treatment.")
			}
		} else {
			err = record(ctx, nil)
		}
		if err != nil {
			return err
		}
		if err := s.store.AddStabilisation(ctx, e); err != nil {
			return err
		}
		err = s.Notices.Notify(ctx, agenda.Notice{At: at, Roles: []domain.Role{domain.Curator, domain.Registrar, domain.Conservator}, Department: e.Department,
			ObjectID: objectID, Area: "treatment", Subject: e.ID,
			Text: by.Name + " stabilised " + e.ObjectNumber + " in an emergency: " + brief(n.Imminent) + " To be ratified by " + lastDay(e.DueAt, s.site) + "."})
		if err != nil {
			return err
		}
		return s.sealAll(ctx, by, objectID, []toSeal{{SealEmergency, e.ID}}, at)
	})
	if err != nil {
		return nil, err
	}
	return e.Look(at), nil
}

// lastDay is the day before a midnight, as people say when something is due.
func lastDay(midnight time.Time, site domain.Site) string {
	return midnight.Add(-time.Second).In(site.Zone).Format("2 January 2006")
}

// Look fills what is told to the reader beside the record itself.
func (e *Stabilisation) Look(at time.Time) *Stabilisation {
	e.Overdue = e.PastDue(at)
	return e
}

// Stabilisation is one emergency.
func (s *Service) Stabilisation(ctx context.Context, by domain.Actor, id domain.ID) (*Stabilisation, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	e, err := s.store.Stabilisation(ctx, id)
	if err != nil {
		return nil, err
	}
	return e.Look(s.at()), nil
}

// Stabilisations lists emergencies, the newest first.
func (s *Service) Stabilisations(ctx context.Context, by domain.Actor, f StabilisationFilter, q domain.PageQuery) (domain.Page[Stabilisation], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Stabilisation]{}, err
	}
	page, err := s.store.Stabilisations(ctx, f, q)
	for i := range page.Items {
		page.Items[i].Look(s.at())
	}
	return page, err
}

// OpenEmergencies lists the emergencies of an object that wait for their ratification; Overdue says
// which of them are past due. Other areas ask it without an actor: any open one stands against the
// dispatch of a loan (L3).
func (s *Service) OpenEmergencies(ctx context.Context, objectID domain.ID) ([]Stabilisation, error) {
	page, err := s.store.Stabilisations(ctx, StabilisationFilter{ObjectID: &objectID, Open: true}, domain.PageQuery{Limit: domain.PageMost})
	for i := range page.Items {
		page.Items[i].Look(s.at())
	}
	return page.Items, err
}

// Ratify decides on an emergency afterwards, and seals the decision.
func (s *Service) Ratify(ctx context.Context, by domain.Actor, id domain.ID, version int64, r Ratification) (*Stabilisation, error) {
	if err := by.May(Judge); err != nil {
		return nil, err
	}
	if err := domain.Validate(r); err != nil {
		return nil, err
	}
	at := s.at()
	var e *Stabilisation
	err := s.Atomic.Do(ctx, func(ctx context.Context) error {
		found, err := s.store.Stabilisation(ctx, id)
		if err != nil {
			return err
		}
		curators, err := s.Curators.CuratorsOf(ctx, found.Department)
		if err != nil {
			return err
		}
		decide := func(ctx context.Context, t *Treatment) error {
			e, err = s.store.UpdateStabilisation(ctx, id, version, func(_ context.Context, e *Stabilisation) error {
				return e.Ratify(by, r, t, curators, at)
			})
			if err == nil && t != nil {
				t.Look(s.site, at)
			}
			return err
		}
		if found.TreatmentID != nil {
			_, err = s.store.Update(ctx, *found.TreatmentID, AnyVersion, decide)
		} else {
			err = decide(ctx, nil)
		}
		if err != nil {
			return err
		}
		return s.sealAll(ctx, by, e.ObjectID, []toSeal{{SealRatification, id}}, at)
	})
	if err != nil {
		return nil, err
	}
	return e.Look(at), nil
}

// MaterialUses finds every component that ever received a product, a batch or a library material, in
// signed records too, so that harm that shows later can be traced.
//
// source: published collections procedures standard (Spectrum 5.0), collections care and
// conservation.
func (s *Service) MaterialUses(ctx context.Context, by domain.Actor, m MaterialQuery, q domain.PageQuery) (domain.Page[MaterialUse], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[MaterialUse]{}, err
	}
	if err := domain.Validate(m); err != nil {
		return domain.Page[MaterialUse]{}, err
	}
	return s.store.MaterialUses(ctx, m, q)
}
