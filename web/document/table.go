package document

const (
	columnGutter  = 10.0
	pictureInCell = 132.0 // points: the greatest height
)

// table puts a table: its caption and head again on every page.
func (l *layout) table(t Table) {
	l.space(4)
	if len(t.Columns) == 0 {
		l.flow(l.t.text(captionOf(t), captionPrint, measure), marginX)
		l.space(12)
		return
	}
	head := l.headRow(t)
	begin := func(caption []box) {
		if len(caption) > 0 {
			l.put(append(caption, gap(4)), marginX)
		}
		l.part(head, head.height(), true)
	}
	l.need(l.tableLead(t))
	repeat := func() {
		var again []box
		if p := captionOf(t); len(p) > 0 {
			again = withoutGaps(l.again(p, captionPrint, measure))
		}
		begin(again)
	}
	caption := l.t.text(captionOf(t), captionPrint, measure)
	if heightOf(caption)+head.height() > textHeight/3 { // far too long to be repeated
		l.flow(caption, marginX)
		l.row(head, nil)
		repeat = nil
	} else {
		begin(caption)
	}
	for i, cells := range t.Rows {
		l.row(l.tableRow(t, cells, i == len(t.Rows)-1), repeat)
	}
	l.space(14)
}

func captionOf(t Table) Paragraph {
	if oneLine(t.Caption) == "" {
		return nil
	}
	return Strong(oneLine(t.Caption))
}

// tableLead is the height of caption, head and the first row, or the beginning of a tall one.
func (l *layout) tableLead(t Table) float64 {
	h := 4 + heightOf(l.t.text(captionOf(t), captionPrint, measure))
	if len(t.Columns) == 0 {
		return h
	}
	h += 4 + l.headRow(t).height()
	if len(t.Rows) > 0 {
		h += min(l.tableRow(t, t.Rows[0], false).height(), whole)
	}
	return h
}

func (l *layout) headRow(t Table) row {
	r := l.cells(t, func(i int, width float64) []box {
		pr := headPrint
		pr.align = t.Columns[i].Align
		return l.t.text(Strong(oneLine(t.Columns[i].Title)), pr, width)
	})
	r.above, r.below = 4, 4
	if h := r.height() - r.above - r.below; h < whole {
		for i, c := range r.cells { // short heads stand at the foot of the row
			r.cells[i].boxes = append([]box{gap(h - heightOf(c.boxes))}, c.boxes...)
		}
	}
	r.finish = func(p *page, top, bottom float64, _ bool) {
		p.rule(marginX, top, marginX+measure, top, 0.8, black)
		p.rule(marginX, bottom, marginX+measure, bottom, 0.5, black)
	}
	return r
}

func (l *layout) tableRow(t Table, cells []Cell, last bool) row {
	r := l.cells(t, func(i int, width float64) []box {
		c := cell(cells, i)
		pr := tablePrint
		pr.align = t.Columns[i].Align
		var boxes []box
		if c.Picture != nil {
			boxes = append(boxes, gap(1.5))
			boxes = append(boxes, l.picture(*c.Picture, width, pictureInCell, pr)...)
			boxes = append(boxes, gap(4))
		}
		for j, p := range c.Paragraphs {
			if j > 0 {
				boxes = append(boxes, gap(2.5))
			}
			boxes = append(boxes, l.t.text(c.styled(p), pr, width)...)
		}
		return boxes
	})
	r.above, r.below = 4, 5
	for i, c := range cells[:min(len(cells), len(r.cells))] { // a row that goes on says which it is
		if len(c.Paragraphs) == 0 || len(c.Paragraphs[0]) == 0 {
			continue
		}
		r.cells[i].again = l.again(c.styled(c.Paragraphs[0]), tablePrint, r.cells[i].width)
		break
	}
	if r.height() < r.above+r.below+tablePrint.leading {
		r.below += tablePrint.leading
	}
	r.finish = func(p *page, _, bottom float64, ended bool) {
		switch {
		case !ended: // an open end says that the row goes on
		case last:
			p.rule(marginX, bottom, marginX+measure, bottom, 0.8, black)
		default:
			p.rule(marginX, bottom, marginX+measure, bottom, 0.4, pale)
		}
	}
	return r
}

// cells sets one row under the table's columns.
func (l *layout) cells(t Table, content func(i int, width float64) []box) row {
	var r row
	x := marginX
	shares := t.shares()
	for i, share := range shares {
		width := share * measure
		inner := width - columnGutter
		if i == len(shares)-1 {
			inner = width
		}
		r.cells = append(r.cells, column{x: x, width: max(inner, 8), boxes: content(i, max(inner, 8))})
		x += width
	}
	return r
}
