-- Examinations with their observations, the terms of damage, and what condition objects are in now.
create table damage_term (
    key text collate "C" not null,
    name text not null,
    definition text not null,
    classes text[] not null,
    active text not null,
    aat text not null default '',
    source text not null,
    basis text not null,
    site boolean not null default false,
    added_by uuid,
    added_at timestamptz,
    constraint damage_term_pkey primary key (key),
    constraint damage_term_added_by_fkey foreign key (added_by) references person (id),
    constraint damage_term_filled check (key <> '' and name <> '' and definition <> '' and source <> '' and cardinality(classes) > 0),
    constraint damage_term_active_known check (active in ('yes', 'no', 'depends')),
    constraint damage_term_basis_known check (basis in ('published', 'practice', 'memory')),
    constraint damage_term_site_author check (site = (added_by is not null) and site = (added_at is not null))
);
comment on table damage_term is 'The words for damage; site rows are the museum''s own, with a source.';
comment on column damage_term.active is 'Whether such damage usually goes on: a prompt for the examiner, never an answer.';
create unique index damage_term_name_unique on damage_term (fold(name));
create trigger damage_term_never_deleted before delete on damage_term
    for each row execute function refuse_delete();

create table examination (
    id uuid not null,
    object_id uuid not null,
    state text not null,
    occasion text not null,
    examiner_id uuid not null,
    examiner_name text not null,
    examined_on date not null,
    asked_by text not null default '',
    assisted_by text not null default '',
    place_id uuid,
    place text not null default '',
    light text[] not null default '{}',
    technique text not null default '',
    conditions text not null default '',
    handles boolean,
    handling_id uuid,
    description text not null default '',
    overall text not null default '',
    overall_reason text not null default '',
    priority text not null default '',
    next_check_on date,
    risk text not null default '',
    recommendation text not null default '',
    follows_id uuid,
    loan_id uuid,
    treatment_id uuid,
    created_at timestamptz not null,
    created_by uuid not null,
    changed_at timestamptz not null,
    changed_by uuid not null,
    signed_at timestamptz,
    signed_as text[] not null default '{}',
    identified jsonb,
    alarm text not null default '',
    open_since timestamptz,
    version bigint not null default 1,
    constraint examination_pkey primary key (id),
    constraint examination_object_unique unique (object_id, id),
    constraint examination_object_fkey foreign key (object_id) references object (id),
    constraint examination_examiner_fkey foreign key (examiner_id) references person (id),
    constraint examination_place_fkey foreign key (place_id) references place (id),
    constraint examination_handling_fkey foreign key (object_id, handling_id) references handling (object_id, id),
    constraint examination_follows_fkey foreign key (object_id, follows_id) references examination (object_id, id),
    constraint examination_loan_fkey foreign key (loan_id) references loan (id),
    constraint examination_treatment_fkey foreign key (object_id, treatment_id) references treatment (object_id, id),
    constraint examination_created_by_fkey foreign key (created_by) references person (id),
    constraint examination_changed_by_fkey foreign key (changed_by) references person (id),
    constraint examination_state_known check (state in ('draft', 'signed')),
    constraint examination_occasion_known check (occasion in ('acquisition', 'survey', 'periodic_check', 'before_treatment', 'after_treatment',
        'outgoing', 'arrival', 'departure', 'return', 'incident')),
    constraint examination_light_known check (light <@
        array['normal', 'raking', 'transmitted', 'specular', 'uv', 'infrared', 'x_ray', 'microscope', 'endoscope']),
    constraint examination_overall_known check (overall in ('', 'good', 'fair', 'poor', 'unacceptable')),
    constraint examination_priority_known check (priority in ('', 'urgent', 'high', 'medium', 'low', 'none')),
    constraint examination_next_check_later check (next_check_on > examined_on),
    constraint examination_handled_with_hands check (handling_id is null or handles),
    constraint examination_signed_whole check ((state = 'signed') = (signed_at is not null) and (state = 'signed') = (identified is not null)
        and (state = 'draft' or technique <> '' and cardinality(light) > 0 and handles is not null and (handles = (handling_id is not null))
            and overall <> '' and priority <> '' and next_check_on is not null)),
    constraint examination_alarm_of_signed check (alarm = '' or state = 'signed'),
    constraint examination_open_needs_alarm check (open_since is null or alarm <> '')
);
comment on table examination is 'What condition an object was found in, by whom, when and how; a signed one never changes (rules E1-E5).';
comment on column examination.examined_on is 'The day of the look itself; its age runs from here.';
comment on column examination.follows_id is 'The signed examination whose observations it carried forward.';
comment on column examination.identified is 'What the object was called and made of on the day of signing.';
comment on column examination.alarm is 'Why conservator and curator must hear of it at once (rule E5); empty: no reason.';
comment on column examination.open_since is 'It waits for a conservator''s answer; null when none is asked for, or was given.';
create index examination_object on examination (object_id, examined_on desc, id desc);
create index examination_draft on examination (examiner_id, changed_at desc, id desc) where state = 'draft';
create index examination_drafts_of_object on examination (object_id) where state = 'draft';
create index examination_open on examination (open_since, id) where open_since is not null;
create index examination_loan on examination (loan_id) where loan_id is not null;
create index examination_treatment on examination (treatment_id) where treatment_id is not null;
create index examination_signed on examination (signed_at desc, id desc) where state = 'signed';

