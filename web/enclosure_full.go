package web

import (
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

// typedFigure is a figure as the full form takes it.
type typedFigure struct {
	Text   string          `json:"text"`
	Basis  enclosure.Basis `json:"basis"`
	Source string          `json:"source"`
}

type fullEnclosure struct {
	Label    string         `json:"label"`
	Kind     enclosure.Form `json:"kind"`
	Note     string         `json:"note"`
	Place    string         `json:"place"` // its code
	Temp     typedFigure    `json:"temp"`
	Pressure typedFigure    `json:"pressure"`
	Spaces   []typedSpace   `json:"spaces"`
	Rooms    []typedRoom    `json:"rooms"`
	Paths    []typedPath    `json:"paths"`
}

type typedSpace struct {
	Name     string         `json:"name"`
	Volume   typedFigure    `json:"volume"`
	RH       typedFigure    `json:"rh"`
	In       string         `json:"in"`
	Surfaces []typedSurface `json:"surfaces"`
	Start    []typedLevel   `json:"start"`
}

type typedSurface struct {
	Name    string      `json:"name"`
	Area    typedFigure `json:"area"`
	Covered bool        `json:"covered"`
	Passing typedFigure `json:"passing"`
	Gases   []typedGas  `json:"gases"`
}

type typedGas struct {
	Gas      enclosure.Gas `json:"gas"`
	Rate     typedFigure   `json:"rate"`
	RateTemp typedFigure   `json:"rate_temp"`
	Energy   typedFigure   `json:"energy"`
	Ceiling  typedFigure   `json:"ceiling"`
	Velocity typedFigure   `json:"velocity"`
}

type typedLevel struct {
	Gas   enclosure.Gas `json:"gas"`
	Level typedFigure   `json:"level"`
}

type typedRoom struct {
	Name   string       `json:"name"`
	Levels []typedLevel `json:"levels"`
}

type typedPath struct {
	Name          string           `json:"name"`
	Inner         string           `json:"inner"`
	Outer         string           `json:"outer"`
	How           string           `json:"how"` // empty: a rate, else the shape of a gap
	PerDay        typedFigure      `json:"per_day"`
	Openings      typedFigure      `json:"openings"`
	Tracer        enclosure.Gas    `json:"tracer"`
	Diffusive     bool             `json:"diffusive"`
	Count         int              `json:"count"`
	Width         typedFigure      `json:"width"`
	Length        typedFigure      `json:"length"`
	Depth         typedFigure      `json:"depth"`
	Diameter      typedFigure      `json:"diameter"`
	Upper         typedFigure      `json:"upper"`
	Height        typedFigure      `json:"height"`
	TempDiff      typedFigure      `json:"temp_diff"`
	DailyTemp     typedFigure      `json:"daily_temp"`
	DailyPressure typedFigure      `json:"daily_pressure"`
	InnerDepth    typedFigure      `json:"inner_depth"`
	InnerWidth    typedFigure      `json:"inner_width"`
	Blocked       bool             `json:"blocked"`
	Inside        enclosure.Warmth `json:"inside"`
	Faces         enclosure.Facing `json:"faces"`
}

// basis sees that a figure is known in one of the known ways.
func (r *entry) basis(pointer string, b enclosure.Basis) {
	if b != "" && !slices.Contains(enclosure.Bases, b) {
		r.fault(pointer, "oneof", "Say whether it is measured, published or assumed.")
	}
}

// figure reads a figure of the full form. A zero that was typed is a figure.
func (r *entry) figure(at string, t typedFigure, m enclosure.Measure) enclosure.Quantity {
	r.basis(at+"/basis", t.Basis)
	if strings.TrimSpace(t.Text) == "" && strings.TrimSpace(t.Source) != "" {
		r.fault(at+"/text", "required", "Give the figure that this source is for, or take the source away.")
	}
	return typedZero(r.read(at+"/text", t.Text, m), t.Text, func(q enclosure.Quantity) enclosure.Quantity { return q.Known(t.Basis, t.Source) })
}

// facts are what the full form describes.
func (f fullEnclosure) facts(r *entry) (enclosure.Facts, error) {
	r.texts(f)
	n := enclosure.Network{Air: enclosure.Air{TempC: r.figure("/temp", f.Temp, enclosure.Temperatures), PressureHPa: r.figure("/pressure", f.Pressure, enclosure.Pressures)}}
	r.moved = append(r.moved, [2]string{"/network/air/temp_c", "/temp/text"}, [2]string{"/network/air/pressure_hpa", "/pressure/text"}, [2]string{"/network", ""}, [2]string{"/place_id", "/place"})
	facts := enclosure.Facts{Label: f.Label, Kind: f.Kind, Note: f.Note}
	for i, s := range f.Spaces {
		at := "/spaces/" + strconv.Itoa(i)
		space := enclosure.Space{Name: s.Name, VolumeM3: r.figure(at+"/volume", s.Volume, enclosure.Volumes), RHPct: r.figure(at+"/rh", s.RH, enclosure.Humidities), Start: r.levels(at+"/start", s.Start)}
		for j, surface := range s.Surfaces {
			space.Surfaces = append(space.Surfaces, surface.surface(r, at+"/surfaces/"+strconv.Itoa(j)))
		}
		n.Spaces = append(n.Spaces, space)
		members, err := r.members(at+"/in", s.Name, s.In)
		if err != nil {
			return facts, err
		}
		for k := range members {
			r.moved = append(r.moved, [2]string{"/members/" + strconv.Itoa(len(facts.Members)+k), at + "/in"})
		}
		facts.Members = append(facts.Members, members...)
	}
	for i, room := range f.Rooms {
		n.Rooms = append(n.Rooms, enclosure.Room{Name: room.Name, Levels: r.levels("/rooms/"+strconv.Itoa(i)+"/levels", room.Levels)})
	}
	for i, p := range f.Paths {
		at := "/paths/" + strconv.Itoa(i)
		from := "/network/exchanges/" + strconv.Itoa(i)
		r.moved = append(r.moved, [2]string{from, at}, [2]string{from + "/rate", at}, [2]string{from + "/gap/shape", at + "/how"}, [2]string{from + "/gap", at})
		n.Exchanges = append(n.Exchanges, p.exchange(r, at))
	}
	facts.Network = n
	if code := strings.TrimSpace(f.Place); code != "" {
		place, err := r.s.Movement.PlaceByCode(r.c.Request().Context(), actor(r.c), code)
		switch {
		case domain.KindOf(err) == domain.KindNotFound:
			r.fault("/place", "known", "There is no place with this code.")
		case err != nil:
			return facts, err
		default:
			facts.PlaceID = &place.ID
		}
	}
	return facts, r.ready()
}

func (r *entry) levels(at string, typed []typedLevel) []enclosure.GasLevel {
	var all []enclosure.GasLevel
	for i, l := range typed {
		all = append(all, enclosure.GasLevel{Gas: l.Gas, UGM3: r.figure(at+"/"+strconv.Itoa(i)+"/level", l.Level, enclosure.AirLevels)})
	}
	return all
}

func (t typedSurface) surface(r *entry, at string) enclosure.Surface {
	f := enclosure.Surface{Name: t.Name, AreaM2: r.figure(at+"/area", t.Area, enclosure.Areas), Covered: t.Covered, Passing: r.figure(at+"/passing", t.Passing, enclosure.Shares)}
	for i, g := range t.Gases {
		row := at + "/gases/" + strconv.Itoa(i)
		rate, velocity := r.figure(row+"/rate", g.Rate, enclosure.EmissionRate), r.figure(row+"/velocity", g.Velocity, enclosure.Velocities)
		e := enclosure.Emission{Gas: g.Gas, RateUGM2H: rate, TempC: r.figure(row+"/rate_temp", g.RateTemp, enclosure.Temperatures),
			ActivationKJMol: r.figure(row+"/energy", g.Energy, enclosure.Energies), EquilibriumUGM3: r.figure(row+"/ceiling", g.Ceiling, enclosure.AirLevels)}
		// A gas without figures is given off at a rate that nobody knows yet.
		if e != (enclosure.Emission{Gas: g.Gas}) || !velocity.Given() {
			r.moved = append(r.moved, [2]string{"/network" + at + "/emissions/" + strconv.Itoa(len(f.Emissions)), row})
			f.Emissions = append(f.Emissions, e)
		}
		if velocity.Given() {
			r.moved = append(r.moved, [2]string{"/network" + at + "/uptakes/" + strconv.Itoa(len(f.Uptakes)), row})
			f.Uptakes = append(f.Uptakes, enclosure.Uptake{Gas: g.Gas, VelocityCMS: velocity})
		}
	}
	return f
}

func (t typedPath) exchange(r *entry, at string) enclosure.Exchange {
	x := enclosure.Exchange{Name: t.Name, Inner: t.Inner, Outer: t.Outer}
	mm := func(name string, f typedFigure) enclosure.Quantity {
		return r.figure(at+"/"+name, f, enclosure.Lengths)
	}
	perDay, openings := r.figure(at+"/per_day", t.PerDay, enclosure.DailyRates), r.figure(at+"/openings", t.Openings, enclosure.DailyRates)
	if t.How == "" {
		x.Rate = &enclosure.Rate{PerDay: perDay, OpeningsPerDay: openings, Tracer: t.Tracer, Diffusive: t.Diffusive}
		return x
	}
	if perDay.Given() || openings.Given() {
		r.fault(at+"/per_day/text", "one", "A path has either a rate or a gap. Take one of them away.")
	}
	x.Gap = &enclosure.Gap{Shape: enclosure.Shape(t.How), Count: t.Count, WidthMM: mm("width", t.Width), LengthMM: mm("length", t.Length), DepthMM: mm("depth", t.Depth),
		DiameterMM: mm("diameter", t.Diameter), UpperDiameterMM: mm("upper", t.Upper), HeightMM: mm("height", t.Height),
		TempDiffK: r.figure(at+"/temp_diff", t.TempDiff, enclosure.Differences), DailyTempK: r.figure(at+"/daily_temp", t.DailyTemp, enclosure.Differences),
		DailyPressureHPa: r.figure(at+"/daily_pressure", t.DailyPressure, enclosure.Pressures), InnerDepthMM: mm("inner_depth", t.InnerDepth), InnerWidthMM: mm("inner_width", t.InnerWidth),
		Blocked: t.Blocked, Inside: t.Inside, Faces: t.Faces}
	return x
}

// fullForm shows the full form of facts.
type fullForm struct {
	facts   enclosure.Facts
	members map[string][]string // numbers of what lies in each space
	place   string
	more    string     // the list that is to have more rows
	typed   url.Values // what came back
}

// fullRows is how many rows of a list come back at most.
const fullRows = 60

func (w fullForm) rows(name string, have, least int) int {
	have = max(have, min(typedRows(w.typed, name), fullRows))
	if w.more == name {
		return have + 2
	}
	return max(have, least)
}

func figureField(name, label, help string, m enclosure.Measure, q enclosure.Quantity) Field {
	if help == "" && m.Unit != "" {
		help = m.Unit
	}
	return Field{Kind: "abreast", Label: label, Fields: []Field{
		{Kind: "text", Name: name + ".text", Label: label + ", " + help, Value: m.Text(q), Max: 80},
		{Kind: "select", Name: name + ".basis", Label: "Known how", Options: basisOptions(q.Basis)},
		{Kind: "text", Name: name + ".source", Label: "Source", Value: q.Source, Max: 1000},
	}}
}

func (w fullForm) fields() []Field {
	f := w.facts
	label := field("text", "label", "Name", f.Label, 200, "")
	label.Required = true
	note := field("textarea", "note", "Note", f.Note, 4000, "")
	note.Rows = 2
	all := []Field{label,
		{Kind: "select", Name: "kind", Label: "It is the inside of a", Options: formOptions(f.Kind), Required: true},
		note,
		field("text", "place", "Where it stands", w.place, 60, "The code on the label of the place. Left empty when it goes about with its object."),
		figureField("temp", "Temperature", "", enclosure.Temperatures, f.Network.Air.TempC),
		{Kind: "folded", Label: "Air pressure", Help: "Left empty: 1013 hPa is taken, and said.", Fields: []Field{figureField("pressure", "Air pressure", "", enclosure.Pressures, f.Network.Air.PressureHPa)}}}
	for i := range w.rows("spaces", len(f.Network.Spaces), 1) {
		all = append(all, w.space(i))
	}
	all = append(all, Field{Kind: "more", Name: "spaces", Label: "More spaces"})
	for i := range w.rows("rooms", len(f.Network.Rooms), 1) {
		all = append(all, w.room(i))
	}
	all = append(all, Field{Kind: "more", Name: "rooms", Label: "More rooms"})
	for i := range w.rows("paths", len(f.Network.Exchanges), 1) {
		all = append(all, w.path(i))
	}
	return append(all, Field{Kind: "more", Name: "paths", Label: "More ways for the air"})
}

func (w fullForm) space(i int) Field {
	var s enclosure.Space
	if i < len(w.facts.Network.Spaces) {
		s = w.facts.Network.Spaces[i]
	}
	at, n := fmt.Sprintf("spaces.%d.", i), strconv.Itoa(i+1)
	in := field("textarea", at+"in", "What lies in space "+n+" or bounds it", strings.Join(w.members[s.Name], "\n"), 8000, "Numbers of objects or parts, one in a line.")
	in.Rows = 2
	group := Field{Kind: "group", Label: "Space " + n, Fields: []Field{
		field("text", at+"name", "Name of space "+n, s.Name, 120, "Such as: glove, case, box."),
		figureField(at+"volume", "Volume of space "+n, "litres, or write m³", enclosure.Volumes, s.VolumeM3),
		in,
		{Kind: "folded", Label: "Relative humidity in space " + n, Value: opened(enclosure.Humidities.Text(s.RHPct)), Fields: []Field{figureField(at+"rh", "Relative humidity in space "+n, "", enclosure.Humidities, s.RHPct)}},
	}}
	name := fmt.Sprintf("spaces.%d.surfaces", i)
	for j := range w.rows(name, len(s.Surfaces), 1) {
		var surface enclosure.Surface
		if j < len(s.Surfaces) {
			surface = s.Surfaces[j]
		}
		group.Fields = append(group.Fields, w.surface(fmt.Sprintf("%s.%d", name, j), fmt.Sprintf("%s.%d", n, j+1), surface))
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: name, Label: "More surfaces in space " + n})
	start := Field{Kind: "folded", Label: "Levels in space " + n + " at the start, for a course over time", Help: "Left empty: the steady level, or clean air."}
	for j := range w.rows(at+"start", len(s.Start), 1) {
		var l enclosure.GasLevel
		if j < len(s.Start) {
			l, start.Value = s.Start[j], "open"
		}
		start.Fields = append(start.Fields, levelFields(fmt.Sprintf("%sstart.%d.", at, j), fmt.Sprintf("at the start in space %s, %d", n, j+1), l)...)
	}
	group.Fields = append(group.Fields, start)
	return group
}

