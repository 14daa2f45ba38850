package collection

import (
	"fmt"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"farthingale/domain"
)

// Number is an object number as the museum writes it, such as 1968.14.2, E2561 or L1.2010.1. It is
// what people see, type and find in addresses. Make one with ParseNumber; keep and show it as it
// is, compare by Key, sort by SortKey.
//
// Form: year.lot.item is the commonest: 1968.14.2 is the second thing in the fourteenth accession of
// 1968 (source: Buck & Gilmore, The New Museum Registration Methods, 4th ed., 1998, chapter on
// numbering and marking). Old collections hold many other forms, so any number that a page address
// can carry is accepted; Pattern says whether it has the site's usual form.
//
// In an address the number stands as one segment, escaped with url.PathEscape; letters with marks
// and single spaces survive that. A slash does not survive every web server, even escaped, and a
// number that looks like a folder (".", "..") or like the name of a page ("new") would lead elsewhere.
// So slashes are refused, a number begins with a letter or digit and holds a digit; where the old
// number has a slash, it is kept among the object's former numbers.
type Number string

// NumberMost is the most characters of a Number.
const NumberMost = 60

// ParseNumber reads a number as typed. Spaces around it go, runs of spaces become one, wide digits
// and letters (１９６８) become plain, every kind of dash becomes "-". Nothing else is changed: no
// zero is added or dropped, no letter changes its case, no dash becomes a full stop. The error is an
// *domain.Error of KindInvalid at /number.
func ParseNumber(s string) (Number, error) {
	text, fault := plainText(s)
	switch {
	case fault != "":
	case text == "":
		fault = "Write the object number."
	case utf8.RuneCountInString(text) > NumberMost:
		fault = fmt.Sprintf("An object number has at most %d characters.", NumberMost)
	default:
		fault = numberFault(text)
	}
	if fault != "" {
		return "", domain.Invalid("/number", "object_number", fault)
	}
	return Number(text), nil
}

// numberSigns may stand between the letters and digits of a number.
const numberSigns = " ().-_"

func numberFault(text string) string {
	digit := false
	runes := []rune(text)
	for i, r := range runes {
		switch {
		case r >= '0' && r <= '9':
			digit = true
		case unicode.IsLetter(r):
		case r == '/' || r == '\\':
			return "An object number holds no slash, because page addresses cannot carry it. Write a full stop or a dash, and keep the old form as a former number."
		case !strings.ContainsRune(numberSigns, r):
			return fmt.Sprintf("An object number holds letters, the digits 0 to 9, spaces and . - _ ( ), but not %q.", string(r))
		case i == 0:
			return "An object number begins with a letter or a digit."
		case i == len(runes)-1 && r != ')':
			return "An object number ends with a letter, a digit or a bracket."
		case r == runes[i-1]:
			return fmt.Sprintf("There are two %q together in this number; something may be missing between them.", string(r))
		}
	}
	if !digit {
		return "An object number holds at least one digit."
	}
	return ""
}

// plainText trims and brings characters that look alike to one form. The fault names a character
// whose plain form would be another text (½, ², …), so that it is never changed unseen.
func plainText(s string) (text, fault string) {
	if !domain.CleanText(s) {
		return "", "This holds characters that cannot be kept."
	}
	var b strings.Builder
	for _, r := range s {
		plain := norm.NFKC.String(string(r))
		switch {
		case unicode.IsSpace(r) || plain == " ":
			b.WriteByte(' ')
		case unicode.Is(unicode.Pd, r) || r == '−':
			b.WriteByte('-')
		case plain == string(r) || isWide(r) || norm.NFC.String(string(r)) == plain:
			b.WriteString(plain)
		default:
			return "", fmt.Sprintf("Write %q with plain letters and digits.", string(r))
		}
	}
	return strings.Join(strings.Fields(norm.NFC.String(b.String())), " "), ""
}

// isWide says whether r is a wide form of a plain character, as typed with an East Asian keyboard.
func isWide(r rune) bool { return r >= 0xFF01 && r <= 0xFF5E }

// Key is equal for two numbers that are the same but for capitals: the object number is unique by it.
func (n Number) Key() string { return foldCase(string(n)) }

func foldCase(s string) string { return norm.NFC.String(cases.Fold().String(s)) }

// SortKey is a text whose order by bytes (collate "C" in Postgres) is the natural order of numbers:
// 1968.2.1, 1968.10.1, 1968.14.2, 1968.14.2.1, 1968.14.2.2, 1968.14.2.2a, 1968.14.2.10, 1969.1. It is
// equal exactly for equal Keys.
func (n Number) SortKey() string { return sortKey(string(n)) }

// sortKey writes each run of digits as its length (two digits) and its value, so that the longer
// run is the larger number, and each sign as a byte below the digits. So, at the same place, the end
// comes before a sign, a sign before a digit, a digit before a letter. Leading zeros count last of
// all: after a space, which comes before every other byte, two digits for each run.
func sortKey(s string) string {
	var key, zeros strings.Builder
	anyZeros := false
	s = foldCase(s)
	for len(s) > 0 {
		run := len(s) - len(strings.TrimLeft(s, "0123456789"))
		if run > 0 {
			value := strings.TrimLeft(s[:run], "0")
			if value == "" {
				value = "0"
			}
			dropped := run - len(value)
			anyZeros = anyZeros || dropped > 0
			fmt.Fprintf(&key, "%02d%s", len(value), value)
			fmt.Fprintf(&zeros, "%02d", dropped)
			s = s[run:]
			continue
		}
		r, size := utf8.DecodeRuneInString(s)
		key.WriteString(signOrder(r))
		s = s[size:]
	}
	if anyZeros {
		return key.String() + " " + zeros.String()
	}
	return key.String()
}

