package api_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/treatment"
)

// bench is a laboratory with a diving dress on the table: a suit (1) with a cuff (1a) and its seal
// (1b), and a helmet (2).
type bench struct {
	*servetest.House
	t                            *testing.T
	ines, jon                    servetest.Someone // conservators
	piet, maud                   servetest.Someone // curators
	rosa, tove, rae              servetest.Someone // registrar, technician, reader
	object                       domain.ID
	suit, cuff, cuffSeal, helmet domain.ID
	id                           domain.ID // of the treatment
	tag                          servetest.Header
	now                          treatment.Treatment // as last answered
}

func newBench(t *testing.T, change ...func(*serve.Settings)) *bench {
	t.Helper()
	b := &bench{t: t, House: servetest.New(t, change...)}
	b.ines, b.jon = b.Person("Ines Falkenberg", domain.Conservator), b.Person("Jon Aske", domain.Conservator)
	b.piet, b.maud = b.Person("Piet Lindqvist", domain.Curator), b.Person("Maud Okonjo", domain.Curator)
	b.rosa, b.tove, b.rae = b.Person("Rosa Amsel", domain.Registrar), b.Person("Tove Berg", domain.Technician), b.Person("Rae Quill", domain.Reader)
	o, err := b.Collection.Create(t.Context(), b.rosa.Actor, collection.NewObject{ObjectFacts: collection.ObjectFacts{
		Number: "1968.14.2", Title: "Diving dress", Department: servetest.Department, LegalStatus: collection.Accessioned}})
	if err != nil {
		t.Fatal(err)
	}
	b.object = o.ID
	part := func(label, name, function string, parent *domain.ID) domain.ID {
		c, err := b.Collection.AddComponent(t.Context(), b.ines.Actor, o.ID, collection.NewComponent{Label: label, Attribution: collection.UnknownAttribution,
			ComponentFacts: collection.ComponentFacts{ParentID: parent, Name: name, Side: "none", Function: function, Count: 1, Removal: collection.Freely}})
		if err != nil {
			t.Fatal(err)
		}
		return c.ID
	}
	b.suit = part("1", "suit", "gas_tight", nil)
	b.cuff = part("1a", "cuff", "seal", &b.suit)
	b.cuffSeal = part("1b", "cuff seal", "seal", &b.cuff)
	b.helmet = part("2", "helmet", "hardware", nil)
	return b
}

func (b *bench) path() string { return "/treatments/" + b.id.String() }

// keep remembers the treatment as it was answered, and its tag for the next act.
func (b *bench) keep(a *servetest.Answer) *bench {
	b.t.Helper()
	b.now = servetest.JSON[treatment.Treatment](a)
	b.id, b.tag = b.now.ID, a.Tag()
	return b
}

// act sends an act on the treatment and keeps what it became.
func (b *bench) act(who servetest.Someone, path string, command any) *bench {
	b.t.Helper()
	return b.keep(b.API(who).Post(b.path()+path, command, b.tag).Must(http.StatusOK))
}

// put is act by PUT.
func (b *bench) put(who servetest.Someone, path string, command any) *bench {
	b.t.Helper()
	return b.keep(b.API(who).Put(b.path()+path, command, b.tag).Must(http.StatusOK))
}

// refused sends an act that must be refused with the status and code, and checks that nothing changed.
func (b *bench) refused(who servetest.Someone, path string, command any, status int, code string) []string {
	b.t.Helper()
	before := b.Rows("event", "seal", "treatment_version", "treatment_decision", "treatment_condition", "treatment_party", "work", "work_material", "handling", "notice", "treatment_addendum", "component")
	p := b.API(who).Post(b.path()+path, command, b.tag).Refused(status, code)
	for table, n := range b.Rows("event", "seal", "treatment_version", "treatment_decision", "treatment_condition", "treatment_party", "work", "work_material", "handling", "notice", "treatment_addendum", "component") {
		if n != before[table] {
			b.t.Errorf("refused by %s, yet %s has %d rows, had %d", code, table, n, before[table])
		}
	}
	if !strings.HasPrefix(p.Type, "/problems/") {
		b.t.Errorf("type %q", p.Type)
	}
	return append(p.Missing, p.Outside...)
}

// examined is a signed examination of the object for an occasion.
func (b *bench) examined(occasion examination.Occasion) domain.ID {
	b.t.Helper()
	return b.Examine(b.ines.Actor, b.object, servetest.Look{Occasion: occasion}).ID
}

