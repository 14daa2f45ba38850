package domain

import (
	"context"
	"time"
)

// Event says who did what to which record. Events are append-only in the database itself (R2).
type Event struct {
	At      time.Time
	ActorID *ID    // nil: the program itself (a job)
	Area    string // "treatment"
	Subject ID     // the record that changed
	Object  *ID    // the museum object concerned, when there is one
	Kind    string // past tense, snake_case: "submitted", "part_detached"
	Change  any    // what changed, as JSON; nil: nothing to add
}

// Raised collects the events that a record raises while a rule decides. Embed it in an
// aggregate; the store writes the events in the transaction that writes the record.
type Raised struct{ events []Event }

// Raise adds an event.
func (r *Raised) Raise(e Event) { r.events = append(r.events, e) }

// Events is what was raised since the record was read.
func (r *Raised) Events() []Event { return r.events }

// Atomic makes several writes one act: all of them happen or none. The function's context carries
// the transaction, so every store called with it takes part. A nested Do joins the outer one.
type Atomic interface {
	Do(ctx context.Context, act func(ctx context.Context) error) error
}

type atomicKey struct{}

// WithinAtomic gives the context that an Atomic's Do hands on.
func WithinAtomic(ctx context.Context) context.Context {
	return context.WithValue(ctx, atomicKey{}, true)
}

// IsAtomic says whether ctx carries a transaction, in which one thing is done after another.
func IsAtomic(ctx context.Context) bool { return ctx.Value(atomicKey{}) != nil }
