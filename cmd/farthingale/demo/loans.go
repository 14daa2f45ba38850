package demo

import (
	"context"
	"fmt"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/incident"
	"farthingale/domain/loan"
)

// lending is a loan of the demonstration in short.
type lending struct {
	number, purpose, value, insured string
	from, until                     int // days from the present
	verdict                         loan.Verdict
	conditions                      string
}

// day is a day so many days from the present.
func (l *loader) day(days int) loan.Day {
	return loan.DayOf(l.present.AddDate(0, 0, days), l.present.Location())
}

// lend brings a loan so far that the agreement is issued and signed for the museum.
func (l *loader) lend(p lending, transport string) (*loan.Loan, *loan.Line, error) {
	rosa, ines, maud := l.people["rosa"], l.people["ines"], l.people["maud"]
	span := loan.Span{From: l.day(p.from), Until: l.day(p.until)}
	lux, low, high := 50, 40, 50
	k, err := l.h.Loan.Create(l.ctx, rosa, loan.Facts{
		Borrower: loan.Borrower{Name: "Lighthouse Museum, Nordvik (invented)", Address: "The Mole, Nordvik", Contact: "Registrar's office"},
		Purpose:  p.purpose, Span: span, RequestedOn: loan.DayOf(l.clock, l.present.Location()), Transport: transport, Courier: map[bool]string{true: "Hugo Beck"}[transport != ""],
		Venues: []loan.Venue{{Name: "Lighthouse Museum, lower gallery", Address: "The Mole, Nordvik", Span: span}},
	})
	var line *loan.Line
	if err == nil {
		k, line, err = l.h.Loan.AddLine(l.ctx, rosa, k.ID, k.Version, loan.NewLine{ObjectNumber: p.number, Conditions: loan.Conditions{
			Mount: "Full support by the lender.", Handling: "Two people, nitrile gloves.", Display: "Closed case.", Positions: []string{"in_case"}, LightLux: &lux, RHLow: &low, RHHigh: &high}})
	}
	if err == nil {
		k, err = l.h.Loan.SetValue(l.ctx, rosa, line.ID, k.Version, loan.Valuation{Value: dec(p.value), Currency: "EUR"})
	}
	if err == nil {
		k, err = l.h.Loan.Assess(l.ctx, ines, line.ID, k.Version, loan.NewAssessment{Verdict: p.verdict, Statement: "Examined on the bench; sound enough to travel lying.", Conditions: p.conditions})
	}
	if err == nil {
		k, err = l.h.Loan.AssessFacilities(l.ctx, ines, k.ID, k.Version, loan.NewFacilities{VenueID: k.Venues[0].ID, ReportOn: loan.DayOf(l.clock, l.present.Location()),
			AssessedOn: loan.DayOf(l.clock, l.present.Location()), Summary: "Closed cases, steady climate, guarded by day, alarm by night."})
	}
	if err == nil {
		k, err = l.h.Loan.Approve(l.ctx, maud, k.ID, k.Version, loan.Telling{Statement: "A fitting loan."})
	}
	if err == nil {
		k, err = l.h.Loan.Insure(l.ctx, rosa, k.ID, k.Version, loan.NewInsurance{Kind: "insurance", Insurer: "Harbour Mutual (invented)", Certificate: "HM-" + p.number, Sum: dec(p.insured), Currency: "EUR", From: span.From, Until: span.Until})
	}
	if err == nil {
		k, err = l.h.Loan.Issue(l.ctx, rosa, k.ID, k.Version)
	}
	if err == nil {
		k, err = l.h.Loan.Sign(l.ctx, maud, k.ID, k.Version, len(k.Agreements), loan.NewSignature{Side: "lender", Office: "curator"})
	}
	if err != nil {
		return nil, nil, fmt.Errorf("loan of %s: %w", p.number, err)
	}
	return k, line, nil
}

