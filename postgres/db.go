// Package postgres keeps what the laboratory knows. One file per area, its SQL beside its use;
// db.go holds what they share: transactions, events, and words for what the database refuses.
package postgres

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/domain"
)

// DB is a pool of connections as the role that owns nothing. It implements domain.Atomic.
type DB struct{ pool *pgxpool.Pool }

// NewDB wraps a pool.
func NewDB(pool *pgxpool.Pool) *DB { return &DB{pool: pool} }

// querier is a pool or a transaction.
type querier interface {
	Exec(ctx context.Context, sql string, arguments ...any) (pgconn.CommandTag, error)
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

type txKey struct{}

// begun is the transaction that a context carries, with what is to be done after its commit.
type begun struct {
	pgx.Tx
	afterwards []func()
}

// afterwards does something once the outermost transaction that ctx carries is kept, or may be.
func afterwards(ctx context.Context, do func()) {
	tx := ctx.Value(txKey{}).(*begun)
	tx.afterwards = append(tx.afterwards, do)
}

// q is the transaction that ctx carries, else the pool.
func (db *DB) q(ctx context.Context) querier {
	if tx, ok := ctx.Value(txKey{}).(*begun); ok {
		return tx
	}
	return db.pool
}

// Do runs act in one transaction that its context carries. A nested Do takes part in the outer
// transaction. Deadlocks and serialisation failures are tried again, here and nowhere else.
func (db *DB) Do(ctx context.Context, act func(ctx context.Context) error) error {
	if _, ok := ctx.Value(txKey{}).(*begun); ok {
		return act(ctx)
	}
	for try := 1; ; try++ {
		err := db.once(ctx, act)
		var pgErr *pgconn.PgError
		if try == 4 || !errors.As(err, &pgErr) || (pgErr.Code != "40001" && pgErr.Code != "40P01") {
			return fault(err, "transaction")
		}
		wait := time.Duration(try*10+rand.IntN(20)) * time.Millisecond // #nosec G404 -- jitter, not a secret
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
	}
}

// once is one try of Do.
func (db *DB) once(ctx context.Context, act func(ctx context.Context) error) error {
	begin, err := db.pool.Begin(ctx)
	if err != nil {
		return err
	}
	tx := &begun{Tx: begin}
	defer func() { _ = tx.Rollback(ctx) }() // does nothing after the commit, and after a panic what is right
	if err := act(context.WithValue(domain.WithinAtomic(ctx), txKey{}, tx)); err != nil {
		return err
	}
	err = tx.Commit(ctx)
	for _, do := range tx.afterwards {
		do()
	}
	if lost(err) {
		// The commit was on its way; nobody can say whether it arrived.
		return &domain.Error{Kind: domain.KindUnavailable, Code: "outcome_unknown", RetryAfterSeconds: 2, Err: fmt.Errorf("commit: %w", err),
			Message: "The database broke off before it said whether this was kept. Look whether it is there before you do it again; a program sends it again with the same Idempotency-Key."}
	}
	return err
}

// lost says whether err is that of a connection that broke, or of a database that gave no answer in time.
func lost(err error) bool {
	var network net.Error
	var connecting *pgconn.ConnectError
	return errors.As(err, &network) || errors.As(err, &connecting) || pgconn.SafeToRetry(err) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) ||
		errors.Is(err, net.ErrClosed) || errors.Is(err, context.DeadlineExceeded)
}

// Stat tells of the pool of connections.
func (db *DB) Stat() *pgxpool.Stat { return db.pool.Stat() }

// tx is Do for a store's function that speaks to the transaction itself.
func (db *DB) tx(ctx context.Context, act func(ctx context.Context, tx pgx.Tx) error) error {
	return db.Do(ctx, func(ctx context.Context) error {
		return act(ctx, ctx.Value(txKey{}).(*begun))
	})
}

// addEvents writes events in the transaction that ctx carries.
func (db *DB) addEvents(ctx context.Context, events ...domain.Event) error {
	if len(events) == 0 {
		return nil
	}
	batch := &pgx.Batch{}
	for _, e := range events {
		var change []byte
		if e.Change != nil {
			var err error
			if change, err = json.Marshal(e.Change); err != nil {
				return fmt.Errorf("encode event %s %s: %w", e.Area, e.Kind, err)
			}
		}
		batch.Queue(`
			insert into event (at, actor_id, area, subject_id, object_id, kind, change)
			values ($1, $2, $3, $4, $5, $6, $7)`,
			e.At, e.ActorID, e.Area, e.Subject, e.Object, e.Kind, change)
	}
	return fault(db.q(ctx).SendBatch(ctx, batch).Close(), "write events")
}

