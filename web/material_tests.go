package web

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain/material"
)

// suitRow says whether a material may be planned for a use.
type suitRow struct {
	Use      string
	Mark     Mark
	Because  string
	Missing  []string
	Cautions []string
}

type materialTestRow struct {
	On, Kind, Product, Batch, Said, By, Until, Note string
	Mark, Held                                      Mark
}

var testKindWords = map[material.TestKind]string{
	material.AcceleratedCorrosion: "accelerated corrosion", material.PH: "pH", material.IndicatorStrip: "indicator strip",
}

// resultMark shows how a test came out by word and shape.
func resultMark(r material.Coupon) Mark {
	switch r {
	case material.Permanent:
		return doneMark("permanent")
	case material.Temporary:
		return waitMark("temporary")
	}
	return warnMark("unsuitable")
}

// tests fills in what a material's page says of its tests and what follows from them (M4).
func (s *Server) tests(c echo.Context, p *materialPage, e *material.Entry) error {
	ctx, a := c.Request().Context(), actor(c)
	all, err := s.Material.Tests(ctx, a, e.Key)
	if err != nil {
		return err
	}
	for _, t := range slices.Backward(all) {
		row := materialTestRow{On: dayWords(t.TestedOn), Kind: testKindWords[t.Kind], Product: t.Product, Batch: t.Batch, By: t.TestedBy, Until: dayWords(t.ValidUntil), Mark: resultMark(t.Result), Note: sentences(t.Method, t.Note)}
		switch t.Kind {
		case material.AcceleratedCorrosion:
			row.Said = fmt.Sprintf("silver %s, copper %s, lead %s", t.Silver, t.Copper, t.Lead)
		case material.PH:
			row.Said = "pH " + t.PH.String()
			if t.ColourBleeds {
				row.Said += ", colour bleeds"
			}
		case material.IndicatorStrip:
			row.Said = "step " + t.StripLevel.String()
		}
		row.Held = doneMark("holds until " + row.Until)
		if !t.Valid {
			row.Held = draftMark("held until " + row.Until)
		}
		p.Tests = append(p.Tests, row)
	}
	for _, use := range []struct {
		planned material.Planned
		words   string
	}{{material.InContact, "In contact with an object"}, {material.InClosedCase, "In a closed case"}} {
		suits, err := s.Material.Suit(ctx, a, e.Key, material.PlanQuery{Use: use.planned})
		if err != nil {
			return err
		}
		row := suitRow{Use: use.words, Mark: warnMark("not yet"), Because: suits.Because, Missing: suits.Missing, Cautions: suits.Cautions}
		switch {
		case suits.MayBe && suits.AtMost > 0:
			row.Mark = waitMark(fmt.Sprintf("may be planned for at most %d months", suits.AtMost))
		case suits.MayBe:
			row.Mark = doneMark("may be planned")
		}
		p.Suits = append(p.Suits, row)
	}
	if a.May(material.KeepTest) == nil {
		p.TestForm = s.testForm(e.Key).ready(c)
	}
	return nil
}

func (s *Server) testForm(key string) *Form {
	var kinds []Option
	for _, k := range material.TestKinds {
		kinds = append(kinds, Option{Value: string(k), Label: testKindWords[k]})
	}
	coupon := func(name, label string) Field {
		return Field{Kind: "select", Name: name, Label: label, Options: append([]Option{{Label: "not of this test"}}, options("", material.Coupons...)...)}
	}
	return &Form{Part: "test", Action: "/materials/" + key + "/tests", Submit: "Record the test", Fields: []Field{
		{Kind: "select", Name: "kind", Label: "Kind of test", Required: true, Options: append([]Option{{Label: "choose"}}, kinds...)},
		{Kind: "text", Name: "product", Label: "Product", Required: true, Max: 200},
		{Kind: "text", Name: "batch", Label: "Batch", Help: "A test tells of its batch only. Write the delivery's day when there is no number.", Required: true, Max: 120},
		{Kind: "date", Name: "tested_on", Label: "Tested on", Help: "The day on which it ended.", Required: true, Value: s.Now().In(s.Site.Zone).Format(time.DateOnly)},
		{Kind: "date", Name: "valid_until", Label: "Holds until", Help: "Left empty: a year, which is the most."},
		{Kind: "text", Name: "tested_by", Label: "Tested by", Required: true, Max: 200},
		{Kind: "textarea", Name: "method", Label: "Method", Help: "Protocol, amounts, temperature, days.", Max: 1000, Rows: 2},
		{Kind: "group", Label: "Accelerated corrosion", Help: "Each coupon against its control: no change is permanent; a slight loss of gloss or tint temporary; clear corrosion unsuitable.", Fields: []Field{
			coupon("silver", "Silver"), coupon("copper", "Copper"), coupon("lead", "Lead")}},
		{Kind: "group", Label: "pH of a cloth or board", Fields: []Field{
			{Kind: "text", Name: "ph", Label: "pH", Max: 5}, {Kind: "checkbox", Name: "colour_bleeds", Label: "The colour bleeds"}}},
		{Kind: "group", Label: "Indicator strip", Fields: []Field{
			{Kind: "select", Name: "strip_level", Label: "Step", Options: []Option{{Label: "not of this test"}, {Value: "0", Label: "0, blue"}, {Value: "1", Label: "1, blue-green"}, {Value: "1.5", Label: "1.5, green"},
				{Value: "2", Label: "2, yellow-green"}, {Value: "3", Label: "3, yellow"}}}}},
		{Kind: "textarea", Name: "note", Label: "Note", Max: 4000, Rows: 2},
	}}
}

// addMaterialTest serves POST /materials/{key}/tests.
func (s *Server) addMaterialTest(c echo.Context) error {
	var n material.NewTest
	_, typed, err := s.decode(c, &n)
	var t *material.Test
	if err == nil {
		t, err = s.Material.AddTest(c.Request().Context(), actor(c), c.Param("key"), n)
	}
	if err == nil {
		return s.done(c, "The test of "+strings.TrimSpace(t.Product)+" is recorded.", "/materials/"+t.MaterialKey+"#tests")
	}
	p, fault := s.materialData(c)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.TestForm, typed, err, "material/material", p)
}
