package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
	"farthingale/domain/people"
	"farthingale/domain/treatment"
)

// treatmentPage is a treatment as one document: where it stands and who has the next move, the text
// with the decision beside it, conditions, running notes, departures, amendments, completion, and
// addenda beside what they correct.
type treatmentPage struct {
	Frame
	Called, Name, ObjectPath, ObjectNumber, ObjectTitle, InCharge string
	Mark                                                          Mark
	Stages                                                        []stage
	Moves, Missing, Warnings                                      []string
	Cautions                                                      []cautionLine // about what is in the scope
	Closing                                                       string
	Parts, Waiting                                                []Link   // of this page: what is on it, and what waits for this person
	Barred                                                        *Fault   // why a curator who looks may not decide (T2); nil: may, or is none
	Ended                                                         []string // how it ended, when it did
	Text                                                          *textView
	TextSays                                                      string // "version 2, submitted by … on …; SHA-256 …"
	TextAddenda                                                   []addendumView
	Older                                                         []versionView
	Decisions                                                     []decisionView
	Conditions                                                    []conditionView
	Scope                                                         []scopeRow // what is approved, amendments with it
	Steps, Departures                                             []workView
	Amendments                                                    []amendmentView
	Used                                                          []usedRow
	Report                                                        *reportView
	Fragments                                                     []fragmentView
	Emergencies                                                   []emergencyRow
	Parties                                                       []partyRow
	EditPath, AgainPath, StepPath, DeparturePath, AmendPath       string // empty: not now, or not by this person
	ReportPath, EmergencyPath, PhotosPath, AddendumPath           string

	Submit, Return, Withdraw, Charge, Decide, Later, Acknowledge, Fulfil, Complete, Sign, Designate *Form

	forms map[string]*Form // by part, to put a refused one back
}

type stage struct{ Class, Name, When, Says string }

type addendumView struct{ Called, Field, Old, New, Reason, Says string }

type versionView struct {
	Heading, Says string
	Text          *textView
	Addenda       []addendumView
}

type decisionView struct {
	Heading, Statement, Says, OwnerConsent string
	Mark                                   Mark
	Addenda                                []addendumView
	AddendumPath                           string
}

type conditionView struct {
	Number                        int
	Binds, Text, Acknowledged, On string
	Mark                          Mark
	Turned                        string
}

type partyRow struct{ Name, Side, Why, Since string }

type usedRow struct{ Name, Product, Batch, Concentration, Solvent, Times string }

type fragmentView struct {
	Called, From string
	Fate         []decisionView
	Authorise    *Form
}

type amendmentView struct {
	ID, Called, Heading      string // Called: "amendment 2"
	Says                     string
	Mark                     Mark
	Text                     *textView
	Decisions                []decisionView
	EditPath                 string
	Submit, Return, Withdraw *Form
	Decide                   *Form
}

func partNumber(c echo.Context) (int, error) {
	n, err := strconv.Atoi(c.Param("n"))
	if err != nil || n < 1 {
		return 0, domain.NotFound("There is nothing under this address.")
	}
	return n, nil
}

// amendmentPart names a form about a numbered part among the forms of the page.
func amendmentPart(part string, n int) string { return part + "-" + strconv.Itoa(n) }

// treatmentPage serves GET /treatments/{id}.
func (s *Server) treatmentPage(c echo.Context) error {
	p, err := s.treatmentData(c, nil, nil)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "treatment/treatment", p)
}

// desk is what the parts of the page are made from.
type desk struct {
	*treatment.Treatment
	around *treatment.Surroundings
	staff  []people.Person // open accounts
	by     domain.Actor
	at     string         // path of the page
	more   map[string]int // further rows asked for, by form and list
	typed  url.Values     // of a refused form
	c      echo.Context
}

// doing and deciding say whether this person may be shown the forms of a side.
func (d *desk) side() treatment.Side {
	for _, p := range d.Parties {
		if p.ID == d.by.ID {
			return p.Side
		}
	}
	return ""
}

