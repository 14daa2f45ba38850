package web

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/measurement"
	"farthingale/domain/measurement/colour"
)

// typedReading is a reading as the page asks for it: a spectrum is pasted as text.
type typedReading struct {
	measurement.NewReading
	Spectrum string `json:"spectrum_text" validate:"max=10000"`
	Hand     bool   `json:"hands_on"` // hands were on the object
}

// reading reads the spectrum. Numbers stand apart by blanks, lines or semicolons; a comma divides them, or
// is a decimal comma where there are no points.
func (t *typedReading) reading() (measurement.NewReading, error) {
	n := t.NewReading
	switch {
	case !t.Hand:
		n.Hands = nil
	case n.Hands == nil:
		n.Hands = &measurement.Hands{}
	}
	text := t.Spectrum
	if strings.TrimSpace(text) == "" {
		return n, nil
	}
	if strings.Contains(text, ".") {
		text = strings.ReplaceAll(text, ",", " ")
	}
	for i, word := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" \t\r\n;", r) }) {
		v, err := typedNumber(strings.TrimSuffix(word, ","))
		if err != nil || v != v || i > 1000 {
			return n, domain.Invalid("/spectrum_text", "number", "Figure "+strconv.Itoa(i+1)+" cannot be read as a number.")
		}
		if n.Colour == nil {
			n.Colour = &measurement.NewTint{}
		}
		n.Colour.Spectrum = append(n.Colour.Spectrum, v)
	}
	return n, nil
}

// atTyped brings faults to the fields in which their cause was typed: of the spectrum, where it was pasted.
func atTyped(err error) error {
	var e *domain.Error
	if !errors.As(err, &e) {
		return err
	}
	copied := *e
	copied.Fields = nil
	for _, f := range e.Fields {
		if strings.HasPrefix(f.Pointer, "/colour/spectrum") {
			if at, ok := strings.CutPrefix(f.Pointer, "/colour/spectrum/"); ok {
				if i, err := strconv.Atoi(at); err == nil {
					f.Message = "At " + strconv.Itoa(colour.FirstNM+i*colour.StepNM) + " nm: " + f.Message
				}
			}
			f.Pointer = "/spectrum_text"
		}
		if f.Pointer == "/hands" {
			f.Pointer = "/hands_on"
		}
		copied.Fields = append(copied.Fields, f)
	}
	return &copied
}

type measureFormPage struct {
	Frame
	Heading, Number, ObjectPath string
	Back                        Link
	Place                       string
	Quantities                  []Link
	Caution                     string
	Stops                       []stopLine
	Cautions                    []cautionLine
	Closing                     string
	Form                        *Form
}

// measureForm asks for a reading. What was the same the last time is filled in, so that readings stay
// comparable.
func (s *Server) measureForm(c echo.Context, spot *measurement.Spot, q measurement.Quantity, hazards bool) (*Form, error) {
	all, err := s.Measurement.List(c.Request().Context(), actor(c), measurement.Filter{SpotID: &spot.ID, Quantity: q}, domain.PageQuery{Limit: 1})
	if err != nil {
		return nil, err
	}
	var before *measurement.Reading
	if len(all.Items) > 0 {
		before = &all.Items[0]
	}
	f := &Form{Quick: true, Action: spotPath(spot.ID) + "/measure", Submit: "Keep the reading", Help: q.Usual(), Fields: []Field{{Kind: "hidden", Name: "quantity", Value: string(q)}}}
	if id, err := domain.ParseID(c.QueryParam("examination")); err == nil {
		f.Fields = append(f.Fields, Field{Kind: "hidden", Name: "examination_id", Value: id.String()})
	}
	if q == measurement.Colour {
		f.Fields = append(f.Fields, colourFields(before)...)
	} else {
		f.Fields = append(f.Fields, Field{Kind: "abreast", Label: quantityTitle(q), Fields: []Field{
			{Kind: "text", Name: "value", Label: quantityTitle(q) + " in " + q.Unit(), Required: true, Max: 30},
			{Kind: "text", Name: "plus_minus", Label: "± (k = 2)", Help: "Half the range that holds 95 in 100. Without it no change can be proven.", Max: 30, Value: lastText(before, func(r *measurement.Reading) *decimal.Decimal { return r.PlusMinus })}}},
			Field{Kind: "number", Name: "n", Label: "Readings it is the mean of", Step: "1", Value: lastCount(before)})
	}
	var roles []Option
	for _, r := range measurement.Roles {
		roles = append(roles, Option{Value: string(r), Label: capital(measurement.RoleWords[r]), Chosen: r == measurement.Plain})
	}
	instrument, method := "", ""
	if before != nil {
		instrument, method = before.Instrument, before.Method
	}
	f.Fields = append(f.Fields,
		Field{Kind: "text", Name: "instrument", Label: "Instrument", Help: "Kind and number. Not needed for what the maker specifies.", Max: 300, Value: instrument},
		Field{Kind: "text", Name: "method", Label: "Method", Max: 500, Value: method},
		Field{Kind: "date", Name: "measured_on", Label: "Measured on", Required: true, Value: s.Now().In(s.Site.Zone).Format(time.DateOnly)},
		Field{Kind: "radio", Name: "role", Label: "What it stands for", Options: roles},
		Field{Kind: "text", Name: "source", Label: "Where the protected area lies, or which document", Help: "Needed for a protected area and for what the maker specifies.", Max: 500},
		Field{Kind: "textarea", Name: "note", Label: "Note", Max: 2000, Rows: 2})
	f.Fields = append(f.Fields, handsFields(hazards)...)
	return f.ready(c), nil
}

