package document

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/pdfcpu/pdfcpu/pkg/api"
	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu"
	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu/model"
)

func pdfOf(t testing.TB, d Document) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := WritePDF(&b, d); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// pdfPages opens a PDF with another program's reader and gives the text drawn on each page, a line
// for each piece.
func pdfPages(t testing.TB, b []byte) []string {
	t.Helper()
	api.DisableConfigDir()
	ctx, err := api.ReadValidateAndOptimize(bytes.NewReader(b), model.NewDefaultConfiguration())
	if err != nil {
		t.Fatalf("a PDF that does not open: %v", err)
	}
	var out []string
	for i := range ctx.PageCount {
		r, err := pdfcpu.ExtractPageContent(ctx, i+1)
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, shownText(content))
	}
	return out
}

var shows = regexp.MustCompile(`(?s)Td \(((?:[^\\)]|\\.)*)\) Tj`)

// shownText reads the strings of a content stream, which are UTF-16.
// source: ISO 32000-1:2008, 7.3.4.2 (literal strings) and 9.4.3 (showing text)
func shownText(content []byte) string {
	var out strings.Builder
	for _, m := range shows.FindAllSubmatch(content, -1) {
		raw := m[1]
		var units []uint16
		var plain []byte
		for i := 0; i < len(raw); i++ {
			c := raw[i]
			if c == '\\' && i+1 < len(raw) {
				i++
				if c = raw[i]; c == 'r' {
					c = '\r'
				}
			}
			plain = append(plain, c)
		}
		for i := 0; i+1 < len(plain); i += 2 {
			units = append(units, uint16(plain[i])<<8|uint16(plain[i+1]))
		}
		out.WriteString(string(utf16.Decode(units)) + "\n")
	}
	return out.String()
}

func TestPDFAgreement(t *testing.T) {
	b := pdfOf(t, agreement(12))
	kept(t, "agreement.pdf", b)
	pages := pdfPages(t, b)
	if len(pages) < 4 || len(pages) > 8 {
		t.Fatalf("%d pages", len(pages))
	}
	whole := strings.Join(pages, "")
	for _, want := range []string{
		"Łódź", "Žďár nad Sázavou", "Ελλάδα", "Køge", "≤ 50 lx", "→", "µg/m³", "✓", "✗", "⚠", "☐", "℃",
		"MS.1998.0028", "EUR\u00a020\u00a0407.50", "For the borrower", "Caution", "Žofie Nováková, registrar",
	} {
		if !strings.Contains(whole, strings.ReplaceAll(want, "\u00a0", " ")) {
			t.Errorf("%q is not on any page", want)
		}
	}
	for i, text := range pages {
		for _, want := range []string{
			fmt.Sprintf("Page %d of %d\n", i+1, len(pages)),
			"Demonstration: everything here is invented\n", "Loan L-2026-014, version 7\n", "head of chain 1204",
			"Agreement for an outgoing loan\n",
		} {
			if strings.Count(text, want) != 1 {
				t.Errorf("page %d has %q %d times", i+1, want, strings.Count(text, want))
			}
		}
	}
}

