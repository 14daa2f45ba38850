package measurement

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/measurement/colour"
)

var (
	noon = time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)
	ines = domain.Actor{ID: domain.NewID(), Name: "Ines", Roles: []domain.Role{domain.Conservator}}
)

func dec(text string) *decimal.Decimal {
	d := decimal.RequireFromString(text)
	return &d
}

func whole(n int) *int { return &n }

func spot(t *testing.T) *Spot {
	t.Helper()
	sheet := &collection.Sheet{Object: collection.Object{ID: domain.NewID(), Number: "1968.14.2"}}
	s, err := NewSpotOf(ines, NewSpot{Name: "left sleeve", Place: "outside, 40 mm above the ring"}, sheet, noon)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// tint is a reading of a colour, five times, with small deviations.
func tint(on, l, a, b string, change ...func(n *NewReading)) NewReading {
	n := NewReading{Quantity: Colour, MeasuredOn: on, N: whole(5), Instrument: "sphere instrument 2", Method: "template",
		Colour: &NewTint{L: dec(l), A: dec(a), B: dec(b), SDL: dec("0.1"), SDA: dec("0.06"), SDB: dec("0.09"), Illuminant: "D65", Observer: "10", Geometry: SpecularIncluded, ApertureMM: dec("6")}}
	for _, f := range change {
		f(&n)
	}
	return n
}

func ph(on, value, pm string) NewReading {
	n := NewReading{Quantity: PH, MeasuredOn: on, Value: dec(value), Method: "surface electrode, 2 min", Instrument: "meter 1"}
	if pm != "" {
		n.PlusMinus = dec(pm)
	}
	return n
}

func read(t *testing.T, s *Spot, n NewReading) *Reading {
	t.Helper()
	r, err := NewReadingAt(ines, n, s, noon)
	if err != nil {
		t.Fatalf("%+v: %v", n, err)
	}
	return r
}

func pointers(err error) []string {
	var e *domain.Error
	var all []string
	if errors.As(err, &e) {
		for _, f := range e.Fields {
			all = append(all, f.Pointer)
		}
	}
	return all
}

func TestReadingRefused(t *testing.T) {
	s := spot(t)
	for name, c := range map[string]struct {
		n  NewReading
		at string
	}{
		"tomorrow's":            {ph("2026-02-09", "5", "0.3"), "/measured_on"},
		"no day":                {ph("2026-02-31", "5", "0.3"), "/measured_on"},
		"pH above the scale":    {ph("2026-02-06", "15", "0.3"), "/value"},
		"negative ±":            {ph("2026-02-06", "5", "-0.3"), "/plus_minus"},
		"no figure":             {NewReading{Quantity: PH, MeasuredOn: "2026-02-06", Method: "m", Instrument: "i"}, "/value"},
		"a strip between steps": {NewReading{Quantity: Strip, MeasuredOn: "2026-02-06", Value: dec("1.2"), Method: "m", Instrument: "i"}, "/value"},
		"no mass":               {NewReading{Quantity: Mass, MeasuredOn: "2026-02-06", Value: dec("0"), Method: "m", Instrument: "i"}, "/value"},
		"no method":             {NewReading{Quantity: Mass, MeasuredOn: "2026-02-06", Value: dec("4"), Instrument: "i"}, "/method"},
		"no instrument":         {NewReading{Quantity: Mass, MeasuredOn: "2026-02-06", Value: dec("4"), Method: "m"}, "/instrument"},
		"a pH with a colour": {func() NewReading {
			n := ph("2026-02-06", "5", "")
			n.Colour = tint("2026-02-06", "1", "1", "1").Colour
			return n
		}(), "/colour"},
		"a colour with a figure": {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Value = dec("4") }), "/value"},
		"colour without colour":  {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Colour = nil }), "/colour"},
		"without geometry":       {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Colour.Geometry = "" }), "/colour/geometry"},
		"without aperture":       {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Colour.ApertureMM = nil }), "/colour/aperture_mm"},
		"without n":              {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.N = nil; n.Colour.SDL, n.Colour.SDA, n.Colour.SDB = nil, nil, nil }), "/n"},
		"deviation of one":       {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.N = whole(1) }), "/n"},
		"one deviation alone":    {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Colour.SDA = nil }), "/colour/sd_l"},
		"half a colour":          {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Colour.A = nil }), "/colour/l"},
		"30 wavelengths": {tint("2026-02-06", "50", "0", "0", func(n *NewReading) {
			n.Colour.L, n.Colour.A, n.Colour.B, n.Colour.Spectrum = nil, nil, nil, make([]float64, 30)
		}), "/colour/spectrum"},
		"spectrum and L*":        {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Colour.Spectrum = make([]float64, 31) }), "/colour/spectrum"},
		"unnamed shade":          {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Role = Protected }), "/source"},
		"maker without document": {tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Role = Specified }), "/source"},
	} {
		_, err := NewReadingAt(ines, c.n, s, noon)
		if !slices.Contains(pointers(err), c.at) {
			t.Errorf("%s: %v, want a fault at %s", name, err, c.at)
		}
	}
	if _, err := NewSpotOf(ines, NewSpot{Name: "a", Place: "b", XPX: whole(4)}, &collection.Sheet{}, noon); err == nil {
		t.Error("half a point is taken")
	}
}

