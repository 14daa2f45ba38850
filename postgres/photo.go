package postgres

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/photo"
)

var photoWords = map[string]*domain.Error{
	"photo_original_once":            {Kind: domain.KindConflict, Code: "photo_already_here", Message: "This very picture is among the photographs of this object already."},
	"photo_object_fkey":              {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such object."},
	"photo_component_component_fkey": {Kind: domain.KindInvalid, Code: "invalid", Message: "One of the components does not belong to this object."},
	"photo_component_pkey":           {Kind: domain.KindInvalid, Code: "invalid", Message: "Name each component once."},
	"photo_component_photo_fkey":     refusedByDatabase("A photograph shows components of its own object."),
	"photo_view_known":               {Kind: domain.KindInvalid, Code: "invalid", Message: "Say which view it is, with one of the known words."},
	"photo_light_known":              {Kind: domain.KindInvalid, Code: "invalid", Message: "Say in which light it was taken, with one of the known words."},
	"photo_stage_known":              {Kind: domain.KindInvalid, Code: "invalid", Message: "Say at which stage it was taken, with one of the known words."},
	"photo_never_deleted":            {Kind: domain.KindRefused, Code: "F1", Message: "A photograph's original is kept; it is never deleted."},
	"photo_pkey":                     refusedByDatabase("This photograph exists already."),
	"photo_object_unique":            refusedByDatabase("This photograph exists already."),
	"photo_original_fkey":            refusedByDatabase("The original of this photograph is not kept."),
	"photo_screen_fkey":              refusedByDatabase("The screen picture of this photograph is not kept."),
	"photo_thumbnail_fkey":           refusedByDatabase("The thumbnail of this photograph is not kept."),
	"photo_uploaded_by_fkey":         refusedByDatabase("There is no such person."),
	"photo_size_positive":            refusedByDatabase("A picture has a width and a height."),
	"photo_orientation_known":        refusedByDatabase("An orientation is 1 to 8."),
	"photo_offset_sane":              refusedByDatabase("A clock is at most 14 hours from UTC."),
	"photo_preview_known":            refusedByDatabase("A preview is waiting, made or none."),
	"photo_preview_whole":            refusedByDatabase("A made preview has two pictures, and none has a reason."),
	"object_face_photo_fkey": {Kind: domain.KindInvalid, Code: "invalid", Message: "This photograph is not of this object.",
		Fields: []domain.Field{{Pointer: "/photo_id", Rule: "photo", Message: "This photograph is not of this object."}}},
}

// Photos keeps photographs; it implements photo.Store.
type Photos struct {
	db   *DB
	jobs *Jobs
}

// NewPhotos makes the store.
func NewPhotos(db *DB, jobs *Jobs) *Photos { return &Photos{db: db, jobs: jobs} }

var _ photo.Store = (*Photos)(nil)

// Belong checks an object and its components.
func (s *Photos) Belong(ctx context.Context, objectID domain.ID, components []domain.ID) error {
	var exists bool
	var own []domain.ID
	err := s.db.q(ctx).QueryRow(ctx, `
		select exists (select from object where id = $1),
			coalesce((select array_agg(id) from component where object_id = $1 and id = any($2)), '{}')`, objectID, components).Scan(&exists, &own)
	if err != nil {
		return fault(err, "look for object %s", objectID)
	}
	if !exists {
		return domain.NotFound("There is no such object.")
	}
	known := map[domain.ID]bool{}
	for _, id := range own {
		known[id] = true
	}
	var fields []domain.Field
	for i, id := range components {
		if !known[id] {
			fields = append(fields, domain.Field{Pointer: fmt.Sprintf("/components/%d", i), Rule: "own", Message: "This is no component of this object."})
		}
	}
	return domain.InvalidFields(fields)
}

// Add writes a photograph.
func (s *Photos) Add(ctx context.Context, p *photo.Photo) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		camera, err := json.Marshal(p.Camera)
		if err != nil {
			return fmt.Errorf("encode camera: %w", err)
		}
		args := pgx.NamedArgs{
			"id": p.ID, "object": p.ObjectID, "camera": camera, "sha256": p.Original.SHA256, "file_name": p.Original.FileName,
			"width": p.Original.WidthPX, "height": p.Original.HeightPX, "orientation": p.Original.Orientation, "position": p.Original.HoldsPosition,
			"preview": p.Preview.State, "reason": p.Preview.Reason, "by": p.UploadedBy, "at": p.UploadedAt, "version": p.Version,
			"clock": nil, "offset": nil,
		}
		if p.TakenAt != nil {
			args["clock"], args["offset"] = p.TakenAt.Clock, p.TakenAt.OffsetMinutes
		}
		describe(args, p)
		done, err := tx.Exec(ctx, `
			insert into photo (id, object_id, view, light, stage, scale_present, colour_target_present, caption, photographer,
				taken_clock, taken_offset_minutes, camera, original_sha256, file_name, width_px, height_px, orientation, holds_position,
				preview_state, preview_reason, preview_asked_at, uploaded_by, uploaded_at, version)
			values (@id, @object, @view, @light, @stage, @scale, @target, @caption, @photographer,
				@clock, @offset, @camera, @sha256, @file_name, @width, @height, @orientation, @position,
				@preview, @reason, @at, @by, @at, @version)
			on conflict on constraint photo_original_once do nothing`, args)
		if err != nil {
			return fault(err, "add photo %s", p.ID)
		}
		if done.RowsAffected() == 0 {
			return photoWords["photo_original_once"] // without a fault, so that the other files of the request can go on
		}
		if err := s.addComponents(ctx, tx, p); err != nil {
			return err
		}
		if p.Preview.State == photo.Waiting {
			if err := s.jobs.Ask(ctx, photo.DeriveTask, p.ID); err != nil {
				return err
			}
			if p.Large() {
				if err := s.AskTiles(ctx, p.ID); err != nil {
					return err
				}
			}
		}
		return s.db.addEvents(ctx, p.Events()...)
	})
}

