package domain_test

import (
	"errors"
	"testing"

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
