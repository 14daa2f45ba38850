package api_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/handling"
	"farthingale/domain/measurement"
)

// colourBody is a series of five readings, as an instrument gives them.
func colourBody(on, l, a, b string) body {
	return body{"quantity": "colour", "measured_on": on, "n": 5, "instrument": "sphere instrument 2", "method": "template",
		"colour": body{"l": l, "a": a, "b": b, "sd_l": "0.0976", "sd_a": "0.0589", "sd_b": "0.0886", "illuminant": "D65", "observer": "10",
			"geometry": "d8_specular_included", "aperture_mm": "6"}}
}

// A colour measured twice at a spot: the change has the published ΔE2000, its ±, and is proven; with a
// protected area it is told whether it faded.
//
// source: the means and ΔE2000 1.7467, ΔE*ab 2.5172 of the worked example in domain/measurement/colour.
func TestE2ColourOverTime(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	technician, reader := s.API(s.Person("Ada Quill", domain.Technician)), s.API(s.Person("Lars Wray", domain.Reader))
	reader.Post(s.objectPath+"/spots", body{"name": "a", "place": "b"}).Refused(http.StatusForbidden, "P2")
	made := technician.Post(s.objectPath+"/spots", body{"component_id": s.glove.ID, "name": "back of the hand", "place": hostile}).Must(http.StatusCreated)
	spot := servetest.JSON[measurement.Spot](made)
	at := "/spots/" + spot.ID.String()
	if got := made.Header.Get("Location"); got != "/api/v1"+at {
		t.Error(got)
	}
	if kept := servetest.JSON[measurement.Spot](reader.Get(at).Must(http.StatusOK)); kept.Place != hostile || kept.Component != ".2 glove" {
		t.Errorf("%+v", kept)
	}
	before := servetest.JSON[measurement.Reading](technician.Post(at+"/measurements", colourBody("2024-02-01", "62.356", "5.432", "18.730")).Must(http.StatusCreated))
	after := servetest.JSON[measurement.Reading](technician.Post(at+"/measurements", colourBody("2026-02-01", "63.988", "4.802", "16.920")).Must(http.StatusCreated))
	change := servetest.JSON[measurement.Change](reader.Get("/measurements/" + after.ID.String() + "/change?from=" + before.ID.String()).Must(http.StatusOK))
	near(t, "ΔE2000", change.Difference, 1.7467, 1e-4)
	near(t, "ΔE*ab", change.Colour.DEab, 2.5172, 1e-4)
	if !change.Proven || !strings.Contains(change.Said, "lighter") {
		t.Errorf("%+v", change)
	}
	protected := colourBody("2026-02-01", "62.36", "5.43", "18.73")
	protected["role"], protected["source"] = "protected_area", "under the wrist strap"
	technician.Post(at+"/measurements", protected).Must(http.StatusCreated)
	series := servetest.JSON[measurement.Series](reader.Get(at + "/series").Must(http.StatusOK))
	if len(series.Points) != 2 || len(series.References) != 1 || series.Origin == nil || !strings.Contains(series.Origin.Answer, "changed here") {
		t.Errorf("%+v", series)
	}
	list := servetest.JSON[domain.Page[measurement.Reading]](reader.Get(at + "/measurements?limit=2&quantity=colour").Must(http.StatusOK))
	if len(list.Items) != 2 || list.Next == "" {
		t.Errorf("%+v", list)
	}
	spots := servetest.JSON[domain.Page[measurement.Line]](reader.Get(s.objectPath + "/spots").Must(http.StatusOK))
	if len(spots.Items) != 1 || spots.Items[0].Last[0].Shown != "L* 63.99, a* 4.80, b* 16.92" {
		t.Errorf("%+v", spots)
	}
}

