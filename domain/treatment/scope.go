package treatment

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// ScopeLine is a method for a component, with the materials that it may use. The approved scope is
// the lines of the approved proposal and of the approved amendments (T1).
type ScopeLine struct {
	ComponentID domain.ID       `json:"component_id" validate:"required"`
	AndItsParts bool            `json:"and_its_parts"` // also for everything below the component
	Method      string          `json:"method" validate:"required,max=120"`
	Materials   []ScopeMaterial `json:"materials" validate:"max=30,dive"`
	Why         string          `json:"why" validate:"max=2000"` // why this method for this component
}

// ScopeMaterial names a material by its library entry. Product, solvent and concentration narrow it
// where they are given; what is not given is not narrowed. A second line with the same entry allows
// another combination.
type ScopeMaterial struct {
	MaterialKey string           `json:"material_key" validate:"required,max=80"`
	Role        string           `json:"role" validate:"omitempty,oneof=adhesive consolidant solvent cleaning filler coating lubricant support lining thread other"`
	Product     string           `json:"product" validate:"max=200"`
	Solvent     string           `json:"solvent" validate:"max=120"`
	Least       *decimal.Decimal `json:"concentration_min,omitempty" validate:"omitempty,gte=0,lte=1000000"`
	Most        *decimal.Decimal `json:"concentration_max,omitempty" validate:"omitempty,gte=0,lte=1000000"`
	Unit        string           `json:"unit" validate:"omitempty,oneof=percent_w_v percent_w_w percent_v_v g_per_l mol_per_l ppm"`
}

// MaterialRoles and Units are the words for what a material does and for concentrations.
var (
	MaterialRoles = []string{"adhesive", "consolidant", "solvent", "cleaning", "filler", "coating", "lubricant", "support", "lining", "thread", "other"}
	Units         = []string{"percent_w_v", "percent_w_w", "percent_v_v", "g_per_l", "mol_per_l", "ppm"}
)

var unitWords = map[string]string{"percent_w_v": "% w/v", "percent_w_w": "% w/w", "percent_v_v": "% v/v", "g_per_l": "g/L", "mol_per_l": "mol/L", "ppm": "ppm"}

// UnitWords shows a unit as people write it.
func UnitWords(unit string) string { return unitWords[unit] }

// Methods are suggestions for the name of a method; any other words may be used, but a step must use
// the words that were approved.
//
// source: common practice of objects and textile conservation.
var Methods = []string{"surface cleaning, dry", "surface cleaning, damp", "solvent cleaning", "washing", "humidification", "reshaping",
	"consolidation", "adhesive repair", "stitched repair", "lining", "filling", "inpainting", "corrosion removal", "corrosion inhibition",
	"coating", "lubrication", "separation of parts", "dismantling", "reassembly", "support padding", "interleaving", "freezing", "low-oxygen treatment"}

// Auxiliary is an aid that leaves nothing on the object. It is always inside a scope, and recorded
// all the same.
type Auxiliary struct {
	Key  string
	Name string
}

// Auxiliaries is the fixed list of such aids.
//
// source: common practice.
var Auxiliaries = []Auxiliary{
	{"water", "water, deionised"},
	{"blotter", "blotting paper"},
	{"tissue", "tissue, acid-free"},
	{"ptfe_film", "PTFE film"},
	{"polyester_film", "polyester film"},
	{"nitrile_gloves", "nitrile gloves"},
	{"swabs", "cotton swabs"},
}

func auxiliaryName(key string) (string, bool) {
	for _, a := range Auxiliaries {
		if a.Key == key {
			return a.Name, true
		}
	}
	return "", false
}

// ApprovedLine is a line of the approved scope with where it comes from.
type ApprovedLine struct {
	ScopeLine
	Amendment int       `json:"amendment"` // 0: the proposal
	Since     time.Time `json:"since"`     // when it was approved
}

// ApprovedScope is the lines of the approved proposal and the approved amendments. It is empty when
// nothing is approved or the approval is revoked.
func (t *Treatment) ApprovedScope() []ApprovedLine {
	var lines []ApprovedLine
	if t.Hold == Revoked {
		return nil
	}
	for _, d := range t.Decisions {
		if !d.Approves() {
			continue
		}
		for _, v := range t.Versions {
			if v.Amendment != d.Amendment || v.Number != d.VersionNumber {
				continue
			}
			for _, l := range v.Text.Scope {
				lines = append(lines, ApprovedLine{ScopeLine: l, Amendment: d.Amendment, Since: d.Signature.At})
			}
		}
	}
	return lines
}