func TestSpectrumGivesColour(t *testing.T) {
	even := make([]float64, colour.SpectrumLength)
	for i := range even {
		even[i] = 0.5
	}
	r := read(t, spot(t), tint("2026-02-06", "50", "0", "0", func(n *NewReading) { n.Colour.L, n.Colour.A, n.Colour.B, n.Colour.Spectrum = nil, nil, nil, even }))
	// source: ISO/CIE 11664-4: L* of Y = 50 is 76.0693, and a neutral has no a* and b*.
	if l := r.Colour.L.InexactFloat64(); math.Abs(l-76.0693) > 1e-4 || !r.Colour.A.IsZero() || !r.Colour.B.IsZero() {
		t.Errorf("%+v", r.Colour)
	}
}

// E2: a change smaller than its uncertainty is no proven change.
//
// source: JCGM 100:2008 (GUM), 5.1.2: √(0.3² + 0.4²) = 0.5.
func TestE2FigureChange(t *testing.T) {
	s := spot(t)
	before := read(t, s, ph("2024-02-06", "5.2", "0.3"))
	for _, c := range []struct {
		value, pm string
		known     bool
		proven    bool
		says      string
	}{
		{"4.8", "0.4", true, false, "No proven change"},
		{"4.7", "0.4", true, false, "No proven change"}, // exactly the ±
		{"4.69", "0.4", true, true, "more acid"},
		{"5.8", "0.4", true, true, "less acid"},
		{"4.2", "", false, false, "how sure is not known"},
	} {
		change, err := Compare(before, read(t, s, ph("2026-02-06", c.value, c.pm)))
		if err != nil {
			t.Fatal(err)
		}
		if change.Known != c.known || change.Proven != c.proven || !strings.Contains(change.Said, c.says) {
			t.Errorf("%s ± %s: %+v", c.value, c.pm, change)
		}
		if c.known && math.Abs(change.PlusMinus-0.5) > 1e-12 {
			t.Errorf("± %v", change.PlusMinus)
		}
	}
}

// Comparing is fair: turned round, the difference is the same with the other sign, and as sure.
func TestE2BothWays(t *testing.T) {
	s, dice := spot(t), rand.New(rand.NewPCG(1, 1))
	figure := func(most float64) string { return decimal.NewFromFloat(dice.Float64() * most).Round(3).String() }
	for range 500 {
		one, two := read(t, s, ph("2025-02-06", figure(14), figure(1))), read(t, s, ph("2026-02-06", figure(14), figure(1)))
		there, err := Compare(one, two)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Compare(two, one)
		if err != nil {
			t.Fatal(err)
		}
		if there.Difference != -back.Difference || there.Proven != back.Proven || there.PlusMinus != back.PlusMinus {
			t.Fatalf("%+v\n%+v", there, back)
		}
	}
}

