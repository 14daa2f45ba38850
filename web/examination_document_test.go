package web

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/pdfcpu/pdfcpu/pkg/api"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/domain/photo/mark"
	"farthingale/domain/record"
	"farthingale/web/document"
)

// noisy is a picture of the size that pages show, with grain such as a photograph has.
func noisy(width, height int, seed uint64) []byte {
	r := rand.New(rand.NewPCG(seed, 1))
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			n := uint8(r.IntN(24))
			m.SetRGBA(x, y, color.RGBA{90 + n + uint8(60*x/width), 100 + n, 80 + n + uint8(50*y/height), 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 85}); err != nil {
		panic(err) // a buffer takes everything
	}
	return b.Bytes()
}

// paperOf is a signed examination of so many observations on 60 parts, with photographs, half of them marked.
func paperOf(observations, photographs int) *examinationPaper {
	at := time.Date(2026, 2, 6, 9, 30, 0, 0, time.UTC)
	yes, no := true, false
	ines := examination.Named{ID: domain.NewID(), Name: "Žofie Nováková"}
	e := &examination.Examination{ID: domain.NewID(), ObjectID: domain.NewID(), ObjectNumber: "1968.14.2", State: examination.Signed, Examiner: ines, SignedAt: &at, SignedAs: []domain.Role{domain.Conservator},
		Circumstances: examination.Circumstances{Occasion: examination.Outgoing, ExaminedOn: "2026-02-06", AskedBy: "the borrower", Place: "laboratory, table 2", Light: []string{"normal", "raking"},
			Technique: "By eye and with a loupe of 10×; lamp at 10° from the left.", Handles: &no},
		Description: "Closed-cell body with a cover coat.\nRings of aluminium.",
		Judgement:   examination.Judgement{Overall: examination.Poor, Priority: "high", NextCheckOn: "2026-05-06", Risk: "The left ring is eaten through.", Recommendation: "Keep it dry; lend it lying only."},
		Alarm:       "active and severe: pitting on 1968.14.2.1a Cuff ring, left", Answer: &examination.Answered{Kind: "noted", Reason: "Dried and boxed.", By: ines, At: at},
		Addenda:    []examination.Addendum{{ID: domain.NewID(), Number: 1, Field: "light", Old: "normal", New: "normal and raking", Reason: "left out", By: ines, At: at.Add(time.Hour)}},
		Identified: &examination.Identified{Number: "1968.14.2", Title: "Constant-volume dry suit", Makers: []string{"unknown"}, DateMade: "1965/1972", Department: "Diving", Status: "accessioned", Components: 60, Materials: []string{"polychloroprene (probable, by sight)"}}, Version: 4}
	for i := range 60 {
		s := examination.Seen{ComponentID: domain.NewID(), Called: fmt.Sprintf("1968.14.2.%d part of the suit", i+1), Seen: &yes}
		if i%9 == 0 {
			s.Seen, s.Reason = &no, "inside the sleeve, not opened"
		}
		e.Components = append(e.Components, s)
	}
	words := []string{"pitting", "fold cracking", "soiling", "tackiness", "tear"}
	for i := range observations {
		f := examination.Finding{Term: words[i%5], Severity: 1 + i%4, Activity: examination.Activities[i%3], Status: examination.Answers[i%4], Note: fmt.Sprintf("Seen at place %d, along the edge; ≤ 2 mm wide.", i+1), Cause: "salt"}
		if i%2 == 0 {
			six := decimal.NewFromInt(6)
			f.Extent = &examination.Extent{Kind: examination.Area, Value: decimal.NewFromInt(int64(100 + i)), Uncertainty: &six, Basis: "from marks on a photograph"}
		}
		before := f
		part := e.Components[i%60]
		e.Observations = append(e.Observations, examination.Observation{ID: domain.NewID(), ComponentID: &part.ComponentID, Called: part.Called, TermName: f.Term, Before: &before, Finding: f})
	}
	p := &examinationPaper{Examination: e, title: "Constant-volume dry suit", created: at, seal: &record.Seal{Number: 1203, Hash: bytes.Repeat([]byte{0x3f}, 32), SHA256: bytes.Repeat([]byte{0x1c}, 32)},
		head: record.Head{Origin: bytes.Repeat([]byte{0x8b}, 32), Count: 1204, Hash: bytes.Repeat([]byte{0xe1}, 32)}}
	p.site = domain.DefaultSite()
	p.site.Demonstration = true
	for i := range photographs {
		x := paperPicture{photo: photo.Photo{ID: domain.NewID(), View: photo.Detail, Light: photo.Normal, Stage: photo.Condition, Caption: fmt.Sprintf("View %d", i+1),
			Original: photo.Original{SHA256: strings.Repeat("ab", 32), WidthPX: 6000, HeightPX: 4000}}, picture: noisy(1800, 1200, uint64(i))}
		if i%2 == 0 {
			for j := range 6 {
				o := e.Observations[(i*6+j)%len(e.Observations)]
				left, top := float64(400+j*850), float64(600+300*(j%3))
				x.marks = append(x.marks, photo.Mark{ID: domain.NewID(), ObservationID: &o.ID, Shape: mark.Shape{Kind: mark.Polygon, Points: []mark.Point{{left, top}, {left + 700, top + 90}, {left + 610, top + 800}, {left + 80, top + 650}}}})
			}
		}
		p.pictures = append(p.pictures, x)
	}
	return p
}

