package examination

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// NewExamination begins a draft.
type NewExamination struct {
	Occasion    Occasion   `json:"occasion" validate:"required,oneof=acquisition survey periodic_check before_treatment after_treatment outgoing arrival departure return incident"`
	ExaminedOn  string     `json:"examined_on" validate:"omitempty,datetime=2006-01-02"` // empty: today
	LoanID      *domain.ID `json:"loan_id,omitempty"`
	TreatmentID *domain.ID `json:"treatment_id,omitempty"`
}

// day is the day of a moment at the museum.
func day(at time.Time, zone *time.Location) string { return at.In(zone).Format("2006-01-02") }

// Begin makes a draft. What the last signed examination found, and did not find gone, is carried forward
// to be answered; last is nil when there is none.
func Begin(by domain.Actor, n NewExamination, sheet *collection.Sheet, last *Examination, zone *time.Location, at time.Time) (*Examination, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	today := day(at, zone)
	e := &Examination{
		ID: domain.NewID(), ObjectID: sheet.Object.ID, ObjectNumber: sheet.Object.Number, State: Draft, Examiner: Named{by.ID, by.Name},
		LoanID: n.LoanID, TreatmentID: n.TreatmentID, CreatedAt: at, CreatedBy: by.ID, Version: 1,
		Circumstances: Circumstances{Occasion: n.Occasion, ExaminedOn: n.ExaminedOn, Light: []string{}},
		Components:    []Seen{}, Observations: []Observation{}, Photos: []PhotoRef{}, SignedAs: []domain.Role{}, Addenda: []Addendum{},
	}
	if e.ExaminedOn == "" {
		e.ExaminedOn = today
	}
	for _, c := range sheet.Components {
		e.Components = append(e.Components, Seen{ComponentID: c.ID, Called: sheet.Called(c.ID)})
	}
	if last != nil {
		e.FollowsID, e.FollowsOn = &last.ID, last.ExaminedOn
		for _, o := range last.Observations {
			if o.Status != Gone {
				e.Observations = append(e.Observations, o.carried())
			}
		}
	}
	if err := domain.InvalidFields(e.dayFaults(today)); err != nil {
		return nil, err
	}
	e.touched(by, at)
	e.raise(by, "begun", n, at)
	return e, nil
}

// carried is an observation as the next examination begins with it: as it was last known, to be answered.
func (o Observation) carried() Observation {
	id, before := o.ID, o.Finding
	c := o
	c.ID, c.ContinuesID, c.Before = domain.NewID(), &id, &before
	c.Status, c.Reason = Unanswered, ""
	return c
}

// dayFaults says what is wrong with the day of the look.
func (e *Examination) dayFaults(today string) []domain.Field {
	switch {
	case e.ExaminedOn > today:
		return []domain.Field{{Pointer: "/examined_on", Rule: "past", Message: "An examination is written down when the object was looked at, not before."}}
	case e.ExaminedOn < "1900-01-01":
		return []domain.Field{{Pointer: "/examined_on", Rule: "range", Message: "Look at the year."}}
	case e.FollowsOn != "" && e.ExaminedOn < e.FollowsOn:
		return []domain.Field{{Pointer: "/examined_on", Rule: "order", Message: "The examination that this one carries on was on " + words(e.FollowsOn) +
			". An earlier look is written down as an addendum to that one."}}
	}
	return nil
}

// Changes are groups of a draft as they are to be; a group that is nil stays as it is.
type Changes struct {
	Circumstances *Circumstances `json:"circumstances,omitempty"`
	Description   *string        `json:"description,omitempty" validate:"omitempty,max=8000"`
	Components    *[]Looked      `json:"components,omitempty" validate:"omitempty,max=1000,dive"`
	PhotoIDs      *[]domain.ID   `json:"photo_ids,omitempty" validate:"omitempty,max=200,unique"`
	Judgement     *Judgement     `json:"judgement,omitempty"`
}

// Change sets groups of a draft anew. Nothing changes when it is refused.
func (e *Examination) Change(by domain.Actor, c Changes, sheet *collection.Sheet, zone *time.Location, at time.Time) error {
	if err := e.MayWrite(by); err != nil {
		return err
	}
	if err := domain.Validate(c); err != nil {
		return err
	}
	changed := *e
	changed.Observations = slices.Clone(e.Observations)
	var faults []domain.Field
	add := func(prefix string, fields []domain.Field) {
		for _, f := range fields {
			f.Pointer = prefix + f.Pointer
			faults = append(faults, f)
		}
	}
	if c.Circumstances != nil {
		add("/circumstances", changed.setCircumstances(by, *c.Circumstances, day(at, zone)))
	}
	if c.Judgement != nil {
		add("/judgement", changed.setJudgement(*c.Judgement))
	}
	if c.Description != nil {
		changed.Description = strings.TrimSpace(*c.Description)
	}
	if c.PhotoIDs != nil {
		changed.Photos = []PhotoRef{}
		for _, id := range *c.PhotoIDs {
			changed.Photos = append(changed.Photos, PhotoRef{ID: id})
		}
	}
	if c.Components != nil {
		add("/components", changed.setComponents(*c.Components, sheet))
	}
	if err := domain.InvalidFields(faults); err != nil {
		return err
	}
	changed.touched(by, at)
	*e = changed
	e.raise(by, "changed", c, at)
	return nil
}

