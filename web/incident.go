package web

import (
	"html/template"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/incident"
)

func (s *Server) incidentRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/incidents", incident.Read, s.incidentsPage)
	s.route(g, http.MethodGet, "/incidents/:id", incident.Read, s.incidentPage)
	s.route(g, http.MethodPost, "/incidents/:id/answers", incident.Respond, s.answerIncident)
}

func incidentPath(id domain.ID) string { return "/incidents/" + id.String() }

// incidentRow is an incident of a list; the template "incident-rows" shows a list of them.
type incidentRow struct {
	Path, Called, Found, Number, ObjectPath, Loan, LoanPath, Opened string
	Mark                                                            Mark
}

func incidentMark(answered bool) Mark {
	if answered {
		return doneMark("answered")
	}
	return warnMark("open")
}

func (s *Server) incidentRows(lines []incident.Line) []incidentRow {
	rows := make([]incidentRow, len(lines))
	for i, l := range lines {
		rows[i] = incidentRow{Path: incidentPath(l.ID), Called: l.Called, Found: domain.Cut(l.Found, foundShown), Number: l.ObjectNumber, ObjectPath: objectPath(l.ObjectNumber),
			Loan: l.LoanReference, LoanPath: loanPath(l.LoanReference), Opened: plainTitle(l.Stage) + ", " + s.day(l.OpenedAt), Mark: incidentMark(l.AnsweredAt != nil)}
	}
	return rows
}

// foundShown is how many characters of what was found a list shows.
const foundShown = 240

type incidentsPage struct {
	Frame
	States []Link
	State  string
	Rows   []incidentRow
	More   string
}

// incidentsPage serves GET /incidents.
func (s *Server) incidentsPage(c echo.Context) error {
	p := &incidentsPage{State: c.QueryParam("state")}
	if p.State == "" {
		p.State = incident.StateOpen
	}
	f := incident.Filter{State: p.State}
	if p.State == "all" {
		f.State = ""
	}
	all, err := s.Incident.List(c.Request().Context(), actor(c), f, page(c))
	if err != nil {
		return err
	}
	p.Title, p.Here = "Incidents", "/loans"
	p.Rows, p.More = s.incidentRows(all.Items), more(c, all.Next)
	for _, state := range []string{incident.StateOpen, incident.StateAnswered, "all"} {
		p.States = append(p.States, Link{Path: "/incidents?state=" + state, Words: state, Present: state == p.State})
	}
	return s.render(c, http.StatusOK, "incident/incidents", p)
}

// objectIncidents are the incidents of an object, on its sheet.
type objectIncidents struct {
	Rows []incidentRow
	More bool // there are older ones
}

// incidentSection is the incidents of an object on its sheet; one that is open is told at the head.
func (s *Server) incidentSection(c echo.Context, w *collection.Whole) (section, error) {
	if !w.Held.Incidents {
		return section{}, nil
	}
	all, err := s.Incident.List(c.Request().Context(), actor(c), incident.Filter{ObjectID: &w.Object.ID}, domain.PageQuery{Limit: 10})
	if err != nil || len(all.Items) == 0 {
		return section{}, err
	}
	is := section{ID: "incidents", Heading: "Incidents", Template: "incident/_incidents", Data: objectIncidents{Rows: s.incidentRows(all.Items), More: all.Next != ""}}
	for _, l := range all.Items {
		if l.AnsweredAt == nil {
			is.Head = append(is.Head, headLine{Mark: warnMark("incident"), Text: "Found changed on loan " + l.LoanReference + ": " + domain.Cut(l.Found, foundShown), Path: incidentPath(l.ID)})
		}
	}
	return is, nil
}

type incidentPage struct {
	Frame
	Called, Number, ObjectTitle, ObjectPath string
	Loan, LoanPath                          string
	Mark                                    Mark
	Facts                                   []fact
	Found                                   []string // paragraphs
	Sides                                   []compareSide
	Groups                                  []compareGroup // what is new or worse
	Whole                                   string         // path of the whole comparison
	Pairs                                   []template.HTML
	PairsNote                               string
	Answers                                 []incidentAnswer
	Form                                    *Form // nil: not for this person
}

type incidentAnswer struct{ What, Text, By string }

// incidentMeans says what each answer means to whom chooses it.
var incidentMeans = map[incident.Kind]string{
	incident.TreatmentProposed: "a treatment is proposed",
	incident.Watched:           "it is watched: checked again by a day that you name",
	incident.NoAction:          "no action is needed, with the reason",
	incident.BorrowerTold:      "the borrower was told",
	incident.InsurerTold:       "the insurer was told",
	incident.ClaimMade:         "a claim was made",
}

