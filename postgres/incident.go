package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/incident"
)

var incidentWords = map[string]*domain.Error{
	"incident_never_deleted":          {Kind: domain.KindRefused, Code: "R2", Message: "An incident is never deleted. Answer it."},
	"incident_stays":                  {Kind: domain.KindRefused, Code: "R2", Message: "What an incident says never changes. Write what is new as an answer beside it."},
	"incident_answer_append_only":     {Kind: domain.KindRefused, Code: "R2", Message: "An answer is never changed or deleted. Give a further one."},
	"incident_condition_unique":       {Kind: domain.KindStale, Code: "stale", Message: "Somebody else recorded this hand-over at the same moment. Look at it, then send yours again."},
	"incident_answer_position_unique": {Kind: domain.KindStale, Code: "stale", Message: "Somebody else answered at the same moment. Look at it, then send yours again."},
	"incident_answer_kind_known":      {Kind: domain.KindInvalid, Code: "invalid", Message: "Say what the answer tells of: a treatment, a watch, no action, or whom it was told."},
	"incident_answer_filled":          {Kind: domain.KindInvalid, Code: "invalid", Message: "Say what was done, or why nothing is."},
	"incident_object_fkey":            {Kind: domain.KindRefused, Code: "C4", Message: "There is no such object, or an incident tells of it."},
	"incident_loan_fkey":              refusedByDatabase("There is no such loan."),
	"incident_line_fkey":              refusedByDatabase("There is no such line of a loan of this object."),
	"incident_condition_fkey":         refusedByDatabase("There is no such hand-over of this line."),
	"incident_before_fkey":            refusedByDatabase("There is no such examination of this object."),
	"incident_examination_fkey":       refusedByDatabase("There is no such examination of this object."),
	"incident_opened_by_fkey":         refusedByDatabase("There is no such person."),
	"incident_two_examinations":       refusedByDatabase("An incident names two examinations."),
	"incident_filled":                 refusedByDatabase("An incident says where it was found, on what, and what."),
	"incident_pkey":                   refusedByDatabase("This incident exists already."),
	"incident_answer_pkey":            refusedByDatabase("This answer exists already."),
	"incident_answer_incident_fkey":   refusedByDatabase("There is no such incident."),
	"incident_answer_by_fkey":         refusedByDatabase("There is no such person."),
}

// Incidents keeps incidents and their answers; it implements incident.Store.
type Incidents struct{ db *DB }

// NewIncidents makes the store.
func NewIncidents(db *DB) *Incidents { return &Incidents{db: db} }

var _ incident.Store = (*Incidents)(nil)

// Add writes incidents that were opened.
func (s *Incidents) Add(ctx context.Context, all []*incident.Incident) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		batch := &pgx.Batch{}
		var events []domain.Event
		for _, i := range all {
			batch.Queue(`
				insert into incident (id, object_id, loan_id, hand_over_id, line_id, stage, called, before_id, examination_id, found, opened_at, opened_by, opened_by_name)
				values (@id, @object, @loan, @hand, @line, @stage, @called, @before, @examination, @found, @at, @by, @name)`,
				pgx.NamedArgs{"id": i.ID, "object": i.ObjectID, "loan": i.LoanID, "hand": i.HandOverID, "line": i.LineID, "stage": i.Stage, "called": i.Called, "before": i.BeforeID,
					"examination": i.ExaminationID, "found": i.Found, "at": i.OpenedAt, "by": i.OpenedBy.ID, "name": i.OpenedBy.Name})
			events = append(events, i.Events()...)
		}
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return fault(err, "open %d incidents", len(all))
		}
		return s.db.addEvents(ctx, events...)
	})
}

const incidentTables = ` from incident i join object o on o.id = i.object_id join loan l on l.id = i.loan_id`

func (s *Incidents) one(ctx context.Context, id domain.ID, lock string) (*incident.Incident, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select i.id, i.object_id, o.number as object_number, o.title as object_title, o.department, i.loan_id, l.reference as loan_reference, i.hand_over_id, i.line_id, i.stage, i.called,
			i.before_id, i.examination_id, i.found, i.opened_at, jsonb_build_object('id', i.opened_by, 'name', i.opened_by_name) as opened_by, i.answered_at, i.version,
			coalesce((select jsonb_agg(jsonb_build_object('id', a.id, 'kind', a.kind, 'text', a.text, 'at', a.at, 'by', jsonb_build_object('id', a.by_id, 'name', a.by_name)) order by a.position)
				from incident_answer a where a.incident_id = i.id), '[]') as answers`+incidentTables+` where i.id = $1`+lock, id)
	i, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[incident.Incident])
	return i, fault(err, "read incident %s", id)
}

// One reads an incident.
func (s *Incidents) One(ctx context.Context, id domain.ID) (*incident.Incident, error) {
	return s.one(ctx, id, "")
}

// Update changes an incident under lock, and writes the answers that are new.
func (s *Incidents) Update(ctx context.Context, id domain.ID, version int64, change func(i *incident.Incident) error) (*incident.Incident, error) {
	var i *incident.Incident
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if i, err = s.one(ctx, id, ` for update of i`); err != nil {
			return err
		}
		if i.Version != version {
			return domain.ErrStale
		}
		known := len(i.Answers)
		if err := change(i); err != nil {
			return err
		}
		i.Version++
		batch := &pgx.Batch{}
		for k := known; k < len(i.Answers); k++ {
			a := i.Answers[k]
			batch.Queue(`insert into incident_answer (id, incident_id, position, kind, text, at, by_id, by_name) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
				a.ID, i.ID, k+1, a.Kind, a.Text, a.At, a.By.ID, a.By.Name)
		}
		batch.Queue(`update incident set answered_at = $2, version = $3 where id = $1`, i.ID, i.AnsweredAt, i.Version)
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return fault(err, "answer incident %s", i.ID)
		}
		return s.db.addEvents(ctx, i.Events()...)
	})
	return i, err
}

// List lists incidents, the latest opened first.
func (s *Incidents) List(ctx context.Context, f incident.Filter, q domain.PageQuery) (domain.Page[incident.Line], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[incident.Line]{}, err
	}
	list := []any{"incidents", f}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[incident.Line]{}, err
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select i.id, i.object_id, o.number as object_number, o.title as object_title, o.department, i.loan_id, l.reference as loan_reference, i.stage, i.called, i.found,
			i.opened_at, jsonb_build_object('id', i.opened_by, 'name', i.opened_by_name) as opened_by, i.answered_at`+incidentTables+where(
		given(at != nil, `(i.opened_at, i.id) < (@at, @id)`),
		given(f.State == incident.StateOpen, `i.answered_at is null`),
		given(f.State == incident.StateAnswered, `i.answered_at is not null`),
		given(f.ObjectID != nil, `i.object_id = @object`),
		given(f.LoanID != nil, `i.loan_id = @loan`))+`
		order by i.opened_at desc, i.id desc limit @limit`,
		pgx.NamedArgs{"at": at, "id": id, "object": f.ObjectID, "loan": f.LoanID, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[incident.Line])
	if err != nil {
		return domain.Page[incident.Line]{}, fault(err, "list incidents")
	}
	return domain.NextPage(q, list, all, func(l incident.Line) []string {
		return []string{l.OpenedAt.UTC().Format(time.RFC3339Nano), l.ID.String()}
	}), nil
}
