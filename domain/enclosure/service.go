package enclosure

import (
	"context"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
)

// Filter narrows a list of enclosures; zero values do not.
type Filter struct {
	Words    string     `json:"q,omitempty" validate:"max=200"` // in the label
	ObjectID *domain.ID `json:"object_id,omitempty"`            // in which this object or a part of it lies
	PlaceID  *domain.ID `json:"place_id,omitempty"`
	Kind     Form       `json:"kind,omitempty" validate:"omitempty,oneof=glove boot hood garment bag box cupboard case room other"`
	Closed   bool       `json:"closed,omitempty"` // closed ones too
}

// Line is an enclosure in a list.
type Line struct {
	ID              domain.ID  `json:"id"`
	Label           string     `json:"label"`
	Kind            Form       `json:"kind"`
	Spaces          []Kept     `json:"spaces"`
	Members         []Member   `json:"members"` // the first ones
	MemberCount     int        `json:"member_count"`
	Recommendations int        `json:"open_recommendations"`
	ClosedAt        *time.Time `json:"closed_at,omitempty"`
	ChangedAt       time.Time  `json:"changed_at"`
	Folded          string     `json:"-"`
}

// RecommendationFilter narrows a list of recommendations.
type RecommendationFilter struct {
	EnclosureID *domain.ID `json:"enclosure_id,omitempty"`
	ObjectID    *domain.ID `json:"object_id,omitempty"`
	State       string     `json:"state,omitempty" validate:"omitempty,oneof=open done withdrawn"`
}

// Called is an object, or a component of it, by number and label.
type Called struct{ Number, Label string }

// Store keeps enclosures, tracer measurements and recommendations.
type Store interface {
	Add(ctx context.Context, e *Enclosure) error
	// Update changes an enclosure under lock; t, when the change gives one, is a measurement to keep.
	Update(ctx context.Context, id domain.ID, version int64, change func(e *Enclosure) (t *Tracer, err error)) (*Enclosure, error)
	One(ctx context.Context, id domain.ID) (*Enclosure, error)
	List(ctx context.Context, f Filter, hidden bool, q domain.PageQuery) (domain.Page[Line], error)
	// Hidden says whether a place is sensitive (P3).
	Hidden(ctx context.Context, placeID domain.ID) (bool, error)
	// Find finds objects and components; those that are not there are left out.
	Find(ctx context.Context, called []Called) (map[Called]Member, error)
	Tracers(ctx context.Context, enclosureID domain.ID) ([]Tracer, error)

	AddRecommendation(ctx context.Context, r *Recommendation) error
	Recommendation(ctx context.Context, id domain.ID) (*Recommendation, error)
	Recommendations(ctx context.Context, f RecommendationFilter, q domain.PageQuery) (domain.Page[Recommendation], error)
	EndRecommendation(ctx context.Context, r *Recommendation) error
}

// Service knows the enclosures of the museum.
type Service struct {
	store    Store
	defaults []Default
	now      func() time.Time
}

// NewService makes the service; now is the clock. It fails when the lists of the program are damaged.
func NewService(store Store, now func() time.Time) (*Service, error) {
	defaults, err := Defaults()
	if err != nil {
		return nil, err
	}
	if _, err := Limits(); err != nil {
		return nil, err
	}
	return &Service{store: store, defaults: defaults, now: now}, nil
}

// Defaults are the published figures that an enclosure can begin from.
func (s *Service) Defaults() []Default { return s.defaults }

// Add describes a new enclosure.
func (s *Service) Add(ctx context.Context, by domain.Actor, f Facts) (*Enclosure, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	if err := s.mayName(ctx, by, f.PlaceID); err != nil {
		return nil, err
	}
	e, err := Make(by, f, s.now())
	if err != nil {
		return nil, err
	}
	if err := s.store.Add(ctx, e); err != nil {
		return nil, err
	}
	return s.One(ctx, by, e.ID)
}

// mayName refuses a place that the person does not know of (P3).
func (s *Service) mayName(ctx context.Context, by domain.Actor, place *domain.ID) error {
	if place == nil {
		return nil
	}
	hidden, err := s.store.Hidden(ctx, *place)
	if domain.KindOf(err) == domain.KindNotFound || err == nil && hidden && !by.MaySeeValues("") {
		return domain.Invalid("/place_id", "known", "There is no such place.")
	}
	return err
}

// Change describes an enclosure anew.
func (s *Service) Change(ctx context.Context, by domain.Actor, id domain.ID, version int64, f Facts) (*Enclosure, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	if err := s.mayName(ctx, by, f.PlaceID); err != nil {
		return nil, err
	}
	return s.update(ctx, by, id, version, func(e *Enclosure) (*Tracer, error) { return nil, e.Change(by, f, s.now()) })
}

// Close ends an enclosure.
func (s *Service) Close(ctx context.Context, by domain.Actor, id domain.ID, version int64, n Ended) (*Enclosure, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	return s.update(ctx, by, id, version, func(e *Enclosure) (*Tracer, error) { return nil, e.Close(by, n, s.now()) })
}

