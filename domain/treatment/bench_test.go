package treatment

import (
	"encoding/json"
	"errors"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/people"
)

// The invented laboratory of these tests: a diving dress with a suit (1), its left cuff (1a) with a
// seal (1b) below, and a helmet (2); Ada and Bo treat, Dee and Eve are curators of Diving.

var (
	monday = time.Date(2026, 2, 2, 9, 0, 0, 0, time.UTC)
	site   = domain.DefaultSite()

	ada = person("Ada", domain.Conservator)
	bo  = person("Bo", domain.Conservator)
	cy  = person("Cy", domain.Technician)
	dee = person("Dee", domain.Curator)
	eve = person("Eve", domain.Curator)
	fay = person("Fay", domain.Registrar)
	hal = person("Hal", domain.Conservator) // supervises

	suit, cuff, seal, helmet, crumb = domain.NewID(), domain.NewID(), domain.NewID(), domain.NewID(), domain.NewID()
	beforeCuff, afterCuff           = domain.NewID(), domain.NewID()
)

func person(name string, roles ...domain.Role) people.Person {
	p := people.Person{ID: domain.NewID(), Name: name, Roles: roles, Departments: []string{}}
	for _, r := range roles {
		if r == domain.Curator {
			p.Departments = []string{"Diving"}
		}
	}
	return p
}

func sheet() *collection.Sheet {
	object := domain.NewID()
	part := func(id domain.ID, label, name string, parent *domain.ID, function string) collection.Component {
		return collection.Component{ID: id, ObjectID: object, ParentID: parent, Label: label, Name: name, Function: function}
	}
	return &collection.Sheet{
		Object: collection.Object{ID: object, Number: "1968.14.2", Title: "Diving dress", Department: "Diving", LegalStatus: collection.Accessioned},
		Components: []collection.Component{
			part(suit, "1", "suit", nil, "gas_tight"), part(cuff, "1a", "cuff", &suit, "seal"),
			part(seal, "1b", "cuff seal", &cuff, "seal"), part(helmet, "2", "helmet", nil, "hardware"), part(crumb, "3", "crumb of the cuff", nil, "fragment"),
		},
	}
}

var bench = func() Facts {
	all := map[domain.ID]people.Person{}
	for _, p := range []people.Person{ada, bo, cy, dee, eve, fay, hal} {
		all[p.ID] = p
	}
	return Facts{Sheet: sheet(), Site: site, Curators: []people.Person{dee, eve}, People: all,
		Materials: map[string]string{"acrylic-adhesive": "acrylic adhesive", "animal-glue": "animal glue", "ebonite": "hard rubber", "polyethylene-foam": "polyethylene foam"},
		Photos: []PhotoRef{
			{ID: beforeCuff, Components: []domain.ID{cuff}, View: "front", Stage: "before", SHA256: "aa"},
			{ID: afterCuff, Components: []domain.ID{cuff}, View: "front", Stage: "after", SHA256: "bb"},
		},
		Examinations: []Examined{
			{ID: examinedAfter, Occasion: "after_treatment", ExaminedOn: "2026-02-20", By: "Ada", Overall: "fair", Seen: []domain.ID{cuff}},
			{ID: examinedBefore, Occasion: "before_treatment", ExaminedOn: "2026-01-15", By: "Ada", Overall: "poor", Seen: []domain.ID{cuff},
				Observations: []Observed{{ID: cracks, Called: "1968.14.2.1a cuff: crack, severity 3"}}},
		}}
}()

var examinedBefore, examinedAfter, cracks = domain.NewID(), domain.NewID(), domain.NewID()

func dec(s string) *decimal.Decimal {
	d := decimal.RequireFromString(s)
	return &d
}

