// Package web is the pages door: plain HTML documents rendered on the server, complete without
// JavaScript. One file and one template folder per area. It reads forms, asks the area's service,
// and renders; rules live in domain.
package web

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"path"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/enclosure"
	"farthingale/domain/examination"
	"farthingale/domain/finding"
	"farthingale/domain/handling"
	"farthingale/domain/incident"
	"farthingale/domain/investigation"
	"farthingale/domain/loan"
	"farthingale/domain/material"
	"farthingale/domain/measurement"
	"farthingale/domain/movement"
	"farthingale/domain/people"
	"farthingale/domain/photo"
	"farthingale/domain/record"
	"farthingale/domain/survey"
	"farthingale/domain/treatment"
)

//go:embed all:templates static
var files embed.FS

// Services are the areas that the pages serve.
type Services struct {
	Incident      *incident.Service
	Investigation *investigation.Service
	Survey        *survey.Service

	Site        domain.Site
	People      *people.Service
	Record      *record.Service
	Agenda      *agenda.Service
	Photo       *photo.Service
	Collection  *collection.Service
	Material    *material.Service
	Enclosure   *enclosure.Service
	Finding     *finding.Service
	Measurement *measurement.Service
	Examination *examination.Service
	Handling    *handling.Service
	Movement    *movement.Service
	Loan        *loan.Service
	LoanFaces   LoanFaces
	Treatment   *treatment.Service
	Sessions    *scs.SessionManager
	Now         func() time.Time
	Log         *slog.Logger
	// SignIns are shown on the sign-in page of a demonstration only.
	SignIns []SignInHint
}

// SignInHint is one account of the demonstration.
type SignInHint struct{ Name, Role, SignInName, Password string }

// Server serves the pages.
type Server struct {
	Services
	acts    map[string]domain.Act
	uploads map[string]int64 // routes that take files, with the most bytes of a request; 0: each file has its own bound
	build   string           // changes with every release, so that browsers fetch new static files
}

// The templates, the partials ("collection/_make_up") and the contract lie in the program and never change.
// They are read once, when they are first asked for; a server reads them before it serves (Ready).
var (
	templates  = sync.OnceValues(readTemplates)
	partials   = sync.OnceValues(readPartials)
	documented = sync.OnceValues(describe)
)

// Ready reads what the pages are made from. An error says what is wrong with it.
func Ready() error {
	_, broken := templates()
	_, alone := partials()
	_, unread := documented()
	return errors.Join(broken, alone, unread)
}

// New makes the server.
func New(s Services) *Server {
	return &Server{Services: s, acts: map[string]domain.Act{}, uploads: map[string]int64{}, build: strconv.FormatInt(s.Now().Unix(), 36)}
}

// readTemplates parses each page with the layout and the partials, under "area/page".
func readTemplates() (map[string]*template.Template, error) {
	shared, err := template.ParseFS(files, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("read layout: %w", err)
	}
	names, err := fs.Glob(files, "templates/*/*.html")
	if err != nil {
		return nil, err
	}
	all := map[string]*template.Template{}
	for _, name := range names {
		if strings.HasPrefix(path.Base(name), "_") {
			continue
		}
		own, err := shared.Clone()
		if err != nil {
			return nil, err
		}
		// Files of an area that begin with _ are its partials.
		partials, err := fs.Glob(files, path.Dir(name)+"/_*.html")
		if err != nil {
			return nil, err
		}
		if own, err = own.ParseFS(files, append(partials, name)...); err != nil {
			return nil, fmt.Errorf("read template: %w", err)
		}
		all[strings.TrimSuffix(strings.TrimPrefix(name, "templates/"), ".html")] = own
	}
	return all, nil
}

