package servetest

import (
	"context"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/treatment"
)

// Proposed is a proposal that lacks nothing: the left cuff ring consolidated.
func (h *House) Proposed(g *Ground) treatment.Proposal {
	hours, most, least := decimal.NewFromInt(6), decimal.NewFromInt(5), decimal.NewFromInt(2)
	option := func(method string) treatment.Option {
		return treatment.Option{Method: method, Benefit: "The loss stops.", RiskToObject: "Gloss.", RiskToPeople: "Vapour of ethanol.", Significance: "None.", Reversibility: "Partly.", Retreatable: "Yes."}
	}
	rests := h.lastExamined(g)
	return treatment.Proposal{
		Title:   "Consolidate the seal of the left cuff ring",
		RestsOn: treatment.StatedCondition{ExaminationID: &rests, Text: "Cracks along the fold.\nPowder below."},
		Reasons: "The seal loses powder at every touch.", Aims: []string{"remedial"}, Options: []treatment.Option{option("no treatment"), option("consolidation")},
		Scope: []treatment.ScopeLine{{ComponentID: g.Parts["1a"], AndItsParts: true, Method: "consolidation", Materials: []treatment.ScopeMaterial{
			{MaterialKey: "acrylic-adhesive", Role: "consolidant", Solvent: "ethanol", Least: &least, Most: &most, Unit: "percent_w_v"}}}},
		Why: "It holds without filling.", SafeBecause: "Tested on a loose crumb.", Final: "What has soaked in stays.",
		Tests: []treatment.Test{{What: "spot on the inside", PassWhen: "no gloss after a day"}}, Hours: &hours, Begins: "2026-02", Ends: "2026-03",
		Photographs: []treatment.PlannedView{{View: "detail", Stages: []string{"before", "after"}}}, Removed: "nothing",
	}
}

// lastExamined is the last signed examination of the object; the first is made when it is asked for.
func (h *House) lastExamined(g *Ground) domain.ID {
	h.t.Helper()
	by := g.People[domain.Conservator].Actor
	last, err := h.Examination.Latest(h.t.Context(), by, g.Object.ID)
	if domain.KindOf(err) == domain.KindNotFound {
		last, err = h.Examine(by, g.Object.ID, Look{Occasion: examination.BeforeTreatment}), nil
	}
	if err != nil {
		h.t.Fatal(err)
	}
	return last.ID
}

