package hostile_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/cmd/farthingale/serve/servetest/contract"
	"farthingale/openapi"
)

// spoilt is a request with one thing in it that is not as it should be.
type spoilt struct {
	*request
	what    string   // in words
	refused bool     // it must be refused; else it is text that may be kept, or a rule decides
	status  []int    // with which a refusal answers
	names   []string // of which a refusal names one: a pointer, a parameter, a header
	shown   string   // text that is shown back as typed, when it was accepted
	known   string   // parameter that may be refused for what it says, but not as unknown
}

// dry takes back also what must be refused, so that one finding does not lead to others.
var dry = os.Getenv("FARTHINGALE_DRY") != ""

// only is the one operation that is walked, such as "POST /objects"; "": all.
var only = os.Getenv("FARTHINGALE_OPERATION")

// walk sends the spoilt requests of all operations.
type walk struct {
	*museum
	contract                     *contract.Contract
	fields, sent, refused, taken *atomic.Int64
	refusals                     []string // since somebody last looked what was touched
}

// TestEveryOperationTakesHostileInput walks every operation of the contract. Each gets every bad value in
// every field of the body, in every parameter and header, one at a time, in a request that is otherwise
// accepted. What the schema does not allow is refused with a problem that names the field, and changes
// nothing in the database or the bucket; what it allows is shown back as it was typed, or refused by a
// rule. Nothing is a fault of the program.
func TestEveryOperationTakesHostileInput(t *testing.T) {
	t.Parallel()
	doc, err := readDocument()
	if err != nil {
		t.Fatal(err)
	}
	b, err := openapi.Document()
	if err != nil {
		t.Fatal(err)
	}
	k, err := contract.New(b)
	if err != nil {
		t.Fatal(err)
	}
	queue := make(chan *operation, 1000)
	walked := 0
	for _, o := range doc.operations() {
		if only == "" || o.name() == only {
			queue <- o
			walked++
		}
	}
	close(queue)
	var fields, sent, refused, taken atomic.Int64
	var group sync.WaitGroup
	for range 2 { // houses side by side, so that each can say which request touched it
		w := &walk{museum: newMuseum(t, doc), contract: k, fields: &fields, sent: &sent, refused: &refused, taken: &taken}
		group.Go(func() {
			for o := range queue {
				w.operation(o)
			}
		})
	}
	group.Wait()
	if only == "" && (fields.Load() < 1300 || sent.Load() < 20_000) {
		t.Errorf("only %d fields and %d requests", fields.Load(), sent.Load())
	}
	t.Logf("%d operations, %d fields and parameters, %d requests: %d refused, %d accepted", walked, fields.Load(), sent.Load(), refused.Load(), taken.Load())
}

// operation walks one.
func (w *walk) operation(o *operation) {
	var base *request
	var why []string
	if needsCode[o.name()] {
		base = w.codeless(o)
	} else if base, why = w.base(o); base == nil {
		w.t.Errorf("%s: no request of it is accepted in the museum of this test. Give it rows (servetest.House.Stages) or words. It was refused: %q", o.name(), why)
		return
	}
	w.forget()
	before := w.files()
	if !needsCode[o.name()] {
		w.checkTexts(base)
	}
	for _, s := range slices.Concat(w.spoiltBody(base), w.spoiltWhole(base), w.spoiltParameters(base), w.spoiltTokens(base)) {
		if _, same := w.check(s); !same {
			break // the museum is no longer what the base was made for
		}
	}
	w.look(o)
	if after := w.files(); !slices.Equal(before, after) && !w.uploads(o) {
		w.t.Errorf("%s: the bucket held %d files, and holds %d", o.name(), len(before), len(after))
	}
}

// uploads says that a base request of the operation leaves a file, whose row was taken back.
func (w *walk) uploads(o *operation) bool { return len(o.bodies) > 0 && o.json() == "" }

// files lists the bucket.
func (w *walk) files() []string {
	var all []string
	if err := fs.WalkDir(os.DirFS(w.folder), ".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			all = append(all, path)
		}
		return err
	}); err != nil {
		w.t.Fatal(err)
	}
	return all
}

