package loan

import (
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// Insurance is a certificate of insurance, or of an indemnity by a state, for a loan. A certificate
// that was entered wrongly is withdrawn and entered again.
type Insurance struct {
	ID          domain.ID       `json:"id"`
	Kind        string          `json:"kind"` // insurance, indemnity
	Insurer     string          `json:"insurer"`
	Certificate string          `json:"certificate"`
	Sum         decimal.Decimal `json:"sum"`
	Currency    string          `json:"currency"`
	Span
	Note       string      `json:"note,omitempty"`
	By         Who         `json:"by"`
	At         time.Time   `json:"at"`
	Withdrawal *Withdrawal `json:"withdrawal,omitempty"`
}

// NewInsurance enters a certificate.
type NewInsurance struct {
	Kind        string           `json:"kind" validate:"required,oneof=insurance indemnity"`
	Insurer     string           `json:"insurer" validate:"required,max=300"`
	Certificate string           `json:"certificate" validate:"required,max=200"`
	Sum         *decimal.Decimal `json:"sum" validate:"required"`
	Currency    string           `json:"currency" validate:"required,currency"`
	From        Day              `json:"from_on" validate:"required,datetime=2006-01-02"`
	Until       Day              `json:"until_on" validate:"required,datetime=2006-01-02"`
	Note        string           `json:"note" validate:"max=2000"`
}

// Insure enters a certificate. It may come before or after the dispatch: a cover that runs out while
// the loan is away is extended by another certificate.
func (l *Loan) Insure(by domain.Actor, n NewInsurance, at time.Time) error {
	if err := by.May(Manage); err != nil {
		return err
	}
	if l.State.Over() {
		return domain.RefuseState("L3", "This loan is "+l.State.Words()+".")
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	fields := append(period(n.From, n.Until, "/from_on", "/until_on"), moneyFault(*n.Sum, "/sum", true)...)
	if err := domain.InvalidFields(fields); err != nil {
		return err
	}
	i := Insurance{ID: domain.NewID(), Kind: n.Kind, Insurer: strings.TrimSpace(n.Insurer), Certificate: strings.TrimSpace(n.Certificate), Sum: n.Sum.Round(2),
		Currency: n.Currency, Span: Span{n.From, n.Until}, Note: strings.TrimSpace(n.Note), By: who(by), At: at}
	l.Insurances = append(l.Insurances, i)
	l.Added.Insurances = append(l.Added.Insurances, i)
	l.raise(by, nil, "insured", i, at)
	return nil
}

// WithdrawInsurance takes back a certificate that does not hold.
func (l *Loan) WithdrawInsurance(by domain.Actor, id domain.ID, t Telling, at time.Time) error {
	if err := by.May(Manage); err != nil {
		return err
	}
	if l.State.Over() {
		return domain.RefuseState("L3", "This loan is "+l.State.Words()+".")
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	for i := range l.Insurances {
		in := &l.Insurances[i]
		switch {
		case in.ID != id:
		case in.Withdrawal != nil:
			return domain.RefuseState("L3", "This certificate was withdrawn by "+in.Withdrawal.By.Name+" already.")
		default:
			in.Withdrawal = &Withdrawal{Reason: strings.TrimSpace(t.Statement), By: who(by), At: at}
			l.raise(by, nil, "insurance_withdrawn", map[string]any{"insurance": id, "reason": in.Withdrawal.Reason}, at)
			return nil
		}
	}
	return domain.NotFound("There is no such certificate.")
}

// uncovered are the days of a period on which certificates in a currency do not reach a total
// together. The certificates of other currencies do not count.
func uncovered(all []Insurance, currency string, total decimal.Decimal, of Span) []Span {
	var own []Insurance
	var spans []Span
	for _, i := range all {
		if i.Withdrawal == nil && i.Currency == currency {
			own, spans = append(own, i), append(spans, i.Span)
		}
	}
	days := boundaries(of, spans)
	var gaps []Span
	for k, first := range days {
		last := of.Until
		if k+1 < len(days) {
			last = days[k+1].Plus(-1)
		}
		sum := decimal.Zero
		for _, i := range own {
			if i.From <= first && last <= i.Until {
				sum = sum.Add(i.Sum)
			}
		}
		switch {
		case sum.GreaterThanOrEqual(total):
		case len(gaps) > 0 && gaps[len(gaps)-1].Until.Plus(1) == first:
			gaps[len(gaps)-1].Until = last
		default:
			gaps = append(gaps, Span{first, last})
		}
	}
	return gaps
}

// uninsured says what is missing of insurance and indemnity from a day to the planned return (L3). It
// tells no figures, because more people see what is missing than may see values (P3).
//
// source: Spectrum 5.0 (Collections Trust 2017), Loans out: insurance or indemnity for the whole of
// the loan; ICOM Guidelines for Loans, 1974, from nail to nail.
func (l *Loan) uninsured(from Day) []string {
	var missing []string
	for _, t := range totals(l.Present()) {
		total, err := decimal.NewFromString(t.Sum)
		if err != nil || from > l.Until {
			continue
		}
		for _, gap := range uncovered(l.Insurances, t.Currency, total, Span{from, l.Until}) {
			missing = append(missing, "insurance or indemnity in "+t.Currency+" up to the total of the values "+gap.Words())
		}
	}
	return missing
}

// Exception is something in which a venue does not meet what the objects need.
type Exception struct {
	Requirement string `json:"requirement" validate:"required,max=1000"`
	Found       string `json:"found" validate:"required,max=2000"`
	Accepted    bool   `json:"accepted"`
	Statement   string `json:"statement" validate:"max=4000"` // why it is accepted, and with what in its place
}

// Facilities is a conservator's assessment of a venue against what the objects need (L3). A later one
// takes the place of an earlier.
type Facilities struct {
	ID         domain.ID   `json:"id"`
	VenueID    domain.ID   `json:"venue_id"`
	Venue      string      `json:"venue"`
	ReportOn   Day         `json:"report_on"` // of the borrower's facilities report
	AssessedOn Day         `json:"assessed_on"`
	Summary    string      `json:"summary"`
	Exceptions []Exception `json:"exceptions"`
	By         Who         `json:"by"`
	At         time.Time   `json:"at"`
}

// NewFacilities assesses a venue.
type NewFacilities struct {
	VenueID    domain.ID   `json:"venue_id" validate:"required"`
	ReportOn   Day         `json:"report_on" validate:"required,datetime=2006-01-02"`
	AssessedOn Day         `json:"assessed_on" validate:"required,datetime=2006-01-02"`
	Summary    string      `json:"summary" validate:"required,max=8000"`
	Exceptions []Exception `json:"exceptions" validate:"max=200,dive"`
}

// AssessFacilities records how a venue meets what the objects need. Each exception is listed, and is
// accepted with a reason or not.
func (l *Loan) AssessFacilities(by domain.Actor, n NewFacilities, site domain.Site, at time.Time) error {
	if err := by.May(Assess); err != nil {
		return err
	}
	if err := l.before("assess for"); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	venue := slices.IndexFunc(l.Venues, func(v Venue) bool { return v.ID == n.VenueID })
	if venue < 0 {
		return domain.Invalid("/venue_id", "venue", "This is no venue of this loan.")
	}
	fields := period(n.ReportOn, n.AssessedOn, "/report_on", "/assessed_on")
	if len(fields) == 0 && n.AssessedOn > DayOf(at, site.Zone) {
		fields = append(fields, domain.Field{Pointer: "/assessed_on", Rule: "past", Message: "An assessment is recorded when it was made, not before."})
	}
	for i, e := range n.Exceptions {
		if e.Accepted && strings.TrimSpace(e.Statement) == "" {
			fields = append(fields, domain.Field{Pointer: "/exceptions/" + decimals(i) + "/statement", Rule: "required", Message: "Say why it is accepted."})
		}
	}
	if err := domain.InvalidFields(fields); err != nil {
		return err
	}
	if err := l.notApprover(by); err != nil {
		return err
	}
	f := Facilities{ID: domain.NewID(), VenueID: n.VenueID, Venue: l.Venues[venue].Name, ReportOn: n.ReportOn, AssessedOn: n.AssessedOn,
		Summary: strings.TrimSpace(n.Summary), Exceptions: n.Exceptions, By: who(by), At: at}
	if f.Exceptions == nil {
		f.Exceptions = []Exception{}
	}
	l.Facilities = append(l.Facilities, f)
	l.Added.Facilities = append(l.Added.Facilities, f)
	l.raise(by, nil, "facilities_assessed", map[string]any{"venue": f.Venue, "exceptions": len(f.Exceptions)}, at)
	l.begin(by, at)
	return nil
}

// unassessedVenues says what is missing about the facilities of the venues (L3).
func (l *Loan) unassessedVenues() []string {
	var missing []string
	for _, v := range l.Venues {
		var last *Facilities
		for i := range l.Facilities {
			if l.Facilities[i].VenueID == v.ID {
				last = &l.Facilities[i]
			}
		}
		if last == nil {
			missing = append(missing, "an assessment of the facilities of "+v.Name)
			continue
		}
		for _, e := range last.Exceptions {
			if !e.Accepted {
				missing = append(missing, "a conservator's acceptance of the exception at "+v.Name+": "+e.Requirement)
			}
		}
	}
	return missing
}
