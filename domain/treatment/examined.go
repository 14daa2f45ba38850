package treatment

import (
	"context"
	"fmt"
	"slices"
	"time"

	"farthingale/domain"
)

// Examined is a signed examination as this area needs to know it: what a proposal rests on, and what shows the
// condition afterwards (T7).
type Examined struct {
	ID           domain.ID   `json:"id"`
	Occasion     string      `json:"occasion"`
	ExaminedOn   string      `json:"examined_on"` // the day of the look
	By           string      `json:"by"`
	Overall      string      `json:"overall"`
	Seen         []domain.ID `json:"seen"` // components that were looked at
	Observations []Observed  `json:"-"`
}

// Observed is one damage of an examination, as people call it.
type Observed struct {
	ID     domain.ID
	Called string // "1968.14.2.1a cuff: crack, severity 2"
}

// Examinations lists signed examinations of an object, the latest first: the latest twenty, and those that are
// named.
type Examinations interface {
	Signed(ctx context.Context, objectID domain.ID, named []domain.ID) ([]Examined, error)
}

// afterTreatment is the occasion of an examination that shows the condition after treatment.
const afterTreatment = "after_treatment"

// Called names the examination.
func (e *Examined) Called() string {
	on, err := time.Parse(time.DateOnly, e.ExaminedOn)
	if err != nil {
		return "examination by " + e.By
	}
	return "examination of " + on.Format("2 January 2006") + " by " + e.By
}

func (f Facts) examined(id *domain.ID) *Examined {
	if id == nil {
		return nil
	}
	for i := range f.Examinations {
		if f.Examinations[i].ID == *id {
			return &f.Examinations[i]
		}
	}
	return nil
}

// checkRests refuses an examination and observations that nothing stands behind.
func (p Proposal) checkRests(f Facts) []domain.Field {
	if p.RestsOn.ExaminationID == nil {
		if len(p.RestsOn.Observations) > 0 {
			return []domain.Field{{Pointer: "/rests_on/examination_id", Rule: "required", Message: "Say of which examination these observations are."}}
		}
		return nil
	}
	e := f.examined(p.RestsOn.ExaminationID)
	if e == nil {
		return []domain.Field{{Pointer: "/rests_on/examination_id", Rule: "examination", Message: "There is no such signed examination of this object."}}
	}
	var fields []domain.Field
	for i, id := range p.RestsOn.Observations {
		if !slices.ContainsFunc(e.Observations, func(o Observed) bool { return o.ID == id }) {
			fields = append(fields, domain.Field{Pointer: fmt.Sprintf("/rests_on/observations/%d", i), Rule: "observation", Message: "This is no observation of that examination."})
		}
	}
	return fields
}

// rested says from the examination when the condition was seen and by whom.
func (p Proposal) rested(f Facts) Proposal {
	if e := f.examined(p.RestsOn.ExaminationID); e != nil {
		p.RestsOn.Date, p.RestsOn.By = e.ExaminedOn, e.By
	}
	return p
}

// restsLegend names the examination and the observations that the text refers to.
func (p Proposal) restsLegend(f Facts, legend map[string]string) {
	e := f.examined(p.RestsOn.ExaminationID)
	if e == nil {
		return
	}
	legend[e.ID.String()] = e.Called()
	for _, o := range e.Observations {
		if slices.Contains(p.RestsOn.Observations, o.ID) {
			legend[o.ID.String()] = o.Called
		}
	}
}

// ExaminationsIn are the examinations that the text names.
func (p Proposal) ExaminationsIn() []domain.ID {
	if p.RestsOn.ExaminationID == nil {
		return nil
	}
	return []domain.ID{*p.RestsOn.ExaminationID}
}

// lacksExamination says what is missing of the examination after treatment: it was made for that, not before the
// last work, and every treated component was seen (T7).
func (t *Treatment) lacksExamination(c *Completion, zone *time.Location) []string {
	if c.After == nil {
		return []string{"a signed examination after treatment, which shows the condition of each treated component"}
	}
	var lacks []string
	if c.After.Occasion != afterTreatment {
		lacks = append(lacks, "an examination that was made after treatment; the "+c.After.Called()+" had another occasion")
	}
	last := ""
	for _, w := range t.works() {
		last = max(last, w.HappenedAt.In(zone).Format(time.DateOnly))
	}
	if c.After.ExaminedOn < last {
		lacks = append(lacks, "an examination made after the last work; the "+c.After.Called()+" was before it")
	}
	for _, part := range t.Treated() {
		if !slices.Contains(c.After.Seen, part.ID) {
			lacks = append(lacks, part.Called+" among what was seen at the examination after treatment")
		}
	}
	return lacks
}
