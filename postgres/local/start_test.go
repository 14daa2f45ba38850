//go:build unix

package local

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// ownerFor makes the test binary start a cluster in the folder named, say so, and wait to be
// killed.
const ownerFor = "FARTHINGALE_TEST_OWNER_FOR"

func TestMain(m *testing.M) {
	dir := os.Getenv(ownerFor)
	if dir == "" {
		os.Exit(runInMemory(m))
	}
	c, err := Start(context.Background(), Options{DataDir: dir})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	fmt.Println("ready", c.Guest())
	io.Copy(io.Discard, os.Stdin)
	if err := c.Stop(context.Background()); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	fmt.Println("stopped")
	os.Exit(0)
}

// runInMemory spares the disk: a new cluster is a thousand files.
func runInMemory(m *testing.M) int {
	if os.Getenv("TMPDIR") == "" {
		if dir, err := os.MkdirTemp("/dev/shm", "farthingale-local-"); err == nil {
			defer os.RemoveAll(dir)
			os.Chmod(dir, 0o755)
			os.Setenv("TMPDIR", dir)
		}
	}
	return m.Run()
}

// begin starts a cluster that is stopped with the test.
func begin(t *testing.T, dir string) *Cluster {
	t.Helper()
	c, err := Start(t.Context(), Options{DataDir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(t, c) })
	return c
}

// abandon lets go of the lock as the kernel does when a program is killed.
func abandon(t *testing.T, c *Cluster) {
	t.Helper()
	c.process.serving.Store(false)
	if err := syscall.Flock(int(c.lock.Fd()), syscall.LOCK_UN); err != nil {
		t.Fatal(err)
	}
}

func stop(t *testing.T, c *Cluster) {
	t.Helper()
	if err := c.Stop(context.Background()); err != nil {
		t.Error(err)
	}
}

func connect(t *testing.T, c *Cluster) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), c.URL(Owner, "postgres"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.Background()) })
	return conn
}

// do runs SQL in a session of its own and gives its one value.
func do(t *testing.T, c *Cluster, sql string) string {
	t.Helper()
	conn := connect(t, c)
	defer conn.Close(t.Context())
	var value string
	if err := conn.QueryRow(t.Context(), sql).Scan(&value); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return value
}

func keepSomething(t *testing.T, c *Cluster) {
	t.Helper()
	conn := connect(t, c)
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), "create table kept as select 'a rubber glove' as what"); err != nil {
		t.Fatal(err)
	}
}

func wantKept(t *testing.T, c *Cluster) {
	t.Helper()
	if what := do(t, c, "select what from kept"); what != "a rubber glove" {
		t.Errorf("kept %q", what)
	}
}

func TestStartStopStart(t *testing.T) {
	dir := t.TempDir()
	began := time.Now()
	c := begin(t, dir)
	t.Logf("from nothing to ready: %v", time.Since(began))
	keepSomething(t, c)
	if c.Guest() {
		t.Error("the one program is a guest")
	}
	if net := do(t, c, "show listen_addresses"); net != "" {
		t.Errorf("it listens on %q", net)
	}
	if sums := do(t, c, "show data_checksums"); sums != "on" {
		t.Error("no data checksums")
	}
	if low := do(t, c, "select lower('ŁÓDŹ Ελλάδα ЯНВАРЬ')"); low != "łódź ελλάδα январь" {
		t.Errorf("lower case is %q", low)
	}
	pid := c.process.cmd.Process.Pid
	stop(t, c)
	stop(t, c) // harmless
	if isServer(pid, layoutOf(dir).data) {
		t.Error("the server is still there after Stop")
	}
	began = time.Now()
	c = begin(t, dir)
	t.Logf("again: %v", time.Since(began))
	wantKept(t, c)
	for _, name := range []string{filepath.Join(dir, "data"), c.socket} {
		if s, err := os.Stat(name); err != nil || s.Mode().Perm() != 0o700 {
			t.Errorf("folder %s: %v %v", name, s, err)
		}
	}
}

// owner is another program that owns a cluster.
type owner struct {
	cmd   *exec.Cmd
	in    io.Closer
	out   *bufio.Reader
	ready string
}

func startOwner(t *testing.T, dir string) *owner {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), ownerFor+"="+dir)
	in, err1 := cmd.StdinPipe()
	out, err2 := cmd.StdoutPipe()
	cmd.Stderr = os.Stderr
	if err := errors.Join(err1, err2, cmd.Start()); err != nil {
		t.Fatal(err)
	}
	o := &owner{cmd: cmd, in: in, out: bufio.NewReader(out)}
	t.Cleanup(func() { o.kill() })
	o.ready, _ = o.out.ReadString('\n')
	if !strings.HasPrefix(o.ready, "ready") {
		t.Fatalf("the other program says %q", o.ready)
	}
	return o
}

