-- Handlings, stops and their releases, assessments of hazards.
create table handling (
    id uuid not null,
    object_id uuid not null,
    started_at timestamptz not null,
    minutes int not null,
    recorded_at timestamptz not null,
    recorded_by uuid not null,
    other_handlers text[] not null default '{}',
    purpose text not null,
    from_position text not null default '',
    to_position text not null default '',
    lifts int not null,
    support text[] not null default '{}',
    gloves text not null default '',
    noticed text[] not null,
    note text not null default '',
    controls text not null default '',
    hazards text[] not null default '{}',
    unassessed text[] not null default '{}',
    evacuation text not null default '',
    under_stop boolean not null,
    constraint handling_pkey primary key (id),
    constraint handling_object_unique unique (object_id, id),
    constraint handling_object_fkey foreign key (object_id) references object (id),
    constraint handling_recorded_by_fkey foreign key (recorded_by) references person (id),
    constraint handling_minutes_sane check (minutes between 1 and 1440),
    constraint handling_lifts_sane check (lifts between 0 and 999),
    constraint handling_not_before_begun check (started_at <= recorded_at + interval '10 minutes'),
    constraint handling_purpose_known check (purpose in
        ('examination', 'treatment', 'mounting', 'photography', 'move', 'loan', 'research_visit', 'other')),
    constraint handling_noticed_filled check (cardinality(noticed) > 0 and (cardinality(noticed) = 1 or not 'nothing' = any (noticed))),
    constraint handling_turn_is_a_lift check (from_position = '' or to_position = '' or from_position = to_position or lifts > 0),
    constraint handling_controls_known check (controls in ('', 'kept', 'not_kept')),
    constraint handling_hazards_answered check (cardinality(hazards) = 0 or controls <> ''),
    constraint handling_evacuation_known check (evacuation in ('', 'fire', 'flood', 'threat_to_life'))
);
comment on table handling is 'append-only: every touch of an object (rule H1); addenda stand beside it.';
comment on column handling.recorded_at is 'When it was logged; started_at is when it happened.';
comment on column handling.under_stop is 'A stop stood on what was handled. What happened is never refused as a record.';
comment on column handling.unassessed is 'Of hazards, those that wanted a competent person''s assessment first.';
create index handling_object on handling (object_id, started_at desc, id desc);
create index handling_started on handling (started_at desc, id desc);
create trigger handling_append_only before update or delete on handling
    for each row execute function refuse_change();

create table handling_person (
    handling_id uuid not null,
    person_id uuid not null,
    position int not null,
    constraint handling_person_pkey primary key (handling_id, person_id),
    constraint handling_person_position_unique unique (handling_id, position),
    constraint handling_person_handling_fkey foreign key (handling_id) references handling (id),
    constraint handling_person_person_fkey foreign key (person_id) references person (id)
);
comment on table handling_person is 'append-only: who had hands on the object, the lead first.';
create index handling_person_person on handling_person (person_id, handling_id);
create trigger handling_person_append_only before update or delete on handling_person
    for each row execute function refuse_change();

create table handling_component (
    handling_id uuid not null,
    object_id uuid not null,
    component_id uuid not null,
    constraint handling_component_pkey primary key (handling_id, component_id),
    constraint handling_component_handling_fkey foreign key (object_id, handling_id) references handling (object_id, id),
    constraint handling_component_component_fkey foreign key (object_id, component_id) references component (object_id, id)
);
comment on table handling_component is 'append-only: the components handled; none means the whole object.';
create index handling_component_component on handling_component (component_id, handling_id);
create trigger handling_component_append_only before update or delete on handling_component
    for each row execute function refuse_change();

create table handling_flex (
    handling_id uuid not null,
    position int not null,
    joint text not null,
    side text not null,
    movement text not null default '',
    degrees int not null,
    times int not null,
    constraint handling_flex_pkey primary key (handling_id, position),
    constraint handling_flex_handling_fkey foreign key (handling_id) references handling (id),
    constraint handling_flex_joint_known check (joint in
        ('neck', 'shoulder', 'elbow', 'forearm', 'wrist', 'fingers', 'waist', 'hip', 'knee', 'ankle', 'other')),
    constraint handling_flex_side_known check (side in ('left', 'right', 'none')),
    constraint handling_flex_degrees_sane check (degrees between 0 and 360),
    constraint handling_flex_times_sane check (times between 1 and 999)
);
comment on table handling_flex is 'append-only: joints of a garment moved by hand, with the furthest angle reached.';
create trigger handling_flex_append_only before update or delete on handling_flex
    for each row execute function refuse_change();

create table handling_addendum (
    handling_id uuid not null,
    position int not null,
    at timestamptz not null,
    author_id uuid not null,
    text text not null,
    constraint handling_addendum_pkey primary key (handling_id, position),
    constraint handling_addendum_handling_fkey foreign key (handling_id) references handling (id),
    constraint handling_addendum_author_fkey foreign key (author_id) references person (id),
    constraint handling_addendum_filled check (text <> '')
);
comment on table handling_addendum is 'append-only: corrections and additions to handlings.';
create trigger handling_addendum_append_only before update or delete on handling_addendum
    for each row execute function refuse_change();

