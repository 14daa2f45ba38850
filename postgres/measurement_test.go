package postgres_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/handling"
	"farthingale/domain/measurement"
	"farthingale/postgres"
)

func dec(text string) *decimal.Decimal {
	d := decimal.RequireFromString(text)
	return &d
}

// measuring is a house with a dress and what measuring needs.
func measuring(t *testing.T) (*dressed, *measurement.Service) {
	d := newDressed(t)
	return d, measurement.NewService(postgres.NewMeasurements(d.db), sheets{d.sheet}, d.service, d.db, time.UTC, func() time.Time { return d.now })
}

func tinted(on, l string) measurement.NewReading {
	n := 5
	return measurement.NewReading{Quantity: measurement.Colour, MeasuredOn: on, N: &n, Instrument: "sphere", Method: "template",
		Colour: &measurement.NewTint{L: dec(l), A: dec("10.25"), B: dec("-3.5"), SDL: dec("0.1"), SDA: dec("0.06"), SDB: dec("0.09"), BoundDE: dec("0.2"),
			Illuminant: "D65", Observer: "10", Geometry: measurement.SpecularIncluded, ApertureMM: dec("6")}}
}

func TestMeasurementsAreKept(t *testing.T) {
	t.Parallel()
	d, service := measuring(t)
	ctx, mara := t.Context(), d.people["Mara"]
	cuff := d.parts["1a"]
	spot, err := service.Name(ctx, mara, d.sheet.Object.ID, measurement.NewSpot{ComponentID: &cuff, Name: "Cuff, outside", Place: "40 mm above the ring"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := service.Name(ctx, mara, d.sheet.Object.ID, measurement.NewSpot{Name: "cuff, OUTSIDE", Place: "elsewhere"}); domain.KindOf(err) != domain.KindConflict {
		t.Errorf("a second spot of the name: %v", err)
	}
	if _, err := service.Name(ctx, d.people["Lars"], d.sheet.Object.ID, measurement.NewSpot{Name: "b", Place: "c"}); domain.KindOf(err) != domain.KindForbidden {
		t.Errorf("a reader names a spot: %v", err)
	}
	stranger := domain.NewID()
	if _, err := service.Name(ctx, mara, d.sheet.Object.ID, measurement.NewSpot{Name: "b", Place: "c", PhotoID: &stranger}); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("on a photograph that there is not: %v", err)
	}
	var made []*measurement.Reading
	for _, n := range []measurement.NewReading{tinted("2022-02-06", "38"), tinted("2024-02-06", "41.125"),
		{Quantity: measurement.PH, MeasuredOn: "2024-02-06", Value: dec("4.60"), PlusMinus: dec("0.3"), Method: "surface electrode", Instrument: "meter"}} {
		r, err := service.Record(ctx, mara, spot.ID, n)
		if err != nil {
			t.Fatal(err)
		}
		made = append(made, r)
	}
	spectrum := tinted("2025-02-06", "0")
	spectrum.Colour.L, spectrum.Colour.A, spectrum.Colour.B, spectrum.Colour.Spectrum = nil, nil, nil, make([]float64, 31)
	spectrum.Colour.Spectrum[3] = 0.25
	dark, err := service.Record(ctx, mara, spot.ID, spectrum)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := service.One(ctx, mara, dark.ID)
	if err != nil || len(kept.Colour.Spectrum) != 31 || kept.Colour.Spectrum[3] != 0.25 || !kept.Colour.L.Equal(dark.Colour.L) || kept.Colour.BoundDE.String() != "0.2" {
		t.Errorf("%+v %v", kept, err)
	}
	if kept, err = service.One(ctx, mara, made[2].ID); err != nil || kept.Value.String() != "4.6" || kept.Unit != "pH" || kept.RecordedBy.Name != "Mara" {
		t.Errorf("%+v %v", kept, err)
	}
	if dark, err = service.Withdraw(ctx, mara, dark.ID, measurement.NewWithdrawal{Reason: "The lamp was cold."}); err != nil || dark.Version() != 2 {
		t.Fatal(err)
	}
	series, err := service.Series(ctx, mara, spot.ID, measurement.Colour)
	if err != nil || len(series.Points) != 2 || len(series.Withdrawn) != 1 || !series.Points[1].Change.Proven || series.Withdrawn[0].Withdrawn.Reason != "The lamp was cold." {
		t.Errorf("%+v %v", series, err)
	}
	spots, err := service.Spots(ctx, mara, d.sheet.Object.ID, domain.PageQuery{})
	if err != nil || len(spots.Items) != 1 || spots.Items[0].Component != ".1a cuff" || len(spots.Items[0].Last) != 2 {
		t.Fatalf("%+v %v", spots, err)
	}
	if last := spots.Items[0].Last; last[0].Shown != "L* 41.13, a* 10.25, b* -3.50" || last[0].Readings != 2 || last[1].Shown != "4.6 ± 0.3 pH" {
		t.Errorf("%+v", last)
	}
	// Pages join without gap or overlap.
	seen := map[domain.ID]bool{}
	q := domain.PageQuery{Limit: 2}
	for {
		page, err := service.List(ctx, mara, measurement.Filter{SpotID: &spot.ID}, q)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range page.Items {
			if seen[r.ID] {
				t.Errorf("%s twice", r.ID)
			}
			seen[r.ID] = true
		}
		if page.Next == "" {
			break
		}
		q.Cursor = page.Next
	}
	if len(seen) != 4 {
		t.Errorf("%d readings", len(seen))
	}
	var events int
	if err := d.data.Pool.QueryRow(ctx, `select count(*) from event where area = 'measurement'`).Scan(&events); err != nil || events != 6 {
		t.Errorf("%d events, %v", events, err)
	}
}

// The database itself keeps readings as they are, and refuses what cannot be.
func TestMeasurementsAreAppendOnly(t *testing.T) {
	t.Parallel()
	d, service := measuring(t)
	ctx, mara := t.Context(), d.people["Mara"]
	spot, err := service.Name(ctx, mara, d.sheet.Object.ID, measurement.NewSpot{Name: "a", Place: "b"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := service.Record(ctx, mara, spot.ID, tinted("2022-02-06", "38")); err != nil {
		t.Fatal(err)
	}
	for _, sql := range []string{`update measurement set l = 1`, `delete from measurement`, `update measurement_spot set name = 'c'`, `delete from measurement_spot`} {
		if _, err := d.data.OwnerPool().Exec(ctx, sql); err == nil || !strings.Contains(err.Error(), "append_only") && !strings.Contains(err.Error(), "never") && !strings.Contains(err.Error(), "append-only") {
			t.Errorf("%s: %v", sql, err)
		}
	}
	if _, err := d.data.Pool.Exec(ctx, `insert into measurement (id, spot_id, object_id, quantity, measured_on, value, recorded_at, recorded_by)
		select gen_random_uuid(), id, object_id, 'ph', '2026-01-01', 15, now(), made_by from measurement_spot`); err == nil {
		t.Error("a pH of 15 is kept")
	}
	_, err = service.Spot(ctx, mara, domain.NewID())
	var refused *domain.Error
	if !errors.As(err, &refused) || refused.Kind != domain.KindNotFound {
		t.Errorf("%v", err)
	}
}

// TestH1MeasuringIsAHandling: a reading with hands on the object logs its handling in the same act, on the part of its
// spot; under a stop it is refused (H3) and neither is kept, while a reading without contact is.
func TestH1MeasuringIsAHandling(t *testing.T) {
	t.Parallel()
	d, service := measuring(t)
	ctx, mara := t.Context(), d.people["Mara"]
	cuff := d.parts["1a"]
	spot, err := service.Name(ctx, mara, d.sheet.Object.ID, measurement.NewSpot{ComponentID: &cuff, Name: "Cuff", Place: "40 mm above the ring"})
	if err != nil {
		t.Fatal(err)
	}
	today, earlier := d.now.Format(time.DateOnly), d.now.AddDate(0, 0, -3)
	read := func(on string, hands *measurement.Hands) (*measurement.Reading, error) {
		n := tinted(on, "62")
		n.Hands = hands
		return service.Record(ctx, mara, spot.ID, n)
	}
	logged := func(r *measurement.Reading, err error) *handling.Event {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		kept, err := service.One(ctx, mara, r.ID)
		if err != nil || kept.HandlingID == nil {
			t.Fatalf("%+v %v", kept, err)
		}
		e, err := d.service.One(ctx, mara, *kept.HandlingID)
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	if r, err := read(today, nil); err != nil || r.HandlingID != nil {
		t.Errorf("without contact: %+v %v", r, err)
	}
	if e := logged(read(today, &measurement.Hands{Minutes: 12, Gloves: "nitrile", Note: "One sleeve lifted.", Controls: "kept"})); e.Minutes != 12 || e.Purpose != "examination" || e.Gloves != "nitrile" || len(e.Components) != 1 ||
		e.Components[0].ID != cuff || !e.StartedAt.Equal(d.now.Add(-12*time.Minute)) || e.Handlers[0].ID != mara.ID {
		t.Errorf("%+v", e)
	}
	if e := logged(read(earlier.Format(time.DateOnly), &measurement.Hands{Controls: "kept"})); e.Minutes != 5 || e.StartedAt.Format(time.DateTime) != earlier.Format(time.DateOnly)+" 12:00:00" {
		t.Errorf("of an earlier day: %+v", e)
	}
	for pointer, h := range map[string]measurement.Hands{"/hands/minutes": {Minutes: -1, Controls: "kept"}, "/hands/gloves": {Gloves: "velvet", Controls: "kept"}, "/hands/noticed": {Noticed: []string{"nothing", "noise"}, Controls: "kept"}} {
		var e *domain.Error
		if _, err := read(today, &h); !errors.As(err, &e) || len(e.Fields) != 1 || !strings.HasPrefix(e.Fields[0].Pointer, pointer) {
			t.Errorf("%s: %v", pointer, err)
		}
	}
	maker := tinted(today, "62")
	maker.Role, maker.Source, maker.Hands = measurement.Specified, "catalogue of 1962", &measurement.Hands{Controls: "kept"}
	if _, err := service.Record(ctx, mara, spot.ID, maker); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("what the maker specifies, by hand: %v", err)
	}
	// A noise stops the object, and the reading that raised it is kept.
	if e := logged(read(today, &measurement.Hands{Noticed: []string{"noise"}, Controls: "kept"})); e.StopID == nil {
		t.Errorf("a noise stops nothing: %+v", e)
	}
	before := d.count("measurement") + d.count("handling")
	var refused *domain.Error
	if _, err := read(today, &measurement.Hands{Controls: "kept"}); !errors.As(err, &refused) || refused.Code != "H3" || d.count("measurement")+d.count("handling") != before {
		t.Errorf("under a stop: %v", err)
	}
	if _, err := read(today, nil); err != nil {
		t.Errorf("without contact, under a stop: %v", err)
	}
}

// count is how many rows a table has.
func (d *dressed) count(table string) (n int) {
	d.t.Helper()
	if err := d.data.OwnerPool().QueryRow(d.t.Context(), `select count(*) from `+table).Scan(&n); err != nil {
		d.t.Fatal(err)
	}
	return n
}
