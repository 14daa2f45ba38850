package treatment

import (
	"time"

	"farthingale/domain"
)

// TermEnds is the first moment at which an approval of the given time has lapsed when it was not
// begun: the end of the same day of the month, ApprovalMonths calendar months later, in the site's
// zone. A month without that day ends the term with its last day.
func TermEnds(approved time.Time, site domain.Site) time.Time {
	months := site.ApprovalMonths
	if months < 1 {
		months = 12
	}
	y, m, d := approved.In(site.Zone).Date()
	last := time.Date(y, m+time.Month(months)+1, 0, 0, 0, 0, 0, site.Zone).Day()
	return time.Date(y, m+time.Month(months), min(d, last)+1, 0, 0, 0, 0, site.Zone)
}

// PastTerm says whether the approval was not begun within its term. It holds at the act, before any
// job has noted the lapse.
func (t *Treatment) PastTerm(at time.Time) bool {
	return t.State == Approved && t.TermEndsAt != nil && !at.Before(*t.TermEndsAt)
}

// Lapse notes that an approval was not begun within its term. It is done by a job.
func (t *Treatment) Lapse(at time.Time) error {
	if !t.PastTerm(at) {
		return domain.RefuseState("T1", "Only an approval that was not begun within its term lapses.")
	}
	t.State, t.LapsedAt = Lapsed, &at
	t.raise(domain.Actor{}, "lapsed", nil, at)
	return nil
}

// RatificationDue is the moment by which an emergency act must be ratified: the end of the nth
// working day, counted from the day after the act, in the site's zone (T6). Saturdays, Sundays and
// the site's holidays are no working days.
func RatificationDue(happened time.Time, site domain.Site) time.Time {
	days := site.RatificationWorkingDays
	if days < 1 {
		days = 5
	}
	holidays := map[string]bool{}
	for _, h := range site.Holidays {
		holidays[h.Format(time.DateOnly)] = true
	}
	y, m, d := happened.In(site.Zone).Date()
	for days > 0 {
		d++
		// Noon: no change of the clocks touches it.
		day := time.Date(y, m, d, 12, 0, 0, 0, site.Zone)
		if w := day.Weekday(); w != time.Saturday && w != time.Sunday && !holidays[day.Format(time.DateOnly)] {
			days--
		}
	}
	return time.Date(y, m, d+1, 0, 0, 0, 0, site.Zone)
}
