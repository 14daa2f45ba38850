package enclosure

import (
	"fmt"
	"math"
	"slices"

	"farthingale/domain"
)

// Act is what a change does.
type Act string

// The acts, each with the fields of Change that it needs.
const (
	SetGap        Act = "gap"         // Exchange; Gap replaces its gap or rate, or WidthMM changes its width
	SetRate       Act = "rate"        // Exchange; PerDay replaces its gap or rate
	SetVolume     Act = "volume"      // Space, VolumeM3
	SetTemp       Act = "temperature" // TempC
	RemoveSurface Act = "remove"      // Space, Surface
	CoverSurface  Act = "cover"       // Space, Surface, Passing: share that still passes, 0 for none
	AddSurface    Act = "add"         // Space, Add: a sorbent, for example
)

// Change is one step of a 'what if'.
type Change struct {
	Act      Act      `json:"act" validate:"required,oneof=gap rate volume temperature remove cover add"`
	Exchange string   `json:"exchange,omitempty" validate:"max=200"`
	Space    string   `json:"space,omitempty" validate:"max=120"`
	Surface  string   `json:"surface,omitempty" validate:"max=200"`
	WidthMM  Quantity `json:"width_mm,omitzero"`
	Gap      *Gap     `json:"gap,omitempty"`
	PerDay   Quantity `json:"per_day,omitzero"`
	VolumeM3 Quantity `json:"volume_m3,omitzero"`
	TempC    Quantity `json:"temp_c,omitzero"`
	Passing  Quantity `json:"passing,omitzero"`
	Add      *Surface `json:"add,omitempty"`
}

// Difference is one level before and after.
type Difference struct {
	Space  string  `json:"space"`
	Gas    Gas     `json:"gas"`
	Before Level   `json:"before"`
	After  Level   `json:"after"`
	Factor float64 `json:"factor,omitzero"` // after divided by before, from the middles; 0 without two figures or from zero
}

// WhatIf computes the steady levels of a network before and after the changes. It keeps nothing and
// leaves n as it was. Changed says in sentences what was changed.
func WhatIf(n Network, changes []Change) (differences []Difference, changed []string, err error) {
	before, err := Steady(n)
	if err != nil {
		return nil, nil, err
	}
	other, changed, err := n.Changed(changes)
	if err != nil {
		return nil, nil, err
	}
	after, err := Steady(other)
	if err != nil {
		return nil, nil, err
	}
	differences = []Difference{}
	for _, a := range after {
		b, ok := LevelIn(before, a.Space, a.Gas)
		if !ok {
			b = Level{Space: a.Space, Gas: a.Gas, State: Still, Answer: "Nothing gives off this gas.", Words: []string{}, Inputs: []Input{}}
		}
		d := Difference{Space: a.Space, Gas: a.Gas, Before: b, After: a}
		if b.State == Settled && a.State == Settled && b.UGM3.Middle > 0 {
			d.Factor = a.UGM3.Middle / b.UGM3.Middle
		}
		differences = append(differences, d)
	}
	for _, b := range before {
		if _, ok := LevelIn(after, b.Space, b.Gas); !ok {
			a := Level{Space: b.Space, Gas: b.Gas, State: Still, Answer: "Nothing gives off this gas any more.", Words: []string{}, Inputs: []Input{}}
			differences = append(differences, Difference{Space: b.Space, Gas: b.Gas, Before: b, After: a})
		}
	}
	return differences, changed, nil
}

// WhatIfOver computes the courses before and after the changes from the same start: where a start
// level is given that, else the steady level before the changes where there is one, else clean air.
// Each choice stands among the inputs as assumed; a range that it has counts as its own, apart from the
// ranges that it came from, so the range of the courses is rather too wide than too narrow.
func WhatIfOver(n Network, changes []Change, hours []float64, ranges bool) (before, after []Course, err error) {
	levels, err := Steady(n)
	if err != nil {
		return nil, nil, err
	}
	start := n.clone()
	for _, l := range levels {
		i := slices.IndexFunc(start.Spaces, func(s Space) bool { return s.Name == l.Space })
		s := &start.Spaces[i]
		if l.State == Settled && levelOf(s.Start, l.Gas) == nil {
			from := Assumed.Of(l.UGM3.Middle, "the steady level before the changes")
			if l.UGM3.Least < l.UGM3.Greatest && !l.UGM3.NoGreatest {
				from = from.Between(l.UGM3.Least, l.UGM3.Greatest)
			}
			s.Start = append(s.Start, GasLevel{l.Gas, from})
		}
	}
	other, _, err := start.Changed(changes)
	if err != nil {
		return nil, nil, err
	}
	if before, err = Over(start.StartClean(), hours, ranges); err != nil {
		return nil, nil, err
	}
	after, err = Over(other.StartClean(), hours, ranges)
	return before, after, err
}

// Changed is a copy of the network with the changes made in their order, and a sentence for each.
func (n *Network) Changed(changes []Change) (Network, []string, error) {
	c := n.clone()
	said := []string{}
	for i := range changes {
		sentence, err := changes[i].apply(&c, fmt.Sprintf("/changes/%d", i))
		if err != nil {
			return Network{}, nil, err
		}
		said = append(said, sentence)
	}
	if err := c.Check(); err != nil {
		return Network{}, nil, err
	}
	return c, said, nil
}

// uses are the fields of Change that each act has.
var uses = map[Act][]string{
	SetGap: {"exchange", "width_mm", "gap"}, SetRate: {"exchange", "per_day"}, SetVolume: {"space", "volume_m3"}, SetTemp: {"temp_c"},
	RemoveSurface: {"space", "surface"}, CoverSurface: {"space", "surface", "passing"}, AddSurface: {"space", "add"},
}

