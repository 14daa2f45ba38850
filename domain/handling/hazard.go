package handling

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
)

// Caution is a danger to people on an object or one of its components, as it is shown before hands
// are on it. 'Possible' counts as much as 'certain' until a competent person rules it out.
type Caution struct {
	Kind        string         `json:"kind"`   // "radium"
	Hazard      string         `json:"hazard"` // what it is, in words
	Class       material.Class `json:"class"`
	ComponentID *domain.ID     `json:"component_id,omitempty"` // nil: the whole object
	On          string         `json:"on"`                     // what it is on, as people call it
	Certainty   string         `json:"certainty"`              // certain, probable, possible, ruled_out
	State       string         `json:"state"`
	Proposed    bool           `json:"proposed"` // follows from the make-up, the kind, the age or the marks; nobody has recorded it
	Controls    string         `json:"controls"` // agreed for this one; empty: the usual ones
	Note        string         `json:"note"`
	Text        string         `json:"text"` // the usual caution, with whom to call and the closing sentence
	Call        string         `json:"call"`
	Assessments []Assessment   `json:"assessments"`
}

// MaterialHazard is a hazard that a material of a component calls for.
type MaterialHazard struct {
	ComponentID  domain.ID
	Kind         string
	MaterialName string
	Confidence   string // of the identification
}

// Dangers are the cautions of an object: its recorded hazards, then what its materials, its kind, its age
// and its marks call for and nobody has recorded. usual is material.Cautions. A hazard ruled out or removed stays as
// a note and is not proposed again on its component.
func Dangers(sheet *collection.Sheet, made []MaterialHazard, usual []material.Caution) []Caution {
	known := map[string]material.Caution{}
	for _, u := range usual {
		known[u.ID] = u
	}
	recorded := map[string]bool{}
	var all []Caution
	add := func(c Caution) {
		u, ok := known[c.Kind]
		if !ok { // a kind of the site's own
			u = material.Caution{ID: c.Kind, Hazard: strings.ReplaceAll(c.Kind, "-", " "), Class: material.Control}
		}
		c.Hazard, c.Class, c.Text, c.Call = u.Hazard, classOf(u, c.Certainty, c.State), u.Text(), u.Call
		c.On = sheet.Object.Number
		if c.ComponentID != nil {
			c.On = sheet.Called(*c.ComponentID)
		}
		all = append(all, c)
	}
	for _, h := range sheet.Hazards {
		recorded[key(h.ComponentID, h.Kind)] = true
		add(Caution{Kind: h.Kind, ComponentID: h.ComponentID, Certainty: h.Certainty, State: h.State, Controls: h.Controls, Note: h.Note})
	}
	for _, m := range made {
		if k := key(&m.ComponentID, m.Kind); !recorded[k] && !recorded[key(nil, m.Kind)] {
			recorded[k] = true
			add(Caution{Kind: m.Kind, ComponentID: &m.ComponentID, Certainty: "possible", State: "intact", Proposed: true, Note: "Follows from the material: " + m.MaterialName + "."})
		}
	}
	for _, p := range sheet.Proposals() {
		if k := key(p.ComponentID, p.Kind); !recorded[k] && !recorded[key(nil, p.Kind)] {
			recorded[k] = true
			add(Caution{Kind: p.Kind, ComponentID: p.ComponentID, Certainty: p.Certainty, State: "intact", Proposed: true, Note: "Follows from " + p.Because + "."})
		}
	}
	slices.SortStableFunc(all, func(a, b Caution) int { return rank[a.Class] - rank[b.Class] })
	return all
}

var rank = map[material.Class]int{material.Stop: 0, material.Control: 1, material.Note: 2}

func key(componentID *domain.ID, kind string) string {
	if componentID == nil {
		return kind
	}
	return componentID.String() + kind
}

// classOf is the class that holds for a hazard as it is recorded. What is ruled out or removed is a
// note. The other class holds when it is stricter and the thing is damaged or loose, or laxer and the
// thing is certainly sealed.
func classOf(u material.Caution, certainty, state string) material.Class {
	switch {
	case certainty == "ruled_out" || state == "removed":
		return material.Note
	case u.OtherClass == "":
		return u.Class
	case rank[u.OtherClass] < rank[u.Class] && (state == "damaged" || state == "loose"):
		return u.OtherClass
	case rank[u.OtherClass] > rank[u.Class] && state == "sealed" && certainty == "certain":
		return u.OtherClass
	}
	return u.Class
}

// Assessment is what a competent person found about a hazard. It is never changed; a later one takes
// its place.
type Assessment struct {
	ID             domain.ID  `json:"id"`
	ObjectID       domain.ID  `json:"object_id"`
	ComponentID    *domain.ID `json:"component_id,omitempty"` // nil: the whole object
	Kind           string     `json:"kind"`
	AssessorID     *domain.ID `json:"assessor_id,omitempty"` // when the assessor has an account here
	AssessorName   string     `json:"assessor_name"`
	Competence     string     `json:"competence"` // by what the assessor is competent
	AssessedOn     time.Time  `json:"assessed_on"`
	MayBeHandled   bool       `json:"may_be_handled"`
	Found          string     `json:"found"`
	Controls       string     `json:"controls"`
	ValidUntil     *time.Time `json:"valid_until,omitempty"` // the last day; nil: until there is another
	RecordedByID   domain.ID  `json:"recorded_by_id"`
	RecordedByName string     `json:"recorded_by_name"`
	RecordedAt     time.Time  `json:"recorded_at"`

	domain.Raised `json:"-" db:"-"`
}

