package serve_test

import (
	"encoding/hex"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/people"
)

// TestSignInTellsNobodysName: whoever tries an unknown name, a wrong password or a closed account gets
// the same answer, and each time one password hash is computed, so that the delay tells nothing either.
//
// source: OWASP ASVS 5.0, 6.3.8 (from memory)
func TestSignInTellsNobodysName(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines, piet, simon := h.Person("Ines Falkenberg", domain.Conservator), h.Person("Piet Lindqvist", domain.Curator), h.Person("Simon Vane", domain.Steward)
	if _, err := h.House.People.Close(t.Context(), simon.Actor, piet.ID, 1); err != nil {
		t.Fatal(err)
	}
	if _, err := h.Database.OwnerPool().Exec(t.Context(), `update person set password_hash = null where id = $1`, simon.ID); err != nil {
		t.Fatal(err)
	}
	answers := map[string]string{}
	for name, in := range map[string]people.SignIn{
		"wrong password": {SignInName: ines.SignInName, Password: "wrong"}, "unknown name": {SignInName: "nobody.at.all", Password: "wrong"},
		"closed account": {SignInName: piet.SignInName, Password: servetest.Password}, "no password": {SignInName: simon.SignInName, Password: servetest.Password},
		"the stand-in's": {SignInName: "nobody.at.all", Password: ""},
	} {
		if in.Password == "" {
			in.Password = " "
		}
		before := h.House.People.Hashes()
		_, _, err := h.House.People.SignIn(t.Context(), in, "192.0.2.1")
		if n := h.House.People.Hashes() - before; n != 1 {
			t.Errorf("%s: %d password hashes are computed", name, n)
		}
		if domain.KindOf(err) != domain.KindUnauthenticated {
			t.Errorf("%s: %v", name, err)
		}
		p := h.Browser(servetest.Someone{}).Get("/sign-in").Submit("/sign-in", url.Values{"sign_in_name": {in.SignInName}, "password": {string(in.Password)}}).Must(http.StatusUnprocessableEntity)
		answers[strings.ReplaceAll(p.Text(), in.SignInName, "")] = name
	}
	if len(answers) != 1 {
		t.Errorf("the answers differ: %v", answers)
	}
	before := h.House.People.Hashes()
	if _, _, err := h.House.People.SignIn(t.Context(), people.SignIn{SignInName: ines.SignInName, Password: servetest.Password}, "192.0.2.1"); err != nil || h.House.People.Hashes() != before+1 {
		t.Errorf("a right sign-in: %v, %d hashes", err, h.House.People.Hashes()-before)
	}
}

