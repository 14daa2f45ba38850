package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/treatment"
)

func (s *Server) treatmentRoutes(g *echo.Group) {
	t := s.Treatment
	s.route(g, http.MethodGet, "/treatments", treatment.Read, s.treatmentsPage)
	s.route(g, http.MethodGet, "/treatments/:id", treatment.Read, s.treatmentPage)
	s.route(g, http.MethodPost, "/treatments/:id/submissions", treatment.Propose, onTreatment(s, "submit", "The proposal waits for a curator.", bare(t.Submit)))
	s.route(g, http.MethodPost, "/treatments/:id/returns", treatment.Propose, onTreatment(s, "return", "The text is a draft again; its submission is void.", t.TakeBack))
	s.route(g, http.MethodPost, "/treatments/:id/withdrawal", treatment.Propose, onTreatment(s, "withdraw", "The treatment is withdrawn.", t.Withdraw))
	s.route(g, http.MethodPost, "/treatments/:id/hand-overs", treatment.Propose, onTreatment(s, "charge", "The charge is handed over.", t.HandOver))
	s.route(g, http.MethodPost, "/treatments/:id/decisions", treatment.Judge, onTreatment(s, "decide", "The decision is sealed.", numbered(0, t.Decide)))
	s.route(g, http.MethodPost, "/treatments/:id/later-decisions", treatment.Judge, onTreatment(s, "later", "The decision is sealed.", numbered(0, t.Decide)))
	s.route(g, http.MethodPost, "/treatments/:id/acknowledgements", treatment.Propose, onTreatment(s, "acknowledge", "Noted that the conditions were read.", t.Acknowledge))
	s.route(g, http.MethodPost, "/treatments/:id/fulfilments", treatment.Propose, onTreatment(s, "fulfil", "It is on record how the condition turned out.", t.Fulfil))
	s.route(g, http.MethodPost, "/treatments/:id/completion/end", treatment.Finish, onTreatment(s, "complete", "The treatment is completed. It remains to sign it.", bare(t.Complete)))
	s.route(g, http.MethodPost, "/treatments/:id/signature", treatment.Finish, onTreatment(s, "sign", "Signed and sealed.", t.Sign))
	s.route(g, http.MethodPost, "/treatments/:id/designations", treatment.Judge, onTreatment(s, "designate", "The decision on the fragment is sealed.", t.Designate))
	s.route(g, http.MethodPost, "/treatments/:id/designations/:n/authorisation", treatment.Authorise, s.authoriseDisposal)
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:n/submissions", treatment.Propose, s.onAmendment("submit", "The amendment waits for a curator.", func(n int) actOn[struct{}] {
		return bare(func(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*treatment.Treatment, error) {
			return t.SubmitAmendment(ctx, by, id, version, n)
		})
	}))
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:n/returns", treatment.Propose, onAmendmentOf(s, "return", "The amendment is a draft again.", t.TakeBackAmendment))
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:n/withdrawal", treatment.Propose, onAmendmentOf(s, "withdraw", "The amendment is withdrawn.", t.WithdrawAmendment))
	s.route(g, http.MethodPost, "/treatments/:id/amendments/:n/decisions", treatment.Judge, onAmendmentOf(s, "decide", "The decision is sealed.", t.Decide))
	s.treatmentTextRoutes(g)
	s.treatmentWorkRoutes(g)
	s.treatmentFinishRoutes(g)
	s.emergencyRoutes(g)
}

// actOn is an act of the service on a treatment.
type actOn[C any] func(ctx context.Context, by domain.Actor, id domain.ID, version int64, command C) (*treatment.Treatment, error)

// bare makes an act that needs no command into one of an empty form.
func bare(do func(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*treatment.Treatment, error)) actOn[struct{}] {
	return func(ctx context.Context, by domain.Actor, id domain.ID, version int64, _ struct{}) (*treatment.Treatment, error) {
		return do(ctx, by, id, version)
	}
}

// numbered is an act on a numbered part of a treatment; 0 is the proposal itself.
func numbered[C any](n int, do func(ctx context.Context, by domain.Actor, id domain.ID, version int64, n int, command C) (*treatment.Treatment, error)) actOn[C] {
	return func(ctx context.Context, by domain.Actor, id domain.ID, version int64, command C) (*treatment.Treatment, error) {
		return do(ctx, by, id, version, n, command)
	}
}

