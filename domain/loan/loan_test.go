package loan

import (
	"slices"
	"strings"
	"testing"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// at brings a fresh loan into a state.
func at(t *testing.T, state State) *journey {
	t.Helper()
	j := newJourney(t)
	j.lines()
	if state == Requested {
		return j
	}
	j.assess()
	if state == Cancelled {
		j.must(j.loan.Cancel(rune, Telling{"Borrower withdrew."}, j.now))
		return j
	}
	if state == Declined {
		j.must(j.loan.Decline(karin, Telling{"Needed here."}, j.now))
		return j
	}
	steps := []struct {
		to State
		do func()
	}{
		{Assessing, func() {}}, {Agreed, func() { j.approve(); j.value() }}, {Issued, func() { j.issue() }}, {Signed, func() { j.sign() }},
		{Prepared, func() { j.condition(); j.venue(); j.insure(); j.ready() }}, {Dispatched, func() { j.dispatch() }}, {Received, func() { j.receive() }},
		{OnDisplay, func() { j.must(j.loan.Display(mara, Telling{"In case 4."}, j.now)) }},
		{Packing, func() { _, err := j.loan.Pack(mara, j.seen(), j.site, j.now); j.must(err) }},
		{Returned, func() { _, err := j.loan.Return(rune, j.seen(), j.site, j.now); j.must(err) }},
		{Closed, func() { j.must(j.loan.Close(rune, Telling{"Settled."}, j.now)) }},
	}
	for _, s := range steps {
		s.do()
		if state == Recalled && s.to == OnDisplay {
			j.must(j.loan.Recall(rune, Telling{"Humidity was not kept."}, j.now))
			break
		}
		if s.to == state {
			break
		}
	}
	if j.loan.State != state {
		t.Fatalf("brought to %s, want %s", j.loan.State, state)
	}
	return j
}

// TestGrid: every act in every state by every role. An act that is not named for a state is refused
// there, by L3 as a state or by another rule; a role that is not named is refused by P2.
//
// source: Spectrum 5.0 (Collections Trust 2017), Loans out: judged, agreed in writing, signed by both
// before it begins, returned, closed; roles are common practice.
func TestGrid(t *testing.T) {
	t.Parallel()
	acts := map[string]struct {
		do    func(j *journey, by domain.Actor) error
		in    []State
		roles []domain.Role
	}{
		"change": {func(j *journey, by domain.Actor) error { return j.loan.Change(by, facts(), j.site, j.now) },
			[]State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Registrar}},
		"add a line": {func(j *journey, by domain.Actor) error {
			_, err := j.loan.AddLine(by, NewLine{ObjectNumber: "1980.1"}, sheet("1980.1"), j.now)
			return err
		}, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Registrar}},
		"set conditions": {func(j *journey, by domain.Actor) error {
			return j.loan.SetConditions(by, j.loan.Lines[0].ID, Conditions{Mount: "torso"}, j.now)
		}, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Registrar, domain.Conservator, domain.Curator, domain.MountMaker}},
		"set a value": {func(j *journey, by domain.Actor) error {
			return j.loan.SetValue(by, j.loan.Lines[0].ID, Valuation{Value: money("5"), Currency: "EUR"}, j.now)
		}, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Registrar, domain.Curator}},
		"withdraw a line": {func(j *journey, by domain.Actor) error {
			return j.loan.WithdrawLine(by, j.loan.Lines[0].ID, Telling{"Not asked for."}, j.now)
		}, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Registrar}},
		"assess": {func(j *journey, by domain.Actor) error {
			return j.loan.Assess(by, j.loan.Lines[0].ID, NewAssessment{Verdict: Fit, Statement: "Sound."}, j.now)
		}, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Conservator}},
		"state the condition": {func(j *journey, by domain.Actor) error {
			return j.loan.StateCondition(by, j.loan.Lines[0].ID, NewStatement{ExaminationID: j.examined(&j.loan.Lines[0], OutgoingOccasion).ID, Text: "As before."}, j.now)
		}, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Conservator}},
		"assess facilities": {func(j *journey, by domain.Actor) error {
			return j.loan.AssessFacilities(by, NewFacilities{VenueID: j.loan.Venues[0].ID, ReportOn: "2025-01-01", AssessedOn: "2026-02-01", Summary: "Good."}, j.site, j.now)
		}, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Conservator}},
		"approve": {func(j *journey, by domain.Actor) error { return j.loan.Approve(by, Telling{"Yes."}, j.now) }, []State{Assessing}, []domain.Role{domain.Curator}},
		"decline": {func(j *journey, by domain.Actor) error { return j.loan.Decline(by, Telling{"No."}, j.now) }, []State{Requested, Assessing, Agreed}, []domain.Role{domain.Curator}},
		"issue":   {func(j *journey, by domain.Actor) error { return j.loan.Issue(by, j.things, j.site, j.now) }, []State{Agreed}, []domain.Role{domain.Registrar}},
		"sign": {func(j *journey, by domain.Actor) error {
			return j.loan.Sign(by, 1, NewSignature{Side: Lender}, j.site, j.now)
		}, []State{Issued}, []domain.Role{domain.Registrar, domain.Curator}},
		"borrower signs": {func(j *journey, by domain.Actor) error {
			return j.loan.Sign(by, 1, NewSignature{Side: BorrowerOf, Name: "Ž. Nováková", SignedOn: "2026-02-06"}, j.site, j.now)
		}, []State{Issued}, []domain.Role{domain.Registrar}},
		"insure": {func(j *journey, by domain.Actor) error {
			return j.loan.Insure(by, NewInsurance{Kind: "insurance", Insurer: "A", Certificate: "1", Sum: money("1"), Currency: "EUR", From: "2026-01-01", Until: "2026-12-31"}, j.now)
		}, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared, Dispatched, Received, OnDisplay, Packing, Recalled, Returned}, []domain.Role{domain.Registrar}},
		"prepare": {func(j *journey, by domain.Actor) error {
			if j.loan.State == Signed {
				j.condition()
			}
			return j.loan.Ready(by, Telling{"Crated."}, j.site, j.now)
		}, []State{Signed}, []domain.Role{domain.Registrar}},
		"dispatch": {func(j *journey, by domain.Actor) error {
			_, err := j.loan.Dispatch(by, handing(), j.things, j.site, j.now)
			return err
		},
			[]State{Prepared}, []domain.Role{domain.Registrar}},
		"receive": {func(j *journey, by domain.Actor) error {
			_, err := j.loan.Receive(by, j.seen(), j.site, j.now)
			return err
		},
			[]State{Dispatched, Packing}, []domain.Role{domain.Registrar, domain.Conservator}},
		"display": {func(j *journey, by domain.Actor) error { return j.loan.Display(by, Telling{"In case 4."}, j.now) }, []State{Received}, []domain.Role{domain.Registrar, domain.Conservator}},
		"pack": {func(j *journey, by domain.Actor) error {
			_, err := j.loan.Pack(by, j.seen(), j.site, j.now)
			return err
		},
			[]State{Received, OnDisplay, Recalled}, []domain.Role{domain.Registrar, domain.Conservator}},
		"return": {func(j *journey, by domain.Actor) error {
			_, err := j.loan.Return(by, j.seen(), j.site, j.now)
			return err
		},
			[]State{Packing, Recalled}, []domain.Role{domain.Registrar}},
		"close":  {func(j *journey, by domain.Actor) error { return j.loan.Close(by, Telling{"Settled."}, j.now) }, []State{Returned}, []domain.Role{domain.Registrar}},
		"cancel": {func(j *journey, by domain.Actor) error { return j.loan.Cancel(by, Telling{"Withdrawn."}, j.now) }, []State{Requested, Assessing, Agreed, Issued, Signed, Prepared}, []domain.Role{domain.Registrar, domain.Curator}},
		"recall": {func(j *journey, by domain.Actor) error { return j.loan.Recall(by, Telling{"At risk."}, j.now) }, []State{Dispatched, Received, OnDisplay, Packing}, []domain.Role{domain.Registrar, domain.Curator}},
	}
	for name, act := range acts {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, state := range States {
				j := at(t, state)
				for _, role := range domain.Roles {
					if slices.Contains(act.roles, role) {
						j = at(t, state) // the one before may have changed it
					}
					before := j.loan.State
					err := act.do(j, actor("Somebody", role))
					allowed := slices.Contains(act.in, state)
					entitled := slices.Contains(act.roles, role)
					kind := domain.KindOf(err)
					switch {
					case !entitled && kind != domain.KindForbidden:
						t.Errorf("%s in %s by a %s: %v, want P2", name, state, role, err)
					case entitled && allowed && err != nil:
						t.Errorf("%s in %s by a %s: %v", name, state, role, err)
					case entitled && !allowed && kind != domain.KindConflict && kind != domain.KindRefused && kind != domain.KindNotFound:
						t.Errorf("%s in %s by a %s: %v, want a refusal", name, state, role, err)
					}
					if err != nil && j.loan.State != before {
						t.Errorf("%s in %s by a %s was refused and left %s", name, state, role, j.loan.State)
					}
				}
			}
		})
	}
}

