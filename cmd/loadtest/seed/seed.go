package seed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/finding"
	"farthingale/domain/people"
	"farthingale/domain/photo"
	"farthingale/domain/record"
	"farthingale/postgres"
)

// Options say what is invented.
type Options struct {
	Objects  int
	Seed     uint64
	Until    time.Time   // the day up to which it goes; later days are the load's
	Site     domain.Site // by whose terms approvals lapse
	Password string      // of everybody
	Writers  int         // connections that write side by side; 0: two
	// Unchecked leaves foreign keys and triggers out while it writes, which takes about half the time and
	// a superuser of the database. The rows are the same as with them.
	Unchecked bool
	Again     bool      // compute all findings a second time, to measure it
	Pictures  int       // drawn pictures that photographs share, eight or more; 0: 100
	Progress  io.Writer // told now and then; nil: nobody
}

// Database is what is filled.
type Database struct {
	OwnerURL string
	Files    photo.Files
	Head     func(context.Context) (record.Head, error)
}

// objectsInBatch is how many objects go into one transaction.
const objectsInBatch = 500

// Fill fills an empty, migrated database. One in which anybody has an account is refused: what is invented
// does not belong beside what is true. A filling that is broken off leaves what it has written; throw that
// database away.
func Fill(ctx context.Context, to Database, o Options) error {
	if o.Objects < 1 || o.Objects > 1<<40 {
		return fmt.Errorf("%d objects cannot be invented", o.Objects)
	}
	if o.Writers == 0 {
		o.Writers = 2
	}
	if o.Pictures == 0 {
		o.Pictures = 100
	}
	o.Until = o.Until.UTC().Truncate(time.Second)
	if o.Progress == nil {
		o.Progress = io.Discard
	}
	conn, err := pgx.Connect(ctx, to.OwnerURL)
	if err != nil {
		return fmt.Errorf("connect as the owner: %w", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	var anybody bool
	if err := conn.QueryRow(ctx, `select exists (select from person) or exists (select from object)`).Scan(&anybody); err != nil {
		return fmt.Errorf("look whether the database is empty: %w", err)
	}
	if anybody {
		return errors.New("this database is in use: there are people or objects in it. Only an empty one is filled with what is invented")
	}
	m, err := prepare(ctx, conn, to, o)
	if err != nil {
		return err
	}
	head, err := to.Head(ctx)
	if err != nil {
		return err
	}
	f := &filling{museum: m, url: to.OwnerURL, chain: newChain(head, o.Until), conn: conn, began: time.Now()}
	if err := f.run(ctx); err != nil {
		return err
	}
	if err := f.settle(ctx); err != nil {
		return err
	}
	return f.findings(ctx)
}

// prepare draws the pictures and writes what all objects share.
func prepare(ctx context.Context, conn *pgx.Conn, to Database, o Options) (*museum, error) {
	rows, _ := conn.Query(ctx, `select key, name, family, hazard_kinds from material order by key`)
	library, err := pgx.CollectRows(rows, pgx.RowToStructByName[listed])
	if err != nil {
		return nil, fmt.Errorf("read the library of materials: %w", err)
	}
	pictures, err := drawn(ctx, to.Files, o.Seed, o.Pictures, o.Until)
	if err != nil {
		return nil, err
	}
	m := newMuseum(o, library, pictures)
	terms, err := examination.Published()
	if err != nil {
		return nil, err
	}
	m.terms = &examination.Terms{All: terms}
	hash, err := people.HashPassword(domain.Secret(o.Password))
	if err != nil {
		return nil, err
	}
	return m, pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error { return m.write(ctx, tx, hash) })
}

// write writes people and places.
func (m *museum) write(ctx context.Context, tx pgx.Tx, hash string) error {
	var persons, sites, stays [][]any
	for _, p := range m.staff {
		persons = append(persons, []any{p.ID, p.Name, p.SignInName, roles(p.Roles), p.Departments, hash, p.Version, p.CreatedAt})
	}
	keeper := m.workers[domain.Registrar][0].ID
	d := newDice(m.Seed, placeDice+100)
	for _, p := range m.places {
		var parent *domain.ID
		if p.parent != (domain.ID{}) {
			parent = &p.parent
		}
		at := m.began.AddDate(0, 0, -20)
		sites = append(sites, []any{p.id, parent, p.kind, p.name, p.code, p.sensitive, int64(1), at, keeper})
		stays = append(stays, []any{d.id(at), p.id, parent, from(at, time.Time{}), "first record of the place", keeper, keeper, at})
	}
	for _, t := range []struct {
		name    string
		columns []string
		rows    [][]any
	}{
		{"person", []string{"id", "name", "sign_in_name", "roles", "departments", "password_hash", "version", "created_at"}, persons},
		{"place", []string{"id", "parent_id", "kind", "name", "code", "sensitive", "version", "created_at", "created_by"}, sites},
		{"place_parent", []string{"id", "place_id", "parent_id", "during", "reason", "authorised_by", "recorded_by", "recorded_at"}, stays},
	} {
		if err := copyInto(ctx, tx, t.name, t.columns, t.rows); err != nil {
			return err
		}
	}
	return nil
}

// filling is a filling under way: writers take batches as they come, and one hand chains the seals in the
// order of the objects.
type filling struct {
	*museum
	url   string
	conn  *pgx.Conn // of the seals
	chain *chain
	began time.Time

	mu      sync.Mutex
	next    int              // the batch that a writer takes next
	sealed  int              // batches whose seals are chained
	waiting map[int][]signed // documents of written batches that wait for their turn
	told    time.Time
}

func (f *filling) batches() int { return (f.Objects + objectsInBatch - 1) / objectsInBatch }

func (f *filling) run(ctx context.Context) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	f.waiting, f.told = map[int][]signed{}, time.Now()
	var writers sync.WaitGroup
	for range f.Writers {
		writers.Go(func() {
			if err := f.writer(ctx); err != nil {
				stop(err)
			}
		})
	}
	writers.Wait()
	return context.Cause(ctx)
}

