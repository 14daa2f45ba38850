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
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

func (s *Server) treatmentWorkRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/treatments/:id/steps/new", treatment.Log, s.newStepPage)
	s.route(g, http.MethodPost, "/treatments/:id/steps", treatment.Log, s.logStep)
	s.route(g, http.MethodGet, "/treatments/:id/departures/new", treatment.Depart, s.newDeparturePage)
	s.route(g, http.MethodPost, "/treatments/:id/departures", treatment.Depart, s.recordDeparture)
	s.route(g, http.MethodGet, "/material-uses", treatment.Read, s.materialUsesPage)
}

// workView is a note of work as it is read.
type workView struct {
	ID, When, Recorded, Hands, Method string
	Late                              Mark
	Components                        []string
	Materials                         []string
	Facts                             []said
	Against                           []string
	Photographs                       []Link
	Addenda                           []addendumView
	AddendumPath                      string
}

func (s *Server) workView(d *desk, w treatment.Work) workView {
	v := workView{ID: w.ID.String(), When: s.moment(w.HappenedAt), Method: w.Method, Recorded: w.RecordedBy.Name + ", " + s.moment(w.RecordedAt), Against: w.Against}
	if w.Late {
		v.Late = warnMark("noted late")
	}
	var hands []string
	for _, h := range w.Hands {
		hands = append(hands, h.Name)
	}
	v.Hands = strings.Join(hands, ", ")
	if w.Under != nil {
		v.Hands += ", under " + w.Under.Name
	}
	for _, c := range w.Components {
		v.Components = append(v.Components, c.Called)
	}
	for _, m := range w.Materials {
		v.Materials = append(v.Materials, usedText(m))
	}
	conditions := ""
	if w.TemperatureC != nil {
		conditions = w.TemperatureC.String() + " °C"
	}
	if w.HumidityPercent != nil {
		conditions = strings.TrimPrefix(conditions+", "+w.HumidityPercent.String()+" % RH", ", ")
	}
	noticed := slices.DeleteFunc(slices.Clone(w.Noticed), func(n string) bool { return n == "nothing" })
	removed := w.Removed
	if w.RemovedTo != "" {
		removed += " – kept: " + w.RemovedTo
	}
	v.Facts = facts([2]string{"What lay outside", w.What}, [2]string{"Why", w.Why}, [2]string{"Tool", w.Tool}, [2]string{"Conditions", conditions},
		[2]string{"Before", w.Before}, [2]string{"After", w.After}, [2]string{"Noticed", strings.Join(noticed, ", ")}, [2]string{"Removed", removed},
		[2]string{"Minutes", strconv.Itoa(w.Minutes)}, [2]string{"Note", w.Note})
	for _, c := range w.CameAway {
		v.Facts = append(v.Facts, said{"Came away", []string{fmt.Sprintf("%s: lay %s; that it belongs there is %s. %s", c.Part.Called, c.Where, c.Belongs, c.KeptAt)}})
	}
	_, served := s.acts["GET /photos/:id"]
	for _, p := range w.Photographs {
		l := Link{Words: photo.View(p.View).Words() + ", " + photo.Stage(p.Stage).Words()}
		if served {
			l.Path = "/photos/" + p.ID.String()
		}
		v.Photographs = append(v.Photographs, l)
	}
	if w.Kind != treatment.Emergency && d != nil {
		v.Addenda = s.addendaTo(d, string(w.Kind), w.ID)
		if d.mayDo(treatment.Propose) {
			v.AddendumPath = d.at + "/addenda/new?record=" + string(w.Kind) + "&record_id=" + w.ID.String()
		}
	}
	return v
}

// usedText is a used material in a line: "acrylic adhesive, Resin 72 (batch B-7), 3 % w/v in ethanol, 5 ml".
func usedText(m treatment.UsedMaterial) string {
	text := m.Name
	if m.Product != "" && m.Product != m.Name {
		text += ", " + m.Product
	}
	if m.Batch != "" {
		text += " (batch " + m.Batch + ")"
	}
	if m.Concentration != nil {
		text += ", " + m.Concentration.String() + " " + treatment.UnitWords(m.Unit)
	}
	if m.Solvent != "" {
		text += " in " + m.Solvent
	}
	if m.Amount != "" {
		text += ", " + m.Amount
	}
	return text
}

