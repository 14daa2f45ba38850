package loan

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/handling"
)

// MissingForDispatch lists everything that must still be there before the loan may leave (L3), in the
// order in which it is usually done. by is who would hand it over.
func (l *Loan) MissingForDispatch(by domain.Actor, things Things, site domain.Site, at time.Time) []string {
	today := DayOf(at, site.Zone)
	missing := []string{}
	add := func(said ...string) { missing = append(missing, said...) }
	if len(l.Present()) == 0 {
		add("at least one object")
	}
	for _, n := range l.Present() {
		if said := n.unfit(); said != "" {
			add(said)
		}
	}
	for _, d := range l.unapproved() {
		add("the approval of a curator of " + d)
	}
	add(l.unvalued()...)
	add(l.unsigned()...)
	if l.agreementHolds() {
		add(l.last().outdated(l, things)...)
	}
	add(l.uninsured(today)...)
	add(l.unassessedVenues()...)
	add(l.unprepared(today, site)...)
	if l.State != Prepared {
		add("the record that everything is prepared")
	}
	if today < l.From || today > l.Until {
		add("a day of dispatch within the agreed period, " + l.Span.Words())
	}
	for _, n := range l.Present() {
		t := things[n.ObjectID]
		if t == nil {
			continue
		}
		add(n.held(t, site)...)
		add(n.unassessedHazards(t, by, at)...)
	}
	return missing
}

// unprepared says what is missing to call the loan prepared.
func (l *Loan) unprepared(today Day, site domain.Site) []string {
	var missing []string
	for _, n := range l.Present() {
		if said := n.unstated(today, site.OutgoingExaminationDays); said != "" {
			missing = append(missing, said)
		}
	}
	if l.Transport == "" {
		missing = append(missing, "the name of who transports it")
	}
	if l.Courier == "" {
		missing = append(missing, "the name of the courier")
	}
	return missing
}

// held says which stops, other loans and open emergencies keep the line at home.
func (n *Line) held(t *Thing, site domain.Site) []string {
	var missing []string
	err := handling.Refuse(t.Sheet, t.Standing, n.ComponentIDs(), site.Zone)
	if e, ok := err.(*domain.Error); ok {
		missing = append(missing, "the release of a stop. "+e.Message)
	}
	for _, c := range n.Components {
		if !slices.Contains(t.Away, c.ID) {
			missing = append(missing, "the record that "+c.Called+" was taken off, with a place of its own")
		}
	}
	for _, e := range t.Elsewhere {
		if overlap(t.Sheet, n.ComponentIDs(), e.ComponentIDs) {
			missing = append(missing, "the return of "+n.Called()+" from loan "+e.Reference)
		}
	}
	for _, e := range t.Emergencies {
		missing = append(missing, "the ratification of an emergency stabilisation of "+t.Sheet.Object.Number+": "+e)
	}
	return missing
}

// unassessedHazards are the hazards of class S that no competent person has assessed for the
// transport.
func (n *Line) unassessedHazards(t *Thing, by domain.Actor, at time.Time) []string {
	err := handling.Clear(t.Sheet, t.Cautions, n.ComponentIDs(), []domain.ID{by.ID}, at)
	if e, ok := err.(*domain.Error); ok {
		return e.Missing
	}
	return nil
}

