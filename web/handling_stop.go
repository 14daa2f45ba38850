package web

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/photo"
)

func (s *Server) stopRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/stops", handling.Read, s.stopsPage)
	s.route(g, http.MethodGet, "/stops/:id", handling.Read, s.stopPage)
	s.route(g, http.MethodGet, "/stops/:id/set-down", handling.Read, s.setDownPage)
	s.route(g, http.MethodPost, "/stops/:id/notes", handling.Annotate, s.annotateStop)
	s.route(g, http.MethodPost, "/stops/:id/release", handling.Lift, s.releaseStop)
	s.route(g, http.MethodGet, "/objects/:number/stop", handling.Record, s.raiseStopPage)
	s.route(g, http.MethodPost, "/objects/:number/stop", handling.Record, s.raiseStop)
	s.route(g, http.MethodGet, "/objects/:number/assessment", handling.Assess, s.assessPage)
	s.route(g, http.MethodPost, "/objects/:number/assessment", handling.Assess, s.assess)
}

type stopsPage struct {
	Frame
	Filters []Link
	Rows    []stopRow
	More    string
}

type stopRow struct {
	Path, On, Number, ObjectPath, Because, Raised, By, Released string
	Mark                                                        Mark
}

func (s *Server) stopRow(stop *handling.Stop) stopRow {
	r := stopRow{Path: stopPath(stop.ID), On: "the whole", Number: stop.ObjectNumber, ObjectPath: objectPath(stop.ObjectNumber), Because: stop.Because(),
		Raised: s.moment(stop.RaisedAt), By: stop.RaisedBy.Name, Mark: stopMark("in force")}
	if len(stop.Components) > 0 {
		r.On = partWords(stop.Components, stop.ObjectNumber)
	}
	if stop.Release != nil {
		r.Mark, r.Released = doneMark("released"), s.moment(stop.Release.At)+", "+stop.Release.By.Name
	}
	return r
}

// stopsPage serves GET /stops.
func (s *Server) stopsPage(c echo.Context) error {
	f := handling.StopFilter{State: c.QueryParam("state")}
	all, err := s.Handling.Stops(c.Request().Context(), actor(c), f, page(c))
	if err != nil {
		return err
	}
	p := &stopsPage{More: more(c, all.Next)}
	p.Title, p.Here = "Stops", "/objects"
	for _, l := range []Link{{Path: "/stops", Words: "all"}, {Path: "/stops?state=standing", Words: "in force"}, {Path: "/stops?state=released", Words: "released"}} {
		l.Present = strings.TrimPrefix(strings.TrimPrefix(l.Path, "/stops"), "?state=") == f.State
		p.Filters = append(p.Filters, l)
	}
	for i := range all.Items {
		p.Rows = append(p.Rows, s.stopRow(&all.Items[i]))
	}
	return s.render(c, http.StatusOK, "handling/stops", p)
}

type stopPageData struct {
	Frame
	Heading, Number, ObjectPath string
	Mark                        Mark
	Binding                     bool
	Facts                       []fact
	HandlingPath                string
	Release                     []fact
	Notes                       []saidLine
	NoteForm, ReleaseForm       *Form
}