// onTreatment serves a form of the treatment's page. part names the form, which comes back with what
// was typed when the act is refused, or when more rows are asked for.
func onTreatment[C any](s *Server, part, said string, do actOn[C]) echo.HandlerFunc {
	return func(c echo.Context) error { return postOn(s, c, part, said, do) }
}

func postOn[C any](s *Server, c echo.Context, part, said string, do actOn[C]) error {
	more, err := moreRows(c)
	if err != nil {
		return err
	}
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	var command C
	version, typed, err := s.decode(c, &command)
	if err == nil && more == "" {
		var t *treatment.Treatment
		if t, err = do(c.Request().Context(), actor(c), id, version, command); err == nil {
			return s.done(c, said, treatmentPath(t.ID))
		}
	}
	p, fault := s.treatmentData(c, map[string]int{part + " " + more: 3}, typed)
	if fault != nil {
		return fault
	}
	f := p.forms[part]
	switch {
	case f == nil:
		return err
	case more != "":
		f.again(c, typed)
		return s.render(c, http.StatusOK, "treatment/treatment", p)
	}
	return s.answer(c, f, typed, err, "treatment/treatment", p)
}

// onAmendment serves a form about an amendment on the treatment's page.
func (s *Server) onAmendment(part, said string, act func(n int) actOn[struct{}]) echo.HandlerFunc {
	return func(c echo.Context) error {
		n, err := partNumber(c)
		if err != nil {
			return err
		}
		return postOn(s, c, amendmentPart(part, n), said, act(n))
	}
}

func onAmendmentOf[C any](s *Server, part, said string, do func(ctx context.Context, by domain.Actor, id domain.ID, version int64, n int, command C) (*treatment.Treatment, error)) echo.HandlerFunc {
	return func(c echo.Context) error {
		n, err := partNumber(c)
		if err != nil {
			return err
		}
		return postOn(s, c, amendmentPart(part, n), said, numbered(n, do))
	}
}

func (s *Server) authoriseDisposal(c echo.Context) error {
	n, err := partNumber(c)
	if err != nil {
		return err
	}
	return postOn(s, c, amendmentPart("authorise", n), "The disposal is authorised, and sealed.", numbered(n, s.Treatment.AuthoriseDisposal))
}

func treatmentPath(id domain.ID) string { return "/treatments/" + id.String() }

// treatmentMark is where a treatment stands, as word and shape.
func treatmentMark(state treatment.State, standing string) Mark {
	switch {
	case strings.HasSuffix(standing, "suspended"), strings.HasSuffix(standing, "revoked"), state == treatment.Declined:
		return stopMark(standing)
	case strings.HasPrefix(standing, "lapsed"), state == treatment.Withdrawn, state == treatment.Lapsed, state == treatment.Drafting:
		return draftMark(standing)
	case state == treatment.Signed:
		return doneMark(standing)
	case strings.Contains(standing, "with conditions"):
		return warnMark(standing)
	}
	return waitMark(standing)
}

type treatmentsPage struct {
	Frame
	Rows        []treatmentRow
	More        string
	States      []Link
	Moves       []Link
	Emergencies []emergencyRow
}

type treatmentRow struct {
	Path, Called, Title, InCharge, Moves, Changed string
	Mark                                          Mark
}

type emergencyRow struct {
	Path, Called, Imminent, When string
	Mark                         Mark
}

// treatmentsPage serves GET /treatments: the last changed first, narrowed by links.
func (s *Server) treatmentsPage(c echo.Context) error {
	ctx, a := c.Request().Context(), actor(c)
	f := treatment.Filter{State: treatment.State(c.QueryParam("state")), Department: c.QueryParam("department"), Move: treatment.Mover(c.QueryParam("move"))}
	if c.QueryParam("mine") == "true" {
		f.InCharge = &a.ID
	}
	if number := c.QueryParam("object"); number != "" {
		w, err := s.Collection.ShowNumber(ctx, a, number)
		if err != nil {
			return err
		}
		f.ObjectID = &w.Object.ID
	}
	all, err := s.Treatment.List(ctx, a, f, page(c))
	if err != nil {
		return err
	}
	open, err := s.Treatment.Stabilisations(ctx, a, treatment.StabilisationFilter{Open: true}, domain.PageQuery{Limit: 20})
	if err != nil {
		return err
	}
	p := &treatmentsPage{More: more(c, all.Next), Emergencies: s.emergencyRows(open.Items)}
	p.Title, p.Here = "Treatments", "/treatments"
	for _, l := range all.Items {
		p.Rows = append(p.Rows, s.treatmentRow(l))
	}
	p.States = wordLinks(c, "state", "All", stateLinks())
	p.Moves = wordLinks(c, "move", "Anybody's move", []Link{{Path: string(treatment.ByConservator), Words: "The conservator's move"},
		{Path: string(treatment.ByCurator), Words: "A curator's move"}, {Path: string(treatment.BySecond), Words: "A second authorisation"}})
	p.Moves = append(p.Moves, wordLinks(c, "mine", "", []Link{{Path: "true", Words: "In my charge"}})...)
	return s.render(c, http.StatusOK, "treatment/treatments", p)
}

