package treatment

import (
	"fmt"
	"time"

	"farthingale/domain"
)

// AmendmentsMost is how many amendments a treatment may have; more make it another treatment.
const AmendmentsMost = 50

// Amendment is a numbered proposal on the same treatment. Its text holds only what changes; earlier
// approvals stay, and work inside them may go on while it is open (T5).
type Amendment struct {
	Number      int        `json:"number"`
	State       State      `json:"state"` // drafting, submitted, approved, declined, withdrawn
	Text        Proposal   `json:"text"`
	CreatedBy   Who        `json:"created_by"`
	CreatedAt   time.Time  `json:"created_at"`
	WithdrawnBy *Signature `json:"withdrawn,omitempty"`
}

// Open says whether the amendment waits for something.
func (a Amendment) Open() bool { return a.State == Drafting || a.State == Submitted }

func (t *Treatment) amendment(number int) (*Amendment, error) {
	for i := range t.Amendments {
		if t.Amendments[i].Number == number {
			return &t.Amendments[i], nil
		}
	}
	return nil, domain.NotFound(fmt.Sprintf("There is no amendment %d on this treatment.", number))
}

// changes says whether an amendment's text changes anything.
func (p Proposal) changes() bool {
	return len(p.Scope) > 0 || p.SafeBecause != "" || p.Final != "" || len(p.Tests) > 0 || p.Sampling != "" || p.Hours != nil || p.Begins != "" || p.Ends != "" ||
		p.Removed != "" || p.Cost != nil || p.Hazards != "" || p.Appearance != "" || p.Handling != "" || p.Display != "" || p.Storage != "" ||
		p.Waste != "" || len(p.Performers) > 0 || len(p.Options) > 0 || len(p.Photographs) > 0
}

// lacks says what an amendment still needs before it can be submitted.
//
// source: AIC Code of Ethics and Guidelines for Practice 1994, guideline 26 (significant revisions
// are approved like the plan).
func (p Proposal) amendmentLacks() []string {
	var lacks []string
	if p.Reasons == "" {
		lacks = append(lacks, "reasons: what was found that the approved proposal did not foresee")
	}
	if !p.changes() {
		lacks = append(lacks, "at least one thing that changes")
	}
	if len(p.Scope) > 0 && p.SafeBecause == "" {
		lacks = append(lacks, "why the materials are safe for what they touch")
	}
	return lacks
}

// mayAmend holds for every act on an amendment of the doing side.
func (t *Treatment) mayAmend(by domain.Actor, act string) error {
	if err := by.May(Propose); err != nil {
		return err
	}
	if t.State == Signed {
		return signedStays()
	}
	if t.State != Approved && t.State != UnderWay {
		return t.refuseState("T5", "amended", Approved, UnderWay)
	}
	if t.Hold == Revoked {
		return domain.RefuseState("T5", "The approval is revoked; there is nothing to amend.")
	}
	return t.mayDo(by, act)
}

// Amend begins an amendment.
func (t *Treatment) Amend(by domain.Actor, p Proposal, f Facts, at time.Time) (*Amendment, error) {
	if err := t.mayAmend(by, "write an amendment"); err != nil {
		return nil, err
	}
	if err := p.check(f); err != nil {
		return nil, err
	}
	if len(t.Amendments) >= AmendmentsMost {
		return nil, domain.RefuseState("T5", fmt.Sprintf("There are %d amendments already. Complete this treatment and propose another.", AmendmentsMost))
	}
	a := Amendment{Number: len(t.Amendments) + 1, State: Drafting, Text: p.tidy(), CreatedBy: who(by), CreatedAt: at}
	t.Amendments = append(t.Amendments, a)
	t.join(who(by), Doing, fmt.Sprintf("wrote amendment %d", a.Number), at)
	t.raise(by, "amendment_drafted", map[string]any{"amendment": a.Number, "title": p.Title}, at)
	return &a, nil
}

// RewriteAmendment changes an amendment's text while it is being drafted.
func (t *Treatment) RewriteAmendment(by domain.Actor, number int, p Proposal, f Facts, at time.Time) error {
	a, err := t.amendment(number)
	if err != nil {
		return err
	}
	if err := t.mayAmend(by, "write an amendment"); err != nil {
		return err
	}
	if a.State != Drafting {
		return domain.RefuseState("T4", fmt.Sprintf("Amendment %d is %s and is not edited.", number, a.State.Words()))
	}
	if err := p.check(f); err != nil {
		return err
	}
	a.Text = p.tidy()
	t.join(who(by), Doing, fmt.Sprintf("wrote amendment %d", number), at)
	t.raise(by, "amendment_rewritten", map[string]any{"amendment": number, "text": p}, at)
	return nil
}

// SubmitAmendment freezes an amendment's text as a version for the curator.
func (t *Treatment) SubmitAmendment(by domain.Actor, number int, f Facts, at time.Time) error {
	a, err := t.amendment(number)
	if err != nil {
		return err
	}
	if err := t.mayAmend(by, "submit an amendment"); err != nil {
		return err
	}
	if a.State != Drafting {
		return domain.RefuseState("T4", fmt.Sprintf("Amendment %d is %s; only a draft can be submitted.", number, a.State.Words()))
	}
	if err := t.mayHaveDone(f.named(a.Text.Performers)); err != nil {
		return err
	}
	if err := a.Text.check(f); err != nil {
		return err
	}
	if lacks := a.Text.amendmentLacks(); len(lacks) > 0 {
		return &domain.Error{Kind: domain.KindRefused, Code: "T4", Message: "A curator decides on a whole text. This amendment is not complete.", Missing: lacks}
	}
	if err := t.freeze(by, number, a.Text, f, at); err != nil {
		return err
	}
	a.State = Submitted
	return nil
}

// TakeBackAmendment returns a submitted amendment to drafting; the submission is void.
func (t *Treatment) TakeBackAmendment(by domain.Actor, number int, r Reason, at time.Time) error {
	a, err := t.amendment(number)
	if err != nil {
		return err
	}
	if err := t.mayAmend(by, "take back an amendment"); err != nil {
		return err
	}
	if a.State != Submitted {
		return domain.RefuseState("T4", fmt.Sprintf("Amendment %d is %s; only a submitted one can be taken back.", number, a.State.Words()))
	}
	if err := t.ownWork(by, "take back an amendment"); err != nil {
		return err
	}
	t.voidLatest(by, number, r.Reason, at)
	a.State = Drafting
	return nil
}

// WithdrawAmendment ends an open amendment; what was approved before stays.
func (t *Treatment) WithdrawAmendment(by domain.Actor, number int, r Reason, at time.Time) error {
	a, err := t.amendment(number)
	if err != nil {
		return err
	}
	if err := by.May(Propose); err != nil {
		return err
	}
	if t.State != Approved && t.State != UnderWay {
		return t.refuseState("T5", "amended", Approved, UnderWay)
	}
	if !a.Open() {
		return domain.RefuseState("T4", fmt.Sprintf("Amendment %d is %s; only an open one can be withdrawn.", number, a.State.Words()))
	}
	if err := t.ownWork(by, "withdraw an amendment"); err != nil {
		return err
	}
	if a.State == Submitted {
		t.voidLatest(by, number, r.Reason, at)
	}
	a.WithdrawnBy, a.State = sign(by, "withdrawn", r.Reason, at), Withdrawn
	t.raise(by, "amendment_withdrawn", map[string]any{"amendment": number, "reason": r.Reason}, at)
	return nil
}
