package seed

import (
	"slices"
	"time"

	"github.com/jackc/pgx/v5/pgtype"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/people"
)

// from is a span that begins then and ends at another time, or not yet (the zero time).
func from(begins, ends time.Time) pgtype.Range[pgtype.Timestamptz] {
	r := pgtype.Range[pgtype.Timestamptz]{Lower: pgtype.Timestamptz{Time: begins, Valid: true}, LowerType: pgtype.Inclusive, UpperType: pgtype.Unbounded, Valid: true}
	if !ends.IsZero() {
		r.Upper, r.UpperType = pgtype.Timestamptz{Time: ends, Valid: true}, pgtype.Exclusive
	}
	return r
}

// place puts the object on a shelf and moves it now and then, without a gap; of one in thirty a part has
// a place of its own. The times of its moves come in order.
func (t *thing) place() {
	moves := []time.Time{}
	for range t.weighted([]int{350, 350, 200, 100}) {
		moves = append(moves, t.when(t.at.AddDate(0, 0, 1), t.Until))
	}
	slices.SortFunc(moves, time.Time.Compare)
	begins := append([]time.Time{t.at.Add(2 * time.Hour)}, moves...)
	for i, at := range begins {
		ends, reason := time.Time{}, "first record of the place"
		if i+1 < len(begins) {
			ends = begins[i+1]
		}
		if i > 0 {
			reason = "moved for the " + pick(t.dice, occasions)
		}
		t.placement(nil, at, ends, reason, i > 0)
	}
	if !t.often(33) {
		return
	}
	for _, c := range t.sheet.Components {
		if c.Removal == collection.Freely {
			t.placement(&c.ID, t.when(t.at.AddDate(0, 0, 2), t.Until), time.Time{}, "to be examined by itself", true)
			return
		}
	}
}

// placement is where the object, or a part of it, was from a time on; and the handling that brought it
// there (H1).
func (t *thing) placement(component *domain.ID, at, ends time.Time, reason string, byHand bool) {
	object, id := t.sheet.Object.ID, t.id(at)
	who := t.somebody(t.dice, domain.Registrar)
	t.b.add(placements, id, object, component, "in_place", pick(t.dice, t.shelves), nil, nil, "", from(at, ends), reason, []string{}, who.ID, "box", "", nil, "", who.ID, at)
	hands := t.hands(t.dice)
	for i, h := range hands {
		t.b.add(placementMovers, id, h.ID, i+1)
	}
	item, kind, parts := object, "moved", []domain.ID{}
	if component != nil {
		item, kind, parts = *component, "detached", []domain.ID{*component}
	}
	t.events++
	t.b.add(events, int64(t.number)*eventsMost+t.events, at, &who.ID, "movement", item, object, kind, []byte(`{"reason":"`+reason+`"}`))
	if byHand {
		t.b.add(placementHandlings, id, object, t.handling(at, "move", parts, hands, "nothing"))
	}
}

// stoppedEach says that every so many-th object was stopped. It has no treatment that would meet the stop.
const stoppedEach = 256

// handle logs the touches that are no moves. Most stops are released, and their releases sealed.
func (t *thing) handle() error {
	purposes := []string{"examination", "photography", "mounting", "research_visit", "other"}
	for range t.weighted([]int{250, 280, 200, 130, 80, 40, 20}) {
		parts := []domain.ID{}
		for _, c := range few(t.dice, t.sheet.Components, t.weighted([]int{5, 3, 2})) {
			parts = append(parts, c.ID)
		}
		noticed := "nothing"
		if t.often(40) {
			noticed = pick(t.dice, []string{"odour", "tack", "liquid"})
		}
		t.handling(t.when(t.at.AddDate(0, 0, 1), t.Until), pick(t.dice, purposes), parts, t.hands(t.dice), noticed)
	}
	if t.number%stoppedEach == 7 {
		return t.stop()
	}
	return nil
}

