package loan

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/record"
)

// State is where a loan stands.
type State string

// The states, in the order in which a loan passes them; then the side exits.
const (
	Requested  State = "request"
	Assessing  State = "assessing"
	Agreed     State = "agreed_in_principle"
	Issued     State = "agreement_issued"
	Signed     State = "agreement_signed"
	Prepared   State = "prepared"
	Dispatched State = "dispatched"
	Received   State = "received"
	OnDisplay  State = "on_display"
	Packing    State = "packing"
	Returned   State = "returned"
	Closed     State = "closed"
	Declined   State = "declined"
	Cancelled  State = "cancelled" // before dispatch
	Recalled   State = "recalled"  // after dispatch: it is on its way back, or soon
)

// Stages lists the states of a loan that goes well, in order.
var Stages = []State{Requested, Assessing, Agreed, Issued, Signed, Prepared, Dispatched, Received, OnDisplay, Packing, Returned, Closed}

// States lists every state.
var States = append(slices.Clone(Stages), Declined, Cancelled, Recalled)

// Words is the state as people write it.
func (s State) Words() string { return strings.ReplaceAll(string(s), "_", " ") }

// Before says whether the loan has not left the house: everything about it may still change.
func (s State) Before() bool {
	return s == Requested || s == Assessing || s == Agreed || s == Issued || s == Signed || s == Prepared
}

// Out says whether its objects are away.
func (s State) Out() bool {
	return s == Dispatched || s == Received || s == OnDisplay || s == Packing || s == Recalled
}

// Over says whether nothing can follow any more.
func (s State) Over() bool { return s == Closed || s == Declined || s == Cancelled }

// Who is a person by identifier and by the name that they had then.
type Who struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

func who(a domain.Actor) Who { return Who{ID: a.ID, Name: a.Name} }

// Loan is an outgoing loan. Its facts may change until it is dispatched; what was assessed, decided,
// issued, signed and handed over is never changed.
//
// Who sees what (P3): everybody who may read loans sees the borrower's name, purpose, period, venues
// and lines; the borrower's address and contact, transport, courier and the assessments of
// facilities are for the staff; values, insurers and certificates are for whom MaySeeValues allows.
// Seen leaves out the rest.
type Loan struct {
	ID          domain.ID `json:"id"`
	Reference   string    `json:"reference"` // "L.2026.3": the third of its year
	State       State     `json:"state"`
	Facts                 // what the registrar sets
	Departments []string  `json:"departments"` // of the present lines, sorted

	Lines       []Line       `json:"lines"`
	Approvals   []Approval   `json:"approvals"`
	Facilities  []Facilities `json:"facilities_assessments"`
	Insurances  []Insurance  `json:"insurances,omitempty"`
	Agreements  []Agreement  `json:"agreements"`
	HandOvers   []HandOver   `json:"hand_overs"`
	Stages      []Stage      `json:"stages"`
	Totals      []Amount     `json:"totals,omitempty"` // of the values, one for each currency
	ValuesShown bool         `json:"values_shown"`     // to this reader, of every line

	Version   int64     `json:"version"`
	CreatedAt time.Time `json:"created_at"`
	CreatedBy Who       `json:"created_by"`

	Examined      []Examined `json:"-"` // for this loan, or before its objects go out; read for the acts that need it
	OldVenues     []Venue    `json:"-"` // no longer part of the loan; what was assessed of them stays
	Added         Added      `json:"-"`
	domain.Raised `json:"-"`
}

// Added is what an act added to a loan; the store writes it.
type Added struct {
	Assessments []Assessment
	Consents    []Consent
	Statements  []Statement
	Addenda     []Addendum
	Approvals   []Approval
	Facilities  []Facilities
	Insurances  []Insurance
	Agreements  []Agreement
	Signatures  []Signature
	HandOvers   []HandOver
	Stages      []Stage
}

// Facts are what the registrar sets about a loan.
type Facts struct {
	Borrower    Borrower `json:"borrower"`
	Purpose     string   `json:"purpose" validate:"required,max=2000"`
	Span                 // from leaving the house to the planned return, fixed
	RequestedOn Day      `json:"requested_on" validate:"required,datetime=2006-01-02"`
	Venues      []Venue  `json:"venues" validate:"required,min=1,max=20,dive"`
	Terms       string   `json:"terms" validate:"max=60000"` // empty: the site's template
	Transport   string   `json:"transport,omitempty" validate:"max=2000"`
	Courier     string   `json:"courier,omitempty" validate:"max=2000"`
}

