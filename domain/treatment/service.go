package treatment

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
)

// Neighbours are the other areas, as this one needs them.
type Neighbours struct {
	Atomic       domain.Atomic
	Sheets       Sheets
	Curators     Curators
	Photos       Photos
	Examinations Examinations
	Stops        Stops
	Handlings    Handlings
	Fragments    Fragments
	Notices      Notices
	Seals        Seals
}

// Service composes the rules into acts: each is one transaction of rows, events, seals, notices and
// the handling event that it makes.
type Service struct {
	store Store
	Neighbours
	site domain.Site
	now  func() time.Time
}

// NewService makes the service; now is the clock.
func NewService(store Store, n Neighbours, site domain.Site, now func() time.Time) *Service {
	return &Service{store: store, Neighbours: n, site: site, now: now}
}

// at is the time of an act, as exactly as it is kept.
func (s *Service) at() time.Time { return s.now().UTC().Truncate(time.Microsecond) }

// names is a command that names persons or materials.
type names struct {
	people       []domain.ID
	materials    []string
	photos       bool
	examinations bool
	examined     []domain.ID // those that it names
	curators     string      // of this department
}

// names are what the text names.
func (p Proposal) names() names {
	return names{people: p.PeopleIn(), materials: p.MaterialsIn(), examinations: p.RestsOn.ExaminationID != nil, examined: p.ExaminationsIn()}
}

// names are what the report names.
func (r Report) names() names {
	n := names{people: r.People, photos: true}
	if r.ExaminationID != nil {
		n.examinations, n.examined = true, []domain.ID{*r.ExaminationID}
	}
	return n
}

// facts gathers what the rules need to know, each kind with one question, several at once.
func (s *Service) facts(ctx context.Context, objectID domain.ID, n names) (Facts, error) {
	f := Facts{Site: s.site}
	questions := []func() error{
		func() (err error) { f.Sheet, err = s.Sheets.Sheet(ctx, objectID); return },
		func() (err error) { f.People, err = s.store.People(ctx, n.people); return },
		func() (err error) { f.Materials, err = s.store.Materials(ctx, n.materials); return },
	}
	if n.photos {
		questions = append(questions, func() (err error) { f.Photos, err = s.Photos.OfObject(ctx, objectID); return })
	}
	if n.examinations {
		questions = append(questions, func() (err error) { f.Examinations, err = s.Examinations.Signed(ctx, objectID, n.examined); return })
	}
	if n.curators != "" {
		questions = append(questions, func() (err error) { f.Curators, err = s.Curators.CuratorsOf(ctx, n.curators); return })
	}
	err := domain.Together(ctx, len(questions), func(i int) error { return questions[i]() })
	return f, err
}

// One is a treatment.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Treatment, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	t, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	return t.Look(s.site, s.at()), nil
}

// Surroundings are what a page about a treatment, or about one to begin, shows beside it.
type Surroundings struct {
	Sheet       *collection.Sheet
	Legend      map[string]string // names of what the drafts refer to by identifier or key
	Photos      []PhotoRef
	Emergencies []Stabilisation // in the course of the treatment
}

// Around reads the surroundings of a treatment.
func (s *Service) Around(ctx context.Context, by domain.Actor, t *Treatment) (*Surroundings, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	texts := []Proposal{t.Proposal}
	for _, a := range t.Amendments {
		texts = append(texts, a.Text)
	}
	n := names{photos: true, examinations: t.State == Drafting && t.Proposal.RestsOn.ExaminationID != nil} // a submitted text has its legend
	for _, p := range texts {
		n.people, n.materials = append(n.people, p.PeopleIn()...), append(n.materials, p.MaterialsIn()...)
		n.examined = append(n.examined, p.ExaminationsIn()...)
	}
	var f Facts
	var emergencies domain.Page[Stabilisation]
	err := domain.Together(ctx, 2, func(i int) (err error) {
		if i == 0 {
			f, err = s.facts(ctx, t.ObjectID, n)
			return err
		}
		emergencies, err = s.Stabilisations(ctx, by, StabilisationFilter{TreatmentID: &t.ID}, domain.PageQuery{Limit: domain.PageMost})
		return err
	})
	if err != nil {
		return nil, err
	}
	around := &Surroundings{Sheet: f.Sheet, Photos: f.Photos, Legend: map[string]string{}, Emergencies: emergencies.Items}
	for _, p := range texts {
		maps.Copy(around.Legend, p.Legend(f))
	}
	return around, nil
}

// Table is what a page about new work on an object needs: its make-up and its photographs.
func (s *Service) Table(ctx context.Context, by domain.Actor, objectID domain.ID) (*Surroundings, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	f, err := s.facts(ctx, objectID, names{photos: true})
	return &Surroundings{Sheet: f.Sheet, Photos: f.Photos, Legend: map[string]string{}}, err
}

