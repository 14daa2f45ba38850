package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// program is the server that is measured: a process of its own, started here or running already.
type program struct {
	address string
	pid     int
	cmd     *exec.Cmd // nil: it is not ours
	ended   chan error
	folder  string // of the program that was built for this; "" when one was given
}

// start starts the server on a free port of the loopback; its key lies in the data folder. Without a path it is built from the module
// that this command stands in.
func start(ctx context.Context, path, data, databaseURL, ownerURL, bucketURL string, env ...string) (*program, error) {
	p := &program{ended: make(chan error, 1)}
	if path == "" {
		folder, err := os.MkdirTemp("", "farthingale-load-*")
		if err != nil {
			return nil, err
		}
		p.folder, path = folder, filepath.Join(folder, "farthingale")
		build := exec.CommandContext(ctx, "go", "build", "-o", path, "farthingale/cmd/farthingale") // #nosec G204 -- nothing in it comes from outside
		if said, err := build.CombinedOutput(); err != nil {
			return nil, errors.Join(fmt.Errorf("build the program (or name one with --program): %w\n%s", err, said), os.RemoveAll(folder))
		}
	}
	p.cmd = exec.Command(path, "serve", "--listen", "127.0.0.1:0", "--data", data) // #nosec G204 -- the person at the machine names the program
	p.cmd.Env = append(os.Environ(), append([]string{"DATABASE_URL=" + databaseURL, "OWNER_DATABASE_URL=" + ownerURL, "BUCKET_URL=" + bucketURL}, env...)...)
	said, err := p.cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", path, err)
	}
	p.pid = p.cmd.Process.Pid
	addresses := make(chan string, 1)
	go func() { p.ended <- p.listen(said, addresses) }()
	select {
	case p.address = <-addresses:
		return p, nil
	case err := <-p.ended:
		return nil, fmt.Errorf("the program ended at once: %w", err)
	case <-ctx.Done():
		return nil, errors.Join(ctx.Err(), p.stop())
	}
}

// listen reads what the program says until it ends: first its address, then warnings, which are passed on.
func (p *program) listen(said io.Reader, addresses chan<- string) error {
	lines := bufio.NewScanner(said)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var line struct{ Level, Msg, Address string }
		if json.Unmarshal(lines.Bytes(), &line) != nil || line.Level == "WARN" || line.Level == "ERROR" {
			fmt.Fprintln(os.Stderr, "  program: "+lines.Text())
			continue
		}
		if line.Msg == "serving" {
			addresses <- line.Address
		}
	}
	return p.cmd.Wait()
}

// stop ends the program, if it is ours.
func (p *program) stop() error {
	if p.cmd == nil {
		return nil
	}
	_ = p.cmd.Process.Signal(os.Interrupt) // fails only when it has ended
	var err error
	select {
	case err = <-p.ended:
	case <-time.After(30 * time.Second):
		_ = p.cmd.Process.Kill()
		err = errors.New("the program did not end by itself")
	}
	if p.folder != "" {
		err = errors.Join(err, os.RemoveAll(p.folder))
	}
	return err
}

// memory tells the most memory of the program that was resident, as far as the system says it.
func (p *program) memory() string {
	if p.pid == 0 {
		return "unknown (give --server-pid)"
	}
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.pid))
	if err != nil {
		return "unknown on this system"
	}
	kinds := map[string]string{"VmHWM": "?", "VmRSS": "?"}
	for line := range strings.Lines(string(b)) {
		name, value, _ := strings.Cut(line, ":")
		if _, wanted := kinds[name]; wanted {
			if kb, err := strconv.Atoi(strings.Fields(value)[0]); err == nil {
				kinds[name] = fmt.Sprintf("%.0f MB", float64(kb)/1000*1.024)
			}
		}
	}
	return kinds["VmHWM"] + " at most, " + kinds["VmRSS"] + " now"
}
