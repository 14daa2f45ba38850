package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/photo"
)

// align serves POST /photos/{id}/alignments.
func (s *Server) align(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n photo.NewAlignment
	if err := decode(c, &n); err != nil {
		return err
	}
	a, err := s.Photo.Align(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return made(c, "/photos/"+id.String()+"/alignments/"+a.AfterID.String(), a)
}

// alignment serves GET /photos/{id}/alignments/{after_id}.
func (s *Server) alignment(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	afterID, err := idOf(c, "after_id")
	if err != nil {
		return err
	}
	a, err := s.Photo.Alignment(c.Request().Context(), actor(c), id, afterID)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, a)
}
