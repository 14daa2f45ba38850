// Package agenda knows what is due and what somebody must hear of at once, for whom: notices (rules
// H2, T6, T11, E5) and the sections of what waits for a person. Other areas give notices inside the
// transaction of the act that they tell of; what waits is read from those areas' own records and is
// kept nowhere twice.
package agenda

import (
	"time"

	"farthingale/domain"
)

// The acts of this area. They are everybody's own: a notice is read by whom it was given to.
var (
	Look  = domain.Act{Area: "agenda", Name: "look at what is due"}
	Taken = domain.Act{Area: "agenda", Name: "mark a notice as read", Write: true}
)

// Notice is something that people must hear of at once (T6, T11, H2). It goes to everybody who holds
// one of Roles (a curator only for Department) and to the named People, and is written in the
// transaction of the act that it tells of. Where a department has no curator, it goes to all curators.
type Notice struct {
	At         time.Time     `json:"at" validate:"required"`
	Roles      []domain.Role `json:"roles"`
	Department string        `json:"department"` // empty: curators of every department
	People     []domain.ID   `json:"people"`
	ObjectID   domain.ID     `json:"object_id"` // zero: about no object
	Area       string        `json:"area" validate:"required"`
	Subject    domain.ID     `json:"subject_id" validate:"required"` // the record it tells of
	Text       string        `json:"text" validate:"required,max=2000"`
}

// textMost is how many characters the text of a notice has at most.
const textMost = 2000

// Fit cuts a text to what a notice holds; the record that it tells of has it whole.
func Fit(text string) string { return domain.Cut(text, textMost) }

// Line is a notice as one of its readers has it.
type Line struct {
	ID           domain.ID  `json:"id"`
	At           time.Time  `json:"at"`
	Area         string     `json:"area"`
	SubjectID    domain.ID  `json:"subject_id"`
	Record       string     `json:"record,omitempty"` // what the subject is: "emergency"; empty: of a kind without a page of its own
	ObjectID     *domain.ID `json:"object_id,omitempty"`
	ObjectNumber string     `json:"object_number,omitempty"`
	Text         string     `json:"text"`
	ReadAt       *time.Time `json:"read_at,omitempty"`
}

// Item is something that waits for somebody: a sentence, what it is about, and when it is due.
type Item struct {
	Text         string     `json:"text"`
	Area         string     `json:"area"`
	SubjectID    domain.ID  `json:"subject_id"`
	Record       string     `json:"record"` // what the subject is: "treatment", "emergency", "stop", "loan", "finding", "examination", "incident"
	ObjectID     *domain.ID `json:"object_id,omitempty"`
	ObjectNumber string     `json:"object_number,omitempty"`
	Since        time.Time  `json:"since"`
	Due          *time.Time `json:"due,omitempty"` // from this moment on it is overdue
}

// Section is what waits of one kind, the most urgent first.
type Section struct {
	Kind  string `json:"kind"`
	Title string `json:"title"`
	Items []Item `json:"items"`
	More  bool   `json:"more"` // further ones wait that are not listed
}

// How many items a section lists among the others, and by itself.
const (
	SectionMost = 25
	DueMost     = 200
)
