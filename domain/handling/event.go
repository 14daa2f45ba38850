package handling

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
)

// The acts of this area.
var (
	Read     = domain.Act{Area: "handling", Name: "read what was handled", Roles: domain.Readers}
	Record   = domain.Act{Area: "handling", Name: "log a handling", Write: true, Roles: domain.Staff}
	Lift     = domain.Act{Area: "handling", Name: "release a stop", Write: true, Roles: []domain.Role{domain.Conservator}}
	Annotate = domain.Act{Area: "handling", Name: "write a curator's note on a stop", Write: true, Roles: []domain.Role{domain.Curator}}
	Assess   = domain.Act{Area: "handling", Name: "record the assessment of a hazard", Write: true, Roles: []domain.Role{domain.Conservator, domain.Registrar}}
)

// The words of a handling event, in the order in which they are shown.
//
// source: positions, supports, gloves and signs after published handling sheets for museum staff
// (Museums & Galleries of NSW; Heritage Collections Council, reCollections, 1998); common practice.
var (
	Purposes  = []string{"examination", "treatment", "mounting", "photography", "move", "loan", "research_visit", "other"}
	Positions = []string{"lying_face_up", "lying_face_down", "lying_on_left_side", "lying_on_right_side", "upright_on_mount", "upright_held",
		"hanging", "rolled", "folded", "in_box", "in_case", "in_crate", "other"}
	Supports    = []string{"board", "sling", "trolley", "tray", "mount", "cushion", "other"}
	Gloves      = []string{"nitrile", "cotton", "bare_clean_hands", "other", "none_possible"}
	Signs       = []string{"nothing", "noise", "powder", "resistance", "loss", "tear", "odour", "tack", "liquid", "other"}
	Joints      = []string{"neck", "shoulder", "elbow", "forearm", "wrist", "fingers", "waist", "hip", "knee", "ankle", "other"}
	Movements   = []string{"flexion", "extension", "abduction", "adduction", "internal_rotation", "external_rotation", "left_bend", "right_bend", "other"}
	Evacuations = []string{"fire", "flood", "threat_to_life"}
)

// stopping are the signs that raise a stop at once (rule H2).
var stopping = []string{"noise", "powder", "resistance", "loss", "tear"}

// Flex is one joint of a garment moved by hand.
type Flex struct {
	Joint    string `json:"joint" validate:"required,oneof=neck shoulder elbow forearm wrist fingers waist hip knee ankle other"`
	Side     string `json:"side" validate:"omitempty,oneof=left right none"` // empty: none
	Movement string `json:"movement" validate:"omitempty,oneof=flexion extension abduction adduction internal_rotation external_rotation left_bend right_bend other"`
	Degrees  int    `json:"degrees" validate:"gte=0,lte=360"` // the furthest angle reached
	Times    int    `json:"times" validate:"gte=0,lte=999"`   // 0: once
}

// Log is a handling as somebody records it. It says what was done, so no rule refuses it for being
// done; only what cannot be true or cannot be read is refused.
type Log struct {
	StartedAt     *time.Time  `json:"started_at"` // nil: so many minutes ago
	Minutes       int         `json:"minutes" validate:"required,min=1,max=1440"`
	HandlerIDs    []domain.ID `json:"handler_ids" validate:"max=20,unique"` // lead first; empty: the one who logs
	OtherHandlers []string    `json:"other_handlers" validate:"max=20,dive,required,max=200"`
	Purpose       string      `json:"purpose" validate:"required,oneof=examination treatment mounting photography move loan research_visit other"`
	ComponentIDs  []domain.ID `json:"component_ids" validate:"max=200,unique"` // empty: the whole object
	From          string      `json:"from" validate:"omitempty,oneof=lying_face_up lying_face_down lying_on_left_side lying_on_right_side upright_on_mount upright_held hanging rolled folded in_box in_case in_crate other"`
	To            string      `json:"to" validate:"omitempty,oneof=lying_face_up lying_face_down lying_on_left_side lying_on_right_side upright_on_mount upright_held hanging rolled folded in_box in_case in_crate other"`
	Lifts         *int        `json:"lifts" validate:"omitempty,gte=0,lte=999"` // nil: one when the position changed, else none
	Flexes        []Flex      `json:"flexes" validate:"max=60,dive"`
	Support       []string    `json:"support" validate:"max=7,unique,dive,oneof=board sling trolley tray mount cushion other"`
	Gloves        string      `json:"gloves" validate:"omitempty,oneof=nitrile cotton bare_clean_hands other none_possible"`
	Noticed       []string    `json:"noticed" validate:"max=10,unique,dive,oneof=nothing noise powder resistance loss tear odour tack liquid other"` // empty: nothing
	Note          string      `json:"note" validate:"max=4000"`
	Stop          bool        `json:"stop"`                                                            // raise a stop though H2 does not ask for it
	Controls      string      `json:"controls" validate:"omitempty,oneof=kept not_kept"`               // of the hazards shown; needed where there are any
	Evacuation    string      `json:"evacuation" validate:"omitempty,oneof=fire flood threat_to_life"` // out of danger
}

