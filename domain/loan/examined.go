package loan

import (
	"context"
	"slices"

	"farthingale/domain"
)

// Examined is a signed examination of an object of a loan, as this area needs to know it (L3, L4).
type Examined struct {
	ID         domain.ID   `json:"id"`
	ObjectID   domain.ID   `json:"object_id"`
	Occasion   string      `json:"occasion"`
	ExaminedOn Day         `json:"examined_on"`
	By         string      `json:"by"`
	Overall    string      `json:"overall"`
	Unseen     []domain.ID `json:"unseen"`             // components that were not seen
	NotSeen    string      `json:"not_seen,omitempty"` // the same in words, with the reasons
	ForThis    bool        `json:"for_this_loan"`

	// Of an examination at a hand-over: the one before it, and what is new or worse since, in words; empty: nothing.
	BeforeID *domain.ID `json:"before_id,omitempty"`
	Worse    string     `json:"worse,omitempty"`
}

// Examinations knows what was examined for loans.
type Examinations interface {
	// Examined lists the signed examinations that were made for a loan, or of one of these objects before it went
	// out, the latest first.
	Examined(ctx context.Context, loanID domain.ID, objectIDs []domain.ID) ([]Examined, error)
	// Compare fills in each what is new or worse since the examination before it (E2), in a number of statements that
	// does not depend on how many there are.
	Compare(ctx context.Context, by domain.Actor, all []*Examined) error
}

// occasions are why an examination is made at a hand-over (L4).
var occasions = map[State]string{Received: "arrival", Packing: "departure", Returned: "return"}

// OutgoingOccasion is why an examination is made before something goes out (L3).
const OutgoingOccasion = "outgoing"

// ExaminationOf is the occasion of the examination that a hand-over asks for; "" when it asks for none.
func ExaminationOf(stage State) string { return occasions[stage] }

// covers says whether nothing of a line was left unseen.
func (e *Examined) covers(n *Line) bool {
	for _, id := range e.Unseen {
		if slices.Contains(n.ComponentIDs(), id) {
			return false
		}
	}
	return true
}

// atHandOver is the examination of a line that was made for this loan at a hand-over: the latest of its occasion since
// the hand-over before.
func (l *Loan) atHandOver(n *Line, stage State) *Examined {
	var last *Examined
	for i := range l.Examined {
		e := &l.Examined[i]
		if e.ObjectID == n.ObjectID && e.ForThis && e.Occasion == occasions[stage] && e.ExaminedOn >= l.lastHandOver() && (last == nil || e.ExaminedOn > last.ExaminedOn) {
			last = e
		}
	}
	return last
}
