package drive

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

// TestPercentile: nearest ranks of small samples.
//
// source: Wikipedia, Percentile, "Worked examples of the nearest-rank method" (the ordered lists 15, 20,
// 35, 40, 50 and 3, 6, 7, 8, 8, 10, 13, 15, 16, 20; as of 2024).
func TestPercentile(t *testing.T) {
	t.Parallel()
	five := Samples{15, 20, 35, 40, 50}
	ten := Samples{3, 6, 7, 8, 8, 10, 13, 15, 16, 20}
	for _, c := range []struct {
		of   Samples
		p    float64
		want time.Duration
	}{
		{five, 5, 15}, {five, 30, 20}, {five, 40, 20}, {five, 50, 35}, {five, 100, 50},
		{ten, 25, 7}, {ten, 50, 8}, {ten, 75, 15}, {ten, 100, 20},
		{nil, 50, 0}, {Samples{7}, 0, 7}, {Samples{7}, 99, 7},
	} {
		if got := c.of.Percentile(c.p); got != c.want {
			t.Errorf("percentile %v of %v is %d, want %d", c.p, c.of, got, c.want)
		}
	}
}

// TestMedian: the middle, or the mean of the two in the middle.
func TestMedian(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		of   Samples
		want time.Duration
	}{{nil, 0}, {Samples{4}, 4}, {Samples{4, 8}, 6}, {Samples{1, 5, 9}, 5}, {Samples{9, 1, 5, 3}, 4}} {
		if got := c.of.Sorted().Median(); got != c.want {
			t.Errorf("median of %v is %d, want %d", c.of, got, c.want)
		}
	}
}

// TestRecord: errors are counted by kind and are no samples.
func TestRecord(t *testing.T) {
	t.Parallel()
	r := NewRecord()
	for i := range 100 {
		r.Add("object", false, time.Duration(i+1)*time.Millisecond, 2000, "")
	}
	r.Add("search, rare, JSON", false, time.Millisecond, 1000, "")
	r.Add("search, three words, page", false, 3*time.Millisecond, 1000, "")
	r.Add("move", true, 4*time.Millisecond, 100, "")
	r.Add("move", true, time.Microsecond, 0, "409 V5")
	r.Add("move", true, time.Microsecond, 0, "409 V5")
	if r.Sent() != 105 || r.Failed() != 2 {
		t.Errorf("%d sent, %d failed", r.Sent(), r.Failed())
	}
	var b bytes.Buffer
	r.Print(&b)
	for _, line := range []string{
		"object 100 50.0 95.0 99.0 100 2.0",
		"all searches 2 1 3 3 3",
		"all reads 102 49.0 95.0 99.0 100",
		"move 1 4 4 4 4 0.1",
		"2 move: 409 V5",
	} {
		found := false
		for got := range strings.Lines(b.String()) {
			found = found || strings.Join(strings.Fields(got), " ") == line
		}
		if !found {
			t.Errorf("there is no line %q in\n%s", line, b.String())
		}
	}
}
