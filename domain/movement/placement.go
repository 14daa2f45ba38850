package movement

import (
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
)

// The states of an item.
const (
	InPlace   = "in_place"
	InTransit = "in_transit"
	WithWhole = "with_whole" // of a component: joined to what carries it again
)

// PlaceRef is a place as it is named beside an item.
type PlaceRef struct {
	ID   domain.ID `json:"id"`
	Code string    `json:"code"`
	Name string    `json:"name"`
	Path string    `json:"path"`
}

// Whereabouts are where an item is: what lists say of it. An item is a whole object or a detached part.
type Whereabouts struct {
	ID          domain.ID  `json:"id"` // of the placement
	ObjectID    domain.ID  `json:"object_id"`
	ComponentID *domain.ID `json:"component_id,omitempty"` // nil: the whole object
	Label       string     `json:"label,omitempty"`        // of the component: "3b"
	State       string     `json:"state"`
	Place       *PlaceRef  `json:"place,omitempty"` // absent in transit, with the whole, and for whoever may not see it (P3)
	From        *PlaceRef  `json:"from,omitempty"`  // of a transit; absent like Place
	To          *PlaceRef  `json:"to,omitempty"`
	Carrier     string     `json:"carrier,omitempty"`

	Department string `json:"-"` // of the object
	Hidden     bool   `json:"-"` // Place, From or To is sensitive
}

// Placement is where an item was from a time on, and the move that brought it there. It is never changed
// but for its end.
type Placement struct {
	Whereabouts
	ObjectNumber   string           `json:"object_number"`
	ObjectTitle    string           `json:"object_title"`
	Item           string           `json:"item"` // as people call it: "1968.14.2", "1968.14.2.3b cuff"
	Since          time.Time        `json:"since"`
	Until          *time.Time       `json:"until,omitempty"`
	Reason         string           `json:"reason"`
	Movers         []handling.Named `json:"movers"` // lead first
	OtherMovers    []string         `json:"other_movers"`
	AuthorisedBy   handling.Named   `json:"authorised_by"`
	Container      string           `json:"container"`
	Condition      string           `json:"condition"` // a remark
	ExpectedReturn *time.Time       `json:"expected_return,omitempty"`
	Evacuation     string           `json:"evacuation,omitempty"`
	HandlingID     *domain.ID       `json:"handling_id,omitempty"`
	RecordedBy     handling.Named   `json:"recorded_by"`
	RecordedAt     time.Time        `json:"recorded_at"`
	BackDated      bool             `json:"back_dated"` // recorded more than an hour after it was done
}

// backDating is after how long a record counts as back-dated.
const backDating = time.Hour

// Relocation moves an item from where the mover saw it.
type Relocation struct {
	FromPlacementID *domain.ID  `json:"from_placement_id"` // as it was seen; nil: no place was recorded yet
	ToPlaceID       domain.ID   `json:"to_place_id" validate:"required"`
	Carrier         string      `json:"carrier" validate:"max=200"` // not empty: it is on its way there with this carrier
	At              *time.Time  `json:"at"`                         // nil: now
	Reason          string      `json:"reason" validate:"required,max=1000"`
	MoverIDs        []domain.ID `json:"mover_ids" validate:"max=20,unique"` // lead first; empty: the one who records it
	OtherMovers     []string    `json:"other_movers" validate:"max=20,dive,required,max=200"`
	AuthorisedByID  *domain.ID  `json:"authorised_by_id"` // nil: the one who records it
	Container       string      `json:"container" validate:"max=300"`
	Condition       string      `json:"condition" validate:"max=2000"`
	ExpectedReturn  *time.Time  `json:"expected_return"`
	Evacuation      string      `json:"evacuation" validate:"omitempty,oneof=fire flood threat_to_life"`
	Hands           *Hands      `json:"hands"` // nil: nobody touched it, it moved in its container
}

// Reattachment joins a detached part to what carries it.
type Reattachment struct {
	FromPlacementID *domain.ID  `json:"from_placement_id"` // as it was seen
	At              *time.Time  `json:"at"`                // nil: now
	Reason          string      `json:"reason" validate:"required,max=1000"`
	MoverIDs        []domain.ID `json:"mover_ids" validate:"max=20,unique"`
	OtherMovers     []string    `json:"other_movers" validate:"max=20,dive,required,max=200"`
	AuthorisedByID  *domain.ID  `json:"authorised_by_id"`
	Condition       string      `json:"condition" validate:"max=2000"`
	Evacuation      string      `json:"evacuation" validate:"omitempty,oneof=fire flood threat_to_life"`
	Hands           Hands       `json:"hands"`
}

