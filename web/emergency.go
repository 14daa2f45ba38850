package web

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/treatment"
)

func (s *Server) emergencyRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:number/emergency", treatment.Rescue, s.newEmergencyPage)
	s.route(g, http.MethodPost, "/objects/:number/emergency", treatment.Rescue, s.stabilise)
	s.route(g, http.MethodGet, "/emergencies", treatment.Read, s.emergenciesPage)
	s.route(g, http.MethodGet, "/emergencies/:id", treatment.Read, s.emergencyPage)
	s.route(g, http.MethodPost, "/emergencies/:id/ratifications", treatment.Judge, s.ratify)
}

func (s *Server) emergencyRows(all []treatment.Stabilisation) []emergencyRow {
	var rows []emergencyRow
	for _, e := range all {
		rows = append(rows, emergencyRow{Path: "/emergencies/" + e.ID.String(), Called: e.ObjectNumber + " " + e.ObjectTitle, Imminent: e.Imminent, When: s.moment(e.HappenedAt), Mark: s.emergencyMark(&e)})
	}
	return rows
}

func (s *Server) emergencyMark(e *treatment.Stabilisation) Mark {
	switch {
	case e.Overdue:
		return stopMark("overdue since " + s.day(e.DueAt))
	case e.Open():
		return waitMark("to be ratified by " + s.day(e.DueAt.Add(-1)))
	case e.Outcome == treatment.RatificationDeclined:
		return stopMark("ratification declined")
	case e.Outcome == treatment.RatifiedWithConditions:
		return warnMark("ratified with conditions")
	}
	return doneMark("ratified")
}

type emergenciesPage struct {
	Frame
	Rows  []emergencyRow
	More  string
	Links []Link
}

// emergenciesPage serves GET /emergencies.
func (s *Server) emergenciesPage(c echo.Context) error {
	all, err := s.Treatment.Stabilisations(c.Request().Context(), actor(c), treatment.StabilisationFilter{Open: c.QueryParam("open") == "true"}, page(c))
	if err != nil {
		return err
	}
	p := &emergenciesPage{Rows: s.emergencyRows(all.Items), More: more(c, all.Next), Links: wordLinks(c, "open", "All", []Link{{Path: "true", Words: "Not yet ratified"}})}
	p.Title, p.Here = "Emergencies", "/treatments"
	return s.render(c, http.StatusOK, "treatment/emergencies", p)
}

type emergencyPage struct {
	Frame
	Number, ObjectTitle, ObjectPath, TreatmentPath string
	Mark                                           Mark
	Imminent, Undone                               []string
	Noticed, Methods                               string
	Work                                           workView
	Statement                                      []string
	Says                                           string
	Conditions                                     []string
	Form                                           *Form
}

func (s *Server) emergencyData(c echo.Context) (*emergencyPage, error) {
	ctx, a := c.Request().Context(), actor(c)
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	e, err := s.Treatment.Stabilisation(ctx, a, id)
	if err != nil {
		return nil, err
	}
	var methods []string
	for _, m := range e.Methods {
		methods = append(methods, plain(m))
	}
	p := &emergencyPage{Number: e.ObjectNumber, ObjectTitle: e.ObjectTitle, ObjectPath: objectPath(e.ObjectNumber), Mark: s.emergencyMark(e), Imminent: paragraphs(e.Imminent),
		Undone: paragraphs(e.LeftUndone), Noticed: s.moment(e.NoticedAt), Methods: strings.Join(methods, ", "), Work: s.workView(nil, e.Work), Conditions: e.Conditions}
	p.Title, p.Here = "Emergency stabilisation of "+e.ObjectNumber, "/treatments"
	if e.TreatmentID != nil {
		p.TreatmentPath = treatmentPath(*e.TreatmentID)
	}
	if e.Ratification != nil {
		p.Statement, p.Says = paragraphs(e.Ratification.Statement), s.by(e.Ratification)
	}
	acted := e.RecordedBy.ID == a.ID
	for _, h := range e.Hands {
		acted = acted || h.ID == a.ID
	}
	if e.Open() && !acted && a.May(treatment.Judge) == nil && a.CuratorOf(e.Department) {
		fields := []Field{
			{Kind: "radio", Name: "outcome", Label: "Decision", Required: true, Options: []Option{{Value: "ratified", Label: "Ratify"},
				{Value: "ratified_with_conditions", Label: "Ratify with conditions"}, {Value: "declined", Label: "Decline; it stays on record as declined"}}},
			{Kind: "textarea", Name: "statement", Label: "Statement", Required: true, Max: 10000, Rows: 3}}
		for i := range 3 {
			fields = append(fields, Field{Kind: "text", Name: "conditions." + strconv.Itoa(i), Label: "Condition " + strconv.Itoa(i+1), Max: 2000})
		}
		p.Form = (&Form{Action: "/emergencies/" + e.ID.String() + "/ratifications", Version: e.Version, Submit: "Decide and seal", Fields: fields}).ready(c)
	}
	return p, nil
}

// emergencyPage serves GET /emergencies/{id}.
func (s *Server) emergencyPage(c echo.Context) error {
	p, err := s.emergencyData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "treatment/emergency", p)
}

func (s *Server) ratify(c echo.Context) error {
	var r treatment.Ratification
	version, typed, err := s.decode(c, &r)
	id, fault := domain.ParseID(c.Param("id"))
	if fault != nil {
		return fault
	}
	if err == nil {
		if _, err = s.Treatment.Ratify(c.Request().Context(), actor(c), id, version, r); err == nil {
			return s.done(c, "The decision is sealed.", "/emergencies/"+id.String())
		}
	}
	p, fault := s.emergencyData(c)
	if fault != nil {
		return fault
	}
	if p.Form == nil {
		return err
	}
	return s.answer(c, p.Form, typed, err, "treatment/emergency", p)
}

