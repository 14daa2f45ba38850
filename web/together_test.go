package web

import (
	"errors"
	"sync/atomic"
	"testing"
)

func TestTogether(t *testing.T) {
	done := make([]bool, 9)
	var now, most atomic.Int64
	err := together(len(done), func(i int) error {
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

	no := errors.New("no")
	if err := together(3, func(i int) error {
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
	_ = together(3, func(i int) error {
		if i == 2 {
			panic("a fault")
		}
		return nil
	})
}
