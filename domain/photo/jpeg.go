package photo

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// source of markers and layouts: ITU-T T.81 (09/92), table B.1 and annex B

const (
	markerSOI = 0xd8
	markerEOI = 0xd9
	markerSOS = 0xda
	markerDHT = 0xc4
	markerJPG = 0xc8
	markerDAC = 0xcc
)

// jpegFrame is one frame header (SOFn).
type jpegFrame struct {
	process       byte // n of SOFn
	precision     byte
	width, height int64
	sampling      [][2]int64 // per component: horizontal, vertical
}

// blocks is how many 8 × 8 blocks the frame has at least.
func (j jpegFrame) blocks() int64 {
	most := [2]int64{1, 1}
	for _, c := range j.sampling {
		most[0], most[1] = max(most[0], c[0]), max(most[1], c[1])
	}
	var n int64
	for _, c := range j.sampling {
		n += upTo(upTo(j.width*c[0], most[0]), 8) * upTo(upTo(j.height*c[1], most[1]), 8)
	}
	return n
}

func upTo(n, by int64) int64 { return (n + by - 1) / by }

// leastBits is the smallest number of bits in which n blocks can be coded: each Huffman code has at
// least one bit, and a sequential block has at least a DC and an end-of-block code. 0: not known.
func (j jpegFrame) leastBits() int64 {
	switch j.process {
	case 0, 1:
		return 2 * j.blocks()
	case 2:
		return j.blocks()
	}
	return 0
}

// memory is what decoding takes: a byte a sample, and for the progressive process all coefficients.
func (j jpegFrame) memory() int64 {
	if j.process == 2 {
		return 64 * 5 * j.blocks()
	}
	return 64 * j.blocks()
}

func (j jpegFrame) noPreview() string {
	switch {
	case j.process > 2:
		return "No picture for the pages can be made: this JPEG uses a rare way of coding (lossless, arithmetic or hierarchical). Add a plain JPEG beside it."
	case j.precision != 8:
		return fmt.Sprintf("No picture for the pages can be made: this JPEG has %d bits per sample. Add a plain JPEG beside it.", j.precision)
	case len(j.sampling) == 2:
		return "No picture for the pages can be made: this JPEG has two channels. Add a plain JPEG beside it."
	}
	return ""
}

// readJPEG walks the markers of the picture to its end, and what follows it.
func readJPEG(f *file) (header, error) {
	s := f.from(0)
	frame, err := s.jpegImage(true)
	if err != nil {
		return header{}, err
	}
	if err := s.afterJPEG(); err != nil {
		return header{}, err
	}
	return header{width: int(frame.width), height: int(frame.height), noPreview: frame.noPreview(), memory: frame.memory()}, nil
}

// jpegImage reads one picture from its start marker through its end marker. limited holds its size
// against the limits (the pictures that cameras append are never decoded).
func (s *stream) jpegImage(limited bool) (frame jpegFrame, err error) {
	var start [2]byte
	if err := s.full(start[:]); err != nil {
		return frame, err
	}
	if start != [2]byte{0xff, markerSOI} {
		return frame, damaged("no start marker")
	}
	var bits int64
	code, err := s.marker()
	for {
		if err != nil {
			return frame, err
		}
		switch {
		case code == markerEOI:
			switch {
			case frame.sampling == nil || bits == 0:
				return frame, damaged("it ends before there is a picture in it")
			case bits < frame.leastBits():
				return frame, damaged("there is far too little in it for a picture of its size")
			}
			return frame, nil
		case code == markerSOI:
			return frame, damaged("a second picture begins inside the first")
		case code == 0x01, code >= 0xd0 && code <= 0xd7: // these stand alone
			code, err = s.marker()
			continue
		}
		var length int64
		if length, err = s.jpegSegmentLength(); err != nil {
			return frame, err
		}
		switch {
		case code == markerSOS:
			if frame.sampling == nil {
				return frame, damaged("pixels come before the header")
			}
			if err = s.skip(length); err != nil {
				return frame, err
			}
			var n int64
			n, code, err = s.jpegScan()
			bits += 8 * n
			continue
		case code >= 0xc0 && code <= 0xcf && code != markerDHT && code != markerJPG && code != markerDAC:
			if frame.sampling != nil {
				return frame, damaged("it has two headers")
			}
			if frame, err = s.jpegFrame(code-0xc0, length); err != nil {
				return frame, err
			}
			switch {
			case limited:
				err = s.f.pixels(frame.width, frame.height)
			case frame.width == 0 || frame.height == 0:
				err = damaged("an appended picture has no size")
			}
		default:
			err = s.skip(length)
		}
		if err == nil {
			code, err = s.marker()
		}
	}
}

