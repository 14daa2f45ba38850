package api_test

import (
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/movement"
	"farthingale/postgres"
)

// stored is a shelf with places.
type stored struct {
	*shelf
	places map[string]movement.Place
}

func newStored(t *testing.T) *stored {
	t.Helper()
	s := &stored{shelf: newShelf(t), places: map[string]movement.Place{}}
	for _, p := range [][3]string{{"H", "site", ""}, {"HB", "building", "H"}, {"R1", "room", "HB"}, {"R2", "room", "HB"}, {"C1", "crate", "R1"}, {"HA", "building", "H"}, {"R3", "room", "HA"}} {
		b := body{"code": p[0], "kind": p[1], "name": "Place " + p[0], "sensitive": p[0] == "R2"}
		if p[2] != "" {
			b["parent_id"] = s.places[p[2]].ID
		}
		s.places[p[0]] = servetest.JSON[movement.Place](s.keeper.Post("/places", b).Must(http.StatusCreated))
	}
	return s
}

func (s *stored) to(code string, more body) body {
	b := body{"to_place_id": s.places[code].ID, "reason": "study"}
	for k, v := range more {
		b[k] = v
	}
	return b
}

// The life of a thing and its part: placed, moved, detached, sent, joined; V1–V3, V5, C1, C2, C5.
func TestMoves(t *testing.T) {
	t.Parallel()
	s := newStored(t)
	technician := s.API(s.Person("Tove Amsel", domain.Technician))
	moves := s.objectPath + "/moves"
	first := servetest.JSON[movement.Moved](s.keeper.Post(moves, s.to("R1", nil)).Must(http.StatusCreated))
	seen := body{"from_placement_id": first.Placement.ID}
	technician.Post(moves, s.to("C1", seen)).Refused(http.StatusUnprocessableEntity, "V3")
	s.conservator.Post(moves, s.to("R3", seen)).Refused(http.StatusUnprocessableEntity, "V3")
	told := servetest.JSON[movement.Moved](technician.Post(moves, s.to("C1", body{"from_placement_id": first.Placement.ID, "authorised_by_id": s.conservatorID, "hands": body{"gloves": "nitrile"}})).Must(http.StatusCreated))
	if told.Placement.AuthorisedBy.Name != "Mara Holm" || told.Placement.HandlingID == nil || told.Placement.Place.Path != "Place H › Place HB › Place R1 › Place C1" {
		t.Errorf("%+v", told.Placement)
	}
	if p := s.conservator.Post(moves, s.to("R1", seen)).Refused(http.StatusConflict, "V5"); !strings.Contains(p.Detail, "Tove Amsel moved it to Place H › Place HB › Place R1 › Place C1") {
		t.Errorf("%s", p.Detail)
	}

	// The part comes off, is sent away, and comes back.
	ring := "/components/" + s.ring.ID.String()
	off := servetest.JSON[movement.Moved](s.conservator.Post(ring+"/detachment", s.to("R1", nil)).Must(http.StatusCreated))
	s.conservator.Post(ring+"/detachment", s.to("R1", nil)).Refused(http.StatusConflict, "V5")
	sent := servetest.JSON[movement.Moved](s.keeper.Post(ring+"/moves", s.to("R3", body{"from_placement_id": off.Placement.ID, "carrier": "Havn Transport"})).Must(http.StatusCreated))
	where := servetest.JSON[struct{ Items []movement.Placement }](s.curator.Get(s.objectPath + "/whereabouts").Must(http.StatusOK))
	if len(where.Items) != 2 || where.Items[0].ComponentID != nil || where.Items[1].State != movement.InTransit || where.Items[1].To.Code != "R3" {
		t.Errorf("%+v", where)
	}
	if away, err := s.Movement.PartsAway(t.Context(), s.object.ID); err != nil || strings.Join(away, " ") != ".1" {
		t.Errorf("%v %v", away, err)
	}
	s.keeper.Post(ring+"/reattachment", body{"from_placement_id": sent.Placement.ID, "reason": "back", "hands": body{"noticed": []string{"tear"}}}).Must(http.StatusCreated)
	s.keeper.Post(moves, s.to("R1", body{"from_placement_id": told.Placement.ID})).Refused(http.StatusUnprocessableEntity, "H3")
	out := servetest.JSON[movement.Moved](s.conservator.Post(moves, s.to("R3", body{"from_placement_id": told.Placement.ID, "evacuation": "fire"})).Must(http.StatusCreated))
	if out.Placement.Evacuation != "fire" {
		t.Errorf("%+v", out)
	}
	glove := servetest.JSON[body](s.conservator.Get("/components/" + s.glove.ID.String()).Must(http.StatusOK))
	facts := componentFacts()
	facts["name"], facts["removal"], facts["removal_reason"] = "glove", "never", "vulcanised on"
	s.conservator.Put("/components/"+s.glove.ID.String(), facts, servetest.IfMatch(`"v`+strconv.Itoa(int(glove["version"].(float64)))+`"`)).Must(http.StatusOK)
	s.conservator.Post("/components/"+s.glove.ID.String()+"/detachment", s.to("R1", nil)).Refused(http.StatusUnprocessableEntity, "C2")
	s.conservator.Post("/components/"+s.glove.ID.String()+"/moves", s.to("R1", nil)).Refused(http.StatusConflict, "C1")
	for path, n := range map[string]int{moves: 6, ring + "/moves": 3, "/components/" + s.glove.ID.String() + "/moves": 0} {
		if page := servetest.JSON[domain.Page[movement.Placement]](s.curator.Get(path).Must(http.StatusOK)); len(page.Items) != n {
			t.Errorf("%s: %d", path, len(page.Items))
		}
	}
	for path, n := range map[string]int{"HA": 1, "HB": 0, "C1": 0} {
		if page := servetest.JSON[domain.Page[movement.Placement]](s.curator.Get("/places/" + s.places[path].ID.String() + "/contents").Must(http.StatusOK)); len(page.Items) != n {
			t.Errorf("in %s: %d", path, len(page.Items))
		}
	}
	if past := servetest.JSON[domain.Page[movement.Placement]](s.curator.Get("/places/" + s.places["HB"].ID.String() + "/past-contents").Must(http.StatusOK)); len(past.Items) != 3 {
		t.Errorf("was in the building: %d", len(past.Items))
	}
	for _, path := range []string{"/objects/" + domain.NewID().String() + "/moves", "/components/" + domain.NewID().String() + "/moves", "/places/" + domain.NewID().String() + "/contents", "/objects/" + domain.NewID().String() + "/whereabouts"} {
		s.curator.Get(path).Refused(http.StatusNotFound, "not_found")
	}
}

