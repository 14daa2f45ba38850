package document

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"farthingale/domain"
)

// Sheet is a table to be computed with: one kind of value a column, a head row, no merged cells.
// Money is two columns, the amount as a Number and the currency as Words.
type Sheet struct {
	Name    string
	Columns []string
	Rows    [][]Value
}

// Workbook is what WriteXLSX writes. About stands on a last sheet of its own: which record this
// is, its version, its seal, a notice.
type Workbook struct {
	Title   string
	Author  string
	Created time.Time // must be set
	Sheets  []Sheet
	About   Facts
}

// Value is one cell of a Sheet. The zero Value is an empty cell.
type Value struct {
	kind valueKind
	text string
	at   time.Time
}

type valueKind int

const (
	kindWords valueKind = iota
	kindNumber
	kindDay
	kindMoment
)

// Words is text.
func Words(s string) Value { return Value{text: s} }

// Number is a decimal number as written, such as "-1250.50", with as many decimals as it is to be
// shown with. It never passes through a rounding: in XLSX a number of more than 15 digits is
// written as text. What is no decimal number is taken for text; "" is an empty cell.
func Number(decimal string) Value {
	if !plainNumber(decimal) {
		return Words(decimal)
	}
	return Value{kind: kindNumber, text: decimal}
}

// Day is a date without a time, as it stands on the calendar of at's zone. The zero time is an
// empty cell. In XLSX a day before March 1900, which spreadsheets cannot count, is text.
func Day(at time.Time) Value {
	if at.IsZero() {
		return Value{}
	}
	return Value{kind: kindDay, at: at}
}

// Moment is a date and time. CSV has it with its zone; XLSX shows the clock of at's zone, to the
// second. The zero time is an empty cell.
func Moment(at time.Time) Value {
	if at.IsZero() {
		return Value{}
	}
	return Value{kind: kindMoment, at: at}
}

var decimalNumber = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)

func plainNumber(s string) bool { return len(s) <= 400 && decimalNumber.MatchString(s) }

// WriteCSV writes the sheet in UTF-8 with commas and CRLF, the head row first. Texts that a
// spreadsheet would take for a formula get an apostrophe before them, except plain numbers.
// source: RFC 4180; OWASP, CSV Injection
func WriteCSV(w io.Writer, s Sheet) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	record := make([]string, len(s.Columns))
	for i, c := range s.Columns {
		record[i] = harmless(clean(c))
	}
	err := out.Write(record)
	for i := 0; i < len(s.Rows) && err == nil; i++ {
		for j := range record {
			record[j] = value(s.Rows[i], j).csv()
		}
		err = out.Write(record)
	}
	out.Flush()
	if err == nil {
		err = out.Error()
	}
	if err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func value(row []Value, i int) Value {
	if i < len(row) {
		return row[i]
	}
	return Value{}
}

func (v Value) csv() string {
	switch v.kind {
	case kindNumber:
		return v.text
	case kindDay:
		return v.at.Format(time.DateOnly)
	case kindMoment:
		return v.at.Format(time.RFC3339)
	}
	return harmless(clean(v.text))
}

// harmless puts an apostrophe before what a spreadsheet would take for a formula, also behind white
// space and in the wide forms of the signs, and also within a text: where the list separator of a
// country is a semicolon or a tab, a spreadsheet that opens the file begins a new cell there, and a
// quote in the middle of its line no longer holds a line break.
// source: OWASP, CSV Injection: "take care of the field separator … and quotes"
func harmless(s string) string {
	if s == "" || plainNumber(s) {
		return s
	}
	var b strings.Builder
	if s[0] == '\t' || s[0] == '\n' || s[0] == '\r' {
		b.WriteByte('\'')
	}
	for part := range domain.CellParts(s) {
		if formula(part) {
			b.WriteByte('\'')
		}
		b.WriteString(part)
	}
	return b.String()
}

// formula says whether a cell with this text would be taken for a formula.
func formula(s string) bool {
	r, _ := utf8.DecodeRuneInString(strings.TrimSpace(s))
	return strings.ContainsRune("=+-@＝＋－＠", r)
}

