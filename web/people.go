package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/people"
)

func (s *Server) peopleRoutes(g *echo.Group) {
	s.factorRoutes(g)
	s.route(g, http.MethodGet, "/sign-in", anybody, s.signInPage)
	s.route(g, http.MethodPost, "/sign-in", anybody, s.signIn)
	s.route(g, http.MethodPost, "/sign-out", anybody, s.signOut)
	s.route(g, http.MethodGet, "/first", anybody, s.firstPage)
	s.route(g, http.MethodPost, "/first", anybody, s.first)
	s.route(g, http.MethodGet, "/account", people.Read, s.account)
	s.route(g, http.MethodPost, "/account/password", people.Own, s.changePassword)
	s.route(g, http.MethodPost, "/account/tokens", people.Own, s.addToken)
	s.route(g, http.MethodPost, "/account/tokens/:id/revocation", people.Own, s.revokeToken)
	s.route(g, http.MethodPost, "/account/sessions/closure", people.Own, s.endOtherSessions)
	s.route(g, http.MethodPost, "/account/sessions/:id/closure", people.Own, s.endSession)
	s.route(g, http.MethodGet, "/people", people.Read, s.peoplePage)
	s.route(g, http.MethodPost, "/people", people.Keep, s.addPerson)
	s.route(g, http.MethodGet, "/people/:id", people.Read, s.personPage)
	s.route(g, http.MethodPost, "/people/:id", people.Keep, s.changePerson)
	s.route(g, http.MethodPost, "/people/:id/closure", people.Keep, s.closePerson)
	s.route(g, http.MethodPost, "/people/:id/password", people.Keep, s.resetPassword)
}

type formPage struct {
	Frame
	Heading string
	Lead    string
	Form    *Form
	Hints   []SignInHint
}

func (s *Server) signInForm(to string) *Form {
	return &Form{Action: "/sign-in?to=" + url.QueryEscape(to), Submit: "Sign in", Fields: []Field{
		{Kind: "text", Name: "sign_in_name", Label: "Sign-in name", Required: true, Max: 80, Fills: "username"},
		{Kind: "password", Name: "password", Label: "Password", Required: true, Fills: "current-password"},
	}}
}

// signInPage serves GET /sign-in. Where nobody exists yet it leads to the first-run page.
func (s *Server) signInPage(c echo.Context) error {
	any, err := s.People.Any(c.Request().Context())
	if err != nil {
		return err
	}
	if !any {
		return c.Redirect(http.StatusSeeOther, "/first")
	}
	p := &formPage{Heading: "Sign in", Form: s.signInForm(c.QueryParam("to")).ready(c), Hints: s.SignIns}
	p.Title = p.Heading
	return s.render(c, http.StatusOK, "people/sign_in", p)
}

func (s *Server) signIn(c echo.Context) error {
	var in people.SignIn
	_, typed, err := s.decode(c, &in)
	to := c.QueryParam("to")
	ctx := c.Request().Context()
	var who *people.Person
	needsCode := false
	if err == nil {
		who, needsCode, err = s.People.SignIn(ctx, in, c.RealIP())
	}
	if err != nil {
		p := &formPage{Heading: "Sign in", Form: s.signInForm(to), Hints: s.SignIns}
		p.Title = p.Heading
		if domain.KindOf(err) == domain.KindUnauthenticated {
			err = domain.Invalid("/sign_in_name", "password", "The name or the password is not right.")
		}
		return s.answer(c, p.Form, typed, err, "people/sign_in", p)
	}
	if needsCode {
		return s.askForCode(c, who.ID, to)
	}
	return s.enter(c, who.ID)
}

// letIn begins a session. The cookie gets a new secret: whoever knew the one before, because they put
// it there, is not let in with the person.
func (s *Server) letIn(c echo.Context, personID domain.ID) error {
	ctx := c.Request().Context()
	if err := s.leave(c); err != nil {
		return err
	}
	if err := s.Sessions.RenewToken(ctx); err != nil {
		return err
	}
	s.Sessions.Remove(ctx, codeForKey)
	s.Sessions.Remove(ctx, codeUntilKey)
	session, err := s.People.Begin(ctx, personID, c.Request().UserAgent())
	if err != nil {
		return err
	}
	s.Sessions.Put(ctx, signInKey, session.ID.String())
	return nil
}

