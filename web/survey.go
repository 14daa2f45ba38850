package web

import (
	"bytes"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/survey"
	"farthingale/web/document"
)

func (s *Server) surveyRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/surveys", survey.Read, s.surveysPage)
	s.route(g, http.MethodGet, "/surveys/new", survey.Begin, s.newSurveyPage)
	s.route(g, http.MethodPost, "/surveys/new", survey.Begin, s.beginSurvey)
	s.route(g, http.MethodPost, "/surveys/size", survey.Begin, s.sizeSurvey)
	s.route(g, http.MethodGet, "/surveys/:id", survey.Read, s.surveyPage)
	s.route(g, http.MethodGet, "/surveys/:id/table.csv", survey.Read, s.surveyCSV)
	s.route(g, http.MethodGet, "/surveys/:id/objects/:object", survey.Assess, s.lookPage)
	s.route(g, http.MethodPost, "/surveys/:id/objects/:object", survey.Assess, s.look)
	s.route(g, http.MethodPost, "/surveys/:id/objects/:object/miss", survey.Assess, s.missLook)
}

func surveyPath(id domain.ID) string { return "/surveys/" + id.String() }

func surveyItemPath(id, object domain.ID) string {
	return surveyPath(id) + "/objects/" + object.String()
}

type surveysPage struct {
	Frame
	Rows    []surveyRow
	More    string
	NewPath string // empty: who may not
}

type surveyRow struct {
	Path, Title, Drawn string
	Objects, Sample    int
	Mark               Mark
}

func surveyMark(sample, assessed, missed int) Mark {
	left := sample - assessed - missed
	switch {
	case left == 0:
		return doneMark("all " + strconv.Itoa(sample) + " done")
	case left == sample:
		return draftMark("not begun")
	}
	return waitMark(strconv.Itoa(left) + " of " + strconv.Itoa(sample) + " wait")
}

// surveysPage serves GET /surveys.
func (s *Server) surveysPage(c echo.Context) error {
	all, err := s.Survey.List(c.Request().Context(), actor(c), page(c))
	if err != nil {
		return err
	}
	p := &surveysPage{More: more(c, all.Next)}
	p.Title, p.Here = "Surveys of condition", "/surveys"
	if actor(c).May(survey.Begin) == nil {
		p.NewPath = "/surveys/new"
	}
	for _, l := range all.Items {
		p.Rows = append(p.Rows, surveyRow{Path: surveyPath(l.ID), Title: l.Title, Drawn: s.day(l.DrawnAt) + ", " + l.DrawnBy.Name, Objects: l.Objects, Sample: l.Sample, Mark: surveyMark(l.Sample, l.Assessed, l.Missed)})
	}
	return s.render(c, http.StatusOK, "survey/surveys", p)
}

type newSurveyPage struct {
	Frame
	Would  []string // what would be drawn
	Strata []survey.Stratum
	Form   *Form
}

func (s *Server) newSurveyData(c echo.Context) (*newSurveyPage, error) {
	filters, err := s.Collection.Filters(c.Request().Context(), actor(c))
	if err != nil {
		return nil, err
	}
	status := make([]Option, 0, len(collection.LegalStatuses))
	for _, l := range collection.LegalStatuses {
		if l != collection.Former {
			status = append(status, Option{Value: string(l), Label: plain(string(l))})
		}
	}
	place, err := s.placeChoice(c, placeAsked{code: "place_code", choice: "population.place_id", codeLabel: "That lie in the place with the code", orLabel: "Or in", help: "With all that is within it: a building, a room, a shelf. Left empty: wherever they are.", none: "all places"})
	if err != nil {
		return nil, err
	}
	p := &newSurveyPage{}
	p.Title, p.Here = "Draw a survey", "/surveys"
	p.Form = (&Form{Action: "/surveys/new", Submit: "Draw it", Instead: []Link{{Path: "/surveys/size", Words: "How many would that be?"}}, Fields: []Field{
		{Kind: "text", Name: "title", Label: "Title", Required: true, Max: 200},
		{Kind: "textarea", Name: "purpose", Label: "What it is to answer", Max: 4000, Rows: 2},
		{Kind: "group", Label: "About which objects", Help: "What left the collection is never among them.", Fields: append([]Field{
			{Kind: "select", Name: "population.department", Label: "Department", Options: withNone("all", true, options("", filters.Departments...))},
			{Kind: "select", Name: "population.kind", Label: "Kind", Options: withNone("all", true, options("", filters.Kinds...))},
			{Kind: "select", Name: "population.legal_status", Label: "Legal status", Options: withNone("all", true, status)}}, place...)},
		{Kind: "select", Name: "divided_by", Label: "Divided into strata by", Help: "Where parts of the population are likely to differ, dividing it makes the answer surer, and gives one for each part.",
			Options: withNone("not divided", true, options("", survey.Divisions...))},
		{Kind: "group", Label: "How precise", Fields: []Field{
			{Kind: "text", Name: "margin_percent", Label: "Within ± so many points", Help: "0.5 to 30.", Max: 10, Value: "5"},
			{Kind: "select", Name: "confidence", Label: "Confidence in per cent", Options: options("95", "90", "95", "99")},
			{Kind: "text", Name: "expected_percent", Label: "Share that is expected, in per cent", Help: "50 when nothing is known; it asks for most.", Max: 10, Value: "50"}}},
		{Kind: "folded", Label: "A seed of your own", Fields: []Field{{Kind: "text", Name: "seed", Label: "Seed", Help: "Any text. The draw can be repeated from it. Left empty the program makes one.", Max: 100}}}}}).ready(c)
	return p, nil
}