func describe(args pgx.NamedArgs, p *photo.Photo) {
	args["view"], args["light"], args["stage"] = p.View, p.Light, p.Stage
	args["scale"], args["target"] = p.ScalePresent, p.ColourTargetPresent
	args["caption"], args["photographer"] = p.Caption, p.Photographer
}

func (s *Photos) addComponents(ctx context.Context, tx pgx.Tx, p *photo.Photo) error {
	_, err := tx.Exec(ctx, `
		insert into photo_component (photo_id, object_id, component_id)
		select $1, $2, unnest($3::uuid[])`, p.ID, p.ObjectID, p.Components)
	return fault(err, "write what photo %s shows", p.ID)
}

// photoRow is a photograph as the tables hold it.
type photoRow struct {
	ID                                domain.ID
	ObjectID                          domain.ID
	Components                        []domain.ID
	View                              photo.View
	Light                             photo.Light
	Stage                             photo.Stage
	ScalePresent, ColourTargetPresent bool
	Caption, Photographer             string
	TakenClock                        *time.Time
	TakenOffsetMinutes                *int
	Camera                            photo.Camera
	OriginalSHA256                    string `db:"original_sha256"`
	Bytes                             int64
	MediaType                         photo.Kind
	FileName                          string
	WidthPX                           int `db:"width_px"`
	HeightPX                          int `db:"height_px"`
	Orientation                       int
	HoldsPosition                     bool
	PreviewState                      photo.PreviewState
	PreviewReason                     string
	ScreenSHA256                      *string `db:"screen_sha256"`
	ScreenBytes                       *int64
	ScreenWidthPX                     *int    `db:"screen_width_px"`
	ScreenHeightPX                    *int    `db:"screen_height_px"`
	ThumbnailSHA256                   *string `db:"thumbnail_sha256"`
	ThumbnailBytes                    *int64
	ThumbnailWidthPX                  *int `db:"thumbnail_width_px"`
	ThumbnailHeightPX                 *int `db:"thumbnail_height_px"`
	UploadedBy                        domain.ID
	UploadedByName                    string
	UploadedAt                        time.Time
	Version                           int64
}

