package servetest

import (
	"fmt"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/loan"
	"farthingale/domain/movement"
)

// lender opens loans and brings them on, as the people of the ground.
type lender struct {
	h *House
	g *Ground
	x *loan.Loan
}

func (l *lender) by(role domain.Role) domain.Actor { return l.g.People[role].Actor }

func (l *lender) day(plus int) loan.Day { return loan.DayOf(l.h.Now().AddDate(0, 0, plus), time.UTC) }

// must keeps the loan that an act gives back.
func (l *lender) must(x *loan.Loan, err error) *loan.Loan {
	l.h.t.Helper()
	if err != nil {
		l.h.t.Fatal(err)
	}
	l.x = x
	return x
}

// LoanFacts are those of a loan that leaves today.
func (h *House) LoanFacts() loan.Facts {
	day := func(plus int) loan.Day { return loan.DayOf(h.Now().AddDate(0, 0, plus), time.UTC) }
	return loan.Facts{
		Borrower: loan.Borrower{Name: "Muzeum pod Wodą, Łódź", Address: "ul. Wodna 1, Łódź", Contact: "Žofie Nováková, Žďár nad Sázavou"}, Purpose: "Exhibition 'Under Pressure', Ελλάδα",
		Span: loan.Span{From: day(0), Until: day(120)}, RequestedOn: day(-90), Transport: "Carrier of Køge", Courier: "Ines Falkenberg",
		Venues: []loan.Venue{{Name: "Main hall", Address: "Łódź", Span: loan.Span{From: day(2), Until: day(110)}}},
	}
}

// open opens a loan with a line for each object number, valued, with conditions.
func (l *lender) open(numbers ...string) {
	l.h.t.Helper()
	ctx, registrar := l.h.t.Context(), l.by(domain.Registrar)
	l.must(l.h.Loan.Create(ctx, registrar, l.h.LoanFacts()))
	for _, number := range numbers {
		x, line, err := l.h.Loan.AddLine(ctx, registrar, l.x.ID, l.x.Version, loan.NewLine{ObjectNumber: number})
		l.must(x, err)
		value, lux, low, high := decimal.RequireFromString("148250.00"), 50, 45, 55
		l.must(l.h.Loan.SetValue(ctx, registrar, line.ID, l.x.Version, loan.Valuation{Value: &value, Currency: "EUR", Insurer: "Insurer of the line"}))
		l.must(l.h.Loan.SetConditions(ctx, l.by(domain.Conservator), line.ID, l.x.Version, loan.Conditions{Mount: "padded torso, carries the inner layer", Handling: "by two people, nitrile gloves",
			Display: "closed case", Positions: []string{"upright_on_mount"}, LightLux: &lux, RHLow: &low, RHHigh: &high}))
		l.must(l.h.Loan.Assess(ctx, l.by(domain.Conservator), line.ID, l.x.Version, loan.NewAssessment{Verdict: loan.FitWithConditions, Statement: "Sound; the twill is stiff.", Conditions: "Lying on its board."}))
	}
}

// issued approves it and issues the agreement.
func (l *lender) issued() {
	l.h.t.Helper()
	ctx := l.h.t.Context()
	l.must(l.h.Loan.Approve(ctx, l.by(domain.Curator), l.x.ID, l.x.Version, loan.Telling{Statement: "Agreed."}))
	l.must(l.h.Loan.Issue(ctx, l.by(domain.Registrar), l.x.ID, l.x.Version))
}

// prepared signs, insures, assesses and prepares it.
func (l *lender) prepared() {
	l.h.t.Helper()
	l.signed()
	l.covered()
	l.must(l.h.Loan.Ready(l.h.t.Context(), l.by(domain.Registrar), l.x.ID, l.x.Version, loan.Telling{Statement: "One crate, closed."}))
}

// signed signs the agreement for both sides.
func (l *lender) signed() {
	l.h.t.Helper()
	ctx, registrar, n := l.h.t.Context(), l.by(domain.Registrar), len(l.x.Agreements)
	l.must(l.h.Loan.Sign(ctx, l.by(domain.Curator), l.x.ID, l.x.Version, n, loan.NewSignature{Side: loan.Lender, Office: "curator"}))
	l.must(l.h.Loan.Sign(ctx, registrar, l.x.ID, l.x.Version, n, loan.NewSignature{Side: loan.BorrowerOf, Name: "Žofie Nováková", Office: "director", SignedOn: l.day(0)}))
}

