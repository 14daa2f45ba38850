package api

import (
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
)

// described is what the contract says of query parameters: of operations by method, and in a list that
// operations share.
type described struct {
	Paths      map[string]map[string]json.RawMessage `json:"paths"`
	Components struct {
		Parameters map[string]parameter `json:"parameters"`
	} `json:"components"`
}

type parameter struct {
	Ref    string `json:"$ref"`
	Name   string `json:"name"`
	In     string `json:"in"`
	Schema struct {
		Type   string            `json:"type"`
		Format string            `json:"format"`
		Enum   []json.RawMessage `json:"enum"`
	} `json:"schema"`
}

// text says that any text is meant, also an empty one.
func (p parameter) text() bool {
	return p.Schema.Type == "string" && p.Schema.Format == "" && p.Schema.Enum == nil
}

// queries are the query parameters of every operation, by "GET /people/{id}", as the contract has them.
var queries = sync.OnceValues(func() (map[string][]parameter, error) {
	b, err := contract()
	if err != nil {
		return nil, err
	}
	var d described
	if err := json.Unmarshal(b, &d); err != nil {
		return nil, err
	}
	all := map[string][]parameter{}
	for path, item := range d.Paths {
		var shared []parameter // by all operations of the path
		if text, ok := item["parameters"]; ok {
			if err := json.Unmarshal(text, &shared); err != nil {
				return nil, fmt.Errorf("%s: %w", path, err)
			}
		}
		for method, text := range item {
			if method == "parameters" {
				continue
			}
			var o struct {
				Parameters []parameter `json:"parameters"`
			}
			if err := json.Unmarshal(text, &o); err != nil {
				return nil, fmt.Errorf("%s %s: %w", method, path, err)
			}
			operation := strings.ToUpper(method) + " " + path
			for _, p := range slices.Concat(shared, o.Parameters) {
				if p.Ref != "" {
					p = d.Components.Parameters[p.Ref[strings.LastIndex(p.Ref, "/")+1:]]
				}
				if p.In == "query" {
					all[operation] = append(all[operation], p)
				}
			}
		}
	}
	return all, nil
})

// queryMost is the most bytes of one parameter.
const queryMost = 4000

// checkQuery refuses a query that cannot be read, and parameters that the contract does not have for
// the operation, so that a mistyped filter is never silently lost.
func checkQuery(c echo.Context, operation string) error {
	if c.Request().URL.RawQuery == "" {
		return nil
	}
	all, err := queries()
	if err != nil {
		return fmt.Errorf("read the contract: %w", err)
	}
	values, err := url.ParseQuery(c.Request().URL.RawQuery)
	if err != nil {
		return &domain.Error{Kind: domain.KindUnparseable, Code: "query", Message: "What stands behind the ? of the address cannot be read. Divide parameters by &, and escape what is no letter or digit.", Err: err}
	}
	return knownOnly(values, all[operation])
}

func knownOnly(query url.Values, known []parameter) error {
	var fields []domain.Field
	for name, values := range query {
		at := slices.IndexFunc(known, func(p parameter) bool { return p.Name == name })
		switch {
		case at < 0:
			message := "There is no such parameter."
			if len(known) > 0 {
				var names []string
				for _, p := range known {
					names = append(names, p.Name)
				}
				message += " Known are: " + strings.Join(names, ", ") + "."
			}
			fields = append(fields, domain.Field{Pointer: "/" + name, Rule: "unknown", Message: message})
		case len(values) > 1:
			fields = append(fields, domain.Field{Pointer: "/" + name, Rule: "once", Message: "Give this parameter once."})
		case values[0] == "" && !known[at].text():
			fields = append(fields, domain.Field{Pointer: "/" + name, Rule: "empty", Message: "Give this parameter a value, or leave it out."})
		case !domain.CleanText(values[0]) || len(values[0]) > queryMost:
			fields = append(fields, domain.Field{Pointer: "/" + name, Rule: "text", Message: "This holds characters that cannot be read, or too many of them."})
		}
	}
	slices.SortFunc(fields, func(a, b domain.Field) int { return strings.Compare(a.Pointer, b.Pointer) })
	return domain.InvalidFields(fields)
}

// wholeNumber reads a whole number that is written in the one usual way: no sign but of a negative
// one, no zeros before it.
func wholeNumber(text string) (int, bool) {
	n, err := strconv.Atoi(text)
	return n, err == nil && strconv.Itoa(n) == text
}

// numberOf reads a number of the path; another is the name of nothing.
func numberOf(c echo.Context, name string) (int, error) {
	n, ok := wholeNumber(c.Param(name))
	if !ok || n < 1 {
		return 0, domain.NotFound("There is nothing under this address.")
	}
	return n, nil
}
