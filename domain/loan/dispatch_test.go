package loan

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
)

// TestVersions: a change after issue needs a new version, and signatures to an older one do not count
// (L3).
//
// source: common practice: a signature older than the version it claims to sign is invalid.
func TestVersions(t *testing.T) {
	t.Parallel()
	low, high := 40, 55
	for name, c := range map[string]struct {
		change func(j *journey) error
		state  State
	}{
		"value": {func(j *journey) error {
			return j.loan.SetValue(rune, j.loan.Lines[0].ID, Valuation{Value: money("2"), Currency: "EUR"}, j.now)
		}, Agreed},
		"terms": {func(j *journey) error {
			f := j.loan.Facts
			f.Terms = "Other."
			return j.loan.Change(rune, f, j.site, j.now)
		}, Agreed},
		"contact": {func(j *journey) error {
			f := j.loan.Facts
			f.Borrower.Contact = "X"
			return j.loan.Change(rune, f, j.site, j.now)
		}, Agreed},
		"period": {func(j *journey) error {
			f := j.loan.Facts
			f.Until = "2026-09-01"
			return j.loan.Change(rune, f, j.site, j.now)
		}, Assessing},
		"venue": {func(j *journey) error {
			f := j.loan.Facts
			f.Venues = []Venue{{Name: "Annexe", Span: Span{"2026-02-10", "2026-08-20"}}}
			return j.loan.Change(rune, f, j.site, j.now)
		}, Assessing},
		"line": {func(j *journey) error { return j.loan.WithdrawLine(rune, j.loan.Lines[1].ID, Telling{"No."}, j.now) }, Assessing},
		"conditions": {func(j *journey) error {
			return j.loan.SetConditions(mara, j.loan.Lines[0].ID, Conditions{RHLow: &low, RHHigh: &high}, j.now)
		}, Assessing},
		"courier": {func(j *journey) error {
			f := j.loan.Facts
			f.Courier = "Per"
			return j.loan.Change(rune, f, j.site, j.now)
		}, Prepared},
		"same facts": {func(j *journey) error { return j.loan.Change(rune, j.loan.Facts, j.site, j.now) }, Prepared},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			j := prepared(t)
			j.must(c.change(j))
			if j.loan.State != c.state {
				t.Fatalf("state %s, want %s", j.loan.State, c.state)
			}
			if c.state == Prepared {
				j.dispatch()
				return
			}
			_, err := j.loan.Dispatch(rune, handing(), j.things, j.site, j.now)
			contains(t, j.refused(err, "L3").Missing, "a new version of the agreement")
		})
	}

	j := at(t, Issued)
	j.refused(j.loan.Sign(rune, 1, NewSignature{Side: BorrowerOf, Name: "Ž. Nováková", SignedOn: "2026-02-05"}, j.site, j.now), "invalid") // before it was issued
	j.refused(j.loan.Sign(rune, 1, NewSignature{Side: BorrowerOf, Name: "Ž. Nováková", SignedOn: "2026-02-07"}, j.site, j.now), "invalid") // tomorrow
	j.must(j.loan.Sign(karin, 1, NewSignature{Side: Lender}, j.site, j.now))
	j.must(j.loan.SetValue(rune, j.loan.Lines[0].ID, Valuation{Value: money("3"), Currency: "EUR"}, j.now))
	j.issue()
	// The borrower's paper of version 1 comes in late: it is recorded and does not count.
	j.must(j.loan.Sign(rune, 1, NewSignature{Side: BorrowerOf, Name: "Ž. Nováková", SignedOn: "2026-02-06"}, j.site, j.now))
	if j.loan.State != Issued || len(j.loan.unsigned()) != 2 {
		t.Fatalf("state %s, unsigned %q", j.loan.State, j.loan.unsigned())
	}
	j.refused(j.loan.Sign(karin, 1, NewSignature{Side: Lender}, j.site, j.now), "L3") // twice
	j.must(j.loan.Sign(karin, 2, NewSignature{Side: Lender}, j.site, j.now))
	j.must(j.loan.Sign(rune, 2, NewSignature{Side: BorrowerOf, Name: "Ž. Nováková", SignedOn: "2026-02-06"}, j.site, j.now))
	if j.loan.State != Signed {
		t.Errorf("state %s", j.loan.State)
	}
	j.refused(j.loan.Sign(karin, 3, NewSignature{Side: Lender}, j.site, j.now), "not_found")
}

