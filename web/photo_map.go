package web

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/photo/mark"
	"farthingale/web/document"
)

func mapMark(shape mark.Shape, line document.MapLine) document.MapMark {
	k := document.MapMark{Number: line.Number, Closed: shape.Kind.Encloses(), Hatch: line.Hatch}
	for _, p := range shape.Outline() {
		k.Points = append(k.Points, p)
	}
	return k
}

// mapOfPhoto is the condition map of one photograph by itself: each mark has its own line, as on its page.
func (s *Server) mapOfPhoto(ctx context.Context, by domain.Actor, p *photo.Photo) (document.Map, error) {
	on, err := s.Photo.MarksOn(ctx, by, []domain.ID{p.ID})
	if err != nil {
		return document.Map{}, err
	}
	scales, err := s.Photo.Scales(ctx, by, []domain.ID{p.ID})
	if err != nil {
		return document.Map{}, err
	}
	m := document.Map{Caption: photoWords(p) + ", " + s.photoTaken(p), Width: float64(p.Original.WidthPX), Height: float64(p.Original.HeightPX), Picture: document.Picture{Alt: photoWords(p)}}
	if p.Preview.State == photo.Made {
		picture, err := s.Photo.Open(ctx, by, p.ID, photo.ScreenSize)
		if err != nil {
			return m, err
		}
		defer picture.Close()
		if m.Picture.Bytes, err = io.ReadAll(picture); err != nil {
			return m, fmt.Errorf("read picture of photo %s: %w", p.ID, err)
		}
	}
	marks := photo.WithMeasures(on[p.ID], p.MarkSize(), scales)
	hatches := hatchesOf(marks)
	for i, k := range marks {
		line := document.MapLine{Number: i + 1, Hatch: document.Hatch(hatches[k.TermName]), Term: k.TermName, Extent: k.Measure.Words(), Note: k.Note}
		if line.Term == "" {
			line.Term = "note"
		}
		if k.Severity > 0 {
			line.Severity = strconv.Itoa(k.Severity) + map[string]string{"active": ", active", "stable": ", stable"}[k.Activity]
		}
		m.Marks = append(m.Marks, mapMark(k.Shape, line))
		m.Legend = append(m.Legend, line)
	}
	return m, nil
}

// photoMap serves GET /files/photos/{id}/map: the condition map of a photograph as a PDF.
func (s *Server) photoMap(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	ctx, by := c.Request().Context(), actor(c)
	p, err := s.Photo.One(ctx, by, id)
	if err != nil {
		return err
	}
	of, err := s.Photo.SubjectOf(ctx, by, p)
	if err != nil {
		return err
	}
	m, err := s.mapOfPhoto(ctx, by, p)
	if err != nil {
		return err
	}
	blocks, err := m.Blocks()
	if err != nil {
		return err
	}
	k, err := s.Photo.Scales(ctx, by, []domain.ID{id})
	if err != nil {
		return err
	}
	scale := mark.WithoutScale
	if k, ok := k[id]; ok {
		scale = s.scaleWords(k)
	}
	now := s.Now().In(s.Site.Zone)
	d := document.Document{Title: "Condition map of " + of.Number, Subtitle: of.Title, Language: "en-GB", Author: s.Site.Name, Created: now,
		Footer: document.Footer{Left: of.Number + ", " + photoWords(p) + "; marks as of " + s.moment(now)},
		Blocks: append(blocks, document.Text(scale), document.Text("Original file SHA-256 "+p.Original.SHA256+"."))}
	if s.Site.Demonstration {
		d.Notice = "Demonstration: everything here is invented"
	}
	var b bytes.Buffer
	if err := document.WritePDF(&b, d); err != nil {
		return fmt.Errorf("condition map of photo %s: %w", id, err)
	}
	h := c.Response().Header()
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Content-Disposition", mime.FormatMediaType("inline", map[string]string{"filename": of.Number + "_condition_map.pdf"}))
	return c.Blob(http.StatusOK, "application/pdf", b.Bytes())
}