func levelFields(at, n string, l enclosure.GasLevel) []Field {
	return []Field{{Kind: "select", Name: at + "gas", Label: "Gas " + n, Options: gasOptions(l.Gas, "none")},
		figureField(at+"level", "Its level "+n, "", enclosure.AirLevels, l.UGM3)}
}

func (w fullForm) surface(at, n string, f enclosure.Surface) Field {
	covered := ""
	if f.Covered {
		covered = "true"
	}
	group := Field{Kind: "group", Label: "Surface " + n, Fields: []Field{
		field("text", at+".name", "Surface "+n, f.Name, 200, "What it is: polychloroprene, inside; back board; charcoal cloth."),
		figureField(at+".area", "Area of surface "+n, "cm², or write m²", enclosure.Areas, f.AreaM2),
	}}
	type both struct {
		e enclosure.Emission
		u enclosure.Uptake
	}
	var gases []enclosure.Gas
	byGas := map[enclosure.Gas]*both{}
	of := func(g enclosure.Gas) *both {
		if byGas[g] == nil {
			byGas[g] = &both{}
			gases = append(gases, g)
		}
		return byGas[g]
	}
	for _, e := range f.Emissions {
		of(e.Gas).e = e
	}
	for _, u := range f.Uptakes {
		of(u.Gas).u = u
	}
	for k := range w.rows(at+".gases", len(gases), 1) {
		var b both
		var g enclosure.Gas
		if k < len(gases) {
			g, b = gases[k], *byGas[gases[k]]
		}
		row, m := fmt.Sprintf("%s.gases.%d.", at, k), fmt.Sprintf("%s, gas %d", n, k+1)
		group.Fields = append(group.Fields,
			Field{Kind: "select", Name: row + "gas", Label: "Surface " + m, Options: gasOptions(g, "none")},
			figureField(row+"rate", "It gives off", "", enclosure.EmissionRate, b.e.RateUGM2H),
			figureField(row+"velocity", "It takes up", "deposition velocity in cm/s", enclosure.Velocities, b.u.VelocityCMS),
			Field{Kind: "folded", Label: "How the emission goes with warmth and with the level (surface " + m + ")", Value: opened(b.e.TempC.Source + enclosure.Temperatures.Text(b.e.TempC) + enclosure.AirLevels.Text(b.e.EquilibriumUGM3)),
				Fields: []Field{figureField(row+"rate_temp", "The rate stands for", "", enclosure.Temperatures, b.e.TempC), figureField(row+"energy", "Activation energy", "", enclosure.Energies, b.e.ActivationKJMol),
					figureField(row+"ceiling", "It stops at the level", "", enclosure.AirLevels, b.e.EquilibriumUGM3)}})
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: at + ".gases", Label: "More gases for surface " + n},
		Field{Kind: "folded", Label: "Surface " + n + " is covered", Value: opened(covered), Fields: []Field{{Kind: "checkbox", Name: at + ".covered", Label: "Surface " + n + " has a cover, such as a barrier film", Value: covered},
			figureField(at+".passing", "Share that passes the cover", "", enclosure.Shares, f.Passing)}})
	return group
}

