package postgres_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

// tables gives the names of the program's tables, those that can only be added to apart.
func tables(t *testing.T, d *pgtest.Database) (appendOnly, others []string) {
	t.Helper()
	rows, _ := d.OwnerPool().Query(t.Context(), `
		select relname, coalesce(obj_description(oid, 'pg_class') like 'append-only%', false) from pg_class
		where relnamespace = 'public'::regnamespace and relkind = 'r' and relname not in ('schema_migrations', 'river_migration')`)
	var name string
	var only bool
	_, err := pgx.ForEachRow(rows, []any{&name, &only}, func() error {
		if only {
			appendOnly = append(appendOnly, name)
		} else {
			others = append(others, name)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(appendOnly) < 2 || !slices.Contains(appendOnly, "event") || !slices.Contains(appendOnly, "seal") {
		t.Fatalf("append-only are only %q", appendOnly)
	}
	return appendOnly, others
}

// refused runs SQL as the program and wants it refused for lack of rights.
func refused(t *testing.T, d *pgtest.Database, sql string) {
	t.Helper()
	_, err := d.Pool.Exec(t.Context(), sql)
	if pgErr := new(pgconn.PgError); !errors.As(err, &pgErr) || pgErr.Code != "42501" {
		t.Errorf("%s: %v", sql, err)
	}
}

// The triggers that refuse changes are taken away first: the rights alone must do.
func TestProgramCannotRewriteTheRecord(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	appendOnly, others := tables(t, d)
	for _, table := range appendOnly {
		if _, err := d.OwnerPool().Exec(t.Context(), "alter table "+table+" disable trigger user"); err != nil {
			t.Fatal(err)
		}
		var column string
		err := d.OwnerPool().QueryRow(t.Context(), `select attname from pg_attribute
			where attrelid = $1::regclass and attnum > 0 and attidentity = '' order by attnum limit 1`, table).Scan(&column)
		if err != nil {
			t.Fatal(err)
		}
		refused(t, d, fmt.Sprintf("update %s set %s = null", table, pgx.Identifier{column}.Sanitize()))
		refused(t, d, "delete from "+table)
		refused(t, d, "select * from "+table+" for update")
		if _, err := d.Pool.Exec(t.Context(), "select * from "+table); err != nil {
			t.Error(err)
		}
	}
	for _, table := range slices.Concat(appendOnly, others) {
		refused(t, d, "truncate "+table)
		refused(t, d, "alter table "+table+" add column more int")
		refused(t, d, "alter table "+table+" disable trigger all")
		refused(t, d, "alter table "+table+" owner to "+postgres.AppRole)
		refused(t, d, "comment on table "+table+" is 'nothing'")
		refused(t, d, "drop table "+table)
		refused(t, d, "create trigger more before insert on "+table+" for each row execute function refuse_change()")
	}
}

func TestProgramCanWorkAndNothingElse(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	for _, sql := range []string{
		"create table public.mine (a int)",
		"create schema mine",
		"create function public.mine() returns int language sql as 'select 1'",
		"update schema_migrations set dirty = true",
		"insert into schema_migrations values (1, false)",
		"delete from river_migration",
		"drop function refuse_change()",
		"alter function refuse_change() owner to " + postgres.AppRole,
		"set session_replication_role = replica",
		"set role " + postgres.OwnerRole,
		"create role mine",
		"copy person to program 'cat'",
	} {
		refused(t, d, sql)
	}
	for _, sql := range []string{
		"create temporary table mine (a int)",
		"select version from schema_migrations",
		"select fold('Łódź')",
		"insert into sign_in_failure (sign_in_name, address, at) values ('ada', '::1', now())",
		"update sign_in_failure set address = '::2'",
		"delete from sign_in_failure",
		"select count(*) from river_job",
		"delete from river_job",
	} {
		if _, err := d.Pool.Exec(t.Context(), sql); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
	}
}

// rights is what every table, sequence and function allows, and when that was last written.
func rights(t *testing.T, d *pgtest.Database) []string {
	t.Helper()
	rows, _ := d.OwnerPool().Query(t.Context(), `
		select format('%s %s %s', relname, relacl, xmin) from pg_class where relnamespace = 'public'::regnamespace
		union all select format('%s %s %s', oid::regprocedure, proacl, xmin) from pg_proc where pronamespace = 'public'::regnamespace
		union all select format('%s %s %s', defaclobjtype, defaclacl, xmin) from pg_default_acl
		union all select format('%s %s', nspacl, xmin) from pg_namespace where nspname = 'public'
		order by 1`)
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestAStartWithNothingToDoChangesNoRights(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	before := rights(t, d)
	if err := postgres.MigrateUp(t.Context(), d.OwnerURL, nil); err != nil {
		t.Fatal(err)
	}
	if after := rights(t, d); !slices.Equal(before, after) {
		t.Errorf("rights were written anew:\n%s\n\n%s", strings.Join(before, "\n"), strings.Join(after, "\n"))
	}
}

func TestRightsAreSetRightAgain(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	for _, sql := range []string{
		"grant all on seal, person to " + postgres.AppRole,
		"grant create on schema public to public",
		"revoke select on event from " + postgres.AppRole,
		"create table later (a int)",
		"comment on table later is 'append-only: made later.'",
		"create view looks as select 1 as one",
	} {
		if _, err := d.OwnerPool().Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	if err := postgres.MigrateUp(t.Context(), d.OwnerURL, nil); err != nil {
		t.Fatal(err)
	}
	for _, sql := range []string{"truncate seal", "update seal set number = 1", "truncate person", "create table mine (a int)", "delete from later", "update later set a = 1"} {
		refused(t, d, sql)
	}
	for _, sql := range []string{"select count(*) from event", "insert into later values (1)", "select one from looks"} {
		if _, err := d.Pool.Exec(t.Context(), sql); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
	}
}

func TestTableMadeByHandCanBeUsed(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	if _, err := d.OwnerPool().Exec(t.Context(), "create table byhand (id int generated always as identity, a int)"); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Pool.Exec(t.Context(), "insert into byhand (a) values (1)"); err != nil {
		t.Error(err)
	}
	refused(t, d, "truncate byhand")
}