// where joins the conditions that stand. Postgres keeps the plan of a statement that asks only what it
// needs; with "(@x is null or …)" it plans each time anew, which takes longer than reading a page. That is
// wanted only for what is unevenly spread, a state or a department, where the best plan hangs on the value.
func where(conditions ...string) string {
	if all := both(conditions...); all != "" {
		return " where " + all
	}
	return ""
}

// both joins the conditions that stand, and is empty when none does.
func both(conditions ...string) string {
	return strings.Join(slices.DeleteFunc(conditions, func(c string) bool { return c == "" }), " and ")
}

// given is the condition when its value is given, else nothing.
func given(yes bool, condition string) string {
	if yes {
		return condition
	}
	return ""
}

// among says that a column is one of some ids. One alone is compared with, for which a plan is kept.
func among(column string, ids []domain.ID) (condition string, arg any) {
	if len(ids) == 1 {
		return column + " = $1", ids[0]
	}
	return column + " = any ($1)", ids
}

// said turns the name of a constraint into a sentence. Every constraint of the schema that a
// person's input can meet has words here; a test lists pg_constraint and fails on one without.
// Areas add theirs in their own files, through words.
var said = words(
	recordWords,
	peopleWords,
	collectionWords,
	materialWords,
	handlingWords,
	movementWords,
	fileWords,
	photoWords, alignmentWords, markWords,
	agendaWords,
	loanWords,
	treatmentWords,
	enclosureWords,
	findingWords,
	materialTestWords,
	examinationWords,
	measurementWords,
	investigationWords,
	surveyWords,
	incidentWords,
)

// words joins the areas' sentences.
func words(areas ...map[string]*domain.Error) map[string]*domain.Error {
	all := map[string]*domain.Error{}
	for _, area := range areas {
		for name, e := range area {
			all[name] = e
		}
	}
	return all
}

// fault says what was attempted, and turns what the database refuses into words for a person.
// A nil err stays nil; an error that already is a *domain.Error is returned as it is.
func fault(err error, attempt string, args ...any) error {
	if err == nil {
		return nil
	}
	var known *domain.Error
	if errors.As(err, &known) {
		return err
	}
	what := fmt.Sprintf(attempt, args...)
	if errors.Is(err, pgx.ErrNoRows) {
		return &domain.Error{Kind: domain.KindNotFound, Code: "not_found", Message: "There is nothing under this address.", Err: fmt.Errorf("%s: %w", what, err)}
	}
	var pgErr *pgconn.PgError
	if errors.As(err, &pgErr) {
		if e, ok := said[pgErr.ConstraintName]; ok && pgErr.ConstraintName != "" {
			copied := *e
			copied.Err = fmt.Errorf("%s: %w", what, err)
			return &copied
		}
		switch {
		case pgErr.Code == "22021" || pgErr.Code == "22P05": // bad UTF-8, NUL
			return &domain.Error{Kind: domain.KindInvalid, Code: "text", Message: "The text holds characters that cannot be kept.", Err: fmt.Errorf("%s: %w", what, err)}
		case pgErr.Code[:2] == "08" || pgErr.Code[:2] == "57" || pgErr.Code[:2] == "53":
			return unavailable(fmt.Errorf("%s: %w", what, err))
		}
		return fmt.Errorf("%s: %w", what, err)
	}
	if lost(err) {
		return unavailable(fmt.Errorf("%s: %w", what, err))
	}
	return fmt.Errorf("%s: %w", what, err)
}

func unavailable(err error) *domain.Error {
	return &domain.Error{Kind: domain.KindUnavailable, Code: "unavailable", RetryAfterSeconds: 2,
		Message: "The database does not answer at this moment. Nothing was changed; try again.", Err: err}
}

// refusedByDatabase is the sentence for constraints that only a fault of the program can meet.
func refusedByDatabase(what string) *domain.Error {
	return &domain.Error{Kind: domain.KindRefused, Code: "refused", Message: what}
}
