//go:build unix

package pgtest

import (
	"context"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/postgres"
	"farthingale/postgres/local"
)

// Own is a server with one database, for a test that stops or halts it. It runs as the program's private
// cluster does, with everything written to the disk.
type Own struct {
	*Database
	dir     string
	cluster *local.Cluster
	main    int // process of the server
}

// NewOwn starts a server from local programs in a folder of the test's. Its Pool is set up as the
// program's is, time limits included.
func NewOwn(t testing.TB) *Own {
	t.Helper()
	// A path that leaves room for the socket's name; the server may run as another account.
	dir, err := os.MkdirTemp("", "farthingale-own-")
	if err != nil {
		t.Fatal(err)
	}
	o := &Own{dir: dir}
	t.Cleanup(func() { local.Discard(dir) })
	ctx := context.Background()
	if o.cluster, err = local.Start(ctx, local.Options{DataDir: dir}); err != nil {
		t.Fatalf("this test needs a Postgres that it may stop: %v", err)
	}
	t.Cleanup(func() { _ = o.cluster.Stop(ctx) })
	const name = "farthingale"
	o.Database = &Database{t: t, Name: name, URL: o.cluster.URL(postgres.AppRole, name), OwnerURL: o.cluster.URL(postgres.OwnerRole, name)}
	conn, err := pgx.Connect(ctx, o.cluster.URL(postgres.OwnerRole, "postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	for _, sql := range []string{"create role " + postgres.AppRole + " login", "create database " + name} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
	server, err := postgres.Open(ctx, postgres.Settings{DatabaseURL: o.URL, OwnerDatabaseURL: o.OwnerURL})
	if err != nil {
		t.Fatal(err)
	}
	o.Pool = server.Pool
	t.Cleanup(func() { _ = server.Close(ctx) })
	o.owner = sync.OnceValue(func() *pgxpool.Pool { return open(t, o.OwnerURL) })
	o.main = o.find()
	return o
}

// find asks for the process of the server.
func (o *Own) find() int {
	o.t.Helper()
	var text string
	if err := o.OwnerPool().QueryRow(context.Background(), `select pg_read_file('postmaster.pid')`).Scan(&text); err != nil {
		o.t.Fatal(err)
	}
	first, _, _ := strings.Cut(text, "\n")
	pid, err := strconv.Atoi(first)
	if err != nil {
		o.t.Fatal(err)
	}
	return pid
}

// Stop ends the server at once, as pg_ctl stop -m immediate does: no session is told, and the next start
// replays the log.
func (o *Own) Stop() {
	o.t.Helper()
	if err := syscall.Kill(o.main, syscall.SIGQUIT); err != nil {
		o.t.Fatal(err)
	}
	if err := o.cluster.Stop(context.Background()); err != nil {
		o.t.Fatal(err)
	}
}

// Start starts the server again, under the same address.
func (o *Own) Start() {
	o.t.Helper()
	var err error
	if o.cluster, err = local.Start(context.Background(), local.Options{DataDir: o.dir}); err != nil {
		o.t.Fatal(err)
	}
	o.main = o.find()
}

// Halt lets no process of the server go on, so that nobody is answered and nobody is sent away, until the
// function that it gives is called.
func (o *Own) Halt() (goOn func()) {
	o.t.Helper()
	rows, err := o.OwnerPool().Query(context.Background(), `select pid from pg_stat_activity where pid <> pg_backend_pid()`)
	if err != nil {
		o.t.Fatal(err)
	}
	pids, err := pgx.CollectRows(rows, pgx.RowTo[int])
	if err != nil {
		o.t.Fatal(err)
	}
	pids = append([]int{o.main}, pids...) // first the one that would start more
	for _, pid := range pids {
		_ = syscall.Kill(pid, syscall.SIGSTOP) // one may have ended
	}
	goOn = sync.OnceFunc(func() {
		for _, pid := range pids {
			_ = syscall.Kill(pid, syscall.SIGCONT)
		}
	})
	o.t.Cleanup(goOn)
	return goOn
}

// EndSession ends one session of the program in the middle of its work. It waits for such a one at most so
// long, and tells whether there was one.
func (o *Own) EndSession(wait time.Duration) bool {
	o.t.Helper()
	for until := time.Now().Add(wait); time.Now().Before(until); {
		var n int
		err := o.OwnerPool().QueryRow(context.Background(), `
			select count(*) from (select pg_terminate_backend(pid) from pg_stat_activity
				where usename = $1 and backend_type = 'client backend' and xact_start is not null and state <> 'idle' limit 1) x`, postgres.AppRole).Scan(&n)
		if err != nil {
			o.t.Fatal(err)
		}
		if n > 0 {
			return true
		}
	}
	return false
}
