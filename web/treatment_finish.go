package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

func (s *Server) treatmentFinishRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/treatments/:id/completion", treatment.Finish, s.reportPage)
	s.route(g, http.MethodPost, "/treatments/:id/completion", treatment.Finish, s.keepReport)
	s.route(g, http.MethodGet, "/treatments/:id/addenda/new", treatment.Correct, s.newAddendumPage)
	s.route(g, http.MethodPost, "/treatments/:id/addenda", treatment.Correct, s.writeAddendum)
}

// reportView is a completion as it is read.
type reportView struct {
	Examined *Link
	Facts    []said
	After    []afterRow
	Answers  []answerRow
	Used     []usedRow
	Shown    []Link
	Addenda  []addendumView
}

type afterRow struct{ Component, Condition, NoPair string }

type answerRow struct {
	Condition, Because string
	Mark               Mark
}

func (s *Server) finishOf(d *desk, p *treatmentPage) {
	if r := d.Completion; r != nil {
		p.Report = s.reportView(d, r)
	}
	if !d.inCharge() {
		return
	}
	switch d.State {
	case treatment.UnderWay:
		p.ReportPath = d.at + "/completion"
		if d.Completion != nil {
			p.Complete = p.put("complete", &Form{Action: d.at + "/completion/end", Version: d.Version, Submit: "Complete the treatment", Help: "No further step can be logged afterwards."})
		}
	case treatment.Completed:
		p.ReportPath = d.at + "/completion"
		p.Sign = p.put("sign", &Form{Action: d.at + "/signature", Version: d.Version, Legend: "Sign", Below: true, Submit: "Sign and seal the whole", Grave: true,
			Help: "Proposal, decisions, steps, departures, the hashes of the photographs and the completion are sealed. Afterwards only addenda.", Fields: []Field{
				{Kind: "textarea", Name: "statement", Label: "Statement", Max: 4000, Rows: 2}}})
	}
}

func (s *Server) reportView(d *desk, r *treatment.Completion) *reportView {
	hours := ""
	if r.Hours != nil {
		hours = r.Hours.String()
	}
	var carried []string
	for _, w := range r.Carried {
		carried = append(carried, w.Name)
	}
	v := &reportView{Facts: facts([2]string{"Aim reached", r.AimReached}, [2]string{"Deviations", r.Deviations}, [2]string{"Results of tests", r.TestResults},
		[2]string{"Removed, and where it is", r.Removed}, [2]string{"Hours", hours}, [2]string{"Carried out by", strings.Join(carried, ", ")}, [2]string{"Handling", r.Handling},
		[2]string{"Display", r.Display}, [2]string{"Storage", r.Storage}, [2]string{"Transport", r.Transport}, [2]string{"Retreatment", r.Retreatment}, [2]string{"Next check due", dateWords(r.NextCheck)}),
		Addenda: s.addendaTo(d, "completion", d.ID)}
	if r.After != nil {
		v.Examined = &Link{Path: examinationPath(r.After.ID), Words: r.After.Called()}
	}
	for _, c := range r.Components {
		v.After = append(v.After, afterRow{Component: r.Legend[c.ComponentID.String()], Condition: c.Condition, NoPair: c.NoPair})
	}
	for _, a := range r.Answers {
		row := answerRow{Because: a.Because, Mark: doneMark("met")}
		if a.Met == "not_met" {
			row.Mark = warnMark("not met")
		}
		if i := slices.IndexFunc(d.Treatment.Conditions, func(c treatment.Condition) bool { return c.ID == a.ConditionID }); i >= 0 {
			row.Condition = d.Treatment.Conditions[i].Called()
		}
		v.Answers = append(v.Answers, row)
	}
	_, served := s.acts["GET /photos/:id"]
	for _, x := range r.Shown {
		l := Link{Words: photo.View(x.View).Words() + ", " + photo.Stage(x.Stage).Words()}
		if served {
			l.Path = "/photos/" + x.ID.String()
		}
		v.Shown = append(v.Shown, l)
	}
	return v
}

