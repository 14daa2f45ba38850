package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

func (s *Server) makeUpRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:number/add-component", collection.MakeUp, s.addComponentPage)
	s.route(g, http.MethodPost, "/objects/:number/components", collection.MakeUp, s.addComponent)
	s.route(g, http.MethodGet, "/objects/:number/components/:label", collection.Read, s.componentPage)
	s.route(g, http.MethodPost, "/objects/:number/components/:label", collection.MakeUp, s.changeComponent)
	s.route(g, http.MethodPost, "/objects/:number/components/:label/attributions", collection.MakeUp, s.attribute)
	s.route(g, http.MethodPost, "/objects/:number/components/:label/materials", collection.MakeUp, s.identify)
	s.route(g, http.MethodGet, "/objects/:number/add-joint", collection.MakeUp, s.addJointPage)
	s.route(g, http.MethodPost, "/objects/:number/joints", collection.MakeUp, s.addJoint)
	s.route(g, http.MethodGet, "/objects/:number/joints/:id", collection.MakeUp, s.jointPage)
	s.route(g, http.MethodPost, "/objects/:number/joints/:id", collection.MakeUp, s.changeJoint)
	s.route(g, http.MethodPost, "/objects/:number/joints/:id/deletion", collection.MakeUp, s.removeJoint)
	s.route(g, http.MethodGet, "/objects/:number/add-hazard", collection.Warn, s.addHazardPage)
	s.route(g, http.MethodPost, "/objects/:number/hazards", collection.Warn, s.addHazard)
	s.route(g, http.MethodGet, "/objects/:number/hazards/:id", collection.MakeUp, s.hazardPage)
	s.route(g, http.MethodPost, "/objects/:number/hazards/:id", collection.MakeUp, s.changeHazard)
}

// describePage is a page with one form about an object, and perhaps a grave one below.
type describePage struct {
	Frame
	Heading       string
	Up, UpWords   string // the page that it belongs to
	Lead          string
	Margin        string
	Form          *Form
	Grave         *Form // nil: there is none, or not for this person
	GraveHeading  string
	Lists         []dataList
	HazardClosing string
}

// dataList are words that a text field offers.
type dataList struct {
	ID    string
	Words []string
}

func (p *describePage) of(o *collection.Object, heading string) *describePage {
	p.Heading, p.Title, p.Here = heading, heading+" · "+o.Number, "/objects"
	p.Up, p.UpWords = objectPath(o.Number), o.Number+" "+o.Title
	return p
}

// choice is a select whose first choice is none; it stays none until somebody chooses.
func choice[T ~string](name, label, help, chosen string, words []T) Field {
	return Field{Kind: "select", Name: name, Label: label, Help: help, Required: true,
		Options: append([]Option{{Label: "choose"}}, options(chosen, words...)...)}
}

// rows are text fields for a list: those that are filled, or one, and three more folded away.
func rows(name, label, help string, values []string, most int) Field {
	return listRows(label, help, max(len(values), 1), 3, func(i int) Field {
		f := Field{Kind: "text", Name: fmt.Sprintf("%s.%d", name, i), Label: fmt.Sprintf("%s %d", label, i+1), Max: most}
		if i < len(values) {
			f.Value = values[i]
		}
		return f
	})
}

// listRows are the rows of a list, the last of them folded away.
func listRows(label, help string, shown, folded int, row func(i int) Field) Field {
	group := Field{Kind: "group", Label: label, Help: help}
	for i := range shown {
		group.Fields = append(group.Fields, row(i))
	}
	more := Field{Kind: "folded", Label: "Further rows: " + strings.ToLower(label)}
	for i := range folded {
		more.Fields = append(more.Fields, row(shown+i))
	}
	group.Fields = append(group.Fields, more)
	return group
}

func dimensionRows(dimensions []collection.Dimension) Field {
	return listRows("Dimensions", "In millimetres. Say in the note how it lay or stood.", max(len(dimensions), 1), 3, func(i int) Field {
		d, mm := collection.Dimension{}, ""
		if i < len(dimensions) {
			d, mm = dimensions[i], dimensions[i].MM.String()
		}
		at := fmt.Sprintf("dimensions.%d.", i)
		return Field{Kind: "group", Label: fmt.Sprintf("Dimension %d", i+1), Fields: []Field{
			{Kind: "select", Name: at + "what", Label: "What", Options: append([]Option{{Label: "none"}}, options(d.What, collection.DimensionKinds...)...)},
			{Kind: "text", Name: at + "mm", Label: "Millimetres", Value: mm, Max: 12},
			{Kind: "text", Name: at + "note", Label: "Note", Value: d.Note, Max: 200},
		}}
	})
}

