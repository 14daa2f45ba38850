package web

import (
	"archive/zip"
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"github.com/pdfcpu/pdfcpu/pkg/api"
	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu"
	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu/model"
	"github.com/xuri/excelize/v2"

	"farthingale/domain"
	"farthingale/domain/loan"
	"farthingale/domain/record"
	"farthingale/web/document"
)

// samplePaper is an issued agreement of several lines, with hazards, parts and letters of many
// languages.
func samplePaper(lines int) *loan.Paper {
	who := loan.Who{ID: domain.NewID(), Name: "Rosa Amsel"}
	c := loan.Content{
		Reference: "L.2026.3", Number: 2, IssuedAt: "2026-02-06T09:30:00Z", IssuedBy: who, Lender: loan.Party{Name: "Museum of the Sound", Address: "Havnegade 1, Køge"},
		Borrower: loan.Borrower{Name: "Muzeum pod Wodą, Łódź", Address: "ul. Wodna 1\n90-001 Łódź", Contact: "Žofie Nováková, Žďár nad Sázavou"},
		Purpose:  "Exhibition 'Under Pressure', then at the Ναυτικό μουσείο, Ελλάδα", RequestedOn: "2025-06-01", Period: loan.Span{From: "2026-02-06", Until: "2026-08-31"},
		Venues: []loan.Venue{{Name: "Main hall", Address: "Łódź", Span: loan.Span{From: "2026-02-10", Until: "2026-08-20"}}},
		Terms:  strings.TrimSpace(loan.ExampleTerms), Totals: []loan.Amount{{Currency: "EUR", Sum: "1482500.00"}},
		Approvals: []loan.Approved{{Department: "Diving", By: loan.Who{Name: "Maud Okonjo"}, At: "2026-02-01T10:00:00Z"}}, Demonstration: true,
	}
	for i := range lines {
		photo := domain.NewID()
		e := loan.Entry{
			Position: i + 1, LineID: domain.NewID(), ObjectID: domain.NewID(), FacePhotoID: &photo, Department: "Diving", Number: fmt.Sprintf("1968.14.%d", i+1), Title: "Standard helmet dress, six-bolt",
			Maker: "unknown", DateMade: "1965/1972", Whole: i%3 != 1, Included: []string{"the whole object, 12 components"}, NotIncluded: []string{"without .4a gauntlet, left"},
			Materials: []string{"rubberised cotton twill", "tinned copper", "brass", "vulcanised rubber (probable)", "unidentified"}, Dimensions: []string{"height 1720 mm (lying flat)", "width 640 mm"},
			Mass: []string{"16.4 kg"}, Value: "148250.00", Currency: "EUR", Insurer: "Insurer of the line",
			Conditions:    []string{"Mount: padded torso", "Positions allowed: upright on mount", "Light: at most 50 lx; at most 90000 lx·h over the whole loan", "Relative humidity: 45 to 55 %"},
			FitConditions: "Lying on its board.", Condition: "Stiff along the left fold, three cracks of 4 to 11 mm. (Ines Falkenberg, examined on 27 January 2026)", Cautions: []loan.Warning{},
		}
		if i%2 == 0 {
			e.Cautions = append(e.Cautions, loan.Warning{Hazard: "soda lime or barium hydroxide charge", On: e.Number + ".7 canister", Certainty: "probable",
				Text: "Caustic dust: do not open, tip, shake or wet. Call: specialist removal. " + loan.Closing})
		}
		c.Schedule = append(c.Schedule, e)
	}
	sum := strings.Repeat("3f9a61c08be277d1", 4)
	return &loan.Paper{Content: c, Holds: true, SHA256: sum, Seal: &record.Seal{Number: 1203, Hash: record.Hash(bytes.Repeat([]byte{0x3f}, 32))},
		Head: record.Head{Origin: record.Hash(bytes.Repeat([]byte{0x8b}, 32)), Count: 1204, Hash: record.Hash(bytes.Repeat([]byte{0xe1}, 32))},
		Signatures: []loan.Signature{{Side: loan.Lender, Name: "Maud Okonjo", Office: "curator", SignedOn: "2026-02-06", SHA256: sum},
			{Side: loan.BorrowerOf, Name: "Žofie Nováková", Office: "director", SignedOn: "2026-02-07", SignedOutside: true, By: who, SHA256: sum}}}
}

