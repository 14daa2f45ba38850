package serve_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/measurement"
	"farthingale/domain/photo"
)

// BenchmarkObject is an object's sheet: only encoded as JSON, answered as JSON, and answered as the page with
// everything that stands on it. The answers include the reads from the database.
func BenchmarkObject(b *testing.B) {
	h := servetest.New(b)
	g := h.Ground()
	by := g.People[domain.Conservator]
	b.Run("encode", func(b *testing.B) {
		sheet, err := h.Collection.Sheet(b.Context(), g.Object.ID)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportAllocs()
		for b.Loop() {
			text, err := json.Marshal(sheet)
			if err != nil {
				b.Fatal(err)
			}
			b.SetBytes(int64(len(text)))
		}
	})
	b.Run("JSON", func(b *testing.B) { repeat(b, h, byToken(by, "/api/v1/objects/"+g.Object.ID.String()+"/sheet")) })
	b.Run("page", func(b *testing.B) { repeat(b, h, byCookie(h, by, "/objects/"+g.Object.Number)) })
}

// byToken asks as a program does, byCookie as a browser.
func byToken(by servetest.Someone, path string) *http.Request {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Header.Set("Authorization", "Bearer "+by.Token)
	return r
}

func byCookie(h *servetest.House, by servetest.Someone, path string) *http.Request {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	for _, c := range h.Browser(by).Cookies() {
		r.AddCookie(c)
	}
	return r
}

// ask sends a request once and gives the length of its answer.
func ask(b *testing.B, h *servetest.House, r *http.Request) int64 {
	got := httptest.NewRecorder()
	h.Handler.ServeHTTP(got, r.Clone(b.Context()))
	if got.Code != http.StatusOK {
		b.Fatalf("status %d: %s", got.Code, got.Body)
	}
	return int64(got.Body.Len())
}

func repeat(b *testing.B, h *servetest.House, r *http.Request) {
	b.ReportAllocs()
	for b.Loop() {
		b.SetBytes(ask(b, h, r))
	}
}

// BenchmarkComparison is the comparison of two examinations of 500 observations each, a tenth of them changed, with
// twenty spots that were measured at both.
func BenchmarkComparison(b *testing.B) {
	h := servetest.New(b)
	g := h.Ground()
	by := g.People[domain.Conservator]
	area := func(mm2 int64) *examination.Extent {
		plus := decimal.NewFromInt(4)
		return &examination.Extent{Kind: examination.Area, Value: decimal.NewFromInt(mm2), Uncertainty: &plus, Basis: "from marks on a photograph"}
	}
	var found []examination.NewFinding
	terms := []string{"pitting", "stain", "crack", "abrasion", "bloom"}
	parts := g.Parts["1a"]
	for i := range 500 {
		found = append(found, examination.NewFinding{ComponentID: &parts, Finding: examination.Finding{Term: terms[i%len(terms)], Severity: 1 + i%3, Activity: examination.Stable,
			Note: fmt.Sprintf("Field %d, above the edge.", i), Extent: area(int64(100 + i)), Status: examination.New}})
	}
	h.Examine(by.Actor, g.Object.ID, servetest.Look{DaysAgo: 400, Found: found})
	n := 0
	h.Examine(by.Actor, g.Object.ID, servetest.Look{Answer: func(o examination.Observation) examination.Finding {
		d := o.Finding
		d.Status = examination.Confirmed
		if n++; n%10 == 0 {
			d.Status, d.Extent = examination.Changed, area(400)
		}
		return d
	}})
	plus, value := decimal.RequireFromString("0.2"), decimal.RequireFromString("4.9")
	for i := range 20 {
		spot, err := h.Measurement.Name(b.Context(), by.Actor, g.Object.ID, measurement.NewSpot{Name: fmt.Sprintf("spot %d", i), Place: "on the template"})
		if err != nil {
			b.Fatal(err)
		}
		for _, days := range []int{-500, -1} {
			if _, err := h.Measurement.Record(b.Context(), by.Actor, spot.ID, measurement.NewReading{Quantity: measurement.PH, MeasuredOn: h.Now().AddDate(0, 0, days).Format(time.DateOnly),
				Value: &value, PlusMinus: &plus, Method: "surface electrode", Instrument: "meter 1"}); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.Run("JSON", func(b *testing.B) { repeat(b, h, byToken(by, "/api/v1/objects/"+g.Object.ID.String()+"/comparison")) })
	b.Run("page", func(b *testing.B) { repeat(b, h, byCookie(h, by, "/objects/"+g.Object.Number+"/compare")) })
}

// BenchmarkTile asks for the tiles of a photograph of 45 million pixels as a browser does, once its pyramid is made, in
// an order that jumps about; p50 and p99 are of the single answers.
func BenchmarkTile(b *testing.B) {
	const w, h, side = 8256, 5504, 512
	house := servetest.New(b)
	g := house.Ground()
	by := g.People[domain.Conservator]
	m := image.NewGray(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = uint8(i/w/40) + uint8((i*2654435761)>>28&15) // #nosec G115 -- any pattern will do
	}
	var file bytes.Buffer
	if err := jpeg.Encode(&file, m, nil); err != nil {
		b.Fatal(err)
	}
	p, err := house.Photo.Upload(b.Context(), by.Actor, g.Object.ID, photo.Description{View: "front", Light: "normal", Stage: "condition"}, "front.jpg", &file)
	if err != nil {
		b.Fatal(err)
	}
	if err := house.Photo.MakeTiles(b.Context(), p.ID); err != nil {
		b.Fatal(err)
	}
	var took []time.Duration
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		i += 37
		x, y := i%(w/side)*side, i/(w/side)%(h/side)*side
		r := byCookie(house, by, fmt.Sprintf("/iiif/%s/%d,%d,%d,%d/%d,%d/0/default.jpg", p.ID, x, y, side, side, side, side))
		began := time.Now()
		b.SetBytes(ask(b, house, r))
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	for name, at := range map[string]int{"p50-ms": len(took) / 2, "p99-ms": len(took) * 99 / 100} {
		b.ReportMetric(float64(took[at].Microseconds())/1000, name)
	}
}

// BenchmarkUpload takes in a photograph: hashed on its way to the disk, sniffed, kept durable, described in
// the database, its job asked for. The pictures for the pages are made by that job: see domain/photo.
func BenchmarkUpload(b *testing.B) {
	h := servetest.New(b)
	g := h.Ground()
	picture := servetest.JPEG(7)
	b.ReportAllocs()
	b.SetBytes(int64(len(picture)))
	n := 0
	for b.Loop() {
		n++
		// A comment segment makes each its own file without encoding a picture each time.
		own := bytes.Clone(picture[:2])
		own = append(own, 0xFF, 0xFE, 0, 6, byte(n>>24), byte(n>>16), byte(n>>8), byte(n)) // #nosec G115 -- four bytes of a number
		own = append(own, picture[2:]...)
		d := photo.Description{View: "detail", Light: "normal", Stage: "condition"}
		if _, err := h.Photo.Upload(b.Context(), g.People[domain.Conservator].Actor, g.Object.ID, d, "cuff.jpg", bytes.NewReader(own)); err != nil {
			b.Fatal(err)
		}
	}
}
