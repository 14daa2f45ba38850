// Package incident knows what was found new or worse at a hand-over, and what was done about it (rule L4): both
// examinations, the words of what was found, and the answers, which only grow.
//
// An incident is opened by the act that finds it; today that is a hand-over of a loan. It knows neither loans nor
// examinations: their areas open it through Service.Open, and it names their records.
package incident

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// The acts of this area. Who may give which answer is in answers.
var (
	Read    = domain.Act{Area: "incident", Name: "read incidents", Roles: domain.Readers}
	Respond = domain.Act{Area: "incident", Name: "answer an incident", Write: true, Roles: []domain.Role{domain.Conservator, domain.Curator, domain.Registrar}}
)

// Kind says what an answer tells of.
type Kind string

// The kinds of answers. The first three say what becomes of the object; the others whom it was told, and what was
// asked of them.
const (
	TreatmentProposed Kind = "treatment_proposed"
	Watched           Kind = "watched"
	NoAction          Kind = "no_action"
	BorrowerTold      Kind = "borrower_told"
	InsurerTold       Kind = "insurer_told"
	ClaimMade         Kind = "claim_made"
)

// Kinds lists them in the order in which they are shown.
var Kinds = []Kind{TreatmentProposed, Watched, NoAction, BorrowerTold, InsurerTold, ClaimMade}

// Words is the kind as people write it.
func (k Kind) Words() string { return strings.ReplaceAll(string(k), "_", " ") }

// manner is what an answer of a kind does, and for whom it is.
type manner struct {
	settles bool          // the incident is answered from then on
	guarded bool          // speaks of insurance: for whom rule P3 allows
	roles   []domain.Role // who may give it
}

// source: common practice: the conservator says what the object needs, the registrar and the curator speak with the
// borrower and the insurer.
var manners = map[Kind]manner{
	TreatmentProposed: {settles: true, roles: []domain.Role{domain.Conservator}},
	Watched:           {settles: true, roles: []domain.Role{domain.Conservator}},
	NoAction:          {settles: true, roles: []domain.Role{domain.Conservator}},
	BorrowerTold:      {roles: []domain.Role{domain.Conservator, domain.Curator, domain.Registrar}},
	InsurerTold:       {guarded: true, roles: []domain.Role{domain.Curator, domain.Registrar}},
	ClaimMade:         {guarded: true, roles: []domain.Role{domain.Curator, domain.Registrar}},
}

// Settles says whether an answer of the kind ends the waiting for one.
func (k Kind) Settles() bool { return manners[k].settles }

// Offered are the kinds of answers that somebody may give about an object of a department.
func Offered(by domain.Actor, department string) []Kind {
	return slices.DeleteFunc(slices.Clone(Kinds), func(k Kind) bool { return mayAnswer(by, k, department) != nil })
}

func mayAnswer(by domain.Actor, k Kind, department string) error {
	m := manners[k]
	if !slices.ContainsFunc(m.roles, by.Has) {
		words := make([]string, len(m.roles))
		for i, r := range m.roles {
			words[i] = r.Words()
		}
		return domain.Forbidden("This answer, " + k.Words() + ", is for a " + strings.Join(words, " or a ") + " to give.")
	}
	if m.guarded && !by.MaySeeValues(department) {
		return domain.Forbidden("What insurers are told is for a registrar or a curator of " + department + " (rule P3).")
	}
	return nil
}

// Named is a person with their name.
type Named struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

// Facts are what was found, and where.
type Facts struct {
	ObjectID      domain.ID `json:"object_id" validate:"required"`
	LoanID        domain.ID `json:"loan_id" validate:"required"`
	LineID        domain.ID `json:"line_id" validate:"required"`
	HandOverID    domain.ID `json:"hand_over_id" validate:"required"`
	Stage         string    `json:"stage" validate:"required,max=40"`   // of the hand-over: received, packing, returned
	Called        string    `json:"called" validate:"required"`         // what was handed over
	BeforeID      domain.ID `json:"before_id" validate:"required"`      // the examination before
	ExaminationID domain.ID `json:"examination_id" validate:"required"` // at the hand-over
	Found         string    `json:"found" validate:"required"`          // in words
}

