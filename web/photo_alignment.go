package web

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/photo/align"
	"farthingale/domain/photo/mark"
)

// alignedPair is two photographs of one view, the later laid over the earlier where somebody said how; the
// partial "photo/_aligned_pair" shows it: side by side, and over each other where scripts run.
type alignedPair struct {
	Before, After         alignedPhoto
	Matrix                string // of the later, as SVG has it; "": nobody laid them over each other
	Fit                   string // how well they lie, in words
	WidthPX, HeightPX     int    // the earlier photograph's, which both are shown in
	AlignPath, AlignWords string // to lay them anew; "": not for this person
}

type alignedPhoto struct {
	Path, Image       string // Image: "" while there is none
	Says, When        string
	WidthPX, HeightPX int // of the upright original
}

func (s *Server) alignedPhoto(p *photo.Photo) alignedPhoto {
	o := alignedPhoto{Path: "/photos/" + p.ID.String(), Says: photoWords(p), When: s.photoTaken(p), WidthPX: p.Original.WidthPX, HeightPX: p.Original.HeightPX}
	if p.Preview.Screen != nil {
		o.Image = "/files/photos/" + p.ID.String() + "/screen"
	}
	return o
}

// alignedPair makes the pair of two photographs; how is nil when nobody laid them over each other.
func (s *Server) alignedPair(a domain.Actor, before, after *photo.Photo, how *photo.Alignment) alignedPair {
	p := alignedPair{Before: s.alignedPhoto(before), After: s.alignedPhoto(after), WidthPX: before.Original.WidthPX, HeightPX: before.Original.HeightPX}
	if how != nil {
		p.Matrix, p.Fit = svgMatrix(how.Fit), fitWords(how.Fit)+" "+how.ByName+", "+s.day(how.At)+"."
	}
	if a.May(photo.Keep) == nil {
		p.AlignPath, p.AlignWords = alignmentPath(before.ID, after.ID), "Lay them over each other"
		if how != nil {
			p.AlignWords = "Lay them anew"
		}
	}
	return p
}

func alignmentPath(before, after domain.ID) string {
	return "/photos/" + before.String() + "/alignments/" + after.String()
}

// svgMatrix is a fit as an SVG transform.
func svgMatrix(f align.Fit) string {
	words := make([]string, 6)
	for i, v := range []float64{f.A, f.B, f.C, f.D, f.E, f.F} {
		words[i] = strconv.FormatFloat(v, 'g', 9, 64)
	}
	return "matrix(" + strings.Join(words, " ") + ")"
}

// fitWords says how well two photographs lie over each other.
func fitWords(f align.Fit) string {
	said := fmt.Sprintf("The later picture is turned by %s° and scaled by %s.", number(f.TurnDegrees(), 1), number(f.Scale(), 3))
	if f.Kind == align.Affine {
		said = "The later picture is turned, scaled and stretched."
	}
	if f.Spare == 0 {
		return said + " So few points always fit: another pair would show how well."
	}
	return said + fmt.Sprintf(" The points fall %s pixels apart (root mean square), at most %s.", number(f.RMSPX, 1), number(slices.Max(f.ResidualsPX), 1))
}

// The widths at which a picture is touched.
var alignmentWidths = []int{320, 640, 1280}

type alignmentPage struct {
	Frame
	Number, ObjectTitle, ObjectPath string
	Panes                           []alignmentPane
	Ties                            int
	Help, Trouble                   string
	Touch                           string // where a touch leads
	Widths, Undo                    []Link
	Sent                            []Option // what a touch takes with it
	Preview                         template.HTML
	Form                            *Form
}

// alignmentPane is one picture to touch.
type alignmentPane struct {
	Name, Heading     string
	Image             string
	WidthPX, HeightPX int // as shown
	Points            []touchedPoint
}

type touchedPoint struct {
	N    int
	X, Y string // as shown
	Ask  bool   // its partner is not touched yet
}

// aligning is what was touched so far; it stands in the address, so that the page works without scripts.
type aligning struct {
	before, after           *photo.Photo
	width                   int
	ties                    []align.Tie
	pendBefore, pendAfter   *mark.Point
	touchedBefore, touchedA bool
}