func (r Reattachment) relocation() Relocation {
	return Relocation{FromPlacementID: r.FromPlacementID, At: r.At, Reason: r.Reason, MoverIDs: r.MoverIDs, OtherMovers: r.OtherMovers,
		AuthorisedByID: r.AuthorisedByID, Condition: r.Condition, Evacuation: r.Evacuation, Hands: &r.Hands}
}

// Hands is what a handling says that the move does not say already (H1).
type Hands struct {
	Minutes  int      `json:"minutes" validate:"omitempty,min=1,max=1440"` // 0: five
	From     string   `json:"from" validate:"max=40"`
	To       string   `json:"to" validate:"max=40"`
	Lifts    *int     `json:"lifts" validate:"omitempty,gte=0,lte=999"` // nil: one
	Support  []string `json:"support" validate:"max=7,unique"`
	Gloves   string   `json:"gloves" validate:"max=40"`
	Noticed  []string `json:"noticed" validate:"max=10,unique"`
	Note     string   `json:"note" validate:"max=4000"`
	Controls string   `json:"controls" validate:"max=40"`
}

// Authoriser is the person who authorises a move.
type Authoriser struct {
	ID     domain.ID
	Name   string
	Roles  []domain.Role
	Closed bool
}

// permit is rule V3: a move out of a building is for a registrar; a technician moves what somebody
// else, who is no technician only, has told them to.
func permit(by domain.Actor, authoriser Authoriser, leaves bool) error {
	if leaves && !by.Has(domain.Registrar) {
		return domain.Refuse("V3", "This move leaves the building; a registrar must make it.")
	}
	told := authoriser.ID != by.ID
	switch {
	case told && (authoriser.Closed || !authorises(authoriser.Roles)):
		return domain.Refuse("V3", authoriser.Name+" may not authorise a move. Name a conservator, curator, registrar or mount maker.")
	case !told && !authorises(by.Roles):
		return domain.Refuse("V3", "A technician makes the moves they are told to make. Say who authorised this one.")
	}
	return nil
}

func authorises(roles []domain.Role) bool {
	for _, r := range roles {
		switch r {
		case domain.Conservator, domain.Curator, domain.Registrar, domain.MountMaker:
			return true
		}
	}
	return false
}

// when is the time of an act: now, or back-dated, but after what is recorded already.
func when(asked *time.Time, since, at time.Time, zone *time.Location) (time.Time, error) {
	const clock = 10 * time.Minute // how far the clock of a tablet may run before ours
	if asked == nil {
		if !at.After(since) {
			at = since.Add(time.Microsecond)
		}
		return at, nil
	}
	switch {
	case asked.After(at.Add(clock)):
		return at, domain.Invalid("/at", "past", "A move is recorded when it is made, not before.")
	case asked.Year() < 1800:
		return at, domain.Invalid("/at", "past", "Look at the year.")
	case !asked.After(since):
		return at, domain.Refuse("V1", "It was moved on "+since.In(zone).Format("2 January 2006, 15:04")+" already; a move before that would overlap the history. Give a later time.")
	}
	return asked.Truncate(time.Microsecond), nil
}

// Scene is what a move meets.
type Scene struct {
	Sheet      *collection.Sheet
	Component  *collection.Component // nil: the whole
	Current    *Placement            // nil: no place is recorded yet
	From       *Place                // where it is, of an attached part where its carrier is; of a transit where it goes; nil: not recorded
	To         *Place                // nil only when a part is joined to what has no recorded place
	Authoriser Authoriser
	Zone       *time.Location // in which times are told
}

// What is what moves, as people call it.
func (s *Scene) What() string {
	if s.Component == nil {
		return s.Sheet.Object.Number
	}
	return s.Sheet.Called(s.Component.ID)
}

// Parts are the components to ask stops about; none means the whole.
func (s *Scene) Parts() []domain.ID {
	if s.Component == nil {
		return nil
	}
	return []domain.ID{s.Component.ID}
}

