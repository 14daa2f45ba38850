// Package align lays one photograph over another of the same view, by points that somebody found on both
// (rule E2: photographs of two examinations side by side). It is pure; the comparison of examinations and its
// page use it.
package align

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"farthingale/domain"
	"farthingale/domain/photo/mark"
)

// Kind is how a picture may be moved to lie on another.
type Kind string

// Similarity moves, turns and scales; Affine also stretches and shears, as when the camera stood at another
// angle to a flat thing. Neither can undo perspective or a thing that lies otherwise than before: what remains
// is the residual.
const (
	Similarity Kind = "similarity"
	Affine     Kind = "affine"
)

// Least and Most are how many pairs of points are taken.
const (
	Least = 2
	Most  = 4
)

// Tie is one detail of the thing, found on both photographs.
type Tie struct {
	Before mark.Point `json:"before"`
	After  mark.Point `json:"after"`
}

// Fit takes a point of the later photograph to where it lies on the earlier one:
// x' = A·x + C·y + E, y' = B·x + D·y + F, in pixels of each.
type Fit struct {
	Kind             Kind
	A, B, C, D, E, F float64

	// ResidualsPX say for each pair how far the point of the later photograph lands from its partner, in pixels
	// of the earlier one.
	ResidualsPX []float64
	// RMSPX is the root of their mean square. Spare counts the equations beyond those that fix the fit; with
	// none spare the residual is zero whatever was clicked, and says nothing.
	RMSPX float64
	Spare int
}

// At takes a point of the later photograph to the earlier one.
func (f Fit) At(p mark.Point) mark.Point {
	return mark.Point{f.A*p[0] + f.C*p[1] + f.E, f.B*p[0] + f.D*p[1] + f.F}
}

// Scale is how much longer a line becomes when it is taken to the earlier photograph; for an affine fit the
// mean of all directions by area.
func (f Fit) Scale() float64 { return math.Sqrt(math.Abs(f.A*f.D - f.B*f.C)) }

// TurnDegrees is how far the later photograph is turned, clockwise as one looks at it; −180 to 180.
func (f Fit) TurnDegrees() float64 { return math.Atan2(f.B-f.C, f.A+f.D) * 180 / math.Pi }

// Of fits the later photograph to the earlier one by least squares over all pairs. It refuses (KindInvalid,
// pointers below /ties) fewer than two or more than four pairs, an affine fit by two, points outside of their
// picture, points that coincide, three or more on one line, and pairs that would mirror the picture.
//
// The similarity is the proper one, without reflection.
// source: Umeyama 1991, Least-squares estimation of transformation parameters between two point patterns, IEEE
// Trans. PAMI 13(4), eq. 40–43; in the plane it is the linear problem solved here.
func Of(kind Kind, ties []Tie, before, after mark.Size) (Fit, error) {
	if err := check(kind, ties, before, after); err != nil {
		return Fit{}, err
	}
	// Centred and scaled coordinates, so that the equations are well conditioned for pictures of any size.
	from, to := normal(ties, func(t Tie) mark.Point { return t.After }), normal(ties, func(t Tie) mark.Point { return t.Before })
	var a, b, c, d float64
	var err error
	if kind == Affine {
		a, b, c, d, err = affine(from.points, to.points)
	} else {
		a, b = similarity(from.points, to.points)
		c, d = -b, a
	}
	if err != nil {
		return Fit{}, err
	}
	k := to.spread / from.spread
	f := Fit{Kind: kind, A: a * k, B: b * k, C: c * k, D: d * k}
	f.E, f.F = to.centre[0]-f.A*from.centre[0]-f.C*from.centre[1], to.centre[1]-f.B*from.centre[0]-f.D*from.centre[1]
	if f.A*f.D-f.B*f.C <= 0 || f.Scale() < 1e-3 || f.Scale() > 1e3 {
		return Fit{}, domain.Invalid("/ties", "mirrored", "With these pairs the later picture would be turned inside out. Look whether two points were exchanged.")
	}
	f.rest(ties)
	return f, nil
}

// similarity solves for the turn and scale of centred points: a = k·cos, b = k·sin.
func similarity(from, to []mark.Point) (a, b float64) {
	var square float64
	for i, p := range from {
		q := to[i]
		a += p[0]*q[0] + p[1]*q[1]
		b += p[0]*q[1] - p[1]*q[0]
		square += p[0]*p[0] + p[1]*p[1]
	}
	return a / square, b / square
}

