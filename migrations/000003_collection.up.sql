-- The material library, objects, components, materials of components, joints, attributions, hazards.
create function words_in(x text) returns setof text
    language sql immutable strict parallel safe
    as $$ select distinct left(w, 60) from regexp_split_to_table(fold(normalize(x, nfkc)),
        '[\s\u0001-\u002f\u003a-\u0040\u005b-\u0060\u007b-\u00bf\u2000-\u206f\u3000-\u303f]+') w where w <> '' $$;
comment on function words_in(text) is 'The words of a text as a search compares them. Letters and digits of any script, whatever the locale.';

create function words_query(words text[], whole boolean) returns tsquery
    language sql immutable parallel safe
    as $$ select string_agg('''' || replace(replace(w, '\', '\\'), '''', '''''') || ''''
        || case when whole or length(w) < 3 then '' else ':*' end, ' & ')::tsquery
        from (select distinct w from unnest(words) given, words_in(given) w) folded $$;
comment on function words_query(text[], boolean) is 'Asks for every word; unless whole, words of three letters and more may go on. Null without words.';

create table material (
    key text not null,
    name text not null,
    family text not null,
    category text not null,
    source text not null,
    aat text not null default '',
    aat_match text not null default '',
    health text not null default '',
    health_basis text not null default '',
    hazard_kinds text[] not null default '{}',
    site boolean not null default false,
    added_by uuid,
    added_at timestamptz,
    constraint material_pkey primary key (key),
    constraint material_added_by_fkey foreign key (added_by) references person (id),
    constraint material_filled check (key <> '' and name <> '' and family <> '' and source <> ''),
    constraint material_category_known check (category in ('polymer', 'fibre', 'metal', 'coating', 'adhesive', 'glass', 'wood', 'mount', 'other')),
    constraint material_site_author check (site = (added_by is not null) and site = (added_at is not null))
);
comment on table material is 'The library of materials; site rows are the museum''s own, with a source.';
comment on column material.hazard_kinds is 'Hazards that the material suggests; a person records them or rules them out.';
create index material_name on material (name, key);
create trigger material_never_deleted before delete on material
    for each row execute function refuse_delete();

create table object (
    id uuid not null,
    number text collate "C" not null,
    number_key text collate "C" not null,
    loose_key text collate "C" not null default '',
    sort_key text collate "C" not null,
    former_numbers text[] not null default '{}',
    former_keys text[] not null default '{}',
    title text not null,
    description text not null default '',
    kind text collate "C" not null default '',
    makers text[] not null default '{}',
    date_made text not null default '',
    date_earliest date,
    date_latest date,
    place_made text not null default '',
    subject text not null default '',
    features text not null default '',
    dimensions jsonb not null default '[]',
    mass_kg numeric,
    legal_status text not null,
    owner text not null default '',
    department text not null,
    marks jsonb not null default '[]',
    not_known text[] not null default '{}',
    face_photo_id uuid,
    words tsvector not null default ''::tsvector,
    version bigint not null default 1,
    created_at timestamptz not null,
    created_by uuid not null,
    constraint object_pkey primary key (id),
    constraint object_number_unique unique (number_key),
    constraint object_created_by_fkey foreign key (created_by) references person (id),
    constraint object_filled check (number <> '' and title <> '' and department <> ''),
    constraint object_legal_status_known check (legal_status in ('accessioned', 'on_loan_to_us', 'deposit', 'study', 'former')),
    constraint object_mass_positive check (mass_kg > 0 and mass_kg <= 100000)
);
comment on table object is 'The objects of the collection, each with its own number (rules C1-C5).';
comment on column object.number_key is 'The number as it is compared: without regard to case and width of letters.';
comment on column object.loose_key is 'The number as it is typed in haste: signs between the runs are full stops, without leading zeros.';
comment on column object.former_keys is 'The former numbers as loose_key compares them.';
comment on column object.sort_key is 'The number in its natural order under collate "C".';
comment on column object.words is 'What a search looks through: number, title, makers, materials, marks, places; kept by the program.';
create index object_sort on object (sort_key, id);
create index object_words on object using gin (words);
create index object_loose on object (loose_key);
create index object_former on object using gin (former_keys);
create index object_department on object (department, sort_key, id);
create index object_kind on object (kind, sort_key, id);

create function object_signed_stays() returns trigger language plpgsql as $$
begin
    if exists (select from seal where object_id = old.id) then
        raise exception 'something about this object is signed' using errcode = 'restrict_violation', constraint = 'object_signed_stays';
    end if;
    return old;
end $$;
comment on function object_signed_stays() is 'An object about which anything is signed is never deleted (rule C4).';
create trigger object_signed_stays before delete on object
    for each row execute function object_signed_stays();

