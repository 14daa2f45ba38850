package enclosure_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

var (
	keeper = domain.Actor{ID: domain.NewID(), Name: "Ines Falkenberg", Roles: []domain.Role{domain.Conservator}}
	noon   = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
)

// G1 as air changes: a ring of 100 mm with 1 mm, for carbon dioxide, of 2 litres; in a glove in a
// case each space counts what it exchanges with everything outside it, also with the other.
//
// source: Fick's law with the coefficient of Massman 1998, A review of the molecular diffusivities;
// worked by hand: 19.36 a day.
func TestRenewals(t *testing.T) {
	gap := ring(enclosure.RingLying, 1)
	n := enclosure.Network{Air: room20, Rooms: []enclosure.Room{{Name: "store"}},
		Spaces: []enclosure.Space{{Name: "glove", VolumeM3: as(0.002)}, {Name: "case", VolumeM3: as(0.2)}, {Name: "box", VolumeM3: as(0.03)}, {Name: "bag", VolumeM3: as(0.01)}, {Name: "drawer", VolumeM3: as(0.01)}},
		Exchanges: []enclosure.Exchange{{Name: "ring", Inner: "glove", Outer: "case", Gap: &gap},
			{Name: "door", Inner: "case", Outer: "store", Rate: &enclosure.Rate{PerDay: as(0.5).Between(0.3, 1)}},
			{Name: "lid", Inner: "box", Outer: "store", Rate: &enclosure.Rate{}},
			{Name: "zip", Inner: "drawer", Outer: "store", Rate: &enclosure.Rate{PerDay: as(0)}}}}
	all, err := enclosure.Renewals(n, enclosure.ReferenceGas)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "glove", all[0].PerDay.Middle, 19.36+enclosure.BreathingPerDay, 0.01)
	printed(t, "case", all[1].PerDay.Middle, 0.5+(19.36+enclosure.BreathingPerDay)*0.002/0.2, 0.001)
	if p := all[1].PerDay; math.Abs(p.Greatest-p.Least-0.7) > 0.01 {
		t.Errorf("the range of the case: %v", p)
	}
	if all[2].PerDay != nil || !strings.Contains(strings.Join(all[2].Missing, " "), "exchange per day of lid") {
		t.Errorf("without a rate: %+v", all[2])
	}
	if all[3].PerDay != nil || !slices.Equal(all[3].Missing, []string{"a path of air"}) {
		t.Errorf("without a path: %+v", all[3])
	}
	if all[4].PerDay == nil || all[4].PerDay.Middle != 0 {
		t.Errorf("closed: %+v", all[4])
	}
	n.Air.TempC = enclosure.Quantity{}
	if all, _ = enclosure.Renewals(n, enclosure.ReferenceGas); all[0].PerDay != nil {
		t.Errorf("a gap without a temperature: %+v", all[0])
	}
	if _, err := enclosure.Renewals(n, enclosure.MercuryVapour); err != nil {
		t.Error(err) // no coefficient: no figure, no fault
	}
}

func gloveFacts() enclosure.Facts {
	return enclosure.Facts{Label: "Left glove", Kind: enclosure.Glove, Network: closedGlove()}
}

// What is saved tells each object that lies in it or lay in it, once, so that what is said of it is looked
// at anew.
func TestObjectsAreTold(t *testing.T) {
	one, two, part := domain.NewID(), domain.NewID(), domain.NewID()
	f := gloveFacts()
	f.Members = []enclosure.Placed{{Space: "glove", ObjectID: one}, {Space: "glove", ObjectID: one, ComponentID: &part}}
	told := func(e *enclosure.Enclosure) (ids []domain.ID) {
		for _, event := range e.Events() {
			if event.Object != nil {
				ids = append(ids, *event.Object)
			}
		}
		return ids
	}
	e, err := enclosure.Make(keeper, f, noon)
	if err != nil {
		t.Fatal(err)
	}
	if got := told(e); !slices.Equal(got, []domain.ID{one}) {
		t.Errorf("%v", got)
	}
	f.Members = []enclosure.Placed{{Space: "glove", ObjectID: two}}
	if err := e.Change(keeper, f, noon); err != nil {
		t.Fatal(err)
	}
	if got := told(e); !slices.Equal(got, []domain.ID{one, two, one}) {
		t.Errorf("%v", got)
	}
	f.Label = ""
	if before := *e; e.Change(keeper, f, noon) == nil || e.Label != before.Label || len(told(e)) != 3 {
		t.Error("a refusal changes something")
	}
}

