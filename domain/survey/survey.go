package survey

import (
	"crypto/rand"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/examination"
)

// The acts of this area. Whoever assesses signs an examination, so it is a conservator.
var (
	Read   = domain.Act{Area: "survey", Name: "read surveys", Roles: domain.Readers}
	Begin  = domain.Act{Area: "survey", Name: "begin a survey", Write: true, Roles: []domain.Role{domain.Conservator}}
	Assess = domain.Act{Area: "survey", Name: "assess an object of a survey", Write: true, Roles: []domain.Role{domain.Conservator}}
)

// Named is a person with what they are called.
type Named struct {
	ID   domain.ID `json:"id"`
	Name string    `json:"name"`
}

// Population says which objects a survey is about; zero values do not narrow. Objects that left the
// collection are never among them.
type Population struct {
	Department  string     `json:"department" validate:"max=120"`
	Kind        string     `json:"kind" validate:"max=200"` // this kind and what is below it
	LegalStatus string     `json:"legal_status" validate:"omitempty,oneof=accessioned on_loan_to_us deposit study"`
	PlaceID     *domain.ID `json:"place_id,omitempty"` // that lie in this place or within it
}

// Divisions are what a sample can be stratified by; empty: drawn simply.
var Divisions = []string{"department", "kind", "legal_status"}

// Scheme says about which objects a survey is, how precise, and how they are divided.
type Scheme struct {
	Population      Population       `json:"population"`
	DividedBy       string           `json:"divided_by" validate:"omitempty,oneof=department kind legal_status"`
	Confidence      int              `json:"confidence" validate:"omitempty,oneof=90 95 99"` // per cent; 0: 95
	MarginPercent   *decimal.Decimal `json:"margin_percent" validate:"omitempty,gte=0.5,lte=30"`
	ExpectedPercent *decimal.Decimal `json:"expected_percent" validate:"omitempty,gte=1,lte=99"` // the share that is expected; nil: 50, which asks for most
}

// NewSurvey asks for a survey.
type NewSurvey struct {
	Title   string `json:"title" validate:"required,max=200"`
	Purpose string `json:"purpose" validate:"max=4000"`
	Seed    string `json:"seed" validate:"max=100"` // empty: the program makes one
	Scheme
}

// Survey is a survey with what was drawn for it. Nothing of the draw ever changes.
type Survey struct {
	ID              domain.ID       `json:"id"`
	Title           string          `json:"title"`
	Purpose         string          `json:"purpose"`
	Population      Population      `json:"population"`
	DividedBy       string          `json:"divided_by"`
	Confidence      int             `json:"confidence"`
	MarginPercent   decimal.Decimal `json:"margin_percent"`
	ExpectedPercent decimal.Decimal `json:"expected_percent"`
	Seed            string          `json:"seed"`
	Frame           string          `json:"frame"` // names the population that was drawn from
	Objects         int             `json:"objects"`
	Sample          int             `json:"sample"`
	Strata          []Stratum       `json:"strata"`
	DrawnAt         time.Time       `json:"drawn_at"`
	DrawnBy         Named           `json:"drawn_by"`
	Hidden          bool            `json:"-"` // its place is one that not everybody may know of

	Drawn         []Unit `json:"-" db:"-"` // only while it is begun
	domain.Raised `json:"-" db:"-"`
}

// Line is a survey in a list.
type Line struct {
	ID       domain.ID `json:"id"`
	Title    string    `json:"title"`
	Objects  int       `json:"objects"`
	Sample   int       `json:"sample"`
	Assessed int       `json:"assessed"`
	Missed   int       `json:"missed"`
	DrawnAt  time.Time `json:"drawn_at"`
	DrawnBy  Named     `json:"drawn_by"`
}

// Item is an object of a sample, in the order of drawing.
type Item struct {
	Position      int               `json:"position"`
	ObjectID      domain.ID         `json:"object_id"`
	ObjectNumber  string            `json:"object_number"`
	ObjectTitle   string            `json:"object_title"`
	Stratum       string            `json:"stratum"`
	ExaminationID *domain.ID        `json:"examination_id,omitempty"`
	ExaminedOn    string            `json:"examined_on,omitempty"`
	Overall       examination.Grade `json:"overall,omitempty"`
	Priority      string            `json:"priority,omitempty"`
	Missed        string            `json:"missed,omitempty"`            // why it could not be looked at
	Assessment    *Assessment       `json:"assessment,omitempty" db:"-"` // as it was signed; only in the answer to it
}

// Open says whether the object still waits to be looked at.
func (i Item) Open() bool { return i.ExaminationID == nil && i.Missed == "" }

