package postgres

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/golang-migrate/migrate/v4"
	migratedb "github.com/golang-migrate/migrate/v4/database"
	migratepgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"

	"farthingale/migrations"
)

// migrateLock is the number of the advisory lock that a copy holds while it migrates.
const migrateLock = 0x6661727468 // "farth"

// Step is one numbered migration.
type Step struct {
	Version uint
	Name    string // "collection_search"
}

// Status says how far the tables are.
type Status struct {
	Version uint   // the last step made; 0 is none
	Dirty   bool   // step Version was begun and never ended
	Pending []Step // steps that this program knows and the tables lack, in order
	Latest  uint   // the last step that this program knows
}

// MigrateUp brings the tables up to date: our steps, then those of the job queue, then the
// rights of AppRole, then the library of materials and the words for damage. It waits while another copy does the same.
func MigrateUp(ctx context.Context, ownerURL string, log *slog.Logger) error {
	if err := newMigration(ownerURL, migrations.Files, log).up(ctx); err != nil {
		return err
	}
	if err := loadLibrary(ctx, ownerURL); err != nil {
		return err
	}
	return loadTerms(ctx, ownerURL)
}

// MigrateDown takes the last steps back, at most as many as were made. It removes the tables
// of the job queue with our first step.
func MigrateDown(ctx context.Context, ownerURL string, steps int, log *slog.Logger) error {
	return newMigration(ownerURL, migrations.Files, log).down(ctx, steps)
}

