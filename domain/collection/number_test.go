package collection_test

import (
	"net/url"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"farthingale/domain"
	"farthingale/domain/collection"
)

func number(t testing.TB, s string) collection.Number {
	t.Helper()
	n, err := collection.ParseNumber(s)
	if err != nil {
		t.Fatalf("%q: %v", s, err)
	}
	return n
}

// source: form of numbers after Buck & Gilmore, The New Museum Registration Methods, 4th ed., 1998
// (year, lot, item, suffix for parts); natural order is common practice.
func TestNaturalOrder(t *testing.T) {
	want := []string{
		"1968.2.1", "1968.10.1", "1968.14.2", "1968.14.2.1", "1968.14.2.2", "1968.14.2.2a", "1968.14.2.2b",
		"1968.14.2.10", "1969.1", "E256", "E256.1", "E2561", "L1.2010.1", "L1.2010.2", "L2.2009.1",
	}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortFunc(got, func(a, b string) int {
		return strings.Compare(number(t, a).SortKey(), number(t, b).SortKey())
	})
	if !slices.Equal(got, want) {
		t.Errorf("sorted as %v", got)
	}
	labels := []string{"1", "2", "2.1", "2a", "2a.1", "2b", "3", "3.b", "10", "a", "a1", "ab", "b"}
	for i := 1; i < len(labels); i++ {
		a, errA := collection.ParseLabel(labels[i-1])
		b, errB := collection.ParseLabel(labels[i])
		if errA != nil || errB != nil || a.SortKey() >= b.SortKey() {
			t.Errorf("%s does not sort before %s: %v %v", labels[i-1], labels[i], errA, errB)
		}
	}
}

func TestNumberIsKeptAsWritten(t *testing.T) {
	for s, want := range map[string]string{
		"1968.14.2":               "1968.14.2",
		"1968.14.2 ":              "1968.14.2",
		" \t1968.14.2\n":          "1968.14.2",
		"１９６８.14.2":               "1968.14.2",
		"１９６８．１４．２":               "1968.14.2",
		"1968.014.2":              "1968.014.2",
		"1968-14-2":               "1968-14-2",
		"1968–14–2":               "1968-14-2",
		"E 2561":                  "E 2561",
		"E   2561":                "E 2561",
		"E\u00a02561":             "E 2561",
		"2025.5.2A":               "2025.5.2A",
		"1968.14 (2)":             "1968.14 (2)",
		"MŁ 12":                   "MŁ 12",
		"MU\u0308 12":             "MÜ 12",
		"ΑΒ.7":                    "ΑΒ.7",
		"資料 12":                   "資料 12",
		"69.38":                   "69.38",
		strings.Repeat("1", 60):   strings.Repeat("1", 60),
		strings.Repeat("Ł1", 30):  strings.Repeat("Ł1", 30),
		strings.Repeat(" 1", 300): "",
	} {
		n, err := collection.ParseNumber(s)
		if want == "" {
			if err == nil {
				t.Errorf("%q accepted", s)
			}
			continue
		}
		if err != nil || string(n) != want {
			t.Errorf("%q: kept as %q, %v; want %q", s, n, err, want)
		}
	}
}

func TestNumberRefused(t *testing.T) {
	for s, want := range map[string]string{
		"":                      "Write the object number",
		"  ":                    "Write the object number",
		strings.Repeat("1", 61): "at most 60",
		"1968/14/2":             "no slash",
		`1968\14`:               "no slash",
		"..":                    "begins with",
		".":                     "begins with",
		"-1968":                 "begins with",
		"1968.":                 "ends with",
		"1968..2":               "two \".\" together",
		"new":                   "at least one digit",
		"1968?2":                "but not \"?\"",
		"1968#2":                "but not \"#\"",
		"1968%2":                "but not \"%\"",
		"1968.14²":              "Write \"²\" with plain",
		"1968.½":                "Write \"½\" with plain",
		"1968…2":                "Write \"…\" with plain",
		"١٩٦٨":                  "digits 0 to 9",
		"1968\u200b2":           "but not",
		"1968\x00":              "cannot be kept",
		"1968\xff":              "cannot be kept",
		"\u202e1968":            "cannot be kept",
		"<i>1968</i>":           "but not \"<\"",
		"1968'; drop table":     "but not \"'\"",
		"1968\u0301":            "but not",
	} {
		_, err := collection.ParseNumber(s)
		if domain.KindOf(err) != domain.KindInvalid || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v does not say %q", s, err, want)
		}
	}
}

func TestNumbersThatAreTheSame(t *testing.T) {
	for _, p := range [][2]string{{"1968.14.2A", "1968.14.2a"}, {"mł 12", "MŁ 12"}, {"ς1", "Σ1"}, {"１９６８.14.2", "1968.14.2 "}} {
		if a, b := number(t, p[0]), number(t, p[1]); a.Key() != b.Key() || a.SortKey() != b.SortKey() {
			t.Errorf("%q and %q differ", a, b)
		}
	}
	for _, p := range [][2]string{{"1968.14.2", "1968-14-2"}, {"1968.14.2", "1968.014.2"}, {"1968.0", "1968.00"}, {"E 1", "E1"}, {"1_2", "1-2"}, {"1.2", "12"}} {
		if a, b := number(t, p[0]), number(t, p[1]); a.Key() == b.Key() || a.SortKey() == b.SortKey() {
			t.Errorf("%q and %q are taken for the same", a, b)
		}
	}
	if a, b, c := number(t, "1968.14"), number(t, "1968.014"), number(t, "1968.14.1"); a.SortKey() >= b.SortKey() || b.SortKey() >= c.SortKey() {
		t.Errorf("leading zeros do not sort last of all: %q %q %q", a.SortKey(), b.SortKey(), c.SortKey())
	}
}

