package serve

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/incident"
	"farthingale/domain/loan"
	"farthingale/domain/material"
	"farthingale/domain/movement"
	"farthingale/postgres"
)

// lending opens loans on the areas that they need.
func (h *House) lending(db *postgres.DB, s Settings, usual []material.Caution) {
	store := postgres.NewLoans(db)
	h.Loan = loan.NewService(store, loan.Neighbours{
		Stops: h.Handling, Emergencies: store, Away: h.Movement, Moves: carriage{h.Movement}, Notices: h.Agenda, Seals: h.Record, Examinations: examinations{store, h}, Incidents: incidents{h.Incident},
	}, usual, db, s.Site, s.Now)
	for kind := range loan.Kinds {
		h.Record.Register(kind, h.Loan.Sealed(kind))
	}
	h.Jobs.Add(postgres.Task{Name: "loan.remind", Every: time.Hour, Run: func(ctx context.Context, _ domain.ID) error { return h.Loan.Remind(ctx) }})
	h.faces = faces{store, postgres.NewFiles(db, h.Bucket)}
}

// examinations tells loans what was examined for them.
type examinations struct {
	*postgres.Loans
	house *House // its examinations are opened later
}

// Compare fills in each what is new or worse since the examination before it (E2).
func (x examinations) Compare(ctx context.Context, by domain.Actor, all []*loan.Examined) error {
	ids := make([]domain.ID, len(all))
	for i, e := range all {
		ids[i] = e.ID
	}
	compared, err := x.house.Examination.CompareEach(ctx, by, ids)
	if err != nil {
		return err
	}
	for _, e := range all {
		c := compared[e.ID]
		if c == nil {
			continue // there is none before it
		}
		e.BeforeID = &c.Before.ID
		var said []string
		for _, change := range c.Changes {
			if change.Outcome == examination.Worse || change.Outcome == examination.Appeared {
				said = append(said, change.Says())
			}
		}
		if len(said) > 0 {
			e.Worse = strings.Join(said, "; ") + "."
		}
	}
	return nil
}

// incidents opens what a hand-over of a loan found new or worse.
type incidents struct{ service *incident.Service }

func (x incidents) Open(ctx context.Context, by domain.Actor, l *loan.Loan, h *loan.HandOver, found []loan.LineCondition) error {
	var all []incident.Opening
	for _, c := range found {
		line := l.Line(c.LineID)
		if line == nil || c.BeforeID == nil || c.ExaminationID == nil {
			return fmt.Errorf("open an incident of line %s of loan %s: it lacks a line or an examination", c.LineID, l.Reference)
		}
		all = append(all, incident.Opening{Department: line.Department, LoanReference: l.Reference, Facts: incident.Facts{ObjectID: line.ObjectID, LoanID: l.ID, LineID: line.ID,
			HandOverID: h.ID, Stage: string(h.Stage), Called: c.Called, BeforeID: *c.BeforeID, ExaminationID: *c.ExaminationID, Found: c.Statement}})
	}
	return x.service.Open(ctx, by, all...)
}

// carriage moves what a loan carries.
type carriage struct{ service *movement.Service }

func (m carriage) Carry(ctx context.Context, by domain.Actor, items []loan.Item, placeID domain.ID, carrier, reason string, back loan.Day) error {
	by.TokenID = nil // a token that may act on loans brings their moves about
	var objects []domain.ID
	for _, i := range items {
		objects = append(objects, i.ObjectID)
	}
	where, away, err := m.service.Present(ctx, by, objects...)
	if err != nil {
		return err
	}
	r := movement.Relocation{ToPlaceID: placeID, Carrier: carrier, Reason: reason}
	if at, err := time.Parse(time.DateOnly, string(back)); err == nil {
		r.ExpectedReturn = &at
	}
	for _, i := range items {
		r.FromPlacementID = nil
		if i.ComponentID == nil {
			if p, ok := where[i.ObjectID]; ok {
				r.FromPlacementID = &p.ID
			}
			_, err = m.service.Move(ctx, by, i.ObjectID, r)
		} else {
			for _, p := range away[i.ObjectID] {
				if p.ComponentID != nil && *p.ComponentID == *i.ComponentID {
					r.FromPlacementID = &p.ID
				}
			}
			_, err = m.service.MovePart(ctx, by, *i.ComponentID, r)
		}
		if err != nil {
			return pointed(err)
		}
	}
	return nil
}

// pointed points the faults of a move to where a hand-over holds them.
func pointed(err error) error {
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) == 0 {
		return err
	}
	copied := *e
	copied.Fields = append([]domain.Field{}, e.Fields...)
	for i, f := range copied.Fields {
		if f.Pointer == "/to_place_id" {
			copied.Fields[i].Pointer = "/place_id"
		}
	}
	return &copied
}

// faces are the small pictures of photographs, for papers.
type faces struct {
	store *postgres.Loans
	files *postgres.Files
}

// faceMost is the most bytes of a small picture that a paper takes in.
const faceMost = 1 << 20

func (f faces) Faces(ctx context.Context, photoIDs []domain.ID) (map[domain.ID][]byte, error) {
	kept, err := f.store.Thumbnails(ctx, photoIDs)
	if err != nil {
		return nil, err
	}
	all := map[domain.ID][]byte{}
	for id, sha256 := range kept {
		picture, err := f.one(ctx, sha256)
		if err != nil {
			return nil, err
		}
		all[id] = picture
	}
	return all, nil
}

func (f faces) one(ctx context.Context, sha256 string) ([]byte, error) {
	file, err := f.files.Open(ctx, sha256)
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(io.LimitReader(file, faceMost))
	return b, errors.Join(err, file.Close())
}
