package web

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write golden files anew")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("..", "testdata", "chart", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; look at it, then run go test -update:\n%s", path, got)
	}
}

func wellFormed(t *testing.T, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("not XML: %v\n%s", err, svg)
		}
		if e, ok := token.(xml.StartElement); ok {
			for _, a := range e.Attr {
				if a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") || strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					t.Fatalf("%s has %s=%q", e.Name.Local, a.Name.Local, a.Value)
				}
			}
		}
	}
}

func TestBarChart(t *testing.T) {
	bars := []Bar{{Label: "2025-11", Value: 3}, {Label: "2025-12"}, {Label: "2026-01", Value: 11, Over: true}, {Label: "2026-02", Value: 7}}
	c := barChart("c", `Handlings of <1968.14.2> & its parts`, "Month", "handlings", bars)
	wellFormed(t, string(c.SVG))
	golden(t, "bars.svg", []byte(c.SVG))
	if len(c.Rows) != len(bars) || c.Rows[2][1] != "11" || !strings.Contains(string(c.SVG), "21 handlings in all; the most is 11 in 2026-01") {
		t.Errorf("%+v", c)
	}
	for name, bars := range map[string][]Bar{
		"empty": nil, "zeros": {{Label: "a"}, {Label: "b"}}, "one": {{Label: "a", Value: 1}}, "tiny": {{Label: "a", Value: 1e-9}},
		"huge": {{Label: "a", Value: 1e12}, {Label: "b", Value: 1}}, "hostile": {{Label: `"><script>alert(1)</script>`, Value: 2}},
	} {
		t.Run(name, func(t *testing.T) { wellFormed(t, string(barChart("c", name, "x", "y", bars).SVG)) })
	}
	many := make([]Bar, 400)
	for i := range many {
		many[i] = Bar{Label: "2026-01", Value: float64(i % 9)}
	}
	if svg := string(barChart("c", "many", "Month", "n", many).SVG); strings.Count(svg, ">2026-01<") > 10 {
		t.Error("labels run into one another")
	}
}

// Ticks enclose the figures, are round, evenly apart and neither few nor many.
func TestRoundTicks(t *testing.T) {
	for _, test := range []struct {
		low, high float64
		whole     bool
		want      []float64
	}{
		{0, 0, true, []float64{0, 1}}, {0, 1, true, []float64{0, 1}}, {0, 3, true, []float64{0, 1, 2, 3}}, {0, 11, true, []float64{0, 5, 10, 15}},
		{0, 100, true, []float64{0, 50, 100}}, {0, 0.7, false, []float64{0, 0.2, 0.4, 0.6, 0.8}}, {42, 58, false, []float64{40, 45, 50, 55, 60}},
	} {
		got := roundTicks(test.low, test.high, 4, test.whole)
		if len(got) != len(test.want) {
			t.Errorf("%v to %v: %v", test.low, test.high, got)
			continue
		}
		for i := range got {
			if math.Abs(got[i]-test.want[i]) > 1e-9 {
				t.Errorf("%v to %v: %v", test.low, test.high, got)
				break
			}
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 5000 {
		low := (random.Float64() - 0.5) * math.Pow(10, float64(random.IntN(12)-5))
		high := low + random.Float64()*math.Pow(10, float64(random.IntN(12)-5))
		if high-low < 1e-6*math.Abs(low) {
			continue // no float tells such ticks apart
		}
		ticks := roundTicks(low, high, 4, false)
		step := ticks[1] - ticks[0]
		slack := step * 1e-6
		if ticks[0] > low+slack || ticks[len(ticks)-1] < high-slack || len(ticks) < 2 || len(ticks) > 7 {
			t.Fatalf("%v to %v: %v", low, high, ticks)
		}
		lead := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9))
		if math.Abs(lead-1) > 1e-6 && math.Abs(lead-2) > 1e-6 && math.Abs(lead-5) > 1e-6 {
			t.Fatalf("%v to %v: a step of %v is not round", low, high, step)
		}
	}
}

