package mark

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"farthingale/domain"
)

// The addresses of the standards.
// source: W3C, Web Annotation Data Model, Recommendation of 23 February 2017
const (
	AnnotationContext = "http://www.w3.org/ns/anno.jsonld"
	AnnotationProfile = `application/ld+json;profile="http://www.w3.org/ns/anno.jsonld"`
	MediaFragments    = "http://www.w3.org/TR/media-frags/"
	svgNamespace      = "http://www.w3.org/2000/svg"
)

// Selector names a part of a picture. FragmentSelectors carry rectangles, SvgSelectors the rest.
// source: Web Annotation Data Model, 4.2.1 and 4.2.7
type Selector struct {
	Type       string `json:"type"`
	ConformsTo string `json:"conformsTo,omitempty"`
	Value      string `json:"value"`
}

// SelectorOf writes a tidy shape on a picture of this size as a selector. ReadSelector gives the same
// shape back.
func SelectorOf(s Shape, in Size) Selector {
	if s.Kind == Rectangle && len(s.Points) == 2 {
		a, b := s.Points[0], s.Points[1]
		return Selector{Type: "FragmentSelector", ConformsTo: MediaFragments,
			Value: "xywh=pixel:" + number(a[0]) + "," + number(a[1]) + "," + number(b[0]-a[0]) + "," + number(b[1]-a[1])}
	}
	var body string
	switch s.Kind {
	case Place:
		body = `<circle cx="` + number(s.Points[0][0]) + `" cy="` + number(s.Points[0][1]) + `" r="1"/>`
	case Line:
		body = `<polyline points="` + PointsText(s.Points) + `"/>`
	default:
		body = `<polygon points="` + PointsText(s.Points) + `"/>`
	}
	return Selector{Type: "SvgSelector",
		Value: `<svg xmlns="` + svgNamespace + `" viewBox="0 0 ` + number(in.Width) + ` ` + number(in.Height) + `">` + body + `</svg>`}
}

// ReadSelector reads a selector on a picture of this size: a FragmentSelector xywh in pixels or per
// cent, or an SvgSelector with exactly one rect, polygon, polyline, line, circle of radius 1, or path
// of straight pieces. Anything else is refused, and so is everything in an SVG that is no such shape.
// The shape is tidy, and not yet checked.
func ReadSelector(s Selector, in Size) (Shape, error) {
	switch s.Type {
	case "FragmentSelector":
		if s.ConformsTo != "" && s.ConformsTo != MediaFragments {
			return Shape{}, unread("This FragmentSelector conforms to something else than " + MediaFragments + ".")
		}
		return ReadFragment(s.Value, in)
	case "SvgSelector":
		return readSVG(s.Value, in)
	}
	return Shape{}, unread("Only FragmentSelector and SvgSelector can be read, not '" + shortened(s.Type) + "'.")
}

func shortened(s string) string { return domain.Cut(s, 40) }

func unread(message string) error { return domain.Invalid("/target/selector", "selector", message) }

// ReadFragment reads the fragment of an address that names a rectangle: "xywh=160,120,320,240",
// "xywh=pixel:…", "xywh=percent:25,25,50,50".
// source: W3C, Media Fragments URI 1.0, Recommendation of 25 September 2012, 4.2.2
func ReadFragment(value string, in Size) (Shape, error) {
	text, ok := strings.CutPrefix(value, "xywh=")
	if !ok {
		return Shape{}, unread("The fragment should begin with xywh=, such as xywh=160,120,320,240.")
	}
	across, down := 1.0, 1.0
	if rest, ok := strings.CutPrefix(text, "percent:"); ok {
		text, across, down = rest, in.Width/100, in.Height/100
	} else {
		text = strings.TrimPrefix(text, "pixel:")
	}
	words := strings.Split(text, ",")
	if len(words) != 4 {
		return Shape{}, unread("A rectangle is four numbers: left, top, width, height.")
	}
	var n [4]float64
	for i, w := range words {
		var err error
		if n[i], err = finite(w); err != nil || n[i] < 0 {
			return Shape{}, unread("A rectangle is four numbers that are not negative: left, top, width, height.")
		}
	}
	return Shape{Rectangle, []Point{{n[0] * across, n[1] * down}, {(n[0] + n[2]) * across, (n[1] + n[3]) * down}}}.Tidy(), nil
}

// svgMost is the most characters of an SVG: 10 000 points with two digits behind the point, and more.
const svgMost = 400_000

