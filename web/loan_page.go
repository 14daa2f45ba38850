package web

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/incident"
	"farthingale/domain/loan"
)

func itoa(n int) string { return strconv.Itoa(n) }

// wholeNumber reads an optional number of the query; 0 when it is absent.
func wholeNumber(text string) (int, error) {
	if text == "" {
		return 0, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		return 0, domain.NotFound("There is nothing under this number.")
	}
	return n, nil
}

// labelled is a label with what stands beside it.
type labelled struct{ Label, Value string }

// stageItem is one stage of the line at the head of a loan's page.
type stageItem struct {
	Words, Note string
	Class       string // past, here, ahead, ended
	Here        bool
}

// openForm is a form that folds away.
type openForm struct {
	Summary string
	Open    bool
	Form    *Form
}

type loanPage struct {
	Frame
	Reference, Borrower, Purpose string
	Mark                         Mark
	Stages                       []stageItem
	Next, NextWho                string // empty Next: nothing can follow
	Missing                      []string
	ForDispatch                  []string // everything that the dispatch still lacks; nil: it is the next act, or it has left
	Facts                        []labelled
	ChangePath, AddPath          string // empty: not for this person, or not now
	Lines                        []loanLineRow
	Withdrawn                    []string
	ValuesShown                  bool
	Totals                       string
	Approvals                    []loanApprovalRow
	Papers                       []Link // of the latest version, or of the draft
	Draft                        bool
	Agreements                   []loanAgreementRow
	Facilities                   []loanFacilitiesRow
	FacilitiesShown              bool
	Insurances                   []loanInsuranceRow
	HandOvers                    []loanHandOverRow
	Told                         []loanTold
	Incidents                    []incidentRow
	MoreIncidents                bool // older ones that are not listed
	Forms                        []openForm
	Places                       []Option // for the forms of hand-overs
}

type loanLineRow struct {
	Path, What, Title string
	Fit, Condition    Mark
	Value             string
}

type loanApprovalRow struct {
	By, When, Department, Statement, Lines string
	Mark                                   Mark
}

type loanAgreementRow struct {
	Number, Issued, Hash, Lender, Borrower string
	Mark                                   Mark
	Papers                                 []Link
}

type loanFacilitiesRow struct {
	Venue, When, Summary string
	Mark                 Mark
	Exceptions           []string
}

type loanInsuranceRow struct {
	Kind, Insurer, Certificate, Sum, Period, Note string
	Mark                                          Mark
}

type loanHandOverRow struct {
	Stage, When, Passed, Place, Crates, Authoriser string
	Conditions                                     []loanFound
}

type loanFound struct {
	Compare, Examined string // paths; empty: none
	What, Text        string
	Mark              Mark
}

type loanTold struct{ Stage, By, When, Statement string }

// loanPage serves GET /loans/{id}; an address with an ID leads to the one with the reference.
func (s *Server) loanPage(c echo.Context) error {
	p, l, err := s.loanData(c)
	if err != nil {
		return err
	}
	if _, err := domain.ParseID(c.Param("id")); err == nil {
		return c.Redirect(http.StatusSeeOther, loanPath(l.Reference))
	}
	return s.render(c, http.StatusOK, "loan/loan", p)
}

