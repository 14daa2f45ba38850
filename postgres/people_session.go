package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/people"
)

const sessionColumns = `id, person_id, begun_at, last_used_at, browser`

// AddSession writes a session that begins.
func (s *People) AddSession(ctx context.Context, n people.Session) error {
	_, err := s.db.q(ctx).Exec(ctx, `
		insert into sign_in_session (id, person_id, begun_at, last_used_at, browser) values ($1, $2, $3, $4, $5)`,
		n.ID, n.PersonID, n.BegunAt, n.LastUsedAt, n.Browser)
	return fault(err, "begin a session")
}

// BySession reads the person of a session with the session, and whether they have a second factor.
func (s *People) BySession(ctx context.Context, id domain.ID) (*people.Person, people.Session, bool, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select `+personColumns+`, begun_at, last_used_at,
			exists (select from second_factor where person_id = person.id and confirmed_at is not null) as has_factor
		from person cross join lateral (
			select begun_at, last_used_at from sign_in_session where sign_in_session.id = $1 and person_id = person.id) s`, id)
	type signedIn struct {
		people.Person
		BegunAt, LastUsedAt time.Time
		HasFactor           bool
	}
	found, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[signedIn])
	if err != nil {
		return nil, people.Session{}, false, fault(err, "read session %s", id)
	}
	return &found.Person, people.Session{ID: id, PersonID: found.ID, BegunAt: found.BegunAt, LastUsedAt: found.LastUsedAt}, found.HasFactor, nil
}

// UseSession notes the use of a session.
func (s *People) UseSession(ctx context.Context, id domain.ID, at time.Time) error {
	_, err := s.db.q(ctx).Exec(ctx, `update sign_in_session set last_used_at = $2 where id = $1 and last_used_at < $2`, id, at)
	return fault(err, "note use of session %s", id)
}

// Sessions lists a person's sessions begun and used after these times, the last used first.
func (s *People) Sessions(ctx context.Context, personID domain.ID, begunAfter, usedAfter time.Time) ([]people.Session, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select `+sessionColumns+` from sign_in_session
		where person_id = $1 and begun_at > $2 and last_used_at > $3 order by last_used_at desc, id desc limit 200`, personID, begunAfter, usedAfter)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[people.Session])
	return all, fault(err, "list sessions of %s", personID)
}

// EndSession ends one session of a person.
func (s *People) EndSession(ctx context.Context, personID, id domain.ID, at time.Time) (people.Session, error) {
	var n people.Session
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, _ := tx.Query(ctx, `delete from sign_in_session where id = $1 and person_id = $2 returning `+sessionColumns, id, personID)
		var err error
		if n, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[people.Session]); err != nil {
			return fault(err, "end session %s", id)
		}
		return s.db.addEvents(ctx, sessionsEnded(personID, personID, 1, at))
	})
	return n, err
}

// EndSessions ends all sessions of a person but one that is kept, if any, and says how many those were.
func (s *People) EndSessions(ctx context.Context, by, personID domain.ID, keep *domain.ID, at time.Time) (int, error) {
	ended := 0
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		done, err := tx.Exec(ctx, `delete from sign_in_session where person_id = $1 and id is distinct from $2`, personID, keep)
		if err != nil {
			return fault(err, "end sessions of %s", personID)
		}
		if ended = int(done.RowsAffected()); ended == 0 {
			return nil
		}
		return s.db.addEvents(ctx, sessionsEnded(by, personID, ended, at))
	})
	return ended, err
}

func sessionsEnded(by, personID domain.ID, count int, at time.Time) domain.Event {
	e := domain.Event{At: at, ActorID: &by, Area: "people", Subject: personID, Kind: "sessions_ended", Change: map[string]any{"count": count}}
	if by == (domain.ID{}) {
		e.ActorID = nil
	}
	return e
}

// ForgetSession takes away a session that its person leaves.
func (s *People) ForgetSession(ctx context.Context, id domain.ID) error {
	_, err := s.db.q(ctx).Exec(ctx, `delete from sign_in_session where id = $1`, id)
	return fault(err, "sign out of session %s", id)
}
