package seed

import (
	"encoding/binary"
	"math/rand/v2"
	"time"

	"farthingale/domain"
)

// dice are the random choices of one thing that is invented. The same seed and number give the same
// choices.
type dice struct{ *rand.Rand }

func newDice(seed, number uint64) dice {
	return dice{rand.New(rand.NewPCG(seed, number))} // #nosec G404 -- invented data, no secret
}

// pick chooses one of the choices.
func pick[T any](d dice, choices []T) T { return choices[d.IntN(len(choices))] }

// few chooses n different ones of the choices, in their order.
func few[T any](d dice, choices []T, n int) []T {
	chosen := make([]T, 0, n)
	for i := range choices {
		if d.IntN(len(choices)-i) < n-len(chosen) {
			chosen = append(chosen, choices[i])
		}
	}
	return chosen
}

// often is true in so many of a thousand cases.
func (d dice) often(thousandths int) bool { return d.IntN(1000) < thousandths }

// between is a whole number from least to most.
func (d dice) between(least, most int) int { return least + d.IntN(most-least+1) }

// weighted chooses an index by weights.
func (d dice) weighted(weights []int) int {
	sum := 0
	for _, w := range weights {
		sum += w
	}
	at := d.IntN(sum)
	for i, w := range weights {
		if at -= w; at < 0 {
			return i
		}
	}
	return len(weights) - 1
}

// when is a time in the span, to the microsecond.
func (d dice) when(from, until time.Time) time.Time {
	span := until.Sub(from)
	if span <= 0 {
		return from
	}
	return from.Add(time.Duration(d.Int64N(int64(span)))).Truncate(time.Microsecond)
}

// id is a UUIDv7 as domain.NewID makes them, of an invented moment.
//
// source: RFC 9562, section 5.7 (48 bits of milliseconds, version, 12 and 62 random bits).
func (d dice) id(at time.Time) domain.ID {
	var id domain.ID
	binary.BigEndian.PutUint64(id[:8], uint64(at.UnixMilli())<<16|uint64(d.IntN(1<<12))) // #nosec G115 -- years after 1970
	binary.BigEndian.PutUint64(id[8:], d.Uint64())
	id[6] = id[6]&0x0f | 0x70
	id[8] = id[8]&0x3f | 0x80
	return id
}
