package web

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/investigation"
)

func (s *Server) investigationRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/investigations", investigation.Read, s.investigationsPage)
	s.route(g, http.MethodGet, "/objects/:number/ask", investigation.Ask, s.askPage)
	s.route(g, http.MethodPost, "/objects/:number/ask", investigation.Ask, s.askQuestion)
	s.route(g, http.MethodGet, "/investigations/:id", investigation.Read, s.investigationPage)
	s.route(g, http.MethodPost, "/investigations/:id/consents/:n/decision", investigation.Grant, s.decideConsent)
	s.route(g, http.MethodPost, "/investigations/:id/samples/:sample/remainders", investigation.Find, s.sayRemainder)
	s.route(g, http.MethodPost, "/investigations/:id/end", investigation.PlanIt, s.endInvestigation)
	for _, step := range investigationSteps {
		s.route(g, http.MethodGet, "/investigations/:id/"+step.path, step.act, s.investigationStepPage(step))
		s.route(g, http.MethodPost, "/investigations/:id/"+step.path, step.act, s.investigationStep(step))
	}
}

func investigationPath(id domain.ID) string { return "/investigations/" + id.String() }

// investigationMark shows where a question stands.
func investigationMark(state investigation.State, waiting bool) Mark {
	switch {
	case state.Open() && waiting:
		return waitMark("waits for consent")
	case state == investigation.Asked:
		return draftMark("open")
	case state == investigation.Planned:
		return waitMark("planned")
	case state == investigation.Done:
		return doneMark("answered")
	}
	return draftMark("given up")
}

type questionRow struct {
	Path, Question, Number, ObjectPath, On, Asked, How string
	Mark                                               Mark
}

func (s *Server) questionRows(lines []investigation.Line) []questionRow {
	rows := make([]questionRow, len(lines))
	for i, l := range lines {
		rows[i] = questionRow{Path: investigationPath(l.ID), Question: l.Question, Number: l.ObjectNumber, ObjectPath: objectPath(l.ObjectNumber), On: l.Component,
			Asked: s.day(l.AskedAt) + ", " + l.AskedBy.Name, How: techniqueWords(l.Techniques), Mark: investigationMark(l.State, l.Waiting)}
		if l.PlannedFor != "" && l.State.Open() {
			rows[i].How += ", " + dayWords(l.PlannedFor)
		}
	}
	return rows
}

func techniqueWords(keys []string) string {
	names := make([]string, len(keys))
	for i, k := range keys {
		names[i] = investigation.TechniqueName(k)
	}
	return strings.Join(names, ", ")
}

type investigationsPage struct {
	Frame
	Words   string
	Kept    []Field
	States  []Link
	Waiting Link
	Rows    []questionRow
	More    string
}

// investigationsPage serves GET /investigations: open questions across the collection.
func (s *Server) investigationsPage(c echo.Context) error {
	f := investigation.Filter{Words: strings.TrimSpace(c.QueryParam("q")), State: c.QueryParam("state"), Department: c.QueryParam("department"), Technique: c.QueryParam("technique"),
		Waiting: c.QueryParam("consent_waiting") == "true"}
	if f.State == "" {
		f.State = "open"
	}
	asked := f
	if f.State == "all" {
		asked.State = ""
	}
	all, err := s.Investigation.List(c.Request().Context(), actor(c), asked, page(c))
	if err != nil {
		return err
	}
	p := &investigationsPage{Words: f.Words, Rows: s.questionRows(all.Items), More: more(c, all.Next), Waiting: filterLink(c, "waiting for consent", "consent_waiting", "true", f.Waiting)}
	p.Title, p.Here = "Open questions", "/investigations"
	for _, name := range []string{"state", "department", "technique", "consent_waiting"} {
		if v := c.QueryParam(name); v != "" {
			p.Kept = append(p.Kept, Field{Kind: "hidden", Name: name, Value: v})
		}
	}
	for _, l := range [][2]string{{"open", "open"}, {"done", "answered"}, {"given_up", "given up"}, {"all", "all"}} {
		p.States = append(p.States, filterLink(c, l[1], "state", l[0], l[0] == f.State))
	}
	return s.render(c, http.StatusOK, "investigation/investigations", p)
}

type objectQuestions struct {
	Rows    []questionRow
	More    bool   // there are older ones
	AskPath string // empty: who may not
}

