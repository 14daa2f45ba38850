package treatment

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// Report is what the conservator in charge writes at the end. It can be kept as a draft; completing
// asks for all of it at once (T7).
type Report struct {
	AimReached    string           `json:"aim_reached" validate:"max=10000"`
	ExaminationID *domain.ID       `json:"examination_id,omitempty"` // the signed examination after treatment
	Components    []ComponentAfter `json:"components" validate:"max=200,dive"`
	Photographs   []domain.ID      `json:"photographs" validate:"max=500,unique"` // that belong to this treatment, besides those of the steps
	Deviations    string           `json:"deviations" validate:"max=10000"`       // 'none' is an answer
	TestResults   string           `json:"test_results" validate:"max=10000"`
	Removed       string           `json:"removed" validate:"max=4000"` // what was removed and where it is; 'nothing' is an answer
	Hours         *decimal.Decimal `json:"hours,omitempty" validate:"omitempty,gt=0,lte=10000"`
	People        []domain.ID      `json:"people" validate:"max=100,unique"` // everybody who carried it out
	Answers       []Answer         `json:"answers" validate:"max=200,dive"`
	Handling      string           `json:"handling_advice" validate:"max=4000"`
	Display       string           `json:"display_advice" validate:"max=4000"`
	Storage       string           `json:"storage_advice" validate:"max=4000"`
	Transport     string           `json:"transport_advice" validate:"max=4000"`
	Retreatment   string           `json:"retreatment_notes" validate:"max=4000"`
	NextCheck     string           `json:"next_check_due" validate:"omitempty,edtf,max=40"`
}

// ComponentAfter is what is to be said of the condition of a treated component beside the examination, and why it
// has no pair of photographs when it has none.
type ComponentAfter struct {
	ComponentID domain.ID `json:"component_id" validate:"required"`
	Condition   string    `json:"condition_after" validate:"max=4000"`
	NoPair      string    `json:"no_photographs_because" validate:"max=1000"`
}

// Answer says whether a condition of the decision was met (T3).
type Answer struct {
	ConditionID domain.ID `json:"condition_id" validate:"required"`
	Met         string    `json:"met" validate:"omitempty,oneof=met not_met"`
	Because     string    `json:"because" validate:"max=2000"`
}

// Completion is the report with what the log says beside it. After signing it never changes.
type Completion struct {
	Report
	Carried []Who             `json:"carried_out_by"`           // People by name
	Used    []MaterialUsed    `json:"materials"`                // from the log
	Shown   []PhotoRef        `json:"shown"`                    // every photograph of the treatment, with its hash
	After   *Examined         `json:"examined_after,omitempty"` // the examination that the report names
	Legend  map[string]string `json:"legend"`                   // names of the components

	Frozen json.RawMessage `json:"-"` // all this as it is kept; set when read
}

// MaterialUsed is one material of the log: what, which product, which batch, in what, on how many
// occasions.
type MaterialUsed struct {
	MaterialKey   string           `json:"material_key"`
	Auxiliary     string           `json:"auxiliary"`
	Name          string           `json:"name"`
	Product       string           `json:"product"`
	Batch         string           `json:"batch"`
	Concentration *decimal.Decimal `json:"concentration,omitempty"`
	Unit          string           `json:"unit"`
	Solvent       string           `json:"solvent"`
	Times         int              `json:"times"`
}

// works are the steps and the departures.
func (t *Treatment) works() []Work { return slices.Concat(t.Steps, t.Departures) }

// MaterialsUsed is what the log says was used, each combination once, in the order of first use.
func (t *Treatment) MaterialsUsed() []MaterialUsed {
	used := []MaterialUsed{}
	at := map[string]int{}
	for _, w := range t.works() {
		for _, m := range w.Materials {
			concentration := ""
			if m.Concentration != nil {
				concentration = m.Concentration.String()
			}
			key := strings.Join([]string{m.MaterialKey, m.Auxiliary, Fold(m.Product), Fold(m.Batch), concentration, m.Unit, Fold(m.Solvent)}, "\x1f")
			if i, ok := at[key]; ok {
				used[i].Times++
				continue
			}
			at[key] = len(used)
			used = append(used, MaterialUsed{MaterialKey: m.MaterialKey, Auxiliary: m.Auxiliary, Name: m.Name, Product: m.Product, Batch: m.Batch,
				Concentration: m.Concentration, Unit: m.Unit, Solvent: m.Solvent, Times: 1})
		}
	}
	return used
}

// Treated lists the components that were worked on, in the order of first work.
func (t *Treatment) Treated() []Part {
	var parts []Part
	for _, w := range t.works() {
		for _, p := range w.Components {
			if !slices.ContainsFunc(parts, func(q Part) bool { return q.ID == p.ID }) {
				parts = append(parts, p)
			}
		}
	}
	return parts
}

