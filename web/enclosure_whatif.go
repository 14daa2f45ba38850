package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

// Asked is a question as the page takes it: one change of each kind, those that are left empty do not
// happen.
type Asked struct {
	Path     string        `json:"path"`
	Width    string        `json:"width"`
	Shape    string        `json:"shape"` // of a new gap instead
	Diameter string        `json:"diameter"`
	Length   string        `json:"length"`
	Depth    string        `json:"depth"`
	Height   string        `json:"height"`
	TempDiff string        `json:"temp_diff"`
	PerDay   string        `json:"per_day"`
	Temp     string        `json:"temp"`
	SpaceOf  string        `json:"space_of"`
	Volume   string        `json:"volume"`
	Surface  string        `json:"surface"` // its space and place in it: "0.1"
	Do       string        `json:"do"`
	Passing  string        `json:"passing"`
	AddTo    string        `json:"add_to"`
	AddName  string        `json:"add_name"`
	AddArea  string        `json:"add_area"`
	AddGas   enclosure.Gas `json:"add_gas"`
	AddTakes string        `json:"add_takes"`
	AddGives string        `json:"add_gives"`
	Hours    string        `json:"hours"`
	Years    string        `json:"years"`
}

// recommending is a question that is kept as a recommendation.
type recommending struct {
	Asked
	ObjectID domain.ID `json:"object_id"`
	Text     string    `json:"text"`
}

// courseSpans are how long a course may be, to choose.
var courseSpans = []Option{{Value: "24", Label: "a day"}, {Value: "168", Label: "a week"}, {Value: "720", Label: "a month"}, {Value: "8766", Label: "a year"}, {Value: "87660", Label: "ten years"}, {Label: "no course"}}

// surfaceKey names a surface in a form.
func surfaceKey(space, surface int) string { return strconv.Itoa(space) + "." + strconv.Itoa(surface) }

func (s *Server) whatIfForm(c echo.Context, e *enclosure.Enclosure, submit string) *Form {
	n := &e.Network
	var paths, spaces []Option
	for _, x := range n.Exchanges {
		now := "now "
		switch {
		case x.Gap != nil && x.Gap.WidthMM.Given():
			now += enclosure.Lengths.Shown(x.Gap.WidthMM) + " wide"
		case x.Gap != nil:
			now += x.Gap.Shape.Words()
		default:
			now += quantityWords(enclosure.DailyRates, x.Rate.PerDay)
		}
		paths = append(paths, Option{Value: x.Name, Label: x.Name + " (" + now + ")"})
	}
	surfaces := []Option{{Label: "none", Chosen: true}}
	for i, sp := range n.Spaces {
		spaces = append(spaces, Option{Value: sp.Name, Label: sp.Name})
		for j, f := range sp.Surfaces {
			label := f.Name
			if len(n.Spaces) > 1 {
				label += " in " + sp.Name
			}
			surfaces = append(surfaces, Option{Value: surfaceKey(i, j), Label: label})
		}
	}
	spans := append([]Option{}, courseSpans...)
	spans[1].Chosen = true
	years := field("text", "years", "Limits for so many years of exposure", strconv.Itoa(enclosure.YearsDefault), 12, "")
	var fields []Field
	if len(paths) > 0 {
		fields = append(fields, Field{Kind: "group", Label: "The way of the air", Fields: []Field{
			{Kind: "select", Name: "path", Label: "Which way", Options: paths},
			field("text", "width", "Width of its gap", "", 60, "Millimetres: 3, or 3 (2 to 4)."),
			field("text", "per_day", "Or its air changes per day", "", 60, ""),
			{Kind: "folded", Label: "Another opening instead", Help: "Needed when the way is a rate so far. A ring: diameter, width and depth.", Fields: []Field{
				{Kind: "select", Name: "shape", Label: "Shape", Options: shapeOptions("", "as it is")},
				field("text", "diameter", "Diameter", "", 60, "Millimetres."), field("text", "length", "Length", "", 60, "Of a slit."), field("text", "depth", "Depth, the way through", "", 60, ""),
				field("text", "height", "Height between low and high", "", 60, ""), field("text", "temp_diff", "Difference of temperature, inside to outside", "", 60, "Kelvin.")}},
		}})
	}
	fields = append(fields,
		field("text", "temp", "Temperature", "", 60, "°C. Left empty: as it is."),
		Field{Kind: "folded", Label: "A surface taken out or covered", Fields: []Field{
			{Kind: "select", Name: "surface", Label: "Which surface", Options: surfaces},
			{Kind: "radio", Name: "do", Label: "It is", Options: []Option{{Value: string(enclosure.RemoveSurface), Label: "taken out", Chosen: true}, {Value: string(enclosure.CoverSurface), Label: "covered"}}},
			field("text", "passing", "Share that passes the cover", "", 60, "Per cent; 0 for none.")}},
		Field{Kind: "folded", Label: "A surface put in, such as a sorbent", Fields: []Field{
			field("text", "add_name", "What is put in", "", 200, ""),
			{Kind: "select", Name: "add_to", Label: "Into", Options: spaces},
			field("text", "add_area", "Its area", "", 60, "Square centimetres, unless you write m²."),
			{Kind: "select", Name: "add_gas", Label: "Gas", Options: gasOptions("", "choose")},
			field("text", "add_takes", "It takes up, deposition velocity", "", 60, "cm/s."),
			field("text", "add_gives", "It gives off", "", 60, "µg/(m²·h).")}},
		Field{Kind: "folded", Label: "Another volume", Fields: []Field{{Kind: "select", Name: "space_of", Label: "Of the space", Options: spaces}, field("text", "volume", "Volume", "", 60, "Litres, or write m³.")}},
		Field{Kind: "select", Name: "hours", Label: "Course over", Options: spans}, years)
	return (&Form{Part: "ask", Action: enclosurePath(e.ID) + "/what-if", Submit: submit, Fields: fields,
		Help: "Fill in only what would be different. Nothing is kept; you can keep the answer as a recommendation afterwards."}).ready(c)
}