// handsFields ask for the handling of a reading for which hands were on the object (H1).
func handsFields(hazards bool) []Field {
	fields := []Field{
		{Kind: "number", Name: "hands.minutes", Label: "Minutes with hands on it", Help: "Left empty: five.", Step: "1"},
		{Kind: "checks", Name: "hands.noticed", Label: "Noticed", Options: options("", handling.Signs[1:]...), Help: "Nothing chosen means nothing was noticed. Noise, powder, resistance, loss and tear stop the object for everybody."},
		{Kind: "select", Name: "hands.gloves", Label: "Gloves", Options: withNone("not noted", false, options("nitrile", handling.Gloves...))},
	}
	if hazards {
		fields = append(fields, Field{Kind: "radio", Name: "hands.controls", Label: "The usual controls for the hazards above were", Options: options("", "kept", "not_kept")})
	}
	return []Field{
		{Kind: "checkbox", Name: "hands_on", Label: "Hands were on it (it is logged as a handling)", Help: "Not for a reading without contact, nor where the handling is logged with the examination."},
		{Kind: "folded", Label: "How it was handled", Fields: append(fields, Field{Kind: "textarea", Name: "hands.note", Label: "Note on the handling", Max: 4000, Rows: 2})}}
}

func lastText(r *measurement.Reading, of func(r *measurement.Reading) *decimal.Decimal) string {
	if r == nil {
		return ""
	}
	if d := of(r); d != nil {
		return d.String()
	}
	return ""
}

func lastCount(r *measurement.Reading) string {
	if r == nil || r.N == nil {
		return ""
	}
	return strconv.Itoa(*r.N)
}

// colourFields ask for a colour. The conditions of the last reading are chosen already.
func colourFields(before *measurement.Reading) []Field {
	last := measurement.Tint{Illuminant: "D65", Observer: "10", Geometry: measurement.SpecularIncluded}
	aperture := ""
	if before != nil && before.Colour != nil {
		last = *before.Colour
		aperture = lastText(before, func(r *measurement.Reading) *decimal.Decimal { return r.Colour.ApertureMM })
	}
	n := lastCount(before)
	if n == "" {
		n = "5"
	}
	observers := options(string(last.Observer), "10", "2")
	for i := range observers {
		observers[i].Label += "°"
	}
	geometries := []Option{{Label: "not said", Chosen: last.Geometry == ""}}
	for _, g := range measurement.Geometries {
		geometries = append(geometries, Option{Value: string(g), Label: measurement.GeometryWords[g], Chosen: g == last.Geometry})
	}
	figure := func(name, label string) Field {
		return Field{Kind: "text", Name: "colour." + name, Label: label, Max: 20}
	}
	return []Field{
		{Kind: "abreast", Label: "Mean", Fields: []Field{figure("l", "L*"), figure("a", "a*"), figure("b", "b*")}},
		{Kind: "abreast", Label: "Standard deviation", Fields: []Field{figure("sd_l", "Deviation of L*"), figure("sd_a", "of a*"), figure("sd_b", "of b*")}},
		{Kind: "number", Name: "n", Label: "Readings it is the mean of", Step: "1", Value: n, Help: "Lifted and set down anew between them. Without deviations no change can be proven."},
		{Kind: "abreast", Label: "Conditions", Fields: []Field{
			{Kind: "select", Name: "colour.illuminant", Label: "Illuminant", Options: options(string(last.Illuminant), "D65", "D50", "A", "C")},
			{Kind: "select", Name: "colour.observer", Label: "Observer", Options: observers}}},
		{Kind: "select", Name: "colour.geometry", Label: "Geometry", Options: geometries},
		{Kind: "text", Name: "colour.aperture_mm", Label: "Aperture in mm", Max: 20, Value: aperture},
		{Kind: "folded", Label: "A spectrum instead, or the drift of the check tile", Fields: []Field{
			{Kind: "textarea", Name: "spectrum_text", Label: "Reflectance at 400, 410 … 700 nm", Help: "31 figures from 0 to 1, apart by blanks or lines. L*, a* and b* are then computed; leave them empty.", Max: 10000, Rows: 3},
			{Kind: "text", Name: "colour.bound_de", Label: "Drift of the check tile, or the maker's tolerance, as ΔE*ab", Max: 20}}},
	}
}

