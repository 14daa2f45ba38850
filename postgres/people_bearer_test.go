package postgres_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/people"
	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

// bearing is a person with a token, read by two copies of the program that hear of each other.
type bearing struct {
	t      *testing.T
	db     *pgtest.Database
	copies [2]*postgres.People
	hash   []byte
	person *people.Person
	token  people.Token
}

func newBearing(t *testing.T) *bearing {
	t.Helper()
	hash := sha256.Sum256([]byte("a secret"))
	b := &bearing{t: t, db: pgtest.New(t), hash: hash[:]}
	for i := range b.copies {
		b.copies[i] = postgres.NewPeople(postgres.NewDB(b.db.Pool))
		b.copies[i].Lasts(time.Hour)
		t.Cleanup(b.copies[i].Hear(t.Context()))
	}
	b.person = &people.Person{ID: domain.NewID(), Name: "Ines Falkenberg", SignInName: "ines", Roles: []domain.Role{domain.Conservator}, Departments: []string{}, Version: 1, CreatedAt: instant}
	if err := b.copies[0].Add(t.Context(), b.person); err != nil {
		t.Fatal(err)
	}
	b.token = people.Token{ID: domain.NewID(), PersonID: b.person.ID, Name: "a tablet", Scopes: []string{"all"}, CreatedAt: instant, ExpiresAt: instant.AddDate(0, 0, 7)}
	if err := b.copies[0].AddToken(t.Context(), b.token, b.hash); err != nil {
		t.Fatal(err)
	}
	b.soon("both copies hear", func() bool { return b.copies[0].Hears() && b.copies[1].Hears() })
	return b
}

// soon waits for something.
func (b *bearing) soon(what string, so func() bool) {
	b.t.Helper()
	for until := time.Now().Add(20 * time.Second); !so(); time.Sleep(time.Millisecond) {
		if time.Now().After(until) {
			b.t.Fatalf("not so: %s", what)
		}
	}
}

// by is who bears the token, as a copy has it.
func (b *bearing) by(copied int) people.Bearer {
	b.t.Helper()
	bearer, err := b.copies[copied].ByToken(b.t.Context(), b.hash, instant)
	if err != nil {
		b.t.Fatal(err)
	}
	return bearer
}

// rename gives the person another name without a word to anybody.
func (b *bearing) rename(name string) {
	b.t.Helper()
	_, err := b.db.OwnerPool().Exec(b.t.Context(), `
		begin; alter table person disable trigger person_tell; update person set name = '`+name+`'; alter table person enable trigger person_tell; commit`)
	if err != nil {
		b.t.Fatal(err)
	}
}

