// Package pagecheck reads a finished page as a browser would and says what keeps somebody from using
// it: without sight, without a mouse, on a narrow screen, or on paper. It knows what can be told from
// the document alone; contrast and sizes are measured in a browser. Tests of the pages use it.
package pagecheck

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/net/html"
)

// Faults reads a whole HTML document and returns one sentence for each fault, in no particular
// order; nil when there is none.
// source: W3C, Web Content Accessibility Guidelines (WCAG) 2.2, levels A and AA
func Faults(document []byte) []string {
	p := &page{ids: map[string]int{}, labelled: map[string]bool{}}
	if !bytes.HasPrefix(bytes.ToLower(bytes.TrimSpace(document)), []byte("<!doctype html>")) {
		p.fault("the document does not begin with its doctype")
	}
	root, err := html.Parse(bytes.NewReader(document))
	if err != nil {
		return append(p.faults, "cannot be read: "+err.Error())
	}
	for n := range root.Descendants() {
		if n.Type == html.ElementNode {
			p.elements = append(p.elements, n)
			if id := attr(n, "id"); id != "" {
				p.ids[id]++
			}
			if n.Data == "label" && attr(n, "for") != "" {
				p.labelled[attr(n, "for")] = true
			}
		}
	}
	p.document()
	p.headings()
	p.references()
	for _, n := range p.elements {
		p.element(n)
	}
	words := text(root)
	for _, slip := range slips {
		if strings.Contains(words, slip) {
			p.fault("shows %q, which no person wrote", slip)
		}
	}
	return p.faults
}

// slips are what a program shows when a value is missing or of the wrong kind: of text/template, of
// html/template, of fmt, a day that was never set, a number that is none.
var slips = []string{"<no value>", "ZgotmplZ", "%!s(", "%!d(", "%!v(", "%!f(", "%!q(", "(MISSING)", "January 0001", "0001-01-01", "NaN", "+Inf"}

type page struct {
	elements []*html.Node
	ids      map[string]int
	labelled map[string]bool // ids that a label is for
	faults   []string
}

func (p *page) fault(form string, args ...any) {
	if f := fmt.Sprintf(form, args...); !slices.Contains(p.faults, f) {
		p.faults = append(p.faults, f)
	}
}

// document checks what a page has once.
func (p *page) document() {
	once := map[string]int{}
	for _, n := range p.elements {
		once[n.Data]++
		switch n.Data {
		case "html":
			if attr(n, "lang") == "" {
				p.fault("the document does not say its language")
			}
		case "title":
			if n.Parent.Data == "head" && strings.Trim(text(n), " ·") == "" {
				p.fault("the title is empty")
			}
		case "meta":
			once["meta "+attr(n, "name")]++
		}
	}
	for _, name := range []string{"main", "h1", "title"} {
		count := once[name]
		if name == "title" { // drawings have titles of their own
			count = 0
			for _, n := range p.elements {
				if n.Data == "title" && n.Parent.Data == "head" {
					count++
				}
			}
		}
		if count != 1 {
			p.fault("has %d <%s>, not one", count, name)
		}
	}
	if once["meta viewport"] != 1 {
		p.fault("does not fit itself to narrow screens: no viewport")
	}
}

// headings checks that levels are entered one at a time.
func (p *page) headings() {
	level := 0
	for _, n := range p.elements {
		if len(n.Data) != 2 || n.Data[0] != 'h' || n.Data[1] < '1' || n.Data[1] > '6' {
			continue
		}
		now := int(n.Data[1] - '0')
		if name(n) == "" {
			p.fault("a heading <%s> is empty", n.Data)
		}
		if now > level+1 {
			p.fault("the heading %q jumps from level %d to %d", name(n), level, now)
		}
		level = now
	}
}

