package examination

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

func extent(kind ExtentKind, value string, uncertainty string) *Extent {
	x := &Extent{Kind: kind, Value: decimal.RequireFromString(value), Basis: "from marks on a photograph"}
	if uncertainty != "" {
		u := decimal.RequireFromString(uncertainty)
		x.Uncertainty = &u
	}
	if kind == Percent {
		x.Of = "visible surface"
	}
	return x
}

// pair is an earlier and a later examination with one damage that the later one carries on.
func pair(was, now Finding) (*Examination, *Examination) {
	part := domain.NewID()
	yes := true
	seen := []Seen{{ComponentID: part, Called: "1968.14.2.1a cuff", Seen: &yes}}
	before := &Examination{ID: domain.NewID(), State: Signed, Components: seen}
	before.ExaminedOn, before.Overall = "2024-03-01", Fair
	before.Observations = []Observation{{ID: domain.NewID(), ComponentID: &part, Called: seen[0].Called, TermName: was.Term, Finding: was}}
	after := &Examination{ID: domain.NewID(), State: Signed, FollowsID: &before.ID, Components: slices.Clone(seen)}
	after.ExaminedOn, after.Overall = "2025-03-01", Poor
	o := before.Observations[0].carried()
	o.Finding, o.TermName = now, now.Term
	after.Observations = []Observation{o}
	return before, after
}

func begun(examinations ...*Examination) map[domain.ID]domain.ID {
	back := map[domain.ID]*domain.ID{}
	for _, e := range examinations {
		for _, o := range e.Observations {
			back[o.ID] = o.ContinuesID
		}
	}
	roots := map[domain.ID]domain.ID{}
	for id := range back {
		root := id
		for back[root] != nil {
			root = *back[root]
		}
		roots[id] = root
	}
	return roots
}

// Rule E2: each damage has one outcome, with the reason in words; E3: not seen is not gone.
//
// source: the criterion of a proven change is JCGM 100:2008 (GUM), 5.1.2 and 6.3.3: |Δ| > √(U₁² + U₂²). By
// hand: U 6 and 8 give 10.
func TestE2Outcomes(t *testing.T) {
	crack := func(severity int, activity Activity, x *Extent, status Status) Finding {
		return Finding{Term: "crack", Severity: severity, Activity: activity, Extent: x, Status: status}
	}
	area := func(value, u string) *Extent { return extent(Area, value, u) }
	with := func(f Finding, change func(*Finding)) Finding { change(&f); return f }
	for _, c := range []struct {
		name     string
		was, now Finding
		want     Outcome
		says     string
	}{
		{"as it was", crack(2, Stable, area("100", "6"), New), crack(2, Stable, area("100", "6"), Confirmed), Unchanged, ""},
		{"graver", crack(2, Stable, nil, New), crack(3, Stable, nil, Changed), Worse, "severity 3, was 2"},
		{"less grave", crack(3, Stable, nil, New), crack(2, Stable, nil, Changed), Better, "severity 2, was 3"},
		{"begins again", crack(2, Stable, nil, New), crack(2, Active, nil, Changed), Worse, "active, was stable"},
		{"has come to rest", crack(2, Active, nil, New), crack(2, Stable, nil, Changed), Better, "stable, was active"},
		{"known now to be active", crack(2, UnknownActivity, nil, New), crack(2, Active, nil, Confirmed), Unchanged, ""},
		{"grown beyond 10", crack(2, Stable, area("100", "6"), New), crack(2, Stable, area("110.01", "8"), Changed), Worse, "+10 ± 10 mm² (k = 2)"},
		{"grown by 10", crack(2, Stable, area("100", "6"), New), crack(2, Stable, area("110", "8"), Confirmed), NoProvenChange, "no proven change"},
		{"shrunk beyond 10", crack(2, Stable, area("110.01", "8"), New), crack(2, Stable, area("100", "6"), Changed), Better, "-10 ± 10 mm²"},
		{"no uncertainty", crack(2, Stable, area("100", ""), New), crack(2, Stable, area("900", "4"), Confirmed), NoProvenChange, "no uncertainty"},
		{"one more", crack(2, Stable, extent(Count, "3", ""), New), crack(2, Stable, extent(Count, "4", ""), Changed), Worse, "+1"},
		{"measured otherwise", crack(2, Stable, area("100", "6"), New), crack(2, Stable, extent(Length, "40", "1"), Confirmed), NoProvenChange, "different ways"},
		{"percent of another thing", crack(2, Stable, extent(Percent, "10", "1"), New), crack(2, Stable, with(Finding{Extent: extent(Percent, "50", "1")}, func(f *Finding) { f.Extent.Of = "left side" }).Extent, Confirmed), NoProvenChange, "different ways"},
		{"graver and smaller", crack(2, Stable, area("110", "1"), New), crack(3, Stable, area("50", "1"), Changed), Worse, "-60"},
		{"said to have changed", crack(2, Stable, nil, New), crack(2, Stable, nil, Changed), NoProvenChange, "no figure"},
		{"gone", crack(2, Stable, nil, New), with(crack(2, Stable, nil, Gone), func(f *Finding) { f.Reason = "filled in 2024" }), Ended, "filled"},
		{"E3 not seen", crack(2, Stable, nil, New), with(crack(2, Stable, nil, NotSeen), func(f *Finding) { f.Reason = "under the coat" }), Unlooked, "coat"},
		{"not answered", crack(2, Stable, nil, New), crack(2, Stable, nil, Unanswered), NotStated, "not answered"},
		{"not seen the last time", crack(2, Stable, nil, NotSeen), crack(3, Stable, nil, Changed), Worse, "known last"},
		{"there again", crack(2, Stable, nil, Gone), crack(2, Stable, nil, Confirmed), Appeared, "there again"},
	} {
		before, after := pair(c.was, c.now)
		got := Compare(before, after, begun(before, after))
		if len(got.Changes) != 1 || got.Changes[0].Outcome != c.want || !strings.Contains(strings.Join(got.Changes[0].Because, "; "), c.says) {
			t.Errorf("%s: got %+v, want %s because %q", c.name, got.Changes, c.want, c.says)
		}
		if got.Overall != Worse || got.Counts[c.want] != 1 {
			t.Errorf("%s: overall %s, counts %v", c.name, got.Overall, got.Counts)
		}
		if alarming := c.want == Worse || c.want == Appeared; got.Alarming() != alarming {
			t.Errorf("%s: alarming is %v", c.name, got.Alarming())
		}
	}
}

