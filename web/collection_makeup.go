package web

import (
	"html/template"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
)

type makeUpData struct {
	Drawing   template.HTML
	Parts     []*partNode
	Count     string
	Joints    []jointRow
	History   []historyRow
	AddPath   string // empty: who may not
	JointPath string
}

// partNode is a component with its parts, from the wearer outwards.
type partNode struct {
	Label, Name, Path string
	Facts             string // side, count, function, layer, how it is joined
	Marks             []Mark // what must not be overlooked: never taken off
	Attribution       string
	Removal           string
	Materials         []materialLine
	Parts             []*partNode
}

type materialLine struct {
	Role, Name, Path string
	Mark             Mark // unidentified
	Known            string
}

type jointRow struct {
	Path, A, B, Meets, Contact string
	Mark                       Mark
	Note                       string
}

// historyRow is what was said before and no longer holds (C3), and what holds, with who said it.
type historyRow struct{ At, Component, Said, Evidence, Author string }

// makeUpSection is the object from the inside outwards, and what was said of it before.
func (s *Server) makeUpSection(c echo.Context, w *collection.Whole) (section, error) {
	at := objectPath(w.Object.Number)
	d := makeUpData{Count: count(len(w.Components), "component")}
	if actor(c).May(collection.MakeUp) == nil {
		d.AddPath = at + "/add-component"
		if len(w.Components) > 1 {
			d.JointPath = at + "/add-joint"
		}
	}
	nodes := map[domain.ID]*partNode{}
	for _, part := range collection.FromInside(w.Components) {
		node := s.partNode(w, &part)
		nodes[part.ID] = node
		if part.ParentID != nil && nodes[*part.ParentID] != nil {
			above := nodes[*part.ParentID]
			above.Parts = append(above.Parts, node)
		} else {
			d.Parts = append(d.Parts, node)
		}
	}
	for _, j := range w.Joints {
		row := jointRow{A: shortName(w, j.AID), B: shortName(w, j.BID), Meets: plain(j.Meets), Contact: contactWords(&j), Mark: jointMark(j.State), Note: j.Note}
		if d.AddPath != "" {
			row.Path = at + "/joints/" + j.ID.String()
		}
		d.Joints = append(d.Joints, row)
	}
	findings, err := findingsOf(c)
	if err != nil {
		return section{}, err
	}
	d.Drawing = makeUpDrawing(drawnParts(w), s.drawnJoints(w, d.AddPath != ""), drawnHarms(findings.Findings))
	for _, t := range w.Attributions {
		d.History = append(d.History, historyRow{At: s.moment(t.At), Component: shortName(w, t.ComponentID), Said: plain(string(t.Attribution)), Evidence: t.Evidence, Author: t.AuthorName})
	}
	for _, m := range w.Superseded {
		d.History = append(d.History, historyRow{At: s.moment(m.At), Component: shortName(w, m.ComponentID), Author: m.AuthorName, Evidence: m.Evidence,
			Said: m.Role + ": " + m.MaterialName + ", " + m.Confidence + ", by " + m.IdentifiedBy + "; superseded " + s.day(*m.SupersededAt)})
	}
	return section{ID: "make-up", Heading: "Make-up, from the inside outwards", Template: "collection/_make_up", Data: d}, nil
}

// drawnParts are the components as they are drawn.
func drawnParts(w *collection.Whole) []drawnPart {
	var parts []drawnPart
	for _, part := range collection.FromInside(w.Components) {
		d := drawnPart{ID: part.ID, Layer: part.LayerOrder, Name: shortName(w, part.ID), Path: componentPath(w.Object.Number, part.Label)}
		if part.Side != "none" {
			d.Name += ", " + part.Side
		}
		var of []string
		for _, m := range w.MaterialsOf(part.ID) {
			of = append(of, m.MaterialName)
		}
		if d.Of = strings.Join(of, ", "); d.Of == "" {
			d.Of = "no material said"
		}
		parts = append(parts, d)
	}
	return parts
}

