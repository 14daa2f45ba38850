package web

import (
	"fmt"
	"strings"
	"testing"

	"github.com/boombuler/barcode/qr"
)

// The one path of a label's code draws exactly the dark modules, with a quiet zone of four.
//
// source: ISO/IEC 18004:2015, 5.3.8: a quiet zone four modules wide on all sides.
func TestLabelCode(t *testing.T) {
	for _, text := range []string{"S1-A", "1968.14.2.3b", "Łódź Ελλάδα " + strings.Repeat("x", 200)} {
		d, err := qrDrawing(text)
		if err != nil {
			t.Fatal(err)
		}
		code, err := qr.Encode(text, qr.M, qr.Auto)
		if err != nil {
			t.Fatal(err)
		}
		size := code.Bounds().Dx()
		if d.ViewBox != fmt.Sprintf("0 0 %d %d", size+8, size+8) {
			t.Errorf("%s: viewBox %s", text, d.ViewBox)
		}
		drawn := map[[2]int]bool{}
		for _, run := range strings.Split(strings.TrimSuffix(d.Path, "z"), "z") {
			var x, y, width, back int
			if _, err := fmt.Sscanf(run, "M%d %dh%dv1h-%d", &x, &y, &width, &back); err != nil || width != back {
				t.Fatalf("%s: %q %v", text, run, err)
			}
			for i := range width {
				drawn[[2]int{x + i, y}] = true
			}
		}
		for y := range size + 8 {
			for x := range size + 8 {
				inside := x >= 4 && y >= 4 && x < size+4 && y < size+4
				want := inside && dark(code.At(x-4, y-4))
				if drawn[[2]int{x, y}] != want {
					t.Fatalf("%s: module %d, %d", text, x, y)
				}
			}
		}
	}
	if _, err := qrDrawing(strings.Repeat("x", 5000)); err == nil {
		t.Error("more than a code can hold")
	}
}
