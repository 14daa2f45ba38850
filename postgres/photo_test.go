package postgres_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/postgres"
	"farthingale/postgres/bucket"
	"farthingale/postgres/pgtest"
)

// darkroom is everything that keeps photographs, on a database and a folder of its own.
type darkroom struct {
	t       *testing.T
	pool    *pgxpool.Pool
	folder  string
	service *photo.Service
	jobs    *postgres.Jobs
	by      domain.Actor
	object  domain.ID
	cuff    domain.ID // a component of object
	other   domain.ID // a component of another object
	now     time.Time
}

func newDarkroom(t *testing.T) *darkroom {
	t.Helper()
	ctx := context.Background()
	d := &darkroom{t: t, pool: pgtest.New(t).Pool, folder: t.TempDir(), now: time.Now().UTC()}
	b, err := bucket.Open(ctx, "file://"+filepath.ToSlash(d.folder))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	db := postgres.NewDB(d.pool)
	if d.jobs, err = postgres.NewJobs(db, slog.New(slog.NewTextHandler(io.Discard, nil))); err != nil {
		t.Fatal(err)
	}
	d.service = photo.NewService(postgres.NewPhotos(db, d.jobs), postgres.NewFiles(db, b), photo.DefaultLimits, nil, func() time.Time { return d.now })
	d.jobs.Add(postgres.Task{Name: photo.DeriveTask, Queue: postgres.ImageQueue, Run: d.service.Derive})
	d.by = domain.Actor{ID: domain.NewID(), Name: "Ida Holm", Roles: []domain.Role{domain.Conservator}, Scopes: []string{"all"}}
	d.exec(`insert into person (id, name, sign_in_name, roles, created_at) values ($1, 'Ida Holm', 'ida', '{conservator}', now())`, d.by.ID)
	d.object, d.cuff = d.addObject("2026.1.1")
	_, d.other = d.addObject("2026.1.2")
	return d
}

func (d *darkroom) exec(sql string, args ...any) {
	d.t.Helper()
	if _, err := d.pool.Exec(context.Background(), sql, args...); err != nil {
		d.t.Fatal(err)
	}
}

func (d *darkroom) addObject(number string) (object, component domain.ID) {
	d.t.Helper()
	object, component = domain.NewID(), domain.NewID()
	d.exec(`insert into object (id, number, number_key, sort_key, title, legal_status, department, created_at, created_by)
		values ($1, $2, $2, $2, 'Dry suit', 'accessioned', 'Diving', now(), $3)`, object, number, d.by.ID)
	d.exec(`insert into component (id, object_id, label, sort_key, name, side, layer_order, function, removal, attribution, created_at)
		values ($1, $2, '1', '1', 'Cuff ring', 'left', 0, 'hardware', 'freely', 'original', now())`, component, object)
	return object, component
}

func (d *darkroom) count(sql string, args ...any) (n int) {
	d.t.Helper()
	if err := d.pool.QueryRow(context.Background(), sql, args...).Scan(&n); err != nil {
		d.t.Fatal(err)
	}
	return n
}

// rows counts everything that an upload could leave in the database and in the bucket.
func (d *darkroom) rows() string {
	d.t.Helper()
	files := 0
	err := filepath.WalkDir(d.folder, func(_ string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			files++
		}
		return err
	})
	if err != nil {
		d.t.Fatal(err)
	}
	return fmt.Sprint(d.count(`select count(*) from photo`), d.count(`select count(*) from photo_component`), d.count(`select count(*) from file`),
		d.count(`select count(*) from event`), d.count(`select count(*) from river_job`), " files ", files)
}

