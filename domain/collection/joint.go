package collection

import (
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// Joint is where two components of an object meet.
type Joint struct {
	ID       domain.ID        `json:"id"`
	ObjectID domain.ID        `json:"object_id"`
	AID      domain.ID        `json:"a_id"`
	BID      domain.ID        `json:"b_id"`
	Meets    string           `json:"meets"`   // sewn, laced, glued, threaded, bayonet, ring_lock, zip, magnet, rests_on, hangs_from, loose
	Contact  string           `json:"contact"` // direct, barrier, gap
	GapMM    *decimal.Decimal `json:"gap_mm,omitempty"`
	GasTight bool             `json:"gas_tight"` // closed gas-tight
	State    string           `json:"state"`     // engaged, held_open, seized, missing
	Note     string           `json:"note"`
	Version  int64            `json:"version"`

	domain.Raised `json:"-" db:"-"`
}

// How two components can meet, touch, and how it stands with the joint, in the order in which they are
// shown.
var (
	Meetings    = []string{"sewn", "laced", "glued", "threaded", "bayonet", "ring_lock", "zip", "magnet", "rests_on", "hangs_from", "loose"}
	Contacts    = []string{"direct", "barrier", "gap"}
	JointStates = []string{"engaged", "held_open", "seized", "missing"}
)

// JointFacts are what a person says about a joint. GapMM is given exactly when the contact is a gap.
type JointFacts struct {
	Meets    string           `json:"meets" validate:"required,oneof=sewn laced glued threaded bayonet ring_lock zip magnet rests_on hangs_from loose"`
	Contact  string           `json:"contact" validate:"required,oneof=direct barrier gap"`
	GapMM    *decimal.Decimal `json:"gap_mm" validate:"omitempty,gt=0,lte=10000"`
	GasTight bool             `json:"gas_tight"`
	State    string           `json:"state" validate:"required,oneof=engaged held_open seized missing"`
	Note     string           `json:"note" validate:"max=2000"`
}

// NewJoint asks for the record of a joint between two components of one object.
type NewJoint struct {
	AID domain.ID `json:"a_id" validate:"required"`
	BID domain.ID `json:"b_id" validate:"required"`
	JointFacts
}

// Facts are the joint as its facts are sent.
func (j *Joint) Facts() JointFacts {
	return JointFacts{Meets: j.Meets, Contact: j.Contact, GapMM: j.GapMM, GasTight: j.GasTight, State: j.State, Note: j.Note}
}

func (f JointFacts) check(validated error) error {
	fields := finer("/gap_mm", f.GapMM, decimalsMM)
	switch {
	case f.Contact == "gap" && f.GapMM == nil:
		fields = append(fields, domain.Field{Pointer: "/gap_mm", Rule: "required", Message: "Say how wide the gap is, in millimetres."})
	case f.Contact != "gap" && f.GapMM != nil:
		fields = append(fields, domain.Field{Pointer: "/gap_mm", Rule: "excluded", Message: "Only a gap has a width. Choose the contact 'gap', or leave this empty."})
	}
	return together(validated, domain.InvalidFields(fields))
}

func (j *Joint) set(f JointFacts) {
	j.Meets, j.Contact, j.GapMM, j.GasTight, j.State, j.Note = f.Meets, f.Contact, f.GapMM, f.GasTight, f.State, strings.TrimSpace(f.Note)
}

// Joint finds a joint of the sheet by its ID; nil when it is not of this object.
func (s *Sheet) Joint(id domain.ID) *Joint {
	for i := range s.Joints {
		if s.Joints[i].ID == id {
			return &s.Joints[i]
		}
	}
	return nil
}

// sameMeeting refuses a second joint between the same two components in the same way, whichever of
// them is named first.
func (s *Sheet) sameMeeting(j *Joint) error {
	if slices.ContainsFunc(s.Joints, func(o Joint) bool {
		return o.ID != j.ID && o.Meets == j.Meets && (o.AID == j.AID && o.BID == j.BID || o.AID == j.BID && o.BID == j.AID)
	}) {
		return domain.Conflict("joint_taken", s.Called(j.AID)+" and "+s.Called(j.BID)+" have a joint of this kind already. Change that one.")
	}
	return nil
}

// AddJoint records where two components meet.
func (s *Sheet) AddJoint(by domain.Actor, n NewJoint, at time.Time) (Change, error) {
	var fields []domain.Field
	for pointer, id := range map[string]domain.ID{"/a_id": n.AID, "/b_id": n.BID} {
		if id != (domain.ID{}) && s.Component(id) == nil {
			fields = append(fields, domain.Field{Pointer: pointer, Rule: "component", Message: "This is not a component of " + s.Object.Number + "."})
		}
	}
	if n.AID == n.BID && n.AID != (domain.ID{}) {
		fields = append(fields, domain.Field{Pointer: "/b_id", Rule: "distinct", Message: "A joint is between two different components."})
	}
	if err := together(n.JointFacts.check(domain.Validate(n)), domain.InvalidFields(fields)); err != nil {
		return Change{}, err
	}
	j := &Joint{ID: domain.NewID(), ObjectID: s.Object.ID, AID: n.AID, BID: n.BID, Version: 1}
	j.set(n.JointFacts)
	if err := s.sameMeeting(j); err != nil {
		return Change{}, err
	}
	return Change{NewJoint: j, Events: []domain.Event{s.event(by, j.ID, "joint_added", n, at)}}, nil
}

// ChangeJoint sets the facts of a joint. The two components stay: a joint elsewhere is another joint.
func (s *Sheet) ChangeJoint(by domain.Actor, id domain.ID, version int64, f JointFacts, at time.Time) (Change, error) {
	j := s.Joint(id)
	switch {
	case j == nil:
		return Change{}, domain.NotFound("There is no such joint.")
	case j.Version != version:
		return Change{}, domain.ErrStale
	}
	if err := f.check(domain.Validate(f)); err != nil {
		return Change{}, err
	}
	after := *j
	after.set(f)
	changed := differences(*j, after)
	if len(changed) == 0 {
		return Change{}, nil
	}
	if err := s.sameMeeting(&after); err != nil {
		return Change{}, err
	}
	after.Version++
	return Change{Joint: &after, Events: []domain.Event{s.event(by, id, "joint_changed", changed, at)}}, nil
}

// RemoveJoint takes back a joint that was recorded by mistake; the event keeps what it said. A joint
// whose parts are apart is not removed: its state says so.
func (s *Sheet) RemoveJoint(by domain.Actor, id domain.ID, version int64, at time.Time) (Change, error) {
	j := s.Joint(id)
	switch {
	case j == nil:
		return Change{}, domain.NotFound("There is no such joint.")
	case j.Version != version:
		return Change{}, domain.ErrStale
	}
	return Change{RemovedJoint: &id, Events: []domain.Event{s.event(by, id, "joint_removed", *j, at)}}, nil
}
