package api_test

import (
	"encoding/csv"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/handling"
	"farthingale/domain/incident"
	"farthingale/domain/loan"
	"farthingale/domain/movement"
	"farthingale/postgres"
)

// lent is a house with an object of five components, places, and people of every role.
type lent struct {
	*servetest.House
	*servetest.Ground
	t                                       *testing.T
	registrar, curator, conservator, reader *servetest.Client
	store, hall                             movement.Place
	path                                    string // of the loan
	tag                                     servetest.Header
}

func newLent(t *testing.T) *lent {
	t.Helper()
	h := servetest.New(t)
	l := &lent{House: h, Ground: h.Ground(), t: t}
	l.registrar, l.curator = h.API(l.People[domain.Registrar]), h.API(l.People[domain.Curator])
	l.conservator, l.reader = h.API(l.People[domain.Conservator]), h.API(l.People[domain.Reader])
	place := func(code, kind string, parent *domain.ID, outside bool) movement.Place {
		b := body{"code": code, "kind": kind, "name": "Place " + code, "outside": outside}
		if parent != nil {
			b["parent_id"] = parent
		}
		return servetest.JSON[movement.Place](l.registrar.Post("/places", b).Must(http.StatusCreated))
	}
	home := place("H", "site", nil, false)
	building := place("HB", "building", &home.ID, false)
	l.store = place("R1", "room", &building.ID, false)
	l.hall = place("V", "site", nil, true)
	return l
}

func (l *lent) day(plus int) string { return l.Now().UTC().AddDate(0, 0, plus).Format(time.DateOnly) }

func (l *lent) facts() body {
	return body{
		"borrower": body{"name": "Muzeum pod Wodą, Łódź", "address": "ul. Wodna 1, Łódź", "contact": "Žofie Nováková, Žďár nad Sázavou"}, "purpose": "Έκθεση στην Ελλάδα",
		"from_on": l.day(0), "until_on": l.day(120), "requested_on": l.day(-90), "transport": "Carrier of Køge", "courier": "Ines Falkenberg",
		"venues": []body{{"name": "Main hall", "address": "Łódź", "from_on": l.day(2), "until_on": l.day(110)}},
	}
}

// act sends a write with the loan's present ETag and keeps the one that comes back.
func (l *lent) act(c *servetest.Client, method, path string, b any) *servetest.Answer {
	a := c.Do(method, path, b, l.tag)
	if a.Status < 300 {
		l.tag = a.Tag()
	}
	return a
}

func (l *lent) post(c *servetest.Client, path string, b any) *servetest.Answer {
	return l.act(c, http.MethodPost, path, b)
}

func (l *lent) open() loan.Loan {
	a := l.registrar.Post("/loans", l.facts()).Must(http.StatusCreated)
	l.path, l.tag = strings.TrimPrefix(a.Header.Get("Location"), api.Prefix), a.Tag()
	return servetest.JSON[loan.Loan](a)
}

// prepared is a loan of a part that may be dispatched; it gives the line's path.
func (l *lent) prepared(parts ...domain.ID) (x loan.Loan, line string) {
	x = l.open()
	a := l.post(l.registrar, l.path+"/lines", body{"object_number": "1968.14.2", "component_ids": append([]domain.ID{}, parts...)}).Must(http.StatusCreated)
	line = strings.TrimPrefix(a.Header.Get("Location"), api.Prefix)
	l.act(l.conservator, http.MethodPut, line, body{"mount": "padded torso", "positions": []string{"upright_on_mount"}, "light_lux": 50, "rh_low_percent": 45, "rh_high_percent": 55}).Must(http.StatusOK)
	l.act(l.registrar, http.MethodPut, line+"/value", body{"value": "148250.00", "currency": "EUR", "insurer": "Insurer of the line"}).Must(http.StatusOK)
	l.post(l.conservator, line+"/assessments", body{"verdict": "fit", "statement": "Sound."}).Must(http.StatusOK)
	l.post(l.conservator, l.path+"/facilities-assessments", body{"venue_id": x.Venues[0].ID, "report_on": l.day(-60), "assessed_on": l.day(-30), "summary": "Good.",
		"exceptions": []body{{"requirement": "RH 45-55 %", "found": "40-60 %", "accepted": true, "statement": "Buffered case."}}}).Must(http.StatusOK)
	l.post(l.curator, l.path+"/approvals", body{"statement": "Agreed."}).Must(http.StatusOK)
	l.post(l.registrar, l.path+"/agreements", nil).Must(http.StatusCreated)
	l.post(l.curator, l.path+"/agreements/1/signatures", body{"side": "lender"}).Must(http.StatusOK)
	l.post(l.registrar, l.path+"/agreements/1/signatures", body{"side": "borrower", "name": "Žofie Nováková", "office": "director", "signed_on": l.day(0)}).Must(http.StatusOK)
	l.post(l.conservator, line+"/condition-statements", body{"examination_id": l.examined(x.ID, examination.Outgoing).ID, "text": "Stiff along the fold."}).Must(http.StatusOK)
	l.post(l.registrar, l.path+"/insurances", body{"kind": "indemnity", "insurer": "State indemnity", "certificate": "SI-17", "sum": "148250.00", "currency": "EUR", "from_on": l.day(0), "until_on": l.day(120)}).Must(http.StatusOK)
	a = l.post(l.registrar, l.path+"/preparation", body{"statement": "One crate, closed."}).Must(http.StatusOK)
	return servetest.JSON[loan.Loan](a), line
}

