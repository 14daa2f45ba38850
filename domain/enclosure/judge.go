package enclosure

import (
	"fmt"

	"farthingale/domain"
)

// Further verdicts of a level as a whole.
const (
	NoLimit   Verdict = "no_limit"  // no limit of this gas is published here
	Unlimited Verdict = "unlimited" // the level rises without limit
	NoFigure  Verdict = "no_figure" // no level can be given, or nothing gives the gas off
)

// Judged is a level with what the published limits say of it.
type Judged struct {
	Level
	Verdict     Verdict      `json:"verdict"`
	Said        string       `json:"verdict_words"`
	Comparisons []Comparison `json:"comparisons"`
}

// YearsDefault is the exposure that levels are judged for when nobody says otherwise.
const YearsDefault = 10

// Judge holds a level against the published limits for an exposure of so many years.
func Judge(l Level, years float64) (Judged, error) {
	all, err := CompareLevel(l, years)
	if err != nil {
		return Judged{}, err
	}
	j := Judged{Level: l.tidy(), Comparisons: list(all)}
	j.Verdict, j.Said = verdict(l, all)
	return j, nil
}

// tidy has lists where there is nothing to say.
func (l Level) tidy() Level {
	l.Words, l.Inputs = list(l.Words), list(l.Inputs)
	return l
}

// verdict sums the comparisons up: the highest limit that is passed says most, else the lowest that may
// be.
func verdict(l Level, all []Comparison) (Verdict, string) {
	switch l.State {
	case Unknown, Still:
		return NoFigure, l.Answer
	case Rising:
		said := "It rises without limit as long as the source lasts: every limit is passed in time."
		if len(all) > 0 {
			said += " " + all[0].Words
		}
		return Unlimited, said
	}
	var above, between *Comparison
	counts := map[Verdict]int{}
	for i := range all {
		c := &all[i]
		counts[c.Verdict]++
		switch {
		case c.Verdict == Above && (above == nil || c.Limit.Greatest > above.Limit.Greatest):
			above = c
		case c.Verdict == Between && (between == nil || c.Limit.Least < between.Limit.Least):
			between = c
		}
	}
	named := func(l *Limit) string { return fmt.Sprintf("%s (%s, %s)", l.Printed, l.Name(), l.Concerns) }
	switch {
	case len(all) == 0:
		return NoLimit, "No limit for this gas is published here. That does not make the level safe."
	case above != nil:
		return Above, fmt.Sprintf("Above %d of %d published limits; the highest of them is %s.", counts[Above], len(all), named(&above.Limit))
	case between != nil:
		return Between, fmt.Sprintf("Not clearly below %d of %d published limits; the lowest of them is %s.", counts[Between], len(all), named(&between.Limit))
	}
	return Below, fmt.Sprintf("Below all %d published limits.", len(all))
}

// Levels are the steady levels of an enclosure, judged.
type Levels struct {
	Years    float64   `json:"years"`
	Items    []Judged  `json:"items"`
	Renewals []Renewal `json:"renewals"`
	Paces    []Pace    `json:"paces"`
}

// levels computes them.
func (n Network) levels(years float64) (Levels, error) {
	l := Levels{Years: years, Items: []Judged{}}
	steady, err := Steady(n)
	if err != nil {
		return l, err
	}
	for _, level := range steady {
		j, err := Judge(level, years)
		if err != nil {
			return l, err
		}
		l.Items = append(l.Items, j)
	}
	if l.Renewals, err = Renewals(n, ReferenceGas); err != nil {
		return l, err
	}
	l.Paces, err = Paces(n)
	return l, err
}

// yearsOf is the exposure asked for, or the usual one.
func yearsOf(years float64) (float64, error) {
	switch {
	case years == 0:
		return YearsDefault, nil
	case !(years > 0 && years <= 10_000):
		return 0, domain.Invalid("/years", "range", "Give the years of exposure, more than 0 and at most 10 000.")
	}
	return years, nil
}
