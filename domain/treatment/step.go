package treatment

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/people"
)

// LateAfter is how long after the work a note of it counts as prompt.
const LateAfter = 24 * time.Hour

// Kind says by what right a work was done.
type Kind string

// The kinds of work.
const (
	Step      Kind = "step"      // inside the approved scope
	Departure Kind = "departure" // outside it (T11)
	Emergency Kind = "emergency" // before any approval, against imminent loss (T6)
)

// Done is what somebody did with their hands on an object: the part of a note that steps,
// departures and emergencies share.
type Done struct {
	HappenedAt      time.Time        `json:"happened_at" validate:"required"`
	Hands           []domain.ID      `json:"hands" validate:"required,min=1,max=20,unique"` // everybody who took part
	UnderID         *domain.ID       `json:"under_id,omitempty"`                            // the conservator who supervised a technician
	Components      []domain.ID      `json:"components" validate:"required,min=1,max=100,unique"`
	Materials       []Use            `json:"materials" validate:"max=30,dive"`
	Tool            string           `json:"tool" validate:"max=300"`
	TemperatureC    *decimal.Decimal `json:"temperature_c,omitempty" validate:"omitempty,gte=-100,lte=400"`
	HumidityPercent *decimal.Decimal `json:"humidity_percent,omitempty" validate:"omitempty,gte=0,lte=100"`
	Before          string           `json:"observed_before" validate:"max=4000"`
	After           string           `json:"observed_after" validate:"max=4000"`
	Removed         string           `json:"removed" validate:"max=2000"`
	RemovedTo       string           `json:"removed_to" validate:"required_with=Removed,max=1000"`
	Minutes         int              `json:"minutes" validate:"required,min=1,max=1440"`
	Photographs     []domain.ID      `json:"photographs" validate:"max=200,unique"`
	Gloves          string           `json:"gloves" validate:"omitempty,oneof=nitrile cotton bare_clean_hands other none_possible"`
	Noticed         []string         `json:"noticed" validate:"max=10,unique,dive,oneof=nothing noise powder resistance loss tear odour tack liquid other"`
	Controls        string           `json:"controls" validate:"omitempty,oneof=kept not_kept"` // of the usual cautions, where there are any
	CameAway        []NewCameAway    `json:"came_away" validate:"max=20,dive"`
	Note            string           `json:"note" validate:"max=10000"`
}

// Use is a material as it was used. It is a library material, an auxiliary, or, outside every scope,
// something that only Product names. Batch never decides whether a use is inside a scope; it is kept
// so that everything treated with a bad batch can be found.
type Use struct {
	MaterialKey   string           `json:"material_key" validate:"max=80"`
	Auxiliary     string           `json:"auxiliary" validate:"omitempty,oneof=water blotter tissue ptfe_film polyester_film nitrile_gloves swabs"`
	Product       string           `json:"product" validate:"max=200"` // 'not known' is an answer
	Batch         string           `json:"batch" validate:"max=120"`   // 'not known' is an answer
	Concentration *decimal.Decimal `json:"concentration,omitempty" validate:"omitempty,gte=0,lte=1000000"`
	Unit          string           `json:"unit" validate:"omitempty,oneof=percent_w_v percent_w_w percent_v_v g_per_l mol_per_l ppm"`
	Solvent       string           `json:"solvent" validate:"max=120"`
	Amount        string           `json:"amount" validate:"max=120"`

	Name string `json:"-"` // of the material, as the library has it
}

// NewStep is a running note of approved work.
type NewStep struct {
	Done
	Method string `json:"method" validate:"required,max=120"`
}

// Part is a component by identifier and by what it was called then.
type Part struct {
	ID     domain.ID `json:"id"`
	Called string    `json:"called"`
}

// UsedMaterial is a use with the name that the library had for it then.
type UsedMaterial struct {
	Use
	Name string `json:"name"`
}

