package web

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
)

// Line is a course of figures over the places of the level axis. A line with Least and Greatest has a
// band between them. Second marks the line that the other is compared with.
type Line struct {
	Name            string
	Middle          []float64
	Least, Greatest []float64 // nil: no band
	Second          bool
}

// lineChart draws lines over at, which ascends. id must be unique on its page; rows of the table are
// every so many points, so that it stays readable.
func lineChart(id, title, what, unit string, at []float64, lines []Line, every int) Chart {
	y, axis := upright(lines)
	x := scale{from: at[0], to: at[len(at)-1], at: chartLeft, until: chartWidth - chartRight - 12}
	d := newDrawing(id, title, linesTold(at, lines, what, unit))
	axis(d, unit)
	for _, t := range roundTicks(x.from, x.to, 5, false) {
		if t <= x.to*(1+1e-9) {
			d.add(`<text x="%s" y="%d" text-anchor="middle">%s</text>`, place(x.place(t)), chartHeight-8, strconv.FormatFloat(math.Round(t*1e6)/1e6, 'f', -1, 64))
		}
	}
	for _, l := range lines {
		if len(l.Least) == len(at) && len(l.Greatest) == len(at) {
			d.add(`<path class="band" d="%sL%sZ"/>`, track(x, y, at, l.Greatest, false), strings.TrimPrefix(track(x, y, at, l.Least, true), "M"))
		}
	}
	for _, l := range lines {
		class := "series"
		if l.Second {
			class += " second"
		}
		d.add(`<path class="%s" d="%s"/>`, class, track(x, y, at, l.Middle, false))
	}
	d.add(`<path class="axis" d="M%d %dH%d"/>`, chartLeft, chartHeight-chartBottom, chartWidth-chartRight)
	chart := Chart{Caption: title + ", over " + what + ". " + legend(lines), Columns: []string{what}, SVG: d.done()}
	for _, l := range lines {
		chart.Columns = append(chart.Columns, l.Name+", "+unit)
	}
	for i := range at {
		if i%every != 0 && i != len(at)-1 {
			continue
		}
		row := []string{figureWords(at[i])}
		for _, l := range lines {
			text := figureWords(l.Middle[i])
			if len(l.Least) == len(at) && l.Least[i] < l.Greatest[i] {
				text += " (" + figureWords(l.Least[i]) + " to " + figureWords(l.Greatest[i]) + ")"
			}
			row = append(row, text)
		}
		chart.Rows = append(chart.Rows, row)
	}
	return chart
}

// farApart is by what the greatest figure is larger than the least from where on powers of ten are drawn.
const farApart = 200

// upright is the upright axis of lines: even steps from zero, or powers of ten where the figures are far
// apart and none is zero.
func upright(lines []Line) (y func(float64) float64, axis func(d *drawing, unit string)) {
	most, least := 0.0, math.Inf(1)
	for _, l := range lines {
		for _, series := range [][]float64{l.Middle, l.Least, l.Greatest} {
			for _, v := range series {
				most, least = math.Max(most, v), math.Min(least, v)
			}
		}
	}
	if !(least > 0) || most < farApart*least {
		ticks := roundTicks(0, most, 4, false)
		s := scale{from: 0, to: ticks[len(ticks)-1], at: chartHeight - chartBottom, until: chartTop}
		return s.place, func(d *drawing, unit string) { d.axis(s, ticks, unit) }
	}
	s := scale{from: math.Floor(math.Log10(least)), to: math.Ceil(math.Log10(most)), at: chartHeight - chartBottom, until: chartTop}
	every := math.Ceil((s.to - s.from) / 6)
	return func(v float64) float64 { return s.place(math.Log10(v)) }, func(d *drawing, unit string) {
		for p := s.from; p <= s.to; p += every {
			d.add(`<path class="grid-line" d="M%d %sH%d"/>`, chartLeft, place(s.place(p)), chartWidth-chartRight)
			d.add(`<text x="%d" y="%s" text-anchor="end" dominant-baseline="middle">%s</text>`, chartLeft-6, place(s.place(p)), powerOfTen(int(p)))
		}
		d.add(`<text x="0" y="10">%s, powers of ten</text>`, template.HTMLEscapeString(unit))
	}
}

// powerOfTen writes 10 to the power p, in full where that is short.
func powerOfTen(p int) string {
	if p >= -3 && p <= 4 {
		return strconv.FormatFloat(math.Pow10(p), 'f', -1, 64)
	}
	return "10" + strings.NewReplacer("-", "⁻", "0", "⁰", "1", "¹", "2", "²", "3", "³", "4", "⁴", "5", "⁵", "6", "⁶", "7", "⁷", "8", "⁸", "9", "⁹").Replace(strconv.Itoa(p))
}

// legend says which line is drawn how.
func legend(lines []Line) string {
	var all []string
	for _, l := range lines {
		how := "whole line"
		if l.Second {
			how = "broken line"
		}
		all = append(all, how+": "+l.Name)
	}
	return capital(strings.Join(all, ", ")) + "."
}

// track is the path of a line; backwards runs from its end.
func track(x scale, y func(float64) float64, at, v []float64, backwards bool) string {
	var b strings.Builder
	for i := range at {
		k := i
		if backwards {
			k = len(at) - 1 - i
		}
		sign := "L"
		if i == 0 {
			sign = "M"
		}
		fmt.Fprintf(&b, "%s%s %s", sign, place(x.place(at[k])), place(y(v[k])))
	}
	return b.String()
}

// linesTold says in a sentence what the lines show, for those who do not see them.
func linesTold(at []float64, lines []Line, what, unit string) string {
	last := len(at) - 1
	var all []string
	for _, l := range lines {
		all = append(all, fmt.Sprintf("%s goes from %s to %s %s", l.Name, figureWords(l.Middle[0]), figureWords(l.Middle[last]), unit))
	}
	return fmt.Sprintf("Over %s %s: %s. The table below has the figures.", figureWords(at[last]), what, strings.Join(all, "; "))
}

// figureWords writes a figure with three significant digits, whole thousands kept.
func figureWords(v float64) string {
	size := math.Abs(v)
	switch {
	case size == 0:
		return "0"
	case size >= 100:
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return number(v, max(0, 2-int(math.Floor(math.Log10(size)))))
}
