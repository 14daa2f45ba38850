package servetest

import (
	"bytes"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/photo/mark"
)

// photoSamples: the photographs of an object, for who may add some and for who may not, and one of them
// with its files.
func photoSamples(h *House, g *Ground) []Sample {
	ines, reader := g.People[domain.Conservator], g.People[domain.Reader]
	var first, last domain.ID
	for shade := range uint8(3) {
		d := photo.Description{Components: []domain.ID{g.Parts["1a"]}, View: "detail", Light: "raking", Stage: "condition", ScalePresent: true, Caption: "Cuff ring with white corrosion"}
		p, err := h.Photo.Upload(h.t.Context(), ines.Actor, g.Object.ID, d, "cuff.jpg", bytes.NewReader(JPEG(40*shade)))
		if err != nil {
			h.t.Fatal(err)
		}
		if err := h.Photo.Derive(h.t.Context(), p.ID); err != nil {
			h.t.Fatal(err)
		}
		if last = p.ID; shade == 0 {
			first = last
		}
	}
	m, err := h.Photo.Draw(h.t.Context(), ines.Actor, last, photo.Drawing{Shape: mark.Shape{Kind: mark.Polygon, Points: []mark.Point{{2, 2}, {20, 3}, {9, 20}}}, Note: "stain"})
	if err != nil {
		h.t.Fatal(err)
	}
	for _, shape := range []mark.Shape{{Kind: mark.Line, Points: []mark.Point{{2, 2}, {20, 3}}}, {Kind: mark.Place, Points: []mark.Point{{2, 2}}}, {Kind: mark.Rectangle, Points: []mark.Point{{2, 2}, {9, 9}}}} {
		if _, err := h.Photo.Draw(h.t.Context(), ines.Actor, last, photo.Drawing{Shape: shape}); err != nil {
			h.t.Fatal(err)
		}
	}
	if _, err := h.Photo.SetScale(h.t.Context(), ines.Actor, last, photo.NewScale{From: &mark.Point{1, 1}, To: &mark.Point{21, 1}, LengthMM: 10}); err != nil {
		h.t.Fatal(err)
	}
	over := "/photos/" + first.String() + "/alignments/" + last.String()
	at := "/photos/" + last.String()
	iiif := "/iiif/" + last.String()
	return []Sample{
		{Route: "GET /objects/:number/photos", Path: "/objects/1968.14.2/photos", As: ines},
		{Route: "GET /objects/:number/photos", Path: "/objects/1968.14.2/photos?light=uv", As: reader},
		{Route: "GET /photos/:id", Path: at, As: ines},
		{Route: "GET /photos/:id", Path: at, As: reader},
		{Route: "GET /photos/:id/alignments/:after", Path: over, As: ines},
		{Route: "GET /photos/:id/alignments/:after", Path: over + "?tie=2,2,2,2&tie=30,2,30,2&before=9,12", As: reader},
		{Route: "GET /photos/:id/marks", Path: at + "/marks", As: ines},
		{Route: "GET /photos/:id/marks", Path: at + "/marks", As: reader},
		{Route: "GET /photos/:id/marks", Path: at + "/marks?mark=" + m.ID.String(), As: ines},
		{Route: "GET /photos/:id/marks", Path: at + "/marks?tool=scale&p=2,2&p=9,2&view=2,2,20", As: ines},
		{Route: "GET /photos/:id/marks", Path: "/photos/" + first.String() + "/marks?p=2,2&p=9,2&p=4,9", As: ines},
		{Route: "GET /files/photos/:id/map", Path: "/files" + at + "/map", As: reader, File: true},
		{Route: "GET /iiif/:id", Path: iiif, As: reader, File: true},
		{Route: "GET /iiif/:id/info.json", Path: iiif + "/info.json", As: reader, File: true},
		{Route: "GET /iiif/:id/marks", Path: iiif + "/marks", As: reader, File: true},
		{Route: "GET /iiif/:id/:region/:size/:rotation/:file", Path: iiif + "/full/!20,20/0/default.jpg", As: reader, File: true},
		{Route: "GET /iiif/objects/:number/manifest", Path: "/iiif/objects/1968.14.2/manifest", As: reader, File: true},
		{Route: "GET /files/photos/:id/thumbnail", Path: "/files" + at + "/thumbnail", As: reader, File: true},
		{Route: "GET /files/photos/:id/screen", Path: "/files" + at + "/screen", As: reader, File: true},
		{Route: "GET /files/photos/:id/original", Path: "/files" + at + "/original", As: ines, File: true},
	}
}
