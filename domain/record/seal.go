package record

import (
	"crypto/sha256"
	"encoding/hex"
	"time"

	"farthingale/domain"
)

// Seal is a signed document in canonical JSON with its SHA-256, chained to the seal before it
// (rule R1).
type Seal struct {
	Number    int64      `json:"number"` // 1, 2, 3 … without a gap
	ID        domain.ID  `json:"id"`
	Kind      string     `json:"kind"` // "treatment_decision"
	SubjectID domain.ID  `json:"subject_id"`
	ObjectID  *domain.ID `json:"object_id,omitempty"`
	At        time.Time  `json:"at"`
	ActorID   domain.ID  `json:"actor_id"`
	Document  string     `json:"-"` // canonical JSON
	SHA256    Hash       `json:"document_sha256" db:"document_sha256"`
	Previous  Hash       `json:"previous"`
	Hash      Hash       `json:"hash"`
}

// Hash is a SHA-256, shown as 64 lower-case hexadecimal digits.
type Hash []byte

func (h Hash) String() string               { return hex.EncodeToString(h) }
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// Short is the first 12 digits, enough to compare two prints by eye.
func (h Hash) Short() string { return h.String()[:min(12, 2*len(h))] }

// Head is the end of the chain. It is printed on what leaves the house, so that the chain can be
// checked later against a copy that nobody here could change (rule R2).
type Head struct {
	Origin Hash  `json:"origin"`
	Count  int64 `json:"count"`
	Hash   Hash  `json:"hash"` // of the last seal; the origin when there is none
}

// chained fills the hashes of a seal that follows head.
func (s *Seal) chained(head Head) error {
	sum := sha256.Sum256([]byte(s.Document))
	s.Number, s.Previous, s.SHA256 = head.Count+1, head.Hash, sum[:]
	// Postgres keeps microseconds; the hash must cover what is kept.
	s.At = s.At.UTC().Truncate(time.Microsecond)
	hash, err := s.computed()
	s.Hash = hash
	return err
}

// computed is the hash over the seal's own facts, its document's hash and the seal before.
func (s Seal) computed() (Hash, error) {
	text, err := Canonical(struct {
		Number    int64      `json:"number"`
		ID        domain.ID  `json:"id"`
		Kind      string     `json:"kind"`
		SubjectID domain.ID  `json:"subject_id"`
		ObjectID  *domain.ID `json:"object_id"`
		At        string     `json:"at"`
		ActorID   domain.ID  `json:"actor_id"`
		SHA256    Hash       `json:"document_sha256"`
		Previous  Hash       `json:"previous"`
	}{s.Number, s.ID, s.Kind, s.SubjectID, s.ObjectID, s.At.UTC().Format(time.RFC3339Nano), s.ActorID, s.SHA256, s.Previous})
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	return sum[:], nil
}
