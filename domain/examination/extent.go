package examination

import (
	"context"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Outlines measures what is marked of an observation on photographs. KindNotFound: nothing is; KindRefused: it is, and
// nothing follows from it in millimetres (E4).
type Outlines interface {
	Extent(ctx context.Context, by domain.Actor, observationID domain.ID) (*Extent, error)
}

// TakeExtent sets the extent of an observation of a draft from its marks on photographs (E4).
func (s *Service) TakeExtent(ctx context.Context, by domain.Actor, id domain.ID, version int64, observationID domain.ID) (*Examination, error) {
	terms, err := s.terms(ctx)
	if err != nil {
		return nil, err
	}
	return s.draft(ctx, by, id, version, func(ctx context.Context, e *Examination, sheet *collection.Sheet) error {
		o := e.Observation(observationID)
		if o == nil {
			return domain.NotFound("There is no such observation in this examination.")
		}
		x, err := s.outlines.Extent(ctx, by, observationID)
		if err != nil {
			return err
		}
		f := o.Finding
		f.Extent = x
		if f.Status == Unanswered {
			f.Status = Changed
		}
		return e.Set(by, observationID, f, terms, sheet, s.now())
	})
}

// Measured is an extent of a measured figure and its standard uncertainty, in the unit of the kind. The expanded
// uncertainty (k = 2) is given with two digits and the figure to the same place.
//
// source: JCGM 100:2008 (GUM), 7.2.6
func Measured(kind ExtentKind, value, standard float64, of, basis string) *Extent {
	x := &Extent{Kind: kind, Of: of, Basis: basis}
	if kind == Count {
		x.Value = decimal.NewFromFloat(value).Round(0)
		return x
	}
	u, places := domain.TwoDigits(coverage * standard)
	x.Value, x.Uncertainty = decimal.NewFromFloat(value).Round(places), &u
	return x
}
