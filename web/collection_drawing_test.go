package web

import (
	"encoding/xml"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/material"
)

// large is an invented make-up of so many components, with joints and harms between any of them.
func large(seed uint64, components, joints, harms int) (parts []drawnPart, meet []drawnJoint, harm []drawnHarm) {
	chance := rand.New(rand.NewPCG(seed, 1)) // #nosec G404 -- invented make-ups
	for i := range components {
		parts = append(parts, drawnPart{ID: domain.NewID(), Layer: chance.IntN(7), Name: fmt.Sprintf(".%d part of a long name, number %d", i, i),
			Of: strings.Repeat("cotton & rubber, ", 1+chance.IntN(4)), Path: "/c/" + strconv.Itoa(i)})
	}
	one := func() domain.ID { return parts[chance.IntN(components)].ID }
	for i := range joints {
		meet = append(meet, drawnJoint{A: one(), B: one(), State: []string{"engaged", "held_open", "seized", "missing"}[i%4], Told: "a joint", Path: "/j/" + strconv.Itoa(i)})
	}
	for i := range harms {
		h := drawnHarm{From: parts[i%components].ID, Severity: material.Severity(1 + i%3), Words: strings.Repeat("hydrogen chloride on aluminium ", 1+chance.IntN(4)), Path: "/f/" + strconv.Itoa(i)}
		for range chance.IntN(5) {
			h.To = append(h.To, one())
		}
		harm = append(harm, h)
	}
	return parts, meet, harm
}

// lettering is a text of a drawing with the box that it takes up.
type lettering struct {
	text                     string
	left, right, top, bottom float64
}

// letterings reads the texts of a drawing.
func letterings(t *testing.T, svg string) (texts []lettering, links int) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	var at *lettering
	var size, middle float64
	for {
		token, err := d.Token()
		if token == nil {
			return texts, links
		}
		if err != nil {
			t.Fatal(err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			given := map[string]string{}
			for _, a := range e.Attr {
				given[a.Name.Local] = a.Value
			}
			if e.Name.Local == "a" {
				links++
			}
			if e.Name.Local != "text" {
				continue
			}
			size, middle = drawnSmall, 0
			switch {
			case given["class"] == "name":
				size = drawnBig * drawnBold
			case strings.HasPrefix(given["class"], "number"):
				size, middle = 9, 0.5
			}
			x, _ := strconv.ParseFloat(given["x"], 64)
			y, _ := strconv.ParseFloat(given["y"], 64)
			at = &lettering{left: x, top: y - 0.8*size, bottom: y + 0.22*size}
		case xml.CharData:
			if at != nil {
				at.text += string(e)
			}
		case xml.EndElement:
			if e.Name.Local == "text" {
				width := widthOf(at.text, size)
				at.left -= middle * width
				at.right = at.left + width
				texts, at = append(texts, *at), nil
			}
		}
	}
}

// TestMakeUpDrawing: whatever is drawn, no two texts of it meet, none sticks out, and every part, joint and
// harm has its link.
func TestMakeUpDrawing(t *testing.T) {
	t.Parallel()
	for seed := range uint64(40) {
		components := []int{1, 2, 14, 60, 200}[seed%5]
		parts, joints, harms := large(seed, components, int(seed)%3*components/2, int(seed)%4*components/6)
		svg := string(makeUpDrawing(parts, joints, harms))
		texts, links := letterings(t, svg)
		for i, a := range texts {
			if a.left < 0 || a.right > drawnWidth {
				t.Fatalf("seed %d: %q from %.1f to %.1f sticks out", seed, a.text, a.left, a.right)
			}
			for _, b := range texts[:i] {
				if a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom {
					t.Fatalf("seed %d, %d components: %q and %q meet", seed, components, a.text, b.text)
				}
			}
		}
		p := planMakeUp(parts, joints, harms)
		if want := len(parts) + len(p.joints) + 2*len(p.harms); links != want { // a harm has its arrow and its words
			t.Errorf("seed %d: %d links, want %d", seed, links, want)
		}
		if len(p.harms)+p.furtherHarms != len(harms) {
			t.Errorf("seed %d: %d harms drawn and %d said, of %d", seed, len(p.harms), p.furtherHarms, len(harms))
		}
		for _, h := range p.harms {
			if h.x > drawnWidth-drawnGlyph {
				t.Errorf("seed %d: a harm runs at %.1f of %.1f", seed, h.x, drawnWidth)
			}
		}
	}
	if got := makeUpDrawing(nil, nil, nil); got != "" {
		t.Errorf("nothing is drawn as %s", got)
	}
}

