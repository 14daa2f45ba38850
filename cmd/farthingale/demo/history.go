package demo

import (
	"errors"
	"fmt"
	"time"

	"farthingale/domain"
	"farthingale/domain/finding"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

// history tells three years of the laboratory.
func (l *loader) history() error {
	for _, told := range []struct {
		what string
		tell func() error
	}{
		{"years of handling", l.years},
		{"the first survey", l.firstSurvey},
		{"the first readings", l.firstReadings},
		{"the dress goes to the laboratory", func() error {
			l.on(730, 9)
			return l.move("ines", l.objects["1968.14.2"], "LAB-1", "examination after a noise")
		}},
		{"the signed treatment", l.signed},
		{"the dress goes home", func() error { l.on(698, 10); return l.move("ines", l.objects["1968.14.2"], "S1-A", "treatment ended") }},
		{"the approval of long ago", l.approvedLongAgo},
		{"more visits", l.visits},
		{"the second survey", l.secondSurvey},
		{"the later readings", l.laterReadings},
		{"the gallery", func() error {
			l.on(300, 9)
			return l.move("rosa", l.objects["1969.2.1"], "G-2", "the gallery is arranged anew")
		}},
		{"the accepted finding", l.acceptFinding},
		{"the tests of mount materials", l.testMaterials},
		{"the lapsed treatment", l.lapsed},
		{"the declined treatment", l.declined},
		{"the withdrawn treatment", l.withdrawn},
		{"the completed treatment", l.completed},
		{"the loan that will come back", l.loanThere},
		{"the loan that is out", l.loanOut},
		{"the belt goes to the laboratory", func() error { l.on(41, 9); return l.move("ines", l.objects["1968.14.6"], "LAB-1", "treatment") }},
		{"the treatment under way", l.underWay},
		{"the glove in the laboratory", l.gloveApart},
		{"the air spaces", l.airs},
		{"the questions", l.questions},
		{"the approved treatment", l.approvedWithConditions},
		{"the loan that comes back changed", l.loanBack},
		{"the loan to be sent", l.loanPrepared},
		{"the submitted treatment", l.submitted},
		{"the draft", l.drafting},
		{"the emergency", l.emergency},
	} {
		if err := told.tell(); err != nil {
			return fmt.Errorf("%s: %w", told.what, err)
		}
	}
	return nil
}

// acceptFinding accepts what the band of the mask does to its lens, for some time.
func (l *loader) acceptFinding() error {
	l.on(299, 15)
	ines := l.people["ines"]
	all, err := l.h.Finding.Of(l.ctx, ines, l.objects["1968.14.7"].id)
	if err != nil {
		return err
	}
	for i := range all.Findings {
		f := &all.Findings[i]
		if f.Species != "copper-ions" {
			continue
		}
		until := l.present.AddDate(0, 4, 0).Format(time.DateOnly)
		_, err := l.h.Finding.Accept(l.ctx, ines, f.ID, f.Version, finding.NewAcceptance{Reason: "The lens stays in its band until it has a box of its own; both are looked at every three months.", Until: until})
		return err
	}
	return errors.New("the mask has no finding of its band")
}

// testMaterials tells of tests of materials for mounts and cases: one that holds, one that has run out, one
// that failed.
func (l *loader) testMaterials() error {
	l.on(298, 16)
	coupons := func(batch string, daysAgo int, lead material.Coupon) material.NewTest {
		return material.NewTest{Kind: material.AcceleratedCorrosion, Product: "Board 3 (invented)", Batch: batch, TestedOn: l.present.AddDate(0, 0, -daysAgo).Format(time.DateOnly), TestedBy: "Hugo Beck",
			Method: "2 g, three coupons in one jar, 60 °C, near 100 % RH, 28 days, against a control.", Silver: material.Permanent, Copper: material.Permanent, Lead: lead}
	}
	wadding, plywood := coupons("W 22", 560, material.Permanent), coupons("P 4", 300, material.Unsuitable)
	wadding.Product, plywood.Product = "Wadding 80 (invented)", "Ply 9 (invented)"
	plywood.Note = "White powder on the lead coupon."
	for _, t := range []struct {
		key  string
		test material.NewTest
	}{
		{"polyester-wadding", wadding}, {"plywood", plywood}, {"museum-board", coupons("B 7", 299, material.Permanent)},
		{"museum-board", material.NewTest{Kind: material.PH, Product: "Board 3 (invented)", Batch: "B 7", TestedOn: l.present.AddDate(0, 0, -299).Format(time.DateOnly), TestedBy: "Hugo Beck", PH: dec("8.1")}},
	} {
		if _, err := l.h.Material.AddTest(l.ctx, l.people["hugo"], t.key, t.test); err != nil {
			return fmt.Errorf("test of %s: %w", t.key, err)
		}
	}
	return nil
}

// log records a handling of a whole object or of some of its parts.
func (l *loader) log(by, number string, h handling.Log, labels ...string) (*handling.Stop, error) {
	obj := l.objects[number]
	if len(labels) > 0 {
		h.ComponentIDs = l.parts(obj, labels...)
	}
	if h.Minutes == 0 {
		h.Minutes = 20
	}
	if h.Gloves == "" {
		h.Gloves = "nitrile"
	}
	h.Controls = "kept"
	_, stop, err := l.h.Handling.Log(l.ctx, l.people[by], obj.id, h)
	if err != nil {
		return nil, fmt.Errorf("handling of %s: %w", number, err)
	}
	return stop, nil
}

// years are three years of examinations, photography and research visits: each object some times, its
// damage growing.
func (l *loader) years() error {
	for daysAgo := 1040; daysAgo > 740; daysAgo -= 13 {
		if err := l.visit(daysAgo); err != nil {
			return err
		}
	}
	// A stop, raised by a noise and released a week later.
	l.on(738, 11)
	stop, err := l.log("ada", "1968.14.2", handling.Log{Purpose: "mounting", Minutes: 35, From: "lying_face_up", To: "upright_held", Noticed: []string{"noise"},
		Note: "A creak from the left cuff as the arm came up.", Support: []string{"board"}}, "1a")
	if err != nil {
		return err
	}
	l.on(731, 9)
	if _, err := l.h.Handling.Release(l.ctx, l.people["ines"], stop.ID, handling.NewRelease{Reason: "Examined with a lens and by light through the sleeve.", Found: "A crack at the fold of the left cuff, 40 mm, older than the noise.", Limits: "Arms stay beside the body; by two people on a board."}); err != nil {
		return fmt.Errorf("release: %w", err)
	}
	return nil
}

// visits are the visits of the last two years.
func (l *loader) visits() error {
	for daysAgo := 620; daysAgo > 310; daysAgo -= 17 {
		if err := l.visit(daysAgo); err != nil {
			return err
		}
	}
	return nil
}

// visit handles the next object in turn, and photographs it every third time.
func (l *loader) visit(daysAgo int) error {
	purposes := []string{"examination", "photography", "research_visit", "examination", "mounting"}
	turn := l.turn
	l.turn++
	l.on(daysAgo, 10+turn%5)
	e := exhibits[turn%len(exhibits)]
	to := "lying_face_up"
	if turn%4 == 3 {
		to = "lying_face_down"
	}
	if _, err := l.log([]string{"ines", "tomas", "ada"}[turn%3], e.facts.Number, handling.Log{Purpose: purposes[turn%len(purposes)], Minutes: 10 + 5*(turn%6), From: "lying_face_up", To: to, Support: []string{"board"}}); err != nil {
		return err
	}
	obj := l.objects[e.facts.Number]
	obj.shown = min(1, obj.shown+0.3)
	if turn%3 != 2 {
		return nil
	}
	_, err := l.photograph(obj, nil, photo.Front, photo.Condition, turn%2 == 0)
	return err
}

// emergency is the last days: a stop in force, and an emergency stabilisation that waits for its
// ratification.
func (l *loader) emergency() error {
	l.on(2, 10)
	if _, err := l.log("ada", "1979.22.1", handling.Log{Purpose: "examination", Minutes: 15, From: "folded", To: "lying_face_up", Noticed: []string{"powder"}, Note: "Yellow powder from the left boot.", Support: []string{"board"}}, "2c"); err != nil {
		return err
	}
	l.on(1, 15)
	gloves := l.objects["1991.5.3"]
	_, err := l.h.Treatment.Stabilise(l.ctx, l.people["tomas"], gloves.id, treatment.NewEmergency{
		Imminent: "The left cuff was coming away from the glove as the box was opened.", NoticedAt: l.clock.Add(-30 * time.Minute), Methods: []string{"support", "collect", "contain"}, LeftUndone: "The right glove was not touched.",
		Done: treatment.Done{HappenedAt: l.clock.Add(-20 * time.Minute), Hands: []domain.ID{l.people["tomas"].ID}, Components: l.parts(gloves, "1"), Materials: []treatment.Use{{Auxiliary: "polyester_film"}, {Auxiliary: "tissue"}},
			Before: "Cuff hangs by 30 mm.", After: "Cuff lies on film; crumbs bagged.", Minutes: 15, Gloves: "nitrile", Controls: "kept"},
	})
	if err != nil {
		return fmt.Errorf("emergency: %w", err)
	}
	return nil
}
