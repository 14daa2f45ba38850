package treatment

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/record"
)

// RestsOnMonths is how old the condition may be on which a proposal rests, in calendar months.
const RestsOnMonths = 12

// Aims of a treatment; one treatment may serve several.
//
// source: ICOM-CC, Terminology to characterize the conservation of tangible cultural heritage, New
// Delhi 2008.
var Aims = []string{"preventive", "remedial", "restoration"}

// Proposal is what is put to the curator. Submitted texts must hold what AIC guideline 26 and common
// practice ask for; Lacks says what is still missing. 'Nothing' and 'none' are answers; empty is not.
//
// A proposal rests on a signed examination. Texts from before the laboratory kept examinations here rest on a
// stated condition: what it was, on which date it was seen, and by whom.
//
// The text of an amendment has the same form. It holds only what changes: what is empty there stays
// as it was approved.
type Proposal struct {
	Title       string           `json:"title" validate:"required,max=200"`
	RestsOn     StatedCondition  `json:"rests_on"`
	Reasons     string           `json:"reasons" validate:"max=10000"` // the observations that it answers
	Aims        []string         `json:"aims" validate:"max=3,unique,dive,oneof=preventive remedial restoration"`
	Options     []Option         `json:"options" validate:"max=12,dive"`
	Scope       []ScopeLine      `json:"scope" validate:"max=100,dive"` // the chosen method for each component
	Why         string           `json:"why" validate:"max=4000"`       // why this option
	SafeBecause string           `json:"safe_because" validate:"max=4000"`
	Final       string           `json:"irreversible" validate:"max=4000"`
	Tests       []Test           `json:"tests" validate:"max=30,dive"`
	NoTests     string           `json:"no_tests_because" validate:"max=1000"`
	Sampling    string           `json:"sampling" validate:"max=4000"`
	Hours       *decimal.Decimal `json:"hours,omitempty" validate:"omitempty,gt=0,lte=10000"`
	Begins      string           `json:"begins" validate:"omitempty,edtf,max=40"`
	Ends        string           `json:"ends" validate:"omitempty,edtf,max=40"`
	Photographs []PlannedView    `json:"photographs" validate:"max=60,dive"`
	Removed     string           `json:"removed" validate:"max=4000"` // what comes off, and where it goes
	Cost        *decimal.Decimal `json:"cost,omitempty" validate:"omitempty,gte=0,lte=100000000"`
	Currency    string           `json:"cost_currency" validate:"omitempty,currency"`
	Hazards     string           `json:"hazards" validate:"max=4000"` // and their controls
	Appearance  string           `json:"expected_appearance" validate:"max=4000"`
	Handling    string           `json:"handling_afterwards" validate:"max=4000"`
	Display     string           `json:"display_afterwards" validate:"max=4000"`
	Storage     string           `json:"storage_afterwards" validate:"max=4000"`
	Waste       string           `json:"waste" validate:"max=4000"`
	Performers  []domain.ID      `json:"performers" validate:"max=20,unique"` // who is to carry it out
}

// StatedCondition is the condition on which a proposal rests. With an examination, Date and By are what that
// says; they are not the writer's to choose.
type StatedCondition struct {
	ExaminationID *domain.ID  `json:"examination_id,omitempty"`
	Observations  []domain.ID `json:"observations,omitempty" validate:"max=200,unique"` // of it, that the treatment answers
	Text          string      `json:"text" validate:"max=10000"`                        // what of it matters here
	Date          string      `json:"date" validate:"omitempty,edtf,max=40"`            // when it was seen
	By            string      `json:"by" validate:"max=200"`                            // who saw it
}

// Option is one way that was considered; 'no treatment' is one.
type Option struct {
	Method        string `json:"method" validate:"required,max=300"`
	Benefit       string `json:"benefit" validate:"max=2000"`
	RiskToObject  string `json:"risk_to_object" validate:"max=2000"`
	RiskToPeople  string `json:"risk_to_people" validate:"max=2000"`
	Significance  string `json:"effect_on_significance" validate:"max=2000"`
	Reversibility string `json:"reversibility" validate:"max=2000"` // can it be undone without damage
	Retreatable   string `json:"retreatability" validate:"max=2000"`
	Effort        string `json:"effort" validate:"max=500"`
}

