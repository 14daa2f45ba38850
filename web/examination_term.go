package web

import (
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain/examination"
	"farthingale/domain/material"
)

// damageTermsPageData is the list of words for damage.
type damageTermsPageData struct {
	Frame
	Rows   []termRow
	Credit string // where identifiers of the thesaurus stand
	Form   *Form  // nil: not for this person
}

type termRow struct {
	Name, Definition, Classes, Source string
	AAT                               string // address of the concept, or empty
	Own                               bool
}

// basisSaid is how the meaning of a word is known.
var basisSaid = map[string]string{"published": "", "practice": "common practice; ", "memory": "from memory; "}

func (s *Server) damageTermsData(c echo.Context) (*damageTermsPageData, error) {
	all, err := s.Examination.Terms(c.Request().Context(), actor(c), "")
	if err != nil {
		return nil, err
	}
	p := &damageTermsPageData{Credit: material.AATCredit}
	p.Title, p.Here = "Words for damage", "/materials"
	for _, t := range all {
		r := termRow{Name: t.Name, Definition: t.Definition, Own: t.Site, Source: t.Source}
		if !strings.HasPrefix(t.Source, "common practice") && !strings.HasPrefix(t.Source, "from memory") {
			r.Source = basisSaid[t.Basis] + t.Source
		}
		classes := make([]string, len(t.Classes))
		for i, class := range t.Classes {
			classes[i] = plain(class)
		}
		r.Classes = strings.Join(classes, ", ")
		if t.AAT != "" {
			r.AAT = "http://vocab.getty.edu/aat/" + t.AAT
		}
		p.Rows = append(p.Rows, r)
	}
	if actor(c).May(examination.Extend) == nil {
		p.Form = (&Form{Action: "/damage-terms", Legend: "Add a word", Submit: "Add it", Fields: []Field{
			{Kind: "text", Name: "name", Label: "Word", Required: true, Max: 60},
			{Kind: "textarea", Name: "definition", Label: "What it means", Required: true, Max: 1000, Rows: 2},
			{Kind: "checks", Name: "classes", Label: "Found on", Required: true, Tiles: true, Options: options("", examination.Classes...)},
			{Kind: "radio", Name: "active", Label: "Does it usually go on?", Required: true, Tiles: true, Options: options("", "yes", "no", "depends")},
			{Kind: "checkbox", Name: "decay", Label: "The material itself breaks down and gives off gases"},
			{Kind: "text", Name: "source", Label: "Source", Help: "Author, title, year; or: own observation.", Required: true, Max: 500}}}).ready(c)
	}
	return p, nil
}

// damageTermsPage serves GET /damage-terms.
func (s *Server) damageTermsPage(c echo.Context) error {
	p, err := s.damageTermsData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "examination/terms", p)
}

// addDamageTerm serves POST /damage-terms.
func (s *Server) addDamageTerm(c echo.Context) error {
	var n examination.NewTerm
	_, typed, err := s.decode(c, &n)
	if err == nil {
		if _, err = s.Examination.AddTerm(c.Request().Context(), actor(c), n); err == nil {
			return s.done(c, "The word is in the list.", "/damage-terms")
		}
	}
	p, fault := s.damageTermsData(c)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.Form, typed, err, "examination/terms", p)
}
