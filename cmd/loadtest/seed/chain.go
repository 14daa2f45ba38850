package seed

import (
	"context"
	"fmt"
	"time"

	"farthingale/domain"
	"farthingale/domain/record"
)

// signed is a document that is to be sealed.
type signed struct {
	by       domain.ID
	kind     string
	subject  domain.ID
	object   domain.ID
	document any
	at       time.Time
}

// chain chains seals in memory by the rules of the record; they are written batch by batch. The chain's
// order is that of the objects.
type chain struct {
	record.Store // what it does not do is not asked for
	service      *record.Service
	head         record.Head
	made         []record.Seal
}

func newChain(head record.Head, now time.Time) *chain {
	c := &chain{head: head}
	c.service = record.NewService(c, func() time.Time { return now })
	return c
}

// Append implements record.Store.
func (c *chain) Append(_ context.Context, seal func(record.Head) (record.Seal, error)) (record.Seal, error) {
	s, err := seal(c.head)
	if err != nil {
		return s, err
	}
	c.head.Count, c.head.Hash = s.Number, s.Hash
	c.made = append(c.made, s)
	return s, nil
}

// seal chains the documents of a batch and gives their seals.
func (c *chain) seal(ctx context.Context, documents []signed) ([]record.Seal, error) {
	c.made = nil
	for _, d := range documents {
		object := d.object
		if _, err := c.service.Seal(ctx, d.by, d.kind, d.subject, &object, d.document, d.at); err != nil {
			return nil, fmt.Errorf("seal %s %s: %w", d.kind, d.subject, err)
		}
	}
	return c.made, nil
}
