package serve_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/movement"
)

// TestMeasurementByPages walks a spot from its naming to a proven change and a withdrawal, by the pages,
// without JavaScript.
//
// source: ΔE2000 1.75 of the worked example in domain/measurement/colour.
func TestMeasurementByPages(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ines, reader := h.Browser(g.People[domain.Conservator]), h.Browser(g.People[domain.Reader])
	ines.Get("/objects/1968.14.2").Must(http.StatusOK).Has("Measured", "Nothing was measured yet")
	p := ines.Get("/objects/1968.14.2/spots").Must(http.StatusOK)
	p = p.Submit("/objects/1968.14.2/spots", url.Values{"name": {"Left <b>sleeve</b>"}, "place": {" "}}).Must(http.StatusUnprocessableEntity).Has("This is needed")
	p = p.Submit("/objects/1968.14.2/spots", url.Values{"place": {"40 mm above the ring"}}).Must(http.StatusOK).Has("The spot is named", "Measure colour", "Local rules and qualified people decide")
	at := strings.TrimSuffix(p.Path, "/measure")
	reading := url.Values{"colour.l": {"62,356"}, "colour.a": {"5.432"}, "colour.b": {"18.730"}, "colour.sd_l": {"0.0976"}, "colour.sd_a": {"0.0589"}, "colour.sd_b": {"0.0886"}, "colour.aperture_mm": {"6"},
		"measured_on": {"2024-02-01"}, "instrument": {"Sphere 2"}, "spectrum_text": {"0.1 0.2 x"}}
	p = p.Submit(at+"/measure", reading).Must(http.StatusUnprocessableEntity).Has("Figure 3 cannot be read")
	p = p.Submit(at+"/measure", url.Values{"spectrum_text": {"0.1 0.2 0.3"}, "colour.l": {""}, "colour.a": {""}, "colour.b": {""}}).Must(http.StatusUnprocessableEntity).Has("A spectrum has 31 figures")
	p.Submit(at+"/measure", url.Values{"spectrum_text": {""}, "colour.l": {"62,356"}, "colour.a": {"5.432"}, "colour.b": {"18.730"}}).Must(http.StatusOK).Has("The reading is kept", "L* 62.36")
	p = ines.Get(at + "/measure?quantity=colour").Must(http.StatusOK)
	if !strings.Contains(p.Body, `value="Sphere 2"`) {
		t.Error("what was the same the last time is not filled in")
	}
	p = p.Submit(at+"/measure", url.Values{"colour.l": {"63.988"}, "colour.a": {"4.802"}, "colour.b": {"16.920"}, "colour.sd_l": {"0.0817"}, "colour.sd_a": {"0.0705"}, "colour.sd_b": {"0.0919"},
		"measured_on": {"2026-02-01"}}).Must(http.StatusOK).Has("changed", "ΔE2000 1.75 ±", "lighter", "How the change is computed")
	if !strings.Contains(p.Body, `<circle class="point"`) || strings.Contains(p.Body, "NaN") {
		t.Error("no chart, or one of no numbers")
	}
	reader.Get(at).Must(http.StatusOK).Has("Left <b>sleeve</b>", "ΔE2000 1.75")
	p = ines.Get(at + "/measure?quantity=ph").Must(http.StatusOK)
	p = p.Submit(at+"/measure", url.Values{"value": {"17"}, "instrument": {"Meter"}, "method": {"electrode"}}).Must(http.StatusUnprocessableEntity).Has("Between 0 and 14")
	p.Submit(at+"/measure", url.Values{"value": {"4,6"}, "plus_minus": {"0.3"}}).Must(http.StatusOK).Has("4.6 ± 0.3 pH")
	// Hands on the object: the handling is logged with the reading (H1); a sign stops the object (H2), and then it is refused (H3).
	p = ines.Get(at+"/measure?quantity=mass_g").Must(http.StatusOK).Has("Hands were on it", "The usual controls for the hazards above were")
	p = p.Submit(at+"/measure", url.Values{"value": {"310"}, "instrument": {"Balance"}, "method": {"on a tray"}, "hands_on": {"true"}, "hands.minutes": {"9"}}).Must(http.StatusUnprocessableEntity).Has("Say whether the usual controls")
	p.Submit(at+"/measure", url.Values{"hands.controls": {"kept"}}).Must(http.StatusOK).Has("its handling is logged", "310 g")
	ines.Get("/objects/1968.14.2/handlings").Must(http.StatusOK).Has("9 min")
	p = ines.Get(at + "/measure?quantity=mass_g").Must(http.StatusOK)
	p.Submit(at+"/measure", url.Values{"value": {"311"}, "hands_on": {"true"}, "hands.controls": {"kept"}, "hands.noticed": {"noise"}}).Must(http.StatusOK).Has("stopped for everybody")
	p = ines.Get(at + "/measure?quantity=mass_g").Must(http.StatusOK).Has("Nobody handles it by plan")
	p = p.Submit(at+"/measure", url.Values{"value": {"312"}, "hands_on": {"true"}, "hands.controls": {"kept"}}).Must(http.StatusUnprocessableEntity).Has("Refused by rule H3")
	p.Submit(at+"/measure", url.Values{"hands_on": nil}).Must(http.StatusOK).Has("The reading is kept", "312 g")
	var id string
	if err := h.Database.OwnerPool().QueryRow(t.Context(), `select id::text from measurement where quantity = 'ph'`).Scan(&id); err != nil {
		t.Fatal(err)
	}
	p = ines.Get("/measurements/" + id).Must(http.StatusOK).Has("Withdraw it")
	p.Submit("/measurements/"+id+"/withdrawal", url.Values{"reason": {"The electrode was dry."}}).Must(http.StatusOK).Has("The reading is withdrawn", "The electrode was dry.")
}