// TestMakeUpOrder: layers stand from the wearer outwards, each under its heading, and what is no part of the
// object has no arrow.
func TestMakeUpOrder(t *testing.T) {
	t.Parallel()
	cuff, ring, cover := domain.NewID(), domain.NewID(), domain.NewID()
	parts := []drawnPart{{ID: cover, Layer: 3, Name: ".3 cover"}, {ID: cuff, Layer: 1, Name: ".1 <cuff>"}, {ID: ring, Layer: 1, Name: ".2 ring"}}
	p := planMakeUp(parts, []drawnJoint{{A: cuff, B: domain.NewID()}, {A: cuff, B: cuff}, {A: ring, B: cuff, State: "seized"}},
		[]drawnHarm{{From: cuff, To: []domain.ID{ring, cuff, domain.NewID()}}, {From: domain.NewID(), To: []domain.ID{ring}}})
	if !(p.rows[cuff] < p.rows[ring] && p.rows[ring] < p.rows[cover]) || len(p.heads) != 3 {
		t.Errorf("rows %v, headings %v", p.rows, p.heads)
	}
	if len(p.joints) != 1 || len(p.harms) != 1 || len(p.harms[0].to) != 1 || p.furtherHarms != 1 {
		t.Errorf("joints %v, harms %v, further %d", p.joints, p.harms, p.furtherHarms)
	}
	if svg := string(makeUpDrawing(parts, nil, nil)); !strings.Contains(svg, ".1 &lt;cuff&gt;") || strings.Contains(svg, "<cuff>") {
		t.Error("a name is not escaped")
	}
}

func TestLanes(t *testing.T) {
	t.Parallel()
	chance := rand.New(rand.NewPCG(5, 5)) // #nosec G404 -- invented spans
	for range 200 {
		var spans []span
		for range chance.IntN(40) {
			from := chance.Float64() * 400
			spans = append(spans, span{from, from + chance.Float64()*200})
		}
		lane, count := lanes(spans)
		for i, a := range spans {
			if lane[i] >= count {
				t.Fatalf("lane %d of %d", lane[i], count)
			}
			for k, b := range spans[:i] {
				if lane[i] == lane[k] && a.from < b.until && b.from < a.until {
					t.Fatalf("%v and %v share lane %d", a, b, lane[i])
				}
			}
		}
	}
}

func TestWrap(t *testing.T) {
	t.Parallel()
	text := "hydrogen chloride of polychloroprene on the aluminium alloy of the cuff ring, which is closed " + strings.Repeat("x", 200)
	lines := wrap(text, 150, 11)
	for _, l := range lines {
		if widthOf(l, 11) > 150 {
			t.Errorf("%q is wider than it may be", l)
		}
	}
	if !slices.Equal(strings.Fields(strings.Join(lines[:len(lines)-1], " ")), strings.Fields(text)[:len(strings.Fields(text))-1]) {
		t.Errorf("words are lost: %q", lines)
	}
}

func BenchmarkMakeUpDrawing(b *testing.B) {
	parts, joints, harms := large(3, 60, 60, 12)
	b.ReportAllocs()
	for b.Loop() {
		makeUpDrawing(parts, joints, harms)
	}
}
