package photo

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"io"
)

// profileMost is the largest colour profile that is carried over, in bytes.
const profileMost = 1 << 20

const iccMark = "ICC_PROFILE\x00"

// rgbProfile is the colour profile of the original when it is for RGB, else nil: the made pictures
// are RGB, and a profile for grey or printing colours would spoil them. A profile that cannot be
// read is as good as none.
// source: ICC.1:2022, 7.2.6 (colour space at byte 16) and 7.2.9 (signature at byte 36); annex B for
// the embedding in JPEG and TIFF; PNG third edition, 11.3.2.3
func rgbProfile(in *watched, kind Kind) []byte {
	var p []byte
	switch f := (&file{ctx: in.ctx, r: in, size: in.size}); kind {
	case JPEG:
		p = jpegProfile(f.from(2))
	case PNG:
		p = pngProfile(f.from(int64(len(pngSignature))))
	case TIFF:
		p = tiffProfile(f)
	}
	if len(p) < 128 || len(p) > profileMost || string(p[16:20]) != "RGB " || string(p[36:40]) != "acsp" {
		return nil
	}
	return p
}

func jpegProfile(s *stream) []byte {
	parts := map[byte][]byte{}
	var of byte
	for {
		code, err := s.marker()
		if err != nil || code == markerSOS || code == markerEOI {
			break
		}
		n, err := s.jpegSegmentLength()
		if err != nil {
			break
		}
		if code != 0xe2 {
			if s.skip(n) != nil {
				break
			}
			continue
		}
		b := make([]byte, n)
		if s.full(b) != nil {
			break
		}
		if len(b) > len(iccMark)+2 && string(b[:len(iccMark)]) == iccMark {
			parts[b[len(iccMark)]], of = b[len(iccMark)+2:], b[len(iccMark)+1]
		}
	}
	var p []byte
	for i := range int(of) {
		part, ok := parts[byte(i+1)]
		if !ok {
			return nil
		}
		p = append(p, part...)
	}
	return p
}

func pngProfile(s *stream) []byte {
	for {
		var head [8]byte
		if s.full(head[:]) != nil {
			return nil
		}
		n, name := int64(binary.BigEndian.Uint32(head[:])), string(head[4:])
		switch {
		case name == "IDAT" || name == "IEND":
			return nil
		case name != "iCCP" || n > profileMost:
			if s.skip(n+4) != nil {
				return nil
			}
			continue
		}
		b := make([]byte, n)
		if s.full(b) != nil {
			return nil
		}
		_, packed, ok := bytes.Cut(b, []byte{0})
		if !ok || len(packed) < 2 || packed[0] != 0 {
			return nil
		}
		z, err := zlib.NewReader(bytes.NewReader(packed[1:]))
		if err != nil {
			return nil
		}
		p, err := io.ReadAll(io.LimitReader(z, profileMost+1))
		if err != nil {
			return nil
		}
		return p
	}
}

func tiffProfile(f *file) []byte {
	t, first, err := openTIFF(f)
	if err != nil {
		return nil
	}
	d, _, err := t.directory(first)
	if err != nil {
		return nil
	}
	e := d[tagICC]
	if e.width != 1 || e.count > profileMost {
		return nil
	}
	p := make([]byte, e.count)
	if f.at(p, e.at) != nil {
		return nil
	}
	return p
}

// withProfile puts a colour profile behind the start marker of a JPEG, in as many segments as it
// needs.
func withProfile(jpeg, profile []byte) []byte {
	if len(profile) == 0 {
		return jpeg
	}
	const most = 65535 - 2 - len(iccMark) - 2
	of := (len(profile) + most - 1) / most
	out := append(make([]byte, 0, len(jpeg)+len(profile)+of*20), jpeg[:2]...)
	for i := range of {
		part := profile[i*most : min((i+1)*most, len(profile))]
		out = append(out, 0xff, 0xe2)
		out = binary.BigEndian.AppendUint16(out, uint16(2+len(iccMark)+2+len(part))) // #nosec G115 -- a part is cut to fit
		out = append(append(out, iccMark...), byte(i+1), byte(of))                   // #nosec G115 -- at most 255 parts
		out = append(out, part...)
	}
	return append(out, jpeg[2:]...)
}