// Test is done before the work; PassWhen is its criterion.
type Test struct {
	What     string `json:"what" validate:"required,max=1000"`
	PassWhen string `json:"pass_when" validate:"required,max=1000"`
}

// PlannedView is a photograph to be taken, at each of its stages from the same side.
type PlannedView struct {
	View   string   `json:"view" validate:"required,oneof=front back left right three_quarter_left three_quarter_right top inside detail label closure_open closure_closed packed other"`
	Stages []string `json:"stages" validate:"required,min=1,unique,dive,oneof=before during after"`
}

// Version is a text as it was submitted. It never changes; Legend keeps the names that its
// identifiers and keys had then, so that the text can be read for good.
type Version struct {
	ID          domain.ID         `json:"id"`
	Amendment   int               `json:"amendment"` // 0: the proposal itself
	Number      int               `json:"number"`
	Text        Proposal          `json:"text"`
	Legend      map[string]string `json:"legend"`
	SHA256      string            `json:"sha256"` // of the canonical form of text and legend
	SubmittedBy Who               `json:"submitted_by"`
	SubmittedAt time.Time         `json:"submitted_at"`
	Voided      *Signature        `json:"voided,omitempty"` // taken back before a decision

	Frozen json.RawMessage `json:"-"` // text and legend as they are kept; set when read
}

// sum is the SHA-256 of a text and its legend.
func sum(p Proposal, legend map[string]string) (string, error) {
	text, err := record.Canonical(struct {
		Text   Proposal          `json:"text"`
		Legend map[string]string `json:"legend"`
	}{p, legend})
	if err != nil {
		return "", fmt.Errorf("canonical text of a proposal: %w", err)
	}
	h := sha256.Sum256(text)
	return hex.EncodeToString(h[:]), nil
}

// tidy makes every list of the text a list, so that the same text has one form.
func (p Proposal) tidy() Proposal {
	p.Aims, p.Options, p.Tests = nonNil(p.Aims), nonNil(p.Options), nonNil(p.Tests)
	p.Photographs, p.Performers, p.Scope = nonNil(p.Photographs), nonNil(p.Performers), slices.Clone(nonNil(p.Scope))
	for i := range p.Scope {
		p.Scope[i].Materials = nonNil(p.Scope[i].Materials)
	}
	return p
}

// Lacks says what a proposal still needs before it can be submitted, at the given time.
//
// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 26; EN 16853:2017, options
// including no treatment; common practice for the rest.
func (p Proposal) Lacks(site domain.Site, at time.Time) []string {
	var lacks []string
	need := func(ok bool, what string) {
		if !ok {
			lacks = append(lacks, what)
		}
	}
	need(p.RestsOn.ExaminationID != nil, "the signed examination on which the proposal rests")
	if d, err := domain.ParseEDTF(p.RestsOn.Date); err == nil {
		oldest := at.In(site.Zone).AddDate(0, -RestsOnMonths, -1)
		need(d.Latest != nil && d.Latest.After(oldest), fmt.Sprintf("an examination of the last %d months; this one is of %s", RestsOnMonths, d.Words()))
		need(d.Earliest == nil || !d.Earliest.After(at.AddDate(0, 0, 1)), "an examination that has been made; this one lies in the future")
	}
	need(p.Reasons != "", "reasons: the observations that the treatment answers")
	need(len(p.Aims) > 0, "at least one aim")
	need(len(p.Options) >= 2, "at least two options; 'no treatment' may be one")
	for i, o := range p.Options {
		for _, part := range [][2]string{{o.Benefit, "benefit"}, {o.RiskToObject, "risk to the object"}, {o.RiskToPeople, "risk to people"},
			{o.Significance, "effect on significance"}, {o.Reversibility, "reversibility"}, {o.Retreatable, "retreatability"}} {
			need(part[0] != "", fmt.Sprintf("option %d (%s): %s", i+1, o.Method, part[1]))
		}
	}
	need(len(p.Scope) > 0, "the chosen method for each component")
	need(p.Why != "" || slices.IndexFunc(p.Scope, func(l ScopeLine) bool { return l.Why == "" }) < 0, "why the chosen option was chosen, for each component or for all")
	need(p.SafeBecause != "", "why the materials are safe for what they touch")
	need(p.Final != "", "what is irreversible ('nothing' is an answer)")
	need(len(p.Tests) > 0 || p.NoTests != "", "tests to be made first, with the criterion for passing, or why none")
	need(p.Hours != nil, "the expected hours")
	need(p.Begins != "" && p.Ends != "", "the period: from when to when")
	need(len(p.Photographs) > 0, "the photographs planned: views and stages")
	need(p.Removed != "", "what will be removed from the object and where it goes ('nothing' is an answer)")
	return lacks
}

