package drive_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/cmd/loadtest/drive"
	"farthingale/cmd/loadtest/seed"
	"farthingale/domain"
	"farthingale/postgres"
)

// TestActs does every act on an invented collection: each is answered as it should be, so that what a
// load test counts as an error is one.
func TestActs(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	site := domain.DefaultSite()
	err := seed.Fill(t.Context(), seed.Database{OwnerURL: h.Database.OwnerURL, Files: postgres.NewFiles(h.DB, h.Bucket), Head: h.Record.Head},
		seed.Options{Objects: 220, Seed: 5, Until: time.Date(2026, 9, 30, 0, 0, 0, 0, time.UTC), Site: site, Password: servetest.Password, Pictures: 8})
	if err != nil {
		t.Fatal(err)
	}
	house, err := drive.NewHouse(h.Server.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(house.Close)
	world, err := drive.EachOnce(t.Context(), house, h.Database.Pool, servetest.Password)
	if err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	house.Record.Print(&said)
	if house.Record.Failed() > 0 || house.Record.Sent() < len(drive.Reads())+len(drive.Writes()) {
		t.Errorf("%d of %d requests failed:\n%s", house.Record.Failed(), house.Record.Sent(), said.String())
	}
	for _, endpoint := range []string{"create an object", "change an object", "add a component", "log a handling", "move an object", "log a step", "submit a treatment", "upload a photograph"} {
		if !strings.Contains(said.String(), endpoint) {
			t.Errorf("nobody did %q", endpoint)
		}
	}
	for _, w := range drive.Weigh(t.Context(), world, 1) {
		if w.Plain == 0 || w.Plain > 60_000 {
			t.Errorf("%s weighs %d bytes; the goal is 60 kB", w.What, w.Plain)
		}
	}

	drive.Open(t.Context(), world, drive.Profile{Reads: drive.Reads()}, 50, 400*time.Millisecond, 1)
	drive.Closed(t.Context(), world, drive.Profile{Reads: drive.Reads()}, 2, 200*time.Millisecond, 1)
	if house.Record.Failed() > 0 {
		t.Errorf("%d requests of the loops failed", house.Record.Failed())
	}
}

// TestLoopbackOnly: load goes nowhere else.
func TestLoopbackOnly(t *testing.T) {
	t.Parallel()
	for address, may := range map[string]bool{
		"http://127.0.0.1:8080": true, "http://[::1]:8080": true, "http://127.9.9.9": true,
		"http://192.168.1.4:8080": false, "http://museum.example": false, "https://127.0.0.1": false, "http://localhost:8080": false, "": false, "http://127.0.0.1.example": false,
	} {
		if _, err := drive.NewHouse(address); (err == nil) != may {
			t.Errorf("%q: %v", address, err)
		}
	}
}
