package investigation

import (
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Sample is something that was taken from an object: it stays linked to it, with a place and a remainder.
type Sample struct {
	ID          domain.ID        `json:"id"`
	Number      int              `json:"number"` // on the object
	Called      string           `json:"called"` // "1968.14.2.S3"
	ComponentID domain.ID        `json:"component_id"`
	Component   string           `json:"component"`
	Technique   string           `json:"technique"`
	Site        string           `json:"site"`
	Size        string           `json:"size"`
	MassMG      *decimal.Decimal `json:"mass_mg,omitempty"`
	TakenOn     string           `json:"taken_on"`
	TakenBy     string           `json:"taken_by"`
	ConsentID   *domain.ID       `json:"consent_id,omitempty"` // nil: without consent
	Explanation string           `json:"explanation"`          // why it was taken without consent
	RecordedAt  time.Time        `json:"recorded_at"`
	RecordedBy  Named            `json:"recorded_by"`
	Remainders  []Remainder      `json:"remainders"` // the latest last; there is at least one
}

// Remainder says what is left of a sample and where it lies.
type Remainder struct {
	State   string     `json:"state"`              // kept, away, used_up, lost
	Amount  string     `json:"amount"`             // in words
	PlaceID *domain.ID `json:"place_id,omitempty"` // absent also for who may not know the place (P3)
	Place   string     `json:"place,omitempty"`
	Where   string     `json:"where"` // within the place, or with whom
	At      time.Time  `json:"at"`
	By      Named      `json:"by"`
	Hidden  bool       `json:"-"`
}

// NewRemainder says anew what is left of a sample.
type NewRemainder struct {
	State   string     `json:"state" validate:"required,oneof=kept away used_up lost"`
	Amount  string     `json:"amount" validate:"max=200"`
	PlaceID *domain.ID `json:"place_id"`
	Where   string     `json:"where" validate:"max=300"`
}

// RemainderStates are in the order in which they are offered.
var RemainderStates = []string{"kept", "away", "used_up", "lost"}

// NewSample records a sample that was taken. Without a consent that covers it an explanation is needed,
// and it is shown as taken without consent (I1).
type NewSample struct {
	Technique   string           `json:"technique" validate:"required,max=60"`
	ComponentID domain.ID        `json:"component_id" validate:"required"`
	Site        string           `json:"site" validate:"required,max=500"`
	Size        string           `json:"size" validate:"required,max=200"`
	MassMG      *decimal.Decimal `json:"mass_mg" validate:"omitempty,gt=0,lte=1000000"`
	TakenOn     string           `json:"taken_on" validate:"required,datetime=2006-01-02"`
	TakenBy     string           `json:"taken_by" validate:"required,max=300"`
	Explanation string           `json:"explanation" validate:"max=2000"`
	Remainder   NewRemainder     `json:"remainder"`
}

func (n NewRemainder) made(pointer string, by domain.Actor, at time.Time) (Remainder, error) {
	r := Remainder{State: n.State, Amount: strings.TrimSpace(n.Amount), PlaceID: n.PlaceID, Where: strings.TrimSpace(n.Where), At: at, By: Named{by.ID, by.Name}}
	switch {
	case n.State == "kept" && n.PlaceID == nil && r.Where == "":
		return r, domain.Invalid(pointer+"/where", "I1", "Say where it is kept (rule I1).")
	case n.State == "away" && r.Where == "":
		return r, domain.Invalid(pointer+"/where", "I1", "Say with whom it is (rule I1).")
	case (n.State == "kept" || n.State == "away") && r.Amount == "":
		return r, domain.Invalid(pointer+"/amount", "I1", "Say how much is left (rule I1).")
	}
	return r, nil
}

// pastDay checks the day of something that was done.
func pastDay(pointer, day string, at time.Time) error {
	if d, err := time.Parse(time.DateOnly, day); err != nil || d.After(at.AddDate(0, 0, 1)) || d.Year() < 1850 {
		return domain.Invalid(pointer, "range", "A day between 1850 and today.")
	}
	return nil
}

// Take records a sample. number is the next of the object.
func (i *Investigation) Take(by domain.Actor, n NewSample, number int, sheet *collection.Sheet, at time.Time) (*Sample, error) {
	if err := i.open(); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	t, ok := technique(n.Technique)
	switch {
	case !ok || t.Effect != Samples:
		return nil, domain.Invalid("/technique", "known", "Choose one of the techniques that take a sample.")
	case sheet.Component(n.ComponentID) == nil:
		return nil, notOf("/component_id", sheet)
	}
	if err := pastDay("/taken_on", n.TakenOn, at); err != nil {
		return nil, err
	}
	left, err := n.Remainder.made("/remainder", by, at)
	if err != nil {
		return nil, err
	}
	s := Sample{ID: domain.NewID(), Number: number, Called: sheet.Object.Number + ".S" + strconv.Itoa(number), ComponentID: n.ComponentID, Technique: n.Technique, Site: strings.TrimSpace(n.Site),
		Size: strings.TrimSpace(n.Size), MassMG: n.MassMG, TakenOn: n.TakenOn, TakenBy: strings.TrimSpace(n.TakenBy), Explanation: strings.TrimSpace(n.Explanation),
		RecordedAt: at, RecordedBy: Named{by.ID, by.Name}, Remainders: []Remainder{left}}
	if s.ConsentID, err = i.authorised(n.Technique, n.ComponentID, n.TakenOn, s.Explanation); err != nil {
		return nil, err
	}
	i.Samples = append(i.Samples, s)
	i.raise(by, map[bool]string{true: "sampled", false: "sampled_without_consent"}[s.ConsentID != nil], n, at)
	return &i.Samples[len(i.Samples)-1], nil
}

// authorised is the consent that covers what was done, or nil when it was done without one and that is
// explained. Without either it is refused (I1): what happened can be recorded, but not as authorised.
func (i *Investigation) authorised(key string, component domain.ID, day, explanation string) (*domain.ID, error) {
	c, why := i.covering(key, component, day)
	switch {
	case c != nil:
		return &c.ID, nil
	case explanation != "":
		return nil, nil
	}
	return nil, domain.Refuse("I1", "This needs a curator's consent, and "+why+". Ask for consent first. If it has happened, say in the explanation why; it is then kept as done without consent.")
}

// Left says anew what is left of a sample. It is also for samples of ended investigations.
func (i *Investigation) Left(by domain.Actor, sampleID domain.ID, n NewRemainder, at time.Time) (*Sample, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	left, err := n.made("", by, at)
	if err != nil {
		return nil, err
	}
	for k := range i.Samples {
		if s := &i.Samples[k]; s.ID == sampleID {
			s.Remainders = append(s.Remainders, left)
			i.raise(by, "sample_left", map[string]any{"sample_id": sampleID, "remainder": n}, at)
			return s, nil
		}
	}
	return nil, domain.NotFound("There is no such sample.")
}

// hide leaves out places of samples that the actor may not know (P3).
func (i *Investigation) hide(by domain.Actor) *Investigation {
	if by.MaySeeValues(i.Department) {
		return i
	}
	for k := range i.Samples {
		for j := range i.Samples[k].Remainders {
			if r := &i.Samples[k].Remainders[j]; r.Hidden {
				r.PlaceID, r.Place, r.Where = nil, "", ""
			}
		}
	}
	return i
}