// Warns says what one expects to find in a proposal and does not; it can be submitted all the same.
func (p Proposal) Warns() []string {
	warns := []string{}
	for _, part := range [][2]string{{p.Sampling, "sampling"}, {p.Hazards, "hazards and their controls"}, {p.Appearance, "expected appearance"},
		{p.Handling, "handling afterwards"}, {p.Display, "display afterwards"}, {p.Storage, "storage afterwards"}, {p.Waste, "waste"}} {
		if part[0] == "" {
			warns = append(warns, "Nothing is said about "+part[1]+".")
		}
	}
	if p.Cost == nil {
		warns = append(warns, "Nothing is said about cost.")
	}
	if len(p.Performers) == 0 {
		warns = append(warns, "Nobody is named to carry it out.")
	}
	for i, l := range p.Scope {
		for _, m := range l.Materials {
			if m.Product == "" && m.Solvent == "" && m.Most == nil && m.Least == nil {
				warns = append(warns, fmt.Sprintf("Line %d names %s without product, solvent or concentration: any would be inside the scope.", i+1, m.MaterialKey))
			}
		}
	}
	return warns
}

// check refuses identifiers and keys that nothing stands behind.
func (p Proposal) check(f Facts) error {
	var fields []domain.Field
	bad := func(pointer, rule, message string, args ...any) {
		fields = append(fields, domain.Field{Pointer: fmt.Sprintf(pointer, args...), Rule: rule, Message: message})
	}
	for i, l := range p.Scope {
		if f.Sheet.Component(l.ComponentID) == nil {
			bad("/scope/%d/component_id", "component", "This is no component of the object.", i)
		}
		for j, m := range l.Materials {
			if _, ok := f.Materials[m.MaterialKey]; !ok {
				bad("/scope/%d/materials/%d/material_key", "material", "The library has no such material. Add it to the library first, with its source.", i, j)
			}
			if m.Least != nil && m.Most != nil && m.Most.LessThan(*m.Least) {
				bad("/scope/%d/materials/%d/concentration_max", "range", "The greatest concentration is less than the least.", i, j)
			}
			if (m.Least != nil || m.Most != nil) && m.Unit == "" {
				bad("/scope/%d/materials/%d/unit", "required", "Say the unit of the concentration.", i, j)
			}
		}
	}
	for i, id := range p.Performers {
		if person, ok := f.People[id]; !ok || person.ClosedAt != nil {
			bad("/performers/%d", "person", "There is no such person, or the account is closed.", i)
		}
	}
	fields = append(fields, p.checkRests(f)...)
	if p.Cost != nil && p.Currency == "" {
		bad("/cost_currency", "required", "Say the currency.")
	}
	return domain.InvalidFields(fields)
}

// Legend gives the names of everything that the text refers to by identifier or key.
func (p Proposal) Legend(f Facts) map[string]string {
	legend := map[string]string{}
	for _, l := range p.Scope {
		legend[l.ComponentID.String()] = f.Sheet.Called(l.ComponentID)
		for _, m := range l.Materials {
			legend[m.MaterialKey] = f.Materials[m.MaterialKey]
		}
	}
	for _, id := range p.Performers {
		legend[id.String()] = f.People[id].Name
	}
	p.restsLegend(f, legend)
	return legend
}

// PeopleIn lists the persons that the text names.
func (p Proposal) PeopleIn() []domain.ID { return p.Performers }

// ComponentsIn are the components that the scope names.
func (p Proposal) ComponentsIn() []domain.ID {
	var all []domain.ID
	for _, l := range p.Scope {
		if l.ComponentID != (domain.ID{}) {
			all = append(all, l.ComponentID)
		}
	}
	return all
}

