package servetest

import (
	"net/http"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/investigation"
)

// investigationSamples: a question with a plan, a consent granted and one that waits, a sample with and one
// without consent, and a finding; one that is only asked; one that was given up.
func investigationSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	must := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	ines, maud, reader := g.People[domain.Conservator], g.People[domain.Curator], g.People[domain.Reader]
	glove, today := g.Parts["3"], h.Now().UTC().Format(time.DateOnly)
	i, err := h.Investigation.Ask(ctx, ines.Actor, g.Object.ID, investigation.NewQuestion{ComponentID: &glove, Question: "Of what is the glove's coat?", Why: "Whether it may be wetted."})
	must(err)
	i, err = h.Investigation.Plan(ctx, ines.Actor, i.ID, i.Version, investigation.NewPlan{Techniques: []string{"ftir-reflection", "ftir-sample"}, ComponentIDs: []domain.ID{glove}, Who: "Ines Falkenberg", PlannedFor: today})
	must(err)
	for _, technique := range []string{"ftir-sample", "surface-ph"} {
		i, err = h.Investigation.AskConsent(ctx, ines.Actor, i.ID, i.Version, investigation.NewConsent{Technique: technique, Reason: "Reflection gave no match.", Analyst: "The laboratory of the university.",
			Sites: []investigation.Site{{ComponentID: glove, Place: "Inside the cuff, at the seam.", Size: "1 mm", Count: 2}}})
		must(err)
	}
	i, err = h.Investigation.Decide(ctx, maud.Actor, i.ID, i.Version, 1, investigation.NewConsentDecision{Granted: true, Statement: "Inside the cuff only."})
	must(err)
	sample := investigation.NewSample{Technique: "ftir-sample", ComponentID: glove, Site: "Inside the cuff.", Size: "0.8 mm", TakenOn: today, TakenBy: "Ines Falkenberg",
		Remainder: investigation.NewRemainder{State: "kept", Amount: "half of it", Where: "sample box 2"}}
	i, err = h.Investigation.Sample(ctx, ines.Actor, i.ID, i.Version, sample)
	must(err)
	sample.Technique, sample.Explanation = "xrd", "It fell off while the glove was turned."
	i, err = h.Investigation.Sample(ctx, ines.Actor, i.ID, i.Version, sample)
	must(err)
	key := "acrylic-adhesive"
	i, err = h.Investigation.Record(ctx, ines.Actor, i.ID, i.Version, investigation.NewFinding{Technique: "ftir-sample", SampleID: &i.Samples[0].ID, Found: "Bands at 1730 and 1150.", Proves: "The coat is acrylic.",
		Limits: "One spot of one glove.", Instrument: "Spectrometer of the laboratory", DoneOn: today, DoneBy: "Ines Falkenberg", Files: []investigation.File{{Name: "glove.spc", SHA256: strings.Repeat("0a", 32), Where: "drive of the laboratory"}},
		Identifies: &investigation.Identification{MaterialKey: &key, Role: "coating", Confidence: "probable"}})
	must(err)
	only, err := h.Investigation.Ask(ctx, maud.Actor, g.Object.ID, investigation.NewQuestion{Question: "When was the zip replaced?"})
	must(err)
	past, err := h.Investigation.Ask(ctx, ines.Actor, g.Object.ID, investigation.NewQuestion{Question: "Is there a maker's label under the patch?"})
	must(err)
	past, err = h.Investigation.Finish(ctx, ines.Actor, past.ID, past.Version, investigation.NewEnd{Outcome: investigation.GivenUp, Text: "The patch stays."})
	must(err)
	at := func(i *investigation.Investigation) string { return "/investigations/" + i.ID.String() }
	return []Sample{
		{Route: "GET /investigations", Path: "/investigations", As: ines},
		{Route: "GET /investigations", Path: "/investigations?state=all&q=glove&consent_waiting=true", As: reader},
		{Route: "GET /investigations", Path: "/investigations?state=lost", As: reader, Status: http.StatusUnprocessableEntity},
		{Route: "GET /objects/:number/ask", Path: "/objects/1968.14.2/ask", As: maud},
		{Route: "GET /investigations/:id", Path: at(i), As: ines},
		{Route: "GET /investigations/:id", Path: at(i), As: maud},
		{Route: "GET /investigations/:id", Path: at(only), As: reader},
		{Route: "GET /investigations/:id", Path: at(past), As: ines},
		{Route: "GET /investigations/:id/plan", Path: at(i) + "/plan", As: ines},
		{Route: "GET /investigations/:id/consent", Path: at(only) + "/consent", As: ines},
		{Route: "GET /investigations/:id/sample", Path: at(i) + "/sample", As: ines},
		{Route: "GET /investigations/:id/finding", Path: at(i) + "/finding", As: ines},
		{Route: "GET /investigations/:id/finding", Path: at(past) + "/finding", As: ines, Status: http.StatusConflict},
		{Route: "GET /", Path: "/", As: maud},
	}
}
