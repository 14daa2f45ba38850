package web

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain/record"
)

func (s *Server) recordRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/record", record.Read, s.recordPage)
}

type recordPage struct {
	Frame
	Origin, Head string
	Count        int64
	Rows         []eventRow
	More         string
}

type eventRow struct{ At, Actor, Area, Kind, Object, ObjectPath string }

// recordPage serves GET /record: the head of the chain and the events, the newest first.
func (s *Server) recordPage(c echo.Context) error {
	ctx := c.Request().Context()
	head, err := s.Record.Head(ctx)
	if err != nil {
		return err
	}
	events, err := s.Record.Events(ctx, actor(c), record.Filter{Area: c.QueryParam("area")}, page(c))
	if err != nil {
		return err
	}
	p := &recordPage{Origin: head.Origin.String(), Head: head.Hash.String(), Count: head.Count, More: more(c, events.Next)}
	p.Title, p.Here = "Record", "/record"
	for _, e := range events.Items {
		row := eventRow{At: s.moment(e.At), Actor: e.ActorName, Area: e.Area, Kind: plain(e.Kind), Object: e.ObjectNumber}
		if row.Object != "" {
			row.ObjectPath = objectPath(row.Object)
		}
		p.Rows = append(p.Rows, row)
	}
	return s.render(c, http.StatusOK, "record/record", p)
}