func (s *Service) update(ctx context.Context, by domain.Actor, id domain.ID, version int64, change func(e *Enclosure) (*Tracer, error)) (*Enclosure, error) {
	e, err := s.store.Update(ctx, id, version, change)
	if err != nil {
		return nil, err
	}
	return e.visibleTo(by), nil
}

// One is an enclosure.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Enclosure, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	e, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	return e.visibleTo(by), nil
}

// List lists enclosures by their label.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Line], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Line]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Line]{}, err
	}
	return s.store.List(ctx, f, by.MaySeeValues(""), q)
}

// Levels are the steady levels of an enclosure, held against the limits for so many years of exposure
// (0: YearsDefault), and the version that they were computed for.
func (s *Service) Levels(ctx context.Context, by domain.Actor, id domain.ID, years float64) (Levels, int64, error) {
	e, err := s.One(ctx, by, id)
	if err != nil {
		return Levels{}, 0, err
	}
	l, err := e.Levels(years)
	return l, e.Version, err
}

// Levels is Service.Levels of an enclosure that was read already.
func (e *Enclosure) Levels(years float64) (Levels, error) {
	years, err := yearsOf(years)
	if err != nil {
		return Levels{}, err
	}
	return e.Network.levels(years)
}

// Ask answers what changes would do. Nothing is kept.
func (s *Service) Ask(ctx context.Context, by domain.Actor, id domain.ID, q Question) (Answer, error) {
	e, err := s.One(ctx, by, id)
	if err != nil {
		return Answer{}, err
	}
	return e.Network.Ask(q)
}

// Measure keeps a tracer measurement with its fit.
func (s *Service) Measure(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewTracer) (*Enclosure, *Tracer, error) {
	if err := by.May(Keep); err != nil {
		return nil, nil, err
	}
	var t *Tracer
	e, err := s.update(ctx, by, id, version, func(e *Enclosure) (made *Tracer, err error) {
		t, err = e.Measure(by, n, s.now())
		return t, err
	})
	return e, t, err
}

// Tracers are the measurements of an enclosure, the latest first.
func (s *Service) Tracers(ctx context.Context, by domain.Actor, id domain.ID) ([]Tracer, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	all, err := s.store.Tracers(ctx, id)
	if err == nil && len(all) == 0 {
		_, err = s.store.One(ctx, id) // is there such an enclosure?
	}
	return all, err
}

// Recommend keeps what changes would do as a recommendation for an object.
func (s *Service) Recommend(ctx context.Context, by domain.Actor, id domain.ID, n NewRecommendation) (*Recommendation, error) {
	if err := by.May(Recommend); err != nil {
		return nil, err
	}
	e, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	r, err := e.Recommend(by, n, s.now())
	if err != nil {
		return nil, err
	}
	return r, s.store.AddRecommendation(ctx, r)
}

// Recommendation is one recommendation.
func (s *Service) Recommendation(ctx context.Context, by domain.Actor, id domain.ID) (*Recommendation, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.Recommendation(ctx, id)
}

// Recommendations lists recommendations, the latest first.
func (s *Service) Recommendations(ctx context.Context, by domain.Actor, f RecommendationFilter, q domain.PageQuery) (domain.Page[Recommendation], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Recommendation]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Recommendation]{}, err
	}
	return s.store.Recommendations(ctx, f, q)
}

// Finish says that a recommendation was carried out, or withdraws it.
func (s *Service) Finish(ctx context.Context, by domain.Actor, id domain.ID, n NewEnd) (*Recommendation, error) {
	if err := by.May(Recommend); err != nil {
		return nil, err
	}
	r, err := s.store.Recommendation(ctx, id)
	if err != nil {
		return nil, err
	}
	if err := r.Finish(by, n, s.now()); err != nil {
		return nil, err
	}
	return r, s.store.EndRecommendation(ctx, r)
}

// Find finds what people call "1968.14.2" (an object) or "1968.14.2.1a" (a component of it). A text that
// names nothing gives no member.
func (s *Service) Find(ctx context.Context, by domain.Actor, names []string) ([]*Member, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	var asked []Called
	readings := make([][]Called, len(names))
	for i, name := range names {
		name = strings.TrimSpace(name)
		if !domain.CleanText(name) || len(name) > 300 {
			continue
		}
		readings[i] = append(readings[i], Called{Number: name})
		for at, r := range name {
			if r == '.' && at > 0 && at < len(name)-1 {
				readings[i] = append(readings[i], Called{name[:at], name[at+1:]})
			}
		}
		asked = append(asked, readings[i]...)
	}
	found, err := s.store.Find(ctx, asked)
	if err != nil {
		return nil, err
	}
	members := make([]*Member, len(names))
	for i, all := range readings {
		at := slices.IndexFunc(all, func(c Called) bool { _, ok := found[c]; return ok })
		if at >= 0 {
			m := found[all[at]]
			members[i] = &m
		}
	}
	return members, nil
}
