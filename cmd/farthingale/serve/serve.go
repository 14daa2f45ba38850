// Package serve puts the house together: stores, services and both doors on one router. The program,
// the demonstration and the tests all use it.
package serve

import (
	"context"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/alexedwards/scs/pgxstore"
	"github.com/alexedwards/scs/v2"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"

	"farthingale/api"
	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/people"
	"farthingale/domain/record"
	"farthingale/postgres"
	"farthingale/web"
)

// Settings are what the house needs to know.
type Settings struct {
	Site              domain.Site
	Log               *slog.Logger
	Now               func() time.Time // nil: the system's clock
	SecureCookies     bool             // the pages are served under TLS
	TrustedProxies    []*net.IPNet     // whose X-Forwarded-For is believed
	RequestsPerMinute int              // of each person at the API; 0: no bound
	SignIns           []web.SignInHint // of the demonstration
}

// House is everything that serves.
type House struct {
	Handler http.Handler
	Router  *echo.Echo
	DB      *postgres.DB
	API     *api.Server
	Web     *web.Server
	People  *people.Service
	Record  *record.Service
	Agenda  *agenda.Service
	answers *postgres.Answers
	now     func() time.Time
}

// New wires the house on a pool.
func New(ctx context.Context, pool *pgxpool.Pool, s Settings) (*House, error) {
	if s.Now == nil {
		s.Now = time.Now
	}
	db := postgres.NewDB(pool)
	h := &House{
		DB:      db,
		People:  people.NewService(postgres.NewPeople(db), s.Now),
		Record:  record.NewService(postgres.NewRecord(db), s.Now),
		answers: postgres.NewAnswers(db),
		now:     s.Now,
	}
	due := postgres.NewAgenda(db)
	h.Agenda = agenda.NewService(due, s.Now,
		agenda.Waiting{Kind: "stops_in_force", Title: "Stops in force", For: due.Stops},
	)
	h.API = api.New(api.Services{
		Once: h.answers, Now: s.Now, Log: s.Log, RequestsPerMinute: s.RequestsPerMinute,
		People: h.People,
		Record: h.Record,
		Agenda: h.Agenda,
	})
	pages, err := web.New(web.Services{
		Site: s.Site, Sessions: sessions(pool, s.SecureCookies, s.Log), Now: s.Now, Log: s.Log, SignIns: s.SignIns,
		People: h.People,
		Record: h.Record,
		Agenda: h.Agenda,
	})
	if err != nil {
		return nil, err
	}
	h.Web = pages
	h.Router = h.router(s, pool)
	h.Handler = h.Router
	return h, nil
}

func sessions(pool *pgxpool.Pool, secure bool, log *slog.Logger) *scs.SessionManager {
	m := scs.New()
	m.Store = pgxstore.NewWithCleanupInterval(pool, 0) // expired ones are swept by a job
	m.HashTokenInStore = true
	m.Lifetime = 12 * time.Hour
	m.ErrorFunc = func(w http.ResponseWriter, r *http.Request, err error) {
		log.ErrorContext(r.Context(), "read the session", "error", err)
		w.Header().Set("Retry-After", "2")
		http.Error(w, "The database does not answer at this moment. Nothing was changed; try again.", http.StatusServiceUnavailable)
	}
	m.Cookie.Name, m.Cookie.HttpOnly, m.Cookie.SameSite, m.Cookie.Secure = "farthingale_session", true, http.SameSiteLaxMode, secure
	if secure {
		m.Cookie.Name = "__Host-" + m.Cookie.Name
	}
	return m
}

func (h *House) router(s Settings, pool *pgxpool.Pool) *echo.Echo {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.IPExtractor = echo.ExtractIPDirect()
	if len(s.TrustedProxies) > 0 {
		trust := []echo.TrustOption{echo.TrustLoopback(false), echo.TrustLinkLocal(false), echo.TrustPrivateNet(false)}
		for _, n := range s.TrustedProxies {
			trust = append(trust, echo.TrustIPRange(n))
		}
		e.IPExtractor = echo.ExtractIPFromXFFHeader(trust...)
	}
	e.HTTPErrorHandler = func(err error, c echo.Context) {
		if strings.HasPrefix(c.Request().URL.Path, "/api/") {
			h.API.HandleError(err, c)
			return
		}
		h.Web.HandleError(err, c)
	}
	e.Use(
		middleware.RequestID(), headers, middleware.RecoverWithConfig(middleware.RecoverConfig{
			DisableErrorHandler: true,
			LogErrorFunc: func(c echo.Context, err error, stack []byte) error {
				s.Log.ErrorContext(c.Request().Context(), "panic", "error", err, "stack", string(stack))
				return err
			},
		}),
		middleware.GzipWithConfig(middleware.GzipConfig{Level: 1, MinLength: api.GzipFrom, Skipper: fileBody}),
	)
	e.GET("/healthz", func(c echo.Context) error { return c.String(http.StatusOK, "alive\n") })
	e.GET("/readyz", func(c echo.Context) error {
		ctx, cancel := context.WithTimeout(c.Request().Context(), 2*time.Second)
		defer cancel()
		if err := pool.Ping(ctx); err != nil {
			s.Log.WarnContext(ctx, "not ready", "error", err)
			return c.String(http.StatusServiceUnavailable, "the database does not answer\n")
		}
		return c.String(http.StatusOK, "ready\n")
	})
	h.API.Routes(e)
	h.Web.Routes(e)
	return e
}

// fileBody leaves photographs and documents as they are: they are compressed already, and ranges need
// the bytes as kept.
func fileBody(c echo.Context) bool {
	return strings.HasPrefix(c.Request().URL.Path, "/files/") || c.Request().Header.Get("Range") != ""
}

// headers are set on every answer, before anything can write it.
func headers(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "geolocation=(), microphone=()")
		return next(c)
	}
}

// Sweep forgets what is kept for a day only: failed sign-ins, expired sessions, kept answers.
func (h *House) Sweep(ctx context.Context) error {
	if err := h.People.Sweep(ctx); err != nil {
		return err
	}
	return h.answers.Sweep(ctx, h.now())
}

// Start begins what the house does beside its requests. It ends with ctx, or with Close.
func (h *House) Start(context.Context) {}

// Close ends what the house does beside its requests.
func (h *House) Close(context.Context) {}
