package document

import "strconv"

// row is content side by side: a row of a table, a label and its value, a mark and its text.
type row struct {
	cells  []column
	above  float64 // white space within the row
	below  float64
	finish func(p *page, top, bottom float64, ended bool) // draws lines around the part on this page
}

// column is one cell of a row.
type column struct {
	x     float64
	width float64 // of a table's column
	boxes []box
	again []box // stands at the head of every further part
}

func (r row) height() float64 {
	h := 0.0
	for _, c := range r.cells {
		h = max(h, heightOf(c.boxes))
	}
	return r.above + h + r.below
}

// Rows of up to this height are moved to the next page rather than divided.
const whole = textHeight * 0.22

// Less than this is not worth beginning a row in that will be divided.
const leastPart = 4 * 11.4

// row puts a row, divided over pages where it does not fit. head, when there is one, is called at
// the top of every new page.
func (l *layout) row(r row, head func()) {
	newPage := func() {
		l.newPage()
		if head != nil {
			head()
			l.fresh = true
		}
	}
	for {
		height := r.height()
		if height <= l.left() {
			l.part(r, height, true)
			return
		}
		if !l.fresh && (height <= whole || l.left() < r.above+r.below+leastPart) {
			newPage()
			continue
		}
		now, later := r.divide(l.left()-r.above-r.below, l.fresh)
		if now == nil {
			newPage()
			continue
		}
		l.part(*now, now.height(), later == nil)
		if later == nil {
			return
		}
		r = *later
		newPage()
	}
}

func (l *layout) part(r row, height float64, ended bool) {
	for _, c := range r.cells {
		drawBoxes(l.page(), c.boxes, c.x, l.y+r.above)
	}
	if r.finish != nil {
		r.finish(l.page(), l.y, l.y+height, ended)
	}
	l.y += height
	l.fresh = false
}

// divide takes what fits in room. With force it takes at least one box of every cell, so that it
// always comes to an end; without, now is nil when nothing fits.
func (r row) divide(room float64, force bool) (now, later *row) {
	taken, left := false, false
	a, b := r, r
	a.cells, b.cells = make([]column, len(r.cells)), make([]column, len(r.cells))
	for i, c := range r.cells {
		if force {
			c.boxes = withoutGaps(c.boxes)
		}
		n := fits(c.boxes, room, force)
		rest := withoutGaps(c.boxes[n:])
		taken = taken || n > 0
		left = left || len(rest) > 0
		a.cells[i] = column{x: c.x, width: c.width, boxes: c.boxes[:n], again: c.again}
		b.cells[i] = column{x: c.x, width: c.width, boxes: rest, again: c.again}
	}
	switch {
	case !taken:
		return nil, &r
	case !left:
		return &a, nil
	}
	for i, c := range b.cells {
		if len(c.again) > 0 {
			b.cells[i].boxes = append(append([]box{}, c.again...), c.boxes...)
		}
	}
	return &a, &b
}

// again names what goes on, for the head of a further part; a name of many lines is not repeated.
func (l *layout) again(name Paragraph, pr look, width float64) []box {
	name = append(append(Paragraph{}, name...), Run{Text: ", " + wordContinued, Italic: true})
	boxes := l.t.text(name, pr, width)
	if len(boxes) > 3 {
		return nil
	}
	return append(boxes, gap(2.5))
}

const labelWidth = measure * 0.30

func (l *layout) factRows(facts Facts) []row {
	const gutter = 12
	var out []row
	for _, f := range facts {
		value := clean(f.Value)
		if oneLine(value) == "" {
			value = dash
		}
		out = append(out, row{
			cells: []column{
				{x: marginX, boxes: l.t.text(Text(oneLine(f.Label)), labelPrint, labelWidth-gutter)},
				{x: marginX + labelWidth, boxes: l.t.text(Text(value), bodyPrint, measure-labelWidth)},
			},
			below: 1.5,
		})
	}
	return out
}

func (l *layout) listRows(list List) []row {
	const indent = 18
	var out []row
	for i, item := range list.Items {
		mark, wide := "•", 0.0
		if list.Numbered {
			mark = strconv.Itoa(i+1) + "."
			wide = 6 * float64(max(len(mark)-3, 0))
		}
		out = append(out, row{
			cells: []column{
				{x: marginX + 2, boxes: l.t.text(Text(mark), bodyPrint, 60)},
				{x: marginX + indent + wide, boxes: l.t.text(item, bodyPrint, measure-indent-wide)},
			},
			below: 2.5,
		})
	}
	return out
}

