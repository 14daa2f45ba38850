package web

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/movement"
)

func (s *Server) movementRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:number/move", movement.Move, s.movePage)
	s.route(g, http.MethodPost, "/objects/:number/move", movement.Move, s.moveObject)
	s.route(g, http.MethodGet, "/objects/:number/moves", movement.Read, s.movesPage)
	s.route(g, http.MethodGet, "/objects/:number/label", movement.Read, s.objectLabel)
	s.placeRoutes(g)
}

// whereWords says where an item is, in words: "Main house › Store 1 › Shelf 4".
func whereWords(p *movement.Whereabouts) string {
	switch {
	case p.State == movement.WithWhole:
		return "with what carries it"
	case p.State == movement.InTransit && p.To != nil:
		return "on its way to " + p.To.Path + " with " + p.Carrier
	case p.State == movement.InTransit:
		return "on its way"
	case p.Place == nil:
		return "a place that a registrar can tell you" // one that is not for this reader (P3)
	}
	return p.Place.Path
}

// placePath is the page of the place of an item, or "".
func placePath(p *movement.Whereabouts) string {
	if p.Place == nil {
		return ""
	}
	return "/places/" + p.Place.ID.String()
}

// what moves on the move page.
type moving struct {
	whole     *movement.Placement
	away      []movement.Placement // detached parts
	component *collection.Component
	own       *movement.Placement // of the component; nil while it is attached
	join      bool
}

// kind says what the page does: "move", "detach", "reattach".
func (m *moving) kind() string {
	switch {
	case m.component == nil:
		return "move"
	case m.own == nil:
		return "detach"
	case m.join:
		return "reattach"
	}
	return "move_part"
}

func (m *moving) seen() *movement.Placement {
	if m.component == nil {
		return m.whole
	}
	return m.own
}

type movePage struct {
	Frame
	Heading, Number, ObjectTitle, ObjectPath string
	Where, WherePath, Since                  string
	Stops                                    []stopLine
	Cautions                                 []cautionLine
	Closing                                  string
	Items                                    []Link // what else can be moved from here
	Form                                     *Form
}

// quickMove is a move as the page asks for it.
type quickMove struct {
	movement.Relocation
	Code  string `json:"to_code"`  // instead of to_place_id: typed or scanned
	Hand  bool   `json:"hands_on"` // hands were on the object
	Names string `json:"other_names"`
}

// relocation is the move, but for its destination.
func (q quickMove) relocation() movement.Relocation {
	m := q.Relocation
	if !q.Hand {
		m.Hands = nil
	} else if m.Hands == nil {
		m.Hands = &movement.Hands{}
	}
	for name := range strings.SplitSeq(q.Names, "\n") {
		if name = strings.TrimSpace(name); name != "" {
			m.OtherMovers = append(m.OtherMovers, name)
		}
	}
	return m
}

func (s *Server) moveData(c echo.Context) (*movePage, *collection.Whole, *moving, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, nil, err
	}
	ctx, a := c.Request().Context(), actor(c)
	m := &moving{join: c.QueryParam("join") != ""}
	if m.whole, m.away, err = s.Movement.Here(ctx, a, w.Object.ID); err != nil {
		return nil, nil, nil, err
	}
	if part := c.QueryParam("part"); part != "" {
		for i := range w.Components {
			if w.Components[i].Label == part {
				m.component = &w.Components[i]
			}
		}
		if m.component == nil {
			return nil, nil, nil, domain.NotFound("This object has no part ." + part + ".")
		}
		for i := range m.away {
			if *m.away[i].ComponentID == m.component.ID {
				m.own = &m.away[i]
			}
		}
	}
	before, err := s.Handling.BeforeSheet(ctx, a, &w.Sheet)
	if err != nil {
		return nil, nil, nil, err
	}
	at := objectPath(w.Object.Number)
	p := &movePage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: at, Closing: material.CautionClosing}
	var parts []domain.ID
	name := w.Object.Number
	if m.component != nil {
		parts, name = []domain.ID{m.component.ID}, w.Called(m.component.ID)
	}
	for _, stop := range before.Standing {
		if stop.Binds(&w.Sheet, parts) {
			p.Stops = append(p.Stops, s.stopLines([]handling.Stop{stop})...)
		}
	}
	touching := handling.Touching(&w.Sheet, before.Cautions, parts)
	p.Cautions = s.cautionLines(touching)
	p.Heading = map[string]string{"move": "Move ", "move_part": "Move ", "detach": "Take off ", "reattach": "Join again "}[m.kind()] + name
	p.Title, p.Here = p.Heading, "/objects"
	if seen := m.seen(); seen != nil {
		p.Where, p.WherePath, p.Since = whereWords(&seen.Whereabouts), placePath(&seen.Whereabouts), s.moment(seen.Since)
	} else if m.component != nil {
		p.Where = "with what carries it"
	}
	p.Items = moveItems(w, m, at+"/move")
	p.Form, err = s.moveForm(c, w, m, touching)
	return p, w, m, err
}

