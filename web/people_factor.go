package web

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/people"
)

func (s *Server) factorRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/sign-in/code", anybody, s.codePage)
	s.route(g, http.MethodPost, "/sign-in/code", anybody, s.signInByCode)
	s.route(g, http.MethodGet, factorPath, people.SeeFactor, s.factorPage)
	s.route(g, http.MethodPost, factorPath, people.Enrol, s.beginFactor)
	s.route(g, http.MethodPost, factorPath+"/confirmation", people.Enrol, s.confirmFactor)
	s.route(g, http.MethodPost, factorPath+"/codes", people.Own, s.newRecoveryCodes)
	s.route(g, http.MethodPost, factorPath+"/removal", people.Own, s.endFactor)
	s.route(g, http.MethodPost, "/people/:id/second-factor/removal", people.Keep, s.removeFactor)
}

const (
	factorPath = "/account/second-factor"
	// codeForKey names the person whose password was right and whose code is still to come, and
	// codeUntilKey until when.
	codeForKey, codeUntilKey = "code_for", "code_until"
	codeWithin               = 10 * time.Minute
)

// askForCode remembers whose password was right and leads to the page that asks for a code.
func (s *Server) askForCode(c echo.Context, personID domain.ID, to string) error {
	ctx := c.Request().Context()
	if err := s.leave(c); err != nil {
		return err
	}
	if err := s.Sessions.RenewToken(ctx); err != nil {
		return err
	}
	s.Sessions.Put(ctx, codeForKey, personID.String())
	s.Sessions.Put(ctx, codeUntilKey, s.Now().Add(codeWithin).Unix())
	return c.Redirect(http.StatusSeeOther, "/sign-in/code?to="+url.QueryEscape(to))
}

func codeField(help string) Field {
	return Field{Kind: "text", Name: "code", Label: "Code", Help: help, Required: true, Max: 60, Fills: "one-time-code"}
}

func (s *Server) codeData(c echo.Context) *formPage {
	p := &formPage{Heading: "Code of your second factor", Form: &Form{Action: "/sign-in/code?to=" + url.QueryEscape(c.QueryParam("to")), Submit: "Sign in", Fields: []Field{
		codeField("The six digits that your second factor shows now, or one of your recovery codes.")}}}
	p.Title = p.Heading
	return p
}

// codePage serves GET /sign-in/code.
func (s *Server) codePage(c echo.Context) error {
	p := s.codeData(c)
	p.Form.ready(c)
	return s.render(c, http.StatusOK, "people/code", p)
}

func (s *Server) signInByCode(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := domain.ParseID(s.Sessions.GetString(ctx, codeForKey))
	if err != nil || s.Now().Unix() > s.Sessions.GetInt64(ctx, codeUntilKey) {
		return s.done(c, "Begin again with your name and your password.", "/sign-in")
	}
	var n people.Code
	_, typed, err := s.decode(c, &n)
	if err == nil {
		err = s.People.CheckCode(ctx, id, n, c.RealIP())
	}
	if err != nil {
		p := s.codeData(c)
		delete(typed, "code")
		return s.answer(c, p.Form, typed, err, "people/code", p)
	}
	return s.enter(c, id)
}

// enter lets somebody in and leads to where they wanted to go.
func (s *Server) enter(c echo.Context, id domain.ID) error {
	if err := s.letIn(c, id); err != nil {
		return err
	}
	to := c.QueryParam("to")
	if !localPath(to) {
		to = "/"
	}
	return c.Redirect(http.StatusSeeOther, to)
}

type factorPage struct {
	Frame
	State    Mark
	Since    string
	Must     bool // the role needs it and it is not there
	MustMark Mark
	Left     string
	Codes    []string // just made, shown once
	Secret   []string // that waits for its first code, in groups
	URI      string
	Drawing  Drawing
	// Each nil where it does not fit the state.
	BeginForm, ConfirmForm, CodesForm, EndForm *Form
}

func proofFields() []Field {
	return []Field{
		{Kind: "password", Name: "password", Label: "Present password", Required: true, Fills: "current-password"},
		codeField("The six digits that your second factor shows now, or a recovery code."),
	}
}

