package web

import (
	"errors"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
)

// observationEntry is an observation as the page of a draft has it.
type observationEntry struct {
	ID, Heading, Before string
	Mark                Mark
	Form, Remove        *Form
	MarkOn              []Link // photographs on which it can be marked
	Marked              string // where it is; empty: nowhere
	Take                *Form  // its extent from the marks
}

// observed says what an observation says, in a line.
func observed(f examination.Finding) string {
	var parts []string
	if f.Severity > 0 {
		parts = append(parts, "severity "+strconv.Itoa(f.Severity)+" ("+severityWord(f.Severity)+")")
	}
	switch f.Activity {
	case "":
	case examination.UnknownActivity:
		parts = append(parts, "active or not: unknown")
	default:
		parts = append(parts, string(f.Activity))
	}
	if f.Extent != nil {
		parts = append(parts, f.Extent.Words()+" ("+f.Extent.Basis+")")
	}
	if f.Note != "" {
		parts = append(parts, f.Note)
	}
	return strings.Join(parts, "; ")
}

// severityWord is the first word of what a severity means: "moderate".
func severityWord(n int) string {
	word, _, _ := strings.Cut(examination.Severities[n-1], ":")
	return word
}

// answerLabels are the answers to a carried observation, as people say them.
var answerLabels = map[examination.Status]string{
	examination.Confirmed: "as it was", examination.Changed: "changed", examination.Gone: "gone", examination.NotSeen: "not seen", examination.New: "new",
}

func statusMark(f examination.Finding) Mark {
	switch f.Status {
	case examination.Unanswered:
		return waitMark("not answered yet")
	case examination.Changed:
		return warnMark("changed")
	case examination.NotSeen:
		return draftMark("not seen")
	}
	return doneMark(answerLabels[f.Status])
}

// findingFields ask for what is found of a damage.
func findingFields(f examination.Finding) []Field {
	var severities []Option
	for i := range examination.Severities {
		n := strconv.Itoa(i + 1)
		severities = append(severities, Option{Value: n, Label: n + " " + severityWord(i+1), Chosen: f.Severity == i+1})
	}
	x := examination.Extent{}
	value, uncertainty := "", ""
	if f.Extent != nil {
		x, value = *f.Extent, f.Extent.Value.String()
		if x.Uncertainty != nil {
			uncertainty = x.Uncertainty.String()
		}
	}
	kinds := []Option{{Label: "not measured", Chosen: x.Kind == ""}}
	for _, k := range examination.ExtentKinds {
		label := string(k)
		if unit := k.Unit(); unit != "" && k != examination.Percent {
			label += " (" + unit + ")"
		}
		if k == examination.Percent {
			label = "percent of the visible surface"
		}
		kinds = append(kinds, Option{Value: string(k), Label: label, Chosen: x.Kind == k})
	}
	return []Field{
		{Kind: "radio", Name: "severity", Label: "Severity", Tiles: true, Options: severities},
		{Kind: "radio", Name: "activity", Label: "Does it go on?", Tiles: true, Options: options(string(f.Activity), examination.Activities...)},
		{Kind: "textarea", Name: "note", Label: "What was seen", Value: f.Note, Max: 4000, Rows: 2},
		{Kind: "abreast", Label: "Extent", Fields: []Field{
			{Kind: "select", Name: "extent.kind", Label: "Extent", Options: kinds},
			{Kind: "text", Name: "extent.value", Label: "How much", Value: value, Max: 40},
			{Kind: "text", Name: "extent.uncertainty", Label: "± (k = 2; empty when not known)", Value: uncertainty, Max: 40}}},
		{Kind: "text", Name: "extent.basis", Label: "How the extent is known", Value: x.Basis, List: "extent-bases", Max: 300},
		{Kind: "text", Name: "extent.of", Label: "Percent of something else than the visible surface", Value: x.Of, Max: 200},
		{Kind: "textarea", Name: "cause", Label: "Probable cause", Help: "What you think, apart from what was seen.", Value: f.Cause, Max: 2000, Rows: 2},
	}
}

