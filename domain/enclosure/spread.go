package enclosure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
)

// Input is one quantity that a computed figure rests on, in words.
type Input struct {
	What     string   `json:"what"` // "emission of acetic acid from back board in case"
	Quantity Quantity `json:"quantity"`
	Unit     string   `json:"unit,omitempty"` // of the quantity; empty: a factor or a share
}

// units of inputs, by how what they are begins; a longer beginning comes before a shorter one.
var units = [][2]string{
	{"area of", "m²"}, {"volume", "m³"}, {"emission of", "µg/(m²·h)"}, {"activation energy", "kJ/mol"}, {"equilibrium level", "µg/m³"}, {"level", "µg/m³"},
	{"deposition velocity", "cm/s"}, {"exchange per day", "per day"}, {"openings per day", "per day"}, {"temperature", "°C"}, {"pressure", "hPa"},
	{"difference of temperature", "K"}, {"daily change of temperature", "K"}, {"daily change of pressure", "hPa"},
	{"width", "mm"}, {"length", "mm"}, {"depth", "mm"}, {"diameter", "mm"}, {"height", "mm"},
}

func unitOf(what string) string {
	for _, u := range units {
		if strings.HasPrefix(what, u[0]) {
			return u[1]
		}
	}
	return ""
}

// effect is which way a computed value goes when an input grows and all others stay.
type effect int8

const (
	either  effect = 0 // not known beforehand
	raises  effect = 1
	lowers  effect = -1
	noGroup        = 0
)

// look hands out the inputs of a computation. The first look notes every input that is asked for, in
// one place with the computation itself, so that the list of inputs cannot fall behind it; later
// looks hand out other values from the ranges.
type look struct {
	drawn map[*Quantity]float64 // values of the present draw; others stand at their middle
	notes *notes                // nil after the first look
	group int                   // inputs asked for now act only through one exchange; noGroup: directly
}

// notes is what the first look saw.
type notes struct {
	inputs   []noted
	at       map[*Quantity]int
	missing  []string
	cautions []string
}

type noted struct {
	quantity *Quantity
	what     string
	effect   effect // on the result, or on the exchange of its group
	group    int
}

// firstLook notes; about is how many inputs are expected.
func firstLook(about int) *look {
	return &look{notes: &notes{at: make(map[*Quantity]int, about), inputs: make([]noted, 0, about)}}
}

// take is the value of q for this look. what and of name it in words.
func (l *look) take(q *Quantity, e effect, what, of string) float64 {
	if l.notes != nil {
		l.notes.add(q, noted{quantity: q, what: join(what, of), effect: e, group: l.group})
	}
	if v, ok := l.drawn[q]; ok {
		return v
	}
	if !q.Given() {
		return math.NaN()
	}
	return q.Value
}

// caution notes a sentence once.
func (l *look) caution(sentence string) {
	if l.notes != nil && !slices.Contains(l.notes.cautions, sentence) {
		l.notes.cautions = append(l.notes.cautions, sentence)
	}
}

// miss notes an input that is not there.
func (l *look) miss(what, of string) {
	if text := join(what, of); l.notes != nil && !slices.Contains(l.notes.missing, text) {
		l.notes.missing = append(l.notes.missing, text)
	}
}

func join(what, of string) string {
	if of == "" {
		return what
	}
	return what + " " + of
}

func (n *notes) add(q *Quantity, in noted) {
	if !q.Given() {
		if !slices.Contains(n.missing, in.what) {
			n.missing = append(n.missing, in.what)
		}
		return
	}
	if i, ok := n.at[q]; ok {
		// An input that acts in two ways has no known direction.
		if known := &n.inputs[i]; known.effect != in.effect || known.group != in.group {
			known.effect, known.group = either, noGroup
		}
		return
	}
	n.at[q] = len(n.inputs)
	n.inputs = append(n.inputs, in)
}

// listed are the inputs as people read them.
func (n *notes) listed() []Input {
	list := make([]Input, len(n.inputs))
	for i, in := range n.inputs {
		list[i] = Input{in.what, *in.quantity, unitOf(in.what)}
	}
	return list
}

// Limits of the work that goes into ranges.
const (
	spreadWork    = 3e7  // rough count of multiplications
	cornersMost   = 4096 // evaluations of corners
	drawsLeast    = 200
	drawsMost     = 1000
	drawsValues   = 4e6 // values kept to find the middle 95 of 100
	drawsSeed     = 0x6661727468
	drawsSeedMore = 0x696e67616c65
)

// choice is a set of inputs that go to one end of their ranges together.
type choice struct {
	members []noted
	// up[i] is +1 when member i stands at its greatest at the upper setting, -1 when at its least.
	up []effect
}

