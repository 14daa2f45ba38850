package enclosure

import (
	"fmt"
	"math"
	"slices"
)

// part is a connected part of a network. Rooms do not connect, because their levels stay.
type part struct {
	air    *Air
	spaces []*Space
	links  []link
}

// link is an exchange with its ends found.
type link struct {
	*Exchange
	inner, outer int // places in part.spaces; outer is -1 for a room
	room         *Room
}

// parts divides the network, which must have passed Check.
func (n *Network) parts() []part {
	place := make(map[string]int, len(n.Spaces))
	for i := range n.Spaces {
		place[n.Spaces[i].Name] = i
	}
	rooms := make(map[string]*Room, len(n.Rooms))
	for i := range n.Rooms {
		rooms[n.Rooms[i].Name] = &n.Rooms[i]
	}
	root := make([]int, len(n.Spaces))
	for i := range root {
		root[i] = i
	}
	find := func(i int) int {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	for _, x := range n.Exchanges {
		if rooms[x.Outer] == nil {
			root[find(place[x.Inner])] = find(place[x.Outer])
		}
	}
	var list []part
	of, within := map[int]int{}, make([]int, len(n.Spaces))
	for i := range n.Spaces {
		p, ok := of[find(i)]
		if !ok {
			p = len(list)
			of[find(i)] = p
			list = append(list, part{air: &n.Air})
		}
		within[i] = len(list[p].spaces)
		list[p].spaces = append(list[p].spaces, &n.Spaces[i])
	}
	for i := range n.Exchanges {
		x := &n.Exchanges[i]
		inner := place[x.Inner]
		l := link{Exchange: x, inner: within[inner], outer: -1, room: rooms[x.Outer]}
		if l.room == nil {
			l.outer = within[place[x.Outer]]
		}
		p := &list[of[find(inner)]]
		p.links = append(p.links, l)
	}
	return list
}

// inputs is about how many inputs a gas has in the part.
func (p *part) inputs() int { return 4*len(p.spaces) + 2*len(p.links) }

// system is the balance of one gas in one part: for each space i
//
//	volume·dC/dt = source + Σ flow(i,j)·(C_j − C_i) − (uptake + back + out)·C + inflow
//
// source: the single-zone balance, named after Weschler & Shields in the corrosion literature;
// Ryhl-Svendsen 2006, Indoor air pollution in museums; written here for several spaces.
type system struct {
	volume []float64 // m³
	start  []float64 // µg/m³
	source []float64 // µg/h from surfaces
	inflow []float64 // µg/h with air from rooms
	uptake []float64 // m³/h made clean by surfaces
	back   []float64 // m³/h likewise by emitters that slow down as the level rises
	out    []float64 // m³/h to rooms
	flow   []float64 // m³/h between spaces, n×n, symmetric, zero on the diagonal
}

func newSystem(n int) *system {
	all := make([]float64, 7*n+n*n)
	next := func(size int) []float64 {
		s := all[:size:size]
		all = all[size:]
		return s
	}
	return &system{next(n), next(n), next(n), next(n), next(n), next(n), next(n), next(n * n)}
}

// sink is all that leaves space i for good, m³/h.
func (s *system) sink(i int) float64 { return s.uptake[i] + s.back[i] + s.out[i] }

// gain is all that enters space i from outside the part, µg/h.
func (s *system) gain(i int) float64 { return s.source[i] + s.inflow[i] }

// balance asks for the inputs of one gas and sets the system up. The start levels are asked for only
// when the course begins from them.
func (p *part) balance(l *look, g Gas, withStart bool) *system {
	s := newSystem(len(p.spaces))
	noting := l.notes != nil
	for i, space := range p.spaces {
		s.volume[i] = l.take(&space.VolumeM3, either, "volume of", space.Name)
		if withStart {
			if start := levelOf(space.Start, g); start != nil {
				s.start[i] = l.take(start, raises, "level at the start in", space.Name)
			} else if noting {
				l.miss(fmt.Sprintf("level of %s at the start in", g), space.Name)
			}
		}
		for j := range space.Surfaces {
			p.surface(l, s, i, g, &space.Surfaces[j])
		}
	}
	for i := range p.links {
		l.group = i + 1
		p.exchange(l, s, g, &p.links[i])
	}
	l.group = noGroup
	if noting {
		p.bounds(l, g)
	}
	return s
}

// surface adds what a surface gives off and takes up.
func (p *part) surface(l *look, s *system, i int, g Gas, surface *Surface) {
	gives := slices.ContainsFunc(surface.Emissions, func(e Emission) bool { return e.Gas == g })
	takes := slices.ContainsFunc(surface.Uptakes, func(u Uptake) bool { return u.Gas == g })
	if !gives && !takes {
		return
	}
	of := ""
	if l.notes != nil {
		of = surface.Name + " in " + p.spaces[i].Name
	}
	area := func(e effect) float64 {
		a := l.take(&surface.AreaM2, e, "area of", of)
		if surface.Covered {
			a *= l.take(&surface.Passing, e, "share that passes the cover of", of)
		}
		return a
	}
	for k := range surface.Emissions {
		e := &surface.Emissions[k]
		if e.Gas != g {
			continue
		}
		// With an equilibrium a stronger emitter also takes back more when others raise the level.
		direction := raises
		if e.EquilibriumUGM3.Given() {
			direction = either
		}
		from := ""
		if l.notes != nil {
			from = "of " + g.String() + " from " + of
		}
		rate := area(direction) * l.take(&e.RateUGM2H, direction, "emission", from) * p.warmth(l, e, from)
		s.source[i] += rate
		if e.EquilibriumUGM3.Given() {
			s.back[i] += rate / l.take(&e.EquilibriumUGM3, raises, "equilibrium level", from)
		}
	}
	for k := range surface.Uptakes {
		u := &surface.Uptakes[k]
		if u.Gas != g {
			continue
		}
		to := ""
		if l.notes != nil {
			to = "of " + g.String() + " on " + of
			p.stillAir(l, u, to)
		}
		s.uptake[i] += area(lowers) * l.take(&u.VelocityCMS, lowers, "deposition velocity", to) / 100 * secondsAnHr
	}
}

// warmth is the factor that carries an emission from its own temperature to that of the air.
func (p *part) warmth(l *look, e *Emission, from string) float64 {
	if !e.ActivationKJMol.Given() {
		if e.TempC.Given() && p.air.TempC.Given() && e.TempC.Value != p.air.TempC.Value {
			l.caution(fmt.Sprintf("The emission %s stands for %s °C and is used at %s °C as it is: how it depends on temperature is not given.",
				from, Number(e.TempC.Value), Number(p.air.TempC.Value)))
		}
		return 1
	}
	return EmissionFactor(l.take(&e.ActivationKJMol, either, "activation energy", from),
		l.take(&e.TempC, either, "temperature of the emission rate", from),
		l.take(&p.air.TempC, either, "temperature", ""))
}

// EmissionFactor is by what an emission rate changes from one temperature to another.
//
// source: Arrhenius' law; for wood and paper 37 to 74 kJ/mol follow from the halving to quartering
// between 23 and 10 °C of Smedemark et al. 2020, Heritage Science 8:58.
func EmissionFactor(activationKJMol, fromC, toC float64) float64 {
	return math.Exp(-activationKJMol * 1000 / gasConstant * (1/(toC+kelvin) - 1/(fromC+kelvin)))
}

// stillLayerM is how thick the air at rest before a surface is at least, about.
const stillLayerM = 0.01

// stillAir warns of an uptake that air at rest could not feed.
func (p *part) stillAir(l *look, u *Uptake, to string) {
	s, ok := u.Gas.Substance()
	if !ok || s.Method == None || !p.air.TempC.Given() {
		return
	}
	if most := s.diffusion(p.air.TempC.Value+kelvin, standardPa) / stillLayerM * 100; u.VelocityCMS.Value > most {
		l.caution(fmt.Sprintf("The deposition velocity %s is above %s cm/s, about the most that still air can carry.", to, Number(most)))
	}
}

// exchange adds a path.
func (p *part) exchange(l *look, s *system, g Gas, x *link) {
	of := ""
	if l.notes != nil {
		of = "of " + x.Name
	}
	var perDay float64
	if x.Rate != nil {
		perDay = p.rate(l, g, x.Rate, of)
	} else {
		tempK, pa := p.air.take(l)
		substance, _ := g.Substance()
		d := substance.take(l, tempK, pa, either)
		perDay = x.Gap.leak(l, d, tempK, pa, s.volume[x.inner], of).perDay
	}
	flow := perDay * s.volume[x.inner] / hoursPerDay
	if x.room == nil {
		n := len(s.volume)
		s.flow[x.inner*n+x.outer] += flow
		s.flow[x.outer*n+x.inner] += flow
		return
	}
	s.out[x.inner] += flow
	if x.closed() {
		return // what is in the room does not matter
	}
	group, of := l.group, ""
	l.group = noGroup
	if l.notes != nil {
		of = "of " + g.String() + " in " + x.room.Name
	}
	if level := levelOf(x.room.Levels, g); level != nil {
		s.inflow[x.inner] += flow * l.take(level, raises, "level", of)
	} else {
		l.miss("level", of)
	}
	l.group = group
}

// closed says whether no air can pass, whatever the ranges.
func (x *Exchange) closed() bool {
	if x.Gap != nil {
		return x.Gap.Blocked
	}
	_, most := x.Rate.PerDay.Ends()
	_, openings := x.Rate.OpeningsPerDay.Ends()
	return x.Rate.PerDay.Given() && most == 0 && openings == 0
}

func (p *part) rate(l *look, g Gas, r *Rate, of string) float64 {
	perDay := l.take(&r.PerDay, raises, "exchange per day", of)
	switch {
	case r.Tracer == "" || r.Tracer == g:
	case !r.Diffusive:
		l.caution(fmt.Sprintf("The exchange %s was measured with %s and is used for %s as it is. Where diffusion rules it should be scaled.", of, r.Tracer, g))
	default:
		tempK, pa := p.air.take(l)
		to, _ := g.Substance()
		from, _ := r.Tracer.Substance()
		perDay *= to.take(l, tempK, pa, either) / from.take(l, tempK, pa, either)
	}
	if r.OpeningsPerDay.Given() {
		perDay += l.take(&r.OpeningsPerDay, raises, "openings per day", of)
	}
	return perDay
}

// bounds says in which way the level is only a bound.
func (p *part) bounds(l *look, g Gas) {
	emits, slows, takes := false, true, false
	for _, space := range p.spaces {
		for _, surface := range space.Surfaces {
			for _, e := range surface.Emissions {
				if e.Gas == g {
					emits = true
					slows = slows && e.EquilibriumUGM3.Given()
				}
			}
			for _, u := range surface.Uptakes {
				takes = takes || u.Gas == g
			}
		}
	}
	if !emits {
		return
	}
	if !takes {
		l.caution("No uptake by surfaces is given: the level is an upper bound.")
	}
	if !slows {
		l.caution("Emission is taken as never slowing down (no equilibrium level is given): in a nearly closed space the level is an upper bound.")
	}
}
