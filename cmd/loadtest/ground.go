package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/loadtest/seed"
	"farthingale/domain"
	"farthingale/postgres"
)

// ground is the database and the files that are measured on.
type ground struct {
	data, databaseURL, ownerURL, bucketURL, pgBin string
}

func (g *ground) flags(f *flag.FlagSet) {
	f.StringVar(&g.data, "data", "", "folder for the private database, the files and what seed notes; needed")
	f.StringVar(&g.databaseURL, "database-url", "", "Postgres to use; without one a private cluster is started in the data folder")
	f.StringVar(&g.ownerURL, "owner-database-url", "", "login that owns the schema; the database-url's when not given")
	f.StringVar(&g.bucketURL, "bucket-url", "", "where files are kept; a folder in the data folder when not given")
	f.StringVar(&g.pgBin, "pg-bin", "", "folder with the Postgres programs")
}

// check says what is missing.
func (g *ground) check() error {
	if g.data == "" {
		return errors.New("say which folder: --data FOLDER")
	}
	abs, err := filepath.Abs(g.data)
	g.data = abs
	return err
}

func (g *ground) bucket() string {
	if g.bucketURL != "" {
		return g.bucketURL
	}
	return (&url.URL{Scheme: "file", Path: "/" + strings.TrimPrefix(filepath.ToSlash(filepath.Join(g.data, "files")), "/")}).String()
}

// open opens the database and puts the house together.
func (g *ground) open(ctx context.Context) (*postgres.Server, *serve.House, error) {
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	server, err := postgres.Open(ctx, postgres.Settings{DatabaseURL: g.databaseURL, OwnerDatabaseURL: g.ownerURL, DataDir: g.data, BinDir: g.pgBin, Log: log})
	if err != nil {
		return nil, nil, err
	}
	house, err := serve.New(ctx, server.Pool, serve.Settings{Site: domain.DefaultSite(), Log: log, BucketURL: g.bucket()})
	if err != nil {
		return nil, nil, errors.Join(err, server.Close(context.WithoutCancel(ctx)))
	}
	return server, house, nil
}

// note is what seed leaves in the data folder for the other commands.
type note struct {
	Objects  int       `json:"objects"`
	Seed     uint64    `json:"seed"`
	Until    time.Time `json:"until"`
	Password string    `json:"password"` // of every invented person
}

func (g *ground) notePath() string { return filepath.Join(g.data, "loadtest.json") }

func (g *ground) leave(n note) error {
	b, err := json.MarshalIndent(n, "", "  ") // #nosec G117 -- of invented people only, for the owner of the folder
	if err != nil {
		return err
	}
	return os.WriteFile(g.notePath(), append(b, '\n'), 0o600)
}

// found reads the note. Without one the database was not filled by seed, and nothing is sent to it.
func (g *ground) found() (note, error) {
	b, err := os.ReadFile(g.notePath()) // #nosec G304 -- the person at the machine names the folder
	if err != nil {
		return note{}, fmt.Errorf("this folder was not filled by 'loadtest seed': %w", err)
	}
	var n note
	return n, json.Unmarshal(b, &n)
}

// runSeed serves 'loadtest seed'.
func runSeed(ctx context.Context, args []string) error {
	var g ground
	o := seed.Options{Site: domain.DefaultSite(), Progress: os.Stdout}
	f := flag.NewFlagSet("seed", flag.ContinueOnError)
	g.flags(f)
	f.IntVar(&o.Objects, "objects", 10000, "how many objects")
	f.Uint64Var(&o.Seed, "seed", 1, "the same seed gives the same collection")
	f.IntVar(&o.Writers, "writers", 2, "connections that write side by side")
	f.BoolVar(&o.Again, "findings-again", false, "compute all findings a second time, to measure it")
	f.BoolVar(&o.Unchecked, "unchecked", false, "leave foreign keys and triggers out while writing: about twice as fast, the same rows; needs a superuser, which the private cluster's owner is")
	until := f.String("until", "2026-09-30", "day up to which the invented history goes")
	f.StringVar(&o.Password, "password", "", "of every invented person; one is made up when not given")
	if err := f.Parse(args); err != nil {
		return err
	}
	day, err := time.Parse(time.DateOnly, *until)
	if err != nil {
		return fmt.Errorf("--until is a day such as 2026-09-30: %w", err)
	}
	if err := g.check(); err != nil {
		return err
	}
	if o.Until = day; o.Password == "" {
		o.Password = "a sentence " + domain.NewID().String()
	}
	server, house, err := g.open(ctx)
	if err != nil {
		return err
	}
	err = fill(ctx, &g, server, house, o)
	return errors.Join(err, house.Close(context.WithoutCancel(ctx)), server.Close(context.WithoutCancel(ctx)))
}

func fill(ctx context.Context, g *ground, server *postgres.Server, house *serve.House, o seed.Options) error {
	began := time.Now()
	fmt.Printf("%s\n", machine())
	restore := unhurried(ctx, server.OwnerURL)
	defer restore()
	err := seed.Fill(ctx, seed.Database{OwnerURL: server.OwnerURL, Files: postgres.NewFiles(house.DB, house.Bucket), Head: house.Record.Head}, o)
	if err != nil {
		return err
	}
	took := time.Since(began)
	if err := g.leave(note{Objects: o.Objects, Seed: o.Seed, Until: o.Until, Password: o.Password}); err != nil {
		return err
	}
	tables, bytes, err := seed.Count(ctx, server.OwnerURL)
	if err != nil {
		return err
	}
	sum := int64(0)
	fmt.Printf("\n%-22s %12s %10s\n", "table", "rows", "MB")
	for _, t := range tables {
		sum += t.Rows
		fmt.Printf("%-22s %12d %10.1f\n", t.Table, t.Rows, float64(t.Bytes)/1e6)
	}
	fmt.Printf("%-22s %12d %10.1f\n", "all", sum, float64(bytes)/1e6)
	fmt.Printf("\n%d objects, %d rows in %s: %.0f objects, %.0f rows a second\n%s\n", o.Objects, sum, took.Round(time.Second), float64(o.Objects)/took.Seconds(), float64(sum)/took.Seconds(), machine())
	return nil
}
