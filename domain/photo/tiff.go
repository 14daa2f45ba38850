package photo

import (
	"encoding/binary"
	"fmt"
	"io"
	"slices"

	"golang.org/x/image/tiff"
)

// source of tags and layouts: TIFF Revision 6.0 (Aldus 1992), sections 2, 8 and 15; TIFF/EP and
// DNG 1.6 for the tags of raw files; BigTIFF as described by the libtiff project
const (
	tagWidth           = 256
	tagLength          = 257
	tagBitsPerSample   = 258
	tagCompression     = 259
	tagPhotometric     = 262
	tagStripOffsets    = 273
	tagOrientation     = 274
	tagSamplesPerPixel = 277
	tagRowsPerStrip    = 278
	tagStripBytes      = 279
	tagPlanar          = 284
	tagTileWidth       = 322
	tagTileLength      = 323
	tagTileOffsets     = 324
	tagTileBytes       = 325
	tagSubDirectories  = 330
	tagSampleFormat    = 339
	tagICC             = 34675
	tagDNGVersion      = 50706
)

const (
	photometricRGB       = 2
	photometricPalette   = 3
	photometricColourRaw = 32803 // colour filter array
	photometricLinearRaw = 34892
)

// tiffFile is a TIFF whose directories can be read.
type tiffFile struct {
	f     *file
	order byteOrder
	big   bool // 64-bit offsets
}

type byteOrder interface {
	binary.ByteOrder
	binary.AppendByteOrder
}

// tiffEntry is one field of a directory: count values of a type, of width bytes each, at a
// position of the file.
type tiffEntry struct {
	kind  uint16
	width int64
	count int64
	at    int64
}

type tiffDirectory map[uint16]tiffEntry

// tiffBlockPX is the longest side of a strip or tile that is believed.
const tiffBlockPX = 1 << 27

// tiffDirectories is how many directories (pages) of a file are looked at.
const tiffDirectories = 256

// readTIFF looks at every directory and at where its strips or tiles lie. The first directory is
// the picture.
func readTIFF(f *file) (header, error) {
	t, first, err := openTIFF(f)
	if err != nil {
		return header{}, err
	}
	var h header
	seen := map[int64]bool{}
	for at := first; at != 0 && len(seen) < tiffDirectories; {
		if seen[at] {
			return header{}, damaged("its directories go round in a circle")
		}
		page := len(seen)
		seen[at] = true
		d, next, err := t.directory(at)
		if err != nil {
			return header{}, err
		}
		if err := t.refuseRaw(d); err != nil {
			return header{}, err
		}
		if page == 0 {
			if h, err = t.picture(d); err != nil {
				return header{}, err
			}
		}
		if err := t.insideFile(d); err != nil {
			return header{}, err
		}
		at = next
	}
	if len(seen) == 0 {
		return header{}, damaged("it ends before there is a picture in it")
	}
	return h, nil
}

func openTIFF(f *file) (t *tiffFile, first int64, err error) {
	var b [16]byte
	if err := f.at(b[:8], 0); err != nil {
		return nil, 0, err
	}
	t = &tiffFile{f: f, order: binary.LittleEndian}
	if b[0] == 'M' {
		t.order = binary.BigEndian
	}
	first = int64(t.order.Uint32(b[4:]))
	if t.order.Uint16(b[2:]) == 43 {
		t.big = true
		if err := f.at(b[:], 0); err != nil {
			return nil, 0, err
		}
		if t.order.Uint16(b[4:]) != 8 {
			return nil, 0, damaged("its header makes no sense")
		}
		first = int64(t.order.Uint64(b[8:])) // #nosec G115 -- a negative offset is refused where it is used
	}
	return t, first, nil
}

var tiffWidths = map[uint16]int64{
	1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8,
}

// directory reads the directory at a position, and where the next one is.
func (t *tiffFile) directory(at int64) (tiffDirectory, int64, error) {
	countBytes, entryBytes, offsetBytes := int64(2), int64(12), int64(4)
	if t.big {
		countBytes, entryBytes, offsetBytes = 8, 20, 8
	}
	var b [20]byte
	if err := t.f.at(b[:countBytes], at); err != nil {
		return nil, 0, err
	}
	n := t.unsigned(b[:countBytes])
	if n > 4096 {
		return nil, 0, damaged("a directory makes no sense")
	}
	d := make(tiffDirectory, n)
	at += countBytes
	for range n {
		e := b[:entryBytes]
		if err := t.f.at(e, at); err != nil {
			return nil, 0, err
		}
		kind := t.order.Uint16(e[2:])
		entry := tiffEntry{kind: kind, width: tiffWidths[kind], count: t.unsigned(e[4 : 4+offsetBytes]), at: at + 4 + offsetBytes}
		if entry.count < 0 || entry.count > t.f.size {
			return nil, 0, damaged("a directory makes no sense")
		}
		if entry.width*entry.count > offsetBytes {
			entry.at = t.unsigned(e[4+offsetBytes:])
			if entry.at < 0 || entry.at > t.f.size || entry.width*entry.count > t.f.size-entry.at {
				return nil, 0, cutShort()
			}
		}
		d[t.order.Uint16(e)] = entry
		at += entryBytes
	}
	if err := t.f.at(b[:offsetBytes], at); err != nil {
		return nil, 0, err
	}
	return d, t.unsigned(b[:offsetBytes]), nil
}

