package serve

import (
	"context"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/postgres"
)

// examining puts together what keeps examinations.
func (h *House) examining(db *postgres.DB, s Settings) {
	h.Examination = examination.NewService(postgres.NewExaminations(db), h.Collection, h.Handling, h.Agenda, h.Record, outlines{h.Photo}, db, s.Site.Zone, s.Now)
	h.Record.Register(examination.SealKind, h.Examination.Sealed)
	h.Record.Register(examination.AddendumSealKind, h.Examination.SealedAddendum)
}

// outlines measures the marks of observations.
type outlines struct{ photos *photo.Service }

func (o outlines) Extent(ctx context.Context, by domain.Actor, observationID domain.ID) (*examination.Extent, error) {
	m, err := o.photos.Measured(ctx, by, observationID)
	if err != nil {
		return nil, err
	}
	kind := examination.ExtentKind(m.Of)
	switch {
	case kind == examination.Count:
		return examination.Measured(kind, float64(m.Count), 0, "", m.Basis), nil
	case m.MM != nil:
		return examination.Measured(kind, m.MM.Value, m.MM.Plus, "", m.Basis), nil
	case kind == examination.Area && m.Percent != nil:
		return examination.Measured(examination.Percent, m.Percent.Value, m.Percent.Plus, "photograph", m.Basis+" without a scale"), nil
	}
	return nil, domain.Refuse("E4", "The photograph has no scale yet, so nothing follows in millimetres. Set its scale first: two points on the scale bar and its length.")
}
