package loan

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/record"
)

// Neighbours are the areas that a loan asks and tells.
type Neighbours struct {
	Stops        Stops
	Emergencies  Emergencies
	Away         Away
	Moves        Moves
	Notices      Notices
	Seals        Seals
	Examinations Examinations
	Incidents    Incidents
}

// Service manages loans.
type Service struct {
	store Store
	Neighbours
	usual  []material.Caution
	atomic domain.Atomic
	site   domain.Site
	now    func() time.Time
}

// NewService makes the service; usual is material.Cautions, now is the clock.
func NewService(store Store, n Neighbours, usual []material.Caution, atomic domain.Atomic, site domain.Site, now func() time.Time) *Service {
	return &Service{store: store, Neighbours: n, usual: usual, atomic: atomic, site: site,
		now: func() time.Time { return utc(now()) }}
}

// examined reads the examinations that concern a loan; at a hand-over each line's is compared with the one before it
// (L4).
func (s *Service) examined(ctx context.Context, by domain.Actor, l *Loan, stage State) error {
	var ids []domain.ID
	for _, n := range l.Present() {
		ids = append(ids, n.ObjectID)
	}
	var err error
	if l.Examined, err = s.Examinations.Examined(ctx, l.ID, ids); err != nil {
		return err
	}
	var made []*Examined
	for _, n := range l.Present() {
		if e := l.atHandOver(n, stage); e != nil && !slices.Contains(made, e) {
			made = append(made, e)
		}
	}
	return s.Examinations.Compare(ctx, by, made)
}

// Outgoing lists the signed examinations that may be named as the outgoing condition of a line, the latest first (L3).
func (s *Service) Outgoing(ctx context.Context, by domain.Actor, l *Loan, lineID domain.ID) ([]Examined, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	n := l.Line(lineID)
	if n == nil {
		return nil, domain.NotFound("There is no such line.")
	}
	all, err := s.Examinations.Examined(ctx, l.ID, []domain.ID{n.ObjectID})
	return slices.DeleteFunc(all, func(e Examined) bool { return e.ObjectID != n.ObjectID || e.Occasion != OutgoingOccasion }), err
}

// things reads what must be known of the objects of a loan, in a number of queries that does not
// depend on how many there are.
func (s *Service) things(ctx context.Context, l *Loan) (Things, error) {
	var ids []domain.ID
	for _, n := range l.Present() {
		if !slices.Contains(ids, n.ObjectID) {
			ids = append(ids, n.ObjectID)
		}
	}
	if len(ids) == 0 {
		return Things{}, nil
	}
	sheets, err := s.store.Sheets(ctx, ids)
	if err != nil {
		return nil, err
	}
	made, assessed, err := s.store.Hazards(ctx, ids)
	if err != nil {
		return nil, err
	}
	standing, err := s.Stops.Standing(ctx, ids...)
	if err != nil {
		return nil, fmt.Errorf("stops: %w", err)
	}
	emergencies, err := s.Emergencies.OpenEmergencies(ctx, ids...)
	if err != nil {
		return nil, fmt.Errorf("open emergencies: %w", err)
	}
	away, err := s.Away.PartsAwayOf(ctx, ids...)
	if err != nil {
		return nil, fmt.Errorf("parts away: %w", err)
	}
	elsewhere, err := s.store.Elsewhere(ctx, l.ID, ids)
	if err != nil {
		return nil, err
	}
	all := Things{}
	for id, sheet := range sheets {
		t := &Thing{Sheet: sheet, Elsewhere: elsewhere[id], Emergencies: emergencies[id], Cautions: handling.Dangers(sheet, made[id], s.usual)}
		for _, c := range sheet.Components {
			if slices.Contains(away[id], "."+c.Label) {
				t.Away = append(t.Away, c.ID)
			}
		}
		for i := range t.Cautions {
			c := &t.Cautions[i]
			for _, a := range assessed[id] {
				if a.Kind == c.Kind && (a.ComponentID == nil || c.ComponentID != nil && *a.ComponentID == *c.ComponentID) {
					c.Assessments = append(c.Assessments, a)
				}
			}
		}
		for _, stop := range standing {
			if stop.ObjectID == id {
				t.Standing = append(t.Standing, stop)
			}
		}
		all[id] = t
	}
	return all, nil
}

