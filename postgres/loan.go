package postgres

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/loan"
)

// Loans keeps loans; it implements loan.Store.
type Loans struct{ db *DB }

// NewLoans makes the store.
func NewLoans(db *DB) *Loans { return &Loans{db: db} }

var _ loan.Store = (*Loans)(nil)

// loanLock is the space of advisory locks that make loans of one year follow one another, so that
// their references have no gap.
const loanLock = 0x10a7

// Add writes a new loan and gives it the next reference of the year.
func (s *Loans) Add(ctx context.Context, l *loan.Loan, year int) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock($1, $2)`, loanLock, year); err != nil {
			return fault(err, "lock the loans of %d", year)
		}
		var number int
		if err := tx.QueryRow(ctx, `select coalesce(max(number), 0) + 1 from loan where year = $1`, year).Scan(&number); err != nil {
			return fault(err, "count the loans of %d", year)
		}
		l.Reference = fmt.Sprintf("L.%d.%d", year, number)
		_, err := tx.Exec(ctx, `
			insert into loan (id, year, number, reference, state, borrower_name, borrower_address, borrower_contact, purpose, from_on, until_on,
				requested_on, terms, transport, courier, version, created_at, created_by, created_by_name)
			values (@id, @year, @number, @reference, @state, @borrower, @address, @contact, @purpose, @from, @until,
				@requested, @terms, @transport, @courier, @version, @at, @by, @by_name)`,
			loanArgs(l, pgx.NamedArgs{"year": year, "number": number, "reference": l.Reference, "at": l.CreatedAt, "by": l.CreatedBy.ID, "by_name": l.CreatedBy.Name}))
		if err != nil {
			return fault(err, "add loan %s", l.ID)
		}
		if err := s.saveVenues(ctx, tx, l); err != nil {
			return err
		}
		return s.db.addEvents(ctx, l.Events()...)
	})
}

func loanArgs(l *loan.Loan, more pgx.NamedArgs) pgx.NamedArgs {
	args := pgx.NamedArgs{"id": l.ID, "state": string(l.State), "borrower": l.Borrower.Name, "address": l.Borrower.Address, "contact": l.Borrower.Contact,
		"purpose": l.Purpose, "from": string(l.From), "until": string(l.Until), "requested": string(l.RequestedOn), "terms": l.Terms,
		"transport": l.Transport, "courier": l.Courier, "version": l.Version}
	for name, value := range more {
		args[name] = value
	}
	return args
}

// Update changes a loan under lock.
func (s *Loans) Update(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, l *loan.Loan) error) (*loan.Loan, error) {
	var l *loan.Loan
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var present int64
		if err := tx.QueryRow(ctx, `select version from loan where id = $1 for update`, id).Scan(&present); err != nil {
			return fault(err, "lock loan %s", id)
		}
		if present != version {
			return domain.ErrStale
		}
		var err error
		if l, err = s.One(ctx, id); err != nil {
			return err
		}
		if err := change(ctx, l); err != nil {
			return err
		}
		l.Version++
		if err := s.save(ctx, tx, l); err != nil {
			return err
		}
		return s.db.addEvents(ctx, l.Events()...)
	})
	if err != nil {
		return nil, err
	}
	return l, nil
}

// save writes the facts, the venues and lines, and what the act added; the state last, because the
// database looks at the rest before it lets a loan leave.
func (s *Loans) save(ctx context.Context, tx pgx.Tx, l *loan.Loan) error {
	if err := s.saveVenues(ctx, tx, l); err != nil {
		return err
	}
	batch := &pgx.Batch{}
	for _, n := range l.Lines {
		saveLine(batch, l, n)
	}
	for _, i := range l.Insurances {
		if w := i.Withdrawal; w != nil {
			batch.Queue(`update loan_insurance set withdrawn_at = $2, withdrawn_by = $3, withdrawn_by_name = $4, withdrawn_reason = $5
				where id = $1 and withdrawn_at is null`, i.ID, w.At, w.By.ID, w.By.Name, w.Reason)
		}
	}
	add(batch, l)
	batch.Queue(`
		update loan set state = @state, borrower_name = @borrower, borrower_address = @address, borrower_contact = @contact, purpose = @purpose,
			from_on = @from, until_on = @until, requested_on = @requested, terms = @terms, transport = @transport, courier = @courier, version = @version
		where id = @id`, loanArgs(l, nil))
	return fault(tx.SendBatch(ctx, batch).Close(), "change loan %s", l.ID)
}

func (s *Loans) saveVenues(ctx context.Context, tx pgx.Tx, l *loan.Loan) error {
	batch := &pgx.Batch{}
	queue := func(position int, v loan.Venue, current bool) {
		batch.Queue(`
			insert into loan_venue (id, loan_id, position, name, address, from_on, until_on, current) values ($1, $2, $3, $4, $5, $6, $7, $8)
			on conflict (id) do update set position = excluded.position, from_on = excluded.from_on, until_on = excluded.until_on, current = excluded.current`,
			v.ID, l.ID, position, v.Name, v.Address, string(v.From), string(v.Until), current)
	}
	for i, v := range l.Venues {
		queue(i+1, v, true)
	}
	for i, v := range l.OldVenues {
		queue(i+1, v, false)
	}
	return fault(tx.SendBatch(ctx, batch).Close(), "keep the venues of loan %s", l.ID)
}

// saveLine writes a line and, when it is new, its parts.
func saveLine(batch *pgx.Batch, l *loan.Loan, n loan.Line) {
	var value *decimal.Decimal
	var currency *string
	if n.Value != nil {
		value, currency = n.Value, &n.Currency
	}
	var at *time.Time
	var by *domain.ID
	var name, reason string
	if w := n.Withdrawal; w != nil {
		at, by, name, reason = &w.At, &w.By.ID, w.By.Name, w.Reason
	}
	batch.Queue(`
		insert into loan_line (id, loan_id, position, object_id, value, currency, insurer, conditions) values (@id, @loan, @position, @object, @value, @currency, @insurer, @conditions)
		on conflict (id) do update set value = excluded.value, currency = excluded.currency, insurer = excluded.insurer, conditions = excluded.conditions,
			withdrawn_at = @at, withdrawn_by = @by, withdrawn_by_name = @name, withdrawn_reason = @reason
		where loan_line.withdrawn_at is null`,
		pgx.NamedArgs{"id": n.ID, "loan": l.ID, "position": n.Position, "object": n.ObjectID, "value": value, "currency": currency, "insurer": n.Insurer,
			"conditions": n.Conditions, "at": at, "by": by, "name": name, "reason": reason})
	for i, c := range n.Components {
		batch.Queue(`
			insert into loan_line_component (line_id, object_id, component_id, position, called) values ($1, $2, $3, $4, $5)
			on conflict (line_id, component_id) do nothing`, n.ID, n.ObjectID, c.ID, i+1, c.Called)
	}
}

// add writes what an act added.
func add(batch *pgx.Batch, l *loan.Loan) {
	for _, x := range l.Added.Assessments {
		batch.Queue(`insert into loan_assessment (id, line_id, called, verdict, statement, conditions, by_id, by_name, at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			x.ID, x.LineID, x.Called, string(x.Verdict), x.Statement, x.Conditions, x.By.ID, x.By.Name, x.At)
	}
	for _, x := range l.Added.Consents {
		batch.Queue(`insert into loan_consent (id, line_id, assessment_id, called, department, capacity, statement, by_id, by_name, at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`, x.ID, x.LineID, x.AssessmentID, x.Called, x.Department, x.Capacity, x.Statement, x.By.ID, x.By.Name, x.At)
	}
	for _, x := range l.Added.Statements {
		batch.Queue(`insert into loan_condition (id, line_id, called, examined_on, text, not_seen, by_id, by_name, at, examination_id) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			x.ID, x.LineID, x.Called, string(x.ExaminedOn), x.Text, x.NotSeen, x.By.ID, x.By.Name, x.At, x.ExaminationID)
	}
	for _, x := range l.Added.Addenda {
		batch.Queue(`insert into loan_condition_addendum (id, condition_id, text, by_id, by_name, at) values ($1, $2, $3, $4, $5, $6)`,
			x.ID, x.StatementID, x.Text, x.By.ID, x.By.Name, x.At)
	}
	for _, x := range l.Added.Approvals {
		batch.Queue(`insert into loan_approval (id, loan_id, department, statement, lines, scope, by_id, by_name, at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			x.ID, l.ID, x.Department, x.Statement, x.Lines, x.Scope, x.By.ID, x.By.Name, x.At)
	}
	for _, x := range l.Added.Facilities {
		batch.Queue(`insert into loan_facilities (id, loan_id, venue_id, venue, report_on, assessed_on, summary, exceptions, by_id, by_name, at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`, x.ID, l.ID, x.VenueID, x.Venue, string(x.ReportOn), string(x.AssessedOn), x.Summary, x.Exceptions, x.By.ID, x.By.Name, x.At)
	}
	for _, x := range l.Added.Insurances {
		batch.Queue(`
			insert into loan_insurance (id, loan_id, kind, insurer, certificate, sum, currency, from_on, until_on, note, by_id, by_name, at)
			values (@id, @loan, @kind, @insurer, @certificate, @sum, @currency, @from, @until, @note, @by, @name, @at)`,
			pgx.NamedArgs{"id": x.ID, "loan": l.ID, "kind": x.Kind, "insurer": x.Insurer, "certificate": x.Certificate, "sum": x.Sum, "currency": x.Currency,
				"from": string(x.From), "until": string(x.Until), "note": x.Note, "by": x.By.ID, "name": x.By.Name, "at": x.At})
	}
	for _, x := range l.Added.Agreements {
		batch.Queue(`insert into loan_agreement (id, loan_id, number, issued_by, issued_by_name, issued_at, sha256, basis, content) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			x.ID, l.ID, x.Number, x.IssuedBy.ID, x.IssuedBy.Name, x.IssuedAt, x.SHA256, x.Basis, x.Content)
	}
	for _, x := range l.Added.Signatures {
		batch.Queue(`
			insert into loan_signature (id, agreement_id, side, name, office, signed_on, signed_outside, scan_sha256, sha256, by_id, by_name, at)
			values (@id, @agreement, @side, @name, @office, @signed, @outside, @scan, @sha256, @by, @by_name, @at)`,
			pgx.NamedArgs{"id": x.ID, "agreement": x.AgreementID, "side": string(x.Side), "name": x.Name, "office": x.Office, "signed": string(x.SignedOn),
				"outside": x.SignedOutside, "scan": x.ScanSHA256, "sha256": x.SHA256, "by": x.By.ID, "by_name": x.By.Name, "at": x.At})
	}
	for _, x := range l.Added.HandOvers {
		addHandOver(batch, l, x)
	}
	for _, x := range l.Added.Stages {
		batch.Queue(`insert into loan_stage (id, loan_id, kind, statement, by_id, by_name, at) values ($1, $2, $3, $4, $5, $6, $7)`,
			x.ID, l.ID, string(x.Kind), x.Statement, x.By.ID, x.By.Name, x.At)
	}
}

func addHandOver(batch *pgx.Batch, l *loan.Loan, x loan.HandOver) {
	var authoriser *domain.ID
	var name string
	if x.Authoriser != nil {
		authoriser, name = &x.Authoriser.ID, x.Authoriser.Name
	}
	batch.Queue(`
		insert into loan_hand_over (id, loan_id, stage, venue_id, place, given_by, received_by, carrier, crates_and_seals, happened_on,
			authoriser_id, authoriser_name, by_id, by_name, at)
		values (@id, @loan, @stage, @venue, @place, @given, @received, @carrier, @crates, @happened, @authoriser, @authoriser_name, @by, @by_name, @at)`,
		pgx.NamedArgs{"id": x.ID, "loan": l.ID, "stage": string(x.Stage), "venue": x.VenueID, "place": x.Place, "given": x.GivenBy, "received": x.ReceivedBy,
			"carrier": x.Carrier, "crates": x.CratesAndSeals, "happened": string(x.HappenedOn), "authoriser": authoriser, "authoriser_name": name,
			"by": x.By.ID, "by_name": x.By.Name, "at": x.At})
	for i, c := range x.Conditions {
		batch.Queue(`insert into loan_hand_over_condition (hand_over_id, position, line_id, called, found, statement, examined_by, examined_on, examination_id, before_id)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`, x.ID, i+1, c.LineID, c.Called, string(c.Found), c.Statement, c.ExaminedBy, string(c.ExaminedOn), c.ExaminationID, c.BeforeID)
	}
}

// Owner finds the loan that something belongs to.
func (s *Loans) Owner(ctx context.Context, of loan.Owned, id domain.ID) (domain.ID, error) {
	sql, ok := owners[of]
	if !ok {
		return domain.ID{}, fmt.Errorf("a loan owns no %q", of)
	}
	var loanID domain.ID
	err := s.db.q(ctx).QueryRow(ctx, sql, id).Scan(&loanID)
	return loanID, fault(err, "find the loan of %s %s", of, id)
}

var owners = map[loan.Owned]string{
	loan.OwnedLine:       `select loan_id from loan_line where id = $1`,
	loan.OwnedStatement:  `select n.loan_id from loan_condition c join loan_line n on n.id = c.line_id where c.id = $1`,
	loan.OwnedAddendum:   `select n.loan_id from loan_condition_addendum a join loan_condition c on c.id = a.condition_id join loan_line n on n.id = c.line_id where a.id = $1`,
	loan.OwnedAssessment: `select n.loan_id from loan_assessment a join loan_line n on n.id = a.line_id where a.id = $1`,
	loan.OwnedConsent:    `select n.loan_id from loan_consent c join loan_line n on n.id = c.line_id where c.id = $1`,
	loan.OwnedInsurance:  `select loan_id from loan_insurance where id = $1`,
	loan.OwnedApproval:   `select loan_id from loan_approval where id = $1`,
	loan.OwnedFacilities: `select loan_id from loan_facilities where id = $1`,
	loan.OwnedAgreement:  `select loan_id from loan_agreement where id = $1`,
	loan.OwnedSignature:  `select a.loan_id from loan_signature s join loan_agreement a on a.id = s.agreement_id where s.id = $1`,
	loan.OwnedHandOver:   `select loan_id from loan_hand_over where id = $1`,
	loan.OwnedStage:      `select loan_id from loan_stage where id = $1`,
}

// ByReference finds a loan by its reference.
func (s *Loans) ByReference(ctx context.Context, reference string) (domain.ID, error) {
	var id domain.ID
	err := s.db.q(ctx).QueryRow(ctx, `select id from loan where reference = $1`, strings.ToUpper(strings.TrimSpace(reference))).Scan(&id)
	return id, fault(err, "find loan %s", strconv.Quote(reference))
}

// List lists loans, the latest first.
func (s *Loans) List(ctx context.Context, f loan.Filter, q domain.PageQuery) (domain.Page[loan.Summary], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[loan.Summary]{}, err
	}
	list := []any{"loans", f}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[loan.Summary]{}, err
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select l.id, l.reference, l.state, l.borrower_name as borrower, l.purpose, `+dayText("l.from_on")+` as "from", `+dayText("l.until_on")+` as "until",
			(select coalesce(array_agg(v.name order by v.position), '{}') from loan_venue v where v.loan_id = l.id and v.current) as venues,
			(select coalesce(array_agg(coalesce(
				(select string_agg(c.called, ', ' order by c.position) from loan_line_component c where c.line_id = n.id), o.number) order by n.position), '{}')
				from loan_line n join object o on o.id = n.object_id where n.loan_id = l.id and n.withdrawn_at is null) as objects,
			l.created_at
		from loan l`+where(
		given(at != nil, `(l.created_at, l.id) < (@at, @id)`),
		given(f.State != "", `(@state = '' or l.state = @state)`),
		given(f.Open, `l.state not in ('closed', 'declined', 'cancelled')`),
		given(f.ObjectID != nil, `exists (select from loan_line n where n.loan_id = l.id and n.object_id = @object and n.withdrawn_at is null)`))+`
		order by l.created_at desc, l.id desc limit @limit`,
		pgx.NamedArgs{"at": at, "id": id, "state": string(f.State), "object": f.ObjectID, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[loan.Summary])
	if err != nil {
		return domain.Page[loan.Summary]{}, fault(err, "list loans")
	}
	return domain.NextPage(q, list, all, func(l loan.Summary) []string {
		return []string{l.CreatedAt.UTC().Format(time.RFC3339Nano), l.ID.String()}
	}), nil
}

// dayText is a date column as text that a loan.Day holds.
func dayText(column string) string { return `to_char(` + column + `, 'YYYY-MM-DD')` }

// Due reads which loans away end, or run out of insurance before they end, within some days of a day,
// or did. A currency without any certificate has run out on the day of the dispatch.
func (s *Loans) Due(ctx context.Context, on loan.Day, days int) ([]loan.Due, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		with away as (
			select l.id, l.reference, l.borrower_name, l.state, l.from_on, l.until_on,
				(select coalesce(array_agg(distinct o.department order by o.department), '{}')
					from loan_line n join object o on o.id = n.object_id where n.loan_id = l.id and n.withdrawn_at is null) as departments
			from loan l where l.state in ('dispatched', 'received', 'on_display', 'packing', 'recalled')),
		ends as (
			select id, 'end' as what, until_on as day from away
			union all
			select a.id, 'insurance', min(c.last) from away a cross join lateral (
				select n.currency, coalesce((select max(i.until_on) from loan_insurance i
					where i.loan_id = a.id and i.currency = n.currency and i.withdrawn_at is null), a.from_on) as last
				from loan_line n where n.loan_id = a.id and n.withdrawn_at is null and n.currency is not null group by n.currency) c
			where c.last < a.until_on group by a.id)
		select a.id as loan_id, a.reference, a.borrower_name as borrower, a.state, a.departments, e.what, `+dayText("e.day")+` as "on", 0 as days, 0 as within
		from ends e join away a on a.id = e.id where e.day <= $1::date + $2::int order by e.day, a.reference, e.what limit 500`, string(on), days)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[loan.Due])
	return all, fault(err, "read what is due of loans")
}

// Remind notes that reminders are given, and gives back those that were not given before.
func (s *Loans) Remind(ctx context.Context, due []loan.Due, at time.Time) ([]loan.Due, error) {
	batch := &pgx.Batch{}
	for _, d := range due {
		batch.Queue(`insert into loan_reminder (loan_id, what, day, within, at) values ($1, $2, $3, $4, $5) on conflict do nothing`,
			d.LoanID, d.What, string(d.On), d.Within, at)
	}
	results := s.db.q(ctx).SendBatch(ctx, batch)
	var fresh []loan.Due
	var err error
	for _, d := range due {
		tag, failed := results.Exec()
		if failed != nil && err == nil {
			err = failed
		}
		if failed == nil && tag.RowsAffected() == 1 {
			fresh = append(fresh, d)
		}
	}
	if closing := results.Close(); err == nil {
		err = closing
	}
	return fresh, fault(err, "note %d reminders of loans", len(due))
}
