package mark

import "slices"

// edge is one side of an outline; from and to are in the order of x.
type edge struct {
	from, to Point
	at       int // its place in the outline
}

// crossing finds a place where two sides of a closed outline meet otherwise than as neighbours do at
// their common corner. Sides are taken in the order of their left ends, and each is held only against
// those that still reach so far to the right.
func crossing(corners []Point) (Point, bool) {
	o := apart(corners)
	if len(o) < 3 {
		return Point{}, false // it encloses nothing, which is another fault
	}
	edges := make([]edge, len(o))
	for i, a := range o {
		b := o[(i+1)%len(o)]
		if b[0] < a[0] || b[0] == a[0] && b[1] < a[1] {
			a, b = b, a
		}
		edges[i] = edge{a, b, i}
	}
	slices.SortFunc(edges, func(a, b edge) int {
		switch {
		case a.from[0] < b.from[0]:
			return -1
		case a.from[0] > b.from[0]:
			return 1
		}
		return a.at - b.at
	})
	var open []edge
	for _, e := range edges {
		kept := open[:0]
		for _, f := range open {
			if f.to[0] < e.from[0] {
				continue
			}
			kept = append(kept, f)
			if at, meet := meeting(e, f, len(o)); meet {
				return at, true
			}
		}
		open = append(kept, e)
	}
	return Point{}, false
}

// apart leaves out corners that lie on the one before, which a drawing hand repeats.
func apart(corners []Point) []Point {
	o := make([]Point, 0, len(corners))
	for _, p := range corners {
		if len(o) == 0 || o[len(o)-1] != p {
			o = append(o, p)
		}
	}
	for len(o) > 1 && o[0] == o[len(o)-1] {
		o = o[:len(o)-1]
	}
	return o
}

// meeting says whether two sides of an outline of n meet where they should not.
func meeting(e, f edge, n int) (Point, bool) {
	if max(e.from[1], e.to[1]) < min(f.from[1], f.to[1]) || max(f.from[1], f.to[1]) < min(e.from[1], e.to[1]) {
		return Point{}, false
	}
	a, b, c, d := turn(f.from, f.to, e.from), turn(f.from, f.to, e.to), turn(e.from, e.to, f.from), turn(e.from, e.to, f.to)
	if gap := (e.at - f.at + n) % n; gap == 1 || gap == n-1 {
		// Neighbours share a corner. They may not run back over each other.
		if n == 3 {
			return Point{}, false // a flat triangle encloses nothing, which is another fault
		}
		return e.from, a == 0 && b == 0 && folded(e, f)
	}
	switch {
	case a != b && c != d && a*b <= 0 && c*d <= 0:
		return where(e, f), true
	case a == 0 && b == 0: // on one line: they overlap when their boxes do
		return e.from, max(e.from[0], f.from[0]) <= min(e.to[0], f.to[0]) && max(e.from[1], f.from[1]) <= max(e.to[1], f.to[1])
	}
	return Point{}, false
}

// folded says whether two neighbours on one line lie over each other.
func folded(e, f edge) bool {
	// Both are in the order of x (then y): they lie end to end only when one's end is the other's beginning.
	return e.from != f.to && e.to != f.from
}

// turn is the side of the line a–b on which c lies: -1, 0 or 1.
func turn(a, b, c Point) int {
	cross := (b[0]-a[0])*(c[1]-a[1]) - (b[1]-a[1])*(c[0]-a[0])
	switch {
	case cross > 0:
		return 1
	case cross < 0:
		return -1
	}
	return 0
}

// where is the point at which the lines of two sides meet.
func where(e, f edge) Point {
	u, v := e.to.less(e.from), f.to.less(f.from)
	cross := u[0]*v[1] - u[1]*v[0]
	if cross == 0 {
		return e.from
	}
	w := f.from.less(e.from)
	t := (w[0]*v[1] - w[1]*v[0]) / cross
	return Point{rounded(e.from[0]+t*u[0], 1), rounded(e.from[1]+t*u[1], 1)}
}
