package api_test

import (
	"bytes"
	"image"
	"image/png"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/handling"
)

type loggedHandling struct {
	Handling handling.Event `json:"handling"`
	Stop     *handling.Stop `json:"stop"`
}

// Handling with 'noise' noted raises a stop that everybody meets; a conservator other than the handler
// releases it, sealed; the record verifies (H1–H3, R1).
func TestHandlingStopAndRelease(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	other := s.API(s.Person("Per Lindqvist", domain.Conservator))
	technician := s.API(s.Person("Tove Amsel", domain.Technician))
	reader := s.API(s.Person("Lars Wray", domain.Reader))

	quiet := servetest.JSON[loggedHandling](technician.Post(s.objectPath+"/handlings", body{"minutes": 5, "purpose": "examination", "to": "lying_face_up", "gloves": "nitrile"}).Must(http.StatusCreated))
	if quiet.Stop != nil || quiet.Handling.Handlers[0].Name != "Tove Amsel" || len(quiet.Handling.Noticed) != 1 {
		t.Errorf("%+v", quiet)
	}
	answer := s.conservator.Post(s.objectPath+"/handlings", body{"minutes": 15, "purpose": "examination", "component_ids": []domain.ID{s.ring.ID}, "noticed": []string{"noise"},
		"note": hostile, "flexes": []body{{"joint": "wrist", "side": "left", "movement": "flexion", "degrees": 12}}, "support": []string{"cushion"}, "other_handlers": []string{"N. Ferrier"}}).Must(http.StatusCreated)
	noisy := servetest.JSON[loggedHandling](answer)
	if noisy.Stop == nil || noisy.Stop.Components[0].Name != "1968.14.2.1 cuff ring" || noisy.Handling.Note != hostile {
		t.Fatalf("%+v", noisy)
	}
	at := strings.TrimPrefix(answer.Header.Get("Location"), "/api/v1")
	tag := s.conservator.Get(at).Must(http.StatusOK).Header.Get("ETag")
	s.conservator.Get(at, servetest.Header{Name: "If-None-Match", Value: tag}).Must(http.StatusNotModified)

	curator := servetest.JSON[domain.Page[struct{ Text string }]](s.curator.Get("/notices").Must(http.StatusOK))
	if len(curator.Items) != 1 || !strings.Contains(curator.Items[0].Text, "noise") {
		t.Errorf("the curator hears: %+v", curator.Items)
	}
	before := servetest.JSON[struct {
		Stops        []handling.Stop
		Cautions     []handling.Caution
		LastPosition string `json:"last_position"`
	}](reader.Get(s.objectPath + "/before-handling").Must(http.StatusOK))
	if len(before.Stops) != 1 || before.LastPosition != "lying_face_up" {
		t.Errorf("%+v", before)
	}
	refused := s.Handling.Refusal(t.Context(), s.object.ID, nil)
	if domain.KindOf(refused) != domain.KindRefused {
		t.Errorf("the whole is free: %v", refused)
	}
	if err := s.Handling.Refusal(t.Context(), s.object.ID, []domain.ID{s.glove.ID}); err != nil {
		t.Errorf("the glove is bound: %v", err)
	}

	// What happened while it stood is recorded all the same.
	under := servetest.JSON[loggedHandling](technician.Post(s.objectPath+"/handlings", body{"minutes": 2, "purpose": "move", "evacuation": "flood"}).Must(http.StatusCreated))
	if !under.Handling.UnderStop {
		t.Errorf("%+v", under.Handling)
	}

	stopPath := "/stops/" + noisy.Stop.ID.String()
	words := body{"reason": "looked at under magnification", "found": "a dry crease in the cuff", "limits": "no flexing of the left wrist"}
	rows := s.Rows("stop_release", "seal", "event")
	technician.Post(stopPath+"/release", words).Refused(http.StatusForbidden, "P2")
	s.curator.Post(stopPath+"/release", words).Refused(http.StatusForbidden, "P2")
	if p := s.conservator.Post(stopPath+"/release", words).Refused(http.StatusUnprocessableEntity, "H3"); p.Rule != "H3" {
		t.Errorf("%+v", p)
	}
	other.Post(stopPath+"/release", body{"reason": "x"}).Refused(http.StatusUnprocessableEntity, "invalid")
	other.Post("/stops/"+domain.NewID().String()+"/release", words).Refused(http.StatusNotFound, "not_found")
	if after := s.Rows("stop_release", "seal", "event"); after["stop_release"] != 0 || after["seal"] != rows["seal"] || after["event"] != rows["event"] {
		t.Errorf("refusals left rows: %v, %v", rows, after)
	}
	s.curator.Post(stopPath+"/notes", body{"text": "Seen."}).Must(http.StatusCreated)
	other.Post(stopPath+"/notes", body{"text": "Seen."}).Refused(http.StatusForbidden, "P2")
	key := servetest.Header{Name: "Idempotency-Key", Value: "release-1"}
	released := servetest.JSON[handling.Stop](other.Post(stopPath+"/release", words, key).Must(http.StatusOK))
	if released.Release == nil || released.Release.By.Name != "Per Lindqvist" {
		t.Errorf("%+v", released)
	}
	if again := other.Post(stopPath+"/release", words, key).Must(http.StatusOK); again.Header.Get("Idempotency-Replayed") != "true" {
		t.Error("the same key acts twice")
	}
	other.Post(stopPath+"/release", words).Refused(http.StatusConflict, "H3")
	if err := s.Handling.Refusal(t.Context(), s.object.ID, nil); err != nil {
		t.Errorf("released: %v", err)
	}
	if report, err := s.Record.Verify(t.Context(), nil); err != nil || !report.Clean || report.Head.Count != 1 {
		t.Errorf("verify: %+v %v", report, err)
	}
	for query, n := range map[string]int{"": 1, "?state=released": 1, "?state=standing": 0, "?object_id=" + s.object.ID.String(): 1, "?object_id=" + domain.NewID().String(): 0} {
		if page := servetest.JSON[domain.Page[handling.Stop]](reader.Get("/stops" + query).Must(http.StatusOK)); len(page.Items) != n {
			t.Errorf("stops%s: %d", query, len(page.Items))
		}
	}
	servetest.JSON[handling.Stop](reader.Get(stopPath).Must(http.StatusOK))

	// A stop by hand, and an addendum.
	technician.Post(s.objectPath+"/stops", body{"note": "It smells of vinegar.", "component_ids": []domain.ID{s.glove.ID}}).Must(http.StatusCreated)
	technician.Post(s.objectPath+"/stops", body{"component_ids": []domain.ID{s.glove.ID}}).Refused(http.StatusUnprocessableEntity, "invalid")
	technician.Post(at+"/addenda", body{"text": "It was the right wrist."}).Must(http.StatusCreated)
	if e := servetest.JSON[handling.Event](reader.Get(at).Must(http.StatusOK)); len(e.Addenda) != 1 || e.Addenda[0].AuthorName != "Tove Amsel" {
		t.Errorf("%+v", e)
	}
	reader.Post(at+"/addenda", body{"text": "x"}).Refused(http.StatusForbidden, "P2")
	technician.Post(at+"/photos", body{"photo_id": domain.NewID()}).Refused(http.StatusUnprocessableEntity, "invalid")
	photo := body{"photo_id": s.photo()}
	technician.Post(at+"/photos", photo).Must(http.StatusCreated)
	technician.Post(at+"/photos", photo).Refused(http.StatusConflict, "photo_attached")
	if e := servetest.JSON[handling.Event](reader.Get(at).Must(http.StatusOK)); len(e.PhotoIDs) != 1 || e.Version() != 3 {
		t.Errorf("%+v", e)
	}
}

