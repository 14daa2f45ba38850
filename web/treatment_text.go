package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
	"farthingale/domain/people"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

func (s *Server) treatmentTextRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:number/treatments/new", treatment.Propose, s.newTreatmentPage)
	s.route(g, http.MethodPost, "/objects/:number/treatments", treatment.Propose, s.beginTreatment)
	s.route(g, http.MethodGet, "/treatments/:id/edit", treatment.Propose, s.editTreatmentPage)
	s.route(g, http.MethodPost, "/treatments/:id/edit", treatment.Propose, s.rewriteTreatment)
	s.route(g, http.MethodGet, "/treatments/:id/amendments/new", treatment.Propose, s.newAmendmentPage)
	s.route(g, http.MethodPost, "/treatments/:id/amendments", treatment.Propose, s.amendTreatment)
	s.route(g, http.MethodGet, "/treatments/:id/amendments/:n/edit", treatment.Propose, s.editAmendmentPage)
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:n/edit", treatment.Propose, s.rewriteAmendment)
}

// textView is a proposal, or an amendment, as it is read.
type textView struct {
	Rests   *Link // the examination
	Facts   []said
	Options []optionRow
	Scope   []scopeRow
	Tests   []testRow
	Views   []string
	Later   []said
}

type said struct {
	Label string
	Lines []string
}

type optionRow struct {
	Method string
	Facts  []said
}

type scopeRow struct {
	Component, Method, Why string
	Materials              []string
	From                   string // where it was approved: "amendment 1"
}

type testRow struct{ What, PassWhen string }

func facts(pairs ...[2]string) []said {
	var all []said
	for _, p := range pairs {
		if lines := paragraphs(p[1]); len(lines) > 0 {
			all = append(all, said{p[0], lines})
		}
	}
	return all
}

func (s *Server) textView(p treatment.Proposal, legend map[string]string) *textView {
	rests := restsWords(p, legend)
	hours, cost := "", ""
	if p.Hours != nil {
		hours = p.Hours.String()
	}
	if p.Cost != nil {
		cost = p.Cost.StringFixed(2) + " " + p.Currency
	}
	period := ""
	if p.Begins != "" || p.Ends != "" {
		period = dateWords(p.Begins) + " to " + dateWords(p.Ends)
	}
	tests := p.NoTests
	if tests != "" {
		tests = "None, because " + tests
	}
	var aims, performers []string
	aims = append(aims, p.Aims...)
	for _, id := range p.Performers {
		performers = append(performers, legend[id.String()])
	}
	v := &textView{Rests: restsLink(p, legend),
		Facts: facts([2]string{"Condition on which it rests", rests}, [2]string{"Reasons", p.Reasons}, [2]string{"Aim", strings.Join(aims, ", ")}),
		Later: facts([2]string{"Why this option", p.Why}, [2]string{"Why the materials are safe here", p.SafeBecause}, [2]string{"Irreversible", p.Final}, [2]string{"Tests first", tests},
			[2]string{"Sampling", p.Sampling}, [2]string{"Removed from the object", p.Removed}, [2]string{"Hours expected", hours}, [2]string{"Period", period},
			[2]string{"Carried out by", strings.Join(performers, ", ")}, [2]string{"Cost", cost}, [2]string{"Hazards and controls", p.Hazards},
			[2]string{"Expected appearance", p.Appearance}, [2]string{"Handling afterwards", p.Handling}, [2]string{"Display afterwards", p.Display},
			[2]string{"Storage afterwards", p.Storage}, [2]string{"Waste", p.Waste}),
		Scope: scopeRows(p.Scope, legend, ""),
	}
	for _, o := range p.Options {
		v.Options = append(v.Options, optionRow{o.Method, facts([2]string{"Benefit", o.Benefit}, [2]string{"Risk to the object", o.RiskToObject}, [2]string{"Risk to people", o.RiskToPeople},
			[2]string{"Effect on significance", o.Significance}, [2]string{"Reversibility", o.Reversibility}, [2]string{"Retreatability", o.Retreatable}, [2]string{"Effort", o.Effort})})
	}
	for _, t := range p.Tests {
		v.Tests = append(v.Tests, testRow{t.What, t.PassWhen})
	}
	for _, view := range p.Photographs {
		v.Views = append(v.Views, photo.View(view.View).Words()+": "+strings.Join(view.Stages, ", "))
	}
	return v
}

