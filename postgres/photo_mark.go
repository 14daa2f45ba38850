package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/photo"
	shape "farthingale/domain/photo/mark"
)

var markWords = map[string]*domain.Error{
	"photo_mark_observation_fkey": {Kind: domain.KindInvalid, Code: "invalid", Message: "This observation is not of the object on the photograph.",
		Fields: []domain.Field{{Pointer: "/observation_id", Rule: "observation", Message: "Choose an observation of the object that the photograph shows."}}},
	"photo_mark_frozen":            photo.ErrFrozen,
	"photo_mark_kind_known":        {Kind: domain.KindInvalid, Code: "invalid", Message: "A mark is a rectangle, a polygon, a line or a point."},
	"photo_mark_points_fit":        refusedByDatabase("These points make no such mark."),
	"photo_mark_points_on_picture": refusedByDatabase("A mark lies on its picture."),
	"photo_mark_precision_sane":    refusedByDatabase("A mark is drawn more or less exactly."),
	"photo_mark_on_one_photo":      refusedByDatabase("A mark stays on its photograph."),
	"photo_mark_pkey":              refusedByDatabase("This mark exists already."),
	"photo_mark_photo_fkey":        refusedByDatabase("There is no such photograph."),
	"photo_mark_made_by_fkey":      refusedByDatabase("There is no such person."),
	"photo_mark_changed_by_fkey":   refusedByDatabase("There is no such person."),
	"photo_scale_pkey":             refusedByDatabase("This scale exists already."),
	"photo_scale_photo_fkey":       refusedByDatabase("There is no such photograph."),
	"photo_scale_by_fkey":          refusedByDatabase("There is no such person."),
	"photo_scale_on_picture":       refusedByDatabase("A scale lies on its picture."),
	"photo_scale_two_points":       refusedByDatabase("A scale has two points."),
	"photo_scale_length_sane":      refusedByDatabase("A scale has a length."),
	"photo_scale_append_only":      refusedByDatabase("A scale is never changed; another takes its place."),
	"photo_tiles_pkey":             refusedByDatabase("These tiles exist already."),
	"photo_tiles_photo_fkey":       refusedByDatabase("There is no such photograph."),
	"photo_tiles_file_fkey":        refusedByDatabase("The file of these tiles is not kept."),
}

// markRow is a mark as the tables hold it.
type markRow struct {
	ID, PhotoID   domain.ID
	ObservationID *domain.ID
	Kind          shape.Kind
	Points        []float64
	PrecisionPX   float64 `db:"precision_px"`
	Note          string
	MadeBy        domain.ID
	MadeByName    string
	MadeAt        time.Time
	ChangedBy     domain.ID
	ChangedAt     time.Time
	Frozen        bool
	Version       int64
	TermName      string
	Severity      int
	Activity      string
}

const markSelect = `
	select m.id, m.photo_id, m.observation_id, m.kind, m.points, m.precision_px, m.note, m.made_by, m.made_by_name, m.made_at, m.changed_by, m.changed_at,
		coalesce(e.state = 'signed', false) as frozen, m.version,
		coalesce(case when e.state = 'signed' then x.term_name else t.name end, '') as term_name, coalesce(x.severity, 0)::int as severity, coalesce(x.activity, '') as activity
	from photo_mark m
		left join examination_observation x on x.id = m.observation_id
		left join examination e on e.id = x.examination_id
		left join damage_term t on t.key = x.term`

func (r markRow) mark() photo.Mark {
	m := photo.Mark{ID: r.ID, PhotoID: r.PhotoID, ObservationID: r.ObservationID, Shape: shape.Shape{Kind: r.Kind, Points: make([]shape.Point, len(r.Points)/2)},
		PrecisionPX: r.PrecisionPX, Note: r.Note, MadeBy: r.MadeBy, MadeByName: r.MadeByName, MadeAt: r.MadeAt, ChangedBy: r.ChangedBy, ChangedAt: r.ChangedAt,
		Frozen: r.Frozen, Version: r.Version, TermName: r.TermName, Severity: r.Severity, Activity: r.Activity}
	for i := range m.Shape.Points {
		m.Shape.Points[i] = shape.Point{r.Points[2*i], r.Points[2*i+1]}
	}
	return m
}

func toMark(row pgx.CollectableRow) (photo.Mark, error) {
	r, err := pgx.RowToStructByName[markRow](row)
	return r.mark(), err
}

func markArgs(m *photo.Mark) pgx.NamedArgs {
	points := make([]float64, 0, 2*len(m.Shape.Points))
	for _, p := range m.Shape.Points {
		points = append(points, p[0], p[1])
	}
	return pgx.NamedArgs{"id": m.ID, "photo": m.PhotoID, "observation": m.ObservationID, "kind": m.Shape.Kind, "points": points, "precision": m.PrecisionPX, "note": m.Note,
		"by": m.MadeBy, "by_name": m.MadeByName, "at": m.MadeAt, "changed_by": m.ChangedBy, "changed_at": m.ChangedAt, "version": m.Version, "most": photo.MarksMost}
}

