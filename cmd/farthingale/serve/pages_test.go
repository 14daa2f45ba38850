package serve_test

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/demo"
	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// TestPages looks at every page: it can be read, its links lead somewhere, its forms are for whoever
// sees them. A page without a sample fails.
func TestPages(t *testing.T) {
	t.Parallel()
	h := servetest.New(t, func(s *serve.Settings) {
		s.Site.Demonstration, s.SignIns = true, demo.SignIns()
	})
	sampled := map[string]bool{}
	browsers := map[domain.ID]*servetest.Browser{}
	followed := map[domain.ID]map[string]bool{}
	for _, sample := range h.Samples() {
		sampled[sample.Route] = true
		b, ok := browsers[sample.As.ID]
		if !ok {
			b = h.Browser(sample.As)
			browsers[sample.As.ID], followed[sample.As.ID] = b, map[string]bool{}
		}
		p := b.Get(sample.Path)
		want := sample.Status
		if want == 0 {
			want = http.StatusOK
		}
		if p.Status != want {
			t.Errorf("%s for %s: status %d, want %d: %s", sample.Path, sample.As.Name, p.Status, want, p.Text())
			continue
		}
		if page := strings.HasPrefix(p.Header.Get("Content-Type"), "text/html"); page == sample.File {
			t.Errorf("%s is a page: %v (%s)", sample.Path, page, p.Header.Get("Content-Type"))
		}
		if sample.File {
			continue
		}
		for _, fault := range p.Faults(sample.As, followed[sample.As.ID]) {
			t.Errorf("%s for %s: %s", sample.Path, sample.As.Name, fault)
		}
	}
	for route := range h.Web.Acts() {
		if strings.HasPrefix(route, http.MethodGet+" ") && !sampled[route] {
			t.Errorf("%s has no sample; add one in servetest", route)
		}
	}
	for route := range sampled {
		if _, served := h.Web.Acts()[route]; !served {
			t.Errorf("%s is sampled but not served", route)
		}
	}
}

// TestFirstPage: in an empty house the door leads to the page that makes the first steward, once.
func TestFirstPage(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	b := h.Browser(servetest.Someone{})
	p := b.Get("/people")
	if p.Path != "/first" {
		t.Fatalf("the door of an empty house is %s", p.Path)
	}
	for _, fault := range p.Faults(servetest.Someone{}, map[string]bool{}) {
		t.Error(fault)
	}
	p = p.Submit("/first", url.Values{"name": {"Simon Vane"}, "sign_in_name": {"simon"}, "password": {"short"}}).Must(http.StatusUnprocessableEntity).Has("Password")
	for _, fault := range p.Faults(servetest.Someone{}, map[string]bool{}) {
		t.Error(fault)
	}
	p.Submit("/first", url.Values{"password": {"a long enough sentence"}}).Must(http.StatusOK).Has("Simon Vane")
	if p = h.Browser(servetest.Someone{}).Get("/first"); p.Path != "/sign-in" {
		t.Errorf("a second first steward can be made: %s", p.Path)
	}
	if rows := h.Rows("person"); rows["person"] != 1 {
		t.Errorf("%d people", rows["person"])
	}
}

// TestRefusedFormComesBack: with what was typed, a summary whose links lead to the fields, and the
// fault beside each; nothing is kept.
func TestRefusedFormComesBack(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	steward := h.Person("Simon Vane", domain.Steward)
	b := h.Browser(steward)
	before := h.Rows("person", "event")
	p := b.Get("/people").Submit("/people", url.Values{"name": {"Ines Falkenberg"}, "sign_in_name": {strings.Repeat("x", 81)}, "departments.2": {"Diving"}, "password": {"short"}}).
		Must(http.StatusUnprocessableEntity).Has("Refused", "Sign-in name", "Roles", "First password")
	if !strings.Contains(p.Body, `value="Ines Falkenberg"`) || !strings.Contains(p.Body, `value="Diving"`) {
		t.Error("what was typed is lost")
	}
	if strings.Contains(p.Body, `value="short"`) {
		t.Error("the password comes back")
	}
	for _, id := range []string{"f-sign_in_name", "f-roles", "f-password"} {
		if !strings.Contains(p.Body, `href="#`+id+`"`) || !strings.Contains(p.Body, `id="`+id+`-fault"`) {
			t.Errorf("no link to %s, or no fault beside it", id)
		}
	}
	for _, fault := range p.Faults(steward, map[string]bool{}) {
		t.Error(fault)
	}
	if after := h.Rows("person", "event"); after["person"] != before["person"] || after["event"] != before["event"] {
		t.Errorf("a refused form left something: %v, %v", before, after)
	}
}

// TestPagesNeedSignIn: whoever is not signed in is sent to the door, and comes back to the page.
func TestPagesNeedSignIn(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	out := h.Browser(servetest.Someone{})
	p := out.Get("/people?closed=true")
	if !strings.HasPrefix(p.Path, "/sign-in?to=") {
		t.Fatalf("sent to %s", p.Path)
	}
	p = p.Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {"wrong"}}).Must(http.StatusUnprocessableEntity).Has("The name or the password is not right.")
	p = p.Submit("/sign-in", url.Values{"password": {servetest.Password}}).Must(http.StatusOK)
	if p.Path != "/people?closed=true" {
		t.Errorf("came back to %s", p.Path)
	}
	away := h.Browser(servetest.Someone{}).Get("/sign-in?to=//evil.test/").Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {servetest.Password}})
	if away.Path != "/" {
		t.Errorf("the door leads to %s", away.Path)
	}
}

// TestToday: notices stand there until they are read.
func TestToday(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	h.Samples()
	rosa := servetest.Someone{SignInName: "rosa.amsel"}
	b := h.Browser(rosa)
	p := b.Get("/").Must(http.StatusOK).Has("To read", "departure from the approved scope")
	for range 2 { // the incident of a loan, and the departure
		p = p.Submit("/notices/", nil).Must(http.StatusOK)
	}
	if p.Path != "/" || strings.Contains(p.Text(), "departure") {
		t.Errorf("%s still shows the notice: %s", p.Path, p.Text())
	}
	b.Get("/notices").Must(http.StatusOK).Has("departure from the approved scope", "Read ")
}

// TestP2PagesSayWhoMay: an act that the role may not do is refused with a page that says who may.
func TestP2PagesSayWhoMay(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	cast := h.Cast()
	for route, act := range h.Web.Acts() {
		method, path, _ := strings.Cut(route, " ")
		if method != http.MethodGet || strings.Contains(path, ":") || len(act.Roles) == 0 {
			continue
		}
		for role, who := range cast {
			if slices.Contains(act.Roles, role) {
				continue
			}
			p := h.Browser(who).Get(path).Must(http.StatusForbidden).Has("Your role does not allow this", "Ask a "+act.Roles[0].Words())
			for _, fault := range p.Faults(who, map[string]bool{}) {
				t.Errorf("%s for %s: %s", path, who.Name, fault)
			}
		}
	}
}
