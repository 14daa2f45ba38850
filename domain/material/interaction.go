package material

import (
	"crypto/sha256"
	_ "embed" // for the list
	"encoding/hex"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"farthingale/domain"
)

// Path is the way by which a species comes from one material to another.
type Path string

// The ways. ByBoth is by the air and by contact; BySelf is a material that keeps its own emission.
const (
	ByAir     Path = "air"
	ByContact Path = "contact"
	ByBoth    Path = "both"
	BySelf    Path = "self"
)

// Severity says how soon something must be done: 1 watch, 2 act at the next chance, 3 act now. It is a
// judgement of the list, no published figure.
type Severity int

// The severities that are raised.
const (
	Watch   Severity = 1
	ActNext Severity = 2
	ActNow  Severity = 3
)

// Words is the severity for people.
func (s Severity) Words() string {
	switch {
	case s >= ActNow:
		return "act now"
	case s == ActNext:
		return "act at the next chance"
	}
	return "watch"
}

// Interaction is one rule: a species harms a kind of receptor by a path.
type Interaction struct {
	ID           string   `json:"id"`
	Species      string   `json:"species"`
	Emitter      Kind     `json:"emitter"` // zero: any material that gives the species off
	Receptor     Kind     `json:"receptor"`
	Path         Path     `json:"path"`
	Effect       string   `json:"effect"`
	WorseWhen    string   `json:"worse_when"`
	Helps        string   `json:"helps"`
	RHTriggerPct *float64 `json:"rh_trigger_pct,omitempty"` // below it one step less, %
	Severity     Severity `json:"severity"`
	SeverityOpen Severity `json:"severity_open"` // where the air changes more than 24 times a day; 0 is none
	Basis        Basis    `json:"basis"`
	Remark       string   `json:"remark"` // of what the basis does not say, or empty
	Source       string   `json:"source"`
}

// Kind names materials, by key or by family, or people.
type Kind struct {
	Keys     []string `json:"keys,omitempty"`
	Families []string `json:"families,omitempty"`
	People   bool     `json:"people,omitempty"`
}

// Named says whether the kind names anything.
func (k Kind) Named() bool { return len(k.Keys) > 0 || len(k.Families) > 0 || k.People }

// Holds says whether a material is of the kind.
func (k Kind) Holds(key, family string) bool {
	return key != "" && slices.Contains(k.Keys, key) || family != "" && slices.Contains(k.Families, family)
}

//go:embed interactions.csv
var interactionsCSV []byte

// raising is the number of the way in which findings are raised. It is counted up with every change of
// Raise or of what goes into it, so that all are computed again.
const raising = "2"

// RulesVersion tells whether findings were raised by these lists and in this way: eight bytes of a hash,
// in hex.
func RulesVersion() string {
	h := sha256.New()
	for _, part := range [][]byte{[]byte(raising), libraryCSV, behaviourCSV, interactionsCSV} {
		sum := sha256.Sum256(part)
		h.Write(sum[:])
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

var interactionID = regexp.MustCompile(`^i[0-9]{3}$`)

// Interactions are all rules, in the order of the list. An error means that the list in the program is
// damaged; it names the row.
func Interactions() ([]Interaction, error) {
	library, err := Library()
	if err != nil {
		return nil, err
	}
	keys, families := map[string]bool{}, map[string]bool{}
	for _, m := range library {
		keys[m.Key], families[m.Family] = true, true
	}
	rows, err := domain.Table(interactionsCSV, "id", "species", "emitter", "receptor", "path", "effect", "worse_when", "helps", "rh_trigger_pct", "severity", "severity_open", "basis", "remark", "source")
	if err != nil {
		return nil, fmt.Errorf("read the interactions of materials: %w", err)
	}
	all := make([]Interaction, 0, len(rows))
	for _, r := range rows {
		i, err := interaction(r, keys, families)
		if err == nil && slices.ContainsFunc(all, func(other Interaction) bool { return other.ID == i.ID }) {
			err = errors.New("it stands twice")
		}
		if err != nil {
			return nil, fmt.Errorf("interaction %q: %w", r["id"], err)
		}
		all = append(all, i)
	}
	return all, nil
}

func interaction(r map[string]string, keys, families map[string]bool) (i Interaction, err error) {
	i = Interaction{ID: r["id"], Species: r["species"], Path: Path(r["path"]), Effect: r["effect"], WorseWhen: r["worse_when"], Helps: r["helps"],
		Basis: Basis(r["basis"]), Remark: r["remark"], Source: r["source"]}
	if i.Emitter, err = kind(r["emitter"], keys, families); err != nil {
		return i, err
	}
	if i.Receptor, err = kind(r["receptor"], keys, families); err != nil {
		return i, err
	}
	trigger, err := parseRange(r["rh_trigger_pct"], "", 0, 100)
	if err != nil {
		return i, err
	}
	i.RHTriggerPct = trigger.Least
	for text, s := range map[string]*Severity{"severity": &i.Severity, "severity_open": &i.SeverityOpen} {
		n, err := strconv.Atoi(r[text])
		if err != nil || n < 0 || n > 3 {
			return i, fmt.Errorf("%q is no severity", r[text])
		}
		*s = Severity(n)
	}
	_, known := species[i.Species]
	switch {
	case !interactionID.MatchString(i.ID):
		return i, fmt.Errorf("%q is no id", i.ID)
	case !known:
		return i, fmt.Errorf("there is no species %q", i.Species)
	case !i.Receptor.Named(), i.Emitter.People:
		return i, errors.New("it has no receptor, or people as the emitter")
	case !slices.Contains([]Path{ByAir, ByContact, ByBoth, BySelf}, i.Path):
		return i, fmt.Errorf("there is no path %q", i.Path)
	case i.Severity < 1, i.SeverityOpen > i.Severity:
		return i, fmt.Errorf("severities %d and %d", i.Severity, i.SeverityOpen)
	case i.Effect == "", i.Source == "", !i.Basis.known() && i.Basis != Disputed:
		return i, errors.New("effect, source or basis is missing")
	}
	return i, nil
}

// kind reads "material:key", "family:word", several with spaces, or "people".
func kind(text string, keys, families map[string]bool) (k Kind, err error) {
	for word := range strings.FieldsSeq(text) {
		what, name, _ := strings.Cut(word, ":")
		switch {
		case word == "people":
			k.People = true
		case what == "material" && keys[name]:
			k.Keys = append(k.Keys, name)
		case what == "family" && families[name]:
			k.Families = append(k.Families, name)
		default:
			return k, fmt.Errorf("there is no %q", word)
		}
	}
	return k, nil
}
