package document

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// keep is a folder in which the documents made by the tests are kept, to be looked at:
// go test ./web/document -keep /tmp/look
var keep = flag.String("keep", "", "folder in which documents made by the tests are kept")

func kept(t testing.TB, name string, b []byte) {
	t.Helper()
	if *keep == "" {
		return
	}
	if err := os.WriteFile(filepath.Join(*keep, name), b, 0o644); err != nil {
		t.Fatal(err)
	}
}

var made = time.Date(2026, 11, 20, 9, 30, 0, 0, time.FixedZone("CET", 3600))

// drawn is a schematic picture of a part with a scale bar and colour patches; n varies it.
func drawn(n, width, height int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, width, height))
	cx, cy, r := float64(width)/2, float64(height)*0.46, math.Min(float64(width), float64(height))*0.32
	for y := range height {
		for x := range width {
			d := math.Hypot(float64(x)-cx, (float64(y)-cy)*(0.8+0.05*float64(n%5)))
			shade := 226 + 10*math.Sin(float64(x*y)/9000)
			c := color.RGBA{uint8(shade), uint8(shade), uint8(shade - 6), 255}
			switch {
			case d < r*0.42:
				c = color.RGBA{uint8(60 + 12*n), 74, 82, 255}
			case d < r:
				light := 40 * math.Cos((float64(x)-cx+r/3)/r)
				c = color.RGBA{uint8(150 + light), uint8(104 + light + float64(4*n)), uint8(60 + light), 255}
			case y > height*88/100 && y < height*91/100 && x > width/10 && x < width/2:
				if (x-width/10)/(width/20)%2 == 0 {
					c = color.RGBA{20, 20, 20, 255}
				} else {
					c = color.RGBA{255, 255, 255, 255}
				}
			case y > height*86/100 && y < height*93/100 && x > width*6/10 && x < width*9/10:
				c = [...]color.RGBA{{170, 40, 50, 255}, {60, 130, 70, 255}, {50, 70, 150, 255}}[(x-width*6/10)*3/(width*3/10+1)]
			}
			img.Set(x, y, c)
		}
	}
	return img
}

func drawnJPEG(n, width, height int) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, drawn(n, width, height), &jpeg.Options{Quality: 85}); err != nil {
		panic(err)
	}
	return b.Bytes()
}