// readPartials parses each partial of an area with the shared ones, under "area/_name".
func readPartials() (map[string]*template.Template, error) {
	shared, err := template.ParseFS(files, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("read layout: %w", err)
	}
	names, err := fs.Glob(files, "templates/*/_*.html")
	if err != nil {
		return nil, err
	}
	all := map[string]*template.Template{}
	for _, name := range names {
		own, err := shared.Clone()
		if err != nil {
			return nil, err
		}
		if own, err = own.ParseFS(files, name); err != nil {
			return nil, fmt.Errorf("read template: %w", err)
		}
		all[strings.TrimSuffix(strings.TrimPrefix(name, "templates/"), ".html")] = own
	}
	return all, nil
}

// partial renders a partial by itself: "collection/_make_up" is the template "make_up" of that file.
func (s *Server) partial(name string, data any) (template.HTML, error) {
	all, err := partials()
	if err != nil {
		return "", err
	}
	t, ok := all[name]
	if !ok {
		return "", fmt.Errorf("there is no template %s", name)
	}
	var b strings.Builder
	if err := t.ExecuteTemplate(&b, strings.TrimPrefix(path.Base(name), "_"), data); err != nil {
		return "", fmt.Errorf("render %s: %w", name, err)
	}
	return template.HTML(b.String()), nil // #nosec G203 -- made by html/template
}

// Routes adds every page.
func (s *Server) Routes(e *echo.Echo) {
	static, err := fs.Sub(files, "static")
	if err != nil {
		panic(err) // the folder is embedded: it is there
	}
	e.GET("/static/*", echo.WrapHandler(http.StripPrefix("/static/", cached(http.FileServerFS(static)))))
	// Not as middleware of a group, which would answer for the API's unknown addresses too.
	e.Use(shared, pagesOnly(echo.WrapMiddleware(s.Sessions.LoadAndSave)), pagesOnly(s.bounded), pagesOnly(middleware.CSRFWithConfig(middleware.CSRFConfig{ // #nosec G101 -- names of fields, no secrets
		TokenLookup: "header:X-CSRF-Token,query:csrf,form:csrf", CookieName: s.csrfCookie(), CookiePath: "/",
		CookieHTTPOnly: true, CookieSameSite: http.SameSiteLaxMode, CookieSecure: s.Sessions.Cookie.Secure,
		Skipper: IsIIIF, // which has no forms
	})), pagesOnly(s.who))
	g := e.Group("")
	s.peopleRoutes(g)
	s.recordRoutes(g)
	s.treatmentRoutes(g)
	s.agendaRoutes(g)
	s.collectionRoutes(g)
	s.materialRoutes(g)
	s.findingRoutes(g)
	s.photoRoutes(g)
	s.markRoutes(g)
	s.iiifRoutes(g)
	s.handlingRoutes(g)
	s.movementRoutes(g)
	s.loanRoutes(g)
	s.enclosureRoutes(g)
	s.measurementRoutes(g)
	s.investigationRoutes(g)
	s.incidentRoutes(g)
	s.surveyRoutes(g)
	s.examinationRoutes(g)
	s.problemRoutes(g)
	s.contractRoutes(g)
}

// csrfCookie is the name of the cookie that a form's token is compared with. Under TLS its prefix
// keeps other hosts of the museum's domain from setting one.
func (s *Server) csrfCookie() string {
	if s.Sessions.Cookie.Secure {
		return "__Host-farthingale_csrf"
	}
	return "farthingale_csrf"
}

// formMost is the most bytes of a form without files.
const formMost = 4 << 20

// bounded bounds what is read of a request before anybody looks at it. Only whoever is signed in may
// send more, and only where files are taken.
func (s *Server) bounded(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		most, files := s.uploads[c.Path()]
		if !files || s.Sessions.GetString(r.Context(), signInKey) == "" {
			most = formMost
		}
		if most > 0 {
			r.Body = http.MaxBytesReader(c.Response(), r.Body, most)
		}
		return next(c)
	}
}

// pagesOnly leaves out what needs no session: the API, static files, and the signs of life.
func pagesOnly(middleware echo.MiddlewareFunc) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		page := middleware(next)
		return func(c echo.Context) error {
			for _, other := range []string{"/api/v", "/static/", "/healthz", "/readyz"} {
				if strings.HasPrefix(c.Request().URL.Path, other) {
					return next(c)
				}
			}
			return page(c)
		}
	}
}

