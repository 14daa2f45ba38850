package servetest

import (
	"net/http"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

// ClosedGlove is a glove closed on its ring that gives off hydrogen chloride: the object's glove and ring
// are in it.
func ClosedGlove(g *Ground) enclosure.Facts {
	glove, ring := g.Parts["3"], g.Parts["1a"]
	assumed := func(v float64) enclosure.Quantity { return enclosure.Assumed.Of(v, "") }
	return enclosure.Facts{Label: "Left glove on its ring", Kind: enclosure.Glove, Note: "Closed since it came.",
		Members: []enclosure.Placed{{Space: "glove", ObjectID: g.Object.ID, ComponentID: &glove}, {Space: "glove", ObjectID: g.Object.ID, ComponentID: &ring}},
		Network: enclosure.Network{Air: enclosure.Air{TempC: assumed(20)},
			Spaces: []enclosure.Space{{Name: "glove", VolumeM3: assumed(0.002).Between(0.0018, 0.0022), RHPct: assumed(45),
				Surfaces: []enclosure.Surface{{Name: "rubber", AreaM2: assumed(0.1), Emissions: []enclosure.Emission{{Gas: enclosure.HydrogenChloride, RateUGM2H: assumed(0.5).Between(0.25, 1)}}}}}},
			Rooms: []enclosure.Room{{Name: "store", Levels: []enclosure.GasLevel{{Gas: enclosure.HydrogenChloride, UGM3: assumed(0)}}}},
			Exchanges: []enclosure.Exchange{{Name: "ring", Inner: "glove", Outer: "store", Gap: &enclosure.Gap{Shape: enclosure.RingLying, DiameterMM: assumed(100), DepthMM: assumed(10), WidthMM: assumed(0),
				DailyTempK: assumed(2), DailyPressureHPa: assumed(10)}}}}}
}

// enclosureSamples: a closed glove with a tracer measurement and two recommendations, one that was
// withdrawn; a case with a box in it whose emission is not known; and one that is closed.
func enclosureSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	must := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	ines, reader := g.People[domain.Conservator], g.People[domain.Reader]
	glove, err := h.Enclosure.Add(ctx, ines.Actor, ClosedGlove(g))
	must(err)
	wide := enclosure.Assumed.Of(3, "planned").Between(2, 4)
	advice := enclosure.NewRecommendation{ObjectID: g.Object.ID, Text: "Hold the ring open by 3 mm with two spacers.", Changes: []enclosure.Change{{Act: enclosure.SetGap, Exchange: "ring", WidthMM: wide}}}
	open, err := h.Enclosure.Recommend(ctx, ines.Actor, glove.ID, advice)
	must(err)
	withdrawn, err := h.Enclosure.Recommend(ctx, ines.Actor, glove.ID, advice)
	must(err)
	_, err = h.Enclosure.Finish(ctx, ines.Actor, withdrawn.ID, enclosure.NewEnd{Outcome: enclosure.Withdrawn, Reason: "Said twice."})
	must(err)
	readings := []enclosure.Reading{}
	for i, ppm := range []float64{4012, 3342, 2835, 2365, 2037, 1732, 1509, 1212, 1021} {
		readings = append(readings, enclosure.Reading{Hours: []float64{0, 4, 8, 12, 16, 20, 24, 30, 36}[i], PPM: ppm})
	}
	glove, _, err = h.Enclosure.Measure(ctx, ines.Actor, glove.ID, glove.Version, enclosure.NewTracer{Exchange: "ring", MeasuredOn: "2026-02-02", Note: "With the logger of the laboratory.",
		Decay: enclosure.Decay{Tracer: enclosure.CarbonDioxide, Readings: readings, BackgroundPPM: enclosure.Measured.Of(420, "logged in the store").Between(410, 430)}.Entered()})
	must(err)

	facts := ClosedGlove(g)
	facts.Label, facts.Kind = "Case with a box", enclosure.Case
	facts.Members[0].Space, facts.Members[1].Space = "box", "case"
	box := facts.Network.Spaces[0]
	box.Name, box.Surfaces = "box", []enclosure.Surface{{Name: "board", AreaM2: enclosure.Assumed.Of(0.2, ""), Emissions: []enclosure.Emission{{Gas: enclosure.AceticAcid}}}}
	facts.Network.Spaces = []enclosure.Space{box, {Name: "case", VolumeM3: enclosure.Measured.Of(0.8, "tape measure"), Surfaces: []enclosure.Surface{{Name: "charcoal cloth", AreaM2: enclosure.Assumed.Of(0.5, ""),
		Covered: true, Passing: enclosure.Assumed.Of(0.5, ""), Uptakes: []enclosure.Uptake{{Gas: enclosure.AceticAcid, VelocityCMS: enclosure.Published.Of(0.01, "order of size")}}}}}}
	facts.Network.Exchanges = []enclosure.Exchange{{Name: "lid", Inner: "box", Outer: "case", Rate: &enclosure.Rate{PerDay: enclosure.Assumed.Of(0.5, "")}},
		{Name: "door", Inner: "case", Outer: "store", Rate: &enclosure.Rate{PerDay: enclosure.Assumed.Of(1, ""), OpeningsPerDay: enclosure.Assumed.Of(0.1, "")}}}
	nested, err := h.Enclosure.Add(ctx, ines.Actor, facts)
	must(err)
	facts.Label = "A bag that was"
	past, err := h.Enclosure.Add(ctx, ines.Actor, facts)
	must(err)
	past, err = h.Enclosure.Close(ctx, ines.Actor, past.ID, past.Version, enclosure.Ended{Reason: "The bag was taken off."})
	must(err)
	at := func(e *enclosure.Enclosure) string { return "/enclosures/" + e.ID.String() }
	return []Sample{
		{Route: "GET /enclosures", Path: "/enclosures", As: ines},
		{Route: "GET /enclosures", Path: "/enclosures?closed=true&q=a", As: reader},
		{Route: "GET /enclosures", Path: "/enclosures?kind=party", As: reader, Status: http.StatusUnprocessableEntity},
		{Route: "GET /enclosures/new", Path: "/enclosures/new?in=1968.14.2.3", As: ines},
		{Route: "GET /enclosures/new-in-full", Path: "/enclosures/new-in-full", As: ines},
		{Route: "GET /enclosures/:id", Path: at(glove), As: ines},
		{Route: "GET /enclosures/:id", Path: at(glove) + "?years=1", As: reader},
		{Route: "GET /enclosures/:id", Path: at(nested), As: ines},
		{Route: "GET /enclosures/:id", Path: at(past), As: ines},
		{Route: "GET /enclosures/:id/edit", Path: at(glove) + "/edit", As: ines},
		{Route: "GET /enclosures/:id/edit", Path: at(nested) + "/edit", As: ines},
		{Route: "GET /enclosures/:id/what-if", Path: at(nested) + "/what-if", As: reader},
		{Route: "GET /enclosures/:id/what-if", Path: at(glove) + "/what-if?path=ring&per_day=5&hours=48", As: ines},
		{Route: "GET /enclosures/:id/what-if", Path: at(glove) + "/what-if?path=ring&per_day=much", As: ines, Status: http.StatusUnprocessableEntity},
		{Route: "GET /enclosures/:id/what-if", Path: at(past) + "/what-if", As: reader, Status: http.StatusConflict},
		{Route: "GET /recommendations/:id", Path: "/recommendations/" + open.ID.String(), As: ines},
		{Route: "GET /recommendations/:id", Path: "/recommendations/" + withdrawn.ID.String(), As: reader},
		{Route: "GET /objects/:number", Path: "/objects/1968.14.2", As: ines},
		{Route: "GET /objects/:number", Path: "/objects/1968.14.2", As: reader},
	}
}
