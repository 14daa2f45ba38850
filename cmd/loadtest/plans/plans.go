// Package plans watches the statements of the program at work and asks the database how it carries each
// of them out: none may read the whole of a table that grows with the collection.
package plans

import (
	"context"
	"encoding/json"
	"fmt"
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

// Faults asks for the plan of every statement that was seen. large says which tables grow with the
// collection. It gives the number of plans too.
func (w *Watch) Faults(ctx context.Context, conn *pgx.Conn, large func(table string) bool) (faults []Fault, asked int, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
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
			p.Plan.walk(false, func(n node) {
				if large(n.Relation) {
					faults = append(faults, Fault{n.Relation, n.Type, sql})
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
	Cond     string `json:"Index Cond"`
	Plans    []node
}

// walk calls whole for every node that reads a table from its first row to its last. An index that is read
// in its order until a limit is reached is not read whole; limited says that such a limit stands above.
func (n node) walk(limited bool, whole func(node)) {
	switch n.Type {
	case "Limit":
		limited = true
	case "Sort", "Incremental Sort", "Hash", "Aggregate", "Materialize", "WindowAgg", "Memoize", "SetOp", "Unique", "CTE Scan":
		limited = false // it takes in everything before it gives anything, or may
	case "Seq Scan":
		whole(n)
	case "Index Scan", "Index Only Scan":
		if n.Cond == "" && !limited {
			whole(n)
		}
	}
	for _, p := range n.Plans {
		p.walk(limited, whole)
	}
}