func (o *owner) kill() {
	_ = o.cmd.Process.Kill()
	_ = o.cmd.Wait()
}

func TestClusterOfKilledProgramIsTakenOver(t *testing.T) {
	dir := t.TempDir()
	other := startOwner(t, dir)
	guest := begin(t, dir)
	if !guest.Guest() {
		t.Fatal("two programs own one cluster")
	}
	keepSomething(t, guest)
	left, _ := layoutOf(dir).readPidFile()

	other.kill()
	c := begin(t, dir)
	if c.Guest() {
		t.Error("a guest of a dead program")
	}
	if isServer(left.pid, layoutOf(dir).data) {
		t.Errorf("the server of the killed program still runs as process %d", left.pid)
	}
	wantKept(t, c)
}

// Where the kernel does not end the server with its program, the next start does.
func TestServerLeftBehindIsEnded(t *testing.T) {
	dir := t.TempDir()
	c := begin(t, dir)
	keepSomething(t, c)
	abandon(t, c) // as if this program had been killed without its server

	next := begin(t, dir)
	if next.Guest() {
		t.Error("a guest of nobody")
	}
	select {
	case <-c.process.ended:
	default:
		t.Error("two servers on one folder")
	}
	wantKept(t, next)
}

func TestGuestLeavesTheServerAlone(t *testing.T) {
	dir := t.TempDir()
	c := begin(t, dir)
	guest := begin(t, dir)
	stop(t, guest)
	if do(t, c, "select 'there'") != "there" {
		t.Error("the guest stopped the server")
	}
}

func TestManyStartsAtOnceMakeOneServer(t *testing.T) {
	dir := t.TempDir()
	const n = 5
	type answer struct {
		c   *Cluster
		err error
	}
	answers := make(chan answer)
	for range n {
		go func() {
			c, err := Start(context.Background(), Options{DataDir: dir})
			answers <- answer{c, err}
		}()
	}
	owners := 0
	for range n {
		a := <-answers
		if a.err != nil {
			t.Error(a.err)
			continue
		}
		t.Cleanup(func() { stop(t, a.c) })
		if !a.c.Guest() {
			owners++
		}
	}
	if owners != 1 {
		t.Errorf("%d owners", owners)
	}
}

func TestCleanStopByTheOwner(t *testing.T) {
	dir := t.TempDir()
	o := startOwner(t, dir)
	o.in.Close()
	if said, _ := o.out.ReadString('\n'); said != "stopped\n" {
		t.Fatalf("the other program says %q", said)
	}
	if _, ok := layoutOf(dir).readPidFile(); ok {
		t.Error("a pid file is left")
	}
	log, err := os.ReadFile(layoutOf(dir).log)
	if err != nil || !bytes.HasSuffix(bytes.TrimSpace(log), []byte("database system is shut down")) {
		t.Errorf("no clean end in the log: %v\n%s", err, log)
	}
}

func TestServerShotInTheMiddleOfWork(t *testing.T) {
	dir := t.TempDir()
	c := begin(t, dir)
	keepSomething(t, c)
	conn := connect(t, c)
	// A backend at work does not notice at once that the server is gone, and holds its memory.
	worked := make(chan struct{})
	go func() {
		defer close(worked)
		_, _ = conn.Exec(context.Background(), "select count(*) from generate_series(1, 5000000)")
	}()
	t.Cleanup(func() { <-worked }) // before the connection is closed
	for do(t, c, "select count(*)::text from pg_stat_activity where query like '%5000000%' and pid <> pg_backend_pid()") == "0" {
	}
	if err := c.process.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	<-c.process.ended
	abandon(t, c)
	wantKept(t, begin(t, dir))
}

func TestStalePidFile(t *testing.T) {
	zombie := exec.Command("true")
	if err := zombie.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { zombie.Wait() })
	ended := exec.Command("true")
	if err := ended.Run(); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	first := begin(t, dir)
	keepSomething(t, first)
	stop(t, first)
	for name, pid := range map[string]int{
		"a zombie":             zombie.Process.Pid,
		"an ended process":     ended.Process.Pid,
		"another program":      os.Getpid(),
		"our own parent":       os.Getppid(),
		"the first of all":     1,
		"no process number":    -1,
		"an impossible number": 1 << 30,
	} {
		t.Run(name, func(t *testing.T) {
			c := begin(t, dir)
			if c.Guest() {
				t.Fatal("the test before left a server")
			}
			file := filepath.Join(dir, "data", "postmaster.pid")
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			stop(t, c)
			_, rest, _ := bytes.Cut(text, []byte("\n"))
			if err := os.WriteFile(file, append([]byte(strconv.Itoa(pid)+"\n"), rest...), 0o600); err != nil {
				t.Fatal(err)
			}
			wantKept(t, begin(t, dir))
		})
	}
}

