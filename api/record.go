package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/record"
)

func (s *Server) recordRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/events", record.Read, s.events)
	s.route(g, http.MethodGet, "/seals/head", record.Read, s.head)
}

// events serves GET /events, the newest first.
func (s *Server) events(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f := record.Filter{Area: c.QueryParam("area"), Kind: c.QueryParam("kind")}
	if f.ObjectID, err = queryID(c, "object_id"); err != nil {
		return err
	}
	if f.SubjectID, err = queryID(c, "subject_id"); err != nil {
		return err
	}
	if f.ActorID, err = queryID(c, "actor_id"); err != nil {
		return err
	}
	all, err := s.Record.Events(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// head serves GET /seals/head: the end of the chain, to be kept outside.
func (s *Server) head(c echo.Context) error {
	head, err := s.Record.Head(c.Request().Context())
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, head)
}
