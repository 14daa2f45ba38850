package investigation

import (
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/people"
)

// Site is where a sample is to be taken, or a trace may be left, and how large (rule I1).
type Site struct {
	ComponentID domain.ID        `json:"component_id" validate:"required"`
	Place       string           `json:"place" validate:"required,max=500"`
	Size        string           `json:"size" validate:"required,max=200"` // "a thread of 5 mm"
	Count       int              `json:"count" validate:"min=1,max=100"`   // samples there
	MassMG      *decimal.Decimal `json:"mass_mg" validate:"omitempty,gt=0,lte=1000000"`
}

// NewConsent asks a curator to consent to what takes a sample or leaves a trace.
type NewConsent struct {
	Technique string `json:"technique" validate:"required,max=60"`
	Reason    string `json:"reason" validate:"required,max=4000"` // why what touches nothing will not do, and what will be learnt
	Sites     []Site `json:"sites" validate:"required,min=1,max=30,dive"`
	Analyst   string `json:"analyst" validate:"max=300"` // who analyses it, where
	Returns   string `json:"returns" validate:"max=500"` // what is used up, what comes back
}

// Consent is a request for consent, with the decision when there is one.
type Consent struct {
	ID        domain.ID        `json:"id"`
	Number    int              `json:"number"`
	Technique string           `json:"technique"`
	Reason    string           `json:"reason"`
	Sites     []Site           `json:"sites"`
	Analyst   string           `json:"analyst"`
	Returns   string           `json:"returns"`
	AskedAt   time.Time        `json:"asked_at"`
	AskedBy   Named            `json:"asked_by"`
	Decision  *ConsentDecision `json:"decision,omitempty"`
}

// ConsentDecision is what a curator decided. It is never changed.
type ConsentDecision struct {
	Granted    bool      `json:"granted"`
	Statement  string    `json:"statement"`
	ValidUntil string    `json:"valid_until,omitempty"` // the last day
	At         time.Time `json:"at"`
	By         Named     `json:"by"`
}

// NewConsentDecision decides on a request for consent.
type NewConsentDecision struct {
	Granted    bool   `json:"granted"`
	Statement  string `json:"statement" validate:"required,max=4000"`
	ValidUntil string `json:"valid_until" validate:"omitempty,datetime=2006-01-02"` // empty: a year
}

// consentMonths is how long a consent holds when no day is given, and at most.
//
// source: common practice.
const consentMonths = 12

// AskConsent asks a curator of the department (I1).
func (i *Investigation) AskConsent(by domain.Actor, n NewConsent, sheet *collection.Sheet, at time.Time) (*Consent, error) {
	if err := i.open(); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	t, ok := technique(n.Technique)
	switch {
	case !ok:
		return nil, domain.Invalid("/technique", "known", "There is no such technique in the list.")
	case !t.NeedsConsent():
		return nil, domain.Invalid("/technique", "I1", t.Name+" "+EffectWords[t.Effect]+": it needs no consent (rule I1).")
	}
	for k, site := range n.Sites {
		if sheet.Component(site.ComponentID) == nil {
			return nil, notOf("/sites/"+strconv.Itoa(k)+"/component_id", sheet)
		}
	}
	c := Consent{ID: domain.NewID(), Number: len(i.Consents) + 1, Technique: n.Technique, Reason: strings.TrimSpace(n.Reason), Sites: n.Sites, Analyst: strings.TrimSpace(n.Analyst),
		Returns: strings.TrimSpace(n.Returns), AskedAt: at, AskedBy: Named{by.ID, by.Name}}
	i.Consents = append(i.Consents, c)
	i.raise(by, "consent_asked", n, at)
	return &i.Consents[len(i.Consents)-1], nil
}

