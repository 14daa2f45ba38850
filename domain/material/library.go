// Package material knows what objects and mounts are made of, what each material gives off and suffers
// from, the findings that follow for a make-up (rules M1, M2), and the usual cautions for people who
// handle it: the published library that every site begins with, before it adds its own (materials,
// and the cautions that they call for). That a component is of an unidentified material never means
// that it is harmless (rule M2); the library holds rows for kinds that are only half known.
//
// Any area may use it; it knows none.
package material

import (
	_ "embed" // for the two lists
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"farthingale/domain"
)

// Material is one row of the library.
type Material struct {
	Key         string   `json:"key"`          // stable word: "natural-rubber-latex"
	Name        string   `json:"name"`         // what people read and pick
	Family      string   `json:"family"`       // stable word for materials that behave alike: "rubber-chlorinated"
	Category    Category `json:"category"`     // what it is for or made as
	Source      string   `json:"source"`       // published sources divided by " | ", "common practice", "from memory"
	AAT         string   `json:"aat"`          // nine digits of the Art & Architecture Thesaurus, or empty
	AATMatch    string   `json:"aat_match"`    // the concept is "exact", "broader" or "narrower" than the row; empty without AAT
	Health      string   `json:"health"`       // caution for people in a sentence or two, or empty
	HealthBasis Basis    `json:"health_basis"` // how the caution is known; empty without one
	HazardIDs   []string `json:"hazard_ids"`   // Caution.ID: hazards to be proposed as possible, never nil
}

// Category is the coarsest division of the library.
type Category string

// The categories. Other holds charges, salts and residues.
const (
	Polymer  Category = "polymer"
	Fibre    Category = "fibre"
	Metal    Category = "metal"
	Coating  Category = "coating"
	Adhesive Category = "adhesive"
	Glass    Category = "glass"
	Wood     Category = "wood"
	Mount    Category = "mount" // used for mounts, cases and packing
	Other    Category = "other"
)

// Categories lists every category in the order in which they are shown.
var Categories = []Category{Polymer, Fibre, Metal, Coating, Adhesive, Glass, Wood, Mount, Other}

// Basis is how a statement is known.
type Basis string

// Published is read in the source named; Practice is common practice; Memory is known, with no text
// opened.
const (
	Published Basis = "published"
	Practice  Basis = "practice"
	Memory    Basis = "memory"
)

// AATCredit must stand wherever AAT identifiers are given away (ODC Attribution License).
const AATCredit = "This contains information from Art & Architecture Thesaurus (AAT)®, which is made available under the ODC Attribution License."

//go:embed library.csv
var libraryCSV []byte

var (
	stableWord = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	aatNumber  = regexp.MustCompile(`^300[0-9]{6}$`)
)

// Library is the published list of materials, in its own order. An error means that the list in the
// program is damaged; it names the row.
func Library() ([]Material, error) {
	cautions, err := Cautions()
	if err != nil {
		return nil, err
	}
	rows, err := domain.Table(libraryCSV, "key", "name", "family", "category", "aat", "aat_match", "health", "health_basis", "hazards", "source")
	if err != nil {
		return nil, fmt.Errorf("read the library of materials: %w", err)
	}
	known := map[string]bool{}
	for _, c := range cautions {
		known[c.ID] = true
	}
	library := make([]Material, 0, len(rows))
	keys := map[string]bool{}
	for _, r := range rows {
		m := Material{
			Key: r["key"], Name: r["name"], Family: r["family"], Category: Category(r["category"]), Source: r["source"],
			AAT: r["aat"], AATMatch: r["aat_match"], Health: r["health"], HealthBasis: Basis(r["health_basis"]),
			HazardIDs: []string{},
		}
		if r["hazards"] != "" {
			m.HazardIDs = strings.Split(r["hazards"], ";")
		}
		if err := m.check(known); err != nil {
			return nil, fmt.Errorf("material %q of the library: %w", m.Key, err)
		}
		if keys[m.Key] {
			return nil, fmt.Errorf("material %q stands twice in the library", m.Key)
		}
		keys[m.Key] = true
		library = append(library, m)
	}
	return library, nil
}

// check refuses a row that is not whole. cautions holds the known hazards.
func (m Material) check(cautions map[string]bool) error {
	switch {
	case !stableWord.MatchString(m.Key), !stableWord.MatchString(m.Family):
		return fmt.Errorf("key and family must be stable words, not %q, %q", m.Key, m.Family)
	case m.Name == "", m.Source == "":
		return errors.New("name or source is missing")
	case !slices.Contains(Categories, m.Category):
		return fmt.Errorf("there is no category %q", m.Category)
	case m.AAT != "" && !aatNumber.MatchString(m.AAT):
		return fmt.Errorf("%q is no identifier of the thesaurus", m.AAT)
	case (m.AAT == "") != (m.AATMatch == ""), m.AATMatch != "" && !slices.Contains([]string{"exact", "broader", "narrower"}, m.AATMatch):
		return fmt.Errorf("%q does not say how the thesaurus matches", m.AATMatch)
	case (m.Health == "") != (m.HealthBasis == ""), m.HealthBasis != "" && !m.HealthBasis.known():
		return fmt.Errorf("%q does not say how the caution is known", m.HealthBasis)
	}
	for i, h := range m.HazardIDs {
		if !cautions[h] || slices.Contains(m.HazardIDs[:i], h) {
			return fmt.Errorf("hazard %q has no caution or stands twice", h)
		}
	}
	return nil
}

func (b Basis) known() bool { return b == Published || b == Practice || b == Memory }