// Incident is something new or worse that was found at a hand-over. Its facts never change; answers stand beside them.
type Incident struct {
	ID            domain.ID  `json:"id"`
	ObjectNumber  string     `json:"object_number"`
	ObjectTitle   string     `json:"object_title"`
	Department    string     `json:"department"`
	LoanReference string     `json:"loan_reference"`
	OpenedAt      time.Time  `json:"opened_at"`
	OpenedBy      Named      `json:"opened_by"`
	AnsweredAt    *time.Time `json:"answered_at,omitempty"` // by a conservator; nil: it waits for that
	Answers       []Answer   `json:"answers"`               // as the reader may see them, the first given first
	Version       int64      `json:"version"`               // rises with every answer
	Facts

	domain.Raised `json:"-" db:"-"`
}

// Answer is what somebody did about an incident. It is never changed.
type Answer struct {
	ID   domain.ID `json:"id"`
	Kind Kind      `json:"kind"`
	Text string    `json:"text"`
	At   time.Time `json:"at"`
	By   Named     `json:"by"`
}

// NewAnswer says what was done about an incident.
type NewAnswer struct {
	Kind Kind   `json:"kind" validate:"required,oneof=treatment_proposed watched no_action borrower_told insurer_told claim_made"`
	Text string `json:"text" validate:"required,max=8000"`
}

// Opening is an incident that an act opens, with what the notice of it says.
type Opening struct {
	Facts
	Department    string // of the object
	LoanReference string
}

// open opens an incident.
func open(by domain.Actor, o Opening, at time.Time) (*Incident, error) {
	if err := domain.Validate(o.Facts); err != nil {
		return nil, err
	}
	i := &Incident{ID: domain.NewID(), Facts: o.Facts, Department: o.Department, LoanReference: o.LoanReference, OpenedAt: at, OpenedBy: Named{by.ID, by.Name}, Answers: []Answer{}, Version: 1}
	i.raise(by, "opened", o.Facts, at)
	return i, nil
}

// Answer says what was done about the incident. One of a conservator about the object ends the waiting; further answers
// may follow it.
func (i *Incident) Answer(by domain.Actor, n NewAnswer, at time.Time) error {
	if err := by.May(Respond); err != nil {
		return err
	}
	n.Text = strings.TrimSpace(n.Text)
	if err := domain.Validate(n); err != nil {
		return err
	}
	if err := mayAnswer(by, n.Kind, i.Department); err != nil {
		return err
	}
	i.Answers = append(i.Answers, Answer{ID: domain.NewID(), Kind: n.Kind, Text: n.Text, At: at, By: Named{by.ID, by.Name}})
	if n.Kind.Settles() && i.AnsweredAt == nil {
		i.AnsweredAt = &at
	}
	if manners[n.Kind].guarded {
		n.Text = "" // events are read by more people than such answers
	}
	i.raise(by, "answered", n, at)
	return nil
}

// seen leaves out the answers that are not for the reader (P3).
func (i *Incident) seen(by domain.Actor) *Incident {
	if !by.MaySeeValues(i.Department) {
		i.Answers = slices.DeleteFunc(i.Answers, func(a Answer) bool { return manners[a.Kind].guarded })
	}
	return i
}

func (i *Incident) raise(by domain.Actor, kind string, change any, at time.Time) {
	i.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "incident", Subject: i.ID, Object: &i.ObjectID, Kind: kind, Change: change})
}

// notice tells of an incident that was opened.
func (i *Incident) notice() agenda.Notice {
	return agenda.Notice{At: i.OpenedAt, Roles: []domain.Role{domain.Conservator, domain.Curator, domain.Registrar}, Department: i.Department, ObjectID: i.ObjectID,
		Area: "incident", Subject: i.ID, Text: agenda.Fit("Incident: " + i.Called + " on loan " + i.LoanReference + " was found changed: " + i.Found)}
}

// Where an incident stands, as lists narrow by it.
const (
	StateOpen     = "open"
	StateAnswered = "answered"
)

// Line is an incident as a list shows it.
type Line struct {
	ID            domain.ID  `json:"id"`
	ObjectID      domain.ID  `json:"object_id"`
	ObjectNumber  string     `json:"object_number"`
	ObjectTitle   string     `json:"object_title"`
	Department    string     `json:"department"`
	LoanID        domain.ID  `json:"loan_id"`
	LoanReference string     `json:"loan_reference"`
	Stage         string     `json:"stage"`
	Called        string     `json:"called"`
	Found         string     `json:"found"`
	OpenedAt      time.Time  `json:"opened_at"`
	OpenedBy      Named      `json:"opened_by"`
	AnsweredAt    *time.Time `json:"answered_at,omitempty"`
}