// MigrateStatus tells how far the tables are. It changes nothing.
func MigrateStatus(ctx context.Context, ownerURL string) (Status, error) {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return Status{}, fmt.Errorf("connect to the database: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	return newMigration(ownerURL, migrations.Files, nil).status(ctx, conn)
}

// migration is the numbered files and the database they are for.
type migration struct {
	ownerURL string
	files    fs.FS
	log      *slog.Logger
}

func newMigration(ownerURL string, files fs.FS, log *slog.Logger) migration {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return migration{ownerURL, files, log}
}

func (m migration) up(ctx context.Context) error {
	return m.locked(ctx, func(conn *pgx.Conn, before Status) error {
		if before.Version > before.Latest {
			return fmt.Errorf("the tables were made by a newer version of this program (step %d; this one knows them up to %d). Start the newer program",
				before.Version, before.Latest)
		}
		if err := ensureAppRole(ctx, conn, false); err != nil {
			return err
		}
		if len(before.Pending) > 0 {
			if err := m.run(ctx, len(before.Pending), before.Version); err != nil {
				return err
			}
			m.log.Info("migrated", "from", before.Version, "to", before.Latest)
		}
		if err := m.river(ctx, rivermigrate.DirectionUp, nil); err != nil {
			return err
		}
		return grant(ctx, conn)
	})
}

func (m migration) down(ctx context.Context, steps int) error {
	if steps < 1 {
		return fmt.Errorf("take back migrations: %d is no number of steps", steps)
	}
	return m.locked(ctx, func(conn *pgx.Conn, before Status) error {
		made, err := m.steps(func(v uint) bool { return v <= before.Version })
		if err != nil {
			return err
		}
		if len(made) == 0 {
			return errors.New("take back migrations: none was made")
		}
		if steps >= len(made) {
			steps = len(made)
			err := m.river(ctx, rivermigrate.DirectionDown, &rivermigrate.MigrateOpts{TargetVersion: -1})
			if err != nil {
				return err
			}
		}
		if err := m.run(ctx, -steps, before.Version); err != nil {
			return err
		}
		m.log.Info("took back migrations", "from", before.Version, "steps", steps)
		return nil
	})
}

// locked runs do while no other copy migrates, on tables that are not dirty. It asks for the
// lock again and again instead of waiting in the database: a session that waits there holds a
// snapshot, and `create index concurrently` of the copy ahead would wait for that one.
func (m migration) locked(ctx context.Context, do func(*pgx.Conn, Status) error) error {
	conn, err := pgx.Connect(ctx, m.ownerURL)
	if err != nil {
		return fmt.Errorf("connect to the database as its owner: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx)) // frees the lock too
	for told := false; ; told = true {
		var free bool
		if err := conn.QueryRow(ctx, "select pg_try_advisory_lock($1)", int64(migrateLock)).Scan(&free); err != nil {
			return fmt.Errorf("lock the migrations: %w", err)
		}
		if free {
			break
		}
		if !told {
			m.log.Info("waiting for another copy that migrates the tables")
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("wait for another copy that migrates the tables: %w", ctx.Err())
		case <-time.After(50 * time.Millisecond):
		}
	}
	status, err := m.status(ctx, conn)
	if err != nil {
		return err
	}
	if status.Dirty {
		return m.dirtyError(status)
	}
	return do(conn, status)
}

func (m migration) status(ctx context.Context, conn *pgx.Conn) (Status, error) {
	var s Status
	var exists bool
	if err := conn.QueryRow(ctx, "select to_regclass('schema_migrations') is not null").Scan(&exists); err != nil {
		return s, fmt.Errorf("read how far the tables are: %w", err)
	}
	if exists {
		err := conn.QueryRow(ctx, "select version, dirty from schema_migrations").Scan(&s.Version, &s.Dirty)
		if err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return s, fmt.Errorf("read how far the tables are: %w", err)
		}
	}
	all, err := m.steps(func(uint) bool { return true })
	if err != nil {
		return s, err
	}
	for _, step := range all {
		if step.Version > s.Version {
			s.Pending = append(s.Pending, step)
		}
		s.Latest = step.Version
	}
	return s, nil
}

// steps lists the files, in order, whose version is wanted.
func (m migration) steps(wanted func(version uint) bool) ([]Step, error) {
	entries, err := fs.ReadDir(m.files, ".")
	if err != nil {
		return nil, fmt.Errorf("list migrations: %w", err)
	}
	var steps []Step
	for _, e := range entries {
		f, err := source.DefaultParse(e.Name())
		if err == nil && f.Direction == source.Up && wanted(f.Version) {
			steps = append(steps, Step{f.Version, f.Identifier})
		}
	}
	slices.SortFunc(steps, func(a, b Step) int { return int(a.Version) - int(b.Version) })
	return steps, nil
}

// run lets the migration library make so many steps, or take so many back when steps is negative. It stops between
// two when ctx ends: the library's own way to stop is unsafe between its goroutines.
func (m migration) run(ctx context.Context, steps int, before uint) error {
	files, err := iofs.New(m.files, ".")
	if err != nil {
		return fmt.Errorf("list migrations: %w", err)
	}
	config, err := pgx.ParseConfig(m.ownerURL)
	if err != nil {
		return fmt.Errorf("read the owner's database URL: %w", err)
	}
	driver, err := migratepgx.WithInstance(stdlib.OpenDB(*config), &migratepgx.Config{})
	if err != nil {
		return fmt.Errorf("connect to the database as its owner: %w", err)
	}
	runner, err := migrate.NewWithInstance("iofs", files, "pgx5", driver)
	if err != nil {
		return fmt.Errorf("prepare migrations: %w", err)
	}
	defer runner.Close()
	one := 1
	if steps < 0 {
		one, steps = -1, -steps
	}
	for range steps {
		if err := ctx.Err(); err != nil {
			return err
		}
		err := runner.Steps(one)
		var refused migratedb.Error
		switch {
		case errors.As(err, &refused):
			return m.refused(runner, refused, before)
		case err != nil:
			return fmt.Errorf("migrate: %w", err)
		}
	}
	return ctx.Err()
}

// refused words a step that the database refuses. A file is one transaction, so nothing of
// it is left, and the mark that the library set before the step is taken off again: the next
// start tries anew. Only `create index concurrently` may leave half an index behind.
func (m migration) refused(runner *migrate.Migrate, e migratedb.Error, before uint) error {
	marked, dirty, err := runner.Version()
	if err != nil && !errors.Is(err, migrate.ErrNilVersion) {
		return fmt.Errorf("migrate: line %d: %w", e.Line, e.OrigErr)
	}
	steps, err := m.steps(func(uint) bool { return true })
	if err != nil {
		return err
	}
	// Going up, the mark is on the refused step; going down, on the step below it.
	stands, failed := -1, Step{}
	for i, step := range steps {
		up := marked > before
		switch {
		case up && step.Version < marked:
			stands = int(step.Version)
		case up && step.Version == marked:
			failed = step
		case !up && step.Version > marked && failed.Version == 0:
			stands, failed = int(step.Version), steps[i]
		}
	}
	said := fmt.Errorf("migration %d (%s) is refused in line %d: %w%s", failed.Version, failed.Name, e.Line, e.OrigErr, hint(e.OrigErr))
	if !dirty || strings.Contains(strings.ToLower(string(e.Query)), "concurrently") {
		return said
	}
	if err := runner.Force(stands); err != nil {
		return errors.Join(said, err)
	}
	return said
}

// hint is what helps against a fault that is not the migration's.
func hint(err error) string {
	pgErr := new(pgconn.PgError)
	if !errors.As(err, &pgErr) {
		return ""
	}
	switch pgErr.Code {
	case "58P01", "0A000": // undefined_file, feature_not_supported
		if strings.Contains(pgErr.Message, "extension") {
			return "\nThe database lacks an extension that comes with Postgres. On many systems it is in the package postgresql-contrib."
		}
	case "42501": // insufficient_privilege
		return "\nThe login that migrates must own the database (alter database … owner to …), or name one that does with the owner's database URL."
	}
	return ""
}

// dirtyError words a step that was cut off: the program or its connection ended in the
// middle, so that nobody noted whether the database kept the step.
func (m migration) dirtyError(s Status) error {
	name, below := "", "delete from schema_migrations"
	steps, err := m.steps(func(uint) bool { return true })
	if err != nil {
		return err
	}
	for _, step := range steps {
		if step.Version < s.Version {
			below = fmt.Sprintf("update schema_migrations set version = %d, dirty = false", step.Version)
		}
		if step.Version == s.Version {
			name = step.Name
		}
	}
	return fmt.Errorf(`migration %d (%s) was cut off, and nobody noted whether the database kept it. Nothing has run since.
Look whether its tables are there, then run one of these as the owner and start again:
  they are there:  update schema_migrations set dirty = false
  they are not:    %s`, s.Version, name, below)
}

// river moves the tables of the job queue.
func (m migration) river(ctx context.Context, direction rivermigrate.Direction, options *rivermigrate.MigrateOpts) error {
	pool, err := pgxpool.New(ctx, m.ownerURL)
	if err != nil {
		return fmt.Errorf("connect to the database as its owner: %w", err)
	}
	defer pool.Close()
	migrator, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return fmt.Errorf("prepare the job queue's migrations: %w", err)
	}
	if _, err := migrator.Migrate(ctx, direction, options); err != nil {
		return fmt.Errorf("migrate the job queue: %w", err)
	}
	return nil
}
