package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/handling"
	"farthingale/domain/loan"
)

type loanLinePage struct {
	Frame
	Reference, LoanPath       string
	What, Called, Number      string
	Department                string
	Withdrawn                 string
	Fit                       Mark
	Value, Insurer            string
	ValueShown                bool
	Conditions                []string
	Assessments               []loanSaid
	Consents                  []loanSaid
	Statements                []loanStatementRow
	ExaminePath, ExamineWords string // empty: nothing to examine, or not for this person
	Forms                     []openForm
	ObjectPath                string // empty: there is no page of the object
}

type loanSaid struct {
	By, When, Text, Conditions string
	Mark                       Mark
}

type loanStatementRow struct {
	Path                              string // of the examination; empty: stated in words
	By, When, Examined, Text, NotSeen string
	Addenda                           []loanSaid
}

// lineHere is the loan and the line that the address names; the line by its position.
func (s *Server) lineHere(c echo.Context) (*loan.Loan, *loan.Line, error) {
	l, err := s.loanHere(c)
	if err != nil {
		return nil, nil, err
	}
	position, err := wholeNumber(c.Param("line"))
	if err != nil {
		return nil, nil, err
	}
	for i := range l.Lines {
		if l.Lines[i].Position == position {
			return l, &l.Lines[i], nil
		}
	}
	return nil, nil, domain.NotFound("Loan " + l.Reference + " has no line " + itoa(position) + ".")
}

func (s *Server) lineData(c echo.Context) (*loanLinePage, error) {
	l, n, err := s.lineHere(c)
	if err != nil {
		return nil, err
	}
	p := &loanLinePage{Reference: l.Reference, LoanPath: loanPath(l.Reference), What: n.Called(), Called: n.Title, Number: n.ObjectNumber, Department: n.Department,
		Fit: fitMark(*n), ValueShown: n.ValueShown, Insurer: n.Insurer, Conditions: n.Conditions.Words()}
	p.Frame.Title, p.Here = n.Called()+" on loan "+l.Reference, "/loans"
	if _, served := s.acts["GET /objects/:number"]; served {
		p.ObjectPath = "/objects/" + url.PathEscape(n.ObjectNumber)
	}
	if n.Value != nil {
		p.Value = money(n.Currency, n.Value.StringFixed(2))
	}
	if w := n.Withdrawal; w != nil {
		p.Withdrawn = "Taken off this loan by " + w.By.Name + " on " + s.day(w.At) + ": " + w.Reason
	}
	verdict := map[loan.Verdict]Mark{loan.Fit: doneMark("fit"), loan.FitWithConditions: warnMark("fit with conditions"), loan.NotFit: stopMark("not fit")}
	for _, a := range slices.Backward(n.Assessments) {
		p.Assessments = append(p.Assessments, loanSaid{By: a.By.Name, When: s.moment(a.At), Text: a.Statement, Conditions: a.Conditions, Mark: verdict[a.Verdict]})
	}
	for _, k := range slices.Backward(n.Consents) {
		p.Consents = append(p.Consents, loanSaid{By: k.By.Name + ", " + k.Capacity, When: s.moment(k.At), Text: k.Statement})
	}
	for _, t := range slices.Backward(n.Statements) {
		row := loanStatementRow{Path: examinationLink(t.ExaminationID), By: t.By.Name, When: s.moment(t.At), Examined: t.ExaminedOn.Words(), Text: t.Text, NotSeen: t.NotSeen}
		for _, a := range t.Addenda {
			row.Addenda = append(row.Addenda, loanSaid{By: a.By.Name, When: s.moment(a.At), Text: a.Text})
		}
		p.Statements = append(p.Statements, row)
	}
	by := actor(c)
	if l.Examined, err = s.Loan.Outgoing(c.Request().Context(), by, l, n.ID); err != nil {
		return nil, err
	}
	if n.Withdrawal == nil && by.May(examination.Write) == nil {
		p.ExaminePath, p.ExamineWords = examineForLoan(l, n)
	}
	for _, d := range s.lineDeeds() {
		if by.May(d.act) == nil && d.offered(l, n, by) {
			f := d.form(s, l, n)
			f.Action, f.Version, f.Part = p.LoanPath+"/lines/"+itoa(n.Position)+"/"+d.path, l.Version, d.path
			p.Forms = append(p.Forms, openForm{Summary: d.summary, Form: f.ready(c)})
		}
	}
	return p, nil
}

