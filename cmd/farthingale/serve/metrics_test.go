package serve_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/postgres"
)

// TestMetrics: what was asked is counted under the program's own routes, faults and refusals too; the
// figures can be read as the format says and name nobody.
//
// source: Prometheus, Exposition formats, text format 0.0.4
func TestMetrics(t *testing.T) {
	t.Parallel()
	h := servetest.New(t, func(s *serve.Settings) { s.Metrics = true })
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	h.API(ines).Get("/people/" + ines.ID.String()).Must(http.StatusOK)
	h.API(ines).Get("/people/" + domain.NewID().String()).Must(http.StatusNotFound)
	h.API(servetest.Someone{}).Get("/people").Must(http.StatusUnauthorized)
	h.Browser(servetest.Someone{}).Get("/no/such/page/ines.falkenberg").Must(http.StatusNotFound)
	for _, method := range []string{"BREW", "FETCH"} {
		h.Handler.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest(method, "/people", nil))
	}
	waits := domain.NewID()
	h.Jobs.Add(postgres.Task{Name: "test.fails", Run: func(context.Context, domain.ID) error { return errors.New("no") }})
	if err := h.Jobs.Ask(t.Context(), "test.fails", waits); err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	h.Metrics.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	text := w.Body.String()
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(strings.NewReader(text))
	if err != nil || w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain; version=0.0.4") {
		t.Fatalf("%d %v: %v", w.Code, w.Header(), err)
	}
	for _, line := range []string{
		`farthingale_requests_total{method="GET",route="/api/v1/people/:id",status="200"} 1`,
		`farthingale_requests_total{method="GET",route="/api/v1/people/:id",status="404"} 1`,
		`farthingale_requests_total{method="GET",route="/api/v1/people",status="401"} 1`,
		`farthingale_request_duration_seconds_count{method="GET",route="/api/v1/people/:id"} 2`,
		`farthingale_requests_in_flight 0`,
		`farthingale_jobs{state="waiting"} 1`,
		`farthingale_jobs{state="given_up"} 0`,
	} {
		if !strings.Contains(text, line+"\n") {
			t.Errorf("not told: %s", line)
		}
	}
	for _, name := range []string{"farthingale_build_info", "farthingale_database_connections", "farthingale_database_connections_max", "farthingale_database_waits_total",
		"farthingale_password_hashes_total", "go_goroutines", "farthingale_request_duration_seconds"} {
		if families[name] == nil {
			t.Errorf("no %s", name)
		}
	}
	if !regexp.MustCompile(`farthingale_requests_total\{method="other",route="[^"]*",status="4[0-9]+"\} 2`).MatchString(text) {
		t.Error("invented methods are not counted together")
	}
	for _, name := range []string{ines.ID.String(), "Ines", "falkenberg", "BREW", ines.Token} {
		if strings.Contains(text, name) {
			t.Errorf("the figures name %s", name)
		}
	}
	if a := h.Browser(servetest.Someone{}).Get("/metrics"); a.Status != http.StatusNotFound {
		t.Errorf("the pages' address tells the metrics: %d", a.Status)
	}
	// With the database gone, the rest is still told.
	h.Database.Pool.Close()
	w = httptest.NewRecorder()
	h.Metrics.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if w.Code != http.StatusOK || strings.Contains(w.Body.String(), "farthingale_jobs{") || !strings.Contains(w.Body.String(), "farthingale_requests_total") {
		t.Errorf("without a database: %d", w.Code)
	}
}

// TestMetricsAreOffUnlessAsked: nothing is counted.
func TestMetricsAreOffUnlessAsked(t *testing.T) {
	t.Parallel()
	if h := servetest.New(t); h.Metrics != nil {
		t.Error("metrics without being asked")
	}
}
