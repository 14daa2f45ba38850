package postgres_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

// notOurs are the tables of the job queue and of the migrations.
const notOurs = `('schema_migrations') and c.relname not like 'river%'`

// TestConstraintsAreWorded: every constraint of the schema, unique index and refusing trigger has a
// sentence for a person.
func TestConstraintsAreWorded(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	rows, err := db.OwnerPool().Query(t.Context(), `
		select k.conname from pg_constraint k join pg_class c on c.oid = k.conrelid
		where k.connamespace = 'public'::regnamespace and k.contype in ('c', 'f', 'p', 'u', 'x') and c.relname not in `+notOurs+`
		union
		select i.relname from pg_index x join pg_class i on i.oid = x.indexrelid join pg_class c on c.oid = x.indrelid
		where x.indisunique and i.relnamespace = 'public'::regnamespace and c.relname not in `+notOurs+`
		union
		select g.tgname from pg_trigger g join pg_class c on c.oid = g.tgrelid join pg_proc p on p.oid = g.tgfoid
		where not g.tgisinternal and c.relnamespace = 'public'::regnamespace and p.proname in ('refuse_change', 'refuse_delete')`)
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	if len(names) < 20 {
		t.Fatalf("only %d constraints were found", len(names))
	}
	worded := postgres.Worded()
	for _, name := range names {
		if !worded[name] {
			t.Errorf("constraint %s has no words", name)
		}
	}
	present := map[string]bool{}
	for _, name := range names {
		present[name] = true
	}
	// Names that trigger functions give are not in the catalogue; look for them in the functions.
	var functions string
	if err := db.OwnerPool().QueryRow(t.Context(), `
		select string_agg(prosrc, ' ') from pg_proc where pronamespace = 'public'::regnamespace and prolang =
			(select oid from pg_language where lanname = 'plpgsql')`).Scan(&functions); err != nil {
		t.Fatal(err)
	}
	for name := range worded {
		if !present[name] && !strings.Contains(functions, "'"+name+"'") {
			t.Errorf("%s has words but is no constraint of the schema", name)
		}
	}
}

// TestTablesAreCommented: every table says what it is.
func TestTablesAreCommented(t *testing.T) {
	t.Parallel()
	rows, err := pgtest.New(t).OwnerPool().Query(t.Context(), `
		select c.relname from pg_class c
		where c.relkind = 'r' and c.relnamespace = 'public'::regnamespace and c.relname not in `+notOurs+`
			and coalesce(obj_description(c.oid), '') = ''`)
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		t.Errorf("table %s has no comment", name)
	}
}

// TestDo: an act is whole or nothing, and a nested act belongs to the outer one.
func TestDo(t *testing.T) {
	t.Parallel()
	pool := pgtest.New(t).Pool
	db := postgres.NewDB(pool)
	people := postgres.NewPeople(db)
	stop := errors.New("no")
	err := db.Do(t.Context(), func(ctx context.Context) error {
		if err := db.Do(ctx, func(ctx context.Context) error { return people.AddFailure(ctx, "ines", "::1", instant) }); err != nil {
			return err
		}
		return stop
	})
	if !errors.Is(err, stop) {
		t.Fatalf("error %v, want the act's own", err)
	}
	n, _, err := people.Failures(t.Context(), "ines", "::1", instant.Add(-1))
	if err != nil || n != 0 {
		t.Fatalf("%d rows, %v; the inner write should be gone with the outer act", n, err)
	}
}
