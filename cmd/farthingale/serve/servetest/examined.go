package servetest

import (
	"time"

	"farthingale/domain"
	"farthingale/domain/examination"
)

// Look is an examination as a test wants it signed: all parts seen, without touching, in normal light.
type Look struct {
	Occasion examination.Occasion // empty: a periodic check
	DaysAgo  int
	Overall  examination.Grade // empty: fair
	LoanID   *domain.ID
	For      *domain.ID // a treatment
	Photos   []domain.ID
	Found    []examination.NewFinding
	// Answer answers what is carried forward; nil: all as it was.
	Answer func(o examination.Observation) examination.Finding
}

// Examine signs an examination of an object.
func (h *House) Examine(by domain.Actor, objectID domain.ID, l Look) *examination.Examination {
	h.t.Helper()
	ctx := h.t.Context()
	must := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	if l.Occasion == "" {
		l.Occasion = examination.PeriodicCheck
	}
	if l.Overall == "" {
		l.Overall = examination.Fair
	}
	day := h.Now().AddDate(0, 0, -l.DaysAgo).Format(time.DateOnly)
	e, err := h.Examination.Begin(ctx, by, objectID, examination.NewExamination{Occasion: l.Occasion, ExaminedOn: day, LoanID: l.LoanID, TreatmentID: l.For})
	must(err)
	yes, no := true, false
	seen := e.Looks()
	for i := range seen {
		seen[i].Seen = &yes
	}
	reason := "Seen as a whole."
	if l.Overall == examination.Unacceptable {
		reason = ""
	}
	e, err = h.Examination.Change(ctx, by, e.ID, e.Version, examination.Changes{
		Circumstances: &examination.Circumstances{Occasion: l.Occasion, ExaminedOn: day, Place: "laboratory table", Light: []string{"normal"}, Technique: "By eye and with a lens.", Handles: &no},
		Components:    &seen, PhotoIDs: &l.Photos,
		Judgement: &examination.Judgement{Overall: l.Overall, OverallReason: reason, Priority: "low", NextCheckOn: h.Now().AddDate(1, 0, 0).Format(time.DateOnly)}})
	must(err)
	for _, o := range e.Observations {
		d := o.Finding
		d.Status = examination.Confirmed
		if l.Answer != nil {
			d = l.Answer(o)
		}
		e, err = h.Examination.Set(ctx, by, e.ID, e.Version, o.ID, d)
		must(err)
	}
	for _, d := range l.Found {
		e, _, err = h.Examination.Add(ctx, by, e.ID, e.Version, d)
		must(err)
	}
	e, err = h.Examination.Sign(ctx, by, e.ID, e.Version)
	must(err)
	return e
}
