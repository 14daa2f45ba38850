package serve_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// TestEnclosureByPages walks a glove from the short form to a recommendation that was carried out, by the
// pages, without JavaScript.
//
// source: Fick's law with the coefficient of Fuller, Schettler & Giddings 1966; worked by hand: 11.47 µg/m³
// with 3 mm at the ring.
func TestEnclosureByPages(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ines, reader := h.Browser(g.People[domain.Conservator]), h.Browser(g.People[domain.Reader])

	ines.Get("/objects/1968.14.2").Must(http.StatusOK).Has("Air around it", "No air space is on record")
	p := ines.Get("/enclosures/new?in=1968.14.2.3").Must(http.StatusOK)
	quick := url.Values{"in": {"1968.14.2.3\n1968.14.2.1a"}, "label": {"Left <b>glove</b>"}, "volume": {"2 (1.8 to 2.2 ml)"}, "gas": {"hcl"}, "surface": {"rubber"}, "area": {"0.1 m²"}, "rate": {"0.5"},
		"way": {"closed"}, "ring": {"100"}, "depth": {"3 l"}, "temp": {"20"}, "width": {"4"}}
	p = p.Submit("/enclosures", quick).Must(http.StatusUnprocessableEntity).Has("Refused", "a unit of a volume", "counts only for a gap")
	for _, kept := range []string{`value="2 (1.8 to 2.2 ml)"`, `value="Left &lt;b&gt;glove&lt;/b&gt;"`, "1968.14.2.1a"} {
		if !strings.Contains(p.Body, kept) {
			t.Errorf("what was typed is lost: %s", kept)
		}
	}
	if n := h.Rows("enclosure")["enclosure"]; n != 0 {
		t.Fatalf("%d enclosures after a refusal", n)
	}
	p = p.Submit("/enclosures", url.Values{"volume": {"2 (1.8 to 2.2) l"}, "depth": {"10 mm"}, "width": {""}, "basis": {"measured"}}).Must(http.StatusUnprocessableEntity).Has("By whom")
	p = p.Submit("/enclosures", url.Values{"basis": {""}}).Must(http.StatusOK).
		Has("The air space is on record", "30000", "above limits", "hydrogen chloride", "1968.14.2.3 Glove, left", "1968.14.2.1a Cuff ring, left", "2 (1.8 to 2.2) l, assumed", "Fick")
	at := p.Path

	// What if: a refusal, then an answer with a chart, then a recommendation.
	p = p.Submit(at+"/what-if", url.Values{}).Must(http.StatusUnprocessableEntity).Has("Fill in what would be different")
	p = p.Submit(at+"/what-if", url.Values{"width": {"3 (2 to 4)"}, "hours": {"24"}}).Must(http.StatusOK).Has("Before and after", "3 (2 to 4) mm wide", "11.5", "Broken line: as it is", "Both courses start")
	if !strings.Contains(p.Body, `<path class="band"`) || strings.Contains(p.Body, "NaN") || strings.Contains(p.Body, "Inf") {
		t.Error("no chart, or one of no numbers")
	}
	if n := h.Rows("enclosure_recommendation")["enclosure_recommendation"]; n != 0 {
		t.Errorf("asking kept %d recommendations", n)
	}
	p = p.Submit(at+"/recommendations", url.Values{"text": {" "}}).Must(http.StatusUnprocessableEntity).Has("Refused", "Before and after")
	p = p.Submit(at+"/recommendations", url.Values{"text": {"Hold it open with <i>two</i> spacers."}}).Must(http.StatusOK).Has("The recommendation is kept", "Hold it open with <i>two</i> spacers.", "open", "11.5")
	advice := p.Path
	reader.Get("/objects/1968.14.2").Must(http.StatusOK).Has("recommended", "Left <b>glove</b>", "Hold it open")
	reader.Get(at).Must(http.StatusOK).Has("Hold it open", "Ines Falkenberg")
	if p := reader.Get(at); strings.Contains(p.Body, at+"/closure") || strings.Contains(p.Body, at+"/tracers") || strings.Contains(p.Body, at+"/edit") {
		t.Error("a reader is offered to write")
	}
	p = p.Submit(advice+"/end", url.Values{"outcome": {"withdrawn"}}).Must(http.StatusUnprocessableEntity).Has("why it is withdrawn")
	p.Submit(advice+"/end", url.Values{"outcome": {"done"}}).Must(http.StatusOK).Has("It is noted", "done")

	// A tracer measurement: refused with what was typed, then fitted and used.
	p = ines.Get(at).Must(http.StatusOK)
	p = p.Submit(at+"/tracers", url.Values{"readings": {"0 4012\n4 3342\nfour 2835"}, "background": {"420"}}).Must(http.StatusUnprocessableEntity).Has("Line 3 cannot be read")
	p = p.Submit(at+"/tracers", url.Values{"readings": {"0 1000\n4 1100\n8 1200\n12 1300"}}).Must(http.StatusUnprocessableEntity).Has("does not fall")
	p.Submit(at+"/tracers", url.Values{"readings": {"0 4012\n4;3342\n8, 2835\n12 2365\n16 2037\n20 1732\n24 1509\n30 1212\n36 1021"}}).Must(http.StatusOK).
		Has("The measurement is kept", "1.2 air changes per day", "weighted fit of 9 readings", "tracer decay, carbon dioxide")

	// Closed, it stays on record and offers nothing more.
	p = ines.Get(at).Must(http.StatusOK)
	p = p.Submit(at+"/closure", url.Values{"reason": {"The glove was taken off."}}).Must(http.StatusOK).Has("It is closed", "The glove was taken off.")
	if strings.Contains(p.Body, at+"/what-if") {
		t.Error("a closed one can still be asked about")
	}
	ines.Get("/enclosures").Must(http.StatusOK).Has("No enclosure is like that")
	ines.Get("/enclosures?closed=true").Must(http.StatusOK).Has("Left <b>glove</b>", "closed")
}

