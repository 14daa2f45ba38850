package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/photo/mark"
	"farthingale/web/document"
)

func (s *Server) markRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/photos/:id/marks", photo.Look, s.markingPage)
	s.route(g, http.MethodPost, "/photos/:id/marks", photo.Keep, s.draw)
	s.route(g, http.MethodPost, "/photos/:id/scale", photo.Keep, s.setScale)
	s.route(g, http.MethodGet, "/files/photos/:id/map", photo.Look, s.photoMap)
	s.route(g, http.MethodPost, "/marks/:id", photo.Keep, s.redraw)
	s.route(g, http.MethodPost, "/marks/:id/erasure", photo.Keep, s.erase)
}

// marksPath is where a photograph is marked; observation may be the zero ID.
func marksPath(photoID, observation domain.ID) string {
	path := "/photos/" + photoID.String() + "/marks"
	if observation != (domain.ID{}) {
		path += "?observation=" + observation.String()
	}
	return path
}

// markingPage shows a photograph with its marks, and everything that is needed to draw them: by hand where
// scripts run, by touching a picture again and again, or by figures.
type markingPage struct {
	Frame
	Number, ObjectTitle, ObjectPath, PhotoPath string
	Says                                       string
	Service                                    string // address of the image service, for the module; "": nothing can be shown
	NoImage                                    string
	Width, Height                              int // of the upright original
	Image                                      string
	OnPicture, InLegend                        hatchings
	Marks                                      []shownMark
	Terms                                      []shownTerm
	Scale, ScaleHow                            string
	ManifestPath, MapPath                      string
	May                                        bool
	Touch                                      *touching
	Form, ScaleForm                            *Form
	EraseForm                                  *Form
	Editing                                    string // number of the mark that is changed
}

// hatchings are patterns under names of their own: those of a picture are as wide as on the page.
type hatchings struct{ Prefix, Scale string }

// shownMark is one mark, in the picture and in the list.
type shownMark struct {
	Number           int
	ID, Kind, Points string // Points as SVG has them
	Hatch            int
	X, Y             string // of the number
	What, Note       string
	Measure          string
	By               string
	EditPath         string
	Frozen           bool
}

// shownTerm is a line of the legend.
type shownTerm struct {
	Hatch   int
	Name    string
	Pattern string
	Numbers string
}

// touching is how a picture is marked by touching it where no script runs. What was touched stands in the
// address.
type touching struct {
	Path          string
	Image         string
	Width, Height int    // as shown
	View          string // of the drawing over it
	Sent          []Option
	Help          string
	Shapes, Moves []Link
	Undo          []Link
	Points        []touchedPoint
	Begun         string // the outline so far
}

// hatchOf gives every damage term of a photograph its own hatching, in the order in which they come.
func hatchesOf(marks []photo.MarkMeasured) map[string]int {
	hatches := map[string]int{}
	for _, m := range marks {
		if _, known := hatches[m.TermName]; !known {
			hatches[m.TermName] = len(hatches)
		}
	}
	return hatches
}

// shownMarks are the marks of a photograph as its page shows them.
func (s *Server) shownMarks(p *photo.Photo, marks []photo.MarkMeasured, may bool) (all []shownMark, terms []shownTerm) {
	hatches := hatchesOf(marks)
	numbers := map[string][]string{}
	for i, m := range marks {
		at := m.Shape.Anchor()
		d := shownMark{Number: i + 1, ID: m.ID.String(), Kind: string(m.Shape.Kind), Points: mark.PointsText(m.Shape.Outline()), Hatch: hatches[m.TermName] % document.Hatches,
			X: px(at[0]), Y: px(at[1]), What: m.Says(), Note: m.Note, Measure: m.Measure.Words(), By: m.MadeByName + ", " + s.day(m.MadeAt), Frozen: m.Frozen}
		if m.TermName == "" {
			d.What, d.Note = "note", m.Note
		}
		if may && !m.Frozen {
			d.EditPath = marksPath(p.ID, domain.ID{}) + "?mark=" + d.ID + "#draw"
		}
		all = append(all, d)
		numbers[m.TermName] = append(numbers[m.TermName], strconv.Itoa(i+1))
	}
	for term, hatch := range hatches {
		terms = append(terms, shownTerm{Hatch: hatch % document.Hatches, Name: cmp.Or(term, "notes"), Pattern: document.Hatch(hatch).Name(), Numbers: strings.Join(numbers[term], ", ")})
	}
	slices.SortFunc(terms, func(a, b shownTerm) int { return hatches[termKey(a.Name)] - hatches[termKey(b.Name)] })
	return all, terms
}

