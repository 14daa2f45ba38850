package web

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/measurement"
)

func (s *Server) measurementRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:number/spots", measurement.Read, s.spotsPage)
	s.route(g, http.MethodPost, "/objects/:number/spots", measurement.Record, s.nameSpot)
	s.route(g, http.MethodGet, "/spots/:id", measurement.Read, s.spotPage)
	s.route(g, http.MethodGet, "/spots/:id/measure", measurement.Record, s.measurePage)
	s.route(g, http.MethodPost, "/spots/:id/measure", measurement.Record, s.measure)
	s.route(g, http.MethodGet, "/measurements/:id", measurement.Read, s.measurementPage)
	s.route(g, http.MethodPost, "/measurements/:id/withdrawal", measurement.Withdraw, s.withdrawMeasurement)
}

func spotPath(id domain.ID) string { return "/spots/" + id.String() }

// quantityTitle is a quantity at the beginning of a line.
func quantityTitle(q measurement.Quantity) string {
	if q == measurement.PH {
		return q.Words() // never PH
	}
	return capital(q.Words())
}

// seriesPath is the page of one quantity at a spot.
func seriesPath(id domain.ID, q measurement.Quantity) string {
	return spotPath(id) + "?quantity=" + string(q)
}

type spotRow struct {
	Path, Name, Part, Place string
	Last                    []Link
	MeasurePath             string // empty: who may not
}

func (s *Server) spotRows(c echo.Context, lines []measurement.Line) []spotRow {
	may := actor(c).May(measurement.Record) == nil
	rows := make([]spotRow, len(lines))
	for i, l := range lines {
		rows[i] = spotRow{Path: spotPath(l.ID), Name: l.Name, Part: l.Component, Place: l.Place}
		for _, last := range l.Last {
			rows[i].Last = append(rows[i].Last, Link{Path: seriesPath(l.ID, last.Quantity), Words: last.Quantity.Words() + ": " + last.Shown + ", " + dayWords(last.MeasuredOn)})
		}
		if len(l.Last) == 1 {
			rows[i].Path = seriesPath(l.ID, l.Last[0].Quantity)
		}
		if may {
			rows[i].MeasurePath = spotPath(l.ID) + "/measure"
		}
	}
	return rows
}

type spotsPage struct {
	Frame
	Number, ObjectTitle, ObjectPath string
	Rows                            []spotRow
	More                            string
	Form                            *Form
}

func (s *Server) spotsData(c echo.Context) (*spotsPage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	all, err := s.Measurement.Spots(c.Request().Context(), actor(c), w.Object.ID, page(c))
	if err != nil {
		return nil, nil, err
	}
	p := &spotsPage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: objectPath(w.Object.Number), Rows: s.spotRows(c, all.Items), More: more(c, all.Next)}
	p.Title, p.Here = "Measured on "+w.Object.Number, "/objects"
	if actor(c).May(measurement.Record) == nil {
		p.Form = (&Form{Part: "spot", Action: p.ObjectPath + "/spots", Legend: "Name a spot", Below: true, Submit: "Name it and measure",
			Help: "Readings are compared at one and the same spot. Write its place so that somebody else finds it to the millimetre; a spot is never changed afterwards.",
			Fields: []Field{
				{Kind: "select", Name: "component_id", Label: "Part", Options: withNone("the whole object", true, partOptions(&w.Sheet, c.QueryParam("part")))},
				{Kind: "text", Name: "name", Label: "Name", Help: "Such as: left sleeve, outside.", Required: true, Max: 200},
				{Kind: "textarea", Name: "place", Label: "Its place", Help: "Such as: 40 mm above the ring, on the line of the seam; template 3.", Required: true, Max: 1000, Rows: 2},
				{Kind: "folded", Label: "The point on a photograph", Fields: []Field{
					{Kind: "text", Name: "photo_id", Label: "Number of the photograph", Help: "It stands at the end of the address of the photograph's page."},
					{Kind: "number", Name: "x_px", Label: "Pixels from the left edge"}, {Kind: "number", Name: "y_px", Label: "Pixels from the upper edge"}}},
			}}).ready(c)
	}
	return p, w, nil
}

