package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

// enclosureFormPage is a page with a form about an enclosure.
type enclosureFormPage struct {
	Frame
	Heading string
	Lead    []string
	Back    Link
	Also    Link // the other form, shorter or longer
	Figures []figureRow
	Present *presentFacts // as somebody else has kept it meanwhile
	Form    *Form
}

// presentFacts is what stands of an enclosure now, beside a form that came too late.
type presentFacts struct{ Facts []fact }

// figureRow is a published figure that an enclosure can begin from.
type figureRow struct{ Of, Figure, Note, Source string }

func (s *Server) figureRows() []figureRow {
	var rows []figureRow
	for _, d := range s.Enclosure.Defaults() {
		r := figureRow{Of: d.Of, Figure: "none in print", Note: d.Note, Source: d.Source}
		if d.Gas != "" {
			r.Of += ", " + d.Gas.String()
		}
		if d.Quantity.Given() {
			r.Figure = d.Quantity.Range(d.Unit)
		}
		if d.Confidence == enclosure.Memory && d.Quantity.Basis == enclosure.Published {
			r.Source += " (from memory)"
		}
		rows = append(rows, r)
	}
	return rows
}

func gasOptions(chosen enclosure.Gas, first string) []Option {
	all := []Option{{Label: first, Chosen: chosen == ""}}
	for _, g := range enclosure.Substances {
		all = append(all, Option{Value: string(g.Gas), Label: g.Name, Chosen: g.Gas == chosen})
	}
	return all
}

func formOptions(chosen enclosure.Form) []Option {
	all := make([]Option, len(enclosure.Forms))
	for i, f := range enclosure.Forms {
		all[i] = Option{Value: string(f), Label: f.Words(), Chosen: f == chosen}
	}
	return all
}

// basisOptions offers how a figure is known. 'Assumed' is the empty choice, so that a row in which nothing
// else was typed counts as empty.
func basisOptions(chosen enclosure.Basis) []Option {
	all := make([]Option, len(enclosure.Bases))
	for i, b := range enclosure.Bases {
		all[i] = Option{Value: string(b), Label: string(b), Chosen: b == chosen}
	}
	all[0].Value, all[0].Chosen = "", chosen == "" || chosen == enclosure.Assumed
	return all
}

// quickEnclosure is an enclosure of one space, one source and one way out, in few fields.
type quickEnclosure struct {
	Label   string          `json:"label"`
	Kind    enclosure.Form  `json:"kind"`
	In      string          `json:"in"` // numbers of objects and parts, one in a line
	Volume  string          `json:"volume"`
	Temp    string          `json:"temp"`
	Surface string          `json:"surface"`
	Gas     enclosure.Gas   `json:"gas"`
	Area    string          `json:"area"`
	Rate    string          `json:"rate"`
	Default string          `json:"default"` // a published rate instead: its place in the list
	Way     string          `json:"way"`
	Ring    string          `json:"ring"` // its diameter
	Width   string          `json:"width"`
	Depth   string          `json:"depth"`
	PerDay  string          `json:"per_day"`
	Basis   enclosure.Basis `json:"basis"`
	Source  string          `json:"source"`
}

// The ways out of a quick enclosure.
const (
	wayClosed = "closed"
	wayRing   = "ring"
	wayRate   = "rate"
	wayNone   = "not_known"
)

const roomAround = "the room around it"

// entry turns what was typed into facts, and notes every fault.
type entry struct {
	s      *Server
	c      echo.Context
	faults []domain.Field
	moved  [][2]string // pointers of the facts, and where in the form they come from; the longest counts
}

func (r *entry) fault(pointer, rule, message string) {
	r.faults = append(r.faults, domain.Field{Pointer: pointer, Rule: rule, Message: message})
}

// read reads a figure; a fault stands at pointer.
func (r *entry) read(pointer, text string, m enclosure.Measure) enclosure.Quantity {
	q, err := m.Parse(text)
	var e *domain.Error
	if errors.As(err, &e) {
		r.fault(pointer, e.Fields[0].Rule, e.Fields[0].Message)
		return enclosure.Quantity{}
	}
	return q
}

// members finds what lies in a space.
func (r *entry) members(pointer, space, text string) ([]enclosure.Placed, error) {
	names := paragraphs(text)
	if len(names) == 0 {
		return nil, nil
	}
	if len(names) > 200 {
		r.fault(pointer, "max", "At most 200 lines.")
		return nil, nil
	}
	found, err := r.s.Enclosure.Find(r.c.Request().Context(), actor(r.c), names)
	if err != nil {
		return nil, err
	}
	var all []enclosure.Placed
	for i, m := range found {
		if m == nil {
			r.fault(pointer, "known", "Nothing has the number "+names[i]+". Write the number of an object, or of a part such as 1968.14.2.1a.")
			continue
		}
		m.Placed.Space = space
		all = append(all, m.Placed)
	}
	return all, nil
}

