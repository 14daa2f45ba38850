package movement

import (
	"context"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
)

// Sight is what somebody may see of sensitive places (P3): all of them, or those in which things of
// some departments are.
type Sight struct {
	All         bool
	Departments []string
}

func sight(by domain.Actor) Sight {
	s := Sight{All: by.MaySeeValues(""), Departments: []string{}}
	if by.Has(domain.Curator) && by.Departments != nil {
		s.Departments = by.Departments
	}
	return s
}

// PlaceFilter narrows a list of places; zero values do not narrow.
type PlaceFilter struct {
	Text     string     `json:"text,omitempty" validate:"max=200"` // in name or code
	ParentID *domain.ID `json:"parent_id,omitempty"`               // stand directly in it
	Kind     string     `json:"kind,omitempty" validate:"omitempty,oneof=site building room unit shelf case crate"`
	Closed   bool       `json:"closed,omitempty"` // closed ones too
}

// Store keeps places and placements.
type Store interface {
	AddPlace(ctx context.Context, p *Place, stay PlaceStay) error
	// UpdatePlace changes a place under lock; things is how many things and open places are in it.
	UpdatePlace(ctx context.Context, id domain.ID, version int64, change func(p *Place, things int) error) (*Place, error)
	// MovePlace puts a place into another under lock. stopped are the things in it under a stop, since
	// is when it came to where it stands.
	MovePlace(ctx context.Context, id domain.ID, version int64, toID domain.ID, move func(p, from, to *Place, stopped []string, since time.Time) (PlaceStay, error)) (*Place, error)
	Place(ctx context.Context, id domain.ID) (*Place, error)
	PlaceByCode(ctx context.Context, code string) (*Place, error)
	// Places lists places in the order of the tree.
	Places(ctx context.Context, f PlaceFilter, see Sight, q domain.PageQuery) (domain.Page[Place], error)
	// Tree is all of them, at most limit.
	Tree(ctx context.Context, f PlaceFilter, see Sight, most int) (all []Place, whole bool, err error)

	// Lock makes moves of one object follow one another, until the transaction ends.
	Lock(ctx context.Context, objectID domain.ID) error
	// Present are the placements of the objects and their parts at a time (nil: now), the wholes first;
	// parts that are with their whole are left out unless joined asks for them.
	Present(ctx context.Context, objectIDs []domain.ID, at *time.Time, joined bool) ([]Placement, error)
	// Whereabouts are where the wholes of objects are now, and their detached parts by label.
	Whereabouts(ctx context.Context, objectIDs []domain.ID) ([]Whereabouts, error)
	// Add ends the placement before (nil: none) and begins the next in one instant.
	Add(ctx context.Context, p *Placement, before *Placement, event domain.Event) error
	// Link says which handling a move was.
	Link(ctx context.Context, p *Placement, handlingID domain.ID) error
	One(ctx context.Context, id domain.ID) (*Placement, error)
	// History lists placements of an object with its parts, or of one component, the latest first.
	History(ctx context.Context, objectID *domain.ID, componentID *domain.ID, q domain.PageQuery) (domain.Page[Placement], error)
	// Contents lists what is in a place and in what stands in it, by number; past lists what was there
	// and has left, the latest first.
	Contents(ctx context.Context, placeID domain.ID, see Sight, q domain.PageQuery) (domain.Page[Placement], error)
	Past(ctx context.Context, placeID domain.ID, see Sight, q domain.PageQuery) (domain.Page[Placement], error)
	// Expected are present placements whose expected return is not after a day, the earliest first.
	Expected(ctx context.Context, until time.Time, limit int) ([]Placement, error)
	Authoriser(ctx context.Context, id domain.ID) (Authoriser, error)
	ObjectOf(ctx context.Context, componentID domain.ID) (domain.ID, error)
}

// Objects knows the make-up of objects.
type Objects interface {
	Sheet(ctx context.Context, objectID domain.ID) (*collection.Sheet, error)
}

// Handlings knows stops and hazards, and logs handlings.
type Handlings interface {
	Refusal(ctx context.Context, objectID domain.ID, componentIDs []domain.ID) error
	Cleared(ctx context.Context, objectID domain.ID, componentIDs, handlerIDs []domain.ID) error
	Log(ctx context.Context, by domain.Actor, objectID domain.ID, l handling.Log) (*handling.Event, *handling.Stop, error)
}

// Notices tells people what they must hear of at once.
type Notices interface {
	Notify(ctx context.Context, n agenda.Notice) error
}