// investigationSection is the questions about an object.
func (s *Server) investigationSection(c echo.Context, w *collection.Whole) (section, error) {
	var all domain.Page[investigation.Line]
	var err error
	if w.Held.Investigations {
		if all, err = s.Investigation.List(c.Request().Context(), actor(c), investigation.Filter{ObjectID: &w.Object.ID}, domain.PageQuery{Limit: 10}); err != nil {
			return section{}, err
		}
	}
	d := objectQuestions{Rows: s.questionRows(all.Items)}
	if actor(c).May(investigation.Ask) == nil {
		d.AskPath = objectPath(w.Object.Number) + "/ask"
	}
	if len(d.Rows) == 0 && d.AskPath == "" {
		return section{}, nil
	}
	d.More = all.Next != ""
	return section{ID: "questions", Heading: "Open questions", Template: "investigation/_questions", Data: d}, nil
}

// investigationFormPage is a page with one form about a question.
type investigationFormPage struct {
	Frame
	Heading    string
	Back       Link
	Lead       []string
	Techniques []techniqueRow
	Form       *Form
}

type techniqueRow struct {
	Name, Effect, Record, Caution string
	Mark                          Mark
}

func techniqueRows() ([]techniqueRow, error) {
	all, err := investigation.Techniques()
	if err != nil {
		return nil, err
	}
	rows := make([]techniqueRow, len(all))
	for i, t := range all {
		rows[i] = techniqueRow{Name: t.Name, Effect: investigation.EffectWords[t.Effect], Record: t.Record, Caution: t.Caution, Mark: doneMark(investigation.EffectWords[t.Effect])}
		if t.NeedsConsent() {
			rows[i].Mark = warnMark(investigation.EffectWords[t.Effect] + ": needs consent")
		}
	}
	return rows, nil
}

func (s *Server) askForm(c echo.Context) (*investigationFormPage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	p := &investigationFormPage{Heading: "Ask a question", Back: Link{Path: objectPath(w.Object.Number), Words: w.Object.Number + " " + w.Object.Title}}
	p.Title, p.Here = p.Heading+" about "+w.Object.Number, "/investigations"
	p.Form = (&Form{Action: objectPath(w.Object.Number) + "/ask", Submit: "Ask it", Fields: []Field{
		{Kind: "select", Name: "component_id", Label: "About", Options: withNone("the whole object", true, partOptions(&w.Sheet, c.QueryParam("part")))},
		{Kind: "textarea", Name: "question", Label: "Question", Help: "Such as: of what is the cover coat? It stays as it is asked.", Required: true, Max: 1000, Rows: 2},
		{Kind: "textarea", Name: "why", Label: "What hangs on the answer", Max: 2000, Rows: 2}}}).ready(c)
	return p, w, nil
}

// askPage serves GET /objects/{number}/ask.
func (s *Server) askPage(c echo.Context) error {
	p, _, err := s.askForm(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "investigation/form", p)
}

// askQuestion serves POST /objects/{number}/ask.
func (s *Server) askQuestion(c echo.Context) error {
	p, w, err := s.askForm(c)
	if err != nil {
		return err
	}
	var n investigation.NewQuestion
	_, typed, err := s.decode(c, &n)
	var i *investigation.Investigation
	if err == nil {
		i, err = s.Investigation.Ask(c.Request().Context(), actor(c), w.Object.ID, n)
	}
	if err == nil {
		return s.done(c, "The question is asked.", investigationPath(i.ID))
	}
	return s.answer(c, p.Form, typed, err, "investigation/form", p)
}

type consentRow struct {
	ID, Technique, Reason, Analyst, Returns, Asked string
	Mark                                           Mark
	Sites                                          []string
	Decision                                       string
	Form                                           *Form
}

type sampleRow struct {
	ID, Called, Of, Technique, Site, Size, Taken, Explanation string
	Mark                                                      Mark
	Left                                                      []string // the latest first
	Form                                                      *Form
}

type foundRow struct {
	Technique, On, Found, Proves, Limits, How, Done, Sample, Explanation string
	Identified                                                           Link
	Photos                                                               []Link
	Files                                                                []string
	Mark                                                                 Mark
}

