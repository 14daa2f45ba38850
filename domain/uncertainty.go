package domain

import (
	"math"

	"github.com/shopspring/decimal"
)

// TwoDigits rounds an uncertainty up to two significant digits, so that it never says less than it is. A figure ends
// where its uncertainty does: at so many places after the point, before it when they are negative. Of none (zero, not a
// number, endless) it gives zero and six places.
//
// source: JCGM 100:2008 (GUM), 7.2.6
func TwoDigits(uncertainty float64) (rounded decimal.Decimal, places int32) {
	if uncertainty <= 0 || math.IsNaN(uncertainty) || math.IsInf(uncertainty, 0) {
		return decimal.Zero, 6
	}
	places = int32(min(max(1-math.Floor(math.Log10(uncertainty)), -9), 9))
	// What only the arithmetic of floats adds is no uncertainty.
	return decimal.NewFromFloat(uncertainty * (1 - 1e-9)).RoundUp(places), places
}