func scopeRows(scope []treatment.ScopeLine, legend map[string]string, from string) []scopeRow {
	var rows []scopeRow
	for _, l := range scope {
		row := scopeRow{Component: legend[l.ComponentID.String()], Method: l.Method, Why: l.Why, From: from}
		if l.AndItsParts {
			row.Component += " and its parts"
		}
		for _, m := range l.Materials {
			text := legend[m.MaterialKey]
			if m.Role != "" {
				text += " (" + m.Role + ")"
			}
			if n := m.Narrowed(); n != "" {
				text += ": " + n
			}
			row.Materials = append(row.Materials, text)
		}
		rows = append(rows, row)
	}
	return rows
}

// treatmentFormPage is a page with one long form about a treatment.
type treatmentFormPage struct {
	Frame
	Heading  string
	Lead     []string
	Stops    []stopLine    // on what is worked on
	Cautions []cautionLine // for it
	Closing  string
	Back     Link
	Also     []Link // where else what is meant may belong
	Form     *Form
	Lists    []datalist
	Present  *textView // the text as somebody else has kept it meanwhile
}

type datalist struct {
	ID      string
	Options []Option
}

// writing is what the form of a proposal or an amendment is made from.
type writing struct {
	sheet     *collection.Sheet
	staff     []people.Person
	materials []Option // of the library; the first is "none"
	more      string   // the list that is to have more rows
	examined  []treatment.Examined
	amendment bool
}

func (w writing) rows(name string, have, least int) int {
	if w.more == name {
		return have + 3
	}
	return max(have, least)
}

// field makes a field with a value.
func field(kind, name, label, value string, most int, help string) Field {
	return Field{Kind: kind, Name: name, Label: label, Value: value, Max: most, Help: help}
}

func (w writing) components(chosen domain.ID) []Option {
	all := []Option{{Label: "choose"}}
	for _, c := range w.sheet.Components {
		all = append(all, Option{Value: c.ID.String(), Label: c.Label + " " + c.Name, Chosen: c.ID == chosen})
	}
	return all
}

func (w writing) fields(p treatment.Proposal) []Field {
	hours, cost := "", ""
	if p.Hours != nil {
		hours = p.Hours.String()
	}
	if p.Cost != nil {
		cost = p.Cost.String()
	}
	aims := options("", treatment.Aims...)
	for i := range aims {
		aims[i].Chosen = slices.Contains(p.Aims, aims[i].Value)
	}
	title := field("text", "title", "Title", p.Title, 200, "In a few words: what is done to what.")
	title.Required = true
	all := []Field{title}
	if !w.amendment {
		all = append(all, w.restsFields(p))
	}
	all = append(all, field("textarea", "reasons", "Reasons", p.Reasons, 10000, "The observations that it answers."))
	if !w.amendment {
		all = append(all, Field{Kind: "checks", Name: "aims", Label: "Aims", Options: aims, Help: "One treatment may serve several."})
		all = append(all, w.options(p))
	}
	all = append(all, w.scope(p),
		field("textarea", "why", "Why this option", p.Why, 4000, ""),
		field("textarea", "safe_because", "Why the materials are safe for what they touch", p.SafeBecause, 4000, ""),
		field("textarea", "irreversible", "What is irreversible", p.Final, 4000, "'Nothing' is an answer."),
		w.tests(p),
		field("text", "no_tests_because", "Or no tests, because", p.NoTests, 1000, ""),
		field("textarea", "sampling", "Sampling", p.Sampling, 4000, ""),
		field("text", "hours", "Hours expected", hours, 12, ""),
		field("text", "begins", "Begins", p.Begins, 40, "A date, or a month such as 2026-02."),
		field("text", "ends", "Ends", p.Ends, 40, ""),
		w.views(p),
		field("textarea", "removed", "What will be removed from the object, and where it goes", p.Removed, 4000, "'Nothing' is an answer."),
		Field{Kind: "checks", Name: "performers", Label: "Who is to carry it out", Options: workers(w.staff, p.Performers...)},
		field("text", "cost", "Cost", cost, 16, ""),
		field("text", "cost_currency", "Currency", p.Currency, 3, "Three letters, such as EUR."),
		field("textarea", "hazards", "Hazards and their controls", p.Hazards, 4000, "Follow local rules and your safety adviser."),
		field("textarea", "expected_appearance", "Expected appearance", p.Appearance, 4000, ""),
		field("textarea", "handling_afterwards", "Handling afterwards", p.Handling, 4000, ""),
		field("textarea", "display_afterwards", "Display afterwards", p.Display, 4000, ""),
		field("textarea", "storage_afterwards", "Storage afterwards", p.Storage, 4000, ""),
		field("textarea", "waste", "Waste", p.Waste, 4000, ""))
	for i := range all {
		if all[i].Kind == "textarea" {
			all[i].Rows = 3
		}
	}
	return all
}