// jpegOf is a picture that differs with its shade.
func jpegOf(t testing.TB, width, height int, shade uint8) []byte {
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

var frontBefore = photo.Description{View: photo.Front, Light: photo.Normal, Stage: photo.Before, ScalePresent: true}

func (d *darkroom) upload(b []byte) *photo.Photo {
	d.t.Helper()
	p, err := d.service.Upload(context.Background(), d.by, d.object, frontBefore, "IMG_0001.JPG", bytes.NewReader(b))
	if err != nil {
		d.t.Fatal(err)
	}
	return p
}

func (d *darkroom) bytesOf(id domain.ID, size photo.Size) []byte {
	d.t.Helper()
	c, err := d.service.Open(context.Background(), d.by, id, size)
	if err != nil {
		d.t.Fatal(err)
	}
	b, err := io.ReadAll(c)
	if err := errors.Join(err, c.Close()); err != nil {
		d.t.Fatal(err)
	}
	return b
}

func (d *darkroom) path(sha string) string {
	return filepath.Join(d.folder, "sha256", sha[:2], sha[2:4], sha)
}

func TestF1F3PhotoIsKeptAsItCameAndSaysWhatItShows(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	ctx := context.Background()
	original := jpegOf(t, 400, 300, 10)
	says := photo.Description{Components: []domain.ID{d.cuff}, View: photo.Detail, Light: photo.Raking, Stage: photo.Condition,
		ScalePresent: true, ColourTargetPresent: true, Caption: "White crystals under the cuff ring", Photographer: "Ida Holm"}
	p, err := d.service.Upload(ctx, d.by, d.object, says, `C:\Users\ida\Žluť 1.jpg`, bytes.NewReader(original))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(d.bytesOf(p.ID, photo.OriginalSize), original) {
		t.Error("the original is not as it came")
	}
	got, err := d.service.One(ctx, d.by, p.ID)
	if err != nil {
		t.Fatal(err)
	}
	want := *p
	want.Raised = domain.Raised{}
	want.UploadedAt = got.UploadedAt
	if fmt.Sprintf("%+v", *got) != fmt.Sprintf("%+v", want) || got.Original.FileName != "Žluť 1.jpg" || got.Original.WidthPX != 400 {
		t.Errorf("kept  %+v\nasked %+v", *got, want)
	}
	if n := d.count(`select count(*) from event where area = 'photo' and kind = 'added' and subject_id = $1 and object_id = $2`, p.ID, d.object); n != 1 {
		t.Errorf("%d events", n)
	}

	says.View, says.Components = photo.Label, []domain.ID{}
	changed, err := d.service.Describe(ctx, d.by, p.ID, 1, says)
	if err != nil || changed.View != photo.Label || len(changed.Components) != 0 || changed.Version != 2 {
		t.Errorf("%+v, %v", changed, err)
	}
	if _, err := d.service.Describe(ctx, d.by, p.ID, 1, says); !errors.Is(err, domain.ErrStale) {
		t.Errorf("an edit of the first version: %v", err)
	}
	says.View = "sideways"
	if _, err := d.service.Describe(ctx, d.by, p.ID, 2, says); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("a view that is none: %v", err)
	}
	says.View, says.Components = photo.Label, []domain.ID{d.cuff, d.other}
	_, err = d.service.Describe(ctx, d.by, p.ID, 2, says)
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) != 1 || e.Fields[0].Pointer != "/components/1" {
		t.Errorf("a component of another object: %v", err)
	}
}

func TestF1TheSamePictureOnce(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	b := jpegOf(t, 40, 30, 1)
	d.upload(b)
	before := d.rows()
	_, err := d.service.Upload(context.Background(), d.by, d.object, frontBefore, "again.jpg", bytes.NewReader(b))
	var e *domain.Error
	if !errors.As(err, &e) || e.Code != "photo_already_here" {
		t.Errorf("the same again: %v", err)
	}
	if after := d.rows(); after != before {
		t.Errorf("rows were %s, are %s", before, after)
	}
	elsewhere, _ := d.addObject("2026.1.3")
	if _, err := d.service.Upload(context.Background(), d.by, elsewhere, frontBefore, "both.jpg", bytes.NewReader(b)); err != nil {
		t.Errorf("the same picture shows two objects: %v", err)
	}
}

