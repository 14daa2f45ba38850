// Package record keeps what happened: events of every change, and the chain of sealed documents
// (rules R1, R2). Areas seal through Service.Seal inside the act that signs; Verify recomputes the
// chain and compares each sealed document with the records it was made from.
package record

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"farthingale/domain"
)

// Read is the act of looking at events and seals.
var Read = domain.Act{Area: "record", Name: "read the record of events", Roles: domain.Readers}

// Store keeps events and seals.
type Store interface {
	// Append chains a seal: seal is called with the head under lock, and its result is kept.
	Append(ctx context.Context, seal func(head Head) (Seal, error)) (Seal, error)
	Head(ctx context.Context) (Head, error)
	// Seals are the seals after the given number in order, documents included, at most limit.
	Seals(ctx context.Context, after int64, limit int) ([]Seal, error)
	Of(ctx context.Context, subjectID domain.ID) ([]Seal, error)
	Event(ctx context.Context, e domain.Event) error
	Events(ctx context.Context, filter Filter, q domain.PageQuery) (domain.Page[EventLine], error)
}

// Filter narrows a list of events; zero values do not narrow.
type Filter struct {
	ObjectID  *domain.ID `json:"object_id,omitempty"`
	SubjectID *domain.ID `json:"subject_id,omitempty"`
	ActorID   *domain.ID `json:"actor_id,omitempty"`
	Area      string     `json:"area,omitempty"`
	Kind      string     `json:"kind,omitempty"`
}

// EventLine is an event as a list shows it.
type EventLine struct {
	ID           int64      `json:"id"`
	At           time.Time  `json:"at"`
	ActorID      *domain.ID `json:"actor_id,omitempty"`
	ActorName    string     `json:"actor_name"`
	Area         string     `json:"area"`
	SubjectID    domain.ID  `json:"subject_id"`
	ObjectID     *domain.ID `json:"object_id,omitempty"`
	ObjectNumber string     `json:"object_number,omitempty"`
	Kind         string     `json:"kind"`
}

// Source gives back, from the records themselves, the document that was sealed. It must yield the
// same value as on the day of sealing for as long as nobody tampers.
type Source func(ctx context.Context, subjectID domain.ID) (document any, err error)

// Service keeps the record. Sources names a Source for each kind of seal.
type Service struct {
	store   Store
	sources map[string]Source
	now     func() time.Time
}

// NewService makes the service; now is the clock.
func NewService(store Store, now func() time.Time) *Service {
	return &Service{store: store, sources: map[string]Source{}, now: now}
}

// Register names where the documents of a kind of seal come from. It is called while wiring.
func (s *Service) Register(kind string, source Source) { s.sources[kind] = source }

// Seal seals the document of a signed record, in the caller's transaction. Each subject is sealed
// once for each kind.
func (s *Service) Seal(ctx context.Context, actorID domain.ID, kind string, subjectID domain.ID, objectID *domain.ID, document any, at time.Time) (Seal, error) {
	text, err := Canonical(document)
	if err != nil {
		return Seal{}, fmt.Errorf("seal %s %s: %w", kind, subjectID, err)
	}
	return s.store.Append(ctx, func(head Head) (Seal, error) {
		seal := Seal{
			ID: domain.NewID(), Kind: kind, SubjectID: subjectID, ObjectID: objectID,
			At: at, ActorID: actorID, Document: string(text),
		}
		err := seal.chained(head)
		return seal, err
	})
}

// Head is the end of the chain.
func (s *Service) Head(ctx context.Context) (Head, error) { return s.store.Head(ctx) }

// Of lists the seals of a record, first to last.
func (s *Service) Of(ctx context.Context, subjectID domain.ID) ([]Seal, error) {
	return s.store.Of(ctx, subjectID)
}

// Events lists events, the newest first.
func (s *Service) Events(ctx context.Context, actor domain.Actor, f Filter, q domain.PageQuery) (domain.Page[EventLine], error) {
	if err := actor.May(Read); err != nil {
		return domain.Page[EventLine]{}, err
	}
	return s.store.Events(ctx, f, q)
}