const photoSelect = `
	select p.id, p.object_id,
		coalesce((select array_agg(c.component_id order by c.component_id) from photo_component c where c.photo_id = p.id), '{}') as components,
		p.view, p.light, p.stage, p.scale_present, p.colour_target_present, p.caption, p.photographer,
		p.taken_clock, p.taken_offset_minutes, p.camera, p.original_sha256, f.bytes, f.media_type, p.file_name,
		p.width_px, p.height_px, p.orientation, p.holds_position, p.preview_state, p.preview_reason,
		p.screen_sha256, s.bytes as screen_bytes, p.screen_width_px, p.screen_height_px,
		p.thumbnail_sha256, t.bytes as thumbnail_bytes, p.thumbnail_width_px, p.thumbnail_height_px,
		p.uploaded_by, u.name as uploaded_by_name, p.uploaded_at, p.version
	from photo p
		join file f on f.sha256 = p.original_sha256
		join person u on u.id = p.uploaded_by
		left join file s on s.sha256 = p.screen_sha256
		left join file t on t.sha256 = p.thumbnail_sha256`

func (r photoRow) photo() photo.Photo {
	p := photo.Photo{
		ID: r.ID, ObjectID: r.ObjectID, Components: r.Components, View: r.View, Light: r.Light, Stage: r.Stage,
		ScalePresent: r.ScalePresent, ColourTargetPresent: r.ColourTargetPresent, Caption: r.Caption, Photographer: r.Photographer,
		Camera: r.Camera,
		Original: photo.Original{SHA256: r.OriginalSHA256, Bytes: r.Bytes, MediaType: r.MediaType, FileName: r.FileName,
			WidthPX: r.WidthPX, HeightPX: r.HeightPX, Orientation: r.Orientation, HoldsPosition: r.HoldsPosition},
		Preview:    photo.Preview{State: r.PreviewState, Reason: r.PreviewReason},
		UploadedBy: r.UploadedBy, UploadedByName: r.UploadedByName, UploadedAt: r.UploadedAt, Version: r.Version,
	}
	if r.TakenClock != nil {
		p.TakenAt = &photo.CameraTime{Clock: *r.TakenClock, OffsetMinutes: r.TakenOffsetMinutes}
	}
	if r.PreviewState == photo.Made {
		p.Preview.Screen = &photo.Picture{SHA256: *r.ScreenSHA256, Bytes: *r.ScreenBytes, WidthPX: *r.ScreenWidthPX, HeightPX: *r.ScreenHeightPX}
		p.Preview.Thumbnail = &photo.Picture{SHA256: *r.ThumbnailSHA256, Bytes: *r.ThumbnailBytes, WidthPX: *r.ThumbnailWidthPX, HeightPX: *r.ThumbnailHeightPX}
	}
	return p
}

// One reads a photograph.
func (s *Photos) One(ctx context.Context, id domain.ID) (*photo.Photo, error) {
	return s.one(ctx, photoSelect+` where p.id = $1`, id)
}

func (s *Photos) one(ctx context.Context, sql string, id domain.ID) (*photo.Photo, error) {
	rows, _ := s.db.q(ctx).Query(ctx, sql, id)
	r, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[photoRow])
	if err != nil {
		return nil, fault(err, "read photo %s", id)
	}
	p := r.photo()
	return &p, nil
}

// Some reads those of these photographs that exist.
func (s *Photos) Some(ctx context.Context, ids []domain.ID) ([]photo.Photo, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	ofIDs, arg := among("p.id", ids)
	rows, _ := s.db.q(ctx).Query(ctx, photoSelect+` where `+ofIDs, arg)
	all, err := pgx.CollectRows(rows, photoOf)
	return all, fault(err, "read %d photos", len(ids))
}

func photoOf(row pgx.CollectableRow) (photo.Photo, error) {
	r, err := pgx.RowToStructByName[photoRow](row)
	return r.photo(), err
}

// Shows says whether a photograph is of an object.
func (s *Photos) Shows(ctx context.Context, photoID, objectID domain.ID) (bool, error) {
	var shows bool
	err := s.db.q(ctx).QueryRow(ctx, `select exists (select from photo where id = $1 and object_id = $2)`, photoID, objectID).Scan(&shows)
	return shows, fault(err, "look for photo %s", photoID)
}