// Create opens a loan.
func (s *Service) Create(ctx context.Context, by domain.Actor, f Facts) (*Loan, error) {
	at := s.now()
	l, err := New(by, f, s.site, at)
	if err != nil {
		return nil, err
	}
	if err := s.store.Add(ctx, l, at.In(s.site.Zone).Year()); err != nil {
		return nil, err
	}
	return s.One(ctx, by, l.ID)
}

// change runs a rule on a loan under lock, seals what it added, opens incidents for what was found, and shows the loan
// to the actor.
func (s *Service) change(ctx context.Context, by domain.Actor, act domain.Act, id domain.ID, version int64, rule func(ctx context.Context, l *Loan, at time.Time) error) (*Loan, error) {
	if err := by.May(act); err != nil {
		return nil, err
	}
	at := s.now()
	var l *Loan
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		var err error
		if l, err = s.store.Update(ctx, id, version, func(ctx context.Context, l *Loan) error { return rule(ctx, l, at) }); err != nil {
			return err
		}
		if err := s.seal(ctx, by, l, at); err != nil {
			return err
		}
		return s.openIncidents(ctx, by, l)
	})
	if err != nil {
		return nil, err
	}
	return l.Seen(by), nil
}

// owned is change for something that belongs to a loan; version is the loan's.
func (s *Service) owned(ctx context.Context, by domain.Actor, act domain.Act, of Owned, id domain.ID, version int64, rule func(ctx context.Context, l *Loan, at time.Time) error) (*Loan, error) {
	if err := by.May(act); err != nil {
		return nil, err
	}
	loanID, err := s.store.Owner(ctx, of, id)
	if err != nil {
		return nil, err
	}
	return s.change(ctx, by, act, loanID, version, rule)
}

// Change sets the facts of a loan.
func (s *Service) Change(ctx context.Context, by domain.Actor, id domain.ID, version int64, f Facts) (*Loan, error) {
	return s.change(ctx, by, Manage, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Change(by, f, s.site, at) })
}

// AddLine puts an object or parts of one on a loan.
func (s *Service) AddLine(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewLine) (*Loan, *Line, error) {
	if err := by.May(Manage); err != nil {
		return nil, nil, err
	}
	objectID, err := s.object(ctx, n.ObjectNumber)
	if err != nil {
		return nil, nil, err
	}
	var added domain.ID
	l, err := s.change(ctx, by, Manage, id, version, func(ctx context.Context, l *Loan, at time.Time) error {
		sheets, err := s.store.Sheets(ctx, []domain.ID{objectID})
		if err != nil {
			return err
		}
		if sheets[objectID] == nil {
			return domain.NotFound("There is no such object.")
		}
		line, err := l.AddLine(by, n, sheets[objectID], at)
		if err != nil {
			return err
		}
		added = line.ID
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	return l, l.Line(added), nil
}

func (s *Service) object(ctx context.Context, number string) (domain.ID, error) {
	n, err := collection.ParseNumber(number)
	if err == nil {
		var id domain.ID
		if id, err = s.store.ObjectID(ctx, n); err == nil {
			return id, nil
		}
	}
	if k := domain.KindOf(err); k == domain.KindNotFound || k == domain.KindInvalid {
		return domain.ID{}, domain.Invalid("/object_number", "object", "No object has this number.")
	}
	return domain.ID{}, err
}

// Candidate is the make-up of an object that may be put on a loan, to choose parts from, with the
// parts that are not with it.
func (s *Service) Candidate(ctx context.Context, by domain.Actor, number string) (*Thing, error) {
	if err := by.May(Manage); err != nil {
		return nil, err
	}
	id, err := s.object(ctx, number)
	if err != nil {
		return nil, err
	}
	things, err := s.things(ctx, &Loan{Lines: []Line{{ObjectID: id}}})
	if err != nil {
		return nil, err
	}
	return things[id], nil
}

// SetConditions says how the borrower treats what is on a line.
func (s *Service) SetConditions(ctx context.Context, by domain.Actor, lineID domain.ID, version int64, c Conditions) (*Loan, error) {
	return s.owned(ctx, by, Prepare, OwnedLine, lineID, version, func(_ context.Context, l *Loan, at time.Time) error {
		return l.SetConditions(by, lineID, c, at)
	})
}

// SetValue says what a line is insured for.
func (s *Service) SetValue(ctx context.Context, by domain.Actor, lineID domain.ID, version int64, v Valuation) (*Loan, error) {
	return s.owned(ctx, by, Value, OwnedLine, lineID, version, func(_ context.Context, l *Loan, at time.Time) error { return l.SetValue(by, lineID, v, at) })
}

// WithdrawLine takes a line out of a loan.
func (s *Service) WithdrawLine(ctx context.Context, by domain.Actor, lineID domain.ID, version int64, t Telling) (*Loan, error) {
	return s.owned(ctx, by, Manage, OwnedLine, lineID, version, func(_ context.Context, l *Loan, at time.Time) error {
		return l.WithdrawLine(by, lineID, t, at)
	})
}

// Assess says whether what is on a line is fit to travel (L2).
func (s *Service) Assess(ctx context.Context, by domain.Actor, lineID domain.ID, version int64, n NewAssessment) (*Loan, error) {
	return s.owned(ctx, by, Assess, OwnedLine, lineID, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Assess(by, lineID, n, at) })
}

// Consent lets the head of the department lend what was found not fit (L2).
func (s *Service) Consent(ctx context.Context, by domain.Actor, lineID domain.ID, version int64, n NewConsent) (*Loan, error) {
	return s.owned(ctx, by, Decide, OwnedLine, lineID, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Consent(by, lineID, n, at) })
}

