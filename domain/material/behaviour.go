package material

import (
	_ "embed" // for the two lists
	"fmt"
	"slices"
	"strconv"
	"strings"

	"farthingale/domain"
)

// Disputed marks a statement on which the sources disagree.
const Disputed Basis = "disputed"

// Behaviour is what a material of the library gives off, suffers from and asks for. The sources are
// those of the material.
type Behaviour struct {
	Key               string   `json:"key"`                // Material.Key
	Emits             []string `json:"emits"`              // species that leave it
	WeakEmits         []string `json:"weak_emits"`         // those of them that leave it in traces or slowly
	EmitsBasis        Basis    `json:"emits_basis"`        // how Emits is known; empty without any
	AttackedBy        []string `json:"attacked_by"`        // species, and agents such as "light" or "high-rh"
	AttackedBasis     Basis    `json:"attacked_basis"`     // how AttackedBy is known; empty without any
	LightResponsivity string   `json:"light_responsivity"` // after CIE 157:2004: none, low, medium, high; empty when not known
	LightBasis        Basis    `json:"light_basis"`
	RHPct             Range    `json:"rh_pct"`        // relative humidity in which it is kept, %
	TemperatureC      Range    `json:"temperature_c"` // temperature in which it is kept, °C
	ClimateBasis      Basis    `json:"climate_basis"`
	CaseUse           CaseUse  `json:"case_use"`
	Signs             string   `json:"signs"` // what is seen when it decays; empty when not known
	SignsBasis        Basis    `json:"signs_basis"`
}

// Range is from Least to Greatest; a nil end is open.
type Range struct {
	Least    *float64 `json:"least,omitempty"`
	Greatest *float64 `json:"greatest,omitempty"`
}

// CaseUse says whether a material may be near objects in a case or a mount (rule M4).
type CaseUse string

// What a material is for near objects. Inert is of a documented class; TestFirst needs a valid test of
// its batch.
const (
	Inert            CaseUse = "inert"
	TestFirst        CaseUse = "test-first"
	Avoid            CaseUse = "avoid"
	NotMountMaterial CaseUse = "not-a-mount-material"
)

//go:embed behaviour.csv
var behaviourCSV []byte

// Behaviours are the behaviours of the library's materials by key: one for each. An error means that
// a list in the program is damaged; it names the row.
func Behaviours() (map[string]Behaviour, error) {
	library, err := Library()
	if err != nil {
		return nil, err
	}
	rows, err := domain.Table(behaviourCSV, "key", "emits", "weak_emits", "emits_basis", "attacked_by", "attacked_basis", "light_responsivity", "light_basis",
		"rh_min_pct", "rh_max_pct", "t_min_c", "t_max_c", "climate_basis", "case_use", "signs", "signs_basis")
	if err != nil {
		return nil, fmt.Errorf("read the behaviour of materials: %w", err)
	}
	all := make(map[string]Behaviour, len(rows))
	for _, r := range rows {
		b := Behaviour{
			Key: r["key"], Emits: list(r["emits"]), WeakEmits: list(r["weak_emits"]), EmitsBasis: Basis(r["emits_basis"]),
			AttackedBy: list(r["attacked_by"]), AttackedBasis: Basis(r["attacked_basis"]),
			LightResponsivity: r["light_responsivity"], LightBasis: Basis(r["light_basis"]), ClimateBasis: Basis(r["climate_basis"]),
			CaseUse: CaseUse(r["case_use"]), Signs: r["signs"], SignsBasis: Basis(r["signs_basis"]),
		}
		if b.RHPct, err = parseRange(r["rh_min_pct"], r["rh_max_pct"], 0, 100); err == nil {
			b.TemperatureC, err = parseRange(r["t_min_c"], r["t_max_c"], -50, 60)
		}
		if err == nil {
			err = b.check()
		}
		if _, twice := all[b.Key]; err == nil && twice {
			err = fmt.Errorf("it stands twice")
		}
		if err != nil {
			return nil, fmt.Errorf("behaviour of %q: %w", b.Key, err)
		}
		all[b.Key] = b
	}
	for _, m := range library {
		if _, ok := all[m.Key]; !ok {
			return nil, fmt.Errorf("material %q of the library has no behaviour", m.Key)
		}
	}
	if len(all) != len(library) {
		return nil, fmt.Errorf("%d behaviours stand for %d materials", len(all), len(library))
	}
	return all, nil
}

