package examination

import (
	"context"

	"farthingale/domain"
)

// CompareEach compares each of some examinations with the signed one of its object before it (E2), in a number of
// statements that does not depend on how many there are. One that has none before it is left out.
func (s *Service) CompareEach(ctx context.Context, by domain.Actor, ids []domain.ID) (map[domain.ID]*Comparison, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	earlier, err := s.store.Earlier(ctx, ids)
	if err != nil {
		return nil, err
	}
	var both []domain.ID
	for id, before := range earlier {
		both = append(both, id, before)
	}
	read, err := s.store.Some(ctx, both)
	if err != nil {
		return nil, err
	}
	begun, err := s.store.Begun(ctx, both...)
	if err != nil {
		return nil, err
	}
	all := map[domain.ID]*Comparison{}
	for id, before := range earlier {
		if a, b := read[before], read[id]; a != nil && b != nil {
			c := Compare(a.visibleTo(by), b.visibleTo(by), begun)
			all[id] = &c
		}
	}
	return all, nil
}
