package treatment

import (
	"context"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/people"
	"farthingale/domain/record"
)

// PhotoRef is a photograph as this area needs to know it.
type PhotoRef struct {
	ID         domain.ID   `json:"id"`
	Components []domain.ID `json:"components"`
	View       string      `json:"view"`
	Stage      string      `json:"stage"` // before, during, after, …
	SHA256     string      `json:"sha256" db:"sha256"`
	TakenAt    *time.Time  `json:"taken_at,omitempty"`
}

// HandlingNote tells the handling area that hands were on an object, so that nothing is typed twice
// (H1).
type HandlingNote struct {
	WorkID     domain.ID
	ObjectID   domain.ID
	At         time.Time
	Hands      []Who
	Components []domain.ID
	Minutes    int
	Gloves     string
	Noticed    []string // noise, powder … raise a stop there (H2)
	Controls   string   // kept or not_kept, where there are hazards
	Note       string
}

// FragmentNote asks the collection for a component of function fragment.
type FragmentNote struct {
	ObjectID domain.ID
	FromID   domain.ID
	Name     string
	Evidence string // where it lay, how surely it belongs there
}

// What this area asks of others. Each joins the transaction that its context carries.
type (
	// Sheets gives the make-up of an object.
	Sheets interface {
		Sheet(ctx context.Context, objectID domain.ID) (*collection.Sheet, error)
	}
	// Stops refuses work on components under a stop (H3); nil means none.
	Stops interface {
		Refusal(ctx context.Context, objectID domain.ID, componentIDs []domain.ID) error
	}
	// Notices tells people at once.
	Notices interface {
		Notify(ctx context.Context, n agenda.Notice) error
	}
	// Handlings makes a handling event of a work.
	Handlings interface {
		FromTreatment(ctx context.Context, actor domain.Actor, n HandlingNote) error
	}
	// Fragments makes a component of a part that came away.
	Fragments interface {
		Fragment(ctx context.Context, actor domain.Actor, n FragmentNote) (Part, error)
	}
	// Photos lists the photographs of an object.
	Photos interface {
		OfObject(ctx context.Context, objectID domain.ID) ([]PhotoRef, error)
	}
	// Curators lists the open curators of a department.
	Curators interface {
		CuratorsOf(ctx context.Context, department string) ([]people.Person, error)
	}
	// Seals seals signed documents.
	Seals interface {
		Seal(ctx context.Context, actorID domain.ID, kind string, subjectID domain.ID, objectID *domain.ID, document any, at time.Time) (record.Seal, error)
	}
)

// Filter narrows a list of treatments; zero values do not narrow.
type Filter struct {
	State      State      `json:"state,omitempty"`
	ObjectID   *domain.ID `json:"object_id,omitempty"`
	Department string     `json:"department,omitempty"`
	Move       Mover      `json:"move,omitempty"`      // who has a next move
	InCharge   *domain.ID `json:"in_charge,omitempty"` // whose charge it is
}

// Line is a treatment as a list shows it.
type Line struct {
	ID           domain.ID `json:"id"`
	ObjectID     domain.ID `json:"object_id"`
	ObjectNumber string    `json:"object_number"`
	ObjectTitle  string    `json:"object_title"`
	Department   string    `json:"department"`
	Number       int       `json:"number"`
	Title        string    `json:"title"`
	State        State     `json:"state"`
	Standing     string    `json:"standing"`
	InCharge     Who       `json:"in_charge" db:"-"`
	Movers       []Mover   `json:"movers"`
	ChangedAt    time.Time `json:"changed_at"`
}

// MaterialUse is one component that received a product or batch, in a step, a departure or an
// emergency, signed or not.
type MaterialUse struct {
	ObjectID     domain.ID  `json:"object_id"`
	ObjectNumber string     `json:"object_number"`
	ComponentID  domain.ID  `json:"component_id"`
	Called       string     `json:"called"`
	TreatmentID  *domain.ID `json:"treatment_id,omitempty"`
	WorkID       domain.ID  `json:"work_id"`
	Kind         Kind       `json:"kind"`
	HappenedAt   time.Time  `json:"happened_at"`
	Material     string     `json:"material"`
	Product      string     `json:"product"`
	Batch        string     `json:"batch"`
}

// MaterialQuery asks who received what. At least one of its parts must be given.
type MaterialQuery struct {
	Product     string `json:"product,omitempty" validate:"required_without_all=Batch MaterialKey,max=200"`
	Batch       string `json:"batch,omitempty" validate:"max=120"`
	MaterialKey string `json:"material_key,omitempty" validate:"max=80"`
}

// AnyVersion lets a job, or an act that is not on the treatment itself, change a treatment in whatever
// version it is.
const AnyVersion int64 = 0

// Store keeps treatments and emergencies. Update and UpdateStabilisation read the whole under lock,
// let change decide, and write what it changed and the events it raised; change is called with the
// transaction in its context.
type Store interface {
	Add(ctx context.Context, t *Treatment) error
	One(ctx context.Context, id domain.ID) (*Treatment, error)
	Update(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, t *Treatment) error) (*Treatment, error)
	List(ctx context.Context, f Filter, q domain.PageQuery) (domain.Page[Line], error)
	// PastTerm lists approvals whose term ended by then, with the versions they were read at.
	PastTerm(ctx context.Context, at time.Time, limit int) ([]domain.ID, error)

	AddStabilisation(ctx context.Context, e *Stabilisation) error
	Stabilisation(ctx context.Context, id domain.ID) (*Stabilisation, error)
	UpdateStabilisation(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, e *Stabilisation) error) (*Stabilisation, error)
	// Stabilisations lists them, the newest first; open ones only when asked for.
	Stabilisations(ctx context.Context, f StabilisationFilter, q domain.PageQuery) (domain.Page[Stabilisation], error)

	MaterialUses(ctx context.Context, m MaterialQuery, q domain.PageQuery) (domain.Page[MaterialUse], error)

	// People and Materials give those of the asked-for that exist.
	People(ctx context.Context, ids []domain.ID) (map[domain.ID]people.Person, error)
	Materials(ctx context.Context, keys []string) (map[string]string, error)

	// Holding reads the treatment that holds the subject of a seal of this kind.
	Holding(ctx context.Context, kind string, subjectID domain.ID) (*Treatment, error)
}

// StabilisationFilter narrows a list of emergencies; zero values do not narrow.
type StabilisationFilter struct {
	ObjectID    *domain.ID `json:"object_id,omitempty"`
	TreatmentID *domain.ID `json:"treatment_id,omitempty"`
	Department  string     `json:"department,omitempty"`
	Open        bool       `json:"open,omitempty"`
}
