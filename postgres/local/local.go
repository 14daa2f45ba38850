// Package local runs a private Postgres: it finds the programs, makes a cluster in a data
// folder, starts it, takes it over from a program that was killed, and stops it. It knows
// nothing of tables. Package postgres and the test database use it.
//
// A data folder holds
//
//	lock          held by the one program that owns the running cluster, for as long as it lives
//	data          the cluster as initdb makes it
//	socket        the folder of the socket, when its path is short enough
//	postgres.log  what the server says
//
// The server listens on that socket only, never on the network. Everybody who can enter the
// socket's folder is trusted; the folder can be entered by its owner alone.
package local

import (
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
)

// Owner is the role that makes the cluster. It is a superuser of this cluster.
const Owner = "farthingale_owner"

// port only gives the socket its name; nothing listens on the network.
const port = "5432"

// Options say where a cluster lives and how it runs.
type Options struct {
	DataDir string       // made when absent; nothing else may use it
	BinDir  string       // the folder of initdb and postgres; "" to look for it
	Fast    bool         // for tests: faster, and loses everything on a power cut
	NoFetch bool         // do not download programs when there are none
	Log     *slog.Logger // nil is silence
}

// Cluster is a running private Postgres.
type Cluster struct {
	options Options
	socket  string // folder of the socket
	process *process
	lock    *os.File // nil for a guest: another program owns the cluster
	stop    sync.Once
	stopErr error
}

// Guest tells whether another living program owns the cluster. Then Stop leaves it alone,
// and it ends when that program ends.
func (c *Cluster) Guest() bool { return c.lock == nil }

// URL is where role user reaches a database of the cluster. There is no password.
func (c *Cluster) URL(user, database string) string { return socketURL(c.socket, user, database) }

func socketURL(socket, user, database string) string {
	q := url.Values{"host": {socket}, "port": {port}, "sslmode": {"disable"}}
	return (&url.URL{Scheme: "postgres", User: url.User(user), Path: "/" + database, RawQuery: q.Encode()}).String()
}

// layout is where things lie in a data folder.
type layout struct{ root, lock, data, log string }

func layoutOf(dir string) layout {
	return layout{
		root: dir,
		lock: filepath.Join(dir, "lock"),
		data: filepath.Join(dir, "data"),
		log:  filepath.Join(dir, "postgres.log"),
	}
}

// madeBy is the major version of Postgres that made the cluster, or 0 when there is none.
func (l layout) madeBy() int {
	text, err := os.ReadFile(filepath.Join(l.data, "PG_VERSION"))
	if err != nil {
		return 0
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0
	}
	return major
}

// pidFile is what a running server writes about itself.
type pidFile struct {
	pid    int
	socket string // folder of the socket
	status string // "starting", "ready", "stopping", "standby"
}

// readPidFile gives ok = false when there is no readable file.
func (l layout) readPidFile() (pidFile, bool) {
	text, err := os.ReadFile(filepath.Join(l.data, "postmaster.pid"))
	if err != nil {
		return pidFile{}, false
	}
	lines := strings.Split(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(lines[0]))
	if err != nil {
		return pidFile{}, false
	}
	p := pidFile{pid: pid}
	if len(lines) > 4 {
		p.socket = strings.TrimSpace(lines[4])
	}
	if len(lines) > 7 {
		p.status = strings.TrimSpace(lines[7])
	}
	return p, true
}

func (l layout) logSize() int64 {
	s, err := os.Stat(l.log)
	if err != nil {
		return 0
	}
	return s.Size()
}

// logTail is the end of what the server logged after the first bytes, for a message.
func (l layout) logTail(first int64) string {
	text, err := os.ReadFile(l.log)
	if err != nil {
		return "(no log: " + err.Error() + ")"
	}
	if first <= int64(len(text)) {
		text = text[first:]
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return strings.Join(lines[max(0, len(lines)-15):], "\n")
}

func (o Options) seeker() seeker {
	s := seeker{binDir: o.BinDir, patterns: usual, cache: cacheDir(), log: o.Log}
	if s.binDir == "" {
		s.binDir = os.Getenv(BinDirVariable)
	}
	if o.NoFetch {
		s.cache = ""
	}
	return s
}

// cacheDir keeps downloaded programs. Root keeps them where the account that runs the server
// can reach them.
func cacheDir() string {
	if os.Geteuid() == 0 {
		return "/var/cache/farthingale"
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	return filepath.Join(dir, "farthingale")
}
