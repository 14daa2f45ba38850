// Package serve puts the house together: stores, services and both doors on one router. The program,
// the demonstration and the tests all use it.
package serve

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/alexedwards/scs/pgxstore"
	"github.com/alexedwards/scs/v2"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/klauspost/compress/gzhttp"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"

	"farthingale/api"
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
	"farthingale/postgres"
	"farthingale/postgres/bucket"
	"farthingale/web"
)

// Settings are what the house needs to know.
type Settings struct {
	Site              domain.Site
	Log               *slog.Logger
	Now               func() time.Time                    // nil: the system's clock
	SecureCookies     bool                                // the pages are served under TLS
	SecondFactorFor   []domain.Role                       // roles that need one on the pages
	Key               []byte                              // people.KeyBytes long, for what is kept encrypted; nil: no second factors
	Sessions          people.SessionLimits                // zero: people.DefaultSessionLimits
	TrustedProxies    []*net.IPNet                        // whose X-Forwarded-For is believed
	RequestsPerMinute int                                 // of each person at the API; 0: no bound
	VirusScanner      string                              // where one answers in the protocol of clamd: tcp://host:port or unix:///path; "": files are not scanned
	Metrics           bool                                // count what House.Metrics tells
	SignIns           []web.SignInHint                    // of the demonstration
	BucketURL         string                              // where files are kept: file:///folder, s3://name?region=… or mem://
	Photos            photo.Limits                        // zero: photo.DefaultLimits
	Hash              func(domain.Secret) (string, error) // of new passwords; nil: people.HashPassword
	Images            int                                 // pictures that are decoded at a time; 0: one
}

// House is everything that serves.
type House struct {
	Incident      *incident.Service
	Investigation *investigation.Service
	Survey        *survey.Service

	Handler     http.Handler
	Router      *echo.Echo
	Metrics     http.Handler // in the text format of Prometheus, for an address of its own; nil: not counted
	DB          *postgres.DB
	API         *api.Server
	Web         *web.Server
	People      *people.Service
	Record      *record.Service
	Agenda      *agenda.Service
	Photo       *photo.Service
	Collection  *collection.Service
	Material    *material.Service
	Enclosure   *enclosure.Service
	Finding     *finding.Service
	Measurement *measurement.Service
	Handling    *handling.Service
	Treatment   *treatment.Service
	Movement    *movement.Service
	Loan        *loan.Service
	Examination *examination.Service
	Jobs        *postgres.Jobs
	Bucket      *bucket.Bucket
	faces       web.LoanFaces
	answers     *postgres.Answers
	bearers     *postgres.People
	endHearing  func() // set by Start
	images      int
	computing   sync.Mutex // of findings: one computation at a time in this copy
	now         func() time.Time
}

