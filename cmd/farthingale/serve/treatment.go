package serve

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/treatment"
	"farthingale/postgres"
)

// workshop opens treatment on the areas that it needs.
func (h *House) workshop(db *postgres.DB, s Settings) error {
	store := postgres.NewTreatments(db)
	h.Treatment = treatment.NewService(store, treatment.Neighbours{
		Atomic: db, Sheets: h.Collection, Curators: h.People, Photos: store, Examinations: store, Stops: h.Handling, Handlings: handlings{h.Handling},
		Fragments: fragments{h.Collection}, Notices: h.Agenda, Seals: h.Record,
	}, s.Site, s.Now)
	for _, kind := range treatment.SealKinds {
		h.Record.Register(kind, func(ctx context.Context, subject domain.ID) (any, error) {
			return h.Treatment.Document(ctx, kind, subject)
		})
	}
	h.Jobs.Add(postgres.Task{Name: "treatment.lapse", Every: time.Hour, Run: func(ctx context.Context, _ domain.ID) error {
		n, err := h.Treatment.LapseDue(ctx)
		if n > 0 {
			s.Log.InfoContext(ctx, "approvals lapsed", "treatments", n)
		}
		return err
	}})
	return nil
}

// with gives a person, for an act that another act brings about, the role that the second act asks
// for. Whoever may log a treatment causes its handling event and its fragments, whatever else they or
// their token may do.
func with(by domain.Actor, role domain.Role) domain.Actor {
	by.Roles = append(slices.Clone(by.Roles), role)
	by.TokenID = nil
	return by
}

// handlings makes the handling event of a work.
type handlings struct{ service *handling.Service }

func (h handlings) FromTreatment(ctx context.Context, by domain.Actor, n treatment.HandlingNote) error {
	log := handling.Log{StartedAt: &n.At, Minutes: n.Minutes, Purpose: "treatment", ComponentIDs: n.Components, Gloves: n.Gloves,
		Noticed: n.Noticed, Controls: n.Controls, Note: n.Note}
	for _, hand := range n.Hands {
		log.HandlerIDs = append(log.HandlerIDs, hand.ID)
	}
	_, _, err := h.service.Log(ctx, with(by, domain.Technician), n.ObjectID, log)
	return err
}

// fragments makes a component of a part that came away.
type fragments struct{ service *collection.Service }

func (f fragments) Fragment(ctx context.Context, by domain.Actor, n treatment.FragmentNote) (treatment.Part, error) {
	sheet, err := f.service.Sheet(ctx, n.ObjectID)
	if err != nil {
		return treatment.Part{}, err
	}
	c, err := f.service.AddComponent(ctx, with(by, domain.Conservator), n.ObjectID, collection.NewComponent{
		Label: freeLabel(sheet), Attribution: collection.UnknownAttribution, Evidence: n.Evidence,
		ComponentFacts: collection.ComponentFacts{Name: n.Name, Side: "none", Function: collection.Fragment, Count: 1, Removal: collection.Freely, CameFromID: &n.FromID},
	})
	if err != nil {
		return treatment.Part{}, err
	}
	return treatment.Part{ID: c.ID, Called: sheet.Object.Number + "." + c.Label + " " + c.Name}, nil
}

// freeLabel is the next of f1, f2, f3 … that no component of the object has.
func freeLabel(sheet *collection.Sheet) string {
	for n := 1; ; n++ {
		label := fmt.Sprintf("f%d", n)
		if !slices.ContainsFunc(sheet.Components, func(c collection.Component) bool { return strings.EqualFold(c.Label, label) }) {
			return label
		}
	}
}
