package e2e_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// What a hand does on a page: it knows fields by the labels that it can see, buttons, links and folds by
// their words. "Venue 1 › Name" is the field Name in the group Venue 1; "For › move" the choice move of
// the question For.

// lookup finds the one thing with a label that is shown, marks it, and says of which kind it is.
const lookup = `((words, marked) => {
	const said = e => { const c = e.cloneNode(true); c.querySelectorAll('.needed, .help').forEach(n => n.remove()); return c.textContent.replace(/\s+/g, ' ').trim() };
	const path = words.split(' › '), name = path.pop();
	const within = (e, group) => { for (e = e.parentElement; e; e = e.parentElement) { const head = e.querySelector(':scope > legend, :scope > summary, :scope > .legend, :scope > h2, :scope > h3'); if (head && said(head) === group) return true } return false };
	const found = [...document.querySelectorAll('label')].filter(l => said(l) === name && l.control && l.checkVisibility() && path.every(group => within(l, group)));
	if (found.length !== 1) return found.length + ' things are called ' + words;
	document.querySelectorAll('[' + marked + ']').forEach(e => e.removeAttribute(marked));
	const control = found[0].control, kind = control.type;
	(kind === 'checkbox' || kind === 'radio' ? found[0] : control).setAttribute(marked, '');
	return kind;
})(%s, 'data-hand')`

var atHand = chromedp.CSS(`[data-hand]`)

// quoted is a text as JavaScript reads it.
func quoted(text string) string {
	b, err := json.Marshal(text)
	if err != nil {
		panic(err) // a string is always JSON
	}
	return string(b)
}

// reach finds a field and gives its kind.
func (b *tab) reach(words string) string {
	b.t.Helper()
	kind := value(b, chromedp.Evaluate[string](fmt.Sprintf(lookup, quoted(words))))
	if strings.Contains(kind, "are called") {
		b.t.Fatalf("at %s: %s: %s", b.at(), kind, b.text())
	}
	return kind
}

// write writes into fields, in place of what stands there: label, text, label, text … A select takes the
// choice with these words.
func (b *tab) write(pairs ...string) {
	b.t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		words, text := pairs[i], pairs[i+1]
		switch kind := b.reach(words); kind {
		case "select-one":
			chosen := value(b, chromedp.Evaluate[bool](fmt.Sprintf(`((words) => {
				const s = document.querySelector('[data-hand]'), o = [...s.options].filter(o => o.text.includes(words));
				const exact = o.filter(o => o.text === words), one = exact.length === 1 ? exact : o;
				if (one.length !== 1) return false;
				s.focus(); s.value = one[0].value; s.dispatchEvent(new Event('change', {bubbles: true})); return true;
			})(%s)`, quoted(text))))
			if !chosen {
				b.t.Fatalf("at %s: %s does not offer one %q", b.at(), words, text)
			}
		case "date", "datetime-local":
			b.do(chromedp.SetValue(atHand, text))
		default:
			b.do(chromedp.Focus(atHand), chromedp.Evaluate[chromedp.Void](`document.activeElement.select()`),
				chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
					_, err := chromedp.Call(ctx, input.InsertText, input.InsertTextParams{Text: text})
					return err
				}))
		}
		if held := b.reads(words); held != text && !strings.Contains(held, text) {
			b.t.Fatalf("at %s: %s holds %q, not %q", b.at(), words, held, text)
		}
	}
}

// reads is what a field holds: its text, the words of what is chosen, or "ticked".
func (b *tab) reads(words string) string {
	b.t.Helper()
	b.reach(words)
	return value(b, chromedp.Evaluate[string](`(e => e.control ? (e.control.checked ? 'ticked' : '') : e.selectedOptions ? e.selectedOptions[0].text : e.value)(document.querySelector('[data-hand]'))`))
}

// holds fails the test unless fields hold what was typed: label, text, label, text …
func (b *tab) holds(pairs ...string) {
	b.t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		if held := b.reads(pairs[i]); held != pairs[i+1] {
			b.t.Errorf("at %s: %s holds %q, not %q", b.at(), pairs[i], held, pairs[i+1])
		}
	}
}