// loanLinePage serves GET /loans/{id}/lines/{line}.
func (s *Server) loanLinePage(c echo.Context) error {
	p, err := s.lineData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "loan/line", p)
}

// lineDeed is an act on a line that has a form on its page.
type lineDeed struct {
	path    string
	summary string
	said    string
	act     domain.Act
	offered func(l *loan.Loan, n *loan.Line, by domain.Actor) bool
	form    func(s *Server, l *loan.Loan, n *loan.Line) *Form
	do      func(s *Server, c echo.Context, n *loan.Line) (typed url.Values, err error)
}

// onLine decodes a form and runs an act of the service on a line.
func onLine[T any](act func(*loan.Service, context.Context, domain.Actor, domain.ID, int64, T) (*loan.Loan, error)) func(*Server, echo.Context, *loan.Line) (url.Values, error) {
	return func(s *Server, c echo.Context, n *loan.Line) (url.Values, error) {
		var command T
		version, typed, err := s.decode(c, &command)
		if err == nil {
			_, err = act(s.Loan, c.Request().Context(), actor(c), n.ID, version, command)
		}
		return typed, err
	}
}

type amendedStatement struct {
	StatementID domain.ID `json:"statement_id"`
	loan.NewAddendum
}

// lineDeeds are the acts on a line.
func (s *Server) lineDeeds() []lineDeed {
	open := func(l *loan.Loan, n *loan.Line, _ domain.Actor) bool { return l.State.Before() && n.Withdrawal == nil }
	return []lineDeed{
		{"assessments", "Assess whether it is fit to travel", "The assessment is signed.", loan.Assess, open, assessmentForm,
			onLine((*loan.Service).Assess)},
		{"consents", "Consent as head of the department", "The consent is recorded.", loan.Decide, func(l *loan.Loan, n *loan.Line, by domain.Actor) bool {
			if !open(l, n, by) || !by.CuratorOf(n.Department) || len(n.Assessments) == 0 {
				return false
			}
			a := n.Assessments[len(n.Assessments)-1]
			return a.Verdict == loan.NotFit && !slices.ContainsFunc(n.Consents, func(k loan.Consent) bool { return k.AssessmentID == a.ID })
		}, consentForm, onLine((*loan.Service).Consent)},
		{"condition-statements", "Sign the outgoing condition", "The condition is signed.", loan.Assess, open, statementForm,
			onLine((*loan.Service).StateCondition)},
		{"addenda", "Write an addendum to a condition statement", "The addendum is signed.", loan.Assess, func(_ *loan.Loan, n *loan.Line, _ domain.Actor) bool { return len(n.Statements) > 0 }, addendumForm,
			func(s *Server, c echo.Context, _ *loan.Line) (url.Values, error) {
				var a amendedStatement
				version, typed, err := s.decode(c, &a)
				if err == nil {
					_, err = s.Loan.AddAddendum(c.Request().Context(), actor(c), a.StatementID, version, a.NewAddendum)
				}
				return typed, err
			}},
		{"conditions", "Set mount, handling and display", "The conditions are set.", loan.Prepare, open, conditionsForm,
			onLine((*loan.Service).SetConditions)},
		{"value", "Set the value", "The value is set.", loan.Value, func(l *loan.Loan, n *loan.Line, by domain.Actor) bool { return open(l, n, by) && n.ValueShown }, valueForm,
			onLine((*loan.Service).SetValue)},
		{"withdrawal", "Take it off the loan", "It is taken off the loan; the record stays.", loan.Manage, open, func(*Server, *loan.Loan, *loan.Line) *Form {
			return &Form{Submit: "Take it off the loan", Grave: true, Fields: []Field{{Kind: "textarea", Name: "statement", Label: "Why", Required: true, Rows: 2, Max: 8000}}}
		}, onLine((*loan.Service).WithdrawLine)},
	}
}

func assessmentForm(*Server, *loan.Loan, *loan.Line) *Form {
	return &Form{Help: "Who assesses for a loan does not approve it.", Submit: "Sign the assessment", Fields: []Field{
		{Kind: "radio", Name: "verdict", Label: "Fit to travel", Required: true, Options: options("", loan.Fit, loan.FitWithConditions, loan.NotFit)},
		{Kind: "textarea", Name: "statement", Label: "Statement", Required: true, Rows: 4, Max: 8000},
		{Kind: "textarea", Name: "conditions", Label: "Conditions", Help: "When it is fit with conditions. They stand in the agreement.", Rows: 3, Max: 8000},
	}}
}

