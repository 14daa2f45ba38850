package drive

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/jpeg"
	"math/rand/v2"
	"net/http"
	"regexp"
)

// Weight is how much a page weighs without its photographs.
type Weight struct {
	What        string
	Plain, Sent int64 // bytes, as a browser holds them and as they were sent
}

var linkedFile = regexp.MustCompile(`(?:href|src)="(/static/[^"]+\.(?:css|js)[^"]*)"`)

// Weigh gets pages and what they link to of style and script. Fonts, icons and photographs are not counted.
func Weigh(ctx context.Context, w *World, seed uint64) []Weight {
	r := rand.New(rand.NewPCG(seed, 7)) // #nosec G404 -- which page is looked at is no secret
	p := w.People[0]
	var all []Weight
	files := map[string]bool{}
	for _, page := range []struct{ what, path string }{
		{"an object's sheet", "/objects/" + choose(r, w.Objects).Number},
		{"a list of objects", q("/objects", "cursor", choose(r, w.Objects).After())},
		{"a treatment", "/treatments/" + choose(r, w.Treatments).String()},
		{"the form of a handling", "/objects/" + choose(r, w.Objects).Number + "/handle"},
		{"today", "/"},
	} {
		a := p.ask(ctx, request{method: http.MethodGet, path: page.path, page: true})
		text := a.text()
		all = append(all, Weight{page.what, int64(len(text)), a.bytes})
		for _, found := range linkedFile.FindAllSubmatch(text, -1) {
			files[string(found[1])] = true
		}
	}
	shared := Weight{What: "style and scripts, once a day"}
	for path := range files {
		a := p.ask(ctx, request{method: http.MethodGet, path: path, page: true})
		shared.Plain, shared.Sent = shared.Plain+int64(len(a.text())), shared.Sent+a.bytes
	}
	return append(all, shared)
}

// Picture is a small photograph to upload.
func Picture() []byte {
	m := image.NewRGBA(image.Rect(0, 0, 1200, 900))
	for y := range 900 {
		for x := range 1200 {
			m.SetRGBA(x, y, color.RGBA{uint8(x * y), uint8(x + y), uint8(y), 255}) // #nosec G115 -- a pattern, whatever wraps round
		}
	}
	var b bytes.Buffer
	_ = jpeg.Encode(&b, m, nil) // a buffer takes everything
	return b.Bytes()
}
