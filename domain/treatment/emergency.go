package treatment

import (
	"slices"
	"time"

	"farthingale/domain"
	"farthingale/domain/people"
)

// LeastMethods are the only methods of an emergency stabilisation (T6).
//
// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 29; the list is common
// practice.
var LeastMethods = []string{"support", "isolate", "collect", "contain", "cover", "dry", "cool", "remove_from_hazard", "switch_off_light"}

// NewEmergency records what was done at once to prevent imminent loss.
type NewEmergency struct {
	Done
	TreatmentID *domain.ID `json:"treatment_id,omitempty"` // when it happened in the course of one
	Imminent    string     `json:"imminent" validate:"required,max=4000"`
	NoticedAt   time.Time  `json:"noticed_at" validate:"required"`
	Methods     []string   `json:"methods" validate:"required,min=1,unique,dive,oneof=support isolate collect contain cover dry cool remove_from_hazard switch_off_light"`
	LeftUndone  string     `json:"left_undone" validate:"max=4000"`
}

// Stabilisation is an emergency stabilisation with its ratification.
type Stabilisation struct {
	Work
	ObjectNumber string        `json:"object_number"`
	ObjectTitle  string        `json:"object_title"`
	Department   string        `json:"department"`
	Imminent     string        `json:"imminent"`
	NoticedAt    time.Time     `json:"noticed_at"`
	Methods      []string      `json:"methods"`
	LeftUndone   string        `json:"left_undone"`
	DueAt        time.Time     `json:"due_at"` // unratified after this moment it is overdue
	Outcome      RatifyOutcome `json:"outcome,omitempty"`
	Conditions   []string      `json:"conditions"`
	Ratification *Signature    `json:"ratification,omitempty"`
	Overdue      bool          `json:"overdue"` // told to the reader
	Version      int64         `json:"version"`

	domain.Raised `json:"-"`
}

// RatifyOutcome is what a curator says about an emergency afterwards.
type RatifyOutcome string

// The outcomes. A declined act stays on record as declined.
const (
	Ratified               RatifyOutcome = "ratified"
	RatifiedWithConditions RatifyOutcome = "ratified_with_conditions"
	RatificationDeclined   RatifyOutcome = "declined"
)

// RatifyOutcomes lists them.
var RatifyOutcomes = []RatifyOutcome{Ratified, RatifiedWithConditions, RatificationDeclined}

// Stabilise records an emergency stabilisation (T6). t is the treatment in whose course it happened,
// or nil. A stop does not refuse it (T9).
func Stabilise(by domain.Actor, n NewEmergency, t *Treatment, f Facts, at time.Time) (*Stabilisation, error) {
	if err := by.May(Rescue); err != nil {
		return nil, err
	}
	w, err := n.note(by, Emergency, f, at)
	if err != nil {
		return nil, err
	}
	for _, u := range n.Materials {
		if u.Auxiliary == "" && !slices.Contains(holding, u.MaterialKey) {
			return nil, domain.Refuse("T6", "In an emergency only what supports, holds or covers is used, and nothing that stays: no adhesive, consolidant or solvent. "+
				f.nameOf(u)+" is none of these; what was done with it is recorded as a departure of a treatment.")
		}
	}
	if n.NoticedAt.After(n.HappenedAt.Add(time.Minute)) {
		return nil, domain.Invalid("/noticed_at", "order", "It was noticed before it was acted on.")
	}
	w.Method = "emergency stabilisation"
	e := &Stabilisation{Work: w, ObjectNumber: f.Sheet.Object.Number, ObjectTitle: f.Sheet.Object.Title, Department: f.Sheet.Object.Department,
		Imminent: n.Imminent, NoticedAt: n.NoticedAt.UTC(), Methods: n.Methods, LeftUndone: n.LeftUndone,
		DueAt: RatificationDue(n.HappenedAt, f.Site), Conditions: []string{}, Version: 1}
	if t != nil {
		if t.ObjectID != w.ObjectID {
			return nil, domain.Invalid("/treatment_id", "object", "That treatment is of another object.")
		}
		if t.State.Closed() {
			return nil, domain.Invalid("/treatment_id", "state", "That treatment is "+t.State.Words()+". Record the emergency without it.")
		}
		people := append(w.everybody(), who(by))
		if err := t.mayHaveDone(people); err != nil {
			return nil, domain.Refuse("T2", "Somebody who took part has decided on that treatment. Record the emergency without it.")
		}
		e.TreatmentID = n.TreatmentID
		for _, h := range people {
			t.join(h, Doing, "acted in an emergency", at)
		}
	}
	e.raise(by, "emergency_recorded", map[string]any{"imminent": n.Imminent, "methods": n.Methods, "due_at": e.DueAt}, at)
	return e, nil
}

