package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/enclosure"
)

func (s *Server) enclosureRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/enclosures", enclosure.Read, s.enclosuresPage)
	s.route(g, http.MethodPost, "/enclosures", enclosure.Keep, s.addEnclosure)
	s.route(g, http.MethodGet, "/enclosures/new", enclosure.Keep, s.newEnclosurePage)
	s.route(g, http.MethodGet, "/enclosures/new-in-full", enclosure.Keep, s.newFullPage)
	s.route(g, http.MethodPost, "/enclosures/new-in-full", enclosure.Keep, s.addFull)
	s.route(g, http.MethodGet, "/enclosures/:id", enclosure.Read, s.enclosurePage)
	s.route(g, http.MethodGet, "/enclosures/:id/edit", enclosure.Keep, s.editEnclosurePage)
	s.route(g, http.MethodPost, "/enclosures/:id/edit", enclosure.Keep, s.editEnclosure)
	s.route(g, http.MethodPost, "/enclosures/:id/closure", enclosure.Keep, s.closeEnclosure)
	s.route(g, http.MethodPost, "/enclosures/:id/tracers", enclosure.Keep, s.measureTracer)
	s.route(g, http.MethodGet, "/enclosures/:id/what-if", enclosure.Read, s.whatIfPage)
	s.route(g, http.MethodPost, "/enclosures/:id/what-if", enclosure.Read, s.whatIf)
	s.route(g, http.MethodPost, "/enclosures/:id/recommendations", enclosure.Recommend, s.recommend)
	s.route(g, http.MethodGet, "/recommendations/:id", enclosure.Read, s.recommendationPage)
	s.route(g, http.MethodPost, "/recommendations/:id/end", enclosure.Recommend, s.endRecommendation)
}

type enclosuresPage struct {
	Frame
	Words   string
	Kind    string
	Links   []Link
	Rows    []enclosureRow
	More    string
	AddPath string // empty: who may not
}

type enclosureRow struct {
	Path, Label, Kind string
	In                []Link
	Further           string
	Exchange          string
	Marks             []Mark
}

func (s *Server) enclosureRow(l *enclosure.Line) enclosureRow {
	r := enclosureRow{Path: enclosurePath(l.ID), Label: l.Label, Kind: l.Kind.Words(), Exchange: exchangeWords(l.Spaces)}
	for _, m := range l.Members {
		r.In = append(r.In, Link{Path: memberPath(m), Words: m.Name()})
	}
	if more := l.MemberCount - len(l.Members); more > 0 {
		r.Further = "and " + strconv.Itoa(more) + " more"
	}
	if l.ClosedAt != nil {
		r.Marks = append(r.Marks, draftMark("closed"))
	}
	if l.Recommendations > 0 {
		r.Marks = append(r.Marks, waitMark(count(l.Recommendations, "recommendation")))
	}
	return r
}

func memberPath(m enclosure.Member) string {
	if m.ComponentID == nil {
		return objectPath(m.ObjectNumber)
	}
	return componentPath(m.ObjectNumber, m.Label)
}

// exchangeWords says how often the air of each space changes.
func exchangeWords(spaces []enclosure.Kept) string {
	var all []string
	for _, k := range spaces {
		text := "not known"
		if k.ExchangePerDay != nil {
			text = enclosure.Number(*k.ExchangePerDay)
		}
		if len(spaces) > 1 {
			text = k.Name + " " + text
		}
		all = append(all, text)
	}
	return strings.Join(all, "; ")
}

// enclosuresPage serves GET /enclosures.
func (s *Server) enclosuresPage(c echo.Context) error {
	f := enclosure.Filter{Words: strings.TrimSpace(c.QueryParam("q")), Kind: enclosure.Form(c.QueryParam("kind")), Closed: c.QueryParam("closed") == "true"}
	all, err := s.Enclosure.List(c.Request().Context(), actor(c), f, page(c))
	if err != nil {
		return err
	}
	p := &enclosuresPage{Words: f.Words, Kind: string(f.Kind), More: more(c, all.Next)}
	p.Title, p.Here = "Enclosures", "/enclosures"
	if actor(c).May(enclosure.Keep) == nil {
		p.AddPath = "/enclosures/new"
	}
	for _, kind := range enclosure.Forms {
		p.Links = append(p.Links, filterLink(c, kind.Words(), "kind", string(kind), kind == f.Kind))
	}
	p.Links = append(p.Links, filterLink(c, "closed ones too", "closed", "true", f.Closed))
	for i := range all.Items {
		p.Rows = append(p.Rows, s.enclosureRow(&all.Items[i]))
	}
	return s.render(c, http.StatusOK, "enclosure/enclosures", p)
}