func TestF2RefusedUploadsLeaveNothing(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	ctx := context.Background()
	good := jpegOf(t, 64, 48, 5)
	files := map[string][]byte{
		"truncated.jpg":     good[:len(good)-40],
		"and_a_script.jpg":  append(bytes.Clone(good), "<script>alert(1)</script>"...),
		"and_an_archive.jp": append(bytes.Clone(good), "PK\x03\x04\x14\x00\x00\x00"...),
	}
	hostile, err := filepath.Glob("../testdata/photo/hostile/*")
	if err != nil || len(hostile) < 9 {
		t.Fatalf("%d hostile pictures, %v", len(hostile), err)
	}
	for _, name := range hostile {
		if strings.Contains(name, "bomb") {
			continue // within the limits, and so accepted: see TestF2ABombIsDrawnWithinItsLimits
		}
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		files[filepath.Base(name)] = b
	}
	before := d.rows()
	refusedWith := func(name string, want domain.Kind, err error) {
		t.Helper()
		if k := domain.KindOf(err); k == 0 || want != 0 && k != want {
			t.Errorf("%s: %v (kind %d)", name, err, k)
		}
		if after := d.rows(); after != before {
			t.Errorf("%s: rows were %s, are %s", name, before, after)
		}
	}
	for name, b := range files {
		_, err := d.service.Upload(ctx, d.by, d.object, frontBefore, name, bytes.NewReader(b))
		refusedWith(name, 0, err)
	}
	upload := func(by domain.Actor, object domain.ID, says photo.Description, r io.Reader) error {
		_, err := d.service.Upload(ctx, by, object, says, "x.jpg", r)
		return err
	}
	reader := d.by
	reader.Roles = []domain.Role{domain.Reader}
	refusedWith("by a reader", domain.KindForbidden, upload(reader, d.object, frontBefore, bytes.NewReader(good)))
	refusedWith("of no object", domain.KindNotFound, upload(d.by, domain.NewID(), frontBefore, bytes.NewReader(good)))
	refusedWith("saying nothing", domain.KindInvalid, upload(d.by, d.object, photo.Description{}, bytes.NewReader(good)))
	wrong := frontBefore
	wrong.Components = []domain.ID{d.other}
	refusedWith("of a component of another object", domain.KindInvalid, upload(d.by, d.object, wrong, bytes.NewReader(good)))
	refusedWith("broken off", domain.KindUnparseable, upload(d.by, d.object, frontBefore, io.MultiReader(bytes.NewReader(good[:100]), brokenLine{})))
	narrow := photo.NewService(postgres.NewPhotos(postgres.NewDB(d.pool), d.jobs), d.files(), photo.Limits{Bytes: 100, Pixels: 10}, nil, time.Now)
	_, err = narrow.Upload(ctx, d.by, d.object, frontBefore, "x.jpg", bytes.NewReader(good))
	refusedWith("over the limit", domain.KindTooLarge, err)
}

func (d *darkroom) files() *postgres.Files {
	b, err := bucket.Open(context.Background(), "file://"+filepath.ToSlash(d.folder))
	if err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { _ = b.Close() })
	return postgres.NewFiles(postgres.NewDB(d.pool), b)
}

type brokenLine struct{}

func (brokenLine) Read([]byte) (int, error) { return 0, errors.New("connection reset") }

// await asks until it is so; the job queue works beside the test.
func await(t *testing.T, so func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if so() {
			return
		}
	}
	t.Fatal("waited for 30 seconds in vain")
}

func TestF2PicturesForThePagesAreMadeByAJob(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	ctx := context.Background()
	p := d.upload(jpegOf(t, 2400, 1200, 3))
	if _, err := d.service.Open(ctx, d.by, p.ID, photo.ScreenSize); domain.KindOf(err) != domain.KindConflict {
		t.Errorf("before it is made: %v", err)
	}
	broken := jpegOf(t, 300, 300, 4)
	for i := bytes.Index(broken, []byte{0xff, 0xda}) + 14; i < len(broken)-2; i++ {
		broken[i] = 0x55
	}
	q := d.upload(broken)
	if err := d.jobs.Start(ctx, 1, 1); err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := d.jobs.Stop(ctx); err != nil {
			t.Error(err)
		}
	}()
	await(t, func() bool { return d.count(`select count(*) from photo where preview_state = 'waiting'`) == 0 })
	for size, want := range map[photo.Size]image.Point{photo.ScreenSize: {1600, 800}, photo.ThumbnailSize: {320, 160}} {
		m, err := jpeg.Decode(bytes.NewReader(d.bytesOf(p.ID, size)))
		if err != nil || m.Bounds().Size() != want {
			t.Errorf("%s: %v, %v", size, m, err)
		}
	}
	got, err := d.service.One(ctx, d.by, p.ID)
	if err != nil || got.Version != 1 || got.Preview.Screen.WidthPX != 1600 || got.Preview.Screen.Bytes == 0 {
		t.Errorf("%+v, %v", got, err)
	}
	_, err = d.service.Open(ctx, d.by, q.ID, photo.ThumbnailSize)
	if domain.KindOf(err) != domain.KindNotFound || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("of a damaged original: %v", err)
	}
	if len(d.bytesOf(q.ID, photo.OriginalSize)) != len(broken) {
		t.Error("the damaged original is not as it came")
	}
}

