//go:build unix

package fault

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/cmd/farthingale/serve"
	"farthingale/domain"
)

// The test binary runs itself as the copy of the program that is killed. These tell it where it works.
const (
	databaseEnv = "FAULT_DATABASE_URL"
	bucketEnv   = "FAULT_BUCKET_URL"
	jobsEnv     = "FAULT_JOBS"      // not empty: it does jobs too
	roomEnv     = "FAULT_FILE_ROOM" // how many bytes of a file it can write; empty: any number
	dieAt       = "Fault-Die-At"    // request header: the step at which the copy kills itself; 0: none
	copyName    = "fault copy"      // of its sessions in the database
)

func TestMain(m *testing.M) {
	if os.Getenv(databaseEnv) != "" {
		if err := serveCopy(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "test.parallel" })
	if !given { // one of these tests waits for thirty seconds, and the others often
		if err := flag.Set("test.parallel", strconv.Itoa(1+runtime.GOMAXPROCS(0))); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

// steps counts what an act has done so far. Each statement counts twice, before it is sent and after its
// answer, and so does the answer itself. What stands between two statements, such as a file that is named,
// lies between two steps.
type steps struct {
	n    atomic.Int64
	last int64
}

type stepsKey struct{}

// pass is a step. The copy dies here if it was told to: at once, as by kill -9.
func pass(ctx context.Context) {
	s, ok := ctx.Value(stepsKey{}).(*steps)
	if ok && s.n.Add(1) == s.last {
		_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		select {}
	}
}

// tracer makes a step of every statement.
type tracer struct{}

func (tracer) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	pass(ctx)
	return ctx
}

func (tracer) TraceQueryEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryEndData) { pass(ctx) }

func (tracer) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	pass(ctx)
	return ctx
}

func (tracer) TraceBatchQuery(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchQueryData) { pass(ctx) }

func (tracer) TraceBatchEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchEndData) { pass(ctx) }

// bounded lets this process write so many bytes of a file and no more, as a full disk would.
func bounded(text string) error {
	if text == "" {
		return nil
	}
	most, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return err
	}
	signal.Ignore(syscall.SIGXFSZ) // the write shall fail, not the process
	return syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: most, Max: most})
}

// serveCopy serves until its standard input ends, which it does with the test at the latest.
func serveCopy() error {
	ctx := context.Background()
	if err := bounded(os.Getenv(roomEnv)); err != nil {
		return err
	}
	config, err := pgxpool.ParseConfig(os.Getenv(databaseEnv))
	if err != nil {
		return err
	}
	config.MaxConns = 4
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	config.ConnConfig.RuntimeParams["application_name"] = copyName
	config.ConnConfig.Tracer = tracer{}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	house, err := serve.New(ctx, pool, serve.Settings{Site: domain.DefaultSite(), Log: log, BucketURL: os.Getenv(bucketEnv)})
	if err != nil {
		return err
	}
	if os.Getenv(jobsEnv) != "" {
		if err := house.Start(ctx); err != nil {
			return err
		}
	}
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	server := &http.Server{ReadHeaderTimeout: time.Minute, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		at, _ := strconv.ParseInt(r.Header.Get(dieAt), 10, 64)
		ctx := context.WithValue(r.Context(), stepsKey{}, &steps{last: at})
		house.Handler.ServeHTTP(w, r.WithContext(ctx))
		pass(ctx) // everything is done, and the answer lies in the buffer
	})}
	go func() { _ = server.Serve(listener) }()
	fmt.Println(listener.Addr())
	_, _ = io.Copy(io.Discard, os.Stdin)
	closing, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	return errors.Join(server.Shutdown(closing), house.Close(closing))
}

// running is a copy of the program that runs.
type running struct {
	t       testing.TB
	cmd     *exec.Cmd
	stdin   io.Closer
	stderr  *bytes.Buffer
	address string
	gone    chan struct{}
}

// withJobs and withRoom are what a copy is told beside where it works.
func withJobs() string          { return jobsEnv + "=yes" }
func withRoom(bytes int) string { return roomEnv + "=" + strconv.Itoa(bytes) }

// unswept spares a copy the collection of garbage, which a life of one act does not need.
var unswept = []string{"GOGC=off", "GOMEMLIMIT=512MiB"}

// start runs a copy on the world's database and bucket.
func (w *world) start(told ...string) *running {
	w.t.Helper()
	program, err := os.Executable()
	if err != nil {
		w.t.Fatal(err)
	}
	c := &running{t: w.t, cmd: exec.Command(program), stderr: &bytes.Buffer{}, gone: make(chan struct{})}
	c.cmd.Env = slices.Concat(os.Environ(), unswept, []string{databaseEnv + "=" + w.house.Database.URL, bucketEnv + "=" + w.bucketURL}, told)
	c.cmd.Stderr = c.stderr
	stdin, err := c.cmd.StdinPipe()
	if err != nil {
		w.t.Fatal(err)
	}
	c.stdin = stdin
	stdout, err := c.cmd.StdoutPipe()
	if err != nil {
		w.t.Fatal(err)
	}
	if err := c.cmd.Start(); err != nil {
		w.t.Fatal(err)
	}
	line, err := bufio.NewReader(stdout).ReadString('\n')
	go func() {
		defer close(c.gone)
		_ = c.cmd.Wait()
	}()
	w.t.Cleanup(c.kill)
	if err != nil {
		<-c.gone
		w.t.Fatalf("a copy does not start: %v\n%s", err, c.stderr)
	}
	c.address = "http://" + strings.TrimSpace(line)
	return c
}

// kill ends the copy as kill -9 does, and waits until it is gone.
func (c *running) kill() {
	_ = c.cmd.Process.Kill()
	<-c.gone
}

// answer is what came back.
type answer struct {
	status     int
	replayed   bool
	retryAfter string
	body       string
}

// send sends an act. An error means that no whole answer came back. step 0: the copy does not kill itself.
func (c *running) send(ctx context.Context, a act, step int) (answer, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, c.address+"/api/v1"+a.path, bytes.NewReader(a.body))
	if err != nil {
		return answer{}, err
	}
	r.Close = true
	a.headers(r)
	r.Header.Set(dieAt, strconv.Itoa(step))
	got, err := http.DefaultClient.Do(r)
	if err != nil {
		return answer{}, err
	}
	defer func() { _ = got.Body.Close() }()
	b, err := io.ReadAll(got.Body)
	return answer{status: got.StatusCode, replayed: got.Header.Get("Idempotency-Replayed") != "", retryAfter: got.Header.Get("Retry-After"), body: string(b)}, err
}

// headers say who acts, on what, and under which key.
func (a act) headers(r *http.Request) {
	r.Header.Set("Authorization", "Bearer "+a.token)
	r.Header.Set("Content-Type", a.kind)
	if a.key != "" {
		r.Header.Set("Idempotency-Key", a.key)
	}
	if a.version > 0 {
		r.Header.Set("If-Match", fmt.Sprintf(`"v%d"`, a.version))
	}
}