// check sends one and says what is wrong with the answer, which it gives. false: it was accepted, and
// should not be.
func (w *walk) check(s spoilt) (*answer, bool) {
	w.sent.Add(1)
	fault := func(a *answer, format string, arguments ...any) {
		body := string(a.body)
		if len(body) > 400 {
			body = body[:400] + "…"
		}
		w.t.Errorf("%s: %s: %s\n\t%d %s", s.o.name(), s.what, fmt.Sprintf(format, arguments...), a.status, body)
	}
	var a *answer
	if dry || !s.refused && !s.o.reads() {
		var wrote bool
		a, wrote = w.try(s.request, func(ctx context.Context, a *answer) {
			if s.shown != "" && a.status < 300 && !w.shows(ctx, s.request, a, s.shown) {
				fault(a, "is not shown back as typed")
			}
		})
		if wrote && a.status >= 300 && a.status < 500 {
			a = w.send(w.t.Context(), s.request) // for what a refusal leaves behind
		}
	} else {
		a = w.send(w.t.Context(), s.request)
	}
	switch {
	case a.status >= 500:
		fault(a, "a fault")
	case a.status < 400:
		w.taken.Add(1)
		if s.refused {
			fault(a, "was accepted")
			w.touched()
			return a, dry || s.o.reads()
		}
		a.Request.Body = io.NopCloser(bytes.NewReader(s.encoded()))
		for _, wrong := range w.contract.Hold(a.Request, a.recorded.Result()) {
			fault(a, "%s", wrong)
		}
	default:
		w.refused.Add(1)
		w.checkRefusal(s, a, fault)
	}
	if !s.o.reads() && a.status >= 400 { // of reads, all are looked at together
		if w.refusals = append(w.refusals, s.what); len(w.refusals) == lookAfter || only != "" {
			w.look(s.o)
		}
	}
	return a, true
}

// lookAfter is how many refusals go by until somebody looks whether one of them changed anything. When one operation
// is walked, each is looked at.
const lookAfter = 20

// look says whether something was changed, and by which requests it may have been.
func (w *walk) look(o *operation) {
	if what := w.touched(); len(what) > 0 {
		w.t.Errorf("%s: changed %q. It was one of these refusals, or of the requests between them: %.100q", o.name(), what, w.refusals)
	}
	w.refusals = nil
}

// checkRefusal says what is wrong with a refusal.
func (w *walk) checkRefusal(s spoilt, a *answer, fault func(a *answer, format string, arguments ...any)) {
	if s.o.method == http.MethodHead {
		return
	}
	var document any
	if a.status == http.StatusRequestedRangeNotSatisfiable && len(w.contract.Hold(a.Request, a.recorded.Result())) == 0 {
		return
	}
	if err := json.Unmarshal(a.body, &document); err != nil || a.header.Get("Content-Type") != "application/problem+json" {
		fault(a, "the refusal is no problem document but %s", a.header.Get("Content-Type"))
		return
	}
	if err := w.doc.valid("#/components/schemas/Problem", document); err != nil {
		fault(a, "the problem document is not as the contract says: %v", err)
	}
	p := a.problem()
	if p.Status != a.status {
		fault(a, "the problem says %d", p.Status)
	}
	if s.known != "" && slices.ContainsFunc(p.Errors, func(e api.Pointed) bool { return e.Rule == "unknown" }) {
		fault(a, "%s is documented and unknown", s.known)
	}
	if !s.refused {
		return
	}
	if !slices.Contains(s.status, a.status) {
		fault(a, "want %d", s.status)
	}
	if len(s.names) == 0 {
		return
	}
	for _, name := range s.names {
		for _, e := range p.Errors {
			if pointer := strings.TrimPrefix(e.Pointer, "#"); pointer == name || strings.HasPrefix(pointer, name+"/") {
				return
			}
		}
		if strings.Contains(p.Detail, name) {
			return
		}
	}
	if p.Rule != "" && len(p.Missing) > 0 { // a numbered rule lists what must be there first
		return
	}
	fault(a, "names none of %q", s.names)
}

// keptOnly are acts whose only text is a reason that the event of the act keeps and no answer shows.
var keptOnly = map[string]bool{"POST /places/{id}/moves": true, "POST /treatments/{id}/hand-overs": true}

