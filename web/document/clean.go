package document

import (
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// clean is s as every format here can hold it: bytes that are not UTF-8 become U+FFFD, every line
// ending becomes a line feed, and control characters, marks that override the direction of writing
// and code points that XML 1.0 forbids are left out.
// source: W3C, Extensible Markup Language (XML) 1.0, fifth edition, production 2 (Char)
func clean(s string) string {
	if isClean(s) {
		return s
	}
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\r\n", "\n")
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\r' || r == '\v' || r == '\f' || r == 0x85 || r == 0x2028 || r == 0x2029:
			return '\n'
		case !holds(r):
			return -1
		}
		return r
	}, s)
}

func isClean(s string) bool {
	if !utf8.ValidString(s) {
		return false
	}
	for _, r := range s {
		if !holds(r) || r == 0x2028 || r == 0x2029 {
			return false
		}
	}
	return true
}

// holds says whether r may stand in a document.
func holds(r rune) bool {
	switch {
	case r == '\n' || r == '\t':
		return true
	case unicode.IsControl(r):
		return false
	case r >= 0x202A && r <= 0x202E || r >= 0x2066 && r <= 0x2069: // bidirectional overrides
		return false
	case r == 0xFEFF || r&0xFFFE == 0xFFFE: // byte order mark, non-characters
		return false
	}
	return true
}

// oneLine is clean text with all white space drawn together.
func oneLine(s string) string { return strings.Join(strings.Fields(clean(s)), " ") }

var tag = regexp.MustCompile(`^[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8}){0,4}$`)

// language is the document's BCP 47 tag, or "en" when it has none that is well-formed.
func (d Document) language() string {
	if tag.MatchString(d.Language) {
		return d.Language
	}
	return "en"
}
