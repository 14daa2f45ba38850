package pgtest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"farthingale/postgres/local"
)

// tars lists what is kept.
func tars(t *testing.T, kept string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(kept, "*"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// fill unpacks the kept cluster into a new folder, which it gives.
func fill(t *testing.T, kept string) (string, error) {
	t.Helper()
	dir, err := os.MkdirTemp(roomy(), fmt.Sprintf("farthingale-test-%d-", os.Geteuid()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { local.Discard(dir) })
	return dir, unpackKept(t.Context(), kept, dir, false)
}

// TestKeptCluster: the first makes a cluster and keeps it, the next unpacks it; each has the template and the
// roles, and one does not see what another writes.
func TestKeptCluster(t *testing.T) {
	t.Parallel()
	if _, err := local.Version(t.Context(), local.Options{NoFetch: true}); err != nil {
		t.Log("no programs here, so no cluster is kept")
		return
	}
	kept := t.TempDir()
	var made time.Time
	for i := range 2 {
		dir, err := fill(t, kept)
		if err != nil {
			t.Fatal(err)
		}
		names := tars(t, kept)
		if len(names) != 1 {
			t.Fatalf("kept: %q", names)
		}
		cluster, err := local.Start(t.Context(), local.Options{DataDir: dir, Fast: true, NoFetch: true})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = cluster.Stop(context.Background()) })
		s, err := serverOf(t.Context(), cluster)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(s.admin.Close)
		var template, others string
		if err := s.admin.QueryRow(t.Context(), `select coalesce(max(datname) filter (where datistemplate and not datallowconn and datname <> 'template0'), ''),
			coalesce(max(datname) filter (where datname like 'written%'), '') from pg_database`).Scan(&template, &others); err != nil {
			t.Fatal(err)
		}
		sum, err := fingerprint()
		if err != nil {
			t.Fatal(err)
		}
		if template != "farthingale_template_"+sum || others != "" {
			t.Errorf("cluster %d has the template %q, and of others %q", i, template, others)
		}
		if _, err := s.admin.Exec(t.Context(), fmt.Sprintf("create database written%d", i)); err != nil {
			t.Fatal(err)
		}
		if _, err := s.admin.Exec(t.Context(), "comment on role farthingale_app is 'written'"); err != nil {
			t.Fatal(err)
		}
		text, err := os.Stat(names[0])
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case i == 0:
			made = text.ModTime()
		case text.ModTime().Before(made):
			t.Error("that it was used again is not noted")
		}
	}

	// One that was cut short is thrown away; the binary goes without, and the next makes another.
	name := tars(t, kept)[0]
	if err := os.Truncate(name, 5<<20); err != nil {
		t.Fatal(err)
	}
	dir, err := fill(t, kept)
	if err == nil || len(tars(t, kept)) > 0 {
		t.Errorf("a cluster that was cut short: %v, kept: %q", err, tars(t, kept))
	}
	if _, err := os.Stat(filepath.Join(dir, "data")); !os.IsNotExist(err) {
		t.Errorf("half a cluster is left: %v", err)
	}
}

// TestOldClustersAreForgotten: of many states only those used last are kept, and nothing half written.
func TestOldClustersAreForgotten(t *testing.T) {
	t.Parallel()
	kept := t.TempDir()
	for i, name := range []string{"a.tar", "b.tar", "c.tar", "d.tar", "e.tar", "half.tar.123", "now.tar.456", "made.tar"} {
		path, used := filepath.Join(kept, name), time.Now().Add(-time.Duration(i+2)*time.Hour)
		if name == "now.tar.456" {
			used = time.Now()
		}
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, used, used); err != nil {
			t.Fatal(err)
		}
	}
	forget(kept, filepath.Join(kept, "made.tar"))
	var left []string
	for _, name := range tars(t, kept) {
		left = append(left, filepath.Base(name))
	}
	if got := strings.Join(left, " "); got != "a.tar b.tar c.tar made.tar now.tar.456" {
		t.Errorf("left: %s", got)
	}
}
