package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/survey"
)

// A survey from its draw to its results: as many as the formula says are drawn, the draw can be repeated,
// each look is a signed examination, and the interval is that of the formula.
//
// source: Cochran 1977, 4.4: ± 20 points at 95 % of 24 objects needs 13 (n₀ = 24.01); Wilson 1927 with
// n′ = n(N−1)/(N−n) for 5 of 13 out of 24: n′ = 27.18, 0.2271 to 0.5707.
func TestSurvey(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	for n := range 23 {
		s.keeper.Post("/objects", body{"number": fmt.Sprintf("1999.1.%d", n+1), "title": "Mask", "kind": "masks", "legal_status": "accessioned", "department": servetest.Department}).Must(http.StatusCreated)
	}
	s.keeper.Post("/objects", body{"number": "1999.2.1", "title": "Gone", "legal_status": "former", "department": servetest.Department}).Must(http.StatusCreated)
	wanted := body{"title": "Masks and dress", "population": body{"department": servetest.Department}, "margin_percent": "20", "seed": "a seed"}
	plan := servetest.JSON[survey.Survey](s.conservator.Post("/surveys/plan", body{"population": wanted["population"], "margin_percent": "20"}).Must(http.StatusOK))
	if plan.Objects != 24 || plan.Sample != 13 {
		t.Fatalf("%+v", plan)
	}
	s.curator.Post("/surveys", wanted).Refused(http.StatusForbidden, "P2")
	s.conservator.Post("/surveys", body{"title": "Nothing", "population": body{"department": "Nowhere"}}).Refused(http.StatusUnprocessableEntity, "invalid")
	first := servetest.JSON[survey.Survey](s.conservator.Post("/surveys", wanted).Must(http.StatusCreated))
	again := servetest.JSON[survey.Survey](s.conservator.Post("/surveys", wanted).Must(http.StatusCreated))
	at := "/surveys/" + first.ID.String()
	items := servetest.JSON[domain.Page[survey.Item]](s.curator.Get(at + "/objects").Must(http.StatusOK)).Items
	repeated := servetest.JSON[domain.Page[survey.Item]](s.curator.Get("/surveys/" + again.ID.String() + "/objects").Must(http.StatusOK)).Items
	if len(items) != 13 || first.Frame != again.Frame || first.Seed != "a seed" {
		t.Fatalf("%d objects, %+v", len(items), first)
	}
	for k := range items {
		if items[k].ObjectID != repeated[k].ObjectID || items[k].ObjectNumber == "1999.2.1" {
			t.Errorf("%d: %s, again %s", k, items[k].ObjectNumber, repeated[k].ObjectNumber)
		}
	}
	today := s.Now().UTC().Format(time.DateOnly)
	look := body{"examined_on": today, "place": "the store", "priority": "low", "next_check_on": s.Now().AddDate(2, 0, 0).UTC().Format(time.DateOnly), "note": hostile}
	s.curator.Post(at+"/objects/"+items[0].ObjectID.String()+"/assessment", look).Refused(http.StatusForbidden, "P2")
	for k, i := range items {
		look["overall"] = map[bool]string{true: "poor", false: "good"}[k < 5]
		look["parts_seen"] = true
		done := servetest.JSON[survey.Item](s.conservator.Post(at+"/objects/"+i.ObjectID.String()+"/assessment", look).Must(http.StatusOK))
		if done.ExaminationID == nil {
			t.Fatalf("%+v", done)
		}
		if k == 0 {
			e := servetest.JSON[examination.Examination](s.curator.Get("/examinations/" + done.ExaminationID.String()).Must(http.StatusOK))
			if e.State != examination.Signed || e.Occasion != examination.Survey || e.Overall != examination.Poor || e.Description != hostile {
				t.Errorf("%+v", e)
			}
			s.conservator.Post(at+"/objects/"+i.ObjectID.String()+"/assessment", look).Refused(http.StatusConflict, "settled")
		}
	}
	r := servetest.JSON[survey.Results](s.curator.Get(at + "/results").Must(http.StatusOK))
	if r.Estimate == nil || r.Whole.Assessed != 13 || r.Whole.Grades["poor"] != 5 || len(r.Cautions) != 0 {
		t.Fatalf("%+v", r)
	}
	near(t, "share", r.Estimate.Share, 5.0/13, 1e-9)
	near(t, "least", r.Estimate.Least, 0.22711, 2e-3)
	near(t, "greatest", r.Estimate.Greatest, 0.57070, 2e-3)
	if missed := servetest.JSON[survey.Item](s.conservator.Post("/surveys/"+again.ID.String()+"/objects/"+items[0].ObjectID.String()+"/miss", body{"reason": "On loan."}).Must(http.StatusOK)); missed.Missed != "On loan." {
		t.Errorf("%+v", missed)
	}
	if open := servetest.JSON[domain.Page[survey.Item]](s.curator.Get("/surveys/" + again.ID.String() + "/objects?open=true").Must(http.StatusOK)); len(open.Items) != 12 {
		t.Errorf("%d wait", len(open.Items))
	}
	all := servetest.JSON[domain.Page[survey.Line]](s.curator.Get("/surveys").Must(http.StatusOK))
	if len(all.Items) != 2 || all.Items[1].Assessed != 13 || all.Items[0].Missed != 1 {
		t.Errorf("%+v", all)
	}
	if kept := servetest.JSON[survey.Survey](s.curator.Get(at).Must(http.StatusOK)); kept.Frame != first.Frame || kept.Sample != 13 {
		t.Errorf("%+v", kept)
	}
}

