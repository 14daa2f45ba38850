package enclosure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"farthingale/domain"
)

// Reading is the tracer's level at a time.
type Reading struct {
	Hours float64 `json:"hours"` // since the first reading or the injection
	PPM   float64 `json:"ppm"`
}

// Decay is a test in which a tracer is injected once and its level falls.
//
// source: ASTM E741, ISO 12569 (scopes).
type Decay struct {
	Tracer        Gas       `json:"tracer"`
	Readings      []Reading `json:"readings"`
	BackgroundPPM Quantity  `json:"background_ppm,omitzero"` // outside, logged throughout; its range is its uncertainty
	NoisePPM      float64   `json:"noise_ppm,omitzero"`      // standard deviation of the sensor; 0: not known
	MixingHours   float64   `json:"mixing_hours,omitzero"`   // readings before this are left out
	KeepAll       bool      `json:"keep_all,omitzero"`       // keep readings near the background too
}

// Fit is a straight line through the logarithm of the excess over the background.
type Fit struct {
	PerDay    float64 `json:"per_day"`        // exchange
	SE        float64 `json:"standard_error"` // per day
	Half95    float64 `json:"half_95"`        // per day: the 95 % interval is PerDay ± Half95
	StartPPM  float64 `json:"start_ppm"`      // excess at time zero
	RSquared  float64 `json:"r_squared"`      // does not show a wrong background
	Freedom   int     `json:"degrees_of_freedom"`
	Weighted  bool    `json:"weighted"`
	Curvature float64 `json:"-"` // Student's t of a bend in the line
}

// LeftOut is a reading that the fit does not use.
type LeftOut struct {
	Reading Reading `json:"reading"`
	Why     string  `json:"why"`
}

// DecayResult is the exchange that a decay shows.
type DecayResult struct {
	Ordinary       Fit       `json:"ordinary"`
	WeightedFit    Fit       `json:"weighted"` // weights for a sensor with the same noise at every level
	Preferred      string    `json:"preferred"`
	Why            string    `json:"why"`
	LowBackground  *Fit      `json:"low_background,omitempty"`  // preferred fit with the background at its least; nil without a range
	HighBackground *Fit      `json:"high_background,omitempty"` // and at its greatest
	Used           []Reading `json:"used"`
	Left           []LeftOut `json:"left_out"`
	Warnings       []string  `json:"warnings"`
	Rate           Rate      `json:"rate"` // to put into an exchange: measured, with a range from fit and background
}

// Rules for readings and their fit. Common practice, with the time of one mean age of the air.
const (
	nearShare    = 0.05      // readings with less excess than this share of the first are left out
	nearNoise    = 5.0       // or than so many standard deviations of the sensor
	readingsFew  = 5         // fewer are warned of
	readingsNone = 3         // fewer give no line with an uncertainty
	readingsMost = 1_000_000 //
	fallenShare  = 0.37      // should fall to this share: one mean age
	weighBelow   = 1.0 / 3   // below this share of the start the weighted fit is better
	steadyShare  = 0.05      // the background may change by this share of the start signal
)

// Fit finds the exchange. It refuses too few readings and a level that does not fall.
func (d Decay) Fit() (DecayResult, error) {
	if err := d.check(); err != nil {
		return DecayResult{}, err
	}
	r := DecayResult{Left: []LeftOut{}, Warnings: []string{}}
	d.choose(&r)
	if len(r.Used) < readingsNone {
		return r, domain.Invalid("/readings", "count", fmt.Sprintf("%d usable readings are too few; at least %d are needed, better %d or more.", len(r.Used), readingsNone, readingsFew))
	}
	background := d.BackgroundPPM.Value
	r.Ordinary, r.WeightedFit = fit(r.Used, background, false), fit(r.Used, background, true)
	first, last := r.Used[0].PPM-background, r.Used[len(r.Used)-1].PPM-background
	chosen := r.Ordinary
	r.Preferred, r.Why = "ordinary", "The excess stays above a third of its start, so all readings weigh alike."
	if last < first*weighBelow {
		chosen = r.WeightedFit
		r.Preferred, r.Why = "weighted", "The excess falls below a third of its start, where the sensor's noise counts more; the weighted fit allows for it."
	}
	if !(chosen.PerDay > 0) || !(r.Ordinary.PerDay > 0) {
		return r, domain.Invalid("/readings", "decay", "The level does not fall, so no exchange follows. Check the order of the readings, the tracer's source and the background.")
	}
	d.warn(&r, chosen)
	least, greatest := d.background(&r, chosen)
	r.Rate = Rate{Tracer: d.Tracer, PerDay: Measured.Of(chosen.PerDay, "tracer decay, "+d.Tracer.String()).Between(math.Max(least, 0), greatest)}
	return r, nil
}