// leaves says whether a move crosses the border of a building. What arrives where it was sent to has
// crossed it when it was sent.
func (s *Scene) leaves(transit bool) bool {
	switch {
	case s.To == nil:
		return false
	case s.Current != nil && s.Current.State == InTransit:
		return s.To.ID != s.From.ID
	case s.From == nil: // the first place that is recorded
		return s.To.OutsideWithin || transit
	}
	return transit || s.From.BuildingID != s.To.BuildingID
}

// relocate decides a move of the whole or of a detached part (V1, V3, V5).
func relocate(by domain.Actor, m Relocation, s *Scene, at time.Time) (*Placement, error) {
	if err := domain.Validate(m); err != nil {
		return nil, err
	}
	if s.Component != nil && (s.Current == nil || s.Current.State == WithWhole) {
		return nil, domain.RefuseState("C1", s.What()+" is not detached. It moves with what carries it; record the detachment first.")
	}
	if m.Evacuation == "" {
		if err := s.seen(by, m.FromPlacementID); err != nil {
			return nil, err
		}
	}
	return placed(by, m, s, at)
}

// detach decides that a part comes off and gets a place of its own (C1, C2).
func detach(by domain.Actor, m Relocation, s *Scene, at time.Time) (*Placement, error) {
	if err := domain.Validate(m); err != nil {
		return nil, err
	}
	switch {
	case s.Current != nil && s.Current.State != WithWhole:
		return nil, domain.RefuseState("V5", s.What()+" is detached already"+s.byWhom(by)+". Look where it is.")
	case m.Evacuation != "":
	case s.Component.Removal == collection.Never:
		return nil, domain.Refuse("C2", s.What()+" is never taken off: "+s.Component.RemovalReason+".")
	case s.Component.Removal == collection.ByTwoPeople && len(m.MoverIDs)+len(m.OtherMovers) < 2:
		return nil, domain.Invalid("/mover_ids", "two_people", s.What()+" is taken off by two people. Name both.")
	}
	return placed(by, m, s, at)
}

func placed(by domain.Actor, m Relocation, s *Scene, at time.Time) (*Placement, error) {
	p, err := s.begin(by, m, at)
	if err != nil {
		return nil, err
	}
	m.Carrier = strings.TrimSpace(m.Carrier)
	if m.Evacuation == "" {
		if err := permit(by, s.Authoriser, s.leaves(m.Carrier != "")); err != nil {
			return nil, err
		}
		if s.To.ClosedAt != nil {
			return nil, domain.RefuseState("V1", s.To.Name+" is closed. Choose another place.")
		}
	}
	to := &PlaceRef{ID: s.To.ID, Code: s.To.Code, Name: s.To.Name, Path: s.To.Path}
	if m.Carrier != "" {
		p.State, p.To, p.Carrier = InTransit, to, m.Carrier
		if s.From != nil {
			p.From = &PlaceRef{ID: s.From.ID, Code: s.From.Code, Name: s.From.Name, Path: s.From.Path}
		}
		if p.From != nil && p.From.ID == to.ID {
			return nil, domain.Invalid("/to_place_id", "place", "It is there already.")
		}
		return p, nil
	}
	p.State, p.Place = InPlace, to
	if s.Current != nil && s.Current.State == InPlace && s.From.ID == to.ID {
		return nil, domain.Invalid("/to_place_id", "place", "It is there already.")
	}
	return p, nil
}

// reattach decides that a detached part is joined again to what carries it; To is the place of that.
func reattach(by domain.Actor, r Reattachment, s *Scene, at time.Time) (*Placement, error) {
	if err := domain.Validate(r); err != nil {
		return nil, err
	}
	m := r.relocation()
	if s.Current == nil || s.Current.State == WithWhole {
		return nil, domain.RefuseState("V5", s.What()+" is not detached"+s.byWhom(by)+".")
	}
	if m.Evacuation == "" {
		if err := s.seen(by, m.FromPlacementID); err != nil {
			return nil, err
		}
		if err := permit(by, s.Authoriser, s.leaves(false)); err != nil {
			return nil, err
		}
	}
	p, err := s.begin(by, m, at)
	if err != nil {
		return nil, err
	}
	p.State = WithWhole
	return p, nil
}