// WriteXLSX writes the workbook: each sheet with its head row kept in sight and repeated in print,
// then the About sheet. Texts are stored as texts and are never formulas; one that looks like a
// formula carries the mark of a typed apostrophe, so that it stays a text when somebody edits the cell.
// A text longer than the 32767 characters that a cell holds is cut with a mark. It fails when b.Created is not set, when
// a sheet has more than 1 048 575 rows, or when w fails.
func WriteXLSX(w io.Writer, b Workbook) (err error) {
	if b.Created.IsZero() {
		return errNoDate
	}
	f := excelize.NewFile()
	defer func() {
		if e := f.Close(); err == nil && e != nil {
			err = fmt.Errorf("close XLSX: %w", e)
		}
	}()
	x := &workbook{file: f, formats: map[string]int{}, names: map[string]bool{}}
	at := b.Created.UTC().Format(time.RFC3339)
	x.do(f.SetDocProps(&excelize.DocProperties{Title: oneLine(b.Title), Creator: oneLine(b.Author), LastModifiedBy: oneLine(b.Author), Created: at, Modified: at}))
	sheets := b.Sheets
	if len(b.About) > 0 || len(sheets) == 0 {
		about := Sheet{Name: "About", Columns: []string{"About", "This file"}}
		for _, fact := range b.About {
			about.Rows = append(about.Rows, []Value{Words(fact.Label), Words(fact.Value)})
		}
		sheets = append(sheets[:len(sheets):len(sheets)], about)
	}
	for i, s := range sheets {
		x.sheet(i, s)
	}
	if x.err == nil {
		x.err = writeSorted(w, f)
	}
	if x.err != nil {
		return fmt.Errorf("write XLSX: %w", x.err)
	}
	return nil
}

// writeSorted writes the file with its parts in order of their names; the library's own order is
// random.
func writeSorted(w io.Writer, f *excelize.File) error {
	whole, err := f.WriteToBuffer()
	if err != nil {
		return err
	}
	in, err := zip.NewReader(bytes.NewReader(whole.Bytes()), int64(whole.Len()))
	if err != nil {
		return err
	}
	slices.SortFunc(in.File, func(a, b *zip.File) int { return strings.Compare(a.Name, b.Name) })
	out := zip.NewWriter(w)
	for _, part := range in.File { // "[Content_Types].xml" comes first by its name
		if err := out.Copy(part); err != nil {
			return err
		}
	}
	return out.Close()
}

// workbook is one XLSX file in the making, with the first error met.
type workbook struct {
	file    *excelize.File
	formats map[string]int // number format → style
	names   map[string]bool
	err     error
}

func (x *workbook) do(err error) {
	if x.err == nil {
		x.err = err
	}
}

func (x *workbook) sheet(i int, s Sheet) {
	name := x.name(s.Name, i)
	if i == 0 {
		x.do(x.file.SetSheetName("Sheet1", name))
	} else {
		_, err := x.file.NewSheet(name)
		x.do(err)
	}
	if x.err != nil {
		return
	}
	yes, a4, landscape, one, many := true, 9, "landscape", 1, 0
	x.do(x.file.SetSheetProps(name, &excelize.SheetPropsOptions{FitToPage: &yes}))
	x.do(x.file.SetPageLayout(name, &excelize.PageLayoutOptions{Size: &a4, Orientation: &landscape, FitToWidth: &one, FitToHeight: &many}))
	out, err := x.file.NewStreamWriter(name)
	if err != nil {
		x.do(err)
		return
	}
	widths := make([]float64, len(s.Columns))
	for j := range widths {
		widths[j] = s.widthOf(j)
		x.do(out.SetColWidth(j+1, j+1, widths[j]))
	}
	x.do(out.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}))
	head := make([]any, len(s.Columns))
	for j, c := range s.Columns {
		head[j] = x.words("head", c)
	}
	x.do(out.SetRow("A1", head, excelize.RowOpts{Height: rowHeight(widths, func(j int) string { return s.Columns[j] })}))
	cells := make([]any, len(s.Columns))
	for r, row := range s.Rows {
		for j := range cells {
			cells[j] = x.cell(value(row, j))
		}
		at, err := excelize.CoordinatesToCellName(1, r+2)
		if err == nil {
			err = out.SetRow(at, cells, excelize.RowOpts{Height: rowHeight(widths, func(j int) string { return clean(value(row, j).text) })})
		}
		if err != nil {
			x.do(err)
			return
		}
	}
	x.do(out.Flush())
	x.do(x.file.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: "'" + name + "'!$1:$1", Scope: name}))
}

// rowHeight is the height in points of a row with wrapped texts. Programs do not find it themselves
// when a file is opened.
func rowHeight(widths []float64, text func(int) string) float64 {
	const oneRow, most = 15, 409 // no row may be higher
	rows := 1
	for j, width := range widths {
		n, s := 0, text(j)
		for part := range strings.SplitSeq(s, "\n") {
			n += max(1, (utf8.RuneCountInString(part)+int(width)-3)/(int(width)-2))
		}
		rows = max(rows, n)
	}
	return float64(min(rows*oneRow, most))
}