// Every default is whole: a figure with its source, or words that there is none; and for what no rate is
// printed there is none here.
func TestDefaults(t *testing.T) {
	all, err := enclosure.Defaults()
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range all {
		if d.Words() == "" || d.Unit == "" {
			t.Errorf("%+v", d)
		}
		if d.What == enclosure.EmissionOf && slices.Contains([]enclosure.Gas{enclosure.HydrogenChloride, enclosure.HydrogenSulfide, enclosure.CarbonylSulfide, enclosure.NitrogenDioxide}, d.Gas) && d.Quantity.Given() {
			t.Errorf("a rate that nobody printed: %+v", d)
		}
	}
	// source: Smedemark et al. 2020, Heritage Science 8:58: 10 to 300 µg/(m²·h) of formic and acetic acid
	// from wood and paper at 23 °C and 50 % RH.
	wood := all[slices.IndexFunc(all, func(d enclosure.Default) bool { return d.Of == "wood and paper" })]
	if least, greatest := wood.Quantity.Ends(); least != 10 || greatest != 300 || *wood.TempC != 23 || wood.Quantity.Basis != enclosure.Published {
		t.Errorf("%+v", wood)
	}
	// source: Heritage Science 2022, s40494-022-00673-x, table 2: NO2 0.004, O3 0.021 to 0.077 cm/s.
	ozone := all[slices.IndexFunc(all, func(d enclosure.Default) bool { return d.Gas == enclosure.Ozone })]
	if least, greatest := ozone.Quantity.Ends(); least != 0.021 || greatest != 0.077 || ozone.Unit != "cm/s" {
		t.Errorf("%+v", ozone)
	}
}

// The verdict names the highest limit that is passed, or the lowest that may be.
//
// source: Tétreault 2003, Airborne Pollutants in Museums, Galleries, and Archives, table of preservation
// targets (from memory): H2S 1 µg/m³ for 1 year, 0.1 for 10, 0.01 for 100.
func TestJudge(t *testing.T) {
	level := func(g enclosure.Gas, middle, least, greatest float64) enclosure.Level {
		return enclosure.Level{Space: "case", Gas: g, State: enclosure.Settled, UGM3: enclosure.Figure{Middle: middle, Least: least, Greatest: greatest}}
	}
	for _, c := range []struct {
		what    string
		level   enclosure.Level
		verdict enclosure.Verdict
		said    string
	}{
		{"below all", level(enclosure.HydrogenSulfide, 0.001, 0.001, 0.002), enclosure.Below, "Below all"},
		{"above some", level(enclosure.HydrogenSulfide, 0.5, 0.4, 0.6), enclosure.Above, "the highest of them is"},
		{"perhaps above", level(enclosure.AceticAcid, 8, 1, 60), enclosure.Between, "the lowest of them is"},
		{"a gas without limits", level(enclosure.Methane, 8, 8, 8), enclosure.NoLimit, "does not make the level safe"},
		{"no figure", enclosure.Level{Gas: enclosure.AceticAcid, State: enclosure.Unknown, Answer: "No level can be given."}, enclosure.NoFigure, "No level can be given"},
		{"no end", enclosure.Level{Gas: enclosure.AceticAcid, State: enclosure.Rising, RiseUGM3H: enclosure.Figure{Middle: 10, Least: 10, Greatest: 10}}, enclosure.Unlimited, "rises without limit"},
	} {
		j, err := enclosure.Judge(c.level, 10)
		if err != nil || j.Verdict != c.verdict || !strings.Contains(j.Said, c.said) {
			t.Errorf("%s: %s %q %v", c.what, j.Verdict, j.Said, err)
		}
	}
}