// moveItems are the whole and the parts that can be moved, taken off or joined.
func moveItems(w *collection.Whole, m *moving, path string) []Link {
	items := []Link{{Path: path, Words: "The whole", Present: m.component == nil}}
	for i := range w.Components {
		part := &w.Components[i]
		at := path + "?part=" + part.Label
		name := "." + part.Label + " " + part.Name
		here := m.component != nil && m.component.ID == part.ID
		switch {
		case slices.ContainsFunc(m.away, func(p movement.Placement) bool { return *p.ComponentID == part.ID }):
			items = append(items, Link{Path: at, Words: "Move " + name, Present: here && !m.join}, Link{Path: at + "&join=1", Words: "Join " + name + " again", Present: here && m.join})
		case part.Removal != collection.Never:
			items = append(items, Link{Path: at, Words: "Take off " + name, Present: here})
		}
	}
	return items
}

// moveForm asks for a move: the place by its code or from the list, a reason, and whether hands were on
// the object; what is seldom asked for is folded away.
func (s *Server) moveForm(c echo.Context, w *collection.Whole, m *moving, touching []handling.Caution) (*Form, error) {
	staff, err := s.staffOptions(c)
	if err != nil {
		return nil, err
	}
	action := objectPath(w.Object.Number) + "/move"
	if m.component != nil {
		action += "?part=" + m.component.Label
		if m.join {
			action += "&join=1"
		}
	}
	kind := m.kind()
	f := &Form{Action: action, Quick: true, Submit: map[string]string{"move": "Record the move", "move_part": "Record the move", "detach": "Record that it is taken off", "reattach": "Record that it is joined"}[kind]}
	if seen := m.seen(); seen != nil {
		f.Fields = append(f.Fields, Field{Kind: "hidden", Name: "from_placement_id", Value: seen.ID.String()})
	}
	if kind != "reattach" {
		var towards *movement.PlaceRef
		if seen := m.seen(); seen != nil && seen.State == movement.InTransit {
			towards = seen.To // most often it arrives where it was sent
		}
		to, err := s.toFields(c, towards, nil)
		if err != nil {
			return nil, err
		}
		f.Fields = append(f.Fields, to...)
	}
	f.Fields = append(f.Fields, Field{Kind: "text", Name: "reason", Label: "Reason", Required: true, Max: 1000})
	if !authorisesAlone(actor(c)) {
		f.Fields = append(f.Fields, Field{Kind: "select", Name: "authorised_by_id", Label: "Told by", Required: true, Options: withNone("choose", true, staff[1:])})
	}
	if kind == "move" || kind == "move_part" {
		f.Fields = append(f.Fields, Field{Kind: "checkbox", Name: "hands_on", Label: "Hands were on it (it is logged as a handling)", Value: "true"})
	} else {
		f.Fields = append(f.Fields, Field{Kind: "hidden", Name: "hands_on", Value: "true"})
	}
	f.Fields = append(f.Fields, Field{Kind: "checks", Name: "hands.noticed", Label: "Noticed", Tiles: true, Options: options("", handling.Signs[1:]...),
		Help: "Nothing chosen means nothing was noticed. Noise, powder, resistance, loss and tear stop the object for everybody."})
	if needsControls(touching) {
		f.Fields = append(f.Fields, Field{Kind: "radio", Name: "hands.controls", Label: "The usual controls for the hazards above were", Tiles: true, Options: options("", "kept", "not_kept")})
	}
	people := []Field{
		{Kind: "checks", Name: "mover_ids", Label: "Moved by", Tiles: true, Options: staff},
		{Kind: "textarea", Name: "other_names", Label: "Others without an account here", Help: "One name in a line.", Max: 2000, Rows: 2},
	}
	if authorisesAlone(actor(c)) {
		people = append(people, Field{Kind: "select", Name: "authorised_by_id", Label: "Authorised by", Options: withNone("yourself", true, staff[1:])})
	}
	people = append(people,
		Field{Kind: "datetime-local", Name: "at", Label: "When", Help: "Left empty: now. Earlier times are kept and marked."},
		Field{Kind: "select", Name: "evacuation", Label: "Out of danger", Help: "An evacuation is never refused.", Options: withNone("no", true, options("", handling.Evacuations...))})
	how := []Field{
		{Kind: "number", Name: "hands.minutes", Label: "Minutes with hands on it"},
		{Kind: "select", Name: "hands.from", Label: "It lay before", Options: withNone("not noted", true, options("", handling.Positions...))},
		{Kind: "select", Name: "hands.to", Label: "It is left", Options: withNone("not noted", true, options("", handling.Positions...))},
		{Kind: "select", Name: "hands.gloves", Label: "Gloves", Options: withNone("not noted", false, options("nitrile", handling.Gloves...))},
		{Kind: "textarea", Name: "hands.note", Label: "Note on the handling", Max: 4000, Rows: 2},
		{Kind: "textarea", Name: "condition", Label: "Remark on condition", Max: 2000, Rows: 2},
	}
	if kind != "reattach" {
		how = append(how, Field{Kind: "text", Name: "container", Label: "Container", Max: 300},
			Field{Kind: "date", Name: "expected_return", Label: "Expected back"},
			Field{Kind: "text", Name: "carrier", Label: "On its way, carried by", Help: "Left empty: it has arrived.", Max: 200})
	}
	f.Fields = append(f.Fields, Field{Kind: "folded", Label: "Who and when", Fields: people}, Field{Kind: "folded", Label: "How", Fields: how})
	return f.ready(c), nil
}

