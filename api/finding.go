package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/finding"
	"farthingale/domain/material"
)

func (s *Server) findingRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:id/findings", finding.Read, s.objectFindings)
	s.route(g, http.MethodGet, "/findings", finding.Read, s.findings)
	s.route(g, http.MethodGet, "/finding-counts", finding.Read, s.findingCounts)
	s.route(g, http.MethodGet, "/findings/:id", finding.Read, s.finding)
	s.route(g, http.MethodPost, "/findings/:id/acceptances", finding.Answer, s.acceptFinding)
	s.route(g, http.MethodPost, "/finding-recomputations", finding.Recompute, s.recomputeFindings)
}

// objectFindings serves GET /objects/{id}/findings.
func (s *Server) objectFindings(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	all, err := s.Finding.Of(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, all)
}

// findingFilter reads the filters of the query.
func findingFilter(c echo.Context) (finding.Filter, error) {
	f := finding.Filter{Species: c.QueryParam("species"), Emitter: c.QueryParam("emitter"), Receptor: c.QueryParam("receptor"), Rule: c.QueryParam("rule"), State: c.QueryParam("state")}
	if text := c.QueryParam("severity"); text != "" {
		n, whole := wholeNumber(text)
		if !whole || n == 0 {
			n = -1 // no severity
		}
		f.Severity = material.Severity(n)
	}
	var err error
	f.ObjectID, err = queryID(c, "object_id")
	return f, err
}

// findings serves GET /findings.
func (s *Server) findings(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f, err := findingFilter(c)
	if err != nil {
		return err
	}
	all, err := s.Finding.List(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// findingCounts serves GET /finding-counts.
func (s *Server) findingCounts(c echo.Context) error {
	f, err := findingFilter(c)
	if err != nil {
		return err
	}
	counts, err := s.Finding.Counts(c.Request().Context(), actor(c), f)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, struct {
		finding.Counts
		Most int `json:"most"`
	}{counts, finding.CountMost})
}

// finding serves GET /findings/{id}.
func (s *Server) finding(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	f, err := s.Finding.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, f.Version, f)
}

// acceptFinding serves POST /findings/{id}/acceptances.
func (s *Server) acceptFinding(c echo.Context) error {
	var n finding.NewAcceptance
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	f, err := s.Finding.Accept(c.Request().Context(), actor(c), id, version, n)
	if err != nil {
		return err
	}
	return created(c, "/findings/"+f.ID.String(), f.Version, f)
}

// recomputeFindings serves POST /finding-recomputations.
func (s *Server) recomputeFindings(c echo.Context) error {
	var a finding.Again
	if err := decode(c, &a); err != nil {
		return err
	}
	asked, err := s.Finding.Again(c.Request().Context(), actor(c), a)
	if err != nil {
		return err
	}
	return send(c, http.StatusAccepted, asked)
}