// StateCondition signs the outgoing condition of a line (L3).
func (s *Service) StateCondition(ctx context.Context, by domain.Actor, lineID domain.ID, version int64, n NewStatement) (*Loan, error) {
	return s.owned(ctx, by, Assess, OwnedLine, lineID, version, func(ctx context.Context, l *Loan, at time.Time) error {
		if err := s.examined(ctx, by, l, ""); err != nil {
			return err
		}
		return l.StateCondition(by, lineID, n, at)
	})
}

// AddAddendum corrects a condition statement.
func (s *Service) AddAddendum(ctx context.Context, by domain.Actor, statementID domain.ID, version int64, n NewAddendum) (*Loan, error) {
	return s.owned(ctx, by, Assess, OwnedStatement, statementID, version, func(_ context.Context, l *Loan, at time.Time) error {
		return l.AddAddendum(by, statementID, n, at)
	})
}

// Approve agrees to a loan in principle (L2).
func (s *Service) Approve(ctx context.Context, by domain.Actor, id domain.ID, version int64, t Telling) (*Loan, error) {
	return s.change(ctx, by, Decide, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Approve(by, t, at) })
}

// Decline refuses a request.
func (s *Service) Decline(ctx context.Context, by domain.Actor, id domain.ID, version int64, t Telling) (*Loan, error) {
	return s.change(ctx, by, Decide, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Decline(by, t, at) })
}

// Issue freezes the loan as the next version of the agreement.
func (s *Service) Issue(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*Loan, error) {
	return s.change(ctx, by, Manage, id, version, func(ctx context.Context, l *Loan, at time.Time) error {
		things, err := s.things(ctx, l)
		if err != nil {
			return err
		}
		return l.Issue(by, things, s.site, at)
	})
}

// Sign signs a version of the agreement, or records the borrower's signature.
func (s *Service) Sign(ctx context.Context, by domain.Actor, id domain.ID, version int64, number int, n NewSignature) (*Loan, error) {
	return s.change(ctx, by, Sign, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Sign(by, number, n, s.site, at) })
}

// AssessFacilities records how a venue meets what the objects need (L3).
func (s *Service) AssessFacilities(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewFacilities) (*Loan, error) {
	return s.change(ctx, by, Assess, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.AssessFacilities(by, n, s.site, at) })
}

// Insure enters a certificate of insurance or indemnity.
func (s *Service) Insure(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewInsurance) (*Loan, error) {
	return s.change(ctx, by, Manage, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Insure(by, n, at) })
}

// WithdrawInsurance takes back a certificate.
func (s *Service) WithdrawInsurance(ctx context.Context, by domain.Actor, insuranceID domain.ID, version int64, t Telling) (*Loan, error) {
	return s.owned(ctx, by, Manage, OwnedInsurance, insuranceID, version, func(_ context.Context, l *Loan, at time.Time) error {
		return l.WithdrawInsurance(by, insuranceID, t, at)
	})
}

// Ready records that everything is prepared.
func (s *Service) Ready(ctx context.Context, by domain.Actor, id domain.ID, version int64, t Telling) (*Loan, error) {
	return s.change(ctx, by, Manage, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Ready(by, t, s.site, at) })
}

