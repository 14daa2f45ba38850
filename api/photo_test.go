package api_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/textproto"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/photo"
)

// jpegOf is a picture that differs with its shade.
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

// studio is a house with an object to photograph.
type studio struct {
	t      *testing.T
	h      *servetest.House
	ines   servetest.Someone
	api    *servetest.Client
	object domain.ID
	cuff   domain.ID
	bucket string
}

func newStudio(t *testing.T, change ...func(*serve.Settings)) *studio {
	t.Helper()
	s := &studio{t: t, bucket: t.TempDir(), object: domain.NewID(), cuff: domain.NewID()}
	s.h = servetest.New(t, append(change, func(set *serve.Settings) { set.BucketURL = "file://" + filepath.ToSlash(s.bucket) })...)
	s.ines = s.h.Person("Ines Falkenberg", domain.Conservator)
	s.api = s.h.API(s.ines)
	s.exec(`insert into object (id, number, number_key, sort_key, title, legal_status, department, created_at, created_by)
		values ($1, '2026.1.1', '2026.1.1', '2026.1.1', 'Dry suit', 'accessioned', 'Diving', now(), $2)`, s.object, s.ines.ID)
	s.exec(`insert into component (id, object_id, label, sort_key, name, side, layer_order, function, removal, attribution, created_at)
		values ($1, $2, '1', '1', 'Cuff ring', 'left', 0, 'hardware', 'freely', 'original', now())`, s.cuff, s.object)
	return s
}

func (s *studio) exec(sql string, args ...any) {
	s.t.Helper()
	if _, err := s.h.Database.OwnerPool().Exec(s.t.Context(), sql, args...); err != nil {
		s.t.Fatal(err)
	}
}

func (s *studio) photos() string { return "/objects/" + s.object.String() + "/photos" }

// send posts bytes of a kind as the body.
func (s *studio) send(kind, query string, b []byte, headers ...servetest.Header) *servetest.Answer {
	s.t.Helper()
	r := httptest.NewRequest(http.MethodPost, api.Prefix+s.photos()+query, bytes.NewReader(b)).WithContext(s.t.Context())
	r.Header.Set("Content-Type", kind)
	r.Header.Set("Authorization", "Bearer "+s.ines.Token)
	for _, h := range headers {
		r.Header.Set(h.Name, h.Value)
	}
	return s.api.Send(r, b)
}

const says = "?view=front&light=raking&stage=before&scale_present=true&caption=Creases%20at%20the%20left%20elbow"

// part is one part of a form.
type part struct {
	name, file, kind string
	body             []byte
}

func form(t *testing.T, parts ...part) (kind string, body []byte) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, p := range parts {
		h := textproto.MIMEHeader{}
		disposition := `form-data; name="` + p.name + `"`
		if p.file != "" {
			disposition += `; filename="` + p.file + `"`
		}
		h.Set("Content-Disposition", disposition)
		h.Set("Content-Type", p.kind)
		to, err := w.CreatePart(h)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := to.Write(p.body); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return w.FormDataContentType(), b.Bytes()
}

func described(body string) part {
	return part{name: "description", kind: "application/json", body: []byte(body)}
}

const frontBefore = `{"view":"front","light":"normal","stage":"before"}`

