package examination

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// Outcome is what became of a damage between two examinations (E2).
type Outcome string

// The outcomes, the gravest first. Not seen is not gone (E3). NoProvenChange: figures or words differ, and
// nothing shows that the thing does. NotStated: the later examination does not say.
const (
	Worse          Outcome = "worse"
	Appeared       Outcome = "new"
	NoProvenChange Outcome = "no_proven_change"
	Unlooked       Outcome = "not_seen"
	NotStated      Outcome = "not_stated"
	Better         Outcome = "better"
	Ended          Outcome = "gone"
	Unchanged      Outcome = "unchanged"
)

// Outcomes lists them in the order in which they are shown.
var Outcomes = []Outcome{Worse, Appeared, NoProvenChange, Unlooked, NotStated, Better, Ended, Unchanged}

// coverage is the factor between a standard and an expanded uncertainty. Extents have expanded ones, so a change
// is called real when it is larger than its expanded uncertainty.
//
// source: JCGM 100:2008 (GUM), 6.2 and 6.3.3: k = 2 for about 95 %
const coverage = 2

// Change is what became of one damage. Before is nil of what is new, After of what the later examination does
// not have.
type Change struct {
	Outcome     Outcome     `json:"outcome"`
	Before      *AsFound    `json:"before,omitempty"`
	After       *AsFound    `json:"after,omitempty"`
	ComponentID *domain.ID  `json:"component_id,omitempty"` // nil: the whole object
	Called      string      `json:"called"`                 // the component; empty: the whole object
	Redescribed bool        `json:"redescribed"`            // another word for it than before
	FirstSight  bool        `json:"first_sight"`            // new, on a part that was not seen before
	Extent      *Difference `json:"extent,omitempty"`       // where both were measured alike
	Because     []string    `json:"because"`                // in words, why this is the outcome
}

// Says is the change in a line: "worse: crack on 1968.14.2.1a cuff (severity 3, was 2)".
func (c *Change) Says() string {
	name := ""
	switch {
	case c.After != nil:
		name = c.After.TermName
	case c.Before != nil:
		name = c.Before.TermName
	}
	said := strings.ReplaceAll(string(c.Outcome), "_", " ") + ": " + name
	if c.Called != "" {
		said += " on " + c.Called
	}
	if len(c.Because) > 0 {
		said += " (" + strings.Join(c.Because, "; ") + ")"
	}
	return said
}

// AsFound is a damage as one of the two examinations found it. Of what was not seen, or is gone, the rest is as it
// was last known.
type AsFound struct {
	ObservationID domain.ID `json:"observation_id"`
	TermName      string    `json:"term_name"`
	Finding
}

// Difference is a measured change: later minus earlier, in the unit of the kind.
type Difference struct {
	Kind  ExtentKind      `json:"kind"`
	Value decimal.Decimal `json:"value"`
	// Uncertainty is the expanded uncertainty (k = 2) of Value; nil where one of the two has none. Counts are
	// exact.
	Uncertainty *decimal.Decimal `json:"uncertainty,omitempty"`
	// Proven says that Value is larger than its uncertainty. Without an uncertainty nothing is proven.
	Proven bool `json:"proven"`
}

// Comparison is two examinations of one object side by side.
type Comparison struct {
	Before  Side            `json:"before"`
	After   Side            `json:"after"`
	Changes []Change        `json:"changes"`
	Counts  map[Outcome]int `json:"counts"`
	Overall Outcome         `json:"overall"` // of the grade: worse, better, unchanged, or not_stated
}

// Side is one of the two examinations in a comparison.
type Side struct {
	ID         domain.ID `json:"id"`
	State      State     `json:"state"`
	Occasion   Occasion  `json:"occasion"`
	ExaminedOn string    `json:"examined_on"`
	Examiner   Named     `json:"examiner"`
	Overall    Grade     `json:"overall"`
	Priority   string    `json:"priority"`
}

func side(e *Examination) Side {
	return Side{e.ID, e.State, e.Occasion, e.ExaminedOn, e.Examiner, e.Overall, e.Priority}
}