// Dispatch lets a loan leave (L3): the hand-over is the record of exit, and everything on the loan is
// in transit from now on.
func (s *Service) Dispatch(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewHandOver) (*Loan, error) {
	return s.change(ctx, by, Manage, id, version, func(ctx context.Context, l *Loan, at time.Time) error {
		if err := s.hold(ctx, l); err != nil {
			return err
		}
		things, err := s.things(ctx, l)
		if err != nil {
			return err
		}
		h, err := l.Dispatch(by, n, things, s.site, at)
		if err != nil {
			return err
		}
		if n.PlaceID == nil {
			return domain.Invalid("/place_id", "required", "Say to which place the objects are on their way.")
		}
		if err := s.tell(ctx, l, h); err != nil {
			return err
		}
		return s.Moves.Carry(ctx, by, l.items(), *n.PlaceID, h.Carrier, "Loan "+l.Reference+" to "+l.Borrower.Name, l.Until)
	})
}

// hold keeps stops from being raised on what is lent until the act is done. The stops that stand are
// listed with everything else that is missing.
func (s *Service) hold(ctx context.Context, l *Loan) error {
	lines := l.Present()
	slices.SortFunc(lines, func(a, b *Line) int { return bytes.Compare(a.ObjectID[:], b.ObjectID[:]) }) // one order for all: no deadlock
	for _, n := range lines {
		err := s.Stops.Refusal(ctx, n.ObjectID, n.ComponentIDs())
		var refused *domain.Error
		if err != nil && (!errors.As(err, &refused) || refused.Code != "H3") {
			return err
		}
	}
	return nil
}

// items are what moves with the loan.
func (l *Loan) items() []Item {
	var all []Item
	for _, n := range l.Present() {
		if len(n.Components) == 0 {
			all = append(all, Item{ObjectID: n.ObjectID})
		}
		for _, c := range n.Components {
			all = append(all, Item{ObjectID: n.ObjectID, ComponentID: &c.ID})
		}
	}
	return all
}

func (s *Service) tell(ctx context.Context, l *Loan, h *HandOver) error {
	for _, n := range l.Notices(h) {
		if err := s.Notices.Notify(ctx, n); err != nil {
			return err
		}
	}
	return nil
}

// openIncidents opens incidents for what the hand-over that was added found new or worse (L4).
func (s *Service) openIncidents(ctx context.Context, by domain.Actor, l *Loan) error {
	for i := range l.Added.HandOvers {
		h := &l.Added.HandOvers[i]
		if found := h.incidents(); len(found) > 0 {
			if err := s.Incidents.Open(ctx, by, l, h, found); err != nil {
				return err
			}
		}
	}
	return nil
}

// arrive moves what is lent to a place, which must be named.
func (s *Service) arrive(ctx context.Context, by domain.Actor, l *Loan, h *HandOver, n NewHandOver, back Day) error {
	if n.PlaceID == nil {
		return domain.Invalid("/place_id", "required", "Say in which place the objects stand now.")
	}
	if err := s.tell(ctx, l, h); err != nil {
		return err
	}
	return s.Moves.Carry(ctx, by, l.items(), *n.PlaceID, "", "Loan "+l.Reference+", "+string(h.Stage)+" at "+h.Place, back)
}

// Receive records the arrival at a venue.
func (s *Service) Receive(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewHandOver) (*Loan, error) {
	return s.change(ctx, by, Hand, id, version, func(ctx context.Context, l *Loan, at time.Time) error {
		if err := s.examined(ctx, by, l, Received); err != nil {
			return err
		}
		h, err := l.Receive(by, n, s.site, at)
		if err != nil {
			return err
		}
		return s.arrive(ctx, by, l, h, n, l.Until)
	})
}

// Display records the installation at a venue.
func (s *Service) Display(ctx context.Context, by domain.Actor, id domain.ID, version int64, t Telling) (*Loan, error) {
	return s.change(ctx, by, Hand, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Display(by, t, at) })
}

// Pack records the condition before the way back.
func (s *Service) Pack(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewHandOver) (*Loan, error) {
	return s.change(ctx, by, Hand, id, version, func(ctx context.Context, l *Loan, at time.Time) error {
		if err := s.examined(ctx, by, l, Packing); err != nil {
			return err
		}
		h, err := l.Pack(by, n, s.site, at)
		if err != nil {
			return err
		}
		return s.tell(ctx, l, h)
	})
}