func (s *Server) measureData(c echo.Context, q measurement.Quantity) (*measureFormPage, *measurement.Spot, error) {
	spot, err := s.spotOf(c)
	if err != nil {
		return nil, nil, err
	}
	if q == "" {
		if q, err = s.chosenQuantity(c, spot); err != nil {
			return nil, nil, err
		}
	}
	if q.Words() == "" {
		return nil, nil, domain.Invalid("/quantity", "known", "Choose one of the known quantities.")
	}
	p := &measureFormPage{Heading: "Measure " + q.Words(), Number: spot.ObjectNumber, ObjectPath: objectPath(spot.ObjectNumber), Place: spot.Place, Caution: q.Caution(),
		Back: Link{Path: seriesPath(spot.ID, q), Words: spot.Name + strings.TrimRight(", "+spot.Component, ", ")}}
	p.Title, p.Here = p.Heading+", "+spot.Name, "/objects"
	for _, other := range measurement.Quantities {
		p.Quantities = append(p.Quantities, Link{Path: spotPath(spot.ID) + "/measure?" + url.Values{"quantity": {string(other)}}.Encode(), Words: other.Words(), Present: other == q})
	}
	before, err := s.Handling.Before(c.Request().Context(), actor(c), spot.ObjectID)
	if err != nil {
		return nil, nil, err
	}
	touching := handling.Touching(before.Sheet, before.Cautions, spot.Parts())
	p.Stops, p.Cautions, p.Closing = s.stopLines(before.Standing), s.cautionLines(touching), material.CautionClosing
	p.Form, err = s.measureForm(c, spot, q, needsControls(touching))
	return p, spot, err
}

// measurePage serves GET /spots/{id}/measure.
func (s *Server) measurePage(c echo.Context) error {
	p, _, err := s.measureData(c, "")
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "measurement/measure", p)
}

// measure serves POST /spots/{id}/measure.
func (s *Server) measure(c echo.Context) error {
	var t typedReading
	_, typed, err := s.decode(c, &t)
	quantity := t.Quantity
	if quantity.Words() == "" {
		quantity = measurement.Colour
	}
	p, spot, fault := s.measureData(c, quantity)
	if fault != nil {
		return fault
	}
	if err == nil {
		err = domain.Validate(struct {
			Spectrum string `json:"spectrum_text" validate:"max=10000"`
		}{t.Spectrum})
	}
	var n measurement.NewReading
	if err == nil {
		n, err = t.reading()
	}
	var r *measurement.Reading
	if err == nil {
		r, err = s.Measurement.Record(c.Request().Context(), actor(c), spot.ID, n)
	}
	if err == nil {
		return s.measured(c, r)
	}
	return s.answer(c, p.Form, typed, atTyped(err), "measurement/measure", p)
}

// measured says that a reading is kept, and its handling, and whether that stopped the object (H2).
func (s *Server) measured(c echo.Context, r *measurement.Reading) error {
	if r.HandlingID == nil {
		return s.done(c, "The reading is kept.", seriesPath(r.SpotID, r.Quantity))
	}
	e, err := s.Handling.One(c.Request().Context(), actor(c), *r.HandlingID)
	if err != nil {
		return err
	}
	if e.StopID != nil {
		return s.done(c, "The reading and its handling are kept. The object is stopped for everybody from now on: set it down where it is safe.", stopPath(*e.StopID))
	}
	return s.done(c, "The reading is kept, and its handling is logged.", seriesPath(r.SpotID, r.Quantity))
}

