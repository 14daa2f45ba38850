-- Treatments: proposals in frozen versions, decisions, conditions, work, completions, addenda,
-- emergencies, fragments designated (rules T1-T11).
create table treatment (
    id uuid not null,
    object_id uuid not null,
    number int not null,
    title text not null,
    state text not null,
    hold text not null default '',
    in_charge_id uuid not null,
    in_charge_name text not null,
    proposal jsonb not null,
    approved_at timestamptz,
    term_ends_at timestamptz,
    completion jsonb,
    completed jsonb,
    signed jsonb,
    withdrawn jsonb,
    lapsed_at timestamptz,
    standing text not null,
    movers text[] not null default '{}',
    version bigint not null default 1,
    created_at timestamptz not null,
    changed_at timestamptz not null,
    constraint treatment_pkey primary key (id),
    constraint treatment_object_unique unique (object_id, id),
    constraint treatment_number_unique unique (object_id, number),
    constraint treatment_object_fkey foreign key (object_id) references object (id),
    constraint treatment_in_charge_fkey foreign key (in_charge_id) references person (id),
    constraint treatment_number_positive check (number > 0),
    constraint treatment_title_filled check (title <> ''),
    constraint treatment_state_known check (state in
        ('drafting', 'submitted', 'approved', 'under_way', 'completed', 'signed', 'declined', 'withdrawn', 'lapsed')),
    constraint treatment_hold_known check (hold in ('', 'suspended', 'revoked')),
    constraint treatment_signed_whole check ((state = 'signed') = (signed is not null)),
    constraint treatment_completed_whole check (state not in ('completed', 'signed') or completed is not null and completion is not null),
    constraint treatment_approved_dated check (state not in ('approved', 'under_way', 'completed', 'signed', 'lapsed') or approved_at is not null and term_ends_at is not null),
    constraint treatment_withdrawn_signed check ((state = 'withdrawn') = (withdrawn is not null)),
    constraint treatment_lapsed_dated check ((state = 'lapsed') = (lapsed_at is not null))
);
comment on table treatment is 'A course of direct work on an object; changes only as its states allow, and never once signed (rule T8).';
comment on column treatment.number is 'Counted within the object.';
comment on column treatment.proposal is 'The present text; what was submitted stands frozen in treatment_version.';
comment on column treatment.hold is 'A later decision that stops further steps (rule T3).';
comment on column treatment.term_ends_at is 'From here on an approval that was not begun has lapsed.';
comment on column treatment.standing is 'Where it stands, in words, as of the last change.';
comment on column treatment.movers is 'Who has a next move, as of the last change.';
create index treatment_changed on treatment (changed_at desc, id desc);
create index treatment_state on treatment (state, changed_at desc, id desc);
create index treatment_in_charge on treatment (in_charge_id, changed_at desc, id desc);
create index treatment_term on treatment (term_ends_at) where state = 'approved';
create trigger treatment_never_deleted before delete on treatment
    for each row execute function refuse_delete();

create function treatment_moves() returns trigger language plpgsql as $$
begin
    if old.state = 'signed' and (to_jsonb(new) - array['version', 'movers', 'changed_at']) <> (to_jsonb(old) - array['version', 'movers', 'changed_at']) then
        raise exception 'a signed treatment never changes' using errcode = 'restrict_violation', constraint = 'treatment_signed_stays';
    end if;
    if new.state <> old.state and not (old.state || '>' || new.state) = any (array[
        'drafting>submitted', 'drafting>withdrawn', 'submitted>drafting', 'submitted>approved', 'submitted>declined', 'submitted>withdrawn',
        'approved>under_way', 'approved>withdrawn', 'approved>lapsed', 'under_way>completed', 'completed>signed']) then
        raise exception 'a treatment does not go from % to %', old.state, new.state
            using errcode = 'restrict_violation', constraint = 'treatment_state_order';
    end if;
    if new.object_id <> old.object_id or new.number <> old.number then
        raise exception 'a treatment stays with its object' using errcode = 'restrict_violation', constraint = 'treatment_stays_with_object';
    end if;
    if new.proposal <> old.proposal and old.state <> 'drafting' then
        raise exception 'a submitted text is not edited' using errcode = 'restrict_violation', constraint = 'treatment_text_frozen';
    end if;
    return new;
