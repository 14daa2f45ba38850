package web

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/loan"
)

// loanDeed is an act on a loan that has a form on its page.
type loanDeed struct {
	path    string // last part of the form's address
	summary string
	said    string // after it was done
	act     domain.Act
	offered func(l *loan.Loan, by domain.Actor) bool
	form    func(s *Server, l *loan.Loan) Form
	do      func(s *Server, c echo.Context, l *loan.Loan) (typed url.Values, err error)
}

// deed decodes a form into a command and runs an act of the service.
func deed[T any](act func(ctx context.Context, s *Server, by domain.Actor, l *loan.Loan, version int64, command T) error) func(*Server, echo.Context, *loan.Loan) (url.Values, error) {
	return func(s *Server, c echo.Context, l *loan.Loan) (url.Values, error) {
		var command T
		version, typed, err := s.decode(c, &command)
		if err == nil {
			err = act(c.Request().Context(), s, actor(c), l, version, command)
		}
		return typed, err
	}
}

// onLoan is deed for an act of the service that takes the loan's ID.
func onLoan[T any](act func(*loan.Service, context.Context, domain.Actor, domain.ID, int64, T) (*loan.Loan, error)) func(*Server, echo.Context, *loan.Loan) (url.Values, error) {
	return deed(func(ctx context.Context, s *Server, by domain.Actor, l *loan.Loan, version int64, command T) error {
		_, err := act(s.Loan, ctx, by, l.ID, version, command)
		return err
	})
}

func inStates(states ...loan.State) func(*loan.Loan, domain.Actor) bool {
	return func(l *loan.Loan, _ domain.Actor) bool { return slices.Contains(states, l.State) }
}

func beforeDispatch(l *loan.Loan, _ domain.Actor) bool { return l.State.Before() }

// telling is a form with one statement.
func telling(label, help, submit string, grave bool) func(*Server, *loan.Loan) Form {
	return func(*Server, *loan.Loan) Form {
		return Form{Submit: submit, Grave: grave, Fields: []Field{{Kind: "textarea", Name: "statement", Label: label, Help: help, Required: true, Rows: 3, Max: 8000}}}
	}
}

type withdrawnCertificate struct {
	InsuranceID domain.ID `json:"insurance_id"`
	loan.Telling
}

// placeList is the ID of the list of places that a hand-over's form offers.
const placeList = "loan-places"

// placedHandOver is a hand-over as its form sends it: the place by the code on its label.
type placedHandOver struct {
	loan.NewHandOver
	PlaceCode string `json:"place_code"`
}

// handOver runs a hand-over of the service with the place that the code names.
func handOver(act func(*loan.Service, context.Context, domain.Actor, domain.ID, int64, loan.NewHandOver) (*loan.Loan, error)) func(*Server, echo.Context, *loan.Loan) (url.Values, error) {
	return deed(func(ctx context.Context, s *Server, by domain.Actor, l *loan.Loan, version int64, h placedHandOver) error {
		if h.PlaceCode != "" {
			place, err := s.Movement.PlaceByCode(ctx, by, h.PlaceCode)
			if domain.KindOf(err) == domain.KindNotFound {
				return domain.Invalid("/place_code", "place", "No place has this code.")
			}
			if err != nil {
				return err
			}
			h.PlaceID = &place.ID
		}
		_, err := act(s.Loan, ctx, by, l.ID, version, h.NewHandOver)
		return atPlaceCode(err)
	})
}

// atPlaceCode points a fault of the place to the field that names it.
func atPlaceCode(err error) error {
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) == 0 {
		return err
	}
	copied := *e
	copied.Fields = slices.Clone(e.Fields)
	for i := range copied.Fields {
		if copied.Fields[i].Pointer == "/place_id" {
			copied.Fields[i].Pointer = "/place_code"
		}
	}
	return &copied
}

type signedVersion struct {
	Number int `json:"number"`
	loan.NewSignature
}

