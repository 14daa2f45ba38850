package api_test

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
	"farthingale/postgres"
)

// shelf is a house with one object of two components.
type shelf struct {
	*servetest.House
	t                              *testing.T
	conservator, curator, keeper   *servetest.Client
	object                         collection.Object
	objectPath                     string
	ring, glove                    collection.Component
	conservatorID, keeperID, curID domain.ID
}

// hostile is text that means something elsewhere; here it is text.
const hostile = `<script>alert("1")</script> '; drop table object; -- \ ${x} {{.}} %s`

func newShelf(t *testing.T) *shelf {
	t.Helper()
	h := servetest.New(t)
	mara, karin, vik := h.Person("Mara Holm", domain.Conservator), h.Person("Karin Berg", domain.Curator), h.Person("Rune Vik", domain.Registrar)
	s := &shelf{House: h, t: t, conservator: h.API(mara), curator: h.API(karin), keeper: h.API(vik), conservatorID: mara.ID, keeperID: vik.ID, curID: karin.ID}
	s.object = servetest.JSON[collection.Object](s.keeper.Post("/objects", objectBody()).Must(http.StatusCreated))
	s.objectPath = "/objects/" + s.object.ID.String()
	s.ring = s.part("1", "cuff ring")
	s.glove = s.part("2", "glove")
	return s
}

func (s *shelf) part(label, name string) collection.Component {
	s.t.Helper()
	body := componentBody()
	body["label"], body["name"] = label, name
	return servetest.JSON[collection.Component](s.conservator.Post(s.objectPath+"/components", body).Must(http.StatusCreated))
}

type body = map[string]any

func objectBody() body {
	return body{"number": "1968.14.2", "title": "Dry suit", "legal_status": "accessioned", "department": servetest.Department}
}

func componentBody() body {
	return body{"label": "9", "name": "cuff", "side": "left", "function": "seal", "count": 1, "removal": "freely", "attribution": "original", "evidence": "drawing"}
}

func componentFacts() body {
	b := componentBody()
	delete(b, "label")
	delete(b, "attribution")
	delete(b, "evidence")
	return b
}

func identificationBody() body {
	return body{"material_key": "natural-rubber-latex", "role": "body", "identified_by": "sight", "confidence": "probable"}
}

func hazardBody() body {
	return body{"kind": "lead", "certainty": "possible", "known_by": "sight", "state": "intact"}
}

