package api_test

import (
	"net/http"
	"testing"

	"github.com/shopspring/decimal"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
)

// Rule E2 at the door: two examinations, the earlier first, with what changed by how much and how surely.
func TestE2ExaminationsCompared(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	at := s.objectPath + "/comparison"
	s.conservator.Get(at).Refused(http.StatusConflict, "one_examination")
	by := s.Person("Tomas Brandt", domain.Conservator).Actor
	area := func(mm2, u int64) *examination.Extent {
		uncertainty := decimal.NewFromInt(u)
		return &examination.Extent{Kind: examination.Area, Value: decimal.NewFromInt(mm2), Uncertainty: &uncertainty, Basis: "from marks on a photograph"}
	}
	first := s.Examine(by, s.object.ID, servetest.Look{DaysAgo: 1, Found: []examination.NewFinding{{ComponentID: &s.ring.ID,
		Finding: examination.Finding{Term: "pitting", Severity: 2, Activity: examination.Stable, Extent: area(120, 4), Status: examination.New}}}})
	s.conservator.Get(at).Refused(http.StatusConflict, "one_examination")
	second := s.Examine(by, s.object.ID, servetest.Look{Overall: examination.Poor, Answer: func(o examination.Observation) examination.Finding {
		d := o.Finding
		d.Status, d.Extent = examination.Changed, area(190, 5)
		return d
	}, Found: []examination.NewFinding{{ComponentID: &s.glove.ID, Finding: examination.Finding{Term: "stain", Severity: 1, Activity: examination.UnknownActivity, Status: examination.New}}}})
	for _, query := range []string{"", "?a=" + second.ID.String(), "?b=" + second.ID.String(), "?a=" + second.ID.String() + "&b=" + first.ID.String()} {
		c := servetest.JSON[examination.Comparison](s.conservator.Get(at + query).Must(http.StatusOK))
		if c.Before.ID != first.ID || c.After.ID != second.ID || len(c.Changes) != 2 || c.Counts[examination.Worse] != 1 || c.Counts[examination.Appeared] != 1 || c.Overall != examination.Worse {
			t.Fatalf("%s: %+v", query, c)
		}
		// By hand: 190 − 120, and 2·√(4² + 5²) = 12.806.
		if x := c.Changes[0].Extent; !x.Proven || x.Value.String() != "70" || x.Uncertainty.Round(3).String() != "12.806" {
			t.Errorf("extent %+v", x)
		}
	}
	s.conservator.Get(at+"?a="+first.ID.String()+"&b="+first.ID.String()).Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Get(at+"?a="+s.object.ID.String()).Refused(http.StatusConflict, "one_examination")
	s.conservator.Get(at+"?a="+s.object.ID.String()+"&b="+first.ID.String()).Refused(http.StatusUnprocessableEntity, "invalid")
}