func (w fullForm) room(i int) Field {
	r := enclosure.Room{}
	if i == 0 && len(w.facts.Network.Spaces) == 0 {
		r.Name = roomAround
	}
	if i < len(w.facts.Network.Rooms) {
		r = w.facts.Network.Rooms[i]
	}
	at, n := fmt.Sprintf("rooms.%d.", i), strconv.Itoa(i+1)
	group := Field{Kind: "group", Label: "Room " + n + ", whose air stays as it is", Help: "A gas that is not named here is not known there, so levels that depend on it cannot be given. Write 0 for clean air.",
		Fields: []Field{field("text", at+"name", "Name of room "+n, r.Name, 120, "")}}
	for j := range w.rows(at+"levels", len(r.Levels), 1) {
		var l enclosure.GasLevel
		if j < len(r.Levels) {
			l = r.Levels[j]
		}
		group.Fields = append(group.Fields, levelFields(fmt.Sprintf("%slevels.%d.", at, j), fmt.Sprintf("in room %s, %d", n, j+1), l)...)
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: strings.TrimSuffix(at, ".") + ".levels", Label: "More gases in room " + n})
	return group
}

func shapeOptions(chosen enclosure.Shape, first string) []Option {
	all := []Option{{Label: first, Chosen: chosen == ""}}
	for _, s := range enclosure.Shapes {
		all = append(all, Option{Value: string(s), Label: s.Words(), Chosen: s == chosen})
	}
	return all
}

