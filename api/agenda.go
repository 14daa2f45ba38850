package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/agenda"
)

func (s *Server) agendaRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/agenda", agenda.Look, s.today)
	s.route(g, http.MethodGet, "/agenda/:kind", agenda.Look, s.due)
	s.route(g, http.MethodGet, "/notices", agenda.Look, s.notices)
	s.route(g, http.MethodPost, "/notices/:id/reading", agenda.Taken, s.readNotice)
}

// today serves GET /agenda: what waits for the person of the token.
func (s *Server) today(c echo.Context) error {
	sections, err := s.Agenda.Today(c.Request().Context(), actor(c), agenda.SectionMost)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string][]agenda.Section{"sections": sections})
}

// due serves GET /agenda/{kind}: one section, with more of its items.
func (s *Server) due(c echo.Context) error {
	section, err := s.Agenda.Due(c.Request().Context(), actor(c), c.Param("kind"))
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, section)
}

// notices serves GET /notices, the newest first.
func (s *Server) notices(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	unread, err := queryBool(c, "unread")
	if err != nil {
		return err
	}
	mine, err := s.Agenda.Mine(c.Request().Context(), actor(c), unread, q)
	if err != nil {
		return err
	}
	return list(c, mine)
}

// readNotice serves POST /notices/{id}/reading.
func (s *Server) readNotice(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	line, err := s.Agenda.Read(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, line)
}
