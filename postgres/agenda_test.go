package postgres_test

import (
	"slices"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

// lent is a house with two objects and loans of them, written row by row: only what the agenda reads.
type lent struct {
	t     *testing.T
	data  *pgtest.Database
	store *postgres.Agenda
	by    domain.ID
}

func newLent(t *testing.T) *lent {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Copenhagen")
	if err != nil {
		t.Fatal(err)
	}
	data := pgtest.New(t)
	l := &lent{t: t, data: data, store: postgres.NewAgenda(postgres.NewDB(data.Pool), zone), by: domain.NewID()}
	l.exec(`insert into person (id, name, sign_in_name, roles, created_at) values ($1, 'Rosa Amsel', 'rosa', '{registrar}', now())`, l.by)
	for number, department := range map[string]string{"1968.14.2": "Diving", "1991.5.3": "Sea survival"} {
		l.exec(`insert into object (id, number, number_key, sort_key, title, legal_status, department, created_at, created_by)
			values ($1, $2, $2, $2, 'Suit', 'accessioned', $3, now(), $4)`, domain.NewID(), number, department, l.by)
	}
	return l
}

func (l *lent) exec(sql string, args ...any) {
	l.t.Helper()
	if _, err := l.data.Pool.Exec(l.t.Context(), sql, args...); err != nil {
		l.t.Fatalf("%s: %v", sql, err)
	}
}

// loan makes a loan of one object, valued in euro, and gives its line.
func (l *lent) loan(number int, state, from, until, object string) (id, line domain.ID) {
	l.t.Helper()
	id, line = domain.NewID(), domain.NewID()
	l.exec(`insert into loan (id, year, number, reference, state, borrower_name, purpose, from_on, until_on, requested_on, terms, created_at, created_by, created_by_name)
		values ($1, 2026, $2::int, 'L.2026.' || $2::int, $3, 'Harbour Museum', 'Exhibition', $4::text::date, $5::text::date, '2026-01-02', 'terms', '2026-01-02', $6, 'Rosa Amsel')`,
		id, number, state, from, until, l.by)
	l.exec(`insert into loan_line (id, loan_id, position, object_id, value, currency) select $1, $2, 1, id, 1000, 'EUR' from object where number = $3`, line, id, object)
	return id, line
}

func said(t *testing.T, items []agenda.Item, err error) []string {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	texts := []string{}
	for _, i := range items {
		if i.Due != nil {
			i.Text += " @" + i.Due.UTC().Format(time.RFC3339)
		}
		texts = append(texts, i.Text)
	}
	return texts
}

// TestL6LoansAboutToMove: 30 days before, to whom it concerns, due with the end of the day in the
// site's zone; what is closed or far away is not there.
func TestL6LoansAboutToMove(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	l.loan(1, "prepared", "2026-03-20", "2026-09-01", "1968.14.2")
	l.loan(2, "agreement_signed", "2026-04-01", "2026-09-01", "1968.14.2") // too far
	away, _ := l.loan(3, "on_display", "2026-01-10", "2026-03-05", "1991.5.3")
	l.loan(4, "received", "2026-01-10", "2026-12-01", "1968.14.2") // ends late, not insured
	l.loan(5, "closed", "2026-01-10", "2026-02-01", "1968.14.2")
	past, _ := l.loan(6, "on_display", "2025-01-10", "2026-02-20", "1968.14.2")
	for _, insured := range []domain.ID{away, past} {
		l.exec(`insert into loan_insurance (id, loan_id, kind, insurer, certificate, sum, currency, from_on, until_on, by_id, by_name, at)
			values ($1, $2, 'insurance', 'Tidal', 'C 1', 1000, 'EUR', '2025-01-01', '2026-04-01', $3, 'Rosa Amsel', now())`, domain.NewID(), insured, l.by)
	}
	at := time.Date(2026, 3, 1, 22, 30, 0, 0, time.UTC) // 1 March in Copenhagen, half an hour before midnight
	all := []string{
		"L.2026.4 to Harbour Museum: the insurance in EUR ends before the loan @2026-01-10T23:00:00Z",
		"L.2026.6 to Harbour Museum ends: on display @2026-02-20T23:00:00Z",
		"L.2026.3 to Harbour Museum ends: on display @2026-03-05T23:00:00Z",
		"L.2026.1 to Harbour Museum leaves: prepared @2026-03-20T23:00:00Z",
	}
	for name, test := range map[string]struct {
		by   domain.Actor
		want []string
	}{
		"registrar":   {domain.Actor{Roles: []domain.Role{domain.Registrar}}, all},
		"conservator": {domain.Actor{Roles: []domain.Role{domain.Conservator}}, all},
		"curator":     {domain.Actor{Roles: []domain.Role{domain.Curator}, Departments: []string{"Sea survival"}}, all[2:3]},
		"technician":  {domain.Actor{Roles: []domain.Role{domain.Technician}}, []string{}},
		"reader":      {domain.Actor{Roles: []domain.Role{domain.Reader}}, []string{}},
	} {
		items, err := l.store.Loans(t.Context(), test.by, at, agenda.SectionMost)
		if got := said(t, items, err); !slices.Equal(got, test.want) {
			t.Errorf("%s has %q, want %q", name, got, test.want)
		}
	}
	// An hour later it is the next day there, and 1 April is within 30 days.
	items, err := l.store.Loans(t.Context(), domain.Actor{Roles: []domain.Role{domain.Registrar}}, at.Add(time.Hour), agenda.SectionMost)
	if got := said(t, items, err); len(got) != 5 {
		t.Errorf("a day later: %q", got)
	}
}

// TestL2LoanRequests: first the assessment of each line, then the curator's consent for a department;
// nobody is asked for both.
func TestL2LoanRequests(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	id, line := l.loan(1, "assessing", "2026-06-01", "2026-09-01", "1968.14.2")
	l.loan(2, "declined", "2026-06-01", "2026-09-01", "1968.14.2")
	conservator := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Conservator}}
	curator := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Curator}, Departments: []string{"Diving"}}
	elsewhere := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Curator}, Departments: []string{"Charts"}}
	both := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Conservator, domain.Curator}, Departments: []string{"Diving"}}
	for n, who := range []domain.Actor{conservator, curator, both} {
		l.exec(`insert into person (id, name, sign_in_name, roles, created_at) values ($1, 'Somebody', 'somebody' || $2::int, '{conservator,curator}', now())`, who.ID, n)
	}
	asked := func(step string, want map[string][]domain.Actor) {
		t.Helper()
		for text, whom := range want {
			for name, who := range map[string]domain.Actor{"conservator": conservator, "curator": curator, "elsewhere": elsewhere, "both": both} {
				items, err := l.store.LoanRequests(t.Context(), who, time.Now(), agenda.SectionMost)
				has := slices.Contains(said(t, items, err), text)
				if wants := slices.ContainsFunc(whom, func(a domain.Actor) bool { return a.ID == who.ID }); has != wants {
					t.Errorf("%s: %s is asked %q: %v", step, name, text, has)
				}
			}
		}
	}
	fit, consent := "L.2026.1 to Harbour Museum: is 1968.14.2 fit to travel?", "L.2026.1 to Harbour Museum: may it be lent, for Diving?"
	asked("requested", map[string][]domain.Actor{fit: {conservator, both}, consent: nil})
	assess := func(verdict, at string) domain.ID {
		a := domain.NewID()
		l.exec(`insert into loan_assessment (id, line_id, called, verdict, statement, by_id, by_name, at) values ($1, $2, '1968.14.2', $3, 's', $4, 'Both', $5::text::timestamptz)`, a, line, verdict, both.ID, at)
		return a
	}
	unfit := assess("not_fit", "2026-02-01")
	asked("found not fit", map[string][]domain.Actor{fit: nil, consent: nil})
	l.exec(`insert into loan_consent (id, line_id, assessment_id, called, department, capacity, statement, by_id, by_name, at)
		values ($1, $2, $3, '1968.14.2', 'Diving', 'head of department', 's', $4, 'Curator', now())`, domain.NewID(), line, unfit, curator.ID)
	asked("consented to all the same", map[string][]domain.Actor{consent: {curator}})
	assess("fit", "2026-02-02")
	asked("found fit", map[string][]domain.Actor{fit: nil, consent: {curator}})
	l.exec(`insert into loan_approval (id, loan_id, department, statement, lines, scope, by_id, by_name, at)
		values ($1, $2, 'Diving', 's', '{1968.14.2}', repeat('0', 64), $3, 'Curator', now())`, domain.NewID(), id, curator.ID)
	asked("approved", map[string][]domain.Actor{fit: nil, consent: nil})
}
