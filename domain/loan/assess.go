package loan

import (
	"slices"
	"strings"
	"time"

	"farthingale/domain"
)

// Verdict is a conservator's answer to whether something may travel.
type Verdict string

// The verdicts of rule L2.
const (
	Fit               Verdict = "fit"
	FitWithConditions Verdict = "fit_with_conditions"
	NotFit            Verdict = "not_fit"
)

// Assessment is a conservator's statement whether what is on a line is fit to travel (L2).
type Assessment struct {
	ID         domain.ID `json:"id"`
	LineID     domain.ID `json:"line_id"`
	Called     string    `json:"called"` // what was assessed, as it was called
	Verdict    Verdict   `json:"verdict"`
	Statement  string    `json:"statement"`
	Conditions string    `json:"conditions,omitempty"`
	By         Who       `json:"by"`
	At         time.Time `json:"at"`
}

// NewAssessment assesses a line.
type NewAssessment struct {
	Verdict    Verdict `json:"verdict" validate:"required,oneof=fit fit_with_conditions not_fit"`
	Statement  string  `json:"statement" validate:"required,max=8000"`
	Conditions string  `json:"conditions" validate:"max=8000"`
}

// Consent is the consent of the head of a department to lend what a conservator found not fit. It is
// recorded as such and does not change the assessment (L2).
type Consent struct {
	ID           domain.ID `json:"id"`
	LineID       domain.ID `json:"line_id"`
	AssessmentID domain.ID `json:"assessment_id"` // that it overrides
	Called       string    `json:"called"`
	Department   string    `json:"department"`
	Capacity     string    `json:"capacity"` // "head of the department Diving"
	Statement    string    `json:"statement"`
	By           Who       `json:"by"`
	At           time.Time `json:"at"`
}

// NewConsent consents against an assessment.
type NewConsent struct {
	Capacity  string `json:"capacity" validate:"required,max=200"`
	Statement string `json:"statement" validate:"required,max=8000"`
}

// Approval is a curator's consent to a loan, for the objects of a department. It holds for the lines,
// period, venues, purpose and conditions that were before the curator; when one changes it is asked
// for again.
type Approval struct {
	ID         domain.ID `json:"id"`
	Department string    `json:"department"`
	Statement  string    `json:"statement"`
	Lines      []string  `json:"lines"` // what was approved, as it was called
	Scope      string    `json:"scope"` // SHA-256 of what was approved
	Holds      bool      `json:"holds"`
	By         Who       `json:"by"`
	At         time.Time `json:"at"`
}

// assessment is the one that counts; nil when there is none.
func (n *Line) assessment() *Assessment {
	if len(n.Assessments) == 0 {
		return nil
	}
	return &n.Assessments[len(n.Assessments)-1]
}

// consent is that which overrides the present assessment; nil when there is none.
func (n *Line) consent() *Consent {
	a := n.assessment()
	for i := range n.Consents {
		if a != nil && n.Consents[i].AssessmentID == a.ID {
			return &n.Consents[i]
		}
	}
	return nil
}

// unfit says what stands against lending the line, or nothing (L2).
func (n *Line) unfit() string {
	a := n.assessment()
	switch {
	case a == nil:
		return "a conservator's assessment whether " + n.Called() + " is fit to travel"
	case a.Verdict == NotFit && n.consent() == nil:
		return "the consent of the head of " + n.Department + ", because " + a.By.Name + " found " + n.Called() + " not fit to travel"
	}
	return ""
}

