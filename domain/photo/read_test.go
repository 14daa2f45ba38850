package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"image"
	"runtime"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
)

// An empty zip archive and one with a directory, as a ZIP program writes them.
// source: PKWARE, APPNOTE.TXT 6.3.10, 4.3.16 and 4.3.12
func zipWithOne() []byte {
	name := "a.txt"
	local := "PK\x03\x04" + strings.Repeat("\x00", 22) + "\x05\x00\x00\x00" + name
	central := "PK\x01\x02" + strings.Repeat("\x00", 24) + "\x05\x00" + strings.Repeat("\x00", 16) + name
	end := []byte("PK\x05\x06\x00\x00\x00\x00\x01\x00\x01\x00")
	end = binary.LittleEndian.AppendUint32(end, uint32(len(central)))
	end = binary.LittleEndian.AppendUint32(end, uint32(len(local)))
	return append([]byte(local+central), append(end, 0, 0)...)
}

func TestF2ReadsWhatAPictureSaysOfItself(t *testing.T) {
	big, little := binary.BigEndian, binary.LittleEndian
	m := quarters(40, 20)
	camera := func(o byteOrder, orientation uint16) []byte {
		return exif(o,
			text(271, "Werkstatt"), text(272, "Werkstatt K2"), short(o, 274, orientation),
			entry{tag: 0x8769, below: []entry{
				rational(o, 0x829a, 1, 60), rational(o, 0x829d, 8, 1), short(o, 0x8827, 100),
				text(0x9003, "2025:02:11 10:12:13"), text(0x9011, "+01:00"),
				rational(o, 0x920a, 50, 1), text(0xa431, "00123"), text(0xa434, "50 mm macro"),
			}},
			entry{tag: 0x8825, below: []entry{text(1, "N"), rational(o, 2, 59, 1, 3, 1, 0, 1)}},
		)
	}
	said := Camera{Make: "Werkstatt", Model: "Werkstatt K2", Serial: "00123", Lens: "50 mm macro",
		FocalLengthMM: 50, FNumber: 8, ExposureS: 1.0 / 60, ISO: 100}
	for name, c := range map[string]struct {
		file          []byte
		kind          Kind
		width, height int
		orientation   int
		said          bool
	}{
		"a JPEG without EXIF":           {jpegBytes(t, m), JPEG, 40, 20, 1, false},
		"a JPEG with EXIF, big end":     {withEXIF(jpegBytes(t, m), camera(big, 1)), JPEG, 40, 20, 1, true},
		"a JPEG with EXIF, on its side": {withEXIF(jpegBytes(t, m), camera(little, 6)), JPEG, 20, 40, 6, true},
		"an orientation of nonsense":    {withEXIF(jpegBytes(t, m), camera(little, 77)), JPEG, 40, 20, 1, true},
		"a PNG":                         {pngBytes(t, m), PNG, 40, 20, 1, false},
		"a PNG with EXIF, on its side":  {afterIHDR(pngBytes(t, m), chunk("eXIf", camera(big, 8))...), PNG, 20, 40, 8, true},
		"a TIFF":                        {tiffOf{m: m}.bytes(), TIFF, 40, 20, 1, false},
		"a TIFF, big end, upside down":  {tiffOf{m: m, order: big, more: []entry{short(big, tagOrientation, 3)}}.bytes(), TIFF, 40, 20, 3, false},
		"a TIFF of 16 bits in tiles":    {tiffOf{m: m, bits: 16, tile: 16, more: []entry{short(little, tagOrientation, 5)}}.bytes(), TIFF, 20, 40, 5, false},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := read(t, c.file)
			if err != nil {
				t.Fatal(err)
			}
			if got.MediaType != c.kind || got.WidthPX != c.width || got.HeightPX != c.height || got.Orientation != c.orientation || got.NoPreview != "" {
				t.Errorf("read %+v", got)
			}
			if !c.said {
				if got.Camera != (Camera{}) || got.TakenAt != nil || got.HoldsPosition {
					t.Errorf("the file says nothing, but: %+v", got)
				}
				return
			}
			if got.Camera != said {
				t.Errorf("camera %+v, want %+v", got.Camera, said)
			}
			if !got.HoldsPosition {
				t.Error("that the file holds a position is not noted")
			}
			instant, known := got.TakenAt.Instant()
			if got.TakenAt.String() != "2025-02-11T10:12:13+01:00" || !known || !instant.Equal(time.Date(2025, 2, 11, 9, 12, 13, 0, time.UTC)) {
				t.Errorf("taken at %v", got.TakenAt)
			}
		})
	}
}

