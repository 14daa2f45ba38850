package domain

import (
	"math"
	"testing"
)

// source: JCGM 100:2008 (GUM), 7.2.6: at most two digits, rounded up rather than to the nearest digit (its example: 10.47
// mΩ as 11 mΩ); cases by hand.
func TestTwoDigits(t *testing.T) {
	for _, c := range []struct {
		u      float64
		want   string
		places int32
	}{{10.47, "11", 0}, {65.82, "66", 0}, {123, "130", -1}, {0.123, "0.13", 2}, {1100, "1100", -2}, {2 * 33.0, "66", 0}, {0.1 + 0.2, "0.3", 2}, {0.00099, "0.00099", 5}, {9.96, "10", 1},
		{0, "0", 6}, {-1, "0", 6}, {math.NaN(), "0", 6}, {math.Inf(1), "0", 6}} {
		if got, places := TwoDigits(c.u); got.String() != c.want || places != c.places {
			t.Errorf("%v: %s to %d places, want %s to %d", c.u, got, places, c.want, c.places)
		}
	}
}
