//go:build unix

package pgtest_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
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

	"farthingale/postgres/local"
	"farthingale/postgres/pgtest"
)

// childMode makes TestChild play another test binary that uses this package.
const childMode = "FARTHINGALE_TEST_CHILD"

func TestChild(t *testing.T) {
	mode := os.Getenv(childMode)
	if mode == "" {
		return // only another test starts it
	}
	d := pgtest.New(t)
	var folder, pid string
	err := d.OwnerPool().QueryRow(t.Context(), "select current_setting('data_directory'), split_part(pg_read_file('postmaster.pid'), e'\\n', 1)").Scan(&folder, &pid)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Println("\nserver", pid, filepath.Dir(folder), d.Name)
	switch mode {
	case "wait":
		io.Copy(io.Discard, os.Stdin)
	case "panic":
		panic("on purpose")
	case "exit":
		os.Exit(3)
	}
}

// child is another test binary, and the server that it says it has.
type child struct {
	cmd    *exec.Cmd
	in     io.Closer
	pid    int
	folder string
	name   string // of its database
}

func startChild(t *testing.T, mode string, more ...string) *child {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestChild$")
	cmd.Env = append(append(os.Environ(), childMode+"="+mode), more...)
	in, err1 := cmd.StdinPipe()
	out, err2 := cmd.StdoutPipe()
	if err := errors.Join(err1, err2, cmd.Start()); err != nil {
		t.Fatal(err)
	}
	c := &child{cmd: cmd, in: in}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	lines := bufio.NewScanner(out)
	var said []string
	for lines.Scan() {
		said = append(said, lines.Text())
		if n, _ := fmt.Sscanf(lines.Text(), "server %d %s %s", &c.pid, &c.folder, &c.name); n == 3 {
			go io.Copy(io.Discard, out)
			return c
		}
	}
	t.Fatalf("the other binary has no server:\n%s", strings.Join(said, "\n"))
	return nil
}