func (e *Examination) setCircumstances(by domain.Actor, c Circumstances, today string) []domain.Field {
	if c.PlaceID == nil && e.Hidden && !by.MaySeeValues("") {
		c.PlaceID = e.PlaceID // who cannot see it cannot mean to take it away
	}
	for _, text := range []*string{&c.AskedBy, &c.AssistedBy, &c.Place, &c.Technique, &c.Conditions} {
		*text = strings.TrimSpace(*text)
	}
	light := []string{}
	for _, l := range Lights {
		if slices.Contains(c.Light, l) {
			light = append(light, l)
		}
	}
	c.Light = light
	e.Circumstances = c
	faults := e.dayFaults(today)
	if c.HandlingID != nil && (c.Handles == nil || !*c.Handles) {
		faults = append(faults, domain.Field{Pointer: "/handles", Rule: "handled", Message: "A handling is logged for this examination, so hands were on the object."})
	}
	return append(faults, e.nextCheckFaults("/examined_on")...)
}

func (e *Examination) setJudgement(j Judgement) []domain.Field {
	j.OverallReason, j.Risk, j.Recommendation = strings.TrimSpace(j.OverallReason), strings.TrimSpace(j.Risk), strings.TrimSpace(j.Recommendation)
	e.Judgement = j
	return e.nextCheckFaults("/next_check_on")
}

func (e *Examination) nextCheckFaults(pointer string) []domain.Field {
	if e.NextCheckOn != "" && e.NextCheckOn <= e.ExaminedOn {
		return []domain.Field{{Pointer: pointer, Rule: "order", Message: "The next check comes after the day of this examination."}}
	}
	return nil
}

// setComponents says which components were seen. What was found before on one that was not seen can only
// be 'not seen'; when it was seen after all, it is to be answered again (E3).
func (e *Examination) setComponents(all []Looked, sheet *collection.Sheet) []domain.Field {
	var faults []domain.Field
	e.Components = make([]Seen, 0, len(all))
	given := map[domain.ID]bool{}
	for i, l := range all {
		s := Seen{ComponentID: l.ComponentID, Seen: l.Seen, Reason: strings.TrimSpace(l.Reason)}
		bad := func(at, rule, message string) {
			faults = append(faults, domain.Field{Pointer: "/" + decimals(i) + at, Rule: rule, Message: message})
		}
		switch {
		case sheet.Component(s.ComponentID) == nil:
			bad("/component_id", "component", "This is not a component of "+sheet.Object.Number+".")
			continue
		case given[s.ComponentID]:
			bad("/component_id", "unique", "Name each component once.")
		case s.Reason != "" && !s.Unseen():
			bad("/reason", "excluded", "A reason is given for what was not seen.")
		}
		given[s.ComponentID] = true
		s.Called = sheet.Called(s.ComponentID)
		e.Components = append(e.Components, s)
	}
	for i := range e.Observations {
		o := &e.Observations[i]
		if o.ComponentID == nil {
			continue
		}
		switch unseen := e.unseen(o.ComponentID); {
		case unseen && o.ContinuesID == nil:
			faults = append(faults, domain.Field{Pointer: "", Rule: "E3",
				Message: "On " + o.Called + " something new was found (" + o.TermName + "), so it was seen. Take the observation back first."})
		case unseen:
			o.Status, o.Reason = NotSeen, ""
		case o.Status == NotSeen && o.Reason == "":
			o.Status = Unanswered
		}
	}
	return faults
}

// Bring takes over what an examination found that was signed since the draft was begun, so that nothing
// of it is left unanswered.
func (e *Examination) Bring(by domain.Actor, last *Examination, at time.Time) error {
	if err := e.MayWrite(by); err != nil {
		return err
	}
	if last == nil || e.FollowsID != nil && *e.FollowsID == last.ID {
		return domain.Conflict("nothing_newer", "No other examination was signed since this one was begun.")
	}
	if e.ExaminedOn < last.ExaminedOn {
		return domain.Invalid("/examined_on", "order", "The object was examined again on "+words(last.ExaminedOn)+", after this look. Write this one down as an addendum to that one.")
	}
	for _, o := range last.Observations {
		mine := -1
		if o.ContinuesID != nil {
			mine = slices.IndexFunc(e.Observations, func(x Observation) bool { return x.ContinuesID != nil && *x.ContinuesID == *o.ContinuesID })
		}
		switch {
		case mine >= 0 && o.Status == Gone:
			e.Observations = slices.Delete(e.Observations, mine, mine+1)
		case mine >= 0:
			// What was written here stays; it is to be answered against the newer one.
			x := &e.Observations[mine]
			id, before := o.ID, o.Finding
			x.ContinuesID, x.Before, x.Status = &id, &before, Unanswered
		case o.Status != Gone:
			e.Observations = append(e.Observations, o.carried())
		}
	}
	for i := range e.Observations {
		if o := &e.Observations[i]; o.ContinuesID != nil && o.Status == Unanswered && e.unseen(o.ComponentID) {
			o.Status = NotSeen
		}
	}
	e.FollowsID, e.FollowsOn = &last.ID, last.ExaminedOn
	e.touched(by, at)
	e.raise(by, "brought_up_to_date", map[string]any{"follows": last.ID}, at)
	return nil
}

// TakeOver makes a conservator the examiner of a draft: nobody signs for another.
func (e *Examination) TakeOver(by domain.Actor, at time.Time) error {
	if err := e.MayWrite(by); err != nil {
		return err
	}
	if e.Examiner.ID == by.ID {
		return domain.Conflict("examiner", "You are the examiner already.")
	}
	before := e.Examiner
	e.Examiner = Named{by.ID, by.Name}
	e.touched(by, at)
	e.raise(by, "taken_over", map[string]any{"from": before, "to": e.Examiner}, at)
	return nil
}

// words writes a day as people do: "6 February 2026".
func words(day string) string {
	t, err := time.Parse("2006-01-02", day)
	if err != nil {
		return day
	}
	return t.Format("2 January 2006")
}