// loanOut has been at the borrower's for some weeks.
func (l *loader) loanOut() error {
	l.on(56, 10)
	k, line, err := l.lend(lending{number: "1969.2.1", purpose: "Exhibition 'Lamps and bells'", value: "4200.00", insured: "5000.00", from: -50, until: 90, verdict: "fit"}, "Own van, two drivers, no stops unattended")
	if err != nil {
		return err
	}
	rosa := l.people["rosa"]
	k, err = l.h.Loan.Sign(l.ctx, rosa, k.ID, k.Version, len(k.Agreements), loan.NewSignature{Side: "borrower", Name: "Edda Roth (invented)", Office: "director", SignedOn: loan.DayOf(l.clock, l.present.Location())})
	l.on(52, 10)
	if err == nil {
		k, err = l.stateCondition(k, line, "Dent above the left window, old; green spots on the corselet, dry, stable.")
	}
	if err == nil {
		k, err = l.h.Loan.Ready(l.ctx, rosa, k.ID, k.Version, loan.Telling{Statement: "Crate 1 of 1 packed, seals 0041 and 0042."})
	}
	l.on(50, 9)
	place := l.places["OUT-LM"]
	if err == nil {
		k, err = l.h.Loan.Dispatch(l.ctx, rosa, k.ID, k.Version, loan.NewHandOver{GivenBy: "Rosa Amsel", ReceivedBy: "the driver, Old Ropewalk Carriers (invented)", Carrier: "Old Ropewalk Carriers (invented)", CratesAndSeals: "1 crate, seals 0041 and 0042", PlaceID: &place})
	}
	l.on(49, 15)
	if err == nil {
		v := verdicts["1969.2.1"]
		_, err = l.examine("rosa", l.objects["1969.2.1"], look{occasion: examination.Arrival, overall: v.second, of: v, loan: &k.ID, photos: []domain.ID{}})
	}
	if err == nil {
		k, err = l.h.Loan.Receive(l.ctx, rosa, k.ID, k.Version, loan.NewHandOver{GivenBy: "the driver", ReceivedBy: "Edda Roth (invented)", CratesAndSeals: "1 crate, seals whole", PlaceID: &place,
			Conditions: []loan.NewLineCondition{{LineID: line.ID, Found: "unchanged", Statement: "As in the report that travelled with it.", ExaminedBy: "Edda Roth (invented)", ExaminedOn: l.day(-49)}}})
	}
	l.on(47, 12)
	if err == nil {
		_, err = l.h.Loan.Display(l.ctx, rosa, k.ID, k.Version, loan.Telling{Statement: "In case 4 of the lower gallery."})
	}
	return err
}

// lent is a loan of one object that is away.
type lent struct {
	loan *loan.Loan
	line *loan.Line
}

// loanThere goes out and is shown; loanBack brings it home.
func (l *loader) loanThere() error {
	l.on(59, 9)
	k, line, err := l.lend(lending{number: "1968.14.5", purpose: "Exhibition 'Pilots of the coast'", value: "900.00", insured: "1000.00", from: -58, until: 20, verdict: "fit_with_conditions", conditions: "Lying on silicone paper, cool."}, "Own van, two drivers, no stops unattended")
	if err != nil {
		return err
	}
	rosa, obj := l.people["rosa"], l.objects["1968.14.5"]
	k, err = l.h.Loan.Sign(l.ctx, rosa, k.ID, k.Version, len(k.Agreements), loan.NewSignature{Side: "borrower", Name: "Edda Roth (invented)", Office: "director", SignedOn: loan.DayOf(l.clock, l.present.Location())})
	if err == nil {
		k, err = l.stateCondition(k, line, "Sticky on the left lobe, as in autumn.")
	}
	if err == nil {
		k, err = l.h.Loan.Ready(l.ctx, rosa, k.ID, k.Version, loan.Telling{Statement: "Box 1 of 1 packed, seal 0038."})
	}
	l.on(58, 8)
	place := l.places["OUT-LM"]
	if err == nil {
		k, err = l.h.Loan.Dispatch(l.ctx, rosa, k.ID, k.Version, loan.NewHandOver{GivenBy: "Rosa Amsel", ReceivedBy: "Hugo Beck", Carrier: "Hugo Beck, own van", CratesAndSeals: "1 box, seal 0038", PlaceID: &place})
	}
	l.on(58, 15)
	if err == nil {
		k, err = l.handOver(k, obj, examination.Arrival, look{photos: []domain.ID{}}, l.h.Loan.Receive, loan.NewHandOver{GivenBy: "Hugo Beck", ReceivedBy: "Edda Roth (invented)", CratesAndSeals: "1 box, seal whole", PlaceID: &place})
	}
	l.on(57, 12)
	if err == nil {
		k, err = l.h.Loan.Display(l.ctx, rosa, k.ID, k.Version, loan.Telling{Statement: "In case 2 of the lower gallery."})
	}
	l.vest = lent{k, line}
	return err
}

