package api_test

import (
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/people"
	"farthingale/domain/record"
)

type object = map[string]any

func newcomer(sign string) object {
	return object{"name": "Tomas Wray", "sign_in_name": sign, "roles": []string{"conservator"}, "departments": []string{}, "password": "a long enough sentence"}
}

// TestPeople: a steward makes, changes and closes accounts.
func TestPeople(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	steward := h.API(h.Person("Simon Vane", domain.Steward))
	made := steward.Post("/people", newcomer("tomas")).Must(http.StatusCreated)
	at := strings.TrimPrefix(made.Header.Get("Location"), api.Prefix)
	if strings.Contains(string(made.Body), "password") || strings.Contains(string(made.Body), "argon2") {
		t.Error("the answer tells something of the password")
	}
	got := steward.Get(at).Must(http.StatusOK)
	steward.Get(at, servetest.Header{Name: "If-None-Match", Value: got.Header.Get("ETag")}).Must(http.StatusNotModified)

	changed := object{"name": "Tomas Wray", "sign_in_name": "tomas", "roles": []string{"conservator", "curator"}, "departments": []string{"Diving"}, "email": "tomas@museum.example", "sees_values": true}
	steward.Put(at, changed).Refused(http.StatusPreconditionRequired, "no_version")
	steward.Put(at, changed, servetest.IfMatch(`W/"v1"`)).Refused(http.StatusPreconditionFailed, "stale")
	steward.Put(at, changed, got.Tag()).Must(http.StatusOK)
	steward.Put(at, changed, got.Tag()).Refused(http.StatusPreconditionFailed, "stale")
	steward.Post("/people", newcomer("TOMAS")).Refused(http.StatusConflict, "sign_in_name_taken")

	page := servetest.JSON[domain.Page[people.Person]](steward.Get("/people?limit=1").Must(http.StatusOK))
	if len(page.Items) != 1 || page.Next == "" {
		t.Fatalf("first page: %+v", page)
	}
	rest := servetest.JSON[domain.Page[people.Person]](steward.Get("/people?limit=1&cursor=" + page.Next).Must(http.StatusOK))
	if len(rest.Items) != 1 || rest.Next != "" || rest.Items[0].ID == page.Items[0].ID {
		t.Fatalf("second page: %+v", rest)
	}
	steward.Get("/people?closed=true&cursor="+page.Next).Refused(http.StatusBadRequest, "cursor")
	steward.Get("/people?limit=0").Refused(http.StatusUnprocessableEntity, "invalid")
	steward.Get("/people?color=red").Refused(http.StatusUnprocessableEntity, "invalid")

	steward.Post(at+"/closure", nil, servetest.IfMatch(`"v2"`)).Must(http.StatusOK)
	if got := servetest.JSON[domain.Page[people.Person]](steward.Get("/people").Must(http.StatusOK)); len(got.Items) != 1 {
		t.Errorf("a closed person is still listed: %+v", got)
	}
}

// TestPeopleBadInput: nothing changes, all faults are named at once.
func TestPeopleBadInput(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	steward := h.API(h.Person("Simon Vane", domain.Steward))
	before := h.Rows("person", "event")
	p := steward.Post("/people", object{"name": "", "sign_in_name": strings.Repeat("x", 81), "roles": []string{"king"}, "password": "short"}).Refused(http.StatusUnprocessableEntity, "invalid")
	if len(p.Errors) != 4 {
		t.Errorf("faults: %+v", p.Errors)
	}
	for name, body := range map[string]string{
		"not JSON": `{"name":`, "null": `null`, "list": `[]`, "twice": `{"name":"a","name":"b"}`, "trailing": `{} {}`, "bad UTF-8": "{\"name\":\"\xff\"}",
	} {
		if a := steward.Post("/people", []byte(body)); a.Status != http.StatusBadRequest && a.Status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, a.Status)
		}
	}
	steward.Post("/people", object{"name": "A", "sign_in_name": "ab", "roles": []string{"reader"}, "password": "a long enough sentence", "crown": true}).Refused(http.StatusUnprocessableEntity, "invalid")
	steward.Post("/people", object{"name": 7, "sign_in_name": "ab", "roles": "reader", "password": "a long enough sentence"}).Refused(http.StatusUnprocessableEntity, "invalid")
	steward.Post("/people", object{"name": "a\u0000b", "sign_in_name": "ab", "roles": []string{"reader"}, "password": "a long enough sentence"}).Refused(http.StatusUnprocessableEntity, "invalid")
	a := steward.Post("/people", newcomer("nn"), servetest.Header{Name: "Content-Type", Value: "text/plain"})
	a.Refused(http.StatusUnsupportedMediaType, "media_type")
	steward.Post("/people", []byte(`{"name":"`+strings.Repeat("x", 2<<20)+`"}`)).Refused(http.StatusRequestEntityTooLarge, "body")
	if after := h.Rows("person", "event"); after["person"] != before["person"] || after["event"] != before["event"] {
		t.Errorf("rows before %v, after %v", before, after)
	}
}

