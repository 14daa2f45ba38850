package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/loan"
)

const saidBy = `jsonb_build_object('id', x.by_id, 'name', x.by_name) as by, x.at`

// loanParts are the statements that read a loan, in the order in which One reads their rows.
var loanParts = []string{
	`select id, reference, state, borrower_name, borrower_address, borrower_contact, purpose, ` + dayText("from_on") + ` as "from", ` + dayText("until_on") + ` as "until", ` +
		dayText("requested_on") + ` as requested_on, terms, transport, courier, version, created_at, created_by, created_by_name from loan where id = $1`,
	`select id, name, address, ` + dayText("from_on") + ` as "from", ` + dayText("until_on") + ` as "until", current
		from loan_venue where loan_id = $1 order by current desc, position, id`,
	`select n.id, n.loan_id, n.position, n.object_id, o.number as object_number, o.title, o.department,
			coalesce((select jsonb_agg(jsonb_build_object('id', c.component_id, 'called', c.called) order by c.position) from loan_line_component c where c.line_id = n.id), '[]') as components,
			n.value, coalesce(n.currency, '') as currency, n.insurer, n.conditions, n.withdrawn_at, n.withdrawn_by, n.withdrawn_by_name, n.withdrawn_reason
		from loan_line n join object o on o.id = n.object_id where n.loan_id = $1 order by n.position`,
	`select x.id, x.line_id, x.called, x.verdict, x.statement, x.conditions, ` + saidBy + `
		from loan_assessment x join loan_line n on n.id = x.line_id where n.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.line_id, x.assessment_id, x.called, x.department, x.capacity, x.statement, ` + saidBy + `
		from loan_consent x join loan_line n on n.id = x.line_id where n.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.line_id, n.object_id, x.called, x.examination_id, ` + dayText("x.examined_on") + ` as examined_on, x.text, x.not_seen, ` + saidBy + `, '[]'::jsonb as addenda
		from loan_condition x join loan_line n on n.id = x.line_id where n.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.condition_id as statement_id, x.text, ` + saidBy + `
		from loan_condition_addendum x join loan_condition c on c.id = x.condition_id join loan_line n on n.id = c.line_id where n.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.department, x.statement, x.lines, x.scope, false as holds, ` + saidBy + ` from loan_approval x where x.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.venue_id, x.venue, ` + dayText("x.report_on") + ` as report_on, ` + dayText("x.assessed_on") + ` as assessed_on, x.summary, x.exceptions, ` + saidBy + `
		from loan_facilities x where x.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.kind, x.insurer, x.certificate, x.sum, x.currency, ` + dayText("x.from_on") + ` as "from", ` + dayText("x.until_on") + ` as "until", x.note, ` + saidBy + `,
			case when x.withdrawn_at is not null then jsonb_build_object('reason', x.withdrawn_reason, 'at', x.withdrawn_at,
				'by', jsonb_build_object('id', x.withdrawn_by, 'name', x.withdrawn_by_name)) end as withdrawal
		from loan_insurance x where x.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.number, jsonb_build_object('id', x.issued_by, 'name', x.issued_by_name) as issued_by, x.issued_at, x.sha256, '[]'::jsonb as signatures, false as holds,
			x.content, x.basis from loan_agreement x where x.loan_id = $1 order by x.number`,
	`select x.id, x.agreement_id, x.side, x.name, x.office, ` + dayText("x.signed_on") + ` as signed_on, x.signed_outside, x.scan_sha256, x.sha256, ` + saidBy + `
		from loan_signature x join loan_agreement a on a.id = x.agreement_id where a.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.stage, x.venue_id, x.place, x.given_by, x.received_by, x.carrier, x.crates_and_seals as crates_and_seals, ` + dayText("x.happened_on") + ` as happened_on,
			case when x.authoriser_id is not null then jsonb_build_object('id', x.authoriser_id, 'name', x.authoriser_name) end as authoriser,
			coalesce((select jsonb_agg(jsonb_build_object('line_id', c.line_id, 'called', c.called, 'found', c.found, 'statement', c.statement,
				'examined_by', c.examined_by, 'examined_on', c.examined_on, 'examination_id', c.examination_id, 'before_id', c.before_id) order by c.position) from loan_hand_over_condition c where c.hand_over_id = x.id), '[]') as conditions, ` + saidBy + `
		from loan_hand_over x where x.loan_id = $1 order by x.at, x.id`,
	`select x.id, x.kind, x.statement, ` + saidBy + ` from loan_stage x where x.loan_id = $1 order by x.at, x.id`,
}

type loanRow struct {
	ID              domain.ID
	Reference       string
	State           loan.State
	BorrowerName    string
	BorrowerAddress string
	BorrowerContact string
	Purpose         string
	From, Until     loan.Day
	RequestedOn     loan.Day
	Terms           string
	Transport       string
	Courier         string
	Version         int64
	CreatedAt       time.Time
	CreatedBy       domain.ID
	CreatedByName   string
}

