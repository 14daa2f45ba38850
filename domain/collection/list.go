package collection

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"farthingale/domain"
)

// A list of objects is brought in from a file of another hand: CSV, whose columns are the members of
// ObjectFacts by their names in JSON, or NDJSON, an object a line.

// How much one list may hold.
const (
	ListRowsMost  = 5000
	ListBytesMost = 8 << 20
	listCellsMost = 1_000_000 // of one line; each takes room before anybody can look at it
)

// ListForm is how a list is written.
type ListForm string

// The forms, by their media types.
// source: RFC 4180, Common Format and MIME Type for CSV Files, 2005
const (
	CSV    ListForm = "text/csv"
	NDJSON ListForm = "application/x-ndjson"
)

// ListRow is a row of a list as it was read, before anybody judged it.
type ListRow struct {
	Row    int // as people count: the head of a CSV is row 1; of NDJSON the line
	Object NewObject
	Faults []domain.Field // what of it cannot be read at all

	unread bool // it was given up before its end, so that nothing else can be said of it
}

// ReadList reads a list. What is wrong with a row stands in the row; the error is about the list as a whole,
// of which nothing can be used then. Rows that are wholly empty are passed over.
func ReadList(form ListForm, list []byte) ([]ListRow, error) {
	list = bytes.TrimPrefix(list, []byte("\ufeff"))
	switch {
	case len(list) > ListBytesMost:
		return nil, &domain.Error{Kind: domain.KindTooLarge, Code: "list", Message: fmt.Sprintf("The list is too large: at most %d MiB. Divide it, and bring in one part after the other.", ListBytesMost>>20)}
	case !utf8.Valid(list):
		return nil, badList("utf8", "The list is not written in UTF-8. Save it as CSV in UTF-8.")
	}
	var rows []ListRow
	var err error
	switch form {
	case CSV:
		rows, err = readCSV(list)
	case NDJSON:
		rows, err = readNDJSON(list)
	default:
		err = &domain.Error{Kind: domain.KindUnsupported, Code: "media_type", Message: "A list is CSV (text/csv) or a JSON object a line (application/x-ndjson)."}
	}
	if err == nil && len(rows) == 0 {
		err = badList("required", "There is no object in this list.")
	}
	return rows, err
}

func badList(rule, message string) error { return domain.Invalid("/list", rule, message) }

func tooManyRows() error {
	return &domain.Error{Kind: domain.KindTooLarge, Code: "list", Message: fmt.Sprintf("The list has more than %d rows. Divide it, and bring in one part after the other.", ListRowsMost)}
}

func readNDJSON(list []byte) ([]ListRow, error) {
	var rows []ListRow
	line := 0
	for text := range bytes.Lines(list) {
		line++
		if text = bytes.TrimSpace(text); len(text) == 0 {
			continue
		}
		if len(rows) == ListRowsMost {
			return nil, tooManyRows()
		}
		row := ListRow{Row: line}
		row.giveUp(domain.DecodeJSON(text, &row.Object))
		rows = append(rows, row)
	}
	return rows, nil
}

// giveUp notes an error that keeps the rest of the row from being read.
func (r *ListRow) giveUp(err error) {
	r.note("", err)
	r.unread = err != nil
}

// note keeps what an error says of something at the pointer.
func (r *ListRow) note(at string, err error) {
	var e *domain.Error
	switch {
	case err == nil:
	case !errors.As(err, &e):
		r.Faults = append(r.Faults, domain.Field{Pointer: at, Rule: "form", Message: "This cannot be read."})
	case len(e.Fields) == 0:
		r.Faults = append(r.Faults, domain.Field{Pointer: at, Rule: "form", Message: strings.Replace(e.Message, "The body", "This line", 1)})
	default:
		for _, f := range e.Fields {
			f.Pointer = at + f.Pointer
			r.Faults = append(r.Faults, f)
		}
	}
}

func readCSV(list []byte) ([]ListRow, error) {
	for line := range bytes.Lines(list) {
		if bytes.Count(line, []byte(",")) > listCellsMost {
			return nil, badList("max", "A line of this list has more cells than any list of objects has.")
		}
	}
	r := csv.NewReader(bytes.NewReader(list))
	r.FieldsPerRecord = -1
	head, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, badList("required", "The list is empty. Its first line names the columns.")
	}
	if err != nil {
		return nil, badList("csv", "The first line of the list cannot be read: "+csvFault(err))
	}
	columns, err := readHead(head)
	if err != nil {
		return nil, err
	}
	var rows []ListRow
	for number := 2; ; number++ {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			return rows, nil
		}
		if err == nil && strings.TrimSpace(strings.Join(cells, "")) == "" {
			continue
		}
		if len(rows) == ListRowsMost {
			return nil, tooManyRows()
		}
		row := ListRow{Row: number}
		if err != nil {
			row.giveUp(badRow(csvFault(err)))
		} else {
			row.read(columns, cells)
		}
		rows = append(rows, row)
	}
}

func badRow(message string) error {
	return domain.InvalidFields([]domain.Field{{Rule: "csv", Message: message}})
}