func TestCollectionEndToEnd(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	full := objectBody()
	maps.Copy(full, body{"number": "E 2561", "title": hostile, "former_numbers": []string{"12/3"}, "description": hostile, "kind": "instrument > depth gauge",
		"makers": []string{"Łódź Works"}, "date_made": "196X", "place_made": "Łódź", "subject": hostile, "features": hostile, "mass_kg": "0.25",
		"dimensions": []body{{"what": "diameter", "mm": "61.5", "note": hostile}}, "marks": []body{{"kind": "stamp", "where": hostile, "transcription": "Ελλάδα", "meaning": hostile}},
		"not_known": []string{"maker"}})
	made := s.conservator.Post("/objects", full).Must(http.StatusCreated)
	gauge := servetest.JSON[collection.Object](made)
	if made.Header.Get("Location") != api.Prefix+"/objects/"+gauge.ID.String() {
		t.Errorf("Location %s", made.Header.Get("Location"))
	}
	if gauge.Title != hostile || gauge.Marks[0].Where != hostile || gauge.Dimensions[0].Note != hostile || gauge.MassKG.String() != "0.25" {
		t.Errorf("kept as %+v", gauge)
	}
	read := s.conservator.Get("/objects/" + gauge.ID.String()).Must(http.StatusOK)
	s.conservator.Get("/objects/"+gauge.ID.String(), servetest.Header{Name: "If-None-Match", Value: read.Header.Get("ETag")}).Must(http.StatusNotModified)

	full["title"] = "Depth gauge"
	changed := s.conservator.Put("/objects/"+gauge.ID.String(), full, read.Tag()).Must(http.StatusOK)
	s.conservator.Put("/objects/"+gauge.ID.String(), full).Refused(http.StatusPreconditionRequired, "no_version")
	s.conservator.Put("/objects/"+gauge.ID.String(), full, read.Tag()).Refused(http.StatusPreconditionFailed, "stale")
	full["legal_status"] = "former"
	s.conservator.Put("/objects/"+gauge.ID.String(), full, changed.Tag()).Refused(http.StatusForbidden, "P2")
	s.keeper.Put("/objects/"+gauge.ID.String(), full, changed.Tag()).Must(http.StatusOK)

	// The make-up.
	ringPath := "/components/" + s.ring.ID.String()
	ring := s.conservator.Get(ringPath).Must(http.StatusOK)
	facts := componentFacts()
	facts["parent_id"] = s.glove.ID
	s.conservator.Put(ringPath, facts, ring.Tag()).Must(http.StatusOK)
	facts["parent_id"] = s.ring.ID
	glove := s.conservator.Get("/components/" + s.glove.ID.String()).Must(http.StatusOK)
	if p := s.conservator.Put("/components/"+s.glove.ID.String(), facts, glove.Tag()).Refused(http.StatusUnprocessableEntity, "invalid"); p.Errors[0].Pointer != "#/parent_id" {
		t.Errorf("a cycle is found at %+v", p.Errors)
	}
	s.conservator.Post(ringPath+"/attributions", body{"attribution": "later_replacement", "evidence": hostile}).Must(http.StatusCreated)
	first := servetest.JSON[collection.ComponentMaterial](s.conservator.Post(ringPath+"/materials", body{"role": "body", "identified_by": "sight", "confidence": "possible"}).Must(http.StatusCreated))
	second := identificationBody()
	second["supersedes"] = []domain.ID{first.ID}
	s.conservator.Post(ringPath+"/materials", second).Must(http.StatusCreated)
	s.conservator.Post(ringPath+"/materials", second).Refused(http.StatusUnprocessableEntity, "invalid")
	for path, want := range map[string]int{ringPath + "/attributions": 2, ringPath + "/materials": 2, s.objectPath + "/components": 2} {
		if got := servetest.JSON[struct{ Items []any }](s.conservator.Get(path).Must(http.StatusOK)); len(got.Items) != want {
			t.Errorf("%s has %d items, want %d", path, len(got.Items), want)
		}
	}
	joint := s.conservator.Post(s.objectPath+"/joints", body{"a_id": s.ring.ID, "b_id": s.glove.ID, "meets": "ring_lock", "contact": "gap", "gap_mm": "0.5", "gas_tight": true, "state": "seized", "note": hostile}).Must(http.StatusCreated)
	j := servetest.JSON[collection.Joint](joint)
	jointPath := "/joints/" + j.ID.String()
	s.conservator.Get(jointPath).Must(http.StatusOK)
	s.conservator.Get(s.objectPath + "/joints").Must(http.StatusOK)
	loose := s.conservator.Put(jointPath, body{"meets": "ring_lock", "contact": "direct", "state": "held_open"}, joint.Tag()).Must(http.StatusOK)
	s.conservator.Do(http.MethodDelete, jointPath, nil, joint.Tag()).Refused(http.StatusPreconditionFailed, "stale")
	s.conservator.Do(http.MethodDelete, jointPath, nil, loose.Tag()).Must(http.StatusNoContent)
	s.conservator.Get(jointPath).Refused(http.StatusNotFound, "not_found")

	// Hazards: whoever works here warns; only with reason is one ruled out.
	tove := s.API(s.Person("Tove Lund", domain.Technician))
	hazard := tove.Post(s.objectPath+"/hazards", hazardBody()).Must(http.StatusCreated)
	hz := servetest.JSON[collection.Hazard](hazard)
	hazardPath := "/hazards/" + hz.ID.String()
	out := hazardBody()
	out["certainty"] = "ruled_out"
	tove.Put(hazardPath, out, hazard.Tag()).Refused(http.StatusForbidden, "P2")
	if p := s.conservator.Put(hazardPath, out, hazard.Tag()).Refused(http.StatusUnprocessableEntity, "invalid"); len(p.Errors) != 2 {
		t.Errorf("ruled out for nothing: %+v", p.Errors)
	}
	out["assessed_by"], out["note"], out["known_by"] = "A. Berg, chemist", "XRF: no lead", "test"
	s.conservator.Put(hazardPath, out, hazard.Tag()).Must(http.StatusOK)
	s.conservator.Get(hazardPath).Must(http.StatusOK)
	hazards := servetest.JSON[struct {
		Items     []collection.Hazard
		Proposals []collection.Proposal
	}](s.conservator.Get(s.objectPath + "/hazards").Must(http.StatusOK))
	if len(hazards.Items) != 1 || hazards.Items[0].Stands() || hazards.Items[0].AuthorName != "Tove Lund" || len(hazards.Proposals) != 1 || hazards.Proposals[0].Kind != "latex" {
		t.Errorf("hazards %+v", hazards)
	}

	// The face must be of the object.
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 8, 8))); err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest(http.MethodPost, api.Prefix+s.objectPath+"/photos?view=front&light=normal&stage=general", bytes.NewReader(picture.Bytes())).WithContext(t.Context())
	r.Header.Set("Content-Type", "image/png")
	r.Header.Set("Authorization", "Bearer "+s.tokenOf(t))
	photo := servetest.JSON[struct{ ID domain.ID }](s.conservator.Send(r, picture.Bytes()).Must(http.StatusCreated))
	object := s.conservator.Get(s.objectPath).Must(http.StatusOK)
	s.conservator.Put(s.objectPath+"/face", body{"photo_id": photo.ID}, object.Tag()).Must(http.StatusOK)
	other := s.conservator.Get("/objects/" + gauge.ID.String()).Must(http.StatusOK)
	if p := s.conservator.Put("/objects/"+gauge.ID.String()+"/face", body{"photo_id": photo.ID}, other.Tag()).Refused(http.StatusUnprocessableEntity, "invalid"); p.Errors[0].Pointer != "#/photo_id" {
		t.Errorf("the face of another object: %+v", p)
	}

	type whole struct {
		collection.Whole
		ObjectIDMissing []string `json:"object_id_missing"`
	}
	sheet := servetest.JSON[whole](s.conservator.Get(s.objectPath + "/sheet").Must(http.StatusOK))
	if len(sheet.Components) != 2 || len(sheet.Materials) != 1 || len(sheet.Superseded) != 1 || len(sheet.Attributions) != 3 || slices.Contains(sheet.ObjectIDMissing, "photograph") || len(sheet.ObjectIDMissing) != 8 {
		t.Errorf("sheet %+v", sheet)
	}

	// C4: a record is taken back only when there is nothing to it.
	s.keeper.Do(http.MethodDelete, s.objectPath, nil, s.keeper.Get(s.objectPath).Tag()).Refused(http.StatusConflict, "C4")
	s.keeper.Do(http.MethodDelete, "/objects/"+gauge.ID.String(), nil, s.keeper.Get("/objects/"+gauge.ID.String()).Tag()).Must(http.StatusNoContent)
	s.keeper.Get("/objects/"+gauge.ID.String()).Refused(http.StatusNotFound, "not_found")
}

