package web

import (
	"html/template"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/movement"
	"farthingale/domain/photo"
)

func (s *Server) collectionRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects", collection.Read, s.objectsPage)
	s.route(g, http.MethodPost, "/objects", collection.Describe, s.addObject)
	s.route(g, http.MethodGet, "/objects/new", collection.Describe, s.newObjectPage)
	s.importRoutes(g)
	s.route(g, http.MethodGet, "/objects/:number", collection.Read, s.objectPage)
	s.route(g, http.MethodGet, "/objects/:number/edit", collection.Describe, s.editObjectPage)
	s.route(g, http.MethodPost, "/objects/:number/edit", collection.Describe, s.editObject)
	s.route(g, http.MethodPost, "/objects/:number/face", collection.Describe, s.chooseFace)
	s.route(g, http.MethodPost, "/objects/:number/deletion", collection.Withdraw, s.deleteObject)
	s.makeUpRoutes(g)
}

// The sheet of an object is put together from sections. An area adds one by one line in
// objectSections, a function that reads what it needs, and a template.

// sectionOf gives an area's section of an object's sheet. It may give only lines for the head, or
// nothing: the zero section. The whole holds the object, its make-up and history as the person may see
// them.
type sectionOf func(c echo.Context, w *collection.Whole) (section, error)

// section is a part of an object's sheet.
type section struct {
	ID       string     // of the section in the page: "make-up"
	Heading  string     // of the section
	Template string     // "collection/_make_up": the file templates/collection/_make_up.html, which defines "make_up"
	Data     any        // typed data of the template; forms in it are made ready(c)
	Head     []headLine // what the head of the sheet says: where it is, what stops it
}

// shownSection is a section as the page holds it.
type shownSection struct {
	ID, Heading string
	HTML        template.HTML
}

// headLine is a line in the head of an object's sheet.
type headLine struct {
	Mark Mark // may be empty
	Text string
	Path string // of what it tells of; may be empty
}

// objectSections lists the sections in the order in which they stand.
func (s *Server) objectSections() []sectionOf {
	return []sectionOf{
		s.descriptionSection,
		s.whereSection,
		s.conditionSection,
		s.incidentSection,
		s.makeUpSection,
		s.findingSection,
		s.hazardSection,
		s.enclosureSection,
		s.measurementSection,
		s.investigationSection,
		s.handlingSection,
		s.photoSection,
		s.loansSection,
		s.treatmentSection,
	}
}

// columnOf gives an area's column of a list of objects, read for all rows at once.
type columnOf func(c echo.Context, objects []domain.ID) (column, error)

// column is a column of a list of objects.
type column struct {
	Heading string
	Cells   map[domain.ID]headLine
}

// objectColumns lists the columns that other areas add to a list of objects: an area adds one by one
// line here.
func (s *Server) objectColumns() []columnOf {
	return []columnOf{s.placeColumn, s.conditionColumn, s.stopColumn}
}

// objectPath is the address of an object's sheet.
func objectPath(number string) string { return "/objects/" + url.PathEscape(number) }

// facePath is the address of a photograph's small picture, or "" where photographs have no pages.
func (s *Server) facePath(id *domain.ID) string {
	if _, served := s.acts["GET /files/photos/:id/thumbnail"]; !served || id == nil {
		return ""
	}
	return "/files/photos/" + id.String() + "/thumbnail"
}

// pathText is a part of the address as a person would write it.
func pathText(c echo.Context, name string) (string, error) {
	text := c.Param(name)
	if c.Request().URL.RawPath == "" {
		return text, nil
	}
	text, err := url.PathUnescape(text)
	if err != nil {
		return "", domain.NotFound("There is nothing under this address.")
	}
	return text, nil
}

// whole reads the object of the address.
func (s *Server) whole(c echo.Context) (*collection.Whole, error) {
	number, err := pathText(c, "number")
	if err != nil {
		return nil, err
	}
	return s.Collection.ShowNumber(c.Request().Context(), actor(c), number)
}

type objectsPage struct {
	Frame
	Words        string
	Newest       bool    // the newest first
	Kept         []Field // filters that the next search keeps, hidden
	NoSuchNumber string
	Instead      []collection.Replaced
	Filters      []filterGroup
	Columns      []string
	Faces        bool // there are pictures to show
	Rows         []objectRow
	Nothing      string // said instead of rows
	More         string
	AddPath      string // empty: who may not
	ImportPath   string
	ListPath     string
}

type filterGroup struct {
	Name  string
	Links []Link
}

