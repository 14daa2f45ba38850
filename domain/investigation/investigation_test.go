package investigation

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/people"
)

var (
	noon  = time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)
	ines  = domain.Actor{ID: domain.NewID(), Name: "Ines", Roles: []domain.Role{domain.Conservator}}
	maud  = domain.Actor{ID: domain.NewID(), Name: "Maud", Roles: []domain.Role{domain.Curator}, Departments: []string{"Diving"}}
	piet  = domain.Actor{ID: domain.NewID(), Name: "Piet", Roles: []domain.Role{domain.Curator}, Departments: []string{"Charts"}}
	suit  = domain.NewID()
	cuff  = domain.NewID()
	sheet = &collection.Sheet{Object: collection.Object{ID: domain.NewID(), Number: "1968.14.2", Title: "Dry suit", Department: "Diving"},
		Components: []collection.Component{{ID: suit, Label: "1", Name: "body"}, {ID: cuff, Label: "1a", Name: "cuff"}}}
	curators = []people.Person{{ID: maud.ID, Name: "Maud"}}
)

func asked(t *testing.T, by domain.Actor) *Investigation {
	t.Helper()
	i, err := New(by, NewQuestion{Question: "What is the cover coat?", Why: "Whether it may be wetted."}, sheet, noon)
	if err != nil {
		t.Fatal(err)
	}
	return i
}

func wanted(count int) NewConsent {
	return NewConsent{Technique: "ftir-sample", Reason: "Reflection gave no clear match.", Sites: []Site{{ComponentID: suit, Place: "inside the hem", Size: "a flake of 1 mm", Count: count}}}
}

func taken(on string) NewSample {
	return NewSample{Technique: "ftir-sample", ComponentID: suit, Site: "inside the hem", Size: "0.8 mm", TakenOn: on, TakenBy: "Ines", Remainder: NewRemainder{State: "kept", Amount: "half", Where: "sample box 2"}}
}

func code(err error) string {
	var e *domain.Error
	if errors.As(err, &e) {
		return e.Code
	}
	return ""
}

func TestTechniques(t *testing.T) {
	all, err := Techniques()
	if err != nil || len(all) < 25 {
		t.Fatalf("%d techniques, %v", len(all), err)
	}
	for key, effect := range map[string]Effect{"xrf": Harmless, "ftir-atr": Touches, "surface-ph": Changes, "cross-section": Samples, "endoscopy": Touches} {
		if got, ok := technique(key); !ok || got.Effect != effect {
			t.Errorf("%s: %+v", key, got)
		}
	}
}

// I1: over the whole grid of who decides.
func TestI1WhoDecides(t *testing.T) {
	both := domain.Actor{ID: domain.NewID(), Name: "Both", Roles: []domain.Role{domain.Conservator, domain.Curator}, Departments: []string{"Diving"}}
	for name, c := range map[string]struct {
		asker, requester, decider domain.Actor
		refused                   string
	}{
		"the curator of the department":  {ines, ines, maud, ""},
		"a curator of another":           {ines, ines, piet, "not curator for Diving"},
		"who asked the question":         {maud, ines, maud, "You asked for this"},
		"who asked for the consent":      {ines, both, both, "You asked for this"},
		"a conservator":                  {ines, ines, domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Conservator}}, "not curator"},
		"a conservator who is a curator": {ines, ines, both, ""},
	} {
		i := asked(t, c.asker)
		if _, err := i.AskConsent(c.requester, wanted(1), sheet, noon); err != nil {
			t.Fatal(err)
		}
		_, err := i.Decide(c.decider, 1, NewConsentDecision{Granted: true, Statement: "Yes."}, curators, noon)
		if c.refused == "" && err != nil || c.refused != "" && (code(err) != "I1" || !strings.Contains(err.Error(), c.refused)) {
			t.Errorf("%s: %v", name, err)
		}
		if c.refused != "" && i.Consents[0].Decision != nil {
			t.Errorf("%s: decided all the same", name)
		}
	}
	i := asked(t, ines)
	if _, err := i.AskConsent(ines, wanted(1), sheet, noon); err != nil {
		t.Fatal(err)
	}
	if _, err := i.Decide(piet, 1, NewConsentDecision{Granted: true, Statement: "Yes."}, curators, noon); !strings.Contains(err.Error(), "Maud could decide") {
		t.Error(err)
	}
	if _, err := i.Decide(maud, 1, NewConsentDecision{Granted: true, Statement: "Yes.", ValidUntil: "2028-01-01"}, curators, noon); err == nil {
		t.Error("a consent for two years")
	}
	if _, err := i.Decide(maud, 1, NewConsentDecision{Statement: "No."}, curators, noon); err != nil {
		t.Error(err)
	}
	if _, err := i.Decide(maud, 1, NewConsentDecision{Granted: true, Statement: "Yes."}, curators, noon); code(err) != "I1" {
		t.Errorf("decided twice: %v", err)
	}
}