func (s *Server) loanData(c echo.Context) (*loanPage, *loan.Loan, error) {
	ctx, by := c.Request().Context(), actor(c)
	id, err := s.Loan.Find(ctx, by, c.Param("id"))
	if err != nil {
		return nil, nil, err
	}
	l, next, err := s.Loan.Show(ctx, by, id)
	if err != nil {
		return nil, nil, err
	}
	p := &loanPage{Reference: l.Reference, Borrower: l.Borrower.Name, Purpose: l.Purpose, Mark: s.loanMark(l.State, l.Until), Stages: s.loanStages(l),
		Next: next.Act, NextWho: next.Who, Missing: next.Missing, ValuesShown: l.ValuesShown, FacilitiesShown: slices.ContainsFunc(domain.Staff, by.Has)}
	p.Title, p.Here = "Loan "+l.Reference, "/loans"
	if l.State.Before() && l.State != loan.Prepared { // then it is what is missing next
		p.ForDispatch = next.ForDispatch
	}
	s.loanFacts(p, l)
	if l.State.Before() && by.May(loan.Manage) == nil {
		p.ChangePath, p.AddPath = loanPath(l.Reference)+"/change", loanPath(l.Reference)+"/lines/new"
	}
	s.loanLines(p, l)
	s.loanSigned(p, l)
	s.loanJourney(p, l)
	found, err := s.Incident.List(ctx, by, incident.Filter{LoanID: &l.ID}, domain.PageQuery{})
	if err != nil {
		return nil, nil, err
	}
	p.Incidents, p.MoreIncidents = s.incidentRows(found.Items), found.Next != ""
	for _, d := range s.loanDeeds() {
		if by.May(d.act) == nil && d.offered(l, by) {
			p.Forms = append(p.Forms, openForm{Summary: d.summary, Form: s.deedForm(c, l, d)})
		}
	}
	switch l.State {
	case loan.Prepared, loan.Dispatched, loan.Packing, loan.Recalled:
		p.Places, err = s.placeCodes(c)
	}
	return p, l, err
}

// loanPhase is a stage of the line at the head of a loan's page: several states of the usual way.
type loanPhase struct {
	words  string
	states []loan.State
}

var loanPhases = []loanPhase{
	{"request", []loan.State{loan.Requested, loan.Assessing}},
	{"agreement", []loan.State{loan.Agreed, loan.Issued, loan.Signed}},
	{"dispatch", []loan.State{loan.Prepared, loan.Dispatched}},
	{"at the venue", []loan.State{loan.Received, loan.OnDisplay, loan.Packing}},
	{"return", []loan.State{loan.Returned, loan.Closed}},
}

// loanStages is the line of stages, with the exact state under the present one. A side exit stands
// where the loan left the usual way.
func (s *Server) loanStages(l *loan.Loan) []stageItem {
	at := slices.IndexFunc(loanPhases, func(p loanPhase) bool { return slices.Contains(p.states, l.State) })
	side := at < 0
	if side {
		at = s.loanLeft(l)
	}
	var items []stageItem
	for i, phase := range loanPhases {
		item := stageItem{Words: phase.words, Class: "ahead"}
		for _, state := range phase.states {
			if note := s.loanStageNote(l, state); note != "" && i <= at {
				item.Note = strings.TrimPrefix(state.Words()+", "+note, phase.words+", ")
			}
		}
		switch {
		case i < at || side && i == at:
			item.Class = "past"
		case i == at:
			item.Class, item.Here, item.Note = "here", true, l.State.Words()
			if note := s.loanStageNote(l, l.State); note != "" {
				item.Note += ", " + note
			}
		}
		if l.State.Over() && side && i > at { // declined or cancelled: nothing lies ahead
			break
		}
		items = append(items, item)
		if side && i == at {
			exit := stageItem{Words: l.State.Words(), Class: "ended", Here: true, Note: s.loanStageNote(l, l.State)}
			if l.State == loan.Recalled {
				exit.Class = "here"
			}
			items = append(items, exit)
		}
	}
	return items
}

// loanLeft is the phase in which a loan left the usual way, as its records tell.
func (s *Server) loanLeft(l *loan.Loan) int {
	switch {
	case slices.ContainsFunc(l.HandOvers, func(h loan.HandOver) bool { return h.Stage == loan.Received }):
		return 3
	case len(l.HandOvers) > 0 || slices.ContainsFunc(l.Stages, func(t loan.Stage) bool { return t.Kind == loan.Prepared }):
		return 2
	case len(l.Agreements) > 0:
		return 1
	}
	return 0
}

