package web

import (
	"context"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/investigation"
	"farthingale/domain/photo"
)

// investigationStep is an act on a question that has a page of its own: a form, and what it does.
type investigationStep struct {
	path, words, heading, said string
	act                        domain.Act
	lead                       []string
	techniques                 bool // the list of techniques stands below
	fields                     func(s *Server, c echo.Context, i *investigation.Investigation, sheet *collection.Sheet) ([]Field, error)
	command                    func() any
	do                         func(ctx context.Context, s *Server, by domain.Actor, i *investigation.Investigation, version int64, command any) error
}

// investigationSteps are in the order in which they are usually done.
var investigationSteps = []investigationStep{
	{path: "plan", words: "Plan it", heading: "How the question is to be answered", said: "The plan is on record.", act: investigation.PlanIt, techniques: true,
		fields: (*Server).planFields, command: func() any { return &investigation.NewPlan{} },
		do: func(ctx context.Context, s *Server, by domain.Actor, i *investigation.Investigation, version int64, command any) error {
			_, err := s.Investigation.Plan(ctx, by, i.ID, version, *command.(*investigation.NewPlan))
			return err
		}},
	{path: "consent", words: "Ask for consent", heading: "Ask for consent to a sample or a trace", said: "The curators are asked.", act: investigation.PlanIt,
		lead:   []string{"A sample, or a technique that may leave a trace, needs the consent of a curator of the department who asked neither the question nor this (rule I1). It holds for the sites and sizes named here."},
		fields: (*Server).consentFields, command: func() any { return &investigation.NewConsent{} },
		do: func(ctx context.Context, s *Server, by domain.Actor, i *investigation.Investigation, version int64, command any) error {
			_, err := s.Investigation.AskConsent(ctx, by, i.ID, version, *command.(*investigation.NewConsent))
			return err
		}},
	{path: "sample", words: "Record a sample", heading: "Record a sample that was taken", said: "The sample is on record.", act: investigation.Find,
		lead:   []string{"What happened can always be recorded. Without a consent that covers it, say why; the sample is then shown as taken without consent, and the curators hear of it."},
		fields: (*Server).sampleFields, command: func() any { return &placedSample{} },
		do: func(ctx context.Context, s *Server, by domain.Actor, i *investigation.Investigation, version int64, command any) error {
			n := command.(*placedSample)
			named, err := s.placeNamed(ctx, by, "/place_code", n.Code)
			if err != nil {
				return err
			}
			if named != nil {
				n.Remainder.PlaceID = named
			}
			_, err = s.Investigation.Sample(ctx, by, i.ID, version, n.NewSample)
			return err
		}},
	{path: "finding", words: "Record a finding", heading: "Record what was found", said: "The finding is on record.", act: investigation.Find, techniques: true,
		lead:   []string{"A finding is never changed; a later one corrects it. One that identifies a material updates the component's identification at once, and cites this finding (rule I2)."},
		fields: (*Server).findingFields, command: func() any { return &investigation.NewFinding{} },
		do: func(ctx context.Context, s *Server, by domain.Actor, i *investigation.Investigation, version int64, command any) error {
			_, err := s.Investigation.Record(ctx, by, i.ID, version, *command.(*investigation.NewFinding))
			return err
		}},
}

func (s *Server) investigationStepData(c echo.Context, st investigationStep) (*investigationFormPage, *investigation.Investigation, error) {
	i, sheet, err := s.investigationOf(c)
	if err != nil {
		return nil, nil, err
	}
	fields, err := st.fields(s, c, i, sheet)
	if err != nil {
		return nil, nil, err
	}
	p := &investigationFormPage{Heading: st.heading, Back: Link{Path: investigationPath(i.ID), Words: i.ObjectNumber + ": " + i.Question}, Lead: st.lead}
	p.Title, p.Here = st.heading+", "+i.ObjectNumber, "/investigations"
	if st.techniques {
		if p.Techniques, err = techniqueRows(); err != nil {
			return nil, nil, err
		}
	}
	p.Form = (&Form{Action: investigationPath(i.ID) + "/" + st.path, Version: i.Version, Submit: st.words, Fields: fields}).ready(c)
	return p, i, nil
}

