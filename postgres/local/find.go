package local

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"time"
)

// BinDirVariable names the folder that holds the programs initdb and postgres. When it is
// set, no other place is looked at.
const BinDirVariable = "FARTHINGALE_PG_BIN"

// oldestMajor is the oldest Postgres that is used: 15 brought `strategy file_copy` and the
// schema public that not everybody may write to.
const oldestMajor = 15

// programs is one folder with initdb and postgres of one version.
type programs struct {
	dir     string
	version string // as told by `postgres --version`: "15.18"
	major   int
}

func (p programs) path(name string) string { return filepath.Join(p.dir, name+exeSuffix) }

// usual are the folders where packages put the programs, as patterns.
var usual = []string{
	"/usr/lib/postgresql/*/bin",      // Debian, Ubuntu
	"/usr/pgsql-*/bin",               // the RPMs of the Postgres project
	"/usr/libexec/postgresql*",       // Alpine
	"/usr/lib/postgresql*/bin",       // SUSE, Gentoo
	"/usr/lib64/postgresql*/bin",     // Gentoo
	"/usr/local/pgsql/bin",           // built from source
	"/usr/local/lib/postgresql*/bin", // the BSDs
	"/opt/homebrew/opt/postgresql@*/bin",
	"/usr/local/opt/postgresql@*/bin",
	"/home/linuxbrew/.linuxbrew/opt/postgresql@*/bin",
	"/Applications/Postgres.app/Contents/Versions/*/bin",
}

// A seeker looks for Postgres programs. Its fields are the world that tests replace.
type seeker struct {
	binDir   string   // looked at alone when set
	patterns []string // the usual folders
	cache    string   // where downloads are kept; "" for no downloads
	mirror   string   // where downloads come from; "" is the library's default
	log      *slog.Logger
}

// seek gives the newest programs, or those of major when it is not 0, because a cluster can
// only be run by the version that made it. The second value says what was tried.
func (s seeker) seek(ctx context.Context, major int) (programs, []string, error) {
	var tried []string
	var best programs
	consider := func(where, dir string) {
		p, err := examine(ctx, dir)
		switch {
		case err != nil:
			tried = append(tried, where+": "+err.Error())
		case p.major < oldestMajor:
			tried = append(tried, fmt.Sprintf("%s: Postgres %s in %s is too old (%d or newer is needed)", where, p.version, dir, oldestMajor))
		case major != 0 && p.major != major:
			tried = append(tried, fmt.Sprintf("%s: Postgres %s in %s cannot run the data of Postgres %d", where, p.version, dir, major))
		case newer(p, best):
			best = p
		}
	}

	if s.binDir != "" {
		consider("the folder given", s.binDir)
		if best.dir == "" {
			return best, tried, &missingError{tried: tried, major: major}
		}
		return best, tried, nil
	}
	tried = append(tried, BinDirVariable+": not set")

	if path, err := exec.LookPath("postgres"); err == nil {
		consider("PATH", filepath.Dir(path))
	} else {
		tried = append(tried, "PATH: no program postgres")
	}
	if dir, err := output(ctx, "pg_config", "--bindir"); err == nil {
		consider("pg_config --bindir", dir)
	} else {
		tried = append(tried, "pg_config --bindir: no program pg_config")
	}
	for _, pattern := range s.patterns {
		dirs, err := filepath.Glob(pattern)
		if err != nil || len(dirs) == 0 {
			tried = append(tried, pattern+": nothing there")
			continue
		}
		for _, dir := range dirs {
			consider(pattern, dir)
		}
	}
	if best.dir != "" {
		return best, tried, nil
	}

	if dir, err := s.download(ctx, major); err != nil {
		tried = append(tried, "download: "+err.Error())
	} else {
		consider("download", dir)
	}
	if best.dir == "" {
		return best, tried, &missingError{tried: tried, major: major}
	}
	return best, tried, nil
}

// Version is that of the programs which would make a new cluster, as "15.18".
func Version(ctx context.Context, o Options) (string, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	found, _, err := o.seeker().seek(ctx, 0)
	return found.version, err
}

// newer prefers a release to a beta, whatever their numbers.
func newer(a, b programs) bool {
	am, bm := minor(a.version), minor(b.version)
	if (am < 0) != (bm < 0) {
		return bm < 0
	}
	return a.major > b.major || a.major == b.major && am > bm
}

