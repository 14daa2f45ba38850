package web

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

func (s *Server) agendaRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/", agenda.Look, s.today)
	s.route(g, http.MethodGet, "/today/:kind", agenda.Look, s.due)
	s.route(g, http.MethodGet, "/notices", agenda.Look, s.notices)
	s.route(g, http.MethodPost, "/notices/:id/reading", agenda.Taken, s.readNotice)
}

type todayPage struct {
	Frame
	Day      string
	Unread   string // "8 notices to read"; empty: none
	Notices  []noticeRow
	More     bool // further unread notices
	Sections []dueSection
}

type noticesPage struct {
	Frame
	Notices []noticeRow
	More    string
}

type noticeRow struct {
	Row      dueRow
	ReadPath string // empty: it has been read
	Read     string // when
	ReadName string // what the button says to who only hears it
	From     string // the page to come back to
}

type dueSection struct {
	Title string
	Rows  []dueRow
	More  string // the page with the further ones
}

type duePage struct {
	Frame
	Rows []dueRow
	More bool // there are further ones still
}

// dueRow is something that waits: a sentence, and where to go.
type dueRow struct {
	Text               string
	Since              string
	Mark               Mark
	Object, ObjectPath string
	Go, GoPath         string // to the record itself
}

// whereabouts are the pages of the records that notices and items tell of, and what the link to one
// says. A record without one is reached by its object.
var whereabouts = map[string]struct{ path, words string }{
	"treatment":     {"/treatments/", "Go to the treatment"},
	"emergency":     {"/emergencies/", "Go to the emergency stabilisation"},
	"stop":          {"/stops/", "Go to the stop"},
	"handling":      {"/handlings/", "Go to the handling"},
	"photo":         {"/photos/", "Go to the photograph"},
	"loan":          {"/loans/", "Go to the loan"},
	"finding":       {"/findings/", "Go to the finding"},
	"examination":   {"/examinations/", "Go to the examination"},
	"incident":      {"/incidents/", "Go to the incident"},
	"investigation": {"/investigations/", "Go to the question"},
}

func (s *Server) dueRow(text, record string, subject domain.ID, number string, since time.Time, due *time.Time) dueRow {
	row := dueRow{Text: text, Since: s.moment(since), Object: number}
	if _, served := s.acts["GET /objects/:number"]; served && number != "" {
		row.ObjectPath = "/objects/" + url.PathEscape(number)
	}
	if w, ok := whereabouts[record]; ok {
		if _, served := s.acts["GET "+w.path+":id"]; served {
			row.Go, row.GoPath = w.words, w.path+subject.String()
		}
	}
	if due != nil {
		row.Mark = s.dueMark(*due)
	}
	return row
}

// dueMark says by which day something is due. due is the first moment at which it is overdue, so the
// day is that of the moment before.
func (s *Server) dueMark(due time.Time) Mark {
	now, last := s.Now(), due.Add(-time.Nanosecond)
	switch {
	case !now.Before(due):
		return warnMark("overdue since " + s.day(last))
	case s.day(last) == s.day(now):
		return warnMark("due today")
	}
	return waitMark("due " + s.day(last))
}

func (s *Server) noticeRows(lines []agenda.Line, from string) []noticeRow {
	rows := make([]noticeRow, len(lines))
	for i, n := range lines {
		rows[i] = noticeRow{Row: s.dueRow(n.Text, n.Record, n.SubjectID, n.ObjectNumber, n.At, nil), From: from}
		if n.ReadAt != nil {
			rows[i].Read = s.moment(*n.ReadAt)
			continue
		}
		rows[i].ReadPath, rows[i].ReadName = "/notices/"+n.ID.String()+"/reading", "I have read this: "+beginning(n.Text)
	}
	return rows
}

// beginning is the first words of a sentence.
func beginning(text string) string {
	words := strings.Fields(text)
	if len(words) <= 8 {
		return text
	}
	return strings.Join(words[:8], " ") + " …"
}

// So many notices, and items of a kind, are listed on the page of the day; the others are one page further.
const (
	noticesShown = 8
	itemsShown   = 10
)

// today serves GET /: what waits for whoever is signed in.
func (s *Server) today(c echo.Context) error {
	ctx, a := c.Request().Context(), actor(c)
	unread, err := s.Agenda.Mine(ctx, a, true, domain.PageQuery{Limit: noticesShown})
	if err != nil {
		return err
	}
	sections, err := s.Agenda.Today(ctx, a, itemsShown)
	if err != nil {
		return err
	}
	p := &todayPage{Day: s.Now().In(s.Site.Zone).Format("Monday, 2 January 2006"), Notices: s.noticeRows(unread.Items, "/"), More: unread.Next != ""}
	p.Title, p.Here = "Today", "/"
	switch n := len(unread.Items); {
	case p.More:
		p.Unread = "more than " + count(n, "notice") + " to read"
	case n > 0:
		p.Unread = count(n, "notice") + " to read"
	}
	for _, section := range sections {
		shown := dueSection{Title: section.Title, Rows: s.dueRows(section.Items)}
		if section.More {
			shown.More = "/today/" + section.Kind
		}
		p.Sections = append(p.Sections, shown)
	}
	return s.render(c, http.StatusOK, "agenda/today", p)
}

// due serves GET /today/{kind}: all that waits of one kind.
func (s *Server) due(c echo.Context) error {
	section, err := s.Agenda.Due(c.Request().Context(), actor(c), c.Param("kind"))
	if err != nil {
		return err
	}
	p := &duePage{Rows: s.dueRows(section.Items), More: section.More}
	p.Title, p.Here = section.Title, "/"
	return s.render(c, http.StatusOK, "agenda/due", p)
}

func (s *Server) dueRows(items []agenda.Item) []dueRow {
	rows := make([]dueRow, len(items))
	for i, item := range items {
		rows[i] = s.dueRow(item.Text, item.Record, item.SubjectID, item.ObjectNumber, item.Since, item.Due)
		rows[i].Since = "since " + rows[i].Since
		if item.Record == "stop" {
			rows[i].Mark = stopMark("stop")
		}
	}
	return rows
}

// notices serves GET /notices: all of one's own, read ones too.
func (s *Server) notices(c echo.Context) error {
	mine, err := s.Agenda.Mine(c.Request().Context(), actor(c), false, page(c))
	if err != nil {
		return err
	}
	p := &noticesPage{Notices: s.noticeRows(mine.Items, c.Request().URL.RequestURI()), More: more(c, mine.Next)}
	p.Title, p.Here = "Notices", "/"
	return s.render(c, http.StatusOK, "agenda/notices", p)
}

// readNotice serves POST /notices/{id}/reading.
func (s *Server) readNotice(c echo.Context) error {
	var in struct {
		From string `json:"from"`
	}
	if _, _, err := s.decode(c, &in); err != nil {
		return err
	}
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	if _, err := s.Agenda.Read(c.Request().Context(), actor(c), id); err != nil {
		return err
	}
	if !localPath(in.From) {
		in.From = "/"
	}
	return c.Redirect(http.StatusSeeOther, in.From)
}
