package serve_test

import (
	"bytes"
	"encoding/base32"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/people"
)

var secretForm = regexp.MustCompile(`<code class="secret">([A-Z2-7 ]+)</code>`)

// log keeps what a house writes to its log.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// TestSecondFactor walks the whole life of a second factor on the pages: set up by its secret, asked
// for at sign-in, each code once, recovery codes once, turned off with password and code. Neither the
// log nor the record says a secret or a code.
func TestSecondFactor(t *testing.T) {
	t.Parallel()
	log := &logged{}
	h := servetest.New(t, func(s *serve.Settings) {
		s.Log = slog.New(slog.NewJSONHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	b, elsewhere := h.Browser(ines), h.Browser(ines)
	const at = "/account/second-factor"
	p := b.Get(at).Has("off")
	p = p.Submit(at, url.Values{"password": {"wrong"}}).Must(http.StatusUnprocessableEntity).Has("This is not your present password.")
	p = p.Submit(at, url.Values{"password": {servetest.Password}}).Must(http.StatusOK)
	found := secretForm.FindStringSubmatch(p.Body)
	if found == nil || !strings.Contains(p.Body, `<svg class="qr"`) {
		t.Fatalf("no secret, or no QR code: %s", p.Text())
	}
	ines.Secret = strings.ReplaceAll(found[1], " ", "")
	// Until a first code has confirmed it, it is not asked for.
	if at := h.Browser(servetest.Someone{SignInName: ines.SignInName}).Get("/account").Path; at != "/account" {
		t.Errorf("an unconfirmed factor is asked for at %s", at)
	}
	p = p.Submit(at+"/confirmation", url.Values{"code": {"000000"}}).Must(http.StatusUnprocessableEntity).Has("This code is not right")
	if strings.Contains(p.Body, `value="000000"`) {
		t.Error("a wrong code comes back")
	}
	first := string(h.Code(ines))
	p = p.Submit(at+"/confirmation", url.Values{"code": {first[:3] + " " + first[3:]}}).Must(http.StatusOK).Has("Recovery codes", "10 recovery codes left")
	codes := regexp.MustCompile(`<li><code>([a-z2-7-]{29})</code></li>`).FindAllStringSubmatch(p.Body, -1)
	if len(codes) != 10 {
		t.Fatalf("%d recovery codes", len(codes))
	}
	if again := b.Get(at); strings.Contains(again.Body, codes[0][1]) || strings.Contains(again.Body, "secret\"") {
		t.Error("the recovery codes or the secret are shown again")
	}
	if shows(h, elsewhere.Cookies()) != "" {
		t.Error("a session begun without the second factor goes on")
	}

	enter := func(code string) *servetest.Page {
		t.Helper()
		out := h.Browser(servetest.Someone{})
		p := out.Get("/sign-in?to=/people").Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {servetest.Password}}).Must(http.StatusOK)
		if !strings.HasPrefix(p.Path, "/sign-in/code") {
			t.Fatalf("the password alone leads to %s", p.Path)
		}
		if shows(h, out.Cookies()) != "" {
			t.Fatal("the password alone opens the account")
		}
		return p.Submit("/sign-in/code", url.Values{"code": {code}})
	}
	if p := enter(first); p.Status != http.StatusUnprocessableEntity {
		t.Errorf("the code that confirmed was taken again: %d at %s", p.Status, p.Path)
	}
	second := string(h.Code(ines))
	if p := enter(second); p.Path != "/people" {
		t.Errorf("a right code leads to %s", p.Path)
	}
	if p := enter(second); p.Status != http.StatusUnprocessableEntity {
		t.Errorf("a code was taken twice: %d", p.Status)
	}
	if p := enter(strings.ToUpper(codes[3][1])); p.Path != "/people" {
		t.Errorf("a recovery code leads to %s: %s", p.Path, p.Text())
	}
	if p := enter(codes[3][1]); p.Status != http.StatusUnprocessableEntity {
		t.Errorf("a recovery code was taken twice: %d", p.Status)
	}
	b.Get(at).Has("9 recovery codes left")

	// New codes end the old ones; turning off needs both password and code.
	h.Wait(20 * time.Minute) // the failures above are forgotten
	b = h.Browser(ines)
	proof := func(password, code string) url.Values { return url.Values{"password": {password}, "code": {code}} }
	b.Get(at).Submit(at+"/codes", proof(servetest.Password, string(h.Code(ines)))).Must(http.StatusOK).Has("10 recovery codes left")
	b.Get(at).Submit(at+"/removal", proof(servetest.Password, codes[0][1])).Must(http.StatusUnprocessableEntity)
	b.Get(at).Submit(at+"/removal", proof("wrong", string(h.Code(ines)))).Must(http.StatusUnprocessableEntity)
	b.Get(at).Submit(at+"/removal", proof(servetest.Password, "")).Must(http.StatusUnprocessableEntity)
	b.Get(at).Submit(at+"/removal", proof(servetest.Password, string(h.Code(ines)))).Must(http.StatusOK).Has("The second factor is off.")
	if p := h.Browser(servetest.Someone{SignInName: ines.SignInName}).Get("/people"); p.Path != "/people" {
		t.Errorf("after turning it off, the password leads to %s", p.Path)
	}
	if n := h.Rows("second_factor", "recovery_code"); n["second_factor"]+n["recovery_code"] != 0 {
		t.Errorf("left in the database: %v", n)
	}
	var said, kinds string
	if err := h.Database.OwnerPool().QueryRow(t.Context(), `select string_agg(to_jsonb(event)::text, ' '), string_agg(kind, ' ' order by at) from event where subject_id = $1`, ines.ID).Scan(&said, &kinds); err != nil {
		t.Fatal(err)
	}
	for _, kind := range []string{"second_factor_added", "recovery_codes_made", "second_factor_removed"} {
		if !strings.Contains(kinds, kind) {
			t.Errorf("the record does not tell %s: %s", kind, kinds)
		}
	}
	said += log.String()
	for _, secret := range []string{ines.Secret, `"` + first + `"`, `"` + second + `"`, codes[3][1], strings.ReplaceAll(codes[3][1], "-", ""), servetest.Password} {
		if strings.Contains(strings.ToLower(said), strings.ToLower(secret)) {
			t.Errorf("the log or the record says %q", secret)
		}
	}
}

// TestSeedsAreKeptSealed: nothing of the database shows a seed or a code.
func TestSeedsAreKeptSealed(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.WithFactor(h.Person("Ines Falkenberg", domain.Conservator))
	seed, err := base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(ines.Secret)
	if err != nil {
		t.Fatal(err)
	}
	var sealed []byte
	var hashes [][]byte
	pool := h.Database.OwnerPool()
	if err := pool.QueryRow(t.Context(), `select seed_sealed, (select array_agg(code_sha256) from recovery_code) from second_factor where person_id = $1`, ines.ID).Scan(&sealed, &hashes); err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(sealed, seed) || bytes.Contains(sealed, []byte(ines.Secret)) || len(sealed) != 12+20+16 {
		t.Errorf("the seed is kept as %x", sealed)
	}
	for _, hash := range hashes {
		if len(hash) != 32 {
			t.Errorf("a recovery code is kept as %x", hash)
		}
	}
	// Put beside another person, the sealed seed opens nothing.
	hugo := h.WithFactor(h.Person("Hugo Beck", domain.MountMaker))
	if _, err := pool.Exec(t.Context(), `update second_factor set seed_sealed = $1 where person_id = $2`, sealed, hugo.ID); err != nil {
		t.Fatal(err)
	}
	hugo.Secret = ines.Secret
	if err := h.House.People.CheckCode(t.Context(), hugo.ID, people.Code{Code: h.Code(hugo)}, "192.0.2.1"); err == nil || domain.KindOf(err) != 0 {
		t.Errorf("a seed of somebody else: %v", err)
	}
}

// TestCodesAreTakenOnce: of many tries with one code at the same moment, one is let in.
//
// source: RFC 6238, 5.2: "The verifier MUST NOT accept the second attempt of the OTP"
func TestCodesAreTakenOnce(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.WithFactor(h.Person("Ines Falkenberg", domain.Conservator))
	for name, codeNow := range map[string]func() domain.Secret{
		"one-time code": func() domain.Secret { return h.Code(ines) },
		"recovery code": func() domain.Secret { return domain.Secret(ines.RecoveryCodes[0]) },
	} {
		code := codeNow()
		var wg sync.WaitGroup
		var mu sync.Mutex
		taken, refused := 0, 0
		for range 12 {
			wg.Go(func() {
				err := h.House.People.CheckCode(t.Context(), ines.ID, people.Code{Code: code}, "192.0.2.1")
				mu.Lock()
				defer mu.Unlock()
				switch domain.KindOf(err) {
				case 0:
					taken++
					if err != nil {
						t.Error(err)
					}
				case domain.KindInvalid, domain.KindThrottled:
					refused++
				default:
					t.Error(err)
				}
			})
		}
		wg.Wait()
		if taken != 1 || refused != 11 {
			t.Errorf("%s: taken %d times, refused %d times", name, taken, refused)
		}
		h.Wait(20 * time.Minute)
	}
	// A code of an earlier step is not taken after one of a later step.
	step := h.Now().Unix() / 30
	if err := h.House.People.CheckCode(t.Context(), ines.ID, people.Code{Code: domain.Secret(h.CodeAt(ines, step+1))}, ""); err != nil {
		t.Fatal(err)
	}
	if err := h.House.People.CheckCode(t.Context(), ines.ID, people.Code{Code: domain.Secret(h.CodeAt(ines, step))}, ""); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("an earlier code after a later one: %v", err)
	}
}

