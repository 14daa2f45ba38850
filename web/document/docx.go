package document

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// WriteDOCX writes d as a word processor's document (ISO/IEC 29500, WordprocessingML) on A4 paper.
// Equal documents give equal bytes. It fails when d.Created is not set or w does.
func WriteDOCX(w io.Writer, d Document) error {
	if d.Created.IsZero() {
		return errNoDate
	}
	b := &wordBody{}
	b.document(d)
	parts := []struct{ name, text string }{
		{"[Content_Types].xml", contentTypes},
		{"_rels/.rels", packageRels},
		{"docProps/core.xml", coreProperties(d)},
		{"word/document.xml", b.String()},
		{"word/_rels/document.xml.rels", documentRels(b.plates.order)},
		{"word/styles.xml", styles(d.language())},
		{"word/numbering.xml", numbering(b.lists)},
		{"word/settings.xml", settings},
		{"word/fontTable.xml", fontTable},
		{"word/header1.xml", wordHeader("", d.Notice)},
		{"word/header2.xml", wordHeader(d.Title, d.Notice)},
		{"word/footer1.xml", wordFooter(d.Footer)},
	}
	z := zip.NewWriter(w)
	for _, p := range parts {
		if err := addPart(z, p.name, zip.Deflate, []byte(p.text), d.Created); err != nil {
			return err
		}
	}
	for i, pl := range b.plates.order { // compressed already
		if err := addPart(z, "word/"+mediaName(i, pl), zip.Store, pl.bytes, d.Created); err != nil {
			return err
		}
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("write DOCX: %w", err)
	}
	return nil
}

func addPart(z *zip.Writer, name string, method uint16, content []byte, at time.Time) error {
	part, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: method, Modified: at.UTC()})
	if err == nil {
		_, err = part.Write(content)
	}
	if err != nil {
		return fmt.Errorf("write part %s: %w", name, err)
	}
	return nil
}

func mediaName(i int, pl *plate) string { return "media/picture" + strconv.Itoa(i+1) + "." + pl.kind }

// escaped is s as XML text or attribute.
func escaped(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(clean(s))) // a Builder does not fail
	return b.String()
}

func twips(points float64) string { return strconv.Itoa(int(points*20 + 0.5)) }

func emu(points float64) string { return strconv.Itoa(int(points*12700 + 0.5)) }

// wordBody is the text of word/document.xml, and what other parts must know of it.
type wordBody struct {
	bytes.Buffer
	plates  plates
	lists   int // numbered lists so far
	figures int // pictures drawn so far
}

func (b *wordBody) add(parts ...string) {
	for _, p := range parts {
		_, _ = b.WriteString(p)
	}
}

func (b *wordBody) document(d Document) {
	b.add(xmlHead, `<w:document xmlns:w="`, nsWord, `" xmlns:r="`, nsRel, `" xmlns:wp="`, nsDrawing, `" xmlns:a="`, nsArt, `" xmlns:pic="`, nsPicture, `"><w:body>`)
	b.paragraph("Title", "", Text(oneLine(d.Title)))
	if sub := oneLine(d.Subtitle); sub != "" {
		b.paragraph("Subtitle", "", Text(sub))
	}
	for _, bl := range d.Blocks {
		b.block(bl)
	}
	b.add(`<w:sectPr><w:headerReference w:type="first" r:id="rHead1"/><w:headerReference w:type="default" r:id="rHead2"/>`,
		`<w:footerReference w:type="first" r:id="rFoot"/><w:footerReference w:type="default" r:id="rFoot"/>`,
		`<w:pgSz w:w="11906" w:h="16838"/><w:pgMar w:top="`, twips(textTop), `" w:right="`, twips(marginX), `" w:bottom="`, twips(pageHeight-textBottom),
		`" w:left="`, twips(marginX), `" w:header="`, twips(hairlineY-18), `" w:footer="`, twips(30), `" w:gutter="0"/><w:titlePg/></w:sectPr></w:body></w:document>`)
}

