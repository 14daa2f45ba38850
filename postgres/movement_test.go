package postgres_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"farthingale/domain"
	"farthingale/domain/handling"
	"farthingale/domain/movement"
	"farthingale/postgres"
)

// housed is a dressed house with places: site H, building HB with rooms R1 (shelves S1, S2) and R2
// (sensitive, shelf S3), building HA with room R3, and an outside site B with a room.
type housed struct {
	*dressed
	move   *movement.Service
	places map[string]*movement.Place
}

func newHoused(t *testing.T) *housed {
	t.Helper()
	h := &housed{dressed: newDressed(t), places: map[string]*movement.Place{}}
	h.move = movement.NewService(postgres.NewMovement(h.db), sheets{h.sheet}, h.service, h.notices, h.db, time.UTC, func() time.Time { return h.now })
	for _, p := range []struct {
		code, kind, in     string
		sensitive, outside bool
	}{{"H", "site", "", false, false}, {"HB", "building", "H", false, false}, {"R1", "room", "HB", false, false}, {"S1", "shelf", "R1", false, false}, {"S2", "shelf", "R1", false, false},
		{"R2", "room", "HB", true, false}, {"S3", "shelf", "R2", false, false}, {"HA", "building", "H", false, false}, {"R3", "room", "HA", false, false},
		{"B", "site", "", false, true}, {"BR", "room", "B", false, false}, {"C1", "crate", "S1", false, false}} {
		n := movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: p.kind, Name: "Place " + p.code, Code: p.code, Sensitive: p.sensitive, Outside: p.outside}}
		if p.in != "" {
			n.ParentID = &h.places[p.in].ID
		}
		made, err := h.move.AddPlace(t.Context(), h.people["Rune"], n)
		if err != nil {
			t.Fatalf("%s: %v", p.code, err)
		}
		h.places[p.code] = made
	}
	return h
}

// put moves the whole to a place and lets an hour pass.
func (h *housed) put(code string) *movement.Placement {
	h.t.Helper()
	moved, err := h.try("Rune", code)
	if err != nil {
		h.t.Fatalf("put to %s: %v", code, err)
	}
	h.now = h.now.Add(time.Hour)
	return moved
}

func (h *housed) try(who, code string) (*movement.Placement, error) {
	h.t.Helper()
	ctx := context.Background()
	where, err := h.move.Where(ctx, h.people["Rune"], h.sheet.Object.ID)
	if err != nil {
		h.t.Fatal(err)
	}
	m := movement.Relocation{ToPlaceID: h.places[code].ID, Reason: "for the test"}
	if p, ok := where[h.sheet.Object.ID]; ok {
		m.FromPlacementID = &p.ID
	}
	moved, err := h.move.Move(ctx, h.people[who], h.sheet.Object.ID, m)
	if err != nil {
		return nil, err
	}
	return moved.Placement, nil
}

// V1, V5: two moves of one object at the same moment, 200 times: exactly one succeeds, the other is
// told who moved it where, and the history has neither overlap nor gap.
func TestV5TwoAtOnce(t *testing.T) {
	t.Parallel()
	h := newHoused(t)
	h.put("S1")
	ctx := t.Context()
	object := h.sheet.Object.ID
	for round := range 200 {
		where, err := h.move.Where(ctx, h.people["Mara"], object)
		if err != nil {
			t.Fatal(err)
		}
		seen := where[object].ID
		targets := []string{"S2", "R1"}
		if round%2 == 1 {
			targets = []string{"S1", "C1"}
		}
		errs := make([]error, 2)
		var wg sync.WaitGroup
		start := make(chan struct{})
		for i, code := range targets {
			wg.Go(func() {
				<-start
				_, errs[i] = h.move.Move(ctx, h.people[[]string{"Mara", "Per"}[i]], object, movement.Relocation{FromPlacementID: &seen, ToPlaceID: h.places[code].ID, Reason: "race",
					Hands: &movement.Hands{}})
			})
		}
		close(start)
		wg.Wait()
		won := 0
		for i, err := range errs {
			switch {
			case err == nil:
				won++
			case code(err) != "V5" || !strings.Contains(err.Error(), "moved it to Place H › Place HB › Place R1"):
				t.Errorf("round %d, %s: %v", round, targets[i], err)
			}
		}
		if won != 1 {
			t.Fatalf("round %d: %d moves succeeded: %v", round, won, errs)
		}
		h.now = h.now.Add(time.Minute)
	}
	var rows, overlaps, gaps, handlings int
	err := h.data.Pool.QueryRow(ctx, `
		with p as (select id, during, lead(lower(during)) over (order by lower(during)) as next from placement where object_id = $1 and component_id is null)
		select count(*), count(*) filter (where exists (select from p q where q.id <> p.id and q.during && p.during)),
			count(*) filter (where upper(during) is distinct from next), (select count(*) from placement_handling)
		from p`, object).Scan(&rows, &overlaps, &gaps, &handlings)
	if err != nil || rows != 201 || overlaps != 0 || gaps != 0 || handlings != 200 {
		t.Errorf("%d rows, %d overlaps, %d gaps, %d handlings, %v", rows, overlaps, gaps, handlings, err)
	}
}

