package demo

import (
	"fmt"
	"time"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

// plan is a proposal of the demonstration in short.
type plan struct {
	number, title, seen, reasons, method, because string
	labels                                        []string
	material, product, unit, least, most, role    string // no material: auxiliaries only
	solvent                                       string
}

// propose writes a whole proposal by a conservator and, when asked, submits it.
func (l *loader) propose(by string, p plan, submit bool) (*treatment.Treatment, error) {
	obj := l.objects[p.number]
	lines := make([]treatment.ScopeLine, len(p.labels))
	for i, label := range p.labels {
		lines[i] = treatment.ScopeLine{ComponentID: obj.component[label], Method: p.method, AndItsParts: true}
		if p.material != "" {
			m := treatment.ScopeMaterial{MaterialKey: p.material, Role: p.role, Product: p.product, Solvent: p.solvent, Unit: p.unit}
			if p.least != "" {
				m.Least, m.Most = dec(p.least), dec(p.most)
			}
			lines[i].Materials = []treatment.ScopeMaterial{m}
		}
	}
	rests, err := l.lastExamined(obj)
	if err != nil {
		return nil, err
	}
	text := treatment.Proposal{
		Title:   p.title,
		RestsOn: treatment.StatedCondition{ExaminationID: &rests, Text: p.seen},
		Reasons: p.reasons, Aims: []string{"remedial"},
		Options: []treatment.Option{
			{Method: "no treatment", Benefit: "Nothing is added.", RiskToObject: "Loss goes on.", RiskToPeople: "Dust when it is handled.", Significance: "None at first; loss of evidence in time.", Reversibility: "yes", Retreatable: "yes", Effort: "none"},
			{Method: p.method, Benefit: "Stops the loss and lets the part be handled.", RiskToObject: "A change of gloss if too much is used.", RiskToPeople: "Vapour; work under extraction.", Significance: "Traces of use stay legible.", Reversibility: "In part.", Retreatable: "Yes, with the same material.", Effort: "two days"},
		},
		Scope: lines, Why: p.because, SafeBecause: "Tested on a loose crumb for a week: no softening, no colour.", Final: "What is drawn into the crumbs cannot be taken out whole.",
		Tests: []treatment.Test{{What: "A drop on a hidden edge, dried overnight.", PassWhen: "No gloss at 300 mm, no tack."}}, // #nosec G101 -- a criterion of a test, no secret
		Hours: dec("14"), Begins: l.clock.Format("2006-01"), Ends: l.clock.AddDate(0, 2, 0).Format("2006-01"),
		Photographs: []treatment.PlannedView{{View: "front", Stages: []string{"before", "after"}}},
		Removed:     "Loose crumbs are collected, bagged by place and labelled.", Hazards: "Extraction, nitrile gloves; the hazards of the object's sheet.",
		Appearance: "Unchanged at arm's length.", Handling: "By two people, lying on a board.", Display: "At most 50 lx.", Storage: "Lying, aired, below 18 °C.", Waste: "Swabs as solvent waste by local rule.",
		Performers: []domain.ID{l.people[by].ID},
	}
	t, err := l.h.Treatment.Begin(l.ctx, l.people[by], obj.id, text)
	if err == nil && submit {
		l.clock = l.clock.Add(2 * time.Hour)
		t, err = l.h.Treatment.Submit(l.ctx, l.people[by], t.ID, t.Version)
	}
	if err != nil {
		return nil, fmt.Errorf("treatment '%s': %w", p.title, err)
	}
	return t, nil
}

func (l *loader) decide(by string, t *treatment.Treatment, d treatment.NewDecision) (*treatment.Treatment, error) {
	l.clock = l.clock.Add(26 * time.Hour)
	d.Version = len(t.Versions)
	t, err := l.h.Treatment.Decide(l.ctx, l.people[by], t.ID, t.Version, 0, d)
	if err != nil {
		return nil, fmt.Errorf("decision: %w", err)
	}
	return t, nil
}

func (l *loader) acknowledge(by string, t *treatment.Treatment) (*treatment.Treatment, error) {
	ids := []domain.ID{}
	for _, c := range t.Conditions {
		ids = append(ids, c.ID)
	}
	t, err := l.h.Treatment.Acknowledge(l.ctx, l.people[by], t.ID, t.Version, treatment.Acknowledgement{Conditions: ids})
	if err != nil {
		return nil, fmt.Errorf("acknowledge: %w", err)
	}
	for _, c := range t.Conditions {
		if c.Binds != treatment.BeforeStart {
			continue
		}
		if t, err = l.h.Treatment.Fulfil(l.ctx, l.people[by], t.ID, t.Version, treatment.NewFulfilment{ConditionID: c.ID, Outcome: "fulfilled", Statement: "Done; passed."}); err != nil {
			return nil, fmt.Errorf("fulfil: %w", err)
		}
	}
	return t, nil
}

func (l *loader) step(by string, t *treatment.Treatment, p plan, label, before, after string) (*treatment.Treatment, error) {
	obj := l.objects[p.number]
	use := treatment.Use{Auxiliary: "swabs"}
	if p.material != "" {
		use = treatment.Use{MaterialKey: p.material, Product: p.product, Batch: "B-" + l.clock.Format("0601"), Solvent: p.solvent, Unit: p.unit, Amount: "some drops"}
		if p.least != "" {
			use.Concentration = dec(p.least)
		}
		if p.product == "" {
			use.Product = "not known"
		}
	}
	t, err := l.h.Treatment.LogStep(l.ctx, l.people[by], t.ID, t.Version, treatment.NewStep{Method: p.method, Done: treatment.Done{
		HappenedAt: l.clock.Add(-time.Hour), Hands: []domain.ID{l.people[by].ID}, Components: l.parts(obj, label), Materials: []treatment.Use{use},
		Tool: "brush, size 0", Before: before, After: after, Minutes: 50, Gloves: "nitrile", Controls: "kept", Noticed: []string{"nothing"}}})
	if err != nil {
		return nil, fmt.Errorf("step on %s: %w", p.title, err)
	}
	return t, nil
}

// before photographs a component as it is before its treatment.
func (l *loader) before(number, label string, raking bool) (err error) {
	obj := l.objects[number]
	obj.before, err = l.photograph(obj, []string{label}, photo.Front, photo.Before, raking)
	return err
}

// complete photographs what was treated and completes the treatment.
func (l *loader) complete(by string, t *treatment.Treatment, p plan) (*treatment.Treatment, error) {
	obj := l.objects[p.number]
	after, err := l.photograph(obj, p.labels, photo.Front, photo.After, false)
	if err != nil {
		return nil, err
	}
	examined, err := l.examineAfter(by, obj, t.ID, p.labels, []domain.ID{after})
	if err != nil {
		return nil, err
	}
	report := treatment.Report{ExaminationID: &examined, AimReached: "Yes: nothing comes away when the part is brushed with a soft brush.", Photographs: []domain.ID{obj.before, after}, Deviations: "none", TestResults: "Passed.",
		Removed: "Crumbs, bagged, kept with the object.", Hours: dec("12.5"), People: []domain.ID{l.people[by].ID}, Handling: "By two people, on a board.", Display: "At most 50 lx, lying or on a full mount.",
		Storage: "Lying, aired.", Transport: "Lying, no folds.", Retreatment: "The same material may be added.", NextCheck: l.clock.AddDate(1, 0, 0).Format("2006-01")}
	for _, label := range p.labels {
		report.Components = append(report.Components, treatment.ComponentAfter{ComponentID: obj.component[label], Condition: "Stable; edges hold."})
	}
	for _, c := range t.Conditions {
		report.Answers = append(report.Answers, treatment.Answer{ConditionID: c.ID, Met: "met", Because: "Done as asked."})
	}
	if t, err = l.h.Treatment.KeepReport(l.ctx, l.people[by], t.ID, t.Version, report); err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	if t, err = l.h.Treatment.Complete(l.ctx, l.people[by], t.ID, t.Version); err != nil {
		return nil, fmt.Errorf("complete: %w", err)
	}
	return t, nil
}

var (
	cuffPlan = plan{number: "1968.14.2", title: "Left cuff: consolidation of the cracked edge", labels: []string{"1a"}, method: "consolidation", material: "acrylic-adhesive", product: "acrylic dispersion, neutral (invented)",
		role: "consolidant", unit: "percent_w_v", least: "5", most: "10", solvent: "water",
		seen:    "Left cuff hard, cracked across the fold at the edge; crumbs below it.",
		reasons: "Crumbs are lost at every handling.", because: "The least that holds the edge."}
	beltPlan = plan{number: "1968.14.6", title: "Weights: removal of loose white corrosion", labels: []string{"2"}, method: "surface cleaning, damp",
		seen: "White powder on two of five weights.", reasons: "Toxic dust when the belt is handled.", because: "No material is added."}
	knifePlan = plan{number: "1968.14.9", title: "Blade: rust reduced and coated", labels: []string{"1"}, method: "coating", material: "acrylic-adhesive", product: "acrylic resin (invented)", role: "coating",
		unit: "percent_w_v", least: "3", most: "5", solvent: "ethanol", seen: "One rust spot of 25 mm near the middle.", reasons: "The spot has grown.", because: "Thin, removable with ethanol."}
)

// What curators answer.
var (
	approve        = treatment.NewDecision{Outcome: treatment.Approve, Statement: "Agreed as written."}
	withConditions = treatment.NewDecision{Outcome: treatment.ApproveWithConditions, Statement: "Agreed, if the numbers on the part stay legible.", Conditions: []treatment.NewCondition{
		{Binds: treatment.BeforeStart, Text: "Photograph the maker's stencil in raking light."}, {Binds: treatment.AtCompletion, Text: "Say how many crumbs were kept."}}}
)

// signed is a treatment from proposal to addendum, two years ago.
func (l *loader) signed() error {
	l.on(730, 10)
	if err := l.before("1968.14.2", "1a", false); err != nil {
		return err
	}
	t, err := l.propose("ines", cuffPlan, true)
	if err == nil {
		t, err = l.decide("maud", t, withConditions)
	}
	if err == nil {
		t, err = l.acknowledge("ines", t)
	}
	l.on(724, 14)
	if err == nil {
		t, err = l.step("ines", t, cuffPlan, "1a", "Edge crumbles under a brush.", "Edge holds; no gloss.")
	}
	l.on(720, 11)
	if err == nil {
		t, err = l.complete("ines", t, cuffPlan)
	}
	l.on(716, 9)
	if err == nil {
		t, err = l.h.Treatment.Sign(l.ctx, l.people["ines"], t.ID, t.Version, treatment.Statement{Statement: "The report is complete."})
	}
	l.on(700, 9)
	if err == nil {
		_, err = l.h.Treatment.WriteAddendum(l.ctx, l.people["ines"], t.ID, t.Version, treatment.NewAddendum{Record: "completion", Field: "storage_advice", Old: "Lying, aired.", New: "Lying, aired, the cuff on a padded roll.", Reason: "The roll was made after signing."})
	}
	return err
}

// approvedLongAgo was never begun, and lapsed lapses it. The object is a deposit: its owner consented.
func (l *loader) approvedLongAgo() error {
	l.on(640, 10)
	p := plan{number: "1975.1.4", title: "Leather case: cleaning", labels: []string{"1"}, method: "surface cleaning, dry", seen: "Red dust at the corners.", reasons: "Dust soils whatever lies beside it.", because: "No material is added."}
	owned := approve
	owned.OwnerConsent = "Harbour Authority of Tidehaven (invented), letter of its secretary, in the deposit file."
	t, err := l.propose("tomas", p, true)
	if err == nil {
		_, err = l.decide("maud", t, owned)
	}
	return err
}

func (l *loader) lapsed() error {
	l.on(200, 3)
	_, err := l.h.Treatment.LapseDue(l.ctx)
	return err
}

func (l *loader) declined() error {
	l.on(190, 10)
	p := plan{number: "1968.14.7", title: "Lens: polishing", labels: []string{"2"}, method: "surface cleaning, dry", seen: "Yellowed and dull on one side.", reasons: "The lens can hardly be seen through.", because: "It would look as it did."}
	t, err := l.propose("tomas", p, true)
	if err == nil {
		_, err = l.decide("maud", t, treatment.NewDecision{Outcome: treatment.Decline, Statement: "The dullness is evidence of what the material is; polishing takes substance away."})
	}
	return err
}

func (l *loader) withdrawn() error {
	l.on(160, 10)
	p := plan{number: "1968.14.5", title: "Covers: removal of exuded plasticiser", labels: []string{"2"}, method: "surface cleaning, dry", seen: "Sticky film on both inner covers.", reasons: "Dust sticks to it.", because: "No material is added."}
	t, err := l.propose("ines", p, true)
	if err == nil {
		_, err = l.h.Treatment.Withdraw(l.ctx, l.people["ines"], t.ID, t.Version, treatment.Reason{Reason: "The covers are to be examined first."})
	}
	return err
}

// completed waits for its signature.
func (l *loader) completed() error {
	l.on(95, 9)
	if err := l.before("1968.14.9", "1", false); err != nil {
		return err
	}
	t, err := l.propose("tomas", knifePlan, true)
	if err == nil {
		t, err = l.decide("piet", t, approve)
	}
	l.on(90, 15)
	if err == nil {
		t, err = l.step("tomas", t, knifePlan, "1", "Rust spot of 25 mm.", "Spot reduced; coat even.")
	}
	l.on(60, 15)
	if err == nil {
		_, err = l.complete("tomas", t, knifePlan)
	}
	return err
}

func (l *loader) underWay() error {
	l.on(40, 9)
	if err := l.before("1968.14.6", "2", true); err != nil {
		return err
	}
	t, err := l.propose("ines", beltPlan, true)
	if err == nil {
		t, err = l.decide("maud", t, approve)
	}
	l.on(30, 14)
	if err == nil {
		_, err = l.step("ines", t, beltPlan, "2", "White powder on the second weight.", "Powder taken up on damp swabs; bagged as lead waste.")
	}
	return err
}

// approvedWithConditions is so new that nobody has acknowledged the conditions.
func (l *loader) approvedWithConditions() error {
	l.on(14, 10)
	p := plan{number: "1971.8.1", title: "Counter-lung: support of the cracked fold", labels: []string{"1"}, method: "support padding", seen: "Fold below the left strap cracked through one ply.", reasons: "The crack opens under its own weight.", because: "Nothing is glued."}
	t, err := l.propose("tomas", p, true)
	if err == nil {
		_, err = l.decide("maud", t, withConditions)
	}
	return err
}

func (l *loader) submitted() error {
	l.on(5, 10)
	_, err := l.propose("ines", plan{number: "1984.3.1", title: "Right glove: opening of the seized ring", labels: []string{"4"}, method: "separation of parts", seen: "Ring lock of the right glove seized; white bloom at the rim.", reasons: "The closed glove holds what attacks its own ring.", because: "The least force, after a wedge of film; no oil."}, true)
	return err
}

func (l *loader) drafting() error {
	l.on(3, 11)
	_, err := l.propose("ines", plan{number: "1979.22.1", title: "Lining: containment of crumbling foam", labels: []string{"1"}, method: "interleaving", seen: "Foam crumbles at the left knee and the seat.", reasons: "Crumbs work through the lining.", because: "No material is added."}, false)
	return err
}