// New wires the house on a pool.
func New(ctx context.Context, pool *pgxpool.Pool, s Settings) (*House, error) {
	if s.Now == nil {
		s.Now = time.Now
	}
	if s.Sessions == (people.SessionLimits{}) {
		s.Sessions = people.DefaultSessionLimits
	}
	db := postgres.NewDB(pool)
	bearers := postgres.NewPeople(db)
	h := &House{
		DB:      db,
		bearers: bearers,
		People:  people.NewService(bearers, db, people.Settings{Site: s.Site.Name, Sessions: s.Sessions, SecondFactorFor: s.SecondFactorFor, Key: s.Key, Hash: s.Hash}, s.Now),
		Record:  record.NewService(postgres.NewRecord(db), s.Now),
		answers: postgres.NewAnswers(db),
		images:  s.Images,
		now:     s.Now,
	}
	var err error
	if h.Collection, err = collection.NewService(postgres.NewCollection(db), s.Now); err != nil {
		return nil, err
	}
	if h.Material, err = material.NewService(postgres.NewMaterial(db), s.Site.Zone, s.Now); err != nil {
		return nil, err
	}
	if h.Enclosure, err = enclosure.NewService(postgres.NewEnclosures(db), s.Now); err != nil {
		return nil, err
	}
	if h.Finding, err = finding.NewService(postgres.NewFinding(db), s.Site.Zone, s.Now); err != nil {
		return nil, err
	}
	if err := h.darkroom(ctx, s); err != nil {
		return nil, err
	}
	h.Jobs.Add(postgres.Task{Name: "finding.compute", Every: findingsEvery, Run: h.findings})
	due := postgres.NewAgenda(db, s.Site.Zone)
	h.Agenda = agenda.NewService(due, s.Now,
		agenda.Waiting{Kind: "decisions_asked", Title: "Decisions asked of you", For: due.Decisions},
		agenda.Waiting{Kind: "consents_asked", Title: "Consents to samples asked of you", For: due.Consents},
		agenda.Waiting{Kind: "ratifications_due", Title: "Emergency stabilisations to ratify", For: due.Ratifications},
		agenda.Waiting{Kind: "stops_in_force", Title: "Stops in force", For: due.Stops},
		agenda.Waiting{Kind: "examinations_to_answer", Title: "Examinations to answer", For: due.Alarms},
		agenda.Waiting{Kind: "incidents_to_answer", Title: "Incidents to answer", For: due.Incidents},
		agenda.Waiting{Kind: "findings_to_act_on", Title: "Findings to act on now", For: due.Findings},
		agenda.Waiting{Kind: "loan_requests", Title: "Requests for loans", For: due.LoanRequests},
		agenda.Waiting{Kind: "loans_about_to_move", Title: "Loans about to move", For: due.Loans},
		agenda.Waiting{Kind: "treatments_in_charge", Title: "Treatments in your charge", For: due.Charges},
		agenda.Waiting{Kind: "checks_due", Title: "Checks due", For: due.Checks},
		agenda.Waiting{Kind: "drafts", Title: "Your drafts", For: due.Drafts},
		agenda.Waiting{Kind: "examination_drafts", Title: "Your examinations not signed yet", For: due.ExaminationDrafts},
	)
	if h.Investigation, err = investigation.NewService(postgres.NewInvestigations(db), h.Collection, h.Agenda, h.People, s.Now); err != nil {
		return nil, err
	}
	usual, err := material.Cautions()
	if err != nil {
		return nil, err
	}
	h.Handling = handling.NewService(postgres.NewHandling(db), h.Collection, h.Agenda, h.Record, usual, db, s.Site.Zone, s.Now)
	h.Record.Register(handling.SealKind, h.Handling.Sealed)
	h.Measurement = measurement.NewService(postgres.NewMeasurements(db), h.Collection, h.Handling, db, s.Site.Zone, s.Now)
	if err := h.workshop(db, s); err != nil {
		return nil, err
	}
	h.Movement = movement.NewService(postgres.NewMovement(db), h.Collection, h.Handling, h.Agenda, db, s.Site.Zone, s.Now)
	h.Incident = incident.NewService(postgres.NewIncidents(db), h.Agenda, s.Now)
	h.lending(db, s, usual)
	h.examining(db, s)
	h.Survey = survey.NewService(postgres.NewSurveys(db), h.Examination, db, s.Now)
	h.API = api.New(api.Services{
		Incident:      h.Incident,
		Investigation: h.Investigation,
		Survey:        h.Survey,

		Once: h.answers, Now: s.Now, Log: requests(s.Log), RequestsPerMinute: s.RequestsPerMinute,
		People:      h.People,
		Record:      h.Record,
		Agenda:      h.Agenda,
		Photo:       h.Photo,
		Collection:  h.Collection,
		Material:    h.Material,
		Enclosure:   h.Enclosure,
		Finding:     h.Finding,
		Measurement: h.Measurement,
		Treatment:   h.Treatment,
		Handling:    h.Handling,
		Movement:    h.Movement,
		Loan:        h.Loan,
		Examination: h.Examination,
	})
	h.Web = web.New(web.Services{
		Incident:      h.Incident,
		Investigation: h.Investigation,
		Survey:        h.Survey,

		Site: s.Site, Sessions: sessions(pool, s), Now: s.Now, Log: requests(s.Log), SignIns: s.SignIns,
		People:      h.People,
		Record:      h.Record,
		Agenda:      h.Agenda,
		Photo:       h.Photo,
		Collection:  h.Collection,
		Treatment:   h.Treatment,
		Material:    h.Material,
		Enclosure:   h.Enclosure,
		Finding:     h.Finding,
		Measurement: h.Measurement,
		Examination: h.Examination,
		Handling:    h.Handling,
		Movement:    h.Movement,
		Loan:        h.Loan,
		LoanFaces:   h.faces,
	})
	h.API.LoanPapers = h.Web
	h.API.ExaminationPapers = h.Web
	h.Router = h.router(s, pool)
	h.Handler, err = compressed(h.Router)
	return h, err
}

