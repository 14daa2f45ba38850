package web_test

import (
	"fmt"
	"html"
	"maps"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
	"farthingale/web/pagecheck"
)

// hostileText is text that means something elsewhere; on a page it is text.
const hostileText = `<script>alert("1")</script> & '; drop table object; -- {{.}}`

// gallery is a house with people who look at pages.
type gallery struct {
	*servetest.House
	t    *testing.T
	mara servetest.Someone
}

func newGallery(t *testing.T) *gallery {
	t.Helper()
	h := servetest.New(t)
	return &gallery{House: h, t: t, mara: h.Person("Mara Holm", domain.Conservator)}
}

// good fails the test unless the page is usable by everybody.
func good(t *testing.T, p *servetest.Page, status int) *servetest.Page {
	t.Helper()
	p.Must(status)
	for _, fault := range pagecheck.Faults([]byte(p.Body)) {
		t.Errorf("%s: %s", p.Path, fault)
	}
	return p
}

func (g *gallery) object(number, title string, change ...func(*collection.ObjectFacts)) *collection.Object {
	g.t.Helper()
	f := collection.ObjectFacts{Number: number, Title: title, Department: servetest.Department, LegalStatus: collection.Accessioned}
	for _, c := range change {
		c(&f)
	}
	o, err := g.Collection.Create(g.t.Context(), g.mara.Actor, collection.NewObject{ObjectFacts: f})
	if err != nil {
		g.t.Fatal(err)
	}
	return o
}

func (g *gallery) part(o *collection.Object, label, name string) *collection.Component {
	g.t.Helper()
	c, err := g.Collection.AddComponent(g.t.Context(), g.mara.Actor, o.ID, collection.NewComponent{
		ComponentFacts: collection.ComponentFacts{Name: name, Side: "none", Function: "other", Count: 1, Removal: collection.Freely}, Label: label, Attribution: collection.UnknownAttribution})
	if err != nil {
		g.t.Fatal(err)
	}
	return c
}