func consentForm(_ *Server, _ *loan.Loan, n *loan.Line) *Form {
	return &Form{Help: "A conservator found this not fit to travel. Your consent does not change that finding; it is recorded beside it, under your name.", Submit: "Consent against the assessment", Grave: true, Fields: []Field{
		{Kind: "text", Name: "capacity", Label: "In which capacity", Value: "head of the department " + n.Department, Required: true, Max: 200},
		{Kind: "textarea", Name: "statement", Label: "Why", Required: true, Rows: 3, Max: 8000},
	}}
}

func statementForm(s *Server, l *loan.Loan, _ *loan.Line) *Form {
	which := []Option{{Label: "choose"}}
	for i, e := range l.Examined {
		which = append(which, Option{Value: e.ID.String(), Label: e.ExaminedOn.Words() + ", " + e.By + ": " + e.Overall, Chosen: i == 0})
	}
	return &Form{Help: "A signed examination made before it goes out. Its age runs from the day of the look, at most " + count(s.Site.OutgoingExaminationDays, "day") + " until the dispatch.", Submit: "Sign the condition", Fields: []Field{
		{Kind: "select", Name: "examination_id", Label: "Outgoing examination", Options: which, Required: true},
		{Kind: "textarea", Name: "text", Label: "To be said beside it", Rows: 2, Max: 20000},
	}}
}

func addendumForm(s *Server, _ *loan.Loan, n *loan.Line) *Form {
	var which []Option
	for _, t := range slices.Backward(n.Statements) {
		which = append(which, Option{Value: t.ID.String(), Label: "Of " + t.ExaminedOn.Words() + ", " + t.By.Name})
	}
	return &Form{Help: "The statement stays as it was signed, and does not become younger.", Submit: "Sign the addendum", Fields: []Field{
		{Kind: "select", Name: "statement_id", Label: "Statement", Required: true, Options: which},
		{Kind: "textarea", Name: "text", Label: "Addendum", Required: true, Rows: 3, Max: 8000},
	}}
}

func conditionsForm(_ *Server, _ *loan.Loan, n *loan.Line) *Form {
	k := n.Conditions
	figure := func(name, label, help string, value *int) Field {
		f := Field{Kind: "number", Name: name, Label: label, Help: help}
		if value != nil {
			f.Value = itoa(*value)
		}
		return f
	}
	positions := options("", handling.Positions...)
	for i := range positions {
		positions[i].Chosen = slices.Contains(k.Positions, positions[i].Value)
	}
	return &Form{Help: "A change asks for a new approval and a new version of the agreement.", Submit: "Set the conditions", Fields: []Field{
		{Kind: "textarea", Name: "mount", Label: "Mount", Value: k.Mount, Rows: 3, Max: 4000},
		{Kind: "textarea", Name: "handling", Label: "Handling", Value: k.Handling, Rows: 3, Max: 4000},
		{Kind: "textarea", Name: "display", Label: "Display", Value: k.Display, Rows: 3, Max: 4000},
		{Kind: "checks", Name: "positions", Label: "Positions allowed", Options: positions},
		{Kind: "group", Label: "Light", Fields: []Field{
			figure("light_lux", "At most, lx", "", k.LightLux),
			figure("light_lux_hours", "Over the whole loan at most, lx·h", "", k.LightLuxHour),
			figure("uv_microwatt_per_lumen", "Ultraviolet at most, µW/lm", "", k.UVMicroWatt)}},
		{Kind: "group", Label: "Climate", Fields: []Field{
			figure("rh_low_percent", "Relative humidity from, %", "", k.RHLow), figure("rh_high_percent", "Relative humidity to, %", "", k.RHHigh),
			figure("t_low_celsius", "Temperature from, °C", "", k.TLow), figure("t_high_celsius", "Temperature to, °C", "", k.THigh)}},
	}}
}

func valueForm(_ *Server, _ *loan.Loan, n *loan.Line) *Form {
	value := ""
	if n.Value != nil {
		value = n.Value.StringFixed(2)
	}
	return &Form{Help: "Seen by registrars, the curators of " + n.Department + " and persons granted by a steward (P3).", Submit: "Set the value", Fields: []Field{
		{Kind: "text", Name: "value", Label: "Value", Help: "Such as 148250.00.", Value: value, Required: true, Max: 20},
		{Kind: "text", Name: "currency", Label: "Currency", Help: "Three capital letters, such as EUR.", Value: n.Currency, Required: true, Max: 3},
		{Kind: "text", Name: "insurer", Label: "Own insurer of this line", Value: n.Insurer, Max: 300},
	}}
}