// tick presses choices, where the finger would.
func (b *tab) tick(choices ...string) {
	b.t.Helper()
	for _, words := range choices {
		before := b.reads(words)
		b.do(chromedp.Click(atHand))
		if b.reads(words) == before && before == "" {
			b.t.Fatalf("at %s: pressing %s does not choose it", b.at(), words)
		}
	}
}

// unfold opens what is folded under words.
func (b *tab) unfold(words string) {
	b.t.Helper()
	b.do(chromedp.Click(chromedp.Search(fmt.Sprintf(`//details[not(@open)]/summary[normalize-space(.)=%q]`, words))))
}

// follow presses the first link with these words; it leads to another page.
func (b *tab) follow(words string) {
	b.t.Helper()
	link := chromedp.Search(fmt.Sprintf(`(//a[normalize-space(.)=%q])[1]`, words))
	if status := b.loads(chromedp.Click(link)); status != 200 {
		b.t.Fatalf("%q leads to %s, which answers %d: %s", words, b.at(), status, b.text())
	}
}

// offers says whether the page shows a link or a button with these words.
func (b *tab) offers(words string) bool {
	b.t.Helper()
	return value(b, chromedp.Evaluate[bool](fmt.Sprintf(`[...document.querySelectorAll('a, button')].some(e => e.textContent.trim() === %s && e.checkVisibility())`, quoted(words))))
}

// done presses a button whose act is not refused; the page then says the texts.
func (b *tab) done(words string, texts ...string) {
	b.t.Helper()
	if status := b.press(words); status != 200 {
		b.t.Fatalf("%q answers %d at %s: %s", words, status, b.at(), b.text())
	}
	b.says(texts...)
}

// refused presses a button whose act is refused by a rule. The page says so where the eye is after it
// was loaded, and says the texts.
func (b *tab) refused(words, rule string, texts ...string) {
	b.t.Helper()
	if status := b.press(words); status < 400 || status >= 500 {
		b.t.Fatalf("%q answers %d at %s: %s", words, status, b.at(), b.text())
	}
	b.says(append([]string{"Refused by rule " + rule}, texts...)...)
	b.picture("refused " + rule + " " + words)
	const seen = `(() => { const e = document.querySelector('.fault'), r = e && e.getBoundingClientRect(); return !!r && r.top >= 0 && r.top < innerHeight - 80 })()`
	if !value(b, chromedp.Evaluate[bool](seen)) {
		b.t.Errorf("%s: that %q was refused stands outside of the window", b.at(), words)
	}
}

// attach chooses files in a field.
func (b *tab) attach(words string, files ...string) {
	b.t.Helper()
	b.reach(words)
	b.do(chromedp.SetUploadFiles(atHand, files))
}

// fetch presses a link to a file and gives what was downloaded.
func (b *tab) fetch(words string) []byte {
	b.t.Helper()
	folder := b.t.TempDir()
	ctx, end := context.WithTimeout(b.ctx, patience)
	defer end()
	progress := chromedp.Events(ctx, browser.DownloadProgress)
	yes := true
	if err := chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllowAndName,
			BrowserContextID: chromedp.FromContext(ctx).BrowserContextID, DownloadPath: folder, EventsEnabled: &yes})
		return err
	}), chromedp.Click(chromedp.Search(fmt.Sprintf(`(//a[normalize-space(.)=%q])[1]`, words)))); err != nil {
		b.t.Fatalf("at %s: %q: %v", b.at(), words, err)
	}
	for ev, err := range progress {
		if err != nil {
			b.t.Fatalf("at %s: %q: %v", b.at(), words, err)
		}
		if ev.State == browser.DownloadProgressStateCompleted {
			content, err := os.ReadFile(filepath.Join(folder, ev.GUID))
			if err != nil {
				b.t.Fatal(err)
			}
			return content
		}
	}
	b.t.Fatalf("at %s: %q was not downloaded", b.at(), words)
	return nil
}
