package seed

import (
	"encoding/json"
	"fmt"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/people"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

// treatedEach says that every so many-th object was treated.
const treatedEach = 8

// urgentEach says that on every so many-th object somebody acted against imminent loss.
const urgentEach = 320

// fateWeights are how often a treatment stands where, in the order of treatment.States: most are signed.
var fateWeights = []int{15, 10, 10, 15, 10, 795, 50, 50, 45}

// fate is where the object's treatment stands, or "". The first treated objects go through all states,
// so that a small collection has each.
func (t *thing) fate() treatment.State {
	if t.number%treatedEach != 3 {
		return ""
	}
	state := treatment.States[t.weighted(fateWeights)]
	if turn := t.number / treatedEach; turn < 2*len(treatment.States) {
		state = treatment.States[turn%len(treatment.States)]
	}
	if state == treatment.Lapsed && t.at.After(t.Until.AddDate(-1, -2, 0)) {
		state = treatment.Declined // there was no year for an approval to lapse in
	}
	return state
}

// course is a treatment as it is told, on a clock of its own.
type course struct {
	*thing
	*treatment.Treatment
	facts    treatment.Facts
	clock    time.Time
	pace     time.Duration
	writer   people.Person // in charge
	hand     people.Person // carries it out with the writer
	curator  people.Person
	on       collection.Component
	method   string
	material string
	acts     int64
	last     *examination.Examination
}

// tick lets time pass.
func (c *course) tick() time.Time {
	c.clock = c.clock.Add(c.pace/2 + time.Duration(c.Int64N(int64(c.pace/2)))).Truncate(time.Microsecond)
	c.acts++
	return c.clock
}

// treat tells the object's treatment from its draft to where it stands, by the rules of the domain.
func (t *thing) treat() error {
	if t.number%urgentEach == 5 {
		if err := t.emergency(); err != nil {
			return err
		}
	}
	if t.treated == "" {
		return nil
	}
	c := &course{thing: t, facts: t.facts(), writer: t.somebody(t.dice, domain.Conservator), hand: t.somebody(t.dice, domain.Conservator),
		curator: pick(t.dice, t.curators[t.sheet.Object.Department]), on: pick(t.dice, t.sheet.Components), pace: 30 * time.Hour,
		method: pick(t.dice, []string{"consolidation", "adhesive repair", "surface cleaning, dry", "reshaping", "support padding"}), material: "acrylic-adhesive"}
	switch t.treated {
	case treatment.Signed, treatment.Declined, treatment.Withdrawn:
		c.clock = t.when(t.at.AddDate(0, 0, 1), t.Until.AddDate(0, 0, -28))
	case treatment.Lapsed:
		c.clock = t.when(t.at.AddDate(0, 0, 1), t.Until.AddDate(-1, -1, 0))
	default:
		c.clock = t.Until.AddDate(0, 0, -28)
	}
	if err := c.examinedFor(examination.BeforeTreatment, c.clock.Truncate(time.Microsecond)); err != nil {
		return err
	}
	if err := c.tell(); err != nil {
		return err
	}
	return c.write()
}

func (t *thing) facts() treatment.Facts {
	names := map[string]string{}
	for key, m := range t.materials {
		names[key] = m.Name
	}
	return treatment.Facts{Sheet: &t.sheet, Site: t.Site, Curators: t.curators[t.sheet.Object.Department], People: t.byID, Materials: names, Photos: t.photos}
}

func (c *course) tell() error {
	at := c.tick()
	x, err := treatment.Begin(c.writer.Actor(), c.proposal(at), c.facts, at)
	if err != nil {
		return err
	}
	x.ID, x.Number = c.id(at), 1
	c.Treatment = x
	state := c.treated
	if state == treatment.Drafting {
		return nil
	}
	at = c.tick()
	if err := x.Submit(c.writer.Actor(), c.facts, at); err != nil {
		return err
	}
	x.Versions[0].ID = c.id(at)
	switch state {
	case treatment.Submitted:
		return nil
	case treatment.Withdrawn:
		return x.Withdraw(c.writer.Actor(), treatment.Reason{Reason: "The object is to stay as it is."}, c.tick())
	case treatment.Declined:
		return c.decide(0, treatment.NewDecision{Version: 1, Outcome: treatment.Decline, Statement: "What is lost tells of its use."})
	}
	d := treatment.NewDecision{Version: 1, Outcome: treatment.Approve, Statement: "Agreed, as it was proposed."}
	if c.often(300) {
		d.Outcome = treatment.ApproveWithConditions
		d.Conditions = []treatment.NewCondition{{Binds: treatment.BeforeStart, Text: "Test it on the inside first."}, {Binds: treatment.AtCompletion, Text: "Photograph the seam."}}
	}
	if status := c.sheet.Object.LegalStatus; status == collection.LoanToUs || status == collection.Deposit {
		d.OwnerConsent = "The owner consented by letter, in the object's file."
	}
	if err := c.decide(0, d); err != nil {
		return err
	}
	switch state {
	case treatment.Lapsed:
		ends := *x.TermEndsAt
		c.acts++
		return x.Lapse(ends.Add(time.Hour))
	case treatment.Approved:
		return nil
	}
	return c.work(state)
}

// decide decides on the submitted text and seals the decision.
func (c *course) decide(amendment int, d treatment.NewDecision) error {
	at := c.tick()
	before := len(c.Conditions)
	_, err := c.Treatment.Decide(c.curator.Actor(), amendment, d, c.facts, at)
	if err != nil {
		return err
	}
	id := c.id(at)
	c.tellOf(at, c.writer.ID, c.Treatment.ID, c.curator.Name+" has decided on "+c.Treatment.Called()+": "+d.Outcome.Words()+".")
	c.Decisions[len(c.Decisions)-1].ID = id
	for i := before; i < len(c.Conditions); i++ {
		c.Conditions[i].ID, c.Conditions[i].DecisionID = c.id(at), id
	}
	return nil
}

// work takes note of conditions, works in a few steps, and completes and signs where it came so far.
func (c *course) work(state treatment.State) error {
	x, charge := c.Treatment, c.writer.Actor()
	for _, k := range x.Conditions {
		if err := x.Acknowledge(charge, treatment.Acknowledgement{Conditions: []domain.ID{k.ID}}, c.tick()); err != nil {
			return err
		}
		if k.Binds != treatment.BeforeStart {
			continue
		}
		if err := x.Fulfil(charge, treatment.NewFulfilment{ConditionID: k.ID, Outcome: "fulfilled", Statement: "Tested; nothing is to be seen."}, c.tick()); err != nil {
			return err
		}
	}
	for range c.between(1, 3) {
		at := c.tick()
		done := treatment.Done{HappenedAt: at.Add(-time.Hour).Truncate(time.Minute).Add(time.Minute), Hands: []domain.ID{c.hand.ID}, Components: []domain.ID{c.on.ID}, Minutes: c.between(10, 180),
			Materials: []treatment.Use{{MaterialKey: c.material, Product: fmt.Sprintf("Resin %d", c.between(1, 40)), Batch: fmt.Sprintf("B%d", c.between(1, 900)),
				Concentration: dec("3"), Unit: "percent_w_v", Solvent: "ethanol"}, {Auxiliary: "swabs"}},
			Gloves: "nitrile", Noticed: []string{"nothing"}, Note: noted(c.dice)}
		w, err := x.LogStep(charge, treatment.NewStep{Done: done, Method: c.method}, c.facts, at)
		if err != nil {
			return err
		}
		w.ID = c.id(at)
		c.handling(done.HappenedAt, "treatment", done.Components, []people.Person{c.hand}, "nothing")
	}
	if c.often(80) {
		if err := c.amend(); err != nil {
			return err
		}
	}
	if c.often(60) {
		at := c.tick()
		n := treatment.NewDeparture{Method: c.method, What: "acetone instead of ethanol", Why: "The bottle was mistaken.", Done: treatment.Done{HappenedAt: at.Add(-time.Hour),
			Hands: []domain.ID{c.hand.ID}, Components: []domain.ID{c.on.ID}, Minutes: 10, Noticed: []string{"nothing"}}}
		w, err := x.RecordDeparture(charge, n, c.facts, at)
		if err != nil {
			return err
		}
		w.ID = c.id(at)
	}
	if state == treatment.UnderWay {
		return nil
	}
	at := c.tick()
	if err := c.examinedFor(examination.AfterTreatment, at); err != nil {
		return err
	}
	if err := x.KeepReport(charge, c.report(at), c.facts, at); err != nil {
		return err
	}
	if err := x.Complete(charge, c.facts, c.tick()); err != nil || state == treatment.Completed {
		return err
	}
	return x.Sign(charge, treatment.Statement{Statement: "As it was done."}, c.facts, c.tick())
}

// amend is an approved amendment: a further method for the same component.
func (c *course) amend() error {
	x, charge := c.Treatment, c.writer.Actor()
	text := treatment.Proposal{Title: "Support as well", Reasons: "A fold opened under its own weight.", SafeBecause: "Nothing of it stays.",
		Scope: []treatment.ScopeLine{{ComponentID: c.on.ID, Method: "interleaving", Why: "It carries the fold."}}}
	if _, err := x.Amend(charge, text, c.facts, c.tick()); err != nil {
		return err
	}
	at := c.tick()
	if err := x.SubmitAmendment(charge, 1, c.facts, at); err != nil {
		return err
	}
	x.Versions[len(x.Versions)-1].ID = c.id(at)
	d := treatment.NewDecision{Version: 1, Outcome: treatment.Approve, Statement: "Agreed."}
	if status := c.sheet.Object.LegalStatus; status == collection.LoanToUs || status == collection.Deposit {
		d.OwnerConsent = "The owner consented by letter, in the object's file."
	}
	return c.decide(1, d)
}

func dec(s string) *decimal.Decimal {
	d := decimal.RequireFromString(s)
	return &d
}

// proposal lacks nothing.
func (c *course) proposal(at time.Time) treatment.Proposal {
	option := func(method, risk string) treatment.Option {
		return treatment.Option{Method: method, Benefit: "The " + pick(c.dice, places) + " stays as it is.", RiskToObject: risk, RiskToPeople: "None to speak of.",
			Significance: "None.", Reversibility: "In part.", Retreatable: "Yes.", Effort: "A few hours."}
	}
	hours := decimal.NewFromInt(int64(c.between(2, 40)))
	return treatment.Proposal{
		Title:   capital(c.method) + " of the " + c.on.Name,
		RestsOn: treatment.StatedCondition{ExaminationID: &c.facts.Examinations[0].ID, Text: "The " + c.on.Name + " is " + pick(c.dice, states) + " at the " + pick(c.dice, places) + ".", Date: at.Format(time.DateOnly), By: c.writer.Name},
		Reasons: "It gets worse at every handling: " + pick(c.dice, states) + " and " + pick(c.dice, states) + ".", Aims: []string{"remedial"},
		Options: []treatment.Option{option("no treatment", "It goes on."), option(c.method, "A slight change of gloss.")},
		Scope: []treatment.ScopeLine{{ComponentID: c.on.ID, AndItsParts: true, Method: c.method, Why: "It changes least.",
			Materials: []treatment.ScopeMaterial{{MaterialKey: c.material, Role: "consolidant", Solvent: "ethanol", Least: dec("2"), Most: dec("5"), Unit: "percent_w_v"}}}},
		Why: "It holds without filling.", SafeBecause: "Tested on a sample of the same rubber.", Final: "What has soaked in stays.",
		Tests: []treatment.Test{{What: "a spot on the inside", PassWhen: "no gloss after a day"}}, Sampling: "none", Hours: &hours, Begins: at.Format("2006-01"),
		Ends:        at.AddDate(0, 3, 0).Format("2006-01"),
		Photographs: []treatment.PlannedView{{View: "front", Stages: []string{"before", "after"}}}, Removed: "nothing", Hazards: "Solvent: extraction.",
		Appearance: "Unchanged.", Handling: "Lift from below.", Display: "Lying.", Storage: "Cool and dark.", Waste: "With the solvents.", Performers: []domain.ID{c.hand.ID},
	}
}

func (c *course) report(at time.Time) treatment.Report {
	hours := decimal.NewFromInt(int64(c.between(2, 30)))
	r := treatment.Report{ExaminationID: &c.facts.Examinations[1].ID, AimReached: "Yes.", Deviations: "none", TestResults: "No gloss.", Removed: "nothing", Hours: &hours, People: []domain.ID{c.hand.ID},
		Components: []treatment.ComponentAfter{{ComponentID: c.on.ID, Condition: "Stable."}}, Handling: "Lift from below.", Display: "Lying.", Storage: "Cool and dark.",
		NextCheck: at.AddDate(1, 6, 0).Format("2006-01")}
	for _, p := range c.photos {
		if p.Stage == string(photo.Before) || p.Stage == string(photo.After) {
			r.Photographs = append(r.Photographs, p.ID)
		}
	}
	for _, k := range c.Conditions {
		r.Answers = append(r.Answers, treatment.Answer{ConditionID: k.ID, Met: "met"})
	}
	return r
}

// emergency is an act against imminent loss before any approval (T6); a recent one waits for its
// ratification.
func (t *thing) emergency() error {
	at := t.when(t.at.AddDate(0, 0, 1), t.Until)
	if t.often(60) {
		at = t.Until.AddDate(0, 0, -t.between(1, 9))
	}
	c := pick(t.dice, t.sheet.Components)
	by := t.somebody(t.dice, domain.Conservator)
	e, err := treatment.Stabilise(by.Actor(), treatment.NewEmergency{Imminent: "The " + c.Name + " was about to fall.", NoticedAt: at.Add(-time.Hour), Methods: []string{"support"},
		Done: treatment.Done{HappenedAt: at.Add(-30 * time.Minute), Hands: []domain.ID{by.ID}, Components: []domain.ID{c.ID}, Minutes: 20, Noticed: []string{"nothing"}}}, nil, t.facts(), at)
	if err != nil {
		return err
	}
	e.ID = t.id(at)
	object := t.sheet.Object.ID
	document, err := e.Document(false)
	if err != nil {
		return err
	}
	t.b.signed = append(t.b.signed, signed{by.ID, treatment.SealEmergency, e.ID, object, document, at})
	if due := at.AddDate(0, 0, 3); due.Before(t.Until.AddDate(0, 0, -9)) {
		curator := pick(t.dice, t.curators[t.sheet.Object.Department])
		if err := e.Ratify(curator.Actor(), treatment.Ratification{Outcome: treatment.Ratified, Statement: "Rightly done.", Conditions: []string{}}, nil, t.facts().Curators, due); err != nil {
			return err
		}
		e.Version++
		if document, err = e.Document(true); err != nil {
			return err
		}
		t.b.signed = append(t.b.signed, signed{curator.ID, treatment.SealRatification, e.ID, object, document, due})
	}
	t.noteWork(e.Work)
	t.handling(e.HappenedAt, "treatment", []domain.ID{c.ID}, []people.Person{by}, "nothing")
	t.b.add(emergencies, e.ID, e.Imminent, e.NoticedAt, e.Methods, e.LeftUndone, e.DueAt, string(e.Outcome), e.Conditions, null(e.Ratification), e.Version)
	return t.told(e.Events(), e.ID)
}

// told notes the events that the rules raised, without what they say of identifiers that were given anew.
func (t *thing) told(raised []domain.Event, subject domain.ID) error {
	for _, e := range raised {
		e.Subject, e.Change = subject, nil
		if err := t.event(e); err != nil {
			return err
		}
	}
	return nil
}

// null is a JSON value that may be absent.
func null[T any](v *T) any {
	if v == nil {
		return nil
	}
	return v
}

// write adds the treatment's rows and its seals.
func (c *course) write() error {
	x := c.Treatment
	x.Look(c.Site, c.clock)
	x.Version = c.acts
	changed := c.clock
	if x.LapsedAt != nil {
		changed = *x.LapsedAt
	}
	state := x.State
	if state == treatment.Completed || state == treatment.Signed {
		state = treatment.UnderWay // until its work is written
		e := end{treatment: x.ID}
		if x.SignedBy != nil {
			e.signature = x.SignedBy
		}
		c.b.ends = append(c.b.ends, e)
	}
	movers := []string{}
	for _, m := range x.NextMoves {
		movers = append(movers, string(m.Who))
	}
	c.b.add(treatments, x.ID, x.ObjectID, x.Number, x.Proposal.Title, string(state), string(x.Hold), x.InCharge.ID, x.InCharge.Name, x.Proposal, x.ApprovedAt, x.TermEndsAt,
		null(x.Completion), null(x.CompletedBy), null(x.WithdrawnBy), x.LapsedAt, x.Standing, movers, x.Version, x.CreatedAt, changed)
	for _, p := range x.Parties {
		c.b.add(treatmentParties, x.ID, p.ID, p.Name, string(p.Side), p.Why, p.At)
	}
	for _, a := range x.Amendments {
		c.b.add(treatmentAmendments, x.ID, a.Number, string(a.State), a.Text, a.CreatedBy.ID, a.CreatedBy.Name, a.CreatedAt, null(a.WithdrawnBy))
	}
	if err := c.texts(); err != nil {
		return err
	}
	for _, w := range append(x.Steps, x.Departures...) {
		c.noteWork(w)
	}
	if x.SignedBy != nil {
		var err error
		if x.Completion.Frozen, err = json.Marshal(x.Completion); err != nil {
			return err
		}
		if err := c.seal(treatment.SealWhole, x.ID, x.SignedBy, x.WholeDocument); err != nil {
			return err
		}
	}
	return c.told(x.Events(), x.ID)
}

// texts adds versions, decisions and conditions, and seals the decisions.
func (c *course) texts() error {
	x := c.Treatment
	for i := range x.Versions {
		v := &x.Versions[i]
		c.b.add(treatmentVersions, v.ID, x.ID, v.Amendment, v.Number, v.Text, v.Legend, v.SHA256, v.SubmittedBy.ID, v.SubmittedBy.Name, v.SubmittedAt, null(v.Voided))
		for n, l := range v.Text.Scope {
			keys := []string{}
			for _, m := range l.Materials {
				keys = append(keys, m.MaterialKey)
			}
			c.b.add(treatmentScopes, v.ID, n+1, l.ComponentID, l.AndItsParts, treatment.Fold(l.Method), keys)
		}
		frozen, err := json.Marshal(map[string]any{"text": v.Text, "legend": v.Legend})
		if err != nil {
			return err
		}
		v.Frozen = frozen
	}
	for i := range x.Decisions {
		d := &x.Decisions[i]
		type condition struct {
			ID     domain.ID       `json:"id"`
			Number int             `json:"number"`
			Binds  treatment.Binds `json:"binds"`
			Text   string          `json:"text"`
		}
		conditions := []condition{}
		for _, k := range x.Conditions {
			if k.DecisionID != d.ID {
				continue
			}
			conditions = append(conditions, condition{k.ID, k.Number, k.Binds, k.Text})
		}
		c.b.add(treatmentDecisions, d.ID, x.ID, d.Amendment, d.VersionNumber, d.SHA256, string(d.Outcome), d.OwnerConsent, conditions, d.Signature.By.ID, d.Signature.By.Name,
			roles(d.Signature.Roles), d.Signature.Statement, d.Signature.At)
		if err := c.seal(treatment.SealDecision, d.ID, &d.Signature, func() (any, error) { return x.DecisionDocument(d.ID) }); err != nil {
			return err
		}
	}
	for _, k := range x.Conditions {
		c.b.add(treatmentConditions, k.ID, x.ID, k.DecisionID, k.Amendment, k.Number, string(k.Binds), k.Text, null(k.Acknowledged), null(k.Fulfilment))
	}
	return nil
}

func (c *course) seal(kind string, subject domain.ID, s *treatment.Signature, of func() (any, error)) error {
	document, err := of()
	if err != nil {
		return err
	}
	c.b.signed = append(c.b.signed, signed{s.By.ID, kind, subject, c.Treatment.ObjectID, document, s.At})
	return nil
}

func roles(all []domain.Role) []string {
	words := []string{}
	for _, r := range all {
		words = append(words, string(r))
	}
	return words
}

// noteWork adds a work with who did it, on what, with what.
func (t *thing) noteWork(w treatment.Work) {
	var under *domain.ID
	name := ""
	if w.Under != nil {
		under, name = &w.Under.ID, w.Under.Name
	}
	against := w.Against
	if against == nil {
		against = []string{}
	}
	t.b.add(works, w.ID, string(w.Kind), w.TreatmentID, w.ObjectID, w.HappenedAt, w.RecordedAt, w.RecordedBy.ID, w.RecordedBy.Name, w.Late, under, name, w.Method,
		treatment.Fold(w.Method), w.Tool, nil, nil, w.Before, w.After, w.Removed, w.RemovedTo, w.Minutes, w.Photographs, w.Gloves, w.Noticed, w.Controls, w.CameAway,
		w.Note, w.What, w.Why, against)
	for i, h := range w.Hands {
		t.b.add(workHands, w.ID, i+1, h.ID, h.Name)
	}
	for i, p := range w.Components {
		t.b.add(workComponents, w.ID, i+1, p.ID, p.Called)
	}
	for i, m := range w.Materials {
		var key *string
		if m.MaterialKey != "" {
			key = &m.MaterialKey
		}
		var concentration any
		if m.Concentration != nil {
			concentration = m.Concentration.InexactFloat64()
		}
		t.b.add(workMaterials, w.ID, i+1, key, m.Auxiliary, m.Name, m.Product, treatment.Fold(m.Product), m.Batch, treatment.Fold(m.Batch), concentration, m.Unit, m.Solvent, m.Amount)
	}
}
