package people

import (
	"strings"
	"testing"
	"time"

	"farthingale/domain"
)

var instant = time.Date(2026, 2, 6, 16, 0, 0, 0, time.UTC)

// TestCheckPassword checks argon2id against published hashes.
//
// source: reference implementation of Argon2 (Password Hashing Competition), test.c, Argon2id v=19, from memory.
func TestCheckPassword(t *testing.T) {
	t.Parallel()
	for _, hash := range []string{
		"$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc",
	} {
		if !CheckPassword(hash, "password") {
			t.Errorf("%s does not belong to its password", hash)
		}
		if CheckPassword(hash, "Password") {
			t.Errorf("%s belongs to another password", hash)
		}
	}
	for _, broken := range []string{"", "$argon2id$", "$argon2i$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQM", "$argon2id$v=19$m=99999999,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=0,p=0$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", "$argon2id$v=19$m=256,t=2,p=1$!!$nf65"} {
		if CheckPassword(broken, "password") {
			t.Errorf("%q belongs to a password", broken)
		}
	}
	own, err := HashPassword("a sentence for tests")
	if err != nil || !CheckPassword(own, "a sentence for tests") || CheckPassword(own, "another") {
		t.Errorf("own hash %s: %v", own, err)
	}
	again, err := HashPassword("a sentence for tests")
	if err != nil || own == again {
		t.Error("two hashes of one password are equal: the salt is not new")
	}
}

// TestP4Close: a person is closed once, not by themselves, and keeps the name.
func TestP4Close(t *testing.T) {
	t.Parallel()
	hash := "x"
	p := &Person{ID: domain.NewID(), Name: "Ines Falkenberg", Roles: []domain.Role{domain.Conservator}, PasswordHash: &hash}
	steward := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Steward}}
	if err := p.Close(p.Actor(), instant); domain.KindOf(err) != domain.KindRefused {
		t.Errorf("closing oneself: %v", err)
	}
	if err := p.Close(steward, instant); err != nil {
		t.Fatal(err)
	}
	if p.Name != "Ines Falkenberg" || p.PasswordHash != nil || p.ClosedAt == nil || len(p.Events()) != 1 {
		t.Errorf("after closing: %+v", p)
	}
	if err := p.Close(steward, instant); domain.KindOf(err) != domain.KindConflict {
		t.Errorf("closing twice: %v", err)
	}
	if err := p.Change(steward, Facts{Name: "Somebody"}, instant); domain.KindOf(err) != domain.KindConflict {
		t.Errorf("changing a closed person: %v", err)
	}
}

// TestP1P2May: an act needs a named person, a role that may, and a token that reaches.
func TestP1P2May(t *testing.T) {
	t.Parallel()
	decide := domain.Act{Area: "treatment", Name: "decide", Write: true, Roles: []domain.Role{domain.Curator}}
	read := domain.Act{Area: "treatment", Name: "read", Roles: domain.Readers}
	token := domain.NewID()
	someone := func(role domain.Role, scopes ...string) domain.Actor {
		a := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{role}}
		if len(scopes) > 0 {
			a.TokenID, a.Scopes = &token, scopes
		}
		return a
	}
	for name, c := range map[string]struct {
		actor domain.Actor
		act   domain.Act
		kind  domain.Kind
	}{
		"nobody":                      {domain.Actor{}, read, domain.KindUnauthenticated},
		"curator decides":             {someone(domain.Curator), decide, 0},
		"conservator decides":         {someone(domain.Conservator), decide, domain.KindForbidden},
		"reader reads":                {someone(domain.Reader), read, 0},
		"steward reads":               {someone(domain.Steward), read, domain.KindForbidden},
		"token of area decides":       {someone(domain.Curator, "treatment"), decide, 0},
		"token of other area decides": {someone(domain.Curator, "loan"), decide, domain.KindForbidden},
		"token of other area reads":   {someone(domain.Curator, "loan"), read, 0},
		"reading token decides":       {someone(domain.Curator, "read"), decide, domain.KindForbidden},
		"token does not add a role":   {someone(domain.Conservator, "all"), decide, domain.KindForbidden},
	} {
		if got := domain.KindOf(c.actor.May(c.act)); got != c.kind {
			t.Errorf("%s: kind %d, want %d", name, got, c.kind)
		}
	}
}

