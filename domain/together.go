package domain

import (
	"cmp"
	"context"
	"sync"
	"sync/atomic"
)

// atOnceMost is how many readings of one page run at a time, so that one page does not take all
// connections of the pool.
const atOnceMost = 4

// Together does n readings of a page, several at once but within a transaction, and waits for all. Whoever asks
// does some of them. A panic goes on here, where the server answers it; in a goroutine of its own it would end the
// program.
func Together(ctx context.Context, n int, read func(i int) error) error {
	errs, panics := make([]error, n), make([]any, n)
	one := func(i int) {
		defer func() { panics[i] = recover() }()
		errs[i] = read(i)
	}
	var begun atomic.Int64
	some := func() {
		for i := int(begun.Add(1)) - 1; i < n; i = int(begun.Add(1)) - 1 {
			one(i)
		}
	}
	atOnce := min(n, atOnceMost)
	if IsAtomic(ctx) {
		atOnce = 1
	}
	var others sync.WaitGroup
	for range atOnce - 1 {
		others.Go(some)
	}
	some()
	others.Wait()
	for _, p := range panics {
		if p != nil {
			panic(p)
		}
	}
	return cmp.Or(errs...)
}
