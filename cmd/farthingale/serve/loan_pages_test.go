package serve_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/loan"
	"farthingale/domain/movement"
	"farthingale/postgres"
)

// TestLoanByForms: a loan from the request to the dispatch and the arrival, by forms alone; what is
// missing is told on the way, and a refused form comes back open.
func TestLoanByForms(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	if _, err := h.Movement.AddPlace(t.Context(), g.People[domain.Registrar].Actor, movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: "site", Name: "Venue", Code: "VENUE", Outside: true}}); err != nil {
		t.Fatal(err)
	}
	registrar, curator := h.Browser(g.People[domain.Registrar]), h.Browser(g.People[domain.Curator])
	conservator, reader := h.Browser(g.People[domain.Conservator]), h.Browser(g.People[domain.Reader])
	day := func(plus int) string { return h.Now().UTC().AddDate(0, 0, plus).Format(time.DateOnly) }

	facts := url.Values{"borrower.name": {"Muzeum pod Wodą, Łódź"}, "borrower.address": {"ul. Wodna 1"}, "purpose": {"Exhibition"}, "from_on": {day(0)}, "until_on": {day(-1)},
		"transport": {"Carrier of Køge"}, "courier": {"Ines"}, "venues.1.name": {"Main hall"}, "venues.1.from_on": {day(0)}, "venues.1.until_on": {day(100)}}
	p := registrar.Get("/loans/new").Submit("/loans", facts).Must(http.StatusUnprocessableEntity).Has("The last day is not before the first.")
	if !strings.Contains(p.Body, "Muzeum pod Wodą, Łódź") || !strings.Contains(p.Body, `name="venues.0.name" value="Main hall"`) {
		t.Error("what was typed is lost")
	}
	p = p.Submit("/loans", url.Values{"until_on": {day(120)}}).Must(http.StatusOK).Has("is open", "at least one object")
	at := p.Path
	registrar.Get(at + "/lines/new?number=nothing1").Must(http.StatusOK).Has("No object has the number")
	p = registrar.Get(at+"/lines/new?number=1968.14.2").Must(http.StatusOK).Has("Never taken off", "Cuff ring, left", "The ring is vulcanised into the sleeve.")
	p.Submit(at+"/lines", nil).Must(http.StatusOK).Has("1968.14.2 is on the loan")
	line := at + "/lines/1"
	registrar.Get(line).Submit(line+"/value", url.Values{"value": {"148250.005"}, "currency": {"EUR"}}).Must(http.StatusUnprocessableEntity).Has("At most two decimals.")
	registrar.Get(line).Submit(line+"/value", url.Values{"value": {"148250.00"}, "currency": {"EUR"}}).Must(http.StatusOK).Has("EUR 148 250.00")
	conservator.Get(line).Submit(line+"/conditions", url.Values{"mount": {"torso"}, "light_lux": {"50"}}).Must(http.StatusOK).Has("at most 50 lx")
	conservator.Get(line).Submit(line+"/assessments", url.Values{"verdict": {"not_fit"}, "statement": {"Flaking."}}).Must(http.StatusOK).Has("not fit")
	curator.Get(at).Submit(at+"/approvals", url.Values{"statement": {"Yes."}}).Must(http.StatusUnprocessableEntity).Has("Refused by rule L2", "the consent of the head of "+servetest.Department)
	curator.Get(line).Submit(line+"/consents", url.Values{"statement": {"The crate carries it."}}).Must(http.StatusOK).Has("Consent against the assessment", "head of the department")
	curator.Get(at).Submit(at+"/approvals", url.Values{"statement": {"Yes."}}).Must(http.StatusOK).Has("agreed in principle")
	registrar.Get(at).Submit(at+"/agreements", nil).Must(http.StatusOK).Has("Version 1", "waits for signatures")
	curator.Get(at).Submit(at+"/lender-signature", url.Values{"office": {"curator"}}).Must(http.StatusOK).Has("Maud Okonjo, curator")
	registrar.Get(at).Submit(at+"/borrower-signature", url.Values{"name": {"Žofie Nováková"}, "signed_on": {day(0)}}).Must(http.StatusOK).Has("signed outside, recorded by Rosa Amsel", "agreement signed")
	conservator.Get(at).Submit(at+"/facilities-assessments", url.Values{"report_on": {day(-40)}, "summary": {"Good."}, "exceptions.1.requirement": {"RH 45-55 %"},
		"exceptions.1.found": {"40-60 %"}, "exceptions.1.accepted": {"true"}}).Must(http.StatusUnprocessableEntity).Has("Say why it is accepted.")
	conservator.Get(at).Submit(at+"/facilities-assessments", url.Values{"report_on": {day(-40)}, "summary": {"Good."}, "exceptions.1.requirement": {"RH 45-55 %"},
		"exceptions.1.found": {"40-60 %"}, "exceptions.1.accepted": {"true"}, "exceptions.1.statement": {"Buffered case."}}).Must(http.StatusOK).Has("Accepted: Buffered case.")
	examined := func(occasion examination.Occasion) string {
		var id domain.ID
		if err := h.Database.OwnerPool().QueryRow(t.Context(), `select id from loan`).Scan(&id); err != nil {
			t.Fatal(err)
		}
		return h.Examine(g.People[domain.Conservator].Actor, g.Object.ID, servetest.Look{Occasion: occasion, LoanID: &id}).ID.String()
	}
	outgoing := examined(examination.Outgoing)
	conservator.Get(line).Submit(line+"/condition-statements", url.Values{"examination_id": {outgoing}, "text": {"Stiff along the fold."}}).Must(http.StatusOK).Has("Stiff along the fold.")
	conservator.Get(line).Submit(line+"/addenda", url.Values{"text": {"And a scratch."}}).Must(http.StatusOK).Has("And a scratch.")
	registrar.Get(at).Submit(at+"/insurances", url.Values{"insurer": {"Insurer one"}, "certificate": {"C-1"}, "sum": {"1"}, "currency": {"EUR"}}).Must(http.StatusOK).Has("Insurer one")
	registrar.Get(at).Submit(at+"/preparation", url.Values{"statement": {"One crate."}}).Must(http.StatusOK).Has("insurance or indemnity in EUR up to the total of the values")
	hand := url.Values{"given_by": {"Rosa"}, "received_by": {"P. Holm"}, "crates_and_seals": {"1, seal 11"}, "carrier": {"Carrier of Køge"}, "place_code": {"VENUE"}, "conditions.0.found": {"crate_only"}}
	p = registrar.Get(at).Submit(at+"/dispatch", hand).Must(http.StatusUnprocessableEntity).Has("Refused by rule L3", "insurance or indemnity in EUR")
	if !strings.Contains(p.Body, "<details open>") || !strings.Contains(p.Body, `value="P. Holm"`) {
		t.Error("the refused form is not open, or empty")
	}
	for _, fault := range p.Faults(g.People[domain.Registrar], map[string]bool{}) {
		t.Error(fault)
	}
	registrar.Get(at).Submit(at+"/insurance-withdrawals", url.Values{"statement": {"A typing error."}}).Must(http.StatusOK).Has("withdrawn by Rosa Amsel")
	registrar.Get(at).Submit(at+"/insurances", url.Values{"insurer": {"Insurer one"}, "certificate": {"C-2"}, "sum": {"148250.00"}, "currency": {"EUR"}}).Must(http.StatusOK)
	wrong := url.Values{}
	for name, v := range hand {
		wrong[name] = v
	}
	wrong.Set("place_code", "NOWHERE")
	registrar.Get(at).Submit(at+"/dispatch", wrong).Must(http.StatusUnprocessableEntity).Has("No place has this code.")
	registrar.Get(at).Submit(at+"/dispatch", hand).Must(http.StatusOK).Has("The loan is on its way.", "Exit authorised by Rosa Amsel", "crate only, not looked at")
	hand["conditions.0.found"], hand["conditions.0.statement"] = []string{"changed"}, []string{"New tear of 8 mm."}
	hand.Del("carrier")
	conservator.Get(at).Submit(at+"/receipt", hand).Must(http.StatusUnprocessableEntity).Has("made for this loan on arrival")
	conservator.Get(line).Has("Examine it on arrival")
	examined(examination.Arrival)
	conservator.Get(at).Submit(at+"/receipt", hand).Must(http.StatusOK).Has("changed", "New tear of 8 mm.")

	// P3: what a reader may not see is not on the pages; nor is any form.
	for _, path := range []string{at, line} {
		p := reader.Get(path).Must(http.StatusOK)
		for _, secret := range []string{"148 250", "148250", "Insurer one", "C-2", "ul. Wodna", "Carrier of Køge", "Buffered case"} {
			if strings.Contains(strings.ReplaceAll(p.Body, "\u00a0", " "), secret) {
				t.Errorf("%s tells a reader %q", path, secret)
			}
		}
		if strings.Contains(p.Body, `action="/loans/`) {
			t.Errorf("%s shows a reader a form", path)
		}
	}
	for _, c := range []struct {
		browser *servetest.Browser
		path    string
		status  int
	}{{reader, "/loans/new", http.StatusForbidden}, {reader, "/loans/L.1999.1", http.StatusNotFound}, {reader, at + "/lines/9", http.StatusNotFound},
		{reader, at + "/lines/x", http.StatusNotFound}, {reader, at + "/agreement.pdf?version=x", http.StatusNotFound}, {registrar, strings.ToLower(at), http.StatusOK}} {
		c.browser.Get(c.path).Must(c.status)
	}
	if report, err := h.Record.Verify(t.Context(), nil); err != nil || !report.Clean {
		t.Errorf("verify: %+v %v", report, err)
	}
}

