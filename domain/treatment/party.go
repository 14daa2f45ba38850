package treatment

import (
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/people"
)

// Side is one of the two sides of a treatment. One person never sits on both, whatever roles they
// hold and however briefly (T2).
type Side string

// The sides.
const (
	Doing    Side = "doing"    // wrote a text, was named to carry it out, laid hands on the object
	Deciding Side = "deciding" // decided on any version, ratified, or decided on what came away
)

// Party is a person on one side of a treatment, and what put them there.
type Party struct {
	Who
	Side Side      `json:"side"`
	Why  string    `json:"why"` // "wrote the proposal"
	At   time.Time `json:"at"`
}

func (t *Treatment) party(id domain.ID) *Party {
	for i := range t.Parties {
		if t.Parties[i].ID == id {
			return &t.Parties[i]
		}
	}
	return nil
}

// join puts a person on a side. Who is on it already stays with the first reason.
func (t *Treatment) join(w Who, side Side, why string, at time.Time) {
	if t.party(w.ID) == nil {
		t.Parties = append(t.Parties, Party{Who: w, Side: side, Why: why, At: at})
	}
}

// mayDo refuses whoever has decided on the treatment (T2).
func (t *Treatment) mayDo(by domain.Actor, act string) error {
	if p := t.party(by.ID); p != nil && p.Side == Deciding {
		return domain.Refuse("T2", "You "+p.Why+" on "+t.Called()+"; who has decided may not "+act+". The conservator in charge is "+t.InCharge.Name+".")
	}
	return nil
}

// mayHaveDone refuses a work that names somebody who has decided on the treatment (T2).
func (t *Treatment) mayHaveDone(hands []Who) error {
	for _, h := range hands {
		if p := t.party(h.ID); p != nil && p.Side == Deciding {
			return domain.Refuse("T2", h.Name+" "+p.Why+" on "+t.Called()+"; who has decided may not carry it out. "+
				"If it has happened, record it as a departure.")
		}
	}
	return nil
}

// MayDecide refuses whoever is on the doing side or is no curator of the department, and names who
// could decide instead (T2).
func (t *Treatment) MayDecide(by domain.Actor, curators []people.Person) error {
	if p := t.party(by.ID); p != nil && p.Side == Doing {
		return domain.Refuse("T2", "You "+p.Why+" of "+t.Called()+", and one person never sits on both sides. "+t.instead(curators))
	}
	if !by.CuratorOf(t.Department) {
		return domain.Refuse("T2", "You are not curator for "+t.Department+". "+t.instead(curators))
	}
	return nil
}

// instead names the curators who could decide.
func (t *Treatment) instead(curators []people.Person) string {
	var names []string
	for _, c := range curators {
		if p := t.party(c.ID); c.ClosedAt == nil && (p == nil || p.Side != Doing) {
			names = append(names, c.Name)
		}
	}
	return insteadOf(names, t.Department)
}

func insteadOf(names []string, department string) string {
	switch len(names) {
	case 0:
		return "No curator of " + department + " is free to decide: a steward must name one who has no part in the work."
	case 1:
		return names[0] + " could decide."
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1] + " could decide."
}
