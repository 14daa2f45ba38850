package seed

import (
	"fmt"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/people"
)

// museum is what all objects share: who works here, where things can be, the library of materials, the
// pictures. It is made once and only read afterwards.
type museum struct {
	Options
	began     time.Time // when the first object was recorded
	staff     []people.Person
	byID      map[domain.ID]people.Person
	curators  map[string][]people.Person // by department
	workers   map[domain.Role][]people.Person
	places    []place
	shelves   []domain.ID       // places where objects are kept
	materials map[string]listed // by key
	pictures  []picture
	terms     *examination.Terms
}

// listed is a row of the library of materials as objects need it.
type listed struct {
	Key, Name, Family string
	HazardKinds       []string
}

// place is a row of the places.
type place struct {
	id, parent domain.ID // the zero parent: a site
	kind, name string
	code       string
	sensitive  bool
}

// How many of each role work here: about fifty people.
const (
	curatorsOfEach = 3
	conservators   = 16
	registrars     = 4
	mountMakers    = 3
	technicians    = 6
	readers        = 5
)

// years is over how many years the collection was recorded.
const years = 8

func newMuseum(o Options, library []listed, pictures []picture) *museum {
	m := &museum{Options: o, began: o.Until.AddDate(-years, 0, 0), byID: map[domain.ID]people.Person{}, curators: map[string][]people.Person{},
		workers: map[domain.Role][]people.Person{}, materials: map[string]listed{}, pictures: pictures}
	for _, l := range library {
		m.materials[l.Key] = l
	}
	m.hire()
	m.build()
	return m
}

// The numbers of dice that are not an object's.
const (
	staffDice   = 1 << 62
	placeDice   = staffDice + 1
	pictureDice = staffDice + 2
)

// hire makes the people. Sign-in names are the role and a number: conservator3.
func (m *museum) hire() {
	d := newDice(m.Seed, staffDice)
	at := m.began.AddDate(0, -1, 0)
	add := func(role domain.Role, department string) {
		n := len(m.workers[role])
		at = at.Add(time.Minute)
		p := people.Person{ID: d.id(at), Name: givenNames[len(m.staff)%len(givenNames)] + " " + familyNames[len(m.staff)*7%len(familyNames)],
			SignInName: fmt.Sprintf("%s%d", strings.ReplaceAll(string(role), "_", ""), n+1), Roles: []domain.Role{role}, Departments: []string{}, Version: 1, CreatedAt: at}
		if department != "" {
			p.Departments = []string{department}
			m.curators[department] = append(m.curators[department], p)
		}
		m.staff, m.byID[p.ID] = append(m.staff, p), p
		m.workers[role] = append(m.workers[role], p)
	}
	for _, department := range departments {
		for range curatorsOfEach {
			add(domain.Curator, department)
		}
	}
	for _, of := range []struct {
		role domain.Role
		n    int
	}{{domain.Conservator, conservators}, {domain.Registrar, registrars}, {domain.MountMaker, mountMakers}, {domain.Technician, technicians}, {domain.Reader, readers}, {domain.Steward, 1}} {
		for range of.n {
			add(of.role, "")
		}
	}
}

// thingsOnShelf is how many objects there are for each shelf.
const thingsOnShelf = 100

// build makes the places: two buildings of a site, rooms, units and shelves, so that each shelf holds
// about a hundred objects; a laboratory; a gallery with cases; a site of somebody else.
func (m *museum) build() {
	d := newDice(m.Seed, placeDice)
	at := m.began.AddDate(0, 0, -20)
	add := func(parent domain.ID, kind, name, code string, sensitive bool) domain.ID {
		at = at.Add(time.Second)
		p := place{id: d.id(at), parent: parent, kind: kind, name: name, code: code, sensitive: sensitive}
		m.places = append(m.places, p)
		return p.id
	}
	site := add(domain.ID{}, "site", "Old Mole", "OM", false)
	house := add(site, "building", "House", "OM-H", false)
	laboratory := add(house, "room", "Laboratory", "OM-H-L", false)
	for i := range 6 {
		m.shelves = append(m.shelves, add(laboratory, "unit", fmt.Sprintf("Bench %d", i+1), fmt.Sprintf("OM-H-L%d", i+1), false))
	}
	gallery := add(house, "room", "Gallery", "OM-H-G", false)
	for i := range 12 {
		m.shelves = append(m.shelves, add(gallery, "case", fmt.Sprintf("Case %d", i+1), fmt.Sprintf("OM-H-G%d", i+1), false))
	}
	const shelvesInUnit, unitsInRoom = 6, 20
	store, room, unit := add(site, "building", "Store", "OM-S", false), domain.ID{}, domain.ID{}
	for i := range max(m.Objects/thingsOnShelf, shelvesInUnit) {
		r, u, s := i/shelvesInUnit/unitsInRoom+1, i/shelvesInUnit%unitsInRoom+1, i%shelvesInUnit+1
		if s == 1 && u == 1 {
			room = add(store, "room", fmt.Sprintf("Store %d", r), fmt.Sprintf("OM-S%d", r), r%10 == 0)
		}
		if s == 1 {
			unit = add(room, "unit", fmt.Sprintf("Unit %d", u), fmt.Sprintf("OM-S%d-%d", r, u), false)
		}
		m.shelves = append(m.shelves, add(unit, "shelf", fmt.Sprintf("Shelf %d", s), fmt.Sprintf("OM-S%d-%d-%d", r, u, s), false))
	}
}

// somebody is one of a role.
func (m *museum) somebody(d dice, role domain.Role) people.Person { return pick(d, m.workers[role]) }

// hands are one or two who may touch things, the first a conservator in most cases.
func (m *museum) hands(d dice) []people.Person {
	first := m.somebody(d, domain.Conservator)
	if d.often(250) {
		first = m.somebody(d, domain.Technician)
	}
	all := []people.Person{first}
	if d.often(350) {
		if second := m.somebody(d, domain.Technician); second.ID != first.ID {
			all = append(all, second)
		}
	}
	return all
}
