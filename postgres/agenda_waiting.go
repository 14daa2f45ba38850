package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// What waits for whom, read from the areas' own records: one statement for each section.

// waiting runs the statement of a section, for one item more than are shown. Its columns are those of agenda.Item.
func (s *Agenda) waiting(ctx context.Context, most int, what, sql string, args pgx.NamedArgs) ([]agenda.Item, error) {
	args["limit"] = most + 1
	rows, _ := s.db.q(ctx).Query(ctx, sql, args)
	items, err := pgx.CollectRows(rows, pgx.RowToStructByName[agenda.Item])
	return items, fault(err, "read %s", what)
}

// works says whether somebody works on records other than as a curator only, whose view is of the
// curator's departments.
func works(by domain.Actor) bool {
	return by.Has(domain.Conservator) || by.Has(domain.Registrar) || by.Has(domain.MountMaker) || by.Has(domain.Technician)
}

// Stops are the stops in force (H3), the newest first: for who works on records; a curator's for the
// curator's departments.
func (s *Agenda) Stops(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	if !works(by) && !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the stops in force", `
		select coalesce((select string_agg(c.called, ', ' order by c.position) from stop_component c where c.stop_id = s.id), 'The whole object')
				|| case when s.signs = '{}' then '' else ': ' || replace(array_to_string(s.signs, ', '), '_', ' ') end
				|| case when s.note = '' then '' else '. ' || s.note end as text,
			'handling' as area, s.id as subject_id, 'stop' as record, s.object_id, o.number as object_number, s.raised_at as since, null::timestamptz as due
		from stop s join object o on o.id = s.object_id
		where not exists (select from stop_release r where r.stop_id = s.id) and (@everywhere or s.department = any (@departments))
		order by s.raised_at desc, s.id desc limit @limit`,
		pgx.NamedArgs{"everywhere": works(by), "departments": by.Departments})
}

// bystander says that @me does not stand on the doing side of treatment t.
const bystander = `not exists (select from treatment_party p where p.treatment_id = t.id and p.person_id = @me and p.side = 'doing')`

// Decisions are what a curator is asked to decide (T2–T5), the oldest first: proposals, amendments and
// failed conditions of the curator's departments, without those on whose doing side the curator stands;
// and, for registrars too, disposals that wait for a second authorisation (T10).
func (s *Agenda) Decisions(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	if !by.Has(domain.Curator) && !by.Has(domain.Registrar) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the decisions asked for", `
		select w.* from (
			(select 'Treatment ' || t.number || ', ' || t.title || ': ' || t.standing as text, 'treatment' as area, t.id as subject_id, 'treatment' as record,
				t.object_id, o.number as object_number, t.changed_at as since, null::timestamptz as due
			from treatment t join object o on o.id = t.object_id
			where @curator and t.movers @> array['curator'] and o.department = any (@departments) and `+bystander+`
			order by t.changed_at, t.id limit @limit)
			union all
			(select 'Treatment ' || t.number || ', ' || t.title || ': a second person must authorise the disposal of ' || d.called, 'treatment', t.id, 'treatment',
				t.object_id, o.number, d.at, null
			from treatment_designation d join treatment t on t.id = d.treatment_id join object o on o.id = t.object_id
			where d.designation = 'disposal' and d.second is null and d.by_id <> @me
				and (@registrar or @curator and o.department = any (@departments)) and `+bystander+`
			order by d.at, t.id limit @limit)) w
		order by w.since, w.subject_id limit @limit`,
		pgx.NamedArgs{"me": by.ID, "curator": by.Has(domain.Curator), "registrar": by.Has(domain.Registrar), "departments": by.Departments})
}

// Findings are what somebody must act on now and has not accepted (M1), one item for each object, the
// longest known first: for conservators.
func (s *Agenda) Findings(ctx context.Context, by domain.Actor, at time.Time, most int) ([]agenda.Item, error) {
	if !by.Has(domain.Conservator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the findings to act on", `
		with grave as (
			select f.id, f.object_id, f.says, f.first_raised_at from finding f
			where f.gone_at is null and f.severity = 3
				and (f.accepted_until >= (@at::timestamptz at time zone @zone)::date and f.accepted_severity >= 3) is not true
			order by f.first_raised_at, f.id limit @most),
		first as (
			select distinct on (object_id) id, object_id, says, first_raised_at, count(*) over (partition by object_id) as n
			from grave order by object_id, first_raised_at, id)
		select case when f.n = 1 then f.says else f.n || ' findings, the first: ' || f.says end as text, 'finding' as area, f.id as subject_id, 'finding' as record,
			f.object_id, o.number as object_number, f.first_raised_at as since, null::timestamptz as due
		from first f join object o on o.id = f.object_id order by f.first_raised_at, f.id limit @limit`,
		pgx.NamedArgs{"at": at, "zone": s.zone.String(), "most": graveMost})
}

// graveMost is how many findings are looked at for the first page.
const graveMost = 500

// Ratifications are the emergency stabilisations that nobody has ratified yet (T6), the most urgent
// first: for the curators of the department who took no part; once overdue, for everybody who works on
// records.
func (s *Agenda) Ratifications(ctx context.Context, by domain.Actor, at time.Time, most int) ([]agenda.Item, error) {
	if !works(by) && !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the ratifications due", `
		select e.imminent as text, 'treatment' as area, e.id as subject_id, 'emergency' as record,
			w.object_id, o.number as object_number, w.happened_at as since, e.due_at as due
		from emergency e join work w on w.id = e.id join object o on o.id = w.object_id
		where e.outcome = '' and (e.due_at <= @at
			or @curator and o.department = any (@departments) and w.recorded_by_id <> @me
				and not exists (select from work_hand h where h.work_id = w.id and h.person_id = @me)
				and not exists (select from treatment_party p where p.treatment_id = w.treatment_id and p.person_id = @me and p.side = 'doing'))
		order by e.due_at, e.id limit @limit`,
		pgx.NamedArgs{"me": by.ID, "at": at, "curator": by.Has(domain.Curator), "departments": by.Departments})
}

// Charges are the treatments in one's charge that wait for one's next move, those whose term ends first
// at the top; drafts are in Drafts.
func (s *Agenda) Charges(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	return s.charge(ctx, by, most, `t.state <> 'drafting' and t.movers @> array['conservator']`)
}

// Drafts are the proposals in one's charge that are not submitted yet.
func (s *Agenda) Drafts(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	return s.charge(ctx, by, most, `t.state = 'drafting'`)
}

// charge reads treatments in somebody's charge; which is one of the constant conditions above.
func (s *Agenda) charge(ctx context.Context, by domain.Actor, most int, which string) ([]agenda.Item, error) {
	if !by.Has(domain.Conservator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the treatments in charge", `
		select 'Treatment ' || t.number || ', ' || t.title || ': ' || t.standing as text, 'treatment' as area, t.id as subject_id, 'treatment' as record,
			t.object_id, o.number as object_number, t.changed_at as since, case when t.state = 'approved' then t.term_ends_at end as due
		from treatment t join object o on o.id = t.object_id
		where t.in_charge_id = @me and (t.movers @> array['conservator'] or t.state = 'drafting') and `+which+`
		order by due nulls last, t.changed_at, t.id limit @limit`, pgx.NamedArgs{"me": by.ID})
}

// loanDays are how many days before a loan leaves, ends or runs out of insurance it is on the agenda
// (L6); its notices at 30, 7 and 1 days are the loan's own.
const loanDays = 30

// Loans are the loans that are about to leave, to end, or to run out of insurance, and those for which
// it is past (L6), the most urgent first: for conservators and registrars, and for curators of a
// department whose objects are lent.
func (s *Agenda) Loans(ctx context.Context, by domain.Actor, at time.Time, most int) ([]agenda.Item, error) {
	if !by.Has(domain.Conservator) && !by.Has(domain.Registrar) && !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the loans about to move", `
		with seen as (
			select l.id, l.reference || ' to ' || l.borrower_name as called, l.state, l.from_on, l.until_on, l.created_at,
				l.state in ('dispatched', 'received', 'on_display', 'packing', 'recalled') as away
			from loan l
			where l.state in ('agreed_in_principle', 'agreement_issued', 'agreement_signed', 'prepared', 'dispatched', 'received', 'on_display', 'packing', 'recalled')
				and (@everywhere or exists (select from loan_line n join object o on o.id = n.object_id
					where n.loan_id = l.id and n.withdrawn_at is null and o.department = any (@departments)))),
		days as (
			select id, called || ' leaves: ' || replace(state, '_', ' ') as text, from_on as day, created_at from seen where not away
			union all
			select id, called || ' ends: ' || replace(state, '_', ' '), until_on, created_at from seen where away
			union all
			select s.id, s.called || ': the insurance in ' || c.currency || ' ends before the loan', c.last, s.created_at
			from seen s cross join lateral (
				select n.currency, coalesce((select max(i.until_on) from loan_insurance i
					where i.loan_id = s.id and i.currency = n.currency and i.withdrawn_at is null), s.from_on) as last
				from loan_line n where n.loan_id = s.id and n.withdrawn_at is null and n.currency is not null group by n.currency) c
			where s.away and c.last < s.until_on)
		select d.text, 'loan' as area, d.id as subject_id, 'loan' as record, null::uuid as object_id, '' as object_number,
			d.created_at as since, (d.day + 1)::timestamp at time zone @zone as due
		from days d where d.day <= (@at::timestamptz at time zone @zone)::date + @days::int
		order by d.day, d.text limit @limit`,
		pgx.NamedArgs{"everywhere": by.Has(domain.Conservator) || by.Has(domain.Registrar), "departments": by.Departments,
			"at": at, "zone": s.zone.String(), "days": loanDays})
}

// LoanRequests are what a request for a loan waits for (L2), the oldest first: of conservators, whether
// what is on a line is fit to travel; then of curators, their consent for a department. Nobody is asked
// for both on one loan.
func (s *Agenda) LoanRequests(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	if !by.Has(domain.Conservator) && !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the requests for loans", `
		with line as (
			select l.id as loan_id, l.reference || ' to ' || l.borrower_name as called, l.created_at, n.id, n.object_id, o.number, o.department,
				coalesce((select string_agg(c.called, ', ' order by c.position) from loan_line_component c where c.line_id = n.id), o.number) as lent,
				a.id as assessment_id, a.verdict
			from loan l join loan_line n on n.loan_id = l.id and n.withdrawn_at is null join object o on o.id = n.object_id
			left join lateral (select a.id, a.verdict from loan_assessment a where a.line_id = n.id order by a.at desc, a.id desc limit 1) a on true
			where l.state in ('request', 'assessing'))
		select w.* from (
			select i.called || ': is ' || i.lent || ' fit to travel?' as text, 'loan' as area, i.loan_id as subject_id, 'loan' as record,
				i.object_id, i.number as object_number, i.created_at as since, null::timestamptz as due
			from line i
			where @conservator and i.assessment_id is null
				and not exists (select from loan_approval p where p.loan_id = i.loan_id and p.by_id = @me)
			union all
			select min(i.called) || ': may it be lent, for ' || i.department || '?', 'loan', i.loan_id, 'loan', null, '', min(i.created_at), null
			from line i
			where @curator and i.department = any (@departments)
				and not exists (select from loan_approval p where p.loan_id = i.loan_id and p.department = i.department)
				and not exists (select from loan_assessment a join loan_line n on n.id = a.line_id where n.loan_id = i.loan_id and a.by_id = @me)
			group by i.loan_id, i.department
			having bool_and(coalesce(i.verdict in ('fit', 'fit_with_conditions')
				or exists (select from loan_consent c where c.assessment_id = i.assessment_id), false))) w
		order by w.since, w.text limit @limit`,
		pgx.NamedArgs{"me": by.ID, "conservator": by.Has(domain.Conservator), "curator": by.Has(domain.Curator), "departments": by.Departments})
}
