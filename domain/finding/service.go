package finding

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"time"

	"farthingale/domain"
	"farthingale/domain/material"
)

// Filter narrows a list of findings; zero values do not narrow.
type Filter struct {
	ObjectID *domain.ID        `json:"object_id,omitempty"`
	Species  string            `json:"species,omitempty" validate:"max=60"`
	Emitter  string            `json:"emitter,omitempty" validate:"max=100"`  // a material of the library, or a family
	Receptor string            `json:"receptor,omitempty" validate:"max=100"` // the same, or "people"
	Severity material.Severity `json:"severity,omitempty" validate:"omitempty,min=1,max=3"`
	State    string            `json:"state,omitempty" validate:"omitempty,oneof=open accepted gone"` // open: not accepted today; gone: of one object, what no longer holds
	Rule     string            `json:"rule,omitempty" validate:"max=60"`
}

// People as a receptor, in a filter.
const People = "people"

// Gone is the state of what no longer holds, in a filter.
const Gone = "gone"

// Counts are how many findings of each severity hold; CountMost + 1 stands for more.
type Counts struct {
	ActNow  int `json:"act_now"`
	ActNext int `json:"act_next"`
	Watch   int `json:"watch"`
}

// CountMost is how far findings are counted.
const CountMost = 1000

// State is how far the computation of an object is.
type State struct {
	ComputedAt *time.Time `json:"computed_at,omitempty"` // nil: never yet
	UpToDate   bool       `json:"up_to_date"`            // nothing has changed since, neither on record nor in the rules
	Notes      []string   `json:"notes"`                 // what was left out
}

// OfObject is what endangers what in an object.
type OfObject struct {
	State
	Findings []Finding `json:"items"`   // those that hold, the gravest first
	Harms    []Finding `json:"harms"`   // what it does to other objects that share its air
	Further  bool      `json:"further"` // there are more than are given
}

// ObjectMost is how many findings of one object are given at a time.
const ObjectMost = 500

// Find computes findings of what is recorded; it is *library.Find.
type Find func(r *Recorded) (all []Computed, notes []string)

// Store keeps findings.
type Store interface {
	// Next computes the next objects that are due, at most limit marks, and takes their marks away. done
	// is how many marks; none: nothing is due that nobody else is at.
	Next(ctx context.Context, find Find, version string, at time.Time, limit int) (done int, err error)
	// Rules makes every object due when the findings were computed by other rules than version.
	Rules(ctx context.Context, version string, at time.Time) error
	// Mark makes one object due, or every one, and counts them.
	Mark(ctx context.Context, objectID *domain.ID, event domain.Event) (int, error)
	// State is how far an object is; version is that of the rules.
	State(ctx context.Context, objectID domain.ID, version string) (State, error)
	// List lists findings that hold, or those of an object that are gone, the gravest first; today is a day of the site's zone.
	List(ctx context.Context, f Filter, today string, q domain.PageQuery) (domain.Page[Finding], error)
	// Around lists findings that hold of an object, and of others whose emitter is part of it, the gravest
	// first.
	Around(ctx context.Context, objectID domain.ID, limit int) ([]Finding, error)
	One(ctx context.Context, id domain.ID) (*Finding, error)
	Counts(ctx context.Context, f Filter, today string) (Counts, error)
	// Accept changes a finding under lock.
	Accept(ctx context.Context, id domain.ID, version int64, change func(*Finding) error) (*Finding, error)
}

// Service keeps what endangers what.
type Service struct {
	store   Store
	library *library
	zone    *time.Location
	now     func() time.Time

	mu   sync.Mutex
	held bool // the rules were held against those of the last computation
}

// NewService makes the service. It fails when a list in the program is damaged.
func NewService(store Store, zone *time.Location, now func() time.Time) (*Service, error) {
	l, err := newLibrary()
	if err != nil {
		return nil, err
	}
	return &Service{store: store, library: l, zone: zone, now: now}, nil
}

func (s *Service) today() string { return s.now().In(s.zone).Format(time.DateOnly) }

// ready fills in what the store does not keep.
func (s *Service) ready(all []Finding) {
	today := s.now().In(s.zone)
	for i := range all {
		s.library.tell(&all[i])
		all[i].judge(today)
	}
}

// Of is what endangers what in an object.
func (s *Service) Of(ctx context.Context, by domain.Actor, objectID domain.ID) (*OfObject, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	state, err := s.store.State(ctx, objectID, s.library.version)
	if err != nil {
		return nil, err
	}
	around, err := s.store.Around(ctx, objectID, ObjectMost+1)
	if err != nil {
		return nil, err
	}
	all := &OfObject{State: state, Findings: []Finding{}, Harms: []Finding{}}
	if all.Further = len(around) > ObjectMost; all.Further {
		around = around[:ObjectMost]
	}
	s.ready(around)
	for _, f := range around {
		if f.ObjectID == objectID {
			all.Findings = append(all.Findings, f)
		} else {
			all.Harms = append(all.Harms, f)
		}
	}
	return all, nil
}

