package agenda

import (
	"context"
	"fmt"
	"slices"
	"time"

	"farthingale/domain"
)

// Store keeps notices and who has read them.
type Store interface {
	// Add writes a notice and its readers, in the transaction that ctx carries.
	Add(ctx context.Context, id domain.ID, n Notice) error
	// Mine lists a person's notices, the newest first; unread: only those not read yet.
	Mine(ctx context.Context, personID domain.ID, unread bool, q domain.PageQuery) (domain.Page[Line], error)
	// Read notes that a person has read a notice; a second time changes nothing. A notice that was not
	// given to the person is not found.
	Read(ctx context.Context, personID, id domain.ID, at time.Time) (Line, error)
}

// Waiting reads what waits of one kind for a person, at most SectionMost + 1 items, the most urgent
// first. It returns nothing for whom it does not concern.
type Waiting struct {
	Kind  string // snake_case: "stops_in_force"
	Title string
	For   func(ctx context.Context, by domain.Actor, at time.Time) ([]Item, error)
}

// Service knows what is due for whom.
type Service struct {
	store   Store
	waiting []Waiting
	now     func() time.Time
}

// NewService makes the service; waiting are the sections in the order in which they are shown.
func NewService(store Store, now func() time.Time, waiting ...Waiting) *Service {
	return &Service{store: store, waiting: waiting, now: now}
}

// Notify gives a notice to everybody whom it concerns, in the transaction that ctx carries. It is
// called by other areas, whose act decides who must hear; nobody gives notices by hand.
func (s *Service) Notify(ctx context.Context, n Notice) error {
	if err := domain.Validate(n); err != nil {
		return fmt.Errorf("give a notice of %s: %w", n.Area, err)
	}
	if len(n.Roles) == 0 && len(n.People) == 0 {
		return fmt.Errorf("give a notice of %s %s: it says nobody who must hear it", n.Area, n.Subject)
	}
	for _, r := range n.Roles {
		if !slices.Contains(domain.Roles, r) {
			return fmt.Errorf("give a notice of %s: there is no role %q", n.Area, r)
		}
	}
	return s.store.Add(ctx, domain.NewID(), n)
}

// Mine lists one's own notices, the newest first.
func (s *Service) Mine(ctx context.Context, by domain.Actor, unread bool, q domain.PageQuery) (domain.Page[Line], error) {
	if err := by.May(Look); err != nil {
		return domain.Page[Line]{}, err
	}
	return s.store.Mine(ctx, by.ID, unread, q)
}

// Read notes that one has read a notice.
func (s *Service) Read(ctx context.Context, by domain.Actor, id domain.ID) (Line, error) {
	if err := by.May(Taken); err != nil {
		return Line{}, err
	}
	return s.store.Read(ctx, by.ID, id, s.now())
}

// Today is what waits for somebody. A section with nothing in it is left out.
func (s *Service) Today(ctx context.Context, by domain.Actor) ([]Section, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	sections, at := []Section{}, s.now()
	for _, w := range s.waiting {
		items, err := w.For(ctx, by, at)
		if err != nil {
			return nil, fmt.Errorf("read what waits (%s): %w", w.Kind, err)
		}
		if len(items) == 0 {
			continue
		}
		section := Section{Kind: w.Kind, Title: w.Title, Items: items}
		if len(items) > SectionMost {
			section.Items, section.More = items[:SectionMost], true
		}
		sections = append(sections, section)
	}
	return sections, nil
}