func TestF2AClockThatDoesNotSayItsZoneGivesNoInstant(t *testing.T) {
	for zone, want := range map[string]string{
		"": "2025-02-11T10:12:13", "   :  ": "2025-02-11T10:12:13", "Z": "2025-02-11T10:12:13+00:00",
		"-03:30": "2025-02-11T10:12:13-03:30", "+25:00": "2025-02-11T10:12:13", "+14:00": "2025-02-11T10:12:13+14:00",
	} {
		got := cameraTime("2025:02:11 10:12:13", zone)
		if got.String() != want {
			t.Errorf("zone %q: %s, want %s", zone, got, want)
		}
		b, err := got.MarshalJSON()
		if err != nil {
			t.Fatal(err)
		}
		var back CameraTime
		if err := back.UnmarshalJSON(b); err != nil || back.String() != want {
			t.Errorf("%s comes back as %s, %v", b, back, err)
		}
	}
	for _, never := range []string{"", "0000:00:00 00:00:00", "    :  :     :  :  ", "1980:01:01 00:00:00", "yesterday"} {
		if got := cameraTime(never, "Z"); got != nil {
			t.Errorf("%q is taken for %s", never, got)
		}
	}
}

func TestF2AcceptsByContent(t *testing.T) {
	for name, c := range map[string]struct{ head, says string }{
		"nothing":          {"", "empty"},
		"a GIF":            {"GIF89a....", "GIF"},
		"a WebP":           {"RIFF\x10\x00\x00\x00WEBPVP8 ", "WebP"},
		"a HEIC":           {"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00", "HEIC"},
		"a film":           {"\x00\x00\x00\x18ftypisom\x00\x00\x00\x00", "film"},
		"a raw file":       {"\x00\x00\x00\x18ftypcrx \x00\x00\x00\x00", "raw"},
		"a raw TIFF":       {"II\x2a\x00\x10\x00\x00\x00CR\x02\x00", "raw"},
		"a PDF":            {"%PDF-1.7\n", "PDF"},
		"an archive":       {"PK\x03\x04....", "ZIP"},
		"a program":        {"\x7fELF\x02\x01\x01", "program"},
		"a web page":       {"\xef\xbb\xbf \n<!DOCTYPE html><script>", "web page"},
		"a drawing":        {"<svg xmlns='http://www.w3.org/2000/svg'>", "SVG"},
		"words":            {"front view, raking light", "no kind of picture"},
		"two bytes":        {"\xff\xd8", "no kind of picture"},
		"a JPEG and a PDF": {"\xff\xd8\xff\xfe\x00\x20%PDF-1.7", "at the same time a PDF"},
	} {
		_, err := Sniff([]byte(c.head))
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want it to say %q", name, err, c.says)
		}
		if k := domain.KindOf(err); k != domain.KindUnsupported && k != domain.KindRefused {
			t.Errorf("%s: kind %d", name, k)
		}
	}
}

