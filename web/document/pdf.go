package document

import (
	"bytes"
	"encoding/gob"
	"fmt"
	"io"
	"strings"

	"codeberg.org/go-pdf/fpdf"
)

// WritePDF writes d as a PDF on A4 paper with embedded fonts. Equal documents give equal bytes. It
// fails when d.Created is not set or w does.
func WritePDF(w io.Writer, d Document) error {
	if d.Created.IsZero() {
		return errNoDate
	}
	l := lay(d, typefaces{})
	pdf := fpdf.New("P", "pt", "A4", "")
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(0, 0, 0)
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(d.Created.UTC())
	pdf.SetModificationDate(d.Created.UTC())
	pdf.SetLang(d.language())
	pdf.SetTitle(inBasicPlane(d.Title), true)
	pdf.SetAuthor(inBasicPlane(d.Author), true)
	pdf.SetCreator("farthingale", false)
	pdf.SetProducer("farthingale", false)
	pdf.SetDisplayMode("fullwidth", "continuous")

	pen := &pen{pdf: pdf, known: map[face]bool{}}
	pen.need(face{family: serif}) // bookmarks are written in the encoding of the font in use
	if err := embed(pdf, l.plates.order); err != nil {
		return err
	}
	for _, p := range l.pages {
		pen.play(p)
	}
	if err := pdf.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}

// pen plays pages to the PDF writer. It changes font, ink and thickness only when they differ from
// what is in use.
type pen struct {
	pdf     *fpdf.Fpdf
	known   map[face]bool
	face    face
	size    float64
	section int // depth of the last bookmark, from 1
}

func (n *pen) need(f face) {
	if !n.known[f] {
		n.known[f] = true
		n.pdf.AddUTF8FontFromBytes(string(f.family), f.style(), f.file())
	}
}

func (n *pen) play(p *page) {
	n.pdf.AddPage()
	for _, s := range p.sections {
		depth := min(s.level, n.section) // a reader's outline may not leave out a step
		n.section = depth + 1
		n.font(face{family: serif}, 10)
		n.pdf.Bookmark(inBasicPlane(s.title), depth, s.y)
	}
	for _, m := range p.pictures {
		n.pdf.ImageOptions(m.plate.key, m.x, m.y, m.w, m.h, false, fpdf.ImageOptions{ImageType: m.plate.kind}, 0, "")
	}
	for _, r := range p.rules {
		n.pdf.SetDrawColor(r.ink[0], r.ink[1], r.ink[2])
		n.pdf.SetLineWidth(r.thick)
		n.pdf.Line(r.x1, r.y1, r.x2, r.y2)
	}
	for _, s := range p.shapes {
		n.pdf.SetDrawColor(s.ink[0], s.ink[1], s.ink[2])
		n.pdf.SetLineWidth(s.thick)
		n.pdf.SetLineJoinStyle("round")
		points := make([]fpdf.PointType, len(s.points))
		for i, pt := range s.points {
			points[i] = fpdf.PointType{X: pt[0], Y: pt[1]}
		}
		n.pdf.Polygon(points, "D")
	}
	for _, t := range p.texts {
		n.font(t.face, t.size)
		n.pdf.SetTextColor(t.ink[0], t.ink[1], t.ink[2])
		n.pdf.Text(t.x, t.y, t.text)
	}
}

func (n *pen) font(f face, size float64) {
	if n.face == f && n.size == size {
		return
	}
	n.need(f)
	n.pdf.SetFont(string(f.family), f.style(), size)
	n.face, n.size = f, size
}

// inBasicPlane is one line of s with "□" for every character beyond the basic plane, which the PDF
// writer would spoil in titles and bookmarks.
func inBasicPlane(s string) string {
	return strings.Map(func(r rune) rune {
		if r > 0xFFFF {
			return missingGlyph
		}
		return r
	}, oneLine(s))
}

// embed registers the pictures. The PDF writer puts them in order of their width and leaves equal
// widths in random order, so each width is made greater by less than a pixel can show: it is
// written as a whole number.
func embed(pdf *fpdf.Fpdf, plates []*plate) error {
	for i, pl := range plates {
		info := pdf.RegisterImageOptionsReader(pl.key, fpdf.ImageOptions{ImageType: pl.kind}, bytes.NewReader(pl.bytes))
		if pdf.Err() {
			return fmt.Errorf("embed a picture: %w", pdf.Error())
		}
		if err := widen(info, float64(i+1)*1e-6); err != nil {
			return fmt.Errorf("order the pictures: %w", err)
		}
	}
	return nil
}

// widen adds to the width in the only way that the writer's type allows: through its own encoding.
func widen(info *fpdf.ImageInfoType, by float64) error {
	b, err := info.GobEncode()
	if err != nil {
		return err
	}
	var (
		pixels, mask, palette []byte
		number, depth         int
		width, height         float64
		space, filter, parms  string
		transparent           []int
		scale, dpi            float64
	)
	fields := []any{&pixels, &mask, &number, &width, &height, &space, &palette, &depth, &filter, &parms, &transparent, &scale, &dpi}
	from := gob.NewDecoder(bytes.NewReader(b))
	for _, f := range fields {
		if err := from.Decode(f); err != nil {
			return err
		}
	}
	width += by
	var out bytes.Buffer
	to := gob.NewEncoder(&out)
	for _, f := range fields {
		if err := to.Encode(f); err != nil {
			return err
		}
	}
	return info.GobDecode(out.Bytes())
}
