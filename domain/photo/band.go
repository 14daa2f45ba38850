package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"slices"
)

// band gives the rows from row on, as many as fit into most bytes but at least one row of strips or
// tiles, as a TIFF of their own. It copies no pixels: the reader puts another header before the
// file and another directory behind it.
func (t *tiffFile) band(d tiffDirectory, s tiffShape, row, most int64) (io.Reader, int64, error) {
	offsets, counts := uint16(tagStripOffsets), uint16(tagStripBytes)
	across := int64(1)
	if s.tiled {
		offsets, counts = tagTileOffsets, tagTileBytes
		across = upTo(s.width, s.blockWidth)
	}
	decodedRow := across * s.blockWidth * 8 // at most 8 bytes a pixel
	set := map[uint16][]int64{}
	var rows int64
	if plain := s.compression == 1 && !s.tiled && decodedRow*s.blockHeight > most; plain {
		// Uncompressed rows lie one after the other: a large strip can be cut between any two.
		strip, inside := row/s.blockHeight, row%s.blockHeight
		at, err := t.values(d[offsets], strip, 1)
		if err != nil || len(at) == 0 {
			return nil, 0, notAll(err)
		}
		rows = min(max(1, most/decodedRow), s.blockHeight-inside, s.height-row)
		set[offsets] = []int64{at[0] + inside*s.rowBytes()}
		set[counts] = []int64{rows * s.rowBytes()}
		set[tagRowsPerStrip] = []int64{rows}
	} else {
		blocks := max(1, most/max(1, decodedRow*s.blockHeight))
		rows = min(blocks*s.blockHeight, s.height-row)
		from, n := row/s.blockHeight*across, upTo(rows, s.blockHeight)*across
		for _, tag := range []uint16{offsets, counts} {
			vs, err := t.values(d[tag], from, n)
			if err != nil || int64(len(vs)) < n {
				return nil, 0, notAll(err)
			}
			set[tag] = vs
		}
	}
	set[tagLength] = []int64{rows}
	if t.f.size > 1<<32-1<<24 {
		return nil, 0, errors.New("no room for another directory behind the file")
	}
	return t.with(d, set), rows, nil
}

func notAll(err error) error {
	if err != nil {
		return err
	}
	return damaged("not all of its strips are listed")
}

// bandTags are the fields that say how the pixels are coded; no other is needed to decode them.
var bandTags = []uint16{
	tagWidth, tagLength, tagBitsPerSample, tagCompression, tagPhotometric, 266 /* FillOrder */, tagStripOffsets,
	tagSamplesPerPixel, tagRowsPerStrip, tagStripBytes, 292 /* T4Options */, 293, /* T6Options */
	tagPlanar, 317 /* Predictor */, 320 /* ColorMap */, tagTileWidth, tagTileLength, tagTileOffsets, tagTileBytes,
	338 /* ExtraSamples */, tagSampleFormat,
}

// with is the file under a directory in which the fields of set have other values.
func (t *tiffFile) with(d tiffDirectory, set map[uint16][]int64) io.Reader {
	var tags []uint16
	for _, tag := range bandTags {
		if _, ok := d[tag]; ok || set[tag] != nil {
			tags = append(tags, tag)
		}
	}
	slices.Sort(tags)
	start := t.f.size + t.f.size%2
	directory := t.order.AppendUint16(nil, uint16(len(tags))) // #nosec G115 -- a handful of tags
	lists := start + 2 + 12*int64(len(tags)) + 4
	var listed []byte
	for _, tag := range tags {
		directory = t.order.AppendUint16(directory, tag)
		if vs := set[tag]; vs != nil {
			directory = t.order.AppendUint16(directory, 4)
			directory = t.order.AppendUint32(directory, uint32(len(vs))) // #nosec G115 -- offsets and counts of a file that the limits keep below 4 GiB
			if len(vs) == 1 {
				directory = t.order.AppendUint32(directory, uint32(vs[0])) // #nosec G115 -- offsets and counts of a file that the limits keep below 4 GiB
				continue
			}
			directory = t.order.AppendUint32(directory, uint32(lists+int64(len(listed)))) // #nosec G115 -- offsets and counts of a file that the limits keep below 4 GiB
			for _, v := range vs {
				listed = t.order.AppendUint32(listed, uint32(v)) // #nosec G115 -- offsets and counts of a file that the limits keep below 4 GiB
			}
			continue
		}
		e := d[tag]
		directory = t.order.AppendUint16(directory, e.kind)
		directory = t.order.AppendUint32(directory, uint32(e.count)) // #nosec G115 -- offsets and counts of a file that the limits keep below 4 GiB
		if e.width*e.count > 4 {
			directory = t.order.AppendUint32(directory, uint32(e.at)) // #nosec G115 -- offsets and counts of a file that the limits keep below 4 GiB
			continue
		}
		var b [4]byte // a short value stands in the entry itself
		if _, err := t.f.r.ReadAt(b[:], e.at); err != nil {
			return errorReader{err}
		}
		directory = append(directory, b[:]...)
	}
	directory = append(t.order.AppendUint32(directory, 0), listed...)
	head := []byte("II\x2a\x00")
	if t.order == binary.BigEndian {
		head = []byte("MM\x00\x2a")
	}
	return &patched{
		SectionReader: io.NewSectionReader(t.f.r, 0, t.f.size),
		head:          t.order.AppendUint32(head, uint32(start)), start: start, behind: bytes.NewReader(directory), // #nosec G115 -- offsets and counts of a file that the limits keep below 4 GiB
	}
}

type errorReader struct{ err error }

func (e errorReader) Read([]byte) (int, error) { return 0, e.err }

// patched is a file with another first eight bytes, and more behind its end. The decoder reads it
// by position only.
type patched struct {
	*io.SectionReader
	head   []byte
	start  int64
	behind *bytes.Reader
}

func (p *patched) ReadAt(b []byte, off int64) (int, error) {
	switch {
	case off >= p.start:
		return p.behind.ReadAt(b, off-p.start)
	case off < int64(len(p.head)):
		n, err := p.SectionReader.ReadAt(b, off)
		copy(b[:n], p.head[off:])
		return n, err
	}
	return p.SectionReader.ReadAt(b, off)
}
