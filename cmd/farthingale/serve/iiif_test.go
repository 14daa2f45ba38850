package serve_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	_ "image/jpeg"
	_ "image/png"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/photo/iiif"
	"farthingale/domain/photo/mark"
)

// gallery is a house with one photograph of an object, seen by programs of elsewhere.
type gallery struct {
	*servetest.House
	t     *testing.T
	by    servetest.Someone
	photo *photo.Photo
	base  string
}

func newGallery(t *testing.T) *gallery {
	t.Helper()
	h := servetest.New(t)
	ground := h.Ground()
	g := &gallery{House: h, t: t, by: ground.People[domain.Conservator]}
	d := photo.Description{View: "front", Light: "normal", Stage: "condition", Caption: "<b>Creases</b> & stains"}
	p, err := h.Photo.Upload(t.Context(), g.by.Actor, ground.Object.ID, d, "a.jpg", bytes.NewReader(servetest.JPEG(90)))
	if err != nil {
		t.Fatal(err)
	}
	g.photo, g.base = p, "/iiif/"+p.ID.String()
	return g
}

// ask sends a request with the token of somebody; the zero Someone has none.
func (g *gallery) ask(who servetest.Someone, method, path string, headers ...servetest.Header) *http.Response {
	g.t.Helper()
	r := httptest.NewRequest(method, "http://museum.example"+path, nil).WithContext(g.t.Context())
	if who.Token != "" {
		r.Header.Set("Authorization", "Bearer "+who.Token)
	}
	for _, h := range headers {
		r.Header.Set(h.Name, h.Value)
	}
	w := httptest.NewRecorder()
	g.Handler.ServeHTTP(w, r)
	return w.Result()
}