type objectRow struct {
	Path, Number, Title, Kind, Department, Status, Face string
	Hazards                                             []Mark
	Cells                                               []headLine
}

// objectFilters are what a list can be narrowed by, as the address carries them.
var objectFilters = []string{"department", "kind", "legal_status", "material", "hazard", "condition", "sort"}

// objectsPage serves GET /objects: find an object.
func (s *Server) objectsPage(c echo.Context) error {
	ctx, a := c.Request().Context(), actor(c)
	q := objectQuery(c)
	from := page(c)
	var found collection.Found
	var filters collection.Filters
	err := domain.Together(ctx, 2, func(i int) (err error) {
		if i == 0 {
			found, err = s.Collection.Search(ctx, a, q, from)
		} else {
			filters, err = s.Collection.Filters(ctx, a)
		}
		return err
	})
	if err != nil {
		return err
	}
	p := &objectsPage{Words: q.Words, Newest: q.Sort == "newest", NoSuchNumber: found.NoSuchNumber, Instead: found.Instead, More: more(c, found.Next)}
	p.Title, p.Here, p.ListPath = "Objects", "/objects", listAddress(c)
	if q.Words != "" {
		p.Title = q.Words + " in the objects"
	}
	for _, name := range objectFilters {
		if v := c.QueryParam(name); v != "" {
			p.Kept = append(p.Kept, Field{Kind: "hidden", Name: name, Value: v})
		}
	}
	if a.May(collection.Describe) == nil {
		p.AddPath, p.ImportPath = "/objects/new", importPath
	}
	p.Filters = filterLinks(c, filters)
	if err := s.objectRows(c, p, found.Items); err != nil {
		return err
	}
	switch {
	case len(p.Rows) > 0:
	case q == (collection.Query{Sort: q.Sort}):
		p.Nothing = "There is no object on record yet."
	case q.Words == "":
		p.Nothing = "No object is like that. Take a filter away to see more."
	default:
		p.Nothing = "Nothing holds all of these words, or words nearly so. Try fewer of them, or take a filter away."
	}
	return s.render(c, http.StatusOK, "collection/objects", p)
}

// objectQuery is what the address asks of the objects.
func objectQuery(c echo.Context) collection.Query {
	return collection.Query{
		Words: strings.TrimSpace(c.QueryParam("q")), Department: c.QueryParam("department"), Kind: c.QueryParam("kind"), Hazard: c.QueryParam("hazard"), Condition: c.QueryParam("condition"),
		LegalStatus: collection.LegalStatus(c.QueryParam("legal_status")), Material: c.QueryParam("material"), Sort: c.QueryParam("sort"),
	}
}

// listAddress is where the objects of this page are as a list.
func listAddress(c echo.Context) string {
	q := c.Request().URL.Query()
	q.Del("cursor")
	if len(q) == 0 {
		return ListPath
	}
	return ListPath + "?" + q.Encode()
}

func (s *Server) objectRows(c echo.Context, p *objectsPage, lines []collection.ObjectLine) error {
	ids := make([]domain.ID, len(lines))
	for i, o := range lines {
		ids[i] = o.ID
	}
	of := s.objectColumns()
	columns := make([]column, len(of))
	err := domain.Together(c.Request().Context(), len(of), func(i int) (err error) {
		columns[i], err = of[i](c, ids)
		return err
	})
	if err != nil {
		return err
	}
	for _, col := range columns {
		p.Columns = append(p.Columns, col.Heading)
	}
	for _, o := range lines {
		row := objectRow{Path: objectPath(o.Number), Number: o.Number, Title: o.Title, Kind: o.Kind, Department: o.Department, Face: s.facePath(o.FacePhotoID)}
		if o.LegalStatus != collection.Accessioned {
			row.Status = plain(string(o.LegalStatus))
		}
		for _, h := range o.Hazards {
			row.Hazards = append(row.Hazards, s.hazardMark(h.Kind, h.Certainty))
		}
		for _, col := range columns {
			row.Cells = append(row.Cells, col.Cells[o.ID])
		}
		p.Faces = p.Faces || row.Face != ""
		p.Rows = append(p.Rows, row)
	}
	return nil
}

// hazardMark shows a hazard by word and shape. 'Possible' is as loud as 'certain'.
func (s *Server) hazardMark(kind, certainty string) Mark {
	word := hazardName(kind) + " " + certainty
	if s.Collection.Caution(kind).Class == material.Stop {
		return stopMark(word)
	}
	return warnMark(word)
}

