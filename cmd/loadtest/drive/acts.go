package drive

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"farthingale/domain"
)

// Act is something that people do, once or as a few requests that follow one another. Weight is how often
// among the others of its kind.
type Act struct {
	Name   string
	Weight int
	Write  bool
	Roles  []domain.Role // who does it; empty: anybody
	Do     func(v *Visit)
}

// Visit is an act being done: by whom, with which choices, and since when.
type Visit struct {
	ctx     context.Context
	Person  *Person
	Rand    *rand.Rand
	World   *World
	started time.Time // when the first request was to be sent
	first   bool
}

// World is what acts share.
type World struct {
	*Catalogue
	People  []*Person
	byName  map[string]*Person
	picture []byte

	mu        sync.Mutex
	submitted []submission // proposals of this run that wait for a curator
	pictures  int
	made      int       // objects created
	began     time.Time // tells their numbers from those of another run
}

type submission struct {
	id, tag, department string
}

// NewWorld puts together what acts need.
func NewWorld(c *Catalogue, people []*Person, picture []byte) *World {
	w := &World{Catalogue: c, People: people, byName: map[string]*Person{}, picture: picture, began: time.Now()}
	for _, p := range people {
		w.byName[p.SignInName] = p
	}
	return w
}

// send sends a request and notes the answer. The first of a visit counts from when it was to be sent,
// those that need its answer from when that had come.
func (v *Visit) send(endpoint string, r request) (answer, bool) {
	began := time.Now()
	if v.first {
		began, v.first = v.started, false
	}
	a := v.Person.ask(v.ctx, r)
	if v.ctx.Err() != nil { // the end of the run, not of the server
		return a, false
	}
	v.Person.house.Record.Add(endpoint, r.method != http.MethodGet, time.Since(began), a.bytes, a.kind)
	return a, a.kind == ""
}

func (v *Visit) get(endpoint, path string) (answer, bool) {
	return v.send(endpoint, request{method: http.MethodGet, path: path, want: http.StatusOK})
}

func (v *Visit) look(endpoint, path string) (answer, bool) {
	return v.send(endpoint, request{method: http.MethodGet, path: path, page: true, want: http.StatusOK})
}

func (v *Visit) put(endpoint, method, path, version string, want int, body any) (answer, bool) {
	b, err := json.Marshal(body)
	if err != nil {
		v.Person.house.Record.Add(endpoint, true, 0, 0, "encode: "+err.Error())
		return answer{}, false
	}
	return v.send(endpoint, request{method: method, path: path, body: b, kind: "application/json", version: version, key: method == http.MethodPost, want: want})
}

func (v *Visit) object() Object { return choose(v.Rand, v.World.Objects) }

// free is an object on which nothing stands against handling.
func (v *Visit) free() Object {
	for range 100 {
		if o := v.object(); o.Free {
			return o
		}
	}
	return v.object()
}

func choose[T any](r *rand.Rand, all []T) T { return all[r.IntN(len(all))] }

// misspelt is a word with two letters in each other's place.
func misspelt(r *rand.Rand, word string) string {
	if len(word) < 5 {
		return word + "x"
	}
	i := 1 + r.IntN(len(word)-3)
	return word[:i] + string(word[i+1]) + string(word[i]) + word[i+2:]
}

func q(path string, words ...string) string {
	values := url.Values{}
	for i := 0; i+1 < len(words); i += 2 {
		values.Set(words[i], words[i+1])
	}
	return path + "?" + values.Encode()
}

