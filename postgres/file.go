package postgres

import (
	"context"
	"errors"
	"io"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/postgres/bucket"
)

var fileWords = map[string]*domain.Error{
	"file_pkey":              refusedByDatabase("This file is kept already."),
	"file_sha256_form":       refusedByDatabase("A file is named by its SHA-256."),
	"file_bytes_sane":        refusedByDatabase("A file has a length."),
	"file_media_type_filled": refusedByDatabase("A file has a media type."),
	"file_state_known":       refusedByDatabase("A file is kept or going."),
	"file_found_known":       refusedByDatabase("A check finds a file sound, changed or missing."),
}

// Files keeps files in the bucket and a row for each. It implements photo.Files; other areas keep
// their files with it too, and point to table file by a foreign key.
type Files struct {
	db     *DB
	bucket *bucket.Bucket
}

// NewFiles makes the store.
func NewFiles(db *DB, b *bucket.Bucket) *Files { return &Files{db: db, bucket: b} }

var _ photo.Files = (*Files)(nil)

// Stage takes a file that arrives, to be looked at.
func (s *Files) Stage(ctx context.Context, r io.Reader, most int64) (photo.Staged, error) {
	staged, err := s.bucket.Stage(ctx, r, most)
	if errors.Is(err, bucket.ErrTooLarge) {
		return nil, photo.TooManyBytes(most)
	}
	if err != nil {
		return nil, err
	}
	return staged, nil
}

// Keep writes the row first and then the file: a sweep that meets the row leaves the file alone, and
// one that was quicker makes the row wait or refuses it. Records may point to the file afterwards.
func (s *Files) Keep(ctx context.Context, staged photo.Staged, mediaType string, at time.Time) error {
	done, err := s.db.q(ctx).Exec(ctx, `
		insert into file (sha256, bytes, media_type, kept_at) values ($1, $2, $3, $4)
		on conflict (sha256) do update set kept_at = greatest(file.kept_at, excluded.kept_at) where file.state = 'kept'`,
		staged.SHA256(), staged.Size(), mediaType, at)
	if err != nil {
		return fault(err, "note file %s", staged.SHA256())
	}
	if done.RowsAffected() == 0 {
		return &domain.Error{Kind: domain.KindUnavailable, Code: "file_going", RetryAfterSeconds: 5,
			Message: "A forgotten copy of this very file is being cleared away. Send it again in a moment."}
	}
	kept, ok := staged.(*bucket.Staged)
	if !ok {
		return errors.New("keep a file that was not staged here")
	}
	return kept.Keep(ctx)
}

