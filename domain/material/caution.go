package material

import (
	_ "embed" // for the list
	"errors"
	"fmt"

	"farthingale/domain"
)

// CautionClosing ends every text about a hazard.
const CautionClosing = "Usual caution only. Follow local law and your safety adviser; when unsure, stop and ask."

// Class is how much a hazard asks for before hands are on the object.
type Class string

// The classes.
const (
	Stop    Class = "S" // no planned handling until a competent person, not the one who wants to handle, has recorded an assessment
	Control Class = "C" // the handler confirms the controls each time
	Note    Class = "N" // shown
)

// Words is the class as people read it.
func (c Class) Words() string {
	return map[Class]string{Stop: "stop", Control: "control", Note: "note"}[c]
}

// Caution is what is usually said of one hazard. It is shown before the act, always with
// CautionClosing, and is no instruction how to do hazardous work.
type Caution struct {
	ID         string `json:"id"` // stable word: "soda-lime"
	Hazard     string `json:"hazard"`
	FoundIn    string `json:"found_in"`
	Class      Class  `json:"class"`                 // to assume until more is known
	OtherClass Class  `json:"other_class,omitempty"` // holds instead where OtherWhen is recorded; empty when there is none
	OtherWhen  string `json:"other_when,omitempty"`
	Caution    string `json:"caution"`
	Call       string `json:"call"` // whom to ask; empty when the caution is enough
	Basis      Basis  `json:"basis"`
	Source     string `json:"source"` // divided by " | "
}

// Text is the caution with whom to call and the closing sentence.
func (c Caution) Text() string {
	text := c.Caution
	if c.Call != "" {
		text += " Call: " + c.Call + "."
	}
	return text + " " + CautionClosing
}

//go:embed cautions.csv
var cautionsCSV []byte

// Cautions lists the usual cautions in the order in which they are shown. An error means that the
// list in the program is damaged; it names the row.
func Cautions() ([]Caution, error) {
	rows, err := domain.Table(cautionsCSV, "id", "hazard", "found_in", "class", "other_class", "other_when", "caution", "call", "basis", "source")
	if err != nil {
		return nil, fmt.Errorf("read the cautions: %w", err)
	}
	cautions := make([]Caution, 0, len(rows))
	ids := map[string]bool{}
	for _, r := range rows {
		c := Caution{
			ID: r["id"], Hazard: r["hazard"], FoundIn: r["found_in"], Class: Class(r["class"]), OtherClass: Class(r["other_class"]),
			OtherWhen: r["other_when"], Caution: r["caution"], Call: r["call"], Basis: Basis(r["basis"]), Source: r["source"],
		}
		if err := c.check(); err != nil {
			return nil, fmt.Errorf("caution %q: %w", c.ID, err)
		}
		if ids[c.ID] {
			return nil, fmt.Errorf("caution %q stands twice", c.ID)
		}
		ids[c.ID] = true
		cautions = append(cautions, c)
	}
	return cautions, nil
}

func (c Caution) check() error {
	switch {
	case !stableWord.MatchString(c.ID):
		return errors.New("the id must be a stable word")
	case c.Hazard == "", c.FoundIn == "", c.Caution == "", c.Source == "":
		return errors.New("hazard, found in, caution or source is missing")
	case c.Class.Words() == "":
		return fmt.Errorf("there is no class %q", c.Class)
	case (c.OtherClass == "") != (c.OtherWhen == ""), c.OtherClass != "" && c.OtherClass.Words() == "", c.OtherClass == c.Class:
		return fmt.Errorf("the other class %q does not say when it holds", c.OtherClass)
	case !c.Basis.known():
		return fmt.Errorf("%q does not say how it is known", c.Basis)
	}
	return nil
}