// AddMark writes a mark.
func (s *Photos) AddMark(ctx context.Context, m *photo.Mark) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		done, err := tx.Exec(ctx, `
			insert into photo_mark (id, object_id, photo_id, observation_id, kind, points, precision_px, note, made_by, made_by_name, made_at, changed_by, changed_at, version)
			select @id, p.object_id, p.id, @observation, @kind, @points, @precision, @note, @by, @by_name, @at, @changed_by, @changed_at, @version
			from photo p where p.id = @photo and (select count(*) from photo_mark m where m.photo_id = @photo) < @most`, markArgs(m))
		if err != nil {
			return fault(err, "mark photo %s", m.PhotoID)
		}
		if done.RowsAffected() == 0 {
			return domain.Conflict("marks_full", "This photograph has 1000 marks, which is all it can hold. Take a detail photograph and mark that, or mark an area as one outline.")
		}
		return s.db.addEvents(ctx, m.Events()...)
	})
}

// lockMark reads a mark under lock and checks its version.
func (s *Photos) lockMark(ctx context.Context, tx pgx.Tx, id domain.ID, version int64) (*photo.Mark, error) {
	rows, _ := tx.Query(ctx, markSelect+` where m.id = $1 for update of m`, id)
	m, err := pgx.CollectExactlyOneRow(rows, toMark)
	if err != nil {
		return nil, fault(err, "read mark %s", id)
	}
	if m.Version != version {
		return nil, domain.ErrStale
	}
	return &m, nil
}

// UpdateMark changes a mark under lock.
func (s *Photos) UpdateMark(ctx context.Context, id domain.ID, version int64, change func(*photo.Mark) error) (*photo.Mark, error) {
	var m *photo.Mark
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if m, err = s.lockMark(ctx, tx, id, version); err != nil {
			return err
		}
		if err := change(m); err != nil {
			return err
		}
		m.Version++
		if _, err := tx.Exec(ctx, `
			update photo_mark set observation_id = @observation, kind = @kind, points = @points, precision_px = @precision, note = @note,
				changed_by = @changed_by, changed_at = @changed_at, version = @version
			where id = @id`, markArgs(m)); err != nil {
			return fault(err, "change mark %s", id)
		}
		return s.db.addEvents(ctx, m.Events()...)
	})
	if err != nil {
		return nil, err
	}
	return m, nil
}

// DeleteMark takes a mark away.
func (s *Photos) DeleteMark(ctx context.Context, id domain.ID, version int64, check func(*photo.Mark) error) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		m, err := s.lockMark(ctx, tx, id, version)
		if err != nil {
			return err
		}
		if err := check(m); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `delete from photo_mark where id = $1`, id); err != nil {
			return fault(err, "erase mark %s", id)
		}
		return s.db.addEvents(ctx, m.Events()...)
	})
}

// Mark reads a mark.
func (s *Photos) Mark(ctx context.Context, id domain.ID) (*photo.Mark, error) {
	rows, _ := s.db.q(ctx).Query(ctx, markSelect+` where m.id = $1`, id)
	m, err := pgx.CollectExactlyOneRow(rows, toMark)
	if err != nil {
		return nil, fault(err, "read mark %s", id)
	}
	return &m, nil
}

// Marks lists the marks of a photograph, the first made first.
func (s *Photos) Marks(ctx context.Context, photoID domain.ID, f photo.MarkFilter, q domain.PageQuery) (domain.Page[photo.Mark], error) {
	var none domain.Page[photo.Mark]
	limit, err := q.Rows()
	if err != nil {
		return none, err
	}
	list := []any{"marks", photoID, f}
	keys, err := q.Keys(list, 1)
	if err != nil {
		return none, err
	}
	args := pgx.NamedArgs{"photo": photoID, "observation": f.ObservationID, "limit": limit, "after": domain.ID{}}
	if keys != nil {
		if args["after"], err = domain.ParseID(keys[0]); err != nil {
			return none, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
	}
	rows, _ := s.db.q(ctx).Query(ctx, markSelect+`
		where `+both(`m.photo_id = @photo`, given(keys != nil, `m.id > @after`), given(f.ObservationID != nil, `m.observation_id = @observation`))+`
		order by m.id limit @limit`, args)
	all, err := pgx.CollectRows(rows, toMark)
	if err != nil {
		return none, fault(err, "list marks of photo %s", photoID)
	}
	return domain.NextPage(q, list, all, func(m photo.Mark) []string { return []string{m.ID.String()} }), nil
}

// MarksOn reads all marks of photographs.
func (s *Photos) MarksOn(ctx context.Context, photoIDs []domain.ID) ([]photo.Mark, error) {
	return s.allMarks(ctx, "m.photo_id", photoIDs)
}

// MarksOf reads all marks of observations.
func (s *Photos) MarksOf(ctx context.Context, observationIDs []domain.ID) ([]photo.Mark, error) {
	return s.allMarks(ctx, "m.observation_id", observationIDs)
}

func (s *Photos) allMarks(ctx context.Context, column string, ids []domain.ID) ([]photo.Mark, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	condition, arg := among(column, ids)
	rows, _ := s.db.q(ctx).Query(ctx, markSelect+` where `+condition+` order by m.id`, arg)
	all, err := pgx.CollectRows(rows, toMark)
	return all, fault(err, "read marks")
}

// AddScale keeps the scale of a photograph.
func (s *Photos) AddScale(ctx context.Context, k *photo.Scale) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `
			insert into photo_scale (id, photo_id, from_x, from_y, to_x, to_y, length_mm, plus_mm, click_px, by_id, by_name, at)
			values (@id, @photo, @from_x, @from_y, @to_x, @to_y, @length, @plus, @click, @by, @by_name, @at)`,
			pgx.NamedArgs{"id": k.ID, "photo": k.PhotoID, "from_x": k.From[0], "from_y": k.From[1], "to_x": k.To[0], "to_y": k.To[1],
				"length": k.LengthMM, "plus": k.PlusMM, "click": k.ClickPX, "by": k.By, "by_name": k.ByName, "at": k.At}); err != nil {
			return fault(err, "keep the scale of photo %s", k.PhotoID)
		}
		return s.db.addEvents(ctx, k.Events()...)
	})
}

