package web

import (
	"cmp"
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"

	"farthingale/domain"
	"farthingale/domain/material"
)

// The drawing of a make-up is a list of boxes, one below the other, from the wearer outwards. Joints run in
// lanes on their left, what harms what in lanes on their right. It is drawn for the narrowest screen and
// grows with its column, so its letters never become smaller than there.

// drawnPart is a component as it is drawn. Layer counts outwards from the wearer.
type drawnPart struct {
	ID             domain.ID
	Layer          int
	Name, Of, Path string // ".3b cuff"; what it is made of
}

// drawnJoint is a joint between two of the parts.
type drawnJoint struct {
	A, B        domain.ID
	State, Told string // engaged, held_open, seized, missing; the joint in words
	Path        string
}

// drawnHarm is all that one part does. What it does to people, to itself, or in another object has no arrow.
type drawnHarm struct {
	From     domain.ID
	To       []domain.ID
	Severity material.Severity
	Words    string // what, and to what
	Path     string
}

// The units of the drawing.
const (
	drawnWidth      = 360.0
	drawnRow        = 38.0  // a box with the space below it
	drawnBox        = 32.0  // its height
	drawnHead       = 22.0  // the heading of a layer
	drawnLine       = 15.0  // a line of the words below
	drawnJointLanes = 64.0  // all lanes of joints at most
	drawnHarmLanes  = 96.0  // all lanes of harms at most
	drawnBig        = 13.0  // letters of names, which are bold
	drawnBold       = 1.12  // how much wider those are
	drawnSmall      = 11.5  // all other letters
	drawnArrows     = 12    // harms with arrows; the rest is in the list of findings
	drawnGlyph      = 4.0   // half the size of a joint's sign
	drawnPad        = 6.0   // inside a box
	drawnInterval   = 2.0   // between what must not touch
	drawnWorks      = 340.0 // the width of the words below
)

// span is the part of a lane that something takes up.
type span struct{ from, until float64 }

// lanes gives each span a lane, the short ones the first, so that none in a lane meet.
func lanes(spans []span) (lane []int, count int) {
	order := make([]int, len(spans))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(spans[a].until-spans[a].from, spans[b].until-spans[b].from)
	})
	lane = make([]int, len(spans))
	var taken [][]span
	for _, i := range order {
		free := slices.IndexFunc(taken, func(in []span) bool {
			return !slices.ContainsFunc(in, func(s span) bool {
				return spans[i].from < s.until+drawnInterval && s.from < spans[i].until+drawnInterval
			})
		})
		if free < 0 {
			free = len(taken)
			taken = append(taken, nil)
		}
		taken[free], lane[i] = append(taken[free], spans[i]), free
	}
	return lane, len(taken)
}

// makeUpPlan is where everything stands.
type makeUpPlan struct {
	heads        []planHead
	rows         map[domain.ID]float64 // the upper edge of each box
	order        []drawnPart
	left, right  float64 // of the boxes
	height       float64 // of boxes and headings
	joints       []planJoint
	harms        []planHarm
	jointApart   float64
	harmApart    float64
	words        []planWords
	furtherHarms int
	total        float64
}

type planHead struct {
	y    float64
	text string
}

type planJoint struct {
	drawnJoint
	x, ya, yb, sign float64
}

type planHarm struct {
	drawnHarm
	number int
	x, y   float64
	to     []float64
}

type planWords struct {
	y     float64
	lines []string
	harm  *planHarm // nil: a line of the legend
	state string
}

// planMakeUp computes the drawing.
func planMakeUp(parts []drawnPart, joints []drawnJoint, harms []drawnHarm) *makeUpPlan {
	p := &makeUpPlan{rows: map[domain.ID]float64{}, order: slices.Clone(parts)}
	slices.SortStableFunc(p.order, func(a, b drawnPart) int { return cmp.Compare(a.Layer, b.Layer) })
	y := 0.0
	for i, part := range p.order {
		if i == 0 || p.order[i-1].Layer != part.Layer {
			text := "Layer " + strconv.Itoa(part.Layer)
			if i == 0 {
				text += ", towards the wearer"
			}
			p.heads = append(p.heads, planHead{y + drawnHead - 7, text})
			y += drawnHead
		}
		p.rows[part.ID] = y
		y += drawnRow
	}
	p.heads = append(p.heads, planHead{y + 10, "Outside"})
	p.height = y + 16

	for _, j := range joints {
		_, a := p.rows[j.A]
		_, b := p.rows[j.B]
		if a && b && j.A != j.B {
			p.joints = append(p.joints, planJoint{drawnJoint: j})
		}
	}
	for _, h := range harms {
		if _, drawn := p.rows[h.From]; drawn && len(p.harms) < drawnArrows {
			p.harms = append(p.harms, planHarm{drawnHarm: h, number: len(p.harms) + 1})
		} else {
			p.furtherHarms++
		}
	}
	p.ends()
	p.left, p.right = p.place()
	p.write()
	return p
}