// holding are library materials that only hold, cover or separate, and come off whole.
//
// source: common practice.
var holding = []string{"polyethylene", "polyethylene-foam", "polyester-film", "polyester-wadding", "hdpe-nonwoven", "acid-free-tissue",
	"museum-board", "aluminium-barrier-foil", "silica-gel", "cotton"}

// Holding tells which library materials an emergency may use.
func Holding() []string { return slices.Clone(holding) }

func (e *Stabilisation) raise(by domain.Actor, kind string, change any, at time.Time) {
	object := e.ObjectID
	e.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "treatment", Subject: e.ID, Object: &object, Kind: kind, Change: change})
}

// Open says whether the emergency waits for its ratification.
func (e *Stabilisation) Open() bool { return e.Outcome == "" }

// PastDue says whether it waits longer than the site allows (T6).
func (e *Stabilisation) PastDue(at time.Time) bool { return e.Open() && at.After(e.DueAt) }

// Ratification is what a curator says about an emergency.
type Ratification struct {
	Outcome    RatifyOutcome `json:"outcome" validate:"required,oneof=ratified ratified_with_conditions declined"`
	Statement  string        `json:"statement" validate:"required,max=10000"`
	Conditions []string      `json:"conditions" validate:"max=20,dive,required,max=2000"`
}

// Ratify decides on an emergency afterwards (T6), by a curator of the department who had no hand in
// it. t is the treatment in whose course it happened, or nil; its two sides hold here too (T2).
func (e *Stabilisation) Ratify(by domain.Actor, r Ratification, t *Treatment, curators []people.Person, at time.Time) error {
	if err := by.May(Judge); err != nil {
		return err
	}
	if !e.Open() {
		return domain.RefuseState("T6", "This emergency is decided already: "+string(e.Outcome)+".")
	}
	acted := func(id domain.ID) bool {
		return e.RecordedBy.ID == id || slices.ContainsFunc(e.everybody(), func(h Who) bool { return h.ID == id })
	}
	free := func(id domain.ID) bool {
		p := (*Party)(nil)
		if t != nil {
			p = t.party(id)
		}
		return !acted(id) && (p == nil || p.Side != Doing)
	}
	if !free(by.ID) || !by.CuratorOf(e.Department) {
		var names []string
		for _, c := range curators {
			if c.ClosedAt == nil && free(c.ID) {
				names = append(names, c.Name)
			}
		}
		reason := "You are not curator for " + e.Department + ". "
		if !free(by.ID) {
			reason = "You took part in this; whoever acted does not ratify. "
		}
		return domain.Refuse("T2", reason+insteadOf(names, e.Department))
	}
	switch {
	case r.Outcome == RatifiedWithConditions && len(r.Conditions) == 0:
		return domain.Invalid("/conditions", "required", "Say at least one condition, or ratify without conditions.")
	case r.Outcome != RatifiedWithConditions && len(r.Conditions) > 0:
		return domain.Invalid("/conditions", "outcome", "Only a ratification with conditions carries conditions.")
	}
	e.Outcome, e.Conditions, e.Ratification = r.Outcome, nonNil(r.Conditions), sign(by, string(r.Outcome), r.Statement, at)
	if t != nil {
		t.join(who(by), Deciding, "ratified an emergency", at)
	}
	e.raise(by, "emergency_"+string(r.Outcome), r, at)
	return nil
}
