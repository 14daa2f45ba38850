package document

import (
	"slices"
	"strings"
	"unicode"
)

// piece is text of one face at its place on a line.
type piece struct {
	face  face
	x     float64 // from the left end of the line
	width float64
	text  string
}

// line is one line of text that fits its measure.
type line struct {
	pieces []piece
	width  float64
}

// glyph is one character to draw, or the beginning of a new line. A line may also end after a glyph
// that says so.
type glyph struct {
	face    face
	rune    rune
	width   float64
	space   bool
	newLine bool
	mayEnd  bool
}

// lines breaks a paragraph into lines no wider than width: at spaces, after hyphens and dashes
// between letters, and, in a word longer than a line, between any two characters.
func (t typefaces) lines(p Paragraph, f family, size, width float64) []line {
	glyphs := t.glyphs(p, f, size)
	if len(glyphs) == 0 {
		return nil
	}
	var out []line
	start, end, x := 0, -1, 0.0 // end: where the line may end, or -1
	for i := 0; i < len(glyphs); i++ {
		g := glyphs[i]
		switch {
		case g.newLine:
			out = append(out, setLine(glyphs[start:i]))
			start, end, x = i+1, -1, 0
			continue
		case g.space && i == start && len(out) > 0 && !glyphs[i-1].newLine:
			start = i + 1 // the space at which the line was broken
			continue
		case !g.space && x+g.width > width+0.001 && i > start:
			if end < 0 {
				end = i
			}
			out = append(out, setLine(glyphs[start:end]))
			start, i, x = end, end-1, 0
			end = -1
			continue
		}
		x += g.width
		if g.space || g.mayEnd {
			end = i + 1
		}
	}
	return append(out, setLine(glyphs[start:]))
}

func (t typefaces) glyphs(p Paragraph, f family, size float64) []glyph {
	var out []glyph
	var before, dash rune // the two characters before
	for _, run := range p {
		want := face{family: f, bold: run.Bold, italic: run.Italic}
		for _, r := range clean(run.Text) {
			if r == '\n' {
				out = append(out, glyph{newLine: true})
				continue
			}
			if r == '\t' {
				r = ' '
			}
			g := glyph{space: unicode.IsSpace(r) && r != 0x00A0 && r != 0x2007 && r != 0x202F}
			if unicode.IsLetter(r) && isDash(dash) && unicode.IsLetter(before) {
				out[len(out)-1].mayEnd = true
			}
			before, dash = dash, r
			if g.face, g.rune = t.choose(want, r); g.rune < 0 {
				if r == 0x200B && len(out) > 0 { // a place to break that is not seen
					out[len(out)-1].mayEnd = true
				}
				continue
			}
			if w := t.of(g.face).advance(g.rune); w > 0 {
				g.width = float64(w) * size / 1000
			}
			out = append(out, g)
		}
	}
	return out
}

// isDash leaves out U+2011, the hyphen that does not end a line.
func isDash(r rune) bool { return r == '-' || r == '–' || r == '—' || r == '/' }

// setLine joins glyphs of one face into pieces, without the white space at the line's end.
func setLine(glyphs []glyph) line {
	for len(glyphs) > 0 && glyphs[len(glyphs)-1].space {
		glyphs = glyphs[:len(glyphs)-1]
	}
	glyphs = inDrawingOrder(glyphs)
	var l line
	var text strings.Builder
	from := 0.0
	flush := func(f face) {
		if text.Len() > 0 {
			l.pieces = append(l.pieces, piece{face: f, x: from, width: l.width - from, text: text.String()})
		}
		text.Reset()
		from = l.width
	}
	for i, g := range glyphs {
		if i > 0 && g.face != glyphs[i-1].face {
			flush(glyphs[i-1].face)
		}
		text.WriteRune(g.rune)
		l.width += g.width
	}
	if n := len(glyphs); n > 0 {
		flush(glyphs[n-1].face)
	}
	return l
}

var mirrored = map[rune]rune{'(': ')', ')': '(', '[': ']', ']': '[', '<': '>', '>': '<', '«': '»', '»': '«'}

// inDrawingOrder turns each stretch of right-to-left letters on a line, with what stands between
// them and the numbers after them, so that it reads from the right. Numbers, and letters with their
// marks, keep their order. The line itself runs from the left.
func inDrawingOrder(line []glyph) []glyph {
	if !slices.ContainsFunc(line, func(g glyph) bool { return fromRight(g.rune) }) {
		return line
	}
	line = slices.Clone(line)
	for i := 0; i < len(line); i++ {
		if !fromRight(line[i].rune) {
			continue
		}
		last := i
	stretch:
		for j := i; j < len(line); j++ {
			r := line[j].rune
			opened, closing := mirrored[r]
			switch {
			case fromRight(r), unicode.Is(unicode.M, r), unicode.IsDigit(r):
				last = j
			case closing && slices.ContainsFunc(line[i:last+1], func(g glyph) bool { return g.rune == opened }):
				last = j
			case unicode.IsLetter(r):
				break stretch
			}
		}
		turn(line[i : last+1])
		i = last
	}
	return line
}

func turn(stretch []glyph) {
	slices.Reverse(stretch)
	for i := 0; i < len(stretch); i++ {
		if m, is := mirrored[stretch[i].rune]; is {
			stretch[i].rune = m
		}
		j := i
		switch {
		case unicode.IsDigit(stretch[i].rune):
			for j+1 < len(stretch) && (unicode.IsDigit(stretch[j+1].rune) ||
				j+2 < len(stretch) && strings.ContainsRune(".,:/-", stretch[j+1].rune) && unicode.IsDigit(stretch[j+2].rune)) {
				j++
			}
		case unicode.Is(unicode.M, stretch[i].rune):
			for j+1 < len(stretch) && unicode.Is(unicode.M, stretch[j].rune) {
				j++
			}
		}
		slices.Reverse(stretch[i : j+1])
		i = j
	}
}

// fromRight says whether r is a letter of a script written from the right.
func fromRight(r rune) bool {
	return unicode.IsLetter(r) && (r >= 0x0590 && r <= 0x08FF || r >= 0xFB1D && r <= 0xFDFF || r >= 0xFE70 && r <= 0xFEFF)
}

// mostInLine is more characters than fit one line at the sizes used here.
const mostInLine = 600

// shorten is one line of s, cut with an ellipsis where it would be wider than width.
func (t typefaces) shorten(s string, f face, size, width float64) line {
	p := Paragraph{{Text: shortened(s, mostInLine), Bold: f.bold, Italic: f.italic}}
	whole := first(t.lines(p, f.family, size, 1e9))
	if whole.width <= width {
		return whole
	}
	const mark = "…"
	w := t.width(f, size, mark)
	cut := first(t.lines(p, f.family, size, width-w))
	cut.pieces = append(cut.pieces, piece{face: f, x: cut.width, width: w, text: mark})
	cut.width += w
	return cut
}

func first(ls []line) line {
	if len(ls) == 0 {
		return line{}
	}
	return ls[0]
}
