package servetest

import (
	"net/http"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/finding"
	"farthingale/domain/material"
)

// findingSamples: an object with findings of every severity, one of them accepted, one gone, and one of what
// is not identified.
func findingSamples(h *House, g *Ground) []Sample {
	h.t.Helper()
	all := h.Findings(g)
	ines, reader := g.People[domain.Conservator], g.People[domain.Reader]
	first := all.Findings[0]
	accepted, err := h.Finding.Accept(h.t.Context(), ines.Actor, first.ID, first.Version, finding.NewAcceptance{Reason: "Aired every week until the new mount is there.", Until: h.Now().AddDate(0, 1, 0).Format(time.DateOnly)})
	if err != nil {
		h.t.Fatal(err)
	}
	day := h.Now().AddDate(0, -2, 0).Format(time.DateOnly)
	ph, strip := decimal.RequireFromString("7.4"), decimal.RequireFromString("1.5")
	for _, n := range []material.NewTest{
		{Kind: material.AcceleratedCorrosion, Product: "Board 3", Batch: "B7", TestedOn: day, TestedBy: "Hugo Beck", Method: "28 days at 60 °C", Silver: material.Permanent, Copper: material.Permanent, Lead: material.Temporary},
		{Kind: material.PH, Product: "Board 3", Batch: "B7", TestedOn: day, ValidUntil: day, TestedBy: "Hugo Beck", PH: &ph, ColourBleeds: true},
		{Kind: material.IndicatorStrip, Product: "Board 3", Batch: "B7", TestedOn: day, TestedBy: "Hugo Beck", StripLevel: &strip, Note: "Left for a day."},
	} {
		if _, err := h.Material.AddTest(h.t.Context(), g.People[domain.MountMaker].Actor, "plywood", n); err != nil {
			h.t.Fatal(err)
		}
	}
	open := findingPath(all.Findings[1].ID)
	return []Sample{
		{Route: "GET /findings", Path: "/findings", As: ines},
		{Route: "GET /findings", Path: "/findings?species=hcl&emitter=rubber-chlorinated&receptor=aluminium&severity=3&state=open", As: reader},
		{Route: "GET /findings", Path: "/findings?rule=identify-first", As: reader},
		{Route: "GET /findings", Path: "/findings?object=1968.14.2&state=accepted", As: ines},
		{Route: "GET /findings", Path: "/findings?object=1900.1.1", As: ines, Status: http.StatusNotFound},
		{Route: "GET /findings", Path: "/findings?object=1968.14.2&state=gone", As: reader},
		{Route: "GET /findings", Path: "/findings?severity=4", As: ines, Status: http.StatusUnprocessableEntity},
		{Route: "GET /findings/:id", Path: findingPath(accepted.ID), As: ines},
		{Route: "GET /findings/:id", Path: findingPath(accepted.ID), As: reader},
		{Route: "GET /findings/:id", Path: open, As: ines},
		{Route: "GET /objects/:number", Path: "/objects/1968.14.2", As: ines},
		{Route: "GET /objects/:number", Path: "/objects/1968.14.2", As: reader},
		{Route: "GET /", Path: "/", As: ines},
		{Route: "GET /materials/:key", Path: "/materials/plywood", As: ines},
		{Route: "GET /materials/:key", Path: "/materials/polyester-film", As: reader},
	}
}

func findingPath(id domain.ID) string { return "/findings/" + id.String() }

// Findings identifies more of the ground's materials, computes the findings, and gives those of its
// object.
func (h *House) Findings(g *Ground) *finding.OfObject {
	h.t.Helper()
	by := g.People[domain.Conservator].Actor
	for label, key := range map[string]string{"1a": "anodised-aluminium", "1b": "anodised-aluminium", "3": "polychloroprene"} {
		if _, err := h.Collection.Identify(h.t.Context(), by, g.Parts[label], collection.NewIdentification{MaterialKey: &key, Role: "body", IdentifiedBy: "sight", Confidence: "possible"}); err != nil {
			h.t.Fatal(err)
		}
	}
	h.Compute()
	all, err := h.Finding.Of(h.t.Context(), by, g.Object.ID)
	if err != nil {
		h.t.Fatal(err)
	}
	if len(all.Findings) < 2 {
		h.t.Fatalf("too few findings: %+v", all)
	}
	return all
}

// Compute computes all findings that are due, as the job does.
func (h *House) Compute() {
	h.t.Helper()
	if _, err := h.Finding.Compute(h.t.Context(), 1, h.Now().Add(time.Minute)); err != nil {
		h.t.Fatal(err)
	}
}