create table component (
    id uuid not null,
    object_id uuid not null,
    parent_id uuid,
    label text collate "C" not null,
    sort_key text collate "C" not null,
    name text not null,
    side text not null,
    layer_order int not null,
    function text not null,
    joined_how text not null default '',
    count int not null default 1,
    dimensions jsonb not null default '[]',
    mass_kg numeric,
    removal text not null,
    removal_reason text not null default '',
    attribution text not null,
    came_from_id uuid,
    version bigint not null default 1,
    created_at timestamptz not null,
    constraint component_pkey primary key (id),
    constraint component_object_unique unique (object_id, id),
    constraint component_object_fkey foreign key (object_id) references object (id),
    constraint component_parent_fkey foreign key (object_id, parent_id) references component (object_id, id),
    constraint component_came_from_fkey foreign key (object_id, came_from_id) references component (object_id, id),
    constraint component_not_its_parent check (parent_id <> id),
    constraint component_filled check (label <> '' and name <> ''),
    constraint component_side_known check (side in ('left', 'right', 'none')),
    constraint component_layer_sane check (layer_order between 0 and 99),
    constraint component_count_sane check (count between 1 and 9999),
    constraint component_mass_positive check (mass_kg > 0 and mass_kg <= 100000),
    constraint component_removal_known check (removal in ('freely', 'by_two_people', 'never')),
    constraint component_never_has_reason check (removal <> 'never' or removal_reason <> ''),
    constraint component_attribution_known check (attribution in
        ('original', 'contemporary_replacement', 'later_replacement', 'reproduction', 'unknown')),
    constraint component_function_known check (function in ('gas_tight', 'restraint', 'cover', 'lining', 'padding', 'insulation',
        'hardware', 'closure', 'seal', 'harness', 'container', 'instrument', 'label', 'weight', 'fragment', 'other'))
);
comment on table component is 'The parts of an object, a tree of at most eight levels. A label never changes (rule C1).';
create unique index component_label_unique on component (object_id, lower(label));
create index component_parent on component (parent_id) where parent_id is not null;

create function component_keeps_its_place() returns trigger language plpgsql as $$
declare above_it int; below_it int;
begin
    if tg_op = 'UPDATE' and (new.label <> old.label or new.object_id <> old.object_id) then
        raise exception 'a label never changes' using errcode = 'restrict_violation', constraint = 'component_label_stays';
    end if;
    if new.parent_id is null then
        return new;
    end if;
    if exists (with recursive above (id, parent_id, depth) as (
        select id, parent_id, 1 from component where id = new.parent_id
        union all
        select c.id, c.parent_id, a.depth + 1 from component c join above a on c.id = a.parent_id where a.depth < 20)
        select from above where id = new.id) then
        raise exception 'a component below itself' using errcode = 'check_violation', constraint = 'component_no_cycle';
    end if;
    with recursive above (parent_id, depth) as (
        select parent_id, 1 from component where id = new.parent_id
        union all
        select c.parent_id, a.depth + 1 from component c join above a on c.id = a.parent_id where a.depth < 20)
    select max(depth) into above_it from above;
    with recursive below (id, depth) as (
        select new.id, 1
        union all
        select c.id, b.depth + 1 from component c join below b on c.parent_id = b.id where b.depth < 20)
    select max(depth) into below_it from below;
    if above_it + below_it > 8 then
        raise exception 'too deep' using errcode = 'check_violation', constraint = 'component_depth';
    end if;
    return new;
end $$;
comment on function component_keeps_its_place() is 'Keeps labels, and the tree of components without a cycle and at most eight deep.';
create trigger component_keeps_its_place before insert or update of parent_id, label, object_id on component
    for each row execute function component_keeps_its_place();

create table attribution (
    id uuid not null,
    component_id uuid not null,
    attribution text not null,
    evidence text not null,
    author_id uuid not null,
    at timestamptz not null,
    constraint attribution_pkey primary key (id),
    constraint attribution_component_fkey foreign key (component_id) references component (id),
    constraint attribution_author_fkey foreign key (author_id) references person (id),
    constraint attribution_known check (attribution in
        ('original', 'contemporary_replacement', 'later_replacement', 'reproduction', 'unknown'))
);
comment on table attribution is 'append-only: every attribution of a component, with evidence and author (rule C3).';
create index attribution_component on attribution (component_id, at);
create trigger attribution_append_only before update or delete on attribution
    for each row execute function refuse_change();

