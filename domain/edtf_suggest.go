package domain

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"golang.org/x/text/unicode/norm"
)

// SuggestEDTF turns what people write into EDTF: "about 1965" into 1965~, "1960s" into 196X,
// "1964–1968" into 1964/1968, "before July 1965" into ../1965-06, and the forms of older drafts
// (196u, 1984?~, 1995/open) into those of the standard. What is EDTF already comes back as ParseEDTF
// keeps it. It is false when nothing fits or when several dates would ("3/4/1965", "1900s").
// A suggestion is for a person to accept, not to be kept unseen.
func SuggestEDTF(s string) (string, bool) {
	if len(s) > 200 {
		return "", false
	}
	if x, err := readEDTF(s); err == nil {
		return x.text, true
	}
	text := suggest(tidyDate(s), 4)
	return text, text != ""
}

// tidyDate brings dashes, spaces, wide digits and capitals to one form.
func tidyDate(s string) string {
	s = strings.ToLower(norm.NFKC.String(s))
	s = strings.NewReplacer("‐", "-", "‑", "-", "‒", "-", "–", "-", "—", "-", "−", "-", "’", "'").Replace(s)
	return strings.Join(strings.Fields(s), " ")
}

// suggest gives "" when it knows nothing. depth bounds how often a wording may lie in another.
func suggest(s string, depth int) string {
	if s == "" || depth == 0 {
		return ""
	}
	if x, err := readEDTF(strings.ToUpper(s)); err == nil {
		return x.text
	}
	for _, way := range []func(string, int) string{
		suggestDoubt, suggestOpen, suggestRange, suggestEither, suggestVague, suggestDay, suggestDraft,
	} {
		text := way(s, depth-1)
		if text == "" {
			continue
		}
		if x, err := readEDTF(text); err == nil {
			return x.text
		}
	}
	return ""
}

var (
	saysAbout    = regexp.MustCompile(`^(?:about|approximately|approx\.?|around|circa|ca\.?|c\.?|~) ?(.+)$`)
	saysPossibly = regexp.MustCompile(`^(?:possibly|perhaps|probably|maybe|poss\.?|prob\.?) (.+)$`)
	saysQuestion = regexp.MustCompile(`^(.+?) ?(?:\?|\(\?\)|\[\?\])$`)
)

// suggestDoubt knows "about", "c." and "possibly", and puts the mark behind every date meant.
func suggestDoubt(s string, depth int) string {
	if m := saysAbout.FindStringSubmatch(s); m != nil {
		if text := mark(suggest(m[1], depth), approximate); text != "" {
			return text
		}
	}
	if m := saysPossibly.FindStringSubmatch(s); m != nil {
		if text := mark(suggest(m[1], depth), uncertain); text != "" {
			return text
		}
	}
	if m := saysQuestion.FindStringSubmatch(s); m != nil {
		return mark(suggest(m[1], depth), uncertain)
	}
	return ""
}

func mark(text string, d doubt) string {
	if text == "" || strings.ContainsAny(text[:1], "[{") {
		return ""
	}
	ends := strings.Split(text, "/")
	for i, end := range ends {
		if end == "" || end == ".." {
			continue
		}
		bare := strings.TrimRight(end, "?~%")
		if strings.ContainsAny(bare, "?~%T") {
			return ""
		}
		both := d | doubtOf(end[len(bare):])
		ends[i] = bare + map[doubt]string{uncertain: "?", approximate: "~", uncertain | approximate: "%"}[both]
	}
	return strings.Join(ends, "/")
}

var (
	saysBefore = regexp.MustCompile(`^before (.+)$`)
	saysAfter  = regexp.MustCompile(`^after (.+)$`)
	saysUpTo   = regexp.MustCompile(`^(?:(?:until|till|up to|by|not later than|no later than) (.+)|(.+?) (?:or|and) (?:before|earlier))$`)
	saysFrom   = regexp.MustCompile(`^(?:(?:since|from|not before|not earlier than|no earlier than) (.+)|(.+?) (?:onwards?|on|or later|or after|and later|and after))$`)
)