func decimalText(d *decimal.Decimal) string {
	if d == nil {
		return ""
	}
	return d.String()
}

func objectFields(f collection.ObjectFacts, mayOwn, mayStatus bool) []Field {
	marks := listRows("Marks and inscriptions", "", max(len(f.Marks), 1), 2, func(i int) Field {
		m := collection.Inscription{}
		if i < len(f.Marks) {
			m = f.Marks[i]
		}
		at := fmt.Sprintf("marks.%d.", i)
		return Field{Kind: "group", Label: fmt.Sprintf("Mark %d", i+1), Fields: []Field{
			{Kind: "select", Name: at + "kind", Label: "Kind of mark", Options: append([]Option{{Label: "none"}}, options(m.Kind, collection.MarkKinds...)...)},
			{Kind: "text", Name: at + "where", Label: "Where", Value: m.Where, Max: 300},
			{Kind: "textarea", Name: at + "transcription", Label: "As it is written", Value: m.Transcription, Max: 2000, Rows: 2},
			{Kind: "text", Name: at + "meaning", Label: "What it means", Value: m.Meaning, Max: 2000},
		}}
	})
	var headings []Option
	for _, h := range collection.ObjectIDHeadings {
		if h != collection.HeadTitle {
			headings = append(headings, Option{Value: h, Label: h, Chosen: slices.Contains(f.NotKnown, h)})
		}
	}
	statuses := collection.LegalStatuses
	if !mayStatus {
		statuses = []collection.LegalStatus{f.LegalStatus}
	}
	fields := []Field{
		{Kind: "text", Name: "number", Label: "Number", Help: "The museum's own, such as " + collection.DefaultPattern.Example() + ".", Value: f.Number, Required: true, Max: 60},
		{Kind: "text", Name: "title", Label: "Title", Value: f.Title, Required: true, Max: 300},
		{Kind: "text", Name: "department", Label: "Department", Help: "Its curators decide about the object.", Value: f.Department, Required: true, Max: 120, List: "departments"},
		{Kind: "select", Name: "legal_status", Label: "By what right it is here", Required: true, Options: options(string(f.LegalStatus), statuses...)},
	}
	if mayOwn {
		fields = append(fields, Field{Kind: "text", Name: "owner", Label: "Owner", Help: "When it is not the museum's own. Shown only to who may see lenders (rule P3).", Value: f.Owner, Max: 300})
	}
	return append(fields,
		Field{Kind: "text", Name: "kind", Label: "Kind", Help: "From the general to the particular: protective dress > diving dress.", Value: f.Kind, Max: 200, List: "kinds"},
		Field{Kind: "textarea", Name: "description", Label: "Short description", Value: f.Description, Max: 8000},
		rows("makers", "Maker", "", f.Makers, 200),
		Field{Kind: "text", Name: "date_made", Label: "Date made", Help: "1965, 1965-07-14, 1965~ (about), 196X (the sixties) or 1964/1968 (between).", Value: f.DateMade, Max: 500},
		Field{Kind: "text", Name: "place_made", Label: "Place made", Value: f.PlaceMade, Max: 200},
		Field{Kind: "textarea", Name: "subject", Label: "Subject", Help: "What it shows or stands for.", Value: f.Subject, Max: 2000, Rows: 2},
		Field{Kind: "textarea", Name: "features", Label: "Distinguishing features", Help: "What tells it from others of its kind: a repair, a stain, a number.", Value: f.Features, Max: 4000, Rows: 2},
		dimensionRows(f.Dimensions),
		Field{Kind: "text", Name: "mass_kg", Label: "Mass in kilograms", Value: decimalText(f.MassKG), Max: 12},
		marks,
		rows("former_numbers", "Former number", "Numbers that it bore before, as they are written.", f.FormerNumbers, 120),
		Field{Kind: "checks", Name: "not_known", Label: "None, or not known", Help: "Tick what was looked for and is not there or cannot be known. Empty is not the same as none.", Options: headings},
	)
}