func (s *Server) worksOf(d *desk, p *treatmentPage) {
	for _, w := range d.Steps {
		p.Steps = append(p.Steps, s.workView(d, w))
	}
	for _, w := range d.Departures {
		p.Departures = append(p.Departures, s.workView(d, w))
	}
	names := map[string]string{}
	for _, v := range d.Versions {
		for key, name := range v.Legend {
			names[key] = name
		}
	}
	for _, l := range d.ApprovedScope() {
		from := ""
		if l.Amendment > 0 {
			from = "amendment " + strconv.Itoa(l.Amendment)
		}
		p.Scope = append(p.Scope, scopeRows([]treatment.ScopeLine{l.ScopeLine}, names, from)...)
	}
	for _, m := range d.Materials {
		row := usedRow{Name: m.Name, Product: m.Product, Batch: m.Batch, Solvent: m.Solvent, Times: strconv.Itoa(m.Times)}
		if m.Concentration != nil {
			row.Concentration = m.Concentration.String() + " " + treatment.UnitWords(m.Unit)
		}
		p.Used = append(p.Used, row)
	}
}

// working is what the form of a step, a departure or an emergency is made from.
type working struct {
	parts     []Option
	materials []Option // of the library; the first is "none"
	hands     []Option
	under     []Option
	photos    []Option
	methods   []Option // nil: any words
	more      string
	now       string
	done      treatment.Done

	hazards, technician bool // there are hazards that want controls; the one who logs is no conservator
}

// partsOf makes choices of the components that the approved scope reaches, or of all.
func (d *desk) partsOf(all bool) []Option {
	var parts []Option
	scope := d.ApprovedScope()
	for _, c := range d.around.Sheet.Components {
		inside := slices.ContainsFunc(scope, func(l treatment.ApprovedLine) bool {
			return l.ComponentID == c.ID || l.AndItsParts && slices.Contains(d.around.Sheet.Above(c.ID), l.ComponentID)
		})
		if all || inside {
			parts = append(parts, Option{Value: c.ID.String(), Label: c.Label + " " + c.Name})
		}
	}
	return parts
}

// photoOptions are the latest photographs of the object.
func (s *Server) photoOptions(around *treatment.Surroundings) []Option {
	var all []Option
	for i := len(around.Photos) - 1; i >= 0 && len(all) < 24; i-- {
		p := around.Photos[i]
		var parts []string
		for _, id := range p.Components {
			if c := around.Sheet.Component(id); c != nil {
				parts = append(parts, c.Label)
			}
		}
		label := photo.View(p.View).Words() + ", " + photo.Stage(p.Stage).Words()
		if len(parts) > 0 {
			label += ", of " + strings.Join(parts, ", ")
		}
		if p.TakenAt != nil {
			label += ", " + s.moment(*p.TakenAt)
		}
		all = append(all, Option{Value: p.ID.String(), Label: label, Image: s.facePath(&p.ID)})
	}
	return all
}

func (s *Server) working(c echo.Context, d *desk, all bool, more string, done treatment.Done) (working, error) {
	w := working{parts: d.partsOf(all), hands: workers(d.staff), photos: s.photoOptions(d.around), more: more, now: s.fieldTime(s.Now()), done: done,
		under: conservators(d.staff, domain.ID{}, "nobody"), materials: []Option{{Label: "none"}}}
	w.technician = !d.by.Has(domain.Conservator)
	for i := range w.hands {
		w.hands[i].Chosen = w.hands[i].Value == d.by.ID.String()
	}
	if len(w.parts) == 1 {
		w.parts[0].Chosen = true
	}
	if !all {
		seen := map[string]bool{}
		names := map[string]string{}
		for _, v := range d.Versions {
			for key, name := range v.Legend {
				names[key] = name
			}
		}
		for _, l := range d.ApprovedScope() {
			if key := treatment.Fold(l.Method); !seen["method "+key] {
				seen["method "+key] = true
				w.methods = append(w.methods, Option{Value: l.Method, Label: l.Method})
			}
			for _, m := range l.Materials {
				if !seen[m.MaterialKey] {
					seen[m.MaterialKey] = true
					w.materials = append(w.materials, Option{Value: m.MaterialKey, Label: names[m.MaterialKey]})
				}
			}
		}
		if len(w.methods) == 1 {
			w.methods[0].Chosen = true
		}
		return w, nil
	}
	library, err := s.Material.All(c.Request().Context(), actor(c))
	for _, m := range library {
		w.materials = append(w.materials, Option{Value: m.Key, Label: m.Name})
	}
	return w, err
}

func (w working) rows(name string, have, least int) int {
	if w.more == name {
		return have + 2
	}
	return max(have, least)
}

