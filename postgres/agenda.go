package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

var agendaWords = map[string]*domain.Error{
	"notice_append_only":        refusedByDatabase("A notice that was given is never changed or deleted."),
	"notice_is_read_once":       refusedByDatabase("That a notice was given and read stays."),
	"notice_pkey":               refusedByDatabase("This notice exists already."),
	"notice_object_fkey":        refusedByDatabase("There is no such object."),
	"notice_filled":             refusedByDatabase("A notice needs an area and a text."),
	"notice_reader_pkey":        refusedByDatabase("This person has the notice already."),
	"notice_reader_notice_fkey": refusedByDatabase("There is no such notice."),
	"notice_reader_person_fkey": refusedByDatabase("There is no such person."),
}

// Agenda keeps notices, and reads from all areas what waits for whom; it implements agenda.Store.
type Agenda struct {
	db   *DB
	zone *time.Location
}

// NewAgenda makes the store; zone is the site's, in which days are counted.
func NewAgenda(db *DB, zone *time.Location) *Agenda { return &Agenda{db: db, zone: zone} }

var _ agenda.Store = (*Agenda)(nil)

// Add writes a notice and gives it to everybody whom it concerns and whose account is open.
func (s *Agenda) Add(ctx context.Context, id domain.ID, n agenda.Notice) error {
	var object *domain.ID
	if n.ObjectID != (domain.ID{}) {
		object = &n.ObjectID
	}
	roles, people := n.Roles, n.People
	if roles == nil {
		roles = []domain.Role{}
	}
	if people == nil {
		people = []domain.ID{}
	}
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			with given as (
				insert into notice (id, at, area, subject_id, object_id, roles, department, text)
				values (@id, @at, @area, @subject, @object, @roles, @department, @text)),
			curators as (
				select id from person
				where closed_at is null and 'curator' = any(roles) and 'curator' = any(@roles)
					and (@department = '' or @department = any(departments)))
			insert into notice_reader (notice_id, person_id)
			select @id, p.id from person p
			where p.closed_at is null and (
				p.id = any(@people)
				or p.roles && array_remove(@roles, 'curator')
				or p.id in (select id from curators)
				or ('curator' = any(p.roles) and 'curator' = any(@roles) and not exists (select from curators)))`,
			pgx.NamedArgs{"id": id, "at": n.At, "area": n.Area, "subject": n.Subject, "object": object, "roles": roles,
				"department": n.Department, "people": people, "text": n.Text})
		return fault(err, "give a notice of %s %s", n.Area, n.Subject)
	})
}

const noticeColumns = `n.id, n.at, n.area, n.subject_id, n.object_id, coalesce(o.number, '') as object_number, n.text, r.read_at,
	case when exists (select from treatment t where t.id = n.subject_id) then 'treatment'
		when exists (select from emergency e where e.id = n.subject_id) then 'emergency'
		when exists (select from stop s where s.id = n.subject_id) then 'stop'
		when exists (select from handling h where h.id = n.subject_id) then 'handling'
		when exists (select from photo p where p.id = n.subject_id) then 'photo'
		when exists (select from loan l where l.id = n.subject_id) then 'loan'
		when exists (select from examination e where e.id = n.subject_id) then 'examination'
		when exists (select from incident i where i.id = n.subject_id) then 'incident'
		when exists (select from investigation i where i.id = n.subject_id) then 'investigation'
		else '' end as record`

// Mine lists a person's notices, the newest first.
func (s *Agenda) Mine(ctx context.Context, personID domain.ID, unread bool, q domain.PageQuery) (domain.Page[agenda.Line], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[agenda.Line]{}, err
	}
	list := []any{"notices", personID, unread}
	keys, err := q.Keys(list, 1)
	if err != nil {
		return domain.Page[agenda.Line]{}, err
	}
	var before *domain.ID
	if keys != nil {
		id, err := domain.ParseID(keys[0])
		if err != nil {
			return domain.Page[agenda.Line]{}, err
		}
		before = &id
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select `+noticeColumns+`
		from notice_reader r join notice n on n.id = r.notice_id left join object o on o.id = n.object_id
		where r.person_id = @person and (not @unread or r.read_at is null) and (@before::uuid is null or r.notice_id < @before)
		order by r.notice_id desc limit @limit`,
		pgx.NamedArgs{"person": personID, "unread": unread, "before": before, "limit": limit})
	lines, err := pgx.CollectRows(rows, pgx.RowToStructByName[agenda.Line])
	if err != nil {
		return domain.Page[agenda.Line]{}, fault(err, "list notices of %s", personID)
	}
	return domain.NextPage(q, list, lines, func(l agenda.Line) []string { return []string{l.ID.String()} }), nil
}

// Read notes that a person has read a notice.
func (s *Agenda) Read(ctx context.Context, personID, id domain.ID, at time.Time) (agenda.Line, error) {
	var line agenda.Line
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `update notice_reader set read_at = $3 where notice_id = $1 and person_id = $2 and read_at is null`, id, personID, at)
		if err != nil {
			return fault(err, "read notice %s", id)
		}
		rows, _ := tx.Query(ctx, `
			select `+noticeColumns+`
			from notice_reader r join notice n on n.id = r.notice_id left join object o on o.id = n.object_id
			where r.notice_id = $1 and r.person_id = $2`, id, personID)
		if line, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[agenda.Line]); err != nil {
			return fault(err, "read notice %s", id)
		}
		if tag.RowsAffected() == 0 {
			return nil
		}
		return s.db.addEvents(ctx, domain.Event{At: at, ActorID: &personID, Area: "agenda", Subject: id, Object: line.ObjectID, Kind: "notice_read"})
	})
	return line, err
}