func (d *Decay) check() error {
	var faults []domain.Field
	fault := func(pointer, rule, message string) {
		faults = append(faults, domain.Field{Pointer: pointer, Rule: rule, Message: message})
	}
	if _, ok := d.Tracer.Substance(); !ok {
		fault("/tracer", "gas", fmt.Sprintf("No gas %q is known here.", string(d.Tracer)))
	}
	if !d.BackgroundPPM.Given() {
		fault("/background_ppm", "required", "The background is missing; without it no exchange follows.")
	}
	d.BackgroundPPM.check("", "/background_ppm", boundsPPM, &faults)
	if !(d.NoisePPM >= 0 && d.NoisePPM <= boundsPPM.greatest) {
		fault("/noise_ppm", "range", "Give the sensor's standard deviation in ppm, or leave it out.")
	}
	if !(d.MixingHours >= 0 && d.MixingHours <= HoursMost) {
		fault("/mixing_hours", "range", "Give the mixing time in hours, or leave it out.")
	}
	if len(d.Readings) > readingsMost {
		fault("/readings", "max", fmt.Sprintf("At most %d readings can be fitted.", readingsMost))
	}
	for i, r := range d.Readings {
		at := fmt.Sprintf("/readings/%d", i)
		switch {
		case !(r.Hours >= 0 && r.Hours <= HoursMost):
			fault(at+"/hours", "range", "Give the time in hours, not before zero.")
		case !(r.PPM >= 0 && r.PPM <= boundsPPM.greatest):
			fault(at+"/ppm", "range", "Give the level in parts per million, not below zero.")
		case i > 0 && r.Hours <= d.Readings[i-1].Hours:
			fault(at+"/hours", "order", "Readings must follow each other in time, no two at once.")
		}
		if len(faults) > 20 {
			break
		}
	}
	return domain.InvalidFields(faults)
}

// choose divides the readings into used and left out.
func (d *Decay) choose(r *DecayResult) {
	first := math.NaN() // excess of the first reading after mixing
	for _, reading := range d.Readings {
		excess := reading.PPM - d.BackgroundPPM.Value
		why := ""
		if reading.Hours >= d.MixingHours && math.IsNaN(first) {
			first = excess
		}
		switch {
		case reading.Hours < d.MixingHours:
			why = "taken before the tracer was mixed"
		case excess <= 0:
			why = "not above the background"
		case d.KeepAll:
		case excess < nearShare*first:
			why = "less than 5 % of the first excess above the background"
		case excess < nearNoise*d.NoisePPM:
			why = "less than five times the sensor's noise above the background"
		}
		if why == "" {
			r.Used = append(r.Used, reading)
		} else {
			r.Left = append(r.Left, LeftOut{reading, why})
		}
	}
}

// fit is least squares of ln(C − C_bg) on time, in which the excess itself is known with the same
// noise everywhere when weighted: its logarithm then weighs with the excess squared.
func fit(readings []Reading, background float64, weighted bool) Fit {
	n := len(readings)
	x, y, w := make([]float64, n), make([]float64, n), make([]float64, n)
	for i, r := range readings {
		excess := r.PPM - background
		x[i], y[i], w[i] = r.Hours, math.Log(excess), 1
		if weighted {
			w[i] = excess * excess
		}
	}
	f := Fit{Weighted: weighted, Freedom: n - 2}
	mx, my := mean(x, w), mean(y, w)
	var sxx, sxy, syy float64
	for i := range x {
		sxx += w[i] * (x[i] - mx) * (x[i] - mx)
		sxy += w[i] * (x[i] - mx) * (y[i] - my)
		syy += w[i] * (y[i] - my) * (y[i] - my)
	}
	slope := sxy / sxx
	rest := make([]float64, n)
	rss := 0.0
	for i := range x {
		rest[i] = y[i] - my - slope*(x[i]-mx)
		rss += w[i] * rest[i] * rest[i]
	}
	f.PerDay = -slope * hoursPerDay
	f.SE = math.Sqrt(rss/float64(f.Freedom)/sxx) * hoursPerDay
	f.Half95 = student(f.Freedom) * f.SE
	f.StartPPM = math.Exp(my - slope*mx)
	if f.RSquared = 1; syy > 0 {
		f.RSquared = 1 - rss/syy
	}
	f.Curvature = bend(x, rest, w, mx, sxx, rss)
	return f
}

