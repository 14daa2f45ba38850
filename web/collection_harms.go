package web

import (
	"slices"
	"strings"

	"farthingale/domain"
	"farthingale/domain/finding"
	"farthingale/domain/material"
)

// harmsNamed is how many parts that suffer are named beside the drawing of a make-up.
const harmsNamed = 4

// drawnHarms are the findings of an object that nobody accepted, put together by the part that does harm, in the
// order of the gravest of each. What comes from the parts of another object has no place in the drawing.
func drawnHarms(all []finding.Finding) []drawnHarm {
	var harms []drawnHarm
	at := map[domain.ID]int{}
	said := map[domain.ID]*harmWords{}
	for i := range all {
		f := &all[i]
		if f.Accepted || f.GoneAt != nil {
			continue
		}
		from := f.Emitter.ComponentID
		k, ok := at[from]
		if !ok {
			k = len(harms)
			at[from], said[from] = k, &harmWords{part: f.Emitter.Part}
			harms = append(harms, drawnHarm{From: from, Severity: f.Severity, Path: findingPath(f.ID)})
		}
		h := &harms[k]
		h.Severity = max(h.Severity, f.Severity)
		if f.Receptor != nil && f.Path != material.BySelf && !slices.Contains(h.To, f.Receptor.ComponentID) {
			h.To = append(h.To, f.Receptor.ComponentID)
		}
		said[from].add(f)
	}
	for i := range harms {
		harms[i].Words = said[harms[i].From].text()
	}
	return harms
}

// harmWords say what one part does.
type harmWords struct {
	part  string
	whats []string // species, each once
	ons   []string // what suffers, each once
}

func (w *harmWords) add(f *finding.Finding) {
	what, on := f.SpeciesName, ""
	switch {
	case f.Rule == material.IdentifyFirst:
		what = "a material that nobody has identified"
	case f.Path == material.BySelf:
		on = "itself"
	case f.Receptor == nil:
		on = "people"
	default:
		if on = f.Receptor.Part; f.Receptor.ComponentID == f.Emitter.ComponentID {
			on = "itself"
		}
	}
	if what != "" && !slices.Contains(w.whats, what) {
		w.whats = append(w.whats, what)
	}
	if on != "" && !slices.Contains(w.ons, on) {
		w.ons = append(w.ons, on)
	}
}

func (w *harmWords) text() string {
	text := w.part + ": " + strings.Join(w.whats, ", ")
	if len(w.ons) == 0 {
		return text
	}
	ons := w.ons
	if len(ons) > harmsNamed {
		ons = append(slices.Clone(ons[:harmsNamed]), "and "+countWord(len(ons)-harmsNamed)+" more")
	}
	return text + ", on " + strings.Join(ons, ", ")
}
