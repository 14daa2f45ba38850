package enclosure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"farthingale/domain"
)

// State says what kind of answer a level is.
type State string

// The states. Only a settled level has a figure.
const (
	Settled State = "settled" // UGM3 is the steady level
	Rising  State = "rising"  // no steady level: it rises by RiseUGM3H as long as the source lasts
	Still   State = "still"   // nothing comes in and nothing leaves: the level stays as it is
	Unknown State = "unknown" // inputs are missing
)

// Level is the steady level of one gas in one space (rule M3). Levels of one connected part share
// their Inputs, Missing and Words: read them only.
type Level struct {
	Space     string   `json:"space"`
	Gas       Gas      `json:"gas"`
	State     State    `json:"state"`
	UGM3      Figure   `json:"ug_m3,omitzero"`
	PPB       *Mixing  `json:"ppb,omitempty"`         // nil without a figure or without a temperature
	RiseUGM3H Figure   `json:"rise_ug_m3_h,omitzero"` // when rising: the rise in each hour
	Answer    string   `json:"answer"`                // the outcome in a sentence
	Missing   []string `json:"missing,omitempty"`     // when unknown: which inputs
	Words     []string `json:"words"`                 // cautions and assumptions
	How       string   `json:"how,omitempty"`         // how the range was found
	Inputs    []Input  `json:"inputs"`                // everything it rests on
}

// Steady computes the level of every gas in every space after a long time: gases in the order of
// Network.Gases, in each the spaces in their order. An error means that the network cannot be computed
// at all; what is only missing stands in the levels.
func Steady(n Network) ([]Level, error) {
	if err := n.Check(); err != nil {
		return nil, err
	}
	place := map[string]int{}
	for i, s := range n.Spaces {
		place[s.Name] = i
	}
	gases, parts := n.Gases(), n.parts()
	levels := make([]Level, len(gases)*len(n.Spaces))
	for k, g := range gases {
		for p := range parts {
			for _, l := range parts[p].steady(g) {
				levels[k*len(n.Spaces)+place[l.Space]] = l
			}
		}
	}
	return levels, nil
}

// LevelIn finds a level; false when there is none of that space and gas.
func LevelIn(levels []Level, space string, g Gas) (Level, bool) {
	i := slices.IndexFunc(levels, func(l Level) bool { return l.Space == space && l.Gas == g })
	if i < 0 {
		return Level{}, false
	}
	return levels[i], true
}

// steady is the level of one gas in each space of a part.
func (p *part) steady(g Gas) []Level {
	n := len(p.spaces)
	f := func(l *look) []float64 {
		level, rise := p.balance(l, g, false).settle()
		return append(level, rise...)
	}
	first := firstLook(p.inputs())
	middle := f(first)
	levels := make([]Level, n)
	inputs := first.notes.listed()
	for i := range levels {
		levels[i] = Level{Space: p.spaces[i].Name, Gas: g, Words: first.notes.cautions, Inputs: inputs}
	}
	if missing := first.notes.missing; len(missing) > 0 {
		for i := range levels {
			levels[i].State, levels[i].Missing = Unknown, missing
			levels[i].Answer = cannot(missing)
		}
		return levels
	}
	figures, how := first.notes.spread(f, middle, float64(n*n*n)+200*float64(n+len(p.links)))
	for i := range levels {
		levels[i].How = how
		levels[i].conclude(figures[i], figures[n+i], p.air)
	}
	return levels
}

func cannot(missing []string) string {
	return "No level can be given. Missing: " + strings.Join(missing, "; ") + "."
}

// aboveReported is the level of acetic acid above which no measured case or cabinet is known.
//
// source: Heritage Science 2020, s40494-020-0357-8, table 1: at most 5698 µg/m³.
const aboveReported = 10_000

// conclude says what the figures mean.
func (l *Level) conclude(level, rise Figure, air *Air) {
	switch {
	case math.IsNaN(level.Middle):
		l.State = Still
		l.Answer = "Nothing gives off this gas here and nothing leaves: the level stays as it is."
		return
	case math.IsInf(level.Middle, 1):
		l.State, l.RiseUGM3H = Rising, rise
		l.Answer = fmt.Sprintf("No steady level: nothing leaves and no surface takes it up, so the level rises by %s µg/m³ in each hour as long as the source lasts.", rise)
		return
	}
	l.State, l.UGM3 = Settled, level
	l.Answer = fmt.Sprintf("Settles at %s µg/m³", level)
	if air.TempC.Given() {
		hpa := StandardHPa
		if air.PressureHPa.Given() {
			hpa = air.PressureHPa.Value
		}
		if ppb, err := ToPPB(l.Gas, level, air.TempC.Value, hpa); err == nil {
			l.PPB = &ppb
			l.Answer += ", which is " + ppb.String()
		}
	}
	l.Answer += "."
	if level.NoGreatest {
		l.say("At one end of the ranges nothing leaves and nothing is taken up: there is no greatest level.")
	}
	if l.Gas == AceticAcid && level.Middle > aboveReported {
		l.say("This is above anything reported from a case or cabinet: check emission, exchange and uptake.")
	}
}

