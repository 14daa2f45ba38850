-- What is asked for on every day's first page, and grows with the years.
create index treatment_curator on treatment (changed_at, id) where movers @> array['curator'];
create index treatment_charge on treatment (in_charge_id, changed_at) where movers @> array['conservator'] or state = 'drafting';
create index work_emergency on work (happened_at desc, id desc) where kind = 'emergency';

-- Sums over a period are made from the index alone.
drop index handling_started;
create index handling_started on handling (started_at desc, id desc) include (object_id, minutes, lifts, purpose);

-- How many objects hold some words, as the statistics of the table have it.
create function words_expected(query tsquery) returns double precision language plpgsql volatile as $$
declare plan json;
begin
    execute format('explain (format json) select from object where words @@ %L::tsquery', query) into plan;
    return (plan -> 0 -> 'Plan' ->> 'Plan Rows')::double precision;
end $$;
comment on function words_expected(tsquery) is 'How many objects are thought to hold the words of a query.';

-- All of them, found by the index of words whatever is expected. A lossy list of them would cost most of
-- the time that the index saves, so it gets memory.
create function words_found(query tsquery) returns table (id uuid) language sql stable
    set enable_seqscan = off set enable_indexscan = off set work_mem = '64MB' as $$
    select id from object where words @@ query
$$;
comment on function words_found(tsquery) is 'Objects that hold the words of a query, in no order.';
