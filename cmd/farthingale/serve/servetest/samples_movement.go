package servetest

import (
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/movement"
)

// movementSamples: a house with two buildings, a sensitive store and a borrower; another dress that was
// in the store and whose helmet is away on its way.
func movementSamples(h *House, g *Ground) []Sample {
	ctx := h.t.Context()
	rosa, ines, ada, reader := g.People[domain.Registrar], g.People[domain.Conservator], g.People[domain.Technician], g.People[domain.Reader]
	places := map[string]*movement.Place{}
	capacity := 4
	for _, p := range [][3]string{{"T", "site", ""}, {"TM", "building", "T"}, {"TM-1", "room", "TM"}, {"TM-1-A", "shelf", "TM-1"}, {"TM-2", "room", "TM"}, {"TA", "building", "T"}, {"TA-1", "room", "TA"},
		{"K7", "crate", "TM-1-A"}, {"B", "site", ""}, {"B-1", "room", "B"}} {
		n := movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: p[1], Code: p[0], Name: map[string]string{"T": "The harbour", "TM": "Main house", "TM-1": "Store 1", "TM-1-A": "Shelf A", "TM-2": "Strong room",
			"TA": "Annex", "TA-1": "Laboratory", "K7": "Crate 7", "B": "Borrower's museum", "B-1": "Gallery"}[p[0]], Sensitive: p[0] == "TM-2", Outside: p[0] == "B", Conditions: "18 °C, 45 % RH", Capacity: &capacity}}
		if p[2] != "" {
			n.ParentID = &places[p[2]].ID
		}
		made, err := h.Movement.AddPlace(ctx, rosa.Actor, n)
		if err != nil {
			h.t.Fatalf("place %s: %v", p[0], err)
		}
		places[p[0]] = made
	}
	second, parts := escapeSuit(h, g)
	move := func(place string, before *movement.Placement) *movement.Placement {
		h.t.Helper()
		r := movement.Relocation{ToPlaceID: places[place].ID, Reason: "survey", Container: "grey board box", Condition: "as before", Hands: &movement.Hands{}}
		if before != nil {
			r.FromPlacementID = &before.ID
		}
		moved, err := h.Movement.Move(ctx, rosa.Actor, second.ID, r)
		if err != nil {
			h.t.Fatal(err)
		}
		return moved.Placement
	}
	move("TM-1-A", move("TM-2", nil))
	off, err := h.Movement.Detach(ctx, ines.Actor, parts["2"], movement.Relocation{ToPlaceID: places["TM-1"].ID, Reason: "treatment"})
	if err != nil {
		h.t.Fatal(err)
	}
	if _, err := h.Movement.MovePart(ctx, rosa.Actor, parts["2"], movement.Relocation{FromPlacementID: &off.Placement.ID, ToPlaceID: places["B-1"].ID, Carrier: "Havn Transport", Reason: "loan"}); err != nil {
		h.t.Fatal(err)
	}
	at, object := func(code string) string { return "/places/" + places[code].ID.String() }, "/objects/1971.3.8"
	return []Sample{
		{Route: "GET /places", Path: "/places", As: rosa},
		{Route: "GET /places", Path: "/places?closed=true", As: reader},
		{Route: "GET /places/:id", Path: at("TM-1"), As: rosa},
		{Route: "GET /places/:id", Path: at("TM-1"), As: reader},
		{Route: "GET /places/:id", Path: at("TM-2") + "?past=true", As: rosa},
		{Route: "GET /places/:id", Path: at("TM-2"), As: reader, Status: 404},
		{Route: "GET /places/:id", Path: at("K7"), As: ada},
		{Route: "GET /places/:id/label", Path: at("TM-1-A") + "/label", As: reader},
		{Route: "GET /objects/:number/move", Path: object + "/move", As: rosa},
		{Route: "GET /objects/:number/move", Path: object + "/move?part=2", As: ada},
		{Route: "GET /objects/:number/move", Path: object + "/move?part=2&join=1", As: ines},
		{Route: "GET /objects/:number/move", Path: object + "/move?part=1", As: ines},
		{Route: "GET /objects/:number/move", Path: "/objects/1968.14.2/move", As: ines},
		{Route: "GET /objects/:number/moves", Path: object + "/moves", As: reader},
		{Route: "GET /objects/:number/label", Path: object + "/label", As: reader},
		{Route: "GET /objects/:number", Path: object, As: ines},
		{Route: "GET /objects/:number", Path: object, As: reader},
		{Route: "GET /objects", Path: "/objects", As: reader},
	}
}

// escapeSuit is an object without hazards, of a suit and a hood that comes off.
func escapeSuit(h *House, g *Ground) (*collection.Object, map[string]domain.ID) {
	h.t.Helper()
	ctx, by := h.t.Context(), g.People[domain.Conservator].Actor
	o, err := h.Collection.Create(ctx, by, collection.NewObject{ObjectFacts: collection.ObjectFacts{Number: "1971.3.8", Title: "Submarine-escape suit", LegalStatus: collection.Accessioned, Department: Department}})
	if err != nil {
		h.t.Fatal(err)
	}
	parts := map[string]domain.ID{}
	for label, name := range map[string]string{"1": "Suit", "2": "Hood"} {
		c, err := h.Collection.AddComponent(ctx, by, o.ID, collection.NewComponent{Label: label, Attribution: collection.Original, Evidence: "stamp", ComponentFacts: collection.ComponentFacts{
			Name: name, Side: "none", Function: "gas_tight", Count: 1, Removal: collection.Freely}})
		if err != nil {
			h.t.Fatal(err)
		}
		parts[label] = c.ID
	}
	return o, parts
}
