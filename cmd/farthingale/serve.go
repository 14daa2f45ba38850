package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"runtime/debug"
	"time"

	"farthingale/cmd/farthingale/serve"
	"farthingale/domain"
	"farthingale/postgres"
	"farthingale/web"
)

// opened is a house with its database.
type opened struct {
	*serve.House
	server *postgres.Server
	wiring serve.Settings
	log    *slog.Logger
}

// open opens the database and puts the house together.
func open(ctx context.Context, s *settings, site domain.Site, change ...func(*serve.Settings)) (*opened, error) {
	log := logger()
	spend()
	if err := web.Ready(); err != nil { // a damaged page is told at once, not when somebody opens it
		return nil, err
	}
	proxies, err := s.networks()
	if err != nil {
		return nil, err
	}
	roles, err := rolesOf(s.secondFactorFor)
	if err != nil {
		return nil, err
	}
	server, err := postgres.Open(ctx, s.database(log))
	if err != nil {
		return nil, err
	}
	key, err := s.key()
	if err != nil {
		return nil, errors.Join(err, server.Close(context.WithoutCancel(ctx)))
	}
	wiring := serve.Settings{VirusScanner: s.scanner, Metrics: s.metrics != "", SecondFactorFor: roles, Key: key, Site: site, Log: log, SecureCookies: s.secureCookies, Sessions: s.sessions(), TrustedProxies: proxies, RequestsPerMinute: s.requestsPerMinute,
		BucketURL: s.bucket(), Photos: s.photoLimits(), Images: s.images}
	for _, c := range change {
		c(&wiring)
	}
	house, err := serve.New(ctx, server.Pool, wiring)
	if err != nil {
		return nil, errors.Join(err, server.Close(context.WithoutCancel(ctx)))
	}
	return &opened{House: house, server: server, wiring: wiring, log: log}, nil
}

func (o *opened) close(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
	defer cancel()
	return errors.Join(o.House.Close(ctx), o.server.Close(ctx))
}

// memoryBytes is what the program keeps its memory below, as far as it can: room for the largest picture
// that is decoded at a time, beside what everybody reads.
const memoryBytes = 160 << 20

// spend trades memory for time: what is in use is small, and looking for what is not takes a sixth of the
// processor when it is done whenever that has doubled. GOGC and GOMEMLIMIT decide otherwise.
func spend() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(400)
	}
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(memoryBytes)
	}
}

func runServe(ctx context.Context, s *settings, rest []string) error {
	if len(rest) > 0 {
		return fmt.Errorf("serve takes no %q", rest[0])
	}
	if err := s.cookies(); err != nil {
		return err
	}
	site, err := s.site()
	if err != nil {
		return err
	}
	o, err := open(ctx, s, site)
	if err != nil {
		return err
	}
	return errors.Join(o.listen(ctx, s.listen, s.metrics, func(address string) {
		if s.scanner == "" {
			o.log.Info("uploads are not scanned for viruses; --virus-scanner names a scanner")
		} else {
			o.log.Info("uploads are scanned for viruses, and refused when the scanner does not answer", "scanner", s.scanner)
		}
		o.log.Info("serving", "address", "http://"+address)
	}), o.close(ctx))
}

// listen serves until ctx ends, then lets running requests finish.
func (o *opened) listen(ctx context.Context, address, metrics string, ready func(address string)) error {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return fmt.Errorf("listen on %s: %w (choose another with --listen)", address, err)
	}
	endMetrics, err := o.tellMetrics(ctx, metrics)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	defer endMetrics()
	server := &http.Server{
		Handler: o.Handler, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute,
		// An upload from a tablet over a poor network may take minutes.
		ReadTimeout: 10 * time.Minute, WriteTimeout: 10 * time.Minute, MaxHeaderBytes: 64 << 10,
	}
	if err := o.Start(ctx); err != nil {
		return errors.Join(err, listener.Close())
	}
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	ready(listener.Addr().String())
	select {
	case err := <-done:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	if err := server.Shutdown(closing); err != nil {
		return errors.Join(err, server.Close())
	}
	return nil
}

// tellMetrics serves the figures for Prometheus on an address of their own, "" for none.
func (o *opened) tellMetrics(ctx context.Context, address string) (end func(), err error) {
	if address == "" {
		return func() {}, nil
	}
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("listen on %s for metrics: %w (choose another with --metrics-address)", address, err)
	}
	only := http.NewServeMux()
	only.Handle("GET /metrics", o.Metrics)
	server := &http.Server{Handler: only, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: time.Minute, MaxHeaderBytes: 16 << 10}
	go func() {
		if err := server.Serve(listener); err != nil && !errors.Is(err, http.ErrServerClosed) {
			o.log.Error("serve metrics", "error", err)
		}
	}()
	o.log.Info("telling metrics", "address", listener.Addr().String())
	return func() { _ = server.Close() }, nil // nothing is lost with a figure that is asked for again
}
