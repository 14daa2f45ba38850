package postgres_test

import (
	"strings"
	"testing"
	"time"

	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/record"
	"farthingale/postgres"
)

// TestM1ActiveDecay: what a signed examination saw decay counts as active in the findings, which are computed
// again by themselves; a draft does not, and neither does a tear.
func TestM1ActiveDecay(t *testing.T) {
	t.Parallel()
	f := newFound(t)
	o := f.object("1970.1", "Suit")
	ring, glove := f.part(o.ID, "1", "ring"), f.part(o.ID, "2", "glove")
	f.made(ring.ID, "anodised-aluminium")
	f.made(glove.ID, "pvc-plasticised") // gives off hydrogen chloride in traces, until it decays
	if _, err := f.objects.AddJoint(t.Context(), f.mara, o.ID, collection.NewJoint{AID: ring.ID, BID: glove.ID,
		JointFacts: collection.JointFacts{Meets: "ring_lock", Contact: "barrier", GasTight: true, State: "engaged"}}); err != nil {
		t.Fatal(err)
	}
	f.compute()
	before := f.chloride(o)
	if before == nil {
		t.Fatal("no finding to begin with")
	}
	sealing := record.NewService(postgres.NewRecord(f.db), func() time.Time { return f.now })
	exams := examination.NewService(postgres.NewExaminations(f.db), f.objects, nil, &heard{}, sealing, nil, f.db, time.UTC, func() time.Time { return f.now })
	examine := func(term string, activity examination.Activity) {
		f.now = f.now.Add(time.Minute)
		t.Helper()
		e, err := exams.Begin(t.Context(), f.mara, o.ID, examination.NewExamination{Occasion: examination.PeriodicCheck})
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		must(err)
		c, no, yes := e.Circumstances, false, true
		c.Place, c.Light, c.Technique, c.Handles = "laboratory", []string{"normal"}, "by eye", &no
		looks := e.Looks()
		for i := range looks {
			looks[i].Seen = &yes
		}
		j := examination.Judgement{Overall: examination.Unacceptable, Priority: "high", NextCheckOn: f.now.AddDate(1, 0, 0).Format(time.DateOnly)}
		e, err = exams.Change(t.Context(), f.mara, e.ID, e.Version, examination.Changes{Circumstances: &c, Components: &looks, Judgement: &j})
		must(err)
		for _, old := range e.Observations {
			gone := old.Finding
			gone.Status, gone.Reason = examination.Gone, "no longer seen"
			e, err = exams.Set(t.Context(), f.mara, e.ID, e.Version, old.ID, gone)
			must(err)
		}
		e, _, err = exams.Add(t.Context(), f.mara, e.ID, e.Version, examination.NewFinding{ComponentID: &glove.ID, Finding: examination.Finding{Term: term, Severity: 3, Activity: activity}})
		must(err)
		if n := f.compute(); n != 0 {
			t.Errorf("a draft makes %d objects due", n)
		}
		_, err = exams.Sign(t.Context(), f.mara, e.ID, e.Version)
		must(err)
		if n := f.compute(); n != 1 {
			t.Errorf("a signed examination makes %d objects due", n)
		}
	}
	for _, c := range []struct {
		term     string
		activity examination.Activity
		active   bool
	}{{"tear", examination.Active, false}, {"tackiness", examination.Active, true}, {"tackiness", examination.Stable, false}} {
		examine(c.term, c.activity)
		x := f.chloride(o)
		if x == nil {
			t.Fatalf("%s, %s: no finding", c.term, c.activity)
		}
		if got := strings.Contains(strings.Join(x.Steps, "; "), "its decay is active"); got != c.active {
			t.Errorf("%s, %s: %v %q", c.term, c.activity, x.Severity, x.Steps)
		}
	}
}
