package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/examination"
	"farthingale/domain/measurement"
)

// comparison serves GET /objects/{id}/comparison: what was observed and what was measured (E2).
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
	ctx, by := c.Request().Context(), actor(c)
	compared, err := s.Examination.Compare(ctx, by, id, a, b)
	if err != nil {
		return err
	}
	readings, err := s.Measurement.Between(ctx, by, id, measurement.Moment{ExaminationID: compared.Before.ID, On: compared.Before.ExaminedOn},
		measurement.Moment{ExaminationID: compared.After.ID, On: compared.After.ExaminedOn})
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, struct {
		*examination.Comparison
		Readings []measurement.Pair `json:"readings"`
	}{compared, readings})
}
