package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/loadtest/drive"
	"farthingale/cmd/loadtest/plans"
	"farthingale/cmd/loadtest/seed"
	"farthingale/domain"
	"farthingale/postgres"
)

// largeFrom is how many rows make a table that no statement may read whole.
const largeFrom = 50_000

// runPlans serves 'loadtest plans': every act once, on a house in this process whose statements are watched.
func runPlans(ctx context.Context, args []string) (err error) {
	var g ground
	f := flag.NewFlagSet("plans", flag.ContinueOnError)
	g.flags(f)
	if err := f.Parse(args); err != nil {
		return err
	}
	if err := g.check(); err != nil {
		return err
	}
	known, err := g.found()
	if err != nil {
		return err
	}
	server, err := postgres.Open(ctx, postgres.Settings{DatabaseURL: g.databaseURL, OwnerDatabaseURL: g.ownerURL, DataDir: g.data, BinDir: g.pgBin})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, server.Close(context.WithoutCancel(ctx))) }()
	watch := &plans.Watch{}
	config := server.Pool.Config() // a copy
	config.ConnConfig.Tracer = watch
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return err
	}
	defer pool.Close()
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	house, err := serve.New(ctx, pool, serve.Settings{Site: domain.DefaultSite(), Log: log, BucketURL: g.bucket()})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, house.Close(context.WithoutCancel(ctx))) }()
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	pages := &http.Server{Handler: house.Handler, ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = pages.Serve(listener) }()
	defer func() { err = errors.Join(err, pages.Close()) }()

	visitor, err := drive.NewHouse("http://" + listener.Addr().String())
	if err != nil {
		return err
	}
	defer visitor.Close()
	if _, err := drive.EachOnce(ctx, visitor, server.Pool, known.Password); err != nil {
		return err
	}
	large, err := largeTables(ctx, server.Pool)
	if err != nil {
		return err
	}
	conn, err := server.Pool.Acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	faults, asked, err := watch.Faults(ctx, conn.Conn(), func(table string) bool { return large[table] })
	if err != nil {
		return err
	}
	for _, fault := range faults {
		fmt.Println(fault)
	}
	fmt.Printf("%d objects: %d statements of %d acts, %d read one of %d large tables whole (%d rows or more)\n%s\n",
		known.Objects, asked, len(drive.Reads())+len(drive.Writes()), len(faults), len(large), largeFrom, machine())
	if n := visitor.Record.Failed(); n > 0 {
		visitor.Record.Print(os.Stdout)
		return fmt.Errorf("%d requests failed", n)
	}
	if len(faults) > 0 {
		return errors.New("a table is read whole")
	}
	return nil
}

func largeTables(ctx context.Context, db *pgxpool.Pool) (map[string]bool, error) {
	rows, _ := db.Query(ctx, `select relname from pg_class where relname = any ($1) and reltuples >= $2`, seed.Growing(), largeFrom)
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("see how large the tables are: %w", err)
	}
	large := map[string]bool{}
	for _, name := range names {
		large[name] = true
	}
	return large, nil
}
