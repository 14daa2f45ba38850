package enclosure

import (
	"errors"
	"strconv"
	"strings"

	"farthingale/domain"
)

// Question asks what changes of an enclosure would do. Nothing is kept.
type Question struct {
	Changes []Change `json:"changes" validate:"required,min=1,max=40,dive"`
	Hours   float64  `json:"hours" validate:"gte=0,lte=1000000"` // how long a course to compute; 0: only the steady levels
	Years   float64  `json:"years" validate:"gte=0,lte=10000"`   // of exposure, for the limits; 0: YearsDefault
}

// Compared is one level before and after the changes, each judged.
type Compared struct {
	Space  string  `json:"space"`
	Gas    Gas     `json:"gas"`
	Before Judged  `json:"before"`
	After  Judged  `json:"after"`
	Factor float64 `json:"factor,omitzero"` // after divided by before; 0 without two figures
	Words  string  `json:"words"`
}

// Curve is a level over time.
type Curve struct {
	Middle   []float64 `json:"middle"` // µg/m³; empty when there is no figure
	Least    []float64 `json:"least"`
	Greatest []float64 `json:"greatest"`
	Missing  []string  `json:"missing,omitempty"`
	How      string    `json:"how,omitempty"`
}

// Courses are one level over time, without and with the changes, from the same start.
type Courses struct {
	Space  string    `json:"space"`
	Gas    Gas       `json:"gas"`
	Hours  []float64 `json:"hours"`
	Before Curve     `json:"before"`
	After  Curve     `json:"after"`
}

// Answer is what changes would do.
type Answer struct {
	Changes     []Change   `json:"changes"` // as they were asked
	Changed     []string   `json:"changed"` // a sentence for each change
	Years       float64    `json:"years"`
	Differences []Compared `json:"differences"`
	Courses     []Courses  `json:"courses"`
	CourseWords string     `json:"course_words,omitempty"` // where the courses start, or why there are none
}

// coursePoints is into how many parts a course is divided.
const coursePoints = 96

// Ask answers a question about a network.
func (n Network) Ask(q Question) (Answer, error) {
	if err := domain.Validate(q); err != nil {
		return Answer{}, err
	}
	years, err := yearsOf(q.Years)
	if err != nil {
		return Answer{}, err
	}
	if err := n.tryChanges(q.Changes); err != nil {
		return Answer{}, err
	}
	a := Answer{Changes: q.Changes, Years: years, Differences: []Compared{}, Courses: []Courses{}}
	differences, changed, err := WhatIf(n, q.Changes)
	if err != nil {
		return Answer{}, err
	}
	a.Changed = changed
	for _, d := range differences {
		c, err := compared(d, years)
		if err != nil {
			return Answer{}, err
		}
		a.Differences = append(a.Differences, c)
	}
	if q.Hours == 0 {
		return a, nil
	}
	return a, a.over(n, q)
}

func compared(d Difference, years float64) (Compared, error) {
	c := Compared{Space: d.Space, Gas: d.Gas, Factor: d.Factor}
	var err error
	if c.Before, err = Judge(d.Before, years); err != nil {
		return c, err
	}
	if c.After, err = Judge(d.After, years); err != nil {
		return c, err
	}
	c.Words = d.words()
	return c, nil
}

// words says in a sentence what becomes of a level.
func (d *Difference) words() string {
	gas, space := d.Gas.String(), d.Space
	switch {
	case d.Factor > 0 && d.Factor < 0.995:
		return "In " + space + " " + gas + " falls to " + Number(100*d.Factor) + " % of what it was."
	case d.Factor > 1.005:
		return "In " + space + " " + gas + " rises " + Number(d.Factor) + " times."
	case d.Factor > 0:
		return "In " + space + " " + gas + " stays about as it was."
	case d.Before.State == Rising && d.After.State == Settled:
		return "In " + space + " " + gas + " no longer rises without limit: it settles."
	case d.Before.State == Settled && d.After.State == Rising:
		return "In " + space + " " + gas + " no longer settles: it rises without limit."
	case d.After.State == Unknown || d.Before.State == Unknown:
		return "For " + gas + " in " + space + " inputs are missing: no comparison can be given."
	}
	return "In " + space + " " + gas + ": " + d.After.Answer
}

// over adds the courses. Ranges are left out where finding them would take too long.
func (a *Answer) over(n Network, q Question) error {
	hours := make([]float64, coursePoints+1)
	for i := range hours {
		hours[i] = q.Hours * float64(i) / coursePoints
	}
	ranges := len(n.Spaces) <= 6
	before, after, err := WhatIfOver(n, q.Changes, hours, ranges)
	if err != nil {
		return err
	}
	a.CourseWords = "Both courses start from the level before the changes where it is settled, else from clean air."
	if !ranges {
		a.CourseWords += " Of so many spaces the courses are given without ranges."
	}
	for _, b := range before {
		c := Courses{Space: b.Space, Gas: b.Gas, Hours: hours, Before: curve(b), After: Curve{Middle: []float64{}, Least: []float64{}, Greatest: []float64{}}}
		for _, other := range after {
			if other.Space == b.Space && other.Gas == b.Gas {
				c.After = curve(other)
			}
		}
		a.Courses = append(a.Courses, c)
	}
	return nil
}

func curve(c Course) Curve {
	return Curve{Middle: list(c.Middle), Least: list(c.Least), Greatest: list(c.Greatest), Missing: c.Missing, How: c.How}
}

// tryChanges finds the first change that cannot be made, with pointers into the changes.
func (n Network) tryChanges(changes []Change) error {
	for i := range changes {
		_, _, err := n.Changed(changes[:i+1])
		var known *domain.Error
		if !errors.As(err, &known) {
			if err != nil {
				return err
			}
			continue
		}
		fields := make([]domain.Field, len(known.Fields))
		for k, f := range known.Fields {
			if !strings.HasPrefix(f.Pointer, "/changes/") {
				f.Pointer = "/changes/" + strconv.Itoa(i) + changes[i].member(f.Pointer)
			}
			fields[k] = f
		}
		return domain.InvalidFields(fields)
	}
	return nil
}

// member is the field of a change that a fault of the changed network comes from.
func (ch *Change) member(pointer string) string {
	after := func(part, into string) string {
		if _, rest, ok := strings.Cut(pointer, part); ok {
			return into + rest
		}
		return into
	}
	switch {
	case ch.Act == SetVolume:
		return "/volume_m3"
	case ch.Act == SetTemp:
		return "/temp_c"
	case ch.Act == SetRate:
		return "/per_day"
	case ch.Act == SetGap && ch.Gap == nil:
		return "/width_mm"
	case ch.Act == SetGap:
		return after("/gap", "/gap")
	case ch.Act == CoverSurface:
		return "/passing"
	case ch.Act == AddSurface:
		_, rest, _ := strings.Cut(pointer, "/surfaces/")
		if _, tail, ok := strings.Cut(rest, "/"); ok {
			return "/add/" + tail
		}
		return "/add"
	}
	return ""
}