// whole is a proposal that lacks nothing: consolidation of the left cuff and its parts with an acrylic
// adhesive, 2 to 5 % w/v in ethanol.
func whole() Proposal {
	option := func(method string) Option {
		return Option{Method: method, Benefit: "b", RiskToObject: "r", RiskToPeople: "r", Significance: "s", Reversibility: "r", Retreatable: "r"}
	}
	return Proposal{
		Title:   "Consolidate the left cuff",
		RestsOn: StatedCondition{ExaminationID: &examinedBefore, Observations: []domain.ID{cracks}, Text: "The cuff is cracked and powders.", Date: "2026-01-15", By: "Ada"},
		Reasons: "Cracks at the fold.", Aims: []string{"remedial"},
		Options: []Option{option("no treatment"), option("consolidation")},
		Scope: []ScopeLine{{ComponentID: cuff, AndItsParts: true, Method: "consolidation", Why: "least change",
			Materials: []ScopeMaterial{{MaterialKey: "acrylic-adhesive", Role: "consolidant", Solvent: "ethanol", Least: dec("2"), Most: dec("5"), Unit: "percent_w_v"}}}},
		Why: "It holds without filling the cracks.", SafeBecause: "Ethanol does not swell this rubber; tested before.", Final: "What has soaked in stays.",
		Tests: []Test{{What: "spot on the inside", PassWhen: "no gloss after a day"}}, Hours: dec("6"), Begins: "2026-02", Ends: "2026-03",
		Photographs: []PlannedView{{View: "front", Stages: []string{"before", "after"}}}, Removed: "nothing", Performers: []domain.ID{bo.ID},
	}
}

func step(hands ...domain.ID) NewStep {
	return NewStep{Method: "consolidation", Done: Done{
		HappenedAt: monday.Add(10 * time.Hour), Hands: hands, UnderID: &hal.ID, Components: []domain.ID{cuff}, Minutes: 30,
		Materials: []Use{{MaterialKey: "acrylic-adhesive", Product: "Lot of resin", Batch: "B7", Concentration: dec("3"), Unit: "percent_w_v", Solvent: "ethanol"}, {Auxiliary: "water"}},
	}}
}

func departure(hands ...domain.ID) NewDeparture {
	return NewDeparture{Done: step(hands...).Done, Method: "consolidation", What: "acetone instead of ethanol", Why: "the bottle was mistaken"}
}

func ok(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func begun(t testing.TB) *Treatment {
	t.Helper()
	x, err := Begin(ada.Actor(), whole(), bench, monday)
	ok(t, err)
	return x
}

func submitted(t testing.TB) *Treatment {
	t.Helper()
	x := begun(t)
	ok(t, x.Submit(ada.Actor(), bench, monday))
	return x
}

// decided is a treatment that Dee has approved with the conditions.
func decided(t testing.TB, conditions ...NewCondition) *Treatment {
	t.Helper()
	x := submitted(t)
	d := NewDecision{Version: 1, Outcome: Approve, Statement: "Yes.", Conditions: conditions}
	if len(conditions) > 0 {
		d.Outcome = ApproveWithConditions
	}
	_, err := x.Decide(dee.Actor(), 0, d, bench, monday.Add(time.Hour))
	ok(t, err)
	return x
}

func worked(t *testing.T, conditions ...NewCondition) *Treatment {
	t.Helper()
	x := decided(t, conditions...)
	for _, c := range x.Conditions {
		ok(t, x.Acknowledge(ada.Actor(), Acknowledgement{Conditions: []domain.ID{c.ID}}, monday))
	}
	_, err := x.LogStep(ada.Actor(), step(bo.ID), bench, monday.Add(11*time.Hour))
	ok(t, err)
	return x
}

func report() Report {
	return Report{AimReached: "yes", ExaminationID: &examinedAfter, Components: []ComponentAfter{{ComponentID: cuff, Condition: "stable"}}, Photographs: []domain.ID{beforeCuff, afterCuff},
		Deviations: "none", TestResults: "no gloss", Removed: "nothing", Hours: dec("5"), People: []domain.ID{bo.ID},
		Handling: "lift from below", Display: "lying", Storage: "cool", NextCheck: "2026-08"}
}

// refusal checks the code of a refusal and gives it.
func refusal(t testing.TB, err error, code string) *domain.Error {
	t.Helper()
	var e *domain.Error
	if !errors.As(err, &e) {
		t.Fatalf("expected a refusal by %s, got %v", code, err)
	}
	if e.Code != code {
		t.Fatalf("expected a refusal by %s, got %s: %v", code, e.Code, e)
	}
	return e
}

func text(t *testing.T, x any) string {
	t.Helper()
	b, err := json.Marshal(x)
	ok(t, err)
	return string(b)
}
