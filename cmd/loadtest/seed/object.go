package seed

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/people"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

// thing is an object on its way into a batch, with what later parts of its life need to know.
type thing struct {
	*museum
	dice
	b       *batch
	number  int // in the row of all objects
	family  family
	at      time.Time // when it was recorded
	by      people.Person
	sheet   collection.Sheet
	photos  []treatment.PhotoRef
	parts   []string // texts that a search finds it by
	events  int64
	treated treatment.State // "": it has no treatment
}

// eventsMost is how many events an object may have; their numbers are its own.
const eventsMost = 128

// invent invents an object with everything about it.
func (m *museum) invent(b *batch, number int) error {
	t := &thing{museum: m, dice: newDice(m.Seed, uint64(number)), b: b, number: number} // #nosec G115 -- not negative
	span := m.Until.AddDate(0, 0, -30).Sub(m.began)                                     // what follows needs some days
	t.at = m.began.Add(span / time.Duration(m.Objects+1) * time.Duration(number)).Truncate(time.Microsecond)
	t.by = m.somebody(t.dice, domain.Registrar)
	t.family = pick(t.dice, families)
	t.treated = t.fate()
	if err := t.describe(); err != nil {
		return err
	}
	t.makeUp()
	t.endanger()
	t.photograph()
	t.place()
	if err := t.handle(); err != nil {
		return err
	}
	if err := t.treat(); err != nil {
		return fmt.Errorf("treatment of %s: %w", t.sheet.Object.Number, err)
	}
	t.lend()
	if err := t.enclose(); err != nil {
		return fmt.Errorf("enclosure of %s: %w", t.sheet.Object.Number, err)
	}
	if err := t.examine(); err != nil {
		return err
	}
	if t.events > eventsMost {
		return fmt.Errorf("%s has %d events", t.sheet.Object.Number, t.events)
	}
	t.write()
	return nil
}

// event notes an event of the object.
func (t *thing) event(e domain.Event) error {
	var change []byte
	if e.Change != nil {
		var err error
		if change, err = json.Marshal(e.Change); err != nil {
			return fmt.Errorf("encode event %s: %w", e.Kind, err)
		}
	}
	t.events++
	t.b.add(events, int64(t.number)*eventsMost+t.events, e.At, e.ActorID, e.Area, e.Subject, t.sheet.Object.ID, e.Kind, change)
	return nil
}

// describe says what the object is. Numbers go through the years side by side, so that their order is
// not that in which the objects were recorded.
func (t *thing) describe() error {
	const yearsOfNumbers, itemsOfLot = 128, 12
	k := t.number / yearsOfNumbers
	number, err := collection.ParseNumber(fmt.Sprintf("%d.%d.%d", 1895+t.number%yearsOfNumbers, k/itemsOfLot+1, k%itemsOfLot+1))
	if err != nil {
		return err
	}
	f := t.family
	o := collection.Object{ID: t.id(t.at), Number: string(number), FormerNumbers: []string{}, Makers: []string{maker(t.IntN(makers))}, Kind: f.kind, Department: f.department,
		Title: capital(pick(t.dice, qualities)) + " " + f.noun + " with " + pick(t.dice, f.parts).name, Description: described(t.dice, f),
		PlaceMade: town(t.IntN(400)), Features: "Marked " + code(t.dice) + " at the " + pick(t.dice, places) + ".", LegalStatus: collection.Accessioned,
		Dimensions: []collection.Dimension{{What: "height", MM: decimal.NewFromInt(int64(t.between(80, 1900)))}, {What: "width", MM: decimal.NewFromInt(int64(t.between(60, 900)))}},
		Marks:      []collection.Inscription{{Kind: pick(t.dice, collection.MarkKinds), Where: pick(t.dice, places), Transcription: code(t.dice), Meaning: "number of the " + pick(t.dice, sources)}},
		NotKnown:   []string{}, Version: 1, CreatedAt: t.at, CreatedBy: t.by.ID}
	if t.often(120) {
		o.FormerNumbers = []string{"X" + fmt.Sprint(100000+t.number)}
	}
	if t.often(80) {
		o.Subject = "the " + pick(t.dice, occasions) + " of " + town(t.IntN(400))
	}
	switch n := t.IntN(100); {
	case n < 3:
		o.LegalStatus, o.Owner = collection.LoanToUs, pick(t.dice, givenNames)+" "+pick(t.dice, familyNames)
	case n < 5:
		o.LegalStatus, o.Owner = collection.Deposit, town(t.IntN(400))+" Harbour Office"
	case n < 8:
		o.LegalStatus = collection.Study
	}
	year := t.between(1890, 1978)
	o.DateMade = pick(t.dice, []string{fmt.Sprint(year), fmt.Sprintf("%d~", year), fmt.Sprintf("%d/%d", year, year+t.between(2, 9)), fmt.Sprintf("%dX", year/10)})
	made, err := domain.ParseEDTF(o.DateMade)
	if err != nil {
		return err
	}
	o.DateMade, o.DateEarliest, o.DateLatest = made.Text, made.Earliest, made.Latest
	mass := decimal.New(int64(t.between(2, 400)), -1)
	o.MassKG = &mass
	t.sheet.Object = o
	return t.event(domain.Event{At: t.at, ActorID: &t.by.ID, Area: "collection", Subject: o.ID, Kind: "added", Change: o.Facts()})
}

