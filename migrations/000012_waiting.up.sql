-- What is asked for on every day's first page, and grows with the years.
create index treatment_movers on treatment using gin (movers);
create index work_emergency on work (happened_at desc, id desc) where kind = 'emergency';
