package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/people"
)

// factor serves GET /second-factor: one's own.
func (s *Server) factor(c echo.Context) error {
	state, err := s.People.FactorState(c.Request().Context(), actor(c))
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, state)
}

// beginFactor serves POST /second-factor.
func (s *Server) beginFactor(c echo.Context) error {
	var n people.BeginFactor
	if err := decode(c, &n); err != nil {
		return err
	}
	enrolment, err := s.People.BeginFactor(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return made(c, "/second-factor", enrolment)
}

// confirmFactor serves POST /second-factor/confirmation.
func (s *Server) confirmFactor(c echo.Context) error {
	var n people.Code
	if err := decode(c, &n); err != nil {
		return err
	}
	codes, err := s.People.ConfirmFactor(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, codes)
}

// newRecoveryCodes serves POST /second-factor/recovery-codes.
func (s *Server) newRecoveryCodes(c echo.Context) error {
	var n people.Proof
	if err := decode(c, &n); err != nil {
		return err
	}
	codes, err := s.People.NewRecoveryCodes(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, codes)
}

// endFactor serves POST /second-factor/removal.
func (s *Server) endFactor(c echo.Context) error {
	var n people.Proof
	if err := decode(c, &n); err != nil {
		return err
	}
	if err := s.People.EndFactor(c.Request().Context(), actor(c), n); err != nil {
		return err
	}
	return s.factor(c)
}

// removeFactor serves POST /people/{id}/second-factor/removal.
func (s *Server) removeFactor(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	if err := s.People.RemoveFactor(c.Request().Context(), actor(c), id); err != nil {
		return err
	}
	state, err := s.People.FactorOf(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, state)
}
