package investigation

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// The acts of this area.
var (
	Read   = domain.Act{Area: "investigation", Name: "read open questions", Roles: domain.Readers}
	Ask    = domain.Act{Area: "investigation", Name: "ask a question about an object", Write: true, Roles: []domain.Role{domain.Conservator, domain.Curator, domain.Registrar, domain.MountMaker}}
	PlanIt = domain.Act{Area: "investigation", Name: "plan an investigation", Write: true, Roles: []domain.Role{domain.Conservator}}
	Grant  = domain.Act{Area: "investigation", Name: "consent to a sample", Write: true, Roles: []domain.Role{domain.Curator}}
	Find   = domain.Act{Area: "investigation", Name: "record a finding", Write: true, Roles: []domain.Role{domain.Conservator}}
)

// State says where an investigation stands.
type State string

// The states.
const (
	Asked   State = "asked"
	Planned State = "planned"
	Done    State = "done"
	GivenUp State = "given_up"
)

// States are in their order; the first two are open.
var States = []State{Asked, Planned, Done, GivenUp}

// Open says whether somebody still has to answer.
func (s State) Open() bool { return s == Asked || s == Planned }

// Named is a person or a part with what it is called.
type Named struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

// Plan says how a question is to be answered.
type Plan struct {
	Techniques   []string    `json:"techniques"`
	ComponentIDs []domain.ID `json:"component_ids"`
	Who          string      `json:"who"`         // by whom, within the house or without
	PlannedFor   string      `json:"planned_for"` // a day, or empty
	Note         string      `json:"note"`
}

// End says how an investigation ended.
type End struct {
	At   time.Time `json:"at"`
	By   Named     `json:"by"`
	Text string    `json:"text"` // the answer, or why it was given up
}

// Investigation is a question about an object and all that was done to answer it.
type Investigation struct {
	ID           domain.ID  `json:"id"`
	ObjectID     domain.ID  `json:"object_id"`
	ObjectNumber string     `json:"object_number"`
	ObjectTitle  string     `json:"object_title"`
	Department   string     `json:"department"`
	ComponentID  *domain.ID `json:"component_id,omitempty"` // nil: of the object as a whole
	Component    string     `json:"component,omitempty"`
	Number       int        `json:"number"` // 1, 2, 3 … on the object
	Question     string     `json:"question"`
	Why          string     `json:"why"` // what hangs on the answer
	State        State      `json:"state"`
	AskedAt      time.Time  `json:"asked_at"`
	AskedBy      Named      `json:"asked_by"`
	Plan         *Plan      `json:"plan,omitempty"`
	Consents     []Consent  `json:"consents"`
	Samples      []Sample   `json:"samples"`
	Findings     []Finding  `json:"findings"`
	End          *End       `json:"end,omitempty"`
	Version      int64      `json:"version"`
	ChangedAt    time.Time  `json:"changed_at"`

	domain.Raised `json:"-" db:"-"`
}

// Called names an investigation: "question 3 on 1968.14.2".
func (i *Investigation) Called() string {
	return "question " + strconv.Itoa(i.Number) + " on " + i.ObjectNumber
}

// NewQuestion asks something about an object.
type NewQuestion struct {
	ComponentID *domain.ID `json:"component_id"`
	Question    string     `json:"question" validate:"required,max=1000"`
	Why         string     `json:"why" validate:"max=2000"`
}

// NewPlan says how a question is to be answered.
type NewPlan struct {
	Techniques   []string    `json:"techniques" validate:"required,min=1,max=20,unique,dive,required,max=60"`
	ComponentIDs []domain.ID `json:"component_ids" validate:"max=200,unique"` // empty: the whole object
	Who          string      `json:"who" validate:"required,max=300"`
	PlannedFor   string      `json:"planned_for" validate:"omitempty,datetime=2006-01-02"`
	Note         string      `json:"note" validate:"max=4000"`
}

// NewEnd ends an investigation.
type NewEnd struct {
	Outcome State  `json:"outcome" validate:"required,oneof=done given_up"`
	Text    string `json:"text" validate:"required,max=4000"` // the answer, or why it is given up
}