// hazardName is a kind of hazard as people write it: "soda lime".
func hazardName(kind string) string { return strings.ReplaceAll(kind, "-", " ") }

// filterLinks gives each filter as links that keep the words and the other filters. The one that is
// set is marked, and leads to the list without it.
func filterLinks(c echo.Context, f collection.Filters) []filterGroup {
	statuses := make([]string, len(collection.LegalStatuses))
	for i, l := range collection.LegalStatuses {
		statuses[i] = string(l)
	}
	hazards := f.Hazards
	if len(hazards) > 1 {
		hazards = append([]string{collection.AnyHazard}, hazards...)
	}
	var materials []string
	if key := c.QueryParam("material"); key != "" {
		materials = []string{key} // it is chosen on the material's own page
	}
	var groups []filterGroup
	for _, g := range []struct {
		name, parameter string
		values          []string
		words           func(string) string
	}{
		{"Department", "department", f.Departments, strings.Clone},
		{"Kind", "kind", nearKinds(f.Kinds, c.QueryParam("kind")), strings.Clone},
		{"Legal status", "legal_status", statuses, plain},
		{"Hazard", "hazard", hazards, hazardName},
		{"Condition", "condition", collection.Conditions, strings.Clone},
		{"Material", "material", materials, hazardName},
		{"Order", "sort", collection.Sorts, plain},
	} {
		if len(g.values) == 0 {
			continue
		}
		group := filterGroup{Name: g.name}
		for _, v := range g.values {
			present := c.QueryParam(g.parameter) == v || g.parameter == "sort" && c.QueryParam("sort") == "" && v == collection.Sorts[0]
			group.Links = append(group.Links, filterLink(c, g.words(v), g.parameter, v, present))
		}
		groups = append(groups, group)
	}
	return groups
}

// nearKinds are the most general kinds, and those at and below the one that is chosen.
func nearKinds(kinds []string, chosen string) []string {
	var near []string
	for _, k := range kinds {
		above := ""
		if at := strings.LastIndex(k, collection.KindDivider); at >= 0 {
			above = k[:at]
		}
		if above == "" || above == chosen || chosen == k || strings.HasPrefix(chosen, k+collection.KindDivider) {
			near = append(near, k)
		}
	}
	return near
}

type objectPage struct {
	Frame
	Number, Heading, Sub string
	Status               Mark // when it is not simply the museum's own
	Face, FaceWords      string
	Head                 []headLine
	Hazards              []hazardLine
	Closing              string
	Sections             []shownSection
	Often                []Link // what is done most often beside the object, as far as the person may
	EditPath             string // empty: who may not
}

// objectPage serves GET /objects/{number}. A number in other capitals, written in haste, or given up
// leads to the object that has it.
func (s *Server) objectPage(c echo.Context) error {
	w, err := s.whole(c)
	typed, pathErr := pathText(c, "number")
	if pathErr != nil {
		return pathErr
	}
	if domain.KindOf(err) == domain.KindNotFound {
		return s.elsewhere(c, typed, err)
	}
	if err != nil {
		return err
	}
	if w.Object.Number != typed {
		return c.Redirect(http.StatusFound, objectPath(w.Object.Number))
	}
	p, err := s.objectData(c, w)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/object", p)
}

// elsewhere looks for the one object that a number typed in haste means.
func (s *Server) elsewhere(c echo.Context, typed string, notFound error) error {
	if collection.LooseKey(typed) == "" || len([]rune(typed)) > collection.QueryMost || !domain.CleanText(typed) {
		return notFound
	}
	found, err := s.Collection.Search(c.Request().Context(), actor(c), collection.Query{Number: typed}, domain.PageQuery{Limit: 2})
	if err != nil {
		return err
	}
	if len(found.Items) != 1 {
		return notFound
	}
	return c.Redirect(http.StatusFound, objectPath(found.Items[0].Number))
}

