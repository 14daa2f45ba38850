package postgres_test

import (
	"context"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/migrations"
	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

// objects lists what a schema holds: tables, columns, indexes, functions, types, triggers, rules' names.
func objects(t *testing.T, d *pgtest.Database) []string {
	t.Helper()
	rows, _ := d.OwnerPool().Query(t.Context(), `
		select 'relation ' || c.relkind::text || ' ' || c.relname from pg_class c where c.relnamespace = 'public'::regnamespace
		union all select 'function ' || p.oid::regprocedure::text from pg_proc p where p.pronamespace = 'public'::regnamespace
		union all select 'type ' || t.typname from pg_type t where t.typnamespace = 'public'::regnamespace
		union all select 'trigger ' || t.tgname from pg_trigger t where not t.tgisinternal
		union all select 'extension ' || e.extname from pg_extension e
		order by 1`)
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return names
}

func status(t *testing.T, d *pgtest.Database) postgres.Status {
	t.Helper()
	s, err := postgres.MigrateStatus(t.Context(), d.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func stepsOfThisProgram(t *testing.T) int {
	t.Helper()
	names, err := fs.Glob(migrations.Files, "*.up.sql")
	if err != nil || len(names) == 0 {
		t.Fatalf("no migrations (%v)", err)
	}
	return len(names)
}

func TestMigrateUpDownUp(t *testing.T) {
	d := pgtest.NewEmpty(t)
	n := stepsOfThisProgram(t)
	nothing := objects(t, d)
	if s := status(t, d); s.Version != 0 || len(s.Pending) != n || s.Dirty || int(s.Latest) < n {
		t.Errorf("at first: %+v", s)
	}
	if slices.Contains(objects(t, d), "relation r schema_migrations") {
		t.Error("asking for the status changes the database")
	}

	if err := postgres.MigrateUp(t.Context(), d.OwnerURL, nil); err != nil {
		t.Fatal(err)
	}
	all := objects(t, d)
	if s := status(t, d); s.Version != s.Latest || len(s.Pending) != 0 {
		t.Errorf("after up: %+v", s)
	}
	for _, name := range []string{"relation r event", "relation r river_job"} {
		if !slices.Contains(all, name) {
			t.Errorf("no %s", name)
		}
	}
	if err := postgres.MigrateUp(t.Context(), d.OwnerURL, nil); err != nil {
		t.Errorf("up again: %v", err)
	}

	// One step back and forth at a time, then all the way down.
	for i := range n {
		if err := postgres.MigrateDown(t.Context(), d.OwnerURL, 1, nil); err != nil {
			t.Fatal(err)
		}
		if s := status(t, d); len(s.Pending) != i+1 {
			t.Errorf("after %d steps back: %+v", i+1, s)
		}
	}
	left := slices.DeleteFunc(objects(t, d), func(name string) bool {
		return slices.Contains(nothing, name) || strings.Contains(name, "schema_migrations")
	})
	if len(left) > 0 {
		t.Errorf("the steps back leave behind %q", left)
	}
	if err := postgres.MigrateDown(t.Context(), d.OwnerURL, 1, nil); err == nil {
		t.Error("a step back from nothing")
	}
	if err := postgres.MigrateUp(t.Context(), d.OwnerURL, nil); err != nil {
		t.Fatal(err)
	}
	if again := objects(t, d); !slices.Equal(again, all) {
		t.Errorf("up, down, up gives another schema:\n%q\n%q", all, again)
	}
	if err := postgres.MigrateDown(t.Context(), d.OwnerURL, 10*n, nil); err != nil {
		t.Errorf("more steps back than there are: %v", err)
	}
	if s := status(t, d); len(s.Pending) != n {
		t.Errorf("after all steps back: %+v", s)
	}
	if err := postgres.MigrateDown(t.Context(), d.OwnerURL, 0, nil); err == nil {
		t.Error("no steps back are accepted")
	}
}

// files makes numbered migrations from the text of the ups; each is taken back by dropping
// what the name says.
func files(ups ...string) fstest.MapFS {
	m := fstest.MapFS{}
	for i, up := range ups {
		m[fmt.Sprintf("%06d_step.up.sql", i+1)] = &fstest.MapFile{Data: []byte(up)}
		m[fmt.Sprintf("%06d_step.down.sql", i+1)] = &fstest.MapFile{Data: []byte(fmt.Sprintf("drop table t%d", i+1))}
	}
	return m
}

func exists(t *testing.T, d *pgtest.Database, table string) bool {
	t.Helper()
	var is bool
	if err := d.OwnerPool().QueryRow(t.Context(), "select to_regclass($1) is not null", table).Scan(&is); err != nil {
		t.Fatal(err)
	}
	return is
}

func TestRefusedStepLeavesNothingAndIsTriedAgain(t *testing.T) {
	d := pgtest.NewEmpty(t)
	good := []string{"create table t1 (a int)", "create table t2 (a int);\ncreate table t2_more (a int)"}
	bad := []string{good[0], "create table t2 (a int);\ncreate table t1 (a int)", "create table t3 (a int)"}
	err := postgres.MigrateFilesUp(t.Context(), d.OwnerURL, files(bad...))
	if err == nil || !strings.Contains(err.Error(), "migration 2 (step) is refused in line") || !strings.Contains(err.Error(), `"t1" already exists`) {
		t.Errorf("got %v", err)
	}
	if !exists(t, d, "t1") || exists(t, d, "t2") || exists(t, d, "t3") {
		t.Error("the steps made are not the first alone")
	}
	if s := status(t, d); s.Version != 1 || s.Dirty {
		t.Errorf("status %+v", s)
	}
	if err := postgres.MigrateFilesUp(t.Context(), d.OwnerURL, files(good...)); err != nil || !exists(t, d, "t2_more") {
		t.Errorf("the mended step is not made: %v", err)
	}

	// The same on the way down: t2 cannot go while a view looks at it.
	if _, err := d.OwnerPool().Exec(t.Context(), "create view looks as select a from t2"); err != nil {
		t.Fatal(err)
	}
	err = postgres.MigrateFilesDown(t.Context(), d.OwnerURL, files(good...), 2)
	if err == nil || !strings.Contains(err.Error(), "migration 2 (step) is refused") {
		t.Errorf("got %v", err)
	}
	if s := status(t, d); s.Version != 2 || s.Dirty || !exists(t, d, "t2") {
		t.Errorf("status %+v", s)
	}
	if _, err := d.OwnerPool().Exec(t.Context(), "drop view looks; drop table t2_more"); err != nil {
		t.Fatal(err)
	}
	if err := postgres.MigrateFilesDown(t.Context(), d.OwnerURL, files(good...), 2); err != nil || exists(t, d, "t1") {
		t.Errorf("the steps back are not made: %v", err)
	}
}

func TestFirstStepRefused(t *testing.T) {
	d := pgtest.NewEmpty(t)
	if err := postgres.MigrateFilesUp(t.Context(), d.OwnerURL, files("create table t1 (a nonsense)")); err == nil {
		t.Fatal("nonsense is accepted")
	}
	if s := status(t, d); s.Version != 0 || s.Dirty {
		t.Errorf("status %+v", s)
	}
	if err := postgres.MigrateFilesUp(t.Context(), d.OwnerURL, files("create table t1 (a int)")); err != nil {
		t.Error(err)
	}
}

func TestCutOffStepIsExplained(t *testing.T) {
	for version, remedy := range map[int]string{
		1: "delete from schema_migrations",
		2: "update schema_migrations set version = 1, dirty = false",
	} {
		d := pgtest.New(t)
		_, err := d.OwnerPool().Exec(t.Context(), "update schema_migrations set version = $1, dirty = true", version)
		if err != nil {
			t.Fatal(err)
		}
		if s := status(t, d); !s.Dirty {
			t.Errorf("status %+v", s)
		}
		for _, err := range []error{
			postgres.MigrateUp(t.Context(), d.OwnerURL, nil),
			postgres.MigrateDown(t.Context(), d.OwnerURL, 1, nil),
		} {
			if err == nil {
				t.Fatal("it goes on")
			}
			for _, part := range []string{fmt.Sprintf("migration %d (", version), "was cut off", "set dirty = false", remedy} {
				if !strings.Contains(err.Error(), part) {
					t.Errorf("the message lacks %q:\n%v", part, err)
				}
			}
		}
	}
}

func TestTablesOfANewerProgram(t *testing.T) {
	d := pgtest.New(t)
	if _, err := d.OwnerPool().Exec(t.Context(), "update schema_migrations set version = 999999"); err != nil {
		t.Fatal(err)
	}
	err := postgres.MigrateUp(t.Context(), d.OwnerURL, nil)
	if err == nil || !strings.Contains(err.Error(), "newer version of this program") {
		t.Errorf("got %v", err)
	}
}

func TestManyCopiesMigrateAtOnce(t *testing.T) {
	d := pgtest.NewEmpty(t)
	const copies = 4
	faults := make(chan error)
	for range copies {
		go func() { faults <- postgres.MigrateUp(context.Background(), d.OwnerURL, nil) }()
	}
	for range copies {
		if err := <-faults; err != nil {
			t.Error(err)
		}
	}
	if s := status(t, d); s.Version != s.Latest || s.Dirty {
		t.Errorf("status %+v", s)
	}
}

// A copy that waits must not hold up `create index concurrently` of the copy that migrates,
// which waits for every session that holds a snapshot.
func TestIndexMadeConcurrentlyWhileAnotherCopyWaits(t *testing.T) {
	d := pgtest.NewEmpty(t)
	steps := files(
		"create table t1 (a int); insert into t1 select generate_series(1, 50000)",
		"create index concurrently t1_a on t1 (a)",
		"create table t3 (a int)")
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	const copies = 3
	faults := make(chan error)
	for range copies {
		go func() { faults <- postgres.MigrateFilesUp(ctx, d.OwnerURL, steps) }()
	}
	for range copies {
		if err := <-faults; err != nil {
			t.Error(err)
		}
	}
	var valid bool
	err := d.OwnerPool().QueryRow(t.Context(), "select indisvalid from pg_index where indexrelid = 't1_a'::regclass").Scan(&valid)
	if err != nil || !valid {
		t.Errorf("the index is valid: %t (%v)", valid, err)
	}
}

func TestMigrationStopsBetweenSteps(t *testing.T) {
	d := pgtest.NewEmpty(t)
	ctx, cancel := context.WithCancel(t.Context())
	steps := files("create table t1 (a int)", "create table t2 as select pg_sleep(0.7)::text as slept", "create table t3 (a int)")
	go func() {
		for {
			select {
			case <-t.Context().Done():
				return
			case <-time.After(5 * time.Millisecond):
			}
			var at int
			err := d.OwnerPool().QueryRow(t.Context(), "select version from schema_migrations").Scan(&at)
			if err == nil && at == 2 {
				cancel()
				return
			}
		}
	}()
	if err := postgres.MigrateFilesUp(ctx, d.OwnerURL, steps); err == nil {
		t.Error("it does not say that it stopped")
	}
	if s := status(t, d); s.Version != 2 || s.Dirty || exists(t, d, "t3") {
		t.Errorf("status %+v", s)
	}
	if err := postgres.MigrateFilesUp(t.Context(), d.OwnerURL, steps); err != nil || !exists(t, d, "t3") {
		t.Errorf("it does not go on: %v", err)
	}
}