// TestP3MaySeeValues: registrar, curator of the department, and persons granted by a steward.
func TestP3MaySeeValues(t *testing.T) {
	t.Parallel()
	for _, role := range domain.Roles {
		a := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{role}, Departments: []string{"Diving"}}
		if got, want := a.MaySeeValues("Diving"), role == domain.Registrar || role == domain.Curator; got != want {
			t.Errorf("%s sees values of their department: %t, want %t", role, got, want)
		}
		if got, want := a.MaySeeValues("Flight"), role == domain.Registrar; got != want {
			t.Errorf("%s sees values of another department: %t, want %t", role, got, want)
		}
		a.SeesValues = true
		if !a.MaySeeValues("Flight") {
			t.Errorf("%s, granted by a steward, does not see values", role)
		}
	}
}

// TestFactsAreChecked: all faults at once, with pointers.
func TestFactsAreChecked(t *testing.T) {
	t.Parallel()
	err := domain.Validate(NewPerson{Facts: Facts{Name: "a\x00b", SignInName: "x", Email: "nobody", Roles: []domain.Role{"king"}, Departments: []string{""}}, Password: "short"})
	if domain.KindOf(err) != domain.KindInvalid {
		t.Fatalf("error %v", err)
	}
	for _, pointer := range []string{"/name", "/sign_in_name", "/email", "/roles/0", "/departments/0", "/password"} {
		if !strings.Contains(err.Error(), pointer+":") {
			t.Errorf("no fault at %s: %v", pointer, err)
		}
	}
}

// TestBrowserWords: User-Agents as the browsers of 2025 send them (common practice, from memory).
func TestBrowserWords(t *testing.T) {
	t.Parallel()
	for agent, want := range map[string]string{
		"Mozilla/5.0 (Windows NT 10.0; Win64; x64; rv:140.0) Gecko/20100101 Firefox/140.0":                                                        "Firefox on Windows",
		"Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/138.0.0.0 Safari/537.36 Edg/138.0.0.0":           "Edge on Windows",
		"Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.5 Safari/605.1.15":                   "Safari on a Mac",
		"Mozilla/5.0 (iPad; CPU OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) CriOS/138.0.7204.53 Mobile/15E148 Safari/604.1":   "Chrome on an iPad",
		"Mozilla/5.0 (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.5 Mobile/15E148 Safari/604.1": "Safari on an iPhone",
		"Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 (KHTML, like Gecko) SamsungBrowser/28.0 Chrome/130.0.0.0 Mobile Safari/537.36":     "Samsung Internet on Android",
		"Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/138.0.0.0 Safari/537.36":                                   "Chrome on Linux",
		"": "an unknown browser", "curl/8.5.0": "an unknown browser", "something (Windows)": "an unknown browser on Windows", "<script>": "an unknown browser",
	} {
		if got := BrowserWords(agent); got != want {
			t.Errorf("%q is %q, want %q", agent, got, want)
		}
	}
}

// TestNobodysHash: the hash that stands in for a person who does not exist takes the same work as a
// person's: it is read whole, with the same strength and lengths, so argon2id runs.
//
// source: OWASP, Authentication Cheat Sheet, "Authentication and Error Messages"
func TestNobodysHash(t *testing.T) {
	t.Parallel()
	own, err := NewService(nil, nil, Settings{}, time.Now).hash("a sentence for tests") // where nobody sets another
	if err != nil {
		t.Fatal(err)
	}
	a, readable := readHash(own)
	b, alsoReadable := readHash(nobodysHash)
	if !readable || !alsoReadable || a.passes != b.passes || a.memoryKiB != b.memoryKiB || a.lanes != b.lanes || len(a.salt) != len(b.salt) || len(a.key) != len(b.key) {
		t.Errorf("a person's hash %+v, nobody's %+v", a, b)
	}
}