// readAlignment reads the two photographs and what was touched.
func (s *Server) readAlignment(c echo.Context) (*aligning, error) {
	ctx, by := c.Request().Context(), actor(c)
	var o aligning
	for name, into := range map[string]**photo.Photo{"id": &o.before, "after": &o.after} {
		id, err := domain.ParseID(c.Param(name))
		if err != nil {
			return nil, err
		}
		if *into, err = s.Photo.One(ctx, by, id); err != nil {
			return nil, err
		}
	}
	if o.before.ObjectID != o.after.ObjectID || o.before.ID == o.after.ID {
		return nil, domain.NotFound("These are not two photographs of one object.")
	}
	q := c.Request().URL.Query()
	o.width = 640
	if w, err := strconv.Atoi(q.Get("width")); err == nil && slices.Contains(alignmentWidths, w) {
		o.width = w
	}
	for _, text := range q["tie"] {
		if n, ok := coordinates(text, 4); ok && len(o.ties) < align.Most {
			o.ties = append(o.ties, align.Tie{Before: mark.Point{n[0], n[1]}, After: mark.Point{n[2], n[3]}})
		}
	}
	o.pendBefore, o.pendAfter = pointOf(q.Get("before")), pointOf(q.Get("after"))
	if p := o.touched(q, "before", o.before); p != nil {
		o.pendBefore, o.touchedBefore = p, true
	}
	if p := o.touched(q, "after", o.after); p != nil {
		o.pendAfter, o.touchedA = p, true
	}
	if o.pendBefore != nil && o.pendAfter != nil && len(o.ties) < align.Most {
		o.ties = append(o.ties, align.Tie{Before: *o.pendBefore, After: *o.pendAfter})
		o.pendBefore, o.pendAfter = nil, nil
	}
	return &o, nil
}

// touched is where a picture was touched, as a browser sends it of an image button: in pixels of the original.
func (o *aligning) touched(q url.Values, name string, p *photo.Photo) *mark.Point {
	return touchOf(q, name, p, [3]float64{0, 0, float64(p.Original.WidthPX)}, float64(o.width))
}

// touchOf is where a part of a picture, shown at a width, was touched: in pixels of the original; nil: it was not. view
// is left, top and width of the part.
func touchOf(q url.Values, name string, p *photo.Photo, view [3]float64, shownWidth float64) *mark.Point {
	x, errX := strconv.Atoi(q.Get(name + ".x"))
	y, errY := strconv.Atoi(q.Get(name + ".y"))
	if errX != nil || errY != nil || x < 0 || y < 0 {
		return nil
	}
	k := view[2] / shownWidth
	return &mark.Point{min(view[0]+(float64(x)+0.5)*k, float64(p.Original.WidthPX)), min(view[1]+(float64(y)+0.5)*k, float64(p.Original.HeightPX))}
}

func coordinates(text string, n int) ([]float64, bool) {
	parts := strings.Split(text, ",")
	if len(parts) != n {
		return nil, false
	}
	all := make([]float64, n)
	for i, part := range parts {
		v, err := strconv.ParseFloat(part, 64)
		if err != nil || !(v >= 0 && v <= 1e5) {
			return nil, false
		}
		all[i] = v
	}
	return all, true
}

func pointOf(text string) *mark.Point {
	n, ok := coordinates(text, 2)
	if !ok {
		return nil
	}
	return &mark.Point{n[0], n[1]}
}

func px(v float64) string { return number(v, 1) }

// query is what was touched as an address says it.
func (o *aligning) query() url.Values {
	q := url.Values{}
	for _, t := range o.ties {
		q.Add("tie", strings.Join([]string{px(t.Before[0]), px(t.Before[1]), px(t.After[0]), px(t.After[1])}, ","))
	}
	if o.pendBefore != nil {
		q.Set("before", px(o.pendBefore[0])+","+px(o.pendBefore[1]))
	}
	if o.pendAfter != nil {
		q.Set("after", px(o.pendAfter[0])+","+px(o.pendAfter[1]))
	}
	if o.width != 640 {
		q.Set("width", strconv.Itoa(o.width))
	}
	return q
}

func (o *aligning) path() string { return alignmentPath(o.before.ID, o.after.ID) }

// at is the page's address after a change of what was touched.
func (o aligning) at(change func(*aligning)) string {
	change(&o)
	if q := o.query(); len(q) > 0 {
		return o.path() + "?" + q.Encode() + "#touch"
	}
	return o.path() + "#touch"
}

// pane is one of the two pictures with its points.
func (o *aligning) pane(name, heading string, p *photo.Photo, of func(align.Tie) mark.Point, pending *mark.Point) alignmentPane {
	k := float64(o.width) / float64(p.Original.WidthPX)
	pane := alignmentPane{Name: name, Heading: heading, WidthPX: o.width, HeightPX: int(k*float64(p.Original.HeightPX) + 0.5)}
	if p.Preview.Screen != nil {
		pane.Image = "/files/photos/" + p.ID.String() + "/screen"
	}
	add := func(n int, at mark.Point, ask bool) {
		pane.Points = append(pane.Points, touchedPoint{N: n, X: px(at[0] * k), Y: px(at[1] * k), Ask: ask})
	}
	for i, t := range o.ties {
		add(i+1, of(t), false)
	}
	if pending != nil {
		add(len(o.ties)+1, *pending, true)
	}
	return pane
}