// TestCodesAreThrottled: wrong codes count as failed sign-ins, also many at the same moment, and close
// the door for right ones for a while.
func TestCodesAreThrottled(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.WithFactor(h.Person("Ines Falkenberg", domain.Conservator))
	h.Wait(time.Minute)
	wrong := 0
	var wg sync.WaitGroup
	var mu sync.Mutex
	for range 20 {
		wg.Go(func() {
			if domain.KindOf(h.House.People.CheckCode(t.Context(), ines.ID, people.Code{Code: "12345"}, "192.0.2.1")) == domain.KindInvalid {
				mu.Lock()
				wrong++
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if wrong != 5 {
		t.Errorf("%d codes were tried, want 5", wrong)
	}
	if err := h.House.People.CheckCode(t.Context(), ines.ID, people.Code{Code: h.Code(ines)}, "192.0.2.2"); domain.KindOf(err) != domain.KindThrottled {
		t.Errorf("a right code after too many wrong ones: %v", err)
	}
	h.Wait(16 * time.Minute)
	if err := h.House.People.CheckCode(t.Context(), ines.ID, people.Code{Code: h.Code(ines)}, "192.0.2.2"); err != nil {
		t.Errorf("a right code later: %v", err)
	}
}

// TestCodePageNeedsThePassword: nobody comes to a code without the password, or long after it.
func TestCodePageNeedsThePassword(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.WithFactor(h.Person("Ines Falkenberg", domain.Conservator))
	b := h.Browser(servetest.Someone{})
	if p := b.Get("/sign-in/code").Submit("/sign-in/code", url.Values{"code": {string(h.Code(ines))}}); p.Path != "/sign-in" {
		t.Errorf("a code without a password leads to %s", p.Path)
	}
	p := b.Get("/sign-in").Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {servetest.Password}})
	h.Wait(11 * time.Minute)
	if p = p.Submit("/sign-in/code", url.Values{"code": {string(h.Code(ines))}}); p.Path != "/sign-in" || shows(h, b.Cookies()) != "" {
		t.Errorf("a code long after the password leads to %s", p.Path)
	}
}

// TestSecondFactorForRoles: somebody whose role needs a second factor can do nothing on the pages but
// set it up; tokens are not concerned, nor are other roles.
func TestSecondFactorForRoles(t *testing.T) {
	t.Parallel()
	h := servetest.New(t, func(s *serve.Settings) { s.SecondFactorFor = []domain.Role{domain.Steward, domain.Curator} })
	maud, ines := h.PersonOf("Maud Okonjo", []string{"Diving"}, domain.Curator, domain.Conservator), h.Person("Ines Falkenberg", domain.Conservator)
	b := h.Browser(maud)
	may := map[string]bool{"/sign-in": true, "/sign-in/code": true, "/sign-out": true, "/first": true, "/account/second-factor": true, "/account/second-factor/confirmation": true,
		"/problems/:code": true, "/api/docs": true, "/api/docs/:area": true}
	refused := 0
	for _, o := range operations(t, h) {
		if o.api || may[o.path] || o.anyone() {
			continue
		}
		refused++
		status, body := send(h, o, maud, b)
		switch {
		case o.method == http.MethodGet && status == http.StatusSeeOther && strings.HasPrefix(body, "/account/second-factor"):
		case status == http.StatusForbidden && strings.Contains(body, "Your role needs a second factor."):
		default:
			t.Errorf("%s %s: %d %s", o.method, o.path, status, body)
		}
	}
	if refused < 100 {
		t.Errorf("only %d operations were tried", refused)
	}
	h.API(maud).Get("/people").Must(http.StatusOK)
	if p := h.Browser(ines).Get("/people"); p.Path != "/people" {
		t.Errorf("another role is led to %s", p.Path)
	}
	p := b.Get("/").Has("Your role needs a second factor")
	p = p.Submit("/account/second-factor", url.Values{"password": {servetest.Password}}).Must(http.StatusOK)
	maud.Secret = strings.ReplaceAll(secretForm.FindStringSubmatch(p.Body)[1], " ", "")
	p.Submit("/account/second-factor/confirmation", url.Values{"code": {string(h.Code(maud))}}).Must(http.StatusOK).Has("Recovery codes", "Objects")
	if p := b.Get("/people"); p.Path != "/people" || p.Status != http.StatusOK {
		t.Errorf("with the second factor: %d at %s", p.Status, p.Path)
	}
}

// TestStewardRemovesSecondFactor: somebody else's, never their own so, and the record tells it.
func TestStewardRemovesSecondFactor(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.WithFactor(h.Person("Ines Falkenberg", domain.Conservator))
	simon := h.WithFactor(h.Person("Simon Vane", domain.Steward))
	b := h.Browser(simon)
	own := "/people/" + ines.ID.String()
	b.Get(own).Submit(own+"/second-factor/removal", nil).Must(http.StatusOK).Has("The second factor is removed.")
	if p := h.Browser(servetest.Someone{SignInName: ines.SignInName}).Get("/people"); p.Path != "/people" {
		t.Errorf("the password leads to %s", p.Path)
	}
	if strings.Contains(b.Get("/people/"+simon.ID.String()).Body, "second-factor/removal") {
		t.Error("a steward is offered to remove their own second factor without a code")
	}
	if err := h.House.People.RemoveFactor(t.Context(), simon.Actor, simon.ID); domain.KindOf(err) != domain.KindRefused {
		t.Errorf("removing one's own: %v", err)
	}
	var actor domain.ID
	if err := h.Database.OwnerPool().QueryRow(t.Context(), `select actor_id from event where subject_id = $1 and kind = 'second_factor_removed'`, ines.ID).Scan(&actor); err != nil || actor != simon.ID {
		t.Errorf("the record says %v removed it: %v", actor, err)
	}
}

// TestWrongKeyIsToldAtStart: a house whose key does not open the second factors does not begin.
func TestWrongKeyIsToldAtStart(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	begin := func(key []byte) error {
		house, err := serve.New(t.Context(), h.Database.Pool, serve.Settings{Site: domain.DefaultSite(), Log: slog.New(slog.DiscardHandler), BucketURL: "mem://", Key: key})
		if err != nil {
			t.Fatal(err)
		}
		return errors.Join(house.Start(t.Context()), house.Close(t.Context()))
	}
	other := bytes.Repeat([]byte{8}, people.KeyBytes)
	if err := begin(other); err != nil {
		t.Errorf("before there is a second factor, any key will do: %v", err)
	}
	h.WithFactor(h.Person("Ines Falkenberg", domain.Conservator))
	for name, key := range map[string][]byte{"another": other, "none": nil} {
		if err := begin(key); err == nil || !strings.Contains(err.Error(), "--key-file") {
			t.Errorf("%s key: %v", name, err)
		}
	}
	if err := begin(bytes.Repeat([]byte{7}, people.KeyBytes)); err != nil {
		t.Errorf("the right key: %v", err)
	}
}

// TestSecretAnswersAreNotKept: an answer with a secret takes no Idempotency-Key.
func TestSecretAnswersAreNotKept(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	r := httptest.NewRequest(http.MethodPost, "/api/v1/second-factor", strings.NewReader(`{"password":"`+servetest.Password+`"}`))
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Authorization", "Bearer "+ines.Token)
	r.Header.Set("Idempotency-Key", "k1")
	w := httptest.NewRecorder()
	h.Handler.ServeHTTP(w, r)
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "idempotency_secret") || h.Rows("kept_answer")["kept_answer"] != 0 || h.Rows("second_factor")["second_factor"] != 0 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}
