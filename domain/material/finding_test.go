package material_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/material"
)

// makers gives a part of library materials, each "key" or "key?" when the identification is possible.
func makers(t testing.TB) (part func(label string, keys ...string) material.Part, rules []material.Interaction) {
	t.Helper()
	materials, err := material.Library()
	if err != nil {
		t.Fatal(err)
	}
	behaviours, err := material.Behaviours()
	if err != nil {
		t.Fatal(err)
	}
	if rules, err = material.Interactions(); err != nil {
		t.Fatal(err)
	}
	return func(label string, keys ...string) material.Part {
		p := material.Part{ID: domain.NewID(), Label: label}
		for _, key := range keys {
			sure := "certain"
			if strings.HasSuffix(key, "?") {
				key, sure = strings.TrimSuffix(key, "?"), "possible"
			}
			i := slices.IndexFunc(materials, func(m material.Material) bool { return m.Key == key })
			if i < 0 {
				t.Fatalf("there is no material %q", key)
			}
			b := behaviours[key]
			p.Materials = append(p.Materials, material.PartMaterial{ID: domain.NewID(), Key: key, Name: materials[i].Name, Family: materials[i].Family, Emits: b.Emits, WeakEmits: b.WeakEmits, Confidence: sure})
		}
		return p
	}, rules
}

func number(x float64) *float64 { return &x }

// touch is contact of parts that lie on one another.
func touch(a, b material.Part) material.Contact {
	return material.Contact{A: a.ID, B: b.ID, Words: "touching"}
}

// shared is one space of all parts.
func shared(perDay, rh *float64, parts ...material.Part) material.MakeUp {
	m := material.MakeUp{Parts: parts, RHPct: rh}
	s := material.Space{Name: "the case", ExchangePerDay: perDay, RHPct: rh}
	for _, p := range parts {
		s.Parts = append(s.Parts, p.ID)
	}
	m.Spaces = []material.Space{s}
	return m
}

// short is a finding as the tables below write it.
func short(f material.Finding) string {
	to := f.Receptor.Part
	if f.Receptor.PartID == (domain.ID{}) {
		to = "people"
	}
	return fmt.Sprintf("%s %s>%s %s %d", f.Species, f.Emitter.Part, to, f.Path, f.Severity)
}

