package document

import "strconv"

// layout puts a document's blocks on pages.
type layout struct {
	t      typefaces
	plates plates
	pages  []*page
	y      float64
	fresh  bool // nothing stands on the page yet but what is repeated on every page
}

// lay is the whole document on pages.
func lay(d Document, t typefaces) *layout {
	l := &layout{t: t}
	l.newPage()
	l.titles(d)
	for i, b := range d.Blocks {
		l.block(b, d.Blocks[i+1:])
	}
	l.frame(d)
	return l
}

func (l *layout) page() *page { return l.pages[len(l.pages)-1] }

func (l *layout) newPage() {
	l.pages = append(l.pages, &page{})
	l.y, l.fresh = textTop, true
}

func (l *layout) left() float64 { return textBottom - l.y }

// space leaves white space, but not at the head of a page.
func (l *layout) space(height float64) {
	if !l.fresh {
		l.y += height
	}
}

// need begins a new page when less than height is left on this one.
func (l *layout) need(height float64) {
	if !l.fresh && l.left() < min(height, textHeight) {
		l.newPage()
	}
}

func (l *layout) put(boxes []box, x float64) {
	drawBoxes(l.page(), boxes, x, l.y)
	l.y += heightOf(boxes)
	l.fresh = false
}

// flow puts boxes one under the other, over as many pages as it takes.
func (l *layout) flow(boxes []box, x float64) {
	for len(boxes) > 0 {
		if l.fresh {
			boxes = withoutGaps(boxes)
		}
		n := fits(boxes, l.left(), l.fresh)
		if n > 0 {
			l.put(boxes[:n], x)
		}
		if boxes = boxes[n:]; len(boxes) > 0 {
			l.newPage()
		}
	}
}

// frame draws what stands at the head and the foot of every page.
func (l *layout) frame(d Document) {
	const right, size = marginX + measure, 7.6
	small := face{family: sans}
	notice := l.t.shorten(d.Notice, small, size, measure*0.72)
	head := l.t.shorten(d.Title, small, size, measure-notice.width-18)
	left := l.t.shorten(d.Footer.Left, small, size, measure-80)
	seal := l.t.lines(Text(shortened(d.Footer.Seal, mostInLine)), sans, smallPrint.size, measure)
	seal = seal[:min(len(seal), 2)]
	for i, p := range l.pages {
		p.rule(marginX, hairlineY, right, hairlineY, 0.9, accent)
		p.line(notice, right-notice.width, hairlineY-6, size, grey)
		if i > 0 {
			p.line(head, marginX, hairlineY-6, size, grey)
		}
		p.rule(marginX, footY, right, footY, 0.4, rule)
		count := l.t.shorten("Page "+strconv.Itoa(i+1)+" of "+strconv.Itoa(len(l.pages)), small, size, 80)
		p.line(count, right-count.width, footY+11, size, black)
		p.line(left, marginX, footY+11, size, black)
		for j, s := range seal {
			p.line(s, marginX, footY+22+float64(j)*smallPrint.leading, smallPrint.size, grey)
		}
	}
}

func (l *layout) titles(d Document) {
	l.y += 12
	l.flow(l.t.text(Text(oneLine(d.Title)), titlePrint, measure), marginX)
	l.space(2)
	l.flow(l.t.text(Emphasis(oneLine(d.Subtitle)), underPrint, measure), marginX)
	l.space(16)
}

// block puts one block; then are those that follow it.
func (l *layout) block(b Block, then []Block) {
	switch b := b.(type) {
	case Heading:
		l.heading(b, then)
	case Paragraph:
		l.flow(l.t.text(b, bodyPrint, measure), marginX)
		l.space(7)
	case Facts:
		for _, r := range l.factRows(b) {
			l.row(r, nil)
		}
		l.space(9)
	case List:
		for _, r := range l.listRows(b) {
			l.row(r, nil)
		}
		l.space(7)
	case Table:
		l.table(b)
	case Figure:
		l.figure(b)
	case Caution:
		l.space(4)
		l.row(l.cautionRow(b), nil)
		l.space(12)
	case Signatures:
		l.signatures(b)
	case PageBreak:
		if !l.fresh {
			l.newPage()
		}
	}
}

