package material

import (
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

func figure(text string) *decimal.Decimal { d := decimal.RequireFromString(text); return &d }

func corrosion(product, batch, on, until string, silver, copper, lead Coupon) Test {
	return Test{Kind: AcceleratedCorrosion, Product: product, Batch: batch, TestedOn: on, ValidUntil: until, Silver: silver, Copper: copper, Lead: lead}
}

// TestM4Suit: whether a material may be planned, and what is missing.
//
// source: Materials 2023, 16, 7596 (permanent, temporary, unsuitable against a control; Oddy 1973); British
// Museum, selection of materials for storage and display (pH 5.5 to 9, no bleeding colour); Image Permanence
// Institute 2001 (steps of indicator strips). Twelve months, six months and that the worst coupon counts
// are common practice.
func TestM4Suit(t *testing.T) {
	t.Parallel()
	const today = "2026-02-06"
	board, film := Material{Key: "own-board", Name: "board", Category: Wood}, Material{Key: "polyester-film", Name: "polyester film", Category: Polymer}
	good := corrosion("Board 3", "B7", "2026-01-10", "2027-01-10", Permanent, Permanent, Permanent)
	acid := Test{Kind: PH, Product: "Board 3", Batch: "B7", TestedOn: "2026-01-10", ValidUntil: "2027-01-10", PH: figure("8.2")}
	with := func(tests ...Test) []Test { return tests }
	ph := func(value string, bleeds bool) Test {
		x := acid
		x.PH, x.ColourBleeds = figure(value), bleeds
		return x
	}
	strip := func(level string) Test {
		return Test{Kind: IndicatorStrip, Product: "Board 3", Batch: "B7", TestedOn: "2026-01-12", ValidUntil: "2027-01-12", StripLevel: figure(level)}
	}
	for name, c := range map[string]struct {
		m              Material
		use            CaseUse
		planned        Planned
		tests          []Test
		product, batch string
		may            bool
		months         int
		missing        string
	}{
		"inert":                        {film, Inert, InContact, nil, "", "", true, 0, ""},
		"inert, but its batch failed":  {film, Inert, InContact, with(corrosion("F", "1", "2026-01-01", "2027-01-01", Permanent, Unsuitable, Permanent)), "", "", false, 0, "another material or batch"},
		"never tested":                 {board, TestFirst, InClosedCase, nil, "", "", false, 0, "an accelerated corrosion test of board"},
		"tested":                       {board, TestFirst, InClosedCase, with(good), "", "", true, 0, ""},
		"another batch was":            {board, TestFirst, InClosedCase, with(good), "Board 3", "B8", false, 0, "of Board 3, batch B8"},
		"this batch was":               {board, TestFirst, InClosedCase, with(good), "board 3", "b7", true, 0, ""},
		"too old":                      {board, TestFirst, InClosedCase, with(corrosion("Board 3", "B7", "2025-02-05", "2026-02-05", Permanent, Permanent, Permanent)), "", "", false, 0, "a newer"},
		"on its last day":              {board, TestFirst, InClosedCase, with(corrosion("Board 3", "B7", "2025-02-06", today, Permanent, Permanent, Permanent)), "", "", true, 0, ""},
		"lead tarnished slightly":      {board, TestFirst, InClosedCase, with(corrosion("Board 3", "B7", "2026-01-10", "2027-01-10", Permanent, Permanent, Temporary)), "", "", true, 6, ""},
		"lead corroded":                {board, TestFirst, InClosedCase, with(corrosion("Board 3", "B7", "2026-01-10", "2027-01-10", Temporary, Permanent, Unsuitable)), "", "", false, 0, "instead"},
		"the later test counts":        {board, TestFirst, InClosedCase, with(good, corrosion("Board 3", "B7", "2026-01-20", "2027-01-20", Permanent, Unsuitable, Permanent)), "", "", false, 0, "instead"},
		"touches, acidity not known":   {board, TestFirst, InContact, with(good), "", "", false, 0, "a pH test"},
		"touches, not acid":            {board, TestFirst, InContact, with(good, acid), "", "", true, 0, ""},
		"touches, at the bound":        {board, TestFirst, InContact, with(good, ph("5.5", false)), "", "", true, 0, ""},
		"touches, acid":                {board, TestFirst, InContact, with(good, ph("5.49", false)), "", "", false, 0, "pH 5.5 to 9"},
		"touches, alkaline":            {board, TestFirst, InContact, with(good, ph("9.01", false)), "", "", false, 0, "pH 5.5 to 9"},
		"touches, bleeds":              {board, TestFirst, InContact, with(good, ph("7", true)), "", "", false, 0, "does not bleed"},
		"a strip turned":               {board, TestFirst, InClosedCase, with(good, strip("1")), "", "", false, 0, "gives off no acid"},
		"a strip stayed blue":          {board, TestFirst, InClosedCase, with(good, strip("0")), "", "", true, 0, ""},
		"advised against, never":       {board, Avoid, InClosedCase, nil, "", "", false, 0, "an accelerated corrosion test"},
		"no mount material, tested":    {board, NotMountMaterial, InClosedCase, with(good, acid), "", "", false, 0, "another material"},
		"no mount material in contact": {board, NotMountMaterial, InContact, with(good, acid), "", "", false, 0, "another material"},
	} {
		s := Suit(c.m, c.use, c.planned, c.tests, c.product, c.batch, today)
		if s.MayBe != c.may || s.AtMost != c.months || !strings.Contains(strings.Join(s.Missing, "; "), c.missing) || s.MayBe != (len(s.Missing) == 0) || s.MayBe && s.Because == "" {
			t.Errorf("%s: %+v", name, s)
		}
	}
	if s := Suit(board, Avoid, InClosedCase, with(good), "", "", today); !s.MayBe || len(s.Cautions) == 0 {
		t.Errorf("advised against, and tested: %+v", s)
	}
}

// TestM4NewTest: what is wrong is said, all of it at once, and nothing is made.
func TestM4NewTest(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)
	whole := func() NewTest {
		return NewTest{Kind: AcceleratedCorrosion, Product: "Board 3", Batch: "B7", TestedOn: "2026-01-10", TestedBy: "H. Beck", Silver: Permanent, Copper: Permanent, Lead: Temporary}
	}
	for name, c := range map[string]struct {
		change func(n *NewTest)
		want   string
	}{
		"whole":         {func(*NewTest) {}, ""},
		"no coupons":    {func(n *NewTest) { n.Silver, n.Copper, n.Lead = "", "", "" }, "/copper required /lead required /silver required"},
		"a pH beside":   {func(n *NewTest) { n.PH = figure("7") }, "/ph excluded"},
		"no such class": {func(n *NewTest) { n.Lead = "good" }, "/lead oneof"},
		"to come":       {func(n *NewTest) { n.TestedOn = "2026-02-07" }, "/tested_on past"},
		"long ago":      {func(n *NewTest) { n.TestedOn = "1026-02-07" }, "/tested_on range"},
		"held too long": {func(n *NewTest) { n.ValidUntil = "2027-01-11" }, "/valid_until range"},
		"ended before":  {func(n *NewTest) { n.ValidUntil = "2026-01-09" }, "/valid_until order"},
		"no batch":      {func(n *NewTest) { n.Batch = " " }, "/batch required"},
		"pH without": {func(n *NewTest) {
			*n = NewTest{Kind: PH, Product: "p", Batch: "b", TestedOn: n.TestedOn, TestedBy: "x"}
		}, "/ph required"},
		"pH beyond": {func(n *NewTest) {
			*n = NewTest{Kind: PH, Product: "p", Batch: "b", TestedOn: n.TestedOn, TestedBy: "x", PH: figure("15")}
		}, "/ph lte"},
		"pH too fine": {func(n *NewTest) {
			*n = NewTest{Kind: PH, Product: "p", Batch: "b", TestedOn: n.TestedOn, TestedBy: "x", PH: figure("7.123")}
		}, "/ph decimals"},
		"strip, no step": {func(n *NewTest) {
			*n = NewTest{Kind: IndicatorStrip, Product: "p", Batch: "b", TestedOn: n.TestedOn, TestedBy: "x", StripLevel: figure("2.5")}
		}, "/strip_level oneof"},
		"strip with colour": {func(n *NewTest) {
			*n = NewTest{Kind: IndicatorStrip, Product: "p", Batch: "b", TestedOn: n.TestedOn, TestedBy: "x", StripLevel: figure("1.5"), ColourBleeds: true}
		}, "/colour_bleeds excluded"},
		"strip": {func(n *NewTest) {
			*n = NewTest{Kind: IndicatorStrip, Product: "p", Batch: "b", TestedOn: n.TestedOn, TestedBy: "x", StripLevel: figure("1.5")}
		}, ""},
	} {
		n := whole()
		c.change(&n)
		made, err := n.test(domain.Actor{ID: domain.NewID()}, "own-board", time.UTC, at)
		var got []string
		if e, ok := err.(*domain.Error); ok {
			for _, f := range e.Fields {
				got = append(got, f.Pointer+" "+f.Rule)
			}
		}
		for want := range strings.SplitSeq(c.want, " /") {
			if want != "" && !strings.Contains(strings.Join(got, ";"), strings.TrimPrefix(want, "/")) {
				t.Errorf("%s: %q, want %q", name, got, c.want)
			}
		}
		if (err == nil) != (c.want == "") || (made == nil) != (err != nil) {
			t.Errorf("%s: %+v %v", name, made, err)
		}
		if made != nil && made.ValidUntil != "2027-01-10" {
			t.Errorf("%s: holds until %s", name, made.ValidUntil)
		}
	}
}
