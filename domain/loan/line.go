package loan

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Line is an object, or parts of one, in a loan (L1). What is lent on a line never changes; another
// choice of parts is another line. Value, insurer and conditions change until the loan is
// dispatched.
type Line struct {
	ID           domain.ID        `json:"id"`
	LoanID       domain.ID        `json:"loan_id"`
	Position     int              `json:"position"` // in the schedule: 1, 2, 3 …
	ObjectID     domain.ID        `json:"object_id"`
	ObjectNumber string           `json:"object_number"`
	Title        string           `json:"title"`
	Department   string           `json:"department"`
	Components   []Part           `json:"components"` // empty: the whole object
	Value        *decimal.Decimal `json:"value,omitempty"`
	Currency     string           `json:"currency,omitempty"`
	Insurer      string           `json:"insurer,omitempty"`
	Conditions   Conditions       `json:"conditions"`
	Withdrawal   *Withdrawal      `json:"withdrawal,omitempty"` // no longer part of the loan
	Assessments  []Assessment     `json:"assessments"`          // the last one counts
	Consents     []Consent        `json:"consents"`
	Statements   []Statement      `json:"condition_statements"` // outgoing; those of hand-overs are with the hand-over
	ValueShown   bool             `json:"value_shown"`          // to this reader
}

// Part is a component that is lent on a line, as it is called.
type Part struct {
	ID     domain.ID `json:"id"`
	Called string    `json:"called"` // "1968.14.2.3b cuff"
}

// Withdrawal takes a line out of a loan. The line stays on record.
type Withdrawal struct {
	Reason string    `json:"reason"`
	By     Who       `json:"by"`
	At     time.Time `json:"at"`
}

// Conditions are how the borrower mounts, handles and shows what is on a line. Zero figures are not
// set.
type Conditions struct {
	Mount        string   `json:"mount" validate:"max=4000"`
	Handling     string   `json:"handling" validate:"max=4000"`
	Display      string   `json:"display" validate:"max=4000"`
	Positions    []string `json:"positions" validate:"max=13,unique,dive,oneof=lying_face_up lying_face_down lying_on_left_side lying_on_right_side upright_on_mount upright_held hanging rolled folded in_box in_case in_crate other"`
	LightLux     *int     `json:"light_lux,omitempty" validate:"omitempty,gte=0,lte=100000"`             // most at any time
	LightLuxHour *int     `json:"light_lux_hours,omitempty" validate:"omitempty,gte=0,lte=1000000000"`   // most over the whole loan
	UVMicroWatt  *int     `json:"uv_microwatt_per_lumen,omitempty" validate:"omitempty,gte=0,lte=10000"` // most
	RHLow        *int     `json:"rh_low_percent,omitempty" validate:"omitempty,gte=0,lte=100"`
	RHHigh       *int     `json:"rh_high_percent,omitempty" validate:"omitempty,gte=0,lte=100"`
	TLow         *int     `json:"t_low_celsius,omitempty" validate:"omitempty,gte=-60,lte=60"`
	THigh        *int     `json:"t_high_celsius,omitempty" validate:"omitempty,gte=-60,lte=60"`
}

func (c *Conditions) check() error {
	for _, text := range []*string{&c.Mount, &c.Handling, &c.Display} {
		*text = strings.TrimSpace(*text)
	}
	if c.Positions == nil {
		c.Positions = []string{}
	}
	if err := domain.Validate(*c); err != nil {
		return err
	}
	var fields []domain.Field
	for _, band := range []struct {
		low, high *int
		at        string
	}{{c.RHLow, c.RHHigh, "/rh_high_percent"}, {c.TLow, c.THigh, "/t_high_celsius"}} {
		if band.low != nil && band.high != nil && *band.high < *band.low {
			fields = append(fields, domain.Field{Pointer: band.at, Rule: "order", Message: "The upper bound is not below the lower."})
		}
	}
	return domain.InvalidFields(fields)
}

