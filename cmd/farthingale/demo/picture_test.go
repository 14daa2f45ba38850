package demo

import (
	"bytes"
	"image/color"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestPictures draws every thing; FARTHINGALE_DRAWINGS names a folder in which to look at them.
func TestPictures(t *testing.T) {
	t.Parallel()
	taken := time.Date(2025, 3, 4, 10, 20, 30, 0, time.FixedZone("", 3600))
	for name, drawn := range map[string]thing{"helmet_dress": helmetDress, "dry_suit": drySuit, "escape_suit": escapeSuit, "rebreather": rebreather, "life_vest": lifeVest,
		"weight_belt": weightBelt, "mask": mask, "depth_gauge": depthGauge, "gloves": gloves, "knife": knife, "telephone": telephone, "helmet": helmet, "sounding_lead": soundingLead} {
		b, err := picture{number: "1968.14.2", drawn: drawn, taken: taken, damage: 0.7, raking: name == "helmet_dress"}.jpeg()
		if err != nil {
			t.Fatal(err)
		}
		img, err := jpeg.Decode(bytes.NewReader(b))
		if err != nil || img.Bounds().Dx() != pictureWidth {
			t.Errorf("%s: %v", name, err)
		}
		if dir := os.Getenv("FARTHINGALE_DRAWINGS"); dir != "" {
			if err := os.WriteFile(filepath.Join(dir, name+".jpg"), b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestDamageIsTrue: a patch of damage has the area that its radius says, so that a measurement on the
// picture can be checked.
func TestDamageIsTrue(t *testing.T) {
	t.Parallel()
	line := disc(point{3, 4}, 20)
	area := 0.0
	for i, a := range line {
		b := line[(i+1)%len(line)]
		area += (a.x*b.y - b.x*a.y) / 2
	}
	if want := math.Pi * 400; math.Abs(area-want)/want > 0.005 {
		t.Errorf("area %.1f mm², want %.1f", area, want)
	}
}

// The outline and the area of a patch, and the scale, are those that are drawn: counted in the picture.
func TestPatchIsTrue(t *testing.T) {
	t.Parallel()
	red := color.RGBA{250, 0, 0, 255}
	drawn := thing{mmAcross: 400, shape: []part{box(color.RGBA{0, 0, 0, 255}, -150, -100, 150, 100)}, marks: []spot{{point{40, 20}, 30, red, false}}}
	for name, p := range map[string]picture{
		"whole":  {drawn: drawn, damage: 0.6},
		"moved":  {drawn: drawn, damage: 1, turnDegrees: 4, shift: point{8, -5}},
		"detail": {drawn: drawn, damage: 0.3, near: &window{point{40, 20}, 90}, turnDegrees: -3},
	} {
		p.number, p.taken = "1", time.Date(2025, 3, 4, 10, 20, 30, 0, time.UTC)
		b, err := p.jpeg()
		if err != nil {
			t.Fatal(err)
		}
		img, err := jpeg.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		seen, left, right := 0.0, pictureWidth, 0
		for y := range pictureHeight - 120 {
			for x := range pictureWidth {
				if r, g, _, _ := img.At(x, y).RGBA(); r > 0x8000 && g < 0x4000 {
					seen++
					left, right = min(left, x), max(right, x)
				}
			}
		}
		_, _, lengthMM := p.bar()
		from, to, _ := p.bar()
		mmPerPX := lengthMM / (to[0] - from[0])
		outline, areaMM2 := p.patch(0)
		if got := seen * mmPerPX * mmPerPX; math.Abs(got-areaMM2) > 0.02*areaMM2 {
			t.Errorf("%s: %v mm² are drawn, %v said", name, got, areaMM2)
		}
		least, most := math.Inf(1), 0.0
		for _, q := range outline {
			least, most = min(least, q[0]), max(most, q[0])
		}
		if math.Abs(least-float64(left)) > 2 || math.Abs(most-float64(right+1)) > 2 {
			t.Errorf("%s: drawn from %d to %d, said %v to %v", name, left, right, least, most)
		}
	}
}