// examined is a signed examination of the object for the loan.
func (l *lent) examined(loanID domain.ID, occasion examination.Occasion, found ...examination.NewFinding) *examination.Examination {
	return l.Examine(l.People[domain.Conservator].Actor, l.Object.ID, servetest.Look{Occasion: occasion, LoanID: &loanID, Found: found})
}

func (l *lent) handing(place movement.Place, more body) body {
	b := body{"given_by": "Rosa Amsel", "received_by": "P. Holm", "carrier": "Carrier of Køge", "crates_and_seals": "1 crate, seal 11", "place_id": place.ID}
	for k, v := range more {
		b[k] = v
	}
	return b
}

// answerIncident answers the incident of an arrival: the registrar for the insurer, which only some read, then the
// conservator for the object (L4, P3).
func (l *lent) answerIncident(path string, arrived domain.ID) {
	l.t.Helper()
	first := l.registrar.Get(path).Must(http.StatusOK)
	i := servetest.JSON[incident.Incident](first)
	if i.ExaminationID != arrived || i.BeforeID == arrived || i.AnsweredAt != nil || !strings.Contains(i.Found, "new: tear on 1968.14.2.2") {
		l.t.Errorf("the incident: %+v", i)
	}
	l.registrar.Get(path, servetest.Header{Name: "If-None-Match", Value: first.Tag().Value}).Must(http.StatusNotModified)
	answer := func(by *servetest.Client, at servetest.Header, kind, text string) *servetest.Answer {
		return by.Post(path+"/answers", body{"kind": kind, "text": text}, at)
	}
	answer(l.conservator, first.Tag(), "claim_made", "Of 400 EUR.").Refused(http.StatusForbidden, "P2")
	answer(l.registrar, first.Tag(), "no_action", "None.").Refused(http.StatusForbidden, "P2")
	second := answer(l.registrar, first.Tag(), "insurer_told", "With both pages.").Must(http.StatusOK)
	answer(l.conservator, first.Tag(), "watched", "Again in a month.").Refused(http.StatusPreconditionFailed, "stale")
	third := answer(l.conservator, second.Tag(), "watched", "Again in a month.").Must(http.StatusOK)
	if i := servetest.JSON[incident.Incident](third); i.AnsweredAt == nil || len(i.Answers) != 1 || i.Answers[0].Kind != incident.Watched {
		l.t.Errorf("for the conservator: %+v", i)
	}
	if i := servetest.JSON[incident.Incident](l.curator.Get(path).Must(http.StatusOK)); len(i.Answers) != 2 || i.Answers[0].Text != "With both pages." {
		l.t.Errorf("for the curator: %+v", i)
	}
}

