package bucket

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"gocloud.dev/blob"
)

// File is a kept file, open for reading. Read and Seek go from one position and are for one
// goroutine; ReadAt is for many.
type File struct {
	io.ReadSeekCloser
	at   io.ReaderAt
	size int64
}

// Size is the number of bytes.
func (f *File) Size() int64 { return f.size }

// ReadAt reads at a position.
func (f *File) ReadAt(p []byte, off int64) (int, error) { return f.at.ReadAt(p, off) }

// Open opens a kept file; a missing one is KindNotFound. From a distant store, each ReadAt and each
// Read after a Seek is a request of its own: see Fetch.
func (b *Bucket) Open(ctx context.Context, sha string) (*File, error) {
	k, err := key(sha)
	if err != nil {
		return nil, err
	}
	if b.folder != "" {
		f, err := os.Open(filepath.Join(b.folder, filepath.FromSlash(k)))
		if err != nil {
			return nil, b.fault(err, "open file %s", sha)
		}
		info, err := f.Stat()
		if err != nil {
			return nil, errors.Join(fmt.Errorf("open file %s: %w", sha, err), f.Close())
		}
		return &File{ReadSeekCloser: f, at: f, size: info.Size()}, nil
	}
	a, err := b.blob.Attributes(ctx, k)
	if err != nil {
		return nil, b.fault(err, "open file %s", sha)
	}
	d := &distant{ctx: ctx, bucket: b, key: k, size: a.Size}
	return &File{ReadSeekCloser: d, at: d, size: a.Size}, nil
}

// Fetch is Open for a reader that jumps about: a distant file is first brought to a temporary file,
// which goes with Close.
func (b *Bucket) Fetch(ctx context.Context, sha string) (*File, error) {
	f, err := b.Open(ctx, sha)
	if err != nil || b.folder != "" {
		return f, err
	}
	s, err := b.Stage(ctx, f, f.size)
	if err := errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("fetch file %s: %w", sha, err)
	}
	return &File{ReadSeekCloser: fetched{s}, at: s.File, size: s.size}, nil
}

type fetched struct{ *Staged }

func (f fetched) Close() error { return f.Discard() }

// distant reads a file of a store elsewhere by ranges. A run of Reads is one request.
type distant struct {
	ctx    context.Context
	bucket *Bucket
	key    string
	size   int64
	pos    int64
	run    *blob.Reader // from pos to the end, nil before the first Read
}

func (d *distant) Read(p []byte) (int, error) {
	if d.pos >= d.size {
		return 0, io.EOF
	}
	if d.run == nil {
		run, err := d.bucket.blob.NewRangeReader(d.ctx, d.key, d.pos, -1, nil)
		if err != nil {
			return 0, d.bucket.fault(err, "read %s", d.key)
		}
		d.run = run
	}
	n, err := d.run.Read(p)
	d.pos += int64(n)
	if err != nil && !errors.Is(err, io.EOF) {
		err = d.bucket.fault(err, "read %s", d.key)
	}
	return n, err
}

func (d *distant) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += d.pos
	case io.SeekEnd:
		offset += d.size
	}
	if offset < 0 {
		return d.pos, errors.New("seek before the beginning of a file")
	}
	if offset == d.pos {
		return offset, nil
	}
	d.pos = offset
	return offset, d.Close()
}

func (d *distant) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, errors.New("read before the beginning of a file")
	}
	if off >= d.size || len(p) == 0 {
		return 0, io.EOF
	}
	r, err := d.bucket.blob.NewRangeReader(d.ctx, d.key, off, min(int64(len(p)), d.size-off), nil)
	if err != nil {
		return 0, d.bucket.fault(err, "read %s", d.key)
	}
	n, err := io.ReadFull(r, p[:min(int64(len(p)), d.size-off)])
	err = errors.Join(err, r.Close())
	switch {
	case err != nil:
		return n, d.bucket.fault(err, "read %s", d.key)
	case n < len(p):
		return n, io.EOF
	}
	return n, nil
}

// Close ends the request that runs, if any.
func (d *distant) Close() error {
	if d.run == nil {
		return nil
	}
	run := d.run
	d.run = nil
	return run.Close()
}