// What one of the two does not have.
func TestE2OneSided(t *testing.T) {
	f := Finding{Term: "crack", Severity: 2, Activity: Stable, Status: New}
	outcome := func(before, after *Examination) Change {
		t.Helper()
		c := Compare(before, after, begun(before, after))
		if len(c.Changes) != 1 {
			t.Fatalf("got %+v", c.Changes)
		}
		return c.Changes[0]
	}
	before, after := pair(f, f)
	before.Observations = []Observation{}
	after.Observations[0].ContinuesID = nil
	if got := outcome(before, after); got.Outcome != Appeared || got.FirstSight {
		t.Errorf("new: %+v", got)
	}
	no := false
	before.Components = []Seen{{ComponentID: *after.Observations[0].ComponentID, Seen: &no, Reason: "in its case"}}
	if got := outcome(before, after); got.Outcome != Appeared || !got.FirstSight {
		t.Errorf("new on a part that was not seen: %+v", got)
	}

	before, after = pair(f, f)
	after.Observations = []Observation{}
	if got := outcome(before, after); got.Outcome != Ended {
		t.Errorf("found gone by one between the two: %+v", got)
	}
	after.Components[0].Seen = &no
	if got := outcome(before, after); got.Outcome != Unlooked {
		t.Errorf("E3: a part that was not seen: %+v", got)
	}
	after.Components, after.FollowsID = nil, nil
	if got := outcome(before, after); got.Outcome != NotStated {
		t.Errorf("an examination that follows nothing says nothing: %+v", got)
	}

	// Without a thread, the same word on the same part is the same damage, when there is one of each.
	before, after = pair(f, f)
	after.Observations[0].ContinuesID = nil
	if got := outcome(before, after); got.Outcome != Unchanged {
		t.Errorf("the same word on the same part: %+v", got)
	}
	again := after.Observations[0]
	again.ID = domain.NewID()
	after.Observations = append(after.Observations, again)
	if c := Compare(before, after, begun(before, after)); c.Counts[Appeared] != 2 || c.Counts[Unchanged] != 0 {
		t.Errorf("two of a word are not guessed at: %+v", c.Counts)
	}
	// Another word for it is said, and is no damage gone and another new.
	before, after = pair(f, Finding{Term: "ozone cracking", Severity: 2, Activity: Stable, Status: Confirmed})
	if got := outcome(before, after); got.Outcome != Unchanged || !got.Redescribed {
		t.Errorf("another word: %+v", got)
	}
}