// help says what to touch next.
func (o *aligning) help() string {
	switch n := len(o.ties); {
	case o.pendBefore != nil:
		return "Now touch the same detail on the later picture."
	case o.pendAfter != nil:
		return "Now touch the same detail on the earlier picture."
	case n == 0:
		return "Touch a detail on the earlier picture and the same detail on the later one. Take two to four details far apart, at the rim of what shows."
	case n < align.Least:
		return "Touch a second detail, far from the first."
	case n < align.Most:
		return "A further detail makes the fit better and shows how good it is."
	default:
		return "Four pairs are the most. Take one back to choose another."
	}
}

// alignmentData makes the page.
func (s *Server) alignmentData(c echo.Context, o *aligning) (*alignmentPage, error) {
	ctx, by := c.Request().Context(), actor(c)
	of, err := s.Photo.SubjectOf(ctx, by, o.before)
	if err != nil {
		return nil, err
	}
	p := &alignmentPage{Number: of.Number, ObjectTitle: of.Title, ObjectPath: "/objects/" + url.PathEscape(of.Number), Ties: len(o.ties), Help: o.help(), Touch: o.path()}
	p.Title, p.Here, p.Scripts = "Two photographs of "+of.Number, "/objects", []string{"alignment.js"}
	p.Panes = []alignmentPane{
		o.pane("before", "Earlier: "+photoWords(o.before)+", "+s.photoTaken(o.before), o.before, func(t align.Tie) mark.Point { return t.Before }, o.pendBefore),
		o.pane("after", "Later: "+photoWords(o.after)+", "+s.photoTaken(o.after), o.after, func(t align.Tie) mark.Point { return t.After }, o.pendAfter),
	}
	for key, values := range o.query() {
		for _, v := range values {
			p.Sent = append(p.Sent, Option{Label: key, Value: v})
		}
	}
	slices.SortFunc(p.Sent, func(a, b Option) int { return strings.Compare(a.Label, b.Label) })
	for _, w := range alignmentWidths {
		words := map[int]string{320: "small", 640: "medium", 1280: "large"}[w]
		p.Widths = append(p.Widths, Link{Path: o.at(func(o *aligning) { o.width = w }), Words: words, Present: w == o.width})
	}
	if len(o.ties) > 0 || o.pendBefore != nil || o.pendAfter != nil {
		p.Undo = []Link{{Path: o.at((*aligning).back), Words: "Take back the last point"}, {Path: o.path(), Words: "Begin again"}}
	}
	kind := align.Similarity
	how, err := s.lies(c, o, kind)
	if err != nil {
		var known *domain.Error
		if p.Trouble, known = trouble(err); known == nil {
			return nil, err
		}
	}
	if how != nil {
		pair := s.alignedPair(by, o.before, o.after, how)
		pair.AlignPath = ""
		if len(o.ties) > 0 {
			pair.Fit = fitWords(how.Fit)
		}
		if p.Preview, err = s.partial("photo/_aligned_pair", pair); err != nil {
			return nil, err
		}
	}
	if by.May(photo.Keep) == nil {
		p.Form = alignmentForm(o, kind).ready(c)
	}
	return p, nil
}

// back takes back the last touch.
func (o *aligning) back() {
	switch n := len(o.ties); {
	case o.pendBefore != nil || o.pendAfter != nil:
		o.pendBefore, o.pendAfter = nil, nil
	case n > 0:
		o.pendBefore, o.ties = &o.ties[n-1].Before, slices.Clone(o.ties[:n-1])
	}
}

// lies is how the pictures lie by what was touched, or else as it is kept; nil when neither says it.
func (s *Server) lies(c echo.Context, o *aligning, kind align.Kind) (*photo.Alignment, error) {
	ctx, by := c.Request().Context(), actor(c)
	if len(o.ties) >= align.Least {
		fit, err := s.Photo.TryAlignment(ctx, by, o.before.ID, photo.NewAlignment{AfterID: o.after.ID, Kind: kind, Ties: photo.Entered(o.ties...)})
		if err != nil {
			return nil, err
		}
		return &photo.Alignment{Fit: fit}, nil
	}
	if len(o.ties) > 0 {
		return nil, nil
	}
	kept, err := s.Photo.Alignment(ctx, by, o.before.ID, o.after.ID)
	if domain.KindOf(err) == domain.KindNotFound {
		return nil, nil
	}
	return kept, err
}

