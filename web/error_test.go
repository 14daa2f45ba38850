package web

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/web/pagecheck"
)

// door serves the pages that need no area, as the house does, and keeps the log.
func door(t *testing.T) (*echo.Echo, *Server, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	s := New(Services{Site: domain.DefaultSite(), Sessions: scs.New(), Now: time.Now, Log: slog.New(slog.NewTextHandler(&log, nil))})
	e := echo.New()
	e.HTTPErrorHandler = s.HandleError
	s.Routes(e)
	return e, s, &log
}

func TestLocalPath(t *testing.T) {
	for path, want := range map[string]bool{
		"/":                        true,
		"/objects/1987.14.3?a=1#b": true,
		"/objects?to=//evil.test":  true,
		"":                         false,
		"objects":                  false,
		"//evil.test":              false,
		"///evil.test":             false,
		"/\\evil.test":             false,
		"\\\\evil.test":            false,
		"/\t/evil.test":            false,
		"/\n/evil.test":            false,
		"/\r/evil.test":            false,
		"http://evil.test/":        false,
		"https:/evil.test":         false,
		"javascript:alert(1)":      false,
		" /objects":                false,
	} {
		if got := localPath(path); got != want {
			t.Errorf("%q leads to this site: %v, want %v", path, got, want)
		}
	}
}

func TestBackStaysOnThisSite(t *testing.T) {
	for from, want := range map[string]string{
		"":                                   "/",
		"http://museum.test/objects?q=boots": "/objects?q=boots",
		"http://museum.test":                 "/",
		"http://museum.test.evil.test/x":     "/",
		"http://evil.test/http://museum.test//evil.test": "/",
		"http://museum.test//evil.test":                  "/",
		"not an address":                                 "/",
	} {
		r := httptest.NewRequest(http.MethodGet, "http://museum.test/x", nil)
		r.Header.Set("Referer", from)
		if got := back(echo.New().NewContext(r, httptest.NewRecorder())); got != want {
			t.Errorf("from %q back to %q, want %q", from, got, want)
		}
	}
}

// Each kind of refusal has a status, a heading and a page that says what to do; a fault shows nothing
// of itself.
func TestErrorPages(t *testing.T) {
	secret := errors.New("password of the database is hunter2")
	for kind := domain.KindInvalid; kind <= domain.KindUnavailable; kind++ {
		if statuses[kind] == 0 || headings[kind] == "" {
			t.Errorf("kind %d has no status or no heading", kind)
		}
	}
	for name, test := range map[string]struct {
		err    error
		status int
		shown  []string
	}{
		"rule":        {domain.Refuse("H3", "A stop holds the left cuff."), 422, []string{"This is refused", "A stop holds the left cuff.", `href="/problems/H3"`}},
		"list":        {&domain.Error{Kind: domain.KindConflict, Code: "L3", Message: "Not yet.", Missing: []string{"a value for .2"}}, 409, []string{"a value for .2"}},
		"outside":     {&domain.Error{Kind: domain.KindRefused, Code: "T1", Message: "Outside.", Outside: []string{"acetone on .1"}}, 422, []string{"acetone on .1"}},
		"fields":      {domain.Invalid("/number", "required", "Give a number."), 422, []string{"/number", "Give a number."}},
		"not found":   {domain.NotFound("There is nothing under this address."), 404, []string{"There is no such page"}},
		"stale":       {fmt.Errorf("change: %w", domain.ErrStale), 412, []string{"Somebody else changed this"}},
		"unavailable": {&domain.Error{Kind: domain.KindUnavailable, Code: "unavailable", Message: "Try again.", Err: secret}, 503, []string{"Try again."}},
		"route":       {echo.ErrNotFound, 404, []string{"There is nothing under this address."}},
		"method":      {echo.ErrMethodNotAllowed, 405, []string{"does not answer"}},
		"large":       {echo.ErrStatusRequestEntityTooLarge, 413, []string{"too large"}},
		"fault":       {secret, 500, []string{"The program failed", "req-1"}},
	} {
		t.Run(name, func(t *testing.T) {
			e, s, log := door(t)
			e.GET("/broken", func(c echo.Context) error {
				c.Response().Header().Set(echo.HeaderXRequestID, "req-1")
				return test.err
			}, echo.WrapMiddleware(s.Sessions.LoadAndSave))
			w := httptest.NewRecorder()
			e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/broken", nil))
			body := w.Body.String()
			if w.Code != test.status {
				t.Errorf("status %d, want %d", w.Code, test.status)
			}
			for _, words := range test.shown {
				if !strings.Contains(body, words) {
					t.Errorf("does not show %q:\n%s", words, body)
				}
			}
			if strings.Contains(body, "hunter2") {
				t.Error("the page shows the cause")
			}
			if errors.Is(test.err, secret) && !strings.Contains(log.String(), "hunter2") {
				t.Error("the cause is not logged")
			}
			for _, fault := range pagecheck.Faults(w.Body.Bytes()) {
				t.Error(fault)
			}
		})
	}
}

