package domain_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"farthingale/domain"
)

// FuzzCursor: a cursor that comes back opens the list that made it at the keys that it was made of, and
// no other list; anything else is refused with words.
func FuzzCursor(f *testing.F) {
	f.Add("eyJ2IjoxLCJvZiI6IiIsImsiOlsiYSJdfQ", "number", "a")
	f.Add("", "", "")
	f.Add("=", "newest", "\x00")
	f.Add("bnVsbA", "\u2028", "9999-12-31T23:59:59Z")
	f.Fuzz(func(t *testing.T, cursor, list, key string) {
		keys, err := domain.PageQuery{Cursor: cursor}.Keys(list, 2)
		switch {
		case err != nil && domain.KindOf(err) != domain.KindUnparseable:
			t.Errorf("%q: %v", cursor, err)
		case err == nil && cursor != "" && (len(keys) != 2 || !domain.CleanText(strings.Join(keys, ""))):
			t.Errorf("%q is read as %q", cursor, keys)
		}
		page := domain.NextPage(domain.PageQuery{Limit: 1}, list, []string{key, "more"}, func(k string) []string { return []string{k, "id"} })
		if len(page.Items) != 1 || page.Next == "" {
			t.Fatalf("%+v", page)
		}
		q := domain.PageQuery{Cursor: page.Next}
		back, err := q.Keys(list, 2)
		switch {
		case !domain.CleanText(key) || len(page.Next) > 2048:
			if err == nil && utf8.ValidString(key) {
				t.Errorf("%q is taken back", key)
			}
		case err != nil || !slices.Equal(back, []string{key, "id"}):
			t.Errorf("%q comes back as %q, %v", key, back, err)
		}
		if _, err := q.Keys(list+"!", 2); err == nil && utf8.ValidString(list) {
			t.Errorf("the cursor of %q opens another list", list)
		}
		if _, err := q.Keys(list, 3); err == nil {
			t.Error("two keys are taken for three")
		}
	})
}

// FuzzParseDecimal: what is read is a number of no more digits than were written, is written again
// without an exponent, and is read again as the same.
func FuzzParseDecimal(f *testing.F) {
	for _, text := range []string{"0", "-0", "2.50", "007", "148250.00", "1e999", "1E-400", "NaN", "+1", ".5", "5.", "1,5", "٣", "0x10", "1_000", " 1", strings.Repeat("9", 61)} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		d, err := domain.ParseDecimal(text)
		if err != nil {
			if domain.KindOf(err) != domain.KindInvalid {
				t.Errorf("%q: %v", text, err)
			}
			return
		}
		written := d.String()
		if len(written) > len(text) || strings.ContainsAny(written, "eE") {
			t.Errorf("%q is written %q", text, written)
		}
		if again, err := domain.ParseDecimal(written); err != nil || !again.Equal(d) {
			t.Errorf("%q is written %q and read as %v, %v", text, written, again, err)
		}
	})
}

// FuzzCleanText: text that may be kept survives JSON unchanged, and holds nothing that a screen obeys.
func FuzzCleanText(f *testing.F) {
	for _, text := range []string{"", "a\nb\tc\r", "a\x00", "\x1b[31m", "\u202egnp", "\u2066", "\ufeff", "a\xff", "\xed\xa0\x80", "\u2028", "\u200f\u200b", "\uffff", "\U0010ffff"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if !domain.CleanText(text) {
			return
		}
		b, err := json.Marshal(text)
		var back string
		if err != nil || json.Unmarshal(b, &back) != nil || back != text {
			t.Errorf("%q comes back as %q, %v", text, back, err)
		}
		for _, r := range text {
			if r == 0 || unicode.Is(unicode.Bidi_Control, r) && r != '\u200e' && r != '\u200f' && r != '\u061c' {
				t.Errorf("%q holds %U", text, r)
			}
		}
		if !domain.CleanText(text + text) {
			t.Errorf("%q is clean, twice it is not", text)
		}
	})
}

// FuzzParseID: one spelling for each identifier, but for capitals.
func FuzzParseID(f *testing.F) {
	for _, text := range []string{"01890a5d-ac96-774b-bcce-b302099a8057", "{01890a5d-ac96-774b-bcce-b302099a8057}", "urn:uuid:01890a5d-ac96-774b-bcce-b302099a8057", "01890a5dac96774bbcceb302099a8057", "01890A5D-AC96-774B-BCCE-B302099A8057", "01890a5d_ac96_774b_bcce_b302099a8057"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		id, err := domain.ParseID(text)
		switch {
		case err != nil && domain.KindOf(err) != domain.KindNotFound:
			t.Errorf("%q: %v", text, err)
		case err == nil && !strings.EqualFold(id.String(), text):
			t.Errorf("%q is read as %s", text, id)
		}
	})
}