// Reads are what people look at, as often as they are thought to. The weights are an assumption: an
// object's sheet is what most work begins with.
func Reads() []Act {
	search := func(name string, weight int, words func(v *Visit) string) []Act {
		return []Act{
			{Name: name, Weight: weight, Do: func(v *Visit) { v.get(searching+name+", JSON", q("/api/v1/objects", "q", words(v))) }},
			{Name: name + " page", Weight: weight, Do: func(v *Visit) { v.look(searching+name+", page", q("/objects", "q", words(v))) }},
		}
	}
	acts := []Act{
		{Name: "sheet", Weight: 18, Do: func(v *Visit) { v.get("object sheet, JSON", "/api/v1/objects/"+v.object().ID.String()+"/sheet") }},
		{Name: "sheet page", Weight: 18, Do: func(v *Visit) { v.look("object sheet, page", "/objects/"+v.object().Number) }},
		{Name: "list", Weight: 6, Do: func(v *Visit) {
			v.get("list of objects at any depth, JSON", q("/api/v1/objects", "cursor", v.object().After()))
		}},
		{Name: "list page", Weight: 6, Do: func(v *Visit) {
			v.look("list of objects at any depth, page", q("/objects", "cursor", v.object().After()))
		}},
		{Name: "kind", Weight: 1, Do: func(v *Visit) { v.look("list of a kind, page", q("/objects", "kind", choose(v.Rand, v.World.Kinds))) }},
		{Name: "material", Weight: 1, Do: func(v *Visit) {
			v.look("list of a material, page", q("/objects", "material", choose(v.Rand, v.World.Materials)))
		}},
		{Name: "hazard", Weight: 1, Do: func(v *Visit) {
			v.look("list of a hazard, page", q("/objects", "hazard", choose(v.Rand, []string{"lead", "radium", "any"})))
		}},
		{Name: "list out", Weight: 1, Do: func(v *Visit) {
			v.get("an object as a list, CSV", q("/api/v1/exports/objects", "number", v.object().Number))
		}},
		{Name: "today", Weight: 4, Do: func(v *Visit) { v.look("today, page", "/") }},
		{Name: "agenda", Weight: 1, Do: func(v *Visit) { v.get("agenda, JSON", "/api/v1/agenda") }},
		{Name: "due", Weight: 1, Do: func(v *Visit) { v.look("what waits of a kind, page", "/today/stops_in_force") }},
		{Name: "treatments", Weight: 2, Do: func(v *Visit) {
			v.look("list of treatments, page", q("/treatments", "state", choose(v.Rand, []string{"submitted", "under_way", "signed", ""})))
		}},
		{Name: "treatment", Weight: 2, Do: func(v *Visit) {
			v.get("treatment, JSON", "/api/v1/treatments/"+choose(v.Rand, v.World.Treatments).String())
		}},
		{Name: "treatment page", Weight: 3, Do: func(v *Visit) { v.look("treatment, page", "/treatments/"+choose(v.Rand, v.World.Treatments).String()) }},
		{Name: "handlings", Weight: 2, Do: func(v *Visit) {
			v.get("handlings of an object, JSON", "/api/v1/objects/"+v.object().ID.String()+"/handlings")
		}},
		{Name: "all handlings", Weight: 1, Do: func(v *Visit) { v.look("all handlings, page", "/handlings") }},
		{Name: "moves", Weight: 2, Do: func(v *Visit) { v.look("moves of an object, page", "/objects/"+v.object().Number+"/moves") }},
		{Name: "whereabouts", Weight: 2, Do: func(v *Visit) {
			v.get("where an object is, JSON", "/api/v1/objects/"+v.object().ID.String()+"/whereabouts")
		}},
		{Name: "findings of an object", Weight: 2, Do: func(v *Visit) {
			v.get("findings of an object, JSON", "/api/v1/objects/"+v.object().ID.String()+"/findings")
		}},
		{Name: "findings", Weight: 1, Do: func(v *Visit) { v.look("findings, page", "/findings") }},
		{Name: "findings narrowed", Weight: 2, Do: func(v *Visit) {
			v.look("findings of a pair of materials, page", q("/findings", "emitter", choose(v.Rand, []string{"rubber", "rubber-chlorinated", "pvc-plasticised"}),
				"receptor", choose(v.Rand, []string{"copper-alloy", "aluminium", "silver"}), "state", choose(v.Rand, []string{"open", "accepted", ""})))
		}},
		{Name: "findings of a species", Weight: 1, Do: func(v *Visit) {
			v.get("findings of a species, JSON", q("/api/v1/findings", "species", choose(v.Rand, []string{"h2s", "hcl", "acetic-acid", "copper-ions"}), "severity", choose(v.Rand, []string{"1", "3"})))
		}},
		{Name: "findings that harm people", Weight: 1, Do: func(v *Visit) { v.get("findings that harm people, JSON", q("/api/v1/findings", "receptor", "people")) }},
		{Name: "to be identified", Weight: 1, Do: func(v *Visit) { v.look("what is to be identified, page", q("/findings", "rule", "identify-first")) }},
		{Name: "places", Weight: 1, Do: func(v *Visit) { v.look("places, page", "/places") }},
		{Name: "place", Weight: 2, Do: func(v *Visit) {
			v.look("what is in a place, page", "/places/"+choose(v.Rand, v.World.Shelves).String())
		}},
		{Name: "photos", Weight: 2, Do: func(v *Visit) { v.look("photographs of an object, page", "/objects/"+v.object().Number+"/photos") }},
		{Name: "marks page", Weight: 1, Do: func(v *Visit) {
			v.look("marks on a photograph, page", "/photos/"+choose(v.Rand, v.World.Photos).String()+"/marks")
		}},
		{Name: "marks", Weight: 1, Do: func(v *Visit) {
			v.get("marks on a photograph, JSON", "/api/v1/photos/"+choose(v.Rand, v.World.Photos).String()+"/marks")
		}},
		{Name: "part of a picture", Weight: 2, Do: func(v *Visit) {
			v.look("part of a picture", "/iiif/"+choose(v.Rand, v.World.Photos).String()+"/square/!200,200/0/default.jpg")
		}},
		{Name: "thumbnail", Weight: 6, Do: func(v *Visit) {
			v.look("small picture", "/files/photos/"+choose(v.Rand, v.World.Photos).String()+"/thumbnail")
		}},
		{Name: "handle page", Weight: 2, Roles: domain.Staff, Do: func(v *Visit) { v.look("form of a handling, page", "/objects/"+v.object().Number+"/handle") }},
		{Name: "enclosures", Weight: 1, Do: func(v *Visit) { v.look("list of enclosures, page", "/enclosures") }},
		{Name: "enclosure", Weight: 2, Do: func(v *Visit) { v.ofEnclosure(func(at string) { v.look("enclosure with its levels, page", at) }) }},
		{Name: "levels", Weight: 1, Do: func(v *Visit) {
			v.ofEnclosure(func(at string) { v.get("levels of an enclosure, JSON", "/api/v1"+at+"/levels") })
		}},
		{Name: "what if", Weight: 1, Do: func(v *Visit) { v.ofEnclosure(v.whatIf) }},
		{Name: "enclosures of an object", Weight: 1, Do: func(v *Visit) {
			v.get("enclosures of an object, JSON", q("/api/v1/enclosures", "object_id", v.object().ID.String()))
		}},
		{Name: "recommendations", Weight: 1, Do: func(v *Visit) {
			v.get("recommendations for an object, JSON", "/api/v1/objects/"+v.object().ID.String()+"/recommendations")
		}},
		{Name: "examination", Weight: 3, Do: func(v *Visit) { v.ofExamination(func(at string) { v.look("examination, page", at) }) }},
		{Name: "examination, JSON", Weight: 1, Do: func(v *Visit) { v.ofExamination(func(at string) { v.get("examination, JSON", "/api/v1"+at) }) }},
		{Name: "examination on paper", Weight: 1, Do: func(v *Visit) { v.ofExamination(func(at string) { v.look("examination on paper", at+"/report.pdf") }) }},
		{Name: "examinations of an object", Weight: 1, Do: func(v *Visit) {
			v.look("examinations of an object, page", "/objects/"+v.object().Number+"/examinations")
		}},
		{Name: "two examinations compared", Weight: 1, Do: func(v *Visit) {
			v.look("two examinations compared, page", "/objects/"+v.object().Number+"/compare")
		}},
		{Name: "objects in poor condition", Weight: 1, Do: func(v *Visit) { v.look("objects in poor condition, page", "/objects?condition=poor") }},
		{Name: "unacceptable and dangerous", Weight: 1, Do: func(v *Visit) {
			v.look("dangerous objects in unacceptable condition, page", "/objects?condition=unacceptable&hazard=any")
		}},
		{Name: "words for damage", Weight: 1, Do: func(v *Visit) { v.get("words for damage, JSON", "/api/v1/damage-terms") }},
		{Name: "record", Weight: 1, Do: func(v *Visit) { v.look("record, page", "/record") }},
		{Name: "questions", Weight: 1, Do: func(v *Visit) { v.look("open questions, page", "/investigations") }},
		{Name: "questions narrowed", Weight: 1, Do: func(v *Visit) {
			v.get("questions of a technique, JSON", q("/api/v1/investigations", "technique", choose(v.Rand, []string{"xrf", "ftir-sample"}), "state", "planned"))
		}},
		{Name: "consents waiting", Weight: 1, Do: func(v *Visit) {
			v.get("questions that wait for consent, JSON", q("/api/v1/investigations", "consent_waiting", "true", "state", "open"))
		}},
		{Name: "incidents", Weight: 1, Do: func(v *Visit) { v.look("incidents, page", "/incidents") }},
		{Name: "incidents of an object", Weight: 1, Do: func(v *Visit) {
			v.get("incidents of an object, JSON", q("/api/v1/incidents", "object_id", v.object().ID.String(), "state", "answered"))
		}},
		{Name: "spots", Weight: 1, Do: func(v *Visit) { v.look("what was measured on an object, page", "/objects/"+v.object().Number+"/spots") }},
		{Name: "measurements", Weight: 1, Do: func(v *Visit) {
			v.get("measurements of an object, JSON", q("/api/v1/objects/"+v.object().ID.String()+"/measurements", "quantity", "colour"))
		}},
		{Name: "surveys", Weight: 1, Do: func(v *Visit) { v.look("surveys, page", "/surveys") }},
	}
	acts = append(acts, search("a number", 2, func(v *Visit) string { return v.object().Number })...)
	acts = append(acts, search("a rare word", 1, func(v *Visit) string { return choose(v.Rand, v.World.Makers) })...)
	acts = append(acts, search("a common word", 1, func(v *Visit) string { return choose(v.Rand, v.World.Nouns) })...)
	acts = append(acts, search("three words", 1, func(v *Visit) string {
		return choose(v.Rand, v.World.Nouns) + " " + choose(v.Rand, v.World.Nouns) + " " + choose(v.Rand, v.World.Nouns)
	})...)
	acts = append(acts, search("misspelt", 1, func(v *Visit) string {
		return misspelt(v.Rand, choose(v.Rand, v.World.Makers)) + " " + choose(v.Rand, v.World.Nouns)
	})...)
	return acts
}