// readSVG reads the one shape of an SVG. The decoder of the standard library knows no entities but
// the five of XML and follows no addresses; document types are refused all the same.
func readSVG(text string, in Size) (Shape, error) {
	if len(text) > svgMost {
		return Shape{}, unread("This SVG is too long to be one mark.")
	}
	d := xml.NewDecoder(strings.NewReader(text))
	d.Entity = map[string]string{}
	var shape *Shape
	across, down := 1.0, 1.0
	depth := 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return Shape{}, unread("This SVG is not well-formed XML.")
		}
		switch t := token.(type) {
		case xml.StartElement:
			depth++
			switch {
			case t.Name.Space != svgNamespace:
				return Shape{}, unread("Every element must be SVG, with the namespace " + svgNamespace + ".")
			case depth == 1 && t.Name.Local == "svg":
				if across, down, err = viewed(t.Attr, in); err != nil {
					return Shape{}, err
				}
			case t.Name.Local == "g" && len(plainAttributes(t.Attr)) == 0 && depth == 2: // a group without a transform
			case depth > 1 && depth <= 3 && shape == nil && t.Name.Local != "svg" && t.Name.Local != "g":
				s, err := readElement(t)
				if err != nil {
					return Shape{}, err
				}
				shape = &s
			default:
				return Shape{}, unread("An SVG should hold exactly one shape, and nothing else.")
			}
		case xml.EndElement:
			depth--
		case xml.CharData:
			if strings.TrimSpace(string(t)) != "" {
				return Shape{}, unread("An SVG should hold exactly one shape and no text.")
			}
		case xml.Comment:
		default: // processing instructions, document types
			return Shape{}, unread("An SVG should hold exactly one shape, and nothing else.")
		}
	}
	if shape == nil {
		return Shape{}, unread("There is no shape in this SVG.")
	}
	for i, p := range shape.Points {
		shape.Points[i] = Point{p[0] * across, p[1] * down}
	}
	return shape.Tidy(), nil
}

// plainAttributes are the attributes that mean something: without the names of namespaces.
func plainAttributes(all []xml.Attr) map[string]string {
	plain := map[string]string{}
	for _, a := range all {
		if a.Name.Space == "xmlns" || a.Name.Space == "" && a.Name.Local == "xmlns" {
			continue
		}
		plain[a.Name.Local] = a.Value
		if a.Name.Space != "" {
			plain[a.Name.Space+":"+a.Name.Local] = a.Value
		}
	}
	return plain
}

// viewed reads how the coordinates of an SVG are meant: as pixels, or of a view box that stands for
// the whole picture.
func viewed(attributes []xml.Attr, in Size) (across, down float64, err error) {
	for name, value := range plainAttributes(attributes) {
		switch name {
		case "version":
		case "width", "height":
			// They say how large it is drawn, which means nothing here; without a view box they must
			// be those of the picture.
			if n, err := finite(strings.TrimSuffix(value, "px")); value != "100%" && (err != nil || n <= 0) {
				return 0, 0, unread("The width and height of an SVG are numbers.")
			}
		case "viewBox":
			words := strings.FieldsFunc(value, func(r rune) bool { return r == ' ' || r == ',' })
			var n [4]float64
			if len(words) != 4 {
				return 0, 0, unread("A view box is four numbers: 0 0, width and height of the picture.")
			}
			for i, w := range words {
				if n[i], err = finite(w); err != nil {
					return 0, 0, unread("A view box is four numbers: 0 0, width and height of the picture.")
				}
			}
			if n[0] != 0 || n[1] != 0 || n[2] <= 0 || n[3] <= 0 {
				return 0, 0, unread("The view box must begin at 0 0 and stand for the whole picture.")
			}
			across, down = in.Width/n[2], in.Height/n[3]
			// A picture made smaller has sides that are rounded to whole pixels.
			if r := across / down; r > 1.01 || r < 0.99 {
				return 0, 0, unread(fmt.Sprintf("The view box has other proportions than the picture, which is %.0f × %.0f pixels.", in.Width, in.Height))
			}
		default:
			return 0, 0, unread("The attribute '" + shortened(name) + "' of an SVG is not understood; it is refused, so that nothing is read wrongly.")
		}
	}
	if across == 0 {
		return 1, 1, nil
	}
	return across, down, nil
}

// looks are attributes that say how a shape is drawn. They do not change where it is.
var looks = map[string]bool{"fill": true, "fill-opacity": true, "fill-rule": true, "stroke": true, "stroke-width": true,
	"stroke-opacity": true, "stroke-linecap": true, "stroke-linejoin": true, "opacity": true}

