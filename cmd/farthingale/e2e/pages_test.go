package e2e_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"

	"farthingale/cmd/farthingale/demo"
	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// violation is what axe-core found.
type violation struct {
	ID    string `json:"id"`
	Help  string `json:"help"`
	Nodes []struct {
		HTML    string `json:"html"`
		Summary string `json:"failureSummary"`
	} `json:"nodes"`
}

// axe reads the file of axe-core, or "" when none is named and none is required.
func axe(t testing.TB) string {
	t.Helper()
	name := os.Getenv("FARTHINGALE_AXE")
	if name == "" {
		if required() {
			t.Fatal("FARTHINGALE_AXE does not name axe.min.js of axe-core")
		}
		return ""
	}
	b, err := os.ReadFile(name) // #nosec G304 G703 -- named by whoever runs the tests
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// violations runs axe-core, which the page has, with some of its rules or, for nil, with all for WCAG 2.2 AA and
// good practice; contrast says whether that of colours is among them.
func (b *tab) violations(some []string, contrast bool) []string {
	b.t.Helper()
	only := `['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22aa','best-practice']`
	if some != nil {
		if contrast {
			some = slices.Concat(some, []string{byColour})
		}
		only = `{type: 'rule', values: ['` + strings.Join(some, `','`) + `']}`
	}
	found := value(b, chromedp.Evaluate[[]violation](fmt.Sprintf(`axe.run(document, {runOnly: %s, rules: {'%s': {enabled: %t}}, resultTypes: ['violations']}).then(r => r.violations)`, only, byColour, contrast), chromedp.EvalAwaitPromise))
	var said []string
	for _, v := range found {
		for _, n := range v.Nodes {
			said = append(said, fmt.Sprintf("%s (%s): %s: %s", v.Help, v.ID, n.HTML, strings.Join(strings.Fields(n.Summary), " ")))
		}
	}
	return said
}

// measured are sizes of the page as it is shown.
type measured struct {
	Wide  []string `json:"wide"`  // what sticks out at the right
	Thin  []string `json:"thin"`  // cells that write a letter a line
	Small []string `json:"small"` // what is too small to press on a page for quick logging
}

// measure finds what sticks out of the window, what is too thin to read, and what is under 44 px in a quick form.
const measure = `(() => {
	const show = e => '<' + e.tagName.toLowerCase() + (e.id ? ' id=' + e.id : '') + (e.className && e.className.baseVal === undefined ? ' class=' + e.className : '') + '> ' + (e.textContent || '').trim().slice(0, 40);
	const wide = [];
	if (document.documentElement.scrollWidth > window.innerWidth) {
		for (const e of document.body.querySelectorAll('*')) {
			if (e.getBoundingClientRect().right > window.innerWidth + 1 && !e.closest('.scroll, pre, thead, .unseen')) wide.push(show(e));
		}
		if (!wide.length) wide.push('the page itself, perhaps by ' + show([...document.body.querySelectorAll('*')].sort((a, b) => b.getBoundingClientRect().right - a.getBoundingClientRect().right)[0]));
	}
	const small = [];
	for (const e of document.querySelectorAll('.quick :is(button:not(.unseen), .button, select, textarea, summary, .choice, input:not([type=hidden], [type=checkbox], [type=radio]))')) {
		const r = e.getBoundingClientRect();
		if (r.width && !e.matches('.unseen') && (r.height < 44 || r.width < 44)) small.push(show(e) + ' ' + Math.round(r.width) + '×' + Math.round(r.height));
	}
	const thin = [...document.querySelectorAll('td, th, dd')].filter(e => {
		const s = getComputedStyle(e), em = parseFloat(s.fontSize);
		return e.innerText.trim().length > 8 && e.offsetHeight > 8 * em && e.clientWidth - parseFloat(s.paddingLeft) - parseFloat(s.paddingRight) < 2 * em;
	}).map(show);
	return {wide, thin, small};
})()`

// Rules of axe-core whose answer follows from where things lie and how large they are, with the one that tells links
// from the text around them, and the rule whose answer follows from colours alone. It takes a table for one of data by
// its size too.
var bySize = []string{"target-size", "scrollable-region-focusable", "td-headers-attr", "th-has-data-cells", "scope-attr-valid", "table-duplicate-name", "empty-table-header", byText}

const (
	byText   = "link-in-text-block"
	byColour = "color-contrast"
)

// views are how every page is looked at, and with which rules of axe-core; nil: all. What a page says and
// how it is built is the same at every width and in the dark, so all rules are asked where everything is shown;
// elsewhere only what a width can spoil is looked at again, and colours wherever they are new. narrow: what is shown
// there is compared with the first view, and what may have become otherwise is asked too.
var views = []struct {
	scheme string
	width  int64
	rules  []string
	narrow bool
}{
	{scheme: "light", width: 1280}, {scheme: "light", width: 820, rules: bySize}, {scheme: "light", width: 360, rules: bySize, narrow: true},
	{scheme: "dark", width: 1280, rules: []string{byText}},
}

// shown says whether more is shown than when it was last asked on this page, or something is hidden that holds
// a control or is part of a name.
const shown = `(() => {
	const told = [...document.querySelectorAll('[aria-labelledby], [aria-describedby]')].flatMap(e => ((e.getAttribute('aria-labelledby') || '') + ' ' + (e.getAttribute('aria-describedby') || '')).split(' ').filter(id => id).map(id => '#' + CSS.escape(id)));
	const names = ['a, button, label, summary, legend, caption, th, h1, h2, h3, h4, h5, h6', ...told].join(), holds = names + ', input, select, textarea, img, svg';
	const before = window.shownBefore, now = new Set();
	for (const e of document.body.querySelectorAll('*')) if (e.checkVisibility({visibilityProperty: true})) now.add(e);
	window.shownBefore = now;
	return !before || [...now].some(e => !before.has(e)) || [...before].some(e => !now.has(e) && (e.matches(holds) || e.closest(names) || e.querySelector(holds)));
})()`

// colours are in which colours the page writes on which grounds, and where its size asks for another contrast: what
// the rule of contrast answers for.
//
// source: WCAG 2.2, "large scale": 18 pt (24 px), or 14 pt (18.66 px) when bold
const colours = `(() => {
	const grounds = new Map([[null, '']]), all = new Set();
	const ground = e => {
		if (!grounds.has(e)) {
			const s = getComputedStyle(e), own = [s.backgroundColor, s.backgroundImage, s.opacity].join(' ');
			grounds.set(e, (own === 'rgba(0, 0, 0, 0) none 1' ? '' : own + ' on ') + ground(e.parentElement));
		}
		return grounds.get(e);
	};
	for (const e of document.body.querySelectorAll('*')) {
		if (!e.matches('input, select, textarea') && ![...e.childNodes].some(n => n.nodeType === Node.TEXT_NODE && n.data.trim())) continue;
		if (!e.checkVisibility({visibilityProperty: true})) continue;
		const s = getComputedStyle(e), px = parseFloat(s.fontSize);
		all.add([s.color, s.fill, s.textShadow, px >= 24 || s.fontWeight >= 700 && px >= 18.66, ground(e)].join());
	}
	return [...all];
})()`

// judged are the colours on their grounds in which axe-core found nothing.
var judged sync.Map

// TestPagesInABrowser measures every page as everybody who may see it.
func TestPagesInABrowser(t *testing.T) {
	t.Parallel()
	h := servetest.New(t, func(s *serve.Settings) {
		s.Site.Demonstration, s.SignIns = true, demo.SignIns()
	})
	script := axe(t)
	perPerson := map[string][]servetest.Sample{}
	for _, sample := range h.Samples() {
		if !sample.File {
			perPerson[sample.As.Name] = append(perPerson[sample.As.Name], sample)
		}
	}
	for name, samples := range perPerson {
		if name == "" {
			name = "nobody"
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := open(t, h)
			b.signIn(samples[0].As)
			b.complaints()
			for _, sample := range samples {
				t.Run(strings.TrimPrefix(sample.Path, "/"), func(t *testing.T) {
					b.t = t
					b.look(sample, script)
				})
			}
			b.t = t
		})
	}
}