// TestM1Raise: worked make-ups. Receptors, species and the way by which they meet are published; the
// severities and their steps are common practice.
//
// source: AIC Conservation Wiki, Safe and Harmful Materials for Use in Exhibits (rubber, leather and
// metals); Knotkova-Cermakova & Vlckova 1971, Br. Corros. J. 6:17-22 (chlorinated rubber and metals);
// Tetreault et al. 1998, Stud. Conserv. (lead and acetic acid, from memory); Shashoua 2014 (PVC in
// polyethylene)
func TestM1Raise(t *testing.T) {
	t.Parallel()
	part, rules := makers(t)
	glove, ring, cuff := part("glove", "natural-rubber-latex"), part("ring", "brass"), part("cuff", "cotton")
	goggles, buckle, seal := part("goggles", "cellulose-acetate"), part("buckle", "zinc-alloy"), part("seal", "lead")
	strap := part("strap", "elastic-webbing")
	hose, copper, bag := part("hose", "pvc-plasticised"), part("copper", "copper"), part("bag", "polyethylene")
	anodised, screw, salt := part("ring", "anodised-aluminium"), part("screw", "brass"), part("salt", "sea-salt")
	for name, c := range map[string]struct {
		makeUp   material.MakeUp
		contacts []material.Contact
		raised   []string
		absent   []string // species that raise nothing
	}{
		"latex glove on a brass ring, closed, 50 %": {
			makeUp: shared(number(0.02), number(50), glove, ring, cuff), contacts: []material.Contact{touch(glove, ring), touch(glove, cuff)},
			raised: []string{"copper-ions ring>glove contact 3", "h2s glove>ring air 2", "h2s glove>ring contact 2", "sulfur glove>ring contact 2"},
			absent: []string{"hcl", "acetic-acid", "formic-acid", "organic-acids", "plasticiser", "amine"},
		},
		"acetate goggles with lead and zinc, closed": {
			makeUp: shared(number(0.5), number(50), goggles, buckle, seal, strap), contacts: []material.Contact{touch(buckle, strap)},
			raised: []string{"acetic-acid goggles>goggles self 3", "acetic-acid goggles>seal air 3", "acetic-acid goggles>buckle air 2", "h2s strap>seal air 1"},
			absent: []string{"no2", "hcl"},
		},
		"the same, ventilated": {
			makeUp: shared(number(30), number(50), goggles, buckle, seal, strap), contacts: []material.Contact{touch(buckle, strap)},
			raised: []string{"acetic-acid goggles>goggles self 1", "acetic-acid goggles>seal air 1"},
			absent: []string{"h2s", "no2", "hcl"},
		},
		"PVC hose and copper in a polyethylene bag": {
			makeUp: shared(number(0.1), number(40), hose, copper, bag), contacts: []material.Contact{touch(hose, copper), touch(hose, bag)},
			raised: []string{"plasticiser hose>bag contact 2", "hcl hose>copper air 1", "hcl hose>copper contact 1", "hcl hose>hose self 1"},
			absent: []string{"h2s", "acetic-acid"},
		},
		"inert things in a closed case": {
			makeUp: shared(number(0.3), number(45), part("net", "polyester-fibre"), part("pin", "stainless-steel"), part("foam", "polyethylene-foam"), part("sheet", "acrylic-sheet"), part("glass", "glass-borosilicate")),
		},
		"salt and brass on anodised aluminium": {
			makeUp: shared(nil, number(60), anodised, screw, salt), contacts: []material.Contact{touch(anodised, screw), touch(anodised, salt), touch(screw, salt)},
			raised: []string{"chloride salt>ring contact 3", "chloride salt>screw contact 3", "copper-ions screw>ring contact 3", "galvanic screw>ring contact 3"},
			absent: []string{"hcl"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c.makeUp.Contacts = c.contacts
			var got []string
			species := map[string]bool{}
			for _, f := range material.Raise(&c.makeUp, rules) {
				got = append(got, short(f))
				species[f.Species] = true
				if f.Effect == "" || f.Source == "" || len(f.Steps) == 0 || !strings.HasSuffix(strings.TrimSuffix(f.Says(), " This rests on an identification that is not sure."), ".") {
					t.Errorf("not whole: %+v", f)
				}
			}
			slices.Sort(got)
			slices.Sort(c.raised)
			if !slices.Equal(got, c.raised) {
				t.Errorf("raised %q, want %q", got, c.raised)
			}
			for _, never := range c.absent {
				if species[never] {
					t.Errorf("%s is raised", never)
				}
			}
		})
	}
}

// TestM1Steps: traces count one less unless the decay is active; below the humidity of the rule one
// less; the gravest stands first.
func TestM1Steps(t *testing.T) {
	t.Parallel()
	part, rules := makers(t)
	hose, copper := part("hose", "pvc-plasticised"), part("copper", "copper")
	m := shared(number(0.1), number(60), hose, copper)
	severity := func() map[string]material.Severity {
		all := map[string]material.Severity{}
		last := material.ActNow
		for _, f := range material.Raise(&m, rules) {
			if f.Severity > last {
				t.Errorf("%s stands after one of %d", short(f), last)
			}
			last = f.Severity
			all[strings.Join([]string{f.Species, string(f.Path), f.Receptor.Part}, " ")] = f.Severity
		}
		return all
	}
	if got := severity()["hcl air copper"]; got != 2 { // 3, traces -1
		t.Errorf("traces at 60 %%: %d", got)
	}
	m.Parts[0].Materials[0].Active = true
	if got := severity()["hcl air copper"]; got != 3 {
		t.Errorf("active decay at 60 %%: %d", got)
	}
	m.Spaces[0].RHPct = number(40) // the rule needs 42 %
	if got := severity()["hcl air copper"]; got != 2 {
		t.Errorf("active decay at 40 %%: %d", got)
	}
	m.Spaces[0].RHPct = nil // not known is not dry
	if got := severity()["hcl air copper"]; got != 3 {
		t.Errorf("humidity not known: %d", got)
	}
}