func TestF1F2F3PhotoByTheAPI(t *testing.T) {
	t.Parallel()
	s := newStudio(t)
	original := jpegOf(t, 2000, 1000, 40)
	made := s.send("image/jpeg", says+"&file_name=IMG_1.JPG&components="+s.cuff.String(), original).Must(http.StatusCreated)
	p := servetest.JSON[photo.Photo](made)
	at := strings.TrimPrefix(made.Header.Get("Location"), api.Prefix)
	if at != "/photos/"+p.ID.String() || p.View != photo.Front || p.Light != photo.Raking || !p.ScalePresent || len(p.Components) != 1 ||
		p.Original.FileName != "IMG_1.JPG" || p.Preview.State != photo.Waiting || p.UploadedByName != "Ines Falkenberg" {
		t.Errorf("%s: %+v", at, p)
	}
	s.api.Get(at+"/screen").Refused(http.StatusConflict, "preview_waiting")
	if err := s.h.Photo.Derive(context.Background(), p.ID); err != nil {
		t.Fatal(err)
	}
	got := s.api.Get(at).Must(http.StatusOK)
	s.api.Get(at, servetest.Header{Name: "If-None-Match", Value: got.Header.Get("ETag")}).Must(http.StatusNotModified)

	file := s.api.Get(at + "/original").Must(http.StatusOK)
	sum := sha256.Sum256(original)
	if !bytes.Equal(file.Body, original) || file.Header.Get("ETag") != `"`+hex.EncodeToString(sum[:])+`"` ||
		file.Header.Get("Repr-Digest") != "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":" {
		t.Errorf("the original comes with %v", file.Header)
	}
	for name, want := range map[string]string{
		"Content-Type": "image/jpeg", "X-Content-Type-Options": "nosniff", "Content-Disposition": "attachment; filename=IMG_1.JPG",
		"Content-Security-Policy": "default-src 'none'; sandbox", "Cache-Control": "private, no-cache", "Accept-Ranges": "bytes",
	} {
		if got := file.Header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	head := s.api.Do(http.MethodHead, at+"/original", nil).Must(http.StatusOK)
	if len(head.Body) != 0 || head.Header.Get("ETag") != file.Header.Get("ETag") {
		t.Error("HEAD is not as GET")
	}
	some := s.api.Get(at+"/original", servetest.Header{Name: "Range", Value: "bytes=10-19"}).Must(http.StatusPartialContent)
	if !bytes.Equal(some.Body, original[10:20]) {
		t.Errorf("range: %x", some.Body)
	}
	s.api.Get(at+"/original", servetest.Header{Name: "Range", Value: "bytes=99999999-"}).Must(http.StatusRequestedRangeNotSatisfiable)
	s.api.Get(at+"/original", servetest.Header{Name: "If-None-Match", Value: file.Header.Get("ETag")}).Must(http.StatusNotModified)
	// A changed file is sent whole to who has a range of another.
	s.api.Get(at+"/original", servetest.Header{Name: "Range", Value: "bytes=0-1"}, servetest.Header{Name: "If-Range", Value: `"other"`}).Must(http.StatusOK)
	for size, width := range map[string]int{"screen": 1600, "thumbnail": 320} {
		b := s.api.Get(at+"/"+size, servetest.Header{Name: "Accept-Encoding", Value: "gzip"}).Must(http.StatusOK)
		m, err := jpeg.DecodeConfig(bytes.NewReader(b.Body))
		if err != nil || m.Width != width || b.Header.Get("Content-Encoding") != "" {
			t.Errorf("%s: %+v, %v, %v", size, m, err, b.Header)
		}
	}

	change := object{"view": "label", "light": "uv", "stage": "condition", "components": []string{}, "caption": "Stamp under UV <b>& more</b>"}
	s.api.Put(at, change).Refused(http.StatusPreconditionRequired, "no_version")
	changed := servetest.JSON[photo.Photo](s.api.Put(at, change, got.Tag()).Must(http.StatusOK))
	if changed.View != photo.Label || changed.Version != 2 || changed.Caption != "Stamp under UV <b>& more</b>" || changed.Original.SHA256 != p.Original.SHA256 {
		t.Errorf("%+v", changed)
	}
	s.api.Put(at, change, got.Tag()).Refused(http.StatusPreconditionFailed, "stale")

	list := servetest.JSON[domain.Page[photo.Photo]](s.api.Get(s.photos() + "?view=label&stage=condition").Must(http.StatusOK))
	if len(list.Items) != 1 || list.Items[0].ID != p.ID {
		t.Errorf("%+v", list)
	}
	if l := servetest.JSON[domain.Page[photo.Photo]](s.api.Get(s.photos() + "?component=" + s.cuff.String()).Must(http.StatusOK)); len(l.Items) != 0 {
		t.Errorf("%+v", l)
	}
	s.api.Get(s.photos()+"?view=sideways").Refused(http.StatusUnprocessableEntity, "invalid")
	s.api.Get("/photos/"+domain.NewID().String()+"/original").Refused(http.StatusNotFound, "not_found")
}

