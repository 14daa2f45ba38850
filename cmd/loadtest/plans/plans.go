// Package plans watches the statements of the program at work and asks the database how it carries each
// of them out: none may read the whole of a table that grows with the collection.
package plans

import (
	"context"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/jackc/pgx/v5"
)

// Watch keeps every statement that is sent on the connections whose tracer it is, with the values of its
// first use.
type Watch struct {
	mu    sync.Mutex
	seen  map[string][]any
	order []string
}

func (w *Watch) keep(sql string, args []any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.seen == nil {
		w.seen = map[string][]any{}
	}
	if _, known := w.seen[sql]; known || !planned(sql) {
		return
	}
	w.seen[sql] = slices.Clone(args)
	w.order = append(w.order, sql)
}

// planned says whether the database makes a plan for a statement.
func planned(sql string) bool {
	word, _, _ := strings.Cut(strings.TrimLeft(sql, " \n\t("), " ")
	word, _, _ = strings.Cut(word, "\n")
	return slices.Contains([]string{"select", "with", "insert", "update", "delete"}, strings.ToLower(strings.TrimSpace(word)))
}

// TraceQueryStart keeps a statement.
func (w *Watch) TraceQueryStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceQueryStartData) context.Context {
	w.keep(d.SQL, d.Args)
	return ctx
}

// TraceQueryEnd does nothing.
func (w *Watch) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// TraceBatchStart does nothing.
func (w *Watch) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return ctx
}

// TraceBatchQuery keeps a statement of a batch.
func (w *Watch) TraceBatchQuery(_ context.Context, _ *pgx.Conn, d pgx.TraceBatchQueryData) {
	w.keep(d.SQL, d.Args)
}

// TraceBatchEnd does nothing.
func (w *Watch) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

// Fault is a statement that reads the whole of a table.
type Fault struct {
	Table, Node, SQL string
}

func (f Fault) String() string {
	return f.Node + " of the whole of " + f.Table + " in: " + strings.Join(strings.Fields(f.SQL), " ")
}

// index is how an index begins: a search that says nothing of it goes through the whole index.
type index struct {
	Table, First string
}

// indexes are the trees, by name; an index of another kind has no beginning.
func indexes(ctx context.Context, conn *pgx.Conn) (map[string]index, error) {
	rows, err := conn.Query(ctx, `
		select i.relname, t.relname, pg_get_indexdef(x.indexrelid, 1, true)
		from pg_index x join pg_class i on i.oid = x.indexrelid join pg_class t on t.oid = x.indrelid join pg_am a on a.oid = i.relam
		where a.amname = 'btree' and i.relnamespace = 'public'::regnamespace`)
	if err != nil {
		return nil, err
	}
	all := map[string]index{}
	var name string
	var x index
	_, err = pgx.ForEachRow(rows, []any{&name, &x.Table, &x.First}, func() error {
		all[name] = x
		return nil
	})
	return all, err
}

// words are the names in a condition or in what an index is of.
var words = regexp.MustCompile(`\w+`)

// begins says whether a condition says something of the beginning of the index.
func (x index) begins(cond string) bool {
	said := words.FindAllString(cond, -1)
	of := words.FindAllString(x.First, -1)
	return slices.Contains(said, of[min(1, len(of)-1)]) // a column, or what a function is of
}

// Faults asks for the plan of every statement that was seen. large says which tables grow with the
// collection. It gives the number of plans too.
func (w *Watch) Faults(ctx context.Context, conn *pgx.Conn, large func(table string) bool) (faults []Fault, asked int, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	trees, err := indexes(ctx, conn)
	if err != nil {
		return nil, 0, fmt.Errorf("list the indexes: %w", err)
	}
	for _, sql := range w.order {
		var text []byte
		if err := conn.QueryRow(ctx, "explain (format json) "+sql, w.seen[sql]...).Scan(&text); err != nil {
			return nil, 0, fmt.Errorf("explain %s: %w", sql, err)
		}
		asked++
		var plans []struct{ Plan node }
		if err := json.Unmarshal(text, &plans); err != nil {
			return nil, 0, fmt.Errorf("read the plan of %s: %w", sql, err)
		}
		for _, p := range plans {
			p.Plan.walk(false, trees, func(n node) {
				table := n.Relation
				if table == "" {
					table = trees[n.Index].Table
				}
				if large(table) {
					faults = append(faults, Fault{table, n.Type, sql})
				}
			})
		}
	}
	return faults, asked, nil
}

// node is a step of a plan.
type node struct {
	Type     string `json:"Node Type"`
	Relation string `json:"Relation Name"`
	Index    string `json:"Index Name"`
	Cond     string `json:"Index Cond"`
	Plans    []node
}

// walk calls whole for every node that reads a table, or an index of it, from the first row to the last. An index
// that is read in its order until a limit is reached is not read whole; limited says that such a limit stands above.
func (n node) walk(limited bool, trees map[string]index, whole func(node)) {
	switch n.Type {
	case "Limit":
		limited = true
	case "Sort", "Incremental Sort", "Hash", "Aggregate", "Materialize", "WindowAgg", "Memoize", "SetOp", "Unique", "CTE Scan":
		limited = false // it takes in everything before it gives anything, or may
	case "Seq Scan":
		whole(n)
	case "Index Scan", "Index Only Scan":
		if tree, ok := trees[n.Index]; !limited && (n.Cond == "" || ok && !tree.begins(n.Cond)) {
			whole(n)
		}
	case "Bitmap Index Scan": // without a condition it is an index of just the rows that are asked for
		if tree, ok := trees[n.Index]; ok && n.Cond != "" && !tree.begins(n.Cond) {
			whole(n)
		}
	}
	for _, p := range n.Plans {
		p.walk(limited, trees, whole)
	}
}
