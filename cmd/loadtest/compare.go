package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/cmd/loadtest/drive"
)

// beside is an endpoint with the bare SQL of the same read.
type beside struct {
	name string
	path func(c *drive.Catalogue, i int) string
	page bool
	bare func(c *drive.Catalogue, i int) *pgx.Batch
	goal float64 // most times the bare SQL; 0: none is set
}

// runCompare serves 'loadtest compare'.
func runCompare(ctx context.Context, args []string) (err error) {
	l := &load{}
	f := flag.NewFlagSet("compare", flag.ContinueOnError)
	l.flags(f)
	rounds := f.Int("rounds", 7, "rounds of A B C C B A; at least five")
	block := f.Int("block", 100, "requests in a block")
	only := f.String("only", "", "endpoints whose name begins so; all without it")
	if err := f.Parse(args); err != nil {
		return err
	}
	if *rounds < 5 || *block < 10 {
		return errors.New("fewer than five rounds, or blocks of fewer than ten, say nothing")
	}
	l.users = 1
	defer func() { err = errors.Join(err, l.close()) }()
	if err := l.open(ctx, "REQUESTS_PER_MINUTE=0"); err != nil {
		return err
	}
	fmt.Printf("\nside by side, one request at a time, %d rounds of A B C C B A in blocks of %d; medians in ms (least to most of the blocks)\n", *rounds, *block)
	fmt.Printf("%-36s %24s %24s %24s %8s %8s\n", "endpoint", "A: endpoint", "B: bare SQL", "C: hello, same router", "A/B", "goal")
	for _, b := range besides() {
		if !strings.HasPrefix(b.name, *only) {
			continue
		}
		if err := l.compare(ctx, b, *rounds, *block); err != nil {
			return err
		}
	}
	fmt.Println(machine())
	return nil
}

// compare measures one endpoint and prints its line.
func (l *load) compare(ctx context.Context, b beside, rounds, block int) (err error) {
	conn, err := l.database.Pool.Acquire(ctx) // one for all, as warm as the program's
	if err != nil {
		return err
	}
	defer conn.Release()
	by, err := l.world.People[0].Line(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, by.Close()) }()
	c := l.world.Catalogue
	medians, err := drive.Beside(ctx, []drive.Way{
		{Name: b.name, Once: func(ctx context.Context, i int) error { return by.Fetch(ctx, b.path(c, i), b.page) }},
		{Name: b.name + ", bare SQL", Once: func(ctx context.Context, i int) error { return read(ctx, conn, b.bare(c, i)) }},
		{Name: "hello", Once: func(ctx context.Context, _ int) error { return by.Fetch(ctx, "/healthz", b.page) }},
	}, rounds, block)
	if err != nil {
		return err
	}
	shown := func(s drive.Samples) string {
		ms := func(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
		return fmt.Sprintf("%.2f (%.2f to %.2f)", ms(s.Median()), ms(s[0]), ms(s[len(s)-1]))
	}
	ratio, goal := float64(medians[0].Median())/float64(medians[1].Median()), ""
	if b.goal > 0 {
		if goal = fmt.Sprintf("≤ %.1f", b.goal); ratio > b.goal {
			goal += " NOT MET"
		}
	}
	fmt.Printf("%-36s %24s %24s %24s %8.2f %s\n", b.name, shown(medians[0]), shown(medians[1]), shown(medians[2]), ratio, goal)
	return nil
}

// read sends the statements in one round trip and reads every value, without making anything of it.
func read(ctx context.Context, conn *pgxpool.Conn, batch *pgx.Batch) error {
	results := conn.SendBatch(ctx, batch)
	for range batch.Len() {
		rows, err := results.Query()
		if err != nil {
			return errors.Join(err, results.Close())
		}
		for rows.Next() {
			for _, value := range rows.RawValues() {
				_ = value
			}
		}
		if err := rows.Err(); err != nil {
			return errors.Join(err, results.Close())
		}
	}
	return results.Close()
}