func termKey(shown string) string {
	if shown == "notes" {
		return ""
	}
	return shown
}

// marking is what was touched so far, and for what; it stands in the address.
type marking struct {
	photo       *photo.Photo
	observation string
	editing     string // a mark that is changed
	tool        string // a kind of mark, or "scale"
	points      []mark.Point
	view        [3]float64 // left, top and width of the part that is shown, in pixels of the original
	touched     bool
}

const scaleTool = "scale"

var tools = []string{string(mark.Polygon), string(mark.Rectangle), string(mark.Line), string(mark.Place), scaleTool}

// touchWidth is the width of the picture that is touched.
const touchWidth = 640

// touchPoints is the most points that an address holds; more are typed, or drawn by the module.
const touchPoints = 200

func (s *Server) readDrawing(c echo.Context) (*marking, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	d := &marking{tool: string(mark.Polygon)}
	if d.photo, err = s.Photo.One(c.Request().Context(), actor(c), id); err != nil {
		return nil, err
	}
	q := c.Request().URL.Query()
	if _, err := domain.ParseID(q.Get("observation")); err == nil {
		d.observation = q.Get("observation")
	}
	if _, err := domain.ParseID(q.Get("mark")); err == nil {
		d.editing = q.Get("mark")
	}
	if slices.Contains(tools, q.Get("tool")) {
		d.tool = q.Get("tool")
	}
	most := map[string]int{string(mark.Rectangle): 2, string(mark.Place): 1, scaleTool: 2}[d.tool]
	for _, text := range q["p"] {
		if n, ok := coordinates(text, 2); ok && len(d.points) < touchPoints && (most == 0 || len(d.points) < most) {
			d.points = append(d.points, mark.Point{n[0], n[1]})
		}
	}
	d.view = [3]float64{0, 0, float64(d.photo.Original.WidthPX)}
	if n, ok := coordinates(q.Get("view"), 3); ok {
		d.view = [3]float64{n[0], n[1], n[2]}
	}
	d.keepView()
	if p := touchOf(q, "at", d.photo, d.view, touchWidth); p != nil && len(d.points) < touchPoints {
		d.points, d.touched = append(d.points, *p), true
		if most > 0 && len(d.points) > most {
			d.points = d.points[len(d.points)-1:] // begun anew
		}
	}
	return d, nil
}

// keepView holds the part that is shown inside the picture.
func (d *marking) keepView() {
	w, h := float64(d.photo.Original.WidthPX), float64(d.photo.Original.HeightPX)
	d.view[2] = min(max(d.view[2], min(w, 64)), w)
	d.view[0] = min(max(d.view[0], 0), w-d.view[2])
	d.view[1] = min(max(d.view[1], 0), max(0, h-d.viewHeight()))
	for i := range d.view {
		d.view[i] = float64(int(d.view[i]))
	}
}

func (d *marking) viewHeight() float64 {
	return min(d.view[2]*float64(d.photo.Original.HeightPX)/float64(d.photo.Original.WidthPX), float64(d.photo.Original.HeightPX))
}

