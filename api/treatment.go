package api

import (
	"context"
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/treatment"
)

func (s *Server) treatmentRoutes(g *echo.Group) {
	t := s.Treatment
	s.route(g, http.MethodPost, "/objects/:id/treatments", treatment.Propose, s.beginTreatment)
	s.route(g, http.MethodGet, "/treatments", treatment.Read, s.treatments)
	s.route(g, http.MethodGet, "/treatments/:id", treatment.Read, s.treatment)
	s.route(g, http.MethodPut, "/treatments/:id", treatment.Propose, treat(t.Rewrite))
	s.route(g, http.MethodPost, "/treatments/:id/submissions", treatment.Propose, treatBare(t.Submit))
	s.route(g, http.MethodPost, "/treatments/:id/returns", treatment.Propose, treat(t.TakeBack))
	s.route(g, http.MethodPost, "/treatments/:id/withdrawal", treatment.Propose, treat(t.Withdraw))
	s.route(g, http.MethodPost, "/treatments/:id/hand-overs", treatment.Propose, treat(t.HandOver))
	s.route(g, http.MethodPost, "/treatments/:id/decisions", treatment.Judge, treat(s.decideProposal))
	s.route(g, http.MethodPost, "/treatments/:id/acknowledgements", treatment.Propose, treat(t.Acknowledge))
	s.route(g, http.MethodPost, "/treatments/:id/fulfilments", treatment.Propose, treat(t.Fulfil))
	s.route(g, http.MethodPost, "/treatments/:id/steps", treatment.Log, treat(t.LogStep))
	s.route(g, http.MethodPost, "/treatments/:id/departures", treatment.Depart, treat(t.RecordDeparture))
	s.route(g, http.MethodPost, "/treatments/:id/amendments", treatment.Propose, treat(t.Amend))
	s.route(g, http.MethodPut, "/treatments/:id/amendments/:number", treatment.Propose, treatNumbered(t.RewriteAmendment))
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:number/submissions", treatment.Propose, s.submitAmendment)
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:number/returns", treatment.Propose, treatNumbered(t.TakeBackAmendment))
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:number/withdrawal", treatment.Propose, treatNumbered(t.WithdrawAmendment))
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:number/decisions", treatment.Judge, treatNumbered(t.Decide))
	s.route(g, http.MethodPut, "/treatments/:id/completion", treatment.Finish, treat(t.KeepReport))
	s.route(g, http.MethodPost, "/treatments/:id/completion", treatment.Finish, treatBare(t.Complete))
	s.route(g, http.MethodPost, "/treatments/:id/signature", treatment.Finish, treat(t.Sign))
	s.route(g, http.MethodPost, "/treatments/:id/addenda", treatment.Correct, treat(t.WriteAddendum))
	s.route(g, http.MethodPost, "/treatments/:id/designations", treatment.Judge, treat(t.Designate))
	s.route(g, http.MethodPost, "/treatments/:id/designations/:number/authorisation", treatment.Authorise, treatNumbered(t.AuthoriseDisposal))
	s.route(g, http.MethodGet, "/material-uses", treatment.Read, s.treatedWith)
	s.route(g, http.MethodPost, "/objects/:id/emergencies", treatment.Rescue, s.stabilise)
	s.route(g, http.MethodGet, "/emergencies", treatment.Read, s.emergencies)
	s.route(g, http.MethodGet, "/emergencies/:id", treatment.Read, s.emergency)
	s.route(g, http.MethodPost, "/emergencies/:id/ratifications", treatment.Judge, s.ratify)
}

// treat serves an act on a treatment: the command of the body, on the version of If-Match. The answer
// is the treatment as it then stands.
func treat[C any](do func(ctx context.Context, by domain.Actor, id domain.ID, version int64, command C) (*treatment.Treatment, error)) echo.HandlerFunc {
	return func(c echo.Context) error {
		var command C
		id, version, err := target(c, &command)
		if err != nil {
			return err
		}
		t, err := do(c.Request().Context(), actor(c), id, version, command)
		if err != nil {
			return err
		}
		return one(c, http.StatusOK, t.Version, t)
	}
}

