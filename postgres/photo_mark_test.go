package postgres_test

import (
	"errors"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/domain/photo/mark"
	"farthingale/postgres"
)

// marked is an examination of an object with two photographs that can be marked.
type marked struct {
	*examined
	photos *photo.Service
	by     domain.Actor
	photo  domain.ID
	detail domain.ID
}

func newMarked(t *testing.T) *marked {
	t.Helper()
	x := newExamined(t)
	m := &marked{examined: x, by: x.people["Mara"], photo: domain.NewID(), detail: domain.NewID()}
	for i, id := range []domain.ID{m.photo, m.detail} {
		sha := strings.Repeat(string("ab"[i]), 64)
		x.exec(`insert into file (sha256, bytes, media_type, kept_at) values ($1, 1, 'image/jpeg', now())`, sha)
		x.exec(`insert into photo (id, object_id, view, light, stage, scale_present, colour_target_present, caption, photographer, camera, original_sha256, file_name, width_px, height_px,
				orientation, holds_position, preview_state, preview_reason, preview_asked_at, uploaded_by, uploaded_at)
			values ($1, $2, 'detail', 'raking', 'condition', true, false, '', '', '{}', $3, 'a.jpg', 4000, 6000, 1, false, 'none', 'none', now(), $4, now())`, id, x.sheet.Object.ID, sha, m.by.ID)
	}
	m.photos = photo.NewService(postgres.NewPhotos(x.db, nil), nil, photo.DefaultLimits, nil, func() time.Time { return x.now })
	return m
}

func quad() mark.Shape {
	return mark.Shape{Kind: mark.Polygon, Points: []mark.Point{{1210, 2280}, {1550, 2290}, {1540, 2375}, {1212, 2370}}}
}

func (m *marked) draw(d photo.Drawing) *photo.Mark {
	m.t.Helper()
	k, err := m.photos.Draw(m.t.Context(), m.by, m.photo, d)
	if err != nil {
		m.t.Fatal(err)
	}
	return k
}

// refusedAs says that an act is refused under a code.
func refusedAs(t *testing.T, what string, err error, code string) {
	t.Helper()
	var e *domain.Error
	if !errors.As(err, &e) || e.Code != code {
		t.Errorf("%s: %v, want %s", what, err, code)
	}
}

// TestF4MarksAreKept: what was drawn is read back, changed, listed and erased, and every step is an event.
func TestF4MarksAreKept(t *testing.T) {
	t.Parallel()
	m := newMarked(t)
	ctx := t.Context()
	e := m.add(m.begin("Mara", examination.PeriodicCheck), "1a", damage("Fold cracking", 3, examination.Active))
	about := e.Observations[0].ID
	k := m.draw(photo.Drawing{ObservationID: &about, Shape: quad(), Note: "along the fold"})
	if k.TermName != "Fold cracking" && !strings.EqualFold(k.TermName, "fold cracking") || k.Severity != 3 || k.Frozen || k.PrecisionPX != photo.DefaultPrecisionPX || k.Says() == "" {
		t.Errorf("read back: %+v", k)
	}
	moved := quad()
	moved.Points[0] = mark.Point{1200.126, 2280}
	changed, err := m.photos.Redraw(ctx, m.by, k.ID, k.Version, photo.Drawing{ObservationID: &about, Shape: moved, PrecisionPX: 5})
	if err != nil || changed.Shape.Points[0] != (mark.Point{1200.13, 2280}) || changed.Version != 2 || changed.Note != "" || changed.PrecisionPX != 5 {
		t.Fatalf("%+v %v", changed, err)
	}
	_, err = m.photos.Redraw(ctx, m.by, k.ID, 1, photo.Drawing{Shape: moved})
	refusedAs(t, "a change of what somebody else changed", err, "stale")
	m.draw(photo.Drawing{Shape: mark.Shape{Kind: mark.Place, Points: []mark.Point{{3, 4}}}, Note: "number written here"})
	page, err := m.photos.Marks(ctx, m.by, m.photo, photo.MarkFilter{}, domain.PageQuery{Limit: 1})
	if err != nil || len(page.Items) != 1 || page.Items[0].ID != k.ID || page.Next == "" {
		t.Fatalf("%+v %v", page, err)
	}
	if page, err = m.photos.Marks(ctx, m.by, m.photo, photo.MarkFilter{}, domain.PageQuery{Cursor: page.Next, Limit: 1}); err != nil || len(page.Items) != 1 || page.Items[0].ObservationID != nil || page.Next != "" {
		t.Fatalf("%+v %v", page, err)
	}
	if err := m.photos.Erase(ctx, m.by, k.ID, 2); err != nil {
		t.Fatal(err)
	}
	_, err = m.photos.Mark(ctx, m.by, k.ID)
	refusedAs(t, "an erased mark", err, "not_found")
	var events int
	if err := m.data.Pool.QueryRow(ctx, `select count(*) from event where subject_id = $1 and kind in ('marked', 'mark_changed', 'mark_erased')`, k.ID).Scan(&events); err != nil || events != 3 {
		t.Errorf("%d events, %v", events, err)
	}
}

