package serve_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/treatment"
)

// TestTreatmentByPages walks a treatment from the first draft to an addendum by the pages, without
// JavaScript, as two people.
func TestTreatmentByPages(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ines, maud := h.Browser(g.People[domain.Conservator]), h.Browser(g.People[domain.Curator])
	cuff, seal := g.Parts["1a"].String(), g.Parts["1"].String()

	examined := func(occasion examination.Occasion) string {
		return h.Examine(g.People[domain.Conservator].Actor, g.Object.ID, servetest.Look{Occasion: occasion}).ID.String()
	}

	// More rows are shown with what was typed; nothing is kept by that.
	p := ines.Get("/objects/1968.14.2").Must(http.StatusOK).Has("Treatments", "Propose a treatment")
	_ = p
	p = ines.Get("/objects/1968.14.2/treatments/new").Must(http.StatusOK)
	typed := url.Values{"title": {"Consolidate <b>the ring</b>"}, "hours": {"not yet known"}, "scope.0.component_id": {cuff}, "scope.0.method": {"consolidation"},
		"scope.0.materials.0.material_key": {"acrylic-adhesive"}, "scope.0.materials.0.solvent": {"ethanol"}, "more": {"scope.0.materials"}}
	p = p.Submit("/objects/1968.14.2/treatments", typed).Must(http.StatusOK)
	for _, kept := range []string{`value="Consolidate &lt;b&gt;the ring&lt;/b&gt;"`, `value="not yet known"`, `name="scope.0.materials.3.material_key"`, `value="ethanol"`} {
		if !strings.Contains(p.Body, kept) {
			t.Errorf("after 'more rows' the form does not hold %s", kept)
		}
	}
	if n := h.Rows("treatment")["treatment"]; n != 0 {
		t.Errorf("%d treatments after asking for rows", n)
	}
	// A refused draft comes back with what was typed; then it is kept.
	p = p.Submit("/objects/1968.14.2/treatments", nil).Must(http.StatusUnprocessableEntity).Has("Refused", "Hours expected")
	p = p.Submit("/objects/1968.14.2/treatments", url.Values{"hours": {"6.5"}}).Must(http.StatusOK).Has("The draft is kept", "Still missing", "reasons", "at least two options")
	at := p.Path
	p.Submit(at+"/submissions", nil).Must(http.StatusUnprocessableEntity).Has("Refused by rule T4", "Missing")

	ines.Get("/objects/1968.14.2/treatments/new").Has("examine it first")
	before := examined(examination.BeforeTreatment)
	p = ines.Get(at + "/edit").Must(http.StatusOK)
	whole := url.Values{"rests_on.text": {"Cracked."}, "rests_on.examination_id": {before}, "reasons": {"It powders."}, "aims": {"remedial"},
		"why": {"It holds."}, "safe_because": {"Tested."}, "irreversible": {"nothing"}, "no_tests_because": {"done before"}, "begins": {"2026-02"}, "ends": {"2026-03"},
		"photographs.0.view": {"front"}, "photographs.0.stages": {"before", "after"}, "removed": {"nothing"}}
	for _, row := range []string{"0", "1"} {
		for _, field := range []string{"method", "benefit", "risk_to_object", "risk_to_people", "effect_on_significance", "reversibility", "retreatability"} {
			whole.Set("options."+row+"."+field, "as said")
		}
	}
	p = p.Submit(at+"/edit", whole).Must(http.StatusOK)
	p = p.Submit(at+"/submissions", nil).Must(http.StatusOK).Has("version 1 submitted", "a curator of Diving: decide on version 1")

	// The curator decides beside the text; the conservator is shown no form for it.
	if strings.Contains(p.Body, at+"/decisions") {
		t.Error("the author is shown the form of the decision")
	}
	p = maud.Get(at).Must(http.StatusOK).Has("Decide on version 1", "acrylic")
	p = p.Submit(at+"/decisions", url.Values{"outcome": {"approve_with_conditions"}, "statement": {"Go on."}}).Must(http.StatusUnprocessableEntity).Has("at least one condition")
	p.Submit(at+"/decisions", url.Values{"conditions.0.text": {"ventilate"}, "conditions.0.binds": {"during"}}).Must(http.StatusOK).Has("approved with conditions", "ventilate", "not acknowledged")

	p = ines.Get(at).Has("acknowledge condition 1")
	condition := valueOf(t, p, "conditions")
	p.Submit(at+"/acknowledgements", url.Values{"conditions": {condition}}).Must(http.StatusOK).Has("Noted that the conditions were read")

	// A step with another solvent is refused, naming it, with what was typed; then it is logged.
	p = ines.Get(at + "/steps/new").Must(http.StatusOK)
	step := url.Values{"materials.0.material_key": {"acrylic-adhesive"}, "materials.0.product": {"Resin 72"}, "materials.0.batch": {"B-7"}, "materials.0.solvent": {"toluene"}, "note": {"Brushed on."}, "controls": {"kept"}}
	p = p.Submit(at+"/steps", step).Must(http.StatusUnprocessableEntity).Has("Refused by rule T1", "Outside the approved scope", "solvent 'toluene'")
	if !strings.Contains(p.Body, "Brushed on.") || !strings.Contains(p.Body, `value="B-7"`) {
		t.Error("what was typed is lost")
	}
	p.Submit(at+"/steps", url.Values{"materials.0.solvent": {"ethanol"}}).Must(http.StatusOK).Has("The step is logged", "under way, approved with conditions", "Resin 72 (batch B-7)")
	ines.Get(at+"/departures/new").Submit(at+"/departures", url.Values{"what": {"the body too"}, "why": {"it ran down"}, "components": {seal}, "controls": {"kept"}}).Must(http.StatusOK).Has("the body too", "it ran down")
	ines.Get("/material-uses?batch=b-7").Must(http.StatusOK).Has("1968.14.2.1a Cuff ring, left", "B-7")

	// Completion: what is missing is listed; then signed, and corrected beside.
	after := examined(examination.AfterTreatment)
	p = ines.Get(at + "/completion").Must(http.StatusOK)
	p = p.Submit(at+"/completion", url.Values{"aim_reached": {"yes"}, "examination_id": {after}, "components.0.condition_after": {"firm"}}).Must(http.StatusOK).Has("Still missing", "advice for handling")
	p.Submit(at+"/completion/end", nil).Must(http.StatusUnprocessableEntity).Has("Refused by rule T7", "a photograph before and one after")
	p = ines.Get(at+"/completion").Submit(at+"/completion", url.Values{"components.0.no_photographs_because": {"none"}, "components.1.condition_after": {"firm"}, "components.1.no_photographs_because": {"none"},
		"deviations": {"see the departure"}, "removed": {"nothing"}, "answers.0.met": {"met"}, "handling_advice": {"a"}, "display_advice": {"a"}, "storage_advice": {"a"},
		"next_check_due": {h.Now().AddDate(1, 0, 0).Format(time.DateOnly)}}).Must(http.StatusOK)
	p = p.Submit(at+"/completion/end", nil).Must(http.StatusOK)
	p = p.Submit(at+"/signature", url.Values{"statement": {"All true."}}).Must(http.StatusOK).Has("Signed and sealed", "All true.")
	if strings.Contains(p.Body, at+"/steps/new") || strings.Contains(p.Body, at+"/edit") {
		t.Error("a signed treatment offers work")
	}
	p = ines.Get(at + "/addenda/new?record=completion").Must(http.StatusOK)
	p.Submit(at+"/addenda", url.Values{"field": {"deviations"}, "old_statement": {"see the departure"}, "new_statement": {"the body was wetted"}, "reason": {"clearer"}}).
		Must(http.StatusOK).Has("Addendum 1: deviations", "the body was wetted")
	if report, err := h.Record.Verify(t.Context(), nil); err != nil || !report.Clean || report.Head.Count != 5 {
		t.Errorf("verify: %+v, %v", report, err)
	}

	// An emergency, and its ratification.
	p = ines.Get("/objects/1968.14.2/emergency").Submit("/objects/1968.14.2/emergency", url.Values{"imminent": {"The helmet rolls."}, "methods": {"support"}, "components": {g.Parts["2"].String()}, "controls": {"kept"}}).
		Must(http.StatusOK).Has("The helmet rolls.", "to be ratified")
	maud.Get("/").Has("The helmet rolls.")
	maud.Get(p.Path).Submit(p.Path+"/ratifications", url.Values{"outcome": {"ratified"}, "statement": {"Right."}}).Must(http.StatusOK).Has("ratified", "Right.")
}

