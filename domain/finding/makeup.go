package finding

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"farthingale/domain"
	"farthingale/domain/material"
)

// Component is a component as far as findings ask.
type Component struct {
	ID        domain.ID
	ObjectID  domain.ID
	ParentID  *domain.ID
	Label     string
	Name      string
	JoinedHow string // to the one above; empty: not said
}

// words names a component on the sheet of its object: ".1a cuff ring".
func (c *Component) words() string { return "." + c.Label + " " + c.Name }

// Identified is a present material of a component.
type Identified struct {
	ID          domain.ID
	ComponentID domain.ID
	Key         string // of the library; "" for unidentified
	Name        string
	Family      string
	Confidence  string
	Active      bool // the last signed examination saw it decay, or did when it last saw it (E3)
}

// Joint is where two components meet.
type Joint struct {
	AID, BID domain.ID
	Meets    string
	Contact  string
	GasTight bool
	State    string
}

// touches says whether the parts lie against one another. A joint that is held open still does where its
// contact is recorded as direct.
func (j *Joint) touches() bool { return j.Contact == "direct" && j.State != "missing" }

// closes says whether the joint keeps air from moving.
func (j *Joint) closes() bool {
	return j.GasTight && j.Contact != "gap" && (j.State == "engaged" || j.State == "seized")
}

// Member says that an object, or one of its components, lies in a recorded air space or bounds it.
type Member struct {
	EnclosureID    domain.ID
	Label          string // of the enclosure
	Space          string
	ObjectID       domain.ID
	Number         string     // of that object
	ComponentID    *domain.ID // nil: the whole object
	ExchangePerDay *float64
	RHPct          *float64
}

func (m *Member) space() spaceKey { return spaceKey{m.EnclosureID, m.Space} }

type spaceKey struct {
	enclosure domain.ID
	space     string
}

// Recorded is what is on record of an object and of those that share air with it.
type Recorded struct {
	ObjectID   domain.ID
	Components []Component // its own, then those of others in its spaces
	Materials  []Identified
	Joints     []Joint // its own
	Members    []Member
}

// NeighboursMost is how many objects may share a space so that what they do to one another is computed.
const NeighboursMost = 60

// Crowded says whether so many objects share a space that what they do to one another is not computed.
func Crowded(objects int) bool { return objects > NeighboursMost }

// library is what is known of materials.
type library struct {
	rules      []material.Interaction
	behaviours map[string]material.Behaviour
	families   map[string]material.Behaviour // all that any member of the family gives off
	version    string
}

func newLibrary() (*library, error) {
	rules, err := material.Interactions()
	if err != nil {
		return nil, err
	}
	behaviours, err := material.Behaviours()
	if err != nil {
		return nil, err
	}
	materials, err := material.Library()
	if err != nil {
		return nil, err
	}
	l := &library{rules: rules, behaviours: behaviours, families: map[string]material.Behaviour{}, version: material.RulesVersion()}
	for _, m := range materials {
		of, known := l.families[m.Family], behaviours[m.Key]
		for _, species := range known.Emits {
			if !slices.Contains(of.Emits, species) {
				of.Emits = append(of.Emits, species)
			}
		}
		l.families[m.Family] = of
	}
	return l, nil
}

// material is what a material of a component is to the rules. One of the museum's own behaves like its
// family: it gives off whatever any member does, none of it in traces only. Where the library knows no
// such family, nothing is known of it, which is not harmless (M2).
func (l *library) material(i *Identified) material.PartMaterial {
	m := material.PartMaterial{ID: i.ID, Key: i.Key, Name: i.Name, Family: i.Family, Confidence: i.Confidence, Active: i.Active}
	b, ok := l.behaviours[i.Key]
	if !ok {
		b, ok = l.families[i.Family]
	}
	if !ok {
		m.Key, m.Family = "", ""
	}
	m.Emits, m.WeakEmits = b.Emits, b.WeakEmits
	return m
}

// MakeUp is the object as the rules see it, with notes of what was left out.
func (l *library) MakeUp(r *Recorded) (*material.MakeUp, []string) {
	a := &assembly{library: l, Recorded: r, at: map[domain.ID]*Component{}, below: map[domain.ID][]domain.ID{}}
	for i := range r.Components {
		c := &r.Components[i]
		a.at[c.ID] = c
		if c.ParentID != nil {
			a.below[*c.ParentID] = append(a.below[*c.ParentID], c.ID)
		}
	}
	a.spaces()
	a.joints()
	a.wholes()
	a.parts()
	return &a.made, a.notes
}

type assembly struct {
	*library
	*Recorded
	at      map[domain.ID]*Component
	below   map[domain.ID][]domain.ID
	made    material.MakeUp
	foreign map[domain.ID]string // number of the object, of the components of others
	covered [][]domain.ID        // parts whose common air is recorded, with its exchange
	notes   []string
}

// family lists a component and all below it.
func (a *assembly) family(id domain.ID) []domain.ID {
	all := []domain.ID{id}
	for i := 0; i < len(all); i++ {
		all = append(all, a.below[all[i]]...)
	}
	return all
}

