package web

import (
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/photo"
)

// draftPage is a draft as its writers have it: each group a form of its own.
type draftPage struct {
	Frame
	Number, ObjectTitle, ObjectPath, Heading, Sub string
	Key                                           string // under which the browser keeps what is not sent yet
	Stops                                         []stopLine
	Cautions                                      []cautionLine
	Closing                                       string
	Last                                          Link // the examination that was carried forward
	Newer                                         *Form
	Circumstances, Components, Add                *Form
	Photos, Description, Judgement                *Form
	Known, New                                    []observationEntry
	Confirm, Handling                             *Form
	HandlingPath                                  string
	PhotosPath, TermsPath, ReviewPath             string
	Terms                                         []examination.Term
	Severities                                    []string
	Suggested                                     string
	Missing                                       []string
	TakeOver, Discard                             *Form
}

// draftData puts the page of a draft together.
func (s *Server) draftData(c echo.Context, e *examination.Examination) (*draftPage, error) {
	ctx, by := c.Request().Context(), actor(c)
	w, err := s.Collection.Show(ctx, by, e.ObjectID)
	if err != nil {
		return nil, err
	}
	before, err := s.Handling.BeforeSheet(ctx, by, &w.Sheet)
	if err != nil {
		return nil, err
	}
	at, on := examinationPath(e.ID), objectPath(w.Object.Number)
	p := &draftPage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: on, Heading: "Examination of " + w.Object.Number,
		Sub: occasionWords(e.Occasion) + ", " + dayWords(e.ExaminedOn) + ", examined by " + e.Examiner.Name, Key: e.ID.String() + "." + by.ID.String(),
		Stops: s.stopLines(before.Standing), Cautions: s.cautionLines(before.Cautions), Closing: material.CautionClosing,
		PhotosPath: on + "/photos?stage=condition#add", TermsPath: "/damage-terms", ReviewPath: at + "/review", Severities: examination.Severities, Missing: e.Missing(&w.Sheet)}
	p.Title, p.Here, p.Scripts = p.Heading, "/objects", []string{"draft.js"}
	if p.Terms, err = s.Examination.Terms(ctx, by, ""); err != nil {
		return nil, err
	}
	last, err := s.Examination.Latest(ctx, by, e.ObjectID)
	switch {
	case domain.KindOf(err) == domain.KindNotFound:
	case err != nil:
		return nil, err
	case e.FollowsID == nil || *e.FollowsID != last.ID:
		p.Newer = (&Form{Part: "newer", Action: at + "/carry-forward", Version: e.Version, Submit: "Take over what it found",
			Help: last.Examiner.Name + " has signed an examination of " + dayWords(last.ExaminedOn) + " since this one was begun. What it found is to be answered here too; what you wrote stays."}).ready(c)
	}
	if e.FollowsID != nil {
		p.Last = Link{Path: examinationPath(*e.FollowsID), Words: "Examination of " + dayWords(e.FollowsOn)}
	}
	if p.Circumstances, err = s.circumstancesForm(c, e, w); err != nil {
		return nil, err
	}
	if p.Photos, err = s.examinationPhotosForm(c, e, w); err != nil {
		return nil, err
	}
	p.Description = s.descriptionForm(c, e)
	p.Components = s.componentsForm(c, e, w)
	p.Judgement = s.judgementForm(c, e)
	if grade, why := e.Suggested(); grade != "" {
		p.Suggested = "What was found suggests '" + string(grade) + "' or worse: " + why + "."
	}
	s.observationForms(c, p, e)
	if err := s.markings(c, p, e); err != nil {
		return nil, err
	}
	p.Add = s.addObservationForm(c, e, w)
	switch {
	case e.HandlingID != nil:
		p.HandlingPath = "/handlings/" + e.HandlingID.String()
	case by.May(handling.Record) == nil:
		p.Handling = s.examinationHandlingForm(c, e, before)
	}
	if by.ID != e.Examiner.ID && by.Has(domain.Conservator) {
		p.TakeOver = (&Form{Part: "take", Action: at + "/examiner", Version: e.Version, Submit: "Take the examination over", Help: "Nobody signs for another. When you have looked at the object yourself, you may become its examiner."}).ready(c)
	}
	p.Discard = (&Form{Part: "discard", Action: at + "/discard", Version: e.Version, Submit: "Discard the draft", Grave: true, Help: "What was written stays in the record of events only."}).ready(c)
	return p, nil
}

