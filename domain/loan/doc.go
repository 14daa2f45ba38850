// Package loan knows outgoing loans: who borrows which objects or parts, on which terms, who said
// that they may travel, what was agreed and signed, and in which condition they went from hand to
// hand until they are back (rules L1–L3, L4 as a signed statement, L6; with P3, C2 and C5).
//
// The rules are methods on Loan that know no database: they take the acting person, a command, what
// other areas know of the objects (Thing) and the time, and either change the loan or refuse with the
// number of the rule. Service composes them into acts. A loan knows collection and handling; moves,
// emergencies, notices and seals are reached through the interfaces in ports.go.
package loan

import "farthingale/domain"

// The acts of this area.
var (
	Read    = domain.Act{Area: "loan", Name: "read loans", Roles: domain.Readers}
	Manage  = domain.Act{Area: "loan", Name: "manage a loan", Write: true, Roles: []domain.Role{domain.Registrar}}
	Prepare = domain.Act{Area: "loan", Name: "set how an object of a loan is mounted, handled and shown", Write: true,
		Roles: []domain.Role{domain.Registrar, domain.Conservator, domain.Curator, domain.MountMaker}}
	Value  = domain.Act{Area: "loan", Name: "set the value of an object of a loan", Write: true, Roles: []domain.Role{domain.Registrar, domain.Curator}}
	Assess = domain.Act{Area: "loan", Name: "assess for a loan, or state a condition", Write: true, Roles: []domain.Role{domain.Conservator}}
	Decide = domain.Act{Area: "loan", Name: "decide on a loan", Write: true, Roles: []domain.Role{domain.Curator}}
	Sign   = domain.Act{Area: "loan", Name: "sign a loan agreement for the museum", Write: true, Roles: []domain.Role{domain.Registrar, domain.Curator}}
	End    = domain.Act{Area: "loan", Name: "cancel or recall a loan", Write: true, Roles: []domain.Role{domain.Registrar, domain.Curator}}
	Hand   = domain.Act{Area: "loan", Name: "record a hand-over of a loan", Write: true, Roles: []domain.Role{domain.Registrar, domain.Conservator}}
)
