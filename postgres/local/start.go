//go:build unix

package local

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
)

const exeSuffix = ""

// readyWait is how long a start may take: fetching programs is slow, and so is replaying
// the log after a power cut.
const readyWait = 15 * time.Minute

// Start starts the cluster in o.DataDir, making it when there is none. A server that a
// killed program left behind is stopped first. When another living program owns the cluster,
// the answer is a guest of that.
func Start(ctx context.Context, o Options) (*Cluster, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	dir, err := filepath.Abs(o.DataDir)
	if err != nil {
		return nil, fmt.Errorf("private Postgres in %s: %w", o.DataDir, err)
	}
	o.DataDir = dir
	ctx, cancel := context.WithTimeout(ctx, readyWait)
	defer cancel()
	c, err := start(ctx, o)
	if err != nil {
		return nil, fmt.Errorf("private Postgres in %s: %w", dir, err)
	}
	return c, nil
}

func start(ctx context.Context, o Options) (*Cluster, error) {
	if err := os.MkdirAll(o.DataDir, 0o700); err != nil {
		return nil, fmt.Errorf("the folder cannot be made (choose another data folder, or have it made for you): %w", err)
	}
	// One name for one folder: a server is known by the name in its command line.
	dir, err := filepath.EvalSymlinks(o.DataDir)
	if err != nil {
		return nil, err
	}
	o.DataDir = dir
	at := layoutOf(dir)
	lock, guest, err := lockOrJoin(ctx, o, at)
	if err != nil || guest != nil {
		return guest, err
	}
	c, err := own(ctx, o, at)
	if err != nil {
		_ = lock.Close()
		return nil, err
	}
	c.lock = lock
	return c, nil
}

// lockOrJoin takes the lock of the data folder. While another program holds it, it waits
// for that one's server and joins it as a guest. The kernel releases the lock when its
// holder dies, however it dies.
func lockOrJoin(ctx context.Context, o Options, at layout) (*os.File, *Cluster, error) {
	for {
		lock, err := os.OpenFile(at.lock, os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return nil, nil, fmt.Errorf("the folder cannot be written to (make it writable for this account, or choose another data folder): %w", err)
		}
		err = syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil && isFile(lock, at.lock) {
			err = sign(lock)
			if err == nil {
				return lock, nil, nil
			}
		}
		_ = lock.Close()
		if err != nil && !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR) {
			return nil, nil, fmt.Errorf("lock %s: %w", at.lock, err)
		}
		if p, ok := at.readPidFile(); ok && p.status == "ready" && ping(ctx, p.socket) == nil {
			o.Log.Info("using the private Postgres of another running copy; it ends with that copy", "folder", at.root)
			return nil, &Cluster{options: o, socket: p.socket}, nil
		}
		if err := pause(ctx, 50*time.Millisecond); err != nil {
			return nil, nil, fmt.Errorf("another running program holds %s, and its server does not answer: %w", at.lock, err)
		}
	}
}

// isFile tells whether an open file is still the one of that name: Discard may have removed it.
func isFile(open *os.File, name string) bool {
	a, err1 := open.Stat()
	b, err2 := os.Stat(name)
	return err1 == nil && err2 == nil && os.SameFile(a, b)
}

// sign writes who holds the lock. An unsigned lock is one that somebody is about to take.
func sign(lock *os.File) error {
	if err := lock.Truncate(0); err != nil {
		return err
	}
	_, err := lock.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	return err
}

// own starts the server. The caller holds the lock, so no living program owns the cluster.
func own(ctx context.Context, o Options, at layout) (*Cluster, error) {
	began := time.Now()
	if err := clearLeftover(ctx, o, at); err != nil {
		return nil, err
	}
	found, _, err := o.seeker().seek(ctx, at.madeBy())
	if err != nil {
		return nil, err
	}
	who, err := accountFor(found)
	if err != nil {
		return nil, err
	}
	socket, err := socketDir(at.root, who)
	if err != nil {
		return nil, err
	}
	c, err := serve(ctx, o, at, found, who, socket)
	if err != nil {
		removeSocketDir(at.root, socket)
		return nil, err
	}
	o.Log.Info("private Postgres started", "version", found.version, "programs", found.dir, "folder", at.root,
		"took", time.Since(began).Round(time.Millisecond))
	return c, nil
}

