package photo

import (
	"context"
	"encoding/json"
	"time"

	"farthingale/domain"
	"farthingale/domain/photo/align"
	"farthingale/domain/photo/mark"
)

// Alignment lays a later photograph of an object over an earlier one, by points that a person found on both. It
// is never changed; another one takes its place.
type Alignment struct {
	ID       domain.ID   `json:"id"`
	BeforeID domain.ID   `json:"before_id"`
	AfterID  domain.ID   `json:"after_id"`
	Kind     align.Kind  `json:"kind"`
	Ties     []align.Tie `json:"ties"`
	By       domain.ID   `json:"by"`
	ByName   string      `json:"by_name"`
	At       time.Time   `json:"at"`
	// Fit follows from the ties; it is computed when read.
	Fit align.Fit `json:"fit" db:"-"`

	domain.Raised `json:"-" db:"-"`
}

// NewAlignment is what a person says about how two photographs lie over each other.
type NewAlignment struct {
	AfterID domain.ID    `json:"after_id" validate:"required"`
	Kind    align.Kind   `json:"kind" validate:"required,oneof=similarity affine"`
	Ties    []EnteredTie `json:"ties" validate:"required,min=2,max=4,dive"`
}

// EnteredTie is a pair of points as it is entered; a point that is missing is no corner.
type EnteredTie struct {
	Before *mark.Point `json:"before" validate:"required"`
	After  *mark.Point `json:"after" validate:"required"`
}

// Entered are pairs of points as somebody would enter them.
func Entered(ties ...align.Tie) []EnteredTie {
	all := make([]EnteredTie, len(ties))
	for i, t := range ties {
		all[i] = EnteredTie{&t.Before, &t.After}
	}
	return all
}

// pairs are what was entered, once it is known to be whole.
func (n NewAlignment) pairs() []align.Tie {
	all := make([]align.Tie, len(n.Ties))
	for i, t := range n.Ties {
		all[i] = align.Tie{Before: *t.Before, After: *t.After}
	}
	return all
}

// Alignments keeps how photographs lie over each other.
type Alignments interface {
	AddAlignment(ctx context.Context, a *Alignment) error
	// Alignments reads the last alignment of each of these pairs of photographs that has one; a pair is the
	// earlier and the later.
	Alignments(ctx context.Context, pairs [][2]domain.ID) ([]Alignment, error)
}

// TryAlignment says how the later photograph would lie on the earlier one, and keeps nothing.
func (s *Service) TryAlignment(ctx context.Context, by domain.Actor, beforeID domain.ID, n NewAlignment) (align.Fit, error) {
	_, fit, err := s.fit(ctx, by, Look, beforeID, n)
	return fit, err
}

// Align keeps how the later photograph of an object lies on an earlier one. Both must be of one object.
func (s *Service) Align(ctx context.Context, by domain.Actor, beforeID domain.ID, n NewAlignment) (*Alignment, error) {
	before, fit, err := s.fit(ctx, by, Keep, beforeID, n)
	if err != nil {
		return nil, err
	}
	a := &Alignment{ID: domain.NewID(), BeforeID: beforeID, AfterID: n.AfterID, Kind: n.Kind, Ties: n.pairs(), By: by.ID, ByName: by.Name, At: s.now(), Fit: fit}
	a.Raise(domain.Event{At: a.At, ActorID: &by.ID, Area: "photo", Subject: beforeID, Object: &before.ObjectID, Kind: "aligned",
		Change: map[string]any{"after": n.AfterID, "kind": n.Kind, "ties": a.Ties}})
	if err := s.store.AddAlignment(ctx, a); err != nil {
		return nil, err
	}
	return a, nil
}

func (s *Service) fit(ctx context.Context, by domain.Actor, act domain.Act, beforeID domain.ID, n NewAlignment) (before *Photo, fit align.Fit, err error) {
	if err := by.May(act); err != nil {
		return nil, fit, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, fit, err
	}
	if before, err = s.store.One(ctx, beforeID); err != nil {
		return nil, fit, err
	}
	after, err := s.store.One(ctx, n.AfterID)
	if domain.KindOf(err) == domain.KindNotFound {
		return nil, fit, domain.Invalid("/after_id", "photo", "There is no such photograph.")
	}
	if err != nil {
		return nil, fit, err
	}
	if before.ID == after.ID || before.ObjectID != after.ObjectID {
		return nil, fit, domain.Invalid("/after_id", "photo", "Take another photograph of the same object.")
	}
	fit, err = align.Of(n.Kind, n.pairs(), before.MarkSize(), after.MarkSize())
	return before, fit, err
}

// Alignments are how each of these pairs of an earlier and a later photograph lies over each other, for those of
// which somebody said so.
func (s *Service) Alignments(ctx context.Context, by domain.Actor, pairs [][2]domain.ID) (map[[2]domain.ID]Alignment, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	kept, err := s.store.Alignments(ctx, pairs)
	if err != nil {
		return nil, err
	}
	all := map[[2]domain.ID]Alignment{}
	for _, a := range kept {
		all[[2]domain.ID{a.BeforeID, a.AfterID}] = a
	}
	return all, nil
}

// Alignment is how a later photograph lies on an earlier one; KindNotFound when nobody said so yet.
func (s *Service) Alignment(ctx context.Context, by domain.Actor, beforeID, afterID domain.ID) (*Alignment, error) {
	pair := [2]domain.ID{beforeID, afterID}
	all, err := s.Alignments(ctx, by, [][2]domain.ID{pair})
	if err != nil {
		return nil, err
	}
	a, ok := all[pair]
	if !ok {
		return nil, domain.NotFound("Nobody has laid these two photographs over each other yet.")
	}
	return &a, nil
}

// Refit computes the fit from the ties of a kept alignment, whose pictures have these sizes.
func (a *Alignment) Refit(before, after mark.Size) error {
	var err error
	a.Fit, err = align.Of(a.Kind, a.Ties, before, after)
	return err
}

// MarshalJSON writes a fit as people need it: a matrix as SVG has it, and how good it is.
func (a Alignment) MarshalJSON() ([]byte, error) {
	type plain Alignment
	return json.Marshal(struct {
		plain
		Fit fitted `json:"fit"`
	}{plain(a), fitted{[6]float64{a.Fit.A, a.Fit.B, a.Fit.C, a.Fit.D, a.Fit.E, a.Fit.F}, a.Fit.Scale(), a.Fit.TurnDegrees(), a.Fit.ResidualsPX, a.Fit.RMSPX, a.Fit.Spare}})
}

type fitted struct {
	Matrix      [6]float64 `json:"matrix"`
	Scale       float64    `json:"scale"`
	TurnDegrees float64    `json:"turn_degrees"`
	ResidualsPX []float64  `json:"residuals_px"`
	RMSPX       float64    `json:"rms_px"`
	Spare       int        `json:"spare_equations"`
}
