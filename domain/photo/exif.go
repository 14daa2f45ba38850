package photo

import (
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"github.com/bep/imagemeta"

	"farthingale/domain"
)

// exifTags are the only tags whose values are read (F2).
// source of the names: CIPA DC-008-2019 (EXIF 2.32), tables 4, 7 and 8
var exifTags = map[string]bool{
	"Orientation": true, "Make": true, "Model": true, "LensModel": true, "SerialNumber": true,
	"BodySerialNumber": true, "LensSerialNumber": true, "DateTimeOriginal": true, "OffsetTimeOriginal": true,
	"DateTimeDigitized": true, "CreateDate": true, "OffsetTimeDigitized": true, "OffsetTime": true,
	"FocalLength": true, "FNumber": true, "ExposureTime": true, "ISO": true, "ISOSpeedRatings": true, "PhotographicSensitivity": true,
}

// addEXIF takes over what the file says about camera and time. Metadata that cannot be read say
// nothing: they are no reason to refuse a picture. Of positions only the fact is noted.
func (g *Reading) addEXIF(r io.ReaderAt, size int64) {
	format := map[Kind]imagemeta.ImageFormat{JPEG: imagemeta.JPEG, PNG: imagemeta.PNG, TIFF: imagemeta.TIFF}[g.MediaType]
	tags := map[string]any{}
	func() {
		// The parser is not ours; what it cannot stand must not stop an upload.
		defer func() { _ = recover() }()
		// Errors are left: what was read before them counts.
		_, _ = imagemeta.Decode(imagemeta.Options{
			R: io.NewSectionReader(r, 0, size), ImageFormat: format, Sources: imagemeta.EXIF,
			LimitNumTags: 2000, LimitTagSize: 2000, Warnf: func(string, ...any) {},
			ShouldHandleTag: func(tag imagemeta.TagInfo) bool {
				if strings.Contains(tag.Namespace, "GPSInfo") {
					g.HoldsPosition = true
					return false
				}
				return exifTags[tag.Tag] && (tag.Namespace == "IFD0" || strings.HasPrefix(tag.Namespace, "IFD0/ExifIFD"))
			},
			HandleTag: func(tag imagemeta.TagInfo) error {
				if _, twice := tags[tag.Tag]; !twice {
					tags[tag.Tag] = tag.Value
				}
				return nil
			},
		})
	}()
	g.Orientation = int(exifNumber(tags, "Orientation"))
	g.Camera = Camera{
		Make: exifText(tags, "Make"), Model: exifText(tags, "Model"), Lens: exifText(tags, "LensModel"),
		Serial: exifText(tags, "SerialNumber", "BodySerialNumber"), LensSerial: exifText(tags, "LensSerialNumber"),
		FocalLengthMM: exifNumber(tags, "FocalLength"), FNumber: exifNumber(tags, "FNumber"),
		ExposureS: exifNumber(tags, "ExposureTime"),
		ISO:       int(exifNumber(tags, "ISO", "ISOSpeedRatings", "PhotographicSensitivity")),
	}
	zone := exifText(tags, "OffsetTimeOriginal", "OffsetTimeDigitized", "OffsetTime")
	g.TakenAt = cameraTime(exifText(tags, "DateTimeOriginal", "DateTimeDigitized", "CreateDate"), zone)
}

// exifText is the first of the tags that holds text which can be kept, at most 200 characters.
func exifText(tags map[string]any, names ...string) string {
	for _, name := range names {
		s, _ := tags[name].(string)
		s = strings.TrimSpace(strings.TrimRight(s, "\x00 "))
		if s == "" || !domain.CleanText(s) || strings.ContainsAny(s, "\r\n") || utf8.RuneCountInString(s) > 200 {
			continue
		}
		return s
	}
	return ""
}

// exifNumber is the first of the tags that holds a number above 0, else 0.
func exifNumber(tags map[string]any, names ...string) float64 {
	for _, name := range names {
		var n float64
		switch v := tags[name].(type) {
		case interface{ Float64() float64 }:
			n = v.Float64()
		case uint8:
			n = float64(v)
		case uint16:
			n = float64(v)
		case uint32:
			n = float64(v)
		case int:
			n = float64(v)
		case float64:
			n = v
		case []any: // some writers give two sensitivities
			if len(v) > 0 {
				n = exifNumber(map[string]any{name: v[0]}, name)
			}
		}
		if n > 0 && n < 1e9 && !math.IsNaN(n) {
			return n
		}
	}
	return 0
}