// TestL3Age: an examination 30 days before the dispatch holds, 31 does not; signing later or an addendum
// does not make it younger. Days are the site's.
//
// source: common practice, 30 days; the day of examination counts, not that of the signature.
func TestL3Age(t *testing.T) {
	t.Parallel()
	dispatch := Day("2026-02-06")
	for _, c := range []struct {
		examined Day
		missing  bool
	}{{"2026-02-06", false}, {"2026-01-07", false}, {"2026-01-06", true}, {"2025-02-06", true}} {
		n := &Line{ObjectNumber: "1968.14.2", Statements: []Statement{{ExaminedOn: c.examined, Addenda: []Addendum{{Text: "Seen again.", At: time.Now()}}}}}
		if got := n.unstated(dispatch, 30); (got != "") != c.missing {
			t.Errorf("examined on %s: %q", c.examined, got)
		}
	}
	// A day turns in the site's zone: 23:30 UTC on 5 February is 6 February in Copenhagen.
	zone, err := time.LoadLocation("Europe/Copenhagen")
	if err != nil {
		t.Fatal(err)
	}
	if got := DayOf(time.Date(2026, 2, 5, 23, 30, 0, 0, time.UTC), zone); got != dispatch {
		t.Errorf("day %s", got)
	}
	// Over the change of the clocks (29 March 2026) a day stays a day.
	if got := Day("2026-04-06").Since("2026-03-07"); got != 30 {
		t.Errorf("%d days", got)
	}
	j := prepared(t)
	j.must(j.loan.AddAddendum(mara, j.loan.Lines[0].Statements[0].ID, NewAddendum{"A scratch was overlooked."}, j.now))
	j.now = j.now.AddDate(0, 0, 31)
	_, err = j.loan.Dispatch(rune, handing(), j.things, j.site, j.now)
	contains(t, j.refused(err, "L3").Missing, "a later outgoing condition of 1968.14.2")
}