// lists are the departments and kinds that there are, for the form of an object.
func (s *Server) lists(c echo.Context) ([]dataList, error) {
	filters, err := s.Collection.Filters(c.Request().Context(), actor(c))
	if err != nil {
		return nil, err
	}
	return []dataList{{ID: "departments", Words: filters.Departments}, {ID: "kinds", Words: filters.Kinds}}, nil
}

func (s *Server) newObjectData(c echo.Context) (*describePage, error) {
	lists, err := s.lists(c)
	if err != nil {
		return nil, err
	}
	p := &describePage{Heading: "Record an object", Up: "/objects", UpWords: "Objects", Lists: lists,
		Form: (&Form{Action: "/objects", Submit: "Record the object", Fields: objectFields(collection.ObjectFacts{LegalStatus: collection.Accessioned}, true, true)}).ready(c)}
	p.Title, p.Here = p.Heading, "/objects"
	return p, nil
}

// newObjectPage serves GET /objects/new.
func (s *Server) newObjectPage(c echo.Context) error {
	p, err := s.newObjectData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/describe", p)
}

func (s *Server) addObject(c echo.Context) error {
	var n collection.NewObject
	_, typed, err := s.decode(c, &n)
	var o *collection.Object
	if err == nil {
		o, err = s.Collection.Create(c.Request().Context(), actor(c), n)
	}
	if err != nil {
		p, fault := s.newObjectData(c)
		if fault != nil {
			return fault
		}
		return s.answer(c, p.Form, typed, err, "collection/describe", p)
	}
	return s.done(c, o.Number+" is on record. Its make-up comes next.", objectPath(o.Number))
}

func (s *Server) editObjectData(c echo.Context) (*describePage, *collection.Object, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	lists, err := s.lists(c)
	if err != nil {
		return nil, nil, err
	}
	o, a := &w.Object, actor(c)
	at := objectPath(o.Number)
	p := (&describePage{Lists: lists}).of(o, "Describe "+o.Number)
	p.Form = (&Form{Action: at + "/edit", Version: o.Version, Submit: "Keep the description",
		Fields: objectFields(o.Facts(), a.MaySeeValues(o.Department), a.Has(domain.Registrar) || a.Has(domain.Curator))}).ready(c)
	p.Margin = "A number that is given up stays as a former number."
	if a.May(collection.Withdraw) == nil && w.Deletable(false) == nil {
		p.GraveHeading = "Made by mistake?"
		p.Grave = (&Form{Action: at + "/deletion", Version: o.Version, Grave: true, Submit: "Take back the record of " + o.Number,
			Help: "Only a record without components, joints or hazards, about which nothing was signed (rule C4). When an object leaves the collection, its legal status becomes 'former' instead."}).ready(c)
	}
	return p, o, nil
}

// editObjectPage serves GET /objects/{number}/edit.
func (s *Server) editObjectPage(c echo.Context) error {
	p, _, err := s.editObjectData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/describe", p)
}

func (s *Server) editObject(c echo.Context) error {
	var f collection.ObjectFacts
	version, typed, err := s.decode(c, &f)
	p, o, fault := s.editObjectData(c)
	if fault != nil {
		return fault
	}
	if err == nil {
		o, err = s.Collection.Change(c.Request().Context(), actor(c), o.ID, version, f)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "collection/describe", p)
	}
	return s.done(c, "The description of "+o.Number+" is kept.", objectPath(o.Number))
}

func (s *Server) deleteObject(c echo.Context) error {
	version, typed, err := s.decode(c, &struct{}{})
	p, o, fault := s.editObjectData(c)
	if fault != nil {
		return fault
	}
	if err == nil {
		err = s.Collection.Delete(c.Request().Context(), actor(c), o.ID, version)
	}
	if err != nil {
		form := p.Grave
		if form == nil {
			form = p.Form
			typed = nil
		}
		return s.answer(c, form, typed, err, "collection/describe", p)
	}
	return s.done(c, "The record of "+o.Number+" is taken back. That it was there stays on record.", "/objects")
}

