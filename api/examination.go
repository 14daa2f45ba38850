package api

import (
	"context"
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/handling"
)

func (s *Server) examinationRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:id/examinations", examination.Read, s.examinations)
	s.route(g, http.MethodPost, "/objects/:id/examinations", examination.Write, s.beginExamination)
	s.route(g, http.MethodGet, "/objects/:id/comparison", examination.Read, s.comparison)
	s.route(g, http.MethodGet, "/objects/:id/condition", examination.Read, s.condition)
	s.route(g, http.MethodGet, "/examinations/:id", examination.Read, s.examination)
	s.route(g, http.MethodGet, "/examinations/:id/report.pdf", examination.Read, s.examinationPaper)
	s.route(g, http.MethodPatch, "/examinations/:id", examination.Write, s.changeExamination)
	s.route(g, http.MethodDelete, "/examinations/:id", examination.Write, s.discardExamination)
	s.route(g, http.MethodPost, "/examinations/:id/observations", examination.Write, s.addObservation)
	s.route(g, http.MethodPut, "/examinations/:id/observations/:observation", examination.Write, s.setObservation)
	s.route(g, http.MethodDelete, "/examinations/:id/observations/:observation", examination.Write, s.dropObservation)
	s.route(g, http.MethodPost, "/examinations/:id/observations/:observation/extent", examination.Write, s.takeExtent)
	s.route(g, http.MethodPost, "/examinations/:id/confirmations", examination.Write, s.confirmObservations)
	s.route(g, http.MethodPost, "/examinations/:id/handling", handling.Record, s.handleExamined)
	s.route(g, http.MethodPost, "/examinations/:id/carry-forward", examination.Write, s.bringExamination)
	s.route(g, http.MethodPost, "/examinations/:id/examiner", examination.Write, s.takeOverExamination)
	s.route(g, http.MethodPost, "/examinations/:id/signature", examination.Sign, s.signExamination)
	s.route(g, http.MethodPost, "/examinations/:id/addenda", examination.Write, s.amendExamination)
	s.route(g, http.MethodPost, "/examinations/:id/answer", examination.Answer, s.answerExamination)
	s.route(g, http.MethodGet, "/damage-terms", examination.Read, s.damageTerms)
	s.route(g, http.MethodPost, "/damage-terms", examination.Extend, s.addDamageTerm)
}

func examinationPath(id domain.ID) string { return "/examinations/" + id.String() }