// emergencyFormPage makes the quick page: what is needed first, the rest below.
func (s *Server) emergencyForm(c echo.Context, n treatment.NewEmergency, more string) (*treatmentFormPage, *collection.Whole, error) {
	ctx, a := c.Request().Context(), actor(c)
	whole, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	around, err := s.Treatment.Table(ctx, a, whole.Object.ID)
	if err != nil {
		return nil, nil, err
	}
	staff, err := s.staff(c)
	if err != nil {
		return nil, nil, err
	}
	w := working{hands: workers(staff), under: conservators(staff, domain.ID{}, "nobody"), photos: s.photoOptions(around), more: more, now: s.fieldTime(s.Now()), done: n.Done, materials: []Option{{Label: "none"}}}
	for i := range w.hands {
		w.hands[i].Chosen = w.hands[i].Value == a.ID.String()
	}
	for _, part := range around.Sheet.Components {
		w.parts = append(w.parts, Option{Value: part.ID.String(), Label: part.Label + " " + part.Name})
	}
	library, err := s.Material.All(ctx, a)
	if err != nil {
		return nil, nil, err
	}
	for _, m := range library {
		for _, key := range treatment.Holding() {
			if m.Key == key {
				w.materials = append(w.materials, Option{Value: m.Key, Label: m.Name})
			}
		}
	}
	o := whole.Object
	page := &treatmentFormPage{Heading: "Emergency stabilisation of " + o.Number, Back: Link{Path: objectPath(o.Number), Words: o.Title},
		Lead: []string{"People first. Only the least intervention: no adhesive, no consolidant, no solvent. The curators of " + o.Department + ", registrars and conservators hear of it at once; a curator ratifies it afterwards."}}
	page.Title, page.Here = page.Heading, "/treatments"
	if err := s.warn(c, page, around.Sheet, &w); err != nil {
		return nil, nil, err
	}
	fields := []Field{
		{Kind: "textarea", Name: "imminent", Label: "What was about to happen", Required: true, Max: 4000, Rows: 2},
		{Kind: "checks", Name: "methods", Label: "What was done", Required: true, Tiles: true, Options: options("", treatment.LeastMethods...)},
		w.head()[0], w.head()[1],
		{Kind: "datetime-local", Name: "noticed_at", Label: "Noticed", Value: w.now, Required: true},
		{Kind: "datetime-local", Name: "happened_at", Label: "Done", Value: w.now, Required: true},
		{Kind: "number", Name: "minutes", Label: "Minutes", Value: "10", Required: true},
		{Kind: "textarea", Name: "left_undone", Label: "What was left undone", Max: 4000, Rows: 2},
		{Kind: "folded", Label: "Materials that hold or cover", Value: unfolded(more == "materials" || len(n.Materials) > 0), Fields: []Field{w.materialGroup()}},
	}
	if id := c.QueryParam("treatment"); id != "" {
		fields = append(fields, Field{Kind: "hidden", Name: "treatment_id", Value: id})
	} else if n.TreatmentID != nil {
		fields = append(fields, Field{Kind: "hidden", Name: "treatment_id", Value: n.TreatmentID.String()})
	}
	page.Form = (&Form{Action: objectPath(o.Number) + "/emergency", Quick: true, Submit: "Record it and give notice", Fields: append(fields, w.rest()...)}).ready(c)
	return page, whole, nil
}

// unfolded is the value of folded fields that are to be seen.
func unfolded(yes bool) string {
	if yes {
		return "open"
	}
	return ""
}

// newEmergencyPage serves GET /objects/{number}/emergency.
func (s *Server) newEmergencyPage(c echo.Context) error {
	page, _, err := s.emergencyForm(c, treatment.NewEmergency{}, "")
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "treatment/form", page)
}

func (s *Server) stabilise(c echo.Context) error {
	more, err := moreRows(c)
	if err != nil {
		return err
	}
	var n treatment.NewEmergency
	_, typed, err := s.decode(c, &n)
	page, whole, fault := s.emergencyForm(c, n, more)
	if fault != nil {
		return fault
	}
	if more != "" {
		page.Form.again(c, typed)
		return s.render(c, http.StatusOK, "treatment/form", page)
	}
	var e *treatment.Stabilisation
	if err == nil {
		e, err = s.Treatment.Stabilise(c.Request().Context(), actor(c), whole.Object.ID, n)
	}
	if err != nil {
		return s.answer(c, page.Form, typed, err, "treatment/form", page)
	}
	return s.done(c, "Recorded. Curators, registrars and conservators have notice.", "/emergencies/"+e.ID.String())
}

// warn makes the page say what stands on an object before hands are on it: stops that bind the parts to
// choose from, and the usual cautions. The form then asks whether the controls were kept.
func (s *Server) warn(c echo.Context, page *treatmentFormPage, sheet *collection.Sheet, w *working) error {
	before, err := s.Handling.BeforeSheet(c.Request().Context(), actor(c), sheet)
	if err != nil {
		return err
	}
	var parts []domain.ID
	for _, o := range w.parts {
		if id, err := domain.ParseID(o.Value); err == nil {
			parts = append(parts, id)
		}
	}
	for _, stop := range before.Standing {
		if stop.Binds(sheet, parts) {
			page.Stops = append(page.Stops, s.stopLines([]handling.Stop{stop})...)
		}
	}
	touching := handling.Touching(sheet, before.Cautions, parts)
	page.Cautions, page.Closing = s.cautionLines(touching), material.CautionClosing
	w.hazards = needsControls(touching)
	return nil
}
