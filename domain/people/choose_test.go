package people

import (
	"errors"
	"strings"
	"testing"

	"farthingale/domain"
)

func ruleOf(err error) string {
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) == 0 {
		return ""
	}
	return e.Fields[0].Rule
}

// TestChosenPasswords: length is all that is asked, beside that it must not be what everybody tries.
//
// source: OWASP ASVS 5.0, V6.2 (from memory)
func TestChosenPasswords(t *testing.T) {
	t.Parallel()
	for password, rule := range map[domain.Secret]string{
		"short":                   "min",
		"eleven char":             "min",
		"twelve chars":            "",
		"åäöåäöåäöåäöß":           "", // letters count, not bytes
		"åäöåäö":                  "min",
		"plum thimble kettle":     "",
		"            ":            "common",
		"  plum thimble ":         "",
		"PLUMTHIMBLEKETTLE":       "", // no kind of character is asked for
		"371958264071":            "", // nor forbidden
		"password1234":            "common",
		"PassWord1234":            "common",
		"P@ssw0rd1234":            "common",
		"iloveyou2024":            "common",
		"qwertyuiop12":            "common",
		"1234567890123":           "common",
		"aaaaaaaaaaaa":            "common",
		"sunshinesunshine":        "common",
		"farthingale1":            "context",
		"Farthingale Farthingale": "context",
		"ines.falkenberg":         "context",
		"F4lk3nb3rg2026!":         "context",
		"tide-museum-99":          "context",
		"my museum of old gloves": "", // long enough without the name
		"falkenberg plum kettle":  "",
		"if@farthingale.example":  "context",
		domain.Secret(strings.Repeat("plum kettle ", 16)): "",
		domain.Secret(strings.Repeat("x", 201)):           "max",
		"plum\x00kettle thimble":                          "text",
	} {
		err := domain.Validate(GivenPassword{password})
		if err == nil {
			err = chosen(password, "/password", "Museum of the Tide", "Ines Falkenberg", "ines.f", "if@museum.example")
		}
		if got := ruleOf(err); got != rule || rule != "" && domain.KindOf(err) != domain.KindInvalid {
			t.Errorf("%q: rule %q, want %q (%v)", string(password), got, rule, err)
		}
	}
	// Every password of the list is refused, in capitals too.
	for _, p := range patterns() {
		if ruleOf(chosen(domain.Secret(strings.ToUpper(p)), "/password")) != "common" {
			t.Errorf("%q is accepted", p)
		}
	}
}

// TestPasswordIsTakenWhole: nothing is cut, trimmed or folded before it is hashed.
//
// source: OWASP ASVS 5.0, 6.2.8 (from memory)
func TestPasswordIsTakenWhole(t *testing.T) {
	t.Parallel()
	long := domain.Secret(strings.Repeat("plum kettle ", 16))
	hash, err := HashPassword(long)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		password domain.Secret
		fits     bool
	}{
		"whole": {long, true}, "without the last character": {long[:len(long)-1], false}, "cut at 72 bytes": {long[:72], false},
		"trimmed": {domain.Secret(strings.TrimSpace(string(long))), false}, "in capitals": {domain.Secret(strings.ToUpper(string(long))), false},
	} {
		if CheckPassword(hash, c.password) != c.fits {
			t.Errorf("%s: fits is not %t", name, c.fits)
		}
	}
}
