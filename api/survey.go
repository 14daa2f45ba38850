package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/survey"
)

func (s *Server) surveyRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/surveys", survey.Read, s.surveys)
	s.route(g, http.MethodPost, "/surveys", survey.Begin, s.beginSurvey)
	s.route(g, http.MethodPost, "/surveys/plan", survey.Begin, s.planSurvey)
	s.route(g, http.MethodGet, "/surveys/:id", survey.Read, s.survey)
	s.route(g, http.MethodGet, "/surveys/:id/objects", survey.Read, s.surveyObjects)
	s.route(g, http.MethodGet, "/surveys/:id/results", survey.Read, s.surveyResults)
	s.route(g, http.MethodPost, "/surveys/:id/objects/:object/assessment", survey.Assess, s.assessSurveyed)
	s.route(g, http.MethodPost, "/surveys/:id/objects/:object/miss", survey.Assess, s.missSurveyed)
}

// surveys serves GET /surveys.
func (s *Server) surveys(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	all, err := s.Survey.List(c.Request().Context(), actor(c), q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// beginSurvey serves POST /surveys.
func (s *Server) beginSurvey(c echo.Context) error {
	var n survey.NewSurvey
	if err := decode(c, &n); err != nil {
		return err
	}
	x, err := s.Survey.Begin(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return made(c, "/surveys/"+x.ID.String(), x)
}

// planSurvey serves POST /surveys/plan: how many would be drawn of how many. Nothing is kept.
func (s *Server) planSurvey(c echo.Context) error {
	var n survey.Scheme
	if err := decode(c, &n); err != nil {
		return err
	}
	x, err := s.Survey.Plan(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, struct {
		Objects int              `json:"objects"`
		Sample  int              `json:"sample"`
		Strata  []survey.Stratum `json:"strata"`
	}{x.Objects, x.Sample, x.Strata})
}

// survey serves GET /surveys/{id}.
func (s *Server) survey(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	x, err := s.Survey.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, x)
}

// surveyObjects serves GET /surveys/{id}/objects: the sample in the order of drawing.
func (s *Server) surveyObjects(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	q, err := page(c)
	if err != nil {
		return err
	}
	open, err := queryBool(c, "open")
	if err != nil {
		return err
	}
	if _, err := s.Survey.One(c.Request().Context(), actor(c), id); err != nil {
		return err
	}
	all, err := s.Survey.Items(c.Request().Context(), actor(c), id, open, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// surveyResults serves GET /surveys/{id}/results.
func (s *Server) surveyResults(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	r, err := s.Survey.Results(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, r)
}

// settle reads which object of which survey is meant and what is said of it.
func settle[N any](c echo.Context, act func(id, object domain.ID, n N) (*survey.Item, error)) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	object, err := idOf(c, "object")
	if err != nil {
		return err
	}
	var n N
	if err := decode(c, &n); err != nil {
		return err
	}
	i, err := act(id, object, n)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, i)
}

// assessSurveyed serves POST /surveys/{id}/objects/{object}/assessment.
func (s *Server) assessSurveyed(c echo.Context) error {
	return settle(c, func(id, object domain.ID, n survey.Assessment) (*survey.Item, error) {
		return s.Survey.Assess(c.Request().Context(), actor(c), id, object, n)
	})
}

// missSurveyed serves POST /surveys/{id}/objects/{object}/miss.
func (s *Server) missSurveyed(c echo.Context) error {
	return settle(c, func(id, object domain.ID, n survey.Miss) (*survey.Item, error) {
		return s.Survey.Miss(c.Request().Context(), actor(c), id, object, n)
	})
}