// Work is a note of what was done. It never changes.
type Work struct {
	ID              domain.ID        `json:"id"`
	Kind            Kind             `json:"kind"`
	TreatmentID     *domain.ID       `json:"treatment_id,omitempty"`
	ObjectID        domain.ID        `json:"object_id"`
	HappenedAt      time.Time        `json:"happened_at"`
	RecordedAt      time.Time        `json:"recorded_at"`
	RecordedBy      Who              `json:"recorded_by"`
	Late            bool             `json:"late"` // noted more than LateAfter after it happened
	Hands           []Who            `json:"hands"`
	Under           *Who             `json:"under,omitempty"`
	Components      []Part           `json:"components"`
	Method          string           `json:"method"`
	Materials       []UsedMaterial   `json:"materials"`
	Tool            string           `json:"tool"`
	TemperatureC    *decimal.Decimal `json:"temperature_c,omitempty"`
	HumidityPercent *decimal.Decimal `json:"humidity_percent,omitempty"`
	Before          string           `json:"observed_before"`
	After           string           `json:"observed_after"`
	Removed         string           `json:"removed"`
	RemovedTo       string           `json:"removed_to"`
	Minutes         int              `json:"minutes"`
	Photographs     []PhotoRef       `json:"photographs"`
	Gloves          string           `json:"gloves"`
	Noticed         []string         `json:"noticed"`
	Controls        string           `json:"controls"`
	CameAway        []CameAway       `json:"came_away"`
	Note            string           `json:"note"`
	What            string           `json:"what,omitempty"`    // of a departure: what lay outside
	Why             string           `json:"why,omitempty"`     // of a departure
	Against         []string         `json:"against,omitempty"` // of a departure: what else it broke
}

// PeopleIn lists the persons that the note names.
func (d Done) PeopleIn() []domain.ID {
	if d.UnderID == nil {
		return d.Hands
	}
	return append(slices.Clone(d.Hands), *d.UnderID)
}

// MaterialsIn lists the library keys that the note names.
func (d Done) MaterialsIn() []string {
	var keys []string
	for _, u := range d.Materials {
		if u.MaterialKey != "" {
			keys = append(keys, u.MaterialKey)
		}
	}
	return keys
}

// note makes the record of a work, and refuses what nothing stands behind.
func (d Done) note(by domain.Actor, kind Kind, f Facts, at time.Time) (Work, error) {
	w := Work{ID: domain.NewID(), Kind: kind, ObjectID: f.Sheet.Object.ID, HappenedAt: d.HappenedAt.UTC(), RecordedAt: at, RecordedBy: who(by),
		Late: at.Sub(d.HappenedAt) > LateAfter, Hands: []Who{}, Components: []Part{}, Materials: []UsedMaterial{}, Tool: d.Tool,
		TemperatureC: d.TemperatureC, HumidityPercent: d.HumidityPercent, Before: d.Before, After: d.After, Removed: d.Removed,
		RemovedTo: d.RemovedTo, Minutes: d.Minutes, Photographs: []PhotoRef{}, Gloves: d.Gloves, Noticed: nonNil(d.Noticed), Controls: d.Controls, CameAway: []CameAway{}, Note: d.Note}
	var fields []domain.Field
	bad := func(rule, message, pointer string, args ...any) {
		fields = append(fields, domain.Field{Pointer: fmt.Sprintf(pointer, args...), Rule: rule, Message: message})
	}
	if d.HappenedAt.Sub(at) > 5*time.Minute {
		bad("past", "This lies in the future. Note what has happened.", "/happened_at")
	}
	for i, id := range d.Hands {
		p, ok := f.People[id]
		if !ok || p.ClosedAt != nil && p.ClosedAt.Before(d.HappenedAt) {
			bad("person", "There is no such person, or the account was closed by then.", "/hands/%d", i)
			continue
		}
		w.Hands = append(w.Hands, Who{ID: p.ID, Name: p.Name})
	}
	if d.UnderID != nil {
		p, ok := f.People[*d.UnderID]
		if !ok || !slices.Contains(p.Roles, domain.Conservator) {
			bad("conservator", "Name a conservator.", "/under_id")
		}
		w.Under = &Who{ID: *d.UnderID, Name: p.Name}
	}
	for i, id := range d.Components {
		if f.Sheet.Component(id) == nil {
			bad("component", "This is no component of the object.", "/components/%d", i)
			continue
		}
		w.Components = append(w.Components, Part{ID: id, Called: f.Sheet.Called(id)})
	}
	for i, u := range d.Materials {
		u.Name = f.nameOf(u)
		switch {
		case u.MaterialKey != "" && u.Auxiliary != "":
			bad("one", "Say a material of the library or an auxiliary, not both.", "/materials/%d/auxiliary", i)
		case u.MaterialKey == "" && u.Auxiliary == "" && u.Product == "":
			bad("required", "Say which material.", "/materials/%d/material_key", i)
		case kind != Step && u.MaterialKey != "" && f.Materials[u.MaterialKey] == "":
			bad("material", "The library has no such material. Name it as a product.", "/materials/%d/material_key", i)
		case u.Concentration != nil && u.Unit == "":
			bad("required", "Say the unit of the concentration.", "/materials/%d/unit", i)
		case u.Auxiliary == "" && kind == Step && u.Product == "":
			bad("required", "Say the product; 'not known' is an answer.", "/materials/%d/product", i)
		case u.Auxiliary == "" && kind == Step && u.Batch == "":
			bad("required", "Say the batch, so that everything treated with it can be found; 'not known' is an answer.", "/materials/%d/batch", i)
		}
		w.Materials = append(w.Materials, UsedMaterial{Use: u, Name: u.Name})
	}
	for i, id := range d.Photographs {
		p, ok := f.photo(id)
		if !ok {
			bad("photograph", "There is no such photograph of this object.", "/photographs/%d", i)
			continue
		}
		w.Photographs = append(w.Photographs, p)
	}
	for i, c := range d.CameAway {
		if f.Sheet.Component(c.FromID) == nil {
			bad("component", "This is no component of the object.", "/came_away/%d/from_component_id", i)
		}
		w.CameAway = append(w.CameAway, CameAway{NewCameAway: c})
	}
	return w, domain.InvalidFields(fields)
}

