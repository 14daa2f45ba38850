package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/loan"
)

// Examined lists the signed examinations that were made for a loan, or of one of these objects before it went out, the
// latest first.
func (s *Loans) Examined(ctx context.Context, loanID domain.ID, objectIDs []domain.ID) ([]loan.Examined, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select e.id, e.object_id, e.occasion, `+dayText("e.examined_on")+` as examined_on, e.examiner_name as by, e.overall,
			coalesce((select array_agg(c.component_id order by c.component_id) from examination_component c where c.examination_id = e.id and not c.seen), '{}') as unseen,
			coalesce((select string_agg(c.called || ' (' || c.reason || ')', '; ' order by c.called) from examination_component c where c.examination_id = e.id and not c.seen), '') as not_seen,
			e.loan_id is not distinct from $1 as for_this, null::uuid as before_id, '' as worse
		from examination e
		where e.object_id = any($2) and e.state = 'signed' and (e.loan_id = $1 or e.occasion = 'outgoing')
		order by e.examined_on desc, e.signed_at desc limit 1000`, loanID, objectIDs)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[loan.Examined])
	return all, fault(err, "list examinations for loan %s", loanID)
}
