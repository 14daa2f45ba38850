package domain

import (
	"errors"
	"slices"
	"sync/atomic"
	"testing"
)

func TestTogether(t *testing.T) {
	done := make([]bool, 9)
	var now, most atomic.Int64
	err := Together(t.Context(), len(done), func(i int) error {
		for n := now.Add(1); ; {
			if m := most.Load(); n <= m || most.CompareAndSwap(m, n) {
				break
			}
		}
		done[i] = true
		now.Add(-1)
		return nil
	})
	if err != nil || most.Load() > atOnceMost {
		t.Errorf("error %v, %d at once, at most %d wanted", err, most.Load(), atOnceMost)
	}
	for i, d := range done {
		if !d {
			t.Errorf("reading %d was not done", i)
		}
	}

	var order []int
	if err := Together(WithinAtomic(t.Context()), 5, func(i int) error {
		order = append(order, i)
		return nil
	}); err != nil || !slices.Equal(order, []int{0, 1, 2, 3, 4}) {
		t.Errorf("in a transaction: %v, %v", order, err)
	}

	no := errors.New("no")
	if err := Together(t.Context(), 3, func(i int) error {
		if i == 1 {
			return no
		}
		return nil
	}); !errors.Is(err, no) {
		t.Errorf("error %v, want %v", err, no)
	}

	defer func() {
		if recover() != "a fault" {
			t.Error("the panic of a reading did not reach the caller")
		}
	}()
	_ = Together(t.Context(), 3, func(i int) error {
		if i == 2 {
			panic("a fault")
		}
		return nil
	})
}
