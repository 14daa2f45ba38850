package web

import (
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/handling"
	"farthingale/domain/material"
)

func (s *Server) examinationRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:number/examine", examination.Write, s.examinePage)
	s.route(g, http.MethodPost, "/objects/:number/examine", examination.Write, s.beginExamination)
	s.route(g, http.MethodGet, "/objects/:number/examinations", examination.Read, s.examinationsPage)
	s.route(g, http.MethodGet, "/objects/:number/compare", examination.Read, s.compareExaminations)
	s.route(g, http.MethodGet, "/examinations/:id", examination.Read, s.examinationPage)
	s.route(g, http.MethodPost, "/examinations/:id/circumstances", examination.Write, s.saveCircumstances)
	s.route(g, http.MethodPost, "/examinations/:id/description", examination.Write, s.saveDescription)
	s.route(g, http.MethodPost, "/examinations/:id/components", examination.Write, s.saveComponents)
	s.route(g, http.MethodPost, "/examinations/:id/photos", examination.Write, s.saveExaminationPhotos)
	s.route(g, http.MethodPost, "/examinations/:id/judgement", examination.Write, s.saveJudgement)
	s.route(g, http.MethodPost, "/examinations/:id/observations", examination.Write, s.addObservation)
	s.route(g, http.MethodPost, "/examinations/:id/observations/:observation", examination.Write, s.saveObservation)
	s.route(g, http.MethodPost, "/examinations/:id/observations/:observation/removal", examination.Write, s.dropObservation)
	s.route(g, http.MethodPost, "/examinations/:id/observations/:observation/extent", examination.Write, s.takeExtent)
	s.route(g, http.MethodPost, "/examinations/:id/confirmations", examination.Write, s.confirmObservations)
	s.route(g, http.MethodPost, "/examinations/:id/handling", handling.Record, s.handleExamined)
	s.route(g, http.MethodPost, "/examinations/:id/carry-forward", examination.Write, s.bringExamination)
	s.route(g, http.MethodPost, "/examinations/:id/examiner", examination.Write, s.takeOverExamination)
	s.route(g, http.MethodPost, "/examinations/:id/discard", examination.Write, s.discardExamination)
	s.route(g, http.MethodGet, "/examinations/:id/report.pdf", examination.Read, s.examinationPaperFile)
	s.route(g, http.MethodGet, "/examinations/:id/review", examination.Read, s.reviewPage)
	s.route(g, http.MethodPost, "/examinations/:id/signature", examination.Sign, s.signExamination)
	s.route(g, http.MethodPost, "/examinations/:id/addenda", examination.Write, s.amendExamination)
	s.route(g, http.MethodPost, "/examinations/:id/answer", examination.Answer, s.answerExamination)
	s.route(g, http.MethodGet, "/damage-terms", examination.Read, s.damageTermsPage)
	s.route(g, http.MethodPost, "/damage-terms", examination.Extend, s.addDamageTerm)
}

func examinationPath(id domain.ID) string { return "/examinations/" + id.String() }

// occasionWords is an occasion as people write it.
func occasionWords(o examination.Occasion) string { return plain(string(o)) }

// gradeMark shows an overall condition by word and shape.
func gradeMark(g examination.Grade) Mark {
	switch g {
	case examination.Good, examination.Fair:
		return doneMark(string(g))
	case examination.Poor, examination.Unacceptable:
		return warnMark(string(g))
	}
	return Mark{}
}

// examinationRow is an examination in a list.
type examinationRow struct {
	Path, Day, Occasion, Examiner, Priority, NextCheck, Observations string
	Grade, State                                                     Mark
}

func (s *Server) examinationRow(l examination.Line) examinationRow {
	r := examinationRow{Path: examinationPath(l.ID), Day: dayWords(l.ExaminedOn), Occasion: occasionWords(l.Occasion), Examiner: l.Examiner.Name, Grade: gradeMark(l.Overall),
		Priority: l.Priority, NextCheck: dayWords(l.NextCheckOn), Observations: count(l.Observations, "observation"), State: doneMark("signed")}
	if l.Addenda > 0 {
		r.Observations += ", " + count(l.Addenda, "addendum")
		if l.Addenda > 1 {
			r.Observations = strings.Replace(r.Observations, "addendums", "addenda", 1)
		}
	}
	switch {
	case l.State == examination.Draft:
		r.State = draftMark("draft")
	case l.OpenSince != nil:
		r.State = warnMark("waits for an answer")
	}
	return r
}

type examinationsPage struct {
	Frame
	Number, ObjectTitle, ObjectPath string
	Rows                            []examinationRow
	More                            string
	ExaminePath, ComparePath        string // empty: who may not, or where there is nothing to compare
}