// leave ends the session of this browser, if there is one.
func (s *Server) leave(c echo.Context) error {
	id, err := domain.ParseID(s.Sessions.PopString(c.Request().Context(), signInKey))
	if err != nil {
		return nil
	}
	return s.People.SignOut(c.Request().Context(), id)
}

func (s *Server) signOut(c echo.Context) error {
	if err := s.leave(c); err != nil {
		return err
	}
	if err := s.Sessions.Destroy(c.Request().Context()); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/sign-in")
}

func firstForm() *Form {
	return &Form{Action: "/first", Submit: "Make the first steward", Fields: []Field{
		{Kind: "text", Name: "name", Label: "Your name", Required: true, Max: 200},
		{Kind: "text", Name: "sign_in_name", Label: "Sign-in name", Required: true, Max: 80},
		{Kind: "email", Name: "email", Label: "E-mail", Max: 200},
		{Kind: "password", Name: "password", Label: "Password", Help: people.PasswordAdvice, Required: true, Fills: "new-password"},
	}}
}

// firstPage serves GET /first: the first steward is made where nobody exists yet.
func (s *Server) firstPage(c echo.Context) error {
	any, err := s.People.Any(c.Request().Context())
	if err != nil {
		return err
	}
	if any {
		return c.Redirect(http.StatusSeeOther, "/sign-in")
	}
	p := &formPage{Heading: "The first steward", Lead: "Nobody has an account yet. A steward keeps accounts and settings and has no rights over records.", Form: firstForm().ready(c)}
	p.Title = p.Heading
	return s.render(c, http.StatusOK, "people/first", p)
}

func (s *Server) first(c echo.Context) error {
	var n people.NewPerson
	_, typed, err := s.decode(c, &n)
	n.Roles = []domain.Role{domain.Steward}
	var who *people.Person
	if err == nil {
		who, err = s.People.Add(c.Request().Context(), domain.Actor{}, n)
	}
	if err != nil {
		p := &formPage{Heading: "The first steward", Form: firstForm()}
		p.Title = p.Heading
		return s.answer(c, p.Form, typed, err, "people/first", p)
	}
	if err := s.letIn(c, who.ID); err != nil {
		return err
	}
	return s.done(c, "You are the first steward. Make accounts for the others here.", "/people")
}

type accountPage struct {
	Frame
	Name, SignInName, Roles, Departments string
	Secret                               string // of a token just made, shown once
	Tokens                               []tokenRow
	Sessions                             []sessionRow
	Ends                                 string // when sessions end by themselves
	Others                               bool   // there are other sessions than this
	Factor                               Mark   // whether there is a second factor
	PasswordForm, TokenForm              *Form
}

type tokenRow struct {
	Name, Scopes, Made, Expires, LastUsed string
	Mark                                  Mark
	EndPath                               string // empty when it has ended
}

type sessionRow struct {
	Browser, Begun, LastUsed string
	Mark                     Mark   // of the one that asks
	EndPath                  string // empty for the one that asks: that is signing out
}

func passwordForm() *Form {
	return &Form{Action: "/account/password", Legend: "Change the password", Submit: "Change the password", Fields: []Field{
		{Kind: "password", Name: "present", Label: "Present password", Required: true, Fills: "current-password"},
		{Kind: "password", Name: "password", Label: "New password", Help: people.PasswordAdvice, Required: true, Fills: "new-password"},
	}}
}

func tokenForm() *Form {
	return &Form{Action: "/account/tokens", Legend: "Make a token", Below: true, Submit: "Make the token", Fields: []Field{
		{Kind: "text", Name: "name", Label: "What it is for", Required: true, Max: 120},
		{Kind: "checks", Name: "scopes", Label: "What it may do", Help: "Reading is always allowed. Choose the areas in which it may write.", Required: true, Options: options("read", people.Scopes...)},
		{Kind: "number", Name: "days", Label: "Days until it expires", Value: "90", Required: true},
	}}
}

