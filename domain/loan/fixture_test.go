package loan

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
)

var (
	mara  = actor("Mara", domain.Conservator)
	karin = actor("Karin", domain.Curator)
	rune  = actor("Rune", domain.Registrar)
	lars  = actor("Lars", domain.Reader)
)

func actor(name string, roles ...domain.Role) domain.Actor {
	return domain.Actor{ID: domain.NewID(), Name: name, Roles: roles, Departments: []string{"Diving"}, Scopes: []string{"all"}}
}

// journey is a loan of a dress and of a cuff of another, with what is known of both.
type journey struct {
	t      *testing.T
	loan   *Loan
	things Things
	dress  *collection.Sheet
	suit   *collection.Sheet
	site   domain.Site
	now    time.Time
}

func sheet(number string, parts ...collection.Component) *collection.Sheet {
	s := &collection.Sheet{Object: collection.Object{ID: domain.NewID(), Number: number, Title: "Dress", Department: "Diving", LegalStatus: collection.Accessioned}}
	for _, c := range parts {
		c.ObjectID = s.Object.ID
		s.Components = append(s.Components, c)
	}
	return s
}

func component(label, name string, removal collection.Removal) collection.Component {
	return collection.Component{ID: domain.NewID(), Label: label, Name: name, Removal: removal}
}

func facts() Facts {
	return Facts{
		Borrower: Borrower{Name: "Muzeum pod Wodą, Łódź", Address: "ul. Wodna 1, Łódź", Contact: "Ms Žofie Nováková"}, Purpose: "Exhibition 'Under Pressure'",
		Span: Span{"2026-02-06", "2026-08-31"}, RequestedOn: "2025-06-01", Transport: "Art carrier of the north", Courier: "Mara",
		Venues: []Venue{{Name: "Main hall", Address: "Łódź", Span: Span{"2026-02-10", "2026-08-20"}}},
	}
}

func newJourney(t *testing.T) *journey {
	t.Helper()
	suit := component("1", "suit", collection.Freely)
	cuff := component("1a", "cuff", collection.ByTwoPeople)
	cuff.ParentID = &suit.ID
	zip := component("2", "zip", collection.Never)
	zip.RemovalReason = "glued in"
	seal := component("1a1", "seal", collection.Freely)
	seal.ParentID = &cuff.ID
	j := &journey{t: t, dress: sheet("1968.14.2"), suit: sheet("1971.3.1", suit, cuff, seal, zip), site: domain.DefaultSite(), now: time.Date(2026, 2, 6, 9, 0, 0, 0, time.UTC)}
	j.site.Name, j.site.Address = "Museum of the Sound", "Havnegade 1, Køge"
	l, err := New(rune, facts(), j.site, j.now.AddDate(0, -3, 0))
	if err != nil {
		t.Fatal(err)
	}
	l.Reference = "L.2025.1"
	j.loan = l
	j.things = Things{j.dress.Object.ID: {Sheet: j.dress}, j.suit.Object.ID: {Sheet: j.suit, Away: []domain.ID{cuff.ID}}}
	return j
}

func (j *journey) must(err error) {
	j.t.Helper()
	if err != nil {
		j.t.Fatal(err)
	}
}

// refused fails the test unless err is a refusal with the code; it gives the refusal.
func (j *journey) refused(err error, code string) *domain.Error {
	j.t.Helper()
	var e *domain.Error
	if !errors.As(err, &e) || e.Code != code {
		j.t.Fatalf("error %v, want code %s", err, code)
	}
	return e
}

func money(s string) *decimal.Decimal {
	d := decimal.RequireFromString(s)
	return &d
}

func whole1968() NewLine { return NewLine{ObjectNumber: "1968.14.2"} }

func (j *journey) part(label string) domain.ID {
	for _, c := range j.suit.Components {
		if c.Label == label {
			return c.ID
		}
	}
	j.t.Fatalf("no part %s", label)
	return domain.ID{}
}

// steps of a loan that goes well, in order; each takes the loan from one state to the next, or
// brings what the next needs.
func (j *journey) lines() {
	j.t.Helper()
	_, err := j.loan.AddLine(rune, whole1968(), j.dress, j.now)
	j.must(err)
	_, err = j.loan.AddLine(rune, NewLine{ObjectNumber: "1971.3.1", ComponentIDs: []domain.ID{j.part("1a")}}, j.suit, j.now)
	j.must(err)
}

func (j *journey) assess() {
	j.t.Helper()
	for _, n := range j.loan.Present() {
		j.must(j.loan.Assess(mara, n.ID, NewAssessment{Verdict: Fit, Statement: "Sound."}, j.now))
	}
}

func (j *journey) approve() {
	j.t.Helper()
	j.must(j.loan.Approve(karin, Telling{"Agreed."}, j.now))
}

