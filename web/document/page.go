package document

// All lengths are points (1/72 inch), y grows downwards.

// The page is A4 upright.
const (
	pageWidth  = 595.28
	pageHeight = 841.89
	marginX    = 70.0
	measure    = pageWidth - 2*marginX // width of the text
	hairlineY  = 54.0                  // the line under the running head
	textTop    = 76.0
	textBottom = 764.0
	footY      = 780.0 // the line over the foot
	textHeight = textBottom - textTop
)

// ink is a colour, red, green and blue.
type ink [3]int

var (
	black  = ink{26, 26, 28}
	grey   = ink{88, 88, 92}
	rule   = ink{120, 120, 124}
	pale   = ink{200, 200, 202}
	accent = ink{22, 108, 106} // blue-green
	madder = ink{138, 28, 44}  // cautions only
)

// page is what is to be drawn on one sheet of paper: a recording that the PDF writer plays.
type page struct {
	texts    []textMark
	rules    []ruleMark
	shapes   []shapeMark
	pictures []pictureMark
	sections []sectionMark
}

type textMark struct {
	x, y float64 // the baseline's left end
	face face
	size float64
	ink  ink
	text string
}

type ruleMark struct {
	x1, y1, x2, y2 float64
	thick          float64
	ink            ink
}

// shapeMark is a closed outline.
type shapeMark struct {
	points [][2]float64
	thick  float64
	ink    ink
}

type pictureMark struct {
	x, y, w, h float64
	plate      *plate
}

// sectionMark is where a heading stands, for the reader's table of contents.
type sectionMark struct {
	title string
	level int
	y     float64
}

func (p *page) line(l line, x, y, size float64, c ink) {
	for _, pc := range l.pieces {
		p.texts = append(p.texts, textMark{x: x + pc.x, y: y, face: pc.face, size: size, ink: c, text: pc.text})
	}
}

func (p *page) rule(x1, y1, x2, y2, thick float64, c ink) {
	p.rules = append(p.rules, ruleMark{x1, y1, x2, y2, thick, c})
}

// frame draws the four sides of a box.
func (p *page) frame(x1, y1, x2, y2, thick float64, c ink) {
	p.shapes = append(p.shapes, shapeMark{[][2]float64{{x1, y1}, {x2, y1}, {x2, y2}, {x1, y2}}, thick, c})
}

// box is a piece of content that is never divided: a line of text, a picture, a gap.
type box struct {
	height float64
	gap    bool // white space: left out at the head of a page
	first  bool // line of its paragraph
	last   bool
	draw   func(p *page, x, top float64)
}

func gap(height float64) box { return box{height: height, gap: true} }

func heightOf(boxes []box) float64 {
	h := 0.0
	for _, b := range boxes {
		h += b.height
	}
	return h
}

// fits is how many boxes have room. No single line of a paragraph is left at the foot of a page or
// carried to the next, unless force asks for at least one box.
func fits(boxes []box, room float64, force bool) int {
	n, h := 0, 0.0
	for n < len(boxes) && h+boxes[n].height <= room {
		h += boxes[n].height
		n++
	}
	most := n
	if n > 0 && n < len(boxes) && boxes[n].last && !boxes[n].first {
		n--
	}
	if n > 0 && n < len(boxes) && boxes[n-1].first && !boxes[n-1].last {
		n--
	}
	if force && n == 0 {
		return min(max(most, 1), len(boxes))
	}
	return n
}

func drawBoxes(p *page, boxes []box, x, top float64) {
	for _, b := range boxes {
		if b.draw != nil {
			b.draw(p, x, top)
		}
		top += b.height
	}
}

// withoutGaps is boxes without white space at the beginning.
func withoutGaps(boxes []box) []box {
	for len(boxes) > 0 && boxes[0].gap {
		boxes = boxes[1:]
	}
	return boxes
}

// look is how text is printed.
type look struct {
	family  family
	size    float64
	leading float64
	ink     ink
	align   Align
	base    float64 // from the top of the line to the baseline; 0: text in the middle of the leading
}

var (
	bodyPrint    = look{family: serif, size: 10.5, leading: 14.6, ink: black}
	titlePrint   = look{family: serif, size: 23, leading: 28, ink: black}
	underPrint   = look{family: serif, size: 12.5, leading: 17, ink: grey}
	labelPrint   = look{family: sans, size: 8.4, leading: 14.6, ink: grey, base: baseline(bodyPrint)}
	tablePrint   = look{family: sans, size: 8.4, leading: 11.4, ink: black}
	headPrint    = look{family: sans, size: 8, leading: 10.6, ink: grey}
	captionPrint = look{family: sans, size: 8.4, leading: 11.6, ink: grey}
	cautionPrint = look{family: sans, size: 9.2, leading: 13, ink: black}
	smallPrint   = look{family: sans, size: 7.2, leading: 9.6, ink: grey}
	headingPrint = [3]look{
		{family: serif, size: 15.5, leading: 20, ink: black},
		{family: serif, size: 12.2, leading: 16, ink: black},
		{family: sans, size: 9, leading: 13, ink: black},
	}
)

// text sets a paragraph as boxes, one a line.
func (t typefaces) text(p Paragraph, pr look, width float64) []box {
	var out []box
	lines := t.lines(p, pr.family, pr.size, width)
	for i, l := range lines {
		shift := 0.0
		switch pr.align {
		case Right:
			shift = max(width-l.width, 0)
		case Centre:
			shift = max(width-l.width, 0) / 2
		}
		out = append(out, box{height: pr.leading, first: i == 0, last: i == len(lines)-1, draw: func(p *page, x, top float64) {
			p.line(l, x+shift, top+baseline(pr), pr.size, pr.ink)
		}})
	}
	return out
}

// baseline is the distance from the top of a line of text to its baseline. Ascenders reach about
// 0.9 of the size, descenders 0.24.
func baseline(pr look) float64 {
	if pr.base > 0 {
		return pr.base
	}
	return (pr.leading + 0.66*pr.size) / 2
}
