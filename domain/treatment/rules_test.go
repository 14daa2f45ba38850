package treatment

import (
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/people"
)

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 26 (deviations need a new
// approval); the comparison by component, method and material is common practice.
func TestT1AStepIsInsideTheScopeOrRefusedWhole(t *testing.T) {
	resin := func(change func(*Use)) Use {
		u := step().Materials[0]
		change(&u)
		return u
	}
	narrow := whole()
	narrow.Scope = append(narrow.Scope,
		ScopeLine{ComponentID: helmet, Method: "surface cleaning, dry", Materials: []ScopeMaterial{}},
		ScopeLine{ComponentID: suit, Method: "filling", Materials: []ScopeMaterial{{MaterialKey: "animal-glue", Product: "Pearl glue"}, {MaterialKey: "acrylic-adhesive"}}})
	lines := make([]ApprovedLine, len(narrow.Scope))
	for i, l := range narrow.Scope {
		lines[i] = ApprovedLine{ScopeLine: l}
	}
	same := func(*Use) {}
	for name, c := range map[string]struct {
		method     string
		components []domain.ID
		uses       []Use
		outside    []string
	}{
		"as approved":                      {"consolidation", []domain.ID{cuff}, []Use{resin(same)}, nil},
		"a part of the approved component": {"consolidation", []domain.ID{seal}, []Use{resin(same)}, nil},
		"the method in other letters":      {" Consolidation ", []domain.ID{cuff}, []Use{resin(same)}, nil},
		"the whole of an approved part":    {"consolidation", []domain.ID{suit}, nil, []string{"method 'consolidation' on 1968.14.2.1 suit"}},
		"a part without 'and its parts'":   {"filling", []domain.ID{cuff}, nil, []string{"method 'filling' on 1968.14.2.1a cuff"}},
		"a component nobody named":         {"consolidation", []domain.ID{crumb}, nil, []string{"component 1968.14.2.3 crumb"}},
		"another batch":                    {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Batch = "B8" })}, nil},
		"another product, not narrowed":    {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Product = "Other" })}, nil},
		"the product, narrowed":            {"filling", []domain.ID{suit}, []Use{{MaterialKey: "animal-glue", Name: "animal glue", Product: "pearl  glue"}}, nil},
		"another product, narrowed":        {"filling", []domain.ID{suit}, []Use{{MaterialKey: "animal-glue", Name: "animal glue", Product: "Bone glue"}}, []string{"product 'Bone glue' (approved: 'Pearl glue') of animal glue"}},
		"any concentration, not narrowed":  {"filling", []domain.ID{suit}, []Use{resin(func(u *Use) { u.Concentration = dec("40") })}, nil},
		"another solvent":                  {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Solvent = "acetone" })}, []string{"solvent 'acetone' (approved: 'ethanol')"}},
		"no solvent stated":                {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Solvent = "" })}, []string{"solvent not stated"}},
		"the least concentration":          {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Concentration = dec("2.0") })}, nil},
		"the greatest concentration":       {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Concentration = dec("5") })}, nil},
		"above the range":                  {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Concentration = dec("5.1") })}, []string{"concentration 5.1 % w/v (approved: 2 to 5 % w/v)"}},
		"below the range":                  {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Concentration = dec("1.9") })}, []string{"concentration 1.9 % w/v"}},
		"another unit":                     {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Unit = "percent_w_w" })}, []string{"concentration 3 % w/w"}},
		"no concentration stated":          {"consolidation", []domain.ID{cuff}, []Use{resin(func(u *Use) { u.Concentration = nil })}, []string{"concentration not stated"}},
		"an auxiliary":                     {"surface cleaning, dry", []domain.ID{helmet}, []Use{{Auxiliary: "swabs"}, {Auxiliary: "water"}}, nil},
		"a material of another line":       {"surface cleaning, dry", []domain.ID{helmet}, []Use{resin(func(u *Use) { u.Name = "acrylic adhesive" })}, []string{"material acrylic adhesive"}},
		"a material of no library":         {"consolidation", []domain.ID{cuff}, []Use{{Product: "Miracle paste"}}, []string{"material 'Miracle paste', which is not in the library"}},
		"several at once": {"consolidation", []domain.ID{cuff, crumb, helmet}, []Use{resin(func(u *Use) { u.Solvent = "acetone" }), {MaterialKey: "ebonite", Name: "hard rubber"}},
			[]string{"component 1968.14.2.3 crumb", "method 'consolidation' on 1968.14.2.2 helmet", "solvent 'acetone'", "material hard rubber"}},
	} {
		out := outside(bench.Sheet, lines, c.method, c.components, c.uses)
		if len(out) != len(c.outside) {
			t.Errorf("%s: outside %q, expected %q", name, out, c.outside)
			continue
		}
		for _, what := range c.outside {
			if !slices.ContainsFunc(out, func(o string) bool { return strings.Contains(o, what) }) {
				t.Errorf("%s: outside %q does not name %q", name, out, what)
			}
		}
	}
}