end $$;
comment on function treatment_moves() is 'Keeps the order of states, the submitted text and the signed whole (rules T4, T8).';
create trigger treatment_moves before update on treatment
    for each row execute function treatment_moves();

create table treatment_party (
    treatment_id uuid not null,
    person_id uuid not null,
    name text not null,
    side text not null,
    why text not null,
    at timestamptz not null,
    constraint treatment_party_pkey primary key (treatment_id, person_id, side),
    constraint treatment_party_one_side unique (treatment_id, person_id),
    constraint treatment_party_treatment_fkey foreign key (treatment_id) references treatment (id),
    constraint treatment_party_person_fkey foreign key (person_id) references person (id),
    constraint treatment_party_side_known check (side in ('doing', 'deciding'))
);
comment on table treatment_party is 'append-only: who is on which side of a treatment; nobody is ever on both (rule T2).';
create index treatment_party_person on treatment_party (person_id);
create trigger treatment_party_append_only before update or delete on treatment_party
    for each row execute function refuse_change();

create function treatment_joins(t uuid, p uuid, named text, s text, because text, moment timestamptz) returns void
    language sql as $$
    insert into treatment_party (treatment_id, person_id, name, side, why, at) values (t, p, named, s, because, moment)
    on conflict (treatment_id, person_id, side) do nothing
$$;
comment on function treatment_joins(uuid, uuid, text, text, text, timestamptz) is
    'Puts a person on a side; being on the other side already is refused (rule T2).';

create table treatment_version (
    id uuid not null,
    treatment_id uuid not null,
    amendment int not null,
    number int not null,
    text jsonb not null,
    legend jsonb not null,
    sha256 text not null,
    submitted_by_id uuid not null,
    submitted_by_name text not null,
    submitted_at timestamptz not null,
    voided jsonb,
    constraint treatment_version_pkey primary key (id),
    constraint treatment_version_number_unique unique (treatment_id, amendment, number),
    constraint treatment_version_treatment_fkey foreign key (treatment_id) references treatment (id),
    constraint treatment_version_submitted_by_fkey foreign key (submitted_by_id) references person (id),
    constraint treatment_version_numbers_positive check (amendment >= 0 and number > 0),
    constraint treatment_version_sha256_length check (length(sha256) = 64)
);
comment on table treatment_version is 'Every text that was submitted, frozen (rule T4).';
comment on column treatment_version.amendment is '0: the proposal itself.';
comment on column treatment_version.voided is 'Set once, when the submission is taken back before a decision.';
create trigger treatment_version_never_deleted before delete on treatment_version
    for each row execute function refuse_delete();

create function treatment_version_frozen() returns trigger language plpgsql as $$
begin
    if (to_jsonb(new) - 'voided') <> (to_jsonb(old) - 'voided') or old.voided is not null then
        raise exception 'a submitted text never changes' using errcode = 'restrict_violation', constraint = 'treatment_version_frozen';
    end if;
    return new;
end $$;
comment on function treatment_version_frozen() is 'Keeps submitted texts as they were (rule T4).';
create trigger treatment_version_frozen before update on treatment_version
    for each row execute function treatment_version_frozen();

create function treatment_version_joins() returns trigger language plpgsql as $$
begin
    perform treatment_joins(new.treatment_id, new.submitted_by_id, new.submitted_by_name, 'doing', 'submitted the proposal', new.submitted_at);
    perform treatment_joins(new.treatment_id, p::uuid, coalesce(new.legend ->> p, ''), 'doing', 'were named to carry out the work', new.submitted_at)
        from jsonb_array_elements_text(new.text -> 'performers') p;
    return null;
end $$;
comment on function treatment_version_joins() is 'Whoever submits a text or is named in it is on the doing side (rule T2).';
create trigger treatment_version_joins after insert on treatment_version
    for each row execute function treatment_version_joins();