// authorisesAlone says whether a person's own word is enough for a move within the building (V3).
func authorisesAlone(a domain.Actor) bool {
	return a.Has(domain.Conservator) || a.Has(domain.Curator) || a.Has(domain.Registrar) || a.Has(domain.MountMaker)
}

// toFields ask for a place to move to; without is left out.
func (s *Server) toFields(c echo.Context, towards *movement.PlaceRef, without *domain.ID) ([]Field, error) {
	return s.placeChoice(c, placeAsked{code: "to_code", choice: "to_place_id", codeLabel: "To the place with the code", orLabel: "Or to", help: "As it stands on the label; a scanner types it.", none: "choose",
		chosen: towards, without: without, needed: true})
}

// destination is the place with a code that was typed or scanned; without one it is chosen.
func (s *Server) destination(c echo.Context, code string, chosen domain.ID) (domain.ID, error) {
	named, err := s.placeNamed(c.Request().Context(), actor(c), "/to_code", code)
	switch {
	case err != nil:
		return chosen, err
	case named != nil:
		return *named, nil
	case chosen == (domain.ID{}):
		return chosen, domain.Invalid("/to_code", "required", "Say where it goes: scan or write the code, or choose from the list.")
	}
	return chosen, nil
}

// movePage serves GET /objects/{number}/move.
func (s *Server) movePage(c echo.Context) error {
	p, _, _, err := s.moveData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "movement/move", p)
}

