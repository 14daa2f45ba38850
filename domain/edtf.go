package domain

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"
)

// EDTF is an uncertain date in the Extended Date/Time Format (ISO 8601-2:2019; Library of Congress,
// Extended Date/Time Format Specification, 2019).
//
// Text is kept as written, without outer spaces and without spaces after the commas of a set.
// Earliest and Latest are the first and the last day that the text can mean, at 00:00 UTC; both
// are inclusive. nil is an open or an unknown end. Marks of doubt (?, ~, %) do not widen the pair.
//
// Days outside -4712-01-01 … 9999-12-31 are not counted in the pair: an Earliest before them is nil
// and one after them is their last day; a Latest after them is nil and one before them their first
// day. So the pair fits the date columns of a database, and still encloses what the text means.
//
// Levels 0 and 1 are read whole. Of level 2: sets, unspecified digits anywhere in a component, and
// marks on single components. Refused, with a sentence: groups of months other than the four
// seasons (25 to 41), because in a museum 1920-35 almost always means 1920 to 1935 and not the third
// quarter of 1920; and years with exponents or significant digits.
//
// The standard gives seasons no months. Here, after the custom of the weather services of the
// northern half of the world: 21 spring is March to May, 22 summer June to August, 23 autumn
// September to November, 24 winter December to February of the next year.
type EDTF struct {
	Text     string
	Earliest *time.Time
	Latest   *time.Time
}

const edtfExamples = "write a date such as 1965, 1965-07-14, 1965~ (about), 196X (the sixties) or 1964/1968"

// errNotEDTF marks a text that is no date at all, as against a date that does not exist.
var errNotEDTF = errors.New("is not a date in the extended format")

// ParseEDTF reads a date. The error is an *Error of KindInvalid whose one field says what is wrong
// and, when it can be guessed, what to write instead.
func ParseEDTF(s string) (EDTF, error) {
	x, err := readEDTF(s)
	if err == nil {
		e := EDTF{Text: x.text}
		e.Earliest, e.Latest = x.bounds()
		return e, nil
	}
	sentence := err.Error()
	if text, ok := SuggestEDTF(s); ok {
		sentence += "; write " + text + " for " + EDTF{Text: text}.Words()
	} else if errors.Is(err, errNotEDTF) {
		sentence += "; " + edtfExamples
	}
	return EDTF{}, Invalid("", "edtf", sentence+".")
}

// edtfTree is a text taken apart. A single date is one span from itself to itself.
type edtfTree struct {
	text  string
	form  edtfForm
	spans []edtfSpan
}

type edtfForm int

const (
	oneDate  edtfForm = iota
	interval          // 1964/1968: the whole time between
	oneOf             // [1667,1668]: one of these, not known which
	allOf             // {1667,1668}: every one of these
)

type edtfSpan struct {
	from, to edtfEnd
	single   bool
}

// edtfEnd is one end of a span. Without a date it is open ("..") or, otherwise, unknown ("").
type edtfEnd struct {
	date *edtfDate
	open bool
}

// doubt is what a mark says about a component: "?" uncertain, "~" approximate, "%" both.
type doubt uint8

const (
	uncertain   doubt = 1
	approximate doubt = 2
)

func doubtOf(mark string) doubt {
	return map[string]doubt{"?": uncertain, "~": approximate, "%": uncertain | approximate}[mark]
}

// edtfDate is one date as written. Digits may be X (not known). month and day may be empty.
type edtfDate struct {
	negative         bool
	long             bool // a year of more than four digits, written with Y
	year, month, day string
	clock            string   // what follows T, empty when no time of day is given
	doubts           [3]doubt // of year, month, day
	first, last      time.Time
}

const (
	edtfMostText  = 500
	edtfMostItems = 50
)

func readEDTF(s string) (edtfTree, error) {
	s = strings.TrimSpace(s)
	switch {
	case s == "":
		return edtfTree{}, errors.New("There is no date here; leave it out when nothing is known of it")
	case len(s) > edtfMostText:
		return edtfTree{}, fmt.Errorf("This date is longer than %d characters", edtfMostText)
	case !CleanText(s):
		return edtfTree{}, fmt.Errorf("This %w", errNotEDTF)
	case strings.HasPrefix(s, "[") || strings.HasPrefix(s, "{"):
		return readSet(s)
	case strings.Contains(s, "/"):
		return readInterval(s)
	}
	d, err := readDate(s)
	if err != nil {
		return edtfTree{}, err
	}
	return edtfTree{text: s, spans: []edtfSpan{only(d)}}, nil
}