// reportForm makes the page of the completion report. What the log says is filled in already.
func (s *Server) reportForm(c echo.Context, d *desk, r treatment.Report) (*treatmentFormPage, error) {
	var named []domain.ID
	if r.ExaminationID != nil {
		named = append(named, *r.ExaminationID)
	}
	examined, err := s.Treatment.Examined(c.Request().Context(), actor(c), d.ObjectID, named)
	if err != nil {
		return nil, err
	}
	page := &treatmentFormPage{Heading: "Completion report", Back: Link{Path: d.at, Words: d.Called()},
		Lead: []string{"It can be kept at any time and need not be complete yet. Materials, batches and departures are taken from the log. 'Nothing' and 'none' are answers."}}
	page.Title, page.Here = "Completion of "+d.Called(), "/treatments"
	hours := strconv.FormatFloat(float64(d.Minutes())/60, 'f', 1, 64)
	if r.Hours != nil {
		hours = r.Hours.String()
	}
	if d.Completion == nil {
		for _, h := range d.Hands() {
			r.People = append(r.People, h.ID)
		}
	}
	area := func(name, label, value string, most int) Field {
		return Field{Kind: "textarea", Name: name, Label: label, Value: value, Max: most, Rows: 3}
	}
	fields := []Field{{Kind: "select", Name: "examination_id", Label: "Examination after treatment", Options: examinedOptions(examined, r.ExaminationID),
		Help: "It shows the condition of each treated component, and is made after the last work."},
		area("aim_reached", "Was the aim reached?", r.AimReached, 10000)}
	parts := Field{Kind: "group", Label: "Each treated component"}
	for i, part := range d.Treated() {
		at, after := fmt.Sprintf("components.%d.", i), treatment.ComponentAfter{}
		if j := slices.IndexFunc(r.Components, func(x treatment.ComponentAfter) bool { return x.ComponentID == part.ID }); j >= 0 {
			after = r.Components[j]
		}
		parts.Fields = append(parts.Fields, Field{Kind: "group", Label: part.Called, Fields: []Field{
			{Kind: "hidden", Name: at + "component_id", Value: part.ID.String()},
			area(at+"condition_after", "Beside the examination, of "+part.Called, after.Condition, 4000),
			{Kind: "text", Name: at + "no_photographs_because", Label: "If there are no photographs before and after with the same view: why", Value: after.NoPair, Max: 1000},
		}})
	}
	fields = append(fields, parts)
	if photos := s.photoOptions(d.around); len(photos) > 0 {
		for i := range photos {
			photos[i].Chosen = slices.ContainsFunc(r.Photographs, func(id domain.ID) bool { return id.String() == photos[i].Value }) ||
				d.Completion == nil && (strings.Contains(photos[i].Label, photo.Before.Words()) || strings.Contains(photos[i].Label, photo.After.Words()))
		}
		fields = append(fields, Field{Kind: "checks", Name: "photographs", Label: "Photographs of this treatment", Help: "Those of the steps belong to it already. Each treated component needs one before and one after with the same view.", Options: photos})
	}
	fields = append(fields, area("deviations", "Deviations from the proposal", r.Deviations, 10000), area("test_results", "Results of the tests", r.TestResults, 10000),
		area("removed", "What was removed, and where it is", r.Removed, 4000),
		Field{Kind: "text", Name: "hours", Label: "Hours", Value: hours, Max: 12, Help: fmt.Sprintf("The log adds up to %d minutes.", d.Minutes())},
		Field{Kind: "checks", Name: "people", Label: "Everybody who carried it out", Options: workers(d.staff, r.People...)})
	if len(d.Treatment.Conditions) > 0 {
		answers := Field{Kind: "group", Label: "Conditions of the approval"}
		for i, condition := range d.Treatment.Conditions {
			at, a := fmt.Sprintf("answers.%d.", i), treatment.Answer{}
			if j := slices.IndexFunc(r.Answers, func(x treatment.Answer) bool { return x.ConditionID == condition.ID }); j >= 0 {
				a = r.Answers[j]
			}
			answers.Fields = append(answers.Fields, Field{Kind: "group", Label: condition.Called(), Fields: []Field{
				{Kind: "hidden", Name: at + "condition_id", Value: condition.ID.String()},
				{Kind: "select", Name: at + "met", Label: fmt.Sprintf("Condition %d was", condition.Number), Options: append([]Option{{Label: "choose"}}, options(a.Met, "met", "not_met")...)},
				{Kind: "text", Name: at + "because", Label: fmt.Sprintf("Condition %d: because", condition.Number), Value: a.Because, Max: 2000},
			}})
		}
		fields = append(fields, answers)
	}
	fields = append(fields, area("handling_advice", "Advice for handling", r.Handling, 4000), area("display_advice", "Advice for display", r.Display, 4000),
		area("storage_advice", "Advice for storage", r.Storage, 4000), area("transport_advice", "Advice for transport", r.Transport, 4000),
		area("retreatment_notes", "Notes for a later treatment", r.Retreatment, 4000),
		Field{Kind: "text", Name: "next_check_due", Label: "Next check due", Value: r.NextCheck, Max: 40, Help: "A date, or a month such as 2026-08."})
	page.Form = (&Form{Action: d.at + "/completion", Version: d.Version, Submit: "Keep the report", Long: true, Fields: fields}).ready(c)
	return page, nil
}