// awaitEnd waits until the server of a binary that ended has gone.
func (c *child) awaitEnd(t *testing.T) {
	t.Helper()
	_ = c.cmd.Wait()
	for limit := time.Now().Add(20 * time.Second); running(c.pid); {
		if time.Now().After(limit) {
			t.Fatalf("the server %d of a binary that ended still runs", c.pid)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// running tells whether a process is there and no zombie.
func running(pid int) bool {
	out, err := exec.Command("ps", "-o", "stat=", "-p", strconv.Itoa(pid)).Output()
	return err == nil && !strings.HasPrefix(strings.TrimSpace(string(out)), "Z")
}

func TestServerEndsWithTheBinary(t *testing.T) {
	if os.Getenv("TEST_DATABASE_URL") != "" {
		t.Log("the server is not ours")
		return
	}
	var left []string
	for _, mode := range []string{"wait", "killed", "panic", "exit"} {
		t.Run(mode, func(t *testing.T) {
			plays := mode
			if mode == "killed" {
				plays = "wait"
			}
			c := startChild(t, plays)
			if mode == "killed" {
				if !running(c.pid) {
					t.Fatal("no server")
				}
				if err := c.cmd.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
			c.in.Close()
			c.awaitEnd(t)
			left = append(left, c.folder)
		})
	}
	alive := startChild(t, "wait")
	next := startChild(t, "wait")
	for _, folder := range left {
		if _, err := os.Stat(folder); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("the next start leaves %s behind", folder)
		}
	}
	if !running(alive.pid) || !running(next.pid) || alive.folder == next.folder {
		t.Errorf("two binaries at once disturb each other: %+v %+v", alive, next)
	}
	alive.in.Close()
	next.in.Close()
}

func TestManyBinariesAtOnce(t *testing.T) {
	const n = 4
	ended := make(chan string, n)
	for range n {
		go func() {
			cmd := exec.Command(os.Args[0], "-test.run=^(TestEveryTestHasItsOwnDatabase|TestDatabaseIsDropped|TestNobodyConnects)")
			out, err := cmd.CombinedOutput()
			if err == nil {
				out = nil
			}
			ended <- string(out)
		}()
	}
	for range n {
		if out := <-ended; out != "" {
			t.Error(out)
		}
	}
}

// A server that outlives the binaries: they share one template, and leave no database behind.
func TestServerGiven(t *testing.T) {
	cluster, err := local.Start(t.Context(), local.Options{DataDir: t.TempDir(), Fast: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cluster.Stop(context.Background()) })
	given := "TEST_DATABASE_URL=" + cluster.URL(local.Owner, "postgres")
	var children []*child
	for range 3 {
		children = append(children, startChild(t, "wait", given))
	}
	shot := startChild(t, "wait", given)
	old := "farthingale_test_1_old" // made in 1970
	do := sqlAt(t, cluster)
	do("create database " + old)
	shot.cmd.Process.Kill()
	for _, c := range children {
		if c.folder != children[0].folder {
			t.Error("it is not the server given")
		}
		c.in.Close()
		if err := c.cmd.Wait(); err != nil {
			t.Error(err)
		}
	}
	c := startChild(t, "wait", given)
	c.in.Close()
	_ = c.cmd.Wait()
	got := do("select coalesce(string_agg(datname, ' ' order by datname), '') from pg_database where datname like 'farthingale%'")
	var templates, tests int
	for _, name := range strings.Fields(got) {
		if strings.HasPrefix(name, "farthingale_template_") {
			templates++
		} else if name != shot.name {
			tests++
		}
	}
	if templates != 1 || tests != 0 {
		t.Errorf("left on the server: %s", got)
	}
}

// sqlAt runs SQL on a cluster and gives its one value, if any.
func sqlAt(t *testing.T, cluster *local.Cluster) func(sql string) string {
	t.Helper()
	return func(sql string) string {
		t.Helper()
		conn, err := pgx.Connect(t.Context(), cluster.URL(local.Owner, "postgres"))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close(t.Context())
		var value string
		if err := conn.QueryRow(t.Context(), sql).Scan(&value); err != nil && !errors.Is(err, pgx.ErrNoRows) {
			t.Fatalf("%s: %v", sql, err)
		}
		return value
	}
}

func TestURLGivenThatWillNotDo(t *testing.T) {
	for _, given := range []string{"nonsense", "postgres://nobody@127.0.0.1:1/x"} {
		cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestChild$", "-test.v")
		cmd.Env = append(os.Environ(), childMode+"=wait", "TEST_DATABASE_URL="+given)
		out, err := cmd.CombinedOutput()
		if err == nil || !bytes.Contains(out, []byte("--- FAIL: TestChild")) || !bytes.Contains(out, []byte("this test needs Postgres")) {
			t.Errorf("%s: %v\n%s", given, err, out)
		}
	}
}

// Without any Postgres a test fails, and says what was tried; it does not skip.
func TestNothingFoundFails(t *testing.T) {
	cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestChild$", "-test.v")
	cmd.Env = []string{childMode + "=wait", "HOME=" + t.TempDir(), "PATH=/nowhere", local.BinDirVariable + "=/nowhere", "DOCKER_HOST=unix:///nowhere/docker.sock"}
	began := time.Now()
	out, err := cmd.CombinedOutput()
	if err == nil || bytes.Contains(out, []byte("--- SKIP")) {
		t.Errorf("%v\n%s", err, out)
	}
	for _, part := range []string{"this test needs Postgres", "TEST_DATABASE_URL is not set", "no container", "This would help:"} {
		if !bytes.Contains(out, []byte(part)) {
			t.Errorf("the message lacks %q:\n%s", part, out)
		}
	}
	t.Logf("after %v:\n%s", time.Since(began), out)
}

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
	text, err3 := os.ReadFile(os.Args[0])
	room, err4 := os.MkdirTemp("", "farthingale-all-")
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(room) })
	binary := filepath.Join(room, "pgtest.test")
	if err := errors.Join(os.Chmod(room, 0o755), os.WriteFile(binary, text, 0o755)); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), binary, "-test.v", "-test.run=^(TestEveryTest|TestDatabaseIsDropped|TestRoles)")
	cmd.Env = []string{"HOME=/nonexistent", "PATH=" + os.Getenv("PATH"), "TEST_DATABASE_URL=" + os.Getenv("TEST_DATABASE_URL")}
	cmd.Dir = "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	out, err := cmd.CombinedOutput()
	if err != nil || !bytes.Contains(out, []byte("--- PASS: TestRoles")) {
		t.Errorf("as %s: %v\n%s", nobody.Username, err, out)
	}
}