// TestLoanThere and back: L1–L4 from the request to the closing, with the moves and the record of
// exit.
func TestLoanThereAndBack(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	helmet := l.Parts["2"]
	off := servetest.JSON[movement.Moved](l.conservator.Post("/components/"+helmet.String()+"/detachment", body{"to_place_id": l.store.ID, "reason": "for the loan"}).Must(http.StatusCreated))
	if off.Placement.State != movement.InPlace {
		t.Fatalf("%+v", off)
	}
	x, line := l.prepared(helmet)
	if x.State != loan.Prepared || x.Totals[0].Sum != "148250.00" || x.Agreements[0].Signatures[1].Name != "Žofie Nováková" {
		t.Fatalf("%+v", x)
	}
	next := servetest.JSON[loan.Next](l.registrar.Get(l.path + "/missing").Must(http.StatusOK))
	if next.Act != "be dispatched" || len(next.ForDispatch) != 0 {
		t.Errorf("next %+v", next)
	}
	l.registrar.Get(l.path, servetest.Header{Name: "If-None-Match", Value: l.tag.Value}).Must(http.StatusNotModified)
	l.post(l.registrar, l.path+"/dispatch", body{"given_by": "Rosa", "received_by": "P. Holm", "crates_and_seals": "1", "carrier": "C"}).Refused(http.StatusUnprocessableEntity, "invalid")
	l.post(l.registrar, l.path+"/dispatch", l.handing(l.hall, nil)).Must(http.StatusOK)
	where := servetest.JSON[struct{ Items []movement.Placement }](l.registrar.Get("/components/" + helmet.String() + "/moves").Must(http.StatusOK))
	if p := where.Items[0]; p.State != movement.InTransit || p.To.Code != "V" || p.Carrier != "Carrier of Køge" || !strings.Contains(p.Reason, x.Reference) || p.ExpectedReturn == nil {
		t.Errorf("in transit: %+v", p)
	}
	l.post(l.registrar, l.path+"/cancellation", body{"statement": "No."}).Refused(http.StatusConflict, "L3")
	l.Wait(48 * time.Hour)
	lineID := strings.TrimPrefix(line, "/loan-lines/")
	seen := func(found, text string) body {
		return body{"conditions": []body{{"line_id": lineID, "found": found, "statement": text, "examined_by": "Ž. Nováková"}}}
	}
	l.post(l.conservator, l.path+"/receipt", l.handing(l.hall, seen("unchanged", ""))).Refused(http.StatusUnprocessableEntity, "L4") // not examined
	arrived := l.examined(x.ID, examination.Arrival, examination.NewFinding{ComponentID: &helmet, Finding: examination.Finding{Term: "tear", Severity: 2, Activity: examination.Stable, Status: examination.New, Note: "8 mm at the neck ring."}})
	l.post(l.conservator, l.path+"/receipt", l.handing(l.hall, seen("crate_only", ""))).Refused(http.StatusUnprocessableEntity, "L4")
	// Whatever is said at the door, the new tear is a change, with both examinations named.
	received := servetest.JSON[loan.Loan](l.post(l.conservator, l.path+"/receipt", l.handing(l.hall, seen("unchanged", "New tear of 8 mm at the neck ring."))).Must(http.StatusOK))
	if c := received.HandOvers[1].Conditions[0]; c.Found != loan.Changed || *c.ExaminationID != arrived.ID || c.BeforeID == nil || !strings.Contains(c.Statement, "new: tear on 1968.14.2.2") {
		t.Errorf("received: %+v", c)
	}
	found := servetest.JSON[domain.Page[incident.Line]](l.conservator.Get("/incidents?state=open&loan_id=" + x.ID.String() + "&object_id=" + l.Object.ID.String()).Must(http.StatusOK))
	if len(found.Items) != 1 || found.Items[0].Stage != "received" || found.Items[0].LoanReference != x.Reference {
		t.Fatalf("incidents: %+v", found)
	}
	l.answerIncident("/incidents/"+found.Items[0].ID.String(), arrived.ID)
	if n := servetest.JSON[struct{ Items []struct{ Text string } }](l.curator.Get("/notices").Must(http.StatusOK)); len(n.Items) != 1 || !strings.Contains(n.Items[0].Text, "New tear of 8 mm") {
		t.Errorf("notices of the curator: %+v", n)
	}
	l.post(l.conservator, l.path+"/display", body{"statement": "Case 4."}).Must(http.StatusOK)
	pack := l.handing(l.hall, seen("unchanged", ""))
	delete(pack, "place_id")
	l.examined(x.ID, examination.Departure)
	l.post(l.conservator, l.path+"/packing", pack).Must(http.StatusOK)
	l.examined(x.ID, examination.Return)
	l.post(l.conservator, l.path+"/return", l.handing(l.store, seen("unchanged", ""))).Refused(http.StatusForbidden, "P2")
	l.post(l.registrar, l.path+"/return", l.handing(l.store, seen("unchanged", ""))).Must(http.StatusOK)
	done := servetest.JSON[loan.Loan](l.post(l.registrar, l.path+"/closure", body{"statement": "Settled."}).Must(http.StatusOK))
	if done.State != loan.Closed || len(done.HandOvers) != 4 || done.HandOvers[0].Authoriser == nil || done.HandOvers[1].Place != "Main hall" {
		t.Errorf("%+v", done)
	}
	where = servetest.JSON[struct{ Items []movement.Placement }](l.registrar.Get("/components/" + helmet.String() + "/moves").Must(http.StatusOK))
	if p := where.Items[0]; p.State != movement.InPlace || p.Place.Code != "R1" || len(where.Items) != 4 {
		t.Errorf("back: %d moves, %+v", len(where.Items), p)
	}
	if report, err := l.Record.Verify(t.Context(), nil); err != nil || !report.Clean {
		t.Errorf("verify: %+v %v", report, err)
	}
	list := servetest.JSON[domain.Page[loan.Summary]](l.reader.Get("/loans?object_id=" + l.Object.ID.String()).Must(http.StatusOK))
	if len(list.Items) != 1 || list.Items[0].Objects[0] != "1968.14.2.2 Hood helmet" || list.Items[0].Venues[0] != "Main hall" {
		t.Errorf("%+v", list)
	}
	if list = servetest.JSON[domain.Page[loan.Summary]](l.reader.Get("/loans?open=true").Must(http.StatusOK)); len(list.Items) != 0 {
		t.Errorf("open: %+v", list)
	}
	l.reader.Get("/loans?state=closed&limit=1").Must(http.StatusOK)
}