// newSurveyPage serves GET /surveys/new.
func (s *Server) newSurveyPage(c echo.Context) error {
	p, err := s.newSurveyData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "survey/new", p)
}

// placedSurvey is a survey as its form sends it: the place by its code, or chosen.
type placedSurvey struct {
	survey.NewSurvey
	Code string `json:"place_code"`
}

// surveyTyped reads the form of a new survey.
func (s *Server) surveyTyped(c echo.Context) (survey.NewSurvey, url.Values, error) {
	var n placedSurvey
	_, typed, err := s.decode(c, &n)
	if err != nil {
		return n.NewSurvey, typed, err
	}
	named, err := s.placeNamed(c.Request().Context(), actor(c), "/place_code", n.Code)
	if named != nil {
		n.Population.PlaceID = named
	}
	return n.NewSurvey, typed, err
}

// beginSurvey serves POST /surveys/new.
func (s *Server) beginSurvey(c echo.Context) error {
	n, typed, err := s.surveyTyped(c)
	var x *survey.Survey
	if err == nil {
		x, err = s.Survey.Begin(c.Request().Context(), actor(c), n)
	}
	if err == nil {
		return s.done(c, strconv.Itoa(x.Sample)+" objects are drawn.", surveyPath(x.ID))
	}
	p, fault := s.newSurveyData(c)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.Form, typed, err, "survey/new", p)
}

// sizeSurvey serves POST /surveys/size: how many would be drawn. Nothing is kept.
func (s *Server) sizeSurvey(c echo.Context) error {
	n, typed, err := s.surveyTyped(c)
	var x *survey.Survey
	if err == nil {
		x, err = s.Survey.Plan(c.Request().Context(), actor(c), n.Scheme)
	}
	p, fault := s.newSurveyData(c)
	if fault != nil {
		return fault
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "survey/new", p)
	}
	p.Form.again(c, typed)
	p.Would = []string{"Of " + strconv.Itoa(x.Objects) + " objects " + strconv.Itoa(x.Sample) + " would be drawn. Nothing is drawn yet."}
	if x.DividedBy != "" {
		p.Strata = x.Strata
	}
	return s.render(c, http.StatusOK, "survey/new", p)
}

type gradeRow struct {
	Name                       string
	Population, Sample, Missed int
	Grades                     []int // in the order of the grades
	Share                      string
}

type surveyItemRow struct {
	Position                            int
	Number, ObjectPath, Title, Stratum  string
	Mark                                Mark
	Said                                string
	LookPath, ExaminationPath, Examined string
}

type surveyPageData struct {
	Frame
	Heading  string
	Facts    []fact
	Answer   string
	Cautions []string
	Chart    *Chart
	Grades   []string
	Groups   []gradeRow
	Shares   [][2]string
	Method   string
	How      string
	Next     Link // the next object to look at
	Divided  bool
	Rows     []surveyItemRow
	More     string
	Filters  []Link
	CSVPath  string
}

// percent writes a share with its interval: "26 % (22 to 31 %)".
func percent(x survey.Share) string {
	one := func(v float64) string { return number(v*100, 1) }
	return one(x.Share) + " % (" + one(x.Least) + " to " + one(x.Greatest) + " %)"
}

func stratumWords(name string) string {
	if name == "" {
		return "not said"
	}
	return plain(name)
}

func gradeRowOf(g survey.Group) gradeRow {
	r := gradeRow{Name: stratumWords(g.Name), Population: g.Population, Sample: g.Sample, Missed: g.Missed, Share: "not known"}
	for _, grade := range examination.Grades {
		r.Grades = append(r.Grades, g.Grades[string(grade)])
	}
	if g.Poor != nil {
		r.Share = percent(*g.Poor)
	}
	return r
}