// references checks that whatever names another element names one that is there.
func (p *page) references() {
	for id, count := range p.ids {
		if count > 1 {
			p.fault("the id %q is used %d times", id, count)
		}
	}
	for id := range p.labelled {
		if p.ids[id] == 0 {
			p.fault("a label is for %q, which is not there", id)
		}
	}
	for _, n := range p.elements {
		for _, key := range []string{"aria-describedby", "aria-labelledby", "aria-controls", "aria-details", "list", "headers"} {
			for id := range strings.FieldsSeq(attr(n, key)) {
				if p.ids[id] == 0 {
					p.fault("%s of %s names %q, which is not there", key, show(n), id)
				}
			}
		}
		if to, ok := strings.CutPrefix(attr(n, "href"), "#"); ok && n.Data == "a" && p.ids[to] == 0 {
			p.fault("the link %q leads to #%s, which is not there", name(n), to)
		}
	}
}

// element checks one element.
func (p *page) element(n *html.Node) {
	for _, a := range n.Attr {
		switch {
		case a.Key == "style":
			p.fault("%s has a style of its own", show(n))
		case strings.HasPrefix(a.Key, "on"):
			p.fault("%s has a script of its own: %s", show(n), a.Key)
		case a.Key == "tabindex" && strings.Trim(a.Val, "0123456789") == "" && strings.Trim(a.Val, "0") != "":
			p.fault("%s jumps the queue of the keyboard: tabindex %s", show(n), a.Val)
		case strings.HasPrefix(strings.ToLower(strings.TrimSpace(a.Val)), "javascript:"):
			p.fault("%s runs a script from %s", show(n), a.Key)
		}
	}
	switch n.Data {
	case "style":
		p.fault("has a <style> of its own")
	case "script":
		if attr(n, "src") == "" || attr(n, "type") != "module" {
			p.fault("has a script that is not a module of the site")
		}
	case "a":
		if !has(n, "href") {
			p.fault("the link %q leads nowhere", name(n))
		}
		if name(n) == "" {
			p.fault("a link to %s has no words", attr(n, "href"))
		}
	case "button", "summary":
		if name(n) == "" {
			p.fault("a <%s> has no words", n.Data)
		}
	case "img":
		if !has(n, "alt") {
			p.fault("the picture %s has no words in its place", attr(n, "src"))
		}
	case "svg":
		p.drawing(n)
	case "input", "select", "textarea":
		p.control(n)
	case "form":
		p.form(n)
	case "fieldset":
		if first := firstElement(n); first == nil || first.Data != "legend" || name(first) == "" {
			p.fault("a fieldset does not begin with a legend")
		}
	case "table":
		p.table(n)
	case "ul", "ol":
		p.children(n, "li", "template")
	case "dl":
		p.children(n, "dt", "dd", "div")
	case "p", "li", "dt", "caption", "legend", "label", "figcaption":
		if strings.TrimSpace(text(n)) == "" && !contains(n, "img", "svg", "input", "button") {
			p.fault("%s is empty", show(n))
		}
	case "iframe", "object", "embed", "marquee", "center", "font":
		p.fault("<%s> is not used here", n.Data)
	}
	if n.Data == "a" || n.Data == "button" || n.Data == "summary" {
		for d := range n.Descendants() {
			if d.Type == html.ElementNode && slices.Contains([]string{"a", "button", "input", "select", "textarea"}, d.Data) {
				p.fault("%s holds another control", show(n))
			}
		}
	}
}

func (p *page) children(n *html.Node, allowed ...string) {
	count := 0
	for c := range n.ChildNodes() {
		if c.Type == html.ElementNode {
			count++
			if !slices.Contains(allowed, c.Data) {
				p.fault("<%s> holds a <%s>", n.Data, c.Data)
			}
		} else if c.Type == html.TextNode && strings.TrimSpace(c.Data) != "" {
			p.fault("<%s> holds bare words: %q", n.Data, strings.TrimSpace(c.Data))
		}
	}
	if count == 0 {
		p.fault("a <%s> is empty", n.Data)
	}
}

