package collection_test

import (
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"farthingale/domain/collection"
)

// FuzzSearch: a search of any text looks for few and short words of letters, digits and marks, the same
// ones when they are typed again; what is loosely the same number stays so.
func FuzzSearch(f *testing.F) {
	for _, text := range []string{"dry siut", "1968-014-2", "e 2561", "'; drop table object; --", "<script>", "../../etc/passwd", "a\x00b", "\u202egnp", strings.Repeat("a ", 500), strings.Repeat("ß", 500), "٣٤", "ﬁ１", "\xff", "İ", "%_\\"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		words := collection.SearchWords(text)
		if len(words) > collection.WordsMost {
			t.Errorf("%d words", len(words))
		}
		for i, w := range words {
			if w == "" || utf8.RuneCountInString(w) > 60 || slices.Contains(words[:i], w) {
				t.Errorf("%q has the word %q", text, w)
			}
			for _, r := range w {
				if !unicode.IsLetter(r) && !unicode.IsDigit(r) && !unicode.IsMark(r) {
					t.Errorf("%q has the word %q", text, w)
				}
			}
		}
		if again := collection.SearchWords(strings.Join(words, " ")); !slices.Equal(again, words) {
			t.Errorf("%q, typed again %q", words, again)
		}
		key := collection.LooseKey(text)
		if again := collection.LooseKey(key); again != key {
			t.Errorf("the key of %q is %q, and of that %q", text, key, again)
		}
		if collection.LikeNumber(text) && key == "" {
			t.Errorf("%q is like a number and has no key", text)
		}
	})
}

// TestSurest: of several hazards of one kind the surest is shown, each kind once.
func TestSurest(t *testing.T) {
	t.Parallel()
	got := collection.Surest([]collection.HazardLine{{Kind: "radium", Certainty: "possible"}, {Kind: "asbestos", Certainty: "probable"}, {Kind: "radium", Certainty: "certain"},
		{Kind: "asbestos", Certainty: "possible"}, {Kind: "radium", Certainty: "probable"}})
	if want := []collection.HazardLine{{Kind: "asbestos", Certainty: "probable"}, {Kind: "radium", Certainty: "certain"}}; !slices.Equal(got, want) {
		t.Errorf("shown %v, want %v", got, want)
	}
	if none := collection.Surest([]collection.HazardLine{}); none == nil || len(none) != 0 {
		t.Errorf("of none: %v", none)
	}
}