func (s *Server) circumstancesForm(c echo.Context, e *examination.Examination, w *collection.Whole) (*Form, error) {
	places := []Option{{Label: "elsewhere, or in words below"}}
	where, _, err := s.Movement.Present(c.Request().Context(), actor(c), e.ObjectID)
	if err != nil {
		return nil, err
	}
	if e.PlaceID != nil && e.PlacePath != nil {
		places = append(places, Option{Value: e.PlaceID.String(), Label: *e.PlacePath, Chosen: true})
	}
	if here, ok := where[e.ObjectID]; ok && here.Place != nil && (e.PlaceID == nil || here.Place.ID != *e.PlaceID) {
		places = append(places, Option{Value: here.Place.ID.String(), Label: here.Place.Path})
	}
	hands := ""
	if e.Handles != nil {
		hands = strconv.FormatBool(*e.Handles)
	}
	lights := options("", examination.Lights...)
	for i := range lights {
		lights[i].Chosen = slices.Contains(e.Light, lights[i].Value)
	}
	fields := []Field{
		{Kind: "select", Name: "occasion", Label: "Occasion", Required: true, Options: options(string(e.Occasion), examination.Occasions...)},
		{Kind: "date", Name: "examined_on", Label: "Day of the look", Required: true, Value: e.ExaminedOn},
		{Kind: "checks", Name: "light", Label: "Light", Tiles: true, Options: lights},
		{Kind: "textarea", Name: "technique", Label: "Technique", Help: "What was used, and how: by eye, loupe and its power, lamp and its angle.", Value: e.Technique, Max: 4000, Rows: 2},
		{Kind: "radio", Name: "handles", Label: "Hands on it", Tiles: true, Options: []Option{{Value: "false", Label: "no, it was only looked at", Chosen: hands == "false"}, {Value: "true", Label: "yes, it was handled", Chosen: hands == "true"}}},
		{Kind: "select", Name: "place_id", Label: "Place", Options: places},
		{Kind: "text", Name: "place", Label: "Place in words", Value: e.Place, Max: 300},
		{Kind: "textarea", Name: "conditions", Label: "Circumstances", Help: "Access, mounted or not, what hindered the look.", Value: e.Conditions, Max: 4000, Rows: 2},
		{Kind: "text", Name: "asked_by", Label: "Asked for by", Value: e.AskedBy, Max: 300},
		{Kind: "text", Name: "assisted_by", Label: "Who else looked", Value: e.AssistedBy, Max: 500},
	}
	if e.HandlingID != nil {
		fields = append(fields, Field{Kind: "hidden", Name: "handling_id", Value: e.HandlingID.String()})
	}
	return (&Form{Part: "circumstances", Action: examinationPath(e.ID) + "/circumstances", Submit: "Keep", Fields: fields}).saved().ready(c), nil
}

func (s *Server) descriptionForm(c echo.Context, e *examination.Examination) *Form {
	return (&Form{Part: "description", Action: examinationPath(e.ID) + "/description", Submit: "Keep", Fields: []Field{
		{Kind: "textarea", Name: "description", Label: "Description", Help: "Construction, earlier treatment, accessories, marks: what is seen, apart from damage.", Value: e.Description, Max: 8000, Rows: 4}}}).saved().ready(c)
}

// seenAnswers are what can be said of a component.
var seenAnswers = []Option{{Value: "", Label: "not answered yet"}, {Value: "true", Label: "seen"}, {Value: "false", Label: "not seen"}}

func (s *Server) componentsForm(c echo.Context, e *examination.Examination, w *collection.Whole) *Form {
	if len(w.Components) == 0 {
		return nil
	}
	var fields []Field
	open := 0
	for i, part := range w.Components {
		at, seen, reason := "components."+strconv.Itoa(i)+".", "", ""
		if x := e.Component(part.ID); x != nil && x.Seen != nil {
			seen, reason = strconv.FormatBool(*x.Seen), x.Reason
		} else {
			open++
		}
		answers := slices.Clone(seenAnswers)
		for j := range answers {
			answers[j].Chosen = answers[j].Value == seen
		}
		name := "." + part.Label + " " + part.Name
		fields = append(fields, Field{Kind: "abreast", Label: name, Fields: []Field{
			{Kind: "select", Name: at + "seen", Label: name, Options: answers},
			{Kind: "text", Name: at + "reason", Label: "Why not", Value: reason, Max: 1000},
			{Kind: "hidden", Name: at + "component_id", Value: part.ID.String()},
		}})
	}
	if open > 1 {
		fields = append([]Field{{Kind: "checkbox", Name: "rest_seen", Label: "All that are not answered below were seen"}}, fields...)
	}
	return (&Form{Part: "components", Action: examinationPath(e.ID) + "/components", Quick: true, Submit: "Keep", Fields: fields}).saved().ready(c)
}

