package serve_test

import (
	"bytes"
	"encoding/csv"
	"flag"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/web"
)

var update = flag.Bool("update", false, "write the table of permissions anew; read it before you commit it")

// permissionsFile is who may do what, written down apart from the program. A person reads it.
var permissionsFile = filepath.Join("..", "..", "..", "testdata", "permissions.csv")

// outside are the routes that need no sign-in and no act: the signs of life, static files, the
// contract. Every other route has an act.
var outside = []string{"GET /healthz", "GET /readyz", "GET /static/*", "GET /api/v1/openapi.json"}

// operation is one route of one door.
type operation struct {
	method, path string
	api          bool
	act          domain.Act
}

func (o operation) door() string {
	if o.api {
		return "api"
	}
	return "pages"
}

// roles are those that may; everybody who is signed in when the act names none.
func (o operation) roles() []domain.Role {
	if len(o.act.Roles) == 0 {
		return domain.Roles
	}
	return o.act.Roles
}

// anyone says whether the operation needs no sign-in.
func (o operation) anyone() bool { return !o.api && o.act.Name == "look at the door" }

var parameterForm = regexp.MustCompile(`:(\w+)`)

// operations lists every route of the router with its act. A route without one fails the test.
func operations(t *testing.T, h *servetest.House) []operation {
	t.Helper()
	var all []operation
	for _, r := range h.Router.Routes() {
		name := r.Method + " " + r.Path
		if r.Method == http.MethodHead || r.Method == "echo_route_not_found" || slices.Contains(outside, name) {
			continue
		}
		o := operation{method: r.Method, path: r.Path, api: strings.HasPrefix(r.Path, api.Prefix+"/")}
		var ok bool
		if o.api {
			o.act, ok = h.House.API.Acts()[r.Method+" "+parameterForm.ReplaceAllString(r.Path, "{$1}")]
		} else {
			o.act, ok = h.Web.Acts()[name]
		}
		if !ok || o.act.Name == "" || o.act.Area == "" {
			t.Errorf("%s has no act: nobody says who may do it", name)
			continue
		}
		all = append(all, o)
	}
	slices.SortFunc(all, func(a, b operation) int {
		return strings.Compare(a.door()+" "+a.path+" "+a.method, b.door()+" "+b.path+" "+b.method)
	})
	return all
}

// table is the operations as the file of permissions has them.
func table(all []operation) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	head := []string{"door", "method", "path", "nobody"}
	for _, r := range domain.Roles {
		head = append(head, string(r))
	}
	rows := [][]string{head}
	for _, o := range all {
		row := []string{o.door(), o.method, o.path, map[bool]string{true: "may"}[o.anyone()]}
		for _, r := range domain.Roles {
			row = append(row, map[bool]string{true: "may"}[slices.Contains(o.roles(), r)])
		}
		rows = append(rows, row)
	}
	if err := w.WriteAll(rows); err != nil {
		panic(err) // a buffer takes everything
	}
	return b.Bytes()
}