func (d *desk) mayDo(act domain.Act) bool {
	return d.by.May(act) == nil && d.side() != treatment.Deciding
}

func (d *desk) mayDecide() bool {
	return d.by.May(treatment.Judge) == nil && d.MayDecide(d.by, nil) == nil
}

// barred says why a curator who looks may not decide, and who could.
func (d *desk) barred() *Fault {
	var curators []people.Person
	for _, p := range d.staff {
		if p.Actor().CuratorOf(d.Department) {
			curators = append(curators, p)
		}
	}
	var e *domain.Error
	if errors.As(d.MayDecide(d.by, curators), &e) {
		return &Fault{Message: e.Message, Rule: e.Rule()}
	}
	return nil
}

func (d *desk) inCharge() bool { return d.by.ID == d.InCharge.ID && d.mayDo(treatment.Propose) }

func (s *Server) desk(c echo.Context) (*desk, error) {
	ctx, a := c.Request().Context(), actor(c)
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	d := &desk{by: a, at: treatmentPath(id), c: c}
	err = domain.Together(ctx, 2, func(i int) (err error) {
		if i == 1 {
			d.staff, err = s.staff(c)
			return err
		}
		if d.Treatment, err = s.Treatment.One(ctx, a, id); err == nil {
			d.around, err = s.Treatment.Around(ctx, a, d.Treatment)
		}
		return err
	})
	return d, err
}

// staff are the open accounts, by name.
func (s *Server) staff(c echo.Context) ([]people.Person, error) {
	page, err := s.People.List(c.Request().Context(), actor(c), false, domain.PageQuery{Limit: domain.PageMost})
	return page.Items, err
}

// workers makes choices of those who may lay hands on an object.
func workers(staff []people.Person, chosen ...domain.ID) []Option {
	var all []Option
	for _, p := range staff {
		if slices.Contains(p.Roles, domain.Conservator) || slices.Contains(p.Roles, domain.Technician) || slices.Contains(chosen, p.ID) {
			all = append(all, Option{Value: p.ID.String(), Label: p.Name, Chosen: slices.Contains(chosen, p.ID)})
		}
	}
	return all
}

// conservators makes choices of the conservators, none chosen first.
func conservators(staff []people.Person, chosen domain.ID, none string) []Option {
	all := []Option{{Label: none}}
	for _, p := range staff {
		if slices.Contains(p.Roles, domain.Conservator) {
			all = append(all, Option{Value: p.ID.String(), Label: p.Name, Chosen: p.ID == chosen})
		}
	}
	return all
}

func (s *Server) treatmentData(c echo.Context, more map[string]int, typed url.Values) (*treatmentPage, error) {
	d, err := s.desk(c)
	if err != nil {
		return nil, err
	}
	d.more, d.typed = more, typed
	p := &treatmentPage{Called: d.Called(), Name: d.Proposal.Title, ObjectPath: objectPath(d.ObjectNumber), ObjectNumber: d.ObjectNumber,
		ObjectTitle: d.ObjectTitle, InCharge: d.InCharge.Name, Mark: treatmentMark(d.State, d.Standing), Warnings: d.Warnings, Missing: d.Missing,
		Emergencies: s.emergencyRows(d.around.Emergencies), forms: map[string]*Form{}}
	p.Title, p.Here = d.Called(), "/treatments"
	p.Stages = s.stages(d.Treatment)
	for _, m := range d.NextMoves {
		p.Moves = append(p.Moves, m.Name+": "+m.What)
	}
	if d.State == treatment.Submitted && d.by.May(treatment.Judge) == nil && !d.mayDecide() {
		p.Barred = d.barred()
	}
	if p.Cautions, err = s.cautionsOf(c, d.around.Sheet, d.Proposal.ComponentsIn()); err != nil {
		return nil, err
	}
	p.Closing = material.CautionClosing
	s.textsOf(d, p)
	s.decisionsOf(d, p)
	s.worksOf(d, p)
	s.amendmentsOf(d, p)
	s.finishOf(d, p)
	s.fragmentsOf(d, p)
	for _, x := range d.Parties {
		side := "carries it out"
		if x.Side == treatment.Deciding {
			side = "decides"
		}
		p.Parties = append(p.Parties, partyRow{x.Name, side, x.Why, s.day(x.At)})
	}
	if d.by.May(treatment.Correct) == nil && (len(d.Versions) > 0 || len(d.Steps)+len(d.Departures) > 0) {
		p.AddendumPath = d.at + "/addenda/new"
	}
	s.actsOf(d, p)
	p.Parts, p.Waiting = p.parts(d), p.waiting()
	for part, f := range p.forms {
		f.Part = part
		f.ready(c)
	}
	return p, nil
}

