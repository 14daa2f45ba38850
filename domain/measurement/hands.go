package measurement

import (
	"context"
	"errors"
	"slices"
	"time"

	"farthingale/domain"
	"farthingale/domain/handling"
)

// Hands say that hands were on the object for a reading, and what its handling says that the reading does not say
// already (H1). The rest is checked where handlings are logged.
type Hands struct {
	Minutes  int      `json:"minutes"` // 0: five
	Gloves   string   `json:"gloves" validate:"max=40"`
	Noticed  []string `json:"noticed" validate:"max=10,unique"` // empty: nothing
	Note     string   `json:"note" validate:"max=4000"`
	Controls string   `json:"controls" validate:"max=40"` // of the hazards; needed where there are any
}

// Handlings refuse and log what is done with hands (H1, H3), in the caller's transaction.
type Handlings interface {
	Refusal(ctx context.Context, objectID domain.ID, componentIDs []domain.ID) error
	Log(ctx context.Context, by domain.Actor, objectID domain.ID, l handling.Log) (*handling.Event, *handling.Stop, error)
}

// usualMinutes are those of a reading that does not say how long hands were on the object.
const usualMinutes = 5

// log is the handling of a reading at a spot. That of an earlier day is taken to have been at noon.
func (h Hands) log(spot *Spot, measuredOn string, zone *time.Location, at time.Time) handling.Log {
	l := handling.Log{Minutes: h.Minutes, Purpose: "examination", Gloves: h.Gloves, Noticed: h.Noticed, Note: h.Note, Controls: h.Controls, ComponentIDs: spot.Parts()}
	if l.Minutes == 0 {
		l.Minutes = usualMinutes
	}
	if day, err := time.ParseInLocation(time.DateOnly, measuredOn, zone); err == nil && measuredOn < at.In(zone).Format(time.DateOnly) {
		noon := day.Add(12 * time.Hour)
		l.StartedAt = &noon
	}
	return l
}

// Parts are the components on which a spot lies; none means the whole object.
func (s *Spot) Parts() []domain.ID {
	if s.ComponentID == nil {
		return nil
	}
	return []domain.ID{*s.ComponentID}
}

// underHands points the faults of a handling to where a reading holds it.
func underHands(err error) error {
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) == 0 {
		return err
	}
	copied := *e
	copied.Fields = slices.Clone(e.Fields)
	for i, f := range copied.Fields {
		if copied.Fields[i].Pointer = "/hands" + f.Pointer; f.Pointer == "/started_at" {
			copied.Fields[i].Pointer = "/measured_on"
		}
	}
	return &copied
}