// New asks a question.
func New(by domain.Actor, n NewQuestion, sheet *collection.Sheet, at time.Time) (*Investigation, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if n.ComponentID != nil && sheet.Component(*n.ComponentID) == nil {
		return nil, notOf("/component_id", sheet)
	}
	i := &Investigation{ID: domain.NewID(), ObjectID: sheet.Object.ID, ObjectNumber: sheet.Object.Number, ObjectTitle: sheet.Object.Title, Department: sheet.Object.Department,
		ComponentID: n.ComponentID, Question: strings.TrimSpace(n.Question), Why: strings.TrimSpace(n.Why), State: Asked, AskedAt: at, AskedBy: Named{by.ID, by.Name},
		Consents: []Consent{}, Samples: []Sample{}, Findings: []Finding{}, Version: 1, ChangedAt: at}
	i.raise(by, "asked", n, at)
	return i, nil
}

// Waiting says whether a curator's consent is asked for and not decided.
func (i *Investigation) Waiting() bool {
	return i.State.Open() && slices.ContainsFunc(i.Consents, func(c Consent) bool { return c.Decision == nil })
}

func notOf(pointer string, sheet *collection.Sheet) error {
	return domain.Invalid(pointer, "component", "This is not a component of "+sheet.Object.Number+".")
}

func (i *Investigation) raise(by domain.Actor, kind string, change any, at time.Time) {
	i.ChangedAt = at
	i.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "investigation", Subject: i.ID, Object: &i.ObjectID, Kind: kind, Change: change})
}

// open refuses an act on what has ended.
func (i *Investigation) open() error {
	if i.State.Open() {
		return nil
	}
	return domain.Conflict("ended", "This question was answered or given up. Ask a new one.")
}

// SetPlan says how the question is to be answered; a later plan takes the place of an earlier one.
func (i *Investigation) SetPlan(by domain.Actor, n NewPlan, sheet *collection.Sheet, at time.Time) error {
	if err := i.open(); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	for k, key := range n.Techniques {
		if _, ok := technique(key); !ok {
			return domain.Invalid("/techniques/"+strconv.Itoa(k), "known", "There is no such technique in the list.")
		}
	}
	for k, id := range n.ComponentIDs {
		if sheet.Component(id) == nil {
			return notOf("/component_ids/"+strconv.Itoa(k), sheet)
		}
	}
	i.Plan = &Plan{Techniques: n.Techniques, ComponentIDs: append([]domain.ID{}, n.ComponentIDs...), Who: strings.TrimSpace(n.Who), PlannedFor: n.PlannedFor, Note: strings.TrimSpace(n.Note)}
	i.State = Planned
	i.raise(by, "planned", n, at)
	return nil
}

// Finish ends the investigation. An answer needs a finding; giving up needs a reason only.
func (i *Investigation) Finish(by domain.Actor, n NewEnd, at time.Time) error {
	if err := i.open(); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	if n.Outcome == Done && len(i.Findings) == 0 {
		return domain.Conflict("no_finding", "Nothing was found yet. Record a finding first, or give the question up.")
	}
	i.State, i.End = n.Outcome, &End{At: at, By: Named{by.ID, by.Name}, Text: strings.TrimSpace(n.Text)}
	i.raise(by, string(n.Outcome), n, at)
	return nil
}

// Line is an investigation in a list.
type Line struct {
	ID           domain.ID `json:"id"`
	ObjectID     domain.ID `json:"object_id"`
	ObjectNumber string    `json:"object_number"`
	ObjectTitle  string    `json:"object_title"`
	Department   string    `json:"department"`
	Component    string    `json:"component,omitempty"`
	Number       int       `json:"number"`
	Question     string    `json:"question"`
	State        State     `json:"state"`
	AskedAt      time.Time `json:"asked_at"`
	AskedBy      Named     `json:"asked_by"`
	Techniques   []string  `json:"techniques"`
	PlannedFor   string    `json:"planned_for,omitempty"`
	Waiting      bool      `json:"consent_waiting"` // a curator's consent is asked for
	Findings     int       `json:"findings"`
}

// among joins words: "a, b or c".
func among(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

// consent finds a consent by its number.
func (i *Investigation) consent(number int) (*Consent, error) {
	k := slices.IndexFunc(i.Consents, func(c Consent) bool { return c.Number == number })
	if k < 0 {
		return nil, domain.NotFound(fmt.Sprintf("There is no request for consent %d here.", number))
	}
	return &i.Consents[k], nil
}
