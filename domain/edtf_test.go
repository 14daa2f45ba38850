package domain_test

import (
	"encoding/csv"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
)

type edtfRow struct{ text, level, earliest, latest, words string }

// edtfRows reads the check table; its header names the sources.
func edtfRows(t testing.TB) []edtfRow {
	t.Helper()
	f, err := os.Open("../testdata/edtf.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	r.FieldsPerRecord = 6
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []edtfRow
	for _, c := range all[1:] {
		rows = append(rows, edtfRow{text: c[0], level: c[2], earliest: c[3], latest: c[4], words: c[5]})
	}
	if len(rows) < 100 {
		t.Fatalf("only %d rows in the check table", len(rows))
	}
	return rows
}

func dayText(d *time.Time) string {
	if d == nil {
		return ""
	}
	return d.Format("2006-01-02")
}

// source: Library of Congress, Extended Date/Time Format Specification, 2019 (ISO 8601-2:2019).
func TestEDTFTable(t *testing.T) {
	for _, row := range edtfRows(t) {
		e, err := domain.ParseEDTF(row.text)
		if row.level == "refused" {
			var refusal *domain.Error
			if !errors.As(err, &refusal) || refusal.Kind != domain.KindInvalid || len(refusal.Fields) != 1 {
				t.Errorf("%s: want one invalid field, got %v", row.text, err)
			} else if m := refusal.Fields[0]; m.Rule != "edtf" || !strings.Contains(m.Message, row.words) {
				t.Errorf("%s: %q does not say %q", row.text, m.Message, row.words)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", row.text, err)
			continue
		}
		if got := dayText(e.Earliest) + "…" + dayText(e.Latest); got != row.earliest+"…"+row.latest {
			t.Errorf("%s: days %s, want %s…%s", row.text, got, row.earliest, row.latest)
		}
		if e.Text != row.text {
			t.Errorf("%s: kept as %s", row.text, e.Text)
		}
		if got := e.Words(); got != row.words {
			t.Errorf("%s: %q, want %q", row.text, got, row.words)
		}
	}
}

func TestEDTFEmptyLongAndDirty(t *testing.T) {
	for s, want := range map[string]string{
		"":                          "leave it out",
		" \t":                       "leave it out",
		strings.Repeat("1965", 200): "longer than",
		"[" + strings.Repeat("1965,", 60) + "1966]": "at most 50 dates",
		"1965\x00":       "not a date",
		"1965\xff":       "not a date",
		"\u202e1965":     "not a date",
		"<b>1965</b>":    "not a date",
		"1965'; drop --": "not a date",
	} {
		_, err := domain.ParseEDTF(s)
		if domain.KindOf(err) != domain.KindInvalid || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v does not say %q", s, err, want)
		}
	}
}

func TestEDTFKeepsTextTidy(t *testing.T) {
	for s, want := range map[string]string{
		" 1965~ ":                 "1965~",
		"[1667,1668, 1670..1672]": "[1667,1668,1670..1672]",
		"{ 1667 , 1668 }":         "{1667,1668}",
	} {
		if e, err := domain.ParseEDTF(s); err != nil || e.Text != want {
			t.Errorf("%q: kept as %q, %v; want %q", s, e.Text, err, want)
		}
	}
}

func TestEDTFWordsOfOtherText(t *testing.T) {
	if got := (domain.EDTF{Text: "when new"}).Words(); got != "when new" {
		t.Errorf("%q", got)
	}
}

func TestSuggestEDTF(t *testing.T) {
	for s, want := range map[string]string{
		"about 1965":                  "1965~",
		"c.1965":                      "1965~",
		"c1965":                       "1965~",
		"ca. 1965":                    "1965~",
		"Circa July 1965":             "1965-07~",
		"1965 (?)":                    "1965?",
		"possibly 1965":               "1965?",
		"possibly about 1965":         "1965%",
		"1984?~":                      "1984%",
		"1960s":                       "196X",
		"the 1960's":                  "196X",
		"c. 1960s":                    "196X~",
		"1960s–1970s":                 "196X/197X",
		"19th century":                "18XX",
		"1964–1968":                   "1964/1968",
		"1964 - 1968":                 "1964/1968",
		"1964-68":                     "1964/1968",
		"1920-35":                     "1920/1935",
		"from 1964 to 1968":           "1964/1968",
		"between 1964 and 1968":       "1964/1968",
		"c. 1964-68":                  "1964~/1968~",
		"July 1965 to March 1966":     "1965-07/1966-03",
		"1967/1962":                   "1962/1967",
		"1964 or 1968":                "[1964,1968]",
		"1964 and 1968":               "{1964,1968}",
		"before 12 April 1985":        "../1985-04-11",
		"before 1965":                 "../1964",
		"after 1965":                  "1966/..",
		"up to 1965":                  "../1965",
		"1965 or earlier":             "../1965",
		"since July 1965":             "1965-07/..",
		"1965 onwards":                "1965/..",
		"spring 2001":                 "2001-21",
		"Fall 2001":                   "2001-23",
		"winter of 1918":              "1918-24",
		"July 1965":                   "1965-07",
		"14 July 1965":                "1965-07-14",
		"14th of July, 1965":          "1965-07-14",
		"July 14, 1965":               "1965-07-14",
		"14. Dec 1965":                "1965-12-14",
		"14.7.1965":                   "1965-07-14",
		"14/07/1965":                  "1965-07-14",
		"07/14/1965":                  "1965-07-14",
		"1965/07/14":                  "1965-07-14",
		"1965-7-4":                    "1965-07-04",
		"07/1965":                     "1965-07",
		"19650714":                    "1965-07-14",
		"196-":                        "196X",
		"19--":                        "19XX",
		"196u":                        "196X",
		"196x":                        "196X",
		"1995/open":                   "1995/..",
		"unknown/2006":                "/2006",
		"１９６５":                        "1965",
		"1985-04-12":                  "1985-04-12",
		"[1667, 1668]":                "[1667,1668]",
		"1965~":                       "1965~",
		"1985-04-12t23:20:30z":        "1985-04-12T23:20:30Z",
		"not later than 14 July 1965": "../1965-07-14",
	} {
		if got, ok := domain.SuggestEDTF(s); !ok || got != want {
			t.Errorf("%q: %q, %v; want %q", s, got, ok, want)
		}
	}
	for _, s := range []string{
		"", "?", "unknown", "3/4/1965", "1904/08", "1900s", "2000s", "early 1960s", "the sixties", "65", "'65",
		"31 February 1965", "about", "about about about about about 1965", "before 196X", strings.Repeat("1965", 60), "1965\xff",
		strings.Repeat("~", 60) + "1965" + strings.Repeat("?", 60),
	} {
		if got, ok := domain.SuggestEDTF(s); ok || got != "" {
			t.Errorf("%q: suggested %q", s, got)
		}
	}
}

func TestValidateSaysWhatIsWrongWithADate(t *testing.T) {
	type command struct {
		Made string `json:"made" validate:"omitempty,edtf"`
	}
	err := domain.Validate(command{Made: "c.1965"})
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) != 1 || e.Fields[0].Pointer != "/made" ||
		!strings.Contains(e.Fields[0].Message, "write 1965~ for about 1965") {
		t.Errorf("%v", err)
	}
	if err := domain.Validate(command{Made: "1965~"}); err != nil {
		t.Error(err)
	}
}