// TestE1MarksOfASignedExaminationAreFrozen: nobody changes them, adds to them or takes them away, not even past the program.
func TestE1MarksOfASignedExaminationAreFrozen(t *testing.T) {
	t.Parallel()
	m := newMarked(t)
	ctx := t.Context()
	e := m.add(m.begin("Mara", examination.PeriodicCheck), "1a", damage("Fold cracking", 3, examination.Stable))
	about := e.Observations[0].ID
	k, note := m.draw(photo.Drawing{ObservationID: &about, Shape: quad()}), m.draw(photo.Drawing{Shape: quad()})
	m.sign(m.whole(e))
	d := photo.Drawing{ObservationID: &about, Shape: quad()}
	_, err := m.photos.Redraw(ctx, m.by, k.ID, 1, d)
	refusedAs(t, "change", err, "E1")
	refusedAs(t, "erase", m.photos.Erase(ctx, m.by, k.ID, 1), "E1")
	_, err = m.photos.Redraw(ctx, m.by, k.ID, 1, photo.Drawing{Shape: quad()})
	refusedAs(t, "untie", err, "E1")
	_, err = m.photos.Draw(ctx, m.by, m.photo, d)
	refusedAs(t, "another mark on it", err, "E1")
	_, err = m.photos.Redraw(ctx, m.by, note.ID, 1, d)
	refusedAs(t, "tie a note to it", err, "E1")
	for _, sql := range []string{`update photo_mark set note = 'x' where id = $1`, `update photo_mark set observation_id = null where id = $1`, `delete from photo_mark where id = $1`} {
		if _, err := m.data.Pool.Exec(ctx, sql, k.ID); err == nil || !strings.Contains(err.Error(), "never changes") {
			t.Errorf("%s: %v", sql, err)
		}
	}
	if got, err := m.photos.Mark(ctx, m.by, k.ID); err != nil || !got.Frozen || got.TermName == "" {
		t.Errorf("%+v %v", got, err)
	}
	// A note stays free.
	if _, err := m.photos.Redraw(ctx, m.by, note.ID, 1, photo.Drawing{Shape: quad(), Note: "free"}); err != nil {
		t.Error(err)
	}
}

// TestMarkAndSignatureAtOnce: whoever is second sees what the first did.
func TestMarkAndSignatureAtOnce(t *testing.T) {
	t.Parallel()
	m := newMarked(t)
	ctx := t.Context()
	e := m.whole(m.add(m.begin("Mara", examination.PeriodicCheck), "1a", damage("Fold cracking", 3, examination.Stable)))
	about := e.Observations[0].ID
	var work sync.WaitGroup
	drawn := make([]error, 8)
	var signed error
	for i := range drawn {
		work.Go(func() {
			_, drawn[i] = m.photos.Draw(ctx, m.by, m.photo, photo.Drawing{ObservationID: &about, Shape: quad()})
		})
		if i == 3 {
			work.Go(func() { _, signed = m.exams.Sign(ctx, m.by, e.ID, e.Version) })
		}
	}
	work.Wait()
	if signed != nil {
		t.Fatal(signed)
	}
	kept := 0
	for _, err := range drawn {
		if err == nil {
			kept++
			continue
		}
		refusedAs(t, "a mark after the signature", err, "E1")
	}
	all, err := m.photos.MarksOf(ctx, m.by, []domain.ID{about})
	if err != nil || len(all[about]) != kept {
		t.Errorf("%d kept, %d there: %v", kept, len(all[about]), err)
	}
}

