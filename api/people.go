package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/people"
)

func (s *Server) peopleRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/me", people.Read, s.me)
	s.route(g, http.MethodGet, "/people", people.Read, s.people)
	s.route(g, http.MethodPost, "/people", people.Keep, s.addPerson)
	s.route(g, http.MethodGet, "/people/:id", people.Read, s.person)
	s.route(g, http.MethodPut, "/people/:id", people.Keep, s.changePerson)
	s.route(g, http.MethodPost, "/people/:id/closure", people.Keep, s.closePerson)
	s.route(g, http.MethodGet, "/second-factor", people.SeeFactor, s.factor)
	s.secretRoute(g, "/second-factor", people.Enrol, s.beginFactor)
	s.secretRoute(g, "/second-factor/confirmation", people.Enrol, s.confirmFactor)
	s.secretRoute(g, "/second-factor/recovery-codes", people.Own, s.newRecoveryCodes)
	s.secretRoute(g, "/second-factor/removal", people.Own, s.endFactor)
	s.route(g, http.MethodPost, "/people/:id/second-factor/removal", people.Keep, s.removeFactor)
	s.route(g, http.MethodGet, "/sessions", people.Read, s.sessions)
	s.route(g, http.MethodPost, "/sessions/closure", people.Own, s.endSessions)
	s.route(g, http.MethodPost, "/sessions/:id/closure", people.Own, s.endSession)
	s.route(g, http.MethodGet, "/tokens", people.Read, s.tokens)
	s.route(g, http.MethodPost, "/tokens/:id/revocation", people.Own, s.revokeToken)
}

// me serves GET /me: who the token acts as.
func (s *Server) me(c echo.Context) error {
	p, err := s.People.One(c.Request().Context(), actor(c), actor(c).ID)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// people serves GET /people.
func (s *Server) people(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	closed, err := queryBool(c, "closed")
	if err != nil {
		return err
	}
	all, err := s.People.List(c.Request().Context(), actor(c), closed, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// addPerson serves POST /people.
func (s *Server) addPerson(c echo.Context) error {
	var n people.NewPerson
	if err := decode(c, &n); err != nil {
		return err
	}
	p, err := s.People.Add(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return created(c, "/people/"+p.ID.String(), p.Version, p)
}

// person serves GET /people/{id}.
func (s *Server) person(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	p, err := s.People.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// changePerson serves PUT /people/{id}.
func (s *Server) changePerson(c echo.Context) error {
	var f people.Facts
	id, version, err := target(c, &f)
	if err != nil {
		return err
	}
	p, err := s.People.Change(c.Request().Context(), actor(c), id, version, f)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// closePerson serves POST /people/{id}/closure.
func (s *Server) closePerson(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	p, err := s.People.Close(c.Request().Context(), actor(c), id, version)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// sessions serves GET /sessions: one's own on the pages.
func (s *Server) sessions(c echo.Context) error {
	all, err := s.People.Sessions(c.Request().Context(), actor(c))
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string][]people.Session{"items": all})
}

// endSession serves POST /sessions/{id}/closure.
func (s *Server) endSession(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	n, err := s.People.EndSession(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, n)
}

// endSessions serves POST /sessions/closure: all of one's own.
func (s *Server) endSessions(c echo.Context) error {
	n, err := s.People.EndOtherSessions(c.Request().Context(), actor(c))
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string]int{"ended": n})
}

// tokens serves GET /tokens: one's own.
func (s *Server) tokens(c echo.Context) error {
	all, err := s.People.Tokens(c.Request().Context(), actor(c))
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string][]people.Token{"items": all})
}

// revokeToken serves POST /tokens/{id}/revocation.
func (s *Server) revokeToken(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	t, err := s.People.RevokeToken(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, t)
}