// Update changes what a photograph says, under lock.
func (s *Photos) Update(ctx context.Context, id domain.ID, version int64, change func(*photo.Photo) error) (*photo.Photo, error) {
	var p *photo.Photo
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if p, err = s.one(ctx, photoSelect+` where p.id = $1 for update of p`, id); err != nil {
			return err
		}
		if p.Version != version {
			return domain.ErrStale
		}
		if err := change(p); err != nil {
			return err
		}
		p.Version++
		args := pgx.NamedArgs{"id": p.ID, "version": p.Version}
		describe(args, p)
		if _, err := tx.Exec(ctx, `
			update photo set view = @view, light = @light, stage = @stage, scale_present = @scale, colour_target_present = @target,
				caption = @caption, photographer = @photographer, version = @version
			where id = @id`, args); err != nil {
			return fault(err, "change photo %s", id)
		}
		if _, err := tx.Exec(ctx, `delete from photo_component where photo_id = $1`, id); err != nil {
			return fault(err, "write what photo %s shows", id)
		}
		if err := s.addComponents(ctx, tx, p); err != nil {
			return err
		}
		return s.db.addEvents(ctx, p.Events()...)
	})
	if err != nil {
		return nil, err
	}
	return p, nil
}

// SetPreview writes what became of the pictures for the pages.
func (s *Photos) SetPreview(ctx context.Context, id domain.ID, p photo.Preview) error {
	args := pgx.NamedArgs{"id": id, "state": p.State, "reason": p.Reason,
		"screen": nil, "screen_width": nil, "screen_height": nil, "thumbnail": nil, "thumbnail_width": nil, "thumbnail_height": nil}
	if p.Screen != nil && p.Thumbnail != nil {
		args["screen"], args["screen_width"], args["screen_height"] = p.Screen.SHA256, p.Screen.WidthPX, p.Screen.HeightPX
		args["thumbnail"], args["thumbnail_width"], args["thumbnail_height"] = p.Thumbnail.SHA256, p.Thumbnail.WidthPX, p.Thumbnail.HeightPX
	}
	_, err := s.db.q(ctx).Exec(ctx, `
		update photo set preview_state = @state, preview_reason = @reason,
			screen_sha256 = @screen, screen_width_px = @screen_width, screen_height_px = @screen_height,
			thumbnail_sha256 = @thumbnail, thumbnail_width_px = @thumbnail_width, thumbnail_height_px = @thumbnail_height
		where id = @id`, args)
	return fault(err, "write the preview of photo %s", id)
}