// drawing checks that an SVG either has a name or is passed over by who listens.
func (p *page) drawing(n *html.Node) {
	if attr(n, "aria-hidden") == "true" || hidden(n.Parent) {
		return
	}
	named := attr(n, "aria-label") != "" || attr(n, "aria-labelledby") != ""
	if first := firstElement(n); first != nil && first.Data == "title" && strings.TrimSpace(text(first)) != "" {
		named = true
	}
	if role := attr(n, "role"); !named || (role != "img" && role != "group" && role != "graphics-document") {
		p.fault("a drawing has neither role and name nor aria-hidden")
	}
}

// control checks that a field has a name that stays when something is typed.
func (p *page) control(n *html.Node) {
	kind := strings.ToLower(attr(n, "type"))
	if n.Data == "input" && kind == "hidden" {
		return
	}
	if n.Data == "input" && slices.Contains([]string{"submit", "button", "reset"}, kind) {
		p.fault("an <input type=%s> should be a <button>", kind)
		return
	}
	// A picture to point at, which says where it was touched: no <button> does that.
	if n.Data == "input" && kind == "image" && attr(n, "alt") != "" {
		return
	}
	if p.labelled[attr(n, "id")] || attr(n, "aria-label") != "" || attr(n, "aria-labelledby") != "" {
		return
	}
	for up := n.Parent; up != nil; up = up.Parent {
		if up.Data == "label" && name(up) != "" {
			return
		}
	}
	p.fault("the field %q has no label", attr(n, "name"))
}

func (p *page) form(n *html.Node) {
	token, button := false, false
	for d := range n.Descendants() {
		if d.Type != html.ElementNode {
			continue
		}
		token = token || d.Data == "input" && attr(d, "name") == "csrf" && attr(d, "value") != ""
		button = button || d.Data == "button" && attr(d, "type") != "button" || d.Data == "input" && attr(d, "type") == "image"
	}
	id := attr(n, "id")
	for _, other := range p.elements {
		button = button || id != "" && other.Data == "button" && attr(other, "form") == id
	}
	switch method := strings.ToLower(attr(n, "method")); {
	case method == "post" && !token:
		p.fault("the form to %s has no token against forms of other sites", attr(n, "action"))
	case method != "post" && token:
		p.fault("the form to %s puts its token into the address", attr(n, "action"))
	}
	if !button {
		p.fault("the form to %s has no button", attr(n, "action"))
	}
}

// table checks caption and headers, and that the table can be read at 360 px: each cell says its
// column (data-label), or the table scrolls in a region that the keyboard reaches.
func (p *page) table(n *html.Node) {
	title := ""
	if c := firstElement(n); c != nil && c.Data == "caption" {
		title = name(c)
	}
	if title == "" {
		p.fault("a table does not begin with a caption")
	}
	columns, rows := 0, 0
	var bare []string
	for d := range n.Descendants() {
		if d.Type != html.ElementNode {
			continue
		}
		switch d.Data {
		case "th":
			switch attr(d, "scope") {
			case "col", "colgroup":
				columns++
			case "row", "rowgroup":
				rows++
			default:
				p.fault("table %q: the header %q does not say its scope", title, name(d))
			}
			if name(d) == "" {
				p.fault("table %q has an empty header", title)
			}
		case "td":
			if attr(d, "data-label") == "" && strings.TrimSpace(text(d)) != "" && !contains(d, "form", "button", "img", "svg") && attr(d, "colspan") == "" {
				bare = append(bare, strings.TrimSpace(text(d)))
			}
		}
	}
	if columns+rows == 0 {
		p.fault("table %q has no headers", title)
	}
	if contains(n, "td") && columns > 1 && rows == 0 {
		p.fault("table %q has no row headers", title)
	}
	for up := n.Parent; up != nil; up = up.Parent {
		if hasClass(up, "scroll") {
			if attr(up, "tabindex") != "0" || attr(up, "role") != "region" || (attr(up, "aria-label") == "" && attr(up, "aria-labelledby") == "") {
				p.fault("table %q scrolls in a region without role, name or tabindex 0", title)
			}
			return
		}
	}
	if len(bare) > 0 {
		p.fault("table %q: the cell %q does not say its column (data-label), nor does the table scroll", title, bare[0])
	}
}
