package material

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"farthingale/domain"
)

// PartMaterial is one material of a part.
type PartMaterial struct {
	ID         domain.ID // of the identification
	Key        string    // of the library; "" for unidentified
	Name       string    // as people read it
	Family     string
	Emits      []string // species; what the library says, or the museum for its own material
	WeakEmits  []string
	Confidence string // certain, probable, possible
	Active     bool   // an observation shows decay that gives its species off
}

// depends says whether what follows rests on an identification that is only possible, or on a row of
// the library that stands for several materials.
func (m PartMaterial) depends() bool {
	return m.Confidence == "possible" || strings.HasSuffix(m.Key, "-unspecified")
}

// Part is a component with its materials.
type Part struct {
	ID        domain.ID
	Label     string
	Materials []PartMaterial
	Foreign   bool // of another object that shares the air: it may harm, what harms it is that object's matter
}

// Contact says that two parts touch: by a joint, or by lying on one another.
type Contact struct {
	A, B  domain.ID
	Words string // "ring lock, direct contact"
}

// Space is air that parts share.
type Space struct {
	Name           string // "inside the glove"
	Parts          []domain.ID
	ExchangePerDay *float64 // air changes per day; nil when not known
	RHPct          *float64 // nil when not known
}

// openPerDay is the exchange above which a space counts as open.
//
// source: US National Park Service, Museum Handbook / Exhibit Conservation Guidelines, 1999: unsealed
// cases change their air 24 times a day or more; that the severity changes there is common practice.
const openPerDay = 24

// closed says whether the space keeps what is given off: an exchange that nobody knows is not
// harmless.
func (s Space) closed() bool { return s.ExchangePerDay == nil || *s.ExchangePerDay <= openPerDay }

// MakeUp is what an object is made of, and how its parts meet.
type MakeUp struct {
	Parts    []Part
	Contacts []Contact
	Spaces   []Space
	RHPct    *float64 // where it is kept, for what touches; nil when not known
}

// Finding is one danger.
type Finding struct {
	Rule     string   `json:"rule"` // of the list of interactions, or IdentifyFirst
	Species  string   `json:"species,omitempty"`
	Path     Path     `json:"path"` // air, contact or self
	Emitter  Side     `json:"emitter"`
	Receptor Side     `json:"receptor"` // the zero part stands for people
	Where    string   `json:"where"`    // the space, or how the two touch
	Severity Severity `json:"severity"`
	Depends  bool     `json:"depends"` // on an identification that is not sure
	Effect   string   `json:"effect"`
	Worse    string   `json:"worse_when"`
	Helps    string   `json:"helps"`
	Basis    Basis    `json:"basis"`
	Remark   string   `json:"remark"`
	Source   string   `json:"source"`
	Steps    []string `json:"steps"` // how the severity came about
}

// Side is one material of one part; the zero Side is people.
type Side struct {
	PartID     domain.ID `json:"part_id"`
	Part       string    `json:"part"`
	MaterialID domain.ID `json:"material_id"`
	Material   string    `json:"material"`
}

// IdentifyFirst is the rule of the finding that an unidentified material in a closed space gives (M2).
const IdentifyFirst = "identify-first"

// Identify is what the list would say of an unidentified material in closed air.
var Identify = Interaction{ID: IdentifyFirst, Path: ByAir, Severity: ActNext, Effect: "what it gives off and suffers from is not known", WorseWhen: "closed air",
	Helps: "identify it; until then keep the air moving", Basis: Practice, Source: "common practice"}

// Key says which finding it is, whatever its severity: what somebody accepted is found again by it.
func (f *Finding) Key() string {
	return strings.Join([]string{f.Rule, string(f.Path), f.Emitter.PartID.String(), f.Emitter.MaterialID.String(), f.Receptor.PartID.String(), f.Receptor.MaterialID.String(), f.Where}, " ")
}

