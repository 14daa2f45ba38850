package document

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/go-fonts/dejavu/dejavusans"
	"github.com/go-fonts/dejavu/dejavusansbold"
	"github.com/go-fonts/liberation/liberationsansbold"
	"github.com/go-fonts/liberation/liberationsansbolditalic"
	"github.com/go-fonts/liberation/liberationsansitalic"
	"github.com/go-fonts/liberation/liberationsansregular"
	"github.com/go-fonts/liberation/liberationserifbold"
	"github.com/go-fonts/liberation/liberationserifbolditalic"
	"github.com/go-fonts/liberation/liberationserifitalic"
	"github.com/go-fonts/liberation/liberationserifregular"
)

// face is one font.
type face struct {
	family family
	bold   bool
	italic bool
}

type family string

const (
	serif   family = "serif"
	sans    family = "sans"
	symbols family = "symbols"
)

// style is the face's style in the words of the PDF writer.
func (f face) style() string {
	s := ""
	if f.bold {
		s += "B"
	}
	if f.italic {
		s += "I"
	}
	return s
}

// file is the face's font file. There are no slanted symbols.
func (f face) file() []byte {
	switch f {
	case face{serif, false, false}:
		return liberationserifregular.TTF
	case face{serif, true, false}:
		return liberationserifbold.TTF
	case face{serif, false, true}:
		return liberationserifitalic.TTF
	case face{serif, true, true}:
		return liberationserifbolditalic.TTF
	case face{sans, false, false}:
		return liberationsansregular.TTF
	case face{sans, true, false}:
		return liberationsansbold.TTF
	case face{sans, false, true}:
		return liberationsansitalic.TTF
	case face{sans, true, true}:
		return liberationsansbolditalic.TTF
	case face{symbols, true, false}:
		return dejavusansbold.TTF
	}
	return dejavusans.TTF
}

// metrics are the advance widths of a font's characters, in thousandths of the font size. A
// character of the basic plane that the font lacks has -1; no font here is asked for others.
type metrics [0x10000]int16

// typefaces reads each font's metrics when it is first used.
type typefaces map[face]*metrics

func (t typefaces) of(f face) *metrics {
	m, read := t[f]
	if !read {
		var err error
		if m, err = readMetrics(f.file()); err != nil {
			panic(fmt.Sprintf("font %s%s: %v", f.family, f.style(), err)) // the font is part of the program
		}
		t[f] = m
	}
	return m
}

// width is the width of s at the size, in points. s holds only characters of the face.
func (t typefaces) width(f face, size float64, s string) float64 {
	m, sum := t.of(f), 0
	for _, r := range s {
		if w := m.advance(r); w > 0 {
			sum += w
		}
	}
	return float64(sum) * size / 1000
}

func (m *metrics) advance(r rune) int {
	if r < 0 || int(r) >= len(m) {
		return -1
	}
	return int(m[r])
}

const missingGlyph = '□'

// choose is the face that draws r, and the character to draw: of f itself, else of the symbols,
// else "□". Nothing is drawn for a character without a shape of its own, such as a joiner.
func (t typefaces) choose(f face, r rune) (face, rune) {
	switch {
	case r == 0x00A0 || r == 0x2007:
		r = ' ' // the line breaker has seen it already
	case r == 0x2011:
		r = '-'
	case r == 0x00AD, r >= 0x200B && r <= 0x200F, r == 0x2060, r == 0x061C,
		r >= 0xFE00 && r <= 0xFE0F, r >= 0xE0000 && r <= 0xE0FFF:
		return f, -1
	}
	if t.of(f).advance(r) >= 0 {
		return f, r
	}
	s := face{family: symbols, bold: f.bold}
	if t.of(s).advance(r) >= 0 {
		return s, r
	}
	return s, missingGlyph
}

var errShortFont = errors.New("font file is cut off")

// readMetrics reads tables head, hhea, hmtx and cmap (format 4) of a TrueType font.
// source: ISO/IEC 14496-22 (Open Font Format), 5.2.1 cmap, 5.2.3 head, 5.2.4 hhea, 5.2.5 hmtx
func readMetrics(font []byte) (m *metrics, err error) {
	defer func() {
		if recover() != nil { // a slice out of bounds: the file says more than it holds
			m, err = nil, errShortFont
		}
	}()
	font = font[:len(font):len(font)] // so that no slice of it can reach further
	u16 := func(b []byte, at int) int { return int(binary.BigEndian.Uint16(b[at:])) }
	u32 := func(b []byte, at int) int { return int(binary.BigEndian.Uint32(b[at:])) }
	table := func(name string) []byte {
		for i := range u16(font, 4) {
			if e := font[12+16*i:]; string(e[:4]) == name {
				return font[u32(e, 8) : u32(e, 8)+u32(e, 12)]
			}
		}
		return nil
	}
	unitsPerEm := u16(table("head"), 18)
	wide := u16(table("hhea"), 34)
	hmtx := table("hmtx")
	advance := func(glyph int) int16 {
		units := u16(hmtx, 4*min(glyph, wide-1))
		return int16((units*1000 + unitsPerEm/2) / unitsPerEm) // #nosec G115 -- widths of a font are small
	}
	m = new(metrics)
	for i := range m {
		m[i] = -1
	}
	cmap := table("cmap")
	for i := range u16(cmap, 2) {
		e := cmap[4+8*i:]
		if u16(e, 0) != 3 || u16(e, 2) != 1 { // Windows, basic multilingual plane
			continue
		}
		sub := cmap[u32(e, 4):]
		if u16(sub, 0) != 4 {
			return nil, fmt.Errorf("character map of format %d", u16(sub, 0))
		}
		x2 := u16(sub, 6) // twice the number of segments
		ends, starts, deltas, offsets := sub[14:], sub[16+x2:], sub[16+2*x2:], sub[16+3*x2:]
		for s := 0; s < x2; s += 2 {
			for c := u16(starts, s); c <= u16(ends, s) && c < 0xFFFF; c++ {
				glyph := c
				if offset := u16(offsets, s); offset != 0 {
					if glyph = u16(offsets, s+offset+2*(c-u16(starts, s))); glyph == 0 {
						continue
					}
				}
				if glyph = (glyph + u16(deltas, s)) & 0xFFFF; glyph != 0 {
					m[c] = advance(glyph)
				}
			}
		}
		return m, nil
	}
	return nil, errors.New("no character map for the basic plane")
}
