package api_test

import (
	"errors"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
	"farthingale/postgres"
)

// approved brings the treatment to an approval without conditions.
func (b *bench) approved() *bench {
	b.t.Helper()
	return b.begin().act(b.ines, "/submissions", nil).act(b.piet, "/decisions", body{"version_number": 1, "outcome": "approve", "statement": "Yes."})
}

func (b *bench) rescue(change ...func(body)) body {
	e := body{"happened_at": b.Now().Format(time.RFC3339), "noticed_at": b.Now().Add(-5 * time.Minute).Format(time.RFC3339), "hands": []domain.ID{b.ines.ID},
		"components": []domain.ID{b.helmet}, "minutes": 5, "imminent": "The helmet slides off its stand.", "methods": []string{"support", "remove_from_hazard"},
		"materials": []body{{"auxiliary": "tissue"}, {"material_key": "polyethylene-foam", "product": "wedge"}}, "left_undone": "the stand"}
	for _, c := range change {
		c(e)
	}
	return e
}

// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 29 (emergencies are reported
// afterwards); notice, ratification and its term are common practice.
func TestT6EmergencyIsToldAtOnceAndRatified(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	path := "/objects/" + b.object.String() + "/emergencies"
	b.API(b.tove).Post(path, b.rescue()).Refused(http.StatusForbidden, "P2")
	b.API(b.ines).Post(path, b.rescue(func(e body) { e["materials"] = []body{{"material_key": "acrylic-adhesive", "product": "p"}} })).Refused(http.StatusUnprocessableEntity, "T6")
	b.API(b.ines).Post(path, b.rescue(func(e body) { e["methods"] = []string{"consolidate"} })).Refused(http.StatusUnprocessableEntity, "invalid")
	if n := b.count(`select count(*) from emergency`); n != 0 {
		t.Fatalf("%d emergencies after refusals", n)
	}
	made := b.API(b.ines).Post(path, b.rescue()).Must(http.StatusCreated)
	e := servetest.JSON[treatment.Stabilisation](made)
	for _, who := range []servetest.Someone{b.jon, b.piet, b.rosa} {
		if told := texts(b.House, who, ""); len(told) != 1 || !strings.Contains(told[0], "The helmet slides off its stand.") {
			t.Errorf("%s was told %q", who.Name, told)
		}
	}
	b.verified(1)
	open, err := b.Treatment.OpenEmergencies(t.Context(), b.object)
	if err != nil || len(open) != 1 || open[0].Overdue {
		t.Errorf("open: %+v, %v", open, err)
	}
	b.Wait(9 * 24 * time.Hour)
	if open, err = b.Treatment.OpenEmergencies(t.Context(), b.object); err != nil || len(open) != 1 || !open[0].Overdue {
		t.Errorf("past due: %+v, %v", open, err)
	}
	if page := servetest.JSON[domain.Page[treatment.Stabilisation]](b.API(b.rae).Get("/emergencies?open=true&department=Diving&object_id=" + b.object.String()).Must(http.StatusOK)); len(page.Items) != 1 || !page.Items[0].Overdue {
		t.Errorf("list %+v", page.Items)
	}
	at := "/emergencies/" + e.ID.String()
	shown := b.API(b.rae).Get(at).Must(http.StatusOK)
	yes := body{"outcome": "ratified_with_conditions", "statement": "Rightly done.", "conditions": []string{"examine the stand"}}
	b.API(b.rosa).Post(at+"/ratifications", yes, shown.Tag()).Refused(http.StatusForbidden, "P2")
	b.API(b.piet).Post(at+"/ratifications", yes, servetest.IfMatch(`"v7"`)).Refused(http.StatusPreconditionFailed, "stale")
	b.API(b.piet).Post(at+"/ratifications", yes, shown.Tag()).Must(http.StatusOK)
	b.API(b.maud).Post(at+"/ratifications", yes, servetest.IfMatch(`"v2"`)).Refused(http.StatusConflict, "T6")
	b.verified(2)
	if open, err = b.Treatment.OpenEmergencies(t.Context(), b.object); err != nil || len(open) != 0 {
		t.Errorf("after ratification: %+v, %v", open, err)
	}
	if n := b.count(`select count(*) from handling where purpose = 'treatment'`); n != 1 {
		t.Errorf("H1: %d handling events", n)
	}
}