func (s *Server) factorData(c echo.Context) (*factorPage, error) {
	ctx, a := c.Request().Context(), actor(c)
	state, err := s.People.FactorState(ctx, a)
	if err != nil {
		return nil, err
	}
	p := &factorPage{Must: state.Required && !state.On, State: draftMark("off"), MustMark: warnMark("needed")}
	p.Title = "Second factor"
	if state.On {
		p.State, p.Since, p.Left = doneMark("on"), s.day(*state.Since), count(state.RecoveryCodesLeft, "recovery code")
		p.CodesForm = (&Form{Action: factorPath + "/codes", Part: "codes", Legend: "Make new recovery codes", Help: "The old ones are worth nothing then.", Submit: "Make new codes", Fields: proofFields()}).ready(c)
		p.EndForm = (&Form{Action: factorPath + "/removal", Part: "end", Legend: "Turn it off", Submit: "Turn the second factor off", Grave: true, Fields: proofFields()}).ready(c)
		return p, nil
	}
	p.BeginForm = (&Form{Action: factorPath, Legend: "Set it up", Submit: "Make a secret", Fields: []Field{
		{Kind: "password", Name: "password", Label: "Present password", Required: true, Fills: "current-password"}}}).ready(c)
	pending, err := s.People.PendingFactor(ctx, a)
	if domain.KindOf(err) == domain.KindNotFound {
		return p, nil
	}
	if err != nil {
		return nil, err
	}
	if p.Drawing, err = qrDrawing(pending.URI); err != nil {
		return nil, err
	}
	p.Drawing.Told, p.URI = "QR code with the secret", pending.URI
	for rest := pending.Secret; rest != ""; rest = rest[min(4, len(rest)):] {
		p.Secret = append(p.Secret, rest[:min(4, len(rest))])
	}
	p.BeginForm.Legend, p.BeginForm.Submit = "Begin again", "Make another secret"
	p.ConfirmForm = (&Form{Action: factorPath + "/confirmation", Part: "confirm", Legend: "Turn it on", Below: true, Submit: "Turn the second factor on",
		Fields: []Field{codeField("The six digits that the program shows now.")}}).ready(c)
	return p, nil
}

// factorPage serves GET /account/second-factor.
func (s *Server) factorPage(c echo.Context) error {
	p, err := s.factorData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "people/factor", p)
}

// factorAct reads a form of the second factor's page and acts; a refused form comes back.
func (s *Server) factorAct(c echo.Context, command any, form func(*factorPage) *Form, act func() error) (done bool, err error) {
	_, typed, err := s.decode(c, command)
	if err == nil {
		err = act()
	}
	if err == nil {
		return true, nil
	}
	p, fault := s.factorData(c)
	if fault != nil {
		return false, fault
	}
	f := form(p)
	if f == nil {
		return false, err
	}
	delete(typed, "code")
	return false, s.answer(c, f, typed, err, "people/factor", p)
}

func (s *Server) beginFactor(c echo.Context) error {
	var n people.BeginFactor
	done, err := s.factorAct(c, &n, func(p *factorPage) *Form { return p.BeginForm }, func() error {
		_, err := s.People.BeginFactor(c.Request().Context(), actor(c), n)
		return err
	})
	if !done {
		return err
	}
	return s.done(c, "The secret is made. It counts once you have given its first code.", factorPath)
}

// showCodes shows the page with recovery codes just made.
func (s *Server) showCodes(c echo.Context, n people.NewCodes) error {
	a := actor(c)
	a.LacksFactor = false
	c.Set(actorKey, a)
	p, err := s.factorData(c)
	if err != nil {
		return err
	}
	p.Codes = n.RecoveryCodes
	return s.render(c, http.StatusOK, "people/factor", p)
}

func (s *Server) confirmFactor(c echo.Context) error {
	var n people.Code
	var codes people.NewCodes
	done, err := s.factorAct(c, &n, func(p *factorPage) *Form { return p.ConfirmForm }, func() (err error) {
		codes, err = s.People.ConfirmFactor(c.Request().Context(), actor(c), n)
		return err
	})
	if !done {
		return err
	}
	return s.showCodes(c, codes)
}

func (s *Server) newRecoveryCodes(c echo.Context) error {
	var n people.Proof
	var codes people.NewCodes
	done, err := s.factorAct(c, &n, func(p *factorPage) *Form { return p.CodesForm }, func() (err error) {
		codes, err = s.People.NewRecoveryCodes(c.Request().Context(), actor(c), n)
		return err
	})
	if !done {
		return err
	}
	return s.showCodes(c, codes)
}

func (s *Server) endFactor(c echo.Context) error {
	var n people.Proof
	done, err := s.factorAct(c, &n, func(p *factorPage) *Form { return p.EndForm }, func() error {
		return s.People.EndFactor(c.Request().Context(), actor(c), n)
	})
	if !done {
		return err
	}
	return s.done(c, "The second factor is off.", factorPath)
}

func (s *Server) removeFactor(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	if err := s.People.RemoveFactor(c.Request().Context(), actor(c), id); err != nil {
		return err
	}
	return s.done(c, "The second factor is removed. The person signs in with the password alone.", "/people/"+id.String())
}

// enrolFirst leads somebody whose role needs a second factor to the page that sets it up, from any page
// that they ask for.
func enrolFirst(c echo.Context, err error) bool {
	e, ok := err.(*domain.Error)
	return ok && e.Code == domain.NeedsFactor && (c.Request().Method == http.MethodGet || c.Request().Method == http.MethodHead) && !strings.HasPrefix(c.Path(), "/files/")
}
