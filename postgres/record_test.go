package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/record"
	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

var instant = time.Date(2026, 2, 6, 16, 0, 0, 0, time.UTC)

// sealed is a record with a table of its own in memory, to seal and to tamper with.
type sealed struct {
	service *record.Service
	db      *pgtest.Database
	texts   map[domain.ID]string
	actor   domain.ID
}

func newSealed(t *testing.T) *sealed {
	db := pgtest.New(t)
	s := &sealed{service: record.NewService(postgres.NewRecord(postgres.NewDB(db.Pool)), func() time.Time { return instant }),
		db: db, texts: map[domain.ID]string{}, actor: domain.NewID()}
	s.service.Register("note", func(_ context.Context, id domain.ID) (any, error) {
		text, ok := s.texts[id]
		if !ok {
			return nil, domain.NotFound("There is no such note.")
		}
		return map[string]string{"text": text}, nil
	})
	return s
}

func (s *sealed) seal(t *testing.T, text string) record.Seal {
	t.Helper()
	id := domain.NewID()
	s.texts[id] = text
	seal, err := s.service.Seal(t.Context(), s.actor, "note", id, nil, map[string]string{"text": text}, instant)
	if err != nil {
		t.Fatal(err)
	}
	return seal
}

// TestR1Verify: the chain is clean, and the first thing that does not fit is named.
func TestR1Verify(t *testing.T) {
	t.Parallel()
	tamper := map[string]struct {
		sql  string
		says string
	}{
		"document": {`update seal set document = replace(document, 'second', 'Second') where number = 2`, "The document of seal 2"},
		"facts":    {`update seal set at = at + interval '1 second' where number = 2`, "The facts of seal 2"},
		"actor":    {`update seal set actor_id = gen_random_uuid() where number = 3`, "The facts of seal 3"},
		"missing":  {`delete from seal where number = 2`, "Seal 2 is missing"},
		"tail":     {`delete from seal where number = 3`, ""},
		"origin":   {`update seal_origin set origin = sha256('x')`, "The chain is broken before seal 1"},
	}
	for name, c := range tamper {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newSealed(t)
			for _, text := range []string{"first", "second", "third"} {
				s.seal(t, text)
			}
			before, err := s.service.Verify(t.Context(), nil)
			if err != nil || !before.Clean || before.Head.Count != 3 {
				t.Fatalf("before: %+v, %v", before, err)
			}
			tx, err := s.db.OwnerPool().Begin(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if _, err := tx.Exec(t.Context(), `set local session_replication_role = replica`); err != nil { // triggers off
				t.Fatal(err)
			}
			if _, err := tx.Exec(t.Context(), c.sql); err != nil {
				t.Fatal(err)
			}
			if err := tx.Commit(t.Context()); err != nil {
				t.Fatal(err)
			}
			after, err := s.service.Verify(t.Context(), nil)
			if err != nil {
				t.Fatal(err)
			}
			if after.Clean == (c.says != "") || !strings.HasPrefix(after.First, c.says) {
				t.Errorf("found %q, want %q", after.First, c.says)
			}
			// R2: a cut tail is seen only against a head that was kept outside.
			against, err := s.service.Verify(t.Context(), &before.Head)
			if err != nil {
				t.Fatal(err)
			}
			if against.Clean {
				t.Error("the printed head should not fit any more")
			}
		})
	}
	t.Run("records", func(t *testing.T) {
		t.Parallel()
		s := newSealed(t)
		seal := s.seal(t, "as signed")
		s.texts[seal.SubjectID] = "as changed"
		report, err := s.service.Verify(t.Context(), nil)
		if err != nil || report.Clean || !strings.Contains(report.First, "no longer what was sealed") {
			t.Errorf("%+v, %v", report, err)
		}
		delete(s.texts, seal.SubjectID)
		report, err = s.service.Verify(t.Context(), nil)
		if err != nil || report.Clean || !strings.Contains(report.First, "are gone") {
			t.Errorf("%+v, %v", report, err)
		}
	})
}

// TestR2AppendOnly: the running role cannot change events, seals or the origin, nor switch the triggers off.
func TestR2AppendOnly(t *testing.T) {
	t.Parallel()
	s := newSealed(t)
	s.seal(t, "kept")
	for _, sql := range []string{
		`update seal set document = 'x'`, `delete from seal`, `truncate seal`, `update event set kind = 'x'`, `delete from event`,
		`update seal_origin set origin = sha256('x')`, `alter table seal disable trigger all`, `drop table seal`,
		`set session_replication_role = replica`, `create table mine ()`,
	} {
		if _, err := s.db.Pool.Exec(t.Context(), sql); err == nil {
			t.Errorf("%s was allowed", sql)
		}
	}
	for _, sql := range []string{`update seal set document = 'x'`, `delete from seal`} {
		if _, err := s.db.OwnerPool().Exec(t.Context(), sql); err == nil {
			t.Errorf("%s was allowed to the owner while triggers are on", sql)
		}
	}
}

// TestR1NoFork: seals made at the same moment form one chain without a gap; a seal that is rolled back
// leaves none.
func TestR1NoFork(t *testing.T) {
	t.Parallel()
	s := newSealed(t)
	db := postgres.NewDB(s.db.Pool)
	var wg sync.WaitGroup
	var mu sync.Mutex
	for i := range 24 {
		wg.Go(func() {
			id, text := domain.NewID(), fmt.Sprintf("note %d", i)
			err := db.Do(t.Context(), func(ctx context.Context) error {
				if _, err := s.service.Seal(ctx, s.actor, "note", id, nil, map[string]string{"text": text}, instant); err != nil {
					return err
				}
				if i%4 == 0 {
					return domain.ErrStale
				}
				return nil
			})
			switch {
			case err == nil:
				mu.Lock()
				s.texts[id] = text
				mu.Unlock()
			case !errors.Is(err, domain.ErrStale):
				t.Error(err)
			}
		})
	}
	wg.Wait()
	report, err := s.service.Verify(t.Context(), nil)
	if err != nil || !report.Clean || report.Head.Count != 18 {
		t.Errorf("%+v, %v", report, err)
	}
}