// TestL3Missing: a dispatch is refused with everything that is missing at once, and each thing by
// itself refuses.
//
// source: Spectrum 5.0 (Collections Trust 2017), Loans out: agreement signed by both and insurance
// before the loan begins; Object exit: authorised, receiver named.
func TestL3Missing(t *testing.T) {
	t.Parallel()
	j := newJourney(t)
	j.lines()
	f := j.loan.Facts
	f.Transport, f.Courier = "", ""
	j.must(j.loan.Change(rune, f, j.site, j.now))
	soda := collection.Hazard{Kind: "soda-lime", Certainty: "probable", State: "intact"}
	j.things[j.dress.Object.ID] = &Thing{Sheet: j.dress, Standing: []handling.Stop{stopOn(j.dress)}, Emergencies: []string{"support of 2 February 2026"}, Cautions: dangers(t, j.dress, soda)}
	_, err := j.loan.Dispatch(rune, handing(), j.things, j.site, j.now.AddDate(0, 0, -10))
	missing := j.refused(err, "L3").Missing
	for _, part := range []string{
		"fit to travel", "approval of a curator of Diving", "the value of 1968.14.2", "the value of 1971.3.1.1a cuff", "an agreement, issued and signed by both sides",
		"facilities of Main hall", "a signed outgoing examination of 1968.14.2, named on its line", "who transports it", "the courier", "everything is prepared",
		"a day of dispatch within the agreed period", "release of a stop", "ratification of an emergency stabilisation of 1968.14.2", "an assessment of soda-lime (probable) on 1968.14.2",
	} {
		contains(t, missing, part)
	}
	if j.loan.State != Requested || len(j.loan.HandOvers) != 0 {
		t.Errorf("the refusal changed the loan: %s", j.loan.State)
	}

	for name, c := range map[string]struct {
		spoil   func(j *journey)
		missing string
	}{
		"stop": {func(j *journey) { j.things[j.dress.Object.ID].Standing = []handling.Stop{stopOn(j.dress)} }, "A stop has stood on 1968.14.2"},
		"stop on the part": {func(j *journey) {
			j.things[j.suit.Object.ID].Standing = []handling.Stop{stopOn(j.suit, j.part("1a"))}
		}, "A stop has stood on 1971.3.1.1a cuff"},
		"emergency": {func(j *journey) { j.things[j.suit.Object.ID].Emergencies = []string{"cover of 1 March 2026"} }, "emergency stabilisation of 1971.3.1"},
		"away with another loan": {func(j *journey) {
			j.things[j.suit.Object.ID].Elsewhere = []Elsewhere{{ComponentIDs: []domain.ID{j.part("1")}, Reference: "L.2025.9"}}
		}, "the return of 1971.3.1.1a cuff from loan L.2025.9"},
		"insurance withdrawn": {func(j *journey) {
			j.must(j.loan.WithdrawInsurance(rune, j.loan.Insurances[0].ID, Telling{"Of another loan."}, j.now))
		}, "insurance or indemnity in EUR up to the total of the values from 6 February 2026 to 31 August 2026"},
		"exception not accepted": {func(j *journey) {
			j.must(j.loan.AssessFacilities(mara, NewFacilities{VenueID: j.loan.Venues[0].ID, ReportOn: "2025-01-01", AssessedOn: "2026-02-05", Summary: "Seen.",
				Exceptions: []Exception{{Requirement: "RH 45-55 %", Found: "RH 35-60 % in winter"}}}, j.site, j.now))
		}, "acceptance of the exception at Main hall: RH 45-55 %"},
		"courier": {func(j *journey) {
			f := j.loan.Facts
			f.Courier = ""
			j.must(j.loan.Change(rune, f, j.site, j.now))
		}, "the courier"},
		"hazard not assessed": {func(j *journey) {
			j.things[j.dress.Object.ID].Cautions = dangers(j.t, j.dress, collection.Hazard{Kind: "soda-lime", Certainty: "possible", State: "intact"})
		}, "an assessment of soda-lime (possible) on 1968.14.2"},
		"hazard not told": {func(j *journey) {
			j.things[j.dress.Object.ID].Cautions = dangers(j.t, j.dress, collection.Hazard{Kind: "lead", Certainty: "certain", State: "intact"})
		}, "a new version of the agreement that tells of"},
		"part on its whole": {func(j *journey) { j.things[j.suit.Object.ID].Away = nil }, "the record that 1971.3.1.1a cuff was taken off"},
		"part gone since":   {func(j *journey) { j.things[j.suit.Object.ID].Away = []domain.ID{j.part("1a"), j.part("1a1")} }, "says which parts of 1971.3.1.1a cuff go"},
		"before the period": {func(j *journey) { j.now = j.now.AddDate(0, 0, -1) }, "within the agreed period"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			j := prepared(t)
			c.spoil(j)
			_, err := j.loan.Dispatch(rune, handing(), j.things, j.site, j.now)
			e := j.refused(err, "L3")
			contains(t, e.Missing, c.missing)
			if most := map[string]int{"hazard not assessed": 2, "before the period": 2}[name]; len(e.Missing) != max(most, 1) {
				t.Errorf("missing %q", e.Missing)
			}
		})
	}

	// A hazard that is shown removed, and a stop on a part that stays at home, keep nothing here.
	j = prepared(t)
	j.things[j.dress.Object.ID].Cautions = dangers(t, j.dress, collection.Hazard{Kind: "soda-lime", Certainty: "certain", State: "removed"})
	j.things[j.suit.Object.ID].Standing = []handling.Stop{stopOn(j.suit, j.part("2"))}
	j.dispatch()
	if h := j.loan.HandOvers[0]; h.Authoriser == nil || h.Authoriser.Name != "Rune" || h.ReceivedBy != "Driver P. Holm" || h.Carrier == "" || h.Place != "Museum of the Sound" {
		t.Errorf("exit record %+v", h)
	}
	n := handing()
	n.Carrier = ""
	j = prepared(t)
	_, err = j.loan.Dispatch(rune, n, j.things, j.site, j.now)
	j.refused(err, "invalid")
}

