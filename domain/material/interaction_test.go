package material_test

import (
	"slices"
	"testing"

	"farthingale/domain/material"
)

// TestBehaviours: every material of the library has one, and the statements that others rest on are
// what their sources say.
func TestBehaviours(t *testing.T) {
	all, err := material.Behaviours()
	if err != nil {
		t.Fatal(err)
	}
	if n := len(library(t)); len(all) != n {
		t.Errorf("%d behaviours for %d materials", len(all), n)
	}
	for _, c := range []struct {
		key, species string
		weak         bool
	}{
		// source: AIC Conservation Wiki, Safe and Harmful Materials for Use in Exhibits
		{"natural-rubber-vulcanised", "h2s", false},
		// source: Knotkova-Cermakova & Vlckova 1971, Br. Corros. J. 6:17-22 (abstract)
		{"polychloroprene", "hcl", false},
		// source: Rijavec 2020, Acta Chim. Slov. (abstract): none shown at room conditions
		{"pvc-plasticised", "hcl", true},
		{"cellulose-acetate", "acetic-acid", false}, // common practice
	} {
		b := all[c.key]
		if !slices.Contains(b.Emits, c.species) || slices.Contains(b.WeakEmits, c.species) != c.weak {
			t.Errorf("%s gives off %q, in traces %q", c.key, b.Emits, b.WeakEmits)
		}
	}
	// source: Canadian Conservation Institute, Notes 9/2 (stable mixed metals: move out above 55 %)
	for _, key := range []string{"brass", "steel-carbon", "lead"} {
		if rh := all[key].RHPct; rh.Greatest == nil || *rh.Greatest > 55 {
			t.Errorf("%s is kept at %v", key, rh.Greatest)
		}
	}
	for key, b := range all {
		for _, species := range []string{"hcl", "h2s", "so2", "acetic-acid", "formic-acid", "no2"} {
			if b.CaseUse == material.Inert && slices.Contains(b.Emits, species) {
				t.Errorf("%s counts as inert and gives off %s", key, species)
			}
		}
		clean(t, key, b.Signs)
	}
}

// TestInteractions: each rule can happen, and names what is in the library.
func TestInteractions(t *testing.T) {
	rules, err := material.Interactions()
	if err != nil {
		t.Fatal(err)
	}
	all, err := material.Behaviours()
	if err != nil {
		t.Fatal(err)
	}
	given := map[string]bool{}
	for _, b := range all {
		for _, s := range b.Emits {
			given[s] = true
		}
	}
	for _, r := range rules {
		if !r.Emitter.Named() && !given[r.Species] {
			t.Errorf("%s: nothing gives off %s", r.ID, r.Species)
		}
		if material.SpeciesName(r.Species) == "" || r.Severity.Words() == "" {
			t.Errorf("%s: %q has no words", r.ID, r.Species)
		}
		clean(t, r.ID, r.Effect, r.WorseWhen, r.Helps, r.Remark, r.Source)
	}
}
