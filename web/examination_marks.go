package web

import (
	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/examination"
)

// markings adds to the observations of a draft where each is marked on a photograph, and what its marks come to.
func (s *Server) markings(c echo.Context, p *draftPage, e *examination.Examination) error {
	ctx, by := c.Request().Context(), actor(c)
	photos, err := s.Photo.Some(ctx, by, e.PhotoIDs())
	if err != nil {
		return err
	}
	ids := make([]domain.ID, len(e.Observations))
	for i, o := range e.Observations {
		ids[i] = o.ID
	}
	measured, err := s.Photo.MeasuredOf(ctx, by, ids)
	if err != nil {
		return err
	}
	of := map[string]*observationEntry{}
	for _, entries := range [][]observationEntry{p.Known, p.New} {
		for i := range entries {
			of[entries[i].ID] = &entries[i]
		}
	}
	for i := range e.Observations {
		o := &e.Observations[i]
		entry := of["o-"+o.ID.String()]
		if entry == nil {
			continue
		}
		for j := range photos {
			if o.ComponentID == nil || photos[j].Shows(*o.ComponentID) {
				entry.MarkOn = append(entry.MarkOn, Link{Path: marksPath(photos[j].ID, o.ID), Words: photoWords(&photos[j])})
			}
		}
		if m, ok := measured[o.ID]; ok {
			entry.Marked = count(m.Marks, "mark") + " on a photograph"
			entry.Take = (&Form{Part: "take-" + o.ID.String(), Action: examinationPath(e.ID) + "/observations/" + o.ID.String() + "/extent", Version: e.Version, Quick: true,
				Submit: "Take the extent from the marks"}).ready(c)
		}
	}
	return nil
}

// takeExtent serves POST /examinations/{id}/observations/{observation}/extent.
func (s *Server) takeExtent(c echo.Context) error {
	id, err := domain.ParseID(c.Param("observation"))
	if err != nil {
		return err
	}
	var n struct{}
	return s.draftAct(c, &n, func(p *draftPage) *Form {
		for _, entries := range [][]observationEntry{p.Known, p.New} {
			for i := range entries {
				if entries[i].ID == "o-"+id.String() && entries[i].Take != nil {
					return entries[i].Take
				}
			}
		}
		return &Form{}
	}, "#o-"+id.String(), func(e *examination.Examination) error {
		_, err := s.Examination.TakeExtent(c.Request().Context(), actor(c), e.ID, e.Version, id)
		return err
	})
}
