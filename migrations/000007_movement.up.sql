-- Places, and where every object and detached part is and was.
create table place (
    id uuid not null,
    parent_id uuid,
    kind text not null,
    name text not null,
    code text collate "C" not null,
    sensitive boolean not null default false,
    outside boolean not null default false,
    conditions text not null default '',
    security_class text not null default '',
    capacity int,
    closed_at timestamptz,
    version bigint not null default 1,
    created_at timestamptz not null,
    created_by uuid not null,
    constraint place_pkey primary key (id),
    constraint place_parent_fkey foreign key (parent_id) references place (id),
    constraint place_created_by_fkey foreign key (created_by) references person (id),
    constraint place_kind_known check (kind in ('site', 'building', 'room', 'unit', 'shelf', 'case', 'crate')),
    constraint place_filled check (name <> '' and code <> ''),
    constraint place_capacity_positive check (capacity > 0),
    constraint place_outside_is_a_site check (not outside or kind = 'site'),
    constraint place_stands_somewhere check ((kind = 'site') = (parent_id is null))
);
comment on table place is 'Where things can be: a tree of sites, buildings, rooms, units, shelves, cases and crates.';
comment on column place.code is 'What stands on the label.';
comment on column place.sensitive is 'Its name and what is in it are only for those whom rule P3 names.';
comment on column place.outside is 'A site of somebody else: a borrower, a photographer.';
create unique index place_code_unique on place (lower(code));
create index place_within on place (parent_id) where parent_id is not null;
create trigger place_never_deleted before delete on place for each row execute function refuse_delete();

create function place_rank(kind text) returns int language sql immutable as $$
    select case kind when 'site' then 0 when 'building' then 1 when 'room' then 2 when 'unit' then 3 when 'case' then 3 when 'shelf' then 4 else 5 end
$$;

create function place_keeps_the_tree() returns trigger language plpgsql as $$
declare
    above uuid := new.parent_id;
    above_kind text;
    depth int := 0;
begin
    if new.parent_id is null then
        return new;
    end if;
    perform pg_advisory_xact_lock(19271); -- two moves at once could close a circle that neither sees
    select kind into above_kind from place where id = new.parent_id;
    if not found then
        return new; -- the foreign key says so
    end if;
    if place_rank(new.kind) <= place_rank(above_kind) and not (new.kind = 'crate' and above_kind = 'crate') then
        raise exception 'a % does not stand in a %', new.kind, above_kind using errcode = 'check_violation', constraint = 'place_order';
    end if;
    while above is not null loop
        depth := depth + 1;
        if above = new.id then
            raise exception 'a place inside itself' using errcode = 'check_violation', constraint = 'place_no_cycle';
        end if;
        if depth > 12 then
            raise exception 'too deep' using errcode = 'check_violation', constraint = 'place_depth';
        end if;
        select parent_id into above from place where id = above;
    end loop;
    return new;
end $$;
comment on function place_keeps_the_tree() is 'Keeps the tree of places without a circle, in the order of their kinds, at most twelve deep.';
create trigger place_keeps_the_tree before insert or update of parent_id, kind on place
    for each row execute function place_keeps_the_tree();

create table place_parent (
    id uuid not null,
    place_id uuid not null,
    parent_id uuid,
    during tstzrange not null,
    reason text not null,
    authorised_by uuid not null,
    recorded_by uuid not null,
    recorded_at timestamptz not null,
    evacuation text not null default '',
    constraint place_parent_pkey primary key (id),
    constraint place_parent_place_fkey foreign key (place_id) references place (id),
    constraint place_parent_in_fkey foreign key (parent_id) references place (id),
    constraint place_parent_authorised_by_fkey foreign key (authorised_by) references person (id),
    constraint place_parent_recorded_by_fkey foreign key (recorded_by) references person (id),
    constraint place_parent_during_sane check (not isempty(during) and lower_inc(during) and not upper_inc(during) and not lower_inf(during)),
    constraint place_parent_evacuation_known check (evacuation in ('', 'fire', 'flood', 'threat_to_life')),
    constraint place_parent_no_overlap exclude using gist (place_id with =, during with &&)
);
comment on table place_parent is 'In which place a place stood, from when to when: what moves with a crate moves by this (rule V2).';

