package finding

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"farthingale/domain"
	"farthingale/domain/material"
)

// The acts of this area. They belong to the scope 'collection' of a token.
var (
	Read      = domain.Act{Area: "collection", Name: "read the findings", Roles: domain.Readers}
	Answer    = domain.Act{Area: "collection", Name: "accept a finding", Write: true, Roles: []domain.Role{domain.Conservator}}
	Recompute = domain.Act{Area: "collection", Name: "have findings computed again", Write: true, Roles: []domain.Role{domain.Conservator}}
)

// Side is one material of one component, of this or of another object.
type Side struct {
	ObjectID    domain.ID `json:"object_id"`
	ComponentID domain.ID `json:"component_id"`
	Part        string    `json:"part"`         // ".1a cuff ring"; of another object with its number before
	MaterialKey string    `json:"material_key"` // "" for unidentified
	Family      string    `json:"family"`
	Material    string    `json:"material"`
}

// Finding is one danger in an object, as it was last computed.
type Finding struct {
	ID            domain.ID         `json:"id"`
	ObjectID      domain.ID         `json:"object_id"` // whose part suffers
	Number        string            `json:"number"`
	Title         string            `json:"title"`
	Rule          string            `json:"rule"`
	Species       string            `json:"species"` // the word of the list; empty: nothing is known
	SpeciesName   string            `json:"species_name"`
	Path          material.Path     `json:"path"`
	Emitter       Side              `json:"emitter"`
	Receptor      *Side             `json:"receptor,omitempty"` // nil: people
	Where         string            `json:"where"`
	Severity      material.Severity `json:"severity"`
	SeverityWords string            `json:"severity_words"`
	Depends       bool              `json:"depends"` // on an identification that is not sure
	Says          string            `json:"says"`
	Steps         []string          `json:"steps"`
	Effect        string            `json:"effect"`
	Worse         string            `json:"worse_when"`
	Helps         string            `json:"helps"`
	Basis         material.Basis    `json:"basis"`
	Remark        string            `json:"remark"`
	Source        string            `json:"source"`
	FirstRaisedAt time.Time         `json:"first_raised_at"`
	ChangedAt     time.Time         `json:"changed_at"`
	GoneAt        *time.Time        `json:"gone_at,omitempty"` // it no longer holds since
	Accepted      bool              `json:"accepted"`          // today
	Acceptances   []Acceptance      `json:"acceptances"`       // the newest first
	Version       int64             `json:"version"`

	domain.Raised `json:"-"`
}

// Acceptance is that somebody accepted a finding until a day, both included. It is never changed; a
// later one takes its place.
type Acceptance struct {
	ID       domain.ID         `json:"id"`
	At       time.Time         `json:"at"`
	ByID     domain.ID         `json:"by_id"`
	ByName   string            `json:"by_name"`
	Reason   string            `json:"reason"`
	Until    string            `json:"until"`    // a day, as 2027-01-31
	Severity material.Severity `json:"severity"` // that was accepted: a graver one is not
	Says     string            `json:"says"`     // what was accepted
}

// NewAcceptance accepts a finding.
type NewAcceptance struct {
	Reason string `json:"reason" validate:"required,max=4000"`
	Until  string `json:"until" validate:"required,datetime=2006-01-02"`
}

// acceptYears is for how long a finding may be accepted: common practice is to look again after two
// years at the latest.
const acceptYears = 2

// Accept accepts a finding until a day (M1). Nothing changes when it is refused. zone says which day it is.
func (f *Finding) Accept(by domain.Actor, n NewAcceptance, zone *time.Location, at time.Time) error {
	n.Reason = strings.TrimSpace(n.Reason)
	if err := domain.Validate(n); err != nil {
		return err
	}
	today := at.In(zone)
	switch last := today.AddDate(acceptYears, 0, 0).Format(time.DateOnly); {
	case f.GoneAt != nil:
		return domain.Conflict("finding_gone", "This finding no longer holds: what was recorded of the object has changed. There is nothing to accept.")
	case n.Until < today.Format(time.DateOnly):
		return domain.Invalid("/until", "future", "This day is past. Accept it until today or a later day.")
	case n.Until > last:
		return domain.Invalid("/until", "range", fmt.Sprintf("A finding is accepted for at most %d years, until %s. Then somebody looks again.", acceptYears, last))
	}
	a := Acceptance{ID: domain.NewID(), At: at, ByID: by.ID, ByName: by.Name, Reason: n.Reason, Until: n.Until, Severity: f.Severity, Says: f.Says}
	f.Acceptances = slices.Insert(f.Acceptances, 0, a)
	f.judge(today)
	f.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "finding", Subject: f.ID, Object: &f.ObjectID, Kind: "accepted", Change: a})
	return nil
}

