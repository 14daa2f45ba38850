package servetest

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/photo"
	"farthingale/domain/photo/align"
	"farthingale/domain/photo/mark"
)

// Ground is what the samples of all areas stand on: one person of each role, and one object with its
// make-up.
type Ground struct {
	People map[domain.Role]Someone
	Object *collection.Object
	Parts  map[string]domain.ID // components by label: "1", "1a" …
}

// Cast makes one person of each role.
func (h *House) Cast() map[domain.Role]Someone {
	h.t.Helper()
	cast := map[domain.Role]Someone{}
	for role, name := range map[domain.Role]string{
		domain.Conservator: "Ines Falkenberg", domain.Curator: "Maud Okonjo", domain.Registrar: "Rosa Amsel", domain.MountMaker: "Hugo Beck",
		domain.Technician: "Ada Quill", domain.Reader: "Noor Halloran", domain.Steward: "Simon Vane",
	} {
		cast[role] = h.Person(name, role)
	}
	return cast
}

// Ground makes people and an object: a dry suit of a body with two cuffs, a helmet and a glove.
func (h *House) Ground() *Ground {
	h.t.Helper()
	ctx := h.t.Context()
	g := &Ground{People: h.Cast(), Parts: map[string]domain.ID{}}
	by := g.People[domain.Conservator].Actor
	var err error
	if g.Object, err = h.Collection.Create(ctx, by, collection.NewObject{ObjectFacts: collection.ObjectFacts{
		Number: "1968.14.2", Title: "Constant-volume dry suit", Kind: "dry suit", Description: "Closed-cell body with a cover coat of nylon; rings of aluminium at neck and cuffs.",
		Makers: []string{"unknown"}, DateMade: "1965/1972", PlaceMade: "unknown", LegalStatus: "accessioned", Department: Department,
		Marks: []collection.Inscription{{Kind: "stamp", Where: "neck ring, inside", Transcription: "4", Meaning: "size"}}, NotKnown: []string{"subject"},
	}}); err != nil {
		h.t.Fatal(err)
	}
	for _, c := range []struct {
		label, parent, name, side, function string
		layer                               int
		removal                             collection.Removal
		reason                              string
	}{
		{"1", "", "Suit body", "none", "gas_tight", 1, "by_two_people", ""},
		{"1a", "1", "Cuff ring, left", "left", "hardware", 2, "never", "The ring is vulcanised into the sleeve."},
		{"1b", "1", "Cuff ring, right", "right", "hardware", 2, "never", "The ring is vulcanised into the sleeve."},
		{"2", "", "Hood helmet", "none", "gas_tight", 3, "freely", ""},
		{"3", "", "Glove, left", "left", "gas_tight", 1, "freely", ""},
	} {
		n := collection.NewComponent{Label: c.label, Attribution: "original", Evidence: "Same stamp on all parts.", ComponentFacts: collection.ComponentFacts{
			Name: c.name, Side: c.side, Function: c.function, LayerOrder: c.layer, Count: 1, Removal: c.removal, RemovalReason: c.reason}}
		if c.parent != "" {
			id := g.Parts[c.parent]
			n.ParentID = &id
		}
		made, err := h.Collection.AddComponent(ctx, by, g.Object.ID, n)
		if err != nil {
			h.t.Fatalf("add %s: %v", c.label, err)
		}
		g.Parts[c.label] = made.ID
	}
	rubber := "polychloroprene"
	for label, key := range map[string]*string{"1": &rubber, "1a": nil} {
		if _, err := h.Collection.Identify(ctx, by, g.Parts[label], collection.NewIdentification{
			MaterialKey: key, Role: "body", IdentifiedBy: "sight", Confidence: "probable", Evidence: "Closed cells under the loupe."}); err != nil {
			h.t.Fatal(err)
		}
	}
	if _, err := h.Collection.AddJoint(ctx, by, g.Object.ID, collection.NewJoint{AID: g.Parts["1a"], BID: g.Parts["3"],
		JointFacts: collection.JointFacts{Meets: "bayonet", Contact: "direct", GasTight: true, State: "seized", Note: "Salt in the thread."}}); err != nil {
		h.t.Fatal(err)
	}
	part := g.Parts["3"]
	if _, err := h.Collection.AddHazard(ctx, by, g.Object.ID, collection.NewHazard{HazardFacts: collection.HazardFacts{
		ComponentID: &part, Kind: "latex", Certainty: "probable", KnownBy: "sight", State: "damaged"}}); err != nil {
		h.t.Fatal(err)
	}
	if g.Object, err = h.Collection.Object(ctx, by, g.Object.ID); err != nil {
		h.t.Fatal(err)
	}
	return g
}

// JPEG is a small picture, different for every shade.
func JPEG(shade uint8) []byte {
	m := image.NewRGBA(image.Rect(0, 0, 640, 480))
	for y := range 480 {
		for x := range 640 {
			m.SetRGBA(x, y, color.RGBA{shade, uint8(x * 255 / 640), uint8(y * 255 / 480), 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		panic(err) // a buffer takes everything
	}
	return b.Bytes()
}

// Stages brings loans and treatments to the stages that no page needs a sample of, so that every act
// finds something that it may be done to, and gives their pages.
func (h *House) Stages(g *Ground) []Sample {
	h.t.Helper()
	h.aligned(g)
	samples := append(loansOnTheirWay(h, g), treatmentsOnTheirWay(h, g)...)
	// One object about which nothing is recorded.
	if _, err := h.Collection.Create(h.t.Context(), g.People[domain.Conservator].Actor, collection.NewObject{ObjectFacts: collection.ObjectFacts{
		Number: "1999.1.1", Title: "Whistle", LegalStatus: "accessioned", Department: Department}}); err != nil {
		h.t.Fatal(err)
	}
	return samples
}

// aligned lays two photographs of the object over each other.
func (h *House) aligned(g *Ground) {
	h.t.Helper()
	by := g.People[domain.Conservator].Actor
	var ids [2]domain.ID
	for i, shade := range []uint8{231, 233} {
		p, err := h.Photo.Upload(h.t.Context(), by, g.Object.ID, photo.Description{View: "back", Light: "normal", Stage: "condition"}, "back.jpg", bytes.NewReader(JPEG(shade)))
		if err != nil {
			h.t.Fatal(err)
		}
		ids[i] = p.ID
	}
	at := func(x, y float64) align.Tie {
		return align.Tie{Before: mark.Point{x, y}, After: mark.Point{x, y}}
	}
	if _, err := h.Photo.Align(h.t.Context(), by, ids[0], photo.NewAlignment{AfterID: ids[1], Kind: align.Similarity, Ties: photo.Entered(at(10, 10), at(600, 20), at(300, 400))}); err != nil {
		h.t.Fatal(err)
	}
}