// check refuses a filter that can find nothing because of a typing error.
func (s *Service) check(f Filter) error {
	if err := domain.Validate(f); err != nil {
		return err
	}
	if f.State == Gone && f.ObjectID == nil {
		return domain.Invalid("/state", "required_with", "What no longer holds is listed for one object. Say which.")
	}
	if f.Species != "" && material.SpeciesName(f.Species) == f.Species && !slices.ContainsFunc(s.library.rules, func(r material.Interaction) bool { return r.Species == f.Species }) {
		return domain.Invalid("/species", "oneof", "The list of interactions has no such species.")
	}
	return nil
}

// List lists findings that hold, across the collection, the gravest first.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Finding], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Finding]{}, err
	}
	if err := s.check(f); err != nil {
		return domain.Page[Finding]{}, err
	}
	page, err := s.store.List(ctx, f, s.today(), q)
	if err != nil {
		return domain.Page[Finding]{}, err
	}
	s.ready(page.Items)
	return page, nil
}

// Counts counts findings that hold.
func (s *Service) Counts(ctx context.Context, by domain.Actor, f Filter) (Counts, error) {
	if err := by.May(Read); err != nil {
		return Counts{}, err
	}
	if err := s.check(f); err != nil {
		return Counts{}, err
	}
	return s.store.Counts(ctx, f, s.today())
}

// One is a finding, also one that no longer holds.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Finding, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	f, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	s.library.tell(f)
	f.judge(s.now().In(s.zone))
	return f, nil
}

// Accept accepts a finding until a day (M1).
func (s *Service) Accept(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewAcceptance) (*Finding, error) {
	if err := by.May(Answer); err != nil {
		return nil, err
	}
	at := s.now()
	f, err := s.store.Accept(ctx, id, version, func(f *Finding) error { return f.Accept(by, n, s.zone, at) })
	if err != nil {
		return nil, err
	}
	s.library.tell(f)
	f.judge(at.In(s.zone))
	return f, nil
}

// Again asks that findings be computed again.
type Again struct {
	ObjectID *domain.ID `json:"object_id"` // absent: of every object
}

// Asked is how many objects are due because somebody asked.
type Asked struct {
	Objects int `json:"objects"`
}

// Again makes one object due, or all. The job computes them.
func (s *Service) Again(ctx context.Context, by domain.Actor, a Again) (Asked, error) {
	if err := by.May(Recompute); err != nil {
		return Asked{}, err
	}
	subject := domain.ID{}
	if a.ObjectID != nil {
		subject = *a.ObjectID
	}
	event := domain.Event{At: s.now(), ActorID: &by.ID, Area: "finding", Subject: subject, Object: a.ObjectID, Kind: "asked_again", Change: a}
	n, err := s.store.Mark(ctx, a.ObjectID, event)
	return Asked{Objects: n}, err
}

// batch is how many marks are taken at a time.
const batch = 250

// Compute computes what is due, by several workers, until nothing is or until a time. Any number of
// copies of the program may do it at once. It counts the marks that it took away.
func (s *Service) Compute(ctx context.Context, workers int, until time.Time) (int, error) {
	if err := s.hold(ctx); err != nil {
		return 0, err
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	total := 0
	var failed []error
	for range max(1, workers) {
		wg.Go(func() {
			for ctx.Err() == nil && s.now().Before(until) {
				n, err := s.store.Next(ctx, s.library.Find, s.library.version, s.now(), batch)
				mu.Lock()
				total += n
				if err != nil {
					failed = append(failed, err)
				}
				mu.Unlock()
				if err != nil || n == 0 {
					return
				}
			}
		})
	}
	wg.Wait()
	return total, errors.Join(failed...)
}

// hold makes every object due, once, when this release has other rules than the last computation.
func (s *Service) hold(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.held {
		return nil
	}
	if err := s.store.Rules(ctx, s.library.version, s.now()); err != nil {
		return err
	}
	s.held = true
	return nil
}

// Species are the species of the rules with their names, to choose from, by name.
func (s *Service) Species() []material.Choice {
	var all []material.Choice
	for _, r := range s.library.rules {
		if !slices.ContainsFunc(all, func(c material.Choice) bool { return c.Key == r.Species }) {
			all = append(all, material.Choice{Key: r.Species, Name: material.SpeciesName(r.Species)})
		}
	}
	slices.SortFunc(all, func(a, b material.Choice) int { return strings.Compare(a.Name, b.Name) })
	return all
}

// Families are the families of the library, by name.
func (s *Service) Families() []string {
	var all []string
	for f := range s.library.families {
		all = append(all, f)
	}
	slices.Sort(all)
	return all
}