// A schedule of 120 rows with photographs: the head stands on every page, every object once, rows
// too tall for a page go on under their number.
func TestPDFLongTable(t *testing.T) {
	faces := typefaces{}
	const rows = 120
	d := agreement(rows)
	b := pdfOf(t, d)
	kept(t, "long.pdf", b)
	pages := pdfPages(t, b)
	first, last := -1, -1
	for i, text := range pages {
		if strings.Contains(text, "MS.1998.") {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	if last-first < 20 {
		t.Fatalf("the table stands on pages %d to %d only", first, last)
	}
	for i := first; i <= last; i++ {
		for _, head := range []string{"Object\n", "Conditions and hazards\n", "Value\n"} {
			if strings.Count(pages[i], head) != 1 {
				t.Errorf("page %d has the head %q %d times", i+1, head, strings.Count(pages[i], head))
			}
		}
		if again := strings.Contains(pages[i], ", continued"); again != (i > first) {
			t.Errorf("page %d: caption says continued: %v", i+1, again)
		}
	}
	whole := strings.Join(pages, "")
	for i := range rows {
		number := fmt.Sprintf("MS.1998.%04d", 17+i)
		split := strings.Count(whole, number+"\n, continued\n")
		if n := strings.Count(whole, number) - split; n != 1 {
			t.Errorf("%s stands %d times", number, n)
		}
		if tall := i%5 == 4; split > 0 && !tall {
			t.Errorf("%s is a short row and was divided", number)
		}
	}
	if n := strings.Count(whole, "Seen in raking"); n != 14*rows/5 {
		t.Errorf("%d of %d condition texts", n, 14*rows/5)
	}
	pictures := 0
	for _, p := range lay(d, faces).pages {
		pictures += len(p.pictures)
	}
	if pictures != rows {
		t.Errorf("%d pictures", pictures)
	}
}

// Whatever stands in a document, nothing is drawn outside its place on the page and no two lines of
// running text lie on one another.
func TestPDFStaysInsideMargins(t *testing.T) {
	faces := typefaces{}
	long := strings.Repeat("Oberflächenuntersuchung", 450)
	docs := map[string]Document{"agreement": agreement(13), "hostile": hostile(10_000), "empty": {Created: made}}
	small, tall := Picture{drawnPNG(1, 60, 90), ""}, Picture{drawnPNG(2, 100, 1300), ""}
	for n := range 30 { // every place on the page where a block can begin
		d := Document{Title: "T", Created: made}
		for range n {
			d.Blocks = append(d.Blocks, Text("Line."))
		}
		d.Blocks = append(d.Blocks, Heading{1, "Section"}, Heading{2, "Part"}, Text(long), Caution{Paragraphs: []Paragraph{Text(long)}},
			Heading{3, "Objects"}, Table{Caption: long, Columns: []Column{{"A", 1, Left}, {"B", 2, Right}}, Rows: [][]Cell{{TextCell(long), {Picture: &small}}}},
			Figure{tall, long}, Signatures{{Role: long, Name: long, Sign: long, Place: long, Date: long}, {}})
		docs[fmt.Sprintf("after %d lines", n)] = d
	}
	for name, d := range docs {
		l := lay(d, faces)
		for i, p := range l.pages {
			for _, m := range p.texts {
				right := m.x + l.t.width(m.face, m.size, m.text)
				if m.x < marginX-0.1 || right > marginX+measure+0.5 || m.y < 30 || m.y > pageHeight-20 {
					t.Fatalf("%s, page %d: %q stands at %.1f–%.1f, %.1f", name, i+1, m.text, m.x, right, m.y)
				}
				if m.y > textBottom && m.y < footY {
					t.Fatalf("%s, page %d: %q runs into the foot", name, i+1, m.text)
				}
			}
			for _, m := range p.pictures {
				if m.x < marginX-0.1 || m.x+m.w > marginX+measure+0.1 || m.y < textTop-0.1 || m.y+m.h > textBottom+0.1 {
					t.Fatalf("%s, page %d: picture at %.1f, %.1f of %.1f × %.1f", name, i+1, m.x, m.y, m.w, m.h)
				}
			}
			for _, m := range p.rules {
				if m.y2 > pageHeight || m.x2 > marginX+measure+0.1 {
					t.Fatalf("%s, page %d: rule %+v", name, i+1, m)
				}
			}
		}
	}
}

// A heading has something under it on its page.
func TestPDFHeadingsAreNotLeftAlone(t *testing.T) {
	faces := typefaces{}
	next := map[string]Block{
		"paragraph": Text(strings.Repeat("Some words of the text. ", 60)), "facts": Facts{{"A", "b"}, {"C", "d"}},
		"list": List{Items: []Paragraph{Text("one"), Text("two")}}, "figure": Figure{Picture{drawnPNG(3, 400, 300), ""}, "A figure"},
		"table":      Table{Caption: "Objects", Columns: []Column{{"A", 1, Left}}, Rows: [][]Cell{{TextCell("row one")}, {TextCell("row two")}}},
		"caution":    Caution{Paragraphs: []Paragraph{Text("Do not open.")}},
		"signatures": Signatures{{Role: "For the lender"}, {Role: "For the borrower"}, {Role: "For the carrier"}},
	}
	for name, b := range next {
		for n := range 50 {
			d := Document{Title: "T", Created: made}
			for range n {
				d.Blocks = append(d.Blocks, Text("Line."))
			}
			d.Blocks = append(d.Blocks, Heading{1, "Section"}, Heading{2, "Part"}, b)
			for i, p := range lay(d, faces).pages {
				low, heading := 0.0, -1.0
				for _, m := range p.texts {
					if m.y < textBottom && m.text != "Section" && m.text != "Part" {
						low = math.Max(low, m.y)
					}
				}
				for _, m := range p.pictures {
					low = math.Max(low, m.y+m.h)
				}
				for _, s := range p.sections {
					heading = math.Max(heading, s.y)
				}
				if heading >= 0 && low < heading {
					t.Fatalf("%s after %d lines: a heading is the last on page %d", name, n, i+1)
				}
			}
		}
	}
}

func TestPDFIsDeterministic(t *testing.T) {
	d := agreement(12) // four pictures of each height, all of one width
	want := pdfOf(t, d)
	for range 4 {
		if !bytes.Equal(want, pdfOf(t, d)) {
			t.Fatal("equal documents gave different bytes")
		}
	}
	if bytes.Equal(want, pdfOf(t, agreement(11))) {
		t.Fatal("different documents gave equal bytes")
	}
}

func TestPDFProperties(t *testing.T) {
	faces := typefaces{}
	d := agreement(1)
	d.Title += " 😀"
	d.Language = "en) /Evil (x"
	b := pdfOf(t, d)
	if !bytes.Contains(b, []byte("/Lang (en)")) || bytes.Contains(b, []byte("Evil")) {
		t.Error("the language is not safe")
	}
	if !bytes.Contains(b, []byte("D:20261120083000")) {
		t.Error("the creation date is not Created in UTC")
	}
	api.DisableConfigDir()
	f, err := api.PDFInfo(bytes.NewReader(b), "", nil, false, model.NewDefaultConfiguration())
	if err != nil {
		t.Fatal(err)
	}
	if f.Title != "Agreement for an outgoing loan □" || f.Author != d.Author || f.PageCount != len(lay(d, faces).pages) {
		t.Errorf("title %q, author %q, %d pages", f.Title, f.Author, f.PageCount)
	}
	for _, claim := range []string{"pdfaid", "PDF/A", "GTS_PDFA"} {
		if bytes.Contains(b, []byte(claim)) {
			t.Errorf("claims %s", claim)
		}
	}
	if err := WritePDF(io.Discard, Document{}); err == nil {
		t.Error("a document without a date is accepted")
	}
	if err := WritePDF(failing{}, d); err == nil {
		t.Error("a failed write is not reported")
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

func TestPDFMissingGlyphs(t *testing.T) {
	d := Document{Title: "漢字", Created: made, Blocks: []Block{
		Text("one 漢 two 😀 three"), Heading{3, "潜水服 👨‍👩‍👧"}, Paragraph{{Text: "⚠ ✓", Bold: true}, {Text: " ☐", Italic: true}},
	}}
	pages := pdfPages(t, pdfOf(t, d))
	for _, want := range []string{"□□\n", "one \n□\n two \n□\n three\n", "□□□\n \n□□□\n", "⚠\n \n✓\n", "☐\n"} {
		if !strings.Contains(pages[0], want) {
			t.Errorf("%q is not in %q", want, pages[0])
		}
	}
}

// No paragraph leaves its first line alone at the foot of a page or its last alone at the head of
// the next.
func TestPDFLeavesNoSingleLines(t *testing.T) {
	faces := typefaces{}
	for n := range 45 {
		for _, count := range []int{2, 3, 4, 9} {
			lines := strings.TrimSuffix(strings.Repeat("Paragraph.\n", count), "\n")
			for _, b := range []Block{Text(lines), Caution{Paragraphs: []Paragraph{Text(strings.Repeat("Before.\n", 14)), Text(lines)}},
				Table{Columns: []Column{{"A", 1, Left}}, Rows: [][]Cell{{TextCell(strings.Repeat("Before.\n", 14), lines)}}}} {
				d := Document{Title: "T", Created: made}
				for range n {
					d.Blocks = append(d.Blocks, Text("Line."))
				}
				d.Blocks = append(d.Blocks, b)
				for i, p := range lay(d, faces).pages {
					found := 0
					for _, m := range p.texts {
						if m.text == "Paragraph." {
							found++
						}
					}
					if found == 1 {
						t.Fatalf("%T of %d lines after %d: one line stands alone on page %d", b, count, n, i+1)
					}
				}
			}
		}
	}
}

func TestPDFOutlineLeavesOutNoStep(t *testing.T) {
	d := Document{Title: "T", Created: made, Blocks: []Block{Heading{3, "c"}, Heading{1, "a"}, Heading{3, "d"}, Heading{-4, "e"}, Heading{99, "f"}}}
	api.DisableConfigDir()
	marks, err := api.Bookmarks(bytes.NewReader(pdfOf(t, d)), model.NewDefaultConfiguration())
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	var walk func(bs []pdfcpu.Bookmark, depth int)
	walk = func(bs []pdfcpu.Bookmark, depth int) {
		for _, b := range bs {
			got = append(got, strconv.Itoa(depth)+b.Title)
			walk(b.Kids, depth+1)
		}
	}
	walk(marks, 0)
	if s := strings.Join(got, " "); s != "0c 0a 1d 0e 1f" {
		t.Errorf("outline %s", s)
	}
}

// every is a document with every kind of block, to be looked at (flag -keep).
func every() Document {
	d := Document{Title: "Examination of a constant-volume dry suit", Subtitle: "Before loan L-2026-014", Created: made, Author: "Museum of the Sound",
		Footer: Footer{"MS.1998.0018, examination 4", "Seal sha-256 " + strings.Repeat("3f9a61c08be277d1", 4) + ", head of chain 1204 " + strings.Repeat("8be019f377d1c2e1", 4)}}
	long := Text("The closed-cell polychloroprene is stiff along the left fold; hydrogen sulphide was smelt when the bag was opened. Open the bag under extraction, wear nitrile gloves, and let the air change for an hour before the next touch. Usual caution only. Follow local law and your safety adviser; when unsure, stop and ask.")
	d.Blocks = []Block{
		Heading{1, "Findings"}, Heading{2, "Seals and rings"}, Heading{3, "Left cuff"},
		Text("Bloom on the inner face, 40 × 12 mm; pH 4.6 ± 0.2 at the surface. Name on the label: שלום עולם (1971), Ναύτης, водолаз."),
		Figure{Picture{drawnJPEG(2, 1200, 700), "Left cuff"}, "Figure 1. Left cuff, inner face, raking light from the left; scale bar 100 mm."},
		Facts{{"Examined by", "Søren Blåbjerg"}, {"Light", "daylight lamp, 5000 K, ≤ 50 lx"}, {"A label that is so long that it takes two lines", "short"}},
		Table{"Measurements", []Column{{"Place", 2, Left}, {"Thickness (mm)", 1, Right}, {"Colour L*", 1, Right}, {"Seen", 1, Centre}},
			[][]Cell{{TextCell("Left cuff"), TextCell("2.41"), TextCell("31.7"), TextCell("✓")}, {TextCell("Right cuff"), TextCell("12.38"), TextCell("8.2"), TextCell("✗")}, {{Paragraphs: []Paragraph{Text("Mean")}, Bold: true}, {Paragraphs: []Paragraph{Text("7.40")}, Bold: true}, {}, {}}}},
		List{Items: []Paragraph{Text("Open the glove before storing."), long}},
		Caution{Word: "Stop", Paragraphs: []Paragraph{long, long, long, long, long, long, long, long, long, long, long, long, long, long}},
		Signatures{{Role: "Conservator", Name: "Søren Blåbjerg"}},
	}
	return d
}

func TestEveryBlock(t *testing.T) {
	pdf, docx := pdfOf(t, every()), docxOf(t, every())
	kept(t, "every.pdf", pdf)
	kept(t, "every.docx", docx)
	text, body := strings.Join(pdfPages(t, pdf), ""), parts(t, docx)["word/document.xml"]
	for _, want := range []string{"Seals and rings", "Left cuff", "Figure 1.", "Examined by", "Measurements", "12.38", "Open the glove", "Stop", "Conservator"} {
		if !strings.Contains(text, want) || !strings.Contains(body, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if !strings.Contains(text, "Stop\n, continued\n") {
		t.Error("the caution that goes on does not say so")
	}
}

func BenchmarkPDF(b *testing.B) {
	d := agreement(12)
	b.ReportAllocs()
	for b.Loop() {
		var out bytes.Buffer
		if err := WritePDF(&out, d); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(out.Len()), "bytes/doc")
	}
}
