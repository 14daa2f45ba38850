package hostile_test

import (
	"bytes"
	"fmt"
	"net/http"
	"strings"

	"farthingale/cmd/farthingale/serve/servetest"
)

// form is a multipart body that is written part by part, so that it can be wrong in any way.
type form struct{ bytes.Buffer }

const boundary = "b0undary"

func (f *form) part(disposition, kind string, content []byte) *form {
	fmt.Fprintf(f, "--%s\r\nContent-Disposition: %s\r\nContent-Type: %s\r\n\r\n%s\r\n", boundary, disposition, kind, content)
	return f
}

func (f *form) end() []byte {
	fmt.Fprintf(f, "--%s--\r\n", boundary)
	return f.Bytes()
}

const (
	described = `form-data; name="description"`
	pictured  = `form-data; name="file"; filename="a.jpg"`
)

// spoiltUpload spoils a body that is a picture, and a form of a description with pictures: every field
// of the description, and the form itself.
func (w *walk) spoiltUpload(base *request) (all []spoilt) {
	wrong := []int{http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity}
	picture := servetest.JPEG(190)
	add := func(what, kind string, body []byte, refused bool, names ...string) {
		s := spoilt{request: base.clone(), what: what, refused: refused, status: wrong, names: names}
		s.header.Set("Content-Type", kind)
		if strings.HasPrefix(kind, "multipart/") {
			s.query = nil
		}
		s.bytes = append([]byte{}, body...)
		all = append(all, s)
	}
	for what, body := range map[string][]byte{
		"no bytes": {}, "one byte": {0xff}, "a page": []byte("<!doctype html><script>alert(1)</script>"), "a drawing with a script": []byte(`<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`),
		"half a picture": picture[:len(picture)/2], "the head of a picture": picture[:20], "a page behind the mark of a picture": append([]byte("\xff\xd8\xff\xe0"), "<script>alert(1)</script>"...),
		"an archive": []byte("PK\x03\x04aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"), "a program": []byte("\x7fELF\x02\x01\x01aaaaaaaaaaaaaaaa"), "10 MB of zeros": make([]byte, much),
		"a picture of 65,535 by 65,535": huge(picture), "a GIF": []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"), "a PNG of nothing": []byte("\x89PNG\r\n\x1a\n"),
		"a TIFF that points into itself": []byte("II*\x00\x08\x00\x00\x00\x01\x00\x00\x01\x04\x00\x01\x00\x00\x00\x08\x00\x00\x00\x08\x00\x00\x00"),
	} {
		add("the picture is "+what, "image/jpeg", body, true)
	}
	for _, kind := range []string{"", "text/html", "application/json", "image", "multipart/form-data", "multipart/mixed; boundary=x", "application/x-www-form-urlencoded"} {
		add("sent as "+kind, kind, picture, true)
	}

	const kind = "multipart/form-data; boundary=" + boundary
	at := base.o.bodies["multipart/form-data"]
	if at == "" {
		return all
	}
	words := w.words()
	base = base.clone() // of the object whose components the description names
	base.path["id"] = w.list("select object_id::text from component where id = $1", words["component_id"])[0]
	description := w.example(base, words, at+"/properties/description", "", true)
	text := encode(description)
	whole := new(form).part(described, "application/json", text).part(pictured, "image/jpeg", picture).end()
	add("a whole form", kind, whole, false)
	add("half a form", kind, whole[:len(whole)/2], true)
	add("a form without its end", kind, whole[:len(whole)-len(boundary)-6], true)
	add("a form with another boundary", kind+"x", whole, true)
	add("an empty form", kind, new(form).end(), true)
	add("no form", kind, nil, true)
	add("a form without a file", kind, new(form).part(described, "application/json", text).end(), true, "/file")
	add("a form without a description", kind, new(form).part(pictured, "image/jpeg", picture).end(), true, "/description")
	add("a description twice", kind, new(form).part(described, "application/json", text).part(described, "application/json", text).part(pictured, "image/jpeg", picture).end(), true, "/description")
	add("an unknown part", kind, new(form).part(described, "application/json", text).part(`form-data; name="../../x"`, "text/plain", []byte("x")).end(), true)
	add("a part without a name", kind, new(form).part("form-data", "text/plain", []byte("x")).end(), true)
	add("a part in a form in a part", kind, new(form).part(described, "multipart/mixed; boundary="+boundary, whole).end(), true)
	add("a part with a head of 1 MB", kind, new(form).part(`form-data; name="`+strings.Repeat("a", large)+`"`, "text/plain", nil).end(), true)
	add("a description of 10 MB", kind, new(form).part(described, "application/json", bytes.Repeat([]byte(" "), much)).end(), true)
	add("a description of 10,000 lists in lists", kind, new(form).part(described, "application/json", []byte(strings.Repeat("[", deep))).end(), true)
	for _, v := range append(parameterTexts("string", ""), naughty{what: "of NUL and strokes", text: "a\x00/../b"}) {
		name := strings.NewReplacer("\r", "", "\n", "", `"`, `\"`, `\`, `\\`).Replace(v.text)
		add("the name of a file is "+v.what, kind, new(form).part(described, "application/json", text).part(`form-data; name="file"; filename="`+name+`"`, "image/jpeg", picture).end(), false)
	}
	for _, f := range w.doc.fields(at + "/properties/description") {
		w.fields.Add(1)
		_, schema := w.doc.resolve(f.schema)
		for _, v := range others {
			if !v.sent(jsonKind(schema)) || v.value.parses() && w.doc.validJSON(f.schema, v.value) {
				continue
			}
			bad := copied(description)
			if len(f.path) == 0 {
				bad = v.value
			} else if !put(bad, f.path, v.value) {
				w.t.Errorf("%s: cannot reach %s of the description", base.o.name(), f.pointer())
				continue
			}
			add("of the description, "+f.pointer()+" is "+v.what, kind, new(form).part(described, "application/json", encode(bad)).part(pictured, "image/jpeg", picture).end(), true)
		}
	}
	return all
}

// huge is a JPEG whose frame claims to be as large as a frame can be.
func huge(picture []byte) []byte {
	b := bytes.Clone(picture)
	if i := bytes.Index(b, []byte{0xff, 0xc0}); i > 0 {
		copy(b[i+5:], []byte{0xff, 0xff, 0xff, 0xff})
	}
	return b
}