// TestMarkOfWhatIsTakenOut: an observation that is taken out of a draft leaves its marks as notes.
func TestMarkOfWhatIsTakenOut(t *testing.T) {
	t.Parallel()
	m := newMarked(t)
	ctx := t.Context()
	e := m.add(m.begin("Mara", examination.PeriodicCheck), "1a", damage("Fold cracking", 3, examination.Stable))
	k := m.draw(photo.Drawing{ObservationID: &e.Observations[0].ID, Shape: quad(), Note: "kept"})
	m.exec(`delete from examination_observation where id = $1`, e.Observations[0].ID)
	if got, err := m.photos.Mark(ctx, m.by, k.ID); err != nil || got.ObservationID != nil || got.Note != "kept" || got.Says() != "kept" {
		t.Errorf("%+v %v", got, err)
	}
	other := domain.NewID()
	_, err := m.photos.Draw(ctx, m.by, m.photo, photo.Drawing{ObservationID: &other, Shape: quad()})
	refusedAs(t, "a mark of what is not of this object", err, "invalid")
}

// TestE4Measured: the photograph that tells most counts; marks on several are not added up.
func TestE4Measured(t *testing.T) {
	t.Parallel()
	m := newMarked(t)
	ctx := t.Context()
	e := m.add(m.begin("Mara", examination.PeriodicCheck), "1a", damage("Fold cracking", 3, examination.Stable))
	about := e.Observations[0].ID
	_, err := m.photos.Measured(ctx, m.by, about)
	refusedAs(t, "no marks", err, "not_found")
	m.draw(photo.Drawing{ObservationID: &about, Shape: quad()})
	got, err := m.photos.Measured(ctx, m.by, about)
	if err != nil || got.MM != nil || got.WithoutScale == "" || got.PX.Value != 29_255 || got.Percent == nil || got.PhotoID != m.photo {
		t.Fatalf("%+v %v", got, err)
	}
	_, err = m.photos.SetScale(ctx, m.by, m.photo, photo.NewScale{From: &mark.Point{100, 100}, To: &mark.Point{100, 100}, LengthMM: 10})
	refusedAs(t, "a scale of two points that are one", err, "invalid")
	for _, length := range []float64{999, 310} { // the last one counts
		if _, err := m.photos.SetScale(ctx, m.by, m.photo, photo.NewScale{From: &mark.Point{100, 100}, To: &mark.Point{1100, 100}, LengthMM: length, PlusMM: 0.1}); err != nil {
			t.Fatal(err)
		}
		m.now = m.now.Add(time.Minute)
	}
	// The same thing on a detail without a scale does not count twice.
	if _, err := m.photos.Draw(ctx, m.by, m.detail, photo.Drawing{ObservationID: &about, Shape: quad()}); err != nil {
		t.Fatal(err)
	}
	got, err = m.photos.Measured(ctx, m.by, about)
	// source: shoelace formula by hand, 29 255 px² × 0.31²
	if err != nil || math.Abs(got.MM.Value-2811.4) > 0.1 || got.Photos != 2 || got.PhotoID != m.photo || got.Marks != 1 || got.Basis != "from marks on a photograph with a scale" {
		t.Fatalf("%+v %v", got, err)
	}
	if _, err := m.data.Pool.Exec(ctx, `update photo_scale set length_mm = 1`); err == nil {
		t.Error("a scale was changed")
	}
	_, err = m.photos.SetScale(ctx, m.people["Lars"], m.photo, photo.NewScale{})
	refusedAs(t, "a reader", err, "P2")
}
