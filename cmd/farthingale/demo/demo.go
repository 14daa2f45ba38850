// Package demo is the demonstration: the invented Museum of the Tide and the laboratory that looks
// after its diving and sea-survival gear. Everything in it is made up. It is loaded through the same
// services, by the same rules, as any other record.
package demo

import (
	"time"

	"farthingale/domain"
	"farthingale/domain/people"
	"farthingale/web"
)

// Site is the invented museum.
func Site() (domain.Site, error) {
	site := domain.DefaultSite()
	zone, err := time.LoadLocation("Europe/Copenhagen")
	if err != nil {
		return site, err
	}
	site.Name, site.Address, site.Zone, site.Demonstration = "Museum of the Tide", "Old Ropewalk 1, Tidehaven", zone, true
	return site, nil
}

// Password of everybody in the demonstration. It protects nothing: the demonstration listens on the
// loopback only.
const Password = "high water at noon" // #nosec G101 -- printed at start

// cast is everybody who works at the museum.
var cast = []people.Facts{
	{Name: "Ines Falkenberg", SignInName: "ines", Roles: []domain.Role{domain.Conservator}},
	{Name: "Tomas Wray", SignInName: "tomas", Roles: []domain.Role{domain.Conservator}},
	{Name: "Maud Okonjo", SignInName: "maud", Roles: []domain.Role{domain.Curator}, Departments: []string{"Diving", "Sea survival"}},
	{Name: "Piet Lindqvist", SignInName: "piet", Roles: []domain.Role{domain.Curator}, Departments: []string{"Diving"}},
	{Name: "Rosa Amsel", SignInName: "rosa", Roles: []domain.Role{domain.Registrar}},
	{Name: "Hugo Beck", SignInName: "hugo", Roles: []domain.Role{domain.MountMaker}},
	{Name: "Ada Quill", SignInName: "ada", Roles: []domain.Role{domain.Technician}},
	{Name: "Noor Halloran", SignInName: "noor", Roles: []domain.Role{domain.Reader}},
	{Name: "Simon Vane", SignInName: "simon", Roles: []domain.Role{domain.Steward}},
}

// SignIns are one account for each role.
func SignIns() []web.SignInHint {
	var hints []web.SignInHint
	shown := map[domain.Role]bool{}
	for _, p := range cast {
		if r := p.Roles[0]; !shown[r] {
			shown[r] = true
			hints = append(hints, web.SignInHint{Name: p.Name, Role: r.Words(), SignInName: p.SignInName, Password: Password})
		}
	}
	return hints
}
