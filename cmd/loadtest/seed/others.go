package seed

import (
	"fmt"
	"time"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

// tellOf is a notice to somebody. What is older than ten days was read the next day.
func (t *thing) tellOf(at time.Time, reader, subject domain.ID, text string) {
	id := t.id(at)
	var read *time.Time
	if next := at.AddDate(0, 0, 1); next.Before(t.Until.AddDate(0, 0, -10)) {
		read = &next
	}
	t.b.add(notices, id, at, "treatment", subject, t.sheet.Object.ID, []string{}, "", text)
	t.b.add(noticeReaders, id, reader, read)
}

// lentEach says that a loan of every so many-th object was asked for.
const lentEach = 512

// lend asks for a loan of the object. Every eighth request waits; the others were declined.
func (t *thing) lend() {
	if t.number%lentEach != 9 {
		return
	}
	n := t.number / lentEach
	at := t.when(t.at.AddDate(0, 0, 1), t.Until)
	who := t.somebody(t.dice, domain.Registrar)
	id, state := t.id(at), "declined"
	if n%8 == 0 {
		state = "request"
	}
	day := at.Truncate(24 * time.Hour)
	t.b.add(loans, id, at.Year(), n+1, fmt.Sprintf("L.%d.%d", at.Year(), n+1), state, town(t.IntN(400))+" Museum", "Exhibition on the "+pick(t.dice, occasions),
		day.AddDate(0, 6, 0), day.AddDate(0, 12, 0), day, "The museum's terms of loan.", int64(1), at, who.ID, who.Name)
	t.b.add(loanLines, t.id(at), id, 1, t.sheet.Object.ID)
	if state == "declined" {
		t.b.add(loanStages, t.id(at), id, "declined", "It is not fit to travel.", who.ID, who.Name, at.AddDate(0, 0, 3))
	}
}

// enclosedEach says that the air space of every so many-th object is on record; with every fourth of these
// there is a recommendation, half of which were carried out.
const enclosedEach = 5

// enclose describes the air space that the object is in.
func (t *thing) enclose() error {
	if t.number%enclosedEach != 1 {
		return nil
	}
	at := t.when(t.at.AddDate(0, 0, 1), t.Until)
	by := t.somebody(t.dice, domain.Conservator)
	assumed := func(v float64) enclosure.Quantity { return enclosure.Assumed.Of(v, "").Between(v/2, v*2) }
	gas := pick(t.dice, []enclosure.Gas{enclosure.HydrogenChloride, enclosure.AceticAcid, enclosure.HydrogenSulfide})
	litres := float64(t.between(2, 400))
	f := enclosure.Facts{Label: capital(t.family.noun) + " " + t.sheet.Object.Number, Kind: pick(t.dice, enclosure.Forms),
		Members: []enclosure.Placed{{Space: "inside", ObjectID: t.sheet.Object.ID}},
		Network: enclosure.Network{Air: enclosure.Air{TempC: enclosure.Assumed.Of(18, "")},
			Spaces: []enclosure.Space{{Name: "inside", VolumeM3: assumed(litres / 1000), RHPct: assumed(45),
				Surfaces: []enclosure.Surface{{Name: "the object", AreaM2: assumed(0.2), Emissions: []enclosure.Emission{{Gas: gas, RateUGM2H: assumed(1)}}}}}},
			Rooms:     []enclosure.Room{{Name: "store", Levels: []enclosure.GasLevel{{Gas: gas, UGM3: enclosure.Assumed.Of(0, "")}}}},
			Exchanges: []enclosure.Exchange{{Name: "lid", Inner: "inside", Outer: "store", Rate: &enclosure.Rate{PerDay: assumed(float64(t.between(1, 40)) / 10)}}}}}
	if len(t.sheet.Components) > 0 {
		id := t.sheet.Components[0].ID
		f.Members = append(f.Members, enclosure.Placed{Space: "inside", ObjectID: t.sheet.Object.ID, ComponentID: &id})
	}
	e, err := enclosure.Make(by.Actor(), f, at)
	if err != nil {
		return err
	}
	e.ID = t.id(at)
	t.b.add(enclosures, e.ID, e.Label, e.Kind, e.Note, e.Network, e.Version, at, by.ID, at, by.ID)
	for _, k := range e.Spaces {
		t.b.add(enclosureSpaces, e.ID, k.Name, k.ExchangePerDay, k.RHPct)
	}
	for i, m := range e.Members {
		t.b.add(enclosureMembers, e.ID, m.Space, m.ObjectID, m.ComponentID)
		e.Members[i].ObjectNumber = t.sheet.Object.Number
	}
	if err := t.event(domain.Event{At: at, ActorID: &by.ID, Area: "enclosure", Subject: e.ID, Kind: "enclosure_added", Change: f}); err != nil {
		return err
	}
	if t.number/enclosedEach%4 != 0 {
		return nil
	}
	r, err := e.Recommend(by.Actor(), enclosure.NewRecommendation{ObjectID: t.sheet.Object.ID, Text: "Open the lid by a finger's width.",
		Changes: []enclosure.Change{{Act: enclosure.SetRate, Exchange: "lid", PerDay: enclosure.Assumed.Of(24, "planned")}}}, at)
	if err != nil {
		return err
	}
	id := t.id(at)
	t.b.add(recommendations, id, e.ID, e.Version, r.ObjectID, r.Text, r.Changes, r.Changed, r.Differences, at, by.ID)
	if t.number/enclosedEach%8 == 0 {
		t.b.add(recommendationEnds, id, enclosure.Done, "", at.AddDate(0, 0, 1), by.ID)
	}
	return nil
}
