package serve_test

import (
	"fmt"
	"mime"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/people"
)

func newToken(scopes ...string) people.NewToken {
	return people.NewToken{Name: "test", Scopes: scopes, Days: 10}
}

// elsewhere are addresses that a browser would take for another site's.
//
// source: OWASP, Unvalidated Redirects and Forwards Cheat Sheet; WHATWG, URL Standard, "basic URL parser"
var elsewhere = []string{
	"//evil.test/", "///evil.test", "/\\evil.test", "\\\\evil.test", "/\t/evil.test", "/\n//evil.test", "/\r/evil.test", "http://evil.test/", "https:evil.test",
	"javascript:alert(1)", "data:text/html,x", " //evil.test", "%2F%2Fevil.test", "evil.test", "@evil.test", "/\u2028/evil.test\x00",
}

// TestNoRedirectLeadsAway: whatever an address or a form says, the answer stays in the house. That no
// Location leads away is held for every answer by servetest as well.
func TestNoRedirectLeadsAway(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	for _, to := range elsewhere {
		p := h.Browser(servetest.Someone{}).Get("/sign-in?to="+url.QueryEscape(to)).
			Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {servetest.Password}}).Must(http.StatusOK)
		if p.Path != "/" {
			t.Errorf("to %q: came to %s", to, p.Path)
		}
	}
	b := h.Browser(ines)
	for _, to := range elsewhere {
		n := agenda.Notice{At: h.Now(), People: []domain.ID{ines.ID}, Area: "treatment", Subject: domain.NewID(), Text: "The left cuff waits."}
		if err := h.Agenda.Notify(t.Context(), n); err != nil {
			t.Fatal(err)
		}
		p := b.Get("/").Submit("/notices/", url.Values{"from": {to}})
		if !strings.HasPrefix(p.Path, "/") || p.Path != "/" && p.Status == http.StatusOK {
			t.Errorf("from %q: came to %s", to, p.Path)
		}
		if p.Status != http.StatusOK { // refused as text that cannot be kept: nothing was read
			b.Get("/").Submit("/notices/", nil).Must(http.StatusOK)
		}
	}
	// The link back on a page of refusal.
	r := httptest.NewRequest(http.MethodGet, "http://museum.test/nothing", nil)
	r.Header.Set("Referer", "http://museum.test//evil.test/")
	w := httptest.NewRecorder()
	h.Handler.ServeHTTP(w, r)
	if strings.Contains(w.Body.String(), "evil.test") {
		t.Error("a refusal links to where the browser says it came from")
	}
}

// TestUploadsAreInert: what is no picture is refused whatever it calls itself, and a picture that holds
// a page or a script is sent as a picture that runs nothing.
func TestUploadsAreInert(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ines := g.People[domain.Conservator]
	const script = "<html><script>alert(document.domain)</script></html>"
	// A picture with a page in its comment; the same after its end is refused (F2).
	commented := func(comment string) []byte {
		picture := servetest.JPEG(7)
		return slices.Concat(picture[:2], []byte{0xFF, 0xFE, 0, byte(2 + len(comment))}, []byte(comment), picture[2:])
	}
	upload := func(content []byte, kind, name string) *servetest.Answer {
		r := httptest.NewRequest(http.MethodPost, "/api/v1/objects/"+g.Object.ID.String()+"/photos?view=front&light=normal&stage=general&file_name="+url.QueryEscape(name), strings.NewReader(string(content)))
		r.Header.Set("Content-Type", kind)
		r.Header.Set("Authorization", "Bearer "+ines.Token)
		return h.API(ines).Send(r, content)
	}
	before := h.Rows("photo", "file")
	for name, content := range map[string]string{
		"page.jpg": script, "drawing.svg": `<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>`, "moving.gif": "GIF89a/*" + script,
		"script.png": "\x89PNG alert(1)", "paper.pdf": "%PDF-1.7 " + script, "page.tiff": "II*\x00" + script, "empty.jpg": "",
		"both.jpg": string(servetest.JPEG(7)) + script,
	} {
		for _, kind := range []string{"image/jpeg", "application/octet-stream"} {
			if a := upload([]byte(content), kind, name); a.Status < 400 || a.Status >= 500 {
				t.Errorf("%s as %s: %d", name, kind, a.Status)
			}
		}
	}
	if after := h.Rows("photo", "file"); fmt.Sprint(before) != fmt.Sprint(after) {
		t.Errorf("refused files are kept: before %v, after %v", before, after)
	}
	for i, name := range []string{"suit.html", `a"; filename="b.html`, "line\r\nSet-Cookie: x=1.jpg", "..\\..\\x.svg", "Łódź ✓.jpg"} {
		a := upload(commented(script+strings.Repeat(" ", i)), "image/jpeg", name)
		if a.Status == http.StatusUnprocessableEntity && strings.Contains(name, "\r") {
			continue
		}
		made := a.Must(http.StatusCreated)
		id := strings.TrimPrefix(made.Header.Get("Location"), "/api/v1/photos/")
		original := h.API(ines).Get("/photos/" + id + "/original").Must(http.StatusOK)
		page := h.Browser(ines).Get("/files/photos/" + id + "/original").Must(http.StatusOK)
		for _, header := range []http.Header{original.Header, page.Header} {
			_, disposition, err := mime.ParseMediaType(header.Get("Content-Disposition"))
			if err != nil || !strings.HasSuffix(disposition["filename"], ".jpg") || header.Get("Content-Type") != "image/jpeg" || !strings.HasPrefix(header.Get("Content-Disposition"), "attachment") ||
				header.Get("Content-Security-Policy") != "default-src 'none'; sandbox" || header.Get("X-Content-Type-Options") != "nosniff" {
				t.Errorf("%q is sent as %v", name, header)
			}
		}
	}
}
