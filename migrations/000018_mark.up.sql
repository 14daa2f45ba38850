-- Marks on photographs, and the scale that turns their pixels into millimetres.
create table photo_mark (
    id uuid not null,
    object_id uuid not null,
    photo_id uuid not null,
    observation_id uuid,
    kind text not null,
    points double precision[] not null,
    precision_px double precision not null,
    note text not null default '',
    made_by uuid not null,
    made_by_name text not null,
    made_at timestamptz not null,
    changed_by uuid not null,
    changed_at timestamptz not null,
    version bigint not null default 1,
    constraint photo_mark_pkey primary key (id),
    constraint photo_mark_photo_fkey foreign key (object_id, photo_id) references photo (object_id, id),
    constraint photo_mark_observation_fkey foreign key (object_id, observation_id) references examination_observation (object_id, id)
        on delete set null (observation_id),
    constraint photo_mark_made_by_fkey foreign key (made_by) references person (id),
    constraint photo_mark_changed_by_fkey foreign key (changed_by) references person (id),
    constraint photo_mark_kind_known check (kind in ('rectangle', 'polygon', 'line', 'point')),
    constraint photo_mark_points_fit check (cardinality(points) % 2 = 0 and cardinality(points) <= 20000 and case kind
        when 'point' then cardinality(points) = 2
        when 'rectangle' then cardinality(points) = 4 and points[1] < points[3] and points[2] < points[4]
        when 'line' then cardinality(points) >= 4
        else cardinality(points) >= 6 end),
    constraint photo_mark_points_on_picture check (0 <= all (points)),
    constraint photo_mark_precision_sane check (precision_px > 0 and precision_px <= 500)
);
comment on table photo_mark is 'Marks on photographs in pixels of the upright original (rule F4); one of a signed examination never changes (E1).';
comment on column photo_mark.observation_id is 'What is marked; null: a note by itself. An observation that is taken out of a draft leaves its marks as notes.';
comment on column photo_mark.points is 'x, y, x, y …; of a rectangle the upper left and the lower right corner.';
comment on column photo_mark.precision_px is 'Standard uncertainty of the outline, from how it was drawn.';
create index photo_mark_photo on photo_mark (photo_id, id);
create index photo_mark_observation on photo_mark (observation_id) where observation_id is not null;

create function photo_mark_keeps() returns trigger language plpgsql as $$
declare
    held text;
begin
    -- The lock lets a signature that is under way come first, or wait until the mark is whole.
    for held in
        select e.state from examination e join examination_observation o on o.examination_id = e.id
        where tg_op <> 'INSERT' and o.id = old.observation_id or tg_op <> 'DELETE' and o.id = new.observation_id
        for share of e
    loop
        if held = 'signed' then
            raise exception 'a mark of a signed examination never changes' using errcode = 'restrict_violation', constraint = 'photo_mark_frozen';
        end if;
    end loop;
    if tg_op = 'UPDATE' and new.photo_id <> old.photo_id then
        raise exception 'a mark stays on its photograph' using errcode = 'restrict_violation', constraint = 'photo_mark_on_one_photo';
    end if;
    return case when tg_op = 'DELETE' then old else new end;
end $$;
comment on function photo_mark_keeps() is 'Marks of a signed examination are never edited (rule E1).';
create trigger photo_mark_keeps before insert or update or delete on photo_mark
    for each row execute function photo_mark_keeps();

create table photo_scale (
    id uuid not null,
    photo_id uuid not null,
    from_x double precision not null,
    from_y double precision not null,
    to_x double precision not null,
    to_y double precision not null,
    length_mm double precision not null,
    plus_mm double precision not null,
    click_px double precision not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint photo_scale_pkey primary key (id),
    constraint photo_scale_photo_fkey foreign key (photo_id) references photo (id),
    constraint photo_scale_by_fkey foreign key (by_id) references person (id),
    constraint photo_scale_on_picture check (from_x >= 0 and from_y >= 0 and to_x >= 0 and to_y >= 0),
    constraint photo_scale_two_points check (from_x <> to_x or from_y <> to_y),
    constraint photo_scale_length_sane check (length_mm > 0 and plus_mm >= 0 and plus_mm <= length_mm / 2 and click_px > 0)
);
comment on table photo_scale is 'append-only: two points on a scale bar and the length between them (rule E4); the last of a photograph counts.';
comment on column photo_scale.plus_mm is 'Standard uncertainty of the length.';
comment on column photo_scale.click_px is 'Standard uncertainty of each point, along either axis.';
create index photo_scale_photo on photo_scale (photo_id, at desc, id desc);
create trigger photo_scale_append_only before update or delete on photo_scale
    for each row execute function refuse_change();