// TestIIIFImageLevel2 walks the table of what level 2 must do.
// source: IIIF Image API 3.0, compliance document (level 2): region, size, rotation, quality, format and HTTP features
func TestIIIFImageLevel2(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	w, h := g.photo.Original.WidthPX, g.photo.Original.HeightPX
	half := fmt.Sprintf("%dx%d", w/2, (h+1)/2)
	whole, turned := fmt.Sprintf("%dx%d", w, h), fmt.Sprintf("%dx%d", h, w)
	side := min(w, h)
	for feature, c := range map[string][2]string{
		"regionByPx":       {"0,0,10,10/max/0/default.jpg", "10x10"},
		"regionByPct":      {"pct:0,0,50,50/max/0/default.jpg", fmt.Sprintf("%dx%d", (w+1)/2, (h+1)/2)},
		"regionSquare":     {"square/max/0/default.jpg", fmt.Sprintf("%dx%d", side, side)},
		"sizeByW":          {fmt.Sprintf("full/%d,/0/default.jpg", w/2), half},
		"sizeByH":          {fmt.Sprintf("full/,%d/0/default.jpg", h/2), fmt.Sprintf("%dx%d", w*(h/2)/h, h/2)},
		"sizeByWh":         {"full/20,30/0/default.jpg", "20x30"},
		"sizeByPct":        {"full/pct:50/0/default.jpg", fmt.Sprintf("%dx%d", (w+1)/2, (h+1)/2)},
		"sizeByConfinedWh": {fmt.Sprintf("full/!%d,%d/0/default.jpg", w, h), whole},
		"sizeUpscaling":    {"0,0,10,10/^40,40/0/default.jpg", "40x40"},
		"rotationBy90s":    {"full/max/90/default.jpg", turned},
		"rotation by 180":  {"full/max/180/default.jpg", whole},
		"rotation by 270":  {"full/max/270/default.jpg", turned},
		"mirroring":        {"full/max/!0/default.jpg", whole},
		"color":            {"full/max/0/color.jpg", whole},
		"gray":             {"full/max/0/gray.jpg", whole},
		"jpg":              {"full/max/0/default.jpg", whole},
		"png":              {"full/max/0/default.png", whole},
	} {
		answer := g.ask(g.by, http.MethodGet, g.base+"/"+c[0])
		m, kind, err := image.Decode(answer.Body)
		if err != nil || answer.StatusCode != http.StatusOK || answer.Header.Get("Content-Type") != "image/"+kind {
			t.Errorf("%s (%s): status %d, %v", feature, c[0], answer.StatusCode, err)
			continue
		}
		if got := fmt.Sprintf("%dx%d", m.Bounds().Dx(), m.Bounds().Dy()); got != c[1] {
			t.Errorf("%s (%s): %s, want %s", feature, c[0], got, c[1])
		}
		if links := strings.Join(answer.Header.Values("Link"), " "); !strings.Contains(links, `rel="canonical"`) || !strings.Contains(links, "<http://museum.example"+g.base) || !strings.Contains(links, `level2.json>;rel="profile"`) {
			t.Errorf("%s: Link %s", feature, links)
		}
		if answer.Header.Get("Access-Control-Allow-Origin") != "*" {
			t.Errorf("%s: no CORS", feature)
		}
	}
	// baseUriRedirect, jsonldMediaType
	if answer := g.ask(g.by, http.MethodGet, g.base); answer.StatusCode != http.StatusSeeOther || answer.Header.Get("Location") != g.base+"/info.json" {
		t.Errorf("base: %d %s", answer.StatusCode, answer.Header.Get("Location"))
	}
	info := g.ask(g.by, http.MethodGet, g.base+"/info.json", servetest.Header{Name: "Accept", Value: "application/ld+json"})
	var described iiif.Info
	if err := json.NewDecoder(info.Body).Decode(&described); err != nil || info.Header.Get("Content-Type") != iiif.ImageProfile || described.ID != "http://museum.example"+g.base || described.Width != w || described.Profile != "level2" {
		t.Errorf("info.json: %+v %v", described, err)
	}
	if plain := g.ask(g.by, http.MethodGet, g.base+"/info.json"); plain.Header.Get("Content-Type") != "application/json" {
		t.Errorf("info.json is %s", plain.Header.Get("Content-Type"))
	}
	// Errors are 400 and 404, and say so in words.
	for path, want := range map[string]int{
		"/full/max/22.5/default.jpg": 400, "/full/max/0/sepia.jpg": 400, "/full/max/0/default.bmp": 400, "/full/9000,/0/default.jpg": 400, "/9000,0,10,10/max/0/default.jpg": 400,
		"/full/max/0": 404, "/full": 404, "/": 404,
	} {
		if answer := g.ask(g.by, http.MethodGet, g.base+path); answer.StatusCode != want || answer.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %s", path, answer.StatusCode, answer.Header.Get("Content-Type"))
		}
	}
	if answer := g.ask(g.by, http.MethodGet, "/iiif/"+domain.NewID().String()+"/info.json"); answer.StatusCode != http.StatusNotFound {
		t.Errorf("unknown: %d", answer.StatusCode)
	}
	first := g.ask(g.by, http.MethodGet, g.base+"/full/max/0/default.jpg")
	if answer := g.ask(g.by, http.MethodGet, g.base+"/full/max/0/color.jpg", servetest.Header{Name: "If-None-Match", Value: first.Header.Get("ETag")}); answer.StatusCode != http.StatusNotModified {
		t.Errorf("what is known is sent again: %d", answer.StatusCode)
	}
}

// TestIIIFIsPrivate: nobody is shown anything, and who may look comes by token or by session.
func TestIIIFIsPrivate(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	steward := g.Person("Stella Wick", domain.Steward)
	reader := g.Person("Lars Wray", domain.Reader)
	for _, path := range []string{g.base, g.base + "/info.json", g.base + "/full/max/0/default.jpg", g.base + "/marks", "/iiif/objects/1968.14.2/manifest"} {
		for who, want := range map[string]int{"nobody": 401, "a steward": 403, "a reader": 0} {
			someone := map[string]servetest.Someone{"a steward": steward, "a reader": reader}[who]
			if answer := g.ask(someone, http.MethodGet, path); want != 0 && answer.StatusCode != want || want == 0 && answer.StatusCode >= 400 {
				t.Errorf("%s, %s: %d", path, who, answer.StatusCode)
			}
		}
		if answer := g.ask(servetest.Someone{Token: "made-up"}, http.MethodGet, path); answer.StatusCode != http.StatusUnauthorized {
			t.Errorf("%s, a made-up token: %d", path, answer.StatusCode)
		}
		if page := g.Browser(reader).Get(path); page.Status != http.StatusOK {
			t.Errorf("%s, by a session: %d", path, page.Status)
		}
		if answer := g.ask(servetest.Someone{}, http.MethodOptions, path, servetest.Header{Name: "Origin", Value: "https://viewer.example"}); answer.StatusCode != http.StatusNoContent || !strings.Contains(answer.Header.Get("Access-Control-Allow-Headers"), "Authorization") {
			t.Errorf("%s, asked whether one may ask: %d", path, answer.StatusCode)
		}
	}
}