// changes are the changes of a question.
func (q Asked) changes(r *entry, n *enclosure.Network) []enclosure.Change {
	r.texts(q)
	var all []enclosure.Change
	add := func(change enclosure.Change, moved ...[2]string) {
		at := "/changes/" + strconv.Itoa(len(all))
		for _, m := range moved {
			r.moved = append(r.moved, [2]string{at + m[0], m[1]})
		}
		all = append(all, change)
	}
	planned := func(pointer, text string, m enclosure.Measure) enclosure.Quantity {
		return typedZero(r.read(pointer, text, m), text, func(q enclosure.Quantity) enclosure.Quantity { return q.Known(enclosure.Assumed, "planned") })
	}
	mm := func(pointer, text string) enclosure.Quantity { return planned(pointer, text, enclosure.Lengths) }
	switch {
	case q.Width+q.Shape != "" && q.PerDay != "":
		r.fault("/per_day", "one", "Give a gap or air changes per day, not both.")
	case q.Shape != "":
		add(enclosure.Change{Act: enclosure.SetGap, Exchange: q.Path, Gap: &enclosure.Gap{Shape: enclosure.Shape(q.Shape), WidthMM: mm("/width", q.Width), DiameterMM: mm("/diameter", q.Diameter),
			LengthMM: mm("/length", q.Length), DepthMM: mm("/depth", q.Depth), HeightMM: mm("/height", q.Height), TempDiffK: planned("/temp_diff", q.TempDiff, enclosure.Differences)}},
			[2]string{"/exchange", "/path"}, [2]string{"/gap/shape", "/shape"}, [2]string{"/gap/width_mm", "/width"}, [2]string{"/gap/diameter_mm", "/diameter"}, [2]string{"/gap/length_mm", "/length"},
			[2]string{"/gap/depth_mm", "/depth"}, [2]string{"/gap/height_mm", "/height"}, [2]string{"/gap/temp_diff_k", "/temp_diff"})
	case q.Diameter+q.Length+q.Depth+q.Height+q.TempDiff != "":
		r.fault("/shape", "required", "Choose the shape of the new opening.")
	case q.Width != "":
		add(enclosure.Change{Act: enclosure.SetGap, Exchange: q.Path, WidthMM: mm("/width", q.Width)}, [2]string{"/width_mm", "/width"}, [2]string{"/gap", "/shape"}, [2]string{"/exchange", "/path"})
	case q.PerDay != "":
		add(enclosure.Change{Act: enclosure.SetRate, Exchange: q.Path, PerDay: planned("/per_day", q.PerDay, enclosure.DailyRates)}, [2]string{"/per_day", "/per_day"}, [2]string{"/exchange", "/path"})
	}
	if q.Temp != "" {
		add(enclosure.Change{Act: enclosure.SetTemp, TempC: planned("/temp", q.Temp, enclosure.Temperatures)}, [2]string{"/temp_c", "/temp"})
	}
	if q.Volume != "" {
		add(enclosure.Change{Act: enclosure.SetVolume, Space: q.SpaceOf, VolumeM3: planned("/volume", q.Volume, enclosure.Volumes)}, [2]string{"/volume_m3", "/volume"}, [2]string{"/space", "/space_of"})
	}
	if q.AddName+q.AddArea+string(q.AddGas)+q.AddTakes+q.AddGives != "" {
		add(enclosure.Change{Act: enclosure.AddSurface, Space: q.AddTo, Add: q.added(r, planned)}, [2]string{"/space", "/add_to"}, [2]string{"/add/name", "/add_name"}, [2]string{"/add/area_m2", "/add_area"},
			[2]string{"/add/uptakes/0/velocity_cm_s", "/add_takes"}, [2]string{"/add/emissions/0/rate_ug_m2_h", "/add_gives"})
	}
	// Last, because taking one out moves the others up.
	switch {
	case q.Surface == "" && strings.TrimSpace(q.Passing) != "":
		r.fault("/surface", "required", "Choose the surface that is covered.")
	case q.Surface != "" && q.Do == string(enclosure.RemoveSurface) && strings.TrimSpace(q.Passing) != "":
		r.fault("/passing", "unused", "What is taken out has no cover. Choose covered, or take the share away.")
	case q.Surface != "":
		if change, ok := q.onSurface(r, n, planned); ok {
			add(change, [2]string{"/passing", "/passing"}, [2]string{"/surface", "/surface"}, [2]string{"/act", "/do"})
		}
	}
	if len(all) == 0 && len(r.faults) == 0 {
		r.fault("", "required", "Fill in what would be different.")
	}
	return all
}

