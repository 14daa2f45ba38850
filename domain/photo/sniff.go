package photo

import (
	"bytes"
	"fmt"
	"path"
	"slices"
	"strings"

	"farthingale/domain"
)

// Kind is the media type of an accepted picture file.
type Kind string

// The kinds of rule F2.
const (
	JPEG Kind = "image/jpeg"
	PNG  Kind = "image/png"
	TIFF Kind = "image/tiff"
)

// Suffix is what the name of such a file ends in.
func (k Kind) Suffix() string {
	switch k {
	case JPEG:
		return ".jpg"
	case PNG:
		return ".png"
	case TIFF:
		return ".tif"
	}
	return ""
}

// SavedAs is a name under which such a file is saved. A name that ends as another kind of file gets
// this kind's ending too: a picture is never saved as a page that a double click would run.
func (k Kind) SavedAs(name string) string {
	own := map[Kind][]string{JPEG: {".jpg", ".jpeg", ".jpe"}, PNG: {".png"}, TIFF: {".tif", ".tiff"}}[k]
	if slices.Contains(own, strings.ToLower(path.Ext(name))) {
		return name
	}
	return name + k.Suffix()
}

// Words is the kind as people call it.
func (k Kind) Words() string {
	switch k {
	case JPEG:
		return "JPEG"
	case PNG:
		return "PNG"
	case TIFF:
		return "TIFF"
	}
	return string(k)
}

// SniffBytes is how much of the beginning of a file Sniff wants to see.
const SniffBytes = 1024

const pngSignature = "\x89PNG\r\n\x1a\n"

// Sniff says what kind of file begins with head (up to SniffBytes of it, fewer only when the file
// is shorter). The file's name and the type that the sender declares do not count (F2). Anything
// but JPEG, PNG and TIFF is an *domain.Error of KindUnsupported that says what it is instead; a
// file that also passes for a document (a PDF may begin anywhere in the first kilobyte) is refused
// too.
func Sniff(head []byte) (Kind, error) {
	var kind Kind
	switch {
	case len(head) == 0:
		return "", refuse("The file is empty. Nothing arrived; send it again.")
	case bytes.HasPrefix(head, []byte("\xff\xd8\xff")):
		kind = JPEG
	case bytes.HasPrefix(head, []byte(pngSignature)):
		kind = PNG
	case bytes.HasPrefix(head, []byte("II\x2a\x00")), bytes.HasPrefix(head, []byte("MM\x00\x2a")),
		bytes.HasPrefix(head, []byte("II\x2b\x00")), bytes.HasPrefix(head, []byte("MM\x00\x2b")):
		kind = TIFF
	default:
		return "", unsupported(otherKind(head))
	}
	if bytes.Contains(head[:min(len(head), SniffBytes)], []byte("%PDF-")) {
		return "", refuse("This " + kind.Words() + " file is at the same time a PDF. A file that is two things is not kept. Export the picture anew.")
	}
	if kind == TIFF && len(head) >= 10 && string(head[8:10]) == "CR" {
		return "", unsupported("a camera's raw file")
	}
	return kind, nil
}

// otherKind names what head is the beginning of, as well as it can be told.
func otherKind(head []byte) string {
	for _, s := range []struct{ at, mark, what string }{
		{"", "GIF8", "a GIF picture"},
		{"", "BM", "a Windows bitmap"},
		{"", "%PDF-", "a PDF document"},
		{"", "PK\x03\x04", "a ZIP archive (or an office document)"},
		{"", "PK\x05\x06", "an empty ZIP archive"},
		{"", "Rar!", "a RAR archive"},
		{"", "7z\xbc\xaf\x27\x1c", "a 7z archive"},
		{"", "\x1f\x8b", "a gzip archive"},
		{"", "\x7fELF", "a program"},
		{"", "MZ", "a program"},
		{"", "8BPS", "a layered picture of an image editor"},
		{"", "\xff\x0a", "a JPEG XL picture"},
		{"", "\x00\x00\x00\x0cJXL ", "a JPEG XL picture"},
		{"", "\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"},
		{"", "\xff\x4f\xff\x51", "a JPEG 2000 picture"},
		{"", "IIU\x00", "a camera's raw file"},
		{"", "IIRO", "a camera's raw file"},
		{"", "FUJIFILMCCD-RAW", "a camera's raw file"},
		{"RIFF    ", "WEBP", "a WebP picture"},
		{"RIFF    ", "AVI ", "a film"},
		{"    ", "ftyp", ""},
		{"", "\x1aE\xdf\xa3", "a film"},
	} {
		at := len(s.at)
		if len(head) < at+len(s.mark) || string(head[at:at+len(s.mark)]) != s.mark ||
			(at > 4 && !bytes.HasPrefix(head, []byte(s.at[:4]))) {
			continue
		}
		if s.mark != "ftyp" {
			return s.what
		}
		if len(head) < 12 {
			return "a film"
		}
		switch string(head[8:12]) {
		case "heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "msf1":
			return "a HEIC picture"
		case "avif", "avis":
			return "an AVIF picture"
		case "crx ":
			return "a camera's raw file"
		}
		return "a film"
	}
	lower := bytes.ToLower(bytes.TrimLeft(head, "\xef\xbb\xbf \t\r\n"))
	for mark, what := range map[string]string{
		"<!doctype": "a web page", "<html": "a web page", "<script": "a script", "<svg": "an SVG drawing", "<?xml": "an XML file", "#!": "a script",
	} {
		if bytes.HasPrefix(lower, []byte(mark)) {
			return what
		}
	}
	return "no kind of picture that is known here"
}

// refuse is rule F2 for a file that is damaged, hostile or empty.
func refuse(message string) *domain.Error { return domain.Refuse("F2", message) }

func refusef(format string, args ...any) *domain.Error { return refuse(fmt.Sprintf(format, args...)) }

func unsupported(what string) *domain.Error {
	return &domain.Error{
		Kind: domain.KindUnsupported, Code: "F2",
		Message: "This file is " + what + ". Send a JPEG, PNG or TIFF; what counts is the content, not the name.",
	}
}

func tooLarge(message string) *domain.Error {
	return &domain.Error{Kind: domain.KindTooLarge, Code: "F2", Message: message}
}
