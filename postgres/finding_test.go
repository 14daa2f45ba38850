package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/finding"
	"farthingale/postgres"
)

// found is a store of objects with their findings.
type found struct {
	*store
	findings *finding.Service
	kept     *postgres.Finding
	now      time.Time
}

func newFound(t testing.TB) *found {
	t.Helper()
	f := &found{store: newStore(t), now: instant}
	f.kept = postgres.NewFinding(f.db)
	f.findings = f.copy()
	return f
}

// copy is another copy of the program on the same database.
func (f *found) copy() *finding.Service {
	f.t.Helper()
	s, err := finding.NewService(f.kept, time.UTC, func() time.Time { return f.now })
	if err != nil {
		f.t.Fatal(err)
	}
	return s
}

// compute computes all that is due.
func (f *found) compute() int {
	f.t.Helper()
	n, err := f.findings.Compute(f.t.Context(), 2, f.now.Add(time.Hour))
	if err != nil {
		f.t.Fatal(err)
	}
	return n
}

// gloved is an object of a polychloroprene glove that closes on an anodised ring.
func (f *found) gloved(number string) (*collection.Object, *collection.Joint) {
	f.t.Helper()
	o := f.object(number, "Suit")
	ring, glove := f.part(o.ID, "1", "ring"), f.part(o.ID, "2", "glove")
	f.made(ring.ID, "anodised-aluminium")
	f.made(glove.ID, "polychloroprene")
	j, err := f.objects.AddJoint(f.t.Context(), f.mara, o.ID, collection.NewJoint{AID: ring.ID, BID: glove.ID,
		JointFacts: collection.JointFacts{Meets: "ring_lock", Contact: "barrier", GasTight: true, State: "engaged"}})
	if err != nil {
		f.t.Fatal(err)
	}
	return o, j
}

func (f *found) state(j *collection.Joint, state string) {
	f.t.Helper()
	facts := j.Facts()
	facts.State = state
	changed, err := f.objects.ChangeJoint(f.t.Context(), f.mara, j.ID, j.Version, facts)
	if err != nil {
		f.t.Fatal(err)
	}
	*j = *changed
}

func (f *found) of(o *collection.Object) *finding.OfObject {
	f.t.Helper()
	all, err := f.findings.Of(f.t.Context(), f.mara, o.ID)
	if err != nil {
		f.t.Fatal(err)
	}
	return all
}

// chloride is the finding of hydrogen chloride on the ring; nil: there is none.
func (f *found) chloride(o *collection.Object) *finding.Finding {
	f.t.Helper()
	all := f.of(o)
	for i := range all.Findings {
		if x := &all.Findings[i]; x.Species == "hcl" && x.Receptor != nil && x.Receptor.MaterialKey == "anodised-aluminium" {
			return x
		}
	}
	return nil
}

// Rule M1: findings follow what is on record. What no longer holds is gone with its date and stays; what
// comes again is another finding, which nobody has accepted.
//
// source: Knotkova-Cermakova & Vlckova 1971, Br. Corros. J. 6:17-22 (chlorinated rubber gives off hydrogen
// chloride, which corrodes metals)
func TestM1FindingsFollowTheRecord(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	o, joint := f.gloved("1968.14.2")
	if s := f.of(o); s.UpToDate || s.ComputedAt != nil || len(s.Findings) > 0 {
		t.Errorf("before anything was computed: %+v", s)
	}
	f.compute()
	first := f.chloride(o)
	if s := f.of(o); !s.UpToDate || s.ComputedAt == nil || first == nil || first.Severity != 3 || !strings.Contains(first.Says, "hydrogen chloride") ||
		first.Helps == "" || first.Source == "" || len(first.Steps) == 0 || first.Number != "1968.14.2" || first.Emitter.Family != "rubber-chlorinated" {
		t.Fatalf("%+v %+v", s.State, first)
	}
	accepted, err := f.findings.Accept(t.Context(), f.mara, first.ID, first.Version, finding.NewAcceptance{Reason: "aired every week", Until: f.now.AddDate(0, 1, 0).Format(time.DateOnly)})
	if err != nil || !accepted.Accepted {
		t.Fatalf("%+v %v", accepted, err)
	}
	if n := f.compute(); n != 0 {
		t.Errorf("%d marks without a change", n)
	}
	f.now = f.now.Add(time.Hour)
	f.state(joint, "held_open")
	if f.of(o).UpToDate {
		t.Error("a joint was opened, and the findings are thought to be up to date")
	}
	f.compute()
	if f.chloride(o) != nil {
		t.Error("the joint is open, and the chloride is still there")
	}
	gone, err := f.findings.One(t.Context(), f.mara, first.ID)
	if err != nil || gone.GoneAt == nil || !gone.GoneAt.Equal(f.now) || gone.Accepted || len(gone.Acceptances) != 1 {
		t.Errorf("%+v %v", gone, err)
	}
	if _, err := f.findings.Accept(t.Context(), f.mara, first.ID, gone.Version, finding.NewAcceptance{Reason: "r", Until: f.now.Format(time.DateOnly)}); rule(err) != "finding_gone" {
		t.Errorf("accepting what is gone: %v", err)
	}
	past, err := f.findings.List(t.Context(), f.mara, finding.Filter{ObjectID: &o.ID, State: finding.Gone}, domain.PageQuery{})
	if err != nil || !slices.ContainsFunc(past.Items, func(x finding.Finding) bool { return x.ID == first.ID && x.GoneAt != nil }) {
		t.Errorf("what is gone: %+v %v", past, err)
	}
	f.state(joint, "seized")
	f.compute()
	again := f.chloride(o)
	if again == nil || again.ID == first.ID || again.Accepted {
		t.Errorf("closed again: %+v", again)
	}
	if n := f.count(`select count(*) from event where area = 'finding' and kind = 'computed' and object_id = $1`, o.ID); n != 3 {
		t.Errorf("%d events, want three: raised, gone, raised", n)
	}
}