// valueOf is the value of the first choice of a name.
func valueOf(t *testing.T, p *servetest.Page, name string) string {
	t.Helper()
	_, rest, ok := strings.Cut(p.Body, `name="`+name+`" value="`)
	if !ok {
		t.Fatalf("%s has no choice %s", p.Path, name)
	}
	value, _, _ := strings.Cut(rest, `"`)
	return value
}

// TestTreatmentPagesBadInput: what cannot be read or kept is refused with a page that says so, and
// leaves nothing behind.
func TestTreatmentPagesBadInput(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	draft, err := h.Treatment.Begin(t.Context(), g.People[domain.Conservator].Actor, g.Object.ID, h.Proposed(g))
	if err != nil {
		t.Fatal(err)
	}
	ines, at := h.Browser(g.People[domain.Conservator]), "/treatments/"+draft.ID.String()
	for path, status := range map[string]int{
		"/treatments/1": http.StatusNotFound, "/treatments/" + domain.NewID().String(): http.StatusNotFound, at + "/amendments/7/edit": http.StatusNotFound,
		at + "/amendments/x/edit": http.StatusNotFound, "/objects/none/treatments/new": http.StatusNotFound, "/objects/none/emergency": http.StatusNotFound,
		"/treatments?state=lost": http.StatusUnprocessableEntity, "/treatments?move=mine": http.StatusUnprocessableEntity, "/treatments?cursor=x": http.StatusBadRequest,
		"/treatments?object=none": http.StatusNotFound, "/emergencies/1": http.StatusNotFound, "/emergencies?cursor=x": http.StatusBadRequest, "/material-uses?batch=x&cursor=y": http.StatusBadRequest,
		"/objects/1968.14.2/treatments/new?from=x": http.StatusNotFound, at + "/addenda/new?record_id=x": http.StatusNotFound,
	} {
		p := ines.Get(path).Must(status)
		for _, fault := range p.Faults(g.People[domain.Conservator], map[string]bool{}) {
			t.Errorf("%s: %s", path, fault)
		}
	}
	before := h.Rows("event", "treatment", "treatment_version", "work", "emergency", "handling")
	for name, values := range map[string]url.Values{
		"a title too long":   {"title": {strings.Repeat("x", 201)}},
		"reversed writing":   {"reasons": {"a\u202eb"}},
		"NUL":                {"why": {"a\x00b"}},
		"bad UTF-8":          {"why": {"a\xffb"}},
		"no number":          {"hours": {"many"}},
		"negative hours":     {"hours": {"-3"}},
		"absurd hours":       {"hours": {"1e9"}},
		"no date":            {"begins": {"soon"}},
		"unknown material":   {"scope.0.materials.0.material_key": {"<script>alert(1)</script>"}},
		"unknown component":  {"scope.0.component_id": {domain.NewID().String()}},
		"no component":       {"scope.0.component_id": {"'; drop table treatment; --"}},
		"an unknown field":   {"scope.0.colour": {"red"}},
		"an unknown option":  {"aims": {"beauty"}},
		"a list of a text":   {"title.0": {"x"}},
		"a currency of four": {"cost": {"1"}, "cost_currency": {"EURO"}},
	} {
		p := ines.Get(at+"/edit").Submit(at+"/edit", values)
		if p.Status != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d", name, p.Status)
		}
		p.Has("Refused")
		if strings.Contains(p.Body, "<script>alert") {
			t.Errorf("%s: typed marks are not shown as typed", name)
		}
	}
	for table, n := range h.Rows("event", "treatment", "treatment_version", "work", "emergency", "handling") {
		if n != before[table] {
			t.Errorf("bad input left something in %s: %d rows, had %d", table, n, before[table])
		}
	}
	// Somebody else changed the draft meanwhile: both texts are shown, nothing is overwritten.
	p := ines.Get(at + "/edit")
	if _, err := h.Treatment.Rewrite(t.Context(), g.People[domain.Conservator].Actor, draft.ID, draft.Version, h.Proposed(g)); err != nil {
		t.Fatal(err)
	}
	p = p.Submit(at+"/edit", url.Values{"title": {"My own title"}}).Must(http.StatusPreconditionFailed).Has("Somebody else changed this", "The text as it now stands", "It holds without filling.")
	if !strings.Contains(p.Body, `value="My own title"`) {
		t.Error("what was typed is lost")
	}
	if now, err := h.Treatment.One(t.Context(), g.People[domain.Conservator].Actor, draft.ID); err != nil || now.Proposal.Title == "My own title" {
		t.Errorf("overwritten: %v", err)
	}
}