// observationForms adds the observations to the page of a draft: those known before, then the new ones.
func (s *Server) observationForms(c echo.Context, p *draftPage, e *examination.Examination) {
	at := examinationPath(e.ID)
	var open []Option
	for _, o := range e.Observations {
		id := o.ID.String()
		entry := observationEntry{ID: "o-" + id, Heading: o.TermName + " on " + o.Called, Mark: statusMark(o.Finding)}
		word := Field{Kind: "text", Name: "term", Label: "Word for it", Value: o.TermName, List: "damage-terms", Required: true, Max: 60}
		f := &Form{Part: id, Action: at + "/observations/" + id, Quick: true, Submit: "Keep"}
		if o.ContinuesID == nil {
			f.Fields = append([]Field{word, {Kind: "hidden", Name: "status", Value: string(examination.New)}}, findingFields(o.Finding)...)
			entry.Remove = (&Form{Part: "remove-" + id, Action: at + "/observations/" + id + "/removal", Submit: "Take it back"}).ready(c)
			entry.Form = f.saved().ready(c)
			p.New = append(p.New, entry)
			continue
		}
		entry.Before = "It was: " + observed(*o.Before) + "."
		if o.Before.Status == examination.NotSeen {
			entry.Before = "It was not seen the last time. As it was last known: " + observed(*o.Before) + "."
		}
		answers := make([]Option, len(examination.Answers))
		for i, a := range examination.Answers {
			answers[i] = Option{Value: string(a), Label: answerLabels[a], Chosen: o.Status == a}
		}
		folded := Field{Kind: "folded", Label: "What it is like now", Fields: append(findingFields(o.Finding), word)}
		if o.Status == examination.Changed {
			folded.Value = "open"
		}
		f.Fields = []Field{{Kind: "radio", Name: "status", Label: "Now", Tiles: true, Options: answers},
			{Kind: "textarea", Name: "reason", Label: "Why gone or not seen; what changed", Value: o.Reason, Max: 2000, Rows: 2}, folded}
		entry.Form = f.saved().ready(c)
		p.Known = append(p.Known, entry)
		if o.Status == examination.Unanswered {
			open = append(open, Option{Value: id, Label: entry.Heading})
		}
	}
	if len(open) > 1 {
		p.Confirm = (&Form{Part: "confirm", Action: at + "/confirmations", Quick: true, Submit: "These are as they were", Fields: []Field{
			{Kind: "checks", Name: "observation_ids", Label: "Looked at, and as they were", Options: open}}}).ready(c)
	}
}

// addObservationForm asks for a damage that was not known before. Its ID is chosen here, so that a form
// that is sent twice over a poor network is kept once.
func (s *Server) addObservationForm(c echo.Context, e *examination.Examination, w *collection.Whole) *Form {
	parts := []Option{{Label: "the whole object"}}
	for _, part := range w.Components {
		parts = append(parts, Option{Value: part.ID.String(), Label: "." + part.Label + " " + part.Name, Chosen: part.ID.String() == c.QueryParam("part")})
	}
	fields := []Field{
		{Kind: "select", Name: "component_id", Label: "On", Options: parts},
		{Kind: "text", Name: "term", Label: "Damage", Help: "A word of the list; begin to type it.", List: "damage-terms", Required: true, Max: 60},
	}
	fields = append(fields, findingFields(examination.Finding{})...)
	fields = append(fields, Field{Kind: "hidden", Name: "id", Value: domain.NewID().String()})
	return (&Form{Part: "add", Draft: "hold", Action: examinationPath(e.ID) + "/observations", Quick: true, Submit: "Write it down", Fields: fields}).ready(c)
}

// asTyped makes of what a form holds a finding: a percentage is of the visible surface, as its choice says,
// unless something else was written.
func asTyped(f examination.Finding) examination.Finding {
	if x := f.Extent; x != nil && x.Kind == examination.Percent && x.Of == "" {
		x.Of = "visible surface of this part"
	}
	return f
}

// addObservation serves POST /examinations/{id}/observations.
func (s *Server) addObservation(c echo.Context) error {
	var n examination.NewFinding
	return s.draftAct(c, &n, func(p *draftPage) *Form { return p.Add }, "#new", func(e *examination.Examination) error {
		n.Finding = asTyped(n.Finding)
		_, _, err := s.Examination.Add(c.Request().Context(), actor(c), e.ID, e.Version, n)
		var known *domain.Error
		if errors.As(err, &known) && known.Code == "observation_kept" { // it was sent a second time
			return nil
		}
		return err
	})
}

// observationForm finds the form of the observation of the address.
func observationForm(c echo.Context) func(p *draftPage) *Form {
	return func(p *draftPage) *Form {
		for _, entry := range slices.Concat(p.Known, p.New) {
			if entry.ID == "o-"+c.Param("observation") {
				return entry.Form
			}
		}
		return nil
	}
}

// saveObservation serves POST /examinations/{id}/observations/{observation}.
func (s *Server) saveObservation(c echo.Context) error {
	id, err := domain.ParseID(c.Param("observation"))
	if err != nil {
		return err
	}
	var n struct {
		Based
		examination.Finding
	}
	return s.draftAct(c, &n, observationForm(c), "#o-"+id.String(), func(e *examination.Examination) error {
		_, err := s.Examination.Set(c.Request().Context(), actor(c), e.ID, e.Version, id, asTyped(n.Finding))
		return err
	})
}

// dropObservation serves POST /examinations/{id}/observations/{observation}/removal.
func (s *Server) dropObservation(c echo.Context) error {
	id, err := domain.ParseID(c.Param("observation"))
	if err != nil {
		return err
	}
	var n struct{}
	return s.draftAct(c, &n, func(p *draftPage) *Form {
		for _, entry := range p.New {
			if entry.ID == "o-"+id.String() {
				return entry.Remove
			}
		}
		return &Form{}
	}, "#new", func(e *examination.Examination) error {
		_, err := s.Examination.Drop(c.Request().Context(), actor(c), e.ID, e.Version, id)
		return err
	})
}

// confirmObservations serves POST /examinations/{id}/confirmations.
func (s *Server) confirmObservations(c echo.Context) error {
	var n examination.Confirmation
	return s.draftAct(c, &n, func(p *draftPage) *Form {
		if p.Confirm == nil {
			return &Form{}
		}
		return p.Confirm
	}, "#known", func(e *examination.Examination) error {
		_, err := s.Examination.Confirm(c.Request().Context(), actor(c), e.ID, e.Version, n)
		return err
	})
}
