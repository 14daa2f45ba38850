package api_test

import (
	"math"
	"net/http"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/photo"
)

// Rule E2: a later photograph is laid over an earlier one of the same object by points found on both.
func TestE2PhotographsAreLaidOverEachOther(t *testing.T) {
	s := newStudio(t)
	before, after := s.taken(800, 600, 10), s.taken(400, 300, 20)
	path := "/photos/" + before.String() + "/alignments"
	s.api.Get(path+"/"+after.String()).Refused(http.StatusNotFound, "not_found")
	point := func(x, y float64) []float64 { return []float64{x, y} }
	tie := func(bx, by, ax, ay float64) map[string]any {
		return map[string]any{"before": point(bx, by), "after": point(ax, ay)}
	}
	body := map[string]any{"after_id": after, "kind": "similarity", "ties": []any{tie(100, 100, 50, 50), tie(700, 100, 350, 50), tie(700, 500, 350, 250)}}
	type alignment struct {
		Kind string `json:"kind"`
		Fit  struct {
			Matrix [6]float64 `json:"matrix"`
			Scale  float64    `json:"scale"`
			RMSPX  float64    `json:"rms_px"`
			Spare  int        `json:"spare_equations"`
		} `json:"fit"`
	}
	s.api.Post(path, body).Must(http.StatusCreated)
	kept := servetest.JSON[alignment](s.api.Get(path + "/" + after.String()).Must(http.StatusOK))
	if math.Abs(kept.Fit.Scale-2) > 1e-9 || kept.Fit.RMSPX > 1e-9 || kept.Fit.Spare != 2 || math.Abs(kept.Fit.Matrix[0]-2) > 1e-9 {
		t.Errorf("a picture of half the size lies so: %+v", kept)
	}
	// The last one counts.
	body["kind"] = "affine"
	s.api.Post(path, body).Must(http.StatusCreated)
	if kept = servetest.JSON[alignment](s.api.Get(path + "/" + after.String()).Must(http.StatusOK)); kept.Kind != "affine" {
		t.Errorf("the last alignment is %s", kept.Kind)
	}
	for what, ties := range map[string][]any{
		"on one line":         {tie(100, 100, 50, 50), tie(200, 200, 100, 100), tie(300, 300, 150, 150)},
		"outside":             {tie(100, 100, 50, 50), tie(700, 100, 401, 50)},
		"a point is missing":  {map[string]any{"before": point(100, 100)}, tie(700, 100, 350, 50)},
		"a figure is missing": {map[string]any{"before": []float64{100}, "after": point(50, 50)}, tie(700, 100, 350, 50)},
		"only one":            {tie(100, 100, 50, 50)},
		"on one place":        {tie(100, 100, 50, 50), tie(101, 100, 350, 50)},
	} {
		s.api.Post(path, map[string]any{"after_id": after, "kind": "similarity", "ties": ties}).Refused(http.StatusUnprocessableEntity, "invalid")
		t.Log("refused:", what)
	}
	for _, other := range []domain.ID{before, domain.NewID()} {
		s.api.Post(path, map[string]any{"after_id": other, "kind": "similarity", "ties": []any{tie(100, 100, 50, 50), tie(700, 100, 350, 50)}}).Refused(http.StatusUnprocessableEntity, "invalid")
	}
}

// taken is a new photograph of the object.
func (s *studio) taken(width, height int, shade uint8) domain.ID {
	s.t.Helper()
	return servetest.JSON[photo.Photo](s.send("image/jpeg", says, jpegOf(s.t, width, height, shade)).Must(http.StatusCreated)).ID
}