func (q Asked) added(r *entry, planned func(pointer, text string, m enclosure.Measure) enclosure.Quantity) *enclosure.Surface {
	f := &enclosure.Surface{Name: q.AddName, AreaM2: planned("/add_area", q.AddArea, enclosure.Areas)}
	if q.AddGas == "" {
		r.fault("/add_gas", "required", "Choose the gas.")
		return f
	}
	if q.AddTakes != "" {
		f.Uptakes = []enclosure.Uptake{{Gas: q.AddGas, VelocityCMS: planned("/add_takes", q.AddTakes, enclosure.Velocities)}}
	}
	if q.AddGives != "" {
		f.Emissions = []enclosure.Emission{{Gas: q.AddGas, RateUGM2H: planned("/add_gives", q.AddGives, enclosure.EmissionRate)}}
	}
	if q.AddTakes+q.AddGives == "" {
		r.fault("/add_takes", "required", "Say what it takes up or gives off.")
	}
	return f
}

func (q Asked) onSurface(r *entry, n *enclosure.Network, planned func(pointer, text string, m enclosure.Measure) enclosure.Quantity) (enclosure.Change, bool) {
	for i, sp := range n.Spaces {
		for j, f := range sp.Surfaces {
			if surfaceKey(i, j) != q.Surface {
				continue
			}
			change := enclosure.Change{Act: enclosure.Act(q.Do), Space: sp.Name, Surface: f.Name}
			if change.Act == enclosure.CoverSurface {
				change.Passing = planned("/passing", q.Passing, enclosure.Shares)
			}
			return change, true
		}
	}
	r.fault("/surface", "known", "This surface is no longer there. Load the page anew.")
	return enclosure.Change{}, false
}

// question is the whole question.
func (q Asked) question(r *entry, n *enclosure.Network) enclosure.Question {
	question := enclosure.Question{Changes: q.changes(r, n)}
	for _, f := range []struct {
		pointer, text string
		into          *float64
	}{{"/hours", q.Hours, &question.Hours}, {"/years", q.Years, &question.Years}} {
		if strings.TrimSpace(f.text) == "" {
			continue
		}
		v, err := typedNumber(f.text)
		if err != nil || !(v >= 0) {
			r.fault(f.pointer, "number", "Give a number.")
			continue
		}
		*f.into = v
	}
	return question
}