// TestL1Lines: objects and parts; C2, C5, nothing twice; values are decimals with a currency.
//
// source: Spectrum 5.0 (Collections Trust 2017), Loans out; Object exit.
func TestL1Lines(t *testing.T) {
	t.Parallel()
	j := newJourney(t)
	e := j.refused(func() error {
		_, err := j.loan.AddLine(rune, NewLine{ObjectNumber: "1971.3.1", ComponentIDs: []domain.ID{j.part("2")}}, j.suit, j.now)
		return err
	}(), "C2")
	if !strings.Contains(e.Message, "1971.3.1.2 zip (glued in)") {
		t.Errorf("C2 says %q", e.Message)
	}
	add := func(ids ...domain.ID) error {
		_, err := j.loan.AddLine(rune, NewLine{ObjectNumber: "1971.3.1", ComponentIDs: ids}, j.suit, j.now)
		return err
	}
	j.refused(add(domain.NewID()), "invalid")
	j.refused(add(j.part("1"), j.part("1a")), "invalid") // the cuff goes with the suit
	j.must(add(j.part("1a")))
	j.refused(add(j.part("1a")), "lent_twice")
	j.refused(add(j.part("1")), "lent_twice") // carries the cuff
	j.refused(add(), "lent_twice")            // the whole
	if got := j.loan.Lines[0].Called(); got != "1971.3.1.1a cuff" {
		t.Errorf("called %q", got)
	}
	former := sheet("1950.1")
	former.Object.LegalStatus = collection.Former
	_, err := j.loan.AddLine(rune, NewLine{ObjectNumber: "1950.1"}, former, j.now)
	j.refused(err, "L1")

	line := j.loan.Lines[0].ID
	for value, ok := range map[string]bool{"0.01": true, "9999999999999.99": true, "1250.5": true, "0": false, "-1": false, "1.005": false, "10000000000000": false, "1e400": false} {
		d, err := decimal.NewFromString(value)
		if err != nil {
			t.Fatal(err)
		}
		if err := j.loan.SetValue(rune, line, Valuation{Value: &d, Currency: "EUR"}, j.now); (err == nil) != ok {
			t.Errorf("%s: %v", value, err)
		}
	}
	for _, currency := range []string{"", "eur", "EURO", "E1R"} {
		if err := j.loan.SetValue(rune, line, Valuation{Value: money("1"), Currency: currency}, j.now); err == nil {
			t.Errorf("currency %q was taken", currency)
		}
	}
	low, high := 60, 40
	j.refused(j.loan.SetConditions(mara, line, Conditions{RHLow: &low, RHHigh: &high}, j.now), "invalid")
}

