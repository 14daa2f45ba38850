package people

import (
	_ "embed"
	"fmt"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"farthingale/domain"
)

// How long a password is, in characters. There is no rule of composition: any characters will do, and
// all of them count, exactly as they were typed. The commands say how long one may be at most (200).
//
// source: OWASP ASVS 5.0, 6.2.1 (at least 8, 15 recommended), 6.2.5, 6.2.8, 6.2.9 (at least 64 allowed) (from memory)
const (
	PasswordLeast   = 12
	PasswordAdvised = 15
)

// PasswordAdvice is what a person is told before choosing a password.
var PasswordAdvice = fmt.Sprintf("At least %d characters, better %d or more: a sentence of several words is good. Spaces count, and nothing has to be mixed in.",
	PasswordLeast, PasswordAdvised)

//go:embed common.txt
var commonText string

// common are the passwords of common.txt, folded.
var common = sync.OnceValue(func() map[string]bool {
	all := map[string]bool{}
	for line := range strings.SplitSeq(commonText, "\n") {
		if line != "" && !strings.HasPrefix(line, "#") {
			all[fold(line)] = true
		}
	}
	return all
})

// alike are digits and signs that people put for letters.
var alike = strings.NewReplacer("0", "o", "1", "i", "l", "i", "3", "e", "4", "a", "5", "s", "7", "t", "@", "a", "$", "s", "!", "i")

// fold is a password as it is compared: neither capitals nor signs put for letters make it another.
func fold(s string) string { return alike.Replace(strings.ToLower(s)) }

// contextWords are the words of the program, the site and the person, folded, each of at least three
// letters; small words that stand in any sentence are left out.
//
// source: OWASP ASVS 5.0, 6.2.11 (a list of words of the context) (from memory)
func contextWords(names ...string) []string {
	var words []string
	for _, name := range append(names, "farthingale") {
		name, _, _ = strings.Cut(name, "@") // of an address only the name
		for w := range strings.FieldsFuncSeq(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }) {
			if utf8.RuneCountInString(w) >= 3 && w != "the" && w != "and" && w != "for" {
				words = append(words, fold(w))
			}
		}
	}
	return words
}

// chosen refuses a password that many people choose, and one that would be too short without the
// names that anybody would try first. Its length was checked before.
func chosen(password domain.Secret, pointer string, names ...string) error {
	folded := fold(string(password))
	if common()[folded] {
		return domain.Invalid(pointer, "common", "Many people choose this password, and it is among the first that are tried. Choose another: a sentence of several words is good.")
	}
	rest := folded
	for _, w := range contextWords(names...) {
		rest = strings.ReplaceAll(rest, w, "")
	}
	if rest != folded && utf8.RuneCountInString(rest) < PasswordLeast {
		return domain.Invalid(pointer, "context", fmt.Sprintf("Without the names of the program, the museum and the person this password is shorter than %d characters, and names are tried first. Choose other words.", PasswordLeast))
	}
	return nil
}