// Says is the finding in one sentence: what, where, why.
func (f *Finding) Says() string {
	if f.Rule == IdentifyFirst {
		return fmt.Sprintf("A material of %s is not identified and shares closed air (%s): identify it first.", f.Emitter.Part, f.Where)
	}
	name := SpeciesName(f.Species)
	said := fmt.Sprintf("The %s of %s is a source of %s, to the harm of the %s of %s (%s): %s.", f.Emitter.Material, f.Emitter.Part, name, f.Receptor.Material, f.Receptor.Part, f.Where, f.Effect)
	switch {
	case f.Path == BySelf:
		said = fmt.Sprintf("The %s of %s keeps its own %s in %s: %s.", f.Emitter.Material, f.Emitter.Part, name, f.Where, f.Effect)
	case f.Receptor.PartID == (domain.ID{}):
		said = fmt.Sprintf("The %s of %s is a source of %s, to the harm of people (%s): %s.", f.Emitter.Material, f.Emitter.Part, name, f.Where, f.Effect)
	}
	if f.Depends {
		said += " This rests on an identification that is not sure."
	}
	return said
}

// placed is a material in its part.
type placed struct {
	part     *Part
	material *PartMaterial
}

func (p placed) side() Side {
	return Side{PartID: p.part.ID, Part: p.part.Label, MaterialID: p.material.ID, Material: p.material.Name}
}

// meeting is where an emitter and a receptor meet, or where a material is with itself.
type meeting struct {
	path  Path
	where string
	open  bool // the severity of open air holds
	rh    *float64
}

// Raise finds every danger by the rules, the gravest first. For each rule it begins at the rule's
// severity, takes one away for an emission in traces (unless the decay is active) and one below the
// humidity that the rule needs, and raises nothing at zero. An unidentified material in a closed space
// is a finding of its own (M2).
//
// source: common practice; the species, receptors and humidities are those of each rule's source.
func Raise(m *MakeUp, rules []Interaction) []Finding {
	var found []Finding
	all := m.materials()
	for _, rule := range rules {
		for _, e := range all {
			if !emits(e.material, rule) {
				continue
			}
			if rule.Receptor.People && !e.part.Foreign {
				for _, at := range m.around(e, rule.Path) {
					found = raised(found, rule, e, Side{}, at)
				}
			}
			for _, r := range all {
				if r.part.Foreign || !rule.Receptor.Holds(r.material.Key, r.material.Family) {
					continue
				}
				for _, at := range m.meetings(e, r, rule.Path) {
					found = raised(found, rule, e, r.side(), at)
				}
			}
		}
	}
	found = append(found, m.unidentified(all)...)
	return ranked(found)
}

// ranked puts the gravest first. Findings are large: their order is found before they are moved, once.
func ranked(found []Finding) []Finding {
	order := make([]int, len(found))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int {
		a, b := &found[i], &found[j]
		return cmp.Or(cmp.Compare(b.Severity, a.Severity), strings.Compare(a.Emitter.Part, b.Emitter.Part), strings.Compare(a.Receptor.Part, b.Receptor.Part),
			strings.Compare(a.Rule, b.Rule), strings.Compare(string(a.Path), string(b.Path)), cmp.Compare(i, j))
	})
	sorted := make([]Finding, len(found))
	for i, at := range order {
		sorted[i] = found[at]
	}
	return sorted
}

// emits says whether a material gives the species of a rule off.
func emits(m *PartMaterial, rule Interaction) bool {
	if rule.Emitter.Named() {
		return rule.Emitter.Holds(m.Key, m.Family)
	}
	return slices.Contains(m.Emits, rule.Species)
}

