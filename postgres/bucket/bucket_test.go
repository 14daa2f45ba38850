package bucket_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"farthingale/domain"
	"farthingale/postgres/bucket"
)

// source of the two hashes: NIST, SHA-256 examples (FIPS 180-4): "abc", and the empty message
const (
	abcHash   = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	emptyHash = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
)

// store is a bucket of one kind, with a way to look at what lies in it from outside.
type store struct {
	*bucket.Bucket
	names  func() []string // everything that is visible under a name, ours or not
	damage func(sha string)
}

func open(t *testing.T, address string) *bucket.Bucket {
	t.Helper()
	b, err := bucket.Open(context.Background(), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

func listed(t *testing.T, b *bucket.Bucket) []string {
	t.Helper()
	names := []string{}
	if err := b.List(context.Background(), func(k bucket.Kept) error {
		if k.At.IsZero() || time.Since(k.At) > time.Minute {
			t.Errorf("%s is said to be of %v", k.SHA256, k.At)
		}
		names = append(names, k.SHA256)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return names
}

func path(folder, sha string) string {
	return filepath.Join(folder, "sha256", sha[:2], sha[2:4], sha)
}

func inFolder(t *testing.T) store {
	folder := filepath.Join(t.TempDir(), "files", "kept")
	b := open(t, "file://"+filepath.ToSlash(folder))
	return store{b, func() []string {
		names := []string{}
		err := filepath.WalkDir(folder, func(path string, d os.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				names = append(names, d.Name())
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return names
	}, func(sha string) {
		if err := os.Chmod(path(folder, sha), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path(folder, sha), []byte("abd"), 0o600); err != nil {
			t.Fatal(err)
		}
	}}
}

// inS3 speaks to a store in this process. each, when given, may break a request.
func inS3(t *testing.T, each func(w http.ResponseWriter, r *http.Request) bool) store {
	t.Setenv("AWS_ACCESS_KEY_ID", "someone")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "something")
	t.Setenv("TMPDIR", t.TempDir())
	backend := s3mem.New()
	if err := backend.CreateBucket("photographs"); err != nil {
		t.Fatal(err)
	}
	handler := gofakes3.New(backend).Server()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if each == nil || each(w, r) {
			handler.ServeHTTP(w, r)
		}
	}))
	t.Cleanup(server.Close)
	b := open(t, "s3://photographs?region=eu-north-1&use_path_style=true&endpoint="+url.QueryEscape(server.URL))
	return store{b, func() []string {
		l, err := backend.ListBucket("photographs", nil, gofakes3.ListBucketPage{})
		if err != nil {
			t.Fatal(err)
		}
		names := []string{}
		for _, c := range l.Contents {
			names = append(names, c.Key[strings.LastIndexByte(c.Key, '/')+1:])
		}
		left, _ := filepath.Glob(filepath.Join(os.TempDir(), "farthingale-*"))
		return append(names, left...)
	}, func(sha string) {
		if _, err := backend.PutObject("photographs", "sha256/"+sha[:2]+"/"+sha[2:4]+"/"+sha, map[string]string{}, strings.NewReader("abd"), 3, nil); err != nil {
			t.Fatal(err)
		}
	}}
}

func each(t *testing.T, test func(t *testing.T, s store)) {
	t.Run("folder", func(t *testing.T) { test(t, inFolder(t)) })
	t.Run("S3", func(t *testing.T) { test(t, inS3(t, nil)) })
	t.Run("memory", func(t *testing.T) {
		t.Setenv("TMPDIR", t.TempDir())
		b := open(t, "mem://")
		test(t, store{b, func() []string {
			left, _ := filepath.Glob(filepath.Join(os.TempDir(), "farthingale-*"))
			return append(listed(t, b), left...)
		}, nil})
	})
}

func keep(t *testing.T, b *bucket.Bucket, content string) string {
	t.Helper()
	s, err := b.Stage(context.Background(), strings.NewReader(content), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.Keep(context.Background()), s.Discard()); err != nil {
		t.Fatal(err)
	}
	return s.SHA256()
}

func TestF1KeepsByContentOnce(t *testing.T) {
	each(t, func(t *testing.T, s store) {
		ctx := context.Background()
		for range 2 {
			if sha := keep(t, s.Bucket, "abc"); sha != abcHash {
				t.Errorf("hash %s", sha)
			}
		}
		if sha := keep(t, s.Bucket, ""); sha != emptyHash {
			t.Errorf("hash %s", sha)
		}
		if got := listed(t, s.Bucket); len(got) != 2 || got[0] != abcHash || got[1] != emptyHash {
			t.Errorf("listed %v", got)
		}
		if got := s.names(); len(got) != 2 {
			t.Errorf("in the bucket lie %v", got)
		}
		f, err := s.Open(ctx, abcHash)
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(f)
		if err := errors.Join(err, f.Close()); err != nil || string(b) != "abc" || f.Size() != 3 {
			t.Errorf("reads %q, %v", b, err)
		}
		if has, err := s.Has(ctx, abcHash); err != nil || !has {
			t.Errorf("has: %v, %v", has, err)
		}
		for range 2 {
			if err := s.Delete(ctx, abcHash); err != nil {
				t.Error(err)
			}
		}
		if has, err := s.Has(ctx, abcHash); err != nil || has {
			t.Errorf("after deleting it has: %v, %v", has, err)
		}
		if _, err := s.Open(ctx, abcHash); domain.KindOf(err) != domain.KindNotFound {
			t.Errorf("opening what is gone: %v", err)
		}
		if err := s.Ready(ctx); err != nil {
			t.Error(err)
		}
	})
}

func TestReadsByRanges(t *testing.T) {
	content := strings.Repeat("0123456789", 20_000)
	each(t, func(t *testing.T, s store) {
		ctx := context.Background()
		sha := keep(t, s.Bucket, content)
		for name, openIt := range map[string]func(context.Context, string) (*bucket.File, error){"Open": s.Open, "Fetch": s.Fetch} {
			f, err := openIt(ctx, sha)
			if err != nil {
				t.Fatal(err)
			}
			p := make([]byte, 7)
			if n, err := f.ReadAt(p, 100_003); n != 7 || err != nil || string(p) != "3456789" {
				t.Errorf("%s: %q, %d, %v", name, p, n, err)
			}
			if n, err := f.ReadAt(p, int64(len(content))-3); n != 3 || !errors.Is(err, io.EOF) {
				t.Errorf("%s: at the end %d, %v", name, n, err)
			}
			if _, err := f.ReadAt(p, int64(len(content))); !errors.Is(err, io.EOF) {
				t.Errorf("%s: past the end %v", name, err)
			}
			for _, to := range []int64{5, 199_990, 0} {
				if at, err := f.Seek(to, io.SeekStart); at != to || err != nil {
					t.Errorf("%s: seek %d, %v", name, at, err)
				}
				b, err := io.ReadAll(io.LimitReader(f, 20))
				if err != nil || string(b) != content[to:min(to+20, int64(len(content)))] {
					t.Errorf("%s: from %d %q, %v", name, to, b, err)
				}
			}
			if at, err := f.Seek(-4, io.SeekEnd); at != int64(len(content))-4 || err != nil {
				t.Errorf("%s: seek from the end %d, %v", name, at, err)
			}
			if _, err := f.Seek(-1, io.SeekStart); err == nil {
				t.Errorf("%s: seeks before the beginning", name)
			}
			if err := f.Close(); err != nil {
				t.Error(err)
			}
		}
		if got := s.names(); len(got) != 1 {
			t.Errorf("after reading, there lie %v", got)
		}
	})
}

func TestF1ChecksTheHash(t *testing.T) {
	each(t, func(t *testing.T, s store) {
		ctx := context.Background()
		keep(t, s.Bucket, "abc")
		if sound, err := s.Check(ctx, abcHash); err != nil || !sound {
			t.Errorf("sound file: %v, %v", sound, err)
		}
		if _, err := s.Check(ctx, emptyHash); domain.KindOf(err) != domain.KindNotFound {
			t.Errorf("missing file: %v", err)
		}
		if s.damage == nil {
			return
		}
		s.damage(abcHash)
		if sound, err := s.Check(ctx, abcHash); err != nil || sound {
			t.Errorf("damaged file: %v, %v", sound, err)
		}
	})
}

type breaking struct{ good int }

func (b *breaking) Read(p []byte) (int, error) {
	if b.good <= 0 {
		return 0, errors.New("the line is dead")
	}
	n := min(len(p), b.good)
	b.good -= n
	return n, nil
}

func TestNothingIsLeftOfWhatDoesNotArrive(t *testing.T) {
	each(t, func(t *testing.T, s store) {
		ctx := context.Background()
		if _, err := s.Stage(ctx, &breaking{100_000}, 1<<20); domain.KindOf(err) != domain.KindUnparseable {
			t.Errorf("a sender that breaks off: %v", err)
		}
		if _, err := s.Stage(ctx, strings.NewReader("abcd"), 3); !errors.Is(err, bucket.ErrTooLarge) {
			t.Errorf("too many bytes: %v", err)
		}
		gone, stop := context.WithCancel(ctx)
		stop()
		if _, err := s.Stage(gone, strings.NewReader("abc"), 3); !errors.Is(err, context.Canceled) {
			t.Errorf("nobody waits: %v", err)
		}
		looked, err := s.Stage(ctx, strings.NewReader("abc"), 3)
		if err != nil {
			t.Fatal(err)
		}
		if len(listed(t, s.Bucket)) != 0 {
			t.Error("what is only staged can be seen")
		}
		p := make([]byte, 2)
		if _, err := looked.ReadAt(p, 1); err != nil || string(p) != "bc" {
			t.Errorf("looking at it: %q, %v", p, err)
		}
		for range 2 {
			if err := looked.Discard(); err != nil {
				t.Error(err)
			}
		}
		if got := s.names(); len(got) != 0 {
			t.Errorf("there lie %v", got)
		}
	})
}

func TestF1AWriteThatFailsLeavesNothing(t *testing.T) {
	t.Run("folder", func(t *testing.T) {
		folder := t.TempDir()
		b := open(t, "file://"+filepath.ToSlash(folder))
		if err := os.WriteFile(filepath.Join(folder, "sha256"), nil, 0o600); err != nil { // where a folder must be
			t.Fatal(err)
		}
		s, err := b.Stage(context.Background(), strings.NewReader("abc"), 3)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Keep(context.Background()); err == nil {
			t.Error("a file is kept where it cannot be")
		}
		if err := s.Discard(); err != nil {
			t.Error(err)
		}
		if left, _ := filepath.Glob(filepath.Join(folder, "arriving", "*")); len(left) != 0 {
			t.Errorf("left: %v", left)
		}
	})
	t.Run("S3", func(t *testing.T) {
		broken := true
		s := inS3(t, func(w http.ResponseWriter, r *http.Request) bool {
			if r.Method == http.MethodPut && broken {
				_, _ = io.CopyN(io.Discard, r.Body, 1000)
				w.WriteHeader(http.StatusForbidden) // a refusal: the client does not try again
				return false
			}
			return true
		})
		staged, err := s.Stage(context.Background(), bytes.NewReader(make([]byte, 300_000)), 1<<20)
		if err != nil {
			t.Fatal(err)
		}
		if err := staged.Keep(context.Background()); err == nil {
			t.Error("a write that failed is told as good")
		}
		if got := listed(t, s.Bucket); len(got) != 0 {
			t.Errorf("half-written files are visible: %v", got)
		}
		broken = false
		if err := errors.Join(staged.Keep(context.Background()), staged.Discard()); err != nil {
			t.Errorf("the second try: %v", err)
		}
		if got := s.names(); len(got) != 1 {
			t.Errorf("there lie %v", got)
		}
	})
}

// A file that a power cut tore before our own sync is replaced when the same content comes again.
func TestATornFileIsReplaced(t *testing.T) {
	folder := t.TempDir()
	b := open(t, "file://"+filepath.ToSlash(folder))
	if err := os.MkdirAll(filepath.Dir(path(folder, abcHash)), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path(folder, abcHash), []byte("a"), 0o400); err != nil {
		t.Fatal(err)
	}
	keep(t, b, "abc")
	if sound, err := b.Check(context.Background(), abcHash); err != nil || !sound {
		t.Errorf("%v, %v", sound, err)
	}
}

func TestSweepsWhatAKilledProgramLeft(t *testing.T) {
	folder := t.TempDir()
	b := open(t, "file://"+filepath.ToSlash(folder))
	old, err := b.Stage(context.Background(), strings.NewReader("abc"), 3)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = old.Discard() }()
	yesterday := time.Now().Add(-25 * time.Hour)
	if err := os.Chtimes(old.Name(), yesterday, yesterday); err != nil {
		t.Fatal(err)
	}
	young, err := b.Stage(context.Background(), strings.NewReader("abc"), 3)
	if err != nil {
		t.Fatal(err)
	}
	n, err := b.SweepStaged(context.Background(), time.Now().Add(-24*time.Hour))
	if n != 1 || err != nil {
		t.Errorf("swept %d, %v", n, err)
	}
	if err := errors.Join(young.Keep(context.Background()), young.Discard()); err != nil {
		t.Errorf("the young one: %v", err)
	}
}

func TestManyKeepTheSameAtOnce(t *testing.T) {
	each(t, func(t *testing.T, s store) {
		var all sync.WaitGroup
		for i := range 16 {
			all.Go(func() {
				staged, err := s.Stage(context.Background(), strings.NewReader(fmt.Sprintf("content %d", i%3)), 1<<20)
				if err != nil {
					t.Error(err)
					return
				}
				if err := errors.Join(staged.Keep(context.Background()), staged.Discard()); err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		if got := s.names(); len(got) != 3 {
			t.Errorf("there lie %v", got)
		}
	})
}

func TestRefusesNamesThatAreNoHash(t *testing.T) {
	b := open(t, "mem://")
	for _, name := range []string{"", "../../etc/passwd", strings.ToUpper(abcHash), abcHash[:63], abcHash + "0", strings.Repeat("g", 64)} {
		if _, err := b.Open(context.Background(), name); err == nil {
			t.Errorf("opens %q", name)
		}
		if err := b.Delete(context.Background(), name); err == nil {
			t.Errorf("deletes %q", name)
		}
	}
	for _, address := range []string{"", "file://", "ftp://somewhere", "s3://", "://"} {
		if b, err := bucket.Open(context.Background(), address); err == nil {
			t.Errorf("opens %q", address)
			_ = b.Close()
		}
	}
}