// moveObject serves POST /objects/{number}/move.
func (s *Server) moveObject(c echo.Context) error {
	p, w, m, err := s.moveData(c)
	if err != nil {
		return err
	}
	var q quickMove
	_, typed, err := s.decode(c, &q)
	var moved *movement.Moved
	if err == nil {
		moved, err = s.makeMove(c, w, m, q)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "movement/move", p)
	}
	if moved.Stop != nil {
		return s.done(c, "The move is recorded.", stopPath(moved.Stop.ID)+"/set-down")
	}
	said := moved.Placement.Item + " is recorded"
	if where := whereWords(&moved.Placement.Whereabouts); where != "" {
		said += ": " + where
	}
	return s.done(c, said+".", objectPath(w.Object.Number)+"#where")
}

func (s *Server) makeMove(c echo.Context, w *collection.Whole, m *moving, q quickMove) (*movement.Moved, error) {
	ctx, a := c.Request().Context(), actor(c)
	r := q.relocation()
	if m.kind() != "reattach" {
		var err error
		if r.ToPlaceID, err = s.destination(c, q.Code, r.ToPlaceID); err != nil {
			return nil, err
		}
	}
	switch m.kind() {
	case "move":
		return s.Movement.Move(ctx, a, w.Object.ID, r)
	case "detach":
		return s.Movement.Detach(ctx, a, m.component.ID, r)
	case "move_part":
		return s.Movement.MovePart(ctx, a, m.component.ID, r)
	}
	hands := movement.Hands{}
	if r.Hands != nil {
		hands = *r.Hands
	}
	return s.Movement.Reattach(ctx, a, m.component.ID, movement.Reattachment{FromPlacementID: r.FromPlacementID, At: r.At, Reason: r.Reason, MoverIDs: r.MoverIDs,
		OtherMovers: r.OtherMovers, AuthorisedByID: r.AuthorisedByID, Condition: r.Condition, Evacuation: r.Evacuation, Hands: hands})
}

type moveRow struct {
	Item, Where, WherePath, Since, Until, Reason, Who, Authorised, Remark, HandlingPath, Number, ObjectPath string
	Mark                                                                                                    Mark
}

func (s *Server) moveRows(all []movement.Placement) []moveRow {
	rows := make([]moveRow, len(all))
	for i := range all {
		p := &all[i]
		r := moveRow{Item: p.Item, Where: whereWords(&p.Whereabouts), WherePath: placePath(&p.Whereabouts), Since: s.moment(p.Since), Until: "now", Reason: p.Reason, Authorised: p.AuthorisedBy.Name,
			Number: p.ObjectNumber, ObjectPath: objectPath(p.ObjectNumber)}
		if p.Until != nil {
			r.Until = s.moment(*p.Until)
		}
		var who, remarks []string
		for _, m := range p.Movers {
			who = append(who, m.Name)
		}
		r.Who = strings.Join(append(who, p.OtherMovers...), ", ")
		for _, text := range []string{p.Container, p.Condition} {
			if text != "" {
				remarks = append(remarks, text)
			}
		}
		if p.ExpectedReturn != nil {
			remarks = append(remarks, "expected back "+s.day(*p.ExpectedReturn))
		}
		if p.BackDated {
			remarks = append(remarks, "back-dated: recorded "+s.moment(p.RecordedAt)+" by "+p.RecordedBy.Name)
		}
		r.Remark = strings.Join(remarks, "; ")
		if p.HandlingID != nil {
			r.HandlingPath = "/handlings/" + p.HandlingID.String()
		}
		switch {
		case p.Evacuation != "":
			r.Mark = warnMark("evacuation, " + plain(p.Evacuation))
		case p.State == movement.InTransit && p.Until == nil:
			r.Mark = waitMark("on its way")
		}
		rows[i] = r
	}
	return rows
}

type movesPage struct {
	Frame
	Number, ObjectTitle, ObjectPath, MovePath string
	Rows                                      []moveRow
	More                                      string
}

// movesPage serves GET /objects/{number}/moves.
func (s *Server) movesPage(c echo.Context) error {
	w, err := s.whole(c)
	if err != nil {
		return err
	}
	all, err := s.Movement.History(c.Request().Context(), actor(c), w.Object.ID, page(c))
	if err != nil {
		return err
	}
	p := &movesPage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: objectPath(w.Object.Number), Rows: s.moveRows(all.Items), More: more(c, all.Next)}
	p.Title, p.Here = "Where "+w.Object.Number+" was", "/objects"
	if actor(c).May(movement.Move) == nil {
		p.MovePath = p.ObjectPath + "/move"
	}
	return s.render(c, http.StatusOK, "movement/moves", p)
}

