package web

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/handling"
)

type handlingRow struct {
	Path, When, What, Purpose, Who, Noticed string
	Minutes                                 int
	Number, ObjectPath                      string
	Mark                                    Mark
}

func (s *Server) handlingRows(all []handling.Event) []handlingRow {
	rows := make([]handlingRow, len(all))
	for i, e := range all {
		r := handlingRow{Path: "/handlings/" + e.ID.String(), When: s.moment(e.StartedAt), What: "the whole", Purpose: plain(e.Purpose), Who: handlerWords(&e),
			Noticed: strings.ReplaceAll(strings.Join(e.Noticed, ", "), "_", " "), Minutes: e.Minutes, Number: e.ObjectNumber, ObjectPath: objectPath(e.ObjectNumber)}
		if len(e.Components) > 0 {
			r.What = partWords(e.Components, e.ObjectNumber)
		}
		switch {
		case e.StopID != nil:
			r.Mark = stopMark("raised a stop")
		case e.Evacuation != "":
			r.Mark = warnMark("evacuation, " + plain(e.Evacuation))
		case e.UnderStop:
			r.Mark = warnMark("under a stop")
		case len(e.Unassessed) > 0:
			r.Mark = warnMark("hazard not assessed")
		}
		rows[i] = r
	}
	return rows
}

// partWords names parts below the number of their object: ".1a cuff, .2 helmet".
func partWords(parts []handling.Named, number string) string {
	names := make([]string, len(parts))
	for i, p := range parts {
		names[i] = strings.TrimPrefix(p.Name, number)
	}
	return strings.Join(names, ", ")
}

func handlerWords(e *handling.Event) string {
	var names []string
	for _, h := range e.Handlers {
		names = append(names, h.Name)
	}
	return strings.Join(append(names, e.OtherHandlers...), ", ")
}

// totalsTable is the sums of one dimension.
type totalsTable struct {
	Caption string
	Head    string
	Rows    []totalsRow
}

type totalsRow struct {
	Label, Path                       string
	Handlings, Minutes, Lifts, Flexes int
}

type handlingsPage struct {
	Frame
	Number, ObjectTitle, ObjectPath, LogPath string // empty on the page of all objects, or for whom may not log
	Period                                   *Form  // sent with GET
	From, Until                              string
	Sum                                      string
	Chart                                    *Chart
	Tables                                   []totalsTable
	Rows                                     []handlingRow
	More                                     string
}

// objectHandlings serves GET /objects/{number}/handlings.
func (s *Server) objectHandlings(c echo.Context) error {
	w, err := s.whole(c)
	if err != nil {
		return err
	}
	p := &handlingsPage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: objectPath(w.Object.Number)}
	p.Title, p.Here = "Handlings of "+w.Object.Number, "/objects"
	if actor(c).May(handling.Record) == nil {
		p.LogPath = p.ObjectPath + "/handle"
	}
	return s.handlings(c, p, &w.Object.ID, "component", "joint", "purpose", "person")
}

// allHandlings serves GET /handlings: how much is handled in the whole house.
func (s *Server) allHandlings(c echo.Context) error {
	p := &handlingsPage{}
	p.Title, p.Here = "Handlings", "/objects"
	return s.handlings(c, p, nil, "object", "joint", "purpose", "person")
}

var dimensionHeads = map[string]string{"object": "Object", "component": "Part", "joint": "Joint", "purpose": "Purpose", "person": "Person"}