// List lists an object's photographs, the newest first.
func (s *Photos) List(ctx context.Context, objectID domain.ID, f photo.Filter, q domain.PageQuery) (domain.Page[photo.Photo], error) {
	var none domain.Page[photo.Photo]
	limit, err := q.Rows()
	if err != nil {
		return none, err
	}
	list := []any{"photos", objectID, f}
	keys, err := q.Keys(list, 2)
	if err != nil {
		return none, err
	}
	args := pgx.NamedArgs{"object": objectID, "component": f.Component, "view": f.View, "light": f.Light, "stage": f.Stage,
		"at": nil, "id": domain.ID{}, "limit": limit}
	if keys != nil {
		at, atErr := time.Parse(time.RFC3339Nano, keys[0])
		id, idErr := domain.ParseID(keys[1])
		if atErr != nil || idErr != nil {
			return none, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
		args["at"], args["id"] = at, id
	}
	rows, _ := s.db.q(ctx).Query(ctx, photoSelect+`
		where `+both(`p.object_id = @object`,
		given(keys != nil, `(p.uploaded_at, p.id) < (@at, @id)`),
		given(f.View != "", `p.view = @view`),
		given(f.Light != "", `p.light = @light`),
		given(f.Stage != "", `p.stage = @stage`),
		given(f.Component != nil, `exists (select from photo_component c where c.photo_id = p.id and c.component_id = @component)`))+`
		order by p.uploaded_at desc, p.id desc limit @limit`, args)
	all, err := pgx.CollectRows(rows, photoOf)
	if err != nil {
		return none, fault(err, "list photos of object %s", objectID)
	}
	return domain.NextPage(q, list, all, func(p photo.Photo) []string {
		return []string{p.UploadedAt.UTC().Format(time.RFC3339Nano), p.ID.String()}
	}), nil
}

// Subject reads an object and its components.
func (s *Photos) Subject(ctx context.Context, objectID domain.ID) (*photo.Subject, error) {
	return s.subject(ctx, `o.id = $1`, objectID)
}

// SubjectByNumber reads an object by its number's key, and its components.
func (s *Photos) SubjectByNumber(ctx context.Context, key string) (*photo.Subject, error) {
	return s.subject(ctx, `o.number_key = $1`, key)
}

func (s *Photos) subject(ctx context.Context, where string, arg any) (*photo.Subject, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select o.id as object_id, o.number, o.title, o.face_photo_id, coalesce((
			select jsonb_agg(jsonb_build_object('ID', c.id, 'Label', c.label, 'Name', c.name) order by c.sort_key)
			from component c where c.object_id = o.id), '[]') as parts
		from object o where `+where, arg)
	found, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[photo.Subject])
	return found, fault(err, "read object %v for its photos", arg)
}

// Overdue lists photographs whose pictures have been waited for since before a time.
func (s *Photos) Overdue(ctx context.Context, before time.Time) ([]domain.ID, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select id from photo where preview_state = 'waiting' and preview_asked_at < $1 order by preview_asked_at limit 1000`, before)
	all, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
	return all, fault(err, "list photos that wait for their pictures")
}

// Again asks for the pictures of a photograph once more.
func (s *Photos) Again(ctx context.Context, id domain.ID) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `
			update photo set preview_state = 'waiting', preview_reason = '', preview_asked_at = now(),
				screen_sha256 = null, screen_width_px = null, screen_height_px = null,
				thumbnail_sha256 = null, thumbnail_width_px = null, thumbnail_height_px = null
			where id = $1`, id); err != nil {
			return fault(err, "ask again for the pictures of photo %s", id)
		}
		return s.jobs.Ask(ctx, photo.DeriveTask, id)
	})
}

// Found writes what a check found. News about an original is an event on each of its photographs;
// a made picture that is not sound is made again.
func (s *Photos) Found(ctx context.Context, f photo.Fixity) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var was photo.Finding
		err := tx.QueryRow(ctx, `
			update file new set found = $2, checked_at = $3 from (select found from file where sha256 = $1 for update) old
			where new.sha256 = $1 returning old.found`, f.SHA256, f.Found, f.At).Scan(&was)
		if err != nil {
			return fault(err, "write the check of file %s", f.SHA256)
		}
		if was == f.Found {
			return nil
		}
		if f.Found != photo.Sound {
			if err := s.forgetTiles(ctx, tx, f.SHA256); err != nil {
				return err
			}
		}
		type use struct {
			ID, ObjectID       domain.ID
			Number, Department string
			Original           bool
		}
		rows, _ := tx.Query(ctx, `
			select p.id, p.object_id, o.number, o.department, p.original_sha256 = $1 as original
			from photo p join object o on o.id = p.object_id
			where p.original_sha256 = $1 or p.screen_sha256 = $1 or p.thumbnail_sha256 = $1`, f.SHA256)
		uses, err := pgx.CollectRows(rows, pgx.RowToStructByName[use])
		if err != nil {
			return fault(err, "look for what needs file %s", f.SHA256)
		}
		for _, u := range uses {
			switch {
			case u.Original:
				err = s.db.addEvents(ctx, f.News(u.ID, u.ObjectID))
				if err == nil {
					err = NewAgenda(s.db, time.UTC).Add(ctx, domain.NewID(), agenda.Notice{At: f.At, Roles: []domain.Role{domain.Conservator, domain.Curator, domain.Steward},
						Department: u.Department, ObjectID: u.ObjectID, Area: "photo", Subject: u.ID, Text: f.Says(u.Number)})
				}
			case f.Found != photo.Sound:
				err = s.Again(ctx, u.ID)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}
