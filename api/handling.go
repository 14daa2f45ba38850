package api

import (
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/handling"
)

func (s *Server) handlingRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:id/handlings", handling.Read, s.objectHandlings)
	s.route(g, http.MethodPost, "/objects/:id/handlings", handling.Record, s.logHandling)
	s.route(g, http.MethodGet, "/objects/:id/before-handling", handling.Read, s.beforeHandling)
	s.route(g, http.MethodGet, "/objects/:id/handling-totals", handling.Read, s.objectTotals)
	s.route(g, http.MethodPost, "/objects/:id/stops", handling.Record, s.raiseStop)
	s.route(g, http.MethodGet, "/objects/:id/hazard-assessments", handling.Read, s.assessments)
	s.route(g, http.MethodPost, "/objects/:id/hazard-assessments", handling.Assess, s.assess)
	s.route(g, http.MethodGet, "/handling-totals", handling.Read, s.totals)
	s.route(g, http.MethodGet, "/handlings/:id", handling.Read, s.handling)
	s.route(g, http.MethodPost, "/handlings/:id/addenda", handling.Record, s.amendHandling)
	s.route(g, http.MethodPost, "/handlings/:id/photos", handling.Record, s.attachPhoto)
	s.route(g, http.MethodGet, "/stops", handling.Read, s.stops)
	s.route(g, http.MethodGet, "/stops/:id", handling.Read, s.stop)
	s.route(g, http.MethodPost, "/stops/:id/notes", handling.Annotate, s.annotateStop)
	s.route(g, http.MethodPost, "/stops/:id/release", handling.Lift, s.releaseStop)
}

// queryTime reads an optional day or time of the query; a day begins at 00:00 UTC.
func queryTime(c echo.Context, name string) (*time.Time, error) {
	text := c.QueryParam(name)
	if text == "" {
		return nil, nil
	}
	for _, layout := range []string{time.DateOnly, time.RFC3339} {
		if t, err := time.Parse(layout, text); err == nil && domain.TimeKept(t) {
			return &t, nil
		}
	}
	return nil, domain.Invalid("/"+name, "time", "A day such as 2026-02-06, or a time such as 2026-02-06T16:00:00Z.")
}

// period reads from and until.
func period(c echo.Context) (from, until *time.Time, err error) {
	if from, err = queryTime(c, "from"); err != nil {
		return nil, nil, err
	}
	until, err = queryTime(c, "until")
	return from, until, err
}

// known reads the ID of the path, and sees that there is such an object.
func (s *Server) known(c echo.Context) (domain.ID, error) {
	id, err := idOf(c, "id")
	if err != nil {
		return id, err
	}
	_, err = s.Collection.Object(c.Request().Context(), actor(c), id)
	return id, err
}

