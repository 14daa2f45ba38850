package serve_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
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
	get := func(b *testing.B, r *http.Request) {
		b.ReportAllocs()
		for b.Loop() {
			got := httptest.NewRecorder()
			h.House.Handler.ServeHTTP(got, r.Clone(b.Context()))
			if got.Code != http.StatusOK {
				b.Fatalf("status %d: %s", got.Code, got.Body)
			}
			b.SetBytes(int64(got.Body.Len()))
		}
	}
	b.Run("JSON", func(b *testing.B) {
		r := httptest.NewRequest(http.MethodGet, "/api/v1/objects/"+g.Object.ID.String()+"/sheet", nil)
		r.Header.Set("Authorization", "Bearer "+by.Token)
		get(b, r)
	})
	b.Run("page", func(b *testing.B) {
		r := httptest.NewRequest(http.MethodGet, "/objects/"+g.Object.Number, nil)
		for _, c := range h.Browser(by).Cookies() {
			r.AddCookie(c)
		}
		get(b, r)
	})
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