// signOrder is the byte of a sign in a sort key, or the letter itself.
func signOrder(r rune) string {
	switch r {
	case ' ':
		return "#"
	case '_':
		return "/"
	}
	return string(r) // ( ) - . lie between "#" and "0" already
}

// With is the number of a component: the object number, a full stop, the label.
func (n Number) With(l Label) string { return string(n) + "." + string(l) }

// Label marks a component within its object: "1", "2a", "3.b" for what is written .1, .2a, .3.b
// behind the object number. It never changes (rule C1).
type Label string

// Most parts and most characters of a Label.
const (
	LabelMostParts = 3
	LabelMost      = 20
)

// ParseLabel reads a label as typed, with or without its first full stop: up to three parts of
// plain letters and digits, divided by full stops. Spaces around it go and wide characters become
// plain; capitals and zeros stay. The error is an *domain.Error of KindInvalid at /label.
func ParseLabel(s string) (Label, error) {
	text, fault := plainText(s)
	text = strings.TrimPrefix(text, ".")
	parts := strings.Split(text, ".")
	switch {
	case fault != "":
	case text == "":
		fault = "Write the label of the component, such as 1 or 2a."
	case len(text) > LabelMost:
		fault = fmt.Sprintf("A label has at most %d characters.", LabelMost)
	case len(parts) > LabelMostParts:
		fault = fmt.Sprintf("A label has at most %d parts, such as 3.b.1.", LabelMostParts)
	case strings.Contains("."+text+".", ".."):
		fault = "A part of this label is empty; write it like 1, 2a or 3.b."
	case strings.ContainsFunc(text, func(r rune) bool { return r != '.' && !isPlain(r) }):
		fault = "A label holds only the letters a to z, the digits 0 to 9 and full stops, like 1, 2a or 3.b."
	}
	if fault != "" {
		return "", domain.Invalid("/label", "component_label", fault)
	}
	return Label(text), nil
}

func isPlain(r rune) bool {
	return r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'
}

// Key is equal for two labels that are the same but for capitals: a label is unique within its
// object by it.
func (l Label) Key() string { return foldCase(string(l)) }

// SortKey orders labels as Number.SortKey orders numbers: 1, 2, 2a, 2b, 3, 3.b, 10.
func (l Label) SortKey() string { return sortKey(string(l)) }

// Pattern is the usual form of the site's numbers. In it the words year (four digits), lot, item and
// number (digits) stand for numbers, and everything else for itself: "year.lot.item", "Lyear-number".
// A last item may be missing together with its sign: an accession of one object stops at the lot.
type Pattern string

// DefaultPattern is the commonest form in museums.
const DefaultPattern Pattern = "year.lot.item"

var patternWords = []struct{ word, digits, example string }{
	{"year", "[0-9]{4}", "1968"}, {"lot", "[0-9]+", "14"}, {"item", "[0-9]+", "2"}, {"number", "[0-9]+", "2561"},
}

// ParsePattern checks a pattern: it holds one of the words, and numbers made after it are
// acceptable. The error is an *domain.Error of KindInvalid at /pattern.
func ParsePattern(s string) (Pattern, error) {
	p := Pattern(strings.TrimSpace(s))
	n, err := ParseNumber(p.Example())
	switch {
	case p.Example() == string(p):
		return "", domain.Invalid("/pattern", "number_pattern", "Use the words year, lot, item and number for what changes, as in year.lot.item.")
	case err != nil || !p.Fits(n):
		return "", domain.Invalid("/pattern", "number_pattern", "Numbers after this pattern, such as "+p.Example()+", cannot be object numbers.")
	}
	return p, nil
}

// Example is a number in the form of the pattern, to be shown beside the field.
func (p Pattern) Example() string {
	s := string(p)
	for _, w := range patternWords {
		s = strings.ReplaceAll(s, w.word, w.example)
	}
	return s
}

// Fits says whether the number has the usual form. One that has not is unusual, not wrong: ask the
// person, do not refuse.
func (p Pattern) Fits(n Number) bool {
	form := regexp.QuoteMeta(string(p))
	for _, w := range patternWords {
		form = strings.ReplaceAll(form, w.word, w.digits)
	}
	if head, isLast := strings.CutSuffix(string(p), "item"); isLast && head != "" {
		sign := head[len(head)-1:]
		if before, ok := strings.CutSuffix(form, regexp.QuoteMeta(sign)+"[0-9]+"); ok && strings.ContainsAny(sign, numberSigns) {
			form = before + "(?:" + regexp.QuoteMeta(sign) + "[0-9]+)?"
		}
	}
	ok, err := regexp.MatchString("(?i)^"+form+"$", string(n))
	return ok && err == nil
}
