package web_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/postgres"
	"farthingale/web/pagecheck"
)

func jpegOf(t *testing.T, width, height int, shade uint8) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			m.SetRGBA(x, y, color.RGBA{shade, uint8(x * 255 / width), uint8(y * 255 / height), 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// photographed is a house with an object that has a component.
func photographed(t *testing.T) (h *servetest.House, ines servetest.Someone, cuff domain.ID) {
	t.Helper()
	h = servetest.New(t)
	ines = h.Person("Ines Falkenberg", domain.Conservator)
	object := domain.NewID()
	cuff = domain.NewID()
	for _, q := range []struct {
		sql  string
		args []any
	}{
		{`insert into object (id, number, number_key, sort_key, title, legal_status, department, created_at, created_by)
			values ($1, '2026.1.1', '2026.1.1', '2026.1.1', 'Dry suit', 'accessioned', 'Diving', now(), $2)`, []any{object, ines.ID}},
		{`insert into component (id, object_id, label, sort_key, name, side, layer_order, function, removal, attribution, created_at)
			values ($1, $2, '1', '1', 'Cuff ring', 'left', 0, 'hardware', 'freely', 'original', now())`, []any{cuff, object}},
	} {
		if _, err := h.Database.OwnerPool().Exec(t.Context(), q.sql, q.args...); err != nil {
			t.Fatal(err)
		}
	}
	return h, ines, cuff
}

func accessible(t *testing.T, p *servetest.Page) {
	t.Helper()
	for _, fault := range pagecheck.Faults([]byte(p.Body)) {
		t.Errorf("%s: %s", p.Path, fault)
	}
}

const photosOf = "/objects/2026.1.1/photos"

func TestPhotosAreAddedByAFormWithoutScripts(t *testing.T) {
	t.Parallel()
	h, ines, cuff := photographed(t)
	b := h.Browser(ines)
	empty := b.Get(photosOf).Must(http.StatusOK).Has("Photographs of 2026.1.1", "Dry suit", "There is none that fits", "500 MB")
	accessible(t, empty)
	says := url.Values{"view": {"detail"}, "light": {"uv"}, "stage": {"condition"}, "scale_present": {"true"}, "components": {cuff.String()},
		"caption": {`<script>alert("caption")</script>`}}
	added := empty.SubmitFiles(photosOf, says, servetest.File{Field: "files", Name: "1.jpg", Content: jpegOf(t, 900, 600, 1)},
		servetest.File{Field: "files", Name: "2.jpg", Content: jpegOf(t, 600, 900, 2)}).Must(http.StatusOK)
	added.Has("2 photographs added", "detail, UV, condition", "2026.1.1.1 Cuff ring", "being made", `<script>alert("caption")</script>`)
	accessible(t, added)

	page, err := h.Photo.List(t.Context(), ines.Actor, subjectOf(t, h, ines), noFilter, domain.PageQuery{})
	if err != nil || len(page.Items) != 2 {
		t.Fatalf("%+v, %v", page, err)
	}
	for _, p := range page.Items {
		if err := h.Photo.Derive(context.Background(), p.ID); err != nil {
			t.Fatal(err)
		}
	}
	shown := b.Get(photosOf + "?light=uv").Must(http.StatusOK)
	accessible(t, shown)
	if n := strings.Count(shown.Body, "/thumbnail"); n != 2 {
		t.Errorf("%d thumbnails", n)
	}
	b.Get(photosOf + "?light=raking").Must(http.StatusOK).Has("There is none that fits")
	b.Get(photosOf + "?light=moon").Must(http.StatusUnprocessableEntity)

	at := "/photos/" + page.Items[0].ID.String()
	one := b.Get(at).Must(http.StatusOK).Has("Photograph of 2026.1.1", "a scale, no colour target", "JPEG, 600 × 900 pixels", "came as 2.jpg", page.Items[0].Original.SHA256, "Ines Falkenberg")
	accessible(t, one)
	changed := one.Submit(at, url.Values{"view": {"label"}, "components": {}, "caption": {"Stamp"}}).Must(http.StatusOK).Has("now says what you entered", "label, UV, condition", "the whole object", "Stamp")
	accessible(t, changed)
	// A form from before the change comes back with what was typed.
	clash := one.Submit(at, url.Values{"caption": {"My own words"}}).Must(http.StatusPreconditionFailed).Has("Somebody else changed this", "My own words", "Stamp")
	accessible(t, clash)

	for _, size := range []string{"original", "screen", "thumbnail"} {
		got := b.Get("/files" + at + "/" + size).Must(http.StatusOK)
		if got.Header.Get("Content-Type") != "image/jpeg" || got.Header.Get("Content-Security-Policy") != "default-src 'none'; sandbox" ||
			got.Header.Get("X-Content-Type-Options") != "nosniff" || got.Header.Get("ETag") == "" || got.Header.Get("Content-Encoding") != "" {
			t.Errorf("%s comes with %v", size, got.Header)
		}
	}
	if to := h.Browser(servetest.Someone{}).Get("/files" + at + "/original"); !strings.HasPrefix(to.Path, "/sign-in") && !strings.HasPrefix(to.Path, "/first") {
		t.Errorf("a stranger is sent to %s", to.Path)
	}
	reader := h.Browser(h.Person("Noor Halloran", domain.Reader))
	if p := reader.Get(photosOf).Must(http.StatusOK); strings.Contains(p.Body, "multipart") {
		t.Error("a reader is shown the form")
	}
}

func TestF2RefusedPicturesAreToldByName(t *testing.T) {
	t.Parallel()
	h, ines, _ := photographed(t)
	b := h.Browser(ines)
	page := b.Get(photosOf).Must(http.StatusOK)
	before := h.Rows("photo", "file", "event")
	none := page.SubmitFiles(photosOf, url.Values{"caption": {"Typed before"}}).Must(http.StatusUnprocessableEntity).Has("Choose at least one picture", "Typed before")
	accessible(t, none)
	wrong := page.SubmitFiles(photosOf, url.Values{"view": {"sideways"}, "caption": {"Typed before"}}, servetest.File{Field: "files", Name: "1.jpg", Content: jpegOf(t, 3000, 2000, 1)}).Must(http.StatusUnprocessableEntity)
	wrong.Has("Typed before")
	accessible(t, wrong)
	bad := page.SubmitFiles(photosOf, nil, servetest.File{Field: "files", Name: "page.jpg", Content: []byte("<html><script>alert(1)</script>")},
		servetest.File{Field: "files", Name: "empty.jpg"}).Must(http.StatusUnprocessableEntity)
	bad.Has("page.jpg", "This file is a web page", "empty.jpg", "The file is empty")
	accessible(t, bad)
	if after := h.Rows("photo", "file", "event"); after["photo"] != before["photo"] || after["file"] != before["file"] || after["event"] != before["event"] {
		t.Errorf("rows were %v, are %v", before, after)
	}
	some := page.SubmitFiles(photosOf, nil, servetest.File{Field: "files", Name: "good.jpg", Content: jpegOf(t, 40, 30, 3)},
		servetest.File{Field: "files", Name: "cut.jpg", Content: jpegOf(t, 40, 30, 4)[:200]}).Must(http.StatusUnprocessableEntity)
	some.Has("Kept", "Not kept", "cut.jpg", "cut short")
	accessible(t, some)
	if n := h.Rows("photo")["photo"]; n != 1 {
		t.Errorf("%d photographs", n)
	}
	many := make([]servetest.File, photo.AtOnceMost+1)
	for i := range many {
		many[i] = servetest.File{Field: "files", Name: fmt.Sprintf("%d.txt", i), Content: []byte("no picture")}
	}
	most := page.SubmitFiles(photosOf, nil, many...).Must(http.StatusUnprocessableEntity).Has("At most 100 files at a time", "99.txt")
	if strings.Contains(most.Body, "100.txt") {
		t.Error("the 101st file was looked at")
	}
	// Without the token nothing is read.
	r, err := http.NewRequest(http.MethodPost, h.Server.URL+photosOf, strings.NewReader("--x--"))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if _ = answer.Body.Close(); answer.StatusCode != http.StatusForbidden {
		t.Errorf("without a token: %d", answer.StatusCode)
	}
}

func TestPhotoPagesNeedFewQueries(t *testing.T) {
	t.Parallel()
	h, ines, cuff := photographed(t)
	object := subjectOf(t, h, ines)
	queries := func() int64 {
		ctx, n := postgres.CountQueries(t.Context())
		of, err := h.Photo.Subject(ctx, ines.Actor, "2026.1.1")
		if err == nil {
			_, err = h.Photo.List(ctx, ines.Actor, of.ObjectID, noFilter, domain.PageQuery{})
		}
		if err != nil {
			t.Fatal(err)
		}
		return n.Load()
	}
	few := queries()
	for i := range 12 {
		d := newFront
		d.Components = []domain.ID{cuff}
		if _, err := h.Photo.Upload(t.Context(), ines.Actor, object, d, "x.jpg", bytes.NewReader(jpegOf(t, 20, 20, uint8(i*20)))); err != nil {
			t.Fatal(err)
		}
	}
	if many := queries(); many != few || many > 3 {
		t.Errorf("%d queries without, %d with photographs", few, many)
	}
}

var (
	noFilter photo.Filter
	newFront = photo.Description{View: photo.Front, Light: photo.Normal, Stage: photo.General}
)

func subjectOf(t *testing.T, h *servetest.House, by servetest.Someone) domain.ID {
	t.Helper()
	s, err := h.Photo.Subject(t.Context(), by.Actor, "2026.1.1")
	if err != nil {
		t.Fatal(err)
	}
	return s.ObjectID
}