func (s *Server) accountData(c echo.Context) (*accountPage, error) {
	ctx := c.Request().Context()
	a := actor(c)
	who, err := s.People.One(ctx, a, a.ID)
	if err != nil {
		return nil, err
	}
	tokens, err := s.People.Tokens(ctx, a)
	if err != nil {
		return nil, err
	}
	p := &accountPage{Name: who.Name, SignInName: who.SignInName, Roles: roleWords(who.Roles), Departments: curatorFor(*who),
		PasswordForm: passwordForm().ready(c), TokenForm: tokenForm().ready(c)}
	p.Title = "Account"
	for _, t := range tokens {
		row := tokenRow{Name: t.Name, Scopes: strings.Join(t.Scopes, ", "), Made: s.day(t.CreatedAt), Expires: s.day(t.ExpiresAt), LastUsed: "never"}
		if t.LastUsedAt != nil {
			row.LastUsed = s.day(*t.LastUsedAt)
		}
		switch {
		case t.RevokedAt != nil:
			row.Mark = draftMark("ended")
		case !s.Now().Before(t.ExpiresAt):
			row.Mark = draftMark("expired")
		default:
			row.Mark, row.EndPath = doneMark("in force"), "/account/tokens/"+t.ID.String()+"/revocation"
		}
		p.Tokens = append(p.Tokens, row)
	}
	factor, err := s.People.FactorState(ctx, a)
	if err != nil {
		return nil, err
	}
	if p.Factor = draftMark("off"); factor.On {
		p.Factor = doneMark("on")
	}
	sessions, err := s.People.Sessions(ctx, a)
	if err != nil {
		return nil, err
	}
	limits := s.People.SessionLimits()
	p.Ends = "A session ends by itself after " + lasting(limits.Idle) + " without use, and after " + lasting(limits.Longest) + " in any case."
	for _, n := range sessions {
		row := sessionRow{Browser: n.Browser, Begun: s.moment(n.BegunAt), LastUsed: s.moment(n.LastUsedAt)}
		if n.Present {
			row.Mark = doneMark("this one")
		} else {
			row.EndPath, p.Others = "/account/sessions/"+n.ID.String()+"/closure", true
		}
		p.Sessions = append(p.Sessions, row)
	}
	return p, nil
}

func (s *Server) endSession(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	n, err := s.People.EndSession(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return s.done(c, "The session in "+n.Browser+" has ended.", "/account")
}

func (s *Server) endOtherSessions(c echo.Context) error {
	n, err := s.People.EndOtherSessions(c.Request().Context(), actor(c))
	if err != nil {
		return err
	}
	said := "You are signed in nowhere else."
	if n > 0 {
		said = "You are signed out everywhere else."
	}
	return s.done(c, said, "/account")
}

// account serves GET /account.
func (s *Server) account(c echo.Context) error {
	p, err := s.accountData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "people/account", p)
}

func (s *Server) changePassword(c echo.Context) error {
	var n people.NewPassword
	_, typed, err := s.decode(c, &n)
	if err == nil {
		_, err = s.People.ChangePassword(c.Request().Context(), actor(c), n)
	}
	if err != nil {
		p, fault := s.accountData(c)
		if fault != nil {
			return fault
		}
		return s.answer(c, p.PasswordForm, typed, err, "people/account", p)
	}
	if err := s.Sessions.RenewToken(c.Request().Context()); err != nil {
		return err
	}
	return s.done(c, "The password is changed. You are signed out everywhere else.", "/account")
}

func (s *Server) addToken(c echo.Context) error {
	var n people.NewToken
	_, typed, err := s.decode(c, &n)
	var t people.Token
	if err == nil {
		t, err = s.People.AddToken(c.Request().Context(), actor(c), n)
	}
	p, fault := s.accountData(c)
	if fault != nil {
		return fault
	}
	if err != nil {
		return s.answer(c, p.TokenForm, typed, err, "people/account", p)
	}
	p.Secret = t.Secret
	return s.render(c, http.StatusCreated, "people/account", p)
}