func TestErrorWithoutBodyForHead(t *testing.T) {
	e, _, _ := door(t)
	w := httptest.NewRecorder()
	e.ServeHTTP(w, httptest.NewRequest(http.MethodHead, "/nothing", nil))
	if w.Code != http.StatusNotFound || w.Body.Len() != 0 {
		t.Errorf("HEAD of nothing: %d, %d bytes", w.Code, w.Body.Len())
	}
}

// A form without the page's token is refused, wherever it comes from.
func TestFormsOfOtherSitesAreRefused(t *testing.T) {
	for name, change := range map[string]func(*http.Request){
		"no token":             func(*http.Request) {},
		"a token of one's own": func(r *http.Request) { r.Header.Set("X-CSRF-Token", "made up") },
		"from another site":    func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"from a sister site":   func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") },
		"another's cookie": func(r *http.Request) {
			r.AddCookie(&http.Cookie{Name: "farthingale_csrf", Value: "one"})
			r.Header.Set("X-CSRF-Token", "another")
		},
	} {
		t.Run(name, func(t *testing.T) {
			e, _, _ := door(t)
			r := httptest.NewRequest(http.MethodPost, "/sign-out", strings.NewReader(""))
			r.Header.Set("Content-Type", echo.MIMEApplicationForm)
			change(r)
			w := httptest.NewRecorder()
			e.ServeHTTP(w, r)
			if w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "The form is too old") {
				t.Errorf("status %d: %s", w.Code, w.Body)
			}
		})
	}
	e, _, _ := door(t)
	r := httptest.NewRequest(http.MethodPost, "/sign-out", strings.NewReader("csrf=t0ken"))
	r.Header.Set("Content-Type", echo.MIMEApplicationForm)
	r.AddCookie(&http.Cookie{Name: "farthingale_csrf", Value: "t0ken"})
	w := httptest.NewRecorder()
	e.ServeHTTP(w, r)
	if w.Code != http.StatusSeeOther {
		t.Errorf("the page's own form: %d: %s", w.Code, w.Body)
	}
}

func TestStaticFiles(t *testing.T) {
	e, _, _ := door(t)
	for path, kind := range map[string]string{"/static/farthingale.css": "text/css", "/static/mark.svg": "image/svg+xml"} {
		w := httptest.NewRecorder()
		e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Content-Type"), kind) || !strings.Contains(w.Header().Get("Cache-Control"), "max-age") {
			t.Errorf("%s: %d %v", path, w.Code, w.Header())
		}
	}
	for _, path := range []string{"/static/", "/static/../server.go", "/static/nothing.css"} {
		w := httptest.NewRecorder()
		e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if w.Code == http.StatusOK {
			t.Errorf("%s is served", path)
		}
	}
}

func TestProblemPages(t *testing.T) {
	e, _, _ := door(t)
	for path, status := range map[string]int{"/problems/P2": 200, "/problems/number_taken": 200, "/problems/%3Cscript%3E": 404, "/problems/" + strings.Repeat("a", 41): 404} {
		w := httptest.NewRecorder()
		e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if w.Code != status {
			t.Errorf("%s: %d, want %d", path, w.Code, status)
		}
		for _, fault := range pagecheck.Faults(w.Body.Bytes()) {
			t.Errorf("%s: %s", path, fault)
		}
	}
}