// shows says whether the answer to an act, or what the record of events says of it, holds the text as it
// was typed, but for spaces at its ends, and for the dividers of a kind, which are typed in two ways.
func (w *walk) shows(ctx context.Context, q *request, a *answer, text string) bool {
	if holds(a.body, text) || keptOnly[q.o.name()] {
		return true
	}
	events := &request{o: &operation{method: http.MethodGet, path: "/events"}, as: w.people[0], header: http.Header{}}
	if holds(w.send(ctx, events).body, text) {
		return true
	}
	var made struct {
		Handling string `json:"handling_id"`
	}
	if json.Unmarshal(a.body, &made) != nil || made.Handling == "" {
		return false
	}
	handling := &request{o: &operation{method: http.MethodGet, path: "/handlings/{id}"}, as: w.people[0], path: map[string]string{"id": made.Handling}, header: http.Header{}}
	return holds(w.send(ctx, handling).body, text)
}

// holds says whether some text of a JSON document holds the text.
func holds(body []byte, text string) bool {
	var v any
	if json.Unmarshal(body, &v) != nil {
		return false
	}
	fold := func(s string) string { return strings.Join(strings.Fields(strings.ReplaceAll(s, ">", "›")), "") }
	text = strings.Trim(fold(text), "›")
	var look func(v any) bool
	look = func(v any) bool {
		switch v := v.(type) {
		case string:
			return strings.Contains(fold(v), text)
		case []any:
			return slices.ContainsFunc(v, look)
		case map[string]any:
			for _, one := range v {
				if look(one) {
					return true
				}
			}
		}
		return false
	}
	return look(v)
}

// decoded says that a schema's text is read by the decoder, which stops at the first that it cannot read.
func decoded(schema map[string]any) bool {
	pattern, _ := schema["pattern"].(string)
	return schema["format"] == "uuid" || schema["format"] == "date-time" || strings.Contains(pattern, "[0-9]")
}

// checkTexts puts each text into all fields at once that take one: first into those that must refuse
// it, of which every one is named, since all faults are told at once; then into those that may keep it.
func (w *walk) checkTexts(base *request) {
	o := base.o
	if o.json() == "" {
		return
	}
	words := w.words()
	var fields []field
	for _, f := range w.doc.fields(o.json()) {
		if _, schema := w.doc.resolve(f.schema); jsonKind(schema) == "string" && !decoded(schema) {
			fields = append(fields, f)
		}
	}
	for _, v := range texts {
		value := written(v.text)
		with := func(fields []field) *request {
			q := base.clone()
			for _, f := range fields {
				q.body = w.reach(q, words, f)
				put(q.body, f.path, value)
			}
			return q
		}
		alone := func(f field, refused bool) {
			s := spoilt{request: with([]field{f}), what: f.pointer() + " is " + v.what, refused: refused, status: []int{http.StatusUnprocessableEntity}, names: []string{f.pointer()}}
			if f.path[len(f.path)-1] != "password" {
				s.shown = v.text
			}
			w.check(s)
		}
		var bad, free []field
		for _, f := range fields {
			switch {
			case !v.kept || !w.doc.validJSON(f.schema, value):
				bad = append(bad, f)
			case at(base.body, f.path) != nil:
				free = append(free, f)
			default: // a rule wants something else in its place
				alone(f, false)
			}
		}
		if len(bad) > 0 {
			s := spoilt{request: with(bad), what: fmt.Sprintf("%d texts are %s", len(bad), v.what), refused: true, status: []int{http.StatusUnprocessableEntity}}
			a, _ := w.check(s)
			p := a.problem()
			for _, f := range bad {
				if !slices.ContainsFunc(p.Errors, func(e api.Pointed) bool { return e.Pointer == "#"+f.pointer() }) {
					alone(f, true)
				}
			}
		}
		for len(free) > 0 {
			a, _ := w.check(spoilt{request: with(free), what: fmt.Sprintf("%d texts are %s", len(free), v.what), shown: v.text})
			p := a.problem()
			rest := slices.DeleteFunc(slices.Clone(free), func(f field) bool {
				return slices.ContainsFunc(p.Errors, func(e api.Pointed) bool { return e.Pointer == "#"+f.pointer() })
			})
			if len(p.Errors) > 0 && len(rest) < len(free) {
				free = rest // refused with words; the others are tried without these
				continue
			}
			if p.Status >= 400 { // a rule; one by one
				for _, f := range free {
					alone(f, false)
				}
			}
			break
		}
	}
}