// Places: made and changed by registrars, moved with what is in them, absent for whoever may not see
// them.
func TestPlaces(t *testing.T) {
	t.Parallel()
	s := newStored(t)
	before := s.Rows("place", "place_parent", "event")
	for name, test := range map[string]struct {
		body    body
		status  int
		code    string
		pointer string
	}{
		"no kind":        {body{"name": "x", "code": "x"}, 422, "invalid", "#/kind"},
		"no parent":      {body{"name": "x", "code": "x", "kind": "room"}, 422, "invalid", "#/parent_id"},
		"unknown parent": {body{"name": "x", "code": "x", "kind": "room", "parent_id": domain.NewID()}, 422, "invalid", ""},
		"room in a room": {body{"name": "x", "code": "x", "kind": "room", "parent_id": s.places["R1"].ID}, 422, "place_order", ""},
		"taken code":     {body{"name": "x", "code": "r1", "kind": "room", "parent_id": s.places["HB"].ID}, 409, "place_code_taken", ""},
		"no capacity":    {body{"name": "x", "code": "x", "kind": "site", "capacity": 0}, 422, "invalid", "#/capacity"},
		"unknown member": {body{"name": "x", "code": "x", "kind": "site", "colour": "x"}, 422, "invalid", "#/colour"},
	} {
		p := s.keeper.Post("/places", test.body).Refused(test.status, test.code)
		if test.pointer != "" && (len(p.Errors) == 0 || p.Errors[0].Pointer != test.pointer) {
			t.Errorf("%s: %+v", name, p)
		}
	}
	s.conservator.Post("/places", body{"name": "x", "code": "x", "kind": "site"}).Refused(http.StatusForbidden, "P2")
	if after := s.Rows("place", "place_parent", "event"); !mapsEqual(before, after) {
		t.Errorf("refusals left rows: %v %v", before, after)
	}
	made := servetest.JSON[movement.Place](s.keeper.Post("/places", body{"name": hostile, "code": "X", "kind": "site", "outside": true, "capacity": 3, "conditions": "18 °C, 45 %"}).Must(http.StatusCreated))
	path := "/places/" + made.ID.String()
	if got := servetest.JSON[movement.Place](s.conservator.Get(path).Must(http.StatusOK)); got.Name != hostile || *got.Capacity != 3 {
		t.Errorf("%+v", got)
	}
	facts := body{"name": "Harbour", "code": "X", "kind": "site"}
	s.keeper.Put(path, facts).Refused(http.StatusPreconditionRequired, "no_version")
	changed := s.keeper.Put(path, facts, servetest.IfMatch(`"v1"`)).Must(http.StatusOK)
	s.keeper.Put(path, facts, servetest.IfMatch(`"v1"`)).Refused(http.StatusPreconditionFailed, "stale")
	facts["closed"] = true
	if got := servetest.JSON[movement.Place](s.keeper.Put(path, facts, changed.Tag()).Must(http.StatusOK)); got.ClosedAt == nil {
		t.Errorf("%+v", got)
	}
	s.keeper.Post(s.objectPath+"/moves", body{"to_place_id": made.ID, "reason": "r"}).Refused(http.StatusConflict, "V1")

	crate := "/places/" + s.places["C1"].ID.String()
	s.conservator.Post(crate+"/moves", s.to("R3", nil), servetest.IfMatch(`"v1"`)).Refused(http.StatusUnprocessableEntity, "V3")
	moved := servetest.JSON[movement.Place](s.keeper.Post(crate+"/moves", s.to("R3", nil), servetest.IfMatch(`"v1"`)).Must(http.StatusOK))
	if moved.Path != "Place H › Place HA › Place R3 › Place C1" {
		t.Errorf("%+v", moved)
	}
	s.keeper.Post(crate+"/moves", s.to("R1", nil), servetest.IfMatch(`"v1"`)).Refused(http.StatusPreconditionFailed, "stale")

	reader := s.API(s.Person("Lars Wray", domain.Reader))
	reader.Get("/places/"+s.places["R2"].ID.String()).Refused(http.StatusNotFound, "not_found")
	s.keeper.Get("/places/" + s.places["R2"].ID.String()).Must(http.StatusOK)
	for query, want := range map[string]string{"": "H HA R3 C1 HB R1", "?kind=room": "R3 R1", "?text=r3": "R3", "?parent_id=" + s.places["H"].ID.String(): "HA HB", "?closed=true": "H HA R3 C1 HB R1 X"} {
		page := servetest.JSON[domain.Page[movement.Place]](reader.Get("/places" + query).Must(http.StatusOK))
		var codes []string
		for _, p := range page.Items {
			codes = append(codes, p.Code)
		}
		if strings.Join(codes, " ") != want {
			t.Errorf("places%s: %v", query, codes)
		}
	}
	page := servetest.JSON[domain.Page[movement.Place]](reader.Get("/places?limit=4").Must(http.StatusOK))
	if rest := servetest.JSON[domain.Page[movement.Place]](reader.Get("/places?limit=4&cursor=" + page.Next).Must(http.StatusOK)); len(page.Items) != 4 || len(rest.Items) != 2 {
		t.Errorf("%d, %d", len(page.Items), len(rest.Items))
	}
	s.keeper.Post(s.objectPath+"/moves", s.to("R2", nil)).Must(http.StatusCreated)
	where := servetest.JSON[struct{ Items []movement.Placement }](reader.Get(s.objectPath + "/whereabouts").Must(http.StatusOK))
	if len(where.Items) != 1 || where.Items[0].Place != nil {
		t.Errorf("%+v", where.Items)
	}
	if in := servetest.JSON[domain.Page[movement.Placement]](reader.Get("/places/" + s.places["HB"].ID.String() + "/contents").Must(http.StatusOK)); len(in.Items) != 0 {
		t.Errorf("%+v", in.Items)
	}
}