func (l *layout) headingBoxes(h Heading) []box {
	pr := headingPrint[h.level()-1]
	p := Text(oneLine(h.Text))
	p[0].Bold = h.level() == 3
	return l.t.text(p, pr, measure)
}

func (l *layout) heading(h Heading, then []Block) {
	level := h.level()
	l.space([3]float64{14, 10, 6}[level-1])
	boxes := l.headingBoxes(h)
	l.need(heightOf(boxes) + 6 + l.lead(then))
	if title := oneLine(h.Text); title != "" {
		p := l.page()
		p.sections = append(p.sections, sectionMark{title: title, level: level - 1, y: l.y})
	}
	l.flow(boxes, marginX)
	l.space([3]float64{6, 4, 2}[level-1])
}

// lead is the least height that must stand under a heading on the same page.
func (l *layout) lead(then []Block) float64 {
	const most = textHeight / 3
	if len(then) == 0 {
		return 0
	}
	begin := func(rows []row) float64 {
		if len(rows) == 0 {
			return 0
		}
		return min(rows[0].height(), most)
	}
	switch b := then[0].(type) {
	case Heading:
		return 16 + heightOf(l.headingBoxes(b)) + l.lead(then[1:])
	case Paragraph:
		return 3 * bodyPrint.leading
	case Facts:
		return begin(l.factRows(b[:min(len(b), 1)])) + bodyPrint.leading
	case List:
		b.Items = b.Items[:min(len(b.Items), 1)]
		return begin(l.listRows(b))
	case Table:
		return l.tableLead(b)
	case Figure:
		return heightOf(l.figureBoxes(b))
	case Caution:
		return 4 + begin([]row{l.cautionRow(b)})
	case Signatures:
		return l.signaturesHeight(l.signatureRows(b))
	}
	return 0
}

// picture is a picture as one box, or its description when it cannot be shown.
func (l *layout) picture(p Picture, width, height float64, pr look) []box {
	pl, err := l.plates.add(p)
	if err != nil {
		return l.t.text(Emphasis("["+missingPicture(p)+"]"), pr, width)
	}
	w, h := pl.fit(width, height)
	return []box{{height: h, draw: func(pg *page, x, top float64) {
		pg.pictures = append(pg.pictures, pictureMark{x, top, w, h, pl})
	}}}
}

func missingPicture(p Picture) string {
	if alt := oneLine(p.Alt); alt != "" {
		return wordNoPicture + ": " + alt
	}
	return wordNoPicture
}

func (l *layout) figureBoxes(f Figure) []box {
	boxes := append([]box{gap(4)}, l.picture(f.Picture, measure, textHeight*0.6, captionPrint)...)
	if caption := l.t.text(Text(clean(f.Caption)), captionPrint, measure); len(caption) > 0 {
		boxes = append(append(boxes, gap(5)), caption...)
	}
	return boxes
}

func (l *layout) figure(f Figure) {
	boxes := l.figureBoxes(f)
	l.need(heightOf(boxes))
	l.flow(boxes, marginX)
	l.space(12)
}

const (
	beforeSignatures  = 6.0
	betweenSignatures = 16.0
)

// signaturesHeight is the height to keep together: of all rows, or of the first when they would
// take more than half of a page.
func (l *layout) signaturesHeight(rows []row) float64 {
	h := beforeSignatures
	for i, r := range rows {
		if i > 0 {
			r.above += betweenSignatures
		}
		if i > 0 && h+r.height() > textHeight/2 {
			break
		}
		h += r.height()
	}
	return h
}

func (l *layout) signatures(s Signatures) {
	rows := l.signatureRows(s)
	l.space(beforeSignatures)
	l.need(l.signaturesHeight(rows) - beforeSignatures)
	for _, r := range rows {
		l.row(r, nil)
		l.space(betweenSignatures)
	}
}