// affine solves for the four factors of centred points.
func affine(from, to []mark.Point) (a, b, c, d float64, err error) {
	left, right := mat.NewDense(len(from), 2, nil), mat.NewDense(len(from), 2, nil)
	for i, p := range from {
		left.SetRow(i, []float64{p[0], p[1]})
		right.SetRow(i, []float64{to[i][0], to[i][1]})
	}
	var m mat.Dense
	if err := m.Solve(left, right); err != nil {
		return 0, 0, 0, 0, domain.Invalid("/ties", "line", onLine)
	}
	return m.At(0, 0), m.At(0, 1), m.At(1, 0), m.At(1, 1), nil
}

// rest fills the residuals.
func (f *Fit) rest(ties []Tie) {
	unknown := 4
	if f.Kind == Affine {
		unknown = 6
	}
	f.Spare = 2*len(ties) - unknown
	var sum float64
	for _, t := range ties {
		q := f.At(t.After)
		r := math.Hypot(q[0]-t.Before[0], q[1]-t.Before[1])
		f.ResidualsPX = append(f.ResidualsPX, r)
		sum += r * r
	}
	f.RMSPX = math.Sqrt(sum / float64(len(ties)))
}

// normalised are points about their centre, with a mean distance of one.
type normalised struct {
	points []mark.Point
	centre mark.Point
	spread float64
}

func normal(ties []Tie, of func(Tie) mark.Point) normalised {
	var n normalised
	for _, t := range ties {
		n.centre[0] += of(t)[0] / float64(len(ties))
		n.centre[1] += of(t)[1] / float64(len(ties))
	}
	for _, t := range ties {
		n.spread += math.Hypot(of(t)[0]-n.centre[0], of(t)[1]-n.centre[1]) / float64(len(ties))
	}
	for _, t := range ties {
		n.points = append(n.points, mark.Point{(of(t)[0] - n.centre[0]) / n.spread, (of(t)[1] - n.centre[1]) / n.spread})
	}
	return n
}

const onLine = "All points lie on one line. Take at least one point well beside it, else nothing says how the picture is turned across the line."

// near is how close points may come, and how flat a triangle of them may be, as a share of the picture's
// diagonal: nearer than that a click decides more than the thing.
const near = 0.02

func check(kind Kind, ties []Tie, before, after mark.Size) error {
	if kind != Similarity && kind != Affine {
		return domain.Invalid("/kind", "kind", "Say similarity or affine.")
	}
	if len(ties) < Least || len(ties) > Most {
		return domain.Invalid("/ties", "count", fmt.Sprintf("Give %d to %d pairs of points.", Least, Most))
	}
	if kind == Affine && len(ties) < 3 {
		return domain.Invalid("/ties", "count", "Stretching as well needs three pairs of points.")
	}
	var fields []domain.Field
	for i, t := range ties {
		for _, side := range []struct {
			name string
			at   mark.Point
			size mark.Size
		}{{"before", t.Before, before}, {"after", t.After, after}} {
			if !inside(side.at, side.size) {
				fields = append(fields, domain.Field{Pointer: fmt.Sprintf("/ties/%d/%s", i, side.name), Rule: "outside", Message: "This point lies outside of the picture."})
			}
		}
	}
	if len(fields) > 0 {
		return domain.InvalidFields(fields)
	}
	for _, side := range []struct {
		of   func(Tie) mark.Point
		size mark.Size
	}{{func(t Tie) mark.Point { return t.Before }, before}, {func(t Tie) mark.Point { return t.After }, after}} {
		if err := spread(ties, side.of, math.Hypot(side.size.Width, side.size.Height)); err != nil {
			return err
		}
	}
	return nil
}

func inside(p mark.Point, s mark.Size) bool {
	// Written so that a NaN is outside.
	return p[0] >= 0 && p[1] >= 0 && p[0] <= s.Width && p[1] <= s.Height
}

// spread refuses points that coincide or lie on one line.
func spread(ties []Tie, of func(Tie) mark.Point, diagonal float64) error {
	var corners []mark.Point
	for _, t := range ties {
		p := of(t)
		if slices.ContainsFunc(corners, func(q mark.Point) bool { return math.Hypot(p[0]-q[0], p[1]-q[1]) < near*diagonal }) {
			return domain.Invalid("/ties", "coincide", "Two points lie on nearly the same place. Take points far apart.")
		}
		corners = append(corners, p)
	}
	if len(corners) < 3 {
		return nil
	}
	for i := range corners {
		for j := range i {
			for _, p := range corners {
				if off(p, corners[i], corners[j]) >= near*diagonal {
					return nil
				}
			}
		}
	}
	return domain.Invalid("/ties", "line", onLine)
}

// off is how far a point lies from the line through two others.
func off(p, a, b mark.Point) float64 {
	return math.Abs((b[0]-a[0])*(p[1]-a[1])-(b[1]-a[1])*(p[0]-a[0])) / math.Hypot(b[0]-a[0], b[1]-a[1])
}