// Open opens a kept file.
func (s *Files) Open(ctx context.Context, sha256 string) (photo.File, error) {
	f, err := s.bucket.Open(ctx, sha256)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Fetch opens a kept file for a reader that jumps about.
func (s *Files) Fetch(ctx context.Context, sha256 string) (photo.File, error) {
	f, err := s.bucket.Fetch(ctx, sha256)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Due lists files that were not checked since before a time. What was not sound is looked at again
// after a day: it may have been restored.
func (s *Files) Due(ctx context.Context, before time.Time, limit int) ([]string, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select sha256 from file
		where state = 'kept' and (coalesce(checked_at, kept_at) < $1
			or found <> 'sound' and checked_at < $1 + ($3 - 1) * interval '1 day')
		order by coalesce(checked_at, kept_at), sha256 limit $2`, before, limit, photo.FixityDays)
	all, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return all, fault(err, "list files that are due for a check")
}

// All lists the names of kept files after one.
func (s *Files) All(ctx context.Context, after string, limit int) ([]string, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select sha256 from file where state = 'kept' and sha256 > $1 order by sha256 limit $2`, after, limit)
	all, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return all, fault(err, "list kept files")
}

// SetAside leaves a changed file for inspection.
func (s *Files) SetAside(ctx context.Context, sha256 string) error {
	return s.bucket.SetAside(ctx, sha256)
}

// Check looks whether a file is there and has its hash. One that is not there and that no record needs is
// not missed: its upload was broken off between the row and the bytes, and a sweep forgets it.
func (s *Files) Check(ctx context.Context, sha256 string) (photo.Finding, error) {
	sound, err := s.bucket.Check(ctx, sha256)
	switch {
	case domain.KindOf(err) == domain.KindNotFound:
		var needed bool
		if err := s.db.q(ctx).QueryRow(ctx, `select file_needed($1)`, sha256).Scan(&needed); err != nil {
			return "", fault(err, "look who needs file %s", sha256)
		}
		if !needed {
			return photo.Sound, nil
		}
		return photo.Missing, nil
	case err != nil:
		return "", err
	case sound:
		return photo.Sound, nil
	}
	return photo.Changed, nil
}

// sweepAtOnce is how many rows one statement of a sweep looks at.
const sweepAtOnce = 500

// Sweep takes away files that arrived before a time and that no record points to, and what killed
// uploads left. It gives the number of files.
func (s *Files) Sweep(ctx context.Context, before time.Time) (int, error) {
	if _, err := s.bucket.SweepStaged(ctx, before); err != nil {
		return 0, err
	}
	for after := ""; ; {
		// First only the row says that the file goes. An upload of the same content now waits for this
		// statement or is sent away; one that was before it has renewed kept_at.
		rows, _ := s.db.q(ctx).Query(ctx, `
			with few as (
				select sha256, kept_at from file where sha256 > $1 order by sha256 limit $3)
			update file f set state = 'going' from few
			where f.sha256 = few.sha256 and f.kept_at < $2 and f.state = 'kept' and not file_needed(f.sha256)
			returning f.sha256`, after, before, sweepAtOnce)
		if _, err := pgx.CollectRows(rows, pgx.RowTo[string]); err != nil {
			return 0, fault(err, "look for files that nothing needs")
		}
		var last *string
		err := s.db.q(ctx).QueryRow(ctx, `
			select max(sha256) from (select sha256 from file where sha256 > $1 order by sha256 limit $2) few`, after, sweepAtOnce).Scan(&last)
		if err != nil {
			return 0, fault(err, "look for files that nothing needs")
		}
		if last == nil {
			break
		}
		after = *last
	}
	if err := s.noteStrays(ctx, before); err != nil {
		return 0, err
	}
	return s.takeAway(ctx)
}

// noteStrays gives a row to files of the bucket that have none (the row's transaction did not end
// well), and says in it that they go.
func (s *Files) noteStrays(ctx context.Context, before time.Time) error {
	var names []string
	var sizes []int64
	note := func() error {
		_, err := s.db.q(ctx).Exec(ctx, `
			insert into file (sha256, bytes, media_type, kept_at, state)
			select name, size, 'application/octet-stream', $3, 'going' from unnest($1::text[], $2::bigint[]) as stray (name, size)
			on conflict (sha256) do nothing`, names, sizes, before)
		names, sizes = names[:0], sizes[:0]
		return fault(err, "note files without a row")
	}
	err := s.bucket.List(ctx, func(k bucket.Kept) error {
		if !k.At.Before(before) {
			return nil
		}
		names, sizes = append(names, k.SHA256), append(sizes, k.Bytes)
		if len(names) < sweepAtOnce {
			return nil
		}
		return note()
	})
	if err != nil {
		return err
	}
	return note()
}

// takeAway deletes the files whose rows say that they go, and then the rows. A sweep that was killed
// is finished by the next.
func (s *Files) takeAway(ctx context.Context) (int, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select sha256 from file where state = 'going'`)
	going, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return 0, fault(err, "list files that go")
	}
	for i, sha := range going {
		if err := s.bucket.Delete(ctx, sha); err != nil {
			return i, err
		}
		if _, err := s.db.q(ctx).Exec(ctx, `delete from file where sha256 = $1 and state = 'going'`, sha); err != nil {
			return i, fault(err, "forget file %s", sha)
		}
	}
	return len(going), nil
}