// investigationStepPage serves GET of a step.
func (s *Server) investigationStepPage(st investigationStep) echo.HandlerFunc {
	return func(c echo.Context) error {
		p, i, err := s.investigationStepData(c, st)
		if err != nil {
			return err
		}
		if !i.State.Open() {
			return domain.Conflict("ended", "This question was answered or given up. Ask a new one.")
		}
		return s.render(c, http.StatusOK, "investigation/form", p)
	}
}

// investigationStep serves POST of a step.
func (s *Server) investigationStep(st investigationStep) echo.HandlerFunc {
	return func(c echo.Context) error {
		p, i, err := s.investigationStepData(c, st)
		if err != nil {
			return err
		}
		command := st.command()
		version, typed, err := s.decode(c, command)
		if err == nil {
			err = st.do(c.Request().Context(), s, actor(c), i, version, command)
		}
		if err == nil {
			return s.done(c, st.said, investigationPath(i.ID))
		}
		return s.answer(c, p.Form, typed, err, "investigation/form", p)
	}
}

// techniqueOptions are the techniques to choose from, those that fit.
func techniqueOptions(fits func(t investigation.Technique) bool, chosen func(key string) bool) ([]Option, error) {
	all, err := investigation.Techniques()
	if err != nil {
		return nil, err
	}
	var some []Option
	for _, t := range all {
		if fits(t) {
			some = append(some, Option{Value: t.Key, Label: t.Name + " (" + investigation.EffectWords[t.Effect] + ")", Chosen: chosen(t.Key)})
		}
	}
	return some, nil
}

func anyTechnique(investigation.Technique) bool { return true }

func (s *Server) planFields(_ echo.Context, i *investigation.Investigation, sheet *collection.Sheet) ([]Field, error) {
	plan := investigation.Plan{Who: ""}
	if i.Plan != nil {
		plan = *i.Plan
	}
	has := func(key string) bool {
		for _, k := range plan.Techniques {
			if k == key {
				return true
			}
		}
		return false
	}
	techniques, err := techniqueOptions(anyTechnique, has)
	if err != nil {
		return nil, err
	}
	parts := partOptions(sheet, "")
	for k := range parts {
		for _, id := range plan.ComponentIDs {
			parts[k].Chosen = parts[k].Chosen || parts[k].Value == id.String()
		}
	}
	fields := []Field{{Kind: "checks", Name: "techniques", Label: "Techniques", Required: true, Options: techniques}}
	if len(parts) > 0 {
		fields = append(fields, Field{Kind: "checks", Name: "component_ids", Label: "On which parts", Help: "None: the whole object.", Options: parts})
	}
	return append(fields,
		Field{Kind: "text", Name: "who", Label: "Who does it", Help: "Here or elsewhere.", Required: true, Max: 300, Value: plan.Who},
		Field{Kind: "date", Name: "planned_for", Label: "Planned for", Value: plan.PlannedFor},
		Field{Kind: "textarea", Name: "note", Label: "Note", Max: 4000, Rows: 2, Value: plan.Note}), nil
}

// consentSites is how many sites the form has room for.
const consentSites = 3