// An emergency in the course of a treatment keeps the treatment's two sides (T2), and a stop refuses a
// step but not the emergency (T9, H3).
//
// source: common practice (a stop binds everybody; imminent loss comes first).
func TestT9AStopRefusesStepsButNoEmergency(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.approved()
	// Powder noted in a step raises the stop (H2).
	b.act(b.jon, "/steps", b.step(func(s body) { s["noticed"] = []string{"powder"} }))
	b.refused(b.jon, "/steps", b.step(), http.StatusUnprocessableEntity, "H3")
	rescue := b.rescue(func(e body) {
		e["treatment_id"], e["components"], e["methods"] = b.id, []domain.ID{b.cuffSeal}, []string{"collect"}
		e["came_away"] = []body{{"from_component_id": b.cuffSeal, "name": "crumb of the seal", "where_it_lay": "below the cuff", "belongs_there": "certain", "kept_at": "bag 1"}}
	})
	made := b.API(b.ines).Post("/objects/"+b.object.String()+"/emergencies", rescue).Must(http.StatusCreated)
	e := servetest.JSON[treatment.Stabilisation](made)
	b.keep(b.API(b.ines).Get(b.path()).Must(http.StatusOK))
	stops, err := b.Handling.Standing(t.Context(), b.object)
	if err != nil || len(stops) == 0 {
		t.Fatalf("stops %+v, %v", stops, err)
	}
	for _, stop := range stops {
		if _, err := b.Handling.Release(t.Context(), b.ines.Actor, stop.ID, handling.NewRelease{Reason: "looked at", Found: "old dust", Limits: "none"}); err != nil {
			t.Fatal(err)
		}
	}
	b.act(b.jon, "/steps", b.step())

	// T10: what came away is a fragment of the object, and a curator decides on it.
	part := e.CameAway[0].Part
	if !strings.Contains(part.Called, "1968.14.2.f1 crumb of the seal") {
		t.Errorf("came away: %+v", part)
	}
	sheet, err := b.Collection.Sheet(t.Context(), b.object)
	if err != nil {
		t.Fatal(err)
	}
	if c := sheet.Component(part.ID); c == nil || c.Function != collection.Fragment || *c.CameFromID != b.cuffSeal {
		t.Errorf("the fragment is %+v", c)
	}
	// The conservator who acted ratifies nothing, as a curator of today neither.
	b.API(b.maud).Post("/emergencies/"+e.ID.String()+"/ratifications", body{"outcome": "declined", "statement": "Not needed."}, made.Tag()).Must(http.StatusOK)
	b.keep(b.API(b.ines).Get(b.path()).Must(http.StatusOK))
	b.refused(b.ines, "/steps", b.step(func(s body) { s["hands"] = []domain.ID{b.ines.ID, b.maud.ID} }), http.StatusUnprocessableEntity, "T2")
	b.refused(b.piet, "/designations", body{"component_id": b.cuff, "designation": "study", "reason": "r"}, http.StatusUnprocessableEntity, "invalid")
	b.act(b.piet, "/designations", body{"component_id": part.ID, "designation": "study", "reason": "of use to students"})
	b.act(b.piet, "/designations", body{"component_id": part.ID, "designation": "disposal", "reason": "mould"})
	b.refused(b.piet, "/designations/2/authorisation", body{}, http.StatusUnprocessableEntity, "T10")
	b.refused(b.rosa, "/designations/1/authorisation", body{}, http.StatusConflict, "T10")
	b.act(b.rosa, "/designations/2/authorisation", body{"statement": "agreed"})
	b.verified(7) // approval, release, emergency, its ratification, two designations, one authorisation
}

