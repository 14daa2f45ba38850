package iiif

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"farthingale/domain"
)

func read(path string, width, height int) (Plan, error) {
	parts := strings.Split(path, "/")
	if len(parts) != 4 {
		return Plan{}, fmt.Errorf("%d parts", len(parts))
	}
	return Read(parts[0], parts[1], parts[2], parts[3], width, height)
}

// TestPublishedRegions and sizes are the examples of the text on a picture of 300 × 200 pixels.
// source: Image API 3.0, 4.1 (region), 4.2 (size), 4.3 (rotation), examples; from memory
func TestPublishedExamples(t *testing.T) {
	for path, want := range map[string]string{
		"full/max/0/default.jpg":                  "0,0,300,200 300x200",
		"square/max/0/default.jpg":                "50,0,200,200 200x200",
		"125,15,120,140/max/0/default.jpg":        "125,15,120,140 120x140",
		"pct:41.6,7.5,40,70/max/0/default.jpg":    "125,15,120,140 120x140",
		"125,15,200,200/max/0/default.jpg":        "125,15,175,185 175x185",
		"pct:41.6,7.5,66.6,100/max/0/default.jpg": "125,15,175,185 175x185",
		"full/150,/0/default.jpg":                 "0,0,300,200 150x100",
		"full/,150/0/default.jpg":                 "0,0,300,200 225x150",
		"full/^360,/0/default.jpg":                "0,0,300,200 360x240",
		"full/^,240/0/default.jpg":                "0,0,300,200 360x240",
		"full/pct:50/0/default.jpg":               "0,0,300,200 150x100",
		"full/^pct:120/0/default.jpg":             "0,0,300,200 360x240",
		"full/225,100/0/default.jpg":              "0,0,300,200 225x100",
		"full/^360,360/0/default.jpg":             "0,0,300,200 360x360",
		"full/!225,100/0/default.jpg":             "0,0,300,200 150x100",
		"full/^!360,360/0/default.jpg":            "0,0,300,200 360x240",
	} {
		p, err := read(path, 300, 200)
		if got := fmt.Sprintf("%d,%d,%d,%d %dx%d", p.X, p.Y, p.RegionWidth, p.RegionHeight, p.Width, p.Height); err != nil || got != want {
			t.Errorf("%s: %s, want %s (%v)", path, got, want, err)
		}
	}
}