// tokenOf makes a token for a request that is not sent by Client.Do.
func (s *shelf) tokenOf(t *testing.T) string {
	t.Helper()
	return s.Person("Ines Photographer", domain.Conservator).Token
}

func TestObjectSearchByAPI(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	second := objectBody()
	second["number"], second["title"], second["place_made"] = "1968.14.3", "Diving helmet", "Łódź"
	s.keeper.Post("/objects", second).Must(http.StatusCreated)
	for query, want := range map[string]string{
		"":                            "1968.14.2 1968.14.3",
		"?q=1968-14-3":                "1968.14.3",
		"?q=%EF%BC%91968.14.3":        "1968.14.3",
		"?number=1968+14+3":           "1968.14.3",
		"?number=1968.14.4":           "",
		"?q=divng+helmt":              "1968.14.3",
		"?q=lodz":                     "1968.14.3",
		"?q=cuff":                     "1968.14.2",
		"?department=Diving&q=helmet": "1968.14.3",
		"?department=Rescue":          "",
		"?legal_status=study":         "",
		"?sort=newest":                "1968.14.3 1968.14.2",
	} {
		found := servetest.JSON[collection.Found](s.conservator.Get("/objects" + query).Must(http.StatusOK))
		var numbers []string
		for _, o := range found.Items {
			numbers = append(numbers, o.Number)
		}
		if strings.Join(numbers, " ") != want {
			t.Errorf("%s finds %v, want %s", query, numbers, want)
		}
	}
	first := s.conservator.Get("/objects?limit=1").Must(http.StatusOK)
	if !strings.Contains(first.Header.Get("Link"), `rel="next"`) {
		t.Errorf("Link %q", first.Header.Get("Link"))
	}
	next := servetest.JSON[collection.Found](first).Next
	rest := servetest.JSON[collection.Found](s.conservator.Get("/objects?limit=1&cursor=" + url.QueryEscape(next)).Must(http.StatusOK))
	if len(rest.Items) != 1 || rest.Items[0].Number != "1968.14.3" || rest.Next != "" {
		t.Errorf("the next page is %+v", rest)
	}
	s.conservator.Get("/objects?limit=1&department=Diving&cursor="+url.QueryEscape(next)).Refused(http.StatusBadRequest, "cursor")
	for _, bad := range []string{"?legal_status=stolen", "?sort=price", "?limit=0", "?limit=x", "?q=a%00b", "?q=%FF", "?colour=red", "?q=a&q=b", "?q=" + strings.Repeat("x", 201)} {
		s.conservator.Get("/objects"+bad).Refused(http.StatusUnprocessableEntity, "invalid")
	}
}