func (w working) materialGroup() Field {
	group := Field{Kind: "group", Label: "Materials used", Help: "Product and batch as on the label; 'not known' is an answer."}
	auxiliaries := []Option{{Label: "none"}}
	for _, a := range treatment.Auxiliaries {
		auxiliaries = append(auxiliaries, Option{Value: a.Key, Label: a.Name})
	}
	for i := range w.rows("materials", len(w.done.Materials), 2) {
		at, n := fmt.Sprintf("materials.%d.", i), strconv.Itoa(i+1)
		kind, open := "group", ""
		if i > 0 { // most steps use one
			kind = "folded"
			if w.more == "materials" || i < len(w.done.Materials) {
				open = "open"
			}
		}
		group.Fields = append(group.Fields, Field{Kind: kind, Value: open, Label: "Material " + n, Fields: []Field{
			{Kind: "select", Name: at + "material_key", Label: "Material " + n, Options: slices.Clone(w.materials)},
			{Kind: "select", Name: at + "auxiliary", Label: "Or auxiliary " + n, Options: slices.Clone(auxiliaries)},
			{Kind: "text", Name: at + "product", Label: "Product of material " + n, Max: 200},
			{Kind: "text", Name: at + "batch", Label: "Batch of material " + n, Max: 120},
			{Kind: "text", Name: at + "concentration", Label: "Concentration of material " + n, Max: 16},
			{Kind: "select", Name: at + "unit", Label: "Unit for material " + n, Options: unitOptions("")},
			{Kind: "text", Name: at + "solvent", Label: "Solvent of material " + n, Max: 120},
			{Kind: "text", Name: at + "amount", Label: "Amount of material " + n, Max: 120},
		}})
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: "materials", Label: "More materials"})
	return group
}

func (w working) cameAway() Field {
	group := Field{Kind: "group", Label: "What came away", Help: "It becomes a fragment of the object with a label of its own. Collect it at once."}
	for i := range w.rows("came_away", len(w.done.CameAway), 1) {
		at, n := fmt.Sprintf("came_away.%d.", i), strconv.Itoa(i+1)
		from := append([]Option{{Label: "choose"}}, slices.Clone(w.parts)...)
		for j := range from {
			from[j].Chosen = false
		}
		group.Fields = append(group.Fields, Field{Kind: "group", Label: "Part " + n, Fields: []Field{
			{Kind: "select", Name: at + "from_component_id", Label: "Part " + n + " came from", Options: from},
			{Kind: "text", Name: at + "name", Label: "What part " + n + " is", Max: 200},
			{Kind: "text", Name: at + "where_it_lay", Label: "Where part " + n + " lay", Max: 500},
			{Kind: "select", Name: at + "belongs_there", Label: "That part " + n + " belongs there is", Options: append([]Option{{Label: "choose"}}, options("", "certain", "probable", "unknown")...)},
			{Kind: "text", Name: at + "kept_at", Label: "Where part " + n + " is kept", Max: 500},
		}})
	}
	group.Fields = append(group.Fields, Field{Kind: "more", Name: "came_away", Label: "More parts"})
	return group
}

// head and rest are the fields that steps, departures and emergencies share, the quick ones first.
func (w working) head() []Field {
	return []Field{
		{Kind: "checks", Name: "components", Label: "Components", Required: true, Options: w.parts, Tiles: true},
		{Kind: "checks", Name: "hands", Label: "Who had a hand in it", Required: true, Options: w.hands, Tiles: true},
		{Kind: "datetime-local", Name: "happened_at", Label: "When", Value: w.now, Required: true},
		{Kind: "number", Name: "minutes", Label: "Minutes", Value: "30", Required: true},
	}
}

