package loan

import (
	"testing"
	"time"
)

// FuzzDay: a text is a day or none; days that are one can be counted from and to.
func FuzzDay(f *testing.F) {
	for _, text := range []string{"2026-02-06", "2024-02-29", "2026-02-30", "1e999999999", "0000-00-00", "-5000000-01-01", "9999-12-31", "2026-2-6", " 2026-02-06", "٢٠٢٦-02-06", "1900-01-01", "2200-12-31"} {
		f.Add(text, 1)
	}
	f.Fuzz(func(t *testing.T, text string, n int) {
		d := Day(text)
		_, ok := d.noon()
		within := len(period(d, d, "/from_on", "/until_on")) == 0
		if within && (!ok || d < firstDay || d > lastDay || DayOf(mustNoon(t, d), mustNoon(t, d).Location()) != d) {
			t.Errorf("%q is taken for a day", text)
		}
		if !ok && (d.Words() != text || d.Plus(n) != d || d.Since("2026-02-06") != 0) {
			t.Errorf("%q is counted with: %q, %q", text, d.Words(), d.Plus(n))
		}
		if n %= 100_000; within {
			if later := d.Plus(n); len(later) == len(d) && later.Since(d) != n {
				t.Errorf("%d days after %s is %s, %d days later", n, d, later, later.Since(d))
			}
		}
	})
}

func mustNoon(t *testing.T, d Day) time.Time {
	t.Helper()
	at, ok := d.noon()
	if !ok {
		t.Fatalf("%q is within bounds and no day", d)
	}
	return at
}
