package treatment

import (
	"fmt"
	"time"

	"farthingale/domain"
)

// NewAddendum corrects a record that never changes.
type NewAddendum struct {
	Record   string    `json:"record" validate:"required,oneof=version decision step departure designation completion"`
	RecordID domain.ID `json:"record_id"` // none for the completion
	Field    string    `json:"field" validate:"required,max=120"`
	Old      string    `json:"old_statement" validate:"required,max=10000"`
	New      string    `json:"new_statement" validate:"required,max=10000"`
	Reason   string    `json:"reason" validate:"required,max=4000"`
}

// AddendumRecords are the kinds of record that can be corrected.
var AddendumRecords = []string{"version", "decision", "step", "departure", "designation", "completion"}

// Addendum stands beside what it corrects wherever that is shown. It is signed and sealed in its
// turn, and does not re-date what it corrects (T8).
type Addendum struct {
	ID        domain.ID `json:"id"`
	Number    int       `json:"number"` // 1, 2, 3 … within the treatment
	Record    string    `json:"record"`
	RecordID  domain.ID `json:"record_id"` // of the completion: the treatment's
	Field     string    `json:"field"`
	Old       string    `json:"old_statement"`
	New       string    `json:"new_statement"`
	Reason    string    `json:"reason"`
	Signature Signature `json:"signature"`
}

// WriteAddendum corrects a record beside it. A record that is not final yet is changed itself instead. Corrections keep
// to their side: who decided corrects decisions, who did corrects what was done (T2).
func (t *Treatment) WriteAddendum(by domain.Actor, n NewAddendum, at time.Time) (*Addendum, error) {
	act, decided := Propose, n.Record == "decision" || n.Record == "designation"
	if decided {
		act = Judge
	}
	if err := by.May(act); err != nil {
		return nil, err
	}
	id := n.RecordID
	if n.Record == "completion" {
		if t.State != Signed {
			return nil, domain.RefuseState("T8", "The completion is not signed yet: change it itself.")
		}
		id = t.ID
	} else if !t.holds(n.Record, n.RecordID) {
		return nil, domain.Invalid("/record_id", "record", "There is no such "+n.Record+" on this treatment.")
	}
	p := t.party(by.ID)
	if decided {
		if p != nil && p.Side == Doing || !by.CuratorOf(t.Department) {
			return nil, domain.Refuse("T2", "A "+n.Record+" is corrected by a curator of "+t.Department+" who has no part in the work.")
		}
		t.join(who(by), Deciding, "corrected a decision", at)
	} else {
		if err := t.mayDo(by, "correct what was done"); err != nil {
			return nil, err
		}
		t.join(who(by), Doing, "corrected the record", at)
	}
	a := Addendum{ID: domain.NewID(), Number: len(t.Addenda) + 1, Record: n.Record, RecordID: id, Field: n.Field, Old: n.Old, New: n.New, Reason: n.Reason,
		Signature: *sign(by, "prepared", "", at)}
	t.Addenda = append(t.Addenda, a)
	t.raise(by, "addendum_written", map[string]any{"number": a.Number, "record": a.Record, "record_id": a.RecordID, "field": a.Field}, at)
	return &a, nil
}

func (t *Treatment) holds(record string, id domain.ID) bool {
	switch record {
	case "version":
		return has(t.Versions, func(v Version) bool { return v.ID == id })
	case "decision":
		return has(t.Decisions, func(d Decision) bool { return d.ID == id })
	case "step":
		return has(t.Steps, func(w Work) bool { return w.ID == id })
	case "departure":
		return has(t.Departures, func(w Work) bool { return w.ID == id })
	case "designation":
		return has(t.Designations, func(d Designation) bool { return d.ID == id })
	}
	return false
}

func has[T any](all []T, is func(T) bool) bool {
	for _, x := range all {
		if is(x) {
			return true
		}
	}
	return false
}

// AddendaTo lists the addenda to a record, in the order in which they were written.
func (t *Treatment) AddendaTo(record string, id domain.ID) []Addendum {
	var all []Addendum
	for _, a := range t.Addenda {
		if a.Record == record && a.RecordID == id {
			all = append(all, a)
		}
	}
	return all
}

// Called names an addendum.
func (a Addendum) Called() string {
	return fmt.Sprintf("addendum %d to the %s, %s", a.Number, a.Record, a.Field)
}