// say adds words of this level alone.
func (l *Level) say(sentence string) { l.Words = append(slices.Clip(l.Words), sentence) }

// Pace is how fast a connected part of a network comes to rest.
type Pace struct {
	Gas      Gas      `json:"gas"`
	Spaces   []string `json:"spaces"`
	PerHour  float64  `json:"per_hour"`            // of the slowest mode; of a single space the whole loss; 0: never
	HalfHour float64  `json:"half_hours,omitzero"` // hours until half of a change has happened; 0: never
	Hours95  float64  `json:"hours_95,omitzero"`   // hours until the level is within 5 % of its end; 0: never
	Missing  []string `json:"missing,omitempty"`   // inputs that are not there: no figure is given then
}

// Paces are computed from the values of the inputs, without ranges. In several connected spaces most
// levels come to rest sooner than the slowest mode says.
func Paces(n Network) ([]Pace, error) {
	if err := n.Check(); err != nil {
		return nil, err
	}
	list := []Pace{}
	for _, g := range n.Gases() {
		for _, p := range n.parts() {
			pace := Pace{Gas: g}
			for _, s := range p.spaces {
				pace.Spaces = append(pace.Spaces, s.Name)
			}
			first := firstLook(p.inputs())
			s := p.balance(first, g, false)
			if pace.Missing = first.notes.missing; len(pace.Missing) == 0 {
				if pace.PerHour = s.modes().rate[0]; pace.PerHour > 0 {
					pace.HalfHour, pace.Hours95 = math.Ln2/pace.PerHour, math.Log(20)/pace.PerHour
				}
			}
			list = append(list, pace)
		}
	}
	return list, nil
}

// EmissionFromChamber is the emission rate, µg/(m²·h), of a material that holds a test chamber at a
// steady level with so many air changes per hour and so many square metres per cubic metre.
func EmissionFromChamber(levelUGM3, exchangePerHour, loadM2M3 Quantity) (Quantity, error) {
	return product("chamber", named{"/level_ug_m3", levelUGM3, boundsLevel, raises},
		named{"/exchange_per_hour", exchangePerHour, boundsPerDay, raises},
		named{"/load_m2_m3", loadM2M3, bounds{0, 1e5, true, "Give square metres in each cubic metre."}, lowers})
}

// EmissionFromSampler is the emission rate, µg/(m²·h), of the only source in a space whose steady level
// was measured there, when the space has so many air changes per day and no other loss.
func EmissionFromSampler(levelUGM3, exchangePerDay, volumeM3, areaM2 Quantity) (Quantity, error) {
	q, err := product("sampler", named{"/level_ug_m3", levelUGM3, boundsLevel, raises},
		named{"/exchange_per_day", exchangePerDay, boundsPerDay, raises},
		named{"/volume_m3", volumeM3, boundsVolume, raises},
		named{"/area_m2", areaM2, bounds{0, 1e6, true, "Give the area in square metres."}, lowers})
	q.Value, q.Least, q.Greatest = q.Value/hoursPerDay, q.Least/hoursPerDay, q.Greatest/hoursPerDay
	return q, err
}

type named struct {
	pointer  string
	quantity Quantity
	bounds   bounds
	effect   effect
}

// product multiplies what raises and divides by what lowers. It is measured only when every factor is.
func product(from string, factors ...named) (Quantity, error) {
	var faults []domain.Field
	q := Quantity{Value: 1, Least: 1, Greatest: 1, Basis: Measured}
	sources := []string{}
	for _, f := range factors {
		if !f.quantity.Given() {
			faults = append(faults, domain.Field{Pointer: f.pointer, Rule: "required", Message: "This is missing; without it no rate follows."})
			continue
		}
		f.quantity.check("", f.pointer, f.bounds, &faults)
		least, greatest := f.quantity.Ends()
		if f.effect == raises {
			q.Value, q.Least, q.Greatest = q.Value*f.quantity.Value, q.Least*least, q.Greatest*greatest
		} else {
			q.Value, q.Least, q.Greatest = q.Value/f.quantity.Value, q.Least/greatest, q.Greatest/least
		}
		if f.quantity.Basis == Assumed || q.Basis == Measured {
			q.Basis = f.quantity.Basis
		}
		if s := f.quantity.Source; s != "" && !slices.Contains(sources, s) {
			sources = append(sources, s)
		}
	}
	if err := domain.InvalidFields(faults); err != nil {
		return Quantity{}, err
	}
	q.Source = strings.Join(append([]string{"from a " + from}, sources...), "; ")
	return q, nil
}
