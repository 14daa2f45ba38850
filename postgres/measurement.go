package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/measurement"
)

var measurementWords = map[string]*domain.Error{
	"measurement_spot_append_only":            {Kind: domain.KindRefused, Code: "R2", Message: "A spot is never changed or deleted, so that its readings stay comparable. Name another spot."},
	"measurement_append_only":                 {Kind: domain.KindRefused, Code: "R2", Message: "A reading is never changed or deleted; withdraw it with a reason."},
	"measurement_withdrawal_append_only":      {Kind: domain.KindRefused, Code: "R2", Message: "That a reading was withdrawn stays."},
	"measurement_spot_name_unique":            {Kind: domain.KindConflict, Code: "spot_taken", Message: "This object has a spot of this name already. Measure there, or give another name."},
	"measurement_withdrawal_pkey":             {Kind: domain.KindConflict, Code: "withdrawn", Message: "This reading was withdrawn already."},
	"measurement_spot_object_fkey":            {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such object."},
	"measurement_spot_component_fkey":         {Kind: domain.KindInvalid, Code: "invalid", Message: "This is not a component of the object."},
	"measurement_spot_photo_fkey":             {Kind: domain.KindInvalid, Code: "invalid", Message: "This is not a photograph of the object."},
	"measurement_spot_filled":                 {Kind: domain.KindInvalid, Code: "invalid", Message: "Name the spot, and say how to find it again."},
	"measurement_spot_point_whole":            {Kind: domain.KindInvalid, Code: "invalid", Message: "A point has two figures and lies on a photograph."},
	"measurement_spot_point_sane":             {Kind: domain.KindInvalid, Code: "invalid", Message: "A point lies on its photograph."},
	"measurement_spot_fkey":                   {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such spot."},
	"measurement_examination_fkey":            {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such examination of this object, or measurements belong to it, so that it stays."},
	"measurement_handling_fkey":               refusedByDatabase("There is no such handling of this object."),
	"measurement_quantity_known":              {Kind: domain.KindInvalid, Code: "invalid", Message: "Choose one of the known quantities."},
	"measurement_role_known":                  {Kind: domain.KindInvalid, Code: "invalid", Message: "Choose what the reading stands for."},
	"measurement_role_sourced":                {Kind: domain.KindInvalid, Code: "invalid", Message: "Say where the protected area lies, or which document specifies it."},
	"measurement_day_sane":                    {Kind: domain.KindInvalid, Code: "invalid", Message: "A day between 1850 and today."},
	"measurement_figure_given":                {Kind: domain.KindInvalid, Code: "invalid", Message: "Give the figure of the quantity, and of no other."},
	"measurement_value_sane":                  {Kind: domain.KindInvalid, Code: "invalid", Message: "This quantity cannot have this value."},
	"measurement_plus_minus_sane":             {Kind: domain.KindInvalid, Code: "invalid", Message: "The ± is not below 0."},
	"measurement_n_sane":                      {Kind: domain.KindInvalid, Code: "invalid", Message: "1 to 1000 readings."},
	"measurement_spread_whole":                {Kind: domain.KindInvalid, Code: "invalid", Message: "Give the deviations of L*, a* and b* of two readings and more, or none of them."},
	"measurement_conditions_known":            {Kind: domain.KindInvalid, Code: "invalid", Message: "Choose one of the known illuminants, observers and geometries."},
	"measurement_spectrum_whole":              {Kind: domain.KindInvalid, Code: "invalid", Message: "A spectrum has 31 figures, at 400 to 700 nm every 10 nm."},
	"measurement_withdrawal_filled":           {Kind: domain.KindInvalid, Code: "invalid", Message: "Say why the reading counts no longer."},
	"measurement_spot_pkey":                   refusedByDatabase("This spot exists already."),
	"measurement_spot_object_unique":          refusedByDatabase("This spot exists already."),
	"measurement_spot_made_by_fkey":           refusedByDatabase("There is no such person."),
	"measurement_pkey":                        refusedByDatabase("This reading exists already."),
	"measurement_recorded_by_fkey":            refusedByDatabase("There is no such person."),
	"measurement_withdrawal_measurement_fkey": refusedByDatabase("There is no such reading."),
	"measurement_withdrawal_person_fkey":      refusedByDatabase("There is no such person."),
}

// Measurements keeps spots and readings; it implements measurement.Store.
type Measurements struct{ db *DB }

// NewMeasurements makes the store.
func NewMeasurements(db *DB) *Measurements { return &Measurements{db: db} }

var _ measurement.Store = (*Measurements)(nil)

const spotColumns = `s.id, s.object_id, o.number as object_number, s.component_id, coalesce('.' || c.label || ' ' || c.name, '') as component, s.name, s.place,
	s.photo_id, s.x_px, s.y_px, s.made_at, jsonb_build_object('id', p.id, 'name', p.name) as made_by`

const spotTables = ` from measurement_spot s join object o on o.id = s.object_id left join component c on c.id = s.component_id join person p on p.id = s.made_by`

// AddSpot writes a spot.
func (s *Measurements) AddSpot(ctx context.Context, spot *measurement.Spot) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into measurement_spot (id, object_id, component_id, name, place, photo_id, x_px, y_px, made_at, made_by)
			values (@id, @object, @component, @name, @place, @photo, @x, @y, @at, @by)`,
			pgx.NamedArgs{"id": spot.ID, "object": spot.ObjectID, "component": spot.ComponentID, "name": spot.Name, "place": spot.Place, "photo": spot.PhotoID,
				"x": spot.XPX, "y": spot.YPX, "at": spot.MadeAt, "by": spot.MadeBy.ID})
		if err != nil {
			return fault(err, "name spot %s", spot.ID)
		}
		return s.db.addEvents(ctx, spot.Events()...)
	})
}

// Spot reads a spot.
func (s *Measurements) Spot(ctx context.Context, id domain.ID) (*measurement.Spot, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+spotColumns+spotTables+` where s.id = $1`, id)
	spot, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[measurement.Spot])
	return spot, fault(err, "read spot %s", id)
}

// spotLine is a spot as the list reads it.
type spotLine struct {
	measurement.Spot
	Folded string
	Last   []lastRead
}

type lastRead struct {
	Quantity   measurement.Quantity `json:"quantity"`
	Readings   int                  `json:"readings"`
	MeasuredOn string               `json:"measured_on"`
	Value      *decimal.Decimal     `json:"value"`
	PlusMinus  *decimal.Decimal     `json:"plus_minus"`
	Colour     *measurement.Tint    `json:"colour"`
}

func (l *spotLine) line() measurement.Line {
	line := measurement.Line{Spot: l.Spot, Last: []measurement.Last{}}
	for _, x := range l.Last {
		r := measurement.Reading{Quantity: x.Quantity, Value: x.Value, Unit: x.Quantity.Unit(), PlusMinus: x.PlusMinus, Colour: x.Colour}
		line.Last = append(line.Last, measurement.Last{Quantity: x.Quantity, Readings: x.Readings, MeasuredOn: x.MeasuredOn, Shown: r.Shown()})
	}
	return line
}

// standing says that reading m was not withdrawn.
const standing = `not exists (select from measurement_withdrawal w where w.measurement_id = m.id)`

// Spots lists the spots of an object by their name.
func (s *Measurements) Spots(ctx context.Context, objectID domain.ID, q domain.PageQuery) (domain.Page[measurement.Line], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[measurement.Line]{}, err
	}
	list := []any{"spots", objectID}
	keys, err := q.Keys(list, 2)
	if err != nil {
		return domain.Page[measurement.Line]{}, err
	}
	var after string
	var id domain.ID
	if keys != nil {
		after = keys[0]
		if id, err = domain.ParseID(keys[1]); err != nil {
			return domain.Page[measurement.Line]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select `+spotColumns+`, fold(s.name) as folded,
			coalesce((select jsonb_agg(jsonb_build_object('quantity', x.quantity, 'readings', x.readings, 'measured_on', x.measured_on, 'value', x.value, 'plus_minus', x.plus_minus,
					'colour', case when x.quantity = 'colour' then jsonb_build_object('l', x.l, 'a', x.a, 'b', x.b) end) order by x.quantity)
				from (select distinct on (m.quantity) m.quantity, count(*) over (partition by m.quantity) as readings, m.measured_on, m.value, m.plus_minus, m.l, m.a, m.b
					from measurement m where m.spot_id = s.id and m.role in ('', 'baseline') and `+standing+`
					order by m.quantity, m.measured_on desc, m.id desc) x), '[]') as last
		`+spotTables+where(`s.object_id = @object`, given(keys != nil, `(fold(s.name) collate "C", s.id) > (@after, @id)`))+`
		order by fold(s.name) collate "C", s.id limit @limit`,
		pgx.NamedArgs{"object": objectID, "after": after, "id": id, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[spotLine])
	if err != nil {
		return domain.Page[measurement.Line]{}, fault(err, "list the spots of %s", objectID)
	}
	page := domain.NextPage(q, list, all, func(l spotLine) []string { return []string{l.Folded, l.ID.String()} })
	lines := make([]measurement.Line, len(page.Items))
	for i := range page.Items {
		lines[i] = page.Items[i].line()
	}
	return domain.Page[measurement.Line]{Items: lines, Next: page.Next}, nil
}

const readingColumns = `m.id, m.spot_id, m.object_id, m.quantity, to_char(m.measured_on, 'YYYY-MM-DD') as measured_on, m.role, m.value, m.plus_minus, m.n,
	case when m.quantity = 'colour' then jsonb_strip_nulls(jsonb_build_object('l', m.l, 'a', m.a, 'b', m.b, 'sd_l', m.sd_l, 'sd_a', m.sd_a, 'sd_b', m.sd_b, 'bound_de', m.bound_de,
		'illuminant', m.illuminant, 'observer', m.observer, 'geometry', m.geometry, 'aperture_mm', m.aperture_mm, 'spectrum', m.spectrum)) end as colour,
	m.method, m.instrument, m.source, m.note, m.examination_id, m.handling_id, m.recorded_at, jsonb_build_object('id', p.id, 'name', p.name) as recorded_by,
	(select jsonb_build_object('at', w.at, 'by', jsonb_build_object('id', y.id, 'name', y.name), 'reason', w.reason)
		from measurement_withdrawal w join person y on y.id = w.person_id where w.measurement_id = m.id) as withdrawn`

const readingTables = ` from measurement m join person p on p.id = m.recorded_by`

// readings collects readings, each with the unit of its quantity.
func readings(rows pgx.Rows) ([]measurement.Reading, error) {
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (measurement.Reading, error) {
		r, err := pgx.RowToStructByNameLax[measurement.Reading](row)
		r.Unit = r.Quantity.Unit()
		return r, err
	})
}

// Add writes a reading.
func (s *Measurements) Add(ctx context.Context, r *measurement.Reading) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		args := pgx.NamedArgs{"id": r.ID, "spot": r.SpotID, "object": r.ObjectID, "quantity": r.Quantity, "on": r.MeasuredOn, "role": r.Role, "value": r.Value, "pm": r.PlusMinus, "n": r.N,
			"method": r.Method, "instrument": r.Instrument, "source": r.Source, "note": r.Note, "examination": r.ExaminationID, "handling": r.HandlingID, "at": r.RecordedAt, "by": r.RecordedBy.ID,
			"l": nil, "a": nil, "b": nil, "sdl": nil, "sda": nil, "sdb": nil, "bound": nil, "illuminant": nil, "observer": nil, "geometry": "", "aperture": nil, "spectrum": nil}
		if c := r.Colour; c != nil {
			for name, v := range map[string]any{"l": c.L, "a": c.A, "b": c.B, "sdl": c.SDL, "sda": c.SDA, "sdb": c.SDB, "bound": c.BoundDE, "illuminant": c.Illuminant,
				"observer": c.Observer, "geometry": c.Geometry, "aperture": c.ApertureMM, "spectrum": c.Spectrum} {
				args[name] = v
			}
		}
		_, err := tx.Exec(ctx, `
			insert into measurement (id, spot_id, object_id, quantity, measured_on, role, value, plus_minus, n, l, a, b, sd_l, sd_a, sd_b, bound_de, illuminant, observer, geometry,
				aperture_mm, spectrum, method, instrument, source, note, examination_id, handling_id, recorded_at, recorded_by)
			values (@id, @spot, @object, @quantity, @on::text::date, @role, @value, @pm, @n, @l, @a, @b, @sdl, @sda, @sdb, @bound, @illuminant, @observer, @geometry,
				@aperture, @spectrum, @method, @instrument, @source, @note, @examination, @handling, @at, @by)`, args)
		if err != nil {
			return fault(err, "record reading %s", r.ID)
		}
		return s.db.addEvents(ctx, r.Events()...)
	})
}

