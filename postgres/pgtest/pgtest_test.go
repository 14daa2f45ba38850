package pgtest_test

import (
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"

	"farthingale/postgres/pgtest"
)

// owned runs its cleanups when asked, so that one benchmark can make and drop many databases.
type owned struct {
	testing.TB
	cleanups []func()
}

func (o *owned) Cleanup(f func()) { o.cleanups = append(o.cleanups, f) }

func (o *owned) clean() {
	for len(o.cleanups) > 0 {
		last := o.cleanups[len(o.cleanups)-1]
		o.cleanups = o.cleanups[:len(o.cleanups)-1]
		last()
	}
}

// BenchmarkNew is the price of a test's own database: made, connected to, and dropped.
func BenchmarkNew(b *testing.B) {
	pgtest.New(b) // the server and the template
	for b.Loop() {
		o := &owned{TB: b}
		if err := pgtest.New(o).Pool.Ping(b.Context()); err != nil {
			b.Fatal(err)
		}
		o.clean()
	}
}

func TestEveryTestHasItsOwnDatabase(t *testing.T) {
	const write = `insert into person (id, name, sign_in_name, roles, created_at)
		values (gen_random_uuid(), 'Ada', 'ada', '{reader}', now())`
	for i := range 8 {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			t.Parallel()
			d := pgtest.New(t)
			if _, err := d.Pool.Exec(t.Context(), write); err != nil {
				t.Fatal(err)
			}
			var n int
			if err := d.Pool.QueryRow(t.Context(), "select count(*) from person").Scan(&n); err != nil || n != 1 {
				t.Errorf("a test sees %d persons of its own one (%v)", n, err)
			}
		})
	}
}

func TestDatabaseIsDroppedAfterTheTest(t *testing.T) {
	o := &owned{TB: t}
	gone := pgtest.New(o)
	gone.OwnerPool()
	look := pgtest.New(t)
	const question = "select exists (select from pg_database where datname = $1)"
	for _, want := range []bool{true, false} {
		var is bool
		if err := look.Pool.QueryRow(t.Context(), question, gone.Name).Scan(&is); err != nil || is != want {
			t.Errorf("database exists: %t (%v), want %t", is, err, want)
		}
		o.clean()
	}
}

func TestNobodyConnectsToTheTemplate(t *testing.T) {
	d := pgtest.New(t)
	var template string
	var sessions int
	err := d.OwnerPool().QueryRow(t.Context(), `
		select datname, (select count(*) from pg_stat_activity a where a.datname = d.datname)
		from pg_database d where starts_with(datname, 'farthingale_template_') and not datallowconn`).Scan(&template, &sessions)
	if err != nil || sessions != 0 {
		t.Fatalf("template %q has %d sessions (%v)", template, sessions, err)
	}
	config, err := pgx.ParseConfig(d.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	config.Database = template
	if conn, err := pgx.ConnectConfig(t.Context(), config); err == nil {
		conn.Close(t.Context())
		t.Error("the owner may connect to the template")
	}
}

func TestRoles(t *testing.T) {
	d := pgtest.New(t)
	const question = "select current_user, exists (select from pg_class where relowner = current_user::regrole)"
	var user string
	var owns bool
	if err := d.Pool.QueryRow(t.Context(), question).Scan(&user, &owns); err != nil || user != "farthingale_app" || owns {
		t.Errorf("the pool acts as %s, owning tables: %t (%v)", user, owns, err)
	}
	if err := d.OwnerPool().QueryRow(t.Context(), question).Scan(&user, &owns); err != nil || !owns {
		t.Errorf("the owner's pool acts as %s, owning tables: %t (%v)", user, owns, err)
	}
}