func (x *workbook) cell(v Value) any {
	switch v.kind {
	case kindNumber:
		if significantDigits(v.text) > 15 { // a spreadsheet counts in 15 digits and would round
			return x.words("text", v.text)
		}
		n, err := strconv.ParseFloat(v.text, 64)
		if err != nil {
			return x.words("text", v.text)
		}
		format := "0"
		if _, decimals, some := strings.Cut(v.text, "."); some {
			format += "." + strings.Repeat("0", min(len(decimals), 15))
		}
		return excelize.Cell{StyleID: x.format(format), Value: n}
	case kindDay, kindMoment:
		clock := time.Date(v.at.Year(), v.at.Month(), v.at.Day(), v.at.Hour(), v.at.Minute(), v.at.Second(), 0, time.UTC)
		format := "yyyy-mm-dd hh:mm:ss"
		if v.kind == kindDay {
			clock = clock.Truncate(24 * time.Hour)
			format = "yyyy-mm-dd"
		}
		if clock.Before(time.Date(1900, 3, 1, 0, 0, 0, 0, time.UTC)) || clock.Year() > 9999 {
			return x.words("text", v.csv())
		}
		return excelize.Cell{StyleID: x.format(format), Value: clock}
	}
	if v.text == "" {
		return nil
	}
	return x.words("text", v.text)
}

// words is a cell with text in the style "head" or "text".
func (x *workbook) words(style, s string) excelize.Cell {
	if s = cellText(s); s != harmless(s) {
		style += quoted
	}
	return excelize.Cell{StyleID: x.format(style), Value: s}
}

// quoted ends the name of a style whose text looks like a formula.
const quoted = ", quoted"

// significantDigits counts from the first digit that is not 0 to the last that is not.
func significantDigits(decimal string) int {
	count, upToLast := 0, 0
	for _, r := range decimal {
		if r < '0' || r > '9' || r == '0' && count == 0 {
			continue
		}
		count++
		if r != '0' {
			upToLast = count
		}
	}
	return upToLast
}

// format is the style for a number format, or for "head" or "text", each also quoted.
func (x *workbook) format(name string) int {
	if id, made := x.formats[name]; made {
		return id
	}
	if kind, isQuoted := strings.CutSuffix(name, quoted); isQuoted {
		x.formats[name] = x.quote(x.format(kind))
		return x.formats[name]
	}
	style := &excelize.Style{Alignment: &excelize.Alignment{Vertical: "top"}}
	switch name {
	case "head":
		style.Font = &excelize.Font{Bold: true}
		style.Border = []excelize.Border{{Type: "bottom", Color: rgb(black), Style: 1}}
		style.Alignment.WrapText = true
	case "text":
		at := "@"
		style.CustomNumFmt = &at
		style.Alignment.WrapText = true
	default:
		style.CustomNumFmt = &name
	}
	id, err := x.file.NewStyle(style)
	x.do(err)
	x.formats[name] = id
	return id
}

// quote is a copy of a style with the mark of a typed apostrophe, which the library has no word for.
func (x *workbook) quote(style int) int {
	all := x.file.Styles.CellXfs
	if style >= len(all.Xf) { // making it failed
		return style
	}
	yes, like := true, all.Xf[style]
	like.QuotePrefix = &yes
	all.Xf = append(all.Xf, like)
	all.Count = len(all.Xf)
	return len(all.Xf) - 1
}

const mostInCell = 32767 // UTF-16 units

// cellText is clean text that fits a cell.
func cellText(s string) string {
	s = clean(s)
	if len(s) <= mostInCell {
		return s
	}
	const mark = " […cut]"
	cut, units := 0, 0
	for i, r := range s {
		if units <= mostInCell-len(mark) {
			cut = i
		}
		units += utf16.RuneLen(r)
	}
	if units <= mostInCell {
		return s
	}
	return s[:cut] + mark
}

// name is a sheet's name as a workbook allows it: one to 31 characters, none of []:*?/\, no
// apostrophe at an end, each once.
func (x *workbook) name(wanted string, i int) string {
	name := strings.Map(func(r rune) rune {
		if strings.ContainsRune(`[]:*?/\'`, r) || r > 0xFFFF {
			return ' '
		}
		return r
	}, oneLine(wanted))
	name = firstRunes(oneLine(name), 31)
	if name == "" || strings.EqualFold(name, "history") { // a name that spreadsheets keep for themselves
		name = "Sheet " + strconv.Itoa(i+1)
	}
	for n := 2; x.names[strings.ToLower(name)]; n++ {
		suffix := " " + strconv.Itoa(n)
		name = firstRunes(strings.TrimSuffix(name, " "+strconv.Itoa(n-1)), 31-len(suffix)) + suffix
	}
	x.names[strings.ToLower(name)] = true
	return name
}

func firstRunes(s string, n int) string {
	r := []rune(s)
	return strings.TrimSpace(string(r[:min(len(r), n)]))
}

// widthOf is a fitting width of a column, in characters, judged by its first rows.
func (s Sheet) widthOf(i int) float64 {
	widest := utf8.RuneCountInString(s.Columns[i])
	for _, row := range s.Rows[:min(len(s.Rows), 200)] {
		v := value(row, i)
		text := v.csv()
		if v.kind == kindMoment {
			text = time.DateTime
		}
		widest = max(widest, utf8.RuneCountInString(text))
	}
	return float64(min(max(widest, 6), 60)) + 2
}