func filled(p *loan.Paper) loanPaper {
	created, err := time.Parse(time.RFC3339Nano, p.Content.IssuedAt)
	if err != nil {
		panic(err)
	}
	return loanPaper{Paper: p, site: domain.DefaultSite(), created: created}
}

func drawnFaces(p *loan.Paper) map[domain.ID][]byte {
	faces := map[domain.ID][]byte{}
	for i, e := range p.Content.Schedule {
		m := image.NewRGBA(image.Rect(0, 0, 320, 240))
		for y := range 240 {
			for x := range 320 {
				m.SetRGBA(x, y, color.RGBA{uint8(40 * i), uint8(x * 255 / 320), uint8(y * 255 / 240), 255})
			}
		}
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, nil); err != nil {
			panic(err)
		}
		faces[*e.FacePhotoID] = b.Bytes()
	}
	return faces
}

// textOf is all text of a document.
func textOf(d document.Document) string {
	return fmt.Sprintf("%s %s %s %s %+v", d.Title, d.Subtitle, d.Notice, d.Footer, d.Blocks)
}

// TestLoanAgreementSays what an agreement must say.
//
// source: ICOM Guidelines for Loans, 1974; Spectrum 5.0 (Collections Trust 2017), Loans out: parties,
// purpose, period, venue, objects, value, cover, conditions, signatures.
func TestLoanAgreementSays(t *testing.T) {
	t.Parallel()
	p := samplePaper(3)
	d := filled(p).agreement(drawnFaces(p))
	text := textOf(d)
	for _, part := range []string{
		"Museum of the Sound", "Havnegade 1, Køge", "Muzeum pod Wodą, Łódź", "Žofie Nováková, Žďár nad Sázavou", "Ελλάδα", "from 6 February 2026 to 31 August 2026", "Main hall",
		"EUR\u00a01\u00a0482\u00a0500.00", "NOT LEGAL ADVICE", "1968.14.1", "Not lent: ", "without .4a gauntlet, left", "rubberised cotton twill", "height 1720 mm", "16.4 kg", "EUR\u00a0148\u00a0250.00",
		"at most 50 lx", "upright on mount", "Lying on its board.", "soda lime", "Caustic dust", loan.Closing, "Maud Okonjo, curator", "Signed outside; recorded by Rosa Amsel",
		"version 2", p.SHA256[:32] + "\n" + p.SHA256[32:], "number 1203", "1204 seals", p.Head.Hash.String()[:32], p.Head.Origin.String()[32:], "invented", "1965 to 1972", "farthingale verify --against",
	} {
		if !strings.Contains(text, part) {
			t.Errorf("the agreement does not say %q", part)
		}
	}
	pictures := 0
	for _, block := range d.Blocks {
		if table, ok := block.(document.Table); ok {
			for _, row := range table.Rows {
				if row[0].Picture != nil {
					pictures++
				}
			}
		}
	}
	if pictures != 3 {
		t.Errorf("%d pictures", pictures)
	}
	draft := *p
	draft.Draft, draft.Seal, draft.SHA256, draft.Signatures = true, nil, "", nil
	if text := textOf(filled(&draft).agreement(nil)); !strings.Contains(text, "Draft: not issued, binds nobody") || strings.Contains(text, "SHA-256 of the sealed version") {
		t.Error("a draft does not say that it is one")
	}
	p.Holds = false
	if text := textOf(filled(p).agreement(nil)); !strings.Contains(text, "This version is no longer in force") {
		t.Error("an old version does not say so")
	}
}