// covered states the condition, assesses the venue and insures.
func (l *lender) covered() {
	l.h.t.Helper()
	ctx, registrar, conservator := l.h.t.Context(), l.by(domain.Registrar), l.by(domain.Conservator)
	for _, line := range l.x.Present() {
		e := l.h.Examine(conservator, line.ObjectID, Look{Occasion: examination.Outgoing, LoanID: &l.x.ID})
		l.must(l.h.Loan.StateCondition(ctx, conservator, line.ID, l.x.Version, loan.NewStatement{ExaminationID: e.ID, Text: "Stiff along the fold; three cracks of 4 to 11 mm."}))
	}
	l.must(l.h.Loan.AssessFacilities(ctx, conservator, l.x.ID, l.x.Version, loan.NewFacilities{VenueID: l.x.Venues[0].ID, ReportOn: l.day(-60), AssessedOn: l.day(-30), Summary: "Good.",
		Exceptions: []loan.Exception{{Requirement: "RH 45-55 %", Found: "40-60 %", Accepted: true, Statement: "Buffered case."}}}))
	sum := decimal.NewFromInt(1000000)
	l.must(l.h.Loan.Insure(ctx, registrar, l.x.ID, l.x.Version, loan.NewInsurance{Kind: "indemnity", Insurer: "State indemnity", Certificate: "SI-17", Sum: &sum, Currency: "EUR", From: l.day(0), Until: l.day(120)}))
}

// outside makes a place of somebody else.
func (l *lender) outside(code string) domain.ID {
	l.h.t.Helper()
	p, err := l.h.Movement.AddPlace(l.h.t.Context(), l.by(domain.Registrar), movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: "site", Name: "Venue " + code, Code: code, Outside: true}})
	if err != nil {
		l.h.t.Fatal(err)
	}
	return p.ID
}

// examined examines every line for the hand-over that comes next.
func (l *lender) examined(occasion examination.Occasion) {
	l.h.t.Helper()
	for _, line := range l.x.Present() {
		l.h.Examine(l.by(domain.Conservator), line.ObjectID, Look{Occasion: occasion, LoanID: &l.x.ID})
	}
}

func (l *lender) handing(place domain.ID) loan.NewHandOver {
	n := loan.NewHandOver{GivenBy: "Rosa Amsel", ReceivedBy: "P. Holm", Carrier: "Carrier of Køge", CratesAndSeals: "1 crate, seal 11", PlaceID: &place}
	for _, line := range l.x.Present() {
		n.Conditions = append(n.Conditions, loan.NewLineCondition{LineID: line.ID, Found: loan.Changed, Statement: "New tear of 8 mm."})
	}
	return n
}

// loanSamples: loans in several states, for those who act on them and those who only look.
func loanSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	l := &lender{h: h, g: g}
	for _, number := range []string{"1971.3.1", "1971.3.2"} {
		if _, err := h.Collection.Create(ctx, l.by(domain.Conservator), collection.NewObject{ObjectFacts: collection.ObjectFacts{
			Number: number, Title: "Weight belt", LegalStatus: "accessioned", Department: Department}}); err != nil {
			h.t.Fatal(err)
		}
	}
	l.must(h.Loan.Create(ctx, l.by(domain.Registrar), h.LoanFacts()))
	empty := l.x.Reference
	l.open("1971.3.1", "1971.3.2")
	assessing := l.x.Reference
	l.open("1968.14.2")
	l.must(h.Loan.Assess(ctx, l.by(domain.Conservator), l.x.Lines[0].ID, l.x.Version, loan.NewAssessment{Verdict: loan.NotFit, Statement: "Active flaking."}))
	unfit := l.x.Reference
	l.open("1971.3.1")
	l.issued()
	issued := l.x.Reference
	l.open("1971.3.2")
	l.issued()
	l.prepared()
	prepared := l.x.Reference
	l.open("1971.3.1")
	l.issued()
	l.prepared()
	hall := l.outside("LV")
	l.must(h.Loan.Dispatch(ctx, l.by(domain.Registrar), l.x.ID, l.x.Version, l.handing(hall)))
	l.examined(examination.Arrival)
	l.must(h.Loan.Receive(ctx, l.by(domain.Conservator), l.x.ID, l.x.Version, l.handing(hall)))
	out := l.x
	l.must(h.Loan.Recall(ctx, l.by(domain.Registrar), l.x.ID, l.x.Version, loan.Telling{Statement: "The climate is not kept."}))
	l.open("1971.3.2")
	l.must(h.Loan.Cancel(ctx, l.by(domain.Registrar), l.x.ID, l.x.Version, loan.Telling{Statement: "The borrower withdrew."}))
	cancelled := l.x.Reference

	conservator, curator, registrar, reader := g.People[domain.Conservator], g.People[domain.Curator], g.People[domain.Registrar], g.People[domain.Reader]
	samples := []Sample{
		{Route: "GET /loans", Path: "/loans", As: registrar},
		{Route: "GET /loans", Path: "/loans?all=true", As: reader},
		{Route: "GET /loans/new", Path: "/loans/new", As: registrar},
		{Route: "GET /loans/:id/change", Path: "/loans/" + assessing + "/change", As: registrar},
		{Route: "GET /loans/:id/lines/new", Path: "/loans/" + empty + "/lines/new", As: registrar},
		{Route: "GET /loans/:id/lines/new", Path: "/loans/" + empty + "/lines/new?number=1968.14.2", As: registrar},
		{Route: "GET /loans/:id/lines/new", Path: "/loans/" + empty + "/lines/new?number=1800.1", As: registrar},
		{Route: "GET /loans/:id/lines/:line", Path: "/loans/" + assessing + "/lines/2", As: registrar},
		{Route: "GET /loans/:id/lines/:line", Path: "/loans/" + prepared + "/lines/1", As: conservator},
		{Route: "GET /loans/:id/lines/:line", Path: "/loans/" + unfit + "/lines/1", As: curator},
		{Route: "GET /loans/:id/lines/:line", Path: "/loans/" + out.Reference + "/lines/1", As: reader},
		{Route: "GET /loans/:id/agreement.pdf", Path: "/loans/" + prepared + "/agreement.pdf?version=1", As: registrar, File: true},
		{Route: "GET /loans/:id/agreement.docx", Path: "/loans/" + unfit + "/agreement.docx", As: reader, File: true},
		{Route: "GET /loans/:id/schedule.xlsx", Path: "/loans/" + prepared + "/schedule.xlsx", As: conservator, File: true},
		{Route: "GET /loans/:id/schedule.csv", Path: "/loans/" + prepared + "/schedule.csv", As: curator, File: true},
		{Route: "GET /loans/:id", Path: "/loans/" + out.ID.String(), As: registrar},
	}
	for _, reference := range []string{empty, assessing, unfit, issued, prepared, out.Reference, cancelled} {
		for _, who := range []Someone{registrar, curator, conservator, reader} {
			samples = append(samples, Sample{Route: "GET /loans/:id", Path: "/loans/" + reference, As: who})
		}
	}
	return samples
}

