package web

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/loan"
)

func (s *Server) loanRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/loans", loan.Read, s.loansPage)
	s.route(g, http.MethodPost, "/loans", loan.Manage, s.addLoan)
	s.route(g, http.MethodGet, "/loans/new", loan.Manage, s.newLoanPage)
	s.route(g, http.MethodGet, "/loans/:id", loan.Read, s.loanPage)
	s.route(g, http.MethodGet, "/loans/:id/change", loan.Manage, s.changeLoanPage)
	s.route(g, http.MethodPost, "/loans/:id/change", loan.Manage, s.changeLoan)
	s.route(g, http.MethodGet, "/loans/:id/lines/new", loan.Manage, s.newLoanLinePage)
	s.route(g, http.MethodPost, "/loans/:id/lines", loan.Manage, s.addLoanLine)
	s.route(g, http.MethodGet, "/loans/:id/lines/:line", loan.Read, s.loanLinePage)
	for _, d := range s.loanDeeds() {
		s.route(g, http.MethodPost, "/loans/:id/"+d.path, d.act, func(c echo.Context) error { return s.doOnLoan(c, d) })
	}
	for _, d := range s.lineDeeds() {
		s.route(g, http.MethodPost, "/loans/:id/lines/:line/"+d.path, d.act, func(c echo.Context) error { return s.doOnLine(c, d) })
	}
	for _, f := range loan.Formats {
		s.route(g, http.MethodGet, "/loans/:id/"+f.Name, loan.Read, func(c echo.Context) error { return s.loanPaperFile(c, f) })
	}
}

// loanPath is the page of a loan.
func loanPath(reference string) string { return "/loans/" + url.PathEscape(reference) }

type loansPage struct {
	Frame
	All     bool // not only the open ones
	Rows    []loanRow
	More    string
	NewPath string // empty: for registrars
}

// loanRow is a loan of a list; the template "loan-rows" shows a list of them.
type loanRow struct {
	Path, Reference, Borrower, Purpose, Period, Venues, Objects string
	Mark                                                        Mark
}

// loanRows are loans as a list shows them.
func (s *Server) loanRows(all []loan.Summary) []loanRow {
	rows := make([]loanRow, len(all))
	for i, l := range all {
		rows[i] = loanRow{Path: loanPath(l.Reference), Reference: l.Reference, Borrower: l.Borrower, Purpose: l.Purpose, Venues: strings.Join(l.Venues, ", "),
			Period: l.From.Words() + " to " + l.Until.Words(), Objects: strings.Join(l.Objects, "; "), Mark: s.loanMark(l.State, l.Until)}
	}
	return rows
}

// loanMark is the state of a loan; one that is away past its end says so.
func (s *Server) loanMark(state loan.State, until loan.Day) Mark {
	switch {
	case state.Out() && until < loan.DayOf(s.Now(), s.Site.Zone):
		return stopMark(state.Words() + ", past its end")
	case state == loan.Requested:
		return draftMark(state.Words())
	case state == loan.Declined || state == loan.Cancelled:
		return draftMark(state.Words())
	case state == loan.Recalled:
		return warnMark(state.Words())
	case state == loan.Closed || state == loan.Signed || state == loan.Prepared || state == loan.OnDisplay || state == loan.Returned:
		return doneMark(state.Words())
	}
	return waitMark(state.Words())
}

// loansPage serves GET /loans.
func (s *Server) loansPage(c echo.Context) error {
	p := &loansPage{All: c.QueryParam("all") == "true"}
	p.Title, p.Here = "Loans", "/loans"
	all, err := s.Loan.List(c.Request().Context(), actor(c), loan.Filter{Open: !p.All}, page(c))
	if err != nil {
		return err
	}
	p.Rows, p.More = s.loanRows(all.Items), more(c, all.Next)
	if actor(c).May(loan.Manage) == nil {
		p.NewPath = "/loans/new"
	}
	return s.render(c, http.StatusOK, "loan/loans", p)
}

