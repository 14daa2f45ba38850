package enclosure

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"farthingale/domain"
)

// The acts of this area. They belong to the scope 'collection' of a token.
var (
	Read      = domain.Act{Area: "collection", Name: "read about enclosures", Roles: domain.Readers}
	Keep      = domain.Act{Area: "collection", Name: "describe enclosures", Write: true, Roles: []domain.Role{domain.Conservator}}
	Recommend = domain.Act{Area: "collection", Name: "recommend a change of an enclosure", Write: true, Roles: []domain.Role{domain.Conservator}}
)

// Form says what encloses the air.
type Form string

// The forms, as people call them. Hood is a hood or a helmet, Garment the inside of a suit.
const (
	Glove    Form = "glove"
	Boot     Form = "boot"
	Hood     Form = "hood"
	Garment  Form = "garment"
	Bag      Form = "bag"
	Box      Form = "box"
	Cupboard Form = "cupboard"
	Case     Form = "case"
	Chamber  Form = "room"
	Other    Form = "other"
)

// Forms lists every form in the order in which they are shown.
var Forms = []Form{Glove, Boot, Hood, Garment, Bag, Box, Cupboard, Case, Chamber, Other}

// Words is the form as people write it.
func (f Form) Words() string {
	if f == Hood {
		return "hood or helmet"
	}
	return string(f)
}

// Facts are what a conservator sets about an enclosure.
type Facts struct {
	Label   string     `json:"label" validate:"required,max=200"`
	Kind    Form       `json:"kind" validate:"required,oneof=glove boot hood garment bag box cupboard case room other"`
	Note    string     `json:"note" validate:"max=4000"`
	PlaceID *domain.ID `json:"place_id"` // where it stands; nil: not said
	Network Network    `json:"network"`
	Members []Placed   `json:"members" validate:"max=500,dive"`
}

// Placed is an object, or one component of it, that lies in an air space or bounds it.
type Placed struct {
	Space       string     `json:"space" validate:"required,max=120"`
	ObjectID    domain.ID  `json:"object_id" validate:"required"`
	ComponentID *domain.ID `json:"component_id,omitempty"` // nil: the whole object
}

// Member is what lies in a space, with what it is called.
type Member struct {
	Placed
	ObjectNumber string `json:"object_number"`
	ObjectTitle  string `json:"object_title"`
	Label        string `json:"component_label,omitempty"`
	Component    string `json:"component_name,omitempty"`
}

// Name is the number of the object, or number, label and name of the component.
func (m Member) Name() string {
	if m.ComponentID == nil {
		return m.ObjectNumber
	}
	return m.ObjectNumber + "." + m.Label + " " + m.Component
}

// Kept is a space as lists and other areas need it, taken from the network when it was saved.
type Kept struct {
	Name           string   `json:"name"`
	ExchangePerDay *float64 `json:"exchange_per_day,omitempty"` // with all that lies outside it; nil: not known
	RHPct          *float64 `json:"rh_pct,omitempty"`
}

// Named is a person with a name.
type Named struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

// Closing says that an enclosure no longer exists: the box was emptied, the case rebuilt.
type Closing struct {
	At     time.Time `json:"at"`
	By     Named     `json:"by"`
	Reason string    `json:"reason"`
}

// Enclosure is one or several air spaces that belong together, with what lies in them.
type Enclosure struct {
	ID        domain.ID  `json:"id"`
	Label     string     `json:"label"`
	Kind      Form       `json:"kind"`
	Note      string     `json:"note"`
	PlaceID   *domain.ID `json:"place_id,omitempty"` // absent also for whoever may not see it (P3)
	Place     *string    `json:"place,omitempty"`    // with what it stands in
	Network   Network    `json:"network"`
	Spaces    []Kept     `json:"spaces"`
	Members   []Member   `json:"members"`
	Closed    *Closing   `json:"closed,omitempty"`
	Version   int64      `json:"version"`
	CreatedAt time.Time  `json:"created_at"`
	CreatedBy Named      `json:"created_by"`
	ChangedAt time.Time  `json:"changed_at"`
	ChangedBy Named      `json:"changed_by"`

	Hidden bool `json:"-"` // the place is sensitive

	domain.Raised `json:"-" db:"-"`
}

// visibleTo leaves the place out for whoever may not see it (P3).
func (e *Enclosure) visibleTo(by domain.Actor) *Enclosure {
	if e.Hidden && !by.MaySeeValues("") {
		e.PlaceID, e.Place = nil, nil
	}
	return e
}

// Make makes an enclosure.
func Make(by domain.Actor, f Facts, at time.Time) (*Enclosure, error) {
	e := &Enclosure{ID: domain.NewID(), Version: 1, CreatedAt: at, CreatedBy: Named{by.ID, by.Name}}
	if err := e.set(by, f, at); err != nil {
		return nil, err
	}
	e.raise(by, "enclosure_added", f, at)
	return e, nil
}

// Change sets the facts anew. Nothing changes when it is refused.
func (e *Enclosure) Change(by domain.Actor, f Facts, at time.Time) error {
	if err := e.open(); err != nil {
		return err
	}
	changed := *e
	if f.PlaceID == nil && e.Hidden && !by.MaySeeValues("") {
		f.PlaceID = e.PlaceID // who cannot see it cannot mean to take it away
	}
	if err := changed.set(by, f, at); err != nil {
		return err
	}
	before := e.Members
	*e = changed
	e.raise(by, "enclosure_changed", f, at, before...)
	return nil
}