// Return records the arrival at home.
func (s *Service) Return(ctx context.Context, by domain.Actor, id domain.ID, version int64, n NewHandOver) (*Loan, error) {
	return s.change(ctx, by, Manage, id, version, func(ctx context.Context, l *Loan, at time.Time) error {
		if err := s.examined(ctx, by, l, Returned); err != nil {
			return err
		}
		h, err := l.Return(by, n, s.site, at)
		if err != nil {
			return err
		}
		return s.arrive(ctx, by, l, h, n, "")
	})
}

// Close ends a loan that is back.
func (s *Service) Close(ctx context.Context, by domain.Actor, id domain.ID, version int64, t Telling) (*Loan, error) {
	return s.change(ctx, by, Manage, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Close(by, t, at) })
}

// Cancel ends a loan before its dispatch.
func (s *Service) Cancel(ctx context.Context, by domain.Actor, id domain.ID, version int64, t Telling) (*Loan, error) {
	return s.change(ctx, by, End, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Cancel(by, t, at) })
}

// Recall calls a loan back.
func (s *Service) Recall(ctx context.Context, by domain.Actor, id domain.ID, version int64, t Telling) (*Loan, error) {
	return s.change(ctx, by, End, id, version, func(_ context.Context, l *Loan, at time.Time) error { return l.Recall(by, t, at) })
}

// One is a loan as the actor may see it.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Loan, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	l, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	return l.Seen(by), nil
}

// Find is the loan under an address of the pages: its reference, or its ID.
func (s *Service) Find(ctx context.Context, by domain.Actor, name string) (domain.ID, error) {
	if err := by.May(Read); err != nil {
		return domain.ID{}, err
	}
	if id, err := domain.ParseID(name); err == nil {
		return id, nil
	}
	return s.store.ByReference(ctx, name)
}

// OfLine is the loan of a line, as the actor may see it.
func (s *Service) OfLine(ctx context.Context, by domain.Actor, lineID domain.ID) (*Loan, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	id, err := s.store.Owner(ctx, OwnedLine, lineID)
	if err != nil {
		return nil, err
	}
	return s.One(ctx, by, id)
}

// Show is a loan with what it waits for.
func (s *Service) Show(ctx context.Context, by domain.Actor, id domain.ID) (*Loan, Next, error) {
	if err := by.May(Read); err != nil {
		return nil, Next{}, err
	}
	l, err := s.store.One(ctx, id)
	if err != nil {
		return nil, Next{}, err
	}
	things := Things{}
	if l.State.Before() {
		if things, err = s.things(ctx, l); err != nil {
			return nil, Next{}, err
		}
	}
	return l.Seen(by), l.Next(by, things, s.site, s.now()), nil
}

// List lists loans, the latest first.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Summary], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Summary]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Summary]{}, err
	}
	return s.store.List(ctx, f, q)
}

// Paper is a version of an agreement as a reader may see it, with what proves it.
type Paper struct {
	Content    Content
	Signatures []Signature
	Draft      bool   // not issued: it binds nobody
	Holds      bool   // the version in force
	SHA256     string // of the sealed version; empty for a draft
	Seal       *record.Seal
	Head       record.Head
}

// Paper is a version of the agreement; number 0 is the latest, or a draft where none was issued.
func (s *Service) Paper(ctx context.Context, by domain.Actor, id domain.ID, number int) (*Paper, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	l, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	head, err := s.Seals.Head(ctx)
	if err != nil {
		return nil, err
	}
	switch {
	case number == 0 && len(l.Agreements) == 0:
		things, err := s.things(ctx, l)
		if err != nil {
			return nil, err
		}
		return &Paper{Content: l.Draft(by, things, s.site, s.now()).For(by), Draft: true, Head: head}, nil
	case number == 0:
		number = len(l.Agreements)
	case number < 0 || number > len(l.Agreements):
		return nil, domain.NotFound("No agreement with this number was issued.")
	}
	a := l.Agreements[number-1]
	seals, err := s.Seals.Of(ctx, a.ID)
	if err != nil {
		return nil, err
	}
	p := &Paper{Content: a.Content.For(by), Signatures: a.Signatures, Holds: a.Holds, SHA256: a.SHA256, Head: head}
	if len(seals) > 0 {
		p.Seal = &seals[0]
	}
	return p, nil
}
