package servetest

import (
	"bytes"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/domain/photo/align"
	"farthingale/domain/photo/mark"
)

// compareSamples: two examinations of an object, one damage of each outcome, with two photographs of one view that
// are laid over each other; and an object that has none.
func compareSamples(h *House, g *Ground) []Sample {
	ctx, ines, reader := h.t.Context(), g.People[domain.Conservator], g.People[domain.Reader]
	must := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	picture := func(shade uint8) domain.ID {
		p, err := h.Photo.Upload(ctx, ines.Actor, g.Object.ID, photo.Description{View: "front", Light: "normal", Stage: "condition", ScalePresent: true}, "front.jpg", bytes.NewReader(JPEG(shade)))
		must(err)
		must(h.Photo.Derive(ctx, p.ID))
		return p.ID
	}
	before, after := picture(201), picture(203)
	_, err := h.Photo.Align(ctx, ines.Actor, before, photo.NewAlignment{AfterID: after, Kind: align.Similarity, Ties: photo.Entered([]align.Tie{
		{Before: mark.Point{2, 2}, After: mark.Point{2, 2}}, {Before: mark.Point{40, 3}, After: mark.Point{41, 3}}, {Before: mark.Point{20, 25}, After: mark.Point{20, 26}}}...)})
	must(err)
	area := func(mm2, u int64) *examination.Extent {
		uncertainty := decimal.NewFromInt(u)
		return &examination.Extent{Kind: examination.Area, Value: decimal.NewFromInt(mm2), Uncertainty: &uncertainty, Basis: "from marks on a photograph"}
	}
	ring, glove := g.Parts["1a"], g.Parts["3"]
	found := func(part domain.ID, term string, x *examination.Extent) examination.NewFinding {
		return examination.NewFinding{ComponentID: &part, Finding: examination.Finding{Term: term, Severity: 2, Activity: examination.Stable, Extent: x, Status: examination.New, Note: "Seen with a lens."}}
	}
	first := h.Examine(ines.Actor, g.Object.ID, Look{Photos: []domain.ID{before}, Found: []examination.NewFinding{
		found(ring, "pitting", area(120, 4)), found(ring, "scratch", area(30, 4)), found(glove, "crack", nil), found(glove, "tear", nil), found(glove, "abrasion", nil)}})
	answers := map[string]func(*examination.Finding){
		"pitting": func(d *examination.Finding) {
			d.Status, d.Extent, d.Activity = examination.Changed, area(190, 5), examination.Active
		},
		"scratch":  func(d *examination.Finding) { d.Status, d.Extent = examination.Confirmed, area(33, 4) },
		"crack":    func(d *examination.Finding) { d.Status, d.Reason = examination.NotSeen, "The inside was not reached." },
		"tear":     func(d *examination.Finding) { d.Status, d.Reason = examination.Gone, "Closed by a patch." },
		"abrasion": func(d *examination.Finding) { d.Status = examination.Confirmed },
	}
	h.Examine(ines.Actor, g.Object.ID, Look{Overall: examination.Poor, Photos: []domain.ID{after}, Found: []examination.NewFinding{found(glove, "stain", nil)},
		Answer: func(o examination.Observation) examination.Finding {
			d := o.Finding
			d.Status = examination.Confirmed // what others found before
			if answer := answers[o.Term]; answer != nil {
				answer(&d)
			}
			return d
		}})
	return []Sample{
		{Route: "GET /objects/:number/compare", Path: "/objects/1968.14.2/compare", As: ines},
		{Route: "GET /objects/:number/compare", Path: "/objects/1968.14.2/compare?a=" + first.ID.String(), As: reader, Status: 200},
	}
}
