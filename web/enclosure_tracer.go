package web

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

type tracerRow struct {
	When, Path, Tracer, By, Note string
	PerDay, Range, Fit           string
	Why                          string
	Warnings                     []string
	Readings                     [][3]string // hours, ppm, used or why not
}

func (s *Server) tracerRows(all []enclosure.Tracer) []tracerRow {
	rows := make([]tracerRow, len(all))
	for i, t := range all {
		fit := t.Result.Ordinary
		if t.Result.Preferred == "weighted" {
			fit = t.Result.WeightedFit
		}
		q := t.Result.Rate.PerDay
		least, greatest := q.Ends()
		rows[i] = tracerRow{When: dayWords(t.MeasuredOn), Path: t.Exchange, Tracer: t.Decay.Tracer.String(), By: t.RecordedBy.Name + ", " + s.day(t.RecordedAt), Note: t.Note,
			PerDay: enclosure.Number(q.Value), Range: enclosure.Number(least) + " to " + enclosure.Number(greatest),
			Fit: fmt.Sprintf("%s fit of %s; R² %s", t.Result.Preferred, count(len(t.Result.Used), "reading"), number(fit.RSquared, 4)), Why: t.Result.Why, Warnings: t.Result.Warnings}
		why := map[enclosure.Reading]string{}
		for _, left := range t.Result.Left {
			why[left.Reading] = left.Why
		}
		for _, r := range t.Decay.Readings {
			used := "used"
			if w, out := why[r]; out {
				used = "left out: " + w
			}
			rows[i].Readings = append(rows[i].Readings, [3]string{number(r.Hours, 3), number(r.PPM, 2), used})
		}
	}
	return rows
}

func (s *Server) tracerForm(c echo.Context, e *enclosure.Enclosure) *Form {
	var paths []Option
	for _, x := range e.Network.Exchanges {
		paths = append(paths, Option{Value: x.Name, Label: x.Name + ", between " + x.Inner + " and " + x.Outer})
	}
	if len(paths) == 0 {
		return nil
	}
	readings := field("textarea", "readings", "Readings", "", 60_000, "One in a line: hours, then ppm. Hours count from the first reading or the injection.")
	readings.Required, readings.Rows = true, 6
	background := field("text", "background", "Background outside", "", 60, "ppm, logged throughout: 420, or 420 (410 to 430).")
	background.Required = true
	return (&Form{Part: "tracer", Action: enclosurePath(e.ID) + "/tracers", Version: e.Version, Submit: "Fit it and keep it", Fields: []Field{
		{Kind: "select", Name: "exchange", Label: "Way of the air that was measured", Options: paths},
		{Kind: "select", Name: "tracer", Label: "Tracer", Options: gasOptions(enclosure.CarbonDioxide, "choose")},
		{Kind: "date", Name: "measured_on", Label: "On the day", Required: true, Value: s.Now().In(s.Site.Zone).Format(time.DateOnly)},
		readings, background,
		field("text", "background_source", "Background measured by whom", "", 500, "Left empty: it counts as assumed."),
		{Kind: "folded", Label: "Sensor and mixing", Fields: []Field{field("text", "noise", "Noise of the sensor", "", 20, "Standard deviation in ppm."), field("text", "mixing", "Hours until it was mixed", "", 20, "Readings before that are left out.")}},
		{Kind: "checkbox", Name: "diffusive", Label: "Diffusion rules this way: other gases are scaled by how fast they diffuse"},
		{Kind: "checkbox", Name: "use", Label: "From now on this is the exchange of this way", Value: "true"},
		field("textarea", "note", "Note", "", 2000, ""),
	}}).ready(c)
}

// typedTracer is a tracer measurement as the page takes it.
type typedTracer struct {
	Exchange         string        `json:"exchange"`
	Tracer           enclosure.Gas `json:"tracer"`
	MeasuredOn       string        `json:"measured_on"`
	Readings         string        `json:"readings"`
	Background       string        `json:"background"`
	BackgroundSource string        `json:"background_source"`
	Noise            string        `json:"noise"`
	Mixing           string        `json:"mixing"`
	Diffusive        bool          `json:"diffusive"`
	Use              bool          `json:"use"`
	Note             string        `json:"note"`
}

// tracer reads what was typed.
func (t typedTracer) tracer(r *entry) enclosure.NewTracer {
	r.texts(t)
	n := enclosure.NewTracer{Exchange: t.Exchange, MeasuredOn: t.MeasuredOn, Note: t.Note, Diffusive: t.Diffusive, Use: t.Use}
	d := enclosure.Decay{Tracer: t.Tracer}
	basis := enclosure.Assumed
	if strings.TrimSpace(t.BackgroundSource) != "" {
		basis = enclosure.Measured
	}
	d.BackgroundPPM = typedZero(r.read("/background", t.Background, enclosure.PPM), t.Background, func(q enclosure.Quantity) enclosure.Quantity { return q.Known(basis, t.BackgroundSource) })
	d.NoisePPM, d.MixingHours = r.plain("/noise", t.Noise), r.plain("/mixing", t.Mixing)
	for i, line := range paragraphs(t.Readings) {
		reading, ok := readingOf(line)
		if !ok {
			r.fault("/readings", "number", "Line "+strconv.Itoa(i+1)+" cannot be read. Write hours, a space, then ppm: 4.5 3342.")
			break
		}
		d.Readings = append(d.Readings, reading)
	}
	n.Decay = d.Entered()
	return n
}

// plain reads a number that may be left out.
func (r *entry) plain(pointer, text string) float64 {
	if strings.TrimSpace(text) == "" {
		return 0
	}
	v, err := typedNumber(text)
	if err != nil {
		r.fault(pointer, "number", "Give a number.")
	}
	return v
}

// readingOf reads "4 3342", "4;3342", "4.5, 3342" or "4,5 3342".
func readingOf(line string) (enclosure.Reading, bool) {
	parts := strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == '\t' || r == ';' })
	if len(parts) == 1 {
		parts = strings.Split(parts[0], ",")
	}
	if len(parts) != 2 {
		return enclosure.Reading{}, false
	}
	var v [2]float64
	for i, p := range parts {
		var err error
		if v[i], err = typedNumber(strings.TrimSuffix(p, ",")); err != nil {
			return enclosure.Reading{}, false
		}
	}
	return enclosure.Reading{Hours: v[0], PPM: v[1]}, true
}

// measureTracer serves POST /enclosures/{id}/tracers.
func (s *Server) measureTracer(c echo.Context) error {
	var t typedTracer
	return s.enclosureAct(c, &t, "The measurement is kept.", func(p *enclosurePageData) *Form { return p.TracerForm }, func(id domain.ID, version int64) error {
		r := &entry{s: s, c: c}
		n := t.tracer(r)
		if err := r.ready(); err != nil {
			return err
		}
		_, _, err := s.Enclosure.Measure(c.Request().Context(), actor(c), id, version, n)
		var e *domain.Error
		if errors.As(err, &e) {
			r.moved = [][2]string{{"/decay/tracer", "/tracer"}, {"/decay/background_ppm", "/background"}, {"/decay/noise_ppm", "/noise"}, {"/decay/mixing_hours", "/mixing"}}
			for i := range e.Fields {
				if strings.HasPrefix(e.Fields[i].Pointer, "/decay/readings") {
					r.moved = append(r.moved, [2]string{e.Fields[i].Pointer, "/readings"})
				}
			}
			return r.back(err)
		}
		return err
	})
}