create function examination_keeps() returns trigger language plpgsql as $$
begin
    if tg_op = 'DELETE' then
        if old.state = 'signed' then
            raise exception 'a signed examination stays' using errcode = 'restrict_violation', constraint = 'examination_signed_stays';
        end if;
        return old;
    end if;
    if old.state = 'signed' and ((to_jsonb(new) - array['open_since', 'version']) <> (to_jsonb(old) - array['open_since', 'version'])
        or new.open_since is not null and new.open_since is distinct from old.open_since) then
        raise exception 'a signed examination never changes' using errcode = 'restrict_violation', constraint = 'examination_signed_stays';
    end if;
    if new.object_id <> old.object_id then
        raise exception 'an examination is of one object' using errcode = 'restrict_violation', constraint = 'examination_of_one_object';
    end if;
    return new;
end $$;
comment on function examination_keeps() is 'A signed examination is never edited (rule E1); only that it was answered is noted (rule E5).';
create trigger examination_keeps before update or delete on examination
    for each row execute function examination_keeps();

-- For what belongs to an examination: nothing of it changes once that is signed.
create function examination_part_keeps() returns trigger language plpgsql as $$
begin
    if tg_op <> 'INSERT' and exists (select from examination e where e.id = old.examination_id and e.state = 'signed')
        or tg_op <> 'DELETE' and exists (select from examination e where e.id = new.examination_id and e.state = 'signed') then
        raise exception 'a signed examination never changes' using errcode = 'restrict_violation', constraint = 'examination_signed_stays';
    end if;
    return case when tg_op = 'DELETE' then old else new end;
end $$;
comment on function examination_part_keeps() is 'What belongs to a signed examination is never edited (rule E1).';

create table examination_component (
    examination_id uuid not null,
    object_id uuid not null,
    component_id uuid not null,
    seen boolean,
    reason text not null default '',
    called text not null default '',
    constraint examination_component_pkey primary key (examination_id, component_id),
    constraint examination_component_examination_fkey foreign key (object_id, examination_id) references examination (object_id, id),
    constraint examination_component_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint examination_component_reason_of_unseen check (reason = '' or seen is false)
);
comment on table examination_component is 'Which components were seen, and which not and why (rule E3).';
comment on column examination_component.seen is 'Null: not answered yet.';
comment on column examination_component.called is 'What it was called on the day of signing.';
create index examination_component_component on examination_component (component_id, examination_id);
create trigger examination_component_keeps before insert or update or delete on examination_component
    for each row execute function examination_part_keeps();