func (e *Enclosure) open() error {
	if e.Closed != nil {
		return domain.Conflict("enclosure_closed", "This enclosure was closed by "+e.Closed.By.Name+" and is kept as it was. Describe a new one.")
	}
	return nil
}

// Ended closes an enclosure.
type Ended struct {
	Reason string `json:"reason" validate:"required,max=1000"`
}

// Close ends an enclosure: it stays on record and counts for nothing any more.
func (e *Enclosure) Close(by domain.Actor, n Ended, at time.Time) error {
	if err := domain.Validate(n); err != nil {
		return err
	}
	if err := e.open(); err != nil {
		return err
	}
	e.Closed = &Closing{At: at, By: Named{by.ID, by.Name}, Reason: strings.TrimSpace(n.Reason)}
	e.ChangedAt, e.ChangedBy = at, e.Closed.By
	e.raise(by, "enclosure_closed", n, at)
	return nil
}

// raise notes the change, and tells each object that lies in it or lay in it before, so that what is
// said of the object is looked at anew.
func (e *Enclosure) raise(by domain.Actor, kind string, change any, at time.Time, before ...Member) {
	e.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "enclosure", Subject: e.ID, Kind: kind, Change: change})
	told := map[domain.ID]bool{}
	for _, m := range slices.Concat(e.Members, before) {
		if told[m.ObjectID] {
			continue
		}
		told[m.ObjectID] = true
		object := m.ObjectID
		e.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "enclosure", Subject: e.ID, Object: &object, Kind: kind, Change: map[string]string{"enclosure": e.Label}})
	}
}

// gasesMost is how many gases an enclosure may have: levels of all of them are computed for a page.
const gasesMost = 8

// set checks every fact and takes them over.
func (e *Enclosure) set(by domain.Actor, f Facts, at time.Time) error {
	var faults []domain.Field
	add := func(prefix string, err error) error {
		known, ok := err.(*domain.Error)
		if err != nil && !ok {
			return err
		}
		if known != nil {
			for _, field := range known.Fields {
				field.Pointer = prefix + field.Pointer
				if !slices.ContainsFunc(faults, func(f domain.Field) bool { return f.Pointer == field.Pointer }) {
					faults = append(faults, field)
				}
			}
		}
		return nil
	}
	if err := add("", domain.Validate(f)); err != nil {
		return err
	}
	if err := add("/network", f.Network.Check()); err != nil {
		return err
	}
	if len(f.Network.Gases()) > gasesMost {
		faults = append(faults, domain.Field{Pointer: "/network", Rule: "max", Message: "At most 8 gases in one enclosure. Describe another for the rest."})
	}
	members, wrong := placed(f)
	if faults = append(faults, wrong...); len(faults) > 0 {
		return domain.InvalidFields(faults)
	}
	kept, err := keptOf(f.Network)
	if err != nil {
		return err
	}
	e.Label, e.Kind, e.Note, e.PlaceID = strings.TrimSpace(f.Label), f.Kind, strings.TrimSpace(f.Note), f.PlaceID
	e.Network, e.Spaces, e.Members = f.Network.whole(), kept, members
	e.ChangedAt, e.ChangedBy = at, Named{by.ID, by.Name}
	return nil
}

// placed sees that each member lies in a space that is there, once.
func placed(f Facts) (members []Member, faults []domain.Field) {
	spaces := map[string]bool{}
	for _, s := range f.Network.Spaces {
		spaces[s.Name] = true
	}
	type key struct {
		space             string
		object, component domain.ID
	}
	seen := map[key]bool{}
	members = make([]Member, 0, len(f.Members))
	for i, p := range f.Members {
		k := key{space: p.Space, object: p.ObjectID}
		if p.ComponentID != nil {
			k.component = *p.ComponentID
		}
		at := "/members/" + strconv.Itoa(i)
		switch {
		case !spaces[p.Space]:
			faults = append(faults, domain.Field{Pointer: at + "/space", Rule: "known", Message: "There is no space \"" + p.Space + "\" in this enclosure."})
		case seen[k]:
			faults = append(faults, domain.Field{Pointer: at, Rule: "unique", Message: "Name each object or part once in a space."})
		}
		seen[k] = true
		members = append(members, Member{Placed: p})
	}
	return members, faults
}

// keptOf computes what lists and other areas need of each space.
func keptOf(n Network) ([]Kept, error) {
	renewals, err := Renewals(n, ReferenceGas)
	if err != nil {
		return nil, err
	}
	list := make([]Kept, len(renewals))
	for i, r := range renewals {
		list[i].Name = r.Space
		if r.PerDay != nil {
			list[i].ExchangePerDay = &r.PerDay.Middle
		}
		if rh := n.Spaces[i].RHPct; rh.Given() {
			list[i].RHPct = &rh.Value
		}
	}
	return list, nil
}

// whole has lists where none were given, so that answers have no null.
func (n *Network) whole() Network {
	c := n.clone()
	c.Spaces, c.Rooms, c.Exchanges = list(c.Spaces), list(c.Rooms), list(c.Exchanges)
	for i := range c.Spaces {
		c.Spaces[i].Surfaces = list(c.Spaces[i].Surfaces)
	}
	for i := range c.Rooms {
		c.Rooms[i].Levels = list(c.Rooms[i].Levels)
	}
	return c
}

func list[T any](all []T) []T {
	if all == nil {
		return []T{}
	}
	return all
}