// back brings the faults of facts to where they come from in the form.
func (r *entry) back(err error) error {
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) == 0 {
		return err
	}
	copied := *e
	copied.Fields = nil
	for _, f := range e.Fields {
		long, to := 0, ""
		for _, m := range r.moved {
			if strings.HasPrefix(f.Pointer, m[0]) && len(m[0]) > long {
				long, to = len(m[0]), m[1]
			}
		}
		if long > 0 {
			f.Pointer = to + f.Pointer[long:]
		}
		copied.Fields = append(copied.Fields, formTail(f))
	}
	return &copied
}

// texts notes every text of a typed form that cannot be kept.
func (r *entry) texts(typed any) {
	var e *domain.Error
	if errors.As(domain.Validate(typed), &e) {
		r.faults = append(r.faults, e.Fields...)
	}
}

// ready says what is wrong, or nothing.
func (r *entry) ready() error { return domain.InvalidFields(r.faults) }

// typedMembers are the members of facts by what the full form calls them.
var typedMembers = map[string]string{
	"volume_m3": "volume", "rh_pct": "rh", "area_m2": "area", "passing": "passing", "rate_ug_m2_h": "rate", "activation_kj_mol": "energy", "equilibrium_ug_m3": "ceiling",
	"velocity_cm_s": "velocity", "ug_m3": "level", "per_day": "per_day", "openings_per_day": "openings", "width_mm": "width", "length_mm": "length", "depth_mm": "depth",
	"diameter_mm": "diameter", "upper_diameter_mm": "upper", "height_mm": "height", "temp_diff_k": "temp_diff", "daily_temp_k": "daily_temp", "daily_pressure_hpa": "daily_pressure",
	"inner_depth_mm": "inner_depth", "inner_width_mm": "inner_width", "temp_c": "rate_temp",
}

// formTail turns the last member of a pointer of the full form into its field there.
func formTail(f domain.Field) domain.Field {
	of, part := f.Pointer, "/text"
	for _, end := range []string{"/source", "/basis"} {
		if before, ok := strings.CutSuffix(of, end); ok {
			of, part = strings.TrimSuffix(before, "/text"), end
		}
	}
	at := strings.LastIndex(of, "/")
	if typed, ok := typedMembers[of[at+1:]]; ok {
		of = of[:at+1] + typed
	} else if part == "/text" {
		return f
	}
	f.Pointer = of + part
	return f
}

// facts are what a quick form describes.
func (q quickEnclosure) facts(r *entry) (enclosure.Facts, error) {
	r.texts(q)
	r.basis("/basis", q.Basis)
	known := func(q2 enclosure.Quantity) enclosure.Quantity { return q2.Known(q.Basis, q.Source) }
	space := q.Kind.Words()
	if q.Kind == "" {
		space = "space"
	}
	n := enclosure.Network{Spaces: []enclosure.Space{{Name: space, VolumeM3: known(r.read("/volume", q.Volume, enclosure.Volumes))}}}
	n.Air.TempC = known(r.read("/temp", q.Temp, enclosure.Temperatures))
	room := enclosure.Room{Name: roomAround}
	if q.Gas != "" {
		room.Levels = []enclosure.GasLevel{{Gas: q.Gas, UGM3: enclosure.Assumed.Of(0, "taken as free of it")}}
		n.Spaces[0].Surfaces = []enclosure.Surface{q.surface(r, known)}
	} else if q.Surface+q.Area+q.Rate+q.Default != "" {
		r.fault("/gas", "required", "Say which gas it gives off.")
	}
	n.Rooms = []enclosure.Room{room}
	if x, ok := q.path(r, space, known); ok {
		n.Exchanges = []enclosure.Exchange{x}
	}
	members, err := r.members("/in", space, q.In)
	if err != nil {
		return enclosure.Facts{}, err
	}
	const first = "/network/spaces/0"
	r.moved = [][2]string{{"/members", "/in"}, {"/network/air/temp_c", "/temp"}, {first + "/volume_m3", "/volume"}, {first + "/surfaces/0/area_m2", "/area"},
		{first + "/surfaces/0/name", "/surface"}, {first + "/surfaces/0/emissions/0/rate_ug_m2_h", "/rate"}, {first + "/surfaces/0/emissions/0/gas", "/gas"},
		{"/network/exchanges/0/gap/diameter_mm", "/ring"}, {"/network/exchanges/0/gap/width_mm", "/width"}, {"/network/exchanges/0/gap/depth_mm", "/depth"}, {"/network/exchanges/0/rate/per_day", "/per_day"}}
	return enclosure.Facts{Label: q.Label, Kind: q.Kind, Network: n, Members: members}, r.ready()
}