// Examined lists the signed examinations of an object that a text or a report may name: the latest, and those that
// are named already.
func (s *Service) Examined(ctx context.Context, by domain.Actor, objectID domain.ID, named []domain.ID) ([]Examined, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.Examinations.Signed(ctx, objectID, named)
}

// Look fills what is told to the reader beside the record itself.
func (t *Treatment) Look(site domain.Site, at time.Time) *Treatment {
	t.Standing, t.NextMoves, t.Materials = t.Stands(), t.NextMove(site), t.MaterialsUsed()
	t.Missing, t.Warnings = []string{}, []string{}
	switch t.State {
	case Drafting:
		t.Missing, t.Warnings = nonNil(t.Proposal.Lacks(site, at)), t.Proposal.Warns()
	case Submitted:
		t.Warnings = t.Proposal.Warns()
	case UnderWay:
		if t.Completion != nil {
			t.Missing = nonNil(t.lacksCompletion(t.Completion, site, at))
		}
	}
	if t.PastTerm(at) {
		t.Standing = "lapsed: not begun within the term of its approval"
	}
	return t
}

// List lists treatments, the last changed first.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Line], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Line]{}, err
	}
	if f.State != "" && !slices.Contains(States, f.State) {
		return domain.Page[Line]{}, domain.Invalid("/state", "oneof", "There is no such state.")
	}
	if f.Move != "" && !slices.Contains([]Mover{ByConservator, ByCurator, BySecond}, f.Move) {
		return domain.Page[Line]{}, domain.Invalid("/move", "oneof", "One of: conservator, curator, second_authoriser.")
	}
	return s.store.List(ctx, f, q)
}

// Begin drafts a treatment of an object.
func (s *Service) Begin(ctx context.Context, by domain.Actor, objectID domain.ID, p Proposal) (*Treatment, error) {
	if err := by.May(Propose); err != nil {
		return nil, err
	}
	if err := domain.Validate(p); err != nil {
		return nil, err
	}
	at := s.at()
	var t *Treatment
	err := s.Atomic.Do(ctx, func(ctx context.Context) error {
		f, err := s.facts(ctx, objectID, p.names())
		if err != nil {
			return err
		}
		if t, err = Begin(by, p, f, at); err != nil {
			return err
		}
		t.Look(s.site, at)
		return s.store.Add(ctx, t)
	})
	if err != nil {
		return nil, err
	}
	return t, nil
}

// toSeal is a document to be sealed once the rows are written.
type toSeal struct {
	kind    string
	subject domain.ID
}

// change runs one act on a treatment: the command is checked, the whole is read under lock, the rule
// decides, rows and events are written, and what was signed is sealed from the rows as they then
// stand.
func (s *Service) change(ctx context.Context, by domain.Actor, id domain.ID, version int64, command any, act func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error)) (*Treatment, error) {
	if version < 1 {
		return nil, &domain.Error{Kind: domain.KindNoVersion, Code: "no_version", Message: "Say which version of the treatment you change. Load the page anew."}
	}
	if command != nil {
		if err := domain.Validate(command); err != nil {
			return nil, err
		}
	}
	at := s.at()
	var t *Treatment
	err := s.Atomic.Do(ctx, func(ctx context.Context) error {
		var seals []toSeal
		var err error
		t, err = s.store.Update(ctx, id, version, func(ctx context.Context, t *Treatment) error {
			if seals, err = act(ctx, t, at); err != nil {
				return err
			}
			t.Look(s.site, at)
			return nil
		})
		if err != nil {
			return err
		}
		return s.sealAll(ctx, by, t.ObjectID, seals, at)
	})
	if err != nil {
		return nil, err
	}
	return t, nil
}

func (s *Service) sealAll(ctx context.Context, by domain.Actor, objectID domain.ID, seals []toSeal, at time.Time) error {
	for _, x := range seals {
		document, err := s.Document(ctx, x.kind, x.subject)
		if err != nil {
			return err
		}
		if _, err := s.Seals.Seal(ctx, by.ID, x.kind, x.subject, &objectID, document, at); err != nil {
			return err
		}
	}
	return nil
}

// Document rebuilds, from the rows, the document that was sealed; verification compares them.
func (s *Service) Document(ctx context.Context, kind string, subject domain.ID) (any, error) {
	if kind == SealEmergency || kind == SealRatification {
		e, err := s.store.Stabilisation(ctx, subject)
		if err != nil {
			return nil, err
		}
		return e.Document(kind == SealRatification)
	}
	t, err := s.store.Holding(ctx, kind, subject)
	if err != nil {
		return nil, err
	}
	switch kind {
	case SealWhole:
		return t.WholeDocument()
	case SealDecision:
		return t.DecisionDocument(subject)
	case SealAddendum:
		return t.AddendumDocument(subject)
	case SealDesignation:
		return t.DesignationDocument(subject, false)
	case SealDisposal:
		return t.DesignationDocument(subject, true)
	}
	return nil, fmt.Errorf("there is no document of kind %s", kind)
}