// unsigned reads 1, 2, 4 or 8 bytes. What does not fit is negative.
func (t *tiffFile) unsigned(b []byte) int64 {
	switch len(b) {
	case 1:
		return int64(b[0])
	case 2:
		return int64(t.order.Uint16(b))
	case 4:
		return int64(t.order.Uint32(b))
	}
	return int64(t.order.Uint64(b)) // #nosec G115 -- a negative offset is refused where it is used
}

// values gives n values from the i-th on; fewer when the field has fewer.
func (t *tiffFile) values(e tiffEntry, i, n int64) ([]int64, error) {
	n = min(n, e.count-i)
	switch e.kind {
	case 1, 3, 4, 13, 16, 18:
	default:
		return nil, nil
	}
	if n <= 0 {
		return nil, nil
	}
	b := make([]byte, n*e.width)
	if err := t.f.at(b, e.at+i*e.width); err != nil {
		return nil, err
	}
	vs := make([]int64, n)
	for k := range vs {
		vs[k] = t.unsigned(b[int64(k)*e.width : int64(k+1)*e.width])
	}
	return vs, nil
}

// value is the field's first value, or otherwise.
func (t *tiffFile) value(d tiffDirectory, tag uint16, otherwise int64) (int64, error) {
	vs, err := t.values(d[tag], 0, 1)
	if err != nil || len(vs) == 0 {
		return otherwise, err
	}
	return vs[0], nil
}

// tiffShape is what is needed to know how much data there must be.
type tiffShape struct {
	width, height, samples, bits, compression, photometric, planar int64
	blockWidth, blockHeight                                        int64 // of a strip or tile
	tiled                                                          bool
}

func (t *tiffFile) shape(d tiffDirectory) (s tiffShape, err error) {
	for _, v := range []struct {
		to        *int64
		tag       uint16
		otherwise int64
	}{
		{&s.width, tagWidth, 0},
		{&s.height, tagLength, 0},
		{&s.samples, tagSamplesPerPixel, 1},
		{&s.bits, tagBitsPerSample, 1},
		{&s.compression, tagCompression, 1},
		{&s.photometric, tagPhotometric, 1},
		{&s.planar, tagPlanar, 1},
		{&s.blockWidth, tagTileWidth, 0},
		{&s.blockHeight, tagTileLength, 0},
	} {
		if *v.to, err = t.value(d, v.tag, v.otherwise); err != nil {
			return s, err
		}
	}
	if s.blockWidth > 0 && s.blockHeight > 0 {
		s.tiled = true
		return s, nil
	}
	s.blockWidth = s.width
	s.blockHeight, err = t.value(d, tagRowsPerStrip, s.height)
	if s.blockHeight <= 0 || s.blockHeight > s.height {
		s.blockHeight = s.height
	}
	return s, err
}

func (s tiffShape) rowBytes() int64 { return upTo(s.blockWidth*s.samples*s.bits, 8) }

// blocks is the number of strips or tiles there must be.
func (s tiffShape) blocks() int64 {
	n := upTo(s.width, s.blockWidth) * upTo(s.height, s.blockHeight)
	if s.planar == 2 {
		n *= s.samples
	}
	return n
}

// picture reads the first directory as the picture, and says whether one can be drawn from it.
func (t *tiffFile) picture(d tiffDirectory) (header, error) {
	s, err := t.shape(d)
	if err != nil {
		return header{}, err
	}
	if err := t.f.pixels(s.width, s.height); err != nil {
		return header{}, err
	}
	if s.samples < 1 || s.samples > 64 || s.bits < 1 || s.bits > 128 {
		return header{}, damaged("its header makes no sense")
	}
	if s.blockWidth > tiffBlockPX || s.blockHeight > tiffBlockPX {
		return header{}, damaged("its strips make no sense")
	}
	h := header{width: int(s.width), height: int(s.height)}
	orientation, err := t.value(d, tagOrientation, 1)
	if err != nil {
		return header{}, err
	}
	h.orientation = int(orientation)
	format, err := t.value(d, tagSampleFormat, 1)
	if err != nil {
		return header{}, err
	}
	h.memory = 8 * upTo(s.width, max(1, s.blockWidth)) * s.blockWidth * s.blockHeight
	if s.compression == 1 && !s.tiled {
		h.memory = bandBytes
	}
	if why := s.notDrawn(t.big, format); why != "" {
		h.noPreview = "No picture for the pages can be made: this TIFF " + why + ". The original is kept; add a JPEG beside it."
		return h, nil
	}
	if _, err := tiff.DecodeConfig(io.NewSectionReader(t.f.r, 0, t.f.size)); err != nil {
		h.noPreview = "No picture for the pages can be made: this TIFF is of a kind that cannot be drawn here. The original is kept; add a JPEG beside it."
	}
	return h, nil
}