// loanBack finds that more has oozed out while the vest was away: an incident, of which the borrower was told and which
// waits for a conservator. It was photographed before it was packed.
func (l *loader) loanBack() error {
	l.on(13, 10)
	k, obj, rosa := l.vest.loan, l.objects["1968.14.5"], l.people["rosa"]
	var shown []domain.ID
	for _, shots := range obj.details {
		shown = append(shown, shots[len(shots)-1].id)
	}
	k, err := l.handOver(k, obj, examination.Departure, look{photos: shown}, l.h.Loan.Pack, loan.NewHandOver{GivenBy: "Edda Roth (invented)", ReceivedBy: "Hugo Beck", CratesAndSeals: "1 box, seal 0044"})
	l.on(12, 11)
	home := l.places["S2-C"]
	if err == nil {
		k, err = l.handOver(k, obj, examination.Return, look{grown: true}, l.h.Loan.Return, loan.NewHandOver{GivenBy: "Hugo Beck", ReceivedBy: "Rosa Amsel", CratesAndSeals: "1 box, seal whole", PlaceID: &home})
	}
	if err != nil {
		return err
	}
	l.on(12, 16)
	open, err := l.h.Incident.List(l.ctx, rosa, incident.Filter{LoanID: &k.ID, State: incident.StateOpen}, domain.PageQuery{})
	if err != nil {
		return err
	}
	if len(open.Items) != 1 {
		return fmt.Errorf("the return of loan %s opened %d incidents", k.Reference, len(open.Items))
	}
	_, err = l.h.Incident.Answer(l.ctx, rosa, open.Items[0].ID, 1, incident.NewAnswer{Kind: incident.BorrowerTold, Text: "Told by telephone; they look up the climate of the case for the weeks of the loan."})
	return err
}

// handOver examines what is lent and records the hand-over.
func (l *loader) handOver(k *loan.Loan, obj *loaded, occasion examination.Occasion, seen look, act func(context.Context, domain.Actor, domain.ID, int64, loan.NewHandOver) (*loan.Loan, error), n loan.NewHandOver) (*loan.Loan, error) {
	seen.of = verdicts[obj.exhibit.facts.Number]
	seen.occasion, seen.overall, seen.loan = occasion, seen.of.second, &k.ID
	if _, err := l.examine("ines", obj, seen); err != nil {
		return nil, err
	}
	return act(l.ctx, l.people["rosa"], k.ID, k.Version, n)
}

// loanPrepared lacks two things before it may go: the borrower's signature, and who carries it.
func (l *loader) loanPrepared() error {
	l.on(6, 10)
	k, line, err := l.lend(lending{number: "1984.3.1", purpose: "Exhibition 'Under the ice'", value: "12500.00", insured: "15000.00", from: 12, until: 130, verdict: "fit_with_conditions", conditions: "Lying; the right glove stays closed; crate aired."}, "")
	if err != nil {
		return err
	}
	l.on(4, 14)
	_, err = l.stateCondition(k, line, "Cover coat sound; right glove seized.")
	return err
}

// stateCondition examines what goes out and names that examination on its line.
func (l *loader) stateCondition(k *loan.Loan, line *loan.Line, text string) (*loan.Loan, error) {
	obj := l.objects[line.ObjectNumber]
	v := verdicts[line.ObjectNumber]
	e, err := l.examine("ines", obj, look{occasion: examination.Outgoing, overall: v.second, of: v, loan: &k.ID, photos: []domain.ID{}})
	if err != nil {
		return nil, fmt.Errorf("outgoing examination of %s: %w", line.ObjectNumber, err)
	}
	return l.h.Loan.StateCondition(l.ctx, l.people["ines"], line.ID, k.Version, loan.NewStatement{ExaminationID: e.ID, Text: text})
}