// Writes are what people record.
func Writes() []Act {
	return []Act{
		{Name: "create", Weight: 2, Write: true, Roles: []domain.Role{domain.Registrar, domain.Conservator}, Do: createObject},
		{Name: "list in", Weight: 1, Write: true, Roles: []domain.Role{domain.Registrar, domain.Conservator}, Do: bringInList},
		{Name: "change", Weight: 2, Write: true, Roles: []domain.Role{domain.Registrar, domain.Conservator}, Do: changeObject},
		{Name: "component", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: addComponent},
		{Name: "handling", Weight: 6, Write: true, Roles: []domain.Role{domain.Conservator, domain.Technician}, Do: logHandling},
		{Name: "move", Weight: 4, Write: true, Roles: []domain.Role{domain.Registrar}, Do: move},
		{Name: "step", Weight: 3, Write: true, Roles: []domain.Role{domain.Conservator}, Do: logStep},
		{Name: "joint", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: changeJoint},
		{Name: "accept", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: acceptFinding},
		{Name: "propose", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: propose},
		{Name: "decide", Weight: 1, Write: true, Roles: []domain.Role{domain.Curator}, Do: decide},
		{Name: "enclose", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: enclose},
		{Name: "measure", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator, domain.Technician}, Do: measure},
		{Name: "question", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: question},
		{Name: "examine", Weight: 2, Write: true, Roles: []domain.Role{domain.Conservator}, Do: examine},
		{Name: "mark", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: drawMark},
		{Name: "scale", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: setScale},
		{Name: "upload", Weight: 1, Write: true, Roles: []domain.Role{domain.Conservator}, Do: upload},
	}
}

