-- Surveys of condition by a sample: what was drawn from what, and what became of each object.
create table survey (
    id uuid not null,
    title text not null,
    purpose text not null default '',
    department text not null default '',
    kind text not null default '',
    legal_status text not null default '',
    place_id uuid,
    divided_by text not null default '',
    confidence int not null,
    margin_percent numeric not null,
    expected_percent numeric not null,
    seed text not null,
    frame text not null,
    objects int not null,
    sample int not null,
    drawn_at timestamptz not null,
    drawn_by uuid not null,
    constraint survey_pkey primary key (id),
    constraint survey_place_fkey foreign key (place_id) references place (id),
    constraint survey_drawn_by_fkey foreign key (drawn_by) references person (id),
    constraint survey_filled check (title <> '' and seed <> ''),
    constraint survey_divided_known check (divided_by in ('', 'department', 'kind', 'legal_status')),
    constraint survey_precision_sane check (confidence in (90, 95, 99) and margin_percent between 0.5 and 30 and expected_percent between 1 and 99),
    constraint survey_sample_within check (sample between 1 and objects and sample <= 5000),
    constraint survey_frame_form check (frame ~ '^[0-9a-f]{64}$')
);
comment on table survey is 'append-only: surveys of condition, with the seed of the draw and the population that was drawn from.';
comment on column survey.frame is 'SHA-256 of the identifiers of the population, so that a repeated draw can be held against it.';
create index survey_drawn on survey (drawn_at desc, id desc);
create trigger survey_append_only before update or delete on survey
    for each row execute function refuse_change();

create table survey_stratum (
    survey_id uuid not null,
    name text not null,
    population int not null,
    sample int not null,
    constraint survey_stratum_pkey primary key (survey_id, name),
    constraint survey_stratum_survey_fkey foreign key (survey_id) references survey (id),
    constraint survey_stratum_sane check (sample between 0 and population)
);
comment on table survey_stratum is 'append-only: the parts of a survey''s population; one without a name when it was drawn simply.';
create trigger survey_stratum_append_only before update or delete on survey_stratum
    for each row execute function refuse_change();

create table survey_object (
    survey_id uuid not null,
    object_id uuid not null,
    position int not null,
    stratum text not null,
    examination_id uuid,
    missed text not null default '',
    settled_at timestamptz,
    settled_by uuid,
    constraint survey_object_pkey primary key (survey_id, position),
    constraint survey_object_unique unique (survey_id, object_id),
    constraint survey_object_object_fkey foreign key (object_id) references object (id),
    constraint survey_object_stratum_fkey foreign key (survey_id, stratum) references survey_stratum (survey_id, name),
    constraint survey_object_examination_fkey foreign key (object_id, examination_id) references examination (object_id, id),
    constraint survey_object_settled_by_fkey foreign key (settled_by) references person (id),
    constraint survey_object_settled_whole check ((settled_at is null) = (settled_by is null)
        and (settled_at is null) = (examination_id is null and missed = '') and (examination_id is null or missed = ''))
);
comment on table survey_object is 'The objects that were drawn, in the order of drawing, and what became of each: examined, or missed with a reason.';
create index survey_object_object on survey_object (object_id, survey_id);
create index survey_object_examination on survey_object (examination_id) where examination_id is not null;
create trigger survey_object_never_deleted before delete on survey_object
    for each row execute function refuse_delete();

create function survey_object_keeps() returns trigger language plpgsql as $$
begin
    if old.settled_at is not null or (new.survey_id, new.object_id, new.position, new.stratum) is distinct from (old.survey_id, old.object_id, old.position, old.stratum) then
        raise exception 'what was drawn and what became of it stay' using errcode = 'restrict_violation', constraint = 'survey_object_settled_stays';
    end if;
    return new;
end $$;
comment on function survey_object_keeps() is 'An object of a survey is settled once.';
create trigger survey_object_settled_stays before update on survey_object
    for each row execute function survey_object_keeps();
