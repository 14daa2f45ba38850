package domain

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Words says the date as people write it: "about 1965", "the 1960s", "1964 to 1968", "spring 2001",
// "up to 12 April 1985" (the day included). A Text that is no EDTF is given back as it is. Only Text
// is read.
func (e EDTF) Words() string {
	x, err := readEDTF(e.Text)
	if err != nil {
		return e.Text
	}
	switch x.form {
	case interval:
		return intervalWords(x.spans[0])
	case oneOf:
		return setWords(x.spans, "one of ", "or")
	case allOf:
		return setWords(x.spans, "all of ", "and")
	}
	return x.spans[0].from.date.words()
}

func intervalWords(p edtfSpan) string {
	switch {
	case p.from.date != nil && p.to.date != nil:
		return p.from.date.words() + " to " + p.to.date.words()
	case p.from.open:
		return "up to " + p.to.date.words()
	case p.to.open:
		return p.from.date.words() + " onwards"
	case p.from.date == nil:
		return "from an unknown date to " + p.to.date.words()
	}
	return "from " + p.from.date.words() + " to an unknown date"
}

// setWords lists the items of a set; link is "or" or "and".
func setWords(spans []edtfSpan, of, link string) string {
	words := make([]string, len(spans))
	allSingle := true
	for i, p := range spans {
		allSingle = allSingle && p.single
		switch {
		case p.single:
			words[i] = p.from.date.words()
		case p.from.open:
			words[i] = p.to.date.words() + " " + link + " earlier"
		case p.to.open:
			words[i] = p.from.date.words() + " " + link + " later"
		default:
			words[i] = p.from.date.words() + " to " + p.to.date.words()
		}
	}
	if one := spans[0]; allSingle || len(spans) == 1 && link == "or" && (one.from.open || one.to.open) {
		return listWords(words, link)
	}
	return of + listWords(words, link)
}

// listWords is "a", "a or b", "a, b or c".
func listWords(words []string, link string) string {
	if len(words) == 1 {
		return words[0]
	}
	end := len(words) - 1
	return strings.Join(words[:end], ", ") + " " + link + " " + words[end]
}

var doubtWords = map[doubt]string{
	uncertain:               "possibly",
	approximate:             "about",
	uncertain | approximate: "possibly about",
}

// words puts doubt of the whole date before it and doubt of single components behind it.
func (d *edtfDate) words() string {
	parts := []struct {
		name, text string
		doubt      doubt
	}{{"year", d.year, d.doubts[0]}, {"month", d.month, d.doubts[1]}, {"day", d.day, d.doubts[2]}}
	whole := true
	var single []string
	for _, p := range parts {
		if p.text == "" {
			continue
		}
		whole = whole && p.doubt == d.doubts[0]
		switch p.doubt {
		case uncertain:
			single = append(single, p.name+" uncertain")
		case approximate:
			single = append(single, p.name+" approximate")
		case uncertain | approximate:
			single = append(single, p.name+" uncertain and approximate")
		}
	}
	switch {
	case len(single) == 0:
		return d.plainWords()
	case whole:
		return doubtWords[d.doubts[0]] + " " + d.plainWords()
	}
	return d.plainWords() + " (" + strings.Join(single, ", ") + ")"
}

// plainWords says the date without its doubts.
func (d *edtfDate) plainWords() string {
	year, link := d.yearWords(), " "
	exactMonth, exactDay := !strings.Contains(d.month, "X"), !strings.Contains(d.day, "X")
	if !exactMonth || strings.Contains(d.year, "X") {
		link = " of "
	}
	if s := d.season(); s > 0 {
		return []string{"spring", "summer", "autumn", "winter"}[s-1] + link + year // #nosec G602 -- a season is 1 to 4
	}
	switch {
	case d.month == "":
		return year
	case d.day == "":
		return d.monthWords() + link + year
	case d.month == "XX" && d.day == "XX":
		return "some day of " + year
	}
	monthYear := d.monthWords() + link + year
	switch {
	case exactDay && exactMonth:
		return strconv.Itoa(number(d.day)) + " " + monthYear + d.clockWords()
	case exactDay:
		return "day " + strconv.Itoa(number(d.day)) + " of " + monthYear
	}
	return patternWords("day", d.day, 31, strconv.Itoa) + " of " + monthYear
}

func (d *edtfDate) monthWords() string {
	if strings.Contains(d.month, "X") {
		return patternWords("month", d.month, 12, func(n int) string { return time.Month(n).String() })
	}
	return time.Month(number(d.month)).String()
}

// patternWords says what the digits of a month or day allow: "some month", "some day from 10 to
// 19", "day 5, 15 or 25". name gives the word for each number up to most.
func patternWords(unit, pattern string, most int, name func(int) string) string {
	if pattern == "XX" {
		return "some " + unit
	}
	var fit []string
	inRow := pattern[1] == 'X'
	for n := 1; n <= most; n++ {
		if fits(n, pattern) {
			fit = append(fit, name(n))
		}
	}
	switch {
	case len(fit) == 1:
		return unit + " " + fit[0]
	case inRow && len(fit) > 2:
		return "some " + unit + " from " + fit[0] + " to " + fit[len(fit)-1]
	}
	return unit + " " + listWords(fit, "or")
}

// yearWords says a year that may hold X.
func (d *edtfDate) yearWords() string {
	known := strings.TrimRight(d.year, "X")
	switch {
	case !strings.Contains(d.year, "X"):
		return yearWords(d.signedYear())
	case known == "" && !d.negative:
		return "an unknown year"
	case strings.Contains(known, "X"):
		return "some year like " + d.year + map[bool]string{true: " before year 0"}[d.negative]
	case len(known) == 3 && known[2] != '0' && known[0] != '0' && !d.negative:
		return "the " + known + "0s"
	}
	low, high := number(strings.ReplaceAll(d.year, "X", "0")), number(strings.ReplaceAll(d.year, "X", "9"))
	if d.negative {
		low, high = -high, min(-low, -1)
	}
	return "some year from " + yearWords(low) + " to " + yearWords(high)
}

// yearWords says a year in astronomical counting: -1 is 2 BC, 0 is 1 BC, 85 is AD 85.
func yearWords(y int) string {
	switch {
	case y <= 0:
		return fmt.Sprintf("%d BC", 1-y)
	case y < 1000:
		return fmt.Sprintf("AD %d", y)
	case y > 9999:
		return fmt.Sprintf("the year %d", y)
	}
	return strconv.Itoa(y)
}

// clockWords is ", 23:20:30", with the zone when it is written.
func (d *edtfDate) clockWords() string {
	if d.clock == "" {
		return ""
	}
	time, zone := d.clock[:8], d.clock[8:]
	switch {
	case zone == "":
		return ", " + time
	case zone == "Z":
		return ", " + time + " UTC"
	}
	return ", " + time + " UTC" + zone
}
