-- Air spaces: their make-up, what lies in them, tracer measurements, recommendations.
create table enclosure (
    id uuid not null,
    label text not null,
    kind text not null,
    note text not null default '',
    network jsonb not null,
    place_id uuid,
    closed_at timestamptz,
    closed_by uuid,
    closed_reason text not null default '',
    version bigint not null default 1,
    created_at timestamptz not null,
    created_by uuid not null,
    changed_at timestamptz not null,
    changed_by uuid not null,
    constraint enclosure_pkey primary key (id),
    constraint enclosure_place_fkey foreign key (place_id) references place (id),
    constraint enclosure_created_by_fkey foreign key (created_by) references person (id),
    constraint enclosure_changed_by_fkey foreign key (changed_by) references person (id),
    constraint enclosure_closed_by_fkey foreign key (closed_by) references person (id),
    constraint enclosure_filled check (label <> ''),
    constraint enclosure_kind_known check (kind in
        ('glove', 'boot', 'hood', 'garment', 'bag', 'box', 'cupboard', 'case', 'room', 'other')),
    constraint enclosure_closed_whole check ((closed_at is null) = (closed_by is null) and (closed_at is null) = (closed_reason = ''))
);
comment on table enclosure is 'Air spaces that belong together: the inside of a glove, a bag, a case. One that is closed no longer exists and counts for nothing.';
comment on column enclosure.network is 'Volumes, surfaces and paths of air, each figure with how it is known (rule M3).';
create index enclosure_label on enclosure (fold(label) collate "C", id);
create index enclosure_place on enclosure (place_id) where place_id is not null;
create trigger enclosure_never_deleted before delete on enclosure for each row execute function refuse_delete();

create table enclosure_space (
    enclosure_id uuid not null,
    name text not null,
    exchange_per_day double precision,
    rh_pct numeric,
    constraint enclosure_space_pkey primary key (enclosure_id, name),
    constraint enclosure_space_enclosure_fkey foreign key (enclosure_id) references enclosure (id),
    constraint enclosure_space_filled check (name <> ''),
    constraint enclosure_space_exchange_sane check (exchange_per_day between 0 and 1e15),
    constraint enclosure_space_rh_sane check (rh_pct between 0 and 100)
);
comment on table enclosure_space is 'The air spaces of an enclosure, as they stand in its network.';
comment on column enclosure_space.exchange_per_day is 'Changes of its air per day with all that lies outside the space, of carbon dioxide, which stands for no particular gas; null when it cannot be computed.';

create table enclosure_member (
    enclosure_id uuid not null,
    space text not null,
    object_id uuid not null,
    component_id uuid,
    constraint enclosure_member_unique unique nulls not distinct (enclosure_id, space, object_id, component_id),
    constraint enclosure_member_space_fkey foreign key (enclosure_id, space) references enclosure_space (enclosure_id, name),
    constraint enclosure_member_object_fkey foreign key (object_id) references object (id),
    constraint enclosure_member_component_fkey foreign key (object_id, component_id) references component (object_id, id)
);
comment on table enclosure_member is 'What lies in an air space or bounds it.';
comment on column enclosure_member.component_id is 'Null: the whole object.';
create index enclosure_member_object on enclosure_member (object_id, enclosure_id);
create index enclosure_member_component on enclosure_member (component_id) where component_id is not null;

create table enclosure_tracer (
    id uuid not null,
    enclosure_id uuid not null,
    exchange text not null,
    measured_on date not null,
    note text not null default '',
    decay jsonb not null,
    result jsonb not null,
    recorded_at timestamptz not null,
    recorded_by uuid not null,
    constraint enclosure_tracer_pkey primary key (id),
    constraint enclosure_tracer_enclosure_fkey foreign key (enclosure_id) references enclosure (id),
    constraint enclosure_tracer_recorded_by_fkey foreign key (recorded_by) references person (id)
);
comment on table enclosure_tracer is 'append-only: tracer measurements, the readings as taken and the fit as it was shown.';
comment on column enclosure_tracer.exchange is 'The path of air whose exchange it was entered for.';
create index enclosure_tracer_enclosure on enclosure_tracer (enclosure_id, measured_on desc, id desc);
create trigger enclosure_tracer_append_only before update or delete on enclosure_tracer
    for each row execute function refuse_change();

create table enclosure_recommendation (
    id uuid not null,
    enclosure_id uuid not null,
    enclosure_version bigint not null,
    object_id uuid not null,
    text text not null,
    changes jsonb not null,
    changed text[] not null,
    differences jsonb not null,
    made_at timestamptz not null,
    made_by uuid not null,
    constraint enclosure_recommendation_pkey primary key (id),
    constraint enclosure_recommendation_enclosure_fkey foreign key (enclosure_id) references enclosure (id),
    constraint enclosure_recommendation_object_fkey foreign key (object_id) references object (id),
    constraint enclosure_recommendation_made_by_fkey foreign key (made_by) references person (id),
    constraint enclosure_recommendation_filled check (text <> '')
);
comment on table enclosure_recommendation is 'append-only: what was advised for an object after looking what a change of its air space would do.';
comment on column enclosure_recommendation.differences is 'Levels before and after, as they were computed then.';
create index enclosure_recommendation_object on enclosure_recommendation (object_id, made_at desc, id desc);
create index enclosure_recommendation_enclosure on enclosure_recommendation (enclosure_id, made_at desc, id desc);
create trigger enclosure_recommendation_append_only before update or delete on enclosure_recommendation
    for each row execute function refuse_change();

create table enclosure_recommendation_end (
    recommendation_id uuid not null,
    outcome text not null,
    reason text not null default '',
    at timestamptz not null,
    person_id uuid not null,
    constraint enclosure_recommendation_end_pkey primary key (recommendation_id),
    constraint enclosure_recommendation_end_recommendation_fkey foreign key (recommendation_id) references enclosure_recommendation (id),
    constraint enclosure_recommendation_end_person_fkey foreign key (person_id) references person (id),
    constraint enclosure_recommendation_end_known check (outcome in ('done', 'withdrawn')),
    constraint enclosure_recommendation_end_has_reason check (outcome = 'done' or reason <> '')
);
comment on table enclosure_recommendation_end is 'append-only: that a recommendation was carried out or withdrawn; one without a row is open.';
create trigger enclosure_recommendation_end_append_only before update or delete on enclosure_recommendation_end
    for each row execute function refuse_change();
