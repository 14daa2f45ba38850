package mark

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
)

// TestPublishedFragments reads the examples of the recommendations.
// source: W3C, Media Fragments URI 1.0, 2012, 4.2.2 (spatial dimension); from memory
func TestPublishedFragments(t *testing.T) {
	in := Size{640, 480}
	for value, want := range map[string]Shape{
		"xywh=160,120,320,240":       {Rectangle, []Point{{160, 120}, {480, 360}}},
		"xywh=pixel:160,120,320,240": {Rectangle, []Point{{160, 120}, {480, 360}}},
		"xywh=percent:25,25,50,50":   {Rectangle, []Point{{160, 120}, {480, 360}}},
	} {
		got, err := ReadFragment(value, in)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %v, %v", value, got, err)
		}
	}
	for _, value := range []string{"", "t=30,60", "xywh=", "xywh=1,2,3", "xywh=1,2,3,4,5", "xywh=-1,2,3,4", "xywh=a,b,c,d", "xywh=percent:", "xywh=NaN,0,1,1", "xywh=0x1p3,0,1,1", "xywh=inch:1,2,3,4"} {
		if _, err := ReadFragment(value, in); err == nil {
			t.Errorf("%q is read", value)
		}
	}
}

// TestPublishedAnnotation reads an annotation of a region of a picture as the recommendation writes it.
// source: W3C, Web Annotation Data Model, 2017, 3.2.3, example 4 (address with a fragment) and 4.2.1 (FragmentSelector)
func TestPublishedAnnotation(t *testing.T) {
	for name, text := range map[string]string{
		"address with a fragment": `{"@context": "http://www.w3.org/ns/anno.jsonld", "id": "http://example.org/anno4", "type": "Annotation",
			"body": "http://example.org/description1",
			"target": {"id": "http://example.com/image1#xywh=100,100,300,300", "type": "Image", "format": "image/jpeg"}}`,
		"fragment selector": `{"@context": ["http://iiif.io/api/presentation/3/context.json", "http://www.w3.org/ns/anno.jsonld"], "id": "http://example.org/anno20", "type": "Annotation",
			"body": {"type": "TextualBody", "value": "http://example.org/description1"},
			"target": {"type": "SpecificResource", "source": "http://example.com/image1", "selector": {"type": "FragmentSelector", "conformsTo": "http://www.w3.org/TR/media-frags/", "value": "xywh=100,100,300,300"}}}`,
	} {
		var r Received
		if err := json.Unmarshal([]byte(text), &r); err != nil {
			t.Fatal(err)
		}
		s, note, err := r.Read(page)
		if want := (Shape{Rectangle, []Point{{100, 100}, {400, 400}}}); err != nil || !reflect.DeepEqual(s, want) || note != "http://example.org/description1" {
			t.Errorf("%s: %v %q %v", name, s, note, err)
		}
	}
}

func TestSelectorsRoundTrip(t *testing.T) {
	for _, s := range []Shape{
		{Rectangle, []Point{{10, 20}, {400, 600}}}, {Rectangle, []Point{{0, 0}, {1, 1}}},
		{Polygon, []Point{{1210, 2280}, {1550.25, 2290.5}, {1540, 2375}}},
		{Polygon, circle(2000, 3000, 1900, PointsMost)}, {Line, []Point{{0, 0}, {4000, 6000}, {0.01, 5999.99}}}, {Place, []Point{{12.34, 56.78}}},
	} {
		s = s.Tidy()
		got, err := ReadSelector(SelectorOf(s, page), page)
		if err != nil || !reflect.DeepEqual(got, s) {
			t.Errorf("%s of %d: %v", s.Kind, len(s.Points), err)
		}
	}
}

const svgHead = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4000 6000">`

func TestSVGOfOthers(t *testing.T) {
	triangle := Shape{Polygon, []Point{{10, 20}, {30, 40}, {50, 10}}}
	for text, want := range map[string]Shape{
		svgHead + `<path d="M10,20 L30,40 L50,10 Z"/></svg>`:                                                                                      triangle,
		svgHead + `<path d="M10 20L30 40 50 10z"/></svg>`:                                                                                         triangle,
		svgHead + `<path d="M10 20 L30 40 L50 10"/></svg>`:                                                                                        {Line, triangle.Points},
		svgHead + `<rect x="10" y="20" width="30" height="40"/></svg>`:                                                                            {Rectangle, []Point{{10, 20}, {40, 60}}},
		svgHead + `<line x1="10" y1="20" x2="30" y2="40"/></svg>`:                                                                                 {Line, []Point{{10, 20}, {30, 40}}},
		`<svg:svg xmlns:svg="http://www.w3.org/2000/svg"><svg:polygon points="10,20 30,40 50,10" fill="none" stroke="red"/></svg:svg>`:            triangle,
		`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 600"><g><polygon points="1,2 3,4 5,1"/></g></svg>`:                              triangle,
		`<svg xmlns="http://www.w3.org/2000/svg" width="4000" height="6000"><!-- a stain --><polygon points="10,20 30,40 50,10"></polygon></svg>`: triangle,
	} {
		got, err := ReadSelector(Selector{Type: "SvgSelector", Value: text}, page)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %v %v", text, got, err)
		}
	}
}

