package treatment

import (
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/people"
)

func rescue(hands ...domain.ID) NewEmergency {
	return NewEmergency{Imminent: "The neck ring slides off its stand.", NoticedAt: monday.Add(9 * time.Hour), Methods: []string{"support"},
		Done: Done{HappenedAt: monday.Add(9*time.Hour + 5*time.Minute), Hands: hands, Components: []domain.ID{helmet}, Minutes: 3}}
}

// source: common practice for the five working days; the check values are counted by hand on a
// calendar of February 2026.
func TestT6RatificationIsDueAfterWorkingDays(t *testing.T) {
	day := func(s string) time.Time {
		d, err := time.Parse(time.DateOnly, s)
		ok(t, err)
		return d
	}
	friday := time.Date(2026, 2, 6, 16, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		happened time.Time
		holidays []time.Time
		due      string // midnight after the last day
	}{
		{friday, nil, "2026-02-14"}, // end of Friday 13 February
		{friday, []time.Time{day("2026-02-09")}, "2026-02-17"},
		{friday, []time.Time{day("2026-02-08")}, "2026-02-14"}, // a Sunday is no working day anyway
		{time.Date(2026, 2, 7, 10, 0, 0, 0, time.UTC), nil, "2026-02-14"},
		{time.Date(2026, 2, 8, 10, 0, 0, 0, time.UTC), nil, "2026-02-14"},
		{time.Date(2026, 2, 9, 0, 0, 0, 0, time.UTC), nil, "2026-02-17"},
		{time.Date(2026, 12, 23, 12, 0, 0, 0, time.UTC), []time.Time{day("2026-12-25"), day("2027-01-01")}, "2027-01-01"},
	} {
		s := site
		s.Holidays = c.holidays
		if due := RatificationDue(c.happened, s).Format("2006-01-02T15:04"); due != c.due+"T00:00" {
			t.Errorf("%s with %v: due %s, expected %s", c.happened, c.holidays, due, c.due)
		}
	}
	e := Stabilisation{DueAt: RatificationDue(friday, site)}
	if e.PastDue(e.DueAt) || !e.PastDue(e.DueAt.Add(time.Second)) {
		t.Error("it is overdue from the second after its due time")
	}
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 29 (emergencies: report
// afterwards); least intervention: common practice.
func TestT6AnEmergencyUsesOnlyWhatSupportsAndHolds(t *testing.T) {
	n := rescue(ada.ID)
	n.Materials = []Use{{Auxiliary: "tissue"}, {MaterialKey: "polyethylene-foam"}}
	e, err := Stabilise(ada.Actor(), n, nil, bench, monday.Add(10*time.Hour))
	ok(t, err)
	if !e.Open() || e.Outcome != "" {
		t.Errorf("outcome %q", e.Outcome)
	}
	n.Materials = []Use{{MaterialKey: "acrylic-adhesive", Product: "p"}}
	_, err = Stabilise(ada.Actor(), n, nil, bench, monday.Add(10*time.Hour))
	refusal(t, err, "T6")
	n.Materials, n.Methods = nil, []string{"consolidate"}
	if err := domain.Validate(n); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("a method beyond the least: %v", err)
	}
	for _, p := range []people.Person{cy, dee, fay} {
		_, err = Stabilise(p.Actor(), rescue(ada.ID), nil, bench, monday.Add(10*time.Hour))
		refusal(t, err, "P2")
	}
}

func TestT6RatificationByWhoHadNoHandInIt(t *testing.T) {
	made := func() *Stabilisation {
		e, err := Stabilise(ada.Actor(), rescue(bo.ID), nil, bench, monday.Add(10*time.Hour))
		ok(t, err)
		return e
	}
	yes := Ratification{Outcome: Ratified, Statement: "Rightly done."}
	for _, acted := range []people.Person{ada, bo} {
		acted.Roles, acted.Departments = []domain.Role{domain.Curator, domain.Conservator}, []string{"Diving"}
		if e := refusal(t, made().Ratify(acted.Actor(), yes, nil, bench.Curators, monday), "T2"); !strings.Contains(e.Message, "Dee or Eve") {
			t.Errorf("the refusal does not say who could: %s", e.Message)
		}
	}
	elsewhere := person("Gus", domain.Curator)
	elsewhere.Departments = []string{"Textiles"}
	refusal(t, made().Ratify(elsewhere.Actor(), yes, nil, bench.Curators, monday), "T2")
	refusal(t, made().Ratify(fay.Actor(), yes, nil, bench.Curators, monday), "P2")
	refusal(t, made().Ratify(dee.Actor(), Ratification{Outcome: RatifiedWithConditions, Statement: "s"}, nil, bench.Curators, monday), "invalid")
	for _, o := range RatifyOutcomes {
		e := made()
		r := Ratification{Outcome: o, Statement: "s"}
		if o == RatifiedWithConditions {
			r.Conditions = []string{"examine within a week"}
		}
		ok(t, e.Ratify(dee.Actor(), r, nil, bench.Curators, monday))
		if e.Open() || e.PastDue(e.DueAt.AddDate(1, 0, 0)) || e.Outcome != o {
			t.Errorf("after %s: open %v", o, e.Open())
		}
		refusal(t, e.Ratify(eve.Actor(), yes, nil, bench.Curators, monday), "T6")
	}
}

func TestT6T2AnEmergencyInTheCourseOfATreatmentKeepsItsSides(t *testing.T) {
	x := worked(t)
	n := rescue(ada.ID)
	n.TreatmentID = &x.ID
	x.ObjectID = bench.Sheet.Object.ID
	e, err := Stabilise(ada.Actor(), n, x, bench, monday.Add(10*time.Hour))
	ok(t, err)
	curatorNow := bo
	curatorNow.Roles, curatorNow.Departments = []domain.Role{domain.Curator}, []string{"Diving"}
	refusal(t, e.Ratify(curatorNow.Actor(), Ratification{Outcome: Ratified, Statement: "s"}, x, bench.Curators, monday), "T2")
	ok(t, e.Ratify(eve.Actor(), Ratification{Outcome: Ratified, Statement: "s"}, x, bench.Curators, monday))
	// Eve has decided now: she lays no hand on the treatment.
	_, err = x.LogStep(ada.Actor(), step(ada.ID, eve.ID), bench, monday.Add(11*time.Hour))
	refusal(t, err, "T2")
	n.Hands = []domain.ID{dee.ID}
	_, err = Stabilise(ada.Actor(), n, x, bench, monday.Add(10*time.Hour))
	refusal(t, err, "T2")
	n.TreatmentID = nil // without the treatment the truth is recorded
	_, err = Stabilise(ada.Actor(), n, nil, bench, monday.Add(10*time.Hour))
	ok(t, err)
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 27 (report from the log,
// after-treatment view); E.C.C.O. Professional Guidelines 2003, article 10.
func TestT7ACompletionNamesAllThatIsMissingAtOnce(t *testing.T) {
	x := worked(t, NewCondition{AtCompletion, "weigh it"})
	ok(t, x.KeepReport(ada.Actor(), Report{}, bench, monday))
	e := refusal(t, x.Complete(ada.Actor(), bench, monday), "T7")
	for _, what := range []string{"a signed examination after treatment", "a photograph before and one after", "aim", "deviations", "tests", "removed", "hours",
		"handling", "display", "storage", "next check", "Bo among the people", "condition 1 (at completion): weigh it"} {
		if !slices.ContainsFunc(e.Missing, func(m string) bool { return strings.Contains(m, what) }) {
			t.Errorf("%q does not list %q", e.Missing, what)
		}
	}
	if x.State != UnderWay {
		t.Errorf("state %s", x.State)
	}
	r := fullReport(x)
	ok(t, x.KeepReport(ada.Actor(), r, bench, monday))
	ok(t, x.Complete(ada.Actor(), bench, monday))
	if x.State != Completed || len(x.Completion.Used) != 2 || x.Completion.Used[0].Batch != "B7" || x.Completion.Carried[0].Name != "Bo" {
		t.Errorf("completion %+v", x.Completion)
	}
	// Completed, it may be mended, but not undone.
	r.Deviations = ""
	refusal(t, x.KeepReport(ada.Actor(), r, bench, monday), "T7")
}

func TestT7TheAfterPhotographHasTheSameViewOrAReason(t *testing.T) {
	photo := func(stage, view string, parts ...domain.ID) PhotoRef {
		return PhotoRef{ID: domain.NewID(), Components: parts, View: view, Stage: stage, SHA256: "cc"}
	}
	for name, c := range map[string]struct {
		photos []PhotoRef
		reason string
		lacks  string
	}{
		"same view":                  {[]PhotoRef{photo("before", "front", cuff), photo("after", "front", cuff)}, "", ""},
		"one of several views":       {[]PhotoRef{photo("before", "front", cuff), photo("before", "back", cuff), photo("after", "back", cuff, helmet)}, "", ""},
		"another view":               {[]PhotoRef{photo("before", "front", cuff), photo("after", "back", cuff)}, "", "with the same view"},
		"only before":                {[]PhotoRef{photo("before", "front", cuff)}, "", "a photograph after treatment"},
		"only after":                 {[]PhotoRef{photo("after", "front", cuff)}, "", "a photograph before treatment"},
		"of another component":       {[]PhotoRef{photo("before", "front", helmet), photo("after", "front", helmet)}, "", "a photograph before and one after"},
		"of the whole object":        {[]PhotoRef{photo("before", "front"), photo("after", "front", cuff)}, "", ""},
		"without a view":             {[]PhotoRef{photo("before", "", cuff), photo("after", "", cuff)}, "", "a photograph before and one after"},
		"during is neither":          {[]PhotoRef{photo("during", "front", cuff), photo("after", "front", cuff)}, "", "a photograph before treatment"},
		"none, with a stated reason": {nil, "the camera failed; drawn instead", ""},
	} {
		x := worked(t)
		f := bench
		f.Photos = c.photos
		r := fullReport(x)
		r.Photographs = nil
		for _, p := range c.photos {
			r.Photographs = append(r.Photographs, p.ID)
		}
		r.Components[0].NoPair = c.reason
		ok(t, x.KeepReport(ada.Actor(), r, f, monday))
		err := x.Complete(ada.Actor(), f, monday)
		if c.lacks == "" {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if e := refusal(t, err, "T7"); len(e.Missing) != 1 || !strings.Contains(e.Missing[0], c.lacks) {
			t.Errorf("%s: missing %q, expected %q", name, e.Missing, c.lacks)
		}
	}
}

func TestT7AnOpenAmendmentIsSettledFirst(t *testing.T) {
	x := worked(t)
	_, err := x.Amend(ada.Actor(), whole(), bench, monday)
	ok(t, err)
	ok(t, x.KeepReport(ada.Actor(), fullReport(x), bench, monday))
	if e := refusal(t, x.Complete(ada.Actor(), bench, monday), "T7"); !strings.Contains(e.Missing[0], "amendment 1") {
		t.Errorf("missing %q", e.Missing)
	}
	ok(t, x.WithdrawAmendment(ada.Actor(), 1, Reason{"not needed"}, monday))
	ok(t, x.Complete(ada.Actor(), bench, monday))
}

func signedTreatment(t *testing.T) *Treatment {
	t.Helper()
	x := worked(t)
	ok(t, x.KeepReport(ada.Actor(), fullReport(x), bench, monday))
	ok(t, x.Complete(ada.Actor(), bench, monday))
	ok(t, x.Sign(ada.Actor(), Statement{"All true."}, bench, monday))
	return x
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 28 (permanent record);
// correction by addendum: common practice.
func TestT8NothingSignedChangesAndAnAddendumStandsBeside(t *testing.T) {
	x := signedTreatment(t)
	before := text(t, x)
	for name, err := range map[string]error{
		"rewrite":  x.Rewrite(ada.Actor(), whole(), bench, monday),
		"report":   x.KeepReport(ada.Actor(), fullReport(x), bench, monday),
		"sign":     x.Sign(ada.Actor(), Statement{}, bench, monday),
		"withdraw": x.Withdraw(ada.Actor(), Reason{"r"}, monday),
	} {
		if err == nil {
			t.Errorf("%s of a signed treatment is not refused", name)
		}
	}
	_, err := x.LogStep(ada.Actor(), step(ada.ID), bench, monday.Add(11*time.Hour))
	refusal(t, err, "T8")
	if text(t, x) != before {
		t.Error("a refused act changed the signed treatment")
	}
	a, err := x.WriteAddendum(bo.Actor(), NewAddendum{Record: "completion", Field: "hours", Old: "5", New: "6", Reason: "one note was not counted"}, monday)
	ok(t, err)
	if a.Number != 1 || len(x.AddendaTo("completion", x.ID)) != 1 || x.Completion.Hours.String() != "5" {
		t.Errorf("addendum %+v", a)
	}
	// An addendum can itself be followed by a later one.
	_, err = x.WriteAddendum(ada.Actor(), NewAddendum{Record: "completion", Field: "hours", Old: "6", New: "5.5", Reason: "counted again"}, monday)
	ok(t, err)
	_, err = x.WriteAddendum(ada.Actor(), NewAddendum{Record: "step", RecordID: domain.NewID(), Field: "note", Old: "o", New: "n", Reason: "r"}, monday)
	refusal(t, err, "invalid")
	_, err = worked(t).WriteAddendum(ada.Actor(), NewAddendum{Record: "completion", Field: "hours", Old: "5", New: "6", Reason: "r"}, monday)
	refusal(t, err, "T8")
}

func TestT8SigningCoversDeparturesAfterCompletion(t *testing.T) {
	x := worked(t)
	ok(t, x.KeepReport(ada.Actor(), fullReport(x), bench, monday))
	ok(t, x.Complete(ada.Actor(), bench, monday))
	_, err := x.RecordDeparture(ada.Actor(), departure(cy.ID), bench, monday.Add(40*time.Hour))
	ok(t, err)
	if e := refusal(t, x.Sign(ada.Actor(), Statement{}, bench, monday), "T7"); !strings.Contains(e.Missing[0], "Cy among the people") {
		t.Errorf("missing %q", e.Missing)
	}
	ok(t, x.KeepReport(ada.Actor(), fullReport(x), bench, monday))
	ok(t, x.Sign(ada.Actor(), Statement{}, bench, monday))
}

// source: E.C.C.O. Professional Guidelines 2003, article 15 (what is removed is kept where possible);
// the second authorisation is common practice of disposal.
func TestT10WhatCameAwayIsDesignatedByACuratorWhoDidNotTreat(t *testing.T) {
	x := signedTreatment(t)
	study := NewDesignation{crumb, "study", "Too small to set back."}
	curatorNow := bo
	curatorNow.Roles, curatorNow.Departments = []domain.Role{domain.Curator}, []string{"Diving"}
	_, err := x.Designate(curatorNow.Actor(), study, bench, monday)
	refusal(t, err, "T2")
	_, err = x.Designate(dee.Actor(), NewDesignation{cuff, "disposal", "r"}, bench, monday)
	refusal(t, err, "invalid") // no fragment
	_, err = x.Designate(dee.Actor(), study, bench, monday)
	ok(t, err)
	d, err := x.Designate(dee.Actor(), NewDesignation{crumb, "disposal", "Mould."}, bench, monday)
	ok(t, err)
	if !x.Designations[1].Awaiting() || x.NextMove(site)[0].Who != BySecond {
		t.Errorf("the disposal does not wait: %+v", x.NextMove(site))
	}
	_, err = x.AuthoriseDisposal(dee.Actor(), d.Number, Statement{}, monday)
	refusal(t, err, "T10") // not the same person
	registrarNow := bo
	registrarNow.Roles = []domain.Role{domain.Registrar}
	_, err = x.AuthoriseDisposal(registrarNow.Actor(), d.Number, Statement{}, monday)
	refusal(t, err, "T2")
	_, err = x.AuthoriseDisposal(ada.Actor(), d.Number, Statement{}, monday)
	refusal(t, err, "P2")
	_, err = x.AuthoriseDisposal(fay.Actor(), d.Number, Statement{"Agreed."}, monday)
	ok(t, err)
	_, err = x.AuthoriseDisposal(eve.Actor(), d.Number, Statement{}, monday)
	refusal(t, err, "T10")
	_, err = x.Designate(eve.Actor(), study, bench, monday)
	refusal(t, err, "T10") // it is gone
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 27 (variations from the plan
// are reported); that a departure is never refused is common practice of honest records.
func TestT11TheTruthIsRecordedWhateverTheRulesSay(t *testing.T) {
	x := decided(t)
	n := departure(dee.ID) // by the curator who decided, with a material of no library
	n.Materials = []Use{{Product: "Miracle paste"}}
	w, err := x.RecordDeparture(fay.Actor(), n, bench, monday.Add(11*time.Hour))
	ok(t, err)
	if len(w.Against) != 1 || !strings.Contains(w.Against[0], "Dee") || len(x.Steps) != 0 || x.State != Approved {
		t.Errorf("departure %+v, steps %d", w, len(x.Steps))
	}
	if x.party(dee.ID).Side != Deciding {
		t.Error("a departure has moved a person to the other side")
	}
	ray := person("Ray", domain.Reader)
	_, err = x.RecordDeparture(ray.Actor(), n, bench, monday.Add(11*time.Hour))
	refusal(t, err, "P2")
	_, err = signedTreatment(t).RecordDeparture(ada.Actor(), n, bench, monday.Add(11*time.Hour))
	refusal(t, err, "T8") // an addendum says it
	// A departure is part of what the completion accounts for.
	x = worked(t)
	d := departure(cy.ID)
	d.Components = []domain.ID{helmet}
	_, err = x.RecordDeparture(ada.Actor(), d, bench, monday.Add(11*time.Hour))
	ok(t, err)
	if parts := x.Treated(); len(parts) != 2 || parts[1].ID != helmet {
		t.Errorf("treated %v", parts)
	}
}

func TestNextMoveSaysWhoAndWhat(t *testing.T) {
	x := begun(t)
	check := func(who Mover, what string) {
		t.Helper()
		m := x.NextMove(site)
		if who == "" {
			if len(m) != 0 {
				t.Errorf("%s: moves %+v", x.State, m)
			}
			return
		}
		if len(m) != 1 || m[0].Who != who || !strings.Contains(m[0].What, what) {
			t.Errorf("%s: moves %+v, expected %s: %s", x.State, m, who, what)
		}
	}
	check(ByConservator, "submit")
	ok(t, x.Submit(ada.Actor(), bench, monday))
	check(ByCurator, "decide on version 1")
	_, err := x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: ApproveWithConditions, Statement: "s", Conditions: []NewCondition{{BeforeStart, "test"}}}, bench, monday)
	ok(t, err)
	check(ByConservator, "acknowledge condition 1")
	ok(t, x.Acknowledge(ada.Actor(), Acknowledgement{[]domain.ID{x.Conditions[0].ID}}, monday))
	check(ByConservator, "how it went")
	ok(t, x.Fulfil(ada.Actor(), NewFulfilment{x.Conditions[0].ID, "fulfilled", "s"}, monday))
	check(ByConservator, "begin by 2 February 2027")
	_, err = x.LogStep(ada.Actor(), step(bo.ID), bench, monday.Add(11*time.Hour))
	ok(t, err)
	check(ByConservator, "log the work")
	_, err = x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: Suspend, Statement: "s"}, bench, monday)
	ok(t, err)
	check(ByCurator, "resume")
	_, err = x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: Resume, Statement: "s"}, bench, monday)
	ok(t, err)
	ok(t, x.KeepReport(ada.Actor(), fullReport(x), bench, monday))
	ok(t, x.Complete(ada.Actor(), bench, monday))
	check(ByConservator, "sign")
	ok(t, x.Sign(ada.Actor(), Statement{}, bench, monday))
	check("", "")
}