// number is one that no object has yet, and none of another run.
func (v *Visit) number() string {
	v.World.mu.Lock()
	defer v.World.mu.Unlock()
	v.World.made++
	return fmt.Sprintf("LT%d.%d", v.World.began.Unix(), v.World.made)
}

// bringInList checks a short list and brings it in.
func bringInList(v *Visit) {
	var list strings.Builder
	list.WriteString("number,title,kind,department,legal_status,description\n")
	for range 5 {
		fmt.Fprintf(&list, "%s,Hood of a list,breathing set > hood,Industry,accessioned,Cracked at the %s.\n", v.number(), choose(v.Rand, v.World.Nouns))
	}
	r := request{method: http.MethodPost, path: "/api/v1/imports/objects", body: []byte(list.String()), kind: "text/csv", key: true, want: http.StatusOK}
	if _, ok := v.send("check a list of 5 objects", r); !ok {
		return
	}
	r.path, r.want = r.path+"?dry_run=false", http.StatusCreated
	v.send("bring in a list of 5 objects", r)
}

func createObject(v *Visit) {
	v.put("create an object", http.MethodPost, "/api/v1/objects", "", http.StatusCreated, map[string]any{
		"number": v.number(), "title": "Helmet recorded under load", "kind": "breathing set › smoke helmet", "department": "Industry",
		"description": "Cracked at the " + choose(v.Rand, v.World.Nouns) + ".", "makers": []string{choose(v.Rand, v.World.Makers) + " Works"}, "date_made": "1931~",
		"legal_status": "accessioned"})
}