// look opens a page and measures it in all views.
func (b *tab) look(sample servetest.Sample, script string) {
	b.t.Helper()
	b.size(views[0].width)
	b.show(sample.Path)
	b.judge(sample.Path, strings.TrimPrefix(sample.Route, "GET ")+"-"+sample.As.SignInName, script)
	for _, complaint := range b.complaints() {
		if sample.Status == 0 { // a browser complains of every refusal
			b.t.Errorf("%s: the browser says: %s", sample.Path, complaint)
		}
	}
}

// judge measures the page that is shown in all views, and keeps pictures of it under a name. What is
// wrong in several is said once.
func (b *tab) judge(path, name, script string) {
	b.t.Helper()
	if script != "" {
		b.do(chromedp.Evaluate[chromedp.Void](script))
	}
	said := map[string]bool{}
	for _, view := range views {
		b.media("screen", view.scheme)
		b.size(view.width)
		var faults []string
		if script != "" {
			faults = b.ask(view.rules, view.narrow)
		}
		sizes := value(b, chromedp.Evaluate[measured](measure))
		for _, wide := range sizes.Wide {
			faults = append(faults, "sticks out: "+wide)
		}
		for _, thin := range sizes.Thin {
			faults = append(faults, "a letter a line: "+thin)
		}
		for _, small := range sizes.Small {
			faults = append(faults, "too small to press: "+small)
		}
		for _, fault := range faults {
			if !said[fault] {
				said[fault] = true
				b.t.Errorf("%s, %s, %d px: %s", path, view.scheme, view.width, fault)
			}
		}
		b.picture(fmt.Sprintf("%s-%s-%d", name, view.scheme, view.width))
	}
}