// Assess says whether what is on a line is fit to travel. Who approved the loan does not assess for
// it.
//
// source: common practice; one person does not approve a loan and assess its fitness.
func (l *Loan) Assess(by domain.Actor, lineID domain.ID, n NewAssessment, at time.Time) error {
	if err := by.May(Assess); err != nil {
		return err
	}
	line, err := l.present(lineID)
	if err != nil {
		return err
	}
	if err := l.before("assess for"); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	if n.Verdict == FitWithConditions && strings.TrimSpace(n.Conditions) == "" {
		return domain.Invalid("/conditions", "required", "Say under which conditions it is fit.")
	}
	if err := l.notApprover(by); err != nil {
		return err
	}
	a := Assessment{ID: domain.NewID(), LineID: line.ID, Called: line.Called(), Verdict: n.Verdict, Statement: strings.TrimSpace(n.Statement),
		Conditions: strings.TrimSpace(n.Conditions), By: who(by), At: at}
	line.Assessments = append(line.Assessments, a)
	l.Added.Assessments = append(l.Added.Assessments, a)
	l.raise(by, &line.ObjectID, "assessed", map[string]any{"line": line.ID, "verdict": n.Verdict}, at)
	l.begin(by, at)
	l.settle(by, at)
	return nil
}

func (l *Loan) notApprover(by domain.Actor) error {
	if slices.ContainsFunc(l.Approvals, func(a Approval) bool { return a.By.ID == by.ID }) {
		return domain.Refuse("L2", "You approved this loan as curator; another conservator must assess for it.")
	}
	if slices.ContainsFunc(l.Lines, func(n Line) bool {
		return slices.ContainsFunc(n.Consents, func(c Consent) bool { return c.By.ID == by.ID })
	}) {
		return domain.Refuse("L2", "You consented against an assessment of this loan; another conservator must assess for it.")
	}
	return nil
}

// begin takes the loan from request to assessing with the first assessment.
func (l *Loan) begin(by domain.Actor, at time.Time) {
	if l.State == Requested {
		l.State = Assessing
		l.raise(by, nil, "assessing", nil, at)
	}
}

// Consent lets the head of the department lend what was found not fit (L2). It is a curator of the
// department who did not assess for this loan.
func (l *Loan) Consent(by domain.Actor, lineID domain.ID, n NewConsent, at time.Time) error {
	if err := by.May(Decide); err != nil {
		return err
	}
	line, err := l.present(lineID)
	if err != nil {
		return err
	}
	if err := l.before("consent to"); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	a := line.assessment()
	switch {
	case a == nil || a.Verdict != NotFit:
		return domain.RefuseState("L2", line.Called()+" was not found unfit to travel; there is nothing to override.")
	case line.consent() != nil:
		return domain.RefuseState("L2", line.consent().By.Name+" consented already.")
	case !by.CuratorOf(line.Department):
		return domain.Forbidden("You may not override this assessment. Ask the head of " + line.Department + ", as a curator of it.")
	}
	if err := l.notAssessor(by); err != nil {
		return err
	}
	c := Consent{ID: domain.NewID(), LineID: line.ID, AssessmentID: a.ID, Called: line.Called(), Department: line.Department,
		Capacity: strings.TrimSpace(n.Capacity), Statement: strings.TrimSpace(n.Statement), By: who(by), At: at}
	line.Consents = append(line.Consents, c)
	l.Added.Consents = append(l.Added.Consents, c)
	l.raise(by, &line.ObjectID, "consented", map[string]any{"line": line.ID, "capacity": c.Capacity}, at)
	l.settle(by, at)
	return nil
}

// notAssessor refuses whoever assessed for this loan: lines or the facilities of a venue.
func (l *Loan) notAssessor(by domain.Actor) error {
	assessed := slices.ContainsFunc(l.Facilities, func(f Facilities) bool { return f.By.ID == by.ID })
	for _, n := range l.Lines {
		assessed = assessed || slices.ContainsFunc(n.Assessments, func(a Assessment) bool { return a.By.ID == by.ID })
	}
	if assessed {
		return domain.Refuse("L2", "You assessed for this loan as conservator; another curator of "+strings.Join(l.Departments, " or ")+" must decide on it.")
	}
	return nil
}