// TestPermissionsAreWrittenDown: every route has an act, and who may do it is what the table says. A
// new route, or a changed right, is a changed line that somebody reads.
func TestPermissionsAreWrittenDown(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	got := table(operations(t, h))
	if *update {
		if err := os.WriteFile(permissionsFile, got, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(permissionsFile)
	if err != nil {
		t.Fatal(err)
	}
	wanted, had := strings.Split(string(want), "\n"), strings.Split(string(got), "\n")
	for _, line := range had {
		if !slices.Contains(wanted, line) {
			t.Errorf("not in testdata/permissions.csv: %s", line)
		}
	}
	for _, line := range wanted {
		if !slices.Contains(had, line) {
			t.Errorf("no longer true: %s", line)
		}
	}
	if t.Failed() {
		t.Log("if this is meant: go test ./cmd/farthingale/serve -run TestPermissionsAreWrittenDown -update, then read the change")
	}
}

// filled puts something that does not exist in the place of each parameter.
func (o operation) filled() string {
	return parameterForm.ReplaceAllStringFunc(o.path, func(name string) string {
		switch name {
		case ":n":
			return "1"
		case ":number":
			return "1900.1.1"
		case ":code":
			return "P2"
		case ":reference":
			return "L.1900.1"
		}
		return uuid.NewString()
	})
}

// written is the table as it lies in the file, by "door method path" and role; role "" is nobody.
func written(t *testing.T) map[string]map[domain.Role]bool {
	t.Helper()
	f, err := os.Open(permissionsFile)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]map[domain.Role]bool{}
	for _, row := range rows[1:] {
		may := map[domain.Role]bool{"": row[3] == "may"}
		for i, r := range rows[0][4:] {
			may[domain.Role(r)] = row[4+i] == "may"
		}
		all[strings.Join(row[:3], " ")] = may
	}
	return all
}

// TestP1P2EveryRoleOnEveryOperation sends every operation of both doors as nobody and as each role,
// and holds what comes back against the table: who may not is refused by P1 or P2, who may is not.
func TestP1P2EveryRoleOnEveryOperation(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	all := operations(t, h)
	may := written(t)
	people := map[domain.Role]servetest.Someone{"": {}}
	browsers := map[domain.Role]*servetest.Browser{}
	for role, who := range h.Cast() {
		people[role] = who
	}
	for role, who := range people {
		browsers[role] = h.Browser(who)
	}
	sent, refused := 0, 0
	for _, o := range all {
		if o.path == "/sign-out" || o.path == "/first" {
			continue // ends what the others need; is for a house without people only (TestFirstPage)
		}
		for role, who := range people {
			status, body := send(h, o, who, browsers[role])
			if o.path == api.Prefix+"/sessions/closure" && status == http.StatusOK { // signs out of the pages
				browsers[role] = h.Browser(who)
			}
			allowed := may[o.door()+" "+o.method+" "+o.path][role]
			sent++
			if !allowed {
				refused++
			}
			if fault := judge(o, role, allowed, status, body); fault != "" {
				t.Errorf("%s %s at the %s, as %q: %s", o.method, o.path, o.door(), role, fault)
			}
		}
	}
	if sent < 1500 || refused < 500 {
		t.Errorf("only %d requests were sent, %d of them to be refused", sent, refused)
	}
	t.Logf("%d operations, %d requests, %d of them refused by role or for want of a sign-in", len(all), sent, refused)
}

// send sends an operation with nothing in it.
func send(h *servetest.House, o operation, who servetest.Someone, b *servetest.Browser) (status int, body string) {
	path := o.filled()
	if o.api {
		var content any
		if o.method != http.MethodGet {
			content = map[string]any{}
		}
		a := h.API(who).Do(o.method, strings.TrimPrefix(path, api.Prefix), content, servetest.IfMatch(`"v1"`))
		return a.Status, string(a.Body)
	}
	r := httptest.NewRequest(o.method, path, strings.NewReader(""))
	if o.method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	for _, c := range b.Cookies() {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	h.Handler.ServeHTTP(w, r)
	return w.Code, w.Header().Get("Location") + " " + html.UnescapeString(w.Body.String())
}

// judge says what is wrong with an answer.
func judge(o operation, role domain.Role, allowed bool, status int, body string) string {
	refusal := "You may not " + o.act.Name
	switch {
	case status >= 500:
		return fmt.Sprintf("status %d: %s", status, body)
	case role == "" && !allowed && !o.api && o.method == http.MethodGet && !strings.HasPrefix(o.path, web.IIIFPrefix):
		if status != http.StatusSeeOther || !strings.HasPrefix(body, "/sign-in?to=") && !strings.HasPrefix(body, "/first") {
			return fmt.Sprintf("status %d; is not led to the door", status)
		}
	case role == "" && !allowed && status != http.StatusUnauthorized:
		return fmt.Sprintf("status %d, want 401", status)
	case role != "" && !allowed && (status != http.StatusForbidden || !strings.Contains(body, refusal)):
		return fmt.Sprintf("status %d, want 403 that says %q", status, refusal)
	case allowed && role != "" && (status == http.StatusUnauthorized || strings.Contains(body, refusal)):
		return fmt.Sprintf("status %d, though this role may: %s", status, body)
	case allowed && role == "" && status == http.StatusForbidden:
		return "is refused, though anybody may"
	}
	return ""
}

// TestP1TokensReachNoFurtherThanTheySay: a token that may read writes nothing, and one that may write
// in one area writes in no other, whatever its person may do.
func TestP1TokensReachNoFurtherThanTheySay(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	everything := h.Person("Ines Falkenberg", domain.Roles...)
	narrow := func(scopes ...string) servetest.Someone {
		token, err := h.People.AddToken(t.Context(), everything.Actor, newToken(scopes...))
		if err != nil {
			t.Fatal(err)
		}
		who := everything
		who.Token = token.Secret
		return who
	}
	reading, lending := narrow("read"), narrow("loan")
	for _, o := range operations(t, h) {
		if !o.api {
			continue
		}
		for name, who := range map[string]servetest.Someone{"read": reading, "loan": lending} {
			_, body := send(h, o, who, nil)
			reaches := !o.act.Write || o.act.Area == name
			if said := strings.Contains(body, "This token does not reach so far"); said == reaches {
				t.Errorf("%s %s with a token for %s: refused %v: %s", o.method, o.path, name, said, body)
			}
		}
	}
}

// TestEveryFormNeedsItsToken: each act of the pages is refused when the form comes without the page's
// token or from another site, and nothing is changed.
func TestEveryFormNeedsItsToken(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	b := h.Browser(h.Person("Ines Falkenberg", domain.Roles...))
	before := h.Rows("event", "person", "token", "object", "handling", "loan", "treatment", "place")
	forms := 0
	for _, o := range operations(t, h) {
		if o.api || o.method == http.MethodGet {
			continue
		}
		forms++
		for name, change := range map[string]func(*http.Request){
			"no token":          func(*http.Request) {},
			"a made-up token":   func(r *http.Request) { r.Header.Set("X-CSRF-Token", "made up") },
			"from another site": func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
			"from a sister":     func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") },
			"as JSON":           func(r *http.Request) { r.Header.Set("Content-Type", "application/json") },
		} {
			r := httptest.NewRequest(o.method, o.filled(), strings.NewReader("name=x"))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			for _, c := range b.Cookies() {
				r.AddCookie(c)
			}
			change(r)
			w := httptest.NewRecorder()
			h.Handler.ServeHTTP(w, r)
			if w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "The form is too old") {
				t.Errorf("%s %s, %s: %d", o.method, o.path, name, w.Code)
			}
		}
	}
	if forms < 50 {
		t.Errorf("only %d forms", forms)
	}
	if after := h.Rows("event", "person", "token", "object", "handling", "loan", "treatment", "place"); fmt.Sprint(before) != fmt.Sprint(after) {
		t.Errorf("rows before %v, after %v", before, after)
	}
}

// TestCookiesDoNotOpenTheAPI: a session of the pages is nobody at the API, so that no other site can
// use it there.
func TestCookiesDoNotOpenTheAPI(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	b := h.Browser(h.Person("Ines Falkenberg", domain.Roles...))
	for _, o := range operations(t, h) {
		if !o.api {
			continue
		}
		r := httptest.NewRequest(o.method, o.filled(), strings.NewReader("{}"))
		r.Header.Set("Content-Type", "application/json")
		for _, c := range b.Cookies() {
			r.AddCookie(c)
		}
		w := httptest.NewRecorder()
		h.Handler.ServeHTTP(w, r)
		if w.Code != http.StatusUnauthorized {
			t.Errorf("%s %s: %d", o.method, o.path, w.Code)
		}
	}
}