// Compare puts two examinations of one object side by side (E2). begun names for every observation of both the
// first observation of its thread, which examinations carry on from one to the next; an observation that it
// does not name begins its own. Observations of two threads are paired where both are of one component and one
// term and nothing else of them is.
func Compare(before, after *Examination, begun map[domain.ID]domain.ID) Comparison {
	c := Comparison{Before: side(before), After: side(after), Changes: []Change{}, Counts: map[Outcome]int{}, Overall: judged(before.Overall, after.Overall)}
	earlier := matched(before, after, begun)
	paired := map[domain.ID]bool{}
	for i := range after.Observations {
		o := &after.Observations[i]
		was := earlier[o.ID]
		if was != nil {
			paired[was.ID] = true
		}
		if change, ok := became(before, was, o); ok {
			c.Changes = append(c.Changes, change)
		}
	}
	for i := range before.Observations {
		if was := &before.Observations[i]; !paired[was.ID] && was.Status != Gone {
			c.Changes = append(c.Changes, unpaired(before, was, after))
		}
	}
	slices.SortStableFunc(c.Changes, func(a, b Change) int {
		return cmp.Compare(slices.Index(Outcomes, a.Outcome), slices.Index(Outcomes, b.Outcome))
	})
	for _, change := range c.Changes {
		c.Counts[change.Outcome]++
	}
	return c
}

// Alarming says whether the later examination found something new or worse, which at a hand-over opens an
// incident (L4).
func (c *Comparison) Alarming() bool { return c.Counts[Worse] > 0 || c.Counts[Appeared] > 0 }

// matched finds for observations of the later examination their partners in the earlier one.
func matched(before, after *Examination, begun map[domain.ID]domain.ID) map[domain.ID]*Observation {
	first := func(id domain.ID) domain.ID {
		if root, ok := begun[id]; ok {
			return root
		}
		return id
	}
	threads, earlier := map[domain.ID]*Observation{}, map[domain.ID]*Observation{}
	for i := range before.Observations {
		threads[first(before.Observations[i].ID)] = &before.Observations[i]
	}
	taken := map[domain.ID]bool{}
	for _, o := range after.Observations {
		if was := threads[first(o.ID)]; was != nil {
			earlier[o.ID], taken[was.ID] = was, true
		}
	}
	// The rest is paired by what it is, where that is plain.
	type kind struct {
		component domain.ID
		term      string
	}
	of := func(o Observation) kind {
		k := kind{term: o.Term}
		if o.ComponentID != nil {
			k.component = *o.ComponentID
		}
		return k
	}
	left, right := map[kind][]*Observation{}, map[kind][]*Observation{}
	for i := range before.Observations {
		if o := &before.Observations[i]; !taken[o.ID] && o.Status != Gone {
			left[of(*o)] = append(left[of(*o)], o)
		}
	}
	for i := range after.Observations {
		if o := &after.Observations[i]; earlier[o.ID] == nil {
			right[of(*o)] = append(right[of(*o)], o)
		}
	}
	for k, found := range right {
		if len(found) == 1 && len(left[k]) == 1 {
			earlier[found[0].ID] = left[k][0]
		}
	}
	return earlier
}

// became is what became of a damage that the later examination has; false when neither had it.
func became(before *Examination, was, now *Observation) (Change, bool) {
	c := Change{ComponentID: now.ComponentID, Called: now.Called, After: found(now), Because: []string{}}
	if was != nil {
		c.Before = found(was)
	}
	gone := was == nil || was.Status == Gone
	switch {
	case gone && !now.Status.Present():
		return Change{}, false // it came and went between the two, or was gone already
	case now.Status == Gone:
		c.Outcome, c.Because = Ended, append(c.Because, now.Reason)
	case now.Status == NotSeen:
		c.Outcome, c.Because = Unlooked, append(c.Because, now.Reason)
	case now.Status == Unanswered:
		c.Outcome, c.Because = NotStated, append(c.Because, "not answered yet")
	case gone:
		c.Outcome, c.FirstSight = Appeared, before.unseen(now.ComponentID)
		if was != nil {
			c.Because = append(c.Because, "it was gone, and is there again")
		}
		if c.FirstSight {
			c.Because = append(c.Because, "the part was not seen before, so it may be older")
		}
	default:
		c.weigh(was, now)
	}
	c.Because = slices.DeleteFunc(c.Because, func(s string) bool { return s == "" })
	return c, true
}

func found(o *Observation) *AsFound { return &AsFound{o.ID, o.TermName, o.Finding} }

// unpaired is what became of a damage that the later examination does not have.
func unpaired(before *Examination, was *Observation, after *Examination) Change {
	c := Change{Before: found(was), ComponentID: was.ComponentID, Called: was.Called, Because: []string{}}
	switch {
	case after.unseen(was.ComponentID):
		c.Outcome = Unlooked
	case after.FollowsID != nil && before.State == Signed:
		// Examinations answer for everything that those before them left open: one between the two found it gone.
		c.Outcome, c.Because = Ended, append(c.Because, "an examination between the two found it gone")
	default:
		c.Outcome = NotStated
	}
	return c
}

