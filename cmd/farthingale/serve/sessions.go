package serve

import (
	"context"
	"errors"
	"time"

	"github.com/alexedwards/scs/pgxstore"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// boundedSessions keeps sessions as the library's store does, but ends with the request: that store waits
// for a database that hangs for as long as it hangs.
type boundedSessions struct {
	*pgxstore.PostgresStore
	pool *pgxpool.Pool
}

// FindCtx reads what a session holds; false: there is none, or it has expired.
func (s boundedSessions) FindCtx(ctx context.Context, token string) (data []byte, found bool, err error) {
	err = s.pool.QueryRow(ctx, `select data from sessions where token = $1 and current_timestamp < expiry`, token).Scan(&data)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, false, nil
	}
	return data, err == nil, err
}

// CommitCtx keeps what a session holds.
func (s boundedSessions) CommitCtx(ctx context.Context, token string, data []byte, expiry time.Time) error {
	_, err := s.pool.Exec(ctx, `
		insert into sessions (token, data, expiry) values ($1, $2, $3)
		on conflict (token) do update set data = excluded.data, expiry = excluded.expiry`, token, data, expiry)
	return err
}

// DeleteCtx forgets a session.
func (s boundedSessions) DeleteCtx(ctx context.Context, token string) error {
	_, err := s.pool.Exec(ctx, `delete from sessions where token = $1`, token)
	return err
}