// loanDeeds are the acts on a loan, in the order of its way.
func (s *Server) loanDeeds() []loanDeed {
	return []loanDeed{
		{"approvals", "Approve", "You have approved the loan for your department.", loan.Decide, func(l *loan.Loan, by domain.Actor) bool {
			return (l.State == loan.Requested || l.State == loan.Assessing) && slices.ContainsFunc(l.Departments, by.CuratorOf)
		}, telling("Statement", "You approve what is lent, where, when, for what purpose and under which conditions.", "Approve in principle", false),
			onLoan((*loan.Service).Approve)},
		{"declines", "Decline", "The request is declined.", loan.Decide, func(l *loan.Loan, by domain.Actor) bool {
			return (l.State == loan.Requested || l.State == loan.Assessing || l.State == loan.Agreed) && slices.ContainsFunc(l.Departments, by.CuratorOf)
		}, telling("Why", "", "Decline the request", true),
			onLoan((*loan.Service).Decline)},
		{"agreements", "Issue the agreement", "The agreement is issued.", loan.Manage, inStates(loan.Agreed), func(*Server, *loan.Loan) Form {
			return Form{Help: "It becomes a numbered version, sealed as it is now. A later change of lines, period, values, conditions or terms needs another version.", Submit: "Issue the next version"}
		}, deed(func(ctx context.Context, s *Server, by domain.Actor, l *loan.Loan, version int64, _ struct{}) error {
			_, err := s.Loan.Issue(ctx, by, l.ID, version)
			return err
		})},
		{"lender-signature", "Sign for the museum", "You have signed for the museum.", loan.Sign, func(l *loan.Loan, _ domain.Actor) bool {
			return l.State == loan.Issued && !signedBy(l, len(l.Agreements)-1, loan.Lender)
		}, lenderForm, signDeed(loan.Lender)},
		{"borrower-signature", "Record the borrower's signature", "The borrower's signature is recorded.", loan.Manage, func(l *loan.Loan, _ domain.Actor) bool {
			return l.State.Before() && len(unsignedVersions(l)) > 0
		}, borrowerForm, signDeed(loan.BorrowerOf)},
		{"facilities-assessments", "Assess the facilities of a venue", "The assessment of the facilities is kept.", loan.Assess, beforeDispatch, facilitiesForm,
			onLoan((*loan.Service).AssessFacilities)},
		{"insurances", "Enter a certificate of insurance or indemnity", "The certificate is entered.", loan.Manage, func(l *loan.Loan, _ domain.Actor) bool { return !l.State.Over() }, insuranceForm,
			onLoan((*loan.Service).Insure)},
		{"insurance-withdrawals", "Take back a certificate", "The certificate is withdrawn.", loan.Manage, func(l *loan.Loan, _ domain.Actor) bool {
			return !l.State.Over() && slices.ContainsFunc(l.Insurances, func(i loan.Insurance) bool { return i.Withdrawal == nil })
		}, certificateForm, deed(func(ctx context.Context, s *Server, by domain.Actor, _ *loan.Loan, version int64, w withdrawnCertificate) error {
			_, err := s.Loan.WithdrawInsurance(ctx, by, w.InsuranceID, version, w.Telling)
			return err
		})},
		{"preparation", "Record that everything is prepared", "The loan is prepared.", loan.Manage, inStates(loan.Signed), telling("What was prepared", "Crates with their numbers, mounts, photographs, licences.", "It is prepared", false),
			onLoan((*loan.Service).Ready)},
		{"dispatch", "Dispatch", "The loan is on its way.", loan.Manage, inStates(loan.Prepared), handOverForm("Let it leave", loan.Dispatched),
			handOver((*loan.Service).Dispatch)},
		{"receipt", "Record the arrival at a venue", "The arrival is recorded.", loan.Hand, inStates(loan.Dispatched, loan.Packing), handOverForm("Record the arrival", loan.Received),
			handOver((*loan.Service).Receive)},
		{"display", "Record the installation", "The loan is on display.", loan.Hand, inStates(loan.Received), telling("Installation", "Case, who closed it, what is measured.", "It is on display", false),
			onLoan((*loan.Service).Display)},
		{"packing", "Record the packing at the venue", "The packing is recorded.", loan.Hand, inStates(loan.Received, loan.OnDisplay, loan.Recalled), handOverForm("Record the packing", loan.Packing),
			handOver((*loan.Service).Pack)},
		{"return", "Record the return", "The loan is back.", loan.Manage, inStates(loan.Packing, loan.Recalled), handOverForm("It is back", loan.Returned),
			handOver((*loan.Service).Return)},
		{"closure", "Close the loan", "The loan is closed.", loan.Manage, inStates(loan.Returned), telling("Statement", "Costs settled, the file complete.", "Close the loan", false),
			onLoan((*loan.Service).Close)},
		{"cancellation", "Cancel the loan", "The loan is cancelled.", loan.End, func(l *loan.Loan, by domain.Actor) bool { return l.State.Before() && mayEnd(l, by) }, telling("Why", "", "Cancel the loan", true),
			onLoan((*loan.Service).Cancel)},
		{"recall", "Recall the loan", "The loan is recalled.", loan.End, func(l *loan.Loan, by domain.Actor) bool {
			return l.State.Out() && l.State != loan.Recalled && mayEnd(l, by)
		}, telling("Why", "Such as an object at risk, or terms that are not kept.", "Recall the loan", true),
			onLoan((*loan.Service).Recall)},
	}
}