// parts are the sections of the page, to jump to once there is more than the text.
func (p *treatmentPage) parts(d *desk) []Link {
	if len(d.Decisions) == 0 && len(d.Departures) == 0 {
		return nil
	}
	links := []Link{{Path: "#proposal", Words: "Proposal"}}
	add := func(there bool, id, words string) {
		if there {
			links = append(links, Link{Path: "#" + id, Words: words})
		}
	}
	add(len(p.Decisions) > 0, "decisions", "Decisions")
	add(len(p.Conditions) > 0, "conditions", "Conditions")
	add(len(p.Scope) > 0, "scope", "Approved scope")
	add(len(p.Steps) > 0 || p.StepPath != "", "notes", "Running notes")
	add(len(p.Departures) > 0, "departures", "Departures")
	for _, a := range p.Amendments {
		add(true, a.ID, plainTitle(a.Called))
	}
	add(p.Report != nil, "completion", "Completion")
	add(len(p.Fragments) > 0, "fragments", "Parts that came away")
	return links
}

// waiting are the parts of the page that wait for an act of this person.
func (p *treatmentPage) waiting() []Link {
	var links []Link
	add := func(form *Form, id, words string) {
		if form != nil {
			links = append(links, Link{Path: "#" + id, Words: words})
		}
	}
	add(p.Decide, "proposal", "Read and decide")
	add(p.Acknowledge, "conditions", "Read and acknowledge the conditions")
	add(p.Fulfil, "conditions", "Say how the conditions before start turned out")
	for _, a := range p.Amendments {
		add(a.Submit, a.ID, "Submit "+a.Called)
		add(a.Decide, a.ID, "Read and decide on "+a.Called)
	}
	return links
}

// put keeps a form under its part and gives it.
func (p *treatmentPage) put(part string, f *Form) *Form {
	p.forms[part] = f
	return f
}

func (s *Server) stages(t *treatment.Treatment) []stage {
	when := func(at *time.Time) string {
		if at == nil {
			return ""
		}
		return s.day(*at)
	}
	signature := func(x *treatment.Signature) *time.Time {
		if x == nil {
			return nil
		}
		return &x.At
	}
	submitted, begun := (*time.Time)(nil), (*time.Time)(nil)
	for _, v := range t.Versions {
		if v.Amendment == 0 && v.Voided == nil {
			submitted = &v.SubmittedAt
		}
	}
	if len(t.Steps) > 0 {
		begun = &t.Steps[0].HappenedAt
	}
	all := []stage{{Name: "drafting", When: when(&t.CreatedAt)}, {Name: "submitted", When: when(submitted)}, {Name: "approved", When: when(t.ApprovedAt)},
		{Name: "under way", When: when(begun)}, {Name: "completed", When: when(signature(t.CompletedBy))}, {Name: "signed", When: when(signature(t.SignedBy))}}
	reached := slices.Index([]treatment.State{treatment.Drafting, treatment.Submitted, treatment.Approved, treatment.UnderWay, treatment.Completed, treatment.Signed}, t.State)
	if reached < 0 { // declined, withdrawn, lapsed: the line ends where it got to
		ended := stage{Class: "ended", Name: t.State.Words(), Says: "ended here"}
		last := 1
		switch {
		case t.ApprovedAt != nil:
			last = 3
		case submitted != nil:
			last = 2
		}
		all = append(all[:last], ended)
		reached = last
		switch {
		case t.WithdrawnBy != nil:
			all[last].When = when(&t.WithdrawnBy.At)
		case t.LapsedAt != nil:
			all[last].When = when(t.LapsedAt)
		}
	}
	for i := range all {
		switch {
		case all[i].Class != "":
		case i < reached:
			all[i].Class, all[i].Says = "past", "done"
		case i == reached:
			all[i].Class, all[i].Says = "here", "now"
		default:
			all[i].Class, all[i].Says, all[i].When = "ahead", "ahead", ""
		}
	}
	return all
}