// spoiltBody spoils every field of a JSON body.
func (w *walk) spoiltBody(base *request) (all []spoilt) {
	o := base.o
	if o.json() == "" {
		return nil
	}
	words := w.words()
	long := false
	for _, f := range w.doc.fields(o.json()) {
		w.fields.Add(1)
		body := w.reach(base, words, f)
		_, schema := w.doc.resolve(f.schema)
		add := func(what string, value raw, s spoilt) {
			s.request = base.clone()
			s.body = copied(body)
			if len(f.path) == 0 {
				s.body = value
			} else if !put(s.body, f.path, value) {
				w.t.Errorf("%s: cannot reach %s", o.name(), f.pointer())
				return
			}
			s.what = f.pointer() + " is " + what
			if s.refused && s.names == nil {
				s.names = []string{f.pointer()}
			}
			if s.status == nil {
				s.status = []int{http.StatusUnprocessableEntity}
			}
			all = append(all, s)
		}
		for _, v := range others {
			if !v.sent(jsonKind(schema)) {
				continue
			}
			s := spoilt{refused: !w.doc.validJSON(f.schema, v.value)}
			if n := len(f.path); !v.value.parses() && n > 0 {
				s.names = []string{f.pointer(), "Look at " + field{path: f.path[:n-1]}.pointer()}
				if n == 1 {
					s.names[1] = "not JSON"
				}
			}
			if !v.value.parses() {
				s.refused, s.status = true, []int{http.StatusBadRequest, http.StatusUnprocessableEntity}
			}
			if len(f.path) == 0 {
				s.names = []string{""}
				s.status = []int{http.StatusBadRequest, http.StatusUnprocessableEntity}
			}
			add(v.what, v.value, s)
		}
		if jsonKind(schema) == "string" && decoded(schema) {
			for _, v := range texts {
				add(v.what, written(v.text), spoilt{refused: true})
			}
		}
		if most, ok := schema["maxLength"].(float64); ok && schema["format"] == nil {
			add("over-long by one", written(strings.Repeat("ä", int(most)+1)), spoilt{refused: true})
			if free(schema) && !long {
				long = true
				add("1 MB", written(strings.Repeat("a", large)), spoilt{refused: true, status: []int{http.StatusRequestEntityTooLarge}, names: []string{"body"}})
				add("nearly 1 MB", written(strings.Repeat("a", large-100_000)), spoilt{refused: true})
			}
		}
		if jsonKind(schema) == "array" {
			one := w.example(base, words, whereItems(w.doc, f), f.name()+"/0", true)
			if most, ok := schema["maxItems"].(float64); ok {
				var list []string
				for range int(most) + 1 {
					list = append(list, string(encode(one)))
				}
				add("too long a list", raw("["+strings.Join(list, ",")+"]"), spoilt{refused: true})
			}
			if schema["uniqueItems"] == true {
				add("a list of the same twice", raw("["+string(encode(one))+","+string(encode(one))+"]"), spoilt{refused: true})
			}
		}
		if jsonKind(schema) == "object" && len(asMap(schema["properties"])) > 0 {
			whole, _ := at(body, f.path).(map[string]any)
			unknown := copied(whole).(map[string]any)
			unknown["no_such_member"] = 1.0
			add("an object with an unknown member", raw(encode(unknown)), spoilt{refused: true, names: []string{f.pointer() + "/no_such_member"}})
			for name := range whole {
				twice := append(append([]byte{'{'}, encode(name)...), ':')
				twice = append(append(twice, encode(whole[name])...), ',')
				twice = append(twice, encode(whole)[1:]...)
				add("an object with a member given twice", raw(twice), spoilt{refused: true, status: []int{http.StatusBadRequest}, names: []string{f.pointer() + "/" + name}})
				break
			}
		}
		if len(f.path) > 0 && f.required && f.path[len(f.path)-1] != "0" {
			s := spoilt{request: base.clone(), what: f.pointer() + " is missing", refused: true, status: []int{http.StatusUnprocessableEntity}, names: []string{f.pointer()}}
			s.body = copied(body)
			remove(s.body, f.path)
			all = append(all, s)
		}
	}
	return all
}