// serve makes the cluster when there is none, and starts its server.
func serve(ctx context.Context, o Options, at layout, found programs, who account, socket string) (*Cluster, error) {
	if err := who.prepare(found, at, socket); err != nil {
		return nil, err
	}
	if at.madeBy() == 0 {
		if err := initialise(ctx, o, at, found, who); err != nil {
			return nil, err
		}
	}
	for {
		logged := at.logSize()
		p, err := launch(o, at, found, who, socket)
		if err != nil {
			return nil, err
		}
		err = p.awaitReady(ctx, o, at, socket)
		if err == nil {
			p.serving.Store(true)
			return &Cluster{options: o, socket: socket, process: p}, nil
		}
		p.end(syscall.SIGINT, 10*time.Second)
		said := at.logTail(logged)
		// The last backends of a server that was shot need a moment to notice it.
		if !strings.Contains(said, "pre-existing shared memory block") || pause(ctx, 100*time.Millisecond) != nil {
			return nil, fmt.Errorf("%w\nIts last words in %s:\n%s", err, at.log, said)
		}
	}
}

// clearLeftover ends a server whose program was killed, and removes a pid file that nobody
// stands behind: its process is gone, is a zombie, or is something else by now.
func clearLeftover(ctx context.Context, o Options, at layout) error {
	signalled := false
	for {
		p, ok := at.readPidFile()
		if !ok || !isServer(p.pid, at.data) {
			break
		}
		if !signalled {
			o.Log.Info("ending the server that a killed copy left behind", "process", p.pid, "folder", at.root)
			if err := syscall.Kill(p.pid, syscall.SIGINT); err != nil && !errors.Is(err, syscall.ESRCH) {
				return fmt.Errorf("process %d still serves this folder and cannot be ended: %w", p.pid, err)
			}
			signalled = true
		}
		if err := pause(ctx, 20*time.Millisecond); err != nil {
			return fmt.Errorf("process %d still serves this folder and does not end: %w", p.pid, err)
		}
	}
	if err := os.Remove(filepath.Join(at.data, "postmaster.pid")); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// initialise makes the cluster aside and renames it, so that an interrupted initdb leaves
// nothing that looks like a cluster.
func initialise(ctx context.Context, o Options, at layout, found programs, who account) error {
	if entries, err := os.ReadDir(at.data); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is not empty and is no Postgres cluster", at.data)
	}
	var said []byte
	var err error
	for _, locale := range locales() {
		half := at.data + ".new"
		if err := os.RemoveAll(half); err != nil {
			return err
		}
		if err := os.Mkdir(half, 0o700); err != nil {
			return err
		}
		if err := who.handOver(half); err != nil {
			return err
		}
		args := []string{"-D", half, "-U", Owner, "-A", "trust", "-E", "UTF8", "--no-instructions"}
		args = append(args, locale...)
		if o.Fast {
			args = append(args, "--no-sync")
		} else {
			args = append(args, "--data-checksums")
		}
		cmd := exec.CommandContext(ctx, found.path("initdb"), args...) // #nosec G204 -- the program was found in the known folders
		who.apply(cmd)
		said, err = cmd.CombinedOutput()
		if err != nil {
			continue
		}
		if err := os.Remove(at.data); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		if err := os.Rename(half, at.data); err != nil {
			return err
		}
		return syncDir(at.root)
	}
	return fmt.Errorf("%s: %w\n%s", found.path("initdb"), err, strings.TrimSpace(string(said)))
}

// locales are tried in this order. The first sorts by code point and knows the capitals of
// all letters; the last knows ASCII only.
func locales() [][]string {
	if runtime.GOOS == "darwin" {
		return [][]string{{"--locale=C", "--lc-ctype=UTF-8"}, {"--locale=C"}}
	}
	return [][]string{{"--locale=C.UTF-8"}, {"--locale=C.utf8"}, {"--locale=C"}}
}

