package servetest

import "farthingale/domain"

// contractSamples: the API in words, for anybody.
func contractSamples(_ *House, g *Ground) []Sample {
	return []Sample{
		{Route: "GET /api/docs", Path: "/api/docs"},
		{Route: "GET /api/docs/:area", Path: "/api/docs/people", As: g.People[domain.Conservator]},
	}
}
