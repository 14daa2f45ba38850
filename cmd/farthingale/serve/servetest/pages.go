package servetest

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"golang.org/x/net/html"

	"farthingale/web/pagecheck"
)

// Sample is a page to look at: a route, a path of it, and who looks. The checks of pages, without a
// browser and with one, go through all samples.
type Sample struct {
	Route  string  // as web.Server.Acts names it: "GET /people/:id"
	Path   string  // "/people/0198…"
	As     Someone // the zero Someone: nobody is signed in
	Status int     // 0: 200
	File   bool    // no page: a picture, a document, a table to take away
}

// samples fill the house with what their area needs and give its pages. Each area adds its own, in
// samples_<area>.go; a page without a sample fails the checks.
var samples = []func(h *House, g *Ground) []Sample{
	peopleSamples,
	agendaSamples,
	contractSamples,
	photoSamples,
	collectionSamples,
	handlingSamples,
	findingSamples,
	movementSamples,
	enclosureSamples,
	measurementSamples,
	examinationSamples,
	investigationSamples,
	surveySamples,
	loanSamples,
	incidentSamples,
	treatmentSamples,
	compareSamples,
	markSamples,
}

// Samples fills the house and gives at least one sample for every page.
func (h *House) Samples() []Sample {
	h.t.Helper()
	return h.SamplesOn(h.Ground())
}

// SamplesOn is Samples of a house whose ground is laid.
func (h *House) SamplesOn(g *Ground) []Sample {
	h.t.Helper()
	var all []Sample
	for _, area := range samples {
		all = append(all, area(h, g)...)
	}
	return all
}

// Faults says what keeps somebody from using the page: what pagecheck finds, links that lead to
// nothing that this person may see, and forms for acts that this person may not do.
func (p *Page) Faults(as Someone, followed map[string]bool) []string {
	p.b.h.t.Helper()
	faults := pagecheck.Faults([]byte(p.Body))
	for n := range p.Root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		switch n.Data {
		case "a", "img", "link", "script":
			key := "href"
			if n.Data == "img" || n.Data == "script" {
				key = "src"
			}
			if to, ok := p.local(attribute(n, key)); ok && !followed[to] {
				followed[to] = true
				if answer := p.b.Get(to); answer.Status >= http.StatusBadRequest {
					faults = append(faults, fmt.Sprintf("links to %s, which answers %d", to, answer.Status))
				}
			}
		case "form":
			if fault := p.formFault(n, as); fault != "" {
				faults = append(faults, fault)
			}
		}
	}
	return faults
}

// local is the path of a link that stays in the house; false for anything else.
func (p *Page) local(link string) (string, bool) {
	if link == "" || strings.HasPrefix(link, "#") || strings.HasPrefix(link, "mailto:") {
		return "", false
	}
	base, err := url.Parse(p.Path)
	if err != nil {
		return "", false
	}
	to, err := base.Parse(link)
	if err != nil || to.Host != "" {
		return "", false
	}
	to.Fragment = ""
	return to.String(), true
}

// formFault says that a form leads nowhere, or to an act that the person may not do.
func (p *Page) formFault(n *html.Node, as Someone) string {
	method := http.MethodGet
	if strings.EqualFold(attribute(n, "method"), http.MethodPost) {
		method = http.MethodPost
	}
	action := attribute(n, "action")
	if action == "" {
		action = p.Path
	}
	to, ok := p.local(action)
	if !ok {
		return "a form leads out of the house: " + action
	}
	path, _, _ := strings.Cut(to, "?")
	c := p.b.h.Router.NewContext(nil, nil)
	p.b.h.Router.Router().Find(method, path, c)
	act, served := p.b.h.Web.Acts()[method+" "+c.Path()]
	if !served {
		return "a form leads to " + method + " " + path + ", which is not served"
	}
	if len(act.Roles) > 0 && !slices.ContainsFunc(act.Roles, as.Has) {
		return as.Name + " is shown a form for " + path + ", and may not " + act.Name
	}
	return ""
}
