// Package bucket keeps files by their content: in a folder, in a store that speaks S3, or in memory
// for tests. A file's name is its SHA-256, so it is written once and never changed (rule F1).
//
// A file arrives in two steps. Stage takes the bytes to a private temporary file and hashes them on
// the way; whoever staged it looks at it and then either keeps or discards it. Nothing refused and
// nothing half-written is ever visible under a name. A kept file is on the disk, and its folder too,
// before Keep returns.
//
// A program that is killed between keeping a file and writing its row leaves an orphan; what is
// kept is listed with its age so that a sweep can find it. Which files are needed is not known here.
package bucket

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"gocloud.dev/blob"
	_ "gocloud.dev/blob/fileblob" // file:///folder
	_ "gocloud.dev/blob/memblob"  // mem://
	_ "gocloud.dev/blob/s3blob"   // s3://name?region=…
	"gocloud.dev/gcerrors"

	"farthingale/domain"
)

// prefix is where the kept files are; nothing else in the bucket is looked at.
const prefix = "sha256/"

// Bucket keeps files. It is safe for use by many goroutines.
type Bucket struct {
	blob    *blob.Bucket
	folder  string // of a folder bucket, else ""
	staging string // folder of the temporary files
}

// Open opens the bucket of a URL: file:///folder (made when it is absent), s3://name?region=…, or
// mem://. Query parameters are those of the library (gocloud.dev/blob).
func Open(ctx context.Context, address string) (*Bucket, error) {
	u, err := url.Parse(address)
	if err != nil {
		return nil, fmt.Errorf("read bucket URL: %w", err)
	}
	b := &Bucket{staging: os.TempDir()}
	if u.Scheme == "file" {
		// The library drops the leading slash on systems whose separator is another, and takes a
		// host of "." for a relative path.
		b.folder = filepath.FromSlash(u.Path)
		if u.Host == "." || os.PathSeparator != '/' {
			b.folder = filepath.FromSlash(strings.TrimPrefix(u.Path, "/"))
		}
		if b.folder == "" {
			return nil, errors.New("a bucket URL of a folder names it: file:///path/to/folder")
		}
		if b.folder, err = filepath.Abs(b.folder); err != nil {
			return nil, fmt.Errorf("find bucket folder: %w", err)
		}
		b.staging = filepath.Join(b.folder, "arriving")
		if err := os.MkdirAll(b.staging, 0o700); err != nil {
			return nil, fmt.Errorf("make bucket folder: %w", err)
		}
		q := u.Query()
		for name, value := range map[string]string{"create_dir": "true", "no_tmp_dir": "true", "metadata": "skip"} {
			if !q.Has(name) {
				q.Set(name, value)
			}
		}
		u.RawQuery = q.Encode()
	}
	if b.blob, err = blob.OpenBucket(ctx, u.String()); err != nil {
		return nil, fmt.Errorf("open bucket: %w", err)
	}
	return b, nil
}

// Close lets go of the bucket. Files that are staged stay staged.
func (b *Bucket) Close() error { return b.blob.Close() }

// Ready says whether the bucket can be reached.
func (b *Bucket) Ready(ctx context.Context) error {
	ok, err := b.blob.IsAccessible(ctx)
	if err == nil && !ok {
		err = errors.New("it is not there")
	}
	return b.fault(err, "reach bucket")
}

// key is where a file lies: in 65536 folders, so that none grows too long to list.
func key(sha string) (string, error) {
	if len(sha) != 2*sha256.Size || strings.Trim(sha, "0123456789abcdef") != "" {
		return "", fmt.Errorf("%q is no SHA-256 in lower case hexadecimal", sha)
	}
	return prefix + sha[:2] + "/" + sha[2:4] + "/" + sha, nil
}

// fault says what was attempted. A missing file is KindNotFound; a store that does not answer is
// KindUnavailable.
func (b *Bucket) fault(err error, attempt string, args ...any) error {
	if err == nil {
		return nil
	}
	err = fmt.Errorf(attempt+": %w", append(args, err)...)
	if errors.Is(err, context.Canceled) {
		return err
	}
	switch gcerrors.Code(err) {
	case gcerrors.NotFound:
		return &domain.Error{Kind: domain.KindNotFound, Code: "file_missing", Message: "This file is not in the store of files. Tell your steward: it should be.", Err: err}
	case gcerrors.PermissionDenied, gcerrors.ResourceExhausted, gcerrors.DeadlineExceeded, gcerrors.Internal:
		return &domain.Error{Kind: domain.KindUnavailable, Code: "unavailable", RetryAfterSeconds: 5,
			Message: "The store of files does not answer at this moment. Try again.", Err: err}
	}
	if errors.Is(err, os.ErrNotExist) {
		return &domain.Error{Kind: domain.KindNotFound, Code: "file_missing", Message: "This file is not in the store of files. Tell your steward: it should be.", Err: err}
	}
	return err
}

// Check reads a kept file whole and says whether its bytes still have the hash that is its name.
func (b *Bucket) Check(ctx context.Context, sha string) (sound bool, err error) {
	f, err := b.Open(ctx, sha)
	if err != nil {
		return false, err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		// A store may find by its own checksum that the bytes have changed; the library has only
		// words for it.
		if strings.Contains(err.Error(), "checksum did not match") {
			return false, nil
		}
		return false, b.fault(err, "read file %s", sha)
	}
	return hex.EncodeToString(h.Sum(nil)) == sha, nil
}

// Has says whether a file is kept.
func (b *Bucket) Has(ctx context.Context, sha string) (bool, error) {
	k, err := key(sha)
	if err != nil {
		return false, err
	}
	ok, err := b.blob.Exists(ctx, k)
	return ok, b.fault(err, "look for file %s", sha)
}

// Delete takes a kept file away. One that is not there is gone already: no error.
func (b *Bucket) Delete(ctx context.Context, sha string) error {
	k, err := key(sha)
	if err != nil {
		return err
	}
	if err := b.blob.Delete(ctx, k); err != nil && gcerrors.Code(err) != gcerrors.NotFound {
		return b.fault(err, "delete file %s", sha)
	}
	return nil
}

// SetAside takes a kept file away from its name and leaves it under damaged/ for inspection.
func (b *Bucket) SetAside(ctx context.Context, sha string) error {
	k, err := key(sha)
	if err != nil {
		return err
	}
	to := "damaged/" + time.Now().UTC().Format("20060102T150405") + "-" + sha
	if err := b.blob.Copy(ctx, to, k, nil); err != nil {
		return b.fault(err, "set file %s aside", sha)
	}
	return b.Delete(ctx, sha)
}

// Kept is one kept file of a list.
type Kept struct {
	SHA256 string
	Bytes  int64
	At     time.Time // when it was written
}

// List gives all kept files to see, in the order of their names. What lies in the bucket under
// another name is not ours and is passed over.
func (b *Bucket) List(ctx context.Context, see func(Kept) error) error {
	files := b.blob.List(&blob.ListOptions{Prefix: prefix})
	for {
		o, err := files.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return b.fault(err, "list files")
		}
		sha := o.Key[strings.LastIndexByte(o.Key, '/')+1:]
		if k, err := key(sha); err != nil || k != o.Key {
			continue
		}
		if err := see(Kept{SHA256: sha, Bytes: o.Size, At: o.ModTime}); err != nil {
			return err
		}
	}
}
