package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// Alarms are the examinations that wait for a conservator's answer (E5), the longest waiting first: for
// conservators, and for curators those of their departments.
func (s *Agenda) Alarms(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	if !by.Has(domain.Conservator) && !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the examinations to answer", `
		select 'Examined by ' || e.examiner_name || ': ' || e.alarm as text, 'examination' as area, e.id as subject_id, 'examination' as record,
			e.object_id, o.number as object_number, e.open_since as since, null::timestamptz as due
		from examination e join object o on o.id = e.object_id
		where e.open_since is not null and (@everywhere or o.department = any (@departments))
		order by e.open_since, e.id limit @limit`,
		pgx.NamedArgs{"everywhere": by.Has(domain.Conservator), "departments": by.Departments})
}

// checkDays is how many days before it is due a check is on the agenda.
const checkDays = 14

// Checks are the objects whose next check is due, or soon will be, the most urgent first: for conservators.
func (s *Agenda) Checks(ctx context.Context, by domain.Actor, at time.Time, most int) ([]agenda.Item, error) {
	if !by.Has(domain.Conservator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the checks due", `
		select 'Last examined ' || to_char(c.examined_on, 'FMDD FMMonth YYYY') || ': ' || c.overall || ', priority ' || c.priority as text, 'examination' as area,
			c.examination_id as subject_id, 'examination' as record, c.object_id, o.number as object_number, c.signed_at as since,
			(c.next_check_on + 1)::timestamp at time zone @zone as due
		from object_condition c join object o on o.id = c.object_id
		where c.next_check_on <= @until::date and o.legal_status <> 'former'
		order by c.next_check_on, c.object_id limit @limit`,
		pgx.NamedArgs{"zone": s.zone.String(), "until": at.In(s.zone).AddDate(0, 0, checkDays).Format(time.DateOnly)})
}

// ExaminationDrafts are one's own examinations that are not signed yet, the last touched first.
func (s *Agenda) ExaminationDrafts(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	if by.Has(domain.Steward) && len(by.Roles) == 1 {
		return nil, nil
	}
	return s.waiting(ctx, most, "the drafts of examinations", `
		select 'Examination, ' || replace(e.occasion, '_', ' ') || ', ' || to_char(e.examined_on, 'FMDD FMMonth YYYY') as text, 'examination' as area,
			e.id as subject_id, 'examination' as record, e.object_id, o.number as object_number, e.changed_at as since, null::timestamptz as due
		from examination e join object o on o.id = e.object_id
		where e.state = 'draft' and e.examiner_id = @me
		order by e.changed_at desc, e.id desc limit @limit`, pgx.NamedArgs{"me": by.ID})
}
