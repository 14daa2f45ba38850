package enclosure_test

import (
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

func limits(t *testing.T) []enclosure.Limit {
	t.Helper()
	list, err := enclosure.Limits()
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// find is the only limit that fits.
func find(t *testing.T, g enclosure.Gas, k enclosure.Kind, years float64, concerns, printed string) enclosure.Limit {
	t.Helper()
	var found []enclosure.Limit
	for _, l := range limits(t) {
		if l.Gas == g && l.Kind == k && l.Years == years && l.Concerns == concerns && strings.HasPrefix(l.Printed, printed) {
			found = append(found, l)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%s %s %g %s %s: %d limits", g, k, years, concerns, printed, len(found))
	}
	return found[0]
}

// TestTargets holds the list against the printed table.
//
// source: Tétreault 2003, Airborne Pollutants in Museums, Galleries, and Archives, preservation targets
// for 1, 10 and 100 years (from memory).
func TestTargets(t *testing.T) {
	for g, row := range map[enclosure.Gas][3]float64{
		enclosure.AceticAcid: {1000, 100, 100}, enclosure.HydrogenSulfide: {1, 0.1, 0.01}, enclosure.NitrogenDioxide: {10, 1, 0.1},
		enclosure.Ozone: {10, 1, 0.1}, enclosure.SulfurDioxide: {10, 1, 0.1}, enclosure.FineDust: {10, 1, 0.1},
	} {
		for i, years := range []float64{1, 10, 100} {
			if l := find(t, g, enclosure.Target, years, "most objects", ""); l.Least != row[i] || l.Greatest != row[i] || l.Confidence != enclosure.Memory {
				t.Errorf("%s %g years: %+v", g, years, l)
			}
		}
	}
	for _, l := range limits(t) {
		if l.Gas == enclosure.HydrogenChloride && (l.Kind != enclosure.Guide || l.Confidence != enclosure.SecondHand) {
			t.Errorf("hydrogen chloride has no target: %+v", l)
		}
		if !domain.CleanText(l.Note+l.Source+l.Concerns) || l.Source == "" {
			t.Errorf("%+v is not clean", l)
		}
	}
}

// TestGuides holds some of the second table against what is printed, in ppb.
//
// source: Grzywacz 2006, Monitoring for Gaseous Pollutants in Museum Environments, appendix 2 (from
// memory).
func TestGuides(t *testing.T) {
	for _, c := range []struct {
		gas      enclosure.Gas
		concerns string
		printed  string
		from, to float64 // µg/m³ at 20 °C
	}{
		{enclosure.NitrogenDioxide, "sensitive materials", "0.05 to 2.6 ppb", 0.05 * 1.9125, 2.6 * 1.9125},
		{enclosure.Ozone, "action: extremely high", "75 to 250 ppb", 75 * 1.9953, 250 * 1.9953},
		{enclosure.SulfurDioxide, "general collections", "0.4 to 2 ppb", 0.4 * 2.6632, 2 * 2.6632},
		{enclosure.HydrogenSulfide, "action: high", "0.4 to 1.4 ppb", 0.4 * 1.4168, 1.4 * 1.4168},
		{enclosure.AceticAcid, "general collections", "40 to 280 ppb", 40 * 2.4964, 280 * 2.4964},
		{enclosure.FormicAcid, "action: high", "20 to 120 ppb", 20 * 1.9133, 120 * 1.9133},
		{enclosure.Formaldehyde, "action: extremely high", "160 to 480 ppb", 160 * 1.2482, 480 * 1.2482},
	} {
		l := find(t, c.gas, enclosure.Guide, 0, c.concerns, c.printed)
		near(t, c.printed, l.Least, c.from, 1e-4)
		near(t, c.printed, l.Greatest, c.to, 1e-4)
		if !strings.Contains(l.Printed, "(at 20 °C, 1013 hPa)") {
			t.Errorf("%q does not show the temperature", l.Printed)
		}
	}
}

// TestEffects: the levels that sources print in ppm, turned into mass.
//
// source: Tétreault et al. 2003, Corrosion of copper and lead by formaldehyde, formic and acetic acid
// vapours, Stud. Conserv.; Prošek et al.; Tétreault et al. 1998 (from memory).
func TestEffects(t *testing.T) {
	for _, c := range []struct {
		gas               enclosure.Gas
		kind              enclosure.Kind
		concerns, printed string
		want              float64
	}{
		{enclosure.FormicAcid, enclosure.Effect, "lead", "0.04 ppm", 77},
		{enclosure.FormicAcid, enclosure.Effect, "lead", "0.1 ppm", 191},
		{enclosure.FormicAcid, enclosure.Effect, "copper", "0.4 ppm", 765},
		{enclosure.Formaldehyde, enclosure.NoEffect, "lead and copper", "3 ppm", 3745},
		{enclosure.AceticAcid, enclosure.Effect, "copper and tin bronze", "300 ppb", 749},
		{enclosure.AceticAcid, enclosure.NoEffect, "lead", "430 µg/m³", 430},
	} {
		printed(t, c.printed, find(t, c.gas, c.kind, 0, c.concerns, c.printed).Least, c.want, 0.5)
	}
	near(t, "172 ppb", ppb(t, enclosure.AceticAcid, 430, 20, enclosure.StandardHPa), 172, 0.003)
}

func compare(t *testing.T, g enclosure.Gas, f enclosure.Figure, years float64) []enclosure.Comparison {
	t.Helper()
	list, err := enclosure.Compare(g, f, years)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// TestDose is X1 and X2.
//
// source: Ankersmit, Tennent & Watts 2005, Atmos. Environ. 39:695: silver, 3.85 µg/m³·year of H2S,
// printed as about 2.5 ppb·year, which fits 0 °C.
func TestDose(t *testing.T) {
	dose := func(f enclosure.Figure, years float64) enclosure.Comparison {
		for _, c := range compare(t, enclosure.HydrogenSulfide, f, years) {
			if c.Limit.Kind == enclosure.Dose {
				return c
			}
		}
		t.Fatal("no dose")
		return enclosure.Comparison{}
	}
	one := dose(enclosure.Figure{Middle: 0.30, Least: 0.1, Greatest: 0.6}, 10)
	printed(t, "X1", one.YearsTo.Middle, 12.833, 1e-3)
	near(t, "soonest", one.YearsTo.Least, 3.85/0.6, 1e-12)
	near(t, "latest", one.YearsTo.Greatest, 38.5, 1e-12)
	if one.Verdict != enclosure.Between || !strings.Contains(one.Words, "adding up dose is an assumption") {
		t.Errorf("%+v", one)
	}
	m, err := enclosure.ToUGM3(enclosure.HydrogenSulfide, enclosure.Figure{Middle: 0.3}, 20, enclosure.StandardHPa)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "X2 level", m.UGM3.Middle, 0.42504, 1e-5)
	two := dose(enclosure.Figure{Middle: m.UGM3.Middle, Least: m.UGM3.Middle, Greatest: m.UGM3.Middle}, 20)
	printed(t, "X2", two.YearsTo.Middle, 9.0580, 1e-4)
	if two.Verdict != enclosure.Above {
		t.Errorf("%+v", two)
	}
	if never := dose(enclosure.Figure{}, 10); never.YearsTo != nil || never.Verdict != enclosure.Below {
		t.Errorf("%+v", never)
	}
	printed(t, "ppb·year at 0 °C", ppb(t, enclosure.HydrogenSulfide, 3.85, 0, enclosure.StandardHPa), 2.53, 0.01)
	printed(t, "ppb·year at 20 °C", ppb(t, enclosure.HydrogenSulfide, 3.85, 20, enclosure.StandardHPa), 2.72, 0.01)
}

// TestCompare: the target for the years, and which side of it the range lies on.
func TestCompare(t *testing.T) {
	target := func(g enclosure.Gas, f enclosure.Figure, years float64) enclosure.Comparison {
		for _, c := range compare(t, g, f, years) {
			if c.Limit.Kind == enclosure.Target {
				return c
			}
		}
		t.Fatalf("no target for %g years", years)
		return enclosure.Comparison{}
	}
	f := enclosure.Figure{Middle: 0.5, Least: 0.2, Greatest: 0.9}
	for years, want := range map[float64]float64{0.5: 1, 1: 1, 1.5: 10, 10: 10, 30: 100, 100: 100, 200: 100} {
		if c := target(enclosure.Ozone, f, years); c.Limit.Years != want {
			t.Errorf("%g years: the target for %g", years, c.Limit.Years)
		}
	}
	if c := target(enclosure.Ozone, f, 10); c.Verdict != enclosure.Below || c.Ratio.Middle != 0.5 {
		t.Errorf("%+v", c)
	}
	if c := target(enclosure.Ozone, f, 100); c.Verdict != enclosure.Above || !strings.Contains(c.Words, "from memory") {
		t.Errorf("%+v", c)
	}
	if c := target(enclosure.Ozone, enclosure.Figure{Middle: 0.9, Least: 0.5, Greatest: 1.2}, 10); c.Verdict != enclosure.Between {
		t.Errorf("%+v", c)
	}
	if c := target(enclosure.Ozone, enclosure.Figure{Middle: 0.5, Least: 0.2, Greatest: 0.9, NoGreatest: true}, 10); c.Verdict != enclosure.Between {
		t.Errorf("a level without a greatest is below: %+v", c)
	}
	if c := target(enclosure.Ozone, f, 200); !strings.Contains(c.Words, "published for 100 years at most") {
		t.Error(c.Words)
	}
	if c := target(enclosure.Ozone, f, 5); !strings.Contains(c.Words, "target next above the 5 years") {
		t.Error(c.Words)
	}
	for _, c := range compare(t, enclosure.HydrogenChloride, enclosure.Figure{Middle: 29.1, Least: 20, Greatest: 40}, 10) {
		if c.Verdict != enclosure.Above || !strings.Contains(c.Words, "The source is weak") {
			t.Errorf("%+v", c)
		}
	}
	if c := compare(t, enclosure.MercuryVapour, f, 10); len(c) != 0 {
		t.Errorf("%+v", c)
	}
	if _, err := enclosure.Compare(enclosure.Ozone, f, 0); err == nil {
		t.Error("no years were taken")
	}
}

// TestCompareLevel: what has no figure is not compared, what rises passes every limit in time.
func TestCompareLevel(t *testing.T) {
	rising := levelIn(t, single(as(1), as(0), emitter(acetic, as(1), as(2))), "case", acetic)
	list, err := enclosure.CompareLevel(rising, 10)
	if err != nil || len(list) == 0 {
		t.Fatal(list, err)
	}
	for _, c := range list {
		if c.Verdict != enclosure.Above || !strings.Contains(c.Words, "rises without limit and passes") {
			t.Errorf("%+v", c)
		}
	}
	if !strings.Contains(list[0].Words, "about 2 days") && !strings.Contains(list[0].Words, "about 50 hours") {
		t.Error(list[0].Words)
	}
	unknown := levelIn(t, single(as(1), enclosure.Quantity{}, emitter(acetic, as(1), as(2))), "case", acetic)
	if list, err := enclosure.CompareLevel(unknown, 10); err != nil || list == nil || len(list) != 0 {
		t.Errorf("%+v, %v", list, err)
	}
	settled := levelIn(t, single(as(1), as(1), emitter(acetic, as(1), as(2))), "case", acetic)
	if list, err := enclosure.CompareLevel(settled, 10); err != nil || list[0].Verdict != enclosure.Below || list[0].Ratio.Middle < 0.47 {
		t.Errorf("%+v, %v", list, err)
	}
}