// TestMakeUpByThePages records an object and its make-up as a conservator does, by forms alone.
func TestMakeUpByThePages(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	b := g.Browser(g.mara)
	good(t, b.Get("/objects"), http.StatusOK).Has("There is no object on record yet.")
	form := good(t, b.Get("/objects/new"), http.StatusOK)
	sheet := good(t, form.Submit("/objects", url.Values{"number": {"1968.14 (2)"}, "title": {hostileText}, "department": {"Diving"}, "kind": {"protective dress > dry suit"},
		"makers.0": {"Łódź Works"}, "date_made": {"196X"}, "dimensions.0.what": {"height"}, "dimensions.0.mm": {"1700"}, "marks.0.kind": {"stamp"}, "marks.0.where": {"hem"},
		"marks.0.transcription": {hostileText}, "not_known": {"subject"}}), http.StatusOK)
	sheet.Has("1968.14 (2)", hostileText, "protective dress › dry suit", "height 1700 mm", "7 of 11 headings", "Missing: photograph, materials, features, description", "No component is on record yet.", "None is on record.")
	if sheet.Path != "/objects/1968.14%20%282%29" {
		t.Errorf("the sheet is at %s", sheet.Path)
	}
	at := sheet.Path
	add := good(t, b.Get(at+"/add-component"), http.StatusOK)
	ring := good(t, add.Submit(at+"/components", url.Values{"label": {".1"}, "name": {"cuff ring"}, "function": {"hardware"}, "layer_order": {"2"}, "removal": {"never"}, "removal_reason": {"seized"},
		"attribution": {"original"}, "evidence": {"drawing of 1966"}}), http.StatusOK)
	ring.Has(".1 cuff ring", "never taken off", "seized", "Nobody has said yet of what it is made.", "drawing of 1966", "Mara Holm")
	identified := good(t, ring.Submit(at+"/components/1/materials", url.Values{"material_key": {""}, "identified_by": {"sight"}, "confidence": {"possible"}}), http.StatusOK)
	identified.Has("unidentified")
	if !strings.Contains(identified.Body, "Takes the place of") {
		t.Error("what stands cannot be superseded")
	}
	again := good(t, identified.Submit(at+"/components/1/attributions", url.Values{"attribution": {"later_replacement"}, "evidence": {"rivets"}}), http.StatusOK)
	again.Has("later replacement", "rivets", "drawing of 1966") // C3
	below := good(t, b.Get(at+"/add-component?below=1"), http.StatusOK)
	good(t, below.Submit(at+"/components", url.Values{"label": {"1a"}, "name": {"glove"}, "function": {"gas_tight"}, "removal": {"freely"}, "attribution": {"unknown"}}), http.StatusOK).Has("Its parts", "› .1 cuff ring")
	joint := good(t, b.Get(at+"/add-joint"), http.StatusOK)
	part := func(label string) string {
		w, err := g.Collection.ShowNumber(t.Context(), g.mara.Actor, "1968.14 (2)")
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range w.Components {
			if c.Label == label {
				return c.ID.String()
			}
		}
		return ""
	}
	sheet = good(t, joint.Submit(at+"/joints", url.Values{"a_id": {part("1")}, "b_id": {part("1a")}, "meets": {"ring_lock"}, "contact": {"gap"}, "gap_mm": {"0.5"}, "gas_tight": {"true"}, "state": {"seized"}}), http.StatusOK)
	sheet.Has("a gap of 0.5 mm, closed gas-tight", "seized", "ring lock")
	warn := good(t, b.Get(at+"/add-hazard?kind=cadmium&certainty=possible&component=1"), http.StatusOK)
	sheet = good(t, warn.Submit(at+"/hazards", url.Values{"known_by": {"sight"}, "state": {"intact"}}), http.StatusOK)
	sheet.Has("▲ cadmium possible", "(class control)", "on .1 cuff ring", material.CautionClosing)

	// The joint and the hazard change by their own pages.
	link := func(p *servetest.Page, beginning string) string {
		t.Helper()
		_, rest, ok := strings.Cut(p.Body, `href="`+beginning)
		if !ok {
			t.Fatalf("%s has no link to %s", p.Path, beginning)
		}
		end, _, _ := strings.Cut(rest, `"`)
		return beginning + end
	}
	jointAt := link(sheet, at+"/joints/")
	p := good(t, b.Get(jointAt), http.StatusOK)
	good(t, p.Submit(jointAt, url.Values{"state": {"held_open"}}), http.StatusOK).Has("held open")
	p = good(t, b.Get(jointAt), http.StatusOK)
	good(t, p.Submit(jointAt+"/deletion", nil), http.StatusOK).Has("The joint is taken back")
	hazardAt := link(sheet, at+"/hazards/")
	p = good(t, b.Get(hazardAt), http.StatusOK)
	refused := good(t, p.Submit(hazardAt, url.Values{"certainty": {"ruled_out"}}), http.StatusUnprocessableEntity)
	refused.Has("Name the competent person who rules it out.", "Say why it is ruled out.")
	cleared := good(t, refused.Submit(hazardAt, url.Values{"assessed_by": {"A. Berg, chemist"}, "note": {"XRF: zinc only"}, "document": {"report 12"}}), http.StatusOK)
	cleared.Has("ruled out", "XRF: zinc only", "Assessed by A. Berg, chemist", "report 12")
	if strings.Contains(cleared.Body, `class="caution"`) {
		t.Error("a hazard that is ruled out still stands at the head")
	}

	// The component changes; two edits of one version clash.
	first, second := good(t, b.Get(at+"/components/1a"), http.StatusOK), b.Get(at+"/components/1A")
	good(t, first.Submit(at+"/components/1a", url.Values{"name": {"glove, left"}}), http.StatusOK).Has("glove, left")
	good(t, second.Submit(at+"/components/1a", url.Values{"name": {"mitten"}}), http.StatusPreconditionFailed).Has("Somebody else changed this")
	cycle := good(t, b.Get(at+"/components/1"), http.StatusOK)
	good(t, cycle.Submit(at+"/components/1", url.Values{"parent_id": {part("1a")}}), http.StatusUnprocessableEntity).Has("A component cannot be a part of itself or of one of its own parts.")

	// The object is described anew.
	edit := good(t, b.Get(at+"/edit"), http.StatusOK)
	bad := good(t, edit.Submit(at+"/edit", url.Values{"number": {"1968/14"}, "date_made": {"about 1965"}, "dimensions.1.what": {"width"}, "dimensions.1.mm": {"-1"}}), http.StatusUnprocessableEntity)
	bad.Has("An object number holds no slash", "More than 0.")
	good(t, bad.Submit(at+"/edit", url.Values{"number": {"1968.14.2"}, "date_made": {"1965~"}, "dimensions.1.mm": {"620"}, "title": {"Dry suit"}}), http.StatusOK).
		Has("1968.14.2", "width 620 mm", "Former numbers 1968.14 (2)", "1965~")
	if moved := b.Get(at); moved.Path != "/objects/1968.14.2" {
		t.Errorf("the former number leads to %s", moved.Path)
	}
}