func (b *wordBody) block(bl Block) {
	switch bl := bl.(type) {
	case Heading:
		b.paragraph("Heading"+strconv.Itoa(bl.level()), "", Text(oneLine(bl.Text)))
	case Paragraph:
		b.paragraph("", "", bl)
	case Facts:
		b.facts(bl)
	case List:
		number := "1"
		if bl.Numbered {
			b.lists++
			number = strconv.Itoa(b.lists + 1)
		}
		for i, item := range bl.Items {
			properties := `<w:numPr><w:ilvl w:val="0"/><w:numId w:val="` + number + `"/></w:numPr>`
			if i == len(bl.Items)-1 {
				properties += `<w:spacing w:after="140"/>`
			}
			b.paragraph("ListParagraph", properties, item)
		}
	case Table:
		b.table(bl)
	case Figure:
		b.picture("Figure", bl.Picture, measure, textHeight*0.6)
		if caption := clean(bl.Caption); caption != "" {
			b.paragraph("FigureCaption", "", Text(caption))
		}
	case Caution:
		b.add(`<w:p><w:pPr><w:pStyle w:val="Caution"/><w:keepNext/><w:spacing w:before="240"/></w:pPr><w:r><w:rPr><w:rFonts w:ascii="Segoe UI Symbol" w:hAnsi="Segoe UI Symbol" w:eastAsia="Segoe UI Symbol" w:cs="Segoe UI Symbol"/><w:color w:val="`, rgb(madder),
			`"/><w:sz w:val="26"/></w:rPr><w:t xml:space="preserve">⚠ </w:t></w:r><w:r><w:rPr><w:b/><w:color w:val="`, rgb(madder), `"/></w:rPr><w:t>`, escaped(bl.word()), `</w:t></w:r></w:p>`)
		for _, p := range bl.Paragraphs {
			b.paragraph("Caution", "", p)
		}
		b.paragraph("Gap", "", nil) // ends the box
	case Signatures:
		for i := 0; i < len(bl); i += 2 {
			b.signatures(bl[i:min(i+2, len(bl))])
		}
	case PageBreak:
		b.add(`<w:p><w:r><w:br w:type="page"/></w:r></w:p>`)
	}
}

// paragraph writes p in a style (empty: body text) with further properties.
func (b *wordBody) paragraph(style, properties string, p Paragraph) {
	b.add(`<w:p>`)
	if style != "" || properties != "" {
		b.add(`<w:pPr>`)
		if style != "" {
			b.add(`<w:pStyle w:val="`, style, `"/>`)
		}
		b.add(properties, `</w:pPr>`)
	}
	for _, r := range p {
		b.run(r)
	}
	b.add(`</w:p>`)
}

func (b *wordBody) run(r Run) {
	text := clean(r.Text)
	if text == "" {
		return
	}
	b.add(`<w:r>`)
	if r.Bold || r.Italic {
		b.add(`<w:rPr>`)
		if r.Bold {
			b.add(`<w:b/>`)
		}
		if r.Italic {
			b.add(`<w:i/>`)
		}
		b.add(`</w:rPr>`)
	}
	for i, l := range strings.Split(text, "\n") {
		if i > 0 {
			b.add(`<w:br/>`)
		}
		if l != "" {
			b.add(`<w:t xml:space="preserve">`, escaped(strings.ReplaceAll(l, "\t", " ")), `</w:t>`)
		}
	}
	b.add(`</w:r>`)
}

// picture writes a paragraph with the picture, or with its description when it cannot be shown.
func (b *wordBody) picture(style string, p Picture, width, height float64) {
	pl, err := b.plates.add(p)
	if err != nil {
		b.paragraph(style, "", Emphasis("["+missingPicture(p)+"]"))
		return
	}
	b.figures++
	w, h := pl.fit(width, height)
	n := strconv.Itoa(b.figures)
	size := `cx="` + emu(w) + `" cy="` + emu(h) + `"`
	b.add(`<w:p><w:pPr><w:pStyle w:val="`, style, `"/></w:pPr><w:r><w:drawing><wp:inline distT="0" distB="0" distL="0" distR="0"><wp:extent `, size,
		`/><wp:docPr id="`, n, `" name="Picture `, n, `" descr="`, escaped(shortened(p.Alt, 1000)), `"/><a:graphic><a:graphicData uri="`, nsPicture,
		`"><pic:pic><pic:nvPicPr><pic:cNvPr id="`, n, `" name="Picture `, n, `"/><pic:cNvPicPr/></pic:nvPicPr><pic:blipFill><a:blip r:embed="`, b.relOf(pl),
		`"/><a:stretch><a:fillRect/></a:stretch></pic:blipFill><pic:spPr><a:xfrm><a:off x="0" y="0"/><a:ext `, size,
		`/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></pic:spPr></pic:pic></a:graphicData></a:graphic></wp:inline></w:drawing></w:r></w:p>`)
}

