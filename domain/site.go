package domain

import "time"

// Site is what a museum sets for itself.
type Site struct {
	Name                    string         // of the museum, as printed on documents
	Address                 string         // for agreements
	Zone                    *time.Location // in which times are shown and days are counted
	Version                 string         // of the program
	Demonstration           bool           // everything is invented, and every page says so
	ApprovalMonths          int            // an approved treatment lapses when not begun within (T; 12)
	RatificationWorkingDays int            // an emergency is ratified within (T6; 5)
	Holidays                []time.Time    // days that are not working days
	OutgoingExaminationDays int            // an outgoing examination holds for (L3; 30)
	LoanTerms               string         // the site's own terms of loan agreements; empty: a neutral example
}

// DefaultSite is a museum that has set nothing.
func DefaultSite() Site {
	return Site{
		Name: "The museum", Zone: time.UTC, Version: "development",
		ApprovalMonths: 12, RatificationWorkingDays: 5, OutgoingExaminationDays: 30,
	}
}
