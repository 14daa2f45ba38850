package postgres_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/handling"
	"farthingale/domain/loan"
	"farthingale/domain/material"
	"farthingale/domain/record"
	"farthingale/postgres"
)

// lending is a dressed house with its loans. Moves, parts away and emergencies are told by the test.
type lending struct {
	*dressed
	loans   *loan.Service
	store   *postgres.Loans
	record  *record.Service
	carried []string
	away    []string
	open    []string
	worse   string
	before  *domain.ID // with which an examination is compared
	found   []loan.LineCondition
	exams   *examination.Service
}

func (l *lending) Carry(_ context.Context, by domain.Actor, items []loan.Item, placeID domain.ID, carrier, reason string, back loan.Day) error {
	for _, i := range items {
		what := "whole"
		if i.ComponentID != nil {
			what = "part"
		}
		l.carried = append(l.carried, what+" with '"+carrier+"' by "+by.Name)
	}
	return nil
}

func (l *lending) PartsAwayOf(context.Context, ...domain.ID) (map[domain.ID][]string, error) {
	return map[domain.ID][]string{l.sheet.Object.ID: l.away}, nil
}

func (l *lending) OpenEmergencies(context.Context, ...domain.ID) (map[domain.ID][]string, error) {
	return map[domain.ID][]string{l.sheet.Object.ID: l.open}, nil
}

// Examined is what was examined; what is worse is told by the test.
func (l *lending) Examined(ctx context.Context, loanID domain.ID, objectIDs []domain.ID) ([]loan.Examined, error) {
	return l.store.Examined(ctx, loanID, objectIDs)
}

func (l *lending) Compare(_ context.Context, _ domain.Actor, all []*loan.Examined) error {
	for _, e := range all {
		e.Worse, e.BeforeID = l.worse, l.before
	}
	return nil
}

// Open keeps what incidents were opened of.
func (l *lending) Open(_ context.Context, _ domain.Actor, _ *loan.Loan, _ *loan.HandOver, found []loan.LineCondition) error {
	l.found = append(l.found, found...)
	return nil
}

// examine signs an examination of the dress for a loan.
func (l *lending) examine(x *loan.Loan, occasion examination.Occasion) domain.ID {
	l.t.Helper()
	ctx, mara := l.t.Context(), l.people["Mara"]
	yes, no := true, false
	must := func(e *examination.Examination, err error) *examination.Examination {
		l.t.Helper()
		if err != nil {
			l.t.Fatal(err)
		}
		return e
	}
	e := must(l.exams.Begin(ctx, mara, l.sheet.Object.ID, examination.NewExamination{Occasion: occasion, LoanID: &x.ID}))
	var seen []examination.Looked
	for _, c := range e.Components {
		seen = append(seen, examination.Looked{ComponentID: c.ComponentID, Seen: &yes})
	}
	e = must(l.exams.Change(ctx, mara, e.ID, e.Version, examination.Changes{Components: &seen,
		Circumstances: &examination.Circumstances{Occasion: occasion, ExaminedOn: e.ExaminedOn, Place: "table", Light: []string{"normal"}, Technique: "By eye.", Handles: &no},
		Judgement:     &examination.Judgement{Overall: examination.Fair, Priority: "low", NextCheckOn: "2027-02-06"}}))
	return must(l.exams.Sign(ctx, mara, e.ID, e.Version)).ID
}

func newLending(t *testing.T) *lending {
	t.Helper()
	d := newDressed(t)
	l := &lending{dressed: d, store: postgres.NewLoans(d.db), away: []string{".1a"}}
	l.record = record.NewService(postgres.NewRecord(d.db), func() time.Time { return d.now })
	usual, err := material.Cautions()
	if err != nil {
		t.Fatal(err)
	}
	site := domain.DefaultSite()
	site.Name, site.Address = "Museum of the Tide", "Quay 1"
	l.loans = loan.NewService(l.store, loan.Neighbours{Stops: d.service, Emergencies: l, Away: l, Moves: l, Notices: d.notices, Seals: l.record, Examinations: l, Incidents: l},
		usual, d.db, site, func() time.Time { return d.now })
	l.exams = examination.NewService(postgres.NewExaminations(d.db), sheets{d.sheet}, d.service, d.notices, l.record, nil, d.db, time.UTC, func() time.Time { return d.now })
	l.record.Register(examination.SealKind, l.exams.Sealed)
	l.record.Register(handling.SealKind, d.service.Sealed)
	for kind := range loan.Kinds {
		l.record.Register(kind, l.loans.Sealed(kind))
	}
	return l
}

