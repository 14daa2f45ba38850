package domain

import (
	"cmp"
	"context"
	"sync"
)

// atOnceMost is how many readings of one page run at a time, so that one page does not take all
// connections of the pool.
const atOnceMost = 4

// Together does n readings of a page, several at once but within a transaction, and waits for all. A panic goes on
// here, where the server answers it; in a goroutine of its own it would end the program.
func Together(ctx context.Context, n int, read func(i int) error) error {
	errs, panics := make([]error, n), make([]any, n)
	atOnce := atOnceMost
	if IsAtomic(ctx) {
		atOnce = 1
	}
	room := make(chan struct{}, atOnce)
	var all sync.WaitGroup
	for i := range n {
		room <- struct{}{}
		all.Go(func() {
			defer func() {
				panics[i] = recover()
				<-room
			}()
			errs[i] = read(i)
		})
	}
	all.Wait()
	for _, p := range panics {
		if p != nil {
			panic(p)
		}
	}
	return cmp.Or(errs...)
}
