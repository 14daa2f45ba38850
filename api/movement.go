package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/movement"
)

func (s *Server) movementRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/places", movement.Read, s.places)
	s.route(g, http.MethodPost, "/places", movement.Keep, s.addPlace)
	s.route(g, http.MethodGet, "/places/:id", movement.Read, s.place)
	s.route(g, http.MethodPut, "/places/:id", movement.Keep, s.changePlace)
	s.route(g, http.MethodPost, "/places/:id/moves", movement.Move, s.movePlace)
	s.route(g, http.MethodGet, "/places/:id/contents", movement.Read, s.contents)
	s.route(g, http.MethodGet, "/places/:id/past-contents", movement.Read, s.pastContents)
	s.route(g, http.MethodGet, "/objects/:id/whereabouts", movement.Read, s.whereabouts)
	s.route(g, http.MethodGet, "/objects/:id/moves", movement.Read, s.moves)
	s.route(g, http.MethodPost, "/objects/:id/moves", movement.Move, s.move)
	s.route(g, http.MethodGet, "/components/:id/moves", movement.Read, s.partMoves)
	s.route(g, http.MethodPost, "/components/:id/moves", movement.Move, s.movePart)
	s.route(g, http.MethodPost, "/components/:id/detachment", movement.Move, s.detach)
	s.route(g, http.MethodPost, "/components/:id/reattachment", movement.Move, s.reattach)
}

// places serves GET /places in the order of the tree.
func (s *Server) places(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f := movement.PlaceFilter{Text: c.QueryParam("text"), Kind: c.QueryParam("kind")}
	if f.ParentID, err = queryID(c, "parent_id"); err != nil {
		return err
	}
	if f.Closed, err = queryBool(c, "closed"); err != nil {
		return err
	}
	all, err := s.Movement.Places(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// addPlace serves POST /places.
func (s *Server) addPlace(c echo.Context) error {
	var n movement.NewPlace
	if err := decode(c, &n); err != nil {
		return err
	}
	p, err := s.Movement.AddPlace(c.Request().Context(), actor(c), n)
	if err != nil {
		return err
	}
	return created(c, "/places/"+p.ID.String(), p.Version, p)
}

// place serves GET /places/{id}.
func (s *Server) place(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	p, err := s.Movement.Place(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// changePlace serves PUT /places/{id}.
func (s *Server) changePlace(c echo.Context) error {
	var n movement.ChangedPlace
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	p, err := s.Movement.ChangePlace(c.Request().Context(), actor(c), id, version, n)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// movePlace serves POST /places/{id}/moves.
func (s *Server) movePlace(c echo.Context) error {
	var m movement.PlaceMove
	id, version, err := target(c, &m)
	if err != nil {
		return err
	}
	p, err := s.Movement.MovePlace(c.Request().Context(), actor(c), id, version, m)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// contents serves GET /places/{id}/contents.
func (s *Server) contents(c echo.Context) error {
	return placements(c, func(id domain.ID, q domain.PageQuery) (domain.Page[movement.Placement], error) {
		return s.Movement.Contents(c.Request().Context(), actor(c), id, q)
	})
}

// pastContents serves GET /places/{id}/past-contents.
func (s *Server) pastContents(c echo.Context) error {
	return placements(c, func(id domain.ID, q domain.PageQuery) (domain.Page[movement.Placement], error) {
		return s.Movement.Past(c.Request().Context(), actor(c), id, q)
	})
}

// moves serves GET /objects/{id}/moves.
func (s *Server) moves(c echo.Context) error {
	if _, err := s.known(c); err != nil {
		return err
	}
	return placements(c, func(id domain.ID, q domain.PageQuery) (domain.Page[movement.Placement], error) {
		return s.Movement.History(c.Request().Context(), actor(c), id, q)
	})
}

// partMoves serves GET /components/{id}/moves.
func (s *Server) partMoves(c echo.Context) error {
	return placements(c, func(id domain.ID, q domain.PageQuery) (domain.Page[movement.Placement], error) {
		if _, _, err := s.Collection.Component(c.Request().Context(), actor(c), id); err != nil {
			return domain.Page[movement.Placement]{}, err
		}
		return s.Movement.PartHistory(c.Request().Context(), actor(c), id, q)
	})
}

// placements lists placements of what the path names.
func placements(c echo.Context, read func(id domain.ID, q domain.PageQuery) (domain.Page[movement.Placement], error)) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	q, err := page(c)
	if err != nil {
		return err
	}
	all, err := read(id, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// whereabouts serves GET /objects/{id}/whereabouts: the whole and its detached parts, now or at a time.
func (s *Server) whereabouts(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	at, err := queryTime(c, "at")
	if err != nil {
		return err
	}
	if at == nil {
		now := s.Now()
		at = &now
	}
	all, err := s.Movement.At(c.Request().Context(), actor(c), id, *at)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, map[string][]movement.Placement{"items": append([]movement.Placement{}, all...)})
}

// moved answers a move; the history it is part of is where it can be read.
func moved(c echo.Context, of string, m *movement.Moved) error {
	return created(c, of+"/moves", 1, m)
}

// move serves POST /objects/{id}/moves.
func (s *Server) move(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var r movement.Relocation
	if err := decode(c, &r); err != nil {
		return err
	}
	m, err := s.Movement.Move(c.Request().Context(), actor(c), id, r)
	if err != nil {
		return err
	}
	return moved(c, "/objects/"+id.String(), m)
}

// movePart serves POST /components/{id}/moves.
func (s *Server) movePart(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var r movement.Relocation
	if err := decode(c, &r); err != nil {
		return err
	}
	m, err := s.Movement.MovePart(c.Request().Context(), actor(c), id, r)
	if err != nil {
		return err
	}
	return moved(c, "/components/"+id.String(), m)
}

// detach serves POST /components/{id}/detachment.
func (s *Server) detach(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var r movement.Relocation
	if err := decode(c, &r); err != nil {
		return err
	}
	m, err := s.Movement.Detach(c.Request().Context(), actor(c), id, r)
	if err != nil {
		return err
	}
	return moved(c, "/components/"+id.String(), m)
}

// reattach serves POST /components/{id}/reattachment.
func (s *Server) reattach(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var r movement.Reattachment
	if err := decode(c, &r); err != nil {
		return err
	}
	m, err := s.Movement.Reattach(c.Request().Context(), actor(c), id, r)
	if err != nil {
		return err
	}
	return moved(c, "/components/"+id.String(), m)
}