type whereData struct {
	Rows                         []moveRow // where the whole and its detached parts are
	Unknown                      bool
	MovePath, AllPath, LabelPath string
	Without                      string
	Overdue                      []string
	Last                         []moveRow
}

// whereSection says on an object's sheet where it is, and which parts are away from it (C5).
func (s *Server) whereSection(c echo.Context, w *collection.Whole) (section, error) {
	ctx, a := c.Request().Context(), actor(c)
	var whole *movement.Placement
	var parts []movement.Placement
	var last domain.Page[movement.Placement]
	err := domain.Together(ctx, 2, func(i int) (err error) {
		if i == 0 {
			whole, parts, err = s.Movement.Here(ctx, a, w.Object.ID)
		} else {
			last, err = s.Movement.History(ctx, a, w.Object.ID, domain.PageQuery{Limit: 5})
		}
		return err
	})
	if err != nil {
		return section{}, err
	}
	at := objectPath(w.Object.Number)
	d := whereData{Unknown: whole == nil, AllPath: at + "/moves", LabelPath: at + "/label", Last: s.moveRows(last.Items)}
	if a.May(movement.Move) == nil {
		d.MovePath = at + "/move"
	}
	sec := section{ID: "where", Heading: "Where it is", Template: "movement/_where"}
	var labels []string
	if whole != nil {
		d.Rows = s.moveRows([]movement.Placement{*whole})
		if where := whereWords(&whole.Whereabouts); where != "" {
			line := headLine{Text: where, Path: placePath(&whole.Whereabouts)}
			if whole.State == movement.InTransit {
				line.Mark = waitMark("on its way")
			}
			sec.Head = append(sec.Head, line)
		}
		if e := whole.ExpectedReturn; e != nil && s.Now().After(e.AddDate(0, 0, 1)) {
			sec.Head = append(sec.Head, headLine{Mark: warnMark("expected back " + s.day(*e))})
		}
	}
	for i := range parts {
		labels = append(labels, "."+parts[i].Label)
	}
	if len(labels) > 0 {
		d.Without = "without " + strings.Join(labels, ", ")
		d.Rows = append(d.Rows, s.moveRows(parts)...)
		sec.Head = append(sec.Head, headLine{Mark: warnMark(d.Without), Path: "#where", Text: "where they are"})
	}
	for i := range d.Rows { // it stands within a sentence
		d.Rows[i].Reason = strings.TrimSuffix(d.Rows[i].Reason, ".")
	}
	sec.Data = d
	return sec, nil
}

// placeColumn says where the objects of a list are, and which parts are not with them.
func (s *Server) placeColumn(c echo.Context, objects []domain.ID) (column, error) {
	where, away, err := s.Movement.Present(c.Request().Context(), actor(c), objects...)
	if err != nil {
		return column{}, err
	}
	col := column{Heading: "Place", Cells: map[domain.ID]headLine{}}
	for _, id := range objects {
		cell := headLine{}
		if p, ok := where[id]; ok {
			cell.Text, cell.Path = whereWords(&p), placePath(&p)
			if p.State == movement.InTransit {
				cell.Mark = waitMark("on its way")
			}
		}
		if parts := away[id]; len(parts) > 0 {
			labels := make([]string, len(parts))
			for i, p := range parts {
				labels[i] = "." + p.Label
			}
			cell.Mark = warnMark("without " + strings.Join(labels, ", "))
		}
		if cell != (headLine{}) {
			col.Cells[id] = cell
		}
	}
	return col, nil
}

// capacityWords says how full a place is: "3 of 12".
func capacityWords(things int, capacity *int) string {
	if capacity == nil {
		return ""
	}
	return strconv.Itoa(things) + " of " + strconv.Itoa(*capacity)
}