// MaterialsIn lists the library keys that the text names.
func (p Proposal) MaterialsIn() []string {
	var keys []string
	for _, l := range p.Scope {
		for _, m := range l.Materials {
			keys = append(keys, m.MaterialKey)
		}
	}
	return keys
}

// Begin makes a treatment in drafting. Its writer is the conservator in charge until they hand over.
func Begin(by domain.Actor, p Proposal, f Facts, at time.Time) (*Treatment, error) {
	if err := by.May(Propose); err != nil {
		return nil, err
	}
	if err := p.check(f); err != nil {
		return nil, err
	}
	o := f.Sheet.Object
	t := &Treatment{
		ID: domain.NewID(), ObjectID: o.ID, ObjectNumber: o.Number, ObjectTitle: o.Title, Department: o.Department,
		State: Drafting, InCharge: who(by), Proposal: p.rested(f).tidy(), Version: 1, CreatedAt: at,
		Versions: []Version{}, Amendments: []Amendment{}, Decisions: []Decision{}, Conditions: []Condition{}, Steps: []Work{},
		Departures: []Work{}, Designations: []Designation{}, Addenda: []Addendum{}, Parties: []Party{},
	}
	t.join(who(by), Doing, "wrote the proposal", at)
	t.raise(by, "drafted", map[string]any{"title": p.Title}, at)
	return t, nil
}

// Rewrite changes the text while it is being drafted. A submitted text is not edited (T4).
func (t *Treatment) Rewrite(by domain.Actor, p Proposal, f Facts, at time.Time) error {
	if err := by.May(Propose); err != nil {
		return err
	}
	if t.State == Signed {
		return signedStays()
	}
	if t.State != Drafting {
		return domain.RefuseState("T4", "This text is "+t.State.Words()+" and is not edited. Take it back to drafting first, or write an amendment.")
	}
	if err := t.mayDo(by, "write on it"); err != nil {
		return err
	}
	if err := p.check(f); err != nil {
		return err
	}
	t.Proposal = p.rested(f).tidy()
	t.join(who(by), Doing, "wrote the proposal", at)
	t.raise(by, "rewritten", p, at)
	return nil
}

// Submit freezes the present text as a numbered version for the curator (T4).
func (t *Treatment) Submit(by domain.Actor, f Facts, at time.Time) error {
	if err := by.May(Propose); err != nil {
		return err
	}
	if t.State != Drafting {
		return t.refuseState("T4", "submitted", Drafting)
	}
	if err := t.mayDo(by, "submit it"); err != nil {
		return err
	}
	if err := t.mayHaveDone(f.named(t.Proposal.Performers)); err != nil {
		return err
	}
	if err := t.Proposal.check(f); err != nil {
		return err
	}
	if lacks := t.Proposal.Lacks(f.Site, at); len(lacks) > 0 {
		return &domain.Error{Kind: domain.KindRefused, Code: "T4", Message: "A curator decides on a whole text. This one is not complete.", Missing: lacks}
	}
	if err := t.freeze(by, 0, t.Proposal, f, at); err != nil {
		return err
	}
	t.State = Submitted
	return nil
}

// freeze makes the next version of the proposal (0) or of an amendment.
func (t *Treatment) freeze(by domain.Actor, amendment int, p Proposal, f Facts, at time.Time) error {
	legend := p.Legend(f)
	hash, err := sum(p, legend)
	if err != nil {
		return err
	}
	v := Version{ID: domain.NewID(), Amendment: amendment, Number: t.latest(amendment).Number + 1, Text: p, Legend: legend, SHA256: hash, SubmittedBy: who(by), SubmittedAt: at}
	t.Versions = append(t.Versions, v)
	t.join(who(by), Doing, "submitted the proposal", at)
	for _, w := range f.named(p.Performers) {
		t.join(w, Doing, "were named to carry out the work", at)
	}
	t.raise(by, "submitted", map[string]any{"amendment": amendment, "version": v.Number, "sha256": hash}, at)
	return nil
}

