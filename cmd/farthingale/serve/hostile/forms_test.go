package hostile_test

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// door is the pages of a museum as somebody uses them.
type door struct {
	*museum
	browsers map[domain.ID]*servetest.Browser
	sent     int
}

// formValues are sent to every field of every form.
func formValues() []naughty {
	all := slices.Clone(texts)
	for _, text := range []string{"0", "-1", "-0", "1.5", "1e999", "1e-400", "99999999999999999999", "Infinity", "0x10", "true", "[]", "2026-02-30", "9999-99-99", "-5000000-01-01", "2026-02-06T25:00", "+1000000-01-01T00:00",
		"urn:uuid:01890a5d-ac96-774b-bcce-b302099a8057", "00000000-0000-0000-0000-000000000000"} {
		all = append(all, naughty{what: text, text: text, kept: true})
	}
	return append(all, naughty{"a space", " ", true}, naughty{"nothing", "", true}, naughty{"bad UTF-8", "a\xff\xfe", false}, naughty{"a surrogate in UTF-8", "\xed\xa0\x80", false},
		naughty{"100 kB", strings.Repeat("ä", 50_000), false})
}

// TestEveryFormTakesHostileInput walks every form of every page that has a sample: each bad value in all
// its fields at once and, the worst of them, in each field alone; fields that are missing, given twice,
// and unknown; a body that is too large, and one that is no form. The door answers with a page, never
// with a fault; what is refused comes back as it was typed and changes nothing.
func TestEveryFormTakesHostileInput(t *testing.T) {
	t.Parallel()
	doc, err := readDocument()
	if err != nil {
		t.Fatal(err)
	}
	d := &door{museum: newMuseum(t, doc), browsers: map[domain.ID]*servetest.Browser{}}
	forms, fields, walked := 0, 0, map[string]bool{}
	for _, sample := range d.samples {
		if sample.File || sample.Status != 0 {
			continue
		}
		b, ok := d.browsers[sample.As.ID]
		if !ok {
			b = d.Browser(sample.As)
			d.browsers[sample.As.ID] = b
		}
		for _, f := range b.Get(sample.Path).Must(http.StatusOK).Forms() {
			path, _, _ := strings.Cut(f.Action, "?")
			c := d.Router.NewContext(nil, nil)
			d.Router.Router().Find(map[bool]string{true: http.MethodGet, false: http.MethodPost}[f.Get], path, c)
			name := fmt.Sprint(f.Get, c.Path(), slices.Sorted(maps.Keys(f.Kinds)))
			if walked[name] || unwalked[c.Path()] {
				continue
			}
			walked[name] = true
			walked[c.Path()] = true
			forms++
			fields += len(f.Kinds)
			d.form(sample.Path, b, f)
		}
	}
	for route := range d.Web.Acts() {
		method, path, _ := strings.Cut(route, " ")
		if method == http.MethodPost && !walked[path] && !unwalked[path] {
			t.Errorf("no sample shows the form of %s", route)
		}
	}
	t.Logf("%d forms, %d fields, %d requests", forms, fields, d.sent)
}

// unwalked are the routes whose forms are left out: signing out ends what the other forms need, the door of
// an empty house is shown in an empty house only, and the question for a code belongs to a sign-in that the
// first wrong codes end. How large a survey would be is asked by a second button of the form that begins one.
var unwalked = map[string]bool{"/sign-out": true, "/first": true, "/surveys/size": true, "/sign-in/code": true}

var tenMB = bytes.Repeat([]byte("a"), much)

