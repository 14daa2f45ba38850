-- Questions about objects, consents to samples and traces, samples and what is left of them, findings.
create table investigation (
    id uuid not null,
    object_id uuid not null,
    component_id uuid,
    number int not null,
    question text not null,
    why text not null default '',
    state text not null default 'asked',
    asked_at timestamptz not null,
    asked_by uuid not null,
    techniques text[] not null default '{}',
    component_ids uuid[] not null default '{}',
    who text not null default '',
    planned_for date,
    plan_note text not null default '',
    ended_at timestamptz,
    ended_by uuid,
    end_text text not null default '',
    version bigint not null default 1,
    changed_at timestamptz not null,
    constraint investigation_pkey primary key (id),
    constraint investigation_number_unique unique (object_id, number),
    constraint investigation_object_unique unique (object_id, id),
    constraint investigation_object_fkey foreign key (object_id) references object (id),
    constraint investigation_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint investigation_asked_by_fkey foreign key (asked_by) references person (id),
    constraint investigation_ended_by_fkey foreign key (ended_by) references person (id),
    constraint investigation_number_positive check (number > 0),
    constraint investigation_filled check (question <> ''),
    constraint investigation_state_known check (state in ('asked', 'planned', 'done', 'given_up')),
    constraint investigation_ended_whole check ((state in ('done', 'given_up')) = (ended_at is not null)
        and (ended_at is null) = (ended_by is null) and (ended_at is null) = (end_text = ''))
);
comment on table investigation is 'Open questions about objects: asked, planned, done or given up.';
comment on column investigation.techniques is 'Keys of the program''s list of techniques.';
create index investigation_object on investigation (object_id, asked_at desc, id desc);
create index investigation_asked on investigation (asked_at desc, id desc);
create index investigation_open on investigation (asked_at desc, id desc) where ended_at is null;
create index investigation_component on investigation (component_id) where component_id is not null;
create trigger investigation_never_deleted before delete on investigation
    for each row execute function refuse_delete();

create function investigation_keeps() returns trigger language plpgsql as $$
begin
    if old.ended_at is not null and (to_jsonb(new) - array['version', 'changed_at']) <> (to_jsonb(old) - array['version', 'changed_at'])
        or new.object_id <> old.object_id or new.number <> old.number or new.question <> old.question or new.asked_by <> old.asked_by then
        raise exception 'an answered question stays' using errcode = 'restrict_violation', constraint = 'investigation_ended_stays';
    end if;
    return new;
end $$;
comment on function investigation_keeps() is 'A question stays as it was asked; one that ended never changes.';
create trigger investigation_ended_stays before update on investigation
    for each row execute function investigation_keeps();

create table investigation_consent (
    id uuid not null,
    investigation_id uuid not null,
    number int not null,
    technique text not null,
    reason text not null,
    sites jsonb not null,
    analyst text not null default '',
    returns text not null default '',
    asked_at timestamptz not null,
    asked_by uuid not null,
    constraint investigation_consent_pkey primary key (id),
    constraint investigation_consent_number_unique unique (investigation_id, number),
    constraint investigation_consent_own_unique unique (investigation_id, id),
    constraint investigation_consent_investigation_fkey foreign key (investigation_id) references investigation (id),
    constraint investigation_consent_asked_by_fkey foreign key (asked_by) references person (id),
    constraint investigation_consent_filled check (technique <> '' and reason <> '' and jsonb_array_length(sites) > 0)
);
comment on table investigation_consent is 'append-only: requests for a curator''s consent to take a sample or leave a trace, with sites and sizes (rule I1).';
create trigger investigation_consent_append_only before update or delete on investigation_consent
    for each row execute function refuse_change();

create table investigation_consent_decision (
    consent_id uuid not null,
    granted boolean not null,
    statement text not null,
    valid_until date,
    at timestamptz not null,
    person_id uuid not null,
    constraint investigation_consent_decision_pkey primary key (consent_id),
    constraint investigation_consent_decision_consent_fkey foreign key (consent_id) references investigation_consent (id),
    constraint investigation_consent_decision_person_fkey foreign key (person_id) references person (id),
    constraint investigation_consent_decision_filled check (statement <> '' and granted = (valid_until is not null))
);
comment on table investigation_consent_decision is 'append-only: what a curator decided (rule I1).';
create trigger investigation_consent_decision_append_only before update or delete on investigation_consent_decision
    for each row execute function refuse_change();

create function investigation_consent_by_another() returns trigger language plpgsql as $$
begin
    if exists (select from investigation_consent c join investigation i on i.id = c.investigation_id
        where c.id = new.consent_id and new.person_id in (c.asked_by, i.asked_by)) then
        raise exception 'who asked does not decide' using errcode = 'restrict_violation', constraint = 'investigation_consent_by_another';
    end if;
    return new;
end $$;
comment on function investigation_consent_by_another() is 'Nobody decides on what they asked for (rule I1).';
create trigger investigation_consent_by_another before insert on investigation_consent_decision
    for each row execute function investigation_consent_by_another();