// New draws a survey from a population.
func New(by domain.Actor, n NewSurvey, population []Unit, at time.Time) (*Survey, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	s := &Survey{ID: domain.NewID(), Title: strings.TrimSpace(n.Title), Purpose: strings.TrimSpace(n.Purpose), Population: n.Population, DividedBy: n.DividedBy, Confidence: n.Confidence,
		MarginPercent: decimal.NewFromInt(5), ExpectedPercent: decimal.NewFromInt(50), Seed: strings.TrimSpace(n.Seed), Objects: len(population), DrawnAt: at, DrawnBy: Named{by.ID, by.Name}}
	if s.Confidence == 0 {
		s.Confidence = 95
	}
	if n.MarginPercent != nil {
		s.MarginPercent = *n.MarginPercent
	}
	if n.ExpectedPercent != nil {
		s.ExpectedPercent = *n.ExpectedPercent
	}
	if s.Seed == "" {
		s.Seed = rand.Text()
	}
	if len(population) == 0 {
		return nil, domain.Invalid("/population", "empty", "No object is like that. Widen the population.")
	}
	s.Strata = strataOf(population)
	if len(s.Strata) > strataMost {
		return nil, domain.Invalid("/divided_by", "max", "That divides the population into "+strconv.Itoa(len(s.Strata))+" strata; at most "+strconv.Itoa(strataMost)+" can be drawn from.")
	}
	wanted := Size(len(population), s.MarginPercent.InexactFloat64()/100, s.ExpectedPercent.InexactFloat64()/100, s.Confidence)
	s.Strata = Allot(s.Strata, wanted)
	if s.DividedBy == "" {
		s.Strata[0].Sample = wanted
	}
	for _, x := range s.Strata {
		s.Sample += x.Sample
	}
	if s.Sample > sampleMost {
		return nil, domain.Invalid("/margin_percent", "max", "That asks for "+strconv.Itoa(s.Sample)+" objects; at most "+strconv.Itoa(sampleMost)+" are drawn. Take a wider margin.")
	}
	s.Frame, s.Drawn = Frame(population), Draw(s.Seed, population, s.Strata)
	s.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "survey", Subject: s.ID, Kind: "drawn", Change: map[string]any{"survey": n, "seed": s.Seed, "frame": s.Frame, "objects": s.Objects, "strata": s.Strata}})
	return s, nil
}

// How many strata and how many objects a survey has at most.
const (
	strataMost = 60
	sampleMost = 5000
)

// Assessment is a look at one object of a survey: in one screen what an examination on the occasion of a
// survey says.
type Assessment struct {
	ExaminedOn    string            `json:"examined_on" validate:"required,datetime=2006-01-02"`
	Place         string            `json:"place" validate:"required,max=300"`
	Overall       examination.Grade `json:"overall" validate:"required,oneof=good fair poor unacceptable"`
	OverallReason string            `json:"overall_reason" validate:"max=2000"` // where it is better than the damage on record suggests
	Priority      string            `json:"priority" validate:"required,oneof=urgent high medium low none"`
	Note          string            `json:"note" validate:"max=4000"`
	NextCheckOn   string            `json:"next_check_on" validate:"required,datetime=2006-01-02"`
	PartsSeen     bool              `json:"parts_seen"` // every part was looked at, and the damage on record is as it was
}

// Miss says why an object of a survey could not be looked at. No other takes its place: that would bend the
// chance with which each was drawn.
type Miss struct {
	Reason string `json:"reason" validate:"required,max=1000"`
}

// overallLook is what a survey says of parts and damage that it did not look at one by one.
const overallLook = "Survey: an overall look, not part by part."

// Changes are what an assessment writes into a draft examination.
func (a Assessment) Changes(e *examination.Examination) examination.Changes {
	hands := false
	description := a.Note
	seen := make([]examination.Looked, len(e.Components))
	for i, c := range e.Components {
		yes := a.PartsSeen
		seen[i] = examination.Looked{ComponentID: c.ComponentID, Seen: &yes}
		if !yes {
			seen[i].Reason = overallLook
		}
	}
	return examination.Changes{
		Circumstances: &examination.Circumstances{Occasion: examination.Survey, ExaminedOn: a.ExaminedOn, Place: a.Place, Light: []string{"normal"}, Technique: "By eye, for a survey.", Handles: &hands},
		Description:   &description, Components: &seen,
		Judgement: &examination.Judgement{Overall: a.Overall, OverallReason: a.OverallReason, Priority: a.Priority, NextCheckOn: a.NextCheckOn},
	}
}

// Group is how the objects of a stratum, or of the whole sample, came out.
type Group struct {
	Name       string         `json:"name"`
	Population int            `json:"population"`
	Sample     int            `json:"sample"`
	Assessed   int            `json:"assessed"`
	Missed     int            `json:"missed"`
	Grades     map[string]int `json:"grades"`
	Poor       *Share         `json:"poor_or_worse,omitempty"` // nil: nothing was looked at yet
}

