package movement

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
)

var noon = time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)

type stage struct {
	house, annex, away domain.ID
	places             map[string]*Place
	scene              *Scene
	cuff               *collection.Component
}

// newStage is a dress in shelf 1 of the main house; there is shelf 2, an annex with shelf 3, and a
// borrower's room.
func newStage() *stage {
	s := &stage{house: domain.NewID(), annex: domain.NewID(), away: domain.NewID(), places: map[string]*Place{}}
	for name, building := range map[string]domain.ID{"shelf 1": s.house, "shelf 2": s.house, "shelf 3": s.annex, "room": s.away} {
		s.places[name] = &Place{ID: domain.NewID(), Kind: "shelf", Name: name, Path: name, BuildingID: building, OutsideWithin: building == s.away}
	}
	sheet := &collection.Sheet{Object: collection.Object{ID: domain.NewID(), Number: "1968.14.2", Department: "Diving"}}
	sheet.Components = []collection.Component{{ID: domain.NewID(), Label: "1", Name: "suit"}}
	sheet.Components = append(sheet.Components, collection.Component{ID: domain.NewID(), Label: "1a", Name: "cuff", ParentID: &sheet.Components[0].ID, Removal: collection.Freely, RemovalReason: "it would tear"})
	s.cuff = &sheet.Components[1]
	s.scene = &Scene{Sheet: sheet, From: s.places["shelf 1"], To: s.places["shelf 2"], Zone: time.UTC, Current: &Placement{Whereabouts: Whereabouts{ID: domain.NewID(), State: InPlace,
		Place: &PlaceRef{ID: s.places["shelf 1"].ID, Path: "shelf 1"}, Department: "Diving"}, Since: noon.AddDate(0, -1, 0), Movers: []handling.Named{{Name: "Per Holm"}}}}
	return s
}

func (s *stage) ask() Relocation {
	return Relocation{FromPlacementID: &s.scene.Current.ID, ToPlaceID: s.scene.To.ID, Reason: "study"}
}

func actor(roles ...domain.Role) domain.Actor {
	return domain.Actor{ID: domain.NewID(), Name: "Mara Lind", Roles: roles}
}

func refused(err error) string {
	var e *domain.Error
	switch {
	case err == nil:
		return ""
	case !errors.As(err, &e):
		return err.Error()
	case len(e.Fields) > 0:
		return e.Fields[0].Pointer
	}
	return e.Code
}

// V3, exhaustively: every single role, whether the move leaves the building, and who authorises.
//
// source: common practice (registrars' offices: a move out of the building is the registrar's; art
// handlers move what they are told to).
func TestV3WhoMayMove(t *testing.T) {
	authorisers := map[string]Authoriser{
		"self": {}, "registrar": {ID: domain.NewID(), Roles: []domain.Role{domain.Registrar}}, "conservator": {ID: domain.NewID(), Roles: []domain.Role{domain.Conservator}},
		"technician": {ID: domain.NewID(), Roles: []domain.Role{domain.Technician}}, "closed": {ID: domain.NewID(), Roles: []domain.Role{domain.Registrar}, Closed: true},
	}
	for _, role := range domain.Staff {
		for to, leaves := range map[string]bool{"shelf 2": false, "shelf 3": true, "room": true} {
			for who, authoriser := range authorisers {
				for _, danger := range []string{"", "fire"} {
					s := newStage()
					by := actor(role)
					if who == "self" {
						authoriser = Authoriser{ID: by.ID, Name: by.Name, Roles: by.Roles}
					}
					s.scene.To, s.scene.Authoriser = s.places[to], authoriser
					m := s.ask()
					m.Evacuation = danger
					_, err := relocate(by, m, s.scene, noon)
					want := danger == "" && (leaves && role != domain.Registrar || who == "closed" || who == "technician" || who == "self" && role == domain.Technician)
					if got := refused(err); want != (got == "V3") || !want && got != "" {
						t.Errorf("a %s to %s, authorised by %s, %q: %v", role, to, who, danger, err)
					}
				}
			}
		}
	}
}

