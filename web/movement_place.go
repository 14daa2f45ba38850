package web

import (
	"net/http"
	"slices"
	"strings"

	"github.com/boombuler/barcode/qr"
	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/movement"
)

func (s *Server) placeRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/places", movement.Read, s.placesPage)
	s.route(g, http.MethodPost, "/places", movement.Keep, s.addPlace)
	s.route(g, http.MethodGet, "/places/:id", movement.Read, s.placePage)
	s.route(g, http.MethodPost, "/places/:id", movement.Keep, s.changePlace)
	s.route(g, http.MethodPost, "/places/:id/moves", movement.Move, s.movePlace)
	s.route(g, http.MethodGet, "/places/:id/label", movement.Read, s.placeLabel)
}

// branchRow is a place of the tree with what stands in it.
type branchRow struct {
	Path, Code, Name, Kind string
	Marks                  []Mark
	In                     []*branchRow
}

// growTree hangs places, in the order of the tree, below one another. A place whose parent is not among
// them is a root.
func growTree(all []movement.Place) []*branchRow {
	var roots []*branchRow
	rows := map[domain.ID]*branchRow{}
	for i := range all {
		p := &all[i]
		r := &branchRow{Path: "/places/" + p.ID.String(), Code: p.Code, Name: p.Name, Kind: p.Kind, Marks: placeMarks(p)}
		rows[p.ID] = r
		if p.ParentID != nil && rows[*p.ParentID] != nil {
			above := rows[*p.ParentID]
			above.In = append(above.In, r)
			continue
		}
		roots = append(roots, r)
	}
	return roots
}

func placeMarks(p *movement.Place) []Mark {
	var marks []Mark
	if p.Outside {
		marks = append(marks, waitMark("outside"))
	}
	if p.Sensitive {
		marks = append(marks, warnMark("sensitive"))
	}
	if p.ClosedAt != nil {
		marks = append(marks, draftMark("closed"))
	}
	return marks
}

type placesPage struct {
	Frame
	Tree    []*branchRow
	Closed  bool
	Cut     bool // there are more places than are shown
	AddForm *Form
}

func placeFields(p *movement.Place) []Field {
	ticked := func(yes bool) string {
		if yes {
			return "true"
		}
		return ""
	}
	capacity := ""
	if p.Capacity != nil {
		capacity = number(float64(*p.Capacity), 0)
	}
	return []Field{
		{Kind: "select", Name: "kind", Label: "Kind", Required: true, Options: options(p.Kind, movement.Kinds...)},
		{Kind: "text", Name: "name", Label: "Name", Required: true, Max: 200, Value: p.Name},
		{Kind: "text", Name: "code", Label: "Code", Help: "On the label; no other place has it.", Required: true, Max: 60, Value: p.Code},
		{Kind: "checkbox", Name: "sensitive", Label: "Security-sensitive: only for registrar, curator of the department and persons granted (P3)", Value: ticked(p.Sensitive)},
		{Kind: "checkbox", Name: "outside", Label: "A site of somebody else, such as a borrower", Value: ticked(p.Outside)},
		{Kind: "textarea", Name: "conditions", Label: "Conditions", Help: "Climate that is kept, light, access.", Max: 2000, Rows: 2, Value: p.Conditions},
		{Kind: "text", Name: "security_class", Label: "Security class", Max: 120, Value: p.SecurityClass},
		{Kind: "number", Name: "capacity", Label: "Room for how many things", Value: capacity},
	}
}

func (s *Server) placesData(c echo.Context) (*placesPage, error) {
	f := movement.PlaceFilter{Closed: c.QueryParam("closed") == "true"}
	ctx := c.Request().Context()
	all, whole, err := s.Movement.Tree(ctx, actor(c), f)
	if err != nil {
		return nil, err
	}
	p := &placesPage{Tree: growTree(all), Closed: f.Closed, Cut: !whole}
	p.Title, p.Here = "Places", "/places"
	if actor(c).May(movement.Keep) == nil {
		in := withNone("nothing: it is a site", true, nil)
		within := c.QueryParam("in")
		for _, place := range all {
			in = append(in, Option{Value: place.ID.String(), Label: place.Path + " (" + place.Code + ")", Chosen: place.ID.String() == within})
		}
		if id, err := domain.ParseID(within); err == nil && !slices.ContainsFunc(in, func(o Option) bool { return o.Chosen }) {
			place, err := s.Movement.Place(ctx, actor(c), id)
			if err != nil {
				return nil, err
			}
			in = append(in, Option{Value: place.ID.String(), Label: place.Path + " (" + place.Code + ")", Chosen: true})
		}
		p.AddForm = (&Form{Action: "/places", Submit: "Make the place",
			Fields: append([]Field{{Kind: "select", Name: "parent_id", Label: "Stands in", Options: in}}, placeFields(&movement.Place{Kind: "shelf"})...)}).ready(c)
	}
	return p, nil
}

// placesPage serves GET /places.
func (s *Server) placesPage(c echo.Context) error {
	p, err := s.placesData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "movement/places", p)
}