// doOnLine serves the POST of an act on a line.
func (s *Server) doOnLine(c echo.Context, d lineDeed) error {
	l, n, err := s.lineHere(c)
	if err != nil {
		return err
	}
	typed, err := d.do(s, c, n)
	if err == nil {
		return s.done(c, d.said, loanPath(l.Reference)+"/lines/"+itoa(n.Position))
	}
	p, fault := s.lineData(c)
	if fault != nil {
		return fault
	}
	for i := range p.Forms {
		if p.Forms[i].Form.Part == d.path {
			p.Forms[i].Open = true
			return s.answer(c, p.Forms[i].Form, typed, err, "loan/line", p)
		}
	}
	return err
}

type newLoanLinePage struct {
	Frame
	Reference, LoanPath string
	Asked               string // the number as typed
	Unknown             string // why nothing was found
	Number, Called      string // of the object; empty: none is chosen yet
	Away                []string
	Cautions            []string
	Never               []string
	Form                *Form
}

// newLoanLinePage serves GET /loans/{id}/lines/new: first the number, then what of the object goes.
func (s *Server) newLoanLinePage(c echo.Context) error {
	l, err := s.loanHere(c)
	if err != nil {
		return err
	}
	if !l.State.Before() {
		return c.Redirect(http.StatusSeeOther, loanPath(l.Reference))
	}
	p, err := s.newLineData(c, l, c.QueryParam("number"))
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "loan/new_line", p)
}

func (s *Server) newLineData(c echo.Context, l *loan.Loan, number string) (*newLoanLinePage, error) {
	p := &newLoanLinePage{Reference: l.Reference, LoanPath: loanPath(l.Reference), Asked: strings.TrimSpace(number)}
	p.Frame.Title, p.Here = "Add to loan "+l.Reference, "/loans"
	if p.Asked == "" {
		return p, nil
	}
	t, err := s.Loan.Candidate(c.Request().Context(), actor(c), p.Asked)
	if domain.KindOf(err) == domain.KindInvalid {
		p.Unknown = "No object has the number " + p.Asked + "."
		return p, nil
	}
	if err != nil {
		return nil, err
	}
	o := t.Sheet.Object
	p.Number, p.Called = o.Number, o.Title
	var parts []Option
	for _, k := range t.Sheet.Components {
		label := strings.Repeat("\u2003", len(t.Sheet.Above(k.ID))) + "." + k.Label + " " + k.Name
		switch {
		case k.Removal == collection.Never:
			p.Never = append(p.Never, "."+k.Label+" "+k.Name+" ("+k.RemovalReason+")")
		case slices.Contains(t.Away, k.ID):
			parts = append(parts, Option{Value: k.ID.String(), Label: label + ", off its whole"})
			p.Away = append(p.Away, "."+k.Label+" "+k.Name)
		default:
			parts = append(parts, Option{Value: k.ID.String(), Label: label})
		}
	}
	for _, k := range t.Cautions {
		p.Cautions = append(p.Cautions, k.Hazard+" ("+k.Certainty+") on "+k.On+". "+k.Text)
	}
	f := &Form{Action: p.LoanPath + "/lines", Version: l.Version, Submit: "Put it on the loan", Fields: []Field{{Kind: "hidden", Name: "object_number", Value: o.Number}}}
	if len(parts) > 0 {
		f.Fields = append(f.Fields, Field{Kind: "checks", Name: "component_ids", Label: "Parts", Help: "Choose none to lend the whole object. A part that is lent by itself is taken off before the dispatch.", Options: parts})
	}
	p.Form = f.ready(c)
	return p, nil
}

// addLoanLine serves POST /loans/{id}/lines.
func (s *Server) addLoanLine(c echo.Context) error {
	l, err := s.loanHere(c)
	if err != nil {
		return err
	}
	var n loan.NewLine
	version, typed, err := s.decode(c, &n)
	var line *loan.Line
	if err == nil {
		_, line, err = s.Loan.AddLine(c.Request().Context(), actor(c), l.ID, version, n)
	}
	if err == nil {
		return s.done(c, line.Called()+" is on the loan. Set its value and conditions.", loanPath(l.Reference)+"/lines/"+itoa(line.Position))
	}
	p, fault := s.newLineData(c, l, n.ObjectNumber)
	if fault != nil {
		return fault
	}
	if p.Form == nil {
		return err
	}
	return s.answer(c, p.Form, typed, err, "loan/new_line", p)
}
