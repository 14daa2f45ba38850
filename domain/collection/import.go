package collection

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"farthingale/domain"
)

// ListFaultsMost is how many faults of a list are told one by one.
const ListFaultsMost = 200

// Import is what became of a list: every row is an object now, or would be one.
type Import struct {
	DryRun bool   `json:"dry_run"`
	Rows   int    `json:"rows"`
	Made   int    `json:"made"` // 0 of a dry run
	First  string `json:"first"`
	Last   string `json:"last"`

	Objects []*Object `json:"-"`
}

// RowFault is a fault of a row of a list.
type RowFault struct {
	Row    int
	Number string // of the object, when it can be read
	Column string // "marks 1 where"; "": the row as a whole
	domain.Field
}

// FaultyRows is why a list was not brought in. The *domain.Error about it has it as its cause.
type FaultyRows struct {
	Rows   int        // of the list
	Faulty int        // of them
	Faults []RowFault // the first ListFaultsMost, by row
	More   int        // faults that are not told
}

func (f *FaultyRows) Error() string {
	return fmt.Sprintf("%d of %d rows of a list are faulty", f.Faulty, f.Rows)
}

// refusal puts the faults of rows into words. The pointers are "/rows/12/number".
func (f *FaultyRows) refusal() error {
	said := fmt.Sprintf("%d of the %d rows cannot be brought in as they are. Nothing was brought in. Mend the list, then send it again.", f.Faulty, f.Rows)
	if f.More > 0 {
		said += fmt.Sprintf(" The first %d faults are told here; there are %d more.", len(f.Faults), f.More)
	}
	e := &domain.Error{Kind: domain.KindInvalid, Code: "invalid", Message: said, Err: f}
	for _, fault := range f.Faults {
		field := fault.Field
		field.Pointer = "/rows/" + strconv.Itoa(fault.Row) + field.Pointer
		row := "Row " + strconv.Itoa(fault.Row)
		if fault.Number != "" {
			row += " (" + fault.Number + ")"
		}
		if fault.Column != "" {
			row += ", " + fault.Column
		}
		field.Message = row + ": " + field.Message
		e.Fields = append(e.Fields, field)
	}
	return e
}

// Import brings in a list of objects: all of them, or none when a row is faulty. Each becomes the object that
// Create would make. A dry run writes nothing and says what would become of the list.
func (s *Service) Import(ctx context.Context, by domain.Actor, form ListForm, list []byte, dry bool) (*Import, error) {
	if err := by.May(Describe); err != nil {
		return nil, err
	}
	rows, err := ReadList(form, list)
	if err != nil {
		return nil, err
	}
	objects := judge(by, rows, s.now())
	taken, err := s.store.NumbersTaken(ctx, numbersOf(rows))
	if err != nil {
		return nil, err
	}
	sameNumbers(rows, taken)
	if err := faultsOf(rows); err != nil {
		return nil, err
	}
	done := &Import{DryRun: dry, Rows: len(rows), First: objects[0].Number, Last: objects[len(objects)-1].Number, Objects: objects}
	if dry {
		return done, nil
	}
	if err := s.store.Add(ctx, objects...); err != nil {
		return nil, err
	}
	done.Made = len(objects)
	return done, nil
}

// judge makes an object of each row that can be one, and notes in the others what is wrong with them.
func judge(by domain.Actor, rows []ListRow, at time.Time) []*Object {
	var objects []*Object
	for i := range rows {
		r := &rows[i]
		if r.unread {
			continue
		}
		var judged ListRow
		o, err := NewObjectOf(by, r.Object, at)
		judged.note("", err)
		already := r.Faults
		for _, f := range judged.Faults { // what could not be read of a column is said already
			if !slices.ContainsFunc(already, func(a domain.Field) bool { return columnOf(a.Pointer) == columnOf(f.Pointer) }) {
				r.Faults = append(r.Faults, f)
			}
		}
		if len(r.Faults) == 0 {
			objects = append(objects, o)
		}
	}
	return objects
}

// columnOf is the column that a pointer leads to or below.
func columnOf(pointer string) string {
	name, _, _ := strings.Cut(strings.TrimPrefix(pointer, "/"), "/")
	return name
}

// columnIndex orders pointers as the columns stand.
func columnIndex(pointer string) int {
	return slices.Index(columnNames(), columnOf(pointer))
}

// placeOf is where in a row a pointer leads, as people count: "marks 1 where".
func placeOf(pointer string) string {
	steps := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	for i, step := range steps {
		if n, err := strconv.Atoi(step); err == nil {
			steps[i] = strconv.Itoa(n + 1)
		}
	}
	return strings.Join(steps, " ")
}

// numbersOf are the numbers of the rows that can be read.
func numbersOf(rows []ListRow) []Number {
	var all []Number
	for _, r := range rows {
		if n, err := ParseNumber(r.Object.Number); err == nil {
			all = append(all, n)
		}
	}
	return all
}

// sameNumbers notes numbers that an object has already, here or in a row before.
func sameNumbers(rows []ListRow, taken map[string]bool) {
	seen := map[string]int{}
	for i := range rows {
		r := &rows[i]
		n, err := ParseNumber(r.Object.Number)
		if err != nil {
			continue // said already, or the row cannot be read
		}
		before, twice := seen[n.Key()]
		switch {
		case taken[n.Key()]:
			r.note("", domain.Invalid("/number", "number_taken", "Another object has this number. Look at it first; if it is another thing, give this one its own number."))
		case twice:
			r.note("", domain.Invalid("/number", "number_taken", fmt.Sprintf("Row %d has this number already.", before)))
		}
		if !twice {
			seen[n.Key()] = r.Row
		}
	}
}

// faultsOf refuses a list with faulty rows.
func faultsOf(rows []ListRow) error {
	f := &FaultyRows{Rows: len(rows)}
	for i := range rows {
		r := &rows[i]
		if len(r.Faults) == 0 {
			continue
		}
		f.Faulty++
		slices.SortStableFunc(r.Faults, func(a, b domain.Field) int { return cmp.Compare(columnIndex(a.Pointer), columnIndex(b.Pointer)) })
		for _, fault := range r.Faults {
			if len(f.Faults) == ListFaultsMost {
				f.More++
				continue
			}
			f.Faults = append(f.Faults, RowFault{Row: r.Row, Number: shownNumber(r.Object.Number), Column: placeOf(fault.Pointer), Field: fault})
		}
	}
	if f.Faulty == 0 {
		return nil
	}
	return f.refusal()
}

// shownNumber is a number as it stands in a list, in which anything may stand, or "".
func shownNumber(number string) string {
	number = strings.TrimSpace(number)
	if !domain.CleanText(number) {
		return ""
	}
	return domain.Cut(number, NumberMost)
}

// ListRefused is what FaultyRows an error is about, or nil.
func ListRefused(err error) *FaultyRows {
	var f *FaultyRows
	if errors.As(err, &f) {
		return f
	}
	return nil
}