// A hundred megapixels of one bit in 12 kB are within the limits: the pictures are made, or there is
// a sentence why not. Nothing falls over.
func TestF2ABombIsDrawnWithinItsLimits(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	b, err := os.ReadFile("../testdata/photo/hostile/bomb_10000x10000.png")
	if err != nil {
		t.Fatal(err)
	}
	p := d.upload(b)
	if err := d.service.Derive(context.Background(), p.ID); err != nil {
		t.Fatal(err)
	}
	got, err := d.service.One(context.Background(), d.by, p.ID)
	if err != nil || got.Preview.State == photo.Waiting {
		t.Errorf("%+v, %v", got.Preview, err)
	}
}

func TestF1ChecksOnAScheduleAndAMismatchIsAnEvent(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	ctx := context.Background()
	good := jpegOf(t, 700, 500, 7)
	p := d.upload(good)
	if err := d.service.Derive(ctx, p.ID); err != nil {
		t.Fatal(err)
	}
	made, err := d.service.One(ctx, d.by, p.ID)
	if err != nil {
		t.Fatal(err)
	}
	check := func(want photo.Tally) {
		t.Helper()
		if got, err := d.service.CheckFixity(ctx, d.now.Add(time.Hour)); err != nil || got != want {
			t.Errorf("checked %+v, %v; want %+v", got, err, want)
		}
	}
	events := func(kind string) int {
		return d.count(`select count(*) from event where area = 'photo' and kind = $1 and subject_id = $2 and actor_id is null`, kind, p.ID)
	}
	check(photo.Tally{}) // hashed on arrival: nothing is due yet
	d.now = d.now.Add(91 * 24 * time.Hour)
	check(photo.Tally{Checked: 3})
	check(photo.Tally{})

	// One bit of the original and one of the thumbnail change, and the screen picture is lost.
	d.now = d.now.Add(91 * 24 * time.Hour)
	for _, sha := range []string{p.Original.SHA256, made.Preview.Thumbnail.SHA256} {
		flip(t, d.path(sha))
	}
	if err := os.Remove(d.path(made.Preview.Screen.SHA256)); err != nil {
		t.Fatal(err)
	}
	if tally, first, err := d.service.Verify(ctx); err != nil || first == "" || tally != (photo.Tally{Checked: 3, Changed: 2, Missing: 1}) {
		t.Errorf("verify: %+v, first %q, %v", tally, first, err)
	}
	check(photo.Tally{Checked: 3, Changed: 2, Missing: 1})
	if n := events("fixity_mismatch"); n != 1 {
		t.Errorf("%d events of a mismatch", n)
	}
	if n := d.count(`select count(*) from notice n join notice_reader r on r.notice_id = n.id
		where n.area = 'photo' and n.subject_id = $1 and r.person_id = $2 and n.text like '%2026.1.1 has changed%'`, p.ID, d.by.ID); n != 1 {
		t.Errorf("%d notices of a mismatch", n)
	}
	if aside, _ := filepath.Glob(filepath.Join(d.folder, "damaged", "*"+p.Original.SHA256)); len(aside) != 1 {
		t.Errorf("set aside for inspection: %v", aside)
	}
	if _, err := d.service.Open(ctx, d.by, p.ID, photo.OriginalSize); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("wrong bytes are served as the original: %v", err)
	}

	// The right bytes come again: the upload says that the picture is here already, and it is again.
	_, err = d.service.Upload(ctx, d.by, d.object, frontBefore, "copy.jpg", bytes.NewReader(good))
	if domain.KindOf(err) != domain.KindConflict {
		t.Errorf("%v", err)
	}
	if err := d.service.Derive(ctx, p.ID); err != nil {
		t.Fatal(err)
	}
	d.now = d.now.Add(25 * time.Hour)
	check(photo.Tally{Checked: 3})
	if tally, first, err := d.service.Verify(ctx); err != nil || first != "" || tally.Checked < 3 {
		t.Errorf("verify: %+v, first %q, %v", tally, first, err)
	}
	if n := events("fixity_restored"); n != 1 {
		t.Errorf("%d events of restoring", n)
	}
	d.bytesOf(p.ID, photo.ThumbnailSize)
	d.bytesOf(p.ID, photo.ScreenSize)
}