// form walks one.
func (d *door) form(page string, b *servetest.Browser, f servetest.PageForm) {
	d.forget() // what signing in and looking changed
	var names []string
	for name, kind := range f.Kinds {
		// from says where to go back to, and is kept nowhere.
		if name != "csrf" && name != "from" && kind != "file" && kind != "submit" {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	spoil := func(what string, value naughty, names ...string) {
		values := url.Values{}
		for name, all := range f.Values {
			values[name] = slices.Clone(all)
		}
		for _, name := range names {
			values.Set(name, value.text)
		}
		d.check(page, b, f, what, values, value, names)
	}
	visible := slices.DeleteFunc(slices.Clone(names), func(name string) bool { return f.Kinds[name] == "hidden" })
	for _, v := range formValues() {
		if len(visible) > 0 {
			spoil("all fields are "+v.what, v, visible...)
		}
	}
	thrice := url.Values{}
	for name, all := range f.Values {
		thrice[name] = slices.Concat(all, all, all)
	}
	d.check(page, b, f, "all fields are given thrice", thrice, naughty{kept: true}, nil)
	for _, name := range names {
		spoil(name+" is NUL", naughty{text: "a\x00b"}, name)
		values := maps.Clone(f.Values)
		delete(values, name)
		d.check(page, b, f, name+" is missing", values, naughty{kept: true}, nil)
	}
	spoil("an unknown field", naughty{text: "x", kept: f.Get || len(visible) == 0}, "no_such_field.0.x")
	if !f.Get {
		d.raw(page, b, f, "a body of 10 MB", "application/x-www-form-urlencoded", append([]byte("csrf="+url.QueryEscape(f.Values.Get("csrf"))+"&x="), tenMB...))
		d.raw(page, b, f, "no form", "application/x-www-form-urlencoded", []byte("%zz=%&;=\x00"))
		d.raw(page, b, f, "JSON", "application/json", []byte(`{"a":1}`))
		d.raw(page, b, f, "half a form of parts", "multipart/form-data; boundary=x", []byte("--x\r\nContent-Disposition: form-data; name=\"a\"\r\n\r\nb"))
		d.raw(page, b, f, "a form of parts without a boundary", "multipart/form-data", []byte("--x\r\n"))
	}
}

// raw sends a body that no page sends; it may not be accepted.
func (d *door) raw(page string, b *servetest.Browser, f servetest.PageForm, what, kind string, body []byte) {
	r := httptest.NewRequest(http.MethodPost, f.Action, bytes.NewReader(body)).WithContext(d.t.Context())
	r.Header.Set("Content-Type", kind)
	d.sent++
	w := d.serve(r, b)
	if w.Code < 400 || w.Code >= 500 {
		d.t.Errorf("%s: the form of %s: %s: %d", page, f.Action, what, w.Code)
	}
	if touched := d.touched(); len(touched) > 0 {
		d.t.Errorf("%s: the form of %s: %s: changed %q", page, f.Action, what, touched)
	}
}

func (d *door) serve(r *http.Request, b *servetest.Browser) *httptest.ResponseRecorder {
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	for _, c := range b.Cookies() {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	d.Handler.ServeHTTP(w, r)
	return w
}

// check sends a filled form and takes back what it did; when it was refused after it wrote something, it is
// sent again, so that what a refusal leaves behind is seen. What must be refused is sent once, and nothing is taken back.
func (d *door) check(page string, b *servetest.Browser, f servetest.PageForm, what string, values url.Values, v naughty, typed []string) {
	d.sent++
	send := func(ctx context.Context) *httptest.ResponseRecorder {
		to, kind, body := f.Action, "application/x-www-form-urlencoded", values.Encode()
		method := http.MethodPost
		if f.Get {
			path, _, _ := strings.Cut(to, "?")
			method, to, body = http.MethodGet, path+"?"+body, ""
		}
		if f.Multipart {
			var parts bytes.Buffer
			w := multipart.NewWriter(&parts)
			for name, all := range values {
				for _, one := range all {
					if err := w.WriteField(name, one); err != nil {
						d.t.Fatal(err)
					}
				}
			}
			if err := w.Close(); err != nil {
				d.t.Fatal(err)
			}
			kind, body = w.FormDataContentType(), parts.String()
		}
		r := httptest.NewRequest(method, to, strings.NewReader(body)).WithContext(ctx)
		r.Header.Set("Content-Type", kind)
		return d.serve(r, b)
	}
	fault := func(w *httptest.ResponseRecorder, format string, arguments ...any) {
		d.t.Errorf("%s: the form of %s: %s: %d %s", page, f.Action, what, w.Code, fmt.Sprintf(format, arguments...))
	}
	var w *httptest.ResponseRecorder
	wrote := true // it may
	if v.kept || f.Get {
		wrote = d.takenBack(func(ctx context.Context) { w = send(ctx) })
	}
	if wrote && (w == nil || w.Code >= 400 && w.Code < 500) {
		w = send(d.t.Context())
		if touched := d.touched(); len(touched) > 0 {
			fault(w, "changed %q", touched)
		}
	}
	switch {
	case w.Code >= 500:
		fault(w, "a fault")
	case w.Code < 400 && !v.kept && !f.Get && w.Code != http.StatusOK:
		fault(w, "was accepted")
	case w.Code == http.StatusUnprocessableEntity && v.kept && len(typed) > 0 && !f.Get:
		root, err := html.Parse(w.Body)
		if err != nil {
			fault(w, "%v", err)
		}
		fold := func(s string) string { return strings.Join(strings.Fields(s), " ") }
		held := map[string]int{} // a row may come back as another: empty ones are left out
		for _, all := range servetest.Typed(root) {
			for _, one := range all {
				held[fold(one)]++
			}
		}
		want := 0
		for _, name := range typed {
			// A code of the second factor is as secret as a password, and does not come back.
			if kind := f.Kinds[name]; (kind == "text" || kind == "textarea") && name != "code" {
				want++
			}
		}
		if held[fold(v.text)] < want {
			fault(w, "%d fields were typed into, %d show it", want, held[fold(v.text)])
		}
	}
}