// V3: what is sent with a carrier leaves the building, even to a place in it; what arrives where it
// was sent to has left already.
func TestV3Transit(t *testing.T) {
	for _, test := range []struct {
		name, state, from, to, carrier string
		role                           domain.Role
		want                           string
	}{
		{"sent within", InPlace, "shelf 1", "shelf 2", "Carrier & Co", domain.Conservator, "V3"},
		{"sent by the registrar", InPlace, "shelf 1", "room", "Carrier & Co", domain.Registrar, ""},
		{"arrives", InTransit, "shelf 3", "shelf 3", "", domain.Technician, ""},
		{"arrives elsewhere", InTransit, "shelf 3", "room", "", domain.Conservator, "V3"},
		{"arrives elsewhere, by the registrar", InTransit, "shelf 3", "room", "", domain.Registrar, ""},
		{"first place", "", "", "shelf 2", "", domain.Conservator, ""},
		{"first place outside", "", "", "room", "", domain.Conservator, "V3"},
		{"there already", InPlace, "shelf 2", "shelf 2", "", domain.Registrar, "/to_place_id"},
		{"sent to where it is", InPlace, "shelf 2", "shelf 2", "Carrier & Co", domain.Registrar, "/to_place_id"},
	} {
		s := newStage()
		s.scene.To = s.places[test.to]
		m := s.ask()
		m.Carrier = test.carrier
		if test.state == "" {
			s.scene.Current, s.scene.From, m.FromPlacementID = nil, nil, nil
		} else {
			s.scene.Current.State, s.scene.From = test.state, s.places[test.from]
		}
		s.scene.Authoriser = Authoriser{ID: domain.NewID(), Roles: []domain.Role{domain.Registrar}}
		p, err := relocate(actor(test.role), m, s.scene, noon)
		if got := refused(err); got != test.want {
			t.Errorf("%s: %v, want %q", test.name, err, test.want)
			continue
		}
		if err == nil && (p.State == InTransit) != (test.carrier != "") {
			t.Errorf("%s: %+v", test.name, p)
		}
	}
}

// V5: who acts on an old picture is told who moved it, where and when; a sensitive place is not named
// to whoever may not see it (P3).
func TestV5Stale(t *testing.T) {
	s := newStage()
	by := actor(domain.Registrar)
	s.scene.Authoriser = Authoriser{ID: by.ID, Roles: by.Roles}
	m := s.ask()
	old := domain.NewID()
	m.FromPlacementID = &old
	_, err := relocate(by, m, s.scene, noon)
	if refused(err) != "V5" || !strings.Contains(err.Error(), "Per Holm moved it to shelf 1 on 6 January 2026 at 12:00") || domain.KindOf(err) != domain.KindConflict {
		t.Errorf("%v", err)
	}
	m.FromPlacementID = nil
	if _, err := relocate(by, m, s.scene, noon); refused(err) != "V5" {
		t.Errorf("no picture at all: %v", err)
	}
	s.scene.Current.Hidden = true
	if _, err := relocate(actor(domain.Conservator), m, s.scene, noon); refused(err) != "V5" || strings.Contains(err.Error(), "shelf") {
		t.Errorf("a sensitive place is named: %v", err)
	}
	s.scene.Current = nil
	m.FromPlacementID = &old
	if _, err := relocate(by, m, s.scene, noon); refused(err) != "V5" {
		t.Errorf("a picture of nothing: %v", err)
	}
}

