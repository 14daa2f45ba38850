package enclosure

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"farthingale/domain"
)

// Network is any number of air spaces that exchange air with each other and with rooms.
type Network struct {
	Air       Air        `json:"air,omitzero"`
	Spaces    []Space    `json:"spaces" validate:"max=60,dive"`
	Rooms     []Room     `json:"rooms" validate:"max=20,dive"`
	Exchanges []Exchange `json:"exchanges" validate:"max=300,dive"`
}

// Space is an air space that is well mixed. Names of spaces and rooms are unique in a network.
type Space struct {
	Name     string     `json:"name" validate:"required,max=120"`
	VolumeM3 Quantity   `json:"volume_m3,omitzero"`
	RHPct    Quantity   `json:"rh_pct,omitzero"` // relative humidity; no level is computed from it
	Surfaces []Surface  `json:"surfaces" validate:"max=40,dive"`
	Start    []GasLevel `json:"start,omitempty" validate:"max=20,dive"` // levels at time zero, for a course over time only
}

// Surface gives off gases, takes them up, or both. Names are unique in a space.
type Surface struct {
	Name      string     `json:"name" validate:"required,max=200"`
	AreaM2    Quantity   `json:"area_m2,omitzero"`
	Covered   bool       `json:"covered,omitzero"`
	Passing   Quantity   `json:"passing,omitzero"` // share of emission and uptake that a cover lets through; needed when covered
	Emissions []Emission `json:"emissions,omitempty" validate:"max=20,dive"`
	Uptakes   []Uptake   `json:"uptakes,omitempty" validate:"max=20,dive"`
}

// Emission is what a surface gives off.
type Emission struct {
	Gas       Gas      `json:"gas" validate:"required,max=60"`
	RateUGM2H Quantity `json:"rate_ug_m2_h,omitzero"`

	// TempC is the temperature that the rate stands for, ActivationKJMol how strongly it depends on
	// temperature. With both missing the rate is taken as it is.
	TempC           Quantity `json:"temp_c,omitzero"`
	ActivationKJMol Quantity `json:"activation_kj_mol,omitzero"`

	// EquilibriumUGM3 is the level at which the emission stops. Missing: it never slows, so the level
	// in a nearly closed space is an upper bound.
	EquilibriumUGM3 Quantity `json:"equilibrium_ug_m3,omitzero"`
}

// Uptake is what a surface takes up.
type Uptake struct {
	Gas         Gas      `json:"gas" validate:"required,max=60"`
	VelocityCMS Quantity `json:"velocity_cm_s,omitzero"`
}

// GasLevel is the level of one gas.
type GasLevel struct {
	Gas  Gas      `json:"gas" validate:"required,max=60"`
	UGM3 Quantity `json:"ug_m3,omitzero"`
}

// Room is air so large that its levels stay: a room, or outdoors. A gas whose level is not given is
// missing, not absent; use Assumed.Of(0, …) for clean air.
type Room struct {
	Name   string     `json:"name" validate:"required,max=120"`
	Levels []GasLevel `json:"levels" validate:"max=20,dive"`
}

// Exchange is one path of air between a space (Inner) and another space or a room (Outer). It has
// either a rate or a gap. Two spaces may have several gaps between them, but a rate is the whole of
// the exchange between the two.
type Exchange struct {
	Name  string `json:"name" validate:"required,max=200"`
	Inner string `json:"inner" validate:"required,max=120"`
	Outer string `json:"outer" validate:"required,max=120"`
	Rate  *Rate  `json:"rate,omitempty"`
	Gap   *Gap   `json:"gap,omitempty"`
}

// Rate is an exchange that is assumed, published, or measured by tracer decay, in changes of the inner
// space's air. Zero closes the path.
type Rate struct {
	PerDay         Quantity `json:"per_day,omitzero"`
	OpeningsPerDay Quantity `json:"openings_per_day,omitzero"` // each counts as one change of air; missing: never opened

	// Tracer is the gas that the rate was measured with; empty: not by tracer. Diffusive says that
	// diffusion rules the exchange, so the rate goes with the diffusion coefficient of each gas.
	Tracer    Gas  `json:"tracer,omitempty" validate:"max=60"`
	Diffusive bool `json:"diffusive,omitzero"`
}

// Gases lists what is given off, or is in a room or at the start, each once, in order of first
// appearance.
func (n *Network) Gases() []Gas {
	var list []Gas
	add := func(g Gas) {
		if !slices.Contains(list, g) {
			list = append(list, g)
		}
	}
	for _, s := range n.Spaces {
		for _, surface := range s.Surfaces {
			for _, e := range surface.Emissions {
				add(e.Gas)
			}
		}
	}
	for _, r := range n.Rooms {
		for _, l := range r.Levels {
			add(l.Gas)
		}
	}
	for _, s := range n.Spaces {
		for _, l := range s.Start {
			add(l.Gas)
		}
	}
	return list
}

