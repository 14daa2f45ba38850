package document

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"github.com/xuri/excelize/v2"
)

var schedule = Sheet{
	Name:    "Schedule: L-2026/014",
	Columns: []string{"Number", "Title", "Value", "Currency", "Acquired", "Last moved", "=HYPERLINK(1)"},
	Rows: [][]Value{
		{Words("MS.1998.0017"), Words("Dräger? no: “Łódź” dress\nsecond line"), Number("9000.50"), Words("EUR"), Day(made), Moment(made), Words("=1+1")},
		{Words("0042"), Words("+48 600 000 000"), Number("0.10"), Words("EUR"), Day(time.Date(1871, 5, 3, 0, 0, 0, 0, time.UTC)), Moment(time.Time{}), Words("@SUM(A1)")},
		{Words("-12.5"), Words("-cmd|' /C calc'!A0"), Number("123456789012345678.99"), Words("JPY"), Day(time.Time{}), Value{}, Words("\t=1")},
		{Words("12-5"), Words("\r=1"), Number("-1250.5"), Words("EUR"), Day(time.Date(1900, 3, 1, 23, 59, 0, 0, made.Location())), Moment(made), Words(" ＝1")},
		{Words("short row")},
		{Words("_x0041_"), Words("<b>&amp;</b>"), Number("about 12"), Words(""), {}, {}, {}, Words("surplus")},
	},
}