func (j *journey) value() {
	j.t.Helper()
	for _, n := range j.loan.Present() {
		j.must(j.loan.SetValue(rune, n.ID, Valuation{Value: money("1000.50"), Currency: "EUR"}, j.now))
	}
}

func (j *journey) issue() {
	j.t.Helper()
	j.must(j.loan.Issue(rune, j.things, j.site, j.now))
}

func (j *journey) sign() {
	j.t.Helper()
	n := len(j.loan.Agreements)
	j.must(j.loan.Sign(karin, n, NewSignature{Side: Lender}, j.site, j.now))
	j.must(j.loan.Sign(rune, n, NewSignature{Side: BorrowerOf, Name: "Žofie Nováková", Office: "director", SignedOn: DayOf(j.now, j.site.Zone)}, j.site, j.now))
}

func (j *journey) condition() {
	j.t.Helper()
	for _, n := range j.loan.Present() {
		j.must(j.loan.StateCondition(mara, n.ID, NewStatement{ExaminationID: j.examined(n, OutgoingOccasion).ID, Text: "Stiff along the left fold."}, j.now))
	}
}

func (j *journey) venue() {
	j.t.Helper()
	day := DayOf(j.now, j.site.Zone)
	j.must(j.loan.AssessFacilities(mara, NewFacilities{VenueID: j.loan.Venues[0].ID, ReportOn: day, AssessedOn: day, Summary: "Good."}, j.site, j.now))
}

func (j *journey) insure() {
	j.t.Helper()
	j.must(j.loan.Insure(rune, NewInsurance{Kind: "indemnity", Insurer: "State indemnity", Certificate: "I-17", Sum: money("2001.00"), Currency: "EUR",
		From: j.loan.From, Until: j.loan.Until}, j.now))
}

func (j *journey) ready() {
	j.t.Helper()
	j.must(j.loan.Ready(rune, Telling{"Two crates, closed."}, j.site, j.now))
}

// prepared is a loan that may be dispatched.
func prepared(t *testing.T) *journey {
	t.Helper()
	j := newJourney(t)
	for _, step := range []func(){j.lines, j.assess, j.approve, j.value, j.issue, j.sign, j.condition, j.venue, j.insure, j.ready} {
		step()
	}
	if j.loan.State != Prepared {
		t.Fatalf("state %s", j.loan.State)
	}
	return j
}

func handing() NewHandOver {
	return NewHandOver{GivenBy: "Rune", ReceivedBy: "Driver P. Holm", Carrier: "Art carrier of the north", CratesAndSeals: "2 crates, seals 11 and 12"}
}

// examined is a signed examination of a line made for the loan today.
func (j *journey) examined(n *Line, occasion string) Examined {
	before := domain.NewID()
	e := Examined{ID: domain.NewID(), ObjectID: n.ObjectID, Occasion: occasion, ExaminedOn: DayOf(j.now, j.site.Zone), By: "Mara", Overall: "fair", ForThis: true, BeforeID: &before}
	j.loan.Examined = append(j.loan.Examined, e)
	return e
}

// examine examines every line for the hand-over that comes next.
func (j *journey) examine() {
	for _, n := range j.loan.Present() {
		for _, occasion := range occasions {
			j.examined(n, occasion)
		}
	}
}

// seen is a hand-over at which everything was looked at.
func (j *journey) seen() NewHandOver {
	h := handing()
	j.examine()
	for _, n := range j.loan.Present() {
		h.Conditions = append(h.Conditions, NewLineCondition{LineID: n.ID, Found: Unchanged})
	}
	return h
}

func (j *journey) dispatch() {
	j.t.Helper()
	_, err := j.loan.Dispatch(rune, handing(), j.things, j.site, j.now)
	j.must(err)
}

func (j *journey) receive() {
	j.t.Helper()
	_, err := j.loan.Receive(mara, j.seen(), j.site, j.now)
	j.must(err)
}

func contains(t *testing.T, list []string, part string) {
	t.Helper()
	if !slices.ContainsFunc(list, func(s string) bool { return strings.Contains(s, part) }) {
		t.Errorf("%q is not among %q", part, list)
	}
}

// stopOn is a standing stop on a component, or on the whole object.
func stopOn(s *collection.Sheet, components ...domain.ID) handling.Stop {
	stop := handling.Stop{ID: domain.NewID(), ObjectID: s.Object.ID, ObjectNumber: s.Object.Number, Signs: []string{"noise"}, RaisedBy: handling.Named{Name: "Tove"}}
	for _, id := range components {
		stop.Components = append(stop.Components, handling.Named{ID: id, Name: s.Called(id)})
	}
	return stop
}

// dangers are the cautions of recorded hazards.
func dangers(t *testing.T, s *collection.Sheet, hazards ...collection.Hazard) []handling.Caution {
	t.Helper()
	usual, err := material.Cautions()
	if err != nil {
		t.Fatal(err)
	}
	copied := *s
	copied.Hazards = hazards
	return handling.Dangers(&copied, nil, usual)
}