func TestTreatmentWithdrawnHandedOverSuspended(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.approved()
	b.refused(b.ines, "/hand-overs", body{"to": b.piet.ID, "reason": "r"}, http.StatusUnprocessableEntity, "invalid")
	b.act(b.ines, "/hand-overs", body{"to": b.jon.ID, "reason": "on leave"})
	b.act(b.maud, "/decisions", body{"version_number": 1, "outcome": "suspend", "statement": "A lender asks."})
	if b.now.Standing != "approved, suspended" || b.now.InCharge.ID != b.jon.ID {
		t.Errorf("stands %q, in charge %s", b.now.Standing, b.now.InCharge.Name)
	}
	b.refused(b.jon, "/steps", b.step(func(s body) { s["happened_at"] = b.Now().Add(time.Minute).Format(time.RFC3339) }), http.StatusConflict, "T3")
	b.act(b.piet, "/decisions", body{"version_number": 1, "outcome": "resume", "statement": "Settled."})
	b.act(b.jon, "/withdrawal", body{"reason": "the object goes on loan"})
	if b.now.State != treatment.Withdrawn || len(b.now.NextMoves) != 0 {
		t.Errorf("withdrawn: %+v", b.now.NextMoves)
	}
	b.refused(b.ines, "/submissions", nil, http.StatusConflict, "T4")
	b.verified(3)
}

// source: common practice; the calendar is the oracle.
func TestTreatmentLapses(t *testing.T) {
	t.Parallel()
	b := newBench(t, func(s *serve.Settings) { s.Site.ApprovalMonths = 2 })
	b.approved()
	if n, err := b.Treatment.LapseDue(t.Context()); n != 0 || err != nil {
		t.Fatalf("%d lapsed, %v", n, err)
	}
	b.Wait(70 * 24 * time.Hour)
	b.refused(b.ines, "/steps", b.step(), http.StatusConflict, "T1") // before any job has run
	if n, err := b.Treatment.LapseDue(t.Context()); n != 1 || err != nil {
		t.Fatalf("%d lapsed, %v", n, err)
	}
	b.keep(b.API(b.ines).Get(b.path()).Must(http.StatusOK))
	if b.now.State != treatment.Lapsed {
		t.Errorf("state %s", b.now.State)
	}
	if n := b.count(`select count(*) from event where kind = 'lapsed' and actor_id is null`); n != 1 {
		t.Errorf("%d events of the lapse", n)
	}
}

// TestT7PhotographsBeforeAndAfter uses the photographs of the object itself.
//
// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 27 (condition before and
// after, photographically).
func TestT7PhotographsBeforeAndAfter(t *testing.T) {
	t.Parallel()
	bucket := t.TempDir()
	b := newBench(t, func(s *serve.Settings) { s.BucketURL = "file://" + filepath.ToSlash(bucket) })
	b.approved().act(b.jon, "/steps", b.step())
	take := func(stage photo.Stage, view photo.View, shade uint8) domain.ID {
		p, err := b.Photo.Upload(t.Context(), b.ines.Actor, b.object, photo.Description{Components: []domain.ID{b.cuffSeal}, View: view, Light: photo.Normal, Stage: stage}, "p.jpg",
			strings.NewReader(string(jpegOf(t, 40, 30, shade))))
		if err != nil {
			t.Fatal(err)
		}
		return p.ID
	}
	report := b.report()
	report["components"] = []body{{"component_id": b.cuffSeal, "condition_after": "stable"}}
	report["photographs"] = []domain.ID{take(photo.Before, photo.Front, 10), take(photo.After, photo.Back, 20)}
	b.put(b.ines, "/completion", report)
	if missing := b.refused(b.ines, "/completion", nil, http.StatusUnprocessableEntity, "T7"); len(missing) != 1 || !strings.Contains(missing[0], "same view") {
		t.Errorf("missing %q", missing)
	}
	report["photographs"] = append(report["photographs"].([]domain.ID), take(photo.After, photo.Front, 30))
	b.put(b.ines, "/completion", report).act(b.ines, "/completion", nil).act(b.ines, "/signature", body{})
	if len(b.now.Completion.Shown) != 3 || len(b.now.Completion.Shown[0].SHA256) != 64 {
		t.Errorf("shown %+v", b.now.Completion.Shown)
	}
	b.verified(2)
	report["photographs"] = []domain.ID{domain.NewID()}
	b.API(b.ines).Put(b.path()+"/completion", report, b.tag).Refused(http.StatusConflict, "T8")
}