func drawnPNG(n, width, height int) []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, drawn(n, width, height)); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// agreement is a loan agreement of about six pages with a photograph a line, as the loan page
// would fill it.
func agreement(lines int) Document {
	d := Document{
		Title:    "Agreement for an outgoing loan",
		Subtitle: "Under Pressure: dress for deep water, at Muzeum pod Wodą, Łódź",
		Language: "en-GB",
		Author:   "Museum of the Sound, Conservation laboratory",
		Created:  made,
		Notice:   "Demonstration: everything here is invented",
		Footer: Footer{
			Left: "Loan L-2026-014, version 7",
			Seal: "Seal sha-256 3f9a 61c0 8be2 77d1 … c2e1 04aa, head of chain 1204: 8be0 19f3 … 77d1",
		},
	}
	add := func(b ...Block) { d.Blocks = append(d.Blocks, b...) }
	add(Heading{1, "Parties and purpose"},
		Facts{
			{"Lender", "Museum of the Sound, Havnegade 1, 4600 Køge, Denmark\nregistrar: Žofie Nováková"},
			{"Borrower", "Muzeum pod Wodą, ul. Piotrkowska 1000, Łódź, Poland"},
			{"Further venues", "Městské muzeum, Žďár nad Sázavou; Ναυτικό μουσείο, Ελλάδα"},
			{"Purpose", "Exhibition “Under Pressure”, open to the public without charge"},
			{"Period of the loan", "1 February 2027 to 31 August 2027, both days included"},
			{"Total value", "EUR 148 250.00"},
			{"Insurance", "State indemnity, from nail to nail"},
			{"Courier", ""},
		},
		Paragraph{{Text: "The lender lends and the borrower receives the objects of the schedule below for the purpose and the period named above. "}, {Text: "No object may be treated, sampled, cleaned, flexed, inflated or worn", Bold: true}, {Text: " without the lender's written consent. The condition recorded at each hand-over is part of this agreement; a difference found later is set against the "}, {Text: "last signed record", Italic: true}, {Text: "."}},
		Heading{2, "Conditions of handling and display"},
		List{Numbered: true, Items: []Paragraph{
			Text("Handling by two trained persons, clean nitrile gloves, on the lender's supports. Joints that are marked “does not move” are not moved."),
			Text("Relative humidity 45–55 %, no change of more than 5 % in 24 h; temperature 16–20 °C (never above 22 ℃)."),
			Text("Light ≤ 50 lx, no ultraviolet (≤ 10 µW/lm); total dose ≤ 100 000 lx h for the period → log the meter weekly."),
			Text("Air in the case: acetic acid ≤ 100 µg/m³, hydrogen sulphide ≤ 1 µg/m³. Ventilation gaps stay open."),
			Paragraph{{Text: "Stop at a noise, a powder or a resistance. ", Bold: true}, {Text: "A stop is a stop for everybody until the lender releases it."}},
		}},
		List{Items: []Paragraph{
			Text("✓ facility report received"), Text("☐ courier named"), Text("✗ crate drawings outstanding"),
		}},
		Caution{Paragraphs: []Paragraph{
			Text("Wrist depth gauge OBJ-0031: the luminous paint may hold radium. Do not open the glass. Keep the gauge in its closed, ventilated box; ask a radiation protection adviser before display."),
			Text("Usual caution only. Follow local law and your safety adviser; when unsure, stop and ask."),
		}},
		Heading{1, "Schedule of objects"},
	)
	t := Table{
		Caption: fmt.Sprintf("Schedule: %d objects", lines),
		Columns: []Column{{"Object", 2.1, Left}, {"Number, title, materials, size", 3.2, Left}, {"Conditions and hazards", 3, Left}, {"Value", 1.4, Right}},
	}
	width := 640
	if lines > 20 {
		width = 160
	}
	titles := []string{"Standard helmet dress, six-bolt", "Constant-volume dry suit", "Submarine escape immersion suit", "Oxygen rebreather with canvas harness", "Kapok life vest with PVC cover", "Mask with cellulose nitrate lens"}
	for i := range lines {
		conditions := []Paragraph{
			Text("Lies on its own support; is never hung. Gloves stay detached."),
			Text("≤ 50 lx; 45–55 % RH; case air exchanged ≥ 2 d⁻¹."),
		}
		if i%3 == 0 {
			conditions = append(conditions, Paragraph{{Text: "⚠ Caution: ", Bold: true}, {Text: "lead soles and possible asbestos packing under the corselet. Bag the boots; wash hands. Follow local law and your safety adviser; when unsure, stop and ask."}})
		}
		if i%5 == 4 {
			for range 14 {
				conditions = append(conditions, Text("Outgoing condition: the twill is stiff along the left fold, three cracks of 4–11 mm, bloom on the inner cuff, no loss. Seen in raking light and marked on the photograph."))
			}
		}
		t.Rows = append(t.Rows, []Cell{
			{Picture: &Picture{drawnJPEG(i, width, width*3/4+40*(i%3)), "Front view of the whole object"}},
			{Paragraphs: []Paragraph{
				Strong(fmt.Sprintf("MS.1998.%04d", 17+i)),
				Text(titles[i%len(titles)]),
				Emphasis("Rubberised cotton twill in three plies, tinned copper, brass, leather, vulcanised rubber"),
				Text("1720 × 640 × 310 mm, 16.4 kg"),
			}},
			{Paragraphs: conditions},
			TextCell(fmt.Sprintf("EUR\u00a0%d\u00a0%03d.50", 9+i, (i*37)%1000)),
		})
	}
	add(t,
		Heading{1, "Return and closure"},
		Text("The objects return on or before the last day of the period. The lender compares the condition at return with the condition at dispatch, line by line, before the loan is closed. Changes are described, measured and photographed; the borrower receives a copy."),
		Heading{2, "Signatures"},
		Signatures{
			{Role: "For the lender", Name: "Žofie Nováková, registrar", Place: "Køge", Date: "20 November 2026", Sign: "Signed in the record, seal 3f9a 61c0"},
			{Role: "For the borrower"},
			{Role: "Conservator of the lender", Name: "Søren Blåbjerg"},
		},
	)
	return d
}