type measurementPageData struct {
	Frame
	Heading, Number, ObjectPath string
	Series, Handling            Link // no path of the handling: none was logged with it
	Mark                        Mark
	Facts                       []fact
	Spectrum                    [][2]string
	Withdrawn                   string
	WithdrawForm                *Form
}

func (s *Server) measurementData(c echo.Context) (*measurementPageData, *measurement.Reading, error) {
	ctx, a := c.Request().Context(), actor(c)
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, nil, err
	}
	r, err := s.Measurement.One(ctx, a, id)
	if err != nil {
		return nil, nil, err
	}
	spot, err := s.Measurement.Spot(ctx, a, r.SpotID)
	if err != nil {
		return nil, nil, err
	}
	p := &measurementPageData{Heading: quantityTitle(r.Quantity) + ", " + dayWords(r.MeasuredOn), Number: spot.ObjectNumber, ObjectPath: objectPath(spot.ObjectNumber),
		Series: Link{Path: seriesPath(spot.ID, r.Quantity), Words: spot.Name}, Facts: s.readingFacts(r)}
	p.Title, p.Here = p.Heading, "/objects"
	if r.HandlingID != nil {
		p.Handling = Link{Path: "/handlings/" + r.HandlingID.String(), Words: "The handling that was logged with it"}
	}
	if r.Colour != nil {
		for i, v := range r.Colour.Spectrum {
			p.Spectrum = append(p.Spectrum, [2]string{strconv.Itoa(colour.FirstNM + i*colour.StepNM), figureWords(v)})
		}
	}
	if w := r.Withdrawn; w != nil {
		p.Mark, p.Withdrawn = draftMark("withdrawn"), w.By.Name+", "+s.moment(w.At)+": "+w.Reason
	} else if a.May(measurement.Withdraw) == nil {
		p.WithdrawForm = (&Form{Part: "withdraw", Action: "/measurements/" + r.ID.String() + "/withdrawal", Submit: "Withdraw it", Grave: true,
			Help:   "For a reading that is wrong: the spot was missed, the lamp was cold. It stays on record and counts no longer. Record the right one as a new reading.",
			Fields: []Field{{Kind: "textarea", Name: "reason", Label: "Why", Required: true, Max: 1000, Rows: 2}}}).ready(c)
	}
	return p, r, nil
}

// readingFacts are what is on record of a reading.
func (s *Server) readingFacts(r *measurement.Reading) []fact {
	role := measurement.RoleWords[r.Role]
	all := []fact{{"Read", r.Shown()}, {"Stands for", role}, {"From", r.Source}, {"Instrument", r.Instrument}, {"Method", r.Method}, {"Mean of", lastCount(r)}}
	if c := r.Colour; c != nil {
		if c.SDL != nil {
			all = append(all, fact{"Standard deviations", "L* " + c.SDL.String() + ", a* " + c.SDA.String() + ", b* " + c.SDB.String()})
		}
		aperture := ""
		if c.ApertureMM != nil {
			aperture = ", aperture " + c.ApertureMM.String() + " mm"
		}
		all = append(all, fact{"Conditions", strings.TrimSuffix(string(c.Illuminant)+", "+string(c.Observer)+"°, "+measurement.GeometryWords[c.Geometry], ", ") + aperture})
		if c.BoundDE != nil {
			all = append(all, fact{"Bound on what the deviations do not show", "ΔE*ab " + c.BoundDE.String()})
		}
	}
	all = append(all, fact{"Note", r.Note}, fact{"Recorded", r.RecordedBy.Name + ", " + s.moment(r.RecordedAt)})
	var kept []fact
	for _, f := range all {
		if f.Text != "" {
			kept = append(kept, f)
		}
	}
	return kept
}

// measurementPage serves GET /measurements/{id}.
func (s *Server) measurementPage(c echo.Context) error {
	p, _, err := s.measurementData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "measurement/measurement", p)
}

// withdrawMeasurement serves POST /measurements/{id}/withdrawal.
func (s *Server) withdrawMeasurement(c echo.Context) error {
	p, r, err := s.measurementData(c)
	if err != nil {
		return err
	}
	var n measurement.NewWithdrawal
	_, typed, err := s.decode(c, &n)
	if err == nil {
		_, err = s.Measurement.Withdraw(c.Request().Context(), actor(c), r.ID, n)
	}
	if err == nil {
		return s.done(c, "The reading is withdrawn.", p.Series.Path)
	}
	if p.WithdrawForm == nil {
		return err
	}
	return s.answer(c, p.WithdrawForm, typed, err, "measurement/measurement", p)
}