// Rule M1: an acceptance holds until its day and for its severity, is kept as it was, and is found by it.
func TestM1AcceptedFindingsComeBack(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	o, joint := f.gloved("1968.14.2")
	enclosure := f.enclosed("Glove", 30, o, joint.AID, joint.BID)
	f.compute()
	aired := f.chloride(o)
	if aired == nil || aired.Severity != 1 {
		t.Fatalf("aired: %+v", aired)
	}
	until := f.now.AddDate(0, 0, 10)
	if _, err := f.findings.Accept(t.Context(), f.mara, aired.ID, aired.Version, finding.NewAcceptance{Reason: "aired", Until: until.Format(time.DateOnly)}); err != nil {
		t.Fatal(err)
	}
	if _, err := f.findings.Accept(t.Context(), f.mara, aired.ID, aired.Version, finding.NewAcceptance{Reason: "aired", Until: until.Format(time.DateOnly)}); domain.KindOf(err) != domain.KindStale {
		t.Errorf("accepting what somebody else has answered meanwhile: %v", err)
	}
	in := func(state string) bool {
		t.Helper()
		page, err := f.findings.List(t.Context(), f.mara, finding.Filter{State: state}, domain.PageQuery{})
		if err != nil {
			t.Fatal(err)
		}
		return slices.ContainsFunc(page.Items, func(x finding.Finding) bool { return x.ID == aired.ID })
	}
	if x := f.chloride(o); !x.Accepted || in("open") || !in("accepted") || x.Acceptances[0].Reason != "aired" {
		t.Errorf("accepted: %+v", x)
	}
	f.exec(`update enclosure_space set exchange_per_day = 2 where enclosure_id = $1`, enclosure)
	f.compute()
	if x := f.chloride(o); x.ID != aired.ID || x.Severity != 3 || x.Accepted || !in("open") || in("accepted") {
		t.Errorf("its severity has risen: %+v", x)
	}
	f.exec(`update enclosure_space set exchange_per_day = 30 where enclosure_id = $1`, enclosure)
	f.compute()
	if x := f.chloride(o); !x.Accepted {
		t.Errorf("as it was accepted: %+v", x)
	}
	f.now = until.AddDate(0, 0, 1)
	if x := f.chloride(o); x.Accepted || !in("open") {
		t.Errorf("the day is past: %+v", x)
	}
	for _, sql := range []string{`delete from finding`, `delete from finding_acceptance`, `update finding_acceptance set reason = 'other'`} {
		if _, err := f.data.Pool.Exec(t.Context(), sql); err == nil {
			t.Errorf("%s: done", sql)
		}
	}
}

