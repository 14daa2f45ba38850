package api_test

import (
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// TestContractIsServed: every route is documented and every documented operation is served.
func TestContractIsServed(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	documented, err := servetest.Operations()
	if err != nil {
		t.Fatal(err)
	}
	served := map[string]bool{}
	for route := range maps.Keys(h.House.API.Acts()) {
		method, path, _ := strings.Cut(route, " ")
		served[method+" "+strings.TrimPrefix(path, api.Prefix)] = true
	}
	for _, operation := range documented {
		if !served[operation] {
			t.Errorf("%s is documented but not served", operation)
		}
	}
	for operation := range served {
		if !slices.Contains(documented, operation) {
			t.Errorf("%s is served but not documented", operation)
		}
	}
	// Every route of the router under the prefix went through Server.route, so that it has an act.
	open := []string{"GET /api/v1/openapi.json"}
	for _, r := range h.Router.Routes() {
		if !strings.HasPrefix(r.Path, api.Prefix) || r.Method == http.MethodHead || r.Method == "echo_route_not_found" {
			continue
		}
		name := r.Method + " " + parameters(r.Path)
		if _, ok := h.House.API.Acts()[name]; !ok && !slices.Contains(open, name) {
			t.Errorf("%s has no act", name)
		}
	}
}

var parameter = regexp.MustCompile(`:([a-z_]+)`)

func parameters(path string) string { return parameter.ReplaceAllString(path, "{$1}") }

// TestP2Roles: every operation is refused to nobody (401) and to every role that may not (403), naming
// rule P2, and the refusal is an event.
func TestP2Roles(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	people := map[domain.Role]servetest.Someone{}
	for _, role := range domain.Roles {
		people[role] = h.Person("Somebody "+string(role), role)
	}
	for route, act := range h.House.API.Acts() {
		method, path, _ := strings.Cut(route, " ")
		path = strings.TrimPrefix(path, api.Prefix)
		path = regexp.MustCompile(`\{[a-z_]+\}`).ReplaceAllStringFunc(path, func(name string) string {
			if name == "{n}" {
				return "1"
			}
			return uuid.NewString()
		})
		var body any
		if method != http.MethodGet {
			body = map[string]any{}
		}
		h.API(servetest.Someone{}).Do(method, path, body).Refused(http.StatusUnauthorized, "P1")
		for role, who := range people {
			if len(act.Roles) == 0 || slices.Contains(act.Roles, role) {
				continue
			}
			h.API(who).Do(method, path, body, servetest.IfMatch(`"v1"`)).Refused(http.StatusForbidden, "P2")
		}
	}
	var refused int
	if err := h.Database.OwnerPool().QueryRow(t.Context(), `select count(*) from event where kind = 'refused' and change->>'rule' = 'P2'`).Scan(&refused); err != nil {
		t.Fatal(err)
	}
	if refused < 10 {
		t.Errorf("%d refusals are events", refused)
	}
}

// TestUnknownAddress: problems, not pages, for what is not there.
func TestUnknownAddress(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	c := h.API(h.Person("Ines Falkenberg", domain.Conservator))
	c.Get("/nothing").Refused(http.StatusNotFound, "not_found")
	c.Get("/people/not-an-identifier").Refused(http.StatusNotFound, "not_found")
	a := c.Do(http.MethodDelete, "/people", nil)
	a.Refused(http.StatusMethodNotAllowed, "method")
	if a.Header.Get("Allow") == "" {
		t.Error("405 without Allow")
	}
}
