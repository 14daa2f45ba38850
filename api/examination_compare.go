package api

import (
	"net/http"

	"github.com/labstack/echo/v4"
)

// comparison serves GET /objects/{id}/comparison.
func (s *Server) comparison(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	a, err := queryID(c, "a")
	if err != nil {
		return err
	}
	b, err := queryID(c, "b")
	if err != nil {
		return err
	}
	compared, err := s.Examination.Compare(c.Request().Context(), actor(c), id, a, b)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, compared)
}