// Words are the conditions in sentences, for papers and pages; empty when nothing is set.
func (c Conditions) Words() []string {
	said := []string{}
	add := func(label, text string) {
		if text != "" {
			said = append(said, label+": "+text)
		}
	}
	add("Mount", c.Mount)
	add("Handling", c.Handling)
	add("Display", c.Display)
	positions := make([]string, len(c.Positions))
	for i, p := range c.Positions {
		positions[i] = strings.ReplaceAll(p, "_", " ")
	}
	add("Positions allowed", strings.Join(positions, ", "))
	var light []string
	if c.LightLux != nil {
		light = append(light, "at most "+strconv.Itoa(*c.LightLux)+" lx")
	}
	if c.LightLuxHour != nil {
		light = append(light, "at most "+strconv.Itoa(*c.LightLuxHour)+" lx·h over the whole loan")
	}
	if c.UVMicroWatt != nil {
		light = append(light, "ultraviolet at most "+strconv.Itoa(*c.UVMicroWatt)+" µW/lm")
	}
	add("Light", strings.Join(light, "; "))
	add("Relative humidity", band(c.RHLow, c.RHHigh, " %"))
	add("Temperature", band(c.TLow, c.THigh, " °C"))
	return said
}

func band(low, high *int, unit string) string {
	switch {
	case low != nil && high != nil:
		return strconv.Itoa(*low) + " to " + strconv.Itoa(*high) + unit
	case low != nil:
		return "at least " + strconv.Itoa(*low) + unit
	case high != nil:
		return "at most " + strconv.Itoa(*high) + unit
	}
	return ""
}

// NewLine puts an object, or parts of one, on a loan.
type NewLine struct {
	ObjectNumber string      `json:"object_number" validate:"required,max=60"`
	ComponentIDs []domain.ID `json:"component_ids" validate:"max=500,unique"` // none: the whole object
	Conditions   Conditions  `json:"conditions"`
}

// Valuation is what a line is insured for.
type Valuation struct {
	Value    *decimal.Decimal `json:"value" validate:"required"`
	Currency string           `json:"currency" validate:"required,currency"`
	Insurer  string           `json:"insurer" validate:"max=300"` // when one line has its own
}

// MostValue is the largest value that is kept, exclusive.
var mostValue = decimal.New(1, 13)

func moneyFault(v decimal.Decimal, at string, positive bool) []domain.Field {
	switch {
	case v.Exponent() > 13 || v.Exponent() < -15, v.GreaterThanOrEqual(mostValue):
		return []domain.Field{{Pointer: at, Rule: "lt", Message: "Less than 10 000 000 000 000, with at most two decimals."}}
	case v.IsNegative(), positive && v.IsZero():
		return []domain.Field{{Pointer: at, Rule: "gt", Message: "More than 0."}}
	case !v.Truncate(2).Equal(v):
		return []domain.Field{{Pointer: at, Rule: "decimals", Message: "At most two decimals."}}
	}
	return nil
}

func decimals(i int) string { return strconv.Itoa(i) }

// Present lists the lines that are part of the loan.
func (l *Loan) Present() []*Line {
	var present []*Line
	for i := range l.Lines {
		if l.Lines[i].Withdrawal == nil {
			present = append(present, &l.Lines[i])
		}
	}
	return present
}

// Line finds a line by its ID; nil when it is not of this loan.
func (l *Loan) Line(id domain.ID) *Line {
	for i := range l.Lines {
		if l.Lines[i].ID == id {
			return &l.Lines[i]
		}
	}
	return nil
}

// Called names what is on the line: "1968.14.2", or "1968.14.2.3b cuff, 1968.14.2.3c glove".
func (n *Line) Called() string {
	if len(n.Components) == 0 {
		return n.ObjectNumber
	}
	names := make([]string, len(n.Components))
	for i, c := range n.Components {
		names[i] = c.Called
	}
	return strings.Join(names, ", ")
}

// ComponentIDs are the parts lent; none means the whole object.
func (n *Line) ComponentIDs() []domain.ID {
	ids := make([]domain.ID, len(n.Components))
	for i, c := range n.Components {
		ids[i] = c.ID
	}
	return ids
}

