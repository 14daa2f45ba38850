//go:build unix

package fault

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"sync"
	"testing"
	"time"
)

// TestTwoCopies: two copies of the program on one database, both with jobs, under a mixed load. Every act is
// done once, also one that both are asked for under one Idempotency-Key; every job is done once; the seals
// are one chain.
func TestTwoCopies(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	type errand struct {
		act  act
		both bool
	}
	var errands []errand
	uploads, seals := 0, 0
	for _, k := range append([]kind{decision}, kinds...) {
		many := map[string]int{"signing": 8, "decision": 12, "upload": 24, "handling with a stop": 24}[k.name]
		for n := range many { // moves wait for each other, so there is no load of them
			errands = append(errands, errand{k.ready(w, n), n%3 == 0})
			switch k.name {
			case "upload":
				uploads++
			case "signing", "decision":
				seals++
			}
		}
	}
	before := w.one(`select count(*) from seal`)
	dice := rand.New(rand.NewPCG(2026, 12)) // #nosec G404 -- an order, not a secret
	dice.Shuffle(len(errands), func(i, j int) { errands[i], errands[j] = errands[j], errands[i] })

	copies := [2]*running{w.start(withJobs()), w.start(withJobs())}
	work := make(chan errand)
	var done sync.WaitGroup
	var mu sync.Mutex
	var faults []string
	send := func(c *running, a act, both bool) {
		got, err := c.send(t.Context(), a, 0)
		if err == nil && (got.status/100 == 2 || both && got.status == http.StatusConflict) {
			return // a conflict tells the second that the first is at it
		}
		mu.Lock()
		faults = append(faults, fmt.Sprintf("%s: %+v %v", a.key, got, err))
		mu.Unlock()
	}
	for hand := range hands {
		done.Go(func() {
			for e := range work {
				if !e.both {
					send(copies[hand%2], e.act, false)
					continue
				}
				var two sync.WaitGroup
				for _, c := range copies {
					two.Go(func() { send(c, e.act, true) })
				}
				two.Wait()
			}
		})
	}
	for _, e := range errands {
		work <- e
	}
	close(work)
	done.Wait()
	for _, f := range faults {
		t.Error(f)
	}
	lost, doubled := 0, 0
	for _, e := range errands {
		switch w.found(e.act) {
		case 0:
			lost++
		case 1:
		default:
			doubled++
		}
	}
	for until := time.Now().Add(2 * time.Minute); w.jobsLeft() > 0; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(until) {
			t.Fatalf("%d jobs are not done", w.jobsLeft())
		}
	}
	again := w.one(`select count(*) from river_job where attempt <> 1 or cardinality(attempted_by) <> 1 or state <> 'completed'`)
	derived := w.one(`select count(*) from river_job where args ->> 'task' = 'photo.derive'`)
	twice := w.one(`select count(*) from (select from river_job where args ->> 'task' <> 'photo.derive' group by args having count(*) > 1) x`)
	workers := w.one(`select count(distinct attempted_by[1]) from river_job`)
	chained := w.one(`select count(*) from seal`) - before
	gaps := w.one(`select max(number) - count(*) from seal`)
	t.Logf("%d errands through two copies: lost %d, doubled %d; %d pictures derived by %d copies, %d jobs done again; %d seals chained", len(errands), lost, doubled, derived, workers, again, chained)
	if lost+doubled > 0 || again > 0 || twice > 0 || derived != uploads || chained != seals || gaps != 0 {
		t.Errorf("lost %d, doubled %d, jobs done again %d, daily jobs asked twice %d, derived %d of %d, seals %d of %d, gaps %d", lost, doubled, again, twice, derived, uploads, chained, seals, gaps)
	}
	for _, c := range copies {
		c.kill()
	}
	w.whole()
}