func (s *Server) handlings(c echo.Context, p *handlingsPage, objectID *domain.ID, by ...string) error {
	ctx := c.Request().Context()
	from, until, err := s.period(c)
	if err != nil {
		return err
	}
	p.From, p.Until = c.QueryParam("from"), c.QueryParam("until")
	if objectID == nil && from == nil && until == nil { // of a whole house, nobody reads the sums of all years unasked
		since := s.Now().In(s.Site.Zone).AddDate(0, 0, -7)
		day := time.Date(since.Year(), since.Month(), since.Day(), 0, 0, 0, 0, s.Site.Zone)
		from, p.From = &day, day.Format(time.DateOnly)
	}
	f := handling.Filter{ObjectID: objectID, From: from, Until: until}
	all, err := s.Handling.List(ctx, actor(c), f, page(c))
	if err != nil {
		return err
	}
	p.Rows, p.More = s.handlingRows(all.Items), more(c, all.Next)
	totals, err := s.Handling.Totals(ctx, actor(c), handling.TotalsQuery{ObjectID: objectID, From: from, Until: until, By: append([]string{"all", "month"}, by...)})
	if err != nil {
		return err
	}
	if sum := totals.Of("all"); len(sum) == 1 {
		p.Sum = sumWords(sum[0])
	}
	p.Chart = monthChart("months", totals.Of("month"))
	for _, dimension := range by {
		table := totalsTable{Head: dimensionHeads[dimension], Caption: "By " + dimension}
		for _, row := range totals.Of(dimension) {
			r := totalsRow{Label: row.Label, Handlings: row.Handlings, Minutes: row.Minutes, Lifts: row.Lifts, Flexes: row.Flexes}
			if dimension == "object" {
				number, _, _ := strings.Cut(row.Label, " · ")
				r.Path = objectPath(number)
			}
			table.Rows = append(table.Rows, r)
		}
		if len(table.Rows) > 0 {
			p.Tables = append(p.Tables, table)
		}
	}
	return s.render(c, http.StatusOK, "handling/handlings", p)
}

// period reads the days from and until, both included, in the site's zone.
func (s *Server) period(c echo.Context) (from, until *time.Time, err error) {
	read := func(name string) (*time.Time, error) {
		text := c.QueryParam(name)
		if text == "" {
			return nil, nil
		}
		day, err := time.ParseInLocation(time.DateOnly, text, s.Site.Zone)
		if err != nil {
			return nil, domain.Invalid("/"+name, "time", "A day, such as 2026-02-06.")
		}
		return &day, nil
	}
	if from, err = read("from"); err != nil {
		return nil, nil, err
	}
	if until, err = read("until"); err != nil || until == nil {
		return from, nil, err
	}
	next := until.AddDate(0, 0, 1)
	return from, &next, nil
}

// sumWords says a total: "12 handlings, 3 h 20 min, 4 lifts, 9 flexes".
func sumWords(t handling.Total) string {
	text := count(t.Handlings, "handling") + ", " + minuteWords(t.Minutes)
	if t.Lifts > 0 {
		text += ", " + count(t.Lifts, "lift")
	}
	if t.Flexes > 0 {
		text += ", " + strconv.Itoa(t.Flexes) + " flexes of joints"
	}
	return text
}

func minuteWords(minutes int) string {
	if minutes < 60 {
		return strconv.Itoa(minutes) + " min"
	}
	text := strconv.Itoa(minutes/60) + " h"
	if minutes%60 > 0 {
		text += " " + strconv.Itoa(minutes%60) + " min"
	}
	return text
}

// monthsMost is how many months a chart shows: the latest ones.
const monthsMost = 36

// monthChart draws handlings month by month, months without one as well; nil when there are none.
func monthChart(id string, months []handling.Total) *Chart {
	if len(months) == 0 {
		return nil
	}
	found := map[string]int{}
	for _, m := range months {
		found[m.Key] = m.Handlings
	}
	last, err := time.Parse("2006-01", months[len(months)-1].Key)
	first, firstErr := time.Parse("2006-01", months[0].Key)
	if err != nil || firstErr != nil {
		return nil
	}
	if earliest := last.AddDate(0, 1-monthsMost, 0); first.Before(earliest) {
		first = earliest
	}
	var bars []Bar
	for m := first; !m.After(last); m = m.AddDate(0, 1, 0) {
		bars = append(bars, Bar{Label: m.Format("2006-01"), Value: float64(found[m.Format("2006-01")])})
	}
	chart := barChart(id, "Handlings by month", "Month", "handlings", bars)
	return &chart
}