type venueRow struct {
	loan.Venue
	Current bool
}

type lineRow struct {
	ID              domain.ID
	LoanID          domain.ID
	Position        int
	ObjectID        domain.ID
	ObjectNumber    string
	Title           string
	Department      string
	Components      []loan.Part
	Value           *decimal.Decimal
	Currency        string
	Insurer         string
	Conditions      loan.Conditions
	WithdrawnAt     *time.Time
	WithdrawnBy     *domain.ID
	WithdrawnByName string
	WithdrawnReason string
}

// One reads a whole loan in one batch.
func (s *Loans) One(ctx context.Context, id domain.ID) (*loan.Loan, error) {
	batch := &pgx.Batch{}
	for _, sql := range loanParts {
		batch.Queue(sql, id)
	}
	results := s.db.q(ctx).SendBatch(ctx, batch)
	l, err := readLoan(results)
	if closing := results.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return nil, fault(err, "read loan %s", id)
	}
	l.Count()
	return l, nil
}

// next reads the rows of the next statement of a batch, unless one before failed.
func next[T any](results pgx.BatchResults, failed *error) []T {
	if *failed != nil {
		return nil
	}
	rows, _ := results.Query()
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
	*failed = err
	return all
}

func readLoan(results pgx.BatchResults) (*loan.Loan, error) {
	rows, _ := results.Query()
	r, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[loanRow])
	if err != nil {
		return nil, err
	}
	l := &loan.Loan{ID: r.ID, Reference: r.Reference, State: r.State, Version: r.Version, CreatedAt: r.CreatedAt, CreatedBy: loan.Who{ID: r.CreatedBy, Name: r.CreatedByName},
		Facts: loan.Facts{Borrower: loan.Borrower{Name: r.BorrowerName, Address: r.BorrowerAddress, Contact: r.BorrowerContact}, Purpose: r.Purpose,
			Span: loan.Span{From: r.From, Until: r.Until}, RequestedOn: r.RequestedOn, Terms: r.Terms, Transport: r.Transport, Courier: r.Courier, Venues: []loan.Venue{}},
		Lines: []loan.Line{}}
	for _, v := range next[venueRow](results, &err) {
		if v.Current {
			l.Venues = append(l.Venues, v.Venue)
		} else {
			l.OldVenues = append(l.OldVenues, v.Venue)
		}
	}
	place := map[domain.ID]int{}
	for _, n := range next[lineRow](results, &err) {
		place[n.ID] = len(l.Lines)
		l.Lines = append(l.Lines, n.line())
	}
	for _, x := range next[loan.Assessment](results, &err) {
		n := &l.Lines[place[x.LineID]]
		n.Assessments = append(n.Assessments, x)
	}
	for _, x := range next[loan.Consent](results, &err) {
		n := &l.Lines[place[x.LineID]]
		n.Consents = append(n.Consents, x)
	}
	for _, x := range next[loan.Statement](results, &err) {
		n := &l.Lines[place[x.LineID]]
		n.Statements = append(n.Statements, x)
	}
	for _, x := range next[loan.Addendum](results, &err) {
		for i := range l.Lines {
			for j := range l.Lines[i].Statements {
				if of := &l.Lines[i].Statements[j]; of.ID == x.StatementID {
					of.Addenda = append(of.Addenda, x)
				}
			}
		}
	}
	l.Approvals = next[loan.Approval](results, &err)
	l.Facilities = next[loan.Facilities](results, &err)
	l.Insurances = next[loan.Insurance](results, &err)
	l.Agreements = next[loan.Agreement](results, &err)
	for _, x := range next[loan.Signature](results, &err) {
		for i := range l.Agreements {
			if l.Agreements[i].ID == x.AgreementID {
				l.Agreements[i].Signatures = append(l.Agreements[i].Signatures, x)
			}
		}
	}
	l.HandOvers = next[loan.HandOver](results, &err)
	l.Stages = next[loan.Stage](results, &err)
	return l, err
}

func (r lineRow) line() loan.Line {
	n := loan.Line{ID: r.ID, LoanID: r.LoanID, Position: r.Position, ObjectID: r.ObjectID, ObjectNumber: r.ObjectNumber, Title: r.Title, Department: r.Department,
		Components: r.Components, Value: r.Value, Currency: r.Currency, Insurer: r.Insurer, Conditions: r.Conditions,
		Assessments: []loan.Assessment{}, Consents: []loan.Consent{}, Statements: []loan.Statement{}}
	if n.Conditions.Positions == nil {
		n.Conditions.Positions = []string{}
	}
	if r.WithdrawnAt != nil && r.WithdrawnBy != nil {
		n.Withdrawal = &loan.Withdrawal{Reason: r.WithdrawnReason, By: loan.Who{ID: *r.WithdrawnBy, Name: r.WithdrawnByName}, At: *r.WithdrawnAt}
	}
	return n
}
