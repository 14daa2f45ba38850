package servetest

import (
	"farthingale/domain"
	"farthingale/domain/people"
)

// peopleSamples: the door, accounts of others open and closed, one's own with tokens, the record.
func peopleSamples(h *House, g *Ground) []Sample {
	steward, ines, reader := g.People[domain.Steward], g.People[domain.Conservator], g.People[domain.Reader]
	left := h.PersonOf("Piet Lindqvist", []string{"Diving", "Sea survival"}, domain.Curator)
	if _, err := h.People.Close(h.t.Context(), steward.Actor, left.ID, 1); err != nil {
		h.t.Fatal(err)
	}
	if _, err := h.People.AddToken(h.t.Context(), ines.Actor, people.NewToken{Name: "scales", Scopes: []string{"read", "handling"}, Days: 30}); err != nil {
		h.t.Fatal(err)
	}
	if _, err := h.People.Begin(h.t.Context(), ines.ID, "Mozilla/5.0 (iPad; CPU OS 18_5 like Mac OS X) Version/18.5 Mobile/15E148 Safari/604.1"); err != nil {
		h.t.Fatal(err)
	}
	ada := h.WithFactor(g.People[domain.Technician])
	if _, err := h.People.BeginFactor(h.t.Context(), reader.Actor, people.BeginFactor{Password: Password}); err != nil {
		h.t.Fatal(err)
	}
	return []Sample{
		{Route: "GET /sign-in/code", Path: "/sign-in/code?to=/people"},
		{Route: "GET /account/second-factor", Path: "/account/second-factor", As: ines},
		{Route: "GET /account/second-factor", Path: "/account/second-factor", As: reader},
		{Route: "GET /account/second-factor", Path: "/account/second-factor", As: ada},
		{Route: "GET /people/:id", Path: "/people/" + ada.ID.String(), As: steward},
		{Route: "GET /sign-in", Path: "/sign-in?to=/people"},
		{Route: "GET /first", Path: "/first"},
		{Route: "GET /account", Path: "/account", As: ines},
		{Route: "GET /account", Path: "/account", As: reader},
		{Route: "GET /people", Path: "/people", As: reader},
		{Route: "GET /people", Path: "/people?closed=true", As: steward},
		{Route: "GET /people/:id", Path: "/people/" + ines.ID.String(), As: steward},
		{Route: "GET /people/:id", Path: "/people/" + left.ID.String(), As: steward},
		{Route: "GET /people/:id", Path: "/people/" + ines.ID.String(), As: reader},
		{Route: "GET /record", Path: "/record", As: ines},
		{Route: "GET /problems/:code", Path: "/problems/P2"},
		{Route: "GET /problems/:code", Path: "/problems/number_taken", As: ines},
	}
}
