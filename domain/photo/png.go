package photo

import (
	"encoding/binary"
	"hash/crc32"
)

// readPNG checks every chunk's checksum to the end chunk. Nothing may follow it but zeros.
// source: W3C, Portable Network Graphics (PNG) Specification, third edition 2025, 5.2–5.6, 11.2
func readPNG(f *file) (header, error) {
	s := f.from(int64(len(pngSignature)))
	var h header
	var width, height int64
	var colourType byte
	var rowBits, idat int64
	palette := false
	for first := true; ; first = false {
		var head [8]byte
		if err := s.full(head[:]); err != nil {
			return header{}, err
		}
		length, name := int64(binary.BigEndian.Uint32(head[:])), string(head[4:])
		if length > 0x7fffffff {
			return header{}, damaged("a chunk's length makes no sense")
		}
		if length+4 > f.size-s.pos {
			return header{}, cutShort()
		}
		if first != (name == "IHDR") {
			return header{}, damaged("its header is not where it must be")
		}
		sum := crc32.NewIEEE()
		_, _ = sum.Write(head[4:])
		switch {
		case first:
			if length != 13 {
				return header{}, damaged("its header has the wrong length")
			}
			var b [13]byte
			if err := s.full(b[:]); err != nil {
				return header{}, err
			}
			_, _ = sum.Write(b[:])
			width, height = int64(binary.BigEndian.Uint32(b[:])), int64(binary.BigEndian.Uint32(b[4:]))
			if err := f.pixels(width, height); err != nil {
				return header{}, err
			}
			depth := int64(b[8])
			colourType = b[9]
			samples := pngSamples(depth, colourType)
			if samples == 0 || b[10] != 0 || b[11] != 0 || b[12] > 1 {
				return header{}, damaged("its header makes no sense")
			}
			rowBits = width * depth * samples
			h.width, h.height = int(width), int(height)
			h.memory = width * height * 4
			if depth == 16 {
				h.memory *= 2
			}
		default:
			if err := s.sumUp(length, sum.Write); err != nil {
				return header{}, err
			}
			switch name {
			case "IDAT":
				idat += length
			case "PLTE":
				palette = true
			}
		}
		var said [4]byte
		if err := s.full(said[:]); err != nil {
			return header{}, err
		}
		if binary.BigEndian.Uint32(said[:]) != sum.Sum32() {
			return header{}, damaged("a checksum does not fit")
		}
		if name == "IEND" {
			break
		}
	}
	switch {
	case idat == 0:
		return header{}, damaged("it ends before there is a picture in it")
	case colourType == 3 && !palette:
		return header{}, damaged("its palette is missing")
	// deflate never shrinks by more than 1032 to 1 (RFC 1951: 258 bytes in 2 bits)
	case rowBits/8*height/1032 > idat:
		return header{}, damaged("there is far too little in it for a picture of its size")
	}
	return h, s.refuseForeign(0)
}

// pngSamples is the number of samples per pixel, 0 when the pair is not allowed.
func pngSamples(depth int64, colourType byte) int64 {
	allowed := map[byte]string{0: "\x01\x02\x04\x08\x10", 2: "\x08\x10", 3: "\x01\x02\x04\x08", 4: "\x08\x10", 6: "\x08\x10"}
	for _, d := range []byte(allowed[colourType]) {
		if int64(d) == depth {
			return map[byte]int64{0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colourType]
		}
	}
	return 0
}

// sumUp passes over n bytes and gives them to write.
func (s *stream) sumUp(n int64, write func([]byte) (int, error)) error {
	var buf [4096]byte
	for n > 0 {
		piece := buf[:min(n, int64(len(buf)))]
		if err := s.full(piece); err != nil {
			return err
		}
		if _, err := write(piece); err != nil {
			return err
		}
		n -= int64(len(piece))
	}
	return nil
}
