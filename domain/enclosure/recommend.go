package enclosure

import (
	"strings"
	"time"

	"farthingale/domain"
)

// NewRecommendation keeps what was found by asking what changes would do, with words, for an object.
type NewRecommendation struct {
	ObjectID domain.ID `json:"object_id" validate:"required"`
	Text     string    `json:"text" validate:"required,max=4000"`
	Changes  []Change  `json:"changes" validate:"required,min=1,max=40,dive"`
}

// Recommendation is what was advised, with the levels before and after as they were computed then. It is
// never changed; it ends by being done or withdrawn.
type Recommendation struct {
	ID               domain.ID    `json:"id"`
	EnclosureID      domain.ID    `json:"enclosure_id"`
	EnclosureLabel   string       `json:"enclosure_label"`
	EnclosureVersion int64        `json:"enclosure_version"` // that the levels were computed for
	ObjectID         domain.ID    `json:"object_id"`
	ObjectNumber     string       `json:"object_number"`
	Text             string       `json:"text"`
	Changes          []Change     `json:"changes"`
	Changed          []string     `json:"changed"` // a sentence for each change
	Differences      []Difference `json:"differences"`
	MadeAt           time.Time    `json:"made_at"`
	MadeBy           Named        `json:"made_by"`
	End              *End         `json:"end,omitempty"` // nil: it is open

	domain.Raised `json:"-" db:"-"`
}

// Version is 1 while it is open, then 2.
func (r *Recommendation) Version() int64 {
	if r.End != nil {
		return 2
	}
	return 1
}

// Outcome is how a recommendation ends.
type Outcome string

// The two ways.
const (
	Done      Outcome = "done"
	Withdrawn Outcome = "withdrawn"
)

// End is how and by whom a recommendation ended.
type End struct {
	Outcome Outcome   `json:"outcome"`
	Reason  string    `json:"reason"`
	At      time.Time `json:"at"`
	By      Named     `json:"by"`
}

// NewEnd ends a recommendation.
type NewEnd struct {
	Outcome Outcome `json:"outcome" validate:"required,oneof=done withdrawn"`
	Reason  string  `json:"reason" validate:"max=1000"` // needed when withdrawn
}

// Recommend makes a recommendation for an object that lies in the enclosure.
func (e *Enclosure) Recommend(by domain.Actor, n NewRecommendation, at time.Time) (*Recommendation, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if err := e.open(); err != nil {
		return nil, err
	}
	number := ""
	for _, m := range e.Members {
		if m.ObjectID == n.ObjectID {
			number = m.ObjectNumber
		}
	}
	if number == "" {
		return nil, domain.Invalid("/object_id", "known", "This object does not lie in the enclosure.")
	}
	if err := e.Network.tryChanges(n.Changes); err != nil {
		return nil, err
	}
	differences, changed, err := WhatIf(e.Network, n.Changes)
	if err != nil {
		return nil, err
	}
	for i := range differences {
		differences[i].Before, differences[i].After = differences[i].Before.tidy(), differences[i].After.tidy()
	}
	r := &Recommendation{ID: domain.NewID(), EnclosureID: e.ID, EnclosureLabel: e.Label, EnclosureVersion: e.Version, ObjectID: n.ObjectID, ObjectNumber: number,
		Text: strings.TrimSpace(n.Text), Changes: n.Changes, Changed: changed, Differences: differences, MadeAt: at, MadeBy: Named{by.ID, by.Name}}
	r.raise(by, "recommended", map[string]any{"enclosure": e.Label, "text": r.Text, "changed": changed}, at)
	return r, nil
}

// Finish ends a recommendation.
func (r *Recommendation) Finish(by domain.Actor, n NewEnd, at time.Time) error {
	if err := domain.Validate(n); err != nil {
		return err
	}
	reason := strings.TrimSpace(n.Reason)
	switch {
	case r.End != nil:
		return domain.Conflict("recommendation_ended", "This recommendation was "+string(r.End.Outcome)+" already, by "+r.End.By.Name+".")
	case n.Outcome == Withdrawn && reason == "":
		return domain.Invalid("/reason", "required", "Say why it is withdrawn.")
	}
	r.End = &End{Outcome: n.Outcome, Reason: reason, At: at, By: Named{by.ID, by.Name}}
	r.raise(by, "recommendation_"+string(n.Outcome), n, at)
	return nil
}

func (r *Recommendation) raise(by domain.Actor, kind string, change any, at time.Time) {
	r.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "enclosure", Subject: r.ID, Object: &r.ObjectID, Kind: kind, Change: change})
}