func (s *Server) consentFields(_ echo.Context, _ *investigation.Investigation, sheet *collection.Sheet) ([]Field, error) {
	techniques, err := techniqueOptions(investigation.Technique.NeedsConsent, func(string) bool { return false })
	if err != nil {
		return nil, err
	}
	fields := []Field{
		{Kind: "select", Name: "technique", Label: "Technique", Required: true, Options: withNone("choose", true, techniques)},
		{Kind: "textarea", Name: "reason", Label: "Reason", Help: "Why what touches nothing will not do, and what will be learnt.", Required: true, Max: 4000, Rows: 3}}
	for k := range consentSites {
		at := "sites." + string(rune('0'+k)) + "."
		group := Field{Kind: "group", Label: "Site " + string(rune('1'+k)), Fields: []Field{
			{Kind: "select", Name: at + "component_id", Label: "Part", Options: withNone("choose", true, partOptions(sheet, ""))},
			{Kind: "text", Name: at + "place", Label: "Place", Help: "So that somebody else finds it.", Max: 500},
			{Kind: "abreast", Label: "How large", Fields: []Field{{Kind: "text", Name: at + "size", Label: "Size", Help: "Such as: a thread of 5 mm.", Max: 200}, {Kind: "number", Name: at + "count", Label: "How many there", Step: "1"},
				{Kind: "text", Name: at + "mass_mg", Label: "Mass in mg", Max: 20}}}}}
		if k > 0 {
			group.Kind = "folded"
		}
		fields = append(fields, group)
	}
	return append(fields,
		Field{Kind: "text", Name: "analyst", Label: "Who analyses it, where", Max: 300},
		Field{Kind: "text", Name: "returns", Label: "What is used up, what comes back", Max: 500}), nil
}

func (s *Server) thisDay() string { return s.Now().In(s.Site.Zone).Format(time.DateOnly) }

func (s *Server) sampleFields(c echo.Context, _ *investigation.Investigation, sheet *collection.Sheet) ([]Field, error) {
	techniques, err := techniqueOptions(func(t investigation.Technique) bool { return t.Effect == investigation.Samples }, func(string) bool { return false })
	if err != nil {
		return nil, err
	}
	place, err := s.placeChoice(c, placeAsked{code: "place_code", choice: "remainder.place_id", codeLabel: placeCodeLabel, orLabel: "Or in", help: placeCodeHelp, none: "no place of ours"})
	if err != nil {
		return nil, err
	}
	return []Field{
		{Kind: "select", Name: "technique", Label: "For which technique", Required: true, Options: withNone("choose", true, techniques)},
		{Kind: "select", Name: "component_id", Label: "From which part", Required: true, Options: withNone("choose", true, partOptions(sheet, ""))},
		{Kind: "text", Name: "site", Label: "Site", Required: true, Max: 500},
		{Kind: "abreast", Label: "How large", Fields: []Field{{Kind: "text", Name: "size", Label: "Size", Required: true, Max: 200}, {Kind: "text", Name: "mass_mg", Label: "Mass in mg", Max: 20}}},
		{Kind: "date", Name: "taken_on", Label: "Taken on", Required: true, Value: s.thisDay()},
		{Kind: "text", Name: "taken_by", Label: "Taken by", Required: true, Max: 300, Value: actor(c).Name},
		{Kind: "group", Label: "What is left", Fields: remainderFields("remainder.", place...)},
		{Kind: "textarea", Name: "explanation", Label: "Why without consent", Help: "Only where no consent covers it.", Max: 2000, Rows: 2}}, nil
}

