package treatment

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/people"
)

// The grid runs every act in every state by every role as every person that a treatment knows, and
// holds the outcome against the table below, which was written by hand from the rules and not from
// the program.
//
// source: AIC Code of Ethics and Guidelines for Practice 1994, guidelines 26 and 27 (approval before
// work, log of work); published collections procedures standard (Spectrum 5.0), collections care
// (due authorisation); segregation of duties: common practice.

// relation is what a person has to do with the treatment before the act.
type relation string

const (
	stranger  relation = "stranger"
	inCharge  relation = "in charge" // wrote it
	performer relation = "named performer"
	logger    relation = "logged a step"
	decider   relation = "has decided"
)

var relations = []relation{stranger, inCharge, performer, logger, decider}

// doing are those who may never decide.
var doing = []relation{inCharge, performer, logger}

var situations = []string{"drafting", "submitted", "approved", "past term", "under way", "suspended", "revoked", "completed", "signed", "declined", "withdrawn", "lapsed"}

// place puts a treatment into a situation.
func place(x *Treatment, situation string) {
	x.Hold = NoHold
	switch situation {
	case "past term":
		x.State, x.TermEndsAt = Approved, &monday
	case "suspended":
		x.State, x.Hold = UnderWay, Suspended
	case "revoked":
		x.State, x.Hold = UnderWay, Revoked
	case "under way":
		x.State = UnderWay
	default:
		x.State = State(situation)
	}
	if x.Hold != NoHold {
		x.Decisions = append(x.Decisions, Decision{ID: domain.NewID(), VersionNumber: 2, Outcome: map[Hold]Outcome{Suspended: Suspend, Revoked: Revoke}[x.Hold],
			Signature: Signature{By: Who{ID: dee.ID, Name: dee.Name}, At: monday}})
	}
}

type limit int

const (
	anybodyWithRole limit = iota
	partyOnly             // somebody of the doing side
	chargeOnly
)

type row struct {
	act    string
	roles  []domain.Role
	in     []string // situations in which the act is possible
	side   Side     // the side on which the act puts the person; "" for none
	who    limit
	codeOf string // code of the refusal by state
	charge string // code of the refusal of somebody who is not in charge
	run    func(x *Treatment, by domain.Actor, at time.Time) error
}

func laboratory(situations ...string) []string { return situations }

var (
	conservators = []domain.Role{domain.Conservator}
	curators     = []domain.Role{domain.Curator}
	everywhere   = situations
	alive        = laboratory("approved", "past term", "under way", "suspended", "revoked")
)

