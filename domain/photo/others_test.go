package photo

import (
	"bytes"
	"context"
	"errors"
	"go/build"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"farthingale/domain"
)

// others are pictures and broken pictures that other people's tests are made of: those of the Go
// distribution and of its image module, read where they lie.
func others(t testing.TB) map[string][]byte {
	t.Helper()
	module, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "golang.org/x/image").Output()
	if err != nil {
		t.Fatalf("find the image module: %v", err)
	}
	all := map[string][]byte{}
	for _, root := range []string{filepath.Join(build.Default.GOROOT, "src", "image"), strings.TrimSpace(string(module))} {
		if err := filepath.WalkDir(root, func(path string, d os.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.Contains(path, "testdata") || strings.HasSuffix(path, ".go") {
				return err
			}
			b, err := os.ReadFile(path)
			if len(b) < 4<<20 {
				all[strings.TrimPrefix(path, root)] = b
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	if len(all) < 60 {
		t.Fatalf("only %d pictures", len(all))
	}
	return all
}

// spoilt are ways in which a file breaks on its way: cut off, a byte changed, zeros in the middle, and
// another kind of file before, behind or inside.
func spoilt(b []byte) map[string][]byte {
	page := []byte("<!doctype html><script>alert(1)</script>")
	all := map[string][]byte{
		"whole": b, "behind a page": append(bytes.Clone(page), b...), "before a page": append(bytes.Clone(b), page...),
		"before an archive": append(bytes.Clone(b), zipWithOne()...), "twice": append(bytes.Clone(b), b...),
	}
	for i := 1; i < 8; i++ {
		at := len(b) * i / 8
		all["cut off after "+string(rune('0'+i))+" eighths"] = b[:at]
		if at < len(b) {
			changed := bytes.Clone(b)
			changed[at] ^= 0xff
			all["changed at "+string(rune('0'+i))+" eighths"] = changed
			holed := bytes.Clone(b)
			copy(holed[at:], make([]byte, 64))
			all["holed at "+string(rune('0'+i))+" eighths"] = holed
		}
	}
	for i := 4; i < min(len(b), 40); i += 3 { // sizes and offsets stand at the head
		huge := bytes.Clone(b)
		copy(huge[i:], "\xff\xff\xff\xff")
		all["huge numbers at byte "+string(rune('A'+i))] = huge
	}
	return all
}

// TestPicturesOfOthers: whatever other people's pictures hold, whole or broken, each is read within the
// limits or refused with words, and reading takes no more memory than its size and the limit allow.
func TestPicturesOfOthers(t *testing.T) {
	limits := Limits{Bytes: 8 << 20, Pixels: 1 << 21}
	const memory = 256 << 20
	read, refused := 0, 0
	for name, whole := range others(t) {
		for way, b := range spoilt(whole) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			got, err := Read(context.Background(), bytes.NewReader(b), int64(len(b)), limits)
			if err != nil {
				refused++
				if domain.KindOf(err) == 0 {
					t.Errorf("%s, %s: no words for a person: %v", name, way, err)
				}
				continue
			}
			read++
			if got.WidthPX <= 0 || got.HeightPX <= 0 || int64(got.WidthPX)*int64(got.HeightPX) > limits.Pixels {
				t.Errorf("%s, %s: %d × %d", name, way, got.WidthPX, got.HeightPX)
			}
			if way == "whole" || strings.HasPrefix(way, "changed") {
				var not *NotDrawn
				if _, err := Derive(context.Background(), bytes.NewReader(b), int64(len(b)), limits); err != nil && !errors.As(err, &not) {
					t.Errorf("%s, %s: %v", name, way, err)
				}
			}
			if runtime.ReadMemStats(&after); after.TotalAlloc-before.TotalAlloc > memory {
				t.Errorf("%s, %s: took %d MB", name, way, (after.TotalAlloc-before.TotalAlloc)>>20)
			}
		}
	}
	if read < 100 || refused < 500 {
		t.Errorf("%d were read and %d refused", read, refused)
	}
	t.Logf("%d were read and %d refused", read, refused)
}
