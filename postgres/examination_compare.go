package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
)

// Begun names for each observation of some examinations the first observation of its thread.
func (s *Examinations) Begun(ctx context.Context, examinationIDs ...domain.ID) (map[domain.ID]domain.ID, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		with recursive up as (
			select o.id as start, o.id, o.continues_id from examination_observation o where o.examination_id = any($1)
			union all
			select up.start, o.id, o.continues_id from up join examination_observation o on o.id = up.continues_id)
		select start, id from up where continues_id is null`, examinationIDs)
	begun := map[domain.ID]domain.ID{}
	var start, first domain.ID
	_, err := pgx.ForEachRow(rows, []any{&start, &first}, func() error {
		begun[start] = first
		return nil
	})
	return begun, fault(err, "read where observations begin")
}

// theOneBefore is the signed examination of an object before examination a, which may be a draft.
const theOneBefore = `
	select b.id from examination b
	where b.object_id = a.object_id and b.id <> a.id and b.state = 'signed' and (b.examined_on, b.signed_at) < (a.examined_on, coalesce(a.signed_at, 'infinity'))
	order by b.examined_on desc, b.signed_at desc limit 1`

// Earlier names for each of some examinations the signed one of its object before it.
func (s *Examinations) Earlier(ctx context.Context, ids []domain.ID) (map[domain.ID]domain.ID, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select a.id, b.id from examination a cross join lateral (`+theOneBefore+`) b where a.id = any ($1)`, ids)
	earlier := map[domain.ID]domain.ID{}
	var id, before domain.ID
	_, err := pgx.ForEachRow(rows, []any{&id, &before}, func() error {
		earlier[id] = before
		return nil
	})
	return earlier, fault(err, "look for the examinations before %d others", len(ids))
}

// Before lists the two last signed examinations of an object, or one and the signed one before it.
func (s *Examinations) Before(ctx context.Context, objectID domain.ID, id *domain.ID) ([]domain.ID, error) {
	if id != nil {
		rows, _ := s.db.q(ctx).Query(ctx, `
			select $2::uuid union all select b.id from examination a cross join lateral (`+theOneBefore+`) b where a.id = $2 and a.object_id = $1`, objectID, *id)
		ids, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
		return ids, fault(err, "look for the examination before %s", *id)
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select id from examination where object_id = $1 and state = 'signed' order by examined_on desc, signed_at desc limit 2`, objectID)
	ids, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
	return ids, fault(err, "look for the last examinations of object %s", objectID)
}