// raised adds the finding when its severity is not zero.
func raised(found []Finding, rule Interaction, e placed, receptor Side, at meeting) []Finding {
	severity, steps := rule.Severity, []string{fmt.Sprintf("the rule begins at %d", rule.Severity)}
	if at.open {
		severity = rule.SeverityOpen
		steps = []string{fmt.Sprintf("the air changes more than %d times a day: the rule begins at %d", openPerDay, severity)}
	}
	less := func(why string) {
		severity--
		steps = append(steps, "one less: "+why)
	}
	if slices.Contains(e.material.WeakEmits, rule.Species) {
		if e.material.Active {
			steps = append(steps, "none less for traces: its decay is active")
		} else {
			less("it gives off traces only")
		}
	}
	if at.rh != nil && rule.RHTriggerPct != nil && *at.rh < *rule.RHTriggerPct {
		less(fmt.Sprintf("%g %% RH is below the %g %% that it needs", *at.rh, *rule.RHTriggerPct))
	}
	if severity <= 0 {
		return found
	}
	return append(found, Finding{
		Rule: rule.ID, Species: rule.Species, Path: at.path, Emitter: e.side(), Receptor: receptor, Where: at.where, Severity: severity,
		Depends: e.material.depends(), Effect: rule.Effect, Worse: rule.WorseWhen, Helps: rule.Helps, Basis: rule.Basis, Remark: rule.Remark, Source: rule.Source, Steps: steps,
	})
}

func (m *MakeUp) materials() []placed {
	var all []placed
	for i := range m.Parts {
		for j := range m.Parts[i].Materials {
			all = append(all, placed{&m.Parts[i], &m.Parts[i].Materials[j]})
		}
	}
	return all
}

// spaces are those that hold all of the parts.
func (m *MakeUp) spaces(parts ...domain.ID) []Space {
	var all []Space
	for _, s := range m.Spaces {
		if !slices.ContainsFunc(parts, func(id domain.ID) bool { return !slices.Contains(s.Parts, id) }) {
			all = append(all, s)
		}
	}
	return all
}

func byAir(path Path, s Space) meeting {
	return meeting{path: path, where: s.Name, open: !s.closed(), rh: s.RHPct}
}

// meetings are all ways by which the species of a rule comes from e to r.
func (m *MakeUp) meetings(e, r placed, path Path) []meeting {
	var all []meeting
	itself := e.part == r.part && e.material == r.material
	if path == BySelf {
		if itself {
			for _, s := range m.spaces(e.part.ID) {
				all = append(all, byAir(BySelf, s))
			}
		}
		return all
	}
	if itself {
		return nil
	}
	if path != ByContact && e.part != r.part {
		for _, s := range m.spaces(e.part.ID, r.part.ID) {
			all = append(all, byAir(ByAir, s))
		}
	}
	if path != ByAir {
		if e.part == r.part {
			all = append(all, meeting{path: ByContact, where: "both of " + e.part.Label, rh: m.RHPct})
		}
		for _, c := range m.Contacts {
			if c.A == e.part.ID && c.B == r.part.ID || c.B == e.part.ID && c.A == r.part.ID {
				all = append(all, meeting{path: ByContact, where: c.Words, rh: m.RHPct})
				break // once, however many joints they have
			}
		}
	}
	return all
}

// around is where people meet what e gives off: the air of its spaces, or the part itself.
func (m *MakeUp) around(e placed, path Path) []meeting {
	if path == ByContact {
		return []meeting{{path: path, where: "by touching it", rh: m.RHPct}}
	}
	var all []meeting
	for _, s := range m.spaces(e.part.ID) {
		all = append(all, byAir(ByAir, s))
	}
	return all
}

// unidentified finds what nobody identified in closed air (M2).
func (m *MakeUp) unidentified(all []placed) []Finding {
	var found []Finding
	for _, p := range all {
		if p.part.Foreign || p.material.Key != "" || p.material.Family != "" {
			continue
		}
		for _, s := range m.spaces(p.part.ID) {
			if s.closed() {
				found = append(found, Finding{Rule: IdentifyFirst, Path: Identify.Path, Emitter: p.side(), Receptor: p.side(), Where: s.Name, Severity: Identify.Severity,
					Effect: Identify.Effect, Worse: Identify.WorseWhen, Helps: Identify.Helps, Basis: Identify.Basis, Source: Identify.Source,
					Steps: []string{"an unidentified material in closed air is not taken for harmless"}})
				break
			}
		}
	}
	return found
}
