package serve_test

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
)

// TestMarkWithoutScripts: a rectangle by two touches on an enlarged part of the picture, of an observation of a draft;
// then the scale by two touches, the mark changed by figures, refused, and taken away (F4, E4).
func TestMarkWithoutScripts(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ines := g.People[domain.Conservator]
	p, err := h.Photo.Upload(t.Context(), ines.Actor, g.Object.ID, photo.Description{View: "front", Light: "normal", Stage: "condition", ScalePresent: true}, "a.jpg", bytes.NewReader(servetest.JPEG(90)))
	if err != nil {
		t.Fatal(err)
	}
	if err := h.Photo.Derive(t.Context(), p.ID); err != nil {
		t.Fatal(err)
	}
	e, err := h.Examination.Begin(t.Context(), ines.Actor, g.Object.ID, examination.NewExamination{Occasion: "survey"})
	if err != nil {
		t.Fatal(err)
	}
	part := g.Parts["1a"]
	if e, _, err = h.Examination.Add(t.Context(), ines.Actor, e.ID, e.Version, examination.NewFinding{ComponentID: &part, Finding: examination.Finding{Term: "pitting", Severity: 3, Activity: "active", Status: "new"}}); err != nil {
		t.Fatal(err)
	}
	about := e.Observations[0].ID
	b := h.Browser(ines)
	path := "/photos/" + p.ID.String() + "/marks"
	width, height := float64(p.Original.WidthPX), float64(p.Original.HeightPX)
	// The picture is 640 wide as touched, so a touch at (x, y) is at (x + ½) · width / 640.
	k := width / 640
	touch := func(page *servetest.Page, x, y int) *servetest.Page {
		to, err := url.Parse(page.Path)
		if err != nil {
			t.Fatal(err)
		}
		q := to.Query()
		q.Set("at.x", fmt.Sprint(x))
		q.Set("at.y", fmt.Sprint(y))
		return b.Get(to.Path + "?" + q.Encode()).Must(http.StatusOK)
	}
	page := b.Get(path+"?tool=rectangle&observation="+about.String()).Must(http.StatusOK).Has("Touch one corner", "No scale has been set")
	page = touch(touch(page, 64, 64), 256, 320).Has("The rectangle is drawn")
	fields := url.Values{"observation_id": {about.String()}, "note": {"at the ring"}}
	page.Submit(path, fields).Must(http.StatusOK).Has("The mark is kept", "pitting, severity 3, active", "of the picture")
	marks, err := h.Photo.MarksOf(t.Context(), ines.Actor, []domain.ID{about})
	if err != nil || len(marks[about]) != 1 {
		t.Fatal(marks, err)
	}
	m := marks[about][0]
	want := [4]float64{64.5 * k, 64.5 * k, 256.5 * k, min(320.5*k, height)}
	for i, got := range [4]float64{m.Shape.Points[0][0], m.Shape.Points[0][1], m.Shape.Points[1][0], m.Shape.Points[1][1]} {
		if got-want[i] > 1 || want[i]-got > 1 {
			t.Errorf("kept at %v, touched at %v", m.Shape.Points, want)
		}
	}

	page = touch(touch(b.Get(path+"?tool=scale").Must(http.StatusOK), 10, 20), 630, 20).Has("Both ends are set")
	scale := url.Values{"length_mm": {"100"}, "plus_mm": {"0,2"}, "click_px": {"1"}}
	none := url.Values{}
	for name, values := range scale {
		none[name] = values
	}
	none.Set("length_mm", "0")
	page.Submit("/photos/"+p.ID.String()+"/scale", none).Must(http.StatusUnprocessableEntity).Has("more than 0")
	page.Submit("/photos/"+p.ID.String()+"/scale", scale).Must(http.StatusOK).Has("The scale is kept", "mm²", "mm a pixel")

	edit := b.Get(path + "?mark=" + m.ID.String()).Must(http.StatusOK).Has("Change mark 1")
	fields.Set("kind", "polygon")
	fields.Set("points", "1,1 20,20 20,1 1,20")
	refused := edit.Submit("/marks/"+m.ID.String(), fields).Must(http.StatusUnprocessableEntity).Has("crosses itself")
	if !strings.Contains(refused.Body, "1,1 20,20 20,1 1,20") || !strings.Contains(refused.Body, "at the ring") {
		t.Error("what was typed is lost")
	}
	fields.Set("points", "1,1 20,1 20,20")
	edit.Submit("/marks/"+m.ID.String(), fields).Must(http.StatusOK).Has("The mark now says")
	b.Get(path+"?mark="+m.ID.String()).Submit("/marks/"+m.ID.String()+"/erasure", url.Values{}).Must(http.StatusOK).Has("taken away", "Nothing is marked")

	// A reader looks, and is offered nothing to draw with.
	lars := h.Browser(h.Person("Lars Wray", domain.Reader))
	if seen := lars.Get(path).Must(http.StatusOK); strings.Contains(seen.Body, "<form class=\"form\"") && strings.Contains(seen.Body, "Keep the mark") {
		t.Error("a reader is offered to draw")
	}
}