type whatIfPage struct {
	Frame
	Heading   string
	Back      Link
	Changed   []string
	Years     string
	Rows      []differenceRow
	Charts    []Chart
	Course    string
	Form      *Form
	KeepForm  *Form // nil: who may not, or nothing was asked yet
	Words     []string
	Formula   []string
	HasAnswer bool
}

type differenceRow struct {
	Space, Gas            string
	Before, After, Factor string
	BeforeMark, AfterMark Mark
	Said, Words           string
	AfterInputs           []inputRow
	How                   string
}

func differenceRowOf(d *enclosure.Difference) differenceRow {
	row := differenceRow{Space: d.Space, Gas: d.Gas.String(), How: d.After.How}
	row.Before, _ = levelShown(&d.Before)
	row.After, _ = levelShown(&d.After)
	if d.Factor > 0 {
		row.Factor = enclosure.Number(100*d.Factor) + " %"
	}
	return row
}

func (s *Server) whatIfData(c echo.Context, e *enclosure.Enclosure) (*whatIfPage, error) {
	if e.Closed != nil {
		return nil, domain.Conflict("enclosure_closed", "This enclosure is closed and counts for nothing any more.")
	}
	p := &whatIfPage{Heading: "What if: " + e.Label, Back: Link{Path: enclosurePath(e.ID), Words: e.Label}, Form: s.whatIfForm(c, e, "Ask what it would do"), Formula: formulas}
	p.Title, p.Here = p.Heading, "/enclosures"
	return p, nil
}

// whatIfPage serves GET /enclosures/{id}/what-if: the form, or the answer to what the address asks.
func (s *Server) whatIfPage(c echo.Context) error {
	return s.answerWhatIf(c, func(q *Asked) (url.Values, error) {
		if len(c.QueryParams()) == 0 {
			return nil, nil
		}
		_, typed, err := s.read(c.QueryParams(), q)
		return typed, err
	})
}

// whatIf serves POST /enclosures/{id}/what-if. It keeps nothing, so the answer is the page itself.
func (s *Server) whatIf(c echo.Context) error {
	return s.answerWhatIf(c, func(q *Asked) (url.Values, error) {
		_, typed, err := s.decode(c, q)
		return typed, err
	})
}

// answerWhatIf shows the page with what was asked answered; nothing typed: nothing was asked.
func (s *Server) answerWhatIf(c echo.Context, ask func(q *Asked) (typed url.Values, err error)) error {
	e, err := s.enclosureOf(c)
	if err != nil {
		return err
	}
	p, err := s.whatIfData(c, e)
	if err != nil {
		return err
	}
	var q Asked
	typed, err := ask(&q)
	if err == nil && typed == nil {
		return s.render(c, http.StatusOK, "enclosure/what_if", p)
	}
	if err == nil {
		err = s.askInto(c, p, e, q)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "enclosure/what_if", p)
	}
	p.Form.again(c, typed)
	return s.render(c, http.StatusOK, "enclosure/what_if", p)
}

// askInto asks and puts the answer into the page.
func (s *Server) askInto(c echo.Context, p *whatIfPage, e *enclosure.Enclosure, q Asked) error {
	r := &entry{s: s, c: c}
	question := q.question(r, &e.Network)
	if err := r.ready(); err != nil {
		return err
	}
	a, err := e.Network.Ask(question)
	if err != nil {
		return r.back(err)
	}
	p.HasAnswer, p.Changed, p.Years, p.Course = true, a.Changed, figureWords(a.Years), a.CourseWords
	seen := map[string]bool{}
	for i := range a.Differences {
		d := &a.Differences[i]
		row := differenceRowOf(&enclosure.Difference{Space: d.Space, Gas: d.Gas, Before: d.Before.Level, After: d.After.Level, Factor: d.Factor})
		row.BeforeMark, row.AfterMark, row.Said, row.Words = verdictMark(d.Before.Verdict), verdictMark(d.After.Verdict), d.After.Said, d.Words
		row.AfterInputs = levelRowOf(&d.After, "").Inputs
		for _, w := range d.After.Words {
			if !seen[w] {
				seen[w] = true
				p.Words = append(p.Words, w)
			}
		}
		p.Rows = append(p.Rows, row)
	}
	p.Charts = courseCharts(a.Courses)
	if actor(c).May(enclosure.Recommend) == nil && len(e.Members) > 0 {
		p.KeepForm = s.keepForm(c, e, q)
	}
	return nil
}