type handlingPage struct {
	Frame
	Heading, Number, ObjectPath string
	Mark                        Mark
	StopPath                    string
	Facts                       []fact
	Flexes                      []string
	Note                        string
	Photos                      []Link
	Addenda                     []saidLine
	AddendumForm                *Form
}

// saidLine is what somebody wrote, when.
type saidLine struct{ Text, By string }

func (s *Server) handlingData(c echo.Context) (*handlingPage, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	e, err := s.Handling.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return nil, err
	}
	row := s.handlingRows([]handling.Event{*e})[0]
	p := &handlingPage{Heading: "Handling of " + e.ObjectNumber, Number: e.ObjectNumber, ObjectPath: objectPath(e.ObjectNumber), Mark: row.Mark, Note: e.Note}
	p.Title, p.Here = p.Heading, "/objects"
	if e.StopID != nil {
		p.StopPath = stopPath(*e.StopID)
	}
	hazards := ""
	if len(e.Hazards) > 0 {
		hazards = strings.Join(e.Hazards, ", ") + "; usual controls " + plain(e.Controls)
		if len(e.Unassessed) > 0 {
			hazards += "; not assessed before: " + strings.Join(e.Unassessed, ", ")
		}
	}
	recorded := e.RecordedBy.Name
	if e.RecordedAt.Sub(e.StartedAt) > time.Duration(e.Minutes)*time.Minute+time.Hour {
		recorded += ", back-dated: recorded " + s.moment(e.RecordedAt)
	}
	for _, f := range []fact{
		{"Begun", s.moment(e.StartedAt)}, {"Took", minuteWords(e.Minutes)}, {"Hands on it", row.Who}, {"For", row.Purpose}, {"Handled", row.What},
		{"From", plain(e.From)}, {"To", plain(e.To)}, {"Lifts", strconv.Itoa(e.Lifts)}, {"Support", strings.Join(e.Support, ", ")}, {"Gloves", plain(e.Gloves)},
		{"Noticed", row.Noticed}, {"Hazards shown", hazards}, {"Out of danger", plain(e.Evacuation)}, {"Recorded by", recorded},
	} {
		if f.Text != "" {
			p.Facts = append(p.Facts, f)
		}
	}
	for _, x := range e.Flexes {
		text := x.Joint
		if x.Side != "none" {
			text = x.Side + " " + text
		}
		if x.Movement != "" {
			text += ", " + plain(x.Movement)
		}
		p.Flexes = append(p.Flexes, text+" to "+strconv.Itoa(x.Degrees)+"°, "+count(x.Times, "time"))
	}
	for i, photoID := range e.PhotoIDs {
		p.Photos = append(p.Photos, Link{Path: "/photos/" + photoID.String(), Words: "Photograph " + strconv.Itoa(i+1)})
	}
	for _, a := range e.Addenda {
		p.Addenda = append(p.Addenda, saidLine{a.Text, a.AuthorName + ", " + s.moment(a.At)})
	}
	if actor(c).May(handling.Record) == nil {
		p.AddendumForm = (&Form{Action: "/handlings/" + e.ID.String() + "/addenda", Legend: "Correct or complete it", Below: true, Submit: "Write the addendum",
			Help: "The handling stays as it was logged; the addendum stands beside it.", Fields: []Field{{Kind: "textarea", Name: "text", Label: "Addendum", Required: true, Max: 4000}}}).ready(c)
	}
	return p, nil
}

// handlingPage serves GET /handlings/{id}.
func (s *Server) handlingPage(c echo.Context) error {
	p, err := s.handlingData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "handling/handling", p)
}

// amendHandling serves POST /handlings/{id}/addenda.
func (s *Server) amendHandling(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	var n handling.NewAddendum
	_, typed, err := s.decode(c, &n)
	if err == nil {
		_, err = s.Handling.Amend(c.Request().Context(), actor(c), id, n)
	}
	if err == nil {
		return s.done(c, "The addendum is written.", "/handlings/"+id.String())
	}
	p, fault := s.handlingData(c)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.AddendumForm, typed, err, "handling/handling", p)
}
