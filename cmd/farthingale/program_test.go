//go:build unix

package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// binary is the program, built once.
var binary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "farthingale-program-*")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "farthingale")
	out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build: %w: %s", err, out)
	}
	// Plain users must be able to run it.
	return path, os.Chmod(dir, 0o755)
})

func TestMain(m *testing.M) {
	code := m.Run()
	if path, err := binary(); err == nil {
		_ = os.RemoveAll(filepath.Dir(path))
	}
	os.Exit(code)
}

// program is a running copy.
type program struct {
	t       *testing.T
	cmd     *exec.Cmd
	address string
	output  *output
	done    chan error
}

// output collects what a program prints.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(b []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(b)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// user runs programs as a user; nil is whoever runs the test.
type user = *syscall.Credential

// nobody is a plain user, usable when the test runs as root.
var nobody = &syscall.Credential{Uid: 65534, Gid: 65534}

func prepared(t *testing.T, as user, args ...string) (*exec.Cmd, *output) {
	t.Helper()
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, args...)
	cmd.Env = append(os.Environ(), "DATABASE_URL=", "FARTHINGALE_PASSWORD=a sentence for tests")
	if as != nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: as}
		cmd.Env = append(cmd.Env, "HOME=/nonexistent")
	}
	o := &output{}
	cmd.Stdout, cmd.Stderr = o, o
	return cmd, o
}

var printed = regexp.MustCompile(`http://(127\.0\.0\.1:\d+)`)

// start runs the program until it says where it listens.
func start(t *testing.T, as user, args ...string) *program {
	t.Helper()
	cmd, o := prepared(t, as, append(args, "--listen", "127.0.0.1:0")...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	p := &program{t: t, cmd: cmd, output: o, done: make(chan error, 1)}
	go func() { p.done <- cmd.Wait() }()
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	deadline := time.NewTimer(2 * time.Minute)
	defer deadline.Stop()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case err := <-p.done:
			t.Fatalf("the program ended: %v\n%s", err, o)
		case <-deadline.C:
			t.Fatalf("the program does not listen\n%s", o)
		case <-tick.C:
			if found := printed.FindStringSubmatch(o.String()); found != nil {
				p.address = "http://" + found[1]
				return p
			}
		}
	}
}

// stop sends a signal and waits for the end.
func (p *program) stop(sig os.Signal) error {
	p.t.Helper()
	if err := p.cmd.Process.Signal(sig); err != nil {
		p.t.Fatal(err)
	}
	select {
	case err := <-p.done:
		return err
	case <-time.After(time.Minute):
		p.t.Fatalf("the program does not end\n%s", p.output)
		return nil
	}
}

func (p *program) get(path, token string) (int, string) {
	p.t.Helper()
	r, err := http.NewRequestWithContext(p.t.Context(), http.MethodGet, p.address+path, nil)
	if err != nil {
		p.t.Fatal(err)
	}
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = a.Body.Close() }()
	b, err := io.ReadAll(a.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return a.StatusCode, string(b)
}

// say runs a command of the program to its end.
func say(t *testing.T, as user, args ...string) (string, error) {
	t.Helper()
	cmd, o := prepared(t, as, args...)
	err := cmd.Run()
	return o.String(), err
}

// folder is a data folder that the user may write to.
func folder(t *testing.T, as user) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "farthingale-data-*")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if as != nil {
		if err := os.Chown(dir, int(as.Uid), int(as.Gid)); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "data")
}

// users are whom the program is run as: whoever runs the test and, when that is root, a plain user.
func users() map[string]user {
	all := map[string]user{"present user": nil}
	if os.Geteuid() == 0 {
		all["plain user"] = nobody
	}
	return all
}

// TestProgram: from nothing to a served house, an account and a token by the command line, kill -9,
// start again with nothing lost, verify, and a clean end on a signal.
func TestProgram(t *testing.T) {
	t.Parallel()
	for name, as := range users() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			data := folder(t, as)
			if out, err := say(t, as, "person", "add", "--data", data, "--name", "Simon Vane", "--sign-in", "simon", "--role", "steward"); err != nil {
				t.Fatalf("person add: %v\n%s", err, out)
			}
			out, err := say(t, as, "token", "add", "--data", data, "--sign-in", "simon", "--name", "test")
			if err != nil {
				t.Fatalf("token add: %v\n%s", err, out)
			}
			token := regexp.MustCompile(`farthingale_[A-Za-z0-9_-]{43}`).FindString(out)
			p := start(t, as, "serve", "--data", data)
			if code, body := p.get("/readyz", ""); code != http.StatusOK {
				t.Fatalf("not ready: %d %s", code, body)
			}
			if code, body := p.get("/api/v1/me", token); code != http.StatusOK || !strings.Contains(body, "Simon Vane") {
				t.Fatalf("me: %d %s", code, body)
			}
			_ = p.stop(syscall.SIGKILL)

			again := start(t, as, "serve", "--data", data, "--metrics-address", "127.0.0.1:0")
			if code, body := again.get("/api/v1/me", token); code != http.StatusOK {
				t.Fatalf("after kill -9: %d %s", code, body)
			}
			figures := regexp.MustCompile(`"telling metrics","address":"(127\.0\.0\.1:\d+)"`).FindStringSubmatch(again.output.String())
			if figures == nil {
				t.Fatalf("the address of the metrics is not said: %s", again.output)
			}
			pages := again.address
			again.address = "http://" + figures[1]
			if code, body := again.get("/metrics", ""); code != http.StatusOK || !strings.Contains(body, `farthingale_requests_total{method="GET",route="/api/v1/me",status="200"} 1`) {
				t.Errorf("metrics: %d %s", code, body)
			}
			if code, _ := again.get("/api/v1/me", token); code != http.StatusNotFound {
				t.Errorf("the address of the metrics serves the API: %d", code)
			}
			again.address = pages
			if err := again.stop(syscall.SIGTERM); err != nil {
				t.Errorf("end on SIGTERM: %v\n%s", err, again.output)
			}
			if out, err := say(t, as, "verify", "--data", data); err != nil || !strings.Contains(out, "The record is clean") {
				t.Errorf("verify: %v\n%s", err, out)
			}
			if out, err := say(t, as, "migrate", "status", "--data", data); err != nil || !strings.Contains(out, "The schema is at step") {
				t.Errorf("migrate status: %v\n%s", err, out)
			}
		})
	}
}

