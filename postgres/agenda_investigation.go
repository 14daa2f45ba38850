package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// Consents are the questions for which a consent to a sample or a trace is asked of the curators of the
// department (I1), the oldest first, without those that the curator asked for.
func (s *Agenda) Consents(ctx context.Context, by domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
	if !by.Has(domain.Curator) {
		return nil, nil
	}
	return s.waiting(ctx, most, "the consents asked for", `
		select 'Consent to a technique that takes a sample or leaves a trace, for the question: ' || i.question as text, 'investigation' as area, i.id as subject_id, 'investigation' as record,
			i.object_id, o.number as object_number,
			(select min(c.asked_at) from investigation_consent c where c.investigation_id = i.id and not exists (select from investigation_consent_decision d where d.consent_id = c.id)) as since,
			null::timestamptz as due
		from investigation i join object o on o.id = i.object_id
		where i.consent_waiting and o.department = any (@departments) and i.asked_by <> @me
			and exists (select from investigation_consent c where c.investigation_id = i.id and c.asked_by <> @me
				and not exists (select from investigation_consent_decision d where d.consent_id = c.id))
		order by i.asked_at, i.id limit @limit`,
		pgx.NamedArgs{"me": by.ID, "departments": by.Departments})
}
