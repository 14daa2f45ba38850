package plans_test

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/cmd/loadtest/drive"
	"farthingale/cmd/loadtest/plans"
	"farthingale/cmd/loadtest/seed"
	"farthingale/domain"
	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

// watched is a house on an invented collection whose statements are watched, with every act done once.
func watched(t *testing.T) (*plans.Watch, *pgx.Conn) {
	t.Helper()
	watch := &plans.Watch{}
	d := pgtest.New(t)
	config, err := pgxpool.ParseConfig(d.URL)
	if err != nil {
		t.Fatal(err)
	}
	config.ConnConfig.Tracer = watch
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	if d.Pool, err = pgxpool.NewWithConfig(t.Context(), config); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Pool.Close)
	h := servetest.On(t, d)
	err = seed.Fill(t.Context(), seed.Database{OwnerURL: d.OwnerURL, Files: postgres.NewFiles(h.DB, h.Bucket), Head: h.Record.Head},
		seed.Options{Objects: 700, Seed: 5, Until: time.Date(2026, 9, 30, 0, 0, 0, 0, time.UTC), Site: domain.DefaultSite(), Password: servetest.Password, Pictures: 8})
	if err != nil {
		t.Fatal(err)
	}
	house, err := drive.NewHouse(h.Server.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(house.Close)
	if _, err := drive.EachOnce(t.Context(), house, d.OwnerPool(), servetest.Password); err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(t.Context(), d.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(t.Context()) })
	return watch, conn
}

// TestNoWholeTable: every statement of every act has a way that reads only what it needs. Tables as small as
// these are quicker read whole, and joined whole, so that is forbidden to the planner here; the command 'loadtest plans' asks
// the same of a large collection without forbidding anything.
func TestNoWholeTable(t *testing.T) {
	t.Parallel()
	watch, conn := watched(t)
	// A table of a few rows is read whole whatever is forbidden; seven hundred objects leave few of those.
	rows, err := conn.Query(t.Context(), `select relname from pg_class where relname = any ($1) and reltuples >= 20`, seed.Growing())
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	large := map[string]bool{}
	for _, name := range names {
		large[name] = true
	}
	if _, err := conn.Exec(t.Context(), `set enable_seqscan = off; set cpu_tuple_cost = 10; set cpu_index_tuple_cost = 10; set enable_mergejoin = off; set enable_hashjoin = off; set jit = off`); err != nil {
		t.Fatal(err)
	}
	faults, asked, err := watch.Faults(t.Context(), conn, func(table string) bool { return large[table] })
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range faults {
		t.Error(f)
	}
	if asked < 100 || len(large) < 25 {
		t.Errorf("%d statements were looked at, on %v", asked, names)
	}
	// The check itself: these do read a whole table.
	for _, sql := range []string{`select count(*) from event where change::text like '%x%'`, `select id from object order by title limit 3`,
		`select count(*) from placement_mover where position = 2 and person_id = '00000000-0000-0000-0000-000000000000'`} {
		bad := &plans.Watch{}
		bad.TraceQueryStart(t.Context(), nil, pgx.TraceQueryStartData{SQL: sql})
		if faults, _, err := bad.Faults(t.Context(), conn, func(table string) bool { return large[table] }); err != nil || len(faults) != 1 {
			t.Errorf("%s: %v %v", sql, faults, err)
		}
	}
}