// V1: a move is made after what is recorded already and not in the future; back-dating is marked.
//
// source: common practice (two times: when it happened and when it was recorded).
func TestV1Times(t *testing.T) {
	at := func(d time.Duration) *time.Time { x := noon.Add(d); return &x }
	for _, test := range []struct {
		name   string
		at     *time.Time
		since  time.Duration // of the present placement, before noon
		want   string
		marked bool
	}{
		{"now", nil, time.Hour, "", false},
		{"yesterday", at(-24 * time.Hour), 48 * time.Hour, "", true},
		{"half an hour ago", at(-30 * time.Minute), 48 * time.Hour, "", false},
		{"before the last move", at(-72 * time.Hour), 48 * time.Hour, "V1", false},
		{"at the last move", at(-48 * time.Hour), 48 * time.Hour, "V1", false},
		{"tomorrow", at(24 * time.Hour), 48 * time.Hour, "/at", false},
		{"a clock somewhat ahead", at(5 * time.Minute), 48 * time.Hour, "", false},
		{"in the same instant", nil, 0, "", false},
	} {
		s := newStage()
		by := actor(domain.Registrar)
		s.scene.Authoriser = Authoriser{ID: by.ID, Roles: by.Roles}
		s.scene.Current.Since = noon.Add(-test.since)
		m := s.ask()
		m.At = test.at
		p, err := relocate(by, m, s.scene, noon)
		if got := refused(err); got != test.want {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		if err == nil && (p.BackDated != test.marked || !p.Since.After(s.scene.Current.Since)) {
			t.Errorf("%s: since %s, marked %v", test.name, p.Since, p.BackDated)
		}
	}
}

// C1, C2: a part gets a place of its own by being detached; 'never' is refused with its reason; what
// two people take off needs two names; evacuation is recorded.
func TestC2Detach(t *testing.T) {
	two := []domain.ID{domain.NewID(), domain.NewID()}
	for _, test := range []struct {
		name    string
		removal collection.Removal
		state   string // of its own placement
		movers  []domain.ID
		danger  string
		want    string
	}{
		{"freely", collection.Freely, "", nil, "", ""},
		{"again after it was joined", collection.Freely, WithWhole, nil, "", ""},
		{"already off", collection.Freely, InPlace, nil, "", "V5"},
		{"never", collection.Never, "", two, "", "C2"},
		{"never, but it burned", collection.Never, "", nil, "fire", ""},
		{"by two, one named", collection.ByTwoPeople, "", two[:1], "", "/mover_ids"},
		{"by two", collection.ByTwoPeople, "", two, "", ""},
	} {
		s := newStage()
		by := actor(domain.Conservator)
		s.cuff.Removal = test.removal
		s.scene.Component, s.scene.Authoriser = s.cuff, Authoriser{ID: by.ID, Roles: by.Roles}
		m := s.ask()
		m.MoverIDs, m.Evacuation = test.movers, test.danger
		s.scene.Current.State = test.state
		if test.state == "" {
			s.scene.Current = nil
		}
		p, err := detach(by, m, s.scene, noon)
		if got := refused(err); got != test.want {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		if test.want == "C2" && !strings.Contains(err.Error(), "it would tear") {
			t.Errorf("%s: the reason is missing: %v", test.name, err)
		}
		if err == nil && (p.ComponentID == nil || *p.ComponentID != s.cuff.ID || p.State != InPlace) {
			t.Errorf("%s: %+v", test.name, p)
		}
	}
}

// C1: an attached part does not move by itself, and a detached one is joined where its carrier is.
func TestC1Parts(t *testing.T) {
	s := newStage()
	by := actor(domain.Conservator)
	s.scene.Component, s.scene.Authoriser = s.cuff, Authoriser{ID: by.ID, Roles: by.Roles}
	m := s.ask()
	for _, current := range []*Placement{nil, {Whereabouts: Whereabouts{ID: *m.FromPlacementID, State: WithWhole}}} {
		s.scene.Current = current
		if _, err := relocate(by, m, s.scene, noon); refused(err) != "C1" {
			t.Errorf("attached: %v", err)
		}
		if _, err := reattach(by, Reattachment{FromPlacementID: m.FromPlacementID, Reason: "back"}, s.scene, noon); refused(err) != "V5" {
			t.Errorf("joined though not detached: %v", err)
		}
	}
	s = newStage()
	s.scene.Component, s.scene.Authoriser = s.cuff, Authoriser{ID: by.ID, Roles: by.Roles}
	r := Reattachment{FromPlacementID: &s.scene.Current.ID, Reason: "back"}
	if p, err := reattach(by, r, s.scene, noon); err != nil || p.State != WithWhole || p.Place != nil {
		t.Errorf("%+v %v", p, err)
	}
	s.scene.To = s.places["shelf 3"]
	if _, err := reattach(by, r, s.scene, noon); refused(err) != "V3" {
		t.Errorf("joined in another building without the registrar: %v", err)
	}
	s.scene.To = nil
	if _, err := reattach(by, r, s.scene, noon); err != nil {
		t.Errorf("the whole has no recorded place: %v", err)
	}
}

// Every fault of a move is found, and every move has a reason and an authoriser.
func TestMoveFaults(t *testing.T) {
	for name, test := range map[string]struct {
		change func(*Relocation)
		want   string
	}{
		"no reason":       {func(m *Relocation) { m.Reason = "" }, "/reason"},
		"blank reason":    {func(m *Relocation) { m.Reason = "  " }, "/reason"},
		"NUL":             {func(m *Relocation) { m.Container = "a\x00" }, "/container"},
		"no place":        {func(m *Relocation) { m.ToPlaceID = domain.ID{} }, "/to_place_id"},
		"back before out": {func(m *Relocation) { d := noon.AddDate(0, 0, -2); m.ExpectedReturn = &d }, "/expected_return"},
		"odd danger":      {func(m *Relocation) { m.Evacuation = "boredom" }, "/evacuation"},
		"long":            {func(m *Relocation) { m.Condition = strings.Repeat("x", 2001) }, "/condition"},
	} {
		s := newStage()
		by := actor(domain.Registrar)
		s.scene.Authoriser = Authoriser{ID: by.ID, Roles: by.Roles}
		m := s.ask()
		test.change(&m)
		if _, err := relocate(by, m, s.scene, noon); refused(err) != test.want {
			t.Errorf("%s: %v", name, err)
		}
	}
	s := newStage()
	by := actor(domain.Registrar)
	s.scene.Authoriser, s.scene.To.ClosedAt = Authoriser{ID: by.ID, Roles: by.Roles}, &noon
	if _, err := relocate(by, s.ask(), s.scene, noon); refused(err) != "V1" {
		t.Errorf("into a closed place: %v", err)
	}
}

// H1: a move with hands on the object is a handling with nothing typed twice.
func TestH1Log(t *testing.T) {
	movers := []domain.ID{domain.NewID(), domain.NewID()}
	m := Relocation{MoverIDs: movers, OtherMovers: []string{"N. Ferrier"}, Evacuation: "flood", At: &noon, Hands: &Hands{From: "hanging", To: "lying_face_up", Noticed: []string{"noise"}, Note: "at the hip"}}
	component := domain.NewID()
	l := m.log(&Placement{Whereabouts: Whereabouts{ComponentID: &component}, Since: noon})
	if l.Purpose != "move" || l.Minutes != 5 || *l.Lifts != 1 || !slices.Equal(l.HandlerIDs, movers) || l.OtherHandlers[0] != "N. Ferrier" || l.Evacuation != "flood" ||
		!l.StartedAt.Equal(noon) || l.ComponentIDs[0] != component || l.Noticed[0] != "noise" || l.From != "hanging" {
		t.Errorf("%+v", l)
	}
	if err := domain.Validate(l); err != nil {
		t.Error(err)
	}
}

func TestV1Places(t *testing.T) {
	by := actor(domain.Registrar)
	parent := domain.NewID()
	for name, test := range map[string]struct {
		n    NewPlace
		want string
	}{
		"site":            {NewPlace{PlaceFacts: PlaceFacts{Kind: "site", Name: "Harbour", Code: "H"}}, ""},
		"room":            {NewPlace{PlaceFacts: PlaceFacts{Kind: "room", Name: "Store 1", Code: "S1"}, ParentID: &parent}, ""},
		"site in a site":  {NewPlace{PlaceFacts: PlaceFacts{Kind: "site", Name: "Harbour", Code: "H"}, ParentID: &parent}, "/parent_id"},
		"room in nothing": {NewPlace{PlaceFacts: PlaceFacts{Kind: "room", Name: "Store 1", Code: "S1"}}, "/parent_id"},
		"outside room":    {NewPlace{PlaceFacts: PlaceFacts{Kind: "room", Name: "Store 1", Code: "S1", Outside: true}, ParentID: &parent}, "/outside"},
		"blank":           {NewPlace{PlaceFacts: PlaceFacts{Kind: "site", Name: " ", Code: "H"}}, "/name"},
		"no code":         {NewPlace{PlaceFacts: PlaceFacts{Kind: "site", Name: "Harbour"}}, "/code"},
		"odd kind":        {NewPlace{PlaceFacts: PlaceFacts{Kind: "cave", Name: "Harbour", Code: "H"}}, "/kind"},
	} {
		if _, err := MakePlace(by, test.n, noon); refused(err) != test.want {
			t.Errorf("%s: %v", name, err)
		}
	}
	p := &Place{Kind: "site", Name: "Harbour", Code: "H"}
	c := ChangedPlace{PlaceFacts: PlaceFacts{Kind: "site", Name: "Harbour", Code: "H"}, Closed: true}
	if err := p.Change(by, c, 1, noon); refused(err) != "V1" || p.ClosedAt != nil {
		t.Errorf("closed with things in it: %v", err)
	}
	if err := p.Change(by, c, 0, noon); err != nil || p.ClosedAt == nil {
		t.Errorf("%v", err)
	}
	c.Closed = false
	if err := p.Change(by, c, 0, noon); err != nil || p.ClosedAt != nil {
		t.Errorf("opened again: %v", err)
	}
}

// V2, V3, H3 for places: a crate moves with what is in it; a stop on anything in it refuses; out of the
// building it is the registrar's; rooms move only to correct the list.
func TestV2PlaceMoves(t *testing.T) {
	house, annex := domain.NewID(), domain.NewID()
	from := &Place{ID: domain.NewID(), Kind: "room", BuildingID: house}
	near := &Place{ID: domain.NewID(), Kind: "room", BuildingID: house}
	far := &Place{ID: domain.NewID(), Kind: "room", BuildingID: annex}
	for _, test := range []struct {
		name    string
		kind    string
		role    domain.Role
		to      *Place
		stopped []string
		danger  string
		want    string
	}{
		{"crate", "crate", domain.Conservator, near, nil, "", ""},
		{"crate out", "crate", domain.Conservator, far, nil, "", "V3"},
		{"crate out by the registrar", "crate", domain.Registrar, far, nil, "", ""},
		{"crate under a stop", "crate", domain.Registrar, near, []string{"1968.14.2"}, "", "H3"},
		{"crate under a stop in a flood", "crate", domain.Conservator, far, []string{"1968.14.2"}, "flood", ""},
		{"room", "room", domain.Conservator, near, nil, "", "V3"},
		{"room by the registrar", "room", domain.Registrar, near, nil, "", ""},
		{"where it stands", "crate", domain.Registrar, from, nil, "", "/to_place_id"},
		{"a technician, untold", "crate", domain.Technician, near, nil, "", "V3"},
	} {
		by := actor(test.role)
		p := &Place{ID: domain.NewID(), Kind: test.kind, Name: "C1", ParentID: &from.ID}
		stay, err := p.move(by, PlaceMove{ToPlaceID: test.to.ID, Reason: "r", Evacuation: test.danger}, from, test.to, Authoriser{ID: by.ID, Roles: by.Roles}, test.stopped, noon.AddDate(-1, 0, 0), noon, time.UTC)
		if got := refused(err); got != test.want {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		if err == nil && (*p.ParentID != test.to.ID || *stay.ParentID != test.to.ID) || err != nil && *p.ParentID != from.ID {
			t.Errorf("%s: stands in %s", test.name, p.ParentID)
		}
	}
}
