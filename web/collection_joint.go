package web

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
)

func jointFields(f collection.JointFacts) []Field {
	tight := ""
	if f.GasTight {
		tight = "true"
	}
	return []Field{
		choice("meets", "How they meet", "", f.Meets, collection.Meetings),
		choice("contact", "Contact", "", f.Contact, collection.Contacts),
		{Kind: "text", Name: "gap_mm", Label: "Gap in millimetres", Help: "Only of a gap.", Value: decimalText(f.GapMM), Max: 10},
		{Kind: "checkbox", Name: "gas_tight", Label: "Closed gas-tight", Value: tight},
		choice("state", "State", "Seized joints are not forced: record it, support it as one piece.", f.State, collection.JointStates),
		{Kind: "textarea", Name: "note", Label: "Note", Value: f.Note, Max: 2000, Rows: 2},
	}
}

func (s *Server) addJointData(c echo.Context) (*describePage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	p := (&describePage{}).of(&w.Object, "Add a joint")
	fields := []Field{
		{Kind: "select", Name: "a_id", Label: "First component", Required: true, Options: componentOptions(&w.Sheet, "choose", nil, nil)},
		{Kind: "select", Name: "b_id", Label: "Second component", Required: true, Options: componentOptions(&w.Sheet, "choose", nil, nil)},
	}
	p.Form = (&Form{Action: objectPath(w.Object.Number) + "/joints", Submit: "Add the joint", Fields: append(fields, jointFields(collection.JointFacts{})...)}).ready(c)
	return p, w, nil
}

// addJointPage serves GET /objects/{number}/add-joint.
func (s *Server) addJointPage(c echo.Context) error {
	p, _, err := s.addJointData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/describe", p)
}

func (s *Server) addJoint(c echo.Context) error {
	var n collection.NewJoint
	_, typed, err := s.decode(c, &n)
	p, w, fault := s.addJointData(c)
	if fault != nil {
		return fault
	}
	if err == nil {
		_, err = s.Collection.AddJoint(c.Request().Context(), actor(c), w.Object.ID, n)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "collection/describe", p)
	}
	return s.done(c, "The joint is on record.", objectPath(w.Object.Number)+"#make-up")
}

func (s *Server) jointData(c echo.Context) (*describePage, *collection.Whole, *collection.Joint, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, nil, err
	}
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, nil, nil, err
	}
	j := w.Joint(id)
	if j == nil {
		return nil, nil, nil, domain.NotFound("There is no such joint of " + w.Object.Number + ".")
	}
	p := (&describePage{}).of(&w.Object, "Joint of ."+w.Component(j.AID).Label+" and ."+w.Component(j.BID).Label)
	p.Lead = w.Called(j.AID) + " meets " + w.Called(j.BID) + "."
	at := objectPath(w.Object.Number) + "/joints/" + id.String()
	p.Form = (&Form{Action: at, Version: j.Version, Submit: "Keep the change", Fields: jointFields(j.Facts())}).ready(c)
	p.GraveHeading = "Recorded by mistake?"
	p.Grave = (&Form{Action: at + "/deletion", Version: j.Version, Grave: true, Submit: "Take the joint back",
		Help: "Only when there never was such a joint. When its parts are apart, its state says so."}).ready(c)
	return p, w, j, nil
}

// jointPage serves GET /objects/{number}/joints/{id}.
func (s *Server) jointPage(c echo.Context) error {
	p, _, _, err := s.jointData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/describe", p)
}

func (s *Server) changeJoint(c echo.Context) error {
	var f collection.JointFacts
	version, typed, err := s.decode(c, &f)
	p, w, j, fault := s.jointData(c)
	if fault != nil {
		return fault
	}
	if err == nil {
		_, err = s.Collection.ChangeJoint(c.Request().Context(), actor(c), j.ID, version, f)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "collection/describe", p)
	}
	return s.done(c, "The joint is kept as you say.", objectPath(w.Object.Number)+"#make-up")
}

func (s *Server) removeJoint(c echo.Context) error {
	version, typed, err := s.decode(c, &struct{}{})
	p, w, j, fault := s.jointData(c)
	if fault != nil {
		return fault
	}
	if err == nil {
		err = s.Collection.RemoveJoint(c.Request().Context(), actor(c), j.ID, version)
	}
	if err != nil {
		return s.answer(c, p.Grave, typed, err, "collection/describe", p)
	}
	return s.done(c, "The joint is taken back. That it was there stays on record.", objectPath(w.Object.Number)+"#make-up")
}

