package treatment

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Outcome is what a curator decides.
type Outcome string

// The outcomes. The first four answer a submitted version (T3); the last three are later decisions
// of their own on an approved treatment: an approval is never edited.
const (
	Approve               Outcome = "approve"
	ApproveWithConditions Outcome = "approve_with_conditions"
	AskForChanges         Outcome = "ask_for_changes"
	Decline               Outcome = "decline"
	Suspend               Outcome = "suspend"
	Resume                Outcome = "resume" // ends a suspension, or sets a failed condition aside
	Revoke                Outcome = "revoke"
)

// Outcomes answer a submitted version; LaterOutcomes follow an approval.
var (
	Outcomes      = []Outcome{Approve, ApproveWithConditions, AskForChanges, Decline}
	LaterOutcomes = []Outcome{Suspend, Resume, Revoke}
)

var outcomeWords = map[Outcome]string{
	Approve: "approved", ApproveWithConditions: "approved with conditions", AskForChanges: "changes asked for", Decline: "declined",
	Suspend: "suspended", Resume: "resumed", Revoke: "approval revoked",
}

// Words is the outcome as it is told: 'approved with conditions' is never plain 'approved' (T3).
func (o Outcome) Words() string { return outcomeWords[o] }

// Binds says when a condition binds.
type Binds string

// When conditions bind.
const (
	BeforeStart  Binds = "before_start"
	During       Binds = "during"
	AtCompletion Binds = "at_completion"
)

// Bindings lists them in their order in time.
var Bindings = []Binds{BeforeStart, During, AtCompletion}

// NewDecision decides on exactly one version (T4).
type NewDecision struct {
	Version      int            `json:"version_number" validate:"required,min=1,max=100000"` // of the text that was read
	Outcome      Outcome        `json:"outcome" validate:"required,oneof=approve approve_with_conditions ask_for_changes decline suspend resume revoke"`
	Statement    string         `json:"statement" validate:"required,max=10000"`
	OwnerConsent string         `json:"owner_consent" validate:"max=2000"` // for objects of others: who consented in writing, when, where it is kept
	Conditions   []NewCondition `json:"conditions" validate:"max=30,dive"`
}

// NewCondition is a condition with the time when it binds.
type NewCondition struct {
	Binds Binds  `json:"binds" validate:"required,oneof=before_start during at_completion"`
	Text  string `json:"text" validate:"required,max=2000"`
}

// Decision is what was decided on which text, by whom. It is sealed and never changes.
type Decision struct {
	ID            domain.ID `json:"id"`
	Amendment     int       `json:"amendment"` // 0: the proposal
	VersionNumber int       `json:"version_number"`
	SHA256        string    `json:"sha256"` // of the text decided on
	Outcome       Outcome   `json:"outcome"`
	OwnerConsent  string    `json:"owner_consent"`
	Signature     Signature `json:"signature"`
}

// Approves says whether the decision opens a scope.
func (d Decision) Approves() bool { return d.Outcome == Approve || d.Outcome == ApproveWithConditions }

// Condition is a numbered condition of a decision. Acknowledging is not fulfilling (T3).
type Condition struct {
	ID           domain.ID   `json:"id"`
	DecisionID   domain.ID   `json:"decision_id"`
	Amendment    int         `json:"amendment"`
	Number       int         `json:"number"` // 1, 2, 3 … within the treatment
	Binds        Binds       `json:"binds"`
	Text         string      `json:"text"`
	Acknowledged *Signature  `json:"acknowledged,omitempty"`
	Fulfilment   *Fulfilment `json:"fulfilment,omitempty"`   // of a condition before start
	SetAsideBy   *domain.ID  `json:"set_aside_by,omitempty"` // the later decision that replaced a failed one
}

// Fulfilment says how a condition before start turned out.
type Fulfilment struct {
	Fulfilled bool      `json:"fulfilled"`
	Signature Signature `json:"signature"` // the statement says how
}

// Called names a condition with its text.
func (c Condition) Called() string {
	return fmt.Sprintf("condition %d (%s): %s", c.Number, strings.ReplaceAll(string(c.Binds), "_", " "), c.Text)
}