func (s *Server) stopData(c echo.Context) (*stopPageData, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	stop, err := s.Handling.Stop(c.Request().Context(), actor(c), id)
	if err != nil {
		return nil, err
	}
	row := s.stopRow(stop)
	p := &stopPageData{Heading: "Stop on " + stop.On(), Number: stop.ObjectNumber, ObjectPath: row.ObjectPath, Mark: row.Mark, Binding: stop.Release == nil,
		Facts: []fact{{"Raised", row.Raised}, {"By", row.By}, {"Because", row.Because}, {"On", row.On}}}
	if len(stop.Signs) > 0 && stop.Note != "" {
		p.Facts = append(p.Facts, fact{"Note", stop.Note})
	}
	p.Title, p.Here = p.Heading, "/objects"
	if stop.HandlingID != nil {
		p.HandlingPath = "/handlings/" + stop.HandlingID.String()
	}
	for _, n := range stop.Notes {
		p.Notes = append(p.Notes, saidLine{n.Text, n.AuthorName + ", " + s.moment(n.At)})
	}
	a, at := actor(c), stopPath(stop.ID)
	if r := stop.Release; r != nil {
		p.Release = []fact{{"Released", row.Released}, {"Reason", r.Reason}, {"Found", r.Found}, {"New limits", r.Limits}}
		if r.CuratorNote != "" {
			p.Release = append(p.Release, fact{"With the curator's note", r.CuratorNote + " (" + r.CuratorName + ")"})
		}
		return p, nil
	}
	if a.CuratorOf(stop.Department) && !slices.Contains(stop.Raisers(), a.ID) {
		p.NoteForm = (&Form{Part: "note", Action: at + "/notes", Legend: "Write a note as curator", Below: true, Submit: "Keep the note",
			Help:   "Where the only conservator is the one whose handling raised the stop, your note lets them release it.",
			Fields: []Field{{Kind: "textarea", Name: "text", Label: "Note", Required: true, Max: 4000}}}).ready(c)
	}
	if a.May(handling.Lift) == nil {
		p.ReleaseForm = (&Form{Part: "release", Action: at + "/release", Legend: "Release it", Below: true, Submit: "Release the stop", Grave: true,
			Help: "Look at the object first. The release is sealed and stays on record with your name. Your own handling is released by another conservator.",
			Fields: []Field{
				{Kind: "textarea", Name: "reason", Label: "Reason", Required: true, Max: 4000, Rows: 2},
				{Kind: "textarea", Name: "found", Label: "What was found", Required: true, Max: 4000, Rows: 3},
				{Kind: "textarea", Name: "limits", Label: "New limits of handling", Help: "'None' is an answer.", Required: true, Max: 4000, Rows: 2},
			}}).ready(c)
	}
	return p, nil
}

// stopPage serves GET /stops/{id}.
func (s *Server) stopPage(c echo.Context) error {
	p, err := s.stopData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "handling/stop", p)
}

// annotateStop serves POST /stops/{id}/notes.
func (s *Server) annotateStop(c echo.Context) error {
	var n handling.NewNote
	return s.stopAct(c, &n, "The note is kept.", func(p *stopPageData) *Form { return p.NoteForm }, func(id domain.ID) error {
		_, err := s.Handling.Annotate(c.Request().Context(), actor(c), id, n)
		return err
	})
}

// releaseStop serves POST /stops/{id}/release.
func (s *Server) releaseStop(c echo.Context) error {
	var n handling.NewRelease
	return s.stopAct(c, &n, "The stop is released.", func(p *stopPageData) *Form { return p.ReleaseForm }, func(id domain.ID) error {
		_, err := s.Handling.Release(c.Request().Context(), actor(c), id, n)
		return err
	})
}

// stopAct reads a form of the stop's page, acts, and shows the page again when it is refused.
func (s *Server) stopAct(c echo.Context, command any, said string, form func(*stopPageData) *Form, act func(id domain.ID) error) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	_, typed, err := s.decode(c, command)
	if err == nil {
		err = act(id)
	}
	if err == nil {
		return s.done(c, said, stopPath(id))
	}
	p, fault := s.stopData(c)
	if fault != nil {
		return fault
	}
	f := form(p)
	if f == nil {
		return err
	}
	return s.answer(c, f, typed, err, "handling/stop", p)
}

type setDownPage struct {
	Frame
	On, Because                      string
	Dangers                          string // hazards of class S, which ask for more than care
	StopPath, PhotosPath, ObjectPath string
	Closing                          string
}

