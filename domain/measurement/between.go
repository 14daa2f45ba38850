package measurement

import (
	"context"

	"farthingale/domain"
)

// Moment is an examination at which readings count: those that were made for it, and what was read last by its
// day.
type Moment struct {
	ExaminationID domain.ID
	On            string // day
}

// Known is what a spot was last known to be at a moment.
type Known struct {
	Reading
	SpotName  string
	Component string // ".1a Cuff ring, left"; empty: on the object as a whole
}

// Pair is what was known of one quantity at one spot at two moments (rule E2). Before is nil when it was not read by
// then, After when nothing was read since. Change is nil without both; Refused says why both cannot be compared.
type Pair struct {
	SpotID    domain.ID `json:"spot_id"`
	SpotName  string    `json:"spot_name"`
	Component string    `json:"component,omitempty"`
	Quantity  Quantity  `json:"quantity"`
	Before    *Reading  `json:"before,omitempty"`
	After     *Reading  `json:"after,omitempty"`
	Change    *Change   `json:"change,omitempty"`
	Refused   string    `json:"refused,omitempty"`
}

// Proven says that the change is larger than its uncertainty.
func (p *Pair) Proven() bool { return p.Change != nil && p.Change.Proven }

// Says is what came of it, in a sentence.
func (p *Pair) Says() string {
	switch {
	case p.Change != nil:
		return p.Change.Said
	case p.Before == nil:
		return "Read for the first time."
	case p.After == nil:
		return "Not read since."
	}
	return p.Refused
}

// PairsOf puts what was known at two moments side by side, in the order of the later and then of what was read
// before only. A reading that is the last at both was not repeated.
func PairsOf(before, after []Known) []Pair {
	type place struct {
		spot     domain.ID
		quantity Quantity
	}
	of := func(k *Known) place { return place{k.SpotID, k.Quantity} }
	pairs, at := []Pair{}, map[place]int{}
	add := func(k *Known) *Pair {
		if i, ok := at[of(k)]; ok {
			return &pairs[i]
		}
		at[of(k)] = len(pairs)
		pairs = append(pairs, Pair{SpotID: k.SpotID, SpotName: k.SpotName, Component: k.Component, Quantity: k.Quantity})
		return &pairs[len(pairs)-1]
	}
	for i := range after {
		add(&after[i]).After = &after[i].Reading
	}
	for i := range before {
		p := add(&before[i])
		p.Before = &before[i].Reading
		switch {
		case p.After != nil && p.After.ID == p.Before.ID:
			p.After = nil
		case p.After != nil:
			p.Change, p.Refused = compared(p.Before, p.After)
		}
	}
	return pairs
}

// Between says of every quantity at every spot of an object how it changed from one moment to a later one.
func (s *Service) Between(ctx context.Context, by domain.Actor, objectID domain.ID, before, after Moment) ([]Pair, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	earlier, err := s.store.Known(ctx, objectID, before, &after.ExaminationID)
	if err != nil {
		return nil, err
	}
	later, err := s.store.Known(ctx, objectID, after, nil)
	if err != nil {
		return nil, err
	}
	return PairsOf(earlier, later), nil
}
