package api_test

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"reflect"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/domain/photo/iiif"
	"farthingale/domain/photo/mark"
)

var (
	linkedData = servetest.Header{Name: "Accept", Value: mark.AnnotationProfile}
	asLinked   = servetest.Header{Name: "Content-Type", Value: mark.AnnotationProfile}
)

// Rules F4 and E4: an observation is marked on a photograph, measured without and with a scale.
func TestF4E4MarksAndScale(t *testing.T) {
	t.Parallel()
	s := newStudio(t)
	id := s.taken(800, 600, 10)
	path := "/photos/" + id.String()
	e := servetest.JSON[examination.Examination](s.api.Post("/objects/"+s.object.String()+"/examinations", body{"occasion": "survey"}).Must(http.StatusCreated))
	added := s.api.Post("/examinations/"+e.ID.String()+"/observations", body{"component_id": s.cuff, "term": "pitting", "severity": 3, "activity": "active"}, servetest.IfMatch(fmt.Sprintf(`"v%d"`, e.Version))).Must(http.StatusCreated)
	about := servetest.JSON[examination.Examination](added).Observations[0].ID
	shape := body{"kind": "polygon", "points": [][2]float64{{100, 100}, {300, 100}, {300, 250}, {100, 250}}}
	s.api.Get("/observations/"+about.String()+"/measure").Refused(http.StatusNotFound, "not_found")
	drawn := s.api.Post(path+"/marks", body{"observation_id": about, "shape": shape, "note": hostile}).Must(http.StatusCreated)
	m := servetest.JSON[photo.Mark](drawn)
	if m.TermName == "" || m.Severity != 3 || m.Note != hostile || m.Frozen {
		t.Errorf("%+v", m)
	}
	at := "/marks/" + m.ID.String()

	measure := servetest.JSON[photo.Measured](s.api.Get("/observations/" + about.String() + "/measure").Must(http.StatusOK))
	if measure.Of != "area" || measure.MM != nil || measure.WithoutScale == "" || measure.PX.Value != 30_000 || math.Abs(measure.Percent.Value-6.25) > 1e-9 {
		t.Errorf("without a scale: %+v", measure)
	}
	s.api.Get(path+"/scale").Refused(http.StatusNotFound, "not_found")
	for what, n := range map[string]body{
		"no length":   {"from": []int{10, 10}, "to": []int{410, 10}, "length_mm": 0},
		"one point":   {"from": []int{10, 10}, "to": []int{10, 10}, "length_mm": 40},
		"off picture": {"from": []int{10, 10}, "to": []int{810, 10}, "length_mm": 40},
	} {
		s.api.Post(path+"/scale", n).Refused(http.StatusUnprocessableEntity, "invalid")
		t.Log("refused:", what)
	}
	s.api.Post(path+"/scale", body{"from": []int{10, 10}, "to": []int{410, 10}, "length_mm": 40, "plus_mm": 0.1}).Must(http.StatusCreated)
	if k := servetest.JSON[photo.Scale](s.api.Get(path + "/scale").Must(http.StatusOK)); k.ClickPX != photo.DefaultClickPX || k.ByName != "Ines Falkenberg" {
		t.Errorf("%+v", k)
	}
	measure = servetest.JSON[photo.Measured](s.api.Get("/observations/" + about.String() + "/measure").Must(http.StatusOK))
	// By hand: 30 000 px² × (0.1 mm/px)² = 300 mm²; u² = (2·300·√(0.0025² + 2·(2/400)²))² + (0.01 · 700 · 2)²
	if u := math.Sqrt(math.Pow(600*math.Sqrt(0.0025*0.0025+2*0.005*0.005), 2) + 14*14); math.Abs(measure.MM.Value-300) > 1e-9 || math.Abs(measure.MM.Plus-u) > 1e-9 {
		t.Errorf("with a scale: %+v, u %.3f", measure.MM, u)
	}

	list := servetest.JSON[struct {
		Items []struct {
			ID      string       `json:"id"`
			Measure mark.Measure `json:"measure"`
		} `json:"items"`
	}](s.api.Get(path + "/marks?observation=" + about.String()).Must(http.StatusOK))
	if len(list.Items) != 1 || list.Items[0].Measure.MM == nil {
		t.Errorf("%+v", list)
	}

	s.api.Put(at, body{"shape": shape}).Refused(http.StatusPreconditionRequired, "no_version")
	changed := s.api.Put(at, body{"shape": body{"kind": "line", "points": [][2]float64{{1, 1}, {4, 5}}}}, drawn.Tag()).Must(http.StatusOK)
	s.api.Put(at, body{"shape": shape}, drawn.Tag()).Refused(http.StatusPreconditionFailed, "stale")
	for what, bad := range map[string]body{
		"crosses itself": {"kind": "polygon", "points": [][2]float64{{0, 0}, {100, 100}, {100, 0}, {0, 100}}},
		"off picture":    {"kind": "point", "points": [][2]float64{{801, 3}}},
		"nothing":        {"kind": "polygon", "points": [][2]float64{}},
		"unknown":        {"kind": "ellipse", "points": [][2]float64{{3, 3}}},
	} {
		s.api.Post(path+"/marks", body{"shape": bad}).Refused(http.StatusUnprocessableEntity, "invalid")
		t.Log("refused:", what)
	}
	s.h.API(servetest.Someone(s.h.Person("Lars Wray", "reader"))).Post(path+"/marks", body{"shape": shape}).Refused(http.StatusForbidden, "P2")
	s.api.Do(http.MethodDelete, at, nil, changed.Tag()).Must(http.StatusNoContent)
	s.api.Get(at).Refused(http.StatusNotFound, "not_found")
}

