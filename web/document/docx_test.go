package document

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"io"
	"slices"
	"strconv"
	"strings"
	"testing"
)

func docxOf(t testing.TB, d Document) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := WriteDOCX(&b, d); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// parts unpacks a DOCX and checks that every XML part is well-formed and names no missing part.
func parts(t testing.TB, b []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatalf("%s: %v", f.Name, err)
		}
		if _, twice := out[f.Name]; twice {
			t.Fatalf("part %s twice", f.Name)
		}
		out[f.Name] = string(content)
		if strings.HasSuffix(f.Name, ".xml") || strings.HasSuffix(f.Name, ".rels") {
			wellFormed(t, f.Name, content)
		}
	}
	if z.File[0].Name != "[Content_Types].xml" {
		t.Error("the content types are not the first part")
	}
	for _, rel := range strings.Split(out["word/_rels/document.xml.rels"], "<Relationship ")[1:] {
		_, target, _ := strings.Cut(rel, `Target="`)
		target, _, _ = strings.Cut(target, `"`)
		if _, there := out["word/"+target]; !there {
			t.Errorf("a relationship leads to %s, which is not there", target)
		}
	}
	for _, use := range strings.Split(out["word/document.xml"], `r:embed="`)[1:] {
		id, _, _ := strings.Cut(use, `"`)
		if !strings.Contains(out["word/_rels/document.xml.rels"], `Id="`+id+`"`) {
			t.Errorf("a picture uses %s, which is not related", id)
		}
	}
	return out
}

// The order in which the schema wants an element's children.
// source: ISO/IEC 29500-1:2016, annex A.1 (WordprocessingML), CT_PPrBase, EG_RPrBase, CT_TblPrBase, CT_TcPrBase, CT_SectPr, CT_Lvl, CT_Style
var childOrder = map[string][]string{
	"pPr":        strings.Fields("pStyle keepNext keepLines pageBreakBefore framePr widowControl numPr suppressLineNumbers pBdr shd tabs suppressAutoHyphens kinsoku wordWrap overflowPunct topLinePunct autoSpaceDE autoSpaceDN bidi adjustRightInd snapToGrid spacing ind contextualSpacing mirrorIndents suppressOverlap jc textDirection textAlignment textboxTightWrap outlineLvl divId cnfStyle rPr sectPr pPrChange"),
	"rPr":        strings.Fields("rStyle rFonts b bCs i iCs caps smallCaps strike dstrike outline shadow emboss imprint noProof snapToGrid vanish webHidden color spacing w kern position sz szCs highlight u effect bdr shd fitText vertAlign rtl cs em lang eastAsianLayout specVanish oMath"),
	"tblPr":      strings.Fields("tblStyle tblpPr tblOverlap bidiVisual tblStyleRowBandSize tblStyleColBandSize tblW jc tblCellSpacing tblInd tblBorders shd tblLayout tblCellMar tblLook tblCaption tblDescription"),
	"tblBorders": strings.Fields("top left bottom right insideH insideV"),
	"tcPr":       strings.Fields("cnfStyle tcW gridSpan hMerge vMerge tcBorders shd noWrap tcMar textDirection tcFitText vAlign hideMark"),
	"tcMar":      strings.Fields("top left bottom right"), "tblCellMar": strings.Fields("top left bottom right"), "pBdr": strings.Fields("top left bottom right between bar"),
	"sectPr": strings.Fields("headerReference footerReference footnotePr endnotePr type pgSz pgMar paperSrc pgBorders lnNumType pgNumType cols formProt vAlign noEndnote titlePg"),
	"lvl":    strings.Fields("start numFmt lvlRestart pStyle isLgl suff lvlText lvlPicBulletId legacy lvlJc pPr rPr"),
	"style":  strings.Fields("name aliases basedOn next link autoRedefine hidden uiPriority semiHidden unhideWhenUsed qFormat locked personal rsid pPr rPr tblPr trPr tcPr tblStylePr"),
	"tbl":    strings.Fields("tblPr tblGrid tr"), "tc": strings.Fields("tcPr p"), "tr": strings.Fields("tblPrEx trPr tc"),
	"inline": strings.Fields("extent effectExtent docPr cNvGraphicFramePr graphic"),
	"font":   strings.Fields("altName panose1 charset family notTrueType pitch sig"),
}

func wellFormed(t testing.TB, name string, content []byte) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(content))
	type open struct {
		name string
		at   int // place of the last child in the order
	}
	stack := []open{{}}
	for {
		token, err := d.Token()
		if err == io.EOF {
			return
		}
		if err != nil {
			t.Fatalf("%s is not well-formed: %v", name, err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			parent := &stack[len(stack)-1]
			if order, known := childOrder[parent.name]; known {
				at := slices.Index(order, token.Name.Local)
				if at < parent.at {
					t.Errorf("%s: %s stands at a wrong place in %s", name, token.Name.Local, parent.name)
				}
				parent.at = at
			}
			stack = append(stack, open{name: token.Name.Local})
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		}
	}
}