func (d *marking) query() url.Values {
	q := url.Values{}
	for name, value := range map[string]string{"observation": d.observation, "mark": d.editing} {
		if value != "" {
			q.Set(name, value)
		}
	}
	if d.tool != string(mark.Polygon) {
		q.Set("tool", d.tool)
	}
	for _, p := range d.points {
		q.Add("p", px(p[0])+","+px(p[1]))
	}
	if int(d.view[2]) != d.photo.Original.WidthPX {
		q.Set("view", px(d.view[0])+","+px(d.view[1])+","+px(d.view[2]))
	}
	return q
}

func (d marking) at(change func(*marking)) string {
	d.points = slices.Clone(d.points)
	change(&d)
	d.keepView()
	path := marksPath(d.photo.ID, domain.ID{})
	if q := d.query(); len(q) > 0 {
		path += "?" + q.Encode()
	}
	return path + "#draw"
}

// precision is how exactly a touch is set, in pixels of the original: to a pixel of the picture as shown.
func (d *marking) precision() float64 { return max(0.5, d.view[2]/touchWidth) }

// help says what to touch next.
func (d *marking) help() string {
	n := len(d.points)
	switch d.tool {
	case string(mark.Rectangle):
		return []string{"Touch one corner of the rectangle.", "Touch the opposite corner.", "The rectangle is drawn. Say below what it marks and keep it."}[min(n, 2)]
	case string(mark.Place):
		return []string{"Touch the place.", "The place is set. Say below what it marks and keep it."}[min(n, 1)]
	case scaleTool:
		return []string{"Touch one end of the scale bar.", "Touch the other end, as far away as the bar allows.", "Both ends are set. Enter the length between them below and keep the scale."}[min(n, 2)]
	case string(mark.Line):
		return []string{"Touch where the line begins.", "Touch its next point."}[min(n, 1)] + map[bool]string{true: " Or keep it below."}[n > 1]
	}
	return []string{"Touch the first corner of the outline.", "Touch the next corner.", "Touch a third corner.", "Touch the next corner, or keep the outline below; it closes by itself."}[min(n, 3)]
}

// touching makes what is touched.
func (d *marking) touching() *touching {
	k := d.view[2] / touchWidth
	w, h := int(d.view[2]), max(1, int(d.viewHeight()))
	height := max(1, int(float64(h)/k+0.5))
	t := &touching{Path: marksPath(d.photo.ID, domain.ID{}), Width: touchWidth, Height: height, Help: d.help(),
		View: fmt.Sprintf("%d %d %d %d", int(d.view[0]), int(d.view[1]), w, h)}
	size := fmt.Sprintf("%d,%d", touchWidth, height)
	if w < touchWidth {
		size = "^" + size
	}
	t.Image = fmt.Sprintf("%s%s/%d,%d,%d,%d/%s/0/default.jpg", IIIFPrefix, d.photo.ID, int(d.view[0]), int(d.view[1]), w, h, size)
	for key, values := range d.query() {
		for _, v := range values {
			t.Sent = append(t.Sent, Option{Label: key, Value: v})
		}
	}
	slices.SortStableFunc(t.Sent, func(a, b Option) int { return strings.Compare(a.Label, b.Label) })
	for i, p := range d.points {
		t.Points = append(t.Points, touchedPoint{N: i + 1, X: px(p[0]), Y: px(p[1]), Ask: false})
	}
	t.Begun = mark.PointsText(mark.Shape{Kind: mark.Kind(d.tool), Points: d.points}.Tidy().Outline())
	for _, tool := range tools {
		words := map[string]string{string(mark.Polygon): "outline", string(mark.Place): "point", scaleTool: "scale bar"}[tool]
		t.Shapes = append(t.Shapes, Link{Path: d.at(func(d *marking) { d.tool, d.points = tool, nil }), Words: cmp.Or(words, tool), Present: tool == d.tool})
	}
	if len(d.points) > 0 {
		t.Undo = []Link{{Path: d.at(func(d *marking) { d.points = d.points[:len(d.points)-1] }), Words: "Take back the last point"},
			{Path: d.at(func(d *marking) { d.points = nil }), Words: "Begin again"}}
	}
	t.Moves = d.moves()
	return t
}