// TestCollectionBadInput sends every field of every command wrong. Each is refused with the right
// status and pointer, and nothing has changed.
func TestCollectionBadInput(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	joint := servetest.JSON[collection.Joint](s.conservator.Post(s.objectPath+"/joints", body{"a_id": s.ring.ID, "b_id": s.glove.ID, "meets": "sewn", "contact": "direct", "state": "engaged"}).Must(http.StatusCreated))
	hazard := servetest.JSON[collection.Hazard](s.conservator.Post(s.objectPath+"/hazards", hazardBody()).Must(http.StatusCreated))
	tables := []string{"object", "component", "attribution", "component_material", "joint", "hazard", "material", "event", "word"}
	before := s.Rows(tables...)
	sheet := s.conservator.Get(s.objectPath + "/sheet").Must(http.StatusOK).Body

	long := strings.Repeat("x", 10000)
	many := func(n int, v any) []any { return slices.Repeat([]any{v}, n) }
	nul, reversed := "a\x00b", "a\u202eb"
	type wrong struct {
		member string
		value  any
	}
	// Values that no text, choice, number or list takes; each command names which of its members are
	// what.
	texts := func(names ...string) (w []wrong) {
		for _, n := range names {
			w = append(w, wrong{n, long}, wrong{n, nul}, wrong{n, reversed}, wrong{n, 7}, wrong{n, []string{"x"}})
		}
		return w
	}
	needed := func(names ...string) (w []wrong) {
		for _, n := range names {
			w = append(w, wrong{n, nil}, wrong{n, ""})
		}
		return w
	}
	choices := func(names ...string) (w []wrong) {
		for _, n := range names {
			w = append(w, wrong{n, "no such word"}, wrong{n, 7}, wrong{n, ""}, wrong{n, hostile})
		}
		return w
	}
	amounts := func(names ...string) (w []wrong) {
		for _, n := range names {
			w = append(w, wrong{n, "-1"}, wrong{n, "0"}, wrong{n, "1e9"}, wrong{n, "1e9999"}, wrong{n, "two"}, wrong{n, true}, wrong{n, "0.0000001"})
		}
		return w
	}
	references := func(names ...string) (w []wrong) {
		for _, n := range names {
			w = append(w, wrong{n, domain.NewID()}, wrong{n, "not an identifier"}, wrong{n, 7})
		}
		return w
	}
	dimension := body{"what": "height", "mm": "1"}
	dimensions := []wrong{{"dimensions", many(41, dimension)}, {"dimensions", []body{{"what": "age", "mm": "1"}}}, {"dimensions", []body{{"what": "height", "mm": "-1"}}},
		{"dimensions", []body{{"what": "height", "mm": "100001"}}}, {"dimensions", []body{{"what": "height", "mm": "1", "note": long}}}, {"dimensions", []body{{"what": "height", "mm": "1", "unit": "inch"}}}, {"dimensions", "1 m"}}

	objectFaults := slices.Concat(texts("number", "title", "description", "kind", "place_made", "subject", "features", "owner", "department", "date_made"),
		needed("number", "title", "department", "legal_status"), choices("legal_status"), amounts("mass_kg"), dimensions, []wrong{
			{"number", "1968/14"}, {"number", "new"}, {"number", "<b>1"}, {"date_made", "about 1965"}, {"date_made", "1965-02-30"},
			{"former_numbers", many(21, "1")}, {"former_numbers", []string{"1", "1"}}, {"former_numbers", []string{long}}, {"former_numbers", []string{" "}}, {"former_numbers", "1"},
			{"makers", many(21, "1")}, {"makers", []string{nul}}, {"makers", []string{""}},
			{"marks", []body{{"kind": "tattoo", "where": "hem"}}}, {"marks", []body{{"kind": "stamp"}}}, {"marks", []body{{"kind": "stamp", "where": nul}}}, {"marks", many(101, body{"kind": "stamp", "where": "hem"})},
			{"not_known", []string{"title"}}, {"not_known", []string{"maker", "maker"}}, {"not_known", []string{"everything"}},
			{"legal_status", "on_loan_to_us"}, {"id", domain.NewID()}, {"version", 7}, {"created_by", domain.NewID()}, {"words", "x"},
		})
	componentFaults := slices.Concat(texts("name", "joined_how", "removal_reason"), needed("name", "side", "function", "removal", "count"), choices("side", "function", "removal"),
		amounts("mass_kg"), references("parent_id", "came_from_id"), dimensions, []wrong{
			{"count", -1}, {"count", 10000}, {"count", 1.5}, {"count", "1"}, {"layer_order", -1}, {"layer_order", 100}, {"layer_order", "inner"},
			{"removal", "never"}, {"came_from_id", s.ring.ID}, {"object_id", domain.NewID()}, {"version", 2},
		})
	for name, command := range map[string]struct {
		method, path string
		good         body
		tag          string
		faults       []wrong
	}{
		"new object":    {http.MethodPost, "/objects", body{"number": "2", "title": "x", "legal_status": "study", "department": "Diving"}, "", objectFaults},
		"object":        {http.MethodPut, s.objectPath, objectBody(), `"v1"`, objectFaults},
		"new component": {http.MethodPost, s.objectPath + "/components", componentBody(), "", slices.Concat(componentFaults, texts("label", "evidence"), choices("attribution"), []wrong{{"label", ".."}, {"label", "1.2.3.4"}, {"label", "ä"}, {"evidence", ""}, {"evidence", " "}})},
		"component":     {http.MethodPut, "/components/" + s.ring.ID.String(), componentFacts(), `"v1"`, slices.Concat(componentFaults, []wrong{{"label", "5"}, {"parent_id", s.ring.ID}})},
		"attribution":   {http.MethodPost, "/components/" + s.ring.ID.String() + "/attributions", body{"attribution": "original", "evidence": "x"}, "", slices.Concat(texts("evidence"), needed("evidence"), choices("attribution"), []wrong{{"author_id", domain.NewID()}, {"at", "2020-01-01T00:00:00Z"}})},
		"identification": {http.MethodPost, "/components/" + s.ring.ID.String() + "/materials", identificationBody(), "", slices.Concat(texts("evidence", "material_key"), choices("role", "identified_by", "confidence"), amounts("share_percent", "thickness_mm"), []wrong{
			{"material_key", "no-such-material"}, {"material_key", ""}, {"identified_by", "test"}, {"share_percent", "101"}, {"supersedes", []domain.ID{domain.NewID()}}, {"supersedes", []string{"x"}}, {"investigation_id", domain.NewID()}})},
		"new joint": {http.MethodPost, s.objectPath + "/joints", body{"a_id": s.ring.ID, "b_id": s.glove.ID, "meets": "zip", "contact": "gap", "gap_mm": "1", "state": "engaged"}, "", slices.Concat(texts("note"), choices("meets", "contact", "state"), amounts("gap_mm"), references("a_id", "b_id"), []wrong{
			{"gap_mm", nil}, {"contact", "direct"}, {"b_id", s.ring.ID}, {"gas_tight", "yes"}})},
		"joint":      {http.MethodPut, "/joints/" + joint.ID.String(), body{"meets": "sewn", "contact": "gap", "gap_mm": "1", "state": "engaged"}, `"v1"`, slices.Concat(texts("note"), choices("meets", "contact", "state"), amounts("gap_mm"), []wrong{{"gap_mm", nil}, {"a_id", s.glove.ID}})},
		"new hazard": {http.MethodPost, s.objectPath + "/hazards", hazardBody(), "", slices.Concat(texts("kind", "where", "controls", "assessed_by", "document", "note", "review_on"), choices("kind", "certainty", "known_by", "state"), references("component_id"), []wrong{{"certainty", "ruled_out"}, {"state", "removed"}, {"review_on", "tomorrow"}, {"review_on", "2026-13-01"}})},
		"hazard":     {http.MethodPut, "/hazards/" + hazard.ID.String(), hazardBody(), `"v1"`, slices.Concat(texts("kind", "note"), choices("kind", "certainty", "known_by", "state"), references("component_id"), []wrong{{"kind", "radium"}, {"certainty", "ruled_out"}, {"state", "removed"}})},
		"face":       {http.MethodPut, s.objectPath + "/face", body{}, `"v1"`, references("photo_id")},
		"new material": {http.MethodPost, "/materials", body{"name": "x", "family": "x", "category": "other", "source": "x"}, "", slices.Concat(texts("name", "family", "source", "health"), needed("name", "family", "source"), choices("category"), []wrong{
			{"name", "???"}, {"source", " "}, {"hazard_ids", []string{"x"}}, {"hazard_ids", "lead"}, {"key", "x"}, {"site", false}})},
	} {
		headers, client := []servetest.Header{}, s.conservator
		if name == "object" {
			client = s.keeper // who may change all of it
		}
		if command.tag != "" {
			headers = append(headers, servetest.IfMatch(command.tag))
		}
		for _, fault := range command.faults {
			sent := maps.Clone(command.good)
			sent[fault.member] = fault.value
			a := client.Do(command.method, command.path, sent, headers...)
			p := servetest.JSON[api.Problem](a)
			if a.Status != http.StatusUnprocessableEntity || p.Code != "invalid" || len(p.Errors) == 0 {
				t.Errorf("%s with %s = %.60v: %d %s", name, fault.member, fault.value, a.Status, a.Body)
				continue
			}
			// A wrong choice may make another member wrong ('never' wants a reason).
			if !slices.ContainsFunc(p.Errors, func(e api.Pointed) bool { return strings.HasPrefix(e.Pointer, "#/"+fault.member) }) && len(p.Errors) > 2 {
				t.Errorf("%s with %s = %.60v is found at %+v", name, fault.member, fault.value, p.Errors)
			}
		}
		for status, raw := range map[int][]byte{http.StatusBadRequest: []byte(`{ `), http.StatusUnprocessableEntity: []byte(`{"no_such_member": 1}`)} {
			if a := client.Do(command.method, command.path, raw, headers...); a.Status != status {
				t.Errorf("%s with %s: %d", name, raw, a.Status)
			}
		}
		for _, raw := range []string{"null", "", "[1]", "{\"title\": \"\xff\"}"} {
			if a := client.Do(command.method, command.path, []byte(raw), headers...); a.Status != http.StatusBadRequest && a.Status != http.StatusUnprocessableEntity {
				t.Errorf("%s with %q: %d", name, raw, a.Status)
			}
		}
	}
	// What clashes with what there is.
	taken := objectBody()
	s.keeper.Post("/objects", taken).Refused(http.StatusConflict, "number_taken")
	same := componentBody()
	same["label"] = "1"
	s.conservator.Post(s.objectPath+"/components", same).Refused(http.StatusConflict, "label_taken")
	s.conservator.Post(s.objectPath+"/joints", body{"a_id": s.glove.ID, "b_id": s.ring.ID, "meets": "sewn", "contact": "direct", "state": "engaged"}).Refused(http.StatusConflict, "joint_taken")
	s.conservator.Post("/objects/"+domain.NewID().String()+"/components", componentBody()).Refused(http.StatusNotFound, "not_found")
	s.conservator.Post("/components/"+domain.NewID().String()+"/materials", identificationBody()).Refused(http.StatusNotFound, "not_found")
	for _, path := range []string{"/objects/", "/objects/%s/sheet", "/objects/%s/components", "/objects/%s/joints", "/objects/%s/hazards", "/components/", "/components/%s/materials", "/components/%s/attributions", "/joints/", "/hazards/"} {
		if !strings.Contains(path, "%s") {
			path += "%s"
		}
		s.conservator.Get(fmt.Sprintf(path, domain.NewID())).Refused(http.StatusNotFound, "not_found")
		s.conservator.Get(fmt.Sprintf(path, "nothing")).Refused(http.StatusNotFound, "not_found")
	}
	for _, path := range []string{"/materials/no-such-key", "/materials/%3Cb%3E", "/materials/no-such-key/uses"} {
		s.conservator.Get(path).Refused(http.StatusNotFound, "not_found")
	}
	if after := s.Rows(tables...); !maps.Equal(before, after) {
		t.Errorf("rows before %v, after %v", before, after)
	}
	if after := s.conservator.Get(s.objectPath + "/sheet").Must(http.StatusOK).Body; !bytes.Equal(sheet, after) {
		t.Errorf("the sheet changed from\n%s to\n%s", sheet, after)
	}
}

