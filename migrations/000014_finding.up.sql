-- What endangers what in each object, who accepted it, and what is to be computed again.
create table finding (
    id uuid not null,
    object_id uuid not null,
    key uuid not null,
    rule text not null,
    species text not null default '',
    path text not null,
    emitter_object_id uuid not null,
    emitter_component_id uuid not null,
    emitter_part text not null,
    emitter_key text not null default '',
    emitter_family text not null default '',
    emitter_material text not null,
    receptor_component_id uuid,
    receptor_part text not null default '',
    receptor_key text not null default '',
    receptor_family text not null default '',
    receptor_material text not null default '',
    meets text not null,
    severity smallint not null,
    depends boolean not null,
    says text not null,
    steps text[] not null,
    first_raised_at timestamptz not null,
    changed_at timestamptz not null,
    gone_at timestamptz,
    accepted_until date,
    accepted_severity smallint,
    version bigint not null default 1,
    constraint finding_pkey primary key (id),
    constraint finding_object_fkey foreign key (object_id) references object (id),
    constraint finding_filled check (rule <> '' and says <> ''),
    constraint finding_path_known check (path in ('air', 'contact', 'self')),
    constraint finding_severity_known check (severity between 1 and 3),
    constraint finding_people_have_no_part check ((receptor_component_id is null) = (receptor_part = '')),
    constraint finding_accepted_whole check ((accepted_until is null) = (accepted_severity is null)),
    constraint finding_gone_later check (gone_at >= first_raised_at)
);
comment on table finding is 'What endangers what in an object, computed by the program (rules M1, M2). One that no longer holds is marked as gone and stays.';
comment on column finding.key is 'Which finding it is, whatever its severity: rule, way, both materials of both parts, and where.';
comment on column finding.object_id is 'Whose part suffers; the emitter may be of another object that shares the air.';
comment on column finding.receptor_component_id is 'Null: people.';
comment on column finding.meets is 'The air that both share, or how they touch.';
comment on column finding.accepted_until is 'Of the last acceptance, with the severity that was accepted.';
create unique index finding_present_unique on finding (object_id, key) where gone_at is null;
create index finding_gone on finding (object_id, gone_at desc) where gone_at is not null;
create index finding_gravest on finding (severity desc, id desc) where gone_at is null;
create index finding_species on finding (species, severity desc, id desc) where gone_at is null;
create index finding_pair on finding (emitter_family, receptor_family, severity desc, id desc) where gone_at is null;
create index finding_receptor on finding (receptor_family, severity desc, id desc) where gone_at is null;
create index finding_rule on finding (rule, severity desc, id desc) where gone_at is null;
create index finding_grave on finding (first_raised_at, id) where gone_at is null and severity = 3;
create index finding_harm on finding (emitter_object_id, severity desc, id desc) where gone_at is null and emitter_object_id <> object_id;
create trigger finding_never_deleted before delete on finding for each row execute function refuse_delete();

create table finding_acceptance (
    id uuid not null,
    finding_id uuid not null,
    severity smallint not null,
    says text not null,
    reason text not null,
    until date not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint finding_acceptance_pkey primary key (id),
    constraint finding_acceptance_finding_fkey foreign key (finding_id) references finding (id),
    constraint finding_acceptance_by_fkey foreign key (by_id) references person (id),
    constraint finding_acceptance_filled check (reason <> '' and says <> ''),
    constraint finding_acceptance_severity_known check (severity between 1 and 3)
);
comment on table finding_acceptance is 'append-only: who accepted a finding of which severity, why, until which day; the latest holds.';
create index finding_acceptance_finding on finding_acceptance (finding_id, at desc, id desc);
create trigger finding_acceptance_append_only before update or delete on finding_acceptance
    for each row execute function refuse_change();

create table finding_computed (
    object_id uuid not null,
    computed_at timestamptz not null,
    rules text not null,
    notes text[] not null default '{}',
    constraint finding_computed_pkey primary key (object_id),
    constraint finding_computed_object_fkey foreign key (object_id) references object (id) on delete cascade
);
comment on table finding_computed is 'When the findings of an object were last computed, by which rules, and what was left out.';

create table finding_rules (
    whole boolean not null default true,
    version text not null,
    at timestamptz not null,
    constraint finding_rules_pkey primary key (whole),
    constraint finding_rules_once check (whole)
);
comment on table finding_rules is 'The rules by which all findings were last to be computed; at most one row.';

