//go:build unix

package local

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// pretend makes a folder with programs that say they are of a version.
func pretend(t *testing.T, dir, version string) string {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	script := "#!/bin/sh\necho 'postgres (PostgreSQL) " + version + "'\n"
	for _, name := range []string{"postgres", "initdb"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// bare is a seeker on a machine with nothing on it.
func bare(t *testing.T) seeker {
	t.Helper()
	t.Setenv("PATH", t.TempDir())
	return seeker{log: slog.New(slog.DiscardHandler)}
}

func TestSeek(t *testing.T) {
	root := t.TempDir()
	dir := func(name string) string { return filepath.Join(root, name, "bin") }
	for name, version := range map[string]string{
		"nine": "9.6.24", "fourteen": "14.19 (Debian 14.19-1)", "fifteen": "15.18 (Debian 15.18-0+deb12u1)",
		"sixteen": "16.2", "sixteen-newer": "16.11", "seventeen-beta": "17beta2", "silent": "",
	} {
		pretend(t, dir(name), version)
	}
	if err := os.MkdirAll(dir("empty"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name     string
		patterns []string
		major    int
		want     string // "" for none
		tried    string
	}{
		{"the newest", []string{"fifteen", "sixteen", "fourteen"}, 0, "sixteen", "too old"},
		{"the newest of one major", []string{"sixteen", "sixteen-newer"}, 0, "sixteen-newer", ""},
		{"in any order", []string{"sixteen-newer", "sixteen"}, 0, "sixteen-newer", ""},
		{"a release rather than a beta", []string{"seventeen-beta", "sixteen"}, 0, "sixteen", ""},
		{"a beta rather than nothing", []string{"seventeen-beta"}, 0, "seventeen-beta", ""},
		{"the major that made the data", []string{"fifteen", "sixteen"}, 15, "fifteen", "cannot run the data of Postgres 15"},
		{"all too old", []string{"nine", "fourteen"}, 0, "", "Postgres 9.6.24"},
		{"not the major that made the data", []string{"sixteen"}, 15, "", "made by Postgres 15"},
		{"no version told", []string{"silent"}, 0, "", "does not say which version"},
		{"a folder without programs", []string{"empty"}, 0, "", "no program postgres in"},
		{"no folder", []string{"nowhere"}, 0, "", "nothing there"},
		{"by pattern", []string{"six*"}, 0, "sixteen-newer", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := bare(t)
			for _, p := range c.patterns {
				s.patterns = append(s.patterns, dir(p))
			}
			got, tried, err := s.seek(t.Context(), c.major)
			said := strings.Join(tried, "\n")
			if err != nil {
				said = err.Error()
			}
			if c.want == "" {
				if err == nil || !IsMissing(err) {
					t.Errorf("found %+v (%v)", got, err)
				}
			} else if err != nil || got.dir != dir(c.want) {
				t.Errorf("found %+v (%v), want %s", got, err, c.want)
			}
			if !strings.Contains(said, c.tried) {
				t.Errorf("it does not say %q:\n%s", c.tried, said)
			}
		})
	}

	t.Run("in PATH", func(t *testing.T) {
		s := bare(t)
		t.Setenv("PATH", dir("fifteen"))
		if got, _, err := s.seek(t.Context(), 0); err != nil || got.dir != dir("fifteen") {
			t.Errorf("found %+v (%v)", got, err)
		}
	})
	t.Run("by pg_config", func(t *testing.T) {
		s := bare(t)
		script := "#!/bin/sh\necho " + dir("sixteen") + "\n"
		if err := os.WriteFile(filepath.Join(os.Getenv("PATH"), "pg_config"), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
		if got, _, err := s.seek(t.Context(), 0); err != nil || got.dir != dir("sixteen") {
			t.Errorf("found %+v (%v)", got, err)
		}
	})
	t.Run("the folder given, and no other", func(t *testing.T) {
		s := bare(t)
		s.binDir, s.patterns = dir("fifteen"), []string{dir("sixteen")}
		if got, _, err := s.seek(t.Context(), 0); err != nil || got.dir != dir("fifteen") {
			t.Errorf("found %+v (%v)", got, err)
		}
		s.binDir = dir("empty")
		if got, _, err := s.seek(t.Context(), 0); err == nil || strings.Contains(err.Error(), "PATH") {
			t.Errorf("found %+v (%v)", got, err)
		}
	})
}

func TestNothingFoundIsOneMessage(t *testing.T) {
	s := bare(t)
	s.patterns = usual
	for _, p := range usual {
		if found, _ := filepath.Glob(p); len(found) > 0 {
			s.patterns = []string{"/usr/lib/nothing-of-the-sort/*/bin"}
		}
	}
	_, _, err := s.seek(t.Context(), 0)
	if !IsMissing(err) {
		t.Fatal(err)
	}
	for _, part := range []string{
		"no Postgres was found", "Tried:", BinDirVariable + ": not set", "PATH: no program postgres", "pg_config --bindir",
		"download: not tried", "This would help:\n  ", "DATABASE_URL",
	} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("the message lacks %q:\n%v", part, err)
		}
	}
	t.Log(err)
}

func TestInstallCommand(t *testing.T) {
	for _, c := range []struct {
		goos, release string
		major         int
		want          string
	}{
		{"linux", "ID=debian\n", 0, "sudo apt-get install postgresql"},
		{"linux", "NAME=\"Linux Mint\"\nID=linuxmint\nID_LIKE=\"ubuntu debian\"\n", 16, "sudo apt-get install postgresql-16"},
		{"linux", "ID=\"rhel\"\n", 0, "sudo dnf install postgresql-server postgresql-contrib"},
		{"linux", "ID=fedora\n", 16, "sudo dnf install postgresql16-server postgresql16-contrib"},
		{"linux", "ID=alpine\n", 15, "apk add postgresql15 postgresql15-contrib"},
		{"linux", "ID=arch\n", 0, "sudo pacman -S postgresql"},
		{"linux", "ID=\"opensuse-leap\"\nID_LIKE=\"suse opensuse\"\n", 0, "sudo zypper install postgresql-server postgresql-contrib"},
		{"linux", "", 0, "install Postgres 15 (server and contrib) from your system's packages"},
		{"darwin", "", 0, "brew install postgresql@17"},
		{"darwin", "", 15, "brew install postgresql@15"},
	} {
		if got := installCommand(c.goos, c.release, c.major); got != c.want {
			t.Errorf("%s %q %d: %s, want %s", c.goos, c.release, c.major, got, c.want)
		}
	}
}

// mirror serves the archive of the test folder for every version, and counts.
func mirror(t *testing.T, archive []byte, sum string) (string, *int) {
	t.Helper()
	asked := 0
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, ".sha256") {
			w.Write([]byte(sum))
			return
		}
		asked++
		w.Write(archive)
	}))
	t.Cleanup(s.Close)
	return s.URL, &asked
}