// ask asks the rules of a view, all where its width made that necessary, and that of contrast where colours are new.
func (b *tab) ask(rules []string, narrow bool) []string {
	b.t.Helper()
	if rules == nil || narrow {
		if value(b, chromedp.Evaluate[bool](shown)) {
			rules = nil
		}
	}
	written := value(b, chromedp.Evaluate[[]string](colours))
	faults := b.violations(rules, slices.ContainsFunc(written, func(c string) bool {
		_, known := judged.Load(c)
		return !known
	}))
	if len(faults) == 0 {
		for _, c := range written {
			judged.Store(c, true)
		}
	}
	return faults
}

// TestKeyboard: the first press of Tab offers a way past the menu, and the focus is always seen.
func TestKeyboard(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	b := open(t, h)
	b.signIn(h.Person("Ines Falkenberg", domain.Conservator))
	b.must("/account")
	b.do(chromedp.KeyEvent("\t"))
	if first := value(b, chromedp.Evaluate[string](`document.activeElement.getAttribute('href')`)); first != "#main" {
		t.Errorf("the first stop of the keyboard is %q", first)
	}
	if left := value(b, chromedp.Evaluate[float64](`document.activeElement.getBoundingClientRect().left`)); left < 0 {
		t.Error("the way past the menu is not shown when it has the focus")
	}
	seen := map[string]bool{}
	for range 60 {
		b.do(chromedp.KeyEvent("\t"))
		stop := value(b, chromedp.Evaluate[struct {
			What    string  `json:"what"`
			Outline string  `json:"outline"`
			Width   float64 `json:"width"`
		}](`(() => { const e = document.activeElement, s = getComputedStyle(e); return {what: e.outerHTML.slice(0, 120), outline: s.outlineStyle, width: parseFloat(s.outlineWidth)} })()`))
		if strings.HasPrefix(stop.What, "<body") || seen[stop.What] {
			break
		}
		seen[stop.What] = true
		if stop.Outline == "none" || stop.Width < 2 {
			t.Errorf("the focus is not seen on %s", stop.What)
		}
	}
	if len(seen) < 8 {
		t.Errorf("the keyboard reaches %d controls", len(seen))
	}
}

// TestWithoutScripts: the door, a form that is refused, and one that is kept work without JavaScript.
func TestWithoutScripts(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	b := open(t, h)
	b.withoutScripts()
	b.signIn(h.Person("Simon Vane", domain.Steward))
	b.must("/people")
	b.fill("name", "Ines Falkenberg")
	b.fill("sign_in_name", "ines")
	b.choose("roles", "conservator")
	b.fill("password", "another sentence")
	if status := b.press("Make the account"); status != 200 || !strings.HasPrefix(b.at(), "/people/") {
		t.Fatalf("status %d at %s: %s", status, b.at(), b.text())
	}
	b.says("Ines Falkenberg has an account.", "conservator")
}
