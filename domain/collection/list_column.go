package collection

import (
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// ListColumn is a column of a list of objects.
type ListColumn struct {
	Name    string // as JSON names the member
	Takes   string // what stands in its cells, in words
	Example string // a cell
	Needed  bool
}

// column knows how a cell is read and written. set gets a cell that is not empty; the pointers of its error
// begin below the column.
type column struct {
	ListColumn
	set func(f *ObjectFacts, cell string) error
	get func(f *ObjectFacts) string
}

// columns are the members of ObjectFacts; a test holds the one against the other.
var columns = []*column{
	needed(text("number", "The museum's own number. Keep the column as text, else a spreadsheet drops zeros.", "1968.14.2", func(f *ObjectFacts) *string { return &f.Number })),
	list("former_numbers", "Numbers that it bore before, divided by semicolons.", "12/3; D 44", func(f *ObjectFacts) *[]string { return &f.FormerNumbers }),
	needed(text("title", "What it is called.", "Diving dress", func(f *ObjectFacts) *string { return &f.Title })),
	text("description", "A short description.", "Twill over rubber, with a corselet.", func(f *ObjectFacts) *string { return &f.Description }),
	text("kind", "From the general to the particular, divided by >.", "protective dress > diving dress", func(f *ObjectFacts) *string { return &f.Kind }),
	list("makers", "Makers, divided by semicolons.", "Harbour Works; unknown tailor", func(f *ObjectFacts) *[]string { return &f.Makers }),
	text("date_made", "A date by the Extended Date/Time Format: 1965, 1965-07-14, 1965~ (about), 196X (the sixties), 1964/1968 (between).", "1965~", func(f *ObjectFacts) *string { return &f.DateMade }),
	text("place_made", "Where it was made.", "Harbour Town", func(f *ObjectFacts) *string { return &f.PlaceMade }),
	text("subject", "What it shows or stands for.", "Work under water", func(f *ObjectFacts) *string { return &f.Subject }),
	text("features", "What tells it from others of its kind.", "Patch on the left knee", func(f *ObjectFacts) *string { return &f.Features }),
	{ListColumn{Name: "dimensions", Takes: "What was measured (" + strings.Join(DimensionKinds, ", ") + "), the millimetres, and a note in brackets if there is one; several divided by semicolons.",
		Example: "height 1820 (lying flat); width 640"}, setDimensions, getDimensions},
	{ListColumn{Name: "mass_kg", Takes: "Kilograms, with a point before decimals.", Example: "12.5"}, setMass, func(f *ObjectFacts) string {
		if f.MassKG == nil {
			return ""
		}
		return f.MassKG.String()
	}},
	needed(&column{ListColumn{Name: "legal_status", Takes: "One of accessioned, on_loan_to_us, deposit, study, former.", Example: "accessioned"}, setLegalStatus,
		func(f *ObjectFacts) string { return string(f.LegalStatus) }}),
	text("owner", "Whose it is, when it is not the museum's own; needed for on_loan_to_us and deposit.", "Harbour Trust", func(f *ObjectFacts) *string { return &f.Owner }),
	needed(text("department", "Its curators decide about the object.", "Working dress", func(f *ObjectFacts) *string { return &f.Department })),
	{ListColumn{Name: "marks", Takes: "The kind of mark (" + strings.Join(MarkKinds, ", ") + "), where it is, what it says and what it means, divided by |; several marks divided by semicolons.",
		Example: "stamp | inside the collar | HW 44 | Number of the maker"}, setMarks, getMarks},
	list("not_known", "Headings of the Object ID checklist that were looked for in vain, divided by semicolons.", "inscriptions", func(f *ObjectFacts) *[]string { return &f.NotKnown }),
}

// ListColumns are the columns of a list of objects, in the order in which they are shown.
func ListColumns() []ListColumn {
	all := make([]ListColumn, len(columns))
	for i, c := range columns {
		all[i] = c.ListColumn
	}
	return all
}

// ListCells are the facts of an object as the cells of ListColumns.
func ListCells(f *ObjectFacts) []string {
	cells := make([]string, len(columns))
	for i, c := range columns {
		cells[i] = c.get(f)
	}
	return cells
}

func columnNames() []string {
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = c.Name
	}
	return names
}

func needed(c *column) *column {
	c.Needed = true
	return c
}

func text(name, takes, example string, at func(*ObjectFacts) *string) *column {
	return &column{ListColumn{Name: name, Takes: takes, Example: example},
		func(f *ObjectFacts, cell string) error { *at(f) = cell; return nil },
		func(f *ObjectFacts) string { return *at(f) }}
}

func list(name, takes, example string, at func(*ObjectFacts) *[]string) *column {
	return &column{ListColumn{Name: name, Takes: takes, Example: example},
		func(f *ObjectFacts, cell string) error { *at(f) = values(cell); return nil },
		func(f *ObjectFacts) string { return joined(*at(f)) }}
}

// setLegalStatus takes the words as people write them, too.
func setLegalStatus(f *ObjectFacts, cell string) error {
	f.LegalStatus = LegalStatus(strings.ReplaceAll(strings.ToLower(cell), " ", "_"))
	return nil
}

func setMass(f *ObjectFacts, cell string) error {
	kg, err := measure("", cell)
	if err == nil {
		f.MassKG = &kg
	}
	return err
}

