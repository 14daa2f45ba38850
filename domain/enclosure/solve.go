package enclosure

import (
	"math"
	"slices"
)

// elimination is the system with one space after the other replaced by direct paths between those it
// was joined to. Only sums, products and quotients of positive numbers occur, so every level keeps
// almost all its digits and mass is conserved even when a wide opening stands beside a nearly closed
// one, where usual elimination, which adds both up, loses them: beside a flow of 1e2 m³/h a leak of 1e-5
// keeps not even nine.
//
// source: Grassmann, Taksar & Heyman 1985, Regenerative analysis and steady state distributions for
// Markov chains; Alfa, Xue & Ye 2002, Accurate computation of the smallest eigenvalue of a diagonally
// dominant M-matrix.
type elimination struct {
	n     int
	order []int     // the space taken out at each step
	pivot []float64 // m³/h: all that leaves that space towards those that are left, and for good
	flow  []float64 // n×n, m³/h: row order[k] holds its paths to those left after step k
}

func (s *system) eliminate() *elimination {
	n := len(s.volume)
	e := &elimination{n: n, order: make([]int, 0, n), pivot: make([]float64, 0, n), flow: slices.Clone(s.flow)}
	sink, about := make([]float64, n), make([]float64, n)
	left := make([]int, n)
	for i := range left {
		left[i], sink[i] = i, s.sink(i)
		about[i] = sink[i] + sum(e.flow[i*n:i*n+n])
	}
	for len(left) > 0 {
		// Fastest first: the order that keeps the digits of the modes. About is good enough to choose by.
		at := 0
		for k, i := range left {
			if about[i]*s.volume[left[at]] > about[left[at]]*s.volume[i] {
				at = k
			}
		}
		p := left[at]
		left = slices.Delete(left, at, at+1)
		gone := e.flow[p*n : p*n+n]
		pivot := sink[p]
		for _, j := range left {
			pivot += gone[j]
		}
		e.order, e.pivot = append(e.order, p), append(e.pivot, pivot)
		if pivot == 0 {
			continue
		}
		for _, i := range left {
			share := gone[i] / pivot
			if share == 0 {
				continue
			}
			sink[i] += share * sink[p]
			about[i] -= share * gone[i]
			row := e.flow[i*n : i*n+n]
			for _, j := range left {
				if j != i {
					row[j] += share * gone[j]
				}
			}
		}
	}
	return e
}

// settle is the steady level of each space, and how fast it rises where there is none. The level is
// +Inf where it rises, and NaN in a closed part into which nothing comes.
func (s *system) settle() (level, rise []float64) {
	e := s.eliminate()
	n := e.n
	gain, volume := make([]float64, n), slices.Clone(s.volume)
	for i := range gain {
		gain[i] = s.gain(i)
	}
	for k, p := range e.order {
		if e.pivot[k] == 0 {
			continue
		}
		for _, i := range e.order[k+1:] {
			share := e.flow[p*n+i] / e.pivot[k]
			gain[i] += share * gain[p]
			volume[i] += share * volume[p]
		}
	}
	level, rise = make([]float64, n), make([]float64, n)
	for k := n - 1; k >= 0; k-- {
		p := e.order[k]
		if e.pivot[k] == 0 {
			// The last of a closed part: all its emission and all its volume have been gathered here.
			level[p], rise[p] = math.NaN(), gain[p]/volume[p]
			if gain[p] > 0 {
				level[p] = math.Inf(1)
			}
			continue
		}
		sum, climb := gain[p], 0.0
		for _, i := range e.order[k+1:] {
			if f := e.flow[p*n+i]; f > 0 {
				sum += f * level[i]
				climb += f * rise[i]
			}
		}
		level[p], rise[p] = sum/e.pivot[k], climb/e.pivot[k]
	}
	return level, rise
}

// modes are the shapes in which levels relax, each at its own rate.
type modes struct {
	n     int
	rate  []float64 // 1/h, ascending; 0 only for a closed part
	shape []float64 // n×n: row k holds mode k, orthonormal when weighted by the root of the volumes
	root  []float64 // root of each volume
}

