package api

import (
	"encoding/json"
	"errors"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
)

// statuses is the one table from a kind of refusal to its status.
var statuses = map[domain.Kind]int{
	domain.KindInvalid:         http.StatusUnprocessableEntity,
	domain.KindRefused:         http.StatusUnprocessableEntity,
	domain.KindConflict:        http.StatusConflict,
	domain.KindUnparseable:     http.StatusBadRequest,
	domain.KindUnauthenticated: http.StatusUnauthorized,
	domain.KindForbidden:       http.StatusForbidden,
	domain.KindNotFound:        http.StatusNotFound,
	domain.KindStale:           http.StatusPreconditionFailed,
	domain.KindNoVersion:       http.StatusPreconditionRequired,
	domain.KindTooLarge:        http.StatusRequestEntityTooLarge,
	domain.KindUnsupported:     http.StatusUnsupportedMediaType,
	domain.KindThrottled:       http.StatusTooManyRequests,
	domain.KindUnavailable:     http.StatusServiceUnavailable,
}

// titles never vary for a status of refusal; the detail does.
var titles = map[domain.Kind]string{
	domain.KindInvalid:         "Some of the input cannot be kept",
	domain.KindRefused:         "A rule refuses this",
	domain.KindConflict:        "The present state does not allow this",
	domain.KindUnparseable:     "The request cannot be read",
	domain.KindUnauthenticated: "Nobody is signed in",
	domain.KindForbidden:       "Your role does not allow this",
	domain.KindNotFound:        "There is no such thing",
	domain.KindStale:           "Somebody else changed this",
	domain.KindNoVersion:       "The version is missing",
	domain.KindTooLarge:        "Too large",
	domain.KindUnsupported:     "This kind of content is not accepted",
	domain.KindThrottled:       "Too many tries",
	domain.KindUnavailable:     "Not available at this moment",
}

// Problem is an error as RFC 9457 describes it.
type Problem struct {
	Type    string    `json:"type"`
	Title   string    `json:"title"`
	Status  int       `json:"status"`
	Detail  string    `json:"detail"`
	Code    string    `json:"code"`
	Rule    string    `json:"rule,omitempty"`
	Errors  []Pointed `json:"errors,omitempty"`
	Missing []string  `json:"missing,omitempty"`
	Outside []string  `json:"outside,omitempty"`
	Request string    `json:"request,omitempty"` // number of the request in the log, for a fault
}

// Pointed is one fault of the input; Pointer is a URI fragment ("#/components/0/name").
type Pointed struct {
	Detail  string `json:"detail"`
	Pointer string `json:"pointer"`
	Rule    string `json:"rule"`
}

// HandleError answers every error of the API. A *domain.Error is shown; anything else is logged
// whole and answered with nothing but the number of the request.
func (s *Server) HandleError(err error, c echo.Context) {
	if c.Response().Committed {
		return
	}
	p, retryAfter := s.problem(err, c)
	h := c.Response().Header()
	if retryAfter > 0 {
		h.Set("Retry-After", strconv.Itoa(retryAfter))
	}
	h.Set("Cache-Control", "no-store")
	body, err := json.Marshal(p)
	if err == nil {
		err = c.Blob(p.Status, "application/problem+json", body)
	}
	if err != nil {
		s.Log.ErrorContext(c.Request().Context(), "answer a problem", "error", err)
	}
}

func (s *Server) problem(err error, c echo.Context) (p Problem, retryAfter int) {
	var known *domain.Error
	if !errors.As(err, &known) {
		known = fromEcho(err)
	}
	if known == nil {
		request := c.Response().Header().Get(echo.HeaderXRequestID)
		s.Log.ErrorContext(c.Request().Context(), "fault", "request", request, "method", c.Request().Method, "path", c.Path(), "error", err)
		return Problem{Type: "/problems/fault", Title: "The program failed", Status: http.StatusInternalServerError, Code: "fault",
			Detail: "Something failed that should not. It is logged; quote the number of this request to whoever keeps the program.", Request: request}, 0
	}
	if known.Err != nil {
		s.Log.WarnContext(c.Request().Context(), "refused", "path", c.Path(), "code", known.Code, "error", known.Err)
	}
	s.noteRefusal(c, known)
	p = Problem{
		Type: "/problems/" + known.Code, Title: titles[known.Kind], Status: statuses[known.Kind], Detail: known.Message,
		Code: known.Code, Rule: known.Rule(), Missing: known.Missing, Outside: known.Outside,
	}
	var status *echo.HTTPError
	if errors.As(err, &status) {
		p.Status = status.Code
	}
	for _, f := range known.Fields {
		p.Errors = append(p.Errors, Pointed{Detail: f.Message, Pointer: "#" + f.Pointer, Rule: f.Rule})
	}
	return p, known.RetryAfterSeconds
}

// fromEcho words what the router itself refuses; nil is a fault.
func fromEcho(err error) *domain.Error {
	var status *echo.HTTPError
	if !errors.As(err, &status) {
		return nil
	}
	switch status.Code {
	case http.StatusNotFound:
		return domain.NotFound("There is nothing under this address. The contract is at /api/v1/openapi.json.")
	case http.StatusMethodNotAllowed:
		return &domain.Error{Kind: domain.KindConflict, Code: "method", Message: "This address does not know this method; see the Allow header."}
	case http.StatusRequestEntityTooLarge:
		return &domain.Error{Kind: domain.KindTooLarge, Code: "body", Message: "The body is too large."}
	case http.StatusServiceUnavailable:
		return &domain.Error{Kind: domain.KindUnavailable, Code: "unavailable", Message: "Not available at this moment. Try again.", RetryAfterSeconds: 2}
	}
	if status.Code >= 400 && status.Code < 500 {
		return &domain.Error{Kind: domain.KindUnparseable, Code: "request", Message: "The request cannot be read.", Err: status}
	}
	return nil
}

// noteRefusal records that a role was refused an act, or a rule refused a write (P2).
func (s *Server) noteRefusal(c echo.Context, e *domain.Error) {
	a := actor(c)
	if a.ID == (domain.ID{}) || e.Rule() == "" || e.Kind == domain.KindUnauthenticated {
		return
	}
	if err := s.Record.Refused(c.Request().Context(), a, c.Request().Method, c.Request().URL.Path, e); err != nil {
		s.Log.ErrorContext(c.Request().Context(), "record a refusal", "error", err)
	}
}
