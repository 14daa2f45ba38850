package examination

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

func decimals(n int) string { return strconv.Itoa(n) }

// Suggested is the grade that the observations suggest, and why; empty when nothing was found. It is a
// prompt: the examiner decides, and says why when the grade is better.
//
// source: common practice, on the four grades of Keene 1991: active and severe is unacceptable; active and
// serious, or severe, at least poor; serious, or three moderate, at least fair.
func (e *Examination) Suggested() (Grade, string) {
	grade, why, moderate := Grade(""), "", 0
	worse := func(g Grade, because string) {
		if g.rank() > grade.rank() {
			grade, why = g, because
		}
	}
	for _, o := range e.Observations {
		if !o.Status.Present() {
			continue
		}
		what := o.TermName + " on " + o.Called
		switch {
		case o.Urgent():
			worse(Unacceptable, what+" is severe and active")
		case o.Severity == 4:
			worse(Poor, what+" is severe")
		case o.Severity == 3 && o.Activity == Active:
			worse(Poor, what+" is serious and active")
		case o.Severity == 3:
			worse(Fair, what+" is serious")
		case o.Severity == 2:
			if moderate++; moderate == 3 {
				worse(Fair, "three observations are moderate")
			}
		}
	}
	return grade, why
}

// Missing lists everything that stands against signing.
//
// source: EN 16095:2012, contents of a condition report (from memory): reason, examiner, date, place and
// circumstances; number; every part seen, or not seen and why; how much, how severe, active or not;
// overall statement; next check.
func (e *Examination) Missing(sheet *collection.Sheet) []string {
	missing := []string{}
	need := func(there bool, what string) {
		if !there {
			missing = append(missing, what)
		}
	}
	need(e.PlaceID != nil || e.Place != "", "where the object was looked at")
	need(len(e.Light) > 0, "the light in which it was looked at")
	need(e.Technique != "", "the technique that was used")
	need(e.Handles != nil, "whether hands were on the object")
	need(e.Handles == nil || !*e.Handles || e.HandlingID != nil, "the handling, logged")
	for _, c := range sheet.Components {
		s := e.Component(c.ID)
		switch {
		case s == nil || s.Seen == nil:
			missing = append(missing, "whether "+sheet.Called(c.ID)+" was seen")
		case s.Unseen() && s.Reason == "":
			missing = append(missing, "why "+sheet.Called(c.ID)+" was not seen")
		}
	}
	for _, o := range e.Observations {
		missing = append(missing, o.missing(e.unseen(o.ComponentID))...)
	}
	need(e.Overall != "", "the overall condition")
	if suggested, why := e.Suggested(); e.Overall != "" && e.Overall.rank() < suggested.rank() {
		need(e.OverallReason != "", "why the overall condition is "+string(e.Overall)+" and not "+string(suggested)+": "+why)
	}
	need(e.Priority != "", "the priority")
	need(e.NextCheckOn != "", "when the next check is due")
	return missing
}

// missing is what an observation lacks.
func (o Observation) missing(unseen bool) []string {
	what := o.TermName + " on " + o.Called
	var missing []string
	switch {
	case o.Status == Unanswered:
		return []string{what + ": whether it is as it was, changed, gone or not seen"}
	case unseen && o.Status != NotSeen:
		return []string{what + ": the component was not seen, so this was not seen either (E3)"}
	case o.Status == Gone && o.Reason == "":
		return []string{what + ": why it is gone"}
	case o.Status == NotSeen && o.Reason == "" && !unseen:
		return []string{what + ": why it was not seen"}
	case !o.Status.Present():
		return nil
	}
	if o.Severity == 0 {
		missing = append(missing, what+": how severe it is")
	}
	if o.Activity == "" {
		missing = append(missing, what+": whether it is active")
	}
	if o.Status == Confirmed && o.Before != nil && o.differs() != "" {
		missing = append(missing, what+": its "+o.differs()+" is not as it was, so it is not 'as it was' but 'changed'")
	}
	return missing
}

