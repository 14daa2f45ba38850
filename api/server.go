// Package api is the JSON door: one file per area, handlers of five lines, the contract in openapi.
// It decodes strictly, asks the area's service, and encodes; rules live in domain.
package api

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

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

// Prefix is where the API lives.
const Prefix = "/api/v1"

// Once keeps answers to requests with an Idempotency-Key.
type Once interface {
	Once(ctx context.Context, key domain.AnswerKey, act func(ctx context.Context) (domain.Answer, error)) (domain.Answer, error)
}

// Services are the areas that the API serves.
type Services struct {
	People            *people.Service
	Record            *record.Service
	Agenda            *agenda.Service
	Photo             *photo.Service
	Collection        *collection.Service
	Material          *material.Service
	Enclosure         *enclosure.Service
	Finding           *finding.Service
	Measurement       *measurement.Service
	Treatment         *treatment.Service
	Handling          *handling.Service
	Movement          *movement.Service
	Loan              *loan.Service
	Examination       *examination.Service
	ExaminationPapers ExaminationPapers
	LoanPapers        LoanPapers
	Once              Once
	Now               func() time.Time
	Log               *slog.Logger
	Incident          *incident.Service
	Investigation     *investigation.Service
	Survey            *survey.Service

	// RequestsPerMinute bounds each person; 0 means no bound.
	RequestsPerMinute int
}

// Server serves the API.
type Server struct {
	Services
	meter meter
	acts  map[string]domain.Act // method and path of every route
}

// New makes the server.
func New(s Services) *Server {
	return &Server{Services: s, acts: map[string]domain.Act{}}
}

// Routes adds every route of the API under Prefix.
func (s *Server) Routes(e *echo.Echo) {
	e.GET("/api/v1/openapi.json", s.document)
	g := e.Group(Prefix)
	s.peopleRoutes(g)
	s.recordRoutes(g)
	s.treatmentRoutes(g)
	s.agendaRoutes(g)
	s.photoRoutes(g)
	s.markRoutes(g)
	s.collectionRoutes(g)
	s.materialRoutes(g)
	s.findingRoutes(g)
	s.handlingRoutes(g)
	s.movementRoutes(g)
	s.loanRoutes(g)
	s.enclosureRoutes(g)
	s.examinationRoutes(g)
	s.measurementRoutes(g)
	s.investigationRoutes(g)
	s.surveyRoutes(g)
	s.incidentRoutes(g)
}

// Acts tells for every route, as "GET /api/v1/people", which act it needs; a test holds the list of
// routes against it.
func (s *Server) Acts() map[string]domain.Act { return s.acts }

var pathParameter = regexp.MustCompile(`:(\w+)`)

// route adds a route that needs an act. Every POST may carry an Idempotency-Key. The act is checked
// here for an early answer; the service checks it again, so that no door can skip it.
func (s *Server) route(g *echo.Group, method, path string, act domain.Act, h echo.HandlerFunc) {
	s.add(g, method, path, act, h, false, 0)
}

// boundedRoute adds a POST whose body, of whatever kind, has at most so many bytes. It is read whole before
// anything is done by it.
func (s *Server) boundedRoute(g *echo.Group, path string, act domain.Act, most int64, h echo.HandlerFunc) {
	s.add(g, http.MethodPost, path, act, h, false, most)
}

// secretRoute adds a POST whose answer holds secrets, or that must be counted though it is refused: it
// is never kept, so it takes no Idempotency-Key.
func (s *Server) secretRoute(g *echo.Group, path string, act domain.Act, h echo.HandlerFunc) {
	s.add(g, http.MethodPost, path, act, func(c echo.Context) error {
		if c.Request().Header.Get("Idempotency-Key") != "" {
			return &domain.Error{Kind: domain.KindInvalid, Code: "idempotency_secret", Message: "This answer is not kept, because it holds secrets. Send the request without Idempotency-Key."}
		}
		return h(c)
	}, true, 0)
}

func (s *Server) add(g *echo.Group, method, path string, act domain.Act, h echo.HandlerFunc, secret bool, most int64) {
	documented := pathParameter.ReplaceAllString(path, "{$1}")
	s.acts[method+" "+Prefix+documented] = act
	checked := func(c echo.Context) error {
		if err := actor(c).May(act); err != nil {
			return err
		}
		if err := checkQuery(c, method+" "+documented); err != nil {
			return err
		}
		return h(c)
	}
	if method == http.MethodPost && !secret {
		checked = s.idempotent(checked)
	}
	if most > 0 {
		checked = whole(most, checked)
	}
	// Not as middleware of the group, which would answer 404 where 405 is due.
	checked = s.signedIn(checked)
	g.Add(method, path, checked)
	if method == http.MethodGet {
		g.HEAD(path, checked)
	}
}

const actorKey = "actor"

// actor is the person who acts; signedIn has put them there.
func actor(c echo.Context) domain.Actor {
	a, _ := c.Get(actorKey).(domain.Actor)
	return a
}