// bend is Student's t of a square term added to the line, from what the line left over.
func bend(x, rest, w []float64, mx, sxx, rss float64) float64 {
	freedom := len(x) - 3
	square := make([]float64, len(x))
	for i := range x {
		square[i] = (x[i] - mx) * (x[i] - mx)
	}
	mean2, tilt := mean(square, w), 0.0
	for i := range x {
		tilt += w[i] * square[i] * (x[i] - mx) / sxx
	}
	var ss, sr float64
	for i := range x {
		z := square[i] - mean2 - tilt*(x[i]-mx)
		ss += w[i] * z * z
		sr += w[i] * z * rest[i]
	}
	left := rss - sr*sr/ss
	// Readings without noise leave only rounding, which shows no bend.
	if freedom < 1 || !(ss > 0) || !(left > 0) || rss < 1e-12*sum(w) {
		return 0
	}
	return sr / ss / math.Sqrt(left/float64(freedom)/ss)
}

func mean(v, w []float64) float64 { return dot(v, w) / sum(w) }

func sum(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s
}

// student is the half-width of a 95 % interval in standard errors.
func student(freedom int) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(freedom)}.Quantile(0.975)
}

// warn says what is doubtful.
func (d *Decay) warn(r *DecayResult, chosen Fit) {
	say := func(format string, a ...any) { r.Warnings = append(r.Warnings, fmt.Sprintf(format, a...)) }
	background := d.BackgroundPPM.Value
	first, last := r.Used[0].PPM-background, r.Used[len(r.Used)-1].PPM-background
	if n := len(r.Used); n < readingsFew {
		say("Only %d readings are used; at least %d are usual.", n, readingsFew)
	}
	if last > fallenShare*first {
		say("The excess fell only to %s %% of its start; it should fall to 37 %% or less (one mean age of the air).", Number(100*last/first))
	}
	if slices.ContainsFunc(r.Left, func(l LeftOut) bool { return l.Reading.PPM <= background && l.Reading.Hours >= d.MixingHours }) {
		say("A reading is not above the background: the background is probably set too high.")
	}
	if freedom := chosen.Freedom - 1; freedom >= 1 && math.Abs(chosen.Curvature) > student(freedom) {
		say("The logarithm bends more than noise explains: the background may be wrong, the tracer may not have been mixed, or the exchange changed. R² does not show this.")
	}
	if a, b := r.Ordinary, r.WeightedFit; math.Abs(a.PerDay-b.PerDay) > math.Max(a.Half95, b.Half95) {
		say("The ordinary and the weighted fit differ by more than their intervals (%s and %s per day): look at the background and the last readings.", Number(a.PerDay), Number(b.PerDay))
	}
	switch least, greatest := d.BackgroundPPM.Ends(); {
	case least == greatest:
		say("The background has no uncertainty stated, so the range of the exchange is too narrow. A wrong background shifts it.")
	case greatest-least > steadyShare*first:
		say("The background is uncertain by more than 5 %% of the start signal.")
	}
	if d.Tracer == CarbonDioxide {
		say("Carbon dioxide is taken up by soda lime and alkaline or wet material and passes through silicone and rubber, which makes the exchange look too high; people breathing near raise the background.")
		if first > 5000 {
			say("More than 5000 ppm of carbon dioxide is heavy enough to drive flow through low gaps; inject less.")
		}
	}
}