// TestRefusedRequests: what cannot be parsed or is impossible is 400.
// source: Image API 3.0, 4.1, 4.2, 4.3 and 7 (error conditions)
func TestRefusedRequests(t *testing.T) {
	for _, path := range []string{
		"4000,0,10,10/max/0/default.jpg", "0,6000,10,10/max/0/default.jpg", "0,0,0,10/max/0/default.jpg", "0,0,10,0/max/0/default.jpg",
		"-1,0,10,10/max/0/default.jpg", "1,2,3/max/0/default.jpg", "1.5,0,10,10/max/0/default.jpg", "pct:0,0,0,10/max/0/default.jpg", "whole/max/0/default.jpg",
		"full/5000,/0/default.jpg", "full/,7000/0/default.jpg", "full/pct:101/0/default.jpg", "full/pct:0/0/default.jpg", "full/0,/0/default.jpg",
		"full/,/0/default.jpg", "full/!100,/0/default.jpg", "full/full/0/default.jpg", "full/1e3,/0/default.jpg", "full/99999999999999999999,/0/default.jpg",
		"full/^9000,9000/0/default.jpg", "0,0,10,10/20,20/0/default.jpg",
		"full/max/22.5/default.jpg", "full/max/!/default.jpg", "full/max/-90/default.jpg", "full/max/361/default.jpg", "full/max/x/default.jpg",
		"full/max/0/sepia.jpg", "full/max/0/default.bmp", "full/max/0/default", "full/max/0/.jpg", "full/max/0/default.jpg.png",
	} {
		if _, err := read(path, 4000, 6000); domain.KindOf(err) != domain.KindUnparseable {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// TestCanonicalAddresses of requests that mean the same.
// source: Image API 3.0, 4.7, canonical URI syntax
func TestCanonicalAddresses(t *testing.T) {
	for path, want := range map[string]string{
		"full/max/0/default.jpg":            "/full/max/0/default.jpg",
		"0,0,400,600/pct:100/360/color.jpg": "/full/max/0/default.jpg",
		"full/200,/0/default.jpg":           "/full/200,300/0/default.jpg",
		"full/!200,400/!90.0/gray.png":      "/full/200,300/!90/gray.png",
		"square/max/0/default.jpg":          "/0,100,400,400/max/0/default.jpg",
		"300,500,500,500/max/0/default.jpg": "/300,500,100,100/max/0/default.jpg",
		"full/^800,/0/default.jpg":          "/full/^800,1200/0/default.jpg",
	} {
		p, err := read(path, 400, 600)
		if err != nil || p.Canonical() != want {
			t.Errorf("%s: %s, want %s (%v)", path, p.Canonical(), want, err)
			continue
		}
		again, err := read(strings.TrimPrefix(want, "/"), 400, 600)
		if err != nil || again.Canonical() != want || again.Width != p.Width || again.Height != p.Height {
			t.Errorf("%s does not mean itself: %v", want, err)
		}
	}
}

// No answer is larger than the bound, whatever is asked for.
func TestAnswersAreBounded(t *testing.T) {
	for _, size := range [][2]int{{8256, 5504}, {1, 1 << 19}, {40_000, 3000}} {
		for _, s := range []string{"max", "^max", "!9000,9000", "^!90000,90000", ",1", "1,"} {
			p, err := Read("full", s, "0", "default.jpg", size[0], size[1])
			if err == nil && (p.Width*p.Height > AreaMost || p.Width < 1 || p.Height < 1) {
				t.Errorf("%v %s: %d × %d", size, s, p.Width, p.Height)
			}
			if err != nil && s != ",1" && s != "1," {
				t.Errorf("%v %s: %v", size, s, err)
			}
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add("full", "max", "0", "default.jpg")
	f.Add("pct:1,2,3,4", "^!5,6", "!90", "gray.png")
	f.Fuzz(func(t *testing.T, region, size, rotation, file string) {
		p, err := Read(region, size, rotation, file, 4000, 6000)
		if err != nil {
			if domain.KindOf(err) != domain.KindUnparseable {
				t.Fatal(err)
			}
			return
		}
		if p.Width < 1 || p.Height < 1 || p.Width*p.Height > AreaMost || p.X < 0 || p.Y < 0 || p.RegionWidth < 1 || p.RegionHeight < 1 || p.X+p.RegionWidth > 4000 || p.Y+p.RegionHeight > 6000 {
			t.Fatalf("%+v", p)
		}
		again, err := read(strings.TrimPrefix(p.Canonical(), "/"), 4000, 6000)
		if err != nil || again.Canonical() != p.Canonical() {
			t.Fatalf("%s: %v", p.Canonical(), err)
		}
	})
}

// TestInfo holds info.json against the members that the text requires.
// source: Image API 3.0, 5.2 to 5.6
func TestInfo(t *testing.T) {
	b, err := json.Marshal(InfoOf("https://museum.example/iiif/1", 8256, 5504))
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]any{
		"@context": "http://iiif.io/api/image/3/context.json", "id": "https://museum.example/iiif/1", "type": "ImageService3",
		"protocol": "http://iiif.io/api/image", "profile": "level2", "width": 8256.0, "height": 5504.0,
	} {
		if got[name] != want {
			t.Errorf("%s is %v", name, got[name])
		}
	}
	i := InfoOf("x", 8256, 5504)
	if !slices.Equal(i.Tiles[0].ScaleFactors, []int{1, 2, 4, 8, 16, 32}) || i.Tiles[0].Width != 512 {
		t.Errorf("%+v", i.Tiles)
	}
	for _, s := range i.Sizes { // what is listed must be had
		if p, err := Read("full", fmt.Sprintf("%d,%d", s.Width, s.Height), "0", "default.jpg", 8256, 5504); err != nil || p.Width != s.Width {
			t.Errorf("%v: %v", s, err)
		}
	}
	if !slices.IsSortedFunc(i.Sizes, func(a, b Sized) int { return a.Width - b.Width }) {
		t.Errorf("%+v", i.Sizes)
	}
}