// checkEDTF is what holds for every text: no panic, ordered days, a stable text, words.
func checkEDTF(t *testing.T, s string) {
	t.Helper()
	e, err := domain.ParseEDTF(s)
	if err != nil {
		if domain.KindOf(err) != domain.KindInvalid {
			t.Errorf("%q: %v is not KindInvalid", s, err)
		}
	} else {
		if e.Earliest != nil && e.Latest != nil && e.Latest.Before(*e.Earliest) {
			t.Errorf("%q: %s after %s", s, dayText(e.Earliest), dayText(e.Latest))
		}
		for _, d := range []*time.Time{e.Earliest, e.Latest} {
			if d != nil && (d.Year() < -4712 || d.Year() > 9999) {
				t.Errorf("%q: %s outside the days that are counted", s, dayText(d))
			}
		}
		again, err := domain.ParseEDTF(e.Text)
		if err != nil || again.Text != e.Text || dayText(again.Earliest) != dayText(e.Earliest) || dayText(again.Latest) != dayText(e.Latest) {
			t.Errorf("%q: read again as %+v, %v", s, again, err)
		}
		if w := e.Words(); w == "" || !domain.CleanText(w) {
			t.Errorf("%q: words %q", s, w)
		}
		if got, ok := domain.SuggestEDTF(e.Text); len(e.Text) <= 200 && (!ok || got != e.Text) {
			t.Errorf("%q: suggested %q instead", s, got)
		}
	}
	if text, ok := domain.SuggestEDTF(s); ok {
		if _, err := domain.ParseEDTF(text); err != nil {
			t.Errorf("%q: suggested %q: %v", s, text, err)
		}
	}
}

// Every year, month and day of a span of years: the pair is that very year, month or day.
func TestEDTFExactDates(t *testing.T) {
	for d := time.Date(1896, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() < 1905; d = d.AddDate(0, 0, 1) {
		for _, layout := range []string{"2006", "2006-01", "2006-01-02"} {
			text := d.Format(layout)
			e, err := domain.ParseEDTF(text)
			if err != nil || e.Earliest.Format(layout) != text || e.Latest.Format(layout) != text ||
				e.Earliest.AddDate(0, 0, -1).Format(layout) == text || e.Latest.AddDate(0, 0, 1).Format(layout) == text {
				t.Fatalf("%s: %s…%s, %v", text, dayText(e.Earliest), dayText(e.Latest), err)
			}
		}
	}
}

// Taking digits away never narrows the pair, and the pair holds every day that it stands for.
func TestEDTFUnknownDigitsOnlyWiden(t *testing.T) {
	exact := []string{"1968-07-14", "2000-02-29", "1999-12-31", "0010-10-10"}
	for _, text := range exact {
		want, err := domain.ParseEDTF(text)
		if err != nil {
			t.Fatal(err)
		}
		for mask := range 1 << len(text) {
			b := []byte(text)
			for i := range b {
				if mask>>i&1 == 1 && b[i] != '-' {
					b[i] = 'X'
				}
			}
			e, err := domain.ParseEDTF(string(b))
			if err != nil || e.Earliest.After(*want.Earliest) || e.Latest.Before(*want.Latest) {
				t.Fatalf("%s does not hold %s: %s…%s, %v", b, text, dayText(e.Earliest), dayText(e.Latest), err)
			}
		}
	}
}

func FuzzParseEDTF(f *testing.F) {
	for _, row := range edtfRows(f) {
		f.Add(row.text)
	}
	for _, s := range []string{"between c. 1964 and possibly 1968", "[..1984,1985..]", "~?1984%-?07~", "c c c c ? ? ?", "-XXXX", "９９９９–２４"} {
		f.Add(s)
	}
	f.Fuzz(checkEDTF)
}