// treatmentSamples: a treatment in each of its states, with an amendment, a departure, an emergency and
// a fragment, for the conservator, the curator and a reader.
func treatmentSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	ines, maud, rosa, reader := g.People[domain.Conservator], g.People[domain.Curator], g.People[domain.Registrar], g.People[domain.Reader]
	must := func(t *treatment.Treatment, err error) *treatment.Treatment {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
		return t
	}
	done := func(part string) treatment.Done { return h.done(g, part) }
	begin := func() *treatment.Treatment {
		return must(h.Treatment.Begin(ctx, ines.Actor, g.Object.ID, h.Proposed(g)))
	}
	decide := func(t *treatment.Treatment, n treatment.NewDecision) *treatment.Treatment {
		h.t.Helper()
		return h.decided(ctx, g, t, n)
	}
	draft := begin()
	waiting := begin()
	waiting = must(h.Treatment.Submit(ctx, ines.Actor, waiting.ID, waiting.Version))
	conditioned := decide(begin(), treatment.NewDecision{Outcome: treatment.ApproveWithConditions, Conditions: []treatment.NewCondition{
		{Binds: treatment.BeforeStart, Text: "test on the inside"}, {Binds: treatment.During, Text: "ventilate"}}})
	declined := decide(begin(), treatment.NewDecision{Outcome: treatment.Decline})

	working := decide(begin(), treatment.NewDecision{Outcome: treatment.Approve})
	working = must(h.Treatment.LogStep(ctx, ines.Actor, working.ID, working.Version, treatment.NewStep{Done: done("1a"), Method: "consolidation"}))
	away := done("1a")
	away.CameAway = []treatment.NewCameAway{{FromID: g.Parts["1a"], Name: "Crumb of the seal", Where: "below the ring", Belongs: "certain", KeptAt: "bag 1"}}
	working = must(h.Treatment.RecordDeparture(ctx, ines.Actor, working.ID, working.Version, treatment.NewDeparture{Done: away, What: "acetone instead of ethanol", Why: "the bottle was mistaken"}))
	working = must(h.Treatment.Amend(ctx, ines.Actor, working.ID, working.Version, treatment.Proposal{Title: "More hours", Reasons: "It is slow.", Waste: "One more jar."}))
	working = must(h.Treatment.SubmitAmendment(ctx, ines.Actor, working.ID, working.Version, 1))
	working = must(h.Treatment.Amend(ctx, ines.Actor, working.ID, working.Version, treatment.Proposal{Title: "Fill a loss"}))
	emergency, err := h.Treatment.Stabilise(ctx, ines.Actor, g.Object.ID, treatment.NewEmergency{TreatmentID: &working.ID, Imminent: "The ring slid.", NoticedAt: h.Now().Add(-time.Minute), Methods: []string{"support"},
		Done: treatment.Done{HappenedAt: h.Now(), Hands: []domain.ID{ines.ID}, Components: []domain.ID{g.Parts["1a"]}, Minutes: 5, Controls: "kept"}})
	if err != nil {
		h.t.Fatal(err)
	}
	notices, err := h.Agenda.Mine(ctx, rosa.Actor, true, domain.PageQuery{})
	if err != nil {
		h.t.Fatal(err)
	}
	for _, n := range notices.Items { // that of the emergency; the samples of the agenda have their own
		if n.SubjectID == emergency.ID {
			if _, err := h.Agenda.Read(ctx, rosa.Actor, n.ID); err != nil {
				h.t.Fatal(err)
			}
		}
	}
	working = must(h.Treatment.One(ctx, ines.Actor, working.ID))
	fragment := working.Departures[0].CameAway[0].Part.ID
	working = must(h.Treatment.Designate(ctx, maud.Actor, working.ID, working.Version, treatment.NewDesignation{ComponentID: fragment, Designation: "disposal", Reason: "Mould."}))

	signed := h.signedTreatment(ctx, g, decide(begin(), shownAtTheEnd), done("1a"))

	at := func(t *treatment.Treatment) string { return "/treatments/" + t.ID.String() }
	page, object := "GET /treatments/:id", "/objects/1968.14.2"
	return []Sample{
		{Route: "GET /treatments", Path: "/treatments", As: ines},
		{Route: "GET /treatments", Path: "/treatments?state=declined&mine=true", As: reader},
		{Route: page, Path: at(draft), As: ines}, {Route: page, Path: at(draft), As: reader},
		{Route: page, Path: at(waiting), As: maud}, {Route: page, Path: at(waiting), As: ines},
		{Route: page, Path: at(conditioned), As: ines}, {Route: page, Path: at(conditioned), As: maud},
		{Route: page, Path: at(declined), As: ines},
		{Route: page, Path: at(working), As: ines}, {Route: page, Path: at(working), As: maud}, {Route: page, Path: at(working), As: rosa}, {Route: page, Path: at(working), As: reader},
		{Route: page, Path: at(signed), As: ines}, {Route: page, Path: at(signed), As: maud}, {Route: page, Path: at(signed), As: reader},
		{Route: "GET /objects/:number/treatments/new", Path: object + "/treatments/new", As: ines},
		{Route: "GET /objects/:number/treatments/new", Path: object + "/treatments/new?from=" + signed.ID.String(), As: ines},
		{Route: "GET /treatments/:id/edit", Path: at(draft) + "/edit", As: ines},
		{Route: "GET /treatments/:id/amendments/new", Path: at(working) + "/amendments/new", As: ines},
		{Route: "GET /treatments/:id/amendments/:n/edit", Path: at(working) + "/amendments/2/edit", As: ines},
		{Route: "GET /treatments/:id/steps/new", Path: at(working) + "/steps/new", As: ines},
		{Route: "GET /treatments/:id/departures/new", Path: at(working) + "/departures/new", As: ines},
		{Route: "GET /treatments/:id/departures/new", Path: at(working) + "/departures/new", As: rosa},
		{Route: "GET /treatments/:id/completion", Path: at(working) + "/completion", As: ines},
		{Route: "GET /treatments/:id/addenda/new", Path: at(signed) + "/addenda/new?record=completion", As: ines},
		{Route: "GET /treatments/:id/addenda/new", Path: at(signed) + "/addenda/new", As: maud},
		{Route: "GET /material-uses", Path: "/material-uses", As: reader},
		{Route: "GET /material-uses", Path: "/material-uses?batch=b-7", As: ines},
		{Route: "GET /objects/:number/emergency", Path: object + "/emergency", As: ines},
		{Route: "GET /emergencies", Path: "/emergencies", As: reader},
		{Route: "GET /emergencies/:id", Path: "/emergencies/" + emergency.ID.String(), As: ines},
		{Route: "GET /emergencies/:id", Path: "/emergencies/" + emergency.ID.String(), As: maud},
	}
}