// TestTreatmentPageQueries: bounded, and the same however much there is to show.
func TestTreatmentPageQueries(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ines := g.People[domain.Conservator].Actor
	begin := func() domain.ID {
		d, err := h.Treatment.Begin(t.Context(), ines, g.Object.ID, h.Proposed(g))
		if err != nil {
			t.Fatal(err)
		}
		return d.ID
	}
	at := "/treatments/" + begin().String()
	b := h.Browser(g.People[domain.Conservator])
	paths := []string{"/treatments", at, at + "/edit", "/emergencies", "/material-uses?batch=x", "/objects/1968.14.2/treatments/new", "/objects/1968.14.2/emergency", at + "/departures/new"}
	before := map[string]int64{}
	for _, path := range paths {
		before[path] = b.Queries(path)
	}
	for range 12 {
		begin()
		if _, err := h.Treatment.Stabilise(t.Context(), ines, g.Object.ID, treatment.NewEmergency{Imminent: "It slides.", NoticedAt: h.Now().Add(-time.Minute), Methods: []string{"support"},
			Done: treatment.Done{HappenedAt: h.Now(), Hands: []domain.ID{ines.ID}, Components: []domain.ID{g.Parts["2"]}, Minutes: 1, Controls: "kept"}}); err != nil {
			t.Fatal(err)
		}
	}
	for _, path := range paths {
		if after := b.Queries(path); after != before[path] || after > 26 {
			t.Errorf("%s: %d queries, with more rows %d", path, before[path], after)
		}
	}
}
