package treatment

import (
	"encoding/json"
	"testing"
	"time"
)

// BenchmarkStep is rule T1 and what stands beside it: a step within the scope, and one with a material that
// nobody approved.
func BenchmarkStep(b *testing.B) {
	t := decided(b)
	outside := step(ada.ID)
	outside.Materials[0].MaterialKey = "animal-glue"
	for _, c := range []struct {
		name, code string
		step       NewStep
	}{{"within the scope", "", step(ada.ID)}, {"outside the scope", "T1", outside}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				tried := *t
				_, err := tried.LogStep(ada.Actor(), c.step, bench, monday.Add(11*time.Hour))
				if c.code != "" {
					refusal(b, err, c.code)
				} else if err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkDocument makes what is sealed when a treatment is decided, as JSON.
func BenchmarkDocument(b *testing.B) {
	t := decided(b)
	b.ReportAllocs()
	for b.Loop() {
		document, err := t.DecisionDocument(t.Decisions[0].ID)
		if err == nil {
			_, err = json.Marshal(document)
		}
		if err != nil {
			b.Fatal(err)
		}
	}
}
