package loan

import (
	"slices"
	"strconv"
	"strings"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
)

// Thing is what a loan must know of an object: its make-up, its dangers with what was assessed about
// them, and what stands against its leaving.
type Thing struct {
	Sheet       *collection.Sheet
	Cautions    []handling.Caution
	Standing    []handling.Stop
	Emergencies []string    // stabilisations whose ratification is open, each in words
	Away        []domain.ID // components that are not with it (C5)
	Elsewhere   []Elsewhere // what of it is away with other loans
}

// Things are the objects of a loan, by ID.
type Things map[domain.ID]*Thing

// Content is an agreement as it was issued: everything that both parties sign. It is sealed, so it
// holds names and texts as they were.
type Content struct {
	Reference     string     `json:"reference"`
	Number        int        `json:"number"` // of the version
	IssuedAt      string     `json:"issued_at"`
	IssuedBy      Who        `json:"issued_by"`
	Lender        Party      `json:"lender"`
	Borrower      Borrower   `json:"borrower"`
	Purpose       string     `json:"purpose"`
	RequestedOn   Day        `json:"requested_on"`
	Period        Span       `json:"period"`
	Venues        []Venue    `json:"venues"`
	Terms         string     `json:"terms"`
	Schedule      []Entry    `json:"schedule"`
	Totals        []Amount   `json:"totals"`
	Approvals     []Approved `json:"approvals"`
	Demonstration bool       `json:"demonstration"`
	ValuesLeftOut bool       `json:"values_left_out,omitempty"` // of a copy for somebody who may not see them; never of a sealed one
}

// Party is a party of an agreement.
type Party struct {
	Name    string `json:"name"`
	Address string `json:"address"`
}

// Approved tells who agreed to the loan for the museum.
type Approved struct {
	Department string `json:"department"`
	By         Who    `json:"by"`
	At         string `json:"at"`
}

// Entry is a line of the schedule of objects.
type Entry struct {
	Position      int        `json:"position"`
	LineID        domain.ID  `json:"line_id"`
	ObjectID      domain.ID  `json:"object_id"`
	FacePhotoID   *domain.ID `json:"face_photo_id"`
	Department    string     `json:"department"`
	Number        string     `json:"number"`
	Title         string     `json:"title"`
	Maker         string     `json:"maker"`
	DateMade      string     `json:"date_made"` // EDTF
	Whole         bool       `json:"whole"`
	Included      []string   `json:"included"`
	NotIncluded   []string   `json:"not_included"`
	Materials     []string   `json:"materials"`
	Dimensions    []string   `json:"dimensions"`
	Mass          []string   `json:"mass"`
	Value         string     `json:"value"` // decimal, two places; empty: not set
	Currency      string     `json:"currency"`
	Insurer       string     `json:"insurer"`
	Conditions    []string   `json:"conditions"`
	FitConditions string     `json:"fit_conditions"` // under which a conservator found it fit to travel
	Condition     string     `json:"condition"`      // the outgoing condition, when it was signed by then
	Cautions      []Warning  `json:"cautions"`
}

// Warning is a hazard as the borrower is told of it.
type Warning struct {
	Hazard    string `json:"hazard"`
	On        string `json:"on"`
	Certainty string `json:"certainty"`
	Text      string `json:"text"` // ends with the standard closing sentence
}

// Closing is the sentence that ends every text about a hazard.
const Closing = material.CautionClosing

// entry describes a line for the schedule.
func (n *Line) entry(t *Thing) Entry {
	o := t.Sheet.Object
	e := Entry{Position: n.Position, LineID: n.ID, ObjectID: n.ObjectID, FacePhotoID: o.FacePhotoID, Department: o.Department, Number: o.Number, Title: o.Title,
		Maker: strings.Join(o.Makers, ", "), DateMade: o.DateMade, Whole: len(n.Components) == 0, Currency: n.Currency, Insurer: n.Insurer, Conditions: n.Conditions.Words(),
		Included: []string{}, NotIncluded: []string{}, Materials: []string{}, Dimensions: []string{}, Mass: []string{}, Cautions: []Warning{}}
	if n.Value != nil {
		e.Value = n.Value.StringFixed(2)
	}
	if a := n.assessment(); a != nil {
		e.FitConditions = a.Conditions
	}
	if s := n.outgoing(); s != nil {
		e.Condition = s.Text + " (" + s.By.Name + ", examined on " + s.ExaminedOn.Words() + ")"
	}
	lent := n.lent(t)
	gone, missing := n.gone(t)
	if e.Whole {
		e.Included = append(e.Included, whole(len(t.Sheet.Components)))
		e.Dimensions, e.Mass = lengths("", o.Dimensions), kilograms("", o)
	} else {
		for _, c := range n.Components {
			e.Included = append(e.Included, c.Called)
			if component := t.Sheet.Component(c.ID); component != nil {
				e.Dimensions = append(e.Dimensions, lengths("."+component.Label, component.Dimensions)...)
				if component.MassKG != nil {
					e.Mass = append(e.Mass, "."+component.Label+": "+component.MassKG.String()+" kg")
				}
			}
		}
		e.NotIncluded = append(e.NotIncluded, "all other parts of "+o.Number)
	}
	for _, c := range missing {
		e.NotIncluded = append(e.NotIncluded, "without ."+c.Label+" "+c.Name)
	}
	for _, m := range t.Sheet.Materials {
		if !slices.Contains(lent, m.ComponentID) || slices.Contains(gone, m.ComponentID) {
			continue
		}
		name := m.MaterialName
		if m.Confidence != "certain" && m.MaterialKey != nil {
			name += " (" + m.Confidence + ")"
		}
		if !slices.Contains(e.Materials, name) {
			e.Materials = append(e.Materials, name)
		}
	}
	for _, c := range handling.Touching(t.Sheet, t.Cautions, n.ComponentIDs()) {
		if c.Certainty == "ruled_out" {
			continue
		}
		e.Cautions = append(e.Cautions, warning(c))
	}
	return e
}