// TestLoanPageQueries: the queries of a page do not depend on how much is on it.
func TestLoanPageQueries(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ctx, by := t.Context(), g.People[domain.Registrar].Actor
	x, err := h.Loan.Create(ctx, by, h.LoanFacts())
	if err != nil {
		t.Fatal(err)
	}
	add := func(number string) {
		t.Helper()
		if number != "1968.14.2" {
			if _, err := h.Collection.Create(ctx, g.People[domain.Conservator].Actor, collection.NewObject{ObjectFacts: collection.ObjectFacts{
				Number: number, Title: "Glove", LegalStatus: "accessioned", Department: servetest.Department}}); err != nil {
				t.Fatal(err)
			}
		}
		if x, _, err = h.Loan.AddLine(ctx, by, x.ID, x.Version, loan.NewLine{ObjectNumber: number}); err != nil {
			t.Fatal(err)
		}
		if _, err := h.Loan.Create(ctx, by, h.LoanFacts()); err != nil {
			t.Fatal(err)
		}
	}
	add("1968.14.2")
	browser := h.Browser(g.People[domain.Registrar])
	count := func(path string) int64 {
		t.Helper()
		ctx, n := postgres.CountQueries(t.Context())
		r := httptest.NewRequest(http.MethodGet, path, nil).WithContext(ctx)
		for _, c := range browser.Cookies() {
			r.AddCookie(c)
		}
		w := httptest.NewRecorder()
		h.Handler.ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d", path, w.Code)
		}
		return n.Load()
	}
	paths := []string{"/loans", "/loans/" + x.Reference, "/loans/" + x.Reference + "/lines/1", "/loans/" + x.Reference + "/lines/new?number=1968.14.2"}
	before := map[string]int64{}
	for _, path := range paths {
		before[path] = count(path)
	}
	for i := range 5 {
		add("2001.1." + strconv.Itoa(i))
	}
	for _, path := range paths {
		if after := count(path); after != before[path] || after > 40 {
			t.Errorf("%s: %d queries, then %d", path, before[path], after)
		}
	}
	t.Logf("queries: %v", before)
}
