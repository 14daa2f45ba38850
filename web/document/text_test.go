package document

import (
	"bytes"
	"encoding/csv"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// hostile is a document with text that people do not write, in every place that takes text, with
// words of so many letters.
func hostile(letters int) Document {
	evil := []string{
		"", "\x00", "NUL\x00inside", "\xff\xfe bad \xc3 bytes \xed\xa0\x80", "\u202eoverride\u202c \u2067isolate\u2069 \u200f\u200eשלום עולם 123.5 (א) العربية",
		strings.Repeat("W", letters), strings.Repeat("א", letters), strings.Repeat("\n", letters/30), strings.Repeat(" ", letters/2) + "x", "\ufffe\uffff\U0001ffff",
		"e" + strings.Repeat("\u0301", letters/3), "😀👨‍👩‍👧‍👦漢字", "<w:p>&amp;]]></w:t>", `a)\ Tj ET (b\`, "a\r\nb\rc\u2028d\u2029e\tf\vg\fh", "\u00ad\u200b\u2060\ufeff",
	}
	var runs Paragraph
	for i := range 200 {
		runs = append(runs, Run{evil[i%len(evil)][:min(len(evil[i%len(evil)]), 40)], i%2 == 0, i%3 == 0})
	}
	d := Document{Created: made, Language: "\x00", Blocks: []Block{runs, Facts{}, List{}, Table{}, Table{Caption: "no columns", Rows: [][]Cell{{TextCell("x")}}},
		Table{"narrow", []Column{{"a word", 1, Left}, {"b", 1e300, Left}}, [][]Cell{{TextCell("a word"), TextCell("x")}}}, Signatures{}, PageBreak{}, PageBreak{}}}
	for i, s := range evil {
		d.Title, d.Subtitle, d.Author, d.Notice, d.Footer = d.Title+s, d.Subtitle+s, d.Author+s, d.Notice+s, Footer{d.Footer.Left + s, d.Footer.Seal + s}
		d.Blocks = append(d.Blocks, Heading{i - 3, s}, Text(s), Facts{{s, s}}, List{Numbered: i%2 == 0, Items: []Paragraph{Text(s), runs}},
			Table{s, []Column{{s, float64(i - 2), Align(i % 5)}, {s, 1, Right}, {s, 1.5, Centre}}, [][]Cell{{TextCell(s, s), {Bold: true, Paragraphs: []Paragraph{runs}}}, {}, {{}, {}, {Picture: &Picture{[]byte(s), s}}, TextCell("surplus")}}},
			Figure{Picture{[]byte(s), s}, s}, Caution{s, []Paragraph{Text(s), nil}}, Signatures{{s, s, s, s, s}, {}, {s, s, s, s, s}})
	}
	d.Blocks = append(d.Blocks, nil)
	return d
}

func TestHostileText(t *testing.T) {
	kept(t, "hostile-short.docx", docxOf(t, hostile(150)))
	d := hostile(10_000)
	b := pdfOf(t, d)
	kept(t, "hostile.pdf", b)
	pages := pdfPages(t, b)
	if n := strings.Count(strings.Join(pages, ""), "W"); n < 10_000*10 {
		t.Errorf("only %d of the letters are drawn", n)
	}
	b = docxOf(t, d)
	kept(t, "hostile.docx", b)
	for name, content := range parts(t, b) {
		if strings.ContainsAny(content, "\x00\u202e\u2067\ufffe") && !strings.HasPrefix(name, "word/media/") {
			t.Errorf("%s holds what XML may not", name)
		}
	}
}

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"Łódź":                "Łódź",
		"a\x00b\x07\u0085c":   "ab\nc",
		"a\r\nb\rc\nd\te":     "a\nb\nc\nd\te",
		"\xffx":               "\uFFFDx",
		"\u202egpj.exe":       "gpj.exe",
		"\ufeffx\ufffe\uffff": "x",
	} {
		if got := clean(in); got != want {
			t.Errorf("clean(%q) = %q, not %q", in, got, want)
		}
	}
}

// The widths by which lines are broken are those of the font, read by another reader.
func TestMetricsAgreeWithAnotherReader(t *testing.T) {
	faces := []face{{symbols, false, false}, {symbols, true, false}}
	for _, f := range []family{serif, sans} {
		faces = append(faces, face{f, false, false}, face{f, true, false}, face{f, false, true}, face{f, true, true})
	}
	for _, f := range faces {
		m, err := readMetrics(f.file())
		if err != nil {
			t.Fatal(err)
		}
		other, err := sfnt.Parse(f.file())
		if err != nil {
			t.Fatal(err)
		}
		var buf sfnt.Buffer
		for r := rune(0x20); r < 0xFFFF; r++ {
			glyph, err := other.GlyphIndex(&buf, r)
			if err != nil {
				t.Fatal(err)
			}
			if has := m[r] >= 0; has != (glyph != 0) {
				t.Fatalf("%v: %U is there: %v", f, r, has)
			}
			if glyph == 0 {
				continue
			}
			w, err := other.GlyphAdvance(&buf, glyph, fixed.I(1000), font.HintingNone)
			if err != nil {
				t.Fatal(err)
			}
			if diff := int(w)/64 - int(m[r]); diff < -1 || diff > 1 {
				t.Fatalf("%v: %U is %d wide, not %v", f, r, m[r], w)
			}
		}
		for cut := range 40 { // a font that is cut off is refused, not read past its end
			if part, err := readMetrics(f.file()[:cut*997]); err == nil && *part != *m {
				t.Fatalf("%v, cut to %d bytes, is read as something else", f, cut*997)
			}
		}
	}
}

func linesOf(t typefaces, p Paragraph, width float64) []string {
	var out []string
	for _, l := range t.lines(p, serif, 10, width) {
		out = append(out, lineText(l))
	}
	return out
}

// lineText is a line's text as it is drawn.
func lineText(l line) string {
	var b strings.Builder
	for _, p := range l.pieces {
		b.WriteString(p.text)
	}
	return b.String()
}

func TestLines(t *testing.T) {
	faces := typefaces{}
	for _, c := range []struct {
		text  string
		width float64
		want  []string
	}{
		{"", 100, nil},
		{"one two three", 1000, []string{"one two three"}},
		{"one two  three", 40, []string{"one two", "three"}},
		{"a\n\nb", 100, []string{"a", "", "b"}},
		{"left–right-hand side", 52, []string{"left–right-", "hand side"}},
		{"1965-07-14 1965–1970", 48, []string{"1965-07-14", "1965–1970"}},
		{"EUR\u00a012\u00a0000 x", 29, []string{"EUR 1", "2 000", "x"}},
		{"non\u2011breaking hyphen", 60, []string{"non-breaking", "hyphen"}},
		{"iiiiiiiiiiii", 10, []string{"iii", "iii", "iii", "iii"}},
		{"W", 1, []string{"W"}},
		{"so\u00adft\u200bjoin", 20, []string{"soft", "join"}},
		{"trailing   ", 100, []string{"trailing"}},
	} {
		if got := linesOf(faces, Text(c.text), c.width); !slices.Equal(got, c.want) {
			t.Errorf("%q in %.0f pt: %q, not %q", c.text, c.width, got, c.want)
		}
	}
	mixed := Paragraph{{Text: "half"}, {Text: "bold", Bold: true}, {Text: " ✓ end", Italic: true}}
	if got := linesOf(faces, mixed, 45); !slices.Equal(got, []string{"halfbold", "✓ end"}) {
		t.Errorf("a word of two styles is broken: %q", got)
	}
	line := faces.lines(mixed, serif, 10, 1000)[0]
	var used []face
	for _, p := range line.pieces {
		used = append(used, p.face)
	}
	if want := []face{{serif, false, false}, {serif, true, false}, {serif, false, true}, {symbols, false, false}, {serif, false, true}}; !slices.Equal(used, want) {
		t.Errorf("faces %v", used)
	}
}

// source: Unicode Standard Annex 9, rules N1, N2, L2 and L4, for a paragraph that runs from the left
func TestRightToLeftStretches(t *testing.T) {
	faces := typefaces{}
	for in, want := range map[string]string{
		"abc אבג def":     "abc גבא def",
		"אבג דהו":         "והד גבא",
		"no. אב 12.5 גד":  "no. דג 12.5 בא",
		"אב (גד) הו x":    "וה (דג) בא x",
		"אבג.":            "גבא.",
		"אבג (1971), x":   "(1971) גבא, x",
		"12 אבג 34 x 56":  "12 34 גבא x 56",
		"(אבג) x":         "(גבא) x",
		"plain (text) 12": "plain (text) 12",
	} {
		if got := linesOf(faces, Text(in), 1000); len(got) != 1 || got[0] != want {
			t.Errorf("%q is drawn as %q, not %q", in, got, want)
		}
	}
}

func FuzzText(f *testing.F) {
	for _, s := range oddTexts {
		f.Add(s)
	}
	faces := typefaces{}
	f.Fuzz(func(t *testing.T, s string) {
		c := clean(s)
		if !utf8.ValidString(c) || clean(c) != c || strings.ContainsAny(c, "\x00\r\u202e") {
			t.Fatalf("clean(%q) = %q", s, c)
		}
		// Every character that has a shape is drawn once, in lines no wider than their measure.
		drawn, all := 0, 0
		for _, l := range faces.lines(Text(s), sans, 9, 70) {
			if l.width > 70.01 && utf8.RuneCountInString(lineText(l)) > 1 {
				t.Fatalf("%q is %.1f wide", lineText(l), l.width)
			}
			for _, r := range lineText(l) {
				if !unicode.IsSpace(r) {
					drawn++
				}
			}
		}
		for _, r := range strings.NewReplacer("\n", "", "\t", "").Replace(c) {
			if _, r = faces.choose(face{family: sans}, r); r >= 0 && !unicode.IsSpace(r) {
				all++
			}
		}
		if drawn != all {
			t.Fatalf("%d of %d characters of %q are drawn", drawn, all, s)
		}
		var b bytes.Buffer
		if err := WriteCSV(&b, Sheet{Columns: []string{"a", "b"}, Rows: [][]Value{{Words(s), Number(s)}}}); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil || len(rows) != 2 || rows[1][0] != harmless(c) {
			t.Fatalf("%q is read back as %q, %v", s, rows, err)
		}
	})
}

// FuzzDocument: whatever a text is, both kinds of documents that hold it everywhere can be read again.
func FuzzDocument(f *testing.F) {
	for _, s := range oddTexts {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d := Document{Title: s, Subtitle: s, Language: s, Author: s, Created: made, Notice: s, Footer: Footer{s, s}, Blocks: []Block{
			Heading{1, s}, Paragraph{{s, true, false}, {s, false, true}}, Facts{{s, s}}, List{Items: []Paragraph{Text(s)}},
			Table{s, []Column{{s, 1, Right}}, [][]Cell{{TextCell(s)}}}, Figure{Picture{[]byte(s), s}, s}, Caution{s, []Paragraph{Text(s)}}, Signatures{{s, s, s, s, s}},
		}}
		pdfOf(t, d)
		parts(t, docxOf(t, d))
	})
}

// oddTexts are texts that letters, lines and cells may stumble over.
var oddTexts = []string{"Łódź ≤ 50 lx → µg/m³", "=1+1", "\x00\xff", "אבג (1.5) x", "😀\u200d漢", strings.Repeat("W", 300), "a\r\nb\u2028c", "-12.50", "\u0301\u0301 \u00ad-–/x"}