// TestL3DispatchRefused lists everything that is missing at once: the stop of H3 and the rest.
func TestL3DispatchRefused(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	x := l.open()
	l.post(l.registrar, l.path+"/lines", body{"object_number": "1968.14.2"}).Must(http.StatusCreated)
	l.conservator.Post("/objects/"+l.Object.ID.String()+"/stops", body{"note": "Powder at the neck ring."}).Must(http.StatusCreated)
	before := l.Rows("loan_hand_over", "seal", "placement", "event")
	p := l.post(l.registrar, l.path+"/dispatch", l.handing(l.hall, nil)).Refused(http.StatusUnprocessableEntity, "L3")
	for _, part := range []string{"fit to travel", "approval of a curator of " + servetest.Department, "the value of 1968.14.2", "an agreement", "facilities of Main hall", "outgoing examination of 1968.14.2",
		"everything is prepared", "A stop has stood on 1968.14.2"} {
		if !slices.ContainsFunc(p.Missing, func(m string) bool { return strings.Contains(m, part) }) {
			t.Errorf("%q is not among the missing: %q", part, p.Missing)
		}
	}
	if p.Rule != "L3" || len(p.Missing) != 8 {
		t.Errorf("%+v", p)
	}
	if after := l.Rows("loan_hand_over", "seal", "placement", "event"); !mapsEqual(before, after) {
		t.Errorf("the refusal left rows: %v %v", before, after)
	}

	// Released, everything else done: it leaves; a stop raised in time keeps it.
	stops := servetest.JSON[domain.Page[handling.Stop]](l.conservator.Get("/stops?state=standing").Must(http.StatusOK))
	other := l.API(l.Person("Per Strand", domain.Conservator))
	stop := "/stops/" + stops.Items[0].ID.String()
	got := other.Get(stop).Must(http.StatusOK)
	other.Post(stop+"/release", body{"reason": "Looked at.", "found": "Old dust.", "limits": "none"}, got.Tag()).Must(http.StatusOK)
	x, _ = l.prepared()
	if x.State != loan.Prepared {
		t.Fatalf("state %s", x.State)
	}
	l.conservator.Post("/objects/"+l.Object.ID.String()+"/stops", body{"note": "Noise."}).Must(http.StatusCreated)
	p = l.post(l.registrar, l.path+"/dispatch", l.handing(l.hall, nil)).Refused(http.StatusUnprocessableEntity, "L3")
	if len(p.Missing) != 1 || !strings.Contains(p.Missing[0], "(Noise; ") {
		t.Errorf("missing %q", p.Missing)
	}
}