// photographLabel says what a photograph shows: "detail, condition, of 1a, 6 February 2026".
func (s *Server) photographLabel(p *photo.Photo, w *collection.Sheet) string {
	label := p.View.Words() + ", " + p.Stage.Words()
	var parts []string
	for _, id := range p.Components {
		if part := w.Component(id); part != nil {
			parts = append(parts, "."+part.Label)
		}
	}
	if len(parts) > 0 {
		label += ", of " + strings.Join(parts, ", ")
	}
	if p.Caption != "" {
		label += ": " + p.Caption
	}
	return label + " (" + s.day(p.UploadedAt) + ")"
}

func (s *Server) examinationPhotosForm(c echo.Context, e *examination.Examination, w *collection.Whole) (*Form, error) {
	all, err := s.Photo.List(c.Request().Context(), actor(c), e.ObjectID, photo.Filter{}, domain.PageQuery{Limit: domain.PageMost})
	if err != nil || len(all.Items) == 0 {
		return nil, err
	}
	chosen := e.PhotoIDs()
	var picked []Option
	for i := range all.Items {
		x := &all.Items[i]
		o := Option{Value: x.ID.String(), Label: s.photographLabel(x, &w.Sheet), Chosen: slices.Contains(chosen, x.ID)}
		if x.Preview.Thumbnail != nil {
			o.Image = s.facePath(&x.ID)
		}
		picked = append(picked, o)
	}
	for _, id := range chosen { // older than the list shows
		if !slices.ContainsFunc(picked, func(o Option) bool { return o.Value == id.String() }) {
			picked = append(picked, Option{Value: id.String(), Label: "an older photograph", Image: s.facePath(&id), Chosen: true})
		}
	}
	return (&Form{Part: "photos", Action: examinationPath(e.ID) + "/photos", Quick: true, Submit: "Keep", Fields: []Field{
		{Kind: "checks", Name: "photo_ids", Label: "Photographs that belong to it", Options: picked}}}).saved().ready(c), nil
}

func (s *Server) judgementForm(c echo.Context, e *examination.Examination) *Form {
	var grades []Option
	for _, g := range examination.Grades {
		grades = append(grades, Option{Value: string(g), Label: string(g) + ": " + g.Means(), Chosen: g == e.Overall})
	}
	return (&Form{Part: "judgement", Action: examinationPath(e.ID) + "/judgement", Submit: "Keep", Fields: []Field{
		{Kind: "radio", Name: "overall", Label: "Overall condition", Options: grades},
		{Kind: "textarea", Name: "overall_reason", Label: "Why it is better than the observations suggest", Help: "Only where it is.", Value: e.OverallReason, Max: 2000, Rows: 2},
		{Kind: "radio", Name: "priority", Label: "Priority", Help: "Urgent: within days. High: three months. Medium: a year. Low: when it suits.", Tiles: true, Options: options(e.Priority, examination.Priorities...)},
		{Kind: "date", Name: "next_check_on", Label: "Next check due", Value: e.NextCheckOn},
		{Kind: "textarea", Name: "risk", Label: "What happens if nothing is done", Value: e.Risk, Max: 4000, Rows: 2},
		{Kind: "textarea", Name: "recommendation", Label: "Recommendation", Help: "Handling, storage, display, transport, investigation, treatment.", Value: e.Recommendation, Max: 8000, Rows: 4},
	}}).saved().ready(c)
}

// examinationHandlingForm asks for the handling of an examination; what is not asked for is as usual.
func (s *Server) examinationHandlingForm(c echo.Context, e *examination.Examination, b handling.Before) *Form {
	minutes := make([]Option, len(minuteTiles))
	for i, m := range minuteTiles {
		minutes[i] = Option{Value: strconv.Itoa(m), Label: count(m, "minute"), Chosen: m == 20}
	}
	fields := []Field{
		{Kind: "checks", Name: "noticed", Label: "Noticed", Tiles: true, Options: options("", handling.Signs[1:]...), Help: "Nothing chosen means nothing was noticed. Noise, powder, resistance, loss and tear stop the object for everybody."},
		{Kind: "radio", Name: "minutes", Label: "It took", Tiles: true, Options: minutes},
		{Kind: "radio", Name: "gloves", Label: "Gloves", Tiles: true, Options: options("nitrile", handling.Gloves...)},
	}
	if needsControls(b.Cautions) {
		fields = append(fields, Field{Kind: "radio", Name: "controls", Label: "The usual controls for the hazards above were", Tiles: true, Required: true, Options: options("", "kept", "not_kept")})
	}
	fields = append(fields,
		Field{Kind: "folded", Label: "Only parts of it", Fields: []Field{{Kind: "checks", Name: "component_ids", Label: "Parts handled", Help: "None chosen: the whole object.", Tiles: true, Options: partOptions(b.Sheet, "")}}},
		Field{Kind: "textarea", Name: "note", Label: "Note", Max: 4000, Rows: 2})
	return (&Form{Part: "handling", Action: examinationPath(e.ID) + "/handling", Quick: true, Submit: "Log the handling", Fields: fields}).ready(c)
}