func (b *wordBody) relOf(pl *plate) string {
	for i, known := range b.plates.order {
		if known == pl {
			return pictureRel(i)
		}
	}
	return ""
}

func pictureRel(i int) string { return "rPic" + strconv.Itoa(i+1) }

// openTable writes a table's properties and its columns, widths in points.
func (b *wordBody) openTable(borders, caption string, widths []float64) {
	b.add(`<w:tbl><w:tblPr><w:tblW w:w="`, twips(measure), `" w:type="dxa"/>`, borders,
		`<w:tblLayout w:type="fixed"/><w:tblCellMar><w:top w:w="70" w:type="dxa"/><w:left w:w="0" w:type="dxa"/><w:bottom w:w="70" w:type="dxa"/><w:right w:w="180" w:type="dxa"/></w:tblCellMar>`,
		`<w:tblLook w:val="0020" w:firstRow="1" w:lastRow="0" w:firstColumn="0" w:lastColumn="0" w:noHBand="1" w:noVBand="1"/>`)
	if caption != "" {
		b.add(`<w:tblCaption w:val="`, escaped(caption), `"/>`)
	}
	b.add(`</w:tblPr><w:tblGrid>`)
	for _, w := range widths {
		b.add(`<w:gridCol w:w="`, twips(w), `"/>`)
	}
	b.add(`</w:tblGrid>`)
}

// closeTable ends a table with a little space, so that two tables do not become one.
func (b *wordBody) closeTable() {
	b.add(`</w:tbl>`)
	b.paragraph("Gap", "", nil)
}

func (b *wordBody) openCell(width float64, properties string) {
	b.add(`<w:tc><w:tcPr><w:tcW w:w="`, twips(width), `" w:type="dxa"/>`, properties, `</w:tcPr>`)
}

func (b *wordBody) facts(facts Facts) {
	if len(facts) == 0 {
		return
	}
	widths := []float64{labelWidth, measure - labelWidth}
	b.openTable("", "", widths)
	for _, f := range facts {
		value := clean(f.Value)
		if oneLine(value) == "" {
			value = dash
		}
		b.add(`<w:tr>`)
		b.openCell(widths[0], noMargin)
		b.paragraph("FactLabel", "", Text(oneLine(f.Label)))
		b.add(`</w:tc>`)
		b.openCell(widths[1], noMargin)
		b.paragraph("FactValue", "", Text(value))
		b.add(`</w:tc></w:tr>`)
	}
	b.closeTable()
}

const (
	noMargin  = `<w:tcMar><w:top w:w="0" w:type="dxa"/><w:bottom w:w="0" w:type="dxa"/></w:tcMar>`
	penMargin = `<w:tcMar><w:top w:w="0" w:type="dxa"/><w:bottom w:w="0" w:type="dxa"/><w:right w:w="0" w:type="dxa"/></w:tcMar>`
	lastCell  = `<w:tcMar><w:right w:w="0" w:type="dxa"/></w:tcMar>`
)

func (b *wordBody) table(t Table) {
	caption := shortened(t.Caption, 1000)
	if caption != "" {
		b.paragraph("Caption", "", Text(caption))
	}
	if len(t.Columns) == 0 {
		return
	}
	widths := t.shares()
	for i := range widths {
		widths[i] *= measure
	}
	b.openTable(`<w:tblBorders><w:top w:val="single" w:sz="6" w:space="0" w:color="`+rgb(black)+`"/><w:bottom w:val="single" w:sz="6" w:space="0" w:color="`+rgb(black)+
		`"/><w:insideH w:val="single" w:sz="3" w:space="0" w:color="`+rgb(pale)+`"/></w:tblBorders>`, caption, widths)
	last := func(i int) string {
		if i == len(widths)-1 {
			return lastCell
		}
		return ""
	}
	b.add(`<w:tr><w:trPr><w:tblHeader/></w:trPr>`)
	for i, c := range t.Columns {
		b.openCell(widths[i], `<w:tcBorders><w:bottom w:val="single" w:sz="4" w:space="0" w:color="`+rgb(black)+`"/></w:tcBorders>`+last(i)+`<w:vAlign w:val="bottom"/>`)
		b.paragraph("TableHead", c.Align.word(), Text(oneLine(c.Title)))
		b.add(`</w:tc>`)
	}
	b.add(`</w:tr>`)
	for _, cells := range t.Rows {
		b.add(`<w:tr>`)
		for i, w := range widths {
			b.openCell(w, last(i))
			b.cell(cell(cells, i), t.Columns[i].Align, w-9)
			b.add(`</w:tc>`)
		}
		b.add(`</w:tr>`)
	}
	b.closeTable()
}