create table treatment_scope (
    version_id uuid not null,
    line int not null,
    component_id uuid not null,
    and_its_parts boolean not null,
    method_key text not null,
    material_keys text[] not null,
    constraint treatment_scope_pkey primary key (version_id, line),
    constraint treatment_scope_version_fkey foreign key (version_id) references treatment_version (id),
    constraint treatment_scope_component_fkey foreign key (component_id) references component (id)
);
comment on table treatment_scope is 'append-only: the scope lines of a version, as the database holds steps against them (rule T1).';
create index treatment_scope_component on treatment_scope (component_id);
create trigger treatment_scope_append_only before update or delete on treatment_scope
    for each row execute function refuse_change();

create table treatment_amendment (
    treatment_id uuid not null,
    number int not null,
    state text not null,
    text jsonb not null,
    created_by_id uuid not null,
    created_by_name text not null,
    created_at timestamptz not null,
    withdrawn jsonb,
    constraint treatment_amendment_pkey primary key (treatment_id, number),
    constraint treatment_amendment_treatment_fkey foreign key (treatment_id) references treatment (id),
    constraint treatment_amendment_created_by_fkey foreign key (created_by_id) references person (id),
    constraint treatment_amendment_number_sane check (number between 1 and 50),
    constraint treatment_amendment_state_known check (state in ('drafting', 'submitted', 'approved', 'declined', 'withdrawn')),
    constraint treatment_amendment_withdrawn_signed check ((state = 'withdrawn') = (withdrawn is not null))
);
comment on table treatment_amendment is 'Numbered proposals on an approved treatment; the text holds only what changes (rule T5).';
create trigger treatment_amendment_never_deleted before delete on treatment_amendment
    for each row execute function refuse_delete();

create function treatment_amendment_moves() returns trigger language plpgsql as $$
begin
    if new.state <> old.state and not (old.state || '>' || new.state) = any (array[
        'drafting>submitted', 'drafting>withdrawn', 'submitted>drafting', 'submitted>approved', 'submitted>declined', 'submitted>withdrawn']) then
        raise exception 'an amendment does not go from % to %', old.state, new.state
            using errcode = 'restrict_violation', constraint = 'treatment_amendment_state_order';
    end if;
    if new.text <> old.text and old.state <> 'drafting' then
        raise exception 'a submitted text is not edited' using errcode = 'restrict_violation', constraint = 'treatment_amendment_text_frozen';
    end if;
    return new;
end $$;
comment on function treatment_amendment_moves() is 'Keeps the order of an amendment''s states and its submitted text (rule T4).';
create trigger treatment_amendment_moves before update on treatment_amendment
    for each row execute function treatment_amendment_moves();

create table treatment_decision (
    id uuid not null,
    treatment_id uuid not null,
    amendment int not null,
    version_number int not null,
    sha256 text not null,
    outcome text not null,
    owner_consent text not null,
    conditions jsonb not null,
    by_id uuid not null,
    by_name text not null,
    by_roles text[] not null,
    statement text not null,
    at timestamptz not null,
    constraint treatment_decision_pkey primary key (id),
    constraint treatment_decision_version_fkey foreign key (treatment_id, amendment, version_number)
        references treatment_version (treatment_id, amendment, number),
    constraint treatment_decision_by_fkey foreign key (by_id) references person (id),
    constraint treatment_decision_outcome_known check (outcome in
        ('approve', 'approve_with_conditions', 'ask_for_changes', 'decline', 'suspend', 'resume', 'revoke')),
    constraint treatment_decision_stated check (statement <> ''),
    constraint treatment_decision_by_curator check ('curator' = any (by_roles)),
    constraint treatment_decision_conditions_fit check (
        (outcome <> 'approve_with_conditions' or jsonb_array_length(conditions) > 0)
        and (outcome in ('approve_with_conditions', 'resume') or jsonb_array_length(conditions) = 0))
);
comment on table treatment_decision is 'append-only: decisions, each on exactly one version (rules T2-T4).';
create index treatment_decision_version on treatment_decision (treatment_id, amendment, version_number);
create trigger treatment_decision_append_only before update or delete on treatment_decision
    for each row execute function refuse_change();

create function treatment_decision_joins() returns trigger language plpgsql as $$
begin
    if new.sha256 <> (select v.sha256 from treatment_version v
        where v.treatment_id = new.treatment_id and v.amendment = new.amendment and v.number = new.version_number) then
        raise exception 'another text' using errcode = 'check_violation', constraint = 'treatment_decision_on_this_text';
    end if;
    perform treatment_joins(new.treatment_id, new.by_id, new.by_name, 'deciding', 'decided', new.at);
    return null;
