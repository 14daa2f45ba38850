package serve_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// TestEveryDoorChecksPasswords: wherever a password is chosen, one that everybody tries is refused with
// a sentence, and a good one is kept exactly as it was typed, with its spaces.
//
// source: OWASP ASVS 5.0, V6.2 (from memory)
func TestEveryDoorChecksPasswords(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	const good = "  plum kettle thimble  "
	common, named := "Password12345", "museum-of-the-tide"
	refused := func(name string, p *servetest.Page, sentence string) {
		t.Helper()
		if p.Status != http.StatusUnprocessableEntity || !strings.Contains(p.Text(), sentence) {
			t.Errorf("%s: %d %s", name, p.Status, p.Text())
		}
	}
	first := h.Browser(servetest.Someone{}).Get("/first")
	about := url.Values{"name": {"Simon Vane"}, "sign_in_name": {"simon.vane"}, "password": {common}}
	refused("the first page", first.Submit("/first", about), "Many people choose this password")
	about.Set("password", named)
	refused("the first page", first.Submit("/first", about), "names are tried first")

	simon := h.Person("Rosa Amsel", domain.Steward)
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	steward := h.Browser(simon)
	about = url.Values{"name": {"Hugo Beck"}, "sign_in_name": {"hugo"}, "roles": {"reader"}, "password": {"hugo.beck.hugo.beck"}}
	refused("a new account", steward.Get("/people").Submit("/people", about), "names are tried first")
	own := "/people/" + ines.ID.String()
	refused("a new password from a steward", steward.Get(own).Submit(own+"/password", url.Values{"password": {"falkenberg-2026"}}), "names are tried first")
	body := map[string]any{"name": "Hugo Beck", "sign_in_name": "hugo", "roles": []string{"reader"}, "password": common}
	if p := h.API(simon).Post("/people", body).Refused(http.StatusUnprocessableEntity, "invalid"); len(p.Errors) != 1 || p.Errors[0].Rule != "common" {
		t.Errorf("the API says %+v", p)
	}

	account := h.Browser(ines)
	change := func(present, password string) *servetest.Page {
		return account.Get("/account").Submit("/account/password", url.Values{"present": {present}, "password": {password}})
	}
	refused("a change", change(servetest.Password, common), "Many people choose this password")
	refused("a change without the present password", change("", good), "This is needed.")
	refused("a change with a wrong present password", change("wrong", good), "This is not your present password.")
	change(servetest.Password, good).Must(http.StatusOK).Has("The password is changed.")
	enter := func(password string) string {
		return h.Browser(servetest.Someone{}).Get("/sign-in").Submit("/sign-in", url.Values{"sign_in_name": {ines.SignInName}, "password": {password}}).Path
	}
	if at := enter(good); at != "/" {
		t.Errorf("the new password leads to %s", at)
	}
	if at := enter(strings.TrimSpace(good)); at == "/" {
		t.Error("a password without its spaces is another one, and was let in")
	}
}