// TestLoanActs: the other acts and the side exits.
func TestLoanActs(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	x, line := l.prepared()
	// An addendum, a certificate taken back, another value, another version.
	statement := servetest.JSON[loan.Line](l.registrar.Get(line).Must(http.StatusOK)).Statements[0].ID
	l.post(l.conservator, "/loan-condition-statements/"+statement.String()+"/addenda", body{"text": "And a scratch."}).Must(http.StatusOK)
	l.post(l.registrar, "/loan-insurances/"+x.Insurances[0].ID.String()+"/withdrawal", body{"statement": "Of another loan."}).Must(http.StatusOK)
	l.act(l.registrar, http.MethodPut, line+"/value", body{"value": "148250.01", "currency": "EUR"}).Must(http.StatusOK)
	if got := servetest.JSON[loan.Loan](l.registrar.Get(l.path).Must(http.StatusOK)); got.State != loan.Agreed || got.Agreements[0].Holds {
		t.Errorf("after another value: %s", got.State)
	}
	l.post(l.registrar, l.path+"/agreements", nil).Must(http.StatusCreated)
	if got := servetest.JSON[struct{ Items []loan.Agreement }](l.reader.Get(l.path + "/agreements").Must(http.StatusOK)); len(got.Items) != 2 || !got.Items[1].Holds {
		t.Errorf("%+v", got)
	}
	l.post(l.registrar, l.path+"/agreements/9/signatures", body{"side": "lender"}).Refused(http.StatusNotFound, "not_found")
	l.act(l.registrar, http.MethodPut, l.path, l.facts()).Must(http.StatusOK)
	// Not fit, and the consent of the head of the department.
	l.post(l.conservator, line+"/assessments", body{"verdict": "not_fit", "statement": "Flaking."}).Must(http.StatusOK)
	l.post(l.curator, l.path+"/approvals", body{"statement": "Yes."}).Refused(http.StatusUnprocessableEntity, "L2")
	l.post(l.curator, line+"/consents", body{"capacity": "head of Diving", "statement": "The crate carries it."}).Must(http.StatusOK)
	l.post(l.curator, l.path+"/approvals", body{"statement": "Yes."}).Must(http.StatusOK)
	l.post(l.registrar, line+"/withdrawal", body{"statement": "Not asked for."}).Must(http.StatusOK)
	l.post(l.registrar, l.path+"/lines", body{"object_number": "1968.14.2", "component_ids": []domain.ID{l.Parts["1a"]}}).Refused(http.StatusUnprocessableEntity, "C2")
	l.post(l.registrar, l.path+"/lines", body{"object_number": "nonsense 0"}).Refused(http.StatusUnprocessableEntity, "invalid")
	l.post(l.registrar, l.path+"/cancellation", body{"statement": "The borrower withdrew."}).Must(http.StatusOK)

	l.open()
	l.post(l.registrar, l.path+"/lines", body{"object_number": "1968.14.2"}).Must(http.StatusCreated)
	l.post(l.curator, l.path+"/declines", body{"statement": "Needed here."}).Must(http.StatusOK)

	l.prepared()
	l.post(l.registrar, l.path+"/dispatch", l.handing(l.hall, nil)).Must(http.StatusOK)
	l.post(l.curator, l.path+"/recall", body{"statement": "The climate is not kept."}).Must(http.StatusOK)
}

// TestLoanVersions: no write without If-Match, none with an old one.
func TestLoanVersions(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	l.open()
	old := l.tag
	l.registrar.Put(l.path, l.facts()).Refused(http.StatusPreconditionRequired, "no_version")
	l.registrar.Post(l.path+"/lines", body{"object_number": "1968.14.2"}).Refused(http.StatusPreconditionRequired, "no_version")
	l.post(l.registrar, l.path+"/lines", body{"object_number": "1968.14.2"}).Must(http.StatusCreated)
	l.registrar.Put(l.path, l.facts(), old).Refused(http.StatusPreconditionFailed, "stale")
	l.registrar.Post(l.path+"/cancellation", body{"statement": "No."}, old).Refused(http.StatusPreconditionFailed, "stale")
}