func TestF2RefusesBeforeDecoding(t *testing.T) {
	little := binary.LittleEndian
	m := quarters(64, 64)
	plain, pngPlain, tiffPlain := jpegBytes(t, m), pngBytes(t, m), tiffOf{m: m, rows: 8}.bytes()
	changed := func(b []byte, at int, to ...byte) []byte {
		c := bytes.Clone(b)
		copy(c[at:], to)
		return c
	}
	sof := bytes.Index(plain, []byte{0xff, 0xc0})
	huge := chunk("IHDR", []byte{0, 1, 0x86, 0xa0, 0, 1, 0x86, 0xa0, 8, 2, 0, 0, 0})
	progressive := changed(plain, sof+1, 0xc2)
	claims := func(w, h uint32) []byte {
		return tiffOf{m: m, rows: 8, more: []entry{long(little, tagWidth, w), long(little, tagLength, h)}}.bytes()
	}
	for name, c := range map[string]struct {
		file []byte
		kind domain.Kind
		says string
	}{
		"empty":                           {nil, domain.KindRefused, "empty"},
		"a renamed web page":              {[]byte("<html><script>alert(1)</script>"), domain.KindUnsupported, "web page"},
		"JPEG of 65535 × 65535":           {changed(plain, sof+5, 0xff, 0xff, 0xff, 0xff), domain.KindTooLarge, "65535 × 65535"},
		"PNG of 100000 × 100000":          {append([]byte(pngSignature), huge...), domain.KindTooLarge, "100000 × 100000"},
		"TIFF of 100000 × 100000":         {claims(100000, 100000), domain.KindTooLarge, "100000 × 100000"},
		"TIFF of 2³² × 2³²":               {claims(1<<32-1, 1<<32-1), domain.KindTooLarge, "megapixels"},
		"JPEG of no size":                 {changed(plain, sof+5, 0, 0, 0, 0), domain.KindRefused, "no width or no height"},
		"JPEG bomb: 10000 × 10000 in 2 k": {changed(plain, sof+5, 0x27, 0x10, 0x27, 0x10), domain.KindRefused, "far too little"},
		"the same, progressive":           {changed(progressive, sof+5, 0x27, 0x10, 0x27, 0x10), domain.KindRefused, "far too little"},
		"PNG bomb: 10000 × 10000 in 1 k":  {changedIHDR(pngPlain, 10000), domain.KindRefused, "far too little"},
		"TIFF with too few strips":        {claims(64, 640), domain.KindRefused, "strips"},
		"TIFF whose strips are too short": {claims(6400, 64), domain.KindRefused, "cut short"},

		"JPEG cut in the header":   {plain[:sof+4], domain.KindRefused, "cut short"},
		"JPEG cut in the pixels":   {plain[:len(plain)-200], domain.KindRefused, "cut short"},
		"JPEG without its end":     {plain[:len(plain)-2], domain.KindRefused, "cut short"},
		"JPEG with an end only":    {[]byte{0xff, 0xd8, 0xff, 0xd9}, domain.KindRefused, "ends before"},
		"JPEG with two headers":    {behindStart(plain, plain[sof:sof+19]...), domain.KindRefused, "two headers"},
		"PNG cut in the pixels":    {pngPlain[:len(pngPlain)-30], domain.KindRefused, "cut short"},
		"PNG with one bit changed": {changed(pngPlain, len(pngPlain)-30, pngPlain[len(pngPlain)-30]^1), domain.KindRefused, "checksum"},
		"PNG without pixels":       {append([]byte(pngSignature), append(chunk("IHDR", []byte{0, 0, 0, 4, 0, 0, 0, 4, 8, 2, 0, 0, 0}), chunk("IEND", nil)...)...), domain.KindRefused, "ends before"},
		"TIFF cut in the pixels":   {tiffPlain[:300], domain.KindRefused, "cut short"},
		"TIFF cut in the header":   {tiffPlain[:6], domain.KindRefused, "cut short"},
		"TIFF that goes round":     {changed(tiffPlain, len(tiffPlain)-4-strippedTail(tiffPlain), roundTo(tiffPlain)...), domain.KindRefused, "circle"},
		"TIFF with no directory":   {tiffHead(little, 0), domain.KindRefused, "ends before"},

		"JPEG then ZIP":           {append(bytes.Clone(plain), zipWithOne()...), domain.KindRefused, "ZIP"},
		"JPEG then zeros, ZIP":    {append(append(bytes.Clone(plain), make([]byte, 100_000)...), zipWithOne()...), domain.KindRefused, "ZIP"},
		"JPEG with ZIP inside":    {append(behindStart(plain[:len(plain)-2], segment(0xfe, zipWithOne())...), 0xff, 0xd9), 0, ""},
		"JPEG then web page":      {append(bytes.Clone(plain), "<HTML><body>"...), domain.KindRefused, "web page"},
		"JPEG then script":        {append(bytes.Clone(plain), "\n\n<script>alert(1)</script>"...), domain.KindRefused, "script"},
		"JPEG then PDF":           {append(bytes.Clone(plain), "\n%PDF-1.7"...), domain.KindRefused, "PDF"},
		"JPEG then much of sorts": {append(bytes.Clone(plain), bytes.Repeat([]byte("x"), 70_000)...), domain.KindRefused, "belong to no picture"},
		"JPEG begins as PDF":      {behindStart(plain, segment(0xfe, []byte("%PDF-1.4"))...), domain.KindRefused, "PDF"},
		"PNG then anything":       {append(bytes.Clone(pngPlain), 'x'), domain.KindRefused, "belong to no picture"},
		"PNG then ZIP":            {append(bytes.Clone(pngPlain), zipWithOne()...), domain.KindRefused, "ZIP"},
		"TIFF then ZIP":           {append(bytes.Clone(tiffPlain), zipWithOne()...), domain.KindRefused, "ZIP"},

		"TIFF that is a raw file": {tiffOf{m: m, more: []entry{{50706, 1, 4, []byte{1, 6, 0, 0}, nil}}}.bytes(), domain.KindUnsupported, "raw"},
		"TIFF with raw pixels below": {tiffOf{m: m, more: []entry{{tag: 330, below: []entry{long(little, 256, 10),
			short(little, 262, 32803)}}}}.bytes(), domain.KindUnsupported, "raw"},
	} {
		t.Run(name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			got, err := read(t, c.file)
			runtime.ReadMemStats(&after)
			if used := after.TotalAlloc - before.TotalAlloc; used > 1<<20 {
				t.Errorf("looking at it took %d bytes", used)
			}
			if c.kind == 0 {
				if err != nil {
					t.Errorf("refused: %v", err)
				}
				return
			}
			if domain.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%+v, %v (kind %d), want kind %d saying %q", got, err, domain.KindOf(err), c.kind, c.says)
			}
			var refusal *domain.Error
			if errors.As(err, &refusal); refusal != nil && refusal.Rule() != "F2" {
				t.Errorf("the refusal names rule %q", refusal.Rule())
			}
		})
	}
}