func (w fullForm) path(i int) Field {
	x := enclosure.Exchange{}
	if i == 0 && len(w.facts.Network.Exchanges) == 0 {
		x.Outer = roomAround
		if len(w.facts.Network.Rooms) > 0 {
			x.Outer = w.facts.Network.Rooms[0].Name
		}
	}
	if i < len(w.facts.Network.Exchanges) {
		x = w.facts.Network.Exchanges[i]
	}
	at, n := fmt.Sprintf("paths.%d.", i), strconv.Itoa(i+1)
	var g enclosure.Gap
	var r enclosure.Rate
	if x.Gap != nil {
		g = *x.Gap
	}
	if x.Rate != nil {
		r = *x.Rate
	}
	tick := func(b bool) string {
		if b {
			return "true"
		}
		return ""
	}
	times := ""
	if g.Count > 0 {
		times = strconv.Itoa(g.Count)
	}
	mm := func(name, label string, q enclosure.Quantity) Field {
		return figureField(at+name, label, "", enclosure.Lengths, q)
	}
	return Field{Kind: "group", Label: "Way " + n + " for the air", Fields: []Field{
		field("text", at+"name", "Name of way "+n, x.Name, 200, "Such as: ring, lid, door seal."),
		field("text", at+"inner", "Way "+n+" leads from the space", x.Inner, 120, "The name of a space above."),
		field("text", at+"outer", "Way "+n+" leads to", x.Outer, 120, "The name of another space or of a room."),
		{Kind: "select", Name: at + "how", Label: "Way " + n + " is given as", Options: shapeOptions(g.Shape, "a rate, in air changes per day")},
		{Kind: "folded", Label: "Way " + n + " as a rate", Value: opened(tick(x.Gap == nil)), Fields: []Field{
			figureField(at+"per_day", "Air changes of the space", "per day, or write per hour", enclosure.DailyRates, r.PerDay),
			figureField(at+"openings", "Openings", "per day", enclosure.DailyRates, r.OpeningsPerDay),
			{Kind: "select", Name: at + "tracer", Label: "Measured with the tracer (way " + n + ")", Options: gasOptions(r.Tracer, "not by tracer")},
			{Kind: "checkbox", Name: at + "diffusive", Label: "Diffusion rules it, so other gases are scaled (way " + n + ")", Value: tick(r.Diffusive)}}},
		{Kind: "folded", Label: "Way " + n + " as a gap", Value: opened(tick(x.Gap != nil)), Help: "Only the measures that the shape has. A slit: width, length, depth. A ring: diameter, width, depth. A hole: diameter, depth. What has a low and a high end: also height and difference of temperature.", Fields: []Field{
			mm("width", "Width", g.WidthMM), mm("length", "Length", g.LengthMM), mm("depth", "Depth, the way through", g.DepthMM), mm("diameter", "Diameter", g.DiameterMM), mm("upper", "Diameter of the higher hole", g.UpperDiameterMM),
			mm("height", "Height between low and high", g.HeightMM), figureField(at+"temp_diff", "Difference of temperature, inside to outside", "", enclosure.Differences, g.TempDiffK),
			field("number", at+"count", "How many alike (way "+n+")", times, 4, "Slits and holes only."),
			figureField(at+"daily_temp", "Change of temperature in a day", "", enclosure.Differences, g.DailyTempK), figureField(at+"daily_pressure", "Change of air pressure in a day", "", enclosure.Pressures, g.DailyPressureHPa),
			mm("inner_depth", "Depth of the space behind", g.InnerDepthMM), mm("inner_width", "Width of the space behind", g.InnerWidthMM),
			{Kind: "select", Name: at + "inside", Label: "Inside it is (way " + n + ")", Options: withNone("not known", g.Inside == "", options(string(g.Inside), enclosure.Warmer, enclosure.Colder))},
			{Kind: "select", Name: at + "faces", Label: "The gap faces (way " + n + ")", Options: withNone("not known", g.Faces == "", options(string(g.Faces), enclosure.Up, enclosure.Down))},
			{Kind: "checkbox", Name: at + "blocked", Label: "A liner or packing blocks it (way " + n + ")", Value: tick(g.Blocked)}}},
	}}
}