// chartsMost is how many courses are drawn; the table of steady levels has them all.
const chartsMost = 4

func courseCharts(courses []enclosure.Courses) []Chart {
	var charts []Chart
	for i, course := range courses {
		if len(charts) == chartsMost || len(course.Hours) < 2 || len(course.Before.Middle) != len(course.Hours) || len(course.After.Middle) != len(course.Hours) {
			continue
		}
		what, per := "hours", 1.0
		switch last := course.Hours[len(course.Hours)-1]; {
		case last > 3*8766:
			what, per = "years", 8766
		case last > 72:
			what, per = "days", 24
		}
		at := make([]float64, len(course.Hours))
		for k, h := range course.Hours {
			at[k] = h / per
		}
		lines := []Line{{Name: "as it is", Middle: course.Before.Middle, Second: true},
			{Name: "with the changes", Middle: course.After.Middle, Least: course.After.Least, Greatest: course.After.Greatest}}
		charts = append(charts, lineChart(fmt.Sprintf("course-%d", i+1), capital(course.Gas.String())+" in "+course.Space, what, "µg/m³", at, lines, 8))
	}
	return charts
}

// keepForm keeps the question as a recommendation: what was asked goes with it, hidden.
func (s *Server) keepForm(c echo.Context, e *enclosure.Enclosure, q Asked) *Form {
	var objects []Option
	seen := map[domain.ID]bool{}
	for _, m := range e.Members {
		if !seen[m.ObjectID] {
			seen[m.ObjectID] = true
			objects = append(objects, Option{Value: m.ObjectID.String(), Label: m.ObjectNumber + " " + m.ObjectTitle})
		}
	}
	text := field("textarea", "text", "What you recommend", "", 4000, "What is to be done, by whom, and what to watch.")
	text.Required = true
	fields := []Field{{Kind: "select", Name: "object_id", Label: "For", Options: objects}, text}
	for _, h := range q.typed() {
		if h[1] != "" {
			fields = append(fields, Field{Kind: "hidden", Name: h[0], Value: h[1]})
		}
	}
	return (&Form{Part: "keep", Action: enclosurePath(e.ID) + "/recommendations", Legend: "Keep it as a recommendation", Below: true, Submit: "Keep the recommendation", Fields: fields,
		Help: "The changes are kept with your name, the day, and the levels before and after."}).ready(c)
}

// typed is what was asked, by the names of the form.
func (q Asked) typed() [][2]string {
	return [][2]string{{"path", q.Path}, {"width", q.Width}, {"shape", q.Shape}, {"diameter", q.Diameter}, {"length", q.Length}, {"depth", q.Depth}, {"height", q.Height}, {"temp_diff", q.TempDiff},
		{"per_day", q.PerDay}, {"temp", q.Temp}, {"space_of", q.SpaceOf}, {"volume", q.Volume}, {"surface", q.Surface}, {"do", q.Do}, {"passing", q.Passing}, {"add_to", q.AddTo}, {"add_name", q.AddName},
		{"add_area", q.AddArea}, {"add_gas", string(q.AddGas)}, {"add_takes", q.AddTakes}, {"add_gives", q.AddGives}, {"hours", q.Hours}, {"years", q.Years}}
}