// text is a proposal that lacks nothing.
func (b *bench) text() body {
	option := func(method string) body {
		return body{"method": method, "benefit": "b", "risk_to_object": "r", "risk_to_people": "r", "effect_on_significance": "s", "reversibility": "r", "retreatability": "r"}
	}
	return body{
		"title": "Consolidate the cuff", "rests_on": body{"examination_id": b.examined(examination.BeforeTreatment), "text": "The cuff is cracked and powders."},
		"reasons": "Cracks at the fold of the cuff.", "aims": []string{"remedial", "preventive"}, "options": []body{option("no treatment"), option("consolidation")},
		"scope": []body{{"component_id": b.cuff, "and_its_parts": true, "method": "consolidation", "why": "least change",
			"materials": []body{{"material_key": "acrylic-adhesive", "role": "consolidant", "solvent": "ethanol", "concentration_min": "2", "concentration_max": "5", "unit": "percent_w_v"}}}},
		"why": "It holds.", "safe_because": "Ethanol does not swell this rubber.", "irreversible": "What has soaked in stays.",
		"tests": []body{{"what": "a spot on the inside", "pass_when": "no gloss after a day"}}, "hours": "6.5", "begins": "2026-02", "ends": "2026-03",
		"photographs": []body{{"view": "front", "stages": []string{"before", "after"}}}, "removed": "nothing", "performers": []domain.ID{b.jon.ID},
	}
}

func (b *bench) step(change ...func(body)) body {
	s := body{"happened_at": b.Now().Format(time.RFC3339), "hands": []domain.ID{b.jon.ID}, "components": []domain.ID{b.cuffSeal}, "method": "Consolidation", "minutes": 40,
		"materials": []body{{"material_key": "acrylic-adhesive", "product": "Resin 72", "batch": "B-7", "concentration": "3", "unit": "percent_w_v", "solvent": "ethanol", "amount": "5 ml"},
			{"auxiliary": "water"}}, "observed_before": "powdering", "observed_after": "firm", "temperature_c": "20.5", "humidity_percent": "48", "tool": "brush"}
	for _, c := range change {
		c(s)
	}
	return s
}

func (b *bench) report() body {
	answers := []body{}
	for _, c := range b.now.Conditions {
		answers = append(answers, body{"condition_id": c.ID, "met": "met"})
	}
	people, parts := []domain.ID{}, []body{}
	for _, h := range b.now.Hands() {
		people = append(people, h.ID)
	}
	for _, p := range b.now.Treated() {
		parts = append(parts, body{"component_id": p.ID, "condition_after": "stable", "no_photographs_because": "the camera failed"})
	}
	return body{"examination_id": b.examined(examination.AfterTreatment), "aim_reached": "yes", "components": parts, "deviations": "none", "test_results": "no gloss", "removed": "nothing", "hours": "1.5", "people": people, "answers": answers,
		"handling_advice": "lift from below", "display_advice": "lying", "storage_advice": "cool and dark", "next_check_due": b.Now().AddDate(0, 6, 0).Format(time.DateOnly)}
}

func (b *bench) begin() *bench {
	b.t.Helper()
	return b.keep(b.API(b.ines).Post("/objects/"+b.object.String()+"/treatments", b.text()).Must(http.StatusCreated))
}

// verified checks the chain, which has so many seals besides those of examinations.
func (b *bench) verified(seals int64) {
	b.t.Helper()
	var examined int64
	if err := b.Database.OwnerPool().QueryRow(b.t.Context(), `select count(*) from examination where state = 'signed'`).Scan(&examined); err != nil {
		b.t.Fatal(err)
	}
	seals += examined
	report, err := b.Record.Verify(b.t.Context(), nil)
	if err != nil || !report.Clean || report.Head.Count != seals {
		b.t.Fatalf("verify: %+v, %v; want %d seals", report, err, seals)
	}
}

