package loan

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
)

// Agreement is a numbered version of the agreement, as it was issued. It is sealed and never changed;
// another text is another version.
type Agreement struct {
	ID         domain.ID   `json:"id"`
	Number     int         `json:"number"`
	IssuedBy   Who         `json:"issued_by"`
	IssuedAt   time.Time   `json:"issued_at"`
	SHA256     string      `json:"sha256"` // of the canonical form of its content
	Signatures []Signature `json:"signatures"`
	Holds      bool        `json:"holds"` // it says what the loan says, and there is no later one
	Content    Content     `json:"-"`
	Basis      string      `json:"-"` // SHA-256 of what must not change while it holds
}

// Side is a side of an agreement.
type Side string

// The sides.
const (
	Lender     Side = "lender"
	BorrowerOf Side = "borrower"
)

// Signature is one side's signature to one version (L3). The borrower has no account here: its
// signature is given on paper or elsewhere, and recorded by a registrar as signed outside.
type Signature struct {
	ID            domain.ID `json:"id"`
	AgreementID   domain.ID `json:"agreement_id"`
	Side          Side      `json:"side"`
	Name          string    `json:"name"` // of the person who signed
	Office        string    `json:"office,omitempty"`
	SignedOn      Day       `json:"signed_on"`
	SignedOutside bool      `json:"signed_outside"`
	ScanSHA256    string    `json:"scan_sha256,omitempty"` // of the scanned signed copy
	SHA256        string    `json:"sha256"`                // of the version that was signed
	By            Who       `json:"by"`                    // who signed here, or who recorded it
	At            time.Time `json:"at"`
}

// NewSignature signs a version for the museum, or records the borrower's signature.
type NewSignature struct {
	Side       Side   `json:"side" validate:"required,oneof=lender borrower"`
	Name       string `json:"name" validate:"max=300"`                                       // of the borrower's signatory; for the museum it is you
	Office     string `json:"office" validate:"max=300"`                                     // "director"
	SignedOn   Day    `json:"signed_on" validate:"omitempty,datetime=2006-01-02"`            // of the borrower's; for the museum it is today
	ScanSHA256 string `json:"scan_sha256" validate:"omitempty,len=64,hexadecimal,lowercase"` // of the scanned copy, kept elsewhere
}

// last is the latest version; nil when none was issued.
func (l *Loan) last() *Agreement {
	if len(l.Agreements) == 0 {
		return nil
	}
	return &l.Agreements[len(l.Agreements)-1]
}

// basis is a hash of what the two parties agree on: any change of it needs another version (L3).
func (l *Loan) basis() string {
	type line struct {
		ID         domain.ID  `json:"id"`
		Value      string     `json:"value"`
		Currency   string     `json:"currency"`
		Insurer    string     `json:"insurer"`
		Conditions Conditions `json:"conditions"`
	}
	lines := []line{}
	for _, n := range l.Present() {
		of := line{ID: n.ID, Currency: n.Currency, Insurer: n.Insurer, Conditions: n.Conditions}
		if n.Value != nil {
			of.Value = n.Value.StringFixed(2)
		}
		lines = append(lines, of)
	}
	return fingerprint(map[string]any{"borrower": l.Borrower, "purpose": l.Purpose, "period": l.Span, "venues": l.Venues, "terms": l.Terms, "lines": lines})
}

// agreementHolds says whether the latest version still says what the loan says.
func (l *Loan) agreementHolds() bool { return l.last() != nil && l.last().Basis == l.basis() }

// signed finds a side's signature to a version; nil when there is none. A signature that is older
// than the version is none.
func (a *Agreement) signed(side Side) *Signature {
	i := slices.IndexFunc(a.Signatures, func(s Signature) bool { return s.Side == side && s.SHA256 == a.SHA256 })
	if i < 0 {
		return nil
	}
	return &a.Signatures[i]
}

// unvalued are the lines that have no value.
func (l *Loan) unvalued() []string {
	var missing []string
	for _, n := range l.Present() {
		if n.Value == nil || n.Currency == "" {
			missing = append(missing, "the value of "+n.Called()+", with its currency")
		}
	}
	return missing
}

// Draft is the content of the agreement as it would be issued now.
func (l *Loan) Draft(by domain.Actor, things Things, site domain.Site, at time.Time) Content {
	c := Content{
		Reference: l.Reference, Number: len(l.Agreements) + 1, IssuedAt: stamp(at), IssuedBy: who(by), Lender: Party{site.Name, site.Address}, Borrower: l.Borrower,
		Purpose: l.Purpose, RequestedOn: l.RequestedOn, Period: l.Span, Venues: l.Venues, Terms: l.Terms, Schedule: []Entry{}, Totals: totals(l.Present()),
		Approvals: []Approved{}, Demonstration: site.Demonstration,
	}
	for _, n := range l.Present() {
		if t := things[n.ObjectID]; t != nil {
			c.Schedule = append(c.Schedule, n.entry(t))
		}
	}
	for _, a := range l.Approvals {
		if a.Holds {
			c.Approvals = append(c.Approvals, Approved{Department: a.Department, By: a.By, At: stamp(a.At)})
		}
	}
	return c
}

// Issue freezes the loan as the next version of the agreement, to be signed by both sides.
func (l *Loan) Issue(by domain.Actor, things Things, site domain.Site, at time.Time) error {
	if err := by.May(Manage); err != nil {
		return err
	}
	if err := l.in("issued", Agreed); err != nil {
		return err
	}
	if missing := l.unvalued(); len(missing) > 0 {
		return &domain.Error{Kind: domain.KindRefused, Code: "L1", Message: "An agreement names a value and a currency for every line.", Missing: missing}
	}
	content := l.Draft(by, things, site, at)
	a := Agreement{ID: domain.NewID(), Number: content.Number, IssuedBy: who(by), IssuedAt: at, SHA256: fingerprint(content), Signatures: []Signature{},
		Holds: true, Content: content, Basis: l.basis()}
	l.Agreements = append(l.Agreements, a)
	l.Added.Agreements = append(l.Added.Agreements, a)
	l.hold()
	l.State = Issued
	l.raise(by, nil, "agreement_issued", map[string]any{"number": a.Number, "sha256": a.SHA256}, at)
	return nil
}

