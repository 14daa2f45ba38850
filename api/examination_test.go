package api_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
)

// answered is a group of answers that makes a draft whole but for its observations.
func (s *shelf) answered(day string) body {
	return body{
		"circumstances": body{"occasion": "periodic_check", "examined_on": day, "asked_by": hostile, "assisted_by": hostile, "place": hostile, "light": []string{"raking", "normal"},
			"technique": hostile, "conditions": hostile, "handles": false},
		"description": hostile,
		"components":  []body{{"component_id": s.ring.ID, "seen": true}, {"component_id": s.glove.ID, "seen": false, "reason": "in its bag"}},
		"judgement": body{"overall": "unacceptable", "overall_reason": "", "priority": "urgent", "next_check_on": s.Now().AddDate(0, 3, 0).Format("2006-01-02"),
			"risk": hostile, "recommendation": hostile},
	}
}

// An examination from the first word to the answer of its alarm, and the next one from it (E1, E3, E5, R1).
func TestExaminationEndToEnd(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	reader, technician := s.API(s.Person("Lars Wray", domain.Reader)), s.API(s.Person("Tove Amsel", domain.Technician))
	s.curator.Get(s.objectPath+"/condition").Refused(http.StatusNotFound, "not_found")
	reader.Post(s.objectPath+"/examinations", body{"occasion": "survey"}).Refused(http.StatusForbidden, "P2")
	s.conservator.Post(s.objectPath+"/examinations", body{"occasion": "party"}).Refused(http.StatusUnprocessableEntity, "invalid")
	begun := s.conservator.Post(s.objectPath+"/examinations", body{"occasion": "survey"}).Must(http.StatusCreated)
	e := servetest.JSON[examination.Examination](begun)
	at := "/examinations/" + e.ID.String()
	do := func(method, path string, b any, tag servetest.Header) *servetest.Answer {
		return s.conservator.Do(method, path, b, tag)
	}

	groups := s.answered(e.ExaminedOn)
	do(http.MethodPatch, at, groups, servetest.IfMatch("")).Refused(http.StatusPreconditionRequired, "no_version")
	changed := do(http.MethodPatch, at, groups, begun.Tag()).Must(http.StatusOK)
	do(http.MethodPatch, at, groups, begun.Tag()).Refused(http.StatusPreconditionFailed, "stale")
	technician.Do(http.MethodPatch, at, groups, changed.Tag()).Refused(http.StatusForbidden, "P2")
	do(http.MethodPatch, at, body{"circumstances": body{"occasion": "survey", "examined_on": "2999-01-01"}, "judgement": body{"next_check_on": e.ExaminedOn}}, changed.Tag()).Refused(http.StatusUnprocessableEntity, "invalid")

	damage := body{"component_id": s.ring.ID, "term": "pitting", "severity": 4, "activity": "active", "note": hostile, "cause": hostile,
		"extent": body{"kind": "percent", "value": "12.5", "uncertainty": "2.5", "of": "visible surface of this component", "basis": "estimated by eye"}}
	if p := do(http.MethodPost, at+"/observations", body{"term": "pittings"}, changed.Tag()).Refused(http.StatusUnprocessableEntity, "invalid"); !strings.Contains(p.Errors[0].Detail, "Near it: pitting") {
		t.Errorf("misspelt: %+v", p)
	}
	do(http.MethodPost, at+"/observations", body{"term": "pitting", "component_id": s.glove.ID}, changed.Tag()).Refused(http.StatusUnprocessableEntity, "E3")
	added := do(http.MethodPost, at+"/observations", damage, changed.Tag()).Must(http.StatusCreated)
	first := servetest.JSON[examination.Examination](added).Observations[0]
	if first.Extent == nil || first.Extent.Words() != "12.5 ± 2.5 % of the visible surface of this component" || first.Note != hostile {
		t.Errorf("kept: %+v", first)
	}
	added = do(http.MethodPost, at+"/observations", body{"term": "dent"}, added.Tag()).Must(http.StatusCreated)
	dent := servetest.JSON[examination.Examination](added).Observations[1]
	wide := body{"term": "pitting", "status": "new", "extent": body{"kind": "percent", "value": "101", "basis": "by eye"}}
	if p := do(http.MethodPut, at+"/observations/"+dent.ID.String(), wide, added.Tag()).Refused(http.StatusUnprocessableEntity, "invalid"); len(p.Errors) != 2 {
		t.Errorf("all faults at once: %+v", p.Errors)
	}
	set := do(http.MethodPut, at+"/observations/"+dent.ID.String(), body{"term": "Dent", "severity": 1, "activity": "stable", "status": "new"}, added.Tag()).Must(http.StatusOK)
	dropped := do(http.MethodDelete, at+"/observations/"+dent.ID.String(), nil, set.Tag()).Must(http.StatusOK)

	technician.Post(at+"/signature", nil, dropped.Tag()).Refused(http.StatusForbidden, "P2")
	s.keeper.Post(at+"/signature", nil, dropped.Tag()).Refused(http.StatusForbidden, "P2")
	rows := s.Rows("seal", "notice")
	signed := s.conservator.Post(at+"/signature", nil, dropped.Tag()).Must(http.StatusOK)
	e = servetest.JSON[examination.Examination](signed)
	if e.State != examination.Signed || e.Identified.Number != s.object.Number || e.OpenSince == nil || !slices.Equal(e.Light, []string{"normal", "raking"}) {
		t.Errorf("signed: %+v", e)
	}
	if after := s.Rows("seal", "notice"); after["seal"] != rows["seal"]+1 || after["notice"] != rows["notice"]+1 {
		t.Errorf("rows: %v, then %v", rows, after)
	}
	do(http.MethodPatch, at, groups, signed.Tag()).Refused(http.StatusConflict, "E1")
	do(http.MethodDelete, at, nil, signed.Tag()).Refused(http.StatusConflict, "E1")
	amended := s.conservator.Post(at+"/addenda", body{"field": "light", "old_statement": hostile, "new_statement": hostile, "reason": hostile}, signed.Tag()).Must(http.StatusCreated)
	s.curator.Post(at+"/answer", body{"kind": "noted", "reason": "seen"}, amended.Tag()).Refused(http.StatusForbidden, "P2")
	s.conservator.Post(at+"/answer", body{"kind": "noted", "reason": hostile}, amended.Tag()).Must(http.StatusOK)
	if paper := reader.Get(at + "/report.pdf").Must(http.StatusOK); !strings.HasPrefix(string(paper.Body), "%PDF-") {
		t.Errorf("the paper begins with %.20q", paper.Body)
	}
	if c := servetest.JSON[examination.Condition](reader.Get(s.objectPath + "/condition").Must(http.StatusOK)); c.Overall != examination.Unacceptable || c.ExaminationID != e.ID {
		t.Errorf("condition: %+v", c)
	}

	found := func(query string) int {
		t.Helper()
		return len(servetest.JSON[domain.Page[struct{ Number string }]](reader.Get("/objects?" + query).Must(http.StatusOK)).Items)
	}
	if found("condition=unacceptable") != 1 || found("condition=good") != 0 || found("condition=unacceptable&hazard=any") != 0 {
		t.Error("the list is not narrowed by condition")
	}
	reader.Get("/objects?condition=bad").Refused(http.StatusUnprocessableEntity, "invalid")

	// The next one: begun by a technician, taken over by a conservator, who handles the object for it.
	second := technician.Post(s.objectPath+"/examinations", body{"occasion": "periodic_check"}).Must(http.StatusCreated)
	next := servetest.JSON[examination.Examination](second)
	at = "/examinations/" + next.ID.String()
	if len(next.Observations) != 1 || *next.Observations[0].ContinuesID != first.ID || next.Observations[0].Before.Severity != 4 {
		t.Errorf("carried forward: %+v", next.Observations)
	}
	taken := s.conservator.Post(at+"/examiner", nil, second.Tag()).Must(http.StatusOK)
	s.conservator.Post(at+"/carry-forward", nil, taken.Tag()).Refused(http.StatusConflict, "nothing_newer")
	s.conservator.Post(at+"/confirmations", body{"observation_ids": []domain.ID{first.ID}}, taken.Tag()).Refused(http.StatusUnprocessableEntity, "invalid")
	taken = s.conservator.Post(at+"/confirmations", body{"observation_ids": []domain.ID{next.Observations[0].ID}}, taken.Tag()).Must(http.StatusOK)
	if o := servetest.JSON[examination.Examination](taken).Observations[0]; o.Status != examination.Confirmed || o.Severity != 4 {
		t.Errorf("confirmed: %+v", o)
	}
	handled := s.conservator.Post(at+"/handling", body{"minutes": 10, "purpose": "examination", "gloves": "nitrile"}, taken.Tag()).Must(http.StatusCreated)
	if p := s.conservator.Post(at+"/signature", nil, handled.Tag()).Refused(http.StatusUnprocessableEntity, "examination_incomplete"); len(p.Missing) < 8 {
		t.Errorf("missing: %+v", p.Missing)
	}

	// A third, of an incident, is signed before it.
	third := s.conservator.Post(s.objectPath+"/examinations", body{"occasion": "incident"}).Must(http.StatusCreated)
	urgent := servetest.JSON[examination.Examination](third)
	groups["circumstances"].(body)["occasion"] = "incident"
	quick := do(http.MethodPatch, "/examinations/"+urgent.ID.String(), groups, third.Tag()).Must(http.StatusOK)
	damage["status"], damage["reason"] = "changed", "deeper"
	delete(damage, "component_id")
	quick = do(http.MethodPut, "/examinations/"+urgent.ID.String()+"/observations/"+urgent.Observations[0].ID.String(), damage, quick.Tag()).Must(http.StatusOK)
	s.conservator.Post("/examinations/"+urgent.ID.String()+"/signature", nil, quick.Tag()).Must(http.StatusOK)
	brought := s.conservator.Post(at+"/carry-forward", nil, handled.Tag()).Must(http.StatusOK)
	if next = servetest.JSON[examination.Examination](brought); *next.FollowsID != urgent.ID || next.Observations[0].Before.Reason != "deeper" {
		t.Errorf("brought: %+v", next)
	}
	if all := servetest.JSON[domain.Page[examination.Line]](reader.Get(s.objectPath + "/examinations").Must(http.StatusOK)); len(all.Items) != 3 {
		t.Errorf("listed: %+v", all)
	}
	do(http.MethodDelete, at, nil, brought.Tag()).Must(http.StatusNoContent)
	s.conservator.Get(at).Refused(http.StatusNotFound, "not_found")
	if r, err := s.Record.Verify(t.Context(), nil); err != nil || !r.Clean || r.Head.Count != 3 {
		t.Errorf("verify: %+v %v", r, err)
	}
}

func TestDamageTerms(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	reader := s.API(s.Person("Lars Wray", domain.Reader))
	if all := servetest.JSON[domain.Page[examination.Term]](reader.Get("/damage-terms").Must(http.StatusOK)); len(all.Items) != 88 {
		t.Errorf("%d words", len(all.Items))
	}
	if near := servetest.JSON[domain.Page[examination.Term]](reader.Get("/damage-terms?q=crak").Must(http.StatusOK)); len(near.Items) == 0 || near.Items[0].Name != "crack" {
		t.Errorf("near crak: %+v", near.Items)
	}
	own := body{"name": "lead bloom", "definition": "White powder on lead.", "classes": []string{"metal"}, "active": "yes", "source": "own observation"}
	reader.Post("/damage-terms", own).Refused(http.StatusForbidden, "P2")
	s.conservator.Post("/damage-terms", own).Must(http.StatusCreated)
	s.conservator.Post("/damage-terms", own).Refused(http.StatusConflict, "term_taken")
}
