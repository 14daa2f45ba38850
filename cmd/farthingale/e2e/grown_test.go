package e2e_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/domain/photo/mark"
)

// shoot photographs a white patch of this size, and puts the photograph on the easel.
func (e *easel) shoot(width, height int) {
	e.t.Helper()
	m := image.NewGray(image.Rect(0, 0, pictureWidth, pictureHeight))
	for y := range pictureHeight {
		for x := range pictureWidth {
			m.SetGray(x, y, color.Gray{90})
			if x >= 1000 && x < 1000+width && y >= 600 && y < 600+height {
				m.SetGray(x, y, color.Gray{250})
			}
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		e.t.Fatal(err)
	}
	p, err := e.h.Photo.Upload(e.t.Context(), e.by.Actor, e.photo.ObjectID, photo.Description{View: "detail", Light: "normal", Stage: "condition", Caption: fmt.Sprintf("%d wide", width), ScalePresent: true}, "a.jpg", &b)
	if err != nil {
		e.t.Fatal(err)
	}
	if err := e.h.Photo.Derive(e.t.Context(), p.ID); err != nil {
		e.t.Fatal(err)
	}
	e.photo = p
}

// draft is the draft that is open, as it is kept now; its path is where the tab is.
func (e *easel) draft() *examination.Examination {
	e.t.Helper()
	id, err := domain.ParseID(strings.SplitN(strings.TrimPrefix(e.at(), "/examinations/"), "#", 2)[0])
	if err != nil {
		e.t.Fatal(err)
	}
	now, err := e.h.Examination.One(e.t.Context(), e.by.Actor, id)
	if err != nil {
		e.t.Fatal(err)
	}
	return now
}

// answer writes on the page of the draft what is the same at every look: how it was taken, that all was seen, the
// photograph, what follows. Each part is kept by itself.
func (e *easel) answer() *examination.Examination {
	e.t.Helper()
	e.tick("Light › normal", "Hands on it › no, it was only looked at", "All that are not answered below were seen")
	e.write("Technique", "By eye.", "Place in words", "table")
	e.tick("Photographs that belong to it › detail, condition: "+e.photo.Caption+" ("+e.photo.UploadedAt.UTC().Format("2 January 2006")+")",
		"Overall condition › poor: "+examination.Poor.Means(), "Priority › high")
	e.write("Next check due", e.h.Now().AddDate(0, 6, 0).Format(time.DateOnly), "Why it is better than the observations suggest", "Local.")
	for _, part := range []string{"circumstances", "components", "photos", "judgement"} {
		e.kept(part, "Kept at")
	}
	return e.draft()
}

// outline draws the patch as a finger does, sets the scale, and takes the extent over into the draft. 2000 pixels are
// 200 mm.
func (e *easel) outline(x *examination.Examination, width, height float64) {
	e.t.Helper()
	at, o := "/examinations/"+x.ID.String(), x.Observations[0].ID.String()
	e.look(e.path + "?observation=" + o)
	e.tool("Outline")
	e.tap(mark.Point{1000, 600}, mark.Point{1000 + width, 600}, mark.Point{1000 + width, 600 + height}, mark.Point{1000, 600 + height})
	e.press("Keep the mark")
	e.look(e.path)
	e.tool("Scale bar")
	e.tap(mark.Point{500, 2800}, mark.Point{2500, 2800})
	e.do(chromedp.SendKeys(chromedp.CSS(`#scale [name="length_mm"]`), "200"))
	e.press("Keep the scale")
	e.must(at)
	e.says("1 mark on a photograph")
	e.press("Take the extent from the marks")
}

// signs signs the draft on its page of review.
func (e *easel) signs(x *examination.Examination) {
	e.t.Helper()
	e.must("/examinations/" + x.ID.String() + "/review")
	e.press("Sign and seal it")
	e.says("signed")
}

// TestE2GrownDamageIsWorse: on a tablet a conservator examines, marks a patch with a finger, and signs; at the next
// look it has grown. The comparison calls it worse, and the change is that of the pictures, within its uncertainty. The
// photographs stand side by side, the marks are in the manifest, and the paper can be taken away.
func TestE2GrownDamageIsWorse(t *testing.T) {
	e := newEasel(t)
	e.shoot(820, 600)
	e.path = "/photos/" + e.photo.ID.String() + "/marks"
	e.must("/objects/1968.14.2/examine")
	e.tick("survey")
	e.press("Begin")
	e.write("Damage", "white corrosion", "What was seen", "White bloom at the ring")
	e.tick("2 moderate", "unknown")
	e.push("Write it down")
	e.awaits("the observation", `document.querySelectorAll(".observed").length === 1`)
	first := e.answer()
	e.outline(first, 820, 600)
	e.signs(first)

	e.shoot(1200, 900)
	e.path = "/photos/" + e.photo.ID.String() + "/marks"
	e.must("/objects/1968.14.2/examine")
	e.tick("periodic check")
	e.press("Begin")
	second := e.answer()
	e.outline(second, 1200, 900)
	e.tick("Now › changed")
	e.write("Why gone or not seen; what changed", "It has grown.")
	e.kept(second.Observations[0].ID.String(), "Kept at")
	e.signs(second)

	e.must("/objects/1968.14.2/compare")
	c, err := e.h.Examination.Compare(t.Context(), e.by.Actor, e.photo.ObjectID, nil, nil)
	if err != nil || len(c.Changes) != 1 || c.Changes[0].Outcome != examination.Worse || !c.Changes[0].Extent.Proven {
		t.Fatalf("compared: %+v, %v", c, err)
	}
	// Drawn: 1200 · 900 − 820 · 600 pixels, of 0.01 mm² each.
	grown, u := c.Changes[0].Extent.Value.InexactFloat64(), c.Changes[0].Extent.Uncertainty.InexactFloat64()
	if math.Abs(grown-5880) > u || u > 2500 {
		t.Errorf("grown by %v ± %v mm², drawn 5880", grown, u)
	}
	e.says("Worse", "white corrosion", c.Changes[0].Extent.Words(), "Lay them over each other")
	e.picture("compared")

	var manifest struct {
		Context string `json:"@context"`
		Type    string `json:"type"`
		Items   []struct {
			Type        string `json:"type"`
			Annotations []struct {
				ID string `json:"id"`
			} `json:"annotations"`
		} `json:"items"`
	}
	read := func(path string) []byte {
		t.Helper()
		return []byte(value(e.tab, chromedp.Evaluate[string](`fetch('`+path+`').then((r) => r.ok ? r.text() : String(r.status))`, chromedp.EvalAwaitPromise)))
	}
	if err := json.Unmarshal(read("/iiif/objects/1968.14.2/manifest"), &manifest); err != nil {
		t.Fatal(err)
	}
	marked := 0
	for _, canvas := range manifest.Items {
		marked += len(canvas.Annotations)
	}
	if manifest.Type != "Manifest" || !strings.Contains(manifest.Context, "iiif.io/api/presentation/3") || len(manifest.Items) < 3 || marked == 0 {
		t.Errorf("manifest %+v", manifest)
	}
}