// TestEnclosureInFull: several spaces and gases by the full form; what the form shows of an enclosure is
// what it keeps again, and a late form shows what stands meanwhile.
func TestEnclosureInFull(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	by := g.People[domain.Conservator]
	ines := h.Browser(by)
	p := ines.Get("/enclosures/new-in-full").Must(http.StatusOK)
	typed := url.Values{"label": {"Case with a box"}, "kind": {"case"}, "spaces.0.name": {"box"}, "spaces.0.volume.text": {"30 l"}, "spaces.0.volume.basis": {"measured"}, "spaces.0.in": {"1968.14.2.3"},
		"spaces.0.surfaces.0.name": {"board"}, "spaces.0.surfaces.0.area.text": {"0.3 m²"}, "spaces.0.surfaces.0.gases.0.gas": {"acetic-acid"}, "spaces.0.surfaces.0.gases.0.rate.text": {"55 (10 to 300)"},
		"spaces.0.surfaces.0.gases.0.rate_temp.text": {"23"}, "spaces.0.surfaces.0.gases.0.energy.text": {"50"}, "more": {"spaces"}}
	p = p.Submit("/enclosures/new-in-full", typed).Must(http.StatusOK)
	if !strings.Contains(p.Body, `name="spaces.2.name"`) || !strings.Contains(p.Body, `value="55 (10 to 300)"`) || h.Rows("enclosure")["enclosure"] != 0 {
		t.Error("asking for rows loses what was typed, or keeps it")
	}
	more := url.Values{"spaces.1.name": {"case"}, "spaces.1.volume.text": {"0.8 m³"}, "spaces.1.rh.text": {"45"}, "spaces.1.surfaces.0.name": {"charcoal cloth"}, "spaces.1.surfaces.0.area.text": {"0.5 m²"},
		"spaces.1.surfaces.0.gases.0.gas": {"acetic-acid"}, "spaces.1.surfaces.0.gases.0.velocity.text": {"0.01"}, "rooms.0.levels.0.gas": {"acetic-acid"}, "rooms.0.levels.0.level.text": {"0"},
		"paths.0.name": {"lid"}, "paths.0.inner": {"box"}, "paths.0.outer": {"case"}, "paths.0.how": {"slit"}, "paths.0.width.text": {"1"}, "paths.0.length.text": {"1 m"}, "paths.0.depth.text": {"2 cm"}, "paths.0.diameter.text": {"5"}}
	p = p.Submit("/enclosures/new-in-full", more).Must(http.StatusUnprocessableEntity).Has("no such measure", "Say who measured")
	p = p.Submit("/enclosures/new-in-full", url.Values{"spaces.0.volume.source": {"ruler"}, "paths.0.diameter.text": {""}, "more": {"paths"}}).Must(http.StatusOK)
	p = p.Submit("/enclosures/new-in-full", url.Values{"paths.1.name": {"door"}, "paths.1.inner": {"case"}, "paths.1.outer": {"the room around it"}, "paths.1.per_day.text": {"0.5 (0.3 to 1)"}}).Must(http.StatusOK).
		Has("The air spaces are on record", "Acetic acid in box", "Acetic acid in case", "a slit at one level; width 1 mm", "0.5 (0.3 to 1) per day", "30 l, measured")
	at := p.Path

	id, err := domain.ParseID(strings.TrimPrefix(at, "/enclosures/"))
	if err != nil {
		t.Fatal(err)
	}
	before, err := h.Enclosure.One(t.Context(), by.Actor, id)
	if err != nil {
		t.Fatal(err)
	}
	late := ines.Get(at + "/edit").Must(http.StatusOK)
	ines.Get(at+"/edit").Must(http.StatusOK).Submit(at+"/edit", nil).Must(http.StatusOK)
	after, err := h.Enclosure.One(t.Context(), by.Actor, id)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := asJSON(t, before.Network), asJSON(t, after.Network); a != b || after.Version != 2 || len(after.Members) != 1 {
		t.Errorf("kept again it is another:\n%s\n%s", a, b)
	}
	late.Submit(at+"/edit", url.Values{"note": {"My note."}}).Must(http.StatusPreconditionFailed).Has("Somebody else changed", "My note.")
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
