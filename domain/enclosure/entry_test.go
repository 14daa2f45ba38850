package enclosure_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

// same allows for the last bits of a change of unit.
func same(a, b float64) bool { return math.Abs(a-b) <= 1e-14*math.Abs(b) }

// What people type, with its unit and range. Units: source: BIPM, The International System of Units,
// 9th edition, 2019, tables 5 and 8.
func TestParse(t *testing.T) {
	for _, test := range []struct {
		m                      enclosure.Measure
		text                   string
		value, least, greatest float64
	}{
		{enclosure.Volumes, "2", 0.002, 0, 0},
		{enclosure.Volumes, " 2 l ", 0.002, 0, 0},
		{enclosure.Volumes, "2,1 l", 0.0021, 0, 0},
		{enclosure.Volumes, "2000 ml", 0.002, 0, 0},
		{enclosure.Volumes, "40 m³", 40, 0, 0},
		{enclosure.Volumes, "2 (1.8 to 2.2) l", 0.002, 0.0018, 0.0022},
		{enclosure.Volumes, "2 l (1.8 – 2.2)", 0.002, 0.0018, 0.0022},
		{enclosure.Volumes, "1.5-2.5", 0.002, 0.0015, 0.0025},
		{enclosure.Volumes, "1.5 to 2.5 l", 0.002, 0.0015, 0.0025},
		{enclosure.Volumes, "2 ± 0.2", 0.002, 0.0018, 0.0022},
		{enclosure.Lengths, "3 mm", 3, 0, 0},
		{enclosure.Lengths, "0.3cm", 3, 0, 0},
		{enclosure.Lengths, "1e-3 m", 1, 0, 0},
		{enclosure.Temperatures, "-5", -5, 0, 0},
		{enclosure.Temperatures, "−5 to 5 °C", 0, -5, 5},
		{enclosure.Areas, "0.1 m²", 0.1, 0, 0},
		{enclosure.Areas, "1000", 0.1, 0, 0},
		{enclosure.EmissionRate, "0.5 µg/(m²·h)", 0.5, 0, 0},
		{enclosure.EmissionRate, "55 (10 to 300) ug/m2/h", 55, 10, 300},
		{enclosure.DailyRates, "1 per hour", 24, 0, 0},
		{enclosure.DailyRates, "0.3 /d", 0.3, 0, 0},
		{enclosure.Velocities, "36 m/h", 1, 0, 0},
		{enclosure.Shares, "5 %", 0.05, 0, 0},
		{enclosure.Lengths, "", 0, 0, 0},
	} {
		q, err := test.m.Parse(test.text)
		if err != nil || !same(q.Value, test.value) || !same(q.Least, test.least) || !same(q.Greatest, test.greatest) {
			t.Errorf("%q: %g %g %g %v", test.text, q.Value, q.Least, q.Greatest, err)
		}
	}
}

// Mixed units, units of something else, and what is no number are refused with words that say what to do.
func TestParseRefuses(t *testing.T) {
	for _, test := range []struct {
		m          enclosure.Measure
		text, said string
	}{
		{enclosure.Volumes, "2 l (1500 to 2500 ml)", "one unit"},
		{enclosure.Volumes, "2 mm", "a unit of a length"},
		{enclosure.Lengths, "3 l", "a unit of a volume"},
		{enclosure.Volumes, "two", "cannot be read"},
		{enclosure.Volumes, "2 bushels", "not known"},
		{enclosure.Volumes, "2 (1 to", "cannot be read"},
		{enclosure.Volumes, "2 (1 to 3", "cannot be read"},
		{enclosure.Volumes, "2 l 3", "not known"},
		{enclosure.Lengths, "1e999", "cannot be read"},
		{enclosure.Lengths, "-", "cannot be read"},
		{enclosure.Temperatures, "293 K", "a unit of a difference"},
	} {
		_, err := test.m.Parse(test.text)
		if domain.KindOf(err) != domain.KindInvalid || !strings.Contains(err.Error(), test.said) {
			t.Errorf("%q: %v", test.text, err)
		}
	}
}

// What is shown in a form comes back as the same number.
func TestTextIsReadBack(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 2))
	for _, m := range []enclosure.Measure{enclosure.Volumes, enclosure.Areas, enclosure.Lengths, enclosure.DailyRates, enclosure.Shares, enclosure.Velocities} {
		for range 2000 {
			v := chance.ExpFloat64() * []float64{1e-3, 1, 1e3}[chance.IntN(3)]
			q := as(v)
			if chance.IntN(2) == 0 {
				q = q.Between(v*chance.Float64(), v*(1+chance.Float64()))
			}
			back, err := m.Parse(m.Text(q))
			if err != nil || !same(back.Value, q.Value) || !same(back.Least, q.Least) || !same(back.Greatest, q.Greatest) {
				t.Fatalf("%s %v: %q is read as %v, %v", m.Name, q, m.Text(q), back, err)
			}
		}
	}
	if text := enclosure.Volumes.Text(as(0.002).Between(0.0018, 0.0022)); text != "2 (1.8 to 2.2) l" {
		t.Error(text)
	}
	if text := enclosure.Volumes.Text(as(40)); text != "40 m³" {
		t.Error(text)
	}
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"2 l", "2 (1 to 3) m³", "1e-3", "± ", "2-", "-2--3", "2 to", "((", "µ"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, m := range []enclosure.Measure{enclosure.Volumes, enclosure.Temperatures, enclosure.EmissionRate} {
			q, err := m.Parse(text)
			if err != nil && domain.KindOf(err) != domain.KindInvalid {
				t.Errorf("%q: %v", text, err)
			}
			if err == nil && q.Value-q.Value != 0 {
				t.Errorf("%q is %v", text, q)
			}
		}
	})
}