// changeObject reads an object and sends it back with another text, under the version that was read.
func changeObject(v *Visit) {
	path := "/api/v1/objects/" + v.object().ID.String()
	a, ok := v.get("object, JSON", path)
	if !ok {
		return
	}
	var facts map[string]any
	if json.Unmarshal(a.text(), &facts) != nil {
		return
	}
	for _, own := range []string{"id", "date_earliest", "date_latest", "face_photo_id", "version", "created_at", "created_by"} {
		delete(facts, own)
	}
	facts["subject"] = "seen under load, " + choose(v.Rand, v.World.Nouns)
	v.put("change an object", http.MethodPut, path, a.tag, http.StatusOK, facts)
}

func addComponent(v *Visit) {
	v.put("add a component", http.MethodPost, "/api/v1/objects/"+v.object().ID.String()+"/components", "", http.StatusCreated, map[string]any{
		"label": fmt.Sprintf("x%d", time.Now().UnixNano()), "name": "loose rivet", "side": "none", "function": "hardware", "count": 1, "removal": "freely", "attribution": "unknown"})
}

// acceptFinding looks at a finding and accepts it.
func acceptFinding(v *Visit) {
	a, ok := v.get("findings of an object, JSON", "/api/v1/objects/"+v.object().ID.String()+"/findings")
	var all struct {
		Items []struct {
			ID domain.ID `json:"id"`
		} `json:"items"`
	}
	if !ok || json.Unmarshal(a.text(), &all) != nil || len(all.Items) == 0 {
		return
	}
	path := "/api/v1/findings/" + choose(v.Rand, all.Items).ID.String()
	if a, ok = v.get("finding, JSON", path); ok {
		v.put("accept a finding", http.MethodPost, path+"/acceptances", a.tag, http.StatusCreated, map[string]any{
			"reason": "Looked at under load.", "until": time.Now().AddDate(0, 1, 0).UTC().Format(time.DateOnly)})
	}
}

// changeJoint opens a joint of an object or closes it, which makes its findings due.
func changeJoint(v *Visit) {
	a, ok := v.get("object sheet, JSON", "/api/v1/objects/"+v.object().ID.String()+"/sheet")
	var sheet struct {
		Joints []map[string]any `json:"joints"`
	}
	if !ok || json.Unmarshal(a.text(), &sheet) != nil || len(sheet.Joints) == 0 {
		return
	}
	j := choose(v.Rand, sheet.Joints)
	facts := map[string]any{"state": choose(v.Rand, []string{"engaged", "held_open"})}
	for _, own := range []string{"meets", "contact", "gap_mm", "gas_tight", "note"} {
		if j[own] != nil {
			facts[own] = j[own]
		}
	}
	path := "/api/v1/joints/" + fmt.Sprint(j["id"])
	if a, ok = v.get("joint, JSON", path); ok {
		v.put("change a joint", http.MethodPut, path, a.tag, http.StatusOK, facts)
	}
}

func logHandling(v *Visit) {
	v.put("log a handling", http.MethodPost, "/api/v1/objects/"+v.object().ID.String()+"/handlings", "", http.StatusCreated, map[string]any{
		"minutes": 1 + v.Rand.IntN(60), "purpose": "examination", "gloves": "nitrile", "controls": "kept", "note": "Looked at under load."})
}

