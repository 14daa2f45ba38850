package web

import (
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain/material"
)

func (s *Server) materialRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/materials", material.Read, s.materialsPage)
	s.route(g, http.MethodPost, "/materials", material.Keep, s.addMaterial)
	s.route(g, http.MethodGet, "/materials/:key", material.Read, s.materialPage)
	s.route(g, http.MethodPost, "/materials/:key/tests", material.KeepTest, s.addMaterialTest)
}

type materialsPage struct {
	Frame
	Words    string
	Category string
	Links    []Link
	Rows     []materialRow
	More     string
	AddForm  *Form // nil: not for this person
	Credit   string
}

type materialRow struct {
	Path, Name, Family, Category string
	Own                          Mark
	Hazards                      []Mark
	Objects                      string
}

func (s *Server) materialsData(c echo.Context) (*materialsPage, error) {
	f := material.Filter{Words: strings.TrimSpace(c.QueryParam("q")), Category: material.Category(c.QueryParam("category")), Site: c.QueryParam("site") == "true"}
	all, err := s.Material.List(c.Request().Context(), actor(c), f, page(c))
	if err != nil {
		return nil, err
	}
	p := &materialsPage{Words: f.Words, Category: string(f.Category), More: more(c, all.Next), Credit: material.AATCredit}
	p.Title, p.Here = "Materials", "/materials"
	for _, m := range all.Items {
		row := materialRow{Path: "/materials/" + m.Key, Name: m.Name, Family: hazardName(m.Family), Category: string(m.Category), Objects: countWord(m.Objects)}
		if m.Site {
			row.Own = waitMark("our own")
		}
		for _, h := range m.HazardIDs {
			row.Hazards = append(row.Hazards, s.hazardMark(h, "possible"))
		}
		p.Rows = append(p.Rows, row)
	}
	for _, category := range material.Categories {
		p.Links = append(p.Links, filterLink(c, string(category), "category", string(category), category == f.Category))
	}
	p.Links = append(p.Links, filterLink(c, "our own", "site", "true", f.Site))
	if actor(c).May(material.Keep) == nil {
		p.AddForm = s.materialForm().ready(c)
	}
	return p, nil
}

func (s *Server) materialForm() *Form {
	var hazards []Option
	for _, caution := range s.Material.Cautions() {
		hazards = append(hazards, Option{Value: caution.ID, Label: hazardName(caution.ID)})
	}
	return &Form{Action: "/materials", Submit: "Add the material", Fields: []Field{
		{Kind: "text", Name: "name", Label: "Name", Required: true, Max: 200},
		{Kind: "text", Name: "family", Label: "Family", Help: "Materials that behave alike: rubber, pvc, copper alloy.", Required: true, Max: 60},
		choice("category", "Category", "", "", material.Categories),
		{Kind: "textarea", Name: "source", Label: "Source", Help: "Where this is said: author, title, year; or who says so.", Required: true, Max: 1000, Rows: 2},
		{Kind: "textarea", Name: "health", Label: "Caution for people", Max: 1000, Rows: 2},
		{Kind: "checks", Name: "hazard_ids", Label: "Hazards that it suggests", Options: hazards},
	}}
}

// materialOptions are the materials of the library to choose from, by family; first stands before them.
func (s *Server) materialOptions(c echo.Context, first string) ([]Option, error) {
	library, err := s.Material.All(c.Request().Context(), actor(c))
	if err != nil {
		return nil, err
	}
	options := make([]Option, 0, len(library)+1)
	for _, m := range library {
		options = append(options, Option{Value: m.Key, Label: hazardName(m.Family) + ": " + m.Name})
	}
	slices.SortFunc(options, func(a, b Option) int { return strings.Compare(a.Label, b.Label) })
	return slices.Insert(options, 0, Option{Label: first}), nil
}

// materialsPage serves GET /materials.
func (s *Server) materialsPage(c echo.Context) error {
	p, err := s.materialsData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "material/materials", p)
}

func (s *Server) addMaterial(c echo.Context) error {
	var n material.NewMaterial
	_, typed, err := s.decode(c, &n)
	var e *material.Entry
	if err == nil {
		e, err = s.Material.Add(c.Request().Context(), actor(c), n)
	}
	if err != nil {
		p, fault := s.materialsData(c)
		if fault != nil {
			return fault
		}
		return s.answer(c, p.AddForm, typed, err, "material/materials", p)
	}
	return s.done(c, e.Name+" is in the library.", "/materials/"+e.Key)
}

type materialPage struct {
	Frame
	Heading, Sub string
	Own          Mark
	Facts        []fact
	Sources      []string
	Hazards      []hazardLine
	Closing      string
	Uses         []useRow
	Objects      string
	ObjectsPath  string
	More         string
	Credit       string // empty: nothing of the thesaurus is shown
	Suits        []suitRow
	Tests        []materialTestRow
	TestForm     *Form // nil: not for this person
}

type useRow struct{ Path, Number, Title, PartPath, Part, Role, Confidence string }

// materialPage serves GET /materials/{key}, with its tests and the objects that have it.
func (s *Server) materialPage(c echo.Context) error {
	p, err := s.materialData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "material/material", p)
}

func (s *Server) materialData(c echo.Context) (*materialPage, error) {
	ctx, a := c.Request().Context(), actor(c)
	e, err := s.Material.One(ctx, a, c.Param("key"))
	if err != nil {
		return nil, err
	}
	uses, err := s.Material.Uses(ctx, a, e.Key, page(c))
	if err != nil {
		return nil, err
	}
	p := &materialPage{Heading: e.Name, Sub: hazardName(e.Family) + " · " + string(e.Category), Sources: strings.Split(e.Source, " | "), Closing: material.CautionClosing,
		Objects: count(e.Objects, "object"), ObjectsPath: "/objects?material=" + e.Key, More: more(c, uses.Next)}
	p.Title, p.Here = e.Name, "/materials"
	if e.Site {
		p.Own = waitMark("our own, since " + s.day(*e.AddedAt))
	}
	if e.AAT != "" {
		p.Credit = material.AATCredit
		p.Facts = append(p.Facts, fact{"Art & Architecture Thesaurus", e.AAT + " (" + e.AATMatch + ")"})
	}
	if e.Health != "" {
		p.Facts = append(p.Facts, fact{"Caution for people", e.Health + " (" + string(e.HealthBasis) + ")"})
	}
	for _, id := range e.HazardIDs {
		caution := s.Collection.Caution(id)
		p.Hazards = append(p.Hazards, hazardLine{Mark: s.hazardMark(id, "possible"), Class: caution.Class.Words(), State: caution.Hazard, Text: caution.Text()})
	}
	for _, u := range uses.Items {
		p.Uses = append(p.Uses, useRow{Path: objectPath(u.Number), Number: u.Number, Title: u.Title, PartPath: componentPath(u.Number, u.Label),
			Part: "." + u.Label + " " + u.Name, Role: u.Role, Confidence: u.Confidence})
	}
	return p, s.tests(c, p, e)
}