func (s *Server) addendaTo(d *desk, record string, id domain.ID) []addendumView {
	var all []addendumView
	for _, a := range d.AddendaTo(record, id) {
		all = append(all, addendumView{Called: fmt.Sprintf("Addendum %d", a.Number), Field: a.Field, Old: a.Old, New: a.New, Reason: a.Reason, Says: s.by(&a.Signature)})
	}
	return all
}

// by says who signed and when.
func (s *Server) by(x *treatment.Signature) string { return x.By.Name + ", " + s.moment(x.At) }

func (s *Server) textsOf(d *desk, p *treatmentPage) {
	for i := len(d.Versions) - 1; i >= 0; i-- {
		v := d.Versions[i]
		if v.Amendment != 0 {
			continue
		}
		says := "Submitted by " + v.SubmittedBy.Name + ", " + s.moment(v.SubmittedAt) + "."
		if v.Voided != nil {
			says += " Taken back by " + s.by(v.Voided) + "; this submission is void: " + v.Voided.Statement
		}
		if p.Text == nil && d.State != treatment.Drafting {
			p.Text, p.TextSays, p.TextAddenda = s.textView(v.Text, v.Legend), fmt.Sprintf("Version %d. %s SHA-256 %s.", v.Number, says, v.SHA256), s.addendaTo(d, "version", v.ID)
			continue
		}
		p.Older = append(p.Older, versionView{Heading: "Version " + strconv.Itoa(v.Number), Says: says, Text: s.textView(v.Text, v.Legend), Addenda: s.addendaTo(d, "version", v.ID)})
	}
	if p.Text == nil {
		p.Text, p.TextSays = s.textView(d.Proposal, d.around.Legend), "A draft; it can change until it is submitted."
	}
}

func (s *Server) decisionView(d *desk, x treatment.Decision) decisionView {
	v := decisionView{Heading: x.Outcome.Words(), Statement: x.Signature.Statement, OwnerConsent: x.OwnerConsent,
		Says: s.by(&x.Signature) + fmt.Sprintf(", on version %d", x.VersionNumber), Addenda: s.addendaTo(d, "decision", x.ID)}
	switch x.Outcome {
	case treatment.Approve, treatment.Resume:
		v.Mark = doneMark(x.Outcome.Words())
	case treatment.ApproveWithConditions, treatment.AskForChanges:
		v.Mark = warnMark(x.Outcome.Words())
	default:
		v.Mark = stopMark(x.Outcome.Words())
	}
	return v
}