// handling is one touch.
func (t *thing) handling(at time.Time, purpose string, parts []domain.ID, hands []people.Person, noticed string) domain.ID {
	object, id, lead := t.sheet.Object.ID, t.id(at), hands[0]
	minutes := t.between(3, 120)
	kinds, controls := []string{}, ""
	for _, h := range t.sheet.Hazards {
		if !slices.Contains(kinds, h.Kind) {
			kinds, controls = append(kinds, h.Kind), "kept"
		}
	}
	note := ""
	if t.often(300) {
		note = noted(t.dice)
	}
	t.b.add(handlings, id, object, at, minutes, at.Add(time.Duration(minutes)*time.Minute), lead.ID, []string{}, purpose, "lying_face_up", "lying_face_up", t.between(0, 3),
		[]string{"board"}, "nitrile", []string{noticed}, note, controls, kinds, []string{}, "", false)
	for i, h := range hands {
		t.b.add(handlingPeople, id, h.ID, i+1)
	}
	for _, c := range parts {
		t.b.add(handlingComponents, id, object, c)
	}
	if t.often(120) {
		t.b.add(handlingFlexes, id, 1, pick(t.dice, handling.Joints), pick(t.dice, []string{"left", "right"}), "flexion", t.between(5, 90), t.between(1, 4))
	}
	t.events++
	t.b.add(events, int64(t.number)*eventsMost+t.events, at, &lead.ID, "handling", id, object, "logged", []byte(`{"purpose":"`+purpose+`"}`))
	return id
}

// stop is a handling with a powder, and the stop that it raised (H2), after everything else.
func (t *thing) stop() error {
	c := pick(t.dice, t.sheet.Components)
	hands := t.hands(t.dice)
	at := t.when(t.Until.AddDate(0, 0, -25), t.Until.AddDate(0, 0, -5))
	id := t.handling(at, "examination", []domain.ID{c.ID}, hands, "powder")
	s := handling.Stop{ID: t.id(at), ObjectID: t.sheet.Object.ID, ObjectNumber: t.sheet.Object.Number, Department: t.sheet.Object.Department, HandlingID: &id,
		Components: []handling.Named{{ID: c.ID, Name: t.sheet.Called(c.ID)}}, Signs: []string{"powder"}, Note: "", RaisedAt: at,
		RaisedBy: handling.Named{ID: hands[0].ID, Name: hands[0].Name}}
	for _, h := range hands {
		s.HandlerIDs = append(s.HandlerIDs, h.ID)
	}
	t.b.add(stops, s.ID, s.ObjectID, s.ObjectNumber, s.Department, s.HandlingID, s.Signs, s.Note, s.RaisedAt, s.RaisedBy.ID, s.RaisedBy.Name, s.HandlerIDs)
	t.b.add(stopComponents, s.ID, s.ObjectID, c.ID, 1, s.Components[0].Name)
	if err := t.event(domain.Event{At: at, ActorID: &hands[0].ID, Area: "handling", Subject: s.ID, Kind: "stop_raised"}); err != nil {
		return err
	}
	if t.often(250) {
		return nil // it stands
	}
	by := t.somebody(t.dice, domain.Conservator)
	for slices.Contains(s.HandlerIDs, by.ID) {
		by = t.somebody(t.dice, domain.Conservator)
	}
	r := handling.Release{At: at.Add(30 * time.Hour), By: handling.Named{ID: by.ID, Name: by.Name}, Reason: "Looked at together under the loupe.",
		Found: "Loose surface only; the " + pick(t.dice, places) + " is sound.", Limits: "Two people; no flexing."}
	s.Release = &r
	t.b.add(stopReleases, s.ID, r.At, by.ID, by.Name, r.Reason, r.Found, r.Limits, "", "")
	t.b.signed = append(t.b.signed, signed{by.ID, handling.SealKind, s.ID, s.ObjectID, s.Document(), r.At})
	return t.event(domain.Event{At: r.At, ActorID: &by.ID, Area: "handling", Subject: s.ID, Kind: "stop_released"})
}