// addPlace serves POST /places.
func (s *Server) addPlace(c echo.Context) error {
	var n movement.NewPlace
	_, typed, err := s.decode(c, &n)
	var made *movement.Place
	if err == nil {
		made, err = s.Movement.AddPlace(c.Request().Context(), actor(c), n)
	}
	if err == nil {
		return s.done(c, made.Path+" is made.", "/places/"+made.ID.String())
	}
	p, fault := s.placesData(c)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.AddForm, typed, err, "movement/places", p)
}

type placePageData struct {
	Frame
	Name, Path, ParentPath, LabelPath string
	AddPath                           string // to make a place in it; empty: not for this person
	Marks                             []Mark
	Facts                             []fact
	In                                []Link // places that stand in it
	Rows                              []moveRow
	More                              string
	Past                              bool // what was here is shown
	PastPath, HerePath                string
	ChangeForm, MoveForm              *Form
}

func (s *Server) placeData(c echo.Context) (*placePageData, *movement.Place, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, nil, err
	}
	ctx, a := c.Request().Context(), actor(c)
	place, err := s.Movement.Place(ctx, a, id)
	if err != nil {
		return nil, nil, err
	}
	at := "/places/" + id.String()
	p := &placePageData{Name: place.Name, Path: place.Path, LabelPath: at + "/label", Marks: placeMarks(place), Past: c.QueryParam("past") == "true", PastPath: at + "?past=true", HerePath: at}
	p.Title, p.Here = place.Name, "/places"
	if place.ParentID != nil {
		p.ParentPath = "/places/" + place.ParentID.String()
	}
	list := s.Movement.Contents
	if p.Past {
		list = s.Movement.Past
	}
	things, err := list(ctx, a, id, page(c))
	if err != nil {
		return nil, nil, err
	}
	p.Rows, p.More = s.moveRows(things.Items), more(c, things.Next)
	in, _, err := s.Movement.Tree(ctx, a, movement.PlaceFilter{ParentID: &id})
	if err != nil {
		return nil, nil, err
	}
	for _, child := range in {
		p.In = append(p.In, Link{Path: "/places/" + child.ID.String(), Words: child.Name + " (" + child.Code + ")"})
	}
	full := ""
	if !p.Past && things.Next == "" {
		full = capacityWords(len(things.Items), place.Capacity)
	}
	for _, f := range []fact{{"Kind", place.Kind}, {"Code", place.Code}, {"Conditions", place.Conditions}, {"Security class", place.SecurityClass}, {"Things in it", full}} {
		if f.Text != "" {
			p.Facts = append(p.Facts, f)
		}
	}
	return p, place, s.placeForms(c, p, place)
}

// placeForms adds the forms that the person may send.
func (s *Server) placeForms(c echo.Context, p *placePageData, place *movement.Place) error {
	a, at := actor(c), "/places/"+place.ID.String()
	if a.May(movement.Keep) == nil {
		if place.ClosedAt == nil {
			p.AddPath = "/places?in=" + place.ID.String() + "#new"
		}
		closed := ""
		if place.ClosedAt != nil {
			closed = "true"
		}
		p.ChangeForm = (&Form{Part: "change", Action: at, Legend: "Change", Below: true, Submit: "Keep the change", Version: place.Version, Fields: append(placeFields(place),
			Field{Kind: "checkbox", Name: "closed", Label: "Closed: nothing goes in any more", Value: closed})}).ready(c)
	}
	if a.May(movement.Move) != nil || place.Kind == "site" || (place.Kind == "building" || place.Kind == "room") && !a.Has(domain.Registrar) {
		return nil
	}
	to, err := s.toFields(c, nil, &place.ID)
	if err != nil {
		return err
	}
	staff, err := s.staffOptions(c)
	if err != nil {
		return err
	}
	told := Field{Kind: "select", Name: "authorised_by_id", Label: "Authorised by", Options: withNone("yourself", true, staff[1:])}
	if !authorisesAlone(a) {
		told.Label, told.Options = "Told by", withNone("choose", true, staff[1:])
	}
	p.MoveForm = (&Form{Part: "move", Action: at + "/moves", Legend: "Move it with all that is in it", Below: true, Submit: "Record the move", Version: place.Version, Fields: append(to,
		Field{Kind: "text", Name: "reason", Label: "Reason", Required: true, Max: 1000},
		told,
		Field{Kind: "datetime-local", Name: "at", Label: "When", Help: "Left empty: now."},
		Field{Kind: "select", Name: "evacuation", Label: "Out of danger", Help: "An evacuation is never refused.", Options: withNone("no", true, options("", handling.Evacuations...))},
	)}).ready(c)
	return nil
}

// placePage serves GET /places/{id}.
func (s *Server) placePage(c echo.Context) error {
	p, _, err := s.placeData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "movement/place", p)
}