// TestTwoEditsByAPI: of two edits of one version one succeeds, the other is 412.
func TestTwoEditsByAPI(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	for name, edit := range map[string]struct {
		path string
		body body
	}{
		"object":    {s.objectPath, objectBody()},
		"component": {"/components/" + s.ring.ID.String(), componentFacts()},
	} {
		statuses := make([]int, 2)
		var both sync.WaitGroup
		for i := range statuses {
			both.Go(func() {
				mine := maps.Clone(edit.body)
				for _, text := range []string{"title", "name"} {
					if _, ok := mine[text]; ok {
						mine[text] = fmt.Sprint("changed by ", i)
					}
				}
				statuses[i] = s.conservator.Put(edit.path, mine, servetest.IfMatch(`"v1"`)).Status
			})
		}
		both.Wait()
		slices.Sort(statuses)
		if !slices.Equal(statuses, []int{http.StatusOK, http.StatusPreconditionFailed}) {
			t.Errorf("%s: statuses %v", name, statuses)
		}
	}
}

// Rule P3: whose an object is, is absent for who may not see it, and stays when they write.
func TestP3OwnerByAPI(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	lent := objectBody()
	maps.Copy(lent, body{"number": "L1.2026", "legal_status": "on_loan_to_us", "owner": "A lender"})
	o := servetest.JSON[collection.Object](s.keeper.Post("/objects", lent).Must(http.StatusCreated))
	path := "/objects/" + o.ID.String()
	for _, at := range []string{path, path + "/sheet", "/objects?q=L1.2026"} {
		if a := s.conservator.Get(at).Must(http.StatusOK); strings.Contains(string(a.Body), "lender") || strings.Contains(string(a.Body), `"owner"`) {
			t.Errorf("%s shows the owner: %s", at, a.Body)
		}
	}
	if a := s.curator.Get(path).Must(http.StatusOK); !strings.Contains(string(a.Body), "A lender") {
		t.Errorf("the curator does not see the owner: %s", a.Body)
	}
	delete(lent, "owner")
	lent["title"] = "Changed by who does not see the owner"
	s.conservator.Put(path, lent, servetest.IfMatch(`"v1"`)).Must(http.StatusOK)
	if o := servetest.JSON[collection.Object](s.keeper.Get(path).Must(http.StatusOK)); o.Owner != "A lender" {
		t.Errorf("the owner is %q", o.Owner)
	}
}

