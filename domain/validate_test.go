package domain_test

import (
	"errors"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

type innerFacts struct {
	Name string `json:"name" validate:"required"`
	List []row  `json:"list" validate:"dive"`
}

type row struct {
	MM decimal.Decimal `json:"mm" validate:"gt=0,lte=100"`
}

type outerFacts struct {
	InnerFacts
	Own  string           `json:"own" validate:"max=3"`
	Mass *decimal.Decimal `json:"mass" validate:"omitempty,gt=0"`
}

type InnerFacts = innerFacts

// TestTimesAreWithinTheYearsThatAreWritten: a time that no JSON can hold is refused before it is kept.
func TestTimesAreWithinTheYearsThatAreWritten(t *testing.T) {
	type command struct {
		At   time.Time  `json:"at"`
		Also *time.Time `json:"also"`
	}
	for text, kept := range map[string]bool{
		"2026-02-06T16:00:00Z": true, "0000-01-01T00:00:00Z": false, "0001-01-01T00:00:00+01:00": false, "9999-12-31T23:59:59-01:00": false, "9998-12-31T00:00:00Z": true,
	} {
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		if err := domain.Validate(command{At: at, Also: &at}); (err == nil) != kept {
			t.Errorf("%s: %v", text, err)
		}
	}
	if err := domain.Validate(command{}); err != nil {
		t.Errorf("no time: %v", err)
	}
}

func TestFaultsPointToTheMembersOfJSON(t *testing.T) {
	huge, err := decimal.NewFromString("1e9999")
	if err != nil {
		t.Fatal(err)
	}
	minus := decimal.NewFromInt(-1)
	for _, test := range []struct {
		command any
		want    []string
	}{
		{outerFacts{InnerFacts: innerFacts{List: []row{{MM: decimal.NewFromInt(1)}, {MM: huge}}}, Own: "long"}, []string{"/name", "/list/1/mm", "/own"}},
		{outerFacts{InnerFacts: innerFacts{Name: "a\x00b"}, Mass: &minus}, []string{"/name", "/mass"}},
		{&outerFacts{InnerFacts: innerFacts{Name: "a"}}, nil},
	} {
		var got []string
		if err := domain.Validate(test.command); err != nil {
			var e *domain.Error
			if !errors.As(err, &e) || e.Kind != domain.KindInvalid {
				t.Fatal(err)
			}
			for _, f := range e.Fields {
				got = append(got, f.Pointer)
			}
		}
		if len(got) != len(test.want) {
			t.Fatalf("faults at %v, want %v", got, test.want)
		}
		for i := range got {
			if got[i] != test.want[i] {
				t.Errorf("faults at %v, want %v", got, test.want)
			}
		}
	}
}