func (w writing) options(p treatment.Proposal) Field {
	group := Field{Kind: "group", Label: "Options considered", Help: "At least two; 'no treatment' may be one."}
	for i := range w.rows("options", len(p.Options), 2) {
		o, at := treatment.Option{}, fmt.Sprintf("options.%d.", i)
		if i < len(p.Options) {
			o = p.Options[i]
		}
		n := strconv.Itoa(i + 1)
		option := Field{Kind: "group", Label: "Option " + n, Fields: []Field{
			field("text", at+"method", "Method of option "+n, o.Method, 300, ""),
			field("textarea", at+"benefit", "Benefit of option "+n, o.Benefit, 2000, ""),
			field("textarea", at+"risk_to_object", "Risk to the object of option "+n, o.RiskToObject, 2000, ""),
			field("textarea", at+"risk_to_people", "Risk to people of option "+n, o.RiskToPeople, 2000, ""),
			field("textarea", at+"effect_on_significance", "Effect on significance of option "+n, o.Significance, 2000, ""),
			field("textarea", at+"reversibility", "Reversibility of option "+n, o.Reversibility, 2000, "Can it be undone without damage?"),
			field("textarea", at+"retreatability", "Retreatability of option "+n, o.Retreatable, 2000, "Does it leave a later treatment possible?"),
			field("text", at+"effort", "Effort of option "+n, o.Effort, 500, "")}}
		for j := range option.Fields {
			option.Fields[j].Rows = 2
		}
		group.Fields = append(group.Fields, option)
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: "options", Label: "More options"})
	return group
}

func (w writing) scope(p treatment.Proposal) Field {
	group := Field{Kind: "group", Label: "The chosen method for each component", Help: "This becomes the scope: work outside it is refused. A material named without product, solvent or concentration allows any of them. Water, blotter, tissue, PTFE and polyester film, nitrile gloves and swabs need not be named."}
	if w.amendment {
		group.Label, group.Help = "What is added to the scope", "Only what is new. "+group.Help
	}
	least := 2
	if w.amendment {
		least = 1
	}
	for i := range w.rows("scope", len(p.Scope), least) {
		l, at, n := treatment.ScopeLine{}, fmt.Sprintf("scope.%d.", i), strconv.Itoa(i+1)
		if i < len(p.Scope) {
			l = p.Scope[i]
		}
		parts := ""
		if l.AndItsParts {
			parts = "true"
		}
		method := field("text", at+"method", "Method of line "+n, l.Method, 120, "A step must use these words.")
		method.List = "methods"
		kind := "group"
		if i > 0 && i >= len(p.Scope) && w.more != "scope" { // one line is often enough
			kind = "folded"
		}
		line := Field{Kind: kind, Label: "Line " + n, Fields: []Field{
			{Kind: "select", Name: at + "component_id", Label: "Component of line " + n, Options: w.components(l.ComponentID)},
			{Kind: "checkbox", Name: at + "and_its_parts", Label: "and its parts (line " + n + ")", Value: parts},
			method}}
		name := fmt.Sprintf("scope.%d.materials", i)
		for j := range w.rows(name, len(l.Materials), 1) {
			m := treatment.ScopeMaterial{}
			if j < len(l.Materials) {
				m = l.Materials[j]
			}
			line.Fields = append(line.Fields, w.material(fmt.Sprintf("%s.%d.", name, j), fmt.Sprintf("%s.%d", n, j+1), m))
		}
		line.Fields = append(line.Fields, Field{Kind: "more", Name: name, Label: "More materials for line " + n},
			field("text", at+"why", "Why this method (line "+n+")", l.Why, 2000, ""))
		group.Fields = append(group.Fields, line)
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: "scope", Label: "More lines"})
	return group
}