func TestF2SeveralPhotosEachWithItsResult(t *testing.T) {
	t.Parallel()
	s := newStudio(t)
	first, second := jpegOf(t, 30, 20, 1), jpegOf(t, 30, 20, 2)
	page := []byte("<!doctype html><script>alert(1)</script>")
	kind, body := form(t, described(frontBefore),
		part{"file", "1.jpg", "image/jpeg", first}, part{"file", "2.jpg", "image/jpeg", page},
		part{"file", "..\\\\3.html", "text/html", second}, part{"file", "again.jpg", "image/jpeg", first})
	key := servetest.Header{Name: "Idempotency-Key", Value: "one"}
	answer := s.send(kind, "", body, key).Must(http.StatusCreated)
	got := servetest.JSON[struct {
		Items []struct {
			FileName string       `json:"file_name"`
			Photo    *photo.Photo `json:"photo"`
			Problem  *api.Problem `json:"problem"`
		} `json:"items"`
	}](answer).Items
	if len(got) != 4 || got[0].Photo == nil || got[1].Problem == nil || got[2].Photo == nil || got[3].Problem == nil {
		t.Fatalf("%s", answer.Body)
	}
	if got[1].Problem.Status != http.StatusUnsupportedMediaType || got[1].Problem.Rule != "F2" || got[3].Problem.Code != "photo_already_here" {
		t.Errorf("%+v %+v", got[1].Problem, got[3].Problem)
	}
	// A file is what it is, whatever it calls itself.
	if got[2].Photo.Original.MediaType != photo.JPEG || got[2].Photo.Original.FileName != "3.html" {
		t.Errorf("%+v", got[2].Photo.Original)
	}
	s.api.Get("/photos/" + got[2].Photo.ID.String() + "/original").Must(http.StatusOK)

	before := s.rows()
	again := s.send(kind, "", body, key).Must(http.StatusCreated)
	if again.Header.Get("Idempotency-Replayed") != "true" || !bytes.Equal(again.Body, answer.Body) {
		t.Errorf("the same key: %s", again.Body)
	}
	s.send("image/jpeg", says, jpegOf(t, 30, 20, 3), key).Refused(http.StatusUnprocessableEntity, "idempotency_body")
	kind, body = form(t, described(frontBefore), part{"file", "1.jpg", "image/jpeg", first}, part{"file", "2.jpg", "image/jpeg", page})
	if p := s.send(kind, "", body).Refused(http.StatusUnprocessableEntity, "F2"); len(p.Errors) != 2 || p.Errors[1].Pointer != "#/file/1" {
		t.Errorf("%+v", p)
	}
	if after := s.rows(); after != before {
		t.Errorf("rows were %v, are %v", before, after)
	}
}