func TestMaterialsByAPI(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.conservator.Post("/components/"+s.ring.ID.String()+"/materials", identificationBody()).Must(http.StatusCreated)
	own := servetest.JSON[material.Entry](s.conservator.Post("/materials", body{"name": "Żagiel wax " + hostile, "family": "wax", "category": "coating", "source": hostile, "hazard_ids": []string{"lead"}}).Must(http.StatusCreated))
	if own.Source != hostile || !own.Site {
		t.Errorf("kept as %+v", own)
	}
	s.keeper.Post("/materials", body{}).Refused(http.StatusForbidden, "P2")
	s.conservator.Get("/materials/" + own.Key).Must(http.StatusOK)
	if latex := servetest.JSON[material.Entry](s.conservator.Get("/materials/natural-rubber-latex").Must(http.StatusOK)); latex.Objects != 1 {
		t.Errorf("latex is in %d objects", latex.Objects)
	}
	if uses := servetest.JSON[domain.Page[material.Use]](s.conservator.Get("/materials/natural-rubber-latex/uses").Must(http.StatusOK)); len(uses.Items) != 1 || uses.Items[0].Number != "1968.14.2" {
		t.Errorf("uses %+v", uses)
	}
	if found := servetest.JSON[domain.Page[material.Entry]](s.conservator.Get("/materials?q=latex&category=polymer&limit=200").Must(http.StatusOK)); len(found.Items) == 0 {
		t.Error("latex is not found")
	}
	if found := servetest.JSON[domain.Page[material.Entry]](s.conservator.Get("/materials?site=true").Must(http.StatusOK)); len(found.Items) != 1 {
		t.Errorf("the museum's own are %+v", found)
	}
	for _, bad := range []string{"?category=soup", "?site=perhaps", "?limit=500", "?q=%00", "?name=x"} {
		s.conservator.Get("/materials"+bad).Refused(http.StatusUnprocessableEntity, "invalid")
	}
	cautions := servetest.JSON[struct {
		Items   []material.Caution
		Closing string
	}](s.conservator.Get("/cautions").Must(http.StatusOK))
	if len(cautions.Items) < 20 || cautions.Closing != material.CautionClosing {
		t.Errorf("%d cautions, closing %q", len(cautions.Items), cautions.Closing)
	}
}