// Readings that cannot be compared are refused with the reason; a wrong one is withdrawn and counts no
// longer.
func TestMeasurementsRefused(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	spot := servetest.JSON[measurement.Spot](s.conservator.Post(s.objectPath+"/spots", body{"name": "collar", "place": "seam"}).Must(http.StatusCreated))
	at := "/spots/" + spot.ID.String()
	s.conservator.Post(s.objectPath+"/spots", body{"name": "COLLAR", "place": "seam"}).Refused(http.StatusConflict, "spot_taken")
	one := servetest.JSON[measurement.Reading](s.conservator.Post(at+"/measurements", colourBody("2024-02-01", "62", "5", "18")).Must(http.StatusCreated))
	lamp := colourBody("2025-02-01", "62", "5", "18")
	lamp["colour"].(body)["illuminant"] = "A"
	two := servetest.JSON[measurement.Reading](s.conservator.Post(at+"/measurements", lamp).Must(http.StatusCreated))
	p := s.conservator.Get("/measurements/"+two.ID.String()+"/change?from="+one.ID.String()).Refused(http.StatusUnprocessableEntity, "not_comparable")
	if !strings.Contains(p.Detail, "illuminant (D65 and A)") {
		t.Error(p.Detail)
	}
	short := colourBody("2025-02-01", "62", "5", "18")
	short["colour"] = body{"illuminant": "D65", "observer": "10", "geometry": "45_0", "aperture_mm": "4", "spectrum": []float64{0.1, 0.2, 0.3}}
	p = s.conservator.Post(at+"/measurements", short).Refused(http.StatusUnprocessableEntity, "invalid")
	if len(p.Errors) != 1 || p.Errors[0].Pointer != "#/colour/spectrum" || !strings.Contains(p.Errors[0].Detail, "31 figures") {
		t.Errorf("%+v", p)
	}
	acid := servetest.JSON[measurement.Reading](s.conservator.Post(at+"/measurements", body{"quantity": "ph", "measured_on": "2026-02-01", "value": "4.6", "plus_minus": "0.3",
		"method": "surface electrode", "instrument": "meter"}).Must(http.StatusCreated))
	if got := servetest.JSON[measurement.Reading](s.curator.Get("/measurements/" + acid.ID.String()).Must(http.StatusOK)); got.Value.String() != "4.6" || got.Unit != "pH" {
		t.Errorf("%+v", got)
	}
	// With hands on it the handling is logged in the same act (H1), and its faults are told where they were given.
	weighed := body{"quantity": "mass_g", "measured_on": s.Now().UTC().Format(time.DateOnly), "value": "310", "method": "bench balance", "instrument": "balance 2", "hands": body{"minutes": 4, "gloves": "velvet"}}
	if p := s.conservator.Post(at+"/measurements", weighed).Refused(http.StatusUnprocessableEntity, "invalid"); len(p.Errors) != 1 || p.Errors[0].Pointer != "#/hands/gloves" {
		t.Errorf("%+v", p.Errors)
	}
	weighed["hands"] = body{"minutes": 4, "gloves": "nitrile", "noticed": []string{"powder"}, "controls": "kept"}
	by := servetest.JSON[measurement.Reading](s.conservator.Post(at+"/measurements", weighed).Must(http.StatusCreated))
	if by.HandlingID == nil {
		t.Fatalf("%+v", by)
	}
	if e := servetest.JSON[handling.Event](s.curator.Get("/handlings/" + by.HandlingID.String()).Must(http.StatusOK)); e.Minutes != 4 || e.Purpose != "examination" || e.StopID == nil {
		t.Errorf("%+v", e)
	}
	s.conservator.Post(at+"/measurements", weighed).Refused(http.StatusUnprocessableEntity, "H3")
	delete(weighed, "hands")
	s.conservator.Post(at+"/measurements", weighed).Must(http.StatusCreated)
	withdrawal := "/measurements/" + acid.ID.String() + "/withdrawal"
	s.curator.Post(withdrawal, body{"reason": "x"}).Refused(http.StatusForbidden, "P2")
	if gone := servetest.JSON[measurement.Reading](s.conservator.Post(withdrawal, body{"reason": "The electrode was dry."}).Must(http.StatusOK)); gone.Withdrawn == nil {
		t.Error("not withdrawn")
	}
	s.conservator.Post(withdrawal, body{"reason": "Again."}).Refused(http.StatusConflict, "withdrawn")
	all := servetest.JSON[domain.Page[measurement.Reading]](s.curator.Get(s.objectPath + "/measurements?quantity=ph").Must(http.StatusOK))
	if len(all.Items) != 1 || all.Items[0].Withdrawn.Reason != "The electrode was dry." {
		t.Errorf("%+v", all)
	}
	if series := servetest.JSON[measurement.Series](s.curator.Get(at + "/series?quantity=ph").Must(http.StatusOK)); len(series.Points) != 0 || len(series.Withdrawn) != 1 {
		t.Errorf("%+v", series)
	}
}