var rows = []row{
	{"rewrite", conservators, laboratory("drafting"), Doing, anybodyWithRole, "T4 T8", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.Rewrite(by, whole(), bench, at)
	}},
	{"submit", conservators, laboratory("drafting"), Doing, anybodyWithRole, "T4", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.Submit(by, bench, at)
	}},
	{"take back", conservators, laboratory("submitted"), Doing, partyOnly, "T4", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.TakeBack(by, Reason{"r"}, at)
	}},
	{"withdraw", conservators, laboratory("drafting", "submitted", "approved", "past term"), Doing, partyOnly, "T4 T7", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.Withdraw(by, Reason{"r"}, at)
	}},
	{"hand over", conservators, laboratory("drafting", "submitted", "approved", "past term", "under way", "suspended", "revoked", "completed"), Doing, anybodyWithRole, "T8", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.HandOver(by, HandOver{To: bo.ID, Reason: "r"}, bench, at)
	}},
	{"approve", curators, laboratory("submitted"), Deciding, anybodyWithRole, "T4", "", decide(Approve)},
	{"approve with conditions", curators, laboratory("submitted"), Deciding, anybodyWithRole, "T4", "", decide(ApproveWithConditions, NewCondition{During, "c"})},
	{"ask for changes", curators, laboratory("submitted"), Deciding, anybodyWithRole, "T4", "", decide(AskForChanges)},
	{"decline", curators, laboratory("submitted"), Deciding, anybodyWithRole, "T4", "", decide(Decline)},
	{"suspend", curators, laboratory("approved", "past term", "under way"), Deciding, anybodyWithRole, "T3 T4", "", decide(Suspend)},
	{"resume", curators, laboratory("suspended"), Deciding, anybodyWithRole, "T3 T4", "", decide(Resume)},
	{"revoke", curators, laboratory("approved", "past term", "under way", "suspended"), Deciding, anybodyWithRole, "T3 T4", "", decide(Revoke)},
	{"acknowledge", conservators, alive, Doing, chargeOnly, "T3", "T3", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.Acknowledge(by, Acknowledgement{[]domain.ID{x.Conditions[0].ID}}, at)
	}},
	{"fulfil", conservators, alive, Doing, chargeOnly, "T3", "T3", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.Fulfil(by, NewFulfilment{x.Conditions[1].ID, "fulfilled", "s"}, at)
	}},
	{"log a step", []domain.Role{domain.Conservator, domain.Technician}, laboratory("approved", "under way"), Doing, anybodyWithRole, "T1 T3 T8", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		_, err := x.LogStep(by, step(by.ID), with(by), at)
		return err
	}},
	{"depart", domain.Staff, laboratory("drafting", "submitted", "approved", "past term", "under way", "suspended", "revoked", "completed", "declined", "withdrawn", "lapsed"), "", anybodyWithRole, "T8", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		_, err := x.RecordDeparture(by, departure(by.ID), with(by), at)
		return err
	}},
	{"amend", conservators, laboratory("approved", "past term", "under way", "suspended"), Doing, anybodyWithRole, "T5 T8", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		_, err := x.Amend(by, whole(), bench, at)
		return err
	}},
	{"submit an amendment", conservators, laboratory("approved", "past term", "under way", "suspended"), Doing, anybodyWithRole, "T5 T8", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.SubmitAmendment(by, 1, bench, at)
	}},
	{"take back an amendment", conservators, laboratory("approved", "past term", "under way", "suspended"), Doing, partyOnly, "T5 T8", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.TakeBackAmendment(by, 2, Reason{"r"}, at)
	}},
	{"withdraw an amendment", conservators, alive, Doing, partyOnly, "T5", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.WithdrawAmendment(by, 1, Reason{"r"}, at)
	}},
	{"decide on an amendment", curators, alive, Deciding, anybodyWithRole, "T4", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		_, err := x.Decide(by, 2, NewDecision{Version: 1, Outcome: Approve, Statement: "s"}, bench, at)
		return err
	}},
	{"keep the report", conservators, laboratory("under way", "suspended", "revoked", "completed"), Doing, chargeOnly, "T7 T8", "T7", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.KeepReport(by, fullReport(x), bench, at)
	}},
	{"complete", conservators, laboratory("under way", "suspended", "revoked"), Doing, chargeOnly, "T7", "T7", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.Complete(by, bench, at)
	}},
	{"sign", conservators, laboratory("completed"), Doing, chargeOnly, "T8", "T8", func(x *Treatment, by domain.Actor, at time.Time) error {
		return x.Sign(by, Statement{}, bench, at)
	}},
	{"designate", curators, everywhere, Deciding, anybodyWithRole, "", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		_, err := x.Designate(by, NewDesignation{crumb, "study", "r"}, bench, at)
		return err
	}},
	{"correct a decision", curators, everywhere, Deciding, anybodyWithRole, "", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		_, err := x.WriteAddendum(by, NewAddendum{Record: "decision", RecordID: x.Decisions[0].ID, Field: "statement", Old: "o", New: "n", Reason: "r"}, at)
		return err
	}},
	{"correct a step", conservators, everywhere, Doing, anybodyWithRole, "", "", func(x *Treatment, by domain.Actor, at time.Time) error {
		_, err := x.WriteAddendum(by, NewAddendum{Record: "step", RecordID: x.Steps[0].ID, Field: "note", Old: "o", New: "n", Reason: "r"}, at)
		return err
	}},
}

func decide(o Outcome, conditions ...NewCondition) func(*Treatment, domain.Actor, time.Time) error {
	return func(x *Treatment, by domain.Actor, at time.Time) error {
		_, err := x.Decide(by, 0, NewDecision{Version: 2, Outcome: o, Statement: "s", Conditions: conditions}, bench, at)
		return err
	}
}

// with is the bench with the acting person among those known.
func with(by domain.Actor) Facts {
	f := bench
	f.People = map[domain.ID]people.Person{}
	for id, p := range bench.People {
		f.People[id] = p
	}
	f.People[by.ID] = people.Person{ID: by.ID, Name: by.Name, Roles: by.Roles, Departments: by.Departments}
	return f
}

func fullReport(x *Treatment) Report {
	r := report()
	for _, w := range x.Hands() {
		if !slices.Contains(r.People, w.ID) {
			r.People = append(r.People, w.ID)
		}
	}
	for _, c := range x.Conditions {
		r.Answers = append(r.Answers, Answer{ConditionID: c.ID, Met: "met"})
	}
	return r
}