// changePlace serves POST /places/{id}.
func (s *Server) changePlace(c echo.Context) error {
	var n movement.ChangedPlace
	return s.placeAct(c, &n, "The place is changed.", func(p *placePageData) *Form { return p.ChangeForm }, func(id domain.ID, version int64) error {
		_, err := s.Movement.ChangePlace(c.Request().Context(), actor(c), id, version, n)
		return err
	})
}

// movePlace serves POST /places/{id}/moves.
func (s *Server) movePlace(c echo.Context) error {
	var m struct {
		movement.PlaceMove
		Code string `json:"to_code"` // instead of to_place_id: typed or scanned
	}
	return s.placeAct(c, &m, "The move is recorded.", func(p *placePageData) *Form { return p.MoveForm }, func(id domain.ID, version int64) (err error) {
		if m.ToPlaceID, err = s.destination(c, m.Code, m.ToPlaceID); err != nil {
			return err
		}
		_, err = s.Movement.MovePlace(c.Request().Context(), actor(c), id, version, m.PlaceMove)
		return err
	})
}

func (s *Server) placeAct(c echo.Context, command any, said string, form func(*placePageData) *Form, act func(id domain.ID, version int64) error) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	version, typed, err := s.decode(c, command)
	if err == nil {
		err = act(id, version)
	}
	if err == nil {
		return s.done(c, said, "/places/"+id.String())
	}
	p, _, fault := s.placeData(c)
	if fault != nil {
		return fault
	}
	f := form(p)
	if f == nil {
		return err
	}
	return s.answer(c, f, typed, err, "movement/place", p)
}

type labelPage struct {
	Frame
	Heading, Back string
	Labels        []printLabel
}

// printLabel is one label to print: what the code holds stands beside it for people.
type printLabel struct {
	Code   Drawing
	Number string
	Lines  []string
}

// Drawing is a picture of dark squares as one path, with its viewBox.
type Drawing struct{ ViewBox, Path, Told string }

// qrDrawing draws a QR code with the quiet zone of four modules that ISO/IEC 18004 asks for.
func qrDrawing(text string) (Drawing, error) {
	code, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return Drawing{}, err
	}
	const quiet = 4
	size := code.Bounds().Dx()
	var path strings.Builder
	for y := range size {
		for x := 0; x < size; x++ {
			run := 0
			for x+run < size && dark(code.At(x+run, y)) {
				run++
			}
			if run > 0 {
				path.WriteString("M" + number(float64(x+quiet), 0) + " " + number(float64(y+quiet), 0) + "h" + number(float64(run), 0) + "v1h-" + number(float64(run), 0) + "z")
				x += run
			}
		}
	}
	side := number(float64(size+2*quiet), 0)
	return Drawing{ViewBox: "0 0 " + side + " " + side, Path: path.String(), Told: "QR code that holds " + text}, nil
}

func dark(c interface{ RGBA() (r, g, b, a uint32) }) bool {
	r, _, _, _ := c.RGBA()
	return r < 0x8000
}

// placeLabel serves GET /places/{id}/label.
func (s *Server) placeLabel(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	place, err := s.Movement.Place(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	code, err := qrDrawing(place.Code)
	if err != nil {
		return err
	}
	p := &labelPage{Heading: "Label of " + place.Name, Back: "/places/" + id.String(), Labels: []printLabel{{Code: code, Number: place.Code, Lines: []string{place.Name, place.Path}}}}
	p.Title, p.Here = p.Heading, "/places"
	return s.render(c, http.StatusOK, "movement/label", p)
}

// objectLabel serves GET /objects/{number}/label: labels of the whole and of its parts, hazards on
// them.
func (s *Server) objectLabel(c echo.Context) error {
	w, err := s.whole(c)
	if err != nil {
		return err
	}
	before, err := s.Handling.BeforeSheet(c.Request().Context(), actor(c), &w.Sheet)
	if err != nil {
		return err
	}
	p := &labelPage{Heading: "Labels of " + w.Object.Number, Back: objectPath(w.Object.Number)}
	p.Title, p.Here = p.Heading, "/objects"
	add := func(number, name string, parts []domain.ID) error {
		code, err := qrDrawing(number)
		if err != nil {
			return err
		}
		l := printLabel{Code: code, Number: number, Lines: []string{name}}
		var hazards []string
		for _, h := range handling.Touching(&w.Sheet, before.Cautions, parts) {
			word := strings.ReplaceAll(h.Kind, "-", " ") + " " + plain(h.Certainty)
			switch h.Class {
			case material.Stop:
				hazards = append(hazards, "■ "+word+": do not handle before an assessment")
			case material.Control:
				hazards = append(hazards, "▲ "+word)
			}
		}
		l.Lines = append(l.Lines, hazards...)
		p.Labels = append(p.Labels, l)
		return nil
	}
	if err := add(w.Object.Number, w.Object.Title, nil); err != nil {
		return err
	}
	for _, part := range w.Components {
		if err := add(w.Object.Number+"."+part.Label, part.Name, []domain.ID{part.ID}); err != nil {
			return err
		}
	}
	return s.render(c, http.StatusOK, "movement/label", p)
}
