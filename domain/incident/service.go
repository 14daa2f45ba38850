package incident

import (
	"context"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// Filter narrows the list of incidents; zero values do not.
type Filter struct {
	State    string     `json:"state,omitempty" validate:"omitempty,oneof=open answered"`
	ObjectID *domain.ID `json:"object_id,omitempty"`
	LoanID   *domain.ID `json:"loan_id,omitempty"`
}

// Store keeps incidents.
type Store interface {
	// Add writes incidents that were opened.
	Add(ctx context.Context, all []*Incident) error
	// Update changes an incident under lock, and writes the answers that are new.
	Update(ctx context.Context, id domain.ID, version int64, change func(i *Incident) error) (*Incident, error)
	One(ctx context.Context, id domain.ID) (*Incident, error)
	// List lists incidents, the latest opened first.
	List(ctx context.Context, f Filter, q domain.PageQuery) (domain.Page[Line], error)
}

// Notices tells people what they must hear of at once, in the caller's transaction.
type Notices interface {
	Notify(ctx context.Context, n agenda.Notice) error
}

// Service knows the incidents.
type Service struct {
	store   Store
	notices Notices
	now     func() time.Time
}

// NewService makes the service; now is the clock.
func NewService(store Store, notices Notices, now func() time.Time) *Service {
	return &Service{store: store, notices: notices, now: now}
}

// Open opens incidents in the transaction that ctx carries, and tells of them. It is called by other areas, whose act
// finds them; nobody opens one by hand.
func (s *Service) Open(ctx context.Context, by domain.Actor, found ...Opening) error {
	if len(found) == 0 {
		return nil
	}
	at := s.now()
	all := make([]*Incident, len(found))
	for k, o := range found {
		var err error
		if all[k], err = open(by, o, at); err != nil {
			return err
		}
	}
	if err := s.store.Add(ctx, all); err != nil {
		return err
	}
	for _, i := range all {
		if err := s.notices.Notify(ctx, i.notice()); err != nil {
			return err
		}
	}
	return nil
}

// One is an incident.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Incident, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	i, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	return i.seen(by), nil
}

// List lists incidents, the latest opened first.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Line], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Line]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Line]{}, err
	}
	return s.store.List(ctx, f, q)
}

// Answer says what was done about an incident.
func (s *Service) Answer(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewAnswer) (*Incident, error) {
	if err := by.May(Respond); err != nil {
		return nil, err
	}
	i, err := s.store.Update(ctx, id, version, func(i *Incident) error { return i.Answer(by, n, s.now()) })
	if err != nil {
		return nil, err
	}
	return i.seen(by), nil
}