// surveyGradeMark shows a grade by word and shape.
func surveyGradeMark(i *survey.Item) Mark {
	switch i.Overall {
	case examination.Good, examination.Fair:
		return doneMark(string(i.Overall))
	case examination.Poor, examination.Unacceptable:
		return warnMark(string(i.Overall))
	}
	if i.Missed != "" {
		return draftMark("missed")
	}
	return waitMark("waits")
}

func (s *Server) surveyOf(c echo.Context) (*survey.Survey, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	return s.Survey.One(c.Request().Context(), actor(c), id)
}

// populationWords say which objects a survey is about; place is where they lie, "" anywhere.
func populationWords(p survey.Population, place string) string {
	all := kept(fact{"", p.Department}, fact{"", p.Kind}, fact{"", plain(p.LegalStatus)})
	words := make([]string, len(all))
	for i, f := range all {
		words[i] = f.Text
	}
	if len(words) == 0 {
		words = []string{"the whole collection"}
	}
	if place != "" {
		words = append(words, "in "+place)
	}
	return strings.Join(words, ", ")
}

// surveyPage serves GET /surveys/{id}.
func (s *Server) surveyPage(c echo.Context) error {
	ctx, a := c.Request().Context(), actor(c)
	x, err := s.surveyOf(c)
	if err != nil {
		return err
	}
	r, err := s.Survey.Results(ctx, a, x.ID)
	if err != nil {
		return err
	}
	open := c.QueryParam("open") == "true"
	items, err := s.Survey.Items(ctx, a, x.ID, open, page(c))
	if err != nil {
		return err
	}
	p := &surveyPageData{Heading: x.Title, Cautions: r.Cautions, Method: r.Method, How: survey.Algorithm, More: more(c, items.Next), CSVPath: surveyPath(x.ID) + "/table.csv"}
	p.Title, p.Here, p.Divided = x.Title, "/surveys", x.DividedBy != ""
	division := "drawn simply"
	if x.DividedBy != "" {
		division = "strata by " + plain(x.DividedBy)
	}
	place := ""
	if x.Population.PlaceID != nil {
		where, err := s.Movement.Place(ctx, a, *x.Population.PlaceID)
		if err != nil {
			return err
		}
		place = where.Path
	}
	p.Facts = kept(fact{"To answer", x.Purpose}, fact{"About", populationWords(x.Population, place) + ": " + count(x.Objects, "object")},
		fact{"Drawn", strconv.Itoa(x.Sample) + ", " + division + ", for ± " + x.MarginPercent.String() + " points at " + strconv.Itoa(x.Confidence) + " % confidence and an expected share of " + x.ExpectedPercent.String() + " %"},
		fact{"By", x.DrawnBy.Name + ", " + s.moment(x.DrawnAt)}, fact{"Seed", x.Seed}, fact{"Frame", x.Frame})
	if r.Estimate != nil {
		p.Answer = "Poor or worse: " + percent(*r.Estimate) + " of the population, that is " + strconv.Itoa(r.Least) + " to " + strconv.Itoa(r.Greatest) + " of " + strconv.Itoa(x.Objects) + " objects, at " + strconv.Itoa(x.Confidence) + " % confidence."
	}
	for _, g := range examination.Grades {
		p.Grades = append(p.Grades, capital(string(g)))
		if share, ok := r.Shares[string(g)]; ok {
			p.Shares = append(p.Shares, [2]string{capital(string(g)), percent(share)})
		}
	}
	if x.DividedBy != "" {
		for _, g := range r.Groups {
			p.Groups = append(p.Groups, gradeRowOf(g))
		}
	}
	p.Groups = append(p.Groups, gradeRowOf(r.Whole))
	p.Chart = surveyChart(x, r)
	for _, i := range items.Items {
		row := surveyItemRow{Position: i.Position, Number: i.ObjectNumber, ObjectPath: objectPath(i.ObjectNumber), Title: i.ObjectTitle, Stratum: stratumWords(i.Stratum), Mark: surveyGradeMark(&i), Said: i.Missed}
		if i.ExaminationID != nil {
			row.ExaminationPath, row.Examined = "/examinations/"+i.ExaminationID.String(), dayWords(i.ExaminedOn)+prefixed(", priority ", i.Priority)
		}
		if i.Open() && a.May(survey.Assess) == nil {
			row.LookPath = surveyItemPath(x.ID, i.ObjectID)
		}
		p.Rows = append(p.Rows, row)
	}
	if a.May(survey.Assess) == nil {
		if p.Next, err = s.nextLook(c, x.ID); err != nil {
			return err
		}
	}
	p.Filters = []Link{filterLink(c, "all", "open", "", !open), filterLink(c, "those that wait", "open", "true", open)}
	return s.render(c, http.StatusOK, "survey/survey", p)
}