// TestP1BearerIsRemembered: who bears a token is asked of the database once, and again after a change by this copy
// of the program, by another, or by hand.
func TestP1BearerIsRemembered(t *testing.T) {
	t.Parallel()
	b := newBearing(t)
	for i := range b.copies {
		if got := b.by(i); got.Actor.Name != "Ines Falkenberg" || got.Revoked || got.Closed || got.Actor.TokenID == nil || *got.Actor.TokenID != b.token.ID {
			t.Fatalf("copy %d: %+v", i, got)
		}
	}
	b.rename("not told")
	if got := b.by(0).Actor.Name; got != "Ines Falkenberg" {
		t.Errorf("the database was asked again: %s", got)
	}
	b.copies[0].Lasts(0)
	if got := b.by(0).Actor.Name; got != "not told" {
		t.Errorf("remembered for longer than it lasts: %s", got)
	}
	b.copies[0].Lasts(time.Hour)

	_, err := b.copies[0].Update(t.Context(), b.person.ID, 1, func(p *people.Person) error {
		b.by(0) // as it was, which must not outlast the change
		p.Name, p.Roles = "Ines Halloran", []domain.Role{domain.Reader}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := b.by(0).Actor; got.Name != "Ines Halloran" || got.Roles[0] != domain.Reader {
		t.Errorf("the copy that changed it has %+v", got)
	}
	b.soon("the other copy hears of the change", func() bool { return b.by(1).Actor.Name == "Ines Halloran" })

	if _, err := b.copies[1].RevokeToken(t.Context(), b.person.ID, b.token.ID, instant); err != nil {
		t.Fatal(err)
	}
	if !b.by(1).Revoked {
		t.Error("the copy that revoked the token takes it")
	}
	b.soon("the other copy hears that it is revoked", func() bool { return b.by(0).Revoked })

	if _, err := b.db.OwnerPool().Exec(t.Context(), `update person set closed_at = now()`); err != nil {
		t.Fatal(err)
	}
	b.soon("both hear of what was done by hand", func() bool { return b.by(0).Closed && b.by(1).Closed })
}

// TestP1EveryChangeOfABearerIsTold: of each column that a bearer is read from; not of each use of a token.
func TestP1EveryChangeOfABearerIsTold(t *testing.T) {
	t.Parallel()
	b := newBearing(t)
	ear, err := b.db.OwnerPool().Acquire(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer ear.Release()
	if _, err := ear.Exec(t.Context(), `listen bearer`); err != nil {
		t.Fatal(err)
	}
	for change, told := range map[string]bool{
		`update token set scopes = '{read}'`:                          true,
		`update token set expires_at = expires_at - interval '1 h'`:   true,
		`update token set revoked_at = now()`:                         true,
		`update token set last_used_at = now()`:                       false,
		`update person set name = 'Another'`:                          true,
		`update person set roles = '{reader}'`:                        true,
		`update person set departments = '{Diving}'`:                  true,
		`update person set sees_values = true`:                        true,
		`update person set closed_at = now()`:                         true,
		`update person set email = 'somebody@example.org'`:            false,
		`delete from token where id <> '` + b.token.ID.String() + `'`: true,
	} {
		if _, err := ear.Exec(t.Context(), change); err != nil { // what this session says itself it hears before it is answered
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		_, err := ear.Conn().WaitForNotification(ctx)
		cancel()
		if heard := err == nil; heard != told {
			t.Errorf("%s: heard %v, want %v", change, heard, told)
		}
	}
}

// TestP1BearerIsNotRememberedUnheard: a copy that does not hear of changes asks each time.
func TestP1BearerIsNotRememberedUnheard(t *testing.T) {
	t.Parallel()
	b := newBearing(t)
	deaf := postgres.NewPeople(postgres.NewDB(b.db.Pool))
	deaf.Lasts(time.Hour)
	b.copies[1] = deaf
	b.by(1)
	b.rename("the second name")
	if got := b.by(1).Actor.Name; got != "the second name" {
		t.Errorf("a copy that never heard remembers %s", got)
	}

	b.by(0)
	_, err := b.db.OwnerPool().Exec(t.Context(), `
		select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and query = 'listen bearer'`)
	if err != nil {
		t.Fatal(err)
	}
	b.soon("the copy knows that it hears no more", func() bool { return !b.copies[0].Hears() })
	b.rename("the third name")
	if got := b.by(0).Actor.Name; got != "the third name" {
		t.Errorf("while it did not hear, the copy remembered %s", got)
	}
	b.soon("the copy hears again", func() bool { return b.copies[0].Hears() })
	b.by(0)
	b.rename("the fourth name")
	if got := b.by(0).Actor.Name; got != "the third name" {
		t.Errorf("after it hears again, the copy asked: %s", got)
	}
}

// TestP1BearerIsNotRememberedOfWhatIsTakenBack: a change that its transaction took back is not remembered.
func TestP1BearerIsNotRememberedOfWhatIsTakenBack(t *testing.T) {
	t.Parallel()
	b := newBearing(t)
	stop := errors.New("no")
	err := postgres.NewDB(b.db.Pool).Do(t.Context(), func(ctx context.Context) error {
		if _, err := b.copies[0].RevokeToken(ctx, b.person.ID, b.token.ID, instant); err != nil {
			return err
		}
		if got, err := b.copies[0].ByToken(ctx, b.hash, instant); err != nil || !got.Revoked {
			t.Errorf("in the transaction: %+v %v", got, err)
		}
		return stop
	})
	if !errors.Is(err, stop) {
		t.Fatal(err)
	}
	if b.by(0).Revoked {
		t.Error("the token is revoked, though that was taken back")
	}
}

// TestP1BearerReadBeforeAChange: what was read before a change is not remembered after it.
func TestP1BearerReadBeforeAChange(t *testing.T) {
	t.Parallel()
	b := newBearing(t)
	old := b.by(0)
	old.Actor.Name = "somebody before"
	b.copies[0].ReadLate(b.hash, old)
	if got := b.by(0).Actor.Name; got != "Ines Falkenberg" {
		t.Errorf("remembered %s, which was read before the change", got)
	}
}
