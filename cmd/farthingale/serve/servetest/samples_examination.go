package servetest

import (
	"bytes"
	"net/http"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
)

// examinationSamples: an object examined twice by signed examinations, with an alarm answered and one open,
// an addendum, and two drafts: a conservator's with everything in it, and a technician's just begun.
func examinationSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	ines, ada, reader, maud, rosa := g.People[domain.Conservator], g.People[domain.Technician], g.People[domain.Reader], g.People[domain.Curator], g.People[domain.Registrar]
	must := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	picture, err := h.Photo.Upload(ctx, ines.Actor, g.Object.ID, photo.Description{View: photo.Detail, Light: photo.Normal, Stage: photo.Condition, ScalePresent: true}, "cuff.jpg", bytes.NewReader(JPEG(211)))
	must(err)
	must(h.Photo.Derive(ctx, picture.ID))
	first := h.ExaminationOf(ines, g, examination.PeriodicCheck, -400, "3")
	first, err = h.Examination.Change(ctx, ines.Actor, first.ID, first.Version, examination.Changes{PhotoIDs: &[]domain.ID{picture.ID}})
	must(err)
	cuff := g.Parts["1a"]
	first, _, err = h.Examination.Add(ctx, ines.Actor, first.ID, first.Version, examination.NewFinding{ComponentID: &cuff, Finding: examination.Finding{Term: "pitting", Severity: 4, Activity: examination.Active, Note: "White crumbs below the ring.", Cause: "Salt from the sea."}})
	must(err)
	first, _, err = h.Examination.Add(ctx, ines.Actor, first.ID, first.Version, examination.NewFinding{Finding: examination.Finding{Term: "soiling", Severity: 1, Activity: examination.Stable}})
	must(err)
	first, err = h.Examination.Sign(ctx, ines.Actor, first.ID, first.Version)
	must(err)
	first, err = h.Examination.Amend(ctx, ines.Actor, first.ID, first.Version, examination.NewAddendum{Field: "light", Old: "normal", New: "normal and raking", Reason: "left out"})
	must(err)
	first, err = h.Examination.Respond(ctx, ines.Actor, first.ID, first.Version, examination.NewAnswer{Kind: "noted", Reason: "The ring is kept dry; it is looked at again in spring."})
	must(err)

	// Begun before the second was signed, with something new in it.
	slow, err := h.Examination.Begin(ctx, ines.Actor, g.Object.ID, examination.NewExamination{Occasion: examination.Acquisition})
	must(err)
	slow, _, err = h.Examination.Add(ctx, ines.Actor, slow.ID, slow.Version, examination.NewFinding{Finding: examination.Finding{Term: "crease", Severity: 1, Activity: examination.Stable}})
	must(err)
	second := h.ExaminationOf(ines, g, examination.Incident, -30)
	second = h.answered(ines, second)
	second, err = h.Examination.Sign(ctx, ines.Actor, second.ID, second.Version)
	must(err)

	begun, err := h.Examination.Begin(ctx, ada.Actor, g.Object.ID, examination.NewExamination{Occasion: examination.PeriodicCheck})
	must(err)
	own, err := h.Examination.Begin(ctx, ines.Actor, g.Object.ID, examination.NewExamination{Occasion: examination.Survey})
	must(err)
	ready := h.Alarming(g)
	object, draft := "/objects/1968.14.2", "/examinations/"+begun.ID.String()
	return []Sample{
		{Route: "GET /objects/:number/examine", Path: object + "/examine", As: ada},
		{Route: "GET /objects/:number/examine", Path: object + "/examine?occasion=outgoing", As: ines},
		{Route: "GET /objects/:number/examinations", Path: object + "/examinations", As: reader},
		{Route: "GET /objects/:number/examinations", Path: object + "/examinations", As: ines},
		{Route: "GET /examinations/:id", Path: draft, As: ada},
		{Route: "GET /examinations/:id", Path: draft, As: ines},
		{Route: "GET /examinations/:id", Path: draft, As: rosa},
		{Route: "GET /examinations/:id", Path: "/examinations/" + slow.ID.String(), As: ines},
		{Route: "GET /examinations/:id/review", Path: "/examinations/" + own.ID.String() + "/review", As: ines},
		{Route: "GET /examinations/:id/review", Path: "/examinations/" + ready.ID.String() + "/review", As: ines},
		{Route: "GET /examinations/:id/review", Path: draft + "/review", As: ada},
		{Route: "GET /examinations/:id/review", Path: draft + "/review", As: reader},
		{Route: "GET /examinations/:id", Path: "/examinations/" + first.ID.String(), As: ines},
		{Route: "GET /examinations/:id", Path: "/examinations/" + first.ID.String(), As: reader},
		{Route: "GET /examinations/:id", Path: "/examinations/" + second.ID.String(), As: ines},
		{Route: "GET /examinations/:id", Path: "/examinations/" + second.ID.String(), As: maud},
		{Route: "GET /examinations/:id", Path: "/examinations/" + second.ID.String() + "x", As: ines, Status: http.StatusNotFound},
		{Route: "GET /examinations/:id/report.pdf", Path: "/examinations/" + first.ID.String() + "/report.pdf", As: reader, File: true},
		{Route: "GET /examinations/:id/report.pdf", Path: draft + "/report.pdf", As: ada, File: true},
		{Route: "GET /damage-terms", Path: "/damage-terms", As: reader},
		{Route: "GET /damage-terms", Path: "/damage-terms", As: ines},
		{Route: "GET /objects/:number", Path: object, As: ines},
	}
}