create table examination_observation (
    id uuid not null,
    examination_id uuid not null,
    object_id uuid not null,
    position int not null,
    component_id uuid,
    called text not null default '',
    term text collate "C" not null,
    term_name text not null default '',
    severity smallint,
    activity text not null default '',
    extent_kind text not null default '',
    extent_value numeric,
    extent_uncertainty numeric,
    extent_of text not null default '',
    extent_basis text not null default '',
    status text not null default '',
    reason text not null default '',
    continues_id uuid,
    note text not null default '',
    cause text not null default '',
    constraint examination_observation_pkey primary key (id),
    constraint examination_observation_object_unique unique (object_id, id),
    constraint examination_observation_once_continued unique (examination_id, continues_id),
    constraint examination_observation_examination_fkey foreign key (object_id, examination_id) references examination (object_id, id),
    constraint examination_observation_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint examination_observation_term_fkey foreign key (term) references damage_term (key),
    constraint examination_observation_continues_fkey foreign key (object_id, continues_id) references examination_observation (object_id, id),
    constraint examination_observation_severity_known check (severity between 1 and 4),
    constraint examination_observation_activity_known check (activity in ('', 'active', 'stable', 'unknown')),
    constraint examination_observation_status_known check (status in ('', 'new', 'confirmed', 'changed', 'gone', 'not_seen')),
    constraint examination_observation_new_begins check ((status = 'new') = (continues_id is null)),
    constraint examination_observation_extent_known check (case extent_kind
        when '' then extent_value is null and extent_uncertainty is null and extent_of = '' and extent_basis = ''
        when 'percent' then extent_value is not null and extent_value between 0 and 100 and extent_of <> '' and extent_basis <> ''
        when 'area' then extent_value is not null and extent_value >= 0 and extent_basis <> ''
        when 'length' then extent_value is not null and extent_value >= 0 and extent_basis <> ''
        when 'count' then extent_value is not null and extent_value >= 0 and extent_value = trunc(extent_value) and extent_basis <> ''
        else false end),
    constraint examination_observation_uncertainty_sane check (extent_uncertainty >= 0)
);
comment on table examination_observation is 'What was found on which component: term, extent, severity, activity; carried on from one examination to the next.';
comment on column examination_observation.component_id is 'Null: the whole object.';
comment on column examination_observation.extent_value is 'Percent of extent_of, mm² (area), mm (length) or a count.';
comment on column examination_observation.status is 'Empty: carried forward and not answered yet.';
comment on column examination_observation.continues_id is 'The observation of the examination before that it carries on.';
comment on column examination_observation.cause is 'What the examiner thinks caused it, apart from what was seen.';
create index examination_observation_examination on examination_observation (examination_id, position);
create index examination_observation_component on examination_observation (component_id) where component_id is not null;
create index examination_observation_continues on examination_observation (continues_id) where continues_id is not null;
create index examination_observation_term on examination_observation (term);
create trigger examination_observation_keeps before insert or update or delete on examination_observation
    for each row execute function examination_part_keeps();

create table examination_photo (
    examination_id uuid not null,
    object_id uuid not null,
    photo_id uuid not null,
    position int not null,
    constraint examination_photo_pkey primary key (examination_id, photo_id),
    constraint examination_photo_position_unique unique (examination_id, position),
    constraint examination_photo_examination_fkey foreign key (object_id, examination_id) references examination (object_id, id),
    constraint examination_photo_photo_fkey foreign key (object_id, photo_id) references photo (object_id, id)
);
comment on table examination_photo is 'The photographs of an examination, in order.';
create index examination_photo_photo on examination_photo (photo_id, examination_id);
create trigger examination_photo_keeps before insert or update or delete on examination_photo
    for each row execute function examination_part_keeps();