// Facts are what the rules need to know from other areas and from the site.
type Facts struct {
	Sheet     *collection.Sheet
	Site      domain.Site
	Curators  []people.Person             // the open curators of the object's department
	People    map[domain.ID]people.Person // those that the command names
	Materials map[string]string           // names of the library keys that the command names
	Photos    []PhotoRef                  // of the object

	Examinations []Examined // signed, of the object: the latest, and those that the command names
}

func (f Facts) named(ids []domain.ID) []Who {
	var all []Who
	for _, id := range ids {
		if p, ok := f.People[id]; ok {
			all = append(all, Who{ID: p.ID, Name: p.Name})
		}
	}
	return all
}

func (f Facts) photo(id domain.ID) (PhotoRef, bool) {
	i := slices.IndexFunc(f.Photos, func(p PhotoRef) bool { return p.ID == id })
	if i < 0 {
		return PhotoRef{}, false
	}
	return f.Photos[i], true
}

// nameOf is the name of a used material: the library's, the auxiliary's, or as it was written.
func (f Facts) nameOf(u Use) string {
	if name, ok := auxiliaryName(u.Auxiliary); ok {
		return name
	}
	if name := f.Materials[u.MaterialKey]; name != "" {
		return name
	}
	if u.MaterialKey != "" {
		return "'" + u.MaterialKey + "'"
	}
	return u.Product
}

// LogStep notes approved work (T1, T3, T5). The first step brings the treatment under way. A step
// that is outside the approved scope is refused whole, naming all that is outside.
//
// source: AIC Code of Ethics and Guidelines for Practice 1994, guidelines 26 and 27.
func (t *Treatment) LogStep(by domain.Actor, n NewStep, f Facts, at time.Time) (*Work, error) {
	if err := by.May(Log); err != nil {
		return nil, err
	}
	if err := t.open(n.HappenedAt, at); err != nil {
		return nil, err
	}
	if err := t.mayDo(by, "log a step"); err != nil {
		return nil, err
	}
	w, err := n.note(by, Step, f, at)
	if err != nil {
		return nil, err
	}
	w.Method, w.TreatmentID = n.Method, &t.ID
	if err := t.mayHaveDone(w.everybody()); err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(w.everybody(), func(h Who) bool { return slices.Contains(f.People[h.ID].Roles, domain.Conservator) }) {
		return nil, domain.Refuse("T1", "A conservator must have a hand in it, or supervise: name one.")
	}
	if failed, open := t.pending(0); len(failed)+len(open) > 0 {
		return nil, stopped("The work may not begin or go on", failed, open)
	}
	if err := t.inside(n, w, f); err != nil {
		return nil, err
	}
	t.Steps = append(t.Steps, w)
	if t.State == Approved {
		t.State = UnderWay
		t.raise(by, "begun", nil, at)
	}
	for _, h := range w.everybody() {
		t.join(h, Doing, "took part in the work", at)
	}
	t.join(who(by), Doing, "logged the work", at)
	t.raise(by, "step_logged", map[string]any{"step": w.ID, "method": w.Method, "late": w.Late}, at)
	return &t.Steps[len(t.Steps)-1], nil
}

