package domain

import "time"

// EDTF is an uncertain date in the Extended Date/Time Format.
type EDTF struct {
	Text     string
	Earliest *time.Time
	Latest   *time.Time
}

// ParseEDTF is replaced in the next commit by the whole grammar.
func ParseEDTF(s string) (EDTF, error) {
	t, err := time.Parse("2006", s)
	if err != nil {
		return EDTF{}, Invalid("", "edtf", "A year.")
	}
	return EDTF{Text: s, Earliest: &t, Latest: &t}, nil
}
