package web

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"farthingale/openapi"
	"farthingale/web/pagecheck"
)

// Every operation of the contract is on the page of its area, with all shapes that it leads to, and
// nobody needs to sign in to read it.
func TestContractPages(t *testing.T) {
	e, _, _ := door(t)
	d, err := documented()
	if err != nil {
		t.Fatal(err)
	}
	shown := ""
	for _, area := range d.Areas {
		w := httptest.NewRecorder()
		e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, area.Path, nil))
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d", area.Path, w.Code)
		}
		for _, fault := range pagecheck.Faults(w.Body.Bytes()) {
			t.Errorf("%s: %s", area.Path, fault)
		}
		shown += w.Body.String()
	}
	b, err := openapi.Document()
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths map[string]map[string]json.RawMessage `json:"paths"`
	}
	if err := json.Unmarshal(b, &doc); err != nil {
		t.Fatal(err)
	}
	for path, item := range doc.Paths {
		for method := range item {
			if method != "parameters" && !strings.Contains(shown, "<code>"+strings.ToUpper(method)+" "+path+"</code>") {
				t.Errorf("%s %s is not described", method, path)
			}
		}
	}
	w := httptest.NewRecorder()
	e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/docs", nil))
	for _, fault := range pagecheck.Faults(w.Body.Bytes()) {
		t.Error(fault)
	}
	w = httptest.NewRecorder()
	e.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/docs/nothing", nil))
	if w.Code != http.StatusNotFound {
		t.Errorf("an area that is none: %d", w.Code)
	}
}

func TestTypeInWords(t *testing.T) {
	one, many := 1.0, 200.0
	d := &openAPI{}
	for want, s := range map[string]apiSchema{
		"string, 1 to 200 characters":     {Type: "string", MinLength: &one, MaxLength: &many},
		"integer, at least 1":             {Type: "integer", Minimum: &one},
		"string (uuid)":                   {Type: "string", Format: "uuid"},
		"one of good, fair":               {Type: "string", Enum: []any{"good", "fair"}},
		"list, at most 200 items of NOTE": {Type: "array", MaxItems: &many, Items: &apiSchema{Ref: "#/components/schemas/NOTE"}},
		"string or null":                  {Type: []any{"string", "null"}},
		"string or NOTE":                  {OneOf: []apiSchema{{Type: "string"}, {Ref: "#/components/schemas/NOTE"}}},
		"string, like ^#":                 {Type: "string", Pattern: "^#"},
		"anything":                        {},
	} {
		w := d.words(s)
		if got := strings.TrimSpace(w.Words + " " + w.Shape); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