func (w writing) material(at, n string, m treatment.ScopeMaterial) Field {
	least, most := "", ""
	if m.Least != nil {
		least = m.Least.String()
	}
	if m.Most != nil {
		most = m.Most.String()
	}
	materials := slices.Clone(w.materials)
	for i := range materials {
		materials[i].Chosen = materials[i].Value == m.MaterialKey
	}
	return Field{Kind: "group", Label: "Material " + n, Fields: []Field{
		{Kind: "select", Name: at + "material_key", Label: "Material " + n, Options: materials},
		{Kind: "select", Name: at + "role", Label: "Role of material " + n, Options: append([]Option{{Label: "not said"}}, options(m.Role, treatment.MaterialRoles...)...)},
		field("text", at+"product", "Only this product of material "+n, m.Product, 200, ""),
		field("text", at+"solvent", "Only in this solvent (material "+n+")", m.Solvent, 120, ""),
		field("text", at+"concentration_min", "Concentration of material "+n+", least", least, 16, ""),
		field("text", at+"concentration_max", "Concentration of material "+n+", most", most, 16, ""),
		{Kind: "select", Name: at + "unit", Label: "Unit for material " + n, Options: unitOptions(m.Unit)}}}
}

func unitOptions(chosen string) []Option {
	all := []Option{{Label: "none"}}
	for _, u := range treatment.Units {
		all = append(all, Option{Value: u, Label: treatment.UnitWords(u), Chosen: u == chosen})
	}
	return all
}

func (w writing) tests(p treatment.Proposal) Field {
	group := Field{Kind: "group", Label: "Tests to be made first"}
	for i := range w.rows("tests", len(p.Tests), 1) {
		t, at, n := treatment.Test{}, fmt.Sprintf("tests.%d.", i), strconv.Itoa(i+1)
		if i < len(p.Tests) {
			t = p.Tests[i]
		}
		group.Fields = append(group.Fields, field("text", at+"what", "Test "+n, t.What, 1000, ""), field("text", at+"pass_when", "Test "+n+" is passed when", t.PassWhen, 1000, ""))
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: "tests", Label: "More tests"})
	return group
}

func (w writing) views(p treatment.Proposal) Field {
	group := Field{Kind: "group", Label: "Photographs planned", Help: "The same view before and after shows what has changed."}
	for i := range w.rows("photographs", len(p.Photographs), 2) {
		v, at, n := treatment.PlannedView{}, fmt.Sprintf("photographs.%d.", i), strconv.Itoa(i+1)
		if i < len(p.Photographs) {
			v = p.Photographs[i]
		}
		stages := options("", "before", "during", "after")
		for j := range stages {
			stages[j].Chosen = slices.Contains(v.Stages, stages[j].Value)
		}
		group.Fields = append(group.Fields,
			Field{Kind: "select", Name: at + "view", Label: "View " + n, Options: append([]Option{{Label: "choose"}}, wordOptions(photo.View(v.View), photo.Views)...)},
			Field{Kind: "checks", Name: at + "stages", Label: "Stages of view " + n, Options: stages})
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: "photographs", Label: "More views"})
	return group
}