func TestColoursUnderDifferentConditions(t *testing.T) {
	s := spot(t)
	before := read(t, s, tint("2024-02-06", "40", "10", "5"))
	for name, c := range map[string]struct {
		change func(n *NewReading)
		says   string
	}{
		"illuminant": {func(n *NewReading) { n.Colour.Illuminant = "D50" }, "illuminant (D65 and D50)"},
		"observer":   {func(n *NewReading) { n.Colour.Observer = "2" }, "observer (10° and 2°)"},
		"geometry":   {func(n *NewReading) { n.Colour.Geometry = SpecularExcluded }, "geometry"},
		"aperture":   {func(n *NewReading) { n.Colour.ApertureMM = dec("3") }, "aperture (6 mm and 3 mm)"},
	} {
		_, err := Compare(before, read(t, s, tint("2026-02-06", "40", "10", "5", c.change)))
		if domain.KindOf(err) != domain.KindRefused || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	other := *before
	other.ID, other.ObjectID = domain.NewID(), domain.NewID()
	withdrawn := *before
	withdrawn.ID, withdrawn.Withdrawn = domain.NewID(), &Withdrawal{}
	for name, later := range map[string]*Reading{"another object": &other, "another quantity": read(t, s, ph("2026-02-06", "5", "")), "withdrawn": &withdrawn, "itself": before} {
		if _, err := Compare(before, later); domain.KindOf(err) != domain.KindRefused {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestSeries(t *testing.T) {
	s := spot(t)
	first, wrong := read(t, s, tint("2022-02-06", "38", "11", "-6")), read(t, s, tint("2023-02-06", "90", "0", "0"))
	if err := wrong.Withdraw(ines, NewWithdrawal{Reason: "Measured on the template."}, noon); err != nil {
		t.Fatal(err)
	}
	if err := wrong.Withdraw(ines, NewWithdrawal{Reason: "Again."}, noon); domain.KindOf(err) != domain.KindConflict {
		t.Errorf("twice withdrawn: %v", err)
	}
	same, faded := read(t, s, tint("2024-02-06", "38.05", "11", "-6.02")), read(t, s, tint("2026-02-06", "42", "9", "-2"))
	other := read(t, s, tint("2025-02-06", "39", "11", "-6", func(n *NewReading) { n.Colour.Observer = "2" }))
	series := SeriesOf(*s, Colour, []Reading{*faded, *wrong, *other, *first, *same})
	if len(series.Points) != 4 || len(series.Withdrawn) != 1 || *series.BaselineID != first.ID {
		t.Fatalf("%+v", series)
	}
	p := series.Points
	if p[0].Change != nil || p[1].Change.Proven || p[2].Change != nil || !strings.Contains(p[2].Refused, "observer") || !p[3].Change.Proven {
		t.Errorf("%+v", p)
	}
	if said := p[3].Change.Said; !strings.Contains(said, "lighter") || !strings.Contains(said, "duller") {
		t.Error(said)
	}
	if series.Origin != nil {
		t.Errorf("origin without a reference: %+v", series.Origin)
	}
	// A new baseline counts from its day on.
	again := read(t, s, tint("2026-02-06", "42", "9", "-2", func(n *NewReading) { n.Role = Baseline }))
	again.RecordedAt = noon.Add(time.Hour)
	series = SeriesOf(*s, Colour, []Reading{*first, *faded, *again})
	if *series.BaselineID != again.ID || !series.Points[1].Change.Proven {
		t.Errorf("%+v", series.Points)
	}
}

// 'Faded, or made so?' over the whole grid of what is known.
func TestOrigin(t *testing.T) {
	s := spot(t)
	as := func(role Role, l string) NewReading {
		return tint("2026-01-06", l, "10", "5", func(n *NewReading) { n.Role, n.Source = role, "the inside of the pocket" })
	}
	for name, c := range map[string]struct {
		now, protected, specified, says string
	}{
		"no reference but the maker's, off":   {"50", "", "40", "cannot be told without a protected area"},
		"no reference but the maker's, as is": {"40", "", "40.02", "does not differ provably from the maker's"},
		"protected only, same":                {"40", "40.02", "", "Nothing says that it faded"},
		"protected only, apart":               {"50", "40", "", "changed here"},
		"faded since it was made":             {"50", "40", "40.02", "changed since it was made"},
		"both differ from the maker's":        {"50", "50.02", "40", "made so, or both changed alike"},
		"as made":                             {"40", "40.02", "40.01", "as it was made"},
		"all three differ":                    {"50", "45", "40", "changed here"},
	} {
		all := []Reading{*read(t, s, tint("2026-02-06", c.now, "10", "5"))}
		if c.protected != "" {
			all = append(all, *read(t, s, as(Protected, c.protected)))
		}
		if c.specified != "" {
			all = append(all, *read(t, s, as(Specified, c.specified)))
		}
		o := SeriesOf(*s, Colour, all).Origin
		if o == nil || !strings.Contains(o.Answer, c.says) || len(o.Because) == 0 {
			t.Errorf("%s: %+v, want %q", name, o, c.says)
		}
	}
	// Under another illuminant nothing can be told, and the reason is given.
	other := read(t, s, as(Protected, "40"))
	other.Colour.Illuminant = "A"
	o := SeriesOf(*s, Colour, []Reading{*read(t, s, tint("2026-02-06", "50", "10", "5")), *other}).Origin
	if o == nil || !strings.Contains(o.Answer, "cannot be told yet") || !strings.Contains(o.Because[0], "illuminant") {
		t.Errorf("%+v", o)
	}
}

func TestFiguresInWords(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 1.746: "1.75", 0.5: "0.5", 0.0312: "0.031", 12: "12", 1e-9: "0"} {
		if got := figure(v); got != want {
			t.Errorf("%v: %s, want %s", v, got, want)
		}
	}
	if y := Years("2024-02-06", "2026-02-06"); math.Abs(y-2) > 0.005 {
		t.Errorf("%v years", y)
	}
}

// Rule E2: of what was measured at two examinations, what changed and how surely.
func TestE2PairsOfReadings(t *testing.T) {
	s, other := spot(t), spot(t)
	other.ObjectID = s.ObjectID
	known := func(at *Spot, r *Reading) Known { return Known{Reading: *r, SpotName: at.Name} }
	early, late, once := read(t, s, ph("2022-02-06", "4.9", "0.2")), read(t, s, ph("2024-02-06", "4.3", "0.2")), read(t, other, ph("2021-02-06", "5", "0.2"))
	d65, d50 := read(t, s, tint("2022-02-06", "40", "10", "-3")), read(t, s, tint("2024-02-06", "42", "10", "-3", func(n *NewReading) { n.Colour.Illuminant = "D50" }))
	fresh := read(t, other, tint("2024-02-06", "42", "10", "-3"))
	all := PairsOf([]Known{known(s, early), known(s, d65), known(other, once)}, []Known{known(s, late), known(s, d50), known(other, once), known(other, fresh)})
	if len(all) != 4 {
		t.Fatalf("%d pairs: %+v", len(all), all)
	}
	// By hand: 4.3 − 4.9 = −0.6, and √(0.2² + 0.2²) = 0.283.
	if p := all[0]; !p.Proven() || p.Change.Difference != -0.6 || math.Abs(p.Change.PlusMinus-0.28284) > 1e-5 || p.Says() != p.Change.Said {
		t.Errorf("pH: %+v %+v", p, p.Change)
	}
	if p := all[1]; p.Change != nil || p.Proven() || !strings.Contains(p.Says(), "illuminant") {
		t.Errorf("under different illuminants: %+v", p)
	}
	if p := all[2]; p.Before == nil || p.After != nil || p.Says() != "Not read since." {
		t.Errorf("not repeated: %+v", p)
	}
	if p := all[3]; p.Before != nil || p.After == nil || p.Says() != "Read for the first time." {
		t.Errorf("new: %+v", p)
	}
}