create table sample (
    id uuid not null,
    object_id uuid not null,
    number int not null,
    investigation_id uuid not null,
    component_id uuid not null,
    technique text not null,
    site text not null,
    size text not null,
    mass_mg numeric,
    taken_on date not null,
    taken_by text not null,
    consent_id uuid,
    explanation text not null default '',
    recorded_at timestamptz not null,
    recorded_by uuid not null,
    constraint sample_pkey primary key (id),
    constraint sample_number_unique unique (object_id, number),
    constraint sample_own_unique unique (investigation_id, id),
    constraint sample_investigation_fkey foreign key (object_id, investigation_id) references investigation (object_id, id),
    constraint sample_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint sample_consent_fkey foreign key (investigation_id, consent_id) references investigation_consent (investigation_id, id),
    constraint sample_recorded_by_fkey foreign key (recorded_by) references person (id),
    constraint sample_filled check (technique <> '' and site <> '' and size <> '' and taken_by <> ''),
    constraint sample_mass_positive check (mass_mg > 0),
    constraint sample_authorised_or_explained check (consent_id is not null or explanation <> '')
);
comment on table sample is 'append-only: what was taken from objects, with consent or with the reason why without (rule I1).';
create index sample_component on sample (component_id);
create index sample_consent on sample (consent_id) where consent_id is not null;
create trigger sample_append_only before update or delete on sample
    for each row execute function refuse_change();

create table sample_remainder (
    sample_id uuid not null,
    position int not null,
    state text not null,
    amount text not null default '',
    place_id uuid,
    place_within text not null default '',
    at timestamptz not null,
    person_id uuid not null,
    constraint sample_remainder_pkey primary key (sample_id, position),
    constraint sample_remainder_sample_fkey foreign key (sample_id) references sample (id),
    constraint sample_remainder_place_fkey foreign key (place_id) references place (id),
    constraint sample_remainder_person_fkey foreign key (person_id) references person (id),
    constraint sample_remainder_state_known check (state in ('kept', 'away', 'used_up', 'lost')),
    constraint sample_remainder_placed check (state not in ('kept', 'away') or amount <> '' and (place_id is not null or place_within <> ''))
);
comment on table sample_remainder is 'append-only: what is left of a sample and where it lies; the latest counts (rule I1).';
comment on column sample_remainder.place_within is 'Within the place, or with whom.';
create index sample_remainder_place on sample_remainder (place_id) where place_id is not null;
create trigger sample_remainder_append_only before update or delete on sample_remainder
    for each row execute function refuse_change();

create table investigation_finding (
    id uuid not null,
    investigation_id uuid not null,
    object_id uuid not null,
    position int not null,
    technique text not null,
    component_id uuid,
    sample_id uuid,
    found text not null,
    proves text not null,
    limits text not null default '',
    instrument text not null default '',
    settings text not null default '',
    done_on date not null,
    done_by text not null,
    files jsonb not null default '[]',
    consent_id uuid,
    explanation text not null default '',
    identification_id uuid,
    recorded_at timestamptz not null,
    recorded_by uuid not null,
    constraint investigation_finding_pkey primary key (id),
    constraint investigation_finding_position_unique unique (investigation_id, position),
    constraint investigation_finding_object_unique unique (object_id, id),
    constraint investigation_finding_investigation_fkey foreign key (object_id, investigation_id) references investigation (object_id, id),
    constraint investigation_finding_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint investigation_finding_sample_fkey foreign key (investigation_id, sample_id) references sample (investigation_id, id),
    constraint investigation_finding_consent_fkey foreign key (investigation_id, consent_id) references investigation_consent (investigation_id, id),
    constraint investigation_finding_identification_fkey foreign key (identification_id) references component_material (id),
    constraint investigation_finding_recorded_by_fkey foreign key (recorded_by) references person (id),
    constraint investigation_finding_filled check (technique <> '' and found <> '' and proves <> '' and done_by <> '')
);
comment on table investigation_finding is 'append-only: what was found by a technique, and what it proves.';
comment on column investigation_finding.identification_id is 'The identification of its component that was written in the same act (rule I2).';
comment on column investigation_finding.files is 'Files kept elsewhere, by name and SHA-256.';
create index investigation_finding_component on investigation_finding (component_id) where component_id is not null;
create index investigation_finding_sample on investigation_finding (sample_id) where sample_id is not null;
create index investigation_finding_identification on investigation_finding (identification_id) where identification_id is not null;
create trigger investigation_finding_append_only before update or delete on investigation_finding
    for each row execute function refuse_change();

create table investigation_finding_photo (
    finding_id uuid not null,
    object_id uuid not null,
    photo_id uuid not null,
    position int not null,
    constraint investigation_finding_photo_pkey primary key (finding_id, photo_id),
    constraint investigation_finding_photo_position_unique unique (finding_id, position),
    constraint investigation_finding_photo_finding_fkey foreign key (object_id, finding_id) references investigation_finding (object_id, id),
    constraint investigation_finding_photo_photo_fkey foreign key (object_id, photo_id) references photo (object_id, id)
);
comment on table investigation_finding_photo is 'append-only: photographs that a finding rests on.';
create index investigation_finding_photo_photo on investigation_finding_photo (photo_id);
create trigger investigation_finding_photo_append_only before update or delete on investigation_finding_photo
    for each row execute function refuse_change();