// loanStageNote is the day of a stage that has one.
func (s *Server) loanStageNote(l *loan.Loan, state loan.State) string {
	for _, h := range slices.Backward(l.HandOvers) {
		if h.Stage == state {
			return h.HappenedOn.Words()
		}
	}
	for _, t := range slices.Backward(l.Stages) {
		if t.Kind == state {
			return s.day(t.At)
		}
	}
	last := len(l.Agreements) - 1
	switch {
	case state == loan.Requested:
		return l.RequestedOn.Words()
	case state == loan.Signed && signedBy(l, last, loan.Lender) && signedBy(l, last, loan.BorrowerOf):
		return l.Agreements[last].Signatures[1].SignedOn.Words()
	case state == loan.Issued && last >= 0:
		return s.day(l.Agreements[last].IssuedAt)
	}
	return ""
}

func (s *Server) loanFacts(p *loanPage, l *loan.Loan) {
	add := func(label, value string) {
		if value != "" {
			p.Facts = append(p.Facts, labelled{label, value})
		}
	}
	add("Address", l.Borrower.Address)
	add("Contact", l.Borrower.Contact)
	add("Purpose", l.Purpose)
	add("Period", l.Span.Words()+", fixed")
	for _, v := range l.Venues {
		add("Venue", strings.TrimSuffix(v.Name+", "+v.Address, ", ")+", "+v.Span.Words())
	}
	add("Requested on", l.RequestedOn.Words())
	add("Transport", l.Transport)
	add("Courier", l.Courier)
	add("Opened", s.moment(l.CreatedAt)+" by "+l.CreatedBy.Name)
}

func (s *Server) loanLines(p *loanPage, l *loan.Loan) {
	for _, n := range l.Lines {
		if n.Withdrawal != nil {
			p.Withdrawn = append(p.Withdrawn, fmt.Sprintf("%d. %s, taken off by %s on %s: %s", n.Position, n.Called(), n.Withdrawal.By.Name, s.day(n.Withdrawal.At), n.Withdrawal.Reason))
			continue
		}
		row := loanLineRow{Path: loanPath(l.Reference) + "/lines/" + itoa(n.Position), What: itoa(n.Position) + ". " + n.Called(), Title: n.Title,
			Fit: fitMark(n), Condition: warnMark("not stated")}
		if k := len(n.Statements); k > 0 {
			row.Condition = doneMark(n.Statements[k-1].ExaminedOn.Words())
		}
		if n.Value != nil {
			row.Value = money(n.Currency, n.Value.StringFixed(2))
		}
		p.Lines = append(p.Lines, row)
	}
	var totals []string
	for _, t := range l.Totals {
		totals = append(totals, money(t.Currency, t.Sum))
	}
	p.Totals = strings.Join(totals, "; ")
}

// fitMark is the latest assessment of a line.
func fitMark(n loan.Line) Mark {
	if len(n.Assessments) == 0 {
		return waitMark("not assessed")
	}
	a := n.Assessments[len(n.Assessments)-1]
	switch {
	case a.Verdict == loan.NotFit && slices.ContainsFunc(n.Consents, func(k loan.Consent) bool { return k.AssessmentID == a.ID }):
		return warnMark("not fit; the head of the department consented")
	case a.Verdict == loan.NotFit:
		return stopMark("not fit")
	case a.Verdict == loan.FitWithConditions:
		return warnMark("fit with conditions")
	}
	return doneMark("fit")
}

func (s *Server) loanSigned(p *loanPage, l *loan.Loan) {
	for _, a := range l.Approvals {
		mark := doneMark("holds")
		if !a.Holds {
			mark = draftMark("no longer counts: the loan has changed")
		}
		p.Approvals = append(p.Approvals, loanApprovalRow{By: a.By.Name, When: s.moment(a.At), Department: a.Department, Statement: a.Statement, Lines: strings.Join(a.Lines, "; "), Mark: mark})
	}
	papers := func(number int) []Link {
		var links []Link
		for _, f := range loan.Formats {
			what, form, _ := strings.Cut(f.Name, ".")
			link := Link{Path: loanPath(l.Reference) + "/" + f.Name, Words: plainTitle(what) + " as " + strings.ToUpper(form)}
			if number > 0 {
				link.Path += "?version=" + itoa(number)
			}
			links = append(links, link)
		}
		return links
	}
	p.Draft = len(l.Agreements) == 0
	if p.Draft {
		p.Papers = papers(0)
	}
	for _, a := range slices.Backward(l.Agreements) {
		row := loanAgreementRow{Number: itoa(a.Number), Issued: s.moment(a.IssuedAt) + " by " + a.IssuedBy.Name, Hash: a.SHA256, Lender: "not signed", Borrower: "not signed",
			Papers: papers(a.Number), Mark: doneMark("in force")}
		if !a.Holds {
			row.Mark = draftMark("no longer in force")
		}
		for _, g := range a.Signatures {
			said := strings.TrimSuffix(g.Name+", "+g.Office, ", ") + ", " + g.SignedOn.Words()
			if g.SignedOutside {
				row.Borrower = said + "; signed outside, recorded by " + g.By.Name
			} else {
				row.Lender = said
			}
		}
		if a.Holds && len(a.Signatures) < 2 {
			row.Mark = waitMark("waits for signatures")
		}
		p.Agreements = append(p.Agreements, row)
	}
}