// TestIIIFManifest holds the manifest of an object against the rules of the text.
// source: IIIF Presentation API 3.0, 5.2 (Manifest), 5.3 (Canvas), 5.5 (AnnotationPage), 5.6 (Annotation), 4.2 (language maps)
func TestIIIFManifest(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	note := photo.Drawing{Shape: mark.Shape{Kind: mark.Rectangle, Points: []mark.Point{{1, 2}, {20, 30}}}, Note: "stain"}
	if _, err := g.Photo.Draw(t.Context(), g.by.Actor, g.photo.ID, note); err != nil {
		t.Fatal(err)
	}
	if _, err := g.Photo.SetScale(t.Context(), g.by.Actor, g.photo.ID, photo.NewScale{From: &mark.Point{0, 1}, To: &mark.Point{20, 1}, LengthMM: 10}); err != nil {
		t.Fatal(err)
	}
	answer := g.ask(g.by, http.MethodGet, "/iiif/objects/1968.14.2/manifest", servetest.Header{Name: "Accept", Value: iiif.PresentationProfile})
	var m map[string]any
	if err := json.NewDecoder(answer.Body).Decode(&m); err != nil || answer.Header.Get("Content-Type") != iiif.PresentationProfile {
		t.Fatal(answer.Status, err)
	}
	for _, fault := range manifestFaults(m) {
		t.Error(fault)
	}
	canvas := m["items"].([]any)[0].(map[string]any)
	if summary := canvas["summary"].(map[string]any)["none"].([]any)[0].(string); strings.HasPrefix(summary, "<") {
		t.Errorf("a caption is read as HTML: %s", summary)
	}
	marks := canvas["annotations"].([]any)[0].(map[string]any)["items"].([]any)
	target := marks[0].(map[string]any)["target"].(map[string]any)
	if target["source"] != canvas["id"] || target["selector"].(map[string]any)["value"] != "xywh=pixel:1,2,19,28" || marks[0].(map[string]any)["motivation"] == "painting" {
		t.Errorf("%v", marks)
	}
	if scale := canvas["service"].([]any)[0].(map[string]any); scale["physicalScale"] != 0.5 || scale["physicalUnits"] != "mm" {
		t.Errorf("%v", scale)
	}
	// What the manifest names is there: picture, image service, marks.
	painting := canvas["items"].([]any)[0].(map[string]any)["items"].([]any)[0].(map[string]any)["body"].(map[string]any)
	for _, id := range []any{painting["id"], painting["service"].([]any)[0].(map[string]any)["id"], canvas["thumbnail"].([]any)[0].(map[string]any)["id"], canvas["annotations"].([]any)[0].(map[string]any)["id"], m["id"]} {
		path := strings.TrimPrefix(id.(string), "http://museum.example")
		if answer := g.ask(g.by, http.MethodGet, path); answer.StatusCode >= 400 {
			t.Errorf("%s: %d", path, answer.StatusCode)
		}
	}
	picture := g.ask(g.by, http.MethodGet, strings.TrimPrefix(painting["id"].(string), "http://museum.example"))
	if size, _, err := image.DecodeConfig(picture.Body); err != nil || float64(size.Width) != painting["width"] || float64(size.Height) != painting["height"] {
		t.Errorf("the picture is %v, said %v × %v", size, painting["width"], painting["height"])
	}
	if answer := g.ask(g.by, http.MethodGet, "/iiif/objects/1900.1.1/manifest"); answer.StatusCode != http.StatusNotFound {
		t.Errorf("an unknown object: %d", answer.StatusCode)
	}
	// The checker sees what is wrong: the two mistakes that are made most.
	for name, spoil := range map[string]func(){"label is text": func() { m["label"] = "Dress" }, "no label": func() { delete(m, "label") }, "no items": func() { m["items"] = []any{} }} {
		spoil()
		if len(manifestFaults(m)) == 0 {
			t.Errorf("%s: not seen", name)
		}
	}
}

