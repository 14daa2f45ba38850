package examination

import (
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// The acts of this area. Whoever works here may look and write down; who may change a draft, and who
// may sign, hangs on the draft as well.
var (
	Read   = domain.Act{Area: "examination", Name: "read examinations", Roles: domain.Readers}
	Write  = domain.Act{Area: "examination", Name: "write an examination", Write: true, Roles: domain.Staff}
	Sign   = domain.Act{Area: "examination", Name: "sign an examination", Write: true, Roles: []domain.Role{domain.Conservator, domain.Registrar}}
	Answer = domain.Act{Area: "examination", Name: "answer an examination", Write: true, Roles: []domain.Role{domain.Conservator}}
	Extend = domain.Act{Area: "examination", Name: "add a word for damage", Write: true, Roles: []domain.Role{domain.Conservator}}
)

// State is where an examination stands.
type State string

// The states. A signed examination is sealed and never changes (E1).
const (
	Draft  State = "draft"
	Signed State = "signed"
)

// Occasion is why an examination was made.
type Occasion string

// The occasions.
const (
	Acquisition     Occasion = "acquisition"
	Survey          Occasion = "survey"
	PeriodicCheck   Occasion = "periodic_check"
	BeforeTreatment Occasion = "before_treatment"
	AfterTreatment  Occasion = "after_treatment"
	Outgoing        Occasion = "outgoing"
	Arrival         Occasion = "arrival"
	Departure       Occasion = "departure"
	Return          Occasion = "return"
	Incident        Occasion = "incident"
)

// Occasions, lights, grades and priorities, in the order in which they are shown.
//
// source: grades after Keene 1991 (good, fair, poor, unacceptable), in the wording of Wellcome
// Collection's documentation of condition; priorities are common practice.
var (
	Occasions = []Occasion{PeriodicCheck, Survey, Acquisition, BeforeTreatment, AfterTreatment, Outgoing, Arrival, Departure, Return, Incident}
	Lights    = []string{"normal", "raking", "transmitted", "specular", "uv", "infrared", "x_ray", "microscope", "endoscope"}
	Grades    = []Grade{Good, Fair, Poor, Unacceptable}
	// Priorities run from days (urgent) over three months (high) and a year (medium) to none.
	Priorities = []string{"urgent", "high", "medium", "low", "none"}
)

// Grade is the overall condition.
type Grade string

// The grades of Scale.
const (
	Good         Grade = "good"
	Fair         Grade = "fair"
	Poor         Grade = "poor"
	Unacceptable Grade = "unacceptable"
)

// Scale names what the grades are taken from; scales are never mixed.
const Scale = "Keene 1991, four grades"

// Means says what a grade stands for.
func (g Grade) Means() string {
	switch g {
	case Good:
		return "sound in the context of its collection, little or no sign of use, stable"
	case Fair:
		return "minor damage, wear, loss or disfigurement, but stable"
	case Poor:
		return "probably unstable, or large damage or loss; restricted use"
	case Unacceptable:
		return "severely weakened, highly unstable, actively deteriorating, or endangering other objects"
	}
	return ""
}

func (g Grade) rank() int { return slices.Index(Grades, g) }

// Named is a person with a name.
type Named struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

// Circumstances are how the look was taken: the first group of a draft.
type Circumstances struct {
	Occasion   Occasion   `json:"occasion" validate:"required,oneof=acquisition survey periodic_check before_treatment after_treatment outgoing arrival departure return incident"`
	ExaminedOn string     `json:"examined_on" validate:"required,datetime=2006-01-02"` // the day of the look
	AskedBy    string     `json:"asked_by" validate:"max=300"`                         // who wanted it
	AssistedBy string     `json:"assisted_by" validate:"max=500"`                      // who else looked
	PlaceID    *domain.ID `json:"place_id,omitempty"`                                  // absent also for whoever may not see it (P3)
	Place      string     `json:"place" validate:"max=300"`                            // in words, where it is no place of ours
	Light      []string   `json:"light" validate:"max=9,unique,dive,oneof=normal raking transmitted specular uv infrared x_ray microscope endoscope"`
	Technique  string     `json:"technique" validate:"max=4000"`  // what was used, and how
	Conditions string     `json:"conditions" validate:"max=4000"` // access, mounted or not, what hindered the look
	Handles    *bool      `json:"handles"`                        // hands were on the object; nil: not said yet
	HandlingID *domain.ID `json:"handling_id,omitempty"`          // the logged handling (H1)
}

// Judgement is what the examiner concludes: the last group of a draft.
type Judgement struct {
	Overall        Grade  `json:"overall" validate:"omitempty,oneof=good fair poor unacceptable"`
	OverallReason  string `json:"overall_reason" validate:"max=2000"` // where the grade is better than the observations suggest
	Priority       string `json:"priority" validate:"omitempty,oneof=urgent high medium low none"`
	NextCheckOn    string `json:"next_check_on" validate:"omitempty,datetime=2006-01-02"`
	Risk           string `json:"risk" validate:"max=4000"` // what happens if nothing is done
	Recommendation string `json:"recommendation" validate:"max=8000"`
}

// Looked says of one component whether it was looked at.
type Looked struct {
	ComponentID domain.ID `json:"component_id" validate:"required"`
	Seen        *bool     `json:"seen"` // nil: not answered yet
	Reason      string    `json:"reason" validate:"max=1000"`
}

// Seen is what was said of a component.
type Seen struct {
	ComponentID domain.ID `json:"component_id"`
	Called      string    `json:"called,omitempty"` // as people call it; of a signed examination as it was called then
	Seen        *bool     `json:"seen"`             // nil: not answered yet
	Reason      string    `json:"reason"`
}

// Unseen says whether it was said that the component was not looked at.
func (s Seen) Unseen() bool { return s.Seen != nil && !*s.Seen }

// Identified is what the object was called and made of on the day of signing.
type Identified struct {
	Number     string                 `json:"number"`
	Title      string                 `json:"title"`
	Kind       string                 `json:"kind"`
	Makers     []string               `json:"makers"`
	DateMade   string                 `json:"date_made"`
	PlaceMade  string                 `json:"place_made"`
	Department string                 `json:"department"`
	Status     collection.LegalStatus `json:"legal_status"`
	Dimensions []collection.Dimension `json:"dimensions"`
	MassKG     *decimal.Decimal       `json:"mass_kg"`
	Materials  []string               `json:"materials"`
	Components int                    `json:"components"`
}

// PhotoRef is a photograph of the examination; the hash is that of the original file.
type PhotoRef struct {
	ID     domain.ID `json:"id"`
	SHA256 string    `json:"sha256"`
}

// Addendum corrects or completes a signed examination, which itself stays (E1). It is sealed in its turn,
// and does not re-date what it corrects.
type Addendum struct {
	ID     domain.ID     `json:"id"`
	Number int           `json:"number"` // 1, 2, 3 …
	Field  string        `json:"field"`  // what it is about
	Old    string        `json:"old_statement"`
	New    string        `json:"new_statement"`
	Reason string        `json:"reason"`
	By     Named         `json:"by"`
	Roles  []domain.Role `json:"roles"`
	At     time.Time     `json:"at"`
}

// Answered is what a conservator answered to an alarm (E5).
type Answered struct {
	Kind        string     `json:"kind"` // treatment, noted
	TreatmentID *domain.ID `json:"treatment_id,omitempty"`
	Reason      string     `json:"reason"`
	By          Named      `json:"by"`
	At          time.Time  `json:"at"`
}

// Examination is the record of one look at one object.
type Examination struct {
	ID           domain.ID  `json:"id"`
	ObjectID     domain.ID  `json:"object_id"`
	ObjectNumber string     `json:"object_number"`
	State        State      `json:"state"`
	FollowsID    *domain.ID `json:"follows_id,omitempty"` // the signed examination whose observations were carried forward
	FollowsOn    string     `json:"follows_on,omitempty"` // the day of that one
	LoanID       *domain.ID `json:"loan_id,omitempty"`    // what it was made for
	TreatmentID  *domain.ID `json:"treatment_id,omitempty"`
	Examiner     Named      `json:"examiner"`

	Circumstances `json:"circumstances"`
	Description   string `json:"description"` // construction, earlier treatment, accessories, marks
	Judgement     `json:"judgement"`

	Components   []Seen        `json:"components"`
	Observations []Observation `json:"observations"`
	Photos       []PhotoRef    `json:"photos"`

	CreatedAt time.Time     `json:"created_at"`
	CreatedBy domain.ID     `json:"created_by"`
	ChangedAt time.Time     `json:"changed_at"`
	ChangedBy Named         `json:"changed_by"`
	SignedAt  *time.Time    `json:"signed_at,omitempty"`
	SignedAs  []domain.Role `json:"signed_as"` // the examiner's roles on that day
	// Identified is there once it is signed.
	Identified *Identified `json:"identified,omitempty"`
	Alarm      string      `json:"alarm"`                // why it must be heard of at once (E5); empty: no reason
	OpenSince  *time.Time  `json:"open_since,omitempty"` // it waits for a conservator's answer
	Answer     *Answered   `json:"answer,omitempty"`
	Addenda    []Addendum  `json:"addenda"`
	Version    int64       `json:"version"`

	PlacePath *string `json:"place_path,omitempty"` // of PlaceID
	Hidden    bool    `json:"-"`                    // the place is sensitive

	domain.Raised `json:"-" db:"-"`
}

// PhotoIDs are the photographs in their order.
func (e *Examination) PhotoIDs() []domain.ID {
	ids := make([]domain.ID, len(e.Photos))
	for i, p := range e.Photos {
		ids[i] = p.ID
	}
	return ids
}

// Component is what was said of a component; nil: nothing yet.
func (e *Examination) Component(id domain.ID) *Seen {
	for i := range e.Components {
		if e.Components[i].ComponentID == id {
			return &e.Components[i]
		}
	}
	return nil
}

// Looks are what was said of the components, as it can be changed and sent again.
func (e *Examination) Looks() []Looked {
	all := make([]Looked, len(e.Components))
	for i, s := range e.Components {
		all[i] = Looked{ComponentID: s.ComponentID, Seen: s.Seen, Reason: s.Reason}
	}
	return all
}

// Observation finds an observation by its ID; nil when it is not of this examination.
func (e *Examination) Observation(id domain.ID) *Observation {
	for i := range e.Observations {
		if e.Observations[i].ID == id {
			return &e.Observations[i]
		}
	}
	return nil
}

// unseen says whether the component, or one that carries it, was not looked at.
func (e *Examination) unseen(id *domain.ID) bool {
	if id == nil {
		return false
	}
	c := e.Component(*id)
	return c != nil && c.Unseen()
}

// visibleTo leaves the place out for whoever may not see it (P3).
func (e *Examination) visibleTo(by domain.Actor) *Examination {
	if e.Hidden && !by.MaySeeValues("") {
		e.PlaceID, e.PlacePath = nil, nil
	}
	return e
}

// MayWrite says who may change a draft: its examiner and every conservator. Others read it.
func (e *Examination) MayWrite(by domain.Actor) error {
	switch {
	case e.State == Signed:
		return domain.RefuseState("E1", "This examination is signed and never changes. Write an addendum beside it.")
	case by.ID != e.Examiner.ID && !by.Has(domain.Conservator):
		return domain.Forbidden("This is the draft of " + e.Examiner.Name + ". You may read it; its examiner and conservators may write it.")
	}
	return by.May(Write)
}

func (e *Examination) raise(by domain.Actor, kind string, change any, at time.Time) {
	e.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "examination", Subject: e.ID, Object: &e.ObjectID, Kind: kind, Change: change})
}

func (e *Examination) touched(by domain.Actor, at time.Time) {
	e.ChangedAt, e.ChangedBy = at, Named{by.ID, by.Name}
}