func TestT1AStepOutsideIsRefusedAndNothingIsKept(t *testing.T) {
	x := decided(t)
	n := step(ada.ID)
	n.Materials[0].Solvent = "toluene"
	n.Components = append(n.Components, helmet)
	_, err := x.LogStep(ada.Actor(), n, bench, monday.Add(11*time.Hour))
	e := refusal(t, err, "T1")
	if len(e.Outside) != 2 || len(x.Steps) != 0 || x.State != Approved {
		t.Errorf("outside %q, steps %d, state %s", e.Outside, len(x.Steps), x.State)
	}
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 27 (dated log, kept during
// treatment); the 24 hours are common practice.
func TestT1AStepKeepsBothTimesAndIsLateAfterADay(t *testing.T) {
	x := decided(t)
	for hours, late := range map[int]bool{1: false, 24: false, 25: true} {
		n := step(ada.ID)
		w, err := x.LogStep(ada.Actor(), n, bench, n.HappenedAt.Add(time.Duration(hours)*time.Hour))
		ok(t, err)
		if w.Late != late || !w.HappenedAt.Equal(n.HappenedAt) || w.RecordedAt.Equal(w.HappenedAt) {
			t.Errorf("after %d hours: late %v", hours, w.Late)
		}
	}
	n := step(ada.ID)
	n.HappenedAt = monday.Add(-time.Hour)
	_, err := x.LogStep(ada.Actor(), n, bench, monday.Add(20*time.Hour))
	e := refusal(t, err, "T1")
	if !strings.Contains(e.Message, "departure") {
		t.Errorf("a step from before the approval: %s", e.Message)
	}
	n.HappenedAt = monday.Add(30 * time.Hour)
	_, err = x.LogStep(ada.Actor(), n, bench, monday.Add(20*time.Hour))
	refusal(t, err, "invalid")
}

func TestT1ATechnicianWorksUnderANamedConservator(t *testing.T) {
	x := decided(t)
	n := step(cy.ID)
	n.UnderID = nil
	_, err := x.LogStep(cy.Actor(), n, bench, monday.Add(11*time.Hour))
	refusal(t, err, "T1")
	n.UnderID = &ada.ID
	_, err = x.LogStep(cy.Actor(), n, bench, monday.Add(11*time.Hour))
	ok(t, err)
}

// source: segregation of duties, common practice; E.C.C.O. Professional Guidelines 2003, article 10
// (names of all who carried it out).
func TestT2NobodySitsOnBothSides(t *testing.T) {
	both := people.Person{ID: ada.ID, Name: "Ada", Roles: []domain.Role{domain.Conservator, domain.Curator}, Departments: []string{"Diving"}}
	x := submitted(t)
	_, err := x.Decide(both.Actor(), 0, NewDecision{Version: 1, Outcome: Approve, Statement: "s"}, bench, monday)
	e := refusal(t, err, "T2")
	if !strings.Contains(e.Message, "Dee or Eve could decide") {
		t.Errorf("the refusal does not say who could: %s", e.Message)
	}

	// Whoever logged one step does not decide on an amendment, in whatever role.
	x = worked(t)
	_, err = x.Amend(ada.Actor(), whole(), bench, monday)
	ok(t, err)
	ok(t, x.SubmitAmendment(ada.Actor(), 1, bench, monday))
	curatorNow := people.Person{ID: bo.ID, Name: "Bo", Roles: []domain.Role{domain.Curator}, Departments: []string{"Diving"}}
	_, err = x.Decide(curatorNow.Actor(), 1, NewDecision{Version: 1, Outcome: Approve, Statement: "s"}, bench, monday)
	refusal(t, err, "T2")

	// Whoever has decided is not among the hands of a step, nor among those named for the work.
	n := step(ada.ID, dee.ID)
	_, err = x.LogStep(ada.Actor(), n, bench, monday.Add(11*time.Hour))
	if e := refusal(t, err, "T2"); !strings.Contains(e.Message, "Dee") {
		t.Errorf("the refusal does not name the hand: %s", e.Message)
	}
	p := whole()
	p.Performers = []domain.ID{dee.ID}
	ok(t, x.RewriteAmendmentAfterReturn(t, p))
	refusal(t, x.SubmitAmendment(ada.Actor(), 1, bench, monday), "T2")
	refusal(t, x.HandOver(ada.Actor(), HandOver{To: dee.ID, Reason: "r"}, withConservator(dee), monday), "T2")

	// When every curator has a part in the work, the refusal says what to do.
	x = submitted(t)
	f := bench
	f.Curators = []people.Person{both}
	_, err = x.Decide(both.Actor(), 0, NewDecision{Version: 1, Outcome: Approve, Statement: "s"}, f, monday)
	if e := refusal(t, err, "T2"); !strings.Contains(e.Message, "steward") {
		t.Errorf("nobody is free: %s", e.Message)
	}
	other := people.Person{ID: domain.NewID(), Name: "Gus", Roles: []domain.Role{domain.Curator}, Departments: []string{"Textiles"}}
	_, err = x.Decide(other.Actor(), 0, NewDecision{Version: 1, Outcome: Approve, Statement: "s"}, bench, monday)
	refusal(t, err, "T2")
}

// RewriteAmendmentAfterReturn takes amendment 1 back and gives it another text.
func (t *Treatment) RewriteAmendmentAfterReturn(tt *testing.T, p Proposal) error {
	tt.Helper()
	if err := t.TakeBackAmendment(ada.Actor(), 1, Reason{"r"}, monday); err != nil {
		return err
	}
	return t.RewriteAmendment(ada.Actor(), 1, p, bench, monday)
}

func withConservator(p people.Person) Facts {
	p.Roles = append(slices.Clone(p.Roles), domain.Conservator)
	return with(p.Actor())
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 26 (written approval);
// conditions and their fulfilment are common practice.
func TestT3EveryConditionIsAcknowledgedBeforeTheFirstStep(t *testing.T) {
	x := decided(t, NewCondition{During, "photograph each day"}, NewCondition{AtCompletion, "report to me"}, NewCondition{BeforeStart, "test on the inside"})
	if s := x.Stands(); s != "approved with conditions" {
		t.Errorf("it stands as %q", s)
	}
	ok(t, x.Acknowledge(ada.Actor(), Acknowledgement{[]domain.ID{x.Conditions[0].ID, x.Conditions[1].ID}}, monday))
	_, err := x.LogStep(ada.Actor(), step(ada.ID), bench, monday.Add(11*time.Hour))
	if e := refusal(t, err, "T3"); len(e.Missing) != 1 || !strings.Contains(e.Missing[0], "condition 3 (before start): test on the inside") {
		t.Errorf("missing %q", e.Missing)
	}
	// Acknowledging is not fulfilling.
	ok(t, x.Acknowledge(ada.Actor(), Acknowledgement{[]domain.ID{x.Conditions[2].ID}}, monday))
	_, err = x.LogStep(ada.Actor(), step(ada.ID), bench, monday.Add(11*time.Hour))
	if e := refusal(t, err, "T3"); len(e.Missing) != 1 || !strings.Contains(e.Missing[0], "record how it went") {
		t.Errorf("missing %q", e.Missing)
	}
	refusal(t, x.Fulfil(ada.Actor(), NewFulfilment{x.Conditions[0].ID, "fulfilled", "s"}, monday), "invalid")
	ok(t, x.Fulfil(ada.Actor(), NewFulfilment{x.Conditions[2].ID, "fulfilled", "s"}, monday))
	_, err = x.LogStep(ada.Actor(), step(ada.ID), bench, monday.Add(11*time.Hour))
	ok(t, err)
	if s := x.Stands(); s != "under way, approved with conditions" {
		t.Errorf("it stands as %q", s)
	}
}

func TestT3AFailedConditionStopsTheWorkUntilANewDecision(t *testing.T) {
	x := decided(t, NewCondition{BeforeStart, "test on the inside"})
	c := x.Conditions[0].ID
	ok(t, x.Acknowledge(ada.Actor(), Acknowledgement{[]domain.ID{c}}, monday))
	ok(t, x.Fulfil(ada.Actor(), NewFulfilment{c, "failed", "it turned white"}, monday))
	_, err := x.LogStep(ada.Actor(), step(ada.ID), bench, monday.Add(11*time.Hour))
	refusal(t, err, "T3")
	refusal(t, x.Fulfil(ada.Actor(), NewFulfilment{c, "fulfilled", "again"}, monday), "T3")
	if m := x.NextMove(site); m[0].Who != ByCurator || !strings.Contains(m[0].What, "has failed") {
		t.Errorf("next move %+v", m)
	}
	_, err = x.Decide(eve.Actor(), 0, NewDecision{Version: 1, Outcome: Resume, Statement: "Go on with 2 %.", Conditions: []NewCondition{{During, "only 2 %"}}}, bench, monday)
	ok(t, err)
	_, err = x.LogStep(ada.Actor(), step(ada.ID), bench, monday.Add(11*time.Hour))
	if e := refusal(t, err, "T3"); len(e.Missing) != 1 || !strings.Contains(e.Missing[0], "condition 2") {
		t.Errorf("missing %q", e.Missing)
	}
	ok(t, x.Acknowledge(ada.Actor(), Acknowledgement{[]domain.ID{x.Conditions[1].ID}}, monday))
	_, err = x.LogStep(ada.Actor(), step(ada.ID), bench, monday.Add(11*time.Hour))
	ok(t, err)
}

func TestT3ASuspensionStopsFurtherStepsAndIsItsOwnDecision(t *testing.T) {
	x := worked(t)
	suspended := monday.Add(24 * time.Hour)
	_, err := x.Decide(eve.Actor(), 0, NewDecision{Version: 1, Outcome: Suspend, Statement: "A lender asks."}, bench, suspended)
	ok(t, err)
	n := step(ada.ID)
	n.HappenedAt = suspended.Add(time.Hour)
	_, err = x.LogStep(ada.Actor(), n, bench, suspended.Add(2*time.Hour))
	refusal(t, err, "T3")
	n.HappenedAt = suspended.Add(-time.Hour) // it had happened before
	_, err = x.LogStep(ada.Actor(), n, bench, suspended.Add(2*time.Hour))
	ok(t, err)
	_, err = x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: Revoke, Statement: "No."}, bench, suspended)
	ok(t, err)
	if len(x.Decisions) != 3 || x.Decisions[0].Outcome != Approve || x.Stands() != "under way, approval revoked" {
		t.Errorf("decisions %v, stands %q", x.Decisions, x.Stands())
	}
	_, err = x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: Resume, Statement: "s"}, bench, suspended)
	refusal(t, err, "T3")
}

