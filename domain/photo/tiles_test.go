package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	_ "image/png"
	"io"
	"sync"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/photo/iiif"
)

// shelfOf keeps files and the name of a pyramid in memory, for one photograph. What it does not know it
// does not have: a test that asks falls over.
type shelfOf struct {
	Store
	Files
	mu    sync.Mutex
	files map[string][]byte
	photo Photo
	tiles string
	asked int
}

type inMemory struct {
	*bytes.Reader
	name string
	on   *shelfOf
}

func (m inMemory) Close() error   { return nil }
func (m inMemory) Discard() error { return nil }
func (m inMemory) SHA256() string { return m.name }
func (m inMemory) Size() int64    { return m.Reader.Size() }

func (s *shelfOf) One(context.Context, domain.ID) (*Photo, error) { p := s.photo; return &p, nil }
func (s *shelfOf) Tiles(context.Context, domain.ID) (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tiles, nil
}
func (s *shelfOf) AskTiles(context.Context, domain.ID) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked++
	return nil
}
func (s *shelfOf) SetTiles(_ context.Context, _ domain.ID, sha string, _ time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tiles = sha
	return nil
}
func (s *shelfOf) Open(_ context.Context, sha string) (File, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	b, ok := s.files[sha]
	if !ok {
		return nil, domain.NotFound("This file is not here.")
	}
	return inMemory{bytes.NewReader(b), sha, s}, nil
}
func (s *shelfOf) Fetch(ctx context.Context, sha string) (File, error) { return s.Open(ctx, sha) }
func (s *shelfOf) Stage(_ context.Context, r io.Reader, most int64) (Staged, error) {
	b, err := io.ReadAll(r)
	if err != nil || int64(len(b)) > most {
		return nil, fmt.Errorf("%d bytes, at most %d: %w", len(b), most, err)
	}
	return inMemory{bytes.NewReader(b), "pyramid", s}, nil
}
func (s *shelfOf) Keep(_ context.Context, staged Staged, _ string, _ time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	b := make([]byte, staged.Size())
	if _, err := staged.ReadAt(b, 0); err != nil {
		return err
	}
	s.files[staged.SHA256()] = b
	return nil
}

