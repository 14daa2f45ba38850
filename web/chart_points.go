package web

import (
	"html/template"
	"math"
	"strconv"
	"time"
)

// ChartPoint is a figure on a day, with its ± when that is known. Proven marks a proven change.
type ChartPoint struct {
	Day       string // 2026-02-06
	Value     float64
	PlusMinus float64
	Proven    bool
}

// Level is a figure that holds for all days, drawn across: a reference.
type Level struct {
	Name  string
	Value float64
}

// pointChart draws figures over days, joined by a line, each with its ±. The upright axis begins where
// the figures do, unless fromZero; the caption says which. There are at least two different days.
func pointChart(id, title, unit string, points []ChartPoint, levels []Level, fromZero bool) Chart {
	days := make([]float64, len(points))
	low, high := math.Inf(1), math.Inf(-1)
	if fromZero {
		low = 0
	}
	for i, p := range points {
		if at, err := time.Parse(time.DateOnly, p.Day); err == nil {
			days[i] = float64(at.Unix()) / 86400
		}
		low, high = math.Min(low, p.Value-p.PlusMinus), math.Max(high, p.Value+p.PlusMinus)
	}
	for _, l := range levels {
		low, high = math.Min(low, l.Value), math.Max(high, l.Value)
	}
	if fromZero {
		low = 0
	}
	ticks := roundTicks(low, high, 4, false)
	y := scale{from: ticks[0], to: ticks[len(ticks)-1], at: chartHeight - chartBottom, until: chartTop}
	x := scale{from: days[0], to: days[len(days)-1], at: chartLeft + 12, until: chartWidth - chartRight - 12}
	d := newDrawing(id, title, pointsTold(points, unit))
	d.axis(y, ticks, unit)
	d.years(x)
	for _, l := range levels {
		d.add(`<path class="limit" d="M%d %sH%d"/>`, chartLeft, place(y.place(l.Value)), chartWidth-chartRight)
		d.add(`<text x="%d" y="%s" text-anchor="end">%s</text>`, chartWidth-chartRight, place(y.place(l.Value)-4), template.HTMLEscapeString(l.Name))
	}
	values := make([]float64, len(points))
	for i, p := range points {
		values[i] = p.Value
		if p.PlusMinus > 0 {
			at := place(x.place(days[i]))
			d.add(`<path class="axis" d="M%s %sV%s"/>`, at, place(y.place(p.Value-p.PlusMinus)), place(y.place(p.Value+p.PlusMinus)))
		}
	}
	d.add(`<path class="series" d="%s"/>`, track(x, y.place, days, values, false))
	chart := Chart{Caption: title + ". The upright strokes are ± (k = 2)." + map[bool]string{false: " The axis does not begin at zero."}[fromZero || ticks[0] == 0],
		Columns: []string{"Day", unit, "± (k = 2)"}}
	for i, p := range points {
		d.add(`<circle class="point" cx="%s" cy="%s" r="%s"/>`, place(x.place(days[i])), place(y.place(p.Value)), map[bool]string{false: "3", true: "4.5"}[p.Proven])
		pm := ""
		if p.PlusMinus > 0 {
			pm = figureWords(p.PlusMinus)
		}
		chart.Rows = append(chart.Rows, []string{dayWords(p.Day), figureWords(p.Value), pm})
	}
	d.add(`<path class="axis" d="M%d %dH%d"/>`, chartLeft, chartHeight-chartBottom, chartWidth-chartRight)
	chart.SVG = d.done()
	return chart
}

// years writes years, or days where there are few, below the level axis.
func (d *drawing) years(x scale) {
	first, last := time.Unix(int64(x.from*86400), 0).UTC(), time.Unix(int64(x.to*86400), 0).UTC()
	if last.Year()-first.Year() < 2 {
		for i, at := range []time.Time{first, last} {
			d.add(`<text x="%s" y="%d" text-anchor="%s">%s</text>`, place([]float64{x.at, x.until}[i]), chartHeight-8, []string{"start", "end"}[i], at.Format(time.DateOnly))
		}
		return
	}
	room := (x.until - x.at) / float64(last.Year()-first.Year()+1)
	for year := first.Year(); year <= last.Year(); year += labelEvery(last.Year()-first.Year()+1, room) {
		at := x.place(float64(time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC).Unix()) / 86400)
		if at >= chartLeft && at <= chartWidth-chartRight {
			d.add(`<text x="%s" y="%d" text-anchor="middle">%s</text>`, place(at), chartHeight-8, strconv.Itoa(year))
		}
	}
}

// pointsTold says in a sentence what the points show, for those who do not see them.
func pointsTold(points []ChartPoint, unit string) string {
	first, last := points[0], points[len(points)-1]
	return "From " + figureWords(first.Value) + " " + unit + " on " + dayWords(first.Day) + " to " + figureWords(last.Value) + " " + unit + " on " + dayWords(last.Day) + ". The table below has every figure."
}