// photo uploads a picture of the object and gives its ID.
func (s *shelf) photo() domain.ID {
	s.t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 8, 8))); err != nil {
		s.t.Fatal(err)
	}
	r := httptest.NewRequest(http.MethodPost, api.Prefix+s.objectPath+"/photos?view=detail&light=normal&stage=incident", bytes.NewReader(b.Bytes())).WithContext(s.t.Context())
	r.Header.Set("Content-Type", "image/png")
	r.Header.Set("Authorization", "Bearer "+s.Person("Nora Falk", domain.Conservator).Token)
	return servetest.JSON[struct{ ID domain.ID }](s.conservator.Send(r, b.Bytes()).Must(http.StatusCreated)).ID
}

// Every fault of a log is refused with a pointer, and changes nothing.
func TestHandlingFaults(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	before := s.Rows("handling", "handling_person", "handling_component", "handling_flex", "stop", "event", "notice")
	for name, test := range map[string]struct {
		body    any
		status  int
		code    string
		pointer string
	}{
		"nothing":           {body{}, 422, "invalid", "#/minutes"},
		"unknown member":    {body{"minutes": 5, "purpose": "move", "colour": "red"}, 422, "invalid", "#/colour"},
		"negative minutes":  {body{"minutes": -5, "purpose": "move"}, 422, "invalid", "#/minutes"},
		"a day too long":    {body{"minutes": 1441, "purpose": "move"}, 422, "invalid", "#/minutes"},
		"wrong type":        {body{"minutes": "five", "purpose": "move"}, 422, "invalid", "#/minutes"},
		"odd purpose":       {body{"minutes": 5, "purpose": "party"}, 422, "invalid", "#/purpose"},
		"both":              {body{"minutes": 5, "purpose": "move", "noticed": []string{"nothing", "noise"}}, 422, "invalid", "#/noticed"},
		"the future":        {body{"minutes": 5, "purpose": "move", "started_at": time.Now().Add(48 * time.Hour)}, 422, "invalid", "#/started_at"},
		"foreign component": {body{"minutes": 5, "purpose": "move", "component_ids": []domain.ID{domain.NewID()}}, 422, "invalid", "#/component_ids"},
		"twice":             {body{"minutes": 5, "purpose": "move", "component_ids": []domain.ID{s.ring.ID, s.ring.ID}}, 422, "invalid", "#/component_ids"},
		"unknown handler":   {body{"minutes": 5, "purpose": "move", "handler_ids": []domain.ID{domain.NewID()}}, 422, "invalid", ""},
		"over-long note":    {body{"minutes": 5, "purpose": "move", "note": strings.Repeat("x", 4001)}, 422, "invalid", "#/note"},
		"NUL":               {body{"minutes": 5, "purpose": "move", "note": "a\x00b"}, 422, "invalid", "#/note"},
		"bad UTF-8":         {[]byte("{\"minutes\": 5, \"purpose\": \"move\", \"note\": \"\xff\"}"), 400, "body", ""},
		"degrees":           {body{"minutes": 5, "purpose": "move", "flexes": []body{{"joint": "elbow", "degrees": 1000}}}, 422, "invalid", "#/flexes/0/degrees"},
		"no lift":           {body{"minutes": 5, "purpose": "move", "from": "hanging", "to": "rolled", "lifts": 0}, 422, "invalid", "#/lifts"},
	} {
		p := s.conservator.Post(s.objectPath+"/handlings", test.body).Refused(test.status, test.code)
		if test.pointer != "" && (len(p.Errors) == 0 || p.Errors[0].Pointer != test.pointer) {
			t.Errorf("%s: %+v", name, p)
		}
	}
	s.conservator.Post("/objects/"+domain.NewID().String()+"/handlings", body{"minutes": 5, "purpose": "move"}).Refused(http.StatusNotFound, "not_found")
	s.conservator.Get("/objects/"+domain.NewID().String()+"/handlings").Refused(http.StatusNotFound, "not_found")
	s.conservator.Get(s.objectPath+"/handlings?purpose=party").Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Get(s.objectPath+"/handlings?from=yesterday").Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Get("/handling-totals?by=moon").Refused(http.StatusUnprocessableEntity, "invalid")
	s.conservator.Get("/handling-totals?from=2026-02-01&until=2026-01-01").Refused(http.StatusUnprocessableEntity, "invalid")
	if after := s.Rows("handling", "handling_person", "handling_component", "handling_flex", "stop", "event", "notice"); !mapsEqual(before, after) {
		t.Errorf("refusals left rows: %v, %v", before, after)
	}
}

