package serve_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/people"
)

// shows says who the house takes for the sender of these cookies: the path of the account page, or of
// the door.
func shows(h *servetest.House, cookies []*http.Cookie) string {
	r := httptest.NewRequest(http.MethodGet, "/account", nil)
	for _, c := range cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	h.Handler.ServeHTTP(w, r)
	if w.Code == http.StatusOK {
		return w.Body.String()
	}
	return ""
}

// TestSessionIsNewAtSignIn: a cookie that somebody knew before the sign-in opens nothing after it.
//
// source: OWASP, Session Fixation; OWASP ASVS 5.0, 7.2.4 (from memory)
func TestSessionIsNewAtSignIn(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	piet, ines := h.Person("Piet Lindqvist", domain.Curator), h.Person("Ines Falkenberg", domain.Conservator)
	b := h.Browser(piet)
	planted := b.Cookies()
	if !strings.Contains(shows(h, planted), "Piet Lindqvist") {
		t.Fatal("the cookie does not open the account to begin with")
	}
	b.Get("/sign-in").Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {servetest.Password}}).Must(http.StatusOK)
	if !strings.Contains(shows(h, b.Cookies()), "Ines Falkenberg") {
		t.Error("the new cookie does not open the account")
	}
	if shows(h, planted) != "" {
		t.Error("the cookie from before the sign-in still opens an account")
	}
	after := b.Cookies()
	b.Get("/account").Submit("/sign-out", nil)
	if shows(h, after) != "" {
		t.Error("the cookie opens the account after signing out")
	}
	if n := h.Rows("sign_in_session")["sign_in_session"]; n != 0 {
		t.Errorf("%d sessions are left", n)
	}
}

// TestSessionsEndByThemselves: after a time without use, and after the longest time whatever is done.
func TestSessionsEndByThemselves(t *testing.T) {
	t.Parallel()
	limits := people.SessionLimits{Idle: time.Hour, Longest: 5 * time.Hour}
	h := servetest.New(t, func(s *serve.Settings) { s.Sessions = limits })
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	idle := h.Browser(ines)
	h.Wait(59 * time.Minute)
	if shows(h, idle.Cookies()) == "" {
		t.Error("signed out before the time without use is over")
	}
	h.Wait(59 * time.Minute) // the request before was a use
	if shows(h, idle.Cookies()) == "" {
		t.Error("a use was not noted")
	}
	h.Wait(61 * time.Minute)
	if shows(h, idle.Cookies()) != "" {
		t.Error("still signed in after the time without use")
	}
	busy := h.Browser(ines)
	for range 9 {
		h.Wait(33 * time.Minute)
		if shows(h, busy.Cookies()) == "" {
			t.Fatal("signed out while at work")
		}
	}
	h.Wait(4 * time.Minute)
	if shows(h, busy.Cookies()) != "" {
		t.Error("still signed in after the longest time")
	}
	if err := h.House.People.Sweep(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := h.Rows("sign_in_session")["sign_in_session"]; n != 0 {
		t.Errorf("%d sessions are left after the sweep", n)
	}
}

// TestOwnSessions: a person sees where they are signed in, ends one or all others, and nobody else's.
func TestOwnSessions(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines, hugo := h.Person("Ines Falkenberg", domain.Conservator), h.Person("Hugo Beck", domain.MountMaker)
	here, tablet, desk, other := h.Browser(ines), h.Browser(ines), h.Browser(ines), h.Browser(hugo)
	p := here.Get("/account").Must(http.StatusOK).Has("Where you are signed in", "this one", "End all others", "after 4 hours without use, and after 12 hours in any case.")
	if n := strings.Count(p.Body, "End the session in"); n != 2 {
		t.Errorf("%d sessions can be ended, want 2", n)
	}
	p = p.Submit("/account/sessions/", nil).Must(http.StatusOK).Has("has ended.")
	if open := b2i(shows(h, tablet.Cookies()) != "") + b2i(shows(h, desk.Cookies()) != ""); open != 1 {
		t.Errorf("%d of the two others go on after one was ended", open)
	}
	theirs, err := h.House.People.Sessions(t.Context(), hugo.Actor)
	if err != nil || len(theirs) != 1 {
		t.Fatalf("sessions of Hugo: %v, %v", theirs, err)
	}
	if _, err := h.House.People.EndSession(t.Context(), ines.Actor, theirs[0].ID); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("ending somebody else's session: %v", err)
	}
	p = p.Submit("/account/sessions/closure", nil).Must(http.StatusOK).Has("You are signed out everywhere else.")
	if strings.Contains(p.Text(), "End all others") {
		t.Error("others can be ended where there are none")
	}
	if shows(h, tablet.Cookies())+shows(h, desk.Cookies()) != "" || shows(h, here.Cookies()) == "" || shows(h, other.Cookies()) == "" {
		t.Error("not exactly the others were ended")
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestPasswordChangeEndsOtherSessions: also when a steward gives the password or closes the account.
//
// source: OWASP ASVS 5.0, 7.4.2 and 7.4.3 (from memory)
func TestPasswordChangeEndsOtherSessions(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines, simon := h.Person("Ines Falkenberg", domain.Conservator), h.Person("Simon Vane", domain.Steward)
	here, away := h.Browser(ines), h.Browser(ines)
	before := here.Cookies()
	here.Get("/account").Submit("/account/password", url.Values{"present": {servetest.Password}, "password": {"plum kettle thimble"}}).Must(http.StatusOK)
	if shows(h, away.Cookies()) != "" || shows(h, here.Cookies()) == "" || shows(h, before) != "" {
		t.Error("after changing the password: the others go on, this one has ended, or its cookie is the same")
	}
	steward, own := h.Browser(simon), "/people/"+ines.ID.String()
	steward.Get(own).Submit(own+"/password", url.Values{"password": {"kettle thimble plum"}}).Must(http.StatusOK)
	if shows(h, here.Cookies()) != "" || shows(h, steward.Cookies()) == "" {
		t.Error("a new password from a steward leaves the person signed in, or signs the steward out")
	}
	here.Get("/sign-in").Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {"kettle thimble plum"}}).Must(http.StatusOK)
	steward.Get(own).Submit(own+"/closure", nil).Must(http.StatusOK)
	if shows(h, here.Cookies()) != "" || h.Rows("sign_in_session")["sign_in_session"] != 1 {
		t.Error("a closed person is still signed in")
	}
}

