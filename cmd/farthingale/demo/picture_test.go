package demo

import (
	"bytes"
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
