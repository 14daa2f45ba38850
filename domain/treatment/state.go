package treatment

import (
	"fmt"
	"strings"
	"time"

	"farthingale/domain"
)

// State is where a treatment stands: drafting → submitted → approved | declined | back to drafting;
// approved → under way → completed → signed. A proposal may be withdrawn before work begins, and an
// approval that is not used lapses.
type State string

// The states.
const (
	Drafting  State = "drafting"
	Submitted State = "submitted"
	Approved  State = "approved"
	UnderWay  State = "under_way"
	Completed State = "completed"
	Signed    State = "signed"
	Declined  State = "declined"
	Withdrawn State = "withdrawn"
	Lapsed    State = "lapsed"
)

// States lists every state in the order in which a treatment passes them.
var States = []State{Drafting, Submitted, Approved, UnderWay, Completed, Signed, Declined, Withdrawn, Lapsed}

// Words is the state as people write it.
func (s State) Words() string { return strings.ReplaceAll(string(s), "_", " ") }

// Closed says whether nothing can follow any more.
func (s State) Closed() bool { return s == Signed || s == Declined || s == Withdrawn || s == Lapsed }

// Hold is a later decision that stops further steps.
type Hold string

// The holds. NoHold is the usual case.
const (
	NoHold    Hold = ""
	Suspended Hold = "suspended"
	Revoked   Hold = "revoked"
)

// Who is a person by identifier and by the name that they had then.
type Who struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

func who(a domain.Actor) Who { return Who{ID: a.ID, Name: a.Name} }

// Signature says who set their name to something, in which roles, with what meaning, and when.
type Signature struct {
	By        Who           `json:"by"`
	Roles     []domain.Role `json:"roles"`
	Meaning   string        `json:"meaning"` // prepared, approve, decline …
	At        time.Time     `json:"at"`
	Statement string        `json:"statement"`
}

func sign(by domain.Actor, meaning, statement string, at time.Time) *Signature {
	roles := by.Roles
	if roles == nil {
		roles = []domain.Role{}
	}
	return &Signature{By: who(by), Roles: roles, Meaning: meaning, At: at, Statement: statement}
}

// Treatment is one course of direct work on an object, from the first draft to the last addendum.
type Treatment struct {
	ID           domain.ID `json:"id"`
	ObjectID     domain.ID `json:"object_id"`
	ObjectNumber string    `json:"object_number"`
	ObjectTitle  string    `json:"object_title"`
	Department   string    `json:"department"` // of the object, at present
	Number       int       `json:"number"`     // 1, 2, 3 … within the object
	State        State     `json:"state"`
	Hold         Hold      `json:"hold,omitempty"`
	InCharge     Who       `json:"in_charge"` // the conservator in charge

	Proposal     Proposal      `json:"proposal"` // the present text; it changes only while drafting
	Versions     []Version     `json:"versions"` // every text that was ever submitted
	Amendments   []Amendment   `json:"amendments"`
	Decisions    []Decision    `json:"decisions"`
	Conditions   []Condition   `json:"conditions"`
	Steps        []Work        `json:"steps"`
	Departures   []Work        `json:"departures"`
	Completion   *Completion   `json:"completion,omitempty"`
	Designations []Designation `json:"designations"`
	Addenda      []Addendum    `json:"addenda"`
	Parties      []Party       `json:"parties"` // who is on which side (T2)

	ApprovedAt  *time.Time `json:"approved_at,omitempty"`
	TermEndsAt  *time.Time `json:"term_ends_at,omitempty"` // from here on an approval that was not begun has lapsed
	CompletedBy *Signature `json:"completed,omitempty"`
	SignedBy    *Signature `json:"signed,omitempty"`
	WithdrawnBy *Signature `json:"withdrawn,omitempty"`
	LapsedAt    *time.Time `json:"lapsed_at,omitempty"`
	Version     int64      `json:"version"`
	CreatedAt   time.Time  `json:"created_at"`

	// Told to the reader; computed from the rest.
	Standing  string         `json:"standing"`
	NextMoves []Move         `json:"next_moves"`
	Missing   []string       `json:"missing"`  // what the next submission or completion still lacks
	Warnings  []string       `json:"warnings"` // expected, not needed
	Materials []MaterialUsed `json:"materials_used"`

	domain.Raised `json:"-"`
}

// Called names the treatment as people do: "1968.14.2, treatment 3".
func (t *Treatment) Called() string { return fmt.Sprintf("%s, treatment %d", t.ObjectNumber, t.Number) }