// reportPage serves GET /treatments/{id}/completion.
func (s *Server) reportPage(c echo.Context) error {
	return getWork(s, c, func(d *desk) (*treatmentFormPage, error) {
		r := treatment.Report{}
		if d.Completion != nil {
			r = d.Completion.Report
		}
		return s.reportForm(c, d, r)
	})
}

func (s *Server) keepReport(c echo.Context) error {
	return postWork(s, c, "The report is kept. What is still missing is listed.", s.Treatment.KeepReport, func(d *desk, r treatment.Report, _ string) (*treatmentFormPage, error) {
		return s.reportForm(c, d, r)
	})
}

// addendumPage makes the page that writes an addendum.
func (s *Server) addendumPage(c echo.Context, d *desk, n treatment.NewAddendum) *treatmentFormPage {
	records := []Option{{Label: "choose"}} // it is sealed: nothing is chosen for anybody
	add := func(record string, id domain.ID, label string) {
		value := record + " " + id.String()
		records = append(records, Option{Value: value, Label: label, Chosen: record == n.Record && (id == n.RecordID || record == "completion")})
	}
	doing := d.mayDo(treatment.Propose)
	if doing {
		for _, v := range d.Versions {
			add("version", v.ID, textName(v.Amendment)+", version "+strconv.Itoa(v.Number))
		}
		for _, w := range d.Steps {
			add("step", w.ID, "Step of "+s.moment(w.HappenedAt)+": "+w.Method)
		}
		for _, w := range d.Departures {
			add("departure", w.ID, "Departure of "+s.moment(w.HappenedAt))
		}
		if d.State == treatment.Signed {
			add("completion", d.ID, "The completion report")
		}
	}
	if d.mayDecide() {
		for _, x := range d.Decisions {
			add("decision", x.ID, "Decision of "+s.moment(x.Signature.At)+": "+x.Outcome.Words())
		}
		for _, x := range d.Treatment.Designations {
			add("designation", x.ID, "Designation of "+x.Called+" of "+s.day(x.Signature.At))
		}
	}
	page := &treatmentFormPage{Heading: "Write an addendum", Back: Link{Path: d.at, Words: d.Called()},
		Lead: []string{"What was signed stays as it was. An addendum stands beside what it corrects wherever that is shown, is sealed in its turn, and does not change any date."}}
	page.Title, page.Here = "Addendum to "+d.Called(), "/treatments"
	page.Form = (&Form{Action: d.at + "/addenda", Version: d.Version, Submit: "Sign and seal the addendum", Grave: true, Fields: []Field{
		{Kind: "select", Name: "about", Label: "What it corrects", Required: true, Options: records},
		{Kind: "text", Name: "field", Label: "Which part of it", Value: n.Field, Required: true, Max: 120, Help: "Such as hours, batch, statement."},
		{Kind: "textarea", Name: "old_statement", Label: "It says", Value: n.Old, Required: true, Max: 10000, Rows: 2},
		{Kind: "textarea", Name: "new_statement", Label: "It should say", Value: n.New, Required: true, Max: 10000, Rows: 2},
		{Kind: "textarea", Name: "reason", Label: "Why", Value: n.Reason, Required: true, Max: 4000, Rows: 2},
	}}).ready(c)
	return page
}

