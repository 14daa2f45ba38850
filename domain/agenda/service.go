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

// Waiting reads what waits of one kind for a person, the most urgent first, and one item more than most, so
// that it is known whether there are further ones. It returns nothing for whom it does not concern.
type Waiting struct {
	Kind  string // snake_case: "stops_in_force"
	Title string
	For   func(ctx context.Context, by domain.Actor, at time.Time, most int) ([]Item, error)
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

// Today is what waits for somebody, at most so many items of a kind. A section with nothing in it is left
// out.
func (s *Service) Today(ctx context.Context, by domain.Actor, most int) ([]Section, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	all, at := make([]Section, len(s.waiting)), s.now()
	err := domain.Together(ctx, len(all), func(i int) (err error) {
		all[i], err = s.waiting[i].section(ctx, by, at, most)
		return err
	})
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(all, func(section Section) bool { return len(section.Items) == 0 }), nil
}

// Due is what waits for somebody of one kind, at most DueMost items.
func (s *Service) Due(ctx context.Context, by domain.Actor, kind string) (Section, error) {
	if err := by.May(Look); err != nil {
		return Section{}, err
	}
	for _, w := range s.waiting {
		if w.Kind == kind {
			return w.section(ctx, by, s.now(), DueMost)
		}
	}
	return Section{}, &domain.Error{Kind: domain.KindNotFound, Code: "not_found", Message: "Nothing of this kind ever waits for anybody. Look at Today, which lists what does."}
}

func (w Waiting) section(ctx context.Context, by domain.Actor, at time.Time, most int) (Section, error) {
	items, err := w.For(ctx, by, at, most)
	if err != nil {
		return Section{}, fmt.Errorf("read what waits (%s): %w", w.Kind, err)
	}
	section := Section{Kind: w.Kind, Title: w.Title, Items: items, More: len(items) > most}
	if section.More {
		section.Items = items[:most]
	}
	if section.Items == nil {
		section.Items = []Item{}
	}
	return section, nil
}