// manifestFaults is every rule of the text that a manifest breaks.
func manifestFaults(m map[string]any) (faults []string) {
	bad := func(at, what string) { faults = append(faults, at+": "+what) }
	address := func(at string, of map[string]any) {
		if id, _ := of["id"].(string); !strings.HasPrefix(id, "http://") && !strings.HasPrefix(id, "https://") {
			bad(at, "the id must be an HTTP address")
		}
	}
	language := func(at string, v any, must bool) {
		if v == nil {
			if must {
				bad(at, "is missing")
			}
			return
		}
		text, ok := v.(map[string]any)
		if !ok || len(text) == 0 {
			bad(at, "must be a map of languages")
		}
		for _, values := range text {
			list, ok := values.([]any)
			if !ok || len(list) == 0 {
				bad(at, "the values of a language must be a list")
			}
			for _, value := range list {
				if _, ok := value.(string); !ok {
					bad(at, "must be text")
				}
			}
		}
	}
	items := func(at string, of map[string]any, name string, must bool) []map[string]any {
		list, ok := of[name].([]any)
		if must && (!ok || len(list) == 0) {
			bad(at, name+" must hold at least one")
		}
		var all []map[string]any
		for _, one := range list {
			object, ok := one.(map[string]any)
			if !ok {
				bad(at, name+" must hold objects")
				continue
			}
			all = append(all, object)
		}
		return all
	}
	annotations := func(at string, page map[string]any, canvas string, painting bool) {
		if page["type"] != "AnnotationPage" {
			bad(at, "must be an AnnotationPage")
		}
		address(at, page)
		for i, a := range items(at, page, "items", painting) {
			here := fmt.Sprintf("%s/items/%d", at, i)
			address(here, a)
			if a["type"] != "Annotation" || a["target"] == nil || (a["motivation"] == "painting") != painting {
				bad(here, "must be an Annotation with a target, and painting only what is the picture")
			}
			if painting {
				body, _ := a["body"].(map[string]any)
				if a["target"] != canvas || body["type"] != "Image" || body["format"] != "image/jpeg" {
					bad(here, "must paint an image on its canvas")
				}
				address(here+"/body", body)
				for _, service := range items(here+"/body", body, "service", true) {
					if service["type"] != "ImageService3" || service["profile"] != "level2" {
						bad(here, "the image service is of type ImageService3 with a profile")
					}
				}
			}
		}
	}
	if m["@context"] != "http://iiif.io/api/presentation/3/context.json" {
		bad("@context", "must be that of the interface")
	}
	if m["type"] != "Manifest" {
		bad("type", "must be Manifest")
	}
	address("manifest", m)
	language("label", m["label"], true)
	for i, pair := range items("metadata", m, "metadata", false) {
		language(fmt.Sprintf("metadata/%d/label", i), pair["label"], true)
		language(fmt.Sprintf("metadata/%d/value", i), pair["value"], true)
	}
	for i, canvas := range items("manifest", m, "items", true) {
		at := fmt.Sprintf("items/%d", i)
		address(at, canvas)
		id, _ := canvas["id"].(string)
		if canvas["type"] != "Canvas" || strings.Contains(id, "#") || canvas["@context"] != nil {
			bad(at, "must be a Canvas whose id has no fragment, without a context of its own")
		}
		language(at+"/label", canvas["label"], false)
		language(at+"/summary", canvas["summary"], false)
		for _, side := range []string{"width", "height"} {
			if n, ok := canvas[side].(float64); !ok || n < 1 || n != float64(int(n)) {
				bad(at, side+" must be a whole number above 0")
			}
		}
		for j, page := range items(at, canvas, "items", true) {
			annotations(fmt.Sprintf("%s/items/%d", at, j), page, id, true)
		}
		for j, page := range items(at, canvas, "annotations", false) {
			annotations(fmt.Sprintf("%s/annotations/%d", at, j), page, id, false)
		}
	}
	return faults
}
