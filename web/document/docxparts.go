package document

import (
	"strconv"
	"strings"
	"time"
)

// The parts of a DOCX package beside its text.

const (
	xmlHead   = `<?xml version="1.0" encoding="UTF-8" standalone="yes"?>` + "\n"
	nsWord    = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
	nsRel     = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
	nsDrawing = "http://schemas.openxmlformats.org/drawingml/2006/wordprocessingDrawing"
	nsArt     = "http://schemas.openxmlformats.org/drawingml/2006/main"
	nsPicture = "http://schemas.openxmlformats.org/drawingml/2006/picture"
	nsPackage = "http://schemas.openxmlformats.org/package/2006/"
	typeWord  = "application/vnd.openxmlformats-officedocument.wordprocessingml."
)

const contentTypes = xmlHead + `<Types xmlns="` + nsPackage + `content-types">` +
	`<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>` +
	`<Default Extension="xml" ContentType="application/xml"/>` +
	`<Default Extension="jpg" ContentType="image/jpeg"/><Default Extension="png" ContentType="image/png"/>` +
	`<Override PartName="/docProps/core.xml" ContentType="application/vnd.openxmlformats-package.core-properties+xml"/>` +
	`<Override PartName="/word/document.xml" ContentType="` + typeWord + `document.main+xml"/>` +
	`<Override PartName="/word/styles.xml" ContentType="` + typeWord + `styles+xml"/>` +
	`<Override PartName="/word/numbering.xml" ContentType="` + typeWord + `numbering+xml"/>` +
	`<Override PartName="/word/settings.xml" ContentType="` + typeWord + `settings+xml"/>` +
	`<Override PartName="/word/fontTable.xml" ContentType="` + typeWord + `fontTable+xml"/>` +
	`<Override PartName="/word/header1.xml" ContentType="` + typeWord + `header+xml"/>` +
	`<Override PartName="/word/header2.xml" ContentType="` + typeWord + `header+xml"/>` +
	`<Override PartName="/word/footer1.xml" ContentType="` + typeWord + `footer+xml"/>` +
	`</Types>`

const packageRels = xmlHead + `<Relationships xmlns="` + nsPackage + `relationships">` +
	`<Relationship Id="r1" Type="` + nsRel + `/officeDocument" Target="word/document.xml"/>` +
	`<Relationship Id="r2" Type="` + nsPackage + `relationships/metadata/core-properties" Target="docProps/core.xml"/>` +
	`</Relationships>`

func documentRels(plates []*plate) string {
	var b strings.Builder
	b.WriteString(xmlHead + `<Relationships xmlns="` + nsPackage + `relationships">`)
	rel := func(id, kind, target string) {
		b.WriteString(`<Relationship Id="` + id + `" Type="` + nsRel + `/` + kind + `" Target="` + target + `"/>`)
	}
	rel("rStyles", "styles", "styles.xml")
	rel("rNumbers", "numbering", "numbering.xml")
	rel("rSettings", "settings", "settings.xml")
	rel("rFonts", "fontTable", "fontTable.xml")
	rel("rHead1", "header", "header1.xml")
	rel("rHead2", "header", "header2.xml")
	rel("rFoot", "footer", "footer1.xml")
	for i, pl := range plates {
		rel(pictureRel(i), "image", mediaName(i, pl))
	}
	b.WriteString(`</Relationships>`)
	return b.String()
}

// coreProperties is title, author, language and dates.
// source: ISO/IEC 29500-2, Open Packaging Conventions, annex D (core properties)
func coreProperties(d Document) string {
	at := d.Created.UTC().Format(time.RFC3339)
	return xmlHead + `<cp:coreProperties xmlns:cp="` + nsPackage + `metadata/core-properties" xmlns:dc="http://purl.org/dc/elements/1.1/"` +
		` xmlns:dcterms="http://purl.org/dc/terms/" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">` +
		`<dc:title>` + escaped(oneLine(d.Title)) + `</dc:title><dc:subject>` + escaped(oneLine(d.Subtitle)) + `</dc:subject>` +
		`<dc:creator>` + escaped(oneLine(d.Author)) + `</dc:creator><dc:language>` + d.language() + `</dc:language>` +
		`<dcterms:created xsi:type="dcterms:W3CDTF">` + at + `</dcterms:created><dcterms:modified xsi:type="dcterms:W3CDTF">` + at + `</dcterms:modified>` +
		`</cp:coreProperties>`
}