// changedIHDR makes a PNG claim to be side × side.
func changedIHDR(b []byte, side uint32) []byte {
	c := bytes.Clone(b)
	body := bytes.Clone(c[16:29])
	binary.BigEndian.PutUint32(body, side)
	binary.BigEndian.PutUint32(body[4:], side)
	copy(c[8:], chunk("IHDR", body))
	return c
}

// strippedTail is how many bytes follow the directory's link to the next one in a file of tiffOf.
func strippedTail(b []byte) int {
	first := int(binary.LittleEndian.Uint32(b[4:]))
	n := int(binary.LittleEndian.Uint16(b[first:]))
	return len(b) - (first + 2 + 12*n + 4)
}

func roundTo(b []byte) []byte { return b[4:8] }

func TestF2LeavesWhatCamerasAppend(t *testing.T) {
	plain := jpegBytes(t, quarters(64, 64))
	box := func(kind string, body []byte) []byte {
		return append(binary.BigEndian.AppendUint32(nil, uint32(8+len(body))), append([]byte(kind), body...)...)
	}
	film := append(box("ftyp", []byte("mp42....")), box("mdat", bytes.Repeat([]byte("PK\x03\x04 frame"), 20_000))...)
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	for name, file := range map[string][]byte{
		"padding of zeros":                 join(plain, make([]byte, 200_000)),
		"further pictures":                 join(plain, plain, []byte{0, 0}, plain),
		"a film":                           join(plain, film),
		"a film behind the maker's mark":   join(plain, []byte("\x00\x00\x30\x0a\x10\x00\x00\x00Motion"), film),
		"a small block of the maker's own": join(plain, bytes.Repeat([]byte{7}, 5000)),
	} {
		if got, err := read(t, file); err != nil || got.WidthPX != 64 {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	if _, err := read(t, join(plain, plain[:len(plain)-9])); err == nil || !strings.Contains(err.Error(), "cut short") {
		t.Errorf("an appended picture that is cut short: %v", err)
	}
	if _, err := read(t, join(plain, film, []byte("<script>"))); err == nil || !strings.Contains(err.Error(), "script") {
		t.Errorf("a script behind the film: %v", err)
	}
}

func TestF2KeepsOriginalsThatCannotBeDrawn(t *testing.T) {
	o := binary.LittleEndian
	m := quarters(16, 16)
	with := func(more ...entry) []byte { return tiffOf{m: m, more: more}.bytes() }
	sof := func(to byte, precision byte) []byte {
		b := jpegBytes(t, m)
		i := bytes.Index(b, []byte{0xff, 0xc0})
		b[i+1], b[i+4] = to, precision
		return b
	}
	for says, file := range map[string][]byte{
		"CMYK":           tiffOf{m: m, alpha: true, more: []entry{short(o, tagPhotometric, 5)}}.bytes(),
		"CIELAB":         with(short(o, tagPhotometric, 8)),
		"plane of its":   with(short(o, tagPlanar, 2), long(o, tagStripOffsets, 8, 8, 8), long(o, tagStripBytes, 256, 256, 256)),
		"floating-point": with(short(o, tagSampleFormat, 3, 3, 3)),
		"further chan":   with(short(o, tagPhotometric, 1), short(o, tagSamplesPerPixel, 2), short(o, tagBitsPerSample, 8, 8), short(o, 338, 0)),
		"12 bits":        with(short(o, tagBitsPerSample, 12, 12, 12), long(o, tagRowsPerStrip, 16), short(o, tagCompression, 5)),
		"(7)":            with(short(o, tagCompression, 7)),
		"BigTIFF":        bigTIFF(o, 16, 16),
		"rare way":       sof(0xc3, 8),
		"12 bits per":    sof(0xc1, 12),
	} {
		got, err := read(t, file)
		if err != nil {
			t.Errorf("%s: refused: %v", says, err)
			continue
		}
		if !strings.Contains(got.NoPreview, says) || got.WidthPX != 16 || got.HeightPX != 16 {
			t.Errorf("%s: %+v", says, got)
		}
		_, err = Derive(context.Background(), bytes.NewReader(file), int64(len(file)), DefaultLimits)
		var not *NotDrawn
		if !errors.As(err, &not) || not.Reason != got.NoPreview {
			t.Errorf("%s: deriving gives %v", says, err)
		}
	}
}

// bigTIFF writes a TIFF with 64-bit offsets: one strip of 8-bit grey.
func bigTIFF(o byteOrder, width, height uint64) []byte {
	b := append([]byte("II\x2b\x00"), 8, 0, 0, 0)
	pixels := uint64(16)
	b = o.AppendUint64(b, pixels+width*height)
	b = append(b, make([]byte, width*height)...)
	fields := [][2]uint64{{256, width}, {257, height}, {258, 8}, {259, 1}, {262, 1}, {273, pixels}, {277, 1}, {278, height}, {279, width * height}}
	b = o.AppendUint64(b, uint64(len(fields)))
	for _, f := range fields {
		b = o.AppendUint16(b, uint16(f[0]))
		b = o.AppendUint16(b, 16)
		b = o.AppendUint64(b, 1)
		b = o.AppendUint64(b, f[1])
	}
	return o.AppendUint64(b, 0)
}

func TestF2LimitOfBytes(t *testing.T) {
	_, err := Read(context.Background(), bytes.NewReader(nil), 2001, Limits{Bytes: 2000, Pixels: 1})
	if domain.KindOf(err) != domain.KindTooLarge || !strings.Contains(err.Error(), "2000 bytes") {
		t.Errorf("%v", err)
	}
	_, err = Read(context.Background(), bytes.NewReader(nil), DefaultLimits.Bytes+1, DefaultLimits)
	if !strings.Contains(err.Error(), "500 MB") {
		t.Errorf("%v", err)
	}
}

type failing struct{ after int64 }

func (f failing) ReadAt(p []byte, off int64) (int, error) {
	if off > f.after {
		return 0, errors.New("the disk is gone")
	}
	return bytes.NewReader(append([]byte("\xff\xd8\xff\xe0\xff\xf0"), make([]byte, 1<<20)...)).ReadAt(p, off)
}

func TestStorageFaultIsNoRefusal(t *testing.T) {
	_, err := Read(context.Background(), failing{1000}, 1<<20, DefaultLimits)
	if err == nil || domain.KindOf(err) != 0 {
		t.Errorf("a fault of the storage is told as %v", err)
	}
	ctx, stop := context.WithCancel(context.Background())
	stop()
	file := append(jpegBytes(t, quarters(8, 8)), make([]byte, 4<<20)...)
	if _, err := Read(ctx, bytes.NewReader(file), int64(len(file)), DefaultLimits); !errors.Is(err, context.Canceled) {
		t.Errorf("when nobody waits any more: %v", err)
	}
}

// header values of real pictures that no Go encoder writes: grey, 4:2:0, odd sides.
func TestReadsGreyAndOddSizes(t *testing.T) {
	grey := image.NewGray(image.Rect(0, 0, 33, 17))
	for _, b := range [][]byte{jpegBytes(t, grey), pngBytes(t, grey)} {
		if got, err := read(t, b); err != nil || got.WidthPX != 33 || got.HeightPX != 17 {
			t.Errorf("%+v, %v", got, err)
		}
	}
}