const letters = "abcdefghijklmnopqrstuvwxyz"

// code is something stamped: "KV 3141".
func code(d dice) string {
	a, b := d.IntN(len(letters)), d.IntN(len(letters))
	return strings.ToUpper(letters[a:a+1]+letters[b:b+1]) + fmt.Sprintf(" %d", d.between(100, 9999))
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// componentWeights are how often an object has 3, 4 … 12 components: five on average.
var componentWeights = []int{240, 240, 200, 120, 75, 45, 30, 20, 12, 18}

// makeUp gives the object its components, their attributions and materials, and the joints between them.
func (t *thing) makeUp() {
	object := t.sheet.Object.ID
	n := 3 + t.weighted(componentWeights)
	below := map[int]int{}
	for i, p := range t.family.parts[:n] {
		at := t.at.Add(time.Duration(i+1) * time.Minute)
		c := collection.Component{ID: t.id(at), ObjectID: object, Name: p.name, Side: p.side, LayerOrder: i % 6, Function: p.function, Count: 1,
			Dimensions: []collection.Dimension{}, Removal: collection.Freely, Attribution: pick(t.dice, collection.Attributions), Version: 1, CreatedAt: at}
		below[p.above]++
		if p.above < 0 {
			c.Label = fmt.Sprint(below[-1])
		} else {
			above := t.sheet.Components[p.above]
			c.ParentID, c.Label = &above.ID, above.Label+letters[below[p.above]-1:below[p.above]]
			if len(above.Label) > 1 { // "1a" has parts "1a.1", "1a.2"
				c.Label = above.Label + "." + fmt.Sprint(below[p.above])
			}
			c.JoinedHow = pick(t.dice, collection.Meetings)
		}
		switch {
		case t.often(150):
			c.Removal = collection.ByTwoPeople
		case t.often(150):
			c.Removal, c.RemovalReason = collection.Never, "It is "+pick(t.dice, states)+" at the "+pick(t.dice, places)+" and would not bear it."
		}
		t.sheet.Components = append(t.sheet.Components, c)
		t.b.add(components, c.ID, object, c.ParentID, c.Label, collection.Label(c.Label).SortKey(), c.Name, c.Side, c.LayerOrder, c.Function, c.JoinedHow, c.Count,
			c.Dimensions, nil, string(c.Removal), c.RemovalReason, string(c.Attribution), nil, c.Version, at)
		t.b.add(attributions, t.id(at), c.ID, string(c.Attribution), "Compared with others of its kind.", t.by.ID, at)
		t.identify(c, p, at)
	}
	t.join()
}

// identify says of what a component is made; now and then anew, and now and then that nobody knows.
func (t *thing) identify(c collection.Component, p part, at time.Time) {
	who := t.somebody(t.dice, domain.Conservator)
	add := func(key, role string, at time.Time, superseded *time.Time) {
		id := t.id(at)
		m := collection.ComponentMaterial{ID: id, ComponentID: c.ID, Role: role, AuthorID: who.ID, At: at}
		if key != "" {
			m.MaterialKey, m.MaterialName, m.HazardKinds = &key, t.materials[key].Name, t.materials[key].HazardKinds
		}
		if superseded == nil {
			t.sheet.Materials = append(t.sheet.Materials, m)
		}
		t.b.add(identifications, id, c.ID, m.MaterialKey, role, nil, nil, pick(t.dice, collection.IdentifiedBys), pick(t.dice, collection.Confidences),
			"Compared under the loupe with the reference set.", who.ID, at, superseded)
	}
	key := pick(t.dice, p.materials)
	if t.often(30) {
		key = ""
	}
	if t.often(40) { // somebody knew better later
		later := at.Add(time.Hour * time.Duration(t.between(24, 24*300)))
		if later.Before(t.Until) {
			add(pick(t.dice, p.materials), "body", at, &later)
			at = later
		}
	}
	add(key, "body", at, nil)
	text := c.Name + " "
	if key != "" {
		text += t.materials[key].Name + " " + t.materials[key].Family
	}
	if t.often(250) {
		second := pick(t.dice, []string{"animal-glue", "rubber-solution", "grease", "nickel-plate", "sea-salt", "acrylic-paint"})
		add(second, pick(t.dice, []string{"coating", "adhesive", "residue"}), at, nil)
		text += " " + t.materials[second].Name + " " + t.materials[second].Family
	}
	t.parts = append(t.parts, text)
}

// join makes a joint between each part and what carries it, in most cases.
func (t *thing) join() {
	object := t.sheet.Object.ID
	for i, c := range t.sheet.Components {
		if i == 0 || t.often(150) {
			continue
		}
		other := t.sheet.Components[0].ID
		if c.ParentID != nil {
			other = *c.ParentID
		}
		contact, gap := pick(t.dice, []string{"direct", "direct", "barrier", "gap"}), any(nil)
		if contact == "gap" {
			gap = float64(t.between(1, 40))
		}
		t.b.add(joints, t.id(c.CreatedAt), object, other, c.ID, pick(t.dice, collection.Meetings), contact, gap, t.often(200),
			pick(t.dice, []string{"engaged", "engaged", "engaged", "held_open", "seized", "missing"}), "", int64(1))
	}
}

// hazardKinds are kinds that may be recorded on an object.
var hazardKinds = []string{"lead", "mould", "acid-vapour", "pesticide", "cadmium", "radium", "asbestos", "cellulose-nitrate"}

// endanger records a hazard on every eighth object.
func (t *thing) endanger() {
	if !t.often(125) {
		return
	}
	for _, kind := range few(t.dice, hazardKinds, t.between(1, 2)) {
		at := t.at.Add(time.Hour)
		h := collection.Hazard{ID: t.id(at), ObjectID: t.sheet.Object.ID, Kind: kind, Certainty: pick(t.dice, collection.Certainties[:3]), State: "intact"}
		if t.often(600) {
			id := pick(t.dice, t.sheet.Components).ID
			h.ComponentID = &id
		}
		t.sheet.Hazards = append(t.sheet.Hazards, h)
		t.b.add(hazards, h.ID, h.ObjectID, h.ComponentID, h.Kind, h.Certainty, pick(t.dice, collection.KnownBys), pick(t.dice, places), h.State, "Gloves; keep it closed.",
			"", "", "", t.by.ID, at, t.by.ID, at, int64(1))
	}
}

// photograph gives the object photographs; one that is treated has them before and after with the same
// view.
func (t *thing) photograph() {
	shots := []photo.Stage{}
	for range t.weighted([]int{250, 350, 250, 100, 50}) {
		shots = append(shots, pick(t.dice, []photo.Stage{photo.General, photo.Condition}))
	}
	if t.treated != "" {
		shots = append(shots, photo.Before, photo.After)
	}
	camera, views := photo.Camera{}, photo.Views
	chosen := few(t.dice, t.pictures, min(len(shots), len(t.pictures)))
	for i, p := range chosen {
		stage := shots[i]
		at := t.at.Add(time.Duration(i+2) * time.Hour)
		view := pick(t.dice, views)
		if stage == photo.Before || stage == photo.After {
			view = photo.Front
		}
		ref := treatment.PhotoRef{ID: t.id(at), Components: []domain.ID{}, View: string(view), Stage: string(stage), SHA256: p.original.SHA256}
		t.b.add(photos, ref.ID, t.sheet.Object.ID, string(view), "normal", string(stage), true, true, capital(string(view))+" of the "+t.family.noun+".", t.by.Name,
			nil, nil, camera, p.original.SHA256, fmt.Sprintf("IMG_%06d.jpg", t.IntN(1000000)), p.original.WidthPX, p.original.HeightPX, 1, false, "made", "",
			p.screen.SHA256, p.screen.WidthPX, p.screen.HeightPX, p.thumbnail.SHA256, p.thumbnail.WidthPX, p.thumbnail.HeightPX, at, t.by.ID, at, int64(1))
		if stage == photo.General && t.often(500) {
			for _, c := range few(t.dice, t.sheet.Components, t.between(1, 2)) {
				ref.Components = append(ref.Components, c.ID)
				t.b.add(photoComponents, ref.ID, t.sheet.Object.ID, c.ID)
			}
			slices.SortFunc(ref.Components, func(a, b domain.ID) int { return strings.Compare(a.String(), b.String()) })
		}
		t.photos = append(t.photos, ref)
	}
	if len(t.photos) > 0 {
		t.sheet.Object.FacePhotoID = &t.photos[0].ID
	}
}

// write adds the object's own row, once all is known.
func (t *thing) write() {
	o := &t.sheet.Object
	number := collection.Number(o.Number)
	former := []string{}
	for _, n := range o.FormerNumbers {
		former = append(former, collection.LooseKey(n))
	}
	t.b.add(objects, o.ID, o.Number, number.Key(), collection.LooseKey(o.Number), number.SortKey(), o.FormerNumbers, former, o.Title, o.Description, o.Kind, o.Makers,
		o.DateMade, o.DateEarliest, o.DateLatest, o.PlaceMade, o.Subject, o.Features, o.Dimensions, o.MassKG.InexactFloat64(), string(o.LegalStatus), o.Owner,
		o.Department, o.Marks, o.NotKnown, o.FacePhotoID, o.Version, o.CreatedAt, o.CreatedBy, strings.Join(t.parts, " "))
}
