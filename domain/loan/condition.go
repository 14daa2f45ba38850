package loan

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// Statement is a conservator's signed statement of the condition in which something goes out: it names the signed
// examination that says it. Statements from before examinations were kept here say it in words. The age of a
// statement runs from the day on which the thing was looked at; neither signing nor an addendum makes it
// younger (L3).
type Statement struct {
	ID            domain.ID  `json:"id"`
	LineID        domain.ID  `json:"line_id"`
	ObjectID      domain.ID  `json:"object_id"`
	Called        string     `json:"called"`
	ExaminationID *domain.ID `json:"examination_id,omitempty"`
	ExaminedOn    Day        `json:"examined_on"`
	Text          string     `json:"text"`
	NotSeen       string     `json:"not_seen,omitempty"` // what could not be looked at, and why
	By            Who        `json:"by"`
	At            time.Time  `json:"at"` // signed
	Addenda       []Addendum `json:"addenda"`
}

// Addendum corrects a statement, which itself stays as it was signed.
type Addendum struct {
	ID          domain.ID `json:"id"`
	StatementID domain.ID `json:"statement_id"`
	Text        string    `json:"text"`
	By          Who       `json:"by"`
	At          time.Time `json:"at"`
}

// NewStatement signs an outgoing condition statement.
type NewStatement struct {
	ExaminationID domain.ID `json:"examination_id" validate:"required"` // a signed outgoing one of the object
	Text          string    `json:"text" validate:"max=20000"`          // what is to be said beside it
}

// NewAddendum writes an addendum.
type NewAddendum struct {
	Text string `json:"text" validate:"required,max=8000"`
}

// StateCondition signs the condition of what is on a line before it goes out.
func (l *Loan) StateCondition(by domain.Actor, lineID domain.ID, n NewStatement, at time.Time) error {
	if err := by.May(Assess); err != nil {
		return err
	}
	line, err := l.present(lineID)
	if err != nil {
		return err
	}
	if err := l.before("state the outgoing condition for"); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	i := slices.IndexFunc(l.Examined, func(e Examined) bool {
		return e.ID == n.ExaminationID && e.ObjectID == line.ObjectID && e.Occasion == OutgoingOccasion
	})
	if i < 0 {
		return domain.Invalid("/examination_id", "examination", "Name a signed examination of "+line.Called()+" that was made before it goes out.")
	}
	e := &l.Examined[i]
	if !e.covers(line) {
		return domain.Invalid("/examination_id", "seen", "Not everything that is lent was seen at this examination: "+e.NotSeen+". Examine it again.")
	}
	text := "Overall " + e.Overall + ", by the examination of " + e.ExaminedOn.Words() + " by " + e.By + "."
	if more := strings.TrimSpace(n.Text); more != "" {
		text += " " + more
	}
	s := Statement{ID: domain.NewID(), LineID: line.ID, ObjectID: line.ObjectID, Called: line.Called(), ExaminationID: &e.ID, ExaminedOn: e.ExaminedOn,
		Text: text, NotSeen: e.NotSeen, By: who(by), At: at, Addenda: []Addendum{}}
	line.Statements = append(line.Statements, s)
	l.Added.Statements = append(l.Added.Statements, s)
	l.raise(by, &line.ObjectID, "condition_stated", map[string]any{"line": line.ID, "examined_on": s.ExaminedOn, "examination": e.ID}, at)
	l.begin(by, at)
	return nil
}

// AddAddendum corrects a signed statement of this loan.
func (l *Loan) AddAddendum(by domain.Actor, statementID domain.ID, n NewAddendum, at time.Time) error {
	if err := by.May(Assess); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	for i := range l.Lines {
		for j := range l.Lines[i].Statements {
			s := &l.Lines[i].Statements[j]
			if s.ID != statementID {
				continue
			}
			a := Addendum{ID: domain.NewID(), StatementID: s.ID, Text: strings.TrimSpace(n.Text), By: who(by), At: at}
			s.Addenda = append(s.Addenda, a)
			l.Added.Addenda = append(l.Added.Addenda, a)
			l.raise(by, &s.ObjectID, "condition_amended", map[string]any{"statement": s.ID}, at)
			return nil
		}
	}
	return domain.NotFound("There is no such condition statement.")
}

// outgoing is the statement with the latest day of examination; nil when there is none.
func (n *Line) outgoing() *Statement {
	var last *Statement
	for i := range n.Statements {
		if last == nil || n.Statements[i].ExaminedOn >= last.ExaminedOn {
			last = &n.Statements[i]
		}
	}
	return last
}

// unstated says what is missing about the outgoing condition for a dispatch on a day, or nothing (L3).
// most is how many days back the examination may lie.
func (n *Line) unstated(dispatch Day, most int) string {
	s := n.outgoing()
	if s == nil {
		return "a signed outgoing examination of " + n.Called() + ", named on its line"
	}
	if age := dispatch.Since(s.ExaminedOn); age > most {
		return "a later outgoing condition of " + n.Called() + ": it was last looked at on " + s.ExaminedOn.Words() + ", " + decimals(age) +
			" days before the dispatch; at most " + decimals(most) + " are allowed"
	}
	return ""
}