func TestT3ConditionsOnlyWithAnApprovalThatHasThem(t *testing.T) {
	x := submitted(t)
	_, err := x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: ApproveWithConditions, Statement: "s"}, bench, monday)
	refusal(t, err, "invalid")
	_, err = x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: Approve, Statement: "s", Conditions: []NewCondition{{During, "c"}}}, bench, monday)
	refusal(t, err, "invalid")
	if err := domain.Validate(NewDecision{Version: 1, Outcome: Approve}); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("a decision without a statement: %v", err)
	}
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 26 (authority to approve when
// the custodian is not the owner).
func TestT3ABorrowedObjectNeedsItsOwnersConsent(t *testing.T) {
	x := submitted(t)
	f := bench
	f.Sheet = sheet()
	f.Sheet.Object.LegalStatus = collection.LoanToUs
	d := NewDecision{Version: 1, Outcome: Approve, Statement: "s"}
	_, err := x.Decide(dee.Actor(), 0, d, f, monday)
	refusal(t, err, "invalid")
	d.OwnerConsent = "Letter of the owner, 1 February 2026, file 12"
	_, err = x.Decide(dee.Actor(), 0, d, f, monday)
	ok(t, err)
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 26; EN 16853:2017 (options);
// the rest is common practice.
func TestT4AnIncompleteProposalIsNotSubmittedAndAllThatIsMissingIsListed(t *testing.T) {
	x, err := Begin(ada.Actor(), Proposal{Title: "Something"}, bench, monday)
	ok(t, err)
	e := refusal(t, x.Submit(ada.Actor(), bench, monday), "T4")
	for _, what := range []string{"signed examination", "reasons", "aim", "two options", "chosen method", "safe", "irreversible", "tests", "hours", "period", "photographs", "removed"} {
		if !slices.ContainsFunc(e.Missing, func(m string) bool { return strings.Contains(m, what) }) {
			t.Errorf("%q does not list %q", e.Missing, what)
		}
	}
	for name, c := range map[string]struct {
		change func(*Proposal)
		lacks  string
	}{
		"condition of thirteen months ago":  {func(p *Proposal) { p.RestsOn.Date = "2025-01-01" }, "of the last 12 months"},
		"condition of twelve months ago":    {func(p *Proposal) { p.RestsOn.Date = "2025-02-02" }, ""},
		"condition seen in the future":      {func(p *Proposal) { p.RestsOn.Date = "2026-12-24" }, "future"},
		"one option":                        {func(p *Proposal) { p.Options = p.Options[:1] }, "two options"},
		"an option without its risk":        {func(p *Proposal) { p.Options[1].RiskToPeople = "" }, "option 2 (consolidation): risk to people"},
		"no test, with a reason":            {func(p *Proposal) { p.Tests, p.NoTests = nil, "dry cleaning only" }, ""},
		"why for every component, not once": {func(p *Proposal) { p.Why = "" }, ""},
	} {
		p := copiedProposal(whole())
		c.change(&p)
		lacks := p.Lacks(site, monday)
		if c.lacks == "" && len(lacks) > 0 || c.lacks != "" && (len(lacks) != 1 || !strings.Contains(lacks[0], c.lacks)) {
			t.Errorf("%s: lacks %q, expected %q", name, lacks, c.lacks)
		}
	}
	if w := whole().Warns(); len(w) == 0 {
		t.Error("a proposal without cost, waste and appearance warns of nothing")
	}
}

func copiedProposal(p Proposal) Proposal {
	p.Options = slices.Clone(p.Options)
	return p
}

func TestT4ADecisionIsOnAVersionWhoseTextIsFrozen(t *testing.T) {
	x := submitted(t)
	first := x.Versions[0]
	refusal(t, x.Rewrite(ada.Actor(), whole(), bench, monday), "T4")
	ok(t, x.TakeBack(ada.Actor(), Reason{"a better adhesive"}, monday))
	if v := x.Versions[0]; v.Voided == nil || v.Voided.Statement != "a better adhesive" || x.State != Drafting {
		t.Errorf("the submission is not void: %+v", v)
	}
	p := whole()
	p.Why = "It is the better one."
	ok(t, x.Rewrite(ada.Actor(), p, bench, monday))
	ok(t, x.Submit(ada.Actor(), bench, monday))
	_, err := x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: Approve, Statement: "s"}, bench, monday)
	refusal(t, err, "T4")
	d, err := x.Decide(dee.Actor(), 0, NewDecision{Version: 2, Outcome: Approve, Statement: "s"}, bench, monday)
	ok(t, err)
	if d.SHA256 != x.Versions[1].SHA256 || d.SHA256 == first.SHA256 {
		t.Error("the decision is not on the text of version 2")
	}
	if again, _ := sum(x.Versions[1].Text, x.Versions[1].Legend); again != d.SHA256 {
		t.Error("the hash of the text is not the hash of the decision")
	}
	if x.Versions[0].Text.Why == x.Versions[1].Text.Why {
		t.Error("version 1 has changed")
	}
	if x.Versions[0].Legend[cuff.String()] != "1968.14.2.1a cuff" || x.Versions[0].Legend["acrylic-adhesive"] != "acrylic adhesive" {
		t.Errorf("the legend does not keep the names: %v", x.Versions[0].Legend)
	}
}