end $$;
comment on function treatment_decision_joins() is 'A decision is on the frozen text, by somebody of the deciding side only (rules T2, T4).';
create trigger treatment_decision_joins after insert on treatment_decision
    for each row execute function treatment_decision_joins();

create table treatment_condition (
    id uuid not null,
    treatment_id uuid not null,
    decision_id uuid not null,
    amendment int not null,
    number int not null,
    binds text not null,
    text text not null,
    acknowledged jsonb,
    fulfilment jsonb,
    set_aside_by uuid,
    constraint treatment_condition_pkey primary key (id),
    constraint treatment_condition_number_unique unique (treatment_id, number),
    constraint treatment_condition_treatment_fkey foreign key (treatment_id) references treatment (id),
    constraint treatment_condition_decision_fkey foreign key (decision_id) references treatment_decision (id),
    constraint treatment_condition_set_aside_by_fkey foreign key (set_aside_by) references treatment_decision (id),
    constraint treatment_condition_binds_known check (binds in ('before_start', 'during', 'at_completion')),
    constraint treatment_condition_filled check (text <> ''),
    constraint treatment_condition_fulfilled_before_start check (fulfilment is null or binds = 'before_start'),
    constraint treatment_condition_set_aside_failed check (set_aside_by is null or (fulfilment ->> 'fulfilled') = 'false')
);
comment on table treatment_condition is 'Conditions of decisions; acknowledging is not fulfilling (rule T3).';
create index treatment_condition_decision on treatment_condition (decision_id);
create trigger treatment_condition_never_deleted before delete on treatment_condition
    for each row execute function refuse_delete();

create function treatment_condition_keeps() returns trigger language plpgsql as $$
begin
    if (to_jsonb(new) - array['acknowledged', 'fulfilment', 'set_aside_by']) <> (to_jsonb(old) - array['acknowledged', 'fulfilment', 'set_aside_by'])
        or old.acknowledged is not null and new.acknowledged is distinct from old.acknowledged
        or old.fulfilment is not null and new.fulfilment is distinct from old.fulfilment
        or old.set_aside_by is not null and new.set_aside_by is distinct from old.set_aside_by
        or exists (select from treatment t where t.id = new.treatment_id and t.state = 'signed') then
        raise exception 'what was said about a condition stays' using errcode = 'restrict_violation', constraint = 'treatment_condition_stays';
    end if;
    return new;
end $$;
comment on function treatment_condition_keeps() is 'What was said about a condition is said once (rule T3), and nothing after signing (rule T8).';
create trigger treatment_condition_keeps before update on treatment_condition
    for each row execute function treatment_condition_keeps();

create table work (
    id uuid not null,
    kind text not null,
    treatment_id uuid,
    object_id uuid not null,
    happened_at timestamptz not null,
    recorded_at timestamptz not null,
    recorded_by_id uuid not null,
    recorded_by_name text not null,
    late boolean not null,
    under_id uuid,
    under_name text not null default '',
    method text not null,
    method_key text not null,
    tool text not null,
    temperature_c numeric,
    humidity_percent numeric,
    observed_before text not null,
    observed_after text not null,
    removed text not null,
    removed_to text not null,
    minutes int not null,
    photographs jsonb not null,
    gloves text not null,
    noticed text[] not null,
    controls text not null,
    came_away jsonb not null,
    note text not null,
    what text not null default '',
    why text not null default '',
    against text[] not null default '{}',
    constraint work_pkey primary key (id),
    constraint work_object_fkey foreign key (object_id) references object (id),
    constraint work_treatment_fkey foreign key (object_id, treatment_id) references treatment (object_id, id),
    constraint work_recorded_by_fkey foreign key (recorded_by_id) references person (id),
    constraint work_under_fkey foreign key (under_id) references person (id),
    constraint work_kind_known check (kind in ('step', 'departure', 'emergency')),
    constraint work_has_treatment check (kind = 'emergency' or treatment_id is not null),
    constraint work_departure_explained check (kind <> 'departure' or what <> '' and why <> ''),
    constraint work_step_has_method check (kind <> 'step' or method <> ''),
    constraint work_minutes_sane check (minutes between 1 and 1440),
    constraint work_not_before_done check (happened_at <= recorded_at + interval '10 minutes')
);
comment on table work is 'append-only: what was done with hands on an object: steps, departures, emergencies (rules T1, T6, T11).';
comment on column work.happened_at is 'When it was done; recorded_at is when it was noted.';
comment on column work.method_key is 'The method as it is compared with the scope: lower case, single spaces.';
comment on column work.photographs is 'The photographs with their hashes as they were then.';
comment on column work.came_away is 'Parts that came away, with the fragments they became (rule T10).';
create index work_treatment on work (treatment_id, happened_at, id) where treatment_id is not null;
create index work_object on work (object_id, happened_at);
create trigger work_append_only before update or delete on work
    for each row execute function refuse_change();

