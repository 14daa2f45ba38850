package api

import (
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

func (s *Server) enclosureRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/enclosures", enclosure.Read, s.enclosures)
	s.route(g, http.MethodPost, "/enclosures", enclosure.Keep, s.addEnclosure)
	s.route(g, http.MethodGet, "/enclosures/:id", enclosure.Read, s.enclosure)
	s.route(g, http.MethodPut, "/enclosures/:id", enclosure.Keep, s.changeEnclosure)
	s.route(g, http.MethodPost, "/enclosures/:id/closure", enclosure.Keep, s.closeEnclosure)
	s.route(g, http.MethodGet, "/enclosures/:id/levels", enclosure.Read, s.enclosureLevels)
	s.route(g, http.MethodPost, "/enclosures/:id/what-if", enclosure.Read, s.whatIf)
	s.route(g, http.MethodGet, "/enclosures/:id/tracers", enclosure.Read, s.tracers)
	s.route(g, http.MethodPost, "/enclosures/:id/tracers", enclosure.Keep, s.measureTracer)
	s.route(g, http.MethodGet, "/enclosures/:id/recommendations", enclosure.Read, s.enclosureRecommendations)
	s.route(g, http.MethodPost, "/enclosures/:id/recommendations", enclosure.Recommend, s.recommend)
	s.route(g, http.MethodGet, "/objects/:id/recommendations", enclosure.Read, s.objectRecommendations)
	s.route(g, http.MethodGet, "/recommendations/:id", enclosure.Read, s.recommendation)
	s.route(g, http.MethodPost, "/recommendations/:id/end", enclosure.Recommend, s.endRecommendation)
	s.route(g, http.MethodGet, "/enclosure-defaults", enclosure.Read, s.enclosureDefaults)
}

// enclosures serves GET /enclosures.
func (s *Server) enclosures(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f := enclosure.Filter{Words: c.QueryParam("q"), Kind: enclosure.Form(c.QueryParam("kind"))}
	if f.ObjectID, err = queryID(c, "object_id"); err != nil {
		return err
	}
	if f.PlaceID, err = queryID(c, "place_id"); err != nil {
		return err
	}
	if f.Closed, err = queryBool(c, "closed"); err != nil {
		return err
	}
	all, err := s.Enclosure.List(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

func enclosurePath(id domain.ID) string { return "/enclosures/" + id.String() }

// addEnclosure serves POST /enclosures.
func (s *Server) addEnclosure(c echo.Context) error {
	var f enclosure.Facts
	if err := decode(c, &f); err != nil {
		return err
	}
	e, err := s.Enclosure.Add(c.Request().Context(), actor(c), f)
	if err != nil {
		return err
	}
	return created(c, enclosurePath(e.ID), e.Version, e)
}

// enclosure serves GET /enclosures/{id}.
func (s *Server) enclosure(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	e, err := s.Enclosure.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, e.Version, e)
}

// changeEnclosure serves PUT /enclosures/{id}.
func (s *Server) changeEnclosure(c echo.Context) error {
	var f enclosure.Facts
	id, version, err := target(c, &f)
	if err != nil {
		return err
	}
	e, err := s.Enclosure.Change(c.Request().Context(), actor(c), id, version, f)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, e.Version, e)
}

// closeEnclosure serves POST /enclosures/{id}/closure.
func (s *Server) closeEnclosure(c echo.Context) error {
	var n enclosure.Ended
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	e, err := s.Enclosure.Close(c.Request().Context(), actor(c), id, version, n)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, e.Version, e)
}

// enclosureLevels serves GET /enclosures/{id}/levels.
func (s *Server) enclosureLevels(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	years := 0.0
	if text := c.QueryParam("years"); text != "" {
		if years, err = strconv.ParseFloat(text, 64); err != nil || !(years > 0) {
			return domain.Invalid("/years", "range", "Give the years of exposure, more than 0 and at most 10 000.")
		}
	}
	levels, _, err := s.Enclosure.Levels(c.Request().Context(), actor(c), id, years)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, levels)
}

// whatIf serves POST /enclosures/{id}/what-if. Nothing is kept.
func (s *Server) whatIf(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var q enclosure.Question
	if err := decode(c, &q); err != nil {
		return err
	}
	a, err := s.Enclosure.Ask(c.Request().Context(), actor(c), id, q)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, a)
}

// tracers serves GET /enclosures/{id}/tracers.
func (s *Server) tracers(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	all, err := s.Enclosure.Tracers(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string][]enclosure.Tracer{"items": append([]enclosure.Tracer{}, all...)})
}

// measureTracer serves POST /enclosures/{id}/tracers.
func (s *Server) measureTracer(c echo.Context) error {
	var n enclosure.NewTracer
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	e, t, err := s.Enclosure.Measure(c.Request().Context(), actor(c), id, version, n)
	if err != nil {
		return err
	}
	return created(c, enclosurePath(id)+"/tracers", e.Version, t)
}

func (s *Server) listRecommendations(c echo.Context, f enclosure.RecommendationFilter) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f.State = c.QueryParam("state")
	all, err := s.Enclosure.Recommendations(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// enclosureRecommendations serves GET /enclosures/{id}/recommendations.
func (s *Server) enclosureRecommendations(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	if _, err := s.Enclosure.One(c.Request().Context(), actor(c), id); err != nil {
		return err
	}
	return s.listRecommendations(c, enclosure.RecommendationFilter{EnclosureID: &id})
}

// objectRecommendations serves GET /objects/{id}/recommendations.
func (s *Server) objectRecommendations(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	return s.listRecommendations(c, enclosure.RecommendationFilter{ObjectID: &id})
}

// recommend serves POST /enclosures/{id}/recommendations.
func (s *Server) recommend(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n enclosure.NewRecommendation
	if err := decode(c, &n); err != nil {
		return err
	}
	r, err := s.Enclosure.Recommend(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/recommendations/"+r.ID.String(), r.Version(), r)
}

// recommendation serves GET /recommendations/{id}.
func (s *Server) recommendation(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	r, err := s.Enclosure.Recommendation(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, r.Version(), r)
}

// endRecommendation serves POST /recommendations/{id}/end.
func (s *Server) endRecommendation(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n enclosure.NewEnd
	if err := decode(c, &n); err != nil {
		return err
	}
	r, err := s.Enclosure.Finish(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, r.Version(), r)
}

// enclosureDefaults serves GET /enclosure-defaults: published figures that an enclosure can begin from.
func (s *Server) enclosureDefaults(c echo.Context) error {
	type gas struct {
		Gas     enclosure.Gas `json:"gas"`
		Name    string        `json:"name"`
		Formula string        `json:"formula"`
	}
	answer := struct {
		Gases []gas               `json:"gases"`
		Items []enclosure.Default `json:"items"`
	}{[]gas{}, s.Enclosure.Defaults()}
	for _, known := range enclosure.Substances {
		answer.Gases = append(answer.Gases, gas{known.Gas, known.Name, known.Formula})
	}
	return send(c, http.StatusOK, answer)
}