// V1 in the database itself: no overlap, no gap, no rewriting, whatever a program tries.
func TestV1InTheDatabase(t *testing.T) {
	t.Parallel()
	h := newHoused(t)
	first := h.put("S1")
	h.put("S2")
	ctx := t.Context()
	mara := h.people["Mara"].ID
	insert := `insert into placement (id, object_id, state, place_id, during, reason, authorised_by, recorded_by, recorded_at) values (gen_random_uuid(), $1, 'in_place', $2, `
	for name, test := range map[string]struct {
		sql  string
		args []any
		want string
	}{
		"overlap":            {insert + `tstzrange('2020-01-01', null), 'x', $3, $3, now())`, []any{h.sheet.Object.ID, h.places["S1"].ID, mara}, "placement_no_overlap"},
		"a gap before":       {insert + `tstzrange('2020-01-01', '2021-01-01'), 'x', $3, $3, now())`, []any{h.sheet.Object.ID, h.places["S1"].ID, mara}, "placement_no_gap"},
		"end without a next": {`update placement set during = tstzrange(lower(during), now() + interval '1 year') where upper_inf(during)`, nil, "placement_no_gap"},
		"longer":             {`update placement set during = tstzrange(lower(during), null) where id = $1`, []any{first.ID}, "placement_only_ends"},
		"another place":      {`update placement set place_id = $1 where upper_inf(during)`, []any{h.places["R3"].ID}, "placement_only_ends"},
		"deleted":            {`delete from placement`, nil, "placement_never_deleted"},
		"two states":         {`insert into placement (id, object_id, state, place_id, to_place_id, carrier, during, reason, authorised_by, recorded_by, recorded_at) values (gen_random_uuid(), $1, 'in_place', $2, $2, 'c', tstzrange('2020-01-01', null), 'x', $3, $3, now())`, []any{h.sheet.Object.ID, h.places["S1"].ID, mara}, "placement_in_one_place"},
		"whole with itself":  {`insert into placement (id, object_id, state, during, reason, authorised_by, recorded_by, recorded_at) values (gen_random_uuid(), $1, 'with_whole', tstzrange('2020-01-01', null), 'x', $2, $2, now())`, []any{h.sheet.Object.ID, mara}, "placement_in_one_place"},
		"of the future":      {`insert into placement (id, object_id, component_id, state, place_id, during, reason, authorised_by, recorded_by, recorded_at) values (gen_random_uuid(), $1, $2, 'in_place', $3, tstzrange('2999-01-01', null), 'x', $4, $4, now())`, []any{h.sheet.Object.ID, h.parts["1a"], h.places["S1"].ID, mara}, "placement_not_before_done"},
		"a circle":           {`update place set parent_id = $1 where id = $2`, []any{h.places["S1"].ID, h.places["R1"].ID}, "place_order"},
		"a crate in itself":  {`update place set parent_id = id where id = $1`, []any{h.places["C1"].ID}, "place_no_cycle"},
		"moved in silence":   {`update place set parent_id = $1 where id = $2`, []any{h.places["S2"].ID, h.places["C1"].ID}, "place_parent_no_gap"},
	} {
		_, err := h.data.OwnerPool().Exec(ctx, test.sql, test.args...)
		if constraint(err) != test.want {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// constraint is the name of the constraint that the database refused by.
func constraint(err error) string {
	var e *pgconn.PgError
	if errors.As(err, &e) {
		return e.ConstraintName
	}
	return ""
}

// H1, H2, H3: a move with a noise raises a stop in the same act; then nothing that holds the thing is
// moved, until it is released; evacuation is recorded and told of.
func TestH3Moves(t *testing.T) {
	t.Parallel()
	h := newHoused(t)
	ctx := t.Context()
	object := h.sheet.Object.ID
	here := h.put("C1")
	moved, err := h.move.Move(ctx, h.people["Mara"], object, movement.Relocation{FromPlacementID: &here.ID, ToPlaceID: h.places["S1"].ID, Reason: "to look at",
		MoverIDs: []domain.ID{h.people["Tove"].ID, h.people["Mara"].ID}, Hands: &movement.Hands{Noticed: []string{"noise"}, From: "in_crate", To: "lying_face_up"}})
	if err != nil {
		t.Fatal(err)
	}
	if moved.Stop == nil || moved.Placement.HandlingID == nil || moved.Placement.Movers[0].Name != "Tove" || moved.Placement.Place.Path != "Place H › Place HB › Place R1 › Place S1" {
		t.Fatalf("%+v", moved)
	}
	e, err := h.service.One(ctx, h.people["Mara"], *moved.Placement.HandlingID)
	if err != nil || e.Purpose != "move" || e.Handlers[0].Name != "Tove" || *e.StopID != moved.Stop.ID {
		t.Errorf("%+v %v", e, err)
	}
	h.now = h.now.Add(time.Hour)
	if _, err := h.try("Rune", "S2"); code(err) != "H3" {
		t.Errorf("the registrar under a stop: %v", err)
	}
	if _, err := h.move.Detach(ctx, h.people["Mara"], h.parts["2"], movement.Relocation{ToPlaceID: h.places["S2"].ID, Reason: "r"}); code(err) != "H3" {
		t.Errorf("a part of it: %v", err)
	}
	if _, err := h.data.OwnerPool().Exec(ctx, `insert into placement (id, object_id, component_id, state, place_id, during, reason, authorised_by, recorded_by, recorded_at)
		values (gen_random_uuid(), $1, $2, 'in_place', $3, tstzrange(now(), null), 'x', $4, $4, now())`, object, h.parts["2"], h.places["S1"].ID, h.people["Mara"].ID); constraint(err) != "placement_stopped" {
		t.Errorf("behind the program's back: %v", err)
	}
	before := len(h.notices.all)
	out, err := h.move.Move(ctx, h.people["Tove"], object, movement.Relocation{ToPlaceID: h.places["R3"].ID, Reason: "water from above", Evacuation: "flood", Hands: &movement.Hands{}})
	if err != nil || out.Placement.Evacuation != "flood" {
		t.Fatalf("evacuation: %v", err)
	}
	if len(h.notices.all) != before+2 { // of the handling under a stop, of the evacuation
		t.Errorf("notices: %+v", h.notices.all[before:])
	}
	h.now = h.now.Add(time.Hour)
	if _, err := h.service.Release(ctx, h.people["Per"], moved.Stop.ID, handling.NewRelease{Reason: "seen", Found: "a loose rivet", Limits: "two people"}); err != nil {
		t.Fatal(err)
	}
	if _, err := h.try("Rune", "S2"); err != nil {
		t.Errorf("released: %v", err)
	}
	// A refused handling refuses the move with it, and points to what was typed.
	where, _ := h.move.Where(ctx, h.people["Mara"], object)
	id := where[object].ID
	_, err = h.move.Move(ctx, h.people["Mara"], object, movement.Relocation{FromPlacementID: &id, ToPlaceID: h.places["S1"].ID, Reason: "r", Hands: &movement.Hands{Noticed: []string{"nothing", "noise"}}})
	if e, ok := err.(*domain.Error); !ok || e.Fields[0].Pointer != "/hands/noticed" {
		t.Errorf("%v", err)
	}
	if after, _ := h.move.Where(ctx, h.people["Mara"], object); after[object].ID != id {
		t.Error("half of a refused move was kept")
	}
}

// C1, C5, V2: a detached part has a place of its own, is told of as away from its whole, stays when
// the whole moves, and is where the whole is once it is joined again. Parts below it go with it.
//
// source: common practice (location history of a part lent apart from its whole).
func TestC5PartsAway(t *testing.T) {
	t.Parallel()
	h := newHoused(t)
	ctx := t.Context()
	object, mara := h.sheet.Object.ID, h.people["Mara"]
	h.put("S1")
	cuff := h.parts["1a"]
	begun := h.now
	off, err := h.move.Detach(ctx, mara, cuff, movement.Relocation{ToPlaceID: h.places["S2"].ID, Reason: "treatment"})
	if err != nil {
		t.Fatal(err)
	}
	if off.Placement.Item != "1968.14.2.1a cuff" || off.Placement.HandlingID == nil {
		t.Errorf("%+v", off.Placement)
	}
	if labels, err := h.move.PartsAway(ctx, object); err != nil || strings.Join(labels, " ") != ".1a" {
		t.Errorf("%v %v", labels, err)
	}
	h.now = h.now.Add(time.Hour)
	sent, err := h.move.MovePart(ctx, h.people["Rune"], cuff, movement.Relocation{FromPlacementID: &off.Placement.ID, ToPlaceID: h.places["BR"].ID, Carrier: "Havn Transport", Reason: "loan"})
	if err != nil || sent.Placement.State != movement.InTransit || sent.Placement.From.Code != "S2" || sent.Placement.To.Code != "BR" {
		t.Fatalf("%+v %v", sent, err)
	}
	h.put("R1") // the whole, an hour passes
	arrived, err := h.move.MovePart(ctx, h.people["Rune"], cuff, movement.Relocation{FromPlacementID: &sent.Placement.ID, ToPlaceID: h.places["BR"].ID, Reason: "arrived"})
	if err != nil {
		t.Fatal(err)
	}
	h.now = h.now.Add(time.Hour)
	if _, err := h.move.MovePart(ctx, mara, h.parts["1a1"], movement.Relocation{ToPlaceID: h.places["S1"].ID, Reason: "r"}); code(err) != "C1" {
		t.Errorf("the seal goes with the cuff: %v", err)
	}
	if _, err := h.move.Reattach(ctx, mara, cuff, movement.Reattachment{FromPlacementID: &arrived.Placement.ID, Reason: "back"}); code(err) != "V3" {
		t.Errorf("back into the house without the registrar: %v", err)
	}
	joined, err := h.move.Reattach(ctx, h.people["Rune"], cuff, movement.Reattachment{FromPlacementID: &arrived.Placement.ID, Reason: "back"})
	if err != nil || joined.Placement.State != movement.WithWhole {
		t.Fatalf("%+v %v", joined, err)
	}
	if labels, err := h.move.PartsAway(ctx, object); err != nil || len(labels) != 0 {
		t.Errorf("%v %v", labels, err)
	}
	for i, test := range []struct {
		after time.Duration // of the detachment
		want  string
	}{
		{0, "S1 S2"}, {90 * time.Minute, "R1→BR"}, {150 * time.Minute, "R1 BR"}, {1000 * time.Hour, "R1"},
	} {
		all, err := h.move.At(ctx, h.people["Rune"], object, begun.Add(test.after))
		if err != nil {
			t.Fatal(err)
		}
		if i == 1 && len(all) == 2 {
			if all[0].Place.Code+"→"+all[1].To.Code != test.want {
				t.Errorf("after %s: %+v", test.after, all)
			}
			continue
		}
		var codes []string
		for _, p := range all {
			codes = append(codes, p.Place.Code)
		}
		if strings.Join(codes, " ") != test.want {
			t.Errorf("after %s: %v, want %s", test.after, codes, test.want)
		}
	}
	page, err := h.move.PartHistory(ctx, h.people["Rune"], cuff, domain.PageQuery{Limit: 3})
	if err != nil || len(page.Items) != 3 || page.Next == "" || page.Items[0].State != movement.WithWhole || page.Items[2].State != movement.InTransit {
		t.Errorf("%+v %v", page, err)
	}
	h.exec(`update component set removal = 'never', removal_reason = 'glued' where id = $1`, h.parts["2"])
	if _, err := h.data.OwnerPool().Exec(ctx, `insert into placement (id, object_id, component_id, state, place_id, during, reason, authorised_by, recorded_by, recorded_at)
		values (gen_random_uuid(), $1, $2, 'in_place', $3, tstzrange(now(), null), 'x', $4, $4, now())`, object, h.parts["2"], h.places["S1"].ID, mara.ID); constraint(err) != "placement_never_taken_off" {
		t.Errorf("C2 behind the program's back: %v", err)
	}
}

// V2: moving a crate moves what is in it, and the past knows where the crate stood.
func TestV2CrateMoves(t *testing.T) {
	t.Parallel()
	h := newHoused(t)
	ctx := t.Context()
	object, rune := h.sheet.Object.ID, h.people["Rune"]
	h.put("C1")
	before := h.now
	h.now = h.now.Add(time.Hour)
	crate := h.places["C1"]
	if _, err := h.move.MovePlace(ctx, h.people["Mara"], crate.ID, crate.Version, movement.PlaceMove{ToPlaceID: h.places["R3"].ID, Reason: "r"}); code(err) != "V3" {
		t.Errorf("out of the building: %v", err)
	}
	moved, err := h.move.MovePlace(ctx, rune, crate.ID, crate.Version, movement.PlaceMove{ToPlaceID: h.places["R3"].ID, Reason: "to the annex"})
	if err != nil || moved.Path != "Place H › Place HA › Place R3 › Place C1" || moved.Version != crate.Version+1 {
		t.Fatalf("%+v %v", moved, err)
	}
	if _, err := h.move.MovePlace(ctx, rune, crate.ID, crate.Version, movement.PlaceMove{ToPlaceID: h.places["S1"].ID, Reason: "r"}); err != domain.ErrStale {
		t.Errorf("an old picture: %v", err)
	}
	where, err := h.move.Where(ctx, rune, object)
	if err != nil || where[object].Place.Path != moved.Path {
		t.Errorf("%+v %v", where, err)
	}
	past, err := h.move.At(ctx, rune, object, before)
	if err != nil || past[0].Place.Path != "Place H › Place HB › Place R1 › Place S1 › Place C1" {
		t.Errorf("%+v %v", past, err)
	}
	in, err := h.move.Contents(ctx, rune, h.places["HA"].ID, domain.PageQuery{})
	if err != nil || len(in.Items) != 1 || in.Items[0].ObjectNumber != "1968.14.2" {
		t.Errorf("%+v %v", in, err)
	}
	if _, err := h.move.ChangePlace(ctx, rune, moved.ID, moved.Version, movement.ChangedPlace{PlaceFacts: movement.PlaceFacts{Kind: "crate", Name: "C1", Code: "C1"}, Closed: true}); code(err) != "V1" {
		t.Errorf("closed with a dress in it: %v", err)
	}
	if _, err := h.service.RaiseStop(ctx, h.people["Tove"], object, handling.NewStop{Note: "powder"}); err != nil {
		t.Fatal(err)
	}
	if _, err := h.move.MovePlace(ctx, rune, moved.ID, moved.Version, movement.PlaceMove{ToPlaceID: h.places["S1"].ID, Reason: "back"}); code(err) != "H3" || !strings.Contains(err.Error(), "1968.14.2") {
		t.Errorf("a stop in the crate: %v", err)
	}
}

// P3: a sensitive place, and the place of what is in it, is absent for whoever may not see it.
func TestP3Places(t *testing.T) {
	t.Parallel()
	h := newHoused(t)
	ctx := t.Context()
	object := h.sheet.Object.ID
	h.put("S1")
	h.put("S3")
	h.put("R1")
	h.put("S3")
	stranger := h.people["Karin"]
	stranger.Departments = []string{"Aviation"}
	granted := h.people["Lars"]
	granted.SeesValues = true
	for name, test := range map[string]struct {
		by          domain.Actor
		sees, knows bool // what is in it; the place itself
	}{
		"registrar": {h.people["Rune"], true, true}, "curator": {h.people["Karin"], true, false}, "curator of others": {stranger, false, false},
		"conservator": {h.people["Mara"], false, false}, "reader": {h.people["Lars"], false, false}, "granted reader": {granted, true, true},
	} {
		where, err := h.move.Where(ctx, test.by, object)
		if err != nil || (where[object].Place != nil) != test.sees {
			t.Errorf("%s sees where it is: %+v %v", name, where[object].Place, err)
		}
		_, err = h.move.Place(ctx, test.by, h.places["S3"].ID)
		if (err == nil) != test.knows {
			t.Errorf("%s knows the shelf: %v", name, err)
		}
		all, err := h.move.Places(ctx, test.by, movement.PlaceFilter{}, domain.PageQuery{})
		var codes []string
		for _, p := range all.Items {
			codes = append(codes, p.Code)
		}
		want := "B BR H HA R3 HB R1 S1 C1 S2"
		if test.knows {
			want += " R2 S3"
		}
		if err != nil || strings.Join(codes, " ") != want {
			t.Errorf("%s: %v %v", name, codes, err)
		}
		in, err := h.move.Contents(ctx, test.by, h.places["HB"].ID, domain.PageQuery{})
		if err != nil || (len(in.Items) == 1) != test.sees {
			t.Errorf("%s, contents of the building: %+v %v", name, in, err)
		}
		past, err := h.move.Past(ctx, test.by, h.places["HB"].ID, domain.PageQuery{})
		if seen := map[bool]int{true: 3, false: 2}[test.sees]; err != nil || len(past.Items) != seen {
			t.Errorf("%s, the past of the building: %d %v", name, len(past.Items), err)
		}
		history, err := h.move.History(ctx, test.by, object, domain.PageQuery{})
		hidden := 0
		for _, p := range history.Items {
			if p.Place == nil {
				hidden++
			}
		}
		if err != nil || len(history.Items) != 4 || (hidden == 0) != test.sees {
			t.Errorf("%s, history: %d hidden, %v", name, hidden, err)
		}
	}
	// What one may not see one cannot move a thing to, nor learn of by trying.
	where, _ := h.move.Where(ctx, h.people["Mara"], object)
	id := where[object].ID
	_, err := h.move.Move(ctx, h.people["Mara"], object, movement.Relocation{FromPlacementID: &id, ToPlaceID: h.places["R2"].ID, Reason: "r"})
	if e, ok := err.(*domain.Error); !ok || e.Fields[0].Message != "There is no such place." {
		t.Errorf("%v", err)
	}
}

// Back-dated moves are kept, marked, and do not overlap; what is expected back is found.
func TestV1BackDated(t *testing.T) {
	t.Parallel()
	h := newHoused(t)
	ctx := t.Context()
	object := h.sheet.Object.ID
	first := h.put("S1")
	h.now = h.now.AddDate(0, 0, 7)
	at, back := h.now.AddDate(0, 0, -3), h.now.AddDate(0, 1, 0)
	m := movement.Relocation{FromPlacementID: &first.ID, ToPlaceID: h.places["S2"].ID, Reason: "found in the book", At: &at, ExpectedReturn: &back}
	moved, err := h.move.Move(ctx, h.people["Mara"], object, m)
	if err != nil || !moved.Placement.BackDated || !moved.Placement.Since.Equal(at) {
		t.Fatalf("%+v %v", moved, err)
	}
	early := at.AddDate(0, 0, -1)
	m.FromPlacementID, m.At, m.ToPlaceID = &moved.Placement.ID, &early, h.places["S1"].ID
	if _, err := h.move.Move(ctx, h.people["Mara"], object, m); code(err) != "V1" {
		t.Errorf("before the last move: %v", err)
	}
	if all, err := h.move.Expected(ctx, h.people["Mara"], back, 10); err != nil || len(all) != 1 || all[0].ObjectNumber != "1968.14.2" {
		t.Errorf("%+v %v", all, err)
	}
	if all, err := h.move.Expected(ctx, h.people["Mara"], back.AddDate(0, 0, -1), 10); err != nil || len(all) != 0 {
		t.Errorf("%+v %v", all, err)
	}
}

// TestManyThings: what a building of thousands of things holds is listed by another way than what a shelf
// holds, and comes out the same: every thing once, in the order of the numbers. Of many places the tree ends
// at the rooms.
func TestManyThings(t *testing.T) {
	t.Parallel()
	h := newHoused(t)
	ctx, by := t.Context(), h.people["Lars"]
	const many = 5100
	if _, err := h.data.OwnerPool().Exec(ctx, `
		with made as (
			insert into object (id, number, number_key, loose_key, sort_key, title, legal_status, department, created_at, created_by)
			select gen_random_uuid(), 'M.' || n, 'm.' || n, 'm.' || n, 'm.' || lpad(n::text, 6, '0'), 'Glove', 'accessioned', 'Diving', now(), $3
			from generate_series(1, $4::int) n returning id, number)
		insert into placement (id, object_id, state, place_id, during, reason, authorised_by, recorded_by, recorded_at)
		select gen_random_uuid(), id, 'in_place', case when number like '%7' then $1::uuid else $2::uuid end, tstzrange(now() - interval '1 day', null), 'survey', $3, $3, now() from made`,
		h.places["S1"].ID, h.places["S2"].ID, h.people["Rune"].ID, many); err != nil {
		t.Fatal(err)
	}
	for code, want := range map[string]int{"HB": many, "S1": many / 10} {
		var last string
		seen, cursor := 0, ""
		for {
			page, err := h.move.Contents(ctx, by, h.places[code].ID, domain.PageQuery{Limit: domain.PageMost, Cursor: cursor})
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range page.Items {
				if len(p.ObjectNumber) < len(last) || len(p.ObjectNumber) == len(last) && p.ObjectNumber <= last { // M.9, M.10
					t.Fatalf("%s: %s comes after %s", code, p.ObjectNumber, last)
				}
				last = p.ObjectNumber
				seen++
			}
			if cursor = page.Next; cursor == "" {
				break
			}
		}
		if seen != want {
			t.Errorf("%s holds %d things, want %d", code, seen, want)
		}
	}

	if all, whole, err := h.move.Tree(ctx, by, movement.PlaceFilter{}); err != nil || !whole || len(all) != 10 {
		t.Errorf("few places: %d %t %v", len(all), whole, err)
	}
	if _, err := h.data.OwnerPool().Exec(ctx, `
		with made as (
			insert into place (id, parent_id, kind, name, code, created_at, created_by)
			select gen_random_uuid(), $1, 'unit', 'Unit ' || n, 'U' || n, now(), $2 from generate_series(1, 420) n returning id)
		insert into place_parent (id, place_id, parent_id, during, reason, authorised_by, recorded_by, recorded_at)
		select gen_random_uuid(), id, $1, tstzrange(now(), null), 'first record of the place', $2, $2, now() from made`, h.places["R3"].ID, h.people["Rune"].ID); err != nil {
		t.Fatal(err)
	}
	all, whole, err := h.move.Tree(ctx, by, movement.PlaceFilter{})
	var codes []string
	for _, p := range all {
		codes = append(codes, p.Code)
	}
	if err != nil || whole || strings.Join(codes, " ") != "B BR H HA R3 HB R1" {
		t.Errorf("many places: %v %t %v", codes, whole, err)
	}
	if in, _, err := h.move.Tree(ctx, by, movement.PlaceFilter{ParentID: &h.places["R1"].ID}); err != nil || len(in) != 2 || in[0].Code != "S1" || !strings.HasSuffix(in[0].Path, "Place R1 › Place S1") {
		t.Errorf("what stands in a room of many places: %+v %v", in, err)
	}
}