// moves are the links that show another part of the picture. Closer goes to where was touched last.
func (d *marking) moves() []Link {
	centre := mark.Point{d.view[0] + d.view[2]/2, d.view[1] + d.viewHeight()/2}
	if n := len(d.points); n > 0 {
		centre = d.points[n-1]
	}
	zoom := func(by float64) func(*marking) {
		return func(d *marking) {
			d.view[2] = min(max(d.view[2]*by, 64), float64(d.photo.Original.WidthPX))
			d.view[0], d.view[1] = centre[0]-d.view[2]/2, centre[1]-d.viewHeight()/2
		}
	}
	shift := func(x, y float64) func(*marking) {
		return func(d *marking) {
			d.view[0] += x * d.view[2] / 2
			d.view[1] += y * d.viewHeight() / 2
		}
	}
	links := []Link{{Path: d.at(zoom(0.5)), Words: "closer"}}
	if int(d.view[2]) < d.photo.Original.WidthPX {
		links = append(links, Link{Path: d.at(zoom(2)), Words: "wider"}, Link{Path: d.at(shift(-1, 0)), Words: "left"}, Link{Path: d.at(shift(1, 0)), Words: "right"},
			Link{Path: d.at(shift(0, -1)), Words: "up"}, Link{Path: d.at(shift(0, 1)), Words: "down"}, Link{Path: d.at(func(d *marking) { d.view = [3]float64{0, 0, 1e9} }), Words: "whole"})
	}
	return links
}

// markingData makes the page.
func (s *Server) markingData(c echo.Context, d *marking) (*markingPage, error) {
	ctx, by := c.Request().Context(), actor(c)
	one := d.photo
	of, err := s.Photo.SubjectOf(ctx, by, one)
	if err != nil {
		return nil, err
	}
	on, err := s.Photo.MarksOn(ctx, by, []domain.ID{one.ID})
	if err != nil {
		return nil, err
	}
	scales, err := s.Photo.Scales(ctx, by, []domain.ID{one.ID})
	if err != nil {
		return nil, err
	}
	p := &markingPage{Number: of.Number, ObjectTitle: of.Title, ObjectPath: "/objects/" + url.PathEscape(of.Number), PhotoPath: "/photos/" + one.ID.String(), Says: photoWords(one) + ", " + s.photoTaken(one),
		OnPicture: hatchings{"on", px(float64(max(one.Original.WidthPX, one.Original.HeightPX)) / 900)}, InLegend: hatchings{"hatch", "1"},
		Width: one.Original.WidthPX, Height: one.Original.HeightPX, ManifestPath: manifestPath(of.Number), MapPath: "/files/photos/" + one.ID.String() + "/map", May: by.May(photo.Keep) == nil, Scale: mark.WithoutScale}
	p.Title, p.Here, p.Scripts = "Marks on a photograph of "+of.Number, "/objects", []string{"marks.js"}
	marks := photo.WithMeasures(on[one.ID], one.MarkSize(), scales)
	p.Marks, p.Terms = s.shownMarks(one, marks, p.May)
	if k, ok := scales[one.ID]; ok {
		p.Scale = s.scaleWords(k)
		p.ScaleHow = fmt.Sprintf("%s mm ± %s mm between %s and %s, each set to ± %s px; these are standard uncertainties, as they were entered.", number(k.LengthMM, 2), number(k.PlusMM, 2), mark.PointsText([]mark.Point{k.From}), mark.PointsText([]mark.Point{k.To}), number(k.ClickPX, 1))
	}
	switch {
	case one.Preview.State == photo.None:
		p.NoImage = one.Preview.Reason
	case one.Preview.Screen == nil:
		p.NoImage = "The picture for this page is being made. Load the page again in a moment."
	default:
		p.Image, p.Service = "/files/photos/"+one.ID.String()+"/screen", IIIFPrefix+one.ID.String()
	}
	if !p.May {
		return p, nil
	}
	if p.Image != "" {
		p.Touch = d.touching()
	}
	markable, err := s.Photo.Markable(ctx, by, one.ObjectID)
	if err != nil {
		return nil, err
	}
	return p, s.markForms(c, p, d, on[one.ID], markable)
}

