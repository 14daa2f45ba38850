package postgres

import (
	"context"
	"strconv"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/record"
)

var recordWords = map[string]*domain.Error{
	"event_append_only":       {Kind: domain.KindRefused, Code: "R2", Message: "Events are never changed or deleted."},
	"seal_append_only":        {Kind: domain.KindRefused, Code: "R2", Message: "Seals are never changed or deleted."},
	"seal_origin_append_only": {Kind: domain.KindRefused, Code: "R2", Message: "The origin of the chain is never changed."},
	"seal_subject_unique":     {Kind: domain.KindConflict, Code: "R1", Message: "This is already sealed."},
	"event_pkey":              refusedByDatabase("An event with this number exists."),
	"seal_pkey":               refusedByDatabase("A seal with this number exists."),
	"seal_id_unique":          refusedByDatabase("A seal with this name exists."),
	"seal_previous_unique":    refusedByDatabase("The chain of seals may not fork."),
	"seal_number_positive":    refusedByDatabase("Seals are numbered from 1."),
	"seal_hash_length":        refusedByDatabase("A hash has 32 bytes."),
	"seal_origin_pkey":        refusedByDatabase("The chain has one origin."),
	"seal_origin_one":         refusedByDatabase("The chain has one origin."),
	"seal_origin_length":      refusedByDatabase("A hash has 32 bytes."),
	"kept_answer_pkey":        {Kind: domain.KindConflict, Code: "idempotency_running", Message: "A request with this Idempotency-Key is being answered."},
}

// Record keeps events and seals; it implements record.Store.
type Record struct{ db *DB }

// NewRecord makes the store.
func NewRecord(db *DB) *Record { return &Record{db: db} }

var _ record.Store = (*Record)(nil)

// sealLock is the advisory lock that makes seals one chain without a fork.
const sealLock = 0x5ea1

// Append chains a seal under a lock that is held until the transaction ends.
func (s *Record) Append(ctx context.Context, seal func(head record.Head) (record.Seal, error)) (record.Seal, error) {
	var made record.Seal
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock($1)`, sealLock); err != nil {
			return fault(err, "lock the chain of seals")
		}
		head, err := s.Head(ctx)
		if err != nil {
			return err
		}
		if made, err = seal(head); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `
			insert into seal (number, id, kind, subject_id, object_id, at, actor_id, document, document_sha256, previous, hash)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			made.Number, made.ID, made.Kind, made.SubjectID, made.ObjectID, made.At, made.ActorID,
			made.Document, made.SHA256, made.Previous, made.Hash)
		return fault(err, "write seal of %s %s", made.Kind, made.SubjectID)
	})
	return made, err
}

// Head reads the end of the chain.
func (s *Record) Head(ctx context.Context) (record.Head, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select o.origin, coalesce(s.number, 0) as count, coalesce(s.hash, o.origin) as hash
		from seal_origin o left join lateral (select number, hash from seal order by number desc limit 1) s on true`)
	head, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[record.Head])
	return head, fault(err, "read the head of the chain")
}

const sealColumns = `number, id, kind, subject_id, object_id, at, actor_id, document, document_sha256, previous, hash`

// Seals reads the chain in order.
func (s *Record) Seals(ctx context.Context, after int64, limit int) ([]record.Seal, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+sealColumns+` from seal where number > $1 order by number limit $2`, after, limit)
	seals, err := pgx.CollectRows(rows, pgx.RowToStructByName[record.Seal])
	return seals, fault(err, "read seals")
}

// Of reads the seals of a record.
func (s *Record) Of(ctx context.Context, subjectID domain.ID) ([]record.Seal, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+sealColumns+` from seal where subject_id = $1 order by number`, subjectID)
	seals, err := pgx.CollectRows(rows, pgx.RowToStructByName[record.Seal])
	return seals, fault(err, "read seals of %s", subjectID)
}

// Event writes one event.
func (s *Record) Event(ctx context.Context, e domain.Event) error { return s.db.addEvents(ctx, e) }

// Events lists events, the newest first.
func (s *Record) Events(ctx context.Context, f record.Filter, q domain.PageQuery) (domain.Page[record.EventLine], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[record.EventLine]{}, err
	}
	keys, err := q.Keys(f, 1)
	if err != nil {
		return domain.Page[record.EventLine]{}, err
	}
	var before *int64
	if keys != nil {
		n, err := strconv.ParseInt(keys[0], 10, 64)
		if err != nil {
			return domain.Page[record.EventLine]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
		before = &n
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select e.id, e.at, e.actor_id, coalesce(p.name, 'the program') as actor_name, e.area, e.subject_id,
			e.object_id, coalesce(o.number, '') as object_number, e.kind
		from event e left join person p on p.id = e.actor_id left join object o on o.id = e.object_id
		`+where(
		given(before != nil, `e.id < @before`),
		given(f.ObjectID != nil, `e.object_id = @object`),
		given(f.SubjectID != nil, `e.subject_id = @subject`),
		given(f.ActorID != nil, `(@actor::uuid is null or e.actor_id = @actor)`),
		given(f.Area != "", `(@area = '' or e.area = @area)`),
		given(f.Kind != "", `(@kind = '' or e.kind = @kind)`))+`
		order by e.id desc limit @limit`,
		pgx.NamedArgs{"before": before, "object": f.ObjectID, "subject": f.SubjectID, "actor": f.ActorID,
			"area": f.Area, "kind": f.Kind, "limit": limit})
	lines, err := pgx.CollectRows(rows, pgx.RowToStructByName[record.EventLine])
	if err != nil {
		return domain.Page[record.EventLine]{}, fault(err, "list events")
	}
	return domain.NextPage(q, f, lines, func(l record.EventLine) []string { return []string{strconv.FormatInt(l.ID, 10)} }), nil
}
