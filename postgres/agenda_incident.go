package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// Incidents are the incidents that no conservator has answered (L4), the longest waiting first: for conservators and
// registrars, and for curators those of their departments.
func (s *Agenda) Incidents(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	everywhere := by.Has(domain.Conservator) || by.Has(domain.Registrar)
	if !everywhere && !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the incidents to answer", `
		select i.called || ' on loan ' || l.reference || ': ' || case when length(i.found) > @most then left(i.found, @most) || '…' else i.found end as text,
			'incident' as area, i.id as subject_id, 'incident' as record, i.object_id, o.number as object_number, i.opened_at as since, null::timestamptz as due
		from incident i join object o on o.id = i.object_id join loan l on l.id = i.loan_id
		where i.answered_at is null and (@everywhere or o.department = any (@departments))
		order by i.opened_at, i.id limit @limit`,
		pgx.NamedArgs{"everywhere": everywhere, "departments": by.Departments, "most": foundShown})
}

// foundShown is how many characters of what was found stand among what waits.
const foundShown = 300
