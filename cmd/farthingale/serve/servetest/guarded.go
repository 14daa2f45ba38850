package servetest

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve"
	"farthingale/domain/photo/iiif"
	"farthingale/domain/photo/mark"
	"farthingale/web"
)

// guarded fails the test on any answer of the house that lacks one of the headers that every answer
// has, or that leads or may be sniffed elsewhere: pages, files, redirects, refusals, faults, the API.
type guarded struct {
	t    testing.TB
	next http.Handler
	tls  bool
}

func (g *guarded) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	g.next.ServeHTTP(&guardedAnswer{ResponseWriter: w, g: g, r: r}, r)
}

// guardedAnswer looks at the headers in the moment in which they are sent.
type guardedAnswer struct {
	http.ResponseWriter
	g    *guarded
	r    *http.Request
	sent bool
}

// Unwrap lets http.ResponseController reach the connection.
func (a *guardedAnswer) Unwrap() http.ResponseWriter { return a.ResponseWriter }

func (a *guardedAnswer) WriteHeader(status int) {
	if !a.sent && status >= 200 {
		a.sent = true
		for _, fault := range HeaderFaults(a.r, status, a.Header(), a.g.tls) {
			a.g.error(fmt.Sprintf("%s %s answers %d: %s", a.r.Method, a.r.URL, status, fault))
		}
	}
	a.ResponseWriter.WriteHeader(status)
}

func (a *guardedAnswer) Write(b []byte) (int, error) {
	if !a.sent {
		a.WriteHeader(http.StatusOK)
	}
	return a.ResponseWriter.Write(b)
}

func (g *guarded) error(text string) {
	defer func() { _ = recover() }() // a request may end after its test
	g.t.Error(text)
}

// contentTypes and fileTypes are all that the house sends. A browser runs nothing of them but the
// pages' own.
var (
	contentTypes = []string{"text/html; charset=UTF-8", "text/plain; charset=UTF-8", "text/plain; charset=utf-8", "text/css; charset=utf-8",
		"application/json", "application/problem+json", mark.AnnotationProfile, iiif.ImageProfile, iiif.PresentationProfile}
	fileTypes = []string{"text/csv; charset=utf-8", "application/pdf", "application/vnd.openxmlformats-officedocument.wordprocessingml.document",
		"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "image/jpeg", "image/png", "image/tiff"}
)

// HeaderFaults says what is wrong with the headers of an answer.
func HeaderFaults(r *http.Request, status int, h http.Header, tls bool) (faults []string) {
	fault := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }
	for name, want := range serve.Fixed {
		if got := h.Values(name); len(got) != 1 || got[0] != want {
			fault("%s is %q, want %q", name, got, want)
		}
	}
	static := strings.HasPrefix(r.URL.Path, "/static/")
	kind := h.Get("Content-Type")
	file := slices.Contains(fileTypes, kind) && !static
	switch policy := h.Values("Content-Security-Policy"); {
	case len(policy) != 1 || policy[0] != serve.PagePolicy && policy[0] != serve.FilePolicy:
		fault("policy of content %q", policy)
	case file && status < 300 && policy[0] != serve.FilePolicy:
		fault("a file of kind %s is sent under the pages' policy", kind)
	case strings.HasPrefix(kind, "text/html") && policy[0] != serve.PagePolicy:
		fault("a page is sent under the policy of files")
	}
	if file && status == http.StatusOK && h.Get("Content-Disposition") == "" {
		fault("a file of kind %s has no Content-Disposition", kind)
	}
	if got := h.Values("Strict-Transport-Security"); tls != slices.Equal(got, []string{serve.Transport}) || !tls && len(got) > 0 {
		fault("Strict-Transport-Security is %q", got)
	}
	switch kept := h.Get("Cache-Control"); {
	case kept == "no-store":
	case kept == "private, no-cache" && (file || status == http.StatusNotModified || status == http.StatusRequestedRangeNotSatisfiable):
	case kept == "public, max-age=86400" && static:
	default:
		fault("Cache-Control is %q", kept)
	}
	bodiless := r.Method == http.MethodHead || status == http.StatusNoContent || status >= 300 && status < 400
	if !bodiless && !file && !slices.Contains(contentTypes, kind) && (!static || kind != "image/svg+xml" && kind != "text/javascript; charset=utf-8") {
		fault("Content-Type is %q", kind)
	}
	if to := h.Get("Location"); to != "" && (!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t")) {
		fault("leads away, to %q", to)
	}
	for _, name := range []string{"Server", "X-Powered-By", "Access-Control-Allow-Origin"} {
		if h.Get(name) != "" && (name != "Access-Control-Allow-Origin" || !strings.HasPrefix(r.URL.Path, web.IIIFPrefix) || h.Get(name) != "*") {
			fault("says %s: %s", name, h.Get(name))
		}
	}
	return append(faults, cookieFaults(h, tls)...)
}

// cookieFaults says what is wrong with the cookies that an answer sets. Under TLS each has the prefix
// __Host-: it came from this very host, over TLS, for the whole site.
//
// source: RFC 6265bis, 4.1.3.2 "The __Host- Prefix"
func cookieFaults(h http.Header, tls bool) (faults []string) {
	for _, line := range h.Values("Set-Cookie") {
		c, err := http.ParseSetCookie(line)
		if err != nil {
			faults = append(faults, err.Error())
			continue
		}
		name := strings.TrimPrefix(c.Name, "__Host-")
		if name != "farthingale_session" && name != "farthingale_csrf" {
			faults = append(faults, "sets the cookie "+c.Name)
		}
		if !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || c.Path != "/" || c.Domain != "" || c.Secure != tls || tls != strings.HasPrefix(c.Name, "__Host-") {
			faults = append(faults, "sets a cookie that others may read or set: "+strings.Replace(line, c.Value, "…", 1))
		}
	}
	return faults
}
