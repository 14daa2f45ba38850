package servetest

import (
	"bytes"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"

	"golang.org/x/net/html"

	"farthingale/postgres"
)

// Browser is a browser without JavaScript. It keeps cookies and follows redirects.
type Browser struct {
	h      *House
	client *http.Client
}

// Browser signs somebody in by the form; the zero Someone stays outside.
func (h *House) Browser(who Someone) *Browser {
	h.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		h.t.Fatal(err)
	}
	b := &Browser{h: h, client: &http.Client{Jar: jar}}
	if who.SignInName != "" {
		p := b.Get("/sign-in").Must(http.StatusOK)
		p.Submit("/sign-in", url.Values{"sign_in_name": {who.SignInName}, "password": {Password}}).Must(http.StatusOK)
		if who.Secret != "" {
			p.b.Get("/sign-in/code").Submit("/sign-in/code", url.Values{"code": {string(h.Code(who))}}).Must(http.StatusOK)
		}
	}
	return b
}

// Cookies are those that the browser sends to the house, for a request that a test makes itself.
func (b *Browser) Cookies() []*http.Cookie {
	b.h.t.Helper()
	house, err := url.Parse(b.h.Server.URL)
	if err != nil {
		b.h.t.Fatal(err)
	}
	return b.client.Jar.Cookies(house)
}

// Page is a page that was shown.
type Page struct {
	b      *Browser
	Status int
	Header http.Header
	Path   string // after redirects
	Body   string
	Root   *html.Node
}

func (b *Browser) send(r *http.Request) *Page {
	b.h.t.Helper()
	answer, err := b.client.Do(r.WithContext(b.h.t.Context()))
	if err != nil {
		b.h.t.Fatalf("%s %s: %v", r.Method, r.URL, err)
	}
	defer func() { _ = answer.Body.Close() }()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		b.h.t.Fatalf("%s %s: %v", r.Method, r.URL, err)
	}
	root, err := html.Parse(bytes.NewReader(body))
	if err != nil {
		b.h.t.Fatalf("%s %s: %v", r.Method, r.URL, err)
	}
	return &Page{b: b, Status: answer.StatusCode, Header: answer.Header, Path: answer.Request.URL.RequestURI(), Body: string(body), Root: root}
}

// Get shows a page.
func (b *Browser) Get(path string) *Page {
	b.h.t.Helper()
	r, err := http.NewRequest(http.MethodGet, b.h.Server.URL+path, nil)
	if err != nil {
		b.h.t.Fatal(err)
	}
	return b.send(r)
}

// Queries shows a page, which must succeed, and says how many queries that took.
func (b *Browser) Queries(path string) int64 {
	b.h.t.Helper()
	ctx, n := postgres.CountQueries(b.h.t.Context())
	r := httptest.NewRequest(http.MethodGet, b.h.Server.URL+path, nil).WithContext(ctx)
	for _, c := range b.client.Jar.Cookies(r.URL) {
		r.AddCookie(c)
	}
	if w := b.h.record(r); w.Code != http.StatusOK {
		b.h.t.Fatalf("%s: status %d: %s", path, w.Code, w.Body)
	}
	return n.Load()
}

// Must fails the test unless the status is as wanted.
func (p *Page) Must(status int) *Page {
	p.b.h.t.Helper()
	if p.Status != status {
		p.b.h.t.Fatalf("%s: status %d, want %d: %s", p.Path, p.Status, status, p.Text())
	}
	return p
}

// Has fails the test unless the page's text holds all of the texts.
func (p *Page) Has(texts ...string) *Page {
	p.b.h.t.Helper()
	shown := p.Text()
	for _, text := range texts {
		if !strings.Contains(shown, text) {
			p.b.h.t.Errorf("%s does not say %q: %s", p.Path, text, shown)
		}
	}
	return p
}

// Text is what a person reads on the page, with single spaces.
func (p *Page) Text() string {
	var b strings.Builder
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data + " ")
		}
		if n.Type == html.ElementNode && (n.Data == "script" || n.Data == "style") {
			return
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(p.Root)
	return strings.Join(strings.Fields(b.String()), " ")
}

// Submit fills the form whose action begins with the given path and sends it: hidden fields, defaults and
// chosen options stay as the page has them, values replace or add. A value list that is empty leaves
// the field out.
func (p *Page) Submit(action string, values url.Values) *Page {
	p.b.h.t.Helper()
	return p.SubmitFiles(action, values)
}

// File is a file chosen in a form.
type File struct {
	Field, Name string
	Content     []byte
}