// nextLook leads to the next object that waits; no path when none does.
func (s *Server) nextLook(c echo.Context, id domain.ID) (Link, error) {
	next, err := s.Survey.Items(c.Request().Context(), actor(c), id, true, domain.PageQuery{Limit: 1})
	if err != nil || len(next.Items) == 0 {
		return Link{}, err
	}
	i := next.Items[0]
	return Link{Path: surveyItemPath(id, i.ObjectID), Words: "Look at the next: " + i.ObjectNumber + " " + i.ObjectTitle}, nil
}

// surveyChart draws the condition by group: of a divided survey the share of each stratum that is poor or
// worse, else the share of each grade. nil while nothing was looked at.
func surveyChart(x *survey.Survey, r survey.Results) *Chart {
	var bars []Bar
	if r.Whole.Assessed == 0 {
		return nil
	}
	if x.DividedBy == "" {
		for _, g := range examination.Grades {
			bars = append(bars, Bar{Label: string(g), Value: r.Shares[string(g)].Share * 100, Over: g == examination.Poor || g == examination.Unacceptable})
		}
		chart := barChart("condition", "Condition of those looked at", "Grade", "per cent", bars)
		return &chart
	}
	for _, g := range r.Groups {
		if g.Poor != nil {
			bars = append(bars, Bar{Label: stratumWords(g.Name), Value: g.Poor.Share * 100, Over: true})
		}
	}
	chart := barChart("condition", "Poor or worse by "+plain(x.DividedBy), capital(plain(x.DividedBy)), "per cent", bars)
	return &chart
}

// surveyCSV serves GET /surveys/{id}/table.csv: every object that was drawn.
func (s *Server) surveyCSV(c echo.Context) error {
	x, err := s.surveyOf(c)
	if err != nil {
		return err
	}
	sheet := document.Sheet{Name: "sample", Columns: []string{"position", "object_number", "title", "stratum", "examined_on", "overall", "priority", "missed"}}
	q := domain.PageQuery{Limit: domain.PageMost}
	for {
		items, err := s.Survey.Items(c.Request().Context(), actor(c), x.ID, false, q)
		if err != nil {
			return err
		}
		for _, i := range items.Items {
			examined, _ := time.Parse(time.DateOnly, i.ExaminedOn) // the zero time of a day that is not there is an empty cell
			sheet.Rows = append(sheet.Rows, []document.Value{document.Number(strconv.Itoa(i.Position)), document.Words(i.ObjectNumber), document.Words(i.ObjectTitle), document.Words(i.Stratum),
				document.Day(examined), document.Words(string(i.Overall)), document.Words(i.Priority), document.Words(i.Missed)})
		}
		if q.Cursor = items.Next; q.Cursor == "" {
			break
		}
	}
	var b bytes.Buffer
	if err := document.WriteCSV(&b, sheet); err != nil {
		return err
	}
	h := c.Response().Header()
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Content-Disposition", `attachment; filename="survey.csv"`)
	return c.Blob(http.StatusOK, "text/csv; charset=utf-8", b.Bytes())
}

type lookPage struct {
	Frame
	Heading, Survey, SurveyPath, ObjectPath string
	Face, FaceWords                         string
	Condition                               []fact
	Grades                                  []fact
	Form, MissForm                          *Form
}

