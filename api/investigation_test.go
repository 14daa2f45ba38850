package api_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/investigation"
)

// I1, I2: a question from its asking to its answer, with consent, a sample and a finding that identifies.
func TestI1I2Investigation(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	reader, maud := s.API(s.Person("Lars Wray", domain.Reader)), s.Person("Maud Okonjo", domain.Curator)
	today := s.Now().UTC().Format(time.DateOnly)
	reader.Post(s.objectPath+"/investigations", body{"question": "Of what?"}).Refused(http.StatusForbidden, "P2")
	a := s.conservator.Post(s.objectPath+"/investigations", body{"component_id": s.glove.ID, "question": hostile, "why": "Whether it may be wetted."}).Must(http.StatusCreated)
	i := servetest.JSON[investigation.Investigation](a)
	at := "/investigations/" + i.ID.String()
	if i.Question != hostile || i.State != investigation.Asked || i.Number != 1 {
		t.Errorf("%+v", i)
	}
	if all := servetest.JSON[map[string][]investigation.Technique](reader.Get("/techniques").Must(http.StatusOK)); len(all["items"]) < 25 {
		t.Errorf("%d techniques", len(all["items"]))
	}
	a = s.conservator.Post(at+"/plan", body{"techniques": []string{"ftir-reflection", "ftir-sample"}, "component_ids": []domain.ID{s.glove.ID}, "who": "Mara Holm", "planned_for": "2026-03-01"}, a.Tag()).Must(http.StatusOK)
	sample := body{"technique": "ftir-sample", "component_id": s.glove.ID, "site": "inside the cuff", "size": "0.8 mm", "mass_mg": "0.25", "taken_on": today, "taken_by": "Mara Holm",
		"remainder": body{"state": "kept", "amount": "half", "where": "sample box 2"}}
	p := s.conservator.Post(at+"/samples", sample, a.Tag()).Refused(http.StatusUnprocessableEntity, "I1")
	if !strings.Contains(p.Detail, "no curator has consented") {
		t.Error(p.Detail)
	}
	a = s.conservator.Post(at+"/consents", body{"technique": "ftir-sample", "reason": "Reflection gave no match.", "sites": []body{{"component_id": s.glove.ID, "place": "inside the cuff", "size": "1 mm", "count": 1}}}, a.Tag()).Must(http.StatusOK)
	due := servetest.JSON[struct{ Sections []agenda.Section }](s.API(maud).Get("/agenda").Must(http.StatusOK))
	if len(due.Sections) == 0 || due.Sections[0].Kind != "consents_asked" || due.Sections[0].Items[0].SubjectID != i.ID {
		t.Errorf("%+v", due)
	}
	if told := texts(s.House, maud, ""); len(told) != 1 || !strings.Contains(told[0], "asks for consent") {
		t.Errorf("%q", told)
	}
	s.conservator.Post(at+"/consents/1/decision", body{"granted": true, "statement": "Yes."}, a.Tag()).Refused(http.StatusForbidden, "P2")
	s.curator.Post(at+"/consents/7/decision", body{"granted": true, "statement": "Yes."}, a.Tag()).Refused(http.StatusNotFound, "not_found")
	a = s.curator.Post(at+"/consents/1/decision", body{"granted": true, "statement": "Inside the cuff only."}, a.Tag()).Must(http.StatusOK)
	a = s.conservator.Post(at+"/samples", sample, a.Tag()).Must(http.StatusOK)
	i = servetest.JSON[investigation.Investigation](a)
	taken := i.Samples[0]
	finding := body{"technique": "ftir-sample", "sample_id": taken.ID, "found": "Bands at 1730 and 1530.", "proves": "It is a polyurethane.", "done_on": today, "done_by": "Mara Holm",
		"files": []body{{"name": "spectrum.spc", "sha256": strings.Repeat("0a", 32)}}, "identifies": body{"material_key": "acrylic-adhesive", "role": "coating", "confidence": "certain"}}
	a = s.conservator.Post(at+"/findings", finding, a.Tag()).Must(http.StatusOK)
	i = servetest.JSON[investigation.Investigation](a)
	if i.Findings[0].IdentificationID == nil {
		t.Errorf("%+v", i.Findings)
	}
	materials := string(reader.Get("/components/" + s.glove.ID.String() + "/materials").Must(http.StatusOK).Body)
	if !strings.Contains(materials, "Question 1 on 1968.14.2") {
		t.Error(materials)
	}
	a = s.conservator.Post("/samples/"+taken.ID.String()+"/remainders", body{"state": "used_up"}, a.Tag()).Must(http.StatusOK)
	s.conservator.Post(at+"/end", body{"outcome": "done", "text": "A polyurethane."}, servetest.IfMatch(`"v1"`)).Refused(http.StatusPreconditionFailed, "stale")
	s.conservator.Post(at+"/end", body{"outcome": "done", "text": "A polyurethane."}, a.Tag()).Must(http.StatusOK)
	if got := servetest.JSON[investigation.Investigation](reader.Get(at).Must(http.StatusOK)); got.State != investigation.Done || len(got.Samples[0].Remainders) != 2 {
		t.Errorf("%+v", got)
	}
	s.conservator.Post(s.objectPath+"/investigations", body{"question": "What is the ring?"}).Must(http.StatusCreated)
	for query, want := range map[string]int{"": 2, "?state=open": 1, "?state=done": 1, "?technique=ftir-sample": 1, "?consent_waiting=true": 0, "?q=RING": 1, "?department=Nowhere": 0, "?limit=1": 1} {
		if got := servetest.JSON[domain.Page[investigation.Line]](reader.Get("/investigations" + query).Must(http.StatusOK)); len(got.Items) != want {
			t.Errorf("%s: %d questions", query, len(got.Items))
		}
	}
	if got := servetest.JSON[domain.Page[investigation.Line]](reader.Get(s.objectPath + "/investigations?state=open").Must(http.StatusOK)); len(got.Items) != 1 {
		t.Errorf("%+v", got)
	}
}
