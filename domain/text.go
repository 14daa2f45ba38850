package domain

// Cut is a text of at most most characters, not bytes; a longer one ends in an ellipsis where it is cut.
func Cut(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}