// cautionRow is a bordered box. The triangle stands at the head of every part of it.
func (l *layout) cautionRow(c Caution) row {
	const indent, pad = 46.0, 11.0
	width := measure - indent - pad
	pr := cautionPrint
	pr.ink = madder
	boxes := l.t.text(Strong(c.word()), pr, width)
	for _, p := range c.Paragraphs {
		boxes = append(append(boxes, gap(2.5)), l.t.text(p, cautionPrint, width)...)
	}
	return row{
		cells: []column{{
			x: marginX + indent, boxes: boxes,
			again: l.again(Strong(c.word()), pr, width),
		}},
		above: pad - 2, below: pad - 1,
		finish: func(p *page, top, bottom float64, _ bool) {
			p.frame(marginX, top, marginX+measure, max(bottom, top+38), 1, madder)
			l.warn(p, marginX+13, top+9)
		},
	}
}

// warn draws a triangle that stands on its base, with an exclamation mark.
func (l *layout) warn(p *page, x, y float64) {
	const side, high = 22.0, 19.5
	p.shapes = append(p.shapes, shapeMark{[][2]float64{{x, y + high}, {x + side/2, y}, {x + side, y + high}}, 1.5, madder})
	f := face{family: sans, bold: true}
	const size = 12.5
	p.line(line{pieces: []piece{{face: f, text: "!"}}}, x+side/2-l.t.width(f, size, "!")/2, y+high-3.4, size, madder)
}

const (
	placePart = 0.55 // of a signature's width
	datePart  = 0.39
)

// signatureRows sets two blocks a row. What belongs together stands on one height: the lines for
// the pen, the places and dates.
func (l *layout) signatureRows(all Signatures) []row {
	const gutter = 30.0
	width := (measure - gutter) / 2
	var out []row
	for i := 0; i < len(all); i += 2 {
		var r row
		var sections [][3][]box
		for j := i; j < min(i+2, len(all)); j++ {
			sections = append(sections, l.signature(all[j], width))
		}
		for j, s := range sections {
			other := sections[len(sections)-1-j]
			level := func(k int) box { return gap(max(heightOf(other[k])-heightOf(s[k]), 0)) }
			boxes := append(append(s[0], level(0), gap(26), level(1)), s[1]...)
			boxes = append(append(boxes, gap(20), level(2)), s[2]...)
			r.cells = append(r.cells, column{x: marginX + float64(j)*(width+gutter), boxes: boxes})
		}
		out = append(out, r)
	}
	return out
}

// signature is a block in three sections: role and name, the signature, place and date.
func (l *layout) signature(s Signature, width float64) [3][]box {
	who := l.t.text(Strong(oneLine(s.Role)), captionPrint, width)
	who = append(who, l.t.text(Text(s.Name), bodyPrint, width)...)
	place, date := l.onLine(s.Place, wordPlace, width*placePart), l.onLine(s.Date, wordDate, width*datePart)
	high := max(heightOf(place), heightOf(date))
	if high > 80 { // too much to stand side by side
		return [3][]box{who, l.onLine(s.Sign, wordSignature, width),
			append(append(l.onLine(s.Place, wordPlace, width), gap(12)), l.onLine(s.Date, wordDate, width)...)}
	}
	where := box{height: high, draw: func(p *page, x, top float64) {
		drawBoxes(p, place, x, top+high-heightOf(place))
		drawBoxes(p, date, x+width*(1-datePart), top+high-heightOf(date))
	}}
	return [3][]box{who, l.onLine(s.Sign, wordSignature, width), {where}}
}

// onLine is filled-in text above a line for the pen, with a word under it that says what belongs
// there.
func (l *layout) onLine(filled, word string, width float64) []box {
	var boxes []box
	if filled = oneLine(filled); filled == "" {
		boxes = []box{gap(tablePrint.leading)} // the pen needs the room that print would take
	} else {
		boxes = l.t.text(Text(filled), tablePrint, width)
	}
	return append(boxes,
		box{height: 2, draw: func(p *page, x, top float64) { p.rule(x, top+1, x+width, top+1, 0.5, black) }},
		l.t.text(Text(word), smallPrint, width)[0])
}