func (b Behaviour) check() error {
	for _, s := range b.Emits {
		if _, ok := species[s]; !ok {
			return fmt.Errorf("there is no species %q", s)
		}
	}
	for _, s := range b.WeakEmits {
		if !slices.Contains(b.Emits, s) {
			return fmt.Errorf("%q is given off in traces, but not given off", s)
		}
	}
	for what, basis := range map[string]struct {
		said  bool
		basis Basis
	}{
		"emits": {len(b.Emits) > 0, b.EmitsBasis}, "attacked_by": {len(b.AttackedBy) > 0, b.AttackedBasis},
		"light_responsivity": {b.LightResponsivity != "", b.LightBasis}, "signs": {b.Signs != "", b.SignsBasis},
		"the climate": {b.RHPct != Range{} || b.TemperatureC != Range{}, b.ClimateBasis},
	} {
		if basis.said != (basis.basis != "") || basis.said && !basis.basis.known() && basis.basis != Disputed {
			return fmt.Errorf("%q does not say how %s is known", basis.basis, what)
		}
	}
	switch {
	case !slices.Contains([]string{"", "none", "low", "medium", "high"}, b.LightResponsivity):
		return fmt.Errorf("there is no light responsivity %q", b.LightResponsivity)
	case !slices.Contains([]CaseUse{Inert, TestFirst, Avoid, NotMountMaterial}, b.CaseUse):
		return fmt.Errorf("there is no use in a case %q", b.CaseUse)
	}
	return nil
}

func list(text string) []string {
	if text == "" {
		return []string{}
	}
	return strings.Split(text, ";")
}

func parseRange(least, greatest string, low, high float64) (Range, error) {
	var r Range
	for text, end := range map[*string]**float64{&least: &r.Least, &greatest: &r.Greatest} {
		if *text == "" {
			continue
		}
		v, err := strconv.ParseFloat(*text, 64)
		if err != nil || !(v >= low && v <= high) {
			return Range{}, fmt.Errorf("%q is not between %g and %g", *text, low, high)
		}
		*end = &v
	}
	if r.Least != nil && r.Greatest != nil && *r.Least > *r.Greatest {
		return Range{}, fmt.Errorf("from %g to %g is no range", *r.Least, *r.Greatest)
	}
	return r, nil
}

// species are what leaves materials, as people read it.
var species = map[string]string{
	"hcl": "hydrogen chloride", "chloride": "chloride (salt)", "h2s": "hydrogen sulphide", "ocs": "carbonyl sulphide", "sulfur": "free sulphur",
	"so2": "sulphur dioxide", "no2": "nitrogen oxides and nitric acid", "oxalate": "oxalate", "acetic-acid": "acetic acid", "formic-acid": "formic acid",
	"organic-acids": "organic acids", "formaldehyde": "formaldehyde", "phenol": "phenols", "ammonia": "ammonia", "amine": "amines", "alkali": "alkali",
	"plasticiser": "plasticiser", "fatty-acids": "fatty acids", "grease": "grease", "copper-ions": "copper ions", "iron-ions": "iron ions",
	"galvanic": "galvanic current", "tannin": "tannins", "peroxide": "peroxides", "siloxane": "siloxanes", "camphor": "camphor",
	"mercury-vapour": "mercury vapour", "radon": "radon", "voc": "other vapours",
}

// SpeciesName is how people read a species; the word itself when it is not known.
func SpeciesName(word string) string {
	if name, ok := species[word]; ok {
		return name
	}
	return word
}
