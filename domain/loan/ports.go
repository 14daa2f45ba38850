package loan

import (
	"context"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/record"
)

// Store keeps loans. Update reads the whole loan under lock, checks the version, lets change decide,
// and writes what changed and what was added, with the events raised.
type Store interface {
	// Add writes a new loan and gives it the next reference of the year.
	Add(ctx context.Context, l *Loan, year int) error
	Update(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, l *Loan) error) (*Loan, error)
	One(ctx context.Context, id domain.ID) (*Loan, error)
	// Owner is the loan that something belongs to.
	Owner(ctx context.Context, of Owned, id domain.ID) (domain.ID, error)
	// ByReference finds a loan by "L.2026.3", in capitals or not.
	ByReference(ctx context.Context, reference string) (domain.ID, error)
	List(ctx context.Context, f Filter, q domain.PageQuery) (domain.Page[Summary], error)
	// Due are the loans away whose end or insurance lies at most so many days after a day, or before it.
	Due(ctx context.Context, on Day, days int) ([]Due, error)
	// Remind notes that reminders are given, and gives back those that were not given before.
	Remind(ctx context.Context, due []Due, at time.Time) ([]Due, error)

	// ObjectID finds an object by its number.
	ObjectID(ctx context.Context, n collection.Number) (domain.ID, error)
	// Sheets are the make-ups of several objects at once.
	Sheets(ctx context.Context, objectIDs []domain.ID) (map[domain.ID]*collection.Sheet, error)
	// Hazards are what the materials of several objects call for, and what was assessed about them.
	Hazards(ctx context.Context, objectIDs []domain.ID) (map[domain.ID][]handling.MaterialHazard, map[domain.ID][]handling.Assessment, error)
	// Elsewhere is what of several objects is away with other loans.
	Elsewhere(ctx context.Context, except domain.ID, objectIDs []domain.ID) (map[domain.ID][]Elsewhere, error)
}

// Elsewhere is something that is away with another loan.
type Elsewhere struct {
	ObjectID     domain.ID
	ComponentIDs []domain.ID // none: the whole
	Reference    string      // of the other loan
}

// Owned says what an ID names that belongs to a loan.
type Owned string

// What belongs to a loan and can be named by itself.
const (
	OwnedLine       Owned = "line"
	OwnedStatement  Owned = "statement"
	OwnedInsurance  Owned = "insurance"
	OwnedAssessment Owned = "assessment"
	OwnedConsent    Owned = "consent"
	OwnedAddendum   Owned = "addendum"
	OwnedApproval   Owned = "approval"
	OwnedFacilities Owned = "facilities"
	OwnedAgreement  Owned = "agreement"
	OwnedSignature  Owned = "signature"
	OwnedHandOver   Owned = "hand_over"
	OwnedStage      Owned = "stage"
)

// Stops knows the stops (H3).
type Stops interface {
	// Standing are the stops in force on some objects.
	Standing(ctx context.Context, objectIDs ...domain.ID) ([]handling.Stop, error)
	// Refusal also keeps a stop from being raised before the act is done.
	Refusal(ctx context.Context, objectID domain.ID, componentIDs []domain.ID) error
}

// Emergencies knows the emergency stabilisations whose ratification is open (T6), in words, by object.
type Emergencies interface {
	OpenEmergencies(ctx context.Context, objectIDs ...domain.ID) (map[domain.ID][]string, error)
}

// Away knows which components are not with their objects (C5), by object and by label: ".4a".
type Away interface {
	PartsAwayOf(ctx context.Context, objectIDs ...domain.ID) (map[domain.ID][]string, error)
}

// Item is an object, or a component of one, that moves by itself.
type Item struct {
	ObjectID    domain.ID
	ComponentID *domain.ID // nil: the whole object
}

// Moves carries things from place to place, in the caller's transaction.
type Moves interface {
	// Carry moves things to a place. With a carrier they are in transit there until they are carried
	// again without one. back, when it is a day, is when they are expected back.
	Carry(ctx context.Context, by domain.Actor, items []Item, placeID domain.ID, carrier, reason string, back Day) error
}

// Notices tells people what they must hear of at once, in the caller's transaction.
type Notices interface {
	Notify(ctx context.Context, n agenda.Notice) error
}

// Incidents opens incidents in the caller's transaction (L4).
type Incidents interface {
	// Open opens an incident for each condition of a hand-over of the loan.
	Open(ctx context.Context, by domain.Actor, l *Loan, h *HandOver, found []LineCondition) error
}

// Seals seals what is signed.
type Seals interface {
	Seal(ctx context.Context, actorID domain.ID, kind string, subjectID domain.ID, objectID *domain.ID, document any, at time.Time) (record.Seal, error)
	Of(ctx context.Context, subjectID domain.ID) ([]record.Seal, error)
	Head(ctx context.Context) (record.Head, error)
}

// Filter narrows a list of loans; zero values do not narrow.
type Filter struct {
	State    State      `json:"state,omitempty" validate:"omitempty,oneof=request assessing agreed_in_principle agreement_issued agreement_signed prepared dispatched received on_display packing returned closed declined cancelled recalled"`
	ObjectID *domain.ID `json:"object_id,omitempty"`
	Open     bool       `json:"open,omitempty"` // only loans that are not over
}

// Summary is a loan as a list shows it.
type Summary struct {
	ID        domain.ID `json:"id"`
	Reference string    `json:"reference"`
	State     State     `json:"state"`
	Borrower  string    `json:"borrower"`
	Purpose   string    `json:"purpose"`
	From      Day       `json:"from_on"`
	Until     Day       `json:"until_on"`
	Venues    []string  `json:"venues"`
	Objects   []string  `json:"objects"` // what is lent, as it is called
	CreatedAt time.Time `json:"created_at"`
}

// Due is a loan whose end, or whose insurance, comes near (L6).
type Due struct {
	LoanID      domain.ID `json:"loan_id"`
	Reference   string    `json:"reference"`
	Borrower    string    `json:"borrower"`
	State       State     `json:"state"`
	Departments []string  `json:"departments"`
	What        string    `json:"what"`        // end, insurance
	On          Day       `json:"on"`          // the last day
	Days        int       `json:"days"`        // until then; negative: past
	Within      int       `json:"within_days"` // 30, 7 or 1 days; 0: past
}
