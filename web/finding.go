package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/finding"
	"farthingale/domain/material"
)

func (s *Server) findingRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/findings", finding.Read, s.findingsPage)
	s.route(g, http.MethodPost, "/findings/recomputation", finding.Recompute, s.recomputeFindings)
	s.route(g, http.MethodGet, "/findings/:id", finding.Read, s.findingPage)
	s.route(g, http.MethodPost, "/findings/:id/acceptance", finding.Answer, s.acceptFinding)
}

func findingPath(id domain.ID) string { return "/findings/" + id.String() }

// severityMark is how soon something must be done, by word and shape.
func severityMark(severity material.Severity) Mark {
	switch {
	case severity >= material.ActNow:
		return warnMark(severity.Words())
	case severity == material.ActNext:
		return waitMark(severity.Words())
	}
	return draftMark(severity.Words())
}

// basisWords say how something is known.
var basisWords = map[material.Basis]string{
	material.Published: "published", material.Practice: "common practice", material.Memory: "known to the trade; no text was opened", material.Disputed: "sources disagree",
}

// findingView is a finding as it is read.
type findingView struct {
	Path, Number, ObjectPath, Title string
	Mark                            Mark
	State                           Mark // accepted, or gone; empty: neither
	Says, Helps                     string
	Accepted                        string // why and by whom
	Facts                           []fact
	Steps                           []string
	Sources                         []string
	Since                           string
}

// wayWords are the ways by which a species comes from one material to another.
var wayWords = map[material.Path]string{material.ByAir: "through the air", material.ByContact: "by contact", material.BySelf: "it keeps its own"}

func (s *Server) findingView(c echo.Context, f *finding.Finding) findingView {
	v := findingView{Path: findingPath(f.ID), Number: f.Number, ObjectPath: objectPath(f.Number), Title: f.Title, Mark: severityMark(f.Severity), Says: f.Says, Helps: sentences(capital(f.Helps)),
		Steps: f.Steps, Sources: strings.Split(f.Source, " | "), Since: s.day(f.FirstRaisedAt)}
	basis := basisWords[f.Basis]
	if f.Remark != "" {
		basis += "; " + f.Remark
	}
	for _, each := range []fact{{"What", f.SpeciesName}, {"Way", wayWords[f.Path]}, {"Where", f.Where}, {"Worse with", f.Worse}, {"Known by", basis}, {"First found", v.Since}} {
		if each.Text != "" {
			v.Facts = append(v.Facts, each)
		}
	}
	switch {
	case f.GoneAt != nil:
		v.State = doneMark("no longer holds, since " + s.day(*f.GoneAt))
		return v
	case f.Accepted:
		a := f.Acceptances[0]
		v.State, v.Accepted = doneMark("accepted until "+dayWords(a.Until)), sentences(a.Reason)+" "+a.ByName+", "+s.day(a.At)+"."
	}
	return v
}

// findingGroup is all that one part does to another, or to itself, or to people.
type findingGroup struct {
	Mark  Mark // of the gravest
	Title string
	Lines []findingLine
	Helps []string
	Views []findingView
}

// findingLine is a finding in a group, which has named the parts already.
type findingLine struct {
	Mark   Mark // empty where it is the group's
	Text   string
	Found  []Link // how it was found, by each way and in each place
	of     *finding.Finding
	wheres []string
}

// same says whether two findings differ in nothing but the way and the place.
func same(a, b *finding.Finding) bool {
	return a.Rule == b.Rule && a.Severity == b.Severity && a.Emitter.Material == b.Emitter.Material && (a.Receptor == nil || a.Receptor.Material == b.Receptor.Material)
}

// groupTitle names the parts. Own is the object on whose sheet it stands: a part of another that suffers is
// named with its number.
func groupTitle(f *finding.Finding, own domain.ID) string {
	switch {
	case f.Rule == material.IdentifyFirst:
		return "To be identified first: " + f.Emitter.Part
	case f.Receptor == nil:
		return f.Emitter.Part + " harms people"
	case f.Path == material.BySelf:
		return f.Emitter.Part + " harms itself"
	case f.Receptor.ComponentID == f.Emitter.ComponentID:
		return "Within " + f.Emitter.Part
	}
	if f.ObjectID != own {
		return f.Emitter.Part + " harms " + f.Number + f.Receptor.Part
	}
	return f.Emitter.Part + " harms " + f.Receptor.Part
}