// move looks where an object is and moves it to another shelf.
func move(v *Visit) {
	o := v.free()
	path := "/api/v1/objects/" + o.ID.String()
	a, ok := v.get("where an object is, JSON", path+"/whereabouts")
	if !ok {
		return
	}
	var at struct {
		Items []struct {
			ID          domain.ID  `json:"id"`
			ComponentID *domain.ID `json:"component_id"`
			Place       *struct {
				ID domain.ID `json:"id"`
			} `json:"place"`
		} `json:"items"`
	}
	if json.Unmarshal(a.text(), &at) != nil || len(at.Items) == 0 || at.Items[0].ComponentID != nil {
		return
	}
	to := choose(v.Rand, v.World.Shelves)
	for at.Items[0].Place != nil && at.Items[0].Place.ID == to {
		to = choose(v.Rand, v.World.Shelves)
	}
	v.put("move an object", http.MethodPost, path+"/moves", "", http.StatusCreated, map[string]any{
		"from_placement_id": at.Items[0].ID, "to_place_id": to, "reason": "moved under load", "hands": map[string]any{"minutes": 5, "controls": "kept"}})
}

// logStep reads a treatment under way and logs a step of it, by the conservator in charge.
func logStep(v *Visit) {
	if len(v.World.UnderWay) == 0 {
		return
	}
	t := choose(v.Rand, v.World.UnderWay)
	by, known := v.World.byName[t.SignInName]
	if !known {
		return
	}
	v.Person = by
	path := "/api/v1/treatments/" + t.ID.String()
	a, ok := v.get("treatment, JSON", path)
	if !ok {
		return
	}
	v.put("log a step", http.MethodPost, path+"/steps", a.tag, http.StatusOK, map[string]any{
		"happened_at": time.Now().Add(-time.Minute).UTC(), "hands": []domain.ID{by.ID}, "components": []domain.ID{t.Component}, "method": t.Method, "minutes": 10,
		"materials": []map[string]any{{"auxiliary": "swabs"}}, "noticed": []string{"nothing"}, "note": "Done under load.", "controls": "kept"})
}

// propose drafts a treatment and submits it.
func propose(v *Visit) {
	o := v.object()
	a, ok := v.get("object sheet, JSON", "/api/v1/objects/"+o.ID.String()+"/sheet")
	if !ok {
		return
	}
	var sheet struct {
		Object struct {
			Department  string `json:"department"`
			LegalStatus string `json:"legal_status"`
		} `json:"object"`
		Components []struct {
			ID domain.ID `json:"id"`
		} `json:"components"`
	}
	if json.Unmarshal(a.text(), &sheet) != nil || len(sheet.Components) == 0 {
		return
	}
	today := time.Now().UTC()
	option := func(method string) map[string]any {
		return map[string]any{"method": method, "benefit": "b", "risk_to_object": "r", "risk_to_people": "r", "effect_on_significance": "s", "reversibility": "r", "retreatability": "r"}
	}
	examined := v.examined(o)
	if examined == "" {
		return
	}
	a, ok = v.put("draft a treatment", http.MethodPost, "/api/v1/objects/"+o.ID.String()+"/treatments", "", http.StatusCreated, map[string]any{
		"title": "Dry cleaning under load", "rests_on": map[string]any{"text": "Dusty.", "examination_id": examined}, "reasons": "Dust.", "aims": []string{"remedial"},
		"options": []any{option("no treatment"), option("surface cleaning, dry")}, "scope": []map[string]any{{"component_id": sheet.Components[0].ID, "method": "surface cleaning, dry", "why": "least"}},
		"why": "It is the least.", "safe_because": "Nothing stays.", "irreversible": "nothing", "no_tests_because": "not needed", "hours": "2", "begins": today.Format("2006-01"), "ends": today.Format("2006-01"),
		"photographs": []map[string]any{{"view": "front", "stages": []string{"before", "after"}}}, "removed": "dust"})
	if !ok {
		return
	}
	var made struct {
		ID string `json:"id"`
	}
	if json.Unmarshal(a.text(), &made) != nil {
		return
	}
	a, ok = v.put("submit a treatment", http.MethodPost, "/api/v1/treatments/"+made.ID+"/submissions", a.tag, http.StatusOK, map[string]any{})
	if !ok || sheet.Object.LegalStatus == "on_loan_to_us" || sheet.Object.LegalStatus == "deposit" {
		return
	}
	v.World.mu.Lock()
	defer v.World.mu.Unlock()
	v.World.submitted = append(v.World.submitted, submission{made.ID, a.tag, sheet.Object.Department})
}