// TestTreatmentWritesNeedTheirVersion: no If-Match, an old one, a repeated key.
func TestTreatmentWritesNeedTheirVersion(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.begin()
	b.API(b.ines).Post(b.path()+"/submissions", nil).Refused(http.StatusPreconditionRequired, "no_version")
	old := b.tag
	b.put(b.ines, "", b.text())
	b.API(b.ines).Put(b.path(), b.text(), old).Refused(http.StatusPreconditionFailed, "stale")
	b.API(b.ines).Put("/treatments/"+domain.NewID().String(), b.text(), old).Refused(http.StatusNotFound, "not_found")
	b.API(b.ines).Post("/objects/"+domain.NewID().String()+"/treatments", b.text()).Refused(http.StatusNotFound, "not_found")
	wrong := b.text()
	wrong["colour"] = "red"
	b.API(b.ines).Put(b.path(), wrong, b.tag).Refused(http.StatusUnprocessableEntity, "invalid")
	wrong = b.text()
	wrong["scope"] = []body{{"component_id": domain.NewID(), "method": "m", "materials": []body{{"material_key": "unobtainium"}}}}
	p := b.API(b.ines).Put(b.path(), wrong, b.tag).Refused(http.StatusUnprocessableEntity, "invalid")
	if len(p.Errors) != 2 || p.Errors[0].Pointer != "#/scope/0/component_id" || p.Errors[1].Pointer != "#/scope/0/materials/0/material_key" {
		t.Errorf("errors %+v", p.Errors)
	}
	key := servetest.Header{Name: "Idempotency-Key", Value: "k1"}
	first := b.API(b.ines).Post(b.path()+"/submissions", nil, b.tag, key).Must(http.StatusOK)
	again := b.API(b.ines).Post(b.path()+"/submissions", nil, b.tag, key).Must(http.StatusOK)
	if string(first.Body) != string(again.Body) {
		t.Error("the same key is answered otherwise")
	}
}

// TestTreatmentTextIsKeptAsTyped: marks of other languages come back as they were typed.
func TestTreatmentTextIsKeptAsTyped(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	for _, text := range []string{`<script>alert("x")</script>`, `'; drop table treatment; --`, "Łódź, Žďár nad Sázavou, Ελλάδα, Køge", "line\nline\ttab", `\u0000 & &amp;`} {
		p := b.text()
		p["reasons"], p["why"] = text, text
		if b.id == (domain.ID{}) {
			b.begin()
		}
		if b.put(b.ines, "", p); b.now.Proposal.Reasons != text {
			t.Errorf("%q came back as %q", text, b.now.Proposal.Reasons)
		}
	}
	for _, text := range []string{"a\x00b", "a\u202eb", strings.Repeat("x", 10001)} {
		p := b.text()
		p["reasons"] = text
		b.API(b.ines).Put(b.path(), p, b.tag).Refused(http.StatusUnprocessableEntity, "invalid")
	}
	for name, value := range map[string]any{"hours": "-1", "cost": "-1", "begins": "yesterday", "cost_currency": "euro", "aims": []string{"beauty"}, "title": ""} {
		p := b.text()
		p[name] = value
		b.API(b.ines).Put(b.path(), p, b.tag).Refused(http.StatusUnprocessableEntity, "invalid")
	}
}