// draftAct reads a form of a draft's page and acts. A form that was made from an old text is answered with
// both texts; where only another form was kept meanwhile it is kept as well.
func (s *Server) draftAct(c echo.Context, command any, form func(*draftPage) *Form, to string, act func(e *examination.Examination) error) error {
	e, err := s.examinationOf(c)
	if err != nil {
		return err
	}
	if err := e.MayWrite(actor(c)); err != nil {
		if module(c) {
			return s.refusedDraft(c, nil, nil, err, "", nil)
		}
		return err
	}
	_, typed, readErr := s.decode(c, command)
	for try := 0; ; try++ {
		p, err := s.draftData(c, e)
		if err != nil {
			return err
		}
		f := form(p)
		if f == nil {
			return domain.NotFound("There is no such part of this examination any more.")
		}
		if f.Draft == "save" && typed.Get(baseKey) != f.tag() {
			return s.clash(c, f, typed, "examination/draft", p)
		}
		err = readErr
		if err == nil {
			err = act(e)
		}
		if domain.KindOf(err) == domain.KindStale && try < 3 {
			if e, err = s.examinationOf(c); err != nil {
				return err
			}
			continue
		}
		if err != nil {
			return s.refusedDraft(c, f, typed, err, "examination/draft", p)
		}
		return s.draftDone(c, form, to)
	}
}

// draftDone answers what was kept.
func (s *Server) draftDone(c echo.Context, form func(*draftPage) *Form, to string) error {
	e, err := s.examinationOf(c)
	if err != nil {
		return err
	}
	at := examinationPath(e.ID) + to
	if !module(c) {
		return s.done(c, "It is kept.", at)
	}
	p, err := s.draftData(c, e)
	if err != nil {
		return err
	}
	a := draftAnswer{Said: "Kept at " + s.Now().In(s.Site.Zone).Format("15:04") + ".", Missing: p.Missing}
	if f := form(p); f != nil && f.Draft == "save" {
		a.Base, a.Present = f.tag(), f.holding()
	} else {
		a.Goto = at
	}
	return c.JSON(http.StatusOK, a)
}

// Based is what every form that is kept while one writes carries.
type Based struct {
	Base string `json:"base"`
}

// change keeps groups of a draft. A group's faults are found at the fields of its form.
func (s *Server) change(c echo.Context, e *examination.Examination, group string, n examination.Changes) error {
	_, err := s.Examination.Change(c.Request().Context(), actor(c), e.ID, e.Version, n)
	return inForm(err, group)
}

// inForm takes the name of the group from the pointers of a refusal.
func inForm(err error, group string) error {
	var known *domain.Error
	if !errors.As(err, &known) || group == "" {
		return err
	}
	out := *known
	out.Fields = slices.Clone(known.Fields)
	for i := range out.Fields {
		out.Fields[i].Pointer = strings.TrimPrefix(out.Fields[i].Pointer, "/"+group)
	}
	return &out
}

// saveCircumstances serves POST /examinations/{id}/circumstances.
func (s *Server) saveCircumstances(c echo.Context) error {
	var n struct {
		Based
		examination.Circumstances
	}
	return s.draftAct(c, &n, func(p *draftPage) *Form { return p.Circumstances }, "#circumstances", func(e *examination.Examination) error {
		return s.change(c, e, "circumstances", examination.Changes{Circumstances: &n.Circumstances})
	})
}

// saveDescription serves POST /examinations/{id}/description.
func (s *Server) saveDescription(c echo.Context) error {
	var n struct {
		Based
		Description string `json:"description"`
	}
	return s.draftAct(c, &n, func(p *draftPage) *Form { return p.Description }, "#description", func(e *examination.Examination) error {
		return s.change(c, e, "", examination.Changes{Description: &n.Description})
	})
}