func mapsEqual(a, b map[string]int) bool {
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return len(a) == len(b)
}

// H6 by the API.
func TestHandlingTotals(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	for i, purpose := range []string{"move", "move", "mounting"} {
		s.conservator.Post(s.objectPath+"/handlings", body{"minutes": 10 * (i + 1), "purpose": purpose}).Must(http.StatusCreated)
	}
	totals := servetest.JSON[handling.Totals](s.curator.Get(s.objectPath + "/handling-totals?by=all,purpose").Must(http.StatusOK))
	if len(totals.Items) != 3 || totals.Items[0].Handlings != 3 || totals.Items[0].Minutes != 60 || totals.Items[1].Key != "move" || totals.Items[1].Minutes != 30 {
		t.Errorf("%+v", totals)
	}
	all := servetest.JSON[handling.Totals](s.curator.Get("/handling-totals?object_id=" + s.object.ID.String() + "&person_id=" + s.conservatorID.String() + "&purpose=mounting").Must(http.StatusOK))
	if got := all.Of("all"); len(got) != 1 || got[0].Minutes != 30 {
		t.Errorf("%+v", all)
	}
	if none := servetest.JSON[handling.Totals](s.curator.Get("/handling-totals?until=1999-01-01").Must(http.StatusOK)); len(none.Items) != 1 || none.Items[0].Handlings != 0 {
		t.Errorf("%+v", none)
	}
	page := servetest.JSON[domain.Page[handling.Event]](s.curator.Get(s.objectPath + "/handlings?limit=2&sign=nothing").Must(http.StatusOK))
	rest := servetest.JSON[domain.Page[handling.Event]](s.curator.Get(s.objectPath + "/handlings?limit=2&sign=nothing&cursor=" + page.Next).Must(http.StatusOK))
	if len(page.Items) != 2 || len(rest.Items) != 1 || rest.Next != "" {
		t.Errorf("%d, %d", len(page.Items), len(rest.Items))
	}
	s.curator.Get(s.objectPath+"/handlings?limit=2&sign=noise&cursor="+page.Next).Refused(http.StatusBadRequest, "cursor")
}