func (s *Server) revokeToken(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	t, err := s.People.RevokeToken(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return s.done(c, "The token '"+t.Name+"' has ended.", "/account")
}

type peoplePage struct {
	Frame
	Rows    []personRow
	More    string
	AddForm *Form // nil: not a steward
}

type personRow struct {
	Path, Name, Roles, Departments string
	Mark                           Mark
}

func personFields(f people.Facts) []Field {
	roles := make([]Option, len(domain.Roles))
	for i, r := range domain.Roles {
		roles[i] = Option{Value: string(r), Label: r.Words()}
		for _, has := range f.Roles {
			roles[i].Chosen = roles[i].Chosen || has == r
		}
	}
	departments := Field{Kind: "group", Label: "Curator for", Help: "Departments whose objects this person decides on as curator."}
	for i := range max(len(f.Departments)+1, 3) {
		d := Field{Kind: "text", Name: fmt.Sprintf("departments.%d", i), Label: fmt.Sprintf("Department %d", i+1), Max: 120}
		if i < len(f.Departments) {
			d.Value = f.Departments[i]
		}
		departments.Fields = append(departments.Fields, d)
	}
	sees := ""
	if f.SeesValues {
		sees = "true"
	}
	return []Field{
		{Kind: "text", Name: "name", Label: "Name", Value: f.Name, Required: true, Max: 200},
		{Kind: "text", Name: "sign_in_name", Label: "Sign-in name", Value: f.SignInName, Required: true, Max: 80},
		{Kind: "email", Name: "email", Label: "E-mail", Value: f.Email, Max: 200},
		{Kind: "checks", Name: "roles", Label: "Roles", Required: true, Options: roles},
		departments,
		{Kind: "checkbox", Name: "sees_values", Label: "Sees values, sensitive places and lenders (P3)", Value: sees},
	}
}

func addPersonForm() *Form {
	return &Form{Action: "/people", Legend: "Make an account", Submit: "Make the account", Fields: append(personFields(people.Facts{}),
		Field{Kind: "password", Name: "password", Label: "First password", Help: people.PasswordAdvice + " Give it to the person in private; they change it on their account page.", Required: true, Fills: "new-password"})}
}

func (s *Server) peopleData(c echo.Context) (*peoplePage, error) {
	all, err := s.People.List(c.Request().Context(), actor(c), c.QueryParam("closed") == "true", page(c))
	if err != nil {
		return nil, err
	}
	p := &peoplePage{More: more(c, all.Next)}
	p.Title, p.Here = "People", "/people"
	for _, who := range all.Items {
		row := personRow{Path: "/people/" + who.ID.String(), Name: who.Name, Departments: curatorFor(who), Roles: roleWords(who.Roles), Mark: doneMark("open")}
		if who.ClosedAt != nil {
			row.Mark = draftMark("closed " + s.day(*who.ClosedAt))
		}
		p.Rows = append(p.Rows, row)
	}
	if actor(c).May(people.Keep) == nil {
		p.AddForm = addPersonForm().ready(c)
	}
	return p, nil
}

// curatorFor are the departments of a curator, "" for anybody else.
func curatorFor(who people.Person) string {
	if !slices.Contains(who.Roles, domain.Curator) {
		return ""
	}
	return strings.Join(who.Departments, ", ")
}

func roleWords(roles []domain.Role) string {
	words := make([]string, len(roles))
	for i, r := range roles {
		words[i] = r.Words()
	}
	return strings.Join(words, ", ")
}

// peoplePage serves GET /people.
func (s *Server) peoplePage(c echo.Context) error {
	p, err := s.peopleData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "people/people", p)
}

func (s *Server) addPerson(c echo.Context) error {
	var n people.NewPerson
	_, typed, err := s.decode(c, &n)
	var who *people.Person
	if err == nil {
		who, err = s.People.Add(c.Request().Context(), actor(c), n)
	}
	if err != nil {
		p, fault := s.peopleData(c)
		if fault != nil {
			return fault
		}
		return s.answer(c, p.AddForm, typed, err, "people/people", p)
	}
	return s.done(c, who.Name+" has an account.", "/people/"+who.ID.String())
}

type personPage struct {
	Frame
	Name, SignInName, Email, Roles, Departments string
	Mark                                        Mark
	SeesValues                                  bool
	ChangeForm, CloseForm, ResetForm            *Form // nil: not a steward, or closed
	FactorForm                                  *Form // nil: not a steward, or there is no second factor
}