// TestHostileSVG: whatever is no plain shape is refused; nothing is skipped over.
func TestHostileSVG(t *testing.T) {
	for name, text := range map[string]string{
		"nothing":           "",
		"no shape":          svgHead + `</svg>`,
		"two shapes":        svgHead + `<polygon points="1,2 3,4 5,1"/><polygon points="1,2 3,4 5,1"/></svg>`,
		"script":            svgHead + `<script>alert(1)</script><polygon points="1,2 3,4 5,1"/></svg>`,
		"handler":           svgHead + `<polygon onload="alert(1)" points="1,2 3,4 5,1"/></svg>`,
		"style":             svgHead + `<polygon style="fill:url(http://x.example)" points="1,2 3,4 5,1"/></svg>`,
		"transform":         svgHead + `<polygon transform="scale(2)" points="1,2 3,4 5,1"/></svg>`,
		"group transform":   svgHead + `<g transform="scale(2)"><polygon points="1,2 3,4 5,1"/></g></svg>`,
		"link":              `<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"><use xlink:href="file:///etc/passwd"/></svg>`,
		"text":              svgHead + `<text>hello</text></svg>`,
		"loose text":        svgHead + `hello<polygon points="1,2 3,4 5,1"/></svg>`,
		"no namespace":      `<svg><polygon points="1,2 3,4 5,1"/></svg>`,
		"entities":          `<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><svg xmlns="http://www.w3.org/2000/svg"><polygon points="&b;"/></svg>`,
		"outside entity":    `<!DOCTYPE svg SYSTEM "http://x.example/a.dtd"><svg xmlns="http://www.w3.org/2000/svg"><polygon points="1,2 3,4 5,1"/></svg>`,
		"instruction":       svgHead + `<?php echo 1 ?><polygon points="1,2 3,4 5,1"/></svg>`,
		"not closed":        svgHead + `<polygon points="1,2 3,4 5,1"/>`,
		"curve":             svgHead + `<path d="M1,2 C3,4 5,6 7,8"/></svg>`,
		"arc":               svgHead + `<path d="M1,2 A3,4 5,6 7,8"/></svg>`,
		"two strokes":       svgHead + `<path d="M1,2 L3,4 M5,6 L7,8"/></svg>`,
		"relative":          svgHead + `<path d="M1,2 l3,4"/></svg>`,
		"large circle":      svgHead + `<circle cx="10" cy="10" r="50"/></svg>`,
		"ellipse":           svgHead + `<ellipse cx="10" cy="10" rx="5" ry="6"/></svg>`,
		"odd numbers":       svgHead + `<polygon points="1,2 3"/></svg>`,
		"shape in a shape":  svgHead + `<polygon points="1,2 3,4 5,1"><polygon points="1,2 3,4 5,1"/></polygon></svg>`,
		"other proportions": `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100"><polygon points="1,2 3,4 5,1"/></svg>`,
		"moved view":        `<svg xmlns="http://www.w3.org/2000/svg" viewBox="5 5 4000 6000"><polygon points="1,2 3,4 5,1"/></svg>`,
		"million points":    svgHead + `<polygon points="` + strings.Repeat("1,2 ", 1_000_000) + `"/></svg>`,
		"too many points":   svgHead + `<polygon points="` + strings.Repeat("1,2 ", PointsMost+1) + `"/></svg>`,
		"deep":              strings.Repeat(`<svg xmlns="http://www.w3.org/2000/svg">`, 10_000),
	} {
		if s, err := ReadSelector(Selector{Type: "SvgSelector", Value: text}, page); err == nil {
			t.Errorf("%s: read as %v", name, s)
		}
	}
}

func FuzzReadSelector(f *testing.F) {
	for _, v := range []string{"xywh=160,120,320,240", "xywh=percent:25,25,50,50"} {
		f.Add("FragmentSelector", v)
	}
	for _, v := range []string{svgHead + `<path d="M10,20 L30,40 L50,10 Z"/></svg>`, svgHead + `<circle cx="1" cy="2" r="1"/></svg>`,
		svgHead + `<g><polyline points="1,2 3,4"/></g></svg>`, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 600"><rect width="3" height="3"/></svg>`} {
		f.Add("SvgSelector", v)
	}
	f.Fuzz(func(t *testing.T, kind, value string) {
		s, err := ReadSelector(Selector{Type: kind, Value: value}, page)
		if err != nil || s.Check(page) != nil {
			return
		}
		again, err := ReadSelector(SelectorOf(s, page), page)
		if err != nil || !reflect.DeepEqual(again, s) {
			t.Fatalf("%v became %v: %v", s, again, err)
		}
	})
}
