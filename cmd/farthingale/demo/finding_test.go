package demo

import (
	"io"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve"
	"farthingale/domain"
	"farthingale/domain/finding"
	"farthingale/domain/material"
	"farthingale/postgres/pgtest"
)

// loadedHouse is a house with the demonstration in it.
func loadedHouse(t *testing.T) (*serve.House, domain.Actor) {
	t.Helper()
	d := pgtest.New(t)
	site, err := Site()
	if err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	settings := serve.Settings{Site: site, Log: log, BucketURL: "file://" + filepath.ToSlash(t.TempDir())}
	if err := Load(t.Context(), d.Pool, settings, log); err != nil {
		t.Fatal(err)
	}
	h, err := serve.New(t.Context(), d.Pool, settings)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close(t.Context()) })
	var id domain.ID
	if err := d.Pool.QueryRow(t.Context(), `select id from person where sign_in_name = 'ines'`).Scan(&id); err != nil {
		t.Fatal(err)
	}
	return h, domain.Actor{ID: id, Name: "Ines Falkenberg", Roles: []domain.Role{domain.Conservator}, Scopes: []string{"all"}}
}

// TestM1FindingsOfTheDemonstration: what must be found in the demonstration's objects is, and the aired
// twin of the closed glove is silent.
//
// source: Knotkova-Cermakova & Vlckova 1971, Br. Corros. J. 6:17-22 (chlorinated rubber and metals); AIC
// Conservation Wiki, Safe and Harmful Materials for Use in Exhibits (vulcanised rubber and silver, oak and
// lead); CCI Notes 15/3 Cellulose Nitrate (nitrogen oxides)
func TestM1FindingsOfTheDemonstration(t *testing.T) {
	t.Parallel()
	h, ines := loadedHouse(t)
	of := func(number string) *finding.OfObject {
		t.Helper()
		w, err := h.Collection.ShowNumber(t.Context(), ines, number)
		if err != nil {
			t.Fatal(err)
		}
		all, err := h.Finding.Of(t.Context(), ines, w.Object.ID)
		if err != nil {
			t.Fatal(err)
		}
		if !all.UpToDate {
			t.Errorf("%s is not up to date", number)
		}
		return all
	}
	for _, c := range []struct {
		what, number, species, emitter, receptor string
		path                                     string
		least                                    int
	}{
		{"chloride of the closed glove on its ring", "1984.3.1", "hcl", ".4 glove", ".1c cuff ring", "air", 3},
		{"sulphur of the counter-lung and the silver plate", "1971.8.1", "sulfur", ".1 counter-lung", ".1a relief valve", "contact", 2},
		{"nitrogen oxides that the lens keeps", "1968.14.7", "no2", ".2 lens", ".2 lens", "self", 2},
		{"acids of the oak box and the lead", "1975.1.9", "acetic-acid", ".2 box", ".1 lead", "air", 2},
	} {
		if !slices.ContainsFunc(of(c.number).Findings, func(f finding.Finding) bool {
			return f.Species == c.species && f.Emitter.Part == c.emitter && f.Receptor != nil && f.Receptor.Part == c.receptor && string(f.Path) == c.path && int(f.Severity) >= c.least
		}) {
			t.Errorf("%s is not found in %s", c.what, c.number)
		}
	}
	escape := of("1979.22.1")
	for what, is := range map[string]func(f finding.Finding) bool{
		"polyurethane foam": func(f finding.Finding) bool {
			return f.Emitter.MaterialKey == "polyurethane-ester-foam" && f.Path == material.BySelf
		},
		"unidentified boot": func(f finding.Finding) bool { return f.Rule == material.IdentifyFirst && f.Emitter.Part == ".2c boot" },
		"bronze zip and latex": func(f finding.Finding) bool {
			return f.Species == "h2s" && f.Receptor != nil && f.Receptor.Part == ".2a zip"
		},
	} {
		if !slices.ContainsFunc(escape.Findings, is) {
			t.Errorf("%s of the escape suit is not found", what)
		}
	}
	if all := of("1968.14.7"); !slices.ContainsFunc(all.Findings, func(f finding.Finding) bool {
		return f.Species == "no2" && f.Path == material.BySelf && strings.HasPrefix(f.Where, "Closed box of the diving mask")
	}) {
		t.Error("the lens in its closed box is not found")
	}
	for _, f := range of("2003.7.1").Findings {
		if f.Path != material.ByContact && f.Severity > material.Watch {
			t.Errorf("the suit with its zip open: %s", f.Says)
		}
	}
	if all := of("1984.3.2"); len(all.Findings)+len(all.Notes) > 0 || all.ComputedAt == nil {
		t.Errorf("the aired twin is not silent: %+v", all)
	}
	for key, may := range map[string]bool{"museum-board": true, "polyester-wadding": false, "plywood": false} { // M4
		if suits, err := h.Material.Suit(t.Context(), ines, key, material.PlanQuery{Use: material.InClosedCase}); err != nil || suits.MayBe != may {
			t.Errorf("%s: %+v %v", key, suits, err)
		}
	}
	accepted, err := h.Finding.List(t.Context(), ines, finding.Filter{State: "accepted"}, domain.PageQuery{})
	if err != nil || len(accepted.Items) == 0 {
		t.Errorf("no finding is accepted: %v", err)
	}
}