type enclosurePageData struct {
	Frame
	Heading, Sub          string
	Place                 Link // where it stands; empty: not said
	Mark                  Mark
	Closed                string
	Note                  []string
	EditPath              string // empty: who may not, or closed
	Levels                []levelRow
	Years                 string
	Paces                 []string
	Spaces                []spaceRow
	Surfaces              []surfaceRow
	Paths                 []pathRow
	Rooms                 []roomRow
	WhatIf                *Form
	Recommendations       []recommendationRow
	Tracers               []tracerRow
	TracerForm, CloseForm *Form
	Formula               []string
}

// levelRow is a level as the page shows it: the figure, what it means, and all that it rests on.
type levelRow struct {
	ID, Space, Gas   string
	Heading          string
	Level, PPB       string
	Mark             Mark
	Said             string
	Answer           string
	Missing          []string
	Words            []string
	How              string
	Comparisons      []comparisonRow
	Inputs           []inputRow
	ComparisonsTitle string
}

type comparisonRow struct {
	Limit, What, Concerns, Remark, Source string
	Mark                                  Mark
}

type inputRow struct{ What, Figure, Known, Source string }

func verdictMark(v enclosure.Verdict) Mark {
	switch v {
	case enclosure.Above:
		return warnMark("above limits")
	case enclosure.Unlimited:
		return warnMark("rises without limit")
	case enclosure.Between:
		return warnMark("may be above limits")
	case enclosure.Below:
		return doneMark("below limits")
	case enclosure.NoLimit:
		return draftMark("no limit published")
	}
	return draftMark("no figure")
}

// levelShown is a level in a cell: a figure, or in words why there is none.
func levelShown(l *enclosure.Level) (level, ppb string) {
	switch l.State {
	case enclosure.Settled:
		level = l.UGM3.String()
		if l.PPB != nil {
			ppb = l.PPB.PPB.String()
		}
	case enclosure.Rising:
		level = "rises by " + l.RiseUGM3H.String() + " in each hour"
	case enclosure.Still:
		level = "stays as it is"
	default:
		level = "not known"
	}
	return level, ppb
}

func levelRowOf(j *enclosure.Judged, id string) levelRow {
	r := levelRow{ID: id, Space: j.Space, Gas: j.Gas.String(), Heading: capital(j.Gas.String()) + " in " + j.Space, Mark: verdictMark(j.Verdict), Said: j.Said, Answer: j.Answer, Missing: j.Missing, Words: j.Words, How: j.How}
	r.Level, r.PPB = levelShown(&j.Level)
	r.ComparisonsTitle = "Published limits for " + r.Gas
	for _, cmp := range j.Comparisons {
		row := comparisonRow{Limit: cmp.Limit.Printed, What: cmp.Limit.Name(), Concerns: cmp.Limit.Concerns, Remark: cmp.Limit.Note, Source: cmp.Limit.Source}
		if cmp.YearsTo != nil {
			row.Remark = strings.TrimPrefix(row.Remark+"; reached in "+cmp.YearsTo.String()+" years", "; ")
		}
		switch cmp.Limit.Confidence {
		case enclosure.Memory:
			row.Source += " (from memory)"
		case enclosure.SecondHand:
			row.Source += " (read second-hand)"
		}
		switch cmp.Verdict {
		case enclosure.Above:
			row.Mark = warnMark("above")
		case enclosure.Below:
			row.Mark = doneMark("below")
		default:
			row.Mark = warnMark("not clear")
		}
		r.Comparisons = append(r.Comparisons, row)
	}
	for _, in := range j.Inputs {
		r.Inputs = append(r.Inputs, inputRow{in.What, in.Quantity.Range(in.Unit), string(in.Quantity.Basis), in.Quantity.Source})
	}
	return r
}

