package bucket

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"gocloud.dev/blob"
	"gocloud.dev/gcerrors"

	"farthingale/domain"
)

// Staged is a file that has arrived and is not kept yet. Whoever staged it discards it in the end,
// kept or not.
type Staged struct {
	*os.File // read only; positions are the caller's own
	bucket   *Bucket
	sha      string
	size     int64
}

const stagedName = "farthingale-arriving-*"

// ErrTooLarge says that more bytes came than Stage was to take.
var ErrTooLarge = errors.New("more bytes than allowed")

// Stage takes what r gives, at most most bytes, into a temporary file. When r gives more, Stage
// stops reading and returns ErrTooLarge; when r fails it is KindUnparseable, for the sender broke
// off; when there is no room it is domain.NoRoom. Either way nothing is left behind.
func (b *Bucket) Stage(ctx context.Context, r io.Reader, most int64) (*Staged, error) {
	f, err := os.CreateTemp(b.staging, stagedName)
	if err != nil {
		return nil, domain.NoRoom(fmt.Errorf("make a temporary file: %w", err))
	}
	s := &Staged{File: f, bucket: b}
	h := sha256.New()
	from := &sender{ctx: ctx, r: io.LimitReader(r, most+1)}
	s.size, err = io.Copy(io.MultiWriter(f, h), from)
	switch {
	case from.err != nil && ctx.Err() != nil:
		err = ctx.Err()
	case from.err != nil:
		err = &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The file broke off before it was complete. Send it again.", Err: from.err}
	case err != nil:
		err = domain.NoRoom(fmt.Errorf("write a temporary file: %w", err))
	case s.size > most:
		err = ErrTooLarge
	}
	if err != nil {
		return nil, errors.Join(err, s.Discard())
	}
	s.sha = hex.EncodeToString(h.Sum(nil))
	return s, nil
}

// sender keeps the errors of the sender apart from those of the disk.
type sender struct {
	ctx context.Context
	r   io.Reader
	err error
}

func (s *sender) Read(p []byte) (int, error) {
	if s.err = s.ctx.Err(); s.err != nil {
		return 0, s.err
	}
	n, err := s.r.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		s.err = err
	}
	return n, err
}

// SHA256 is the hash of the content, in hexadecimal.
func (s *Staged) SHA256() string { return s.sha }

// Size is the number of bytes.
func (s *Staged) Size() int64 { return s.size }

// Discard takes the temporary file away. A second time does nothing.
func (s *Staged) Discard() error {
	_ = s.File.Close() // it was only read since it was written
	if err := os.Remove(s.File.Name()); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("remove a temporary file: %w", err)
	}
	return nil
}

// Keep puts the file under its name. When the same content is kept already, nothing is written.
// When Keep returns nil, the file outlasts a power cut.
func (s *Staged) Keep(ctx context.Context) error {
	k, err := key(s.sha)
	if err != nil {
		return err
	}
	if s.bucket.folder != "" {
		return domain.NoRoom(s.keepInFolder(ctx, k))
	}
	if there, err := s.bucket.holds(ctx, k, s.size); err != nil || there {
		return err
	}
	// Cancelling is how the library is told not to finish a write.
	ctx, abort := context.WithCancel(ctx)
	defer abort()
	w, err := s.bucket.blob.NewWriter(ctx, k, &blob.WriterOptions{IfNotExist: true, ContentType: "application/octet-stream"})
	if err != nil {
		return s.bucket.fault(err, "write file %s", s.sha)
	}
	if _, err := io.Copy(w, io.NewSectionReader(s.File, 0, s.size)); err != nil {
		abort()
		_ = w.Close()
		return s.bucket.fault(err, "write file %s", s.sha)
	}
	if err := w.Close(); err != nil && gcerrors.Code(err) != gcerrors.FailedPrecondition {
		return s.bucket.fault(err, "write file %s", s.sha)
	}
	// Somebody else wrote the same content meanwhile, or we did: both are as they should be.
	there, err := s.bucket.holds(ctx, k, s.size)
	if err == nil && !there {
		err = fmt.Errorf("file %s was written and is not there", s.sha)
	}
	return err
}

// holds says whether a whole file lies under a key: its size tells a torn one.
func (b *Bucket) holds(ctx context.Context, k string, size int64) (bool, error) {
	a, err := b.blob.Attributes(ctx, k)
	if gcerrors.Code(err) == gcerrors.NotFound {
		return false, nil
	}
	if err != nil {
		return false, b.fault(err, "look for file %s", k)
	}
	return a.Size == size, nil
}

// keepInFolder does what the library does not: it makes the bytes and the folder entries durable
// before the name is promised. The temporary file lies in the same folder, so a link is enough.
func (s *Staged) keepInFolder(ctx context.Context, k string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	path := filepath.Join(s.bucket.folder, filepath.FromSlash(k))
	if info, err := os.Stat(path); err == nil && info.Size() == s.size {
		return syncFolders(s.bucket.folder, path) // whoever wrote it may not have come so far
	}
	if err := s.File.Sync(); err != nil {
		return fmt.Errorf("write file %s to the disk: %w", s.sha, err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("make the folder of file %s: %w", s.sha, err)
	}
	// A rename replaces a torn file of the same name, and takes the name in one step.
	if err := os.Chmod(s.File.Name(), 0o400); err != nil {
		return fmt.Errorf("protect file %s: %w", s.sha, err)
	}
	if err := os.Rename(s.File.Name(), path); err != nil {
		return fmt.Errorf("name file %s: %w", s.sha, err)
	}
	return syncFolders(s.bucket.folder, path)
}

// syncFolders makes the entries of every folder from the file's own up to the bucket's durable.
func syncFolders(root, path string) error {
	for dir := filepath.Dir(path); strings.HasPrefix(dir, root); dir = filepath.Dir(dir) {
		d, err := os.Open(dir) // #nosec G304 -- a folder of our own
		if err != nil {
			return fmt.Errorf("open folder: %w", err)
		}
		err = errors.Join(d.Sync(), d.Close())
		if err != nil {
			return fmt.Errorf("write folder to the disk: %w", err)
		}
		if dir == root {
			break
		}
	}
	return nil
}

// SweepStaged takes away temporary files that a killed program left, when they are older than
// before. It gives their number.
func (b *Bucket) SweepStaged(ctx context.Context, before time.Time) (int, error) {
	names, err := filepath.Glob(filepath.Join(b.staging, stagedName))
	if err != nil {
		return 0, fmt.Errorf("list temporary files: %w", err)
	}
	swept := 0
	for _, name := range names {
		if err := ctx.Err(); err != nil {
			return swept, err
		}
		info, err := os.Stat(name)
		if err != nil || !info.ModTime().Before(before) {
			continue // gone meanwhile, or young
		}
		if err := os.Remove(name); err != nil && !errors.Is(err, os.ErrNotExist) {
			return swept, fmt.Errorf("remove a temporary file: %w", err)
		}
		swept++
	}
	return swept, nil
}