func cached(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "" || strings.HasSuffix(r.URL.Path, "/") { // folders are not listed
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Cache-Control", "public, max-age=86400")
		next.ServeHTTP(w, r)
	})
}

// Acts tells for every route which act it needs; a test holds the list of routes against it.
func (s *Server) Acts() map[string]domain.Act { return s.acts }

// anybody is the act of pages that need no sign-in.
var anybody = domain.Act{Area: "people", Name: "look at the door"}

// route adds a page that needs an act. Whoever is not signed in is sent to sign in first.
func (s *Server) route(g *echo.Group, method, path string, act domain.Act, h echo.HandlerFunc) {
	s.acts[method+" "+path] = act
	checked := func(c echo.Context) error {
		if act.Name != anybody.Name {
			if actor(c).ID == (domain.ID{}) && method == http.MethodGet {
				return c.Redirect(http.StatusSeeOther, "/sign-in?to="+template.URLQueryEscaper(c.Request().URL.RequestURI()))
			}
			if err := actor(c).May(act); err != nil {
				if enrolFirst(c, err) {
					return c.Redirect(http.StatusSeeOther, factorPath)
				}
				return err
			}
		}
		if _, files := s.uploads[path]; method == http.MethodPost && !files {
			if err := readForm(c); err != nil {
				return err
			}
		}
		return h(c)
	}
	g.Add(method, path, checked)
	if method == http.MethodGet {
		g.HEAD(path, checked)
	}
}

const (
	actorKey   = "actor"
	sessionKey = "session" // set once the session was read
	signInKey  = "sign_in" // names the people.Session
	flashKey   = "flash"
	csrfKey    = "csrf" // where echo's middleware leaves the token
	versionKey = "version"
	moreKey    = "more" // a button that asks for more rows
)

func actor(c echo.Context) domain.Actor {
	a, _ := c.Get(actorKey).(domain.Actor)
	return a
}

// who reads the session's person anew for each request, so that an ended session, a closed account or
// a changed role counts at once.
func (s *Server) who(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		ctx := c.Request().Context()
		c.Set(sessionKey, true)
		id, err := domain.ParseID(s.Sessions.GetString(ctx, signInKey))
		if err != nil {
			return next(c)
		}
		a, err := s.People.Present(ctx, id)
		switch domain.KindOf(err) {
		case domain.KindNotFound, domain.KindUnauthenticated:
			if err := s.Sessions.Destroy(ctx); err != nil {
				return err
			}
			return next(c)
		}
		if err != nil {
			return err
		}
		c.Set(actorKey, a)
		return next(c)
	}
}

// Frame is what every page shows around its content. Page structs embed it.
type Frame struct {
	Title  string
	Here   string // path of the menu entry that this page belongs to
	Site   domain.Site
	Zone   string
	Person *domain.Actor // nil: nobody is signed in
	Roles  string
	CSRF   string
	Flash  string // what the act before did
	Menu   []Link
	Build  string

	Scripts []string // modules of static/ that help hands and eyes on this page, which works without them
}

// Link is a link with its words.
type Link struct {
	Path    string
	Words   string
	Present bool // the page that is shown
}

// Mark is a state as word and shape; colour only adds to them. Make it with the functions below.
type Mark struct{ Tone, Shape, Word string }

func stopMark(word string) Mark  { return Mark{"stop", "■", word} }  // a stop or a refusal
func warnMark(word string) Mark  { return Mark{"warn", "▲", word} }  // needs somebody's attention
func waitMark(word string) Mark  { return Mark{"wait", "◐", word} }  // in somebody's hands
func doneMark(word string) Mark  { return Mark{"done", "●", word} }  // settled
func draftMark(word string) Mark { return Mark{"draft", "○", word} } // not yet begun, or set aside

func (f *Frame) frame() *Frame { return f }

type framed interface{ frame() *Frame }