// Ready records that everything is prepared: crates, mounts, photographs, what must be said.
func (l *Loan) Ready(by domain.Actor, t Telling, site domain.Site, at time.Time) error {
	if err := by.May(Manage); err != nil {
		return err
	}
	if err := l.in("prepared", Signed); err != nil {
		return err
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	if missing := l.unprepared(DayOf(at, site.Zone), site); len(missing) > 0 {
		return &domain.Error{Kind: domain.KindRefused, Code: "L3", Message: "This loan is not prepared yet.", Missing: missing}
	}
	return l.step(by, Prepared, t, at)
}

// Dispatch lets the loan leave. It is refused with everything that is missing at once (L3).
//
// source: Spectrum 5.0 (Collections Trust 2017), Loans out and Object exit; ICOM Guidelines for Loans,
// 1974; the limit of days is common practice.
func (l *Loan) Dispatch(by domain.Actor, n NewHandOver, things Things, site domain.Site, at time.Time) (*HandOver, error) {
	if err := by.May(Manage); err != nil {
		return nil, err
	}
	if !l.State.Before() {
		return nil, domain.RefuseState("L3", "This loan is "+l.State.Words()+"; it cannot be dispatched.")
	}
	var fields []domain.Field
	if strings.TrimSpace(n.Carrier) == "" {
		fields = append(fields, domain.Field{Pointer: "/carrier", Rule: "required", Message: "Say who carries it."})
	}
	if n.HappenedOn != "" && n.HappenedOn != DayOf(at, site.Zone) {
		fields = append(fields, domain.Field{Pointer: "/happened_on", Rule: "order", Message: "A dispatch is recorded on the day on which it leaves."})
	}
	if err := domain.InvalidFields(fields); err != nil {
		return nil, err
	}
	h, err := l.handOver(by, Dispatched, n, false, site, at)
	if err != nil {
		return nil, err
	}
	if missing := l.MissingForDispatch(by, things, site, at); len(missing) > 0 {
		return nil, &domain.Error{Kind: domain.KindRefused, Code: "L3", Message: "This loan may not leave yet.", Missing: missing}
	}
	authoriser := who(by)
	h.Authoriser, h.Place = &authoriser, site.Name
	l.pass(by, h, at)
	return h, nil
}

// Receive records the arrival at a venue: crates rested, unpacked, everything looked at and compared
// (L4). It follows the dispatch, or the packing at another venue of the loan.
func (l *Loan) Receive(by domain.Actor, n NewHandOver, site domain.Site, at time.Time) (*HandOver, error) {
	if err := by.May(Hand); err != nil {
		return nil, err
	}
	if err := l.in("received", Dispatched, Packing); err != nil {
		return nil, err
	}
	if n.VenueID == nil && len(l.Venues) == 1 {
		n.VenueID = &l.Venues[0].ID
	}
	venue := slices.IndexFunc(l.Venues, func(v Venue) bool { return n.VenueID != nil && v.ID == *n.VenueID })
	if venue < 0 {
		return nil, domain.Invalid("/venue_id", "venue", "Say at which venue of this loan it was received.")
	}
	h, err := l.handOver(by, Received, n, true, site, at)
	if err != nil {
		return nil, err
	}
	h.VenueID, h.Place = n.VenueID, l.Venues[venue].Name
	l.pass(by, h, at)
	return h, nil
}

// Display records the installation at the venue.
func (l *Loan) Display(by domain.Actor, t Telling, at time.Time) error {
	if err := by.May(Hand); err != nil {
		return err
	}
	if err := l.in("put on display", Received); err != nil {
		return err
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	return l.step(by, OnDisplay, t, at)
}

// Pack records the condition at the venue before it is packed for the way back, or onward.
func (l *Loan) Pack(by domain.Actor, n NewHandOver, site domain.Site, at time.Time) (*HandOver, error) {
	if err := by.May(Hand); err != nil {
		return nil, err
	}
	if err := l.in("packed", Received, OnDisplay, Recalled); err != nil {
		return nil, err
	}
	h, err := l.handOver(by, Packing, n, true, site, at)
	if err != nil {
		return nil, err
	}
	h.Place = l.lastPlace()
	l.pass(by, h, at)
	return h, nil
}

// Return records the arrival at home: everything looked at and compared (L4). It leaves the building
// of the venue, so it is for a registrar (V3).
func (l *Loan) Return(by domain.Actor, n NewHandOver, site domain.Site, at time.Time) (*HandOver, error) {
	if err := by.May(Manage); err != nil {
		return nil, err
	}
	if err := l.in("returned", Packing, Recalled); err != nil {
		return nil, err
	}
	h, err := l.handOver(by, Returned, n, true, site, at)
	if err != nil {
		return nil, err
	}
	h.Place = site.Name
	l.pass(by, h, at)
	return h, nil
}

func (l *Loan) lastPlace() string {
	if len(l.HandOvers) == 0 {
		return ""
	}
	return l.HandOvers[len(l.HandOvers)-1].Place
}

// Close ends a loan that is back: costs settled, the file complete.
func (l *Loan) Close(by domain.Actor, t Telling, at time.Time) error {
	if err := by.May(Manage); err != nil {
		return err
	}
	if err := l.in("closed", Returned); err != nil {
		return err
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	return l.step(by, Closed, t, at)
}

// Cancel ends a loan before its dispatch.
func (l *Loan) Cancel(by domain.Actor, t Telling, at time.Time) error {
	if err := l.mayEnd(by); err != nil {
		return err
	}
	if !l.State.Before() {
		return domain.RefuseState("L3", "This loan is "+l.State.Words()+"; only before the dispatch can it be cancelled. Recall it.")
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	return l.step(by, Cancelled, t, at)
}

// Recall calls a loan back that is away.
//
// source: ICOM Guidelines for Loans, 1974: the lender may recall when conditions are not kept.
func (l *Loan) Recall(by domain.Actor, t Telling, at time.Time) error {
	if err := l.mayEnd(by); err != nil {
		return err
	}
	if err := l.in("recalled", Dispatched, Received, OnDisplay, Packing); err != nil {
		return err
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	return l.step(by, Recalled, t, at)
}

// mayEnd lets registrars end a loan, and curators of one of its departments.
func (l *Loan) mayEnd(by domain.Actor) error {
	if err := by.May(End); err != nil {
		return err
	}
	if !by.Has(domain.Registrar) && len(l.Departments) > 0 && !slices.ContainsFunc(l.Departments, by.CuratorOf) {
		return domain.Forbidden("You may not end this loan. Ask a registrar or a curator of " + strings.Join(l.Departments, " or ") + ".")
	}
	return nil
}

// Next says what the loan waits for: the act, who has it, and what it still lacks; and everything that
// its dispatch still lacks. It tells no figures (P3).
type Next struct {
	Act         string   `json:"act"` // "be approved in principle"; empty: nothing can follow
	Who         string   `json:"who"`
	Missing     []string `json:"missing"`
	ForDispatch []string `json:"for_dispatch"`
}

// Next is what the loan waits for. by is who looks.
func (l *Loan) Next(by domain.Actor, things Things, site domain.Site, at time.Time) Next {
	n := Next{Missing: []string{}, ForDispatch: []string{}}
	if l.State.Before() {
		n.ForDispatch = l.MissingForDispatch(by, things, site, at)
	}
	switch l.State {
	case Requested, Assessing:
		n.Act, n.Who = "be approved in principle", "a curator"
		if open := l.unapproved(); len(open) > 0 {
			n.Who = "a curator of " + strings.Join(open, " and a curator of ")
		}
		if len(l.Present()) == 0 {
			n.Missing = append(n.Missing, "at least one object")
		}
		for _, line := range l.Present() {
			if said := line.unfit(); said != "" {
				n.Missing = append(n.Missing, said)
			}
		}
	case Agreed:
		n.Act, n.Who, n.Missing = "have its agreement issued", "a registrar", append(n.Missing, l.unvalued()...)
	case Issued:
		n.Act, n.Who, n.Missing = "be signed by both sides", "a registrar or a curator, and the borrower", append(n.Missing, l.unsigned()...)
	case Signed:
		n.Act, n.Who, n.Missing = "be prepared", "a registrar", append(n.Missing, l.unprepared(DayOf(at, site.Zone), site)...)
	case Prepared:
		n.Act, n.Who, n.Missing = "be dispatched", "a registrar", n.ForDispatch
	case Dispatched:
		n.Act, n.Who = "be received at the venue", "a registrar or a conservator"
	case Received:
		n.Act, n.Who = "be put on display", "a registrar or a conservator"
	case OnDisplay:
		n.Act, n.Who = "be packed for the way back", "a registrar or a conservator"
	case Packing:
		n.Act, n.Who = "return", "a registrar"
	case Recalled:
		n.Act, n.Who = "be packed and return", "a registrar or a conservator"
	case Returned:
		n.Act, n.Who = "be closed", "a registrar"
	}
	return n
}