func only(d *edtfDate) edtfSpan {
	return edtfSpan{from: edtfEnd{date: d}, to: edtfEnd{date: d}, single: true}
}

func readInterval(s string) (edtfTree, error) {
	left, right, _ := strings.Cut(s, "/")
	if strings.Contains(right, "/") {
		return edtfTree{}, notEDTF(s)
	}
	from, err := readEnd(left)
	if err != nil {
		return edtfTree{}, err
	}
	to, err := readEnd(right)
	if err != nil {
		return edtfTree{}, err
	}
	if from.date == nil && to.date == nil {
		return edtfTree{}, errors.New("An interval needs a date at one end at least")
	}
	span := edtfSpan{from: from, to: to}
	if err := span.check(s); err != nil {
		return edtfTree{}, err
	}
	return edtfTree{text: s, form: interval, spans: []edtfSpan{span}}, nil
}

func readEnd(s string) (edtfEnd, error) {
	switch s {
	case "":
		return edtfEnd{}, nil
	case "..":
		return edtfEnd{open: true}, nil
	}
	d, err := readDate(s)
	if err != nil {
		return edtfEnd{}, err
	}
	if d.clock != "" {
		return edtfEnd{}, errors.New("An interval and a set are made of dates without a time of day")
	}
	return edtfEnd{date: d}, nil
}

// check refuses a span that ends before it begins.
func (p edtfSpan) check(s string) error {
	if p.from.date != nil && p.to.date != nil && p.to.date.last.Before(p.from.date.first) {
		return fmt.Errorf("%s ends before it begins", s)
	}
	return nil
}

func readSet(s string) (edtfTree, error) {
	form, closing := oneOf, "]"
	if s[0] == '{' {
		form, closing = allOf, "}"
	}
	inner, closed := strings.CutSuffix(s[1:], closing)
	if !closed {
		return edtfTree{}, fmt.Errorf("A set that begins with %s must end with %s", s[:1], closing)
	}
	items := strings.Split(inner, ",")
	if len(items) > edtfMostItems {
		return edtfTree{}, fmt.Errorf("A set holds at most %d dates", edtfMostItems)
	}
	x := edtfTree{form: form}
	for i, item := range items {
		item = strings.TrimSpace(item)
		items[i] = item
		span, err := readItem(item, i == 0, i == len(items)-1)
		if err != nil {
			return edtfTree{}, err
		}
		x.spans = append(x.spans, span)
	}
	x.text = s[:1] + strings.Join(items, ",") + closing
	return x, nil
}

// readItem reads one item of a set: a date, a range such as 1670..1672, or an open one, which may
// stand only at its own end of the set.
func readItem(s string, isFirst, isLast bool) (edtfSpan, error) {
	left, right, isRange := strings.Cut(s, "..")
	switch {
	case s == "":
		return edtfSpan{}, errors.New("A set has a date between its commas and brackets")
	case !isRange:
		end, err := readEnd(s)
		if err != nil {
			return edtfSpan{}, err
		}
		return only(end.date), nil
	case left == "" && right == "":
		return edtfSpan{}, errors.New("A range needs a date at one end at least")
	case left == "" && !isFirst:
		return edtfSpan{}, fmt.Errorf("%s (this or earlier) can only be the first of a set", s)
	case right == "" && !isLast:
		return edtfSpan{}, fmt.Errorf("%s (this or later) can only be the last of a set", s)
	}
	var span edtfSpan
	for _, side := range []struct {
		text string
		end  *edtfEnd
	}{{left, &span.from}, {right, &span.to}} {
		if side.text == "" {
			side.end.open = true
			continue
		}
		end, err := readEnd(side.text)
		if err != nil {
			return edtfSpan{}, err
		}
		if end.date == nil {
			return edtfSpan{}, notEDTF(s)
		}
		*side.end = end
	}
	return span, span.check(s)
}

