package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/handling"
	"farthingale/domain/movement"
)

// harmless is a house whose object has no hazard that asks for anything.
func harmless(t *testing.T) (*servetest.House, *servetest.Ground) {
	t.Helper()
	h := servetest.New(t)
	g := h.Ground()
	if _, err := h.Database.OwnerPool().Exec(t.Context(), `update component_material set superseded_at = now() where superseded_at is null`); err != nil {
		t.Fatal(err)
	}
	return h, g
}

// A handling without anything to say is one press; a noise leads to the page that says what to do, and
// the stop is seen wherever the object is shown, until another conservator releases it (H1–H3).
func TestQuickLog(t *testing.T) {
	t.Parallel()
	h, g := harmless(t)
	ines, hugo, ada := g.People[domain.Conservator], g.People[domain.MountMaker], g.People[domain.Technician]
	at := "/objects/1968.14.2"
	b := h.Browser(hugo)
	b.Get(at+"/handle").Must(http.StatusOK).Submit(at+"/handle", nil).Must(http.StatusOK).Has("The handling is logged.", "1 handling, 5 min", "Hugo Beck")
	all, err := h.Handling.List(t.Context(), ines.Actor, handling.Filter{}, domain.PageQuery{})
	if err != nil || len(all.Items) != 1 || all.Items[0].Gloves != "nitrile" || all.Items[0].Purpose != "examination" || all.Items[0].Noticed[0] != "nothing" {
		t.Fatalf("%+v %v", all, err)
	}

	p := b.Get(at+"/handle").Submit(at+"/handle", url.Values{"noticed": {"noise", "resistance"}, "component_ids": {g.Parts["1a"].String()}, "note": {hostileText}, "other_minutes": {"7"},
		"other_names": {"N. Ferrier\n\nO. Strand"}, "flexes.1.joint": {"elbow"}, "flexes.1.side": {"left"}, "flexes.1.degrees": {"20"}, "to": {"lying_face_up"}}).Must(http.StatusOK)
	if !strings.HasSuffix(p.Path, "/set-down") {
		t.Fatalf("after a noise: %s", p.Path)
	}
	p.Has("Set it down in the nearest safe position", "1968.14.2.1a Cuff ring, left", "do not put it back as it was")
	if all, err = h.Handling.List(t.Context(), ines.Actor, handling.Filter{}, domain.PageQuery{}); err != nil || len(all.Items) != 2 {
		t.Fatal(err)
	}
	e := all.Items[1] // it began before the other
	if e.Minutes != 7 || len(e.OtherHandlers) != 2 || e.Note != hostileText || len(e.Flexes) != 1 || e.Flexes[0].Degrees != 20 || e.StopID == nil || e.Lifts != 0 {
		t.Errorf("%+v", e)
	}
	stop := "/stops/" + e.StopID.String()
	b.Get(at).Has("■ stop 1968.14.2.1a Cuff ring, left", "noise, resistance")
	b.Get("/objects").Has("■ stop noise, resistance")
	b.Get(at+"/handle").Has("Nobody handles it by plan until a conservator releases the stop.", "What has been done already is logged all the same")
	if strings.Contains(b.Get("/handlings/"+e.ID.String()).Has(hostileText).Body, "<script>alert") {
		t.Error("what was typed runs")
	}
	b.Get("/handlings/"+e.ID.String()).Submit("/handlings/"+e.ID.String()+"/addenda", url.Values{"text": {"It was the right one."}}).Must(http.StatusOK).Has("It was the right one.", "Hugo Beck")
	b.Get("/handlings/"+e.ID.String()).Submit("/handlings/"+e.ID.String()+"/addenda", url.Values{"text": {""}}).Must(http.StatusUnprocessableEntity).Has("This is needed.")

	// A fault comes back with what was typed, and changes nothing.
	before := h.Rows("handling", "stop", "event")
	p = b.Get(at+"/handle").Submit(at+"/handle", url.Values{"started_at": {"2999-01-01T10:00"}, "note": {"kept text"}}).Must(http.StatusUnprocessableEntity)
	p.Has("A handling is logged when it has begun", "kept text")
	if !strings.Contains(p.Body, "<details open>") {
		t.Error("the faulty field is folded away")
	}
	if after := h.Rows("handling", "stop", "event"); after["handling"] != before["handling"] || after["stop"] != before["stop"] || after["event"] != before["event"] {
		t.Errorf("%v, %v", before, after)
	}

	// Release.
	c := h.Browser(ines)
	c.Get(stop).Submit(stop+"/release", url.Values{"reason": {"seen"}, "found": {""}, "limits": {"none"}}).Must(http.StatusUnprocessableEntity).Has("What was found", "This is needed.")
	c.Get(stop).Submit(stop+"/release", url.Values{"reason": {"seen"}, "found": {"a crease"}, "limits": {"No bending of the left sleeve."}}).Must(http.StatusOK).Has("The stop is released.", "Ines Falkenberg", "a crease")
	b.Get(at+"/handle").Has("Limits left by released stops", "No bending of the left sleeve.")
	b.Get(at+"/handlings").Must(http.StatusOK).Has("2 handlings, 12 min", "left elbow")

	// A stop by hand.
	h.Browser(ada).Get(at+"/stop").Submit(at+"/stop", url.Values{"note": {"It smells of vinegar."}}).Must(http.StatusOK).Has("It is stopped.", "It smells of vinegar.", "in force")
	if p := h.Browser(g.People[domain.Reader]).Get(at + "/handle"); p.Status != http.StatusForbidden {
		t.Errorf("a reader logs: %d", p.Status)
	}
}