// spotsPage serves GET /objects/{number}/spots.
func (s *Server) spotsPage(c echo.Context) error {
	p, _, err := s.spotsData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "measurement/spots", p)
}

// nameSpot serves POST /objects/{number}/spots.
func (s *Server) nameSpot(c echo.Context) error {
	p, w, err := s.spotsData(c)
	if err != nil {
		return err
	}
	var n measurement.NewSpot
	_, typed, err := s.decode(c, &n)
	var spot *measurement.Spot
	if err == nil {
		spot, err = s.Measurement.Name(c.Request().Context(), actor(c), w.Object.ID, n)
	}
	if err == nil {
		return s.done(c, "The spot is named.", spotPath(spot.ID)+"/measure")
	}
	return s.answer(c, p.Form, typed, err, "measurement/spots", p)
}

type objectMeasured struct {
	Rows    []spotRow
	AllPath string
	More    bool
	AddPath string // empty: who may not
}

// measurementSection is what was measured on an object.
func (s *Server) measurementSection(c echo.Context, w *collection.Whole) (section, error) {
	var all domain.Page[measurement.Line]
	var err error
	if w.Held.Spots {
		if all, err = s.Measurement.Spots(c.Request().Context(), actor(c), w.Object.ID, domain.PageQuery{Limit: 20}); err != nil {
			return section{}, err
		}
	}
	d := objectMeasured{Rows: s.spotRows(c, all.Items), AllPath: objectPath(w.Object.Number) + "/spots", More: all.Next != ""}
	if actor(c).May(measurement.Record) == nil {
		d.AddPath = d.AllPath
	}
	if len(d.Rows) == 0 && d.AddPath == "" {
		return section{}, nil
	}
	return section{ID: "measured", Heading: "Measured", Template: "measurement/_measured", Data: d}, nil
}

type pointRow struct {
	Path, Day, Shown, Role, By, How string
	Mark                            Mark
	Said                            string
	Cautions                        []string
}

func changeMark(c *measurement.Change) Mark {
	switch {
	case c == nil:
		return Mark{}
	case c.Proven:
		return warnMark("changed")
	case c.Known:
		return doneMark("no proven change")
	}
	return draftMark("how sure is not known")
}

func pointRowOf(p *measurement.Point) pointRow {
	r := readingRow(&p.Reading)
	switch {
	case p.Change != nil:
		r.Mark, r.Said, r.Cautions = changeMark(p.Change), strings.TrimPrefix(strings.TrimPrefix(p.Change.Said, "Changed: "), "No proven change: "), p.Change.Cautions
	case p.Refused != "":
		r.Mark, r.Said = draftMark("not compared"), p.Refused
	case p.Role == measurement.Plain || p.Role == measurement.Baseline:
		r.Said = "What later readings are compared with."
	}
	return r
}

func readingRow(m *measurement.Reading) pointRow {
	r := pointRow{Path: "/measurements/" + m.ID.String(), Day: dayWords(m.MeasuredOn), Shown: m.Shown(), By: m.RecordedBy.Name, How: sentences(m.Instrument, m.Method)}
	if m.Role != measurement.Plain {
		r.Role = measurement.RoleWords[m.Role]
	}
	return r
}

type spotPageData struct {
	Frame
	Heading, Number, ObjectPath string
	Facts                       []fact
	PhotoPath                   string
	Quantities                  []Link
	Quantity                    string
	Origin                      *measurement.Origin
	Chart                       *Chart
	Rows, References, Withdrawn []pointRow
	Formula                     string
	Caution                     string
	MeasurePath                 string // empty: who may not
}

// chosenQuantity is the quantity of the address; without one that which was read last at the spot.
func (s *Server) chosenQuantity(c echo.Context, spot *measurement.Spot) (measurement.Quantity, error) {
	if text := c.QueryParam("quantity"); text != "" {
		return measurement.Quantity(text), nil
	}
	last, err := s.Measurement.List(c.Request().Context(), actor(c), measurement.Filter{SpotID: &spot.ID}, domain.PageQuery{Limit: 1})
	if err != nil || len(last.Items) == 0 {
		return measurement.Colour, err
	}
	return last.Items[0].Quantity, nil
}