// Hands lists everybody whom the log names.
func (t *Treatment) Hands() []Who {
	var all []Who
	for _, w := range t.works() {
		for _, h := range w.Hands {
			if !slices.ContainsFunc(all, func(o Who) bool { return o.ID == h.ID }) {
				all = append(all, h)
			}
		}
	}
	return all
}

// Minutes is the time that the log adds up to.
func (t *Treatment) Minutes() int {
	n := 0
	for _, w := range t.works() {
		n += w.Minutes
	}
	return n
}

// complete puts the facts of the log and of other areas beside a report.
func (t *Treatment) complete(r Report, f Facts) (*Completion, error) {
	var fields []domain.Field
	c := &Completion{Report: r, Carried: []Who{}, Shown: []PhotoRef{}, Used: t.MaterialsUsed(), Legend: map[string]string{}}
	c.Components, c.Photographs, c.People, c.Answers = nonNil(r.Components), nonNil(r.Photographs), nonNil(r.People), nonNil(r.Answers)
	for i, id := range r.People {
		p, ok := f.People[id]
		if !ok {
			fields = append(fields, domain.Field{Pointer: fmt.Sprintf("/people/%d", i), Rule: "person", Message: "There is no such person."})
		}
		c.Carried = append(c.Carried, Who{ID: id, Name: p.Name})
	}
	add := func(p PhotoRef) {
		if !slices.ContainsFunc(c.Shown, func(q PhotoRef) bool { return q.ID == p.ID }) {
			c.Shown = append(c.Shown, p)
		}
	}
	for i, id := range r.Photographs {
		p, ok := f.photo(id)
		if !ok {
			fields = append(fields, domain.Field{Pointer: fmt.Sprintf("/photographs/%d", i), Rule: "photograph", Message: "There is no such photograph of this object."})
		}
		add(p)
	}
	for _, w := range t.works() {
		for _, p := range w.Photographs {
			if now, ok := f.photo(p.ID); ok { // what it shows may have been described since
				p = now
			}
			add(p)
		}
	}
	if r.ExaminationID != nil {
		if c.After = f.examined(r.ExaminationID); c.After == nil {
			fields = append(fields, domain.Field{Pointer: "/examination_id", Rule: "examination", Message: "There is no such signed examination of this object."})
		}
	}
	for i, part := range r.Components {
		if f.Sheet.Component(part.ComponentID) == nil {
			fields = append(fields, domain.Field{Pointer: fmt.Sprintf("/components/%d/component_id", i), Rule: "component", Message: "This is no component of the object."})
		}
		c.Legend[part.ComponentID.String()] = f.Sheet.Called(part.ComponentID)
	}
	for i, a := range r.Answers {
		if _, err := t.condition(a.ConditionID, ""); err != nil {
			fields = append(fields, domain.Field{Pointer: fmt.Sprintf("/answers/%d/condition_id", i), Rule: "condition", Message: "There is no such condition on this treatment."})
		}
	}
	return c, domain.InvalidFields(fields)
}

// Lacks says what a completion still needs, all at once (T7, T3).
//
// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 27; E.C.C.O. Professional
// Guidelines 2003, article 10 (the names of all who carried it out).
func (t *Treatment) lacksCompletion(c *Completion, site domain.Site, at time.Time) []string {
	var lacks []string
	need := func(ok bool, what string) {
		if !ok {
			lacks = append(lacks, what)
		}
	}
	if c == nil {
		return []string{"the completion report"}
	}
	for _, part := range t.Treated() {
		i := slices.IndexFunc(c.Components, func(a ComponentAfter) bool { return a.ComponentID == part.ID })
		if i < 0 || c.Components[i].NoPair == "" {
			lacks = append(lacks, c.lacksPair(part)...)
		}
	}
	lacks = append(lacks, t.lacksExamination(c, site.Zone)...)
	need(c.AimReached != "", "whether the aim was reached")
	need(c.Deviations != "", "deviations from the proposal ('none' is an answer)")
	if len(t.Proposal.Tests) > 0 {
		need(c.TestResults != "", "the results of the tests that were to be made first")
	}
	need(c.Removed != "", "what was removed and where it is ('nothing' is an answer)")
	need(c.Hours != nil, "the hours")
	need(c.Handling != "", "advice for handling")
	need(c.Display != "", "advice for display")
	need(c.Storage != "", "advice for storage")
	next, err := domain.ParseEDTF(c.NextCheck)
	need(c.NextCheck != "" && err == nil && next.Latest != nil && next.Latest.After(at.AddDate(0, 0, -1)), "when the next check is due, not in the past")
	for _, h := range t.Hands() {
		need(slices.Contains(c.People, h.ID), h.Name+" among the people: the log names them")
	}
	for _, condition := range t.Conditions {
		i := slices.IndexFunc(c.Answers, func(a Answer) bool { return a.ConditionID == condition.ID })
		need(i >= 0 && c.Answers[i].Met != "" && (c.Answers[i].Met == "met" || c.Answers[i].Because != ""),
			"an answer to "+condition.Called()+" (met, or not met because)")
	}
	for _, a := range t.Amendments {
		need(!a.Open(), fmt.Sprintf("an end to amendment %d, which is %s: let it be decided, or withdraw it", a.Number, a.State.Words()))
	}
	return lacks
}