create function work_needs_approval() returns trigger language plpgsql as $$
declare t record;
begin
    if new.kind = 'emergency' then
        return new;
    end if;
    select state, hold, term_ends_at into t from treatment where id = new.treatment_id;
    if t.state = 'signed' then
        raise exception 'signed' using errcode = 'restrict_violation', constraint = 'work_not_after_signing';
    end if;
    if new.kind = 'step' and t.state not in ('approved', 'under_way') then
        raise exception 'no work before approval' using errcode = 'restrict_violation', constraint = 'work_needs_approval';
    end if;
    return new;
end $$;
comment on function work_needs_approval() is 'No step without an approval in force, and nothing after signing (rules T1, T8).';
create trigger work_needs_approval before insert on work
    for each row execute function work_needs_approval();

create table work_hand (
    work_id uuid not null,
    line int not null,
    person_id uuid not null,
    name text not null,
    constraint work_hand_pkey primary key (work_id, line),
    constraint work_hand_person_unique unique (work_id, person_id),
    constraint work_hand_work_fkey foreign key (work_id) references work (id),
    constraint work_hand_person_fkey foreign key (person_id) references person (id)
);
comment on table work_hand is 'append-only: everybody who had a hand in a work.';
create index work_hand_person on work_hand (person_id);
create trigger work_hand_append_only before update or delete on work_hand
    for each row execute function refuse_change();

create function work_hand_joins() returns trigger language plpgsql as $$
declare w record;
begin
    select kind, treatment_id, recorded_at into w from work where id = new.work_id;
    if w.kind = 'step' then
        perform treatment_joins(w.treatment_id, new.person_id, new.name, 'doing', 'took part in the work', w.recorded_at);
    end if;
    return null;
end $$;
comment on function work_hand_joins() is 'Whoever has a hand in a step is on the doing side (rule T2).';
create trigger work_hand_joins after insert on work_hand
    for each row execute function work_hand_joins();

create table work_component (
    work_id uuid not null,
    line int not null,
    component_id uuid not null,
    called text not null,
    constraint work_component_pkey primary key (work_id, line),
    constraint work_component_unique unique (work_id, component_id),
    constraint work_component_work_fkey foreign key (work_id) references work (id),
    constraint work_component_component_fkey foreign key (component_id) references component (id)
);
comment on table work_component is 'append-only: the components worked on, with what they were called then.';
create index work_component_component on work_component (component_id);
create trigger work_component_append_only before update or delete on work_component
    for each row execute function refuse_change();

create function work_component_inside() returns trigger language plpgsql as $$
declare w record;
begin
    select kind, treatment_id, method_key into w from work where id = new.work_id;
    if w.kind = 'step' and not exists (
        with recursive above (id, parent_id, depth) as (
            select id, parent_id, 0 from component where id = new.component_id
            union all
            select c.id, c.parent_id, a.depth + 1 from component c join above a on c.id = a.parent_id where a.depth < 20)
        select from treatment_decision d
        join treatment_version v on v.treatment_id = d.treatment_id and v.amendment = d.amendment and v.number = d.version_number
        join treatment_scope s on s.version_id = v.id
        join above a on a.id = s.component_id and (a.depth = 0 or s.and_its_parts)
        where d.treatment_id = w.treatment_id and d.outcome in ('approve', 'approve_with_conditions') and s.method_key = w.method_key) then
        raise exception 'outside the approved scope' using errcode = 'restrict_violation', constraint = 'work_component_inside';
    end if;
    return null;