// signedTreatment carries an approved treatment to its signature and two addenda.
func (h *House) signedTreatment(ctx context.Context, g *Ground, t *treatment.Treatment, done treatment.Done) *treatment.Treatment {
	h.t.Helper()
	return h.finish(ctx, g, t, done, 7)
}

// finish takes the first steps of the way of an approved treatment with one condition: it acknowledges,
// works, reports, completes, signs, and writes two addenda.
func (h *House) finish(ctx context.Context, g *Ground, t *treatment.Treatment, done treatment.Done, steps int) *treatment.Treatment {
	h.t.Helper()
	by, hours := g.People[domain.Conservator].Actor, decimal.NewFromInt(2)
	condition := t.Conditions[0].ID
	acts := []func() (*treatment.Treatment, error){
		func() (*treatment.Treatment, error) {
			return h.Treatment.Acknowledge(ctx, by, t.ID, t.Version, treatment.Acknowledgement{Conditions: []domain.ID{condition}})
		},
		func() (*treatment.Treatment, error) {
			return h.Treatment.LogStep(ctx, by, t.ID, t.Version, treatment.NewStep{Done: done, Method: "consolidation"})
		},
		func() (*treatment.Treatment, error) {
			after := h.Examine(by, g.Object.ID, Look{Occasion: examination.AfterTreatment, For: &t.ID}).ID
			return h.Treatment.KeepReport(ctx, by, t.ID, t.Version, treatment.Report{ExaminationID: &after, AimReached: "Yes.", Deviations: "none", TestResults: "No gloss.", Removed: "nothing", Hours: &hours,
				Components: []treatment.ComponentAfter{{ComponentID: g.Parts["1a"], Condition: "firm", NoPair: "the camera failed"}}, People: []domain.ID{by.ID},
				Answers:  []treatment.Answer{{ConditionID: condition, Met: "not_met", Because: "nobody was there"}},
				Handling: "Lift from below.", Display: "Lying.", Storage: "Cool.", NextCheck: h.Now().AddDate(0, 6, 0).Format(time.DateOnly)})
		},
		func() (*treatment.Treatment, error) { return h.Treatment.Complete(ctx, by, t.ID, t.Version) },
		func() (*treatment.Treatment, error) {
			return h.Treatment.Sign(ctx, by, t.ID, t.Version, treatment.Statement{Statement: "All true."})
		},
		func() (*treatment.Treatment, error) {
			return h.Treatment.WriteAddendum(ctx, by, t.ID, t.Version, treatment.NewAddendum{Record: "completion", Field: "hours", Old: "2", New: "3", Reason: "One note was not counted."})
		},
		func() (*treatment.Treatment, error) {
			return h.Treatment.WriteAddendum(ctx, by, t.ID, t.Version, treatment.NewAddendum{Record: "step", RecordID: t.Steps[0].ID, Field: "batch", Old: "B-7", New: "B-8", Reason: "Misread."})
		},
	}
	for _, act := range acts[:steps] {
		next, err := act()
		if err != nil {
			h.t.Fatal(err)
		}
		t = next
	}
	return t
}

