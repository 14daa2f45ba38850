package pgtest

import (
	"archive/tar"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"farthingale/postgres"
	"farthingale/postgres/local"
)

// Making a cluster and its template takes three seconds of a processor, and every test binary needs the same
// one. So it is made once, stopped, and kept as a file in the user's cache folder, of which each binary unpacks
// a copy of its own. The name of the file tells what it was made by and from.

// keptClusters is how many are kept: of this state of the migrations, and of some that one goes back to.
const keptClusters = 4

// making is counted up when a cluster is made in another way.
const making = "1"

// keptIn is the folder of the kept clusters; "": this account has no cache folder.
func keptIn() string {
	cache, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	return filepath.Join(cache, "farthingale", "test-clusters")
}

// unpackKept puts a copy of the kept cluster into a data folder, making the kept one first where there is none.
// After an error the folder holds no cluster, and local.Start makes one.
func unpackKept(ctx context.Context, kept, dir string, fetch bool) error {
	if kept == "" {
		return errors.New("there is no folder to keep clusters in")
	}
	version, err := local.Version(ctx, local.Options{NoFetch: !fetch})
	if err != nil {
		return err
	}
	sum, err := fingerprint()
	if err != nil {
		return err
	}
	name := filepath.Join(kept, fmt.Sprintf("%x.tar", sha256.Sum256([]byte(making+" "+version+" "+sum))))
	if _, err := os.Stat(name); err != nil {
		if err := keepOne(ctx, name, dir, fetch); err != nil {
			return err
		}
		forget(kept, name)
	}
	now := time.Now()
	_ = os.Chtimes(name, now, now) // the least used goes first; not being able to say so harms nobody
	data := filepath.Join(dir, "data")
	if err := unpack(name, data); err != nil {
		return errors.Join(err, os.Remove(name), os.RemoveAll(data))
	}
	return nil
}

// keepOne makes a cluster with its template aside, and keeps it under a name. Of several binaries that do so at
// once the last wins; the others' is the same.
func keepOne(ctx context.Context, name, beside string, fetch bool) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return err
	}
	dir, err := os.MkdirTemp(filepath.Dir(beside), filepath.Base(beside)+"-made-") // found by the next start, if this one is killed
	if err != nil {
		return err
	}
	defer local.Discard(dir)
	cluster, err := local.Start(ctx, local.Options{DataDir: dir, Fast: true, NoFetch: !fetch})
	if err != nil {
		return err
	}
	err = func() error {
		s, err := serverOf(ctx, cluster)
		if err != nil {
			return err
		}
		defer s.admin.Close()
		if err := s.makeTemplate(ctx); err != nil {
			return err
		}
		_, err = s.admin.Exec(ctx, "checkpoint") // a fast server is stopped at once, and writes nothing then
		return err
	}()
	if err := errors.Join(err, cluster.Stop(ctx)); err != nil {
		return err
	}
	return pack(filepath.Join(dir, "data"), name)
}

// forget removes the kept clusters that were not used for longest, and what a killed binary left half written.
func forget(kept, made string) {
	type one struct {
		name string
		used time.Time
	}
	var all []one
	names, _ := filepath.Glob(filepath.Join(kept, "*.tar*"))
	for _, name := range names {
		s, err := os.Stat(name)
		switch {
		case err != nil || name == made:
		case filepath.Ext(name) == ".tar":
			all = append(all, one{name, s.ModTime()})
		case time.Since(s.ModTime()) > time.Hour:
			_ = os.Remove(name)
		}
	}
	slices.SortFunc(all, func(a, b one) int { return b.used.Compare(a.used) })
	for _, o := range all[min(len(all), keptClusters-1):] {
		_ = os.Remove(o.name) // who has it open reads on
	}
}

// pack writes a folder to a file, which is there whole or not at all.
func pack(dir, name string) error {
	f, err := os.CreateTemp(filepath.Dir(name), filepath.Base(name)+".")
	if err != nil {
		return err
	}
	w := tar.NewWriter(f)
	err = errors.Join(filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return packOne(w, dir, path, d)
	}), w.Close(), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), name)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}

func packOne(w *tar.Writer, dir, path string, d fs.DirEntry) error {
	s, err := d.Info()
	if err != nil {
		return err
	}
	h, err := tar.FileInfoHeader(s, "")
	if err != nil {
		return err
	}
	if h.Name, err = filepath.Rel(dir, path); err != nil {
		return err
	}
	if err := w.WriteHeader(h); err != nil || d.IsDir() {
		return err
	}
	f, err := os.Open(path) // #nosec G304 -- in a folder of our own
	if err != nil {
		return err
	}
	_, err = io.Copy(w, f)
	return errors.Join(err, f.Close())
}

// unpack makes a folder of what was packed.
func unpack(name, dir string) error {
	f, err := os.Open(name) // #nosec G304 -- in a folder of our own
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	for r := tar.NewReader(f); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("unpack the kept cluster %s: %w", name, err)
		}
		if !filepath.IsLocal(h.Name) {
			return fmt.Errorf("unpack the kept cluster %s: it leads outside, to %s", name, h.Name)
		}
		if err := unpackOne(r, h, filepath.Join(dir, h.Name)); err != nil { // #nosec G305 -- a name that leads outside is refused above
			return fmt.Errorf("unpack the kept cluster %s: %w", name, err)
		}
	}
}

func unpackOne(r io.Reader, h *tar.Header, path string) error {
	mode := h.FileInfo().Mode().Perm()
	if h.Typeflag == tar.TypeDir {
		return os.Mkdir(path, mode)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode) // #nosec G304 -- in a folder of our own
	if err != nil {
		return err
	}
	_, err = io.Copy(f, r) // #nosec G110 -- nothing is compressed in it
	return errors.Join(err, f.Close())
}

// serverOf is the server of a private cluster, with its roles.
func serverOf(ctx context.Context, cluster *local.Cluster) (*server, error) {
	s := &server{
		ownerURL: func(database string) string {
			if database == "" {
				database = "postgres"
			}
			return cluster.URL(postgres.OwnerRole, database)
		},
		appURL: func(database string) string { return cluster.URL(postgres.AppRole, database) },
	}
	if err := s.connect(ctx); err != nil {
		return nil, err
	}
	_, err := s.admin.Exec(ctx, fmt.Sprintf(`do $$ begin
		if not exists (select from pg_roles where rolname = '%[1]s') then create role %[1]s login; end if;
		end $$`, postgres.AppRole))
	if err != nil {
		s.admin.Close()
		return nil, fmt.Errorf("make role %s: %w", postgres.AppRole, err)
	}
	return s, nil
}