func (w working) rest() []Field {
	quick := []Field{
		{Kind: "checks", Name: "noticed", Label: "Noticed", Help: "Noise, powder, resistance, loss or tear raises a stop at once.", Tiles: true,
			Options: options("", "nothing", "noise", "powder", "resistance", "loss", "tear", "odour", "tack", "liquid", "other")},
		{Kind: "textarea", Name: "note", Label: "Note", Max: 10000, Rows: 2},
	}
	under := Field{Kind: "select", Name: "under_id", Label: "Under", Help: "The conservator who supervised, when only technicians had a hand in it.", Options: w.under}
	more := []Field{
		{Kind: "textarea", Name: "observed_before", Label: "Seen before", Max: 4000, Rows: 2},
		{Kind: "textarea", Name: "observed_after", Label: "Seen after", Max: 4000, Rows: 2},
		{Kind: "text", Name: "removed", Label: "Removed from the object", Max: 2000},
		{Kind: "text", Name: "removed_to", Label: "Where what was removed is kept", Max: 1000},
		{Kind: "text", Name: "tool", Label: "Tool", Max: 300},
		{Kind: "text", Name: "temperature_c", Label: "Temperature, °C", Max: 8},
		{Kind: "text", Name: "humidity_percent", Label: "Relative humidity, %", Max: 8},
		{Kind: "select", Name: "gloves", Label: "Gloves", Options: append([]Option{{Label: "not said"}}, options("", "nitrile", "cotton", "bare_clean_hands", "other", "none_possible")...)},
	}
	if w.hazards {
		quick = append(quick, Field{Kind: "radio", Name: "controls", Label: "The usual controls for the hazards above were", Tiles: true, Required: true, Options: options("", "kept", "not_kept")})
	} else {
		more = append(more, Field{Kind: "select", Name: "controls", Label: "Usual controls of the object's hazards", Options: append([]Option{{Label: "not said"}}, options("", "kept", "not_kept")...)})
	}
	if w.technician {
		quick = append(quick, under)
	} else {
		more = append(more, under)
	}
	if len(w.photos) > 0 {
		more = append(more, Field{Kind: "checks", Name: "photographs", Label: "Photographs", Options: w.photos})
	}
	open := ""
	if w.more == "came_away" || len(w.done.CameAway) > 0 {
		open = "open"
	}
	return append(quick, Field{Kind: "folded", Label: "Something came away", Value: open, Fields: []Field{w.cameAway()}},
		Field{Kind: "folded", Label: "Tool, conditions, observations, photographs", Fields: more})
}

// stepPage makes the page that logs a step.
func (s *Server) stepPage(c echo.Context, d *desk, n treatment.NewStep, more string) (*treatmentFormPage, error) {
	w, err := s.working(c, d, false, more, n.Done)
	if err != nil {
		return nil, err
	}
	page := &treatmentFormPage{Heading: "Log a step", Back: Link{Path: d.at, Words: d.Called()}}
	page.Title, page.Here = "Log a step of "+d.Called(), "/treatments"
	if err := s.warn(c, page, d.around.Sheet, &w); err != nil {
		return nil, err
	}
	method := Field{Kind: "radio", Name: "method", Label: "Method", Required: true, Options: w.methods, Tiles: true}
	fields := append([]Field{w.head()[0], method}, w.head()[1:]...)
	fields = append(append(fields, w.materialGroup()), w.rest()...)
	page.Form = (&Form{Action: d.at + "/steps", Version: d.Version, Quick: true, Submit: "Log the step", Fields: fields,
		Instead: []Link{{Path: d.at + "/departures", Words: "It lay outside: record it as a departure"}},
		Help:    "Only what the approved scope holds is offered. What was done outside it is recorded as a departure."}).ready(c)
	if d.mayDo(treatment.Propose) {
		page.Also = []Link{{Path: d.at + "/amendments/new", Words: "Write an amendment"}}
	}
	return page, nil
}

func (s *Server) newStepPage(c echo.Context) error {
	return getWork(s, c, func(d *desk) (*treatmentFormPage, error) { return s.stepPage(c, d, treatment.NewStep{}, "") })
}

func (s *Server) logStep(c echo.Context) error {
	return postWork(s, c, "The step is logged.", s.Treatment.LogStep, func(d *desk, n treatment.NewStep, more string) (*treatmentFormPage, error) {
		return s.stepPage(c, d, n, more)
	})
}

// departurePage makes the page that records a departure.
func (s *Server) departurePage(c echo.Context, d *desk, n treatment.NewDeparture, more string) (*treatmentFormPage, error) {
	w, err := s.working(c, d, true, more, n.Done)
	if err != nil {
		return nil, err
	}
	page := &treatmentFormPage{Heading: "Record a departure", Back: Link{Path: d.at, Words: d.Called()},
		Lead: []string{"What was in fact done outside the approval, whatever it was. It is never refused as a record, and never dressed as an approved step. The curators of " + d.Department + " hear of it at once."}}
	page.Title, page.Here = "Record a departure from "+d.Called(), "/treatments"
	if err := s.warn(c, page, d.around.Sheet, &w); err != nil {
		return nil, err
	}
	fields := append([]Field{
		{Kind: "textarea", Name: "what", Label: "What lay outside the approval", Required: true, Max: 4000, Rows: 2},
		{Kind: "textarea", Name: "why", Label: "Why it happened", Required: true, Max: 4000, Rows: 2},
	}, w.head()...)
	fields = append(append(fields, Field{Kind: "text", Name: "method", Label: "Method", Max: 120}, w.materialGroup()), w.rest()...)
	page.Form = (&Form{Action: d.at + "/departures", Version: d.Version, Submit: "Record it", Fields: fields}).ready(c)
	return page, nil
}