// chooseFace sets the photograph that stands for the object; the pages of photographs have its form.
func (s *Server) chooseFace(c echo.Context) error {
	var choice collection.FaceChoice
	version, _, err := s.decode(c, &choice)
	if err != nil {
		return err
	}
	w, err := s.whole(c)
	if err != nil {
		return err
	}
	o, err := s.Collection.SetFace(c.Request().Context(), actor(c), w.Object.ID, version, choice)
	if err != nil {
		return err
	}
	return s.done(c, "This photograph now stands for "+o.Number+".", objectPath(o.Number))
}

// componentOptions are the components to choose from, in the order of the tree. without is left out
// with its parts.
func componentOptions(sheet *collection.Sheet, none string, chosen, without *domain.ID) []Option {
	all := []Option{{Label: none}}
	left := map[domain.ID]bool{}
	if without != nil {
		for _, id := range sheet.Below(*without) {
			left[id] = true
		}
	}
	for _, c := range sheet.Components {
		if !left[c.ID] {
			indent := strings.Repeat("· ", len(sheet.Above(c.ID)))
			all = append(all, Option{Value: c.ID.String(), Label: indent + "." + c.Label + " " + c.Name, Chosen: chosen != nil && *chosen == c.ID})
		}
	}
	return all
}

func componentFields(sheet *collection.Sheet, f collection.ComponentFacts, own *domain.ID) []Field {
	whole := "the object itself"
	return []Field{
		{Kind: "text", Name: "name", Label: "Name", Value: f.Name, Required: true, Max: 200},
		{Kind: "select", Name: "parent_id", Label: "Part of", Options: componentOptions(sheet, whole, f.ParentID, own)},
		{Kind: "radio", Name: "side", Label: "Side", Help: "The wearer's.", Required: true, Options: options(f.Side, collection.Sides...)},
		{Kind: "number", Name: "layer_order", Label: "Layer", Help: "Counted outwards from the wearer: 0 lies on the skin.", Value: countWord(f.LayerOrder), Required: true},
		choice("function", "What it is for", "", f.Function, collection.Functions),
		{Kind: "text", Name: "joined_how", Label: "How it is joined", Help: "Such as: lock-stitched, cemented under tape.", Value: f.JoinedHow, Max: 300},
		{Kind: "number", Name: "count", Label: "How many", Help: "Equal parts that are counted together.", Value: countWord(f.Count), Required: true},
		dimensionRows(f.Dimensions),
		{Kind: "text", Name: "mass_kg", Label: "Mass in kilograms", Value: decimalText(f.MassKG), Max: 12},
		{Kind: "radio", Name: "removal", Label: "Can it be taken off?", Required: true, Options: options(string(f.Removal), collection.Removals...)},
		{Kind: "text", Name: "removal_reason", Label: "Why never", Help: "Needed when it is never taken off (rule C2): seized, moulded on, would tear.", Value: f.RemovalReason, Max: 1000},
		{Kind: "select", Name: "came_from_id", Label: "Came from", Help: "Of a fragment: the component that it came off, as far as it is known.", Options: componentOptions(sheet, "not a fragment, or not known", f.CameFromID, own)},
	}
}

func (s *Server) addComponentData(c echo.Context) (*describePage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	p := (&describePage{}).of(&w.Object, "Add a component")
	f := collection.ComponentFacts{Side: "none", Count: 1} // whether it can be taken off is not taken for granted
	for i := range w.Components {
		if w.Components[i].Label == c.QueryParam("below") {
			f.ParentID = &w.Components[i].ID
			f.LayerOrder = w.Components[i].LayerOrder
		}
	}
	fields := append([]Field{{Kind: "text", Name: "label", Label: "Label", Help: "Behind the object's number: 1, 2a or 3.b. It never changes (rule C1).", Required: true, Max: 20}},
		componentFields(&w.Sheet, f, nil)...)
	fields = append(fields,
		choice("attribution", "Does it belong to the first make?", "", "", collection.Attributions),
		Field{Kind: "textarea", Name: "evidence", Label: "By what this is known", Help: "Needed unless it is unknown (rule C3).", Max: 4000, Rows: 2})
	p.Form = (&Form{Action: objectPath(w.Object.Number) + "/components", Submit: "Add the component", Fields: fields}).ready(c)
	p.Margin = "A part detached stays a component of its object, under its label. Loose pieces are components of the function 'fragment'."
	return p, w, nil
}