// spaces are the recorded air spaces that the object is in, and who else is in them.
func (a *assembly) spaces() {
	a.foreign = map[domain.ID]string{}
	var order []spaceKey
	members := map[spaceKey][]*Member{}
	for i := range a.Members {
		m := &a.Members[i]
		if members[m.space()] == nil {
			order = append(order, m.space())
		}
		members[m.space()] = append(members[m.space()], m)
	}
	roots := map[domain.ID][]domain.ID{}
	for i := range a.Components {
		if c := &a.Components[i]; c.ParentID == nil {
			roots[c.ObjectID] = append(roots[c.ObjectID], c.ID)
		}
	}
	for _, key := range order {
		first := members[key][0]
		s := material.Space{Name: first.Label + ", " + first.Space, ExchangePerDay: first.ExchangePerDay, RHPct: first.RHPct}
		others := map[domain.ID]bool{}
		var own []domain.ID
		part, whole := false, false
		for _, m := range members[key] {
			in := roots[m.ObjectID]
			if m.ComponentID != nil {
				in = []domain.ID{*m.ComponentID}
			}
			for _, id := range in {
				s.Parts = append(s.Parts, a.family(id)...)
			}
			if m.ObjectID != a.ObjectID {
				others[m.ObjectID] = true
				for _, id := range in {
					for _, each := range a.family(id) {
						a.foreign[each] = m.Number
					}
				}
				continue
			}
			for _, id := range in {
				own = append(own, a.family(id)...)
			}
			part, whole = part || m.ComponentID != nil, whole || m.ComponentID == nil
		}
		if Crowded(len(others) + 1) {
			s.Parts = own
			a.notes = append(a.notes, fmt.Sprintf("The air of %s is shared by %d objects or more. What they do to one another is not computed.", s.Name, NeighboursMost+1))
		}
		slices.SortFunc(s.Parts, func(x, y domain.ID) int { return slices.Compare(x[:], y[:]) })
		s.Parts = slices.Compact(s.Parts)
		a.made.Spaces = append(a.made.Spaces, s)
		if part && !whole && s.ExchangePerDay != nil {
			a.covered = append(a.covered, own)
		}
		if whole && s.RHPct != nil && (a.made.RHPct == nil || *s.RHPct > *a.made.RHPct) {
			a.made.RHPct = s.RHPct
		}
	}
}

// joints are where parts touch, and the air that gas-tight joints keep. Air whose exchange is recorded
// for those very parts is that of the record.
func (a *assembly) joints() {
	group := map[domain.ID]domain.ID{} // towards the one that stands for all of its air
	head := func(id domain.ID) domain.ID {
		for group[id] != id {
			id = group[id]
		}
		return id
	}
	for i := range a.Joints {
		j := &a.Joints[i]
		if j.touches() {
			a.made.Contacts = append(a.made.Contacts, material.Contact{A: j.AID, B: j.BID, Words: strings.ReplaceAll(j.Meets, "_", " ") + ", direct contact"})
		}
		if !j.closes() || a.recorded(j) {
			continue
		}
		for _, id := range []domain.ID{j.AID, j.BID} {
			if _, ok := group[id]; !ok {
				group[id] = id
			}
		}
		group[head(j.AID)] = head(j.BID)
	}
	closed := map[domain.ID][]domain.ID{}
	for id := range group {
		closed[head(id)] = append(closed[head(id)], id)
	}
	var spaces []material.Space
	for _, ids := range closed {
		slices.SortFunc(ids, func(x, y domain.ID) int { return cmp.Compare(a.label(x), a.label(y)) })
		s := material.Space{Name: "the air that gas-tight joints keep at " + a.listed(ids)}
		for _, id := range ids {
			s.Parts = append(s.Parts, a.family(id)...)
		}
		spaces = append(spaces, s)
	}
	slices.SortFunc(spaces, func(x, y material.Space) int { return cmp.Compare(x.Name, y.Name) })
	a.made.Spaces = append(a.made.Spaces, spaces...)
}

func (a *assembly) recorded(j *Joint) bool {
	return slices.ContainsFunc(a.covered, func(parts []domain.ID) bool { return slices.Contains(parts, j.AID) && slices.Contains(parts, j.BID) })
}

func (a *assembly) label(id domain.ID) string {
	if c := a.at[id]; c != nil {
		return c.Label
	}
	return ""
}

// listed names parts by labels, which never change: ".1a and .3", ".1, .1a and 4 others".
func (a *assembly) listed(ids []domain.ID) string {
	var labels []string
	for _, id := range ids {
		labels = append(labels, "."+a.label(id))
	}
	if more := len(labels) - 4; more > 1 {
		labels = append(labels[:4], fmt.Sprintf("%d others", more))
	}
	return strings.Join(labels[:len(labels)-1], ", ") + " and " + labels[len(labels)-1]
}

// wholes says that a part touches the one above, where it is recorded how it is joined to it and no
// joint between them says otherwise.
func (a *assembly) wholes() {
	jointed := map[[2]domain.ID]bool{}
	for i := range a.Joints {
		jointed[[2]domain.ID{a.Joints[i].AID, a.Joints[i].BID}], jointed[[2]domain.ID{a.Joints[i].BID, a.Joints[i].AID}] = true, true
	}
	for i := range a.Components {
		c := &a.Components[i]
		if c.ObjectID != a.ObjectID || c.ParentID == nil || c.JoinedHow == "" || jointed[[2]domain.ID{c.ID, *c.ParentID}] {
			continue
		}
		a.made.Contacts = append(a.made.Contacts, material.Contact{A: c.ID, B: *c.ParentID, Words: "a part of it, " + c.JoinedHow})
	}
}

// parts are the components with their materials.
func (a *assembly) parts() {
	of := map[domain.ID][]material.PartMaterial{}
	for i := range a.Materials {
		m := &a.Materials[i]
		of[m.ComponentID] = append(of[m.ComponentID], a.material(m))
	}
	for i := range a.Components {
		c := &a.Components[i]
		p := material.Part{ID: c.ID, Label: c.words(), Materials: of[c.ID]}
		if c.ObjectID != a.ObjectID {
			p.Foreign, p.Label = true, a.foreign[c.ID]+c.words()
		}
		a.made.Parts = append(a.made.Parts, p)
	}
}
