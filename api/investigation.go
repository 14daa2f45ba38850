package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/investigation"
)

func (s *Server) investigationRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/techniques", investigation.Read, s.techniques)
	s.route(g, http.MethodGet, "/investigations", investigation.Read, s.investigations)
	s.route(g, http.MethodGet, "/objects/:id/investigations", investigation.Read, s.objectInvestigations)
	s.route(g, http.MethodPost, "/objects/:id/investigations", investigation.Ask, s.askQuestion)
	s.route(g, http.MethodGet, "/investigations/:id", investigation.Read, s.investigation)
	s.route(g, http.MethodPost, "/investigations/:id/plan", investigation.PlanIt, s.planInvestigation)
	s.route(g, http.MethodPost, "/investigations/:id/consents", investigation.PlanIt, s.askConsent)
	s.route(g, http.MethodPost, "/investigations/:id/consents/:n/decision", investigation.Grant, s.decideConsent)
	s.route(g, http.MethodPost, "/investigations/:id/samples", investigation.Find, s.takeSample)
	s.route(g, http.MethodPost, "/samples/:id/remainders", investigation.Find, s.sayRemainder)
	s.route(g, http.MethodPost, "/investigations/:id/findings", investigation.Find, s.recordFinding)
	s.route(g, http.MethodPost, "/investigations/:id/end", investigation.PlanIt, s.endInvestigation)
}

// techniques serves GET /techniques.
func (s *Server) techniques(c echo.Context) error {
	all, err := investigation.Techniques()
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string][]investigation.Technique{"items": all})
}

func (s *Server) listInvestigations(c echo.Context, f investigation.Filter) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f.State = c.QueryParam("state")
	all, err := s.Investigation.List(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// investigations serves GET /investigations.
func (s *Server) investigations(c echo.Context) error {
	f := investigation.Filter{Words: c.QueryParam("q"), Department: c.QueryParam("department"), Technique: c.QueryParam("technique")}
	var err error
	if f.Waiting, err = queryBool(c, "consent_waiting"); err != nil {
		return err
	}
	return s.listInvestigations(c, f)
}

// objectInvestigations serves GET /objects/{id}/investigations.
func (s *Server) objectInvestigations(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	return s.listInvestigations(c, investigation.Filter{ObjectID: &id})
}

func investigationPath(id domain.ID) string { return "/investigations/" + id.String() }

// askQuestion serves POST /objects/{id}/investigations.
func (s *Server) askQuestion(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n investigation.NewQuestion
	if err := decode(c, &n); err != nil {
		return err
	}
	i, err := s.Investigation.Ask(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, investigationPath(i.ID), i.Version, i)
}

// investigation serves GET /investigations/{id}.
func (s *Server) investigation(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	i, err := s.Investigation.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, i.Version, i)
}

// investigationAct reads what an act on an investigation needs, does it, and answers with the whole.
func investigationAct[N any](c echo.Context, act func(id domain.ID, version int64, n N) (*investigation.Investigation, error)) error {
	var n N
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	i, err := act(id, version, n)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, i.Version, i)
}

// planInvestigation serves POST /investigations/{id}/plan.
func (s *Server) planInvestigation(c echo.Context) error {
	return investigationAct(c, func(id domain.ID, version int64, n investigation.NewPlan) (*investigation.Investigation, error) {
		return s.Investigation.Plan(c.Request().Context(), actor(c), id, version, n)
	})
}

// askConsent serves POST /investigations/{id}/consents.
func (s *Server) askConsent(c echo.Context) error {
	return investigationAct(c, func(id domain.ID, version int64, n investigation.NewConsent) (*investigation.Investigation, error) {
		return s.Investigation.AskConsent(c.Request().Context(), actor(c), id, version, n)
	})
}

// decideConsent serves POST /investigations/{id}/consents/{n}/decision.
func (s *Server) decideConsent(c echo.Context) error {
	number, err := numberOf(c, "n")
	if err != nil {
		return err
	}
	return investigationAct(c, func(id domain.ID, version int64, n investigation.NewConsentDecision) (*investigation.Investigation, error) {
		return s.Investigation.Decide(c.Request().Context(), actor(c), id, version, number, n)
	})
}

// takeSample serves POST /investigations/{id}/samples.
func (s *Server) takeSample(c echo.Context) error {
	return investigationAct(c, func(id domain.ID, version int64, n investigation.NewSample) (*investigation.Investigation, error) {
		return s.Investigation.Sample(c.Request().Context(), actor(c), id, version, n)
	})
}

// sayRemainder serves POST /samples/{id}/remainders. The version is that of the investigation.
func (s *Server) sayRemainder(c echo.Context) error {
	return investigationAct(c, func(id domain.ID, version int64, n investigation.NewRemainder) (*investigation.Investigation, error) {
		return s.Investigation.Left(c.Request().Context(), actor(c), id, version, n)
	})
}

// recordFinding serves POST /investigations/{id}/findings.
func (s *Server) recordFinding(c echo.Context) error {
	return investigationAct(c, func(id domain.ID, version int64, n investigation.NewFinding) (*investigation.Investigation, error) {
		return s.Investigation.Record(c.Request().Context(), actor(c), id, version, n)
	})
}

// endInvestigation serves POST /investigations/{id}/end.
func (s *Server) endInvestigation(c echo.Context) error {
	return investigationAct(c, func(id domain.ID, version int64, n investigation.NewEnd) (*investigation.Investigation, error) {
		return s.Investigation.Finish(c.Request().Context(), actor(c), id, version, n)
	})
}
