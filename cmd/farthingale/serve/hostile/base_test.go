package hostile_test

import (
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// example makes a value that a schema allows: with every member, or only with those that are needed.
func (m *museum) example(q *request, words map[string]any, pointer, name string, whole bool) any {
	schema, _, _ := strings.Cut(strings.TrimPrefix(pointer, "#/components/schemas/"), "/")
	for _, name := range []string{schema + "/" + name, name} {
		if v, ok := words[name]; ok && m.doc.valid(pointer, v) == nil {
			return v
		}
	}
	where, s := m.doc.resolve(pointer)
	if all, ok := s["enum"].([]any); ok {
		for _, one := range all {
			if one != "" {
				return one
			}
		}
	}
	switch jsonKind(s) {
	case "object":
		needed, _ := s["required"].([]any)
		o := map[string]any{}
		for _, member := range slices.Sorted(maps.Keys(asMap(s["properties"]))) {
			if whole || slices.Contains(needed, any(member)) {
				o[member] = m.example(q, words, where+"/properties/"+escaped(member), member, whole)
			}
		}
		return o
	case "array":
		return []any{m.example(q, words, where+"/items", name+"/0", whole)}
	case "boolean":
		return false
	case "integer", "number":
		least, _ := s["minimum"].(float64)
		most, bounded := s["maximum"].(float64)
		if n := max(least, 5); !bounded || n <= most {
			return n
		}
		return least
	}
	now := m.Now().UTC()
	switch s["format"] {
	case "uuid":
		if name == "id" { // of what is in the body: the program gives it
			return domain.NewID().String()
		}
		if all := m.rows(q, name); len(all) > 0 {
			return all[0]
		}
		return domain.NewID().String()
	case "date":
		return now.Format(time.DateOnly)
	case "date-time":
		return now.Add(-time.Minute).Format(time.RFC3339)
	}
	if s["pattern"] != nil {
		return "2"
	}
	text := "Said in the test"
	if least, ok := s["minLength"].(float64); ok {
		for len(text) < int(least) {
			text += " of it"
		}
	}
	if most, ok := s["maxLength"].(float64); ok && len(text) > int(most) {
		text = text[:int(most)]
	}
	return text
}

// tables of members whose names are not the table's.
var tables = map[string]string{
	"handlers": "person", "mover": "person", "assessor": "person", "authorised_by": "person", "handler": "person", "in_charge": "person",
	"under": "person", "to_place": "place", "from_placement": "placement", "parent": "component", "came_from": "component", "line": "loan_line", "venue": "loan_venue",
	"condition": "treatment_condition", "photograph": "photo", "supersede": "component_material", "record": "treatment_decision", "observation": "examination_observation", "actor": "person", "subject": "object", "from": "measurement",
}

// rows are the IDs that a member such as photo_id or photographs/0 can hold: of those rows that belong
// to what the path names, where they belong to anything.
func (m *museum) rows(q *request, name string) []string {
	name = strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(name, "/0"), "_ids"), "_id")
	one := strings.TrimSuffix(name, "s")
	for _, n := range []string{name, one} {
		if table, ok := tables[n]; ok {
			one = table
		}
	}
	return m.candidates(one, tableOf(strings.Split(q.o.path, "/")[1]), q.path["id"])
}

// places lists the values that a path's parameters can take, from the rows that there are.
func (m *museum) places(o *operation) []map[string]string {
	all := []map[string]string{{}}
	steps := strings.Split(o.path, "/")
	for i, step := range steps {
		if !strings.HasPrefix(step, "{") {
			continue
		}
		name := strings.Trim(step, "{}")
		var more []map[string]string
		for _, one := range all {
			for _, v := range m.values(steps[:i], name, one) {
				c := maps.Clone(one)
				c[name] = v
				more = append(more, c)
			}
		}
		all = more
	}
	return all
}

// values lists what the parameter that follows the steps of a path can be, when those before it are as they are.
func (m *museum) values(steps []string, name string, before map[string]string) []string {
	switch name {
	case "n", "number":
		return []string{"1", "2"}
	case "kind": // of what waits for somebody
		return []string{"stops_in_force", "drafts"}
	case "after_id":
		return m.list(`select after_id::text from photo_alignment`)
	}
	// "loan-condition-statements" is the table loan_condition_statement
	return m.candidates(tableOf(steps[len(steps)-1]), tableOf(steps[1]), before["id"])
}

