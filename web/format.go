package web

import (
	"strconv"
	"strings"
	"time"
)

// day shows a date in the site's zone: "6 February 2026".
func (s *Server) day(t time.Time) string { return t.In(s.Site.Zone).Format("2 January 2006") }

// dayWords is a day as people write it: "6 February 2026".
func dayWords(day string) string {
	at, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return at.Format("2 January 2006")
}

// moment shows a date and time in the site's zone: "6 February 2026, 16:05".
func (s *Server) moment(t time.Time) string { return t.In(s.Site.Zone).Format("2 January 2006, 15:04") }

// field is a time as a datetime-local field holds it.
func (s *Server) fieldTime(t time.Time) string { return t.In(s.Site.Zone).Format("2006-01-02T15:04") }

// number shows a figure with at most the given decimals and no idle zeros.
func number(x float64, decimals int) string {
	text := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// count says "1 object", "3 objects".
func count(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return strconv.Itoa(n) + " " + word + "s"
}

// paragraphs are the lines of a text that are not empty.
func paragraphs(text string) []string {
	var all []string
	for line := range strings.SplitSeq(text, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			all = append(all, line)
		}
	}
	return all
}

// lasting says a time of whole hours or minutes: "4 hours", "90 minutes".
func lasting(d time.Duration) string {
	if d%time.Hour == 0 {
		return count(int(d/time.Hour), "hour")
	}
	return count(int(d/time.Minute), "minute")
}

// capital begins a sentence with a capital letter.
func capital(text string) string {
	if text == "" {
		return ""
	}
	r := []rune(text)
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}

// typedNumber reads a number as people type it, with a comma too.
func typedNumber(text string) (float64, error) {
	return strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
}