// writing reads what the form of a text offers.
func (s *Server) writing(c echo.Context, sheet *collection.Sheet, staff []people.Person, p treatment.Proposal, more string) (writing, error) {
	examined, err := s.Treatment.Examined(c.Request().Context(), actor(c), sheet.Object.ID, p.ExaminationsIn())
	if err != nil {
		return writing{}, err
	}
	materials, err := s.materialOptions(c, "none")
	return writing{sheet: sheet, examined: examined, staff: staff, materials: materials, more: more}, err
}

// methodList are the methods that the form of a text suggests.
func methodList() []datalist {
	methods := datalist{ID: "methods"}
	for _, m := range treatment.Methods {
		methods.Options = append(methods.Options, Option{Value: m})
	}
	return []datalist{methods}
}

// newTexts makes the page of a proposal that is not yet a treatment.
func (s *Server) newText(c echo.Context, p treatment.Proposal, more string) (*treatmentFormPage, domain.ID, error) {
	whole, err := s.whole(c)
	if err != nil {
		return nil, domain.ID{}, err
	}
	staff, err := s.staff(c)
	if err != nil {
		return nil, domain.ID{}, err
	}
	w, err := s.writing(c, &whole.Sheet, staff, p, more)
	if err != nil {
		return nil, domain.ID{}, err
	}
	o := whole.Object
	page := &treatmentFormPage{Heading: "Propose a treatment of " + o.Number, Back: Link{Path: objectPath(o.Number), Words: o.Title}, Lists: methodList(),
		Lead: []string{"The draft can be kept at any time and need not be complete. What is missing is listed when it is submitted."},
		Also: w.examineFirst(),
		Form: &Form{Action: objectPath(o.Number) + "/treatments", Submit: "Keep the draft", Long: true, Fields: w.fields(p)}}
	page.Title, page.Here = page.Heading, "/treatments"
	if page.Cautions, err = s.cautionsOf(c, &whole.Sheet, p.ComponentsIn()); err != nil {
		return nil, domain.ID{}, err
	}
	page.Closing = material.CautionClosing
	page.Form.ready(c)
	return page, o.ID, nil
}

// newTreatmentPage serves GET /objects/{number}/treatments/new; from names a treatment whose text is
// taken over.
func (s *Server) newTreatmentPage(c echo.Context) error {
	var p treatment.Proposal
	if from := c.QueryParam("from"); from != "" {
		id, err := domain.ParseID(from)
		if err != nil {
			return err
		}
		t, err := s.Treatment.One(c.Request().Context(), actor(c), id)
		if err != nil {
			return err
		}
		p = t.Proposal
	}
	page, _, err := s.newText(c, p, "")
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "treatment/form", page)
}

// beginTreatment serves POST /objects/{number}/treatments.
func (s *Server) beginTreatment(c echo.Context) error {
	more, err := moreRows(c)
	if err != nil {
		return err
	}
	var p treatment.Proposal
	_, typed, err := s.decode(c, &p)
	page, objectID, fault := s.newText(c, p, more)
	if fault != nil {
		return fault
	}
	if more != "" {
		page.Form.again(c, typed)
		return s.render(c, http.StatusOK, "treatment/form", page)
	}
	var t *treatment.Treatment
	if err == nil {
		t, err = s.Treatment.Begin(c.Request().Context(), actor(c), objectID, p)
	}
	if err != nil {
		return s.answer(c, page.Form, typed, err, "treatment/form", page)
	}
	return s.done(c, "The draft is kept.", treatmentPath(t.ID))
}

// textPage makes the page that changes a text of a treatment.
func (s *Server) textPage(c echo.Context, d *desk, p treatment.Proposal, more, action, heading string, amendment bool) (*treatmentFormPage, error) {
	w, err := s.writing(c, d.around.Sheet, d.staff, p, more)
	if err != nil {
		return nil, err
	}
	w.amendment = amendment
	page := &treatmentFormPage{Heading: heading, Back: Link{Path: d.at, Words: d.Called()}, Lists: methodList(),
		Form: &Form{Action: action, Version: d.Version, Submit: "Keep the draft", Long: true, Fields: w.fields(p)}}
	if !amendment {
		page.Also = w.examineFirst()
	}
	if amendment {
		page.Lead = []string{"Write only what changes. What is left empty stays as it was approved."}
	}
	page.Title, page.Here = heading, "/treatments"
	if page.Cautions, err = s.cautionsOf(c, d.around.Sheet, p.ComponentsIn()); err != nil {
		return nil, err
	}
	page.Closing = material.CautionClosing
	page.Form.ready(c)
	return page, nil
}