// tableOf is the table of a collection of the contract.
func tableOf(collection string) string {
	switch collection {
	case "people":
		return "person"
	case "emergencies":
		return "emergency"
	case "loan-condition-statements":
		return "loan_condition"
	case "sessions":
		return "sign_in_session"
	case "marks":
		return "photo_mark"
	case "spots":
		return "measurement_spot"
	case "recommendations":
		return "enclosure_recommendation"
	case "observations":
		return "examination_observation"
	}
	return strings.ReplaceAll(strings.TrimSuffix(collection, "s"), "-", "_")
}

// may lists those whose roles allow the operation.
func (m *museum) may(o *operation) []servetest.Someone {
	act := m.House.House.API.Acts()[o.method+" "+api.Prefix+o.path]
	var all []servetest.Someone
	for _, p := range m.people {
		if len(act.Roles) == 0 || slices.ContainsFunc(act.Roles, p.Has) {
			all = append(all, p)
		}
	}
	return all
}

// base finds a request of the operation that is accepted: by trying who may do it on the rows that
// there are, first with all members of the body, of which it drops those that are refused, then with
// the needed ones only. nil: none was found; then the museum or its words lack something.
func (m *museum) base(o *operation) (*request, []string) {
	words := m.words()
	var refusals []string
	for _, whole := range []bool{true, false} {
		for _, place := range m.places(o) {
			for _, who := range m.may(o) {
				q := &request{o: o, as: who, path: place, header: http.Header{}}
				if o.json() != "" {
					q.header.Set("Content-Type", "application/json")
					q.body = m.example(q, words, o.json(), "", whole)
				} else if o.takesList() {
					q.header.Set("Content-Type", "text/csv")
					q.bytes = []byte(goodList)
				} else if len(o.bodies) > 0 {
					q.header.Set("Content-Type", "image/jpeg")
					q.bytes = servetest.JPEG(200)
				}
				for _, p := range o.parameters {
					if p.in == "query" && len(o.bodies) > 0 {
						q.query = orNew(q.query)
						q.query.Set(p.name, fmt.Sprint(m.example(q, words, p.schema, p.name, true)))
					}
				}
				if m.repair(q) {
					return q, nil
				}
				refusals = append(refusals, q.problem)
				if strings.HasPrefix(q.problem, "409 ") { // so it is for everybody
					break
				}
			}
		}
	}
	slices.Sort(refusals)
	return nil, slices.Compact(refusals)
}

// needsCode are the operations that take a code of the second factor, which is another every half minute.
// No request of them is accepted here; all that they must refuse is sent.
var needsCode = map[string]bool{"POST /second-factor/confirmation": true, "POST /second-factor/recovery-codes": true, "POST /second-factor/removal": true}

// codeless is a request of such an operation: right but for the code.
func (m *museum) codeless(o *operation) *request {
	q := &request{o: o, as: m.may(o)[0], header: http.Header{"Content-Type": {"application/json"}}}
	q.body = m.example(q, m.words(), o.json(), "", true)
	return q
}

