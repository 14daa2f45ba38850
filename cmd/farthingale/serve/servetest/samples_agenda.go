package servetest

import (
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// agendaSamples: a day with notices, one of them read, and a day with nothing.
func agendaSamples(h *House, g *Ground) []Sample {
	rosa := g.People[domain.Registrar]
	for _, text := range []string{
		"Ines Falkenberg recorded a departure from the approved scope on 1968.14.2: the left cuff was eased with warm water before the amendment was decided.",
		"An emergency stabilisation of 1968.14.2 waits for ratification until 13 February 2026.",
	} {
		n := agenda.Notice{At: h.Now().Add(-time.Hour), People: []domain.ID{rosa.ID}, Area: "treatment", Subject: domain.NewID(), Text: text}
		if err := h.Agenda.Notify(h.t.Context(), n); err != nil {
			h.t.Fatal(err)
		}
	}
	mine, err := h.Agenda.Mine(h.t.Context(), rosa.Actor, true, domain.PageQuery{Limit: 1})
	if err != nil {
		h.t.Fatal(err)
	}
	if _, err := h.Agenda.Read(h.t.Context(), rosa.Actor, mine.Items[0].ID); err != nil {
		h.t.Fatal(err)
	}
	return []Sample{
		{Route: "GET /", Path: "/", As: rosa},
		{Route: "GET /", Path: "/", As: g.People[domain.Steward]},
		{Route: "GET /today/:kind", Path: "/today/stops_in_force", As: g.People[domain.Conservator]},
		{Route: "GET /today/:kind", Path: "/today/drafts", As: g.People[domain.Reader]},
		{Route: "GET /notices", Path: "/notices", As: rosa},
		{Route: "GET /notices", Path: "/notices", As: g.People[domain.Reader]},
	}
}
