package api_test

import (
	"encoding/json"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/enclosure"
	"farthingale/domain/movement"
)

func assumed(v float64) body { return body{"value": v, "basis": "assumed"} }

func between(v, least, greatest float64) body {
	return body{"value": v, "least": least, "greatest": greatest, "basis": "assumed"}
}

// ringGap is a ring of 100 mm that lies, with a gap of so many millimetres.
func ringGap(width body) body {
	return body{"shape": "ring-lying", "diameter_mm": assumed(100), "depth_mm": assumed(10), "width_mm": width, "daily_temp_k": assumed(2), "daily_pressure_hpa": assumed(10)}
}

// closedGlove is a glove of 2 l that gives off 0.05 µg of hydrogen chloride per hour.
func (s *shelf) closedGlove() body {
	return body{"label": "Left glove on its ring", "kind": "glove", "note": hostile,
		"members": []body{{"space": "glove", "object_id": s.object.ID, "component_id": s.glove.ID}, {"space": "glove", "object_id": s.object.ID, "component_id": s.ring.ID}},
		"network": body{
			"air": body{"temp_c": assumed(20)},
			"spaces": []body{{"name": "glove", "volume_m3": assumed(0.002), "rh_pct": between(45, 40, 50),
				"surfaces": []body{{"name": "rubber", "area_m2": assumed(0.1), "emissions": []body{{"gas": "hcl", "rate_ug_m2_h": between(0.5, 0.25, 1)}}}}}},
			"rooms":     []body{{"name": "store", "levels": []body{{"gas": "hcl", "ug_m3": assumed(0)}}}},
			"exchanges": []body{{"name": "ring", "inner": "glove", "outer": "store", "rate": body{"per_day": assumed(0.0167)}}}}}
}

var enclosureTables = []string{"enclosure", "enclosure_space", "enclosure_member", "enclosure_tracer", "enclosure_recommendation", "enclosure_recommendation_end", "event"}

func near(t *testing.T, what string, got, want, share float64) {
	t.Helper()
	if math.Abs(got-want) > share*want {
		t.Errorf("%s: %g, wanted %g", what, got, want)
	}
}

// A closed glove of 2 l, then a gap of 3 mm at its ring: before and after with ranges. Nothing is kept.
//
// source: Fick's law with the coefficient of Fuller, Schettler & Giddings 1966, A new method for
// prediction of binary gas-phase diffusion coefficients; the balance of one air space after
// Ryhl-Svendsen 2006, Indoor air pollution in museums; worked by hand: 35 928 µg/m³ closed, 11.47 with
// 3 mm.
func TestWhatIfGapAtTheRing(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	made := s.conservator.Post("/enclosures", s.closedGlove()).Must(http.StatusCreated)
	at := strings.TrimPrefix(made.Header.Get("Location"), "/api/v1")
	reader := s.API(s.Person("Lars Wray", domain.Reader))
	rows := s.Rows(enclosureTables...)

	levels := servetest.JSON[enclosure.Levels](reader.Get(at + "/levels?years=1").Must(http.StatusOK))
	if len(levels.Items) != 1 || levels.Items[0].Verdict != enclosure.Above || levels.Items[0].PPB == nil || levels.Years != 1 {
		t.Fatalf("%+v", levels)
	}
	closed := levels.Items[0].UGM3
	near(t, "closed", closed.Middle, 35_928, 1e-4)
	near(t, "closed, least", closed.Least, 35_928/2, 1e-4)
	near(t, "closed, greatest", closed.Greatest, 35_928*2, 1e-4)

	question := body{"changes": []body{{"act": "gap", "exchange": "ring", "gap": ringGap(assumed(3))}}, "hours": 48, "years": 10}
	answer := servetest.JSON[enclosure.Answer](reader.Post(at+"/what-if", question).Must(http.StatusOK))
	if len(answer.Differences) != 1 || len(answer.Courses) != 1 || len(answer.Changed) != 1 {
		t.Fatalf("%+v", answer)
	}
	d := answer.Differences[0]
	near(t, "before", d.Before.UGM3.Middle, 35_928, 1e-4)
	near(t, "after", d.After.UGM3.Middle, 11.47, 1e-3)
	near(t, "factor", d.Factor, 11.47/35_928, 2e-3)
	// From half to twice the rate, and 30 % on the estimate of the coefficient.
	if g := d.After.UGM3; g.Least > 11.47/2 || g.Greatest < 11.47*2 {
		t.Errorf("after: %v", g)
	}
	if !strings.Contains(d.Words, "falls") || !strings.Contains(d.After.Said, "published limits") {
		t.Errorf("%q, %q", d.Words, d.After.Said)
	}
	course := answer.Courses[0]
	last := len(course.Hours) - 1
	if course.Hours[last] != 48 || math.Abs(course.Before.Middle[last]-course.Before.Middle[0]) > 1 || len(course.After.Greatest) != last+1 {
		t.Errorf("%+v", course)
	}
	near(t, "the course ends at the steady level", course.After.Middle[last], d.After.UGM3.Middle, 0.01)

	// The gap kept, and made narrower and wider by its width alone.
	facts := s.closedGlove()
	facts["network"].(body)["exchanges"] = []body{{"name": "ring", "inner": "glove", "outer": "store", "gap": ringGap(assumed(3))}}
	if after := s.Rows(enclosureTables...); !mapsEqual(rows, after) {
		t.Errorf("asking left rows: %v, %v", rows, after)
	}
	s.conservator.Put(at, facts, servetest.IfMatch(`"v1"`)).Must(http.StatusOK)
	for width, want := range map[float64]float64{0.1: 265.34, 1: 29.09, 5: 7.94} {
		a := servetest.JSON[enclosure.Answer](reader.Post(at+"/what-if", body{"changes": []body{{"act": "gap", "exchange": "ring", "width_mm": assumed(width)}}}).Must(http.StatusOK))
		near(t, "another width", a.Differences[0].After.UGM3.Middle, want, 1e-3)
		if len(a.Courses) != 0 {
			t.Error("a course that nobody asked for")
		}
	}
}