// readElement reads one shape.
func readElement(e xml.StartElement) (Shape, error) {
	a := plainAttributes(e.Attr)
	own := map[string][]string{
		"rect": {"x", "y", "width", "height"}, "polygon": {"points"}, "polyline": {"points"},
		"line": {"x1", "y1", "x2", "y2"}, "circle": {"cx", "cy", "r"}, "path": {"d"},
	}[e.Name.Local]
	if own == nil {
		return Shape{}, unread("A shape is a rect, polygon, polyline, line, circle or path; '" + shortened(e.Name.Local) + "' is refused.")
	}
	known := map[string]bool{}
	for _, name := range own {
		known[name] = true
	}
	for name := range a {
		if !known[name] && !looks[name] {
			return Shape{}, unread("The attribute '" + shortened(name) + "' of a " + e.Name.Local + " is not understood; it is refused, so that nothing is read wrongly.")
		}
	}
	switch e.Name.Local {
	case "polygon", "polyline":
		points, err := ParsePoints(a["points"])
		if err != nil {
			return Shape{}, err
		}
		if e.Name.Local == "polyline" {
			return Shape{Line, points}, nil
		}
		return Shape{Polygon, points}, nil
	case "path":
		return readPath(a["d"])
	}
	n := make([]float64, len(own))
	for i, name := range own {
		var err error
		if n[i], err = finite(a[name]); err != nil && (a[name] != "" || name == "r" || name == "width" || name == "height") {
			return Shape{}, unread("The " + name + " of a " + e.Name.Local + " is a number.")
		}
	}
	switch e.Name.Local {
	case "rect":
		if n[2] <= 0 || n[3] <= 0 {
			return Shape{}, unread("A rect has a width and a height.")
		}
		return Shape{Rectangle, []Point{{n[0], n[1]}, {n[0] + n[2], n[1] + n[3]}}}, nil
	case "line":
		return Shape{Line, []Point{{n[0], n[1]}, {n[2], n[3]}}}, nil
	}
	if n[2] <= 0 || n[2] > 1 {
		return Shape{}, unread("A circle stands for a point here and has the radius 1. Send a larger one as a polygon.")
	}
	return Shape{Place, []Point{{n[0], n[1]}}}, nil
}

// readPath reads a path of one stroke: M, L and Z, written as their absolute forms. Closed by Z it is
// an outline, else a line.
func readPath(d string) (Shape, error) {
	bad := unread("Of a path only one stroke of straight pieces can be read: M x,y L x,y … and Z at the end.")
	text := strings.TrimSpace(d)
	rest, ok := strings.CutPrefix(text, "M")
	if !ok {
		return Shape{}, bad
	}
	rest, closed := strings.CutSuffix(strings.TrimSpace(rest), "Z")
	if !closed {
		rest, closed = strings.CutSuffix(rest, "z")
	}
	points, err := ParsePoints(strings.ReplaceAll(rest, "L", " "))
	if err != nil {
		var known *domain.Error
		if errors.As(err, &known) && known.Fields[0].Rule == "max" {
			return Shape{}, err
		}
		return Shape{}, bad
	}
	if closed {
		return Shape{Polygon, points}, nil
	}
	return Shape{Line, points}, nil
}

// Annotation is a mark as other programs exchange it.
type Annotation struct {
	Context    string           `json:"@context,omitempty"`
	ID         string           `json:"id"`
	Type       string           `json:"type"`
	Motivation string           `json:"motivation"`
	Created    string           `json:"created,omitempty"`
	Modified   string           `json:"modified,omitempty"`
	Creator    *Creator         `json:"creator,omitempty"`
	Body       []TextualBody    `json:"body,omitempty"`
	Target     SpecificResource `json:"target"`
}

// Creator is who made an annotation.
type Creator struct {
	Type string `json:"type"`
	Name string `json:"name"`
}

// TextualBody is what an annotation says.
type TextualBody struct {
	Type     string `json:"type"`
	Purpose  string `json:"purpose,omitempty"`
	Value    string `json:"value"`
	Format   string `json:"format,omitempty"`
	Language string `json:"language,omitempty"`
}

// SpecificResource is a part of a picture.
type SpecificResource struct {
	Type     string   `json:"type"`
	Source   string   `json:"source"`
	Selector Selector `json:"selector"`
}

// Received is an annotation from elsewhere. What the record has of its own (who, when, the identifier)
// is not taken over from it.
type Received struct {
	Context    json.RawMessage `json:"@context"`
	ID         string          `json:"id"`
	Type       string          `json:"type"`
	Motivation json.RawMessage `json:"motivation"`
	Created    string          `json:"created"`
	Modified   string          `json:"modified"`
	Generated  string          `json:"generated"`
	Generator  json.RawMessage `json:"generator"`
	Creator    json.RawMessage `json:"creator"`
	Body       json.RawMessage `json:"body"`
	BodyValue  string          `json:"bodyValue"`
	Target     json.RawMessage `json:"target"`
}

