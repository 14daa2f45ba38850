package drive

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"
)

// Samples are durations as they were measured, every one of them: some ten thousand fit in memory, and
// their percentiles are exact, which those of a histogram are not.
type Samples []time.Duration

// Percentile is the nearest-rank percentile of sorted samples: the smallest one that is at least as long
// as p per cent of all. It is 0 where there is none.
//
// source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.2 (percentiles); nearest rank ⌈p/100·n⌉.
func (s Samples) Percentile(p float64) time.Duration {
	if len(s) == 0 {
		return 0
	}
	rank := int(math.Ceil(p / 100 * float64(len(s))))
	return s[min(max(rank, 1), len(s))-1]
}

// Median is the middle of sorted samples, or the mean of the two in the middle.
func (s Samples) Median() time.Duration {
	if len(s) == 0 {
		return 0
	}
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// Sorted is a sorted copy.
func (s Samples) Sorted() Samples {
	sorted := slices.Clone(s)
	slices.Sort(sorted)
	return sorted
}

// Record is what was measured, by endpoint. Many may add at once.
type Record struct {
	mu     sync.Mutex
	of     map[string]*measured
	errors map[string]int // by endpoint and kind
	sent   int
}

type measured struct {
	samples Samples
	bytes   int64
	write   bool
}

// NewRecord is an empty one.
func NewRecord() *Record {
	return &Record{of: map[string]*measured{}, errors: map[string]int{}}
}

// Add notes an answer. kind is "" for what was asked for, or the kind of an error; errors are kept apart
// from the samples, so that quick refusals do not make the figures better.
func (r *Record) Add(endpoint string, write bool, took time.Duration, bytes int64, kind string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sent++
	if kind != "" {
		r.errors[endpoint+": "+kind]++
		return
	}
	m := r.of[endpoint]
	if m == nil {
		m = &measured{write: write}
		r.of[endpoint] = m
	}
	m.samples, m.bytes = append(m.samples, took), m.bytes+bytes
}

// Sent is how many answers were noted; Failed how many of them were errors.
func (r *Record) Sent() int { r.mu.Lock(); defer r.mu.Unlock(); return r.sent }

// Failed is how many answers were errors.
func (r *Record) Failed() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := 0
	for _, count := range r.errors {
		n += count
	}
	return n
}

// searching begins the names of the endpoints that search.
const searching = "search, "

// Print writes a line for each endpoint, reads before writes, and lines for all searches, all reads and all writes,
// then the errors.
func (r *Record) Print(w io.Writer) {
	r.mu.Lock()
	defer r.mu.Unlock()
	line := func(name string, s Samples, bytes int64) {
		s = s.Sorted()
		size := ""
		if bytes > 0 {
			size = fmt.Sprintf("%8.1f", float64(bytes)/float64(len(s))/1000)
		}
		_, _ = fmt.Fprintf(w, "%-44s %8d %8s %8s %8s %8s %s\n", name, len(s), milliseconds(s.Percentile(50)), milliseconds(s.Percentile(95)), milliseconds(s.Percentile(99)), milliseconds(s.Percentile(100)), size)
	}
	_, _ = fmt.Fprintf(w, "%-44s %8s %8s %8s %8s %8s %8s\n", "endpoint (times in ms)", "answers", "p50", "p95", "p99", "max", "kB sent")
	for _, write := range []bool{false, true} {
		var all, searches Samples
		for _, name := range slices.Sorted(maps.Keys(r.of)) {
			if m := r.of[name]; m.write == write {
				line(name, m.samples, m.bytes)
				all = append(all, m.samples...)
				if strings.HasPrefix(name, searching) {
					searches = append(searches, m.samples...)
				}
			}
		}
		if len(searches) > 0 {
			line("all searches", searches, 0)
		}
		if len(all) > 0 {
			line(map[bool]string{false: "all reads", true: "all writes"}[write], all, 0)
		}
	}
	if len(r.errors) == 0 {
		_, _ = fmt.Fprintln(w, "no errors")
		return
	}
	_, _ = fmt.Fprintln(w, "errors:")
	for _, kind := range slices.Sorted(maps.Keys(r.errors)) {
		_, _ = fmt.Fprintf(w, "  %6d  %s\n", r.errors[kind], kind)
	}
}

// milliseconds shows a duration with three figures or so.
func milliseconds(d time.Duration) string {
	ms := float64(d) / float64(time.Millisecond)
	switch {
	case ms >= 100:
		return fmt.Sprintf("%.0f", ms)
	case ms >= 10:
		return fmt.Sprintf("%.1f", ms)
	}
	return strings.TrimSuffix(fmt.Sprintf("%.2f", ms), ".00")
}