// looked has the object of the loan examined at a hand-over.
func (l *lender) looked(occasion examination.Occasion) {
	l.h.t.Helper()
	l.h.Examine(l.by(domain.Conservator), l.x.Lines[0].ObjectID, Look{Occasion: occasion, LoanID: &l.x.ID})
}

// loansOnTheirWay brings a loan of one object each to the stages that the samples of the pages leave
// out, from agreed to returned.
func loansOnTheirWay(h *House, g *Ground) (samples []Sample) {
	h.t.Helper()
	ctx := h.t.Context()
	l := &lender{h: h, g: g}
	registrar, conservator := l.by(domain.Registrar), l.by(domain.Conservator)
	telling := loan.Telling{Statement: "As agreed."}
	away := l.outside("OV")
	store, err := h.Movement.AddPlace(ctx, registrar, movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: "site", Name: "Store of returns", Code: "RET"}})
	if err != nil {
		h.t.Fatal(err)
	}
	back := store.ID
	stages := []func(){
		func() { l.must(h.Loan.Approve(ctx, l.by(domain.Curator), l.x.ID, l.x.Version, telling)) },
		func() { l.must(h.Loan.Issue(ctx, registrar, l.x.ID, l.x.Version)) },
		func() { l.signed() },
		func() { l.covered() },
		func() { l.must(h.Loan.Ready(ctx, registrar, l.x.ID, l.x.Version, telling)) },
		func() { l.must(h.Loan.Dispatch(ctx, registrar, l.x.ID, l.x.Version, l.handing(away))) },
		func() {
			l.looked(examination.Arrival)
			l.must(h.Loan.Receive(ctx, conservator, l.x.ID, l.x.Version, l.handing(away)))
			l.looked(examination.Departure)
		},
		func() { l.must(h.Loan.Display(ctx, registrar, l.x.ID, l.x.Version, telling)) },
		func() {
			l.looked(examination.Departure)
			l.must(h.Loan.Pack(ctx, conservator, l.x.ID, l.x.Version, l.handing(away)))
			l.looked(examination.Return)
		},
		func() {
			l.looked(examination.Return)
			l.must(h.Loan.Return(ctx, registrar, l.x.ID, l.x.Version, l.handing(back)))
		},
	}
	for last := range stages {
		number := fmt.Sprintf("1975.8.%d", last+1)
		if _, err := h.Collection.Create(ctx, conservator, collection.NewObject{ObjectFacts: collection.ObjectFacts{
			Number: number, Title: "Float coat", LegalStatus: "accessioned", Department: Department}}); err != nil {
			h.t.Fatal(err)
		}
		l.open(number)
		for _, stage := range stages[:last+1] {
			stage()
		}
		for _, role := range []domain.Role{domain.Registrar, domain.Conservator} {
			samples = append(samples, Sample{Route: "GET /loans/:id", Path: "/loans/" + l.x.Reference, As: g.People[role]})
		}
	}
	return samples
}