// TestCookieNames: under TLS every cookie has the prefix that binds it to this host; without, the plain
// name is used, because browsers refuse the prefix there. servetest holds every cookie against this.
func TestCookieNames(t *testing.T) {
	t.Parallel()
	for _, tls := range []bool{false, true} {
		h := servetest.New(t, func(s *serve.Settings) { s.SecureCookies = tls })
		ines := h.Person("Ines Falkenberg", domain.Conservator)
		door := httptest.NewRecorder()
		h.Handler.ServeHTTP(door, httptest.NewRequest(http.MethodGet, "/sign-in", nil))
		form := url.Values{"sign_in_name": {ines.SignInName}, "password": {servetest.Password}}
		var csrf *http.Cookie
		for _, c := range door.Result().Cookies() {
			if strings.HasSuffix(c.Name, "farthingale_csrf") {
				csrf = c
			}
		}
		form.Set("csrf", csrf.Value)
		r := httptest.NewRequest(http.MethodPost, "/sign-in", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("User-Agent", "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0")
		r.AddCookie(csrf)
		w := httptest.NewRecorder()
		h.Handler.ServeHTTP(w, r)
		var session *http.Cookie
		for _, c := range w.Result().Cookies() {
			if strings.HasSuffix(c.Name, "farthingale_session") {
				session = c
			}
		}
		if session == nil || session.Secure != tls || strings.HasPrefix(session.Name, "__Host-") != tls || !session.HttpOnly {
			t.Fatalf("TLS %t: the cookie is %v", tls, session)
		}
		if page := shows(h, []*http.Cookie{session}); !strings.Contains(page, "Firefox on Linux") {
			t.Errorf("TLS %t: the account page does not say the browser", tls)
		}
	}
}