end $$;
comment on function work_component_inside() is 'A step works on components by methods of the approved scope (rule T1).';
create trigger work_component_inside after insert on work_component
    for each row execute function work_component_inside();

create table work_material (
    work_id uuid not null,
    line int not null,
    material_key text,
    auxiliary text not null,
    name text not null,
    product text not null,
    product_key text not null,
    batch text not null,
    batch_key text not null,
    concentration numeric,
    unit text not null,
    solvent text not null,
    amount text not null,
    constraint work_material_pkey primary key (work_id, line),
    constraint work_material_work_fkey foreign key (work_id) references work (id),
    constraint work_material_material_fkey foreign key (material_key) references material (key),
    constraint work_material_one check (material_key is null or auxiliary = ''),
    constraint work_material_filled check (name <> ''),
    constraint work_material_concentration_sane check (concentration is null or concentration >= 0 and unit <> '')
);
comment on table work_material is 'append-only: materials as used, so that everything that received a product or a batch can be found.';
comment on column work_material.product_key is 'The product as it is compared: lower case, single spaces.';
create index work_material_product on work_material (product_key, work_id) where product_key <> '';
create index work_material_batch on work_material (batch_key, work_id) where batch_key <> '';
create index work_material_material on work_material (material_key, work_id) where material_key is not null;
create trigger work_material_append_only before update or delete on work_material
    for each row execute function refuse_change();

create function work_material_inside() returns trigger language plpgsql as $$
declare w record;
begin
    select kind, treatment_id into w from work where id = new.work_id;
    if w.kind = 'step' and new.auxiliary = '' and not exists (
        select from treatment_decision d
        join treatment_version v on v.treatment_id = d.treatment_id and v.amendment = d.amendment and v.number = d.version_number
        join treatment_scope s on s.version_id = v.id
        where d.treatment_id = w.treatment_id and d.outcome in ('approve', 'approve_with_conditions') and new.material_key = any (s.material_keys)) then
        raise exception 'outside the approved scope' using errcode = 'restrict_violation', constraint = 'work_material_inside';
    end if;
    return null;
end $$;
comment on function work_material_inside() is 'A step uses materials of the approved scope, or auxiliaries (rule T1).';
create trigger work_material_inside after insert on work_material
    for each row execute function work_material_inside();

create table emergency (
    id uuid not null,
    imminent text not null,
    noticed_at timestamptz not null,
    methods text[] not null,
    left_undone text not null,
    due_at timestamptz not null,
    outcome text not null default '',
    conditions text[] not null default '{}',
    ratification jsonb,
    version bigint not null default 1,
    constraint emergency_pkey primary key (id),
    constraint emergency_work_fkey foreign key (id) references work (id),
    constraint emergency_imminent_filled check (imminent <> ''),
    constraint emergency_methods_least check (cardinality(methods) > 0 and methods <@
        array['support', 'isolate', 'collect', 'contain', 'cover', 'dry', 'cool', 'remove_from_hazard', 'switch_off_light']),
    constraint emergency_outcome_known check (outcome in ('', 'ratified', 'ratified_with_conditions', 'declined')),
    constraint emergency_ratification_whole check ((outcome = '') = (ratification is null)),
    constraint emergency_conditions_fit check ((outcome = 'ratified_with_conditions') = (cardinality(conditions) > 0))
);
comment on table emergency is 'What was done against imminent loss before any approval, and its ratification (rule T6).';
comment on column emergency.due_at is 'Unratified after this moment it is overdue and blocks a loan.';
create index emergency_open on emergency (due_at) where outcome = '';
create trigger emergency_never_deleted before delete on emergency
    for each row execute function refuse_delete();

create function emergency_keeps() returns trigger language plpgsql as $$
begin
    if (to_jsonb(new) - array['outcome', 'conditions', 'ratification', 'version']) <> (to_jsonb(old) - array['outcome', 'conditions', 'ratification', 'version'])
        or old.outcome <> '' then
        raise exception 'an emergency record stays' using errcode = 'restrict_violation', constraint = 'emergency_stays';
    end if;
    if exists (select from work w where w.id = new.id and w.recorded_by_id = (new.ratification -> 'by' ->> 'id')::uuid)
        or exists (select from work_hand h where h.work_id = new.id and h.person_id = (new.ratification -> 'by' ->> 'id')::uuid) then
        raise exception 'whoever acted does not ratify' using errcode = 'restrict_violation', constraint = 'emergency_ratified_by_another';
    end if;
    return new;
