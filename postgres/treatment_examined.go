package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/treatment"
)

// Signed lists signed examinations of an object, the latest first; it implements treatment.Examinations.
func (s *Treatments) Signed(ctx context.Context, objectID domain.ID, named []domain.ID) ([]treatment.Examined, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		with latest as (
			select id from examination where object_id = $1 and state = 'signed' order by examined_on desc, id desc limit 20)
		select e.id, e.occasion, to_char(e.examined_on, 'YYYY-MM-DD') as examined_on, e.examiner_name as by, e.overall,
			array(select c.component_id from examination_component c where c.examination_id = e.id and c.seen order by c.component_id) as seen,
			coalesce((select jsonb_agg(jsonb_build_object('ID', o.id, 'Called',
					case when o.called = '' then '' else o.called || ': ' end || o.term_name || case when o.severity is null then '' else ', severity ' || o.severity end) order by o.position)
				from examination_observation o where o.examination_id = e.id and o.status in ('new', 'confirmed', 'changed')), '[]') as observations
		from examination e
		where e.object_id = $1 and e.state = 'signed' and (e.id in (select id from latest) or e.id = any($2))
		order by e.examined_on desc, e.id desc`, objectID, named)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[treatment.Examined])
	return all, fault(err, "list signed examinations of object %s", objectID)
}