// TestC5PartsAway: a part that is not with its object is said in the schedule.
func TestC5PartsAway(t *testing.T) {
	t.Parallel()
	j := newJourney(t)
	_, err := j.loan.AddLine(rune, NewLine{ObjectNumber: "1971.3.1"}, j.suit, j.now)
	j.must(err)
	j.things[j.suit.Object.ID].Away = []domain.ID{j.part("1a")}
	entry := j.loan.Draft(rune, j.things, j.site, j.now).Schedule[0]
	if !slices.Equal(entry.NotIncluded, []string{"without .1a cuff"}) || !entry.Whole {
		t.Errorf("not included: %q", entry.NotIncluded)
	}
	j.must(j.loan.WithdrawLine(rune, j.loan.Lines[0].ID, Telling{"Only the suit."}, j.now))
	_, err = j.loan.AddLine(rune, NewLine{ObjectNumber: "1971.3.1", ComponentIDs: []domain.ID{j.part("1")}}, j.suit, j.now)
	j.must(err)
	entry = j.loan.Draft(rune, j.things, j.site, j.now).Schedule[0]
	if !slices.Equal(entry.NotIncluded, []string{"all other parts of 1971.3.1", "without .1a cuff"}) || !slices.Equal(entry.Included, []string{"1971.3.1.1 suit"}) {
		t.Errorf("included %q, not included %q", entry.Included, entry.NotIncluded)
	}
}