func (s *Server) decisionsOf(d *desk, p *treatmentPage) {
	for _, x := range d.Decisions {
		if x.Amendment == 0 {
			p.Decisions = append(p.Decisions, s.decisionView(d, x))
		}
	}
	var open, before []Option
	for _, x := range d.Conditions {
		v := conditionView{Number: x.Number, Binds: plain(string(x.Binds)), Text: x.Text, Mark: waitMark("not acknowledged")}
		if x.Amendment > 0 {
			v.On = "amendment " + strconv.Itoa(x.Amendment)
		}
		if x.Acknowledged != nil {
			v.Acknowledged, v.Mark = s.by(x.Acknowledged), doneMark("acknowledged")
		} else {
			open = append(open, Option{Value: x.ID.String(), Label: fmt.Sprintf("%d: %s", x.Number, x.Text)})
		}
		switch {
		case x.Fulfilment != nil && x.Fulfilment.Fulfilled:
			v.Mark, v.Turned = doneMark("fulfilled"), x.Fulfilment.Signature.Statement+" ("+s.by(&x.Fulfilment.Signature)+")"
		case x.Fulfilment != nil:
			v.Mark, v.Turned = stopMark("failed"), x.Fulfilment.Signature.Statement+" ("+s.by(&x.Fulfilment.Signature)+")"
			if x.SetAsideBy != nil {
				v.Mark = draftMark("failed, set aside by a later decision")
			}
		case x.Binds == treatment.BeforeStart:
			before = append(before, Option{Value: x.ID.String(), Label: fmt.Sprintf("%d: %s", x.Number, x.Text)})
			if x.Acknowledged != nil {
				v.Mark = waitMark("acknowledged, not yet fulfilled")
			}
		}
		p.Conditions = append(p.Conditions, v)
	}
	running := d.State == treatment.Approved || d.State == treatment.UnderWay
	if running && d.inCharge() && len(open) > 0 {
		p.Acknowledge = p.put("acknowledge", &Form{Action: d.at + "/acknowledgements", Version: d.Version, Below: true, Legend: "Acknowledge conditions", Submit: "I have read these and will keep them",
			Help: "Acknowledging is not fulfilling.", Fields: []Field{{Kind: "checks", Name: "conditions", Label: "Conditions", Required: true, Options: open}}})
	}
	if running && d.inCharge() && len(before) > 0 {
		p.Fulfil = p.put("fulfil", &Form{Action: d.at + "/fulfilments", Version: d.Version, Below: true, Legend: "Say how a condition before start turned out", Submit: "Record it",
			Help: "A failed condition stops the work until a curator decides anew.", Fields: []Field{
				{Kind: "radio", Name: "condition_id", Label: "Condition", Required: true, Options: before},
				{Kind: "radio", Name: "outcome", Label: "Outcome", Required: true, Options: options("", "fulfilled", "failed")},
				{Kind: "textarea", Name: "statement", Label: "What was done and found", Required: true, Max: 4000, Rows: 3}}})
	}
	if d.State == treatment.Submitted && d.mayDecide() {
		p.Decide = p.put("decide", d.decisionForm("decide", d.at+"/decisions", p.lastVersion(d, 0), treatment.Outcomes))
	}
	if running && d.Hold != treatment.Revoked && d.mayDecide() {
		p.Later = p.put("later", d.decisionForm("later", d.at+"/later-decisions", p.lastVersion(d, 0), treatment.LaterOutcomes))
		p.Later.Legend, p.Later.Grave = "Suspend, resume or revoke", true
	}
}

// lastVersion is the number of the last submitted text of the proposal (0) or of an amendment.
func (p *treatmentPage) lastVersion(d *desk, amendment int) int {
	last := 0
	for _, v := range d.Versions {
		if v.Amendment == amendment {
			last = max(last, v.Number)
		}
	}
	return last
}

var outcomeLabels = map[treatment.Outcome]string{
	treatment.Approve: "Approve", treatment.ApproveWithConditions: "Approve with conditions", treatment.AskForChanges: "Ask for changes", treatment.Decline: "Decline",
	treatment.Suspend: "Suspend the work", treatment.Resume: "Resume the work", treatment.Revoke: "Revoke the approval",
}

