package postgres

import (
	"context"
	"sync"
	"time"

	"farthingale/domain/people"
)

// bearerChannel is where the database tells of every change of a token, or of a person who may bear one.
const bearerChannel = "bearer"

const (
	// bearerLasts is how long a bearer is remembered at most: so long a token acts that was revoked while what
	// the database tells was lost on its way.
	bearerLasts = 5 * time.Second
	bearersMost = 1000
	hearAgain   = time.Second
)

// bearers remembers who bears the tokens that were read a moment ago, so that not every request of the API begins
// with a question to the database. It remembers only while this copy of the program hears of changes, and forgets all
// at each: of its own once they are kept, of others' when the database tells of them.
type bearers struct {
	mu     sync.Mutex
	hears  bool
	forgot uint64 // how often: what was read before is not remembered after
	kept   map[string]keptBearer
	lasts  time.Duration
}

type keptBearer struct {
	people.Bearer
	since time.Time
}

// of is the bearer of a secret's hash, if one is remembered; else when is what remember wants to know.
func (b *bearers) of(secretSHA256 []byte) (bearer people.Bearer, when uint64, ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	k, ok := b.kept[string(secretSHA256)]
	return k.Bearer, b.forgot, ok && time.Since(k.since) < b.lasts
}

// remember keeps what was read, unless something has changed since when.
func (b *bearers) remember(secretSHA256 []byte, bearer people.Bearer, read time.Time, when uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.hears || b.forgot != when {
		return
	}
	if len(b.kept) >= bearersMost {
		clear(b.kept)
	}
	b.kept[string(secretSHA256)] = keptBearer{bearer, read}
}

// forget forgets all.
func (b *bearers) forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.forgot++
	clear(b.kept)
}

// hear says whether changes are heard of from now on.
func (b *bearers) hear(yes bool) {
	b.mu.Lock()
	b.hears = yes
	b.mu.Unlock()
	b.forget() // also what was remembered meanwhile
}

// Hear begins to listen for changes of tokens and their bearers, until end is called. While it does, ByToken may
// answer from memory.
func (s *People) Hear(ctx context.Context) (end func()) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			_ = s.hear(ctx) // whatever broke off: nothing is remembered until it is listened again
			select {
			case <-ctx.Done():
			case <-time.After(hearAgain):
			}
		}
	}()
	return func() {
		cancel()
		<-done
	}
}

func (s *People) hear(ctx context.Context) error {
	lent, err := s.db.pool.Acquire(ctx)
	if err != nil {
		return err
	}
	conn := lent.Hijack() // one more than the pool has, as it is never given back
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if _, err := conn.Exec(ctx, `listen `+bearerChannel); err != nil {
		return err
	}
	s.bearers.hear(true)
	defer s.bearers.hear(false)
	for {
		if _, err := conn.WaitForNotification(ctx); err != nil {
			return err
		}
		s.bearers.forget()
	}
}
