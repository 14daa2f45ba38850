// Package document makes paper and office documents from one small model: agreements, reports,
// schedules. The same Document becomes a PDF (WritePDF) or a DOCX (WriteDOCX); tabular exports
// become XLSX (WriteXLSX) or CSV (WriteCSV).
//
// It knows how a page looks and nothing of what stands on it: no loans, no objects, no rules. The
// caller fills the model with finished sentences and formatted figures. Any text is accepted:
// characters that a format cannot hold are left out, characters that no font here can draw show
// as "□". A picture that cannot be read shows as its description in brackets.
//
// What it does not do: the PDF is not tagged and no archival profile is claimed; Arabic letters
// are drawn unjoined and scripts that need shaping beyond that show as "□" in the PDF (the DOCX
// holds them as written).
package document

import (
	"errors"
	"time"
)

// Document is one paper in reading order.
type Document struct {
	Title    string
	Subtitle string
	Language string    // BCP 47 tag such as "en" or "en-GB"; empty or malformed: "en"
	Author   string    // the house or person who issues it
	Created  time.Time // stands in the file's properties; must be set, so that equal input gives equal bytes
	Notice   string    // printed at the head of every page, such as "Demonstration: everything here is invented"
	Footer   Footer
	Blocks   []Block
}

// Footer stands at the foot of every page, beside "Page x of y".
type Footer struct {
	Left string // what paper this is: number and version
	Seal string // fingerprint of the sealed record and head of the chain; at most two lines are printed
}

// Block is one piece of a Document: Heading, Paragraph, Facts, List, Table, Figure, Caution,
// Signatures or PageBreak.
type Block interface{ block() }

// Heading opens a section. Level is 1, 2 or 3; other values are taken for the nearest of these.
type Heading struct {
	Level int
	Text  string
}

// Paragraph is running text, a piece per style. A line feed in it begins a new line.
type Paragraph []Run

// Run is text in one style.
type Run struct {
	Text   string
	Bold   bool
	Italic bool
}

// Text is a paragraph in the plain style.
func Text(s string) Paragraph { return Paragraph{{Text: s}} }

// Strong is a paragraph in bold.
func Strong(s string) Paragraph { return Paragraph{{Text: s, Bold: true}} }

// Emphasis is a paragraph in italics.
func Emphasis(s string) Paragraph { return Paragraph{{Text: s, Italic: true}} }

// Facts is a list of labels with their values, in two columns.
type Facts []Fact

// Fact is one line of Facts. An empty Value prints as a dash, so that a gap is seen.
type Fact struct {
	Label string
	Value string
}

// List is a bulleted or a numbered list.
type List struct {
	Numbered bool
	Items    []Paragraph
}

// Table has a head row that is repeated on every page. Rows may be shorter or longer than Columns:
// missing cells are empty, surplus cells are left out. A Table without Columns prints its caption.
type Table struct {
	Caption string
	Columns []Column
	Rows    [][]Cell
}

// Column is the head of a table's column. WidthShare is its part of the width in relation to the
// others; zero or less counts as 1.
type Column struct {
	Title      string
	WidthShare float64
	Align      Align
}

// Align says where text stands in its column.
type Align int

// The alignments of a Column.
const (
	Left Align = iota
	Right
	Centre
)

// Cell holds a picture, paragraphs, or both: the picture stands first.
type Cell struct {
	Picture    *Picture
	Paragraphs []Paragraph
	Bold       bool // for all of its text
}

// TextCell is a cell with one paragraph for each text.
func TextCell(texts ...string) Cell {
	var c Cell
	for _, s := range texts {
		c.Paragraphs = append(c.Paragraphs, Text(s))
	}
	return c
}

// Picture is a JPEG or PNG image, upright (the orientation in EXIF is not looked at), at most
// 20 megapixels (give a derivative, not the original). Alt describes it in words; it is shown when the picture cannot be.
type Picture struct {
	Bytes []byte
	Alt   string
}

// Figure is a picture over the whole width, with a caption.
type Figure struct {
	Picture Picture
	Caption string
}

// Caution is a bordered box for what can hurt a person or an object: a triangle with an
// exclamation mark, Word (empty: "Caution") and what to do.
type Caution struct {
	Word       string
	Paragraphs []Paragraph
}

// Signatures are blocks to be signed, two side by side.
type Signatures []Signature

// Signature is one block. What is left empty leaves room for a pen.
type Signature struct {
	Role  string // on whose behalf: "For the lender"
	Name  string // printed name and office
	Sign  string // printed on the line, such as "Signed in the record, seal 3f9a…"
	Place string
	Date  string
}

// PageBreak begins a new page.
type PageBreak struct{}

func (Heading) block()    {}
func (Paragraph) block()  {}
func (Facts) block()      {}
func (List) block()       {}
func (Table) block()      {}
func (Figure) block()     {}
func (Caution) block()    {}
func (Signatures) block() {}
func (PageBreak) block()  {}

var errNoDate = errors.New("document: Created is not set")

// The words that are printed by this package itself.
const (
	wordCaution   = "Caution"
	wordSignature = "Signature"
	wordPlace     = "Place"
	wordDate      = "Date"
	wordContinued = "continued"
	wordNoPicture = "Picture cannot be shown"
	dash          = "–"
)

func (h Heading) level() int { return min(max(h.Level, 1), 3) }

func (c Caution) word() string {
	if w := oneLine(c.Word); w != "" {
		return w
	}
	return wordCaution
}

// shares are the widths of the columns as parts of 1.
func (t Table) shares() []float64 {
	out := make([]float64, len(t.Columns))
	sum := 0.0
	for i, c := range t.Columns {
		out[i] = 1
		if c.WidthShare > 0 {
			out[i] = min(c.WidthShare, 1e6)
		}
		sum += out[i]
	}
	for i := range out {
		out[i] /= sum
	}
	return out
}

// cell is the cell of a row under column i, empty when the row is short.
func cell(row []Cell, i int) Cell {
	if i < len(row) {
		return row[i]
	}
	return Cell{}
}

// styled gives the paragraph's runs with the cell's own weight.
func (c Cell) styled(p Paragraph) Paragraph {
	if !c.Bold {
		return p
	}
	out := make(Paragraph, len(p))
	for i, r := range p {
		r.Bold = true
		out[i] = r
	}
	return out
}
