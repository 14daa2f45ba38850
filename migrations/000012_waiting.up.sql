-- What is asked for on every day's first page, and grows with the years.
create index treatment_curator on treatment (changed_at, id) where movers @> array['curator'];
create index treatment_charge on treatment (in_charge_id, changed_at) where movers @> array['conservator'] or state = 'drafting';
create index work_emergency on work (happened_at desc, id desc) where kind = 'emergency';

-- Sums over a period are made from the index alone.
drop index handling_started;
create index handling_started on handling (started_at desc, id desc) include (object_id, minutes, lifts, purpose);

-- How many objects hold some words cannot be told beforehand: what the planner expects of words that are
-- each common and seldom stand together is far too much. This finds out, and stops when it is enough.
create function words_few(query tsquery, most int) returns table (id uuid) language sql stable
    set enable_seqscan = off set enable_indexscan = off as $$
    select id from object where words @@ query limit most
$$;
comment on function words_few(tsquery, int) is 'Objects that hold the words of a query, at most so many, in no order.';