// measure reads a decimal number. A comma is refused: it may stand before decimals or between thousands.
func measure(at, text string) (decimal.Decimal, error) {
	d, err := domain.ParseDecimal(text)
	if err != nil {
		return d, domain.Invalid(at, "decimal", "A number with a point before decimals, such as 12.5.")
	}
	return d, nil
}

// dimensionForm is "height 1820.5 (lying flat)".
var dimensionForm = regexp.MustCompile(`(?s)^(\S+)\s+([^\s(]+)\s*(?:\((.*)\))?$`)

func setDimensions(f *ObjectFacts, cell string) error {
	var faults []error
	for i, text := range values(cell) {
		at := "/" + strconv.Itoa(i)
		parts := dimensionForm.FindStringSubmatch(text)
		if parts == nil {
			faults = append(faults, domain.Invalid(at, "form", "Write what was measured, the millimetres, and a note in brackets if there is one: height 1820 (lying flat)."))
			continue
		}
		mm, err := measure(at+"/mm", parts[2])
		faults = append(faults, err)
		f.Dimensions = append(f.Dimensions, Dimension{What: parts[1], MM: mm, Note: parts[3]})
	}
	return together(faults...)
}

func getDimensions(f *ObjectFacts) string {
	all := make([]string, len(f.Dimensions))
	for i, d := range f.Dimensions {
		all[i] = d.What + " " + d.MM.String()
		if d.Note != "" {
			all[i] += " (" + d.Note + ")"
		}
	}
	return joined(all)
}

func setMarks(f *ObjectFacts, cell string) error {
	var faults []error
	for i, mark := range divided(cell, ';') {
		parts := divided(mark, '|')
		if len(parts) > 4 {
			faults = append(faults, domain.Invalid("/"+strconv.Itoa(i), "form", `A mark has at most four parts, divided by |. Write a | within a part as \|.`))
			continue
		}
		var four [4]string
		for j, p := range parts {
			four[j] = plainly(p)
		}
		f.Marks = append(f.Marks, Inscription{Kind: four[0], Where: four[1], Transcription: four[2], Meaning: four[3]})
	}
	return together(faults...)
}

func getMarks(f *ObjectFacts) string {
	all := make([]string, len(f.Marks))
	for i, m := range f.Marks {
		parts := []string{m.Kind, m.Where, m.Transcription, m.Meaning}
		for len(parts) > 0 && parts[len(parts)-1] == "" {
			parts = parts[:len(parts)-1]
		}
		for j, p := range parts {
			parts[j] = escaped.Replace(p)
		}
		all[i] = strings.Join(parts, " | ")
	}
	return strings.Join(all, "; ")
}

// Several values stand in one cell divided by semicolons, and the parts of one divided by strokes. Where such
// a sign, or a backslash, belongs to the text itself, a backslash stands before it.
var escaped = strings.NewReplacer(`\`, `\\`, `;`, `\;`, `|`, `\|`)

var unescaped = strings.NewReplacer(`\\`, `\`, `\;`, `;`, `\|`, `|`)

func plainly(part string) string { return strings.TrimSpace(unescaped.Replace(part)) }

// divided cuts a cell at a sign that has no backslash before it. Empty values are left out; empty parts of a
// value are parts.
func divided(cell string, at byte) []string {
	var all []string
	begin := 0
	cut := func(end int) {
		if part := cell[begin:end]; at != ';' || strings.TrimSpace(part) != "" {
			all = append(all, part)
		}
		begin = end + 1
	}
	for i := 0; i < len(cell); i++ {
		switch cell[i] {
		case '\\':
			i++
		case at:
			cut(i)
		}
	}
	cut(len(cell))
	return all
}

// values are the texts of a cell that holds several.
func values(cell string) []string {
	all := divided(cell, ';')
	for i := range all {
		all[i] = plainly(all[i])
	}
	return all
}

// joined is the cell of several texts.
func joined(all []string) string {
	cells := make([]string, len(all))
	for i, v := range all {
		cells[i] = escaped.Replace(v)
	}
	return strings.Join(cells, "; ")
}

// guarded puts an apostrophe before what a spreadsheet would take for a formula, and before what bared would
// take one from, so that every text comes back as it was. A spreadsheet whose list separator is a semicolon
// or a tab begins a new cell there.
// source: OWASP, CSV Injection
func guarded(cell string) string {
	var b strings.Builder
	first := true
	for part := range domain.CellParts(cell) {
		if formula(part, first) {
			b.WriteByte('\'')
		}
		b.WriteString(part)
		first = false
	}
	return b.String()
}

// bared takes off the apostrophes that guarded put.
func bared(cell string) string {
	var b strings.Builder
	first := true
	for part := range domain.CellParts(cell) {
		if rest, ok := strings.CutPrefix(part, "'"); ok && formula(rest, first) {
			part = rest
		}
		b.WriteString(part)
		first = false
	}
	return b.String()
}

// formula says whether a part of a cell, behind spaces and apostrophes, begins like a formula. A tab or a
// line break counts at the beginning of the cell only.
func formula(part string, first bool) bool {
	r, _ := utf8.DecodeRuneInString(strings.TrimLeftFunc(part, func(r rune) bool {
		return r == '\'' || unicode.IsSpace(r) && r != '\t' && r != '\n' && r != '\r'
	}))
	return strings.ContainsRune("=+-@＝＋－＠", r) || first && strings.ContainsRune("\t\n\r", r)
}