create table placement (
    id uuid not null,
    object_id uuid not null,
    component_id uuid,
    state text not null,
    place_id uuid,
    from_place_id uuid,
    to_place_id uuid,
    carrier text not null default '',
    during tstzrange not null,
    reason text not null,
    other_movers text[] not null default '{}',
    authorised_by uuid not null,
    container text not null default '',
    condition text not null default '',
    expected_return date,
    evacuation text not null default '',
    recorded_by uuid not null,
    recorded_at timestamptz not null,
    constraint placement_pkey primary key (id),
    constraint placement_object_fkey foreign key (object_id) references object (id),
    constraint placement_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint placement_place_fkey foreign key (place_id) references place (id),
    constraint placement_from_place_fkey foreign key (from_place_id) references place (id),
    constraint placement_to_place_fkey foreign key (to_place_id) references place (id),
    constraint placement_authorised_by_fkey foreign key (authorised_by) references person (id),
    constraint placement_recorded_by_fkey foreign key (recorded_by) references person (id),
    constraint placement_object_unique unique (object_id, id),
    constraint placement_state_known check (state in ('in_place', 'in_transit', 'with_whole')),
    constraint placement_in_one_place check (
        state = 'in_place' and place_id is not null and to_place_id is null and carrier = ''
        or state = 'in_transit' and place_id is null and to_place_id is not null and carrier <> ''
        or state = 'with_whole' and place_id is null and to_place_id is null and carrier = '' and component_id is not null),
    constraint placement_reason_filled check (reason <> ''),
    constraint placement_evacuation_known check (evacuation in ('', 'fire', 'flood', 'threat_to_life')),
    constraint placement_during_sane check (not isempty(during) and lower_inc(during) and not upper_inc(during) and not lower_inf(during)),
    constraint placement_not_before_done check (lower(during) <= recorded_at + interval '10 minutes'),
    constraint placement_no_overlap exclude using gist (object_id with =, (coalesce(component_id, object_id)) with =, during with &&)
);
comment on table placement is 'Where an object or a detached part was, from when to when, and the move that brought it there (rules V1-V3). Rows are never changed but for their end.';
comment on column placement.component_id is 'Null: the whole object. A component without rows, or with_whole, is where what carries it is.';
comment on column placement.recorded_at is 'When it was recorded; the lower end of during is when it happened.';
comment on column placement.evacuation is 'Not empty: out of danger; no rule refuses it.';
create index placement_item on placement (object_id, component_id, lower(during) desc);
create index placement_component on placement (component_id, lower(during) desc) where component_id is not null;
create index placement_place_now on placement (place_id) where upper_inf(during);
create index placement_place on placement (place_id, lower(during) desc);
create index placement_return on placement (expected_return) where expected_return is not null and upper_inf(during);
create trigger placement_never_deleted before delete on placement for each row execute function refuse_delete();
create trigger place_parent_never_deleted before delete on place_parent for each row execute function refuse_delete();

create table placement_mover (
    placement_id uuid not null,
    person_id uuid not null,
    position int not null,
    constraint placement_mover_pkey primary key (placement_id, person_id),
    constraint placement_mover_position_unique unique (placement_id, position),
    constraint placement_mover_placement_fkey foreign key (placement_id) references placement (id),
    constraint placement_mover_person_fkey foreign key (person_id) references person (id)
);
comment on table placement_mover is 'append-only: who moved it, the lead first.';
create trigger placement_mover_append_only before update or delete on placement_mover
    for each row execute function refuse_change();

create table placement_handling (
    placement_id uuid not null,
    object_id uuid not null,
    handling_id uuid not null,
    constraint placement_handling_pkey primary key (placement_id),
    constraint placement_handling_unique unique (handling_id),
    constraint placement_handling_placement_fkey foreign key (object_id, placement_id) references placement (object_id, id),
    constraint placement_handling_handling_fkey foreign key (object_id, handling_id) references handling (object_id, id)
);
comment on table placement_handling is 'append-only: the handling that a move was (rule H1).';
create trigger placement_handling_append_only before update or delete on placement_handling
    for each row execute function refuse_change();

create function only_the_end_changes() returns trigger language plpgsql as $$
begin
    if not upper_inf(old.during) or upper_inf(new.during) or lower(new.during) <> lower(old.during)
        or to_jsonb(old) - 'during' <> to_jsonb(new) - 'during' then
        raise exception 'the history of places is never rewritten' using errcode = 'restrict_violation', 
            constraint = case tg_table_name when 'placement' then 'placement_only_ends' else 'place_parent_only_ends' end;
    end if;
    return new;
end $$;
comment on function only_the_end_changes() is 'A row of the history of places is changed once only: it ends.';
create trigger placement_only_ends before update on placement for each row execute function only_the_end_changes();
create trigger place_parent_only_ends before update on place_parent for each row execute function only_the_end_changes();

create function placement_without_gap() returns trigger language plpgsql as $$
begin
    -- Each row but the last ends where another begins; with no overlap, that leaves no gap.
    if exists (
        select from placement p
        where p.object_id = new.object_id and p.component_id is not distinct from new.component_id and not upper_inf(p.during)
            and not exists (select from placement n where n.object_id = p.object_id and n.component_id is not distinct from p.component_id
                and lower(n.during) = upper(p.during))) then
        raise exception 'a gap in the history of places' using errcode = 'check_violation', constraint = 'placement_no_gap';
    end if;
    if (select count(*) from placement p where p.object_id = new.object_id and p.component_id is not distinct from new.component_id and upper_inf(p.during)) <> 1 then
        raise exception 'no present place' using errcode = 'check_violation', constraint = 'placement_no_gap';
    end if;
    return null;