// One reads a reading.
func (s *Measurements) One(ctx context.Context, id domain.ID) (*measurement.Reading, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+readingColumns+readingTables+` where m.id = $1`, id)
	all, err := readings(rows)
	if err == nil && len(all) == 0 {
		err = pgx.ErrNoRows
	}
	if err != nil {
		return nil, fault(err, "read reading %s", id)
	}
	return &all[0], nil
}

// List lists readings, the latest first.
func (s *Measurements) List(ctx context.Context, f measurement.Filter, q domain.PageQuery) (domain.Page[measurement.Reading], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[measurement.Reading]{}, err
	}
	list := []any{"measurements", f}
	keys, err := q.Keys(list, 2)
	if err != nil {
		return domain.Page[measurement.Reading]{}, err
	}
	var day string
	var id domain.ID
	if keys != nil {
		if day, id, err = dayAndID(keys); err != nil {
			return domain.Page[measurement.Reading]{}, err
		}
	}
	rows, _ := s.db.q(ctx).Query(ctx, `select `+readingColumns+readingTables+where(
		given(keys != nil, `(m.measured_on, m.id) < (@day::text::date, @id)`),
		given(f.ObjectID != nil, `m.object_id = @object`),
		given(f.SpotID != nil, `m.spot_id = @spot`),
		given(f.ExaminationID != nil, `m.examination_id = @examination`),
		given(f.Quantity != "", `m.quantity = @quantity`))+`
		order by m.measured_on desc, m.id desc limit @limit`,
		pgx.NamedArgs{"day": day, "id": id, "object": f.ObjectID, "spot": f.SpotID, "examination": f.ExaminationID, "quantity": f.Quantity, "limit": limit})
	all, err := readings(rows)
	if err != nil {
		return domain.Page[measurement.Reading]{}, fault(err, "list readings")
	}
	return domain.NextPage(q, list, all, func(r measurement.Reading) []string { return []string{r.MeasuredOn, r.ID.String()} }), nil
}