// saveComponents serves POST /examinations/{id}/components.
func (s *Server) saveComponents(c echo.Context) error {
	var n struct {
		Based
		RestSeen   bool                 `json:"rest_seen"`
		Components []examination.Looked `json:"components"`
	}
	return s.draftAct(c, &n, func(p *draftPage) *Form { return p.Components }, "#components", func(e *examination.Examination) error {
		yes := true
		for i := range n.Components {
			if n.RestSeen && n.Components[i].Seen == nil {
				n.Components[i].Seen = &yes
			}
		}
		return s.change(c, e, "", examination.Changes{Components: &n.Components})
	})
}

// saveExaminationPhotos serves POST /examinations/{id}/photos.
func (s *Server) saveExaminationPhotos(c echo.Context) error {
	var n struct {
		Based
		PhotoIDs []domain.ID `json:"photo_ids"`
	}
	return s.draftAct(c, &n, func(p *draftPage) *Form { return p.Photos }, "#photographs", func(e *examination.Examination) error {
		return s.change(c, e, "", examination.Changes{PhotoIDs: &n.PhotoIDs})
	})
}

// saveJudgement serves POST /examinations/{id}/judgement.
func (s *Server) saveJudgement(c echo.Context) error {
	var n struct {
		Based
		examination.Judgement
	}
	return s.draftAct(c, &n, func(p *draftPage) *Form { return p.Judgement }, "#judgement", func(e *examination.Examination) error {
		return s.change(c, e, "judgement", examination.Changes{Judgement: &n.Judgement})
	})
}

// handleExamined serves POST /examinations/{id}/handling.
func (s *Server) handleExamined(c echo.Context) error {
	var l handling.Log
	var stop *handling.Stop
	err := s.draftAct(c, &l, func(p *draftPage) *Form {
		if p.Handling == nil {
			return &Form{}
		}
		return p.Handling
	}, "#handling", func(e *examination.Examination) (err error) {
		l.Purpose = "examination"
		_, _, stop, err = s.Examination.Handle(c.Request().Context(), actor(c), e.ID, e.Version, l)
		return err
	})
	if err == nil && stop != nil && c.Response().Status == http.StatusSeeOther {
		c.Response().Header().Set("Location", stopPath(stop.ID)+"/set-down")
	}
	return err
}

// wholeAct reads a form that was made from one version of the whole examination, and acts.
func (s *Server) wholeAct(c echo.Context, command any, form func(*draftPage) *Form, said, to string, act func(id domain.ID, version int64) error) error {
	e, err := s.examinationOf(c)
	if err != nil {
		return err
	}
	version, typed, err := s.decode(c, command)
	if err == nil {
		err = act(e.ID, version)
	}
	if err == nil {
		if to == "" {
			to = examinationPath(e.ID)
		}
		return s.done(c, said, to)
	}
	if e.MayWrite(actor(c)) != nil {
		return err
	}
	p, fault := s.draftData(c, e)
	if fault != nil {
		return fault
	}
	f := form(p)
	if f == nil {
		return err
	}
	return s.answer(c, f, typed, err, "examination/draft", p)
}

// bringExamination serves POST /examinations/{id}/carry-forward.
func (s *Server) bringExamination(c echo.Context) error {
	return s.wholeAct(c, &struct{}{}, func(p *draftPage) *Form { return p.Newer }, "What was found meanwhile stands among what is to be answered.", "", func(id domain.ID, version int64) error {
		_, err := s.Examination.Bring(c.Request().Context(), actor(c), id, version)
		return err
	})
}

// takeOverExamination serves POST /examinations/{id}/examiner.
func (s *Server) takeOverExamination(c echo.Context) error {
	return s.wholeAct(c, &struct{}{}, func(p *draftPage) *Form { return p.TakeOver }, "You are the examiner now.", "", func(id domain.ID, version int64) error {
		_, err := s.Examination.TakeOver(c.Request().Context(), actor(c), id, version)
		return err
	})
}

// discardExamination serves POST /examinations/{id}/discard.
func (s *Server) discardExamination(c echo.Context) error {
	e, err := s.examinationOf(c)
	if err != nil {
		return err
	}
	return s.wholeAct(c, &struct{}{}, func(p *draftPage) *Form { return p.Discard }, "The draft is discarded.", objectPath(e.ObjectNumber), func(id domain.ID, version int64) error {
		return s.Examination.Discard(c.Request().Context(), actor(c), id, version)
	})
}