// Borrower is who borrows.
type Borrower struct {
	Name    string `json:"name" validate:"required,max=300"`
	Address string `json:"address,omitempty" validate:"max=1000"`
	Contact string `json:"contact,omitempty" validate:"max=1000"`
}

// Venue is a house where the objects are shown, from the day on which they come to the day on which
// they leave it.
type Venue struct {
	ID      domain.ID `json:"id" validate:"-"` // kept while name and address stay; what a caller sends is not looked at
	Name    string    `json:"name" validate:"required,max=300"`
	Address string    `json:"address,omitempty" validate:"max=1000"`
	Span
}

// Amount is money.
type Amount struct {
	Currency string `json:"currency"`
	Sum      string `json:"sum"` // decimal, two places
}

// Stage is a step of a loan that is told in words: preparation, display, and its endings.
type Stage struct {
	ID        domain.ID `json:"id"`
	Kind      State     `json:"kind"` // prepared, on_display, closed, declined, cancelled, recalled
	Statement string    `json:"statement"`
	By        Who       `json:"by"`
	At        time.Time `json:"at"`
}

// Telling is the words of a Stage.
type Telling struct {
	Statement string `json:"statement" validate:"required,max=8000"`
}

// Longest is the most days of a loan: a loan has an end.
//
// source: Spectrum 5.0 (Collections Trust 2017), Loans out: the period is fixed, a loan is never
// 'permanent'. The figure is a decision of this program.
const Longest = 3660

func (f *Facts) check(site domain.Site) error {
	f.tidy()
	if err := domain.Validate(*f); err != nil {
		return err
	}
	fields := period(f.From, f.Until, "/from_on", "/until_on")
	if len(fields) == 0 && f.Until.Since(f.From) > Longest {
		fields = append(fields, domain.Field{Pointer: "/until_on", Rule: "range", Message: "A loan has a fixed end, at most ten years away. It can be renewed."})
	}
	if f.RequestedOn < firstDay || f.RequestedOn > lastDay {
		fields = append(fields, domain.Field{Pointer: "/requested_on", Rule: "range", Message: "A day between 1900 and 2200, such as 2026-02-06."})
	}
	for i, v := range f.Venues {
		at := "/venues/" + decimals(i)
		more := period(v.From, v.Until, at+"/from_on", at+"/until_on")
		if len(more) == 0 && len(fields) == 0 && (v.From < f.From || v.Until > f.Until) {
			more = append(more, domain.Field{Pointer: at + "/from_on", Rule: "order", Message: "The days at a venue lie within the period of the loan, " + f.Span.Words() + "."})
		}
		fields = append(fields, more...)
		for _, other := range f.Venues[:i] {
			if other.Name == v.Name && other.Address == v.Address {
				fields = append(fields, domain.Field{Pointer: at + "/name", Rule: "unique", Message: "Name each venue once."})
			}
		}
	}
	if f.Terms == "" {
		f.Terms = strings.TrimSpace(cmp.Or(site.LoanTerms, ExampleTerms))
	}
	return domain.InvalidFields(fields)
}

func (f *Facts) tidy() {
	for _, text := range []*string{&f.Borrower.Name, &f.Borrower.Address, &f.Borrower.Contact, &f.Purpose, &f.Terms, &f.Transport, &f.Courier} {
		*text = strings.TrimSpace(*text)
	}
	f.Venues = slices.Clone(f.Venues)
	for i := range f.Venues {
		f.Venues[i].Name, f.Venues[i].Address = strings.TrimSpace(f.Venues[i].Name), strings.TrimSpace(f.Venues[i].Address)
	}
}

// New opens a loan at the request of a borrower. Its reference is given by the store.
func New(by domain.Actor, f Facts, site domain.Site, at time.Time) (*Loan, error) {
	if err := by.May(Manage); err != nil {
		return nil, err
	}
	if err := f.check(site); err != nil {
		return nil, err
	}
	for i := range f.Venues {
		f.Venues[i].ID = domain.NewID()
	}
	l := &Loan{ID: domain.NewID(), State: Requested, Facts: f, Version: 1, CreatedAt: at, CreatedBy: who(by)}
	l.raise(by, nil, "requested", f.public(), at)
	l.raise(by, nil, "details_set", f.details(), at)
	return l, nil
}