// bounds is the pair of EDTF, cut to the days that it counts.
func (x edtfTree) bounds() (earliest, latest *time.Time) {
	for i, p := range x.spans {
		first, last := p.bounds()
		if i == 0 {
			earliest, latest = first, last
			continue
		}
		if earliest != nil && (first == nil || first.Before(*earliest)) {
			earliest = first
		}
		if latest != nil && (last == nil || last.After(*latest)) {
			latest = last
		}
	}
	low, high := day(-4712, time.January, 1), day(9999, time.December, 31)
	if earliest != nil && earliest.After(high) {
		earliest = &high
	} else if earliest != nil && earliest.Before(low) {
		earliest = nil
	}
	if latest != nil && latest.Before(low) {
		latest = &low
	} else if latest != nil && latest.After(high) {
		latest = nil
	}
	return earliest, latest
}

func (p edtfSpan) bounds() (first, last *time.Time) {
	if p.from.date != nil {
		t := p.from.date.first
		first = &t
	}
	if p.to.date != nil {
		t := p.to.date.last
		last = &t
	}
	return first, last
}

var (
	edtfDay = regexp.MustCompile(`^([?~%]?)(-?)([0-9X]{4})([?~%]?)` +
		`(?:-([?~%]?)([0-9X]{2})([?~%]?)(?:-([?~%]?)([0-9X]{2})([?~%]?))?)?$`)
	edtfClock    = regexp.MustCompile(`^([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:Z|[+-](?:[01][0-9]|2[0-3])(?::[0-5][0-9])?)?$`)
	edtfLongYear = regexp.MustCompile(`^Y(-?)([1-9][0-9]*)([?~%]?)$`)
	edtfBigYear  = regexp.MustCompile(`^Y?-?[0-9]+(?:E[0-9]+)?(?:S[0-9]+)?$`)
)

// notEDTF says that s is no date. Only the beginning of a long text is repeated.
func notEDTF(s string) error {
	return fmt.Errorf("'%s' %w", Cut(s, 40), errNotEDTF)
}

func readDate(s string) (*edtfDate, error) {
	if strings.HasPrefix(s, "Y") {
		return readLongYear(s)
	}
	if date, clock, timed := strings.Cut(s, "T"); timed {
		return readDateTime(s, date, clock)
	}
	m := edtfDay.FindStringSubmatch(s)
	switch {
	case m == nil && edtfBigYear.MatchString(s) && strings.ContainsAny(s, "ES"):
		return nil, fmt.Errorf("%s has an exponent or significant digits, which are not kept here; write the years themselves, such as 1900/1999", s)
	case m == nil:
		return nil, notEDTF(s)
	case m[2] == "-" && m[3] == "0000":
		return nil, errors.New("There is no year -0000; write 0000 for the year 1 BC")
	}
	d := &edtfDate{negative: m[2] == "-", year: m[3], month: m[6], day: m[9]}
	d.doubts = [3]doubt{
		doubtOf(m[1]) | doubtOf(m[4]) | doubtOf(m[7]) | doubtOf(m[10]),
		doubtOf(m[5]) | doubtOf(m[7]) | doubtOf(m[10]),
		doubtOf(m[8]) | doubtOf(m[10]),
	}
	if d.month == "" {
		d.doubts[1] = 0
	}
	if d.day == "" {
		d.doubts[2] = 0
	}
	if err := d.checkMonth(s); err != nil {
		return nil, err
	}
	if !d.limit() {
		return nil, fmt.Errorf("There is no day %s%s", s, d.monthLength())
	}
	return d, nil
}

func readLongYear(s string) (*edtfDate, error) {
	m := edtfLongYear.FindStringSubmatch(s)
	switch {
	case m == nil && edtfBigYear.MatchString(s) && strings.ContainsAny(s, "ES"):
		return nil, fmt.Errorf("%s has an exponent or significant digits, which are not kept here", s)
	case m == nil:
		return nil, notEDTF(s)
	case len(m[2]) < 5:
		return nil, fmt.Errorf("Y is for years of more than four digits; write %s%04s", m[1], m[2])
	case len(m[2]) > 10:
		return nil, errors.New("A year has at most ten digits")
	}
	d := &edtfDate{negative: m[1] == "-", long: true, year: m[2], doubts: [3]doubt{doubtOf(m[3])}}
	d.first, d.last = day(d.signedYear(), time.January, 1), day(d.signedYear(), time.December, 31)
	return d, nil
}

