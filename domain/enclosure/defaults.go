package enclosure

import (
	_ "embed" // for the list of published figures
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"farthingale/domain"
)

// Given says what a default is of.
type Given string

// The kinds of default, see the head of defaults.csv.
const (
	EmissionOf Given = "emission"
	UptakeOf   Given = "uptake"
	ExchangeOf Given = "exchange"
)

// Default is a published figure that an enclosure can begin from. Without a value none was found in
// print, which its note or source says.
type Default struct {
	What       Given      `json:"what"`
	Of         string     `json:"of"`
	Gas        Gas        `json:"gas,omitempty"`
	Quantity   Quantity   `json:"quantity,omitzero"` // in the unit of its kind, with its source; missing: none is published
	Unit       string     `json:"unit"`
	TempC      *float64   `json:"temp_c,omitempty"`
	Note       string     `json:"note,omitempty"`
	Source     string     `json:"source"`
	Confidence Confidence `json:"confidence"`
}

//go:embed defaults.csv
var defaultsCSV []byte

// Defaults is the list in its own order. An error means that the list in the program is damaged; it
// names the row.
func Defaults() ([]Default, error) {
	rows, err := domain.Table(defaultsCSV, "what", "of", "gas", "value", "least", "greatest", "temp_c", "note", "source", "confidence")
	if err != nil {
		return nil, fmt.Errorf("read the list of published figures: %w", err)
	}
	all := make([]Default, 0, len(rows))
	for i, row := range rows {
		d, err := defaultOf(row)
		if err != nil {
			return nil, fmt.Errorf("row %d of the list of published figures, %q: %w", i+1, row["of"], err)
		}
		all = append(all, d)
	}
	return all, nil
}

var defaultUnits = map[Given]Measure{EmissionOf: EmissionRate, UptakeOf: Velocities, ExchangeOf: DailyRates}

func defaultOf(row map[string]string) (Default, error) {
	d := Default{What: Given(row["what"]), Of: row["of"], Gas: Gas(row["gas"]), Note: row["note"], Source: row["source"], Confidence: Confidence(row["confidence"])}
	measure, known := defaultUnits[d.What]
	_, gas := d.Gas.Substance()
	switch {
	case !known:
		return d, fmt.Errorf("there is no kind %q", d.What)
	case gas == (d.What == ExchangeOf), d.Of == "", d.Source == "", !slices.Contains([]Confidence{InSource, SecondHand, Memory}, d.Confidence):
		return d, errors.New("is not whole")
	}
	d.Unit = measure.Unit
	var figures [4]float64
	for i, column := range []string{"value", "least", "greatest", "temp_c"} {
		if row[column] == "" {
			continue
		}
		var err error
		if figures[i], err = strconv.ParseFloat(row[column], 64); err != nil {
			return d, err
		}
	}
	if row["temp_c"] != "" {
		d.TempC = &figures[3]
	}
	if row["value"] == "" {
		return d, nil
	}
	source := d.Source
	if d.Confidence == Memory {
		source += " (from memory)"
	}
	d.Quantity = Quantity{Value: figures[0], Least: figures[1], Greatest: figures[2], Basis: Published, Source: source}
	if strings.HasPrefix(d.Source, "common practice") {
		d.Quantity.Basis = Assumed
	}
	var faults []domain.Field
	d.Quantity.check("", "/value", bounds{0, 1e9, false, ""}, &faults)
	return d, domain.InvalidFields(faults)
}

// Words is the default as a choice: "wood and paper: acetic acid, 55 (10 to 300) µg/(m²·h)".
func (d Default) Words() string {
	s := d.Of
	if d.Gas != "" {
		s += ": " + d.Gas.String()
	}
	if !d.Quantity.Given() {
		return s + ", no figure in print"
	}
	return s + ", " + d.Quantity.Range(d.Unit)
}