// latest is the last submitted version of the proposal (0) or of an amendment; its number is 0 when
// nothing was submitted yet.
func (t *Treatment) latest(amendment int) *Version {
	for i := len(t.Versions) - 1; i >= 0; i-- {
		if t.Versions[i].Amendment == amendment {
			return &t.Versions[i]
		}
	}
	return &Version{}
}

// Reason is why something is taken back, withdrawn or handed over.
type Reason struct {
	Reason string `json:"reason" validate:"required,max=2000"`
}

// TakeBack returns a submitted text to drafting; the submission is void and says so (T4).
func (t *Treatment) TakeBack(by domain.Actor, r Reason, at time.Time) error {
	if err := by.May(Propose); err != nil {
		return err
	}
	if t.State != Submitted {
		return t.refuseState("T4", "taken back", Submitted)
	}
	if err := t.ownWork(by, "take it back"); err != nil {
		return err
	}
	t.voidLatest(by, 0, r.Reason, at)
	t.State = Drafting
	return nil
}

func (t *Treatment) voidLatest(by domain.Actor, amendment int, reason string, at time.Time) {
	v := t.latest(amendment)
	v.Voided = sign(by, "taken back", reason, at)
	t.raise(by, "taken_back", map[string]any{"amendment": amendment, "version": v.Number, "reason": reason}, at)
}

// ownWork refuses an act on a text by somebody who neither wrote it nor is in charge.
func (t *Treatment) ownWork(by domain.Actor, act string) error {
	if err := t.mayDo(by, act); err != nil {
		return err
	}
	if p := t.party(by.ID); by.ID != t.InCharge.ID && (p == nil || p.Side != Doing) {
		return domain.Refuse("T2", "Only somebody who has part in this treatment may "+act+". The conservator in charge is "+t.InCharge.Name+".")
	}
	return nil
}

// Withdraw ends a treatment before work has begun. What was begun is completed, so that its record is
// whole.
func (t *Treatment) Withdraw(by domain.Actor, r Reason, at time.Time) error {
	if err := by.May(Propose); err != nil {
		return err
	}
	switch t.State {
	case Drafting, Submitted, Approved:
	case UnderWay:
		return domain.RefuseState("T7", "Work has begun. Complete the treatment with what was done; the completion says why it stopped.")
	default:
		return t.refuseState("T4", "withdrawn", Drafting, Submitted, Approved)
	}
	if err := t.ownWork(by, "withdraw it"); err != nil {
		return err
	}
	if t.State == Submitted {
		t.voidLatest(by, 0, r.Reason, at)
	}
	t.WithdrawnBy, t.State = sign(by, "withdrawn", r.Reason, at), Withdrawn
	t.raise(by, "withdrawn", r, at)
	return nil
}

// HandOver makes another person the conservator in charge.
type HandOver struct {
	To     domain.ID `json:"to" validate:"required"`
	Reason string    `json:"reason" validate:"required,max=2000"`
}

// HandOver passes the charge of the treatment on. The new person must be an open conservator who has
// not decided on it (T2).
func (t *Treatment) HandOver(by domain.Actor, h HandOver, f Facts, at time.Time) error {
	if err := by.May(Propose); err != nil {
		return err
	}
	if t.State.Closed() {
		return t.refuseState("T8", "handed over", Drafting, Submitted, Approved, UnderWay, Completed)
	}
	if err := t.mayDo(by, "hand it over"); err != nil {
		return err
	}
	to, ok := f.People[h.To]
	if !ok || to.ClosedAt != nil || !slices.Contains(to.Roles, domain.Conservator) {
		return domain.Invalid("/to", "conservator", "This is not a conservator with an open account.")
	}
	w := Who{ID: to.ID, Name: to.Name}
	if err := t.mayHaveDone([]Who{w}); err != nil {
		return err
	}
	t.raise(by, "handed_over", map[string]any{"from": t.InCharge, "to": w, "reason": h.Reason}, at)
	t.InCharge = w
	t.join(who(by), Doing, "handed over the charge", at)
	t.join(w, Doing, "took charge", at)
	return nil
}

func signedStays() error {
	return domain.RefuseState("T8", "This is signed and sealed; nothing in it changes. Write an addendum: it stands beside what it corrects.")
}