// treatBare serves an act that needs no command.
func treatBare(do func(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*treatment.Treatment, error)) echo.HandlerFunc {
	return func(c echo.Context) error {
		id, version, err := target(c, nil)
		if err != nil {
			return err
		}
		t, err := do(c.Request().Context(), actor(c), id, version)
		if err != nil {
			return err
		}
		return one(c, http.StatusOK, t.Version, t)
	}
}

// treatNumbered serves an act on a numbered part of a treatment: an amendment, a designation.
func treatNumbered[C any](do func(ctx context.Context, by domain.Actor, id domain.ID, version int64, number int, command C) (*treatment.Treatment, error)) echo.HandlerFunc {
	return func(c echo.Context) error {
		number, err := numberOf(c, "number")
		if err != nil {
			return err
		}
		return treat(func(ctx context.Context, by domain.Actor, id domain.ID, version int64, command C) (*treatment.Treatment, error) {
			return do(ctx, by, id, version, number, command)
		})(c)
	}
}

// submitAmendment serves POST /treatments/{id}/amendments/{number}/submissions.
func (s *Server) submitAmendment(c echo.Context) error {
	number, err := numberOf(c, "number")
	if err != nil {
		return err
	}
	return treatBare(func(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*treatment.Treatment, error) {
		return s.Treatment.SubmitAmendment(ctx, by, id, version, number)
	})(c)
}

// decideProposal decides on the proposal itself.
func (s *Server) decideProposal(ctx context.Context, by domain.Actor, id domain.ID, version int64, d treatment.NewDecision) (*treatment.Treatment, error) {
	return s.Treatment.Decide(ctx, by, id, version, 0, d)
}

// beginTreatment serves POST /objects/{id}/treatments.
func (s *Server) beginTreatment(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var p treatment.Proposal
	if err := decode(c, &p); err != nil {
		return err
	}
	t, err := s.Treatment.Begin(c.Request().Context(), actor(c), id, p)
	if err != nil {
		return err
	}
	return created(c, "/treatments/"+t.ID.String(), t.Version, t)
}

// treatments serves GET /treatments.
func (s *Server) treatments(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f := treatment.Filter{State: treatment.State(c.QueryParam("state")), Department: c.QueryParam("department"), Move: treatment.Mover(c.QueryParam("move"))}
	if f.ObjectID, err = queryID(c, "object_id"); err != nil {
		return err
	}
	if f.InCharge, err = queryID(c, "in_charge"); err != nil {
		return err
	}
	all, err := s.Treatment.List(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// treatment serves GET /treatments/{id}.
func (s *Server) treatment(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	t, err := s.Treatment.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, t.Version, t)
}

// treatedWith serves GET /material-uses: every component that received a product, a batch or a
// material.
func (s *Server) treatedWith(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	m := treatment.MaterialQuery{Product: c.QueryParam("product"), Batch: c.QueryParam("batch"), MaterialKey: c.QueryParam("material_key")}
	all, err := s.Treatment.MaterialUses(c.Request().Context(), actor(c), m, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// stabilise serves POST /objects/{id}/emergencies.
func (s *Server) stabilise(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n treatment.NewEmergency
	if err := decode(c, &n); err != nil {
		return err
	}
	e, err := s.Treatment.Stabilise(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return created(c, "/emergencies/"+e.ID.String(), e.Version, e)
}

// emergencies serves GET /emergencies.
func (s *Server) emergencies(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f := treatment.StabilisationFilter{Department: c.QueryParam("department")}
	if f.ObjectID, err = queryID(c, "object_id"); err != nil {
		return err
	}
	if f.TreatmentID, err = queryID(c, "treatment_id"); err != nil {
		return err
	}
	if f.Open, err = queryBool(c, "open"); err != nil {
		return err
	}
	all, err := s.Treatment.Stabilisations(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// emergency serves GET /emergencies/{id}.
func (s *Server) emergency(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	e, err := s.Treatment.Stabilisation(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, e.Version, e)
}

// ratify serves POST /emergencies/{id}/ratifications.
func (s *Server) ratify(c echo.Context) error {
	var r treatment.Ratification
	id, version, err := target(c, &r)
	if err != nil {
		return err
	}
	e, err := s.Treatment.Ratify(c.Request().Context(), actor(c), id, version, r)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, e.Version, e)
}