// loansData are the loans of an object, for its sheet.
type loansData struct {
	Rows []loanRow
	More bool
}

// loansSection is the loans of an object on its sheet; a loan that is away is told at the head.
func (s *Server) loansSection(c echo.Context, w *collection.Whole) (section, error) {
	if !w.Held.Loans {
		return section{}, nil
	}
	all, err := s.Loan.List(c.Request().Context(), actor(c), loan.Filter{ObjectID: &w.Object.ID}, domain.PageQuery{})
	if err != nil || len(all.Items) == 0 {
		return section{}, err
	}
	is := section{ID: "loans", Heading: "Loans", Template: "loan/_loans", Data: loansData{Rows: s.loanRows(all.Items), More: all.Next != ""}}
	for _, l := range all.Items {
		if l.State.Out() {
			is.Head = append(is.Head, headLine{Mark: s.loanMark(l.State, l.Until), Text: "On loan to " + l.Borrower + " until " + l.Until.Words() + ": " + strings.Join(l.Objects, "; "), Path: loanPath(l.Reference)})
		}
	}
	return is, nil
}

// loanFormPage is a page with one form: a new loan, or its facts to be changed.
type loanFormPage struct {
	Frame
	Heading, Lead string
	Back, Words   string // the page before
	Form          *Form
}

// loanFields are the facts of a loan as fields. Two empty rows stand ready for further venues.
func loanFields(f loan.Facts) []Field {
	venues := Field{Kind: "group", Label: "Venues", Help: "Each house where the objects are shown, with the days there. Empty rows are left out."}
	for i := range len(f.Venues) + 2 {
		var v loan.Venue
		if i < len(f.Venues) {
			v = f.Venues[i]
		}
		at := "venues." + itoa(i)
		venues.Fields = append(venues.Fields, Field{Kind: "group", Label: "Venue " + itoa(i+1), Fields: []Field{
			{Kind: "text", Name: at + ".name", Label: "Name", Value: v.Name, Max: 300, Required: i == 0},
			{Kind: "text", Name: at + ".address", Label: "Address", Value: v.Address, Max: 1000},
			{Kind: "date", Name: at + ".from_on", Label: "From", Value: string(v.From), Required: i == 0},
			{Kind: "date", Name: at + ".until_on", Label: "Until", Value: string(v.Until), Required: i == 0},
		}})
	}
	return []Field{
		{Kind: "text", Name: "borrower.name", Label: "Borrower", Value: f.Borrower.Name, Required: true, Max: 300},
		{Kind: "textarea", Name: "borrower.address", Label: "Address of the borrower", Value: f.Borrower.Address, Rows: 3, Max: 1000},
		{Kind: "text", Name: "borrower.contact", Label: "Contact", Value: f.Borrower.Contact, Help: "For the staff only.", Max: 1000},
		{Kind: "textarea", Name: "purpose", Label: "Purpose", Value: f.Purpose, Required: true, Rows: 3, Max: 2000},
		{Kind: "date", Name: "requested_on", Label: "Requested in writing on", Value: string(f.RequestedOn), Required: true},
		{Kind: "date", Name: "from_on", Label: "Leaves the house on", Value: string(f.From), Required: true},
		{Kind: "date", Name: "until_on", Label: "Is back on", Help: "Fixed. A loan has an end.", Value: string(f.Until), Required: true},
		venues,
		{Kind: "text", Name: "transport", Label: "Transport by", Help: "May be named later, before the dispatch.", Value: f.Transport, Max: 2000},
		{Kind: "text", Name: "courier", Label: "Courier", Value: f.Courier, Max: 2000},
		{Kind: "textarea", Name: "terms", Label: "Terms", Help: "Left empty, the museum's own terms stand here, or a neutral example that is no legal advice. A line that begins with '# ' is a heading.", Value: f.Terms, Rows: 10, Max: 60000},
	}
}

func newLoanForm(f loan.Facts) *Form {
	return &Form{Action: "/loans", Submit: "Open the loan", Fields: loanFields(f)}
}

