-- In plpgsql, as a session keeps its plan; a function in SQL is planned in every statement that calls it.
create or replace function place_facts(a_place uuid, out path text, out path_ids uuid[], out building_id uuid, out sensitive boolean, out outside boolean)
    language plpgsql stable cost 1000 as $$
begin
    with recursive up (id, parent_id, kind, name, sensitive, outside, depth) as (
        select p.id, p.parent_id, p.kind, p.name, p.sensitive, p.outside, 0 from place p where p.id = a_place
        union all
        select p.id, p.parent_id, p.kind, p.name, p.sensitive, p.outside, u.depth + 1 from place p join up u on p.id = u.parent_id)
    select string_agg(u.name, ' › ' order by u.depth desc), array_agg(u.id order by u.depth desc),
        coalesce((array_agg(u.id order by u.depth) filter (where u.kind = 'building'))[1], (array_agg(u.id order by u.depth desc))[1]),
        bool_or(u.sensitive), bool_or(u.outside)
    into path, path_ids, building_id, sensitive, outside
    from up u;
end $$;

create or replace function place_facts_at(a_place uuid, at timestamptz, out path text, out sensitive boolean) language plpgsql stable cost 1000 as $$
begin
    if at = 'infinity' then
        select f.path, f.sensitive into path, sensitive from place_facts(a_place) f;
        return;
    end if;
    with recursive up (id, parent_id, depth) as (
        select l.place_id, l.parent_id, 0 from place_parent l where l.place_id = a_place and l.during @> at
        union all
        select l.place_id, l.parent_id, u.depth + 1 from place_parent l join up u on l.place_id = u.parent_id where l.during @> at and u.depth < 20)
    select string_agg(p.name, ' › ' order by u.depth desc), bool_or(p.sensitive) into path, sensitive from up u join place p on p.id = u.id;
end $$;

-- A search asks for each word that a typed one begins, so it has to know all of them, but those that begin
-- with a digit. Only words without digits are ever taken for misspelt.
insert into word (word)
    select distinct w collate "C" from object o, unnest(tsvector_to_array(o.words)) w where w !~ '^[0-9]' and length(w) >= 3 order by 1
    on conflict do nothing;
comment on table word is 'Every word that a search can find or once could, of three signs and more, but those that begin with a digit.';
drop index word_near;
create index word_near on word using gin (word gin_trgm_ops) where word !~ '[0-9]';
drop function words_query(text[], boolean);

-- With the order, so that the first of many are found without reading each once more.
drop function words_found(tsquery);
create function words_found(query tsquery) returns table (id uuid, sort_key text) language sql stable
    set enable_seqscan = off set enable_indexscan = off set work_mem = '64MB' as $$
    select id, sort_key from object where words @@ query
$$;
comment on function words_found(tsquery) is 'Objects that hold the words of a query, in no order.';