// weigh judges a damage that both examinations found.
func (c *Change) weigh(was, now *Observation) {
	worse, better, differs := false, false, false
	if was.Status == NotSeen {
		c.Because = append(c.Because, "the earlier examination did not see it: held against what was known last")
	}
	note := func(sign int, said string) {
		c.Because = append(c.Because, said)
		worse, better = worse || sign > 0, better || sign < 0
	}
	if was.Severity != 0 && now.Severity != 0 && was.Severity != now.Severity {
		note(cmp.Compare(now.Severity, was.Severity), fmt.Sprintf("severity %d, was %d", now.Severity, was.Severity))
	}
	switch {
	case was.Activity == Stable && now.Activity == Active:
		note(1, "active, was stable")
	case was.Activity == Active && now.Activity == Stable:
		note(-1, "stable, was active")
	}
	if was.Term != now.Term {
		c.Redescribed = true
		c.Because = append(c.Because, "called "+now.TermName+", was "+was.TermName)
	}
	switch d := difference(was.Extent, now.Extent); {
	case d != nil && d.Proven:
		c.Extent = d
		note(d.Value.Sign(), "extent "+d.Words())
	case d != nil:
		c.Extent = d
		if !d.Value.IsZero() {
			differs = true
			c.Because = append(c.Because, d.unproven())
		}
	case now.Extent != nil && was.Extent != nil:
		differs = true
		c.Because = append(c.Because, "the two extents are measured in different ways and cannot be compared")
	}
	if now.Status == Changed && !worse && !better {
		differs = true
		c.Because = append(c.Because, "the examiner says that it changed; no figure shows it")
	}
	switch {
	case worse:
		c.Outcome = Worse
	case better:
		c.Outcome = Better
	case differs:
		c.Outcome = NoProvenChange
	default:
		c.Outcome = Unchanged
	}
}

// difference is the measured change of an extent; nil when there is no pair that was measured alike.
//
// source: JCGM 100:2008 (GUM), 5.1.2: of a difference of two independent measurements u² = u₁² + u₂², and so
// U² = U₁² + U₂² where both have the same coverage factor
func difference(was, now *Extent) *Difference {
	if was == nil || now == nil || was.Kind != now.Kind || was.Of != now.Of {
		return nil
	}
	d := &Difference{Kind: now.Kind, Value: now.Value.Sub(was.Value)}
	switch {
	case now.Kind == Count:
		d.Proven = !d.Value.IsZero()
		exact := decimal.Zero
		d.Uncertainty = &exact
	case was.Uncertainty != nil && now.Uncertainty != nil:
		square := was.Uncertainty.Mul(*was.Uncertainty).Add(now.Uncertainty.Mul(*now.Uncertainty))
		d.Proven = d.Value.Mul(d.Value).GreaterThan(square)
		u := decimal.NewFromFloat(math.Sqrt(square.InexactFloat64())).Round(6)
		d.Uncertainty = &u
	}
	return d
}

// Words writes the change with its sign and its expanded uncertainty: "+130 ± 12 mm² (k = 2)".
func (d *Difference) Words() string {
	text := signed(d.Value)
	if d.Uncertainty != nil && d.Kind != Count {
		u, places := domain.TwoDigits(d.Uncertainty.InexactFloat64())
		text = signed(d.Value.Round(places)) + " ± " + u.String()
	}
	if unit := d.Kind.Unit(); unit != "" {
		text += " " + unit
	}
	if d.Uncertainty != nil && d.Kind != Count {
		text += " (k = 2)"
	}
	return text
}

func signed(v decimal.Decimal) string {
	if v.IsPositive() {
		return "+" + v.String()
	}
	return v.String()
}

// unproven says why a change of a figure proves nothing.
func (d *Difference) unproven() string {
	if d.Uncertainty == nil {
		return "extent " + d.Words() + ", with no uncertainty stated: no proven change"
	}
	return "extent " + d.Words() + ": no proven change"
}

// judged compares two grades.
func judged(before, after Grade) Outcome {
	switch a, b := before.rank(), after.rank(); {
	case a < 0 || b < 0:
		return NotStated
	case b > a:
		return Worse
	case b < a:
		return Better
	}
	return Unchanged
}