// enclosed is an enclosure of one space, with components of an object in it, or the whole.
func (f *found) enclosed(label string, exchange float64, o *collection.Object, parts ...domain.ID) domain.ID {
	f.t.Helper()
	id := domain.NewID()
	f.exec(`insert into enclosure (id, label, kind, network, created_at, created_by, changed_at, changed_by) values ($1, $2, 'other', '{}', now(), $3, now(), $3)`, id, label, f.mara.ID)
	f.exec(`insert into enclosure_space (enclosure_id, name, exchange_per_day, rh_pct) values ($1, 'inside', $2, 50)`, id, exchange)
	if len(parts) == 0 {
		f.exec(`insert into enclosure_member (enclosure_id, space, object_id) values ($1, 'inside', $2)`, id, o.ID)
	}
	for _, p := range parts {
		f.exec(`insert into enclosure_member (enclosure_id, space, object_id, component_id) values ($1, 'inside', $2, $3)`, id, o.ID, p)
	}
	return id
}

// Every input makes its objects due, in its own transaction; and those that share their air.
func TestM1EveryInputMakesDue(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	o, joint := f.gloved("1968.14.2")
	beside := f.object("1970.1.1", "Weight")
	f.made(f.part(beside.ID, "1", "weight").ID, "lead")
	apart := f.object("1980.1.1", "Apart")
	f.part(apart.ID, "1", "part")
	enclosure := f.enclosed("Case", 0.5, o)
	f.exec(`insert into enclosure_member (enclosure_id, space, object_id) values ($1, 'inside', $2)`, enclosure, beside.ID)
	f.compute()
	for _, c := range []struct {
		name, sql string
		args      []any
		due       []*collection.Object
	}{
		{"component", `update component set name = 'cuff' where id = $1`, []any{joint.AID}, []*collection.Object{o, beside}},
		{"joint", `update joint set state = 'seized' where id = $1`, []any{joint.ID}, []*collection.Object{o, beside}},
		{"joint removed", `delete from joint where id = $1`, []any{joint.ID}, []*collection.Object{o, beside}},
		{"identification", `update component_material set superseded_at = at where component_id = $1`, []any{joint.BID}, []*collection.Object{o, beside}},
		{"library", `update material set family = 'aluminium' where key = 'lead'`, nil, []*collection.Object{o, beside}},
		{"space", `update enclosure_space set rh_pct = 40 where enclosure_id = $1`, []any{enclosure}, []*collection.Object{o, beside}},
		{"member leaves", `delete from enclosure_member where object_id = $1`, []any{beside.ID}, []*collection.Object{o, beside}},
		{"enclosure closed", `update enclosure set closed_at = now(), closed_by = $2, closed_reason = 'taken apart' where id = $1`, []any{enclosure, f.mara.ID}, []*collection.Object{o}},
	} {
		f.exec(c.sql, c.args...)
		for _, object := range []*collection.Object{o, beside, apart} {
			if due, want := !f.of(object).UpToDate, slices.Contains(c.due, object); due != want {
				t.Errorf("%s: %s due %v, want %v", c.name, object.Number, due, want)
			}
		}
		f.compute()
	}
	if n := f.count(`select count(*) from finding_due`); n != 0 {
		t.Errorf("%d marks are left", n)
	}
}

// What another object does is found at the one that suffers, and shown at both.
func TestM1AcrossObjects(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	goggles, weight := f.object("1970.1.1", "Goggles"), f.object("1970.1.2", "Weight")
	f.made(f.part(goggles.ID, "1", "frame").ID, "cellulose-acetate")
	f.made(f.part(weight.ID, "1", "weight").ID, "lead")
	enclosure := f.enclosed("Case", 0.5, goggles)
	f.exec(`insert into enclosure_member (enclosure_id, space, object_id) values ($1, 'inside', $2)`, enclosure, weight.ID)
	f.compute()
	at := func(x finding.Finding) bool {
		return x.Species == "acetic-acid" && x.Emitter.ObjectID == goggles.ID && x.ObjectID == weight.ID
	}
	if s := f.of(weight); !slices.ContainsFunc(s.Findings, at) || len(s.Harms) > 0 {
		t.Errorf("the weight: %+v", s)
	}
	if s := f.of(goggles); slices.ContainsFunc(s.Findings, at) || !slices.ContainsFunc(s.Harms, at) {
		t.Errorf("the goggles: %+v", s)
	}
	f.exec(`delete from enclosure_member where object_id = $1`, goggles.ID)
	f.compute()
	if s := f.of(weight); slices.ContainsFunc(s.Findings, at) {
		t.Errorf("apart: %+v", s)
	}
}