create table examination_addendum (
    id uuid not null,
    examination_id uuid not null,
    number int not null,
    field text not null,
    old_statement text not null default '',
    new_statement text not null,
    reason text not null,
    by_id uuid not null,
    by_name text not null,
    by_roles text[] not null,
    at timestamptz not null,
    constraint examination_addendum_pkey primary key (id),
    constraint examination_addendum_number_unique unique (examination_id, number),
    constraint examination_addendum_examination_fkey foreign key (examination_id) references examination (id),
    constraint examination_addendum_by_fkey foreign key (by_id) references person (id),
    constraint examination_addendum_filled check (field <> '' and new_statement <> '' and reason <> '')
);
comment on table examination_addendum is 'append-only: corrections that stand beside a signed examination (rule E1).';
create trigger examination_addendum_append_only before update or delete on examination_addendum
    for each row execute function refuse_change();

create function examination_addendum_of_signed() returns trigger language plpgsql as $$
begin
    if not exists (select from examination e where e.id = new.examination_id and e.state = 'signed') then
        raise exception 'a draft is changed itself' using errcode = 'restrict_violation', constraint = 'examination_addendum_of_signed';
    end if;
    return new;
end $$;
comment on function examination_addendum_of_signed() is 'Only what is signed is corrected beside itself (rule E1).';
create trigger examination_addendum_of_signed before insert on examination_addendum
    for each row execute function examination_addendum_of_signed();

create table examination_answer (
    examination_id uuid not null,
    object_id uuid not null,
    kind text not null,
    treatment_id uuid,
    reason text not null default '',
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint examination_answer_pkey primary key (examination_id),
    constraint examination_answer_examination_fkey foreign key (object_id, examination_id) references examination (object_id, id),
    constraint examination_answer_treatment_fkey foreign key (object_id, treatment_id) references treatment (object_id, id),
    constraint examination_answer_by_fkey foreign key (by_id) references person (id),
    constraint examination_answer_kind_known check (kind in ('treatment', 'noted')),
    constraint examination_answer_whole check ((kind = 'treatment') = (treatment_id is not null) and (kind = 'treatment' or reason <> ''))
);
comment on table examination_answer is 'append-only: what a conservator answered to active damage of severity 4, or to an incident (rule E5).';
create trigger examination_answer_append_only before update or delete on examination_answer
    for each row execute function refuse_change();

create table object_condition (
    object_id uuid not null,
    examination_id uuid not null,
    examined_on date not null,
    signed_at timestamptz not null,
    overall text not null,
    priority text not null,
    next_check_on date not null,
    constraint object_condition_pkey primary key (object_id),
    constraint object_condition_examination_fkey foreign key (object_id, examination_id) references examination (object_id, id)
);
comment on table object_condition is 'The condition that each object is in, as the last signed examination has it.';
create index object_condition_overall on object_condition (overall, object_id);
create index object_condition_priority on object_condition (priority, object_id);
create index object_condition_next_check on object_condition (next_check_on, object_id);

create function examination_counts() returns trigger language plpgsql as $$
begin
    if new.state = 'signed' then
        insert into object_condition as c (object_id, examination_id, examined_on, signed_at, overall, priority, next_check_on)
        values (new.object_id, new.id, new.examined_on, new.signed_at, new.overall, new.priority, new.next_check_on)
        on conflict (object_id) do update set examination_id = excluded.examination_id, examined_on = excluded.examined_on, signed_at = excluded.signed_at,
            overall = excluded.overall, priority = excluded.priority, next_check_on = excluded.next_check_on
        where (c.examined_on, c.signed_at) < (excluded.examined_on, excluded.signed_at);
    end if;
    return null;
end $$;
comment on function examination_counts() is 'The last signed examination says what condition an object is in.';
create trigger examination_counts after insert or update of state on examination
    for each row execute function examination_counts();