// TestDemonstration: the demonstration from nothing as both users, killed and started again with
// everything it had, and started over.
func TestDemonstration(t *testing.T) {
	t.Parallel()
	head := regexp.MustCompile(`The record is clean: (\d+ seals), head ([0-9a-f]{64})`)
	for name, as := range users() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			data := folder(t, as)
			verified := func() string {
				out, err := say(t, as, "verify", "--data", data)
				found := head.FindStringSubmatch(out)
				if err != nil || found == nil || found[1] == "0 seals" {
					t.Fatalf("verify: %v\n%s", err, out)
				}
				return found[2]
			}
			p := start(t, as, "demo", "--data", data)
			for _, role := range []string{"conservator", "curator", "registrar", "mount maker", "technician", "reader", "steward"} {
				if !strings.Contains(p.output.String(), role) {
					t.Errorf("no sign-in of a %s is printed: %s", role, p.output)
				}
			}
			_ = p.stop(syscall.SIGKILL)
			first := verified()

			p = start(t, as, "demo", "--data", data)
			if code, body := p.get("/sign-in", ""); code != http.StatusOK || !strings.Contains(body, "Museum of the Tide") {
				t.Errorf("the door: %d %s", code, body)
			}
			if err := p.stop(syscall.SIGINT); err != nil {
				t.Errorf("end on SIGINT: %v\n%s", err, p.output)
			}
			if again := verified(); again != first {
				t.Errorf("a second start changed the record: %s, then %s", first, again)
			}
			if as != nil {
				return // starting over is the same for everybody
			}
			if err := start(t, as, "demo", "--data", data, "--fresh").stop(syscall.SIGINT); err != nil {
				t.Errorf("end of the fresh one: %v", err)
			}
			if fresh := verified(); fresh == first {
				t.Error("--fresh kept the record")
			}
		})
	}
}

// TestLicences: the program itself lists what it is built from, each with a licence, and prints a text.
func TestLicences(t *testing.T) {
	t.Parallel()
	out, err := say(t, nil, "licences")
	if err != nil || strings.Contains(out, "not known") || strings.Count(out, "\n") < 50 || !regexp.MustCompile(`(?m)^github\.com/labstack/echo/v4 +v4\.\S+ +MIT$`).MatchString(out) || !regexp.MustCompile(`(?m)^std +go1\S* +BSD-3-Clause$`).MatchString(out) {
		t.Errorf("%v\n%s", err, out)
	}
	if out, err = say(t, nil, "licences", "github.com/labstack/echo/v4"); err != nil || !strings.Contains(out, "Permission is hereby granted, free of charge") || strings.Count(out, "== ") != 1 {
		t.Errorf("one text: %v\n%s", err, out)
	}
	if out, err = say(t, nil, "licences", "all"); err != nil || strings.Count(out, "\n== ") < 50 {
		t.Errorf("all texts: %v, %d bytes", err, len(out))
	}
	if out, err = say(t, nil, "licences", "example.test/none"); err == nil || !strings.Contains(out, "is not built from") {
		t.Errorf("no such module: %v\n%s", err, out)
	}
}

// TestCommandLine: what cannot be read is said, with 2 as the end.
func TestCommandLine(t *testing.T) {
	t.Parallel()
	out, err := say(t, nil, "help")
	if err != nil || !strings.Contains(out, "--database-url [DATABASE_URL]") || !strings.Contains(out, "farthingale demo") {
		t.Errorf("help: %v\n%s", err, out)
	}
	for _, args := range [][]string{{"sing"}, {"serve", "--colour", "red"}, {"serve", "--max-connections", "many"}} {
		out, err := say(t, nil, args...)
		if exit, ok := err.(*exec.ExitError); !ok || exit.ExitCode() != 2 || !strings.Contains(out, "farthingale help") {
			t.Errorf("%v: %v\n%s", args, err, out)
		}
	}
	taken, err := (&net.ListenConfig{}).Listen(context.Background(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }()
	out, err = say(t, nil, "serve", "--data", folder(t, nil), "--listen", taken.Addr().String())
	if err == nil || !strings.Contains(out, "choose another with --listen") {
		t.Errorf("a taken port: %v\n%s", err, out)
	}
	// Beyond the machine only under TLS, or when it is said.
	for _, address := range []string{":0", "0.0.0.0:0", "192.0.2.1:0", "[::]:0"} {
		for _, command := range []string{"serve", "demo"} {
			out, err = say(t, nil, command, "--data", folder(t, nil), "--listen", address)
			if err == nil || !strings.Contains(out, "--secure-cookies") || !strings.Contains(out, "--plain-http") {
				t.Errorf("%s on %s without TLS: %v\n%s", command, address, err, out)
			}
		}
	}
	dir := folder(t, nil)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "diary.txt"), []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := say(t, nil, "demo", "--data", dir, "--fresh"); err == nil || !strings.Contains(out, "not thrown away") {
		t.Errorf("a folder of somebody else: %v\n%s", err, out)
	}
	if _, err := os.Stat(filepath.Join(dir, "diary.txt")); err != nil {
		t.Error("somebody else's file is gone")
	}
}