// HandOver is a passing from hand to hand, with the condition of each line (L4). It is never changed.
type HandOver struct {
	ID             domain.ID       `json:"id"`
	Stage          State           `json:"stage"`              // dispatched, received, packing, returned
	VenueID        *domain.ID      `json:"venue_id,omitempty"` // received there
	Place          string          `json:"place"`              // where it happened
	GivenBy        string          `json:"given_by"`
	ReceivedBy     string          `json:"received_by"`
	Carrier        string          `json:"carrier,omitempty"`
	CratesAndSeals string          `json:"crates_and_seals"` // counted, with their numbers
	HappenedOn     Day             `json:"happened_on"`
	Authoriser     *Who            `json:"authoriser,omitempty"` // of an exit from the house
	Conditions     []LineCondition `json:"conditions"`
	By             Who             `json:"by"` // who recorded it
	At             time.Time       `json:"at"`
}

// LineCondition is how one line was found at a hand-over, against the statement before. A line whose
// crate stayed closed was not seen, which is no check of its condition.
type LineCondition struct {
	LineID     domain.ID `json:"line_id"`
	Called     string    `json:"called"`
	Found      Found     `json:"found"`
	Statement  string    `json:"statement"`
	ExaminedBy string    `json:"examined_by"`
	ExaminedOn Day       `json:"examined_on"`

	ExaminationID *domain.ID `json:"examination_id,omitempty"` // made at this hand-over
	BeforeID      *domain.ID `json:"before_id,omitempty"`      // that it was compared with
}

// Found is what a look at a hand-over found.
type Found string

// What can be found.
const (
	CrateOnly Found = "crate_only"
	Unchanged Found = "unchanged"
	Changed   Found = "changed"
)

// NewHandOver records a hand-over.
type NewHandOver struct {
	GivenBy        string             `json:"given_by" validate:"required,max=300"`
	ReceivedBy     string             `json:"received_by" validate:"required,max=300"`
	Carrier        string             `json:"carrier" validate:"max=300"`
	CratesAndSeals string             `json:"crates_and_seals" validate:"required,max=2000"`
	HappenedOn     Day                `json:"happened_on" validate:"omitempty,datetime=2006-01-02"` // empty: today
	VenueID        *domain.ID         `json:"venue_id,omitempty"`                                   // received at; may be left out when there is one venue
	PlaceID        *domain.ID         `json:"place_id,omitempty"`                                   // where the things stand from now on
	Conditions     []NewLineCondition `json:"conditions" validate:"max=2000,dive"`
}

// NewLineCondition says how one line was found. Where everything is looked at, that follows from the examination made
// for the loan; a change that was seen besides may be said, and none that it shows can be denied.
type NewLineCondition struct {
	LineID     domain.ID `json:"line_id" validate:"required"`
	Found      Found     `json:"found" validate:"omitempty,oneof=crate_only unchanged changed"`
	Statement  string    `json:"statement" validate:"max=8000"`
	ExaminedBy string    `json:"examined_by" validate:"max=300"` // empty: who records it
	ExaminedOn Day       `json:"examined_on" validate:"omitempty,datetime=2006-01-02"`
}