// Decide grants or declines a consent. It is for a curator of the department who asked neither the
// question nor the consent; the refusal says who could decide instead.
func (i *Investigation) Decide(by domain.Actor, number int, n NewConsentDecision, curators []people.Person, at time.Time) (*Consent, error) {
	c, err := i.consent(number)
	if err != nil {
		return nil, err
	}
	if err := i.mayDecide(by, c, curators); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if c.Decision != nil {
		return nil, domain.RefuseState("I1", c.Decision.By.Name+" has decided on this request already. What differs is asked for anew.")
	}
	if err := i.open(); err != nil {
		return nil, err
	}
	d := &ConsentDecision{Granted: n.Granted, Statement: strings.TrimSpace(n.Statement), At: at, By: Named{by.ID, by.Name}}
	if n.Granted {
		latest := at.AddDate(0, consentMonths, 0)
		d.ValidUntil = latest.Format(time.DateOnly)
		if n.ValidUntil != "" {
			day, err := time.Parse(time.DateOnly, n.ValidUntil)
			if err != nil || day.After(latest) || day.AddDate(0, 0, 1).Before(at) {
				return nil, domain.Invalid("/valid_until", "range", "From today on, and at most a year ahead.")
			}
			d.ValidUntil = n.ValidUntil
		}
	}
	c.Decision = d
	i.raise(by, map[bool]string{true: "consent_granted", false: "consent_declined"}[n.Granted], n, at)
	return c, nil
}

func (i *Investigation) mayDecide(by domain.Actor, c *Consent, curators []people.Person) error {
	var others []string
	for _, p := range curators {
		if p.ClosedAt == nil && p.ID != i.AskedBy.ID && p.ID != c.AskedBy.ID {
			others = append(others, p.Name)
		}
	}
	instead := "No curator of " + i.Department + " is free to decide: a steward must name one."
	if len(others) > 0 {
		instead = among(others) + " could decide."
	}
	switch {
	case by.ID == i.AskedBy.ID || by.ID == c.AskedBy.ID:
		return domain.Refuse("I1", "You asked for this; another curator of "+i.Department+" must decide. "+instead)
	case !by.CuratorOf(i.Department):
		return domain.Refuse("I1", "You are not curator for "+i.Department+". "+instead)
	}
	return nil
}

// Decidable says whether somebody could decide on a request now.
func (i *Investigation) Decidable(by domain.Actor, c *Consent) bool {
	return i.State.Open() && c.Decision == nil && by.Has(domain.Curator) && i.mayDecide(by, c, nil) == nil
}

// covering is the granted consent, in force on a day, for one more sample or trace of a component by a
// technique; else the reason why there is none.
func (i *Investigation) covering(key string, component domain.ID, day string) (*Consent, string) {
	why := "no curator has consented to " + TechniqueName(key) + " on this component"
	for k := range i.Consents {
		c := &i.Consents[k]
		if c.Technique != key {
			continue
		}
		allowed := 0
		for _, s := range c.Sites {
			if s.ComponentID == component {
				allowed += s.Count
			}
		}
		switch {
		case allowed == 0:
		case c.Decision == nil:
			why = "consent " + strconv.Itoa(c.Number) + " is not decided yet"
		case !c.Decision.Granted:
			why = "consent " + strconv.Itoa(c.Number) + " was declined"
		case day < c.Decision.At.Format(time.DateOnly):
			why = "consent " + strconv.Itoa(c.Number) + " was given later"
		case day > c.Decision.ValidUntil:
			why = "consent " + strconv.Itoa(c.Number) + " held until " + c.Decision.ValidUntil
		case i.used(c, component) >= allowed:
			why = "consent " + strconv.Itoa(c.Number) + " was for " + strconv.Itoa(allowed) + ", and that many are on record"
		default:
			return c, ""
		}
	}
	return nil, why
}

// used counts what a consent was used for on a component.
func (i *Investigation) used(c *Consent, component domain.ID) int {
	n := 0
	for _, s := range i.Samples {
		if s.ConsentID != nil && *s.ConsentID == c.ID && s.ComponentID == component {
			n++
		}
	}
	for _, f := range i.Findings {
		if f.ConsentID != nil && *f.ConsentID == c.ID && f.ComponentID != nil && *f.ComponentID == component {
			n++
		}
	}
	return n
}
