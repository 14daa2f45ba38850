package postgres

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/postgres/local"
)

// The two roles. The owner owns every table and migrates; its name is ours only in a private
// cluster. The running program is AppRole, which owns nothing, so that it can neither change
// the tables nor switch their triggers off.
const (
	OwnerRole = local.Owner
	AppRole   = "farthingale_app"
)

// database is the name of the database in a private cluster.
const database = "farthingale"

// defaultConns is how many connections a copy of the program holds at most.
const defaultConns = 16

// Settings say which database to open and how.
type Settings struct {
	DatabaseURL      string // "" for a private cluster in DataDir
	ReadDatabaseURL  string // a streaming replica for reads; "" reads from the database itself
	OwnerDatabaseURL string // the login that owns and migrates; "" is DatabaseURL
	DataDir          string // the program's data folder; the private cluster goes into postgres/ below it
	BinDir           string // the folder of the Postgres programs; "" to look for them
	NoMigrate        bool   // leave the tables as they are
	MaxConns         int32  // 0 is 16
	Log              *slog.Logger
}

// Server is an open database.
type Server struct {
	Pool     *pgxpool.Pool // the program's connections, as AppRole
	ReadPool *pgxpool.Pool // for queries that bear a small delay; Pool itself when there is no replica
	OwnerURL string        // for migrations and for looking on as the owner
	URL      string        // of Pool

	cluster *local.Cluster // nil when the database is not ours to run
}

// Open opens the database, brings its tables up to date, and connects. Without a
// DatabaseURL it starts a private cluster from local or fetched Postgres programs.
func Open(ctx context.Context, s Settings) (*Server, error) {
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	server := &Server{}
	if err := server.open(ctx, s); err != nil {
		// What was opened so far is closed even when ctx is what ended.
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
		defer cancel()
		return nil, errors.Join(err, server.Close(closing))
	}
	return server, nil
}

func (v *Server) open(ctx context.Context, s Settings) error {
	if err := v.locate(ctx, s); err != nil {
		return err
	}
	if err := awaitServer(ctx, v.OwnerURL, s.Log); err != nil {
		return err
	}
	if s.NoMigrate {
		status, err := MigrateStatus(ctx, v.OwnerURL)
		if err != nil {
			return err
		}
		if len(status.Pending) > 0 || status.Dirty {
			s.Log.Warn("the tables are not up to date", "version", status.Version, "pending", len(status.Pending), "dirty", status.Dirty)
		}
	} else if err := MigrateUp(ctx, v.OwnerURL, s.Log); err != nil {
		return err
	}

	var err error
	if v.Pool, err = connect(ctx, v.URL, s, nil); err != nil {
		return err
	}
	v.ReadPool = v.Pool
	if s.ReadDatabaseURL != "" {
		v.ReadPool, err = connect(ctx, s.ReadDatabaseURL, s, map[string]string{"default_transaction_read_only": "on"})
	}
	return err
}

// locate finds or starts the database and sets both URLs.
func (v *Server) locate(ctx context.Context, s Settings) error {
	if s.DatabaseURL != "" {
		v.URL, v.OwnerURL = s.DatabaseURL, s.OwnerDatabaseURL
		if v.OwnerURL == "" {
			v.OwnerURL = s.DatabaseURL
		}
		return nil
	}
	if s.DataDir == "" {
		return errors.New("open database: neither a database URL nor a data folder is given")
	}
	cluster, err := local.Start(ctx, local.Options{DataDir: filepath.Join(s.DataDir, "postgres"), BinDir: s.BinDir, Log: s.Log})
	if err != nil {
		return fmt.Errorf("DATABASE_URL is not set, so a private Postgres is needed: %w", err)
	}
	v.cluster = cluster
	v.URL, v.OwnerURL = cluster.URL(AppRole, database), cluster.URL(OwnerRole, database)
	return prepareCluster(ctx, cluster.URL(OwnerRole, "postgres"), database)
}

// prepareCluster makes the role and the database of a private cluster when they are absent.
func prepareCluster(ctx context.Context, url, name string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fmt.Errorf("connect to the private Postgres: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	if err := ensureAppRole(ctx, conn, true); err != nil {
		return err
	}
	_, err = conn.Exec(ctx, "create database "+pgx.Identifier{name}.Sanitize())
	if pgErr := new(pgconn.PgError); errors.As(err, &pgErr) && (pgErr.Code == "42P04" || pgErr.Code == "23505") {
		return nil // it exists, or a guest of the cluster was quicker
	}
	if err != nil {
		return fmt.Errorf("make database %s: %w", name, err)
	}
	return nil
}

// awaitServer gives a server that was started together with this program a moment.
func awaitServer(ctx context.Context, url string, log *slog.Logger) error {
	const patience = 15 * time.Second
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return fmt.Errorf("read the database URL: %w", err)
	}
	for began, told := time.Now(), false; ; {
		conn, err := pgx.ConnectConfig(ctx, config)
		if err == nil {
			return conn.Close(ctx)
		}
		if !starting(err) || time.Since(began) > patience {
			return fmt.Errorf("connect to the database: %w", err)
		}
		if !told {
			log.Info("waiting for the database", "host", config.Host)
			told = true
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("connect to the database: %w", err)
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// starting tells whether err may go away by itself: nobody listens yet, or the server says
// that it is starting.
func starting(err error) bool {
	if pgErr := new(pgconn.PgError); errors.As(err, &pgErr) {
		return pgErr.Code == "57P03"
	}
	var dial *net.OpError
	return errors.As(err, &dial)
}

// connect makes a pool whose sessions act as AppRole where the login may do so.
func connect(ctx context.Context, url string, s Settings, extra map[string]string) (*pgxpool.Pool, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("read the database URL: %w", err)
	}
	config.ConnConfig.Tracer = QueryTracer{}
	config.MaxConns = s.MaxConns
	if config.MaxConns == 0 {
		config.MaxConns = defaultConns
	}
	defaults := map[string]string{
		"application_name":                    "farthingale",
		"statement_timeout":                   "30s",
		"idle_in_transaction_session_timeout": "60s",
		"timezone":                            "UTC",
		// Our statements take milliseconds. Compiling one, which the server does where it expects much
		// work, takes a hundred.
		"jit": "off",
		// Nor does starting helpers for one statement pay where forty people ask at once.
		"max_parallel_workers_per_gather": "0",
	}
	maps.Copy(defaults, extra)
	for name, value := range defaults {
		if _, given := config.ConnConfig.RuntimeParams[name]; !given {
			config.ConnConfig.RuntimeParams[name] = value
		}
	}
	assume, err := roleToAssume(ctx, config.ConnConfig, s.Log)
	if err != nil {
		return nil, err
	}
	config.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
		if err := Prepare(ctx, conn); err != nil || !assume {
			return err
		}
		_, err := conn.Exec(ctx, "set role "+AppRole)
		return err
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("connect to the database: %w", err)
	}
	return pool, nil
}

// Close gives the connections back and ends the private cluster, if it is ours. When ctx
// ends, it no longer waits for queries that still run.
func (v *Server) Close(ctx context.Context) error {
	closed := make(chan struct{})
	go func() {
		if v.Pool != nil {
			v.Pool.Close()
		}
		if v.ReadPool != nil {
			v.ReadPool.Close()
		}
		close(closed)
	}()
	select {
	case <-closed:
	case <-ctx.Done():
	}
	if v.cluster == nil {
		return nil
	}
	if err := v.cluster.Stop(ctx); err != nil {
		return fmt.Errorf("stop the private Postgres: %w", err)
	}
	return nil
}