// ends spreads the ends of joints and harms over the heights of their boxes. What a part does leaves it in
// the middle, so what is done to it comes in above and below.
func (p *makeUpPlan) ends() {
	type end struct {
		other float64 // the height of the box at the other end
		y     *float64
	}
	spread := func(ends map[domain.ID][]end, middle func(domain.ID) bool) {
		for id, at := range ends {
			slices.SortStableFunc(at, func(a, b end) int { return cmp.Compare(a.other, b.other) })
			for i, e := range at {
				share := (float64(i) + 0.5) / float64(len(at))
				switch {
				case middle(id) && share < 0.5:
					share *= 0.68
				case middle(id):
					share = 1 - (1-share)*0.68
				}
				*e.y = p.rows[id] + drawnBox*share
			}
		}
	}
	joints := map[domain.ID][]end{}
	for i := range p.joints {
		j := &p.joints[i]
		joints[j.A] = append(joints[j.A], end{p.rows[j.B], &j.ya})
		joints[j.B] = append(joints[j.B], end{p.rows[j.A], &j.yb})
	}
	spread(joints, func(domain.ID) bool { return false })
	harms := map[domain.ID][]end{}
	for i := range p.harms {
		h := &p.harms[i]
		var to []domain.ID
		for _, id := range h.To {
			if _, drawn := p.rows[id]; drawn && id != h.From {
				to = append(to, id)
			}
		}
		h.to = make([]float64, len(to))
		h.y = p.rows[h.From] + drawnBox/2
		for k, id := range to {
			harms[id] = append(harms[id], end{p.rows[h.From], &h.to[k]})
		}
	}
	spread(harms, func(id domain.ID) bool {
		return slices.ContainsFunc(p.harms, func(h planHarm) bool { return h.From == id })
	})
}

// place gives joints and harms their lanes, and says where the boxes begin and end.
func (p *makeUpPlan) place() (left, right float64) {
	spans := make([]span, len(p.joints))
	for i, j := range p.joints {
		spans[i] = span{min(j.ya, j.yb), max(j.ya, j.yb)}
		if spans[i].until-spans[i].from < 2*drawnGlyph { // the sign needs its room
			middle := (j.ya + j.yb) / 2
			spans[i] = span{middle - drawnGlyph, middle + drawnGlyph}
		}
	}
	lane, count := lanes(spans)
	p.jointApart = min(11, drawnJointLanes/float64(max(count, 1)))
	left = 2
	if count > 0 {
		left = float64(count)*p.jointApart + 10
	}
	for i := range p.joints {
		j := &p.joints[i]
		j.x = left - 8 - float64(lane[i])*p.jointApart
		j.sign = (j.ya + j.yb) / 2
	}

	spans = make([]span, len(p.harms))
	for i, h := range p.harms {
		spans[i] = span{h.y - 7, h.y + 7} // the number
		for _, y := range h.to {
			spans[i].from, spans[i].until = min(spans[i].from, y), max(spans[i].until, y)
		}
	}
	lane, count = lanes(spans)
	p.harmApart = min(16, drawnHarmLanes/float64(max(count, 1)))
	right = drawnWidth - 2
	if count > 0 {
		right = drawnWidth - float64(count)*p.harmApart - 12
	}
	for i := range p.harms {
		h := &p.harms[i]
		h.x = right + 14 + float64(lane[i])*p.harmApart
	}
	return left, right
}