// TestSecretsAreNowhere: passwords, tokens and codes, right and wrong, in requests that succeed, are
// refused or fail, are neither in the log at its most talkative nor in any table.
//
// source: OWASP ASVS 5.0, 16.2.5 (from memory)
func TestSecretsAreNowhere(t *testing.T) {
	t.Parallel()
	log := &logged{}
	h := servetest.New(t, func(s *serve.Settings) {
		s.Log = slog.New(slog.NewJSONHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	const chosen, mistyped, made = "kettle plum thimble", "kettle plumm thimble", "farthingale_MISTYPEDMISTYPEDMISTYPEDMISTYPEDMISTYPED00"
	ines, simon := h.WithFactor(h.Person("Ines Falkenberg", domain.Conservator)), h.Person("Simon Vane", domain.Steward)
	b := h.Browser(ines)
	b.Get("/account").Submit("/account/password", url.Values{"present": {mistyped}, "password": {chosen}})
	b.Get("/account").Submit("/account/password", url.Values{"present": {servetest.Password}, "password": {chosen}}).Must(http.StatusOK)
	h.Browser(servetest.Someone{}).Get("/sign-in").Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {mistyped}})
	h.Browser(servetest.Someone{}).Get("/sign-in").Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {chosen}}).
		Submit("/sign-in/code", url.Values{"code": {ines.RecoveryCodes[0]}})
	token := strings.TrimSpace(b.Get("/account").Submit("/account/tokens", url.Values{"name": {"scales"}, "scopes": {"read"}, "days": {"3"}}).Must(http.StatusCreated).Body)
	_, token, _ = strings.Cut(token, `<code class="secret">`)
	token, _, _ = strings.Cut(token, "<")
	if !strings.HasPrefix(token, "farthingale_") {
		t.Fatalf("no token: %q", token)
	}
	h.API(servetest.Someone{Token: token}).Get("/people").Must(http.StatusOK)
	h.API(servetest.Someone{Token: token}).Post("/people", map[string]any{"name": "x", "password": chosen}).Must(http.StatusForbidden)
	h.API(servetest.Someone{Token: made}).Get("/people").Must(http.StatusUnauthorized)
	h.API(simon).Post("/people", map[string]any{"name": "Hugo Beck", "sign_in_name": "hugo", "roles": []string{"reader"}, "password": chosen}, servetest.Header{Name: "Idempotency-Key", Value: "k"}).Must(http.StatusCreated)
	h.API(simon).Post("/people", []byte(`{"name":"Hugo Beck","password":"`+chosen+`",`)).Must(http.StatusBadRequest)
	h.API(simon).Post("/people", map[string]any{"name": "Hugo Beck", "sign_in_name": "hugo", "roles": []string{"reader"}, "password": chosen}).Must(http.StatusConflict)
	secrets := []string{chosen, mistyped, made, token, simon.Token, servetest.Password, ines.Secret, ines.RecoveryCodes[0], strings.ReplaceAll(ines.RecoveryCodes[0], "-", ""), strings.ReplaceAll(ines.RecoveryCodes[1], "-", "")}
	for _, c := range b.Cookies() {
		secrets = append(secrets, c.Value)
	}

	pool := h.Database.OwnerPool()
	rows, err := pool.Query(t.Context(), `select relname::text from pg_class where relnamespace = current_schema()::regnamespace and relkind in ('r', 'p')`)
	if err != nil {
		t.Fatal(err)
	}
	var tables []string
	for rows.Next() {
		var table string
		if err := rows.Scan(&table); err != nil {
			t.Fatal(err)
		}
		tables = append(tables, table)
	}
	if rows.Err() != nil || len(tables) < 30 {
		t.Fatalf("%d tables, %v", len(tables), rows.Err())
	}
	for _, table := range tables {
		for i, secret := range secrets {
			var n int
			err := pool.QueryRow(t.Context(), fmt.Sprintf(`select count(*) from %q t where position(lower($1) in lower(t::text)) > 0 or position($2 in t::text) > 0`, table),
				secret, hex.EncodeToString([]byte(secret))).Scan(&n)
			if err != nil {
				t.Fatal(err)
			}
			if n > 0 {
				t.Errorf("secret %d stands in %s", i, table)
			}
		}
	}

	// With the database gone, what fails is logged whole, and still without them.
	form, cookies := url.Values{"sign_in_name": {ines.SignInName}, "password": {chosen}}, b.Cookies()
	h.Database.Pool.Close()
	for _, c := range cookies {
		if c.Name == "farthingale_csrf" {
			form.Set("csrf", c.Value)
		}
	}
	for path, body := range map[string]string{"/sign-in": form.Encode(), "/api/v1/people": `{"password":"` + chosen + `"}`} {
		r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Authorization", "Bearer "+token)
		for _, c := range cookies {
			r.AddCookie(c)
		}
		w := httptest.NewRecorder()
		h.Handler.ServeHTTP(w, r)
		if w.Code < 500 {
			t.Errorf("%s without a database: %d", path, w.Code)
		}
		log.Write(w.Body.Bytes())
	}
	said := strings.ToLower(log.String())
	if !strings.Contains(said, "error") {
		t.Error("nothing was logged")
	}
	for i, secret := range secrets {
		if strings.Contains(said, strings.ToLower(secret)) || strings.Contains(said, strings.ToLower(url.QueryEscape(secret))) {
			t.Errorf("secret %d stands in the log", i)
		}
	}
}