// decide decides on what was submitted in this run, by a curator of the department.
func decide(v *Visit) {
	v.World.mu.Lock()
	var s *submission
	for i := range v.World.submitted {
		if by := v.World.curator(v.World.submitted[i].department); by != nil {
			found := v.World.submitted[i]
			v.World.submitted = append(v.World.submitted[:i], v.World.submitted[i+1:]...)
			s, v.Person = &found, by
			break
		}
	}
	v.World.mu.Unlock()
	if s == nil {
		v.look("today, page", "/")
		return
	}
	v.put("decide on a treatment", http.MethodPost, "/api/v1/treatments/"+s.id+"/decisions", s.tag, http.StatusOK, map[string]any{
		"version_number": 1, "outcome": "approve", "statement": "Agreed under load."})
}

// curator is a person of the run who decides for a department.
func (w *World) curator(department string) *Person {
	for _, p := range w.People {
		if p.Department == department {
			return p
		}
	}
	return nil
}

// ofEnclosure does something with an enclosure, where there is one.
func (v *Visit) ofEnclosure(do func(path string)) {
	if len(v.World.Enclosures) > 0 {
		do("/enclosures/" + choose(v.Rand, v.World.Enclosures).String())
	}
}

// whatIf asks what a cooler store would do, over a week.
func (v *Visit) whatIf(path string) {
	v.put("what a change would do", http.MethodPost, "/api/v1"+path+"/what-if", "", http.StatusOK, map[string]any{
		"changes": []map[string]any{{"act": "temperature", "temp_c": map[string]any{"value": 10, "basis": "assumed"}}}, "hours": 168})
}

// enclose describes the air space of an object, changes it, and recommends something.
func enclose(v *Visit) {
	o := v.object()
	assumed := func(value float64) map[string]any { return map[string]any{"value": value, "basis": "assumed"} }
	facts := map[string]any{"label": "Box described under load", "kind": "box", "members": []map[string]any{{"space": "box", "object_id": o.ID}}, "network": map[string]any{
		"air": map[string]any{"temp_c": assumed(18)}, "rooms": []map[string]any{{"name": "store", "levels": []map[string]any{{"gas": "acetic-acid", "ug_m3": assumed(0)}}}},
		"spaces": []map[string]any{{"name": "box", "volume_m3": assumed(0.05), "surfaces": []map[string]any{{"name": "board", "area_m2": assumed(0.3),
			"emissions": []map[string]any{{"gas": "acetic-acid", "rate_ug_m2_h": assumed(55)}}}}}},
		"exchanges": []map[string]any{{"name": "lid", "inner": "box", "outer": "store", "rate": map[string]any{"per_day": assumed(1)}}}}}
	a, ok := v.put("describe an enclosure", http.MethodPost, "/api/v1/enclosures", "", http.StatusCreated, facts)
	if !ok {
		return
	}
	var made struct {
		ID string `json:"id"`
	}
	if json.Unmarshal(a.text(), &made) != nil {
		return
	}
	if _, ok = v.put("describe an enclosure anew", http.MethodPut, "/api/v1/enclosures/"+made.ID, a.tag, http.StatusOK, facts); !ok {
		return
	}
	a, ok = v.put("recommend a change", http.MethodPost, "/api/v1/enclosures/"+made.ID+"/recommendations", "", http.StatusCreated, map[string]any{
		"object_id": o.ID, "text": "Leave the lid open.", "changes": []map[string]any{{"act": "rate", "exchange": "lid", "per_day": assumed(24)}}})
	if !ok || json.Unmarshal(a.text(), &made) != nil {
		return
	}
	v.put("end a recommendation", http.MethodPost, "/api/v1/recommendations/"+made.ID+"/end", "", http.StatusOK, map[string]any{"outcome": "done"})
}

// ofExamination does something with a signed examination, where there is one.
func (v *Visit) ofExamination(do func(path string)) {
	if len(v.World.Examinations) > 0 {
		do("/examinations/" + choose(v.Rand, v.World.Examinations).String())
	}
}

func examine(v *Visit) { v.examined(v.object()) }