// Decide decides on the submitted version of the proposal (amendment 0) or of an amendment, or takes
// a later decision on an approved treatment (T2–T4).
func (t *Treatment) Decide(by domain.Actor, amendment int, d NewDecision, f Facts, at time.Time) (*Decision, error) {
	if err := by.May(Judge); err != nil {
		return nil, err
	}
	later := slices.Contains(LaterOutcomes, d.Outcome)
	state := &t.State
	if amendment != 0 {
		a, err := t.amendment(amendment)
		if err != nil {
			return nil, err
		}
		if later {
			return nil, domain.Invalid("/outcome", "outcome", "Work is suspended, resumed or revoked on the whole treatment, not on an amendment.")
		}
		if t.State != Approved && t.State != UnderWay {
			return nil, t.refuseState("T4", "amended", Approved, UnderWay)
		}
		state = &a.State
	}
	v := t.latest(amendment)
	switch {
	case later && t.State != Approved && t.State != UnderWay:
		return nil, t.refuseState("T4", "suspended, resumed or revoked", Approved, UnderWay)
	case !later && *state != Submitted:
		return nil, domain.RefuseState("T4", "Only a submitted text can be decided on; this one is "+state.Words()+".")
	case v.Number != d.Version:
		return nil, domain.RefuseState("T4", fmt.Sprintf("You read version %d; the text to decide on is version %d. Read it first.", d.Version, v.Number))
	}
	if err := t.MayDecide(by, f.Curators); err != nil {
		return nil, err
	}
	if err := t.fits(d, f.Sheet.Object.LegalStatus); err != nil {
		return nil, err
	}
	made := Decision{ID: domain.NewID(), Amendment: amendment, VersionNumber: v.Number, SHA256: v.SHA256, Outcome: d.Outcome,
		OwnerConsent: d.OwnerConsent, Signature: *sign(by, string(d.Outcome), d.Statement, at)}
	switch d.Outcome {
	case Approve, ApproveWithConditions:
		*state = Approved
		if amendment == 0 {
			ends := TermEnds(at, f.Site)
			t.ApprovedAt, t.TermEndsAt = &at, &ends
		}
	case AskForChanges:
		*state = Drafting
	case Decline:
		*state = Declined
	case Suspend:
		t.Hold = Suspended
	case Revoke:
		t.Hold = Revoked
	case Resume:
		t.Hold = NoHold
		for i := range t.Conditions {
			if c := &t.Conditions[i]; c.Fulfilment != nil && !c.Fulfilment.Fulfilled && c.SetAsideBy == nil {
				c.SetAsideBy = &made.ID
			}
		}
	}
	for _, c := range d.Conditions {
		t.Conditions = append(t.Conditions, Condition{ID: domain.NewID(), DecisionID: made.ID, Amendment: amendment, Number: len(t.Conditions) + 1, Binds: c.Binds, Text: c.Text})
	}
	t.Decisions = append(t.Decisions, made)
	t.join(who(by), Deciding, "decided", at)
	t.raise(by, "decided", map[string]any{"decision": made, "conditions": d.Conditions}, at)
	return &made, nil
}

// fits refuses a decision whose parts contradict each other.
func (t *Treatment) fits(d NewDecision, status collection.LegalStatus) error {
	approves := d.Outcome == Approve || d.Outcome == ApproveWithConditions
	switch {
	case d.Outcome == ApproveWithConditions && len(d.Conditions) == 0:
		return domain.Invalid("/conditions", "required", "Say at least one condition, or approve without conditions.")
	case len(d.Conditions) > 0 && d.Outcome != ApproveWithConditions && d.Outcome != Resume:
		return domain.Invalid("/conditions", "outcome", "Only an approval with conditions, or a resumption, carries conditions.")
	case approves && d.OwnerConsent == "" && (status == collection.LoanToUs || status == collection.Deposit):
		return domain.Invalid("/owner_consent", "required", "The object is not the museum's own: say who consented for the owner, in writing, and when.")
	case d.Outcome == Resume && t.Hold == Revoked:
		return domain.RefuseState("T3", "The approval is revoked; work needs a new treatment with a new approval.")
	case d.Outcome == Resume && t.Hold == NoHold && !t.anyFailed():
		return domain.RefuseState("T3", "The work is not stopped; there is nothing to resume.")
	case (d.Outcome == Suspend || d.Outcome == Revoke) && t.Hold == Revoked, d.Outcome == Suspend && t.Hold == Suspended:
		return domain.RefuseState("T3", "The work is stopped already.")
	}
	return nil
}

