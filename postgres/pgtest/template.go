package pgtest

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"log/slog"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain/material"
	"farthingale/migrations"
	"farthingale/postgres"
)

const namePrefix = "farthingale_test_"

// makeTemplate migrates a database once and closes it to every session, so that copying it
// never waits. On a server that outlives the test binary the template is found again by the
// hash of what made it, and several binaries at once make it once.
func (s *server) makeTemplate(ctx context.Context) error {
	sum, err := fingerprint()
	if err != nil {
		return err
	}
	s.template = "farthingale_template_" + sum

	conn, err := s.admin.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("connect to the test server: %w", err)
	}
	defer conn.Release()
	const lock = 0x7465737473 // "tests"
	for free := false; !free; {
		if err := conn.QueryRow(ctx, "select pg_try_advisory_lock($1)", int64(lock)).Scan(&free); err != nil {
			return fmt.Errorf("lock the test template: %w", err)
		}
		if !free {
			time.Sleep(20 * time.Millisecond)
		}
	}
	defer conn.Exec(context.WithoutCancel(ctx), "select pg_advisory_unlock($1)", int64(lock))

	var ready bool
	err = conn.QueryRow(ctx, "select exists (select from pg_database where datname = $1 and datistemplate)", s.template).Scan(&ready)
	if err != nil {
		return fmt.Errorf("look for the test template: %w", err)
	}
	if ready {
		return s.sweep(ctx)
	}
	name := pgx.Identifier{s.template}.Sanitize()
	for _, sql := range []string{"drop database if exists " + name + " with (force)", "create database " + name + " template template0"} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return fmt.Errorf("make the test template: %w", err)
		}
	}
	if err := postgres.MigrateUp(ctx, s.ownerURL(s.template), slog.New(slog.DiscardHandler)); err != nil {
		return fmt.Errorf("make the test template: %w", err)
	}
	if _, err := conn.Exec(ctx, "alter database "+name+" with is_template true allow_connections false"); err != nil {
		return fmt.Errorf("close the test template: %w", err)
	}
	return s.sweep(ctx)
}

// fingerprint is a hash of everything that makes the template.
func fingerprint() (string, error) {
	h := sha256.New()
	entries, err := fs.ReadDir(migrations.Files, ".")
	if err != nil {
		return "", fmt.Errorf("list migrations: %w", err)
	}
	for _, e := range entries {
		text, err := fs.ReadFile(migrations.Files, e.Name())
		if err != nil {
			return "", fmt.Errorf("read migration: %w", err)
		}
		fmt.Fprintf(h, "%s %d\n%s", e.Name(), len(text), text)
	}
	fmt.Fprint(h, postgres.Grants())
	library, err := material.Library()
	if err != nil {
		return "", err
	}
	fmt.Fprintf(h, "%+v", library)
	return fmt.Sprintf("%x", h.Sum(nil)[:8]), nil
}

// sweep drops databases that test binaries killed more than a day ago left on a server that
// outlived them.
func (s *server) sweep(ctx context.Context) error {
	rows, _ := s.admin.Query(ctx, "select datname from pg_database where starts_with(datname, $1)", namePrefix)
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return fmt.Errorf("list old test databases: %w", err)
	}
	for _, name := range names {
		made, _, _ := strings.Cut(strings.TrimPrefix(name, namePrefix), "_")
		seconds, err := strconv.ParseInt(made, 10, 64)
		if err != nil || time.Since(time.Unix(seconds, 0)) < 24*time.Hour {
			continue
		}
		if _, err := s.admin.Exec(ctx, "drop database if exists "+pgx.Identifier{name}.Sanitize()+" with (force)"); err != nil {
			return fmt.Errorf("drop old test database %s: %w", name, err)
		}
	}
	return nil
}