// lacksPair says whether a component lacks a photograph before or after with the same view. One that
// names no component is of the whole object.
func (c *Completion) lacksPair(part Part) []string {
	views := map[string]map[string]bool{"before": {}, "after": {}}
	for _, p := range c.Shown {
		if v, ok := views[p.Stage]; ok && p.View != "" && (len(p.Components) == 0 || slices.Contains(p.Components, part.ID)) {
			v[p.View] = true
		}
	}
	for view := range views["before"] {
		if views["after"][view] {
			return nil
		}
	}
	or := " of " + part.Called + ", or a reason why there is none"
	switch {
	case len(views["before"]) == 0 && len(views["after"]) == 0:
		return []string{"a photograph before and one after with the same view" + or}
	case len(views["before"]) == 0:
		return []string{"a photograph before treatment" + or}
	case len(views["after"]) == 0:
		return []string{"a photograph after treatment" + or}
	}
	return []string{"photographs before and after with the same view" + or}
}

// KeepReport keeps the completion report. While work is under way it may be incomplete; once
// completed it may be mended until it is signed, but only to another complete one.
func (t *Treatment) KeepReport(by domain.Actor, r Report, f Facts, at time.Time) error {
	if err := by.May(Finish); err != nil {
		return err
	}
	if t.State == Signed {
		return signedStays()
	}
	if t.State != UnderWay && t.State != Completed {
		return t.refuseState("T7", "reported on", UnderWay, Completed)
	}
	if err := t.chargeOf(by, "T7", "write its completion"); err != nil {
		return err
	}
	c, err := t.complete(r, f)
	if err != nil {
		return err
	}
	if t.State == Completed {
		if lacks := t.lacksCompletion(c, f.Site, at); len(lacks) > 0 {
			return incomplete(lacks)
		}
	}
	t.Completion = c
	t.raise(by, "report_kept", r, at)
	return nil
}

// Complete ends the work with the report that was kept. All that is missing is named at once (T7).
func (t *Treatment) Complete(by domain.Actor, f Facts, at time.Time) error {
	if err := by.May(Finish); err != nil {
		return err
	}
	if t.State != UnderWay {
		return t.refuseState("T7", "completed", UnderWay)
	}
	if err := t.chargeOf(by, "T7", "complete it"); err != nil {
		return err
	}
	if err := t.renew(f); err != nil {
		return err
	}
	if lacks := t.lacksCompletion(t.Completion, f.Site, at); len(lacks) > 0 {
		return incomplete(lacks)
	}
	t.State, t.CompletedBy = Completed, sign(by, "prepared", "", at)
	t.raise(by, "completed", nil, at)
	return nil
}

// renew puts the log of this moment beside the report that was kept.
func (t *Treatment) renew(f Facts) error {
	if t.Completion == nil {
		return nil
	}
	c, err := t.complete(t.Completion.Report, f)
	if err == nil {
		t.Completion = c
	}
	return err
}

func incomplete(lacks []string) error {
	return &domain.Error{Kind: domain.KindRefused, Code: "T7", Message: "The completion is not whole. What is missing is listed; 'nothing' and 'none' are answers.", Missing: lacks}
}

// Sign seals the whole by the conservator in charge (T8). A departure recorded since the completion
// must be covered by the report.
func (t *Treatment) Sign(by domain.Actor, statement Statement, f Facts, at time.Time) error {
	if err := by.May(Finish); err != nil {
		return err
	}
	if t.State == Signed {
		return signedStays()
	}
	if t.State != Completed {
		return t.refuseState("T8", "signed", Completed)
	}
	if err := t.chargeOf(by, "T8", "sign it"); err != nil {
		return err
	}
	if err := t.renew(f); err != nil {
		return err
	}
	if lacks := t.lacksCompletion(t.Completion, f.Site, at); len(lacks) > 0 {
		return incomplete(lacks)
	}
	t.State, t.SignedBy = Signed, sign(by, "prepared", statement.Statement, at)
	t.raise(by, "signed", nil, at)
	return nil
}

// Statement goes with a signature.
type Statement struct {
	Statement string `json:"statement" validate:"max=4000"`
}
