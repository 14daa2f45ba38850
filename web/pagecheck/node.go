package pagecheck

import (
	"slices"
	"strings"

	"golang.org/x/net/html"
)

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, key string) bool {
	return slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == key })
}

func hasClass(n *html.Node, class string) bool {
	return n.Type == html.ElementNode && slices.Contains(strings.Fields(attr(n, "class")), class)
}

// hidden says whether n or what holds it is passed over by who listens.
func hidden(n *html.Node) bool {
	for ; n != nil; n = n.Parent {
		if attr(n, "aria-hidden") == "true" || has(n, "hidden") {
			return true
		}
	}
	return false
}

// text is all text below n, joined.
func text(n *html.Node) string {
	if n.Type == html.TextNode {
		return n.Data
	}
	if n.Data == "script" || n.Data == "style" {
		return ""
	}
	var b strings.Builder
	for c := range n.ChildNodes() {
		b.WriteString(text(c))
	}
	return b.String()
}

// name is what is read out for n: its label, else its text without what is hidden, with the words in
// the place of pictures.
func name(n *html.Node) string {
	if label := strings.TrimSpace(attr(n, "aria-label")); label != "" {
		return label
	}
	if attr(n, "aria-labelledby") != "" {
		return attr(n, "aria-labelledby")
	}
	return strings.Join(strings.Fields(spoken(n)), " ")
}

func spoken(n *html.Node) string {
	switch {
	case n.Type == html.TextNode:
		return n.Data
	case n.Type != html.ElementNode:
		return ""
	case attr(n, "aria-hidden") == "true":
		return ""
	case n.Data == "img":
		return attr(n, "alt")
	}
	var b strings.Builder
	for c := range n.ChildNodes() {
		b.WriteString(spoken(c))
	}
	return b.String()
}

func firstElement(n *html.Node) *html.Node {
	for c := range n.ChildNodes() {
		if c.Type == html.ElementNode {
			return c
		}
	}
	return nil
}

func contains(n *html.Node, names ...string) bool {
	for d := range n.Descendants() {
		if d.Type == html.ElementNode && slices.Contains(names, d.Data) {
			return true
		}
	}
	return false
}

// show is an element's start tag, for a sentence about it.
func show(n *html.Node) string {
	var b strings.Builder
	b.WriteString("<" + n.Data)
	for _, key := range []string{"id", "class", "name", "href"} {
		if v := attr(n, key); v != "" {
			b.WriteString(" " + key + "=" + v)
		}
	}
	return b.String() + ">"
}