func (s *Server) newDeparturePage(c echo.Context) error {
	return getWork(s, c, func(d *desk) (*treatmentFormPage, error) {
		return s.departurePage(c, d, treatment.NewDeparture{}, "")
	})
}

func (s *Server) recordDeparture(c echo.Context) error {
	return postWork(s, c, "The departure is recorded; the curators have notice.", s.Treatment.RecordDeparture, func(d *desk, n treatment.NewDeparture, more string) (*treatmentFormPage, error) {
		return s.departurePage(c, d, n, more)
	})
}

func getWork(s *Server, c echo.Context, make func(d *desk) (*treatmentFormPage, error)) error {
	d, err := s.desk(c)
	if err != nil {
		return err
	}
	page, err := make(d)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "treatment/form", page)
}

// postWork serves a form that has a page of its own: it acts, or shows the page again.
func postWork[C any](s *Server, c echo.Context, said string, do func(ctx context.Context, by domain.Actor, id domain.ID, version int64, command C) (*treatment.Treatment, error),
	again func(d *desk, command C, more string) (*treatmentFormPage, error)) error {
	more, err := moreRows(c)
	if err != nil {
		return err
	}
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	var command C
	version, typed, err := s.decode(c, &command)
	if err == nil && more == "" {
		if _, err = do(c.Request().Context(), actor(c), id, version, command); err == nil {
			return s.done(c, said, treatmentPath(id))
		}
	}
	d, fault := s.desk(c)
	if fault != nil {
		return fault
	}
	page, fault := again(d, command, more)
	if fault != nil {
		return fault
	}
	if more != "" {
		page.Form.Version = version // still the one that was read
		page.Form.again(c, typed)
		return s.render(c, http.StatusOK, "treatment/form", page)
	}
	return s.answer(c, page.Form, typed, err, "treatment/form", page)
}

type materialUsesPage struct {
	Frame
	Product, Batch, Material string
	Asked                    bool
	Rows                     []materialUseRow
	More                     string
	Form                     []Field
}

type materialUseRow struct{ When, Component, Path, Work, WorkPath, Material, Batch string }

// materialUsesPage serves GET /material-uses: every component that received a product, a batch or a
// material.
func (s *Server) materialUsesPage(c echo.Context) error {
	m := treatment.MaterialQuery{Product: strings.TrimSpace(c.QueryParam("product")), Batch: strings.TrimSpace(c.QueryParam("batch")), MaterialKey: c.QueryParam("material_key")}
	p := &materialUsesPage{Product: m.Product, Batch: m.Batch, Material: m.MaterialKey}
	p.Title, p.Here = "Who received what", "/treatments"
	library, err := s.Material.All(c.Request().Context(), actor(c))
	if err != nil {
		return err
	}
	choices := []Option{{Label: "any"}}
	for _, x := range library {
		choices = append(choices, Option{Value: x.Key, Label: x.Name, Chosen: x.Key == m.MaterialKey})
	}
	p.Form = []Field{{Kind: "text", Name: "product", Label: "Product", Value: m.Product, Max: 200}, {Kind: "text", Name: "batch", Label: "Batch", Value: m.Batch, Max: 120},
		{Kind: "select", Name: "material_key", Label: "Material", Options: choices}}
	name(p.Form, "f-")
	if m != (treatment.MaterialQuery{}) {
		all, err := s.Treatment.MaterialUses(c.Request().Context(), actor(c), m, page(c))
		if err != nil {
			return err
		}
		p.Asked, p.More = true, more(c, all.Next)
		for _, u := range all.Items {
			row := materialUseRow{When: s.day(u.HappenedAt), Component: u.Called, Path: objectPath(u.ObjectNumber), Material: strings.TrimSuffix(u.Material+", "+u.Product, ", "), Batch: u.Batch, Work: string(u.Kind)}
			switch {
			case u.TreatmentID != nil:
				row.WorkPath = treatmentPath(*u.TreatmentID)
			case u.Kind == treatment.Emergency:
				row.WorkPath = "/emergencies/" + u.WorkID.String()
			}
			p.Rows = append(p.Rows, row)
		}
	}
	return s.render(c, http.StatusOK, "treatment/material_uses", p)
}
