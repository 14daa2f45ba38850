package colour

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"farthingale/domain"
)

// published reads a table of testdata/colour: numbers after so many columns of text.
func published(t *testing.T, name string, texts int) (words [][]string, figures [][]float64) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", "colour", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range lines[1:] {
		var row []float64
		for _, text := range line[texts:] {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			row = append(row, v)
		}
		words, figures = append(words, line[:texts]), append(figures, row)
	}
	return words, figures
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v ± %v", what, got, want, within)
	}
}

// source: Sharma, Wu & Dalal 2005, Color Research and Application 30:21–30, table 1, to four decimals, in
// both orders.
func TestDE2000Published(t *testing.T) {
	words, rows := published(t, "ciede2000.csv", 1)
	if len(rows) != 34 {
		t.Fatalf("%d pairs", len(rows))
	}
	for i, r := range rows {
		one, two := Lab{r[0], r[1], r[2]}, Lab{r[3], r[4], r[5]}
		near(t, "pair "+words[i][0], DE2000(one, two), r[6], 0.00005)
		near(t, "pair "+words[i][0]+" turned round", DE2000(two, one), r[6], 0.00005)
	}
}

// source: a public test suite of a colour library gives 41.14608 and 22.39451 for the second pair; the
// others were computed with two other public libraries.
func TestBetween(t *testing.T) {
	for _, c := range []struct {
		one, two          Lab
		ab, e2000, dl, dc float64
	}{
		{Lab{60, 10, 20}, Lab{62, 8, 25}, 5.7446, 4.2124, 2, 3.8881},
		{Lab{36, 60, 41}, Lab{55, 66, 77}, 41.1461, 22.3945, 19, 28.7445},
		{Lab{82.4, -1.3, 12.8}, Lab{80.1, -0.6, 16.9}, 4.7529, 3.0967, -2.3, 4.0448},
		{Lab{45.2, 12.1, -8.4}, Lab{44.8, 12.9, -7.7}, 1.1358, 0.9615, -0.4, 0.2934},
		{Lab{70, -20, 30}, Lab{68, -22, 34}, 4.8990, 2.2832, -2, 4.4414},
	} {
		d := Between(c.one, c.two)
		near(t, "ΔE*ab", d.DEab, c.ab, 0.0001)
		near(t, "ΔE2000", d.DE2000, c.e2000, 0.0001)
		near(t, "ΔL", d.DL, c.dl, 0.0001)
		near(t, "ΔC", d.DC, c.dc, 0.0001)
	}
}

// source: ISO/CIE 11664-4; the figures were computed with a public colour library (python3-colorspacious).
func TestLabAndXYZ(t *testing.T) {
	for _, c := range []struct {
		xyz XYZ
		i   Illuminant
		o   Observer
		lab Lab
	}{
		{XYZ{50, 50, 50}, "D65", "2", Lab{76.0693, 6.7770, 4.4399}},
		{XYZ{20.5, 21.7, 12.3}, "D65", "2", Lab{53.7072, -0.6092, 23.5030}},
		{XYZ{20.5, 21.7, 12.3}, "D50", "2", Lab{53.7072, -2.0413, 14.1432}},
		{XYZ{20.5, 21.7, 12.3}, "D65", "10", Lab{53.7072, -0.3606, 23.0311}},
		{XYZ{20.5, 21.7, 12.3}, "D50", "10", Lab{53.7072, -2.3481, 13.6704}},
		{XYZ{0.5, 0.6, 0.4}, "D65", "2", Lab{5.4198, -2.8790, 3.6230}},
		{XYZ{21.4643, 18.4187, 40.4654}, "D65", "2", Lab{50, 20, -30}},
		{XYZ{21.7748, 18.4187, 30.6682}, "D50", "2", Lab{50, 20, -30}},
		{XYZ{0.5505, 0.5535, 0.7425}, "D65", "2", Lab{5, 1, -2}},
	} {
		white, ok := White(c.i, c.o)
		if !ok {
			t.Fatal(c.i, c.o)
		}
		got := c.xyz.Lab(white)
		near(t, "L*", got.L, c.lab.L, 0.002)
		near(t, "a*", got.A, c.lab.A, 0.005)
		near(t, "b*", got.B, c.lab.B, 0.005)
	}
	white, _ := White("D65", "2")
	if c := (Lab{L: 76.0693, A: 6.7770, B: 4.4399}); math.Abs(c.Chroma()-8.1019) > 1e-4 || math.Abs(c.Hue()-33.230) > 1e-3 {
		t.Errorf("chroma %v, hue %v", c.Chroma(), c.Hue())
	}
	if w := white.Lab(white); w != (Lab{100, 0, 0}) {
		t.Errorf("white is %v", w)
	}
	dice := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		lab := Lab{dice.Float64() * 100, dice.Float64()*200 - 100, dice.Float64()*200 - 100}
		back := lab.XYZ(white).Lab(white)
		near(t, "there and back", DEab(lab, back), 0, 1e-9)
	}
}