func loanFacts() loan.Facts {
	return loan.Facts{
		Borrower: loan.Borrower{Name: "Muzeum pod Wodą, Łódź", Address: "ul. Wodna 1", Contact: "Žofie, Žďár nad Sázavou"}, Purpose: "Έκθεση, Ελλάδα",
		Span: loan.Span{From: "2026-02-06", Until: "2026-08-31"}, RequestedOn: "2025-06-01", Transport: "Art carrier, Køge", Courier: "Mara",
		Venues: []loan.Venue{{Name: "Main hall", Address: "Łódź", Span: loan.Span{From: "2026-02-10", Until: "2026-08-20"}}},
	}
}

// must runs acts that give the loan back, each with the version of the one before.
func (l *lending) must(x *loan.Loan, err error) *loan.Loan {
	l.t.Helper()
	if err != nil {
		l.t.Fatal(err)
	}
	return x
}

// prepared brings a loan of the whole dress, or of a part, to where it may be dispatched.
func (l *lending) prepared(parts ...domain.ID) *loan.Loan {
	l.t.Helper()
	ctx, rune, mara, karin := l.t.Context(), l.people["Rune"], l.people["Mara"], l.people["Karin"]
	x := l.must(l.loans.Create(ctx, rune, loanFacts()))
	x, line, err := l.loans.AddLine(ctx, rune, x.ID, x.Version, loan.NewLine{ObjectNumber: "1968.14.2", ComponentIDs: parts})
	if err != nil {
		l.t.Fatal(err)
	}
	value := decimal.RequireFromString("1234567890123.45")
	x = l.must(l.loans.SetValue(ctx, rune, line.ID, x.Version, loan.Valuation{Value: &value, Currency: "EUR", Insurer: "Own insurer"}))
	low := 45
	x = l.must(l.loans.SetConditions(ctx, mara, line.ID, x.Version, loan.Conditions{Mount: "torso", Positions: []string{"upright_on_mount"}, RHLow: &low}))
	x = l.must(l.loans.Assess(ctx, mara, line.ID, x.Version, loan.NewAssessment{Verdict: loan.FitWithConditions, Statement: "Sound.", Conditions: "Lying."}))
	x = l.must(l.loans.AssessFacilities(ctx, mara, x.ID, x.Version, loan.NewFacilities{VenueID: x.Venues[0].ID, ReportOn: "2025-10-01", AssessedOn: "2026-01-10", Summary: "Good.",
		Exceptions: []loan.Exception{{Requirement: "RH", Found: "35 % in winter", Accepted: true, Statement: "Buffered case."}}}))
	x = l.must(l.loans.Approve(ctx, karin, x.ID, x.Version, loan.Telling{Statement: "Agreed."}))
	x = l.must(l.loans.Issue(ctx, rune, x.ID, x.Version))
	x = l.must(l.loans.Sign(ctx, karin, x.ID, x.Version, 1, loan.NewSignature{Side: loan.Lender}))
	x = l.must(l.loans.Sign(ctx, rune, x.ID, x.Version, 1, loan.NewSignature{Side: loan.BorrowerOf, Name: "Žofie Nováková", SignedOn: "2026-02-06", ScanSHA256: strings.Repeat("ab", 32)}))
	x = l.must(l.loans.StateCondition(ctx, mara, line.ID, x.Version, loan.NewStatement{ExaminationID: l.examine(x, "outgoing"), Text: "Stiff along the fold."}))
	x = l.must(l.loans.AddAddendum(ctx, mara, x.Lines[0].Statements[0].ID, x.Version, loan.NewAddendum{Text: "And a scratch."}))
	sum := decimal.RequireFromString("1234567890123.45")
	x = l.must(l.loans.Insure(ctx, rune, x.ID, x.Version, loan.NewInsurance{Kind: "indemnity", Insurer: "State", Certificate: "I-1", Sum: &sum, Currency: "EUR", From: "2026-02-01", Until: "2026-08-31"}))
	return l.must(l.loans.Ready(ctx, rune, x.ID, x.Version, loan.Telling{Statement: "One crate."}))
}

