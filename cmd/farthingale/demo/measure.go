package demo

import (
	"github.com/shopspring/decimal"

	"farthingale/domain/collection"
)

// dec reads a decimal of this package's own tables.
func dec(text string) *decimal.Decimal {
	d := decimal.RequireFromString(text)
	return &d
}

// dims reads dimensions as what, millimetres, note, what, millimetres, note … of this package's own
// tables.
func dims(text ...string) []collection.Dimension {
	var all []collection.Dimension
	for i := 0; i+2 < len(text); i += 3 {
		all = append(all, collection.Dimension{What: text[i], MM: *dec(text[i+1]), Note: text[i+2]})
	}
	return all
}
