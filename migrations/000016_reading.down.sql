drop function words_found(tsquery);
create function words_found(query tsquery) returns table (id uuid) language sql stable
    set enable_seqscan = off set enable_indexscan = off set work_mem = '64MB' as $$
    select id from object where words @@ query
$$;
comment on function words_found(tsquery) is 'Objects that hold the words of a query, in no order.';
create function words_query(words text[], whole boolean) returns tsquery
    language sql immutable parallel safe
    as $$ select string_agg('''' || replace(replace(w, '\', '\\'), '''', '''''') || ''''
        || case when whole or length(w) < 3 then '' else ':*' end, ' & ')::tsquery
        from (select distinct w from unnest(words) given, words_in(given) w) folded $$;
comment on function words_query(text[], boolean) is 'Asks for every word; unless whole, words of three letters and more may go on. Null without words.';
drop index word_near;
delete from word where word ~ '[0-9]' or length(word) > 40;
create index word_near on word using gin (word gin_trgm_ops);
comment on table word is 'Every word without digits that a search can find or once could, to forgive misspellings.';
create or replace function place_facts(a_place uuid, out path text, out path_ids uuid[], out building_id uuid, out sensitive boolean, out outside boolean)
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
create or replace function place_facts_at(a_place uuid, at timestamptz, out path text, out sensitive boolean) language sql stable cost 1000 as $$
    with recursive up (id, parent_id, depth) as (
        select place_id, parent_id, 0 from place_parent where place_id = a_place and during @> at
        union all
        select p.place_id, p.parent_id, u.depth + 1 from place_parent p join up u on p.place_id = u.parent_id where p.during @> at and u.depth < 20)
    select string_agg(p.name, ' › ' order by u.depth desc), bool_or(p.sensitive) from up u join place p on p.id = u.id
$$;