// scaleWords says how long a pixel is, how surely, and who said so.
func (s *Server) scaleWords(k photo.Scale) string {
	factor, relative := k.MMPerPX()
	return fmt.Sprintf("Scale: %s mm a pixel, ± %s %% (k = 2). Set by %s, %s.", strconv.FormatFloat(factor, 'g', 4, 64), number(2*100*relative, 1), k.ByName, s.day(k.At))
}

// markForms are the forms of the page: to draw a mark or change one, to take it away, to set the scale.
func (s *Server) markForms(c echo.Context, p *markingPage, d *marking, marks []photo.Mark, markable []photo.Markable) error {
	f := &Form{Action: marksPath(d.photo.ID, domain.ID{}), Submit: "Keep the mark", Part: "mark"}
	typed := photo.Drawing{Shape: mark.Shape{Kind: mark.Kind(d.tool), Points: d.points}, PrecisionPX: d.precision()}
	if d.tool == scaleTool {
		typed.Shape = mark.Shape{Kind: mark.Polygon}
	}
	if id, err := domain.ParseID(d.observation); err == nil {
		typed.ObservationID = &id
	}
	if d.editing != "" {
		at := slices.IndexFunc(marks, func(m photo.Mark) bool { return m.ID.String() == d.editing })
		if at < 0 {
			return domain.NotFound("There is no such mark on this photograph; somebody may have taken it away.")
		}
		m := marks[at]
		p.Editing = strconv.Itoa(at + 1)
		f.Action, f.Submit, f.Version = "/marks/"+d.editing, "Keep the change", m.Version
		typed.ObservationID, typed.Note = m.ObservationID, m.Note
		if len(d.points) == 0 {
			typed.Shape, typed.PrecisionPX = m.Shape, m.PrecisionPX
		}
		p.EraseForm = (&Form{Action: "/marks/" + d.editing + "/erasure", Submit: "Take the mark away", Version: m.Version, Grave: true, Part: "erase"}).ready(c)
	}
	about := []Option{{Value: "", Label: "a note by itself"}}
	for _, o := range markable {
		words := o.Called + ": " + o.TermName
		if o.Severity > 0 {
			words += fmt.Sprintf(", severity %d", o.Severity)
		}
		about = append(about, Option{Value: o.ID.String(), Label: words, Chosen: typed.ObservationID != nil && *typed.ObservationID == o.ID})
	}
	f.Fields = []Field{
		{Kind: "select", Name: "observation_id", Label: "What it marks", Options: about, Help: "The observations of examinations that are not signed yet."},
		{Kind: "textarea", Name: "note", Label: "Note", Max: 2000, Rows: 2, Value: typed.Note},
		{Kind: "folded", Label: "The mark in figures", Help: fmt.Sprintf("In pixels of the original, which is %d × %d, from its left and its upper edge.", d.photo.Original.WidthPX, d.photo.Original.HeightPX), Fields: []Field{
			{Kind: "radio", Name: "kind", Label: "Shape", Options: []Option{
				{Value: "polygon", Label: "outline", Chosen: typed.Shape.Kind == mark.Polygon}, {Value: "rectangle", Label: "rectangle", Chosen: typed.Shape.Kind == mark.Rectangle},
				{Value: "line", Label: "line", Chosen: typed.Shape.Kind == mark.Line}, {Value: "point", Label: "point", Chosen: typed.Shape.Kind == mark.Place}}},
			{Kind: "textarea", Name: "points", Label: "Points", Rows: 3, Value: mark.PointsText(typed.Shape.Points), Help: "Pairs of figures: 120,80 160,80 150,95. Of a rectangle two opposite corners; an outline closes by itself."},
			{Kind: "number", Step: "any", Name: "precision_px", Label: "Drawn to ± pixels", Value: px(typed.PrecisionPX), Help: "How exactly the outline follows what is seen, as a standard uncertainty. It goes into the measure."},
		}},
	}
	if p.Image == "" {
		f.Fields[2].Value = "open"
	}
	p.Form = f.ready(c)
	var ends [4]string
	if d.tool == scaleTool {
		for i, at := range d.points {
			ends[2*i], ends[2*i+1] = px(at[0]), px(at[1])
		}
	}
	k := &Form{Action: "/photos/" + d.photo.ID.String() + "/scale", Submit: "Keep the scale", Part: "scale", Fields: []Field{
		{Kind: "abreast", Label: "Length", Fields: []Field{
			{Kind: "number", Step: "any", Name: "length_mm", Label: "Length between the two points (mm)", Required: true},
			{Kind: "number", Step: "any", Name: "plus_mm", Label: "± mm", Value: "0.1", Help: "Half a division of the bar is usual."}}},
		{Kind: "folded", Label: "The two points in figures", Value: map[bool]string{true: "open"}[p.Image == "" || ends[0] != ""], Fields: []Field{
			{Kind: "abreast", Label: "First point", Fields: []Field{{Kind: "number", Step: "any", Name: "from_x", Label: "First, from the left", Value: ends[0]}, {Kind: "number", Step: "any", Name: "from_y", Label: "First, from the top", Value: ends[1]}}},
			{Kind: "abreast", Label: "Second point", Fields: []Field{{Kind: "number", Step: "any", Name: "to_x", Label: "Second, from the left", Value: ends[2]}, {Kind: "number", Step: "any", Name: "to_y", Label: "Second, from the top", Value: ends[3]}}},
			{Kind: "number", Step: "any", Name: "click_px", Label: "Set to ± pixels", Value: px(d.precision())}}},
	}}
	p.ScaleForm = k.ready(c)
	return nil
}