func (b *wordBody) cell(c Cell, align Align, width float64) {
	if c.Picture != nil {
		b.picture("CellPicture", *c.Picture, max(width, 8), pictureInCell)
	}
	for _, p := range c.Paragraphs {
		b.paragraph("TableText", align.word(), c.styled(p))
	}
	if c.Picture == nil && len(c.Paragraphs) == 0 { // a cell must not be without a paragraph
		b.paragraph("TableText", "", nil)
	}
}

func (a Align) word() string {
	switch a {
	case Right:
		return `<w:jc w:val="right"/>`
	case Centre:
		return `<w:jc w:val="center"/>`
	}
	return ""
}

// signatures writes one or two blocks as a table: role, name, the line for the pen, place and date.
func (b *wordBody) signatures(pair []Signature) {
	const gutter = 30.0
	half := (measure - gutter) / 2
	block := []float64{half * placePart, half * (1 - placePart - datePart), half * datePart}
	widths := append(append(append([]float64{}, block...), gutter), block...)
	b.openTable("", "", widths)
	const (
		span  = `<w:gridSpan w:val="3"/>`
		lined = `<w:tcBorders><w:bottom w:val="single" w:sz="4" w:space="0" w:color="1A1A1C"/></w:tcBorders>`
	)
	// row writes one row: a cell over the whole block, or place and date side by side.
	row := func(height float64, borders, style string, whole bool, texts func(Signature) [2]string) {
		b.add(`<w:tr><w:trPr><w:cantSplit/>`)
		if height > 0 {
			b.add(`<w:trHeight w:val="`, twips(height), `" w:hRule="atLeast"/>`)
		}
		b.add(`</w:trPr>`)
		write := func(width float64, properties, text string) {
			b.openCell(width, properties+penMargin+`<w:vAlign w:val="bottom"/>`)
			b.paragraph(style, `<w:keepNext/>`, Text(text))
			b.add(`</w:tc>`)
		}
		for i := range 2 {
			if i == 1 {
				write(gutter, "", "")
			}
			edge, said := borders, [2]string{}
			if i < len(pair) {
				said = texts(pair[i])
			} else {
				edge = ""
			}
			if whole {
				write(half, span+edge, said[0])
				continue
			}
			write(block[0], edge, said[0])
			write(block[1], "", "")
			write(block[2], edge, said[1])
		}
		b.add(`</w:tr>`)
	}
	row(20, "", "TableHead", true, func(s Signature) [2]string { return [2]string{oneLine(s.Role)} })
	row(0, "", "FactValue", true, func(s Signature) [2]string { return [2]string{s.Name} })
	row(36, lined, "TableText", true, func(s Signature) [2]string { return [2]string{oneLine(s.Sign)} })
	row(0, "", "Small", true, func(Signature) [2]string { return [2]string{wordSignature} })
	row(32, lined, "TableText", false, func(s Signature) [2]string { return [2]string{oneLine(s.Place), oneLine(s.Date)} })
	row(0, "", "Small", false, func(Signature) [2]string { return [2]string{wordPlace, wordDate} })
	b.closeTable()
}

// shortened is one line of at most n characters of s.
func shortened(s string, n int) string {
	s = oneLine(s)
	count := 0
	for i := range s {
		if count++; count > n {
			return s[:i] + "…"
		}
	}
	return s
}

func rgb(c ink) string { return fmt.Sprintf("%02X%02X%02X", c[0], c[1], c[2]) }