func (s *Server) spotOf(c echo.Context) (*measurement.Spot, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	return s.Measurement.Spot(c.Request().Context(), actor(c), id)
}

// spotPage serves GET /spots/{id}: a series at a spot, and what it proves.
func (s *Server) spotPage(c echo.Context) error {
	spot, err := s.spotOf(c)
	if err != nil {
		return err
	}
	quantity, err := s.chosenQuantity(c, spot)
	if err != nil {
		return err
	}
	series, err := s.Measurement.Series(c.Request().Context(), actor(c), spot.ID, quantity)
	if err != nil {
		return err
	}
	p := &spotPageData{Heading: spot.Name, Number: spot.ObjectNumber, ObjectPath: objectPath(spot.ObjectNumber), Quantity: quantity.Words(), Origin: series.Origin,
		Chart: seriesChart(series), Caution: quantity.Caution(),
		Facts: []fact{{"On", strings.TrimSpace(spot.ObjectNumber + spot.Component)}, {"Its place", spot.Place}, {"Named by", spot.MadeBy.Name + ", " + s.day(spot.MadeAt)}}}
	p.Title, p.Here = spot.Name+", "+spot.ObjectNumber, "/objects"
	if spot.PhotoID != nil {
		p.PhotoPath = "/photos/" + spot.PhotoID.String()
	}
	for _, q := range measurement.Quantities {
		p.Quantities = append(p.Quantities, Link{Path: seriesPath(spot.ID, q), Words: q.Words(), Present: q == quantity})
	}
	for i := len(series.Points) - 1; i >= 0; i-- {
		p.Rows = append(p.Rows, pointRowOf(&series.Points[i]))
		if change := series.Points[i].Change; change != nil && p.Formula == "" {
			p.Formula = change.Formula
		}
	}
	for i := range series.References {
		r := pointRowOf(&series.References[i])
		r.How = series.References[i].Source
		p.References = append(p.References, r)
	}
	for i := range series.Withdrawn {
		r := readingRow(&series.Withdrawn[i])
		w := series.Withdrawn[i].Withdrawn
		r.Said = w.Reason + " (" + w.By.Name + ", " + s.day(w.At) + ")"
		p.Withdrawn = append(p.Withdrawn, r)
	}
	if actor(c).May(measurement.Record) == nil {
		p.MeasurePath = spotPath(spot.ID) + "/measure?" + url.Values{"quantity": {string(quantity)}}.Encode()
	}
	return s.render(c, http.StatusOK, "measurement/spot", p)
}

// seriesChart draws a series over time: of a colour its difference from the first reading that it can be
// compared with, else its figures. nil while there are not two days to draw.
func seriesChart(series *measurement.Series) *Chart {
	var points []ChartPoint
	var levels []Level
	title, unit := quantityTitle(series.Quantity), series.Unit
	for i := range series.Points {
		p := &series.Points[i]
		switch {
		case series.Quantity != measurement.Colour:
			point := ChartPoint{Day: p.MeasuredOn, Value: p.Value.InexactFloat64(), Proven: p.Change != nil && p.Change.Proven}
			if p.PlusMinus != nil {
				point.PlusMinus = p.PlusMinus.InexactFloat64()
			}
			points = append(points, point)
		case p.Change != nil:
			points = append(points, ChartPoint{Day: p.MeasuredOn, Value: p.Change.Difference, PlusMinus: p.Change.PlusMinus, Proven: p.Change.Proven})
		case p.Refused == "":
			points = append(points, ChartPoint{Day: p.MeasuredOn})
		}
	}
	if series.Quantity == measurement.Colour {
		title, unit = "Colour difference from the baseline", "ΔE2000"
	} else {
		for _, ref := range series.References {
			levels = append(levels, Level{Name: measurement.RoleWords[ref.Role], Value: ref.Value.InexactFloat64()})
		}
	}
	if len(points) < 2 || points[0].Day == points[len(points)-1].Day {
		return nil
	}
	chart := pointChart("series", title, unit, points, levels, series.Quantity == measurement.Colour)
	return &chart
}