// background fits again with the background at its ends, and gives the whole range of the exchange.
func (d *Decay) background(r *DecayResult, chosen Fit) (least, greatest float64) {
	least, greatest = chosen.PerDay-chosen.Half95, chosen.PerDay+chosen.Half95
	if !d.BackgroundPPM.Ranged() {
		return least, greatest
	}
	low, high := d.BackgroundPPM.Ends()
	for _, end := range []struct {
		ppm float64
		fit **Fit
	}{{low, &r.LowBackground}, {high, &r.HighBackground}} {
		if slices.ContainsFunc(r.Used, func(u Reading) bool { return u.PPM <= end.ppm }) {
			r.Warnings = append(r.Warnings, fmt.Sprintf("With the background at %s ppm a used reading would not be above it, so that end cannot be fitted.", Number(end.ppm)))
			continue
		}
		f := fit(r.Used, end.ppm, chosen.Weighted)
		*end.fit = &f
		least, greatest = math.Min(least, f.PerDay-f.Half95), math.Max(greatest, f.PerDay+f.Half95)
	}
	return least, greatest
}

// Pair is a decay of only two readings.
type Pair struct {
	Tracer          Gas     `json:"tracer"`
	First           Reading `json:"first"`
	Second          Reading `json:"second"`
	BackgroundPPM   float64 `json:"background_ppm"`
	ReadingSD       float64 `json:"reading_sd"`    // standard uncertainty of a reading, ppm
	BackgroundSD    float64 `json:"background_sd"` // standard uncertainty of the background, ppm
	BackgroundGiven string  `json:"background_source"`
}

// PairResult is the exchange that two readings show.
type PairResult struct {
	PerDay   float64  `json:"per_day"`
	SD       float64  `json:"sd"` // one standard uncertainty, per day
	Warnings []string `json:"warnings"`
	Rate     Rate     `json:"rate"` // range: two standard uncertainties to each side
}

// Fit finds the exchange. It refuses readings that do not fall or are not above the background.
func (p Pair) Fit() (PairResult, error) {
	var faults []domain.Field
	fault := func(pointer, rule, message string) {
		faults = append(faults, domain.Field{Pointer: pointer, Rule: rule, Message: message})
	}
	if _, ok := p.Tracer.Substance(); !ok {
		fault("/tracer", "gas", fmt.Sprintf("No gas %q is known here.", string(p.Tracer)))
	}
	for _, v := range []struct {
		pointer string
		value   float64
	}{
		{"/first/ppm", p.First.PPM}, {"/second/ppm", p.Second.PPM}, {"/background_ppm", p.BackgroundPPM},
		{"/reading_sd", p.ReadingSD}, {"/background_sd", p.BackgroundSD},
	} {
		if !(v.value >= 0 && v.value <= boundsPPM.greatest) {
			fault(v.pointer, "range", "Give parts per million, not below zero.")
		}
	}
	hours := p.Second.Hours - p.First.Hours
	d1, d2 := p.First.PPM-p.BackgroundPPM, p.Second.PPM-p.BackgroundPPM
	switch {
	case !(hours > 0 && hours <= HoursMost):
		fault("/second/hours", "order", "The second reading must come after the first.")
	case !(d2 > 0):
		fault("/second/ppm", "background", "The second reading is not above the background.")
	case d2 >= d1:
		fault("/second/ppm", "decay", "The level does not fall, so no exchange follows.")
	}
	if err := domain.InvalidFields(faults); err != nil {
		return PairResult{}, err
	}
	part := 1/d2 - 1/d1
	r := PairResult{PerDay: math.Log(d1/d2) / hours * hoursPerDay, Warnings: []string{
		"Two readings show neither a wrong background nor a change of the exchange.",
	}}
	r.SD = math.Sqrt(p.ReadingSD*p.ReadingSD*(1/(d1*d1)+1/(d2*d2))+p.BackgroundSD*p.BackgroundSD*part*part) / hours * hoursPerDay
	if d2 > fallenShare*d1 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("The excess fell only to %s %% of its start; it should fall to 37 %% or less.", Number(100*d2/d1)))
	}
	source := "tracer decay of two readings, " + p.Tracer.String()
	if s := strings.TrimSpace(p.BackgroundGiven); s != "" {
		source += "; background: " + s
	}
	r.Rate = Rate{Tracer: p.Tracer, PerDay: Measured.Of(r.PerDay, source).Between(math.Max(r.PerDay-2*r.SD, 0), r.PerDay+2*r.SD)}
	return r, nil
}
