package loan

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// warnDays are how many days before its end a loan, or its insurance, is spoken of (L6).
var warnDays = []int{1, 7, 30}

// Due are the loans away whose end or insurance comes near or is past at a moment, the nearest first
// (L6).
func (s *Service) Due(ctx context.Context, at time.Time) ([]Due, error) {
	today := DayOf(at, s.site.Zone)
	all, err := s.store.Due(ctx, today, slices.Max(warnDays))
	if err != nil {
		return nil, err
	}
	for i := range all {
		d := &all[i]
		d.Days = d.On.Since(today)
		for _, within := range warnDays {
			if d.Within = within; d.Days <= within {
				break
			}
		}
		if d.Days < 0 {
			d.Within = 0
		}
	}
	slices.SortStableFunc(all, func(a, b Due) int { return cmp.Compare(a.On, b.On) })
	return all, nil
}

// Remind gives notice of what is due, once for each of 30, 7 and 1 days before and once when it is
// past: to registrars and conservators, and to the curators of the departments whose objects are
// away. It is a job; done twice it gives no notice twice.
func (s *Service) Remind(ctx context.Context) error {
	at := s.now()
	return s.atomic.Do(ctx, func(ctx context.Context) error {
		due, err := s.Due(ctx, at)
		if err != nil || len(due) == 0 {
			return err
		}
		fresh, err := s.store.Remind(ctx, due, at)
		if err != nil {
			return err
		}
		for _, d := range fresh {
			roles := []domain.Role{domain.Registrar, domain.Conservator, domain.Curator}
			for _, department := range d.Departments {
				if err := s.Notices.Notify(ctx, agenda.Notice{At: at, Roles: roles, Department: department, Area: "loan", Subject: d.LoanID, Text: d.Words()}); err != nil {
					return err
				}
				roles = []domain.Role{domain.Curator} // the others have it
			}
		}
		return nil
	})
}

// Words tell what is due in a sentence.
func (d Due) Words() string {
	called := "Loan " + d.Reference + " to " + d.Borrower
	when := fmt.Sprintf("on %s, in %d days", d.On.Words(), d.Days)
	switch d.Days {
	case 1:
		when = "on " + d.On.Words() + ", tomorrow"
	case 0:
		when = "today"
	}
	switch {
	case d.What == "insurance" && d.Days < 0:
		return called + ": the insurance ran out on " + d.On.Words() + " and the objects are away."
	case d.What == "insurance":
		return called + ": the insurance runs out " + when + ", before the loan ends."
	case d.Days < 0:
		return called + " ended on " + d.On.Words() + " and is not back."
	}
	return called + " ends " + when + "."
}