// Change sets the facts of a loan that has not left. What was approved or agreed under other facts no
// longer counts, see settle.
func (l *Loan) Change(by domain.Actor, f Facts, site domain.Site, at time.Time) error {
	if err := by.May(Manage); err != nil {
		return err
	}
	if err := l.before("change"); err != nil {
		return err
	}
	if err := f.check(site); err != nil {
		return err
	}
	known := append(slices.Clone(l.Venues), l.OldVenues...)
	for i := range f.Venues {
		f.Venues[i].ID = domain.NewID()
		for _, v := range known {
			if v.Name == f.Venues[i].Name && v.Address == f.Venues[i].Address {
				f.Venues[i].ID = v.ID
			}
		}
	}
	l.OldVenues = nil
	for _, v := range known {
		if !slices.ContainsFunc(f.Venues, func(n Venue) bool { return n.ID == v.ID }) {
			l.OldVenues = append(l.OldVenues, v)
		}
	}
	before := l.Facts
	l.Facts = f
	l.raise(by, nil, "changed", f.public(), at)
	if fingerprint(before.details()) != fingerprint(f.details()) {
		l.raise(by, nil, "details_set", f.details(), at)
	}
	l.settle(by, at)
	return nil
}

// public are the facts without what only the staff sees (P3); details are those. Events of the kinds
// details_set, value_set and insured are for whom P3 allows.
func (f Facts) public() Facts {
	f.Borrower, f.Transport, f.Courier = Borrower{Name: f.Borrower.Name}, "", ""
	f.Venues = slices.Clone(f.Venues)
	for i := range f.Venues {
		f.Venues[i].Address = ""
	}
	return f
}

func (f Facts) details() map[string]any {
	return map[string]any{"borrower": f.Borrower, "transport": f.Transport, "courier": f.Courier, "venues": f.Venues}
}

// before refuses changes to a loan that has left or is over.
func (l *Loan) before(act string) error {
	if l.State.Before() {
		return nil
	}
	return domain.RefuseState("L3", "This loan is "+l.State.Words()+"; you can "+act+" it only before it is dispatched.")
}

// in refuses an act outside the given states.
func (l *Loan) in(act string, states ...State) error {
	if slices.Contains(states, l.State) {
		return nil
	}
	words := make([]string, len(states))
	for i, s := range states {
		words[i] = s.Words()
	}
	return domain.RefuseState("L3", "This loan is "+l.State.Words()+"; it can be "+act+" only while it is "+strings.Join(words, " or ")+".")
}

// settle brings the state back to where it belongs after a change: an approval holds for what was
// approved, an agreement for what it says.
func (l *Loan) settle(by domain.Actor, at time.Time) {
	was := l.State
	l.count()
	defer l.hold()
	if was != Agreed && was != Issued && was != Signed && was != Prepared {
		return
	}
	switch {
	case len(l.unapproved()) > 0 || len(l.Departments) == 0:
		l.State = Assessing
	case was != Agreed && !l.agreementHolds():
		l.State = Agreed
	}
	if l.State != was {
		l.raise(by, nil, "fell_back", map[string]State{"from": was, "to": l.State}, at)
	}
}

// count works out what follows from the lines: departments and totals.
func (l *Loan) count() {
	l.Departments = []string{}
	for _, line := range l.Present() {
		if !slices.Contains(l.Departments, line.Department) {
			l.Departments = append(l.Departments, line.Department)
		}
	}
	slices.Sort(l.Departments)
	l.Totals = totals(l.Present())
}

// Count fills what follows from the rest; the store calls it after reading.
func (l *Loan) Count() {
	l.count()
	l.hold()
}

// hold says which approvals and which version of the agreement count.
func (l *Loan) hold() {
	for i := range l.Approvals {
		a := &l.Approvals[i]
		a.Holds = slices.Contains(l.Departments, a.Department) && a.Scope == l.scope(a.Department)
	}
	for i := range l.Agreements {
		l.Agreements[i].Holds = i == len(l.Agreements)-1 && l.agreementHolds()
	}
}

func (l *Loan) raise(by domain.Actor, object *domain.ID, kind string, change any, at time.Time) {
	l.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "loan", Subject: l.ID, Object: object, Kind: kind, Change: change})
}

// fingerprint is a hash of a document's canonical form, to see whether it is still the same.
func fingerprint(document any) string {
	text, err := record.Canonical(document)
	if err != nil {
		return "" // equal to nothing that was kept: constraints refuse an empty one
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// stamp is a time as the database keeps it, to the microsecond.
func stamp(t time.Time) string { return t.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano) }