// Named is a person, an object or a component with what it is called.
type Named struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

// Addendum corrects or completes an event; the event itself stays as it was logged.
type Addendum struct {
	At         time.Time `json:"at"`
	AuthorID   domain.ID `json:"author_id"`
	AuthorName string    `json:"author_name"`
	Text       string    `json:"text"`
}

// Event is one touch of an object. It is never changed; addenda stand beside it.
type Event struct {
	ID            domain.ID   `json:"id"`
	ObjectID      domain.ID   `json:"object_id"`
	ObjectNumber  string      `json:"object_number"`
	StartedAt     time.Time   `json:"started_at"`
	Minutes       int         `json:"minutes"`
	RecordedAt    time.Time   `json:"recorded_at"`
	RecordedBy    Named       `json:"recorded_by"`
	Handlers      []Named     `json:"handlers"` // lead first
	OtherHandlers []string    `json:"other_handlers"`
	Purpose       string      `json:"purpose"`
	Components    []Named     `json:"components"` // empty: the whole object
	From          string      `json:"from,omitempty"`
	To            string      `json:"to,omitempty"`
	Lifts         int         `json:"lifts"`
	Flexes        []Flex      `json:"flexes"`
	Support       []string    `json:"support"`
	Gloves        string      `json:"gloves,omitempty"`
	Noticed       []string    `json:"noticed"`
	Note          string      `json:"note"`
	Controls      string      `json:"controls,omitempty"`
	Hazards       []string    `json:"hazards"`    // the kinds of hazard that were shown
	Unassessed    []string    `json:"unassessed"` // of these, the ones that wanted an assessment first
	Evacuation    string      `json:"evacuation,omitempty"`
	UnderStop     bool        `json:"under_stop"`        // a stop stood on what was handled
	StopID        *domain.ID  `json:"stop_id,omitempty"` // the stop that it raised
	PhotoIDs      []domain.ID `json:"photo_ids"`
	Addenda       []Addendum  `json:"addenda"`

	domain.Raised `json:"-" db:"-"`
}

// Version rises with every addendum and every photograph.
func (e *Event) Version() int64 { return 1 + int64(len(e.Addenda)+len(e.PhotoIDs)) }

// ComponentIDs are the components handled; none means the whole object.
func (e *Event) ComponentIDs() []domain.ID {
	ids := make([]domain.ID, len(e.Components))
	for i, c := range e.Components {
		ids[i] = c.ID
	}
	return ids
}

// Signs are the things noticed, without 'nothing'.
func (e *Event) Signs() []string {
	return slices.DeleteFunc(slices.Clone(e.Noticed), func(s string) bool { return s == "nothing" })
}

// Found is what a handling meets: what stands against it, and what its handlers are to be told.
type Found struct {
	Sheet    *collection.Sheet
	Standing []Stop // the stops in force on the object
	Cautions []Caution
}

// logClock is how far the clock of a tablet may run before ours.
const logClock = 10 * time.Minute

// New makes the event of a log, and the stop that it raises (H2), or nil. It refuses only what
// cannot be true: a handling of the future, a component of another object, 'nothing' beside
// something, a change of position without a lift.
func New(by domain.Actor, l Log, f Found, at time.Time) (*Event, *Stop, error) {
	if err := domain.Validate(l); err != nil {
		return nil, nil, err
	}
	e := &Event{
		ID: domain.NewID(), ObjectID: f.Sheet.Object.ID, ObjectNumber: f.Sheet.Object.Number,
		StartedAt: at.Add(-time.Duration(l.Minutes) * time.Minute), Minutes: l.Minutes, RecordedAt: at, RecordedBy: Named{by.ID, by.Name},
		OtherHandlers: trimmed(l.OtherHandlers), Purpose: l.Purpose, Components: []Named{}, From: l.From, To: l.To,
		Flexes: []Flex{}, Support: listed(Supports, l.Support), Gloves: l.Gloves, Noticed: listed(Signs, l.Noticed),
		Note: strings.TrimSpace(l.Note), Controls: l.Controls, Hazards: []string{}, Unassessed: []string{}, Evacuation: l.Evacuation,
		PhotoIDs: []domain.ID{}, Addenda: []Addendum{},
	}
	if l.StartedAt != nil {
		e.StartedAt = *l.StartedAt
	}
	if len(e.Noticed) == 0 {
		e.Noticed = []string{"nothing"}
	}
	for _, id := range l.HandlerIDs {
		e.Handlers = append(e.Handlers, Named{ID: id})
	}
	if len(e.Handlers) == 0 {
		e.Handlers = []Named{{by.ID, by.Name}}
	}
	for _, x := range l.Flexes {
		x.Side, x.Times = orElse(x.Side, "none"), max(x.Times, 1)
		e.Flexes = append(e.Flexes, x)
	}
	if l.Lifts != nil {
		e.Lifts = *l.Lifts
	} else if e.turned() {
		e.Lifts = 1
	}
	for _, id := range l.ComponentIDs {
		e.Components = append(e.Components, Named{id, f.Sheet.Called(id)})
	}
	e.meet(f)
	if err := e.check(f); err != nil {
		return nil, nil, err
	}
	e.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "handling", Subject: e.ID, Object: &e.ObjectID, Kind: "logged", Change: l})
	signs := slices.DeleteFunc(e.Signs(), func(s string) bool { return !slices.Contains(stopping, s) })
	if len(signs) == 0 && !l.Stop {
		return e, nil, nil
	}
	stop := raise(by, e, f.Sheet, e.Signs(), at)
	e.StopID = &stop.ID
	return e, stop, nil
}