func (d *desk) decisionForm(part, action string, version int, outcomes []treatment.Outcome) *Form {
	choices := make([]Option, len(outcomes))
	for i, o := range outcomes {
		choices[i] = Option{Value: string(o), Label: outcomeLabels[o]}
	}
	rows := 2 + d.more[part+" conditions"] + typedRows(d.typed, "conditions")
	conditions := Field{Kind: "group", Label: "Conditions", Help: "Only with an approval with conditions, or a resumption. Each says when it binds."}
	for i := range rows {
		at := fmt.Sprintf("conditions.%d.", i)
		conditions.Fields = append(conditions.Fields,
			Field{Kind: "textarea", Name: at + "text", Label: fmt.Sprintf("Condition %d", i+1), Max: 2000, Rows: 2},
			Field{Kind: "select", Name: at + "binds", Label: fmt.Sprintf("Condition %d binds", i+1), Options: append([]Option{{Label: "choose"}}, options("", treatment.Bindings...)...)})
	}
	conditions.Fields = append(conditions.Fields, Field{Kind: "more", Name: "conditions", Label: "More conditions"})
	f := &Form{Action: action, Version: d.Version, Below: true, Legend: fmt.Sprintf("Decide on version %d", version), Submit: "Decide and seal",
		Help: "The decision is sealed with exactly this text, and is never edited.", Fields: []Field{
			{Kind: "hidden", Name: "version_number", Value: strconv.Itoa(version)},
			{Kind: "radio", Name: "outcome", Label: "Decision", Required: true, Options: choices},
			{Kind: "textarea", Name: "statement", Label: "Statement", Required: true, Max: 10000, Rows: 4},
			conditions,
		}}
	if status := d.around.Sheet.Object.LegalStatus; status == collection.LoanToUs || status == collection.Deposit {
		f.Fields = append(f.Fields, Field{Kind: "textarea", Name: "owner_consent", Label: "Consent of the owner", Max: 2000, Rows: 2,
			Help: "The object is not the museum's own: who consented in writing, when, and where it is kept."})
	}
	return f
}

// typedRows counts the rows of a list that were typed.
func typedRows(typed url.Values, list string) int {
	most := -1
	for key := range typed {
		if rest, ok := strings.CutPrefix(key, list+"."); ok {
			index, _, _ := strings.Cut(rest, ".")
			if n, err := strconv.Atoi(index); err == nil {
				most = max(most, n)
			}
		}
	}
	return most + 1
}

func (s *Server) amendmentsOf(d *desk, p *treatmentPage) {
	running := d.State == treatment.Approved || d.State == treatment.UnderWay
	for _, a := range d.Amendments {
		n := strconv.Itoa(a.Number)
		at := d.at + "/amendments/" + n
		v := amendmentView{ID: amendmentPart("amendment", a.Number), Called: "amendment " + n, Heading: "Amendment " + n + ": " + a.Text.Title, Mark: treatmentMark(a.State, a.State.Words()), Text: s.textView(a.Text, d.around.Legend),
			Says: "Begun by " + a.CreatedBy.Name + ", " + s.day(a.CreatedAt) + "."}
		if a.WithdrawnBy != nil {
			v.Says += " Withdrawn by " + s.by(a.WithdrawnBy) + ": " + a.WithdrawnBy.Statement
		}
		for _, x := range d.Versions {
			if x.Amendment == a.Number {
				v.Says += fmt.Sprintf(" Version %d submitted by %s, %s.", x.Number, x.SubmittedBy.Name, s.moment(x.SubmittedAt))
				if x.Voided != nil {
					v.Says += " Taken back: " + x.Voided.Statement
				}
				if a.State != treatment.Drafting {
					v.Text = s.textView(x.Text, x.Legend)
				}
			}
		}
		for _, x := range d.Decisions {
			if x.Amendment == a.Number {
				v.Decisions = append(v.Decisions, s.decisionView(d, x))
			}
		}
		if running && d.mayDo(treatment.Propose) && a.State == treatment.Drafting {
			v.EditPath = at + "/edit"
			v.Submit = p.put(amendmentPart("submit", a.Number), &Form{Action: at + "/submissions", Version: d.Version, Submit: "Submit amendment " + n})
		}
		if running && d.mayDo(treatment.Propose) && a.Open() {
			if a.State == treatment.Submitted {
				v.Return = p.put(amendmentPart("return", a.Number), reasonForm(at+"/returns", d.Version, "Take amendment "+n+" back", "Take it back to drafting"))
			}
			v.Withdraw = p.put(amendmentPart("withdraw", a.Number), reasonForm(at+"/withdrawal", d.Version, "Withdraw amendment "+n, "Withdraw it"))
		}
		if running && a.State == treatment.Submitted && d.mayDecide() {
			part := amendmentPart("decide", a.Number)
			v.Decide = p.put(part, d.decisionForm(part, at+"/decisions", p.lastVersion(d, a.Number), treatment.Outcomes))
			v.Decide.Legend = "Decide on amendment " + n
		}
		p.Amendments = append(p.Amendments, v)
	}
}