// A hazard wants an answer; an assessment is recorded by a form.
func TestHazardAsked(t *testing.T) {
	t.Parallel()
	h, g := harmless(t)
	at := "/objects/1968.14.2"
	if _, err := h.Database.OwnerPool().Exec(t.Context(), `update hazard set kind = 'radium'`); err != nil {
		t.Fatal(err)
	}
	b := h.Browser(g.People[domain.Conservator])
	b.Get(at+"/handle").Has("radium probable", "The usual controls for the hazards above were", "Usual caution only.").
		Submit(at+"/handle", nil).Must(http.StatusUnprocessableEntity).Has("Say whether the usual controls for radium were kept.")
	b.Get(at+"/handle").Submit(at+"/handle", url.Values{"controls": {"kept"}}).Must(http.StatusOK).Has("hazard not assessed")
	b.Get(at+"/assessment").Submit(at+"/assessment", url.Values{"kind": {"radium"}, "assessor_name": {"O. Strand"}, "competence": {"radiation protection adviser"}, "found": {"no flaking"},
		"may_be_handled": {"true"}, "controls": {"short time"}}).Must(http.StatusOK).Has("The assessment is recorded.")
	b.Get(at + "/handle").Has("by O. Strand (radiation protection adviser): may be handled with short time")
}

// Pictures taken at the handling belong to it; one that is no picture does not lose the handling.
func TestQuickLogWithPictures(t *testing.T) {
	t.Parallel()
	h, g := harmless(t)
	at := "/objects/1968.14.2"
	b := h.Browser(g.People[domain.Conservator])
	p := b.Get(at+"/handle").SubmitFiles(at+"/handle", url.Values{"noticed": {"powder"}}, servetest.File{Field: "files", Name: "a.jpg", Content: servetest.JPEG(9)}, servetest.File{Field: "files", Name: "b.jpg", Content: []byte("no picture")}).Must(http.StatusOK)
	p.Has("Set it down", "Not every picture was kept: b.jpg")
	all, err := h.Handling.List(t.Context(), g.People[domain.Conservator].Actor, handling.Filter{}, domain.PageQuery{})
	if err != nil || len(all.Items) != 1 || len(all.Items[0].PhotoIDs) != 1 {
		t.Fatalf("%+v %v", all, err)
	}
	one, err := h.Photo.One(t.Context(), g.People[domain.Reader].Actor, all.Items[0].PhotoIDs[0])
	if err != nil || one.Stage != "incident" {
		t.Errorf("%+v %v", one, err)
	}
}