func (s tiffShape) notDrawn(big bool, format int64) string {
	switch {
	case big:
		return "has 64-bit offsets (BigTIFF)"
	case s.photometric == 5:
		return "is in printing colours (CMYK)"
	case s.photometric == 6:
		return "is coded as brightness and colour difference (YCbCr)"
	case s.photometric >= 8 && s.photometric <= 10:
		return "is in CIELAB colours"
	case s.planar == 2 && s.samples > 1:
		return "keeps each colour in a plane of its own"
	case format == 3:
		return "has floating-point samples"
	case format != 1:
		return "has samples that are not whole positive numbers"
	case s.bits != 1 && s.bits != 8 && s.bits != 16:
		return fmt.Sprintf("has %d bits per sample", s.bits)
	case (s.photometric == 0 || s.photometric == 1) && s.samples > 1:
		return "is grey with a further channel"
	case !slices.Contains([]int64{1, 3, 4, 5, 8, 32773, 32946}, s.compression):
		return fmt.Sprintf("is compressed in a rare way (%d)", s.compression)
	}
	return ""
}

// refuseRaw refuses camera raw files that pass for a TIFF: their first directory is often only a
// small picture for a camera's screen.
func (t *tiffFile) refuseRaw(d tiffDirectory) error {
	raw := unsupported("a camera's raw file")
	if _, ok := d[tagDNGVersion]; ok {
		return raw
	}
	subs, err := t.values(d[tagSubDirectories], 0, 16)
	if err != nil {
		return err
	}
	dirs := []tiffDirectory{d}
	for _, at := range subs {
		sub, _, err := t.directory(at)
		if err != nil {
			continue // a broken directory of no picture: the strips that count are checked elsewhere
		}
		dirs = append(dirs, sub)
	}
	for _, d := range dirs {
		p, err := t.value(d, tagPhotometric, 1)
		if err != nil {
			return err
		}
		if p == photometricColourRaw || p == photometricLinearRaw {
			return raw
		}
	}
	return nil
}

// insideFile checks that every strip or tile of the directory lies in the file, and that together
// they can hold the picture.
func (t *tiffFile) insideFile(d tiffDirectory) error {
	s, err := t.shape(d)
	if err != nil {
		return err
	}
	if s.width <= 0 || s.height <= 0 || s.compression == 6 || s.samples > 64 || s.bits > 128 {
		return nil // a directory without a picture, or an old way of embedding JPEG, which has no strips
	}
	offsets, counts := d[tagStripOffsets], d[tagStripBytes]
	if s.tiled {
		offsets, counts = d[tagTileOffsets], d[tagTileBytes]
	}
	if s.width > t.f.limits.Pixels || s.height > t.f.limits.Pixels/s.width {
		return tooLarge("A page of this TIFF is larger than the picture may be. Send its pages one by one.")
	}
	if s.blockWidth > tiffBlockPX || s.blockHeight > tiffBlockPX || offsets.count < s.blocks() {
		return damaged("not all of its strips are listed")
	}
	if counts.count == 0 && offsets.count == 1 && s.compression == 1 {
		return nil // old writers leave out the length of a single strip
	}
	if counts.count < s.blocks() {
		return damaged("not all of its strips are listed")
	}
	var held int64
	const some = 4096
	for i := int64(0); i < s.blocks(); i += some {
		if err := t.f.ctx.Err(); err != nil {
			return err
		}
		n := min(some, s.blocks()-i)
		at, err := t.values(offsets, i, n)
		if err != nil {
			return err
		}
		long, err := t.values(counts, i, n)
		if err != nil {
			return err
		}
		if int64(len(at)) < n || int64(len(long)) < n {
			return damaged("its strips are listed in a form that makes no sense")
		}
		for k := range at {
			if at[k] < 0 || long[k] < 0 || at[k] > t.f.size || long[k] > t.f.size-at[k] {
				return cutShort()
			}
			held += long[k]
		}
	}
	needed := upTo(s.width*s.samples*s.bits, 8) * s.height
	if s.planar == 2 {
		needed = upTo(s.width*s.bits, 8) * s.height * s.samples
	}
	switch s.compression {
	case 1:
		if held < needed {
			return cutShort()
		}
	case 5, 8, 32773, 32946: // none of these shrinks by more than about 2700 to 1
		if needed/4096 > held {
			return damaged("there is far too little in it for a picture of its size")
		}
	}
	return nil
}
