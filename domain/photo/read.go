package photo

import (
	"context"
	"errors"
	"fmt"
	"io"
)

// Limits are the most that a picture file may have. The zero value allows nothing.
type Limits struct {
	Bytes  int64 // of the file
	Pixels int64 // width × height
}

// DefaultLimits are those of a site that sets none: 500 MB and 120 megapixels. A stitched or
// medium-format master stays below; what lies above belongs in a store for scans.
var DefaultLimits = Limits{Bytes: 500_000_000, Pixels: 120_000_000}

// Reading is what a picture file says of itself.
type Reading struct {
	MediaType     Kind
	WidthPX       int // of the upright image
	HeightPX      int // of the upright image
	Orientation   int // EXIF 1–8; 1 when the file does not say, or says nonsense
	TakenAt       *CameraTime
	Camera        Camera
	HoldsPosition bool   // the file carries a position on the earth; it is not read
	NoPreview     string // a sentence: why no picture for the pages can be made; "": one can
}

// Read looks at a picture file of size bytes from outside (F2) and decodes no pixel of it. In this
// order: size, kind, header against limits, structure to the end, what follows the end, EXIF. It
// needs a few hundred kilobytes of memory whatever the file says.
//
// Errors for people are KindUnsupported (another kind of file), KindTooLarge (limits) and
// KindRefused with code F2 (empty, damaged, cut short, or two things in one). Any other error is
// of r or ctx.
//
// What it cannot find is damage inside the compressed pixels of a file whose structure is whole:
// that shows when the preview is made.
func Read(ctx context.Context, r io.ReaderAt, size int64, limits Limits) (Reading, error) {
	if size > limits.Bytes {
		return Reading{}, TooManyBytes(limits.Bytes)
	}
	head := make([]byte, min(size, SniffBytes))
	if _, err := r.ReadAt(head, 0); err != nil && !errors.Is(err, io.EOF) {
		return Reading{}, fmt.Errorf("read the beginning of the picture: %w", err)
	}
	kind, err := Sniff(head)
	if err != nil {
		return Reading{}, err
	}
	f := &file{ctx: ctx, r: r, size: size, limits: limits}
	var h header
	switch kind {
	case JPEG:
		h, err = readJPEG(f)
	case PNG:
		h, err = readPNG(f)
	case TIFF:
		h, err = readTIFF(f)
	}
	if err != nil {
		return Reading{}, err
	}
	if err := f.refuseArchive(kind); err != nil {
		return Reading{}, err
	}
	got := Reading{MediaType: kind, WidthPX: h.width, HeightPX: h.height, NoPreview: h.undrawable()}
	got.addEXIF(r, size)
	if kind == TIFF {
		got.Orientation = h.orientation
	}
	if got.Orientation < 1 || got.Orientation > 8 {
		got.Orientation = 1
	}
	if got.Orientation > 4 { // 5–8 lie on their side
		got.WidthPX, got.HeightPX = got.HeightPX, got.WidthPX
	}
	return got, nil
}

// TooManyBytes refuses a file of more than most bytes.
func TooManyBytes(most int64) error {
	return tooLarge(fmt.Sprintf("The file is larger than the %s that are accepted here. Export a smaller master, or ask your steward about the limit.", megabytes(most)))
}

func megabytes(bytes int64) string {
	if bytes < 1_000_000 {
		return fmt.Sprintf("%d bytes", bytes)
	}
	return fmt.Sprintf("%.4g MB", float64(bytes)/1e6)
}

// header is what the readers of the three kinds find out.
type header struct {
	width, height int // as stored, not yet upright
	orientation   int // TIFF only
	noPreview     string
	memory        int64 // bytes that decoding takes
}

// undrawable says why no picture can be made from a file that is too much for the memory.
func (h header) undrawable() string {
	switch {
	case h.noPreview != "":
		return h.noPreview
	case max(h.width, h.height) > longestSidePX:
		return fmt.Sprintf("No picture for the pages can be made: one side is longer than %d pixels. The original is kept; add a smaller JPEG beside it.", longestSidePX)
	case h.memory > decodeMost:
		return fmt.Sprintf("No picture for the pages can be made: decoding it would take %s of memory. The original is kept; add a smaller or plain JPEG beside it.", megabytes(h.memory))
	}
	return ""
}

// pixels holds the size that a header claims against the limit.
func (f *file) pixels(width, height int64) error {
	if width <= 0 || height <= 0 {
		return refuse("The picture's header says it has no width or no height: the file is damaged. Export it anew.")
	}
	if width > f.limits.Pixels || height > f.limits.Pixels/width {
		return tooLarge(fmt.Sprintf("The picture says it is %d × %d pixels. At most %.4g megapixels are accepted here.",
			width, height, float64(f.limits.Pixels)/1e6))
	}
	return nil
}

// file is the outside file while it is being looked at.
type file struct {
	ctx    context.Context
	r      io.ReaderAt
	size   int64
	limits Limits
}

// at reads exactly len(p) bytes at off; past the end of the file is damage, not an error of r.
func (f *file) at(p []byte, off int64) error {
	if off < 0 || off > f.size || int64(len(p)) > f.size-off {
		return cutShort()
	}
	if n, err := f.r.ReadAt(p, off); n < len(p) {
		if errors.Is(err, io.EOF) {
			return cutShort()
		}
		return fmt.Errorf("read picture at byte %d: %w", off, err)
	}
	return nil
}

func cutShort() error {
	return refuse("The file is cut short: its end is missing. Copy it again from the camera or card.")
}

func damaged(what string) error {
	return refuse("The file is damaged (" + what + "). Copy it again from the camera or card.")
}