// Results are what a survey says of its population.
type Results struct {
	SurveyID   domain.ID        `json:"survey_id"`
	Confidence int              `json:"confidence"`
	Groups     []Group          `json:"groups"` // strata
	Whole      Group            `json:"whole"`
	Shares     map[string]Share `json:"shares"` // of each grade in the whole population, taken as one simple sample
	Estimate   *Share           `json:"estimate,omitempty"`
	Least      int              `json:"objects_least"` // of the population that are poor or worse
	Greatest   int              `json:"objects_greatest"`
	Method     string           `json:"method"`
	Cautions   []string         `json:"cautions"`
}

// Counted is how many objects of a stratum have a grade; the grade is empty for missed ones and for those
// that still wait.
type Counted struct {
	Stratum string
	Grade   examination.Grade
	Missed  bool
	Count   int
}

// The methods by which a share is estimated, as they are shown.
const (
	simpleMethod     = "Share found in the sample, with Wilson's interval (Wilson 1927); n′ = n(N−1)/(N−n) for the finite population (Cochran 1977)."
	stratifiedMethod = "Share p = Σ W·p over strata, W the stratum's part of the population; variance Σ W²·(1−f)·p(1−p)/(n−1); interval p ± z·√variance (Cochran 1977, 5.3 and 5.5). Each stratum has Wilson's interval."
)

// ResultsOf judges what was counted.
func (s *Survey) ResultsOf(counted []Counted) Results {
	r := Results{SurveyID: s.ID, Confidence: s.Confidence, Groups: []Group{}, Shares: map[string]Share{}, Method: simpleMethod, Cautions: []string{}, Whole: Group{Name: "the whole", Population: s.Objects, Sample: s.Sample, Grades: map[string]int{}}}
	var parts []Part
	for _, x := range s.Strata {
		g := Group{Name: x.Name, Population: x.Population, Sample: x.Sample, Grades: map[string]int{}}
		for _, c := range counted {
			switch {
			case c.Stratum != x.Name:
			case c.Missed:
				g.Missed += c.Count
			case c.Grade != "":
				g.Assessed += c.Count
				g.Grades[string(c.Grade)] += c.Count
			}
		}
		g.judge(s.Confidence)
		r.Whole.Assessed, r.Whole.Missed = r.Whole.Assessed+g.Assessed, r.Whole.Missed+g.Missed
		for grade, n := range g.Grades {
			r.Whole.Grades[grade] += n
		}
		parts = append(parts, Part{Population: g.Population, Looked: g.Assessed, Found: g.poor()})
		r.Groups = append(r.Groups, g)
	}
	r.Whole.judge(s.Confidence)
	r.estimate(s, parts)
	if r.Whole.Missed > 0 {
		r.Cautions = append(r.Cautions, strconv.Itoa(r.Whole.Missed)+" of the objects drawn could not be looked at. If they are not like the others, the shares are wrong by more than the interval says.")
	}
	if left := r.Whole.Sample - r.Whole.Assessed - r.Whole.Missed; left > 0 {
		r.Cautions = append(r.Cautions, strconv.Itoa(left)+" of the objects drawn still wait. Until then this holds only if those looked at were taken in the order of drawing.")
	}
	return r
}

func (g *Group) poor() int {
	return g.Grades[string(examination.Poor)] + g.Grades[string(examination.Unacceptable)]
}

func (g *Group) judge(confidence int) {
	if g.Assessed > 0 {
		share := Wilson(g.poor(), g.Assessed, g.Population, confidence)
		g.Poor = &share
	}
}

// estimate is the share of the population that is poor or worse, and how many objects that is.
func (r *Results) estimate(s *Survey, parts []Part) {
	if r.Whole.Assessed == 0 {
		r.Cautions = append(r.Cautions, "Nothing was looked at yet.")
		return
	}
	if s.DividedBy == "" {
		r.Estimate = r.Whole.Poor
		for _, g := range examination.Grades {
			r.Shares[string(g)] = Wilson(r.Whole.Grades[string(g)], r.Whole.Assessed, s.Objects, s.Confidence)
		}
	} else {
		r.Method, r.Whole.Poor = stratifiedMethod, nil
		share, ok := Stratified(parts, s.Confidence)
		if !ok {
			r.Cautions = append(r.Cautions, "There is no estimate of the whole yet: in each stratum at least two objects must have been looked at.")
			return
		}
		r.Estimate = &share
	}
	r.Least, r.Greatest = int(r.Estimate.Least*float64(s.Objects)+0.5), int(r.Estimate.Greatest*float64(s.Objects)+0.5)
}
