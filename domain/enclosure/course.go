package enclosure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"farthingale/domain"
)

// Course is the level of one gas in one space over time, from the start levels of the spaces. Courses
// of one connected part share their Inputs, Missing and Words: read them only.
type Course struct {
	Space    string    `json:"space"`
	Gas      Gas       `json:"gas"`
	Hours    []float64 `json:"hours"`              // as asked for
	Middle   []float64 `json:"middle,omitempty"`   // µg/m³ at each of the hours; nil when inputs are missing
	Least    []float64 `json:"least,omitempty"`    // nil unless ranges were asked for
	Greatest []float64 `json:"greatest,omitempty"` // likewise
	Answer   string    `json:"answer,omitempty"`   // why there is none
	Missing  []string  `json:"missing,omitempty"`
	Words    []string  `json:"words"`
	How      string    `json:"how,omitempty"`
	Inputs   []Input   `json:"inputs"`
}

// Limits of a course.
const (
	HoursMost  = 1e6    // longest time, some 114 years
	TimesMost  = 50_000 // most hours asked for
	PointsMost = 20_000 // most spaces times hours of a connected part when ranges are asked for
	rangesWork = 1e7    // most work of one evaluation then, see part.work
)

// Over computes the level of every gas in every space at the given hours, in the order of Steady. The
// start level of each space must be given (see Network.StartClean); a missing one is missing, not zero.
// Without ranges a year of hours of sixty spaces takes a fraction of a second; with ranges the work is
// done some hundred times over.
func Over(n Network, hours []float64, ranges bool) ([]Course, error) {
	if err := n.Check(); err != nil {
		return nil, err
	}
	order, err := ascending(hours)
	if err != nil {
		return nil, err
	}
	parts := n.parts()
	for _, p := range parts {
		if ranges && (len(p.spaces)*len(hours) > PointsMost || p.work(len(hours)) > rangesWork) {
			return nil, domain.Invalid("/hours", "max", fmt.Sprintf("%d connected spaces at %d times are too much to find ranges for. Ask for fewer times, or without ranges.",
				len(p.spaces), len(hours)))
		}
	}
	place := map[string]int{}
	for i, s := range n.Spaces {
		place[s.Name] = i
	}
	gases := n.Gases()
	courses := make([]Course, len(gases)*len(n.Spaces))
	for k, g := range gases {
		for p := range parts {
			for _, c := range parts[p].over(g, hours, order, ranges) {
				courses[k*len(n.Spaces)+place[c.Space]] = c
			}
		}
	}
	return courses, nil
}

// ascending is the order in which the hours ascend.
func ascending(hours []float64) ([]int, error) {
	if len(hours) == 0 || len(hours) > TimesMost {
		return nil, domain.Invalid("/hours", "count", fmt.Sprintf("Give between 1 and %d times.", TimesMost))
	}
	order := make([]int, len(hours))
	for i, t := range hours {
		if !(t >= 0 && t <= HoursMost) {
			return nil, domain.Invalid(fmt.Sprintf("/hours/%d", i), "range", fmt.Sprintf("A time must lie between 0 and %d hours.", int(HoursMost)))
		}
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case hours[a] < hours[b]:
			return -1
		case hours[a] > hours[b]:
			return 1
		}
		return 0
	})
	return order, nil
}

// work is about how many multiplications one course of the part takes.
func (p *part) work(times int) float64 {
	n := float64(len(p.spaces))
	return 10*n*n*n + float64(times)*n*(n+10)
}

// over is the course of one gas in each space of a part.
func (p *part) over(g Gas, hours []float64, order []int, ranges bool) []Course {
	n := len(p.spaces)
	sorted := make([]float64, len(hours))
	for i, at := range order {
		sorted[i] = hours[at]
	}
	first := firstLook(p.inputs())
	s := p.balance(first, g, true)
	courses := make([]Course, n)
	inputs := first.notes.listed()
	for i := range courses {
		courses[i] = Course{Space: p.spaces[i].Name, Gas: g, Hours: hours, Words: first.notes.cautions, Inputs: inputs}
	}
	if missing := first.notes.missing; len(missing) > 0 {
		for i := range courses {
			courses[i].Missing, courses[i].Answer = missing, cannot(missing)
		}
		return courses
	}
	middle := s.motion().at(sorted)
	values := make([]float64, n*len(hours))
	for i := range courses {
		courses[i].Middle = values[i*len(hours) : (i+1)*len(hours) : (i+1)*len(hours)]
		for k, at := range order {
			courses[i].Middle[at] = middle[k*n+i]
		}
	}
	if !ranges {
		return courses
	}
	f := func(l *look) []float64 { return p.balance(l, g, true).motion().at(sorted) }
	figures, how := first.notes.spread(f, middle, p.work(len(hours)))
	if strings.HasPrefix(how, "Corners") {
		how += " Over time an extreme may also lie between the ends of a range; it is not searched for."
	}
	for i := range courses {
		c := &courses[i]
		c.How, c.Least, c.Greatest = how, make([]float64, len(hours)), make([]float64, len(hours))
		for k, at := range order {
			c.Least[at], c.Greatest[at] = figures[k*n+i].Least, figures[k*n+i].Greatest
		}
	}
	return courses
}

