package drive

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/domain"
)

// Profile is what is done and how much of it writes.
type Profile struct {
	Reads, Writes []Act
	WritePercent  int
}

// Profiles are what --profile names: mixed is nine reads for each write.
func Profiles() map[string]Profile {
	return map[string]Profile{
		"read":  {Reads(), nil, 0},
		"write": {nil, Writes(), 100},
		"mixed": {Reads(), Writes(), 10},
	}
}

// next chooses an act and who does it.
func (p Profile) next(r *rand.Rand, w *World) (Act, *Person) {
	acts := p.Reads
	if r.IntN(100) < p.WritePercent {
		acts = p.Writes
	}
	sum := 0
	for _, a := range acts {
		sum += a.Weight
	}
	at := r.IntN(sum)
	act := acts[len(acts)-1]
	for _, a := range acts {
		if at -= a.Weight; at < 0 {
			act = a
			break
		}
	}
	return act, w.one(r, act.Roles)
}

// one is a person of one of the roles; anybody when none is named.
func (w *World) one(r *rand.Rand, roles []domain.Role) *Person {
	if len(roles) == 0 {
		return choose(r, w.People)
	}
	var able []*Person
	for _, p := range w.People {
		if slices.Contains(roles, p.Role) {
			able = append(able, p)
		}
	}
	if len(able) == 0 {
		return choose(r, w.People)
	}
	return choose(r, able)
}

// Do does one act, by somebody who may.
func Do(ctx context.Context, w *World, act Act, r *rand.Rand) {
	act.Do(&Visit{ctx: ctx, Person: w.one(r, act.Roles), Rand: r, World: w, started: time.Now(), first: true})
}

// EachOnce signs in a person for every kind of act and does each act once, reads and writes.
func EachOnce(ctx context.Context, h *House, db *pgxpool.Pool, password string) (*World, error) {
	catalogue, err := ReadCatalogue(ctx, db)
	if err != nil {
		return nil, err
	}
	if len(catalogue.UnderWay) == 0 {
		return nil, errors.New("no treatment is under way")
	}
	catalogue.UnderWay = catalogue.UnderWay[:1]
	var people []*Person
	for _, name := range []string{"conservator1", "curator1", "registrar1", "technician1", catalogue.UnderWay[0].SignInName} {
		p, err := h.SignIn(ctx, name, password)
		if err != nil {
			return nil, err
		}
		people = append(people, p)
	}
	w := NewWorld(catalogue, people, Picture())
	h.Record = NewRecord() // signing in is no act
	for i, act := range append(Reads(), Writes()...) {
		Do(ctx, w, act, rand.New(rand.NewPCG(3, uint64(i)))) // #nosec G115 G404 -- few, and no secret
	}
	return w, ctx.Err()
}

// waitingMost is how many visits may be under way at once; a server that falls behind further than that
// has failed.
const waitingMost = 4000

// Open begins visits at a fixed rate for as long as it is told, whatever the answers take, and waits for
// the last of them.
func Open(ctx context.Context, w *World, p Profile, rate float64, duration time.Duration, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 1)) // #nosec G404 -- which object is looked at is no secret
	var visits sync.WaitGroup
	var waiting atomic.Int64
	began := time.Now()
	for n := 0; ; n++ {
		due := began.Add(time.Duration(float64(n) / rate * float64(time.Second)))
		if due.Sub(began) >= duration {
			break
		}
		select {
		case <-ctx.Done():
			visits.Wait()
			return
		case <-time.After(time.Until(due)):
		}
		act, by := p.next(r, w)
		if waiting.Add(1) > waitingMost {
			waiting.Add(-1)
			by.house.Record.Add(act.Name, act.Write, 0, 0, fmt.Sprintf("not sent: %d are waited for", waitingMost))
			continue
		}
		v := &Visit{ctx: ctx, Person: by, Rand: rand.New(rand.NewPCG(seed, uint64(n)+2)), World: w, started: due, first: true} // #nosec G404 G115 -- as above
		visits.Go(func() {
			defer waiting.Add(-1)
			act.Do(v)
		})
	}
	visits.Wait()
}

// Closed has people who each begin a visit as soon as the one before has ended, without thinking: what
// the server can do at most. It gives the requests answered in a second.
func Closed(ctx context.Context, w *World, p Profile, hands int, duration time.Duration, seed uint64) float64 {
	ctx, end := context.WithTimeout(ctx, duration)
	defer end()
	var people sync.WaitGroup
	began, before := time.Now(), w.People[0].house.Record.Sent()
	for i := range hands {
		r := rand.New(rand.NewPCG(seed, uint64(i)+1)) // #nosec G404 G115 -- as above
		people.Go(func() {
			for ctx.Err() == nil {
				act, by := p.next(r, w)
				act.Do(&Visit{ctx: ctx, Person: by, Rand: r, World: w, started: time.Now(), first: true})
			}
		})
	}
	people.Wait()
	return float64(w.People[0].house.Record.Sent()-before) / time.Since(began).Seconds()
}
