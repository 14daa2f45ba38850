package material_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/material"
)

func library(t *testing.T) []material.Material {
	t.Helper()
	l, err := material.Library()
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func cautions(t *testing.T) map[string]material.Caution {
	t.Helper()
	list, err := material.Cautions()
	if err != nil {
		t.Fatal(err)
	}
	byID := map[string]material.Caution{}
	for _, c := range list {
		if _, twice := byID[c.ID]; twice {
			t.Errorf("caution %s stands twice", c.ID)
		}
		byID[c.ID] = c
	}
	return byID
}

// workMarks are signs of unfinished editing that must not reach a reader.
var workMarks = regexp.MustCompile(`\[|\]|\?\?|  |section [0-9]|\bpack\b|\.\.`)

func clean(t *testing.T, of string, texts ...string) {
	t.Helper()
	for _, s := range texts {
		if !domain.CleanText(s) || s != strings.TrimSpace(s) || workMarks.MatchString(s) {
			t.Errorf("%s: %q is not clean", of, s)
		}
	}
}

func TestLibrary(t *testing.T) {
	known := cautions(t)
	keys, names := map[string]bool{}, map[string]string{}
	families := map[string]int{}
	categories := map[material.Category]int{}
	for _, m := range library(t) {
		if keys[m.Key] {
			t.Errorf("%s stands twice", m.Key)
		}
		if other := names[strings.ToLower(m.Name)]; other != "" {
			t.Errorf("%s and %s have one name", m.Key, other)
		}
		if m.Name == "" || m.Family == "" || m.Source == "" || m.HazardIDs == nil {
			t.Errorf("%s is not whole: %+v", m.Key, m)
		}
		for _, h := range m.HazardIDs {
			if _, ok := known[h]; !ok {
				t.Errorf("%s: hazard %s has no caution", m.Key, h)
			}
		}
		if len(m.HazardIDs) > 0 && m.Health == "" {
			t.Errorf("%s proposes a hazard and says nothing of it", m.Key)
		}
		clean(t, m.Key, m.Name, m.Source, m.Health)
		if m.Health != "" && !strings.HasSuffix(m.Health, ".") {
			t.Errorf("%s: %q is no sentence", m.Key, m.Health)
		}
		keys[m.Key], names[strings.ToLower(m.Name)] = true, m.Key
		families[m.Family]++
		categories[m.Category]++
	}
	if len(keys) != 123 {
		t.Errorf("%d materials; the list was compiled with 123", len(keys))
	}
	for _, c := range material.Categories {
		if categories[c] == 0 {
			t.Errorf("no material of category %s", c)
		}
	}
}

// What the demonstration museum and any diving or survival collection need is there.
func TestLibraryKnowsTheTrade(t *testing.T) {
	byKey := map[string]material.Material{}
	for _, m := range library(t) {
		byKey[m.Key] = m
	}
	for key, hazard := range map[string]string{
		"rubberised-cloth": "", "copper": "", "brass": "", "leather-vegetable": "", "lead": "lead", "polychloroprene-foam": "acid-vapour",
		"nylon-fibre": "", "anodised-aluminium": "", "polyurethane-ester-foam": "acid-vapour", "bronze": "", "silver-plate": "", "nickel-plate": "",
		"soda-lime-absorbent": "soda-lime", "kapok": "pesticide", "pvc-coated-textile": "acid-vapour", "cellulose-nitrate": "cellulose-nitrate",
		"luminous-radium": "radium", "natural-rubber-latex": "latex", "cork": "", "phenolic-plastic": "asbestos", "asbestos-textile": "asbestos",
		"rubber-unspecified": "", "plastic-unspecified": "cellulose-nitrate", "foam-unspecified": "",
	} {
		m, ok := byKey[key]
		if !ok || hazard != "" && !slices.Contains(m.HazardIDs, hazard) {
			t.Errorf("%s with hazard %q is missing: %+v", key, hazard, m)
		}
	}
}

// source: Art & Architecture Thesaurus (J. Paul Getty Trust) identifiers as quoted in the alignment
// files of Linked Conservation Data and in the Linked Art 1.0 documentation.
func TestThesaurusIdentifiers(t *testing.T) {
	want := map[string]string{
		"copper": "300011020", "bronze": "300010957", "brass": "300010946", "silver": "300011029",
		"leather-vegetable": "300011845", "natural-rubber-latex": "300013021", "cotton": "300014067", "felt-wool": "300014107",
	}
	for _, m := range library(t) {
		if id, listed := want[m.Key]; listed && m.AAT != id {
			t.Errorf("%s: %s, want %s", m.Key, m.AAT, id)
		}
	}
}

func TestCautions(t *testing.T) {
	byID := cautions(t)
	for id, c := range byID {
		clean(t, id, c.Hazard, c.FoundIn, c.OtherWhen, c.Caution, c.Call, c.Source)
		if !strings.HasSuffix(c.Caution, ".") || strings.HasSuffix(c.Call, ".") {
			t.Errorf("%s: %q, call %q", id, c.Caution, c.Call)
		}
		if !strings.HasSuffix(c.Text(), material.CautionClosing) || !strings.Contains(c.Text(), c.Call) {
			t.Errorf("%s: text %q", id, c.Text())
		}
		if c.Class == material.Stop && c.Call == "" {
			t.Errorf("%s stops the work and names nobody to call", id)
		}
	}
	// common practice: what must stop planned handling until somebody competent has looked at it
	for _, id := range []string{"asbestos", "radium", "mercury", "soda-lime", "chemical-oxygen", "compressed-gas", "energetic"} {
		if byID[id].Class != material.Stop {
			t.Errorf("%s is class %q, want stop", id, byID[id].Class)
		}
	}
	for _, id := range []string{"cellulose-nitrate", "batteries"} {
		if byID[id].Class != material.Control || byID[id].OtherClass != material.Stop {
			t.Errorf("%s: %+v", id, byID[id])
		}
	}
	if len(byID) != 23 {
		t.Errorf("%d cautions, want 23", len(byID))
	}
}
