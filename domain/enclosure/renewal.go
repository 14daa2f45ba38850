package enclosure

import "math"

// Renewal is how often the air of a space changes with all that lies outside it: other spaces and rooms.
type Renewal struct {
	Space   string   `json:"space"`
	PerDay  *Figure  `json:"per_day,omitempty"` // nil: it cannot be computed
	Missing []string `json:"missing,omitempty"` // then: the inputs that are not there
	How     string   `json:"how,omitempty"`
}

// ReferenceGas stands for no particular gas where a single figure of exchange is wanted: of the gases
// whose diffusion was measured well it lies in the middle.
const ReferenceGas = CarbonDioxide

// Renewals computes the exchange of every space, of one gas because diffusion differs, in the order of
// the spaces. A space from which no path is given has none: that is not the same as closed.
func Renewals(n Network, g Gas) ([]Renewal, error) {
	if err := n.Check(); err != nil {
		return nil, err
	}
	if _, ok := g.Substance(); !ok {
		return nil, unknownGas("/gas", g)
	}
	bare := n.clone()
	place := map[string]int{}
	for i := range bare.Spaces {
		bare.Spaces[i].Surfaces, bare.Spaces[i].Start = nil, nil
		place[bare.Spaces[i].Name] = i
	}
	for i := range bare.Rooms {
		bare.Rooms[i].Levels = []GasLevel{{g, Assumed.Of(0, "")}} // what is in the room does not matter here
	}
	joined := map[string]bool{}
	for _, x := range bare.Exchanges {
		joined[x.Inner], joined[x.Outer] = true, true
	}
	list := make([]Renewal, len(bare.Spaces))
	for _, p := range bare.parts() {
		for _, r := range p.renewals(g) {
			if !joined[r.Space] {
				r = Renewal{Space: r.Space, Missing: []string{"a path of air"}}
			}
			list[place[r.Space]] = r
		}
	}
	return list, nil
}

func (p *part) renewals(g Gas) []Renewal {
	size := len(p.spaces)
	f := func(l *look) []float64 {
		s := p.balance(l, g, false)
		rates := make([]float64, size)
		for i := range rates {
			all := s.out[i]
			for j := range size {
				all += s.flow[i*size+j]
			}
			rates[i] = all / s.volume[i] * hoursPerDay
		}
		return rates
	}
	first := firstLook(p.inputs())
	middle := f(first)
	figures, how := first.notes.spread(f, middle, float64(size*size)+200*float64(len(p.links)))
	list := make([]Renewal, size)
	for i := range list {
		list[i] = Renewal{Space: p.spaces[i].Name}
		if math.IsNaN(middle[i]) || math.IsInf(middle[i], 0) {
			list[i].Missing = first.notes.missing
			continue
		}
		list[i].PerDay, list[i].How = &figures[i], how
	}
	return list
}