func (q quickEnclosure) surface(r *entry, known func(enclosure.Quantity) enclosure.Quantity) enclosure.Surface {
	f := enclosure.Surface{Name: q.Surface, AreaM2: known(r.read("/area", q.Area, enclosure.Areas))}
	if strings.TrimSpace(f.Name) == "" {
		f.Name = "inner surface"
	}
	e := enclosure.Emission{Gas: q.Gas, RateUGM2H: known(r.read("/rate", q.Rate, enclosure.EmissionRate))}
	if i, err := strconv.Atoi(q.Default); err == nil && !e.RateUGM2H.Given() {
		all := r.s.Enclosure.Defaults()
		switch {
		case i < 0 || i >= len(all) || all[i].What != enclosure.EmissionOf:
			r.fault("/default", "oneof", "Choose one of the published rates.")
		case all[i].Gas != q.Gas:
			r.fault("/default", "gas", "This published rate is of "+all[i].Gas.String()+", not of the gas chosen.")
		default:
			e.RateUGM2H = all[i].Quantity
		}
	}
	f.Emissions = []enclosure.Emission{e}
	return f
}

// path is the way out; false when none is known.
func (q quickEnclosure) path(r *entry, space string, known func(enclosure.Quantity) enclosure.Quantity) (enclosure.Exchange, bool) {
	x := enclosure.Exchange{Name: "way out", Inner: space, Outer: roomAround}
	ring, width, depth := r.read("/ring", q.Ring, enclosure.Lengths), r.read("/width", q.Width, enclosure.Lengths), r.read("/depth", q.Depth, enclosure.Lengths)
	perDay := r.read("/per_day", q.PerDay, enclosure.DailyRates)
	for _, idle := range []struct{ pointer, text, way, message string }{
		{"/per_day", q.PerDay, wayRate, "This counts only at a known rate. Choose that, or take it away."}, {"/width", q.Width, wayRing, "This counts only for a gap at the ring. Choose that, or take it away."},
	} {
		if strings.TrimSpace(idle.text) != "" && q.Way != idle.way {
			r.fault(idle.pointer, "unused", idle.message)
		}
	}
	if q.Way != wayRing && q.Way != wayClosed && strings.TrimSpace(q.Ring+q.Depth) != "" {
		r.fault("/ring", "unused", "A ring counts only for a closed space or a gap. Choose one of these, or take it away.")
	}
	if q.Way == wayClosed && strings.TrimSpace(q.Ring) == "" && strings.TrimSpace(q.Depth) != "" {
		r.fault("/ring", "required", "Give the diameter of the ring too.")
	}
	switch q.Way {
	case wayRate:
		if perDay == (enclosure.Quantity{}) && q.PerDay == "" {
			r.fault("/per_day", "required", "Give the air changes per day.")
		}
		x.Rate = &enclosure.Rate{PerDay: typedZero(perDay, q.PerDay, known)}
	case wayRing, wayClosed:
		if q.Way == wayClosed {
			width, q.Width = enclosure.Quantity{}, "0"
		}
		if q.Way == wayClosed && q.Ring == "" {
			x.Rate = &enclosure.Rate{PerDay: enclosure.Assumed.Of(enclosure.BreathingPerDay, "closed space that breathes, common practice")}
			break
		}
		x.Name = "ring"
		x.Gap = &enclosure.Gap{Shape: enclosure.RingLying, DiameterMM: known(ring), WidthMM: typedZero(width, q.Width, known), DepthMM: known(depth)}
	case wayNone, "":
		return x, false
	default:
		r.fault("/way", "oneof", "Choose one of the ways out.")
	}
	return x, true
}

// typedZero keeps a zero that was typed: without range or source it looks like a missing figure.
func typedZero(q enclosure.Quantity, text string, known func(enclosure.Quantity) enclosure.Quantity) enclosure.Quantity {
	if q == (enclosure.Quantity{}) && strings.TrimSpace(text) != "" {
		q = enclosure.Assumed.Of(0, "")
	}
	return known(q)
}