func TestDOCXAgreement(t *testing.T) {
	d := agreement(12)
	b := docxOf(t, d)
	kept(t, "agreement.docx", b)
	p := parts(t, b)
	body := p["word/document.xml"]
	for _, want := range []string{
		"Łódź", "Žďár nad Sázavou", "Ελλάδα", "Køge", "≤ 50 lx", "→", "µg/m³", "✓", "⚠", "MS.1998.0028", "For the borrower",
		`<w:pStyle w:val="Heading2"/>`, `<w:tblCaption w:val="Schedule: 12 objects"/>`, `descr="Front view of the whole object"`,
		`<w:titlePg/>`, `<w:b/>`, `<w:i/>`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if n := strings.Count(body, "<w:tblHeader/>"); n != 1 {
		t.Errorf("%d head rows are repeated", n)
	}
	schedule := body[strings.Index(body, "<w:tblHeader/>"):strings.Index(body, "Return and closure")]
	if strings.Contains(schedule, "cantSplit") {
		t.Error("rows of the schedule may not break")
	}
	if n := strings.Count(schedule, "<w:tr>"); n != 12 {
		t.Errorf("%d rows", n)
	}
	for _, want := range []string{" PAGE ", " NUMPAGES ", "Loan L-2026-014, version 7", "head of chain 1204"} {
		if !strings.Contains(p["word/footer1.xml"], want) {
			t.Errorf("the foot lacks %q", want)
		}
	}
	if !strings.Contains(p["word/header2.xml"], "Agreement for an outgoing loan") || !strings.Contains(p["word/header1.xml"], "everything here is invented") {
		t.Error("the running head is incomplete")
	}
	for _, want := range []string{"<dc:title>Agreement for an outgoing loan</dc:title>", "<dc:language>en-GB</dc:language>", "2026-11-20T08:30:00Z"} {
		if !strings.Contains(p["docProps/core.xml"], want) {
			t.Errorf("the properties lack %q", want)
		}
	}
	if !strings.Contains(p["word/styles.xml"], `<w:lang w:val="en-GB"/>`) {
		t.Error("the language is not set")
	}
	for style := range strings.SplitSeq(body, `<w:pStyle w:val="`) {
		id, _, found := strings.Cut(style, `"/>`)
		if found && len(id) < 20 && !strings.Contains(p["word/styles.xml"], `w:styleId="`+id+`"`) {
			t.Errorf("style %s is used and not defined", id)
		}
	}
	media := 0
	for name := range p {
		if strings.HasPrefix(name, "word/media/") {
			media++
		}
	}
	if media != 12 || strings.Count(body, "<pic:pic>") != 12 {
		t.Errorf("%d pictures stored, %d drawn", media, strings.Count(body, "<pic:pic>"))
	}
	if !bytes.Equal(b, docxOf(t, d)) {
		t.Error("equal documents gave different bytes")
	}
}

func TestDOCXNumberedListsBeginWithOne(t *testing.T) {
	list := List{Numbered: true, Items: []Paragraph{Text("a"), Text("b")}}
	p := parts(t, docxOf(t, Document{Created: made, Blocks: []Block{list, Text("between"), list, List{Items: []Paragraph{Text("c")}}}}))
	for i, want := range []int{1, 2, 2} {
		if n := strings.Count(p["word/document.xml"], `<w:numId w:val="`+strconv.Itoa(i+1)+`"/>`); n != want {
			t.Errorf("list %d has %d items, not %d", i+1, n, want)
		}
		if !strings.Contains(p["word/numbering.xml"], `<w:num w:numId="`+strconv.Itoa(i+1)+`">`) {
			t.Errorf("list %d is not defined", i+1)
		}
	}
}

func TestDOCXEqualPicturesAreStoredOnce(t *testing.T) {
	same := Picture{drawnJPEG(1, 80, 60), `"><script>`}
	d := Document{Created: made, Blocks: []Block{Figure{same, "a"}, Figure{same, "b"}, Figure{Picture{[]byte("no picture"), "the left cuff"}, "c"}}}
	p := parts(t, docxOf(t, d))
	if _, second := p["word/media/picture2.jpg"]; second || strings.Count(p["word/document.xml"], `r:embed="rPic1"`) != 2 {
		t.Error("equal pictures are stored twice")
	}
	if !strings.Contains(p["word/document.xml"], "[Picture cannot be shown: the left cuff]") {
		t.Error("a picture that cannot be read leaves no trace")
	}
	if strings.Contains(p["word/document.xml"], "<script>") {
		t.Error("a description is not escaped")
	}
}

func TestDOCXRefuses(t *testing.T) {
	if err := WriteDOCX(io.Discard, Document{}); err == nil {
		t.Error("a document without a date is accepted")
	}
	if err := WriteDOCX(failing{}, agreement(1)); err == nil {
		t.Error("a failed write is not reported")
	}
}

func BenchmarkDOCX(b *testing.B) {
	d := agreement(12)
	b.ReportAllocs()
	for b.Loop() {
		var out bytes.Buffer
		if err := WriteDOCX(&out, d); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(out.Len()), "bytes/doc")
	}
}