// SubmitFiles is Submit with files chosen.
func (p *Page) SubmitFiles(action string, values url.Values, files ...File) *Page {
	p.b.h.t.Helper()
	form := p.form(action)
	if form == nil {
		p.b.h.t.Fatalf("%s has no form for %s", p.Path, action)
	}
	filled := url.Values{}
	defaults(form, filled)
	for name, v := range values {
		filled[name] = v
	}
	target, err := url.Parse(p.b.h.Server.URL + p.Path)
	if err != nil {
		p.b.h.t.Fatal(err)
	}
	if target, err = target.Parse(attribute(form, "action")); err != nil {
		p.b.h.t.Fatal(err)
	}
	var body bytes.Buffer
	kind := "application/x-www-form-urlencoded"
	if attribute(form, "enctype") == "multipart/form-data" {
		w := multipart.NewWriter(&body)
		for name, all := range filled {
			for _, v := range all {
				if err := w.WriteField(name, v); err != nil {
					p.b.h.t.Fatal(err)
				}
			}
		}
		for _, f := range files {
			part, err := w.CreateFormFile(f.Field, f.Name)
			if err == nil {
				_, err = part.Write(f.Content)
			}
			if err != nil {
				p.b.h.t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			p.b.h.t.Fatal(err)
		}
		kind = w.FormDataContentType()
	} else {
		body.WriteString(filled.Encode())
	}
	method := http.MethodPost
	if strings.EqualFold(attribute(form, "method"), "get") || attribute(form, "method") == "" {
		target.RawQuery = filled.Encode()
		return p.b.Get(target.RequestURI())
	}
	r, err := http.NewRequest(method, target.String(), &body)
	if err != nil {
		p.b.h.t.Fatal(err)
	}
	r.Header.Set("Content-Type", kind)
	r.Header.Set("Referer", p.b.h.Server.URL+p.Path)
	return p.b.send(r)
}

// form is the form with this action, else the first whose action begins so.
func (p *Page) form(action string) *html.Node {
	var found *html.Node
	for n := range p.Root.Descendants() {
		if n.Type != html.ElementNode || n.Data != "form" {
			continue
		}
		switch to := attribute(n, "action"); {
		case to == action, strings.TrimSuffix(to, "#answer") == action && attribute(n, "method") == "post":
			return n
		case found == nil && strings.HasPrefix(to, action):
			found = n
		}
	}
	return found
}

func attribute(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, name string) bool {
	for _, a := range n.Attr {
		if a.Key == name {
			return true
		}
	}
	return false
}

// defaults collects what a browser would send if nobody touched the form.
func defaults(n *html.Node, values url.Values) {
	name := attribute(n, "name")
	if n.Type == html.ElementNode && name != "" {
		switch n.Data {
		case "input":
			switch attribute(n, "type") {
			case "checkbox", "radio":
				if has(n, "checked") {
					values.Add(name, attribute(n, "value"))
				}
			case "file", "submit":
			default:
				values.Add(name, attribute(n, "value"))
			}
		case "textarea":
			text := ""
			if n.FirstChild != nil {
				text = n.FirstChild.Data
			}
			values.Add(name, text)
		case "select":
			chosen := ""
			first := true
			for c := n.FirstChild; c != nil; c = c.NextSibling {
				if c.Data == "option" && (first || has(c, "selected")) {
					chosen = attribute(c, "value")
					first = false
				}
			}
			values.Add(name, chosen)
		}
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		defaults(c, values)
	}
}

// PageForm is a form of a page, as it would be sent if nobody touched it.
type PageForm struct {
	Action    string // resolved
	Get       bool
	Multipart bool
	Values    url.Values
	Kinds     map[string]string // of its fields by name: "text", "textarea", "select", "hidden" …
}

// Forms lists the forms of the page.
func (p *Page) Forms() []PageForm {
	p.b.h.t.Helper()
	base, err := url.Parse(p.Path)
	if err != nil {
		p.b.h.t.Fatal(err)
	}
	var all []PageForm
	for n := range p.Root.Descendants() {
		if n.Type != html.ElementNode || n.Data != "form" {
			continue
		}
		to, err := base.Parse(attribute(n, "action"))
		if err != nil {
			p.b.h.t.Fatalf("%s: %v", p.Path, err)
		}
		to.Fragment = ""
		f := PageForm{Action: to.String(), Get: !strings.EqualFold(attribute(n, "method"), http.MethodPost), Multipart: attribute(n, "enctype") == "multipart/form-data", Values: url.Values{}, Kinds: map[string]string{}}
		defaults(n, f.Values)
		for c := range n.Descendants() {
			name := attribute(c, "name")
			if c.Type != html.ElementNode || name == "" || c.Data == "button" {
				continue
			}
			f.Kinds[name] = c.Data
			if c.Data == "input" {
				f.Kinds[name] = attribute(c, "type")
			}
		}
		all = append(all, f)
	}
	return all
}

// Typed collects what the fields of all forms of a page hold.
func Typed(root *html.Node) url.Values {
	values := url.Values{}
	defaults(root, values)
	return values
}