// addComponentPage serves GET /objects/{number}/add-component.
func (s *Server) addComponentPage(c echo.Context) error {
	p, _, err := s.addComponentData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/describe", p)
}

func (s *Server) addComponent(c echo.Context) error {
	var n collection.NewComponent
	_, typed, err := s.decode(c, &n)
	p, w, fault := s.addComponentData(c)
	if fault != nil {
		return fault
	}
	var made *collection.Component
	if err == nil {
		made, err = s.Collection.AddComponent(c.Request().Context(), actor(c), w.Object.ID, n)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "collection/describe", p)
	}
	return s.done(c, "."+made.Label+" "+made.Name+" is on record. Say of what it is made.", componentPath(w.Object.Number, made.Label))
}

type componentPage struct {
	Frame
	Heading, Up, UpWords string
	Sub                  string
	Marks                []Mark
	Removal              string
	Above, Below         []Link
	Materials            []materialLine
	Joints               []jointRow
	Attributions         []historyRow
	Identifications      []historyRow
	AddBelow, AddBeside  string
	MaterialForm         *Form // nil: not for this person
	AttributionForm      *Form
	ChangeForm           *Form
}

// componentData reads the component of the address.
func (s *Server) componentData(c echo.Context) (*componentPage, *collection.Whole, *collection.Component, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, nil, err
	}
	label, err := pathText(c, "label")
	if err != nil {
		return nil, nil, nil, err
	}
	at := slices.IndexFunc(w.Components, func(part collection.Component) bool { return strings.EqualFold(part.Label, label) })
	if at < 0 {
		return nil, nil, nil, domain.NotFound(w.Object.Number + " has no component ." + label + ".")
	}
	part := &w.Components[at]
	node := s.partNode(w, part)
	p := &componentPage{Heading: "." + part.Label + " " + part.Name, Up: objectPath(w.Object.Number), UpWords: w.Object.Number + " " + w.Object.Title,
		Sub: node.Facts + " · " + node.Attribution, Marks: node.Marks, Removal: node.Removal, Materials: node.Materials}
	p.Title, p.Here = w.Called(part.ID), "/objects"
	for _, id := range slices.Backward(w.Above(part.ID)) {
		p.Above = append(p.Above, partLink(w, id))
	}
	for _, child := range collection.FromInside(w.Components) {
		if child.ParentID != nil && *child.ParentID == part.ID {
			p.Below = append(p.Below, partLink(w, child.ID))
		}
	}
	for _, j := range w.Joints {
		if j.AID == part.ID || j.BID == part.ID {
			p.Joints = append(p.Joints, jointRow{A: shortName(w, j.AID), B: shortName(w, j.BID), Meets: plain(j.Meets), Contact: contactWords(&j), Mark: jointMark(j.State), Note: j.Note})
		}
	}
	for _, t := range w.Attributions {
		if t.ComponentID == part.ID {
			p.Attributions = append(p.Attributions, historyRow{At: s.moment(t.At), Said: plain(string(t.Attribution)), Evidence: t.Evidence, Author: t.AuthorName})
		}
	}
	present := w.MaterialsOf(part.ID)
	for _, m := range slices.Concat(present, w.Superseded) {
		if m.ComponentID != part.ID {
			continue
		}
		said := m.Role + ": " + m.MaterialName + ", " + m.Confidence + ", by " + m.IdentifiedBy
		if m.SupersededAt != nil {
			said += "; superseded " + s.day(*m.SupersededAt)
		}
		p.Identifications = append(p.Identifications, historyRow{At: s.moment(m.At), Said: said, Evidence: m.Evidence, Author: m.AuthorName})
	}
	if actor(c).May(collection.MakeUp) == nil {
		if err := s.componentForms(c, p, w, part, present); err != nil {
			return nil, nil, nil, err
		}
	}
	return p, w, part, nil
}

func partLink(w *collection.Whole, id domain.ID) Link {
	part := w.Component(id)
	if part == nil {
		return Link{Path: objectPath(w.Object.Number), Words: w.Object.Number}
	}
	return Link{Path: componentPath(w.Object.Number, part.Label), Words: "." + part.Label + " " + part.Name}
}

