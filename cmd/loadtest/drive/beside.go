package drive

import (
	"context"
	"fmt"
	"time"
)

// Way is one of several ways to the same data. Once goes it for the i-th thing; the same i is the same
// thing for every way.
type Way struct {
	Name string
	Once func(ctx context.Context, i int) error
}

// Beside goes all ways in turn, one request at a time, in blocks of so many: A B C, then C B A with other
// things, so that none is always the first to touch what it reads, and whatever else the machine does
// meets all of them. It gives, for each way, the median of each block.
//
// source: the order is the balanced one of paired comparisons (ABBA), as in Jain, The Art of Computer
// Systems Performance Analysis, 1991, chapter on experimental design; from memory.
func Beside(ctx context.Context, ways []Way, rounds, block int) ([]Samples, error) {
	medians := make([]Samples, len(ways))
	measure := func(way, from int) error {
		took := make(Samples, block)
		for i := range block {
			began := time.Now()
			if err := ways[way].Once(ctx, from+i); err != nil {
				return fmt.Errorf("%s: %w", ways[way].Name, err)
			}
			took[i] = time.Since(began)
		}
		medians[way] = append(medians[way], took.Sorted().Median())
		return nil
	}
	for way := range ways { // connections, plans and caches of the program are warm for all
		if err := measure(way, 0); err != nil {
			return nil, err
		}
		medians[way] = nil
	}
	for round := range rounds {
		there, back := (2*round+1)*block, (2*round+2)*block
		for way := range ways {
			if err := measure(way, there); err != nil {
				return nil, err
			}
		}
		for i := range ways {
			if err := measure(len(ways)-1-i, back); err != nil {
				return nil, err
			}
		}
	}
	for way := range medians {
		medians[way] = medians[way].Sorted()
	}
	return medians, nil
}

// Fetch gets a page, or JSON of the API, and reads it whole.
func (p *Person) Fetch(ctx context.Context, path string, page bool) error {
	if a := p.ask(ctx, request{method: "GET", path: path, page: page, want: 200}); a.kind != "" {
		return fmt.Errorf("%s: %s", path, a.kind)
	}
	return nil
}