// Lines: every point stands where its figure says, the band goes there and back, the table has every
// so many-th row with ranges, and figures far apart get powers of ten.
func TestLineChart(t *testing.T) {
	at := []float64{0, 1, 2, 3, 4}
	chart := lineChart("course", "Acid in <case>", "hours", "µg/m³", at, []Line{{Name: "as it is", Middle: []float64{100, 100, 100, 100, 100}, Second: true},
		{Name: "with the changes", Middle: []float64{100, 75, 50, 25, 0}, Least: []float64{90, 65, 40, 15, 0}, Greatest: []float64{110, 85, 60, 35, 10}}}, 2)
	svg := string(chart.SVG)
	wellFormed(t, svg)
	// From 0 to 150 in 154 units, the 100 at 176 − 154·100/150 = 73.3; hours from 40 to 500.
	for _, part := range []string{`class="series second" d="M40 73.3L155 73.3L270 73.3L385 73.3L500 73.3"`, `class="series" d="M40 73.3L155 99L270 124.7L385 150.3L500 176"`, "Acid in &lt;case&gt;",
		`class="band" d="M40 63.1L`, "with the changes goes from 100 to 0 µg/m³"} {
		if !strings.Contains(svg, part) {
			t.Errorf("no %s in\n%s", part, svg)
		}
	}
	if len(chart.Rows) != 3 || chart.Rows[1][2] != "50 (40 to 60)" || chart.Columns[1] != "as it is, µg/m³" || !strings.Contains(chart.Caption, "Broken line: as it is") {
		t.Errorf("%+v", chart)
	}
	far := string(lineChart("far", "Acid", "hours", "µg/m³", []float64{0, 1}, []Line{{Name: "with the changes", Middle: []float64{1e5, 1}}}, 1).SVG)
	if !strings.Contains(far, "powers of ten") || !strings.Contains(far, ">10⁵<") || !strings.Contains(far, `d="M40 22L500 176"`) {
		t.Errorf("%s", far)
	}
	if strings.Contains(string(lineChart("none", "Acid", "hours", "µg/m³", []float64{0, 1}, []Line{{Name: "x", Middle: []float64{0, 0}}}, 1).SVG), "NaN") {
		t.Error("nothing at all is not drawn")
	}
}

func TestPointChart(t *testing.T) {
	points := []ChartPoint{{Day: "2022-02-06", Value: 5.6, PlusMinus: 0.3}, {Day: "2024-02-06", Value: 5.1, PlusMinus: 0.3}, {Day: "2026-02-06", Value: 4.2, PlusMinus: 0.4, Proven: true}}
	c := pointChart("p", `pH of <a> spot`, "pH", points, []Level{{"protected area", 5.7}}, false)
	wellFormed(t, string(c.SVG))
	if len(c.Rows) != 3 || c.Rows[2][2] != "0.4" || !strings.Contains(c.Caption, "does not begin at zero") || strings.Count(string(c.SVG), "<circle") != 3 || !strings.Contains(string(c.SVG), ">2024<") {
		t.Errorf("%+v", c)
	}
	for name, points := range map[string][]ChartPoint{
		"two near days": {{Day: "2026-02-06", Value: 1}, {Day: "2026-02-07", Value: 1}}, "all zero": {{Day: "2020-01-01"}, {Day: "2026-01-01"}},
		"a century":     {{Day: "1926-01-01", Value: 1e-6}, {Day: "2026-01-01", Value: 1e9, PlusMinus: 1e8}},
		"one day twice": {{Day: "2020-01-01", Value: 3}, {Day: "2026-01-01", Value: 4}, {Day: "2026-01-01", Value: 5}},
	} {
		for _, fromZero := range []bool{true, false} {
			c := pointChart("p", name, "x", points, nil, fromZero)
			wellFormed(t, string(c.SVG))
		}
	}
}
