package drive

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
)

// TestBeside: each way goes over the same things, in the order A B B A, and is measured as often.
func TestBeside(t *testing.T) {
	t.Parallel()
	var order []string
	var things [2][]int
	ways := []Way{}
	for n, name := range []string{"A", "B"} {
		ways = append(ways, Way{name, func(_ context.Context, i int) error {
			if len(order) == 0 || order[len(order)-1] != name || i%3 == 0 {
				order = append(order, name)
			}
			things[n] = append(things[n], i)
			return nil
		}})
	}
	medians, err := Beside(t.Context(), ways, 2, 3)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(order, " "); got != "A B A B B A A B B A" {
		t.Errorf("the order is %s", got)
	}
	if len(medians[0]) != 4 || len(medians[1]) != 4 {
		t.Errorf("%v", medians)
	}
	if !slices.Equal(things[0], things[1]) || len(things[0]) != 15 {
		t.Errorf("one way goes over %v, the other over %v", things[0], things[1])
	}
	broken := errors.New("broken")
	if _, err := Beside(t.Context(), []Way{{"A", func(context.Context, int) error { return broken }}}, 1, 1); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
}