func readDateTime(s, date, clock string) (*edtfDate, error) {
	d, err := readDate(date)
	if errors.Is(err, errNotEDTF) {
		return nil, notEDTF(s)
	}
	if err != nil {
		return nil, err
	}
	whole := d.day != "" && d.doubts == [3]doubt{} && !strings.Contains(date, "X")
	if !whole || !edtfClock.MatchString(clock) {
		return nil, errors.New("A time of day follows a whole date: 1985-04-12T23:20:30, with Z or +04:30 behind it for a time zone")
	}
	d.clock = clock
	return d, nil
}

// checkMonth refuses months that do not exist, and the groups of months of level 2.
func (d *edtfDate) checkMonth(s string) error {
	if d.month == "" || strings.Contains(d.month, "X") {
		return nil
	}
	n := number(d.month)
	switch {
	case n >= 1 && n <= 12, d.season() > 0 && d.day == "":
		return nil
	case d.season() > 0:
		return fmt.Errorf("%s has a day in a season (%s); a season has none", s, d.month)
	}
	return fmt.Errorf("%s has no such month (months are 01 to 12; 21 to 24 are spring, summer, autumn and winter)", s)
}

// season is 1 spring, 2 summer, 3 autumn, 4 winter, or 0 when the month is none of them.
func (d *edtfDate) season() int {
	if len(d.month) == 2 && d.month[0] == '2' && d.month[1] >= '1' && d.month[1] <= '4' {
		return int(d.month[1] - '0')
	}
	return 0
}

// monthLength explains why a day does not exist, when its month is known.
func (d *edtfDate) monthLength() string {
	if strings.Contains(d.year+d.month+d.day, "X") {
		return " with any digits in place of X"
	}
	y, m := d.signedYear(), time.Month(number(d.month))
	return fmt.Sprintf(": %s %s has %d days", m, yearWords(y), daysIn(y, m))
}

// limit finds the first and the last day that the written digits allow. It is false when there
// is none.
func (d *edtfDate) limit() bool {
	step, from, to := 1, number(strings.ReplaceAll(d.year, "X", "0")), number(strings.ReplaceAll(d.year, "X", "9"))
	if d.negative {
		from, to, step = to, from, -1 // -1999 lies before -1900
	}
	found := false
	for y := from; !found && y != to+step; y += step {
		d.first, found = d.within(y, false)
	}
	if !found {
		return false
	}
	found = false
	for y := to; !found; y -= step {
		d.last, found = d.within(y, true)
	}
	return true
}

// within is the first (or last) day that fits inside the year; written is the year as a number
// without its sign.
func (d *edtfDate) within(written int, last bool) (time.Time, bool) {
	if !fits(written, d.year) || d.negative && written == 0 {
		return time.Time{}, false
	}
	y := written
	if d.negative {
		y = -y
	}
	if s := d.season(); s > 0 {
		begin := time.Month(3 * s)
		if last {
			return day(y, begin+3, 0), true
		}
		return day(y, begin, 1), true
	}
	for i := range 12 {
		m := time.Month(i + 1)
		if last {
			m = time.Month(12 - i)
		}
		if d.month != "" && !fits(int(m), d.month) {
			continue
		}
		n := daysIn(y, m)
		for j := range n {
			k := j + 1
			if last {
				k = n - j
			}
			if d.day == "" || fits(k, d.day) {
				return day(y, m, k), true
			}
		}
	}
	return time.Time{}, false
}

// fits says whether n, written with leading zeros, agrees with the digits of the pattern.
func fits(n int, pattern string) bool {
	for i := len(pattern) - 1; i >= 0; i-- {
		if pattern[i] != 'X' && int(pattern[i]-'0') != n%10 {
			return false
		}
		n /= 10
	}
	return n == 0
}

// number is the value of digits that the grammar has already checked.
func number(digits string) int {
	n := 0
	for _, c := range digits {
		n = 10*n + int(c-'0')
	}
	return n
}

// signedYear is the year in astronomical counting (0 is 1 BC), for a year without X.
func (d *edtfDate) signedYear() int {
	if d.negative {
		return -number(d.year)
	}
	return number(d.year)
}

func day(year int, month time.Month, d int) time.Time {
	return time.Date(year, month, d, 0, 0, 0, 0, time.UTC)
}

func daysIn(year int, month time.Month) int { return day(year, month+1, 0).Day() }
