package servetest

import (
	"fmt"
	"net/http"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/incident"
	"farthingale/domain/loan"
)

// incidentSamples: the incident of a loan that came in with a tear, of which the borrower and the insurer were told.
func incidentSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	ines, maud, rosa, reader := g.People[domain.Conservator], g.People[domain.Curator], g.People[domain.Registrar], g.People[domain.Reader]
	all, err := h.Incident.List(ctx, rosa.Actor, incident.Filter{}, domain.PageQuery{})
	if err != nil || len(all.Items) == 0 {
		h.t.Fatalf("the loans opened %d incidents, %v", len(all.Items), err)
	}
	of := all.Items[0]
	for k, n := range []incident.NewAnswer{{Kind: incident.BorrowerTold, Text: "By letter of today."}, {Kind: incident.InsurerTold, Text: "With both examinations."}} {
		if _, err := h.Incident.Answer(ctx, rosa.Actor, of.ID, int64(k+1), n); err != nil {
			h.t.Fatal(err)
		}
	}
	samples := []Sample{
		{Route: "GET /incidents", Path: "/incidents", As: ines},
		{Route: "GET /incidents", Path: "/incidents?state=answered", As: reader},
		{Route: "GET /incidents", Path: "/incidents?state=all", As: maud},
		{Route: "GET /incidents", Path: "/incidents?state=lost", As: reader, Status: http.StatusUnprocessableEntity},
		{Route: "GET /objects/:number", Path: "/objects/" + of.ObjectNumber, As: ines},
	}
	for _, who := range []Someone{ines, maud, rosa, reader} {
		samples = append(samples, Sample{Route: "GET /incidents/:id", Path: "/incidents/" + of.ID.String(), As: who})
	}
	return samples
}

// Arriving is a loan of an object of its own that was dispatched and examined on arrival, where a tear was found, and
// the hand-over that it waits for.
func (h *House) Arriving(g *Ground, n int) (*loan.Loan, loan.NewHandOver) {
	h.t.Helper()
	ctx := h.t.Context()
	l := &lender{h: h, g: g}
	number := fmt.Sprintf("1978.4.%d", n+1)
	if _, err := h.Collection.Create(ctx, l.by(domain.Conservator), collection.NewObject{ObjectFacts: collection.ObjectFacts{
		Number: number, Title: "Float coat", LegalStatus: "accessioned", Department: Department}}); err != nil {
		h.t.Fatal(err)
	}
	l.open(number)
	l.issued()
	l.prepared()
	place := l.outside(fmt.Sprintf("AV%d", n))
	l.must(h.Loan.Dispatch(ctx, l.by(domain.Registrar), l.x.ID, l.x.Version, l.handing(place)))
	h.Examine(l.by(domain.Conservator), l.x.Lines[0].ObjectID, Look{Occasion: examination.Arrival, LoanID: &l.x.ID, Found: []examination.NewFinding{
		{Finding: examination.Finding{Term: "tear", Severity: 2, Activity: examination.Stable, Status: examination.New, Note: "8 mm at the hem."}}}})
	return l.x, l.handing(place)
}