// TestInvestigationByPages walks a question to its answer, by the pages (I1, I2).
func TestInvestigationByPages(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ines, maud := h.Browser(g.People[domain.Conservator]), h.Browser(g.People[domain.Curator])
	part := g.Parts["3"].String()
	p := ines.Get("/objects/1968.14.2/ask").Must(http.StatusOK)
	p = p.Submit("/objects/1968.14.2/ask", url.Values{"component_id": {part}, "question": {"Of what is the <i>coat</i>?"}, "why": {"Cleaning."}}).Must(http.StatusOK).Has("Of what is the <i>coat</i>?", ".3 Glove, left")
	at := p.Path
	p = ines.Get(at + "/plan").Must(http.StatusOK)
	p = p.Submit(at+"/plan", url.Values{"who": {"Ines"}}).Must(http.StatusUnprocessableEntity).Has("This is needed")
	p.Submit(at+"/plan", url.Values{"techniques": {"xrf", "ftir-sample"}, "component_ids": {part}, "who": {"Ines"}}).Must(http.StatusOK).Has("The plan is on record", "X-ray fluorescence (XRF)")
	sample := url.Values{"technique": {"ftir-sample"}, "component_id": {part}, "site": {"inside the cuff"}, "size": {"1 mm"}, "taken_by": {"Ines"}, "remainder.state": {"kept"}, "remainder.amount": {"half"}, "remainder.where": {"box 2"}}
	ines.Get(at+"/sample").Must(http.StatusOK).Submit(at+"/sample", sample).Must(http.StatusUnprocessableEntity).Has("Refused by rule I1", "no curator has consented")
	p = ines.Get(at + "/consent").Must(http.StatusOK)
	p.Submit(at+"/consent", url.Values{"technique": {"ftir-sample"}, "reason": {"No match."}, "sites.0.component_id": {part}, "sites.0.place": {"inside the cuff"}, "sites.0.size": {"1 mm"}, "sites.0.count": {"1"}}).
		Must(http.StatusOK).Has("The curators are asked", "waits for consent", "1 × 1 mm")
	if p := ines.Get(at); strings.Contains(p.Body, "/decision") {
		t.Error("who asked is offered to decide")
	}
	maud.Get("/").Must(http.StatusOK).Has("Consents to samples asked of you", "Of what is the <i>coat</i>?")
	p = maud.Get(at).Must(http.StatusOK)
	p.Submit(at+"/consents/1/decision", url.Values{"granted": {"true"}, "statement": {"There only."}}).Must(http.StatusOK).Has("It is decided", "granted until", "There only.")
	box, err := h.Movement.AddPlace(t.Context(), g.People[domain.Registrar].Actor, movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: "site", Name: "Sample cupboard", Code: "SAMPLES"}})
	if err != nil {
		t.Fatal(err)
	}
	sample.Set("remainder.place_id", box.ID.String())
	ines.Get(at+"/sample").Must(http.StatusOK).Has("Sample cupboard (SAMPLES)").Submit(at+"/sample", sample).Must(http.StatusOK).Has("The sample is on record", "Sample 1968.14.2.S1", "with consent", "kept, half, Sample cupboard, box 2")
	var id string
	if err := h.Database.OwnerPool().QueryRow(t.Context(), `select id::text from sample`).Scan(&id); err != nil {
		t.Fatal(err)
	}
	p = ines.Get(at + "/finding").Must(http.StatusOK)
	p = p.Submit(at+"/finding", url.Values{"technique": {"ftir-sample"}, "component_id": {part}, "sample_id": {id}, "found": {"Bands at 1730."}, "proves": {"Acrylic."}, "done_by": {"Ines"},
		"identifies.material_key": {"acrylic-adhesive"}}).Must(http.StatusUnprocessableEntity).Has("This is needed")
	p = p.Submit(at+"/finding", url.Values{"identifies.role": {"coating"}, "identifies.confidence": {"probable"}}).Must(http.StatusOK).Has("The finding is on record", "Acrylic.", "Identified as")
	ines.Get("/objects/1968.14.2/components/3").Must(http.StatusOK).Has("Question 1 on 1968.14.2")
	left := at + "/samples/" + id + "/remainders"
	p = p.Submit(left, url.Values{"state": {"kept"}, "amount": {"a crumb"}, "place_code": {"nowhere"}}).Must(http.StatusUnprocessableEntity).Has("There is no place with this code.")
	p = p.Submit(left, url.Values{"place_code": {"samples"}}).Must(http.StatusOK).Has("kept, a crumb, Sample cupboard (")
	p = p.Submit(left, url.Values{"state": {"used_up"}}).Must(http.StatusOK).Has("used up")
	p.Submit(at+"/end", url.Values{"outcome": {"done"}, "text": {"An acrylic coat."}}).Must(http.StatusOK).Has("answered", "An acrylic coat.")
	ines.Get("/investigations").Must(http.StatusOK).Has("There is no such question")
	ines.Get("/investigations?state=done").Must(http.StatusOK).Has("Of what is the <i>coat</i>?")
}