// alignmentForm keeps the pairs. Their figures can be typed too, by whoever cannot point.
func alignmentForm(o *aligning, kind align.Kind) *Form {
	rows := make([]Field, 0, align.Most)
	for i := range align.Most {
		var at [4]string
		if i < len(o.ties) {
			t := o.ties[i]
			at = [4]string{px(t.Before[0]), px(t.Before[1]), px(t.After[0]), px(t.After[1])}
		}
		row := Field{Kind: "group", Label: fmt.Sprintf("Pair %d", i+1)}
		for j, f := range []struct{ name, label string }{{"before_x", "Earlier, from the left"}, {"before_y", "Earlier, from the top"}, {"after_x", "Later, from the left"}, {"after_y", "Later, from the top"}} {
			row.Fields = append(row.Fields, Field{Kind: "number", Step: "any", Name: fmt.Sprintf("ties.%d.%s", i, f.name), Label: f.label, Value: at[j]})
		}
		rows = append(rows, Field{Kind: "abreast", Label: row.Label, Fields: []Field{row}})
	}
	return &Form{Action: o.path(), Submit: "Keep how they lie", Fields: []Field{
		{Kind: "radio", Name: "kind", Label: "The later picture may be", Required: true, Options: []Option{
			{Value: string(align.Similarity), Label: "moved, turned and scaled", Chosen: kind == align.Similarity},
			{Value: string(align.Affine), Label: "stretched as well: the camera stood at another angle (three pairs)", Chosen: kind == align.Affine}}},
		{Kind: "folded", Label: "The points in figures", Help: fmt.Sprintf("In pixels of the originals: the earlier has %d × %d, the later %d × %d.",
			o.before.Original.WidthPX, o.before.Original.HeightPX, o.after.Original.WidthPX, o.after.Original.HeightPX), Fields: rows},
	}}
}

// trouble is the sentence of a refusal; nil when err is a fault.
func trouble(err error) (string, *domain.Error) {
	e, ok := err.(*domain.Error)
	if !ok {
		return "", nil
	}
	said := []string{e.Message}
	for _, f := range e.Fields {
		if !slices.Contains(said, f.Message) {
			said = append(said, f.Message)
		}
	}
	return strings.Join(said, " "), e
}

// alignmentPage serves GET /photos/{id}/alignments/{after}. A touch comes as coordinates of an image button and leads to the
// address that holds all of them.
func (s *Server) alignmentPage(c echo.Context) error {
	o, err := s.readAlignment(c)
	if err != nil {
		return err
	}
	if o.touchedBefore || o.touchedA {
		return c.Redirect(http.StatusSeeOther, o.at(func(*aligning) {}))
	}
	p, err := s.alignmentData(c, o)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "photo/alignment", p)
}

// alignmentTyped is an alignment as the form sends it.
type alignmentTyped struct {
	Kind align.Kind `json:"kind"`
	Ties []tieTyped `json:"ties"`
}

type tieTyped struct {
	BeforeX *float64 `json:"before_x"`
	BeforeY *float64 `json:"before_y"`
	AfterX  *float64 `json:"after_x"`
	AfterY  *float64 `json:"after_y"`
}

func typedPoint(x, y *float64) *mark.Point {
	if x == nil || y == nil {
		return nil
	}
	return &mark.Point{*x, *y}
}

func (f alignmentTyped) entered(afterID domain.ID) photo.NewAlignment {
	n := photo.NewAlignment{AfterID: afterID, Kind: f.Kind}
	for _, t := range f.Ties {
		n.Ties = append(n.Ties, photo.EnteredTie{Before: typedPoint(t.BeforeX, t.BeforeY), After: typedPoint(t.AfterX, t.AfterY)})
	}
	return n
}

// whole are the pairs of which no figure is missing.
func (f alignmentTyped) whole() (ties []align.Tie) {
	for _, t := range f.entered(domain.ID{}).Ties {
		if t.Before != nil && t.After != nil {
			ties = append(ties, align.Tie{Before: *t.Before, After: *t.After})
		}
	}
	return ties
}

// align serves POST /photos/{id}/alignments/{after}.
func (s *Server) align(c echo.Context) error {
	o, err := s.readAlignment(c)
	if err != nil {
		return err
	}
	var typed alignmentTyped
	_, sent, err := s.decode(c, &typed)
	if err == nil {
		_, err = s.Photo.Align(c.Request().Context(), actor(c), o.before.ID, typed.entered(o.after.ID))
	}
	if err == nil {
		return s.done(c, "How the two photographs lie over each other is kept.", o.path())
	}
	o.ties = typed.whole()
	p, fault := s.alignmentData(c, o)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.Form, sent, onForm(err), "photo/alignment", p)
}