// A change that is not committed yet is not lost: its mark comes with it.
func TestFindingsOfAChangeThatIsStillOpen(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	o, joint := f.gloved("1968.14.2")
	f.compute()
	tx, err := f.data.Pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(t.Context())) }()
	if _, err := tx.Exec(t.Context(), `update joint set state = 'held_open' where id = $1`, joint.ID); err != nil {
		t.Fatal(err)
	}
	f.exec(`update component set name = 'cuff ring' where id = $1`, joint.AID) // makes the object due too
	if f.compute(); f.chloride(o) == nil || !f.of(o).UpToDate {
		t.Error("computed by what nobody has committed")
	}
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if f.of(o).UpToDate {
		t.Error("the mark of the change was lost")
	}
	if f.compute(); f.chloride(o) != nil {
		t.Error("the change was lost")
	}
}

// A computation that is broken off changes nothing, and is done again.
func TestFindingsBrokenOff(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	o, _ := f.gloved("1968.14.2")
	due := f.count(`select count(*) from finding_due`)
	for name, fall := range map[string]func(cancel context.CancelFunc){
		"cancelled": func(cancel context.CancelFunc) { cancel() },
		"panic":     func(context.CancelFunc) { panic("fell over") },
	} {
		func() {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			defer func() { _ = recover() }()
			// The database may hold the marks of what was broken off before for a moment yet, and others pass by.
			for begun := false; !begun; {
				_, err := f.kept.Next(ctx, func(*finding.Recorded) ([]finding.Computed, []string) {
					begun = true
					fall(cancel)
					return nil, nil
				}, "other", f.now, 100)
				if begun && err == nil {
					t.Errorf("%s: no error", name)
				}
				if !begun && err != nil {
					t.Fatal(err)
				}
			}
		}()
		if n := f.count(`select count(*) from finding_due`); n != due {
			t.Errorf("%s: %d marks, %d before", name, n, due)
		}
		if f.count(`select count(*) from finding_computed`) > 0 {
			t.Errorf("%s: said to be computed", name)
		}
	}
	for f.count(`select count(*) from finding_due`) > 0 {
		f.compute()
	}
	if f.chloride(o) == nil {
		t.Error("not done again")
	}
}

// Several copies at once compute each object once in effect: no finding twice, none missing.
func TestFindingsByManyCopies(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	var objects []*collection.Object
	for i := range 12 {
		o, _ := f.gloved(fmt.Sprintf("1968.14.%d", i+1))
		objects = append(objects, o)
	}
	stop := make(chan struct{})
	var changing, computing sync.WaitGroup
	changing.Go(func() {
		for i := range 60 {
			f.exec(`update component set name = $2 where object_id = $1`, objects[i%len(objects)].ID, fmt.Sprint("part ", i))
		}
		close(stop)
	})
	for range 3 {
		s := f.copy()
		computing.Go(func() {
			for {
				if _, err := s.Compute(t.Context(), 2, f.now.Add(time.Hour)); err != nil {
					t.Error(err)
				}
				select {
				case <-stop:
					return
				default:
				}
			}
		})
	}
	changing.Wait()
	computing.Wait()
	f.compute()
	if n := f.count(`select count(*) from finding_due`); n != 0 {
		t.Errorf("%d marks are left", n)
	}
	each := f.count(`select count(*) from finding where object_id = $1 and gone_at is null`, objects[0].ID)
	if n := f.count(`select count(*) from finding where gone_at is null`); each == 0 || n != each*len(objects) {
		t.Errorf("%d findings of %d objects, %d of the first", n, len(objects), each)
	}
}

// Other rules make every object due once, whichever copy begins.
func TestFindingsByOtherRules(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	o, _ := f.gloved("1968.14.2")
	f.compute()
	f.exec(`update finding_rules set version = 'of an older release'`)
	f.exec(`update finding_computed set rules = 'of an older release'`)
	if f.of(o).UpToDate {
		t.Error("computed by other rules, and said to be up to date")
	}
	if n, err := f.copy().Compute(t.Context(), 1, f.now.Add(time.Hour)); err != nil || n != 1 {
		t.Errorf("%d marks, %v", n, err)
	}
	if n, err := f.copy().Compute(t.Context(), 1, f.now.Add(time.Hour)); err != nil || n != 0 || !f.of(o).UpToDate {
		t.Errorf("%d marks a second time, %v", n, err)
	}
	asked, err := f.findings.Again(t.Context(), f.mara, finding.Again{})
	if err != nil || asked.Objects != 1 || f.of(o).UpToDate {
		t.Errorf("asked again: %+v %v", asked, err)
	}
	nobody := domain.NewID()
	if _, err := f.findings.Again(t.Context(), f.mara, finding.Again{ObjectID: &nobody}); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("of an object that is not there: %v", err)
	}
	if f.compute() != 1 {
		t.Error("not computed again")
	}
}

