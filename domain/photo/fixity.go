package photo

import (
	"context"
	"time"

	"farthingale/domain"
)

// FixityDays is how old the last check of a kept file may become.
// Common practice: all files within 90 days.
const FixityDays = 90

// Finding is what a check of a kept file found.
type Finding string

// The findings.
const (
	Sound   Finding = "sound"
	Changed Finding = "changed" // its bytes no longer have the hash that is its name
	Missing Finding = "missing"
)

// Fixity is one check of one kept file.
type Fixity struct {
	SHA256 string    `json:"sha256"`
	Found  Finding   `json:"found"`
	At     time.Time `json:"at"`
}

// News is the event of rule F1 for a photograph whose original is no longer what it was, or is again.
func (f Fixity) News(photoID, objectID domain.ID) domain.Event {
	kind := "fixity_mismatch"
	if f.Found == Sound {
		kind = "fixity_restored"
	}
	return domain.Event{At: f.At, Area: "photo", Subject: photoID, Object: &objectID, Kind: kind, Change: f}
}

// Says is the finding as a sentence for those who look after an object.
func (f Fixity) Says(number string) string {
	switch f.Found {
	case Changed:
		return "The original of a photograph of " + number + " has changed since it was kept (rule F1). The changed file is set aside for inspection. Upload the right one again from a copy."
	case Missing:
		return "The original of a photograph of " + number + " is missing (rule F1). Upload it again from a copy."
	}
	return "The original of a photograph of " + number + " is sound again."
}

// Tally is what a round of checks came to.
type Tally struct{ Checked, Changed, Missing int }

// checksPerAsking is how many files are asked for at once.
const checksPerAsking = 50

// CheckFixity checks kept files that are due, the longest unchecked first, until none is due or
// until stops (rule F1). It is a job: what is left over is for the next round. A mismatch is an
// event on every photograph whose original it is; a made picture is made anew.
func (s *Service) CheckFixity(ctx context.Context, until time.Time) (Tally, error) {
	var t Tally
	before := s.now().Add(-FixityDays * 24 * time.Hour)
	for {
		due, err := s.files.Due(ctx, before, checksPerAsking)
		if err != nil || len(due) == 0 {
			return t, err
		}
		for _, sha := range due {
			if !s.now().Before(until) {
				return t, nil
			}
			found, err := s.files.Check(ctx, sha)
			if err == nil && found == Changed {
				err = s.files.SetAside(ctx, sha)
			}
			if err != nil {
				return t, err
			}
			if err := s.store.Found(ctx, Fixity{SHA256: sha, Found: found, At: s.now()}); err != nil {
				return t, err
			}
			t.count(found)
		}
	}
}

// Verify checks every kept file against its hash and changes nothing (R1). It gives what it came to
// and the name of the first file that is not sound.
func (s *Service) Verify(ctx context.Context) (t Tally, first string, err error) {
	for after := ""; ; {
		names, err := s.files.All(ctx, after, checksPerAsking)
		if err != nil || len(names) == 0 {
			return t, first, err
		}
		for _, sha := range names {
			found, err := s.files.Check(ctx, sha)
			if err != nil {
				return t, first, err
			}
			t.count(found)
			if found != Sound && first == "" {
				first = sha
			}
		}
		after = names[len(names)-1]
	}
}

func (t *Tally) count(found Finding) {
	t.Checked++
	switch found {
	case Changed:
		t.Changed++
	case Missing:
		t.Missing++
	}
}

// orphanAge is how long a kept file may belong to no record: an upload is over long before.
const orphanAge = 24 * time.Hour

// Sweep takes away files that no record needs (a killed upload leaves them), and asks again for
// pictures that are overdue. It is a job.
func (s *Service) Sweep(ctx context.Context) (swept int, err error) {
	before := s.now().Add(-orphanAge)
	if swept, err = s.files.Sweep(ctx, before); err != nil {
		return swept, err
	}
	overdue, err := s.store.Overdue(ctx, before)
	if err != nil {
		return swept, err
	}
	for _, id := range overdue {
		if err := s.store.Again(ctx, id); err != nil {
			return swept, err
		}
	}
	return swept, nil
}