// outside names every component, method and material of a work that the lines do not hold (T1).
// Nothing named means that the work is inside.
func outside(sheet *collection.Sheet, lines []ApprovedLine, method string, components []domain.ID, uses []Use) []string {
	var out []string
	add := func(what string) {
		if !slices.Contains(out, what) {
			out = append(out, what)
		}
	}
	for _, id := range components {
		called := sheet.Called(id)
		var covering, matching []ApprovedLine
		for _, l := range lines {
			if l.ComponentID == id || l.AndItsParts && slices.Contains(sheet.Above(id), l.ComponentID) {
				covering = append(covering, l)
				if Fold(l.Method) == Fold(method) {
					matching = append(matching, l)
				}
			}
		}
		switch {
		case len(covering) == 0:
			add("component " + called)
			continue
		case len(matching) == 0:
			add("method '" + method + "' on " + called)
			continue
		}
		var fewest []string
		for i, l := range matching {
			var bad []string
			for _, u := range uses {
				if what := l.outside(u); what != "" {
					bad = append(bad, what)
				}
			}
			if i == 0 || len(bad) < len(fewest) {
				fewest = bad
			}
		}
		for _, what := range fewest {
			add(what)
		}
	}
	return out
}

// outside says what about a used material the line does not hold, or nothing.
func (l ScopeLine) outside(u Use) string {
	if u.Auxiliary != "" {
		return ""
	}
	name := u.Name
	if u.MaterialKey == "" {
		return "material '" + u.Product + "', which is not in the library"
	}
	first := ""
	for _, m := range l.Materials {
		if m.MaterialKey != u.MaterialKey {
			continue
		}
		what := m.outside(u)
		if what == "" {
			return ""
		}
		if first == "" {
			first = what + " of " + name
		}
	}
	if first == "" {
		first = "material " + name
	}
	return first
}

func (m ScopeMaterial) outside(u Use) string {
	switch {
	case m.Product != "" && Fold(u.Product) != Fold(m.Product):
		return fmt.Sprintf("product %s (approved: '%s')", stated(u.Product), m.Product)
	case m.Solvent != "" && Fold(u.Solvent) != Fold(m.Solvent):
		return fmt.Sprintf("solvent %s (approved: '%s')", stated(u.Solvent), m.Solvent)
	case m.Least == nil && m.Most == nil:
		return ""
	case u.Concentration == nil:
		return "concentration not stated (approved: " + m.Range() + ")"
	case u.Unit != m.Unit || m.Least != nil && u.Concentration.LessThan(*m.Least) || m.Most != nil && u.Concentration.GreaterThan(*m.Most):
		return "concentration " + u.Concentration.String() + " " + UnitWords(u.Unit) + " (approved: " + m.Range() + ")"
	}
	return ""
}

func stated(s string) string {
	if s == "" {
		return "not stated"
	}
	return "'" + s + "'"
}

// Range shows the approved concentrations: "2 to 5 % w/v", "up to 5 % w/v"; empty when not narrowed.
func (m ScopeMaterial) Range() string {
	unit := " " + UnitWords(m.Unit)
	switch {
	case m.Least == nil && m.Most == nil:
		return ""
	case m.Least == nil:
		return "up to " + m.Most.String() + unit
	case m.Most == nil:
		return "from " + m.Least.String() + unit
	case m.Least.Equal(*m.Most):
		return m.Least.String() + unit
	}
	return m.Least.String() + " to " + m.Most.String() + unit
}

// Narrowed shows what narrows the material: "product, in ethanol, 2 to 5 % w/v".
func (m ScopeMaterial) Narrowed() string {
	var parts []string
	if m.Product != "" {
		parts = append(parts, m.Product)
	}
	if m.Solvent != "" {
		parts = append(parts, "in "+m.Solvent)
	}
	if r := m.Range(); r != "" {
		parts = append(parts, r)
	}
	return strings.Join(parts, ", ")
}