// marker reads the next marker's code. Some writers leave a few stray bytes between segments.
func (s *stream) marker() (byte, error) {
	for range 1024 {
		c, err := s.byte()
		if err != nil {
			return 0, err
		}
		if c != 0xff {
			continue
		}
		for c == 0xff { // fill bytes
			if c, err = s.byte(); err != nil {
				return 0, err
			}
		}
		if c != 0 {
			return c, nil
		}
	}
	return 0, damaged("no marker where one must be")
}

// jpegSegmentLength reads a segment's length and gives what of it is still to come.
func (s *stream) jpegSegmentLength() (int64, error) {
	var b [2]byte
	if err := s.full(b[:]); err != nil {
		return 0, err
	}
	n := int64(binary.BigEndian.Uint16(b[:]))
	if n < 2 {
		return 0, damaged("a segment has no length")
	}
	return n - 2, nil
}

func (s *stream) jpegFrame(process byte, length int64) (jpegFrame, error) {
	wrong := damaged("its header makes no sense")
	if length < 6 || length > 6+3*255 {
		return jpegFrame{}, wrong
	}
	b := make([]byte, length)
	if err := s.full(b); err != nil {
		return jpegFrame{}, err
	}
	frame := jpegFrame{
		process: process, precision: b[0],
		height: int64(binary.BigEndian.Uint16(b[1:])), width: int64(binary.BigEndian.Uint16(b[3:])),
	}
	n := int(b[5])
	if n < 1 || n > 4 || len(b) < 6+3*n {
		return jpegFrame{}, wrong
	}
	for i := range n {
		hv := b[6+3*i+1]
		h, v := int64(hv>>4), int64(hv&15)
		if h < 1 || h > 4 || v < 1 || v > 4 {
			return jpegFrame{}, wrong
		}
		frame.sampling = append(frame.sampling, [2]int64{h, v})
	}
	return frame, nil
}

// jpegScan passes over coded pixels. It gives their number of bytes and the marker that ends them.
func (s *stream) jpegScan() (bytes int64, code byte, err error) {
	for {
		piece, err := s.b.ReadSlice(0xff)
		if e := s.moved(len(piece)); e != nil {
			return 0, 0, e
		}
		bytes += int64(len(piece))
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		if err != nil {
			return 0, 0, s.fault(err)
		}
		bytes-- // the 0xff: counted again when it was data
		code := byte(0xff)
		for code == 0xff {
			if code, err = s.byte(); err != nil {
				return 0, 0, err
			}
		}
		switch {
		case code == 0:
			bytes++
		case code >= 0xd0 && code <= 0xd7:
		default:
			return bytes, code, nil
		}
	}
}

// vendorTail is how much a camera may append that is no picture and no film, without any sign of
// something foreign in it.
const vendorTail = 64 << 10

// afterJPEG looks at what follows the end of the picture. Cameras append further pictures (CIPA
// DC-007, multi-picture format), a short film, or a small block of their own; these are left. What
// another program would open or run is refused.
func (s *stream) afterJPEG() error {
	for {
		head, err := s.b.Peek(512)
		if err != nil && !errors.Is(err, io.EOF) {
			return s.fault(err)
		}
		zeros := len(head) - len(bytes.TrimLeft(head, "\x00"))
		film := bytes.Index(head, []byte("ftyp"))
		switch {
		case len(head) == 0:
			return nil
		case film >= 4 && !foreignIn(head[:film-4]):
			if err := s.skip(int64(film - 4)); err != nil {
				return err
			}
			if err := s.film(); err != nil {
				return err
			}
			return s.refuseForeign(vendorTail)
		case zeros > 0:
			if err := s.skip(int64(zeros)); err != nil {
				return err
			}
		case bytes.HasPrefix(head, []byte{0xff, markerSOI, 0xff}):
			if _, err := s.jpegImage(false); err != nil {
				return err
			}
		default:
			return s.refuseForeign(vendorTail)
		}
	}
}

func foreignIn(b []byte) bool {
	lower := bytes.ToLower(b)
	for _, f := range foreign {
		if bytes.Contains(lower, []byte(f.mark)) {
			return true
		}
	}
	return false
}

// film passes over the boxes of an appended film, as long as they are boxes.
// source: ISO/IEC 14496-12, 4.2
func (s *stream) film() error {
	for {
		head, err := s.b.Peek(16)
		if err != nil && !errors.Is(err, io.EOF) {
			return s.fault(err)
		}
		if len(head) < 8 {
			return nil
		}
		for _, c := range head[4:8] {
			if c < ' ' || c > '~' {
				return nil
			}
		}
		n := int64(binary.BigEndian.Uint32(head))
		switch {
		case n == 0: // to the end of the file
			n = s.f.size - s.pos
		case n == 1 && len(head) == 16:
			n = int64(binary.BigEndian.Uint64(head[8:])) // #nosec G115 -- a negative length is refused below
		}
		if n < 8 || n > s.f.size-s.pos {
			return nil
		}
		if err := s.skip(n); err != nil {
			return err
		}
	}
}