end $$;
comment on function placement_without_gap() is 'At the end of a transaction the history of an item is one line without a gap (rule V1).';
create constraint trigger placement_without_gap after insert or update on placement
    deferrable initially deferred for each row execute function placement_without_gap();

create function place_parent_without_gap() returns trigger language plpgsql as $$
begin
    if exists (
        select from place_parent p where p.place_id = new.place_id and not upper_inf(p.during)
            and not exists (select from place_parent n where n.place_id = p.place_id and lower(n.during) = upper(p.during)))
        or not exists (
        select from place_parent p join place x on x.id = p.place_id
            where p.place_id = new.place_id and upper_inf(p.during) and p.parent_id is not distinct from x.parent_id) then
        raise exception 'a gap in the history of a place' using errcode = 'check_violation', constraint = 'place_parent_no_gap';
    end if;
    return null;
end $$;
comment on function place_parent_without_gap() is 'At the end of a transaction the history of a place is one line without a gap and ends where it stands.';
create constraint trigger place_parent_without_gap after insert or update on place_parent
    deferrable initially deferred for each row execute function place_parent_without_gap();

create function place_has_a_history() returns trigger language plpgsql as $$
begin
    if not exists (select from place_parent p join place x on x.id = p.place_id
        where p.place_id = new.id and upper_inf(p.during) and p.parent_id is not distinct from x.parent_id) then
        raise exception 'a place moved without a record' using errcode = 'check_violation', constraint = 'place_parent_no_gap';
    end if;
    return null;
end $$;
comment on function place_has_a_history() is 'A place is put somewhere only with its line in place_parent.';
create constraint trigger place_has_a_history after insert or update of parent_id on place
    deferrable initially deferred for each row execute function place_has_a_history();

create function placement_allowed() returns trigger language plpgsql as $$
begin
    if new.evacuation <> '' then
        return new;
    end if;
    if stopped(new.object_id, new.component_id) then
        raise exception 'under a stop' using errcode = 'check_violation', constraint = 'placement_stopped';
    end if;
    perform from place where id in (new.place_id, new.to_place_id) and closed_at is null for share; -- whoever closes it waits
    if new.state <> 'with_whole' and not found then
        raise exception 'a closed place' using errcode = 'check_violation', constraint = 'placement_place_open';
    end if;
    if new.state <> 'with_whole' and exists (select from component where id = new.component_id and removal = 'never')
        and not exists (select from placement p where p.component_id = new.component_id and upper(p.during) = lower(new.during) and p.state <> 'with_whole') then
        raise exception 'never taken off' using errcode = 'check_violation', constraint = 'placement_never_taken_off';
    end if;
    return new;
end $$;
comment on function placement_allowed() is 'A stop refuses moves (rule H3), nothing goes into a closed place, and what is never taken off gets no place of its own (C2); evacuation is never refused.';
create trigger placement_allowed before insert on placement for each row execute function placement_allowed();

create function place_facts(a_place uuid, out path text, out path_ids uuid[], out building_id uuid, out sensitive boolean, out outside boolean)
    language sql stable cost 1000 as $$
    with recursive up (id, parent_id, kind, name, sensitive, outside, depth) as (
        select id, parent_id, kind, name, sensitive, outside, 0 from place where id = a_place
        union all
        select p.id, p.parent_id, p.kind, p.name, p.sensitive, p.outside, u.depth + 1 from place p join up u on p.id = u.parent_id)
    select string_agg(name, ' › ' order by depth desc), array_agg(id order by depth desc),
        coalesce((array_agg(id order by depth) filter (where kind = 'building'))[1], (array_agg(id order by depth desc))[1]),
        bool_or(sensitive), bool_or(outside)
    from up
$$;
comment on function place_facts(uuid) is 'A place with what it stands in: from the site inwards; building_id is its building, else its site.';

create function place_facts_at(a_place uuid, at timestamptz, out path text, out sensitive boolean) language sql stable cost 1000 as $$
    with recursive up (id, parent_id, depth) as (
        select place_id, parent_id, 0 from place_parent where place_id = a_place and during @> at
        union all
        select p.place_id, p.parent_id, u.depth + 1 from place_parent p join up u on p.place_id = u.parent_id where p.during @> at and u.depth < 20)
    select string_agg(p.name, ' › ' order by u.depth desc), bool_or(p.sensitive) from up u join place p on p.id = u.id
$$;
comment on function place_facts_at(uuid, timestamptz) is 'A place with what it stood in at a time.';
