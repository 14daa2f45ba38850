package treatment

import (
	"fmt"
	"time"

	"farthingale/domain"
)

// NewCameAway says which part came away during work, and from where.
type NewCameAway struct {
	FromID  domain.ID `json:"from_component_id" validate:"required"`
	Name    string    `json:"name" validate:"required,max=200"`
	Where   string    `json:"where_it_lay" validate:"required,max=500"`
	Belongs string    `json:"belongs_there" validate:"required,oneof=certain probable unknown"`
	KeptAt  string    `json:"kept_at" validate:"max=500"`
}

// CameAway is such a part as it was kept: labelled, a component of function fragment, linked to where
// it came from (T10, C1).
type CameAway struct {
	NewCameAway
	Part Part `json:"part"`
}

// Designations are what can become of a part that came away.
//
// source: E.C.C.O. Professional Guidelines 2003, article 15; the list is common practice.
var Designations = []string{"reattach", "keep_with_object", "study", "reserve_for_analysis", "disposal"}

// NewDesignation is a curator's decision on a fragment.
type NewDesignation struct {
	ComponentID domain.ID `json:"component_id" validate:"required"`
	Designation string    `json:"designation" validate:"required,oneof=reattach keep_with_object study reserve_for_analysis disposal"`
	Reason      string    `json:"reason" validate:"required,max=4000"`
}

// Designation is such a decision. A later one takes its place; none is ever changed. A disposal has
// no effect before a second person has authorised it.
type Designation struct {
	ID          domain.ID  `json:"id"`
	Number      int        `json:"number"` // 1, 2, 3 … within the treatment
	ComponentID domain.ID  `json:"component_id"`
	Called      string     `json:"called"`
	Designation string     `json:"designation"`
	Signature   Signature  `json:"signature"` // the statement is the reason
	Second      *Signature `json:"second_authorisation,omitempty"`
}

// Awaiting says whether a disposal waits for its second authorisation.
func (d Designation) Awaiting() bool { return d.Designation == "disposal" && d.Second == nil }

// Designate decides what becomes of a fragment: by a curator of the department who did not treat
// (T10, T2), in any state, also long after signing.
func (t *Treatment) Designate(by domain.Actor, n NewDesignation, f Facts, at time.Time) (*Designation, error) {
	if err := by.May(Judge); err != nil {
		return nil, err
	}
	c := f.Sheet.Component(n.ComponentID)
	if c == nil || c.Function != "fragment" {
		return nil, domain.Invalid("/component_id", "fragment", "This is no fragment of the object. Only parts that came away are designated.")
	}
	if err := t.MayDecide(by, f.Curators); err != nil {
		return nil, err
	}
	for _, d := range t.Designations {
		if d.ComponentID == n.ComponentID && d.Designation == "disposal" && d.Second != nil {
			return nil, domain.RefuseState("T10", "The disposal of "+d.Called+" is authorised already.")
		}
	}
	d := Designation{ID: domain.NewID(), Number: len(t.Designations) + 1, ComponentID: c.ID, Called: f.Sheet.Called(c.ID), Designation: n.Designation, Signature: *sign(by, n.Designation, n.Reason, at)}
	t.Designations = append(t.Designations, d)
	t.join(who(by), Deciding, "decided on a fragment", at)
	t.raise(by, "designated", map[string]any{"designation": d}, at)
	return &d, nil
}

// AuthoriseDisposal is the second authorisation of a disposal: by another curator of the department
// or a registrar, who did not treat (T10).
func (t *Treatment) AuthoriseDisposal(by domain.Actor, number int, s Statement, at time.Time) (*Designation, error) {
	if err := by.May(Authorise); err != nil {
		return nil, err
	}
	for i := range t.Designations {
		d := &t.Designations[i]
		if d.Number != number {
			continue
		}
		p := t.party(by.ID)
		switch {
		case !d.Awaiting():
			return nil, domain.RefuseState("T10", fmt.Sprintf("Nothing waits for a second authorisation here: %s is designated %s.", d.Called, d.Designation))
		case t.superseded(i):
			return nil, domain.RefuseState("T10", "A later decision took the place of this one.")
		case d.Signature.By.ID == by.ID:
			return nil, domain.Refuse("T10", "You asked for this disposal; a second person must authorise it.")
		case p != nil && p.Side == Doing:
			return nil, domain.Refuse("T2", "You "+p.Why+" of "+t.Called()+"; who treated does not authorise a disposal.")
		case !by.CuratorOf(t.Department) && !by.Has(domain.Registrar):
			return nil, domain.Refuse("T10", "A disposal is authorised by another curator of "+t.Department+" or by a registrar.")
		}
		d.Second = sign(by, "authorise", s.Statement, at)
		t.join(who(by), Deciding, "authorised a disposal", at)
		t.raise(by, "disposal_authorised", map[string]any{"designation": d.ID}, at)
		return d, nil
	}
	return nil, domain.NotFound("There is no such designation on this treatment.")
}

func (t *Treatment) superseded(i int) bool {
	for _, later := range t.Designations[i+1:] {
		if later.ComponentID == t.Designations[i].ComponentID {
			return true
		}
	}
	return false
}