// TestTokens: expiring, revocable, narrowed; a closed person's token ends (P1, P4).
func TestTokens(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	simon := h.Person("Simon Vane", domain.Steward)
	steward := h.API(simon)
	me := servetest.JSON[people.Person](steward.Get("/me").Must(http.StatusOK))
	if me.ID != simon.ID {
		t.Errorf("me is %s", me.Name)
	}
	narrow, err := h.People.AddToken(t.Context(), simon.Actor, people.NewToken{Name: "reading", Scopes: []string{"read"}, Days: 2})
	if err != nil {
		t.Fatal(err)
	}
	reading := h.API(servetest.Someone{Token: narrow.Secret})
	reading.Get("/people").Must(http.StatusOK)
	reading.Post("/people", newcomer("tomas")).Refused(http.StatusForbidden, "P2")
	if a := steward.Get("/tokens").Must(http.StatusOK); strings.Contains(string(a.Body), narrow.Secret) {
		t.Error("the list of tokens tells a secret")
	}
	h.Wait(3 * 24 * time.Hour)
	reading.Get("/people").Refused(http.StatusUnauthorized, "P1")
	steward.Post("/tokens/"+narrow.ID.String()+"/revocation", nil).Must(http.StatusOK)

	other := h.Person("Other Steward", domain.Steward)
	h.API(other).Post("/people/"+simon.ID.String()+"/closure", nil, servetest.IfMatch(`"v1"`)).Must(http.StatusOK)
	steward.Get("/me").Refused(http.StatusUnauthorized, "P1")
	h.API(servetest.Someone{Token: "farthingale_nonsense"}).Get("/me").Refused(http.StatusUnauthorized, "P1")
}

// TestSessions: one's own are listed and ended, by the last used; a token is none of them.
func TestSessions(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines, hugo := h.Person("Ines Falkenberg", domain.Conservator), h.Person("Hugo Beck", domain.MountMaker)
	h.Browser(ines)
	h.Wait(5 * time.Minute)
	h.Browser(ines)
	h.Browser(hugo)
	api := h.API(ines)
	type sessions struct{ Items []people.Session }
	all := servetest.JSON[sessions](api.Get("/sessions").Must(http.StatusOK)).Items
	if len(all) != 2 || all[0].PersonID != ines.ID || !all[0].LastUsedAt.After(all[1].LastUsedAt) || all[0].Present {
		t.Fatalf("sessions %+v", all)
	}
	h.API(hugo).Post("/sessions/"+all[0].ID.String()+"/closure", nil).Refused(http.StatusNotFound, "not_found")
	api.Post("/sessions/"+all[0].ID.String()+"/closure", nil).Must(http.StatusOK)
	api.Post("/sessions/"+all[0].ID.String()+"/closure", nil).Refused(http.StatusNotFound, "not_found")
	api.Post("/sessions/closure", nil).Must(http.StatusOK)
	if left := servetest.JSON[sessions](api.Get("/sessions").Must(http.StatusOK)).Items; len(left) != 0 {
		t.Errorf("sessions left %+v", left)
	}
	narrow, err := h.People.AddToken(t.Context(), ines.Actor, people.NewToken{Name: "reading", Scopes: []string{"read"}, Days: 2})
	if err != nil {
		t.Fatal(err)
	}
	h.API(servetest.Someone{Token: narrow.Secret}).Post("/sessions/closure", nil).Refused(http.StatusForbidden, "P2")
	if n := h.Rows("sign_in_session")["sign_in_session"]; n != 1 {
		t.Errorf("%d sessions, want Hugo's alone", n)
	}
}

// TestIdempotencyKey: the same key and body make one person and get one answer; another body is
// refused; a refused act keeps no answer.
func TestIdempotencyKey(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	steward := h.API(h.Person("Simon Vane", domain.Steward))
	key := servetest.Header{Name: "Idempotency-Key", Value: "5c1b-1"}
	first := steward.Post("/people", newcomer("tomas"), key).Must(http.StatusCreated)
	again := steward.Post("/people", newcomer("tomas"), key).Must(http.StatusCreated)
	if string(first.Body) != string(again.Body) || first.Header.Get("Location") != again.Header.Get("Location") || again.Header.Get("ETag") == "" {
		t.Errorf("answers differ: %s / %s", first.Body, again.Body)
	}
	steward.Post("/people", newcomer("another"), key).Refused(http.StatusUnprocessableEntity, "idempotency_body")
	bad := servetest.Header{Name: "Idempotency-Key", Value: "5c1b-2"}
	steward.Post("/people", newcomer("tomas"), bad).Refused(http.StatusConflict, "sign_in_name_taken")
	steward.Post("/people", newcomer("ada"), bad).Must(http.StatusCreated)
	h.Wait(25 * time.Hour)
	steward.Post("/people", newcomer("piet"), key).Must(http.StatusCreated)
	if n := h.Rows("person")["person"]; n != 4 {
		t.Errorf("%d people", n)
	}

	// Ten at once make one.
	var wg sync.WaitGroup
	var mu sync.Mutex
	codes := map[int]int{}
	for range 10 {
		wg.Go(func() {
			a := steward.Post("/people", newcomer("hugo"), servetest.Header{Name: "Idempotency-Key", Value: "5c1b-3"})
			mu.Lock()
			codes[a.Status]++
			mu.Unlock()
		})
	}
	wg.Wait()
	if codes[http.StatusCreated] == 0 || codes[http.StatusCreated]+codes[http.StatusConflict] != 10 {
		t.Errorf("answers %v", codes)
	}
	if n := h.Rows("person")["person"]; n != 5 {
		t.Errorf("%d people", n)
	}
}