// The life of an enclosure: described, changed, listed, closed; each object that lies in it hears.
func TestEnclosureKept(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	facts := s.closedGlove()
	s.curator.Post("/enclosures", facts).Refused(http.StatusForbidden, "P2")
	made := s.conservator.Post("/enclosures", facts).Must(http.StatusCreated)
	e := servetest.JSON[enclosure.Enclosure](made)
	at := "/enclosures/" + e.ID.String()
	if e.Note != hostile || len(e.Members) != 2 || e.Members[0].Name() != "1968.14.2.1 cuff ring" || len(e.Spaces) != 1 || e.Spaces[0].ExchangePerDay == nil ||
		*e.Spaces[0].ExchangePerDay != 0.0167 || *e.Spaces[0].RHPct != 45 || e.CreatedBy.Name != "Mara Holm" {
		t.Fatalf("%+v", e)
	}
	s.conservator.Get(at, servetest.Header{Name: "If-None-Match", Value: `"v1"`}).Must(http.StatusNotModified)
	told := func() (n int) {
		if err := s.Database.OwnerPool().QueryRow(t.Context(), `select count(*) from event where area = 'enclosure' and object_id = $1`, s.object.ID).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if told() != 1 {
		t.Errorf("the object hears %d times", told())
	}
	facts["members"] = []body{}
	s.conservator.Put(at, facts).Refused(http.StatusPreconditionRequired, "no_version")
	s.conservator.Put(at, facts, servetest.IfMatch(`"v9"`)).Refused(http.StatusPreconditionFailed, "stale")
	emptied := servetest.JSON[enclosure.Enclosure](s.conservator.Put(at, facts, servetest.IfMatch(`"v1"`)).Must(http.StatusOK))
	if emptied.Version != 2 || len(emptied.Members) != 0 || told() != 2 {
		t.Errorf("%+v, %d", emptied, told())
	}
	s.conservator.Put(at, s.closedGlove(), servetest.IfMatch(`"v2"`)).Must(http.StatusOK)

	other := s.closedGlove()
	other["label"], other["kind"], other["members"] = "A box", "box", nil
	s.conservator.Post("/enclosures", other).Must(http.StatusCreated)
	s.conservator.Post(at+"/closure", body{"reason": "x"}, servetest.IfMatch(`"v2"`)).Refused(http.StatusPreconditionFailed, "stale")
	for query, labels := range map[string][]string{
		"":                                      {"A box", "Left glove on its ring"},
		"?limit=1":                              {"A box"},
		"?kind=glove":                           {"Left glove on its ring"},
		"?q=BOX":                                {"A box"},
		"?object_id=" + s.object.ID.String():    {"Left glove on its ring"},
		"?object_id=" + domain.NewID().String(): {},
	} {
		page := servetest.JSON[domain.Page[enclosure.Line]](s.curator.Get("/enclosures" + query).Must(http.StatusOK))
		var got []string
		for _, l := range page.Items {
			got = append(got, l.Label)
		}
		if !slices.Equal(got, labels) && len(got)+len(labels) > 0 {
			t.Errorf("%s: %q", query, got)
		}
		if query == "?limit=1" {
			rest := servetest.JSON[domain.Page[enclosure.Line]](s.curator.Get("/enclosures?limit=1&cursor=" + page.Next).Must(http.StatusOK))
			if len(rest.Items) != 1 || rest.Items[0].Label != "Left glove on its ring" || rest.Items[0].MemberCount != 2 {
				t.Errorf("%+v", rest)
			}
		}
	}
	s.curator.Get("/enclosures?kind=party").Refused(http.StatusUnprocessableEntity, "invalid")

	closed := servetest.JSON[enclosure.Enclosure](s.conservator.Post(at+"/closure", body{"reason": "The glove was taken off."}, servetest.IfMatch(`"v3"`)).Must(http.StatusOK))
	if closed.Closed == nil || closed.Closed.By.Name != "Mara Holm" || told() != 4 {
		t.Errorf("%+v, %d", closed.Closed, told())
	}
	s.conservator.Put(at, s.closedGlove(), servetest.IfMatch(`"v4"`)).Refused(http.StatusConflict, "enclosure_closed")
	s.conservator.Post(at+"/closure", body{"reason": "again"}, servetest.IfMatch(`"v4"`)).Refused(http.StatusConflict, "enclosure_closed")
	s.conservator.Post(at+"/recommendations", body{"object_id": s.object.ID, "text": "x", "changes": []body{{"act": "temperature", "temp_c": assumed(5)}}}).Refused(http.StatusConflict, "enclosure_closed")
	if page := servetest.JSON[domain.Page[enclosure.Line]](s.curator.Get("/enclosures").Must(http.StatusOK)); len(page.Items) != 1 {
		t.Errorf("%+v", page.Items)
	}
	if page := servetest.JSON[domain.Page[enclosure.Line]](s.curator.Get("/enclosures?closed=true").Must(http.StatusOK)); len(page.Items) != 2 {
		t.Errorf("%+v", page.Items)
	}
	defaults := servetest.JSON[struct{ Items []enclosure.Default }](s.curator.Get("/enclosure-defaults").Must(http.StatusOK))
	if len(defaults.Items) < 15 || !defaults.Items[0].Quantity.Given() {
		t.Errorf("%+v", defaults)
	}
}

// Everything that cannot be is refused with a pointer, and nothing is saved.
func TestEnclosureFaults(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	made := servetest.JSON[enclosure.Enclosure](s.conservator.Post("/enclosures", s.closedGlove()).Must(http.StatusCreated))
	at := "/enclosures/" + made.ID.String()
	before := s.Rows(enclosureTables...)
	space := func(facts body) body { return facts["network"].(body)["spaces"].([]body)[0] }
	second := body{"name": "zip", "inner": "glove", "outer": "store", "gap": ringGap(assumed(1))}
	for name, test := range map[string]struct {
		wrong   func(facts body)
		pointer string
		said    string
	}{
		"no name":          {func(f body) { f["label"] = " " }, "#/label", ""},
		"odd kind":         {func(f body) { f["kind"] = "helmet case" }, "#/kind", ""},
		"zero volume":      {func(f body) { space(f)["volume_m3"] = assumed(0) }, "#/network/spaces/0/volume_m3", "1 litre is 0.001"},
		"negative volume":  {func(f body) { space(f)["volume_m3"] = assumed(-0.002) }, "#/network/spaces/0/volume_m3", "more than 0"},
		"litres as m³":     {func(f body) { space(f)["volume_m3"] = assumed(2e6) }, "#/network/spaces/0/volume_m3", "cubic metres"},
		"kelvin":           {func(f body) { f["network"].(body)["air"] = body{"temp_c": assumed(293)} }, "#/network/air/temp_c", "not kelvin"},
		"no value":         {func(f body) { space(f)["volume_m3"] = body{"basis": "assumed"} }, "#/network/spaces/0/volume_m3", "with its value"},
		"no basis":         {func(f body) { space(f)["volume_m3"] = body{"value": 0.002} }, "#/network/spaces/0/volume_m3/basis", "measured, published or assumed"},
		"no source":        {func(f body) { space(f)["volume_m3"] = body{"value": 0.002, "basis": "measured"} }, "#/network/spaces/0/volume_m3/source", "Say who"},
		"range without it": {func(f body) { space(f)["volume_m3"] = between(0.002, 0.003, 0.004) }, "#/network/spaces/0/volume_m3", "does not hold"},
		"damp above 100 %": {func(f body) { space(f)["rh_pct"] = assumed(140) }, "#/network/spaces/0/rh_pct", "per cent"},
		"two ways": {func(f body) {
			n := f["network"].(body)
			n["exchanges"] = append(n["exchanges"].([]body), second)
		}, "#/network/exchanges/0", "whole exchange"},
		"rate and gap":    {func(f body) { f["network"].(body)["exchanges"].([]body)[0]["gap"] = ringGap(assumed(1)) }, "#/network/exchanges/0/gap", "either a rate or a gap"},
		"to itself":       {func(f body) { f["network"].(body)["exchanges"].([]body)[0]["outer"] = "glove" }, "#/network/exchanges/0/outer", "with itself"},
		"to nowhere":      {func(f body) { f["network"].(body)["exchanges"].([]body)[0]["outer"] = "attic" }, "#/network/exchanges/0/outer", "no space or room"},
		"unknown gas":     {func(f body) { f["network"].(body)["rooms"].([]body)[0]["levels"].([]body)[0]["gas"] = "phlogiston" }, "#/network/rooms/0/levels/0/gas", "known"},
		"member outside":  {func(f body) { f["members"].([]body)[0]["space"] = "case" }, "#/members/0/space", "no space"},
		"member twice":    {func(f body) { f["members"].([]body)[1]["component_id"] = s.glove.ID }, "#/members/1", "once"},
		"part of another": {func(f body) { f["members"].([]body)[1]["component_id"] = domain.NewID() }, "", ""},
		"no such object":  {func(f body) { f["members"] = []body{{"space": "glove", "object_id": domain.NewID()}} }, "", ""},
		"no such place":   {func(f body) { f["place_id"] = domain.NewID() }, "#/place_id", "no such place"},
		"unknown member":  {func(f body) { space(f)["colour"] = "red" }, "#/network/spaces/0/colour", ""},
		"over-long note":  {func(f body) { f["note"] = strings.Repeat("x", 4001) }, "#/note", ""},
		"NUL":             {func(f body) { f["label"] = "a\x00b" }, "#/label", ""},
	} {
		facts := s.closedGlove()
		test.wrong(facts)
		for _, p := range []api.Problem{
			s.conservator.Post("/enclosures", facts).Refused(http.StatusUnprocessableEntity, "invalid"),
			s.conservator.Put(at, facts, servetest.IfMatch(`"v1"`)).Refused(http.StatusUnprocessableEntity, "invalid"),
		} {
			if test.pointer == "" {
				continue
			}
			if len(p.Errors) == 0 || p.Errors[0].Pointer != test.pointer || !strings.Contains(p.Errors[0].Detail, test.said) {
				t.Errorf("%s: %+v", name, p)
			}
		}
	}
	for name, test := range map[string]struct {
		change  body
		pointer string
	}{
		"negative volume": {body{"act": "volume", "space": "glove", "volume_m3": assumed(-1)}, "#/changes/0/volume_m3"},
		"no such path":    {body{"act": "gap", "exchange": "zip", "width_mm": assumed(1)}, "#/changes/0/exchange"},
		"only a width":    {body{"act": "gap", "exchange": "ring", "width_mm": assumed(1)}, "#/changes/0/gap"},
		"no such surface": {body{"act": "remove", "space": "glove", "surface": "leather"}, "#/changes/0/surface"},
		"a share":         {body{"act": "cover", "space": "glove", "surface": "rubber", "passing": assumed(5)}, "#/changes/0/passing"},
		"kelvin":          {body{"act": "temperature", "temp_c": assumed(293)}, "#/changes/0/temp_c"},
		"odd act":         {body{"act": "burn"}, "#/changes/0/act"},
		"something idle":  {body{"act": "temperature", "temp_c": assumed(5), "surface": "rubber"}, "#/changes/0/surface"},
		"odd gap":         {body{"act": "gap", "exchange": "ring", "gap": body{"shape": "ring-lying", "width_mm": assumed(-3)}}, "#/changes/0/gap/width_mm"},
		"odd surface":     {body{"act": "add", "space": "glove", "add": body{"name": "sorbent", "area_m2": assumed(-1)}}, "#/changes/0/add/area_m2"},
	} {
		p := s.conservator.Post(at+"/what-if", body{"changes": []body{test.change}}).Refused(http.StatusUnprocessableEntity, "invalid")
		if len(p.Errors) == 0 || p.Errors[0].Pointer != test.pointer {
			t.Errorf("what if, %s: %+v", name, p)
		}
		s.conservator.Post(at+"/recommendations", body{"object_id": s.object.ID, "text": "Do it.", "changes": []body{test.change}}).Refused(http.StatusUnprocessableEntity, "invalid")
	}
	s.conservator.Post(at+"/what-if", body{"changes": []body{}}).Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Post(at+"/what-if", body{"changes": []body{{"act": "temperature", "temp_c": assumed(5)}}, "hours": -1}).Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Get(at+"/levels?years=0").Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Get(at+"/levels?years=NaN").Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Get("/enclosures/"+domain.NewID().String()+"/levels").Refused(http.StatusNotFound, "not_found")
	if after := s.Rows(enclosureTables...); !mapsEqual(before, after) {
		t.Errorf("refusals left rows: %v, %v", before, after)
	}
}

// No exchange and an emitter: no steady level, no infinity in the answer; a missing rate: no figure.
func TestEnclosureWithoutAWayOut(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	facts := s.closedGlove()
	facts["network"].(body)["exchanges"] = []body{}
	e := servetest.JSON[enclosure.Enclosure](s.conservator.Post("/enclosures", facts).Must(http.StatusCreated))
	if e.Spaces[0].ExchangePerDay != nil {
		t.Errorf("an exchange where no path is known: %+v", e.Spaces)
	}
	answer := s.curator.Get("/enclosures/" + e.ID.String() + "/levels").Must(http.StatusOK)
	levels := servetest.JSON[enclosure.Levels](answer)
	if l := levels.Items[0]; l.State != enclosure.Rising || l.Verdict != enclosure.Unlimited || l.RiseUGM3H.Middle != 25 || !strings.Contains(l.Answer, "No steady level") {
		t.Errorf("%+v", l)
	}
	if strings.Contains(string(answer.Body), "Inf") || !json.Valid(answer.Body) {
		t.Errorf("%s", answer.Body)
	}
	opened := servetest.JSON[enclosure.Answer](s.curator.Post("/enclosures/"+e.ID.String()+"/what-if",
		body{"changes": []body{{"act": "remove", "space": "glove", "surface": "rubber"}}, "hours": 24}).Must(http.StatusOK))
	if len(opened.Differences) != 1 || opened.Differences[0].Words == "" {
		t.Errorf("%+v", opened)
	}

	facts = s.closedGlove()
	delete(facts["network"].(body)["spaces"].([]body)[0]["surfaces"].([]body)[0]["emissions"].([]body)[0], "rate_ug_m2_h")
	e = servetest.JSON[enclosure.Enclosure](s.conservator.Post("/enclosures", facts).Must(http.StatusCreated))
	levels = servetest.JSON[enclosure.Levels](s.curator.Get("/enclosures/" + e.ID.String() + "/levels").Must(http.StatusOK))
	if l := levels.Items[0]; l.State != enclosure.Unknown || l.UGM3 != (enclosure.Figure{}) || !strings.Contains(l.Answer, "emission") {
		t.Errorf("%+v", l)
	}
}

// A tracer measurement is fitted, kept, and used as the exchange of its path.
//
// source: arithmetic of weighted least squares; method of ASTM E741 and ISO 12569.
func TestTracerByAPI(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	e := servetest.JSON[enclosure.Enclosure](s.conservator.Post("/enclosures", s.closedGlove()).Must(http.StatusCreated))
	at := "/enclosures/" + e.ID.String()
	readings := []body{}
	for i, ppm := range []float64{4012, 3342, 2835, 2365, 2037, 1732, 1509, 1212, 1021} {
		readings = append(readings, body{"hours": []float64{0, 4, 8, 12, 16, 20, 24, 30, 36}[i], "ppm": ppm})
	}
	tracer := func(change body) body {
		b := body{"exchange": "ring", "measured_on": "2026-05-04", "note": "By the night shift.", "use": true,
			"decay": body{"tracer": "co2", "readings": readings, "background_ppm": body{"value": 420, "least": 410, "greatest": 430, "basis": "measured", "source": "logged in the store"}}}
		for k, v := range change {
			b[k] = v
		}
		return b
	}
	before := s.Rows(enclosureTables...)
	background := body{"value": 420, "basis": "measured", "source": "x"}
	rising := []body{{"hours": 0, "ppm": 1000}, {"hours": 1, "ppm": 1100}, {"hours": 2, "ppm": 1200}, {"hours": 3, "ppm": 1300}, {"hours": 4, "ppm": 1400}}
	for name, test := range map[string]struct {
		change  body
		pointer string
	}{
		"too few":        {body{"decay": body{"tracer": "co2", "readings": readings[:2], "background_ppm": background}}, "#/decay/readings"},
		"half a reading": {body{"decay": body{"tracer": "co2", "readings": append([]body{{"hours": 0}}, readings[1:]...), "background_ppm": background}}, "#/decay/readings/0/ppm"},
		"rising":         {body{"decay": body{"tracer": "co2", "readings": rising, "background_ppm": background}}, "#/decay/readings"},
		"no background":  {body{"decay": body{"tracer": "co2", "readings": readings}}, "#/decay/background_ppm"},
		"unknown tracer": {body{"decay": body{"tracer": "smoke", "readings": readings, "background_ppm": background}}, "#/decay/tracer"},
		"no such path":   {body{"exchange": "zip"}, "#/exchange"},
		"no day":         {body{"measured_on": "yesterday"}, "#/measured_on"},
		"the future":     {body{"measured_on": "2999-01-01"}, "#/measured_on"},
	} {
		p := s.conservator.Post(at+"/tracers", tracer(test.change), servetest.IfMatch(`"v1"`)).Refused(http.StatusUnprocessableEntity, "invalid")
		if len(p.Errors) == 0 || p.Errors[0].Pointer != test.pointer {
			t.Errorf("%s: %+v", name, p)
		}
	}
	if after := s.Rows(enclosureTables...); !mapsEqual(before, after) {
		t.Errorf("refusals left rows: %v, %v", before, after)
	}
	kept := servetest.JSON[enclosure.Tracer](s.conservator.Post(at+"/tracers", tracer(nil), servetest.IfMatch(`"v1"`)).Must(http.StatusCreated))
	near(t, "per day", kept.Result.WeightedFit.PerDay, 1.20106, 1e-5)
	used := servetest.JSON[enclosure.Enclosure](s.curator.Get(at).Must(http.StatusOK))
	rate := used.Network.Exchanges[0].Rate
	if rate == nil || rate.PerDay.Basis != enclosure.Measured || !strings.Contains(rate.PerDay.Source, "2026-05-04") || math.Abs(*used.Spaces[0].ExchangePerDay-1.20106) > 1e-5 || used.Version != 2 {
		t.Errorf("%+v", used)
	}
	s.conservator.Post(at+"/tracers", tracer(body{"use": false}), servetest.IfMatch(`"v1"`)).Refused(http.StatusPreconditionFailed, "stale")
	s.conservator.Post(at+"/tracers", tracer(body{"use": false}), servetest.IfMatch(`"v2"`)).Must(http.StatusCreated)
	if all := servetest.JSON[struct{ Items []enclosure.Tracer }](s.curator.Get(at + "/tracers").Must(http.StatusOK)); len(all.Items) != 2 || all.Items[0].RecordedBy.Name != "Mara Holm" {
		t.Errorf("%+v", all)
	}
}

// A what-if is kept as a recommendation for an object, and ends done or withdrawn.
func TestRecommendationByAPI(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	e := servetest.JSON[enclosure.Enclosure](s.conservator.Post("/enclosures", s.closedGlove()).Must(http.StatusCreated))
	at := "/enclosures/" + e.ID.String()
	words := body{"object_id": s.object.ID, "text": "Keep the ring open by 3 mm with two spacers. " + hostile, "changes": []body{{"act": "gap", "exchange": "ring", "gap": ringGap(between(3, 2, 4))}}}
	s.curator.Post(at+"/recommendations", words).Refused(http.StatusForbidden, "P2")
	elsewhere := body{"object_id": domain.NewID(), "text": "x", "changes": words["changes"]}
	s.conservator.Post(at+"/recommendations", elsewhere).Refused(http.StatusUnprocessableEntity, "invalid")
	r := servetest.JSON[enclosure.Recommendation](s.conservator.Post(at+"/recommendations", words).Must(http.StatusCreated))
	if r.End != nil || len(r.Differences) != 1 || r.Differences[0].After.UGM3.Middle > 12 || r.MadeBy.Name != "Mara Holm" || r.EnclosureVersion != 1 {
		t.Fatalf("%+v", r)
	}
	for _, path := range []string{at + "/recommendations", s.objectPath + "/recommendations", at + "/recommendations?state=open"} {
		if page := servetest.JSON[domain.Page[enclosure.Recommendation]](s.curator.Get(path).Must(http.StatusOK)); len(page.Items) != 1 || page.Items[0].Text != words["text"] {
			t.Errorf("%s: %+v", path, page)
		}
	}
	end := "/recommendations/" + r.ID.String()
	s.conservator.Post(end+"/end", body{"outcome": "withdrawn"}).Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Post(end+"/end", body{"outcome": "forgotten"}).Refused(http.StatusUnprocessableEntity, "invalid")
	s.curator.Post(end+"/end", body{"outcome": "done"}).Refused(http.StatusForbidden, "P2")
	done := servetest.JSON[enclosure.Recommendation](s.conservator.Post(end+"/end", body{"outcome": "done"}).Must(http.StatusOK))
	if done.End == nil || done.End.Outcome != enclosure.Done || done.End.By.Name != "Mara Holm" {
		t.Errorf("%+v", done)
	}
	s.conservator.Post(end+"/end", body{"outcome": "withdrawn", "reason": "x"}).Refused(http.StatusConflict, "recommendation_ended")
	shown := servetest.JSON[enclosure.Recommendation](s.curator.Get(end).Must(http.StatusOK))
	if shown.End == nil || shown.Differences[0].Before.Inputs == nil {
		t.Errorf("%+v", shown)
	}
	if page := servetest.JSON[domain.Page[enclosure.Recommendation]](s.curator.Get(at + "/recommendations?state=open").Must(http.StatusOK)); len(page.Items) != 0 {
		t.Errorf("%+v", page)
	}
	if line := servetest.JSON[domain.Page[enclosure.Line]](s.curator.Get("/enclosures").Must(http.StatusOK)); line.Items[0].Recommendations != 0 {
		t.Errorf("%+v", line)
	}
}

// Where an enclosure stands in a sensitive place, the place is absent for whoever may not see it, and is
// not lost when they write (P3).
func TestP3PlaceOfEnclosure(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	rosa := s.Person("Rosa Amsel", domain.Registrar, domain.Conservator)
	site, err := s.Movement.AddPlace(t.Context(), rosa.Actor, movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: "site", Code: "S", Name: "Site", Sensitive: true}})
	if err != nil {
		t.Fatal(err)
	}
	facts := s.closedGlove()
	facts["place_id"] = site.ID
	s.conservator.Post("/enclosures", facts).Refused(http.StatusUnprocessableEntity, "invalid")
	e := servetest.JSON[enclosure.Enclosure](s.API(rosa).Post("/enclosures", facts).Must(http.StatusCreated))
	at := "/enclosures/" + e.ID.String()
	if e.PlaceID == nil || *e.Place != "Site" {
		t.Errorf("%+v", e)
	}
	if seen := servetest.JSON[map[string]any](s.conservator.Get(at).Must(http.StatusOK)); seen["place_id"] != nil || seen["place"] != nil {
		t.Errorf("%v", seen)
	}
	s.conservator.Put(at, s.closedGlove(), servetest.IfMatch(`"v1"`)).Must(http.StatusOK)
	if kept := servetest.JSON[enclosure.Enclosure](s.API(rosa).Get(at).Must(http.StatusOK)); kept.PlaceID == nil || *kept.PlaceID != site.ID {
		t.Errorf("the place is lost: %+v", kept)
	}
	for client, n := range map[*servetest.Client]int{s.conservator: 0, s.API(rosa): 1} {
		if page := servetest.JSON[domain.Page[enclosure.Line]](client.Get("/enclosures?place_id=" + site.ID.String()).Must(http.StatusOK)); len(page.Items) != n {
			t.Errorf("%d enclosures in the place, wanted %d", len(page.Items), n)
		}
	}
}