// fullData is the page of the full form; e is nil for a new enclosure.
func (s *Server) fullData(c echo.Context, e *enclosure.Enclosure, f enclosure.Facts, typed url.Values, more string) (*enclosureFormPage, error) {
	w := fullForm{facts: f, members: map[string][]string{}, more: more, typed: typed}
	p := &enclosureFormPage{Heading: "Describe air spaces", Back: Link{Path: "/enclosures", Words: "Enclosures"}, Also: Link{Path: "/enclosures/new", Words: "The short form, for one space"}, Figures: s.figureRows(),
		Lead: []string{"Every figure can carry its range: 2 (1.8 to 2.2). What you leave empty counts as not known, never as nothing."}}
	form := &Form{Action: "/enclosures/new-in-full", Submit: "Keep it and see the levels", Long: true}
	if e != nil {
		p.Heading, p.Back, p.Also = "Describe "+e.Label+" anew", Link{Path: enclosurePath(e.ID), Words: e.Label}, Link{}
		form.Action, form.Version = enclosurePath(e.ID)+"/edit", e.Version
		for _, m := range e.Members {
			name := m.ObjectNumber
			if m.ComponentID != nil {
				name += "." + m.Label
			}
			w.members[m.Space] = append(w.members[m.Space], name)
		}
		if e.PlaceID != nil {
			place, err := s.Movement.Place(c.Request().Context(), actor(c), *e.PlaceID)
			if err != nil {
				return nil, err
			}
			w.place = place.Code
		}
	}
	p.Title, p.Here = p.Heading, "/enclosures"
	form.Fields = w.fields()
	p.Form = form.ready(c)
	return p, nil
}

