package collection

import (
	"encoding/json"
	"errors"
	"reflect"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// Decimals that are kept of a length in millimetres and of a mass in kilograms: the micrometre and the
// tenth of a gram.
const (
	decimalsMM = 3
	decimalsKG = 4
)

// measures notes lengths and masses that are finer than what is kept, so that nothing is rounded
// unseen.
func measures(dimensions []Dimension, mass *decimal.Decimal) []domain.Field {
	var fields []domain.Field
	for i, d := range dimensions {
		fields = append(fields, finer("/dimensions/"+strconv.Itoa(i)+"/mm", &d.MM, decimalsMM)...)
	}
	return append(fields, finer("/mass_kg", mass, decimalsKG)...)
}

func finer(pointer string, d *decimal.Decimal, decimals int32) []domain.Field {
	if d == nil || d.Exponent() >= -decimals || d.Exponent() > -30 && d.Truncate(decimals).Equal(*d) {
		return nil
	}
	return []domain.Field{{Pointer: pointer, Rule: "decimals", Message: "At most " + strconv.Itoa(int(decimals)) + " decimals are kept."}}
}

// together is the faults of several checks as one error, or the first error that is no fault of a
// field.
func together(errs ...error) error {
	var fields []domain.Field
	for _, err := range errs {
		var e *domain.Error
		switch {
		case err == nil:
		case errors.As(err, &e) && e.Kind == domain.KindInvalid:
			fields = append(fields, e.Fields...)
		default:
			return err
		}
	}
	return domain.InvalidFields(fields)
}

func tidyList(texts []string) []string {
	tidy := make([]string, len(texts))
	for i, t := range texts {
		tidy[i] = strings.TrimSpace(t)
	}
	return tidy
}

func tidyDimensions(dimensions []Dimension) []Dimension {
	tidy := make([]Dimension, len(dimensions))
	for i, d := range dimensions {
		d.Note = strings.TrimSpace(d.Note)
		tidy[i] = d
	}
	return tidy
}

// KindDivider stands between the levels of a kind, from the general to the particular.
const KindDivider = " › "

// tidyKind divides the levels of a kind in one way, whether they were typed with > or ›.
func tidyKind(kind string) string {
	var levels []string
	for level := range strings.SplitSeq(strings.ReplaceAll(kind, ">", "›"), "›") {
		if level = strings.Join(strings.Fields(level), " "); level != "" {
			levels = append(levels, level)
		}
	}
	return strings.Join(levels, KindDivider)
}

// differences lists the members that differ between two values of one type, each as it was and as it
// is, for the event of a change. The version and what the program derives are not the change.
func differences(before, after any) map[string][2]any {
	was, is := members(before), members(after)
	changed := map[string][2]any{}
	for name := range is {
		if !reflect.DeepEqual(was[name], is[name]) {
			changed[name] = [2]any{was[name], is[name]}
		}
	}
	for name := range was {
		if _, still := is[name]; !still {
			changed[name] = [2]any{was[name], nil}
		}
	}
	return changed
}

func members(v any) map[string]any {
	all := map[string]any{}
	b, err := json.Marshal(v)
	if err == nil {
		err = json.Unmarshal(b, &all)
	}
	if err != nil { // plain structs always encode
		return map[string]any{"unreadable": err.Error()}
	}
	for _, name := range []string{"version", "date_earliest", "date_latest"} {
		delete(all, name)
	}
	for name, value := range all { // an empty list is as good as none
		if list, ok := value.([]any); value == nil || ok && len(list) == 0 {
			delete(all, name)
		}
	}
	return all
}
