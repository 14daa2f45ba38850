package examination

import (
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// ExtentKind is how much of something is counted.
type ExtentKind string

// The kinds of extent: percent of what Extent.Of says, mm², mm, or a number of things.
const (
	Percent ExtentKind = "percent"
	Area    ExtentKind = "area"
	Length  ExtentKind = "length"
	Count   ExtentKind = "count"
)

// ExtentKinds lists them in the order in which they are shown.
var ExtentKinds = []ExtentKind{Percent, Area, Length, Count}

// Extent is how much there is of a damage, and how that is known.
type Extent struct {
	Kind        ExtentKind       `json:"kind" validate:"required,oneof=percent area length count"`
	Value       decimal.Decimal  `json:"value" validate:"gt=0,lte=1000000000"`                            // percent, mm², mm, or a number
	Uncertainty *decimal.Decimal `json:"uncertainty,omitempty" validate:"omitempty,gte=0,lte=1000000000"` // expanded (k = 2), as people write it after ±; nil: not known
	Of          string           `json:"of,omitempty" validate:"max=200"`                                 // what the percentage is of
	Basis       string           `json:"basis" validate:"required,max=300"`
}

// Unit is the unit of the value, as people write it.
func (k ExtentKind) Unit() string {
	switch k {
	case Percent:
		return "%"
	case Area:
		return "mm²"
	case Length:
		return "mm"
	}
	return ""
}

// Words writes the extent: "120 ± 6 mm²", "15 % of the visible surface".
func (x *Extent) Words() string {
	if x == nil {
		return ""
	}
	text := x.Value.String()
	if x.Uncertainty != nil {
		text += " ± " + x.Uncertainty.String()
	}
	if unit := x.Kind.Unit(); unit != "" {
		text += " " + unit
	}
	if x.Of != "" {
		text += " of the " + x.Of
	}
	return text
}

// Activity says whether a damage goes on.
type Activity string

// The activities. One look alone gives unknown, unless the cause is over.
const (
	Active          Activity = "active"
	Stable          Activity = "stable"
	UnknownActivity Activity = "unknown"
)

// Activities lists them in the order in which they are shown.
var Activities = []Activity{Active, Stable, UnknownActivity}

// Status says how an observation stands to the examination before.
type Status string

// The statuses. Not seen is never gone (E3).
const (
	Unanswered Status = ""
	New        Status = "new"
	Confirmed  Status = "confirmed"
	Changed    Status = "changed"
	Gone       Status = "gone"
	NotSeen    Status = "not_seen"
)

// Answers are what a carried observation can be answered with, in the order in which they are shown.
var Answers = []Status{Confirmed, Changed, Gone, NotSeen}

// Present says whether the damage was there when it was looked at.
func (s Status) Present() bool { return s == New || s == Confirmed || s == Changed }

// Severities say what each degree means; the first is of severity 1.
//
// source: common practice.
var Severities = []string{
	"slight: seen only close to or magnified, no effect on strength or function",
	"moderate: plainly visible, local, no effect on the structure",
	"serious: weakens structure or function, or alters the appearance strongly",
	"severe: integrity or function lost, or loss imminent",
}

// Finding is what somebody writes down about a damage. Of a carried one that is gone or was not seen,
// the rest is as it was last known.
type Finding struct {
	Term     string   `json:"term" validate:"required,max=60"` // a word of the list of damage terms, by its key or name
	Severity int      `json:"severity" validate:"gte=0,lte=4"` // 0: not said yet
	Activity Activity `json:"activity" validate:"omitempty,oneof=active stable unknown"`
	Extent   *Extent  `json:"extent,omitempty"`
	Status   Status   `json:"status" validate:"omitempty,oneof=new confirmed changed gone not_seen"`
	Reason   string   `json:"reason" validate:"max=2000"` // why gone or not seen; what changed
	Note     string   `json:"note" validate:"max=4000"`   // what was seen
	Cause    string   `json:"cause" validate:"max=2000"`  // what is thought to have caused it, apart from what was seen
}

// NewFinding is a damage that was not there, or not known, the last time.
type NewFinding struct {
	ID          *domain.ID `json:"id,omitempty"`           // chosen by who sends it, so that it can be sent twice and is kept once
	ComponentID *domain.ID `json:"component_id,omitempty"` // nil: the whole object
	Finding
}

// Observation is one damage on one component, as one examination has it.
type Observation struct {
	ID          domain.ID  `json:"id"`
	ComponentID *domain.ID `json:"component_id,omitempty"` // nil: the whole object
	Called      string     `json:"called"`                 // the component as people call it; once signed, as it was called then
	TermName    string     `json:"term_name"`
	ContinuesID *domain.ID `json:"continues_id,omitempty"` // the observation of the earlier examination that it carries on
	Before      *Finding   `json:"before,omitempty"`       // that one, as it was found then
	Finding
}

// Urgent says whether it is active deterioration at severity 4 (E5).
func (o Observation) Urgent() bool {
	return o.Status.Present() && o.Activity == Active && o.Severity == 4
}

// check refuses what cannot be true of a finding, whatever else is still to come.
func (f Finding) check(pointer string) []domain.Field {
	var faults []domain.Field
	bad := func(at, rule, message string) {
		faults = append(faults, domain.Field{Pointer: pointer + at, Rule: rule, Message: message})
	}
	if x := f.Extent; x != nil {
		switch {
		case x.Kind == Percent && strings.TrimSpace(x.Of) == "":
			bad("/extent/of", "required", "Say of what the percentage is, such as: visible surface of this component.")
		case x.Kind != Percent && x.Of != "":
			bad("/extent/of", "excluded", "Only a percentage is of something. Write it in the note.")
		}
		if x.Kind == Percent && x.Value.GreaterThan(decimal.NewFromInt(100)) {
			bad("/extent/value", "lte", "At most 100 percent.")
		}
		if x.Kind == Count && !x.Value.IsInteger() {
			bad("/extent/value", "whole", "A whole number.")
		}
		if x.Value.Exponent() < -6 || x.Uncertainty != nil && x.Uncertainty.Exponent() < -6 {
			bad("/extent/value", "decimals", "At most six digits after the point.")
		}
	}
	return faults
}

func (f *Finding) tidy() {
	f.Reason, f.Note, f.Cause = strings.TrimSpace(f.Reason), strings.TrimSpace(f.Note), strings.TrimSpace(f.Cause)
	if f.Extent != nil {
		x := *f.Extent
		x.Of, x.Basis = strings.TrimSpace(x.Of), strings.TrimSpace(x.Basis)
		f.Extent = &x
	}
}

// ObservationsMost is how many observations an examination may have.
const ObservationsMost = 2000

// Add writes down a damage that was not there the last time.
func (e *Examination) Add(by domain.Actor, n NewFinding, terms *Terms, sheet *collection.Sheet, at time.Time) (*Observation, error) {
	if err := e.MayWrite(by); err != nil {
		return nil, err
	}
	if n.Status == Unanswered {
		n.Status = New
	}
	o := Observation{ID: domain.NewID(), ComponentID: n.ComponentID}
	if n.ID != nil {
		o.ID = *n.ID
	}
	if e.Observation(o.ID) != nil {
		return nil, domain.Conflict("observation_kept", "This observation was written down already.")
	}
	if err := e.put(&o, n.Finding, terms, sheet); err != nil {
		return nil, err
	}
	if len(e.Observations) >= ObservationsMost {
		return nil, domain.Invalid("/observations", "max", "An examination holds at most 2000 observations.")
	}
	e.Observations = append(e.Observations, o)
	e.touched(by, at)
	e.raise(by, "observation_added", map[string]any{"observation": o.ID, "component": o.ComponentID, "finding": o.Finding}, at)
	return &o, nil
}

// Set writes an observation anew, or answers one that was carried forward.
func (e *Examination) Set(by domain.Actor, id domain.ID, f Finding, terms *Terms, sheet *collection.Sheet, at time.Time) error {
	if err := e.MayWrite(by); err != nil {
		return err
	}
	o := e.Observation(id)
	if o == nil {
		return domain.NotFound("There is no such observation in this examination.")
	}
	changed := *o
	if err := e.put(&changed, f, terms, sheet); err != nil {
		return err
	}
	*o = changed
	e.touched(by, at)
	e.raise(by, "observation_set", map[string]any{"observation": id, "finding": changed.Finding}, at)
	return nil
}

// Confirm answers several carried observations at once: they are as they were.
func (e *Examination) Confirm(by domain.Actor, n Confirmation, at time.Time) error {
	if err := e.MayWrite(by); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	for _, id := range n.ObservationIDs {
		o := e.Observation(id)
		switch {
		case o == nil || o.ContinuesID == nil:
			return domain.Invalid("/observation_ids", "carried", "One of these was not carried forward from an earlier examination.")
		case e.unseen(o.ComponentID):
			return domain.Refuse("E3", o.Called+" was not seen: what was found on it before can only be 'not seen'.")
		}
	}
	for i := range e.Observations {
		if o := &e.Observations[i]; slices.Contains(n.ObservationIDs, o.ID) {
			o.Status = Confirmed
		}
	}
	e.touched(by, at)
	e.raise(by, "observations_confirmed", n, at)
	return nil
}

// Confirmation names carried observations that are as they were.
type Confirmation struct {
	ObservationIDs []domain.ID `json:"observation_ids" validate:"required,min=1,max=2000,unique"`
}

// Drop takes a new observation back. One that was carried forward is answered instead.
func (e *Examination) Drop(by domain.Actor, id domain.ID, at time.Time) error {
	if err := e.MayWrite(by); err != nil {
		return err
	}
	o := e.Observation(id)
	switch {
	case o == nil:
		return domain.NotFound("There is no such observation in this examination.")
	case o.ContinuesID != nil:
		return domain.Refuse("E3", "This was found at an earlier examination and cannot be taken away. Answer whether it is as it was, changed, gone or not seen.")
	}
	dropped := *o
	kept := e.Observations[:0]
	for _, x := range e.Observations {
		if x.ID != id {
			kept = append(kept, x)
		}
	}
	e.Observations = kept
	e.touched(by, at)
	e.raise(by, "observation_dropped", dropped, at)
	return nil
}

// put sets a finding on an observation, when it can be so.
func (e *Examination) put(o *Observation, f Finding, terms *Terms, sheet *collection.Sheet) error {
	if err := domain.Validate(f); err != nil {
		return err
	}
	f.tidy()
	faults := f.check("")
	bad := func(at, rule, message string) {
		faults = append(faults, domain.Field{Pointer: at, Rule: rule, Message: message})
	}
	term, near := terms.Find(f.Term)
	if term == nil {
		bad("/term", "known", unknownTerm(f.Term, near))
	}
	if o.ComponentID != nil && sheet.Component(*o.ComponentID) == nil {
		bad("/component_id", "component", "This is not a component of "+sheet.Object.Number+".")
	}
	carried := o.ContinuesID != nil
	switch {
	case carried && f.Status == New:
		bad("/status", "carried", "This was known before. Answer whether it is as it was, changed, gone or not seen.")
	case !carried && f.Status != New:
		bad("/status", "new", "This was not known before, so it is new.")
	}
	if len(faults) > 0 {
		return domain.InvalidFields(faults)
	}
	if e.unseen(o.ComponentID) && f.Status != NotSeen {
		if !carried {
			return domain.Refuse("E3", sheet.Called(*o.ComponentID)+" was not seen, so nothing new can have been found on it. Mark it as seen first.")
		}
		return domain.Refuse("E3", sheet.Called(*o.ComponentID)+" was not seen: what was found on it before can only be 'not seen'. Mark the component as seen first.")
	}
	f.Term = term.Key
	o.Finding, o.TermName = f, term.Name
	if o.ComponentID != nil {
		o.Called = sheet.Called(*o.ComponentID)
	} else {
		o.Called = sheet.Object.Number
	}
	return nil
}
