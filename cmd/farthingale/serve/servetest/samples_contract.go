package servetest

import "farthingale/domain"

// contractSamples: the API in words, for anybody.
func contractSamples(_ *House, cast Cast) []Sample {
	return []Sample{
		{Route: "GET /api/docs", Path: "/api/docs"},
		{Route: "GET /api/docs/:area", Path: "/api/docs/people", As: cast[domain.Conservator]},
	}
}
