package api_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/finding"
)

// Findings by the API: computed after a change, listed with filters and counts, on the conservator's first
// page until accepted, refused with the reason (M1, M2).
func TestFindings(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	reader := s.API(s.Person("Lars Wray", domain.Reader))
	of := func() finding.OfObject {
		t.Helper()
		return servetest.JSON[finding.OfObject](reader.Get(s.objectPath + "/findings").Must(http.StatusOK))
	}
	if all := of(); all.ComputedAt != nil || len(all.Findings) > 0 {
		t.Errorf("before: %+v", all)
	}
	s.conservator.Post("/components/"+s.ring.ID.String()+"/materials", body{"material_key": "anodised-aluminium", "role": "body", "identified_by": "sight", "confidence": "certain"}).Must(http.StatusCreated)
	s.conservator.Post("/components/"+s.glove.ID.String()+"/materials", body{"material_key": "polychloroprene", "role": "body", "identified_by": "sight", "confidence": "certain"}).Must(http.StatusCreated)
	s.conservator.Post(s.objectPath+"/joints", body{"a_id": s.ring.ID, "b_id": s.glove.ID, "meets": "ring_lock", "contact": "direct", "gas_tight": true, "state": "engaged"}).Must(http.StatusCreated)
	if of().UpToDate {
		t.Error("up to date before it was computed")
	}
	s.Compute()
	if all := of(); !all.UpToDate || all.ComputedAt == nil || len(all.Findings) == 0 || all.Findings[0].Severity != 3 {
		t.Fatalf("%+v", all)
	}
	closed := "/findings?emitter=rubber-chlorinated&receptor=aluminium&species=hcl"
	page := servetest.JSON[domain.Page[finding.Finding]](reader.Get(closed + "&severity=3&state=open&object_id=" + s.object.ID.String()).Must(http.StatusOK))
	if len(page.Items) != 2 { // by the air and by contact
		t.Fatalf("%+v", page)
	}
	first := page.Items[0]
	if one := servetest.JSON[domain.Page[finding.Finding]](reader.Get(closed + "&limit=1").Must(http.StatusOK)); one.Next == "" || one.Items[0].ID != first.ID {
		t.Errorf("%+v", one)
	}
	counts := servetest.JSON[finding.Counts](reader.Get("/finding-counts?species=hcl&receptor=aluminium").Must(http.StatusOK))
	if counts.ActNow != 2 || counts.Watch != 0 {
		t.Errorf("%+v", counts)
	}
	today := func() int {
		t.Helper()
		all := servetest.JSON[struct{ Sections []agenda.Section }](s.conservator.Get("/agenda").Must(http.StatusOK))
		for _, section := range all.Sections {
			if section.Kind == "findings_to_act_on" {
				return len(section.Items)
			}
		}
		return 0
	}
	if today() != 1 {
		t.Error("it is not on the conservator's first page")
	}

	// Who may not, what cannot be, and what was not looked at.
	at := "/findings/" + first.ID.String()
	tag := reader.Get(at).Must(http.StatusOK).Tag()
	until := time.Now().AddDate(0, 3, 0).UTC().Format(time.DateOnly)
	rows := s.Rows("finding", "finding_acceptance", "finding_due", "event")
	s.curator.Post(at+"/acceptances", body{"reason": "r", "until": until}, tag).Refused(http.StatusForbidden, "P2")
	s.conservator.Post(at+"/acceptances", body{"reason": "r", "until": until}).Refused(http.StatusPreconditionRequired, "no_version")
	s.conservator.Post(at+"/acceptances", body{"reason": "r", "until": until}, servetest.IfMatch(`"v7"`)).Refused(http.StatusPreconditionFailed, "stale")
	for name, bad := range map[string]body{"no reason": {"until": until}, "spaces": {"reason": "  ", "until": until}, "past": {"reason": "r", "until": "2020-01-01"}, "too far": {"reason": "r", "until": "2199-01-01"},
		"no day": {"reason": "r", "until": "soon"}, "more": {"reason": "r", "until": until, "severity": 1}} {
		if p := s.conservator.Post(at+"/acceptances", bad, tag).Must(http.StatusUnprocessableEntity); len(p.Body) == 0 {
			t.Errorf("%s: nothing is said", name)
		}
	}
	s.conservator.Post("/findings/"+domain.NewID().String()+"/acceptances", body{"reason": "r", "until": until}, tag).Refused(http.StatusNotFound, "not_found")
	s.conservator.Post("/finding-recomputations", body{"object_id": domain.NewID()}).Refused(http.StatusNotFound, "not_found")
	reader.Post("/finding-recomputations", body{}).Refused(http.StatusForbidden, "P2")
	reader.Get("/objects/"+domain.NewID().String()+"/findings").Refused(http.StatusNotFound, "not_found")
	for _, query := range []string{"species=moonlight", "severity=4", "severity=x", "state=gone", "state=never", "object_id=x"} {
		reader.Get("/findings?" + query).Must(http.StatusUnprocessableEntity)
	}
	reader.Get("/findings?cursor=x").Must(http.StatusBadRequest)
	if after := s.Rows("finding", "finding_acceptance", "finding_due", "event"); !equal(rows, after) {
		t.Errorf("refusals changed something: %v, then %v", rows, after)
	}

	accepted := servetest.JSON[finding.Finding](s.conservator.Post(at+"/acceptances", body{"reason": hostile, "until": until}, tag).Must(http.StatusCreated))
	if !accepted.Accepted || accepted.Acceptances[0].Reason != hostile || accepted.Version == first.Version {
		t.Errorf("%+v", accepted)
	}
	second := page.Items[1]
	s.conservator.Post("/findings/"+second.ID.String()+"/acceptances", body{"reason": "r", "until": until}, servetest.IfMatch(`"v1"`)).Must(http.StatusCreated)
	if today() != 1 { // others of the same object
		t.Error("all of the object is gone from the first page")
	}
	if page := servetest.JSON[domain.Page[finding.Finding]](reader.Get(closed + "&state=accepted").Must(http.StatusOK)); len(page.Items) != 2 {
		t.Errorf("%+v", page)
	}

	reader.Get("/findings?state=gone&object_id=" + s.object.ID.String()).Must(http.StatusOK)
	asked := servetest.JSON[finding.Asked](s.conservator.Post("/finding-recomputations", body{}).Must(http.StatusAccepted))
	one := servetest.JSON[finding.Asked](s.conservator.Post("/finding-recomputations", body{"object_id": s.object.ID}).Must(http.StatusAccepted))
	if asked.Objects != 1 || one.Objects != 1 || of().UpToDate {
		t.Errorf("%+v %+v", asked, one)
	}
	s.Compute()
	if all := of(); !all.UpToDate || !all.Findings[0].FirstRaisedAt.Equal(first.FirstRaisedAt) {
		t.Errorf("computed again: %+v", all)
	}
}

// Rule M2 by the API: an unidentified material in closed air is to be identified first, also where the
// air of the space is not known.
func TestM2IdentifyFirst(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.conservator.Post("/components/"+s.ring.ID.String()+"/materials", body{"role": "body", "identified_by": "sight", "confidence": "possible"}).Must(http.StatusCreated)
	s.conservator.Post(s.objectPath+"/joints", body{"a_id": s.ring.ID, "b_id": s.glove.ID, "meets": "ring_lock", "contact": "direct", "gas_tight": true, "state": "seized"}).Must(http.StatusCreated)
	s.Compute()
	page := servetest.JSON[domain.Page[finding.Finding]](s.curator.Get("/findings?rule=identify-first").Must(http.StatusOK))
	if len(page.Items) != 1 || !strings.Contains(page.Items[0].Says, "not identified") || page.Items[0].Species != "" || page.Items[0].Helps == "" {
		t.Errorf("%+v", page)
	}
}

func equal(a, b map[string]int) bool {
	for k, n := range a {
		if b[k] != n {
			return false
		}
	}
	return len(a) == len(b)
}
