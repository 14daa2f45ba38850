package hostile_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/pb33f/jsonschema/v6"

	"farthingale/openapi"
)

// document is the contract, and judges values by its schemas.
type document struct {
	root     map[string]any
	mu       sync.Mutex
	compiler *jsonschema.Compiler
	compiled map[string]*jsonschema.Schema
	found    map[string]any     // by pointer
	places   map[string][]field // of a body, by the pointer of its schema
}

func readDocument() (*document, error) {
	b, err := openapi.Document()
	if err != nil {
		return nil, err
	}
	whole, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		return nil, err
	}
	d := &document{compiler: jsonschema.NewCompiler(), compiled: map[string]*jsonschema.Schema{}, found: map[string]any{}, places: map[string][]field{}}
	d.compiler.DefaultDraft(jsonschema.Draft2020)
	d.compiler.AssertFormat()
	if err := json.Unmarshal(b, &d.root); err != nil {
		return nil, err
	}
	return d, d.compiler.AddResource("contract.json", whole)
}

// at is what a JSON pointer of the document names.
func (d *document) at(pointer string) any {
	d.mu.Lock()
	defer d.mu.Unlock()
	here, known := d.found[pointer]
	if !known {
		here = d.look(pointer)
		d.found[pointer] = here
	}
	return here
}

func (d *document) look(pointer string) any {
	var here any = d.root
	for _, step := range strings.Split(strings.TrimPrefix(pointer, "#/"), "/") {
		step = unescapes.Replace(step)
		switch h := here.(type) {
		case map[string]any:
			here = h[step]
		case []any:
			var i int
			if _, err := fmt.Sscan(step, &i); err != nil || i >= len(h) {
				return nil
			}
			here = h[i]
		default:
			return nil
		}
	}
	return here
}

// steps of a JSON pointer.
//
// source: RFC 6901, 3 and 4
var escapes, unescapes = strings.NewReplacer("~", "~0", "/", "~1"), strings.NewReplacer("~1", "/", "~0", "~")

func escaped(step string) string { return escapes.Replace(step) }

// resolve follows references, and the one other branch of "this or null".
func (d *document) resolve(pointer string) (where string, schema map[string]any) {
	s, _ := d.at(pointer).(map[string]any)
	if to, ok := s["$ref"].(string); ok {
		return d.resolve(to)
	}
	if branches, ok := s["oneOf"].([]any); ok {
		for i, b := range branches {
			if m, _ := b.(map[string]any); m["type"] != "null" {
				return d.resolve(fmt.Sprintf("%s/oneOf/%d", pointer, i))
			}
		}
	}
	return pointer, s
}

// valid says whether a value is what the schema at the pointer allows.
func (d *document) valid(pointer string, value any) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	s, ok := d.compiled[pointer]
	if !ok {
		var err error
		if s, err = d.compiler.Compile("contract.json" + pointer); err != nil {
			return fmt.Errorf("compile %s: %w", pointer, err)
		}
		d.compiled[pointer] = s
	}
	return s.Validate(value)
}

// validJSON is valid for a value as it is written.
func (d *document) validJSON(pointer string, r raw) bool {
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(string(r)))
	return err == nil && d.valid(pointer, v) == nil
}

// jsonKind is the type of a schema but null.
func jsonKind(schema map[string]any) string {
	switch t := schema["type"].(type) {
	case string:
		return t
	case []any:
		for _, one := range t {
			if one != "null" {
				return one.(string)
			}
		}
	}
	return ""
}

// free says that a schema describes any text, bounded by length alone.
func free(schema map[string]any) bool {
	return jsonKind(schema) == "string" && schema["enum"] == nil && schema["pattern"] == nil && schema["format"] == nil && schema["contentMediaType"] == nil
}

// parameter is one of an operation.
type parameter struct {
	name, in string
	required bool
	schema   string // pointer
}

// field is a place in a body.
type field struct {
	path     []string // "scope", "0", "method"; empty: the body itself
	schema   string   // pointer
	required bool
}

func (f field) pointer() string {
	p := ""
	for _, step := range f.path {
		p += "/" + escaped(step)
	}
	return p
}

// name is the member's, or "list/0" of an element.
func (f field) name() string {
	if n := len(f.path); n > 1 && f.path[n-1] == "0" {
		return f.path[n-2] + "/0"
	} else if n > 0 {
		return f.path[n-1]
	}
	return ""
}

// operation is one of the contract.
type operation struct {
	method, path string
	parameters   []parameter
	bodies       map[string]string // pointer of the schema by media type
}

func (o *operation) name() string { return o.method + " " + o.path }

// reads says that the operation changes nothing.
func (o *operation) reads() bool { return o.method == "GET" }

// json is the pointer of the schema of the JSON body; "" when there is none.
func (o *operation) json() string { return o.bodies["application/json"] }

// operations lists all of the contract, sorted.
func (d *document) operations() []*operation {
	var all []*operation
	for path, item := range d.root["paths"].(map[string]any) {
		at := "#/paths/" + escaped(path)
		for method, o := range item.(map[string]any) {
			if method == "parameters" {
				continue
			}
			op := &operation{method: strings.ToUpper(method), path: path, bodies: map[string]string{}}
			op.parameters = append(d.parameters(at+"/parameters"), d.parameters(at+"/"+method+"/parameters")...)
			if body, ok := o.(map[string]any)["requestBody"].(map[string]any); ok {
				for media := range body["content"].(map[string]any) {
					op.bodies[media] = at + "/" + method + "/requestBody/content/" + escaped(media) + "/schema"
				}
			}
			all = append(all, op)
		}
	}
	slices.SortFunc(all, func(a, b *operation) int { return strings.Compare(a.name(), b.name()) })
	return all
}

func (d *document) parameters(pointer string) []parameter {
	list, _ := d.at(pointer).([]any)
	var all []parameter
	for i := range list {
		where := fmt.Sprintf("%s/%d", pointer, i)
		if to, ok := d.at(where).(map[string]any)["$ref"].(string); ok {
			where = to
		}
		p := d.at(where).(map[string]any)
		required, _ := p["required"].(bool)
		all = append(all, parameter{name: p["name"].(string), in: p["in"].(string), required: required, schema: where + "/schema"})
	}
	return all
}

// fields lists every place of a body, the body itself first. Of a list it is the first element.
func (d *document) fields(body string) []field {
	d.mu.Lock()
	all, known := d.places[body]
	d.mu.Unlock()
	if !known {
		all = d.below(body, nil, true)
		d.mu.Lock()
		d.places[body] = all
		d.mu.Unlock()
	}
	return all
}

func (d *document) below(pointer string, path []string, required bool) []field {
	all := []field{{path: path, schema: pointer, required: required}}
	where, s := d.resolve(pointer)
	below := func(step, schema string, required bool) {
		all = append(all, d.below(schema, append(slices.Clone(path), step), required)...)
	}
	switch jsonKind(s) {
	case "object":
		needed, _ := s["required"].([]any)
		for _, name := range slices.Sorted(maps.Keys(asMap(s["properties"]))) {
			below(name, where+"/properties/"+escaped(name), slices.Contains(needed, any(name)))
		}
	case "array":
		below("0", where+"/items", true)
	}
	return all
}

func asMap(v any) map[string]any { m, _ := v.(map[string]any); return m }

var inPath = regexp.MustCompile(`\{(\w+)\}`)