func TestLabel(t *testing.T) {
	for s, want := range map[string]string{
		"1": "1", ".1": "1", " .2a ": "2a", "3b": "3b", ".3.b": "3.b", "3.b.1": "3.b.1", "２Ａ": "2A", "01": "01",
	} {
		l, err := collection.ParseLabel(s)
		if err != nil || string(l) != want {
			t.Errorf("%q: kept as %q, %v; want %q", s, l, err, want)
		}
	}
	for s, want := range map[string]string{
		"": "Write the label", ".": "Write the label", "1.2.3.4": "at most 3 parts", "1..2": "is empty", "1.": "is empty", "..1": "is empty",
		"2 a": "holds only", "2-a": "holds only", "2ä": "holds only", "2/3": "holds only",
		strings.Repeat("1", 21): "at most 20", "1\x00": "cannot be kept", "²": "with plain",
	} {
		_, err := collection.ParseLabel(s)
		if domain.KindOf(err) != domain.KindInvalid || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v does not say %q", s, err, want)
		}
	}
	if got := number(t, "1968.14.2").With("3b"); got != "1968.14.2.3b" {
		t.Errorf("component is numbered %s", got)
	}
}

func TestPattern(t *testing.T) {
	for n, want := range map[string]bool{
		"1968.14.2": true, "1968.14": true, "1968.014.2": true,
		"1968": false, "68.14.2": false, "1968-14-2": false, "1968.14.2.1": false, "E2561": false, "1968.14.": false,
	} {
		if parsed, err := collection.ParseNumber(n); err == nil && collection.DefaultPattern.Fits(parsed) != want {
			t.Errorf("%s: fits %v", n, !want)
		}
	}
	for p, n := range map[string]string{"Enumber": "e7", "Lyear-number": "L2010-3", "number": "12", "year.item": "1968", "year (lot)": "1968 (3)"} {
		pattern, err := collection.ParsePattern(p)
		if err != nil || !pattern.Fits(number(t, n)) || !pattern.Fits(number(t, pattern.Example())) {
			t.Errorf("%s does not fit %s: %v", n, p, err)
		}
	}
	for _, p := range []string{"", "E", "year/number", ".number", "year..item", strings.Repeat("number", 20)} {
		if _, err := collection.ParsePattern(p); domain.KindOf(err) != domain.KindInvalid {
			t.Errorf("%q: %v", p, err)
		}
	}
}

func FuzzParseNumber(f *testing.F) {
	for _, p := range [][2]string{
		{"1968.14.2", "1968.014.2"}, {"E 2561", "e2561"}, {"１９６８–14", "1968-14"}, {"ΐ1", "ΐ1"}, {"İ1", "i1"},
		{"1968.14 (2)", "1968.14_2"}, {"0", "00"}, {"Å1", "Å1"}, {"1a1", "1 a 1"}, {".1", "2a"},
	} {
		f.Add(p[0], p[1])
	}
	f.Fuzz(func(t *testing.T, s, other string) {
		if l, err := collection.ParseLabel(s); err == nil {
			if again, err := collection.ParseLabel(string(l)); err != nil || again != l {
				t.Errorf("label %q read again as %q, %v", l, again, err)
			}
		}
		n, err := collection.ParseNumber(s)
		if err != nil {
			if domain.KindOf(err) != domain.KindInvalid {
				t.Errorf("%q: %v", s, err)
			}
			return
		}
		if again, err := collection.ParseNumber(string(n)); err != nil || again != n {
			t.Errorf("%q read again as %q, %v", n, again, err)
		}
		if c := utf8.RuneCountInString(string(n)); c < 1 || c > collection.NumberMost || !domain.CleanText(n.SortKey()) {
			t.Errorf("%q: %d characters, sort key %q", n, c, n.SortKey())
		}
		u, err := url.Parse("/objects/" + url.PathEscape(string(n)) + "/photos")
		if err != nil || u.Path != "/objects/"+string(n)+"/photos" || u.JoinPath(".").Path != u.Path+"/" && u.JoinPath(".").Path != u.Path {
			t.Errorf("%q does not survive a page address: %v", n, err)
		}
		if m, err := collection.ParseNumber(other); err == nil {
			if (n.Key() == m.Key()) != (n.SortKey() == m.SortKey()) {
				t.Errorf("%q and %q: the keys disagree on whether they are the same", n, m)
			}
			// a number sorts before everything that continues it after a sign
			if longer, err := collection.ParseNumber(string(n) + "." + string(m)); err == nil && longer.SortKey() <= n.SortKey() {
				t.Errorf("%q sorts before %q", longer, n)
			}
		}
	})
}