// suggestOpen knows "before", "after", "until", "from … on". Before 1965 is up to 1964.
func suggestOpen(s string, depth int) string {
	if m := saysBefore.FindStringSubmatch(s); m != nil {
		if text := neighbour(suggest(m[1], depth), -1); text != "" {
			return "../" + text
		}
	}
	if m := saysAfter.FindStringSubmatch(s); m != nil {
		if text := neighbour(suggest(m[1], depth), +1); text != "" {
			return text + "/.."
		}
	}
	if m := saysUpTo.FindStringSubmatch(s); m != nil {
		if text := suggest(m[1]+m[2], depth); isOneDate(text) {
			return "../" + text
		}
	}
	if m := saysFrom.FindStringSubmatch(s); m != nil {
		if text := suggest(m[1]+m[2], depth); isOneDate(text) {
			return text + "/.."
		}
	}
	return ""
}

// neighbour is the year, month or day just before (-1) or just after (+1) an exact date, else "".
func neighbour(text string, by int) string {
	for _, layout := range []string{"2006", "2006-01", "2006-01-02"} {
		t, err := time.Parse(layout, text)
		if err != nil {
			continue
		}
		step := [3]int{}
		step[strings.Count(layout, "-")] = by
		return t.AddDate(step[0], step[1], step[2]).Format(layout)
	}
	return ""
}

func isOneDate(text string) bool { return text != "" && !strings.ContainsAny(text, "/[{T") }

var (
	yearRange      = regexp.MustCompile(`^([0-9]{4}) ?- ?([0-9]{4})$`)
	shortYearRange = regexp.MustCompile(`^([0-9]{2})([0-9]{2}) ?[-/] ?([0-9]{2})$`)
	wordRange      = regexp.MustCompile(`^(?:between |from )?(.+?)(?: (?:to|until|till|and|-) | ?/ ?)(.+)$`)
	dashRange      = regexp.MustCompile(`^([^-]+)-([^-]+)$`)
)

// suggestRange knows "1964-1968", "1964-68", "between July 1964 and 1968". "1964 and 1968" without
// "between" is two dates, not a range.
func suggestRange(s string, depth int) string {
	if m := yearRange.FindStringSubmatch(s); m != nil {
		return m[1] + "/" + m[2]
	}
	if m := shortYearRange.FindStringSubmatch(s); m != nil && m[3] > m[2] && m[3] > "12" {
		return m[1] + m[2] + "/" + m[1] + m[3]
	}
	for _, wording := range []*regexp.Regexp{wordRange, dashRange} {
		m := wording.FindStringSubmatch(s)
		if m == nil || wording == wordRange && strings.Contains(s, " and ") && !strings.HasPrefix(s, "between ") {
			continue
		}
		from, to := suggest(m[1], depth), suggest(m[2], depth)
		if !isOneDate(from) || !isOneDate(to) {
			continue
		}
		if _, err := readEDTF(from + "/" + to); err != nil {
			return to + "/" + from
		}
		return from + "/" + to
	}
	return ""
}

var saysEither = regexp.MustCompile(`^(?:either )?(.+?),? (or|and) (.+)$`)

// suggestEither knows "1964 or 1968" and "1964 and 1968".
func suggestEither(s string, depth int) string {
	m := saysEither.FindStringSubmatch(s)
	if m == nil {
		return ""
	}
	a, b := suggest(m[1], depth), suggest(m[3], depth)
	if !isOneDate(a) || !isOneDate(b) {
		return ""
	}
	if m[2] == "or" {
		return "[" + a + "," + b + "]"
	}
	return "{" + a + "," + b + "}"
}

var (
	saysDecade  = regexp.MustCompile(`^(?:the |in the )?([0-9]{2}[1-9])0'?s$`)
	saysCentury = regexp.MustCompile(`^(?:the |in the )?([0-9]{1,2})(?:st|nd|rd|th)[ -](?:century|cent\.?|c\.?)$`)
	saysSeason  = regexp.MustCompile(`^(?:the |in )?(spring|summer|autumn|fall|winter)(?: of)?,? ([0-9]{4})$`)
	saysUnknown = regexp.MustCompile(`^([0-9]{1,3})([ux?-]{1,3})$`)
)