// reach is the base's body with the field in it.
func (w *walk) reach(base *request, words map[string]any, f field) any {
	body := copied(base.body)
	for i := range f.path {
		path := f.path[:i+1]
		if here := at(body, path); here != nil {
			continue
		}
		for _, g := range w.doc.fields(base.o.json()) {
			if slices.Equal(g.path, path) {
				value := w.example(base, words, g.schema, g.name(), i < len(f.path)-1)
				if path[i] == "0" {
					put(body, path[:i], []any{value})
				} else {
					put(body, path, value)
				}
			}
		}
	}
	return body
}

// whereItems is the pointer of the schema of a list's elements.
func whereItems(d *document, f field) string {
	where, _ := d.resolve(f.schema)
	return where + "/items"
}

// at is what a path of a body names.
func at(body any, path []string) any {
	if len(path) == 0 {
		return body
	}
	switch p := parent(body, path).(type) {
	case map[string]any:
		return p[path[len(path)-1]]
	case []any:
		if len(p) > 0 {
			return p[0]
		}
	}
	return nil
}

// spoiltWhole spoils the body as a whole.
func (w *walk) spoiltWhole(base *request) (all []spoilt) {
	if len(base.o.bodies) == 0 {
		return nil
	}
	add := func(what, kind string, body []byte, status ...int) {
		s := spoilt{request: base.clone(), what: what, refused: true, status: status}
		s.body, s.bytes = nil, body
		s.header.Set("Content-Type", kind)
		if kind == "" {
			s.header.Del("Content-Type")
		}
		all = append(all, s)
	}
	whole := base.encoded()
	for _, kind := range []string{"", "text/plain", "application/x-www-form-urlencoded", "text/json; charset", "application/xml", "application/jsonx", "multipart/form-data", "multipart/form-data; boundary=x", "*/*"} {
		if base.o.json() != "" {
			add("sent as "+kind, kind, whole, http.StatusUnsupportedMediaType)
		}
	}
	if base.o.takesList() {
		return append(all, w.spoiltList(base)...)
	}
	if base.o.json() == "" {
		return append(all, w.spoiltUpload(base)...)
	}
	const json = "application/json"
	add("no body", json, []byte{}, http.StatusBadRequest)
	add("a body of spaces", json, []byte("  \n"), http.StatusBadRequest)
	add("half a body", json, whole[:max(1, len(whole)/2)], http.StatusBadRequest)
	add("two bodies", json, append(slices.Clone(whole), whole...), http.StatusBadRequest)
	add("a body behind a byte order mark", json, append([]byte("\ufeff"), whole...), http.StatusBadRequest)
	add("a body in UTF-16", json, []byte("{\x00}\x00"), http.StatusBadRequest)
	add("10,000 lists in lists", json, []byte(strings.Repeat("[", deep)+strings.Repeat("]", deep)), http.StatusBadRequest, http.StatusUnprocessableEntity)
	add("10,000 lists that do not end", json, []byte(strings.Repeat("[", deep)), http.StatusBadRequest, http.StatusUnprocessableEntity)
	add("10,000 objects in objects", json, []byte(strings.Repeat(`{"a":`, deep)+"1"+strings.Repeat("}", deep)), http.StatusBadRequest, http.StatusUnprocessableEntity)
	add("a body of 10 MB", json, append(bytes.Repeat([]byte(" "), much), whole...), http.StatusRequestEntityTooLarge)
	for _, f := range w.doc.fields(base.o.json()) {
		if len(f.path) == 1 { // deep nesting below the first member
			s := base.clone()
			s.body = w.reach(base, w.words(), f)
			put(s.body, f.path, raw(strings.Repeat("[", deep)+strings.Repeat("]", deep)))
			add("10,000 lists in "+f.pointer(), json, s.encoded(), http.StatusBadRequest, http.StatusUnprocessableEntity)
			break
		}
	}
	return all
}

