// Package servetest gives a test the whole house on a database of its own: people with tokens, an
// API client whose every exchange is held against the contract, and a browser without JavaScript.
package servetest

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"

	"farthingale/cmd/farthingale/serve"
	"farthingale/domain"
	"farthingale/domain/people"
	"farthingale/postgres/pgtest"
)

// Password is everybody's password in tests.
const Password = "a sentence for tests"

// Department is the department that a curator made by Person decides for, unless others are named.
const Department = "Diving"

// House is a running house.
type House struct {
	*serve.House
	Database *pgtest.Database
	Server   *httptest.Server // on the loopback, for browsers and for clients that need a network
	t        testing.TB
	offset   atomic.Int64
	mu       sync.Mutex
	used     map[string]int64 // the last step of each secret of a second factor
}

// New starts a house on a fresh database. change may alter the settings.
func New(t testing.TB, change ...func(*serve.Settings)) *House {
	t.Helper()
	return On(t, pgtest.New(t), change...)
}

// On starts a house on a database.
func On(t testing.TB, database *pgtest.Database, change ...func(*serve.Settings)) *House {
	t.Helper()
	h := &House{Database: database, t: t}
	site := domain.DefaultSite()
	site.Name, site.Version = "Museum of the Tide", "test"
	settings := serve.Settings{Site: site, Log: slog.New(slog.NewTextHandler(output{t}, &slog.HandlerOptions{Level: slog.LevelWarn})), Now: h.Now,
		Key: bytes.Repeat([]byte{7}, people.KeyBytes), Hash: quickHash, BucketURL: "file://" + filepath.ToSlash(t.TempDir())}
	for _, c := range change {
		c(&settings)
	}
	house, err := serve.New(t.Context(), h.Database.Pool, settings)
	if err != nil {
		t.Fatalf("start the house: %v", err)
	}
	h.House = house
	house.Handler = &guarded{t: t, next: house.Handler, tls: settings.SecureCookies}
	h.Server = httptest.NewServer(house.Handler)
	t.Cleanup(h.Server.Close)
	t.Cleanup(func() {
		if err := house.Close(context.Background()); err != nil {
			t.Errorf("close the house: %v", err)
		}
	})
	return h
}

// quickHash hashes a password as people.HashPassword does, but with a thousandth of the work: tests make people by
// the hundred. That it is all done where nobody says otherwise is tested in domain/people.
func quickHash(password domain.Secret) (string, error) {
	const passes, memoryKiB, lanes = 1, 16, 1
	salt := make([]byte, 16)
	if _, err := rand.Read(salt); err != nil {
		return "", err
	}
	key := argon2.IDKey([]byte(password), salt, passes, memoryKiB, lanes, 32)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memoryKiB, passes, lanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key)), nil
}

// Now is the house's clock: the system's, moved by Wait.
func (h *House) Now() time.Time { return time.Now().Add(time.Duration(h.offset.Load())) }

// Wait lets time pass for the house.
func (h *House) Wait(d time.Duration) { h.offset.Add(int64(d)) }

// Someone is a person with a token that may do all that the person may.
type Someone struct {
	domain.Actor
	SignInName string
	Token      string
	// Secret of the second factor, and its recovery codes; "": there is none.
	Secret        string
	RecoveryCodes []string
}

// Person makes a person with roles. A curator decides for Department.
func (h *House) Person(name string, roles ...domain.Role) Someone {
	h.t.Helper()
	return h.PersonOf(name, []string{Department}, roles...)
}

// PersonOf makes a person who, when curator, decides for the departments.
func (h *House) PersonOf(name string, departments []string, roles ...domain.Role) Someone {
	h.t.Helper()
	ctx := h.t.Context()
	signIn := strings.ToLower(strings.ReplaceAll(name, " ", "."))
	p, err := h.People.AddByHand(ctx, domain.Actor{}, people.NewPerson{
		Facts: people.Facts{Name: name, SignInName: signIn, Roles: roles, Departments: departments}, Password: Password})
	if err != nil {
		h.t.Fatalf("make %s: %v", name, err)
	}
	token, err := h.People.AddToken(ctx, p.Actor(), people.NewToken{Name: "test", Scopes: []string{"all"}, Days: 300})
	if err != nil {
		h.t.Fatalf("make a token for %s: %v", name, err)
	}
	return Someone{Actor: p.Actor(), SignInName: signIn, Token: token.Secret}
}

// Rows counts the rows of tables, so that a test can show that a refusal changed nothing. Events of
// refusals are not counted.
func (h *House) Rows(tables ...string) map[string]int {
	h.t.Helper()
	counts := map[string]int{}
	for _, table := range tables {
		var n int
		where := ""
		if table == "event" {
			where = " where kind <> 'refused'"
		}
		if err := h.Database.OwnerPool().QueryRow(h.t.Context(), "select count(*) from "+table+where).Scan(&n); err != nil {
			h.t.Fatalf("count %s: %v", table, err)
		}
		counts[table] = n
	}
	return counts
}

// output sends the house's log to the test's.
type output struct{ t testing.TB }

func (o output) Write(b []byte) (int, error) {
	defer func() { _ = recover() }() // a request may end after its test
	o.t.Log(strings.TrimSpace(string(b)))
	return len(b), nil
}

// record serves a request without a network.
func (h *House) record(r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.Handler.ServeHTTP(w, r)
	return w
}