// scope is a hash of what a curator of the department approves.
func (l *Loan) scope(department string) string {
	type line struct {
		ID         domain.ID  `json:"id"`
		Assessment *domain.ID `json:"assessment"`
		Consent    *domain.ID `json:"consent"`
		Conditions Conditions `json:"conditions"`
	}
	lines := []line{}
	for _, n := range l.Present() {
		if n.Department != department {
			continue
		}
		of := line{ID: n.ID, Conditions: n.Conditions}
		if a := n.assessment(); a != nil {
			of.Assessment = &a.ID
		}
		if c := n.consent(); c != nil {
			of.Consent = &c.ID
		}
		lines = append(lines, of)
	}
	return fingerprint(map[string]any{"borrower": l.Borrower.Name, "purpose": l.Purpose, "period": l.Span, "venues": l.Venues, "lines": lines})
}

// unapproved are the departments whose curator has not approved the loan as it is.
func (l *Loan) unapproved() []string {
	open := []string{}
	for _, d := range l.Departments {
		scope := l.scope(d)
		if !slices.ContainsFunc(l.Approvals, func(a Approval) bool { return a.Department == d && a.Scope == scope }) {
			open = append(open, d)
		}
	}
	return open
}

// Approve agrees to the loan in principle, by a curator for the objects of the departments that they
// are curator for (L2). Every line of these needs an assessment; one found not fit refuses unless the
// head of the department consented.
func (l *Loan) Approve(by domain.Actor, t Telling, at time.Time) error {
	if err := by.May(Decide); err != nil {
		return err
	}
	if err := l.in("approved", Requested, Assessing); err != nil {
		return err
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	var mine []string
	for _, d := range l.unapproved() {
		if by.CuratorOf(d) {
			mine = append(mine, d)
		}
	}
	switch {
	case len(l.Departments) == 0:
		return &domain.Error{Kind: domain.KindRefused, Code: "L2", Message: "There is nothing on this loan yet.", Missing: []string{"at least one object"}}
	case len(mine) == 0:
		return domain.Forbidden("You may not approve this loan. Ask a curator of " + strings.Join(l.unapproved(), " and a curator of ") + ".")
	}
	if err := l.notAssessor(by); err != nil {
		return err
	}
	var missing []string
	for _, n := range l.Present() {
		if said := n.unfit(); said != "" && slices.Contains(mine, n.Department) {
			missing = append(missing, said)
		}
	}
	if len(missing) > 0 {
		return &domain.Error{Kind: domain.KindRefused, Code: "L2", Message: "A loan is approved when a conservator has assessed what is lent.", Missing: missing}
	}
	for _, d := range mine {
		a := Approval{ID: domain.NewID(), Department: d, Statement: strings.TrimSpace(t.Statement), Lines: []string{}, Scope: l.scope(d), Holds: true, By: who(by), At: at}
		for _, n := range l.Present() {
			if n.Department == d {
				a.Lines = append(a.Lines, n.Called())
			}
		}
		l.Approvals = append(l.Approvals, a)
		l.Added.Approvals = append(l.Added.Approvals, a)
		l.raise(by, nil, "approved", map[string]any{"department": d}, at)
	}
	l.begin(by, at)
	if len(l.unapproved()) == 0 {
		l.State = Agreed
		l.raise(by, nil, "agreed_in_principle", nil, at)
	}
	return nil
}

// Decline refuses the request, by a curator of one of its departments.
func (l *Loan) Decline(by domain.Actor, t Telling, at time.Time) error {
	if err := by.May(Decide); err != nil {
		return err
	}
	if err := l.in("declined", Requested, Assessing, Agreed); err != nil {
		return err
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	if len(l.Departments) > 0 && !slices.ContainsFunc(l.Departments, by.CuratorOf) {
		return domain.Forbidden("You may not decline this loan. Ask a curator of " + strings.Join(l.Departments, " or ") + ".")
	}
	return l.step(by, Declined, t, at)
}

// step moves the loan on with words.
func (l *Loan) step(by domain.Actor, to State, t Telling, at time.Time) error {
	s := Stage{ID: domain.NewID(), Kind: to, Statement: strings.TrimSpace(t.Statement), By: who(by), At: at}
	l.Stages = append(l.Stages, s)
	l.Added.Stages = append(l.Added.Stages, s)
	l.State = to
	l.raise(by, nil, string(to), t, at)
	return nil
}