// A survey divided into strata draws of each; one look at an object with damage on record, part by part not
// seen, keeps what was not seen as such (E3).
func TestSurveyStrataAndE3(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	for n := range 6 {
		s.keeper.Post("/objects", body{"number": fmt.Sprintf("1999.1.%d", n+1), "title": "Mask", "kind": "masks", "legal_status": "study", "department": servetest.Department}).Must(http.StatusCreated)
	}
	x := servetest.JSON[survey.Survey](s.conservator.Post("/surveys", body{"title": "By status", "divided_by": "legal_status", "margin_percent": "30"}).Must(http.StatusCreated))
	if len(x.Strata) != 2 || x.Strata[0].Name != "accessioned" || x.Strata[0].Sample != 1 || x.Strata[1].Sample < 2 {
		t.Fatalf("%+v", x.Strata)
	}
	at := "/surveys/" + x.ID.String() + "/objects/" + s.object.ID.String() + "/assessment"
	look := body{"examined_on": s.Now().UTC().Format(time.DateOnly), "place": "the store", "priority": "low", "next_check_on": "2020-01-01", "overall": "fair"}
	p := s.conservator.Post(at, look).Refused(http.StatusUnprocessableEntity, "invalid")
	if len(p.Errors) != 1 || p.Errors[0].Pointer != "#/next_check_on" {
		t.Errorf("%+v", p)
	}
	look["next_check_on"] = s.Now().AddDate(1, 0, 0).UTC().Format(time.DateOnly)
	done := servetest.JSON[survey.Item](s.conservator.Post(at, look).Must(http.StatusOK))
	e := servetest.JSON[examination.Examination](s.curator.Get("/examinations/" + done.ExaminationID.String()).Must(http.StatusOK))
	if len(e.Components) != 2 || !e.Components[0].Unseen() || !strings.Contains(e.Components[0].Reason, "overall look") {
		t.Errorf("%+v", e.Components)
	}
	if got := servetest.JSON[collection.Object](s.curator.Get(s.objectPath).Must(http.StatusOK)); got.Number == "" {
		t.Error("the object is gone")
	}
	r := servetest.JSON[survey.Results](s.curator.Get("/surveys/" + x.ID.String() + "/results").Must(http.StatusOK))
	if r.Estimate != nil || !strings.Contains(strings.Join(r.Cautions, " "), "at least two objects") {
		t.Errorf("%+v", r)
	}
}