// idle finds fields that the act does not have, so that nothing that was said is silently lost.
func (ch *Change) idle(at string) error {
	var faults []domain.Field
	for _, f := range []struct {
		name  string
		given bool
	}{
		{"exchange", ch.Exchange != ""}, {"space", ch.Space != ""}, {"surface", ch.Surface != ""}, {"width_mm", ch.WidthMM != Quantity{}}, {"gap", ch.Gap != nil},
		{"per_day", ch.PerDay != Quantity{}}, {"volume_m3", ch.VolumeM3 != Quantity{}}, {"temp_c", ch.TempC != Quantity{}}, {"passing", ch.Passing != Quantity{}}, {"add", ch.Add != nil},
	} {
		if f.given && !slices.Contains(uses[ch.Act], f.name) {
			faults = append(faults, domain.Field{Pointer: at + "/" + f.name, Rule: "unused", Message: fmt.Sprintf("A change %q has no such member. Leave it out.", string(ch.Act))})
		}
	}
	return domain.InvalidFields(faults)
}

func (ch *Change) apply(n *Network, at string) (string, error) {
	if _, known := uses[ch.Act]; known {
		if err := ch.idle(at); err != nil {
			return "", err
		}
	}
	switch ch.Act {
	case SetGap, SetRate:
		return ch.open(n, at)
	case SetTemp:
		if !ch.TempC.Given() {
			return "", needed(at+"/temp_c", "the new temperature")
		}
		n.Air.TempC = ch.TempC
		return fmt.Sprintf("Temperature: %s, %s.", ch.TempC.Range("°C"), ch.TempC.Basis), nil
	case SetVolume, RemoveSurface, CoverSurface, AddSurface:
		i := slices.IndexFunc(n.Spaces, func(s Space) bool { return s.Name == ch.Space })
		if i < 0 {
			return "", domain.Invalid(at+"/space", "known", fmt.Sprintf("There is no space %q.", ch.Space))
		}
		return ch.fill(&n.Spaces[i], at)
	}
	return "", domain.Invalid(at+"/act", "oneof", fmt.Sprintf("There is no change %q.", string(ch.Act)))
}

func needed(pointer, what string) error {
	return domain.Invalid(pointer, "required", "Give "+what+".")
}

// open changes a path of air.
func (ch *Change) open(n *Network, at string) (string, error) {
	i := slices.IndexFunc(n.Exchanges, func(x Exchange) bool { return x.Name == ch.Exchange })
	if i < 0 {
		return "", domain.Invalid(at+"/exchange", "known", fmt.Sprintf("There is no exchange %q.", ch.Exchange))
	}
	x := &n.Exchanges[i]
	switch {
	case ch.Act == SetRate && !ch.PerDay.Given():
		return "", needed(at+"/per_day", "the new rate")
	case ch.Act == SetRate:
		x.Gap, x.Rate = nil, &Rate{PerDay: ch.PerDay}
		return fmt.Sprintf("%s: %s, %s.", x.Name, ch.PerDay.Range("air changes per day"), ch.PerDay.Basis), nil
	case ch.Gap != nil && ch.WidthMM.Given():
		return "", domain.Invalid(at+"/width_mm", "one", "Give a whole gap or only its new width, not both.")
	case ch.Gap != nil:
		g := *ch.Gap
		x.Gap, x.Rate = &g, nil
		return fmt.Sprintf("%s: %s instead.", x.Name, g.Words()), nil
	case !ch.WidthMM.Given():
		return "", needed(at+"/width_mm", "the new width, or a whole gap")
	case x.Gap == nil:
		return "", domain.Invalid(at+"/gap", "required", fmt.Sprintf("%q has no gap yet; give a whole gap, not only a width.", x.Name))
	}
	x.Gap.WidthMM = ch.WidthMM
	return fmt.Sprintf("%s: %s, %s.", x.Name, ch.WidthMM.Range("mm wide"), ch.WidthMM.Basis), nil
}

// fill changes what a space is and holds.
func (ch *Change) fill(s *Space, at string) (string, error) {
	switch ch.Act {
	case SetVolume:
		if !ch.VolumeM3.Given() {
			return "", needed(at+"/volume_m3", "the new volume")
		}
		s.VolumeM3 = ch.VolumeM3
		return fmt.Sprintf("%s: %s, %s.", s.Name, Volumes.Shown(ch.VolumeM3), ch.VolumeM3.Basis), nil
	case AddSurface:
		if ch.Add == nil {
			return "", needed(at+"/add", "the surface to add")
		}
		s.Surfaces = append(s.Surfaces, *ch.Add)
		return fmt.Sprintf("%s: %s added.", s.Name, ch.Add.Name), nil
	}
	i := slices.IndexFunc(s.Surfaces, func(f Surface) bool { return f.Name == ch.Surface })
	if i < 0 {
		return "", domain.Invalid(at+"/surface", "known", fmt.Sprintf("There is no surface %q in %s.", ch.Surface, s.Name))
	}
	if ch.Act == RemoveSurface {
		s.Surfaces = slices.Delete(s.Surfaces, i, i+1)
		return fmt.Sprintf("%s: %s taken out.", s.Name, ch.Surface), nil
	}
	if !ch.Passing.Given() {
		return "", needed(at+"/passing", "the share that passes the cover, 0 for none")
	}
	s.Surfaces[i].Covered, s.Surfaces[i].Passing = true, ch.Passing
	return fmt.Sprintf("%s: %s covered, %s %% passes.", s.Name, ch.Surface, Number(100*math.Abs(ch.Passing.Value))), nil
}