// rows are the counts of everything that an upload could leave.
func (s *studio) rows() (rows [5]int) {
	s.t.Helper()
	counts := s.h.Rows("photo", "photo_component", "file", "event")
	err := filepath.WalkDir(s.bucket, func(_ string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rows[4]++
		}
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
	rows[0], rows[1], rows[2], rows[3] = counts["photo"], counts["photo_component"], counts["file"], counts["event"]
	return rows
}

func TestF2BadUploadsChangeNothing(t *testing.T) {
	t.Parallel()
	s := newStudio(t, func(set *serve.Settings) { set.Photos = photo.Limits{Bytes: 200_000, Pixels: 100_000} })
	s.send("image/jpeg", says, jpegOf(t, 40, 40, 9)).Must(http.StatusCreated)
	good := jpegOf(t, 60, 60, 8)
	reader, steward := s.h.API(s.h.Person("Noor Halloran", domain.Reader)), s.h.API(s.h.Person("Simon Vane", domain.Steward))
	before := s.rows()
	hostile := func(name string) []byte {
		b, err := os.ReadFile("../testdata/photo/hostile/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for name, c := range map[string]struct {
		kind, query string
		body        []byte
		status      int
		code        string
	}{
		"empty":                       {"image/jpeg", says, nil, 422, "F2"},
		"truncated":                   {"image/jpeg", says, good[:len(good)-9], 422, "F2"},
		"a page called a picture":     {"image/jpeg", says, hostile("page_renamed.jpg"), 415, "F2"},
		"a drawing that could run":    {"image/png", says, hostile("drawing_renamed.png"), 415, "F2"},
		"100 000 × 100 000 PNG":       {"image/png", says, hostile("claims_100000x100000.png"), 413, "F2"},
		"100 000 × 100 000 TIFF":      {"image/tiff", says, hostile("claims_100000x100000.tif"), 413, "F2"},
		"65 535 × 65 535 JPEG":        {"image/jpeg", says, hostile("claims_65535x65535.jpg"), 413, "F2"},
		"a bomb over the limit":       {"image/png", says, hostile("bomb_10000x10000.png"), 413, "F2"},
		"picture and page":            {"image/png", says, hostile("picture_and_page.png"), 422, "F2"},
		"picture and archive":         {"image/jpeg", says, append(bytes.Clone(good), "PK\x03\x04"...), 422, "F2"},
		"too many bytes":              {"image/jpeg", says, append(bytes.Clone(good), make([]byte, 200_000)...), 413, "F2"},
		"too many pixels":             {"image/jpeg", says, jpegOf(t, 400, 400, 1), 413, "F2"},
		"the same again":              {"image/jpeg", says, jpegOf(t, 40, 40, 9), 409, "photo_already_here"},
		"nothing is said of it":       {"image/jpeg", "", good, 422, "invalid"},
		"an unknown view":             {"image/jpeg", "?view=sideways&light=normal&stage=before", good, 422, "invalid"},
		"an unknown parameter":        {"image/jpeg", says + "&colour=red", good, 422, "invalid"},
		"a component that is none":    {"image/jpeg", says + "&components=" + domain.NewID().String(), good, 422, "invalid"},
		"a component without form":    {"image/jpeg", says + "&components=x", good, 422, "invalid"},
		"NUL in the caption":          {"image/jpeg", says[:40] + "&caption=a%00b", good, 422, "invalid"},
		"bad UTF-8 in the caption":    {"image/jpeg", "?view=front&light=normal&stage=before&caption=%ff", good, 422, "invalid"},
		"a caption of 2001 letters":   {"image/jpeg", "?view=front&light=normal&stage=before&caption=" + strings.Repeat("a", 2001), good, 422, "invalid"},
		"JSON":                        {"application/json", says, []byte("{}"), 415, "media_type"},
		"no media type":               {"", says, good, 415, "media_type"},
		"a form without end":          {"multipart/form-data; boundary=x", "", []byte("--x\r\nContent-Disposition: form-data; name=\"description\"\r\n\r\n{"), 400, "body"},
		"a form without boundary":     {"multipart/form-data", "", good, 400, "body"},
		"SQL in the name of the view": {"image/jpeg", "?light=normal&stage=before&view=" + url.QueryEscape("'; drop table photo; --"), good, 422, "invalid"},
	} {
		t.Run(name, func(t *testing.T) {
			s.send(c.kind, c.query, c.body).Refused(c.status, c.code)
			if after := s.rows(); after != before {
				t.Errorf("rows were %v, are %v", before, after)
			}
		})
	}
	for name, parts := range map[string][]part{
		"files before what they show": {{"file", "1.jpg", "image/jpeg", good}, described(frontBefore)},
		"no files":                    {described(frontBefore)},
		"an unknown part":             {described(frontBefore), {"colour", "", "text/plain", []byte("red")}},
		"an unknown member":           {described(`{"view":"front","light":"normal","stage":"before","colour":"red"}`), {"file", "1.jpg", "image/jpeg", good}},
		"a description twice":         {described(frontBefore), described(frontBefore)},
		"a description of a list":     {described(`[]`), {"file", "1.jpg", "image/jpeg", good}},
	} {
		kind, body := form(t, parts...)
		if a := s.send(kind, "", body); a.Status != 422 && a.Status != 400 {
			t.Errorf("%s: %d %s", name, a.Status, a.Body)
		}
		if after := s.rows(); after != before {
			t.Errorf("%s: rows were %v, are %v", name, before, after)
		}
	}
	reader.Get(s.photos()).Must(http.StatusOK)
	reader.Post(s.photos(), nil).Refused(http.StatusForbidden, "P2")
	steward.Get(s.photos()).Refused(http.StatusForbidden, "P2")
	s.api.Do(http.MethodPost, "/objects/"+domain.NewID().String()+"/photos"+says, io.Reader(bytes.NewReader(good)),
		servetest.Header{Name: "Content-Type", Value: "image/jpeg"}).Refused(http.StatusNotFound, "not_found")
	if after := s.rows(); after != before {
		t.Errorf("rows were %v, are %v", before, after)
	}
}
