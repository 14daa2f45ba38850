package e2e_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
)

// meeting finds texts of the drawing that meet or stick out of it, as they are really set.
const meeting = `(() => {
	const svg = document.querySelector('svg.make-up'), all = svg.getBoundingClientRect();
	const texts = [...svg.querySelectorAll('text')].map(e => ({text: e.textContent, r: e.getBoundingClientRect()}));
	const said = texts.length < 120 ? ['only ' + texts.length + ' texts'] : [];
	texts.forEach((a, i) => {
		if (a.r.left < all.left - 1 || a.r.right > all.right + 1) said.push(a.text + ' sticks out');
		if (a.r.height < 9) said.push(a.text + ' is ' + a.r.height + ' px high');
		texts.slice(0, i).forEach(b => {
			if (a.r.left < b.r.right - 0.5 && b.r.left < a.r.right - 0.5 && a.r.top < b.r.bottom - 1.5 && b.r.top < a.r.bottom - 1.5) said.push(a.text + ' meets ' + b.text);
		});
	});
	return said.slice(0, 20);
})()`

// TestMakeUpOfSixty: the drawing of sixty components with their joints is readable on a telephone, and each box
// leads to its component.
func TestMakeUpOfSixty(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	by := g.People[domain.Conservator]
	var parts []domain.ID
	for i := range 60 {
		c, err := h.Collection.AddComponent(t.Context(), by.Actor, g.Object.ID, collection.NewComponent{Label: fmt.Sprintf("9%02d", i), Attribution: collection.UnknownAttribution,
			ComponentFacts: collection.ComponentFacts{Name: strings.TrimSpace("WWMM wide " + strings.Repeat("liner of the arm ", i%4)), Side: []string{"left", "right", "none"}[i%3], LayerOrder: i % 6, Function: "lining", Count: 1,
				Removal: collection.Freely}})
		if err != nil {
			t.Fatal(err)
		}
		parts = append(parts, c.ID)
	}
	for i := range 40 {
		if _, err := h.Collection.AddJoint(t.Context(), by.Actor, g.Object.ID, collection.NewJoint{AID: parts[i], BID: parts[(i*7+11)%60],
			JointFacts: collection.JointFacts{Meets: "sewn", Contact: "direct", State: collection.JointStates[i%4]}}); err != nil {
			t.Fatal(err)
		}
	}
	b := open(t, h)
	b.signIn(by)
	for _, width := range []int64{360, 1280} {
		b.size(width)
		b.must("/objects/" + g.Object.Number)
		if said := value(b, chromedp.Evaluate[[]string](meeting)); len(said) > 0 {
			t.Errorf("at %d px: %s", width, strings.Join(said, "; "))
		}
		b.picture(fmt.Sprintf("make-up-of-sixty-%d", width))
	}
	b.loads(chromedp.Click(chromedp.CSS(`svg.make-up a[href$="/components/930"] rect`)))
	b.says("WWMM wide")
	if !strings.HasSuffix(b.at(), "/components/930") {
		t.Errorf("the box leads to %s", b.at())
	}
}
