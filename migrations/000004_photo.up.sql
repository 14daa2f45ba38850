-- Kept files, photographs of objects, and the components that they show.
create table file (
    sha256 text collate "C" not null,
    bytes bigint not null,
    media_type text not null,
    kept_at timestamptz not null,
    state text not null default 'kept',
    found text not null default 'sound',
    checked_at timestamptz,
    constraint file_pkey primary key (sha256),
    constraint file_sha256_form check (sha256 ~ '^[0-9a-f]{64}$'),
    constraint file_bytes_sane check (bytes >= 0),
    constraint file_media_type_filled check (media_type <> ''),
    constraint file_state_known check (state in ('kept', 'going')),
    constraint file_found_known check (found in ('sound', 'changed', 'missing'))
);
comment on table file is 'Files in the bucket, each under the SHA-256 of its content (rule F1). Records of every area that need a file point here by a foreign key; a file that none points to is an orphan.';
comment on column file.kept_at is 'When this content last arrived; an orphan is swept a day later.';
comment on column file.state is 'going: an orphan that is being taken away; the row is the lock between a sweep and an upload of the same content.';
comment on column file.found is 'What the last check of the hash found.';
comment on column file.checked_at is 'Null: not since it was hashed on arrival.';
create index file_due on file ((coalesce(checked_at, kept_at)));

create function file_needed(hash text) returns boolean language plpgsql stable as $$
declare
    r record;
    needed boolean;
begin
    for r in
        select c.conrelid::regclass as holder, a.attname as holding
        from pg_constraint c join pg_attribute a on a.attrelid = c.conrelid and a.attnum = c.conkey[1]
        where c.contype = 'f' and c.confrelid = 'file'::regclass
    loop
        execute format('select exists (select from %s where %I = $1)', r.holder, r.holding) into needed using hash;
        if needed then
            return true;
        end if;
    end loop;
    return false;
end $$;
comment on function file_needed(text) is 'Whether any record points to a file, by whatever foreign keys there are.';

create table photo (
    id uuid not null,
    object_id uuid not null,
    view text not null,
    light text not null,
    stage text not null,
    scale_present boolean not null,
    colour_target_present boolean not null,
    caption text not null,
    photographer text not null,
    taken_clock timestamp,
    taken_offset_minutes int,
    camera jsonb not null,
    original_sha256 text collate "C" not null,
    file_name text not null,
    width_px int not null,
    height_px int not null,
    orientation int not null,
    holds_position boolean not null,
    preview_state text not null,
    preview_reason text not null default '',
    screen_sha256 text collate "C",
    screen_width_px int,
    screen_height_px int,
    thumbnail_sha256 text collate "C",
    thumbnail_width_px int,
    thumbnail_height_px int,
    preview_asked_at timestamptz not null,
    uploaded_by uuid not null,
    uploaded_at timestamptz not null,
    version bigint not null default 1,
    constraint photo_pkey primary key (id),
    constraint photo_object_unique unique (object_id, id),
    constraint photo_original_once unique (object_id, original_sha256),
    constraint photo_object_fkey foreign key (object_id) references object (id),
    constraint photo_original_fkey foreign key (original_sha256) references file (sha256),
    constraint photo_screen_fkey foreign key (screen_sha256) references file (sha256),
    constraint photo_thumbnail_fkey foreign key (thumbnail_sha256) references file (sha256),
    constraint photo_uploaded_by_fkey foreign key (uploaded_by) references person (id),
    constraint photo_view_known check (view in ('front', 'back', 'left', 'right', 'three_quarter_left', 'three_quarter_right',
        'top', 'inside', 'detail', 'label', 'closure_open', 'closure_closed', 'packed', 'other')),
    constraint photo_light_known check (light in ('normal', 'raking', 'transmitted', 'specular', 'uv', 'infrared', 'x_ray', 'microscope')),
    constraint photo_stage_known check (stage in ('before', 'during', 'after', 'condition', 'incident', 'general')),
    constraint photo_size_positive check (width_px > 0 and height_px > 0),
    constraint photo_orientation_known check (orientation between 1 and 8),
    constraint photo_offset_sane check (taken_offset_minutes is null or taken_clock is not null and taken_offset_minutes between -840 and 840),
    constraint photo_preview_known check (preview_state in ('waiting', 'made', 'none')),
    constraint photo_preview_whole check (
        (preview_state = 'made') = (screen_sha256 is not null and screen_width_px is not null and screen_height_px is not null
            and thumbnail_sha256 is not null and thumbnail_width_px is not null and thumbnail_height_px is not null)
        and (preview_state = 'none') = (preview_reason <> ''))
);
comment on table photo is 'Photographs of objects: what each shows (rule F3) and the original it was made from (F1, F2).';
comment on column photo.taken_clock is 'The wall clock of the camera; null: the file does not say.';
comment on column photo.taken_offset_minutes is 'Of the camera''s clock from UTC, east positive; null: not said, so the instant is not known.';
comment on column photo.width_px is 'Of the upright image; marks refer to it.';
comment on column photo.orientation is 'EXIF orientation of the original, 1 to 8.';
comment on column photo.holds_position is 'The original carries a position on the earth, which is not taken over.';
create index photo_list on photo (object_id, uploaded_at desc, id desc);
create index photo_original on photo (original_sha256);
create index photo_screen on photo (screen_sha256) where screen_sha256 is not null;
create index photo_thumbnail on photo (thumbnail_sha256) where thumbnail_sha256 is not null;
create index photo_waiting on photo (preview_asked_at) where preview_state = 'waiting';
create trigger photo_never_deleted before delete on photo
    for each row execute function refuse_delete();

create table photo_component (
    photo_id uuid not null,
    object_id uuid not null,
    component_id uuid not null,
    constraint photo_component_pkey primary key (photo_id, component_id),
    constraint photo_component_photo_fkey foreign key (object_id, photo_id) references photo (object_id, id),
    constraint photo_component_component_fkey foreign key (object_id, component_id) references component (object_id, id)
);
comment on table photo_component is 'Which components a photograph shows; none: the whole object. Both belong to the same object.';
create index photo_component_component on photo_component (component_id, photo_id);

alter table object add constraint object_face_photo_fkey foreign key (id, face_photo_id) references photo (object_id, id);
