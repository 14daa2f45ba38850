package postgres_test

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/record"
	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

// dressed is a house with a dress of five components, and what handling needs of its neighbours.
type dressed struct {
	t       *testing.T
	data    *pgtest.Database
	db      *postgres.DB
	sheet   *collection.Sheet
	parts   map[string]domain.ID // by label
	service *handling.Service
	record  *record.Service
	notices *heard
	now     time.Time
	people  map[string]domain.Actor
}

// heard keeps the notices that were given.
type heard struct{ all []agenda.Notice }

func (h *heard) Notify(_ context.Context, n agenda.Notice) error {
	h.all = append(h.all, n)
	return nil
}

// sheets gives the sheet that the fixture wrote.
type sheets struct{ sheet *collection.Sheet }

func (s sheets) Sheet(_ context.Context, id domain.ID) (*collection.Sheet, error) {
	if id != s.sheet.Object.ID {
		return nil, domain.NotFound("There is no such object.")
	}
	return s.sheet, nil
}

func newDressed(t *testing.T) *dressed {
	t.Helper()
	d := &dressed{t: t, data: pgtest.New(t), parts: map[string]domain.ID{}, notices: &heard{}, people: map[string]domain.Actor{},
		now: time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)}
	d.db = postgres.NewDB(d.data.Pool)
	for name, roles := range map[string][]domain.Role{"Mara": {domain.Conservator}, "Per": {domain.Conservator}, "Karin": {domain.Curator},
		"Rune": {domain.Registrar}, "Tove": {domain.Technician}, "Lars": {domain.Reader}} {
		d.person(name, roles...)
	}
	d.object("1968.14.2", [][3]string{{"1", "", "suit"}, {"1a", "1", "cuff"}, {"1a1", "1a", "seal"}, {"1b", "1", "glove"}, {"2", "", "helmet"}})
	usual, err := material.Cautions()
	if err != nil {
		t.Fatal(err)
	}
	d.record = record.NewService(postgres.NewRecord(d.db), func() time.Time { return d.now })
	d.service = handling.NewService(postgres.NewHandling(d.db), sheets{d.sheet}, d.notices, d.record, usual, d.db, time.UTC, func() time.Time { return d.now })
	d.record.Register(handling.SealKind, d.service.Sealed)
	return d
}

func (d *dressed) exec(sql string, args ...any) {
	d.t.Helper()
	if _, err := d.data.Pool.Exec(context.Background(), sql, args...); err != nil {
		d.t.Fatalf("%s: %v", sql, err)
	}
}

func (d *dressed) person(name string, roles ...domain.Role) {
	d.t.Helper()
	a := domain.Actor{ID: domain.NewID(), Name: name, Roles: roles, Departments: []string{"Diving"}, Scopes: []string{"all"}}
	d.exec(`insert into person (id, name, sign_in_name, roles, departments, created_at) values ($1, $2, $3, $4, $5, now())`, a.ID, name, name, roles, a.Departments)
	d.people[name] = a
}

func (d *dressed) object(number string, parts [][3]string) {
	d.t.Helper()
	s := &collection.Sheet{Object: collection.Object{ID: domain.NewID(), Number: number, Title: "Dress", Department: "Diving"}}
	d.exec(`insert into object (id, number, number_key, sort_key, title, legal_status, department, created_at, created_by)
		values ($1, $2, $2, $2, 'Dress', 'accessioned', 'Diving', now(), $3)`, s.Object.ID, number, d.people["Mara"].ID)
	for _, p := range parts {
		c := collection.Component{ID: domain.NewID(), ObjectID: s.Object.ID, Label: p[0], Name: p[2], Removal: collection.Freely}
		if p[1] != "" {
			parent := d.parts[p[1]]
			c.ParentID = &parent
		}
		d.exec(`insert into component (id, object_id, parent_id, label, sort_key, name, side, layer_order, function, removal, attribution, created_at)
			values ($1, $2, $3, $4, $4, $5, 'none', 0, 'other', 'freely', 'unknown', now())`, c.ID, c.ObjectID, c.ParentID, c.Label, c.Name)
		d.parts[c.Label] = c.ID
		s.Components = append(s.Components, c)
	}
	d.sheet = s
}

func (d *dressed) pick(labels string) []domain.ID {
	all := []domain.ID{}
	for _, l := range strings.Fields(labels) {
		all = append(all, d.parts[l])
	}
	return all
}

func code(err error) string {
	var e *domain.Error
	if err == nil {
		return ""
	}
	if e, _ = err.(*domain.Error); e == nil {
		return err.Error()
	}
	return e.Code
}

