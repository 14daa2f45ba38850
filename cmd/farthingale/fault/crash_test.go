//go:build unix

package fault

import (
	"math/rand/v2"
	"net/http"
	"testing"
	"time"
)

// TestKilledAtEveryStep kills the program once at every step of an act: before each statement, after each
// answer of the database, after the commit and before the answer to the person.
//
// source: the ledger method as in K. Kingsbury, "Jepsen: on the perils of network partitions", 2013: the
// client notes what was acknowledged and looks for it afterwards.
func TestKilledAtEveryStep(t *testing.T) {
	t.Parallel()
	for _, k := range kinds {
		t.Run(k.name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			a, n := k.ready(w, 0), 0
			before := w.image()
			kept, undone := 0, 0
			var c *running
			for step := 1; ; step++ {
				if c == nil {
					c = w.start()
				}
				got, err := c.send(t.Context(), a, step)
				if err == nil {
					if got.status/100 != 2 {
						t.Fatalf("step %d: status %d: %s", step, got.status, got.body)
					}
					if found := w.found(a); found != 1 {
						t.Errorf("step %d: acknowledged, and found %d times", step, found)
					}
					t.Logf("%s: killed at %d steps: %d times nothing was done, %d times all; acknowledged in the end, and found", k.name, step-1, undone, kept)
					if undone < 4 || kept < 2 {
						t.Error("the copy did not die where it should")
					}
					c.kill()
					break
				}
				<-c.gone
				c = nil
				w.settle()
				switch found := w.found(a); found {
				case 0:
					undone++
					now := w.image()
					if names := changed(before, now); len(names) > 0 {
						t.Errorf("step %d: half a record: %v", step, names)
					}
					before = now // nobody writes until the next step
				case 1:
					kept++
					// The person who got no answer sends it again, and it is done once.
					c = w.start()
					got, err := c.send(t.Context(), a, 0)
					if err != nil || got.status/100 != 2 || !got.replayed {
						t.Errorf("step %d: sent again: %+v %v", step, got, err)
					}
					if found := w.found(a); found != 1 {
						t.Errorf("step %d: found %d times after it was sent again", step, found)
					}
					n++
					a = k.ready(w, n)
					before = w.image()
				default:
					t.Fatalf("step %d: found %d times", step, found)
				}
			}
			w.whole()
		})
	}
}

// rounds is how often the program is killed at a random moment of each kind of act.
const rounds = 50

// TestKilledAtAnyMoment kills the program from outside at random moments of an act.
func TestKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	for i, k := range kinds {
		t.Run(k.name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			dice := rand.New(rand.NewPCG(2026, uint64(i))) // #nosec G404 G115 -- moments, not secrets
			var told []string
			if k.name == "upload" {
				told = append(told, withJobs()) // it dies in the middle of those too
			}
			c := w.start(told...)
			usual := time.Hour
			for n := range 3 { // how long the first act of a copy takes when nothing else holds it up
				a := k.ready(w, n)
				began := time.Now()
				if got, err := c.send(t.Context(), a, 0); err != nil || got.status/100 != 2 {
					t.Fatalf("%+v %v", got, err)
				}
				usual = min(usual, time.Since(began))
				c.kill()
				c = w.start(told...)
			}
			type line struct {
				act          act
				acknowledged bool
			}
			var ledger []line
			for n := range rounds {
				a := k.ready(w, 3+n)
				moment := time.Duration(dice.Int64N(int64(usual) * 3 / 2))
				ended := make(chan struct{})
				timer := time.AfterFunc(moment, func() { c.kill(); close(ended) })
				got, err := c.send(t.Context(), a, 0)
				if err == nil && got.status != http.StatusCreated && got.status != http.StatusOK {
					t.Fatalf("round %d: status %d: %s", n, got.status, got.body)
				}
				ledger = append(ledger, line{a, err == nil})
				if timer.Stop() { // it was quicker
					c.kill()
				} else {
					<-ended
				}
				w.settle()
				if found := w.found(a); found > 1 || err == nil && found != 1 {
					t.Errorf("round %d: answered %v, found %d times", n, err == nil, found)
				}
				c = w.start(told...)
				if err != nil { // the person sends it again
					if got, err := c.send(t.Context(), a, 0); err != nil || got.status/100 != 2 {
						t.Errorf("round %d: sent again: %+v %v", n, got, err)
					}
				}
			}
			c.kill()
			w.settle()
			acknowledged, lost, doubled := 0, 0, 0
			for _, l := range ledger {
				if l.acknowledged {
					acknowledged++
				}
				switch w.found(l.act) {
				case 0:
					lost++
				case 1:
				default:
					doubled++
				}
			}
			t.Logf("%s: killed %d times; %d acknowledged before the kill, %d only when sent again; lost %d, doubled %d", k.name, rounds, acknowledged, rounds-acknowledged, lost, doubled)
			if lost+doubled > 0 {
				t.Error("the ledger does not agree with the records")
			}
			if acknowledged == rounds {
				t.Error("no kill came in time")
			}
			w.whole()
		})
	}
}
