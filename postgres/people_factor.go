package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/people"
)

var _ people.FactorStore = (*People)(nil)

// BeginFactor keeps a seed that waits for its first code, in place of one that waits.
func (s *People) BeginFactor(ctx context.Context, f people.Factor) error {
	done, err := s.db.q(ctx).Exec(ctx, `
		insert into second_factor (person_id, seed_sealed, begun_at) values ($1, $2, $3)
		on conflict (person_id) do update set seed_sealed = excluded.seed_sealed, begun_at = excluded.begun_at, last_step = 0
		where second_factor.confirmed_at is null`, f.PersonID, f.SeedSealed, f.BegunAt)
	if err == nil && done.RowsAffected() == 0 {
		return domain.Conflict("second_factor_on", "Your second factor is on already. Turn it off first, with a code.")
	}
	return fault(err, "begin the second factor of %s", f.PersonID)
}

// Factor reads a second factor and how many recovery codes are left.
func (s *People) Factor(ctx context.Context, personID domain.ID, lock bool) (people.Factor, int, error) {
	suffix := ""
	if lock {
		suffix = " for update of second_factor"
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select person_id, seed_sealed, begun_at, confirmed_at, last_step,
			(select count(*) from recovery_code r where r.person_id = second_factor.person_id and used_at is null) as codes
		from second_factor where person_id = $1`+suffix, personID)
	type counted struct {
		people.Factor
		Codes int
	}
	f, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[counted])
	return f.Factor, f.Codes, fault(err, "read the second factor of %s", personID)
}

// AnyFactor reads the second factor that was confirmed last.
func (s *People) AnyFactor(ctx context.Context) (people.Factor, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select person_id, seed_sealed, begun_at, confirmed_at, last_step from second_factor
		where confirmed_at is not null order by confirmed_at desc limit 1`)
	f, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[people.Factor])
	return f, fault(err, "read a second factor")
}

// ConfirmFactor turns a second factor on.
func (s *People) ConfirmFactor(ctx context.Context, personID domain.ID, at time.Time) error {
	_, err := s.db.q(ctx).Exec(ctx, `update second_factor set confirmed_at = $2 where person_id = $1`, personID, at)
	return fault(err, "confirm the second factor of %s", personID)
}

// UseStep takes the code of a time step unless it or a later one was taken.
func (s *People) UseStep(ctx context.Context, personID domain.ID, step int64) (bool, error) {
	done, err := s.db.q(ctx).Exec(ctx, `update second_factor set last_step = $2 where person_id = $1 and last_step < $2`, personID, step)
	return done.RowsAffected() == 1, fault(err, "take a code of %s", personID)
}

// UseRecoveryCode takes a recovery code unless it was taken.
func (s *People) UseRecoveryCode(ctx context.Context, personID domain.ID, sha256 []byte, at time.Time) (bool, error) {
	done, err := s.db.q(ctx).Exec(ctx, `
		update recovery_code set used_at = $3 where person_id = $1 and code_sha256 = $2 and used_at is null`, personID, sha256, at)
	return done.RowsAffected() == 1, fault(err, "take a recovery code of %s", personID)
}

// ReplaceRecoveryCodes keeps the hashes of new recovery codes in place of the old ones.
func (s *People) ReplaceRecoveryCodes(ctx context.Context, personID domain.ID, sha256s [][]byte) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `delete from recovery_code where person_id = $1`, personID); err != nil {
			return fault(err, "end the recovery codes of %s", personID)
		}
		_, err := tx.Exec(ctx, `insert into recovery_code (person_id, code_sha256) select $1, unnest($2::bytea[])`, personID, sha256s)
		return fault(err, "keep recovery codes of %s", personID)
	})
}

// RemoveFactor takes a second factor away with its recovery codes.
func (s *People) RemoveFactor(ctx context.Context, personID domain.ID) error {
	done, err := s.db.q(ctx).Exec(ctx, `delete from second_factor where person_id = $1`, personID)
	if err == nil && done.RowsAffected() == 0 {
		return domain.NotFound("This person has no second factor.")
	}
	return fault(err, "remove the second factor of %s", personID)
}

// Note writes an event.
func (s *People) Note(ctx context.Context, e domain.Event) error { return s.db.addEvents(ctx, e) }
