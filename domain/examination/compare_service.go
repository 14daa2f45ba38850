package examination

import (
	"context"

	"farthingale/domain"
)

// Compare puts two examinations of an object side by side, the earlier first whichever is named first (E2). With
// neither named it takes the two that were signed last; with one, that one and the one before it.
func (s *Service) Compare(ctx context.Context, by domain.Actor, objectID domain.ID, a, b *domain.ID) (*Comparison, error) {
	before, after, err := s.Pair(ctx, by, objectID, a, b)
	if err != nil {
		return nil, err
	}
	return s.CompareThese(ctx, by, before, after)
}

// CompareThese puts two examinations of one object side by side that were read already, the earlier first.
func (s *Service) CompareThese(ctx context.Context, by domain.Actor, before, after *Examination) (*Comparison, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	begun, err := s.store.Begun(ctx, before.ID, after.ID)
	if err != nil {
		return nil, err
	}
	c := Compare(before, after, begun)
	return &c, nil
}

// Pair reads the two examinations that Compare compares.
func (s *Service) Pair(ctx context.Context, by domain.Actor, objectID domain.ID, a, b *domain.ID) (before, after *Examination, err error) {
	if err := by.May(Read); err != nil {
		return nil, nil, err
	}
	if a == nil {
		a, b = b, nil
	}
	if b == nil {
		ids, err := s.store.Before(ctx, objectID, a)
		if err != nil {
			return nil, nil, err
		}
		if len(ids) < 2 {
			return nil, nil, &domain.Error{Kind: domain.KindConflict, Code: "one_examination", Message: "There are not two examinations to compare yet. Sign one now and another at the next check."}
		}
		a, b = &ids[1], &ids[0]
	}
	if *a == *b {
		return nil, nil, domain.Invalid("/b", "same", "Choose two different examinations.")
	}
	for _, side := range []struct {
		id   domain.ID
		at   string
		into **Examination
	}{{*a, "/a", &before}, {*b, "/b", &after}} {
		e, err := s.store.One(ctx, side.id)
		if domain.KindOf(err) == domain.KindNotFound || err == nil && e.ObjectID != objectID {
			return nil, nil, domain.Invalid(side.at, "examination", "This is no examination of this object.")
		}
		if err != nil {
			return nil, nil, err
		}
		*side.into = e.visibleTo(by)
	}
	if later(before, after) {
		before, after = after, before
	}
	return before, after, nil
}

// later says whether a comes after b: by the day of the look, then a draft after what is signed, then by signing.
func later(a, b *Examination) bool {
	switch {
	case a.ExaminedOn != b.ExaminedOn:
		return a.ExaminedOn > b.ExaminedOn
	case (a.SignedAt == nil) != (b.SignedAt == nil):
		return a.SignedAt == nil
	case a.SignedAt == nil:
		return a.CreatedAt.After(b.CreatedAt)
	}
	return a.SignedAt.After(*b.SignedAt)
}