// markingPage serves GET /photos/{id}/marks. A touch comes as coordinates of an image button and leads to
// the address that holds all of them.
func (s *Server) markingPage(c echo.Context) error {
	d, err := s.readDrawing(c)
	if err != nil {
		return err
	}
	if d.touched {
		return c.Redirect(http.StatusSeeOther, d.at(func(*marking) {}))
	}
	p, err := s.markingData(c, d)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "photo/marks", p)
}

// drawnForm is a drawing as the form sends it.
type drawnForm struct {
	ObservationID *domain.ID `json:"observation_id"`
	Kind          mark.Kind  `json:"kind"`
	Points        string     `json:"points"`
	PrecisionPX   float64    `json:"precision_px"`
	Note          string     `json:"note"`
}

// readDrawn reads the form. Faults point to its fields.
func (s *Server) readDrawn(c echo.Context) (version int64, typed url.Values, d photo.Drawing, err error) {
	var f drawnForm
	if version, typed, err = s.decode(c, &f); err != nil {
		return version, typed, d, err
	}
	points, err := mark.ParsePoints(f.Points)
	if err == nil && len(points) == 0 {
		err = domain.Invalid("/shape/points", "required", "Draw the mark on the picture first, or enter its points.")
	}
	return version, typed, photo.Drawing{ObservationID: f.ObservationID, Shape: mark.Shape{Kind: f.Kind, Points: points}, PrecisionPX: f.PrecisionPX, Note: f.Note}, onForm(err)
}

// onForm makes faults of a shape, a scale or an alignment point to the fields of the form.
func onForm(err error) error {
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) == 0 {
		return err
	}
	copied := *e
	copied.Fields = nil
	for _, f := range e.Fields {
		f.Pointer = strings.TrimPrefix(f.Pointer, "/shape")
		if strings.HasPrefix(f.Pointer, "/points") {
			f.Pointer = "/points"
		}
		f.Pointer = strings.NewReplacer("/from", "/from_x", "/to", "/to_x", "/before", "/before_x", "/after_id", "/after_id", "/after", "/after_x").Replace(f.Pointer)
		copied.Fields = append(copied.Fields, f)
	}
	return &copied
}