// differs names what speaks against 'as it was'; empty when nothing does. An extent that was only measured
// anew is judged by the comparison.
func (o Observation) differs() string {
	switch {
	case o.Term != o.Before.Term:
		return "name"
	case o.Severity != o.Before.Severity && o.Before.Severity != 0:
		return "severity"
	case o.Activity == Active && o.Before.Activity == Stable:
		return "activity"
	}
	return ""
}

// handOvers are what a registrar may sign as well as a conservator.
var handOvers = []Occasion{Arrival, Departure, Return, Incident, PeriodicCheck}

// maySign says who signs: the examiner alone, who is a conservator, or at a hand-over a registrar.
func (e *Examination) maySign(by domain.Actor) error {
	switch {
	case e.State == Signed:
		return domain.RefuseState("E1", "This examination is signed already.")
	case by.ID != e.Examiner.ID:
		return domain.Forbidden("Only " + e.Examiner.Name + ", who examined, may sign this. A conservator who has looked too may take the examination over.")
	case by.Has(domain.Conservator):
		return nil
	case !slices.Contains(handOvers, e.Occasion):
		return domain.Forbidden("An examination on this occasion is signed by a conservator. Ask one to look at the object and to take it over.")
	}
	return nil
}

// SealKind and AddendumSealKind name the seals of examinations and of their addenda.
const (
	SealKind         = "examination"
	AddendumSealKind = "examination_addendum"
)

// Sign ends a draft (E1). lastID is the last signed examination of the object, nil for none. Nothing changes
// when it is refused; the refusal lists all that is missing.
func (e *Examination) Sign(by domain.Actor, sheet *collection.Sheet, lastID *domain.ID, zone *time.Location, at time.Time) error {
	if err := by.May(Sign); err != nil {
		return err
	}
	if err := e.maySign(by); err != nil {
		return err
	}
	if lastID != nil && (e.FollowsID == nil || *e.FollowsID != *lastID) {
		return domain.Conflict("examined_meanwhile", "Another examination of "+sheet.Object.Number+" was signed since this one was begun. Take over what it found, and answer it, first.")
	}
	if err := domain.InvalidFields(e.dayFaults(day(at, zone))); err != nil {
		return err
	}
	if missing := e.Missing(sheet); len(missing) > 0 {
		return &domain.Error{Kind: domain.KindRefused, Code: "examination_incomplete", Missing: missing,
			Message: "Before it can be signed, the examination needs what is missing here. Nothing was lost; it is still a draft."}
	}
	e.State, e.SignedAt, e.SignedAs, e.Identified = Signed, &at, by.Roles, identify(sheet)
	e.Components = slices.DeleteFunc(e.Components, func(s Seen) bool { return sheet.Component(s.ComponentID) == nil })
	for i := range e.Components {
		e.Components[i].Called = sheet.Called(e.Components[i].ComponentID)
	}
	if e.Alarm = e.alarm(); e.Alarm != "" {
		e.OpenSince = &at
	}
	e.touched(by, at)
	e.raise(by, "signed", map[string]any{"occasion": e.Occasion, "overall": e.Overall, "priority": e.Priority, "observations": len(e.Observations), "alarm": e.Alarm}, at)
	return nil
}

// alarm is why conservator and curator must hear of it at once (E5); empty: no reason.
func (e *Examination) alarm() string {
	var active []string
	for _, o := range e.Observations {
		if o.Urgent() {
			active = append(active, o.TermName+" on "+o.Called)
		}
	}
	var said []string
	if e.Occasion == Incident {
		said = append(said, "an incident")
	}
	if len(active) > 0 {
		more := ""
		if len(active) > 5 {
			more = " and " + decimals(len(active)-5) + " more"
			active = active[:5]
		}
		said = append(said, "active and severe: "+strings.Join(active, ", ")+more)
	}
	return strings.Join(said, "; ")
}