// Service knows where things are.
type Service struct {
	store     Store
	objects   Objects
	handlings Handlings
	notices   Notices
	atomic    domain.Atomic
	zone      *time.Location
	now       func() time.Time
}

// NewService makes the service; zone is the site's, now is the clock.
func NewService(store Store, objects Objects, handlings Handlings, notices Notices, atomic domain.Atomic, zone *time.Location, now func() time.Time) *Service {
	return &Service{store: store, objects: objects, handlings: handlings, notices: notices, atomic: atomic, zone: zone, now: now}
}

// AddPlace makes a place.
func (s *Service) AddPlace(ctx context.Context, by domain.Actor, n NewPlace) (*Place, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	at := s.now()
	p, err := MakePlace(by, n, at)
	if err != nil {
		return nil, err
	}
	stay := PlaceStay{ID: domain.NewID(), PlaceID: p.ID, ParentID: p.ParentID, From: at, Reason: "recorded", AuthorisedByID: by.ID, RecordedByID: by.ID, RecordedAt: at}
	if err := s.store.AddPlace(ctx, p, stay); err != nil {
		return nil, err
	}
	return s.store.Place(ctx, p.ID)
}

// ChangePlace sets the facts of a place.
func (s *Service) ChangePlace(ctx context.Context, by domain.Actor, id domain.ID, version int64, c ChangedPlace) (*Place, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	return s.store.UpdatePlace(ctx, id, version, func(p *Place, things int) error { return p.Change(by, c, things, s.now()) })
}

// MovePlace moves a place with all that is in it (V2).
func (s *Service) MovePlace(ctx context.Context, by domain.Actor, id domain.ID, version int64, m PlaceMove) (*Place, error) {
	if err := by.May(Move); err != nil {
		return nil, err
	}
	if err := domain.Validate(m); err != nil {
		return nil, err
	}
	authoriser, err := s.authoriser(ctx, by, m.AuthorisedByID)
	if err != nil {
		return nil, err
	}
	return s.store.MovePlace(ctx, id, version, m.ToPlaceID, func(p, from, to *Place, stopped []string, since time.Time) (PlaceStay, error) {
		if !p.VisibleTo(by) || !to.VisibleTo(by) {
			return PlaceStay{}, domain.NotFound("There is no such place.")
		}
		return p.move(by, m, from, to, authoriser, stopped, since, s.now(), s.zone)
	})
}

func (s *Service) authoriser(ctx context.Context, by domain.Actor, id *domain.ID) (Authoriser, error) {
	if id == nil || *id == by.ID {
		return Authoriser{ID: by.ID, Name: by.Name, Roles: by.Roles}, nil
	}
	a, err := s.store.Authoriser(ctx, *id)
	if domain.KindOf(err) == domain.KindNotFound {
		err = domain.Invalid("/authorised_by_id", "person", "There is no such person.")
	}
	return a, err
}

// Place is a place; a sensitive one does not exist for whoever may not see it (P3).
func (s *Service) Place(ctx context.Context, by domain.Actor, id domain.ID) (*Place, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	p, err := s.store.Place(ctx, id)
	if err == nil && !p.VisibleTo(by) {
		return nil, domain.NotFound("There is no such place.")
	}
	return p, err
}

// PlaceByCode finds a place by what stands on its label, in any case.
func (s *Service) PlaceByCode(ctx context.Context, by domain.Actor, code string) (*Place, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	if !domain.CleanText(code) {
		return nil, domain.NotFound("There is no such place.")
	}
	p, err := s.store.PlaceByCode(ctx, strings.TrimSpace(code))
	if err == nil && !p.VisibleTo(by) {
		return nil, domain.NotFound("There is no place with this code.")
	}
	return p, err
}

// Places lists places in the order of the tree: what stands in a place follows it.
func (s *Service) Places(ctx context.Context, by domain.Actor, f PlaceFilter, q domain.PageQuery) (domain.Page[Place], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Place]{}, err
	}
	if err := domain.Validate(f); err != nil {
		return domain.Page[Place]{}, err
	}
	return s.store.Places(ctx, f, Sight{All: by.MaySeeValues("")}, q)
}

// TreeMost is how many places Tree gives at most.
const TreeMost = 400

// Tree is the tree of places in its order. Where there are more than TreeMost places it ends at the rooms,
// and whole says so; with a parent it is what stands directly in that. It never gives more than TreeMost.
func (s *Service) Tree(ctx context.Context, by domain.Actor, f PlaceFilter) (all []Place, whole bool, err error) {
	if err := by.May(Read); err != nil {
		return nil, false, err
	}
	return s.store.Tree(ctx, f, Sight{All: by.MaySeeValues("")}, TreeMost)
}