// spoiltParameters spoils the path, the query and the headers.
func (w *walk) spoiltParameters(base *request) (all []spoilt) {
	for _, p := range base.o.parameters {
		w.fields.Add(1)
		switch p.in {
		case "path":
			all = append(all, w.spoiltPath(base, p)...)
		case "query":
			all = append(all, w.spoiltQuery(base, p)...)
		case "header":
			all = append(all, w.spoiltHeader(base, p)...)
		}
	}
	s := spoilt{request: base.clone(), what: "an unknown parameter", refused: base.o.reads(), status: []int{http.StatusUnprocessableEntity}, names: []string{"/no_such_parameter"}}
	s.query = orNew(s.query)
	s.query.Set("no_such_parameter", "1")
	return append(all, s)
}

// parameterTexts are the values for a parameter of a kind and a format of the contract.
func parameterTexts(kind, format string) []naughty {
	all := slices.Clone(texts)
	more := []string{"0", "-1", "99999999999999999999", "NaN", "a,b"}
	switch {
	case kind == "integer":
		more = append(more, "1.5", "1e3", "1e999", "-0", "+1", "01", "0x10", "Infinity", "true", "١")
	case kind == "boolean":
		more = append(more, "yes", "TRUE", "on")
	case format == "uuid":
		more = append(more, "00000000-0000-0000-0000-000000000000", "{01890a5d-ac96-774b-bcce-b302099a8057}", "urn:uuid:01890a5d-ac96-774b-bcce-b302099a8057",
			"01890a5dac96774bbcceb302099a8057", "01890A5D-AC96-774B-BCCE-B302099A8057")
	default:
		more = append(more, "[]", "{}", "9999-99-99", "2026-02-30", "0000-00-00", "-5000000-01-01", "2026-02-06T25:00:00Z", "+1000000-01-01T00:00:00Z", "0001-01-01", "9999-12-31", "9999-12-31T23:59:60Z")
	}
	for _, text := range more {
		all = append(all, naughty{what: text, text: text, kept: true})
	}
	return append(all, naughty{"bad UTF-8", "a\xff\xfe", false}, naughty{"half of a character", "\xc3", false}, naughty{"a surrogate in UTF-8", "\xed\xa0\x80", false},
		naughty{"8 kB", strings.Repeat("a", 8000), true})
}

func (w *walk) spoiltPath(base *request, p parameter) (all []spoilt) {
	_, schema := w.doc.resolve(p.schema)
	format, _ := schema["format"].(string)
	for _, v := range parameterTexts(jsonKind(schema), format) {
		s := spoilt{request: base.clone(), what: "{" + p.name + "} is " + v.what, refused: true, status: []int{http.StatusNotFound}}
		s.path[p.name] = v.text
		all = append(all, s)
	}
	return all
}

func (w *walk) spoiltQuery(base *request, p parameter) (all []spoilt) {
	add := func(what, value string, kept bool) {
		s := spoilt{request: base.clone(), what: p.name + " is " + what, status: []int{http.StatusUnprocessableEntity, http.StatusBadRequest}, names: []string{"/" + p.name, "page mark"}}
		s.refused = !kept || !w.validText(p.schema, value)
		s.query = orNew(s.query)
		s.query.Set(p.name, value)
		all = append(all, s)
	}
	_, schema := w.doc.resolve(p.schema)
	format, _ := schema["format"].(string)
	for _, v := range parameterTexts(jsonKind(schema), format) {
		add(v.what, v.text, v.kept)
	}
	add("over-long", strings.Repeat("a", 4001), false)
	for what, raw := range map[string]string{"given twice": "=1&" + p.name + "=1", "badly escaped": "=%zz", "divided by a semicolon": "=1;" + p.name + "=2"} {
		s := spoilt{request: base.clone(), what: p.name + " is " + what, refused: true, status: []int{http.StatusUnprocessableEntity, http.StatusBadRequest}}
		rest := s.query
		if rest != nil {
			rest.Del(p.name)
		}
		s.raw = p.name + raw
		if len(rest) > 0 {
			s.raw += "&" + url.Values(rest).Encode()
		}
		all = append(all, s)
	}
	add("empty", "", true)
	s := spoilt{request: base.clone(), what: p.name + " is as it should be", known: p.name}
	s.query = orNew(s.query)
	s.query.Set(p.name, fmt.Sprint(w.example(base, w.words(), p.schema, p.name, true)))
	return append(all, s)
}

