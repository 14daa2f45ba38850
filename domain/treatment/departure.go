package treatment

import (
	"time"

	"farthingale/domain"
)

// NewDeparture records what was in fact done outside the approval.
type NewDeparture struct {
	Done
	Method string `json:"method" validate:"max=120"`
	What   string `json:"what" validate:"required,max=4000"` // what lay outside
	Why    string `json:"why" validate:"required,max=4000"`
}

// RecordDeparture notes what was done outside the approval. The truth is always recordable (T11): no
// state before signing, no stop, no decision and no side refuses it; only what nobody can have meant
// (an unknown person, another object's component) is asked again. After signing the truth is told in
// an addendum. The curator of the department hears of it at once.
func (t *Treatment) RecordDeparture(by domain.Actor, n NewDeparture, f Facts, at time.Time) (*Work, error) {
	if err := by.May(Depart); err != nil {
		return nil, err
	}
	if t.State == Signed {
		return nil, signedStays()
	}
	w, err := n.note(by, Departure, f, at)
	if err != nil {
		return nil, err
	}
	w.Method, w.What, w.Why, w.TreatmentID = n.Method, n.What, n.Why, &t.ID
	for _, h := range w.everybody() {
		if p := t.party(h.ID); p != nil && p.Side == Deciding {
			w.Against = append(w.Against, h.Name+" had decided on this treatment (T2).")
		}
		t.join(h, Doing, "took part in the work", at)
	}
	if t.State != Approved && t.State != UnderWay && t.State != Completed {
		w.Against = append(w.Against, "The treatment was "+t.State.Words()+" (T1).")
	}
	t.Departures = append(t.Departures, w)
	t.raise(by, "departure_recorded", map[string]any{"departure": w.ID, "what": n.What, "why": n.Why}, at)
	return &t.Departures[len(t.Departures)-1], nil
}