// noteMost is the most characters of a mark's note.
const noteMost = 2000

// Read takes shape and note out of an annotation on a picture of this size.
// source: Web Annotation Data Model, 3.1 (context and type), 3.2.4 (embedded text), 3.2.9 (bodyValue), 4 (specific resources)
func (r Received) Read(in Size) (Shape, string, error) {
	for name, raw := range map[string]json.RawMessage{"@context": r.Context, "motivation": r.Motivation, "generator": r.Generator, "creator": r.Creator, "body": r.Body, "target": r.Target} {
		var v any // also of what is not taken over: numbers that are none, for one
		if len(raw) > 0 && json.Unmarshal(raw, &v) != nil {
			return Shape{}, "", domain.Invalid("/"+name, "type", "This cannot be read.")
		}
	}
	if !hasContext(r.Context) {
		return Shape{}, "", domain.Invalid("/@context", "context", "An annotation has the @context "+AnnotationContext+".")
	}
	if r.Type != "Annotation" {
		return Shape{}, "", domain.Invalid("/type", "oneof", "The type should be Annotation.")
	}
	note, err := r.note()
	if err != nil {
		return Shape{}, "", err
	}
	shape, err := r.shape(in)
	return shape, note, err
}

func hasContext(raw json.RawMessage) bool {
	var one string
	var several []json.RawMessage
	if json.Unmarshal(raw, &one) == nil {
		return one == AnnotationContext
	}
	if json.Unmarshal(raw, &several) != nil {
		return false
	}
	for _, c := range several {
		if json.Unmarshal(c, &one) == nil && one == AnnotationContext {
			return true
		}
	}
	return false
}

// note joins the texts of the bodies. Bodies of other kinds are named by their address.
func (r Received) note() (string, error) {
	texts := []string{}
	if r.BodyValue != "" {
		texts = append(texts, r.BodyValue)
	}
	for _, raw := range listed(r.Body) {
		var address string
		var body struct {
			ID, Type, Value, Source string
		}
		switch {
		case json.Unmarshal(raw, &address) == nil:
			texts = append(texts, address)
		case json.Unmarshal(raw, &body) != nil:
			return "", domain.Invalid("/body", "body", "A body is a TextualBody or an address.")
		case body.Value != "":
			texts = append(texts, body.Value)
		case body.Source != "" || body.ID != "":
			texts = append(texts, body.Source+body.ID)
		}
	}
	note := strings.Join(texts, "\n")
	if len([]rune(note)) > noteMost || !domain.CleanText(note) {
		return "", domain.Invalid("/body", "max", "The text of an annotation has at most "+strconv.Itoa(noteMost)+" characters, and no control characters.")
	}
	return note, nil
}

// listed is a JSON value as a list: of one, when it is none.
func listed(raw json.RawMessage) []json.RawMessage {
	if len(raw) == 0 || string(raw) == "null" {
		return nil
	}
	var several []json.RawMessage
	if json.Unmarshal(raw, &several) == nil {
		return several
	}
	return []json.RawMessage{raw}
}

// shape reads the one target: a specific resource with a selector, or an address with a fragment.
func (r Received) shape(in Size) (Shape, error) {
	targets := listed(r.Target)
	if len(targets) != 1 {
		return Shape{}, domain.Invalid("/target", "count", "An annotation should have exactly one target: this photograph.")
	}
	var address string
	var t struct {
		ID       string          `json:"id"`
		Source   json.RawMessage `json:"source"`
		Selector json.RawMessage `json:"selector"`
	}
	if json.Unmarshal(targets[0], &address) != nil {
		if json.Unmarshal(targets[0], &t) != nil {
			return Shape{}, domain.Invalid("/target", "target", "A target is an address, or a SpecificResource with a selector.")
		}
		address = t.ID
	}
	selectors := listed(t.Selector)
	if len(selectors) > 1 {
		return Shape{}, unread("Give one selector. Several must select the same thing, and one is enough.")
	}
	if len(selectors) == 1 {
		var s Selector
		if json.Unmarshal(selectors[0], &s) != nil {
			return Shape{}, unread("A selector has a type and a value.")
		}
		return ReadSelector(s, in)
	}
	_, fragment, ok := strings.Cut(address, "#")
	if !ok {
		return Shape{}, domain.Invalid("/target", "selector", "The target names no part of the picture. Give it a selector, or an address that ends in #xywh=left,top,width,height.")
	}
	return ReadFragment(fragment, in)
}