// Scales reads the last scale of each of these photographs.
func (s *Photos) Scales(ctx context.Context, photoIDs []domain.ID) (map[domain.ID]photo.Scale, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select k.id, k.photo_id, k.from_x, k.from_y, k.to_x, k.to_y, k.length_mm, k.plus_mm, k.click_px, k.by_id, k.by_name, k.at
		from unnest($1::uuid[]) as wanted (photo_id)
			cross join lateral (
				select l.id, l.photo_id, l.from_x, l.from_y, l.to_x, l.to_y, l.length_mm, l.plus_mm, l.click_px, l.by_id, l.by_name, l.at
				from photo_scale l where l.photo_id = wanted.photo_id order by l.at desc, l.id desc limit 1) k`, photoIDs)
	all := map[domain.ID]photo.Scale{}
	var k photo.Scale
	_, err := pgx.ForEachRow(rows, []any{&k.ID, &k.PhotoID, &k.From[0], &k.From[1], &k.To[0], &k.To[1], &k.LengthMM, &k.PlusMM, &k.ClickPX, &k.By, &k.ByName, &k.At},
		func() error {
			all[k.PhotoID] = k
			return nil
		})
	return all, fault(err, "read scales of photos")
}

// Markable lists the observations of the drafts of an object, in the order in which they stand there.
func (s *Photos) Markable(ctx context.Context, objectID domain.ID) ([]photo.Markable, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select x.id, x.examination_id, o.number || coalesce('.' || c.label || ' ' || c.name, '') as called, t.name as term_name, coalesce(x.severity, 0)::int as severity
		from examination e
			join object o on o.id = e.object_id
			join examination_observation x on x.examination_id = e.id
			join damage_term t on t.key = x.term
			left join component c on c.id = x.component_id
		where e.object_id = $1 and e.state = 'draft'
		order by e.examined_on desc, e.id, x.position, x.id`, objectID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[photo.Markable])
	return all, fault(err, "list what can be marked of object %s", objectID)
}

// Sizes reads the size of photographs.
func (s *Photos) Sizes(ctx context.Context, photoIDs []domain.ID) (map[domain.ID]shape.Size, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select id, width_px, height_px from photo where id = any ($1)`, photoIDs)
	all := map[domain.ID]shape.Size{}
	var id domain.ID
	var size shape.Size
	_, err := pgx.ForEachRow(rows, []any{&id, &size.Width, &size.Height}, func() error {
		all[id] = size
		return nil
	})
	return all, fault(err, "read sizes of photos")
}

// Tiles is the file that holds the tiles of a photograph, or "".
func (s *Photos) Tiles(ctx context.Context, id domain.ID) (string, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select sha256 from photo_tiles where photo_id = $1`, id)
	all, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(all) == 0 {
		return "", fault(err, "look for the tiles of photo %s", id)
	}
	return all[0], nil
}

// SetTiles notes the file that holds the tiles of a photograph.
func (s *Photos) SetTiles(ctx context.Context, id domain.ID, sha256 string, at time.Time) error {
	_, err := s.db.q(ctx).Exec(ctx, `
		insert into photo_tiles (photo_id, sha256, made_at) values ($1, $2, $3)
		on conflict (photo_id) do update set sha256 = excluded.sha256, made_at = excluded.made_at`, id, sha256, at)
	return fault(err, "note the tiles of photo %s", id)
}

// AskTiles asks for the tiles of a photograph.
func (s *Photos) AskTiles(ctx context.Context, id domain.ID) error {
	return s.jobs.Ask(ctx, photo.TilesTask, id)
}

// forgetTiles forgets tiles that are not sound, and asks for others.
func (s *Photos) forgetTiles(ctx context.Context, tx pgx.Tx, sha256 string) error {
	rows, _ := tx.Query(ctx, `delete from photo_tiles where sha256 = $1 returning photo_id`, sha256)
	ids, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
	if err != nil {
		return fault(err, "forget tiles %s", sha256)
	}
	for _, id := range ids {
		if err := s.AskTiles(ctx, id); err != nil {
			return err
		}
	}
	return nil
}
