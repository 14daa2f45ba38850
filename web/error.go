package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
)

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

type errorPage struct {
	Frame
	Heading string
	Message string
	Rule    string
	Fields  []domain.Field
	Missing []string
	Outside []string
	Request string
	Back    string
}

// HandleError answers every error of the pages with a page that says what to do. A fault is logged
// whole and shown as the number of its request.
func (s *Server) HandleError(err error, c echo.Context) {
	if c.Response().Committed {
		return
	}
	ctx := c.Request().Context()
	p := &errorPage{Back: back(c)}
	status := http.StatusInternalServerError
	var known *domain.Error
	var routed *echo.HTTPError
	switch {
	case errors.As(err, &known):
		status = statuses[known.Kind]
		p.Heading, p.Message, p.Rule = headings[known.Kind], known.Message, known.Rule()
		p.Fields, p.Missing, p.Outside = known.Fields, known.Missing, known.Outside
		if known.RetryAfterSeconds > 0 {
			c.Response().Header().Set("Retry-After", strconv.Itoa(known.RetryAfterSeconds))
		}
		if known.Err != nil {
			s.Log.WarnContext(ctx, "refused", "path", c.Path(), "code", known.Code, "error", known.Err)
		}
		s.noteRefusal(c, known)
	case errors.As(err, &routed) && routed.Code == http.StatusNotFound:
		status, p.Heading, p.Message = routed.Code, headings[domain.KindNotFound], "There is nothing under this address."
	case errors.As(err, &routed) && routed.Code == http.StatusMethodNotAllowed:
		status, p.Heading, p.Message = routed.Code, "This is not done here", "This address does not answer to what was sent."
	case errors.As(err, &routed) && (routed.Code == http.StatusForbidden || routed.Code == http.StatusBadRequest):
		status, p.Heading, p.Message = http.StatusForbidden, "The form is too old", "Nothing was changed. Load the page again, then send the form once more; this protects you from forms of other sites."
	case errors.As(err, &routed) && routed.Code == http.StatusRequestEntityTooLarge:
		status, p.Heading, p.Message = routed.Code, headings[domain.KindTooLarge], "What was sent is too large. Nothing was kept."
	default:
		p.Heading, p.Request = "The program failed", c.Response().Header().Get(echo.HeaderXRequestID)
		p.Message = "Something failed that should not. It is logged; quote the number of this request to whoever keeps the program."
		s.Log.ErrorContext(ctx, "fault", "request", p.Request, "method", c.Request().Method, "path", c.Path(), "error", err)
	}
	p.Title = p.Heading
	if c.Request().Method == http.MethodHead {
		err = c.NoContent(status)
	} else {
		err = s.render(c, status, "error/error", p)
	}
	if err != nil {
		s.Log.ErrorContext(ctx, "show an error page", "error", err)
		_ = c.String(status, p.Heading+". "+p.Message)
	}
}

var headings = map[domain.Kind]string{
	domain.KindInvalid:         "Some of what was entered cannot be kept",
	domain.KindRefused:         "This is refused",
	domain.KindConflict:        "This is not possible now",
	domain.KindUnparseable:     "This cannot be read",
	domain.KindUnauthenticated: "Sign in first",
	domain.KindForbidden:       "Your role does not allow this",
	domain.KindNotFound:        "There is no such page",
	domain.KindStale:           "Somebody else changed this",
	domain.KindNoVersion:       "The version is missing",
	domain.KindTooLarge:        "Too large",
	domain.KindUnsupported:     "This kind of file is not accepted",
	domain.KindThrottled:       "Too many tries",
	domain.KindUnavailable:     "Not available at this moment",
}

// back is the page of this site that the person came from.
func back(c echo.Context) string {
	from := c.Request().Referer()
	_, rest, ok := strings.Cut(from, "://"+c.Request().Host)
	if !ok || !localPath(rest) {
		return "/"
	}
	return rest
}

// localPath says whether text is a path of this site and nothing else, so that a link cannot lead
// away.
func localPath(text string) bool {
	for _, r := range text {
		if r <= ' ' || r == '\\' || r >= 0x7F { // a browser drops some of these, and escapes the others
			return false
		}
	}
	return strings.HasPrefix(text, "/") && !strings.HasPrefix(text, "//")
}

// noteRefusal records that a role or a rule refused somebody (P2).
func (s *Server) noteRefusal(c echo.Context, e *domain.Error) {
	a := actor(c)
	if a.ID == (domain.ID{}) || e.Rule() == "" || e.Kind == domain.KindUnauthenticated {
		return
	}
	if err := s.Record.Refused(background(c), a, c.Request().Method, c.Request().URL.Path, e); err != nil {
		s.Log.ErrorContext(c.Request().Context(), "record a refusal", "error", err)
	}
}

// answer shows a refused form again with what was typed, or passes on what no form can show.
func (s *Server) answer(c echo.Context, f *Form, typed map[string][]string, err error, name string, data framed) error {
	if refusal := f.ready(c).refused(typed, err); refusal != nil {
		return refusal
	}
	var e *domain.Error
	errors.As(err, &e)
	s.noteRefusal(c, e)
	return s.render(c, statuses[e.Kind], name, data)
}