func TestCSV(t *testing.T) {
	var b bytes.Buffer
	if err := WriteCSV(&b, schedule); err != nil {
		t.Fatal(err)
	}
	kept(t, "schedule.csv", b.Bytes())
	if !strings.Contains(b.String(), "Currency,Acquired,Last moved,'=HYPERLINK(1)\r\n") {
		t.Error("the head row is not as expected")
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := [][]string{
		{"MS.1998.0017", "Dräger? no: “Łódź” dress\nsecond line", "9000.50", "EUR", "2026-11-20", "2026-11-20T09:30:00+01:00", "'=1+1"},
		{"0042", "'+48 600 000 000", "0.10", "EUR", "1871-05-03", "", "'@SUM(A1)"},
		{"-12.5", "'-cmd|' /C calc'!A0", "123456789012345678.99", "JPY", "", "", "'\t'=1"},
		{"12-5", "'\n'=1", "-1250.5", "EUR", "1900-03-01", "2026-11-20T09:30:00+01:00", "' ＝1"},
		{"short row", "", "", "", "", "", ""},
		{"_x0041_", "<b>&amp;</b>", "about 12", "", "", "", ""},
	}
	for i, row := range want {
		if got := strings.Join(rows[i+1], "|"); got != strings.Join(row, "|") {
			t.Errorf("row %d is %q, not %q", i+1, got, strings.Join(row, "|"))
		}
	}
	if err := WriteCSV(failing{}, schedule); err == nil {
		t.Error("a failed write is not reported")
	}
}

func xlsxOf(t testing.TB, name string, w Workbook) *excelize.File {
	t.Helper()
	var b bytes.Buffer
	if err := WriteXLSX(&b, w); err != nil {
		t.Fatal(err)
	}
	kept(t, name+".xlsx", b.Bytes())
	f, err := excelize.OpenReader(&b, excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func TestXLSX(t *testing.T) {
	book := Workbook{
		Title: "Schedule of loan L-2026-014", Author: "Museum of the Sound", Created: made, Sheets: []Sheet{schedule, schedule, {}},
		About: Facts{{"Loan", "L-2026-014, version 7"}, {"Notice", "Demonstration: everything here is invented"}},
	}
	f := xlsxOf(t, "schedule", book)
	if got := strings.Join(f.GetSheetList(), "|"); got != "Schedule L-2026 014|Schedule L-2026 014 2|Sheet 3|About" {
		t.Errorf("sheets %s", got)
	}
	name := f.GetSheetList()[0]
	// source: ISO/IEC 29500-1:2016, 18.17.4.1 (serial dates): day 25569 is 1 January 1970
	serial := func(at time.Time) string {
		_, offset := at.Zone()
		seconds := at.Unix() + int64(offset)
		if seconds%86400 == 0 {
			return fmt.Sprint(25569 + seconds/86400)
		}
		return fmt.Sprintf("%.6f", 25569+float64(seconds)/86400)
	}
	day := time.Date(2026, 11, 20, 0, 0, 0, 0, time.UTC)
	want := [][]string{
		{"Number", "Title", "Value", "Currency", "Acquired", "Last moved", "=HYPERLINK(1)"},
		{"MS.1998.0017", "Dräger? no: “Łódź” dress\nsecond line", "9000.5", "EUR", serial(day), serial(made), "=1+1"},
		{"0042", "+48 600 000 000", "0.1", "EUR", "1871-05-03", "", "@SUM(A1)"},
		{"-12.5", "-cmd|' /C calc'!A0", "123456789012345678.99", "JPY", "", "", "\t=1"},
		{"12-5", "\n=1", "-1250.5", "EUR", "61", serial(made), " ＝1"},
		{"short row", "", "", "", "", "", ""},
		{"_x0041_", "<b>&amp;</b>", "about 12", "", "", "", ""},
	}
	for r, row := range want {
		for c, text := range row {
			at, _ := excelize.CoordinatesToCellName(c+1, r+1)
			got, err := f.GetCellValue(name, at)
			if err != nil {
				t.Fatal(err)
			}
			if strings.Contains(text, ".") && strings.HasPrefix(text, "46346.") {
				got = got[:min(len(got), len(text))]
			}
			if got != text {
				t.Errorf("%s is %q, not %q", at, got, text)
			}
			if formula, err := f.GetCellFormula(name, at); err != nil || formula != "" {
				t.Errorf("%s is the formula %q, %v", at, formula, err)
			}
			kind, err := f.GetCellType(name, at)
			if err != nil {
				t.Fatal(err)
			}
			number := r > 0 && (c == 2 && r != 3 && r < 5 || c == 4 && (r == 1 || r == 4) || c == 5 && (r == 1 || r == 4))
			if text != "" && number != (kind == excelize.CellTypeUnset || kind == excelize.CellTypeNumber) {
				t.Errorf("%s with %q is of type %v", at, text, kind)
			}
		}
	}
	shown, err := excelize.OpenReader(bytes.NewReader(bytesOf(t, book)))
	if err != nil {
		t.Fatal(err)
	}
	defer shown.Close()
	for at, want := range map[string]string{"C2": "9000.50", "C3": "0.10", "C5": "-1250.5", "E2": "2026-11-20", "F2": "2026-11-20 09:30:00", "E5": "1900-03-01"} {
		if got, _ := shown.GetCellValue(name, at); got != want {
			t.Errorf("%s shows %q, not %q", at, got, want)
		}
	}
	p, err := f.GetDocProps()
	if err != nil || p.Title != book.Title || p.Created != "2026-11-20T08:30:00Z" {
		t.Errorf("properties %+v, %v", p, err)
	}
	first := bytesOf(t, book)
	for range 10 {
		if !bytes.Equal(first, bytesOf(t, book)) {
			t.Fatal("equal workbooks gave different bytes")
		}
	}
}

func bytesOf(t testing.TB, w Workbook) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := WriteXLSX(&b, w); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestTextsAreNoFormulas: no cell of a CSV file begins a formula, with any separator that a
// spreadsheet may take; in a workbook a text that looks like one is marked as a text. What a person
// wrote is still there, and numbers are numbers.
//
// source: OWASP, CSV Injection (signs, tab, carriage return, separators and quotes)
func TestTextsAreNoFormulas(t *testing.T) {
	hostile := map[string]string{
		"=1+1": "'=1+1", "+1+1": "'+1+1", "-1+1": "'-1+1", "@SUM(A1)": "'@SUM(A1)", "\t=1": "'\t'=1", "\r=1": "'\n'=1", "\n=1": "'\n'=1",
		"  =1": "'  =1", "\u00a0=1": "'\u00a0=1", "＝1": "'＝1", "＋1": "'＋1", "－1": "'－1", "＠1": "'＠1", "-": "'-",
		"=cmd|' /C calc'!A0": "'=cmd|' /C calc'!A0", `=HYPERLINK("http://evil.test","x")`: `'=HYPERLINK("http://evil.test","x")`,
		"glove;=1+1": "glove;'=1+1", "glove\t@x": "glove\t'@x", "glove\n- mended": "glove\n'- mended", `glove";=1`: `glove";'=1`, "a; =1": "a;' =1",
	}
	plain := []string{"12", "-12.5", "0042", "glove", "a-b", "x=1", "19 °C", "1998-12-01", "a@b", "glove; mended", "two\nlines"}
	s := Sheet{Name: "n", Columns: []string{"=head"}}
	var texts []string
	for text := range hostile {
		texts = append(texts, text)
	}
	texts = append(texts, plain...)
	for _, text := range texts {
		s.Rows = append(s.Rows, []Value{Words(text)})
	}
	s.Rows = append(s.Rows, []Value{Number("-12.50")}, []Value{Number("+1")})
	var b bytes.Buffer
	if err := WriteCSV(&b, s); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(b.Bytes())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	f := xlsxOf(t, "formulas", Workbook{Created: made, Sheets: []Sheet{s}})
	look := func(at string) (value string, quoted bool) {
		value, err := f.GetCellValue("n", at)
		if err != nil {
			t.Fatal(err)
		}
		style, err := f.GetCellStyle("n", at)
		if err != nil {
			t.Fatal(err)
		}
		mark := f.Styles.CellXfs.Xf[style].QuotePrefix
		return value, mark != nil && *mark
	}
	for i, text := range texts {
		want, isHostile := hostile[text]
		if !isHostile {
			want = text
		}
		if got := rows[i+1][0]; got != want {
			t.Errorf("CSV has %q for %q, not %q", got, text, want)
		}
		at := fmt.Sprintf("A%d", i+2)
		if value, quoted := look(at); value != clean(text) || quoted != isHostile {
			t.Errorf("XLSX has %q, marked as text: %t, for %q", value, quoted, text)
		}
		if formula, err := f.GetCellFormula("n", at); err != nil || formula != "" {
			t.Errorf("%q is the formula %q, %v", text, formula, err)
		}
	}
	if got := rows[len(texts)+1][0] + " " + rows[len(texts)+2][0]; got != "-12.50 '+1" {
		t.Errorf("numbers are written as %q", got)
	}
	if kind, err := f.GetCellType("n", fmt.Sprintf("A%d", len(texts)+2)); err != nil || kind != excelize.CellTypeUnset && kind != excelize.CellTypeNumber {
		t.Errorf("a negative number is of type %v, %v", kind, err)
	}
	if value, quoted := look("A1"); value != "=head" || !quoted {
		t.Errorf("the head is %q, marked as text: %t", value, quoted)
	}
	for line := range strings.SplitSeq(b.String(), "\n") {
		for cell := range strings.FieldsFuncSeq(line, func(r rune) bool { return strings.ContainsRune(",;\t\r", r) }) {
			cell = strings.TrimSpace(strings.TrimLeft(strings.TrimSpace(cell), `"`))
			if strings.HasPrefix(cell, "=") || strings.HasPrefix(cell, "@") {
				t.Errorf("a reader with another separator finds the cell %q", cell)
			}
		}
	}
}

// Amounts with up to 15 digits are read back digit for digit; longer ones are kept as text.
func TestXLSXKeepsEveryDigit(t *testing.T) {
	s := Sheet{Name: "n", Columns: []string{"Amount"}}
	amounts := []string{"0", "0.01", "0.1", "0.3", "1234567.89", "999999999999.99", "1000000000000000000", "-0.000001", "4503599627370.51", "12345678901234.5", "1234567890123456.7", "0.1000000000000000055511151231257827", strings.Repeat("9", 390)}
	for i := range 2000 {
		amounts = append(amounts, fmt.Sprintf("%d.%02d", i*7919, i%100))
	}
	for _, a := range amounts {
		s.Rows = append(s.Rows, []Value{Number(a)})
	}
	f := xlsxOf(t, "digits", Workbook{Created: made, Sheets: []Sheet{s}})
	rows, err := f.GetRows("n")
	if err != nil {
		t.Fatal(err)
	}
	for i, a := range amounts {
		want := a
		if _, _, decimals := strings.Cut(a, "."); decimals && len(strings.Trim(strings.NewReplacer("-", "", ".", "").Replace(a), "0")) <= 15 {
			want = strings.TrimSuffix(strings.TrimRight(a, "0"), ".")
		}
		if rows[i+1][0] != want {
			t.Fatalf("%s is read back as %s", a, rows[i+1][0])
		}
	}
}

func TestXLSXLongAndHostileText(t *testing.T) {
	long := strings.Repeat("😀Ł", 20_000)
	s := Sheet{Name: "'[]:*?/\\'" + strings.Repeat("😀ł", 40), Columns: []string{long}, Rows: [][]Value{{Words(long)}, {Words("\x00\xff\u202e\ufffe")}, {Words(strings.Repeat("x", mostInCell))}}}
	f := xlsxOf(t, "long", Workbook{Created: made, Title: "\x00", Sheets: []Sheet{s, {Name: "History"}, {Name: "history"}}})
	rows, err := f.GetRows(f.GetSheetList()[0])
	if err != nil {
		t.Fatal(err)
	}
	if got := rows[1][0]; len(utf16.Encode([]rune(got))) > mostInCell || !strings.HasSuffix(got, "[…cut]") || !strings.HasPrefix(long, strings.TrimSuffix(got, " […cut]")) {
		t.Errorf("a text too long ends with %q", got[len(got)-20:])
	}
	if rows[2][0] != "\uFFFD" || rows[3][0] != strings.Repeat("x", mostInCell) {
		t.Errorf("%q, %d characters", rows[2][0], len(rows[3][0]))
	}
	if err := WriteXLSX(io.Discard, Workbook{}); err == nil {
		t.Error("a workbook without a date is accepted")
	}
	if err := WriteXLSX(failing{}, Workbook{Created: made}); err == nil {
		t.Error("a failed write is not reported")
	}
}

func BenchmarkXLSX(b *testing.B) {
	s := Sheet{Name: "Readings", Columns: []string{"At", "°C", "Logger"}}
	for i := range 100_000 {
		s.Rows = append(s.Rows, []Value{Moment(made.Add(time.Duration(i) * time.Minute)), Number(fmt.Sprintf("%d.%d", 15+i%8, i%10)), Words("L-07")})
	}
	b.ReportAllocs()
	for b.Loop() {
		if err := WriteXLSX(io.Discard, Workbook{Created: made, Sheets: []Sheet{s}}); err != nil {
			b.Fatal(err)
		}
	}
}
