package record

import (
	"fmt"
	"testing"
	"time"

	"farthingale/domain"
)

// BenchmarkSeal computes a seal: the canonical text of a document of about 20 kB, its hash, and the hash that
// chains it.
func BenchmarkSeal(b *testing.B) {
	type step struct {
		At       time.Time `json:"at"`
		Hands    []string  `json:"hands"`
		Note     string    `json:"note"`
		Minutes  int       `json:"minutes"`
		Material string    `json:"material"`
	}
	var document struct {
		Title string `json:"title"`
		Steps []step `json:"steps"`
	}
	document.Title = "Consolidate the seal of the left cuff ring"
	for i := range 100 {
		document.Steps = append(document.Steps, step{time.Date(2026, 2, 2, 9, i%60, 0, 0, time.UTC), []string{"Ines Falkenberg"},
			fmt.Sprintf("Brushed on, pass %d; the surface stayed matt under the lamp.", i), 20, "acrylic-adhesive"})
	}
	head, id := Head{Origin: make(Hash, 32), Hash: make(Hash, 32)}, domain.NewID()
	b.ReportAllocs()
	for b.Loop() {
		text, err := Canonical(document)
		if err != nil {
			b.Fatal(err)
		}
		s := Seal{ID: id, Kind: "treatment", SubjectID: id, At: document.Steps[0].At, ActorID: id, Document: string(text)}
		if err := s.chained(head); err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(len(text)))
	}
}