func (s *Server) objectData(c echo.Context, w *collection.Whole) (*objectPage, error) {
	o := &w.Object
	p := &objectPage{Number: o.Number, Heading: o.Title, Hazards: s.hazardLines(w), Closing: material.CautionClosing}
	p.Title, p.Here = o.Number+" "+o.Title, "/objects"
	var sub []string
	for _, text := range []string{o.Kind, strings.Join(o.Makers, ", "), dateWords(o.DateMade), o.PlaceMade, o.Department} {
		if text != "" {
			sub = append(sub, text)
		}
	}
	p.Sub = strings.Join(sub, " · ")
	switch o.LegalStatus {
	case collection.Accessioned:
	case collection.Former:
		p.Status = draftMark("no longer in the collection")
	default:
		p.Status = waitMark(plain(string(o.LegalStatus)))
	}
	if p.Face = s.facePath(o.FacePhotoID); p.Face != "" {
		p.FaceWords = o.Number + " " + o.Title
	}
	for _, often := range []struct {
		act         domain.Act
		path, words string
	}{{handling.Record, "/handle", "Log a handling"}, {photo.Keep, "/photos#add", "Add photographs"}, {movement.Move, "/move", "Move it"}} {
		if actor(c).May(often.act) == nil {
			p.Often = append(p.Often, Link{Path: objectPath(o.Number) + often.path, Words: often.words})
		}
	}
	if actor(c).May(collection.Describe) == nil {
		p.EditPath = objectPath(o.Number) + "/edit"
	}
	s.shareFindings(c, w)
	_ = c.QueryParams() // the context reads the address once, and not safely in several places at a time
	of := s.objectSections()
	sections, shown := make([]section, len(of)), make([]template.HTML, len(of))
	err := domain.Together(c.Request().Context(), len(of), func(i int) (err error) {
		if sections[i], err = of[i](c, w); err == nil && sections[i].Template != "" {
			shown[i], err = s.partial(sections[i].Template, sections[i].Data)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	for i, sec := range sections {
		p.Head = append(p.Head, sec.Head...)
		if sec.Template != "" {
			p.Sections = append(p.Sections, shownSection{ID: sec.ID, Heading: sec.Heading, HTML: shown[i]})
		}
	}
	return p, nil
}

// dateWords is an uncertain date in words.
func dateWords(edtf string) string {
	if edtf == "" {
		return ""
	}
	d, err := domain.ParseEDTF(edtf)
	if err != nil {
		return edtf // kept by an older release
	}
	return d.Words()
}

// hazardLine is a danger as the head of a sheet says it.
type hazardLine struct {
	Mark  Mark
	Class string // stop, control, note
	On    string // which component; empty: the whole
	State string
	Text  string // the usual caution
	Path  string // to record what is only proposed; empty: who may not
}

// hazardLines are the hazards that stand and those that the make-up proposes, classes with a stop
// first.
func (s *Server) hazardLines(w *collection.Whole) []hazardLine {
	var stops, others []hazardLine
	add := func(kind, certainty string, on *domain.ID, state string) {
		caution := s.Collection.Caution(kind)
		l := hazardLine{Mark: s.hazardMark(kind, certainty), Class: caution.Class.Words(), State: state, Text: caution.Caution}
		if caution.Call != "" {
			l.Text += " Call: " + caution.Call + "."
		}
		if on != nil {
			l.On = shortName(w, *on)
		}
		if caution.Class == material.Stop {
			stops = append(stops, l)
		} else {
			others = append(others, l)
		}
	}
	for i := range w.Hazards {
		if h := &w.Hazards[i]; h.Stands() {
			state := sentences(plain(h.State)+listed(h.Where), prefixed("Controls: ", h.Controls))
			add(h.Kind, h.Certainty, h.ComponentID, state)
		}
	}
	for _, proposal := range w.Proposals() {
		add(proposal.Kind, proposal.Certainty, proposal.ComponentID, "proposed because of "+proposal.Because+"; nobody has looked yet.")
	}
	return append(stops, others...)
}

type descriptionData struct {
	Facts    []fact
	Marks    []markRow
	Answered int
	Missing  string
	NotKnown string
}

type fact struct{ Name, Text string }

type markRow struct{ Kind, Where, Transcription, Meaning string }

// descriptionSection is what is said of the object, and how far it would be recognised by it.
func (s *Server) descriptionSection(c echo.Context, w *collection.Whole) (section, error) {
	o := &w.Object
	missing := collection.ObjectIDMissing(&w.Sheet, w.Held.Photographs)
	d := descriptionData{Answered: len(collection.ObjectIDHeadings) - len(missing), Missing: strings.Join(missing, ", "), NotKnown: strings.Join(o.NotKnown, ", ")}
	mass := ""
	if o.MassKG != nil {
		mass = o.MassKG.String() + " kg"
	}
	made := dateWords(o.DateMade)
	if made != "" && made != o.DateMade {
		made += " (" + o.DateMade + ")"
	}
	for _, f := range []fact{
		{"Description", o.Description}, {"Kind", o.Kind}, {"Maker", strings.Join(o.Makers, "; ")}, {"Made", made}, {"Place made", o.PlaceMade},
		{"Subject", o.Subject}, {"Distinguishing features", o.Features}, {"Dimensions", dimensionWords(o.Dimensions)}, {"Mass", mass},
		{"Department", o.Department}, {"Legal status", plain(string(o.LegalStatus))}, {"Owner", o.Owner}, {"Former numbers", strings.Join(o.FormerNumbers, ", ")},
	} {
		if f.Text != "" {
			d.Facts = append(d.Facts, f)
		}
	}
	for _, m := range o.Marks {
		d.Marks = append(d.Marks, markRow{Kind: m.Kind, Where: m.Where, Transcription: m.Transcription, Meaning: m.Meaning})
	}
	return section{ID: "description", Heading: "Description", Template: "collection/_description", Data: d}, nil
}

// dimensionWords writes lengths as people do: "height 1700 mm (lying); width 620 mm".
func dimensionWords(dimensions []collection.Dimension) string {
	words := make([]string, len(dimensions))
	for i, d := range dimensions {
		words[i] = d.What + " " + d.MM.String() + " mm"
		if d.Note != "" {
			words[i] += " (" + d.Note + ")"
		}
	}
	return strings.Join(words, "; ")
}

type hazardData struct {
	Rows      []hazardRow
	Proposals []proposalRow
	AddPath   string // empty: who may not
}

type hazardRow struct {
	Path, Kind, On string // Path is empty for who may not change it
	Mark           Mark
	Known, Said    string
}

type proposalRow struct {
	Mark             Mark
	On, Because      string
	Path, RecordName string // empty: who may not
}

// hazardSection is every hazard on record, those ruled out and removed too, and those proposed.
func (s *Server) hazardSection(c echo.Context, w *collection.Whole) (section, error) {
	at := objectPath(w.Object.Number)
	d := hazardData{}
	if actor(c).May(collection.Warn) == nil {
		d.AddPath = at + "/add-hazard"
	}
	on := func(id *domain.ID) string {
		if id == nil {
			return "the whole"
		}
		return shortName(w, *id)
	}
	for i := range w.Hazards {
		h := &w.Hazards[i]
		row := hazardRow{Kind: hazardName(h.Kind), On: on(h.ComponentID), Known: "by " + h.KnownBy + ", " + h.AuthorName + ", " + s.day(h.At)}
		if actor(c).May(collection.MakeUp) == nil {
			row.Path = at + "/hazards/" + h.ID.String()
		}
		switch {
		case h.Certainty == "ruled_out":
			row.Mark = doneMark("ruled out")
		case h.State == "removed":
			row.Mark = doneMark("removed")
		default:
			row.Mark = s.hazardMark(h.Kind, h.Certainty)
		}
		judged := ""
		if h.Version > 1 {
			judged = "Said by " + h.JudgedByName + ", " + s.day(h.JudgedAt)
		}
		row.Said = sentences(plain(h.State)+listed(h.Where), h.Note, prefixed("Controls: ", h.Controls), prefixed("Assessed by ", h.AssessedBy),
			prefixed("See ", h.Document), judged, prefixed("Review on ", h.ReviewOn))
		d.Rows = append(d.Rows, row)
	}
	for _, p := range w.Proposals() {
		row := proposalRow{Mark: s.hazardMark(p.Kind, p.Certainty), On: on(p.ComponentID), Because: p.Because}
		if d.AddPath != "" {
			query := url.Values{"kind": {p.Kind}, "certainty": {p.Certainty}}
			if p.ComponentID != nil {
				query.Set("component", w.Component(*p.ComponentID).Label)
			}
			row.Path, row.RecordName = d.AddPath+"?"+query.Encode(), "Record "+hazardName(p.Kind)+" on "+row.On
		}
		d.Proposals = append(d.Proposals, row)
	}
	return section{ID: "hazards", Heading: "Hazards on record", Template: "collection/_hazards", Data: d}, nil
}

// sentences puts texts together, each ended by one full stop; empty ones are left out.
func sentences(texts ...string) string {
	var all []string
	for _, text := range texts {
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		if !strings.ContainsAny(text[len(text)-1:], ".!?") {
			text += "."
		}
		all = append(all, text)
	}
	return strings.Join(all, " ")
}

// prefixed is a text behind its introduction, or nothing.
func prefixed(before, text string) string {
	if text == "" {
		return ""
	}
	return before + text
}

// listed is a text that goes on behind another, or nothing.
func listed(text string) string { return prefixed(", ", text) }

// countWord is a whole number in a table.
func countWord(n int) string { return strconv.Itoa(n) }
