//go:build unix

package fault

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/postgres/pgtest"
)

// hands is how many requests are under way at a time while the database is in trouble.
const hands = 6

// longest is how long anybody waits for an answer, whatever happens: the bound of the program and some air.
const longest = 25 * time.Second

// traffic is people at work: they read a page and a sheet, and log handlings, over and over.
type traffic struct {
	w       *world
	cookies []*http.Cookie
	stop    context.CancelFunc
	ended   sync.WaitGroup
	sent    atomic.Int64

	mu      sync.Mutex
	answers []heard
	ledger  map[string]bool // notes of handlings: whether their answer was received
}

// heard is what one request came to.
type heard struct {
	what       string
	began, end time.Time
	status     int // 0: no answer at all
	retryAfter string
	text       string
}

// begin sets people to work.
func (w *world) begin() *traffic {
	w.t.Helper()
	ctx, stop := context.WithCancel(w.t.Context())
	f := &traffic{w: w, stop: stop, ledger: map[string]bool{}, cookies: w.house.Browser(w.who(domain.Conservator)).Cookies()}
	for range hands {
		f.ended.Go(func() {
			for ctx.Err() == nil {
				f.one(ctx)
			}
		})
	}
	return f
}

// one sends one request and notes what it came to. Its own context outlasts the traffic, so that every
// request gets its answer.
func (f *traffic) one(context.Context) {
	n := f.sent.Add(1)
	ctx, cancel := context.WithTimeout(context.WithoutCancel(f.w.t.Context()), longest)
	defer cancel()
	var r *http.Request
	var err error
	what, note := "", ""
	at := f.w.house.Server.URL
	switch n % 3 {
	case 0:
		what = "page"
		r, err = http.NewRequestWithContext(ctx, http.MethodGet, at+"/objects/1968.14.2", nil)
		for _, c := range f.cookies {
			r.AddCookie(c)
		}
	case 1:
		what = "sheet"
		r, err = http.NewRequestWithContext(ctx, http.MethodGet, at+"/api/v1/objects/"+f.w.ground.Object.ID.String()+"/sheet", nil)
		r.Header.Set("Authorization", "Bearer "+f.w.who(domain.Reader).Token)
	default:
		what, note = "write", fmt.Sprintf("handling number %d", n)
		a := act{kind: "application/json", token: f.w.who(domain.Technician).Token, key: note}
		body := f.w.json(map[string]any{"minutes": 5, "purpose": "photography", "note": note, "controls": "kept"})
		r, err = http.NewRequestWithContext(ctx, http.MethodPost, at+"/api/v1/objects/"+f.w.ground.Object.ID.String()+"/handlings", bytes.NewReader(body))
		a.headers(r)
	}
	if err != nil {
		panic(err) // a fault of this test
	}
	h := heard{what: what, began: time.Now()}
	got, err := http.DefaultClient.Do(r)
	if err == nil {
		var b []byte
		b, err = io.ReadAll(got.Body)
		_ = got.Body.Close()
		h.status, h.retryAfter, h.text = got.StatusCode, got.Header.Get("Retry-After"), string(b)
	}
	if err != nil {
		h.status, h.text = 0, err.Error()
	}
	h.end = time.Now()
	f.mu.Lock()
	f.answers = append(f.answers, h)
	if note != "" {
		f.ledger[note] = h.status == http.StatusCreated
	}
	f.mu.Unlock()
	if h.status == http.StatusServiceUnavailable {
		time.Sleep(50 * time.Millisecond) // who is sent away comes again at once, but not a thousand times
	}
}

// await waits until n more requests of each kind have succeeded one after another without a refusal.
func (f *traffic) await(what string) {
	f.w.t.Helper()
	const inARow = 3 * hands
	from := time.Now()
	for time.Since(from) < 2*time.Minute {
		f.mu.Lock()
		last := slices.Clone(f.answers[max(0, len(f.answers)-inARow):])
		f.mu.Unlock()
		if len(last) == inARow && !slices.ContainsFunc(last, func(h heard) bool { return h.status/100 != 2 || h.began.Before(from) }) {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	f.w.t.Fatalf("%s: the program does not serve", what)
}

// end lets the last requests finish, and checks that every one was answered, within the bound, by what was
// asked for or by a 503 that says when to come again; and that no acknowledged handling is lost.
func (f *traffic) end(leastRefused int) {
	f.w.t.Helper()
	f.stop()
	f.ended.Wait()
	refused, served := map[string]int{}, 0
	for _, h := range f.answers {
		switch {
		case h.status/100 == 2:
			served++
		case h.status == http.StatusServiceUnavailable && h.retryAfter != "":
			refused[h.what]++
		default:
			f.w.t.Errorf("%s after %s: status %d, Retry-After %q: %.300s", h.what, h.end.Sub(h.began).Round(time.Millisecond), h.status, h.retryAfter, h.text)
		}
	}
	all := 0
	for _, what := range []string{"page", "sheet", "write"} {
		all += refused[what]
	}
	acknowledged, lost, doubled, unanswered := 0, 0, 0, 0
	for note, heard := range f.ledger {
		found := f.w.found(act{countSQL: `select count(*) from handling where note = $1`, args: []any{note}})
		switch {
		case heard && found == 0:
			lost++
		case found > 1:
			doubled++
		case !heard && found == 1:
			unanswered++
		}
		if heard {
			acknowledged++
		}
	}
	f.w.t.Logf("%d answered, %d sent away with 503 %v; writes: %d acknowledged, lost %d, doubled %d, kept though unanswered %d", served, all, refused, acknowledged, lost, doubled, unanswered)
	if lost+doubled > 0 {
		f.w.t.Error("the ledger does not agree with the records")
	}
	if acknowledged < 3 || all < leastRefused {
		f.w.t.Errorf("the trouble was not felt, or nobody worked")
	}
	f.w.whole()
}

// TestDatabaseStops: the database is stopped as by pg_ctl stop -m immediate and started again while people
// work. The program sends them away and serves again without a restart.
func TestDatabaseStops(t *testing.T) {
	t.Parallel()
	own := pgtest.NewOwn(t)
	w := worldOn(t, own.Database)
	f := w.begin()
	f.await("at first")
	own.Stop()
	time.Sleep(time.Second) // people go on trying
	got, err := http.Get(w.house.Server.URL + "/readyz")
	if err != nil || got.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("ready without a database: %v %v", got, err)
	}
	if err == nil {
		_ = got.Body.Close()
	}
	own.Start()
	f.await("after the start")
	f.end(hands)
}

// TestSessionsEnded: sessions are ended in the middle of statements and transactions, one after another.
func TestSessionsEnded(t *testing.T) {
	t.Parallel()
	own := pgtest.NewOwn(t)
	w := worldOn(t, own.Database)
	f := w.begin()
	f.await("at first")
	ended := 0
	for range 20 {
		if own.EndSession(10 * time.Second) {
			ended++
		}
		time.Sleep(30 * time.Millisecond)
	}
	if ended < 10 {
		t.Errorf("%d sessions were ended", ended)
	}
	f.await("afterwards")
	f.end(1)
}

// TestDatabaseHalts: no process of the database goes on for thirty seconds, and none sends anybody away.
// The program does, and serves again when they go on.
func TestDatabaseHalts(t *testing.T) {
	t.Parallel()
	own := pgtest.NewOwn(t)
	w := worldOn(t, own.Database)
	f := w.begin()
	f.await("at first")
	goOn := own.Halt()
	time.Sleep(30 * time.Second)
	goOn()
	f.await("afterwards")
	f.end(hands)
}