func (w Work) everybody() []Who {
	if w.Under == nil {
		return w.Hands
	}
	return append(slices.Clone(w.Hands), *w.Under)
}

// open refuses a step while the treatment's state does not allow one. A step that happened before a
// suspension is still noted: the decision stops further steps.
func (t *Treatment) open(happened, at time.Time) error {
	switch {
	case t.State == Signed:
		return signedStays()
	case t.State == Completed:
		return domain.RefuseState("T1", "This is completed; a step belongs to work that is under way. What was done outside can still be recorded as a departure.")
	case t.PastTerm(at), t.State == Lapsed:
		return domain.RefuseState("T1", "The approval was not begun within its term and has lapsed. Propose the treatment anew.")
	case t.State != Approved && t.State != UnderWay:
		return domain.RefuseState("T1", "No work is recorded before approval; this is "+t.State.Words()+". What was done all the same is recorded as a departure.")
	}
	if t.Hold != NoHold {
		for i := len(t.Decisions) - 1; i >= 0; i-- {
			if d := t.Decisions[i]; (d.Outcome == Suspend || d.Outcome == Revoke) && happened.Before(d.Signature.At.Truncate(time.Minute)) {
				continue
			} else if d.Outcome == Suspend || d.Outcome == Revoke {
				return domain.RefuseState("T3", "The work is "+string(t.Hold)+" by "+d.Signature.By.Name+" since "+d.Signature.At.Format(time.DateOnly)+": "+d.Signature.Statement)
			}
		}
	}
	return nil
}

// inside refuses a step outside the scope that was approved when it happened, or that needs an
// amendment whose conditions still stand before the work (T1, T3, T5).
func (t *Treatment) inside(n NewStep, w Work, f Facts) error {
	uses := make([]Use, len(w.Materials))
	for i, m := range w.Materials {
		uses[i] = m.Use
	}
	all, then, free := t.ApprovedScope(), []ApprovedLine{}, []ApprovedLine{}
	var failed, open []string
	for _, l := range all {
		if n.HappenedAt.Before(l.Since.Truncate(time.Minute)) { // forms give minutes
			continue
		}
		then = append(then, l)
		f, o := t.pending(l.Amendment)
		if len(f)+len(o) == 0 {
			free = append(free, l)
		} else if len(failed)+len(open) == 0 {
			failed, open = f, o
		}
	}
	if len(outside(f.Sheet, free, n.Method, n.Components, uses)) == 0 {
		return nil
	}
	out := outside(f.Sheet, then, n.Method, n.Components, uses)
	if len(out) == 0 {
		return stopped("This step needs an amendment whose conditions stand before it", failed, open)
	}
	message := "This step is not inside the approved scope. Write an amendment; if it has been done already, record it as a departure."
	if len(then) < len(all) {
		message = "This step is not inside the scope that was approved when it happened. If it has been done, record it as a departure."
	}
	return &domain.Error{Kind: domain.KindRefused, Code: "T1", Message: message, Outside: out}
}

func stopped(what string, failed, open []string) error {
	e := &domain.Error{Kind: domain.KindRefused, Code: "T3", Message: what + ": conditions of the approval are open.", Missing: open}
	if len(failed) > 0 {
		e.Message = what + ": it waits for a new decision, because " + strings.Join(failed, "; ") + " has failed."
	}
	return e
}