// groupLine says what is given off by what, to what effect, and where.
func groupLine(f *finding.Finding, where string) string {
	switch {
	case f.Rule == material.IdentifyFirst:
		return "A material that nobody has identified shares closed air: " + where + "."
	case f.Path == material.BySelf:
		return capital(f.SpeciesName) + " of its " + f.Emitter.Material + " stays in " + where + ": " + f.Effect + "."
	case f.Receptor == nil:
		return capital(f.SpeciesName) + " of " + f.Emitter.Material + " (" + where + "): " + f.Effect + "."
	}
	return capital(f.SpeciesName) + " of " + f.Emitter.Material + " on " + f.Receptor.Material + " (" + where + "): " + f.Effect + "."
}

// howFound leads to how a finding was found, the first of its line or a further one.
func howFound(f *finding.Finding, before int) string {
	if before == 0 {
		return "How this was found"
	}
	return "also " + wayWords[f.Path] + ": " + f.Where
}

// findingGroups puts together what is between the same parts, in the order of the gravest of each.
func (s *Server) findingGroups(c echo.Context, own domain.ID, all []*finding.Finding) []findingGroup {
	var groups []findingGroup
	at := map[string]int{}
	for _, f := range all {
		title, mark := groupTitle(f, own), severityMark(f.Severity)
		i, ok := at[title]
		if !ok {
			i = len(groups)
			at[title] = i
			groups = append(groups, findingGroup{Mark: mark, Title: title})
		}
		g, v := &groups[i], s.findingView(c, f)
		g.Views = append(g.Views, v)
		at := slices.IndexFunc(g.Lines, func(l findingLine) bool { return same(l.of, f) })
		if at < 0 {
			at = len(g.Lines)
			g.Lines = append(g.Lines, findingLine{of: f})
		}
		line := &g.Lines[at]
		line.wheres = append(line.wheres, f.Where)
		line.Found = append(line.Found, Link{Path: v.Path, Words: howFound(f, len(line.Found))})
		line.Text = groupLine(f, strings.Join(line.wheres, "; "))
		if f.Depends {
			line.Text += " This rests on an identification that is not sure."
		}
		if mark != g.Mark {
			line.Mark = mark
		}
		if v.Helps != "" && !slices.Contains(g.Helps, v.Helps) {
			g.Helps = append(g.Helps, v.Helps)
		}
	}
	return groups
}

type findingsData struct {
	Grave, Watched, Settled, Harms []findingGroup // to act on, to watch, accepted; what it does to others
	Watch, Accepted                string         // "4 to watch", "2 accepted": of what is folded
	State                          Mark           // how far the computation is
	May                            bool           // accept one
	Computed                       string
	Notes                          []string
	AllPath, GonePath              string
}

const findingsKey = "findings"

// shareFindings lets the sections of an object's sheet read its findings once, when the first of them asks.
func (s *Server) shareFindings(c echo.Context, w *collection.Whole) {
	c.Set(findingsKey, sync.OnceValues(func() (*finding.OfObject, error) {
		return s.Finding.Of(c.Request().Context(), actor(c), w.Object.ID)
	}))
}

// findingsOf are the findings that shareFindings reads.
func findingsOf(c echo.Context) (*finding.OfObject, error) {
	return c.Get(findingsKey).(func() (*finding.OfObject, error))()
}

// findingSection is what endangers what in an object, on its sheet; the gravest stand in its head.
func (s *Server) findingSection(c echo.Context, w *collection.Whole) (section, error) {
	all, err := findingsOf(c)
	if err != nil {
		return section{}, err
	}
	d := findingsData{May: actor(c).May(finding.Answer) == nil, Notes: all.Notes, AllPath: "/findings?object=" + url.QueryEscape(w.Object.Number), GonePath: "/findings?state=gone&object=" + url.QueryEscape(w.Object.Number)}
	now := 0
	var grave, watched, settled, harms []*finding.Finding
	for i := range all.Findings {
		f := &all.Findings[i]
		switch {
		case f.Accepted:
			settled = append(settled, f)
		case f.Severity == material.Watch:
			watched = append(watched, f)
		default:
			if f.Severity >= material.ActNow {
				now++
			}
			grave = append(grave, f)
		}
	}
	for i := range all.Harms {
		harms = append(harms, &all.Harms[i])
	}
	groups := func(some []*finding.Finding) []findingGroup { return s.findingGroups(c, w.Object.ID, some) }
	d.Grave, d.Watched, d.Settled, d.Harms = groups(grave), groups(watched), groups(settled), groups(harms)
	d.Watch, d.Accepted = countWord(len(watched))+" to watch", countWord(len(settled))+" accepted"
	if all.Further {
		d.Notes = append(d.Notes, "There are more findings than are shown here. The list of findings has all of them.")
	}
	switch {
	case !all.UpToDate:
		d.State = waitMark("being computed anew")
	case all.ComputedAt != nil:
		d.State = doneMark("up to date")
	}
	if all.ComputedAt != nil {
		d.Computed = s.moment(*all.ComputedAt)
	}
	sec := section{ID: "findings", Heading: "What endangers what", Template: "finding/_findings", Data: d}
	if now > 0 {
		sec.Head = []headLine{{Mark: warnMark("act now"), Text: count(now, "finding") + " of what its materials do to one another", Path: "#findings"}}
	}
	return sec, nil
}