// recommend serves POST /enclosures/{id}/recommendations.
func (s *Server) recommend(c echo.Context) error {
	e, err := s.enclosureOf(c)
	if err != nil {
		return err
	}
	p, err := s.whatIfData(c, e)
	if err != nil {
		return err
	}
	var n recommending
	_, typed, err := s.decode(c, &n)
	var kept *enclosure.Recommendation
	if err == nil {
		r := &entry{s: s, c: c}
		changes := n.changes(r, &e.Network)
		if err = r.ready(); err == nil {
			kept, err = s.Enclosure.Recommend(c.Request().Context(), actor(c), e.ID, enclosure.NewRecommendation{ObjectID: n.ObjectID, Text: n.Text, Changes: changes})
			err = r.back(err)
		}
	}
	if err == nil {
		return s.done(c, "The recommendation is kept.", "/recommendations/"+kept.ID.String())
	}
	// The answer again, with what was typed.
	var known *domain.Error
	if fault := s.askInto(c, p, e, n.Asked); fault != nil && !errors.As(fault, &known) {
		return fault
	}
	if p.KeepForm == nil {
		p.KeepForm = s.keepForm(c, e, n.Asked)
	}
	p.Form.again(c, typed)
	p.KeepForm.again(c, typed)
	if ofChanges(err) {
		return s.answer(c, p.Form, typed, err, "enclosure/what_if", p)
	}
	return s.answer(c, p.KeepForm, typed, err, "enclosure/what_if", p)
}

// ofChanges says whether faults are of what was asked, and not of the words to keep.
func ofChanges(err error) bool {
	var e *domain.Error
	return errors.As(err, &e) && len(e.Fields) > 0 && !slices.ContainsFunc(e.Fields, func(f domain.Field) bool { return f.Pointer == "/text" || f.Pointer == "/object_id" })
}

type recommendationRow struct {
	Path, Text, By, Number, ObjectPath, Label, EnclosurePath string
	Changed                                                  []string
	Mark                                                     Mark
	Ended                                                    string
}

func (s *Server) recommendationRow(r *enclosure.Recommendation) recommendationRow {
	row := recommendationRow{Path: "/recommendations/" + r.ID.String(), Text: r.Text, By: r.MadeBy.Name + ", " + s.day(r.MadeAt), Number: r.ObjectNumber, ObjectPath: objectPath(r.ObjectNumber),
		Label: r.EnclosureLabel, EnclosurePath: enclosurePath(r.EnclosureID), Changed: r.Changed, Mark: waitMark("open")}
	if end := r.End; end != nil {
		row.Mark = doneMark("done")
		if end.Outcome == enclosure.Withdrawn {
			row.Mark = draftMark("withdrawn")
		}
		row.Ended = s.day(end.At) + ", " + end.By.Name + prefixed(": ", end.Reason)
	}
	return row
}

type recommendationPageData struct {
	Frame
	Heading string
	Row     recommendationRow
	Text    []string
	Rows    []differenceRow
	EndForm *Form
}

func (s *Server) recommendationData(c echo.Context) (*recommendationPageData, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	r, err := s.Enclosure.Recommendation(c.Request().Context(), actor(c), id)
	if err != nil {
		return nil, err
	}
	p := &recommendationPageData{Heading: "Recommendation for " + r.ObjectNumber, Row: s.recommendationRow(r), Text: paragraphs(r.Text)}
	p.Title, p.Here = p.Heading, "/enclosures"
	for i := range r.Differences {
		p.Rows = append(p.Rows, differenceRowOf(&r.Differences[i]))
	}
	if r.End == nil && actor(c).May(enclosure.Recommend) == nil {
		p.EndForm = (&Form{Part: "end", Action: p.Row.Path + "/end", Submit: "Say how it ended", Fields: []Field{
			{Kind: "radio", Name: "outcome", Label: "It was", Required: true, Options: options("", enclosure.Done, enclosure.Withdrawn)},
			{Kind: "textarea", Name: "reason", Label: "Remark", Help: "Needed when it is withdrawn.", Max: 1000, Rows: 2}}}).ready(c)
	}
	return p, nil
}

// recommendationPage serves GET /recommendations/{id}.
func (s *Server) recommendationPage(c echo.Context) error {
	p, err := s.recommendationData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "enclosure/recommendation", p)
}

// endRecommendation serves POST /recommendations/{id}/end.
func (s *Server) endRecommendation(c echo.Context) error {
	p, err := s.recommendationData(c)
	if err != nil {
		return err
	}
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	var n enclosure.NewEnd
	var typed url.Values
	if _, typed, err = s.decode(c, &n); err == nil {
		_, err = s.Enclosure.Finish(c.Request().Context(), actor(c), id, n)
	}
	if err == nil {
		return s.done(c, "It is noted.", p.Row.Path)
	}
	if p.EndForm == nil {
		return err
	}
	return s.answer(c, p.EndForm, typed, err, "enclosure/recommendation", p)
}