// newFullPage serves GET /enclosures/new-in-full.
func (s *Server) newFullPage(c echo.Context) error {
	p, err := s.fullData(c, nil, enclosure.Facts{Network: enclosure.Network{Air: enclosure.Air{TempC: enclosure.Assumed.Of(20, "")}}}, nil, "")
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "enclosure/form", p)
}

// addFull serves POST /enclosures/new-in-full.
func (s *Server) addFull(c echo.Context) error {
	return s.keepFull(c, nil, func(_ int64, f enclosure.Facts) (*enclosure.Enclosure, error) {
		return s.Enclosure.Add(c.Request().Context(), actor(c), f)
	})
}

func (s *Server) enclosureOf(c echo.Context) (*enclosure.Enclosure, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	return s.Enclosure.One(c.Request().Context(), actor(c), id)
}

// editEnclosurePage serves GET /enclosures/{id}/edit.
func (s *Server) editEnclosurePage(c echo.Context) error {
	e, err := s.enclosureOf(c)
	if err != nil {
		return err
	}
	p, err := s.fullData(c, e, factsOf(e), nil, "")
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "enclosure/form", p)
}

func factsOf(e *enclosure.Enclosure) enclosure.Facts {
	return enclosure.Facts{Label: e.Label, Kind: e.Kind, Note: e.Note, PlaceID: e.PlaceID, Network: e.Network}
}