// Rewrite changes a draft.
func (s *Service) Rewrite(ctx context.Context, by domain.Actor, id domain.ID, version int64, p Proposal) (*Treatment, error) {
	return s.change(ctx, by, id, version, p, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.facts(ctx, t.ObjectID, p.names())
		if err != nil {
			return nil, err
		}
		return nil, t.Rewrite(by, p, f, at)
	})
}

// Submit freezes the draft for the curator.
func (s *Service) Submit(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*Treatment, error) {
	return s.change(ctx, by, id, version, nil, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.facts(ctx, t.ObjectID, t.Proposal.names())
		if err != nil {
			return nil, err
		}
		return nil, t.Submit(by, f, at)
	})
}

// TakeBack voids the submission.
func (s *Service) TakeBack(ctx context.Context, by domain.Actor, id domain.ID, version int64, r Reason) (*Treatment, error) {
	return s.change(ctx, by, id, version, r, func(_ context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		return nil, t.TakeBack(by, r, at)
	})
}

// Withdraw ends a treatment before work.
func (s *Service) Withdraw(ctx context.Context, by domain.Actor, id domain.ID, version int64, r Reason) (*Treatment, error) {
	return s.change(ctx, by, id, version, r, func(_ context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		return nil, t.Withdraw(by, r, at)
	})
}

// HandOver gives the charge to another conservator.
func (s *Service) HandOver(ctx context.Context, by domain.Actor, id domain.ID, version int64, h HandOver) (*Treatment, error) {
	return s.change(ctx, by, id, version, h, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.facts(ctx, t.ObjectID, names{people: []domain.ID{h.To}})
		if err != nil {
			return nil, err
		}
		return nil, t.HandOver(by, h, f, at)
	})
}

// Decide decides on the proposal (amendment 0) or on an amendment, and seals the decision with its
// text. The conservator in charge hears of it.
func (s *Service) Decide(ctx context.Context, by domain.Actor, id domain.ID, version int64, amendment int, d NewDecision) (*Treatment, error) {
	return s.change(ctx, by, id, version, d, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.facts(ctx, t.ObjectID, names{curators: t.Department})
		if err != nil {
			return nil, err
		}
		made, err := t.Decide(by, amendment, d, f, at)
		if err != nil {
			return nil, err
		}
		what := t.Called()
		if amendment > 0 {
			what = fmt.Sprintf("amendment %d of %s", amendment, what)
		}
		err = s.Notices.Notify(ctx, agenda.Notice{At: at, People: []domain.ID{t.InCharge.ID}, ObjectID: t.ObjectID, Area: "treatment", Subject: t.ID,
			Text: by.Name + " has decided on " + what + ": " + d.Outcome.Words() + "."})
		return []toSeal{{SealDecision, made.ID}}, err
	})
}

// Acknowledge takes note of conditions.
func (s *Service) Acknowledge(ctx context.Context, by domain.Actor, id domain.ID, version int64, a Acknowledgement) (*Treatment, error) {
	return s.change(ctx, by, id, version, a, func(_ context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		return nil, t.Acknowledge(by, a, at)
	})
}

// Fulfil says how a condition before start turned out.
func (s *Service) Fulfil(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewFulfilment) (*Treatment, error) {
	return s.change(ctx, by, id, version, n, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		if err := t.Fulfil(by, n, at); err != nil || n.Outcome == "fulfilled" {
			return nil, err
		}
		return nil, s.Notices.Notify(ctx, agenda.Notice{At: at, Roles: []domain.Role{domain.Curator}, Department: t.Department, ObjectID: t.ObjectID,
			Area: "treatment", Subject: t.ID, Text: "A condition before start of " + t.Called() + " has failed; the work waits for a new decision (T3)."})
	})
}

// Amend begins an amendment.
func (s *Service) Amend(ctx context.Context, by domain.Actor, id domain.ID, version int64, p Proposal) (*Treatment, error) {
	return s.change(ctx, by, id, version, p, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.facts(ctx, t.ObjectID, p.names())
		if err != nil {
			return nil, err
		}
		_, err = t.Amend(by, p, f, at)
		return nil, err
	})
}

// RewriteAmendment changes an amendment's draft.
func (s *Service) RewriteAmendment(ctx context.Context, by domain.Actor, id domain.ID, version int64, number int, p Proposal) (*Treatment, error) {
	return s.change(ctx, by, id, version, p, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.facts(ctx, t.ObjectID, p.names())
		if err != nil {
			return nil, err
		}
		return nil, t.RewriteAmendment(by, number, p, f, at)
	})
}