func (s *Server) findingFields(c echo.Context, i *investigation.Investigation, sheet *collection.Sheet) ([]Field, error) {
	planned := func(key string) bool {
		return i.Plan != nil && len(i.Plan.Techniques) == 1 && i.Plan.Techniques[0] == key
	}
	techniques, err := techniqueOptions(anyTechnique, planned)
	if err != nil {
		return nil, err
	}
	materials, err := s.materialOptions(c, "unidentified")
	if err != nil {
		return nil, err
	}
	photos, err := s.Photo.List(c.Request().Context(), actor(c), i.ObjectID, photo.Filter{}, domain.PageQuery{Limit: 12})
	if err != nil {
		return nil, err
	}
	part := ""
	if i.ComponentID != nil {
		part = i.ComponentID.String()
	}
	fields := []Field{
		{Kind: "select", Name: "technique", Label: "Technique", Required: true, Options: withNone("choose", false, techniques)},
		{Kind: "select", Name: "component_id", Label: "On which part", Options: withNone("the whole object", part == "", partOptions(sheet, part))}}
	if len(i.Samples) > 0 {
		var samples []Option
		for _, x := range i.Samples {
			samples = append(samples, Option{Value: x.ID.String(), Label: x.Called + " " + x.Site})
		}
		fields = append(fields, Field{Kind: "select", Name: "sample_id", Label: "On which sample", Options: withNone("none", true, samples)})
	}
	fields = append(fields,
		Field{Kind: "textarea", Name: "found", Label: "What was found", Required: true, Max: 8000, Rows: 3},
		Field{Kind: "textarea", Name: "proves", Label: "What it proves", Help: "Nothing is an answer.", Required: true, Max: 4000, Rows: 2},
		Field{Kind: "textarea", Name: "limits", Label: "What it does not show", Max: 4000, Rows: 2},
		Field{Kind: "text", Name: "instrument", Label: "Instrument", Help: "Make, number, last calibration.", Max: 500},
		Field{Kind: "textarea", Name: "settings", Label: "Settings", Help: "What the technique asks to record; see the list below.", Max: 4000, Rows: 2},
		Field{Kind: "date", Name: "done_on", Label: "Done on", Required: true, Value: s.thisDay()},
		Field{Kind: "text", Name: "done_by", Label: "Done by", Required: true, Max: 300, Value: actor(c).Name})
	var pictures []Option
	for _, x := range photos.Items {
		pictures = append(pictures, Option{Value: x.ID.String(), Label: x.View.Words() + ", " + x.Light.Words() + prefixed(", ", x.Caption), Image: s.facePath(&x.ID)})
	}
	if len(pictures) > 0 {
		fields = append(fields, Field{Kind: "folded", Label: "Photographs that it rests on", Fields: []Field{{Kind: "checks", Name: "photo_ids", Label: "Photographs", Options: pictures}}})
	}
	fields = append(fields, Field{Kind: "folded", Label: "A file that it rests on, kept elsewhere", Fields: []Field{
		{Kind: "text", Name: "files.0.name", Label: "Name of the file", Max: 300}, {Kind: "text", Name: "files.0.sha256", Label: "Its SHA-256", Max: 64}, {Kind: "text", Name: "files.0.where", Label: "Where it is kept", Max: 300}}},
		Field{Kind: "folded", Label: "It identifies a material", Help: "The component's identification is updated with it; what is ticked below stays on record.", Fields: append([]Field{
			{Kind: "select", Name: "identifies.material_key", Label: "Material", Options: materials},
			{Kind: "select", Name: "identifies.role", Label: "As what", Options: withNone("choose", true, options("", collection.MaterialRoles...))},
			{Kind: "select", Name: "identifies.confidence", Label: "How surely", Options: withNone("choose", true, options("", collection.Confidences...))},
			{Kind: "text", Name: "identifies.share_percent", Label: "Share in per cent", Max: 6}}, supersedeFields(sheet)...)},
		Field{Kind: "textarea", Name: "explanation", Label: "Why without consent", Help: "Only for what leaves a trace and has no consent.", Max: 2000, Rows: 2})
	return fields, nil
}

// supersedeFields offer the identifications whose place a finding may take.
func supersedeFields(sheet *collection.Sheet) []Field {
	var old []Option
	for _, m := range sheet.Materials {
		if c := sheet.Component(m.ComponentID); c != nil {
			old = append(old, Option{Value: m.ID.String(), Label: "." + c.Label + " " + m.Role + ": " + m.MaterialName + " (" + m.Confidence + ")"})
		}
	}
	if len(old) == 0 {
		return nil
	}
	return []Field{{Kind: "checks", Name: "identifies.supersedes", Label: "Takes the place of", Help: "Of the same part only.", Options: old}}
}