type investigationPageData struct {
	Frame
	Heading, Number, ObjectPath, ObjectTitle string
	Mark                                     Mark
	Facts                                    []fact
	Plan                                     []fact
	Consents                                 []consentRow
	Samples                                  []sampleRow
	Findings                                 []foundRow
	Answer                                   []fact
	Steps                                    []Link
	EndForm                                  *Form
	Places                                   []Option // by their codes, for the forms of remainders
}

// called are the names of components of an object by their IDs.
func called(sheet *collection.Sheet, ids []domain.ID) string {
	var names []string
	for _, id := range ids {
		if c := sheet.Component(id); c != nil {
			names = append(names, "."+c.Label+" "+c.Name)
		}
	}
	return strings.Join(names, ", ")
}

func (s *Server) investigationOf(c echo.Context) (*investigation.Investigation, *collection.Sheet, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, nil, err
	}
	i, err := s.Investigation.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return nil, nil, err
	}
	sheet, err := s.Collection.Of(c.Request().Context(), actor(c), collection.Part{Of: collection.ByObject, ID: i.ObjectID})
	return i, sheet, err
}

func (s *Server) investigationData(c echo.Context) (*investigationPageData, *investigation.Investigation, error) {
	i, sheet, err := s.investigationOf(c)
	if err != nil {
		return nil, nil, err
	}
	a := actor(c)
	p := &investigationPageData{Heading: i.Question, Number: i.ObjectNumber, ObjectPath: objectPath(i.ObjectNumber), ObjectTitle: i.ObjectTitle}
	p.Title, p.Here = "Question "+strconv.Itoa(i.Number)+" on "+i.ObjectNumber, "/investigations"
	for k := range i.Consents {
		p.Consents = append(p.Consents, s.consentRow(c, i, &i.Consents[k], sheet))
	}
	p.Mark = investigationMark(i.State, i.Waiting())
	on := "the whole object"
	if i.Component != "" {
		on = i.Component
	}
	p.Facts = kept(fact{"About", on}, fact{"What hangs on it", i.Why}, fact{"Asked", i.AskedBy.Name + ", " + s.moment(i.AskedAt)})
	if i.Plan != nil {
		parts := called(sheet, i.Plan.ComponentIDs)
		if parts == "" {
			parts = "the whole object"
		}
		p.Plan = kept(fact{"By", techniqueWords(i.Plan.Techniques)}, fact{"On", parts}, fact{"Who", i.Plan.Who}, fact{"Planned for", dayWords(i.Plan.PlannedFor)}, fact{"Note", i.Plan.Note})
	}
	for k := range i.Samples {
		p.Samples = append(p.Samples, s.sampleRow(c, i, &i.Samples[k]))
	}
	if len(p.Samples) > 0 && a.May(investigation.Find) == nil {
		if p.Places, err = s.placeCodes(c); err != nil {
			return nil, nil, err
		}
	}
	for k := range i.Findings {
		p.Findings = append(p.Findings, foundRowOf(i, &i.Findings[k]))
	}
	if i.End != nil {
		p.Answer = []fact{{map[bool]string{true: "Answer", false: "Given up"}[i.State == investigation.Done], i.End.Text}, {"By", i.End.By.Name + ", " + s.moment(i.End.At)}}
		return p, i, nil
	}
	for _, step := range investigationSteps {
		if a.May(step.act) == nil {
			p.Steps = append(p.Steps, Link{Path: investigationPath(i.ID) + "/" + step.path, Words: step.words})
		}
	}
	if a.May(investigation.PlanIt) == nil {
		outcomes := []Option{{Value: string(investigation.Done), Label: "Answered", Chosen: len(i.Findings) > 0}, {Value: string(investigation.GivenUp), Label: "Given up", Chosen: len(i.Findings) == 0}}
		p.EndForm = (&Form{Part: "end", Action: investigationPath(i.ID) + "/end", Version: i.Version, Submit: "End the question", Fields: []Field{
			{Kind: "radio", Name: "outcome", Label: "How it ends", Required: true, Options: outcomes},
			{Kind: "textarea", Name: "text", Label: "The answer, or why it is given up", Required: true, Max: 4000, Rows: 3}}}).ready(c)
	}
	return p, i, nil
}

// kept are the facts that say anything.
func kept(all ...fact) []fact {
	var some []fact
	for _, f := range all {
		if strings.TrimSpace(f.Text) != "" {
			some = append(some, f)
		}
	}
	return some
}

