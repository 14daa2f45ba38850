package domain

import "testing"

func TestCut(t *testing.T) {
	for text, want := range map[string]string{"": "", "Riß": "Riß", "Risse": "Ri…", "šev a": "še…", "日本語": "日本語", "日本語で": "日本…"} {
		if got := Cut(text, 3); got != want {
			t.Errorf("%q: %q, not %q", text, got, want)
		}
	}
}
