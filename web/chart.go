package web

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
)

// Chart is a drawing of figures with the figures as a table below it, as the template "chart" shows
// it. Colours come from classes, so that both schemes and paper have their own.
type Chart struct {
	SVG     template.HTML
	Caption string
	Columns []string // heads of the table; the first is what the bars or points stand for
	Rows    [][]string
}

// Bar is one bar. Over marks a bar past a limit.
type Bar struct {
	Label string
	Value float64 // finite, not negative
	Over  bool
}

// The space of a drawing, in the units of its viewBox.
const (
	chartWidth  = 520
	chartHeight = 200
	chartLeft   = 40 // room for the figures of the axis
	chartTop    = 22 // room for the unit
	chartRight  = 8
	chartBottom = 24 // room for the labels
)

// barChart draws bars side by side. id must be unique on its page; title and unit say what is drawn.
func barChart(id, title, what, unit string, bars []Bar) Chart {
	most := 0.0
	whole := true
	for _, b := range bars {
		most = math.Max(most, b.Value)
		whole = whole && b.Value == math.Trunc(b.Value)
	}
	ticks := roundTicks(0, most, 4, whole)
	y := scale{from: 0, to: ticks[len(ticks)-1], at: chartHeight - chartBottom, until: chartTop}
	d := newDrawing(id, title, barsTold(bars, unit))
	d.axis(y, ticks, unit)
	room := float64(chartWidth-chartLeft-chartRight) / math.Max(float64(len(bars)), 1)
	width := math.Min(room*0.72, 48)
	every := labelEvery(len(bars), room)
	chart := Chart{Caption: title, Columns: []string{what, unit}}
	for i, b := range bars {
		middle := chartLeft + room*(float64(i)+0.5)
		if b.Value > 0 {
			class := "bar"
			if b.Over {
				class += " over"
			}
			d.add(`<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, place(middle-width/2), place(y.place(b.Value)), place(width), place(y.place(0)-y.place(b.Value)))
		}
		if i%every == 0 {
			d.add(`<text x="%s" y="%d" text-anchor="middle">%s</text>`, place(middle), chartHeight-8, template.HTMLEscapeString(b.Label))
		}
		chart.Rows = append(chart.Rows, []string{b.Label, number(b.Value, 2)})
	}
	d.add(`<path class="axis" d="M%d %sH%d"/>`, chartLeft, place(y.place(0)), chartWidth-chartRight)
	chart.SVG = d.done()
	return chart
}

// barsTold says in a sentence what a bar chart shows, for those who do not see it.
func barsTold(bars []Bar, unit string) string {
	if len(bars) == 0 {
		return "There are no figures."
	}
	most, sum := bars[0], 0.0
	for _, b := range bars {
		if sum += b.Value; b.Value > most.Value {
			most = b
		}
	}
	return fmt.Sprintf("From %s to %s, %s %s in all; the most is %s in %s. The table below has every figure.",
		bars[0].Label, bars[len(bars)-1].Label, number(sum, 2), unit, number(most.Value, 2), most.Label)
}

// labelEvery says which labels have room: every one, every second, every third …
func labelEvery(n int, room float64) int {
	const labelWidth = 78 // on the narrowest screen, where the letters are larger
	return max(1, min(n, int(math.Ceil(labelWidth/room))))
}

// scale puts a value between two places of the drawing. from and to differ.
type scale struct{ from, to, at, until float64 }

func (s scale) place(v float64) float64 { return s.at + (v-s.from)/(s.to-s.from)*(s.until-s.at) }

// roundTicks are round numbers 1, 2 or 5 times a power of ten apart that enclose low and high, with
// about count steps. whole asks for whole numbers.
func roundTicks(low, high float64, count int, whole bool) []float64 {
	if !(high > low) || math.IsInf(high, 0) || math.IsInf(low, 0) {
		high = low + 1
	}
	step := math.Pow(10, math.Floor(math.Log10((high-low)/float64(count))))
	for _, times := range []float64{1, 2, 5, 10} {
		if (high-low)/(step*times) <= float64(count) {
			step *= times
			break
		}
	}
	if whole {
		step = math.Max(step, 1)
	}
	first, last := math.Floor(low/step+1e-9), math.Ceil(high/step-1e-9)
	if last == first {
		last++
	}
	ticks := make([]float64, 0, count+2)
	for k := first; k <= last; k++ {
		ticks = append(ticks, k*step)
	}
	return ticks
}

// drawing collects the elements of an SVG.
type drawing struct{ b strings.Builder }

func newDrawing(id, title, told string) *drawing {
	d := &drawing{}
	d.add(`<svg class="chart" viewBox="0 0 %d %d" role="img" aria-labelledby="%s-title %s-desc" xmlns="http://www.w3.org/2000/svg">`, chartWidth, chartHeight, id, id)
	d.add(`<title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`, id, template.HTMLEscapeString(title), id, template.HTMLEscapeString(told))
	return d
}

func (d *drawing) add(format string, args ...any) { fmt.Fprintf(&d.b, format+"\n", args...) }

// axis draws the lines and figures of the upright axis, and the unit above them.
func (d *drawing) axis(y scale, ticks []float64, unit string) {
	decimals := 0
	if len(ticks) > 1 {
		decimals = max(0, int(math.Ceil(-math.Log10(ticks[1]-ticks[0])-1e-9)))
	}
	for _, t := range ticks {
		at := place(y.place(t))
		d.add(`<path class="grid-line" d="M%d %sH%d"/>`, chartLeft, at, chartWidth-chartRight)
		d.add(`<text x="%d" y="%s" text-anchor="end" dominant-baseline="middle">%s</text>`, chartLeft-6, at, strconv.FormatFloat(t, 'f', decimals, 64))
	}
	d.add(`<text x="0" y="10">%s</text>`, template.HTMLEscapeString(unit))
}

func (d *drawing) done() template.HTML {
	d.b.WriteString("</svg>")
	return template.HTML(d.b.String()) // #nosec G203 -- every text in it was escaped
}

// place writes a coordinate to a tenth of a unit.
func place(x float64) string { return number(math.Round(x*10)/10, 1) }