// choices divides the ranged inputs: each choice is two settings to be combined with all others. The
// directly known ones share a single choice; those of one exchange share one, because a result cannot
// see more of an exchange than its size, and its size goes one known way with each of them.
func (n *notes) choices() (list []choice, ranged, known int) {
	groups := map[int]int{}
	for _, in := range n.inputs {
		if !in.quantity.Ranged() {
			continue
		}
		ranged++
		key := in.group
		switch {
		case in.effect == either:
			list = append(list, choice{[]noted{in}, []effect{raises}})
			continue
		case in.group == noGroup:
			known++
		}
		at, ok := groups[key]
		if !ok {
			at = len(list)
			groups[key] = at
			list = append(list, choice{})
		}
		list[at].members = append(list[at].members, in)
		list[at].up = append(list[at].up, in.effect)
	}
	return list, ranged, known
}

// spread finds the figures of f, whose first look (already taken) gave middle and n. Cost is the rough
// work of one evaluation. A value of f is +Inf where it grows without limit and NaN where there is
// none; neither leaves this package.
func (n *notes) spread(f func(*look) []float64, middle []float64, cost float64) (figures []Figure, how string) {
	figures = make([]Figure, len(middle))
	for i, m := range middle {
		figures[i] = Figure{Middle: m, Least: m, Greatest: m}
	}
	list, ranged, known := n.choices()
	if ranged == 0 {
		return figures, "No input states a range, so no range follows; that does not make the figures exact."
	}
	allowed := math.Min(cornersMost, math.Max(64, spreadWork/cost))
	if bits := len(list); bits < 13 && float64(int(1)<<bits) <= allowed {
		n.corners(f, list, figures)
		return figures, cornerWords(ranged, known, 1<<bits)
	}
	draws := int(math.Min(math.Min(drawsMost, drawsValues/float64(len(middle)+1)), math.Max(drawsLeast, spreadWork/cost)))
	n.draws(f, draws, figures)
	return figures, fmt.Sprintf("Monte-Carlo: least and greatest hold the middle 95 of 100 of %d draws from the ranges of %d inputs "+
		"(triangular, highest at the value; fixed seed, so the same inputs give the same figures).", draws, ranged)
}

func cornerWords(ranged, known, evaluations int) string {
	s := fmt.Sprintf("Corners: least and greatest of %d combinations of the ends of %d ranges", evaluations, ranged)
	if ranged == 1 {
		return "Corners: least and greatest at the two ends of the only range."
	}
	if known > 1 {
		s += fmt.Sprintf("; the %d of them that can only raise or only lower the level go to their ends together", known)
	}
	return s + "."
}

// corners evaluates every combination of the settings.
func (n *notes) corners(f func(*look) []float64, list []choice, figures []Figure) {
	l := &look{drawn: map[*Quantity]float64{}}
	for setting := range 1 << len(list) {
		for bit, c := range list {
			upper := setting>>bit&1 == 1
			for i, in := range c.members {
				least, greatest := in.quantity.Ends()
				if upper == (c.up[i] == raises) {
					l.drawn[in.quantity] = greatest
				} else {
					l.drawn[in.quantity] = least
				}
			}
		}
		for i, v := range f(l) {
			figures[i].widen(v)
		}
	}
}

// widen takes v into the range.
func (f *Figure) widen(v float64) {
	switch {
	case math.IsNaN(v):
	case math.IsInf(v, 1):
		f.NoGreatest = true
	default:
		if !(f.Least <= v) { // the middle may be NaN
			f.Least = v
		}
		if !(f.Greatest >= v) || math.IsInf(f.Greatest, 1) {
			f.Greatest = v
		}
	}
}

// draws evaluates at random, and keeps the middle 95 of 100.
func (n *notes) draws(f func(*look) []float64, draws int, figures []Figure) {
	chance := rand.New(rand.NewPCG(drawsSeed, drawsSeedMore)) // #nosec G404 -- figures must come out the same each time
	l := &look{drawn: map[*Quantity]float64{}}
	values := make([][]float64, len(figures))
	for i := range values {
		values[i] = make([]float64, 0, draws)
	}
	for range draws {
		for _, in := range n.inputs {
			if in.quantity.Ranged() {
				l.drawn[in.quantity] = triangular(in.quantity, chance.Float64())
			}
		}
		for i, v := range f(l) {
			if !math.IsNaN(v) {
				values[i] = append(values[i], v)
			}
		}
	}
	for i, all := range values {
		if len(all) == 0 {
			continue
		}
		slices.Sort(all)
		figures[i].widen(all[len(all)*25/1000])
		figures[i].widen(all[(len(all)-1)*975/1000])
	}
}

// triangular is the value below which the share p of the triangle lies that stands on the range of q
// with its top at the value.
func triangular(q *Quantity, p float64) float64 {
	a, b := q.Ends()
	top := (q.Value - a) / (b - a)
	if p < top {
		return a + math.Sqrt(p*(b-a)*(q.Value-a))
	}
	return b - math.Sqrt((1-p)*(b-a)*(b-q.Value))
}