// validText says whether a parameter's text is what its schema allows.
func (w *walk) validText(pointer, text string) bool {
	_, schema := w.doc.resolve(pointer)
	switch jsonKind(schema) {
	case "integer", "number", "boolean":
		return raw(text).parses() && w.doc.validJSON(pointer, raw(text))
	}
	return w.doc.valid(pointer, text) == nil
}

func (w *walk) spoiltHeader(base *request, p parameter) (all []spoilt) {
	add := func(value string, refused bool, status ...int) {
		s := spoilt{request: base.clone(), what: fmt.Sprintf("%s is %.80q", p.name, value), refused: refused, status: status}
		s.header.Set(p.name, value)
		all = append(all, s)
	}
	switch p.name {
	case "If-Match":
		s := spoilt{request: base.clone(), what: "no If-Match", refused: true, status: []int{http.StatusPreconditionRequired}, names: []string{"If-Match"}}
		s.header.Del("If-Match")
		all = append(all, s)
		tag := base.header.Get("If-Match")
		if tag == "" {
			w.t.Errorf("%s: its base has no If-Match", base.o.name())
		}
		inner := strings.Trim(tag, `"v`)
		for _, bad := range []string{"*", "v" + inner, inner, `W/` + tag, `"v0` + inner + `"`, `"v+` + inner + `"`, `"v-1"`, `"v0"`, `"v99999999"`, `"v99999999999999999999"`, `"v 1"`, `"` + inner + `"`, `"V` + inner + `"`, `""`, `"`,
			tag + tag, tag + ", \"v9999\"", strings.Repeat(tag, 1000), `"v1e999"`, `"vNaN"`, `"v` + inner + `-gzip-gzip"`, "\"v1\x00\"", "\"v\xff\"", `'; drop table object; --`, "../../etc/passwd", "\u202e" + tag, `"v١"`} {
			add(bad, true, http.StatusPreconditionFailed, http.StatusBadRequest)
		}
		s = spoilt{request: base.clone(), what: "an empty If-Match", refused: true, status: []int{http.StatusPreconditionRequired}}
		s.header.Set("If-Match", " ")
		all = append(all, s)
	case "Idempotency-Key":
		for _, v := range texts {
			if strings.ContainsAny(v.text, "\r\n\t") {
				continue // no header holds these
			}
			add(v.text, !v.kept, http.StatusBadRequest, http.StatusUnprocessableEntity)
		}
		for _, bad := range []string{strings.Repeat("k", 201), strings.Repeat("k", large), "a\xff", "\xed\xa0\x80", "a\x7f"} {
			add(bad, true, http.StatusBadRequest, http.StatusUnprocessableEntity)
		}
	case "Range":
		for _, odd := range []string{"bytes=", "bytes=a-b", "bytes=-1", "bytes=0-", "bytes=9-1", "bytes=99999999999999999999-", "bytes=0-0,1-1", "bytes=" + strings.Repeat("0-,", 5000) + "0-", "items=0-1", "\x00", "bytes=-0", "bytes=1e999-"} {
			add(odd, false)
		}
	default:
		w.t.Errorf("%s: nobody knows how to spoil the header %s", base.o.name(), p.name)
	}
	return all
}

// spoiltTokens spoils the token.
func (w *walk) spoiltTokens(base *request) (all []spoilt) {
	for _, bad := range []string{"Bearer", "Bearer ", "Bearer x", "bearer " + base.as.Token, "Basic " + base.as.Token, base.as.Token, "Bearer " + base.as.Token + "x", "Bearer " + base.as.Token[1:], "Bearer \x00", "Bearer a\xff",
		"Bearer ' or ''='", "Bearer " + strings.Repeat("a", large)} {
		s := spoilt{request: base.clone(), what: fmt.Sprintf("Authorization is %.60q", bad), refused: true, status: []int{http.StatusUnauthorized}}
		s.as = servetest.Someone{}
		s.header.Set("Authorization", bad)
		all = append(all, s)
	}
	return all
}