// judge says whether the last acceptance still holds on a day: its date is not past, and it is no
// graver than what was accepted.
func (f *Finding) judge(today time.Time) {
	f.Accepted = f.GoneAt == nil && len(f.Acceptances) > 0 && f.Acceptances[0].Until >= today.Format(time.DateOnly) && f.Severity <= f.Acceptances[0].Severity
}

// tell fills in what the list of rules says.
func (l *library) tell(f *Finding) {
	f.SpeciesName, f.SeverityWords = "", f.Severity.Words()
	if f.Species != "" {
		f.SpeciesName = material.SpeciesName(f.Species)
	}
	rule := material.Identify
	if f.Rule != material.IdentifyFirst {
		i := slices.IndexFunc(l.rules, func(r material.Interaction) bool { return r.ID == f.Rule })
		if i < 0 { // of an older release, and gone
			rule = material.Interaction{Effect: "the list no longer holds this rule", Source: "an earlier release of the list"}
		} else {
			rule = l.rules[i]
		}
	}
	f.Effect, f.Worse, f.Helps, f.Basis, f.Remark, f.Source = rule.Effect, rule.WorseWhen, rule.Helps, rule.Basis, rule.Remark, rule.Source
}

// Computed is a finding as it was just computed. The Key tells which it is.
type Computed struct {
	Key               domain.ID
	Finding           *material.Finding
	Says              string
	Emitter, Receptor Side // the zero Receptor is people
}

// Kept is what is compared of a finding that is kept and holds.
type Kept struct {
	ID       domain.ID
	ObjectID domain.ID
	Key      domain.ID
	Severity material.Severity
	Says     string
	Depends  bool
	Steps    []string
	// The families by which it is found in a list; the library may name a material's family anew.
	EmitterFamily, ReceptorFamily string
}

// Differences are what a computation changes of an object's findings.
type Differences struct {
	New     []Computed
	Changed map[domain.ID]Computed // by the ID of what is kept
	Worse   []domain.ID            // of those changed
	Gone    []domain.ID
}

// Any says whether there is anything to write.
func (d *Differences) Any() bool { return len(d.New)+len(d.Changed)+len(d.Gone) > 0 }

// Compare says what is new, changed or gone.
func Compare(kept []Kept, computed []Computed) Differences {
	d := Differences{Changed: map[domain.ID]Computed{}}
	known := map[domain.ID]*Kept{}
	for i := range kept {
		known[kept[i].Key] = &kept[i]
	}
	holds := map[domain.ID]bool{}
	for _, c := range computed {
		k, ok := known[c.Key]
		if !ok {
			d.New = append(d.New, c)
			continue
		}
		holds[c.Key] = true
		if k.Severity != c.Finding.Severity || k.Says != c.Says || k.Depends != c.Finding.Depends || !slices.Equal(k.Steps, c.Finding.Steps) ||
			k.EmitterFamily != c.Emitter.Family || k.ReceptorFamily != c.Receptor.Family {
			d.Changed[k.ID] = c
			if c.Finding.Severity > k.Severity {
				d.Worse = append(d.Worse, k.ID)
			}
		}
	}
	for i := range kept {
		if !holds[kept[i].Key] {
			d.Gone = append(d.Gone, kept[i].ID)
		}
	}
	return d
}

// Find computes the findings of an object, the gravest first, with notes of what was left out.
func (l *library) Find(r *Recorded) (all []Computed, notes []string) {
	m, notes := l.MakeUp(r)
	found := material.Raise(m, l.rules)
	identified := map[domain.ID]*Identified{}
	for i := range r.Materials {
		identified[r.Materials[i].ID] = &r.Materials[i]
	}
	of := map[domain.ID]domain.ID{}
	for i := range r.Components {
		of[r.Components[i].ID] = r.Components[i].ObjectID
	}
	side := func(s material.Side) Side {
		i := identified[s.MaterialID]
		if i == nil {
			return Side{}
		}
		return Side{ObjectID: of[s.PartID], ComponentID: s.PartID, Part: s.Part, MaterialKey: i.Key, Family: i.Family, Material: s.Material}
	}
	seen := make(map[domain.ID]bool, len(found))
	all = make([]Computed, 0, len(found))
	for i := range found {
		f := &found[i]
		key := uuid.NewSHA1(uuid.NameSpaceURL, []byte("finding:"+f.Key()))
		if !seen[key] { // the gravest of those that are told apart by nothing
			seen[key] = true
			all = append(all, Computed{Key: key, Finding: f, Says: f.Says(), Emitter: side(f.Emitter), Receptor: side(f.Receptor)})
		}
	}
	return all, notes
}