end $$;
comment on function emergency_keeps() is 'The facts of an emergency stay; it is ratified once, by somebody who had no hand in it (rules T2, T6).';
create trigger emergency_keeps before update on emergency
    for each row execute function emergency_keeps();

create table treatment_designation (
    id uuid not null,
    treatment_id uuid not null,
    number int not null,
    component_id uuid not null,
    called text not null,
    designation text not null,
    by_id uuid not null,
    by_name text not null,
    by_roles text[] not null,
    reason text not null,
    at timestamptz not null,
    second jsonb,
    constraint treatment_designation_pkey primary key (id),
    constraint treatment_designation_number_unique unique (treatment_id, number),
    constraint treatment_designation_treatment_fkey foreign key (treatment_id) references treatment (id),
    constraint treatment_designation_component_fkey foreign key (component_id) references component (id),
    constraint treatment_designation_by_fkey foreign key (by_id) references person (id),
    constraint treatment_designation_known check (designation in ('reattach', 'keep_with_object', 'study', 'reserve_for_analysis', 'disposal')),
    constraint treatment_designation_reasoned check (reason <> ''),
    constraint treatment_designation_second_of_disposal check (second is null or designation = 'disposal'),
    constraint treatment_designation_second_person check (second is null or (second -> 'by' ->> 'id')::uuid <> by_id)
);
comment on table treatment_designation is 'What becomes of parts that came away; a disposal has no effect before its second authorisation (rule T10).';
create index treatment_designation_component on treatment_designation (component_id);
create trigger treatment_designation_never_deleted before delete on treatment_designation
    for each row execute function refuse_delete();

create function treatment_designation_keeps() returns trigger language plpgsql as $$
begin
    if (to_jsonb(new) - 'second') <> (to_jsonb(old) - 'second') or old.second is not null then
        raise exception 'a designation stays' using errcode = 'restrict_violation', constraint = 'treatment_designation_stays';
    end if;
    perform treatment_joins(new.treatment_id, (new.second -> 'by' ->> 'id')::uuid, new.second -> 'by' ->> 'name', 'deciding', 'authorised a disposal', (new.second ->> 'at')::timestamptz);
    return new;
end $$;
comment on function treatment_designation_keeps() is 'A designation is authorised once, by the deciding side (rules T2, T10).';
create trigger treatment_designation_keeps before update on treatment_designation
    for each row execute function treatment_designation_keeps();

create function treatment_designation_joins() returns trigger language plpgsql as $$
begin
    perform treatment_joins(new.treatment_id, new.by_id, new.by_name, 'deciding', 'decided on a fragment', new.at);
    return null;
end $$;
comment on function treatment_designation_joins() is 'Whoever designates is on the deciding side (rules T2, T10).';
create trigger treatment_designation_joins after insert on treatment_designation
    for each row execute function treatment_designation_joins();

create table treatment_addendum (
    id uuid not null,
    treatment_id uuid not null,
    number int not null,
    record text not null,
    record_id uuid not null,
    field text not null,
    old_statement text not null,
    new_statement text not null,
    reason text not null,
    by_id uuid not null,
    by_name text not null,
    by_roles text[] not null,
    at timestamptz not null,
    constraint treatment_addendum_pkey primary key (id),
    constraint treatment_addendum_number_unique unique (treatment_id, number),
    constraint treatment_addendum_treatment_fkey foreign key (treatment_id) references treatment (id),
    constraint treatment_addendum_by_fkey foreign key (by_id) references person (id),
    constraint treatment_addendum_record_known check (record in ('version', 'decision', 'step', 'departure', 'designation', 'completion')),
    constraint treatment_addendum_filled check (field <> '' and old_statement <> '' and new_statement <> '' and reason <> '')
);
comment on table treatment_addendum is 'append-only: corrections that stand beside what they correct (rule T8).';
create trigger treatment_addendum_append_only before update or delete on treatment_addendum
    for each row execute function refuse_change();