// objectHandlings serves GET /objects/{id}/handlings.
func (s *Server) objectHandlings(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	q, err := page(c)
	if err != nil {
		return err
	}
	f := handling.Filter{ObjectID: &id, Purpose: c.QueryParam("purpose"), Sign: c.QueryParam("sign")}
	if f.ComponentID, err = queryID(c, "component_id"); err != nil {
		return err
	}
	if f.PersonID, err = queryID(c, "person_id"); err != nil {
		return err
	}
	if f.From, f.Until, err = period(c); err != nil {
		return err
	}
	all, err := s.Handling.List(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// logged is a handling and the stop that it raised.
type logged struct {
	Handling *handling.Event `json:"handling"`
	Stop     *handling.Stop  `json:"stop,omitempty"`
}

// logHandling serves POST /objects/{id}/handlings.
func (s *Server) logHandling(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var l handling.Log
	if err := decode(c, &l); err != nil {
		return err
	}
	e, stop, err := s.Handling.Log(c.Request().Context(), actor(c), id, l)
	if err != nil {
		return err
	}
	return created(c, "/handlings/"+e.ID.String(), e.Version(), logged{e, stop})
}

// beforeHandling serves GET /objects/{id}/before-handling.
func (s *Server) beforeHandling(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	before, err := s.Handling.Before(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	answer := struct {
		Stops        []handling.Stop    `json:"stops"`
		Cautions     []handling.Caution `json:"cautions"`
		LastPosition string             `json:"last_position,omitempty"`
	}{append([]handling.Stop{}, before.Standing...), append([]handling.Caution{}, before.Cautions...), before.LastPosition}
	return send(c, http.StatusOK, answer)
}

func dimensions(c echo.Context) []string {
	return strings.FieldsFunc(c.QueryParam("by"), func(r rune) bool { return r == ',' })
}

// objectTotals serves GET /objects/{id}/handling-totals.
func (s *Server) objectTotals(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	return s.sendTotals(c, handling.TotalsQuery{ObjectID: &id})
}

// totals serves GET /handling-totals.
func (s *Server) totals(c echo.Context) error {
	var q handling.TotalsQuery
	var err error
	if q.ObjectID, err = queryID(c, "object_id"); err != nil {
		return err
	}
	if q.ComponentID, err = queryID(c, "component_id"); err != nil {
		return err
	}
	if q.PersonID, err = queryID(c, "person_id"); err != nil {
		return err
	}
	q.Purpose = c.QueryParam("purpose")
	return s.sendTotals(c, q)
}

func (s *Server) sendTotals(c echo.Context, q handling.TotalsQuery) error {
	var err error
	if q.From, q.Until, err = period(c); err != nil {
		return err
	}
	q.By = dimensions(c)
	totals, err := s.Handling.Totals(c.Request().Context(), actor(c), q)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, totals)
}

// handling serves GET /handlings/{id}.
func (s *Server) handling(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	e, err := s.Handling.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, e.Version(), e)
}

// amendHandling serves POST /handlings/{id}/addenda.
func (s *Server) amendHandling(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n handling.NewAddendum
	if err := decode(c, &n); err != nil {
		return err
	}
	e, err := s.Handling.Amend(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/handlings/"+e.ID.String(), e.Version(), e)
}

// attachPhoto serves POST /handlings/{id}/photos.
func (s *Server) attachPhoto(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n handling.Attachment
	if err := decode(c, &n); err != nil {
		return err
	}
	e, err := s.Handling.Attach(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/handlings/"+e.ID.String(), e.Version(), e)
}

// stops serves GET /stops.
func (s *Server) stops(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f := handling.StopFilter{State: c.QueryParam("state")}
	if f.ObjectID, err = queryID(c, "object_id"); err != nil {
		return err
	}
	all, err := s.Handling.Stops(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// stop serves GET /stops/{id}.
func (s *Server) stop(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	stop, err := s.Handling.Stop(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, stop.Version(), stop)
}

// raiseStop serves POST /objects/{id}/stops.
func (s *Server) raiseStop(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n handling.NewStop
	if err := decode(c, &n); err != nil {
		return err
	}
	stop, err := s.Handling.RaiseStop(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/stops/"+stop.ID.String(), stop.Version(), stop)
}

// annotateStop serves POST /stops/{id}/notes.
func (s *Server) annotateStop(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n handling.NewNote
	if err := decode(c, &n); err != nil {
		return err
	}
	stop, err := s.Handling.Annotate(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/stops/"+stop.ID.String(), stop.Version(), stop)
}

// releaseStop serves POST /stops/{id}/release.
func (s *Server) releaseStop(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n handling.NewRelease
	if err := decode(c, &n); err != nil {
		return err
	}
	stop, err := s.Handling.Release(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, stop.Version(), stop)
}

// assessments serves GET /objects/{id}/hazard-assessments.
func (s *Server) assessments(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	all, err := s.Handling.Assessments(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string][]handling.Assessment{"items": append([]handling.Assessment{}, all...)})
}

// assess serves POST /objects/{id}/hazard-assessments.
func (s *Server) assess(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n handling.NewAssessment
	if err := decode(c, &n); err != nil {
		return err
	}
	a, err := s.Handling.Assess(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/objects/"+id.String()+"/hazard-assessments", 1, a)
}