func sessions(pool *pgxpool.Pool, s Settings) *scs.SessionManager {
	m := scs.New()
	m.Store = boundedSessions{pgxstore.NewWithCleanupInterval(pool, 0), pool} // expired ones are swept by a job
	m.HashTokenInStore = true
	m.Lifetime = s.Sessions.Longest
	m.ErrorFunc = func(w http.ResponseWriter, r *http.Request, err error) {
		requests(s.Log).ErrorContext(r.Context(), "read the session", "error", err)
		w.Header().Set("Retry-After", "2")
		http.Error(w, "The database does not answer at this moment. Nothing was changed; try again.", http.StatusServiceUnavailable)
	}
	m.Cookie.Name, m.Cookie.HttpOnly, m.Cookie.SameSite, m.Cookie.Secure = "farthingale_session", true, http.SameSiteLaxMode, s.SecureCookies
	if s.SecureCookies {
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
		if strings.HasPrefix(c.Request().URL.Path, "/api/") || web.IsIIIF(c) {
			h.API.HandleError(err, c)
			return
		}
		h.Web.HandleError(err, c)
	}
	if s.Metrics {
		m := newMetrics(s, h.DB, h.Jobs, h.People)
		h.Metrics = m.handler()
		e.Use(m.count)
	}
	e.Use(
		middleware.RequestID(), headers(s.SecureCookies), middleware.RecoverWithConfig(middleware.RecoverConfig{
			DisableErrorHandler: true,
			LogErrorFunc: func(c echo.Context, err error, stack []byte) error {
				s.Log.ErrorContext(c.Request().Context(), "panic", "error", err, "stack", string(stack))
				return err
			},
		}),
		deadline,
	)
	e.GET("/healthz", func(c echo.Context) error { return c.String(http.StatusOK, "alive\n") })
	e.GET("/readyz", func(c echo.Context) error {
		ctx, cancel := context.WithTimeout(c.Request().Context(), 2*time.Second)
		defer cancel()
		if err := pool.Ping(ctx); err != nil {
			s.Log.WarnContext(ctx, "not ready", "error", err)
			return c.String(http.StatusServiceUnavailable, "the database does not answer\n")
		}
		if err := h.Bucket.Ready(ctx); err != nil {
			s.Log.WarnContext(ctx, "not ready", "error", err)
			return c.String(http.StatusServiceUnavailable, "the store of files does not answer\n")
		}
		return c.String(http.StatusOK, "ready\n")
	})
	h.API.Routes(e)
	h.Web.Routes(e)
	return e
}

// compressed sends what is worth it compressed, to those who take it so. It takes half the time of the
// standard library's fastest level for the same length: BenchmarkObject shows what of an answer that is.
func compressed(h http.Handler) (http.Handler, error) {
	compress, err := gzhttp.NewWrapper(gzhttp.MinSize(api.GzipFrom), gzhttp.CompressionLevel(gzip.BestSpeed), gzhttp.EnableZstd(false), gzhttp.SetContentType(false))
	if err != nil {
		return nil, fmt.Errorf("compress answers: %w", err)
	}
	zipping := compress(h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if fileBody(r) {
			h.ServeHTTP(w, r)
			return
		}
		zipping.ServeHTTP(w, r)
	}), nil
}

// fileBody leaves photographs and documents as they are: they are compressed already, and ranges need
// the bytes as kept.
func fileBody(r *http.Request) bool {
	path := r.URL.Path
	for _, size := range []photo.Size{photo.OriginalSize, photo.ScreenSize, photo.ThumbnailSize} {
		if strings.HasPrefix(path, api.Prefix+"/photos/") && strings.HasSuffix(path, "/"+string(size)) {
			return true
		}
	}
	picture := strings.HasPrefix(path, web.IIIFPrefix) && (strings.HasSuffix(path, ".jpg") || strings.HasSuffix(path, ".png"))
	return picture || strings.HasPrefix(path, "/files/") || r.Header.Get("Range") != ""
}

// answerWithin is how long an answer may take. A database that hangs then gets no more time, and whoever
// waits is told so.
const answerWithin = 15 * time.Second