type findingsPage struct {
	Frame
	Sub       string
	Filters   []Field
	Counts    string
	Rows      []findingView
	More      string
	AgainForm *Form // nil: not for this person
}

// findingsPage serves GET /findings: findings across the collection.
func (s *Server) findingsPage(c echo.Context) error {
	p, err := s.findingsData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "finding/findings", p)
}

func (s *Server) findingsData(c echo.Context) (*findingsPage, error) {
	ctx, a := c.Request().Context(), actor(c)
	f := finding.Filter{Species: c.QueryParam("species"), Emitter: c.QueryParam("emitter"), Receptor: c.QueryParam("receptor"), State: c.QueryParam("state"), Rule: c.QueryParam("rule")}
	if text := c.QueryParam("severity"); text != "" {
		if f.Severity = material.Severity(-1); len(text) == 1 && text != "0" {
			f.Severity = material.Severity(text[0] - '0')
		}
	}
	p := &findingsPage{Sub: "Which part endangers which, in all objects"}
	p.Title, p.Here = "Findings", "/findings"
	if number := strings.TrimSpace(c.QueryParam("object")); number != "" {
		w, err := s.Collection.ShowNumber(ctx, a, number)
		if err != nil {
			return nil, err
		}
		f.ObjectID, p.Sub = &w.Object.ID, "Which part endangers which, in "+w.Object.Number+" "+w.Object.Title
	}
	all, err := s.Finding.List(ctx, a, f, page(c))
	if err != nil {
		return nil, err
	}
	counts, err := s.Finding.Counts(ctx, a, f)
	if err != nil {
		return nil, err
	}
	p.Counts = strings.Join([]string{most(counts.ActNow) + " to act on now", most(counts.ActNext) + " at the next chance", most(counts.Watch) + " to watch"}, ", ")
	p.More = more(c, all.Next)
	for i := range all.Items {
		p.Rows = append(p.Rows, s.findingView(c, &all.Items[i]))
	}
	if p.Filters, err = s.findingFilters(c, f); err != nil {
		return nil, err
	}
	if a.May(finding.Recompute) == nil {
		p.AgainForm = (&Form{Action: "/findings/recomputation", Submit: "Compute all again", Help: "Findings are computed by themselves within a minute of every change. This is for who doubts it."}).ready(c)
	}
	return p, nil
}

// most is a count that goes no further than it is counted.
func most(n int) string {
	if n > finding.CountMost {
		return fmt.Sprintf("more than %d", finding.CountMost)
	}
	return countWord(n)
}