// process is a server that this program started.
type process struct {
	cmd     *exec.Cmd
	ended   chan struct{} // closed when it is gone
	serving atomic.Bool   // it became ready, and nobody asked it to end
}

func launch(o Options, at layout, found programs, who account, socket string) (*process, error) {
	if s, err := os.Stat(at.log); err == nil && s.Size() > 16<<20 {
		if err := os.Rename(at.log, at.log+".old"); err != nil {
			return nil, err
		}
	}
	out, err := os.OpenFile(at.log, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, err
	}
	defer out.Close()
	args := []string{
		"-D", at.data, "-k", socket, "-p", port,
		"-c", "listen_addresses=", "-c", "unix_socket_permissions=0700",
		"-c", "logging_collector=off", "-c", "log_destination=stderr",
	}
	if o.Fast {
		args = append(args, "-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off",
			"-c", "wal_level=minimal", "-c", "max_wal_senders=0", "-c", "autovacuum=off",
			"-c", "checkpoint_completion_target=0", "-c", "log_checkpoints=off", "-c", "max_connections=300",
			"-c", "max_wal_size=128MB", "-c", "min_wal_size=32MB", "-c", "jit=off", "-c", "max_parallel_workers_per_gather=0")
	}
	if !o.Fast {
		args = append(args, "-c", "random_page_cost=1.1") // discs without arms
		if runtime.GOOS == "linux" {
			// What a search finds is read page by page from all over the table; such discs answer many at a time.
			args = append(args, "-c", "effective_io_concurrency=200")
		}
		if all := memoryMB(); all > 0 {
			args = append(args, "-c", fmt.Sprintf("shared_buffers=%dMB", min(max(all/8, 128), 2048)), "-c", fmt.Sprintf("effective_cache_size=%dMB", max(all/2, 256)))
		}
	}
	cmd := exec.Command(found.path("postgres"), args...) // #nosec G204 -- the program was found in the known folders
	cmd.Stdout, cmd.Stderr = out, out
	who.apply(cmd)
	cmd.SysProcAttr.Setpgid = true // an interrupt key pressed is for the program, not for the server
	dieWithParent(cmd, o.Fast)

	p := &process{cmd: cmd, ended: make(chan struct{})}
	started := make(chan error, 1)
	go func() {
		// The kernel takes the end of the thread that started the server for the end of the
		// parent; so this thread stays until the server is gone.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			err := cmd.Wait()
			if p.serving.Load() {
				o.Log.Error("the private Postgres ended by itself", "log", at.log, "how", err)
			}
			close(p.ended)
		}
	}()
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start %s: %w", found.path("postgres"), err)
	}
	return p, nil
}