func (s *Server) quickForm(c echo.Context) *Form {
	in, label := strings.TrimSpace(c.QueryParam("in")), ""
	if in != "" {
		label = "Air space of " + in
	}
	rates := []Option{{Label: "none", Chosen: true}}
	for i, d := range s.Enclosure.Defaults() {
		if d.What == enclosure.EmissionOf && d.Quantity.Given() {
			rates = append(rates, Option{Value: strconv.Itoa(i), Label: d.Words()})
		}
	}
	inField := field("textarea", "in", "What lies in it or bounds it", in, 4000, "Numbers of objects or parts, one in a line: 1968.14.2 or 1968.14.2.1a.")
	inField.Rows = 2
	name := field("text", "label", "Name", label, 200, "Such as: left glove on its ring.")
	name.Required = true
	return (&Form{Action: "/enclosures", Quick: true, Submit: "Keep it and see the levels", Fields: []Field{
		{Kind: "radio", Name: "kind", Label: "It is the inside of a", Tiles: true, Required: true, Options: formOptions(enclosure.Glove)},
		name, inField,
		{Kind: "abreast", Label: "The space", Fields: []Field{field("text", "volume", "Volume, litres", "", 60, "2, or 1.8 to 2.2, or 0.4 m³."), field("text", "temp", "Temperature, °C", "20", 60, "")}},
		{Kind: "select", Name: "gas", Label: "What it gives off inside", Options: gasOptions("", "not known, or nothing")},
		{Kind: "abreast", Label: "From which surface", Fields: []Field{field("text", "surface", "From which surface", "", 200, ""), field("text", "area", "Its area, cm²", "", 60, "Or write m²."),
			field("text", "rate", "It gives off, µg/(m²·h)", "", 60, "Empty: not known.")}},
		{Kind: "select", Name: "default", Label: "Or a published rate", Options: rates},
		{Kind: "radio", Name: "way", Label: "Air gets in and out", Tiles: true, Options: []Option{{Value: wayClosed, Label: "it is closed and only breathes", Chosen: true}, {Value: wayRing, Label: "through a gap at its ring"},
			{Value: wayRate, Label: "at a known rate"}, {Value: wayNone, Label: "not known yet"}}},
		{Kind: "abreast", Label: "The ring", Fields: []Field{field("text", "ring", "Ring, diameter in mm", "", 60, "Also of a closed ring."), field("text", "depth", "Depth through it, mm", "", 60, ""),
			field("text", "width", "Gap, width in mm", "", 60, "Only of a gap.")}},
		field("text", "per_day", "Air changes per day", "", 60, "Only at a known rate."),
		{Kind: "radio", Name: "basis", Label: "These figures are", Tiles: true, Options: basisOptions("")},
		field("text", "source", "By whom, or printed where", "", 1000, "Needed when they are measured or published."),
	}}).ready(c)
}

func (s *Server) newEnclosureData(c echo.Context) *enclosureFormPage {
	p := &enclosureFormPage{Heading: "Describe an air space", Back: Link{Path: "/enclosures", Words: "Enclosures"}, Also: Link{Path: "/enclosures/new-in-full", Words: "Several spaces, surfaces, gases or ways out"},
		Lead: []string{"One space, one source, one way out. What you leave empty counts as not known, never as nothing."}, Figures: s.figureRows(), Form: s.quickForm(c)}
	p.Title, p.Here = p.Heading, "/enclosures"
	return p
}

// newEnclosurePage serves GET /enclosures/new.
func (s *Server) newEnclosurePage(c echo.Context) error {
	return s.render(c, http.StatusOK, "enclosure/form", s.newEnclosureData(c))
}

// addEnclosure serves POST /enclosures.
func (s *Server) addEnclosure(c echo.Context) error {
	var q quickEnclosure
	_, typed, err := s.decode(c, &q)
	var e *enclosure.Enclosure
	if err == nil {
		r := &entry{s: s, c: c}
		var f enclosure.Facts
		if f, err = q.facts(r); err == nil {
			e, err = s.Enclosure.Add(c.Request().Context(), actor(c), f)
			err = quickTails(r.back(err))
		}
	}
	if err != nil {
		p := s.newEnclosureData(c)
		return s.answer(c, p.Form, typed, err, "enclosure/form", p)
	}
	return s.done(c, "The air space is on record.", enclosurePath(e.ID))
}

// quickTails brings faults of sources to the one field that the quick form has for them.
func quickTails(err error) error {
	var e *domain.Error
	if errors.As(err, &e) {
		for i := range e.Fields {
			if e.Fields[i].Rule == "source" {
				e.Fields[i].Pointer = "/source"
			}
		}
	}
	return err
}

func enclosurePath(id domain.ID) string { return "/enclosures/" + id.String() }