// sweepsMost stops a search that cannot end, as with values that are no numbers.
const sweepsMost = 60

// modes finds them from the elimination by rotating its columns until they are orthogonal, which keeps
// the digits of the slow modes beside fast ones.
//
// source: Demmel & Veselić 1992, Jacobi's method is more accurate than QR; Veselić & Hari 1989, A note
// on a one-sided Jacobi algorithm.
func (s *system) modes() *modes {
	e := s.eliminate()
	n := e.n
	m := &modes{n: n, rate: make([]float64, n), shape: make([]float64, n*n), root: make([]float64, n)}
	for i, v := range s.volume {
		m.root[i] = math.Sqrt(v)
	}
	column := func(k int) []float64 { return m.shape[k*n : k*n+n] }
	for k, p := range e.order {
		if e.pivot[k] == 0 {
			continue
		}
		root, c := math.Sqrt(e.pivot[k]), column(k)
		c[p] = root / m.root[p]
		for _, i := range e.order[k+1:] {
			c[i] = -e.flow[p*n+i] / root / m.root[i]
		}
	}
	for range sweepsMost {
		if !rotate(m.shape, n) {
			break
		}
	}
	for k, p := range e.order {
		c := column(k)
		if m.rate[k] = dot(c, c); m.rate[k] == 0 {
			s.level(p, c, m.root)
		}
		length := math.Sqrt(dot(c, c))
		for i := range c {
			c[i] /= length
		}
	}
	m.sort()
	for k := range m.rate {
		e.follow(m, s.volume, k)
	}
	return m
}

// Spaces that come to rest so many times faster than a mode only follow it.
const followsFrom = 100

// follow finds the levels that fast spaces have in a slow mode from those of the other spaces. They may
// be so small that rotating left them no digits, and still carry all that the mode loses.
func (e *elimination) follow(m *modes, volume []float64, k int) {
	const steps, still = 30, 1e-15
	n, rate, u := e.n, m.rate[k], m.shape[k*m.n:k*m.n+m.n]
	fast := 0
	for fast < n && e.pivot[fast] > followsFrom*rate*volume[e.order[fast]] {
		fast++
	}
	if fast == 0 || fast == n {
		return
	}
	level := make([]float64, n)
	for i := range level {
		level[i] = u[i] / m.root[i]
	}
	lag := make([]float64, n) // what their own change asks for
	for range steps {
		for _, p := range e.order[:fast] {
			lag[p] = rate * volume[p] * level[p]
		}
		for at, p := range e.order[:fast] {
			for _, i := range e.order[at+1 : fast] {
				lag[i] += e.flow[p*n+i] / e.pivot[at] * lag[p]
			}
		}
		moved := 0.0
		for at := fast - 1; at >= 0; at-- {
			p := e.order[at]
			sum := lag[p]
			for _, i := range e.order[at+1:] {
				sum += e.flow[p*n+i] * level[i]
			}
			to := sum / e.pivot[at]
			if to != level[p] {
				moved = math.Max(moved, math.Abs(to-level[p])/math.Abs(to))
			}
			level[p] = to
		}
		if !(moved > still) {
			break
		}
	}
	for _, p := range e.order[:fast] {
		u[p] = level[p] * m.root[p]
	}
}

// rotate makes each two columns orthogonal once; false when all were.
func rotate(columns []float64, n int) (turned bool) {
	const near = 1e-15
	for a := 0; a < n-1; a++ {
		ca := columns[a*n : a*n+n]
		for b := a + 1; b < n; b++ {
			cb := columns[b*n : b*n+n]
			across := dot(ca, cb)
			if across == 0 {
				continue
			}
			aa, bb := dot(ca, ca), dot(cb, cb)
			if math.Abs(across) <= near*math.Sqrt(aa*bb) {
				continue
			}
			turned = true
			tilt := (bb - aa) / (2 * across)
			t := math.Copysign(1, tilt) / (math.Abs(tilt) + math.Hypot(1, tilt))
			cos := 1 / math.Hypot(1, t)
			sin := cos * t
			for i, x := range ca {
				y := cb[i]
				ca[i], cb[i] = cos*x-sin*y, sin*x+cos*y
			}
		}
	}
	return turned
}