// editEnclosure serves POST /enclosures/{id}/edit.
func (s *Server) editEnclosure(c echo.Context) error {
	e, err := s.enclosureOf(c)
	if err != nil {
		return err
	}
	return s.keepFull(c, e, func(version int64, f enclosure.Facts) (*enclosure.Enclosure, error) {
		return s.Enclosure.Change(c.Request().Context(), actor(c), e.ID, version, f)
	})
}

// keepFull reads the full form and keeps it. It comes back with what was typed when more rows are asked
// for, and when it is refused.
func (s *Server) keepFull(c echo.Context, e *enclosure.Enclosure, keep func(version int64, f enclosure.Facts) (*enclosure.Enclosure, error)) error {
	more, err := moreRows(c)
	if err != nil {
		return err
	}
	var f fullEnclosure
	version, typed, err := s.decode(c, &f)
	r := &entry{s: s, c: c}
	var facts enclosure.Facts
	if err == nil {
		facts, err = f.facts(r)
	}
	if more != "" {
		if err != nil && domain.KindOf(err) == 0 {
			return err
		}
		p, fault := s.fullData(c, e, facts, c.Request().PostForm, more)
		if fault != nil {
			return fault
		}
		if e != nil {
			p.Form.Version = version
		}
		p.Form.again(c, typed)
		return s.render(c, http.StatusOK, "enclosure/form", p)
	}
	var kept *enclosure.Enclosure
	if err == nil {
		kept, err = keep(version, facts)
		err = r.back(err)
	}
	if err == nil {
		return s.done(c, "The air spaces are on record.", enclosurePath(kept.ID))
	}
	p, fault := s.fullData(c, e, facts, c.Request().PostForm, "")
	if fault != nil {
		return fault
	}
	if domain.KindOf(err) == domain.KindStale && e != nil {
		p.Present = &presentFacts{Facts: []fact{{"Changed", s.moment(e.ChangedAt) + " by " + e.ChangedBy.Name}, {"Name", e.Label}, {"Spaces", s.spaceWords(e)}}}
	}
	return s.answer(c, p.Form, typed, err, "enclosure/form", p)
}

func (s *Server) spaceWords(e *enclosure.Enclosure) string {
	var all []string
	for _, sp := range e.Network.Spaces {
		all = append(all, sp.Name+" "+enclosure.Volumes.Text(sp.VolumeM3))
	}
	return strings.Join(all, "; ")
}
