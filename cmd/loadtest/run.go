package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"slices"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/cmd/loadtest/drive"
	"farthingale/postgres"
)

// load is what run and saturate share: the ground, the program on it, and people who are signed in.
type load struct {
	ground
	programPath, server string
	pid, users          int
	profile             string
	duration            time.Duration
	seed                uint64

	database *postgres.Server
	program  *program
	house    *drive.House
	world    *drive.World
}

func (l *load) flags(f *flag.FlagSet) {
	l.ground.flags(f)
	f.StringVar(&l.programPath, "program", "", "farthingale to measure; built from this module when not given")
	f.StringVar(&l.server, "server", "", "address of a running server on the loopback and on this database, instead of starting one")
	f.IntVar(&l.pid, "server-pid", 0, "process of that server, to tell its memory")
	f.IntVar(&l.users, "users", 40, "people who are signed in")
	f.StringVar(&l.profile, "profile", "mixed", "read, write or mixed (nine reads for each write)")
	f.DurationVar(&l.duration, "duration", 2*time.Minute, "how long")
	f.Uint64Var(&l.seed, "choice", 1, "the same number chooses the same objects and acts")
}

// open opens the ground, starts the program and signs people in.
func (l *load) open(ctx context.Context, env ...string) error {
	if err := l.check(); err != nil {
		return err
	}
	if _, known := drive.Profiles()[l.profile]; !known {
		return fmt.Errorf("there is no profile %q: read, write or mixed", l.profile)
	}
	if l.users < 1 || l.users > 40 || l.duration > time.Hour {
		return errors.New("1 to 40 people, at most an hour")
	}
	known, err := l.found()
	if err != nil {
		return err
	}
	if l.database, err = postgres.Open(ctx, postgres.Settings{DatabaseURL: l.databaseURL, OwnerDatabaseURL: l.ownerURL, DataDir: l.data, BinDir: l.pgBin}); err != nil {
		return err
	}
	if l.program = (&program{address: l.server, pid: l.pid}); l.server == "" {
		if l.program, err = start(ctx, l.programPath, l.data, l.database.URL, l.database.OwnerURL, l.bucket(), env...); err != nil {
			return err
		}
	}
	if l.house, err = drive.NewHouse(l.program.address); err != nil {
		return err
	}
	catalogue, err := drive.ReadCatalogue(ctx, l.database.Pool)
	if err != nil {
		return err
	}
	names, err := l.names(ctx, l.database.Pool)
	if err != nil {
		return err
	}
	var people []*drive.Person
	for _, name := range names {
		p, err := l.house.SignIn(ctx, name, known.Password)
		if err != nil {
			return err
		}
		people = append(people, p)
	}
	l.world = drive.NewWorld(catalogue, people, drive.Picture())
	l.house.Record = drive.NewRecord() // signing in is not measured
	fmt.Printf("%d objects, %d people, %s\n%s\n", known.Objects, len(people), l.program.address, machine())
	return nil
}

// names are the sign-in names of the people who take part: all conservators, who have treatments in their
// charge, and of the other roles as many as there is room for. A steward reads no records.
func (l *load) names(ctx context.Context, pool *pgxpool.Pool) ([]string, error) {
	rows, err := pool.Query(ctx, `
		select sign_in_name, roles[1] from person where not 'steward' = any (roles) and closed_at is null
		order by 'conservator' <> all (roles), row_number() over (partition by roles[1], departments order by id), sign_in_name`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name, role string
		if err := rows.Scan(&name, &role); err != nil {
			return nil, err
		}
		if len(names) < l.users {
			names = append(names, name)
		}
	}
	return names, rows.Err()
}

func (l *load) close() error {
	var err error
	if l.house != nil {
		l.house.Close()
	}
	if l.program != nil {
		err = l.program.stop()
	}
	if l.database != nil {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		err = errors.Join(err, l.database.Close(ctx))
	}
	return err
}

// runRun serves 'loadtest run': the open loop.
func runRun(ctx context.Context, args []string) (err error) {
	l := &load{}
	f := flag.NewFlagSet("run", flag.ContinueOnError)
	l.flags(f)
	rate := f.Float64("rate", 60, "visits begun in a second, at most 1000")
	warm := f.Duration("warm-up", 10*time.Second, "how long before anything is noted")
	if err := f.Parse(args); err != nil {
		return err
	}
	if *rate <= 0 || *rate > 1000 {
		return errors.New("a rate is more than 0 and at most 1000")
	}
	defer func() { err = errors.Join(err, l.close()) }()
	if err := l.open(ctx); err != nil {
		return err
	}
	profile := drive.Profiles()[l.profile]
	drive.Open(ctx, l.world, profile, *rate, *warm, l.seed+1<<32)
	l.house.Record = drive.NewRecord()
	began := time.Now()
	drive.Open(ctx, l.world, profile, *rate, l.duration, l.seed)
	took := time.Since(began)
	fmt.Printf("\nopen loop, profile %s, %.0f visits a second for %s; %.1f requests a second\n", l.profile, *rate, l.duration, float64(l.house.Record.Sent())/took.Seconds())
	l.house.Record.Print(os.Stdout)
	fmt.Printf("memory of the program: %s\n", l.program.memory())
	for _, page := range drive.Weigh(ctx, l.world, l.seed) {
		fmt.Printf("%-44s %8.1f kB, %.1f kB as sent\n", "weight of "+page.What, float64(page.Plain)/1000, float64(page.Sent)/1000)
	}
	fmt.Println(machine())
	if n := l.house.Record.Failed(); n > 0 {
		return fmt.Errorf("%d of %d requests failed", n, l.house.Record.Sent())
	}
	return ctx.Err()
}

// runSaturate serves 'loadtest saturate': the closed loop.
func runSaturate(ctx context.Context, args []string) (err error) {
	l := &load{}
	f := flag.NewFlagSet("saturate", flag.ContinueOnError)
	l.flags(f)
	if err := f.Parse(args); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.close()) }()
	if err := l.open(ctx, "REQUESTS_PER_MINUTE=0"); err != nil {
		return err
	}
	profile := drive.Profiles()[l.profile]
	drive.Closed(ctx, l.world, profile, 4, 5*time.Second, l.seed+1<<32)
	fmt.Printf("\nclosed loop, profile %s, %s each\n%12s %22s\n", l.profile, l.duration, "at a time", "requests a second")
	for _, hands := range slices.Compact([]int{1, min(4, l.users), min(16, l.users), l.users}) {
		l.house.Record = drive.NewRecord()
		fmt.Printf("%12d %22.1f\n", hands, drive.Closed(ctx, l.world, profile, hands, l.duration, l.seed+uint64(hands))) // #nosec G115 -- at most 40
	}
	fmt.Println("\nthe last of them:")
	l.house.Record.Print(os.Stdout)
	fmt.Printf("memory of the program: %s\n%s\n", l.program.memory(), machine())
	return ctx.Err()
}