// settings asks word processors for their present ways of laying out.
const settings = xmlHead + `<w:settings xmlns:w="` + nsWord + `"><w:defaultTabStop w:val="720"/><w:characterSpacingControl w:val="doNotCompress"/>` +
	`<w:compat><w:compatSetting w:name="compatibilityMode" w:uri="http://schemas.microsoft.com/office/word" w:val="15"/></w:compat></w:settings>`

const fontTable = xmlHead + `<w:fonts xmlns:w="` + nsWord + `">` +
	`<w:font w:name="Liberation Serif"><w:altName w:val="Times New Roman"/><w:family w:val="roman"/><w:pitch w:val="variable"/></w:font>` +
	`<w:font w:name="Liberation Sans"><w:altName w:val="Arial"/><w:family w:val="swiss"/><w:pitch w:val="variable"/></w:font>` +
	`<w:font w:name="Segoe UI Symbol"><w:altName w:val="DejaVu Sans"/><w:family w:val="swiss"/><w:pitch w:val="variable"/></w:font>` +
	`</w:fonts>`

// numbering has one bulleted list, and one numbered list for each in the document, so that each
// begins with 1.
func numbering(lists int) string {
	var b strings.Builder
	level := func(format, text string) string {
		return `<w:multiLevelType w:val="singleLevel"/><w:lvl w:ilvl="0"><w:start w:val="1"/><w:numFmt w:val="` + format + `"/><w:lvlText w:val="` + text +
			`"/><w:lvlJc w:val="left"/><w:pPr><w:ind w:left="360" w:hanging="320"/></w:pPr></w:lvl>`
	}
	b.WriteString(xmlHead + `<w:numbering xmlns:w="` + nsWord + `">` +
		`<w:abstractNum w:abstractNumId="0">` + level("bullet", "•") + `</w:abstractNum>` +
		`<w:abstractNum w:abstractNumId="1">` + level("decimal", "%1.") + `</w:abstractNum>` +
		`<w:num w:numId="1"><w:abstractNumId w:val="0"/></w:num>`)
	for i := range lists {
		b.WriteString(`<w:num w:numId="` + strconv.Itoa(i+2) + `"><w:abstractNumId w:val="1"/><w:lvlOverride w:ilvl="0"><w:startOverride w:val="1"/></w:lvlOverride></w:num>`)
	}
	b.WriteString(`</w:numbering>`)
	return b.String()
}

// wordHeader is the running head: the title (not on the first page) and the notice, over a line.
func wordHeader(title, notice string) string {
	return xmlHead + `<w:hdr xmlns:w="` + nsWord + `"><w:p><w:pPr><w:pStyle w:val="Header"/></w:pPr><w:r><w:t xml:space="preserve">` + escaped(shortened(title, 70)) +
		`</w:t></w:r><w:r><w:tab/></w:r><w:r><w:t xml:space="preserve">` + escaped(shortened(notice, 110)) + `</w:t></w:r></w:p></w:hdr>`
}

func wordFooter(f Footer) string {
	field := func(name string) string {
		return `<w:fldSimple w:instr=" ` + name + ` "><w:r><w:t>1</w:t></w:r></w:fldSimple>`
	}
	return xmlHead + `<w:ftr xmlns:w="` + nsWord + `"><w:p><w:pPr><w:pStyle w:val="Footer"/></w:pPr><w:r><w:t xml:space="preserve">` + escaped(shortened(f.Left, 110)) +
		`</w:t></w:r><w:r><w:tab/></w:r><w:r><w:t xml:space="preserve">Page </w:t></w:r>` + field("PAGE") + `<w:r><w:t xml:space="preserve"> of </w:t></w:r>` + field("NUMPAGES") +
		`</w:p><w:p><w:pPr><w:pStyle w:val="Small"/></w:pPr><w:r><w:t xml:space="preserve">` + escaped(shortened(f.Seal, 260)) + `</w:t></w:r></w:p></w:ftr>`
}