// A difference is none of a colour with itself, never negative, and the same in both orders.
func TestDifferenceProperties(t *testing.T) {
	dice := rand.New(rand.NewPCG(3, 4))
	colour := func() Lab { return Lab{dice.Float64() * 100, dice.Float64()*160 - 80, dice.Float64()*160 - 80} }
	for range 5000 {
		a, b := colour(), colour()
		near(t, "with itself", DE2000(a, a), 0, 1e-12)
		near(t, "both orders", DE2000(a, b), DE2000(b, a), 1e-9)
		near(t, "both orders of ΔE*ab", DEab(a, b), DEab(b, a), 0)
		if !(DE2000(a, b) >= 0) {
			t.Fatalf("%v %v: %v", a, b, DE2000(a, b))
		}
	}
	// Along the greys no chroma is in the way: ΔE*ab is ΔL.
	near(t, "greys", DEab(Lab{L: 40}, Lab{L: 43}), 3, 1e-12)
}

// source: the table names its own: tristimulus values computed by an independent program from the same
// spectra with its own CIE tables.
func TestFromSpectrum(t *testing.T) {
	spectra, figures := published(t, "spectra.csv", 1)
	byName := map[string][]float64{}
	for i, name := range spectra {
		byName[name[0]] = figures[i]
	}
	words, rows := published(t, "spectra_xyz.csv", 3)
	if len(rows) < 20 {
		t.Fatalf("%d results", len(rows))
	}
	for i, want := range rows {
		name, illuminant, observer := words[i][0], Illuminant(words[i][1]), Observer(words[i][2])
		xyz, lab, err := FromSpectrum(byName[name], illuminant, observer)
		if err != nil {
			t.Fatal(err)
		}
		what := name + " " + string(illuminant) + "/" + string(observer)
		near(t, what+" X", xyz.X, want[0], 0.02)
		near(t, what+" Y", xyz.Y, want[1], 0.01)
		near(t, what+" Z", xyz.Z, want[2], 0.07)
		near(t, what+" L*", lab.L, want[3], 0.01)
	}
}

// source: CIE 15:2004, table T.3 (whites). A perfect diffuser summed at 10 nm comes near them.
func TestSpectrumWhites(t *testing.T) {
	even := make([]float64, SpectrumLength)
	for i := range even {
		even[i] = 1
	}
	for _, i := range Illuminants {
		for _, o := range Observers {
			xyz, lab, err := FromSpectrum(even, i, o)
			if err != nil {
				t.Fatal(err)
			}
			white, _ := White(i, o)
			near(t, string(i)+" X", xyz.X, white.X, 0.04)
			near(t, string(i)+" Y", xyz.Y, 100, 1e-9)
			near(t, string(i)+" Z", xyz.Z, white.Z, 0.13)
			near(t, string(i)+" neutral", DEab(lab, Lab{L: 100}), 0, 1e-9)
		}
	}
}

func TestSpectrumRefused(t *testing.T) {
	for name, spectrum := range map[string][]float64{
		"one short": make([]float64, SpectrumLength-1), "one more": make([]float64, SpectrumLength+1), "none": nil,
		"percent": append(make([]float64, SpectrumLength-1), 45), "negative": append(make([]float64, SpectrumLength-1), -0.1),
		"no number": append(make([]float64, SpectrumLength-1), math.NaN()),
	} {
		if _, _, err := FromSpectrum(spectrum, "D65", "10"); domain.KindOf(err) != domain.KindInvalid {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, _, err := FromSpectrum(make([]float64, SpectrumLength), "F11", "10"); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("unknown illuminant: %v", err)
	}
}

// Brighter spectra are never darker colours.
func TestSpectrumMonotone(t *testing.T) {
	dice := rand.New(rand.NewPCG(5, 6))
	for range 200 {
		darker, brighter := make([]float64, SpectrumLength), make([]float64, SpectrumLength)
		for i := range darker {
			darker[i] = dice.Float64()
			brighter[i] = darker[i] + dice.Float64()*0.2
		}
		_, a, err := FromSpectrum(darker, "D65", "10")
		if err != nil {
			t.Fatal(err)
		}
		_, b, err := FromSpectrum(brighter, "D65", "10")
		if err != nil {
			t.Fatal(err)
		}
		if b.L < a.L {
			t.Fatalf("%v is darker than %v", b, a)
		}
	}
}

func FuzzFromSpectrum(f *testing.F) {
	f.Add(0.5, 0.1, 31)
	f.Add(0.0, 2.0, 31)
	f.Fuzz(func(t *testing.T, from, step float64, n int) {
		if n < 0 || n > 100 {
			return
		}
		spectrum := make([]float64, n)
		for i := range spectrum {
			spectrum[i] = from + step*float64(i)
		}
		_, lab, err := FromSpectrum(spectrum, "D65", "10")
		if err == nil && (math.IsNaN(lab.L) || math.IsNaN(lab.A) || math.IsNaN(lab.B)) {
			t.Errorf("%v", lab)
		}
	})
}
