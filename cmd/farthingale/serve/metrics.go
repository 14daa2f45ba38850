package serve

import (
	"context"
	"log/slog"
	"net/http"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"farthingale/domain/people"
	"farthingale/postgres"
)

// metrics count what the house does, for Prometheus. Nothing in them names a person, an object or an
// address that somebody asked for: routes are those of the program.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.CounterVec
	duration *prometheus.HistogramVec
	running  prometheus.Gauge
}

func newMetrics(s Settings, db *postgres.DB, jobs *postgres.Jobs, who *people.Service) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "farthingale_requests_total", Help: "Requests answered, by method, route and status."}, []string{"method", "route", "status"}),
		duration: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "farthingale_request_duration_seconds", Help: "Time from the first byte of a request to the end of its answer.",
			Buckets: []float64{0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 60}}, []string{"method", "route"}),
		running: prometheus.NewGauge(prometheus.GaugeOpts{Name: "farthingale_requests_in_flight", Help: "Requests being answered at this moment."}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "farthingale_build_info", Help: "1, with the version of the program as labels.",
		ConstLabels: prometheus.Labels{"version": s.Site.Version, "revision": revision(), "go_version": runtime.Version()}})
	build.Set(1)
	hashes := prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "farthingale_password_hashes_total", Help: "Password hashes computed; each takes memory and time."},
		func() float64 { return float64(who.Hashes()) })
	m.registry.MustRegister(m.requests, m.duration, m.running, build, hashes, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), &store{db: db, jobs: jobs, log: s.Log})
	return m
}

// revision is the commit that the program was built from, or "unknown".
func revision() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, setting := range info.Settings {
			if setting.Key == "vcs.revision" {
				return setting.Value
			}
		}
	}
	return "unknown"
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{Registry: m.registry})
}

// count is the outermost middleware: it sees every answer, refusals and faults too.
func (m *metrics) count(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		m.running.Inc()
		defer m.running.Dec()
		begun := time.Now()
		if err := next(c); err != nil {
			c.Error(err) // answers here, so that the status is known
		}
		method, route := c.Request().Method, c.Path()
		if !slices.Contains([]string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodDelete, http.MethodPatch, http.MethodOptions}, method) {
			method = "other" // anybody can invent one
		}
		if route == "" {
			route = "none"
		}
		m.requests.WithLabelValues(method, route, strconv.Itoa(c.Response().Status)).Inc()
		m.duration.WithLabelValues(method, route).Observe(time.Since(begun).Seconds())
		return nil
	}
}

// store tells of the database when it is asked.
type store struct {
	db   *postgres.DB
	jobs *postgres.Jobs
	log  *slog.Logger
}

var (
	connectionsDesc = prometheus.NewDesc("farthingale_database_connections", "Connections of the pool, by what they do.", []string{"state"}, nil)
	mostDesc        = prometheus.NewDesc("farthingale_database_connections_max", "Most connections that the pool opens.", nil, nil)
	waitsDesc       = prometheus.NewDesc("farthingale_database_waits_total", "Times somebody waited for a connection.", nil, nil)
	waitedDesc      = prometheus.NewDesc("farthingale_database_wait_seconds_total", "Time waited for connections.", nil, nil)
	jobsDesc        = prometheus.NewDesc("farthingale_jobs", "Jobs in the queue, of all copies of the program: waiting, running, to be tried again, given up.", []string{"state"}, nil)
)

// Describe implements prometheus.Collector.
func (s *store) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{connectionsDesc, mostDesc, waitsDesc, waitedDesc, jobsDesc} {
		to <- d
	}
}

// Collect implements prometheus.Collector. Where the database does not answer within two seconds, the
// jobs are left out and everything else is still told.
func (s *store) Collect(to chan<- prometheus.Metric) {
	pool := s.db.Stat()
	gauge := func(d *prometheus.Desc, kind prometheus.ValueType, value float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, kind, value, labels...)
	}
	gauge(connectionsDesc, prometheus.GaugeValue, float64(pool.AcquiredConns()), "busy")
	gauge(connectionsDesc, prometheus.GaugeValue, float64(pool.IdleConns()), "idle")
	gauge(mostDesc, prometheus.GaugeValue, float64(pool.MaxConns()))
	gauge(waitsDesc, prometheus.CounterValue, float64(pool.EmptyAcquireCount()))
	gauge(waitedDesc, prometheus.CounterValue, pool.EmptyAcquireWaitTime().Seconds())
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	counts, err := s.jobs.Count(ctx)
	if err != nil {
		s.log.WarnContext(ctx, "count jobs for the metrics", "error", err)
		return
	}
	gauge(jobsDesc, prometheus.GaugeValue, float64(counts.Waiting), "waiting")
	gauge(jobsDesc, prometheus.GaugeValue, float64(counts.Running), "running")
	gauge(jobsDesc, prometheus.GaugeValue, float64(counts.Failing), "failing")
	gauge(jobsDesc, prometheus.GaugeValue, float64(counts.GivenUp), "given_up")
}
