package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/incident"
)

func (s *Server) incidentRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/incidents", incident.Read, s.incidents)
	s.route(g, http.MethodGet, "/incidents/:id", incident.Read, s.incident)
	s.route(g, http.MethodPost, "/incidents/:id/answers", incident.Respond, s.answerIncident)
}

// incidents serves GET /incidents.
func (s *Server) incidents(c echo.Context) error {
	f := incident.Filter{State: c.QueryParam("state")}
	var err error
	if f.ObjectID, err = queryID(c, "object_id"); err != nil {
		return err
	}
	if f.LoanID, err = queryID(c, "loan_id"); err != nil {
		return err
	}
	q, err := page(c)
	if err != nil {
		return err
	}
	all, err := s.Incident.List(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// incident serves GET /incidents/{id}.
func (s *Server) incident(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	i, err := s.Incident.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, i.Version, i)
}

// answerIncident serves POST /incidents/{id}/answers.
func (s *Server) answerIncident(c echo.Context) error {
	var n incident.NewAnswer
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	i, err := s.Incident.Answer(c.Request().Context(), actor(c), id, version, n)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, i.Version, i)
}