// writer invents and writes batches until none is left.
func (f *filling) writer(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, f.url)
	if err != nil {
		return fmt.Errorf("connect as the owner: %w", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	// Triggers keep the plans of their first row, which was written into an empty table. Compiling
	// those plans would take longer than all else.
	if _, err := conn.Exec(ctx, `set enable_seqscan = off; set jit = off`); err != nil {
		return fmt.Errorf("keep to the indexes: %w", err)
	}
	if f.Unchecked {
		if _, err := conn.Exec(ctx, `set session_replication_role = replica`); err != nil {
			return fmt.Errorf("leave out foreign keys and triggers: %w", err)
		}
	}
	for ctx.Err() == nil {
		f.mu.Lock()
		n := f.next
		f.next++
		f.mu.Unlock()
		if n >= f.batches() {
			return nil
		}
		b := &batch{}
		for i := n * objectsInBatch; i < min((n+1)*objectsInBatch, f.Objects); i++ {
			if err := f.invent(b, i); err != nil {
				return err
			}
		}
		if err := b.write(ctx, conn); err != nil {
			return err
		}
		if err := f.hand(ctx, n, b.signed); err != nil {
			return err
		}
	}
	return nil
}

// hand chains what a written batch has to be sealed, and what waited for it.
func (f *filling) hand(ctx context.Context, n int, documents []signed) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.waiting[n] = documents
	for {
		documents, ok := f.waiting[f.sealed]
		if !ok {
			break
		}
		delete(f.waiting, f.sealed)
		f.sealed++
		seals, err := f.chain.seal(ctx, documents)
		if err != nil {
			return err
		}
		if err := writeSeals(ctx, f.conn, seals); err != nil {
			return err
		}
	}
	if done := min(f.sealed*objectsInBatch, f.Objects); time.Since(f.told) > 10*time.Second || done == f.Objects {
		f.told = time.Now()
		took := time.Since(f.began)
		_, _ = fmt.Fprintf(f.Progress, "%9d of %d objects after %7s, %.0f objects a second\n", done, f.Objects, took.Round(time.Second), float64(done)/took.Seconds())
	}
	return nil
}

// settle lets the next event have the next number, and tells the planner what there is.
func (f *filling) settle(ctx context.Context) error {
	if _, err := f.conn.Exec(ctx, `select setval(pg_get_serial_sequence('event', 'id'), greatest((select max(id) from event), 1))`); err != nil {
		return fmt.Errorf("number the next event: %w", err)
	}
	if _, err := f.conn.Exec(ctx, `vacuum (analyze)`); err != nil {
		return fmt.Errorf("vacuum and analyse: %w", err)
	}
	return nil
}

// findings computes what endangers what in every object, as the program's job does, and says how long it
// took, by so many workers as there were writers.
func (f *filling) findings(ctx context.Context) error {
	pool, err := pgxpool.New(ctx, f.url)
	if err != nil {
		return fmt.Errorf("connect as the owner: %w", err)
	}
	defer pool.Close()
	// Every object is due once because nothing was computed before; not once for each table.
	if _, err := pool.Exec(ctx, `truncate finding_due`); err != nil {
		return fmt.Errorf("forget what is due: %w", err)
	}
	service, err := finding.NewService(postgres.NewFinding(postgres.NewDB(pool)), time.UTC, func() time.Time { return f.Until })
	if err != nil {
		return err
	}
	for _, when := range []string{"first", "again"} {
		began := time.Now()
		n, err := service.Compute(ctx, f.Writers, f.Until.Add(time.Second))
		if err != nil {
			return fmt.Errorf("compute findings: %w", err)
		}
		took := time.Since(began)
		_, _ = fmt.Fprintf(f.Progress, "findings of %d objects computed, %s, in %s: 100 000 objects in %.0f s\n", n, when, took.Round(time.Millisecond), took.Seconds()/float64(max(n, 1))*100000)
		if when == "again" || !f.Again {
			break
		}
		if _, err := pool.Exec(ctx, `insert into finding_due (object_id) select id from object`); err != nil {
			return fmt.Errorf("have findings computed again: %w", err)
		}
	}
	if _, err := pool.Exec(ctx, `vacuum (analyze) finding, finding_computed, finding_due`); err != nil {
		return fmt.Errorf("vacuum and analyse: %w", err)
	}
	return nil
}

// Counted is a table with its rows, as Count finds them.
type Counted struct {
	Table string
	Rows  int64
	Bytes int64 // with its indexes
}

// Count counts the rows of the tables that are filled, and says how large the database is.
func Count(ctx context.Context, ownerURL string) (tables []Counted, bytes int64, err error) {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return nil, 0, fmt.Errorf("connect as the owner: %w", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	for _, name := range append([]string{"place"}, Growing()...) {
		c := Counted{Table: name}
		if err := conn.QueryRow(ctx, `select count(*), pg_total_relation_size($1::regclass) from `+pgx.Identifier{name}.Sanitize(), name).Scan(&c.Rows, &c.Bytes); err != nil {
			return nil, 0, fmt.Errorf("count %s: %w", name, err)
		}
		tables = append(tables, c)
	}
	err = conn.QueryRow(ctx, `select pg_database_size(current_database())`).Scan(&bytes)
	return tables, bytes, err
}
