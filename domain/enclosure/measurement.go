package enclosure

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"farthingale/domain"
)

// NewTracer is a tracer measurement as it is entered.
type NewTracer struct {
	Exchange   string   `json:"exchange" validate:"required,max=200"` // the path of air that was measured
	MeasuredOn string   `json:"measured_on" validate:"required,datetime=2006-01-02"`
	Note       string   `json:"note" validate:"max=2000"`
	Decay      NewDecay `json:"decay"`
	Diffusive  bool     `json:"diffusive"` // diffusion rules the path, so other gases are scaled
	Use        bool     `json:"use"`       // the path gets the measured exchange from now on
}

// NewReading is a reading as it is entered. Neither figure may be left out: it would count as zero.
type NewReading struct {
	Hours *float64 `json:"hours" validate:"required"`
	PPM   *float64 `json:"ppm" validate:"required"`
}

// NewDecay is a Decay as it is entered.
type NewDecay struct {
	Tracer        Gas          `json:"tracer"`
	Readings      []NewReading `json:"readings" validate:"max=5000,dive"`
	BackgroundPPM Quantity     `json:"background_ppm"`
	NoisePPM      float64      `json:"noise_ppm"`
	MixingHours   float64      `json:"mixing_hours"`
	KeepAll       bool         `json:"keep_all"`
}

// Entered is the decay as it would be entered.
func (d Decay) Entered() NewDecay {
	n := NewDecay{Tracer: d.Tracer, BackgroundPPM: d.BackgroundPPM, NoisePPM: d.NoisePPM, MixingHours: d.MixingHours, KeepAll: d.KeepAll}
	for i := range d.Readings {
		n.Readings = append(n.Readings, NewReading{&d.Readings[i].Hours, &d.Readings[i].PPM})
	}
	return n
}

// decay is what was entered; it must have passed domain.Validate.
func (n NewDecay) decay() Decay {
	d := Decay{Tracer: n.Tracer, Readings: []Reading{}, BackgroundPPM: n.BackgroundPPM, NoisePPM: n.NoisePPM, MixingHours: n.MixingHours, KeepAll: n.KeepAll}
	for _, r := range n.Readings {
		d.Readings = append(d.Readings, Reading{*r.Hours, *r.PPM})
	}
	return d
}

// Tracer is a tracer measurement that is kept with its fit. It is never changed.
type Tracer struct {
	ID          domain.ID   `json:"id"`
	EnclosureID domain.ID   `json:"enclosure_id"`
	Exchange    string      `json:"exchange"`
	MeasuredOn  string      `json:"measured_on"`
	Note        string      `json:"note"`
	Decay       Decay       `json:"decay"`
	Result      DecayResult `json:"result"`
	RecordedAt  time.Time   `json:"recorded_at"`
	RecordedBy  Named       `json:"recorded_by"`
}

// Measure fits a tracer measurement, and puts the exchange into the path when that is asked for.
// Nothing changes when it is refused.
func (e *Enclosure) Measure(by domain.Actor, n NewTracer, at time.Time) (*Tracer, error) {
	if err := e.open(); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if day, err := time.Parse(time.DateOnly, n.MeasuredOn); err != nil || day.After(at.AddDate(0, 0, 1)) {
		return nil, domain.Invalid("/measured_on", "range", "This day has not come yet.")
	}
	i := slices.IndexFunc(e.Network.Exchanges, func(x Exchange) bool { return x.Name == n.Exchange })
	if i < 0 {
		return nil, domain.Invalid("/exchange", "known", fmt.Sprintf("There is no path of air %q in this enclosure.", n.Exchange))
	}
	decay := n.Decay.decay()
	result, err := decay.Fit()
	if err != nil {
		return nil, below("/decay", err)
	}
	t := &Tracer{ID: domain.NewID(), EnclosureID: e.ID, Exchange: n.Exchange, MeasuredOn: n.MeasuredOn, Note: strings.TrimSpace(n.Note), Decay: decay,
		Result: result, RecordedAt: at, RecordedBy: Named{by.ID, by.Name}}
	rate := &t.Result.Rate.PerDay
	rate.Value, rate.Least, rate.Greatest = rounded(rate.Value), rounded(rate.Least), rounded(rate.Greatest)
	t.Result.Rate.Diffusive = n.Diffusive
	t.Result.Rate.PerDay.Source += ", " + n.MeasuredOn
	kind := "tracer_measured"
	if n.Use {
		kind = "tracer_used"
		if err := e.use(i, t.Result.Rate); err != nil {
			return nil, err
		}
	}
	e.ChangedAt, e.ChangedBy = at, t.RecordedBy
	e.raise(by, kind, n, at)
	return t, nil
}

// rounded keeps six significant digits, more than any measurement has.
func rounded(v float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64)
	if err != nil {
		return v
	}
	return r
}

// use gives a path a measured exchange.
func (e *Enclosure) use(i int, r Rate) error {
	changed := e.Network.clone()
	x := &changed.Exchanges[i]
	if x.Rate != nil {
		r.OpeningsPerDay = x.Rate.OpeningsPerDay
	}
	x.Gap, x.Rate = nil, &r
	if err := changed.Check(); err != nil {
		return domain.Conflict("exchange_contradicts", "The measured exchange is the whole exchange of its two spaces, but there are other paths between them. Take those out first.")
	}
	kept, err := keptOf(changed)
	if err != nil {
		return err
	}
	e.Network, e.Spaces = changed.whole(), kept
	return nil
}

// below puts the pointers of an error below a member of a command.
func below(prefix string, err error) error {
	var known *domain.Error
	if !errors.As(err, &known) {
		return err
	}
	fields := make([]domain.Field, len(known.Fields))
	for i, f := range known.Fields {
		f.Pointer = prefix + f.Pointer
		fields[i] = f
	}
	copied := *known
	copied.Fields = fields
	return &copied
}