// Sign signs a version for the museum, or records the borrower's signature to it. The borrower's
// signature to an earlier version is recorded, because it was given, and does not count (L3).
//
// source: common practice; a signature that is older than the version it claims to sign is invalid.
func (l *Loan) Sign(by domain.Actor, number int, n NewSignature, site domain.Site, at time.Time) error {
	act := Sign
	if n.Side == BorrowerOf {
		act = Manage
	}
	if err := by.May(act); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	if number < 1 || number > len(l.Agreements) {
		return domain.NotFound("No agreement with this number was issued.")
	}
	a := &l.Agreements[number-1]
	if old := a.signed(n.Side); old != nil {
		return domain.RefuseState("L3", "Version "+decimals(number)+" was signed for the "+string(n.Side)+" by "+old.Name+" already.")
	}
	if err := l.before("sign the agreement of"); err != nil {
		return err
	}
	s := Signature{ID: domain.NewID(), AgreementID: a.ID, Side: n.Side, Name: strings.TrimSpace(n.Name), Office: strings.TrimSpace(n.Office), SignedOn: n.SignedOn,
		ScanSHA256: n.ScanSHA256, SHA256: a.SHA256, By: who(by), At: at}
	today := DayOf(at, site.Zone)
	if n.Side == Lender {
		if number != len(l.Agreements) || l.State != Issued {
			return domain.RefuseState("L3", "Version "+decimals(number)+" no longer says what is agreed; sign the version that is in force, when it is issued.")
		}
		var fields []domain.Field
		if s.Name != "" {
			fields = append(fields, domain.Field{Pointer: "/name", Rule: "own", Message: "For the museum you sign with your own name; leave this out."})
		}
		if s.SignedOn != "" && s.SignedOn != today {
			fields = append(fields, domain.Field{Pointer: "/signed_on", Rule: "own", Message: "For the museum you sign today; leave this out."})
		}
		if err := domain.InvalidFields(fields); err != nil {
			return err
		}
		s.Name, s.SignedOn = by.Name, today
	} else {
		var fields []domain.Field
		if s.Name == "" {
			fields = append(fields, domain.Field{Pointer: "/name", Rule: "required", Message: "Say who signed for the borrower."})
		}
		issued := DayOf(a.IssuedAt, site.Zone)
		switch {
		case s.SignedOn == "":
			fields = append(fields, domain.Field{Pointer: "/signed_on", Rule: "required", Message: "Say on which day it was signed."})
		case s.SignedOn < issued:
			fields = append(fields, domain.Field{Pointer: "/signed_on", Rule: "order", Message: "Version " + decimals(number) + " was issued on " + issued.Words() + "; it cannot have been signed before."})
		case s.SignedOn > today:
			fields = append(fields, domain.Field{Pointer: "/signed_on", Rule: "past", Message: "A signature is recorded when it was given, not before."})
		}
		if err := domain.InvalidFields(fields); err != nil {
			return err
		}
		s.SignedOutside = true
	}
	a.Signatures = append(a.Signatures, s)
	l.Added.Signatures = append(l.Added.Signatures, s)
	l.raise(by, nil, "agreement_signed", map[string]any{"number": number, "side": s.Side, "name": s.Name, "sha256": s.SHA256}, at)
	if number == len(l.Agreements) && l.State == Issued && a.signed(Lender) != nil && a.signed(BorrowerOf) != nil {
		l.State = Signed
		l.raise(by, nil, "signed_by_both", map[string]any{"number": number}, at)
	}
	return nil
}

// unsigned says what is missing of the agreement (L3).
func (l *Loan) unsigned() []string {
	a := l.last()
	switch {
	case a == nil:
		return []string{"an agreement, issued and signed by both sides"}
	case a.Basis != l.basis():
		return []string{"a new version of the agreement, signed by both sides: lines, period, values, conditions or terms have changed since version " + decimals(a.Number)}
	}
	var missing []string
	for _, side := range []Side{Lender, BorrowerOf} {
		if a.signed(side) == nil {
			missing = append(missing, "version "+decimals(a.Number)+" of the agreement signed for the "+string(side))
		}
	}
	return missing
}

// outdated are facts of the objects that the version does not tell the borrower: a hazard found, or a
// part gone, since it was issued.
func (a *Agreement) outdated(l *Loan, things Things) []string {
	var missing []string
	for _, n := range l.Present() {
		t := things[n.ObjectID]
		i := slices.IndexFunc(a.Content.Schedule, func(e Entry) bool { return e.LineID == n.ID })
		if t == nil || i < 0 {
			continue
		}
		told, now := a.Content.Schedule[i], n.entry(t)
		for _, w := range now.Cautions {
			known := slices.ContainsFunc(told.Cautions, func(o Warning) bool { return o.Hazard == w.Hazard && o.On == w.On })
			if !known && w.Certainty != "removed" {
				missing = append(missing, "a new version of the agreement that tells of "+w.Hazard+" ("+w.Certainty+") on "+w.On)
			}
		}
		if !slices.Equal(told.NotIncluded, now.NotIncluded) {
			missing = append(missing, "a new version of the agreement that says which parts of "+n.Called()+" go and which do not")
		}
	}
	return missing
}