func (s *Server) consentRow(c echo.Context, i *investigation.Investigation, x *investigation.Consent, sheet *collection.Sheet) consentRow {
	r := consentRow{ID: "consent-" + strconv.Itoa(x.Number), Technique: investigation.TechniqueName(x.Technique), Reason: x.Reason, Analyst: x.Analyst, Returns: x.Returns,
		Asked: x.AskedBy.Name + ", " + s.moment(x.AskedAt), Mark: waitMark("not decided")}
	for _, site := range x.Sites {
		text := strconv.Itoa(site.Count) + " × " + site.Size + ", " + called(sheet, []domain.ID{site.ComponentID}) + ": " + site.Place
		if site.MassMG != nil {
			text += " (" + site.MassMG.String() + " mg)"
		}
		r.Sites = append(r.Sites, text)
	}
	if d := x.Decision; d != nil {
		r.Mark = draftMark("declined")
		if d.Granted {
			r.Mark = doneMark("granted until " + dayWords(d.ValidUntil))
		}
		r.Decision = d.Statement + " (" + d.By.Name + ", " + s.moment(d.At) + ")"
	}
	if i.Decidable(actor(c), x) {
		r.Form = (&Form{Part: r.ID, Action: investigationPath(i.ID) + "/consents/" + strconv.Itoa(x.Number) + "/decision", Version: i.Version, Legend: "Decide on it", Below: true, Submit: "Decide",
			Help: "The consent is for these sites and sizes only. More, elsewhere or larger needs a new one.", Fields: []Field{
				{Kind: "radio", Name: "granted", Label: "Decision", Required: true, Options: []Option{{Value: "true", Label: "I consent"}, {Value: "false", Label: "I decline", Chosen: true}}},
				{Kind: "textarea", Name: "statement", Label: "Statement", Required: true, Max: 4000, Rows: 2},
				{Kind: "date", Name: "valid_until", Label: "Holds until", Help: "Left empty: a year, which is the most."}}}).ready(c)
	}
	return r
}

// remainderFields say what is left of a sample; place are the fields that ask where.
func remainderFields(prefix string, place ...Field) []Field {
	return slices.Concat([]Field{
		{Kind: "select", Name: prefix + "state", Label: "What is left of it", Required: true, Options: options("kept", investigation.RemainderStates...)},
		{Kind: "text", Name: prefix + "amount", Label: "How much", Help: "In words or as mass. Needed of what is kept or away.", Max: 200}}, place, []Field{
		{Kind: "text", Name: prefix + "where", Label: "Within the place, or with whom", Max: 300}})
}

// placeCodeList is the ID of the list of places that the forms of remainders offer.
const placeCodeList = "places"

// placedRemainder and placedSample are what their forms send: the place by its code, or chosen.
type placedRemainder struct {
	investigation.NewRemainder
	Code string `json:"place_code"`
}

type placedSample struct {
	investigation.NewSample
	Code string `json:"place_code"`
}

const (
	placeCodeLabel = "In the place with the code"
	placeCodeHelp  = "As it stands on the label."
)

func (s *Server) sampleRow(c echo.Context, i *investigation.Investigation, x *investigation.Sample) sampleRow {
	r := sampleRow{ID: "sample-" + strconv.Itoa(x.Number), Called: x.Called, Of: x.Component, Technique: investigation.TechniqueName(x.Technique), Site: x.Site, Size: x.Size,
		Taken: dayWords(x.TakenOn) + ", " + x.TakenBy, Explanation: x.Explanation, Mark: doneMark("with consent")}
	if x.ConsentID == nil {
		r.Mark = warnMark("taken without consent")
	}
	if x.MassMG != nil {
		r.Size += ", " + x.MassMG.String() + " mg"
	}
	for k := len(x.Remainders) - 1; k >= 0; k-- {
		l := x.Remainders[k]
		text := plain(l.State)
		for _, more := range []string{l.Amount, l.Place, l.Where} {
			if more != "" {
				text += ", " + more
			}
		}
		r.Left = append(r.Left, text+" ("+l.By.Name+", "+s.day(l.At)+")")
	}
	if actor(c).May(investigation.Find) == nil {
		r.Form = (&Form{Part: r.ID, Action: investigationPath(i.ID) + "/samples/" + x.ID.String() + "/remainders", Version: i.Version, Submit: "Say what is left", Fields: remainderFields("",
			Field{Kind: "text", Name: "place_code", Label: placeCodeLabel, Help: placeCodeHelp, List: placeCodeList, Max: 60})}).ready(c)
	}
	return r
}

