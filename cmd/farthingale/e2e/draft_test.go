package e2e_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
)

// network takes the network away from the tab, or gives it back.
func (b *tab) network(there bool) {
	b.t.Helper()
	b.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
			return err
		}
		if _, err := chromedp.Call(ctx, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
			MatchedNetworkConditions: []*network.Conditions{{Offline: !there, DownloadThroughput: -1, UploadThroughput: -1}}}); err != nil {
			return err
		}
		_, err := chromedp.Call(ctx, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: !there, DownloadThroughput: -1, UploadThroughput: -1})
		return err
	}))
}

// another opens a further tab of the same browser, with the same cookies and the same store.
func (b *tab) another() *tab {
	b.t.Helper()
	ctx, end := chromedp.NewContext(b.ctx)
	b.t.Cleanup(end)
	if err := chromedp.Do(ctx); err != nil { // the tab lives as long as ctx, not as a step's
		b.t.Fatal(err)
	}
	n := &tab{t: b.t, h: b.h, ctx: ctx, who: b.who}
	n.size(820)
	return n
}

// awaits waits until an expression is true. Meanwhile the page may go over into another, where what runs is
// broken off; that is not its failure.
func (b *tab) awaits(what, expression string) {
	b.t.Helper()
	for end := time.Now().Add(patience); ; {
		ctx, cancel := context.WithTimeout(b.ctx, patience)
		there, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression))
		cancel()
		if err == nil && there {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("at %s: %s does not come (%v): %s", b.at(), what, err, b.text())
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// kept waits until a form of a draft says something; part is the last word of its address.
func (b *tab) kept(part, says string) {
	b.t.Helper()
	b.awaits(part+" "+says, fmt.Sprintf(`document.querySelector('form[action$="/%s#answer"] .kept').textContent.includes(%s)`, part, quoted(says)))
}

// draftInHand begins an examination of the ground's object and opens it in a tab.
func draftInHand(t *testing.T) (*tab, *servetest.House, *servetest.Ground, func() *examination.Examination) {
	t.Helper()
	h := servetest.New(t)
	g := h.Ground()
	ines := g.People[domain.Conservator]
	e, err := h.Examination.Begin(t.Context(), ines.Actor, g.Object.ID, examination.NewExamination{Occasion: examination.PeriodicCheck})
	if err != nil {
		t.Fatal(err)
	}
	b := open(t, h)
	b.size(820)
	b.signIn(ines)
	b.must("/examinations/" + e.ID.String())
	return b, h, g, func() *examination.Examination {
		t.Helper()
		now, err := h.Examination.One(t.Context(), ines.Actor, e.ID)
		if err != nil {
			t.Fatal(err)
		}
		return now
	}
}

// TestDraftOutlivesTheNetwork: what is typed is kept by itself; without a network it stays in the browser,
// over the end of the page too, and is sent when the network is back. Nothing is written twice.
func TestDraftOutlivesTheNetwork(t *testing.T) {
	t.Parallel()
	b, _, _, record := draftInHand(t)
	b.write("Technique", "by eye")
	b.kept("circumstances", "Kept at")
	if now := record(); now.Technique != "by eye" {
		t.Errorf("kept: %q", now.Technique)
	}

	b.network(false)
	b.write("Technique", "by eye, and with a loupe of ten times", "Description", "Made of closed-cell rubber.")
	b.kept("circumstances", "Not kept yet")
	b.write("Damage", "pitting", "What was seen", "White crumbs under the ring")
	b.push("Write it down")
	b.kept("observations", "Not kept yet")
	if now := record(); now.Technique != "by eye" || len(now.Observations) != 0 {
		t.Errorf("kept without a network: %+v", now)
	}

	// The page ends: the browser is closed, or the tablet runs out. A new page takes up what was typed.
	later := b.another()
	later.must(b.at())
	later.says("What you typed here before is back")
	later.kept("circumstances", "Kept at")
	later.kept("description", "Kept at")
	later.holds("What was seen", "White crumbs under the ring", "Damage", "pitting")
	later.push("Write it down")
	later.awaits("the observation", `document.querySelectorAll(".observed").length === 1`)
	now := record()
	if now.Technique != "by eye, and with a loupe of ten times" || now.Description != "Made of closed-cell rubber." || len(now.Observations) != 1 || now.Observations[0].Note != "White crumbs under the ring" {
		t.Errorf("after the network came back: %+v", now)
	}

	// The first page finds its network again: it sends the same once more, and nothing is there twice.
	b.network(true)
	b.awaits("the observation", `document.querySelectorAll(".observed").length === 1`)
	if again := record(); len(again.Observations) != 1 || again.Technique != now.Technique {
		t.Errorf("sent twice: %+v", again)
	}
	if left := value(b, chromedp.Evaluate[int](`localStorage.length`)); left != 0 {
		t.Errorf("%d texts are left in the browser", left)
	}
}

// push presses the button with these words, which leads nowhere by itself.
func (b *tab) push(words string) {
	b.t.Helper()
	b.do(chromedp.Click(chromedp.Search(fmt.Sprintf(`//button[normalize-space(.)=%q]`, words))))
}

// TestTwoWriteOneDraft: where only one of two has written, both are kept; where both have, both texts are
// shown and one is chosen. Nothing is written over.
func TestTwoWriteOneDraft(t *testing.T) {
	t.Parallel()
	b, h, g, record := draftInHand(t)
	theirs := func(change func(c *examination.Circumstances)) {
		t.Helper()
		now := record()
		c := now.Circumstances
		change(&c)
		if _, err := h.Examination.Change(t.Context(), g.People[domain.Conservator].Actor, now.ID, now.Version, examination.Changes{Circumstances: &c}); err != nil {
			t.Fatal(err)
		}
	}
	b.network(false)
	b.write("Technique", "mine")
	b.kept("circumstances", "Not kept yet")
	theirs(func(c *examination.Circumstances) { c.AskedBy = "the curator" })
	b.network(true)
	b.kept("circumstances", "Kept at")
	if now := record(); now.Technique != "mine" || now.AskedBy != "the curator" {
		t.Errorf("one field each: %+v", now.Circumstances)
	}
	b.holds("Asked for by", "the curator")

	b.network(false)
	b.write("Technique", "mine, longer")
	theirs(func(c *examination.Circumstances) { c.Technique = "theirs" })
	b.network(true)
	b.kept("circumstances", "Somebody else wrote here too")
	b.says("Kept by somebody else meanwhile:", "theirs")
	b.holds("Technique", "mine, longer")
	if now := record(); now.Technique != "theirs" {
		t.Errorf("written over: %+v", now.Circumstances)
	}
	b.push("Keep mine")
	b.kept("circumstances", "Kept at")
	if now := record(); now.Technique != "mine, longer" {
		t.Errorf("chosen: %+v", now.Circumstances)
	}

	// The same without the module: by the button, with both texts on the page.
	plain := b.another()
	plain.withoutScripts()
	plain.must(b.at())
	theirs(func(c *examination.Circumstances) { c.Technique = "theirs again" })
	plain.write("Technique", "mine again")
	if status := plain.loads(chromedp.Click(chromedp.CSS(`form[action$="/circumstances#answer"] .acts button`))); status != 412 {
		t.Errorf("the old form answers %d", status)
	}
	plain.says("Nothing was lost", "theirs again")
	plain.holds("Technique", "mine again")
	if status := plain.loads(chromedp.Click(chromedp.CSS(`form[action$="/circumstances#answer"] .acts button`))); status != 200 {
		t.Errorf("put together, it answers %d: %s", status, plain.text())
	}
	if now := record(); now.Technique != "mine again" || !strings.Contains(now.AskedBy, "curator") {
		t.Errorf("put together: %+v", now.Circumstances)
	}
}