create table handling_photo (
    handling_id uuid not null,
    object_id uuid not null,
    photo_id uuid not null,
    position int not null,
    constraint handling_photo_pkey primary key (handling_id, photo_id),
    constraint handling_photo_position_unique unique (handling_id, position),
    constraint handling_photo_handling_fkey foreign key (object_id, handling_id) references handling (object_id, id),
    constraint handling_photo_photo_fkey foreign key (object_id, photo_id) references photo (object_id, id)
);
comment on table handling_photo is 'append-only: photographs that belong to a handling.';
create trigger handling_photo_append_only before update or delete on handling_photo
    for each row execute function refuse_change();

create table stop (
    id uuid not null,
    object_id uuid not null,
    object_number text not null,
    department text not null,
    handling_id uuid,
    signs text[] not null,
    note text not null,
    raised_at timestamptz not null,
    raised_by uuid not null,
    raised_by_name text not null,
    handler_ids uuid[] not null default '{}',
    constraint stop_pkey primary key (id),
    constraint stop_object_unique unique (object_id, id),
    constraint stop_handling_unique unique (handling_id),
    constraint stop_object_fkey foreign key (object_id) references object (id),
    constraint stop_handling_fkey foreign key (object_id, handling_id) references handling (object_id, id),
    constraint stop_raised_by_fkey foreign key (raised_by) references person (id),
    constraint stop_has_a_cause check (handling_id is not null or note <> '')
);
comment on table stop is 'append-only: stops (rules H2, H3), with names as they were; one without a release is in force.';
create index stop_object on stop (object_id, raised_at);
create index stop_raised on stop (raised_at desc, id desc);
create trigger stop_append_only before update or delete on stop
    for each row execute function refuse_change();

create table stop_component (
    stop_id uuid not null,
    object_id uuid not null,
    component_id uuid not null,
    position int not null,
    called text not null,
    constraint stop_component_pkey primary key (stop_id, component_id),
    constraint stop_component_position_unique unique (stop_id, position),
    constraint stop_component_stop_fkey foreign key (object_id, stop_id) references stop (object_id, id),
    constraint stop_component_component_fkey foreign key (object_id, component_id) references component (object_id, id)
);
comment on table stop_component is 'append-only: the components under a stop; none means the whole object.';
create trigger stop_component_append_only before update or delete on stop_component
    for each row execute function refuse_change();

create table stop_note (
    stop_id uuid not null,
    position int not null,
    at timestamptz not null,
    author_id uuid not null,
    author_name text not null,
    text text not null,
    constraint stop_note_pkey primary key (stop_id, position),
    constraint stop_note_stop_fkey foreign key (stop_id) references stop (id),
    constraint stop_note_author_fkey foreign key (author_id) references person (id),
    constraint stop_note_filled check (text <> '')
);
comment on table stop_note is 'append-only: notes of curators on stops.';
create trigger stop_note_append_only before update or delete on stop_note
    for each row execute function refuse_change();

create table stop_release (
    stop_id uuid not null,
    at timestamptz not null,
    released_by uuid not null,
    released_by_name text not null,
    reason text not null,
    found text not null,
    limits text not null,
    curator_note text not null default '',
    curator_name text not null default '',
    constraint stop_release_pkey primary key (stop_id),
    constraint stop_release_stop_fkey foreign key (stop_id) references stop (id),
    constraint stop_release_released_by_fkey foreign key (released_by) references person (id),
    constraint stop_release_filled check (reason <> '' and found <> '' and limits <> '')
);
comment on table stop_release is 'append-only: releases of stops (rule H3); sealed as stop_release.';
create trigger stop_release_append_only before update or delete on stop_release
    for each row execute function refuse_change();

create function stopped(an_object uuid, a_component uuid) returns boolean language sql stable as $$
    with recursive standing as (
        select c.component_id from stop s left join stop_component c on c.stop_id = s.id
        where s.object_id = an_object and not exists (select from stop_release r where r.stop_id = s.id)),
    above (id, parent_id) as (
        select id, parent_id from component where id = a_component
        union all select c.id, c.parent_id from component c join above a on c.id = a.parent_id),
    below (id) as (
        select id from component where parent_id = a_component
        union all select c.id from component c join below b on c.parent_id = b.id)
    select exists (select from standing s
        where a_component is null or s.component_id is null
            or s.component_id in (select id from above) or s.component_id in (select id from below))
$$;
comment on function stopped(uuid, uuid) is 'Whether a stop binds a component, or the whole object when the component is null (rule H3).';

create table hazard_assessment (
    id uuid not null,
    object_id uuid not null,
    component_id uuid,
    kind text not null,
    assessor_id uuid,
    assessor_name text not null,
    competence text not null,
    assessed_on date not null,
    may_be_handled boolean not null,
    found text not null,
    controls text not null default '',
    valid_until date,
    recorded_by uuid not null,
    recorded_at timestamptz not null,
    constraint hazard_assessment_pkey primary key (id),
    constraint hazard_assessment_object_fkey foreign key (object_id) references object (id),
    constraint hazard_assessment_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint hazard_assessment_assessor_fkey foreign key (assessor_id) references person (id),
    constraint hazard_assessment_recorded_by_fkey foreign key (recorded_by) references person (id),
    constraint hazard_assessment_filled check (kind <> '' and assessor_name <> '' and competence <> '' and found <> ''),
    constraint hazard_assessment_has_controls check (not may_be_handled or controls <> ''),
    constraint hazard_assessment_valid_later check (valid_until >= assessed_on)
);
comment on table hazard_assessment is 'append-only: what competent persons found about hazards; the latest holds.';
create index hazard_assessment_object on hazard_assessment (object_id, assessed_on);
create trigger hazard_assessment_append_only before update or delete on hazard_assessment
    for each row execute function refuse_change();