// An examination that confirms everything shows no change, whatever the extents; and nothing is counted twice or
// left out.
func TestE2ConfirmedIsUnchanged(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 5))
	for range 100 {
		before := many(random, 1+random.IntN(60))
		after := &Examination{ID: domain.NewID(), State: Signed, FollowsID: &before.ID}
		for _, o := range before.Observations {
			c := o.carried()
			c.Status = Confirmed
			after.Observations = append(after.Observations, c)
		}
		c := Compare(before, after, begun(before, after))
		if c.Counts[Unchanged] != len(before.Observations) || len(c.Changes) != len(before.Observations) {
			t.Fatalf("%d observations: %v", len(before.Observations), c.Counts)
		}
		random.Shuffle(len(after.Observations), func(i, j int) {
			after.Observations[i], after.Observations[j] = after.Observations[j], after.Observations[i]
		})
		for i := range after.Observations {
			after.Observations[i].Status = []Status{Confirmed, Changed, Gone, NotSeen}[random.IntN(4)]
		}
		if c := Compare(before, after, begun(before, after)); len(c.Changes) != len(before.Observations) {
			t.Fatalf("%d of %d damages", len(c.Changes), len(before.Observations))
		}
	}
}

// The criterion holds its promise: of changes that are none, about one in twenty is called proven.
//
// source: JCGM 100:2008 (GUM), table G.1: 95.45 % within k = 2 of a normal distribution
func TestE2FalseAlarms(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 5))
	proven := 0
	const tries = 20000
	for range tries {
		x := func(u float64) *Extent {
			v, d := decimal.NewFromFloat(500+u*random.NormFloat64()), decimal.NewFromFloat(2*u)
			return &Extent{Kind: Area, Value: v, Uncertainty: &d}
		}
		if difference(x(7), x(11)).Proven {
			proven++
		}
	}
	if share := float64(proven) / tries; math.Abs(share-0.0455) > 0.006 {
		t.Errorf("%v of changes that are none are called proven", share)
	}
}

// source: JCGM 100:2008 (GUM), 7.2.6: at most two digits of an uncertainty, rounded up rather than to the nearest;
// the figure to the same place. Cases by hand.
func TestMeasuredIsRounded(t *testing.T) {
	for _, c := range []struct {
		value, standard float64
		want            string
	}{{741.33, 32.91, "741 ± 66 mm²"}, {12345, 1001, "12300 ± 2100 mm²"}, {3.14159, 0.0123, "3.142 ± 0.025 mm²"}, {5, 0, "5 ± 0 mm²"}, {0, 3, "0 ± 6 mm²"}} {
		if got := Measured(Area, c.value, c.standard, "", "b").Words(); got != c.want {
			t.Errorf("%v ± %v: %q, want %q", c.value, c.standard, got, c.want)
		}
	}
	if got := Measured(Count, 3, 0, "", "b").Words(); got != "3" {
		t.Errorf("three: %q", got)
	}
}

// many is an examination with observations of all sorts.
func many(random *rand.Rand, n int) *Examination {
	e := &Examination{ID: domain.NewID(), State: Signed}
	for range n {
		part := domain.NewID()
		f := Finding{Term: "crack", Severity: 1 + random.IntN(4), Activity: Activities[random.IntN(3)], Status: New}
		if random.IntN(3) > 0 {
			f.Extent = extent(ExtentKinds[random.IntN(4)], "12", "1")
		}
		e.Observations = append(e.Observations, Observation{ID: domain.NewID(), ComponentID: &part, Finding: f})
	}
	return e
}

func BenchmarkCompare500(b *testing.B) {
	before := many(rand.New(rand.NewPCG(1, 1)), 500)
	after := &Examination{ID: domain.NewID(), State: Signed, FollowsID: &before.ID}
	for _, o := range before.Observations {
		c := o.carried()
		c.Status, c.Severity = Changed, 4
		after.Observations = append(after.Observations, c)
	}
	roots := begun(before, after)
	for b.Loop() {
		Compare(before, after, roots)
	}
}