func (s *Server) lookData(c echo.Context) (*lookPage, *survey.Survey, *survey.Item, error) {
	ctx, a := c.Request().Context(), actor(c)
	x, err := s.surveyOf(c)
	if err != nil {
		return nil, nil, nil, err
	}
	object, err := domain.ParseID(c.Param("object"))
	if err != nil {
		return nil, nil, nil, err
	}
	i, err := s.Survey.Item(ctx, a, x.ID, object)
	if err != nil {
		return nil, nil, nil, err
	}
	o, err := s.Collection.Object(ctx, a, object)
	if err != nil {
		return nil, nil, nil, err
	}
	p := &lookPage{Heading: i.ObjectNumber + " " + i.ObjectTitle, Survey: x.Title, SurveyPath: surveyPath(x.ID), ObjectPath: objectPath(i.ObjectNumber)}
	p.Title, p.Here = "Survey: "+i.ObjectNumber, "/surveys"
	if p.Face = s.facePath(o.FacePhotoID); p.Face != "" {
		p.FaceWords = p.Heading
	}
	last, err := s.Examination.Conditions(ctx, a, object)
	if err != nil {
		return nil, nil, nil, err
	}
	if len(last) > 0 {
		p.Condition = kept(fact{"Last", string(last[0].Overall) + ", " + dayWords(last[0].ExaminedOn)}, fact{"Priority then", last[0].Priority})
	}
	var grades []Option
	for _, g := range examination.Grades {
		grades = append(grades, Option{Value: string(g), Label: capital(string(g))})
		p.Grades = append(p.Grades, fact{capital(string(g)), g.Means()})
	}
	priorities := options("", examination.Priorities...)
	place := s.Sessions.GetString(ctx, lookPlaceKey)
	p.Form = (&Form{Quick: true, Action: surveyItemPath(x.ID, object), Submit: "Sign it, and go to the next", Fields: []Field{
		{Kind: "radio", Name: "overall", Label: "Overall condition", Required: true, Tiles: true, Options: grades},
		{Kind: "radio", Name: "priority", Label: "Priority", Required: true, Tiles: true, Options: priorities},
		{Kind: "textarea", Name: "note", Label: "What was seen", Max: 4000, Rows: 2},
		{Kind: "checkbox", Name: "parts_seen", Label: "Every part was looked at, and the damage on record is as it was"},
		{Kind: "text", Name: "place", Label: "Where it was looked at", Required: true, Max: 300, Value: place},
		{Kind: "abreast", Label: "Days", Fields: []Field{
			{Kind: "date", Name: "examined_on", Label: "Looked at on", Required: true, Value: s.thisDay()},
			{Kind: "date", Name: "next_check_on", Label: "Next check", Required: true, Value: s.Now().In(s.Site.Zone).AddDate(surveyYears, 0, 0).Format(time.DateOnly)}}},
		{Kind: "folded", Label: "Better than the damage on record suggests", Fields: []Field{{Kind: "textarea", Name: "overall_reason", Label: "Why", Max: 2000, Rows: 2}}}}}).ready(c)
	p.MissForm = (&Form{Part: "miss", Action: surveyItemPath(x.ID, object) + "/miss", Submit: "It was missed",
		Help: "No other object takes its place: that would bend the chance with which each was drawn.", Fields: []Field{{Kind: "text", Name: "reason", Label: "Why it could not be looked at", Required: true, Max: 1000}}}).ready(c)
	return p, x, i, nil
}

// surveyYears is when the next check is proposed.
//
// source: common practice; whoever looks sets the day.
const surveyYears = 5

// lookPlaceKey keeps in the session where one stands, from one object to the next.
const lookPlaceKey = "look_place"

// lookPage serves GET /surveys/{id}/objects/{object}.
func (s *Server) lookPage(c echo.Context) error {
	p, _, i, err := s.lookData(c)
	if err != nil {
		return err
	}
	if !i.Open() {
		return domain.Conflict("settled", i.ObjectNumber+" is done already in this survey.")
	}
	return s.render(c, http.StatusOK, "survey/look", p)
}

// settled goes on to the next object that waits, or to the survey when none does.
func (s *Server) settled(c echo.Context, x *survey.Survey, said string) error {
	next, err := s.nextLook(c, x.ID)
	if err != nil {
		return err
	}
	if next.Path == "" {
		return s.done(c, said+" It was the last.", surveyPath(x.ID))
	}
	return s.done(c, said, next.Path)
}

// look serves POST /surveys/{id}/objects/{object}.
func (s *Server) look(c echo.Context) error {
	p, x, i, err := s.lookData(c)
	if err != nil {
		return err
	}
	var a survey.Assessment
	_, typed, err := s.decode(c, &a)
	if err == nil {
		_, err = s.Survey.Assess(c.Request().Context(), actor(c), x.ID, i.ObjectID, a)
	}
	if err == nil {
		s.Sessions.Put(c.Request().Context(), lookPlaceKey, a.Place)
		return s.settled(c, x, i.ObjectNumber+" is signed.")
	}
	return s.answer(c, p.Form, typed, err, "survey/look", p)
}

// missLook serves POST /surveys/{id}/objects/{object}/miss.
func (s *Server) missLook(c echo.Context) error {
	p, x, i, err := s.lookData(c)
	if err != nil {
		return err
	}
	var m survey.Miss
	_, typed, err := s.decode(c, &m)
	if err == nil {
		_, err = s.Survey.Miss(c.Request().Context(), actor(c), x.ID, i.ObjectID, m)
	}
	if err == nil {
		return s.settled(c, x, i.ObjectNumber+" is noted as missed.")
	}
	return s.answer(c, p.MissForm, typed, err, "survey/look", p)
}