// Refused records that an act was refused to a person (rule P2). path says what was tried.
func (s *Service) Refused(ctx context.Context, actor domain.Actor, method, path string, refusal *domain.Error) error {
	return s.store.Event(ctx, domain.Event{
		At: s.now(), ActorID: &actor.ID, Area: "record", Subject: actor.ID, Kind: "refused",
		Change: map[string]string{"method": method, "path": path, "rule": refusal.Code, "said": refusal.Message},
	})
}

// Report is what a verification found.
type Report struct {
	Head  Head   `json:"head"`
	Clean bool   `json:"clean"`
	First string `json:"first_fault,omitempty"` // names the first thing that does not fit
}

// Verify recomputes the whole chain and compares every sealed document with the records it was made
// from. It names the first thing that does not fit. against, when given, is a head printed earlier:
// the chain must still contain it. The error is for faults of the database, not for findings.
func (s *Service) Verify(ctx context.Context, against *Head) (Report, error) {
	head, err := s.store.Head(ctx)
	if err != nil {
		return Report{}, err
	}
	report := Report{Head: head}
	if against != nil && !bytes.Equal(against.Origin, head.Origin) {
		report.First = "The printed head is of another chain: its origin is " + against.Origin.Short() + ", here it is " + head.Origin.Short() + "."
		return report, nil
	}
	previous, number := head.Origin, int64(0)
	met := against == nil || against.Count == 0
	for {
		seals, err := s.store.Seals(ctx, number, 200)
		if err != nil {
			return Report{}, err
		}
		for _, seal := range seals {
			fault, err := s.fault(ctx, seal, previous, number+1)
			if err != nil {
				return Report{}, err
			}
			if fault != "" {
				report.First = fault
				return report, nil
			}
			previous, number = seal.Hash, seal.Number
			if against != nil && number == against.Count {
				if !bytes.Equal(seal.Hash, against.Hash) {
					report.First = fmt.Sprintf("Seal %d is not the one that was printed.", number)
					return report, nil
				}
				met = true
			}
		}
		if len(seals) == 0 {
			break
		}
	}
	switch {
	case number != head.Count:
		report.First = fmt.Sprintf("The chain ends at seal %d of %d.", number, head.Count)
	case !met:
		report.First = fmt.Sprintf("The chain is shorter than the printed head: %d seals, %d were printed.", number, against.Count)
	default:
		report.Clean = true
	}
	return report, nil
}

// fault says in a sentence what does not fit about a seal, or nothing.
func (s *Service) fault(ctx context.Context, seal Seal, previous Hash, number int64) (string, error) {
	name := fmt.Sprintf("seal %d (%s %s)", seal.Number, seal.Kind, seal.SubjectID)
	if seal.Number != number {
		return fmt.Sprintf("Seal %d is missing; the next one kept is %s.", number, name), nil
	}
	if !bytes.Equal(seal.Previous, previous) {
		return "The chain is broken before " + name + ".", nil
	}
	sum := sha256.Sum256([]byte(seal.Document))
	if !bytes.Equal(sum[:], seal.SHA256) {
		return "The document of " + name + " was changed.", nil
	}
	hash, err := seal.computed()
	if err != nil {
		return "", err
	}
	if !bytes.Equal(hash, seal.Hash) {
		return "The facts of " + name + " were changed.", nil
	}
	source, ok := s.sources[seal.Kind]
	if !ok {
		return "No records are known behind " + name + ".", nil
	}
	document, err := source(ctx, seal.SubjectID)
	if domain.KindOf(err) == domain.KindNotFound {
		return "The records behind " + name + " are gone.", nil
	}
	if err != nil {
		return "", fmt.Errorf("read what %s sealed: %w", name, err)
	}
	text, err := Canonical(document)
	if err != nil {
		return "", err
	}
	if string(text) != seal.Document {
		return "The records behind " + name + " are no longer what was sealed.", nil
	}
	return "", nil
}