// suggestVague knows decades, centuries, seasons and library forms such as "196-" and "19??".
func suggestVague(s string, _ int) string {
	if m := saysDecade.FindStringSubmatch(s); m != nil {
		return m[1] + "X"
	}
	if m := saysCentury.FindStringSubmatch(s); m != nil && number(m[1]) > 0 {
		return fmt.Sprintf("%02dXX", number(m[1])-1)
	}
	if m := saysSeason.FindStringSubmatch(s); m != nil {
		return m[2] + map[string]string{"spring": "-21", "summer": "-22", "autumn": "-23", "fall": "-23", "winter": "-24"}[m[1]]
	}
	if m := saysUnknown.FindStringSubmatch(s); m != nil && len(s) == 4 {
		return m[1] + strings.Repeat("X", len(m[2]))
	}
	return ""
}

const monthNames = `(jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?)\.?`

var (
	monthYear    = regexp.MustCompile(`^` + monthNames + `(?: of)?,? ([0-9]{4})$`)
	dayMonthYear = regexp.MustCompile(`^(?:the )?([0-9]{1,2})(?:st|nd|rd|th|\.)?(?: of)? ` + monthNames + `,? ([0-9]{4})$`)
	monthDayYear = regexp.MustCompile(`^` + monthNames + ` ([0-9]{1,2})(?:st|nd|rd|th)?,? ([0-9]{4})$`)
	yearFirst    = regexp.MustCompile(`^([0-9]{4})[-./ ]([0-9]{1,2})(?:[-./ ]([0-9]{1,2}))?\.?$`)
	yearLast     = regexp.MustCompile(`^(?:([0-9]{1,2})([-./ ]) ?)?([0-9]{1,2})[-./ ] ?([0-9]{4})$`)
	yearJoined   = regexp.MustCompile(`^([0-9]{4})([0-9]{2})([0-9]{2})$`)
)

// suggestDay knows months by name and the usual orders of numbers. Day and month in numbers are
// taken only where they cannot be confused, or are divided by full stops (day first).
func suggestDay(s string, _ int) string {
	if m := monthYear.FindStringSubmatch(s); m != nil {
		return m[2] + "-" + monthNumber(m[1])
	}
	if m := dayMonthYear.FindStringSubmatch(s); m != nil {
		return fmt.Sprintf("%s-%s-%02d", m[3], monthNumber(m[2]), number(m[1]))
	}
	if m := monthDayYear.FindStringSubmatch(s); m != nil {
		return fmt.Sprintf("%s-%s-%02d", m[3], monthNumber(m[1]), number(m[2]))
	}
	if m := yearFirst.FindStringSubmatch(s); m != nil {
		if y := shortYearRange.FindStringSubmatch(s); y != nil && y[3] > y[2] {
			return "" // 1904/08: August 1904, or 1904 to 1908
		}
		if m[3] == "" {
			return fmt.Sprintf("%s-%02d", m[1], number(m[2]))
		}
		return fmt.Sprintf("%s-%02d-%02d", m[1], number(m[2]), number(m[3]))
	}
	if m := yearJoined.FindStringSubmatch(s); m != nil {
		return m[1] + "-" + m[2] + "-" + m[3]
	}
	m := yearLast.FindStringSubmatch(s)
	if m == nil {
		return ""
	}
	a, b := number(m[1]), number(m[3])
	switch {
	case m[1] == "":
		return fmt.Sprintf("%s-%02d", m[4], b)
	case a > 12 || a == b || m[2] == ".":
		return fmt.Sprintf("%s-%02d-%02d", m[4], b, a)
	case b > 12:
		return fmt.Sprintf("%s-%02d-%02d", m[4], a, b)
	}
	return ""
}

func monthNumber(name string) string {
	return fmt.Sprintf("%02d", strings.Index("janfebmaraprmayjunjulaugsepoctnovdec", name[:3])/3+1)
}

var draftDigits = regexp.MustCompile(`[0-9xu]+`)

// suggestDraft knows what earlier drafts of the format wrote otherwise.
func suggestDraft(s string, _ int) string {
	text := strings.NewReplacer("?~", "%", "~?", "%", "/open", "/..", "open/", "../", "/unknown", "/", "unknown/", "/").Replace(s)
	text = draftDigits.ReplaceAllStringFunc(text, func(d string) string {
		return strings.NewReplacer("u", "X", "x", "X").Replace(d)
	})
	return strings.ToUpper(text)
}
