package examination

import (
	"time"

	"github.com/google/uuid"

	"farthingale/domain"
)

// subject is the record under which events of a word for damage are kept.
func subject(key string) domain.ID {
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte("damage_term:"+key))
}

// sealedObservation is an observation as it is sealed: nothing of it follows from other records.
type sealedObservation struct {
	ID        domain.ID  `json:"id"`
	Component *domain.ID `json:"component"`
	Called    string     `json:"called"`
	TermName  string     `json:"term_name"`
	Continues *domain.ID `json:"continues"`
	Finding
}

// Mark is a mark on a photograph as it is sealed: what it marks, and where, in pixels of the upright original.
// Figures are text, as they are kept.
type Mark struct {
	ID            domain.ID `json:"id"`
	PhotoID       domain.ID `json:"photo_id"`
	ObservationID domain.ID `json:"observation_id"`
	Kind          string    `json:"kind"`
	Points        string    `json:"points"` // x y x y …
	PrecisionPX   string    `json:"precision_px"`
	Note          string    `json:"note"`
}

// Document is what is sealed when an examination is signed, from rows that never change: the whole of it,
// without addenda and answer, which come later. Names of places may change, so the place is sealed as what was
// written and which place was chosen.
func (e *Examination) Document(marks []Mark) any {
	if marks == nil {
		marks = []Mark{}
	}
	observations := make([]sealedObservation, len(e.Observations))
	for i, o := range e.Observations {
		observations[i] = sealedObservation{o.ID, o.ComponentID, o.Called, o.TermName, o.ContinuesID, o.Finding}
	}
	return struct {
		Examination   domain.ID           `json:"examination"`
		Object        domain.ID           `json:"object"`
		Identified    *Identified         `json:"identified"`
		Scale         string              `json:"scale"`
		Examiner      Named               `json:"examiner"`
		SignedAs      []domain.Role       `json:"signed_as"`
		SignedAt      string              `json:"signed_at"`
		Follows       *domain.ID          `json:"follows"`
		Loan          *domain.ID          `json:"loan"`
		Treatment     *domain.ID          `json:"treatment"`
		Circumstances Circumstances       `json:"circumstances"`
		Description   string              `json:"description"`
		Components    []Seen              `json:"components"`
		Observations  []sealedObservation `json:"observations"`
		Photos        []PhotoRef          `json:"photos"`
		Marks         []Mark              `json:"marks"`
		Judgement     Judgement           `json:"judgement"`
		Alarm         string              `json:"alarm"`
	}{e.ID, e.ObjectID, e.Identified, Scale, e.Examiner, e.SignedAs, stamp(*e.SignedAt), e.FollowsID, e.LoanID, e.TreatmentID,
		e.Circumstances, e.Description, e.Components, observations, e.Photos, marks, e.Judgement, e.Alarm}
}

// addendumDocument is what is sealed of an addendum.
func (e *Examination) addendumDocument(a Addendum) any {
	return struct {
		Examination domain.ID     `json:"examination"`
		Addendum    domain.ID     `json:"addendum"`
		Number      int           `json:"number"`
		Field       string        `json:"field"`
		Old         string        `json:"old_statement"`
		New         string        `json:"new_statement"`
		Reason      string        `json:"reason"`
		By          Named         `json:"by"`
		Roles       []domain.Role `json:"roles"`
		At          string        `json:"at"`
	}{e.ID, a.ID, a.Number, a.Field, a.Old, a.New, a.Reason, a.By, a.Roles, stamp(a.At)}
}

// stamp is a time as the database keeps it, to the microsecond.
func stamp(t time.Time) string { return t.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano) }