func (s *Server) hazardFields(sheet *collection.Sheet, f collection.HazardFacts, mayJudge, kindStays bool) []Field {
	kinds := []Option{{Label: "choose"}}
	if kindStays {
		kinds = nil
	}
	for _, caution := range s.Material.Cautions() {
		if !kindStays || caution.ID == f.Kind {
			kinds = append(kinds, Option{Value: caution.ID, Label: hazardName(caution.ID) + ": " + caution.Hazard, Chosen: caution.ID == f.Kind})
		}
	}
	certainties, states := collection.Certainties, collection.HazardStates
	if !mayJudge {
		certainties, states = certainties[:len(certainties)-1], states[:len(states)-1] // neither ruled out nor removed
	}
	fields := []Field{
		{Kind: "select", Name: "kind", Label: "Hazard", Required: true, Options: kinds},
		{Kind: "select", Name: "component_id", Label: "On", Options: componentOptions(sheet, "the whole object", f.ComponentID, nil)},
		choice("certainty", "How surely", "Possible is shown as loudly as certain.", f.Certainty, certainties),
		choice("known_by", "Known by", "", f.KnownBy, collection.KnownBys),
		{Kind: "text", Name: "where", Label: "Where exactly", Value: f.Where, Max: 500},
		choice("state", "State", "", f.State, states),
		{Kind: "textarea", Name: "controls", Label: "Controls agreed", Help: "What is done each time, as agreed with the safety adviser.", Value: f.Controls, Max: 4000, Rows: 2},
		{Kind: "textarea", Name: "note", Label: "Note", Value: f.Note, Max: 4000, Rows: 2},
		{Kind: "date", Name: "review_on", Label: "Review on", Value: f.ReviewOn},
	}
	if mayJudge {
		fields = append(fields,
			Field{Kind: "text", Name: "assessed_by", Label: "Assessed by", Help: "The competent person, and by what competent. Needed to rule it out.", Value: f.AssessedBy, Max: 300},
			Field{Kind: "text", Name: "document", Label: "Certificate or report", Help: "As it is filed. Needed when it was removed.", Value: f.Document, Max: 500})
	}
	return fields
}

func (s *Server) addHazardData(c echo.Context) (*describePage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	f := collection.HazardFacts{Kind: c.QueryParam("kind"), Certainty: c.QueryParam("certainty"), State: "intact"}
	for i := range w.Components {
		if w.Components[i].Label == c.QueryParam("component") {
			f.ComponentID = &w.Components[i].ID
		}
	}
	p := (&describePage{}).of(&w.Object, "Record a hazard")
	p.Margin = "Never smell on purpose, never blow dust off, never wet an unknown powder, never open or clean a dial. Look, leave it, tell."
	p.HazardClosing = material.CautionClosing
	p.Form = (&Form{Action: objectPath(w.Object.Number) + "/hazards", Submit: "Record the hazard",
		Fields: s.hazardFields(&w.Sheet, f, actor(c).May(collection.MakeUp) == nil, false)}).ready(c)
	return p, w, nil
}

// addHazardPage serves GET /objects/{number}/add-hazard.
func (s *Server) addHazardPage(c echo.Context) error {
	p, _, err := s.addHazardData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/describe", p)
}

func (s *Server) addHazard(c echo.Context) error {
	var n collection.NewHazard
	_, typed, err := s.decode(c, &n)
	p, w, fault := s.addHazardData(c)
	if fault != nil {
		return fault
	}
	if err == nil {
		_, err = s.Collection.AddHazard(c.Request().Context(), actor(c), w.Object.ID, n)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "collection/describe", p)
	}
	return s.done(c, "The hazard is on record and shown wherever "+w.Object.Number+" is.", objectPath(w.Object.Number))
}

func (s *Server) hazardData(c echo.Context) (*describePage, *collection.Whole, *collection.Hazard, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, nil, err
	}
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, nil, nil, err
	}
	h := w.Hazard(id)
	if h == nil {
		return nil, nil, nil, domain.NotFound("There is no such hazard of " + w.Object.Number + ".")
	}
	p := (&describePage{}).of(&w.Object, "Hazard: "+hazardName(h.Kind))
	caution := s.Collection.Caution(h.Kind)
	p.Lead, p.HazardClosing = caution.Caution, material.CautionClosing
	if caution.Call != "" {
		p.Lead += " Call: " + caution.Call + "."
	}
	p.Margin = "Recorded by " + h.AuthorName + ", " + s.moment(h.At) + ". Judged last by " + h.JudgedByName + ", " + s.moment(h.JudgedAt) +
		". A hazard stays on record; ruling it out needs a competent person and a reason, its removal a certificate."
	p.Form = (&Form{Action: objectPath(w.Object.Number) + "/hazards/" + id.String(), Version: h.Version, Submit: "Keep what is said",
		Fields: s.hazardFields(&w.Sheet, h.Facts(), true, true)}).ready(c)
	return p, w, h, nil
}

// hazardPage serves GET /objects/{number}/hazards/{id}.
func (s *Server) hazardPage(c echo.Context) error {
	p, _, _, err := s.hazardData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "collection/describe", p)
}

func (s *Server) changeHazard(c echo.Context) error {
	var f collection.HazardFacts
	version, typed, err := s.decode(c, &f)
	p, w, h, fault := s.hazardData(c)
	if fault != nil {
		return fault
	}
	if err == nil {
		_, err = s.Collection.ChangeHazard(c.Request().Context(), actor(c), h.ID, version, f)
	}
	if err != nil {
		return s.answer(c, p.Form, typed, err, "collection/describe", p)
	}
	return s.done(c, "It is kept how it stands with "+hazardName(h.Kind)+".", objectPath(w.Object.Number)+"#hazards")
}
