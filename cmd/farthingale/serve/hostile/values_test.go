package hostile_test

import (
	"encoding/json"
	"strings"
)

// naughty is a text that has broken programs, by the published categories: what closes a quotation of
// another language, what a terminal or a browser obeys, what is not seen, what is longer in bytes than
// it looks.
type naughty struct {
	what, text string
	kept       bool // it is text that a person may mean; else no field keeps it
}

// texts is sent to every field that is a text, at both doors.
//
// source: OWASP Web Security Testing Guide 4.2, 4.7 "Input Validation Testing" (categories);
// Unicode Technical Report 36, 2 and 3 (marks of direction, invisible characters, ill-formed text)
var texts = []naughty{
	{"HTML", `<script>alert(1)</script>`, true},
	{"HTML that closes an attribute", `"><img src=x onerror=alert(1)>'`, true},
	{"a closed text area", `</textarea></select></title><b>`, true},
	{"an entity", `&lt;b&gt; &amp;amp; &#0; &bogus;`, true},
	{"SQL", `'; drop table object; --`, true},
	{"SQL wildcards", `%_\%' or ''='`, true},
	{"path traversal", `../../../../etc/passwd`, true},
	{"path traversal of another system", `..\..\win.ini`, true},
	{"a template", `{{.}} ${7*7} %s%n%x`, true},
	{"a formula", `=1+1`, true},
	{"a formula by tab", "\t=1+1", true},
	{"a header", "a\r\nSet-Cookie: a=b", true},
	{"a right-to-left mark", "a\u200fb\u200e", true},
	{"right-to-left writing", "حزام الغوص שלום", true},
	{"zero width", "a\u200bb\u200dc\u2060", true},
	{"combining marks", "Z\u0351\u036b\u0343a\u030a\u0301\u0328", true},
	{"beyond the first plane", "𝕳𝖊𝖑𝖒 👩🏽‍🔧 𠜎", true},
	{"a word of programs", "null", true},
	{"not a number", "NaN", true},
	{"NUL", "a\x00b", false},
	{"an escape sequence", "\x1b[31mred\x07", false},
	{"a control character of the second block", "a\u0085b\u009f", false},
	{"an override of direction", "gpj.\u202egnp", false},
	{"an isolate of direction", "a\u2066b\u2069", false},
	{"a byte order mark", "\ufeffa", false},
}

// raw is JSON that no encoder writes.
type raw string

// other is a value of a body. of says to which kinds of fields it is sent: "" to all.
type other struct {
	what  string
	value raw
	of    string
}

// others are every type of JSON for every field; the edges of numbers for numbers, the numbers that are
// none and the ill-formed bytes for texts, as which decimals are written too.
var others = []other{
	{"null", `null`, ""},
	{"a truth", `true`, ""},
	{"a number", `1`, ""},
	{"a fraction", `1.5`, ""},
	{"infinity by exponent", `1e999`, ""},
	{"a text", `"x"`, ""},
	{"an empty text", `""`, ""},
	{"a list", `[]`, ""},
	{"a list of null", `[null]`, ""},
	{"an object", `{}`, ""},
	{"NaN", `NaN`, ""},
	{"bytes that are not UTF-8", "\"a\xff\xfe\"", ""},
	{"a lone high surrogate", `"a\ud800"`, ""},

	{"zero", `0`, "number"},
	{"minus zero", `-0`, "number"},
	{"a negative number", `-1`, "number"},
	{"a tiny number", `1e-400`, "number"},
	{"minus infinity by exponent", `-1e999`, "number"},
	{"a number past 32 bits", `4294967297`, "number"},
	{"a number past 64 bits", `99999999999999999999`, "number"},
	{"a number of 400 digits", raw("1" + strings.Repeat("0", 400)), "number"},
	{"a number as text", `"5"`, "number"},
	{"hexadecimal", `0x10`, "number"},
	{"a leading zero", `007`, "number"},

	{"a space", `" "`, "text"},
	{"a negative number, as text", `"-1"`, "text"},
	{"not a number, as text", `"NaN"`, "text"},
	{"infinity, as text", `"-Infinity"`, "text"},
	{"a large exponent, as text", `"1e999999999"`, "text"},
	{"a small exponent, as text", `"1e-999999999"`, "text"},
	{"a number of 400 digits, as text", raw(`"1` + strings.Repeat("0", 400) + `"`), "text"},
	{"an identifier with a prefix", `"urn:uuid:01890a5d-ac96-774b-bcce-b302099a8057"`, "text"},
	{"an identifier in braces", `"{01890a5d-ac96-774b-bcce-b302099a8057}"`, "text"},
	{"an identifier without strokes", `"01890a5dac96774bbcceb302099a8057"`, "text"},
	{"no day of the calendar", `"2026-02-30"`, "text"},
	{"a day before all others", `"0000-00-00"`, "text"},
	{"a time past all others", `"+1000000-01-01T00:00:00Z"`, "text"},
	{"a time before the first year", `"0000-01-01T00:00:00+01:00"`, "text"},
	{"a time after the last year", `"9999-12-31T23:59:59-01:00"`, "text"},
	{"an overlong form of a slash", "\"a\xc0\xaf\"", "text"},
	{"a surrogate in UTF-8", "\"a\xed\xa0\x80\"", "text"},
	{"a lone low surrogate", `"a\udfffb"`, "text"},
	{"an unknown escape", `"a\x41"`, "text"},
	{"a raw line feed", "\"a\nb\"", "text"},
}

// sent says whether the value is sent to a field of a kind of the contract.
func (o other) sent(kind string) bool {
	switch o.of {
	case "number":
		return kind == "integer" || kind == "number"
	case "text":
		return kind == "string"
	}
	return true
}

// parses says whether raw is JSON after RFC 8259 and I-JSON (RFC 7493): then only the schema can object.
func (r raw) parses() bool {
	return json.Valid([]byte(r)) && strings.ToValidUTF8(string(r), "?") == string(r) &&
		!strings.Contains(string(r), `\ud800`) && !strings.Contains(string(r), `\udfff`)
}

// written is text as JSON.
func written(text string) raw {
	b, err := json.Marshal(text)
	if err != nil {
		panic(err) // a string always marshals
	}
	return raw(b)
}

const (
	deep  = 10_000   // levels of nesting
	much  = 10 << 20 // bytes of a body
	large = 1 << 20  // bytes of a text
)