func (p *examinationPaper) bytes(t testing.TB) []byte {
	t.Helper()
	d, err := p.document()
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := document.WritePDF(&b, d); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestExaminationPaper: a paper of 20 pages and more opens, and each page tells which examination it is of and
// whether that is signed. FARTHINGALE_SHOTS keeps it, to be looked at.
func TestExaminationPaper(t *testing.T) {
	t.Parallel()
	b := paperOf(120, 12).bytes(t)
	api.DisableConfigDir()
	pages, err := api.PageCount(bytes.NewReader(b), nil)
	if err != nil || pages < 20 {
		t.Errorf("%d pages: %v", pages, err)
	}
	if folder := os.Getenv("FARTHINGALE_SHOTS"); folder != "" {
		if err := os.WriteFile(folder+"/examination.pdf", b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	d, err := paperOf(2, 1).document()
	if err != nil {
		t.Fatal(err)
	}
	said := fmt.Sprintf("%+v", d)
	for _, text := range []string{"1968.14.2, examination of 6 February 2026, signed", "SHA-256 of the sealed examination 1c1c", "Heard of at once", "normal and raking", "inside the sleeve", "Keene 1991", "Žofie Nováková"} {
		if !strings.Contains(said, text) {
			t.Errorf("the paper does not say %q", text)
		}
	}
	draft := paperOf(2, 0)
	draft.State, draft.seal, draft.SignedAt = examination.Draft, nil, nil
	if d, err = draft.document(); err != nil || !strings.Contains(d.Notice, "Draft: not signed") || !strings.Contains(d.Footer.Seal, "Not sealed") {
		t.Errorf("of a draft: %+v %v", d.Footer, err)
	}
}

// BenchmarkExaminationPaper is the paper of 20 pages and more with 12 photographs, half of them with six marks;
// peak-MB is the most memory that was in use while it was made, above what was there before.
func BenchmarkExaminationPaper(b *testing.B) {
	p := paperOf(120, 12)
	var peak atomic.Uint64
	stop := make(chan struct{})
	runtime.GC()
	var before runtime.MemStats
	runtime.ReadMemStats(&before)
	go func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				peak.Store(max(peak.Load(), m.HeapInuse+m.StackInuse))
			}
		}
	}()
	size := 0
	for b.Loop() {
		size = len(p.bytes(b))
	}
	close(stop)
	b.ReportMetric(float64(size)/1e6, "MB/paper")
	b.ReportMetric(float64(peak.Load()-min(peak.Load(), before.HeapInuse))/1e6, "peak-MB")
}