// csvFault says what is wrong with a line of CSV, and where.
func csvFault(err error) string {
	var at *csv.ParseError
	if !errors.As(err, &at) {
		return "this is not CSV."
	}
	where := fmt.Sprintf("Line %d of the file, character %d: ", at.Line, at.Column)
	if errors.Is(err, csv.ErrBareQuote) {
		return where + `a quotation mark stands in a cell that does not begin with one. Put the cell in quotation marks, and write each one within it twice.`
	}
	return where + `a quotation mark is missing, or one within a cell is not written twice.`
}

// read puts the cells into the object. Cells that are missing at the end are empty ones.
func (r *ListRow) read(columns []*column, cells []string) {
	if len(cells) > len(columns) && strings.TrimSpace(strings.Join(cells[len(columns):], "")) != "" {
		r.giveUp(badRow(fmt.Sprintf("This row has %d cells, and the list has %d columns. A comma within a cell needs quotation marks around the cell.", len(cells), len(columns))))
	}
	for i, c := range columns[:min(len(columns), len(cells))] {
		if c == nil { // of a column without a name there is nothing but empty cells
			if strings.TrimSpace(cells[i]) != "" {
				r.note("", badRow(fmt.Sprintf("There is something in column %d, which has no name.", i+1)))
			}
			continue
		}
		if cell := strings.TrimSpace(bared(cells[i])); cell != "" {
			r.note("/"+c.Name, c.set(&r.Object.ObjectFacts, cell))
		}
	}
}

// readHead finds the columns that the first line names, in any order, whatever their capitals. All faults
// are told at once. A column that has no name stays nil.
func readHead(head []string) ([]*column, error) {
	if len(head) > 5*len(columns) {
		return nil, badList("columns", fmt.Sprintf("The first line names %d columns. It names those of one list of objects, and the other lines are its rows.", len(head)))
	}
	if len(head) == 1 && strings.ContainsAny(head[0], ";\t") {
		return nil, badList("columns", "The columns of this list are not divided by commas. Save it as CSV with commas.")
	}
	found := make([]*column, len(head))
	var fields []domain.Field
	unknown := false
	fault := func(i int, message string) {
		fields = append(fields, domain.Field{Pointer: "/columns/" + strconv.Itoa(i), Rule: "columns", Message: message})
	}
	for i, name := range head {
		name = strings.ToLower(strings.TrimSpace(name))
		if name == "" {
			continue
		}
		at := slices.IndexFunc(columns, func(c *column) bool { return c.Name == name })
		switch {
		case at < 0:
			unknown = true
			fault(i, "There is no column "+quoted(name)+".")
		case slices.Contains(found, columns[at]):
			fault(i, "There are two columns "+name+".")
		default:
			found[i] = columns[at]
		}
	}
	for _, c := range columns {
		if c.Needed && !slices.Contains(found, c) {
			fault(len(head), "The column "+c.Name+" is missing.")
		}
	}
	if unknown {
		fields[len(fields)-1].Message += " Columns are: " + strings.Join(columnNames(), ", ") + "."
	}
	return found, domain.InvalidFields(fields)
}

// quoted shows text of a file in a sentence, whatever is in it.
func quoted(text string) string {
	return strconv.Quote(domain.Cut(text, NumberMost))
}

// WriteEmptyList writes the names of the columns as ReadList reads them: a list to be filled in.
func WriteEmptyList(to io.Writer) error {
	w := csv.NewWriter(to)
	w.UseCRLF = true
	err := w.Write(columnNames())
	if w.Flush(); err == nil {
		err = w.Error()
	}
	if err != nil {
		return fmt.Errorf("write the columns of a list: %w", err)
	}
	return nil
}

// WriteListRow writes the facts of an object as a row of CSV. A spreadsheet that opens the file takes no cell
// for a formula: see guarded.
func WriteListRow(w *csv.Writer, f *ObjectFacts) error {
	cells := ListCells(f)
	for i := range cells {
		cells[i] = guarded(cells[i])
	}
	return w.Write(cells)
}

// Export writes the objects that a search finds as a list of CSV that can be brought in again, page by page,
// so that it needs no more room for many than for few. Whose an object is stands there for who may see it (P3).
func (s *Service) Export(ctx context.Context, by domain.Actor, q Query, to io.Writer) error {
	if err := by.May(Read); err != nil {
		return err
	}
	if err := q.check(); err != nil {
		return err
	}
	w := csv.NewWriter(to)
	w.UseCRLF = true
	for p := (domain.PageQuery{Limit: domain.PageMost}); ; {
		found, err := s.store.Search(ctx, q, p)
		if err != nil {
			return err
		}
		if p.Cursor == "" { // nothing is written of what is refused
			err = w.Write(columnNames())
		}
		if err == nil {
			err = s.exportPage(ctx, by, found.Items, w)
		}
		if err != nil {
			return err
		}
		if p.Cursor = found.Next; p.Cursor == "" {
			return nil
		}
	}
}

func (s *Service) exportPage(ctx context.Context, by domain.Actor, lines []ObjectLine, w *csv.Writer) error {
	ids := make([]domain.ID, len(lines))
	for i, l := range lines {
		ids[i] = l.ID
	}
	objects, err := s.store.Objects(ctx, ids)
	if err != nil {
		return err
	}
	for i := range objects {
		objects[i].hide(by)
		facts := objects[i].Facts()
		if err := WriteListRow(w, &facts); err != nil {
			return fmt.Errorf("write a list: %w", err)
		}
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return fmt.Errorf("write a list: %w", err)
	}
	return nil
}