func TestObjectAddresses(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	g.object("E2561", "Depth gauge")
	g.object("MŁ 12", "Mask")
	g.object("1968.14.2", "Dry suit")
	b := g.Browser(g.mara)
	for typed, want := range map[string]string{
		"/objects/e2561":              "/objects/E2561",
		"/objects/E%202561":           "/objects/E2561",
		"/objects/m%C5%82%2012":       "/objects/M%C5%81%2012",
		"/objects/1968-14-2":          "/objects/1968.14.2",
		"/objects/%EF%BC%91968.14.2":  "/objects/1968.14.2",
		"/objects/1968.014.002":       "/objects/1968.14.2",
		"/objects/1968.14.2?from=nil": "/objects/1968.14.2?from=nil",
	} {
		if p := b.Get(typed).Must(http.StatusOK); p.Path != want {
			t.Errorf("%s leads to %s, want %s", typed, p.Path, want)
		}
	}
	for _, typed := range []string{"/objects/1968.14.3", "/objects/1968.14", "/objects/%3Cscript%3E", "/objects/%00", "/objects/%FF", "/objects/" + strings.Repeat("1", 500),
		"/objects/1968.14.2/components/9", "/objects/1968.14.2/joints/x", "/objects/1968.14.2/hazards/" + domain.NewID().String(), "/objects/1968.14.3/edit", "/materials/no-such-key"} {
		good(t, b.Get(typed), http.StatusNotFound)
	}
	good(t, b.Get("/objects/1968.14.3"), http.StatusNotFound).Has("No object has the number 1968.14.3.")
}

func TestFindObjectsOnThePage(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	suit := g.object("1968.14.2", "Diving dress", func(f *collection.ObjectFacts) { f.Kind, f.PlaceMade = "protective dress › diving dress", "Łódź" })
	g.object("1968.14.3", hostileText, func(f *collection.ObjectFacts) { f.Department, f.LegalStatus = "Rescue", collection.Study })
	if _, err := g.Collection.AddHazard(t.Context(), g.mara.Actor, suit.ID, collection.NewHazard{HazardFacts: collection.HazardFacts{Kind: "radium", Certainty: "possible", KnownBy: "sight", State: "intact"}}); err != nil {
		t.Fatal(err)
	}
	b := g.Browser(g.mara)
	list := good(t, b.Get("/objects"), http.StatusOK)
	list.Has("1968.14.2", "1968.14.3", hostileText, "■ radium possible", "study")
	if strings.Contains(list.Body, "<script>alert") {
		t.Error("what was typed is run")
	}
	good(t, list.Submit("/objects", url.Values{"q": {"divng dres"}}), http.StatusOK).Has("Nothing holds 'divng'. Taken instead: diving", "1968.14.2")
	good(t, b.Get("/objects?q=1968-14-9"), http.StatusOK).Has("No object has the number 1968-14-9.")
	good(t, b.Get("/objects?q="+url.QueryEscape(hostileText)), http.StatusOK)
	good(t, b.Get("/objects?q=lodz"), http.StatusOK).Has("1968.14.2")
	narrowed := good(t, b.Get("/objects?department=Rescue"), http.StatusOK)
	narrowed.Has("1968.14.3")
	if strings.Contains(narrowed.Body, "1968.14.2") {
		t.Error("the filter does not narrow")
	}
	good(t, narrowed.Submit("/objects", url.Values{"q": {"diving"}}), http.StatusOK).Has("Nothing holds all of these words")
	good(t, b.Get("/objects?sort=price"), http.StatusUnprocessableEntity)
	good(t, b.Get("/objects?cursor=nonsense"), http.StatusBadRequest)
	reader := g.Browser(g.Person("Lars Reader", domain.Reader))
	if p := good(t, reader.Get("/objects/1968.14.2"), http.StatusOK); strings.Contains(p.Body, "/edit") || strings.Contains(p.Body, "add-component") || strings.Contains(p.Body, "add-hazard") {
		t.Error("a reader is offered to write")
	}
	good(t, reader.Get("/objects/new"), http.StatusForbidden)
	good(t, g.Browser(g.Person("Stella Steward", domain.Steward)).Get("/objects"), http.StatusForbidden)
}