func (t *Treatment) anyFailed() bool {
	return slices.ContainsFunc(t.Conditions, Condition.stops)
}

// stops says whether the condition has failed and no later decision has set it aside.
func (c Condition) stops() bool {
	return c.Fulfilment != nil && !c.Fulfilment.Fulfilled && c.SetAsideBy == nil
}

// pending lists what still stands before the work that the proposal (0) or an amendment approves:
// failed conditions, and conditions not acknowledged or, before start, not yet fulfilled.
func (t *Treatment) pending(amendment int) (failed, open []string) {
	for _, c := range t.Conditions {
		switch {
		case c.Amendment != amendment || c.SetAsideBy != nil:
		case c.stops():
			failed = append(failed, c.Called())
		case c.Acknowledged == nil:
			open = append(open, "acknowledge "+c.Called())
		case c.Binds == BeforeStart && c.Fulfilment == nil:
			open = append(open, "record how it went with "+c.Called())
		}
	}
	return failed, open
}

func (t *Treatment) condition(id domain.ID, pointer string) (*Condition, error) {
	for i := range t.Conditions {
		if t.Conditions[i].ID == id {
			return &t.Conditions[i], nil
		}
	}
	return nil, domain.Invalid(pointer, "condition", "There is no such condition on this treatment.")
}

// Acknowledgement says that conditions were read and understood, one by one.
type Acknowledgement struct {
	Conditions []domain.ID `json:"conditions" validate:"required,min=1,max=100,unique"`
}

// Acknowledge is the conservator in charge taking note of conditions (T3).
func (t *Treatment) Acknowledge(by domain.Actor, a Acknowledgement, at time.Time) error {
	if err := by.May(Propose); err != nil {
		return err
	}
	if t.State != Approved && t.State != UnderWay {
		return t.refuseState("T3", "acknowledged", Approved, UnderWay)
	}
	if err := t.chargeOf(by, "T3", "acknowledge its conditions"); err != nil {
		return err
	}
	for i, id := range a.Conditions {
		c, err := t.condition(id, fmt.Sprintf("/conditions/%d", i))
		if err != nil {
			return err
		}
		if c.Acknowledged == nil {
			c.Acknowledged = sign(by, "acknowledge", "", at)
		}
	}
	t.raise(by, "acknowledged", a, at)
	return nil
}

// chargeOf refuses everybody but the conservator in charge.
func (t *Treatment) chargeOf(by domain.Actor, rule, act string) error {
	if err := t.mayDo(by, act); err != nil {
		return err
	}
	if by.ID != t.InCharge.ID {
		return domain.Refuse(rule, "Only the conservator in charge, "+t.InCharge.Name+", may "+act+". The charge can be handed over.")
	}
	return nil
}

// NewFulfilment says how a condition before start turned out.
type NewFulfilment struct {
	ConditionID domain.ID `json:"condition_id" validate:"required"`
	Outcome     string    `json:"outcome" validate:"required,oneof=fulfilled failed"`
	Statement   string    `json:"statement" validate:"required,max=4000"` // what was done and found
}

// Fulfil records how a condition before start turned out. A failed one stops the work until a new
// decision (T3).
func (t *Treatment) Fulfil(by domain.Actor, n NewFulfilment, at time.Time) error {
	if err := by.May(Propose); err != nil {
		return err
	}
	if t.State != Approved && t.State != UnderWay {
		return t.refuseState("T3", "prepared", Approved, UnderWay)
	}
	if err := t.chargeOf(by, "T3", "say how its conditions turned out"); err != nil {
		return err
	}
	c, err := t.condition(n.ConditionID, "/condition_id")
	switch {
	case err != nil:
		return err
	case c.Binds != BeforeStart:
		return domain.Invalid("/condition_id", "binds", "Only a condition before start is fulfilled beforehand; this one is answered in the completion.")
	case c.Fulfilment != nil:
		return domain.RefuseState("T3", "It is recorded already how this condition turned out. A failed one is set aside only by a new decision.")
	}
	c.Fulfilment = &Fulfilment{Fulfilled: n.Outcome == "fulfilled", Signature: *sign(by, n.Outcome, n.Statement, at)}
	t.raise(by, "condition_"+n.Outcome, n, at)
	return nil
}
