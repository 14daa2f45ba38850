package web

import (
	"fmt"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/finding"
	"farthingale/domain/material"
)

func TestDrawnHarms(t *testing.T) {
	t.Parallel()
	glove, ring := domain.NewID(), domain.NewID()
	side := func(id domain.ID, part string) finding.Side { return finding.Side{ComponentID: id, Part: part} }
	on := func(id domain.ID, part string) *finding.Side { s := side(id, part); return &s }
	gone := time.Now()
	all := []finding.Finding{
		{Emitter: side(glove, ".2 glove"), Receptor: on(ring, ".1 ring"), SpeciesName: "hydrogen chloride", Severity: material.ActNow, Path: material.ByAir},
		{Emitter: side(ring, ".1 ring"), SpeciesName: "dust", Severity: material.ActNext, Path: material.ByContact},
		{Emitter: side(glove, ".2 glove"), Receptor: on(ring, ".1 ring"), SpeciesName: "free sulphur", Severity: material.Watch, Path: material.ByContact},
		{Emitter: side(glove, ".2 glove"), Receptor: on(glove, ".2 glove"), SpeciesName: "hydrogen chloride", Severity: material.Watch, Path: material.BySelf},
		{Emitter: side(ring, ".1 ring"), Rule: material.IdentifyFirst, Severity: material.ActNow, Path: material.ByAir},
		{Emitter: side(ring, ".1 ring"), Receptor: on(glove, ".2 glove"), SpeciesName: "accepted", Accepted: true},
		{Emitter: side(ring, ".1 ring"), Receptor: on(glove, ".2 glove"), SpeciesName: "gone", GoneAt: &gone},
	}
	for i := range 6 {
		all = append(all, finding.Finding{Emitter: side(glove, ".2 glove"), Receptor: on(domain.NewID(), fmt.Sprintf(".%d part", i+3)), SpeciesName: "hydrogen chloride"})
	}
	harms := drawnHarms(all)
	if len(harms) != 2 || harms[0].From != glove || len(harms[0].To) != 7 || harms[0].Severity != material.ActNow || harms[1].Severity != material.ActNow || len(harms[1].To) != 0 {
		t.Fatalf("%+v", harms)
	}
	if got, want := harms[0].Words, ".2 glove: hydrogen chloride, free sulphur, on .1 ring, itself, .3 part, .4 part, and 4 more"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got, want := harms[1].Words, ".1 ring: dust, a material that nobody has identified, on people"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
