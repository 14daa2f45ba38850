package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"farthingale/domain"
)

// seeds are small pictures of every kind, the hostile ones kept in testdata, and small ones of others.
func seeds(f *testing.F) [][]byte {
	m := quarters(24, 16)
	o := binary.BigEndian
	block := exif(o, text(271, "Werkstatt"), short(o, 274, 6), entry{tag: 0x8769, below: []entry{
		text(0x9003, "2025:02:11 10:12:13"), rational(o, 0x829a, 1, 60), text(0xa434, "50 mm macro")}},
		entry{tag: 0x8825, below: []entry{text(1, "N")}})
	all := [][]byte{
		withEXIF(jpegBytes(f, m), block), afterIHDR(pngBytes(f, m), chunk("eXIf", block)...),
		tiffOf{m: m, rows: 5}.bytes(), tiffOf{m: m, tile: 16, bits: 16, order: o, compression: 8}.bytes(),
		bigTIFF(binary.LittleEndian, 8, 8), zipWithOne(),
	}
	kept, err := filepath.Glob("../../testdata/photo/hostile/*")
	if err != nil || len(kept) == 0 {
		f.Fatalf("no hostile pictures: %v", err)
	}
	for _, name := range kept {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		all = append(all, b)
	}
	for _, b := range others(f) {
		if len(b) < 20<<10 {
			all = append(all, b)
		}
	}
	return all
}

func FuzzSniff(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b[:min(len(b), SniffBytes)])
	}
	f.Fuzz(func(t *testing.T, head []byte) {
		kind, err := Sniff(head)
		if (kind == "") == (err == nil) {
			t.Errorf("kind %q and error %v", kind, err)
		}
	})
}

// FuzzRead: whatever arrives, the answer is a reading within the limits or a refusal with words,
// and a small picture that passes can be derived from or is refused with words.
func FuzzRead(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b)
	}
	limits := Limits{Bytes: 1 << 20, Pixels: 1 << 16}
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := Read(context.Background(), bytes.NewReader(b), int64(len(b)), limits)
		if err != nil {
			if domain.KindOf(err) == 0 {
				t.Fatalf("no words for a person: %v", err)
			}
			return
		}
		if got.WidthPX <= 0 || got.HeightPX <= 0 || int64(got.WidthPX)*int64(got.HeightPX) > limits.Pixels ||
			got.Orientation < 1 || got.Orientation > 8 {
			t.Fatalf("%+v", got)
		}
		for _, s := range []string{got.Camera.Make, got.Camera.Model, got.Camera.Lens, got.Camera.Serial, got.Camera.LensSerial} {
			if !domain.CleanText(s) {
				t.Fatalf("unclean text %q", s)
			}
		}
		d, err := Derive(context.Background(), bytes.NewReader(b), int64(len(b)), limits)
		var not *NotDrawn
		if err != nil && !errors.As(err, &not) {
			t.Fatal(err)
		}
		if err == nil && (d.Screen.WidthPX != got.WidthPX || d.Screen.HeightPX != got.HeightPX) {
			t.Fatalf("read %d × %d, drew %d × %d", got.WidthPX, got.HeightPX, d.Screen.WidthPX, d.Screen.HeightPX)
		}
	})
}

func FuzzCameraTime(f *testing.F) {
	f.Add("2025:02:11 10:12:13", "+01:00")
	f.Add("0000:00:00 00:00:00", "Z")
	f.Fuzz(func(t *testing.T, clock, zone string) {
		got := cameraTime(clock, zone)
		if got == nil {
			return
		}
		b, err := got.MarshalJSON()
		if err != nil {
			t.Fatal(err)
		}
		var back CameraTime
		if err := back.UnmarshalJSON(b); err != nil || back.String() != got.String() {
			t.Fatalf("%s comes back as %s, %v", b, back, err)
		}
	})
}
