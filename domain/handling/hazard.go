package handling

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Class says what a hazard asks of whoever plans to handle the object.
type Class string

// The classes of hazard.
const (
	StopClass    Class = "S" // no planned handling before a competent person's assessment
	ControlClass Class = "C" // the handler confirms the controls each time
	NoteClass    Class = "N" // shown
)

// Closing stands below every text on hazards.
const Closing = "Usual caution only. Follow local law and your safety adviser; when unsure, stop and ask."

// Caution is a danger to people on an object or one of its components, as it is shown before hands
// are on it. 'Possible' counts as much as 'certain' until a competent person rules it out.
type Caution struct {
	Kind        string       `json:"kind"` // "radium"
	Class       Class        `json:"class"`
	ComponentID *domain.ID   `json:"component_id,omitempty"` // nil: the whole object
	On          string       `json:"on"`                     // what it is on, as people call it
	Certainty   string       `json:"certainty"`              // certain, probable, possible
	State       string       `json:"state"`
	Text        string       `json:"text"` // the usual caution
	Call        string       `json:"call"` // whom to call
	Assessments []Assessment `json:"assessments"`
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
	if c.Class != StopClass {
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
	return &domain.Error{Kind: domain.KindRefused, Code: "hazard_unassessed", Message: text + " " + Closing, Missing: missing}
}