// TestRecord: events are listed, the head can be kept outside.
func TestRecord(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.API(h.Person("Ines Falkenberg", domain.Conservator))
	all := servetest.JSON[domain.Page[record.EventLine]](ines.Get("/events?area=people&limit=1").Must(http.StatusOK))
	if len(all.Items) != 1 || all.Next == "" {
		t.Fatalf("events %+v", all)
	}
	ines.Get("/events?area=people&limit=1&cursor=" + all.Next).Must(http.StatusOK)
	ines.Get("/events?object_id=x").Refused(http.StatusUnprocessableEntity, "invalid")
	ines.Get("/seals/head").Must(http.StatusOK)
}

// TestSecondFactor by the API: set up, confirmed, new codes, turned off, removed by a steward. Tokens
// go on in every state.
func TestSecondFactor(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines, simon := h.Person("Ines Falkenberg", domain.Conservator), h.Person("Simon Vane", domain.Steward)
	api := h.API(ines)
	state := func() people.FactorState {
		return servetest.JSON[people.FactorState](api.Get("/second-factor").Must(http.StatusOK))
	}
	setUp := func() {
		t.Helper()
		n := servetest.JSON[people.Enrolment](api.Post("/second-factor", object{"password": servetest.Password}).Must(http.StatusCreated))
		ines.Secret = n.Secret
		if state().On {
			t.Error("it is on before its first code")
		}
		codes := servetest.JSON[people.NewCodes](api.Post("/second-factor/confirmation", object{"code": string(h.Code(ines))}).Must(http.StatusOK))
		if len(codes.RecoveryCodes) != 10 || !state().On {
			t.Errorf("%d codes, %+v", len(codes.RecoveryCodes), state())
		}
	}
	if s := state(); s.On || s.Required || s.RecoveryCodesLeft != 0 {
		t.Errorf("before: %+v", s)
	}
	api.Post("/second-factor", object{"password": "wrong"}).Refused(http.StatusUnprocessableEntity, "invalid")
	api.Post("/second-factor", object{}).Refused(http.StatusUnprocessableEntity, "invalid")
	api.Post("/second-factor/confirmation", object{"code": "123456"}).Refused(http.StatusNotFound, "not_found")
	setUp()
	api.Post("/second-factor", object{"password": servetest.Password}).Refused(http.StatusConflict, "second_factor_on")
	api.Post("/second-factor/confirmation", object{"code": string(h.Code(ines))}).Refused(http.StatusConflict, "second_factor_on")
	api.Post("/second-factor/recovery-codes", object{"password": servetest.Password, "code": string(h.Code(ines))}).Must(http.StatusOK)
	api.Post("/second-factor/removal", object{"password": servetest.Password, "code": "abc"}).Refused(http.StatusUnprocessableEntity, "invalid")
	api.Post("/second-factor/removal", object{"password": servetest.Password, "code": string(h.Code(ines))}).Must(http.StatusOK)
	setUp()
	at := "/people/" + ines.ID.String() + "/second-factor/removal"
	api.Post(at, nil).Refused(http.StatusForbidden, "P2")
	h.API(simon).Post(at, nil).Must(http.StatusOK)
	h.API(simon).Post(at, nil).Refused(http.StatusNotFound, "not_found")
	if state().On {
		t.Error("it is on after its removal")
	}
	ines.Secret = ""
	narrow, err := h.People.AddToken(t.Context(), ines.Actor, people.NewToken{Name: "reading", Scopes: []string{"read"}, Days: 2})
	if err != nil {
		t.Fatal(err)
	}
	reading := h.API(servetest.Someone{Token: narrow.Secret})
	reading.Get("/second-factor").Must(http.StatusOK)
	reading.Post("/second-factor", object{"password": servetest.Password}).Refused(http.StatusForbidden, "P2")
}
