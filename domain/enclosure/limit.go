package enclosure

import (
	_ "embed" // for the list of limits
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"sync"

	"farthingale/domain"
)

// Kind says what a limit means.
type Kind string

// The kinds, see the head of limits.csv.
const (
	Target   Kind = "target"
	Guide    Kind = "guide"
	Older    Kind = "older"
	Effect   Kind = "effect"
	NoEffect Kind = "no-effect"
	Dose     Kind = "dose"
)

// Confidence says how a limit is known.
type Confidence string

// InSource: in the source named. SecondHand: in another text. Memory: no text was opened.
const (
	InSource   Confidence = "published"
	SecondHand Confidence = "second-hand"
	Memory     Confidence = "memory"
)

// FineDust stands in the list of limits beside the gases. It is not computed here.
const FineDust Gas = "pm25"

// Limit is one published limit.
type Limit struct {
	Gas        Gas        `json:"gas"`
	Kind       Kind       `json:"kind"`
	Years      float64    `json:"years,omitzero"`   // of a target
	Concerns   string     `json:"concerns"`         // objects or metal
	Printed    string     `json:"printed"`          // as the source has it, with unit and, of ppb and ppm, the temperature taken
	Least      float64    `json:"least"`            // µg/m³ (of a dose µg/m³·year); of a single value the same as Greatest
	Greatest   float64    `json:"greatest"`         //
	Note       string     `json:"note,omitempty"`   //
	Source     string     `json:"source"`           //
	Confidence Confidence `json:"confidence"`       //
	TempC      *float64   `json:"temp_c,omitempty"` // that ppb and ppm were converted at; nil for a mass
}

//go:embed limits.csv
var limitsCSV []byte

// Limits is the published list in its own order, read once; nobody may change it. An error means that the
// list in the program is damaged; it names the row.
func Limits() ([]Limit, error) { return readLimits() }

var readLimits = sync.OnceValues(func() ([]Limit, error) {
	rows, err := domain.Table(limitsCSV, "gas", "kind", "years", "concerns", "printed", "greatest", "unit", "temp_c", "note", "source", "confidence")
	if err != nil {
		return nil, fmt.Errorf("read the list of limits: %w", err)
	}
	limits := make([]Limit, 0, len(rows))
	for i, row := range rows {
		l, err := limitOf(row)
		if err != nil {
			return nil, fmt.Errorf("row %d of the list of limits, %q: %w", i+1, row["source"], err)
		}
		limits = append(limits, l)
	}
	return limits, nil
})

func limitOf(row map[string]string) (Limit, error) {
	l := Limit{Gas: Gas(row["gas"]), Kind: Kind(row["kind"]), Concerns: row["concerns"], Note: row["note"], Source: row["source"], Confidence: Confidence(row["confidence"])}
	number := func(text string) (float64, error) {
		v, err := strconv.ParseFloat(text, 64)
		if err == nil && !(v > 0) {
			err = errors.New("must be positive")
		}
		return v, err
	}
	var err error
	if l.Least, err = number(row["printed"]); err != nil {
		return l, err
	}
	l.Greatest, l.Printed = l.Least, row["printed"]
	if row["greatest"] != "" {
		if l.Greatest, err = number(row["greatest"]); err != nil {
			return l, err
		}
		l.Printed += " to " + row["greatest"]
	}
	l.Printed += " " + row["unit"]
	if row["years"] != "" {
		if l.Years, err = number(row["years"]); err != nil {
			return l, err
		}
	}
	if err := l.convert(row["unit"], row["temp_c"]); err != nil {
		return l, err
	}
	switch {
	case !slices.Contains([]Kind{Target, Guide, Older, Effect, NoEffect, Dose}, l.Kind):
		return l, fmt.Errorf("there is no kind %q", l.Kind)
	case !slices.Contains([]Confidence{InSource, SecondHand, Memory}, l.Confidence):
		return l, fmt.Errorf("there is no confidence %q", l.Confidence)
	case (l.Kind == Target) != (l.Years > 0), l.Greatest < l.Least, l.Concerns == "", l.Source == "":
		return l, errors.New("is not whole")
	}
	return l, nil
}

// convert turns what is printed into micrograms per cubic metre.
func (l *Limit) convert(unit, tempC string) error {
	if _, ok := l.Gas.Substance(); !ok && l.Gas != FineDust {
		return fmt.Errorf("there is no gas %q", l.Gas)
	}
	factor := map[string]float64{"ppb": 1, "ppm": 1000}[unit]
	switch {
	case factor == 0 && tempC == "" && (unit == "µg/m³" || unit == "µg/m³·year") && (unit == "µg/m³·year") == (l.Kind == Dose):
		return nil
	case factor == 0:
		return fmt.Errorf("unit %q does not fit", unit)
	}
	t, err := strconv.ParseFloat(tempC, 64)
	if err != nil {
		return err
	}
	one, err := ugm3PerPPB(l.Gas, t, StandardHPa)
	if err != nil {
		return err
	}
	l.Least, l.Greatest, l.TempC = l.Least*factor*one, l.Greatest*factor*one, &t
	here := Number(l.Least)
	if l.Greatest > l.Least {
		here += " to " + Number(l.Greatest)
	}
	l.Printed += fmt.Sprintf(", here %s µg/m³ %s", here, reference(t, StandardHPa))
	return nil
}

// Verdict is how a level stands to a limit.
type Verdict string

// The verdicts.
const (
	Below   Verdict = "below"   // the whole range of the level
	Above   Verdict = "above"   // the whole range of the level
	Between Verdict = "between" // the level lies in the range that the limit itself has, or their ranges overlap
)