// Moved is a move that was made, and the stop that its handling raised (H2), or nil.
type Moved struct {
	Placement *Placement     `json:"placement"`
	Stop      *handling.Stop `json:"stop,omitempty"`
}

// Move moves a whole object with all that is attached to it (V2), in the caller's transaction when
// there is one.
func (s *Service) Move(ctx context.Context, by domain.Actor, objectID domain.ID, m Relocation) (*Moved, error) {
	return s.act(ctx, by, objectID, nil, "moved", m, func(scene *Scene, at time.Time) (*Placement, error) { return relocate(by, m, scene, at) })
}

// MovePart moves a detached part.
func (s *Service) MovePart(ctx context.Context, by domain.Actor, componentID domain.ID, m Relocation) (*Moved, error) {
	return s.actOnPart(ctx, by, componentID, "moved", m, func(scene *Scene, at time.Time) (*Placement, error) { return relocate(by, m, scene, at) })
}

// Detach takes a part off and gives it a place of its own (C1). Hands are always on it.
func (s *Service) Detach(ctx context.Context, by domain.Actor, componentID domain.ID, m Relocation) (*Moved, error) {
	if m.Hands == nil {
		m.Hands = &Hands{}
	}
	return s.actOnPart(ctx, by, componentID, "part_detached", m, func(scene *Scene, at time.Time) (*Placement, error) { return detach(by, m, scene, at) })
}

// Reattach joins a detached part to what carries it; from then on it is where that is.
func (s *Service) Reattach(ctx context.Context, by domain.Actor, componentID domain.ID, r Reattachment) (*Moved, error) {
	return s.actOnPart(ctx, by, componentID, "part_reattached", r.relocation(), func(scene *Scene, at time.Time) (*Placement, error) { return reattach(by, r, scene, at) })
}

func (s *Service) actOnPart(ctx context.Context, by domain.Actor, componentID domain.ID, kind string, m Relocation, decide func(*Scene, time.Time) (*Placement, error)) (*Moved, error) {
	if err := by.May(Move); err != nil {
		return nil, err
	}
	objectID, err := s.store.ObjectOf(ctx, componentID)
	if err != nil {
		return nil, err
	}
	return s.act(ctx, by, objectID, &componentID, kind, m, decide)
}

// act is what all moves share: the scene under lock, stops and hazards, the decision, the record, the
// handling, the notice.
func (s *Service) act(ctx context.Context, by domain.Actor, objectID domain.ID, componentID *domain.ID, kind string, m Relocation, decide func(*Scene, time.Time) (*Placement, error)) (*Moved, error) {
	if err := by.May(Move); err != nil {
		return nil, err
	}
	var moved *Moved
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		if err := s.store.Lock(ctx, objectID); err != nil {
			return err
		}
		scene, err := s.scene(ctx, by, objectID, componentID, kind, m)
		if err != nil {
			return err
		}
		at := s.now()
		p, err := decide(scene, at)
		if err != nil {
			return err
		}
		if m.Evacuation == "" {
			if err := s.handlings.Refusal(ctx, objectID, scene.Parts()); err != nil {
				return err
			}
			if err := s.handlings.Cleared(ctx, objectID, scene.Parts(), ids(p.Movers)); err != nil {
				return err
			}
		}
		item := objectID
		if componentID != nil {
			item = *componentID
		}
		if err := s.store.Add(ctx, p, scene.Current, domain.Event{At: at, ActorID: &by.ID, Area: "movement", Subject: item, Object: &objectID, Kind: kind, Change: m}); err != nil {
			return err
		}
		moved = &Moved{}
		if m.Hands != nil {
			e, stop, err := s.handlings.Log(ctx, by, objectID, m.log(p))
			if err != nil {
				return under("hands", err)
			}
			if err := s.store.Link(ctx, p, e.ID); err != nil {
				return err
			}
			moved.Stop = stop
		}
		if m.Evacuation != "" {
			if err := s.notices.Notify(ctx, agenda.Notice{At: at, Roles: []domain.Role{domain.Registrar, domain.Conservator, domain.Curator}, Department: p.Department, ObjectID: objectID,
				Area: "movement", Subject: p.ID, Text: by.Name + " recorded the evacuation of " + scene.What() + " (" + strings.ReplaceAll(m.Evacuation, "_", " ") + ")."}); err != nil {
				return err
			}
		}
		moved.Placement, err = s.store.One(ctx, p.ID)
		return err
	})
	if err != nil {
		return nil, err
	}
	moved.Placement.hide(by)
	return moved, nil
}

