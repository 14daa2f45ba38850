package postgres_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/examination"
	"farthingale/domain/incident"
	"farthingale/domain/loan"
	"farthingale/postgres"
)

// TestL4IncidentsKept: incidents are kept with their answers, listed by pages, and answered once about the object; the
// database refuses to change or delete what they say.
func TestL4IncidentsKept(t *testing.T) {
	t.Parallel()
	l := newLending(t)
	ctx, rune, mara := t.Context(), l.people["Rune"], l.people["Mara"]
	store := postgres.NewIncidents(l.db)
	service := incident.NewService(store, l.notices, func() time.Time { return l.now })
	x := l.prepared(l.parts["1a"])
	x = l.must(l.loans.Dispatch(ctx, rune, x.ID, x.Version, l.handing(x)))
	l.now = l.now.Add(48 * time.Hour)
	before, at := l.examine(x, examination.Arrival), l.now
	x = l.must(l.loans.Receive(ctx, mara, x.ID, x.Version, l.handing(x)))
	after := l.examine(x, examination.Departure)
	x = l.must(l.loans.Pack(ctx, mara, x.ID, x.Version, l.handing(x)))
	line := x.Lines[0]
	opening := func(h loan.HandOver, found string) incident.Opening {
		return incident.Opening{Department: line.Department, LoanReference: x.Reference, Facts: incident.Facts{ObjectID: line.ObjectID, LoanID: x.ID, LineID: line.ID, HandOverID: h.ID,
			Stage: string(h.Stage), Called: line.Called(), BeforeID: before, ExaminationID: after, Found: found}}
	}
	if err := service.Open(ctx, rune, opening(x.HandOvers[1], "new: tear."), opening(x.HandOvers[2], "worse: tear.")); err != nil {
		t.Fatal(err)
	}
	if err := service.Open(ctx, rune, opening(x.HandOvers[1], "again")); domain.KindOf(err) != domain.KindStale {
		t.Errorf("a hand-over of a line opens one incident: %v", err)
	}
	strange := opening(x.HandOvers[0], "of another object")
	strange.ObjectID = domain.NewID()
	if err := service.Open(ctx, rune, strange); err == nil {
		t.Error("an incident of another object than the line's was kept")
	}

	var seen []incident.Line
	for q := (domain.PageQuery{Limit: 1}); ; {
		page, err := service.List(ctx, mara, incident.Filter{ObjectID: &line.ObjectID, LoanID: &x.ID, State: incident.StateOpen}, q)
		if err != nil {
			t.Fatal(err)
		}
		if seen = append(seen, page.Items...); page.Next == "" {
			break
		}
		q.Cursor = page.Next
	}
	if len(seen) != 2 || seen[0].Found != "worse: tear." || seen[1].Found != "new: tear." || seen[0].Called != "1968.14.2.1a cuff" || seen[0].LoanReference != x.Reference || !seen[0].OpenedAt.Equal(at) {
		t.Fatalf("%+v", seen)
	}
	i, err := service.Answer(ctx, rune, seen[0].ID, 1, incident.NewAnswer{Kind: incident.ClaimMade, Text: "Of 400 EUR."})
	if err != nil || i.Version != 2 || i.AnsweredAt != nil {
		t.Fatalf("%+v %v", i, err)
	}
	if _, err := service.Answer(ctx, mara, i.ID, 1, incident.NewAnswer{Kind: incident.Watched, Text: "Again in a month."}); !errors.Is(err, domain.ErrStale) {
		t.Errorf("an answer to an older version: %v", err)
	}
	if i, err = service.Answer(ctx, mara, i.ID, 2, incident.NewAnswer{Kind: incident.Watched, Text: "Again in a month."}); err != nil || i.AnsweredAt == nil || len(i.Answers) != 1 {
		t.Errorf("%+v %v", i, err) // she reads no claims
	}
	if kept, err := service.One(ctx, rune, i.ID); err != nil || len(kept.Answers) != 2 || kept.Answers[1].By.Name != "Mara" || kept.Version != 3 || kept.Found != "worse: tear." || kept.BeforeID != before {
		t.Errorf("%+v %v", kept, err)
	}
	open, err := service.List(ctx, mara, incident.Filter{State: incident.StateOpen}, domain.PageQuery{})
	answered, err2 := service.List(ctx, mara, incident.Filter{State: incident.StateAnswered}, domain.PageQuery{})
	if err != nil || err2 != nil || len(open.Items) != 1 || open.Items[0].ID != seen[1].ID || len(answered.Items) != 1 || answered.Items[0].ID != i.ID {
		t.Errorf("open %+v, answered %+v, %v %v", open, answered, err, err2)
	}

	due := postgres.NewAgenda(l.db, time.UTC)
	for _, c := range []struct {
		by   domain.Actor
		want int
	}{
		{mara, 1}, {rune, 1}, {domain.Actor{ID: mara.ID, Roles: []domain.Role{domain.Curator}, Departments: []string{line.Department}}, 1},
		{domain.Actor{ID: mara.ID, Roles: []domain.Role{domain.Curator}, Departments: []string{"Charts"}}, 0}, {domain.Actor{ID: mara.ID, Roles: []domain.Role{domain.Technician}}, 0},
	} {
		items, err := due.Incidents(ctx, c.by, l.now, agenda.SectionMost)
		if err != nil || len(items) != c.want || c.want == 1 && (items[0].SubjectID != seen[1].ID || items[0].Text != "1968.14.2.1a cuff on loan "+x.Reference+": new: tear.") {
			t.Errorf("%v of %v: %+v %v", c.by.Roles, c.by.Departments, items, err)
		}
	}
	if told := slices.IndexFunc(l.notices.all, func(n agenda.Notice) bool { return n.Subject == i.ID }); told < 0 {
		t.Errorf("nobody was told: %+v", l.notices.all)
	}

	// The owner of the tables may not do it either: it is the database that refuses.
	for constraint, sql := range map[string]string{
		"incident_stays":              `update incident set found = 'nothing' where id = $1`,
		"incident_never_deleted":      `delete from incident where id = $1`,
		"incident_answer_append_only": `update incident_answer set text = 'nothing' where incident_id = $1`,
		"incident_two_examinations": `insert into incident select gen_random_uuid(), object_id, loan_id, hand_over_id, line_id, stage, called, before_id, before_id, found, opened_at, opened_by, opened_by_name
			from incident where id = $1`,
	} {
		var refused *pgconn.PgError
		if _, err := l.data.OwnerPool().Exec(ctx, sql, i.ID); !errors.As(err, &refused) || refused.ConstraintName != constraint {
			t.Errorf("%s: %v", constraint, err)
		}
	}
	for what, sql := range map[string]string{
		"an answer taken back":       `update incident set answered_at = null where id = $1`,
		"answered without an answer": `update incident set answered_at = now() where answered_at is null and id <> $1`,
	} {
		if _, err := l.data.OwnerPool().Exec(ctx, sql, i.ID); err == nil {
			t.Errorf("%s was kept", what)
		}
	}
}
