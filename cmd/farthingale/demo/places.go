package demo

import (
	"fmt"

	"farthingale/domain"
	"farthingale/domain/movement"
)

// room is a place of the museum with what lies inside it.
type room struct {
	kind, name, code, conditions string
	sensitive, outside           bool
	inside                       []room
}

var museum = []room{
	{kind: "site", name: "Old Ropewalk", code: "OR", inside: []room{
		{kind: "building", name: "Ropewalk", code: "RW", inside: []room{
			{kind: "room", name: "Store 1, textiles", code: "S1", conditions: "16 °C, 40–50 % RH, dark", inside: []room{{kind: "unit", name: "Flat shelves A", code: "S1-A"}, {kind: "unit", name: "Flat shelves B", code: "S1-B"}}},
			{kind: "room", name: "Store 2, hardware", code: "S2", conditions: "18 °C, below 40 % RH", sensitive: true, inside: []room{{kind: "unit", name: "Cabinet C", code: "S2-C"}, {kind: "unit", name: "Aired cabinet D", code: "S2-D"}}},
			{kind: "room", name: "Laboratory", code: "LAB", inside: []room{{kind: "unit", name: "Bench 1", code: "LAB-1"}, {kind: "unit", name: "Cabinet for parts", code: "LAB-2"}}},
			{kind: "room", name: "Gallery, Under the harbour", code: "G", inside: []room{{kind: "case", name: "Case 1", code: "G-1"}, {kind: "case", name: "Case 2", code: "G-2"}}},
		}},
	}},
	{kind: "site", name: "Lighthouse Museum, Nordvik (invented)", code: "OUT-LM", outside: true},
}

func (l *loader) rooms() error {
	l.on(1090, 8)
	return l.addRooms(museum, nil)
}

func (l *loader) addRooms(rooms []room, parent *domain.ID) error {
	for _, r := range rooms {
		p, err := l.h.Movement.AddPlace(l.ctx, l.people["rosa"], movement.NewPlace{ParentID: parent, PlaceFacts: movement.PlaceFacts{
			Kind: r.kind, Name: r.name, Code: r.code, Conditions: r.conditions, Sensitive: r.sensitive, Outside: r.outside}})
		if err != nil {
			return fmt.Errorf("place %s: %w", r.code, err)
		}
		l.places[r.code] = p.ID
		if err := l.addRooms(r.inside, &p.ID); err != nil {
			return err
		}
	}
	return nil
}

// home records where an object is kept.
func (l *loader) home(obj *loaded) error {
	return l.move("rosa", obj, obj.exhibit.homeCode, "first record of the place")
}

// move carries a whole object to a place, in its box.
func (l *loader) move(by string, obj *loaded, code, reason string) error {
	moved, err := l.h.Movement.Move(l.ctx, l.people[by], obj.id, movement.Relocation{FromPlacementID: obj.whole, ToPlaceID: l.places[code], Reason: reason, Container: "box"})
	if err != nil {
		return fmt.Errorf("move of %s to %s: %w", obj.exhibit.facts.Number, code, err)
	}
	obj.whole = &moved.Placement.ID
	return nil
}

// gloveApart takes the left glove of the dry suit off its suit, to be examined in the laboratory.
func (l *loader) gloveApart() error {
	l.on(29, 9)
	suit := l.objects["1984.3.1"]
	_, err := l.h.Movement.Detach(l.ctx, l.people["ines"], suit.component["3"], movement.Relocation{ToPlaceID: l.places["LAB-2"], Reason: "to be examined inside", Container: "tray",
		Hands: &movement.Hands{Minutes: 10, Support: []string{"tray"}, Gloves: "nitrile", Controls: "kept"}})
	return err
}