func flip(t *testing.T, path string) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := errors.Join(os.Chmod(path, 0o600), os.WriteFile(path, b, 0o600)); err != nil {
		t.Fatal(err)
	}
}

func TestSweepTakesOrphansAndNothingElse(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	ctx := context.Background()
	p := d.upload(jpegOf(t, 60, 40, 9))
	// A program killed between file and photograph leaves a file with a row; one killed inside a
	// transaction leaves a file without one; one killed while a file arrives leaves a staged file.
	files := d.files()
	keep := func(content string) string {
		s, err := files.Stage(ctx, strings.NewReader(content), 1000)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(files.Keep(ctx, s, "image/png", d.now), s.Discard()); err != nil {
			t.Fatal(err)
		}
		return s.SHA256()
	}
	orphan, stray := keep("orphan"), keep("stray")
	d.exec(`delete from file where sha256 = $1`, stray)
	if _, err := files.Stage(ctx, strings.NewReader("half"), 1000); err != nil {
		t.Fatal(err)
	}
	if n, err := d.service.Sweep(ctx); n != 0 || err != nil {
		t.Errorf("what is young is swept: %d, %v", n, err)
	}
	d.now = d.now.Add(25 * time.Hour)
	young := keep("young") // arrives while the sweep begins
	yesterday := d.now.Add(-50 * time.Hour)
	all, err := filepath.Glob(filepath.Join(d.folder, "*", "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range append(all, d.path(orphan), d.path(stray), d.path(p.Original.SHA256)) {
		if err := os.Chtimes(name, yesterday, yesterday); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := d.service.Sweep(ctx); n != 2 || err != nil {
		t.Errorf("swept %d, %v", n, err)
	}
	for sha, there := range map[string]bool{orphan: false, stray: false, young: true, p.Original.SHA256: true} {
		_, err := os.Stat(d.path(sha))
		if rows := d.count(`select count(*) from file where sha256 = $1`, sha); (err == nil) != there || (rows == 1) != there {
			t.Errorf("%s: there %v, rows %d", sha, err == nil, rows)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(d.folder, "arriving", "*")); len(left) != 0 {
		t.Errorf("left: %v", left)
	}
	// The photograph has been waiting for a day: its job is asked for again, once.
	if n := d.count(`select count(*) from river_job where args->>'subject' = $1`, p.ID.String()); n != 1 {
		t.Errorf("%d jobs", n)
	}
	// A file that is going cannot be kept at the same moment.
	d.exec(`update file set state = 'going' where sha256 = $1`, young)
	s, err := files.Stage(ctx, strings.NewReader("young"), 1000)
	if err != nil {
		t.Fatal(err)
	}
	if err := files.Keep(ctx, s, "image/png", d.now); domain.KindOf(err) != domain.KindUnavailable {
		t.Errorf("keeping what goes: %v", err)
	}
	if err := s.Discard(); err != nil {
		t.Error(err)
	}
}

// An upload of the same content races the sweep of its orphan many times: whatever wins, no
// photograph is ever without its file.
func TestSweepNeverTakesWhatIsUploadedAtTheSameMoment(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	ctx := context.Background()
	files := d.files()
	for i := range 20 {
		b := jpegOf(t, 16, 16, uint8(i*12))
		s, err := files.Stage(ctx, bytes.NewReader(b), 1<<20)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(files.Keep(ctx, s, "image/jpeg", d.now.Add(-48*time.Hour)), s.Discard()); err != nil {
			t.Fatal(err)
		}
		var both sync.WaitGroup
		both.Go(func() {
			if _, err := d.service.Sweep(ctx); err != nil {
				t.Error(err)
			}
		})
		var p *photo.Photo
		both.Go(func() {
			p, err = d.service.Upload(ctx, d.by, d.object, frontBefore, "x.jpg", bytes.NewReader(b))
		})
		both.Wait()
		if err != nil {
			if domain.KindOf(err) != domain.KindUnavailable {
				t.Errorf("upload: %v", err)
			}
			continue
		}
		if !bytes.Equal(d.bytesOf(p.ID, photo.OriginalSize), b) {
			t.Error("the original is not there")
		}
	}
}

func TestPhotosAreListedByPagesAndFilters(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	ctx := context.Background()
	for i := range 7 {
		says := frontBefore
		if i%2 == 0 {
			says.View, says.Components = photo.Back, []domain.ID{d.cuff}
		}
		if _, err := d.service.Upload(ctx, d.by, d.object, says, "x.jpg", bytes.NewReader(jpegOf(t, 20, 20, uint8(i*30)))); err != nil {
			t.Fatal(err)
		}
		d.now = d.now.Add(time.Second)
	}
	seen := map[domain.ID]bool{}
	q := domain.PageQuery{Limit: 3}
	for pages := 1; ; pages++ {
		page, err := d.service.List(ctx, d.by, d.object, photo.Filter{}, q)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range page.Items {
			seen[p.ID] = true
			if i > 0 && p.UploadedAt.After(page.Items[i-1].UploadedAt) {
				t.Error("not the newest first")
			}
		}
		if page.Next == "" {
			if pages != 3 {
				t.Errorf("%d pages", pages)
			}
			break
		}
		q.Cursor = page.Next
	}
	if len(seen) != 7 {
		t.Errorf("%d photographs", len(seen))
	}
	for name, c := range map[string]struct {
		filter photo.Filter
		want   int
	}{
		"view":      {photo.Filter{View: photo.Back}, 4},
		"component": {photo.Filter{Component: &d.cuff}, 4},
		"both":      {photo.Filter{Component: &d.cuff, View: photo.Front}, 0},
		"stage":     {photo.Filter{Stage: photo.Before, Light: photo.Normal}, 7},
	} {
		counted, queries := postgres.CountQueries(ctx)
		page, err := d.service.List(counted, d.by, d.object, c.filter, domain.PageQuery{})
		if err != nil || len(page.Items) != c.want {
			t.Errorf("%s: %d photographs, %v", name, len(page.Items), err)
		}
		if n := queries.Load(); n > 1 {
			t.Errorf("%s: %d queries", name, n)
		}
	}
}

func TestF1TheDatabaseKeepsPhotographs(t *testing.T) {
	t.Parallel()
	d := newDarkroom(t)
	ctx := context.Background()
	p := d.upload(jpegOf(t, 16, 16, 1))
	for name, sql := range map[string]string{
		"deleting a photograph":           `delete from photo where id = $1`,
		"deleting its original":           `delete from file where sha256 in (select original_sha256 from photo where id = $1)`,
		"a made preview without pictures": `update photo set preview_state = 'made' where id = $1`,
		"a component of another object":   `insert into photo_component select id, object_id, '` + d.other.String() + `' from photo where id = $1`,
		"the face of another object":      `update object set face_photo_id = $1 where number = '2026.1.2'`,
	} {
		if _, err := d.pool.Exec(ctx, sql, p.ID); err == nil {
			t.Errorf("%s is possible", name)
		}
	}
	d.exec(`update object set face_photo_id = $1 where number = '2026.1.1'`, p.ID)
}