// drawnJoints are the joints as they are drawn. For who may not change them they lead to the list.
func (s *Server) drawnJoints(w *collection.Whole, mayChange bool) []drawnJoint {
	joints := make([]drawnJoint, len(w.Joints))
	for i, j := range w.Joints {
		joints[i] = drawnJoint{A: j.AID, B: j.BID, State: j.State, Path: "#joints",
			Told: shortName(w, j.AID) + " and " + shortName(w, j.BID) + ": " + plain(j.Meets) + ", " + contactWords(&j) + ", " + plain(j.State)}
		if mayChange {
			joints[i].Path = objectPath(w.Object.Number) + "/joints/" + j.ID.String()
		}
	}
	return joints
}

func (s *Server) partNode(w *collection.Whole, part *collection.Component) *partNode {
	node := &partNode{Label: "." + part.Label, Name: part.Name, Path: componentPath(w.Object.Number, part.Label), Attribution: plain(string(part.Attribution))}
	facts := []string{plain(part.Function), "layer " + countWord(part.LayerOrder)}
	if part.Side != "none" {
		facts = append([]string{part.Side}, facts...)
	}
	if part.Count > 1 {
		facts = append(facts, countWord(part.Count)+" of them")
	}
	if part.JoinedHow != "" {
		facts = append(facts, part.JoinedHow)
	}
	if d := dimensionWords(part.Dimensions); d != "" {
		facts = append(facts, d)
	}
	if part.MassKG != nil {
		facts = append(facts, part.MassKG.String()+" kg")
	}
	if part.CameFromID != nil {
		facts = append(facts, "came from "+shortName(w, *part.CameFromID))
	}
	node.Facts = strings.Join(facts, " · ")
	switch part.Removal {
	case collection.Never:
		node.Marks = append(node.Marks, warnMark("never taken off"))
		node.Removal = part.RemovalReason
	case collection.ByTwoPeople:
		node.Removal = "taken off by two people"
	default:
		node.Removal = "taken off freely"
	}
	for _, m := range w.MaterialsOf(part.ID) {
		node.Materials = append(node.Materials, lineOfMaterial(&m))
	}
	if len(node.Materials) == 0 {
		node.Marks = append(node.Marks, warnMark("no material said"))
	}
	return node
}

// shortName is a component as the pages of its own object name it: ".3b cuff".
func shortName(w *collection.Whole, id domain.ID) string {
	part := w.Component(id)
	if part == nil {
		return "a component of another object"
	}
	return "." + part.Label + " " + part.Name
}

func lineOfMaterial(m *collection.ComponentMaterial) materialLine {
	l := materialLine{Role: m.Role, Name: m.MaterialName, Known: m.Confidence + ", by " + m.IdentifiedBy}
	if m.MaterialKey == nil {
		l.Name, l.Mark = "", warnMark("unidentified") // M2: not harmless
	} else {
		l.Path = "/materials/" + *m.MaterialKey
	}
	if m.SharePercent != nil {
		l.Known = m.SharePercent.String() + " %, " + l.Known
	}
	if m.ThicknessMM != nil {
		l.Known = m.ThicknessMM.String() + " mm, " + l.Known
	}
	return l
}

func contactWords(j *collection.Joint) string {
	words := map[string]string{"direct": "direct contact", "barrier": "a barrier between"}[j.Contact]
	if j.GapMM != nil {
		words = "a gap of " + j.GapMM.String() + " mm"
	}
	if j.GasTight {
		words += ", closed gas-tight"
	}
	return words
}

func jointMark(state string) Mark {
	switch state {
	case "engaged":
		return doneMark("engaged")
	case "held_open":
		return waitMark("held open")
	}
	return warnMark(plain(state))
}

// componentPath is the address of a component's page.
func componentPath(number, label string) string {
	return objectPath(number) + "/components/" + label // a label holds letters, digits and full stops only
}