// A hazard of class S: planned handling waits for an assessment by somebody else; a logged one is
// marked and told of.
func TestHazardAssessmentByAPI(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.conservator.Post(s.objectPath+"/hazards", body{"kind": "radium", "component_id": s.ring.ID, "certainty": "possible", "known_by": "sight", "where": "dial", "state": "intact"}).Must(http.StatusCreated)
	s.keeper.Post(s.objectPath+"/handlings", body{"minutes": 5, "purpose": "photography"}).Refused(http.StatusUnprocessableEntity, "invalid")
	seen := servetest.JSON[loggedHandling](s.keeper.Post(s.objectPath+"/handlings", body{"minutes": 5, "purpose": "photography", "controls": "not_kept"}).Must(http.StatusCreated))
	if !slices.Equal(seen.Handling.Unassessed, []string{"radium"}) {
		t.Errorf("%+v", seen.Handling)
	}
	if got := texts(s.House, s.Person("Ivo Karst", domain.Conservator), ""); len(got) != 0 {
		t.Errorf("who came later hears of it: %v", got)
	}
	err := s.Handling.Cleared(t.Context(), s.object.ID, nil, []domain.ID{s.keeperID})
	if e, ok := err.(*domain.Error); !ok || e.Code != "hazard_unassessed" || len(e.Missing) != 1 {
		t.Errorf("%v", err)
	}
	assessment := body{"kind": "radium", "component_id": s.ring.ID, "assessor_name": "O. Strand", "competence": "radiation protection adviser", "assessed_on": time.Now(),
		"may_be_handled": true, "found": "no flaking", "controls": "short time, gloves", "valid_until": time.Now().AddDate(1, 0, 0)}
	s.curator.Post(s.objectPath+"/hazard-assessments", assessment).Refused(http.StatusForbidden, "P2")
	s.conservator.Post(s.objectPath+"/hazard-assessments", assessment).Must(http.StatusCreated)
	if err := s.Handling.Cleared(t.Context(), s.object.ID, nil, []domain.ID{s.keeperID}); err != nil {
		t.Errorf("%v", err)
	}
	list := servetest.JSON[struct{ Items []handling.Assessment }](s.curator.Get(s.objectPath + "/hazard-assessments").Must(http.StatusOK))
	if len(list.Items) != 1 || list.Items[0].AssessorName != "O. Strand" {
		t.Errorf("%+v", list)
	}
}
