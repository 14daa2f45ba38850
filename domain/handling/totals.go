package handling

import (
	"slices"
	"time"

	"farthingale/domain"
)

// Dimensions are what handlings are totalled by (rule H6). "all" is one row over everything.
var Dimensions = []string{"all", "object", "component", "joint", "purpose", "person", "month", "year"}

// TotalsMost is the most rows of one dimension: the ones with the most handlings.
const TotalsMost = 500

// TotalsQuery asks for totals; zero values do not narrow. From is included, Until is not.
type TotalsQuery struct {
	ObjectID    *domain.ID `json:"object_id,omitempty"`
	ComponentID *domain.ID `json:"component_id,omitempty"` // events that name it
	PersonID    *domain.ID `json:"person_id,omitempty"`
	Purpose     string     `json:"purpose,omitempty" validate:"omitempty,oneof=examination treatment mounting photography move loan research_visit other"`
	From        *time.Time `json:"from,omitempty"`
	Until       *time.Time `json:"until,omitempty"`
	By          []string   `json:"by" validate:"max=8,unique,dive,oneof=all object component joint purpose person month year"` // empty: all of Dimensions
}

// Total is the sum over the handlings that share a key. An event of several components, joints or
// people counts for each of them, so only the rows of "all", "object", "purpose", "month" and "year"
// add up.
type Total struct {
	By        string `json:"by"`
	Key       string `json:"key"`   // an ID, a word, "2026-02" or "2026"; empty: the whole object
	Label     string `json:"label"` // as people call it
	Handlings int    `json:"handlings"`
	Minutes   int    `json:"minutes"`
	Lifts     int    `json:"lifts"`
	Flexes    int    `json:"flexes"`
}

// Totals are the rows of every dimension asked for, in the order of Dimensions; months and years run
// forward, others begin with the most handlings.
type Totals struct {
	Items []Total `json:"items"`
}

// Of is the rows of one dimension.
func (t Totals) Of(dimension string) []Total {
	var rows []Total
	for _, row := range t.Items {
		if row.By == dimension {
			rows = append(rows, row)
		}
	}
	return rows
}

func (q *TotalsQuery) ready() error {
	if err := domain.Validate(*q); err != nil {
		return err
	}
	if len(q.By) == 0 {
		q.By = slices.Clone(Dimensions)
	}
	if q.From != nil && q.Until != nil && !q.From.Before(*q.Until) {
		return domain.Invalid("/until", "order", "The period ends after it begins.")
	}
	return nil
}