// StartClean is the network with the assumption that each gas whose start is not given starts from
// clean air.
func (n *Network) StartClean() Network {
	c := n.clone()
	for _, g := range c.Gases() {
		for i := range c.Spaces {
			if levelOf(c.Spaces[i].Start, g) == nil {
				c.Spaces[i].Start = append(c.Spaces[i].Start, GasLevel{g, Assumed.Of(0, "starts from clean air")})
			}
		}
	}
	return c
}

// SpacesMost is the most spaces of a network. With ranges and all of them connected, steady levels of a
// gas take a second or two.
const SpacesMost = 200

// Check refuses a network that cannot be computed: all faults at once, as JSON pointers. What is only
// missing is no fault.
func (n *Network) Check() error {
	var faults []domain.Field
	fault := func(pointer, rule, message string) {
		faults = append(faults, domain.Field{Pointer: pointer, Rule: rule, Message: message})
	}
	if len(n.Spaces) == 0 || len(n.Spaces) > SpacesMost {
		fault("/spaces", "count", fmt.Sprintf("Give between 1 and %d spaces.", SpacesMost))
	}
	n.Air.check("/air", &faults)
	names := map[string]bool{}
	name := func(pointer, text string) {
		switch {
		case strings.TrimSpace(text) == "" || !domain.CleanText(text):
			fault(pointer, "required", "Give it a name.")
		case names[text]:
			fault(pointer, "unique", fmt.Sprintf("%q stands twice; names of spaces and rooms must differ.", text))
		}
		names[text] = true
	}
	for i := range n.Spaces {
		at := fmt.Sprintf("/spaces/%d", i)
		name(at+"/name", n.Spaces[i].Name)
		n.Spaces[i].check(at, &faults)
	}
	for i := range n.Rooms {
		at := fmt.Sprintf("/rooms/%d", i)
		name(at+"/name", n.Rooms[i].Name)
		checkLevels(n.Rooms[i].Levels, at+"/levels", &faults)
	}
	n.checkExchanges(&faults)
	return domain.InvalidFields(faults)
}

func (s *Space) check(at string, faults *[]domain.Field) {
	s.VolumeM3.check(at, "/volume_m3", boundsVolume, faults)
	s.RHPct.check(at, "/rh_pct", boundsRH, faults)
	checkLevels(s.Start, at+"/start", faults)
	names := map[string]bool{}
	for j := range s.Surfaces {
		at := at + "/surfaces/" + strconv.Itoa(j)
		surface := &s.Surfaces[j]
		switch {
		case strings.TrimSpace(surface.Name) == "" || !domain.CleanText(surface.Name):
			*faults = append(*faults, domain.Field{Pointer: at + "/name", Rule: "required", Message: "Give the surface a name."})
		case names[surface.Name]:
			*faults = append(*faults, domain.Field{Pointer: at + "/name", Rule: "unique", Message: fmt.Sprintf("%q stands twice in this space.", surface.Name)})
		}
		names[surface.Name] = true
		surface.check(at, faults)
	}
}

func (s *Surface) check(at string, faults *[]domain.Field) {
	s.AreaM2.check(at, "/area_m2", boundsArea, faults)
	s.Passing.check(at, "/passing", boundsShare, faults)
	if s.Passing.Given() && !s.Covered {
		*faults = append(*faults, domain.Field{Pointer: at + "/passing", Rule: "unused", Message: "Only a covered surface has a share that passes its cover."})
	}
	var seen []Gas
	for k := range s.Emissions {
		e, at := &s.Emissions[k], at+"/emissions/"+strconv.Itoa(k)
		seen = checkGas(e.Gas, seen, at, faults)
		e.RateUGM2H.check(at, "/rate_ug_m2_h", boundsEmission, faults)
		e.TempC.check(at, "/temp_c", boundsTempC, faults)
		e.ActivationKJMol.check(at, "/activation_kj_mol", boundsEnergy, faults)
		e.EquilibriumUGM3.check(at, "/equilibrium_ug_m3", boundsCeiling, faults)
	}
	seen = nil
	for k := range s.Uptakes {
		u, at := &s.Uptakes[k], at+"/uptakes/"+strconv.Itoa(k)
		seen = checkGas(u.Gas, seen, at, faults)
		u.VelocityCMS.check(at, "/velocity_cm_s", boundsUptake, faults)
	}
}

func checkLevels(levels []GasLevel, at string, faults *[]domain.Field) {
	var seen []Gas
	for k := range levels {
		at := at + "/" + strconv.Itoa(k)
		seen = checkGas(levels[k].Gas, seen, at, faults)
		levels[k].UGM3.check(at, "/ug_m3", boundsLevel, faults)
	}
}