func TestT4ATextNamesOnlyWhatExists(t *testing.T) {
	p := whole()
	p.Scope[0].ComponentID = domain.NewID()
	p.Scope[0].Materials[0].MaterialKey = "unobtainium"
	p.Scope[0].Materials[0].Most = dec("1")
	p.Performers = []domain.ID{domain.NewID()}
	p.Cost = dec("100")
	_, err := Begin(ada.Actor(), p, bench, monday)
	e := refusal(t, err, "invalid")
	for _, pointer := range []string{"/scope/0/component_id", "/scope/0/materials/0/material_key", "/scope/0/materials/0/concentration_max", "/performers/0", "/cost_currency"} {
		if !slices.ContainsFunc(e.Fields, func(f domain.Field) bool { return f.Pointer == pointer }) {
			t.Errorf("%+v does not point to %s", e.Fields, pointer)
		}
	}
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 26 (approval of significant
// revisions); work inside the old scope meanwhile is common practice.
func TestT5AnOpenAmendmentLeavesTheOldScopeAsItIs(t *testing.T) {
	x := worked(t)
	p := Proposal{Title: "Fill the losses", Reasons: "Losses were found below the soiling.", SafeBecause: "Known to be inert.",
		Scope: []ScopeLine{{ComponentID: helmet, Method: "filling", Materials: []ScopeMaterial{{MaterialKey: "animal-glue"}}}}}
	_, err := x.Amend(bo.Actor(), p, bench, monday)
	ok(t, err)
	ok(t, x.SubmitAmendment(bo.Actor(), 1, bench, monday))
	at := monday.Add(30 * time.Hour)
	filling := NewStep{Method: "filling", Done: Done{HappenedAt: at, Hands: []domain.ID{ada.ID}, Components: []domain.ID{helmet},
		Materials: []Use{{MaterialKey: "animal-glue", Product: "Pearl glue", Batch: "1"}}}}

	old := step(ada.ID)
	old.HappenedAt = at
	_, err = x.LogStep(ada.Actor(), old, bench, at)
	ok(t, err)
	_, err = x.LogStep(ada.Actor(), filling, bench, at)
	refusal(t, err, "T1")

	_, err = x.Decide(eve.Actor(), 1, NewDecision{Version: 1, Outcome: ApproveWithConditions, Statement: "s", Conditions: []NewCondition{{BeforeStart, "show me the colour"}}}, bench, at)
	ok(t, err)
	// The amendment's condition stands before its own scope only.
	_, err = x.LogStep(ada.Actor(), filling, bench, at)
	refusal(t, err, "T3")
	_, err = x.LogStep(ada.Actor(), old, bench, at)
	ok(t, err)
	c := x.Conditions[0].ID
	ok(t, x.Acknowledge(ada.Actor(), Acknowledgement{[]domain.ID{c}}, at))
	ok(t, x.Fulfil(ada.Actor(), NewFulfilment{c, "fulfilled", "shown"}, at))
	_, err = x.LogStep(ada.Actor(), filling, bench, at)
	ok(t, err)
	if len(x.Decisions) != 2 || x.State != UnderWay {
		t.Error("the amendment has touched the earlier approval")
	}
}

func TestT5ADeclinedAmendmentStaysOnRecord(t *testing.T) {
	x := worked(t)
	_, err := x.Amend(ada.Actor(), Proposal{Title: "Nothing new"}, bench, monday)
	ok(t, err)
	if e := refusal(t, x.SubmitAmendment(ada.Actor(), 1, bench, monday), "T4"); len(e.Missing) != 2 {
		t.Errorf("missing %q", e.Missing)
	}
	ok(t, x.RewriteAmendment(ada.Actor(), 1, Proposal{Title: "More hours", Reasons: "It is slow.", Hours: dec("20")}, bench, monday))
	ok(t, x.SubmitAmendment(ada.Actor(), 1, bench, monday))
	_, err = x.Decide(dee.Actor(), 1, NewDecision{Version: 1, Outcome: Decline, Statement: "No."}, bench, monday)
	ok(t, err)
	if x.Amendments[0].State != Declined || x.State != UnderWay {
		t.Errorf("amendment %s, treatment %s", x.Amendments[0].State, x.State)
	}
	refusal(t, x.RewriteAmendment(ada.Actor(), 1, whole(), bench, monday), "T4")
}

// source: common practice; the term of twelve months is this program's default.
func TestLapseIsCountedInCalendarMonthsInTheSitesZone(t *testing.T) {
	warsaw, err := time.LoadLocation("Europe/Warsaw")
	ok(t, err)
	for _, c := range []struct {
		approved string
		months   int
		zone     *time.Location
		ends     string // the first moment that is too late
	}{
		{"2026-02-06T16:00:00Z", 12, time.UTC, "2027-02-07T00:00:00Z"},
		{"2026-01-31T10:00:00Z", 1, time.UTC, "2026-03-01T00:00:00Z"}, // February has no 31st
		{"2028-02-29T10:00:00Z", 12, time.UTC, "2029-03-01T00:00:00Z"},
		{"2026-08-31T10:00:00Z", 6, time.UTC, "2027-03-01T00:00:00Z"},
		{"2026-12-15T10:00:00Z", 1, time.UTC, "2027-01-16T00:00:00Z"},
		{"2026-02-06T23:30:00Z", 12, warsaw, "2027-02-07T23:00:00Z"}, // there it is the 7th already
		{"2026-02-06T16:00:00Z", 6, warsaw, "2026-08-06T22:00:00Z"},  // summer time
	} {
		approved, err := time.Parse(time.RFC3339, c.approved)
		ok(t, err)
		s := site
		s.ApprovalMonths, s.Zone = c.months, c.zone
		if ends := TermEnds(approved, s).UTC().Format(time.RFC3339); ends != c.ends {
			t.Errorf("%s and %d months: %s, expected %s", c.approved, c.months, ends, c.ends)
		}
	}
	x := decided(t)
	last := x.TermEndsAt.Add(-time.Second)
	refusal(t, x.Lapse(last), "T1")
	n := step(ada.ID)
	n.HappenedAt = last
	_, err = copied(t, text(t, x)).LogStep(ada.Actor(), n, bench, last)
	ok(t, err)
	// Past the term the act refuses, though no job has run.
	n.HappenedAt = *x.TermEndsAt
	_, err = x.LogStep(ada.Actor(), n, bench, *x.TermEndsAt)
	refusal(t, err, "T1")
	ok(t, x.Lapse(*x.TermEndsAt))
	begun := worked(t)
	refusal(t, begun.Lapse(monday.AddDate(2, 0, 0)), "T1") // begun: it does not lapse
}
