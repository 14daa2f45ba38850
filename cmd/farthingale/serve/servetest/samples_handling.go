package servetest

import (
	"net/http"
	"time"

	"farthingale/domain"
	"farthingale/domain/handling"
)

// handlingSamples: an object with a quiet handling, one that raised a stop, a stop released with its
// limits, an assessment, and a stop in force, for who may do everything and for who only looks.
func handlingSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	must := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	ines, hugo, maud, rosa, reader := g.People[domain.Conservator], g.People[domain.MountMaker], g.People[domain.Curator], g.People[domain.Registrar], g.People[domain.Reader]
	begun := h.Now().AddDate(0, -3, 0)
	_, _, err := h.Handling.Log(ctx, ines.Actor, g.Object.ID, handling.Log{StartedAt: &begun, Minutes: 20, Purpose: "photography", From: "in_box", To: "lying_face_up", Gloves: "nitrile",
		Support: []string{"board"}, Flexes: []handling.Flex{{Joint: "elbow", Side: "left", Movement: "flexion", Degrees: 15}}, Controls: "kept"})
	must(err)
	noisy, stop, err := h.Handling.Log(ctx, hugo.Actor, g.Object.ID, handling.Log{Minutes: 5, Purpose: "mounting", ComponentIDs: []domain.ID{g.Parts["1a"]}, Noticed: []string{"noise", "resistance"},
		Note: "A crack when the sleeve was lifted.", Controls: "kept"})
	must(err)
	_, err = h.Handling.Amend(ctx, hugo.Actor, noisy.ID, handling.NewAddendum{Text: "It came from the ring, not from the sleeve."})
	must(err)
	_, err = h.Handling.Annotate(ctx, maud.Actor, stop.ID, handling.NewNote{Text: "Seen with the mount maker."})
	must(err)
	_, err = h.Handling.Release(ctx, ines.Actor, stop.ID, handling.NewRelease{Reason: "Looked at under the lamp.", Found: "An old crack in the rubber, no longer.", Limits: "No bending of the left sleeve."})
	must(err)
	standing, err := h.Handling.RaiseStop(ctx, hugo.Actor, g.Object.ID, handling.NewStop{Note: "White powder on the helmet.", ComponentIDs: []domain.ID{g.Parts["2"]}})
	must(err)
	_, err = h.Handling.Assess(ctx, rosa.Actor, g.Object.ID, handling.NewAssessment{Kind: "latex", AssessorName: "O. Strand", Competence: "occupational hygienist", AssessedOn: h.Now().Add(-time.Hour),
		MayBeHandled: true, Found: "Crumbs, no dust in the air.", Controls: "nitrile gloves"})
	must(err)
	object, stopped := "/objects/1968.14.2", "/stops/"+standing.ID.String()
	return []Sample{
		{Route: "GET /objects/:number/handle", Path: object + "/handle", As: ines},
		{Route: "GET /objects/:number/handle", Path: object + "/handle?part=" + g.Parts["1a"].String(), As: g.People[domain.Technician]},
		{Route: "GET /objects/:number/handlings", Path: object + "/handlings", As: reader},
		{Route: "GET /objects/:number/handlings", Path: object + "/handlings?from=2020-01-01&until=2020-12-31", As: ines},
		{Route: "GET /handlings", Path: "/handlings", As: reader},
		{Route: "GET /handlings", Path: "/handlings?from=tomorrow", As: reader, Status: http.StatusUnprocessableEntity},
		{Route: "GET /handlings/:id", Path: "/handlings/" + noisy.ID.String(), As: hugo},
		{Route: "GET /handlings/:id", Path: "/handlings/" + noisy.ID.String(), As: reader},
		{Route: "GET /stops", Path: "/stops", As: reader},
		{Route: "GET /stops", Path: "/stops?state=released", As: ines},
		{Route: "GET /stops/:id", Path: stopped, As: ines},
		{Route: "GET /stops/:id", Path: stopped, As: maud},
		{Route: "GET /stops/:id", Path: "/stops/" + stop.ID.String(), As: reader},
		{Route: "GET /stops/:id/set-down", Path: stopped + "/set-down", As: hugo},
		{Route: "GET /objects/:number/stop", Path: object + "/stop", As: g.People[domain.Technician]},
		{Route: "GET /objects/:number/assessment", Path: object + "/assessment", As: rosa},
		{Route: "GET /objects/:number", Path: object, As: hugo},
		{Route: "GET /objects/:number", Path: object, As: reader},
	}
}
