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

// hand finds the one thing with a label that is shown, and does something with it: "take" it to type
// into or to press, "choose" from it, "read" it.
const hand = `((words, act, text) => {
	const said = e => { const c = e.cloneNode(true); c.querySelectorAll('.needed, .help').forEach(n => n.remove()); return c.textContent.replace(/\s+/g, ' ').trim() };
	const path = words.split(' › '), name = path.pop();
	const within = (e, group) => { for (e = e.parentElement; e; e = e.parentElement) { const head = e.querySelector(':scope > :is(legend, summary, .legend)'); if (head && said(head) === group) return true } return false };
	const found = [...document.querySelectorAll('label')].filter(l => said(l) === name && l.control && l.checkVisibility() && path.every(group => within(l, group)));
	if (found.length !== 1) return {fault: found.length + ' things are called ' + words};
	const e = found[0].control, choice = e.type === 'checkbox' || e.type === 'radio', set = v => { e.focus(); e.value = v; e.dispatchEvent(new Event('change', {bubbles: true})) };
	if (act === 'choose' && e.type === 'select-one') {
		const exact = [...e.options].filter(o => o.text === text), like = [...e.options].filter(o => o.text.includes(text)), one = exact.length ? exact : like;
		if (one.length !== 1) return {fault: words + ' does not offer one ' + text};
		set(one[0].value);
	} else if (act === 'choose') {
		set(text);
	} else if (act === 'take') {
		document.querySelectorAll('[data-hand]').forEach(e => e.removeAttribute('data-hand'));
		(choice ? found[0] : e).setAttribute('data-hand', '');
		if (!choice && e.type !== 'file') { e.focus(); e.select?.() }
	}
	return {kind: e.type, held: choice ? (e.checked ? 'ticked' : '') : e.type === 'select-one' ? e.selectedOptions[0].text : e.value};
})(%s, %s, %s)`

var atHand = chromedp.CSS(`[data-hand]`)

// thing is a field as the hand finds it: its kind, and what it holds: a text, the words of what is
// chosen, or "ticked".
type thing struct {
	Kind  string `json:"kind"`
	Held  string `json:"held"`
	Fault string `json:"fault"`
}

func (b *tab) hand(words, act, text string) thing {
	b.t.Helper()
	found := value(b, chromedp.Evaluate[thing](fmt.Sprintf(hand, quoted(words), quoted(act), quoted(text))))
	if found.Fault != "" {
		b.t.Fatalf("at %s: %s: %s", b.at(), found.Fault, b.text())
	}
	return found
}

// quoted is a text as JavaScript reads it.
func quoted(text string) string {
	b, err := json.Marshal(text)
	if err != nil {
		panic(err) // a string is always JSON
	}
	return string(b)
}

// write writes into fields, in place of what stands there: label, text, label, text … A select takes the
// choice with these words.
func (b *tab) write(pairs ...string) {
	b.t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		words, text := pairs[i], pairs[i+1]
		held := ""
		switch b.hand(words, "take", "").Kind {
		case "select-one", "date", "datetime-local":
			held = b.hand(words, "choose", text).Held
		default:
			b.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
				_, err := chromedp.Call(ctx, input.InsertText, input.InsertTextParams{Text: text})
				return err
			}))
			held = b.hand(words, "read", "").Held
		}
		if !strings.Contains(held, text) || text == "" && held != "" {
			b.t.Fatalf("at %s: %s holds %q, not %q", b.at(), words, held, text)
		}
	}
}

// holds fails the test unless fields hold what was typed: label, text, label, text …
func (b *tab) holds(pairs ...string) {
	b.t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		if held := b.hand(pairs[i], "read", "").Held; held != pairs[i+1] {
			b.t.Errorf("at %s: %s holds %q, not %q", b.at(), pairs[i], held, pairs[i+1])
		}
	}
}

// tick presses choices, where the finger would.
func (b *tab) tick(choices ...string) {
	b.t.Helper()
	for _, words := range choices {
		b.hand(words, "take", "")
		b.do(chromedp.Click(atHand))
		if b.hand(words, "read", "").Held != "ticked" {
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
	b.leaf(words)
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
	b.leaf(words)
}

// refused presses a button whose act is refused by a rule. The page says so where the eye is after it
// was loaded, and says the texts.
func (b *tab) refused(words, rule string, texts ...string) {
	b.t.Helper()
	if status := b.press(words); status < 400 || status >= 500 {
		b.t.Fatalf("%q answers %d at %s: %s", words, status, b.at(), b.text())
	}
	b.says(append([]string{"Refused by rule " + rule}, texts...)...)
	b.leaf("refused " + rule + " " + words)
	const seen = `(() => { const e = document.querySelector('.fault'), r = e && e.getBoundingClientRect(); return !!r && r.top >= 0 && r.top < innerHeight - 80 })()`
	if !value(b, chromedp.Evaluate[bool](seen)) {
		b.t.Errorf("%s: that %q was refused stands outside of the window", b.at(), words)
	}
}

// leaf keeps a picture of a page that was come to, in the order of the walk.
func (b *tab) leaf(words string) {
	b.t.Helper()
	b.leaves++
	b.picture(fmt.Sprintf("walk %s %03d %s", b.who, b.leaves, words))
}

// attach chooses files in a field.
func (b *tab) attach(words string, files ...string) {
	b.t.Helper()
	b.hand(words, "take", "")
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
