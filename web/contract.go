package web

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/openapi"
)

func (s *Server) contractRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/api/docs", anybody, s.contract)
	s.route(g, http.MethodGet, "/api/docs/:area", anybody, s.contractArea)
}

// described is the contract of the API as pages show it, areas in alphabetical order.
type described struct {
	Words []string // paragraphs
	Areas []describedArea
}

type describedArea struct {
	Name       string
	Path       string
	Operations []operation
	Shapes     []shape // that its operations send and answer
}

type operation struct {
	ID         string
	Method     string
	Path       string
	Summary    string
	Words      string
	Parameters []parameter
	Bodies     []content
	Answers    []answer
}

type parameter struct {
	Name, In, Words string
	Type            typeWords
	Needed          bool
}

type content struct {
	Kind string // media type
	Type typeWords
}

type answer struct {
	Status, Words string
	Contents      []content
}

// shape is a schema with a name.
type shape struct {
	Name   string
	Words  string
	Type   typeWords // when it is no object
	Fields []parameter
}

// typeWords is a type in words: "array of", and the shape that it leads to, if any.
type typeWords struct{ Words, Shape string }

// The parts of OpenAPI 3.1 that our contract uses.
type (
	openAPI struct {
		Info       struct{ Description string }
		Paths      map[string]map[string]json.RawMessage
		Components struct {
			Schemas    map[string]apiSchema
			Parameters map[string]apiParameter
			Responses  map[string]apiResponse
		}
	}
	apiOperation struct {
		OperationID string
		Summary     string
		Description string
		Tags        []string
		Parameters  []apiParameter
		RequestBody *apiResponse
		Responses   map[string]apiResponse
	}
	apiParameter struct {
		Ref         string `json:"$ref"`
		Name        string
		In          string
		Description string
		Required    bool
		Schema      apiSchema
	}
	apiResponse struct {
		Ref         string `json:"$ref"`
		Description string
		Content     map[string]struct{ Schema apiSchema }
	}
	apiSchema struct {
		Ref         string `json:"$ref"`
		Type        any    // a word or a list of words
		Format      string
		Pattern     string
		Description string
		Enum        []any
		Const       any
		Items       *apiSchema
		Properties  map[string]apiSchema
		Required    []string
		OneOf       []apiSchema
		AnyOf       []apiSchema
		AllOf       []apiSchema
		Minimum     *float64
		Maximum     *float64
		MinLength   *float64
		MaxLength   *float64
		MinItems    *float64
		MaxItems    *float64
		Additional  json.RawMessage `json:"additionalProperties"`
	}
)