// TestCollectionQueries: the number of queries of an endpoint does not grow with the rows.
func TestCollectionQueries(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	count := func(path string) int64 {
		t.Helper()
		ctx, n := postgres.CountQueries(t.Context())
		r := httptest.NewRequest(http.MethodGet, api.Prefix+path, nil).WithContext(ctx)
		r.Header.Set("Authorization", "Bearer "+s.reader(t))
		if a := s.conservator.Send(r, nil); a.Status != http.StatusOK {
			t.Fatalf("%s: %d %s", path, a.Status, a.Body)
		}
		return n.Load()
	}
	paths := []string{"/objects", "/objects?q=suit", "/objects?q=siut", s.objectPath, s.objectPath + "/sheet", s.objectPath + "/components", s.objectPath + "/hazards", "/materials", "/materials/copper/uses"}
	before := map[string]int64{}
	for _, path := range paths {
		count(path) // the first use of a token is noted
		before[path] = count(path)
	}
	for i := range 20 {
		o := objectBody()
		o["number"], o["title"] = fmt.Sprintf("2000.%d", i), "Suit"
		s.keeper.Post("/objects", o).Must(http.StatusCreated)
		c := s.part(fmt.Sprintf("x%d", i), "part")
		m := identificationBody()
		m["material_key"] = "copper"
		s.conservator.Post("/components/"+c.ID.String()+"/materials", m).Must(http.StatusCreated)
		s.conservator.Post(s.objectPath+"/hazards", hazardBody()).Must(http.StatusCreated)
	}
	for _, path := range paths {
		if after := count(path); after != before[path] || after > 12 {
			t.Errorf("%s: %d queries, with more rows %d", path, before[path], after)
		}
	}
}

var readerToken sync.Map

// reader is a token for counted requests, made once for each test.
func (s *shelf) reader(t *testing.T) string {
	t.Helper()
	token, ok := readerToken.Load(s)
	if !ok {
		token = s.Person("Lars Reader", domain.Reader).Token
		readerToken.Store(s, token)
	}
	return token.(string)
}