// meet notes the stops and the hazards that stood when the object was handled.
func (e *Event) meet(f Found) {
	ids := e.ComponentIDs()
	e.UnderStop = slices.ContainsFunc(f.Standing, func(s Stop) bool { return s.Binds(f.Sheet, ids) })
	var handlers []domain.ID
	for _, h := range e.Handlers {
		handlers = append(handlers, h.ID)
	}
	for _, c := range Touching(f.Sheet, f.Cautions, ids) {
		if c.Class == material.Note || slices.Contains(e.Hazards, c.Kind) {
			continue
		}
		e.Hazards = append(e.Hazards, c.Kind)
		if c.unassessed(handlers, e.StartedAt) {
			e.Unassessed = append(e.Unassessed, c.Kind)
		}
	}
}

// turned says whether the position changed, which is a lift even on the same table.
//
// source: common practice (handling sheets count every time the weight is taken up).
func (e *Event) turned() bool { return e.From != "" && e.To != "" && e.From != e.To }

func (e *Event) check(f Found) error {
	var faults []domain.Field
	bad := func(pointer, rule, message string) {
		faults = append(faults, domain.Field{Pointer: pointer, Rule: rule, Message: message})
	}
	switch {
	case e.StartedAt.After(e.RecordedAt.Add(logClock)):
		bad("/started_at", "past", "A handling is logged when it has begun, not before.")
	case e.StartedAt.Year() < 1800:
		bad("/started_at", "past", "Look at the year.")
	}
	for _, c := range e.Components {
		if f.Sheet.Component(c.ID) == nil {
			bad("/component_ids", "component", "One of these is not a component of "+f.Sheet.Object.Number+".")
			break
		}
	}
	if len(e.Noticed) > 1 && slices.Contains(e.Noticed, "nothing") {
		bad("/noticed", "nothing", "Choose 'nothing' or what was noticed, not both.")
	}
	if e.turned() && e.Lifts == 0 {
		bad("/lifts", "lifts", "A change of position is at least one lift.")
	}
	if slices.Contains(e.Noticed, "other") && e.Note == "" {
		bad("/note", "required", "Say in the note what else was noticed.")
	}
	if len(e.Hazards) > 0 && e.Controls == "" {
		bad("/controls", "required", "Say whether the usual controls for "+strings.Join(e.Hazards, ", ")+" were kept.")
	}
	return domain.InvalidFields(faults)
}

// Brief says what a handling was, in a sentence for a notice.
func (e *Event) Brief() string {
	text := e.RecordedBy.Name + " logged a handling of " + e.what()
	if signs := e.Signs(); len(signs) > 0 {
		text += " with " + strings.Join(signs, ", ") + " noticed"
	}
	return text + "."
}

func (e *Event) what() string {
	if len(e.Components) == 0 {
		return e.ObjectNumber
	}
	names := make([]string, len(e.Components))
	for i, c := range e.Components {
		names[i] = c.Name
	}
	return strings.Join(names, ", ")
}

// NewAddendum corrects or completes a logged event.
type NewAddendum struct {
	Text string `json:"text" validate:"required,max=4000"`
}

// Attachment adds a photograph of the object to a logged event.
type Attachment struct {
	PhotoID domain.ID `json:"photo_id" validate:"required"`
}

// listed keeps those of chosen that are known, in the order in which they are known.
func listed(known, chosen []string) []string {
	kept := []string{}
	for _, k := range known {
		if slices.Contains(chosen, k) {
			kept = append(kept, k)
		}
	}
	return kept
}

func trimmed(names []string) []string {
	kept := []string{}
	for _, n := range names {
		kept = append(kept, strings.TrimSpace(n))
	}
	return kept
}

func orElse(text, other string) string {
	if text == "" {
		return other
	}
	return text
}