func (l *lending) handing(x *loan.Loan) loan.NewHandOver {
	place := domain.NewID()
	n := loan.NewHandOver{GivenBy: "Rune", ReceivedBy: "P. Holm", Carrier: "Art carrier", CratesAndSeals: "1 crate, seal 11", PlaceID: &place}
	for _, line := range x.Lines {
		n.Conditions = append(n.Conditions, loan.NewLineCondition{LineID: line.ID, Found: loan.Unchanged})
	}
	return n
}

// TestLoanFromRequestToClosed: a loan goes its way, is read as it was written, and verifies; one word
// changed behind the program's back is found.
func TestLoanFromRequestToClosed(t *testing.T) {
	t.Parallel()
	l := newLending(t)
	ctx, rune, mara := t.Context(), l.people["Rune"], l.people["Mara"]
	x := l.prepared(l.parts["1a"])
	if x.Reference != "L.2026.1" || x.State != loan.Prepared || x.Totals[0].Sum != "1234567890123.45" || x.Lines[0].Called() != "1968.14.2.1a cuff" {
		t.Fatalf("%+v", x)
	}
	if next, err := l.loans.Create(ctx, rune, loanFacts()); err != nil || next.Reference != "L.2026.2" {
		t.Fatalf("the next loan is %v, %v", next, err)
	}
	x = l.must(l.loans.Dispatch(ctx, rune, x.ID, x.Version, l.handing(x)))
	l.now = l.now.Add(48 * time.Hour)
	l.examine(x, "arrival")
	changed := l.handing(x)
	l.worse = "New tear of 8 mm."
	x = l.must(l.loans.Receive(ctx, mara, x.ID, x.Version, changed))
	if n := len(l.notices.all); n != 1 || !strings.Contains(l.notices.all[0].Text, "New tear of 8 mm.") || len(l.found) != 0 {
		t.Errorf("notices %+v, incidents %+v", l.notices.all, l.found)
	}
	x = l.must(l.loans.Display(ctx, mara, x.ID, x.Version, loan.Telling{Statement: "Case 4."}))
	l.worse = ""
	l.examine(x, "departure")
	l.examine(x, "return")
	x = l.must(l.loans.Pack(ctx, mara, x.ID, x.Version, l.handing(x)))
	x = l.must(l.loans.Return(ctx, rune, x.ID, x.Version, l.handing(x)))
	x = l.must(l.loans.Close(ctx, rune, x.ID, x.Version, loan.Telling{Statement: "Settled."}))
	if want := []string{"part with 'Art carrier' by Rune", "part with '' by Mara", "part with '' by Rune"}; !slices.Equal(l.carried, want) {
		t.Errorf("carried %q", l.carried)
	}
	got := l.must(l.loans.One(ctx, rune, x.ID))
	if len(got.HandOvers) != 4 || got.HandOvers[1].Conditions[0].Statement != "New tear of 8 mm." || len(got.Stages) != 3 || got.Agreements[0].Signatures[1].ScanSHA256 == "" ||
		got.Lines[0].Statements[0].Addenda[0].Text != "And a scratch." || !got.Facilities[0].Exceptions[0].Accepted || got.Borrower != loanFacts().Borrower ||
		!got.Approvals[0].Holds || !got.Agreements[0].Holds || got.Lines[0].Conditions.Mount != "torso" || *got.Lines[0].Conditions.RHLow != 45 || got.HandOvers[0].Authoriser == nil {
		t.Errorf("read %+v", got)
	}
	// P3 on the way out.
	if seen := l.must(l.loans.One(ctx, l.people["Lars"], x.ID)); seen.Lines[0].Value != nil || len(seen.Insurances) != 0 || seen.Borrower.Address != "" {
		t.Errorf("a reader sees %+v", seen.Lines[0])
	}
	paper, err := l.loans.Paper(ctx, l.people["Lars"], x.ID, 0)
	if err != nil || paper.Content.Schedule[0].Value != "" || !paper.Content.ValuesLeftOut || paper.Seal == nil || paper.Seal.SHA256.String() != paper.SHA256 || paper.Head.Count == 0 {
		t.Errorf("paper %+v %v", paper, err)
	}
	if report, err := l.record.Verify(ctx, nil); err != nil || !report.Clean || report.Head.Count < 15 {
		t.Fatalf("verify: %+v %v", report, err)
	}
	owner := l.data.OwnerPool()
	for table, change := range map[string]string{
		"loan_assessment": "statement = 'Rotten.'", "loan_condition": "examined_on = '2026-02-05'", "loan_agreement": `content = jsonb_set(content, '{schedule,0,value}', '"1.00"')`,
		"loan_signature": "name = 'Somebody'", "loan_hand_over_condition": "statement = 'Nothing.'", "loan_approval": "statement = 'No.'", "loan_facilities": "summary = 'Bad.'",
		"loan_condition_addendum": "text = 'Nothing.'", "loan_stage": "statement = 'Lost.'", "loan_hand_over": "received_by = 'Nobody'",
	} {
		behind := func(sql string) {
			t.Helper()
			if _, err := owner.Exec(ctx, `set session_replication_role = replica; `+sql+`; set session_replication_role = origin`); err != nil {
				t.Fatal(err)
			}
		}
		behind(`create table kept as select * from ` + table + `; update ` + table + ` set ` + change)
		if report, err := l.record.Verify(ctx, nil); err != nil || report.Clean {
			t.Errorf("%s set %s: verify finds nothing (%v)", table, change, err)
		}
		behind(`delete from ` + table + `; insert into ` + table + ` select * from kept; drop table kept`)
	}
	if report, err := l.record.Verify(ctx, nil); err != nil || !report.Clean {
		t.Errorf("verify after all was put back: %+v %v", report, err)
	}
}

