package photo

import (
	"context"
	"encoding/binary"
	"image"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"testing"
	"time"
)

// BenchmarkDerive24MP makes the pictures for the pages of a 6000 × 4000 original of each kind, and
// reports the most memory that the program held meanwhile:
//
//	go test ./domain/photo -run '^$' -bench Derive24MP -benchtime 3x
func BenchmarkDerive24MP(b *testing.B) {
	folder := b.TempDir()
	writeOriginals(b, folder)
	for _, name := range []string{"JPEG", "PNG", "TIFF of 16 bits"} {
		b.Run(name, func(b *testing.B) {
			f, err := os.Open(filepath.Join(folder, name))
			if err != nil {
				b.Fatal(err)
			}
			defer f.Close()
			info, err := f.Stat()
			if err != nil {
				b.Fatal(err)
			}
			peak := watchMemory()
			for b.Loop() {
				d, err := Derive(context.Background(), f, info.Size(), DefaultLimits)
				if err != nil || d.Screen.WidthPX != 1600 {
					b.Fatal(err)
				}
			}
			b.ReportMetric(peak(), "peak-MB")
		})
	}
}

func writeOriginals(b *testing.B, folder string) {
	const w, h = 6000, 4000
	noise := rand.New(rand.NewPCG(1, 2))
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = uint8(i/w/40) + uint8(noise.IntN(16))
		if i%4 == 3 {
			m.Pix[i] = 255
		}
	}
	// A TIFF of 16 bits: 144 MB in one strip, as many cameras' software writes it.
	o := binary.LittleEndian
	deep := append(tiffHead(o, 0), make([]byte, w*h*6)...)
	for i := 8; i < len(deep); i += 2 {
		deep[i+1] = uint8(i / w / 240)
	}
	deep = tiffFinish(o, deep, []entry{
		long(o, tagWidth, w), long(o, tagLength, h), short(o, tagBitsPerSample, 16, 16, 16), short(o, tagCompression, 1), short(o, tagPhotometric, 2),
		long(o, tagStripOffsets, 8), short(o, tagSamplesPerPixel, 3), long(o, tagRowsPerStrip, h), long(o, tagStripBytes, w*h*6),
	})
	for name, file := range map[string][]byte{"JPEG": jpegBytes(b, m), "PNG": pngBytes(b, m), "TIFF of 16 bits": deep} {
		if err := os.WriteFile(filepath.Join(folder, name), file, 0o600); err != nil {
			b.Fatal(err)
		}
	}
}

// watchMemory samples what the heap takes from the system beyond now, until asked for the most, in MB.
func watchMemory() (most func() float64) {
	debug.FreeOSMemory()
	held := func() uint64 {
		var s runtime.MemStats
		runtime.ReadMemStats(&s)
		return s.HeapSys - s.HeapReleased
	}
	base := held()
	var peak uint64
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			peak = max(peak, held())
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	}()
	return func() float64 {
		close(stop)
		<-done
		if peak < base {
			return 0
		}
		return float64(peak-base) / 1e6
	}
}