// formulas say how a level is computed.
var formulas = []string{
	"volume × change of level per hour = what surfaces give off + what comes in with air − what leaves with air − what surfaces take up; the steady level is where nothing changes any more.",
	"What a surface gives off is its rate × its area; what it takes up is deposition velocity × area × level.",
	"What leaves with air is air changes × volume × level. Through a gap, air changes follow from diffusion (Fick), from warm and cold air, and from daily breathing.",
	"Several spaces are solved together. Air is taken as well mixed inside each space.",
}

type spaceRow struct {
	Name, Volume, RH, Exchange string
	In                         []Link
}

type surfaceRow struct{ Space, Name, Area, Gives, Takes, Cover string }

type pathRow struct{ Name, Between, How, Known string }

type roomRow struct{ Name, Levels string }

// quantityWords is a figure with unit, range and how it is known.
func quantityWords(m enclosure.Measure, q enclosure.Quantity) string {
	if !q.Given() {
		return "not known"
	}
	return m.Shown(q) + ", " + string(q.Basis)
}

func (s *Server) spaceRows(e *enclosure.Enclosure, renewals []enclosure.Renewal) []spaceRow {
	rows := make([]spaceRow, len(e.Network.Spaces))
	for i, sp := range e.Network.Spaces {
		rows[i] = spaceRow{Name: sp.Name, Volume: quantityWords(enclosure.Volumes, sp.VolumeM3), Exchange: "not known"}
		if sp.RHPct.Given() {
			rows[i].RH = quantityWords(enclosure.Humidities, sp.RHPct)
		}
		if r := renewals[i]; r.PerDay != nil {
			rows[i].Exchange = r.PerDay.String()
		} else if len(r.Missing) > 0 {
			rows[i].Exchange = "not known; missing: " + strings.Join(r.Missing, "; ")
		}
		for _, m := range e.Members {
			if m.Space == sp.Name {
				rows[i].In = append(rows[i].In, Link{Path: memberPath(m), Words: m.Name()})
			}
		}
	}
	return rows
}

func surfaceRows(n *enclosure.Network) []surfaceRow {
	var rows []surfaceRow
	for _, sp := range n.Spaces {
		for _, f := range sp.Surfaces {
			r := surfaceRow{Space: sp.Name, Name: f.Name, Area: quantityWords(enclosure.Areas, f.AreaM2)}
			var gives, takes []string
			for _, e := range f.Emissions {
				gives = append(gives, e.Gas.String()+": "+quantityWords(enclosure.EmissionRate, e.RateUGM2H)+listed(e.RateUGM2H.Source))
			}
			for _, u := range f.Uptakes {
				takes = append(takes, u.Gas.String()+": "+quantityWords(enclosure.Velocities, u.VelocityCMS)+listed(u.VelocityCMS.Source))
			}
			r.Gives, r.Takes = strings.Join(gives, "; "), strings.Join(takes, "; ")
			if f.Covered {
				r.Cover = "covered; passes: " + quantityWords(enclosure.Shares, f.Passing)
			}
			rows = append(rows, r)
		}
	}
	return rows
}

func pathRows(n *enclosure.Network) []pathRow {
	rows := make([]pathRow, len(n.Exchanges))
	for i, x := range n.Exchanges {
		rows[i] = pathRow{Name: x.Name, Between: x.Inner + " and " + x.Outer}
		switch {
		case x.Gap != nil:
			rows[i].How = x.Gap.Words()
		case x.Rate != nil:
			rows[i].How = quantityWords(enclosure.DailyRates, x.Rate.PerDay)
			if x.Rate.OpeningsPerDay.Given() {
				rows[i].How += "; openings " + quantityWords(enclosure.DailyRates, x.Rate.OpeningsPerDay)
			}
			rows[i].Known = x.Rate.PerDay.Source
		}
	}
	return rows
}