// signedIn reads the bearer token, and bounds how often its person may ask.
func (s *Server) signedIn(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		secret, ok := strings.CutPrefix(c.Request().Header.Get("Authorization"), "Bearer ")
		if !ok {
			c.Response().Header().Set("WWW-Authenticate", `Bearer realm="farthingale"`)
			return &domain.Error{Kind: domain.KindUnauthenticated, Code: "P1", Message: "Send a personal token: Authorization: Bearer …. Make one on your account page."}
		}
		a, err := s.People.ByToken(c.Request().Context(), strings.TrimSpace(secret))
		if err != nil {
			c.Response().Header().Set("WWW-Authenticate", `Bearer realm="farthingale", error="invalid_token"`)
			return err
		}
		c.Set(actorKey, a)
		if s.RequestsPerMinute > 0 {
			left, reset := s.meter.take(a.ID, s.RequestsPerMinute, s.Now())
			h := c.Response().Header()
			h.Set("RateLimit-Policy", fmt.Sprintf(`"person";q=%d;w=60`, s.RequestsPerMinute))
			h.Set("RateLimit", fmt.Sprintf(`"person";r=%d;t=%d`, max(left, 0), reset))
			if left < 0 {
				return &domain.Error{Kind: domain.KindThrottled, Code: "throttled", Message: "Too many requests in this minute. Wait, then go on.", RetryAfterSeconds: reset}
			}
		}
		return next(c)
	}
}

// send writes v as JSON. It is private to its reader, so nothing on the way keeps it.
func send(c echo.Context, status int, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encode answer: %w", err)
	}
	c.Response().Header().Set("Cache-Control", "no-store")
	return c.JSONBlob(status, b)
}

// zipped marks the tag of an answer that gzip makes another representation (RFC 9110, 8.8.3.3).
const zipped = "-gzip"

// GzipFrom is the size in bytes from which answers are compressed.
const GzipFrom = 1024

// one writes a versioned resource with its strong ETag, or 304 when the reader has this version.
func one(c echo.Context, status int, version int64, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encode answer: %w", err)
	}
	tag := "v" + strconv.FormatInt(version, 10)
	if len(b) >= GzipFrom && strings.Contains(c.Request().Header.Get("Accept-Encoding"), "gzip") {
		tag += zipped
	}
	h := c.Response().Header()
	h.Set("ETag", `"`+tag+`"`)
	h.Set("Cache-Control", "no-store")
	if c.Request().Method == http.MethodGet || c.Request().Method == http.MethodHead {
		for t := range strings.SplitSeq(c.Request().Header.Get("If-None-Match"), ",") {
			if t = strings.TrimPrefix(strings.TrimSpace(t), "W/"); t == `"`+tag+`"` || t == "*" {
				return c.NoContent(http.StatusNotModified)
			}
		}
	}
	return c.JSONBlob(status, b)
}

// created answers 201 with the Location of what was made; path is relative to Prefix.
func created(c echo.Context, path string, version int64, v any) error {
	c.Response().Header().Set("Location", Prefix+path)
	return one(c, http.StatusCreated, version, v)
}

// made answers 201 with the Location of what was made and is never changed; it has no version.
func made(c echo.Context, path string, v any) error {
	c.Response().Header().Set("Location", Prefix+path)
	return send(c, http.StatusCreated, v)
}

// list writes a page with a Link to the next.
func list[T any](c echo.Context, page domain.Page[T]) error {
	linkNext(c, page.Next)
	return send(c, http.StatusOK, page)
}

// linkNext sets the Link to the next page of a list, when there is one.
func linkNext(c echo.Context, next string) {
	if next == "" {
		return
	}
	u := *c.Request().URL
	q := u.Query()
	q.Set("cursor", next)
	u.RawQuery = q.Encode()
	c.Response().Header().Set("Link", "<"+u.RequestURI()+`>; rel="next"`)
}

// idOf reads an ID of the path.
func idOf(c echo.Context, name string) (domain.ID, error) { return domain.ParseID(c.Param(name)) }

// ifMatch reads the version that a write is meant for. Only strong tags match (RFC 9110, 13.1.1).
func ifMatch(c echo.Context) (int64, error) {
	tag := strings.TrimSpace(c.Request().Header.Get("If-Match"))
	if tag == "" {
		return 0, &domain.Error{Kind: domain.KindNoVersion, Code: "no_version", Message: "Say which version you change: send its ETag as If-Match."}
	}
	text, ok := strings.CutPrefix(tag, `"v`)
	text, closed := strings.CutSuffix(text, `"`)
	text = strings.TrimSuffix(text, zipped)
	version, whole := wholeNumber(text)
	if !ok || !closed || !whole || version < 1 {
		return 0, domain.ErrStale
	}
	return int64(version), nil
}

// page reads ?limit= and ?cursor=.
func page(c echo.Context) (domain.PageQuery, error) {
	q := domain.PageQuery{Cursor: c.QueryParam("cursor")}
	if text := c.QueryParam("limit"); text != "" {
		n, whole := wholeNumber(text)
		if !whole || n < 1 || n > domain.PageMost {
			return q, domain.Invalid("/limit", "range", fmt.Sprintf("Ask for 1 to %d rows.", domain.PageMost))
		}
		q.Limit = n
	}
	return q, nil
}

// queryID reads an optional ID of the query.
func queryID(c echo.Context, name string) (*domain.ID, error) {
	text := c.QueryParam(name)
	if text == "" {
		return nil, nil
	}
	id, err := domain.ParseID(text)
	if err != nil {
		return nil, domain.Invalid("/"+name, "uuid", "This is not an identifier.")
	}
	return &id, nil
}

// queryBool reads an optional true or false of the query.
func queryBool(c echo.Context, name string) (bool, error) {
	switch c.QueryParam(name) {
	case "", "false":
		return false, nil
	case "true":
		return true, nil
	}
	return false, domain.Invalid("/"+name, "bool", "Say true or false.")
}

// target reads what a write needs: the ID of the path, the version of If-Match, and the body into
// command unless command is nil.
func target(c echo.Context, command any) (id domain.ID, version int64, err error) {
	if id, err = idOf(c, "id"); err != nil {
		return id, 0, err
	}
	if version, err = ifMatch(c); err != nil {
		return id, 0, err
	}
	if command != nil {
		err = decode(c, command)
	}
	return id, version, err
}