// handOver makes the record of a hand-over. seen says whether every line must have been looked at:
// at the venue, before it leaves the venue, and at home.
//
// source: ICOM Guidelines for Loans, 1974: condition is reported before packing by the lender and
// compared on arrival and before return; a hand-over of closed crates is no such check (common
// practice).
func (l *Loan) handOver(by domain.Actor, stage State, n NewHandOver, seen bool, site domain.Site, at time.Time) (*HandOver, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	today := DayOf(at, site.Zone)
	if n.HappenedOn == "" {
		n.HappenedOn = today
	}
	if n.HappenedOn > today || n.HappenedOn < l.lastHandOver() {
		return nil, domain.Invalid("/happened_on", "order", "A hand-over is recorded when it was, after the hand-over before it.")
	}
	h := &HandOver{ID: domain.NewID(), Stage: stage, GivenBy: strings.TrimSpace(n.GivenBy), ReceivedBy: strings.TrimSpace(n.ReceivedBy),
		Carrier: strings.TrimSpace(n.Carrier), CratesAndSeals: strings.TrimSpace(n.CratesAndSeals), HappenedOn: n.HappenedOn,
		Conditions: []LineCondition{}, By: who(by), At: at}
	var fields []domain.Field
	given := map[domain.ID]bool{}
	for i, c := range n.Conditions {
		line, pointer := l.Line(c.LineID), "/conditions/"+decimals(i)
		if line == nil || line.Withdrawal != nil || given[c.LineID] {
			fields = append(fields, domain.Field{Pointer: pointer + "/line_id", Rule: "line", Message: "Name each line of this loan once."})
			continue
		}
		given[c.LineID] = true
		if c.Found == Changed && strings.TrimSpace(c.Statement) == "" {
			fields = append(fields, domain.Field{Pointer: pointer + "/statement", Rule: "required", Message: "Say what has changed."})
		}
		if c.ExaminedOn == "" {
			c.ExaminedOn = n.HappenedOn
		}
		if c.ExaminedOn > today || c.ExaminedOn < l.lastHandOver() {
			fields = append(fields, domain.Field{Pointer: pointer + "/examined_on", Rule: "order", Message: "A day since the hand-over before this one, and not in the future."})
		}
		if strings.TrimSpace(c.ExaminedBy) == "" {
			c.ExaminedBy = by.Name
		}
		h.Conditions = append(h.Conditions, LineCondition{LineID: line.ID, Called: line.Called(), Found: c.Found, Statement: strings.TrimSpace(c.Statement),
			ExaminedBy: strings.TrimSpace(c.ExaminedBy), ExaminedOn: c.ExaminedOn})
	}
	if err := domain.InvalidFields(fields); err != nil {
		return nil, err
	}
	var missing []string
	for _, line := range l.Present() {
		i := slices.IndexFunc(h.Conditions, func(c LineCondition) bool { return c.LineID == line.ID })
		if i < 0 {
			h.Conditions, i = append(h.Conditions, LineCondition{LineID: line.ID, Called: line.Called(), ExaminedBy: by.Name, ExaminedOn: n.HappenedOn}), len(h.Conditions)
		}
		if said := h.Conditions[i].look(l.atHandOver(line, stage), stage, seen); said != "" {
			missing = append(missing, said)
		}
	}
	if len(missing) > 0 {
		return nil, &domain.Error{Kind: domain.KindRefused, Code: "L4", Missing: missing,
			Message: "At this hand-over every object is examined and compared with the examination before. A closed crate does not count."}
	}
	return h, nil
}

// look takes over what an examination at the hand-over found; it says what is missing, or nothing. A change that it
// shows is a change, whatever was said.
func (c *LineCondition) look(e *Examined, stage State, seen bool) (missing string) {
	switch {
	case !seen && c.Found == "":
		c.Found = CrateOnly
		return ""
	case !seen:
		return ""
	case e == nil || c.Found == CrateOnly:
		return "a signed examination of " + c.Called + " made for this loan on " + occasions[stage]
	case c.Found == "":
		c.Found = Unchanged
	}
	c.ExaminationID, c.BeforeID, c.ExaminedBy, c.ExaminedOn = &e.ID, e.BeforeID, e.By, e.ExaminedOn
	if e.Worse != "" {
		c.Found = Changed
		c.Statement = strings.TrimSpace(e.Worse + " " + c.Statement)
	}
	return ""
}

// lastHandOver is the day of the last hand-over, or an early one.
func (l *Loan) lastHandOver() Day {
	if len(l.HandOvers) == 0 {
		return firstDay
	}
	return l.HandOvers[len(l.HandOvers)-1].HappenedOn
}

// pass adds a hand-over and moves the loan on.
func (l *Loan) pass(by domain.Actor, h *HandOver, at time.Time) {
	l.HandOvers = append(l.HandOvers, *h)
	l.Added.HandOvers = append(l.Added.HandOvers, *h)
	l.State = h.Stage
	for _, line := range l.Present() {
		l.raise(by, &line.ObjectID, string(h.Stage), map[string]any{"line": line.ID, "hand_over": h.ID, "received_by": h.ReceivedBy}, at)
	}
}

// incidents are the lines that were found changed against an examination before: something is new or worse (L4).
func (h *HandOver) incidents() []LineCondition {
	return slices.DeleteFunc(slices.Clone(h.Conditions), func(c LineCondition) bool { return !c.incident() })
}

func (c *LineCondition) incident() bool {
	return c.Found == Changed && c.ExaminationID != nil && c.BeforeID != nil
}

// Notices are what conservators and curators must hear of at once: every line that was said to have changed with no
// examination to hold it against. Of the others the incidents tell (L4).
func (l *Loan) Notices(h *HandOver) []agenda.Notice {
	var all []agenda.Notice
	for _, c := range h.Conditions {
		line := l.Line(c.LineID)
		if c.Found != Changed || c.incident() || line == nil {
			continue
		}
		all = append(all, agenda.Notice{At: h.At, Roles: []domain.Role{domain.Conservator, domain.Curator}, Department: line.Department, ObjectID: line.ObjectID,
			Area: "loan", Subject: l.ID, Text: agenda.Fit(line.Called() + " on loan " + l.Reference + " was found changed by " + c.ExaminedBy + " on " + c.ExaminedOn.Words() + ": " + c.Statement)})
	}
	return all
}
