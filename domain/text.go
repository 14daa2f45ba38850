package domain

import (
	"iter"
	"strings"
)

// Cut is a text of at most most characters, not bytes; a longer one ends in an ellipsis where it is cut.
func Cut(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}

// CellParts gives the text of a spreadsheet's cell in parts, each with the separator that ends it: where the
// list separator of a country is a semicolon or a tab, a spreadsheet that opens a CSV begins a new cell there.
func CellParts(s string) iter.Seq[string] {
	return func(yield func(string) bool) {
		for s != "" {
			end := strings.IndexAny(s, ";\t\n\r") + 1
			if end == 0 {
				end = len(s)
			}
			if !yield(s[:end]) {
				return
			}
			s = s[end:]
		}
	}
}