// repair tries a request, and drops or changes what is refused, until it is accepted.
func (m *museum) repair(q *request) bool {
	changed := map[string]int{}
	for range 60 {
		a, _ := m.try(q)
		if a.status < 300 {
			m.tags[q.path["id"]] = q.header.Get("If-Match")
			return true
		}
		p := a.problem()
		q.problem = fmt.Sprintf("%d %s %s %v %v %v", a.status, p.Code, p.Detail, p.Errors, p.Missing, p.Outside)
		switch {
		case a.status == http.StatusPreconditionRequired:
			q.header.Set("If-Match", `"v1"`)
			if tag := m.tags[q.path["id"]]; tag != "" {
				q.header.Set("If-Match", tag)
			}
		case a.status == http.StatusPreconditionFailed:
			n, _ := strconv.Atoi(strings.Trim(q.header.Get("If-Match"), `"v`))
			if n > 40 {
				return false
			}
			q.header.Set("If-Match", fmt.Sprintf(`"v%d"`, n+1))
		case len(p.Errors) > 0 && q.o.reads():
			name := strings.TrimPrefix(p.Errors[0].Pointer, "#/")
			i := slices.IndexFunc(q.o.parameters, func(p parameter) bool { return p.in == "query" && p.name == name })
			if i < 0 || q.query[name] != nil {
				return false
			}
			q.query = orNew(q.query)
			q.query.Set(name, fmt.Sprint(m.example(q, m.words(), q.o.parameters[i].schema, name, true)))
		case len(p.Errors) > 0 && len(q.query) > 0:
			name, _, _ := strings.Cut(strings.TrimPrefix(p.Errors[0].Pointer, "#/"), "/")
			if q.query[name] == nil {
				return false
			}
			q.query.Del(name)
		case len(p.Errors) > 0 && q.body != nil:
			any := false
			for _, e := range p.Errors {
				if changed[e.Pointer]++; changed[e.Pointer] < 12 && m.amend(q, strings.TrimPrefix(e.Pointer, "#"), changed[e.Pointer]) {
					any = true
				}
			}
			if !any {
				return false
			}
		case a.status == http.StatusUnprocessableEntity && q.body != nil && m.without(q, p.Detail):
		default:
			if a.status != http.StatusForbidden && q.header.Get("If-Match") != "" {
				m.tags[q.path["id"]] = q.header.Get("If-Match")
			}
			return false
		}
	}
	return false
}

// without drops the one member that nothing needs and without which the refusal is another.
func (m *museum) without(q *request, refusal string) bool {
	for _, f := range m.doc.fields(q.o.json()) {
		if len(f.path) != 1 || f.required {
			continue
		}
		less := q.clone()
		if !remove(less.body, f.path) {
			continue
		}
		if a, _ := m.try(less); a.problem().Detail != refusal {
			*q = *less
			return true
		}
	}
	return false
}

// amend drops the member at the pointer when nothing needs it, else puts another of its words there.
func (m *museum) amend(q *request, pointer string, time int) bool {
	for _, f := range m.doc.fields(q.o.json()) {
		if f.pointer() != pointer || len(f.path) == 0 {
			continue
		}
		if !f.required {
			return remove(q.body, f.path)
		}
		_, s := m.doc.resolve(f.schema)
		if words, ok := s["enum"].([]any); ok && time < len(words) {
			put(q.body, f.path, words[time])
			return true
		}
		if s["format"] == "uuid" {
			if all := m.rows(q, f.name()); time < len(all) {
				put(q.body, f.path, all[time])
				return true
			}
		}
		// A list's only element: the list goes.
		if len(f.path) > 1 && f.path[len(f.path)-1] == "0" {
			return remove(q.body, f.path[:len(f.path)-1])
		}
		// A needed member of something that is not needed itself.
		return len(f.path) > 1 && m.amend(q, field{path: f.path[:len(f.path)-1]}.pointer(), time)
	}
	return false
}

// parent is what holds the last step of a path; nil when it is not there.
func parent(body any, path []string) any {
	for _, step := range path[:len(path)-1] {
		switch b := body.(type) {
		case map[string]any:
			body = b[step]
		case []any:
			i, _ := strconv.Atoi(step)
			if i >= len(b) {
				return nil
			}
			body = b[i]
		default:
			return nil
		}
	}
	return body
}

func remove(body any, path []string) bool {
	o, ok := parent(body, path).(map[string]any)
	if !ok {
		return false
	}
	_, had := o[path[len(path)-1]]
	delete(o, path[len(path)-1])
	return had
}

func put(body any, path []string, value any) bool {
	last := path[len(path)-1]
	switch p := parent(body, path).(type) {
	case map[string]any:
		p[last] = value
		return true
	case []any:
		if i, err := strconv.Atoi(last); err == nil && i < len(p) {
			p[i] = value
			return true
		}
	}
	return false
}

func orNew(v map[string][]string) map[string][]string {
	if v == nil {
		v = map[string][]string{}
	}
	return v
}