// menu is where a person goes from anywhere: those of these pages that there are and that the person
// may see. here is the entry of the page that is shown.
func (s *Server) menu(a domain.Actor, here string) []Link {
	var links []Link
	for _, l := range []Link{
		{Path: "/", Words: "Today"},
		{Path: "/objects", Words: "Objects"},
		{Path: "/findings", Words: "Findings"},
		{Path: "/investigations", Words: "Questions"},
		{Path: "/surveys", Words: "Surveys"},
		{Path: "/treatments", Words: "Treatments"},
		{Path: "/places", Words: "Places"},
		{Path: "/enclosures", Words: "Enclosures"},
		{Path: "/loans", Words: "Loans"},
		{Path: "/materials", Words: "Materials"},
		{Path: "/people", Words: "People"},
		{Path: "/record", Words: "Record"},
	} {
		if act, served := s.acts[http.MethodGet+" "+l.Path]; served && a.May(act) == nil {
			l.Present = l.Path == here
			links = append(links, l)
		}
	}
	return links
}

// render fills the frame and sends a page. It renders to a buffer first: a fault in a template sends
// an error page, not half a document.
func (s *Server) render(c echo.Context, status int, name string, data framed) error {
	f := data.frame()
	ctx := c.Request().Context()
	f.Site, f.Build, f.Zone = s.Site, s.build, s.Site.Zone.String()
	f.CSRF, _ = c.Get(csrfKey).(string)
	if a := actor(c); a.ID != (domain.ID{}) {
		f.Person, f.Menu = &a, s.menu(a, f.Here)
		words := make([]string, len(a.Roles))
		for i, r := range a.Roles {
			words[i] = r.Words()
		}
		f.Roles = strings.Join(words, ", ")
	}
	if c.Get(sessionKey) != nil {
		f.Flash = s.Sessions.PopString(ctx, flashKey)
	}
	all, err := templates()
	if err != nil {
		return err
	}
	t, ok := all[name]
	if !ok {
		return fmt.Errorf("there is no template %s", name)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, "layout", data); err != nil {
		return fmt.Errorf("render %s: %w", name, err)
	}
	c.Response().Header().Set("Cache-Control", "no-store")
	return c.HTMLBlob(status, b.Bytes())
}

// done says what an act did and shows the page where it can be seen (post, redirect, get).
func (s *Server) done(c echo.Context, said, to string) error {
	s.Sessions.Put(c.Request().Context(), flashKey, said)
	return c.Redirect(http.StatusSeeOther, to)
}

// page reads ?cursor= of a list page.
func page(c echo.Context) domain.PageQuery {
	return domain.PageQuery{Cursor: c.QueryParam("cursor")}
}

// filterLink narrows the list of this page and keeps what else narrows it. The one that is present, and that
// of no value, lead to the list without it.
func filterLink(c echo.Context, words, name, value string, present bool) Link {
	query := c.Request().URL.Query()
	query.Del("cursor")
	if present || value == "" {
		query.Del(name)
	} else {
		query.Set(name, value)
	}
	path := c.Request().URL.Path
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	return Link{Path: path, Words: words, Present: present}
}

// wordLinks are links that narrow by one word of the address each; all, when not empty, is the link that
// takes it away.
func wordLinks(c echo.Context, name, all string, values []Link) []Link {
	var links []Link
	chosen := c.QueryParam(name)
	if all != "" {
		links = append(links, filterLink(c, all, name, "", chosen == ""))
	}
	for _, v := range values {
		l := filterLink(c, v.Words, name, v.Path, all == "" && v.Path == chosen) // a second click takes it away again
		l.Present = v.Path == chosen
		links = append(links, l)
	}
	return links
}

// more is the address of the next page of a list, or "".
func more(c echo.Context, next string) string {
	if next == "" {
		return ""
	}
	q := c.Request().URL.Query() // the context's own are shared by the whole page
	q.Set("cursor", next)
	return c.Request().URL.Path + "?" + q.Encode()
}

// background is a context for what must be written though the request was given up.
func background(c echo.Context) context.Context { return context.WithoutCancel(c.Request().Context()) }
