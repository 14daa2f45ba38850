package photo

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// stream reads a file from front to back through a small buffer and knows where it is.
type stream struct {
	f     *file
	b     *bufio.Reader
	pos   int64
	asked int64 // the last position at which the context was asked
}

const window = 64 << 10

func (f *file) from(off int64) *stream {
	return &stream{f: f, b: bufio.NewReaderSize(io.NewSectionReader(f.r, off, f.size-off), window), pos: off, asked: off}
}

// moved counts n bytes and asks now and then whether anybody still wants the answer.
func (s *stream) moved(n int) error {
	s.pos += int64(n)
	if s.pos-s.asked < 1<<20 {
		return nil
	}
	s.asked = s.pos
	return s.f.ctx.Err()
}

func (s *stream) fault(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return cutShort()
	}
	return fmt.Errorf("read picture at byte %d: %w", s.pos, err)
}

func (s *stream) byte() (byte, error) {
	c, err := s.b.ReadByte()
	if err != nil {
		return 0, s.fault(err)
	}
	return c, s.moved(1)
}

// full fills p.
func (s *stream) full(p []byte) error {
	if _, err := io.ReadFull(s.b, p); err != nil {
		return s.fault(err)
	}
	return s.moved(len(p))
}

// skip passes over n bytes, which must be there.
func (s *stream) skip(n int64) error {
	if n > s.f.size-s.pos {
		return cutShort()
	}
	for n > 0 {
		k, err := s.b.Discard(int(min(n, window)))
		if err != nil {
			return s.fault(err)
		}
		if err := s.moved(k); err != nil {
			return err
		}
		n -= int64(k)
	}
	return nil
}

// tail reads what is left in pieces that overlap by overlap bytes, so that a mark on a border is
// seen. It gives each piece and the position of its first byte.
func (s *stream) tail(overlap int, see func(piece []byte, at int64) error) error {
	buf := make([]byte, 0, window+overlap)
	at := s.pos
	for {
		n, err := io.ReadFull(s.b, buf[len(buf):cap(buf)])
		buf = buf[:len(buf)+n]
		if n > 0 {
			if err := see(buf, at); err != nil {
				return err
			}
			if err := s.moved(n); err != nil {
				return err
			}
		}
		switch {
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			return nil
		case err != nil:
			return s.fault(err)
		}
		drop := len(buf) - overlap
		at += int64(drop)
		buf = buf[:copy(buf, buf[drop:])]
	}
}

// foreign are beginnings of things that other programs open or run, wherever in the tail they lie.
var foreign = []struct {
	mark string // lower case
	what string
}{
	{"pk\x03\x04", "a ZIP archive"},
	{"pk\x05\x06", "a ZIP archive"},
	{"rar!\x1a\x07", "a RAR archive"},
	{"7z\xbc\xaf\x27\x1c", "a 7z archive"},
	{"%pdf-", "a PDF document"},
	{"<!doctype", "a web page"},
	{"<html", "a web page"},
	{"<body", "a web page"},
	{"<iframe", "a web page"},
	{"<script", "a script"},
	{"<svg", "an SVG drawing"},
	{"<?php", "a script"},
	{"#!/", "a script"},
	{"\x7felf", "a program"},
	{"this program cannot be run in dos mode", "a program"},
	{"\xca\xfe\xba\xbe", "a program"},
}

const longestMark = 40

// refuseForeign reads to the end of the file and refuses a tail in which something foreign begins,
// or which is longer than most bytes besides zeros.
func (s *stream) refuseForeign(most int64) error {
	var counted int64
	end := s.pos
	return s.tail(longestMark, func(piece []byte, at int64) error {
		lower := bytes.ToLower(piece)
		for _, f := range foreign {
			if bytes.Contains(lower, []byte(f.mark)) {
				return refuse("After the end of the picture, " + f.what + " follows in the same file. A file that is two things is not kept. Export the picture anew.")
			}
		}
		fresh := piece[max(0, end-at):]
		counted += int64(len(fresh) - bytes.Count(fresh, []byte{0}))
		end = at + int64(len(piece))
		if counted > most {
			return refusef("After the end of the picture, data that belong to no picture follow (more than %d bytes). Export the picture anew.", most)
		}
		return nil
	})
}

// refuseArchive refuses a file that a ZIP program would open: an end-of-directory record that
// reaches to the last byte and points at a directory. It finds archives wherever they hide, also
// inside a comment or a strip.
// source: PKWARE, APPNOTE.TXT 6.3.10, 4.3.12 and 4.3.16
func (f *file) refuseArchive(kind Kind) error {
	const record, most = 22, 22 + 0xffff
	n := min(f.size, most)
	if n < record {
		return nil
	}
	tail := make([]byte, n)
	if err := f.at(tail, f.size-n); err != nil {
		return err
	}
	for end := len(tail); ; {
		i := bytes.LastIndex(tail[:end], []byte("PK\x05\x06"))
		if i < 0 {
			return nil
		}
		end = i
		r := tail[i:]
		if len(r) < record || len(r) != record+int(binary.LittleEndian.Uint16(r[20:])) {
			continue
		}
		// The directory lies right before this record, whatever stands before the archive.
		directory := f.size - n + int64(i) - int64(binary.LittleEndian.Uint32(r[12:]))
		mark := make([]byte, 4)
		if directory < 0 || directory > f.size-4 {
			continue
		}
		if err := f.at(mark, directory); err != nil {
			return err
		}
		if m := string(mark); m == "PK\x01\x02" || m == "PK\x05\x06" {
			return refuse("This " + kind.Words() + " file is at the same time a ZIP archive. A file that is two things is not kept. Export the picture anew.")
		}
	}
}