func TestDownload(t *testing.T) {
	archive, err := os.ReadFile("testdata/fetched.jar")
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(archive)
	good := hex.EncodeToString(sum[:])

	t.Run("once", func(t *testing.T) {
		s := bare(t)
		s.cache = filepath.Join(t.TempDir(), "cache")
		var asked *int
		s.mirror, asked = mirror(t, archive, good)
		for range 2 {
			got, tried, err := s.seek(t.Context(), 0)
			if err != nil || got.version != "17.5" || !strings.HasPrefix(got.dir, s.cache) {
				t.Fatalf("found %+v (%v) %q", got, err, tried)
			}
		}
		if *asked != 1 {
			t.Errorf("fetched %d times", *asked)
		}
		entries, err := os.ReadDir(s.cache)
		if err != nil || len(entries) != 1 {
			t.Errorf("the cache holds %v (%v)", entries, err)
		}
	})

	silent := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { <-r.Context().Done() }))
	t.Cleanup(func() { silent.CloseClientConnections(); silent.Close() })
	for _, c := range []struct {
		name    string
		archive []byte
		sum     string
		url     string
		major   int
		want    string
	}{
		{"a wrong sum", archive, strings.Repeat("0", 64), "", 0, "checksums do not match"},
		{"half an archive", archive[:len(archive)/2], "", "", 0, "fetch Postgres"},
		{"a page instead", []byte("<html>sign in to the network</html>"), "", "", 0, "fetch Postgres"},
		{"nobody there", nil, "", "http://127.0.0.1:1", 0, "unable to connect"},
		{"no answer", nil, "", silent.URL, 0, "deadline"},
		{"a version not offered", archive, good, "", 12, "not offered"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := bare(t)
			s.cache = t.TempDir()
			s.mirror = c.url
			if s.mirror == "" {
				if c.sum == "" {
					sum := sha256.Sum256(c.archive)
					c.sum = hex.EncodeToString(sum[:])
				}
				s.mirror, _ = mirror(t, c.archive, c.sum)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
			defer cancel()
			_, _, err := s.seek(ctx, c.major)
			if !IsMissing(err) || !strings.Contains(err.Error(), "download: ") || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v", err)
			}
		})
	}
}