create table component_material (
    id uuid not null,
    component_id uuid not null,
    material_key text,
    role text not null,
    share_percent numeric,
    thickness_mm numeric,
    identified_by text not null,
    confidence text not null,
    evidence text not null default '',
    investigation_id uuid,
    author_id uuid not null,
    at timestamptz not null,
    superseded_at timestamptz,
    constraint component_material_pkey primary key (id),
    constraint component_material_component_fkey foreign key (component_id) references component (id),
    constraint component_material_material_fkey foreign key (material_key) references material (key),
    constraint component_material_author_fkey foreign key (author_id) references person (id),
    constraint component_material_role_known check (role in ('body', 'coating', 'adhesive', 'thread', 'filler', 'plating', 'residue')),
    constraint component_material_share_sane check (share_percent > 0 and share_percent <= 100),
    constraint component_material_thickness_sane check (thickness_mm > 0 and thickness_mm <= 10000),
    constraint component_material_identified_by_known check (identified_by in ('label', 'document', 'sight', 'test')),
    constraint component_material_confidence_known check (confidence in ('certain', 'probable', 'possible')),
    constraint component_material_superseded_later check (superseded_at >= at)
);
comment on table component_material is 'Identifications of materials of components; a superseded one stays (rule C3).';
comment on column component_material.material_key is 'Null: unidentified, which is not harmless (rule M2).';
create index component_material_component on component_material (component_id);
create index component_material_material on component_material (material_key) where superseded_at is null;
create trigger component_material_never_deleted before delete on component_material
    for each row execute function refuse_delete();

create function component_material_stays() returns trigger language plpgsql as $$
begin
    if old.superseded_at is not null or to_jsonb(new) - 'superseded_at' <> to_jsonb(old) - 'superseded_at' then
        raise exception 'an identification stays as it was made' using errcode = 'restrict_violation', constraint = 'component_material_stays';
    end if;
    return new;
end $$;
comment on function component_material_stays() is 'An identification may be superseded once and is otherwise never changed (rule C3).';
create trigger component_material_stays before update on component_material
    for each row execute function component_material_stays();

create table joint (
    id uuid not null,
    object_id uuid not null,
    a_id uuid not null,
    b_id uuid not null,
    meets text not null,
    contact text not null,
    gap_mm numeric,
    gas_tight boolean not null default false,
    state text not null,
    note text not null default '',
    version bigint not null default 1,
    constraint joint_pkey primary key (id),
    constraint joint_a_fkey foreign key (object_id, a_id) references component (object_id, id),
    constraint joint_b_fkey foreign key (object_id, b_id) references component (object_id, id),
    constraint joint_two_components check (a_id <> b_id),
    constraint joint_meets_known check (meets in ('sewn', 'laced', 'glued', 'threaded', 'bayonet', 'ring_lock', 'zip', 'magnet', 'rests_on', 'hangs_from', 'loose')),
    constraint joint_contact_known check (contact in ('direct', 'barrier', 'gap')),
    constraint joint_gap_given check ((contact = 'gap') = (gap_mm is not null)),
    constraint joint_gap_sane check (gap_mm > 0 and gap_mm <= 10000),
    constraint joint_state_known check (state in ('engaged', 'held_open', 'seized', 'missing'))
);
comment on table joint is 'Where two components of an object meet, and in which state.';
create unique index joint_pair_unique on joint (least(a_id, b_id), greatest(a_id, b_id), meets);
create index joint_object on joint (object_id);
create index joint_b on joint (b_id);

create table hazard (
    id uuid not null,
    object_id uuid not null,
    component_id uuid,
    kind text not null,
    certainty text not null,
    known_by text not null,
    place text not null default '',
    state text not null,
    controls text not null default '',
    assessed_by text not null default '',
    document text not null default '',
    note text not null default '',
    author_id uuid not null,
    at timestamptz not null,
    judged_by_id uuid not null,
    judged_at timestamptz not null,
    review_on date,
    version bigint not null default 1,
    constraint hazard_pkey primary key (id),
    constraint hazard_object_fkey foreign key (object_id) references object (id),
    constraint hazard_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint hazard_author_fkey foreign key (author_id) references person (id),
    constraint hazard_judged_by_fkey foreign key (judged_by_id) references person (id),
    constraint hazard_ruled_out_by check (certainty <> 'ruled_out' or (assessed_by <> '' and note <> '')),
    constraint hazard_removed_document check (state <> 'removed' or document <> ''),
    constraint hazard_certainty_known check (certainty in ('certain', 'probable', 'possible', 'ruled_out')),
    constraint hazard_known_by_known check (known_by in ('record', 'label', 'sight', 'test')),
    constraint hazard_state_known check (state in ('intact', 'damaged', 'loose', 'sealed', 'removed'))
);
comment on table hazard is 'Dangers to people on objects; they stay on record for ever.';
create index hazard_object on hazard (object_id);
create index hazard_kind on hazard (kind, object_id) where certainty <> 'ruled_out' and state <> 'removed';
create index hazard_component on hazard (component_id) where component_id is not null;
create trigger hazard_never_deleted before delete on hazard
    for each row execute function refuse_delete();

create table word (
    word text collate "C" not null,
    constraint word_pkey primary key (word)
);
comment on table word is 'Every word without digits that a search can find or once could, to forgive misspellings.';
create index word_near on word using gin (word gin_trgm_ops);