// TestUncovered: every day from the dispatch to the return is covered up to the total, alone or
// together; other currencies and withdrawn certificates do not count.
//
// source: Spectrum 5.0 (Collections Trust 2017), Loans out: insurance or indemnity for the whole of
// the loan; the cases are worked out by hand.
func TestUncovered(t *testing.T) {
	t.Parallel()
	in := func(sum, currency string, from, until Day) Insurance {
		return Insurance{Sum: decimal.RequireFromString(sum), Currency: currency, Span: Span{from, until}}
	}
	withdrawn := in("100", "EUR", "2026-01-01", "2026-12-31")
	withdrawn.Withdrawal = &Withdrawal{}
	loan := Span{"2026-02-01", "2026-02-28"}
	for name, c := range map[string]struct {
		all  []Insurance
		want []Span
	}{
		"none":                  {nil, []Span{loan}},
		"exactly":               {[]Insurance{in("100", "EUR", "2026-02-01", "2026-02-28")}, nil},
		"a cent less":           {[]Insurance{in("99.99", "EUR", "2026-02-01", "2026-02-28")}, []Span{loan}},
		"one day short":         {[]Insurance{in("100", "EUR", "2026-01-01", "2026-02-27")}, []Span{{"2026-02-28", "2026-02-28"}}},
		"begins a day late":     {[]Insurance{in("100", "EUR", "2026-02-02", "2026-03-01")}, []Span{{"2026-02-01", "2026-02-01"}}},
		"two that meet":         {[]Insurance{in("100", "EUR", "2026-02-15", "2026-03-01"), in("100", "EUR", "2026-01-01", "2026-02-14")}, nil},
		"a day between":         {[]Insurance{in("100", "EUR", "2026-02-16", "2026-03-01"), in("100", "EUR", "2026-01-01", "2026-02-14")}, []Span{{"2026-02-15", "2026-02-15"}}},
		"two halves together":   {[]Insurance{in("40", "EUR", "2026-01-01", "2026-03-01"), in("60", "EUR", "2026-02-05", "2026-03-01")}, []Span{{"2026-02-01", "2026-02-04"}}},
		"another currency":      {[]Insurance{in("1000", "DKK", "2026-01-01", "2026-03-01")}, []Span{loan}},
		"withdrawn":             {[]Insurance{withdrawn}, []Span{loan}},
		"gaps that touch merge": {[]Insurance{in("50", "EUR", "2026-02-10", "2026-02-12")}, []Span{loan}},
	} {
		if got := uncovered(c.all, "EUR", decimal.NewFromInt(100), loan); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// TestL4HandOvers: at the venue, before it leaves, and at home everything is looked at; what has changed
// is told to conservators and curators at once.
//
// source: ICOM Guidelines for Loans, 1974: condition compared on arrival and before return.
func TestL4HandOvers(t *testing.T) {
	t.Parallel()
	j := prepared(t)
	j.dispatch()
	_, err := j.loan.Receive(mara, handing(), j.site, j.now)
	if e := j.refused(err, "L4"); len(e.Missing) != 2 {
		t.Errorf("missing %q", e.Missing)
	}
	n := j.seen()
	n.Conditions[0].Found = CrateOnly
	_, err = j.loan.Receive(mara, n, j.site, j.now)
	contains(t, j.refused(err, "L4").Missing, "1968.14.2")
	n.Conditions[0].Found = Changed
	_, err = j.loan.Receive(mara, n, j.site, j.now)
	j.refused(err, "invalid") // what?
	n.Conditions[0].Statement = "A strap was open."
	for i := range j.loan.Examined {
		// What the examination shows is a change, whatever is said at the door.
		if e := &j.loan.Examined[i]; e.ObjectID == j.dress.Object.ID && e.Occasion == "arrival" {
			e.Worse = "New: tear on the left cuff."
		}
	}
	n.Conditions[0].Found = Unchanged
	h, err := j.loan.Receive(mara, n, j.site, j.now)
	j.must(err)
	if found := h.incidents(); len(found) != 1 || found[0].LineID != h.Conditions[0].LineID || found[0].Statement != "New: tear on the left cuff. A strap was open." || len(j.loan.Notices(h)) != 0 {
		t.Errorf("incidents %+v, notices %+v", found, j.loan.Notices(h))
	}
	// What has no examination before it is told of, for there are no two pages to put side by side.
	alone := *h
	alone.Conditions = slices.Clone(h.Conditions)
	alone.Conditions[0].BeforeID = nil
	alone.Conditions[0].Statement = strings.Repeat("Torn. ", 1000)
	notices := j.loan.Notices(&alone)
	if len(alone.incidents()) != 0 || len(notices) != 1 || notices[0].ObjectID != j.dress.Object.ID || notices[0].Department != "Diving" || !slices.Equal(notices[0].Roles, []domain.Role{domain.Conservator, domain.Curator}) ||
		domain.Validate(notices[0]) != nil {
		t.Errorf("notices %+v", notices)
	}
	if c := h.Conditions[0]; c.Found != Changed || c.ExaminationID == nil || c.BeforeID == nil || c.ExaminedBy != "Mara" || h.Conditions[1].Found != Unchanged {
		t.Errorf("found %+v", h.Conditions)
	}
	if h.VenueID == nil || h.Place != "Main hall" {
		t.Errorf("received at %q", h.Place)
	}
	early := j.seen()
	early.HappenedOn = "2026-02-05"
	_, err = j.loan.Pack(mara, early, j.site, j.now)
	j.refused(err, "invalid") // before it came
}

// TestOnward: a loan with two venues goes from one to the next.
func TestOnward(t *testing.T) {
	t.Parallel()
	j := newJourney(t)
	f := j.loan.Facts
	f.Venues = []Venue{{Name: "Main hall", Address: "Łódź", Span: Span{"2026-02-10", "2026-04-20"}}, {Name: "Ναυτικό μουσείο", Span: Span{"2026-05-01", "2026-08-01"}}}
	kept := j.loan.Venues[0].ID
	j.must(j.loan.Change(rune, f, j.site, j.now))
	if j.loan.Venues[0].ID != kept || j.loan.Venues[1].ID == kept {
		t.Fatal("a venue whose name and address stay is the same venue")
	}
	for _, step := range []func(){j.lines, j.assess, j.approve, j.value, j.issue, j.sign, j.condition, j.venue, j.insure, j.ready} {
		step()
	}
	_, err := j.loan.Dispatch(rune, handing(), j.things, j.site, j.now)
	contains(t, j.refused(err, "L3").Missing, "facilities of Ναυτικό μουσείο")
	j.must(j.loan.AssessFacilities(mara, NewFacilities{VenueID: j.loan.Venues[1].ID, ReportOn: "2026-01-01", AssessedOn: "2026-02-01", Summary: "Good.",
		Exceptions: []Exception{{Requirement: "RH", Found: "unknown", Accepted: true, Statement: "Closed case with buffer."}}}, j.site, j.now))
	j.dispatch()
	_, err = j.loan.Receive(mara, j.seen(), j.site, j.now)
	j.refused(err, "invalid") // which?
	for i := range j.loan.Venues {
		n := j.seen()
		n.VenueID = &j.loan.Venues[i].ID
		_, err := j.loan.Receive(mara, n, j.site, j.now)
		j.must(err)
		_, err = j.loan.Pack(mara, j.seen(), j.site, j.now)
		j.must(err)
	}
	_, err = j.loan.Return(rune, j.seen(), j.site, j.now)
	j.must(err)
}

// TestP3Seen: what a reader may not see is absent; a person granted by the steward sees it.
func TestP3Seen(t *testing.T) {
	t.Parallel()
	j := prepared(t)
	seen := j.loan.Seen(lars)
	if seen.Lines[0].Value != nil || seen.Lines[0].Currency != "" || len(seen.Insurances) != 0 || len(seen.Totals) != 0 ||
		seen.Borrower.Address != "" || seen.Borrower.Contact != "" || seen.Transport != "" || seen.Courier != "" || len(seen.Facilities) != 0 || seen.Venues[0].Address != "" {
		t.Errorf("a reader sees %+v", seen)
	}
	staff := j.loan.Seen(mara)
	if staff.Lines[0].Value != nil || len(staff.Insurances) != 0 || staff.Borrower.Address == "" || staff.Transport == "" {
		t.Errorf("a conservator sees %+v", staff)
	}
	granted := lars
	granted.SeesValues = true
	if got := j.loan.Seen(granted); got.Lines[0].Value == nil || len(got.Totals) != 1 {
		t.Error("a granted person does not see the values")
	}
	if j.loan.Lines[0].Value == nil || j.loan.Borrower.Address == "" {
		t.Error("looking changed the loan")
	}
	c := j.loan.last().Content.For(lars)
	if c.Schedule[0].Value != "" || c.Schedule[0].Currency != "" || len(c.Totals) != 0 || !c.ValuesLeftOut || c.Borrower.Address != "" {
		t.Errorf("a reader's copy: %+v", c)
	}
	if j.loan.last().Content.Schedule[0].Value != "1000.50" {
		t.Error("copying changed the agreement")
	}
	for _, said := range j.loan.MissingForDispatch(mara, j.things, j.site, j.now.AddDate(1, 0, 0)) {
		if strings.Contains(said, "1000") || strings.Contains(said, "2001") {
			t.Errorf("a figure is told: %q", said)
		}
	}
}

// TestFacts: dates, venues, bad input: all faults at once.
func TestFacts(t *testing.T) {
	t.Parallel()
	site := domain.DefaultSite()
	for name, c := range map[string]struct {
		spoil   func(*Facts)
		pointer string
	}{
		"no borrower":        {func(f *Facts) { f.Borrower.Name = " " }, "/borrower/name"},
		"no purpose":         {func(f *Facts) { f.Purpose = "" }, "/purpose"},
		"no period":          {func(f *Facts) { f.From = "" }, "/from_on"},
		"no such day":        {func(f *Facts) { f.RequestedOn = "2026-02-30" }, "/requested_on"},
		"wrong order":        {func(f *Facts) { f.Until = "2026-02-05" }, "/until_on"},
		"for ever":           {func(f *Facts) { f.Until = "2126-02-05" }, "/until_on"},
		"no venue":           {func(f *Facts) { f.Venues = nil }, "/venues"},
		"venue outside":      {func(f *Facts) { f.Venues[0].Until = "2026-09-05" }, "/venues/0/from_on"},
		"venue twice":        {func(f *Facts) { f.Venues = append(f.Venues, f.Venues[0]) }, "/venues/1/name"},
		"control characters": {func(f *Facts) { f.Purpose = "a\x00b" }, "/purpose"},
		"too long":           {func(f *Facts) { f.Purpose = strings.Repeat("ż", 2001) }, "/purpose"},
	} {
		f := facts()
		c.spoil(&f)
		_, err := New(rune, f, site, time.Now())
		e, ok := err.(*domain.Error)
		if !ok || !slices.ContainsFunc(e.Fields, func(x domain.Field) bool { return x.Pointer == c.pointer }) {
			t.Errorf("%s: %v", name, err)
		}
	}
	l, err := New(rune, facts(), site, time.Now())
	if err != nil || !strings.Contains(l.Terms, "NOT LEGAL ADVICE") {
		t.Errorf("%v; terms begin %.60q", err, l.Terms)
	}
	site.LoanTerms = "Our terms."
	if l, err = New(rune, facts(), site, time.Now()); err != nil || l.Terms != "Our terms." {
		t.Errorf("%v; terms %q", err, l.Terms)
	}
}

// TestStates: the line of stages and the exits are those of the trade.
//
// source: Spectrum 5.0 (Collections Trust 2017), Loans out; the words are common practice.
func TestStates(t *testing.T) {
	t.Parallel()
	if len(States) != 15 || len(Stages) != 12 || Stages[0] != Requested || Stages[11] != Closed {
		t.Errorf("states %v", States)
	}
	for _, s := range States {
		n := 0
		for _, is := range []bool{s.Before(), s.Out(), s.Over(), s == Returned} {
			if is {
				n++
			}
		}
		if n != 1 {
			t.Errorf("%s is before, out, over or returned %d times", s, n)
		}
	}
}

// TestL3L4OnlyTheRightExaminationCounts: the outgoing condition is that of a signed outgoing examination of the object at
// which what is lent was seen; at a hand-over one counts that was made for this loan, on its occasion, since the
// hand-over before.
func TestL3L4OnlyTheRightExaminationCounts(t *testing.T) {
	t.Parallel()
	j := newJourney(t)
	j.lines()
	suit := j.loan.Lines[1]
	for what, change := range map[string]func(*Examined){
		"another object":       func(e *Examined) { e.ObjectID = j.dress.Object.ID },
		"another occasion":     func(e *Examined) { e.Occasion = "survey" },
		"a lent part not seen": func(e *Examined) { e.Unseen = suit.ComponentIDs()[:1] },
	} {
		e := j.examined(&suit, OutgoingOccasion)
		change(&j.loan.Examined[len(j.loan.Examined)-1])
		if err := j.loan.StateCondition(mara, suit.ID, NewStatement{ExaminationID: e.ID}, j.now); domain.KindOf(err) != domain.KindInvalid {
			t.Errorf("%s: got %v", what, err)
		}
	}
	j = prepared(t)
	j.dispatch()
	for name, change := range map[string]func(*Examined){
		"for another loan":    func(e *Examined) { e.ForThis = false },
		"on another occasion": func(e *Examined) { e.Occasion = "return" },
		"before the dispatch": func(e *Examined) { e.ExaminedOn = "2026-02-05" },
		"of another object":   func(e *Examined) { e.ObjectID = domain.NewID() },
	} {
		j.loan.Examined = nil
		n := j.seen()
		for i := range j.loan.Examined {
			change(&j.loan.Examined[i])
		}
		_, err := j.loan.Receive(mara, n, j.site, j.now)
		if e := j.refused(err, "L4"); len(e.Missing) != 2 {
			t.Errorf("%s: missing %q", name, e.Missing)
		}
	}
}