// minor is -1 for a beta ("17beta2") and for nothing.
func minor(version string) int {
	_, after, _ := strings.Cut(version, ".")
	n, err := strconv.Atoi(after)
	if err != nil {
		return -1
	}
	return n
}

var versionPattern = regexp.MustCompile(`^postgres \(PostgreSQL\) ((\d+)\S*)`)

// examine asks the programs in dir for their version.
func examine(ctx context.Context, dir string) (programs, error) {
	p := programs{dir: dir}
	for _, name := range []string{"postgres", "initdb"} {
		if _, err := exec.LookPath(p.path(name)); err != nil {
			return p, fmt.Errorf("no program %s in %s", name, dir)
		}
	}
	said, err := output(ctx, p.path("postgres"), "--version")
	if err != nil {
		return p, fmt.Errorf("%s does not run: %w", p.path("postgres"), err)
	}
	m := versionPattern.FindStringSubmatch(said)
	if m == nil {
		return p, fmt.Errorf("%s does not say which version it is: %q", p.path("postgres"), said)
	}
	p.version = m[1]
	p.major, err = strconv.Atoi(m[2])
	return p, err
}

func output(ctx context.Context, name string, args ...string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...) // #nosec G204 -- the program was found in the known folders
	cmd.WaitDelay = time.Second
	out, err := cmd.Output()
	return strings.TrimSpace(string(out)), err
}

// missingError is the one message that a person gets when there is no Postgres.
type missingError struct {
	tried []string
	major int // 0: any
}

func (e *missingError) Error() string {
	var b strings.Builder
	if e.major != 0 {
		fmt.Fprintf(&b, "the data folder was made by Postgres %d, and no programs of that version were found.\nTried:\n", e.major)
	} else {
		b.WriteString("no Postgres was found, and none could be fetched.\nTried:\n")
	}
	for _, t := range e.tried {
		b.WriteString("  " + strings.ReplaceAll(strings.TrimSpace(t), "\n", "\n    ") + "\n")
	}
	fmt.Fprintf(&b, "This would help:\n  %s\n", installCommand(runtime.GOOS, osRelease(), e.major))
	b.WriteString("or set DATABASE_URL to a Postgres that runs elsewhere.")
	return b.String()
}

// IsMissing tells whether err says that no usable Postgres programs were found.
func IsMissing(err error) bool {
	var missing *missingError
	return errors.As(err, &missing)
}

func osRelease() string {
	text, err := os.ReadFile("/etc/os-release")
	if err != nil {
		return ""
	}
	return string(text)
}

var releaseID = regexp.MustCompile(`(?m)^ID(?:_LIKE)?="?([^"\n]*)`)

// installCommand is the one command that brings Postgres to this machine.
func installCommand(goos, release string, major int) string {
	number := ""
	if major != 0 {
		number = strconv.Itoa(major)
	}
	switch goos {
	case "darwin":
		if number == "" {
			number = "17"
		}
		return "brew install postgresql@" + number
	case "windows":
		return "winget install PostgreSQL.PostgreSQL.17   (then set DATABASE_URL)"
	}
	var ids string
	for _, m := range releaseID.FindAllStringSubmatch(release, -1) {
		ids += " " + m[1]
	}
	has := func(names ...string) bool {
		for _, n := range names {
			if strings.Contains(ids, n) {
				return true
			}
		}
		return false
	}
	dash := ""
	if number != "" {
		dash = "-" + number
	}
	switch {
	case has("debian", "ubuntu"):
		return "sudo apt-get install postgresql" + dash
	case has("fedora", "rhel", "centos"):
		return "sudo dnf install postgresql" + number + "-server postgresql" + number + "-contrib"
	case has("alpine"):
		if number == "" {
			number = "17"
		}
		return "apk add postgresql" + number + " postgresql" + number + "-contrib"
	case has("arch"):
		return "sudo pacman -S postgresql"
	case has("suse"):
		return "sudo zypper install postgresql" + number + "-server postgresql" + number + "-contrib"
	}
	return "install Postgres " + strconv.Itoa(max(major, oldestMajor)) + " (server and contrib) from your system's packages"
}