// examined examines an object from the last time on: what was known is as it was, something is new. The draft is
// looked at on its page, and signed. It gives the examination, or "" when something went wrong.
func (v *Visit) examined(o Object) string {
	a, ok := v.put("begin an examination", http.MethodPost, "/api/v1/objects/"+o.ID.String()+"/examinations", "", http.StatusCreated, map[string]any{"occasion": "periodic_check"})
	if !ok {
		return ""
	}
	var draft struct {
		ID         string `json:"id"`
		Components []struct {
			ID string `json:"component_id"`
		} `json:"components"`
		Observations []struct {
			ID string `json:"id"`
		} `json:"observations"`
		Circumstances map[string]any `json:"circumstances"`
	}
	if json.Unmarshal(a.text(), &draft) != nil {
		return ""
	}
	at := "/api/v1/examinations/" + draft.ID
	seen := []map[string]any{}
	for _, c := range draft.Components {
		seen = append(seen, map[string]any{"component_id": c.ID, "seen": true})
	}
	day := time.Now().AddDate(1, 0, 0).Format(time.DateOnly)
	if a, ok = v.put("keep a draft", http.MethodPatch, at, a.tag, http.StatusOK, map[string]any{"components": seen,
		"circumstances": map[string]any{"occasion": "periodic_check", "examined_on": draft.Circumstances["examined_on"], "place": "laboratory", "light": []string{"normal"}, "technique": "by eye", "handles": false},
		"judgement":     map[string]any{"overall": "fair", "overall_reason": "Seen as a whole.", "priority": "low", "next_check_on": day}}); !ok {
		return ""
	}
	if len(draft.Observations) > 0 {
		ids := []string{}
		for _, x := range draft.Observations {
			ids = append(ids, x.ID)
		}
		if a, ok = v.put("confirm observations", http.MethodPost, at+"/confirmations", a.tag, http.StatusOK, map[string]any{"observation_ids": ids}); !ok {
			return ""
		}
	}
	if a, ok = v.put("write down a damage", http.MethodPost, at+"/observations", a.tag, http.StatusCreated, map[string]any{"term": "soiling", "severity": 1, "activity": "stable"}); !ok {
		return ""
	}
	v.look("draft of an examination, page", "/examinations/"+draft.ID)
	if _, ok = v.put("sign an examination", http.MethodPost, at+"/signature", a.tag, http.StatusOK, nil); !ok {
		return ""
	}
	return draft.ID
}

func drawMark(v *Visit) {
	x, y := v.Rand.Float64()*10, v.Rand.Float64()*10
	v.put("mark a photograph", http.MethodPost, "/api/v1/photos/"+choose(v.Rand, v.World.Photos).String()+"/marks", "", http.StatusCreated,
		map[string]any{"shape": map[string]any{"kind": "polygon", "points": [][2]float64{{x, y}, {x + 9, y}, {x + 4, y + 7}}}, "note": "marked under load"})
}

func setScale(v *Visit) {
	v.put("set a scale", http.MethodPost, "/api/v1/photos/"+choose(v.Rand, v.World.Photos).String()+"/scale", "", http.StatusCreated,
		map[string]any{"from": []int{0, 1}, "to": []int{14, 1}, "length_mm": 10, "plus_mm": 0.1})
}

// upload sends a picture, each a little different, because the same picture of the same object is refused.
func upload(v *Visit) {
	v.World.mu.Lock()
	v.World.pictures++
	n := v.World.pictures
	v.World.mu.Unlock()
	body := append(append([]byte{}, v.World.picture[:2]...), comment(fmt.Sprintf("%s %d", v.Person.house.run, n))...)
	body = append(body, v.World.picture[2:]...)
	v.send("upload a photograph", request{method: http.MethodPost, path: q("/api/v1/objects/"+v.object().ID.String()+"/photos", "view", "front", "light", "normal", "stage", "condition", "file_name", "load.jpg"),
		body: body, kind: "image/jpeg", key: true, want: http.StatusCreated})
}

// comment is a comment segment of a JPEG.
//
// source: ITU-T T.81, B.2.4.5 (marker FF FE, two bytes of length that count themselves).
func comment(text string) []byte {
	text = text[:min(len(text), 1000)]
	n := len(text) + 2
	return append([]byte{0xff, 0xfe, byte(n >> 8), byte(n)}, strings.ToValidUTF8(text, "")...) // #nosec G115 -- at most 1002
}