// An outline of as many points as can be kept is kept whole; one more is refused and nothing is lost of it here.
func TestF4LongOutlines(t *testing.T) {
	t.Parallel()
	s := newStudio(t)
	path := "/photos/" + s.taken(800, 600, 10).String() + "/marks"
	outline := func(n int) body {
		points := make([][2]float64, n)
		for i := range points {
			a := 2 * math.Pi * float64(i) / float64(n)
			points[i] = [2]float64{math.Round(40_000+25_000*math.Cos(a)) / 100, math.Round(30_000+25_000*math.Sin(a)) / 100}
		}
		return body{"shape": body{"kind": "polygon", "points": points}}
	}
	if m := servetest.JSON[photo.Mark](s.api.Post(path, outline(mark.PointsMost)).Must(http.StatusCreated)); len(m.Shape.Points) != mark.PointsMost {
		t.Errorf("%d points are left", len(m.Shape.Points))
	}
	p := s.api.Post(path, outline(mark.PointsMost+1)).Refused(http.StatusUnprocessableEntity, "invalid")
	if len(p.Errors) == 0 || !strings.Contains(p.Errors[0].Detail, "10001 points") {
		t.Errorf("%+v", p)
	}
}

// Marks leave as W3C Web Annotations and come back as the same marks.
func TestF4MarksAreExchanged(t *testing.T) {
	t.Parallel()
	s := newStudio(t)
	from, to := "/photos/"+s.taken(800, 600, 10).String(), "/photos/"+s.taken(800, 600, 20).String()
	shapes := []mark.Shape{
		{Kind: mark.Rectangle, Points: []mark.Point{{10, 20}, {40, 60}}}, {Kind: mark.Polygon, Points: []mark.Point{{1.25, 2}, {30, 4.5}, {20, 80}}},
		{Kind: mark.Line, Points: []mark.Point{{0, 0}, {800, 600}}}, {Kind: mark.Place, Points: []mark.Point{{400, 300}}},
	}
	for _, shape := range shapes {
		s.api.Post(from+"/marks", body{"shape": shape, "note": hostile}).Must(http.StatusCreated)
	}
	page := servetest.JSON[iiif.AnnotationPage](s.api.Get(from+"/marks", linkedData).Must(http.StatusOK))
	if again := servetest.JSON[iiif.AnnotationPage](s.api.Get(from + "/annotations").Must(http.StatusOK)); len(page.Items) != len(shapes) || !reflect.DeepEqual(page, again) {
		t.Fatalf("%+v", page)
	}
	for i, a := range page.Items {
		raw, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		var one map[string]any
		if err := json.Unmarshal(raw, &one); err != nil {
			t.Fatal(err)
		}
		one["@context"] = mark.AnnotationContext // it stands on the page
		m := servetest.JSON[photo.Mark](s.api.Post(to+"/annotations", one, asLinked).Must(http.StatusCreated))
		if !reflect.DeepEqual(m.Shape, shapes[i]) || m.Note != hostile {
			t.Errorf("%v became %v, %q", shapes[i], m.Shape, m.Note)
		}
		if a := servetest.JSON[mark.Annotation](s.api.Get("/marks/"+m.ID.String(), linkedData).Must(http.StatusOK)); a.Context != mark.AnnotationContext || !strings.HasSuffix(a.ID, "/marks/"+m.ID.String()) {
			t.Errorf("%+v", a)
		}
	}
	script := body{"@context": mark.AnnotationContext, "type": "Annotation", "target": body{"source": "x", "selector": body{"type": "SvgSelector",
		"value": `<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script><polygon points="1,2 3,4 5,1"/></svg>`}}}
	s.api.Post(to+"/annotations", script, asLinked).Refused(http.StatusUnprocessableEntity, "invalid")
	s.api.Post(to+"/annotations", body{"@context": mark.AnnotationContext, "type": "Annotation", "target": "http://a.example/b#xywh=10,10,20,20"}).Must(http.StatusCreated)
	s.api.Post(to+"/annotations", body{"@context": mark.AnnotationContext, "type": "Annotation", "target": "http://a.example/b"}).Refused(http.StatusUnprocessableEntity, "invalid")
	s.api.Post(to+"/annotations", body{"type": "Annotation", "target": "http://a.example/b#xywh=10,10,20,20"}).Refused(http.StatusUnprocessableEntity, "invalid")
}