// TestSurveyByPages draws a survey and looks at every object of it, by the pages.
func TestSurveyByPages(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	h.Ground()
	ines := h.Browser(h.Person("Olga Everything", domain.Conservator))
	p := ines.Get("/surveys/new").Must(http.StatusOK)
	p = p.Submit("/surveys/new", url.Values{"title": {"Everything"}, "margin_percent": {"0.1"}}).Must(http.StatusUnprocessableEntity).Has("At least 0.5")
	p = p.Submit("/surveys/new", url.Values{"margin_percent": {"5"}, "seed": {"a seed"}}).Must(http.StatusOK).Has("objects are drawn", "a seed", "Nothing was looked at yet")
	at := p.Path
	day := h.Now().UTC().AddDate(1, 0, 0).Format(time.DateOnly)
	for range 20 {
		next := ""
		for _, f := range strings.Split(ines.Get(at).Must(http.StatusOK).Body, `"`) {
			if strings.HasPrefix(f, at+"/objects/") {
				next = f
				break
			}
		}
		if next == "" {
			break
		}
		p = ines.Get(next).Must(http.StatusOK)
		p = p.Submit(next, url.Values{"overall": {"poor"}, "place": {""}}).Must(http.StatusUnprocessableEntity).Has("This is needed")
		p.Submit(next, url.Values{"priority": {"high"}, "place": {"Store 2"}, "next_check_on": {day}, "note": {"Tacky."}}).Must(http.StatusOK).Has("is signed")
	}
	ines.Get(at).Must(http.StatusOK).Has("Poor or worse: 100 %")
	if p := ines.Get(at + "/table.csv").Must(http.StatusOK); !strings.Contains(p.Body, "object_number") || !strings.Contains(p.Body, "1968.14.2") || !strings.Contains(p.Body, ",poor,high,") {
		t.Error(p.Body)
	}
}

// TestSurveyOfAPlace: the population is narrowed to what lies in a place, by its code or chosen.
func TestSurveyOfAPlace(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	rosa := g.People[domain.Registrar].Actor
	place := func(code, kind string, within *domain.ID) *movement.Place {
		p, err := h.Movement.AddPlace(t.Context(), rosa, movement.NewPlace{ParentID: within, PlaceFacts: movement.PlaceFacts{Kind: kind, Name: "Place " + code, Code: code}})
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	house := place("HS", "site", nil)
	shelf := place("SH-1", "room", &house.ID)
	empty := place("SH-2", "room", &house.ID)
	if _, err := h.Movement.Move(t.Context(), rosa, g.Object.ID, movement.Relocation{ToPlaceID: shelf.ID, Reason: "its shelf"}); err != nil {
		t.Fatal(err)
	}
	ines := h.Browser(g.People[domain.Conservator])
	p := ines.Get("/surveys/new").Must(http.StatusOK).Has("Place HS › Place SH-1 (SH-1)")
	p.Submit("/surveys/new", url.Values{"title": {"What lies in the house"}, "place_code": {"hs"}}).Must(http.StatusOK).Has("1 objects are drawn", "in Place HS")
	p = p.Submit("/surveys/new", url.Values{"title": {"What lies there"}, "place_code": {"nowhere"}}).Must(http.StatusUnprocessableEntity).Has("There is no place with this code.")
	p = p.Submit("/surveys/new", url.Values{"place_code": {""}, "population.place_id": {empty.ID.String()}}).Must(http.StatusUnprocessableEntity)
	p.Submit("/surveys/new", url.Values{"population.place_id": {shelf.ID.String()}}).Must(http.StatusOK).Has("1 objects are drawn", "in Place HS › Place SH-1")
}