// identify takes down what the object is called and made of.
func identify(sheet *collection.Sheet) *Identified {
	o := sheet.Object
	i := &Identified{Number: o.Number, Title: o.Title, Kind: o.Kind, Makers: o.Makers, DateMade: o.DateMade, PlaceMade: o.PlaceMade, Department: o.Department,
		Status: o.LegalStatus, Dimensions: o.Dimensions, MassKG: o.MassKG, Materials: []string{}, Components: len(sheet.Components)}
	if i.Makers == nil {
		i.Makers = []string{}
	}
	if i.Dimensions == nil {
		i.Dimensions = []collection.Dimension{}
	}
	for _, c := range sheet.Components {
		for _, m := range sheet.MaterialsOf(c.ID) {
			text := sheet.Called(c.ID) + ": " + m.MaterialName
			if m.MaterialKey != nil {
				text += " (" + m.Confidence + ", by " + m.IdentifiedBy + ")"
			}
			i.Materials = append(i.Materials, text)
		}
	}
	return i
}

// NewAddendum corrects or completes a signed examination.
type NewAddendum struct {
	Field  string `json:"field" validate:"required,max=120"`
	Old    string `json:"old_statement" validate:"max=10000"` // empty: nothing stood there
	New    string `json:"new_statement" validate:"required,max=10000"`
	Reason string `json:"reason" validate:"required,max=4000"`
}

// Amend writes an addendum beside a signed examination (E1): a conservator, or who examined.
func (e *Examination) Amend(by domain.Actor, n NewAddendum, at time.Time) (*Addendum, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if err := by.May(Write); err != nil {
		return nil, err
	}
	switch {
	case e.State != Signed:
		return nil, domain.RefuseState("E1", "This examination is still a draft: change it itself.")
	case by.ID != e.Examiner.ID && !by.Has(domain.Conservator):
		return nil, domain.Forbidden("An addendum is written by " + e.Examiner.Name + ", who examined, or by a conservator.")
	}
	a := Addendum{ID: domain.NewID(), Number: len(e.Addenda) + 1, Field: strings.TrimSpace(n.Field), Old: strings.TrimSpace(n.Old), New: strings.TrimSpace(n.New),
		Reason: strings.TrimSpace(n.Reason), By: Named{by.ID, by.Name}, Roles: by.Roles, At: at}
	e.Addenda = append(e.Addenda, a)
	e.raise(by, "addendum_written", map[string]any{"number": a.Number, "field": a.Field}, at)
	return &a, nil
}

// NewAnswer answers an alarm.
type NewAnswer struct {
	Kind        string     `json:"kind" validate:"required,oneof=treatment noted"`
	TreatmentID *domain.ID `json:"treatment_id,omitempty"`
	Reason      string     `json:"reason" validate:"max=4000"`
}

// Respond answers an alarm (E5): a treatment of the object, or that it was noted and why nothing is done.
func (e *Examination) Respond(by domain.Actor, n NewAnswer, at time.Time) error {
	if err := domain.Validate(n); err != nil {
		return err
	}
	if err := by.May(Answer); err != nil {
		return err
	}
	n.Reason = strings.TrimSpace(n.Reason)
	switch {
	case e.OpenSince == nil && e.Answer != nil:
		return domain.RefuseState("E5", e.Answer.By.Name+" has answered this already.")
	case e.OpenSince == nil:
		return domain.RefuseState("E5", "This examination asks for no answer.")
	case n.Kind == "treatment" && n.TreatmentID == nil:
		return domain.Invalid("/treatment_id", "required", "Name the treatment that answers it.")
	case n.Kind == "noted" && n.TreatmentID != nil:
		return domain.Invalid("/treatment_id", "excluded", "Name a treatment, or note it with a reason, not both.")
	case n.Kind == "noted" && n.Reason == "":
		return domain.Invalid("/reason", "required", "Say why nothing more is done now.")
	}
	e.OpenSince = nil
	e.Answer = &Answered{Kind: n.Kind, TreatmentID: n.TreatmentID, Reason: n.Reason, By: Named{by.ID, by.Name}, At: at}
	e.raise(by, "answered", n, at)
	return nil
}
