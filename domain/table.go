package domain

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
)

// Table reads a list that is part of the program: CSV with comment lines (#) and a header of exactly the
// given columns. Each row is its texts by column; the error names what is not tidy.
func Table(list []byte, columns ...string) ([]map[string]string, error) {
	r := csv.NewReader(bytes.NewReader(list))
	r.Comment = '#'
	r.FieldsPerRecord = len(columns)
	lines, err := r.ReadAll()
	if err != nil {
		return nil, err
	}
	if len(lines) < 2 || !slices.Equal(lines[0], columns) {
		return nil, fmt.Errorf("the columns are not %s", strings.Join(columns, ", "))
	}
	rows := make([]map[string]string, 0, len(lines)-1)
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, text := range line {
			if text != strings.Join(strings.Fields(text), " ") || !CleanText(text) {
				return nil, fmt.Errorf("row %q: %s is not tidy text", line[0], columns[i])
			}
			row[columns[i]] = text
		}
		rows = append(rows, row)
	}
	return rows, nil
}