// ExaminationOf begins an examination of the ground's object so many days from today and answers everything
// but its observations; the parts named by their labels were not seen.
func (h *House) ExaminationOf(who Someone, g *Ground, occasion examination.Occasion, days int, unseen ...string) *examination.Examination {
	h.t.Helper()
	ctx := h.t.Context()
	e, err := h.Examination.Begin(ctx, who.Actor, g.Object.ID, examination.NewExamination{Occasion: occasion, ExaminedOn: h.Now().AddDate(0, 0, days).Format("2006-01-02")})
	if err != nil {
		h.t.Fatal(err)
	}
	no := false
	c := e.Circumstances
	c.Place, c.Light, c.Technique, c.Handles = "laboratory", []string{"normal", "raking"}, "by eye and with a loupe, 10×", &no
	hidden := map[domain.ID]bool{}
	for _, label := range unseen {
		hidden[g.Parts[label]] = true
	}
	var seen []examination.Looked
	for _, x := range e.Components {
		was := !hidden[x.ComponentID]
		l := examination.Looked{ComponentID: x.ComponentID, Seen: &was}
		if !was {
			l.Reason = "in its bag"
		}
		seen = append(seen, l)
	}
	j := examination.Judgement{Overall: examination.Unacceptable, Priority: "high", NextCheckOn: h.Now().AddDate(0, 0, days+395).Format("2006-01-02"),
		Risk: "The ring is eaten through.", Recommendation: "Keep it dry; look again in spring."}
	if e, err = h.Examination.Change(ctx, who.Actor, e.ID, e.Version, examination.Changes{Circumstances: &c, Components: &seen, Judgement: &j}); err != nil {
		h.t.Fatal(err)
	}
	return e
}

// answered answers every carried observation of a draft as it was.
func (h *House) answered(who Someone, e *examination.Examination) *examination.Examination {
	h.t.Helper()
	var n examination.Confirmation
	for _, o := range e.Observations {
		if o.Status == examination.Unanswered {
			n.ObservationIDs = append(n.ObservationIDs, o.ID)
		}
	}
	e, err := h.Examination.Confirm(h.t.Context(), who.Actor, e.ID, e.Version, n)
	if err != nil {
		h.t.Fatal(err)
	}
	return e
}

// Alarming is a draft of an object of its own that wants nothing but its signature, which raises an alarm (E5).
func (h *House) Alarming(g *Ground) *examination.Examination {
	h.t.Helper()
	ines := g.People[domain.Conservator]
	own := *g
	var err error
	if own.Object, err = h.Collection.Create(h.t.Context(), ines.Actor, collection.NewObject{ObjectFacts: collection.ObjectFacts{
		Number: "1990." + domain.NewID().String()[24:], Title: "Wrist gauge", LegalStatus: "accessioned", Department: Department}}); err != nil {
		h.t.Fatal(err)
	}
	e := h.ExaminationOf(ines, &own, examination.PeriodicCheck, 0)
	if e, _, err = h.Examination.Add(h.t.Context(), ines.Actor, e.ID, e.Version, examination.NewFinding{Finding: examination.Finding{Term: "rust", Severity: 4, Activity: examination.Active}}); err != nil {
		h.t.Fatal(err)
	}
	return e
}