// TestTreatmentWalk goes the whole way, with every refusal of rules T1 to T8 met on it.
//
// source: AIC Code of Ethics and Guidelines for Practice 1994, guidelines 26 to 28; E.C.C.O.
// Professional Guidelines 2003, article 10; published collections procedures standard (Spectrum 5.0),
// collections care and conservation.
func TestTreatmentWalk(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.begin()
	if b.now.Number != 1 || b.now.State != treatment.Drafting || b.now.InCharge.Name != "Ines Falkenberg" || b.now.NextMoves[0].Who != treatment.ByConservator {
		t.Errorf("begun: %+v", b.now)
	}
	bare := b.text()
	bare["reasons"], bare["irreversible"] = "", ""
	b.put(b.ines, "", bare)
	if missing := b.refused(b.ines, "/submissions", nil, http.StatusUnprocessableEntity, "T4"); len(missing) != 2 {
		t.Errorf("missing %q", missing)
	}
	b.put(b.ines, "", b.text()).act(b.ines, "/submissions", nil)
	b.API(b.ines).Put(b.path(), b.text(), b.tag).Refused(http.StatusConflict, "T4")
	b.act(b.ines, "/returns", body{"reason": "a better word"}).act(b.ines, "/submissions", nil)
	if len(b.now.Versions) != 2 || b.now.Versions[0].Voided == nil || b.now.Standing != "version 2 submitted" {
		t.Errorf("submitted again: %q, %+v", b.now.Standing, b.now.Versions)
	}

	// T2: a conservator's own text, though they are curator as well.
	both := b.Person("Both Ways", domain.Conservator, domain.Curator)
	yes := body{"version_number": 2, "outcome": "approve_with_conditions", "statement": "Yes, with care.", "conditions": []body{
		{"binds": "before_start", "text": "test on the inside"}, {"binds": "during", "text": "ventilate"}, {"binds": "at_completion", "text": "show me"}}}
	b.act(b.ines, "/returns", body{"reason": "r"}).put(both, "", b.text()).act(b.ines, "/submissions", nil)
	yes["version_number"] = 3
	p := b.API(both).Post(b.path()+"/decisions", yes, b.tag).Refused(http.StatusUnprocessableEntity, "T2")
	if !strings.Contains(p.Detail, "Maud Okonjo or Piet Lindqvist could decide") {
		t.Errorf("who could decide: %s", p.Detail)
	}
	old := body{"version_number": 2, "outcome": "approve", "statement": "s"}
	b.refused(b.piet, "/decisions", old, http.StatusConflict, "T4")
	b.refused(b.ines, "/steps", b.step(), http.StatusConflict, "T1")
	b.act(b.piet, "/decisions", yes)
	b.verified(1)
	if b.now.Standing != "approved with conditions" || b.now.State != treatment.Approved {
		t.Errorf("stands %q", b.now.Standing)
	}

	// T3: two of three acknowledged; then not yet fulfilled.
	c := b.now.Conditions
	b.act(b.ines, "/acknowledgements", body{"conditions": []domain.ID{c[0].ID, c[1].ID}})
	if missing := b.refused(b.jon, "/steps", b.step(), http.StatusUnprocessableEntity, "T3"); len(missing) != 2 || !strings.Contains(missing[1], "show me") {
		t.Errorf("missing %q", missing)
	}
	b.act(b.ines, "/acknowledgements", body{"conditions": []domain.ID{c[2].ID}})
	b.refused(b.jon, "/steps", b.step(), http.StatusUnprocessableEntity, "T3")
	b.act(b.ines, "/fulfilments", body{"condition_id": c[0].ID, "outcome": "fulfilled", "statement": "no gloss"})

	// T1: outside by solvent and by material, each named.
	outside := b.refused(b.jon, "/steps", b.step(func(s body) {
		s["materials"] = []body{{"material_key": "acrylic-adhesive", "product": "p", "batch": "b", "concentration": "3", "unit": "percent_w_v", "solvent": "toluene"},
			{"material_key": "animal-glue", "product": "Pearl glue", "batch": "1"}}
	}), http.StatusUnprocessableEntity, "T1")
	if len(outside) != 2 || !strings.Contains(outside[0], "solvent 'toluene'") || !strings.Contains(outside[1], "glue") {
		t.Errorf("outside %q", outside)
	}
	b.act(b.jon, "/steps", b.step())
	if b.now.State != treatment.UnderWay || len(b.now.Steps) != 1 || b.now.Steps[0].Materials[0].Concentration.String() != "3" || b.now.Steps[0].Hands[0].Name != "Jon Aske" {
		t.Errorf("step %+v", b.now.Steps)
	}
	if n := b.count(`select count(*) from handling where purpose = 'treatment'`); n != 1 {
		t.Errorf("H1: %d handling events", n)
	}
	b.refused(b.piet, "/steps", b.step(), http.StatusForbidden, "P2")

	// T5: an amendment opens what lies outside, once approved.
	glue := b.step(func(s body) {
		s["method"], s["components"], s["materials"] = "filling", []domain.ID{b.helmet}, []body{{"material_key": "animal-glue", "product": "Pearl glue", "batch": "1"}}
	})
	amendment := body{"title": "Fill", "reasons": "Losses were found.", "safe_because": "Inert.", "scope": []body{{"component_id": b.helmet, "method": "filling", "materials": []body{{"material_key": "animal-glue"}}}}}
	b.act(b.jon, "/amendments", amendment)
	b.put(b.jon, "/amendments/1", amendment).act(b.jon, "/amendments/1/submissions", nil)
	b.act(b.jon, "/amendments/1/returns", body{"reason": "r"}).act(b.jon, "/amendments/1/submissions", nil)
	b.act(b.ines, "/steps", b.step())
	b.refused(b.ines, "/steps", glue, http.StatusUnprocessableEntity, "T1")
	b.refused(both, "/amendments/1/decisions", body{"version_number": 2, "outcome": "approve", "statement": "s"}, http.StatusUnprocessableEntity, "T2")
	b.act(b.maud, "/amendments/1/decisions", body{"version_number": 2, "outcome": "approve", "statement": "Fill them."})
	glue["happened_at"] = b.Now().Add(time.Minute).Format(time.RFC3339)
	b.Wait(2 * time.Minute)
	b.act(b.ines, "/steps", glue)
	b.act(b.jon, "/amendments", body{"title": "Not needed"}).act(b.jon, "/amendments/2/withdrawal", body{"reason": "not needed"})

	// T11: the truth, with notice to the curators.
	b.act(b.tove, "/departures", b.step(func(s body) {
		delete(s, "method")
		s["hands"], s["materials"] = []domain.ID{b.tove.ID}, []body{{"product": "Unnamed paste", "batch": "X1"}}
		s["what"], s["why"] = "a paste from the shelf", "the label was misread"
	}))
	if told := texts(b.House, b.piet, ""); !slices.ContainsFunc(told, func(s string) bool { return strings.Contains(s, "a paste from the shelf") }) {
		t.Errorf("the curator was told %q", told)
	}

	// T7: all that is missing, at once.
	b.put(b.ines, "/completion", body{"deviations": "see the departure"})
	if missing := b.refused(b.ines, "/completion", nil, http.StatusUnprocessableEntity, "T7"); len(missing) < 12 {
		t.Errorf("missing %q", missing)
	}
	b.put(b.ines, "/completion", b.report()).act(b.ines, "/completion", nil).act(b.ines, "/signature", body{"statement": "All true."})
	b.verified(3)
	if b.now.State != treatment.Signed || len(b.now.Completion.Used) != 4 {
		t.Errorf("signed: %s, used %+v", b.now.State, b.now.Completion.Used)
	}

	// T8: nothing changes; an addendum stands beside.
	b.API(b.ines).Put(b.path(), b.text(), b.tag).Refused(http.StatusConflict, "T8")
	b.API(b.ines).Put(b.path()+"/completion", b.report(), b.tag).Refused(http.StatusConflict, "T8")
	b.act(b.ines, "/addenda", body{"record": "completion", "field": "hours", "old_statement": "1.5", "new_statement": "2", "reason": "one note was forgotten"})
	b.act(b.jon, "/addenda", body{"record": "step", "record_id": b.now.Steps[0].ID, "field": "batch", "old_statement": "B-7", "new_statement": "B-8", "reason": "misread"})
	b.verified(5)

	// Everything that received a batch or a product is found, in signed records too.
	for query, n := range map[string]int{"?batch=b-7": 2, "?product=resin%20%2072": 2, "?product=Unnamed+paste&batch=x1": 1, "?material_key=animal-glue": 1, "?batch=none": 0} {
		page := servetest.JSON[domain.Page[treatment.MaterialUse]](b.API(b.rae).Get("/material-uses" + query).Must(http.StatusOK))
		if len(page.Items) != n {
			t.Errorf("uses of %s: %+v", query, page.Items)
		}
	}
	b.API(b.rae).Get("/material-uses").Refused(http.StatusUnprocessableEntity, "invalid")
	first := servetest.JSON[domain.Page[treatment.MaterialUse]](b.API(b.rae).Get("/material-uses?batch=B-7&limit=1").Must(http.StatusOK))
	second := servetest.JSON[domain.Page[treatment.MaterialUse]](b.API(b.rae).Get("/material-uses?batch=B-7&limit=1&cursor=" + first.Next).Must(http.StatusOK))
	if len(second.Items) != 1 || second.Next != "" || second.Items[0].WorkID == first.Items[0].WorkID {
		t.Errorf("pages of uses: %+v then %+v", first, second)
	}

	b.keep(b.API(b.rae).Get(b.path()).Must(http.StatusOK))
	list := servetest.JSON[domain.Page[treatment.Line]](b.API(b.rae).Get("/treatments?state=signed&department=Diving&object_id=" + b.object.String() + "&in_charge=" + b.ines.ID.String()).Must(http.StatusOK))
	if len(list.Items) != 1 || list.Items[0].Standing != "signed" || list.Items[0].Title != "Consolidate the cuff" {
		t.Errorf("list %+v", list.Items)
	}
}

// count is the answer of a counting query.
func (b *bench) count(sql string, args ...any) (n int) {
	b.t.Helper()
	if err := b.Database.Pool.QueryRow(b.t.Context(), sql, args...).Scan(&n); err != nil {
		b.t.Fatal(err)
	}
	return n
}