// The database's own opinion on H3 must be the rule's: every component against every stop.
func TestH3StoppedAgrees(t *testing.T) {
	t.Parallel()
	d := newDressed(t)
	ctx := t.Context()
	for _, on := range []string{"", "1", "1a", "1a1", "1b", "2", "1b 2"} {
		stop, err := d.service.RaiseStop(ctx, d.people["Tove"], d.sheet.Object.ID, handling.NewStop{ComponentIDs: d.pick(on), Note: "for the test"})
		if err != nil {
			t.Fatal(err)
		}
		for _, asked := range []string{"", "1", "1a", "1a1", "1b", "2"} {
			ids := d.pick(asked)
			var one any
			if len(ids) > 0 {
				one = ids[0]
			}
			var bound bool
			if err := d.data.Pool.QueryRow(ctx, `select stopped($1, $2)`, d.sheet.Object.ID, one).Scan(&bound); err != nil {
				t.Fatal(err)
			}
			err := d.service.Refusal(ctx, d.sheet.Object.ID, ids)
			if bound != stop.Binds(d.sheet, ids) || bound != (code(err) == "H3") {
				t.Errorf("stop on %q, asked for %q: database %v, rule %v, refusal %v", on, asked, bound, stop.Binds(d.sheet, ids), err)
			}
		}
		if _, err := d.service.Release(ctx, d.people["Mara"], stop.ID, handling.NewRelease{Reason: "seen", Found: "nothing", Limits: "none"}); err != nil {
			t.Fatal(err)
		}
		if err := d.service.Refusal(ctx, d.sheet.Object.ID, nil); err != nil {
			t.Errorf("released, yet: %v", err)
		}
	}
	report, err := d.record.Verify(ctx, nil)
	if err != nil || !report.Clean || report.Head.Count != 7 {
		t.Errorf("verify: %+v %v", report, err)
	}
}