// AddLine puts an object or parts of one on the loan (L1). A component that is never taken off is not
// lent as a part (C2); what is on the loan already is not put there again.
func (l *Loan) AddLine(by domain.Actor, n NewLine, sheet *collection.Sheet, at time.Time) (*Line, error) {
	if err := by.May(Manage); err != nil {
		return nil, err
	}
	if err := l.before("add to"); err != nil {
		return nil, err
	}
	if err := n.Conditions.check(); err != nil {
		return nil, under("/conditions", err)
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if sheet.Object.LegalStatus == collection.Former {
		return nil, domain.Refuse("L1", sheet.Object.Number+" has left the collection; it cannot be lent.")
	}
	parts, err := partsOf(sheet, n.ComponentIDs)
	if err != nil {
		return nil, err
	}
	if err := l.clash(sheet, n.ComponentIDs); err != nil {
		return nil, err
	}
	position := 1
	for _, other := range l.Lines {
		position = max(position, other.Position+1)
	}
	l.Lines = append(l.Lines, Line{ID: domain.NewID(), LoanID: l.ID, Position: position, ObjectID: sheet.Object.ID, ObjectNumber: sheet.Object.Number,
		Title: sheet.Object.Title, Department: sheet.Object.Department, Components: parts, Conditions: n.Conditions,
		Assessments: []Assessment{}, Consents: []Consent{}, Statements: []Statement{}})
	line := &l.Lines[len(l.Lines)-1]
	l.raise(by, &line.ObjectID, "line_added", map[string]any{"line": line.ID, "called": line.Called()}, at)
	l.settle(by, at)
	return line, nil
}

// partsOf names the components to be lent, in the order of the sheet, and refuses what is never taken
// off (C2).
func partsOf(sheet *collection.Sheet, ids []domain.ID) ([]Part, error) {
	parts := []Part{}
	var fields []domain.Field
	var never []string
	for i, id := range ids {
		c := sheet.Component(id)
		switch {
		case c == nil:
			fields = append(fields, domain.Field{Pointer: "/component_ids/" + decimals(i), Rule: "component", Message: "This is not a component of " + sheet.Object.Number + "."})
		case c.Removal == collection.Never:
			never = append(never, sheet.Called(id)+" ("+c.RemovalReason+")")
		}
	}
	if err := domain.InvalidFields(fields); err != nil {
		return nil, err
	}
	if len(never) > 0 {
		e := domain.Refuse("C2", "What is never taken off its object is not lent as a part: "+strings.Join(never, "; ")+". Lend the whole.")
		return nil, e
	}
	for i, c := range sheet.Components {
		if !slices.Contains(ids, c.ID) {
			continue
		}
		for _, above := range sheet.Above(c.ID) {
			if j := slices.Index(ids, above); j >= 0 {
				return nil, domain.Invalid("/component_ids", "unique", sheet.Called(c.ID)+" goes with "+sheet.Called(ids[j])+" already. Choose one of them.")
			}
		}
		parts = append(parts, Part{ID: sheet.Components[i].ID, Called: sheet.Called(c.ID)})
	}
	return parts, nil
}

// clash refuses to put on the loan what is on it already.
func (l *Loan) clash(sheet *collection.Sheet, ids []domain.ID) error {
	for _, line := range l.Present() {
		if line.ObjectID == sheet.Object.ID && overlap(sheet, line.ComponentIDs(), ids) {
			return domain.Conflict("lent_twice", line.Called()+" is on this loan already, as line "+decimals(line.Position)+".")
		}
	}
	return nil
}

// overlap says whether two choices of components of an object have anything in common. No components
// means the whole.
func overlap(sheet *collection.Sheet, a, b []domain.ID) bool {
	if len(a) == 0 || len(b) == 0 {
		return true
	}
	for _, id := range a {
		below := sheet.Below(id)
		if slices.ContainsFunc(b, func(other domain.ID) bool {
			return slices.Contains(below, other) || slices.Contains(sheet.Above(id), other)
		}) {
			return true
		}
	}
	return false
}

// under moves the pointers of a fault below a member.
func under(member string, err error) error {
	var fields []domain.Field
	if e, ok := err.(*domain.Error); ok && e.Kind == domain.KindInvalid {
		for _, f := range e.Fields {
			f.Pointer = member + f.Pointer
			fields = append(fields, f)
		}
		return domain.InvalidFields(fields)
	}
	return err
}

// present finds a line that is part of the loan.
func (l *Loan) present(id domain.ID) (*Line, error) {
	line := l.Line(id)
	switch {
	case line == nil:
		return nil, domain.NotFound("There is no such line of a loan.")
	case line.Withdrawal != nil:
		return nil, domain.RefuseState("L1", line.Called()+" was taken off this loan by "+line.Withdrawal.By.Name+".")
	}
	return line, nil
}

// SetConditions says how the borrower mounts, handles and shows what is on a line.
func (l *Loan) SetConditions(by domain.Actor, lineID domain.ID, c Conditions, at time.Time) error {
	if err := by.May(Prepare); err != nil {
		return err
	}
	line, err := l.present(lineID)
	if err != nil {
		return err
	}
	if err := l.before("change"); err != nil {
		return err
	}
	if err := c.check(); err != nil {
		return err
	}
	line.Conditions = c
	l.raise(by, &line.ObjectID, "conditions_set", map[string]any{"line": line.ID, "conditions": c}, at)
	l.settle(by, at)
	return nil
}

// SetValue says what a line is insured for (L1). Whoever may not see the value may not set it (P3).
func (l *Loan) SetValue(by domain.Actor, lineID domain.ID, v Valuation, at time.Time) error {
	if err := by.May(Value); err != nil {
		return err
	}
	line, err := l.present(lineID)
	if err != nil {
		return err
	}
	if !by.MaySeeValues(line.Department) {
		return domain.Forbidden("You may not set the value of an object of " + line.Department + ". Ask a registrar or a curator of " + line.Department + ".")
	}
	if err := l.before("change"); err != nil {
		return err
	}
	if err := domain.Validate(v); err != nil {
		return err
	}
	if err := domain.InvalidFields(moneyFault(*v.Value, "/value", true)); err != nil {
		return err
	}
	value := v.Value.Round(2)
	line.Value, line.Currency, line.Insurer = &value, v.Currency, strings.TrimSpace(v.Insurer)
	l.raise(by, &line.ObjectID, "value_set", map[string]any{"line": line.ID, "value": v}, at)
	l.settle(by, at)
	return nil
}

// WithdrawLine takes a line out of the loan; it stays on record.
func (l *Loan) WithdrawLine(by domain.Actor, lineID domain.ID, t Telling, at time.Time) error {
	if err := by.May(Manage); err != nil {
		return err
	}
	line, err := l.present(lineID)
	if err != nil {
		return err
	}
	if err := l.before("take something off"); err != nil {
		return err
	}
	if err := domain.Validate(t); err != nil {
		return err
	}
	line.Withdrawal = &Withdrawal{Reason: strings.TrimSpace(t.Statement), By: who(by), At: at}
	l.raise(by, &line.ObjectID, "line_withdrawn", map[string]any{"line": line.ID, "called": line.Called(), "reason": line.Withdrawal.Reason}, at)
	l.settle(by, at)
	return nil
}

// totals sums the values of lines, one amount for each currency, by currency.
func totals(lines []*Line) []Amount {
	sums := map[string]decimal.Decimal{}
	for _, n := range lines {
		if n.Value != nil {
			sums[n.Currency] = sums[n.Currency].Add(*n.Value)
		}
	}
	all := make([]Amount, 0, len(sums))
	for currency, sum := range sums {
		all = append(all, Amount{Currency: currency, Sum: sum.StringFixed(2)})
	}
	slices.SortFunc(all, func(a, b Amount) int { return cmp.Compare(a.Currency, b.Currency) })
	return all
}
