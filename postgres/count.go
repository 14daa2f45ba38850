package postgres

import (
	"context"
	"sync/atomic"

	"github.com/jackc/pgx/v5"
)

type countKey struct{}

// CountQueries gives a context whose queries are counted, so that a test can say how many a page or
// an endpoint needs. Each statement counts, those of a batch too.
func CountQueries(ctx context.Context) (context.Context, *atomic.Int64) {
	n := new(atomic.Int64)
	return context.WithValue(ctx, countKey{}, n), n
}

// QueryTracer counts for CountQueries; every pool is opened with it.
type QueryTracer struct{}

func (QueryTracer) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	if n, ok := ctx.Value(countKey{}).(*atomic.Int64); ok {
		n.Add(1)
	}
	return ctx
}

func (QueryTracer) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (QueryTracer) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return ctx
}

// TraceBatchQuery counts the statements of a batch one by one.
func (QueryTracer) TraceBatchQuery(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchQueryData) {
	if n, ok := ctx.Value(countKey{}).(*atomic.Int64); ok {
		n.Add(1)
	}
}

func (QueryTracer) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}