// SubmitAmendment freezes an amendment for the curator.
func (s *Service) SubmitAmendment(ctx context.Context, by domain.Actor, id domain.ID, version int64, number int) (*Treatment, error) {
	return s.change(ctx, by, id, version, nil, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		a, err := t.amendment(number)
		if err != nil {
			return nil, err
		}
		f, err := s.facts(ctx, t.ObjectID, a.Text.names())
		if err != nil {
			return nil, err
		}
		return nil, t.SubmitAmendment(by, number, f, at)
	})
}

// TakeBackAmendment voids an amendment's submission.
func (s *Service) TakeBackAmendment(ctx context.Context, by domain.Actor, id domain.ID, version int64, number int, r Reason) (*Treatment, error) {
	return s.change(ctx, by, id, version, r, func(_ context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		return nil, t.TakeBackAmendment(by, number, r, at)
	})
}

// WithdrawAmendment ends an open amendment.
func (s *Service) WithdrawAmendment(ctx context.Context, by domain.Actor, id domain.ID, version int64, number int, r Reason) (*Treatment, error) {
	return s.change(ctx, by, id, version, r, func(_ context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		return nil, t.WithdrawAmendment(by, number, r, at)
	})
}

// KeepReport keeps the completion report.
func (s *Service) KeepReport(ctx context.Context, by domain.Actor, id domain.ID, version int64, r Report) (*Treatment, error) {
	return s.change(ctx, by, id, version, r, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.facts(ctx, t.ObjectID, r.names())
		if err != nil {
			return nil, err
		}
		return nil, t.KeepReport(by, r, f, at)
	})
}

// Complete ends the work with the report that was kept.
func (s *Service) Complete(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*Treatment, error) {
	return s.change(ctx, by, id, version, nil, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.reportFacts(ctx, t)
		if err != nil {
			return nil, err
		}
		return nil, t.Complete(by, f, at)
	})
}

func (s *Service) reportFacts(ctx context.Context, t *Treatment) (Facts, error) {
	r := Report{}
	if t.Completion != nil {
		r = t.Completion.Report
	}
	return s.facts(ctx, t.ObjectID, r.names())
}

// Sign seals the whole.
func (s *Service) Sign(ctx context.Context, by domain.Actor, id domain.ID, version int64, statement Statement) (*Treatment, error) {
	return s.change(ctx, by, id, version, statement, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.reportFacts(ctx, t)
		if err != nil {
			return nil, err
		}
		return []toSeal{{SealWhole, t.ID}}, t.Sign(by, statement, f, at)
	})
}

// WriteAddendum corrects a record beside it.
func (s *Service) WriteAddendum(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewAddendum) (*Treatment, error) {
	return s.change(ctx, by, id, version, n, func(_ context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		a, err := t.WriteAddendum(by, n, at)
		if err != nil {
			return nil, err
		}
		return []toSeal{{SealAddendum, a.ID}}, nil
	})
}

// Designate decides what becomes of a fragment.
func (s *Service) Designate(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewDesignation) (*Treatment, error) {
	return s.change(ctx, by, id, version, n, func(ctx context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		f, err := s.facts(ctx, t.ObjectID, names{curators: t.Department})
		if err != nil {
			return nil, err
		}
		d, err := t.Designate(by, n, f, at)
		if err != nil {
			return nil, err
		}
		return []toSeal{{SealDesignation, d.ID}}, nil
	})
}

// AuthoriseDisposal is the second authorisation of a disposal.
func (s *Service) AuthoriseDisposal(ctx context.Context, by domain.Actor, id domain.ID, version int64, number int, statement Statement) (*Treatment, error) {
	return s.change(ctx, by, id, version, statement, func(_ context.Context, t *Treatment, at time.Time) ([]toSeal, error) {
		d, err := t.AuthoriseDisposal(by, number, statement, at)
		if err != nil {
			return nil, err
		}
		return []toSeal{{SealDisposal, d.ID}}, nil
	})
}

// LapseDue notes every approval that was not begun within its term, each in its own transaction, and
// says how many. It is a job; the act itself refuses without it.
func (s *Service) LapseDue(ctx context.Context) (int, error) {
	at, n := s.at(), 0
	for {
		ids, err := s.store.PastTerm(ctx, at, 100)
		if err != nil {
			return n, err
		}
		done := 0
		for _, id := range ids {
			_, err := s.store.Update(ctx, id, AnyVersion, func(_ context.Context, t *Treatment) error {
				if err := t.Lapse(at); err != nil {
					return err
				}
				t.Look(s.site, at)
				return nil
			})
			var refused *domain.Error
			if errors.As(err, &refused) && refused.Kind == domain.KindConflict {
				continue // somebody began or withdrew it meanwhile
			}
			if err != nil {
				return n, err
			}
			done++
		}
		if n += done; done == 0 {
			return n, nil
		}
	}
}