func stateLinks() []Link {
	links := make([]Link, len(treatment.States))
	for i, state := range treatment.States {
		links[i] = Link{Path: string(state), Words: state.Words()}
	}
	return links
}

func (s *Server) treatmentRow(l treatment.Line) treatmentRow {
	row := treatmentRow{Path: treatmentPath(l.ID), Called: l.ObjectNumber + ", treatment " + strconv.Itoa(l.Number), Title: l.Title, InCharge: l.InCharge.Name,
		Changed: s.day(l.ChangedAt), Mark: treatmentMark(l.State, l.Standing)}
	words := map[treatment.Mover]string{treatment.ByConservator: l.InCharge.Name, treatment.ByCurator: "a curator of " + l.Department, treatment.BySecond: "a second authoriser"}
	var movers []string
	for _, m := range l.Movers {
		if w := words[m]; len(movers) == 0 || movers[len(movers)-1] != w {
			movers = append(movers, w)
		}
	}
	row.Moves = strings.Join(movers, "; ")
	return row
}

// treatmentsOfObject is the part of an object's sheet about treatments.
type treatmentsOfObject struct {
	Rows                   []treatmentRow
	Emergencies            []emergencyRow
	AllPath                string // empty: all are shown
	NewPath, EmergencyPath string // empty: not for this person
}

// treatmentSection tells of the object's treatments, the last changed first, and of emergencies that
// nobody has ratified yet.
func (s *Server) treatmentSection(c echo.Context, w *collection.Whole) (section, error) {
	ctx, a, id := c.Request().Context(), actor(c), w.Object.ID
	var all domain.Page[treatment.Line]
	var open domain.Page[treatment.Stabilisation]
	err := domain.Together(ctx, 2, func(i int) (err error) {
		switch {
		case i == 0 && w.Held.Treatments:
			all, err = s.Treatment.List(ctx, a, treatment.Filter{ObjectID: &id}, domain.PageQuery{Limit: 20})
		case i == 1 && w.Held.Emergencies:
			open, err = s.Treatment.Stabilisations(ctx, a, treatment.StabilisationFilter{ObjectID: &id, Open: true}, domain.PageQuery{Limit: 20})
		}
		return err
	})
	if err != nil {
		return section{}, err
	}
	d := &treatmentsOfObject{Emergencies: s.emergencyRows(open.Items)}
	at := objectPath(w.Object.Number)
	if a.May(treatment.Propose) == nil {
		d.NewPath = at + "/treatments/new"
	}
	if a.May(treatment.Rescue) == nil {
		d.EmergencyPath = at + "/emergency"
	}
	if all.Next != "" {
		d.AllPath = "/treatments?object=" + url.QueryEscape(w.Object.Number)
	}
	shown := section{ID: "treatments", Heading: "Treatments", Template: "treatment/_object_treatments", Data: d}
	for _, l := range all.Items {
		row := s.treatmentRow(l)
		d.Rows = append(d.Rows, row)
		if l.State == treatment.UnderWay {
			shown.Head = append(shown.Head, headLine{Mark: row.Mark, Text: "Treatment " + strconv.Itoa(l.Number) + ": " + l.Title, Path: row.Path})
		}
	}
	for _, e := range d.Emergencies {
		shown.Head = append(shown.Head, headLine{Mark: e.Mark, Text: "Emergency stabilisation of " + e.When, Path: e.Path})
	}
	return shown, nil
}