func TestMaterialPages(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	b := g.Browser(g.mara)
	o := g.object("1", "Gloves")
	part := g.part(o, "1", "glove")
	key := "natural-rubber-latex"
	if _, err := g.Collection.Identify(t.Context(), g.mara.Actor, part.ID, collection.NewIdentification{MaterialKey: &key, Role: "body", IdentifiedBy: "sight", Confidence: "probable"}); err != nil {
		t.Fatal(err)
	}
	list := good(t, b.Get("/materials"), http.StatusOK)
	good(t, list.Submit("/materials", url.Values{"q": {"latex"}}), http.StatusOK).Has("latex possible")
	good(t, b.Get("/materials?category=metal"), http.StatusOK)
	latex := good(t, b.Get("/materials/natural-rubber-latex"), http.StatusOK)
	latex.Has("Sources", "1 object", "Gloves", ".1 glove", "probable", material.CautionClosing, material.AATCredit)
	good(t, b.Get("/objects/1"), http.StatusOK).Has("natural rubber latex", "(probable, by sight)", "▲ latex possible", "proposed because of its material")
	good(t, b.Get("/materials?site=true"), http.StatusOK).Has("No material is like that.")
}

func TestLibraryGrowsByAForm(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	b := g.Browser(g.mara)
	page := b.Get("/materials")
	bad := good(t, page.Submit("/materials#answer", url.Values{"name": {hostileText}, "family": {""}, "category": {"coating"}}), http.StatusUnprocessableEntity)
	bad.Has("This is needed.")
	if !strings.Contains(bad.Body, html.EscapeString(hostileText)) {
		t.Error("what was typed is lost")
	}
	good(t, bad.Submit("/materials#answer", url.Values{"family": {"wax"}, "source": {"maker's sheet, 1961"}, "hazard_ids": {"lead"}}), http.StatusOK).
		Has(hostileText, "our own", "maker's sheet, 1961", "lead possible")
}

// TestCollectionFormsRefuse: bad fields come back with what was typed and the fault beside each, and
// nothing is changed.
func TestCollectionFormsRefuse(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	o := g.object("1", "Suit")
	g.part(o, "1", "ring")
	g.part(o, "2", "glove")
	tables := []string{"object", "component", "attribution", "component_material", "joint", "hazard", "event"}
	before := g.Rows(tables...)
	b := g.Browser(g.mara)
	long := strings.Repeat("x", 10000)
	for name, test := range map[string]struct {
		page, action string
		values       url.Values
		status       int
		says         []string
	}{
		"object without anything":  {"/objects/new", "/objects", url.Values{"number": {""}, "title": {""}, "department": {""}}, 422, []string{"This is needed."}},
		"object too long":          {"/objects/new", "/objects", url.Values{"number": {"2"}, "title": {long}, "department": {"Diving"}, "description": {long}}, 422, []string{"At most 300 characters.", "At most 8000 characters."}},
		"object taken":             {"/objects/new", "/objects", url.Values{"number": {"1"}, "title": {"x"}, "department": {"Diving"}}, 409, []string{"Another object has this number."}},
		"object with NUL":          {"/objects/new", "/objects", url.Values{"number": {"2"}, "title": {"a\x00"}, "department": {"Diving"}}, 422, []string{"characters that cannot be kept"}},
		"object with bad UTF-8":    {"/objects/new", "/objects", url.Values{"number": {"2"}, "title": {"a\xff"}, "department": {"Diving"}}, 422, []string{"characters that cannot be kept"}},
		"object, absurd mass":      {"/objects/new", "/objects", url.Values{"number": {"2"}, "title": {"x"}, "department": {"Diving"}, "mass_kg": {"1000000000"}}, 422, []string{"At most 100000."}},
		"object, mass no number":   {"/objects/new", "/objects", url.Values{"number": {"2"}, "title": {"x"}, "department": {"Diving"}, "mass_kg": {"heavy"}}, 422, []string{"A number, such as 12.5."}},
		"object, unknown field":    {"/objects/new", "/objects", url.Values{"number": {"2"}, "title": {"x"}, "department": {"Diving"}, "colour": {"red"}}, 422, []string{"The form has a field that is not known here."}},
		"component without label":  {"/objects/1/add-component", "/objects/1/components", url.Values{"name": {hostileText}, "function": {"other"}, "attribution": {"unknown"}}, 422, []string{"This is needed."}},
		"component, label taken":   {"/objects/1/add-component", "/objects/1/components", url.Values{"removal": {"freely"}, "label": {"2"}, "name": {"x"}, "function": {"other"}, "attribution": {"unknown"}}, 409, []string{"has this label already"}},
		"component, nothing":       {"/objects/1/add-component", "/objects/1/components", url.Values{"label": {"3"}, "count": {"-1"}, "layer_order": {"1000"}}, 422, []string{"This is needed.", "At least 1.", "At most 99."}},
		"component, never":         {"/objects/1/components/1", "/objects/1/components/1", url.Values{"removal": {"never"}}, 422, []string{"Say why it can never be taken off (rule C2)."}},
		"attribution, no evidence": {"/objects/1/components/1", "/objects/1/components/1/attributions", url.Values{"attribution": {"original"}, "evidence": {" "}}, 422, []string{"This is needed."}},
		"material, no choice":      {"/objects/1/components/1", "/objects/1/components/1/materials", url.Values{"material_key": {"no-such-key"}, "identified_by": {"test"}, "confidence": {""}}, 422, []string{"This is needed.", "Say which label, document or test shows it"}},
		"joint with itself":        {"/objects/1/add-joint", "/objects/1/joints", url.Values{"meets": {"zip"}, "contact": {"direct"}, "state": {"engaged"}}, 422, []string{"This is needed."}},
		"hazard of no kind":        {"/objects/1/add-hazard", "/objects/1/hazards", url.Values{"kind": {"bad luck"}, "certainty": {"certain"}, "known_by": {"sight"}, "state": {"intact"}}, 422, []string{"This is not a hazard of the list"}},
		"deletion (C4)":            {"/objects/1/edit", "/objects/1/edit", url.Values{"title": {" "}}, 422, []string{"This is needed."}},
	} {
		page := good(t, b.Get(test.page), http.StatusOK)
		p := page.Submit(test.action, test.values)
		if p.Status != test.status {
			t.Errorf("%s: status %d, want %d: %s", name, p.Status, test.status, p.Text())
			continue
		}
		good(t, p, test.status).Has(test.says...)
	}
	if after := g.Rows(tables...); !maps.Equal(before, after) {
		t.Errorf("rows before %v, after %v", before, after)
	}
}