// TestLoanBadInput: all faults at once, nothing kept.
func TestLoanBadInput(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	before := l.Rows("loan", "loan_venue", "event")
	p := l.registrar.Post("/loans", body{"borrower": body{"name": ""}, "purpose": "", "venues": []body{}, "requested_on": "yesterday"}).Refused(http.StatusUnprocessableEntity, "invalid")
	if len(p.Errors) != 4 {
		t.Errorf("%+v", p.Errors)
	}
	bad := l.facts()
	bad["from_on"], bad["until_on"] = l.day(10), l.day(0)
	l.registrar.Post("/loans", bad).Refused(http.StatusUnprocessableEntity, "invalid")
	bad = l.facts()
	bad["colour"] = "red"
	l.registrar.Post("/loans", bad).Refused(http.StatusUnprocessableEntity, "invalid")
	bad = l.facts()
	bad["purpose"] = "a\u0000b"
	l.registrar.Post("/loans", bad).Refused(http.StatusUnprocessableEntity, "invalid")
	if after := l.Rows("loan", "loan_venue", "event"); !mapsEqual(before, after) {
		t.Errorf("refusals left rows: %v %v", before, after)
	}
	good := l.facts()
	good["purpose"] = hostile
	if x := servetest.JSON[loan.Loan](l.registrar.Post("/loans", good).Must(http.StatusCreated)); x.Purpose != hostile {
		t.Errorf("purpose %q", x.Purpose)
	}
	l.open()
	a := l.post(l.registrar, l.path+"/lines", body{"object_number": "1968.14.2"}).Must(http.StatusCreated)
	line := strings.TrimPrefix(a.Header.Get("Location"), api.Prefix)
	for name, b := range map[string]body{
		"negative": {"value": "-1", "currency": "EUR"}, "too many decimals": {"value": "1.001", "currency": "EUR"}, "absurd": {"value": "1e400", "currency": "EUR"},
		"no currency": {"value": "1"}, "small letters": {"value": "1", "currency": "eur"}, "no number": {"value": "much", "currency": "EUR"}, "null": {"value": nil, "currency": "EUR"},
	} {
		if a := l.act(l.registrar, http.MethodPut, line+"/value", b); a.Status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, a.Status, a.Body)
		}
	}
	l.registrar.Get("/loans?state=lost").Refused(http.StatusUnprocessableEntity, "invalid")
	l.registrar.Get("/loans/"+domain.NewID().String()).Refused(http.StatusNotFound, "not_found")
	l.registrar.Get("/loan-lines/"+domain.NewID().String()).Refused(http.StatusNotFound, "not_found")
	l.registrar.Get(l.path+"/agreement.pdf?version=0").Refused(http.StatusUnprocessableEntity, "invalid")
	l.registrar.Get(l.path+"/agreement.pdf?version=7").Refused(http.StatusNotFound, "not_found")
}

// TestP3LoanValues: for whom rule P3 does not allow them, values, insurers, certificates, totals and
// the borrower's address are absent from every answer and every paper.
func TestP3LoanValues(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	_, line := l.prepared()
	secrets := []string{"148250", "148 250", "148\u00a0250", "Insurer of the line", "State indemnity", "SI-17"}
	staffOnly := []string{"ul. Wodna", "Nováková, Žďár", "Carrier of Køge", "Buffered case"}
	for _, path := range []string{l.path, line, "/loans", l.path + "/missing", l.path + "/agreements", l.path + "/schedule.csv"} {
		for name, c := range map[string]*servetest.Client{"reader": l.reader, "conservator": l.conservator} {
			got := string(c.Get(path).Must(http.StatusOK).Body)
			for _, secret := range secrets {
				if strings.Contains(got, secret) {
					t.Errorf("%s: the %s is told %q", path, name, secret)
				}
			}
			if name == "reader" {
				for _, secret := range staffOnly {
					if strings.Contains(got, secret) {
						t.Errorf("%s: the reader is told %q", path, secret)
					}
				}
			}
		}
	}
	raw := servetest.JSON[map[string]any](l.reader.Get(l.path).Must(http.StatusOK))
	for _, member := range []string{"insurances", "totals", "transport", "courier"} {
		if _, there := raw[member]; there {
			t.Errorf("the member %s is there for a reader", member)
		}
	}
	first := raw["lines"].([]any)[0].(map[string]any)
	for _, member := range []string{"value", "currency", "insurer"} {
		if _, there := first[member]; there {
			t.Errorf("the member %s of a line is there for a reader", member)
		}
	}
	if full := servetest.JSON[map[string]any](l.registrar.Get(l.path).Must(http.StatusOK)); full["totals"] == nil || full["insurances"] == nil {
		t.Error("the registrar does not see the values")
	}
	l.act(l.conservator, http.MethodPut, line+"/value", body{"value": "1", "currency": "EUR"}).Refused(http.StatusForbidden, "P2")
	stranger := l.API(l.PersonOf("Olaf Berg", []string{"Aviation"}, domain.Curator))
	l.act(stranger, http.MethodPut, line+"/value", body{"value": "1", "currency": "EUR"}).Refused(http.StatusForbidden, "P2")
}