// Queries of lists and of moves are bounded and do not grow with the rows.
func TestMovementAndHandlingQueries(t *testing.T) {
	t.Parallel()
	s := newStored(t)
	moved := servetest.JSON[movement.Moved](s.keeper.Post(s.objectPath+"/moves", s.to("R1", nil)).Must(http.StatusCreated))
	codes := []string{"C1", "R1"}
	grow := func() {
		for i := range 6 {
			moved = servetest.JSON[movement.Moved](s.keeper.Post(s.objectPath+"/moves", s.to(codes[i%2], body{"from_placement_id": moved.Placement.ID, "hands": body{}})).Must(http.StatusCreated))
		}
	}
	reads := map[string]int64{}
	paths := []string{s.objectPath + "/moves", s.objectPath + "/handlings", s.objectPath + "/whereabouts", s.objectPath + "/handling-totals", s.objectPath + "/before-handling",
		"/places", "/places/" + s.places["HB"].ID.String() + "/contents", "/places/" + s.places["HB"].ID.String() + "/past-contents", "/stops", "/handling-totals"}
	count := func(path string) int64 {
		ctx, n := postgres.CountQueries(t.Context())
		r := httptest.NewRequest(http.MethodGet, api.Prefix+path, nil).WithContext(ctx)
		r.Header.Set("Authorization", "Bearer "+s.reader(t))
		if a := s.keeper.Send(r, nil); a.Status != http.StatusOK {
			t.Fatalf("%s: %d %s", path, a.Status, a.Body)
		}
		return n.Load()
	}
	count(paths[0]) // the first use of a token is noted
	grow()
	for _, path := range paths {
		reads[path] = count(path)
	}
	grow()
	for _, path := range paths {
		if n := count(path); n != reads[path] || n > 12 {
			t.Errorf("%s: %d queries with few rows, %d with more", path, reads[path], n)
		}
	}
}
