package investigation

import (
	_ "embed"
	"fmt"
	"sync"

	"farthingale/domain"
)

//go:embed techniques.csv
var techniqueList []byte

// Effect is what a technique does to the object.
type Effect string

// The effects, the mildest first.
const (
	Harmless Effect = "harmless"
	Touches  Effect = "touches"
	Changes  Effect = "changes"
	Samples  Effect = "samples"
)

// EffectWords says an effect as people do.
var EffectWords = map[Effect]string{Harmless: "touches nothing", Touches: "touches it", Changes: "may leave a trace", Samples: "takes a sample"}

// Technique is a way of examining.
type Technique struct {
	Key     string `json:"key"`
	Name    string `json:"name"`
	Effect  Effect `json:"effect"`
	Record  string `json:"record"`  // what a finding says besides who, when, instrument and settings
	Caution string `json:"caution"` // local rules and qualified people decide
}

// NeedsConsent is rule I1: a sample, or a trace on the object, needs a curator's consent.
func (t Technique) NeedsConsent() bool { return t.Effect == Samples || t.Effect == Changes }

// Techniques are all that are known, in the order of the list.
var Techniques = sync.OnceValues(func() ([]Technique, error) {
	rows, err := domain.Table(techniqueList, "key", "name", "effect", "record", "caution")
	if err != nil {
		return nil, fmt.Errorf("list of techniques: %w", err)
	}
	all := make([]Technique, 0, len(rows))
	seen := map[string]bool{}
	for _, r := range rows {
		t := Technique{Key: r["key"], Name: r["name"], Effect: Effect(r["effect"]), Record: r["record"], Caution: r["caution"]}
		if t.Key == "" || t.Name == "" || t.Record == "" || EffectWords[t.Effect] == "" || seen[t.Key] {
			return nil, fmt.Errorf("list of techniques: row %q is not whole", t.Key)
		}
		seen[t.Key] = true
		all = append(all, t)
	}
	return all, nil
})

// technique finds one by its key.
func technique(key string) (Technique, bool) {
	all, err := Techniques()
	if err != nil {
		return Technique{}, false // the service does not begin with a damaged list
	}
	for _, t := range all {
		if t.Key == key {
			return t, true
		}
	}
	return Technique{}, false
}

// TechniqueName is the name of a technique as people say it; the key itself when the list no longer has it.
func TechniqueName(key string) string {
	if t, ok := technique(key); ok {
		return t.Name
	}
	return key
}