// under points the faults of the handling to where the move holds it.
func under(member string, err error) error {
	e, ok := err.(*domain.Error)
	if !ok || len(e.Fields) == 0 {
		return err
	}
	renamed := map[string]string{"/handler_ids": "/mover_ids", "/other_handlers": "/other_movers", "/started_at": "/at", "/evacuation": "/evacuation"}
	copied := *e
	copied.Fields = slices.Clone(e.Fields)
	for i, f := range copied.Fields {
		if at, ok := renamed[f.Pointer]; ok {
			copied.Fields[i].Pointer = at
		} else {
			copied.Fields[i].Pointer = "/" + member + f.Pointer
		}
	}
	return &copied
}

// scene reads what a move meets.
func (s *Service) scene(ctx context.Context, by domain.Actor, objectID domain.ID, componentID *domain.ID, kind string, m Relocation) (*Scene, error) {
	sheet, err := s.objects.Sheet(ctx, objectID)
	if err != nil {
		return nil, err
	}
	placements, err := s.store.Present(ctx, []domain.ID{objectID}, nil, true)
	if err != nil {
		return nil, err
	}
	scene := &Scene{Sheet: sheet, Zone: s.zone, Current: of(placements, componentID)}
	if componentID != nil {
		if scene.Component = sheet.Component(*componentID); scene.Component == nil {
			return nil, domain.NotFound("There is no such component.")
		}
	}
	if scene.From, err = s.placeOf(ctx, carrier(sheet, placements, componentID)); err != nil {
		return nil, err
	}
	switch {
	case kind == "part_reattached":
		joins := carrier(sheet, placements, scene.Component.ParentID)
		if joins != nil && joins.State == InTransit {
			return nil, domain.RefuseState("V1", "What carries "+scene.What()+" is on its way. Record its arrival first.")
		}
		scene.To, err = s.placeOf(ctx, joins)
	case m.ToPlaceID != domain.ID{}:
		if scene.To, err = s.store.Place(ctx, m.ToPlaceID); domain.KindOf(err) == domain.KindNotFound || err == nil && scene.To.SensitiveWithin && !by.MaySeeValues(sheet.Object.Department) {
			err = domain.Invalid("/to_place_id", "place", "There is no such place.")
		}
	default:
		err = domain.Validate(m) // says that the place is missing
	}
	if err != nil {
		return nil, err
	}
	scene.Authoriser, err = s.authoriser(ctx, by, m.AuthorisedByID)
	return scene, err
}

// of is the placement of one item; nil when it has none.
func of(placements []Placement, componentID *domain.ID) *Placement {
	for i := range placements {
		p := &placements[i]
		if p.ComponentID == nil && componentID == nil || p.ComponentID != nil && componentID != nil && *p.ComponentID == *componentID {
			return p
		}
	}
	return nil
}

// carrier is the placement that says where a component is: its own, else that of the nearest detached
// part above it, else the whole's. nil when that is not recorded.
func carrier(sheet *collection.Sheet, placements []Placement, componentID *domain.ID) *Placement {
	if componentID != nil {
		for _, id := range append([]domain.ID{*componentID}, sheet.Above(*componentID)...) {
			if p := of(placements, &id); p != nil && p.State != WithWhole {
				return p
			}
		}
	}
	return of(placements, nil)
}

// placeOf is the place of a placement, of a transit the one it goes to; nil for nil.
func (s *Service) placeOf(ctx context.Context, p *Placement) (*Place, error) {
	switch {
	case p == nil:
		return nil, nil
	case p.State == InTransit:
		return s.store.Place(ctx, p.To.ID)
	}
	return s.store.Place(ctx, p.Place.ID)
}

func ids(named []handling.Named) []domain.ID {
	all := make([]domain.ID, len(named))
	for i, n := range named {
		all[i] = n.ID
	}
	return all
}

// hide is rule P3: sensitive places are absent for whoever may not see them.
func (w *Whereabouts) hide(by domain.Actor) {
	if w.Hidden && !by.MaySeeValues(w.Department) {
		w.Place, w.From, w.To = nil, nil, nil
	}
}

func hideAll(by domain.Actor, all []Placement) {
	for i := range all {
		all[i].hide(by)
	}
}

// Where is where the wholes of some objects are now, by object; an object without an entry has no
// recorded place.
func (s *Service) Where(ctx context.Context, by domain.Actor, objectIDs ...domain.ID) (map[domain.ID]Whereabouts, error) {
	where, _, err := s.Present(ctx, by, objectIDs...)
	return where, err
}