func (p *process) awaitReady(ctx context.Context, o Options, at layout, socket string) error {
	slow := time.AfterFunc(5*time.Second, func() {
		o.Log.Info("the private Postgres takes its time to start; after a power cut that is usual", "log", at.log)
	})
	defer slow.Stop()
	for {
		// Its own word first: asking too early only fills the log.
		err := errors.New("it does not say that it is ready")
		if f, ok := at.readPidFile(); ok && f.pid == p.cmd.Process.Pid && f.status == "ready" {
			if err = ping(ctx, socket); err == nil {
				return nil
			}
		}
		select {
		case <-p.ended:
			return fmt.Errorf("the server ended at once (%s)", p.cmd.ProcessState)
		case <-ctx.Done():
			return fmt.Errorf("the server does not become ready: %w", errors.Join(ctx.Err(), err))
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// end signals the server and waits; when it has not gone after the patience, the next
// harder signal follows. None of them loses what was committed.
func (p *process) end(first syscall.Signal, patience time.Duration) {
	p.serving.Store(false)
	for _, s := range []syscall.Signal{first, syscall.SIGQUIT, syscall.SIGKILL} {
		_ = p.cmd.Process.Signal(s) // fails only when it has gone
		select {
		case <-p.ended:
			return
		case <-time.After(patience):
		}
	}
}

// Stop ends the server and waits until it has gone; it may be called more than once. A
// guest only takes its leave.
func (c *Cluster) Stop(ctx context.Context) error {
	if c.Guest() {
		return nil
	}
	c.stop.Do(func() {
		signal, patience := syscall.SIGINT, 30*time.Second // "fast": roll back, write all, go
		if c.options.Fast {
			signal = syscall.SIGQUIT
		}
		if deadline, ok := ctx.Deadline(); ok {
			patience = max(time.Until(deadline), time.Second)
		}
		c.process.end(signal, patience)
		removeSocketDir(c.options.DataDir, c.socket)
		c.stopErr = c.lock.Close()
	})
	return c.stopErr
}

// Discard removes the data folder dir with its cluster, unless a living program owns it or
// is about to. It tells whether the folder is gone.
func Discard(dir string) bool {
	at := layoutOf(dir)
	lock, err := os.OpenFile(at.lock, os.O_RDWR, 0o600)
	if errors.Is(err, os.ErrNotExist) {
		s, err := os.Stat(dir)
		return err == nil && time.Since(s.ModTime()) > time.Hour && os.RemoveAll(dir) == nil
	}
	if err != nil {
		return false
	}
	defer lock.Close()
	if syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) != nil {
		return false
	}
	if s, err := lock.Stat(); err != nil || s.Size() == 0 && time.Since(s.ModTime()) < time.Hour {
		return false
	}
	if p, ok := at.readPidFile(); ok && isServer(p.pid, at.data) {
		_ = syscall.Kill(p.pid, syscall.SIGQUIT)
		for range 250 {
			if !isServer(p.pid, at.data) {
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
		removeSocketDir(dir, p.socket)
	}
	return os.RemoveAll(dir) == nil
}

// socketDir makes the folder of the socket. A socket's path may have 103 bytes on some
// systems, so a deep data folder gets a folder of its own under the temporary folder.
func socketDir(root string, who account) (string, error) {
	const longest = 103 - len("/.s.PGSQL.") - len(port)
	sum := sha256.Sum256([]byte(root))
	short := fmt.Sprintf("farthingale-%d-%x", os.Geteuid(), sum[:6])
	var faults []error
	for _, dir := range []string{filepath.Join(root, "socket"), filepath.Join(os.TempDir(), short), filepath.Join("/tmp", short)} {
		if len(dir) > longest {
			continue
		}
		if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, os.ErrExist) {
			faults = append(faults, err)
			continue
		}
		// A temporary folder is everybody's: the name may have been taken by somebody else.
		s, err := os.Lstat(dir)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		owner, _ := ownerOf(dir)
		ours := filepath.Dir(dir) == root || owner == os.Geteuid() || owner == who.uid
		if !s.IsDir() || !ours {
			faults = append(faults, fmt.Errorf("%s belongs to somebody else", dir))
			continue
		}
		return dir, os.Chmod(dir, 0o700) // #nosec G302 -- a folder needs the right to enter it
	}
	return "", fmt.Errorf("there is no place for the socket, because the path of the data folder is too long: %w", errors.Join(faults...))
}

// removeSocketDir removes the folder of the socket where it lies outside the data folder. It
// touches nothing but what belongs there, because a pid file told its name.
func removeSocketDir(root, socket string) {
	if socket == "" || filepath.Dir(socket) == root {
		return
	}
	for _, name := range []string{".s.PGSQL." + port, ".s.PGSQL." + port + ".lock", ""} {
		_ = os.Remove(filepath.Join(socket, name)) // an empty folder that stays is used again
	}
}

// ping asks whether the server takes commands.
func ping(ctx context.Context, socket string) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	conn, err := pgconn.Connect(ctx, socketURL(socket, Owner, "postgres"))
	if err != nil {
		return err
	}
	return conn.Close(ctx)
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

func syncDir(dir string) error {
	f, err := os.Open(dir) // #nosec G304 -- a folder of our own
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}