// TestTreatmentDatabaseHoldsTheRules: what a faulty program might write, the database refuses by
// itself, with words for a person.
func TestTreatmentDatabaseHoldsTheRules(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.approved().act(b.jon, "/steps", b.step())
	work := b.now.Steps[0].ID
	insertWork := `insert into work (id, kind, treatment_id, object_id, happened_at, recorded_at, recorded_by_id, recorded_by_name, late, method, method_key, tool,
		observed_before, observed_after, removed, removed_to, minutes, photographs, gloves, noticed, controls, came_away, note)
		select gen_random_uuid(), 'step', $1, object_id, now(), now(), in_charge_id, '', false, 'consolidation', 'consolidation', '', '', '', '', '', 1, '[]', '', '{}', '', '[]', '' from treatment where id = $1`
	other := newDraft(b)
	for name, c := range map[string]struct {
		constraint string
		sql        string
		args       []any
	}{
		"T2 author decides":       {"treatment_party_one_side", `insert into treatment_decision select gen_random_uuid(), treatment_id, amendment, version_number, sha256, 'suspend', '', '[]', $2, 'Ines', '{curator}', 's', now() from treatment_decision where treatment_id = $1`, []any{b.id, b.ines.ID}},
		"T2 hand decides":         {"treatment_party_one_side", `insert into treatment_decision select gen_random_uuid(), treatment_id, amendment, version_number, sha256, 'suspend', '', '[]', $2, 'Jon', '{curator}', 's', now() from treatment_decision where treatment_id = $1`, []any{b.id, b.jon.ID}},
		"T2 decider has a hand":   {"treatment_party_one_side", `insert into work_hand values ($1, 9, $2, 'Piet')`, []any{work, b.piet.ID}},
		"T2 no curator":           {"treatment_decision_by_curator", `insert into treatment_decision select gen_random_uuid(), treatment_id, amendment, version_number, sha256, 'suspend', '', '[]', $2, 'Maud', '{registrar}', 's', now() from treatment_decision where treatment_id = $1`, []any{b.id, b.maud.ID}},
		"T4 another text":         {"treatment_decision_on_this_text", `insert into treatment_decision select gen_random_uuid(), treatment_id, amendment, version_number, repeat('0', 64), 'suspend', '', '[]', $2, 'Maud', '{curator}', 's', now() from treatment_decision where treatment_id = $1`, []any{b.id, b.maud.ID}},
		"T4 version edited":       {"treatment_version_frozen", `update treatment_version set text = text || '{"why": "other"}' where treatment_id = $1`, []any{b.id}},
		"T4 version deleted":      {"treatment_version_never_deleted", `delete from treatment_version where treatment_id = $1`, []any{b.id}},
		"T4 text edited":          {"treatment_text_frozen", `update treatment set proposal = proposal || '{"why": "other"}' where id = $1`, []any{b.id}},
		"T4 states in order":      {"treatment_state_order", `update treatment set state = 'submitted' where id = $1`, []any{b.id}},
		"T1 step on a draft":      {"work_needs_approval", insertWork, []any{other}},
		"T1 component outside":    {"work_component_inside", `insert into work_component values ($1, 9, $2, 'helmet')`, []any{work, b.helmet}},
		"T1 material outside":     {"work_material_inside", `insert into work_material values ($1, 9, 'animal-glue', '', 'glue', 'p', 'p', 'b', 'b', null, '', '', '')`, []any{work}},
		"T1 material of no entry": {"work_material_inside", `insert into work_material values ($1, 9, null, '', 'paste', 'p', 'p', 'b', 'b', null, '', '', '')`, []any{work}},
		"never deleted":           {"treatment_never_deleted", `delete from treatment where id = $1`, []any{b.id}},
		"step changed":            {"work_append_only", `update work set note = 'x' where id = $1`, []any{work}},
		"hand taken off":          {"work_hand_append_only", `delete from work_hand where work_id = $1`, []any{work}},
		"decision changed":        {"treatment_decision_append_only", `update treatment_decision set statement = 'x' where treatment_id = $1`, []any{b.id}},
		"party changed":           {"treatment_party_append_only", `delete from treatment_party where treatment_id = $1`, []any{b.id}},
	} {
		// As the owner, who has every right: the triggers refuse all the same.
		_, err := b.Database.OwnerPool().Exec(t.Context(), c.sql, c.args...)
		if got := constraintOf(err); got != c.constraint {
			t.Errorf("%s: refused by %q, expected %q: %v", name, got, c.constraint, err)
		}
	}
	b.put(b.ines, "/completion", b.report()).act(b.ines, "/completion", nil).act(b.ines, "/signature", body{})
	for name, c := range map[string]struct{ constraint, sql string }{
		"T8 signed row":       {"treatment_signed_stays", `update treatment set completion = completion || '{"hours": "99"}' where id = $1`},
		"T8 work afterwards":  {"work_not_after_signing", insertWork},
		"T8 state afterwards": {"treatment_signed_stays", `update treatment set hold = 'revoked' where id = $1`},
	} {
		if _, err := b.Database.OwnerPool().Exec(t.Context(), c.sql, b.id); constraintOf(err) != c.constraint {
			t.Errorf("%s: %v", name, err)
		}
	}
	// Tampered with behind the triggers' back, verification names what does not fit.
	b.verified(2)
	for _, sql := range []string{`alter table work disable trigger all`, `update work set note = 'never happened'`, `alter table work enable trigger all`} {
		if _, err := b.Database.OwnerPool().Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	report, err := b.Record.Verify(t.Context(), nil)
	if err != nil || report.Clean || !strings.Contains(report.First, " (treatment "+b.id.String()) {
		t.Errorf("verify after tampering: %+v, %v", report, err)
	}
}

// constraintOf is the name of the constraint that refused a statement, or "".
func constraintOf(err error) string {
	var pgErr *pgconn.PgError
	if errors.As(err, &pgErr) {
		return pgErr.ConstraintName
	}
	return ""
}

// newDraft begins another treatment and gives its ID.
func newDraft(b *bench) domain.ID {
	b.t.Helper()
	return servetest.JSON[treatment.Treatment](b.API(b.ines).Post("/objects/"+b.object.String()+"/treatments", b.text()).Must(http.StatusCreated)).ID
}

// TestTreatmentsOfOneMomentAreNumbered: people who begin at the same moment get numbers one by one,
// and one of two decisions of the same moment wins.
func TestTreatmentsOfOneMomentAreNumbered(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	var wait sync.WaitGroup
	for range 8 {
		wait.Go(func() {
			if _, err := b.Treatment.Begin(t.Context(), b.ines.Actor, b.object, treatment.Proposal{Title: "One of many"}); err != nil {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	if n := b.count(`select count(distinct number) from treatment where number between 1 and 8`); n != 8 {
		t.Errorf("%d numbers", n)
	}
	b.begin().act(b.ines, "/submissions", nil)
	outcomes := make([]error, 2)
	for i, who := range []servetest.Someone{b.piet, b.maud} {
		wait.Go(func() {
			_, outcomes[i] = b.Treatment.Decide(t.Context(), who.Actor, b.id, b.now.Version, 0, treatment.NewDecision{Version: 1, Outcome: treatment.Decline, Statement: "No."})
		})
	}
	wait.Wait()
	if (outcomes[0] == nil) == (outcomes[1] == nil) || !slices.ContainsFunc(outcomes, func(err error) bool { return domain.KindOf(err) == domain.KindStale }) {
		t.Errorf("two decisions at once: %v, %v", outcomes[0], outcomes[1])
	}
	pages, cursor, seen := 0, "", map[domain.ID]bool{}
	for {
		page := servetest.JSON[domain.Page[treatment.Line]](b.API(b.rae).Get("/treatments?limit=4&cursor=" + cursor).Must(http.StatusOK))
		for _, l := range page.Items {
			seen[l.ID] = true
		}
		pages++
		if cursor = page.Next; cursor == "" {
			break
		}
	}
	if pages != 3 || len(seen) != 9 {
		t.Errorf("%d pages, %d treatments", pages, len(seen))
	}
	for query, n := range map[string]int{"?move=conservator": 8, "?move=curator": 0, "?state=declined": 1} {
		if page := servetest.JSON[domain.Page[treatment.Line]](b.API(b.rae).Get("/treatments" + query).Must(http.StatusOK)); len(page.Items) != n {
			t.Errorf("%s: %d", query, len(page.Items))
		}
	}
	for _, query := range []string{"?state=lost", "?move=nobody", "?stat=signed", "?object_id=1"} {
		b.API(b.rae).Get("/treatments"+query).Refused(http.StatusUnprocessableEntity, "invalid")
	}
}

// TestTreatmentQueries: the number of queries of a read does not depend on how much there is.
func TestTreatmentQueries(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.approved()
	count := func() int64 {
		ctx, n := postgres.CountQueries(t.Context())
		if _, err := b.Treatment.One(ctx, b.ines.Actor, b.id); err != nil {
			t.Fatal(err)
		}
		return n.Load()
	}
	few := count()
	for range 5 {
		b.act(b.jon, "/steps", b.step())
	}
	if many := count(); many != few || many > 10 {
		t.Errorf("%d queries with no step, %d with five", few, many)
	}
}