// NewAssessment records an assessment.
type NewAssessment struct {
	ComponentID  *domain.ID `json:"component_id"`
	Kind         string     `json:"kind" validate:"required,max=60"`
	AssessorID   *domain.ID `json:"assessor_id"`
	AssessorName string     `json:"assessor_name" validate:"required,max=200"`
	Competence   string     `json:"competence" validate:"required,max=300"`
	AssessedOn   time.Time  `json:"assessed_on" validate:"required"`
	MayBeHandled bool       `json:"may_be_handled"`
	Found        string     `json:"found" validate:"required,max=4000"`
	Controls     string     `json:"controls" validate:"max=4000"`
	ValidUntil   *time.Time `json:"valid_until"`
}

// NewAssessmentOf makes the record of an assessment.
func NewAssessmentOf(by domain.Actor, n NewAssessment, sheet *collection.Sheet, at time.Time) (*Assessment, error) {
	err := domain.Validate(n)
	switch {
	case err != nil:
		return nil, err
	case n.ComponentID != nil && sheet.Component(*n.ComponentID) == nil:
		return nil, domain.Invalid("/component_id", "component", "This is not a component of "+sheet.Object.Number+".")
	case n.AssessedOn.After(at.Add(24 * time.Hour)):
		return nil, domain.Invalid("/assessed_on", "past", "An assessment is recorded when it was made, not before.")
	case n.ValidUntil != nil && n.ValidUntil.Before(n.AssessedOn):
		return nil, domain.Invalid("/valid_until", "order", "It holds at least on the day on which it was made.")
	case n.MayBeHandled && strings.TrimSpace(n.Controls) == "":
		return nil, domain.Invalid("/controls", "required", "Say with which controls it may be handled.")
	}
	a := &Assessment{
		ID: domain.NewID(), ObjectID: sheet.Object.ID, ComponentID: n.ComponentID, Kind: n.Kind, AssessorID: n.AssessorID,
		AssessorName: strings.TrimSpace(n.AssessorName), Competence: strings.TrimSpace(n.Competence), AssessedOn: n.AssessedOn, MayBeHandled: n.MayBeHandled,
		Found: strings.TrimSpace(n.Found), Controls: strings.TrimSpace(n.Controls), ValidUntil: n.ValidUntil,
		RecordedByID: by.ID, RecordedByName: by.Name, RecordedAt: at,
	}
	a.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "handling", Subject: a.ID, Object: &a.ObjectID, Kind: "hazard_assessed", Change: n})
	return a, nil
}

// Touching are the cautions that concern a handling of the components: those on the whole object, on
// the components, below them, and on what they are part of. No components means the whole object.
func Touching(sheet *collection.Sheet, cautions []Caution, componentIDs []domain.ID) []Caution {
	if len(componentIDs) == 0 {
		return cautions
	}
	var near []domain.ID
	for _, id := range componentIDs {
		near = append(append(append(near, id), sheet.Above(id)...), sheet.Below(id)...)
	}
	var touching []Caution
	for _, c := range cautions {
		if c.ComponentID == nil || slices.Contains(near, *c.ComponentID) {
			touching = append(touching, c)
		}
	}
	return touching
}

// unassessed says whether the caution wants an assessment before these people handle the object, and
// has none that holds: made and recorded by somebody else, not withdrawn by a later one, and valid on
// that day.
func (c *Caution) unassessed(handlers []domain.ID, at time.Time) bool {
	if c.Class != material.Stop {
		return false
	}
	var last *Assessment
	for i := range c.Assessments {
		a := &c.Assessments[i]
		own := a.AssessorID != nil && slices.Contains(handlers, *a.AssessorID) || slices.Contains(handlers, a.RecordedByID)
		if !own && (last == nil || !a.AssessedOn.Before(last.AssessedOn)) {
			last = a
		}
	}
	return last == nil || !last.MayBeHandled || last.ValidUntil != nil && !at.Before(last.ValidUntil.AddDate(0, 0, 1))
}

// Clear refuses a planned handling of the components by these people while a hazard of class S has no
// assessment. Evacuation does not ask it.
//
// source: common practice; AIC Conservation Wiki, Collection Hazards: hazards are identified,
// labelled, recorded and mitigated before collections are handled.
func Clear(sheet *collection.Sheet, cautions []Caution, componentIDs, handlers []domain.ID, at time.Time) error {
	var missing []string
	call := map[string]bool{}
	for _, c := range Touching(sheet, cautions, componentIDs) {
		if !c.unassessed(handlers, at) {
			continue
		}
		missing = append(missing, "an assessment of "+strings.ReplaceAll(c.Kind, "_", " ")+" ("+c.Certainty+") on "+c.On+", by a competent person other than the handler")
		if c.Call != "" {
			call[c.Call] = true
		}
	}
	if len(missing) == 0 {
		return nil
	}
	text := "This may not be handled by plan before a named competent person has recorded an assessment."
	for who := range call {
		text += " Call: " + who + "."
		break
	}
	return &domain.Error{Kind: domain.KindRefused, Code: "hazard_unassessed", Message: text + " " + material.CautionClosing, Missing: missing}
}
