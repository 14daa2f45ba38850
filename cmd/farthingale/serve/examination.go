package serve

import (
	"farthingale/domain/examination"
	"farthingale/postgres"
)

// examining puts together what keeps examinations.
func (h *House) examining(db *postgres.DB, s Settings) {
	h.Examination = examination.NewService(postgres.NewExaminations(db), h.Collection, h.Handling, h.Agenda, h.Record, db, s.Site.Zone, s.Now)
	h.Record.Register(examination.SealKind, h.Examination.Sealed)
	h.Record.Register(examination.AddendumSealKind, h.Examination.SealedAddendum)
}