func warning(c handling.Caution) Warning {
	w := Warning{Hazard: c.Hazard, On: c.On, Certainty: c.Certainty, Text: c.Text}
	if c.State == "removed" {
		w.Certainty = "removed"
	}
	if c.Controls != "" {
		w.Text = "Agreed for this object: " + strings.TrimSuffix(c.Controls, ".") + ". " + w.Text
	}
	return w
}

// lent are all the components that go with the line: the chosen ones and what is below them, or all.
func (n *Line) lent(t *Thing) []domain.ID {
	var lent []domain.ID
	for _, c := range n.Components {
		lent = append(lent, t.Sheet.Below(c.ID)...)
	}
	if len(n.Components) == 0 {
		for _, c := range t.Sheet.Components {
			lent = append(lent, c.ID)
		}
	}
	return lent
}

// gone are the components that would go with the line and are not with it, with all that is below
// them (C5); tops are the ones that were taken off. A part that is lent by itself is not gone.
func (n *Line) gone(t *Thing) (gone []domain.ID, tops []collection.Component) {
	lent, chosen := n.lent(t), n.ComponentIDs()
	for _, c := range t.Sheet.Components { // parents before their parts
		if !slices.Contains(t.Away, c.ID) || !slices.Contains(lent, c.ID) || slices.Contains(chosen, c.ID) || slices.Contains(gone, c.ID) {
			continue
		}
		gone, tops = append(gone, t.Sheet.Below(c.ID)...), append(tops, c)
	}
	return gone, tops
}

func whole(components int) string {
	switch components {
	case 0:
		return "the whole object"
	case 1:
		return "the whole object, 1 component"
	}
	return "the whole object, " + strconv.Itoa(components) + " components"
}

func lengths(label string, all []collection.Dimension) []string {
	said := []string{}
	for _, d := range all {
		text := d.What + " " + d.MM.String() + " mm"
		if d.Note != "" {
			text += " (" + d.Note + ")"
		}
		if label != "" {
			text = label + ": " + text
		}
		said = append(said, text)
	}
	return said
}

func kilograms(label string, o collection.Object) []string {
	if o.MassKG == nil {
		return []string{}
	}
	return []string{label + o.MassKG.String() + " kg"}
}

// For is the content as a reader may see it: without the values of other departments' objects and
// their insurers (P3), and for somebody who is not of the staff without the borrower's address.
func (c Content) For(by domain.Actor) Content {
	c.Schedule = slices.Clone(c.Schedule)
	for i := range c.Schedule {
		if !by.MaySeeValues(c.Schedule[i].Department) {
			c.Schedule[i].Value, c.Schedule[i].Currency, c.Schedule[i].Insurer = "", "", ""
			c.ValuesLeftOut, c.Totals = true, []Amount{}
		}
	}
	if !ofStaff(by) {
		c.Borrower = Borrower{Name: c.Borrower.Name}
		c.Venues = slices.Clone(c.Venues)
		for i := range c.Venues {
			c.Venues[i].Address = ""
		}
	}
	return c
}

func ofStaff(by domain.Actor) bool { return slices.ContainsFunc(domain.Staff, by.Has) }

// Seen is the loan as a reader may see it (P3): what they may not see is absent.
func (l Loan) Seen(by domain.Actor) *Loan {
	l.Lines = slices.Clone(l.Lines)
	l.ValuesShown = true
	for i := range l.Lines {
		n := &l.Lines[i]
		n.ValueShown = by.MaySeeValues(n.Department)
		if !n.ValueShown {
			n.Value, n.Currency, n.Insurer = nil, "", ""
		}
		l.ValuesShown = l.ValuesShown && (n.ValueShown || n.Withdrawal != nil)
	}
	if len(l.Lines) == 0 {
		l.ValuesShown = by.MaySeeValues("")
	}
	if !l.ValuesShown {
		l.Totals, l.Insurances = nil, nil
	}
	if !ofStaff(by) {
		l.Facts, l.Facilities = l.public(), []Facilities{}
		l.HandOvers = slices.Clone(l.HandOvers)
		for i := range l.HandOvers {
			l.HandOvers[i].Carrier, l.HandOvers[i].Place, l.HandOvers[i].CratesAndSeals = "", "", ""
		}
	}
	return &l
}