// Series reads the latest readings of a quantity at a spot.
func (s *Measurements) Series(ctx context.Context, spotID domain.ID, q measurement.Quantity) ([]measurement.Reading, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+readingColumns+readingTables+` where m.spot_id = $1 and m.quantity = $2
		order by m.measured_on desc, m.id desc limit $3`, spotID, q, measurement.SeriesMost)
	all, err := readings(rows)
	return all, fault(err, "read the series of spot %s", spotID)
}

// Known reads the last reading of each quantity at each spot of an object by a moment.
func (s *Measurements) Known(ctx context.Context, objectID domain.ID, at measurement.Moment, without *domain.ID) ([]measurement.Known, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+readingColumns+`, s.name as spot_name, coalesce('.' || c.label || ' ' || c.name, '') as component
		from (select distinct on (m.spot_id, m.quantity) m.id from measurement m`+where(
		`m.object_id = @object`, `(m.measured_on <= @on::text::date or m.examination_id = @examination)`, `m.role in ('', 'baseline')`, standing,
		given(without != nil, `m.examination_id is distinct from @without`))+`
			order by m.spot_id, m.quantity, (m.examination_id = @examination) desc nulls last, m.measured_on desc, m.id desc) x
			join measurement m on m.id = x.id join person p on p.id = m.recorded_by join measurement_spot s on s.id = m.spot_id left join component c on c.id = s.component_id
		order by fold(s.name) collate "C", s.id, m.quantity limit @most`,
		pgx.NamedArgs{"object": objectID, "on": at.On, "examination": at.ExaminationID, "without": without, "most": measurement.SeriesMost})
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (measurement.Known, error) {
		k, err := pgx.RowToStructByNameLax[measurement.Known](row)
		k.Unit = k.Quantity.Unit()
		return k, err
	})
	return all, fault(err, "read what is known of %s on %s", objectID, at.On)
}

// Withdraw writes that a reading was withdrawn. Of two at once the second is refused.
func (s *Measurements) Withdraw(ctx context.Context, r *measurement.Reading) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into measurement_withdrawal (measurement_id, at, person_id, reason) values ($1, $2, $3, $4)`,
			r.ID, r.Withdrawn.At, r.Withdrawn.By.ID, r.Withdrawn.Reason)
		if err != nil {
			return fault(err, "withdraw reading %s", r.ID)
		}
		return s.db.addEvents(ctx, r.Events()...)
	})
}