// TestLoanDispatchRefused: stop, emergency, another loan: everything is listed, nothing is written.
func TestLoanDispatchRefused(t *testing.T) {
	t.Parallel()
	l := newLending(t)
	ctx, rune, mara := t.Context(), l.people["Rune"], l.people["Mara"]
	first := l.prepared(l.parts["1a"])
	second := l.prepared(l.parts["1a"])
	l.must(l.loans.Dispatch(ctx, rune, first.ID, first.Version, l.handing(first)))
	if _, err := l.service.RaiseStop(ctx, mara, l.sheet.Object.ID, handling.NewStop{ComponentIDs: l.pick("1"), Note: "Powder."}); err != nil {
		t.Fatal(err)
	}
	l.open = []string{"cover of 2 February 2026"}
	before := l.events()
	_, err := l.loans.Dispatch(ctx, rune, second.ID, second.Version, l.handing(second))
	var e *domain.Error
	if !errors.As(err, &e) || e.Code != "L3" || len(e.Missing) != 3 {
		t.Fatalf("%v", err)
	}
	for i, part := range []string{"A stop has stood on 1968.14.2.1 suit", "the return of 1968.14.2.1a cuff from loan L.2026.1", "cover of 2 February 2026"} {
		if !strings.Contains(e.Missing[i], part) {
			t.Errorf("missing %q", e.Missing[i])
		}
	}
	if after := l.events(); after != before {
		t.Errorf("%d events before, %d after", before, after)
	}
	if got := l.must(l.loans.One(ctx, rune, second.ID)); got.Version != second.Version || got.State != loan.Prepared {
		t.Errorf("the refusal changed the loan: %+v", got)
	}
	// The database refuses by itself what slips past the program.
	for name, sql := range map[string]string{
		"loan_may_leave":   `update loan set state = 'dispatched' where state = 'request'`,
		"loan_not_stopped": `update loan set state = 'dispatched' where reference = 'L.2026.2'`,
	} {
		if name == "loan_may_leave" {
			l.must(l.loans.Create(ctx, rune, loanFacts()))
		}
		if _, err := l.data.Pool.Exec(ctx, sql); err == nil || !strings.Contains(err.Error(), map[string]string{"loan_may_leave": "not ready to leave", "loan_not_stopped": "a stop stands"}[name]) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func (l *lending) events() (n int) {
	l.t.Helper()
	if err := l.data.Pool.QueryRow(l.t.Context(), `select (select count(*) from event) + (select count(*) from seal) + (select count(*) from loan_hand_over)`).Scan(&n); err != nil {
		l.t.Fatal(err)
	}
	return n
}

// TestLoanDatabaseKeepsItsRules: what the program refuses, the database refuses too.
func TestLoanDatabaseKeepsItsRules(t *testing.T) {
	t.Parallel()
	l := newLending(t)
	x := l.prepared()
	ctx := t.Context()
	line := x.Lines[0].ID
	for name, c := range map[string]struct {
		sql  string
		args []any
		said string
	}{
		"a line's object":          {`update loan_line set position = 7 where id = $1`, []any{line}, "never changes"},
		"a value without currency": {`update loan_line set currency = null where id = $1`, []any{line}, "loan_line_value_has_currency"},
		"a negative value":         {`update loan_line set value = -1 where id = $1`, []any{line}, "loan_line_value_positive"},
		"delete a line":            {`delete from loan_line where id = $1`, []any{line}, "never deleted"},
		"delete a loan":            {`delete from loan where id = $1`, []any{x.ID}, "never deleted"},
		"an agreement":             {`update loan_agreement set sha256 = basis where loan_id = $1`, []any{x.ID}, "permission denied"},
		"a signature to another text": {`insert into loan_signature (id, agreement_id, side, name, signed_on, signed_outside, sha256, by_id, by_name, at)
			values (gen_random_uuid(), $1, 'borrower', 'X', now(), true, repeat('0', 64), $2, 'X', now())`, []any{x.Agreements[0].ID, l.people["Rune"].ID}, "loan_signature"},
		"the assessor approves": {`insert into loan_approval (id, loan_id, department, statement, lines, scope, by_id, by_name, at)
			values (gen_random_uuid(), $1, 'Diving', 'Yes', '{}', repeat('0', 64), $2, 'Mara', now())`, []any{x.ID, l.people["Mara"].ID}, "does not approve"},
		"the approver assesses": {`insert into loan_assessment (id, line_id, called, verdict, statement, by_id, by_name, at)
			values (gen_random_uuid(), $1, 'X', 'fit', 'Yes', $2, 'Karin', now())`, []any{line, l.people["Karin"].ID}, "does not assess"},
		"a certificate changed": {`update loan_insurance set sum = 1 where loan_id = $1`, []any{x.ID}, "withdrawn, not changed"},
	} {
		if _, err := l.data.Pool.Exec(ctx, c.sql, c.args...); err == nil || !strings.Contains(err.Error(), c.said) {
			t.Errorf("%s: %v", name, err)
		}
	}
	l.exec(`update component set removal = 'never', removal_reason = 'sewn' where id = $1`, l.parts["2"])
	if _, err := l.data.Pool.Exec(ctx, `insert into loan_line_component (line_id, object_id, component_id, position, called) values ($1, $2, $3, 1, 'X')`,
		line, l.sheet.Object.ID, l.parts["2"]); err == nil || !strings.Contains(err.Error(), "not lent as a part") {
		t.Errorf("C2: %v", err)
	}
}

// TestLoanConflict: two who change one loan at once: one succeeds, the other is told (stale).
func TestLoanConflict(t *testing.T) {
	t.Parallel()
	l := newLending(t)
	ctx, rune := t.Context(), l.people["Rune"]
	x := l.must(l.loans.Create(ctx, rune, loanFacts()))
	results := make(chan error, 8)
	for range 8 {
		go func() {
			_, _, err := l.loans.AddLine(context.WithoutCancel(ctx), rune, x.ID, x.Version, loan.NewLine{ObjectNumber: "1968.14.2"})
			results <- err
		}()
	}
	good := 0
	for range 8 {
		if err := <-results; err == nil {
			good++
		} else if domain.KindOf(err) != domain.KindStale {
			t.Errorf("%v", err)
		}
	}
	if good != 1 {
		t.Errorf("%d succeeded", good)
	}
}

// TestL6Due: a loan's end and the end of its insurance come up 30, 7 and 1 days before, and stay when
// past.
//
// source: common practice; reminders before the end of the period (rule L6).
func TestL6Due(t *testing.T) {
	t.Parallel()
	l := newLending(t)
	ctx, rune := t.Context(), l.people["Rune"]
	x := l.prepared(l.parts["1a"])
	at := func(day string) []loan.Due {
		moment, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		due, err := l.loans.Due(ctx, moment.Add(10*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		return due
	}
	if due := at("2026-08-30"); len(due) != 0 {
		t.Errorf("a loan that is at home is due: %+v", due)
	}
	x = l.must(l.loans.Dispatch(ctx, rune, x.ID, x.Version, l.handing(x)))
	x = l.must(l.loans.WithdrawInsurance(ctx, rune, x.Insurances[0].ID, x.Version, loan.Telling{Statement: "Replaced."}))
	sum := decimal.RequireFromString("1234567890123.45")
	l.must(l.loans.Insure(ctx, rune, x.ID, x.Version, loan.NewInsurance{Kind: "insurance", Insurer: "A", Certificate: "2", Sum: &sum, Currency: "EUR", From: "2026-02-01", Until: "2026-08-15"}))
	for day, want := range map[string][]loan.Due{
		"2026-07-15": {},
		"2026-07-16": {{What: "insurance", Days: 30, Within: 30}},
		"2026-08-01": {{What: "insurance", Days: 14, Within: 30}, {What: "end", Days: 30, Within: 30}},
		"2026-08-08": {{What: "insurance", Days: 7, Within: 7}, {What: "end", Days: 23, Within: 30}},
		"2026-08-14": {{What: "insurance", Days: 1, Within: 1}, {What: "end", Days: 17, Within: 30}},
		"2026-09-02": {{What: "insurance", Days: -18, Within: 0}, {What: "end", Days: -2, Within: 0}},
	} {
		got := at(day)
		if len(got) != len(want) {
			t.Errorf("%s: %+v", day, got)
			continue
		}
		for i, d := range got {
			if d.What != want[i].What || d.Days != want[i].Days || d.Within != want[i].Within || d.Reference != x.Reference || !slices.Equal(d.Departments, []string{"Diving"}) {
				t.Errorf("%s: %+v", day, d)
			}
		}
	}

	// The job gives each notice once; a day later there is none, on the next level there is one more.
	told := func(day string) []string {
		t.Helper()
		moment, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		l.now, l.notices.all = moment.Add(10*time.Hour), nil
		if err := l.loans.Remind(ctx); err != nil {
			t.Fatal(err)
		}
		var all []string
		for _, n := range l.notices.all {
			all = append(all, n.Text)
		}
		return all
	}
	for _, c := range []struct{ day, want string }{
		{"2026-08-01", "the insurance runs out on 15 August 2026, in 14 days, before the loan ends.; Loan L.2026.1 to Muzeum pod Wodą, Łódź ends on 31 August 2026, in 30 days."},
		{"2026-08-02", ""}, {"2026-08-14", "the insurance runs out on 15 August 2026, tomorrow"}, {"2026-08-31", "the insurance ran out on 15 August 2026"}, {"2026-08-31", ""},
		{"2026-09-01", "Loan L.2026.1 to Muzeum pod Wodą, Łódź ended on 31 August 2026 and is not back."}, {"2026-10-01", ""},
	} {
		got := strings.Join(told(c.day), "; ")
		if (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: told %q, want %q", c.day, got, c.want)
		}
	}
}