// TestLoanPapers: each paper has its type, name, hash and 304; the CSV states version and seal.
func TestLoanPapers(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	l.open()
	draft := l.registrar.Get(l.path + "/agreement.pdf").Must(http.StatusOK)
	if !strings.Contains(draft.Header.Get("Content-Disposition"), "draft") {
		t.Errorf("%s", draft.Header.Get("Content-Disposition"))
	}
	x, _ := l.prepared()
	for name, magic := range map[string]string{"agreement.pdf": "%PDF-", "agreement.docx": "PK\x03\x04", "schedule.xlsx": "PK\x03\x04", "schedule.csv": "Position,Number"} {
		a := l.registrar.Get(l.path + "/" + name).Must(http.StatusOK)
		kind, ending, _ := strings.Cut(name, ".")
		if !strings.HasPrefix(string(a.Body), magic) || !strings.Contains(a.Header.Get("Content-Disposition"), x.Reference+"-"+kind+"-v1."+ending) || a.Header.Get("Repr-Digest") == "" {
			t.Errorf("%s: %v %.20q", name, a.Header, a.Body)
		}
		l.registrar.Get(l.path+"/"+name, servetest.Header{Name: "If-None-Match", Value: a.Header.Get("ETag")}).Must(http.StatusNotModified)
		l.registrar.Get(l.path + "/" + name + "?version=1").Must(http.StatusOK)
		if a := l.reader.Get(l.path + "/" + name).Must(http.StatusOK); !strings.Contains(a.Header.Get("Content-Disposition"), "without-values") {
			t.Errorf("%s for a reader: %s", name, a.Header.Get("Content-Disposition"))
		}
	}
	rows, err := csv.NewReader(strings.NewReader(string(l.registrar.Get(l.path + "/schedule.csv").Must(http.StatusOK).Body))).ReadAll()
	if err != nil || len(rows) != 2 {
		t.Fatalf("%v %v", rows, err)
	}
	cell := func(column string) string { return rows[1][slices.Index(rows[0], column)] }
	if cell("Value") != "148250.00" || cell("Currency") != "EUR" || cell("Version") != "version 1" || cell("SHA-256 of the sealed version") != x.Agreements[0].SHA256 {
		t.Errorf("%q", rows)
	}
}

// TestLoanQueries: the number of queries of a read does not depend on how many lines there are.
func TestLoanQueries(t *testing.T) {
	t.Parallel()
	l := newLent(t)
	l.prepared()
	paths := []string{"/loans", l.path, l.path + "/missing", l.path + "/agreements", l.path + "/agreement.pdf", l.path + "/schedule.csv"}
	count := func(path string) int64 {
		ctx, n := postgres.CountQueries(t.Context())
		r := httptest.NewRequest(http.MethodGet, api.Prefix+path, nil).WithContext(ctx)
		r.Header.Set("Authorization", "Bearer "+l.People[domain.Registrar].Token)
		if a := l.registrar.Send(r, nil); a.Status != http.StatusOK {
			t.Fatalf("%s: %d %s", path, a.Status, a.Body)
		}
		return n.Load()
	}
	count(paths[0])
	before := map[string]int64{}
	for _, path := range paths {
		before[path] = count(path)
	}
	for i := range 6 {
		number := "2001.1." + strconv.Itoa(i)
		l.conservator.Post("/objects", body{"number": number, "title": "Glove " + number, "legal_status": "accessioned", "department": servetest.Department}).Must(http.StatusCreated)
		a := l.post(l.registrar, l.path+"/lines", body{"object_number": number}).Must(http.StatusCreated)
		l.post(l.conservator, strings.TrimPrefix(a.Header.Get("Location"), api.Prefix)+"/assessments", body{"verdict": "fit", "statement": "Sound."}).Must(http.StatusOK)
		l.registrar.Post("/loans", l.facts()).Must(http.StatusCreated)
	}
	for _, path := range paths {
		if after := count(path); after != before[path] || after > 40 {
			t.Errorf("%s: %d queries with one line, %d with seven", path, before[path], after)
		}
	}
	t.Logf("queries: %v", before)
}