func roomRows(n *enclosure.Network) []roomRow {
	rows := make([]roomRow, len(n.Rooms))
	for i, room := range n.Rooms {
		rows[i].Name = room.Name
		var levels []string
		for _, l := range room.Levels {
			levels = append(levels, l.Gas.String()+" "+quantityWords(enclosure.AirLevels, l.UGM3)+listed(l.UGM3.Source))
		}
		rows[i].Levels = strings.Join(levels, "; ")
		if rows[i].Levels == "" {
			rows[i].Levels = "no level is given"
		}
	}
	return rows
}

// paceWords says how soon the levels come to rest.
func paceWords(paces []enclosure.Pace) []string {
	var all []string
	for _, p := range paces {
		at := p.Gas.String()
		if len(p.Spaces) > 1 {
			at += " in " + strings.Join(p.Spaces, ", ")
		}
		switch {
		case len(p.Missing) > 0:
		case p.PerHour == 0:
			all = append(all, at+": never comes to rest.")
		default:
			all = append(all, at+": half of a change in "+spanWords(p.HalfHour)+", nearly all of it in "+spanWords(p.Hours95)+".")
		}
	}
	return all
}

// spanWords says a time in the unit that people would take.
func spanWords(hours float64) string {
	switch {
	case hours < 1:
		return figureWords(hours*60) + " minutes"
	case hours < 72:
		return figureWords(hours) + " hours"
	case hours < 24*365:
		return figureWords(hours/24) + " days"
	}
	return figureWords(hours/24/365.25) + " years"
}

func (s *Server) enclosureData(c echo.Context, e *enclosure.Enclosure, years float64) (*enclosurePageData, error) {
	ctx, a := c.Request().Context(), actor(c)
	levels, err := e.Levels(years)
	if err != nil {
		return nil, err
	}
	p := &enclosurePageData{Heading: e.Label, Sub: insideOf(e.Kind), Note: paragraphs(e.Note), Years: figureWords(levels.Years), Paces: paceWords(levels.Paces), Formula: formulas,
		Spaces: s.spaceRows(e, levels.Renewals), Surfaces: surfaceRows(&e.Network), Paths: pathRows(&e.Network), Rooms: roomRows(&e.Network)}
	p.Title, p.Here = e.Label, "/enclosures"
	if e.PlaceID != nil && e.Place != nil {
		p.Place = Link{Path: "/places/" + e.PlaceID.String(), Words: *e.Place}
	}
	for i := range levels.Items {
		p.Levels = append(p.Levels, levelRowOf(&levels.Items[i], "level-"+strconv.Itoa(i+1)))
	}
	tracers, err := s.Enclosure.Tracers(ctx, a, e.ID)
	if err != nil {
		return nil, err
	}
	p.Tracers = s.tracerRows(tracers)
	recommended, err := s.Enclosure.Recommendations(ctx, a, enclosure.RecommendationFilter{EnclosureID: &e.ID}, domain.PageQuery{Limit: 50})
	if err != nil {
		return nil, err
	}
	for i := range recommended.Items {
		p.Recommendations = append(p.Recommendations, s.recommendationRow(&recommended.Items[i]))
	}
	if e.Closed != nil {
		p.Mark, p.Closed = draftMark("closed"), s.moment(e.Closed.At)+", "+e.Closed.By.Name+": "+e.Closed.Reason
		return p, nil
	}
	p.WhatIf = s.whatIfForm(c, e, "Ask what a change would do")
	if a.May(enclosure.Keep) == nil {
		p.EditPath = enclosurePath(e.ID) + "/edit"
		p.TracerForm = s.tracerForm(c, e)
		p.CloseForm = (&Form{Part: "close", Action: enclosurePath(e.ID) + "/closure", Version: e.Version, Submit: "Close it", Grave: true,
			Help:   "For one that is no more: the box was emptied, the glove taken off. It stays on record and counts for nothing.",
			Fields: []Field{{Kind: "textarea", Name: "reason", Label: "Why", Required: true, Max: 1000, Rows: 2}}}).ready(c)
	}
	return p, nil
}

// insideOf says what encloses the air.
func insideOf(f enclosure.Form) string {
	if f == enclosure.Other {
		return "An air space"
	}
	return "Inside of a " + f.Words()
}