// write sets the words below the boxes.
func (p *makeUpPlan) write() {
	y := p.height + 8
	add := func(w planWords) {
		w.y = y + drawnLine
		y += float64(len(w.lines)) * drawnLine
		if w.harm != nil {
			y += 5 // apart, for a finger
		}
		p.words = append(p.words, w)
	}
	for i := range p.harms {
		h := &p.harms[i]
		add(planWords{harm: h, lines: wrap(capital(h.Severity.Words())+": "+h.Words, drawnWorks-22, drawnSmall)})
	}
	if p.furtherHarms > 0 {
		add(planWords{lines: []string{count(p.furtherHarms, "further source") + " in the list of findings"}})
	}
	if len(p.joints) > 0 {
		y += 6
		add(planWords{lines: []string{"Joints on the left:"}})
		for _, state := range []string{"engaged", "held_open", "seized", "missing"} {
			if slices.ContainsFunc(p.joints, func(j planJoint) bool { return j.State == state }) {
				add(planWords{state: state, lines: []string{plain(state)}})
			}
		}
	}
	p.total = y + 8
}

// makeUpDrawing draws a make-up. Every shape leads to what it stands for, and everything in it stands as text
// elsewhere on the page.
func makeUpDrawing(parts []drawnPart, joints []drawnJoint, harms []drawnHarm) template.HTML {
	if len(parts) == 0 {
		return ""
	}
	p := planMakeUp(parts, joints, harms)
	d := &drawing{}
	d.add(`<svg class="make-up" viewBox="0 0 %d %s" role="group" aria-labelledby="make-up-title make-up-desc" xmlns="http://www.w3.org/2000/svg">`, int(drawnWidth), place(p.total))
	d.add(`<title id="make-up-title">The make-up, from the wearer outwards</title><desc id="make-up-desc">%s; the list below says the same in words.</desc>`,
		strings.Join([]string{count(len(p.order), "component"), count(len(p.joints), "joint"), count(len(p.harms), "source of harm")}, ", "))
	for _, h := range p.heads {
		d.add(`<text class="layer" x="%s" y="%s">%s</text>`, place(p.left), place(h.y), h.text)
	}
	for i := range p.joints {
		p.drawJoint(d, &p.joints[i])
	}
	for i := range p.harms {
		p.drawHarm(d, &p.harms[i])
	}
	for _, part := range p.order {
		p.drawPart(d, &part)
	}
	for i := range p.words {
		p.drawWords(d, &p.words[i])
	}
	return d.done()
}

func (p *makeUpPlan) drawPart(d *drawing, part *drawnPart) {
	y, room := p.rows[part.ID], p.right-p.left-2*drawnPad
	whole := part.Name
	if part.Of != "" {
		whole += ": " + part.Of
	}
	d.add(`<a href="%s"><title>%s</title><rect class="part" x="%s" y="%s" width="%s" height="%s" rx="2"/>`, template.HTMLEscapeString(part.Path), template.HTMLEscapeString(whole),
		place(p.left), place(y), place(p.right-p.left), place(drawnBox))
	d.add(`<text class="name" x="%s" y="%s">%s</text>`, place(p.left+drawnPad), place(y+14), template.HTMLEscapeString(fitted(part.Name, room, drawnBig*drawnBold)))
	if part.Of != "" {
		d.add(`<text x="%s" y="%s">%s</text>`, place(p.left+drawnPad), place(y+27), template.HTMLEscapeString(fitted(part.Of, room, drawnSmall)))
	}
	d.add(`</a>`)
}

func (p *makeUpPlan) drawJoint(d *drawing, j *planJoint) {
	d.add(`<a href="%s"><title>%s</title>`, template.HTMLEscapeString(j.Path), template.HTMLEscapeString(j.Told))
	line := fmt.Sprintf("M%s %sH%sV%sH%s", place(p.left), place(j.ya), place(j.x), place(j.yb), place(p.left))
	d.add(`<path class="reach" d="%s"/><path class="joint %s" d="%s"/>`, line, j.State, line)
	jointSign(d, j.State, j.x, j.sign)
	d.add(`</a>`)
}

// jointSign is the sign of a joint's state, so that it does not hang on the line alone.
func jointSign(d *drawing, state string, x, y float64) {
	const r = drawnGlyph
	switch state {
	case "held_open":
		d.add(`<circle class="sign" cx="%s" cy="%s" r="%s"/>`, place(x), place(y), place(r-0.5))
	case "seized":
		d.add(`<rect class="sign full" x="%s" y="%s" width="%s" height="%s"/>`, place(x-r), place(y-r), place(2*r), place(2*r))
	case "missing":
		d.add(`<path class="sign" d="M%s %sL%s %sM%s %sL%s %s"/>`, place(x-r), place(y-r), place(x+r), place(y+r), place(x-r), place(y+r), place(x+r), place(y-r))
	default:
		d.add(`<circle class="sign full" cx="%s" cy="%s" r="%s"/>`, place(x), place(y), place(r-0.5))
	}
}