func textName(amendment int) string {
	if amendment == 0 {
		return "Proposal"
	}
	return "Amendment " + strconv.Itoa(amendment)
}

// newAddendumPage serves GET /treatments/{id}/addenda/new?record=&record_id=.
func (s *Server) newAddendumPage(c echo.Context) error {
	return getWork(s, c, func(d *desk) (*treatmentFormPage, error) {
		n := treatment.NewAddendum{Record: c.QueryParam("record")}
		if text := c.QueryParam("record_id"); text != "" {
			id, err := domain.ParseID(text)
			if err != nil {
				return nil, err
			}
			n.RecordID = id
		}
		return s.addendumPage(c, d, n), nil
	})
}

// typedAddendum is an addendum as the form sends it: one choice names the record.
type typedAddendum struct {
	About  string `json:"about" validate:"required"`
	Field  string `json:"field"`
	Old    string `json:"old_statement"`
	New    string `json:"new_statement"`
	Reason string `json:"reason"`
}

func (f typedAddendum) command() treatment.NewAddendum {
	record, text, _ := strings.Cut(f.About, " ")
	n := treatment.NewAddendum{Record: record, Field: f.Field, Old: f.Old, New: f.New, Reason: f.Reason}
	if id, err := domain.ParseID(text); err == nil && record != "completion" {
		n.RecordID = id
	}
	return n
}

func (s *Server) writeAddendum(c echo.Context) error {
	return postWork(s, c, "The addendum is sealed.", func(ctx context.Context, by domain.Actor, id domain.ID, version int64, f typedAddendum) (*treatment.Treatment, error) {
		return s.Treatment.WriteAddendum(ctx, by, id, version, f.command())
	}, func(d *desk, f typedAddendum, _ string) (*treatmentFormPage, error) {
		return s.addendumPage(c, d, f.command()), nil
	})
}

// fragmentsOf shows what came away from the object and what was decided on it (T10).
func (s *Server) fragmentsOf(d *desk, p *treatmentPage) {
	var choices []Option
	for _, part := range d.around.Sheet.Components {
		if part.Function != collection.Fragment {
			continue
		}
		v := fragmentView{Called: d.around.Sheet.Called(part.ID)}
		if part.CameFromID != nil {
			v.From = d.around.Sheet.Called(*part.CameFromID)
		}
		choices = append(choices, Option{Value: part.ID.String(), Label: v.Called})
		for _, x := range d.Treatment.Designations {
			if x.ComponentID != part.ID {
				continue
			}
			fate := decisionView{Heading: plain(x.Designation), Statement: x.Signature.Statement, Says: s.by(&x.Signature), Mark: doneMark(plain(x.Designation)), Addenda: s.addendaTo(d, "designation", x.ID)}
			if x.Awaiting() {
				fate.Mark = waitMark("disposal not yet authorised")
				if d.by.May(treatment.Authorise) == nil && d.side() != treatment.Doing && d.by.ID != x.Signature.By.ID {
					part := amendmentPart("authorise", x.Number)
					v.Authorise = p.put(part, &Form{Action: fmt.Sprintf("%s/designations/%d/authorisation", d.at, x.Number), Version: d.Version, Below: true, Grave: true,
						Legend: "Authorise the disposal of " + x.Called, Submit: "Authorise it", Fields: []Field{{Kind: "textarea", Name: "statement", Label: "Statement", Max: 4000, Rows: 2}}})
				}
			}
			if x.Second != nil {
				fate.Mark, fate.Says = doneMark("disposal authorised"), fate.Says+"; authorised by "+s.by(x.Second)
			}
			v.Fate = append(v.Fate, fate)
		}
		p.Fragments = append(p.Fragments, v)
	}
	if len(choices) > 0 && d.mayDecide() {
		p.Designate = p.put("designate", &Form{Action: d.at + "/designations", Version: d.Version, Below: true, Legend: "Decide what becomes of a fragment", Submit: "Decide and seal", Fields: []Field{
			{Kind: "select", Name: "component_id", Label: "Fragment", Required: true, Options: choices},
			{Kind: "radio", Name: "designation", Label: "Decision", Required: true, Options: options("", treatment.Designations...)},
			{Kind: "textarea", Name: "reason", Label: "Reason", Required: true, Max: 4000, Rows: 2}}})
	}
}