// setDownPage serves GET /stops/{id}/set-down: what to do at once, for somebody with the object in
// hand.
func (s *Server) setDownPage(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	stop, err := s.Handling.Stop(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	p := &setDownPage{On: stop.On(), Because: stop.Because(), StopPath: stopPath(stop.ID), ObjectPath: objectPath(stop.ObjectNumber), Closing: material.CautionClosing}
	before, err := s.Handling.Before(c.Request().Context(), actor(c), stop.ObjectID)
	if err != nil {
		return err
	}
	var dangers []string
	for _, h := range before.Cautions {
		if h.Class == material.Stop {
			dangers = append(dangers, strings.ReplaceAll(h.Kind, "-", " ")+" ("+plain(h.Certainty)+") on "+h.On)
		}
	}
	p.Dangers = strings.Join(dangers, ", ")
	if actor(c).May(photo.Keep) == nil {
		p.PhotosPath = p.ObjectPath + "/photos?stage=incident#add"
	}
	p.Title, p.Here = "Stop: "+p.On, "/objects"
	return s.render(c, http.StatusOK, "handling/set_down", p)
}

type objectFormPage struct {
	Frame
	Heading, Lead, Number, ObjectPath string
	Cautions                          []cautionLine
	Closing                           string
	Form                              *Form
}

func (s *Server) raiseStopData(c echo.Context) (*objectFormPage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	p := &objectFormPage{Heading: "Stop the handling of " + w.Object.Number, Number: w.Object.Number, ObjectPath: objectPath(w.Object.Number),
		Lead: "Everybody may stop. Nobody handles it by plan until a conservator has looked and released it."}
	p.Title, p.Here = p.Heading, "/objects"
	p.Form = (&Form{Action: p.ObjectPath + "/stop", Quick: true, Submit: "Stop it", Grave: true, Fields: []Field{
		{Kind: "textarea", Name: "note", Label: "Why", Required: true, Max: 4000, Rows: 3},
		{Kind: "checks", Name: "component_ids", Label: "Only these parts", Help: "None chosen: the whole object. What carries a part is stopped with it.", Tiles: true, Options: partOptions(&w.Sheet, c.QueryParam("part"))},
	}}).ready(c)
	return p, w, nil
}

// raiseStopPage serves GET /objects/{number}/stop.
func (s *Server) raiseStopPage(c echo.Context) error {
	p, _, err := s.raiseStopData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "handling/form", p)
}

// raiseStop serves POST /objects/{number}/stop.
func (s *Server) raiseStop(c echo.Context) error {
	p, w, err := s.raiseStopData(c)
	if err != nil {
		return err
	}
	var n handling.NewStop
	_, typed, err := s.decode(c, &n)
	var stop *handling.Stop
	if err == nil {
		stop, err = s.Handling.RaiseStop(c.Request().Context(), actor(c), w.Object.ID, n)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "handling/form", p)
	}
	return s.done(c, "It is stopped. The conservators and the curator are told.", stopPath(stop.ID))
}

func (s *Server) assessData(c echo.Context) (*objectFormPage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	before, err := s.Handling.BeforeSheet(c.Request().Context(), actor(c), &w.Sheet)
	if err != nil {
		return nil, nil, err
	}
	p := &objectFormPage{Heading: "Record an assessment of a hazard of " + w.Object.Number, Number: w.Object.Number, ObjectPath: objectPath(w.Object.Number),
		Lead:     "What a competent person found. Who assessed it or records it here is not the one who then handles it.",
		Cautions: s.cautionLines(before.Cautions), Closing: material.CautionClosing}
	p.Title, p.Here = p.Heading, "/objects"
	var kinds []Option
	seen := map[string]bool{}
	for _, caution := range before.Cautions {
		if !seen[caution.Kind] {
			seen[caution.Kind] = true
			kinds = append(kinds, Option{Value: caution.Kind, Label: strings.ReplaceAll(caution.Kind, "-", " "), Chosen: caution.Kind == c.QueryParam("kind")})
		}
	}
	kind := Field{Kind: "select", Name: "kind", Label: "Hazard", Required: true, Options: kinds}
	if len(kinds) == 0 {
		kind = Field{Kind: "text", Name: "kind", Label: "Hazard", Required: true, Max: 60, Help: "None is on record. Write the word of the list of cautions, such as lead."}
	}
	p.Form = (&Form{Action: p.ObjectPath + "/assessment", Submit: "Record the assessment", Fields: []Field{
		kind,
		{Kind: "select", Name: "component_id", Label: "On", Options: withNone("the whole object", true, partOptions(&w.Sheet, c.QueryParam("part")))},
		{Kind: "text", Name: "assessor_name", Label: "Assessed by", Required: true, Max: 200},
		{Kind: "text", Name: "competence", Label: "Competent as", Help: "Such as licensed surveyor, radiation protection adviser, occupational hygienist.", Required: true, Max: 300},
		{Kind: "date", Name: "assessed_on", Label: "On the day", Required: true, Value: s.Now().In(s.Site.Zone).Format(time.DateOnly)},
		{Kind: "textarea", Name: "found", Label: "Found", Required: true, Max: 4000},
		{Kind: "checkbox", Name: "may_be_handled", Label: "It may be handled, with these controls"},
		{Kind: "textarea", Name: "controls", Label: "Controls", Max: 4000, Rows: 2},
		{Kind: "date", Name: "valid_until", Label: "Holds until", Help: "Left empty: until there is another assessment."},
	}}).ready(c)
	return p, w, nil
}