// I1: a sample needs a consent that covers it: granted, in force, of this component, and not used up.
func TestI1Samples(t *testing.T) {
	for name, c := range map[string]struct {
		consents func(i *Investigation)
		sample   NewSample
		says     string // "": taken as authorised
	}{
		"without any":     {func(*Investigation) {}, taken("2026-02-06"), "no curator has consented"},
		"not decided":     {func(i *Investigation) { ask(t, i, wanted(1)) }, taken("2026-02-06"), "not decided yet"},
		"declined":        {func(i *Investigation) { decide(t, i, ask(t, i, wanted(1)), false) }, taken("2026-02-06"), "declined"},
		"granted":         {func(i *Investigation) { decide(t, i, ask(t, i, wanted(1)), true) }, taken("2026-02-06"), ""},
		"before it":       {func(i *Investigation) { decide(t, i, ask(t, i, wanted(1)), true) }, taken("2026-02-05"), "given later"},
		"of another part": {func(i *Investigation) { decide(t, i, ask(t, i, wanted(1)), true) }, func() NewSample { n := taken("2026-02-06"); n.ComponentID = cuff; return n }(), "no curator has consented"},
		"by another way":  {func(i *Investigation) { decide(t, i, ask(t, i, wanted(1)), true) }, func() NewSample { n := taken("2026-02-06"); n.Technique = "gcms"; return n }(), "no curator has consented"},
	} {
		i := asked(t, ines)
		c.consents(i)
		s, err := i.Take(ines, c.sample, 1, sheet, noon)
		if c.says == "" {
			if err != nil || s.ConsentID == nil || s.Called != "1968.14.2.S1" {
				t.Errorf("%s: %+v %v", name, s, err)
			}
			if _, err := i.Take(ines, c.sample, 2, sheet, noon); code(err) != "I1" || !strings.Contains(err.Error(), "that many are on record") {
				t.Errorf("%s: a second one of one: %v", name, err)
			}
			continue
		}
		if code(err) != "I1" || !strings.Contains(err.Error(), c.says) || len(i.Samples) != 0 {
			t.Errorf("%s: %v", name, err)
		}
		// What happened can always be recorded, but never as authorised.
		c.sample.Explanation = "It came off while the hem was turned."
		if s, err = i.Take(ines, c.sample, 1, sheet, noon); err != nil || s.ConsentID != nil {
			t.Errorf("%s, explained: %+v %v", name, s, err)
		}
	}
}

func ask(t *testing.T, i *Investigation, n NewConsent) int {
	t.Helper()
	c, err := i.AskConsent(ines, n, sheet, noon)
	if err != nil {
		t.Fatal(err)
	}
	return c.Number
}

func decide(t *testing.T, i *Investigation, number int, granted bool) {
	t.Helper()
	if _, err := i.Decide(maud, number, NewConsentDecision{Granted: granted, Statement: "Said."}, curators, noon); err != nil {
		t.Fatal(err)
	}
}

func found(key string) NewFinding {
	return NewFinding{Technique: key, ComponentID: &suit, Found: "Bands of polyurethane.", Proves: "The coat is polyurethane.", DoneOn: "2026-02-06", DoneBy: "Ines"}
}

// I1 for findings: harmless ones need nothing; what leaves a trace a consent; what takes a sample, the
// sample.
func TestI1Findings(t *testing.T) {
	i := asked(t, ines)
	if f, err := i.Record(ines, found("xrf"), sheet, noon); err != nil || f.ConsentID != nil || i.State != Planned {
		t.Errorf("%+v %v", f, err)
	}
	if _, err := i.Record(ines, found("surface-ph"), sheet, noon); code(err) != "I1" {
		t.Errorf("a trace without consent: %v", err)
	}
	if _, err := i.Record(ines, found("ftir-sample"), sheet, noon); !strings.Contains(err.Error(), "record the sample first") {
		t.Errorf("a sample technique without a sample: %v", err)
	}
	decide(t, i, ask(t, i, NewConsent{Technique: "surface-ph", Reason: "To know.", Sites: []Site{{ComponentID: suit, Place: "hem", Size: "one drop", Count: 1}}}), true)
	if f, err := i.Record(ines, found("surface-ph"), sheet, noon); err != nil || f.ConsentID == nil {
		t.Errorf("%+v %v", f, err)
	}
	decide(t, i, ask(t, i, wanted(1)), true)
	s, err := i.Take(ines, taken("2026-02-06"), 4, sheet, noon)
	if err != nil {
		t.Fatal(err)
	}
	n := found("ftir-sample")
	n.SampleID, n.ComponentID = &s.ID, nil
	f, err := i.Record(ines, n, sheet, noon)
	if err != nil || *f.ComponentID != suit || !strings.Contains(i.Evidence(f), "of sample 1968.14.2.S4: The coat is polyurethane.") {
		t.Errorf("%+v %v", f, err)
	}
	n.ComponentID = &cuff
	if _, err := i.Record(ines, n, sheet, noon); err == nil {
		t.Error("a sample of another component")
	}
	n = found("xrf")
	n.ComponentID, n.Identifies = nil, &Identification{Role: "body", Confidence: "certain"}
	if _, err := i.Record(ines, n, sheet, noon); !strings.Contains(err.Error(), "I2") {
		t.Errorf("%v", err)
	}
}