func ownerOfData(t *testing.T, dir string) int {
	t.Helper()
	uid, ok := ownerOf(filepath.Join(dir, "data"))
	if !ok {
		t.Fatal("no data folder")
	}
	return uid
}

func TestLongPath(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("very-deep/", 12), "łódź & co")
	c := begin(t, dir)
	if strings.HasPrefix(c.socket, dir) || len(c.socket) > 90 {
		t.Errorf("socket in %s", c.socket)
	}
	keepSomething(t, c)
	again := begin(t, dir)
	if !again.Guest() {
		t.Error("the deep folder has two owners")
	}
	stop(t, c)
	if _, err := os.Stat(c.socket); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the folder of the socket stays: %v", err)
	}
	wantKept(t, begin(t, dir))
}

func TestSocketFolderTakenBySomebodyElse(t *testing.T) {
	deep := filepath.Join(t.TempDir(), strings.Repeat("very-deep/", 12))
	who := account{uid: os.Geteuid(), gid: os.Getegid()}
	dir, err := socketDir(deep, who)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(t.TempDir(), dir); err != nil { // a trap in the temporary folder
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Remove(dir) })
	got, err := socketDir(deep, who)
	if got == dir {
		t.Errorf("the socket goes where somebody else points (%v)", err)
	}
	removeSocketDir(deep, got)
}

func TestInterruptedInitdb(t *testing.T) {
	dir := t.TempDir()
	half := filepath.Join(dir, "data.new", "base")
	if err := os.MkdirAll(half, 0o700); err != nil {
		t.Fatal(err)
	}
	c := begin(t, dir)
	if do(t, c, "select 'there'") != "there" {
		t.Error("no answer")
	}
	if _, err := os.Stat(half); !errors.Is(err, os.ErrNotExist) {
		t.Error("the half-made cluster stays")
	}
}

func TestSymbolicLinkToTheFolder(t *testing.T) {
	real := t.TempDir()
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(real, link); err != nil {
		t.Fatal(err)
	}
	begin(t, real)
	if c := begin(t, link); !c.Guest() {
		t.Error("one folder under two names has two servers")
	}
}

// want starts a cluster that must fail and compares the message.
func want(t *testing.T, o Options, parts ...string) {
	t.Helper()
	c, err := Start(t.Context(), o)
	if err == nil {
		stop(t, c)
		t.Fatalf("it starts in %s", o.DataDir)
	}
	for _, p := range parts {
		if !strings.Contains(err.Error(), p) {
			t.Errorf("the message lacks %q:\n%v", p, err)
		}
	}
}