func TestHandlingIsKept(t *testing.T) {
	t.Parallel()
	d := newDressed(t)
	ctx := t.Context()
	mara, tove := d.people["Mara"], d.people["Tove"]
	lifts := 3
	e, stop, err := d.service.Log(ctx, mara, d.sheet.Object.ID, handling.Log{Minutes: 25, HandlerIDs: []domain.ID{tove.ID, mara.ID}, OtherHandlers: []string{"N. Ferrier, carrier"},
		Purpose: "mounting", ComponentIDs: d.pick("1a 1b"), From: "in_box", To: "lying_face_up", Lifts: &lifts,
		Flexes: []handling.Flex{{Joint: "elbow", Side: "left", Movement: "flexion", Degrees: 20, Times: 2}}, Support: []string{"board"}, Gloves: "nitrile",
		Noticed: []string{"noise", "tack"}, Note: "a crack at the cuff <b>", Evacuation: ""})
	if err != nil {
		t.Fatal(err)
	}
	kept, err := d.service.One(ctx, d.people["Lars"], e.ID)
	if err != nil {
		t.Fatal(err)
	}
	if kept.Handlers[0].ID != tove.ID || kept.Handlers[0].Name != "Tove" || len(kept.Handlers) != 2 || kept.Components[0].Name != "1968.14.2.1a cuff" || kept.Lifts != 3 ||
		kept.Flexes[0].Times != 2 || kept.Note != "a crack at the cuff <b>" || *kept.StopID != stop.ID || !kept.StartedAt.Equal(d.now.Add(-25*time.Minute)) {
		t.Errorf("%+v", kept)
	}
	if len(d.notices.all) != 1 || !slices.Equal(d.notices.all[0].Roles, []domain.Role{domain.Conservator, domain.Curator}) || d.notices.all[0].Subject != stop.ID ||
		!strings.Contains(d.notices.all[0].Text, "noise") || d.notices.all[0].Department != "Diving" {
		t.Errorf("notices: %+v", d.notices.all)
	}
	if err := d.service.Refusal(ctx, d.sheet.Object.ID, d.pick("2")); err != nil {
		t.Errorf("the helmet is free: %v", err)
	}

	// What happened under a stop is recorded, marked and told of.
	again, second, err := d.service.Log(ctx, tove, d.sheet.Object.ID, handling.Log{Minutes: 5, Purpose: "move", Evacuation: "flood"})
	if err != nil || second != nil || !again.UnderStop {
		t.Fatalf("%+v %+v %v", again, second, err)
	}
	if last := d.notices.all[len(d.notices.all)-1]; !slices.Contains(last.Roles, domain.Registrar) || !strings.Contains(last.Text, "A stop stood on it.") {
		t.Errorf("%+v", last)
	}
	if e, err := d.service.Amend(ctx, mara, again.ID, handling.NewAddendum{Text: "It was the left boot, not the right."}); err != nil || e.Version() != 2 {
		t.Errorf("%v", err)
	}
	if page, err := d.service.List(ctx, mara, handling.Filter{ObjectID: &d.sheet.Object.ID}, domain.PageQuery{Limit: 1}); err != nil || len(page.Items) != 1 || page.Next == "" {
		t.Errorf("%+v %v", page, err)
	} else if next, err := d.service.List(ctx, mara, handling.Filter{ObjectID: &d.sheet.Object.ID}, domain.PageQuery{Limit: 1, Cursor: page.Next}); err != nil || next.Items[0].ID == page.Items[0].ID || next.Next != "" {
		t.Errorf("%+v %v", next, err)
	}
	if found, err := d.service.List(ctx, mara, handling.Filter{Sign: "tack", PersonID: &tove.ID, ComponentID: &d.pick("1b")[0]}, domain.PageQuery{}); err != nil || len(found.Items) != 1 {
		t.Errorf("%+v %v", found, err)
	}

	// Nobody is asked twice: the whole stays as it was when something is refused.
	for name, l := range map[string]handling.Log{
		"unknown handler": {Minutes: 5, Purpose: "move", HandlerIDs: []domain.ID{domain.NewID()}},
		"bad word":        {Minutes: 5, Purpose: "party"},
	} {
		if _, _, err := d.service.Log(ctx, mara, d.sheet.Object.ID, l); code(err) != "invalid" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, _, err := d.service.Log(ctx, d.people["Lars"], d.sheet.Object.ID, handling.Log{Minutes: 5, Purpose: "move"}); code(err) != "P2" {
		t.Errorf("a reader logs: %v", err)
	}
	var n int
	if err := d.data.Pool.QueryRow(ctx, `select count(*) from handling`).Scan(&n); err != nil || n != 2 {
		t.Errorf("%d handlings, %v", n, err)
	}
}

// Rows of the log cannot be changed by the running program, nor by anybody with the triggers on.
func TestHandlingIsAppendOnly(t *testing.T) {
	t.Parallel()
	d := newDressed(t)
	ctx := t.Context()
	if _, _, err := d.service.Log(ctx, d.people["Mara"], d.sheet.Object.ID, handling.Log{Minutes: 5, Purpose: "move", ComponentIDs: d.pick("1a"), Noticed: []string{"tear"},
		Flexes: []handling.Flex{{Joint: "knee", Degrees: 4}}}); err != nil {
		t.Fatal(err)
	}
	for _, table := range []string{"handling", "handling_person", "handling_component", "handling_flex", "stop", "stop_component"} {
		for _, sql := range []string{"delete from " + table, "update " + table + " set " + map[bool]string{true: "handling_id = handling_id", false: "id = id"}[strings.HasPrefix(table, "handling_")]} {
			if table == "stop_component" {
				sql = strings.ReplaceAll(sql, "id = id", "stop_id = stop_id")
			}
			if _, err := d.data.OwnerPool().Exec(ctx, sql); err == nil || !strings.Contains(err.Error(), "never changed") {
				t.Errorf("%s: %v", sql, err)
			}
			if _, err := d.data.Pool.Exec(ctx, sql); err == nil {
				t.Errorf("the program may %s", sql)
			}
		}
	}
}

// H6: totals by every dimension are one query, and those that must add up do.
func TestH6Totals(t *testing.T) {
	t.Parallel()
	d := newDressed(t)
	ctx := t.Context()
	mara, tove := d.people["Mara"], d.people["Tove"]
	for i, l := range []handling.Log{
		{Minutes: 10, Purpose: "examination", ComponentIDs: d.pick("1a"), Flexes: []handling.Flex{{Joint: "elbow", Side: "left", Degrees: 20, Times: 3}, {Joint: "elbow", Side: "left", Degrees: 40}}},
		{Minutes: 20, Purpose: "examination", ComponentIDs: d.pick("1a 1b"), HandlerIDs: []domain.ID{mara.ID, tove.ID}},
		{Minutes: 30, Purpose: "move", From: "in_box", To: "hanging"},
		{Minutes: 40, Purpose: "move", HandlerIDs: []domain.ID{tove.ID}, Flexes: []handling.Flex{{Joint: "neck", Degrees: 5}}},
	} {
		at := time.Date(2025, time.Month(10+i), 31, 23, 30, 0, 0, time.UTC) // October to January; November has no 31st: 1 December
		l.StartedAt = &at
		if _, _, err := d.service.Log(ctx, mara, d.sheet.Object.ID, l); err != nil {
			t.Fatal(err)
		}
	}
	totals, err := d.service.Totals(ctx, mara, handling.TotalsQuery{ObjectID: &d.sheet.Object.ID})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{
		"all":       "=4/100/1/5",
		"object":    "1968.14.2 · Dress=4/100/1/5",
		"component": "1968.14.2.1a cuff=2/30/0/4 the whole object=2/70/1/1 1968.14.2.1b glove=1/20/0/0",
		"joint":     "left elbow=1/10/0/4 neck=1/40/0/1",
		"purpose":   "examination=2/30/0/4 move=2/70/1/1",
		"person":    "Mara=3/60/1/4 Tove=2/60/0/1",
		"month":     "2025-10=1/10/0/4 2025-12=2/50/1/0 2026-01=1/40/0/1",
		"year":      "2025=3/60/1/4 2026=1/40/0/1",
	}
	for _, dimension := range handling.Dimensions {
		var got []string
		for _, row := range totals.Of(dimension) {
			label := row.Label
			if dimension == "all" {
				label = ""
			}
			got = append(got, label+"="+strings.Join([]string{strconv.Itoa(row.Handlings), strconv.Itoa(row.Minutes), strconv.Itoa(row.Lifts), strconv.Itoa(row.Flexes)}, "/"))
		}
		if strings.Join(got, " ") != want[dimension] {
			t.Errorf("by %s: %s, want %s", dimension, strings.Join(got, " "), want[dimension])
		}
	}
	from, until := time.Date(2025, 12, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	totals, err = d.service.Totals(ctx, mara, handling.TotalsQuery{From: &from, Until: &until, PersonID: &mara.ID, By: []string{"all", "person"}})
	if err != nil || len(totals.Items) != 3 || totals.Items[0].Handlings != 2 || totals.Items[0].Minutes != 50 {
		t.Errorf("December: %+v %v", totals, err)
	}
	if _, err := d.service.Totals(ctx, mara, handling.TotalsQuery{By: []string{"moon"}}); code(err) != "invalid" {
		t.Errorf("by moon: %v", err)
	}
}

// A stop raised while a planned act runs waits for it, and an act that comes after meets the stop.
func TestH3NothingSlipsPast(t *testing.T) {
	t.Parallel()
	d := newDressed(t)
	ctx := t.Context()
	asked, raised := make(chan struct{}), make(chan error, 1)
	err := d.db.Do(ctx, func(ctx context.Context) error {
		if err := d.service.Refusal(ctx, d.sheet.Object.ID, nil); err != nil {
			return err
		}
		close(asked)
		go func() {
			_, err := d.service.RaiseStop(t.Context(), d.people["Tove"], d.sheet.Object.ID, handling.NewStop{Note: "a crack"})
			raised <- err
		}()
		select {
		case err := <-raised:
			t.Errorf("the stop did not wait: %v", err)
		case <-time.After(100 * time.Millisecond):
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	<-asked
	if err := <-raised; err != nil {
		t.Fatal(err)
	}
	if err := d.service.Refusal(ctx, d.sheet.Object.ID, nil); code(err) != "H3" {
		t.Errorf("after the stop: %v", err)
	}
}

func TestH3ReleaseByTheLastConservator(t *testing.T) {
	t.Parallel()
	d := newDressed(t)
	ctx := t.Context()
	mara := d.people["Mara"]
	_, stop, err := d.service.Log(ctx, mara, d.sheet.Object.ID, handling.Log{Minutes: 5, Purpose: "move", Noticed: []string{"powder"}})
	if err != nil {
		t.Fatal(err)
	}
	words := handling.NewRelease{Reason: "seen", Found: "talc", Limits: "none"}
	if _, err := d.service.Release(ctx, mara, stop.ID, words); code(err) != "H3" {
		t.Errorf("own stop: %v", err)
	}
	for name, role := range map[string]string{"Rune": "registrar", "Tove": "technician", "Karin": "curator"} {
		if _, err := d.service.Release(ctx, d.people[name], stop.ID, words); code(err) != "P2" {
			t.Errorf("%s: %v", role, err)
		}
	}
	d.exec(`update person set closed_at = now() where id = $1`, d.people["Per"].ID)
	if _, err := d.service.Release(ctx, mara, stop.ID, words); code(err) != "H3" || !strings.Contains(err.Error(), "curator") {
		t.Errorf("alone, without a note: %v", err)
	}
	stranger := d.people["Karin"]
	stranger.Departments = []string{"Aviation"}
	if _, err := d.service.Annotate(ctx, stranger, stop.ID, handling.NewNote{Text: "fine"}); code(err) != "P2" {
		t.Errorf("a curator of another department: %v", err)
	}
	if _, err := d.service.Annotate(ctx, d.people["Karin"], stop.ID, handling.NewNote{Text: "Seen with Mara."}); err != nil {
		t.Fatal(err)
	}
	released, err := d.service.Release(ctx, mara, stop.ID, words)
	if err != nil || released.Release.CuratorNote != "Seen with Mara." || released.Release.CuratorName != "Karin" {
		t.Fatalf("%+v %v", released, err)
	}
	if _, err := d.service.Release(ctx, mara, stop.ID, words); code(err) != "H3" || domain.KindOf(err) != domain.KindConflict {
		t.Errorf("twice: %v", err)
	}
	if page, err := d.service.Stops(ctx, mara, handling.StopFilter{State: "released"}, domain.PageQuery{}); err != nil || len(page.Items) != 1 || page.Items[0].Release == nil {
		t.Errorf("%+v %v", page, err)
	}
	if page, err := d.service.Stops(ctx, mara, handling.StopFilter{State: "standing"}, domain.PageQuery{}); err != nil || len(page.Items) != 0 {
		t.Errorf("%+v %v", page, err)
	}
	// One word of the release changed behind the program's back is found.
	owner := d.data.OwnerPool()
	if _, err := owner.Exec(ctx, `alter table stop_release disable trigger all; update stop_release set found = 'nothing'; alter table stop_release enable trigger all`); err != nil {
		t.Fatal(err)
	}
	if report, err := d.record.Verify(ctx, nil); err != nil || report.Clean || !strings.Contains(report.First, stop.ID.String()) {
		t.Errorf("verify: %+v %v", report, err)
	}
}

// Hazards of recorded rows and of materials are read; an assessment lets the planned handling pass.
func TestHazardsFromMaterials(t *testing.T) {
	t.Parallel()
	d := newDressed(t)
	ctx := t.Context()
	d.exec(`insert into material (key, name, family, category, source, hazard_kinds) values ('luminous-paint', 'luminous paint', 'paint', 'coating', 'common practice', '{radium}')
		on conflict (key) do update set hazard_kinds = '{radium}'`)
	d.exec(`insert into component_material (id, component_id, material_key, role, identified_by, confidence, author_id, at)
		values ($1, $2, 'luminous-paint', 'coating', 'sight', 'possible', $3, now())`, domain.NewID(), d.parts["2"], d.people["Mara"].ID)
	object, rune := d.sheet.Object.ID, d.people["Rune"]
	if err := d.service.Cleared(ctx, object, d.pick("1"), []domain.ID{rune.ID}); err != nil {
		t.Errorf("the suit: %v", err)
	}
	if err := d.service.Cleared(ctx, object, nil, []domain.ID{rune.ID}); code(err) != "hazard_unassessed" {
		t.Errorf("the whole: %v", err)
	}
	assessment := handling.NewAssessment{Kind: "radium", ComponentID: &d.pick("2")[0], AssessorName: "O. Strand", Competence: "radiation protection adviser", AssessedOn: d.now,
		MayBeHandled: true, Found: "no flaking", Controls: "short time, gloves, wash hands"}
	if _, err := d.service.Assess(ctx, d.people["Mara"], object, assessment); err != nil {
		t.Fatal(err)
	}
	if err := d.service.Cleared(ctx, object, nil, []domain.ID{rune.ID}); err != nil {
		t.Errorf("assessed: %v", err)
	}
	if err := d.service.Cleared(ctx, object, nil, []domain.ID{d.people["Mara"].ID}); code(err) != "hazard_unassessed" {
		t.Errorf("who recorded it may not be the handler: %v", err)
	}
	e, _, err := d.service.Log(ctx, rune, object, handling.Log{Minutes: 5, Purpose: "move", Controls: "kept"})
	if err != nil || !slices.Equal(e.Hazards, []string{"radium"}) || len(e.Unassessed) != 0 {
		t.Errorf("%+v %v", e, err)
	}
	if before, err := d.service.Before(ctx, rune, object); err != nil || len(before.Cautions) != 1 || len(before.Cautions[0].Assessments) != 1 || !before.Cautions[0].Proposed {
		t.Errorf("%+v %v", before.Cautions, err)
	}
}
