package servetest

import (
	"net/http"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/measurement"
)

// Tint is a colour of five readings under the usual conditions.
func Tint(on, l, a, b string) measurement.NewReading {
	d := func(text string) *decimal.Decimal {
		v := decimal.RequireFromString(text)
		return &v
	}
	n := 5
	return measurement.NewReading{Quantity: measurement.Colour, MeasuredOn: on, N: &n, Instrument: "Sphere instrument, number 2", Method: "Template 3, white backing.",
		Colour: &measurement.NewTint{L: d(l), A: d(a), B: d(b), SDL: d("0.10"), SDA: d("0.06"), SDB: d("0.09"), Illuminant: "D65", Observer: "10",
			Geometry: measurement.SpecularIncluded, ApertureMM: d("6")}}
}

// measurementSamples: a spot with a colour that changed, a protected area, a withdrawn reading and a
// spectrum; the same spot's pH; a spot without anything.
func measurementSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	must := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	ines, reader := g.People[domain.Conservator], g.People[domain.Reader]
	glove := g.Parts["3"]
	spot, err := h.Measurement.Name(ctx, ines.Actor, g.Object.ID, measurement.NewSpot{ComponentID: &glove, Name: "Back of the hand", Place: "40 mm from the ring, on the line of the middle finger."})
	must(err)
	empty, err := h.Measurement.Name(ctx, ines.Actor, g.Object.ID, measurement.NewSpot{Name: "The whole, lying", Place: "On the balance of the laboratory."})
	must(err)
	var last *measurement.Reading
	for _, n := range []measurement.NewReading{Tint("2023-02-01", "41.2", "9.8", "-4.1"), Tint("2024-02-01", "41.3", "9.8", "-4.0"), Tint("2026-02-01", "44.9", "8.1", "-0.7")} {
		last, err = h.Measurement.Record(ctx, ines.Actor, spot.ID, n)
		must(err)
	}
	protected := Tint("2026-02-01", "41.2", "9.7", "-4.2")
	protected.Role, protected.Source = measurement.Protected, "Under the wrist strap."
	_, err = h.Measurement.Record(ctx, ines.Actor, spot.ID, protected)
	must(err)
	spectral := Tint("2025-02-01", "0", "0", "0")
	spectral.Colour.L, spectral.Colour.A, spectral.Colour.B, spectral.Colour.Spectrum = nil, nil, nil, make([]float64, 31)
	for i := range spectral.Colour.Spectrum {
		spectral.Colour.Spectrum[i] = 0.04 + 0.003*float64(i)
	}
	wrong, err := h.Measurement.Record(ctx, ines.Actor, spot.ID, spectral)
	must(err)
	wrong, err = h.Measurement.Withdraw(ctx, ines.Actor, wrong.ID, measurement.NewWithdrawal{Reason: "The lamp was cold."})
	must(err)
	for day, value := range map[string]string{"2023-02-01": "5.6", "2026-02-01": "4.6"} {
		v, pm := decimal.RequireFromString(value), decimal.RequireFromString("0.3")
		_, err = h.Measurement.Record(ctx, ines.Actor, spot.ID, measurement.NewReading{Quantity: measurement.PH, MeasuredOn: day, Value: &v, PlusMinus: &pm, Method: "Surface electrode, one drop, 2 minutes.", Instrument: "Meter of the laboratory"})
		must(err)
	}
	at := "/spots/" + spot.ID.String()
	return []Sample{
		{Route: "GET /objects/:number/spots", Path: "/objects/1968.14.2/spots", As: ines},
		{Route: "GET /objects/:number/spots", Path: "/objects/1968.14.2/spots", As: reader},
		{Route: "GET /spots/:id", Path: at, As: ines},
		{Route: "GET /spots/:id", Path: at + "?quantity=ph", As: reader},
		{Route: "GET /spots/:id", Path: at + "?quantity=luck", As: reader, Status: http.StatusUnprocessableEntity},
		{Route: "GET /spots/:id", Path: "/spots/" + empty.ID.String(), As: ines},
		{Route: "GET /spots/:id/measure", Path: at + "/measure?quantity=colour", As: ines},
		{Route: "GET /spots/:id/measure", Path: "/spots/" + empty.ID.String() + "/measure?quantity=mass_g", As: ines},
		{Route: "GET /spots/:id/measure", Path: at + "/measure?quantity=luck", As: ines, Status: http.StatusUnprocessableEntity},
		{Route: "GET /measurements/:id", Path: "/measurements/" + last.ID.String(), As: ines},
		{Route: "GET /measurements/:id", Path: "/measurements/" + wrong.ID.String(), As: reader},
		{Route: "GET /objects/:number", Path: "/objects/1968.14.2", As: reader},
	}
}