// draw serves POST /photos/{id}/marks.
func (s *Server) draw(c echo.Context) error {
	d, err := s.readDrawing(c)
	if err != nil {
		return err
	}
	_, typed, n, err := s.readDrawn(c)
	if err == nil {
		_, err = s.Photo.Draw(c.Request().Context(), actor(c), d.photo.ID, n)
	}
	if err == nil {
		return s.done(c, "The mark is kept.", marksPath(d.photo.ID, observationOf(n)))
	}
	p, fault := s.markingData(c, d)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.Form, typed, onForm(err), "photo/marks", p)
}

// observationOf is the observation that is marked, so that the next mark is of it too.
func observationOf(d photo.Drawing) domain.ID {
	if d.ObservationID == nil {
		return domain.ID{}
	}
	return *d.ObservationID
}

// ofMark reads the photograph that a mark of the address is on.
func (s *Server) ofMark(c echo.Context) (*photo.Mark, *marking, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, nil, err
	}
	m, err := s.Photo.Mark(c.Request().Context(), actor(c), id)
	if err != nil {
		return nil, nil, err
	}
	p, err := s.Photo.One(c.Request().Context(), actor(c), m.PhotoID)
	if err != nil {
		return nil, nil, err
	}
	return m, &marking{photo: p, editing: id.String(), tool: string(m.Shape.Kind), view: [3]float64{0, 0, float64(p.Original.WidthPX)}}, nil
}

// redraw serves POST /marks/{id}.
func (s *Server) redraw(c echo.Context) error {
	m, d, err := s.ofMark(c)
	if err != nil {
		return err
	}
	version, typed, n, err := s.readDrawn(c)
	if err == nil {
		_, err = s.Photo.Redraw(c.Request().Context(), actor(c), m.ID, version, n)
	}
	if err == nil {
		return s.done(c, "The mark now says what you entered.", marksPath(m.PhotoID, observationOf(n)))
	}
	p, fault := s.markingData(c, d)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.Form, typed, onForm(err), "photo/marks", p)
}

// erase serves POST /marks/{id}/erasure.
func (s *Server) erase(c echo.Context) error {
	m, d, err := s.ofMark(c)
	if err != nil {
		return err
	}
	var nothing struct{}
	version, typed, err := s.decode(c, &nothing)
	if err == nil {
		err = s.Photo.Erase(c.Request().Context(), actor(c), m.ID, version)
	}
	if err == nil {
		return s.done(c, "The mark is taken away. What it was stays in the record.", marksPath(m.PhotoID, domain.ID{}))
	}
	p, fault := s.markingData(c, d)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.EraseForm, typed, err, "photo/marks", p)
}

// scaleTyped is a scale as the form sends it.
type scaleTyped struct {
	FromX    float64 `json:"from_x"`
	FromY    float64 `json:"from_y"`
	ToX      float64 `json:"to_x"`
	ToY      float64 `json:"to_y"`
	LengthMM float64 `json:"length_mm"`
	PlusMM   float64 `json:"plus_mm"`
	ClickPX  float64 `json:"click_px"`
}

// setScale serves POST /photos/{id}/scale.
func (s *Server) setScale(c echo.Context) error {
	d, err := s.readDrawing(c)
	if err != nil {
		return err
	}
	var n scaleTyped
	_, typed, err := s.decode(c, &n)
	if err == nil {
		_, err = s.Photo.SetScale(c.Request().Context(), actor(c), d.photo.ID, photo.NewScale{From: &mark.Point{n.FromX, n.FromY}, To: &mark.Point{n.ToX, n.ToY},
			LengthMM: n.LengthMM, PlusMM: n.PlusMM, ClickPX: n.ClickPX})
	}
	if err == nil {
		return s.done(c, "The scale is kept. All marks on this photograph are measured by it.", marksPath(d.photo.ID, domain.ID{}))
	}
	p, fault := s.markingData(c, d)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.ScaleForm, typed, onForm(err), "photo/marks", p)
}