// Comparison is a level against one limit.
type Comparison struct {
	Limit   Limit   `json:"limit"`
	Verdict Verdict `json:"verdict"`
	Ratio   Figure  `json:"ratio,omitzero"`     // level divided by the limit's greatest; of a dose the dose over the years
	YearsTo *Figure `json:"years_to,omitempty"` // of a dose: years until it is reached at this level; nil when never
	Words   string  `json:"words"`
}

// Compare holds a level of a gas against the published limits for an exposure of so many years: the
// target for that time or the next longer one, and every guide, effect level and dose. The list is
// empty for a gas that has none.
func Compare(g Gas, ugm3 Figure, years float64) ([]Comparison, error) {
	if !(years > 0 && years <= 10_000) {
		return nil, domain.Invalid("/years", "range", "Give the years of exposure, more than 0 and at most 10 000.")
	}
	limits, err := Limits()
	if err != nil {
		return nil, err
	}
	term := termOf(limits, g, years)
	list := []Comparison{}
	for _, l := range limits {
		if l.Gas == g && (l.Kind != Target || l.Years == term) {
			list = append(list, l.against(ugm3, years))
		}
	}
	return list, nil
}

// termOf is the shortest term of a target that is not shorter than the years, or the longest there is.
func termOf(limits []Limit, g Gas, years float64) float64 {
	term := 0.0
	for _, l := range limits {
		switch {
		case l.Gas != g || l.Kind != Target:
		case term < years:
			term = max(term, l.Years)
		case l.Years >= years:
			term = min(term, l.Years)
		}
	}
	return term
}

// CompareLevel is Compare for a computed level. A level without a figure is not compared; one that
// rises without limit is above every limit in the end, and the words say about when.
func CompareLevel(l Level, years float64) ([]Comparison, error) {
	switch l.State {
	case Settled:
		return Compare(l.Gas, l.UGM3, years)
	case Rising:
		list, err := Compare(l.Gas, Figure{}, years)
		kept := list[:0]
		for _, c := range list {
			if c.Limit.Kind == Dose {
				continue
			}
			c.Verdict, c.Ratio = Above, Figure{}
			c.Words = fmt.Sprintf("The level rises without limit and passes %s (%s, %s) %s after starting from clean air.",
				c.Limit.Printed, c.Limit.Name(), c.Limit.Concerns, after(c.Limit.Least/l.RiseUGM3H.Middle))
			kept = append(kept, c)
		}
		return kept, err
	}
	return []Comparison{}, nil
}

func after(hours float64) string {
	switch {
	case hours < 1:
		return "within an hour"
	case hours < 48:
		return fmt.Sprintf("about %s hours", Number(math.Round(hours)))
	case hours < 2*365*hoursPerDay:
		return fmt.Sprintf("about %s days", Number(math.Round(hours/hoursPerDay)))
	}
	return fmt.Sprintf("about %s years", Number(hours/hoursPerDay/365.25))
}

// Name is the kind in words.
func (l *Limit) Name() string {
	switch l.Kind {
	case Target:
		return fmt.Sprintf("preservation target for %s years", Number(l.Years))
	case Guide:
		return "guide"
	case Older:
		return "older limit"
	case NoEffect:
		return "level without an effect"
	case Dose:
		return "smallest dose with an effect"
	}
	return "level with an effect"
}

// against compares; Least and Greatest of a limit count as its own range.
func (l Limit) against(level Figure, years float64) Comparison {
	c := Comparison{Limit: l}
	held := level
	if l.Kind == Dose {
		held = level.Times(years)
		c.YearsTo = yearsTo(l.Least, level)
	}
	c.Ratio = held.Times(1 / l.Greatest)
	switch {
	case held.Greatest < l.Least && !held.NoGreatest:
		c.Verdict = Below
	case held.Least > l.Greatest:
		c.Verdict = Above
	default:
		c.Verdict = Between
	}
	where := map[Verdict]string{Below: "is below", Above: "is above", Between: "is not clearly below or above"}[c.Verdict]
	c.Words = fmt.Sprintf("%s µg/m³ of %s %s %s: %s, %s.", level, l.Gas, where, l.Printed, l.Name(), l.Concerns)
	if l.Kind == Dose {
		c.Words = fmt.Sprintf("%s µg/m³ of %s over %s years %s %s: %s, %s", level, l.Gas, Number(years), where, l.Printed, l.Name(), l.Concerns)
		if c.YearsTo != nil {
			c.Words += fmt.Sprintf("; reached in %s years", c.YearsTo)
		}
		c.Words += "."
	}
	switch {
	case l.Kind == Target && l.Years < years:
		c.Words += fmt.Sprintf(" Targets are published for %s years at most; %s were asked for.", Number(l.Years), Number(years))
	case l.Kind == Target && l.Years > years:
		c.Words += fmt.Sprintf(" It is the target next above the %s years asked for.", Number(years))
	}
	if l.Note != "" {
		c.Words += " Note: " + l.Note + "."
	}
	switch l.Confidence {
	case SecondHand:
		c.Words += " The source is weak: read second-hand."
	case Memory:
		c.Words += " The value is from memory; check it against the source before relying on it."
	}
	return c
}

// yearsTo is how long it takes to reach a dose; nil when it is never reached.
func yearsTo(dose float64, level Figure) *Figure {
	if !(level.Middle > 0) {
		return nil
	}
	f := Figure{Middle: dose / level.Middle, Least: dose / level.Middle, Greatest: dose / level.Middle}
	if level.Greatest > 0 {
		f.Least = dose / level.Greatest
	}
	if level.NoGreatest {
		f.Least = 0
	}
	if level.Least > 0 {
		f.Greatest = dose / level.Least
	} else {
		f.NoGreatest = true
	}
	return &f
}