create table finding_due (
    id bigint generated always as identity,
    object_id uuid not null,
    at timestamptz not null default now(),
    constraint finding_due_pkey primary key (id)
);
comment on table finding_due is 'Objects whose findings are to be computed again, by the transaction that changed what they follow from. An object may stand here several times; nothing waits for a mark that others write.';
create index finding_due_object on finding_due (object_id);

-- Marks. Each function reads the rows of one statement, "changed", and marks their objects and those that
-- share an air space with them.
create function finding_mark(objects uuid[]) returns void language sql as $$
    insert into finding_due (object_id)
    select unnest(objects)
    union
    select other.object_id from enclosure_member own
    join enclosure_member other on other.enclosure_id = own.enclosure_id and other.space = own.space
    where own.object_id = any (objects)
$$;
comment on function finding_mark(uuid[]) is 'Has the findings of objects, and of those that share air with them, computed again.';

create function finding_mark_rows() returns trigger language plpgsql as $$
begin
    perform finding_mark(array(select distinct object_id from changed));
    return null;
end $$;
comment on function finding_mark_rows() is 'Marks the objects that the changed rows name.';
create trigger component_added_due after insert on component referencing new table as changed for each statement execute function finding_mark_rows();
create trigger component_changed_due after update on component referencing new table as changed for each statement execute function finding_mark_rows();
create trigger component_removed_due after delete on component referencing old table as changed for each statement execute function finding_mark_rows();
create trigger joint_added_due after insert on joint referencing new table as changed for each statement execute function finding_mark_rows();
create trigger joint_changed_due after update on joint referencing new table as changed for each statement execute function finding_mark_rows();
create trigger joint_removed_due after delete on joint referencing old table as changed for each statement execute function finding_mark_rows();

create function finding_mark_identified() returns trigger language plpgsql as $$
begin
    perform finding_mark(array(select distinct c.object_id from changed m join component c on c.id = m.component_id));
    return null;
end $$;
comment on function finding_mark_identified() is 'Marks the objects whose components were identified anew.';
create trigger component_material_added_due after insert on component_material referencing new table as changed for each statement execute function finding_mark_identified();
create trigger component_material_changed_due after update on component_material referencing new table as changed for each statement execute function finding_mark_identified();

create function finding_mark_material() returns trigger language plpgsql as $$
begin
    perform finding_mark(array(
        select distinct c.object_id from changed m
        join component_material cm on cm.material_key = m.key and cm.superseded_at is null
        join component c on c.id = cm.component_id));
    return null;
end $$;
comment on function finding_mark_material() is 'Marks the objects that have a material whose entry in the library changed.';
create trigger material_changed_due after update on material referencing new table as changed for each statement execute function finding_mark_material();

create function finding_mark_enclosure() returns trigger language plpgsql as $$
begin
    perform finding_mark(array(
        select distinct m.object_id from changed e join enclosure_member m on m.enclosure_id = e.id));
    return null;
end $$;
comment on function finding_mark_enclosure() is 'Marks what lies in enclosures that were changed or closed.';
create trigger enclosure_changed_due after update on enclosure referencing new table as changed for each statement execute function finding_mark_enclosure();

create function finding_mark_space() returns trigger language plpgsql as $$
begin
    perform finding_mark(array(
        select distinct m.object_id from changed s join enclosure_member m on m.enclosure_id = s.enclosure_id and m.space = s.name));
    return null;
end $$;
comment on function finding_mark_space() is 'Marks what lies in air spaces that were changed.';
create trigger enclosure_space_changed_due after update on enclosure_space referencing new table as changed for each statement execute function finding_mark_space();

-- Who has left a space is marked by the row, who stays in it by the space.
create function finding_mark_members() returns trigger language plpgsql as $$
begin
    perform finding_mark(array(
        select object_id from changed
        union
        select m.object_id from changed g join enclosure_member m on m.enclosure_id = g.enclosure_id and m.space = g.space));
    return null;
end $$;
comment on function finding_mark_members() is 'Marks who came into an air space or left it, and who shares it.';
create trigger enclosure_member_added_due after insert on enclosure_member referencing new table as changed for each statement execute function finding_mark_members();
create trigger enclosure_member_removed_due after delete on enclosure_member referencing old table as changed for each statement execute function finding_mark_members();
create trigger enclosure_member_left_due after update on enclosure_member referencing old table as changed for each statement execute function finding_mark_members();
create trigger enclosure_member_changed_due after update on enclosure_member referencing new table as changed for each statement execute function finding_mark_members();
