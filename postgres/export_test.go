package postgres

import (
	"context"
	"time"

	"farthingale/domain/collection"
	"farthingale/domain/people"
)

// Worded lists the constraints that have words for a person.
func Worded() map[string]bool {
	names := map[string]bool{}
	for name, e := range said {
		names[name] = e.Message != ""
	}
	return names
}

// LoadLibrary is loadLibrary for tests.
var LoadLibrary = loadLibrary

// RefreshWords is refreshWords for tests.
var RefreshWords = refreshWords

// FoundBy lists what a search finds that takes a material and a hazard to be common or not.
func (s *Collection) FoundBy(ctx context.Context, q collection.Query, commonMaterial, commonHazard bool) ([]string, error) {
	q.Sort = "number"
	wanted := wantedProperties(q)
	common := make([]bool, len(wanted))
	for i, p := range wanted {
		common[i] = p == ofMaterial && commonMaterial || (p == ofHazard || p == ofAnyHazard) && commonHazard
	}
	search := newSearch(q, 50, conditions(wanted, common))
	lines, err := s.lines(ctx, search.sql(), search.args)
	var numbers []string
	for _, l := range lines {
		numbers = append(numbers, l.Number)
	}
	return numbers, err
}

// Hears says whether the store hears of changes of tokens and their bearers.
func (s *People) Hears() bool {
	s.bearers.mu.Lock()
	defer s.bearers.mu.Unlock()
	return s.bearers.hears
}

// Lasts sets how long a bearer is remembered.
func (s *People) Lasts(d time.Duration) { s.bearers.lasts = d }

// ReadLate remembers a bearer that was read before a change that this copy has heard of since.
func (s *People) ReadLate(secretSHA256 []byte, b people.Bearer) {
	_, when, _ := s.bearers.of(secretSHA256)
	s.bearers.forget()
	s.bearers.remember(secretSHA256, b, time.Now(), when)
}
