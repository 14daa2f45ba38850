package servetest

import (
	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/photo/mark"
)

// markSamples marks an observation of a draft on a photograph, and gives the page on which it is done.
func markSamples(h *House, g *Ground) []Sample {
	ines := g.People[domain.Conservator]
	observations, err := h.Photo.Markable(h.t.Context(), ines.Actor, g.Object.ID)
	if err != nil || len(observations) == 0 {
		h.t.Fatalf("nothing can be marked: %v", err)
	}
	photos, err := h.Photo.List(h.t.Context(), ines.Actor, g.Object.ID, photo.Filter{}, domain.PageQuery{})
	if err != nil || len(photos.Items) == 0 {
		h.t.Fatalf("there is no photograph: %v", err)
	}
	on := photos.Items[len(photos.Items)-1].ID
	d := photo.Drawing{ObservationID: &observations[0].ID, Shape: mark.Shape{Kind: mark.Rectangle, Points: []mark.Point{{3, 3}, {12, 9}}}}
	if _, err := h.Photo.Draw(h.t.Context(), ines.Actor, on, d); err != nil {
		h.t.Fatal(err)
	}
	return []Sample{{Route: "GET /photos/:id/marks", Path: "/photos/" + on.String() + "/marks?observation=" + observations[0].ID.String(), As: ines}}
}