// findingFilters are what the list is narrowed by.
func (s *Server) findingFilters(c echo.Context, f finding.Filter) ([]Field, error) {
	library, err := s.Material.All(c.Request().Context(), actor(c))
	if err != nil {
		return nil, err
	}
	species := []Option{{Label: "any"}}
	for _, each := range s.Finding.Species() {
		species = append(species, Option{Value: each.Key, Label: each.Name, Chosen: each.Key == f.Species})
	}
	of := func(chosen string, first ...Option) []Option {
		all := append([]Option{{Label: "any"}}, first...)
		for _, family := range s.Finding.Families() {
			all = append(all, Option{Value: family, Label: "all of the family " + hazardName(family)})
		}
		for _, m := range library {
			all = append(all, Option{Value: m.Key, Label: hazardName(m.Family) + ": " + m.Name})
		}
		for i := range all {
			all[i].Chosen = all[i].Value == chosen
		}
		return all
	}
	severity := ""
	if f.Severity > 0 {
		severity = countWord(int(f.Severity))
	}
	severities := []Option{{Label: "any"}}
	for _, each := range []material.Severity{material.ActNow, material.ActNext, material.Watch} {
		severities = append(severities, Option{Value: countWord(int(each)), Label: each.Words(), Chosen: countWord(int(each)) == severity})
	}
	fields := []Field{
		{Kind: "select", Name: "species", Label: "What is given off", Options: species},
		{Kind: "select", Name: "emitter", Label: "By", Options: of(f.Emitter)},
		{Kind: "select", Name: "receptor", Label: "To the harm of", Options: of(f.Receptor, Option{Value: finding.People, Label: "people"})},
		{Kind: "select", Name: "severity", Label: "How soon", Options: severities},
		{Kind: "select", Name: "state", Label: "State", Options: []Option{{Label: "any"}, {Value: "open", Label: "not accepted", Chosen: f.State == "open"}, {Value: "accepted", Label: "accepted", Chosen: f.State == "accepted"}, {Value: finding.Gone, Label: "no longer true (of one object)", Chosen: f.State == finding.Gone}}},
		{Kind: "select", Name: "rule", Label: "Only", Options: []Option{{Label: "all"}, {Value: material.IdentifyFirst, Label: "what is to be identified first", Chosen: f.Rule == material.IdentifyFirst}}},
		{Kind: "text", Name: "object", Label: "Object number", Value: c.QueryParam("object"), Max: 60},
	}
	name(fields, "f-")
	return fields, nil
}

// recomputeFindings serves POST /findings/recomputation.
func (s *Server) recomputeFindings(c echo.Context) error {
	var a finding.Again
	_, typed, err := s.decode(c, &a)
	var asked finding.Asked
	if err == nil {
		asked, err = s.Finding.Again(c.Request().Context(), actor(c), a)
	}
	if err != nil {
		p, fault := s.findingsData(c)
		if fault != nil {
			return fault
		}
		return s.answer(c, p.AgainForm, typed, err, "finding/findings", p)
	}
	return s.done(c, "The findings of "+count(asked.Objects, "object")+" are being computed again.", "/findings")
}

type findingPage struct {
	Frame
	View       findingView
	Answers    []acceptanceRow
	AcceptForm *Form // nil: not for this person, or gone
}

type acceptanceRow struct{ When, By, Reason, Until, Says string }

func (s *Server) findingData(c echo.Context) (*findingPage, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	f, err := s.Finding.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return nil, err
	}
	p := &findingPage{View: s.findingView(c, f)}
	p.Title, p.Here = "Finding in "+f.Number, "/findings"
	for _, a := range f.Acceptances {
		row := acceptanceRow{When: s.moment(a.At), By: a.ByName, Reason: a.Reason, Until: dayWords(a.Until)}
		if a.Says != f.Says || a.Severity != f.Severity {
			row.Says = capital(a.Severity.Words()) + ": " + a.Says
		}
		p.Answers = append(p.Answers, row)
	}
	if f.GoneAt == nil && actor(c).May(finding.Answer) == nil {
		p.AcceptForm = (&Form{Action: p.View.Path + "/acceptance", Version: f.Version, Submit: "Accept it",
			Help: "It stays on the sheet as accepted, with your name, and comes back when the day is past or when it becomes graver.",
			Fields: []Field{
				{Kind: "textarea", Name: "reason", Label: "Why it is acceptable", Required: true, Max: 4000, Rows: 3},
				{Kind: "date", Name: "until", Label: "Until", Help: "At most two years.", Required: true},
			}}).ready(c)
	}
	return p, nil
}

// findingPage serves GET /findings/{id}.
func (s *Server) findingPage(c echo.Context) error {
	p, err := s.findingData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "finding/finding", p)
}

// acceptFinding serves POST /findings/{id}/acceptance.
func (s *Server) acceptFinding(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	var n finding.NewAcceptance
	version, typed, err := s.decode(c, &n)
	if err == nil {
		_, err = s.Finding.Accept(c.Request().Context(), actor(c), id, version, n)
	}
	if err == nil {
		return s.done(c, "The finding is accepted.", findingPath(id))
	}
	p, fault := s.findingData(c)
	if fault != nil {
		return fault
	}
	if p.AcceptForm == nil {
		return err
	}
	return s.answer(c, p.AcceptForm, typed, err, "finding/finding", p)
}
