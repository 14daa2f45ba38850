package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/material"
)

func (s *Server) materialRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/materials", material.Read, s.materials)
	s.route(g, http.MethodPost, "/materials", material.Keep, s.addMaterial)
	s.route(g, http.MethodGet, "/materials/:key", material.Read, s.material)
	s.route(g, http.MethodGet, "/materials/:key/uses", material.Read, s.materialUses)
	s.route(g, http.MethodGet, "/materials/:key/tests", material.Read, s.materialTests)
	s.route(g, http.MethodPost, "/materials/:key/tests", material.KeepTest, s.addMaterialTest)
	s.route(g, http.MethodGet, "/materials/:key/suitability", material.Read, s.materialSuitability)
	s.route(g, http.MethodGet, "/cautions", material.Read, s.cautions)
}

// materials serves GET /materials.
func (s *Server) materials(c echo.Context) error {
	p, err := page(c)
	if err != nil {
		return err
	}
	site, err := queryBool(c, "site")
	if err != nil {
		return err
	}
	f := material.Filter{Words: c.QueryParam("q"), Category: material.Category(c.QueryParam("category")), Site: site}
	all, err := s.Material.List(c.Request().Context(), actor(c), f, p)
	if err != nil {
		return err
	}
	return list(c, all)
}

// addMaterial serves POST /materials: one of the museum's own.
func (s *Server) addMaterial(c echo.Context) error {
	var n material.NewMaterial
	if err := decode(c, &n); err != nil {
		return err
	}
	e, err := s.Material.Add(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return made(c, "/materials/"+e.Key, e)
}

// material serves GET /materials/{key}.
func (s *Server) material(c echo.Context) error {
	e, err := s.Material.One(c.Request().Context(), actor(c), c.Param("key"))
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, e)
}

// materialUses serves GET /materials/{key}/uses: the components that have it.
func (s *Server) materialUses(c echo.Context) error {
	p, err := page(c)
	if err != nil {
		return err
	}
	all, err := s.Material.Uses(c.Request().Context(), actor(c), c.Param("key"), p)
	if err != nil {
		return err
	}
	return list(c, all)
}

// materialTests serves GET /materials/{key}/tests.
func (s *Server) materialTests(c echo.Context) error {
	all, err := s.Material.Tests(c.Request().Context(), actor(c), c.Param("key"))
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, struct {
		Items []material.Test `json:"items"`
	}{append([]material.Test{}, all...)})
}

// addMaterialTest serves POST /materials/{key}/tests.
func (s *Server) addMaterialTest(c echo.Context) error {
	var n material.NewTest
	if err := decode(c, &n); err != nil {
		return err
	}
	t, err := s.Material.AddTest(c.Request().Context(), actor(c), c.Param("key"), n)
	if err != nil {
		return err
	}
	return made(c, "/materials/"+t.MaterialKey+"/tests", t)
}

// materialSuitability serves GET /materials/{key}/suitability: rule M4.
func (s *Server) materialSuitability(c echo.Context) error {
	q := material.PlanQuery{Use: material.Planned(c.QueryParam("use")), Product: c.QueryParam("product"), Batch: c.QueryParam("batch")}
	suits, err := s.Material.Suit(c.Request().Context(), actor(c), c.Param("key"), q)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, suits)
}

// cautions serves GET /cautions: the usual ones, each with the closing sentence.
func (s *Server) cautions(c echo.Context) error {
	if err := actor(c).May(material.Read); err != nil {
		return err
	}
	return send(c, http.StatusOK, struct {
		Items   []material.Caution `json:"items"`
		Closing string             `json:"closing"`
	}{s.Material.Cautions(), material.CautionClosing})
}
