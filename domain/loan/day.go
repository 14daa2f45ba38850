package loan

import (
	"cmp"
	"slices"
	"time"

	"farthingale/domain"
)

// Day is a day of the calendar as 2026-02-06. The empty Day is none. Days are counted in the site's
// zone, so a day has no time and no zone of its own.
type Day string

// DayOf is the day on which a moment falls in a zone.
func DayOf(at time.Time, zone *time.Location) Day { return Day(at.In(zone).Format(time.DateOnly)) }

// noon is a moment of the day that no change of the clocks touches; ok is false when d is no day.
func (d Day) noon() (at time.Time, ok bool) {
	at, err := time.Parse(time.DateOnly, string(d))
	return at.Add(12 * time.Hour), err == nil
}

// Words is the day as people write it: "6 February 2026". What is no day is shown as it is.
func (d Day) Words() string {
	at, ok := d.noon()
	if !ok {
		return string(d)
	}
	return at.Format("2 January 2006")
}

// Plus is the day n days later.
func (d Day) Plus(n int) Day {
	at, ok := d.noon()
	if !ok {
		return d
	}
	return Day(at.AddDate(0, 0, n).Format(time.DateOnly))
}

// Since counts the days from an earlier day to d; negative when e is later.
func (d Day) Since(e Day) int {
	a, okA := d.noon()
	b, okB := e.noon()
	if !okA || !okB {
		return 0
	}
	return int(a.Sub(b).Hours() / 24)
}

// years of days that a person means; 0026 is a typing error.
const (
	firstDay Day = "1900-01-01"
	lastDay  Day = "2200-12-31"
)

// period checks two days of a command; until may not lie before from.
func period(from, until Day, fromAt, untilAt string) []domain.Field {
	var fields []domain.Field
	for _, d := range []struct {
		day Day
		at  string
	}{{from, fromAt}, {until, untilAt}} {
		if _, ok := d.day.noon(); !ok || d.day < firstDay || d.day > lastDay {
			fields = append(fields, domain.Field{Pointer: d.at, Rule: "range", Message: "A day between 1900 and 2200, such as 2026-02-06."})
		}
	}
	if len(fields) == 0 && until < from {
		fields = append(fields, domain.Field{Pointer: untilAt, Rule: "order", Message: "The last day is not before the first."})
	}
	return fields
}

// Span is a run of days, both included.
type Span struct {
	From  Day `json:"from_on"`
	Until Day `json:"until_on"`
}

// Words is the span as people write it.
func (s Span) Words() string {
	if s.From == s.Until {
		return "on " + s.From.Words()
	}
	return "from " + s.From.Words() + " to " + s.Until.Words()
}

// boundaries are the days of the span on which something that holds during spans can change: its
// first day, each first day of another, and each day after another's last.
func boundaries(of Span, others []Span) []Day {
	days := []Day{of.From}
	for _, o := range others {
		for _, d := range []Day{o.From, o.Until.Plus(1)} {
			if d > of.From && d <= of.Until {
				days = append(days, d)
			}
		}
	}
	slices.SortFunc(days, cmp.Compare)
	return slices.Compact(days)
}