// fixture is a treatment in whose course everything has happened: Dee asked for changes on version 1
// and approved version 2 with a condition; Bo is named; Cy logged a step; amendment 1 is a draft,
// amendment 2 is submitted.
func fixture(t *testing.T) *Treatment {
	t.Helper()
	x := submitted(t)
	_, err := x.Decide(dee.Actor(), 0, NewDecision{Version: 1, Outcome: AskForChanges, Statement: "s"}, bench, monday)
	ok(t, err)
	ok(t, x.Submit(ada.Actor(), bench, monday))
	_, err = x.Decide(dee.Actor(), 0, NewDecision{Version: 2, Outcome: ApproveWithConditions, Statement: "s", Conditions: []NewCondition{{BeforeStart, "ventilate"}}}, bench, monday)
	ok(t, err)
	ok(t, x.Acknowledge(ada.Actor(), Acknowledgement{[]domain.ID{x.Conditions[0].ID}}, monday))
	ok(t, x.Fulfil(ada.Actor(), NewFulfilment{x.Conditions[0].ID, "fulfilled", "s"}, monday))
	_, err = x.LogStep(cy.Actor(), step(cy.ID), bench, monday.Add(11*time.Hour))
	ok(t, err)
	for range 2 {
		_, err := x.Amend(ada.Actor(), whole(), bench, monday)
		ok(t, err)
	}
	ok(t, x.SubmitAmendment(ada.Actor(), 2, bench, monday))
	return x
}

func roleSets() [][]domain.Role {
	var sets [][]domain.Role
	for _, r := range domain.Roles {
		sets = append(sets, []domain.Role{r})
	}
	return append(sets, []domain.Role{domain.Conservator, domain.Curator})
}

func TestT1toT8GridOfStateActRoleAndPerson(t *testing.T) {
	ids := map[relation]domain.ID{stranger: domain.NewID(), inCharge: ada.ID, performer: bo.ID, logger: cy.ID, decider: dee.ID}
	base := fixture(t)
	at := monday.Add(12 * time.Hour)
	cases, refused := 0, 0
	for _, r := range rows {
		for _, situation := range situations {
			x := copied(t, text(t, base))
			if r.act == "complete" || r.act == "sign" || r.act == "keep the report" {
				// An open amendment would refuse the completion by a rule of its own.
				x.Amendments = []Amendment{}
				ok(t, x.KeepReport(ada.Actor(), fullReport(x), bench, at))
			}
			if r.act == "fulfil" {
				x.Conditions = append(x.Conditions, Condition{ID: domain.NewID(), Number: 2, Binds: BeforeStart, Text: "air the room"})
			}
			place(x, situation)
			before := text(t, x)
			spoilt := false
			for _, roles := range roleSets() {
				for _, rel := range relations {
					for _, department := range []string{"Diving", "Textiles"} {
						if department == "Textiles" && r.side != Deciding {
							continue // only who decides must belong to the department
						}
						if spoilt {
							x = copied(t, before)
						}
						by := domain.Actor{ID: ids[rel], Name: string(rel), Roles: roles, Departments: []string{department}, Scopes: []string{"all"}}
						err := r.run(x, by, at)
						expected := r.reasons(situation, roles, rel, department)
						name := fmt.Sprintf("%s, %s, as %v of %s, %s", r.act, situation, roles, department, rel)
						cases++
						spoilt = err == nil
						if len(expected) == 0 {
							if err != nil {
								t.Errorf("%s: should be done, was refused: %v", name, err)
							}
							continue
						}
						refused++
						var e *domain.Error
						switch {
						case !errors.As(err, &e):
							t.Errorf("%s: should be refused by one of %v, was: %v", name, expected, err)
						case !slices.Contains(expected, e.Code):
							t.Errorf("%s: should be refused by one of %v, was by %s: %v", name, expected, e.Code, e)
						case text(t, x) != before:
							t.Errorf("%s: was refused and changed the treatment", name)
						}
					}
				}
			}
			if t.Failed() {
				t.FailNow()
			}
		}
	}
	t.Logf("%d cases, %d of them refused", cases, refused)
}

// reasons are the codes of everything that refuses the act; none means that it is done.
func (r row) reasons(situation string, roles []domain.Role, rel relation, department string) []string {
	var codes []string
	if !slices.ContainsFunc(roles, func(x domain.Role) bool { return slices.Contains(r.roles, x) }) {
		codes = append(codes, "P2")
	}
	if !slices.Contains(r.in, situation) {
		codes = append(codes, strings.Fields(r.codeOf)...)
	}
	switch {
	case r.side == Doing && rel == decider:
		codes = append(codes, "T2")
	case r.side == Deciding && slices.Contains(doing, rel):
		codes = append(codes, "T2")
	case r.side == Deciding && !(slices.Contains(roles, domain.Curator) && department == "Diving"):
		codes = append(codes, "T2")
	}
	if r.who == partyOnly && !slices.Contains(doing, rel) {
		codes = append(codes, "T2")
	}
	if r.who == chargeOnly && rel != inCharge {
		codes = append(codes, r.charge)
	}
	return codes
}

// copied is a deep copy by way of JSON.
func copied(t *testing.T, x string) *Treatment {
	t.Helper()
	var y Treatment
	ok(t, json.Unmarshal([]byte(x), &y))
	return &y
}