// describe reads the contract.
func describe() (*described, error) {
	b, err := openapi.Document()
	if err != nil {
		return nil, fmt.Errorf("read the contract: %w", err)
	}
	var doc openAPI
	if err := json.Unmarshal(b, &doc); err != nil {
		return nil, fmt.Errorf("read the contract: %w", err)
	}
	d := &described{}
	for paragraph := range strings.SplitSeq(strings.TrimSpace(doc.Info.Description), "\n\n") {
		d.Words = append(d.Words, strings.Join(strings.Fields(paragraph), " "))
	}
	areas := map[string]*describedArea{}
	used := map[string]map[string]bool{}
	for _, path := range slices.Sorted(maps.Keys(doc.Paths)) {
		item := doc.Paths[path]
		var shared []apiParameter
		if raw, ok := item["parameters"]; ok {
			if err := json.Unmarshal(raw, &shared); err != nil {
				return nil, fmt.Errorf("read the parameters of %s: %w", path, err)
			}
		}
		for _, method := range []string{"get", "post", "put", "patch", "delete"} {
			raw, ok := item[method]
			if !ok {
				continue
			}
			var o apiOperation
			if err := json.Unmarshal(raw, &o); err != nil {
				return nil, fmt.Errorf("read %s %s: %w", method, path, err)
			}
			if len(o.Tags) == 0 {
				return nil, fmt.Errorf("%s %s belongs to no area", method, path)
			}
			o.Parameters = append(shared, o.Parameters...)
			name := o.Tags[0]
			if areas[name] == nil {
				areas[name], used[name] = &describedArea{Name: name, Path: "/api/docs/" + name}, map[string]bool{}
			}
			areas[name].Operations = append(areas[name].Operations, doc.operation(strings.ToUpper(method), path, o, used[name]))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(areas)) {
		area := areas[name]
		for _, shape := range slices.Sorted(maps.Keys(used[name])) {
			area.Shapes = append(area.Shapes, doc.shape(shape))
		}
		d.Areas = append(d.Areas, *area)
	}
	return d, nil
}

func (d *openAPI) operation(method, path string, o apiOperation, used map[string]bool) operation {
	shown := operation{ID: o.OperationID, Method: method, Path: path, Summary: o.Summary, Words: strings.TrimSpace(o.Description)}
	for _, p := range o.Parameters {
		if p.Ref != "" {
			p = d.Components.Parameters[last(p.Ref)]
		}
		shown.Parameters = append(shown.Parameters, parameter{Name: p.Name, In: p.In, Words: p.Description, Type: d.words(p.Schema), Needed: p.Required})
		d.follow(p.Schema, used)
	}
	if o.RequestBody != nil {
		shown.Bodies = d.contents(*o.RequestBody, used)
	}
	for _, status := range slices.Sorted(maps.Keys(o.Responses)) {
		r := o.Responses[status]
		if r.Ref != "" {
			r = d.Components.Responses[last(r.Ref)]
		}
		if status == "default" {
			status = "otherwise"
		}
		shown.Answers = append(shown.Answers, answer{Status: status, Words: r.Description, Contents: d.contents(r, used)})
	}
	return shown
}

func (d *openAPI) contents(r apiResponse, used map[string]bool) []content {
	var all []content
	for _, kind := range slices.Sorted(maps.Keys(r.Content)) {
		schema := r.Content[kind].Schema
		all = append(all, content{Kind: kind, Type: d.words(schema)})
		d.follow(schema, used)
	}
	return all
}

// shape describes a schema with a name: its fields, those that are needed first.
func (d *openAPI) shape(name string) shape {
	s := d.Components.Schemas[name]
	shown := shape{Name: name, Words: s.Description}
	properties, needed := maps.Clone(s.Properties), slices.Clone(s.Required)
	for _, part := range s.AllOf { // parts of one object
		if part.Ref != "" {
			part = d.Components.Schemas[last(part.Ref)]
		}
		if properties == nil {
			properties = map[string]apiSchema{}
		}
		maps.Copy(properties, part.Properties)
		needed = append(needed, part.Required...)
	}
	for _, field := range slices.Sorted(maps.Keys(properties)) {
		f := properties[field]
		shown.Fields = append(shown.Fields, parameter{Name: field, Words: f.Description, Type: d.words(f), Needed: slices.Contains(needed, field)})
	}
	slices.SortStableFunc(shown.Fields, func(a, b parameter) int {
		switch {
		case a.Needed == b.Needed:
			return 0
		case a.Needed:
			return -1
		}
		return 1
	})
	if len(shown.Fields) == 0 {
		shown.Type = d.words(s)
	}
	return shown
}

// follow collects the names of all shapes that a schema leads to.
func (d *openAPI) follow(s apiSchema, used map[string]bool) {
	if s.Ref != "" {
		name := last(s.Ref)
		if used[name] {
			return
		}
		used[name] = true
		s = d.Components.Schemas[name]
	}
	for _, parts := range [][]apiSchema{s.OneOf, s.AnyOf, s.AllOf, slices.Collect(maps.Values(s.Properties))} {
		for _, part := range parts {
			d.follow(part, used)
		}
	}
	if s.Items != nil {
		d.follow(*s.Items, used)
	}
	var values apiSchema
	if len(s.Additional) > 0 && s.Additional[0] == '{' && json.Unmarshal(s.Additional, &values) == nil {
		d.follow(values, used)
	}
}

// words says what a schema allows.
func (d *openAPI) words(s apiSchema) typeWords {
	switch {
	case s.Ref != "":
		return typeWords{Shape: last(s.Ref)}
	case s.Const != nil:
		return typeWords{Words: fmt.Sprint(s.Const)}
	case len(s.Enum) > 0:
		choices := make([]string, len(s.Enum))
		for i, e := range s.Enum {
			choices[i] = fmt.Sprint(e)
		}
		return typeWords{Words: "one of " + strings.Join(choices, ", ")}
	case s.Items != nil:
		of := d.words(*s.Items)
		return typeWords{Words: strings.TrimSpace("list" + bounds(s.MinItems, s.MaxItems, "items") + " of " + of.Words), Shape: of.Shape}
	case len(s.OneOf)+len(s.AnyOf) > 0:
		var choices []string
		for _, part := range slices.Concat(s.OneOf, s.AnyOf) {
			w := d.words(part)
			choices = append(choices, strings.TrimSpace(w.Words+" "+w.Shape))
		}
		return typeWords{Words: strings.Join(choices, " or ")}
	}
	kind := "anything"
	switch t := s.Type.(type) {
	case string:
		kind = t
	case []any:
		var all []string
		for _, one := range t {
			all = append(all, fmt.Sprint(one))
		}
		kind = strings.Join(all, " or ")
	}
	if s.Format != "" {
		kind += " (" + s.Format + ")"
	}
	kind += bounds(s.Minimum, s.Maximum, "") + bounds(s.MinLength, s.MaxLength, "characters")
	if s.Pattern != "" {
		kind += ", like " + s.Pattern
	}
	return typeWords{Words: kind}
}

// bounds says ", 1 to 200 characters".
func bounds(least, most *float64, of string) string {
	show := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	text := ""
	switch {
	case least != nil && most != nil:
		text = ", " + show(*least) + " to " + show(*most)
	case least != nil:
		text = ", at least " + show(*least)
	case most != nil:
		text = ", at most " + show(*most)
	default:
		return ""
	}
	return strings.TrimSpace(text + " " + of)
}

// last is the name at the end of a reference.
func last(ref string) string { return ref[strings.LastIndexByte(ref, '/')+1:] }

type contractPage struct {
	Frame
	described
}

type contractAreaPage struct {
	Frame
	Area describedArea
}

// contract serves GET /api/docs: the API in words, readable without a network.
func (s *Server) contract(c echo.Context) error {
	d, err := documented()
	if err != nil {
		return err
	}
	p := &contractPage{described: *d}
	p.Title = "The API"
	return s.render(c, http.StatusOK, "contract/contract", p)
}

// contractArea serves GET /api/docs/{area}: the operations of an area, what they take and answer.
func (s *Server) contractArea(c echo.Context) error {
	d, err := documented()
	if err != nil {
		return err
	}
	at := slices.IndexFunc(d.Areas, func(a describedArea) bool { return a.Name == c.Param("area") })
	if at < 0 {
		return echo.ErrNotFound
	}
	p := &contractAreaPage{Area: d.Areas[at]}
	p.Title = "The API: " + plain(p.Area.Name)
	return s.render(c, http.StatusOK, "contract/area", p)
}