// TestC4OnThePages: only who may, and only an empty record.
func TestC4OnThePages(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	empty, full := g.object("1", "Slip of the pen"), g.object("2", "Suit")
	g.part(full, "1", "ring")
	if p := good(t, g.Browser(g.mara).Get("/objects/1/edit"), http.StatusOK); strings.Contains(p.Body, "/deletion") {
		t.Error("a conservator is offered to take the record back")
	}
	b := g.Browser(g.Person("Rune Vik", domain.Registrar))
	stale := good(t, b.Get("/objects/1/edit"), http.StatusOK)
	if p := good(t, b.Get("/objects/2/edit"), http.StatusOK); strings.Contains(p.Body, "/deletion") {
		t.Error("a record with a make-up is offered to be taken back")
	}
	g.part(empty, "1", "after all")
	good(t, stale.Submit("/objects/1/deletion", nil), http.StatusConflict).Has("its record stays")
	third := g.object("3", "Slip of the pen")
	good(t, good(t, b.Get("/objects/3/edit"), http.StatusOK).Submit("/objects/3/deletion", nil), http.StatusOK).Has("The record of 3 is taken back.")
	if _, err := g.Collection.Object(t.Context(), g.mara.Actor, third.ID); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("it is still there: %v", err)
	}
}

// TestCollectionPageQueries: the number of queries of a page does not grow with the rows.
func TestCollectionPageQueries(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	o := g.object("1", "Suit")
	g.part(o, "1", "ring")
	b := g.Browser(g.mara)
	paths := []string{"/objects", "/objects?q=suit", "/objects?q=siut", "/objects/1", "/objects/1/components/1", "/objects/1/edit", "/objects/1/add-joint", "/materials", "/materials/copper"}
	before := map[string]int64{}
	for _, path := range paths {
		before[path] = b.Queries(path)
	}
	copper := "copper"
	for i := range 15 {
		g.object(fmt.Sprintf("2000.%d", i), "Suit")
		part := g.part(o, fmt.Sprintf("x%d", i), "part")
		if _, err := g.Collection.Identify(t.Context(), g.mara.Actor, part.ID, collection.NewIdentification{MaterialKey: &copper, Role: "body", IdentifiedBy: "sight", Confidence: "certain"}); err != nil {
			t.Fatal(err)
		}
	}
	for _, path := range paths {
		most := int64(14)
		if path == "/objects/1" {
			most = 27 // every area has a section on the sheet
		}
		if after := b.Queries(path); after != before[path] || after > most {
			t.Errorf("%s: %d queries, with more rows %d", path, before[path], after)
		}
	}
}
