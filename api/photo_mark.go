package api

import (
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/photo/iiif"
	"farthingale/domain/photo/mark"
)

func (s *Server) markRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/photos/:id/marks", photo.Look, s.marks)
	s.route(g, http.MethodPost, "/photos/:id/marks", photo.Keep, s.draw)
	s.route(g, http.MethodGet, "/photos/:id/annotations", photo.Look, s.annotations)
	s.route(g, http.MethodPost, "/photos/:id/annotations", photo.Keep, s.drawReceived)
	s.route(g, http.MethodGet, "/photos/:id/scale", photo.Look, s.scale)
	s.route(g, http.MethodPost, "/photos/:id/scale", photo.Keep, s.setScale)
	s.route(g, http.MethodGet, "/marks/:id", photo.Look, s.mark)
	s.route(g, http.MethodPut, "/marks/:id", photo.Keep, s.redraw)
	s.route(g, http.MethodDelete, "/marks/:id", photo.Keep, s.erase)
	s.route(g, http.MethodGet, "/observations/:id/measure", photo.Look, s.measured)
}

// marks serves GET /photos/{id}/marks: as JSON, or as annotations when they are asked for.
func (s *Server) marks(c echo.Context) error {
	if wantsLinkedData(c) {
		return s.annotations(c)
	}
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	q, err := page(c)
	if err != nil {
		return err
	}
	observation, err := queryID(c, "observation")
	if err != nil {
		return err
	}
	all, err := s.Photo.MarksMeasured(c.Request().Context(), actor(c), id, photo.MarkFilter{ObservationID: observation}, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// draw serves POST /photos/{id}/marks.
func (s *Server) draw(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var d photo.Drawing
	if err := decode(c, &d); err != nil {
		return err
	}
	m, err := s.Photo.Draw(c.Request().Context(), actor(c), id, d)
	if err != nil {
		return err
	}
	return created(c, "/marks/"+m.ID.String(), m.Version, m)
}

// mark serves GET /marks/{id}.
func (s *Server) mark(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	m, err := s.Photo.Mark(ctx, actor(c), id)
	if err != nil {
		return err
	}
	c.Response().Header().Set("Vary", "Accept")
	if !wantsLinkedData(c) {
		return one(c, http.StatusOK, m.Version, m)
	}
	p, err := s.Photo.One(ctx, actor(c), m.PhotoID)
	if err != nil {
		return err
	}
	a := annotationOf(c, *m, p.MarkSize())
	a.Context = mark.AnnotationContext
	return linkedData(c, a)
}

// redraw serves PUT /marks/{id}.
func (s *Server) redraw(c echo.Context) error {
	var d photo.Drawing
	id, version, err := target(c, &d)
	if err != nil {
		return err
	}
	m, err := s.Photo.Redraw(c.Request().Context(), actor(c), id, version, d)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, m.Version, m)
}

// erase serves DELETE /marks/{id}.
func (s *Server) erase(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	if err := s.Photo.Erase(c.Request().Context(), actor(c), id, version); err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

// scale serves GET /photos/{id}/scale.
func (s *Server) scale(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	k, err := s.Photo.Scale(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, k)
}

// setScale serves POST /photos/{id}/scale.
func (s *Server) setScale(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var n photo.NewScale
	if err := decode(c, &n); err != nil {
		return err
	}
	k, err := s.Photo.SetScale(c.Request().Context(), actor(c), id, n)
	if err != nil {
		return err
	}
	return made(c, "/photos/"+id.String()+"/scale", k)
}

// measured serves GET /observations/{id}/measure.
func (s *Server) measured(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	m, err := s.Photo.Measured(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, m)
}

// annotations serves GET /photos/{id}/annotations: all marks as one page of annotations.
func (s *Server) annotations(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	p, err := s.Photo.One(ctx, actor(c), id)
	if err != nil {
		return err
	}
	marks, err := s.Photo.MarksOn(ctx, actor(c), []domain.ID{id})
	if err != nil {
		return err
	}
	all := iiif.AnnotationPage{Context: mark.AnnotationContext, ID: origin(c) + Prefix + "/photos/" + id.String() + "/annotations", Type: "AnnotationPage", Items: []any{}}
	for _, m := range marks[id] {
		all.Items = append(all.Items, annotationOf(c, m, p.MarkSize()))
	}
	c.Response().Header().Set("Vary", "Accept")
	return linkedData(c, all)
}

// drawReceived serves POST /photos/{id}/annotations.
func (s *Server) drawReceived(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	var r mark.Received
	if err := decodeLinkedData(c, &r); err != nil {
		return err
	}
	m, err := s.Photo.DrawReceived(c.Request().Context(), actor(c), id, r)
	if err != nil {
		return err
	}
	return created(c, "/marks/"+m.ID.String(), m.Version, m)
}

// annotationOf is a mark under its address here.
func annotationOf(c echo.Context, m photo.Mark, in mark.Size) mark.Annotation {
	return m.Annotation(origin(c)+Prefix+"/marks/"+m.ID.String(), origin(c)+"/iiif/"+m.PhotoID.String()+"/canvas", in)
}

// origin is how the reader of an answer addresses this house. Only that reader's own request says it,
// and the answer is kept by nobody else.
func origin(c echo.Context) string { return c.Scheme() + "://" + c.Request().Host }

// wantsLinkedData says whether a reader asks for annotations rather than for JSON of our own.
func wantsLinkedData(c echo.Context) bool {
	return strings.Contains(c.Request().Header.Get("Accept"), "application/ld+json")
}

// linkedData writes annotations.
func linkedData(c echo.Context, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encode answer: %w", err)
	}
	return c.Blob(http.StatusOK, mark.AnnotationProfile, b)
}

// decodeLinkedData is decode for annotations, which come as JSON or as JSON-LD.
func decodeLinkedData(c echo.Context, command any) error {
	kind, _, err := mime.ParseMediaType(c.Request().Header.Get("Content-Type"))
	if err != nil || kind != "application/ld+json" {
		return decode(c, command)
	}
	b, err := io.ReadAll(io.LimitReader(c.Request().Body, bodyMost+1))
	if err != nil {
		return &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body ended before it was complete.", Err: err}
	}
	if len(b) > bodyMost {
		return &domain.Error{Kind: domain.KindTooLarge, Code: "body", Message: "The body is too large: at most 1 MiB of JSON."}
	}
	return decodeBytes(b, command)
}