// Present is where the wholes of some objects are now, and which of their parts are away from them
// (C5), by object, in one query.
func (s *Service) Present(ctx context.Context, by domain.Actor, objectIDs ...domain.ID) (where map[domain.ID]Whereabouts, away map[domain.ID][]Whereabouts, err error) {
	if err := by.May(Read); err != nil {
		return nil, nil, err
	}
	all, err := s.store.Whereabouts(ctx, objectIDs)
	if err != nil {
		return nil, nil, err
	}
	where, away = map[domain.ID]Whereabouts{}, map[domain.ID][]Whereabouts{}
	for _, w := range all {
		w.hide(by)
		if w.ComponentID == nil {
			where[w.ObjectID] = w
		} else {
			away[w.ObjectID] = append(away[w.ObjectID], w)
		}
	}
	return where, away, nil
}

// At is where an object and its detached parts were at a time, the whole first.
func (s *Service) At(ctx context.Context, by domain.Actor, objectID domain.ID, at time.Time) ([]Placement, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	all, err := s.store.Present(ctx, []domain.ID{objectID}, &at, false)
	hideAll(by, all)
	return all, err
}

// PartsAway names the parts that are not with the whole, by label (C5): '.4a' for lists, loans and
// papers. It asks nobody's role: a label is no place.
func (s *Service) PartsAway(ctx context.Context, objectID domain.ID) ([]string, error) {
	away, err := s.PartsAwayOf(ctx, objectID)
	return away[objectID], err
}

// PartsAwayOf is PartsAway for many objects in one query.
func (s *Service) PartsAwayOf(ctx context.Context, objectIDs ...domain.ID) (map[domain.ID][]string, error) {
	all, err := s.store.Whereabouts(ctx, objectIDs)
	if err != nil {
		return nil, err
	}
	away := map[domain.ID][]string{}
	for _, p := range all {
		if p.ComponentID != nil {
			away[p.ObjectID] = append(away[p.ObjectID], "."+p.Label)
		}
	}
	return away, nil
}

// History lists the moves of an object and its parts, the latest first.
func (s *Service) History(ctx context.Context, by domain.Actor, objectID domain.ID, q domain.PageQuery) (domain.Page[Placement], error) {
	return s.history(ctx, by, &objectID, nil, q)
}

// Here is what a move of an item begins from: where the whole is, and its detached parts; nil when no
// place is recorded.
func (s *Service) Here(ctx context.Context, by domain.Actor, objectID domain.ID) (whole *Placement, parts []Placement, err error) {
	if err := by.May(Read); err != nil {
		return nil, nil, err
	}
	all, err := s.store.Present(ctx, []domain.ID{objectID}, nil, false)
	if err != nil {
		return nil, nil, err
	}
	hideAll(by, all)
	if len(all) > 0 && all[0].ComponentID == nil {
		return &all[0], all[1:], nil
	}
	return nil, all, nil
}

// PartHistory lists the moves of one component, the latest first.
func (s *Service) PartHistory(ctx context.Context, by domain.Actor, componentID domain.ID, q domain.PageQuery) (domain.Page[Placement], error) {
	return s.history(ctx, by, nil, &componentID, q)
}

func (s *Service) history(ctx context.Context, by domain.Actor, objectID, componentID *domain.ID, q domain.PageQuery) (domain.Page[Placement], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Placement]{}, err
	}
	page, err := s.store.History(ctx, objectID, componentID, q)
	hideAll(by, page.Items)
	return page, err
}

// Contents lists what is in a place and in whatever stands in it.
func (s *Service) Contents(ctx context.Context, by domain.Actor, placeID domain.ID, q domain.PageQuery) (domain.Page[Placement], error) {
	if _, err := s.Place(ctx, by, placeID); err != nil {
		return domain.Page[Placement]{}, err
	}
	page, err := s.store.Contents(ctx, placeID, sight(by), q)
	hideAll(by, page.Items)
	return page, err
}

// Past lists what was in a place and has left it.
func (s *Service) Past(ctx context.Context, by domain.Actor, placeID domain.ID, q domain.PageQuery) (domain.Page[Placement], error) {
	if _, err := s.Place(ctx, by, placeID); err != nil {
		return domain.Page[Placement]{}, err
	}
	page, err := s.store.Past(ctx, placeID, sight(by), q)
	hideAll(by, page.Items)
	return page, err
}

// Expected are the things expected back by a day, the earliest first, at most limit.
func (s *Service) Expected(ctx context.Context, by domain.Actor, until time.Time, limit int) ([]Placement, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	all, err := s.store.Expected(ctx, until, limit)
	hideAll(by, all)
	return all, err
}