func foundRowOf(i *investigation.Investigation, f *investigation.Finding) foundRow {
	r := foundRow{Technique: investigation.TechniqueName(f.Technique), On: f.Component, Found: f.Found, Proves: f.Proves, Limits: f.Limits, How: sentences(f.Instrument, f.Settings),
		Done: dayWords(f.DoneOn) + ", " + f.DoneBy, Explanation: f.Explanation}
	if f.Explanation != "" && f.ConsentID == nil {
		r.Mark = warnMark("done without consent")
	}
	for _, x := range i.Samples {
		if f.SampleID != nil && x.ID == *f.SampleID {
			r.Sample = x.Called
		}
	}
	if label, _, ok := strings.Cut(strings.TrimPrefix(f.Component, "."), " "); ok && f.IdentificationID != nil {
		r.Identified = Link{Path: componentPath(i.ObjectNumber, label), Words: f.Identified}
	}
	for k, id := range f.PhotoIDs {
		r.Photos = append(r.Photos, Link{Path: "/photos/" + id.String(), Words: "Photograph " + strconv.Itoa(k+1)})
	}
	for _, file := range f.Files {
		r.Files = append(r.Files, file.Name+", SHA-256 "+file.SHA256+prefixed(", ", file.Where))
	}
	return r
}

// investigationPage serves GET /investigations/{id}.
func (s *Server) investigationPage(c echo.Context) error {
	p, _, err := s.investigationData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "investigation/investigation", p)
}

// investigationAct reads a form of the question's page, acts, and shows the page again when it is refused.
func (s *Server) investigationAct(c echo.Context, command any, said string, form func(*investigationPageData) *Form, act func(i *investigation.Investigation, version int64) error) error {
	p, i, err := s.investigationData(c)
	if err != nil {
		return err
	}
	version, typed, err := s.decode(c, command)
	if err == nil {
		err = act(i, version)
	}
	if err == nil {
		return s.done(c, said, investigationPath(i.ID))
	}
	f := form(p)
	if f == nil {
		return err
	}
	return s.answer(c, f, typed, err, "investigation/investigation", p)
}

// decideConsent serves POST /investigations/{id}/consents/{n}/decision.
func (s *Server) decideConsent(c echo.Context) error {
	number, err := strconv.Atoi(c.Param("n"))
	if err != nil {
		return domain.NotFound("There is nothing under this address.")
	}
	var n investigation.NewConsentDecision
	form := func(p *investigationPageData) *Form {
		if number < 1 || number > len(p.Consents) {
			return nil
		}
		return p.Consents[number-1].Form
	}
	return s.investigationAct(c, &n, "It is decided.", form, func(i *investigation.Investigation, version int64) error {
		_, err := s.Investigation.Decide(c.Request().Context(), actor(c), i.ID, version, number, n)
		return err
	})
}

// sayRemainder serves POST /investigations/{id}/samples/{sample}/remainders.
func (s *Server) sayRemainder(c echo.Context) error {
	sample, err := domain.ParseID(c.Param("sample"))
	if err != nil {
		return err
	}
	at := -1
	var n placedRemainder
	form := func(p *investigationPageData) *Form {
		if at < 0 {
			return nil
		}
		return p.Samples[at].Form
	}
	return s.investigationAct(c, &n, "What is left is on record.", form, func(i *investigation.Investigation, version int64) error {
		for k := range i.Samples {
			if i.Samples[k].ID == sample {
				at = k
			}
		}
		if at < 0 {
			return domain.NotFound("There is no such sample of this question.")
		}
		named, err := s.placeNamed(c.Request().Context(), actor(c), "/place_code", n.Code)
		if err != nil {
			return err
		}
		n.PlaceID = named
		_, err = s.Investigation.Left(c.Request().Context(), actor(c), sample, version, n.NewRemainder)
		return err
	})
}

// endInvestigation serves POST /investigations/{id}/end.
func (s *Server) endInvestigation(c echo.Context) error {
	var n investigation.NewEnd
	return s.investigationAct(c, &n, "The question has ended.", func(p *investigationPageData) *Form { return p.EndForm }, func(i *investigation.Investigation, version int64) error {
		_, err := s.Investigation.Finish(c.Request().Context(), actor(c), i.ID, version, n)
		return err
	})
}