// TestP3LoanPapers: the papers of somebody who may not see values hold none, in any format.
func TestP3LoanPapers(t *testing.T) {
	t.Parallel()
	p := samplePaper(3)
	reader := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Reader}}
	p.Content = p.Content.For(reader)
	d := filled(p).agreement(nil)
	secrets := []string{"148", "482", "Insurer of the line", "EUR", "ul. Wodna", "Žofie Nováková, Žďár"}
	for _, secret := range secrets {
		if text := textOf(d); strings.Contains(text, secret) {
			t.Errorf("the agreement tells %q", secret)
		}
	}
	if !strings.Contains(d.Notice, "Copy without values") {
		t.Errorf("notice %q", d.Notice)
	}
	var docx bytes.Buffer
	if err := document.WriteDOCX(&docx, d); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(docx.Bytes()), int64(docx.Len()))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		for _, secret := range []string{"148\u00a0250", "Insurer of the line", "ul. Wodna"} {
			if bytes.Contains(b, []byte(secret)) {
				t.Errorf("%s tells %q", f.Name, secret)
			}
		}
	}
	full := samplePaper(3)
	if text := pdfText(t, filled(full).agreement(nil)); !strings.Contains(text, "148 250.00") || !strings.Contains(text, "ul. Wodna") {
		t.Fatal("the test does not read the PDF: the full one shows no value")
	}
	text := pdfText(t, d)
	for _, secret := range []string{"148 250", "482 500", "Insurer of the line", "ul. Wodna", "Žofie Nováková, Žďár"} {
		if strings.Contains(text, secret) {
			t.Errorf("the PDF tells %q", secret)
		}
	}
	sheet := filled(p).schedule(true)
	for _, column := range sheet.Columns {
		if column == "Value" || column == "Currency" || column == "Insurer" {
			t.Errorf("the schedule has a column %s", column)
		}
	}
}

var shownStrings = regexp.MustCompile(`(?s)Td \(((?:[^\\)]|\\.)*)\) Tj`)

// pdfText is the text that is drawn in the PDF of a document, as another program's reader finds it.
//
// source: ISO 32000-1:2008, 7.3.4.2 (literal strings) and 9.4.3 (showing text)
func pdfText(t *testing.T, d document.Document) string {
	t.Helper()
	var b, out bytes.Buffer
	if err := document.WritePDF(&b, d); err != nil {
		t.Fatal(err)
	}
	api.DisableConfigDir()
	ctx, err := api.ReadValidateAndOptimize(bytes.NewReader(b.Bytes()), model.NewDefaultConfiguration())
	if err != nil {
		t.Fatal(err)
	}
	for i := range ctx.PageCount {
		r, err := pdfcpu.ExtractPageContent(ctx, i+1)
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		for _, shown := range shownStrings.FindAllSubmatch(content, -1) {
			var plain []byte
			for k := 0; k < len(shown[1]); k++ {
				c := shown[1][k]
				if c == '\\' && k+1 < len(shown[1]) {
					k++
					if c = shown[1][k]; c == 'r' {
						c = '\r'
					}
				}
				plain = append(plain, c)
			}
			var units []uint16
			for k := 0; k+1 < len(plain); k += 2 {
				units = append(units, uint16(plain[k])<<8|uint16(plain[k+1]))
			}
			out.WriteString(string(utf16.Decode(units)) + "\n")
		}
	}
	return out.String()
}

// TestLoanScheduleXLSX: numbers are numbers, texts are texts, the file states version and seal.
func TestLoanScheduleXLSX(t *testing.T) {
	t.Parallel()
	p := samplePaper(2)
	p.Content.Schedule[0].Title = "=1+1"
	var b bytes.Buffer
	if err := document.WriteXLSX(&b, document.Workbook{Title: "x", Created: filled(p).created, Sheets: []document.Sheet{filled(p).schedule(false)}, About: filled(p).about()}); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := f.GetRows("Schedule", excelize.Options{RawCellValue: true})
	if err != nil || len(rows) != 3 || rows[1][1] != "1968.14.1" || rows[1][2] != "=1+1" || rows[1][10] != "148250" || rows[1][11] != "EUR" {
		t.Errorf("%q %v", rows, err)
	}
	if formula, err := f.GetCellFormula("Schedule", "C2"); err != nil || formula != "" {
		t.Errorf("formula %q %v", formula, err)
	}
	about, err := f.GetRows("About")
	if err != nil || !strings.Contains(fmt.Sprint(about), p.SHA256) || !strings.Contains(fmt.Sprint(about), "version 2") {
		t.Errorf("about %q %v", about, err)
	}
}

func TestMoney(t *testing.T) {
	t.Parallel()
	for amount, want := range map[string]string{"0.05": "EUR 0.05", "999.00": "EUR 999.00", "1000.00": "EUR 1 000.00", "1234567890123.45": "EUR 1 234 567 890 123.45"} {
		if got := strings.ReplaceAll(money("EUR", amount), "\u00a0", " "); got != want {
			t.Errorf("%s: %q", amount, got)
		}
	}
}