// TestM2Unidentified: what nobody identified is a finding in closed air and in air that nobody knows,
// and none in the open; what follows from a possible identification says so.
func TestM2Unidentified(t *testing.T) {
	t.Parallel()
	part, rules := makers(t)
	unknown := part("lining")
	unknown.Materials = []material.PartMaterial{{ID: domain.NewID(), Name: "unidentified"}}
	for exchange, want := range map[*float64]int{nil: 1, number(0.3): 1, number(24): 1, number(25): 0} {
		m := shared(exchange, nil, unknown, part("ring", "stainless-steel"))
		found := material.Raise(&m, rules)
		if len(found) != want || want == 1 && (found[0].Rule != material.IdentifyFirst || !strings.Contains(found[0].Says(), "identify it first")) {
			t.Errorf("exchange %v: %+v", exchange, found)
		}
	}
	m := shared(number(0.1), nil, part("goggles", "cellulose-acetate?"), part("seal", "lead"))
	for _, f := range material.Raise(&m, rules) {
		if !f.Depends || !strings.Contains(f.Says(), "an identification that is not sure") {
			t.Errorf("%s does not say that it depends", short(f))
		}
	}
}

// TestM1MoreAirIsNeverWorse: over all pairs of library materials, no finding grows when the air of
// their space changes more often or is drier, and none depends on the order of the parts.
func TestM1MoreAirIsNeverWorse(t *testing.T) {
	t.Parallel()
	part, rules := makers(t)
	materials, err := material.Library()
	if err != nil {
		t.Fatal(err)
	}
	sum := func(exchange, rh *float64, a, b material.Part) (n int) {
		m := shared(exchange, rh, a, b)
		m.Contacts = []material.Contact{touch(a, b)}
		for _, f := range material.Raise(&m, rules) {
			n += int(f.Severity)
		}
		return n
	}
	raised := 0
	for i, x := range materials {
		for _, y := range materials[i+1:] {
			a, b := part("a", x.Key), part("b", y.Key)
			closed := sum(nil, nil, a, b)
			raised += closed
			if open := sum(number(100), nil, a, b); open > closed {
				t.Errorf("%s with %s: %d in the open, %d closed", x.Key, y.Key, open, closed)
			}
			if dry := sum(nil, number(20), a, b); dry > closed {
				t.Errorf("%s with %s: %d when dry, %d else", x.Key, y.Key, dry, closed)
			}
			if turned := sum(nil, nil, b, a); turned != closed {
				t.Errorf("%s with %s: %d, turned %d", x.Key, y.Key, closed, turned)
			}
		}
	}
	if raised == 0 {
		t.Error("nothing is raised at all")
	}
}

// BenchmarkRaise: the findings of an object of 40 parts, each of three materials.
func BenchmarkRaise(b *testing.B) {
	part, rules := makers(b)
	materials, err := material.Library()
	if err != nil {
		b.Fatal(err)
	}
	var parts []material.Part
	for i := range 40 {
		parts = append(parts, part(fmt.Sprint(i), materials[i*3].Key, materials[i*3+1].Key, materials[i*3+2].Key))
	}
	m := shared(number(0.1), number(50), parts...)
	for i := range parts[1:] {
		m.Contacts = append(m.Contacts, touch(parts[i], parts[i+1]))
	}
	for b.Loop() {
		material.Raise(&m, rules)
	}
}
