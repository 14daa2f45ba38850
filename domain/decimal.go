package domain

import (
	"regexp"

	"github.com/shopspring/decimal"
)

// decimalMost is the most characters of a decimal number.
const decimalMost = 60

var decimalForm = regexp.MustCompile(`^-?[0-9]+([.][0-9]+)?$`)

// ParseDecimal reads a measure, a share or a sum of money as it is written in the contract: digits, at
// most one point between them, at most 60 characters. There are no exponents, so that a short text never
// stands for a long number. Anything else is KindInvalid; the pointer is the caller's to set.
func ParseDecimal(text string) (decimal.Decimal, error) {
	if len(text) > decimalMost || !decimalForm.MatchString(text) {
		return decimal.Decimal{}, Invalid("", "decimal", "A number, such as 12.5.")
	}
	d, err := decimal.NewFromString(text)
	if err != nil {
		return decimal.Decimal{}, Invalid("", "decimal", "A number, such as 12.5.")
	}
	return d, nil
}