func plainTitle(word string) string { return strings.ToUpper(word[:1]) + plain(word[1:]) }

func (s *Server) loanJourney(p *loanPage, l *loan.Loan) {
	last := map[domain.ID]int{}
	for i, f := range l.Facilities {
		last[f.VenueID] = i
	}
	for i, f := range l.Facilities {
		row := loanFacilitiesRow{Venue: f.Venue, When: "report of " + f.ReportOn.Words() + ", assessed on " + f.AssessedOn.Words() + " by " + f.By.Name, Summary: f.Summary, Mark: doneMark("accepted")}
		for _, e := range f.Exceptions {
			said := e.Requirement + ": " + e.Found + ". Not accepted."
			if e.Accepted {
				said = e.Requirement + ": " + e.Found + ". Accepted: " + e.Statement
			} else {
				row.Mark = warnMark("an exception is not accepted")
			}
			row.Exceptions = append(row.Exceptions, said)
		}
		if last[f.VenueID] != i {
			row.Mark = draftMark("replaced by a later one")
		}
		p.Facilities = append(p.Facilities, row)
	}
	for _, i := range l.Insurances {
		row := loanInsuranceRow{Kind: plainTitle(i.Kind), Insurer: i.Insurer, Certificate: i.Certificate, Sum: money(i.Currency, i.Sum.StringFixed(2)), Period: i.Span.Words(), Note: i.Note, Mark: doneMark("entered")}
		if w := i.Withdrawal; w != nil {
			row.Mark = draftMark("withdrawn by " + w.By.Name + ": " + w.Reason)
		}
		p.Insurances = append(p.Insurances, row)
	}
	for _, h := range l.HandOvers {
		row := loanHandOverRow{Stage: plainTitle(string(h.Stage)), When: h.HappenedOn.Words(), Passed: h.GivenBy + " to " + h.ReceivedBy, Place: h.Place, Crates: h.CratesAndSeals}
		if h.Carrier != "" {
			row.Passed += ", carried by " + h.Carrier
		}
		if h.Authoriser != nil {
			row.Authoriser = "Exit authorised by " + h.Authoriser.Name
		}
		for _, f := range h.Conditions {
			number := ""
			if n := l.Line(f.LineID); n != nil {
				number = n.ObjectNumber
			}
			found := loanFound{Compare: comparedPath(number, f), Examined: examinationLink(f.ExaminationID), What: f.Called, Text: f.Statement, Mark: doneMark("unchanged")}
			switch f.Found {
			case loan.Changed:
				found.Mark = stopMark("changed")
			case loan.CrateOnly:
				found.Mark = draftMark("crate only, not looked at")
			}
			if f.Found != loan.CrateOnly {
				found.Text = strings.TrimSpace(found.Text + " (" + f.ExaminedBy + ", " + f.ExaminedOn.Words() + ")")
			}
			row.Conditions = append(row.Conditions, found)
		}
		p.HandOvers = append(p.HandOvers, row)
	}
	for _, t := range l.Stages {
		p.Told = append(p.Told, loanTold{Stage: plainTitle(string(t.Kind)), By: t.By.Name, When: s.moment(t.At), Statement: t.Statement})
	}
}
