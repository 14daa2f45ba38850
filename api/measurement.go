package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/measurement"
)

func (s *Server) measurementRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:id/spots", measurement.Read, s.spots)
	s.route(g, http.MethodPost, "/objects/:id/spots", measurement.Record, s.nameSpot)
	s.route(g, http.MethodGet, "/objects/:id/measurements", measurement.Read, s.objectMeasurements)
	s.route(g, http.MethodGet, "/spots/:id", measurement.Read, s.spot)
	s.route(g, http.MethodGet, "/spots/:id/measurements", measurement.Read, s.spotMeasurements)
	s.route(g, http.MethodPost, "/spots/:id/measurements", measurement.Record, s.recordMeasurement)
	s.route(g, http.MethodGet, "/spots/:id/series", measurement.Read, s.spotSeries)
	s.route(g, http.MethodGet, "/measurements/:id", measurement.Read, s.measurement)
	s.route(g, http.MethodGet, "/measurements/:id/change", measurement.Read, s.measuredChange)
	s.route(g, http.MethodPost, "/measurements/:id/withdrawal", measurement.Withdraw, s.withdrawMeasurement)
}

// spots serves GET /objects/{id}/spots.
func (s *Server) spots(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	q, err := page(c)
	if err != nil {
		return err
	}
	all, err := s.Measurement.Spots(c.Request().Context(), actor(c), id, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// nameSpot serves POST /objects/{id}/spots.
func (s *Server) nameSpot(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n measurement.NewSpot
	if err := decode(c, &n); err != nil {
		return err
	}
	spot, err := s.Measurement.Name(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return made(c, "/spots/"+spot.ID.String(), spot)
}

// spot serves GET /spots/{id}.
func (s *Server) spot(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	spot, err := s.Measurement.Spot(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, spot)
}

func (s *Server) listMeasurements(c echo.Context, f measurement.Filter) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f.Quantity = measurement.Quantity(c.QueryParam("quantity"))
	all, err := s.Measurement.List(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// objectMeasurements serves GET /objects/{id}/measurements.
func (s *Server) objectMeasurements(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	examination, err := queryID(c, "examination_id")
	if err != nil {
		return err
	}
	return s.listMeasurements(c, measurement.Filter{ObjectID: &id, ExaminationID: examination})
}

// spotMeasurements serves GET /spots/{id}/measurements.
func (s *Server) spotMeasurements(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	if _, err := s.Measurement.Spot(c.Request().Context(), actor(c), id); err != nil {
		return err
	}
	return s.listMeasurements(c, measurement.Filter{SpotID: &id})
}

// recordMeasurement serves POST /spots/{id}/measurements.
func (s *Server) recordMeasurement(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n measurement.NewReading
	if err := decode(c, &n); err != nil {
		return err
	}
	r, err := s.Measurement.Record(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/measurements/"+r.ID.String(), r.Version(), r)
}

// spotSeries serves GET /spots/{id}/series: what the readings of a quantity prove.
func (s *Server) spotSeries(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	quantity := measurement.Colour
	if text := c.QueryParam("quantity"); text != "" {
		quantity = measurement.Quantity(text)
	}
	series, err := s.Measurement.Series(c.Request().Context(), actor(c), id, quantity)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, series)
}

// measurement serves GET /measurements/{id}.
func (s *Server) measurement(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	r, err := s.Measurement.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, r.Version(), r)
}

// measuredChange serves GET /measurements/{id}/change: against an earlier reading.
func (s *Server) measuredChange(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	from, err := queryID(c, "from")
	switch {
	case err != nil:
		return err
	case from == nil:
		return domain.Invalid("/from", "required", "Say from which earlier reading the change is meant.")
	}
	change, err := s.Measurement.Change(c.Request().Context(), actor(c), *from, id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, change)
}

// withdrawMeasurement serves POST /measurements/{id}/withdrawal.
func (s *Server) withdrawMeasurement(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n measurement.NewWithdrawal
	if err := decode(c, &n); err != nil {
		return err
	}
	r, err := s.Measurement.Withdraw(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, r.Version(), r)
}