func reasonForm(action string, version int64, legend, submit string) *Form {
	return &Form{Action: action, Version: version, Legend: legend, Below: true, Submit: submit, Fields: []Field{
		{Kind: "textarea", Name: "reason", Label: "Why", Required: true, Max: 2000, Rows: 2}}}
}

// actsOf are the acts on the treatment as a whole that its state allows to this person.
func (s *Server) actsOf(d *desk, p *treatmentPage) {
	mine := d.inCharge() || d.side() == treatment.Doing && d.mayDo(treatment.Propose)
	object := objectPath(d.ObjectNumber)
	if d.mayDo(treatment.Propose) {
		switch d.State {
		case treatment.Drafting:
			p.EditPath = d.at + "/edit"
			p.Submit = p.put("submit", &Form{Action: d.at + "/submissions", Version: d.Version, Submit: "Submit to the curator"})
		case treatment.Submitted:
			if mine {
				p.Return = p.put("return", reasonForm(d.at+"/returns", d.Version, "Take the text back to drafting", "Take it back"))
				p.Return.Help = "The submission becomes void and says so."
			}
		case treatment.Approved, treatment.UnderWay:
			if d.Hold != treatment.Revoked {
				p.AmendPath = d.at + "/amendments/new"
			}
		case treatment.Declined, treatment.Withdrawn, treatment.Lapsed:
			p.AgainPath = object + "/treatments/new?from=" + d.ID.String()
		}
	}
	if mine && slices.Contains([]treatment.State{treatment.Drafting, treatment.Submitted, treatment.Approved}, d.State) {
		p.Withdraw = p.put("withdraw", reasonForm(d.at+"/withdrawal", d.Version, "Withdraw the treatment", "Withdraw it"))
	}
	if d.mayDo(treatment.Propose) && !d.State.Closed() {
		p.Charge = p.put("charge", &Form{Action: d.at + "/hand-overs", Version: d.Version, Legend: "Hand the charge over", Below: true, Submit: "Hand it over", Fields: []Field{
			{Kind: "select", Name: "to", Label: "Conservator", Required: true, Options: conservators(d.staff, domain.ID{}, "choose")},
			{Kind: "textarea", Name: "reason", Label: "Why", Required: true, Max: 2000, Rows: 2}}})
	}
	if (d.State == treatment.Approved || d.State == treatment.UnderWay) && d.Hold == treatment.NoHold && !d.PastTerm(s.Now()) && d.mayDo(treatment.Log) {
		p.StepPath = d.at + "/steps/new"
	}
	if d.State != treatment.Signed && d.by.May(treatment.Depart) == nil {
		p.DeparturePath = d.at + "/departures/new"
	}
	if !d.State.Closed() && d.by.May(treatment.Rescue) == nil {
		p.EmergencyPath = object + "/emergency?treatment=" + d.ID.String()
	}
	if _, served := s.acts["GET /objects/:number/photos"]; served {
		p.PhotosPath = object + "/photos"
	}
	for _, x := range []*treatment.Signature{d.WithdrawnBy, d.CompletedBy, d.SignedBy} {
		if x != nil {
			says := cmp.Or(map[string]string{"withdrawn": "Withdrawn"}[x.Meaning], "Completed")
			if x == d.SignedBy {
				says = "Signed"
			}
			text := says + " by " + s.by(x)
			if x.Statement != "" {
				text += ": " + x.Statement
			}
			p.Ended = append(p.Ended, text)
		}
	}
}