// All objects in which a chlorine-bearing rubber closes on aluminium, page by page, with counts.
func TestFindingsAcrossTheCollection(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	for i := range 3 {
		f.gloved(fmt.Sprintf("1968.14.%d", i+1))
	}
	other := f.object("1970.1.1", "Weight")
	f.made(f.part(other.ID, "1", "weight").ID, "lead")
	f.enclosed("Box", 0.1, other)
	f.compute()
	numbers := func(filter finding.Filter) []string {
		t.Helper()
		var all []string
		q := domain.PageQuery{Limit: 2}
		last := 3
		for {
			page, err := f.findings.List(t.Context(), f.mara, filter, q)
			if err != nil {
				t.Fatal(err)
			}
			for _, x := range page.Items {
				if int(x.Severity) > last {
					t.Errorf("%d stands after %d", x.Severity, last)
				}
				last = int(x.Severity)
				all = append(all, x.Number)
			}
			if q.Cursor = page.Next; page.Next == "" {
				slices.Sort(all)
				return all
			}
		}
	}
	three := []string{"1968.14.1", "1968.14.2", "1968.14.3"}
	closed := finding.Filter{Emitter: "rubber-chlorinated", Receptor: "aluminium", Species: "hcl"}
	if got := numbers(closed); !slices.Equal(got, three) {
		t.Errorf("by families: %q", got)
	}
	closed.Emitter, closed.Receptor, closed.Severity = "polychloroprene", "anodised-aluminium", 3
	if got := numbers(closed); !slices.Equal(got, three) {
		t.Errorf("by materials: %q", got)
	}
	counts, err := f.findings.Counts(t.Context(), f.mara, closed)
	if err != nil || counts != (finding.Counts{ActNow: 3}) {
		t.Errorf("%+v %v", counts, err)
	}
	closed.Severity = 1
	if got := numbers(closed); len(got) > 0 {
		t.Errorf("of another severity: %q", got)
	}
	if got := numbers(finding.Filter{Emitter: "no-such-thing"}); len(got) > 0 {
		t.Errorf("of nothing: %q", got)
	}
	if all, people := numbers(finding.Filter{}), numbers(finding.Filter{Receptor: finding.People}); len(all) <= len(people) {
		t.Errorf("%d findings, %d of people", len(all), len(people))
	}
	for name, bad := range map[string]finding.Filter{"species": {Species: "moonlight"}, "severity": {Severity: 4}, "state": {State: "never"}, "gone, of all": {State: "gone"}} {
		if _, err := f.findings.List(t.Context(), f.mara, bad, domain.PageQuery{}); domain.KindOf(err) != domain.KindInvalid {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// BenchmarkFindingsAgain computes the findings of 10 000 objects of ten components each again, by two workers. A
// hundred thousand take less than five minutes on two cores.
func BenchmarkFindingsAgain(b *testing.B) {
	f := newFound(b)
	f.fill(10000)
	rows, _ := f.data.Pool.Query(b.Context(), `select o.id, array_agg(c.id order by c.sort_key) from object o join component c on c.object_id = o.id group by o.id`)
	var object domain.ID
	var parts []domain.ID
	var joints [][]any
	_, err := pgx.ForEachRow(rows, []any{&object, &parts}, func() error {
		for i := range 5 {
			joints = append(joints, []any{domain.NewID(), object, parts[i], parts[i+1], "ring_lock", "direct", true, "engaged"})
		}
		return nil
	})
	if err == nil {
		_, err = f.data.Pool.CopyFrom(b.Context(), pgx.Identifier{"joint"}, []string{"id", "object_id", "a_id", "b_id", "meets", "contact", "gas_tight", "state"}, pgx.CopyFromRows(joints))
	}
	if err != nil {
		b.Fatal(err)
	}
	begun := time.Now()
	f.compute()
	first := time.Since(begun).Seconds() * 10
	var last finding.Asked
	for b.Loop() {
		if last, err = f.findings.Again(b.Context(), f.mara, finding.Again{}); err != nil || last.Objects != 10000 {
			b.Fatal(errors.Join(err, fmt.Errorf("%d objects", last.Objects)))
		}
		f.compute()
	}
	b.ReportMetric(float64(f.count(`select count(*) from finding`))/10000, "findings/object")
	b.ReportMetric(first, "s/100k-first")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*10, "s/100k-again")
}
