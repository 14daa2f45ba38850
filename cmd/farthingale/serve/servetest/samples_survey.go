package servetest

import (
	"net/http"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/survey"
)

// surveySamples: a survey of which one object is assessed, one missed and one waits; a divided one that is
// not begun.
func surveySamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	must := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	ines, reader := g.People[domain.Conservator], g.People[domain.Reader]
	for _, number := range []string{"1977.3.1", "1977.3.2", "1977.3.3"} {
		_, err := h.Collection.Create(ctx, ines.Actor, collection.NewObject{ObjectFacts: collection.ObjectFacts{Number: number, Title: "Mask", Kind: "surveyed masks", LegalStatus: "accessioned", Department: Department}})
		must(err)
	}
	masks, err := h.Survey.Begin(ctx, ines.Actor, survey.NewSurvey{Title: "The masks", Purpose: "How many need work soon?", Scheme: survey.Scheme{Population: survey.Population{Kind: "surveyed masks"}}, Seed: "sample"})
	must(err)
	items, err := h.Survey.Items(ctx, ines.Actor, masks.ID, false, domain.PageQuery{})
	must(err)
	_, err = h.Survey.Assess(ctx, ines.Actor, masks.ID, items.Items[0].ObjectID, survey.Assessment{ExaminedOn: h.Now().UTC().Format(time.DateOnly), Place: "Store, shelf 4", Overall: examination.Poor, Priority: "high",
		Note: "The skirt is tacky.", NextCheckOn: h.Now().UTC().AddDate(1, 0, 0).Format(time.DateOnly), PartsSeen: true})
	must(err)
	_, err = h.Survey.Miss(ctx, ines.Actor, masks.ID, items.Items[1].ObjectID, survey.Miss{Reason: "On loan."})
	must(err)
	divided, err := h.Survey.Begin(ctx, ines.Actor, survey.NewSurvey{Title: "All by kind", Scheme: survey.Scheme{DividedBy: "kind"}})
	must(err)
	at := func(x *survey.Survey) string { return "/surveys/" + x.ID.String() }
	return []Sample{
		{Route: "GET /surveys", Path: "/surveys", As: ines},
		{Route: "GET /surveys", Path: "/surveys", As: reader},
		{Route: "GET /surveys/new", Path: "/surveys/new", As: ines},
		{Route: "GET /surveys/:id", Path: at(masks), As: ines},
		{Route: "GET /surveys/:id", Path: at(divided) + "?open=true", As: reader},
		{Route: "GET /surveys/:id/table.csv", Path: at(masks) + "/table.csv", As: reader, File: true},
		{Route: "GET /surveys/:id/objects/:object", Path: at(masks) + "/objects/" + items.Items[2].ObjectID.String(), As: ines},
		{Route: "GET /surveys/:id/objects/:object", Path: at(masks) + "/objects/" + items.Items[0].ObjectID.String(), As: ines, Status: http.StatusConflict},
	}
}