// shownAtTheEnd approves with one condition.
var shownAtTheEnd = treatment.NewDecision{Outcome: treatment.ApproveWithConditions, Conditions: []treatment.NewCondition{{Binds: treatment.AtCompletion, Text: "show me"}}}

// done is work inside the scope of Proposed.
func (h *House) done(g *Ground, part string) treatment.Done {
	three := decimal.NewFromInt(3)
	return treatment.Done{HappenedAt: h.Now(), Hands: []domain.ID{g.People[domain.Conservator].ID}, Components: []domain.ID{g.Parts[part]}, Minutes: 20, Note: "Brushed on.", Controls: "kept",
		Materials: []treatment.Use{{MaterialKey: "acrylic-adhesive", Product: "Resin 72", Batch: "B-7", Concentration: &three, Unit: "percent_w_v", Solvent: "ethanol"}}}
}

// decided submits a draft and decides on it.
func (h *House) decided(ctx context.Context, g *Ground, t *treatment.Treatment, n treatment.NewDecision) *treatment.Treatment {
	h.t.Helper()
	t, err := h.Treatment.Submit(ctx, g.People[domain.Conservator].Actor, t.ID, t.Version)
	if err != nil {
		h.t.Fatal(err)
	}
	n.Version, n.Statement = 1, "Go on, with care."
	if t, err = h.Treatment.Decide(ctx, g.People[domain.Curator].Actor, t.ID, t.Version, 0, n); err != nil {
		h.t.Fatal(err)
	}
	return t
}

// treatmentsOnTheirWay brings treatments to the stages that the samples of the pages leave out: under
// way with and without a report and an amendment that lacks nothing, and completed.
func treatmentsOnTheirWay(h *House, g *Ground) (samples []Sample) {
	h.t.Helper()
	ctx, by := h.t.Context(), g.People[domain.Conservator].Actor
	for _, steps := range []int{4, 3, 2} {
		t, err := h.Treatment.Begin(ctx, by, g.Object.ID, h.Proposed(g))
		if err != nil {
			h.t.Fatal(err)
		}
		t = h.finish(ctx, g, h.decided(ctx, g, t, shownAtTheEnd), h.done(g, "1a"), steps)
		if steps == 2 {
			if _, err := h.Treatment.Amend(ctx, by, t.ID, t.Version, treatment.Proposal{Title: "More hours", Reasons: "It is slow.", Waste: "One more jar."}); err != nil {
				h.t.Fatal(err)
			}
		}
		samples = append(samples, Sample{Route: "GET /treatments/:id", Path: "/treatments/" + t.ID.String(), As: g.People[domain.Conservator]})
	}
	return samples
}

// Completed is a treatment that was proposed, approved, carried out and completed, and waits to be signed
// by the conservator.
func (h *House) Completed(g *Ground) *treatment.Treatment {
	h.t.Helper()
	ctx := h.t.Context()
	t, err := h.Treatment.Begin(ctx, g.People[domain.Conservator].Actor, g.Object.ID, h.Proposed(g))
	if err != nil {
		h.t.Fatal(err)
	}
	return h.finish(ctx, g, h.decided(ctx, g, t, shownAtTheEnd), h.done(g, "1a"), 4)
}
