package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// What waits for whom, read from the areas' own records: one statement for each section.

// waiting runs the statement of a section. Its columns are those of agenda.Item.
func (s *Agenda) waiting(ctx context.Context, what, sql string, args pgx.NamedArgs) ([]agenda.Item, error) {
	args["limit"] = agenda.SectionMost + 1
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
func (s *Agenda) Stops(ctx context.Context, by domain.Actor, _ time.Time) ([]agenda.Item, error) {
	if !works(by) && !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, "the stops in force", `
		select coalesce((select string_agg(c.called, ', ' order by c.position) from stop_component c where c.stop_id = s.id), 'The whole object')
				|| case when s.signs = '{}' then '' else ': ' || replace(array_to_string(s.signs, ', '), '_', ' ') end
				|| case when s.note = '' then '' else '. ' || s.note end as text,
			'handling' as area, s.id as subject_id, 'stop' as record, s.object_id, o.number as object_number, s.raised_at as since, null::timestamptz as due
		from stop s join object o on o.id = s.object_id
		where not exists (select from stop_release r where r.stop_id = s.id) and (@everywhere or s.department = any (@departments))
		order by s.raised_at desc, s.id desc limit @limit`,
		pgx.NamedArgs{"everywhere": works(by), "departments": by.Departments})
}

// Decisions are what a curator is asked to decide (T2–T5), the oldest first: proposals, amendments and
// failed conditions of the curator's departments, without those on whose doing side the curator stands;
// and, for registrars too, disposals that wait for a second authorisation (T10).
func (s *Agenda) Decisions(ctx context.Context, by domain.Actor, _ time.Time) ([]agenda.Item, error) {
	if !by.Has(domain.Curator) && !by.Has(domain.Registrar) {
		return nil, nil
	}
	return s.waiting(ctx, "the decisions asked for", `
		select w.* from (
			select 'Treatment ' || t.number || ', ' || t.title || ': ' || t.standing as text, 'treatment' as area, t.id as subject_id, 'treatment' as record,
				t.object_id, o.number as object_number, t.changed_at as since, null::timestamptz as due
			from treatment t join object o on o.id = t.object_id
			where @curator and 'curator' = any (t.movers) and o.department = any (@departments)
			union all
			select 'Treatment ' || t.number || ', ' || t.title || ': a second person must authorise the disposal of ' || d.called, 'treatment', t.id, 'treatment',
				t.object_id, o.number, d.at, null
			from treatment_designation d join treatment t on t.id = d.treatment_id join object o on o.id = t.object_id
			where d.designation = 'disposal' and d.second is null and d.by_id <> @me
				and (@registrar or @curator and o.department = any (@departments))) w
		where not exists (select from treatment_party p where p.treatment_id = w.subject_id and p.person_id = @me and p.side = 'doing')
		order by w.since, w.subject_id limit @limit`,
		pgx.NamedArgs{"me": by.ID, "curator": by.Has(domain.Curator), "registrar": by.Has(domain.Registrar), "departments": by.Departments})
}

// Ratifications are the emergency stabilisations that nobody has ratified yet (T6), the most urgent
// first: for the curators of the department who took no part; once overdue, for everybody who works on
// records.
func (s *Agenda) Ratifications(ctx context.Context, by domain.Actor, at time.Time) ([]agenda.Item, error) {
	if !works(by) && !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, "the ratifications due", `
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
func (s *Agenda) Charges(ctx context.Context, by domain.Actor, _ time.Time) ([]agenda.Item, error) {
	return s.charge(ctx, by, `t.state <> 'drafting' and 'conservator' = any (t.movers)`)
}

// Drafts are the proposals in one's charge that are not submitted yet.
func (s *Agenda) Drafts(ctx context.Context, by domain.Actor, _ time.Time) ([]agenda.Item, error) {
	return s.charge(ctx, by, `t.state = 'drafting'`)
}

// charge reads treatments in somebody's charge; which is one of the constant conditions above.
func (s *Agenda) charge(ctx context.Context, by domain.Actor, which string) ([]agenda.Item, error) {
	if !by.Has(domain.Conservator) {
		return nil, nil
	}
	return s.waiting(ctx, "the treatments in charge", `
		select 'Treatment ' || t.number || ', ' || t.title || ': ' || t.standing as text, 'treatment' as area, t.id as subject_id, 'treatment' as record,
			t.object_id, o.number as object_number, t.changed_at as since, case when t.state = 'approved' then t.term_ends_at end as due
		from treatment t join object o on o.id = t.object_id
		where t.in_charge_id = @me and `+which+`
		order by due nulls last, t.changed_at, t.id limit @limit`, pgx.NamedArgs{"me": by.ID})
}