// examinations serves GET /objects/{id}/examinations.
func (s *Server) examinations(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	q, err := page(c)
	if err != nil {
		return err
	}
	all, err := s.Examination.List(c.Request().Context(), actor(c), id, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// beginExamination serves POST /objects/{id}/examinations.
func (s *Server) beginExamination(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n examination.NewExamination
	if err := decode(c, &n); err != nil {
		return err
	}
	e, err := s.Examination.Begin(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, examinationPath(e.ID), e.Version, e)
}

// condition serves GET /objects/{id}/condition.
func (s *Server) condition(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	all, err := s.Examination.Conditions(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	if len(all) == 0 {
		return domain.NotFound("No examination of this object is signed yet.")
	}
	return send(c, http.StatusOK, all[0])
}

// examination serves GET /examinations/{id}.
func (s *Server) examination(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	e, err := s.Examination.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, e.Version, e)
}

// ExaminationPapers makes the paper of an examination.
type ExaminationPapers interface {
	ExaminationPaper(ctx context.Context, by domain.Actor, id domain.ID) (domain.Paper, error)
}

// examinationPaper serves GET /examinations/{id}/report.pdf.
func (s *Server) examinationPaper(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	f, err := s.ExaminationPapers.ExaminationPaper(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return sendFile(c, f)
}

// examined answers with an examination after an act on it.
func examined(c echo.Context, e *examination.Examination, err error) error {
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, e.Version, e)
}

// changeExamination serves PATCH /examinations/{id}.
func (s *Server) changeExamination(c echo.Context) error {
	var n examination.Changes
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	e, err := s.Examination.Change(c.Request().Context(), actor(c), id, version, n)
	return examined(c, e, err)
}

// discardExamination serves DELETE /examinations/{id}.
func (s *Server) discardExamination(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	if err := s.Examination.Discard(c.Request().Context(), actor(c), id, version); err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

// addObservation serves POST /examinations/{id}/observations.
func (s *Server) addObservation(c echo.Context) error {
	var n examination.NewFinding
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	e, _, err := s.Examination.Add(c.Request().Context(), actor(c), id, version, n)
	if err != nil {
		return err
	}
	return created(c, examinationPath(id), e.Version, e)
}

// setObservation serves PUT /examinations/{id}/observations/{observation}.
func (s *Server) setObservation(c echo.Context) error {
	observation, err := idOf(c, "observation")
	if err != nil {
		return err
	}
	var f examination.Finding
	id, version, err := target(c, &f)
	if err != nil {
		return err
	}
	e, err := s.Examination.Set(c.Request().Context(), actor(c), id, version, observation, f)
	return examined(c, e, err)
}

// takeExtent serves POST /examinations/{id}/observations/{observation}/extent.
func (s *Server) takeExtent(c echo.Context) error {
	observation, err := idOf(c, "observation")
	if err != nil {
		return err
	}
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	e, err := s.Examination.TakeExtent(c.Request().Context(), actor(c), id, version, observation)
	return examined(c, e, err)
}

// dropObservation serves DELETE /examinations/{id}/observations/{observation}.
func (s *Server) dropObservation(c echo.Context) error {
	observation, err := idOf(c, "observation")
	if err != nil {
		return err
	}
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	e, err := s.Examination.Drop(c.Request().Context(), actor(c), id, version, observation)
	return examined(c, e, err)
}

// confirmObservations serves POST /examinations/{id}/confirmations.
func (s *Server) confirmObservations(c echo.Context) error {
	var n examination.Confirmation
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	e, err := s.Examination.Confirm(c.Request().Context(), actor(c), id, version, n)
	return examined(c, e, err)
}

// handleExamined serves POST /examinations/{id}/handling.
func (s *Server) handleExamined(c echo.Context) error {
	var l handling.Log
	id, version, err := target(c, &l)
	if err != nil {
		return err
	}
	e, event, stop, err := s.Examination.Handle(c.Request().Context(), actor(c), id, version, l)
	if err != nil {
		return err
	}
	answer := struct {
		Examination *examination.Examination `json:"examination"`
		logged
	}{e, logged{event, stop}}
	return created(c, "/handlings/"+event.ID.String(), e.Version, answer)
}

// bringExamination serves POST /examinations/{id}/carry-forward.
func (s *Server) bringExamination(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	e, err := s.Examination.Bring(c.Request().Context(), actor(c), id, version)
	return examined(c, e, err)
}

// takeOverExamination serves POST /examinations/{id}/examiner.
func (s *Server) takeOverExamination(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	e, err := s.Examination.TakeOver(c.Request().Context(), actor(c), id, version)
	return examined(c, e, err)
}

// signExamination serves POST /examinations/{id}/signature.
func (s *Server) signExamination(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	e, err := s.Examination.Sign(c.Request().Context(), actor(c), id, version)
	return examined(c, e, err)
}

// amendExamination serves POST /examinations/{id}/addenda.
func (s *Server) amendExamination(c echo.Context) error {
	var n examination.NewAddendum
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	e, err := s.Examination.Amend(c.Request().Context(), actor(c), id, version, n)
	if err != nil {
		return err
	}
	return created(c, examinationPath(id), e.Version, e)
}

// answerExamination serves POST /examinations/{id}/answer.
func (s *Server) answerExamination(c echo.Context) error {
	var n examination.NewAnswer
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	e, err := s.Examination.Respond(c.Request().Context(), actor(c), id, version, n)
	return examined(c, e, err)
}

// damageTerms serves GET /damage-terms.
func (s *Server) damageTerms(c echo.Context) error {
	all, err := s.Examination.Terms(c.Request().Context(), actor(c), c.QueryParam("q"))
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string][]examination.Term{"items": append([]examination.Term{}, all...)})
}

// addDamageTerm serves POST /damage-terms.
func (s *Server) addDamageTerm(c echo.Context) error {
	var n examination.NewTerm
	if err := decode(c, &n); err != nil {
		return err
	}
	t, err := s.Examination.AddTerm(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return made(c, "/damage-terms", t)
}