// A what-if that is asked: the course ends where the steady level is, and a widening gap never raises it.
func TestAsk(t *testing.T) {
	n := closedGlove()
	last := math.Inf(1)
	for _, width := range []float64{0.1, 0.3, 1, 3, 10} {
		g := ring(enclosure.RingLying, width)
		a, err := n.Ask(enclosure.Question{Changes: []enclosure.Change{{Act: enclosure.SetGap, Exchange: "ring", Gap: &g}}, Hours: 24 * 30})
		if err != nil {
			t.Fatal(err)
		}
		level, course := a.Differences[0].After.UGM3.Middle, a.Courses[0].After.Middle
		if level >= last {
			t.Errorf("%g mm raises the level to %g", width, level)
		}
		last = level
		near(t, "the end of the course", course[len(course)-1], level, 1e-3)
		if a.Courses[0].Hours[len(course)-1] != 720 || a.Years != enclosure.YearsDefault {
			t.Errorf("%+v", a.Years)
		}
	}
	if _, err := n.Ask(enclosure.Question{Changes: []enclosure.Change{{Act: enclosure.SetTemp, TempC: as(293)}}}); err == nil {
		t.Error("kelvin are taken")
	}
}

// Every input of a level is shown with its unit, but for factors and shares.
func TestInputsHaveUnits(t *testing.T) {
	n := large(12, 0.5)
	n.Spaces[3].Surfaces[0].Covered, n.Spaces[3].Surfaces[0].Passing = true, as(0.5)
	e := &n.Spaces[0].Surfaces[0].Emissions[0]
	e.TempC, e.ActivationKJMol, e.EquilibriumUGM3 = as(23), as(50), as(500)
	n.Air.PressureHPa = as(1000)
	gap := ring(enclosure.RingStanding, 1)
	gap.TempDiffK, gap.DailyTempK, gap.DailyPressureHPa, gap.InnerDepthMM, gap.InnerWidthMM = as(1), as(2), as(10), as(250), as(80)
	n.Exchanges = append(n.Exchanges, enclosure.Exchange{Name: "opened ring", Inner: "space 4", Outer: "corridor", Gap: &gap})
	units := map[string]bool{}
	for _, l := range steady(t, n) {
		for _, in := range l.Inputs {
			units[in.Unit] = true
			if in.Unit == "" && !strings.HasPrefix(in.What, "factor") && !strings.HasPrefix(in.What, "share") {
				t.Errorf("%s has no unit", in.What)
			}
		}
	}
	if len(units) < 10 {
		t.Errorf("only %v", units)
	}
}

// BenchmarkAsk: what a page asks for of a glove: steady levels and a week, before and after, with ranges.
func BenchmarkAsk(b *testing.B) {
	n := closedGlove()
	n.Spaces[0].Surfaces[0].Emissions[0].RateUGM2H = as(0.5).Between(0.1, 1)
	g := ring(enclosure.RingLying, 3)
	g.WidthMM = as(3).Between(2, 4)
	for b.Loop() {
		if _, err := n.Ask(enclosure.Question{Changes: []enclosure.Change{{Act: enclosure.SetGap, Exchange: "ring", Gap: &g}}, Hours: 168}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkAskMost: the largest enclosure that is kept: 60 spaces with ranges throughout.
func BenchmarkAskMost(b *testing.B) {
	n := large(60, 0.5)
	for b.Loop() {
		if _, err := n.Ask(enclosure.Question{Changes: []enclosure.Change{{Act: enclosure.SetTemp, TempC: as(10)}}, Hours: 168}); err != nil {
			b.Fatal(err)
		}
	}
}