// harmClass is how a severity is drawn.
func harmClass(s material.Severity) string {
	switch {
	case s >= material.ActNow:
		return "now"
	case s == material.ActNext:
		return "next"
	}
	return "watch"
}

func (p *makeUpPlan) drawHarm(d *drawing, h *planHarm) {
	d.add(`<a href="%s"><title>%s</title>`, template.HTMLEscapeString(h.Path), template.HTMLEscapeString(capital(h.Severity.Words())+": "+h.Words))
	line := fmt.Sprintf("M%s %sH%s", place(p.right), place(h.y), place(h.x))
	for _, y := range h.to {
		line += fmt.Sprintf("M%s %sV%sH%s", place(h.x), place(h.y), place(y), place(p.right+1))
	}
	d.add(`<path class="reach" d="%s"/><path class="harm %s" d="%s"/>`, line, harmClass(h.Severity), line)
	for _, y := range h.to {
		d.add(`<path class="head %s" d="M%s %sl6 -3.5v7z"/>`, harmClass(h.Severity), place(p.right), place(y))
	}
	harmSign(d, h, h.x, h.y)
	d.add(`</a>`)
}

// harmSign is the number of a harm in the shape of its severity.
func harmSign(d *drawing, h *planHarm, x, y float64) {
	class := harmClass(h.Severity)
	switch class {
	case "now":
		d.add(`<path class="badge now" d="M%s %sl8 14h-16z"/>`, place(x), place(y-8.5))
	case "next":
		d.add(`<path class="badge next" d="M%s %sl7.5 7.5l-7.5 7.5l-7.5 -7.5z"/>`, place(x), place(y-7.5))
	default:
		d.add(`<circle class="badge watch" cx="%s" cy="%s" r="6.5"/>`, place(x), place(y))
	}
	down := 3.2
	if class == "now" {
		down = 4.4
	}
	d.add(`<text class="number %s" x="%s" y="%s" text-anchor="middle">%d</text>`, class, place(x), place(y+down), h.number)
}

func (p *makeUpPlan) drawWords(d *drawing, w *planWords) {
	x := 2.0
	switch {
	case w.harm != nil:
		x = 22
		d.add(`<a href="%s">`, template.HTMLEscapeString(w.harm.Path))
		harmSign(d, w.harm, 10, w.y-3.5)
	case w.state != "":
		x = 22
		d.add(`<path class="joint %s" d="M2 %sH18"/>`, w.state, place(w.y-3.5))
		jointSign(d, w.state, 10, w.y-3.5)
	}
	for i, line := range w.lines {
		class := "told"
		if w.harm == nil {
			class = "legend"
		}
		d.add(`<text class="%s" x="%s" y="%s">%s</text>`, class, place(x), place(w.y+float64(i)*drawnLine), template.HTMLEscapeString(line))
	}
	if w.harm != nil {
		d.add(`</a>`)
	}
}

// widthOf is about how wide a text is in letters of a size, rather more than less: the letters on the
// reader's screen are not known here.
func widthOf(text string, size float64) float64 {
	ems := 0.0
	for _, r := range text {
		ems += emsOf(r)
	}
	return ems * size
}

func emsOf(r rune) float64 {
	switch {
	case strings.ContainsRune("iljtfr.,:;'|! ()[]I", r):
		return 0.41
	case strings.ContainsRune("mwMW%@", r):
		return 1
	case r >= 'A' && r <= 'Z':
		return 0.77
	case r < 0x500:
		return 0.64
	}
	return 1.05
}

// fitted cuts a text to a width.
func fitted(text string, width, size float64) string {
	if widthOf(text, size) <= width {
		return text
	}
	room := width/size - emsOf('…')
	for i, r := range text {
		if room -= emsOf(r); room < 0 {
			return strings.TrimRight(text[:i], " ,;(") + "…"
		}
	}
	return text
}

// wrap breaks a text into lines of a width.
func wrap(text string, width, size float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && widthOf(line+" "+word, size) > width {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += fitted(word, width, size)
	}
	return append(lines, line)
}