// assessPage serves GET /objects/{number}/assessment.
func (s *Server) assessPage(c echo.Context) error {
	p, _, err := s.assessData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "handling/form", p)
}

// assess serves POST /objects/{number}/assessment.
func (s *Server) assess(c echo.Context) error {
	p, w, err := s.assessData(c)
	if err != nil {
		return err
	}
	var n handling.NewAssessment
	_, typed, err := s.decode(c, &n)
	if err == nil {
		_, err = s.Handling.Assess(c.Request().Context(), actor(c), w.Object.ID, n)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "handling/form", p)
	}
	return s.done(c, "The assessment is recorded.", p.ObjectPath)
}

type handlingData struct {
	Stops                                  []stopLine
	Limits                                 []limitLine
	Sum                                    string
	Chart                                  *Chart
	Rows                                   []handlingRow
	AllPath, LogPath, StopPath, AssessPath string
}

// handlingSection is the handling of an object on its sheet; a stop in force stands in its head.
func (s *Server) handlingSection(c echo.Context, w *collection.Whole) (section, error) {
	ctx, a := c.Request().Context(), actor(c)
	var standing []handling.Stop
	var limits []limitLine
	var last domain.Page[handling.Event]
	var totals handling.Totals
	err := domain.Together(ctx, 4, func(i int) (err error) {
		switch {
		case i == 0:
			last, err = s.Handling.List(ctx, a, handling.Filter{ObjectID: &w.Object.ID}, domain.PageQuery{Limit: 5})
		case i == 1:
			totals, err = s.Handling.Totals(ctx, a, handling.TotalsQuery{ObjectID: &w.Object.ID, By: []string{"all", "month"}})
		case i == 2 && w.Held.Stops:
			standing, err = s.Handling.Standing(ctx, w.Object.ID)
		case i == 3 && w.Held.Stops:
			limits, err = s.limits(c, w.Object.ID)
		}
		return err
	})
	if err != nil {
		return section{}, err
	}
	at := objectPath(w.Object.Number)
	d := handlingData{Stops: s.stopLines(standing), Limits: limits, Rows: s.handlingRows(last.Items), Chart: monthChart("handled", totals.Of("month")), AllPath: at + "/handlings"}
	if sum := totals.Of("all"); len(sum) == 1 && sum[0].Handlings > 0 {
		d.Sum = sumWords(sum[0])
	}
	if a.May(handling.Record) == nil {
		d.LogPath, d.StopPath = at+"/handle", at+"/stop"
	}
	if a.May(handling.Assess) == nil {
		d.AssessPath = at + "/assessment"
	}
	sec := section{ID: "handling", Heading: "Handling", Template: "handling/_handling", Data: d}
	for i := range standing {
		sec.Head = append(sec.Head, headLine{Mark: stopMark("stop"), Text: standing[i].On() + " since " + s.day(standing[i].RaisedAt) + ": " + standing[i].Because(), Path: stopPath(standing[i].ID)})
	}
	return sec, nil
}

// firstWords is the beginning of a text, for a cell of a list.
func firstWords(text string) string { return domain.Cut(text, 40) }

// stopColumn says which objects of a list are under a stop.
func (s *Server) stopColumn(c echo.Context, objects []domain.ID) (column, error) {
	standing, err := s.Handling.Standing(c.Request().Context(), objects...)
	if err != nil {
		return column{}, err
	}
	col := column{Heading: "Stop", Cells: map[domain.ID]headLine{}}
	for i := range standing {
		if _, ok := col.Cells[standing[i].ObjectID]; !ok {
			col.Cells[standing[i].ObjectID] = headLine{Mark: stopMark("stop"), Text: firstWords(standing[i].Because()), Path: stopPath(standing[i].ID)}
		}
	}
	return col, nil
}