func (s *Server) componentForms(c echo.Context, p *componentPage, w *collection.Whole, part *collection.Component, present []collection.ComponentMaterial) error {
	materials, err := s.materialOptions(c, "unidentified")
	if err != nil {
		return err
	}
	at := componentPath(w.Object.Number, part.Label)
	p.AddBeside = objectPath(w.Object.Number) + "/add-component"
	p.AddBelow = p.AddBeside + "?below=" + part.Label
	fields := []Field{
		{Kind: "select", Name: "material_key", Label: "Material", Help: "Unidentified is an answer, and never taken for harmless.", Options: materials},
		choice("role", "As what", "", "body", collection.MaterialRoles),
		choice("identified_by", "Identified by", "", "", collection.IdentifiedBys),
		choice("confidence", "How surely", "", "", collection.Confidences),
		{Kind: "textarea", Name: "evidence", Label: "Evidence", Help: "Which label, document or test. Needed unless it is by sight alone.", Max: 4000, Rows: 2},
		{Kind: "text", Name: "share_percent", Label: "Share in per cent", Max: 6},
		{Kind: "text", Name: "thickness_mm", Label: "Thickness in millimetres", Max: 10},
	}
	if len(present) > 0 {
		var old []Option
		for _, m := range present {
			old = append(old, Option{Value: m.ID.String(), Label: m.Role + ": " + m.MaterialName + " (" + m.Confidence + ", " + m.AuthorName + ")"})
		}
		fields = append(fields, Field{Kind: "checks", Name: "supersedes", Label: "Takes the place of", Help: "What is ticked stays on record with its author and evidence (rule C3).", Options: old})
	}
	p.MaterialForm = (&Form{Action: at + "/materials", Part: "material", Submit: "Record the material", Fields: fields}).ready(c)
	p.AttributionForm = (&Form{Action: at + "/attributions", Part: "attribution", Submit: "Record the attribution", Fields: []Field{
		choice("attribution", "Does it belong to the first make?", "", "", collection.Attributions),
		{Kind: "textarea", Name: "evidence", Label: "By what this is known", Required: true, Max: 4000, Rows: 2},
	}}).ready(c)
	p.ChangeForm = (&Form{Action: at, Version: part.Version, Submit: "Keep the change", Fields: componentFields(&w.Sheet, part.Facts(), &part.ID)}).ready(c)
	return nil
}

// componentPage serves GET /objects/{number}/components/{label}.
func (s *Server) componentPage(c echo.Context) error {
	p, _, _, err := s.componentData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/component", p)
}

// componentAct reads a form of the component's page, acts, and shows the page again when it is
// refused.
func (s *Server) componentAct(c echo.Context, command any, form func(*componentPage) *Form, act func(part *collection.Component, version int64) (said string, err error)) error {
	version, typed, err := s.decode(c, command)
	p, w, part, fault := s.componentData(c)
	if fault != nil {
		return fault
	}
	said := ""
	if err == nil {
		said, err = act(part, version)
	}
	if err != nil {
		f := form(p)
		if f == nil {
			return err
		}
		return s.answer(c, f, typed, err, "collection/component", p)
	}
	return s.done(c, said, componentPath(w.Object.Number, part.Label))
}

func (s *Server) changeComponent(c echo.Context) error {
	var f collection.ComponentFacts
	return s.componentAct(c, &f, func(p *componentPage) *Form { return p.ChangeForm }, func(part *collection.Component, version int64) (string, error) {
		_, err := s.Collection.ChangeComponent(c.Request().Context(), actor(c), part.ID, version, f)
		return "The change is kept.", err
	})
}

func (s *Server) attribute(c echo.Context) error {
	var n collection.NewAttribution
	return s.componentAct(c, &n, func(p *componentPage) *Form { return p.AttributionForm }, func(part *collection.Component, _ int64) (string, error) {
		_, err := s.Collection.Attribute(c.Request().Context(), actor(c), part.ID, n)
		return "The attribution is on record; the one before it stays below.", err
	})
}

func (s *Server) identify(c echo.Context) error {
	var n collection.NewIdentification
	return s.componentAct(c, &n, func(p *componentPage) *Form { return p.MaterialForm }, func(part *collection.Component, _ int64) (string, error) {
		m, err := s.Collection.Identify(c.Request().Context(), actor(c), part.ID, n)
		if err != nil {
			return "", err
		}
		return m.MaterialName + " is on record as " + m.Role + " of ." + part.Label + ".", nil
	})
}