func (t *Treatment) raise(by domain.Actor, kind string, change any, at time.Time) {
	actor, object := &by.ID, t.ObjectID
	if by.ID == (domain.ID{}) {
		actor = nil // a job
	}
	t.Raise(domain.Event{At: at, ActorID: actor, Area: "treatment", Subject: t.ID, Object: &object, Kind: kind, Change: change})
}

// Stands says in words where the treatment stands. 'Approved with conditions' is never shortened to
// 'approved' (T3).
func (t *Treatment) Stands() string {
	words := t.State.Words()
	if n := len(t.Conditions); n > 0 && (t.State == Approved || t.State == UnderWay) {
		words += map[State]string{Approved: " with conditions", UnderWay: ", approved with conditions"}[t.State]
	}
	switch {
	case t.Hold == Suspended:
		words += ", suspended"
	case t.Hold == Revoked:
		words += ", approval revoked"
	case t.State == Submitted:
		words = fmt.Sprintf("version %d submitted", t.latest(0).Number)
	}
	return words
}

// Mover is who has a move.
type Mover string

// The movers.
const (
	ByConservator Mover = "conservator" // the one in charge
	ByCurator     Mover = "curator"     // of the object's department, not on the doing side
	BySecond      Mover = "second_authoriser"
)

// Move is a next move: who has it, and what it is.
type Move struct {
	Who  Mover  `json:"who"`
	Name string `json:"name"` // of the person, or of the office
	What string `json:"what"` // "decide on version 2"
}

// NextMove says who has to do what next. A treatment that is settled has none; an open amendment has
// a move of its own beside the work that may go on (T5).
func (t *Treatment) NextMove(site domain.Site) []Move {
	moves := []Move{}
	charge := func(what string) { moves = append(moves, Move{ByConservator, t.InCharge.Name, what}) }
	curator := func(what string) {
		moves = append(moves, Move{ByCurator, "a curator of " + t.Department, what})
	}
	switch t.State {
	case Drafting:
		charge("write and submit the proposal")
	case Submitted:
		curator(fmt.Sprintf("decide on version %d", t.latest(0).Number))
	case Approved, UnderWay:
		failed, open := t.pending(0)
		switch {
		case t.Hold == Suspended:
			curator("resume the work or revoke the approval")
		case t.Hold == Revoked && t.State == Approved:
			charge("withdraw the treatment: its approval is revoked")
		case t.Hold == Revoked:
			charge("complete the record of what was done: the approval is revoked")
		case len(failed) > 0:
			curator("decide anew: " + failed[0] + " has failed")
		case len(open) > 0:
			charge(open[0])
		case t.State == Approved:
			what := "begin"
			if t.TermEndsAt != nil {
				what += " by " + t.TermEndsAt.In(site.Zone).AddDate(0, 0, -1).Format("2 January 2006")
			}
			charge(what)
		default:
			charge("log the work, then complete")
		}
	case Completed:
		charge("sign")
	}
	for _, a := range t.Amendments {
		switch {
		case t.State != Approved && t.State != UnderWay:
		case a.State == Submitted:
			curator(fmt.Sprintf("decide on amendment %d, version %d", a.Number, t.latest(a.Number).Number))
		case a.State == Drafting:
			charge(fmt.Sprintf("submit or withdraw amendment %d", a.Number))
		case a.State == Approved:
			failed, open := t.pending(a.Number)
			if len(failed) > 0 {
				curator(fmt.Sprintf("decide anew: %s of amendment %d has failed", failed[0], a.Number))
			} else if len(open) > 0 {
				charge(open[0])
			}
		}
	}
	for _, d := range t.Designations {
		if d.Awaiting() {
			moves = append(moves, Move{BySecond, "another curator of " + t.Department + " or a registrar", "authorise the disposal of " + d.Called})
		}
	}
	return moves
}

// refuseState is the refusal of an act that the present state does not allow.
func (t *Treatment) refuseState(rule, act string, in ...State) error {
	words := make([]string, len(in))
	for i, s := range in {
		words[i] = s.Words()
	}
	return domain.RefuseState(rule, fmt.Sprintf("This is %s; it can be %s only while it is %s.", t.State.Words(), act, strings.Join(words, " or ")))
}

// Fold is a text as it is compared: in lower case, with single spaces.
func Fold(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

func nonNil[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}