func TestLifeOfAQuestion(t *testing.T) {
	i := asked(t, ines)
	if _, err := i.AskConsent(ines, NewConsent{Technique: "xrf", Reason: "r", Sites: wanted(1).Sites}, sheet, noon); err == nil {
		t.Error("a consent for what touches nothing")
	}
	if err := i.Finish(ines, NewEnd{Outcome: Done, Text: "Polyurethane."}, noon); code(err) != "no_finding" {
		t.Errorf("answered without a finding: %v", err)
	}
	if err := i.SetPlan(ines, NewPlan{Techniques: []string{"xrf", "magic"}, Who: "Ines"}, sheet, noon); err == nil {
		t.Error("an unknown technique is planned")
	}
	if err := i.SetPlan(ines, NewPlan{Techniques: []string{"xrf"}, ComponentIDs: []domain.ID{suit}, Who: "Ines", PlannedFor: "2026-03-01"}, sheet, noon); err != nil || i.State != Planned {
		t.Error(err)
	}
	if _, err := i.Record(ines, found("xrf"), sheet, noon); err != nil {
		t.Fatal(err)
	}
	if err := i.Finish(ines, NewEnd{Outcome: Done, Text: "Polyurethane."}, noon); err != nil || i.State != Done {
		t.Error(err)
	}
	for name, act := range map[string]func() error{
		"plan":    func() error { return i.SetPlan(ines, NewPlan{Techniques: []string{"xrf"}, Who: "Ines"}, sheet, noon) },
		"finding": func() error { _, err := i.Record(ines, found("xrf"), sheet, noon); return err },
		"sample":  func() error { _, err := i.Take(ines, taken("2026-02-06"), 1, sheet, noon); return err },
		"consent": func() error { _, err := i.AskConsent(ines, wanted(1), sheet, noon); return err },
		"end":     func() error { return i.Finish(ines, NewEnd{Outcome: GivenUp, Text: "x"}, noon) },
	} {
		if err := act(); domain.KindOf(err) != domain.KindConflict {
			t.Errorf("%s of an ended question: %v", name, err)
		}
	}
	given := asked(t, ines)
	if err := given.Finish(ines, NewEnd{Outcome: GivenUp, Text: "No instrument."}, noon); err != nil || given.State != GivenUp {
		t.Error(err)
	}
	kinds := []string{}
	for _, e := range i.Events() {
		kinds = append(kinds, e.Kind)
	}
	if !slices.Equal(kinds, []string{"asked", "planned", "found", "done"}) {
		t.Error(kinds)
	}
}

// I1: a sample has a place and a remainder, and what is left is said anew beside it. P3: a place that is
// hidden is left out.
func TestRemainders(t *testing.T) {
	i := asked(t, ines)
	n := taken("2026-02-06")
	n.Explanation = "Found loose."
	for name, r := range map[string]NewRemainder{"kept nowhere": {State: "kept", Amount: "half"}, "kept of nothing": {State: "kept", Where: "box"}, "away with nobody": {State: "away", Amount: "half"}} {
		bad := n
		bad.Remainder = r
		if _, err := i.Take(ines, bad, 1, sheet, noon); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	s, err := i.Take(ines, n, 1, sheet, noon)
	if err != nil {
		t.Fatal(err)
	}
	if err := i.Finish(ines, NewEnd{Outcome: GivenUp, Text: "x"}, noon); err != nil {
		t.Fatal(err)
	}
	if s, err = i.Left(ines, s.ID, NewRemainder{State: "used_up"}, noon); err != nil || len(s.Remainders) != 2 {
		t.Errorf("%+v %v", s, err)
	}
	place := domain.NewID()
	i.Samples[0].Remainders[0] = Remainder{State: "kept", Place: "vault", PlaceID: &place, Where: "drawer 2", Hidden: true}
	if seen := i.hide(maud); seen.Samples[0].Remainders[0].Place != "vault" {
		t.Error("the curator of the department may know")
	}
	if seen := i.hide(piet); seen.Samples[0].Remainders[0].Place != "" || seen.Samples[0].Remainders[0].PlaceID != nil || seen.Samples[0].Remainders[0].Where != "" {
		t.Error("a hidden place is shown")
	}
}
