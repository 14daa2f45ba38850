package serve_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// TestUploadsAreScanned: by both doors a file in which the scanner finds something is refused with its
// name, and so is any file while the scanner does not answer; nothing of them is kept.
func TestUploadsAreScanned(t *testing.T) {
	t.Parallel()
	l, address := serve.FakeClamd(t, "unix", serve.Finds)
	h := servetest.New(t, func(s *serve.Settings) { s.VirusScanner = address })
	g := h.Ground()
	ines := g.People[domain.Conservator]
	holding := func(shade uint8, comment string) []byte {
		picture := servetest.JPEG(shade)
		return slices.Concat(picture[:2], []byte{0xFF, 0xFE, 0, byte(2 + len(comment))}, []byte(comment), picture[2:])
	}
	upload := func(content []byte) *servetest.Answer {
		r := httptest.NewRequest(http.MethodPost, "/api/v1/objects/"+g.Object.ID.String()+"/photos?view=front&light=normal&stage=general", strings.NewReader(string(content)))
		r.Header.Set("Content-Type", "image/jpeg")
		r.Header.Set("Authorization", "Bearer "+ines.Token)
		return h.API(ines).Send(r, content)
	}
	page := "/objects/" + url.PathEscape(g.Object.Number) + "/photos"
	form := url.Values{"view": {"front"}, "light": {"normal"}, "stage": {"general"}}
	files := func(names ...string) (all []servetest.File) {
		for i, name := range names {
			all = append(all, servetest.File{Field: "files", Name: name, Content: holding(uint8(100+i), strings.TrimSuffix(name, ".jpg"))})
		}
		return all
	}
	before := h.Rows("photo", "file")
	if p := upload(holding(1, "a VIRUS")).Refused(http.StatusUnprocessableEntity, "F2"); !strings.Contains(p.Detail, "found Test.Signature") {
		t.Errorf("the refusal says %q", p.Detail)
	}
	if after := h.Rows("photo", "file"); fmt.Sprint(after) != fmt.Sprint(before) {
		t.Errorf("a refused file is kept: %v, then %v", before, after)
	}
	upload(holding(2, "clean")).Must(http.StatusCreated)
	b := h.Browser(ines)
	b.Get(page).SubmitFiles(page, form, files("VIRUS.jpg", "clean.jpg")...).Has("VIRUS.jpg", "found Test.Signature")
	if after := h.Rows("photo"); after["photo"] != before["photo"]+2 {
		t.Errorf("%d photographs, want %d", after["photo"], before["photo"]+2)
	}

	_ = l.Close()
	if a := upload(holding(3, "clean")); a.Refused(http.StatusServiceUnavailable, "not_scanned").Detail == "" || a.Header.Get("Retry-After") == "" {
		t.Errorf("without an answer: %s", a.Body)
	}
	b.Get(page).SubmitFiles(page, form, files("another.jpg")...).Has("another.jpg", "The virus scanner of this site does not answer")
	if after := h.Rows("photo"); after["photo"] != before["photo"]+2 {
		t.Errorf("%d photographs after the scanner went away, want %d", after["photo"], before["photo"]+2)
	}
}

// TestScannerAddress: one that cannot be read is refused at start.
func TestScannerAddress(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	_, err := serve.New(t.Context(), h.Database.Pool, serve.Settings{VirusScanner: "localhost"})
	if err == nil || !strings.Contains(err.Error(), "tcp://127.0.0.1:3310") {
		t.Errorf("started with %v", err)
	}
}
