package domain

import (
	"slices"
	"strings"
	"testing"
)

func TestCut(t *testing.T) {
	for text, want := range map[string]string{"": "", "Riß": "Riß", "Risse": "Ri…", "šev a": "še…", "日本語": "日本語", "日本語で": "日本…"} {
		if got := Cut(text, 3); got != want {
			t.Errorf("%q: %q, not %q", text, got, want)
		}
	}
}

// TestCellParts: the parts are the whole text again, and each but the last ends in a separator.
func TestCellParts(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{"": "", "a": "a", "a;b": "a;|b", ";a\t": ";|a\t", "a\r\nb": "a\r|\n|b", "ä;": "ä;"} {
		if got := strings.Join(slices.Collect(CellParts(text)), "|"); got != want {
			t.Errorf("%q comes in parts as %q, want %q", text, got, want)
		}
	}
}
