package measurement

import (
	"cmp"
	"slices"
	"time"

	"farthingale/domain"
)

// SeriesMost is how many readings of one quantity at one spot are taken into a series: the latest ones.
const SeriesMost = 500

// Series is what was read of one quantity at one spot, the earliest first, and what it proves.
type Series struct {
	Spot       Spot       `json:"spot"`
	Quantity   Quantity   `json:"quantity"`
	Unit       string     `json:"unit,omitempty"`
	Points     []Point    `json:"points"`     // of the series, without withdrawn ones
	References []Point    `json:"references"` // protected areas and maker's figures
	Withdrawn  []Reading  `json:"withdrawn"`
	BaselineID *domain.ID `json:"baseline_id,omitempty"`
	Origin     *Origin    `json:"origin,omitempty"` // of a colour: faded, or made so?
}

// Point is a reading with how it stands to the baseline that counts for it. Refused says why there is
// no change to tell.
type Point struct {
	Reading
	Change  *Change `json:"change,omitempty"`
	Refused string  `json:"refused,omitempty"`
}

// inOrder puts readings in the order of their days; of one day in that of their recording.
func inOrder(all []Reading) []Reading {
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b Reading) int {
		return cmp.Or(cmp.Compare(a.MeasuredOn, b.MeasuredOn), a.RecordedAt.Compare(b.RecordedAt), slices.Compare(a.ID[:], b.ID[:]))
	})
	return sorted
}

// SeriesOf judges the readings of one quantity at one spot. Each is compared with the baseline before
// it: the latest reading named so, else the first.
func SeriesOf(spot Spot, q Quantity, all []Reading) Series {
	s := Series{Spot: spot, Quantity: q, Unit: q.Unit(), Points: []Point{}, References: []Point{}, Withdrawn: []Reading{}}
	var baseline *Reading
	for _, r := range inOrder(all) {
		switch {
		case r.Withdrawn != nil:
			s.Withdrawn = append(s.Withdrawn, r)
		case r.Role == Protected || r.Role == Specified:
			s.References = append(s.References, Point{Reading: r})
		default:
			p := Point{Reading: r}
			if r.Role == Baseline || baseline == nil {
				baseline = &r
			} else {
				p.Change, p.Refused = compared(baseline, &r)
			}
			s.Points = append(s.Points, p)
		}
	}
	if baseline != nil {
		s.BaselineID = &baseline.ID
	}
	if n := len(s.Points); n > 0 {
		last := &s.Points[n-1].Reading
		for i := range s.References {
			s.References[i].Change, s.References[i].Refused = compared(&s.References[i].Reading, last)
		}
	}
	if q == Colour {
		s.Origin = s.origin()
	}
	return s
}

// compared is Compare with the reason in words instead of an error.
func compared(earlier, later *Reading) (*Change, string) {
	c, err := Compare(earlier, later)
	if err != nil {
		return nil, err.Error()
	}
	return c, ""
}

// Origin answers whether a spot has faded or was made so.
type Origin struct {
	Answer  string   `json:"answer"`
	Because []string `json:"because"`
}

// origin compares the latest reading with the protected area and with the maker's colour, and these with
// each other. It says nothing without either.
func (s *Series) origin() *Origin {
	protected, specified := s.latest(Protected), s.latest(Specified)
	if len(s.Points) == 0 || protected == nil && specified == nil {
		return nil
	}
	o := &Origin{Because: []string{}}
	note := func(what string, p *Point) (proven, known bool) {
		if p == nil {
			return false, false
		}
		if p.Change == nil {
			o.Because = append(o.Because, what+": "+p.Refused)
			return false, false
		}
		o.Because = append(o.Because, what+": "+p.Change.Said)
		return p.Change.Proven, p.Change.Known
	}
	faded, protectedKnown := note("Here now against the protected area", protected)
	off, specifiedKnown := note("Here now against the maker's colour", specified)
	var apart, apartKnown bool
	if protected != nil && specified != nil {
		between := Point{}
		between.Change, between.Refused = compared(&specified.Reading, &protected.Reading)
		apart, apartKnown = note("The protected area against the maker's colour", &between)
	}
	switch {
	case protectedKnown && faded && apartKnown && !apart:
		o.Answer = "It has changed since it was made: the protected area still is as the maker specifies, this spot is not."
	case protectedKnown && faded:
		o.Answer = "It has changed here: it differs from the protected area of the same material, which lay away from light and touch."
	case protectedKnown && specifiedKnown && off && apart:
		o.Answer = "Nothing says that it faded: the protected area is the same. Both differ from the maker's colour, so it was made so, or both changed alike, as by heat or by age in the dark."
	case protectedKnown && specifiedKnown && !off:
		o.Answer = "It is as it was made: neither the protected area nor the maker's colour differs provably from it."
	case protectedKnown:
		o.Answer = "Nothing says that it faded: it does not differ provably from the protected area."
	case specifiedKnown && off:
		o.Answer = "It differs from the maker's colour. Whether it faded or was made so cannot be told without a protected area of the same material."
	case specifiedKnown:
		o.Answer = "It does not differ provably from the maker's colour."
	default:
		o.Answer = "This cannot be told yet: the readings cannot be compared, or have no deviations."
	}
	return o
}

// latest is the latest reference of a role; nil when there is none.
func (s *Series) latest(role Role) *Point {
	for i := len(s.References) - 1; i >= 0; i-- {
		if s.References[i].Role == role {
			return &s.References[i]
		}
	}
	return nil
}

// Years is the time between two days in years of 365.25 days.
func Years(from, to string) float64 {
	a, errA := time.Parse(time.DateOnly, from)
	b, errB := time.Parse(time.DateOnly, to)
	if errA != nil || errB != nil {
		return 0
	}
	return b.Sub(a).Hours() / 24 / 365.25
}
