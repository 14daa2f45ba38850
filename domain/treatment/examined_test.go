package treatment

import (
	"slices"
	"strings"
	"testing"

	"farthingale/domain"
)

// A proposal rests on a signed examination of the object; the day and the examiner are that examination's, whatever
// was written (T4).
func TestT4AProposalRestsOnASignedExamination(t *testing.T) {
	p := whole()
	p.RestsOn.Date, p.RestsOn.By = "2026-01-30", "somebody"
	x, err := Begin(ada.Actor(), p, bench, monday)
	ok(t, err)
	if x.Proposal.RestsOn.Date != "2026-01-15" || x.Proposal.RestsOn.By != "Ada" {
		t.Errorf("rests on %+v", x.Proposal.RestsOn)
	}
	ok(t, x.Submit(ada.Actor(), bench, monday))
	legend := x.Versions[0].Legend
	if legend[examinedBefore.String()] != "examination of 15 January 2026 by Ada" || !strings.Contains(legend[cracks.String()], "crack") {
		t.Errorf("legend %v", legend)
	}

	other := domain.NewID()
	for name, change := range map[string]func(*StatedCondition){
		"no such examination":                 func(r *StatedCondition) { r.ExaminationID = &other },
		"an observation of another":           func(r *StatedCondition) { r.ExaminationID = &examinedAfter },
		"observations without an examination": func(r *StatedCondition) { r.ExaminationID = nil },
	} {
		p := whole()
		change(&p.RestsOn)
		if _, err := Begin(ada.Actor(), p, bench, monday); domain.KindOf(err) != domain.KindInvalid {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

// The condition after treatment is that of an examination made for it, after the last work, at which each treated
// component was seen (T7).
func TestT7TheConditionAfterIsExamined(t *testing.T) {
	for _, c := range []struct {
		name, lacks string
		change      func(r *Report, e *Examined)
	}{
		{"whole", "", func(*Report, *Examined) {}},
		{"none", "a signed examination after treatment", func(r *Report, _ *Examined) { r.ExaminationID = nil }},
		{"another occasion", "had another occasion", func(_ *Report, e *Examined) { e.Occasion = "survey" }},
		{"before the work", "was before it", func(_ *Report, e *Examined) { e.ExaminedOn = "2026-02-01" }},
		{"on the day of the work", "", func(_ *Report, e *Examined) { e.ExaminedOn = "2026-02-02" }},
		{"the cuff was not seen", "cuff among what was seen", func(_ *Report, e *Examined) { e.Seen = nil }},
	} {
		f, r := bench, report()
		f.Examinations = slices.Clone(bench.Examinations)
		c.change(&r, &f.Examinations[0])
		x := worked(t)
		ok(t, x.KeepReport(ada.Actor(), r, f, monday))
		err := x.Complete(ada.Actor(), f, monday)
		if c.lacks == "" {
			ok(t, err)
			continue
		}
		if e := refusal(t, err, "T7"); len(e.Missing) != 1 || !strings.Contains(e.Missing[0], c.lacks) {
			t.Errorf("%s: lacks %q, want %q", c.name, e.Missing, c.lacks)
		}
	}
	r := report()
	other := domain.NewID()
	r.ExaminationID = &other
	if err := worked(t).KeepReport(ada.Actor(), r, bench, monday); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("an examination of another object: %v", err)
	}
}