// level makes c the mode of a closed part: the same level in every space that p is joined to.
func (s *system) level(p int, c, root []float64) {
	n := len(c)
	c[p] = root[p]
	for next := []int{p}; len(next) > 0; {
		i := next[0]
		next = next[1:]
		for j, f := range s.flow[i*n : i*n+n] {
			if f > 0 && c[j] == 0 {
				c[j] = root[j]
				next = append(next, j)
			}
		}
	}
}

// sort puts the slowest first.
func (m *modes) sort() {
	order := make([]int, m.n)
	for k := range order {
		order[k] = k
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case m.rate[a] < m.rate[b]:
			return -1
		case m.rate[a] > m.rate[b]:
			return 1
		}
		return a - b
	})
	rate, shape := make([]float64, 0, m.n), make([]float64, 0, m.n*m.n)
	for _, k := range order {
		rate, shape = append(rate, m.rate[k]), append(shape, m.shape[k*m.n:k*m.n+m.n]...)
	}
	m.rate, m.shape = rate, shape
}

func dot(a, b []float64) float64 {
	b = b[:len(a)]
	sum := 0.0
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}

// motion is what the modes do in one system.
type motion struct {
	*modes
	begin, push []float64 // of each mode: at the start, and by what is given off
	limit       []float64 // push/rate, or 0 for a closed part
}

func (s *system) motion() *motion {
	m := &motion{modes: s.modes()}
	m.begin, m.push, m.limit = make([]float64, m.n), make([]float64, m.n), make([]float64, m.n)
	for k := range m.n {
		u := m.shape[k*m.n : k*m.n+m.n]
		for i, w := range u {
			m.begin[k] += w * m.root[i] * s.start[i]
			m.push[k] += w / m.root[i] * s.gain(i)
		}
		if m.rate[k] > 0 {
			m.limit[k] = m.push[k] / m.rate[k]
		}
	}
	return m
}

// gone is the number of e-foldings after which a mode has no digit left.
const gone = 60

// at is the level of every space at each of the hours, which must ascend: row by row, a row for each
// hour.
func (m *motion) at(hours []float64) []float64 {
	levels := make([]float64, len(hours)*m.n)
	// What the modes that have died away leave for good.
	rest := make([]float64, m.n)
	alive := m.n
	for h, t := range hours {
		for alive > 0 && m.rate[alive-1]*t > gone {
			alive--
			m.add(rest, alive, m.limit[alive])
		}
		row := levels[h*m.n : h*m.n+m.n]
		copy(row, rest)
		for k := range alive {
			m.add(row, k, m.begin[k]*math.Exp(-m.rate[k]*t)+m.push[k]*once(m.rate[k], t))
		}
		for i, v := range row {
			row[i] = math.Max(v/m.root[i], 0)
		}
	}
	return levels
}

// total is the sum of each space's level over the hours up to t, µg·h/m³.
func (m *motion) total(t float64) []float64 {
	sum := make([]float64, m.n)
	for k := range m.n {
		m.add(sum, k, m.begin[k]*once(m.rate[k], t)+m.push[k]*twice(m.rate[k], t))
	}
	for i := range sum {
		sum[i] /= m.root[i]
	}
	return sum
}

// add adds the mode k, size times, to levels weighted by the root of the volumes.
func (m *modes) add(to []float64, k int, size float64) {
	u := m.shape[k*m.n : k*m.n+m.n][:len(to)]
	for i, w := range u {
		to[i] += size * w
	}
}

// once is the integral of e^(−rate·x) from 0 to t.
func once(rate, t float64) float64 {
	if rate*t < 1e-300 {
		return t
	}
	return -math.Expm1(-rate*t) / rate
}

// twice is the integral of once from 0 to t.
func twice(rate, t float64) float64 {
	x := rate * t
	if x > 0.5 {
		return (t - once(rate, t)) / rate
	}
	// The difference above would lose digits.
	sum, term := 0.0, t*t/2
	for k := 3.0; math.Abs(term) > 1e-18*sum; k++ {
		sum += term
		term *= -x / k
	}
	return sum
}