func styles(language string) string {
	var b strings.Builder
	b.WriteString(xmlHead + `<w:styles xmlns:w="` + nsWord + `"><w:docDefaults><w:rPrDefault><w:rPr>` + fonts("Liberation Serif") + `<w:color w:val="` + rgb(black) +
		`"/><w:sz w:val="21"/><w:szCs w:val="21"/><w:lang w:val="` + language + `"/></w:rPr></w:rPrDefault>` +
		`<w:pPrDefault><w:pPr><w:widowControl/><w:spacing w:after="140" w:line="292" w:lineRule="atLeast"/></w:pPr></w:pPrDefault></w:docDefaults>` +
		`<w:style w:type="paragraph" w:default="1" w:styleId="Normal"><w:name w:val="Normal"/><w:qFormat/></w:style>`)
	style := func(id, name, next, paragraph, character string) {
		b.WriteString(`<w:style w:type="paragraph" w:styleId="` + id + `"><w:name w:val="` + name + `"/><w:basedOn w:val="Normal"/>`)
		if next != "" {
			b.WriteString(`<w:next w:val="` + next + `"/>`)
		}
		b.WriteString(`<w:qFormat/><w:pPr>` + paragraph + `</w:pPr><w:rPr>` + character + `</w:rPr></w:style>`)
	}
	spacing := func(before, after, line string) string {
		return `<w:spacing w:before="` + before + `" w:after="` + after + `" w:line="` + line + `" w:lineRule="atLeast"/>`
	}
	size := func(halfPoints string) string {
		return `<w:sz w:val="` + halfPoints + `"/><w:szCs w:val="` + halfPoints + `"/>`
	}
	colour := func(c ink) string { return `<w:color w:val="` + rgb(c) + `"/>` }
	border := func(side string, c ink, eighths, space string) string {
		return `<w:` + side + ` w:val="single" w:sz="` + eighths + `" w:space="` + space + `" w:color="` + rgb(c) + `"/>`
	}
	rightTab := `<w:tabs><w:tab w:val="right" w:pos="` + twips(measure) + `"/></w:tabs>`
	sansFonts := fonts("Liberation Sans")

	style("Title", "Title", "Subtitle", `<w:keepNext/>`+spacing("240", "40", "560"), size("46"))
	style("Subtitle", "Subtitle", "Normal", spacing("0", "320", "340"), `<w:i/>`+colour(grey)+size("25"))
	style("Heading1", "heading 1", "Normal", `<w:keepNext/><w:keepLines/>`+spacing("280", "120", "400")+`<w:outlineLvl w:val="0"/>`, size("31"))
	style("Heading2", "heading 2", "Normal", `<w:keepNext/><w:keepLines/>`+spacing("200", "80", "320")+`<w:outlineLvl w:val="1"/>`, size("24"))
	style("Heading3", "heading 3", "Normal", `<w:keepNext/><w:keepLines/>`+spacing("120", "40", "260")+`<w:outlineLvl w:val="2"/>`, sansFonts+`<w:b/>`+size("18"))
	style("ListParagraph", "List Paragraph", "", spacing("0", "50", "292")+`<w:ind w:left="360"/>`, "")
	style("Header", "header", "", `<w:pBdr>`+border("bottom", accent, "7", "5")+`</w:pBdr>`+rightTab+spacing("0", "0", "180"), sansFonts+colour(grey)+size("15"))
	style("Footer", "footer", "", `<w:pBdr>`+border("top", rule, "3", "4")+`</w:pBdr>`+rightTab+spacing("0", "0", "200"), sansFonts+size("15"))
	style("Small", "Small", "", spacing("0", "0", "190"), sansFonts+colour(grey)+size("14"))
	style("Caption", "caption", "", `<w:keepNext/>`+spacing("80", "80", "230"), sansFonts+`<w:b/>`+colour(grey)+size("17"))
	style("Figure", "Figure", "FigureCaption", `<w:keepNext/>`+spacing("80", "80", "240"), "")
	style("FigureCaption", "Figure caption", "Normal", spacing("0", "240", "230"), sansFonts+colour(grey)+size("17"))
	style("TableHead", "Table head", "", spacing("0", "0", "212"), sansFonts+`<w:b/>`+colour(grey)+size("16"))
	style("TableText", "Table text", "", spacing("0", "40", "228"), sansFonts+size("17"))
	style("CellPicture", "Cell picture", "", spacing("30", "80", "228"), sansFonts+size("17"))
	style("FactLabel", "Fact label", "", spacing("0", "30", "292"), sansFonts+colour(grey)+size("17"))
	style("FactValue", "Fact value", "", spacing("0", "30", "292"), "")
	style("Caution", "Caution", "", `<w:pBdr>`+border("top", madder, "8", "7")+border("left", madder, "8", "9")+border("bottom", madder, "8", "7")+border("right", madder, "8", "9")+`</w:pBdr>`+
		spacing("0", "50", "260")+`<w:ind w:left="200" w:right="200"/>`, sansFonts+size("18"))
	style("Gap", "Gap", "Normal", `<w:spacing w:before="0" w:after="0" w:line="200" w:lineRule="exact"/>`, size("8"))
	b.WriteString(`</w:styles>`)
	return b.String()
}

func fonts(name string) string {
	return `<w:rFonts w:ascii="` + name + `" w:hAnsi="` + name + `" w:eastAsia="` + name + `" w:cs="` + name + `"/>`
}