// incidentData reads an incident with both of its examinations side by side.
func (s *Server) incidentData(c echo.Context) (*incidentPage, *incident.Incident, error) {
	ctx, by := c.Request().Context(), actor(c)
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, nil, err
	}
	i, err := s.Incident.One(ctx, by, id)
	if err != nil {
		return nil, nil, err
	}
	p := &incidentPage{Called: i.Called, Number: i.ObjectNumber, ObjectTitle: i.ObjectTitle, ObjectPath: objectPath(i.ObjectNumber), Loan: i.LoanReference, LoanPath: loanPath(i.LoanReference),
		Mark: incidentMark(i.AnsweredAt != nil), Found: paragraphs(i.Found),
		Facts: []fact{{"Found at", "hand-over, " + plain(i.Stage)}, {"Opened", i.OpenedBy.Name + ", " + s.moment(i.OpenedAt)}},
		Whole: comparePath(i.ObjectNumber) + "?a=" + i.BeforeID.String() + "&b=" + i.ExaminationID.String()}
	p.Title, p.Here, p.Scripts = "Incident: "+i.Called, "/loans", []string{"alignment.js"}
	if i.AnsweredAt != nil {
		p.Facts = append(p.Facts, fact{"Answered", s.moment(*i.AnsweredAt)})
	}
	if err := s.incidentCompared(c, p, i); err != nil {
		return nil, nil, err
	}
	for _, a := range i.Answers {
		p.Answers = append(p.Answers, incidentAnswer{What: plainTitle(string(a.Kind)), Text: a.Text, By: a.By.Name + ", " + s.moment(a.At)})
	}
	if kinds := incident.Offered(by, i.Department); len(kinds) > 0 && by.May(incident.Respond) == nil {
		p.Form = incidentForm(i, kinds).ready(c)
	}
	return p, i, nil
}

func incidentForm(i *incident.Incident, kinds []incident.Kind) *Form {
	chosen := make([]Option, len(kinds))
	settles := false
	for k, kind := range kinds {
		chosen[k] = Option{Value: string(kind), Label: plainTitle(incidentMeans[kind])}
		settles = settles || kind.Settles()
	}
	help := "It waits for a conservator, who says what becomes of the object. What you say here stands beside it and leaves it open."
	switch {
	case i.AnsweredAt != nil:
		help = "It is answered. A further answer stands beside those given."
	case settles:
		help = "It is open until you say what becomes of the object: a treatment, a watch, or no action. An answer is never changed; give a further one."
	}
	return &Form{Action: incidentPath(i.ID) + "/answers", Version: i.Version, Help: help, Submit: "Answer", Fields: []Field{
		{Kind: "radio", Name: "kind", Label: "Answer", Required: true, Options: chosen},
		{Kind: "textarea", Name: "text", Label: "What is done, or why nothing is", Required: true, Rows: 3, Max: 8000}}}
}

// incidentCompared shows the two examinations side by side: of the comparison what is new or worse.
func (s *Server) incidentCompared(c echo.Context, p *incidentPage, i *incident.Incident) error {
	ctx, by := c.Request().Context(), actor(c)
	before, after, err := s.Examination.Pair(ctx, by, i.ObjectID, &i.BeforeID, &i.ExaminationID)
	if err != nil {
		return err
	}
	compared, err := s.Examination.CompareThese(ctx, by, before, after)
	if err != nil {
		return err
	}
	compared.Changes = slices.DeleteFunc(compared.Changes, func(x examination.Change) bool {
		return x.Outcome != examination.Worse && x.Outcome != examination.Appeared
	})
	var both comparePage
	both.show(compared)
	if err := s.comparePhotos(c, &both, before, after); err != nil {
		return err
	}
	p.Sides, p.Groups, p.Pairs, p.PairsNote = both.Sides, both.Groups, both.Pairs, both.PairsNote
	return nil
}

// incidentPage serves GET /incidents/{id}.
func (s *Server) incidentPage(c echo.Context) error {
	p, _, err := s.incidentData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "incident/incident", p)
}

// answerIncident serves POST /incidents/{id}/answers.
func (s *Server) answerIncident(c echo.Context) error {
	p, i, err := s.incidentData(c)
	if err != nil {
		return err
	}
	var n incident.NewAnswer
	version, typed, err := s.decode(c, &n)
	if err == nil {
		i, err = s.Incident.Answer(c.Request().Context(), actor(c), i.ID, version, n)
	}
	switch {
	case err == nil && i.AnsweredAt == nil:
		return s.done(c, "Your answer is on record. The incident waits for a conservator.", incidentPath(i.ID))
	case err == nil:
		return s.done(c, "Your answer is on record.", incidentPath(i.ID))
	case p.Form == nil:
		return err
	}
	return s.answer(c, p.Form, typed, err, "incident/incident", p)
}