// yearsAsked reads ?years=.
func yearsAsked(c echo.Context) (float64, error) {
	text := c.QueryParam("years")
	if strings.TrimSpace(text) == "" {
		return 0, nil
	}
	years, err := typedNumber(text)
	if err != nil || !(years > 0) {
		return 0, domain.Invalid("/years", "range", "Give the years of exposure, more than 0 and at most 10 000.")
	}
	return years, nil
}

// enclosurePage serves GET /enclosures/{id}.
func (s *Server) enclosurePage(c echo.Context) error {
	e, err := s.enclosureOf(c)
	if err != nil {
		return err
	}
	years, err := yearsAsked(c)
	if err != nil {
		return err
	}
	p, err := s.enclosureData(c, e, years)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "enclosure/enclosure", p)
}

// enclosureAct reads a form of the enclosure's page, acts, and shows the page again when it is refused.
func (s *Server) enclosureAct(c echo.Context, command any, said string, form func(*enclosurePageData) *Form, act func(id domain.ID, version int64) error) error {
	e, err := s.enclosureOf(c)
	if err != nil {
		return err
	}
	version, typed, err := s.decode(c, command)
	if err == nil {
		err = act(e.ID, version)
	}
	if err == nil {
		return s.done(c, said, enclosurePath(e.ID))
	}
	p, fault := s.enclosureData(c, e, 0)
	if fault != nil {
		return fault
	}
	f := form(p)
	if f == nil {
		return err
	}
	return s.answer(c, f, typed, err, "enclosure/enclosure", p)
}

// closeEnclosure serves POST /enclosures/{id}/closure.
func (s *Server) closeEnclosure(c echo.Context) error {
	var n enclosure.Ended
	return s.enclosureAct(c, &n, "It is closed.", func(p *enclosurePageData) *Form { return p.CloseForm }, func(id domain.ID, version int64) error {
		_, err := s.Enclosure.Close(c.Request().Context(), actor(c), id, version, n)
		return err
	})
}

type objectEnclosures struct {
	Rows            []enclosureRow
	Recommendations []recommendationRow
	AddPath         string // empty: who may not
}

// enclosureSection is the air spaces in which an object or parts of it lie, and what was recommended.
func (s *Server) enclosureSection(c echo.Context, w *collection.Whole) (section, error) {
	ctx, a := c.Request().Context(), actor(c)
	var in domain.Page[enclosure.Line]
	var recommended domain.Page[enclosure.Recommendation]
	err := domain.Together(ctx, 2, func(i int) (err error) {
		switch {
		case i == 0 && w.Held.Enclosures:
			in, err = s.Enclosure.List(ctx, a, enclosure.Filter{ObjectID: &w.Object.ID}, domain.PageQuery{Limit: 20})
		case i == 1 && w.Held.Recommendations:
			recommended, err = s.Enclosure.Recommendations(ctx, a, enclosure.RecommendationFilter{ObjectID: &w.Object.ID}, domain.PageQuery{Limit: 20})
		}
		return err
	})
	if err != nil {
		return section{}, err
	}
	d := objectEnclosures{}
	for i := range in.Items {
		d.Rows = append(d.Rows, s.enclosureRow(&in.Items[i]))
	}
	sec := section{ID: "air", Heading: "Air around it", Template: "enclosure/_air"}
	for i := range recommended.Items {
		r := s.recommendationRow(&recommended.Items[i])
		d.Recommendations = append(d.Recommendations, r)
		if recommended.Items[i].End == nil && len(sec.Head) < 2 {
			sec.Head = append(sec.Head, headLine{Mark: waitMark("recommended"), Text: firstSentence(recommended.Items[i].Text), Path: r.Path})
		}
	}
	if a.May(enclosure.Keep) == nil {
		d.AddPath = "/enclosures/new?in=" + url.QueryEscape(w.Object.Number)
	}
	if len(d.Rows)+len(d.Recommendations) == 0 && d.AddPath == "" {
		return section{}, nil
	}
	sec.Data = d
	return sec, nil
}

// firstSentence is the beginning of a text, as far as a line has room.
func firstSentence(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	if at := strings.Index(text, ". "); at > 0 {
		text = text[:at+1]
	}
	return domain.Cut(text, 110)
}