func checkGas(g Gas, seen []Gas, at string, faults *[]domain.Field) []Gas {
	if _, ok := g.Substance(); !ok {
		*faults = append(*faults, domain.Field{Pointer: at + "/gas", Rule: "gas", Message: fmt.Sprintf("No gas %q is known here.", string(g))})
	}
	if slices.Contains(seen, g) {
		*faults = append(*faults, domain.Field{Pointer: at + "/gas", Rule: "unique", Message: fmt.Sprintf("%s stands twice here.", g)})
	}
	return append(seen, g)
}

// checkExchanges finds paths that lead nowhere or contradict each other.
func (n *Network) checkExchanges(faults *[]domain.Field) {
	spaces, rooms, names := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, s := range n.Spaces {
		spaces[s.Name] = true
	}
	for _, r := range n.Rooms {
		rooms[r.Name] = true
	}
	between := func(x *Exchange) [2]string { return [2]string{min(x.Inner, x.Outer), max(x.Inner, x.Outer)} }
	paths, rates := map[[2]string]int{}, map[[2]string]bool{}
	for i := range n.Exchanges {
		x := &n.Exchanges[i]
		paths[between(x)]++
		rates[between(x)] = rates[between(x)] || x.Rate != nil
	}
	for i := range n.Exchanges {
		x, at := &n.Exchanges[i], "/exchanges/"+strconv.Itoa(i)
		fault := func(pointer, rule, message string) {
			*faults = append(*faults, domain.Field{Pointer: at + pointer, Rule: rule, Message: message})
		}
		switch {
		case strings.TrimSpace(x.Name) == "" || !domain.CleanText(x.Name):
			fault("/name", "required", "Give the exchange a name.")
		case names[x.Name]:
			fault("/name", "unique", fmt.Sprintf("%q stands twice; names of exchanges must differ.", x.Name))
		}
		names[x.Name] = true
		if !spaces[x.Inner] {
			fault("/inner", "known", fmt.Sprintf("There is no space %q.", x.Inner))
		}
		switch {
		case x.Inner == x.Outer:
			fault("/outer", "other", "A space cannot exchange air with itself.")
		case !spaces[x.Outer] && !rooms[x.Outer]:
			fault("/outer", "known", fmt.Sprintf("There is no space or room %q.", x.Outer))
		}
		switch {
		case x.Rate != nil && x.Gap != nil:
			fault("/gap", "one", "Give either a rate or a gap.")
		case x.Rate == nil && x.Gap == nil:
			fault("", "one", "Give either a rate or a gap.")
		case rates[between(x)] && paths[between(x)] > 1:
			fault("", "contradiction", fmt.Sprintf("A rate is the whole exchange between %q and %q, but there is another path between them. Keep the rate or the gaps.", x.Inner, x.Outer))
		case x.Rate != nil:
			x.Rate.check(at+"/rate", faults)
		default:
			x.Gap.check(at+"/gap", faults)
		}
	}
}

func (r *Rate) check(at string, faults *[]domain.Field) {
	r.PerDay.check(at, "/per_day", boundsPerDay, faults)
	r.OpeningsPerDay.check(at, "/openings_per_day", boundsPerDay, faults)
	if _, ok := r.Tracer.Substance(); r.Tracer != "" && !ok {
		*faults = append(*faults, domain.Field{Pointer: at + "/tracer", Rule: "gas", Message: fmt.Sprintf("No gas %q is known here.", string(r.Tracer))})
	}
	if r.Diffusive && r.Tracer == "" {
		*faults = append(*faults, domain.Field{Pointer: at + "/tracer", Rule: "required", Message: "Say which gas the rate was measured with, so that it can be scaled."})
	}
}

func levelOf(levels []GasLevel, g Gas) *Quantity {
	for i := range levels {
		if levels[i].Gas == g {
			return &levels[i].UGM3
		}
	}
	return nil
}

// clone shares nothing that a change could touch.
func (n *Network) clone() Network {
	c := *n
	c.Spaces = slices.Clone(n.Spaces)
	for i := range c.Spaces {
		s := &c.Spaces[i]
		s.Start = slices.Clone(s.Start)
		s.Surfaces = slices.Clone(s.Surfaces)
		for j := range s.Surfaces {
			s.Surfaces[j].Emissions = slices.Clone(s.Surfaces[j].Emissions)
			s.Surfaces[j].Uptakes = slices.Clone(s.Surfaces[j].Uptakes)
		}
	}
	c.Rooms = slices.Clone(n.Rooms)
	for i := range c.Rooms {
		c.Rooms[i].Levels = slices.Clone(c.Rooms[i].Levels)
	}
	c.Exchanges = slices.Clone(n.Exchanges)
	for i := range c.Exchanges {
		x := &c.Exchanges[i]
		if x.Rate != nil {
			r := *x.Rate
			x.Rate = &r
		}
		if x.Gap != nil {
			g := *x.Gap
			x.Gap = &g
		}
	}
	return c
}
