package web

import (
	"context"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/movement"
)

// placeAsked is how a form asks for a place: by the code on its label or, where there are few places, by choosing one.
type placeAsked struct {
	code, choice       string             // names of the two fields
	codeLabel, orLabel string             // what they are called
	help               string             // of the code
	none               string             // what choosing none says
	chosen             *movement.PlaceRef // nil: none
	without            *domain.ID         // left out
	needed             bool               // the one or the other
}

// placeChoice are the fields that ask for a place.
func (s *Server) placeChoice(c echo.Context, q placeAsked) ([]Field, error) {
	all, whole, err := s.Movement.Tree(c.Request().Context(), actor(c), movement.PlaceFilter{})
	if err != nil {
		return nil, err
	}
	code := Field{Kind: "text", Name: q.code, Label: q.codeLabel, Help: q.help, Max: 60}
	if !whole {
		if code.Required = q.needed; q.chosen != nil {
			code.Value = q.chosen.Code
		}
		return []Field{code}, nil
	}
	options := withNone(q.none, q.chosen == nil, nil)
	for _, p := range all {
		if q.without == nil || p.ID != *q.without {
			options = append(options, Option{Value: p.ID.String(), Label: p.Path + " (" + p.Code + ")", Chosen: q.chosen != nil && p.ID == q.chosen.ID})
		}
	}
	return []Field{code, {Kind: "select", Name: q.choice, Label: q.orLabel, Options: options}}, nil
}

// placeCodes are places by the codes on their labels, the first of the tree, for a list beside a field of a code.
func (s *Server) placeCodes(c echo.Context) ([]Option, error) {
	all, err := s.Movement.Places(c.Request().Context(), actor(c), movement.PlaceFilter{}, domain.PageQuery{Limit: domain.PageMost})
	if err != nil {
		return nil, err
	}
	places := make([]Option, len(all.Items))
	for i, p := range all.Items {
		places[i] = Option{Value: p.Code, Label: p.Path}
	}
	return places, nil
}

// placeNamed is the place with a code that was typed or scanned; nil when there is none. at is the field's pointer.
func (s *Server) placeNamed(ctx context.Context, by domain.Actor, at, code string) (*domain.ID, error) {
	if strings.TrimSpace(code) == "" {
		return nil, nil // an answer: no code was given
	}
	p, err := s.Movement.PlaceByCode(ctx, by, code)
	if domain.KindOf(err) == domain.KindNotFound {
		return nil, domain.Invalid(at, "place", "There is no place with this code.")
	}
	if err != nil {
		return nil, err
	}
	return &p.ID, nil
}