// Hourly are the hours 0, 1, 2 … up to and with last.
func Hourly(last int) []float64 {
	hours := make([]float64, last+1)
	for i := range hours {
		hours[i] = float64(i)
	}
	return hours
}

// Account says where a gas has gone, in micrograms over a time, or in micrograms per hour when steady.
type Account struct {
	Gas       Gas     `json:"gas"`
	Before    float64 `json:"before"`     // in the air at the start; 0 when steady
	Emitted   float64 `json:"emitted"`    // given off by surfaces
	Entered   float64 `json:"entered"`    // come in from rooms
	Deposited float64 `json:"deposited"`  // taken up by surfaces
	TakenBack float64 `json:"taken_back"` // not given off by emitters that slow down
	Left      float64 `json:"left"`       // gone to rooms
	Stored    float64 `json:"stored"`     // in the air at the end; 0 when steady
}

// In and Gone must be equal.
func (a Account) In() float64 { return a.Before + a.Emitted + a.Entered }

// Gone is the sum of where it went, see In.
func (a Account) Gone() float64 { return a.Deposited + a.TakenBack + a.Left + a.Stored }

// Fault is how far In and Gone lie apart, as a share of In.
func (a Account) Fault() float64 {
	if a.In() == 0 {
		return math.Abs(a.Gone())
	}
	return math.Abs(a.In()-a.Gone()) / a.In()
}

// AccountOver accounts for every gas from the start to the given hour, at the values of the inputs.
func AccountOver(n Network, hour float64) ([]Account, error) {
	if _, err := ascending([]float64{hour}); err != nil {
		return nil, err
	}
	return n.account(true, func(a *Account, s *system) error {
		m := s.motion()
		end, total := m.at([]float64{hour}), m.total(hour)
		for i, v := range s.volume {
			a.Before += v * s.start[i]
			a.Stored += v * end[i]
			a.pass(s, i, hour, total[i])
		}
		return nil
	})
}

// AccountSteady accounts for every gas in each hour of the steady state, at the values of the inputs.
// It refuses when a level rises without limit.
func AccountSteady(n Network) ([]Account, error) {
	return n.account(false, func(a *Account, s *system) error {
		level, _ := s.settle()
		for i, c := range level {
			switch {
			case math.IsInf(c, 1):
				return domain.RefuseState("M3", fmt.Sprintf("The level of %s rises without limit, so there is no steady state to account for.", a.Gas))
			case math.IsNaN(c):
				c = 0 // nothing comes and nothing goes
			}
			a.pass(s, i, 1, c)
		}
		return nil
	})
}

// pass adds what passes space i in so many hours, when the level summed over them is total.
func (a *Account) pass(s *system, i int, hours, total float64) {
	a.Emitted += s.source[i] * hours
	a.Entered += s.inflow[i] * hours
	a.Deposited += s.uptake[i] * total
	a.TakenBack += s.back[i] * total
	a.Left += s.out[i] * total
}

func (n *Network) account(withStart bool, add func(*Account, *system) error) ([]Account, error) {
	if err := n.Check(); err != nil {
		return nil, err
	}
	list := []Account{}
	for _, g := range n.Gases() {
		a := Account{Gas: g}
		for _, p := range n.parts() {
			first := firstLook(p.inputs())
			s := p.balance(first, g, withStart)
			if len(first.notes.missing) > 0 {
				return nil, domain.RefuseState("M3", cannot(first.notes.missing))
			}
			if err := add(&a, s); err != nil {
				return nil, err
			}
		}
		list = append(list, a)
	}
	return list, nil
}