func (s *Server) personData(c echo.Context) (*personPage, error) {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	who, err := s.People.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return nil, err
	}
	p := &personPage{Name: who.Name, SignInName: who.SignInName, Email: who.Email, Roles: roleWords(who.Roles),
		Departments: curatorFor(*who), SeesValues: who.SeesValues, Mark: doneMark("open")}
	p.Title, p.Here = who.Name, "/people"
	if who.ClosedAt != nil {
		p.Mark = draftMark("closed " + s.day(*who.ClosedAt))
	}
	if who.ClosedAt == nil && actor(c).May(people.Keep) == nil {
		at := "/people/" + who.ID.String()
		p.ChangeForm = (&Form{Action: at, Legend: "Change", Submit: "Keep the change", Version: who.Version, Fields: personFields(people.Facts{
			Name: who.Name, SignInName: who.SignInName, Email: who.Email, Roles: who.Roles, Departments: who.Departments, SeesValues: who.SeesValues})}).ready(c)
		p.ResetForm = (&Form{Action: at + "/password", Legend: "Give a new password", Submit: "Set the password", Version: who.Version, Fields: []Field{
			{Kind: "password", Name: "password", Label: "New password", Help: people.PasswordAdvice, Required: true, Fills: "new-password"}}}).ready(c)
		p.CloseForm = (&Form{Action: at + "/closure", Legend: "Close the account", Help: "The name stays on everything this person signed. A closed account is not opened again.",
			Submit: "Close the account of " + who.Name, Version: who.Version, Grave: true}).ready(c)
		factor, err := s.People.FactorOf(c.Request().Context(), actor(c), id)
		if err != nil {
			return nil, err
		}
		if factor.On && id != actor(c).ID {
			p.FactorForm = (&Form{Action: at + "/second-factor/removal", Legend: "Remove the second factor", Help: "For somebody who lost it and the recovery codes. Be sure that it is they who ask.",
				Submit: "Remove the second factor", Grave: true}).ready(c)
		}
	}
	return p, nil
}

// personPage serves GET /people/{id}.
func (s *Server) personPage(c echo.Context) error {
	p, err := s.personData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "people/person", p)
}

func (s *Server) changePerson(c echo.Context) error {
	var f people.Facts
	return s.personAct(c, &f, func(p *personPage) *Form { return p.ChangeForm }, func(id domain.ID, version int64) (string, error) {
		who, err := s.People.Change(c.Request().Context(), actor(c), id, version, f)
		if err != nil {
			return "", err
		}
		return "The account of " + who.Name + " is changed.", nil
	})
}

func (s *Server) closePerson(c echo.Context) error {
	return s.personAct(c, &struct{}{}, func(p *personPage) *Form { return p.CloseForm }, func(id domain.ID, version int64) (string, error) {
		who, err := s.People.Close(c.Request().Context(), actor(c), id, version)
		if err != nil {
			return "", err
		}
		return "The account of " + who.Name + " is closed.", nil
	})
}

func (s *Server) resetPassword(c echo.Context) error {
	var n people.GivenPassword
	return s.personAct(c, &n, func(p *personPage) *Form { return p.ResetForm }, func(id domain.ID, version int64) (string, error) {
		_, err := s.People.ResetPassword(c.Request().Context(), actor(c), id, version, n)
		return "The new password is set.", err
	})
}

// personAct reads a form of the person's page, acts, and shows the page again when it is refused.
func (s *Server) personAct(c echo.Context, command any, form func(*personPage) *Form, act func(id domain.ID, version int64) (said string, err error)) error {
	version, typed, err := s.decode(c, command)
	var id domain.ID
	if err == nil {
		id, err = domain.ParseID(c.Param("id"))
	}
	said := ""
	if err == nil {
		said, err = act(id, version)
	}
	if err == nil {
		return s.done(c, said, "/people/"+id.String())
	}
	p, fault := s.personData(c)
	if fault != nil {
		return fault
	}
	f := form(p)
	if f == nil {
		return err
	}
	return s.answer(c, f, typed, err, "people/person", p)
}
