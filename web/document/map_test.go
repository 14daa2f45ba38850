package document

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"os"
	"testing"
	"time"
)

// mapped is a grey photograph with a mark of each kind.
func mapped(t testing.TB) Map {
	t.Helper()
	grey := image.NewGray(image.Rect(0, 0, 1200, 800))
	for i := range grey.Pix {
		grey.Pix[i] = 128
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, grey, nil); err != nil {
		t.Fatal(err)
	}
	m := Map{Picture: Picture{Bytes: b.Bytes(), Alt: "front"}, Caption: "Front, raking light", Width: 6000, Height: 4000}
	for i := range Hatches {
		x, y := float64(600+i%4*1300), float64(600+i/4*1600)
		m.Marks = append(m.Marks, MapMark{Number: i + 1, Closed: true, Hatch: Hatch(i), Points: [][2]float64{{x, y}, {x + 700, y + 100}, {x + 600, y + 900}, {x + 300, y + 500}, {x - 50, y + 800}}})
		m.Legend = append(m.Legend, MapLine{Number: i + 1, Hatch: Hatch(i), Term: "tear", Extent: "2811 ± 95 mm²", Severity: "3, damage"})
	}
	m.Marks = append(m.Marks, MapMark{Number: 9, Points: [][2]float64{{300, 3600}, {5000, 3700}}}, MapMark{Number: 10, Points: [][2]float64{{5900, 3950}}})
	return m
}

// The map shows its marks where they are: lines on the outline, hatching inside, the photograph elsewhere.
func TestMapShowsMarksWhereTheyAre(t *testing.T) {
	m := mapped(t)
	b, err := m.draw()
	if err != nil {
		t.Fatal(err)
	}
	if name := os.Getenv("MAP_TO"); name != "" {
		if err := os.WriteFile(name, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	shown, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil || shown.Bounds().Size() != image.Pt(1200, 800) {
		t.Fatal(shown.Bounds(), err)
	}
	at := func(x, y float64) uint8 {
		return color.GrayModel.Convert(shown.At(int(x*1200/6000), int(y*800/4000))).(color.Gray).Y
	}
	for i := range Hatches {
		x, y := float64(600+i%4*1300), float64(600+i/4*1600)
		if v := at(x+350, y+50); v > 70 {
			t.Errorf("the outline of %d is not there: %d", i+1, v)
		}
		dark, light := 0, 0
		for u := x + 200; u < x+500; u += 5 {
			for v := y + 150; v < y+400; v += 5 {
				if g := at(u, v); g < 80 {
					dark++
				} else if g > 180 {
					light++
				}
			}
		}
		if dark < 50 || light < 50 {
			t.Errorf("%s is not seen: %d dark, %d light", Hatch(i).Name(), dark, light)
		}
	}
	if v := at(5600, 300); v < 120 || v > 136 {
		t.Errorf("where nothing is marked the photograph has changed: %d", v)
	}
}

// Hatch lines stay inside the outline. source: even-odd rule, against points thrown along each line
func TestHatchingStaysInside(t *testing.T) {
	outline := [][2]float64{{0, 0}, {100, 0}, {100, 100}, {50, 20}, {0, 100}}
	in := func(p [2]float64) bool {
		inside := false
		for i, j := 0, len(outline)-1; i < len(outline); j, i = i, i+1 {
			a, b := outline[i], outline[j]
			if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < (b[0]-a[0])*(p[1]-a[1])/(b[1]-a[1])+a[0] {
				inside = !inside
			}
		}
		return inside
	}
	for _, angle := range []float64{0, 45, 90, -45, 30} {
		length := 0.0
		for _, piece := range hatchLines(outline, angle, 1) {
			for _, f := range []float64{0.01, 0.3, 0.5, 0.99} {
				p := [2]float64{piece[0][0] + f*(piece[1][0]-piece[0][0]), piece[0][1] + f*(piece[1][1]-piece[0][1])}
				if d := math.Hypot(piece[1][0]-piece[0][0], piece[1][1]-piece[0][1]); d > 0.5 && !in(p) {
					t.Fatalf("%v under %.0f° is outside", p, angle)
				}
			}
			length += math.Hypot(piece[1][0]-piece[0][0], piece[1][1]-piece[0][1])
		}
		// Lines one apart are as long together as the outline encloses: 100 × 100 less the notch of ½ · 100 · 80.
		if math.Abs(length-6000) > 150 {
			t.Errorf("under %.0f°: %.0f", angle, length)
		}
	}
}

func TestMapOnPaper(t *testing.T) {
	m := mapped(t)
	blocks, err := m.Blocks()
	if err != nil || len(blocks) != 2 {
		t.Fatal(len(blocks), err)
	}
	d := Document{Title: "Condition map", Created: time.Date(2026, 2, 6, 0, 0, 0, 0, time.UTC), Blocks: blocks}
	var pdf, docx, again bytes.Buffer
	for _, b := range []*bytes.Buffer{&pdf, &again} {
		if err := WritePDF(b, d); err != nil {
			t.Fatal(err)
		}
	}
	if err := WriteDOCX(&docx, d); err != nil {
		t.Fatal(err)
	}
	if name := os.Getenv("MAP_TO"); name != "" {
		if err := os.WriteFile(name+".pdf", pdf.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// A picture that cannot be read leaves the legend.
	m.Picture.Bytes = []byte("no picture")
	if blocks, err = m.Blocks(); err != nil || len(blocks) != 2 {
		t.Error(len(blocks), err)
	}
	names := map[string]bool{}
	for i := range Hatches {
		names[Hatch(i).Name()] = true
	}
	if len(names) != Hatches || len(hatchings) != Hatches || Hatch(-1).Name() == "" || Hatch(99).Name() == "" {
		t.Errorf("%d names", len(names))
	}
}

// Marks that are nothing, or lie off the picture, harm nothing.
func TestMapOfOddMarks(t *testing.T) {
	m := mapped(t)
	m.Marks = append(m.Marks, MapMark{Number: 11}, MapMark{Number: 12, Closed: true, Points: [][2]float64{{-900, -900}, {9000, -50}, {7000, 9000}}}, MapMark{Number: 13, Closed: true, Points: [][2]float64{{5, 5}, {5, 5}}})
	for _, size := range [][2]float64{{6000, 4000}, {0, 0}, {1, 1}} {
		m.Width, m.Height = size[0], size[1]
		if _, err := m.Blocks(); err != nil {
			t.Error(err)
		}
	}
}

func BenchmarkMapOf300Marks(b *testing.B) {
	m := mapped(b)
	for i := range 300 {
		x, y := float64(i%20)*290, float64(i/20)*260
		m.Marks = append(m.Marks, MapMark{Number: i, Closed: true, Hatch: Hatch(i), Points: [][2]float64{{x, y}, {x + 200, y}, {x + 150, y + 180}}})
	}
	for b.Loop() {
		if _, err := m.draw(); err != nil {
			b.Fatal(fmt.Errorf("draw: %w", err))
		}
	}
}