func mayEnd(l *loan.Loan, by domain.Actor) bool {
	return by.Has(domain.Registrar) || slices.ContainsFunc(l.Departments, by.CuratorOf)
}

func signedBy(l *loan.Loan, at int, side loan.Side) bool {
	return at >= 0 && slices.ContainsFunc(l.Agreements[at].Signatures, func(g loan.Signature) bool { return g.Side == side })
}

// unsignedVersions are the versions that the borrower has not signed, the latest first.
func unsignedVersions(l *loan.Loan) []Option {
	var all []Option
	for i := range slices.Backward(l.Agreements) {
		if !signedBy(l, i, loan.BorrowerOf) {
			label := fmt.Sprintf("Version %d", l.Agreements[i].Number)
			if !l.Agreements[i].Holds {
				label += ", no longer in force; the signature does not count"
			}
			all = append(all, Option{Value: itoa(l.Agreements[i].Number), Label: label})
		}
	}
	return all
}

func signDeed(side loan.Side) func(*Server, echo.Context, *loan.Loan) (url.Values, error) {
	return deed(func(ctx context.Context, s *Server, by domain.Actor, l *loan.Loan, version int64, n signedVersion) error {
		n.Side = side
		_, err := s.Loan.Sign(ctx, by, l.ID, version, n.Number, n.NewSignature)
		return err
	})
}

func lenderForm(_ *Server, l *loan.Loan) Form {
	last := l.Agreements[len(l.Agreements)-1]
	return Form{Help: fmt.Sprintf("You sign version %d, SHA-256 %s, as you find it in the papers above. Read them first.", last.Number, last.SHA256), Submit: "Sign for the museum",
		Fields: []Field{{Kind: "hidden", Name: "number", Value: itoa(last.Number)}, {Kind: "text", Name: "office", Label: "Your office", Max: 300}}}
}

func borrowerForm(_ *Server, l *loan.Loan) Form {
	return Form{Help: "Given on paper or elsewhere; recorded as signed outside.", Submit: "Record the signature", Fields: []Field{
		{Kind: "select", Name: "number", Label: "What was signed", Required: true, Options: unsignedVersions(l)},
		{Kind: "text", Name: "name", Label: "Who signed", Required: true, Max: 300},
		{Kind: "text", Name: "office", Label: "Office", Max: 300},
		{Kind: "date", Name: "signed_on", Label: "Signed on", Required: true},
		{Kind: "text", Name: "scan_sha256", Label: "SHA-256 of the scanned copy", Help: "64 digits, when a scan is kept.", Max: 64},
	}}
}

func facilitiesForm(s *Server, l *loan.Loan) Form {
	venues := make([]Option, len(l.Venues))
	for i, v := range l.Venues {
		venues[i] = Option{Value: v.ID.String(), Label: v.Name}
	}
	exceptions := Field{Kind: "group", Label: "Exceptions", Help: "Each thing in which the venue does not meet what the objects need. Empty rows are left out."}
	for i := range 3 {
		at := "exceptions." + itoa(i)
		exceptions.Fields = append(exceptions.Fields, Field{Kind: "group", Label: "Exception " + itoa(i+1), Fields: []Field{
			{Kind: "text", Name: at + ".requirement", Label: "What is needed", Max: 1000},
			{Kind: "text", Name: at + ".found", Label: "What the venue has", Max: 2000},
			{Kind: "checkbox", Name: at + ".accepted", Label: "I accept it"},
			{Kind: "text", Name: at + ".statement", Label: "Why, and with what in its place", Max: 4000},
		}})
	}
	return Form{Submit: "Sign the assessment", Fields: []Field{
		{Kind: "select", Name: "venue_id", Label: "Venue", Required: true, Options: venues},
		{Kind: "date", Name: "report_on", Label: "Date of the facilities report", Required: true},
		{Kind: "date", Name: "assessed_on", Label: "Assessed on", Value: string(loan.DayOf(s.Now(), s.Site.Zone)), Required: true},
		{Kind: "textarea", Name: "summary", Label: "What it found", Required: true, Rows: 3, Max: 8000},
		exceptions,
	}}
}

func insuranceForm(_ *Server, l *loan.Loan) Form {
	return Form{Help: "Every day from the dispatch to the return is covered, up to the total of the values in each currency.", Submit: "Enter the certificate", Fields: []Field{
		{Kind: "radio", Name: "kind", Label: "Kind", Required: true, Options: options("insurance", "insurance", "indemnity")},
		{Kind: "text", Name: "insurer", Label: "Insurer, or scheme of the indemnity", Required: true, Max: 300},
		{Kind: "text", Name: "certificate", Label: "Number of the certificate", Required: true, Max: 200},
		{Kind: "text", Name: "sum", Label: "Sum", Help: "Such as 148250.00.", Required: true, Max: 20},
		{Kind: "text", Name: "currency", Label: "Currency", Help: "Three capital letters, such as EUR.", Required: true, Max: 3},
		{Kind: "date", Name: "from_on", Label: "From", Value: string(l.From), Required: true},
		{Kind: "date", Name: "until_on", Label: "Until", Value: string(l.Until), Required: true},
		{Kind: "text", Name: "note", Label: "Note", Max: 2000},
	}}
}