func TestFoldersThatWillNotDo(t *testing.T) {
	t.Run("a file is in the way", func(t *testing.T) {
		file := filepath.Join(t.TempDir(), "file")
		if err := os.WriteFile(file, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		want(t, Options{DataDir: filepath.Join(file, "postgres")}, "cannot be made", file)
	})
	t.Run("cannot be written to", func(t *testing.T) {
		dir := t.TempDir()
		if os.Geteuid() == 0 {
			dir = "/proc" // nobody can, not even root
		} else if err := os.Chmod(dir, 0o500); err != nil {
			t.Fatal(err)
		}
		want(t, Options{DataDir: dir}, "cannot be written to", dir)
	})
	t.Run("holds something else", func(t *testing.T) {
		dir := t.TempDir()
		if err := os.MkdirAll(filepath.Join(dir, "data", "photographs"), 0o700); err != nil {
			t.Fatal(err)
		}
		want(t, Options{DataDir: dir}, "is not empty and is no Postgres cluster", dir)
	})
	t.Run("made by another version", func(t *testing.T) {
		dir := t.TempDir()
		if err := os.MkdirAll(filepath.Join(dir, "data"), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "data", "PG_VERSION"), []byte("9\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		want(t, Options{DataDir: dir, NoFetch: true}, "made by Postgres 9", "Tried:", "This would help:")
	})
	t.Run("does not start", func(t *testing.T) {
		dir := t.TempDir()
		stop(t, begin(t, dir))
		conf, err := os.OpenFile(filepath.Join(dir, "data", "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(conf, "shared_buffers = plenty")
		conf.Close()
		want(t, Options{DataDir: dir}, "ended at once", "plenty", "postgres.log")
	})
}

func TestWaitingEnds(t *testing.T) {
	dir := t.TempDir()
	lock, err := os.Create(filepath.Join(dir, "lock"))
	if err != nil {
		t.Fatal(err)
	}
	defer lock.Close()
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if _, err := Start(ctx, Options{DataDir: dir}); err == nil || !strings.Contains(err.Error(), "another running program") {
		t.Errorf("got %v", err)
	}
}

func TestDiscard(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "cluster")
	c := begin(t, dir)
	if Discard(dir) {
		t.Error("a cluster in use is discarded")
	}
	do(t, c, "select 'there'")
	abandon(t, c)
	if !Discard(dir) {
		t.Error("a cluster that nobody owns is not discarded")
	}
	<-c.process.ended
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Error("the folder is still there")
	}

	fresh := filepath.Join(t.TempDir(), "fresh")
	if err := os.Mkdir(fresh, 0o700); err != nil {
		t.Fatal(err)
	}
	if Discard(fresh) {
		t.Error("a folder that somebody has just made is discarded")
	}
}

func TestServerThatEndsByItselfIsLogged(t *testing.T) {
	log := make(lines, 100)
	c, err := Start(t.Context(), Options{DataDir: t.TempDir(), Log: slog.New(slog.NewTextHandler(log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(t, c) })
	if err := c.process.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	<-c.process.ended
	for line := range log {
		if strings.Contains(line, "ended by itself") {
			break
		}
	}
}

type lines chan string

func (l lines) Write(b []byte) (int, error) {
	l <- string(b)
	return len(b), nil
}

// roomForAll is a folder that every account can enter, unlike t.TempDir.
func roomForAll(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "farthingale-all-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Root without user namespaces hands the files to a lower account, and takes them back when
// user namespaces are allowed.
func TestRootWithoutUserNamespaces(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Log("this is a plain user; nothing to lower")
		return
	}
	forbid := func(t *testing.T) {
		was := userNamespace
		userNamespace = nil
		t.Cleanup(func() { userNamespace = was })
	}
	dir := filepath.Join(roomForAll(t), "postgres")
	t.Run("lower account", func(t *testing.T) {
		forbid(t)
		c := begin(t, dir)
		keepSomething(t, c)
		if uid := ownerOfData(t, dir); uid == 0 {
			t.Error("the data is still root's")
		}
	})
	t.Run("user namespace again", func(t *testing.T) {
		if userNamespace == nil {
			t.Fatal("no user namespace on this system")
		}
		wantKept(t, begin(t, dir))
		if uid := ownerOfData(t, dir); uid != 0 {
			t.Errorf("the data belongs to %d", uid)
		}
	})
	t.Run("lower account again", func(t *testing.T) {
		forbid(t)
		wantKept(t, begin(t, dir))
	})
	t.Run("a parent folder keeps it out", func(t *testing.T) {
		forbid(t)
		closed := t.TempDir()
		if err := os.Chmod(closed, 0o700); err != nil {
			t.Fatal(err)
		}
		want(t, Options{DataDir: filepath.Join(closed, "postgres")}, "cannot enter "+closed, "plain user")
	})
}

// The same tests as a plain user, with a home and a data folder of its own.
func TestAsPlainUser(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Log("this is a plain user already")
		return
	}
	nobody, err := user.Lookup("nobody")
	if err != nil {
		t.Fatal(err)
	}
	uid, err1 := strconv.Atoi(nobody.Uid)
	gid, err2 := strconv.Atoi(nobody.Gid)
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	room := roomForAll(t)
	binary := filepath.Join(room, "local.test")
	text, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(binary, text, 0o755); err != nil {
		t.Fatal(err)
	}
	home := filepath.Join(room, "home")
	if err := os.Mkdir(home, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(home, uid, gid); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), binary, "-test.v",
		"-test.run=^(TestStartStopStart|TestClusterOfKilled|TestServerLeft|TestCleanStop|TestLongPath|TestFoldersThat|TestStalePidFile)")
	cmd.Env = []string{"HOME=" + home, "TMPDIR=" + home, "PATH=" + os.Getenv("PATH"), BinDirVariable + "=" + os.Getenv(BinDirVariable)}
	cmd.Dir = home
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	said, err := cmd.CombinedOutput()
	if err != nil || !bytes.Contains(said, []byte("--- PASS: TestStartStopStart")) {
		t.Fatalf("as %s: %v\n%s", nobody.Username, err, said)
	}
	t.Logf("%s", said)

	t.Run("a folder of somebody else", func(t *testing.T) {
		dir := filepath.Join(room, "roots")
		stop(t, begin(t, dir))
		cmd := exec.CommandContext(t.Context(), binary)
		cmd.Env = []string{"HOME=" + home, ownerFor + "=" + dir, "PATH=" + os.Getenv("PATH")}
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
		said, err := cmd.CombinedOutput()
		if err == nil || !bytes.Contains(said, []byte("permission denied")) {
			t.Errorf("got %v\n%s", err, said)
		}
	})
}