// deadline bounds every request but those that carry files, which a poor network may stretch to minutes, and
// lists of all objects; there every statement has its own bound.
func deadline(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		kind := r.Header.Get("Content-Type")
		if fileBody(r) || r.URL.Path == web.ListPath || r.URL.Path == api.Prefix+api.ExportPath || r.Method == http.MethodPost && kind != "" && !strings.HasPrefix(kind, "application/json") && !strings.HasPrefix(kind, "application/x-www-form-urlencoded") {
			return next(c)
		}
		ctx, cancel := context.WithTimeout(r.Context(), answerWithin)
		defer cancel()
		c.SetRequest(r.WithContext(ctx))
		if err := next(c); err != nil {
			c.Error(err) // here, while its context lasts
		}
		return nil
	}
}

// Sweep forgets what is kept for a day only: failed sign-ins, expired sessions, kept answers.
func (h *House) Sweep(ctx context.Context) error {
	if err := h.People.Sweep(ctx); err != nil {
		return err
	}
	return h.answers.Sweep(ctx, h.now())
}

// findingsEvery is how often it is looked whether findings are due. A change is in the findings so soon.
const findingsEvery = 10 * time.Second

// findings computes the findings that are due. A copy that is still at it does not begin again.
func (h *House) findings(ctx context.Context, _ domain.ID) error {
	if !h.computing.TryLock() {
		return nil
	}
	defer h.computing.Unlock()
	_, err := h.Finding.Compute(ctx, runtime.GOMAXPROCS(0), h.now().Add(3*time.Minute))
	return err
}

// everydayJobs is how many jobs run at a time that need little memory.
const everydayJobs = 4

// darkroom opens the bucket and the job queue, and puts together what keeps photographs.
func (h *House) darkroom(ctx context.Context, s Settings) error {
	scanner, err := newClamd(s.VirusScanner)
	if err != nil {
		return err
	}
	if h.Bucket, err = bucket.Open(ctx, s.BucketURL); err != nil {
		return err
	}
	if h.Jobs, err = postgres.NewJobs(h.DB, s.Log); err != nil {
		return errors.Join(err, h.Bucket.Close())
	}
	limits := s.Photos
	if limits == (photo.Limits{}) {
		limits = photo.DefaultLimits
	}
	h.Photo = photo.NewService(postgres.NewPhotos(h.DB, h.Jobs), postgres.NewFiles(h.DB, h.Bucket), limits, scanner, s.Now)
	const day = 24 * time.Hour
	h.Jobs.Add(postgres.Task{Name: photo.DeriveTask, Queue: postgres.ImageQueue, Run: h.Photo.Derive})
	h.Jobs.Add(postgres.Task{Name: photo.TilesTask, Queue: postgres.ImageQueue, Run: h.Photo.MakeTiles})
	h.Jobs.Add(postgres.Task{Name: "photo.sweep", Every: day, Run: func(ctx context.Context, _ domain.ID) error {
		n, err := h.Photo.Sweep(ctx)
		if n > 0 {
			s.Log.InfoContext(ctx, "swept files that no record needs", "files", n)
		}
		return err
	}})
	h.Jobs.Add(postgres.Task{Name: "photo.fixity", Every: time.Hour, Run: func(ctx context.Context, _ domain.ID) error {
		t, err := h.Photo.CheckFixity(ctx, h.now().Add(3*time.Minute))
		if t.Changed+t.Missing > 0 {
			s.Log.ErrorContext(ctx, "kept files are not what they were", "checked", t.Checked, "changed", t.Changed, "missing", t.Missing)
		}
		return err
	}})
	h.Jobs.Add(postgres.Task{Name: "day.sweep", Every: time.Hour, Run: func(ctx context.Context, _ domain.ID) error { return h.Sweep(ctx) }})
	return nil
}

// Start begins what the house does beside its requests: the jobs, and listening for tokens that are revoked.
// It ends with Close. It refuses to begin with a key that does not open what is kept.
func (h *House) Start(ctx context.Context) error {
	if err := h.People.CheckKey(ctx); err != nil {
		return err
	}
	if err := h.Jobs.Start(ctx, everydayJobs, h.images); err != nil {
		return err
	}
	h.endHearing = h.Hear(ctx)
	return nil
}

// Hear begins to listen for tokens that are revoked, until end is called; meanwhile it is not asked anew with each
// request who bears one.
func (h *House) Hear(ctx context.Context) (end func()) { return h.bearers.Hear(ctx) }

// Close ends what the house does beside its requests.
func (h *House) Close(ctx context.Context) error {
	if h.endHearing != nil {
		h.endHearing()
	}
	return errors.Join(h.Jobs.Stop(ctx), h.Bucket.Close())
}
