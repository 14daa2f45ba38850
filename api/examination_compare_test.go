package api_test

import (
	"maps"
	"math"
	"net/http"
	"testing"

	"github.com/shopspring/decimal"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/measurement"
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
		// By hand: 190 − 120, and √(4² + 5²) = 6.403.
		if x := c.Changes[0].Extent; !x.Proven || x.Value.String() != "70" || x.Uncertainty.Round(3).String() != "6.403" {
			t.Errorf("extent %+v", x)
		}
	}
	// What was measured: one reading before both, one made for the later examination, and what is no reading of the series.
	spot := servetest.JSON[measurement.Spot](s.conservator.Post(s.objectPath+"/spots", body{"name": "cuff", "place": "above the ring"}).Must(http.StatusCreated))
	measured := func(change body) {
		t.Helper()
		n := body{"quantity": "ph", "method": "surface electrode", "instrument": "meter 1", "plus_minus": "0.2"}
		maps.Copy(n, change)
		s.conservator.Post("/spots/"+spot.ID.String()+"/measurements", n).Must(http.StatusCreated)
	}
	measured(body{"measured_on": "2020-03-01", "value": "5.5"})
	measured(body{"measured_on": "2021-03-01", "value": "4.9"})
	measured(body{"measured_on": "2021-03-02", "value": "6.9", "role": "protected_area", "source": "under the label"})
	third := servetest.JSON[examination.Examination](s.conservator.Post(s.objectPath+"/examinations", body{"occasion": "survey"}).Must(http.StatusCreated))
	measured(body{"measured_on": "2021-03-03", "value": "4.3", "examination_id": third.ID})
	pairs := servetest.JSON[struct{ Readings []measurement.Pair }](s.conservator.Get(at + "?b=" + third.ID.String()).Must(http.StatusOK)).Readings
	// By hand: 4.3 − 4.9, though that was read on a day before the earlier examination.
	if len(pairs) != 1 || pairs[0].SpotName != "cuff" || !pairs[0].Proven() || pairs[0].Change.FromOn != "2021-03-01" || pairs[0].Change.ToOn != "2021-03-03" || math.Abs(pairs[0].Change.Difference+0.6) > 1e-9 {
		t.Errorf("measured: %+v", pairs)
	}
	s.conservator.Get(at+"?a="+first.ID.String()+"&b="+first.ID.String()).Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Get(at+"?a="+s.object.ID.String()).Refused(http.StatusConflict, "one_examination")
	s.conservator.Get(at+"?a="+s.object.ID.String()+"&b="+first.ID.String()).Refused(http.StatusUnprocessableEntity, "invalid")
}

// Rule E4: the extent of what is marked on a photograph follows from the scale in it; without one it is a percentage of
// the photograph, and says so.
func TestE4ExtentFromMarks(t *testing.T) {
	t.Parallel()
	b := newStudio(t)
	picture := b.taken(400, 300, 30)
	begun := b.api.Post("/objects/"+b.object.String()+"/examinations", body{"occasion": "survey"}).Must(http.StatusCreated)
	at := "/examinations/" + servetest.JSON[examination.Examination](begun).ID.String()
	added := b.api.Post(at+"/observations", body{"term": "stain", "component_id": b.cuff}, begun.Tag()).Must(http.StatusCreated)
	o := servetest.JSON[examination.Examination](added).Observations[0]
	take := at + "/observations/" + o.ID.String() + "/extent"
	b.api.Post(take, nil, added.Tag()).Refused(http.StatusNotFound, "not_found")
	b.api.Post("/photos/"+picture.String()+"/marks", body{"observation_id": o.ID, "shape": body{"kind": "rectangle", "points": [][]int{{100, 100}, {200, 160}}}, "precision_px": 0.5}).Must(http.StatusCreated)
	taken := b.api.Post(take, nil, added.Tag()).Must(http.StatusOK)
	// By hand: 100 · 60 of 400 · 300 pixels are 5 %.
	if x := servetest.JSON[examination.Examination](taken).Observations[0].Extent; x.Kind != examination.Percent || x.Of != "photograph" || x.Value.String() != "5" && x.Value.StringFixed(1) != "5.0" {
		t.Errorf("without a scale: %+v", x)
	}
	b.api.Post("/photos/"+picture.String()+"/scale", body{"from": []int{50, 280}, "to": []int{250, 280}, "length_mm": 100, "plus_mm": 0, "click_px": 0.1}).Must(http.StatusCreated)
	// By hand: 2 pixels are 1 mm, so 50 mm · 30 mm = 1500 mm².
	if x := servetest.JSON[examination.Examination](b.api.Post(take, nil, taken.Tag()).Must(http.StatusOK)).Observations[0].Extent; x.Kind != examination.Area || x.Value.IntPart() != 1500 || x.Uncertainty == nil {
		t.Errorf("with a scale: %+v", x)
	}
}