// examinationsPage serves GET /objects/{number}/examinations.
func (s *Server) examinationsPage(c echo.Context) error {
	w, err := s.whole(c)
	if err != nil {
		return err
	}
	all, err := s.Examination.List(c.Request().Context(), actor(c), w.Object.ID, page(c))
	if err != nil {
		return err
	}
	at := objectPath(w.Object.Number)
	p := &examinationsPage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: at, More: more(c, all.Next)}
	p.Title, p.Here = "Examinations of "+w.Object.Number, "/objects"
	signed := 0
	for _, l := range all.Items {
		p.Rows = append(p.Rows, s.examinationRow(l))
		if l.State == examination.Signed {
			signed++
		}
	}
	if actor(c).May(examination.Write) == nil {
		p.ExaminePath = at + "/examine"
	}
	if _, served := s.acts["GET /objects/:number/compare"]; served && signed > 1 {
		p.ComparePath = at + "/compare"
	}
	return s.render(c, http.StatusOK, "examination/examinations", p)
}

type examinePage struct {
	Frame
	Number, ObjectTitle, ObjectPath string
	Stops                           []stopLine
	Cautions                        []cautionLine
	Closing                         string
	Limits                          []limitLine
	Drafts                          []examinationRow
	Last                            *examinationRow
	Form                            *Form
}

func (s *Server) examineData(c echo.Context) (*examinePage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	ctx, at := c.Request().Context(), objectPath(w.Object.Number)
	before, err := s.Handling.BeforeSheet(ctx, actor(c), &w.Sheet)
	if err != nil {
		return nil, nil, err
	}
	p := &examinePage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: at, Stops: s.stopLines(before.Standing),
		Cautions: s.cautionLines(before.Cautions), Closing: material.CautionClosing}
	p.Title, p.Here = "Examine "+w.Object.Number, "/objects"
	if p.Limits, err = s.limits(c, w.Object.ID); err != nil {
		return nil, nil, err
	}
	all, err := s.Examination.List(ctx, actor(c), w.Object.ID, domain.PageQuery{})
	if err != nil {
		return nil, nil, err
	}
	for _, l := range all.Items {
		row := s.examinationRow(l)
		switch {
		case l.State == examination.Draft:
			p.Drafts = append(p.Drafts, row)
		case p.Last == nil:
			p.Last = &row
		}
	}
	help := "Nothing was signed about it before: it begins empty."
	if p.Last != nil {
		help = "It begins with what was found on " + p.Last.Day + ", to be answered: as it was, changed, gone or not seen."
	}
	fields := []Field{
		{Kind: "radio", Name: "occasion", Label: "Occasion", Tiles: true, Required: true, Options: options(c.QueryParam("occasion"), examination.Occasions...)},
		{Kind: "date", Name: "examined_on", Label: "Day of the look", Value: s.Now().In(s.Site.Zone).Format("2006-01-02")},
	}
	for _, name := range []string{"loan_id", "treatment_id"} {
		if id, err := domain.ParseID(c.QueryParam(name)); err == nil {
			fields = append(fields, Field{Kind: "hidden", Name: name, Value: id.String()})
		}
	}
	p.Form = (&Form{Action: at + "/examine", Quick: true, Help: help, Submit: "Begin", Fields: fields}).ready(c)
	return p, w, nil
}

// examinePage serves GET /objects/{number}/examine: begin an examination, or go on with one.
func (s *Server) examinePage(c echo.Context) error {
	p, _, err := s.examineData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "examination/examine", p)
}

// beginExamination serves POST /objects/{number}/examine.
func (s *Server) beginExamination(c echo.Context) error {
	p, w, err := s.examineData(c)
	if err != nil {
		return err
	}
	var n examination.NewExamination
	_, typed, err := s.decode(c, &n)
	if err == nil {
		var e *examination.Examination
		if e, err = s.Examination.Begin(c.Request().Context(), actor(c), w.Object.ID, n); err == nil {
			return c.Redirect(http.StatusSeeOther, examinationPath(e.ID))
		}
	}
	return s.answer(c, p.Form, typed, err, "examination/examine", p)
}

// examinationOf reads the examination of the address.
func (s *Server) examinationOf(c echo.Context) (*examination.Examination, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	return s.Examination.One(c.Request().Context(), actor(c), id)
}

// examinationPage serves GET /examinations/{id}: a draft to whoever may write it, else what is on record.
func (s *Server) examinationPage(c echo.Context) error {
	e, err := s.examinationOf(c)
	if err != nil {
		return err
	}
	if e.MayWrite(actor(c)) == nil {
		p, err := s.draftData(c, e)
		if err != nil {
			return err
		}
		return s.render(c, http.StatusOK, "examination/draft", p)
	}
	p, err := s.examinationData(c, e)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "examination/examination", p)
}

// conditionColumn says in what condition the objects of a list are.
func (s *Server) conditionColumn(c echo.Context, objects []domain.ID) (column, error) {
	all, err := s.Examination.Conditions(c.Request().Context(), actor(c), objects...)
	if err != nil {
		return column{}, err
	}
	col := column{Heading: "Condition", Cells: map[domain.ID]headLine{}}
	for _, x := range all {
		cell := headLine{Mark: gradeMark(x.Overall), Path: examinationPath(x.ExaminationID), Text: dayWords(x.ExaminedOn)}
		if slices.Contains([]string{"urgent", "high"}, x.Priority) {
			cell.Text += ", " + x.Priority
		}
		col.Cells[x.ObjectID] = cell
	}
	return col, nil
}