// A thing is placed, moved, taken apart and joined by forms; who comes late is told (V3, V5, C5).
func TestMovePages(t *testing.T) {
	t.Parallel()
	h, g := harmless(t)
	rosa, ines, ada := h.Browser(g.People[domain.Registrar]), h.Browser(g.People[domain.Conservator]), h.Browser(g.People[domain.Technician])
	made := func(code, kind, in string) string {
		t.Helper()
		p := rosa.Get("/places").Submit("/places", url.Values{"code": {code}, "kind": {kind}, "name": {"Place " + code}, "parent_id": {in}}).Must(http.StatusOK).Has("is made.")
		return strings.TrimPrefix(p.Path, "/places/")
	}
	site := made("H", "site", "")
	house := made("HB", "building", site)
	room := made("R1", "room", house)
	other := made("R3", "room", made("HA", "building", site))
	crate := made("C1", "crate", room)
	at := "/objects/1968.14.2"
	rosa.Get(at).Has("No place of the whole is recorded.")
	rosa.Get(at+"/move").Submit(at+"/move", url.Values{"to_code": {"r1"}, "reason": {"survey"}}).Must(http.StatusOK).Has("1968.14.2 is recorded: Place H › Place HB › Place R1.")
	late := ines.Get(at + "/move")
	ada.Get(at+"/move").Submit(at+"/move", url.Values{"to_place_id": {crate}, "reason": {"told to"}}).Must(http.StatusUnprocessableEntity).Has("Say who authorised this one.")
	ada.Get(at+"/move").Submit(at+"/move", url.Values{"to_place_id": {crate}, "reason": {"told to"}, "authorised_by_id": {g.People[domain.Conservator].ID.String()}, "hands_on": {}}).Must(http.StatusOK)
	late.Submit(at+"/move", url.Values{"to_code": {"R1"}, "reason": {"study"}}).Must(http.StatusConflict).Has("Ada Quill moved it to Place H › Place HB › Place R1 › Place C1")
	ines.Get(at+"/move").Submit(at+"/move", url.Values{"to_place_id": {other}, "reason": {"study"}}).Must(http.StatusUnprocessableEntity).Has("a registrar must make it")
	ines.Get(at+"/move").Submit(at+"/move", url.Values{"reason": {"study"}}).Must(http.StatusUnprocessableEntity).Has("scan or write the code, or choose from the list")
	ines.Get(at+"/move").Submit(at+"/move", url.Values{"reason": {"study"}, "to_code": {"nowhere"}}).Must(http.StatusUnprocessableEntity).Has("There is no place with this code.")

	part := at + "/move?part=2"
	ines.Get(part).Has("Take off 1968.14.2.2 Hood helmet").Submit(at+"/move", url.Values{"to_code": {"R1"}, "reason": {"treatment"}}).Must(http.StatusOK).Has("The whole is without .2.", "▲ without .2")
	rosa.Get("/objects").Has("without .2")
	ines.Get(at+"/move?part=1a").Must(http.StatusOK).Submit(at+"/move", url.Values{"to_code": {"R1"}, "reason": {"r"}}).Must(http.StatusUnprocessableEntity).Has("is never taken off", "C2")
	ines.Get(at + "/move?part=99").Must(http.StatusNotFound)
	ines.Get(part+"&join=1").Submit(at+"/move", url.Values{"reason": {"treated"}, "hands.noticed": {"tear"}}).Must(http.StatusOK).Has("Set it down")
	ines.Get(at+"/move").Has("It is not moved until a conservator releases the stop.").Submit(at+"/move", url.Values{"to_code": {"R1"}, "reason": {"r"}}).Must(http.StatusUnprocessableEntity).Has("H3")
	ines.Get(at+"/move").Submit(at+"/move", url.Values{"to_place_id": {other}, "reason": {"water"}, "evacuation": {"flood"}}).Must(http.StatusOK).Has("evacuation, flood")
	rosa.Get(at+"/moves").Must(http.StatusOK).Has("evacuation, flood", "with what carries it", "Authorised by")

	// The crate goes with what is in it; a place is changed, closed and labelled.
	rosa.Get("/places/"+crate).Submit("/places/"+crate+"/moves", url.Values{"to_place_id": {other}, "reason": {"order"}}).Must(http.StatusOK).Has("Place H › Place HA › Place R3")
	rosa.Get("/places/"+crate).Submit("/places/"+crate, url.Values{"name": {hostileText}, "closed": {"true"}}).Must(http.StatusOK).Has(hostileText, "closed")
	rosa.Get("/places/"+other).Submit("/places/"+other, url.Values{"closed": {"true"}}).Must(http.StatusConflict).Has("There are still things in Place R3")
	rosa.Get("/places/"+room+"?past=true").Has("1968.14.2", "survey")
	rosa.Get("/places/" + crate + "/label").Must(http.StatusOK).Has("C1")
	rosa.Get(at+"/label").Has("1968.14.2.1a", "never stick it to the object")
}

// The pages need few queries, and no more when there is more to show.
func TestHandlingAndMovementQueries(t *testing.T) {
	t.Parallel()
	h, g := harmless(t)
	ctx := t.Context()
	rosa := g.People[domain.Registrar].Actor
	site, err := h.Movement.AddPlace(ctx, rosa, movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: "site", Name: "H", Code: "H"}})
	if err != nil {
		t.Fatal(err)
	}
	var rooms []*movement.Place
	grow := func(code string) {
		room, err := h.Movement.AddPlace(ctx, rosa, movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: "room", Name: code, Code: code}, ParentID: &site.ID})
		if err != nil {
			t.Fatal(err)
		}
		rooms = append(rooms, room)
		whole, _, err := h.Movement.Here(ctx, rosa, g.Object.ID)
		if err != nil {
			t.Fatal(err)
		}
		m := movement.Relocation{ToPlaceID: room.ID, Reason: "r", Hands: &movement.Hands{}}
		if whole != nil {
			m.FromPlacementID = &whole.ID
		}
		if _, err := h.Movement.Move(ctx, rosa, g.Object.ID, m); err != nil {
			t.Fatal(err)
		}
	}
	grow("A")
	grow("B")
	b := h.Browser(g.People[domain.Registrar])
	paths := []string{"/objects/1968.14.2", "/objects/1968.14.2/handle", "/objects/1968.14.2/handlings", "/objects/1968.14.2/move", "/objects/1968.14.2/moves", "/objects/1968.14.2/label",
		"/places", "/places/" + rooms[0].ID.String(), "/stops", "/handlings", "/objects"}
	before := map[string]int64{}
	for _, path := range paths {
		before[path] = b.Queries(path)
	}
	for i := range 8 {
		grow("C" + string(rune('0'+i)))
	}
	for _, path := range paths {
		if n := b.Queries(path); n != before[path] || n > 36 {
			t.Errorf("%s: %d queries, with more rows %d", path, before[path], n)
		}
	}
}