// postText serves a form of textPage.
func (s *Server) postText(c echo.Context, action func(d *desk) string, heading string, amendment bool,
	do func(ctx context.Context, by domain.Actor, id domain.ID, version int64, p treatment.Proposal) (*treatment.Treatment, error)) error {
	more, err := moreRows(c)
	if err != nil {
		return err
	}
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	var p treatment.Proposal
	version, typed, err := s.decode(c, &p)
	if err == nil && more == "" {
		if _, err = do(c.Request().Context(), actor(c), id, version, p); err == nil {
			return s.done(c, "The draft is kept.", treatmentPath(id))
		}
	}
	d, fault := s.desk(c)
	if fault != nil {
		return fault
	}
	page, fault := s.textPage(c, d, p, more, action(d), heading, amendment)
	if fault != nil {
		return fault
	}
	if more != "" {
		page.Form.Version = version // still the one that was read
		page.Form.again(c, typed)
		return s.render(c, http.StatusOK, "treatment/form", page)
	}
	if domain.KindOf(err) == domain.KindStale {
		page.Present = s.textView(d.text(c), d.around.Legend)
	}
	return s.answer(c, page.Form, typed, err, "treatment/form", page)
}

// text is the draft that the address names: an amendment's, or the proposal's.
func (d *desk) text(c echo.Context) treatment.Proposal {
	for _, a := range d.Amendments {
		if strconv.Itoa(a.Number) == c.Param("n") {
			return a.Text
		}
	}
	return d.Proposal
}

// getText shows a form of textPage.
func (s *Server) getText(c echo.Context, heading string, amendment bool, of func(d *desk) (treatment.Proposal, string, error)) error {
	d, err := s.desk(c)
	if err != nil {
		return err
	}
	p, action, err := of(d)
	if err != nil {
		return err
	}
	page, err := s.textPage(c, d, p, "", action, heading, amendment)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "treatment/form", page)
}

func editAction(d *desk) string { return d.at + "/edit" }

func (s *Server) editTreatmentPage(c echo.Context) error {
	return s.getText(c, "Edit the proposal", false, func(d *desk) (treatment.Proposal, string, error) { return d.Proposal, editAction(d), nil })
}

func (s *Server) rewriteTreatment(c echo.Context) error {
	return s.postText(c, editAction, "Edit the proposal", false, s.Treatment.Rewrite)
}

func (s *Server) newAmendmentPage(c echo.Context) error {
	return s.getText(c, "Write an amendment", true, func(d *desk) (treatment.Proposal, string, error) {
		return treatment.Proposal{}, d.at + "/amendments", nil
	})
}

func (s *Server) amendTreatment(c echo.Context) error {
	return s.postText(c, func(d *desk) string { return d.at + "/amendments" }, "Write an amendment", true, s.Treatment.Amend)
}

func (s *Server) editAmendmentPage(c echo.Context) error {
	n, err := partNumber(c)
	if err != nil {
		return err
	}
	return s.getText(c, fmt.Sprintf("Edit amendment %d", n), true, func(d *desk) (treatment.Proposal, string, error) {
		for _, a := range d.Amendments {
			if a.Number == n {
				return a.Text, fmt.Sprintf("%s/amendments/%d/edit", d.at, n), nil
			}
		}
		return treatment.Proposal{}, "", domain.NotFound(fmt.Sprintf("There is no amendment %d on this treatment.", n))
	})
}

func (s *Server) rewriteAmendment(c echo.Context) error {
	n, err := partNumber(c)
	if err != nil {
		return err
	}
	return s.postText(c, func(d *desk) string { return fmt.Sprintf("%s/amendments/%d/edit", d.at, n) }, fmt.Sprintf("Edit amendment %d", n), true,
		numbered(n, s.Treatment.RewriteAmendment))
}
