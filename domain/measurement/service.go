package measurement

import (
	"context"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Filter narrows a list of readings; zero values do not.
type Filter struct {
	ObjectID      *domain.ID `json:"object_id,omitempty"`
	SpotID        *domain.ID `json:"spot_id,omitempty"`
	ExaminationID *domain.ID `json:"examination_id,omitempty"`
	Quantity      Quantity   `json:"quantity,omitempty" validate:"omitempty,oneof=colour ph strip_level thickness_mm hardness_shore_a hardness_shore_d mass_g dimension_mm"`
}

// Store keeps spots and readings.
type Store interface {
	AddSpot(ctx context.Context, s *Spot) error
	Spot(ctx context.Context, id domain.ID) (*Spot, error)
	// Spots lists the spots of an object by their name, with what was read there last.
	Spots(ctx context.Context, objectID domain.ID, q domain.PageQuery) (domain.Page[Line], error)
	Add(ctx context.Context, r *Reading) error
	One(ctx context.Context, id domain.ID) (*Reading, error)
	// List lists readings, the latest first.
	List(ctx context.Context, f Filter, q domain.PageQuery) (domain.Page[Reading], error)
	// Series are the latest SeriesMost readings of a quantity at a spot, in any order, withdrawn ones too.
	Series(ctx context.Context, spotID domain.ID, q Quantity) ([]Reading, error)
	// Known is what is known of an object at a moment: of each quantity at each spot the last reading, at most SeriesMost of
	// them, by the names of the spots. References and withdrawn readings do not count, nor those of the examination
	// without.
	Known(ctx context.Context, objectID domain.ID, at Moment, without *domain.ID) ([]Known, error)
	Withdraw(ctx context.Context, r *Reading) error
}

// Objects knows the make-up of objects.
type Objects interface {
	Sheet(ctx context.Context, objectID domain.ID) (*collection.Sheet, error)
}

// Service knows what was measured.
type Service struct {
	store     Store
	objects   Objects
	handlings Handlings
	atomic    domain.Atomic
	zone      *time.Location
	now       func() time.Time
}

// NewService makes the service; zone is the site's, now is the clock.
func NewService(store Store, objects Objects, handlings Handlings, atomic domain.Atomic, zone *time.Location, now func() time.Time) *Service {
	return &Service{store: store, objects: objects, handlings: handlings, atomic: atomic, zone: zone, now: now}
}

// Name names a spot of an object to measure at.
func (s *Service) Name(ctx context.Context, by domain.Actor, objectID domain.ID, n NewSpot) (*Spot, error) {
	if err := by.May(Record); err != nil {
		return nil, err
	}
	sheet, err := s.objects.Sheet(ctx, objectID)
	if err != nil {
		return nil, err
	}
	spot, err := NewSpotOf(by, n, sheet, s.now())
	if err != nil {
		return nil, err
	}
	return spot, s.store.AddSpot(ctx, spot)
}

// Spot is a spot.
func (s *Service) Spot(ctx context.Context, by domain.Actor, id domain.ID) (*Spot, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.Spot(ctx, id)
}

// Spots lists the spots of an object.
func (s *Service) Spots(ctx context.Context, by domain.Actor, objectID domain.ID, q domain.PageQuery) (domain.Page[Line], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Line]{}, err
	}
	return s.store.Spots(ctx, objectID, q)
}

// Record keeps a reading at a spot. One with hands on the object is refused under a stop (H3), and logs its handling in
// the same act (H1); a sign that is noticed stops the object, and the reading is kept.
func (s *Service) Record(ctx context.Context, by domain.Actor, spotID domain.ID, n NewReading) (*Reading, error) {
	if err := by.May(Record); err != nil {
		return nil, err
	}
	spot, err := s.store.Spot(ctx, spotID)
	if err != nil {
		return nil, err
	}
	at := s.now()
	r, err := NewReadingAt(by, n, spot, at)
	if err != nil {
		return nil, err
	}
	if n.Hands == nil {
		return r, s.store.Add(ctx, r)
	}
	log := n.Hands.log(spot, n.MeasuredOn, s.zone, at)
	if err := domain.Validate(log); err != nil { // a slip of the pen is told before a stop is
		return nil, underHands(err)
	}
	err = s.atomic.Do(ctx, func(ctx context.Context) error {
		if err := s.handlings.Refusal(ctx, spot.ObjectID, spot.Parts()); err != nil {
			return err
		}
		event, _, err := s.handlings.Log(ctx, by, spot.ObjectID, log)
		if err != nil {
			return underHands(err)
		}
		r.HandlingID = &event.ID
		return s.store.Add(ctx, r)
	})
	if err != nil {
		return nil, err
	}
	return r, nil
}

// One is a reading.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Reading, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.One(ctx, id)
}

// List lists readings, the latest first.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Reading], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Reading]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Reading]{}, err
	}
	return s.store.List(ctx, f, q)
}

// Series is what was read of one quantity at a spot, judged.
func (s *Service) Series(ctx context.Context, by domain.Actor, spotID domain.ID, q Quantity) (*Series, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	if _, ok := known[q]; !ok {
		return nil, domain.Invalid("/quantity", "known", "Choose one of the known quantities.")
	}
	spot, err := s.store.Spot(ctx, spotID)
	if err != nil {
		return nil, err
	}
	all, err := s.store.Series(ctx, spotID, q)
	if err != nil {
		return nil, err
	}
	series := SeriesOf(*spot, q, all)
	return &series, nil
}

// Change compares two readings.
func (s *Service) Change(ctx context.Context, by domain.Actor, fromID, toID domain.ID) (*Change, error) {
	earlier, err := s.One(ctx, by, fromID)
	if err != nil {
		return nil, err
	}
	later, err := s.One(ctx, by, toID)
	if err != nil {
		return nil, err
	}
	return Compare(earlier, later)
}

// Withdraw says that a reading counts no longer, and why.
func (s *Service) Withdraw(ctx context.Context, by domain.Actor, id domain.ID, n NewWithdrawal) (*Reading, error) {
	if err := by.May(Withdraw); err != nil {
		return nil, err
	}
	r, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	if err := r.Withdraw(by, n, s.now()); err != nil {
		return nil, err
	}
	return r, s.store.Withdraw(ctx, r)
}