// TestL2 is the approval: assessments on file, not fit refuses, the head's consent is recorded as
// such, and one person is never on both sides.
//
// source: common practice: one person does not approve a loan and assess its fitness; ICOM Guidelines
// for Loans, 1974: the condition decides whether an object may travel.
func TestL2(t *testing.T) {
	t.Parallel()
	both := actor("Both", domain.Conservator, domain.Curator)
	j := newJourney(t)
	j.refused(j.loan.Approve(karin, Telling{"Yes."}, j.now), "L2") // nothing on it
	j.lines()
	if e := j.refused(j.loan.Approve(karin, Telling{"Yes."}, j.now), "L2"); len(e.Missing) != 2 {
		t.Errorf("missing %q", e.Missing)
	}
	first, second := j.loan.Lines[0].ID, j.loan.Lines[1].ID
	j.must(j.loan.Assess(both, first, NewAssessment{Verdict: NotFit, Statement: "Active flaking."}, j.now))
	j.refused(j.loan.Assess(mara, second, NewAssessment{Verdict: FitWithConditions, Statement: "Lying only."}, j.now), "invalid")
	j.must(j.loan.Assess(mara, second, NewAssessment{Verdict: FitWithConditions, Statement: "Sound.", Conditions: "Lying only."}, j.now))

	// The assessor does not decide, in whatever role.
	if e := j.refused(j.loan.Approve(both, Telling{"Yes."}, j.now), "L2"); !strings.Contains(e.Message, "another curator of Diving") {
		t.Errorf("says %q", e.Message)
	}
	j.refused(j.loan.Consent(both, first, NewConsent{Capacity: "head of Diving", Statement: "Yes."}, j.now), "L2")
	if e := j.refused(j.loan.Approve(karin, Telling{"Yes."}, j.now), "L2"); len(e.Missing) != 1 || !strings.Contains(e.Missing[0], "not fit") {
		t.Errorf("missing %q", e.Missing)
	}
	// A curator of another department has no say.
	other := actor("Olaf", domain.Curator)
	other.Departments = []string{"Aviation"}
	j.refused(j.loan.Approve(other, Telling{"Yes."}, j.now), "P2")
	j.refused(j.loan.Consent(other, first, NewConsent{Capacity: "head", Statement: "Yes."}, j.now), "P2")

	j.refused(j.loan.Consent(karin, second, NewConsent{Capacity: "head of Diving", Statement: "Yes."}, j.now), "L2") // not unfit
	j.must(j.loan.Consent(karin, first, NewConsent{Capacity: "head of Diving", Statement: "The crate carries it."}, j.now))
	j.refused(j.loan.Consent(karin, first, NewConsent{Capacity: "head of Diving", Statement: "Again."}, j.now), "L2")
	j.must(j.loan.Approve(karin, Telling{"Yes."}, j.now))
	if j.loan.State != Agreed {
		t.Errorf("state %s", j.loan.State)
	}
	// Who approved does not assess.
	karin2 := karin
	karin2.Roles = []domain.Role{domain.Curator, domain.Conservator}
	j.refused(j.loan.Assess(karin2, first, NewAssessment{Verdict: Fit, Statement: "Sound."}, j.now), "L2")
	// A new finding asks for a new consent and a new approval.
	j.must(j.loan.Assess(mara, first, NewAssessment{Verdict: NotFit, Statement: "Worse."}, j.now))
	if j.loan.State != Assessing {
		t.Errorf("state %s after a new assessment", j.loan.State)
	}
	if e := j.refused(j.loan.Approve(karin, Telling{"Yes."}, j.now), "L2"); len(e.Missing) != 1 {
		t.Errorf("missing %q", e.Missing)
	}
}

// TestTwoDepartments: each department's curator approves for its objects.
func TestTwoDepartments(t *testing.T) {
	t.Parallel()
	j := newJourney(t)
	j.lines()
	flying := sheet("1999.1")
	flying.Object.Department = "Aviation"
	_, err := j.loan.AddLine(rune, NewLine{ObjectNumber: "1999.1"}, flying, j.now)
	j.must(err)
	j.assess()
	j.approve()
	if j.loan.State != Assessing || !slices.Equal(j.loan.unapproved(), []string{"Aviation"}) {
		t.Fatalf("state %s, unapproved %q", j.loan.State, j.loan.unapproved())
	}
	other := actor("Olaf", domain.Curator)
	other.Departments = []string{"Aviation"}
	// P3: not the value of another department.
	j.refused(j.loan.SetValue(other, j.loan.Lines[0].ID, Valuation{Value: money("1"), Currency: "EUR"}, j.now), "P2")
	j.must(j.loan.SetValue(other, j.loan.Lines[2].ID, Valuation{Value: money("1"), Currency: "EUR"}, j.now))
	j.must(j.loan.Approve(other, Telling{"Yes."}, j.now))
	if j.loan.State != Agreed {
		t.Errorf("state %s", j.loan.State)
	}
	j.value()
	seen := j.loan.Seen(other)
	if seen.Lines[0].Value != nil || seen.Lines[2].Value == nil || len(seen.Totals) != 0 || seen.ValuesShown {
		t.Errorf("a curator of one department sees %v, %v, totals %v", seen.Lines[0].Value, seen.Lines[2].Value, seen.Totals)
	}
	if full := j.loan.Seen(rune); len(full.Totals) != 1 || full.Totals[0].Sum != "3001.50" || !full.ValuesShown {
		t.Errorf("totals %v", full.Totals)
	}
}