// onShelf is a service with one photograph of a file.
func onShelf(t testing.TB, file []byte) (*Service, *shelfOf, *Photo) {
	t.Helper()
	got, err := Read(t.Context(), bytes.NewReader(file), int64(len(file)), DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	s := &shelfOf{files: map[string][]byte{"original": file}, photo: Photo{ID: domain.NewID(), Preview: Preview{State: Waiting},
		Original: Original{SHA256: "original", MediaType: got.MediaType, WidthPX: got.WidthPX, HeightPX: got.HeightPX, Orientation: got.Orientation}}}
	return NewService(s, s, DefaultLimits, nil, time.Now), s, &s.photo
}

func crop(t testing.TB, s *Service, p *Photo, region, size, rotation, file string) image.Image {
	t.Helper()
	plan, err := iiif.Read(region, size, rotation, file, p.Original.WidthPX, p.Original.HeightPX)
	if err != nil {
		t.Fatal(err)
	}
	c, err := s.Crop(t.Context(), p, plan)
	if err != nil {
		t.Fatal(err)
	}
	m, kind, err := image.Decode(bytes.NewReader(c.Bytes))
	if err != nil || "image/"+kind != string(c.MediaType) {
		t.Fatalf("%s %s: %v", c.MediaType, kind, err)
	}
	return m
}

// Every part shows what the upright picture shows there, in every orientation, of every kind of file,
// from the original and from the pyramid.
func TestPartsShowThePicture(t *testing.T) {
	scene := quarters(1200, 800)
	o := binary.BigEndian
	for orientation := 1; orientation <= 8; orientation++ {
		m := stored(scene, orientation)
		tag := short(o, tagOrientation, uint16(orientation))
		files := map[Kind][]byte{JPEG: withEXIF(jpegBytes(t, m), exif(o, tag))}
		if orientation == 1 || orientation == 6 {
			files[PNG] = afterIHDR(pngBytes(t, m), chunk("eXIf", exif(o, tag))...)
			files[TIFF] = tiffOf{m: m, order: o, rows: 70, bits: 16, more: []entry{tag}}.bytes()
		}
		for kind, file := range files {
			s, shelf, p := onShelf(t, file)
			for _, tiled := range []bool{false, true} {
				if tiled {
					if err := s.MakeTiles(t.Context(), p.ID); err != nil || shelf.tiles == "" {
						t.Fatal(err)
					}
				}
				for _, c := range []struct {
					region, size string
					at           image.Point // of the answer
					shows        image.Point // of the scene
				}{
					{"full", "max", image.Pt(900, 100), image.Pt(900, 100)},
					{"full", "300,200", image.Pt(50, 150), image.Pt(200, 600)},
					{"0,0,512,512", "512,512", image.Pt(100, 450), image.Pt(100, 450)},
					{"512,0,512,512", "512,512", image.Pt(200, 20), image.Pt(712, 20)},
					{"1024,512,176,288", "176,288", image.Pt(100, 100), image.Pt(1124, 612)},
					{"0,0,1024,800", "512,400", image.Pt(400, 300), image.Pt(800, 600)},
					{"1024,0,176,800", "88,400", image.Pt(20, 30), image.Pt(1064, 60)},
					{"590,390,20,20", "40,40", image.Pt(35, 5), image.Pt(607, 392)},
					{"101,203,333,517", "111,", image.Pt(90, 160), image.Pt(371, 690)},
				} {
					size := c.size
					if c.region == "590,390,20,20" {
						size = "^" + size
					}
					got := crop(t, s, p, c.region, size, "0", "default.jpg")
					if d := distance(got.At(c.at.X, c.at.Y), scene.At(c.shows.X, c.shows.Y)); d > 14 {
						t.Errorf("%s, orientation %d, tiles %v, %s/%s: off by %.0f", kind, orientation, tiled, c.region, c.size, d)
					}
				}
			}
		}
	}
}

// Mirrored first, then turned clockwise; grey is grey; PNG is PNG.
// source: IIIF Image API 3.0, 4.3 (mirroring before rotation) and 4.4
func TestPartsAreTurnedAndDrained(t *testing.T) {
	scene := quarters(400, 200) // red | green over blue | grey
	s, _, p := onShelf(t, jpegBytes(t, scene))
	red, green, blue := scene.At(10, 10), scene.At(390, 10), scene.At(10, 190)
	for rotation, want := range map[string]color.Color{"0": red, "90": blue, "180": scene.At(390, 190), "270": green, "!0": green, "!90": scene.At(390, 190), "360": red} {
		if d := distance(crop(t, s, p, "full", "max", rotation, "default.png").At(10, 10), want); d > 14 {
			t.Errorf("%s: upper left is off by %.0f", rotation, d)
		}
	}
	if size := crop(t, s, p, "full", "max", "90", "default.jpg").Bounds().Size(); size != image.Pt(200, 400) {
		t.Error(size)
	}
	for _, file := range []string{"gray.jpg", "gray.png"} {
		got := crop(t, s, p, "full", "max", "0", file).At(10, 10)
		if r, g, b, _ := got.RGBA(); r != g || g != b {
			t.Errorf("%s is not grey: %v", file, got)
		}
	}
}

// While there is no pyramid it is asked for, for a large photograph; one that has gone from the bucket does not
// keep anybody from seeing the picture; one that is not whole is a fault.
func TestTilesThatAreNotThere(t *testing.T) {
	s, shelf, p := onShelf(t, jpegBytes(t, quarters(2500, 1700)))
	crop(t, s, p, "0,0,512,512", "512,512", "0", "default.jpg")
	if !p.Large() || shelf.asked != 1 {
		t.Errorf("asked %d times", shelf.asked)
	}
	shelf.tiles = "gone"
	crop(t, s, p, "0,0,512,512", "512,512", "0", "default.jpg")
	if err := s.MakeTiles(t.Context(), p.ID); err != nil || shelf.tiles != "gone" { // made once
		t.Fatal(shelf.tiles, err)
	}
	shelf.files["broken"] = []byte("tiles 1\nand then nothing that could be read as one")
	shelf.tiles = "broken"
	plan, err := iiif.Read("full", "100,", "0", "default.jpg", 2500, 1700)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Crop(t.Context(), p, plan); err == nil {
		t.Error("a broken pyramid is shown")
	}
}

// A colour profile goes with every tile, so that tiles and pictures look alike.
func TestTilesKeepTheColourProfile(t *testing.T) {
	profile := make([]byte, 600)
	copy(profile[16:], "RGB ")
	copy(profile[36:], "acsp")
	s, shelf, p := onShelf(t, withProfile(jpegBytes(t, quarters(1200, 800)), profile))
	for range 2 {
		for _, size := range []string{"512,512", "200,200"} {
			plan, err := iiif.Read("0,0,512,512", size, "0", "default.jpg", 1200, 800)
			if err != nil {
				t.Fatal(err)
			}
			c, err := s.Crop(t.Context(), p, plan)
			if err != nil {
				t.Fatal(err)
			}
			if got := rgbProfile(&watched{ctx: t.Context(), r: bytes.NewReader(c.Bytes), size: int64(len(c.Bytes))}, JPEG); !bytes.Equal(got, profile) {
				t.Errorf("%s, tiles %q: no profile", size, shelf.tiles)
			}
		}
		if err := s.MakeTiles(t.Context(), p.ID); err != nil {
			t.Fatal(err)
		}
	}
}

// Many readers at once decode an original once.
func TestDarkroomIsNotCrowded(t *testing.T) {
	s, _, p := onShelf(t, jpegBytes(t, quarters(2500, 1700)))
	plan, err := iiif.Read("512,512,512,512", "512,512", "0", "default.jpg", 2500, 1700)
	if err != nil {
		t.Fatal(err)
	}
	var work sync.WaitGroup
	for range 12 {
		work.Go(func() {
			if _, err := s.Crop(t.Context(), p, plan); err != nil {
				t.Error(err)
			}
		})
	}
	work.Wait()
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.Crop(gone, p, plan); err == nil {
		t.Error("somebody who has gone is served")
	}
	first := s.room.held("original")
	if n, err := s.negative(t.Context(), p); err != nil || n != first {
		t.Errorf("it is decoded again: %v", err)
	}
}

// BenchmarkTiles45MP is the first tile of a new original of 8256 × 5504, making its pyramid, and later
// tiles and parts; and the most memory that the program held meanwhile:
//
//	go test ./domain/photo -run '^$' -bench Tiles45MP -benchtime 3x
func BenchmarkTiles45MP(b *testing.B) {
	const w, h = 8256, 5504
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = uint8(i/w/40) + uint8((i*2654435761)>>28&15)
		if i%4 == 3 {
			m.Pix[i] = 255
		}
	}
	file := jpegBytes(b, m)
	m = nil
	s, shelf, p := onShelf(b, file)
	get := func(b *testing.B, region, size string) {
		plan, err := iiif.Read(region, size, "0", "default.jpg", w, h)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := s.Crop(b.Context(), p, plan); err != nil {
			b.Fatal(err)
		}
	}
	b.Run("first tile", func(b *testing.B) {
		peak := watchMemory()
		for b.Loop() {
			s.room = newDarkroom()
			get(b, "2048,2048,512,512", "512,512")
		}
		b.ReportMetric(peak(), "peak-MB")
	})
	b.Run("first picture", func(b *testing.B) {
		for b.Loop() {
			s.room = newDarkroom()
			get(b, "full", "1024,")
		}
	})
	b.Run("pyramid", func(b *testing.B) {
		peak := watchMemory()
		for b.Loop() {
			s.room, shelf.tiles = newDarkroom(), ""
			if err := s.MakeTiles(b.Context(), p.ID); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(peak(), "peak-MB")
	})
	b.Run("later tile", func(b *testing.B) {
		for b.Loop() {
			get(b, "2048,2048,512,512", "512,512")
		}
	})
	b.Run("part of several tiles", func(b *testing.B) {
		for b.Loop() {
			get(b, "1000,1000,1500,1500", "800,800")
		}
	})
	b.Run("whole in 1024", func(b *testing.B) {
		for b.Loop() {
			get(b, "full", "1024,")
		}
	})
}
