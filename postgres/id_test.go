package postgres_test

import (
	"slices"
	"testing"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/postgres/pgtest"
)

// TestIdentifiersAreRead: into every kind of target, by both formats of the protocol.
func TestIdentifiersAreRead(t *testing.T) {
	t.Parallel()
	pool := pgtest.New(t).Pool
	one, two := domain.NewID(), domain.NewID()
	for name, mode := range map[string]pgx.QueryExecMode{"bytes": pgx.QueryExecModeCacheStatement, "text": pgx.QueryExecModeSimpleProtocol} {
		var (
			id, null = domain.ID{}, two
			some     *domain.ID
			none     = &two
			list     []domain.ID
			text     string
			anything any
		)
		err := pool.QueryRow(t.Context(), `select $1::uuid, null::uuid, $1::uuid, null::uuid, array[$1::uuid, $2::uuid], $1::uuid, $1::uuid`, mode, one, two).
			Scan(&id, &null, &some, &none, &list, &text, &anything)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if id != one || some == nil || *some != one || none != nil || !slices.Equal(list, []domain.ID{one, two}) || text != one.String() || anything != any(one) {
			t.Errorf("%s: read %v, %v, %v, %v, %q, %v", name, id, some, none, list, text, anything)
		}
		if name == "bytes" && null != (domain.ID{}) {
			t.Errorf("null was read as %v", null)
		}
	}
}