func certificateForm(_ *Server, l *loan.Loan) Form {
	var open []Option
	for _, i := range l.Insurances {
		if i.Withdrawal == nil {
			open = append(open, Option{Value: i.ID.String(), Label: i.Insurer + ", " + i.Certificate})
		}
	}
	return Form{Submit: "Take the certificate back", Grave: true, Fields: []Field{
		{Kind: "select", Name: "insurance_id", Label: "Certificate", Required: true, Options: open},
		{Kind: "textarea", Name: "statement", Label: "Why", Required: true, Rows: 2, Max: 8000},
	}}
}

// handOverForm is the form of a hand-over, with a group for each line.
func handOverForm(submit string, stage loan.State) func(*Server, *loan.Loan) Form {
	return func(s *Server, l *loan.Loan) Form {
		today := loan.DayOf(s.Now(), s.Site.Zone)
		f := Form{Submit: submit, Fields: []Field{
			{Kind: "text", Name: "given_by", Label: "Given by", Required: true, Max: 300},
			{Kind: "text", Name: "received_by", Label: "Received by", Required: true, Max: 300},
			{Kind: "text", Name: "crates_and_seals", Label: "Crates and seals", Help: "Counted, with their numbers.", Required: true, Max: 2000},
		}}
		found := []loan.Found{loan.Unchanged, loan.Changed}
		if stage == loan.Dispatched {
			found = append([]loan.Found{loan.CrateOnly}, found...)
			f.Help = "This is the record of exit: you authorise it."
			f.Fields = append(f.Fields, Field{Kind: "text", Name: "carrier", Label: "Carrier", Value: l.Transport, Required: true, Max: 300})
		} else {
			f.Help = "Everything is examined first, for this loan, and compared with the examination before: what is new or worse counts as changed. A closed crate does not count."
			f.Fields = append(f.Fields, Field{Kind: "date", Name: "happened_on", Label: "On", Value: string(today)})
		}
		if stage == loan.Received && len(l.Venues) > 1 {
			var venues []Option
			for _, v := range l.Venues {
				venues = append(venues, Option{Value: v.ID.String(), Label: v.Name})
			}
			f.Fields = append(f.Fields, Field{Kind: "select", Name: "venue_id", Label: "Venue", Required: true, Options: venues})
		}
		if stage != loan.Packing {
			label := map[loan.State]string{loan.Dispatched: "On its way to the place", loan.Received: "Stands now in", loan.Returned: "Stands now in"}[stage]
			f.Fields = append(f.Fields, Field{Kind: "text", Name: "place_code", Label: label, Help: "The code on the label of the place.", List: placeList, Required: true, Max: 60})
		}
		for i, n := range l.Present() {
			at := "conditions." + itoa(i)
			f.Fields = append(f.Fields, Field{Kind: "group", Label: n.Called() + ", " + n.Title, Fields: []Field{
				{Kind: "hidden", Name: at + ".line_id", Value: n.ID.String()},
				{Kind: "radio", Name: at + ".found", Label: "Found", Options: options("", found...)},
				{Kind: "textarea", Name: at + ".statement", Label: "What has changed, or a remark", Rows: 2, Max: 8000},
			}})
		}
		return f
	}
}

// deedForm is the form of an act, made ready.
func (s *Server) deedForm(c echo.Context, l *loan.Loan, d loanDeed) *Form {
	f := d.form(s, l)
	f.Action, f.Version, f.Part = loanPath(l.Reference)+"/"+d.path, l.Version, d.path
	return f.ready(c)
}

// doOnLoan serves the POST of an act on a loan; a refused form comes back open on the loan's page.
func (s *Server) doOnLoan(c echo.Context, d loanDeed) error {
	l, err := s.loanHere(c)
	if err != nil {
		return err
	}
	typed, err := d.do(s, c, l)
	if err == nil {
		return s.done(c, d.said, loanPath(l.Reference))
	}
	p, _, fault := s.loanData(c)
	if fault != nil {
		return fault
	}
	for i := range p.Forms {
		if p.Forms[i].Form.Part == d.path {
			p.Forms[i].Open = true
			return s.answer(c, p.Forms[i].Form, typed, err, "loan/loan", p)
		}
	}
	// The act is not offered in this state; the refusal says why.
	return err
}
