// Package treatment knows how a treatment is proposed, decided, carried out, completed and signed,
// and what was done in an emergency or outside an approval (rules T1–T11).
//
// The rules are methods on Treatment and Emergency that know no database: they take the acting
// person, a command, what other areas know (Facts) and the time, and either change the record or
// refuse with the number of the rule. Service composes them into acts. Treatment knows collection;
// photographs, handling, stops and notices are reached through the interfaces in ports.go.
package treatment

import "farthingale/domain"

// The acts of this area.
var (
	Read      = domain.Act{Area: "treatment", Name: "read treatments", Roles: domain.Readers}
	Propose   = domain.Act{Area: "treatment", Name: "write a treatment proposal", Write: true, Roles: []domain.Role{domain.Conservator}}
	Judge     = domain.Act{Area: "treatment", Name: "decide on a treatment", Write: true, Roles: []domain.Role{domain.Curator}}
	Log       = domain.Act{Area: "treatment", Name: "log treatment work", Write: true, Roles: []domain.Role{domain.Conservator, domain.Technician}}
	Depart    = domain.Act{Area: "treatment", Name: "record what was done outside an approval", Write: true, Roles: domain.Staff}
	Finish    = domain.Act{Area: "treatment", Name: "complete and sign a treatment", Write: true, Roles: []domain.Role{domain.Conservator}}
	Rescue    = domain.Act{Area: "treatment", Name: "record an emergency stabilisation", Write: true, Roles: []domain.Role{domain.Conservator}}
	Authorise = domain.Act{Area: "treatment", Name: "authorise a disposal", Write: true, Roles: []domain.Role{domain.Curator, domain.Registrar}}
	Correct   = domain.Act{Area: "treatment", Name: "write an addendum", Write: true, Roles: []domain.Role{domain.Conservator, domain.Curator}}
)