// seen is rule V5: whoever acts on an old picture is told who moved it where and when.
func (s *Scene) seen(by domain.Actor, id *domain.ID) error {
	switch {
	case s.Current == nil && id == nil, s.Current != nil && id != nil && *id == s.Current.ID:
		return nil
	case s.Current == nil:
		return domain.Conflict("V5", "No place of "+s.What()+" is recorded. Look at it, then record where it is.")
	}
	return domain.Conflict("V5", s.What()+" is not where you saw it"+s.byWhom(by)+". Look, then move it again.")
}

// byWhom tells of the present placement; a place that the person may not see is not named.
func (s *Scene) byWhom(by domain.Actor) string {
	c := s.Current
	if c == nil {
		return ""
	}
	who := c.RecordedBy.Name
	if len(c.Movers) > 0 {
		who = c.Movers[0].Name
	}
	text := ": " + who + " moved it"
	switch ref := c.Place; {
	case c.State == WithWhole:
		text = ": " + who + " joined it to what carries it"
	case c.Hidden && !by.MaySeeValues(c.Department):
	case c.State == InTransit && c.To != nil:
		text += " on its way to " + c.To.Path + " with " + c.Carrier
	case ref != nil:
		text += " to " + ref.Path
	}
	return text + " on " + c.Since.In(s.Zone).Format("2 January 2006 at 15:04")
}

// begin is the part of a placement that all acts share.
func (s *Scene) begin(by domain.Actor, m Relocation, at time.Time) (*Placement, error) {
	since := time.Time{}
	if s.Current != nil {
		since = s.Current.Since
	}
	done, err := when(m.At, since, at, s.Zone)
	if err != nil {
		return nil, err
	}
	if m.ExpectedReturn != nil && m.ExpectedReturn.Before(done.Truncate(24*time.Hour)) {
		return nil, domain.Invalid("/expected_return", "order", "It is expected back after it goes, not before.")
	}
	p := &Placement{Whereabouts: Whereabouts{ID: domain.NewID(), ObjectID: s.Sheet.Object.ID, Department: s.Sheet.Object.Department}, Since: done, Reason: strings.TrimSpace(m.Reason), OtherMovers: []string{},
		AuthorisedBy: handling.Named{ID: s.Authoriser.ID, Name: s.Authoriser.Name}, Container: strings.TrimSpace(m.Container), Condition: strings.TrimSpace(m.Condition),
		ExpectedReturn: m.ExpectedReturn, Evacuation: m.Evacuation, RecordedBy: handling.Named{ID: by.ID, Name: by.Name}, RecordedAt: at,
		BackDated: at.Sub(done) > backDating}
	if p.Reason == "" {
		return nil, domain.Invalid("/reason", "required", "This is needed.")
	}
	if s.Component != nil {
		p.ComponentID = &s.Component.ID
	}
	for _, id := range m.MoverIDs {
		p.Movers = append(p.Movers, handling.Named{ID: id})
	}
	if len(p.Movers) == 0 {
		p.Movers = []handling.Named{{ID: by.ID, Name: by.Name}}
	}
	for _, name := range m.OtherMovers {
		p.OtherMovers = append(p.OtherMovers, strings.TrimSpace(name))
	}
	return p, nil
}

// log is the handling that a move with hands on the object is (H1): nothing is typed twice.
func (m Relocation) log(p *Placement) handling.Log {
	h := *m.Hands
	l := handling.Log{Minutes: h.Minutes, HandlerIDs: m.MoverIDs, OtherHandlers: m.OtherMovers, Purpose: "move", From: h.From, To: h.To, Lifts: h.Lifts,
		Support: h.Support, Gloves: h.Gloves, Noticed: h.Noticed, Note: h.Note, Controls: h.Controls, Evacuation: m.Evacuation}
	if l.Minutes == 0 {
		l.Minutes = 5
	}
	if l.Lifts == nil {
		one := 1 // to move a thing by hand is to take its weight up
		l.Lifts = &one
	}
	if m.At != nil {
		l.StartedAt = &p.Since
	}
	if p.ComponentID != nil {
		l.ComponentIDs = []domain.ID{*p.ComponentID}
	}
	return l
}