// newLoanPage serves GET /loans/new.
func (s *Server) newLoanPage(c echo.Context) error {
	today := loan.DayOf(s.Now(), s.Site.Zone)
	p := &loanFormPage{Heading: "A new loan", Lead: "Begin with the written request. What is lent is added on the loan's page.", Back: "/loans", Words: "Loans",
		Form: newLoanForm(loan.Facts{RequestedOn: today}).ready(c)}
	p.Title, p.Here = p.Heading, "/loans"
	return s.render(c, http.StatusOK, "loan/form", p)
}

func (s *Server) addLoan(c echo.Context) error {
	var f loan.Facts
	_, typed, err := s.decode(c, &f)
	var l *loan.Loan
	if err == nil {
		l, err = s.Loan.Create(c.Request().Context(), actor(c), f)
	}
	if err != nil {
		p := &loanFormPage{Heading: "A new loan", Back: "/loans", Words: "Loans", Form: newLoanForm(f)}
		p.Title, p.Here = p.Heading, "/loans"
		return s.answer(c, p.Form, typed, err, "loan/form", p)
	}
	return s.done(c, "Loan "+l.Reference+" is open. Add what is lent.", loanPath(l.Reference))
}

func (s *Server) loanChange(c echo.Context) (*loanFormPage, *loan.Loan, error) {
	l, err := s.loanHere(c)
	if err != nil {
		return nil, nil, err
	}
	p := &loanFormPage{Heading: "Change loan " + l.Reference, Back: loanPath(l.Reference), Words: "Loan " + l.Reference,
		Lead: "What was approved or agreed under other facts no longer counts: period, venues, purpose and borrower ask for a new approval, everything but transport and courier for a new version of the agreement.",
		Form: (&Form{Action: loanPath(l.Reference) + "/change", Submit: "Keep the change", Version: l.Version, Fields: loanFields(l.Facts)}).ready(c)}
	p.Title, p.Here = p.Heading, "/loans"
	return p, l, nil
}

// changeLoanPage serves GET /loans/{id}/change.
func (s *Server) changeLoanPage(c echo.Context) error {
	p, l, err := s.loanChange(c)
	if err != nil {
		return err
	}
	if !l.State.Before() {
		return c.Redirect(http.StatusSeeOther, loanPath(l.Reference))
	}
	return s.render(c, http.StatusOK, "loan/form", p)
}

func (s *Server) changeLoan(c echo.Context) error {
	var f loan.Facts
	version, typed, err := s.decode(c, &f)
	p, l, fault := s.loanChange(c)
	if fault != nil {
		return fault
	}
	if err == nil {
		l, err = s.Loan.Change(c.Request().Context(), actor(c), l.ID, version, f)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "loan/form", p)
	}
	return s.done(c, "The loan is changed. It is "+l.State.Words()+".", loanPath(l.Reference))
}

// loanHere is the loan that the address names.
func (s *Server) loanHere(c echo.Context) (*loan.Loan, error) {
	id, err := s.Loan.Find(c.Request().Context(), actor(c), c.Param("id"))
	if err != nil {
		return nil, err
	}
	return s.Loan.One(c.Request().Context(), actor(c), id)
}

// loanPaperFile serves GET /loans/{id}/agreement.pdf and its fellows.
func (s *Server) loanPaperFile(c echo.Context, format loan.Format) error {
	ctx := c.Request().Context()
	id, err := s.Loan.Find(ctx, actor(c), c.Param("id"))
	if err != nil {
		return err
	}
	number, err := wholeNumber(c.QueryParam("version"))
	if err != nil {
		return err
	}
	f, err := s.LoanPaper(ctx, actor(c), id, number, format)
	if err != nil {
		return err
	}
	return sendPaper(c, f)
}

// sendPaper sends a made paper to be saved.
func sendPaper(c echo.Context, f domain.Paper) error {
	h := c.Response().Header()
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Content-Disposition", `attachment; filename="`+f.Name+`"`)
	return c.Blob(http.StatusOK, f.MediaType, f.Content)
}
